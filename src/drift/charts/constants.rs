//! Constants of ranges and standard deviations of normal samples, by integration.

use statrs::distribution::{Continuous, ContinuousCDF};
use statrs::function::gamma::ln_gamma;

use super::quadrature::between;
use crate::base::estimate::normal;
use crate::base::{Error, Result};

/// Largest sample whose constants are computed.
pub const LARGEST_SAMPLE: usize = 1000;

/// Step of the trapezoid rule on the whole line; its error is far below the last digit.
const STEP: f64 = 0.05;

/// Where a normal density no longer counts.
const FAR: f64 = 9.0;

/// Mean of the range of `n` standard normal values: `d₂ = ∫ 1 − Φ(x)ⁿ − (1 − Φ(x))ⁿ dx`.
///
/// A mean range over `d₂` estimates the standard deviation. No unit.
///
/// Source: L. H. C. Tippett, *Biometrika* 17 (1925) 364-387.
///
/// # Errors
///
/// [`Error::BadValue`] unless `n` is 2 to [`LARGEST_SAMPLE`].
///
/// ```
/// use deadband::drift::charts::d2;
/// assert!((d2(2)? - 2.0 / std::f64::consts::PI.sqrt()).abs() < 1e-14);
/// assert!((d2(5)? - 2.326).abs() < 5e-4);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn d2(n: usize) -> Result<f64> {
    let power = size(n)?;
    let outside = |x: f64| {
        let (below, above) = (normal().cdf(x), normal().sf(x));
        1.0 - below.powi(power) - above.powi(power)
    };
    Ok(trapezoid(outside))
}

/// Standard deviation of the range of `n` standard normal values.
///
/// `d₃² = 2 ∫ t P(R > t) dt − d₂²` with
/// `P(R ≤ t) = n ∫ φ(x) (Φ(x + t) − Φ(x))ⁿ⁻¹ dx`. No unit.
///
/// Source: H. L. Harter, *Annals of Mathematical Statistics* 31 (1960) 1122-1147.
///
/// # Errors
///
/// As [`d2`].
///
/// ```
/// assert!((deadband::drift::charts::d3(5)? - 0.864).abs() < 5e-4);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn d3(n: usize) -> Result<f64> {
    let (power, mean) = (size(n)?, d2(n)?);
    let longer = |t: f64| {
        let inside = |x: f64| {
            // Both tails keep their digits where one of them is taken from its own side.
            let gap = if x > 0.0 {
                normal().sf(x) - normal().sf(x + t)
            } else {
                normal().cdf(x + t) - normal().cdf(x)
            };
            normal().pdf(x) * gap.powi(power - 1)
        };
        1.0 - f64::from(power) * trapezoid(inside)
    };
    let (nodes, weights) = between(60, 0.0, 2.0 * FAR);
    let square: f64 = nodes.iter().zip(&weights).map(|(&t, w)| 2.0 * w * t * longer(t)).sum();
    Ok((square - mean * mean).sqrt())
}

/// Mean of the standard deviation of `n` standard normal values:
/// `c₄ = √(2/(n−1)) Γ(n/2) / Γ((n−1)/2)`.
///
/// A standard deviation over `c₄` is free of bias. No unit. Beyond 300 values it comes from the
/// series of the ratio in `1/(n−1)`, whose error is below 1e-13.
///
/// Source: W. A. Shewhart, *Economic Control of Quality of Manufactured Product* (1931); the series:
/// M. Abramowitz and I. Stegun, *Handbook of Mathematical Functions* (1964), 6.1.37.
///
/// # Errors
///
/// [`Error::BadValue`] where `n` is below 2.
///
/// ```
/// assert!((deadband::drift::charts::c4(5)? - 0.9400).abs() < 5e-5);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn c4(n: usize) -> Result<f64> {
    if n < 2 {
        return Err(Error::BadValue { what: "sample size", value: n as f64, must: "2 or more" });
    }
    let x = n as f64 - 1.0;
    if n <= 300 {
        return Ok((2.0 / x).sqrt() * (ln_gamma(f64::midpoint(x, 1.0)) - ln_gamma(x / 2.0)).exp());
    }
    let y = 1.0 / x;
    Ok(1.0 - y * (0.25 - y * (1.0 / 32.0 + y * (5.0 / 128.0 - y * 21.0 / 2048.0))))
}

fn size(n: usize) -> Result<i32> {
    match i32::try_from(n) {
        Ok(power) if (2..=LARGEST_SAMPLE).contains(&n) => Ok(power),
        _ => Err(Error::BadValue { what: "sample size", value: n as f64, must: "2 to 1000" }),
    }
}

/// Integral of a function that is smooth and vanishes far out.
fn trapezoid(f: impl Fn(f64) -> f64) -> f64 {
    let last = (FAR / STEP).round() as i32;
    STEP * (-last..=last).map(|i| f(f64::from(i) * STEP)).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// Closed forms: n = 2, where the range is |x₁ − x₂|, and d₂(3) = 3/√π.
    #[test]
    fn closed_forms() {
        assert!((d2(2).unwrap() - 2.0 / PI.sqrt()).abs() < 1e-14);
        assert!((d2(3).unwrap() - 3.0 / PI.sqrt()).abs() < 1e-14);
        assert!((d3(2).unwrap() - (2.0 - 4.0 / PI).sqrt()).abs() < 1e-13);
        assert!((c4(2).unwrap() - (2.0 / PI).sqrt()).abs() < 1e-14);
    }

    #[test]
    fn the_series_joins_the_gamma_functions() {
        let exact = |n: f64| {
            (2.0 / (n - 1.0)).sqrt() * (ln_gamma(n / 2.0) - ln_gamma((n - 1.0) / 2.0)).exp()
        };
        assert!((c4(301).unwrap() - exact(301.0)).abs() < 1e-12);
        assert!((c4(300).unwrap() - exact(300.0)).abs() < 1e-15);
        assert!(c4(usize::MAX).unwrap() <= 1.0);
    }

    #[test]
    fn ranges_grow_and_steady_with_the_sample() {
        let mut before = (0.0, f64::INFINITY);
        for n in [3, 10, 100, LARGEST_SAMPLE] {
            let (mean, sd) = (d2(n).unwrap(), d3(n).unwrap());
            assert!(mean > before.0 && sd < before.1, "{n}");
            before = (mean, sd);
        }
        for n in [0, 1, LARGEST_SAMPLE + 1, usize::MAX] {
            assert!(d2(n).is_err() && d3(n).is_err(), "{n}");
        }
        assert!(c4(1).is_err() && c4(0).is_err());
    }
}
