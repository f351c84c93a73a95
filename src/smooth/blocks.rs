//! Readings taken together in blocks, for a search that need not look at each of them.

use std::ops::Range;

use super::likelihood::Sums;

/// Means of neighbouring readings, with what is left of the readings about a line in each block.
///
/// Over a time in which the rate hardly changes the mean of a block and the scatter about its line
/// say all that its readings say of noise and path, but for the line's slope, of which neighbouring
/// means say far more.
pub(super) struct Blocks<const SIZE: usize> {
    time: Vec<f64>,
    mean: Vec<f64>,
    stretches: Vec<Range<usize>>,
    /// Sum of squares about the lines, Pa².
    within: f64,
    /// Its degrees of freedom.
    within_dof: f64,
}

/// Readings of a block taken side by side; every size of block is a multiple.
const LANES: usize = 2;

/// A block that lasts so many times as long as its readings would at the stretch's usual pace has a
/// gap in it, and says nothing.
const GAP: f64 = 2.0;

impl<const SIZE: usize> Blocks<SIZE> {
    /// Blocks of the stretches' readings; those left over at a stretch's end are left out.
    pub(super) fn new(time: &[f64], y: &[f64], stretches: &[Range<usize>]) -> Self {
        let count: usize = stretches.iter().map(|range| range.len() / SIZE).sum();
        let mut blocks = Self {
            time: Vec::with_capacity(count),
            mean: Vec::with_capacity(count),
            stretches: Vec::with_capacity(stretches.len()),
            within: 0.0,
            within_dof: 0.0,
        };
        for range in stretches {
            let start = blocks.time.len();
            let (time, y) = (&time[range.clone()], &y[range.clone()]);
            let pace = (time[time.len() - 1] - time[0]) / (time.len() - 1) as f64;
            let longest = GAP * pace * (SIZE - 1) as f64;
            for (time, y) in time.as_chunks().0.iter().zip(y.as_chunks().0) {
                blocks.add(time, y, longest);
            }
            blocks.stretches.push(start..blocks.time.len());
        }
        blocks
    }

    fn add(&mut self, time: &[f64; SIZE], y: &[f64; SIZE], longest: f64) {
        if time[SIZE - 1] - time[0] > longest {
            return;
        }
        let size = SIZE as f64;
        // From the middle on, so that squares of sums are small beside sums of squares.
        let (t_middle, y_middle) = (time[SIZE / 2], y[SIZE / 2]);
        let Moments { t: t_sum, y: y_sum, tt, ty, yy } = Moments::of(time, y, t_middle, y_middle);
        let (t_mean, y_mean) = (t_sum / size, y_sum / size);
        let (tt, ty, yy) = (tt - t_sum * t_mean, ty - t_sum * y_mean, yy - y_sum * y_mean);
        self.time.push(t_middle + t_mean);
        self.mean.push(y_middle + y_mean);
        self.within += (yy - ty * ty / tt).max(0.0);
        self.within_dof += size - 2.0;
    }

    /// Number of blocks beyond the two that each stretch's start takes.
    pub(super) fn beyond_starts(&self) -> usize {
        self.stretches.iter().map(|range| range.len().saturating_sub(2)).sum()
    }

    /// The sums of the likelihood for several values of `λ` (s⁻³), as of the readings themselves.
    pub(super) fn sums<const LANES: usize>(&self, lambda: [f64; LANES]) -> Sums<LANES> {
        let size = SIZE as f64;
        // In units of a block's noise variance, `σ²/SIZE`.
        let lambda = lambda.map(|lambda| lambda * size);
        let mut sums = Sums::default();
        for range in &self.stretches {
            sums.add(&self.time[range.clone()], &self.mean[range.clone()], lambda);
        }
        sums.squares = sums.squares.map(|squares| size * squares + self.within);
        sums.terms += self.within_dof;
        sums
    }
}

/// Sums of times and readings, of their squares and of their products.
struct Moments {
    t: f64,
    y: f64,
    tt: f64,
    ty: f64,
    yy: f64,
}

impl Moments {
    /// Out of line, or the loop is taken apart into single operations.
    #[inline(never)]
    fn of(time: &[f64], y: &[f64], t_middle: f64, y_middle: f64) -> Self {
        let [mut t_sum, mut y_sum, mut tt, mut ty, mut yy] = [[0.0; LANES]; 5];
        for (time, y) in time.as_chunks::<LANES>().0.iter().zip(y.as_chunks::<LANES>().0) {
            for lane in 0..LANES {
                let (t, y) = (time[lane] - t_middle, y[lane] - y_middle);
                t_sum[lane] += t;
                y_sum[lane] += y;
                tt[lane] += t * t;
                ty[lane] += t * y;
                yy[lane] += y * y;
            }
        }
        let [t, y, tt, ty, yy] = [t_sum, y_sum, tt, ty, yy].map(|sums| sums[0] + sums[1]);
        Self { t, y, tt, ty, yy }
    }
}
