//! What the likelihood needs of all switches.

use nalgebra::{DMatrix, DVector, Matrix4, Vector4};
use rayon::prelude::*;

use super::block::Block;
use super::components::{BY_BETWEEN, Components};
use super::data::{GrowthData, Switch};

/// Sums over all switches.
#[derive(Clone)]
pub(super) struct Totals {
    pub(super) log_det: f64,
    /// `X' V⁻¹ X`; of shared errors with the inverse of their prior covariance, one.
    pub(super) xx: DMatrix<f64>,
    pub(super) xy: DVector<f64>,
    pub(super) yy: f64,
    /// `X' V⁻¹ V̇ V⁻¹ X` and so on, for each component.
    pub(super) by: [(DMatrix<f64>, DVector<f64>, f64); 4],
    pub(super) traces: Vector4<f64>,
    /// `½ tr(V⁻¹ V̇ V⁻¹ V̇)`.
    pub(super) information: Matrix4<f64>,
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

    pub(super) fn of(data: &GrowthData, with: &Components) -> Option<Self> {
        let size = data.switches.len().div_ceil(PARTS);
        let parts: Vec<Option<Self>> = data
            .switches
            .par_chunks(size)
            .map(|switches| {
                let mut totals = Self::zero(data.all_columns());
                for switch in switches {
                    totals.add(switch, &Block::of(data, switch, with)?);
                }
                Some(totals)
            })
            .collect();
        let mut sum = Self::zero(data.all_columns());
        for part in parts {
            sum.join(&part?);
        }
        sum.xx.fill_lower_triangle_with_upper_triangle();
        for (matrix, ..) in &mut sum.by {
            matrix.fill_lower_triangle_with_upper_triangle();
        }
        for error in data.columns..data.all_columns() {
            sum.xx[(error, error)] += 1.0;
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
            // The others are these mirrored.
            for (j, &column) in columns.iter().enumerate().skip(i) {
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
