//! What the tests of one switch add to the likelihood and its derivatives.
//!
//! With `U = [X C y]`, `C` what tests share, `W = 1/(u² + σ²)` on the diagonal and `Z` the first two columns of `X`,
//!
//! ```text
//! V⁻¹ = W − W Z Q Z' W,   Q = G (I + A G)⁻¹,   A = Z' W Z,   ln|V| = ln|W⁻¹| + ln|I + A G|.
//! ```

use nalgebra::Matrix2;

use super::components::Components;
use super::data::{GrowthData, Switch};

/// A small symmetric matrix over the columns of a switch and its values, row by row.
pub(super) struct Square {
    size: usize,
    entries: Vec<f64>,
}

impl Square {
    fn zero(size: usize) -> Self {
        Self { size, entries: vec![0.0; size * size] }
    }

    pub(super) fn at(&self, row: usize, column: usize) -> f64 {
        self.entries[row * self.size + column]
    }

    /// The part of intercept and time.
    pub(super) fn corner(&self) -> Matrix2<f64> {
        Matrix2::new(self.at(0, 0), self.at(0, 1), self.at(1, 0), self.at(1, 1))
    }
}

/// Sums over the tests of a switch.
pub(super) struct Block {
    /// `ln|V|`.
    pub(super) log_det: f64,
    /// `U' V⁻¹ U`; its last row and column are the values'.
    pub(super) first: Square,
    /// `U' V⁻² U`.
    pub(super) second: Square,
    /// `tr V⁻¹` and `tr V⁻²`.
    pub(super) traces: (f64, f64),
    /// `Q`: what is left of `G` beside the tests, `Var((a, b) | y)` at known `β`.
    pub(super) left: Matrix2<f64>,
}

impl Block {
    /// `None` where the variance of a test is not positive or `I + A G` is singular.
    pub(super) fn of(data: &GrowthData, switch: &Switch, with: &Components) -> Option<Self> {
        let columns = switch.columns.len();
        let size = columns + 1;
        let (mut w1, mut w2) = (Square::zero(size), Square::zero(size));
        let mut w3 = Matrix2::zeros();
        let (mut log_det, mut trace, mut trace_squares) = (0.0, 0.0, 0.0);
        let mut row = vec![0.0; size];
        for (test, x) in switch.tests.clone().zip(switch.rows.chunks_exact(columns)) {
            let variance = data.variance[test] + with.excess;
            if variance.is_nan() || variance <= 0.0 {
                return None;
            }
            let w = 1.0 / variance;
            log_det += variance.ln();
            (trace, trace_squares) = (trace + w, trace_squares + w * w);
            row[..columns].copy_from_slice(x);
            row[columns] = data.value[test];
            for i in 0..size {
                let weighted = w * row[i];
                if weighted == 0.0 {
                    continue; // most gauges have no part in a test
                }
                for (j, value) in row.iter().enumerate().skip(i) {
                    let product = weighted * value;
                    w1.entries[i * size + j] += product;
                    w2.entries[i * size + j] += w * product;
                }
            }
            let (one, t) = (w * w * w, x[1]);
            w3 += Matrix2::new(one, one * t, one * t, one * t * t);
        }
        mirror(&mut w1);
        mirror(&mut w2);
        let (a, a2) = (w1.corner(), w2.corner());
        let widened = Matrix2::identity() + a * with.between();
        let determinant = widened.determinant();
        if determinant.is_nan() || determinant <= 0.0 {
            return None;
        }
        let q = with.between() * widened.try_inverse()?;
        let left = (q + q.transpose()) / 2.0;
        let (first, second) = through(&w1, &w2, left);
        let qa2 = left * a2;
        let traces =
            (trace - qa2.trace(), trace_squares - 2.0 * (left * w3).trace() + (qa2 * qa2).trace());
        Some(Self { log_det: log_det + determinant.ln(), first, second, traces, left })
    }
}

/// `U' V⁻¹ U` and `U' V⁻² U` from the sums weighted once and twice.
fn through(w1: &Square, w2: &Square, q: Matrix2<f64>) -> (Square, Square) {
    let size = w1.size;
    let (mut first, mut second) = (Square::zero(size), Square::zero(size));
    let a2 = w2.corner();
    // Q Z' W U and what V⁻² needs of it.
    let each: Vec<[f64; 2]> = (0..size).map(|j| times(q, [w1.at(0, j), w1.at(1, j)])).collect();
    let twice: Vec<[f64; 2]> = each.iter().map(|own| times(a2, *own)).collect();
    for i in 0..size {
        for j in i..size {
            let dot = |left: [f64; 2], right: [f64; 2]| left[0] * right[0] + left[1] * right[1];
            let (one, two) = ([w1.at(0, i), w1.at(1, i)], [w2.at(0, i), w2.at(1, i)]);
            let other = [w2.at(0, j), w2.at(1, j)];
            first.entries[i * size + j] = w1.at(i, j) - dot(one, each[j]);
            second.entries[i * size + j] =
                w2.at(i, j) - dot(two, each[j]) - dot(other, each[i]) + dot(each[i], twice[j]);
        }
    }
    mirror(&mut first);
    mirror(&mut second);
    (first, second)
}

fn times(matrix: Matrix2<f64>, by: [f64; 2]) -> [f64; 2] {
    [matrix.m11 * by[0] + matrix.m12 * by[1], matrix.m21 * by[0] + matrix.m22 * by[1]]
}

fn mirror(square: &mut Square) {
    for i in 0..square.size {
        for j in 0..i {
            square.entries[i * square.size + j] = square.entries[j * square.size + i];
        }
    }
}
