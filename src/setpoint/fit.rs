//! Close, open and deadband of one test.

use serde::{Deserialize, Serialize};

use super::GaugeSpec;
use super::brackets::{BracketModel, Overlapped, overlapped};
use super::budget::Budget;
use super::scatter::{Direction, Repeatability, scatter};
use super::side::{Average, Excess, Pressing, Side};
use crate::base::{Error, Estimate, Result, error};

/// Options of [`fit`].
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SetpointConfig {
    /// What is known of the repeatability beforehand: given, or pooled over a fleet. Absent: 0.5 %
    /// of the setpoint with one degree of freedom, an assumption of ours without a source, weak
    /// beside the scatter of a few cycles.
    pub repeatability: Option<Repeatability>,
    /// What is made of several brackets. Absent: [`BracketModel::Overlap`] where a direction has two
    /// events or more in whose brackets the pressure moves by more than four standard uncertainties of
    /// its reading (root mean squares), else [`BracketModel::Mean`].
    pub brackets: Option<BracketModel>,
}

/// Relative repeatability assumed where nothing is known.
const ASSUMED_REPEATABILITY: f64 = 0.005;

/// Setpoints of one test.
#[derive(Debug, Clone, PartialEq)]
pub struct Setpoints {
    /// Pressure at which the contact makes, Pa.
    pub close: Option<Estimate>,
    /// Pressure at which it breaks, Pa.
    pub open: Option<Estimate>,
    /// Close minus open, Pa.
    pub deadband: Option<Estimate>,
    /// Standard deviation of one event about its setpoint, the readings' own uncertainty taken
    /// out, Pa.
    pub repeatability_pa: f64,
    /// What the events say of the repeatability by themselves.
    pub excess: Excess,
    /// Closing events used.
    pub n_close: usize,
    /// Opening events used.
    pub n_open: usize,
    /// What the lag correction added to the open setpoint (to the close setpoint if there is no
    /// open one), `L` times the mean rate, Pa.
    pub lag_correction_pa: f64,
    /// What was made of the brackets.
    pub bracket_model: BracketModel,
    /// Budgets of close, open and deadband.
    pub budgets: [Option<Budget>; 3],
}

