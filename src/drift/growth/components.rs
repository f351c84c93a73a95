//! Variances between switches and tests.

use nalgebra::{Matrix2, Vector4};
use serde::{Deserialize, Serialize};

/// What is estimated beside the fixed effects.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Components {
    /// Variance of the switches' levels at the origin of time, Pa².
    pub level: f64,
    /// Covariance of level and slope, Pa²/year.
    pub covariance: f64,
    /// Variance of the slopes, Pa²/year².
    pub slope: f64,
    /// Variance between tests beyond their own uncertainties, Pa².
    pub excess: f64,
}

impl Components {
    pub(super) fn between(&self) -> Matrix2<f64> {
        Matrix2::new(self.level, self.covariance, self.covariance, self.slope)
    }

    pub(super) const fn as_vector(&self) -> Vector4<f64> {
        Vector4::new(self.level, self.covariance, self.slope, self.excess)
    }

    pub(super) const fn from_vector(v: Vector4<f64>) -> Self {
        let [[level, covariance, slope, excess]] = v.data.0;
        Self { level, covariance, slope, excess }
    }
}

/// The derivative of `(a, b)`'s covariance by each of its components.
pub(super) const BY_BETWEEN: [Matrix2<f64>; 3] = [
    Matrix2::new(1.0, 0.0, 0.0, 0.0),
    Matrix2::new(0.0, 1.0, 1.0, 0.0),
    Matrix2::new(0.0, 0.0, 0.0, 1.0),
];
