//! Order statistics on unsorted slices.

use super::lanes::groups;

/// Values taken side by side, so that no comparison waits for the last one.
const LANES: usize = 8;

/// The least and the greatest value; infinities, crossed, for an empty slice. NaN is passed over.
///
/// ```
/// assert_eq!(deadband::base::order::extremes(&[2.0, -1.0, 5.0]), (-1.0, 5.0));
/// ```
pub fn extremes(values: &[f64]) -> (f64, f64) {
    let [mut low, mut high] = [[f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]];
    for group in groups::<LANES>(values, f64::NAN) {
        for lane in 0..LANES {
            low[lane] = if group[lane] < low[lane] { group[lane] } else { low[lane] };
            high[lane] = if group[lane] > high[lane] { group[lane] } else { high[lane] };
        }
    }
    let lows = low.into_iter().fold(f64::INFINITY, f64::min);
    (lows, high.into_iter().fold(f64::NEG_INFINITY, f64::max))
}

/// The median, `None` for an empty slice. Reorders the slice. NaN sorts last.
///
/// ```
/// use deadband::base::order::median;
/// assert_eq!(median(&mut [3.0, 1.0, 2.0]), Some(2.0));
/// assert_eq!(median(&mut [4.0, 1.0, 2.0, 3.0]), Some(2.5));
/// assert_eq!(median(&mut []), None);
/// ```
pub fn median(values: &mut [f64]) -> Option<f64> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let (below, &mut middle, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    if n % 2 == 1 {
        return Some(middle);
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(f64::midpoint(lower, middle))
}

/// Median absolute deviation from the median, times 1.4826, so that it estimates the standard
/// deviation of normal data; `None` for an empty slice. Overwrites the slice.
///
/// ```
/// use deadband::base::order::mad;
/// assert_eq!(mad(&mut [1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0]), Some(1.4826));
/// ```
pub fn mad(values: &mut [f64]) -> Option<f64> {
    let centre = median(values)?;
    for value in values.iter_mut() {
        *value = (*value - centre).abs();
    }
    median(values).map(|deviation| 1.4826 * deviation)
}
