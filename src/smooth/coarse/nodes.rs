//! Readings of a coarse display made fewer: what lies inside a run of one code says little.

use std::ops::Range;

use super::site::{Interval, Site};

/// Readings of one code that are taken together at their mean time.
#[derive(Debug, Clone, Copy)]
pub(super) struct Node {
    pub(super) time: f64,
    pub(super) interval: Interval,
    /// Number of readings: each has a site of its own, all alike.
    pub(super) count: f64,
    pub(super) site: Site,
}

/// Each block is so many times as long as its neighbour nearer to the end of the run.
const GROWTH: usize = 3;

/// Groups the readings of a stretch: one by one at the ends of a run of equal codes, in blocks of
/// 3, 9, … towards its middle.
pub(super) fn nodes(time: &[f64], y: &[f64], stretch: Range<usize>, step: f64) -> Vec<Node> {
    let (time, y) = (&time[stretch.clone()], &y[stretch]);
    let mut nodes = Vec::with_capacity(y.len() / 2);
    let mut start = 0;
    for run in y.chunk_by(|a, b| (a - b).abs() < 0.5 * step) {
        for block in blocks(run.len()) {
            let times = &time[start + block.start..start + block.end];
            let at = times.iter().sum::<f64>() / times.len() as f64;
            nodes.push(Node {
                time: at,
                interval: Interval { low: run[0] - 0.5 * step, high: run[0] + 0.5 * step },
                count: times.len() as f64,
                site: Site::default(),
            });
        }
        start += run.len();
    }
    nodes
}

/// Blocks of a run of `n` readings, growing from both ends; the middle takes what is left.
fn blocks(n: usize) -> impl Iterator<Item = Range<usize>> {
    let mut sizes = Vec::new();
    let (mut size, mut left) = (1, n);
    while left > 2 * size {
        sizes.push(size);
        left -= 2 * size;
        size *= GROWTH;
    }
    let tail: Vec<usize> = sizes.iter().rev().copied().collect();
    let middle = if sizes.is_empty() { vec![1; left] } else { vec![left] };
    let all = sizes.into_iter().chain(middle).chain(tail).filter(|&size| size > 0);
    all.scan(0, |start, size| {
        let block = *start..*start + size;
        *start += size;
        Some(block)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_reading_is_in_one_block(n in 1usize..2000) {
            let found: Vec<Range<usize>> = blocks(n).collect();
            prop_assert_eq!(found[0].start, 0);
            prop_assert_eq!(found[found.len() - 1].end, n);
            prop_assert!(found.windows(2).all(|pair| pair[0].end == pair[1].start));
            prop_assert!(found.iter().all(|block| !block.is_empty()));
            prop_assert_eq!(found[0].len(), 1);
        }
    }
}