/// Makes setpoints of the events of one test.
///
/// Each event gives `x = p + L r`, with known variance
/// `var_p + 2 L cov + L² var_r + (r · width)²/12`; the events of a direction are averaged with
/// weights `1/(variance + τ²)`, the repeatability `τ²` being common to both directions. The lag's
/// uncertainty, `u(L) |Σ w r|`, is the same for all events and does not average out; in the
/// deadband the two directions' rates differ in sign and it adds up. The display's rounding has
/// gone into the noise that the smoother found: its share of that noise is shown as a line of its
/// own and not added again.
///
/// Where brackets are wide beside their readings' uncertainty the setpoints come from their overlap
/// instead, see [`BracketModel`]; what is common to the events is added in the same way. To say how
/// much narrower it is, fit twice:
///
/// ```
/// use deadband::base::Estimate;
/// use deadband::setpoint::{BracketModel, GaugeSpec, Pressing, SetpointConfig, fit};
/// use deadband::smooth::State;
/// let pinch = |pressure: f64| Pressing {
///     close: false,
///     signal: State { value: pressure, rate: -80.0, var_value: 0.04, cov: 0.0, var_rate: 0.0 },
///     width_s: 0.1, noise_pa: None, step_pa: None, lag_applied: true, var_common: 0.0,
///     shift_pa: 0.0, corner: false,
/// };
/// let events = [pinch(58.0), pinch(60.5), pinch(62.5)];
/// let lag = Estimate { value: 0.3, u: 0.0, dof: f64::INFINITY };
/// let open = |brackets| {
///     let config = SetpointConfig { brackets, ..SetpointConfig::default() };
///     fit(&events, lag, &GaugeSpec::default(), &config).map(|found| found.open)
/// };
/// let (overlap, mean) = (open(None)?.unwrap(), open(Some(BracketModel::Mean))?.unwrap());
/// assert!(overlap.expanded(0.95) < 0.9 * mean.expanded(0.95));
/// # Ok::<(), deadband::base::Error>(())
/// ```
///
/// # Errors
///
/// [`Error::NoEvent`] without events, [`Error::NotFinite`] or [`Error::BadValue`] for bad numbers.
///
/// ```
/// use deadband::{base::Estimate, setpoint::{GaugeSpec, Pressing, SetpointConfig, fit}};
/// use deadband::smooth::State;
/// let event = |close: bool, pressure: f64| Pressing {
///     close,
///     signal: State {
///         value: pressure, rate: if close { 5.0 } else { -5.0 },
///         var_value: 0.01, cov: 0.0, var_rate: 0.01,
///     },
///     width_s: 0.1, noise_pa: None, step_pa: None, lag_applied: false, var_common: 0.0,
///     shift_pa: 0.0, corner: false,
/// };
/// let events = [event(true, 68.0), event(false, 62.0), event(true, 68.1), event(false, 62.1)];
/// let lag = Estimate { value: 0.4, u: 0.01, dof: f64::INFINITY };
/// let found = fit(&events, lag, &GaugeSpec::default(), &SetpointConfig::default())?;
/// assert!((found.close.unwrap().value - 70.05).abs() < 1e-6);
/// assert!((found.open.unwrap().value - 60.05).abs() < 1e-6);
/// assert!((found.deadband.unwrap().value - 10.0).abs() < 1e-6);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn fit(
    events: &[Pressing],
    lag: Estimate,
    gauge: &GaugeSpec,
    config: &SetpointConfig,
) -> Result<Setpoints> {
    gauge.validate()?;
    error::not_negative("lag_u_s", lag.u)?;
    if !lag.value.is_finite() {
        return Err(Error::BadValue { what: "lag_s", value: lag.value, must: "a finite number" });
    }
    if lag.dof.is_nan() || lag.dof <= 0.0 {
        let what = "the degrees of freedom of the lag";
        return Err(Error::BadValue { what, value: lag.dof, must: "above zero" });
    }
    if let Some(prior) = config.repeatability {
        error::positive("repeatability", prior.sd_pa)?;
        error::positive("repeatability dof", prior.dof)?;
    }
    if events.is_empty() {
        return Err(Error::NoEvent { samples: 0 });
    }
    events.iter().try_for_each(check)?;
    let [closes, opens] = [true, false].map(|close| Side::of(events, close, lag.value));
    for side in [&closes, &opens] {
        if side.x.iter().chain(&side.v).any(|value| !value.is_finite()) {
            return Err(Error::NotFinite { channel: "event", index: 0, value: f64::NAN });
        }
    }
    let directions: Vec<Direction<'_>> =
        [&closes, &opens].into_iter().filter_map(Side::direction).collect();
    let level = closes.x.iter().chain(&opens.x).map(|x| x.abs()).fold(0.0, f64::max);
    let assumed = ASSUMED_REPEATABILITY * level.max(f64::MIN_POSITIVE);
    let prior = config.repeatability.unwrap_or(Repeatability { sd_pa: assumed, dof: 1.0 });
    let sides = [&closes, &opens];
    let bracket_model = config.brackets.unwrap_or_else(|| BracketModel::by_rule(sides));
    let Overlapped { averages: [close, open], deadband, scatter } = match bracket_model {
        BracketModel::Overlap => overlapped(sides, prior, lag, gauge),
        BracketModel::Mean => {
            let scatter = scatter(&directions, prior);
            let averages = sides.map(|side| side.average(&scatter, lag, gauge));
            let both = averages[0].as_ref().zip(averages[1].as_ref());
            let deadband = both.map(|(close, open)| close.minus(open, &scatter, lag, gauge));
            Overlapped { averages, deadband, scatter }
        }
    };
    let correction = open.as_ref().or(close.as_ref()).map_or(0.0, |average| average.correction);
    Ok(Setpoints {
        close: close.as_ref().map(Average::estimate),
        open: open.as_ref().map(Average::estimate),
        deadband: deadband.as_ref().map(|(value, budget)| budget.estimate(*value)),
        repeatability_pa: scatter.variance.sqrt(),
        excess: closes.excess() + opens.excess(),
        n_close: closes.x.len(),
        n_open: opens.x.len(),
        lag_correction_pa: correction,
        bracket_model,
        budgets: [
            close.map(|average| average.budget),
            open.map(|average| average.budget),
            deadband.map(|(_, budget)| budget),
        ],
    })
}

