//! A display that is refreshed more slowly than it is logged, recognised in its readings.

use statrs::function::factorial::ln_binomial;

use super::step::nearest;
use crate::base::order;

/// A recording's readings with every held value taken once, at the middle of the time for which it
/// stood.
///
/// What the display showed then is on average half a refresh old: that half stays a part of the
/// gauge's lag, as it is where the refresh goes unrecognised.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    /// Time between refreshes, s.
    pub refresh_s: f64,
    /// Middle of the time for which each value stood, s.
    pub time_s: Vec<f64>,
    /// The values, Pa.
    pub pressure_pa: Vec<f64>,
    /// Standard uncertainty of a time by which all of `time_s` are off alike, s: see [`held`].
    pub clock_u_s: f64,
}

/// Changes of the reading that are needed to tell a refresh from chance.
const FEWEST: usize = 25;
/// Changes that are looked at.
const LOOKED_AT: usize = 60;
/// Share of them that must keep the beat; the rest may be a logger's late samples.
const IN_BEAT: f64 = 0.95;
/// How likely a beat by chance may be, over all periods tried.
const BY_CHANCE: f64 = 1e-6;
/// Longest refresh that is looked for, s.
const LONGEST_S: f64 = 1.5;

/// Finds the refresh of a display and takes each held value once; `None` where the readings show
/// none that is at least two samples long.
///
/// A held display changes only in its own beat: there is a period and a phase so that every change
/// of the reading falls, within one sample, on a multiple of the period. The longest such period is
/// taken. On a display that shows each sample noise and motion change neighbouring readings, and
/// that settles it at once.
///
/// Between which two samples the display turned the readings say, and no more: each turn is seen up
/// to one sample interval `w` late. Where turns fall at other places between the samples every time
/// that is scatter, and means reduce it. Where a display holds for a whole number of samples they
/// fall at one place all through the recording, and all times are off by one number, uniform over
/// `w`. Of its variance `w²/12` the recording shows as scatter of the turns about their beat what
/// is not common, and the rest is: `clock_u_s = √(w²/12 − s²)`.
///
/// Times in s, increasing; readings in Pa, of equal length. The mean sample interval is taken for
/// all of them.
///
/// ```
/// use deadband::trace::refresh::held;
/// let time: Vec<f64> = (0..400).map(|i| 0.1 * f64::from(i)).collect();
/// let shown = |t: f64| 3.0 * (t / 0.5 + 1e-9).floor() * 0.5; // a ramp, shown twice a second
/// let pressure: Vec<f64> = time.iter().map(|&t| shown(t)).collect();
/// let found = held(&time, &pressure).unwrap();
/// assert!((found.refresh_s - 0.5).abs() < 0.02 && found.time_s.len() == 80);
/// assert!((found.clock_u_s - 0.1 / 12.0_f64.sqrt()).abs() < 1e-3); // five samples each
/// let each: Vec<f64> = time.iter().map(|t| 3.0 * t).collect();
/// assert!(held(&time, &each).is_none());
/// ```
pub fn held(time: &[f64], pressure: &[f64]) -> Option<Held> {
    let interval = (time.last()? - time.first()?) / (time.len() - 1) as f64;
    if !stands(pressure) {
        return None;
    }
    let runs: Vec<&[f64]> = pressure.chunk_by(|a, b| a == b).collect();
    let mut changes = Vec::with_capacity(LOOKED_AT);
    let mut at = 0;
    for run in runs.iter().take(LOOKED_AT) {
        at += run.len();
        changes.extend(time.get(at).map(|t| t - time[0]));
    }
    let refresh_s = beat(&changes, interval)?;
    let (mut times, mut values) = (Vec::new(), Vec::new());
    let mut turns = Vec::with_capacity(runs.len());
    let (mut start, mut beats) = (0, 0.0);
    for run in runs {
        let (from, lasts) = (time[start], run.len() as f64 * interval);
        let shown = (lasts / refresh_s).round().max(1.0);
        if start > 0 {
            turns.push((beats, from));
        }
        beats += shown;
        let mut block = 0.5;
        while block < shown {
            // The value stood from half a sample before it was seen first.
            times.push(from - 0.5 * interval + block / shown * lasts);
            values.push(run[0]);
            block += 1.0;
        }
        start += run.len();
    }
    let increasing = times.windows(2).all(|pair| pair[0] < pair[1]);
    let clock_u_s = (interval * interval / 12.0 - about_line(&turns)).max(0.0).sqrt();
    increasing.then_some(Held { refresh_s, time_s: times, pressure_pa: values, clock_u_s })
}

