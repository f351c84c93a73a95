//! Conformity to a tolerance under uncertainty (JCGM 106).

use serde::{Deserialize, Serialize};

use crate::base::{Error, Estimate, Result, error};

/// Which event the rating is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Action {
    /// The opening point on falling pressure.
    Fall,
    /// The closing point on rising pressure.
    Rise,
}

impl Action {
    /// The action with this name in the `action` column.
    pub fn from_code(code: &str) -> Option<Self> {
        match code {
            "fall" => Some(Self::Fall),
            "rise" => Some(Self::Rise),
            _ => None,
        }
    }
}

/// The decision.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Within the limits, at the stated risk.
    Conforms,
    /// Outside the limits, at the stated risk.
    DoesNotConform,
    /// The test cannot tell.
    Undecided,
}

impl Verdict {
    /// The name in the `verdict` column.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Conforms => "conforms",
            Self::DoesNotConform => "does_not_conform",
            Self::Undecided => "undecided",
        }
    }
}

/// Tolerance limits, Pa.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Lower limit: a contact still closed below it fails to prove draft.
    pub low: f64,
    /// Upper limit: a contact open above it locks the appliance out.
    pub high: f64,
}

impl Limits {
    /// `rated · (1 ∓ tolerance)`.
    ///
    /// # Errors
    ///
    /// [`Error::BadValue`] for a rating that is not positive or a tolerance outside (0, 1).
    ///
    /// ```
    /// let limits = deadband::verdict::Limits::of_rating(60.0, 0.10)?;
    /// assert_eq!((limits.low, limits.high), (54.0, 66.0));
    /// # Ok::<(), deadband::base::Error>(())
    /// ```
    pub fn of_rating(rated_pa: f64, tolerance: f64) -> Result<Self> {
        error::positive("rated_pa", rated_pa)?;
        if !(tolerance > 0.0 && tolerance < 1.0) {
            let must = "between 0 and 1, both excluded";
            return Err(Error::BadValue { what: "tolerance", value: tolerance, must });
        }
        Ok(Self { low: rated_pa * (1.0 - tolerance), high: rated_pa * (1.0 + tolerance) })
    }
}

/// Options of [`judge`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct JudgeConfig {
    /// Highest probability of a wrong decision that is accepted, for either decision.
    pub risk: f64,
}

impl Default for JudgeConfig {
    fn default() -> Self {
        Self { risk: 0.05 }
    }
}

impl JudgeConfig {
    /// # Errors
    ///
    /// [`Error::BadValue`] unless `0 < risk < 0.5`.
    pub fn validate(&self) -> Result<()> {
        if self.risk > 0.0 && self.risk < 0.5 {
            return Ok(());
        }
        let must = "above 0 and below 0.5";
        Err(Error::BadValue { what: "risk", value: self.risk, must })
    }

    /// The decision rule in words.
    pub fn rule(&self) -> String {
        let Self { risk } = self;
        let enough = ((1.0 - risk) * 1e12).round() / 1e12;
        format!(
            "conforms if p_conform >= {enough}, does_not_conform if p_unsafe or p_nuisance >= {enough}"
        )
    }
}

/// What can be said of one switch after one test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judgement {
    /// Probability that the rated event lies within the limits.
    pub p_conform: f64,
    /// The same for the other event; advisory.
    pub p_conform_other: Option<f64>,
    /// Probability that the rated event lies below the lower limit: draft is proved that is not
    /// there.
    pub p_unsafe: f64,
    /// Probability that it lies above the upper limit: the appliance is locked out for nothing.
    pub p_nuisance: f64,
    /// The decision.
    pub verdict: Verdict,
    /// The limits it was made against.
    pub limits: Limits,
}

/// Probabilities that the measurand lies below, within and above the limits.
///
/// From Student's t about the estimate (JCGM 106, clause 7, with the scaled and shifted t
/// distribution of JCGM 101, 6.4.9).
///
/// ```
/// use deadband::{base::Estimate, verdict::{Limits, conformance}};
/// let open = Estimate { value: 54.0, u: 1.0, dof: f64::INFINITY };
/// let (below, within, above) = conformance(open, Limits { low: 54.0, high: 66.0 });
/// assert!((below - 0.5).abs() < 1e-12 && (within - 0.5).abs() < 1e-12 && above < 1e-12);
/// ```
pub fn conformance(estimate: Estimate, limits: Limits) -> (f64, f64, f64) {
    let below = estimate.probability_below(limits.low);
    let mirrored = Estimate { value: -estimate.value, ..estimate };
    let above = mirrored.probability_below(-limits.high);
    (below, (1.0 - below - above).clamp(0.0, 1.0), above)
}

