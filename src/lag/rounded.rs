//! Probability of a reading that a display has rounded.

use std::f64::consts::TAU;

use crate::base::interval::log_mean_density;

/// A step below this much noise is no coarser than the noise: the density serves.
const FINE: f64 = 0.5;

/// Logarithm of the probability of a reading that lies `apart` from the signal, for noise of
/// standard deviation `noise` and a display `step`: `Φ((a + h/2)/σ) − Φ((a − h/2)/σ)`, divided by
/// the step; without a step the normal density.
pub(super) fn log_probability(apart: f64, noise: f64, step: Option<f64>) -> f64 {
    let Some(step) = step.filter(|step| *step > FINE * noise) else {
        let rounding = step.map_or(0.0, |step| step * step / 12.0);
        let variance = noise * noise + rounding;
        return -0.5 * (apart * apart / variance + (TAU * variance).ln());
    };
    log_mean_density(apart, 0.5 * step, noise)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_probabilities_of_all_readings_sum_to_one() {
        for noise in [0.02, 0.3, 1.0, 1.9, 2.5] {
            let sum: f64 = (-200..=200)
                .map(|code| log_probability(f64::from(code) + 0.3, noise, Some(1.0)).exp())
                .sum();
            assert!((sum - 1.0).abs() < 1e-9, "{noise} {sum}");
        }
    }

    #[test]
    fn the_tail_is_finite_and_falls_without_a_jump() {
        let values: Vec<f64> =
            (0..400).map(|i| log_probability(0.1 * f64::from(i), 0.5, Some(1.0))).collect();
        assert!(values.windows(2).all(|pair| pair[1] < pair[0] + 1e-12));
        let bend = values.windows(3).map(|v| v[0] - 2.0 * v[1] + v[2]);
        assert!(bend.skip(10).all(|bend| bend.abs() < 0.1));
    }
}
