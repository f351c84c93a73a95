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

/// Place of the first value of which `is` holds, for tests that hardly ever hold.
pub(crate) fn first(values: &[f64], is: impl Fn(f64) -> bool) -> Option<usize> {
    first_of(values.len(), |place| is(values[place]))
}

/// The first of `count` places of which `is` holds, for tests that hardly ever hold.
pub(crate) fn first_of(count: usize, is: impl Fn(usize) -> bool) -> Option<usize> {
    const TOGETHER: usize = 32;
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

#[cfg(test)]
mod tests {
    use super::{first, groups};

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
    fn the_first_place_is_found_wherever_it_is() {
        for place in [0, 1, 31, 32, 63, 64, 69] {
            let mut values = [0.0; 70];
            values[place..].fill(1.0);
            assert_eq!(first(&values, |value| value > 0.0), Some(place));
        }
        assert_eq!(first(&[0.0; 70], |value| value > 0.0), None);
        assert_eq!(first(&[], |value| value > 0.0), None);
    }
}
