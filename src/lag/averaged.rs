//! The lag averaged over what its variance components may be.

use statrs::distribution::{Continuous, ContinuousCDF};

use super::RateEvent;
use super::groups::{Components, slope};
use crate::base::Estimate;
use crate::base::estimate::{normal, t_quantile};

/// Logarithm of the weight below the largest at which components are left out.
const DROP: f64 = 14.0;
/// Step between components, in standard deviations of the best told one.
const STEP: f64 = 0.7;
/// Coverage probabilities at which the estimate's Student's t is that of the average.
const BODY: f64 = 0.682_689_492_137_086;
const TAIL: f64 = 0.95;
/// Degrees of freedom from which on an uncertainty is as good as known.
const MANY: f64 = 1e6;
/// Variance of an exact reading, as a share of the components.
const EXACT: f64 = 1e-10;
/// Steps of a walk at the most.
const MOST: f64 = 2000.0;

/// How many events, tests and groups (switch and direction) tell the components.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Counts {
    pub(super) events: f64,
    pub(super) tests: f64,
    pub(super) groups: f64,
}

impl Counts {
    /// Of events in order of group and test.
    pub(super) fn of(events: &[RateEvent]) -> Self {
        let groups = events.chunk_by(|a, b| a.group == b.group);
        let tests = events.chunk_by(|a, b| (a.group, a.test) == (b.group, b.test));
        Self {
            events: events.len() as f64,
            tests: tests.count() as f64,
            groups: groups.count() as f64,
        }
    }

    /// Degrees of freedom of the scatter about the fit.
    pub(super) fn dof(&self) -> f64 {
        self.events - self.groups - 1.0
    }

    /// Degrees of freedom that tell the scatter within tests and between tests apart; `None` where
    /// there is but one event a test or one test a group.
    fn apart(&self) -> Option<(f64, f64)> {
        let both = self.events > self.tests && self.tests > self.groups;
        let (within, between) = (self.events - self.tests, self.tests - self.groups);
        both.then(|| ((within - 1.0).max(1.0), (between - 1.0).max(1.0)))
    }
}

/// The lag, averaged over both components by their restricted likelihood.
///
/// At known components the lag is normal about the generalised least squares. Weighted by the
/// restricted likelihood and the prior `dτ/√(τ (s + τ))` of each component this is a mixture of
/// normals. `s` is the variance that the events have without the component: the prior is flat in
/// `√τ` where `τ ≪ s`, and in `ln τ` where `τ ≫ s`, so that scatter which nothing but the events
/// tells has the degrees of freedom of Student's t, and where the known variances of the readings
/// exceed the scatter there is little to average. The value is the mean of the mixture; `u` and
/// `dof` are those of the Student's t whose central 68 and 95 % are as wide.
///
/// The restricted likelihood as a density of components: D. A. Harville, *Biometrika* 61 (1974) 383.
/// The prior is a choice, made by coverage on simulated gauges: of 22 kinds of tests and scatter, the
/// worst held 90.5 % of 1000 lags with `a = 0.2` in `τ^(a−1) (s + τ)^(−a) dτ`, and 92.3 % with
/// `a = 0.5`, which is this one. Of 2000 other lags each, 17 of the kinds held 93.4 to 99.2 %, the
/// most where three tests had no scatter.
pub(super) fn averaged(events: &[RateEvent], guess: f64, best: Components) -> Estimate {
    let counts = Counts::of(events);
    let weights: f64 = events.iter().map(|event| event.variance(guess).recip()).sum();
    let sum = best.event + best.test;
    // Exact readings leave the events no variance of their own.
    let known = (counts.events / weights).max(EXACT * sum).max(f64::MIN_POSITIVE);
    let mut mixture = Mixture::default();
    let mut add = |components: Components, prior: f64| {
        let found = slope(events, guess, components);
        let weight = found.log_likelihood + prior;
        mixture.add(weight, found.lag, found.information.recip());
        weight
    };
    if let Some((within, between)) = counts.apart() {
        let mut start = best.test;
        Axis::of(known, within).walk(best.event, |event, prior| {
            let mean = (known + event) * counts.tests / counts.events;
            let row = Axis::of(mean, between)
                .walk(start, |test, own| add(Components { event, test }, prior + own));
            start = row.component;
            row.weight
        });
    } else {
        let nothing = Components { event: 0.0, test: 0.0 };
        Axis::of(known, counts.dof())
            .walk(sum, |event, prior| add(Components { event, ..nothing }, prior));
    }
    mixture.estimate()
}

/// Where a walk found the largest weight.
struct Top {
    weight: f64,
    component: f64,
}

/// Components `s sinh²(y)` at even steps of `y`.
struct Axis {
    scale: f64,
    step: f64,
}

impl Axis {
    /// In `y` the likelihood of a component told by `dof` is about `(2 dof)^(−1/2)` wide or wider.
    fn of(scale: f64, dof: f64) -> Self {
        Self { scale, step: STEP / (2.0 * dof.max(1.0)).sqrt() }
    }

