//! Restricted and full likelihood of a fleet's growth, with exact derivatives.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Matrix4, Vector4};

use super::components::Components;
use super::data::GrowthData;
use super::totals::Totals;

/// The likelihood at given components.
pub(super) struct Likelihood {
    /// Its logarithm.
    pub(super) log: f64,
    /// By level, covariance, slope and excess.
    pub(super) gradient: Vector4<f64>,
    /// Expected information about the components, as if the fixed effects were known.
    pub(super) information: Matrix4<f64>,
    /// Fixed effects and, behind them, the errors that tests share.
    pub(super) beta: DVector<f64>,
    /// Covariance of `beta`, of shared errors that of what is left unknown of them.
    pub(super) covariance: DMatrix<f64>,
    /// `[X C]' V⁻¹ V̇ V⁻¹ [X C]` for each component, `V` without what tests share.
    pub(super) by: [DMatrix<f64>; 4],
}

impl Likelihood {
    /// With `M = [X C]' V⁻¹ [X C] + diag(0, I)` the restricted likelihood of the covariance `V + C C'` has
    /// `|V||M|` where it would have `|V||X'V⁻¹X|` without `C`, the full one `|V||I + C'V⁻¹C|`.
    ///
    /// `None` where the variances are no variances or the fixed effects cannot be told apart.
    pub(super) fn of(data: &GrowthData, with: &Components, restricted: bool) -> Option<Self> {
        let Totals { log_det, xx, xy, yy, by, traces, information } = Totals::of(data, with)?;
        let behind = data.columns..;
        let errors = if restricted || data.shared == 0 {
            None
        } else {
            Some(Cholesky::new(xx.view_range(behind.clone(), behind.clone()).into_owned())?)
        };
        let cholesky = well_conditioned(xx, data.columns)?;
        let beta = cholesky.solve(&xy);
        let covariance = cholesky.inverse();
        let left_of_errors = errors.as_ref().map(Cholesky::inverse);
        let columns = if restricted { data.columns } else { 0 };
        let terms = (data.tests() - columns) as f64;
        let squares = yy - beta.dot(&xy);
        let log_det_columns = if restricted {
            log_det_of(&cholesky)
        } else {
            errors.as_ref().map_or(0.0, log_det_of)
        };
        let log = -0.5 * (log_det + log_det_columns + squares + terms * std::f64::consts::TAU.ln());
        let gradient = Vector4::from_fn(|k, _| {
            let (h, hy, hyy) = &by[k];
            let fitted = hyy - 2.0 * beta.dot(hy) + beta.dot(&(h * &beta));
            let taken = match &left_of_errors {
                _ if restricted => covariance.component_mul(h).sum(),
                Some(left) => left.dot(&h.view_range(behind.clone(), behind.clone())),
                None => 0.0,
            };
            -0.5 * (traces[k] - taken - fitted)
        });
        let by = by.map(|(h, _, _)| h);
        log.is_finite().then_some(Self { log, gradient, information, beta, covariance, by })
    }
}

fn log_det_of(cholesky: &Cholesky<f64, Dyn>) -> f64 {
    cholesky.l_dirty().diagonal().iter().map(|entry| 2.0 * entry.ln()).sum()
}

/// The factor of normal equations whose first columns, the fixed effects, can be told apart when they
/// are scaled to one length. The errors behind them have a prior, which always tells them apart.
fn well_conditioned(xx: DMatrix<f64>, fixed: usize) -> Option<Cholesky<f64, Dyn>> {
    const DEPENDENT: f64 = 1e-10;
    let diagonal = xx.diagonal();
    let cholesky = Cholesky::new(xx)?;
    let left = cholesky.l_dirty().diagonal();
    let mut fixed = left.iter().zip(diagonal.iter()).take(fixed);
    fixed.all(|(left, own)| left * left > DEPENDENT * own).then_some(cholesky)
}

#[cfg(test)]
pub(super) mod tests {
    use nalgebra::{DMatrix, DVector};
    use proptest::prelude::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;
    use crate::drift::growth::{Effect, SharedError};

    /// Nine switches of two lots with four tests each by three gauges, one of which nothing is known.
    pub(in super::super) fn fleet(seed: u64, calibration: f64, lag: f64) -> GrowthData {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut draw = |low: f64, high: f64| random.random_range(low..high);
        let n = 36;
        let switch: Vec<u64> = (0..n).map(|test| test / 4).collect();
        let time: Vec<f64> = (0..n).map(|test| (test % 4) as f64 - draw(1.0, 2.0)).collect();
        let u: Vec<f64> = (0..n).map(|_| draw(0.1, 0.5)).collect();
        let value: Vec<f64> = time.iter().map(|t| 60.0 - 0.5 * t + draw(-2.0, 2.0)).collect();
        let level = (0..n).map(|test| u32::from(test >= 20)).collect();
        let lot = Effect { level, levels: 2, slope: true };
        let one_of_three = |at: f64| u32::from(at >= 1.0) + u32::from(at >= 2.0);
        let source: Vec<u32> = (0..n).map(|_| one_of_three(draw(0.0, 3.0))).collect();
        let mut by = |size: f64, low: f64| -> Vec<f64> {
            source
                .iter()
                .map(|&gauge| if gauge == 2 { 0.0 } else { size * draw(low, 1.0) })
                .collect()
        };
        let errors = [(calibration, 0.9), (lag, -1.0)].map(|(size, low)| SharedError {
            by: by(size, low),
            source: source.clone(),
            sources: 3,
        });
        let alone = GrowthData::new(&time, &value, &u, &switch, &[lot]).expect("valid");
        alone.sharing(&errors).expect("valid")
    }

