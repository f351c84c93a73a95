//! What can be wrong with a recording or a group of recordings, and the status code it gets.

use serde::{Deserialize, Serialize};

/// The result of every fallible kernel.
pub type Result<T> = std::result::Result<T, Error>;

/// Why a row has nulls instead of numbers, or `ok`. The codes are the contract of the tables.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Status {
    /// Numbers are present.
    Ok,
    /// The contact never changed.
    NoEvent,
    /// Fewer samples than the estimator needs.
    TooFewSamples,
    /// A time stamp does not lie after the one before it.
    TimeNotIncreasing,
    /// A time or pressure is NaN or infinite.
    NotFinite,
    /// Columns that share a clock differ in length.
    LengthMismatch,
    /// The reading stood at the end of the gauge's range when the contact changed.
    Saturated,
    /// The contact channel shows no two clear levels, or which of them is closed cannot be told.
    ContactAmbiguous,
    /// The contact changed where too few readings lie on one side.
    EventAtEdge,
    /// The gauge's lag cannot be told from these rates and none was given.
    LagUnidentified,
    /// A value is missing that the step needs (a null rating, an unknown gauge).
    MissingValue,
    /// A value is present but impossible (a negative tolerance, a rating of zero).
    BadValue,
    /// Two recordings carry the same identifier.
    DuplicateId,
}

impl Status {
    /// Every status, in the order of the enum.
    pub const ALL: [Self; 13] = [
        Self::Ok,
        Self::NoEvent,
        Self::TooFewSamples,
        Self::TimeNotIncreasing,
        Self::NotFinite,
        Self::LengthMismatch,
        Self::Saturated,
        Self::ContactAmbiguous,
        Self::EventAtEdge,
        Self::LagUnidentified,
        Self::MissingValue,
        Self::BadValue,
        Self::DuplicateId,
    ];

    /// The code in the `status` column.
    ///
    /// ```
    /// use deadband::base::Status;
    /// assert_eq!(Status::NoEvent.code(), "no_event");
    /// ```
    pub const fn code(self) -> &'static str {
        match self {
            Self::Ok => "ok",
            Self::NoEvent => "no_event",
            Self::TooFewSamples => "too_few_samples",
            Self::TimeNotIncreasing => "time_not_increasing",
            Self::NotFinite => "not_finite",
            Self::LengthMismatch => "length_mismatch",
            Self::Saturated => "saturated",
            Self::ContactAmbiguous => "contact_ambiguous",
            Self::EventAtEdge => "event_at_edge",
            Self::LagUnidentified => "lag_unidentified",
            Self::MissingValue => "missing_value",
            Self::BadValue => "bad_value",
            Self::DuplicateId => "duplicate_id",
        }
    }

    /// The status with this code, if there is one.
    ///
    /// ```
    /// use deadband::base::Status;
    /// assert_eq!(Status::from_code("saturated"), Some(Status::Saturated));
    /// assert_eq!(Status::from_code("fine"), None);
    /// ```
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|status| status.code() == code)
    }
}

