//! The other switches of a model.

use super::population::{Population, population};
use crate::base::Result;

/// From this many switches on, one more or less does not change what the others are like, and is
/// not left out: the cost would grow with the square of their number.
const MANY: usize = 400;

/// The others of each switch: for switch `k` the group without it.
pub(super) struct Others(Vec<Result<Population>>);

impl Others {
    /// `members` hold (switch, value, standard uncertainty) of each test, switches numbered from 0.
    ///
    /// Each switch is one member, the mean of its tests with `u²` their mean `u²` over their
    /// number: many tests of one switch are no evidence of what its model is like.
    pub(super) fn of(members: &[(usize, f64, f64)]) -> Self {
        let count = members.iter().map(|m| m.0 + 1).max().unwrap_or(0);
        let mut sums = vec![(0.0, 0.0, 0.0); count];
        for &(switch, value, u) in members {
            let sum = &mut sums[switch];
            *sum = (sum.0 + 1.0, sum.1 + value, sum.2 + u * u);
        }
        let group = |left_out: usize| {
            let kept = sums.iter().enumerate().filter(|(k, sum)| *k != left_out && sum.0 > 0.0);
            let (values, u): (Vec<f64>, Vec<f64>) =
                kept.map(|(_, &(n, value, square))| (value / n, square.sqrt() / n)).unzip();
            population(&values, &u)
        };
        if count < MANY {
            return Self((0..count).map(group).collect());
        }
        Self(vec![group(usize::MAX); count])
    }

    pub(super) fn of_switch(&self, switch: usize) -> Result<&Population> {
        self.0[switch].as_ref().map_err(Clone::clone)
    }
}
