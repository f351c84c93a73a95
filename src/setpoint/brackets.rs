//! Which estimate the brackets of a test call for, and the one from their overlap.

use serde::{Deserialize, Serialize};

use super::GaugeSpec;
use super::budget::{Budget, Source};
use super::coverage::{median, summary};
use super::curve::Events;
use super::overlap::{Joint, Mixture, Shares};
use super::scatter::{Repeatability, Scatter};
use super::side::{Alike, Average, Side};
use crate::base::Estimate;

/// What is made of several brackets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BracketModel {
    /// The mean of their middles, each off by a uniform error of its own.
    Mean,
    /// Their overlap: an interval-censored likelihood.
    Overlap,
}

impl BracketModel {
    /// The name in the `bracket_model` column.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Mean => "mean",
            Self::Overlap => "overlap",
        }
    }

    /// The rule: the overlap where a direction has two events or more and the pressure moves in their
    /// brackets by more than four standard uncertainties of its reading, in the root mean square.
    ///
    /// It looks at the design of a test, never at where its brackets fell or which estimate came out
    /// narrower. Below it the two are as wide as each other within a few percent, and the mean costs
    /// less. Above it the overlap is narrower, unless the switch scatters by a third of a bracket or
    /// more; it serves there too, since the mean is wrong where brackets fall on the same pressures
    /// every time and the switch scatters little, which nobody knows beforehand. Both directions of a
    /// test are treated alike.
    pub(super) fn by_rule(sides: [&Side<'_>; 2]) -> Self {
        if sides.iter().any(|side| side.is_bracketed()) { Self::Overlap } else { Self::Mean }
    }
}

/// Setpoints from the overlap.
pub(super) struct Overlapped {
    pub(super) averages: [Option<Average>; 2],
    pub(super) deadband: Option<(f64, Budget)>,
    pub(super) scatter: Scatter,
}

/// What is added to a setpoint from outside of its brackets.
struct Outside {
    lag: f64,
    lag_dof: f64,
    common: f64,
    staircase: f64,
    accuracy: Option<f64>,
}

impl Outside {
    fn standard(&self) -> f64 {
        let parts = [self.lag, self.common, self.staircase, self.accuracy.unwrap_or(0.0)];
        parts.iter().map(|u| u * u).sum::<f64>().sqrt()
    }

    /// The lines, their squares adding up to that of the summary's `u`.
    ///
    /// What the posterior of the brackets leaves beside the outside parts is shared out; as its width
    /// depends on a repeatability that is known only so well, so does the width of its two shares that
    /// are no readings, and both have the degrees of freedom with which Welch and Satterthwaite's
    /// formula gives those of the whole.
    fn budget(&self, mixture: &Mixture, value: f64, shares: Shares) -> Budget {
        let outside = self.standard();
        let whole = summary(mixture, value, outside);
        let core = (whole.u * whole.u - outside * outside).max(0.0);
        let part = |share: f64| (core * share).sqrt();
        let (bracket, repeatability) = (part(shares.bracket), part(shares.repeatability));
        let fourth = |u: f64| u.powi(4);
        let own = whole.dof * (fourth(bracket) + fourth(repeatability)) / fourth(whole.u);
        let own = if own > 0.0 { own } else { f64::INFINITY };
        let known = f64::INFINITY;
        let mut budget = Budget::default();
        budget.push(Source::Reading, part(shares.reading), known);
        budget.push(Source::Bracket, bracket, own);
        budget.push(Source::Resolution, part(shares.rounding).hypot(self.staircase), known);
        budget.push(Source::Repeatability, repeatability, own);
        budget.push(Source::Lag, self.lag, self.lag_dof);
        budget.push(Source::Common, self.common, known);
        if let Some(accuracy) = self.accuracy {
            budget.push(Source::Accuracy, accuracy, known);
        }
        budget
    }
}