/// Refuses an event with a number that would silently count as nothing.
fn check(event: &Pressing) -> Result<()> {
    event.signal.check_covariance()?;
    error::not_negative("time_width_s", event.width_s)?;
    error::not_negative("var_common", event.var_common)?;
    error::not_negative("noise_pa", event.noise_pa.unwrap_or(0.0))?;
    error::not_negative("step_pa", event.step_pa.unwrap_or(0.0))?;
    if event.shift_pa.is_finite() {
        return Ok(());
    }
    let (what, must) = ("bracket_shift_pa", "a finite number");
    Err(Error::BadValue { what, value: event.shift_pa, must })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Status;
    use crate::setpoint::Source;
    use crate::smooth::State;
    use proptest::prelude::*;

    fn event(close: bool, pressure: f64, rate: f64) -> Pressing {
        Pressing {
            close,
            signal: State { value: pressure, rate, var_value: 0.04, cov: 0.01, var_rate: 0.02 },
            width_s: 0.1,
            noise_pa: Some(0.9),
            step_pa: Some(2.49),
            lag_applied: false,
            var_common: 0.0,
            shift_pa: 0.0,
            corner: false,
        }
    }

    fn known(value: f64, u: f64) -> Estimate {
        Estimate { value, u, dof: f64::INFINITY }
    }

    #[test]
    fn zero_uncertainty_is_legal() {
        let exact = Pressing {
            signal: State { value: 70.0, rate: 4.0, var_value: 0.0, cov: 0.0, var_rate: 0.0 },
            width_s: 0.0,
            step_pa: None,
            ..event(true, 70.0, 4.0)
        };
        let config = SetpointConfig::default();
        let found =
            fit(&[exact; 3], known(0.0, 0.0), &GaugeSpec::default(), &config).expect("fits");
        let close = found.close.expect("closed");
        assert_eq!(close.value, 70.0);
        assert!(close.u < 0.2 && close.dof.is_finite());
    }

    #[test]
    fn the_lag_is_common_to_all_events_and_adds_up_in_the_deadband() {
        let events: Vec<Pressing> =
            (0..50).flat_map(|_| [event(true, 68.0, 5.0), event(false, 62.0, -5.0)]).collect();
        let config = SetpointConfig::default();
        let found = fit(&events, known(0.4, 0.1), &GaugeSpec::default(), &config).expect("fits");
        let line = |which: usize| {
            found.budgets[which].as_ref().and_then(|b| b.line(Source::Lag)).expect("a line").u_pa
        };
        assert!((line(0) - 0.5).abs() < 1e-9 && (line(1) - 0.5).abs() < 1e-9);
        assert!((line(2) - 1.0).abs() < 1e-9);
        assert!((found.lag_correction_pa + 2.0).abs() < 1e-9);
    }

    #[test]
    fn rounding_is_shown_but_not_added_again() {
        // Noise of two and a half steps dithers the rounding completely.
        let dithered = |pressure| Pressing { noise_pa: Some(6.2), ..event(false, pressure, -5.0) };
        let events = [dithered(62.0), dithered(62.3)];
        let config = SetpointConfig::default();
        let coarse = fit(&events, known(0.4, 0.0), &GaugeSpec::default(), &config).expect("fits");
        let blind = events.map(|event| Pressing { step_pa: None, ..event });
        let plain = fit(&blind, known(0.4, 0.0), &GaugeSpec::default(), &config).expect("fits");
        let budget = coarse.budgets[1].as_ref().expect("opened");
        assert!(budget.line(Source::Resolution).is_some_and(|line| line.u_pa > 0.0));
        let (coarse, plain) = (coarse.open.expect("opened"), plain.open.expect("opened"));
        assert!((coarse.u - plain.u).abs() < 1e-12);
    }

    #[test]
    fn a_staircase_does_not_average_out() {
        let still = Pressing { noise_pa: Some(0.3), step_pa: None, ..event(false, 62.0, -2.0) };
        let config = SetpointConfig::default();
        let gauge = GaugeSpec { resolution_pa: Some(2.49), ..GaugeSpec::default() };
        let rounding = |events: &[Pressing]| {
            let found = fit(events, known(0.4, 0.0), &gauge, &config).expect("fits");
            let line = found.budgets[1].as_ref().and_then(|b| b.line(Source::Resolution));
            line.expect("a line").u_pa
        };
        let stands = rounding(&[still; 20]);
        assert!((stands - 2.49 / 12.0_f64.sqrt()).abs() < 0.02, "{stands}");
        // Where the step was found the readings were taken for what they are.
        let found = Pressing { step_pa: Some(2.49), ..still };
        assert!(rounding(&[found; 20]) < 0.1);
    }

    #[test]
    fn what_the_split_of_the_lag_leaves_open_does_not_average_out() {
        let open_split = Pressing { var_common: 9.0, ..event(false, 62.0, -5.0) };
        let config = SetpointConfig::default();
        let gauge = GaugeSpec::default();
        let found = fit(&[open_split; 20], known(0.4, 0.0), &gauge, &config).expect("fits");
        let line = found.budgets[1].as_ref().and_then(|b| b.line(Source::Common)).expect("a line");
        assert!((line.u_pa - 3.0).abs() < 1e-9 && found.open.is_some_and(|open| open.u > 3.0));
    }

    #[test]
    fn accuracy_is_absent_unless_stated_and_its_constant_part_cancels() {
        let events = [event(true, 68.0, 5.0), event(false, 62.0, -5.0)];
        let config = SetpointConfig::default();
        let none = fit(&events, known(0.4, 0.0), &GaugeSpec::default(), &config).expect("fits");
        assert!(none.budgets[0].as_ref().expect("closed").line(Source::Accuracy).is_none());
        let stated = GaugeSpec { accuracy_abs_pa: Some(3.0), ..GaugeSpec::default() };
        let found = fit(&events, known(0.4, 0.0), &stated, &config).expect("fits");
        let line = |which: usize| {
            found.budgets[which].as_ref().and_then(|b| b.line(Source::Accuracy)).expect("a line")
        };
        assert!((line(0).u_pa - 3.0_f64.sqrt()).abs() < 1e-12);
        assert_eq!(line(2).u_pa, 0.0);
    }

    #[test]
    fn bad_numbers_are_refused() {
        let config = SetpointConfig::default();
        let gauge = GaugeSpec::default();
        let status = |events: &[Pressing], lag, gauge: &GaugeSpec| {
            fit(events, lag, gauge, &config).unwrap_err().status()
        };
        let lag = known(0.4, 0.1);
        assert_eq!(status(&[], lag, &gauge), Status::NoEvent);
        assert_eq!(status(&[event(true, f64::NAN, 1.0)], lag, &gauge), Status::NotFinite);
        assert_eq!(status(&[event(true, 60.0, 1.0)], known(0.4, -1.0), &gauge), Status::BadValue);
        for dof in [0.0, -2.0, f64::NAN] {
            let lag = Estimate { dof, ..lag };
            assert_eq!(status(&[event(true, 60.0, 1.0)], lag, &gauge), Status::BadValue);
        }
        for value in [-1.0, f64::NAN, f64::INFINITY] {
            let sound = event(true, 60.0, 1.0);
            let with = |signal| Pressing { signal, ..sound };
            for bad in [
                with(State { var_value: value, ..sound.signal }),
                with(State { var_rate: value, ..sound.signal }),
                Pressing { width_s: value, ..sound },
                Pressing { var_common: value, ..sound },
                Pressing { noise_pa: Some(value), ..sound },
                Pressing { step_pa: Some(value), ..sound },
            ] {
                assert_eq!(status(&[sound, bad], lag, &gauge), Status::BadValue, "{bad:?}");
            }
        }
        for value in [f64::NAN, f64::INFINITY] {
            let lag = Estimate { value, ..lag };
            assert_eq!(status(&[event(true, 60.0, 1.0)], lag, &gauge), Status::BadValue);
        }
        for value in [-0.1, f64::NAN, f64::INFINITY] {
            let gauge = GaugeSpec { accuracy_abs_pa: Some(value), ..gauge };
            assert_eq!(status(&[event(true, 60.0, 1.0)], lag, &gauge), Status::BadValue);
        }
        let gauge = GaugeSpec { accuracy_rel: Some(-0.1), ..gauge };
        assert_eq!(status(&[event(true, 60.0, 1.0)], lag, &gauge), Status::BadValue);
    }

    proptest! {
        #[test]
        fn lines_add_up_to_the_uncertainty_and_the_mean_lies_among_the_events(
            pressures in prop::collection::vec(50.0f64..70.0, 1..8), u in 0.0f64..0.2,
        ) {
            let events: Vec<Pressing> =
                pressures.iter().map(|&p| event(false, p, -4.0)).collect();
            let config = SetpointConfig::default();
            let found = fit(&events, known(0.3, u), &GaugeSpec::default(), &config).expect("fits");
            let open = found.open.expect("opened");
            let budget = found.budgets[1].as_ref().expect("opened");
            let sum: f64 = budget.lines.iter().map(|line| line.u_pa.powi(2)).sum();
            prop_assert!((open.u - sum.sqrt()).abs() < 1e-12);
            let least = pressures.iter().copied().fold(f64::INFINITY, f64::min) - 1.2;
            let most = pressures.iter().copied().fold(f64::NEG_INFINITY, f64::max) - 1.2;
            prop_assert!(open.value >= least - 1e-9 && open.value <= most + 1e-9);
            prop_assert!(open.dof > 0.0 && found.close.is_none() && found.deadband.is_none());
        }
    }
}