/// What is wrong, where, and what to do about it.
///
/// ```
/// use deadband::base::{Error, Status};
/// let error = Error::NoEvent { samples: 600 };
/// assert_eq!(error.status(), Status::NoEvent);
/// assert!(error.to_string().contains("600"));
/// ```
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// See [`Status::NoEvent`].
    #[error(
        "the contact did not change in {samples} samples; check that the meter was on the contact and that the pressure passed the setpoint"
    )]
    NoEvent {
        /// Number of contact samples.
        samples: usize,
    },
    /// See [`Status::TooFewSamples`].
    #[error("{what}: {found} found, at least {needed} needed; record for longer or log faster")]
    TooFewSamples {
        /// What there is too little of.
        what: &'static str,
        /// How many there are.
        found: usize,
        /// How many the estimator needs.
        needed: usize,
    },
    /// See [`Status::TimeNotIncreasing`].
    #[error(
        "{channel} does not increase at index {index} ({time} s after {before} s); sort the recording, or give times fine enough to tell readings apart"
    )]
    TimeNotIncreasing {
        /// The clock at fault.
        channel: &'static str,
        /// Index of the offending stamp.
        index: usize,
        /// The stamp before it, s.
        before: f64,
        /// The offending stamp, s.
        time: f64,
    },
    /// See [`Status::NotFinite`].
    #[error("{channel} holds {value} at index {index}; leave a missing sample out instead")]
    NotFinite {
        /// The channel at fault.
        channel: &'static str,
        /// Index of the offending value.
        index: usize,
        /// The value.
        value: f64,
    },
    /// See [`Status::LengthMismatch`].
    #[error(
        "{left} has {left_len} values and {right} has {right_len}; channels that share a clock must be equally long"
    )]
    LengthMismatch {
        /// One channel.
        left: &'static str,
        /// Its length.
        left_len: usize,
        /// The other channel.
        right: &'static str,
        /// Its length.
        right_len: usize,
    },
    /// See [`Status::Saturated`].
    #[error(
        "the reading stood still at {level} Pa, the end of the gauge's range, when the contact changed at {time} s; use a gauge of wider range"
    )]
    Saturated {
        /// The reading, Pa.
        level: f64,
        /// Middle of the bracket, s.
        time: f64,
    },
    /// See [`Status::ContactAmbiguous`].
    #[error("the contact channel is ambiguous: {reason}; give the levels or the sense")]
    ContactAmbiguous {
        /// What could not be told.
        reason: &'static str,
    },
    /// See [`Status::EventAtEdge`].
    #[error(
        "the contact changed at {time} s with only {found} readings on one side, {needed} needed; start the recording earlier and end it later"
    )]
    EventAtEdge {
        /// Middle of the bracket, s.
        time: f64,
        /// Readings on the shorter side.
        found: usize,
        /// Readings needed there.
        needed: usize,
    },
    /// See [`Status::LagUnidentified`].
    #[error("the gauge's lag cannot be told: {reason}; {cure}")]
    LagUnidentified {
        /// Why not.
        reason: &'static str,
        /// What to do.
        cure: &'static str,
    },
    /// See [`Status::MissingValue`].
    #[error("{what} is missing; fill it in")]
    MissingValue {
        /// The value that is missing.
        what: &'static str,
    },
    /// See [`Status::BadValue`].
    #[error("{what} is {value}; it must be {must}")]
    BadValue {
        /// The value at fault.
        what: &'static str,
        /// What it is.
        value: f64,
        /// What it must be.
        must: &'static str,
    },
}

impl Error {
    /// The code this error leaves in a table.
    pub const fn status(&self) -> Status {
        match self {
            Self::NoEvent { .. } => Status::NoEvent,
            Self::TooFewSamples { .. } => Status::TooFewSamples,
            Self::TimeNotIncreasing { .. } => Status::TimeNotIncreasing,
            Self::NotFinite { .. } => Status::NotFinite,
            Self::LengthMismatch { .. } => Status::LengthMismatch,
            Self::Saturated { .. } => Status::Saturated,
            Self::ContactAmbiguous { .. } => Status::ContactAmbiguous,
            Self::EventAtEdge { .. } => Status::EventAtEdge,
            Self::LagUnidentified { .. } => Status::LagUnidentified,
            Self::MissingValue { .. } => Status::MissingValue,
            Self::BadValue { .. } => Status::BadValue,
        }
    }
}

/// `value`, if it is finite and above zero.
///
/// # Errors
///
/// [`Error::BadValue`] naming `what` otherwise.
pub fn positive(what: &'static str, value: f64) -> Result<f64> {
    if value.is_finite() && value > 0.0 {
        Ok(value)
    } else {
        Err(Error::BadValue { what, value, must: "a finite number above zero" })
    }
}

/// `value`, if it is finite and not below zero.
///
/// # Errors
///
/// [`Error::BadValue`] naming `what` otherwise.
pub fn not_negative(what: &'static str, value: f64) -> Result<f64> {
    if value.is_finite() && value >= 0.0 {
        Ok(value)
    } else {
        Err(Error::BadValue { what, value, must: "a finite number, zero or above" })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_distinct_and_round_trip() {
        for status in Status::ALL {
            assert_eq!(Status::from_code(status.code()), Some(status));
            let serialised = serde_json::to_string(&status).expect("a unit variant serialises");
            assert_eq!(serialised, format!("\"{}\"", status.code()));
        }
    }

    #[test]
    fn guards_name_the_value() {
        assert_eq!(positive("rated_pa", 60.0), Ok(60.0));
        assert!(positive("rated_pa", 0.0).is_err_and(|e| e.to_string().contains("rated_pa")));
        assert!(not_negative("tolerance", f64::NAN).is_err());
        assert_eq!(not_negative("tolerance", 0.0), Ok(0.0));
    }
}
