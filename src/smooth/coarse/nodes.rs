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
const GROWTH: usize = 5;

/// Groups the readings of a stretch: one by one at the ends of a run of equal codes, in blocks of
/// 3, 9, … towards its middle.
pub(super) fn nodes(time: &[f64], y: &[f64], stretch: Range<usize>, step: f64) -> Vec<Node> {
    let (time, y) = (&time[stretch.clone()], &y[stretch]);
    let mut nodes = Vec::with_capacity(y.len() / 2);
    let mut start = 0;
    for run in y.chunk_by(|a, b| (a - b).abs() < 0.5 * step) {
        let interval = Interval { low: run[0] - 0.5 * step, high: run[0] + 0.5 * step };
        blocks(start..start + run.len(), 1, &mut |block| {
            let times = &time[block];
            let count = times.len() as f64;
            let at = times.iter().sum::<f64>() / count;
            nodes.push(Node { time: at, interval, count, site: Site::default() });
        });
        start += run.len();
    }
    nodes
}

/// Hands out the blocks of a run, in order: of this size at both ends, growing inward; the middle
/// takes what is left.
fn blocks(run: Range<usize>, size: usize, each: &mut impl FnMut(Range<usize>)) {
    let (start, end) = (run.start, run.end);
    if run.len() > 2 * size {
        each(start..start + size);
        blocks(start + size..end - size, GROWTH * size, each);
        each(end - size..end);
    } else if size == 1 {
        run.for_each(|one| each(one..one + 1));
    } else {
        each(run);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_reading_is_in_one_block(n in 1usize..2000) {
            let mut found: Vec<Range<usize>> = Vec::new();
            blocks(0..n, 1, &mut |block| found.push(block));
            prop_assert_eq!(found[0].start, 0);
            prop_assert_eq!(found[found.len() - 1].end, n);
            prop_assert!(found.windows(2).all(|pair| pair[0].end == pair[1].start));
            prop_assert!(found.iter().all(|block| !block.is_empty()));
            prop_assert_eq!(found[0].len(), 1);
        }
    }
}