/// Judges the rated event of a switch: the open setpoint for [`Action::Fall`], the close setpoint
/// for [`Action::Rise`].
///
/// It conforms where the probability of that is at least `1 − risk`; it does not where the
/// probability of one of the two sides is. An estimate so uncertain that it may lie beyond either
/// limit is undecided, although it hardly conforms: nothing is known of the switch.
///
/// # Errors
///
/// [`Error::MissingValue`] when the rated setpoint is missing, [`Error::BadValue`] for a bad risk or
/// for a setpoint that cannot be: a value or uncertainty that is not finite, an uncertainty below
/// zero, no degrees of freedom.
///
/// ```
/// use deadband::{base::Estimate, verdict::{Action, JudgeConfig, Limits, Verdict, judge}};
/// let open = Estimate { value: 50.0, u: 0.8, dof: 12.0 };
/// let limits = Limits::of_rating(60.0, 0.10)?;
/// let found = judge(None, Some(open), Action::Fall, limits, &JudgeConfig::default())?;
/// assert_eq!(found.verdict, Verdict::DoesNotConform);
/// assert!(found.p_unsafe > 0.99 && found.p_nuisance < 0.01);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn judge(
    close: Option<Estimate>,
    open: Option<Estimate>,
    action: Action,
    limits: Limits,
    config: &JudgeConfig,
) -> Result<Judgement> {
    config.validate()?;
    let (rated, other, what) = match action {
        Action::Fall => (open, close, "the open setpoint, which the rating is about,"),
        Action::Rise => (close, open, "the close setpoint, which the rating is about,"),
    };
    let rated = possible(rated.ok_or(Error::MissingValue { what })?)?;
    let other = other.map(possible).transpose()?;
    let (p_unsafe, p_conform, p_nuisance) = conformance(rated, limits);
    let verdict = if p_conform >= 1.0 - config.risk {
        Verdict::Conforms
    } else if p_unsafe.max(p_nuisance) >= 1.0 - config.risk {
        Verdict::DoesNotConform
    } else {
        Verdict::Undecided
    };
    let p_conform_other = other.map(|other| conformance(other, limits).1);
    Ok(Judgement { p_conform, p_conform_other, p_unsafe, p_nuisance, verdict, limits })
}

fn possible(estimate: Estimate) -> Result<Estimate> {
    let Estimate { value, u, dof } = estimate;
    if !value.is_finite() {
        return Err(Error::BadValue { what: "a setpoint", value, must: "a finite number" });
    }
    error::not_negative("the uncertainty of a setpoint", u)?;
    if dof > 0.0 {
        return Ok(estimate);
    }
    let what = "the degrees of freedom of a setpoint";
    Err(Error::BadValue { what, value: dof, must: "above zero" })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_knows_nothing_decides_nothing() {
        let open = Estimate { value: 104.0, u: 1000.0, dof: f64::INFINITY };
        let limits = Limits { low: 54.0, high: 66.0 };
        let found = judge(None, Some(open), Action::Fall, limits, &JudgeConfig::default());
        let found = found.expect("judged");
        assert!(found.p_conform < 0.05);
        assert_eq!(found.verdict, Verdict::Undecided);
    }
    use proptest::prelude::*;

    fn normal(value: f64, u: f64) -> Estimate {
        Estimate { value, u, dof: f64::INFINITY }
    }

    #[test]
    fn the_rated_event_decides() {
        let limits = Limits::of_rating(60.0, 0.1).expect("valid");
        let config = JudgeConfig::default();
        let (close, open) = (Some(normal(72.0, 0.5)), Some(normal(60.0, 0.5)));
        let fall = judge(close, open, Action::Fall, limits, &config).expect("judged");
        assert_eq!(fall.verdict, Verdict::Conforms);
        assert!(fall.p_conform_other.is_some_and(|p| p < 1e-6));
        let rise = judge(close, open, Action::Rise, limits, &config).expect("judged");
        assert_eq!(rise.verdict, Verdict::DoesNotConform);
        assert!(rise.p_nuisance > 0.999 && rise.p_unsafe < 1e-6);
        assert!(judge(close, None, Action::Fall, limits, &config).is_err());
    }

    #[test]
    fn bad_limits_and_risks_are_refused() {
        assert!(Limits::of_rating(0.0, 0.1).is_err());
        assert!(Limits::of_rating(60.0, 0.0).is_err());
        assert!(Limits::of_rating(60.0, f64::NAN).is_err());
        for risk in [0.0, 0.5, f64::NAN] {
            assert!(JudgeConfig { risk }.validate().is_err());
        }
    }

    #[test]
    fn setpoints_that_cannot_be_are_refused() {
        let limits = Limits::of_rating(60.0, 0.1).expect("valid");
        let config = JudgeConfig::default();
        let good = normal(60.0, 0.5);
        for bad in [
            Estimate { value: f64::INFINITY, ..good },
            Estimate { u: -0.5, ..good },
            Estimate { u: f64::INFINITY, ..good },
            Estimate { dof: 0.0, ..good },
            Estimate { dof: f64::NAN, ..good },
        ] {
            for (close, open) in [(None, Some(bad)), (Some(bad), Some(good))] {
                assert!(judge(close, open, Action::Fall, limits, &config).is_err(), "{bad:?}");
            }
        }
    }

    proptest! {
        #[test]
        fn probabilities_add_up_and_the_verdict_follows(
            value in 40.0f64..80.0, u in 0.0f64..10.0, dof in 1.0f64..100.0, risk in 0.001f64..0.4,
        ) {
            let limits = Limits::of_rating(60.0, 0.1).expect("valid");
            let open = Estimate { value, u, dof };
            let config = JudgeConfig { risk };
            let found = judge(None, Some(open), Action::Fall, limits, &config).expect("judged");
            prop_assert!((found.p_conform + found.p_unsafe + found.p_nuisance - 1.0).abs() < 1e-9);
            let expected = if found.p_conform >= 1.0 - risk { Verdict::Conforms }
                else if found.p_unsafe.max(found.p_nuisance) >= 1.0 - risk { Verdict::DoesNotConform }
                else { Verdict::Undecided };
            prop_assert_eq!(found.verdict, expected);
            prop_assert!(value > limits.low || found.p_unsafe >= 0.5);
        }
    }
}
