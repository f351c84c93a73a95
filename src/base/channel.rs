//! Checks that every estimator of a channel begins with; each names the channel and the index.

use super::lanes::{first, first_of};
use super::{Error, Result};

/// Refuses two channels, given with their names, of different length.
pub(crate) fn same_length(
    (left, one): (&'static str, &[f64]),
    (right, other): (&'static str, &[f64]),
) -> Result<()> {
    let (left_len, right_len) = (one.len(), other.len());
    if left_len == right_len {
        return Ok(());
    }
    Err(Error::LengthMismatch { left, left_len, right, right_len })
}

pub(crate) const fn enough(what: &'static str, found: usize, needed: usize) -> Result<()> {
    if found < needed { Err(Error::TooFewSamples { what, found, needed }) } else { Ok(()) }
}

pub(crate) fn finite(channel: &'static str, values: &[f64]) -> Result<()> {
    match first(values, |value| !value.is_finite()) {
        Some(index) => Err(Error::NotFinite { channel, index, value: values[index] }),
        None => Ok(()),
    }
}

/// Refuses times that are not finite or do not increase.
pub(crate) fn increasing(channel: &'static str, times: &[f64]) -> Result<()> {
    finite(channel, times)?;
    let later = times.get(1..).unwrap_or_default();
    match first_of(later.len(), |place| later[place] <= times[place]) {
        Some(before) => Err(Error::TimeNotIncreasing {
            channel,
            index: before + 1,
            before: times[before],
            time: times[before + 1],
        }),
        None => Ok(()),
    }
}
