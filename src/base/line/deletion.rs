//! Every observation against the line through all others.

use statrs::distribution::ContinuousCDF;

use super::covariance::{Covariance, Shared};
use super::excess::{self, Excess};
use super::fit::{LineConfig, check, fit};
use super::straight::Straight;
use crate::base::estimate::{normal, t_cdf};
use crate::base::{Error, Result};

/// Step between excesses, in standard deviations of the best told one.
const STEP: f64 = 0.7;
/// Logarithm of the weight below the largest at which excesses are left out.
const DROP: f64 = 14.0;
/// Variance of an exact observation, as a share of the scatter.
const EXACT: f64 = 1e-10;

/// An observation beside the line of all others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Deleted {
    /// Its distance from that line over the uncertainty of the distance.
    pub(crate) deviation: f64,
    /// Degrees of freedom of that uncertainty.
    pub(crate) dof: f64,
    /// Probability of a larger distance to either side.
    pub(crate) p_value: f64,
}

impl Deleted {
    /// The others cannot say.
    const UNTOLD: Self = Self { deviation: 0.0, dof: f64::INFINITY, p_value: 1.0 };
}

/// Holds every observation against the line through all others, the excess being what they say of it.
///
/// Where an excess is estimated and uncertainties are stated, the p-value is the normal one averaged
/// over the excess by the restricted likelihood of the others and the prior `dτ/√(τ (s + τ))`, with `s`
/// the harmonic mean of the others' variances. A single estimate in its place is zero too often, and an
/// observation of small uncertainty then looks far off. The averages of the inverse variance of the
/// distance and of that times the distance make the deviation, the relative variance of the inverse
/// variance the degrees of freedom, as if it were gamma distributed: Student's t, and exactly so where
/// the excess is all there is. Where nothing is stated that is taken in closed form.
pub(crate) fn deletion(
    x: &[f64],
    y: &[f64],
    u: &[f64],
    shared: &[Shared<'_>],
    config: &LineConfig,
) -> Result<Vec<Deleted>> {
    check(x, y, u)?;
    let covariance = Covariance::new(u, shared)?;
    let grid = match config.excess {
        Excess::None | Excess::Known(_) => {
            Grid::single(excess::estimate(config.excess, x, y, &covariance)?)
        }
        Excess::PauleMandel | Excess::Reml if covariance.is_unknown() => {
            return studentised(x, y, &covariance, config);
        }
        Excess::PauleMandel | Excess::Reml => Grid::of(x, y, &covariance)?,
    };
    averaged(x, y, &covariance, &grid)
}

/// The externally Studentised residuals.
fn studentised(
    x: &[f64],
    y: &[f64],
    covariance: &Covariance,
    config: &LineConfig,
) -> Result<Vec<Deleted>> {
    let without = |v: &[f64], i: usize| [&v[..i], &v[i + 1..]].concat();
    let mut found = Vec::with_capacity(x.len());
    for i in 0..x.len() {
        let rest_x = without(x, i);
        if rest_x.iter().all(|&v| v == rest_x[0]) {
            found.push(Deleted::UNTOLD);
            continue;
        }
        let rest = fit(&rest_x, &without(y, i), &covariance.without(i), config)?;
        let all = LineConfig { excess: Excess::Known(rest.excess_variance), ..*config };
        let deviation = fit(x, y, covariance, &all)?.standardised[i] / rest.scale.sqrt();
        let p_value = 2.0 * t_cdf(-deviation.abs(), rest.own_dof);
        found.push(Deleted { deviation, dof: rest.own_dof, p_value });
    }
    Ok(found)
}

/// Excesses to average over.
struct Grid {
    /// Each with the logarithm of the prior's share about it, but for the others' own variances.
    nodes: Vec<(f64, f64)>,
    /// Of the others' own variances, what they are taken for at least.
    least: f64,
}

impl Grid {
    fn single(excess: f64) -> Self {
        Self { nodes: vec![(excess, 0.0)], least: 0.0 }
    }

    /// At even steps of `y` in `τ = s sinh²(y)`, in which the prior is flat, from none to beyond all
    /// that any of the others could say.
    fn of(x: &[f64], y: &[f64], covariance: &Covariance) -> Result<Self> {
        let plain = Covariance::new(&vec![0.0; x.len()], &[])?;
        let flat = Straight::at(x, y, &plain, 1.0).map_or(f64::NAN, |(fit, _)| fit.q);
        let nu = (x.len() as f64 - 3.0).max(1.0);
        let scatter = flat / nu;
        let least = EXACT * scatter;
        let scale = harmonic_mean(covariance.own().iter()).max(least);
        // Beyond, the likelihood falls as the power -nu/2 of the excess.
        let most = scatter.max(scale) * (2.0 * DROP / nu).exp();
        // In y the likelihood is about (2 nu)^(-1/2) wide or wider.
        let step = STEP / (2.0 * nu).sqrt();
        let end = (most / scale).sqrt().asinh();
        if !(end.is_finite() && most.is_finite() && scale > 0.0) {
            return Err(out_of_range(scatter));
        }
        let ys = std::iter::successors(Some(0.0), |index| Some(index + 1.0))
            .map(|index: f64| index * step)
            .take_while(|&y| y < end + step);
        let node = |y: f64| {
            let excess = scale * y.sinh().powi(2);
            // Half a step at the end.
            let share = if y == 0.0 { 0.5_f64.ln() } else { 0.0 };
            (excess, share + 0.5 * (scale + excess).ln())
        };
        Ok(Self { nodes: ys.map(node).collect(), least })
    }
}

fn harmonic_mean<'a>(variances: impl Iterator<Item = &'a f64>) -> f64 {
    let (count, sum) = variances.fold((0.0, 0.0), |(n, sum), v| (n + 1.0, sum + 1.0 / v));
    count / sum
}

