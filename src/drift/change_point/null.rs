//! p-values by simulation of histories without a change.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use serde::{Deserialize, Serialize};

use super::nodes::{Node, Sums, least};
use super::ordered::Ordered;
use crate::base::{Error, Result};

/// How a p-value is simulated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct NullConfig {
    /// Simulated histories at most, 19 to a million: the least p-value is one over one more.
    pub draws: usize,
    /// Seed of the generator: the same history and seed give the same p-value.
    pub seed: u64,
}

impl Default for NullConfig {
    fn default() -> Self {
        Self { draws: 1999, seed: 1 }
    }
}

/// A history that looks like one without a change needs no exact p-value: from so many simulated
/// ones beyond it on their share is it.
pub(super) const ENOUGH: usize = 100;

impl NullConfig {
    /// The share of statistics drawn under the null that reach the observed one.
    ///
    /// `(1 + reached)/(1 + draws)`, or `reached/drawn` where a hundred were reached before: both are
    /// exact p-values (J. Besag and P. Clifford, Biometrika 78 (1991) 301-304).
    pub(super) fn p_value(
        &self,
        observed: f64,
        mut draw: impl FnMut(&mut ChaCha8Rng) -> f64,
    ) -> Result<f64> {
        let mut rng = self.generator()?;
        let bar = observed - 1e-12 * observed.abs();
        let mut reached = 0;
        for drawn in 1..=self.draws {
            reached += usize::from(draw(&mut rng) >= bar);
            if reached == ENOUGH {
                return Ok(ENOUGH as f64 / drawn as f64);
            }
        }
        Ok((1.0 + reached as f64) / (1.0 + self.draws as f64))
    }

    pub(super) fn generator(&self) -> Result<ChaCha8Rng> {
        if (19..=1_000_000).contains(&self.draws) {
            return Ok(ChaCha8Rng::seed_from_u64(self.seed));
        }
        let (what, value) = ("the number of simulated histories", self.draws as f64);
        Err(Error::BadValue { what, value, must: "from 19 to 1,000,000" })
    }
}

/// Normal numbers of the given standard deviations.
pub(super) fn fill(y: &mut [f64], sd: &[f64], rng: &mut ChaCha8Rng) {
    for (y, sd) in y.iter_mut().zip(sd) {
        let z: f64 = StandardNormal.sample(rng);
        *y = sd * z;
    }
}

/// The largest gain of likelihood over all places by a shift, beside a drift or not.
///
/// With stated uncertainties it is the logarithm of the likelihood ratio, the excess at its best in
/// either; without, the largest share of the squares that a shift explains.
pub(super) fn largest_gain(
    nodes: &[Node],
    places: &[usize],
    y: &[f64],
    beside_drift: bool,
    free: bool,
    sums: &mut Sums,
) -> f64 {
    let (mut without, mut with) =
        (Vec::with_capacity(nodes.len()), Vec::with_capacity(nodes.len()));
    for node in nodes {
        node.sums(y, places, sums);
        let slope = if beside_drift { sums.dy / node.dd } else { 0.0 };
        let q = sums.yy - slope * sums.dy;
        let mut gain = 0.0_f64;
        for ((&sy, &ss), &cross) in sums.sy.iter().zip(&node.ss).zip(&node.sd_cross) {
            let used = if beside_drift { cross / node.dd * cross } else { 0.0 };
            let rest = ss - used;
            if rest > 1e-9 * ss {
                let left = sy - slope * cross;
                gain = gain.max(left * left / rest);
            }
        }
        if free {
            return if q > 0.0 { gain / q } else { 0.0 };
        }
        without.push(0.5 * q - node.log_weights);
        with.push(0.5 * (q - gain) - node.log_weights);
    }
    least(&without) - least(&with)
}

/// p-value of the largest gain, for tests whose standard deviations under the null are `sd`.
pub(super) fn of_the_largest(
    nodes: &[Node],
    places: &[usize],
    history: &Ordered,
    sd: &[f64],
    (beside_drift, free): (bool, bool),
    config: &NullConfig,
) -> Result<(f64, f64)> {
    let mut sums = Sums::default();
    let observed = largest_gain(nodes, places, &history.y, beside_drift, free, &mut sums);
    let mut y = vec![0.0; sd.len()];
    let p_value = config.p_value(observed, |rng| {
        fill(&mut y, sd, rng);
        largest_gain(nodes, places, &y, beside_drift, free, &mut sums)
    })?;
    Ok((observed, p_value))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::RngExt;

    #[test]
    fn a_p_value_under_the_null_is_uniform() {
        let config = NullConfig { draws: 199, seed: 5 };
        let mut rng = config.generator().expect("valid");
        let runs = 2000;
        for level in [0.05, 0.2, 0.5] {
            let mut below = 0;
            for seed in 0..runs {
                let observed: f64 = rng.random();
                let config = NullConfig { seed, ..config };
                let p = config.p_value(observed, RngExt::random).expect("valid");
                below += usize::from(p <= level);
            }
            let share = below as f64 / runs as f64;
            let error = (level * (1.0 - level) / runs as f64).sqrt();
            assert!((share - level).abs() < 4.0 * error, "{level}: {share}");
        }
    }

    #[test]
    fn too_few_draws_are_refused() {
        for draws in [0, 18, 2_000_000] {
            let config = NullConfig { draws, seed: 1 };
            assert!(config.p_value(0.0, |_| 0.0).is_err());
        }
    }
}
