//! The line of each switch, drawn towards the fleet's.

use nalgebra::{Matrix2, Vector2};
use rayon::prelude::*;

use super::block::Block;
use super::data::{GrowthData, Switch};
use super::fit::Growth;
use super::likelihood::Components;
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
        let moved: Vec<_> = (0..4).filter_map(|k| Some((k, with.moved(k)?))).collect();
        let line = |switch: &Switch| {
            let mut line = with.line(data, switch, &with.components)?;
            let mut by = [Vector2::zeros(); 4];
            for (k, ([up, down], apart)) in &moved {
                let ends = [up, down].map(|components| with.line(data, switch, components));
                if let [Some(up), Some(down)] = ends {
                    let change = [up.level - down.level, up.slope - down.slope];
                    by[*k] = Vector2::from(change) / *apart;
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
    /// The line of a switch at given components, which are taken as known.
    fn line(
        &self,
        data: &GrowthData,
        switch: &Switch,
        components: &Components,
    ) -> Option<SwitchLine> {
        let g = components.between();
        let block = Block::of(data, switch, components)?;
        let columns = &switch.columns;
        let y = columns.len();
        let residual = Vector2::from_fn(|part, _| {
            let fitted = columns
                .iter()
                .enumerate()
                .map(|(i, &column)| block.first.at(part, i) * self.beta[column]);
            block.first.at(part, y) - fitted.sum::<f64>()
        });
        let own = g * residual;
        // What is known of the fixed effects goes into level and slope, less what the prediction
        // takes back of it.
        let [levels, slopes] = data.constant(switch);
        let weights: Vec<[f64; 2]> = (0..y)
            .map(|i| {
                let back = g * Vector2::new(block.first.at(i, 0), block.first.at(i, 1));
                [f64::from(levels[i]) - back[0], f64::from(slopes[i]) - back[1]]
            })
            .collect();
        let fixed = |holds: &[bool]| -> f64 {
            let held = columns.iter().zip(holds).filter(|(_, holds)| **holds);
            held.map(|(&column, _)| self.beta[column]).sum()
        };
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
            level: fixed(&levels) + own[0] + data.offset,
            slope: fixed(&slopes) + own[1],
            level_variance: across(0, 0),
            covariance: across(0, 1),
            slope_variance: across(1, 1),
            slope_shrinkage: shrinkage(&block.left, &g),
        })
    }
}

fn shrinkage(left: &Matrix2<f64>, between: &Matrix2<f64>) -> f64 {
    if between.m22 > 0.0 { (left.m22 / between.m22).clamp(0.0, 1.0) } else { 1.0 }
}
