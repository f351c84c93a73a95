//! Readings as the display made them: its step, and how long it held each of them.

/// A sample interval and a half: held longer than that, a reading was shown more than once.
const HELD: f64 = 1.5;
/// Jumps of a display that holds, at least.
const JUMPS: usize = 3;
/// Differences must be whole steps within this fraction of a step.
const SLACK: f64 = 0.02;
/// Refresh intervals that are tried, at most.
const TRIED: usize = 4000;

/// Readings of a display, one for each time that it was refreshed.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Shown {
    /// Instants at which the display took its readings, s.
    pub(super) time: Vec<f64>,
    /// The readings, Pa.
    pub(super) value: Vec<f64>,
    /// Display step, Pa, where there is one.
    pub(super) step: Option<f64>,
    /// Time for which a reading stands, s; 0 where the display is as fast as the log.
    pub(super) hold_s: f64,
    /// Standard uncertainty of the instants that all of them share, s.
    pub(super) clock_u_s: f64,
}

impl Shown {
    /// What the samples show; step (Pa) and refresh (s) are found from them where they are not
    /// given, zero meaning that there is none. The times increase.
    pub(super) fn new(time: &[f64], y: &[f64], step: Option<f64>, refresh: Option<f64>) -> Self {
        let step = step.or_else(|| lattice(y)).filter(|step| *step > 0.0);
        let as_logged =
            Self { time: time.to_vec(), value: y.to_vec(), step, hold_s: 0.0, clock_u_s: 0.0 };
        let interval = median_interval(time);
        let changes: Vec<usize> = (1..y.len()).filter(|&i| y[i] != y[i - 1]).collect();
        let hold =
            refresh.map(|refresh| (refresh, 0.0)).or_else(|| typical_hold(time, y, &changes, step));
        let Some((hold, slack)) = hold.filter(|(hold, _)| *hold > HELD * interval) else {
            return as_logged;
        };
        match comb(time, &changes, hold, slack) {
            Some((phase, period, clock_u_s)) => {
                let (time, value) = refreshed(time, y, phase, period);
                Self { time, value, step, hold_s: period, clock_u_s }
            }
            None => as_logged,
        }
    }
}

fn median_interval(time: &[f64]) -> f64 {
    let mut intervals: Vec<f64> = time.windows(2).map(|pair| pair[1] - pair[0]).collect();
    crate::base::order::median(&mut intervals).unwrap_or(0.0)
}

/// The step of which all differences of readings are multiples, `None` where there is none or
/// fewer than three different readings could show one.
fn lattice(y: &[f64]) -> Option<f64> {
    let mut values = y.to_vec();
    values.sort_by(f64::total_cmp);
    let magnitude = values.first()?.abs().max(values.last()?.abs());
    let gaps: Vec<f64> = values
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .filter(|gap| *gap > 1e-9 * magnitude)
        .collect();
    let least = gaps.iter().copied().fold(f64::INFINITY, f64::min);
    let whole = |gap: &f64| (gap / least - (gap / least).round()).abs() < SLACK;
    (gaps.len() >= 2 && gaps.iter().all(whole)).then_some(least)
}

/// How long readings stood next to jumps of more than a step and a half, and how far off that may
/// be, s: a slow signal repeats readings, too, but then goes on by one step.
fn typical_hold(
    time: &[f64],
    y: &[f64],
    changes: &[usize],
    step: Option<f64>,
) -> Option<(f64, f64)> {
    let jump = step.map_or(0.0, |step| 1.5 * step);
    let jumps = |i: usize| (y[i] - y[i - 1]).abs() > jump;
    let holds = || {
        let pairs = changes.windows(2).filter(|pair| jumps(pair[0]) || jumps(pair[1]));
        pairs.map(|pair| time[pair[1]] - time[pair[0]])
    };
    let least = holds().fold(f64::INFINITY, f64::min);
    let interval = median_interval(time);
    if changes.iter().filter(|&&i| jumps(i)).count() < JUMPS || least <= HELD * interval {
        return None;
    }
    // Longer ones are several holds in which nothing was seen to move.
    let (count, sum) = holds()
        .filter(|hold| *hold < least + HELD * interval)
        .fold((0.0, 0.0), |(count, sum), hold| (count + 1.0, sum + hold));
    Some((sum / count, interval / f64::max(count, 2.0) * 2.0))
}

