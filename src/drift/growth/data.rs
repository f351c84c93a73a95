//! The tests of a fleet, checked and grouped by switch.

use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::Arc;

use crate::base::channel::{finite, same_length};
use crate::base::{Error, Result, error};

/// Something that adds to the fleet's mean line: the model, the lot or the method of each test.
///
/// The first level is what the others are measured against; each of the others has a column of its
/// own, and with `slope` a second one for what it adds to the slope.
#[derive(Debug, Clone, PartialEq)]
pub struct Effect {
    /// Level of each test, from 0.
    pub level: Vec<u32>,
    /// Number of levels.
    pub levels: u32,
    /// Whether the levels differ in slope too.
    pub slope: bool,
}

/// Columns that one fit can take: their normal equations are dense.
const MOST_COLUMNS: usize = 400;
/// Tests of one switch that go on together.
pub(super) const SWITCHES_NEEDED: usize = 3;

/// Tests of a fleet: time (years, from an origin near the middle of the data), value (Pa), known
/// standard uncertainty (Pa), and which switch each belongs to.
#[derive(Debug, Clone, PartialEq)]
pub struct GrowthData {
    pub(super) time: Vec<f64>,
    pub(super) value: Vec<f64>,
    pub(super) variance: Vec<f64>,
    /// Mean of the values, taken off them so that squares stay small.
    pub(super) offset: f64,
    pub(super) switches: Vec<Switch>,
    /// Columns of the fixed effects.
    pub(super) columns: usize,
    /// Columns of errors that tests share, behind those.
    pub(super) shared: usize,
    /// Which fixed effects are multiplied by time.
    slope_columns: Vec<bool>,
    pub(super) effects: Arc<[Effect]>,
    /// Of times, values, uncertainties, switches and shared errors: the same tests or others.
    pub(super) signature: u64,
    /// Columns that are the same for all tests of each switch, but for the time.
    pub(super) between_switches: usize,
}

/// The tests of one switch: where they begin and end, and the columns that are not zero there.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Switch {
    pub(super) tests: std::ops::Range<usize>,
    /// Intercept and time first, shared errors last.
    pub(super) columns: Vec<usize>,
    /// A row of values of those columns for each test.
    pub(super) rows: Vec<f64>,
}

impl GrowthData {
    /// Groups tests by switch: those of equal `switch` must be next to each other.
    ///
    /// # Errors
    ///
    /// [`Error::LengthMismatch`]; [`Error::NotFinite`]; [`Error::BadValue`] for an uncertainty that is
    /// negative, a switch that comes twice, a level beyond the number of levels or more than 400 columns;
    /// [`Error::TooFewSamples`] for fewer than three switches beyond what sets them apart, or where all
    /// dates are one.
    ///
    /// ```
    /// use deadband::drift::growth::GrowthData;
    /// let time = [0.0, 1.0, 2.0, 0.0, 1.0, 2.0, 0.0, 1.0, 2.0];
    /// let open_pa = [60.0, 59.5, 59.1, 62.0, 61.2, 61.0, 58.9, 58.1, 57.4];
    /// let switch = [0, 0, 0, 1, 1, 1, 2, 2, 2];
    /// assert!(GrowthData::new(&time, &open_pa, &[0.2; 9], &switch, &[]).is_ok());
    /// ```
    pub fn new(
        time: &[f64],
        value: &[f64],
        u: &[f64],
        switch: &[u64],
        effects: &[Effect],
    ) -> Result<Self> {
        same_length(("time", time), ("value", value))?;
        same_length(("u", u), ("value", value))?;
        finite("time", time)?;
        finite("value", value)?;
        u.iter().try_for_each(|&u| error::not_negative("u", u).map(drop))?;
        if switch.len() != value.len() {
            let (left_len, right_len) = (switch.len(), value.len());
            let (left, right) = ("switch", "value");
            return Err(Error::LengthMismatch { left, left_len, right, right_len });
        }
        effects.iter().try_for_each(|effect| check(effect, value.len()))?;
        let offset = value.iter().sum::<f64>() / value.len().max(1) as f64;
        let mut data = Self {
            time: time.to_vec(),
            value: value.iter().map(|value| value - offset).collect(),
            variance: u.iter().map(|u| u * u).collect(),
            offset,
            switches: Vec::new(),
            columns: 2 + effects.iter().map(Effect::columns).sum::<usize>(),
            shared: 0,
            slope_columns: [false, true]
                .into_iter()
                .chain(effects.iter().flat_map(Effect::is_slope))
                .collect(),
            effects: effects.into(),
            signature: signature([time, value, u], switch),
            between_switches: 0,
        };
        data.check_width()?;
        let mut start = 0;
        let mut seen = std::collections::HashSet::new();
        for group in switch.chunk_by(|a, b| a == b) {
            if !seen.insert(group[0]) {
                let value = group[0] as f64;
                let must = "one group: sort the tests by switch";
                return Err(Error::BadValue { what: "switch", value, must });
            }
            let tests = start..start + group.len();
            start = tests.end;
            data.switches.push(data.switch(tests, effects));
        }
        data.between_switches = 1 + effects
            .iter()
            .filter(|effect| data.is_constant(effect))
            .map(|effect| effect.levels as usize - 1)
            .sum::<usize>();
        data.check_size()?;
        Ok(data)
    }

    fn is_constant(&self, effect: &Effect) -> bool {
        self.switches.iter().all(|switch| {
            let levels = &effect.level[switch.tests.clone()];
            levels.iter().all(|level| *level == levels[0])
        })
    }

