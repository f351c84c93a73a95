//! Likelihood of two gauges that follow one pressure, one of them late.

use nalgebra::{Matrix4, Vector4};

/// Readings of one gauge.
#[derive(Debug, Clone, Copy)]
pub(super) struct Channel<'a> {
    pub(super) time: &'a [f64],
    pub(super) value: &'a [f64],
}

/// What makes the readings of a pair.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pair {
    /// Dead time of the tested gauge behind the reference, s; negative where its clock is ahead.
    pub(super) dead_s: f64,
    /// Its time constant, s.
    pub(super) constant_s: f64,
    /// Its scale against that of the reference.
    pub(super) scale: f64,
    /// Unsteadiness of the pressure: spectral density of the rate's random walk, Pa²/s³.
    pub(super) unsteadiness: f64,
    /// Noise variance of a reading of the tested gauge, Pa².
    pub(super) noise: f64,
    /// Noise variance of a reading of the reference, Pa².
    pub(super) reference_noise: f64,
}

/// How well a pair explains its readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Explained {
    pub(super) log_likelihood: f64,
    /// Squares of the surprises, each by its variance: as many as readings where the pair is right.
    pub(super) squares: f64,
}

/// Log likelihood of the readings of the tested gauge and of the reference.
///
/// The pressure is an integrated random walk in its rate. The reference shows it with noise, the
/// tested gauge shows `offset + scale z(t − D)` with noise, where `T z' = p − z`. The state
/// (pressure, rate, `z`, offset) is filtered through the readings of both in the order in which
/// the pressure made them; it starts as good as unknown, with a standard deviation of `wide`. `each`
/// gets the surprises in that order, each in its standard deviations.
pub(super) fn explained(
    tested: Channel<'_>,
    reference: Channel<'_>,
    pair: &Pair,
    wide: f64,
    mut each: impl FnMut(f64),
) -> Explained {
    let mut mean = Vector4::new(reference.value[0], 0.0, reference.value[0], 0.0);
    let mut spread = Matrix4::identity() * (wide * wide);
    let by_tested = Vector4::new(0.0, 0.0, pair.scale, 1.0);
    let by_reference = Vector4::new(1.0, 0.0, 0.0, 0.0);
    let (mut i, mut j, mut now) = (0, 0, f64::NAN);
    let mut found = Explained { log_likelihood: 0.0, squares: 0.0 };
    while i < tested.time.len() || j < reference.time.len() {
        let made = tested.time.get(i).map_or(f64::INFINITY, |t| t - pair.dead_s);
        let seen = reference.time.get(j).copied().unwrap_or(f64::INFINITY);
        let next = made.min(seen);
        if next > now {
            (mean, spread) = predict(&mean, &spread, next - now, pair);
        }
        now = next;
        let (row, reading, noise) = if made <= seen {
            i += 1;
            (&by_tested, tested.value[i - 1], pair.noise)
        } else {
            j += 1;
            (&by_reference, reference.value[j - 1], pair.reference_noise)
        };
        let with = spread * row;
        let variance = row.dot(&with) + noise;
        let surprise = reading - row.dot(&mean);
        mean += with * (surprise / variance);
        spread -= with * with.transpose() / variance;
        let square = surprise * surprise / variance;
        each(surprise / variance.sqrt());
        found.squares += square;
        found.log_likelihood -= 0.5 * (variance.ln() + square);
    }
    found
}

fn predict(
    mean: &Vector4<f64>,
    spread: &Matrix4<f64>,
    h: f64,
    pair: &Pair,
) -> (Vector4<f64>, Matrix4<f64>) {
    let constant = pair.constant_s;
    let left = (-h / constant).exp();
    let gone = -(-h / constant).exp_m1();
    let mut step = Matrix4::identity();
    step[(0, 1)] = h;
    step[(2, 0)] = gone;
    step[(2, 1)] = h - constant * gone;
    step[(2, 2)] = left;
    let mut next = step * spread * step.transpose();
    let moved = moved(h, constant);
    for (place, share) in PLACES.iter().zip(moved) {
        next[*place] += pair.unsteadiness * share;
        if place.0 != place.1 {
            next[(place.1, place.0)] += pair.unsteadiness * share;
        }
    }
    (step * mean, next)
}

