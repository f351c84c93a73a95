//! Readings of a stroke, as a law is fitted to them.

/// Readings of a stroke with the weights that a law is fitted to them by.
#[derive(Debug, Clone)]
pub(super) struct Stroke {
    pub(super) time: Vec<f64>,
    pub(super) y: Vec<f64>,
    /// Weights, in readings that err apart from all others; absent: one for all.
    pub(super) weight: Option<Vec<f64>>,
    /// Smallest variance of such a reading, Pa².
    pub(super) floor: f64,
}

/// More readings than this are averaged in blocks: a law of four parameters gains nothing from them,
/// and within a block of a few thousandths of the stroke it is a straight line.
const MOST: usize = 400;

/// Readings in a block.
pub(super) fn block(readings: usize) -> usize {
    readings.div_ceil(MOST).max(1)
}

impl Stroke {
    /// Readings that err each for itself.
    pub(super) fn new(time: &[f64], y: &[f64]) -> Self {
        let block = block(time.len());
        let mean = |of: &[f64]| of.iter().sum::<f64>() / of.len() as f64;
        let blocks = |of: &[f64]| of.chunks(block).map(mean).collect();
        Self { time: blocks(time), y: blocks(y), weight: None, floor: 0.0 }
    }

    /// How many readings they are worth.
    pub(super) fn count(&self) -> f64 {
        self.weight.as_ref().map_or(self.time.len() as f64, |weight| weight.iter().sum())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_readings_are_averaged() {
        let time: Vec<f64> = (0..1000).map(|i| 0.01 * f64::from(i)).collect();
        let stroke = Stroke::new(&time, &time);
        assert_eq!(stroke.time.len(), 334);
        assert!((stroke.time[1] - 0.04).abs() < 1e-12 && stroke.time == stroke.y);
    }
}
