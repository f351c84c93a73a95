//! Run length of cumulative sums, and the limit for a wanted one.

use serde::{Deserialize, Serialize};
use statrs::distribution::{Continuous, ContinuousCDF};

use super::chain::{Chain, dot};
use super::cusum::CusumConfig;
use super::quadrature::{between, resolution};
use super::run_length::RunLength;
use crate::base::estimate::normal;
use crate::base::root::root;
use crate::base::{Error, Result};

/// Which sums a chart keeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sided {
    /// Both.
    #[default]
    Both,
    /// The upper one alone; the lower one alone is the same with the shift turned round.
    Upper,
}

/// Mean run length (average run length, ARL) of cumulative sums whose tests are shifted by `shift`
/// standard deviations of one test.
///
/// One sum, from `z` on: `ℓ(z) = 1 + ℓ(0) Φ(k − z − shift) + ∫₀^h ℓ(y) φ(y + k − z − shift) dy`,
/// by Gauss and Legendre's quadrature, started at `head_start h`. Both sums, from the head start
/// `s`: `(ℓ⁺(s)/ℓ⁺(0) + ℓ⁻(s)/ℓ⁻(0) − 1) / (1/ℓ⁺(0) + 1/ℓ⁻(0))`, which is exact while
/// `2 s ≤ h + 2 k`, since one sum is then 0 when the other signals.
///
/// Sources: E. S. Page, *Biometrika* 41 (1954) 100-115; K. W. Kemp, *J. R. Stat. Soc. B* 23 (1961)
/// 149-153; L. C. Vance, *J. Qual. Technol.* 18 (1986) 189-193; J. M. Lucas and R. B. Crosier,
/// *Technometrics* 24 (1982) 199-205.
///
/// # Errors
///
/// [`Error::BadValue`] for a bad option, a shift that is no number, `h` above 390, a head start too
/// large for both sums, or a run length beyond 1e150.
///
/// ```
/// use deadband::drift::charts::{CusumConfig, Sided, cusum_arl};
/// let config = CusumConfig { h: 4.0, ..CusumConfig::default() };
/// assert!((cusum_arl(&config, 0.0, Sided::Both)? - 168.0).abs() < 0.5); // Lucas and Crosier
/// assert!((cusum_arl(&config, 1.0, Sided::Both)? - 8.38).abs() < 0.005);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn cusum_arl(config: &CusumConfig, shift: f64, sided: Sided) -> Result<f64> {
    let n = check(config, shift)?;
    let start = config.head_start * config.h;
    let upper = Upper::new(n, config, shift).mean(start);
    if sided == Sided::Upper {
        return within_reach(upper.1, config);
    }
    if 2.0 * start > config.h + 2.0 * config.k {
        let must = "at most 1/2 + k/h where both sums are kept";
        return Err(Error::BadValue { what: "head_start", value: config.head_start, must });
    }
    let lower = if shift == 0.0 { upper } else { Upper::new(n, config, -shift).mean(start) };
    // The shorter of the two from 0 sets the scale; the other may be longer than any number.
    let (short, long) = if upper.0 <= lower.0 { (upper, lower) } else { (lower, upper) };
    let longer = if long.0.is_finite() { long.1 / long.0 } else { 1.0 };
    let headed = short.1 / short.0 + longer - 1.0;
    within_reach(headed * short.0 / (1.0 + short.0 / long.0), config)
}

/// Distribution of the run length of one upper sum; see [`cusum_arl`].
///
/// # Errors
///
/// As [`cusum_arl`].
///
/// ```
/// use deadband::drift::charts::{CusumConfig, cusum_run_length};
/// let run = cusum_run_length(&CusumConfig::default(), 1.0)?;
/// assert!(run.quantile(0.5)? <= run.mean() && run.mean() < run.quantile(0.9)?);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn cusum_run_length(config: &CusumConfig, shift: f64) -> Result<RunLength> {
    let n = check(config, shift)?;
    let upper = Upper::new(n, config, shift);
    let at = upper.moves(config.head_start * config.h);
    let run = upper.chain.run_length(vec![1.0, at.iter().sum()], at);
    within_reach(run.mean(), config).map(|_| run)
}

