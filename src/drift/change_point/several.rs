//! Any number of changes of level in a history.

use serde::{Deserialize, Serialize};

use super::least_squares::{Fit, fit};
use super::nodes::grid;
use super::null::{ENOUGH, NullConfig, fill};
use super::one::FEWEST_FOR_A_CHANGE;
use super::ordered::{NO_SCATTER, Ordered};
use super::partition::{Allowed, Division, Table, best};
use super::posterior::{Explanations, Integrated, Place, PlacePrior, credible};
use crate::base::channel::enough;
use crate::base::line::{Excess, LineConfig};
use crate::base::{Error, Estimate, Result};
use crate::drift::history::confidence;

/// How the number of changes is chosen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Choice {
    /// Least `-2 ln L + (2 m + 2) ln n`: levels, dates and one variance all count (A. Zeileis et
    /// al., Comput. Stat. Data Anal. 44 (2003) 109-123). For long histories: of those of 6 to 30
    /// tests without a change it divides 6 to 51 % (measured).
    Bic,
    /// Least `-2 ln L + c m`, with `c` such that this share of simulated histories without a change
    /// gets any.
    FalseAlarm(f64),
}

/// How several changes are looked for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SeveralChangesConfig {
    /// How their number is chosen.
    pub choice: Choice,
    /// Fewest tests of a level.
    pub fewest: usize,
    /// Most changes looked for.
    pub most: usize,
    /// Probability that the dates of each change hold.
    pub confidence: f64,
    /// Probability of each place beforehand.
    pub place: PlacePrior,
    /// Excess variance and degrees of freedom.
    pub line: LineConfig,
    /// Simulation behind the false alarms and the p-value.
    pub null: NullConfig,
}

impl Default for SeveralChangesConfig {
    fn default() -> Self {
        Self {
            choice: Choice::FalseAlarm(0.05),
            fewest: 2,
            most: 5,
            confidence: 0.95,
            place: PlacePrior::default(),
            line: LineConfig::default(),
            null: NullConfig { draws: 999, seed: 1 },
        }
    }
}

/// One change of level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Change {
    /// Where the best division has it; its probability given the changes beside it.
    pub place: Place,
    /// It lies after this date ...
    pub after: f64,
    /// ... and before this one, with at least the confidence asked for, given the changes beside it.
    pub before: f64,
    /// Level behind minus level before, the place taken as known.
    pub size: Estimate,
}

/// One level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Level {
    /// Date of its first test.
    pub first: f64,
    /// Date of its last test.
    pub last: f64,
    /// Number of tests.
    pub tests: usize,
    /// Weighted mean.
    pub level: Estimate,
}

/// The best division for one number of changes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Partitioned {
    /// Tests before each change.
    pub tests_before: Vec<usize>,
    /// Weighted sum of squares left; where no uncertainty is stated the plain one, unit of the
    /// values squared.
    pub q: f64,
    /// Log likelihood, the excess at its best.
    pub log_likelihood: f64,
    /// `-2 ln L + (2 m + 2) ln n`.
    pub bic: f64,
}

/// A history divided into levels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeveralChanges {
    /// Number of tests.
    pub n: usize,
    /// The changes, in the order of dates.
    pub changes: Vec<Change>,
    /// The levels between them.
    pub levels: Vec<Level>,
    /// The best division for no change, one, two, ...
    pub partitions: Vec<Partitioned>,
    /// What each change must bring in `-2 ln L`.
    pub penalty: f64,
    /// Probability that a history without a change looks as divided; `None` for [`Choice::Bic`].
    pub p_value: Option<f64>,
    /// Excess variance between tests of one level, unit of the values squared.
    pub excess_variance: f64,
}

