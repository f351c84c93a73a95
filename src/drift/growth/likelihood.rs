//! Restricted and full likelihood of a fleet's growth, with exact derivatives.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Matrix2, Matrix4, Vector4};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::block::Block;
use super::data::{GrowthData, Switch};

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

/// Sums over all switches.
#[derive(Clone)]
struct Totals {
    log_det: f64,
    xx: DMatrix<f64>,
    xy: DVector<f64>,
    yy: f64,
    /// `X' V⁻¹ V̇ V⁻¹ X` and so on, for each component.
    by: [(DMatrix<f64>, DVector<f64>, f64); 4],
    traces: Vector4<f64>,
    /// `½ tr(V⁻¹ V̇ V⁻¹ V̇)`.
    information: Matrix4<f64>,
}

/// Parts that the switches are summed in: always the same ones, so that a sum is the same on any
/// number of threads.
const PARTS: usize = 16;

impl Totals {
    fn zero(columns: usize) -> Self {
        let (matrix, vector) = (DMatrix::zeros(columns, columns), DVector::zeros(columns));
        let by = std::array::from_fn(|_| (matrix.clone(), vector.clone(), 0.0));
        Self {
            log_det: 0.0,
            xx: matrix,
            xy: vector,
            yy: 0.0,
            by,
            traces: Vector4::zeros(),
            information: Matrix4::zeros(),
        }
    }

    fn of(data: &GrowthData, with: &Components) -> Option<Self> {
        let size = data.switches.len().div_ceil(PARTS);
        let parts: Vec<Option<Self>> = data
            .switches
            .par_chunks(size)
            .map(|switches| {
                let mut totals = Self::zero(data.columns);
                for switch in switches {
                    totals.add(switch, &Block::of(data, switch, with)?);
                }
                Some(totals)
            })
            .collect();
        let mut sum = Self::zero(data.columns);
        for part in parts {
            sum.join(&part?);
        }
        Some(sum)
    }

    fn join(&mut self, part: &Self) {
        self.log_det += part.log_det;
        self.xx += &part.xx;
        self.xy += &part.xy;
        self.yy += part.yy;
        for (own, other) in self.by.iter_mut().zip(&part.by) {
            own.0 += &other.0;
            own.1 += &other.1;
            own.2 += other.2;
        }
        self.traces += part.traces;
        self.information += part.information;
    }

    fn add(&mut self, switch: &Switch, block: &Block) {
        let (y, columns) = (switch.columns.len(), &switch.columns);
        let (first, second) = (&block.first, &block.second);
        self.log_det += block.log_det;
        self.yy += first.at(y, y);
        for (i, &row) in columns.iter().enumerate() {
            self.xy[row] += first.at(i, y);
            self.by[3].1[row] += second.at(i, y);
            // U' V⁻¹ Z for intercept and time.
            let [one, two] = [first.at(i, 0), first.at(i, 1)];
            let values = [first.at(y, 0), first.at(y, 1)];
            self.by[0].1[row] += one * values[0];
            self.by[1].1[row] += one * values[1] + two * values[0];
            self.by[2].1[row] += two * values[1];
            for (j, &column) in columns.iter().enumerate() {
                let other = [first.at(j, 0), first.at(j, 1)];
                self.xx[(row, column)] += first.at(i, j);
                self.by[3].0[(row, column)] += second.at(i, j);
                self.by[0].0[(row, column)] += one * other[0];
                self.by[1].0[(row, column)] += one * other[1] + two * other[0];
                self.by[2].0[(row, column)] += two * other[1];
            }
        }
        let values = [first.at(y, 0), first.at(y, 1)];
        self.by[0].2 += values[0] * values[0];
        self.by[1].2 += 2.0 * values[0] * values[1];
        self.by[2].2 += values[1] * values[1];
        self.by[3].2 += second.at(y, y);
        let (b, d) = (first.corner(), second.corner());
        for (k, by) in BY_BETWEEN.iter().enumerate() {
            self.traces[k] += (by * b).trace();
            for (l, other) in BY_BETWEEN.iter().enumerate() {
                self.information[(k, l)] += 0.5 * (by * b * other * b).trace();
            }
            let with_excess = 0.5 * (by * d).trace();
            self.information[(k, 3)] += with_excess;
            self.information[(3, k)] += with_excess;
        }
        self.traces[3] += block.traces.0;
        self.information[(3, 3)] += 0.5 * block.traces.1;
    }
}

/// The likelihood at given components.
pub(super) struct Likelihood {
    /// Its logarithm.
    pub(super) log: f64,
    /// By level, covariance, slope and excess.
    pub(super) gradient: Vector4<f64>,
    /// Expected information about the components, as if the fixed effects were known.
    pub(super) information: Matrix4<f64>,
    pub(super) beta: DVector<f64>,
    /// Covariance of `beta`.
    pub(super) covariance: DMatrix<f64>,
    /// `X' V⁻¹ V̇ V⁻¹ X` for each component.
    pub(super) by: [DMatrix<f64>; 4],
}

impl Likelihood {
    /// `None` where the variances are no variances or the fixed effects cannot be told apart.
    pub(super) fn of(data: &GrowthData, with: &Components, restricted: bool) -> Option<Self> {
        let Totals { log_det, xx, xy, yy, by, traces, information } = Totals::of(data, with)?;
        let cholesky = well_conditioned(xx)?;
        let beta = cholesky.solve(&xy);
        let covariance = cholesky.inverse();
        let columns = if restricted { data.columns } else { 0 };
        let terms = (data.tests() - columns) as f64;
        let squares = yy - beta.dot(&xy);
        let log_det_fixed: f64 = if restricted {
            cholesky.l_dirty().diagonal().iter().map(|entry| 2.0 * entry.ln()).sum()
        } else {
            0.0
        };
        let log = -0.5 * (log_det + log_det_fixed + squares + terms * std::f64::consts::TAU.ln());
        let gradient = Vector4::from_fn(|k, _| {
            let (h, hy, hyy) = &by[k];
            let fitted = hyy - 2.0 * beta.dot(hy) + beta.dot(&(h * &beta));
            let fixed = if restricted { covariance.component_mul(h).sum() } else { 0.0 };
            -0.5 * (traces[k] - fixed - fitted)
        });
        let by = by.map(|(h, _, _)| h);
        log.is_finite().then_some(Self { log, gradient, information, beta, covariance, by })
    }
}

/// The factor of normal equations whose columns, scaled to one length, can be told apart.
fn well_conditioned(xx: DMatrix<f64>) -> Option<Cholesky<f64, Dyn>> {
    const DEPENDENT: f64 = 1e-10;
    let diagonal = xx.diagonal();
    let cholesky = Cholesky::new(xx)?;
    let left = cholesky.l_dirty().diagonal();
    let apart = left.iter().zip(diagonal.iter()).all(|(left, own)| left * left > DEPENDENT * own);
    apart.then_some(cholesky)
}
