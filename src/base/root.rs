//! Root of a function of one variable between two points where its signs differ.

/// Root of `f` between `a` and `b` by false position with halving (the Illinois method).
///
/// `f(a)` and `f(b)` must not have the same sign; `None` otherwise. Stops when the bracket is no
/// wider than a few units in the last place of its ends, or `f` is exactly zero.
///
/// Source: M. Dowell and P. Jarratt, BIT 11 (1971) 168-174.
pub(crate) fn root(mut f: impl FnMut(f64) -> f64, a: f64, b: f64) -> Option<f64> {
    let (mut a, mut b) = (a, b);
    let (mut fa, mut fb) = (f(a), f(b));
    if fa == 0.0 {
        return Some(a);
    }
    if fb == 0.0 {
        return Some(b);
    }
    if fa.is_nan() || fb.is_nan() || (fa > 0.0) == (fb > 0.0) {
        return None;
    }
    for step in 0..200 {
        if (b - a).abs() <= 4.0 * f64::EPSILON * a.abs().max(b.abs()) {
            break;
        }
        // A bisection now and then bounds the number of steps for badly scaled functions.
        let cut = b - fb * (b - a) / (fb - fa);
        let inside = (cut - a) * (cut - b) < 0.0;
        let c = if inside && step % 8 != 7 { cut } else { f64::midpoint(a, b) };
        let fc = f(c);
        if fc == 0.0 || c == a || c == b {
            return Some(c);
        }
        if (fc > 0.0) == (fb > 0.0) {
            fa *= 0.5;
        } else {
            (a, fa) = (b, fb);
        }
        (b, fb) = (c, fc);
    }
    Some(b)
}

#[cfg(test)]
mod tests {
    use super::root;
    use proptest::prelude::*;

    #[test]
    fn equal_signs_have_no_root() {
        assert_eq!(root(|x| x * x + 1.0, -1.0, 1.0), None);
        assert_eq!(root(|_| f64::NAN, -1.0, 1.0), None);
    }

    proptest! {
        #[test]
        fn roots_are_found_to_the_last_digits(at in 1e-3f64..1e3, power in 1i32..7) {
            let found = root(|x| x.powi(power) - at.powi(power), 0.0, 1e4);
            prop_assert!(found.is_some_and(|x| (x / at - 1.0).abs() < 1e-12));
        }
    }
}