    /// Calls `weight` with a component and the logarithm of its prior, from the start up and down
    /// until nothing that counts is left.
    fn walk(&self, start: f64, mut weight: impl FnMut(f64, f64) -> f64) -> Top {
        let first = ((start / self.scale).sqrt().asinh() / self.step).round();
        let mut top = Top { weight: f64::NEG_INFINITY, component: start };
        let mut counts = |index: f64| {
            let component = self.scale * (index * self.step).sinh().powi(2);
            let weight = weight(component, Self::log_prior(index));
            if weight > top.weight {
                top = Top { weight, component };
            }
            weight > top.weight - DROP
        };
        let mut up = first;
        while up < first + MOST && counts(up) {
            up += 1.0;
        }
        let mut down = first - 1.0;
        while down >= 0.0 && counts(down) {
            down -= 1.0;
        }
        top
    }

    /// Of the prior's share at a node: flat in `y`, and half a step at the end.
    fn log_prior(index: f64) -> f64 {
        if index == 0.0 { 0.5_f64.ln() } else { 0.0 }
    }
}

/// Normals with the logarithms of their weights.
#[derive(Default)]
struct Mixture {
    parts: Vec<Normal>,
}

struct Normal {
    weight: f64,
    mean: f64,
    variance: f64,
}

impl Mixture {
    fn add(&mut self, weight: f64, mean: f64, variance: f64) {
        if weight.is_finite() && variance > 0.0 {
            self.parts.push(Normal { weight, mean, variance });
        }
    }

    /// Mean, and the Student's t whose central 68 and 95 % are as wide as the mixture's about it.
    fn estimate(mut self) -> Estimate {
        let top = self.parts.iter().map(|part| part.weight).fold(f64::NEG_INFINITY, f64::max);
        self.parts.retain(|part| part.weight > top - DROP);
        for part in &mut self.parts {
            part.weight = (part.weight - top).exp();
        }
        let total: f64 = self.parts.iter().map(|part| part.weight).sum();
        let value = self.parts.iter().map(|part| part.weight * part.mean).sum::<f64>() / total;
        for part in &mut self.parts {
            part.weight /= total;
            part.mean -= value;
        }
        let (body, tail) = (self.half_width(BODY), self.half_width(TAIL));
        let dof = dof_of(tail / body);
        Estimate { value, u: tail / t_quantile(0.5 + TAIL / 2.0, dof), dof }
    }

    /// Half-width about zero of the interval that holds `p`, by Newton's steps from zero: the
    /// probability is concave, so that none of them is too long.
    fn half_width(&self, p: f64) -> f64 {
        let law = normal();
        let mut half = 0.0;
        for _ in 0..100 {
            let (mut inside, mut density) = (0.0, 0.0);
            for part in &self.parts {
                let sd = part.variance.sqrt();
                let (high, low) = ((half - part.mean) / sd, (-half - part.mean) / sd);
                inside += part.weight * (law.cdf(high) - law.cdf(low));
                density += part.weight * (law.pdf(high) + law.pdf(low)) / sd;
            }
            let step = (p - inside) / density;
            half += step;
            if step.abs() <= 1e-9 * half {
                break;
            }
        }
        half
    }
}

