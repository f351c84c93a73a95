//! The true pressure at the switch: a piecewise linear path on a fine, uneven grid.

use crate::base::{Error, Result};

/// Grid points or samples one recording may have: 10 h at 2 ms, 320 MB.
const MAX_STEPS: f64 = 2e7;

/// Shortest time constant, correlation time or sample interval, s: a clock of f64 still resolves its
/// grid after weeks.
const SHORTEST_S: f64 = 1e-6;

/// Time constants after which a relaxation has arrived to the last bit.
const ARRIVED: f64 = 40.0;

/// Largest deviation of a chord from the exponential it stands for, relative to its amplitude.
const CHORD: f64 = 1e-6;

/// `value`, if it is a time the grid can resolve.
pub(super) fn resolved(what: &'static str, value: f64) -> Result<f64> {
    if value.is_finite() && value >= SHORTEST_S {
        Ok(value)
    } else {
        Err(Error::BadValue { what, value, must: "a finite number of seconds, 1e-6 or more" })
    }
}

/// Refuses a stretch that would need more steps than a recording may have.
pub(super) fn affordable(what: &'static str, duration: f64, step: f64) -> Result<()> {
    let steps = duration / step;
    if steps <= MAX_STEPS {
        Ok(())
    } else {
        Err(Error::BadValue { what, value: steps, must: "at most 2e7; shorten the recording" })
    }
}

/// Pressure against time, linear between nodes and constant outside them.
#[derive(Debug, Clone, Default)]
pub(super) struct Path {
    pub(super) time: Vec<f64>,
    pub(super) pressure: Vec<f64>,
}

impl Path {
    /// Starts at time zero.
    pub(super) fn from(pressure: f64) -> Self {
        Self { time: vec![0.0], pressure: vec![pressure] }
    }

    /// The last node, (s, Pa).
    pub(super) fn end(&self) -> (f64, f64) {
        let last = self.time.len() - 1;
        (self.time[last], self.pressure[last])
    }

    /// Goes straight to `pressure` in `duration` seconds; a step too short for the clock is left out.
    pub(super) fn line(&mut self, duration: f64, pressure: f64) -> Result<()> {
        let (time, _) = self.end();
        if time + duration > time {
            affordable("number of grid points of the motion", self.time.len() as f64, 1.0)?;
            self.time.push(time + duration);
            self.pressure.push(pressure);
        }
        Ok(())
    }

    /// Stays where it is.
    pub(super) fn hold(&mut self, duration: f64) -> Result<()> {
        self.line(duration, self.end().1)
    }

    /// Relaxes for `duration` towards `target`: `p = target + (p₀ - target) exp(-t/T)`.
    ///
    /// A chord of length `h` misses the exponential by at most `A exp(-t/T) h²/8T²`, so that the
    /// steps grow as the fall slows down.
    pub(super) fn relax(&mut self, duration: f64, target: f64, time_constant: f64) -> Result<()> {
        let amplitude = self.end().1 - target;
        if amplitude == 0.0 {
            return self.hold(duration);
        }
        let mut t = 0.0;
        while t < duration {
            let elapsed = t / time_constant;
            let longest = time_constant * (8.0 * CHORD).sqrt() * (0.5 * elapsed).exp();
            let left = duration - t;
            let step = if elapsed > ARRIVED { left } else { longest.min(time_constant).min(left) };
            t += step;
            self.line(step, target + amplitude * (-t / time_constant).exp())?;
        }
        Ok(())
    }

    /// The segment that holds `time`: index of its first node. `time` must lie within the nodes.
    fn segment(&self, time: f64) -> usize {
        let after = self.time.partition_point(|&node| node <= time);
        after.saturating_sub(1).min(self.time.len().saturating_sub(2))
    }

    /// Slope of the segment that begins at node `i`, Pa/s.
    pub(super) fn slope(&self, i: usize) -> f64 {
        (self.pressure[i + 1] - self.pressure[i]) / (self.time[i + 1] - self.time[i])
    }
}

/// A path seen through a dead time and a first-order lag: `τ y' = p(t - dead) - y`.
///
/// Along a segment of slope `s` the solution is exact:
/// `y(t) = p(t) - s τ + (y₀ - p₀ + s τ) exp(-(t - t₀)/τ)`. It starts settled.
#[derive(Debug)]
pub(super) struct Lagged<'a> {
    path: &'a Path,
    nodes: Vec<f64>,
    dead_time: f64,
    time_constant: f64,
}

impl<'a> Lagged<'a> {
    /// Carries the lag along the whole path.
    pub(super) fn new(path: &'a Path, dead_time: f64, time_constant: f64) -> Self {
        let mut lagged =
            Self { path, nodes: Vec::with_capacity(path.time.len()), dead_time, time_constant };
        lagged.nodes.push(path.pressure[0]);
        for i in 0..path.time.len() - 1 {
            let next = lagged.within(i, path.time[i + 1]);
            lagged.nodes.push(next);
        }
        lagged
    }

