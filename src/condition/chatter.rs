//! Chatter: how often the contact reverses while it changes.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Gamma};

use super::change::{Change, Side, p_text};
use crate::base::error::not_negative;
use crate::base::order::median;
use crate::base::{Error, Result};

/// When bounces are called chatter.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ChatterConfig {
    /// Bounces a change that a contact in good order may show. A half is common practice, no
    /// source: a snap-action contact makes one clean change, seen at the rate of a logger.
    pub limit: f64,
    /// Largest p-value at which a rate above the limit is flagged.
    pub alpha: f64,
}

impl Default for ChatterConfig {
    fn default() -> Self {
        Self { limit: 0.5, alpha: 0.01 }
    }
}

/// Bounces of one test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Chatter {
    /// Changes of the contact, both directions, those taken back at once left out.
    pub n: usize,
    /// Bounces in all of them.
    pub bounces: u64,
    /// Those among them that lasted long enough to be recorded as changes of their own.
    pub taken_back: u64,
    /// Bounces in the closings alone.
    pub bounces_close: u64,
    /// Bounces in the openings alone.
    pub bounces_open: u64,
    /// Bounces a change.
    pub rate: f64,
    /// Lower end of the 95 % interval of the rate.
    pub rate_low: f64,
    /// Upper end of the 95 % interval of the rate.
    pub rate_high: f64,
    /// Probability of at least as many bounces at the rate of the limit.
    pub p_value: f64,
    /// Largest number of bounces in one change.
    pub worst: u32,
    /// Share of the changes with at least one bounce.
    pub share: f64,
    /// Median width of the changes' brackets, s.
    pub width_s: f64,
    /// Widest bracket, s.
    pub widest_s: f64,
    /// The bounces are too many for a rate at the limit.
    pub flagged: bool,
    /// Nuisance where flagged: the appliance drops out near the setpoint. Arcing wears the contact,
    /// and a worn contact may weld, which is unsafe; the count alone cannot tell.
    pub side: Side,
}

/// Counts the bounces of a test and tells a chattering contact from a chance bounce.
///
/// `rate = bounces / changes`; the 95 % interval is the exact Poisson one, half the chi-squared
/// quantiles with `2k` and `2k + 2` degrees of freedom over the number of changes (F. Garwood,
/// Biometrika 28 (1936) 437-442), and `p = P(X >= k)` for a Poisson count of mean `limit × changes`.
/// A logger slower than the contact's bounce time sees few of them: no bounce seen is no proof of a
/// clean contact.
///
/// A bounce that outlasts the dwell is recorded as two changes, one of them against the pressure: a
/// closing while it falls, an opening while it rises. Such a pair counts as one bounce.
///
/// # Errors
///
/// [`Error::NoEvent`] without a change; those of [`Change::validated`]; [`Error::BadValue`] for an
/// option out of range.
///
/// ```
/// use deadband::condition::{Change, ChatterConfig, chatter};
/// let change = |close, bounces| Change {
///     close, cycle: 1, pressure_pa: 60.0, u_pa: 0.2, bounces, time_width_s: 0.1,
///     rate_pa_s: if close { 5.0 } else { -5.0 }, lag_applied: true,
/// };
/// let test = [change(true, 4), change(false, 6), change(true, 3), change(false, 5)];
/// let found = chatter(&test, &ChatterConfig::default())?;
/// assert_eq!((found.rate, found.worst, found.flagged), (4.5, 6, true));
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn chatter(changes: &[Change], config: &ChatterConfig) -> Result<Chatter> {
    not_negative("limit", config.limit)?;
    not_negative("alpha", config.alpha)?;
    if changes.is_empty() {
        return Err(Error::NoEvent { samples: 0 });
    }
    let (mut by_direction, mut worst, mut bounced) = ([0_u64; 2], 0_u32, 0_usize);
    let mut taken_back = 0_usize;
    let mut widths = Vec::with_capacity(changes.len());
    for (index, change) in changes.iter().enumerate() {
        let change = change.validated(index)?;
        let against = change.rate_pa_s * if change.close { 1.0 } else { -1.0 } < 0.0;
        let count = change.bounces.unsigned_abs() + u32::from(against);
        taken_back += usize::from(against);
        by_direction[usize::from(change.close)] += u64::from(count);
        worst = worst.max(count);
        bounced += usize::from(count > 0);
        widths.push(change.time_width_s);
    }
    let whole = changes.len().saturating_sub(2 * taken_back).max(1);
    let n = whole as f64;
    let bounces = by_direction[0] + by_direction[1];
    let count = bounces as f64;
    let p_value = Gamma::new(count, 1.0).map_or(1.0, |gamma| gamma.cdf(config.limit * n));
    let flagged = p_value <= config.alpha;
    Ok(Chatter {
        n: whole,
        bounces,
        taken_back: taken_back as u64,
        bounces_close: by_direction[1],
        bounces_open: by_direction[0],
        rate: count / n,
        rate_low: poisson_limit(count, 0.025) / n,
        rate_high: poisson_limit(count + 1.0, 0.975) / n,
        p_value,
        worst,
        share: bounced as f64 / changes.len() as f64,
        widest_s: widths.iter().copied().fold(0.0, f64::max),
        width_s: median(&mut widths).unwrap_or(0.0),
        flagged,
        side: if flagged { Side::Nuisance } else { Side::None },
    })
}