/// Degrees of freedom of the Student's t whose central 95 % are `ratio` as wide as its 68 %.
fn dof_of(ratio: f64) -> f64 {
    let of = |dof: f64| t_quantile(0.5 + TAIL / 2.0, dof) / t_quantile(0.5 + BODY / 2.0, dof);
    // Nearly linear in the inverse: false position, the end that stays halved (Illinois).
    let (mut low, mut high) = (1.0 / MANY, 1.0);
    let (mut below, mut above) = (of(MANY) - ratio, of(1.0) - ratio);
    if below >= 0.0 || !below.is_finite() {
        return MANY;
    }
    if above <= 0.0 {
        return 1.0;
    }
    let mut last = 0.0;
    for _ in 0..60 {
        let inverse = (low * above - high * below) / (above - below);
        let off = of(1.0 / inverse) - ratio;
        if off.abs() < 1e-9 {
            return 1.0 / inverse;
        }
        if off < 0.0 {
            (low, below) = (inverse, off);
            above *= if last < 0.0 { 0.5 } else { 1.0 };
        } else {
            (high, above) = (inverse, off);
            below *= if last > 0.0 { 0.5 } else { 1.0 };
        }
        last = off;
    }
    1.0 / f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::smooth::State;
    use proptest::prelude::*;

    /// Events of one group whose values scatter by about `scatter` beside a variance of 0.09 Pa²
    /// each, so many a test; at odd irrational shares, the same in every run.
    fn events(tests: usize, each: usize, scatter: f64) -> Vec<RateEvent> {
        let share = |i: usize, of: f64| ((i as f64 + 1.0) * of).fract() - 0.5;
        let event = |(test, i): (usize, usize)| {
            let rate = 3.0 + 2.0 * test as f64 + 3.0 * share(i, 0.618_034);
            let off = share(i, 0.754_878) + 0.7 * share(test, 0.569_840);
            let value = 60.0 - 0.4 * rate + 3.0 * scatter * off;
            let signal = State { value, rate, var_value: 0.09, cov: 0.0, var_rate: 0.0 };
            RateEvent { group: 1, test: test as u64, signal, width_s: 0.0, clock_u_s: 0.0 }
        };
        (0..tests).flat_map(|t| (0..each).map(move |i| (t, t * each + i))).map(event).collect()
    }

    /// Nodes of an integral over all components, in the logarithm: the prior `dτ/√(τ (s + τ))`.
    fn nodes(known: f64) -> impl Iterator<Item = (f64, f64)> {
        (-120..=120).map(move |i| {
            let component = known * (0.15 * f64::from(i)).exp();
            (component, 0.5 * (component / (known + component)).ln())
        })
    }

    /// Probability that the lag lies within `half` of `value`, and its mean, by the product rule.
    fn directly(events: &[RateEvent], both: bool, value: f64, half: f64) -> (f64, f64) {
        let known = 0.09;
        let mut parts = Vec::new();
        for (event, prior) in nodes(known) {
            let counts = Counts::of(events);
            let mean = (known + event) * counts.tests / counts.events;
            let second: Vec<(f64, f64)> =
                if both { nodes(mean).collect() } else { vec![(0.0, 0.0)] };
            for (test, own) in second {
                let found = slope(events, 0.4, Components { event, test });
                parts.push((found.log_likelihood + prior + own, found));
            }
        }
        let top = parts.iter().map(|part| part.0).fold(f64::NEG_INFINITY, f64::max);
        let (mut total, mut inside, mut mean) = (0.0, 0.0, 0.0);
        for (log, found) in parts {
            let weight = (log - top).exp();
            let z = |at: f64| normal().cdf((at - found.lag) * found.information.sqrt());
            total += weight;
            inside += weight * (z(value + half) - z(value - half));
            mean += weight * found.lag;
        }
        (inside / total, mean / total)
    }

    #[test]
    fn the_average_is_that_of_direct_quadrature() {
        for (tests, each) in [(6, 1), (20, 1), (3, 3), (4, 6)] {
            for scatter in [0.0, 0.2, 1.0, 5.0] {
                let events = events(tests, each, scatter);
                let best = Components { event: scatter * scatter, test: 0.0 };
                let found = averaged(&events, 0.4, best);
                for p in [BODY, TAIL] {
                    let (inside, mean) =
                        directly(&events, each > 1, found.value, found.expanded(p));
                    let what = format!("{tests} x {each}, {scatter}: {inside} {p} {found:?}");
                    assert!((inside - p).abs() < 2e-3, "{what}");
                    assert!((mean - found.value).abs() < 0.02 * found.u, "{mean} {what}");
                }
            }
        }
    }

    #[test]
    fn where_the_average_starts_does_not_matter() {
        let events = events(4, 6, 0.5);
        let from = |event, test| averaged(&events, 0.4, Components { event, test });
        let (one, other) = (from(0.25, 0.1), from(0.001, 2.0));
        assert!((one.u / other.u - 1.0).abs() < 2e-3, "{one:?} {other:?}");
        assert!((one.dof / other.dof - 1.0).abs() < 0.02, "{one:?} {other:?}");
    }

    #[test]
    fn a_normal_has_no_end_of_degrees_of_freedom() {
        let mut mixture = Mixture::default();
        mixture.add(-300.0, 0.4, 0.01);
        let found = mixture.estimate();
        assert!((found.value, found.dof) == (0.4, MANY));
        assert!((found.u - 0.1).abs() < 1e-6, "{found:?}");
    }

    proptest! {
        #[test]
        fn variances_of_an_inverse_chi_square_make_a_students_t(
            dof in 2.0f64..60.0, u in 0.001f64..10.0,
        ) {
            // Normals of variance `v` whose `dof u²/v` is chi-square: Student's t (exact).
            let mut mixture = Mixture::default();
            for i in -400..=400 {
                let ratio = (0.03 * f64::from(i)).exp();
                mixture.add(-0.5 * dof * (ratio.ln() + 1.0 / ratio), 0.4, u * u * ratio);
            }
            let found = mixture.estimate();
            prop_assert!((found.value - 0.4).abs() < 1e-12);
            prop_assert!((found.u / u - 1.0).abs() < 1e-3, "{found:?}");
            prop_assert!((found.dof / dof - 1.0).abs() < 0.01, "{found:?}");
        }

        #[test]
        fn degrees_of_freedom_come_back_from_widths(dof in 1.0f64..1e4) {
            let ratio = t_quantile(0.975, dof) / t_quantile(0.5 + BODY / 2.0, dof);
            prop_assert!((dof_of(ratio) / dof - 1.0).abs() < 1e-3, "{} {dof}", dof_of(ratio));
        }
    }
}