/// Divides a history into levels.
///
/// `v = level + e`, the variance of `e` being the test's own `u²` plus an excess between tests. For
/// every number of changes the division of greatest likelihood is found by dynamic programming, at
/// every excess of a grid; where no uncertainty is stated that is the division of least squares. The
/// number is chosen by [`Choice`]. `p_value` is that of the largest gain of `2 ln L` a change over
/// all numbers of changes.
///
/// Dates of a change: integrated likelihood of a shift between the two changes beside it, at the
/// excess found, as in [`super::one_change()`]. A drift is not allowed for: it comes out as a stair.
/// Ask [`super::one_change()`] first.
///
/// # Errors
///
/// [`Error::LengthMismatch`]; [`Error::NotFinite`]; [`Error::TooFewSamples`] under 5 tests, with all
/// dates equal or no place for a change; [`Error::BadValue`] for a bad uncertainty or option, or
/// where `u` is zero and nothing scatters within the levels.
///
/// ```
/// use deadband::drift::change_point::{SeveralChangesConfig, several_changes};
/// let year = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0];
/// let open_pa = [60.1, 59.9, 60.0, 60.2, 57.6, 57.3, 57.5, 57.4, 61.1, 61.4, 61.2, 61.0];
/// let found = several_changes(&year, &open_pa, &[0.2; 12], &SeveralChangesConfig::default())?;
/// let places: Vec<usize> = found.changes.iter().map(|c| c.place.tests_before).collect();
/// assert_eq!(places, [4, 8]);
/// assert!((found.levels[1].level.value - 57.45).abs() < 1e-9);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn several_changes(
    times: &[f64],
    values: &[f64],
    u: &[f64],
    config: &SeveralChangesConfig,
) -> Result<SeveralChanges> {
    confidence(config.confidence)?;
    let history = Ordered::new(times, values, u)?;
    let n = history.len();
    enough("tests among which to look for changes", n, FEWEST_FOR_A_CHANGE)?;
    history.places(config.fewest)?;
    let line = history.scaled(&config.line);
    let free = history.unknown && matches!(line.excess, Excess::PauleMandel | Excess::Reml);
    let nodes = grid(&history, line.excess, &[])?;
    let tables: Vec<Table<'_>> = nodes.iter().map(Table::new).collect();
    let allowed = Allowed::new(&history.times, config.fewest, config.most);
    let found = best(&tables, &history.y, &allowed, free);
    let rounding = n as f64 * (64.0 * f64::EPSILON).powi(2);
    if free && found.iter().any(|(division, _)| division.q <= rounding) {
        return Err(NO_SCATTER);
    }
    let search = Search { tables: &tables, allowed: &allowed, free };
    let (penalty, p_value) = match config.choice {
        Choice::Bic => (2.0 * (n as f64).ln(), None),
        Choice::FalseAlarm(rate) => {
            let alone = fit(&[vec![1.0; n]], &history.y, &history.u, &line)?;
            let sd: Vec<f64> = history.u.iter().map(|u| (u * u + alone.excess).sqrt()).collect();
            let (penalty, p_value) = search.calibrate(gain(&found), rate, &sd, &config.null)?;
            (penalty, Some(p_value))
        }
    };
    let total = |m: usize| found[m].1 + penalty * m as f64;
    let chosen = (0..found.len()).min_by(|&a, &b| total(a).total_cmp(&total(b))).unwrap_or(0);
    let places = found[chosen].0.places.clone();
    let mut columns = vec![vec![1.0; n]];
    columns.extend(places.iter().map(|&k| history.step(k)));
    let levels = fit(&columns, &history.y, &history.u, &line)?;
    Ok(SeveralChanges {
        n,
        changes: changes(&history, &places, &levels, config)?,
        levels: level_list(&history, &places, &levels),
        partitions: found.into_iter().map(|f| partitioned(&history, f, free)).collect(),
        penalty,
        p_value,
        excess_variance: levels.excess * history.scale * history.scale,
    })
}

/// The largest gain of `2 ln L` a change.
fn gain(found: &[(Division, f64)]) -> f64 {
    let each = |m: usize| (found[0].1 - found[m].1) / m as f64;
    (1..found.len()).map(each).fold(0.0, f64::max)
}

struct Search<'a> {
    tables: &'a [Table<'a>],
    allowed: &'a Allowed,
    free: bool,
}

impl Search<'_> {
    /// The gain a change that a share `rate` of histories without one exceeds, and the p-value.
    fn calibrate(
        &self,
        observed: f64,
        rate: f64,
        sd: &[f64],
        config: &NullConfig,
    ) -> Result<(f64, f64)> {
        let mut rng = config.generator()?;
        let above = beyond(rate, config.draws);
        if above == 0 || rate >= 1.0 {
            let must = "below 1 and at least one over the number of simulated histories";
            return Err(Error::BadValue { what: "the rate of false alarms", value: rate, must });
        }
        let bar = observed * (1.0 - 1e-12);
        let mut y = vec![0.0; sd.len()];
        let (mut gains, mut reached) = (Vec::with_capacity(config.draws), 0);
        // So many beyond it that the division stands for nothing: no exact bar is needed.
        let enough = ENOUGH.max(above);
        while gains.len() < config.draws && reached < enough {
            fill(&mut y, sd, &mut rng);
            let drawn = gain(&best(self.tables, &y, self.allowed, self.free));
            reached += usize::from(drawn >= bar);
            gains.push(drawn);
        }
        gains.sort_by(f64::total_cmp);
        let drawn = gains.len() as f64;
        let p_value = if reached == enough {
            reached as f64 / drawn
        } else {
            (1.0 + reached as f64) / (1.0 + drawn)
        };
        Ok((gains[gains.len() - beyond(rate, gains.len()).max(1)], p_value))
    }
}

/// How many of so many draws may lie at or beyond a bar that a share `rate` of histories reaches.
fn beyond(rate: f64, draws: usize) -> usize {
    let share = rate * (draws as f64 + 1.0) + 1e-9;
    (1..=draws).take_while(|&k| k as f64 <= share).count()
}

