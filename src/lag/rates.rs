//! Lag from events of different rates, pooled over the switches and tests of a gauge.

use serde::{Deserialize, Serialize};

use super::averaged::{Counts, averaged};
use super::groups::{Components, Slope, across_directions, slope};
use super::outliers::without_outliers;
use crate::base::{Error, Estimate, Result, error, minimise::brent};
use crate::smooth::State;

/// What the lag needs to know of one event.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateEvent {
    /// Switch and direction: events that share a setpoint.
    pub group: u64,
    /// The test within the group.
    pub test: u64,
    /// Gauge signal at the event and its rate.
    pub signal: State,
    /// Width of the bracket, s.
    pub width_s: f64,
    /// Standard uncertainty of a time by which all events of the test are off alike, s.
    pub clock_u_s: f64,
}

impl RateEvent {
    /// Variance of `pressure + lag · rate`, bracket included (uniform: `width²/12`).
    pub fn variance(&self, lag: f64) -> f64 {
        let bracket = self.signal.rate * self.width_s;
        self.signal.ahead(lag).var_value + bracket * bracket / 12.0
    }

    fn is_finite(&self) -> bool {
        [self.signal.value, self.signal.rate, self.variance(1.0)]
            .iter()
            .all(|value| value.is_finite())
    }
}

/// When a lag counts as identified.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct LagConfig {
    /// Degrees of freedom needed.
    pub min_dof: f64,
    /// Spread of the rates about their groups' means that is needed, as a fraction of their root
    /// mean square.
    pub min_rate_spread: f64,
    /// Standard uncertainty above which the lag is not known at all, s.
    pub max_u_s: f64,
}

impl Default for LagConfig {
    fn default() -> Self {
        Self { min_dof: 2.0, min_rate_spread: 0.1, max_u_s: 0.5 }
    }
}

impl LagConfig {
    /// # Errors
    ///
    /// [`Error::BadValue`] naming the option.
    pub fn validate(&self) -> Result<()> {
        error::positive("min_dof", self.min_dof)?;
        error::not_negative("min_rate_spread", self.min_rate_spread)?;
        error::positive("max_u_s", self.max_u_s)?;
        Ok(())
    }
}

/// The lag of a gauge and what it was found from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lag {
    /// Mean lag, s.
    pub lag_s: Estimate,
    /// Events used.
    pub n_events: usize,
    /// Repeatability of the switches, event to event, Pa.
    pub repeatability_pa: f64,
    /// Scatter of a switch from test to test, Pa.
    pub between_tests_pa: f64,
}

/// Rounds of: variances at the last lag, components by restricted likelihood, new lag.
const ROUNDS: usize = 4;
/// Rounds of: lag, then events left out that do not belong to their group.
const OUTLIER_ROUNDS: usize = 3;
/// Share of the events that must agree.
const MIN_KEPT: f64 = 0.8;

/// Estimates the mean lag `L` of one gauge from `pressure = setpoint(group) − L · rate`.
///
/// Generalised least squares with one intercept for each group. The covariance of an event is that
/// of its signal and rate at `L` (iterated), its bracket, the switch's repeatability, and a
/// component that events of one test share; the lag is averaged over both components by their
/// restricted likelihood, and `u` and the degrees of freedom are those of the Student's t as wide as
/// that average. What the readings' own covariances tell of `u` has no end of degrees of freedom.
/// Where the clock of a held display shifts all events of a test alike, by `δ · rate`, the
/// covariance has `u(δ)² rate rateᵀ` for the events of a direction, and the lag's variance what the
/// same `δ` does to the other direction.
/// Events that lie far from the median of their group (chatter taken for a change) are left out;
/// when more than a fifth do, nothing is said.
///
/// The events may come in any order; equal inputs give equal bytes once they are sorted, which is
/// done here by group, test and rate.
///
/// # Errors
///
/// [`Error::LagUnidentified`] when there are too few events or the rates are too alike,
/// [`Error::NotFinite`] for a value that is not finite, [`Error::BadValue`] for a bad option, or a
/// variance or width that cannot be.
///
/// ```
/// use deadband::lag::{LagConfig, RateEvent, from_rates};
/// use deadband::smooth::State;
/// let events: Vec<RateEvent> = (1..=8)
///     .map(|i| {
///         let rate = f64::from(i);
///         let noise = if i % 2 == 0 { 0.01 } else { -0.01 };
///         RateEvent {
///             group: 1, test: 1, width_s: 0.0, clock_u_s: 0.0,
///             signal: State {
///                 value: 60.0 - 0.4 * rate + noise, rate,
///                 var_value: 1e-4, cov: 0.0, var_rate: 1e-6,
///             },
///         }
///     })
///     .collect();
/// let lag = from_rates(&events, &LagConfig::default())?.lag_s;
/// assert!((lag.value - 0.4).abs() < 3.0 * lag.u && lag.u < 0.01);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn from_rates(events: &[RateEvent], config: &LagConfig) -> Result<Lag> {
    config.validate()?;
    for event in events {
        event.signal.check_covariance()?;
        error::not_negative("time_width_s", event.width_s)?;
        error::not_negative("clock_u_s", event.clock_u_s)?;
    }
    if let Some(index) = events.iter().position(|event| !event.is_finite()) {
        return Err(Error::NotFinite { channel: "event", index, value: f64::NAN });
    }
    let offered = events.len() as f64;
    let mut events = events.to_vec();
    events.sort_by(|a, b| {
        (a.group, a.test)
            .cmp(&(b.group, b.test))
            .then(a.signal.rate.total_cmp(&b.signal.rate))
            .then(a.signal.value.total_cmp(&b.signal.value))
    });
    for _ in 0..OUTLIER_ROUNDS {
        if identified(&events, config).is_err() {
            break;
        }
        let lag = iterate(&events).0.lag;
        let kept = without_outliers(&events, lag);
        if kept.len() == events.len() {
            break;
        }
        events = kept;
    }
    if (events.len() as f64) < MIN_KEPT * offered {
        return Err(unidentified("the events of a switch disagree"));
    }
    identified(&events, config)?;
    let (slope, components) = iterate(&events);
    let lag_s = averaged(&events, slope.lag, components);
    let both = across_directions(&events, slope.lag, components);
    let lag_s = lag_s.with_known(both);
    // Written so that NaN is no lag either.
    if !(lag_s.value.is_finite() && lag_s.u <= config.max_u_s) {
        return Err(unidentified("its uncertainty is too large"));
    }
    Ok(Lag {
        lag_s,
        n_events: events.len(),
        repeatability_pa: components.event.sqrt(),
        between_tests_pa: components.test.sqrt(),
    })
}