fn out_of_range(value: f64) -> Error {
    let must = "within the range of double precision; mind the units";
    Error::BadValue { what: "the scatter about the line", value, must }
}

/// The whole history at one excess.
struct Fitted {
    excess: f64,
    /// Restricted log likelihood and prior.
    log_weight: f64,
    /// `P = W - W X (X'WX)⁻¹ X'W`: of each observation one over the variance of its distance from
    /// the line of the others, and that times the distance.
    inverse: Vec<f64>,
    weighted: Vec<f64>,
}

fn averaged(x: &[f64], y: &[f64], covariance: &Covariance, grid: &Grid) -> Result<Vec<Deleted>> {
    let fitted: Vec<Fitted> = grid
        .nodes
        .iter()
        .filter_map(|&(excess, log_prior)| {
            let (fit, precision) = Straight::at(x, y, covariance, excess)?;
            let projection = fit.projection(&precision);
            // Where the line has no choice but to pass through it nothing is left of the weight.
            let told = |(&p, &w): (&f64, &f64)| if p > 1e-10 * w { p } else { 0.0 };
            Some(Fitted {
                excess,
                log_weight: fit.restricted_likelihood(&precision) + log_prior,
                inverse: projection.iter().zip(precision.weights()).map(told).collect(),
                weighted: fit.weighted,
            })
        })
        .collect();
    let own = covariance.own();
    (0..x.len())
        .map(|i| {
            let others = own[..i].iter().chain(&own[i + 1..]);
            one(&fitted, i, harmonic_mean(others).max(grid.least))
        })
        .collect()
}

