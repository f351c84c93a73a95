//! The pressure at the switch from the path that the gauge shows.

use super::path::Path;
use super::state::State;
use crate::base::{Result, error};

/// Outer node of the rule of Gauss and Hermite with three nodes, in standard deviations.
const OUTER: f64 = 1.732_050_807_568_877_2;

/// What is known of a gauge's lag.
///
/// A first-order gauge of time constant `T` behind a dead time `D` shows `g`, and the pressure is
/// `p(t) = g(t+D) + T g'(t+D)`. Where only their sum is known, any split of it may be true; the
/// splits differ where the rate changes within the lag.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum GaugeLag {
    /// Both parts are known.
    Parts {
        /// `D`, s.
        dead_time_s: f64,
        /// `T`, s.
        time_constant_s: f64,
        /// Standard uncertainty of `T` at a given sum of the two, s.
        time_constant_u_s: f64,
    },
    /// Only the mean lag `L = D + T` is known: every `D` from 0 to `L` is equally likely.
    Mean {
        /// `L`, s.
        lag_s: f64,
    },
}

impl GaugeLag {
    /// # Errors
    ///
    /// [`crate::base::Error::BadValue`] for a part that is negative or not finite.
    pub fn validate(self) -> Result<()> {
        match self {
            Self::Parts { dead_time_s, time_constant_s, time_constant_u_s } => {
                error::not_negative("dead_time_s", dead_time_s)?;
                error::not_negative("time_constant_u_s", time_constant_u_s)?;
                error::not_negative("time_constant_s", time_constant_s).map(drop)
            }
            Self::Mean { lag_s } => error::not_negative("lag_s", lag_s).map(drop),
        }
    }

    /// Mean lag, s.
    pub(super) fn total(self) -> f64 {
        match self {
            Self::Parts { dead_time_s, time_constant_s, .. } => dead_time_s + time_constant_s,
            Self::Mean { lag_s } => lag_s,
        }
    }

    /// How long after an instant the gauge may still show something new about it, s.
    pub(super) fn horizon(self) -> f64 {
        match self {
            Self::Parts { dead_time_s, time_constant_s, time_constant_u_s } => {
                dead_time_s + (OUTER * time_constant_u_s).min(time_constant_s)
            }
            Self::Mean { lag_s } => lag_s,
        }
    }

    /// Splits that stand for what is known of the parts, each with its weight, dead time and time
    /// constant: one where they are exact, else the three of Gauss's and Hermite's rule, within the lag.
    pub(super) fn known(self) -> Vec<(f64, f64, f64)> {
        let Self::Parts { dead_time_s, time_constant_s, time_constant_u_s } = self else {
            return Vec::new();
        };
        if time_constant_u_s <= 0.0 {
            return vec![(1.0, dead_time_s, time_constant_s)];
        }
        let (whole, off) = (dead_time_s + time_constant_s, OUTER * time_constant_u_s);
        let at = |weight, constant: f64| {
            let constant = constant.clamp(0.0, whole);
            (weight, whole - constant, constant)
        };
        let outer = [time_constant_s - off, time_constant_s + off].map(|of| at(1.0 / 6.0, of));
        vec![outer[0], at(4.0 / 6.0, time_constant_s), outer[1]]
    }
}

/// Value and rate at a change, and what the unknown split of a mean lag leaves open.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct AtSwitch {
    pub(super) signal: State,
    /// Variance of the value over the splits, Pa². It is common to all events of a gauge that move
    /// alike and does not average out.
    pub(super) var_common: f64,
    /// Middle of the pressures that the bracket spans less the value, Pa; nothing on a smooth path.
    pub(super) shift_pa: f64,
    /// Whether the bracket begins at the corner of a fall.
    pub(super) corner: bool,
}

/// Value and rate at instant `t`: of the gauge's signal without a lag, of the pressure at the
/// switch with one.
///
/// With the mean lag alone the value is the mean over all its splits, and their scatter is given
/// beside it (JCGM 100, 4.3.7; three splits, weighted by Simpson's rule). The scatter that noise
/// alone would make is left out.
///
/// `None` where the path ends before the gauge shows that instant.
pub(super) fn at_switch(path: &Path<'_>, t: f64, lag: Option<GaugeLag>) -> Option<AtSwitch> {
    let split = |dead: f64, constant: f64| path.at(t + dead).map(|shown| shown.ahead(constant));
    let alone = |signal| AtSwitch { signal, var_common: 0.0, shift_pa: 0.0, corner: false };
    match lag {
        None => path.at(t).map(alone),
        Some(parts @ GaugeLag::Parts { .. }) => {
            let states = parts.known().into_iter();
            let weighted: Option<Vec<(f64, State)>> = states
                .map(|(weight, dead, constant)| Some((weight, split(dead, constant)?)))
                .collect();
            weighted.map(|weighted| mixture(&weighted))
        }
        Some(GaugeLag::Mean { lag_s }) => {
            let half = lag_s / 2.0;
            let splits = [split(0.0, lag_s)?, split(half, half)?, split(lag_s, 0.0)?];
            let weighted: Vec<(f64, State)> = WEIGHTS.into_iter().zip(splits).collect();
            let mixed = mixture(&weighted);
            let by_noise = mixed.signal.var_value / 6.0;
            Some(AtSwitch { var_common: (mixed.var_common - by_noise).max(0.0), ..mixed })
        }
    }
}

