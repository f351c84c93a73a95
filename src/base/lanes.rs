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

#[cfg(test)]
mod tests {
    use super::groups;

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
}
