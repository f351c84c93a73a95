//! The line of each switch, drawn towards the fleet's.

use nalgebra::{DVector, Matrix2, Vector2};
use rayon::prelude::*;

use super::block::Block;
use super::components::Components;
use super::data::{GrowthData, Switch};
use super::fit::Growth;
use super::prediction::Prediction;
use crate::base::{Error, Result};

/// Where one switch stands and how it moves.
///
/// The best linear unbiased prediction `x' β + (a, b)`, with the covariance of its error, in which what
/// is not known of the fixed effects and of the errors that tests share counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SwitchLine {
    /// Level at the origin of time, Pa: that of its model and lot, of the first level of what differs
    /// from test to test.
    pub level: f64,
    /// Slope, Pa/year.
    pub slope: f64,
    /// Variance of the level, Pa².
    pub level_variance: f64,
    /// Covariance of level and slope, Pa²/year.
    pub covariance: f64,
    /// Variance of the slope, Pa²/year².
    pub slope_variance: f64,
    /// How much of what sets the slope apart is the fleet's and not its own tests': 1 for a switch of
    /// which nothing else is known.
    pub slope_shrinkage: f64,
}

impl SwitchLine {
    /// Level (Pa) and its standard uncertainty at time `t` (years from the origin).
    pub fn at(&self, t: f64) -> (f64, f64) {
        let variance = self.level_variance + t * (2.0 * self.covariance + t * self.slope_variance);
        (self.level + t * self.slope, variance.max(0.0).sqrt())
    }
}

impl Growth {
    /// The line of each switch, in the order of the data that it was fitted to.
    ///
    /// `û = G Z' V⁻¹ (y − X β̂)`; the covariance of the error of `m' β̂ + k' û` is
    /// `k'(G − G Z'V⁻¹Z G)k + (m − X'V⁻¹Z G k)' C (m − X'V⁻¹Z G k)` with `C` that of `β̂`
    /// (C. R. Henderson, *Biometrics* 31 (1975) 423–447); errors that tests share stand in `X` and `β` with
    /// `m` zero. To it comes `Σ A_kl d_k d_l'`, `A` the covariance
    /// of the components and `d_k` the change of the prediction with one of them (R. N. Kackar and
    /// D. A. Harville, *J. Am. Stat. Assoc.* 79 (1984) 853–862). The components are those at the top of
    /// the likelihood times `|G|^½`: its own top is in small fleets often where no two switches differ.
    ///
    /// # Errors
    ///
    /// [`Error::BadValue`] for data of another number of tests than those fitted.
    ///
    /// ```
    /// # use deadband::drift::growth::{GrowthConfig, GrowthData, grow};
    /// let time = [-1.0, 0.0, 1.0, -1.0, 0.0, 1.0, -1.0, 0.0, 1.0, -1.0, 0.0, 1.0];
    /// let open_pa = [61.0, 60.4, 60.1, 58.9, 58.6, 57.9, 63.0, 62.3, 62.0, 60.2, 59.5, 59.2];
    /// let switch = [1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4];
    /// let data = GrowthData::new(&time, &open_pa, &[0.2; 12], &switch, &[])?;
    /// let lines = grow(&data, &GrowthConfig::default())?.lines(&data)?;
    /// assert_eq!(lines.len(), 4);
    /// assert!(lines[2].level > lines[1].level && lines[0].slope < 0.0);
    /// # Ok::<(), deadband::base::Error>(())
    /// ```
    pub fn lines(&self, data: &GrowthData) -> Result<Vec<SwitchLine>> {
        if data.tests() != self.tests
            || data.columns != self.columns
            || data.shared != self.shared.len()
        {
            let (value, must) = (data.tests() as f64, "the tests that the growth was fitted to");
            return Err(Error::BadValue { what: "tests of the data", value, must });
        }
        let with = &self.prediction;
        let moved: Vec<_> = (0..4).filter_map(|k| Some((k, with.moved(data, k)?))).collect();
        let line = |switch: &Switch| {
            let mut line = with.line(data, switch)?;
            let mut by = [Vector2::zeros(); 4];
            for (k, moved) in &moved {
                let ends = [&moved.up, &moved.down].map(|(components, beta)| {
                    let block = Block::of(data, switch, components)?;
                    Some(place(data, switch, components, beta, &block))
                });
                if let [Some(up), Some(down)] = ends {
                    by[*k] = (up - down) / moved.apart;
                }
            }
            for (k, one) in by.iter().enumerate() {
                for (l, other) in by.iter().enumerate() {
                    let common = with.spread[(k, l)];
                    line.level_variance += common * one[0] * other[0];
                    line.covariance += common * one[0] * other[1];
                    line.slope_variance += common * one[1] * other[1];
                }
            }
            Some(line)
        };
        let lines: Option<Vec<SwitchLine>> = data.switches.par_iter().map(line).collect();
        let (what, must) = ("the components", "those of a fit");
        lines.ok_or(Error::BadValue { what, value: f64::NAN, must })
    }
}