/// Simpson's weights of the splits: all dead time, half and half, all time constant.
const WEIGHTS: [f64; 3] = [1.0 / 6.0, 4.0 / 6.0, 1.0 / 6.0];

/// One state for several that may be true, with weights of any sum, and the scatter of their values.
pub(super) fn mixture(splits: &[(f64, State)]) -> AtSwitch {
    let total: f64 = splits.iter().map(|(weight, _)| weight).sum();
    let mean = |of: &dyn Fn(&State) -> f64| -> f64 {
        splits.iter().map(|(weight, state)| weight * of(state)).sum::<f64>() / total
    };
    let value = mean(&|state| state.value);
    let signal = State {
        value,
        rate: mean(&|state| state.rate),
        var_value: mean(&|state| state.var_value),
        cov: mean(&|state| state.cov),
        var_rate: mean(&|state| state.var_rate),
    };
    let var_common = mean(&|state| (state.value - value).powi(2));
    AtSwitch { signal, var_common, shift_pa: 0.0, corner: false }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A pressure that bends, `p = t²`, and what a gauge shows of it once it has settled:
    /// `g(t) = p(s) − T p'(s) + T² p''(s)` with `s = t − D`.
    #[test]
    fn the_pressure_is_found_behind_the_lag() {
        let (dead, constant) = (0.2, 0.3);
        let time: Vec<f64> = (0..200).map(|i| 0.05 * f64::from(i)).collect();
        let shown: Vec<f64> = time
            .iter()
            .map(|t| {
                let s = t - dead;
                s * s - constant * 2.0 * s + constant * constant * 2.0
            })
            .collect();
        let path = Path::new(&time, &shown, 1e6, 1e-12).expect("valid");
        let exact = |time_constant_u_s| GaugeLag::Parts {
            dead_time_s: dead,
            time_constant_s: constant,
            time_constant_u_s,
        };
        let parts = exact(0.0);
        let t = 5.0;
        let found = at_switch(&path, t, Some(parts)).expect("inside").signal;
        assert!((found.value - t * t).abs() < 1e-3, "{found:?}");
        // The split matters by T g'' for each second: g'' = 2 here.
        let unsure = at_switch(&path, t, Some(exact(0.01))).expect("inside");
        assert!((unsure.var_common.sqrt() - 2.0 * constant * 0.01).abs() < 1e-3, "{unsure:?}");
        let mean = GaugeLag::Mean { lag_s: dead + constant };
        let found = at_switch(&path, t, Some(mean)).expect("inside");
        let u = (found.signal.var_value + found.var_common).sqrt();
        assert!((found.signal.value - t * t).abs() < 3.0 * u && u < 0.2, "{found:?}");
        assert!(found.var_common > found.signal.var_value, "{found:?}");
        assert!(at_switch(&path, 9.9, Some(mean)).is_none());
    }

    #[test]
    fn on_a_steady_ramp_every_split_is_the_same() {
        let time: Vec<f64> = (0..100).map(|i| 0.1 * f64::from(i)).collect();
        let shown: Vec<f64> = time.iter().map(|t| 4.0 * (t - 0.5)).collect();
        let path = Path::new(&time, &shown, 1e-3, 0.25).expect("valid");
        let found = at_switch(&path, 5.0, Some(GaugeLag::Mean { lag_s: 0.5 })).expect("inside");
        let plain = path.at(5.0).expect("inside");
        assert!((found.signal.value - 20.0).abs() < 1e-9);
        assert!(found.signal.var_value < 1.2 * plain.var_value && found.var_common < 1e-12);
    }

    #[test]
    fn negative_parts_are_refused() {
        assert!(GaugeLag::Mean { lag_s: -0.1 }.validate().is_err());
        let parts = |time_constant_s, time_constant_u_s| GaugeLag::Parts {
            dead_time_s: 0.1,
            time_constant_s,
            time_constant_u_s,
        };
        assert!(parts(-0.1, 0.0).validate().is_err());
        assert!(parts(0.1, -0.1).validate().is_err());
    }
}