/// One observation beside the others, whose own variances have the harmonic mean `scale`.
fn one(fitted: &[Fitted], i: usize, scale: f64) -> Result<Deleted> {
    // The likelihood of all is that of the others times the density of this one about their line.
    let of_others = |at: &Fitted| {
        let (p, z) = (at.inverse[i], at.weighted[i]);
        let density = 0.5 * (p.ln() - z * z / p);
        at.log_weight - density - 0.5 * (scale + at.excess).ln()
    };
    let told: Vec<(&Fitted, f64)> = fitted
        .iter()
        .filter(|at| at.inverse[i] > 0.0)
        .map(|at| (at, of_others(at)))
        .filter(|(_, log)| log.is_finite())
        .collect();
    if told.is_empty() && fitted.iter().all(|at| at.inverse[i] == 0.0) {
        return Ok(Deleted::UNTOLD);
    }
    let top = told.iter().map(|(_, log)| *log).fold(f64::NEG_INFINITY, f64::max);
    let mean = |of: &dyn Fn(f64, f64) -> f64| {
        let parts = told.iter().map(|(at, log)| {
            let weight = (log - top).exp();
            (weight, weight * of(at.inverse[i], at.weighted[i]))
        });
        let (total, sum) = parts.fold((0.0, 0.0), |(a, b), (w, v)| (a + w, b + v));
        sum / total
    };
    let inverse = mean(&|p, _| p);
    let spread = mean(&|p, _| (p / inverse - 1.0).powi(2));
    let found = Deleted {
        deviation: mean(&|_, z| z / inverse.sqrt()),
        dof: if spread > 1e-12 { 2.0 / spread } else { f64::INFINITY },
        p_value: mean(&|p, z| 2.0 * normal().cdf(-(z / p.sqrt()).abs())),
    };
    if found.deviation.is_finite() && found.p_value.is_finite() && found.dof > 0.0 {
        Ok(found)
    } else {
        Err(out_of_range(inverse.recip()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::line::Dof;
    use proptest::prelude::*;

    const CONFIG: LineConfig = LineConfig { excess: Excess::Reml, dof: Dof::Wider };

    /// Rows of steps in date, values and uncertainties, the first of any number of tests.
    fn rows() -> impl Strategy<Value = Vec<(f64, f64, f64)>> {
        prop::collection::vec((0.1f64..2.0, -5.0f64..5.0, 0.05f64..2.0), 5..12)
    }

    fn columns(rows: &[(f64, f64, f64)]) -> [Vec<f64>; 3] {
        let mut at = 0.0;
        let x = rows.iter().map(|r| {
            at += r.0;
            at
        });
        [x.collect(), rows.iter().map(|r| r.1).collect(), rows.iter().map(|r| r.2).collect()]
    }

    /// The average by quadrature over the logarithm of the excess, the others fitted by themselves.
    fn directly(x: &[f64], y: &[f64], u: &[f64], i: usize) -> f64 {
        let without = |v: &[f64]| [&v[..i], &v[i + 1..]].concat();
        let others = Covariance::new(&without(u), &[]).expect("valid");
        let scale = harmonic_mean(others.own().iter());
        let (rest_x, rest_y) = (without(x), without(y));
        let parts: Vec<(f64, f64)> = (-900..=1600)
            .map(|k| {
                let excess = scale * (0.02 * f64::from(k)).exp();
                let prior = 0.5 * (excess / (scale + excess)).ln();
                let (rest, precision) =
                    Straight::at(&rest_x, &rest_y, &others, excess).expect("valid");
                let reach = x[i] - rest.centre;
                let variance =
                    u[i] * u[i] + excess + rest.level_var + reach * reach * rest.slope_var;
                let off = (y[i] - rest.level - reach * rest.slope) / variance.sqrt();
                (rest.restricted_likelihood(&precision) + prior, 2.0 * normal().cdf(-off.abs()))
            })
            .collect();
        let top = parts.iter().map(|part| part.0).fold(f64::NEG_INFINITY, f64::max);
        let total: f64 = parts.iter().map(|part| (part.0 - top).exp()).sum();
        parts.iter().map(|part| (part.0 - top).exp() * part.1).sum::<f64>() / total
    }

    #[test]
    fn a_known_excess_is_not_averaged() {
        let x = [0.0, 1.0, 2.0, 3.0, 4.0];
        let y = [60.0, 60.4, 59.7, 60.3, 59.2];
        for excess in [Excess::None, Excess::Known(0.3)] {
            let config = LineConfig { excess, ..CONFIG };
            let found = deletion(&x, &y, &[0.2, 0.3, 0.4, 0.3, 0.2], &[], &config).expect("valid");
            let whole = crate::base::line::line(&x, &y, &[0.2, 0.3, 0.4, 0.3, 0.2], &[], &config);
            for (one, r) in found.iter().zip(whole.expect("valid").standardised) {
                assert!((one.deviation - r).abs() < 1e-9 && one.dof.is_infinite());
                assert!((one.p_value - 2.0 * normal().cdf(-r.abs())).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn nothing_is_said_beyond_the_range_of_numbers() {
        let y = [1e200, -1e200, 1e200, 0.0, 1e200];
        let x = [0.0, 1.0, 2.0, 3.0, 4.0];
        assert!(deletion(&x, &y, &[1.0; 5], &[], &CONFIG).is_err());
    }

    proptest! {
        #[test]
        fn the_average_is_that_of_direct_quadrature(rows in rows(), pick in 0usize..12) {
            let [x, y, u] = columns(&rows);
            let i = pick % x.len();
            let found = deletion(&x, &y, &u, &[], &CONFIG).expect("valid")[i];
            let expected = directly(&x, &y, &u, i);
            prop_assert!((found.p_value - expected).abs() < 1e-3 + 0.01 * expected, "{found:?} {expected}");
        }

        #[test]
        fn small_uncertainties_are_as_good_as_none(rows in rows()) {
            let [x, y, u] = columns(&rows);
            let tiny: Vec<f64> = u.iter().map(|u| 1e-4 * u).collect();
            let none = deletion(&x, &y, &vec![0.0; x.len()], &[], &CONFIG).expect("scatter");
            let found = deletion(&x, &y, &tiny, &[], &CONFIG).expect("scatter");
            for (one, other) in found.iter().zip(&none) {
                // As long as the others scatter far beyond what they state.
                prop_assume!(other.deviation.abs() < 50.0);
                prop_assert!((one.deviation - other.deviation).abs() < 0.02 * (1.0 + other.deviation.abs()));
                prop_assert!((one.dof / other.dof - 1.0).abs() < 0.05, "{one:?} {other:?}");
                prop_assert!((one.p_value - other.p_value).abs() < 0.01 * other.p_value + 1e-4);
            }
        }

        #[test]
        fn an_error_in_common_excuses_and_units_do_not_matter(rows in rows(), scale in 1e-3f64..1e3) {
            let [x, y, u] = columns(&rows);
            let gauge: Vec<usize> = (0..x.len()).map(|i| i % 2).collect();
            let common = Shared { group: &gauge, u: &vec![1.5; x.len()] };
            let found = deletion(&x, &y, &u, &[common], &CONFIG).expect("valid");
            let times = |v: &[f64]| v.iter().map(|v| scale * v).collect::<Vec<f64>>();
            let (wide, far, rough) = (vec![1.5 * scale; x.len()], times(&y), times(&u));
            let other = Shared { group: &gauge, u: &wide };
            let moved = deletion(&x, &far, &rough, &[other], &CONFIG).expect("valid");
            for (one, other) in found.iter().zip(&moved) {
                prop_assert!((one.p_value - other.p_value).abs() < 1e-6);
                prop_assert!((one.deviation - other.deviation).abs() < 1e-6 * (1.0 + one.deviation.abs()));
            }
        }
    }
}