/// Mean square of `y` about its straight line over `x`.
fn about_line(points: &[(f64, f64)]) -> f64 {
    let n = points.len() as f64;
    let mean = |of: &dyn Fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / n;
    let (x, y) = (mean(&|point| point.0), mean(&|point| point.1));
    let xx = mean(&|point| (point.0 - x).powi(2));
    let xy = mean(&|point| (point.0 - x) * (point.1 - y));
    mean(&|point| (point.1 - y).powi(2)) - xy * xy / xx
}

/// Whether the reading changes often enough to show a beat, and hardly ever from one sample to the
/// next and the one after.
fn stands(pressure: &[f64]) -> bool {
    let triples = pressure.iter().zip(pressure.get(1..).unwrap_or_default());
    let (mut changes, mut single) = (0_u32, 0_u32);
    for ((one, next), last) in triples.zip(pressure.get(2..).unwrap_or_default()) {
        changes += u32::from(one != next);
        single += u32::from(one != next) & u32::from(next != last);
    }
    changes as usize >= FEWEST && f64::from(single) <= (1.0 - IN_BEAT) * f64::from(changes)
}

/// The longest period in whose beat the changes fall, each within one sample of it.
///
/// A few neighbouring changes leave few periods; only those are held against all changes.
fn beat(changes: &[f64], interval: f64) -> Option<f64> {
    let mut gaps: Vec<f64> = changes.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let usual = order::median(&mut gaps)?;
    // No two changes of a beat are nearer than its period, but for a sample and the few out of beat.
    let few = gaps.len() / 8;
    let (_, &mut near, _) = gaps.select_nth_unstable_by(few, f64::total_cmp);
    let longest = LONGEST_S.min(1.2 * usual).min(near + 1.4 * interval);
    let shortest = 1.7 * interval;
    let count = (longest / shortest).ln() / finer(changes, interval).ln();
    let is_beat = |period: f64| chance(changes, period, interval) * count < BY_CHANCE;
    let few = [&changes[..FEW], &changes[changes.len() - FEW..]];
    few.into_iter().find_map(|few| {
        let narrower = [&few[..FEWER], few, changes];
        longest_beat(&narrower, (shortest, longest), interval, &is_beat)
    })
}

/// Neighbouring changes that a period is tried on first, and second.
const FEWER: usize = 6;
const FEW: usize = 16;

/// From one period to the next, a factor: the last change moves by a third of a sample.
fn finer(changes: &[f64], interval: f64) -> f64 {
    1.0 + 0.33 * interval / (changes[changes.len() - 1] - changes[0]).max(interval)
}

/// The longest period that is no chance, among those in whose beat ever more changes may fall.
fn longest_beat(
    narrower: &[&[f64]],
    (shortest, longest): (f64, f64),
    interval: f64,
    is_beat: &impl Fn(f64) -> bool,
) -> Option<f64> {
    let (changes, others) = narrower.split_first()?;
    let factor = finer(changes, interval);
    let mut period = longest;
    while period >= shortest {
        let next = period / factor;
        let found = if others.is_empty() {
            is_beat(period).then_some(period)
        } else if agree(changes, period, interval) {
            longest_beat(others, (next.next_up(), period), interval, is_beat)
        } else {
            None
        };
        if found.is_some() {
            return found;
        }
        period = next;
    }
    None
}

/// Whether changes may all lie within one sample of multiples of a period, or of one a little
/// shorter.
fn agree(changes: &[f64], period: f64, interval: f64) -> bool {
    let (beats, wide) = (1.0 / period, 1.4 * interval / period);
    let (mut low, mut high) = (0.0_f64, 0.0_f64);
    changes.iter().all(|change| {
        let turns = (change - changes[0]) * beats;
        let off = turns - nearest(turns);
        (low, high) = (low.min(off), high.max(off));
        high - low <= wide
    })
}

