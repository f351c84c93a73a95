//! Mean and covariance of what readings say, where a parabola does not describe it.

use nalgebra::{Cholesky, DMatrix, DVector};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{ChiSquared, Distribution, StandardNormal};
use rayon::prelude::*;

use crate::base::{Error, Result};

/// Degrees of freedom of the proposal: tails heavier than those of what is sampled.
const PROPOSAL_DOF: f64 = 5.0;
/// Draws of a round that only moves the proposal.
const DRAWS: usize = 600;
/// Draws of the last round: a mean from them is within about 3 % of its own uncertainty.
const LAST_DRAWS: usize = 2500;
/// Rounds that move the proposal, at most.
const MOST_ROUNDS: usize = 20;
/// Rounds in succession with a good proposal after which it stays: the first may still be moving.
const GOOD_ROUNDS: usize = 2;
/// Share of the draws that a round keeps in effect, by flattening the weights.
const TEMPERED: f64 = 0.15;
/// Share of the draws that must count for the proposal to be good enough.
const GOOD: f64 = 0.35;
/// Weights are flattened to this power at most.
const LEAST_POWER: f64 = 1e-12;
/// Effective draws below which nothing is said.
const FEWEST: f64 = 150.0;
/// The proposal starts this much wider than the guess.
const WIDER: f64 = 1.5;

/// Weighted draws from a density.
#[derive(Debug, Clone)]
pub(super) struct Sample {
    points: Vec<DVector<f64>>,
    weights: Vec<f64>,
    log_weights: Vec<f64>,
    /// The point of the largest density, and its logarithm.
    best: (f64, DVector<f64>),
}

impl Sample {
    /// Mean of a function of the parameters.
    pub(super) fn mean(&self, of: impl Fn(&DVector<f64>) -> f64) -> f64 {
        self.points.iter().zip(&self.weights).map(|(point, weight)| weight * of(point)).sum()
    }

    /// Mean of the parameters themselves.
    fn centre(&self) -> DVector<f64> {
        let size = self.points[0].len();
        self.points
            .iter()
            .zip(&self.weights)
            .fold(DVector::zeros(size), |sum, (point, &weight)| sum + point * weight)
    }

    fn covariance(&self, centre: &DVector<f64>) -> DMatrix<f64> {
        let size = centre.len();
        self.points.iter().zip(&self.weights).fold(
            DMatrix::zeros(size, size),
            |sum, (point, &weight)| {
                let apart = point - centre;
                sum + &apart * apart.transpose() * weight
            },
        )
    }

    /// Number of equally weighted draws worth as much.
    fn effective(&self) -> f64 {
        1.0 / self.weights.iter().map(|weight| weight * weight).sum::<f64>()
    }

    /// The sample with its weights raised to the largest power, at most one, at which as many draws
    /// as `enough` are in effect: a proposal that is far off moves without collapsing.
    fn tempered(&self, enough: f64) -> (Self, f64) {
        let raised = |power: f64| self.raised(power);
        if self.effective() >= enough {
            return (raised(1.0), 1.0);
        }
        let (mut low, mut high) = (LEAST_POWER.ln(), 0.0);
        for _ in 0..30 {
            let middle = f64::midpoint(low, high);
            if raised(middle.exp()).effective() >= enough { low = middle } else { high = middle }
        }
        (raised(low.exp()), low.exp())
    }

    /// The sample with other weights. They are made from their logarithms: where the proposal is far
    /// off all but one would be zero.
    fn raised(&self, power: f64) -> Self {
        let most = self.log_weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let weights: Vec<f64> =
            self.log_weights.iter().map(|log| (power * (log - most)).exp()).collect();
        let total: f64 = weights.iter().sum();
        let weights = weights.into_iter().map(|weight| weight / total).collect();
        Self { weights, ..self.clone() }
    }
}

/// Draws from the density whose logarithm is given, up to a constant, by adaptive importance
/// sampling: each round draws from a multivariate t distribution with mean and covariance of the
/// round before, weights flattened while it is far off. The draws are the same in every run.
///
/// Source: O. Cappé, A. Guillin, J.-M. Marin and C. P. Robert, *J. Comput. Graph. Stat.* 13 (2004)
/// 907 (population Monte Carlo).
///
/// # Errors
///
/// [`Error::LagUnidentified`] where too few draws carry the weight.
pub(super) fn sample(
    log_density: impl Fn(&DVector<f64>) -> f64 + Sync,
    guess: DVector<f64>,
    covariance: DMatrix<f64>,
) -> Result<Sample> {
    let mut rng = ChaCha8Rng::seed_from_u64(0);
    adapted(&log_density, guess, covariance, &mut rng)
        .and_then(|near| draw(&log_density, &near.centre, &near.spread, LAST_DRAWS, &mut rng))
        .filter(|found| found.effective() >= FEWEST)
        .ok_or(Error::LagUnidentified {
            reason: "many lags explain the readings alike",
            cure: "record stronger and quicker changes of the pressure, or state the lag",
        })
}