    /// The lagged value at every node of the path; with a dead time, that much later.
    pub(super) fn into_nodes(self) -> Vec<f64> {
        self.nodes
    }

    /// The lagged value at `time`, before, within or after the path.
    pub(super) fn at(&self, time: f64) -> f64 {
        let source = time - self.dead_time;
        let (end_time, end_pressure) = self.path.end();
        if source <= self.path.time[0] {
            return self.path.pressure[0];
        }
        if source < end_time {
            return self.within(self.path.segment(source), source);
        }
        let left = self.nodes[self.nodes.len() - 1] - end_pressure;
        end_pressure + left * self.decay(source - end_time)
    }

    fn within(&self, i: usize, time: f64) -> f64 {
        let (since, slope) = (time - self.path.time[i], self.path.slope(i));
        let behind = slope * self.time_constant;
        let here = self.path.pressure[i] + slope * since;
        here - behind + (self.nodes[i] - self.path.pressure[i] + behind) * self.decay(since)
    }

    fn decay(&self, since: f64) -> f64 {
        if self.time_constant == 0.0 { 0.0 } else { (-since / self.time_constant).exp() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `tests/reference/X01-first-order-step-ramp.json`: Doebelin, *Measurement Systems*, chapter 3
    /// (first-order instruments), from memory of the source, recomputed from the closed form.
    const TAU: f64 = 2.0;

    #[test]
    fn step_response_follows_the_handbook() {
        let mut path = Path::from(0.0);
        path.line(1e-12, 1.0).expect("one node");
        path.hold(100.0).expect("one node");
        let lagged = Lagged::new(&path, 0.0, TAU);
        for (multiple, published) in [(1.0, 0.632), (2.0, 0.865), (3.0, 0.950), (4.0, 0.982)] {
            let value = lagged.at(multiple * TAU);
            assert!((value - published).abs() < 0.000_55, "{multiple}: {value}");
        }
        assert!((lagged.at(5.0 * TAU) - 0.993).abs() < 0.000_55);
        let crossing = |level: f64| -TAU * (1.0 - level).ln();
        assert!((lagged.at(crossing(0.9)) - 0.9).abs() < 1e-9);
        assert!(((crossing(0.9) - crossing(0.1)) / TAU - 2.197).abs() < 0.000_55);
    }

    #[test]
    fn a_steady_ramp_lags_by_rate_times_time_constant() {
        let mut path = Path::from(0.0);
        path.line(100.0, 300.0).expect("one node");
        let lagged = Lagged::new(&path, 0.0, TAU);
        // Same source: steady lag r τ = 3 × 2 = 6.0.
        assert!((3.0 * 60.0 - lagged.at(60.0) - 6.0).abs() < 1e-5);
        // The transient: y = r (t - τ (1 - exp(-t/τ))).
        let t: f64 = 1.3;
        assert!((lagged.at(t) - 3.0 * (t - TAU * (1.0 - (-t / TAU).exp()))).abs() < 1e-12);
    }

    #[test]
    fn the_grid_of_a_line_does_not_change_the_lagged_value() {
        let (mut coarse, mut fine) = (Path::from(5.0), Path::from(5.0));
        coarse.line(10.0, 65.0).expect("one node");
        for i in 1..=1000 {
            fine.line(0.01, 5.0 + 0.06 * f64::from(i)).expect("one node");
        }
        let (a, b) = (Lagged::new(&coarse, 0.2, 0.4), Lagged::new(&fine, 0.2, 0.4));
        for t in [0.1, 0.5, 3.333, 9.9, 10.1, 12.0] {
            assert!((a.at(t) - b.at(t)).abs() < 1e-9, "{t}");
        }
    }

    #[test]
    fn dead_time_shifts_and_nothing_else() {
        let mut path = Path::from(70.0);
        path.relax(5.0, 2.0, 0.3).expect("few nodes");
        let (direct, late) = (Lagged::new(&path, 0.0, 0.4), Lagged::new(&path, 0.25, 0.4));
        for i in 0..60 {
            let t = 0.125 * f64::from(i);
            assert_eq!(direct.at(t), late.at(t + 0.25));
        }
    }

    #[test]
    fn relaxation_stays_within_its_chord_tolerance() {
        let mut path = Path::from(80.0);
        path.relax(6.0, 10.0, 0.5).expect("few nodes");
        assert!(path.time.len() < 2_000, "{}", path.time.len());
        let exact = Lagged::new(&path, 0.0, 0.0);
        for i in 0..5_000 {
            let t = 0.001 * f64::from(i);
            let expected = 10.0 + 70.0 * (-t / 0.5).exp();
            assert!((exact.at(t) - expected).abs() < 70.0 * 2.0 * CHORD, "{t}");
        }
    }
}