fn unidentified(reason: &'static str) -> Error {
    Error::LagUnidentified { reason, cure: "test at clearly different rates or state the lag" }
}

/// Whether the events can tell a lag at all.
fn identified(events: &[RateEvent], config: &LagConfig) -> Result<()> {
    if Counts::of(events).dof() < config.min_dof {
        return Err(unidentified("too few events of different rates"));
    }
    if rate_spread(events) < config.min_rate_spread {
        return Err(unidentified("the rates are too alike"));
    }
    Ok(())
}

fn rate_spread(events: &[RateEvent]) -> f64 {
    let (mut about, mut square) = (0.0, 0.0);
    for group in events.chunk_by(|a, b| a.group == b.group) {
        let mean = group.iter().map(|event| event.signal.rate).sum::<f64>() / group.len() as f64;
        about += group.iter().map(|event| (event.signal.rate - mean).powi(2)).sum::<f64>();
        square += group.iter().map(|event| event.signal.rate.powi(2)).sum::<f64>();
    }
    (about / square).sqrt()
}

fn iterate(events: &[RateEvent]) -> (Slope, Components) {
    let scale = scatter(events).max(f64::MIN_POSITIVE);
    let several_tests =
        events.chunk_by(|a, b| a.group == b.group).any(|g| g[0].test != g[g.len() - 1].test);
    let floor = 1e-10 * scale;
    let mut components =
        Components { event: 0.1 * scale, test: if several_tests { 0.1 * scale } else { 0.0 } };
    let mut found = slope(events, 0.0, components);
    for _ in 0..ROUNDS {
        let guess = found.lag;
        let search = |at: &dyn Fn(f64) -> Components| {
            let worth = |log: f64| -slope(events, guess, at(log.exp())).log_likelihood;
            brent(worth, floor.ln(), (4.0 * scale).ln(), 1e-3, 60).x.exp()
        };
        let Components { test, .. } = components;
        components.event = search(&|event| Components { event, test });
        if several_tests {
            let Components { event, .. } = components;
            components.test = search(&|test| Components { event, test });
        }
        found = slope(events, guess, components);
    }
    (found, components)
}