impl Prediction {
    /// The line of a switch by components that are taken as known.
    fn line(&self, data: &GrowthData, switch: &Switch) -> Option<SwitchLine> {
        let g = self.components.between();
        let block = Block::of(data, switch, &self.components)?;
        let place = place(data, switch, &self.components, &self.beta, &block);
        let columns = &switch.columns;
        // What is known of the fixed effects goes into level and slope, less what the prediction
        // takes back of it.
        let [levels, slopes] = data.constant(switch);
        let weights: Vec<[f64; 2]> = (0..columns.len())
            .map(|i| {
                let back = g * Vector2::new(block.first.at(i, 0), block.first.at(i, 1));
                [f64::from(levels[i]) - back[0], f64::from(slopes[i]) - back[1]]
            })
            .collect();
        let across = |one: usize, other: usize| {
            let mut sum = block.left[(one, other)];
            for (i, &row) in columns.iter().enumerate() {
                let known = columns.iter().zip(&weights);
                let known = known.map(|(&column, w)| self.covariance[(row, column)] * w[other]);
                sum += weights[i][one] * known.sum::<f64>();
            }
            sum
        };
        Some(SwitchLine {
            level: place[0],
            slope: place[1],
            level_variance: across(0, 0),
            covariance: across(0, 1),
            slope_variance: across(1, 1),
            slope_shrinkage: shrinkage(&block.left, &g),
        })
    }
}

/// Level and slope of a switch: `x' β + G Z' V⁻¹ (y − X β)`.
fn place(
    data: &GrowthData,
    switch: &Switch,
    components: &Components,
    beta: &DVector<f64>,
    block: &Block,
) -> Vector2<f64> {
    let columns = &switch.columns;
    let residual = Vector2::from_fn(|part, _| {
        let fitted =
            columns.iter().enumerate().map(|(i, &column)| block.first.at(part, i) * beta[column]);
        block.first.at(part, columns.len()) - fitted.sum::<f64>()
    });
    let own = components.between() * residual;
    let fixed = data.constant(switch).map(|holds| -> f64 {
        let held = columns.iter().zip(&holds).filter(|(_, holds)| **holds);
        held.map(|(&column, _)| beta[column]).sum()
    });
    Vector2::new(fixed[0] + own[0] + data.offset, fixed[1] + own[1])
}

fn shrinkage(left: &Matrix2<f64>, between: &Matrix2<f64>) -> f64 {
    if between.m22 > 0.0 { (left.m22 / between.m22).clamp(0.0, 1.0) } else { 1.0 }
}

#[cfg(test)]
mod tests {
    use nalgebra::{DMatrix, Matrix4};
    use proptest::prelude::*;

    use super::*;
    use crate::drift::growth::likelihood::Likelihood;
    use crate::drift::growth::likelihood::tests::{Whole, fleet};

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]
        /// Henderson's prediction and its error from the covariance of all tests at once.
        #[test]
        fn lines_are_those_of_the_whole_covariance(
            seed in 0u64..10_000, calibration in 0.01f64..3.0, lag in 0.0f64..1.0,
            (level, slope, excess) in (0.01f64..3.0, 0.001f64..1.0, 0.0f64..0.5),
            correlation in -0.9f64..0.9,
        ) {
            let data = fleet(seed, calibration, lag);
            let covariance = correlation * (level * slope).sqrt();
            let components = Components { level, covariance, slope, excess };
            let Likelihood { beta, covariance, .. } =
                Likelihood::of(&data, &components, true).expect("definite");
            let prediction =
                Prediction { components, beta, covariance, spread: Matrix4::zeros() };
            let Whole { x, v, .. } = Whole::of(&data, &components);
            let inverse = v.try_inverse().expect("definite");
            let left = (x.transpose() * &inverse * &x).try_inverse().expect("definite");
            let y = DVector::from_column_slice(&data.value);
            let beta = &left * (x.transpose() * &inverse * &y);
            let g = components.between();
            for (number, switch) in data.switches.iter().enumerate() {
                let found = prediction.line(&data, switch).expect("definite");
                let z = DMatrix::from_fn(data.tests(), 2, |test, part| {
                    let own = switch.tests.contains(&test);
                    if own { [1.0, data.time[test]][part] } else { 0.0 }
                });
                // Lot 1 has the last switches; its columns are the third and fourth.
                let lot = f64::from(u8::from(number >= 5));
                let m = DMatrix::from_row_slice(2, 4, &[1.0, 0.0, lot, 0.0, 0.0, 1.0, 0.0, lot]);
                let gz = g * z.transpose() * &inverse;
                let place = &m * &beta + &gz * (&y - &x * &beta);
                let taken = &m - &gz * &x;
                let open = g - &gz * &z * g + &taken * &left * taken.transpose();
                let differences = [
                    found.level - data.offset - place[0],
                    found.slope - place[1],
                    found.level_variance - open[(0, 0)],
                    found.covariance - open[(0, 1)],
                    found.slope_variance - open[(1, 1)],
                ];
                prop_assert!(differences.iter().all(|d| d.abs() < 1e-8), "{differences:?}");
            }
        }
    }
}
