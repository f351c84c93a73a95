//! Several runs of readings filtered side by side: the filter waits for its own last result, and
//! runs side by side fill the wait.

use super::state::{Noisy, State};

/// Runs filtered at once.
const LANES: usize = 8;

/// Two readings or more of noise variance one, in the order of time or against it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Run<'a> {
    pub(super) time: &'a [f64],
    pub(super) y: &'a [f64],
    pub(super) backward: bool,
}

impl Run<'_> {
    fn index(&self, place: usize) -> usize {
        if self.backward { self.time.len() - 1 - place } else { place }
    }

    fn reading(&self, place: usize) -> Noisy {
        let index = self.index(place);
        Noisy { time: self.time[index], reading: self.y[index], noise: 1.0 }
    }
}

/// The state after the last reading of each run, nothing having been known before its first, rates
/// per unit of the run's own order: what [`super::state::filter`] hands out last.
pub(super) fn after(runs: &[Run<'_>], lambda: f64) -> Vec<State> {
    let mut order: Vec<usize> = (0..runs.len()).collect();
    order.sort_by_key(|&index| std::cmp::Reverse(runs[index].time.len()));
    let mut found: Vec<(usize, State)> = Vec::with_capacity(runs.len().next_multiple_of(LANES));
    for group in order.chunks(LANES) {
        // The shortest run fills the lanes that are left; its states are there more than once.
        let filled: [usize; LANES] = std::array::from_fn(|lane| group[lane.min(group.len() - 1)]);
        let states = side_by_side(&filled.map(|index| runs[index]), lambda);
        found.extend(group.iter().copied().zip(states));
    }
    found.sort_by_key(|&(index, _)| index);
    found.into_iter().map(|(_, state)| state).collect()
}

/// All runs end at the same step; a shorter one begins later. The longest come first.
fn side_by_side(runs: &[Run<'_>; LANES], lambda: f64) -> [State; LANES] {
    let further = runs.each_ref().map(|run| run.time.len() - 2);
    let mut lanes = Lanes::default();
    for lane in 0..LANES {
        lanes.begin(lane, &runs[lane], lambda);
        let until = further.get(lane + 1).copied().unwrap_or_default();
        for left in (until..further[lane]).rev() {
            // Lanes that have not begun stay at the first reading of their run.
            let next = std::array::from_fn(|lane| {
                runs[lane].reading((further[lane] + 1).saturating_sub(left))
            });
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
    fn begin(&mut self, lane: usize, run: &Run<'_>, lambda: f64) {
        let (first, second) = (run.reading(0), run.reading(1));
        let state = State::diffuse(first, second, lambda);
        self.time[lane] = second.time;
        (self.value[lane], self.rate[lane]) = (state.value, state.rate);
        (self.var_value[lane], self.cov[lane]) = (state.var_value, state.cov);
        self.var_rate[lane] = state.var_rate;
    }

    /// [`State::predict`] and [`State::update`] in every lane.
    fn take(&mut self, next: &[Noisy; LANES], lambda: f64) {
        for lane in 0..LANES {
            let h = (next[lane].time - self.time[lane]).abs();
            let with_rate = self.cov[lane] + h * self.var_rate[lane];
            let var_value =
                self.var_value[lane] + h * (self.cov[lane] + with_rate) + lambda * h * h * h / 3.0;
            let cov = with_rate + lambda * h * h / 2.0;
            let inverse = 1.0 / (var_value + 1.0);
            let ahead = self.value[lane] + h * self.rate[lane];
            let weighted = (next[lane].reading - ahead) * inverse;
            self.time[lane] = next[lane].time;
            self.value[lane] = ahead + var_value * weighted;
            self.rate[lane] += cov * weighted;
            self.var_value[lane] = var_value * inverse;
            self.cov[lane] = cov * inverse;
            self.var_rate[lane] += lambda * h - cov * self.cov[lane];
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
                .map(|&(n, backward)| Run { time: &time[40 - n..], y: &y[40 - n..], backward })
                .collect();
            for (run, found) in runs.iter().zip(after(&runs, lambda)) {
                let readings = (0..run.time.len()).map(|place| run.reading(place));
                let alone = filter(readings, lambda).last().expect("two readings or more");
                prop_assert!((found.value - alone.value).abs() < 1e-9);
                prop_assert!((found.rate - alone.rate).abs() < 1e-9);
                prop_assert!((found.var_value / alone.var_value - 1.0).abs() < 1e-9);
                prop_assert!((found.cov / alone.cov - 1.0).abs() < 1e-9);
                prop_assert!((found.var_rate / alone.var_rate - 1.0).abs() < 1e-9);
            }
        }
    }
}
