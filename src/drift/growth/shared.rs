//! Errors that tests share, such as that of the gauge that they were made with.

use std::hash::{Hash, Hasher};

use super::data::{GrowthData, Switch};
use crate::base::channel::finite;
use crate::base::{Error, Result};

/// An error that many tests have in common, one for each gauge: that of its calibration or of its lag.
///
/// One unknown number a source, normal with mean 0 and standard deviation 1; each test holds `by` times
/// that of its source.
#[derive(Debug, Clone, PartialEq)]
pub struct SharedError {
    /// Which gauge each test was made with, from 0.
    pub source: Vec<u32>,
    /// Number of gauges.
    pub sources: u32,
    /// What one standard deviation of the gauge's error adds to each test, Pa, with its sign; zero for
    /// a test that has no part in it.
    pub by: Vec<f64>,
}

impl SharedError {
    fn check(&self, tests: usize) -> Result<()> {
        let right_len = tests;
        for (left, left_len) in [("source", self.source.len()), ("by", self.by.len())] {
            if left_len != right_len {
                return Err(Error::LengthMismatch { left, left_len, right: "value", right_len });
            }
        }
        finite("by", &self.by)?;
        match self.source.iter().find(|source| **source >= self.sources) {
            Some(&source) => Err(Error::BadValue {
                what: "source of a shared error",
                value: f64::from(source),
                must: "below the number of sources",
            }),
            None => Ok(()),
        }
    }
}

impl GrowthData {
    /// Adds errors that tests share, beside the uncertainty that each test has of its own.
    ///
    /// With `C` a column for each source, the tests' covariance becomes `V + C C'`. The columns stand
    /// behind those of the fixed effects and have a prior covariance of one, so that the normal
    /// equations are `[X C]' V⁻¹ [X C] + diag(0, I)` (C. R. Henderson, *Biometrics* 31 (1975) 423–447)
    /// and cost stays that of the number of tests.
    ///
    /// # Errors
    ///
    /// [`Error::LengthMismatch`]; [`Error::NotFinite`]; [`Error::BadValue`] for a source beyond the number of
    /// sources, or more than 400 columns with those of the fixed effects.
    ///
    /// ```
    /// use deadband::drift::growth::{GrowthConfig, GrowthData, SharedError, grow};
    /// let (mut time, mut open_pa, mut switch, mut source) = (vec![], vec![], vec![], vec![]);
    /// for i in 0..30_u64 {
    ///     for year in 0..6_u64 {
    ///         time.push(year as f64 - 2.5);
    ///         open_pa.push(60.0 + (i as f64).sin() + 0.3 * ((i * 6 + year) as f64 * 12.9).sin());
    ///         switch.push(i);
    ///         source.push(u32::from(year > 2)); // the gauge was replaced half way
    ///     }
    /// }
    /// let alone = GrowthData::new(&time, &open_pa, &[0.2; 180], &switch, &[])?;
    /// let gauges = SharedError { source, sources: 2, by: vec![0.5; 180] };
    /// let together = alone.clone().sharing(&[gauges])?;
    /// let slope_u = |data: &GrowthData| grow(data, &GrowthConfig::default()).map(|g| g.fixed[1].u);
    /// assert!(slope_u(&together)? > 1.5 * slope_u(&alone)?);
    /// # Ok::<(), deadband::base::Error>(())
    /// ```
    pub fn sharing(mut self, errors: &[SharedError]) -> Result<Self> {
        errors.iter().try_for_each(|error| error.check(self.tests()))?;
        let first = self.all_columns();
        self.shared += errors.iter().map(|error| error.sources as usize).sum::<usize>();
        self.check_width()?;
        let switches = std::mem::take(&mut self.switches);
        self.switches = switches.into_iter().map(|old| widened(old, first, errors)).collect();
        for error in errors {
            let mut hasher = std::hash::DefaultHasher::new();
            (self.signature, &error.source, error.sources).hash(&mut hasher);
            error.by.iter().for_each(|by| by.to_bits().hash(&mut hasher));
            self.signature = hasher.finish();
        }
        Ok(self)
    }
}

/// A switch with the columns of the errors that its tests share, from the column `first` on.
fn widened(old: Switch, first: usize, errors: &[SharedError]) -> Switch {
    let entries = |test: usize| {
        let mut next = first;
        errors.iter().filter_map(move |error| {
            let column = next + error.source[test] as usize;
            next += error.sources as usize;
            (error.by[test] != 0.0).then_some((column, error.by[test]))
        })
    };
    let mut own: Vec<usize> = old.tests.clone().flat_map(entries).map(|entry| entry.0).collect();
    if own.is_empty() {
        return old;
    }
    own.sort_unstable();
    own.dedup();
    let kept = old.columns.len();
    let mut rows = Vec::with_capacity((kept + own.len()) * old.tests.len());
    for (row, test) in old.rows.chunks_exact(kept).zip(old.tests.clone()) {
        rows.extend_from_slice(row);
        let start = rows.len();
        rows.resize(start + own.len(), 0.0);
        for (column, by) in entries(test) {
            if let Ok(place) = own.binary_search(&column) {
                rows[start + place] = by;
            }
        }
    }
    let columns = old.columns.into_iter().chain(own).collect();
    Switch { tests: old.tests, columns, rows }
}