/// Phases that are told apart.
const BINS: usize = 96;

/// How likely it is that changes without a beat keep to multiples of a period, each within one
/// sample, as well as these do in their best phase; 1 where too many do not.
fn chance(changes: &[f64], period: f64, interval: f64) -> f64 {
    let beats = BINS as f64 / period;
    let mut counts = [0_u8; BINS];
    for change in changes {
        let turns = change * beats;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "saturates")]
        let bin = turns as usize % BINS;
        counts[bin] += 1;
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "below BINS")]
    let width = ((interval * beats - 0.1) as usize).clamp(1, BINS);
    let mut inside: u32 = counts[..width].iter().copied().map(u32::from).sum();
    let mut most = inside;
    for start in 0..BINS {
        let entering = start + width;
        let entering = counts[if entering < BINS { entering } else { entering - BINS }];
        inside = inside + u32::from(entering) - u32::from(counts[start]);
        most = most.max(inside);
    }
    let n = changes.len();
    if f64::from(most) < IN_BEAT * n as f64 {
        return 1.0;
    }
    // Binomial, times the phases from which the best was taken.
    let fits = width as f64 / BINS as f64;
    let misses = n as u64 - u64::from(most);
    (ln_binomial(n as u64, misses) + f64::from(most) * fits.ln()).exp() * BINS as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::{Gauge, Motion, Ramp, Stand};

    fn found(refresh_s: f64, noise: f64, rate: f64, seed: u64) -> Option<Held> {
        let step = 2.490_889_1;
        let gauge =
            Gauge { refresh_s, resolution_pa: step, noise_pa: noise * step, ..Gauge::default() };
        let ramp = Ramp { rate_pa_s: rate, ..Ramp::default() };
        let stand = Stand { gauge, motion: Motion::Ramp(ramp), ..Stand::default() };
        let made = stand.record(seed).expect("a stand");
        held(&made.time_s, &made.pressure_pa)
    }

    #[test]
    fn a_slow_display_is_recognised_at_any_noise_and_rate() {
        for refresh_s in [0.25, 0.33, 0.5, 1.0] {
            for noise in [0.02, 0.5] {
                for rate in [2.0, 5.0, 12.0] {
                    for seed in 0..5 {
                        let found = found(refresh_s, noise, rate, seed);
                        let told = found.as_ref().map(|held| held.refresh_s);
                        let close = |told: f64| (told / refresh_s - 1.0).abs() < 0.1;
                        assert!(told.is_some_and(close), "{refresh_s} {noise} {rate}: {told:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn a_display_that_shows_every_sample_has_no_refresh() {
        for noise in [0.02, 0.1, 0.5] {
            for rate in [1.0, 2.0, 5.0, 12.0] {
                for seed in 0..20 {
                    let found = found(0.0, noise, rate, seed);
                    assert!(
                        found.is_none(),
                        "{noise} {rate} {seed}: {:?}",
                        found.map(|h| h.refresh_s)
                    );
                }
            }
        }
    }

    #[test]
    fn turns_at_one_place_between_two_samples_are_off_alike_and_others_are_not() {
        let alike = 0.1 / 12.0_f64.sqrt();
        for seed in 0..10 {
            let clock = |refresh_s| found(refresh_s, 0.5, 5.0, seed).map(|held| held.clock_u_s);
            let whole = clock(0.4).expect("held");
            assert!((whole - alike).abs() < 1e-6, "{whole}");
            let other = clock(0.333).expect("held");
            assert!(other < 0.5 * alike, "{other}");
        }
    }

    #[test]
    fn nothing_is_found_where_nothing_is() {
        assert!(held(&[], &[]).is_none());
        assert!(held(&[0.0], &[1.0]).is_none());
        let time: Vec<f64> = (0..100).map(f64::from).collect();
        assert!(held(&time, &[5.0; 100]).is_none());
    }
}
