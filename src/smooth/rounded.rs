//! What a display's rounding leaves of the readings of a stroke.

use super::relaxation::Relaxation;
use super::weighted::{Stroke, block};

/// Correlation below which readings of a run count as independent.
const NEGLIGIBLE: f64 = 0.05;

/// The readings of a display of the given step about a first `fit` to them; `None` where their
/// noise dithers the rounding.
///
/// Readings that stand on one step of the display share one rounding error, of variance
/// `c = (a²/12) exp(−4π²σ²/a²)` at a step `a` and noise `σ` before rounding; alone each has the
/// variance `v = σ² + a²/12`. The mean of a run of `m` equal readings has the variance
/// `(v + (m − 1) c)/m`, and each of them counts `1/(1 + (m − 1) c/v)`.
///
/// Source: B. Widrow and I. Kollár, *Quantization Noise* (2008), the first harmonic scaled so that
/// the limit without noise is exact (from memory).
pub(super) fn rounded(time: &[f64], y: &[f64], step: f64, fit: &Relaxation) -> Option<Stroke> {
    let squares: f64 = time.iter().zip(y).map(|(&t, y)| (y - fit.shown(t)).powi(2)).sum();
    let rounding = step * step / 12.0;
    let spread = squares / time.len().saturating_sub(4).max(1) as f64;
    let ratio = (spread - rounding).max(0.0) / (step * step);
    let common = rounding * (-4.0 * std::f64::consts::PI.powi(2) * ratio).exp();
    let correlation = common / spread.max(rounding);
    if correlation < NEGLIGIBLE {
        return None;
    }
    let runs = y.chunk_by(|one, next| one == next);
    let weights: Vec<f64> = runs
        .flat_map(|run| {
            let weight = 1.0 / (1.0 + (run.len() - 1) as f64 * correlation);
            std::iter::repeat_n(weight, run.len())
        })
        .collect();
    let block = block(time.len());
    let blocks = || weights.chunks(block);
    let sums: Vec<f64> = blocks().map(|of| of.iter().sum()).collect();
    let means = |of: &[f64]| -> Vec<f64> {
        let weighted = |(of, weights): (&[f64], &[f64])| -> f64 {
            of.iter().zip(weights).map(|(value, weight)| value * weight).sum()
        };
        of.chunks(block).zip(blocks()).map(weighted).zip(&sums).map(|(s, w)| s / w).collect()
    };
    let (time, y) = (means(time), means(y));
    Some(Stroke { time, y, weight: Some(sums), floor: rounding })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A fall between two levels, with a deterministic jitter, on a display of the given step.
    fn shown(jitter: f64, step: f64) -> (Vec<f64>, Vec<f64>) {
        let time: Vec<f64> = (0..60).map(|i| 0.1 * f64::from(i)).collect();
        let fall = |t: f64| if t < 2.0 { 90.4 } else { 90.4 * (-(t - 2.0) / 0.4).exp() };
        let noisy = |(i, t): (usize, &f64)| fall(*t) + jitter * (1e4 * (i * i) as f64).sin();
        let round = |p: f64| (p / step).round() * step;
        let y = time.iter().enumerate().map(noisy).map(round).collect();
        (time, y)
    }

    #[test]
    fn a_level_that_stands_on_one_step_counts_as_one_reading() {
        let (time, y) = shown(0.0, 2.5);
        let fit = Relaxation::fit(&time, &y, 0.0, 0.0).expect("a fall");
        let stroke = rounded(&time, &y, 2.5, &fit).expect("no noise");
        let weight = stroke.weight.as_ref().expect("weights");
        assert!((weight[..21].iter().sum::<f64>() - 1.0).abs() < 1e-9, "{weight:?}");
        assert!((weight[23] - 1.0).abs() < 1e-12);
        assert!(stroke.count() < 20.0);
    }

    #[test]
    fn a_dithered_display_is_left_as_it_is() {
        let (time, y) = shown(2.0, 2.5);
        let fit = Relaxation::fit(&time, &y, 0.0, 0.0).expect("a fall");
        assert!(rounded(&time, &y, 2.5, &fit).is_none());
    }
}
