//! The readings of a gauge against those of a reference, at one lag between them.

use super::display::Shown;

/// A straight line of readings against the reference, as it was `lag_s` earlier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Match {
    pub(super) lag_s: f64,
    pub(super) slope: f64,
    pub(super) squares: f64,
    pub(super) count: f64,
    total: f64,
}

impl Match {
    /// `None` where less than half of the readings have a reference that much earlier.
    pub(super) fn at(tested: &Shown, known: &Shown, lag: f64) -> Option<Self> {
        let (mut count, mut x1, mut y1) = (0.0, 0.0, 0.0);
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        let (x0, y0) = (known.value[0], tested.value[0]);
        let mut after = 1;
        for (t, y) in tested.time.iter().zip(&tested.value) {
            let there = t - lag;
            while after < known.time.len() && known.time[after] < there {
                after += 1;
            }
            if there < known.time[0] || after == known.time.len() {
                continue;
            }
            let (from, to) = (known.time[after - 1], known.time[after]);
            let share = (there - from) / (to - from);
            let (before, behind) = (known.value[after - 1], known.value[after]);
            let (x, y) = (before + share * (behind - before) - x0, y - y0);
            count += 1.0;
            x1 += x;
            y1 += y;
            xx += x * x;
            xy += x * y;
            yy += y * y;
        }
        let (sxx, sxy, total) = (xx - x1 * x1 / count, xy - x1 * y1 / count, yy - y1 * y1 / count);
        let slope = sxy / sxx;
        let squares = (total - slope * sxy).max(0.0);
        let enough = count >= (tested.time.len() / 2) as f64;
        (enough && total > 0.0 && slope.is_finite()).then_some(Self {
            lag_s: lag,
            slope,
            squares,
            count,
            total,
        })
    }

    /// Share of the scatter that is left; infinite where the readings fall as the reference rises,
    /// which no lag does.
    pub(super) fn left(&self) -> f64 {
        if self.slope > 0.0 { self.squares / self.total } else { f64::INFINITY }
    }
}