/// Entries of the covariance that unsteadiness adds to, and in their order
/// `∫ φ φᵀ ds` for `φ = (s, 1, s − T (1 − e^{−s/T}))` over a time `h`.
const PLACES: [(usize, usize); 6] = [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)];

fn moved(h: f64, constant: f64) -> [f64; 6] {
    let (h2, h3) = (h * h, h * h * h);
    let x = h / constant;
    if x < 0.3 {
        // The closed forms lose their digits here.
        let with_p = h2 * h2 / constant * (1.0 / 8.0 - x * (1.0 / 30.0 - x / 144.0));
        let with_r = h3 / constant * (1.0 / 6.0 - x * (1.0 / 24.0 - x / 120.0));
        let own = h3 * x * x * (1.0 / 20.0 - x * (1.0 / 36.0 - x * (5.0 / 504.0 - x / 360.0)));
        return [h3 / 3.0, h2 / 2.0, with_p, h, with_r, own];
    }
    let (t, left) = (constant, (-x).exp());
    let with_p = h3 / 3.0 - t * h2 / 2.0 + t * t * (t - (h + t) * left);
    let with_r = h2 / 2.0 - t * h + t * t * (1.0 - left);
    let own = ((h - t).powi(3) + t * t * t) / 3.0 - 2.0 * t * t * h * left
        + t * t * t * (1.0 - left * left) / 2.0;
    [h3 / 3.0, h2 / 2.0, with_p, h, with_r, own]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_integrals_agree_with_quadrature() {
        for (h, t) in [(0.02, 1.0), (0.1, 0.4), (0.29, 1.0), (0.31, 1.0), (0.5, 0.1), (2.0, 0.01)] {
            let n = 20_000;
            let mut sums = [0.0; 6];
            for k in 0..n {
                let s = h * (f64::from(k) + 0.5) / f64::from(n);
                let phi = [s, 1.0, s + t * f64::exp_m1(-s / t)];
                for (sum, (i, j)) in sums.iter_mut().zip(PLACES) {
                    *sum += phi[i] * phi[j] * h / f64::from(n);
                }
            }
            for (found, sum) in moved(h, t).iter().zip(sums) {
                assert!((found / sum - 1.0).abs() < 1e-3, "{h} {t}: {found} {sum}");
            }
        }
    }

    /// Against the smoother's own restricted likelihood: a gauge without a lag that shows nothing
    /// but a constant with huge noise leaves the likelihood of the reference alone.
    #[test]
    fn the_reference_alone_has_the_likelihood_of_a_smooth_path() {
        let time: Vec<f64> = (0..60).map(|i| 0.1 * f64::from(i)).collect();
        let value: Vec<f64> = time.iter().map(|t| 20.0 + 3.0 * (2.0 * t).sin()).collect();
        let reference = Channel { time: &time, value: &value };
        let tested = Channel { time: &[], value: &[] };
        let at = |unsteadiness: f64| {
            let pair = Pair {
                dead_s: 0.0,
                constant_s: 0.3,
                scale: 1.0,
                unsteadiness,
                noise: 1.0,
                reference_noise: 0.04,
            };
            explained(tested, reference, &pair, 1e4, |_| ()).log_likelihood
        };
        let whole = 0..time.len();
        let smooth = |unsteadiness: f64| {
            let lambda = unsteadiness / 0.04;
            crate::smooth::fit_at(&time, &value, std::slice::from_ref(&whole), lambda)
        };
        // With the noise variance profiled out the quadratic form is (n − 2) σ̂².
        let expected = |unsteadiness: f64| {
            let found = smooth(unsteadiness);
            let n = time.len() as f64 - 2.0;
            found.log_likelihood + 0.5 * n * (found.variance.ln() + 1.0)
                - 0.5 * n * (0.04_f64.ln() + found.variance / 0.04)
        };
        let difference = at(30.0) - at(3.0);
        assert!((difference - (expected(30.0) - expected(3.0))).abs() < 1e-3, "{difference}");
    }
}
