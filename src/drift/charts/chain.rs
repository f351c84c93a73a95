//! A chart between two signals as a chain on the nodes of a quadrature.

use super::run_length::RunLength;

/// Moves among the nodes, and the probability of a signal from each.
///
/// The equation of the mean run length, `L(z) = 1 + ∫ L(y) k(z, y) dy`, on the nodes of a quadrature
/// (Nyström). It is solved without a subtraction (W. K. Grassmann, M. I. Taksar and D. P. Heyman,
/// *Operations Research* 33 (1985) 1107-1116), from the moves between different nodes and the
/// probabilities of a signal alone, so that run lengths of any size keep their digits.
pub(super) struct Chain {
    n: usize,
    /// Probability of a move from row to column; the diagonal is what the others leave.
    moves: Vec<f64>,
    /// Above the diagonal what flows into an eliminated node, below it what flows out.
    reduced: Vec<f64>,
    /// Probability of leaving a node for those not yet eliminated or for a signal.
    leaving: Vec<f64>,
}

impl Chain {
    /// `moves` row by row, the diagonal ignored; `signal` from each node.
    pub(super) fn new(mut moves: Vec<f64>, signal: &[f64]) -> Self {
        let n = signal.len();
        for (i, out) in signal.iter().enumerate() {
            let row = &mut moves[i * n..(i + 1) * n];
            row[i] = 0.0;
            row[i] = (1.0 - out - row.iter().sum::<f64>()).max(0.0);
        }
        let (mut a, mut out) = (moves.clone(), signal.to_vec());
        let mut leaving = vec![0.0; n];
        for k in (0..n).rev() {
            let (above, rest) = a.split_at_mut(k * n);
            let last = &rest[..k];
            leaving[k] = out[k] + last.iter().sum::<f64>();
            for (i, row) in above.chunks_exact_mut(n).enumerate() {
                let share = row[k] / leaving[k];
                out[i] += share * out[k];
                for (j, (cell, onward)) in row.iter_mut().zip(last).enumerate() {
                    if i != j {
                        *cell += share * onward;
                    }
                }
            }
        }
        Self { n, moves, reduced: a, leaving }
    }

    /// Mean number of tests up to and with the signal, from each node.
    pub(super) fn mean(&self) -> Vec<f64> {
        let (n, mut x) = (self.n, vec![1.0; self.n]);
        for k in (0..n).rev() {
            let (head, tail) = x.split_at_mut(k);
            for (i, value) in head.iter_mut().enumerate() {
                *value += self.reduced[i * n + k] / self.leaving[k] * tail[0];
            }
        }
        for k in 0..n {
            let row = &self.reduced[k * n..k * n + k];
            x[k] = (x[k] + dot(row, &x[..k])) / self.leaving[k];
        }
        x
    }

    /// Mean number of visits to each node before a signal, from a start spread over the nodes.
    fn visits(&self, start: &[f64]) -> Vec<f64> {
        let (n, mut x) = (self.n, start.to_vec());
        for k in (0..n).rev() {
            let share = x[k] / self.leaving[k];
            let row = &self.reduced[k * n..k * n + k];
            x.iter_mut().zip(row).for_each(|(value, onward)| *value += share * onward);
        }
        for k in 0..n {
            let into: f64 = (0..k).map(|i| x[i] * self.reduced[i * n + k]).sum();
            x[k] = (x[k] + into) / self.leaving[k];
        }
        x
    }

    /// Where a chart stands that has run for long without a signal, and the probability that its
    /// next test gives one: the left eigenvector of the moves, by inverse iteration.
    pub(super) fn steady(&self) -> (Vec<f64>, f64) {
        let mut shape = vec![1.0 / self.n as f64; self.n];
        let mut hazard = 1.0;
        for _ in 0..500 {
            let mut next = self.visits(&shape);
            let total: f64 = next.iter().sum();
            for x in &mut next {
                *x /= total;
            }
            let moved: f64 = next.iter().zip(&shape).map(|(a, b)| (a - b).abs()).sum();
            (shape, hazard) = (next, 1.0 / total);
            if moved < 1e-14 {
                break;
            }
        }
        (shape, hazard)
    }

    fn step(&self, from: &[f64]) -> Vec<f64> {
        let mut to = vec![0.0; self.n];
        for (weight, row) in from.iter().zip(self.moves.chunks_exact(self.n)) {
            to.iter_mut().zip(row).for_each(|(x, move_)| *x += weight * move_);
        }
        to
    }

    /// The run length of a chart whose survival is known up to now, and where it stands.
    pub(super) fn run_length(&self, mut survival: Vec<f64>, mut at: Vec<f64>) -> RunLength {
        let (shape, hazard) = self.steady();
        let before: f64 = survival[..survival.len() - 1].iter().sum();
        let mean = before + dot(&at, &self.mean());
        loop {
            let left: f64 = at.iter().sum();
            let off: f64 = at.iter().zip(&shape).map(|(a, b)| (a / left - b).abs()).sum();
            if !(left > 1e-18 && off > 1e-11 && survival.len() < LONGEST) {
                return RunLength::new(survival, hazard, mean);
            }
            at = self.step(&at);
            survival.push(at.iter().sum());
        }
    }
}

/// Tests followed one by one at most, before the tail is taken to be geometric.
const LONGEST: usize = 50_000;

pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};
    use proptest::prelude::*;

    proptest! {
        /// Against the same equations by elimination with pivots.
        #[test]
        fn means_and_steady_state_agree_with_linear_algebra(
            cells in prop::collection::vec(0.01f64..1.0, 36), out in prop::collection::vec(0.05f64..1.0, 6),
        ) {
            let total = |i: usize| out[i] + cells[6 * i..6 * i + 6].iter().sum::<f64>();
            let moves: Vec<f64> = (0..36).map(|c| cells[c] / total(c / 6)).collect();
            let signal: Vec<f64> = (0..6).map(|i| out[i] / total(i)).collect();
            let chain = Chain::new(moves.clone(), &signal);
            let kernel = DMatrix::from_row_slice(6, 6, &moves);
            let system = DMatrix::identity(6, 6) - &kernel;
            let mean = system.lu().solve(&DVector::from_element(6, 1.0)).expect("regular");
            for (a, b) in chain.mean().iter().zip(mean.iter()) {
                prop_assert!((a / b - 1.0).abs() < 1e-11);
            }
            let (shape, hazard) = chain.steady();
            let shape = DVector::from_vec(shape);
            let next = kernel.transpose() * &shape;
            prop_assert!((next - &shape * (1.0 - hazard)).norm() < 1e-12);
            let run = chain.run_length(vec![1.0], vec![1.0, 0.0, 0.0, 0.0, 0.0, 0.0]);
            prop_assert!((run.survival(1) - (1.0 - signal[0])).abs() < 1e-14);
        }
    }

    /// Two nodes that signal with probability 1e-40: no digit is lost.
    #[test]
    fn very_long_runs_keep_their_digits() {
        let chain = Chain::new(vec![0.5, 0.5, 0.5, 0.5], &[1e-40, 3e-40]);
        let mean = chain.mean();
        assert!((mean[0] * 2e-40 - 1.0).abs() < 1e-14);
        assert!((chain.steady().1 / 2e-40 - 1.0).abs() < 1e-14);
    }
}
