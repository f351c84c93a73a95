//! The smoothed path of one stretch, at any instant.

use super::runs::{Run, after};
use super::state::{Noisy, Side, State, between, filter};
use crate::base::channel::{enough, same_length};
use crate::base::clock::up_to;
use crate::base::{Result, error};
use std::borrow::Cow;
use std::ops::Range;

/// A smoothed path: at every instant the account of the readings before it and of those after it,
/// merged (the two-filter form of the fixed-interval smoother).
///
/// Source: D. C. Fraser and J. E. Potter, *IEEE Trans. Autom. Control* 14 (1969) 387–390. It gives
/// the same states as the Rauch–Tung–Striebel recursion.
#[derive(Debug, Clone)]
pub struct Path<'a> {
    time: Cow<'a, [f64]>,
    y: Cow<'a, [f64]>,
    /// Noise variance of each reading in units of `variance`; absent: one for all.
    noise: Option<Vec<f64>>,
    lambda: f64,
    variance: f64,
    /// First and last reading between which the path is known.
    kept: (usize, usize),
    /// After each of these readings but the first of all, from the readings up to it.
    forward: Vec<State>,
    /// After each of these readings but the first of them, from the readings down to it; time runs
    /// backward.
    backward: Vec<State>,
}

/// From the first reading to the last.
pub(super) const ALL: (f64, f64) = (f64::NEG_INFINITY, f64::INFINITY);

impl<'a> Path<'a> {
    /// The path through readings `y` (Pa) at increasing times (s) with parameter `lambda` (s⁻³)
    /// and noise variance `variance` (Pa²).
    ///
    /// # Errors
    ///
    /// [`Error::TooFewSamples`](crate::base::Error) below three readings, [`Error::LengthMismatch`](crate::base::Error),
    /// [`Error::BadValue`](crate::base::Error) for a parameter that is not positive.
    ///
    /// ```
    /// use deadband::smooth::Path;
    /// let time = [0.0, 1.0, 2.5, 3.0];
    /// let line = [1.0, 3.0, 6.0, 7.0];
    /// let path = Path::new(&time, &line, 0.1, 0.25)?;
    /// let there = path.at(1.7).unwrap();
    /// assert!((there.value - 4.4).abs() < 1e-9 && (there.rate - 2.0).abs() < 1e-9);
    /// # Ok::<(), deadband::base::Error>(())
    /// ```
    pub fn new(time: &'a [f64], y: &'a [f64], lambda: f64, variance: f64) -> Result<Self> {
        error::positive("lambda", lambda)?;
        error::not_negative("variance", variance)?;
        Self::through(time.into(), y.into(), None, (lambda, variance), ALL)
    }

    /// The same path, known only between two instants (s) and at them: half the work.
    ///
    /// # Errors
    ///
    /// As [`Path::new`].
    ///
    /// ```
    /// use deadband::smooth::Path;
    /// let time = [0.0, 1.0, 2.5, 3.0, 4.0];
    /// let line = [1.0, 3.0, 6.0, 7.0, 9.0];
    /// let path = Path::between(&time, &line, 0.1, 0.25, (1.5, 1.7))?;
    /// assert_eq!(path.at(1.7), Path::new(&time, &line, 0.1, 0.25)?.at(1.7));
    /// assert!(path.at(3.5).is_none());
    /// # Ok::<(), deadband::base::Error>(())
    /// ```
    pub fn between(
        time: &'a [f64],
        y: &'a [f64],
        lambda: f64,
        variance: f64,
        instants: (f64, f64),
    ) -> Result<Self> {
        error::positive("lambda", lambda)?;
        error::not_negative("variance", variance)?;
        Self::through(time.into(), y.into(), None, (lambda, variance), instants)
    }