/// Phase and period of a clock whose ticks lie one in each of the intervals in which the display
/// changed, and the standard uncertainty of the phase. The period is searched within `slack` of
/// `about`.
fn comb(time: &[f64], changes: &[usize], about: f64, slack: f64) -> Option<(f64, f64, f64)> {
    let (&first, &last) = (changes.first()?, changes.last()?);
    let ticks = (time[last] - time[first]) / about;
    let count = if slack > 0.0 { (20.0 * ticks).clamp(40.0, TRIED as f64) } else { 0.0 };
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "40 to 4000")]
    let tried = (0..=count as usize).map(|i| {
        let share = if count > 0.0 { 2.0 * i as f64 / count - 1.0 } else { 0.0 };
        let period = about + slack * share;
        let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
        for &i in changes {
            let tick = ((time[i] - time[first]) / period).round() * period;
            low = low.max(time[i - 1] - tick);
            high = high.min(time[i] - tick);
        }
        (f64::midpoint(low, high), period, high - low)
    });
    // All periods that fit are alike; each leaves its phase free within a width.
    let (mut phase, mut square, mut mean, mut total) = (0.0, 0.0, 0.0, 0.0);
    for (at, period, width) in tried.filter(|(_, _, width)| *width > 0.0) {
        let at = at - time[first];
        phase += width * at;
        square += width * (at * at + width * width / 12.0);
        mean += width * period;
        total += width;
    }
    let (phase, square) = (phase / total, square / total);
    let u = (square - phase * phase).max(0.0).sqrt();
    (total > 0.0).then(|| (time[first] + phase, mean / total, u))
}

/// The readings at the ticks of the display's clock.
fn refreshed(time: &[f64], y: &[f64], phase: f64, period: f64) -> (Vec<f64>, Vec<f64>) {
    let (first, last) = (time[0], time[time.len() - 1]);
    let mut tick = phase + ((first - phase) / period).ceil() * period;
    let (mut instants, mut readings) = (Vec::new(), Vec::new());
    while tick <= last {
        let shown = time.partition_point(|&time| time < tick);
        if time[shown] < tick + period {
            instants.push(tick);
            readings.push(y[shown]);
        }
        tick += period;
    }
    (instants, readings)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn held(sample: f64, refresh: f64, phase: f64, step: f64) -> (Vec<f64>, Vec<f64>) {
        let time: Vec<f64> = (0..400).map(|i| sample * f64::from(i)).collect();
        let signal = |t: f64| if t < 10.0 { 90.0 } else { 90.0 * (-(t - 10.0) / 2.0).exp() };
        let value = time
            .iter()
            .map(|t| phase + ((t - phase) / refresh).floor() * refresh)
            .map(|tick| (signal(tick) / step).round() * step)
            .collect();
        (time, value)
    }

    proptest! {
        #[test]
        fn the_clock_of_a_slow_display_is_found(
            refresh in 0.25f64..1.2, phase in 0.0f64..0.25, step in 0.1f64..2.0,
        ) {
            let (time, y) = held(0.1, refresh, phase, step);
            let shown = Shown::new(&time, &y, None, None);
            prop_assert!((shown.step.expect("a step") / step - 1.0).abs() < 1e-6);
            prop_assert!((shown.hold_s - refresh).abs() < 0.03, "{} {refresh}", shown.hold_s);
            let near = shown.time.iter().find(|t| **t > 10.0).expect("a tick");
            let off = (near - phase) / refresh;
            let error = (off - off.round()).abs() * refresh;
            prop_assert!(error < 4.0 * shown.clock_u_s + 0.01, "{error} {}", shown.clock_u_s);
        }

        #[test]
        fn a_display_as_fast_as_the_log_is_taken_as_it_is(step in 0.1f64..8.0, sample in 0.01f64..0.2) {
            let time: Vec<f64> = (0..400).map(|i| sample * f64::from(i)).collect();
            let y: Vec<f64> = time
                .iter()
                .map(|t| if *t < 1.0 { 90.0 } else { 90.0 * (1.0 - *t).exp() })
                .map(|signal| (signal / step).round() * step)
                .collect();
            let shown = Shown::new(&time, &y, None, None);
            prop_assert_eq!(shown.hold_s, 0.0);
            prop_assert_eq!(shown.value, y);
        }
    }

    #[test]
    fn readings_without_a_lattice_have_no_step() {
        let y: Vec<f64> = (0..50).map(|i| (f64::from(i) * 0.37).sin()).collect();
        assert_eq!(lattice(&y), None);
        assert_eq!(lattice(&[]), None);
        assert_eq!(lattice(&[1.0, 1.0]), None);
    }
}