/// Mean square of the pressures about their groups' means.
fn scatter(events: &[RateEvent]) -> f64 {
    let sum: f64 = events
        .chunk_by(|a, b| a.group == b.group)
        .map(|group| {
            let mean =
                group.iter().map(|event| event.signal.value).sum::<f64>() / group.len() as f64;
            group.iter().map(|event| (event.signal.value - mean).powi(2)).sum::<f64>()
        })
        .sum();
    sum / events.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Status;
    use crate::base::estimate::normal;
    use proptest::prelude::*;
    use statrs::distribution::ContinuousCDF;

    /// Quasi-random normal deviates, the same in every run.
    fn deviate(i: usize, base: f64) -> f64 {
        normal().inverse_cdf(((i as f64 + 0.5) * base).fract().clamp(1e-3, 1.0 - 1e-3))
    }

    fn fleet(switches: usize, tests: usize, cycles: usize, lag: f64) -> Vec<RateEvent> {
        let mut events = Vec::new();
        for (i, (switch, test, cycle, close)) in (0..switches)
            .flat_map(|s| (0..tests).map(move |t| (s, t)))
            .flat_map(|(s, t)| (0..cycles).map(move |c| (s, t, c)))
            .flat_map(|(s, t, c)| [true, false].map(|close| (s, t, c, close)))
            .enumerate()
        {
            let sign = if close { 1.0 } else { -1.0 };
            let rate = sign * (2.0 + 18.0 * ((i as f64) * 0.618_034).fract());
            let setpoint = 50.0 + switch as f64 + if close { 10.0 } else { 0.0 };
            let between = 0.3 * deviate(switch * tests + test, 0.754_877_666);
            let noise = 0.4 * deviate(i, 0.569_840_291);
            events.push(RateEvent {
                group: (2 * switch + usize::from(close)) as u64,
                test: test as u64,
                signal: State {
                    value: setpoint + between + noise - lag * rate,
                    rate,
                    var_value: 0.08,
                    cov: 0.0,
                    var_rate: 0.01,
                },
                width_s: 0.1,
                clock_u_s: 0.0,
            });
            let _ = cycle;
        }
        events
    }

    #[test]
    fn a_fleet_gives_its_lag() {
        let found = from_rates(&fleet(10, 3, 4, 0.4), &LagConfig::default()).expect("identified");
        assert!((found.lag_s.value - 0.4).abs() < 3.0 * found.lag_s.u, "{found:?}");
        assert!(found.lag_s.u < 0.01 && found.lag_s.dof > 100.0, "{found:?}");
        assert!(found.between_tests_pa > 0.1, "{found:?}");
    }

    #[test]
    fn chatter_taken_for_changes_does_not_move_the_lag() {
        let events = fleet(10, 3, 4, 0.4);
        let clean = from_rates(&events, &LagConfig::default()).expect("identified");
        let mut dirty = events.clone();
        let moved = |event: &RateEvent, by: f64| RateEvent {
            signal: State { value: event.signal.value + by, ..event.signal },
            ..*event
        };
        dirty
            .extend(events.iter().step_by(12).map(|e| moved(e, -10.0_f64.copysign(e.signal.rate))));
        let found = from_rates(&dirty, &LagConfig::default()).expect("identified");
        assert_eq!(found.n_events, events.len());
        assert!((found.lag_s.value - clean.lag_s.value).abs() < 1e-6);
        dirty.extend(dirty.clone().iter().map(|e| moved(e, 20.0 * e.signal.rate.sin())));
        let nothing = from_rates(&dirty, &LagConfig::default());
        assert!(nothing.is_err() || nothing.is_ok_and(|lag| lag.lag_s.u > clean.lag_s.u));
    }

    #[test]
    fn the_order_of_events_changes_no_byte() {
        let events = fleet(5, 2, 3, 0.7);
        let mut turned = events.clone();
        turned.rotate_left(17);
        turned.reverse();
        let config = LagConfig::default();
        assert_eq!(from_rates(&events, &config), from_rates(&turned, &config));
    }

    #[test]
    fn rates_too_alike_and_events_too_few_are_unidentified() {
        let mut events = fleet(5, 2, 3, 0.7);
        for event in &mut events {
            let signal = &mut event.signal;
            signal.rate = 5.0_f64.copysign(signal.rate) * (1.0 + 1e-3 * signal.value.sin());
        }
        let config = LagConfig::default();
        let status = |events: &[RateEvent]| from_rates(events, &config).unwrap_err().status();
        assert_eq!(status(&events), Status::LagUnidentified);
        assert_eq!(status(&events[..2]), Status::LagUnidentified);
        assert_eq!(status(&[]), Status::LagUnidentified);
        events[0].signal.value = f64::NAN;
        assert_eq!(status(&events), Status::NotFinite);
    }

    #[test]
    fn variances_that_cannot_be_are_refused() {
        let events = fleet(5, 2, 3, 0.7);
        for value in [-1.0, f64::NAN, f64::INFINITY] {
            let spoilt = |part: &dyn Fn(&mut RateEvent)| {
                let mut events = events.clone();
                part(&mut events[3]);
                from_rates(&events, &LagConfig::default()).unwrap_err().status()
            };
            assert_eq!(spoilt(&|event| event.signal.var_value = value), Status::BadValue);
            assert_eq!(spoilt(&|event| event.width_s = value), Status::BadValue);
        }
    }

    proptest! {
        #[test]
        fn pressure_in_other_units_gives_the_same_lag(scale in 0.01f64..100.0) {
            let events = fleet(4, 2, 3, 0.3);
            let scaled: Vec<RateEvent> = events
                .iter()
                .map(|event| RateEvent {
                    signal: State {
                        value: scale * event.signal.value,
                        rate: scale * event.signal.rate,
                        var_value: scale * scale * event.signal.var_value,
                        cov: scale * scale * event.signal.cov,
                        var_rate: scale * scale * event.signal.var_rate,
                    },
                    ..*event
                })
                .collect();
            let config = LagConfig::default();
            let one = from_rates(&events, &config).expect("identified").lag_s;
            let other = from_rates(&scaled, &config).expect("identified").lag_s;
            prop_assert!((one.value - other.value).abs() < 1e-4);
            prop_assert!((one.u / other.u - 1.0).abs() < 1e-2);
        }
    }
}
