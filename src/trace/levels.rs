//! The two levels of a contact channel, found in the data.

use serde::{Deserialize, Serialize};

use crate::base::lanes::spread;
use crate::base::order::extremes;
use crate::base::{Error, Result};

/// Which level of the channel means that the contact is closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sense {
    /// The lower level: a meter across the contact reads low volts or ohms when it is closed.
    Low,
    /// The higher level: a logged state, or the voltage behind the contact.
    High,
}

/// The two levels of a contact channel, on the scale they are compared on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Levels {
    /// Mean of the lower level.
    pub low: f64,
    /// Mean of the higher level.
    pub high: f64,
    /// Whether that scale is logarithmic: the channel spans decades, as ohms do.
    pub compressed: bool,
}

/// Bins of the histogram between the smallest and the largest value.
const BINS: usize = 64;
/// Levels nearer than this many within-level standard deviations are one level: halves of a
/// normal distribution lie 2.65 apart, of a uniform one 3.46.
const ONE_LEVEL: f64 = 3.2;
/// From here on two levels are clear.
const TWO_LEVELS: f64 = 6.0;
/// Above this magnitude a channel spans decades (ohms) and is compared on a logarithmic scale.
const WIDE: f64 = 100.0;
/// What an infinite reading counts as, on the logarithmic scale the same as any open circuit.
const OPEN_CIRCUIT: f64 = 1e9;

/// Inverse hyperbolic sine: linear near zero, logarithmic beyond; an open circuit stays finite.
fn compress(value: f64) -> f64 {
    value.clamp(-OPEN_CIRCUIT, OPEN_CIRCUIT).asinh()
}

impl Levels {
    /// Finds the two levels by Otsu's threshold.
    ///
    /// # Errors
    ///
    /// [`Error::NoEvent`] when the channel has one level, [`Error::ContactAmbiguous`] when two
    /// levels overlap.
    ///
    /// ```
    /// use deadband::trace::Levels;
    /// let levels = Levels::find(&[0.1, 0.1, 24.0, 24.1, 0.0, 24.0]).unwrap();
    /// assert!(levels.low < 0.1 && levels.high > 24.0);
    /// ```
    pub fn find(contact: &[f64]) -> Result<Self> {
        Self::between(contact, extremes(contact))
    }

    /// As [`Levels::find`], the least and the greatest value being known.
    pub(super) fn between(contact: &[f64], (least, most): (f64, f64)) -> Result<Self> {
        let one_level = Error::NoEvent { samples: contact.len() };
        if least >= most {
            return Err(one_level);
        }
        let compressed = most.abs().max(least.abs()) > WIDE;
        let (below, above) = if compressed {
            halves(contact.iter().map(|&value| compress(value)), compress(least), compress(most))
        } else {
            outer_halves(contact, (least, most), SOME)
                .or_else(|| outer_halves(contact, (least, most), usize::MAX))
                .unwrap_or_else(|| halves(contact.iter().copied(), least, most))
        };
        let count = below.count + above.count;
        let within = ((below.scatter() + above.scatter()) / count).sqrt();
        let apart = (above.mean() - below.mean()) / within;
        if apart < ONE_LEVEL {
            Err(one_level)
        } else if apart < TWO_LEVELS {
            Err(Error::ContactAmbiguous { reason: "its two levels overlap" })
        } else {
            let least = if compressed { compress(least) } else { least };
            Ok(Self { low: least + below.mean(), high: least + above.mean(), compressed })
        }
    }

    /// Where `value` lies between the levels: 0 at the lower, 1 at the higher one.
    pub fn fraction(&self, value: f64) -> f64 {
        let value = if self.compressed { compress(value) } else { value };
        (value - self.low) / (self.high - self.low)
    }

    /// The value of the channel that lies at `fraction` of the way from the lower to the higher
    /// level.
    ///
    /// ```
    /// use deadband::trace::Levels;
    /// let levels = Levels::find(&[0.0, 0.0, 24.0, 24.0]).unwrap();
    /// assert_eq!(levels.value(0.5), 12.0);
    /// ```
    pub fn value(&self, fraction: f64) -> f64 {
        let value = self.low + fraction * (self.high - self.low);
        if self.compressed { value.sinh() } else { value }
    }
}

/// Groups of values, spread over the channel, that tell its levels.
const SOME: usize = 48;
/// Values that a level must have among them.
const FEWEST: f64 = 8.0;

