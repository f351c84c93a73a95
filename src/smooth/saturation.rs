//! Whether a reading stood at the end of the gauge's range.

/// Fewer equal readings than this in a row are a display step, not the end of a range.
const MIN_RUN: usize = 6;
/// How many times longer than any other run of equal readings nearby one must be.
const LONGER: usize = 4;
/// How far around the event other runs are looked at, in readings.
const NEARBY: usize = 300;

/// The same at the upper end only: a pressure that comes to rest vented stands still at the lower.
pub(super) fn saturated_at_top(readings: &[f64], range: (f64, f64), index: usize) -> bool {
    readings[index] >= range.1 && saturated(readings, range, index)
}

/// True when reading `index` belongs to a run at the largest or smallest reading of the whole
/// recording, its `range`, that lasts far longer than a display ever stands still between the two.
pub(super) fn saturated(readings: &[f64], (least, most): (f64, f64), index: usize) -> bool {
    let level = readings[index];
    if least < level && level < most {
        return false;
    }
    let before = readings[..index].iter().rev().take_while(|&&reading| reading == level).count();
    let after = readings[index..].iter().take_while(|&&reading| reading == level).count();
    let run = before + after;
    if run < MIN_RUN {
        return false;
    }
    let start = index.saturating_sub(NEARBY);
    let end = (index + NEARBY).min(readings.len());
    let other = readings[start..end]
        .chunk_by(|one, next| one == next)
        .filter(|run| run[0] != level)
        .map(<[f64]>::len)
        .max();
    other.is_none_or(|other| run > LONGER * other)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::order::extremes;

    fn is(readings: &[f64], index: usize) -> bool {
        saturated(readings, extremes(readings), index)
    }

    fn clipped(at: f64) -> Vec<f64> {
        (0..=200).map(|i| (100.0 - f64::from(i - 100_i32).abs()).min(at)).collect()
    }

    #[test]
    fn a_clipped_top_is_saturated_and_a_turning_point_is_not() {
        assert!(is(&clipped(80.0), 100));
        assert!(!is(&clipped(80.0), 40));
        assert!(!is(&clipped(1000.0), 100));
    }

    #[test]
    fn a_coarse_display_at_its_turning_point_is_not_saturated() {
        let coarse: Vec<f64> =
            clipped(1000.0).iter().map(|reading| (reading / 12.0).round() * 12.0).collect();
        assert!(!is(&coarse, 100));
    }
}
