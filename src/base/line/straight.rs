//! Straight line through observations whose covariance is known: generalised least squares.

use super::covariance::{Covariance, Precision};

/// Generalised least squares of `y = level + slope (x - centre)`.
///
/// With `W` the inverse covariance and `centre = 1'Wx / 1'W1`, level and slope are uncorrelated:
/// `level = 1'Wy / 1'W1`, `slope = d'Wy / d'Wd` with `d = x - centre`, and their variances are one
/// over the two denominators (A. C. Aitken, Proc. R. Soc. Edinburgh 55 (1935) 42-48).
#[derive(Debug, Clone)]
pub(crate) struct Straight {
    pub(crate) centre: f64,
    pub(crate) level: f64,
    pub(crate) slope: f64,
    pub(crate) level_var: f64,
    pub(crate) slope_var: f64,
    /// The parts of the two variances that the observations' own errors make.
    pub(crate) level_own: f64,
    pub(crate) slope_own: f64,
    /// `Q = r'Wr`, the weighted sum of squared residuals.
    pub(crate) q: f64,
    /// `r'WWr`, minus the derivative of `q` by the excess variance.
    pub(crate) q_slope: f64,
    pub(crate) residuals: Vec<f64>,
    /// `Wr`.
    pub(crate) weighted: Vec<f64>,
    w_one: Vec<f64>,
    w_x: Vec<f64>,
    /// `x - centre`.
    pub(crate) distance: Vec<f64>,
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn mean(values: &[f64]) -> f64 {
    let first = values.iter().sum::<f64>() / values.len() as f64;
    // A second pass takes out what rounding left in the first.
    first + values.iter().map(|v| v - first).sum::<f64>() / values.len() as f64
}

impl Straight {
    /// `None` when the abscissae do not differ or a weight is no number.
    pub(crate) fn new(x: &[f64], y: &[f64], precision: &Precision<'_>) -> Option<Self> {
        let (x_mean, y_mean) = (mean(x), mean(y));
        let y: Vec<f64> = y.iter().map(|y| y - y_mean).collect();
        let ones = vec![1.0; x.len()];
        let w_one = precision.apply(&ones);
        let total: f64 = w_one.iter().sum();
        let shift = w_one.iter().zip(x).map(|(w, x)| w * (x - x_mean)).sum::<f64>() / total;
        let distance: Vec<f64> = x.iter().map(|x| (x - x_mean) - shift).collect();
        let w_x = precision.apply(&distance);
        let spread = dot(&distance, &w_x);
        if !(total > 0.0 && total.is_finite() && spread > 0.0 && spread.is_finite()) {
            return None;
        }
        let level = dot(&w_one, &y) / total;
        let slope = dot(&w_x, &y) / spread;
        let residuals: Vec<f64> =
            y.iter().zip(&distance).map(|(y, d)| y - level - slope * d).collect();
        let weighted = precision.apply(&residuals);
        let own = |w: &[f64], scale: f64| {
            if !precision.has_common() {
                return 1.0 / scale;
            }
            let sum = w.iter().zip(precision.weights()).map(|(a, w)| a * a / w).sum::<f64>();
            sum / (scale * scale)
        };
        Some(Self {
            centre: x_mean + shift,
            level: y_mean + level,
            slope,
            level_var: 1.0 / total,
            slope_var: 1.0 / spread,
            level_own: own(&w_one, total),
            slope_own: own(&w_x, spread),
            q: dot(&residuals, &weighted),
            q_slope: dot(&weighted, &weighted),
            residuals,
            weighted,
            w_one,
            w_x,
            distance,
        })
    }

    /// The line with `excess` added to every own variance.
    pub(crate) fn at<'a>(
        x: &[f64],
        y: &[f64],
        covariance: &'a Covariance,
        excess: f64,
    ) -> Option<(Self, Precision<'a>)> {
        let precision = covariance.precision(excess)?;
        let fit = Self::new(x, y, &precision)?;
        Some((fit, precision))
    }

    /// Diagonal of `P = W - W X (X'WX)⁻¹ X'W`.
    pub(crate) fn projection(&self, precision: &Precision<'_>) -> Vec<f64> {
        let mut diagonal = precision.diagonal();
        for ((p, one), x) in diagonal.iter_mut().zip(&self.w_one).zip(&self.w_x) {
            *p -= one * one * self.level_var + x * x * self.slope_var;
        }
        diagonal
    }

    /// How much each observation pulls the line at its own place: the diagonal of the hat matrix.
    pub(crate) fn leverage(&self) -> Vec<f64> {
        let pulls = self.w_one.iter().zip(&self.w_x).zip(&self.distance);
        pulls.map(|((one, x), d)| one * self.level_var + d * x * self.slope_var).collect()
    }

    /// Restricted log likelihood, up to a constant that no excess changes.
    pub(crate) fn restricted_likelihood(&self, precision: &Precision<'_>) -> f64 {
        -0.5 * (precision.log_det() - self.level_var.ln() - self.slope_var.ln() + self.q)
    }

    /// Derivative of twice the restricted log likelihood by the excess variance.
    pub(crate) fn score(&self, precision: &Precision<'_>) -> f64 {
        self.q_slope - self.projection(precision).iter().sum::<f64>()
    }
}