fn partitioned(history: &Ordered, (division, cost): (Division, f64), free: bool) -> Partitioned {
    let n = history.len() as f64;
    let cost = cost + 2.0 * n * history.scale.ln();
    let parameters = 2.0 * division.places.len() as f64 + 2.0;
    let unit = if free { history.scale * history.scale } else { 1.0 };
    Partitioned {
        tests_before: division.places,
        q: division.q * unit,
        log_likelihood: -0.5 * cost,
        bic: cost + parameters * n.ln(),
    }
}

fn level_list(history: &Ordered, places: &[usize], fit: &Fit) -> Vec<Level> {
    let ends = [&[0][..], places, &[history.len()]].concat();
    let level = |(j, ends): (usize, &[usize])| {
        let block = fit.covariance.view((0, 0), (j + 1, j + 1));
        let value = fit.coefficients[..=j].iter().sum();
        let u = block.iter().sum::<f64>().max(0.0).sqrt();
        Level {
            first: history.times[ends[0]],
            last: history.times[ends[1] - 1],
            tests: ends[1] - ends[0],
            level: history.level(Estimate { value, u, dof: fit.dof }),
        }
    };
    ends.windows(2).enumerate().map(level).collect()
}

fn changes(
    history: &Ordered,
    places: &[usize],
    fit: &Fit,
    config: &SeveralChangesConfig,
) -> Result<Vec<Change>> {
    const SHIFT: Explanations =
        Explanations { none: 0.0, shift: 1.0, drift: 0.0, drift_and_shift: 0.0 };
    let ends = [&[0][..], places, &[history.len()]].concat();
    let change = |(j, ends): (usize, &[usize])| {
        let part = history.part(ends[0], ends[2]);
        let near = part.places(config.fewest)?;
        let excess = Excess::Known(fit.excess);
        let found = Integrated::new(&part, &near, excess, 1.0, config.place)?;
        let weights: Vec<f64> = found.places(&SHIFT).iter().map(|w| w.0.clamp(0.0, 1.0)).collect();
        let (set, _) = credible(&weights, config.confidence);
        let own = ends[1] - ends[0];
        let mine = near.iter().position(|&k| k == own);
        let date = |k: usize| (part.times[k - 1], part.times[k]);
        let (after, before) = date(own);
        let probability = mine.map_or(0.0, |at| weights[at]);
        Ok(Change {
            place: Place { tests_before: ends[1], after, before, probability },
            after: date(near[set[0]]).0.min(after),
            before: date(near[set[set.len() - 1]]).1.max(before),
            size: history.size(fit.coefficient(j + 1)),
        })
    };
    ends.windows(3).enumerate().map(change).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bic() -> SeveralChangesConfig {
        SeveralChangesConfig { choice: Choice::Bic, ..SeveralChangesConfig::default() }
    }

    #[test]
    fn short_equal_and_broken_histories_are_errors() {
        for n in 0..5_usize {
            let t: Vec<f64> = (0..n).map(|i| i as f64).collect();
            assert!(several_changes(&t, &t, &vec![1.0; n], &bic()).is_err());
        }
        let t = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
        assert_eq!(several_changes(&t, &[60.0; 6], &[0.0; 6], &bic()), Err(NO_SCATTER));
        let exact = [60.0, 60.0, 60.0, 58.0, 58.0, 58.0];
        assert_eq!(several_changes(&t, &exact, &[0.0; 6], &bic()), Err(NO_SCATTER));
        assert!(several_changes(&[1.0; 6], &exact, &[0.1; 6], &bic()).is_err());
        for rate in [0.0, 1.0, f64::NAN, 1e-9] {
            let config = SeveralChangesConfig { choice: Choice::FalseAlarm(rate), ..bic() };
            assert!(several_changes(&t, &exact, &[0.1; 6], &config).is_err(), "{rate}");
        }
    }

    #[test]
    fn equal_values_with_stated_uncertainties_are_one_level() {
        let t = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
        let found = several_changes(&t, &[60.0; 6], &[0.2; 6], &SeveralChangesConfig::default());
        let found = found.expect("valid");
        assert!(found.changes.is_empty() && found.levels.len() == 1);
        assert_eq!((found.levels[0].level.value, found.p_value), (60.0, Some(1.0)));
        assert!((found.levels[0].level.u - 0.2 / 6.0_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn a_precise_test_outweighs_a_poor_one() {
        let t: Vec<f64> = (0..10).map(f64::from).collect();
        let y = [60.0, 60.1, 59.9, 60.0, 66.0, 55.0, 58.0, 58.1, 57.9, 58.0];
        let u = [0.1, 0.1, 0.1, 0.1, 5.0, 5.0, 0.1, 0.1, 0.1, 0.1];
        let found = several_changes(&t, &y, &u, &SeveralChangesConfig::default()).expect("valid");
        assert_eq!(found.changes.len(), 1);
        let change = found.changes[0];
        assert!((change.size.value + 2.0).abs() < 0.1 && change.size.u < 0.1, "{change:?}");
        // The two poor tests cannot say on which side of the change they lie.
        assert_eq!((change.after, change.before), (3.0, 6.0));
    }
}