/// The limit `h` with which a chart in control runs for `wanted` tests on average.
///
/// `h` of the configuration is not used. See [`cusum_arl`].
///
/// # Errors
///
/// [`Error::BadValue`] for a bad option, or unless `wanted` is above the run length that an `h` of
/// almost 0 gives and at most 1e12.
///
/// ```
/// use deadband::drift::charts::{CusumConfig, Sided, cusum_limit};
/// let h = cusum_limit(&CusumConfig::default(), 465.0, Sided::Both)?;
/// assert!((h - 5.0).abs() < 0.01);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn cusum_limit(config: &CusumConfig, wanted: f64, sided: Sided) -> Result<f64> {
    let must = "above the run length without a limit, and at most 1e12";
    let refused = Error::BadValue { what: "wanted run length", value: wanted, must };
    if !(wanted > 1.0 && wanted <= 1e12) {
        return Err(refused);
    }
    let with = |h| CusumConfig { h, ..*config };
    let mut widest = 1.0;
    while cusum_arl(&with(widest), 0.0, sided)? < wanted {
        widest *= 2.0;
    }
    let off = |h: f64| cusum_arl(&with(h), 0.0, sided).map_or(f64::NAN, |arl| (arl / wanted).ln());
    root(off, 1e-6, widest).ok_or(refused)
}

/// One upper sum on nodes: at 0, and between 0 and the limit.
struct Upper {
    k: f64,
    shift: f64,
    nodes: Vec<f64>,
    weights: Vec<f64>,
    chain: Chain,
}

impl Upper {
    fn new(n: usize, config: &CusumConfig, shift: f64) -> Self {
        let (nodes, weights) = between(n, 0.0, config.h);
        let states = std::iter::once(0.0).chain(nodes.iter().copied());
        let row = |z| row(z, config.k, shift, &nodes, &weights);
        let moves = states.clone().flat_map(row).collect();
        let out = |z: f64| normal().sf(config.h + config.k - z - shift);
        let signal: Vec<f64> = states.map(out).collect();
        let chain = Chain::new(moves, &signal);
        Self { k: config.k, shift, nodes, weights, chain }
    }

    /// Where the next test takes a sum of `z`.
    fn moves(&self, z: f64) -> Vec<f64> {
        row(z, self.k, self.shift, &self.nodes, &self.weights)
    }

    /// Mean run lengths from 0 and from `start`.
    fn mean(&self, start: f64) -> (f64, f64) {
        let mean = self.chain.mean();
        let from = if start > 0.0 { 1.0 + dot(&self.moves(start), &mean) } else { mean[0] };
        (mean[0], from)
    }
}

fn row(z: f64, k: f64, shift: f64, nodes: &[f64], weights: &[f64]) -> Vec<f64> {
    let to_zero = normal().cdf(k - z - shift);
    let on = nodes.iter().zip(weights).map(|(y, w)| w * normal().pdf(y + k - z - shift));
    std::iter::once(to_zero).chain(on).collect()
}

/// The number of nodes that the chart takes.
fn check(config: &CusumConfig, shift: f64) -> Result<usize> {
    config.check()?;
    if !shift.is_finite() {
        return Err(Error::BadValue { what: "shift", value: shift, must: "a finite number" });
    }
    let must = "at most 390 for run lengths to be computed";
    resolution(config.h).ok_or(Error::BadValue { what: "h", value: config.h, must })
}