/// Quantile of the gamma distribution of shape `count`: half that of chi-squared with twice it.
fn poisson_limit(count: f64, p: f64) -> f64 {
    Gamma::new(count, 1.0).map_or(0.0, |gamma| gamma.inverse_cdf(p))
}

impl Chatter {
    /// The finding in words.
    pub fn sentence(&self) -> String {
        let fact = format!(
            "{} bounces in {} changes of the contact, {:.2} a change (95 % interval {:.2} to {:.2}), {} in the worst",
            self.bounces, self.n, self.rate, self.rate_low, self.rate_high, self.worst
        );
        let meaning = if self.flagged {
            let p = p_text(self.p_value);
            format!("the contact chatters ({p}): a cause of needless lockouts, and arcing wears it")
        } else {
            "no evidence of chatter".to_owned()
        };
        format!("{fact}: {meaning}.")
    }

    /// How closely the instants of the changes are known, in words.
    pub fn width_sentence(&self) -> String {
        format!(
            "The instant of a change is known to {:.3} s, to {:.3} s in the worst: bounces much shorter than that leave no trace.",
            self.width_s, self.widest_s
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn test(bounces: &[i32]) -> Vec<Change> {
        let change = |(i, &bounces): (usize, &i32)| Change {
            close: i % 2 == 0,
            cycle: 1,
            pressure_pa: 60.0,
            u_pa: 0.1,
            bounces,
            time_width_s: 0.1 * (1.0 + i as f64),
            rate_pa_s: if i % 2 == 0 { 5.0 } else { -5.0 },
            lag_applied: true,
        };
        bounces.iter().enumerate().map(change).collect()
    }

    /// Garwood (1936): 95 % two-sided limits for a count of 10 are 4.795 and 18.39, for 0 they are
    /// 0 and 3.689 (widely tabulated; the digits are from memory, recomputed from chi-squared).
    #[test]
    fn limits_are_those_of_the_published_table() {
        let config = ChatterConfig::default();
        let ten = chatter(&test(&[10]), &config).expect("valid");
        assert!((ten.rate_low - 4.795).abs() < 5e-4 && (ten.rate_high - 18.39).abs() < 5e-3);
        let none = chatter(&test(&[0]), &config).expect("valid");
        assert!(none.rate_low == 0.0 && (none.rate_high - 3.689).abs() < 5e-4);
    }

    #[test]
    fn one_bounce_is_no_chatter_and_many_are() {
        let config = ChatterConfig::default();
        let calm = chatter(&test(&[0, 0, 1, 0, 0, 0]), &config).expect("valid");
        assert_eq!((calm.flagged, calm.side), (false, Side::None));
        assert!(calm.sentence().contains("no evidence"));
        let wild = chatter(&test(&[2, 3, 2, 4, 3, 2]), &config).expect("valid");
        assert_eq!((wild.flagged, wild.side, wild.worst), (true, Side::Nuisance, 4));
        assert_eq!((wild.bounces_close, wild.bounces_open, wild.bounces), (7, 9, 16));
        assert!((wild.width_s - 0.35).abs() < 1e-12 && (wild.widest_s - 0.6).abs() < 1e-12);
        assert!(wild.sentence().contains("chatters"));
    }

    /// P(X >= k) of a Poisson count, summed term by term.
    #[test]
    fn the_p_value_is_the_tail_of_the_poisson_law() {
        let config = ChatterConfig::default();
        for k in 0..12_i32 {
            let found = chatter(&test(&[k, 0, 0, 0, 0, 0]), &config).expect("valid");
            let (mut term, mut below) = ((-3.0_f64).exp(), 0.0);
            for i in 0..k {
                below += term;
                term *= 3.0 / f64::from(i + 1);
            }
            assert!((found.p_value - (1.0 - below)).abs() < 1e-12, "{k}: {found:?}");
            assert_eq!(found.flagged, k >= 9, "{k}: {found:?}");
        }
    }

    /// A bounce that outlasts the dwell: closed, open and closed again on the way up.
    #[test]
    fn changes_against_the_pressure_are_bounces() {
        let mut changes = test(&[0; 6]);
        for change in &mut changes[..3] {
            change.rate_pa_s = 5.0;
        }
        let found = chatter(&changes, &ChatterConfig::default()).expect("valid");
        assert_eq!((found.taken_back, found.bounces, found.n), (1, 1, 4));
    }

    #[test]
    fn nothing_to_count_is_an_error() {
        let config = ChatterConfig::default();
        assert!(matches!(chatter(&[], &config), Err(Error::NoEvent { .. })));
        assert!(matches!(chatter(&test(&[-1]), &config), Err(Error::BadValue { .. })));
        let bad = ChatterConfig { alpha: -1.0, ..config };
        assert!(matches!(chatter(&test(&[1]), &bad), Err(Error::BadValue { .. })));
    }
}