/// The two parts of a channel that keeps to the outer quarters of its range, counted from `least`, from
/// so many groups of its values; `None` for one that does not, or whose parts are not clearly apart.
///
/// Any split in the middle half is Otsu's then, and no histogram is needed.
fn outer_halves(contact: &[f64], (least, most): (f64, f64), wanted: usize) -> Option<(Bin, Bin)> {
    const LANES: usize = 8;
    let (some, taken) = spread::<LANES>(contact, least, wanted);
    let quarter = (most - least) / 4.0;
    let [mut inner, mut count, mut sum, mut squares, mut above, mut above_squares] =
        [[0.0; LANES]; 6];
    for values in some {
        for lane in 0..LANES {
            let value = values[lane] - least;
            let upper = if value > 2.0 * quarter { value } else { 0.0 };
            inner[lane] += if value > quarter && value < 3.0 * quarter { 1.0 } else { 0.0 };
            count[lane] += if value > 2.0 * quarter { 1.0 } else { 0.0 };
            sum[lane] += value;
            squares[lane] += value * value;
            above[lane] += upper;
            above_squares[lane] += upper * upper;
        }
    }
    let whole = |lanes: [f64; LANES]| lanes.iter().sum::<f64>();
    let above = Bin { count: whole(count), sum: whole(above), squares: whole(above_squares) };
    let below = Bin {
        count: taken as f64 - above.count,
        sum: whole(sum) - above.sum,
        squares: whole(squares) - above.squares,
    };
    let within = (below.scatter() + above.scatter()) / taken as f64;
    let apart = above.mean() - below.mean();
    let clear = apart * apart > TWO_LEVELS * TWO_LEVELS * within;
    let known = taken == contact.len() || below.count.min(above.count) >= FEWEST;
    (whole(inner) <= 0.0 && clear && known).then_some((below, above))
}

/// The two parts of values by Otsu's threshold, counted from `least`.
fn halves(values: impl Iterator<Item = f64>, least: f64, most: f64) -> (Bin, Bin) {
    let width = (most - least) / BINS as f64;
    let mut bins = [Bin::default(); BINS];
    for value in values {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "between 0 and BINS"
        )]
        let bin = (((value - least) / width) as usize).min(BINS - 1);
        bins[bin].add(value - least);
    }
    let split = otsu(&bins.map(|bin| bin.count));
    (Bin::sum(&bins[..split]), Bin::sum(&bins[split..]))
}

#[derive(Debug, Clone, Copy, Default)]
struct Bin {
    count: f64,
    sum: f64,
    squares: f64,
}

impl Bin {
    fn add(&mut self, value: f64) {
        self.count += 1.0;
        self.sum += value;
        self.squares += value * value;
    }

    fn sum(bins: &[Self]) -> Self {
        bins.iter().fold(Self::default(), |total, bin| Self {
            count: total.count + bin.count,
            sum: total.sum + bin.sum,
            squares: total.squares + bin.squares,
        })
    }

    fn mean(&self) -> f64 {
        self.sum / self.count
    }

    fn scatter(&self) -> f64 {
        (self.squares - self.sum * self.mean()).max(0.0)
    }
}

/// The first class of the upper part when a histogram is split so that the variance between the
/// two parts, `w₀ w₁ (μ₁ − μ₀)²`, is largest; the middle one of equally good splits.
///
/// Source: N. Otsu, IEEE Trans. Syst. Man Cybern. 9 (1979) 62–66.
///
/// ```
/// // A six-level, 36-pixel histogram widely used in teaching notes (from memory): best split 3.
/// assert_eq!(deadband::trace::levels::otsu(&[8.0, 7.0, 2.0, 6.0, 9.0, 4.0]), 3);
/// ```
pub fn otsu(counts: &[f64]) -> usize {
    let total: f64 = counts.iter().sum();
    let moment: f64 = counts.iter().enumerate().map(|(level, n)| level as f64 * n).sum();
    let (mut below, mut below_moment) = (0.0, 0.0);
    let (mut best, mut first, mut last) = (f64::NEG_INFINITY, 1, 1);
    for split in 1..counts.len() {
        below += counts[split - 1];
        below_moment += (split - 1) as f64 * counts[split - 1];
        let above = total - below;
        if below == 0.0 || above == 0.0 {
            continue;
        }
        let apart = (moment - below_moment) / above - below_moment / below;
        let between = below * above * apart * apart;
        if between > best * (1.0 + 1e-12) {
            (best, first, last) = (between, split, split);
        } else if between >= best * (1.0 - 1e-12) {
            last = split;
        }
    }
    usize::midpoint(first, last)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Status;
    use proptest::prelude::*;

    #[test]
    fn ohms_from_short_to_open_circuit_have_two_levels() {
        let levels = Levels::find(&[0.2, 0.3, 3e6, f64::INFINITY, 8e6, 0.2, 0.25]).expect("two");
        assert!(levels.fraction(0.3) < 0.1);
        assert!(levels.fraction(3e6) > 0.7);
    }

    #[test]
    fn one_level_is_no_event_and_overlap_is_ambiguous() {
        assert_eq!(Levels::find(&[5.0; 20]).unwrap_err().status(), Status::NoEvent);
        let bell: Vec<f64> = (1..1000)
            .map(|i| 3.0 + 0.1 * crate::base::estimate::t_quantile(f64::from(i) / 1000.0, 1e12))
            .collect();
        assert_eq!(Levels::find(&bell).unwrap_err().status(), Status::NoEvent);
        let three: Vec<f64> = (0..300).map(|i| f64::from(i % 3)).collect();
        assert_eq!(Levels::find(&three).unwrap_err().status(), Status::ContactAmbiguous);
    }

    proptest! {
        #[test]
        fn clean_levels_are_found_whatever_their_share(
            ones in 1usize..50, zeros in 1usize..50, low in -50.0f64..50.0, gap in 0.01f64..40.0,
        ) {
            let contact: Vec<f64> =
                [vec![low + gap; ones], vec![low; zeros]].concat();
            let levels = Levels::find(&contact).expect("two levels");
            prop_assert!(levels.fraction(low) < 0.01 && levels.fraction(low + gap) > 0.99);
        }
    }
}