fn within_reach(arl: f64, config: &CusumConfig) -> Result<f64> {
    let must = "smaller for run lengths to be computed";
    let refused = Error::BadValue { what: "h", value: config.h, must };
    if arl.is_finite() && arl < 1e150 { Ok(arl.max(1.0)) } else { Err(refused) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drift::charts::{Process, cusum};
    use rand::prelude::*;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    #[test]
    fn wanted_run_lengths_are_met() {
        for (k, head_start, sided) in [
            (0.5, 0.0, Sided::Both),
            (0.5, 0.5, Sided::Both),
            (0.0, 0.0, Sided::Upper),
            (1.0, 0.9, Sided::Upper),
        ] {
            let config = CusumConfig { k, head_start, ..CusumConfig::default() };
            for wanted in [20.0, 370.0, 1e7] {
                if k == 0.0 && wanted > 1e4 {
                    continue;
                }
                let h = cusum_limit(&config, wanted, sided).unwrap();
                let arl = cusum_arl(&CusumConfig { h, ..config }, 0.0, sided).unwrap();
                assert!((arl / wanted - 1.0).abs() < 1e-9, "{config:?} {wanted}: {arl}");
            }
        }
        let default = cusum_limit(&CusumConfig::default(), 370.4, Sided::Both).unwrap();
        assert!((default - 4.77).abs() < 0.005);
    }

    #[test]
    fn the_distribution_has_the_mean() {
        for (shift, head_start) in [(0.0, 0.0), (0.0, 0.9), (1.0, 0.5), (4.0, 0.0)] {
            let config = CusumConfig { head_start, ..CusumConfig::default() };
            let run = cusum_run_length(&config, shift).unwrap();
            let followed: f64 = (0..200_000).map(|n| run.survival(n)).sum();
            let arl = cusum_arl(&config, shift, Sided::Upper).unwrap();
            assert!((followed / arl - 1.0).abs() < 1e-7 && (run.mean() / arl - 1.0).abs() < 1e-9);
        }
    }

    /// Against the chart itself, both sums with the largest head start that is allowed.
    #[test]
    fn the_mean_is_that_of_the_chart() {
        let config = CusumConfig { k: 0.4, h: 2.0, head_start: 0.65, ..CusumConfig::default() };
        let process = Process { target: 0.0, sd: 1.0 };
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let (runs, mut sum, mut squares) = (10_000, 0.0, 0.0);
        for _ in 0..runs {
            let values: Vec<f64> =
                (0..400).map(|_| 0.3 + rng.sample::<f64, _>(StandardNormal)).collect();
            let chart = cusum(&values, &[0.0; 400], &process, &config).unwrap();
            let length = chart.signals[0].index as f64 + 1.0;
            sum += length;
            squares += length * length;
        }
        let n = f64::from(runs);
        let (mean, arl) = (sum / n, cusum_arl(&config, 0.3, Sided::Both).unwrap());
        let u = ((squares / n - mean * mean) / n).sqrt();
        assert!((mean - arl).abs() < 4.0 * u, "{mean} ± {u}, {arl}");
    }

    #[test]
    fn what_cannot_be_computed_is_refused() {
        let good = CusumConfig::default();
        let bad = |config, shift| cusum_arl(&config, shift, Sided::Both).is_err();
        assert!(bad(CusumConfig { h: 1e4, ..good }, 0.0));
        assert!(bad(CusumConfig { k: 5.0, h: 40.0, ..good }, 0.0));
        assert!(bad(CusumConfig { k: 0.1, head_start: 0.9, ..good }, 0.0));
        assert!(bad(good, f64::INFINITY));
        for wanted in [f64::NAN, 0.5, 1.0, 1.5, 1e13] {
            assert!(cusum_limit(&good, wanted, Sided::Both).is_err(), "{wanted}");
        }
    }

    /// Shifts so large that one sum never signals and the other does at once.
    #[test]
    fn a_large_shift_signals_at_once() {
        for shift in [40.0, -40.0, 1e6] {
            let both = cusum_arl(&CusumConfig::default(), shift, Sided::Both);
            let close = both.as_ref().is_ok_and(|arl| (arl - 1.0).abs() < 1e-12);
            assert!(close, "{shift}: {both:?}");
        }
        assert!(cusum_arl(&CusumConfig::default(), -1e3, Sided::Upper).is_err());
    }
}
