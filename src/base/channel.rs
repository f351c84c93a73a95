//! Checks that every estimator of a channel begins with; each names the channel and the index.

use super::lanes::{first, first_of, groups};
use super::order::extremes;
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

/// The least and the greatest of values that must all be finite.
pub(crate) fn finite_range(channel: &'static str, values: &[f64]) -> Result<(f64, f64)> {
    // Nothing times a number is nothing, unless that is infinite or none.
    let (range, sound) = range_if(values, |value| 0.0 * value);
    if !sound {
        finite(channel, values)?;
    }
    Ok(range)
}

/// The least and the greatest of values that must be numbers, infinite ones among them.
pub(crate) fn numbers_range(channel: &'static str, values: &[f64]) -> Result<(f64, f64)> {
    let (range, sound) = range_if(values, |value| if value.is_nan() { value } else { 0.0 });
    match (!sound).then(|| first(values, f64::is_nan)).flatten() {
        Some(index) => Err(Error::NotFinite { channel, index, value: values[index] }),
        None => Ok(range),
    }
}

/// The least and the greatest value, and whether what `bad` makes of each is a number.
fn range_if(values: &[f64], bad: impl Fn(f64) -> f64) -> ((f64, f64), bool) {
    const LANES: usize = 8;
    let [mut low, mut high] = [[f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]];
    let mut sums = [0.0; LANES];
    let filling = values.first().copied().unwrap_or_default();
    for group in groups::<LANES>(values, filling) {
        for lane in 0..LANES {
            let value = group[lane];
            low[lane] = if value < low[lane] { value } else { low[lane] };
            high[lane] = if value > high[lane] { value } else { high[lane] };
            sums[lane] += bad(value);
        }
    }
    let range = (extremes(&low).0, extremes(&high).1);
    (range, !sums.iter().any(|sum| sum.is_nan()))
}

/// Refuses times that are not finite or do not increase.
pub(crate) fn increasing(channel: &'static str, times: &[f64]) -> Result<()> {
    let later = times.get(1..).unwrap_or_default();
    // NaN is later than nothing; between finite ends what increases is finite.
    let stuck =
        first_of(later.len(), |place| later[place] <= times[place] || later[place].is_nan());
    let ends = [times.first(), times.last()];
    if stuck.is_some() || ends.into_iter().flatten().any(|end| !end.is_finite()) {
        finite(channel, times)?;
    }
    match stuck {
        Some(before) => Err(Error::TimeNotIncreasing {
            channel,
            index: before + 1,
            before: times[before],
            time: times[before + 1],
        }),
        None => Ok(()),
    }
}