/// Close, open and deadband from the overlap of the brackets; `sides` are closings and openings, not
/// both empty.
pub(super) fn overlapped(
    sides: [&Side<'_>; 2],
    prior: Repeatability,
    lag: Estimate,
    gauge: &GaugeSpec,
) -> Overlapped {
    let [closings, openings] = sides.map(|side| Events::of(side.cells()));
    let joint = Joint::of([&closings, &openings], prior);
    let rounding = sides.map(|side| side.rounding(gauge));
    let rounding = [rounding[0].as_slice(), rounding[1].as_slice()];
    let averages = [0, 1].map(|which| {
        let side = sides[which];
        side.direction()?;
        let mixture = joint.side(which);
        let value = median(&mixture);
        let alike = side.alike(&joint.weights(which), gauge, |event| event.var_common.max(0.0));
        let outside = Outside {
            lag: lag.u * alike.rate.abs(),
            lag_dof: lag.dof,
            common: alike.split,
            staircase: alike.staircase,
            accuracy: gauge.accuracy().map(|accuracy| accuracy(value).0),
        };
        let budget = outside.budget(&mixture, value, joint.shares(&[which], rounding));
        Some(Average { value, correction: lag.value * alike.rate, alike, budget })
    });
    let deadband = averages[0].as_ref().zip(averages[1].as_ref()).map(|(close, open)| {
        let value = close.value - open.value;
        let Alike { rate, split, staircase } = close.alike;
        let outside = Outside {
            lag: lag.u * (rate - open.alike.rate).abs(),
            lag_dof: lag.dof,
            common: split + open.alike.split,
            staircase: staircase.hypot(open.alike.staircase),
            accuracy: gauge.accuracy().map(|accuracy| accuracy(value).1),
        };
        let shares = joint.shares(&[0, 1], rounding);
        (value, outside.budget(&joint.difference(), value, shares))
    });
    Overlapped { averages, deadband, scatter: joint.scatter() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setpoint::{Pressing, SetpointConfig, Setpoints, fit};
    use crate::smooth::State;
    use proptest::prelude::*;

    fn event(close: bool, value: f64, bracket: f64, u: f64) -> Pressing {
        let rate = if close { bracket / 0.1 } else { -bracket / 0.1 };
        Pressing {
            close,
            signal: State { value, rate, var_value: u * u, cov: 0.0, var_rate: 0.0 },
            width_s: 0.1,
            noise_pa: None,
            step_pa: None,
            lag_applied: true,
            var_common: 0.0,
            shift_pa: 0.0,
            corner: false,
        }
    }

    fn told(brackets: Option<BracketModel>) -> SetpointConfig {
        let repeatability = Some(Repeatability { sd_pa: 0.2, dof: 4.0 });
        SetpointConfig { repeatability, brackets }
    }

    fn found(events: &[Pressing], u_lag: f64, config: &SetpointConfig) -> Setpoints {
        let lag = Estimate { value: 0.0, u: u_lag, dof: f64::INFINITY };
        fit(events, lag, &GaugeSpec::default(), config).expect("fits")
    }

    #[test]
    fn the_rule_looks_at_the_design_and_not_at_where_brackets_fell() {
        let model = |events: &[Pressing]| found(events, 0.0, &told(None)).bracket_model;
        let wide = |value| event(false, value, 4.0, 0.9);
        assert_eq!(model(&[wide(60.0), wide(60.0)]), BracketModel::Overlap);
        assert_eq!(model(&[wide(60.0), wide(63.0)]), BracketModel::Overlap);
        assert_eq!(model(&[wide(60.0)]), BracketModel::Mean);
        let narrow = |value| event(false, value, 4.0, 1.1);
        assert_eq!(model(&[narrow(60.0), narrow(60.0)]), BracketModel::Mean);
        let still = |value| event(false, value, 0.0, 0.0);
        assert_eq!(model(&[still(60.0), still(60.0)]), BracketModel::Mean);
    }

    #[test]
    fn two_exact_brackets_leave_what_both_share() {
        let events = [event(false, 60.0, 4.0, 1e-6), event(false, 63.0, 4.0, 1e-6)];
        let config = SetpointConfig {
            repeatability: Some(Repeatability { sd_pa: 1e-3, dof: 50.0 }),
            brackets: Some(BracketModel::Overlap),
        };
        let open = found(&events, 0.0, &config).open.expect("opened");
        let (low, high) = open.interval(0.95);
        // 61 to 62 Pa are in both; 95 % of a rectangle is 0.95 of its width.
        assert!((open.value - 61.5).abs() < 0.01, "{open:?}");
        assert!((high - low - 0.95).abs() < 0.02, "{open:?}");
        let mean = SetpointConfig { brackets: Some(BracketModel::Mean), ..config };
        assert!(found(&events, 0.0, &mean).open.expect("opened").u > 3.0 * open.u);
    }

    #[test]
    fn what_is_common_is_added_to_the_overlap() {
        let events = [event(false, 60.0, 4.0, 0.1), event(false, 61.0, 4.0, 0.1)];
        let config = told(None);
        let alone = found(&events, 0.0, &config).open.expect("opened");
        let lagging = found(&events, 0.1, &config);
        let line = lagging.budgets[1].as_ref().and_then(|b| b.line(Source::Lag)).expect("a line");
        assert!((line.u_pa - 4.0).abs() < 1e-9, "{line:?}");
        let both = lagging.open.expect("opened");
        assert!(both.u >= 0.99 * alone.u.hypot(4.0) && both.u < 1.05 * alone.u.hypot(4.0));
        assert!((both.value - alone.value).abs() < 1e-12);
    }

    /// Events of both directions, their values in pascal.
    fn tests() -> impl Strategy<Value = Vec<(bool, f64, f64, f64)>> {
        let one = (any::<bool>(), -6.0f64..6.0, 0.0f64..5.0, 0.0f64..1.5);
        prop::collection::vec(one, 1..9)
    }

    fn events(of: &[(bool, f64, f64, f64)], scale: f64, shift: f64) -> Vec<Pressing> {
        let one = |&(close, value, bracket, u): &(bool, f64, f64, f64)| {
            event(close, scale * (60.0 + value) + shift, scale * bracket, scale * u)
        };
        of.iter().map(one).collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]

        #[test]
        fn the_order_of_events_changes_no_byte(of in tests(), turn in 0usize..8) {
            let forward = events(&of, 1.0, 0.0);
            let mut turned = forward.clone();
            turned.rotate_left(turn % forward.len());
            turned.reverse();
            for model in [BracketModel::Overlap, BracketModel::Mean] {
                let config = told(Some(model));
                prop_assert_eq!(found(&forward, 0.01, &config), found(&turned, 0.01, &config));
            }
        }

        #[test]
        fn shifted_and_scaled_events_have_shifted_and_scaled_setpoints(
            of in tests(), scale in 0.1f64..30.0, shift in -40.0f64..400.0,
        ) {
            let config = told(Some(BracketModel::Overlap));
            let plain = found(&events(&of, 1.0, 0.0), 0.01, &config);
            let prior = Repeatability { sd_pa: scale * 0.2, dof: 4.0 };
            let scaled = SetpointConfig { repeatability: Some(prior), ..config };
            let moved = found(&events(&of, scale, shift), 0.01, &scaled);
            for (plain, moved) in [(plain.close, moved.close), (plain.open, moved.open)] {
                prop_assert_eq!(plain.is_some(), moved.is_some());
                let (Some(plain), Some(moved)) = (plain, moved) else { continue };
                let error = moved.value - scale * plain.value - shift;
                prop_assert!(error.abs() < 1e-3 * moved.u, "{plain:?} {moved:?}");
                let (before, after) = (plain.expanded(0.95), moved.expanded(0.95));
                prop_assert!((after / (scale * before) - 1.0).abs() < 1e-3, "{plain:?} {moved:?}");
            }
        }

        #[test]
        fn lines_add_up_and_the_setpoint_lies_among_the_brackets(of in tests(), u in 0.0f64..0.2) {
            let made = events(&of, 1.0, 0.0);
            let points = found(&made, u, &told(Some(BracketModel::Overlap)));
            let all = [points.close, points.open, points.deadband];
            for (estimate, budget) in all.into_iter().zip(&points.budgets) {
                prop_assert_eq!(estimate.is_some(), budget.is_some());
                let (Some(estimate), Some(budget)) = (estimate, budget) else { continue };
                let sum: f64 = budget.lines.iter().map(|line| line.u_pa.powi(2)).sum();
                prop_assert!((estimate.u - sum.sqrt()).abs() < 1e-9 * estimate.u);
                prop_assert!(estimate.u > 0.0 && estimate.dof > 0.0 && estimate.value.is_finite());
                prop_assert!(budget.lines.iter().all(|line| line.u_pa >= 0.0 && line.dof > 0.0));
            }
            if let Some(open) = points.open {
                let within = |sign: f64| made.iter().filter(|e| !e.close).map(move |e| {
                    e.signal.value + sign * 0.5 * e.signal.rate.abs() * e.width_s
                });
                let least = within(-1.0).fold(f64::INFINITY, f64::min);
                let most = within(1.0).fold(f64::NEG_INFINITY, f64::max);
                prop_assert!(open.value > least - 1e-9 && open.value < most + 1e-9, "{open:?}");
            }
        }
    }
}