/// The likeliest of the points that the rounds of [`sample`] come across, `None` where the density
/// is nowhere.
pub(super) fn likeliest(
    log_density: impl Fn(&DVector<f64>) -> f64 + Sync,
    guess: DVector<f64>,
    covariance: DMatrix<f64>,
) -> Option<DVector<f64>> {
    let mut rng = ChaCha8Rng::seed_from_u64(0);
    adapted(&log_density, guess, covariance, &mut rng).map(|near| near.best.1)
}

/// A proposal near the density that is sampled.
struct Near {
    centre: DVector<f64>,
    spread: DMatrix<f64>,
    best: (f64, DVector<f64>),
}

fn adapted(
    log_density: &(impl Fn(&DVector<f64>) -> f64 + Sync),
    guess: DVector<f64>,
    covariance: DMatrix<f64>,
    rng: &mut ChaCha8Rng,
) -> Option<Near> {
    let best = (f64::NEG_INFINITY, guess.clone());
    let mut near = Near { centre: guess, spread: covariance * (WIDER * WIDER), best };
    let mut good = 0;
    for _ in 0..MOST_ROUNDS {
        let found = draw(log_density, &near.centre, &near.spread, DRAWS, rng)?;
        if found.best.0 > near.best.0 {
            near.best = found.best.clone();
        }
        let (tempered, power) = found.tempered(TEMPERED * DRAWS as f64);
        let enough = power >= 1.0 && found.effective() > GOOD * DRAWS as f64;
        good = if enough { good + 1 } else { 0 };
        let next = tempered.centre();
        let around = tempered.covariance(&next);
        if Cholesky::new(around.clone()).is_none() {
            break;
        }
        (near.centre, near.spread) = (next, around);
        if good == GOOD_ROUNDS {
            break;
        }
    }
    Some(near)
}

fn draw(
    log_density: &(impl Fn(&DVector<f64>) -> f64 + Sync),
    centre: &DVector<f64>,
    covariance: &DMatrix<f64>,
    count: usize,
    rng: &mut ChaCha8Rng,
) -> Option<Sample> {
    let size = centre.len();
    let factor = Cholesky::new(covariance.clone())?.l();
    let chi_squared = ChiSquared::new(PROPOSAL_DOF).ok()?;
    let drawn: Vec<(DVector<f64>, f64)> = (0..count)
        .map(|_| {
            let normal: DVector<f64> = DVector::from_fn(size, |_, _| StandardNormal.sample(rng));
            let drawn: f64 = chi_squared.sample(rng);
            let scale = (PROPOSAL_DOF / drawn).sqrt();
            let square = normal.norm_squared() * scale * scale;
            let log_proposal =
                -0.5 * (PROPOSAL_DOF + size as f64) * (square / PROPOSAL_DOF).ln_1p();
            (centre + &factor * normal * scale, log_proposal)
        })
        .collect();
    let known = |log: f64| if log.is_nan() { f64::NEG_INFINITY } else { log };
    let densities: Vec<f64> =
        drawn.par_iter().map(|(point, _)| known(log_density(point))).collect();
    let log_weights: Vec<f64> = drawn
        .iter()
        .zip(&densities)
        .map(|((_, log_proposal), density)| known(density - log_proposal))
        .collect();
    let most = log_weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if !most.is_finite() {
        return None;
    }
    let ((point, _), density) =
        drawn.iter().zip(&densities).max_by(|a, b| a.1.total_cmp(b.1))?;
    let best = (*density, point.clone());
    let points = drawn.into_iter().map(|(point, _)| point).collect();
    Some(Sample { points, weights: Vec::new(), log_weights, best }.raised(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A normal and an exponential variable, the second far from any parabola.
    #[test]
    fn moments_of_known_distributions_are_found() {
        let log_density = |x: &DVector<f64>| {
            if x[1] < 0.0 { f64::NEG_INFINITY } else { -0.5 * ((x[0] - 3.0) / 0.2).powi(2) - x[1] }
        };
        let found = sample(log_density, DVector::from_vec(vec![2.9, 0.5]), DMatrix::identity(2, 2))
            .expect("found");
        let mean = [0, 1].map(|i| found.mean(|x| x[i]));
        let sd = [0, 1].map(|i| found.mean(|x| (x[i] - mean[i]).powi(2)).sqrt());
        assert!((mean[0] - 3.0).abs() < 0.02 && (sd[0] - 0.2).abs() < 0.02, "{mean:?} {sd:?}");
        assert!((mean[1] - 1.0).abs() < 0.1 && (sd[1] - 1.0).abs() < 0.1, "{mean:?} {sd:?}");
    }

    #[test]
    fn a_density_that_is_nowhere_is_unidentified() {
        let nowhere = |_: &DVector<f64>| f64::NAN;
        assert!(sample(nowhere, DVector::zeros(2), DMatrix::identity(2, 2)).is_err());
        let flat = DMatrix::zeros(2, 2);
        assert!(sample(|_: &DVector<f64>| 0.0, DVector::zeros(2), flat).is_err());
    }
}
