//! A contact that never changed: stuck closed, stuck open, or a test that did not ask it to.

use serde::{Deserialize, Serialize};

use super::change::Side;
use crate::base::{Error, Result, order};
use crate::trace::Sense;

/// Largest reading of a closed contact, V or ohm. Common practice, no source: a sound contact drops
/// some millivolts and has a fraction of an ohm.
const LOW: f64 = 1.0;

/// Smallest reading of an open contact: a supply of 5 V or more stands across it, and an ohm-meter
/// shows thousands or overload. Common practice, no source.
const HIGH: f64 = 4.5;

/// Beyond the rating by this share the event that is not rated should have come as well. Our own:
/// deadbands of draft switches are well below it.
const DEADBAND: f64 = 0.15;

/// Readings that must lie beyond a pressure for it to count as reached: a single one may be a glitch.
const REACHED: usize = 3;

/// What the channels of a recording show of a contact that may not have changed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Reach {
    /// Lowest pressure reached by three readings, Pa.
    pub lowest_pa: f64,
    /// Highest pressure reached by three readings, Pa.
    pub highest_pa: f64,
    /// Median of the contact channel, V, ohm or 0 and 1.
    pub level: f64,
    /// Every sample of the contact channel is exactly 0 or 1.
    pub logical: bool,
}

impl Reach {
    /// Reads the channels; samples that are no number are passed over.
    ///
    /// # Errors
    ///
    /// [`Error::TooFewSamples`] under five readings or without a contact sample.
    pub fn of(pressure_pa: &[f64], contact: &[f64]) -> Result<Self> {
        let finite = |values: &[f64]| -> Vec<f64> {
            values.iter().copied().filter(|value| value.is_finite()).collect()
        };
        let (mut pressure, mut contact) = (finite(pressure_pa), finite(contact));
        let logical = contact.iter().all(|&value| value == 0.0 || value == 1.0);
        let found = pressure.len();
        if found < 2 * REACHED - 1 {
            let (what, needed) = ("readings of the pressure", 2 * REACHED - 1);
            return Err(Error::TooFewSamples { what, found, needed });
        }
        let (_, &mut lowest_pa, _) = pressure.select_nth_unstable_by(REACHED - 1, f64::total_cmp);
        let (_, &mut highest_pa, _) =
            pressure.select_nth_unstable_by(found - REACHED, f64::total_cmp);
        let what = "samples of the contact";
        let level = order::median(&mut contact);
        let level = level.ok_or(Error::TooFewSamples { what, found: 0, needed: 1 })?;
        Ok(Self { lowest_pa, highest_pa, level, logical })
    }

    /// Whether the contact that stood at this level was closed; `None` where that cannot be told.
    ///
    /// With `closed` stated, a high level is one of at least 4.5 (V, ohm), or 1 where the channel
    /// holds only 0 and 1. Without, a low level is a closed contact and a high one an open contact,
    /// as for a meter across it; a channel of nothing but ones is a closed contact either way, one
    /// of nothing but zeros may be an open contact or a short.
    pub fn closed(&self, closed: Option<Sense>) -> Option<bool> {
        let high = if self.logical {
            self.level >= 0.5
        } else if self.level.abs() <= LOW {
            false
        } else if self.level.abs() >= HIGH {
            true
        } else {
            return None;
        };
        match closed {
            Some(sense) => Some(high == (sense == Sense::High)),
            None if self.logical => high.then_some(true),
            None => Some(!high),
        }
    }
}

/// The rating that a recording is held against.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Rating {
    /// Lower limit of the rated event, Pa.
    pub low_pa: f64,
    /// Upper limit of the rated event, Pa.
    pub high_pa: f64,
    /// The rated event is the closing (`true`) or the opening.
    pub close: bool,
}

/// A contact that never changed, and what that says.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Still {
    /// What the channels show.
    pub reach: Reach,
    /// Closed, open, or not known which.
    pub closed: Option<bool>,
    /// The pressure passed where the contact should have changed.
    pub flagged: bool,
    /// Unsafe for a contact stuck closed, nuisance for one stuck open, unknown otherwise.
    pub side: Side,
}

/// Judges a contact that never changed.
///
/// It is evidence only where the pressure passed over the place at which the contact should have
/// changed: the rated event's limits, with 15 % of the rating more for the event that is not
/// rated. A contact stuck closed must have seen less than its opening asks for, one stuck open more
/// than its closing asks for, one of which it is not known both. The gauge shows less than the
/// pressure's whole range, never more, so that its lag is on the safe side here.
///
/// ```
/// use deadband::condition::{Rating, Reach, Side, still};
/// let rating = Rating { low_pa: 54.0, high_pa: 66.0, close: false };
/// let reach = Reach { lowest_pa: 0.0, highest_pa: 100.0, level: 0.1, logical: false };
/// let found = still(reach, rating, None);
/// assert!(found.flagged && found.side == Side::Unsafe);
/// // A ramp that never left the closed range says nothing.
/// let short = still(Reach { lowest_pa: 70.0, ..reach }, rating, None);
/// assert!(!short.flagged);
/// ```
pub fn still(reach: Reach, rating: Rating, closed: Option<Sense>) -> Still {
    let middle = f64::midpoint(rating.low_pa, rating.high_pa);
    let below = if rating.close { rating.low_pa - DEADBAND * middle } else { rating.low_pa };
    let above = if rating.close { rating.high_pa } else { rating.high_pa + DEADBAND * middle };
    let opened = reach.lowest_pa < below;
    let made = reach.highest_pa > above;
    let closed = reach.closed(closed);
    let (flagged, side) = match closed {
        Some(true) => (opened, Side::Unsafe),
        Some(false) => (made, Side::Nuisance),
        None => (opened && made, Side::Unknown),
    };
    Still { reach, closed, flagged, side: if flagged { side } else { Side::None } }
}

