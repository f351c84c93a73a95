//! Several runs of readings filtered side by side: the filter waits for its own last result, and
//! runs side by side fill the wait.

use super::search::SHORT;
use super::state::{Noisy, State};

/// Runs filtered at once.
const LANES: usize = 8;

/// Two readings or more in the order in which they are filtered.
#[derive(Debug)]
pub(super) struct Run(Vec<Noisy>);

/// The time over which a path through readings of one noise follows them, s: `(h/λ)^¼` with readings
/// `h` apart.
pub(super) fn follows_over(interval: f64, lambda: f64) -> f64 {
    (interval / lambda).sqrt().sqrt()
}

impl Run {
    /// Readings of noise variance one from an end of `time` to the other, against it where
    /// `backward`. Those that are far from the last one are taken together, as many as hardly
    /// differ from their mean on a path of this `λ`.
    pub(super) fn new(time: &[f64], y: &[f64], backward: bool, lambda: f64) -> Self {
        let interval = (time[time.len() - 1] - time[0]) / (time.len() - 1) as f64;
        let short = SHORT * follows_over(interval, lambda);
        match short / interval {
            8.0.. => Self::thinned::<8>(time, y, backward, short),
            4.0.. => Self::thinned::<4>(time, y, backward, short),
            _ => Self::thinned::<1>(time, y, backward, short),
        }
    }

    fn thinned<const SIZE: usize>(time: &[f64], y: &[f64], backward: bool, short: f64) -> Self {
        let far = time.len().saturating_sub(NEAR * SIZE) / SIZE * SIZE;
        let near = time.len() - far;
        let mut run = Self(Vec::with_capacity(far / SIZE + near));
        if backward {
            let (near_times, times) = time.split_at(near);
            let (near_y, y) = y.split_at(near);
            for (time, y) in times.as_chunks::<SIZE>().0.iter().zip(y.as_chunks().0).rev() {
                run.push(time, y, short, true);
            }
            run.0.extend(near_times.iter().zip(near_y).rev().map(alone));
        } else {
            let (times, near_times) = time.split_at(far);
            let (y, near_y) = y.split_at(far);
            for (time, y) in times.as_chunks::<SIZE>().0.iter().zip(y.as_chunks().0) {
                run.push(time, y, short, false);
            }
            run.0.extend(near_times.iter().zip(near_y).map(alone));
        }
        run
    }

    /// Readings taken together, unless they last too long.
    fn push<const SIZE: usize>(
        &mut self,
        time: &[f64; SIZE],
        y: &[f64; SIZE],
        short: f64,
        backward: bool,
    ) {
        let size = SIZE as f64;
        if time[SIZE - 1] - time[0] <= short {
            let (time, reading) = (time.iter().sum::<f64>() / size, y.iter().sum::<f64>() / size);
            self.0.push(Noisy { time, reading, noise: 1.0 / size });
        } else if backward {
            self.0.extend(time.iter().zip(y).rev().map(alone));
        } else {
            self.0.extend(time.iter().zip(y).map(alone));
        }
    }

    fn len(&self) -> usize {
        self.0.len()
    }
}

fn alone((&time, &reading): (&f64, &f64)) -> Noisy {
    Noisy { time, reading, noise: 1.0 }
}

/// Blocks' worth of readings nearest to the end of a run that are taken one by one.
const NEAR: usize = 2;

/// The state after the last reading of each run, nothing having been known before its first, rates
/// per unit of the run's own order: what [`super::state::filter`] hands out last.
pub(super) fn after(runs: &[Run], lambda: f64) -> Vec<State> {
    let mut order: Vec<usize> = (0..runs.len()).collect();
    order.sort_by_key(|&index| std::cmp::Reverse(runs[index].len()));
    let mut found: Vec<(usize, State)> = Vec::with_capacity(runs.len().next_multiple_of(LANES));
    for group in order.chunks(LANES) {
        // The shortest run fills the lanes that are left; its states are there more than once.
        let filled: [usize; LANES] = std::array::from_fn(|lane| group[lane.min(group.len() - 1)]);
        let states = side_by_side(&filled.map(|index| &*runs[index].0), lambda);
        found.extend(group.iter().copied().zip(states));
    }
    found.sort_by_key(|&(index, _)| index);
    found.into_iter().map(|(_, state)| state).collect()
}

