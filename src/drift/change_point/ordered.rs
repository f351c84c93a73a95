//! A history in the order of its dates, in units of its own scatter.

use crate::base::channel::same_length;
use crate::base::line::{Covariance, Excess, LineConfig};
use crate::base::{Error, Estimate, Result};
use crate::drift::history::check;

/// A checked history, sorted by date, its values about their mean and divided by `scale`, its dates
/// from -1/2 to 1/2: nothing overflows, and nothing depends on the unit or on the order of rows.
#[derive(Debug, Clone)]
pub(super) struct Ordered {
    pub(super) times: Vec<f64>,
    pub(super) reach: Vec<f64>,
    pub(super) y: Vec<f64>,
    pub(super) u: Vec<f64>,
    pub(super) centre: f64,
    pub(super) scale: f64,
    /// No uncertainty is stated: the scatter alone says how large it is.
    pub(super) unknown: bool,
}

pub(super) const NO_SCATTER: Error = Error::BadValue {
    what: "the scatter within the levels, with every stated uncertainty zero,",
    value: 0.0,
    must: "above zero; state the uncertainties",
};

/// Beyond this ratio the squares of values and uncertainties have no common digits.
const WIDEST: f64 = 1e7;

impl Ordered {
    pub(super) fn new(times: &[f64], values: &[f64], u: &[f64]) -> Result<Self> {
        check(times, values)?;
        same_length(("u", u), ("values", values))?;
        let unknown = Covariance::new(u, &[])?.is_unknown();
        let mut order: Vec<usize> = (0..times.len()).collect();
        // Tests of one date stand in an order of their own, whatever that of the rows was.
        let key = |i: usize| [times[i] + 0.0, values[i] + 0.0, u[i]];
        order.sort_by(|&a, &b| {
            let pairs = key(a).into_iter().zip(key(b));
            pairs.map(|(a, b)| a.total_cmp(&b)).find(|o| o.is_ne()).unwrap_or(a.cmp(&b))
        });
        let pick = |v: &[f64]| order.iter().map(|&i| v[i]).collect::<Vec<f64>>();
        let (times, values, u) = (pick(times), pick(values), pick(u));
        let n = times.len() as f64;
        let centre = values.iter().map(|v| v / n).sum::<f64>();
        let largest = |v: &[f64]| v.iter().fold(0.0_f64, |a, v| a.max(v.abs()));
        let y: Vec<f64> = values.iter().map(|v| v - centre).collect();
        let scale = largest(&y).max(largest(&u));
        let rounding = 64.0 * f64::EPSILON * largest(&values);
        if unknown && scale <= rounding {
            return Err(NO_SCATTER);
        }
        let span = times[times.len() - 1] - times[0];
        let least = u.iter().fold(f64::INFINITY, |a, &v| a.min(v));
        let apart = !unknown && least * WIDEST < scale;
        let usable = scale.is_finite() && span.is_finite() && 1.0 / scale > 0.0 && scale >= 1e-150;
        if apart || !usable {
            let must = "no less than a ten-millionth of the scatter, all within double precision; \
                        mind the units";
            return Err(Error::BadValue { what: "the smallest u", value: least, must });
        }
        let (first, half) = (times[0], 0.5);
        let over = |v: &[f64]| v.iter().map(|v| v / scale).collect::<Vec<f64>>();
        let reach = times.iter().map(|t| (t - first) / span - half).collect();
        Ok(Self { reach, y: over(&y), u: over(&u), times, centre, scale, unknown })
    }

    pub(super) fn len(&self) -> usize {
        self.y.len()
    }

    /// Numbers of tests before each place where a change can lie: between two dates, `fewest` tests
    /// or more on either side.
    pub(super) fn places(&self, fewest: usize) -> Result<Vec<usize>> {
        let n = self.len();
        let fewest = at_least_one(fewest)?;
        let candidates = fewest..(n + 1).saturating_sub(fewest);
        let places: Vec<usize> =
            candidates.filter(|&k| self.times[k] > self.times[k - 1]).collect();
        if places.is_empty() {
            let what = "places between two dates with enough tests on either side";
            return Err(Error::TooFewSamples { what, found: 0, needed: 1 });
        }
        Ok(places)
    }

    /// The tests from `start` to before `end` as a history of their own.
    pub(super) fn part(&self, start: usize, end: usize) -> Self {
        let cut = |v: &[f64]| v[start..end].to_vec();
        let [times, reach, y, u] = [&self.times, &self.reach, &self.y, &self.u].map(|v| cut(v));
        Self { times, reach, y, u, ..*self }
    }

    /// 0 before the place, 1 from it on.
    pub(super) fn step(&self, place: usize) -> Vec<f64> {
        (0..self.len()).map(|i| f64::from(u8::from(i >= place))).collect()
    }

    /// Options in the units of `y`.
    pub(super) fn scaled(&self, config: &LineConfig) -> LineConfig {
        let excess = match config.excess {
            Excess::Known(variance) => Excess::Known(variance / self.scale / self.scale),
            other => other,
        };
        LineConfig { excess, ..*config }
    }

    /// A difference of values back in their unit.
    pub(super) fn size(&self, e: Estimate) -> Estimate {
        Estimate { value: e.value * self.scale, u: e.u * self.scale, dof: e.dof }
    }

    /// A level back in the unit of the values.
    pub(super) fn level(&self, e: Estimate) -> Estimate {
        let size = self.size(e);
        Estimate { value: size.value + self.centre, ..size }
    }
}

/// The least number of tests between two changes.
pub(super) fn at_least_one(fewest: usize) -> Result<usize> {
    if fewest > 0 {
        return Ok(fewest);
    }
    let what = "the fewest tests beside a change";
    Err(Error::BadValue { what, value: 0.0, must: "1 or more" })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_order_of_rows_leaves_no_trace() {
        let one = Ordered::new(&[3.0, 1.0, 1.0, 2.0], &[5.0, 7.0, 6.0, 8.0], &[0.1; 4]);
        let two = Ordered::new(&[1.0, 2.0, 1.0, 3.0], &[6.0, 8.0, 7.0, 5.0], &[0.1; 4]);
        let (one, two) = (one.expect("valid"), two.expect("valid"));
        assert_eq!(one.y, two.y);
        assert_eq!(one.times, [1.0, 1.0, 2.0, 3.0]);
        assert_eq!(one.places(1), Ok(vec![2, 3]));
        assert_eq!(one.places(2), Ok(vec![2]));
        assert!(one.places(0).is_err() && one.places(3).is_err() && one.places(9).is_err());
    }

    #[test]
    fn what_cannot_be_weighed_is_refused() {
        let t = [0.0, 1.0, 2.0, 3.0];
        assert_eq!(Ordered::new(&t, &[5.0; 4], &[0.0; 4]).err(), Some(NO_SCATTER));
        assert!(Ordered::new(&t, &[5.0; 4], &[0.1; 4]).is_ok());
        assert!(Ordered::new(&t, &[5.0, 1e300, -1e300, 4.0], &[0.1; 4]).is_err());
        assert!(Ordered::new(&t, &[5.0, 6.0, 7.0, 8.0], &[1e-12; 4]).is_err());
        assert!(Ordered::new(&t, &[5.0, 6.0, 7.0, 8.0], &[0.1, 0.0, 0.1, 0.1]).is_err());
        assert!(Ordered::new(&[1.0; 4], &t, &[0.1; 4]).is_err());
    }
}