    fn switch(&self, tests: std::ops::Range<usize>, effects: &[Effect]) -> Switch {
        let mut columns = vec![0, 1];
        for test in tests.clone() {
            columns.extend(self.entries(test, effects).into_iter().map(|(column, _)| column));
        }
        columns[2..].sort_unstable();
        columns.dedup();
        let mut rows = vec![0.0; columns.len() * tests.len()];
        for (row, test) in rows.chunks_exact_mut(columns.len()).zip(tests.clone()) {
            (row[0], row[1]) = (1.0, self.time[test]);
            for (column, value) in self.entries(test, effects) {
                if let Ok(place) = columns.binary_search(&column) {
                    row[place] = value;
                }
            }
        }
        Switch { tests, columns, rows }
    }

    /// Columns beyond intercept and time that are not zero for a test, with their values.
    fn entries(&self, test: usize, effects: &[Effect]) -> Vec<(usize, f64)> {
        let mut first = 2;
        let mut entries = Vec::new();
        for effect in effects {
            let others = effect.levels as usize - 1;
            if let Some(other) = (effect.level[test] as usize).checked_sub(1) {
                entries.push((first + other, 1.0));
                if effect.slope {
                    entries.push((first + others + other, self.time[test]));
                }
            }
            first += effect.columns();
        }
        entries
    }

    /// Which columns of a switch are part of its level, and which of its slope: those that hold for all
    /// of its tests.
    pub(super) fn constant(&self, switch: &Switch) -> [Vec<bool>; 2] {
        let width = switch.columns.len();
        let holds = |place: usize, slope: bool| {
            let mut values = switch.rows.iter().skip(place).step_by(width);
            let mut times = self.time[switch.tests.clone()].iter();
            // A gauge's error may be 1 Pa, and is no part of any line.
            self.slope_columns.get(switch.columns[place]) == Some(&slope)
                && if slope { values.eq(times.by_ref()) } else { values.all(|&value| value == 1.0) }
        };
        [false, true].map(|slope| (0..width).map(|place| holds(place, slope)).collect())
    }

    /// Columns of fixed effects and shared errors.
    pub(super) const fn all_columns(&self) -> usize {
        self.columns + self.shared
    }

    pub(super) fn check_width(&self) -> Result<()> {
        let value = self.all_columns() as f64;
        if self.all_columns() <= MOST_COLUMNS {
            return Ok(());
        }
        let (what, must) = if self.columns > MOST_COLUMNS {
            ("columns of fixed effects", "400 or fewer: leave an effect or its slopes out")
        } else {
            let must = "400 or fewer: keep the gauges of few tests out of the tables of gauges and lags, \
                        so that their errors stay in the uncertainty of each test";
            ("errors of gauges and columns of fixed effects", must)
        };
        Err(Error::BadValue { what, value, must })
    }

    fn check_size(&self) -> Result<()> {
        let found = self.switches.len();
        let needed = SWITCHES_NEEDED + self.between_switches - 1;
        if found < needed {
            return Err(Error::TooFewSamples { what: "switches in the fleet", found, needed });
        }
        let (found, needed) = (self.value.len(), self.columns + 2);
        if found < needed {
            return Err(Error::TooFewSamples { what: "tests in the fleet", found, needed });
        }
        if self.time.iter().all(|&time| time == self.time[0]) {
            return Err(Error::TooFewSamples { what: "distinct dates", found: 1, needed: 2 });
        }
        Ok(())
    }

    /// Switches that were tested on two dates at least: only they tell of slopes that differ.
    pub(super) fn with_two_dates(&self) -> usize {
        let differs = |switch: &&Switch| {
            let times = &self.time[switch.tests.clone()];
            times.iter().any(|time| *time != times[0])
        };
        self.switches.iter().filter(differs).count()
    }

    /// Number of switches.
    pub fn switches(&self) -> usize {
        self.switches.len()
    }

    /// Number of tests.
    pub fn tests(&self) -> usize {
        self.value.len()
    }
}

fn signature(columns: [&[f64]; 3], switch: &[u64]) -> u64 {
    let mut hasher = DefaultHasher::new();
    for value in columns.into_iter().flatten() {
        value.to_bits().hash(&mut hasher);
    }
    switch.hash(&mut hasher);
    hasher.finish()
}

impl Effect {
    /// Whether this effect says all that another one does: each of its levels lies within one level
    /// of the other.
    pub(super) fn implies(&self, other: &Self) -> bool {
        let mut within: Vec<Option<u32>> = vec![None; self.levels as usize];
        let same = self
            .level
            .iter()
            .zip(&other.level)
            .all(|(&own, &level)| *within[own as usize].get_or_insert(level) == level);
        same && self.level.len() == other.level.len() && (self.slope || !other.slope)
    }

    fn columns(&self) -> usize {
        (self.levels as usize - 1) * (1 + usize::from(self.slope))
    }

    fn is_slope(&self) -> impl Iterator<Item = bool> {
        let others = self.levels as usize - 1;
        (0..self.columns()).map(move |column| column >= others)
    }
}

fn check(effect: &Effect, tests: usize) -> Result<()> {
    if effect.level.len() != tests {
        let (left_len, right_len) = (effect.level.len(), tests);
        let (left, right) = ("levels of an effect", "value");
        return Err(Error::LengthMismatch { left, left_len, right, right_len });
    }
    if effect.levels == 0 {
        return Err(Error::BadValue { what: "levels", value: 0.0, must: "1 or more" });
    }
    match effect.level.iter().find(|level| **level >= effect.levels) {
        Some(&level) => Err(Error::BadValue {
            what: "level of an effect",
            value: f64::from(level),
            must: "below the number of levels",
        }),
        None => Ok(()),
    }
}