    /// `X` and `C` as they stand in the switches, and `V`, `∂V/∂θ` of the whole fleet.
    pub(in super::super) struct Whole {
        pub(in super::super) x: DMatrix<f64>,
        c: DMatrix<f64>,
        pub(in super::super) v: DMatrix<f64>,
        by: [DMatrix<f64>; 4],
    }

    impl Whole {
        pub(in super::super) fn of(data: &GrowthData, with: &Components) -> Self {
            let n = data.tests();
            let mut rows = DMatrix::zeros(n, data.all_columns());
            let mut by: [DMatrix<f64>; 4] = std::array::from_fn(|_| DMatrix::zeros(n, n));
            for switch in &data.switches {
                let width = switch.columns.len();
                for (i, row) in switch.tests.clone().zip(switch.rows.chunks_exact(width)) {
                    for (&column, &value) in switch.columns.iter().zip(row) {
                        rows[(i, column)] = value;
                    }
                    for j in switch.tests.clone() {
                        let (t, s) = (data.time[i], data.time[j]);
                        let one = [1.0, t + s, t * s, f64::from(u8::from(i == j))];
                        by.iter_mut().zip(one).for_each(|(by, one)| by[(i, j)] = one);
                    }
                }
            }
            let x = rows.columns(0, data.columns).into_owned();
            let c = rows.columns(data.columns, data.shared).into_owned();
            let theta = with.as_vector();
            let mut v = DMatrix::from_diagonal(&DVector::from_column_slice(&data.variance));
            v += &c * c.transpose();
            by.iter().enumerate().for_each(|(k, by)| v += theta[k] * by);
            Self { x, c, v, by }
        }
    }

    fn log_det(of: &DMatrix<f64>) -> f64 {
        Cholesky::new(of.clone()).map_or(f64::NAN, |factor| log_det_of(&factor))
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        /// The covariance of all tests at once, and everything from it as its definition has it.
        #[test]
        fn it_is_that_of_the_whole_covariance(
            seed in 0u64..10_000, calibration in 0.01f64..3.0, lag in 0.0f64..1.0,
            (level, slope, excess) in (0.01f64..3.0, 0.001f64..1.0, 0.0f64..0.5),
            correlation in -0.9f64..0.9, restricted in any::<bool>(),
        ) {
            let data = fleet(seed, calibration, lag);
            let covariance = correlation * (level * slope).sqrt();
            let with = Components { level, covariance, slope, excess };
            let found = Likelihood::of(&data, &with, restricted).expect("definite");
            let Whole { x, c, v, by } = Whole::of(&data, &with);
            let inverse = v.clone().try_inverse().expect("definite");
            let y = DVector::from_column_slice(&data.value);
            let information = x.transpose() * &inverse * &x;
            let left = information.clone().try_inverse().expect("definite");
            let beta = &left * (x.transpose() * &inverse * &y);
            let rest = &y - &x * &beta;
            let columns = if restricted { data.columns } else { 0 };
            let log = -0.5
                * (log_det(&v)
                    + if restricted { log_det(&information) } else { 0.0 }
                    + rest.dot(&(&inverse * &rest))
                    + (data.tests() - columns) as f64 * std::f64::consts::TAU.ln());
            prop_assert!((found.log - log).abs() < 1e-9, "{} {log}", found.log);
            let projected = &inverse - &inverse * &x * &left * x.transpose() * &inverse;
            let of_errors = c.transpose() * &inverse * &rest;
            for (column, value) in beta.iter().chain(of_errors.iter()).enumerate() {
                prop_assert!((found.beta[column] - value).abs() < 1e-8, "{column}");
            }
            // What is left unknown of fixed effects and errors.
            let open = DMatrix::identity(data.shared, data.shared) - c.transpose() * &projected * &c;
            for i in 0..data.columns {
                for j in 0..data.columns {
                    prop_assert!((found.covariance[(i, j)] - left[(i, j)]).abs() < 1e-9);
                }
            }
            for i in 0..data.shared {
                let own = found.covariance[(data.columns + i, data.columns + i)];
                prop_assert!((own - open[(i, i)]).abs() < 1e-9);
            }
            let weight = if restricted { &projected } else { &inverse };
            for (k, by) in by.iter().enumerate() {
                let explained = &inverse * &rest;
                let gradient = -0.5 * ((weight * by).trace() - explained.dot(&(by * &explained)));
                let scale = 1.0 + gradient.abs();
                prop_assert!((found.gradient[k] - gradient).abs() < 1e-8 * scale, "{k}");
            }
        }

        /// The gradient is the likelihood's own.
        #[test]
        fn the_gradient_is_that_of_differences(
            seed in 0u64..10_000, calibration in 0.01f64..3.0, restricted in any::<bool>(),
        ) {
            let data = fleet(seed, calibration, 0.3);
            let here = Components { level: 1.0, covariance: 0.1, slope: 0.2, excess: 0.1 }.as_vector();
            let at = |theta| {
                Likelihood::of(&data, &Components::from_vector(theta), restricted).expect("definite")
            };
            let gradient = at(here).gradient;
            for k in 0..4 {
                let mut step = Vector4::zeros();
                step[k] = 1e-5;
                let slope = (at(here + step).log - at(here - step).log) / 2e-5;
                prop_assert!((slope - gradient[k]).abs() < 1e-5 * (1.0 + slope.abs()), "{k}");
            }
        }
    }
}
