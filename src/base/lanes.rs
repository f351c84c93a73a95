//! Values taken side by side, so that no operation waits for the last one's result.

/// The values in groups of `N`, the last one filled up.
pub(crate) fn groups<const N: usize>(
    values: &[f64],
    filling: f64,
) -> impl Iterator<Item = [f64; N]> {
    let (groups, rest) = values.as_chunks::<N>();
    let mut last = [filling; N];
    last[..rest.len()].copy_from_slice(rest);
    groups.iter().copied().chain((!rest.is_empty()).then_some(last))
}

/// About `wanted` groups of `N` values, spread evenly over all of them, and the number of values in
/// them; all values, the last group filled up, where they are fewer than twice as many.
pub(crate) fn spread<const N: usize>(
    values: &[f64],
    filling: f64,
    wanted: usize,
) -> (impl Iterator<Item = [f64; N]>, usize) {
    let whole = values.len() / N;
    let apart = (whole / wanted).max(1);
    let (values, taken) = if apart > 1 {
        (&values[..whole * N], whole.div_ceil(apart) * N)
    } else {
        (values, values.len())
    };
    (groups::<N>(values, filling).step_by(apart), taken)
}

/// Values looked at before it is asked whether one of them was it.
const TOGETHER: usize = 32;

/// Place of the first value of which `is` holds, for tests that hardly ever hold.
pub(crate) fn first(values: &[f64], is: impl Fn(f64) -> bool) -> Option<usize> {
    first_of(values.len(), |place| is(values[place]))
}

/// The first of `count` places of which `is` holds, for tests that hardly ever hold.
pub(crate) fn first_of(count: usize, is: impl Fn(usize) -> bool) -> Option<usize> {
    let mut start = 0;
    while start < count {
        let end = (start + TOGETHER).min(count);
        if (start..end).fold(false, |any, place| any | is(place)) {
            return (start..end).find(|&place| is(place));
        }
        start = end;
    }
    None
}

/// Place of the last value of which `is` holds, for tests that hardly ever hold.
pub(crate) fn last(values: &[f64], is: impl Fn(f64) -> bool) -> Option<usize> {
    let mut end = values.len();
    while end > 0 {
        let start = end.saturating_sub(TOGETHER);
        let some = &values[start..end];
        if some.iter().fold(false, |any, &value| any | is(value)) {
            return some.iter().rposition(|&value| is(value)).map(|place| start + place);
        }
        end = start;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::{first, groups, last, spread};

    #[test]
    fn every_value_comes_once() {
        let values: Vec<f64> = (0..7).map(f64::from).collect();
        for length in 0..=values.len() {
            let found: Vec<f64> = groups::<3>(&values[..length], -1.0).flatten().collect();
            let filling = length.div_ceil(3) * 3 - length;
            assert_eq!(found[..length], values[..length]);
            assert_eq!(found[length..], vec![-1.0; filling]);
        }
    }

    #[test]
    fn what_is_spread_is_counted() {
        let values: Vec<f64> = (0..100).map(f64::from).collect();
        for length in 0..=values.len() {
            for wanted in [1, 3, 100] {
                let (found, taken) = spread::<4>(&values[..length], -1.0, wanted);
                let found: Vec<f64> = found.flatten().filter(|&value| value >= 0.0).collect();
                assert_eq!(found.len(), taken);
                assert!(taken == length || (wanted * 4..=wanted * 8 + 4).contains(&taken));
                assert!(found.is_sorted_by(|a, b| a < b));
            }
        }
    }

    #[test]
    fn the_first_and_the_last_place_are_found_wherever_they_are() {
        for place in [0, 1, 31, 32, 63, 64, 69] {
            let mut values = [0.0; 70];
            values[place..].fill(1.0);
            assert_eq!(first(&values, |value| value > 0.0), Some(place));
        }
        for place in [0, 5, 6, 37, 38, 69] {
            let mut values = [0.0; 70];
            values[..=place].fill(1.0);
            assert_eq!(last(&values, |value| value > 0.0), Some(place));
        }
        assert_eq!(first(&[0.0; 70], |value| value > 0.0), None);
        assert_eq!(last(&[0.0; 70], |value| value > 0.0), None);
        assert_eq!(last(&[], |value| value > 0.0), None);
        assert_eq!(first(&[], |value| value > 0.0), None);
    }
}
