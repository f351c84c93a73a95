//! What one rounded reading says of the signal: the Gaussian site of an interval.

use statrs::function::erf::erfc;

/// A reading of a display with a step: the signal plus noise lay between two limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Interval {
    /// Lower limit, Pa.
    pub(super) low: f64,
    /// Upper limit, Pa.
    pub(super) high: f64,
}

/// A Gaussian factor in the signal's value: precision and precision times mean.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Site {
    pub(super) precision: f64,
    pub(super) shift: f64,
}

/// Beyond so many standard deviations an interval is seen as its nearer limit.
const FAR: f64 = 7.0;
/// A signal that is so many standard deviations inside an interval is told nothing by it.
const SAFE: f64 = 5.0;

/// What an interval tells of the signal's mean and, by the logarithm of the noise's standard
/// deviation, of the noise: derivatives of the logarithm of its probability.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Told {
    slope: f64,
    curvature: f64,
    /// First derivative by `ln σ`.
    pub(super) noise_slope: f64,
    /// Second derivative by `ln σ`.
    pub(super) noise_curvature: f64,
}

impl Interval {
    pub(super) fn centre(self) -> f64 {
        f64::midpoint(self.low, self.high)
    }

    pub(super) fn width(self) -> f64 {
        self.high - self.low
    }

    /// What the interval tells where the signal is known with the given mean and variance.
    fn told(self, mean: f64, variance: f64, noise: f64) -> Told {
        // Divisions are most of the cost of a site.
        let per_sd = 1.0 / (variance + noise).sqrt();
        let per_total = per_sd * per_sd;
        let (alpha, beta) = ((self.low - mean) * per_sd, (self.high - mean) * per_sd);
        let share = noise * per_total;
        let by_noise = |first: f64, second: f64| {
            (share * first, share * (share * second + 2.0 * (1.0 - share) * first))
        };
        if alpha > FAR || beta < -FAR {
            let near = if alpha > FAR { alpha } else { beta };
            let (noise_slope, noise_curvature) = by_noise(near * near, -2.0 * near * near);
            return Told {
                slope: near * per_sd,
                curvature: -per_total,
                noise_slope,
                noise_curvature,
            };
        }
        // In the tail on which both limits lie the difference of the small parts is exact.
        let (a, b) = if alpha > 0.0 { (-beta, -alpha) } else { (alpha, beta) };
        let per_probability = 1.0 / (below(b) - below(a));
        let (at_low, at_high) = (density(alpha) * per_probability, density(beta) * per_probability);
        let slope = (at_low - at_high) * per_sd;
        let (low, high) = (alpha * at_low, beta * at_high);
        let moment = high - low;
        let third = high * (1.0 - beta * beta) - low * (1.0 - alpha * alpha);
        let (noise_slope, noise_curvature) = by_noise(-moment, third - moment * moment);
        let curvature = -moment * per_total - slope * slope;
        Told { slope, curvature, noise_slope, noise_curvature }
    }

    /// The site whose product with the cavity of the given mean and variance has the mean and
    /// variance of the interval's: moments of a Gaussian times a difference of two normal integrals.
    pub(super) fn site(self, mean: f64, variance: f64, noise: f64) -> (Site, Told) {
        let room = (self.high - mean).min(mean - self.low);
        if room > 0.0 && room * room > SAFE * SAFE * (variance + noise) {
            return (Site::default(), Told::default());
        }
        let told = self.told(mean, variance, noise);
        let per_left = 1.0 / (1.0 + told.curvature * variance);
        // An interval's likelihood is log-concave: its precision is never negative.
        let precision = (-told.curvature * per_left).max(0.0);
        let shift = (told.slope - mean * told.curvature) * per_left;
        (Site { precision, shift }, told)
    }
}

/// Beyond so many standard deviations a normal law holds less than 1e-18.
const NOTHING: f64 = 9.0;

fn density(x: f64) -> f64 {
    const PEAK: f64 = 0.398_942_280_401_432_7;
    if x.abs() > NOTHING { 0.0 } else { PEAK * (-0.5 * x * x).exp() }
}

fn below(x: f64) -> f64 {
    if x.abs() > NOTHING {
        return if x > 0.0 { 1.0 } else { 0.0 };
    }
    0.5 * erfc(-x * std::f64::consts::FRAC_1_SQRT_2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Moments of `N(mean, variance)` times `P(low < g + e < high)` by Simpson's rule.
    fn by_quadrature(interval: Interval, mean: f64, variance: f64, noise: f64) -> [f64; 3] {
        let (n, sd) = (20_000, variance.sqrt());
        let mut sums = [0.0; 3];
        for i in 0..=n {
            let g = mean + sd * (-9.0 + 18.0 * f64::from(i) / f64::from(n));
            let weight = if i == 0 || i == n { 1.0 } else { f64::from(2 + 2 * (i % 2)) };
            let likelihood = below((interval.high - g) / noise.sqrt())
                - below((interval.low - g) / noise.sqrt());
            let mass = weight * density((g - mean) / sd) * likelihood;
            sums = [sums[0] + mass, sums[1] + mass * g, sums[2] + mass * g * g];
        }
        let (first, second) = (sums[1] / sums[0], sums[2] / sums[0]);
        [sums[0] * 18.0 / (3.0 * f64::from(n)), first, second - first * first]
    }

    /// Not where the interval is seen as its nearer limit.
    fn is_near(mean: f64, total: f64) -> bool {
        mean.abs() - 0.5 < (FAR - 0.5) * total.sqrt()
    }

    proptest! {
        #[test]
        fn the_site_gives_the_moments_of_the_interval(
            mean in -4.0f64..4.0, variance in 0.05f64..4.0, noise in 0.05f64..2.0,
        ) {
            let interval = Interval { low: -0.5, high: 0.5 };
            prop_assume!(is_near(mean, variance + noise));
            let (site, _) = interval.site(mean, variance, noise);
            let [_, first, second] = by_quadrature(interval, mean, variance, noise);
            let precision = 1.0 / variance + site.precision;
            prop_assert!(((mean / variance + site.shift) / precision - first).abs() < 1e-6);
            prop_assert!((1.0 / precision - second).abs() < 1e-6);
        }

        #[test]
        fn the_noise_is_told_by_differences(
            mean in -4.0f64..4.0, variance in 0.05f64..4.0, noise in 0.05f64..2.0,
        ) {
            let interval = Interval { low: -0.5, high: 0.5 };
            prop_assume!(is_near(mean, variance + noise));
            let d = 1e-3_f64;
            let mass = |shift: f64| by_quadrature(interval, mean, variance, noise * (2.0 * shift).exp())[0].ln();
            let (low, here, high) = (mass(-d), mass(0.0), mass(d));
            let (_, told) = interval.site(mean, variance, noise);
            prop_assert!((told.noise_slope - (high - low) / (2.0 * d)).abs() < 1e-4);
            prop_assert!((told.noise_curvature - (high - 2.0 * here + low) / (d * d)).abs() < 4e-3);
        }

        #[test]
        fn far_away_nothing_overflows(distance in 0.0f64..1e6, sd in 1e-3f64..10.0, side in any::<bool>()) {
            let interval = Interval { low: -0.5, high: 0.5 };
            let mean = if side { distance } else { -distance };
            let (site, told) = interval.site(mean, sd * sd, sd * sd);
            prop_assert!(site.precision >= 0.0 && site.precision.is_finite());
            prop_assert!(site.shift.is_finite() && told.noise_slope.is_finite());
        }
    }
}