/// All runs end at the same step; a shorter one begins later. The short come first.
fn side_by_side(runs: &[&[Noisy]; LANES], lambda: f64) -> [State; LANES] {
    let further = runs.map(|run| run.len() - 2);
    let mut lanes = Lanes::default();
    for lane in 0..LANES {
        lanes.begin(lane, runs[lane][0], runs[lane][1], lambda);
        let until = further.get(lane + 1).copied().unwrap_or_default();
        for left in (until..further[lane]).rev() {
            // Lanes that have not begun stay at the first reading of their run.
            let next =
                std::array::from_fn(|lane| runs[lane][(further[lane] + 1).saturating_sub(left)]);
            lanes.take(&next, lambda);
        }
    }
    lanes.states()
}

/// One state a lane, each part of it together.
#[derive(Default)]
struct Lanes {
    time: [f64; LANES],
    value: [f64; LANES],
    rate: [f64; LANES],
    var_value: [f64; LANES],
    cov: [f64; LANES],
    var_rate: [f64; LANES],
}

impl Lanes {
    fn begin(&mut self, lane: usize, first: Noisy, second: Noisy, lambda: f64) {
        let state = State::diffuse(first, second, lambda);
        self.time[lane] = second.time;
        (self.value[lane], self.rate[lane]) = (state.value, state.rate);
        (self.var_value[lane], self.cov[lane]) = (state.var_value, state.cov);
        self.var_rate[lane] = state.var_rate;
    }

    /// [`State::predict`] and [`State::update`] in every lane.
    #[expect(clippy::needless_range_loop, reason = "only so are the lanes taken side by side")]
    fn take(&mut self, next: &[Noisy; LANES], lambda: f64) {
        for lane in 0..LANES {
            let h = (next[lane].time - self.time[lane]).abs();
            let with_rate = self.cov[lane] + h * self.var_rate[lane];
            let var_value =
                self.var_value[lane] + h * (self.cov[lane] + with_rate) + lambda * h * h * h / 3.0;
            let cov = with_rate + lambda * h * h / 2.0;
            let inverse = 1.0 / (var_value + next[lane].noise);
            let ahead = self.value[lane] + h * self.rate[lane];
            let weighted = (next[lane].reading - ahead) * inverse;
            self.time[lane] = next[lane].time;
            self.value[lane] = ahead + var_value * weighted;
            self.rate[lane] += cov * weighted;
            let (gain, rate_gain) = (var_value * inverse, cov * inverse);
            self.var_value[lane] = next[lane].noise * gain;
            self.cov[lane] = next[lane].noise * rate_gain;
            self.var_rate[lane] += lambda * h - cov * rate_gain;
        }
    }

    fn states(&self) -> [State; LANES] {
        std::array::from_fn(|lane| State {
            value: self.value[lane],
            rate: self.rate[lane],
            var_value: self.var_value[lane],
            cov: self.cov[lane],
            var_rate: self.var_rate[lane],
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::state::filter;
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn each_run_ends_as_if_it_were_alone(
            lengths in prop::collection::vec((2usize..40, any::<bool>()), 1..20),
            log_lambda in -5.0f64..5.0,
        ) {
            let lambda = log_lambda.exp();
            let time: Vec<f64> = (0..40).map(|i| f64::from(i).powf(1.1)).collect();
            let y: Vec<f64> = (0..40).map(|i| (1e3 * f64::from(i * i)).sin()).collect();
            let runs: Vec<Run> = lengths
                .iter()
                .map(|&(n, backward)| {
                    let (time, y) = (&time[40 - n..], &y[40 - n..]);
                    if backward { Run::thinned::<4>(time, y, true, 10.0) } else { Run::thinned::<1>(time, y, false, 10.0) }
                })
                .collect();
            for (run, found) in runs.iter().zip(after(&runs, lambda)) {
                let alone = filter(run.0.iter().copied(), lambda).last().expect("two readings or more");
                prop_assert!((found.value - alone.value).abs() < 1e-9);
                prop_assert!((found.rate - alone.rate).abs() < 1e-9);
                prop_assert!((found.var_value / alone.var_value - 1.0).abs() < 1e-9);
                prop_assert!((found.cov / alone.cov - 1.0).abs() < 1e-9);
                prop_assert!((found.var_rate / alone.var_rate - 1.0).abs() < 1e-9);
            }
        }
    }
}