impl Still {
    /// The finding in words.
    pub fn sentence(&self) -> String {
        let fact = format!(
            "The contact never changed while the pressure went from {:.1} to {:.1} Pa, and read {:.3}",
            self.reach.lowest_pa, self.reach.highest_pa, self.reach.level
        );
        let meaning = match (self.flagged, self.closed) {
            (false, _) => {
                "the pressure did not pass where it should have, so that this says nothing"
            }
            (true, Some(true)) => {
                "it is stuck closed, or the meter was not on it: draft is proved that is not there, the unsafe side"
            }
            (true, Some(false)) => {
                "it is stuck open if the meter was across it, or was not on it at all: the appliance stays locked out"
            }
            (true, None) => {
                "it is stuck, and whether closed (the unsafe side) or open cannot be told from the channel: find out before anything else"
            }
        };
        format!("{fact}: {meaning}.")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FALL: Rating = Rating { low_pa: 54.0, high_pa: 66.0, close: false };

    fn at(level: f64) -> Reach {
        Reach { lowest_pa: 0.0, highest_pa: 100.0, level, logical: level == 0.0 || level == 1.0 }
    }

    #[test]
    fn the_level_tells_which_where_it_can() {
        for (level, stated, closed) in [
            (0.1, None, Some(true)),   // volts across, or ohms: closed
            (24.0, None, Some(false)), // volts across: open
            (1e9, None, Some(false)),  // ohms: open
            (2.5, None, None),
            (1.0, None, Some(true)),
            (0.0, None, None), // open as a logical channel, a short as volts or ohms
            (0.0, Some(Sense::High), Some(false)),
            (0.0, Some(Sense::Low), Some(true)),
            (1.0, Some(Sense::Low), Some(false)),
            (24.0, Some(Sense::High), Some(true)),
            (2.5, Some(Sense::High), None),
        ] {
            let found = still(at(level), FALL, stated);
            assert_eq!(found.closed, closed, "{level} {stated:?}");
            let side = match closed {
                Some(true) => Side::Unsafe,
                Some(false) => Side::Nuisance,
                None => Side::Unknown,
            };
            assert_eq!((found.flagged, found.side), (true, side), "{level}");
        }
    }

    #[test]
    fn only_a_pressure_that_passed_the_place_is_evidence() {
        let rise = Rating { close: true, ..FALL };
        for (rating, level, lowest_pa, highest_pa, flagged) in [
            (FALL, 0.1, 53.0, 60.0, true),
            (FALL, 0.1, 55.0, 100.0, false),
            (FALL, 24.0, 0.0, 74.0, false), // the closing is not rated: it may lie at 75 Pa
            (FALL, 24.0, 0.0, 76.0, true),
            (rise, 24.0, 0.0, 67.0, true),
            (rise, 24.0, 0.0, 65.0, false),
            (rise, 0.1, 46.0, 100.0, false), // nor is the opening here
            (rise, 0.1, 44.0, 100.0, true),
            (FALL, 2.5, 0.0, 74.0, false),
            (FALL, 2.5, 0.0, 76.0, true),
        ] {
            let reach = Reach { lowest_pa, highest_pa, ..at(level) };
            let found = still(reach, rating, None);
            assert_eq!(found.flagged, flagged, "{rating:?} {reach:?}");
            assert_eq!(found.sentence().contains("says nothing"), !flagged);
        }
    }

    #[test]
    fn a_glitch_is_no_pressure_reached_and_nothing_is_an_error() {
        let mut pressure = vec![60.0; 50];
        (pressure[3], pressure[9], pressure[20]) = (-5.0, 400.0, f64::NAN);
        let found = Reach::of(&pressure, &[0.2, 0.1, f64::NAN, 0.3]).expect("valid");
        assert_eq!((found.lowest_pa, found.highest_pa, found.level), (60.0, 60.0, 0.2));
        assert!(!found.logical && Reach::of(&pressure, &[0.0; 4]).is_ok_and(|r| r.logical));
        assert!(matches!(Reach::of(&[1.0, 2.0], &[0.0]), Err(Error::TooFewSamples { .. })));
        assert!(matches!(Reach::of(&pressure, &[]), Err(Error::TooFewSamples { .. })));
    }
}
