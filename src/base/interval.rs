//! A normal value of which only an interval is known.

use statrs::function::erf::erfc;

/// Half of `ln 2π`.
const HALF_LN_TAU: f64 = 0.918_938_533_204_672_8;

/// From this many standard deviations on the tail is taken from its expansion.
const FAR: f64 = 30.0;

/// Inside by this much nothing is missing.
const NOTHING: f64 = 8.5;

/// Beyond this the tail is nothing.
const BEYOND: f64 = 38.0;

/// Narrower than this, in standard deviations, an interval is as good as its middle.
const NARROW: f64 = 1e-3;

/// Logarithm of the normal density averaged over an interval,
/// `ln { [Φ((d + h)/s) − Φ((d − h)/s)] / 2h }`, for a distance `d` from the mean to the middle of
/// the interval, half its width `h` and standard deviation `s`.
///
/// As `h` goes to zero this becomes the logarithm of the density at `d`; it is finite wherever
/// `s > 0`. Source of the tail: M. Abramowitz and I. Stegun, *Handbook of Mathematical Functions*
/// (1964), 26.2.12.
pub(crate) fn log_mean_density(distance: f64, half: f64, sd: f64) -> f64 {
    let (d, h) = (distance.abs() / sd, half / sd);
    if 2.0 * h < NARROW {
        return -0.5 * d * d + log_sinhc(d * h) - HALF_LN_TAU - sd.ln();
    }
    let (a, b) = (d - h, d + h);
    log_probability(a, b) - (2.0 * half).ln()
}

/// `ln [Φ(b) − Φ(a)]` for `b > |a|`.
fn log_probability(a: f64, b: f64) -> f64 {
    if a < -NOTHING {
        return 0.0;
    }
    if a <= 0.0 {
        return (-(upper(-a) + upper(b))).ln_1p();
    }
    if a > FAR {
        let drop = 0.5 * (b - a) * (b + a);
        let tail = (-1.0 / (a * a)).ln_1p();
        return -0.5 * a * a - HALF_LN_TAU - a.ln() + tail + (-a / b * (-drop).exp()).ln_1p();
    }
    (upper(a) - upper(b)).ln()
}

/// Upper tail of the standard normal distribution.
fn upper(z: f64) -> f64 {
    if z > BEYOND { 0.0 } else { 0.5 * erfc(z * std::f64::consts::FRAC_1_SQRT_2) }
}

/// `ln (sinh y / y)` for `y ≥ 0`.
fn log_sinhc(y: f64) -> f64 {
    if y < 1e-4 { y * y / 6.0 } else { y + (-(-2.0 * y).exp()).ln_1p() - (2.0 * y).ln() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The same by the midpoint rule, over the part of the interval that counts.
    fn integrated(distance: f64, half: f64, sd: f64) -> f64 {
        let n = 20_000;
        let log = |x: f64| -0.5 * (x / sd).powi(2) - HALF_LN_TAU - sd.ln();
        let near = (distance.abs() - half).max(-9.0 * sd);
        let reach = (40.0 * sd * sd / near.max(1e-3 * sd)).min(9.0 * sd);
        let far = (distance.abs() + half).min(near.max(0.0) + reach);
        let nodes = (0..n).map(|i| near + (far - near) * (f64::from(i) + 0.5) / f64::from(n));
        let top = log(near.max(0.0));
        let sum: f64 = nodes.map(|x| (log(x) - top).exp()).sum();
        (sum / f64::from(n) * (far - near) / (2.0 * half)).ln() + top
    }

    proptest! {
        #[test]
        fn equals_the_integral(distance in -60.0f64..60.0, log_half in -6.0f64..2.0, log_sd in -1.0f64..2.0) {
            let (half, sd) = (10f64.powf(log_half), 10f64.powf(log_sd));
            let found = log_mean_density(distance, half, sd);
            let expected = integrated(distance, half, sd);
            prop_assert!((found - expected).abs() < 1e-4 + 1e-8 * expected.abs(), "{found} {expected}");
        }

        #[test]
        fn is_finite_and_falls_with_the_distance(
            d in 0.0f64..1e6, further in 0.0f64..1e6, half in 0.0f64..1e3, log_sd in -9.0f64..4.0,
        ) {
            let sd = 10f64.powf(log_sd);
            let (near, far) = (log_mean_density(d, half, sd), log_mean_density(d + further, half, sd));
            prop_assert!(near.is_finite() && far.is_finite());
            prop_assert!(far <= near + 1e-9 * near.abs().max(1.0), "{near} {far}");
            prop_assert_eq!(near, log_mean_density(-d, half, sd));
        }
    }

    #[test]
    fn the_branches_meet() {
        for d in [0.0, 1.0, 10.0, 29.0, 100.0] {
            let at = |h: f64| log_mean_density(d, h, 1.0);
            let (thin, wide) = (at(0.499_999 * NARROW), at(0.500_001 * NARROW));
            assert!((thin - wide).abs() < 1e-7 * thin.abs().max(1.0), "{d} {thin} {wide}");
        }
        let (near, far) = (FAR - 1e-9, FAR + 1e-9);
        let slope = 2e-9 * FAR;
        let step = log_probability(near, 50.0) - log_probability(far, 50.0);
        assert!((step - slope).abs() < 1e-5, "{step}");
    }

    /// Largest likelihood, and where it is, of 12 exact, 3 right-, 2 left- and 1 interval-censored
    /// values. Source: NAG Library Manual, routine G07BBF (Mark 26), example program: data, mean 4.4924,
    /// standard deviation 1.0196 and log likelihood −22.2817.
    #[test]
    fn published_censored_sample() {
        const NOWHERE: f64 = 1e3;
        let exact = [4.5, 5.4, 3.9, 5.1, 4.6, 4.8, 2.9, 6.3, 5.5, 4.6, 4.1, 5.2].map(|x| (x, x));
        let above = [3.2, 4.0, 3.1].map(|x| (x, NOWHERE));
        let below = [5.1, 3.8].map(|x| (-NOWHERE, x));
        let cells = exact.iter().chain(&above).chain(&below).chain(&[(2.2, 2.5)]);
        let log_likelihood = |mean: f64, sd: f64| -> f64 {
            let one = |&(low, high): &(f64, f64)| {
                let log = log_mean_density(0.5 * (low + high) - mean, 0.5 * (high - low), sd);
                if high > low { log + (high - low).ln() } else { log }
            };
            cells.clone().map(one).sum()
        };
        let best = log_likelihood(4.4924, 1.0196);
        assert!((best + 22.2817).abs() < 5e-5, "{best}");
        for (by_mean, by_sd) in [(2e-4, 0.0), (-2e-4, 0.0), (0.0, 2e-4), (0.0, -2e-4)] {
            assert!(log_likelihood(4.4924 + by_mean, 1.0196 + by_sd) < best, "{by_mean} {by_sd}");
        }
    }
}