    /// The path through readings whose noise variances (Pa²) differ, the rate walking with
    /// `unsteadiness` (Pa²/s³).
    ///
    /// # Errors
    ///
    /// As [`Path::new`], and for a noise variance that is not positive.
    ///
    /// ```
    /// use deadband::smooth::Path;
    /// let path = Path::weighted(vec![0.0, 1.0, 2.0], vec![1.0, 2.0, 9.0], vec![1e-6, 1e-6, 1e6], 1e-9)?;
    /// assert!((path.at(2.0).unwrap().value - 3.0).abs() < 1e-3); // the last one weighs nothing
    /// # Ok::<(), deadband::base::Error>(())
    /// ```
    pub fn weighted(
        time: Vec<f64>,
        y: Vec<f64>,
        noise: Vec<f64>,
        unsteadiness: f64,
    ) -> Result<Path<'static>> {
        Path::weighted_between(time, y, noise, unsteadiness, ALL)
    }

    /// The same path, known only between two instants (s) and at them.
    pub(super) fn weighted_between(
        time: Vec<f64>,
        y: Vec<f64>,
        noise: Vec<f64>,
        unsteadiness: f64,
        instants: (f64, f64),
    ) -> Result<Path<'static>> {
        error::positive("unsteadiness", unsteadiness)?;
        same_length(("y", &y), ("noise", &noise))?;
        noise.iter().try_for_each(|&variance| error::positive("noise", variance).map(drop))?;
        Path::through(time.into(), y.into(), Some(noise), (unsteadiness, 1.0), instants)
    }

    /// The paths through several stretches of readings (ranges of indices, three readings or more
    /// each), each known only between two instants (s): many times faster than one by one.
    pub(super) fn through_all(
        time: &'a [f64],
        y: &'a [f64],
        (stretches, instants): (&[Range<usize>], &[(f64, f64)]),
        (lambda, variance): (f64, f64),
    ) -> Result<Vec<Self>> {
        let blank = |(range, instants): (&Range<usize>, &(f64, f64))| {
            let (time, y) = (&time[range.clone()], &y[range.clone()]);
            Self::blank(time.into(), y.into(), None, (lambda, variance), *instants)
        };
        let mut paths = stretches.iter().zip(instants).map(blank).collect::<Result<Vec<_>>>()?;
        let runs: Vec<Run> = stretches
            .iter()
            .zip(&paths)
            .flat_map(|(range, path)| {
                let (time, y) = (&time[range.clone()], &y[range.clone()]);
                let (to, from) = path.runs();
                [
                    Run::new(&time[..=to], &y[..=to], false, lambda),
                    Run::new(&time[from..], &y[from..], true, lambda),
                ]
            })
            .collect();
        let states = after(&runs, lambda);
        for (path, ends) in paths.iter_mut().zip(states.chunks_exact(2)) {
            path.fill(ends[0], ends[1]);
        }
        Ok(paths)
    }

    fn through(
        time: Cow<'a, [f64]>,
        y: Cow<'a, [f64]>,
        noise: Option<Vec<f64>>,
        (lambda, variance): (f64, f64),
        instants: (f64, f64),
    ) -> Result<Self> {
        let mut path = Self::blank(time, y, noise, (lambda, variance), instants)?;
        let (to, from) = path.runs();
        let last = |readings: &mut dyn Iterator<Item = Noisy>| filter(readings, lambda).last();
        let up_to = last(&mut (0..=to).map(|index| path.reading(index)));
        let down_to = last(&mut (from..path.time.len()).rev().map(|index| path.reading(index)));
        if let Some((up_to, down_to)) = up_to.zip(down_to) {
            path.fill(up_to, down_to);
        }
        Ok(path)
    }

    /// A path that is to be known between two instants, its states not yet there.
    fn blank(
        time: Cow<'a, [f64]>,
        y: Cow<'a, [f64]>,
        noise: Option<Vec<f64>>,
        (lambda, variance): (f64, f64),
        (from, to): (f64, f64),
    ) -> Result<Self> {
        same_length(("time", &time), ("y", &y))?;
        let n = time.len();
        enough("readings", n, 3)?;
        let first = up_to(&time, from).clamp(1, n - 1) - 1;
        let last = up_to(&time, to).clamp(first + 1, n - 1);
        let (forward, backward) = (Vec::new(), Vec::new());
        Ok(Self { time, y, noise, lambda, variance, kept: (first, last), forward, backward })
    }

    /// The first reading whose state from those before it is kept, and the last one whose state
    /// from those after it is.
    fn runs(&self) -> (usize, usize) {
        let (first, last) = self.kept;
        (first.max(1), last.min(self.time.len() - 2))
    }

    /// Fills in the states that are kept from the first of either kind.
    fn fill(&mut self, up_to: State, down_to: State) {
        let ((first, last), (to, from)) = (self.kept, self.runs());
        let step = |state: State, before: usize, next: usize| {
            let Noisy { time, reading, noise } = self.reading(next);
            state.predict((time - self.time[before]).abs(), self.lambda).update(reading, 0.0, noise)
        };
        let mut forward = vec![up_to];
        for next in to + 1..last {
            forward.push(step(forward[forward.len() - 1], next - 1, next));
        }
        // The last reading alone is no state.
        let mut backward = if from > first { vec![down_to] } else { Vec::new() };
        for next in (first + 1..from).rev() {
            backward.push(step(backward[backward.len() - 1], next + 1, next));
        }
        backward.reverse();
        (self.forward, self.backward) = (forward, backward);
    }

    /// Value (Pa), rate (Pa/s) and covariance at instant `t` (s); `None` outside the readings, or the
    /// instants between which the path is known.
    pub fn at(&self, t: f64) -> Option<State> {
        if !self.reaches(t) {
            return None;
        }
        let (first, last) = self.kept;
        let after = up_to(&self.time, t).min(last);
        let up_to = |index: usize| index.checked_sub(first.max(1)).map(|i| self.forward[i]);
        let left = self.side(after - 1, up_to(after - 1));
        let right = self.side(after, self.backward.get(after - first - 1).copied());
        between(left, right, t, self.lambda).map(|state| state.scaled(self.variance))
    }

    /// Whether the path is known at instant `t` (s).
    pub(super) fn reaches(&self, t: f64) -> bool {
        let (first, last) = self.kept;
        (self.time[first]..=self.time[last]).contains(&t)
    }

    /// The same path, its readings its own.
    pub fn into_owned(self) -> Path<'static> {
        let (time, y) = (self.time.into_owned().into(), self.y.into_owned().into());
        let Self { noise, lambda, variance, kept, forward, backward, .. } = self;
        Path { time, y, noise, lambda, variance, kept, forward, backward }
    }

    /// The times of the readings that the path runs through, s.
    pub fn times(&self) -> &[f64] {
        &self.time
    }

    fn side(&self, index: usize, state: Option<State>) -> Side {
        Side { nearest: self.reading(index), state }
    }

    fn reading(&self, index: usize) -> Noisy {
        Noisy {
            time: self.time[index],
            reading: self.y[index],
            noise: self.noise.as_ref().map_or(1.0, |noise| noise[index]),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn dense_solution(time: &[f64], y: &[f64], lambda: f64, t: f64) -> (f64, f64, f64, f64, f64) {
        use nalgebra::{DMatrix, DVector, Matrix2, Vector2};
        let mut stamps: Vec<f64> = time.iter().copied().chain([t]).collect();
        stamps.sort_by(f64::total_cmp);
        stamps.dedup();
        let n = stamps.len();
        let mut precision = DMatrix::<f64>::zeros(2 * n, 2 * n);
        let mut vector = DVector::<f64>::zeros(2 * n);
        for (k, stamp) in stamps.iter().enumerate() {
            if let Some(i) = time.iter().position(|time| time == stamp) {
                precision[(2 * k, 2 * k)] += 1.0;
                vector[2 * k] += y[i];
            }
            if k + 1 < n {
                let h = stamps[k + 1] - stamp;
                let q = Matrix2::new(h.powi(3) / 3.0, h * h / 2.0, h * h / 2.0, h) * lambda;
                let inverse = q.try_inverse().expect("regular");
                let step = |v: Vector2<f64>, w: Vector2<f64>| (v.transpose() * inverse * w)[0];
                let columns = [
                    Vector2::new(-1.0, 0.0),
                    Vector2::new(-h, -1.0),
                    Vector2::new(1.0, 0.0),
                    Vector2::new(0.0, 1.0),
                ];
                for (i, left) in columns.iter().enumerate() {
                    for (j, right) in columns.iter().enumerate() {
                        precision[(2 * k + i, 2 * k + j)] += step(*left, *right);
                    }
                }
            }
        }
        let covariance = precision.clone().try_inverse().expect("regular");
        let mean = &covariance * vector;
        let k = stamps.iter().position(|stamp| *stamp == t).expect("is there");
        let at = |i: usize, j: usize| covariance[(2 * k + i, 2 * k + j)];
        (mean[2 * k], mean[2 * k + 1], at(0, 0), at(0, 1), at(1, 1))
    }

    proptest! {
        /// The posterior of all states at once, by inverting its full precision matrix.
        #[test]
        fn agrees_with_the_dense_posterior(
            gaps in prop::collection::vec(0.2f64..2.0, 3..9),
            noise in prop::collection::vec(-1.0f64..1.0, 10),
            log_lambda in -3.0f64..3.0, where_ in 0.0f64..1.0,
        ) {
            let mut time = vec![0.0];
            for gap in &gaps { time.push(time[time.len() - 1] + gap); }
            let y: Vec<f64> = time.iter().zip(&noise).map(|(t, e)| 5.0 - 2.0 * t + e).collect();
            let t = where_ * time[time.len() - 1];
            prop_assume!(time.iter().all(|stamp| (stamp - t).abs() > 0.02)); // the reference's limit
            let lambda = log_lambda.exp();
            let state = Path::new(&time, &y, lambda, 1.0).expect("valid").at(t).expect("inside");
            let (value, rate, var_value, cov, var_rate) = dense_solution(&time, &y, lambda, t);
            prop_assert!((state.value - value).abs() < 1e-7);
            prop_assert!((state.rate - rate).abs() < 1e-7);
            prop_assert!((state.var_value / var_value - 1.0).abs() < 1e-7);
            prop_assert!((state.cov - cov).abs() < 1e-7 * (var_value * var_rate).sqrt().max(1.0));
            prop_assert!((state.var_rate / var_rate - 1.0).abs() < 1e-7);
        }
    }

    proptest! {
        #[test]
        fn a_path_between_instants_is_the_same_path(
            readings in prop::collection::vec(-1.0f64..1.0, 3..20),
            from in 0.0f64..1.0, to in 0.0f64..1.0,
        ) {
            let time: Vec<f64> = (0..readings.len()).map(|i| (i as f64).powf(1.2)).collect();
            let end = time[time.len() - 1];
            let (from, to) = (from.min(to) * end, from.max(to) * end);
            let whole = Path::new(&time, &readings, 0.3, 0.5).expect("valid");
            let part = Path::between(&time, &readings, 0.3, 0.5, (from, to)).expect("valid");
            for t in [from, f64::midpoint(from, to), to] {
                prop_assert!(whole.at(t).is_some());
                prop_assert_eq!(whole.at(t), part.at(t));
            }
        }
    }

    #[test]
    fn outside_there_is_nothing() {
        let path = Path::new(&[0.0, 1.0, 2.0], &[0.0, 1.0, 2.0], 1.0, 1.0).expect("valid");
        assert!(path.at(-0.1).is_none() && path.at(2.1).is_none() && path.at(f64::NAN).is_none());
        assert!(path.at(0.0).is_some() && path.at(2.0).is_some());
    }

    proptest! {
        /// Readings taken together far from the instants cost next to no information: by how much
        /// two estimates differ is then a matter of the little that one knows more.
        #[test]
        fn many_paths_at_once_are_the_same_paths(
            follows in 0.3f64..30.0, gap in 0usize..190, at in 0.0f64..1.0, seed in 0u64..1000,
        ) {
            let mut time: Vec<f64> = (0..200).map(|i| 0.1 * f64::from(i)).collect();
            time.iter_mut().skip(gap).for_each(|time| *time += 3.0);
            let noise = |i: u64| (1e4 * ((i * i) as f64 + 0.1 * seed as f64)).sin() * 1.4;
            let signal = |t: f64| 5.0 * t + (t / follows).sin();
            let y: Vec<f64> = time.iter().zip(0..).map(|(&t, i)| signal(t) + noise(i)).collect();
            let lambda = 0.1 / follows.powi(4);
            let instant = time[0] + at * (time[199] - time[0]);
            let alone = Path::between(&time, &y, lambda, 1.0, (instant, instant)).expect("valid");
            let (ranges, instants) = ([20..120, 0..200], [(5.0, 6.0), (instant, instant)]);
            let many = Path::through_all(&time, &y, (&ranges, &instants), (lambda, 1.0));
            let many = many.expect("valid");
            let (alone, many) = (alone.at(instant), many[1].at(instant));
            let (alone, many) = (alone.expect("inside"), many.expect("inside"));
            let (u, u_rate) = (alone.var_value.sqrt(), alone.var_rate.sqrt());
            prop_assert!((many.value - alone.value).abs() < 0.5 * u, "{alone:?} {many:?}");
            prop_assert!((many.rate - alone.rate).abs() < 0.5 * u_rate, "{alone:?} {many:?}");
            prop_assert!((many.var_value / alone.var_value - 1.0).abs() < 0.03);
            prop_assert!((many.var_rate / alone.var_rate - 1.0).abs() < 0.03);
        }
    }
}
