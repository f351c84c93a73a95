//! How well the switch repeats: the posterior of the event-to-event variance.

use serde::{Deserialize, Serialize};

/// What is known of a switch's repeatability before its own events are seen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Repeatability {
    /// Standard deviation, event to event, Pa.
    pub sd_pa: f64,
    /// Degrees of freedom behind it.
    pub dof: f64,
}

/// One direction of change: values with known variances about one setpoint.
#[derive(Debug, Clone, Copy)]
pub(super) struct Direction<'a> {
    pub(super) values: &'a [f64],
    pub(super) variances: &'a [f64],
}

/// Effective event-to-event variance, and the degrees of freedom behind the variance of the mean
/// of each direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scatter {
    /// Variance of one event about the setpoint, beyond its known variance, Pa².
    pub(super) variance: f64,
    /// Degrees of freedom of `variance`.
    pub(super) dof: f64,
}

/// Points of the grid over the standard deviation.
const GRID: usize = 96;

/// The posterior of the repeatability `τ²`, both directions of a switch sharing it.
///
/// Restricted likelihood of the values, their known variances given, times a scaled inverse
/// chi-squared prior; on a grid of `ln τ`. It is summed up by matching the first two moments of
/// the precision `1/(τ² + v̄)` of a typical event to a scaled inverse chi-squared law: when the
/// known variances vanish this is the textbook pooled variance with its degrees of freedom
/// (JCGM 100, H.3.6), and it stays finite for a single event.
///
/// Source: A. Gelman et al., *Bayesian Data Analysis* (2013), sections 2.6 and 5.4.
pub(super) fn scatter(directions: &[Direction<'_>], prior: Repeatability) -> Scatter {
    let known = typical_variance(directions);
    let widest = directions.iter().map(|d| spread(d.values)).fold(prior.sd_pa, f64::max);
    let smallest = prior.sd_pa.min(known.sqrt().max(1e-6 * prior.sd_pa)) * 1e-2;
    let (low, high) = (smallest.ln(), (20.0 * (widest + known.sqrt())).ln());
    let step = (high - low) / (GRID - 1) as f64;
    let grid: [(f64, f64); GRID] = std::array::from_fn(|i| {
        let log = low + i as f64 * step;
        let square = (2.0 * log).exp();
        let likelihood: f64 = directions.iter().map(|d| restricted(d, square)).sum();
        let ratio = prior.sd_pa * prior.sd_pa / square;
        (square, likelihood - prior.dof * log - 0.5 * prior.dof * ratio)
    });
    let top = grid.iter().fold(f64::NEG_INFINITY, |top, (_, log)| top.max(*log));
    summed_up(grid.into_iter().map(|(square, log)| (square, (log - top).exp())), known)
}

/// The first two moments of `1/(τ² + v̄)` over weighted points of `τ²`, as a variance with its degrees
/// of freedom.
pub(super) fn summed_up(points: impl Iterator<Item = (f64, f64)>, known: f64) -> Scatter {
    let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
    for (square, weight) in points {
        let precision = 1.0 / (square + known);
        total += weight;
        first += weight * precision;
        second += weight * precision * precision;
    }
    let mean = first / total;
    let relative = second / total / (mean * mean) - 1.0;
    let all = 2.0 / relative.max(1e-12);
    let variance = (1.0 / mean - known).max(0.0);
    let share = variance * mean;
    Scatter { variance, dof: (all * share * share).max(f64::MIN_POSITIVE) }
}

/// Restricted log likelihood of one direction at event variance `square`.
fn restricted(direction: &Direction<'_>, square: f64) -> f64 {
    let (mut weight, mut moment, mut log_det) = (0.0, 0.0, 0.0);
    for (value, variance) in direction.values.iter().zip(direction.variances) {
        let total = square + variance;
        weight += 1.0 / total;
        moment += value / total;
        log_det += total.ln();
    }
    let mean = moment / weight;
    let misfit: f64 = direction
        .values
        .iter()
        .zip(direction.variances)
        .map(|(value, variance)| (value - mean).powi(2) / (square + variance))
        .sum();
    -0.5 * (log_det + weight.ln() + misfit)
}

/// Harmonic mean of the known variances.
fn typical_variance(directions: &[Direction<'_>]) -> f64 {
    let variances = || directions.iter().flat_map(|d| d.variances.iter());
    let precision: f64 = variances().map(|variance| 1.0 / variance).sum();
    variances().count() as f64 / precision
}

fn spread(values: &[f64]) -> f64 {
    let least = values.iter().copied().fold(f64::INFINITY, f64::min);
    let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    (most - least).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Without known variances the posterior is conjugate and the answer is in closed form.
        #[test]
        fn equals_the_pooled_variance_when_readings_are_exact(
            one in prop::collection::vec(-1.0f64..1.0, 2..6),
            other in prop::collection::vec(-1.0f64..1.0, 2..6),
            sd in 0.2f64..1.0, dof in 1.0f64..8.0,
        ) {
            let tiny = [1e-16; 6];
            let square = |v: &[f64]| {
                let mean = v.iter().sum::<f64>() / v.len() as f64;
                v.iter().map(|x| (x - mean).powi(2)).sum::<f64>()
            };
            let directions = [
                Direction { values: &one, variances: &tiny[..one.len()] },
                Direction { values: &other, variances: &tiny[..other.len()] },
            ];
            let found = scatter(&directions, Repeatability { sd_pa: sd, dof });
            let all = dof + (one.len() + other.len() - 2) as f64;
            let pooled = (dof * sd * sd + square(&one) + square(&other)) / all;
            // The grid is coarsest against the posterior where the degrees of freedom are most.
            prop_assert!((found.variance / pooled - 1.0).abs() < 1e-2, "{found:?} {pooled}");
            prop_assert!((found.dof / all - 1.0).abs() < 3e-2, "{found:?} {all}");
        }
    }

    #[test]
    fn a_single_event_leaves_the_prior() {
        let directions = [Direction { values: &[60.0], variances: &[1e-12] }];
        let found = scatter(&directions, Repeatability { sd_pa: 0.5, dof: 3.0 });
        assert!((found.variance.sqrt() - 0.5).abs() < 1e-3);
        assert!((found.dof - 3.0).abs() < 0.1);
    }

    #[test]
    fn noisy_readings_do_not_pass_for_scatter() {
        let values: Vec<f64> = (0..10).map(|i| 60.0 + f64::from(i % 3)).collect();
        let directions = [Direction { values: &values, variances: &[1.0; 10] }];
        let found = scatter(&directions, Repeatability { sd_pa: 0.1, dof: 4.0 });
        assert!(found.variance < 0.05, "{found:?}");
    }
}
