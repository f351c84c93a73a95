//! Streams of random numbers and the Ornstein–Uhlenbeck process.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

/// Who draws; each has a stream of its own under one seed.
#[derive(Debug, Clone, Copy)]
pub(super) enum Stream {
    Motion,
    Switch,
    Gauge,
    Clock,
    Contact,
    Operator,
}

/// The generator of one stream.
pub(super) fn stream(seed: u64, stream: Stream) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(stream as u64);
    rng
}

/// One standard normal number.
pub(super) fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// A factor of mean 1 and relative standard deviation `spread`, lognormal and thus never negative.
///
/// `exp(σ z - σ²/2)` with `σ² = ln(1 + spread²)`.
pub(super) fn factor(rng: &mut ChaCha8Rng, spread: f64) -> f64 {
    let variance = (spread * spread).ln_1p();
    (variance.sqrt() * normal(rng) - 0.5 * variance).exp()
}

/// A stationary Ornstein–Uhlenbeck process of unit variance at equal steps.
///
/// `x(t + h) = a x(t) + √(1 - a²) z` with `a = exp(-h/T)`: exact for any step.
#[derive(Debug)]
pub(super) struct OrnsteinUhlenbeck {
    keep: f64,
    fresh: f64,
    value: f64,
}

impl OrnsteinUhlenbeck {
    /// Starts from the stationary distribution.
    pub(super) fn new(rng: &mut ChaCha8Rng, step_s: f64, correlation_s: f64) -> Self {
        let keep = (-step_s / correlation_s).exp();
        Self { keep, fresh: (1.0 - keep * keep).sqrt(), value: normal(rng) }
    }

    /// The value now.
    pub(super) fn value(&self) -> f64 {
        self.value
    }

    /// The value one step later.
    pub(super) fn advance(&mut self, rng: &mut ChaCha8Rng) -> f64 {
        self.value = self.keep * self.value + self.fresh * normal(rng);
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ornstein_uhlenbeck_has_unit_variance_and_its_correlation_time() {
        let (step, correlation, n) = (0.1, 1.0, 200_000);
        let mut rng = stream(3, Stream::Motion);
        let mut process = OrnsteinUhlenbeck::new(&mut rng, step, correlation);
        let x: Vec<f64> = (0..n).map(|_| process.advance(&mut rng)).collect();
        let covariance = |lag: usize| {
            x.iter().zip(&x[lag..]).map(|(a, b)| a * b).sum::<f64>() / (n - lag) as f64
        };
        // n h / 2T = 10,000 independent values: the standard error of a variance is 0.014.
        assert!((covariance(0) - 1.0).abs() < 0.05, "{}", covariance(0));
        for lag in [5, 10, 20] {
            let expected = (-step * lag as f64 / correlation).exp();
            assert!((covariance(lag) / covariance(0) - expected).abs() < 0.04);
        }
    }

    #[test]
    fn factor_has_mean_one_and_the_stated_spread() {
        let mut rng = stream(5, Stream::Clock);
        let n = 100_000;
        let x: Vec<f64> = (0..n).map(|_| factor(&mut rng, 0.3)).collect();
        let mean = x.iter().sum::<f64>() / f64::from(n);
        let sd = (x.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / f64::from(n)).sqrt();
        assert!((mean - 1.0).abs() < 0.005 && (sd - 0.3).abs() < 0.01, "{mean} {sd}");
        assert_eq!(factor(&mut rng, 0.0), 1.0);
    }

    #[test]
    fn the_generator_is_pinned() {
        use rand_chacha::rand_core::Rng;
        let mut first = stream(2025, Stream::Motion);
        let mut second = stream(2025, Stream::Switch);
        assert_eq!(first.next_u64(), stream(2025, Stream::Motion).next_u64());
        assert_ne!(first.next_u64(), second.next_u64());
    }
}
