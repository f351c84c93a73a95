//! Run length of cumulative sums, and the limit for a wanted one.

use serde::{Deserialize, Serialize};
use statrs::distribution::{Continuous, ContinuousCDF};

use super::chain::{Chain, dot};
use super::cusum::CusumConfig;
use super::quadrature::between;
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

/// Largest `h` whose run lengths are computed: a second's work.
const LARGEST_H: f64 = 250.0;

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
/// [`Error::BadValue`] for a bad option, a shift that is no number, `h` above 250, a head start too
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
    check(config, shift)?;
    let start = config.head_start * config.h;
    let upper = Upper::new(config, shift).mean(start);
    if sided == Sided::Upper {
        return within_reach(upper.1, config);
    }
    if 2.0 * start > config.h + 2.0 * config.k {
        let must = "at most 1/2 + k/h where both sums are kept";
        return Err(Error::BadValue { what: "head_start", value: config.head_start, must });
    }
    let lower = if shift == 0.0 { upper } else { Upper::new(config, -shift).mean(start) };
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
    check(config, shift)?;
    let upper = Upper::new(config, shift);
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
    fn new(config: &CusumConfig, shift: f64) -> Self {
        // Half a standard deviation between the nodes in the middle resolves the normal density.
        let n = (3.3 * config.h + 20.0) as usize;
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

fn check(config: &CusumConfig, shift: f64) -> Result<()> {
    config.check()?;
    if !shift.is_finite() {
        return Err(Error::BadValue { what: "shift", value: shift, must: "a finite number" });
    }
    if config.h > LARGEST_H {
        let must = "at most 250 for run lengths to be computed";
        return Err(Error::BadValue { what: "h", value: config.h, must });
    }
    Ok(())
}

fn within_reach(arl: f64, config: &CusumConfig) -> Result<f64> {
    let must = "smaller for run lengths to be computed";
    let refused = Error::BadValue { what: "h", value: config.h, must };
    if arl.is_finite() && arl < 1e150 { Ok(arl.max(1.0)) } else { Err(refused) }
}
