//! Places on a clock.

/// Number of times that are not after `t`, for increasing times: where the samples are evenly apart, as
/// they are nearly everywhere, without a search.
///
/// ```
/// let time = [0.0, 1.0, 2.1, 2.9, 4.0];
/// assert_eq!(deadband::base::clock::up_to(&time, 2.1), 3);
/// assert_eq!(deadband::base::clock::up_to(&time, -1.0), 0);
/// assert_eq!(deadband::base::clock::up_to(&time, 9.0), 5);
/// ```
pub fn up_to(time: &[f64], t: f64) -> usize {
    /// Samples to either side of where an even clock would have it.
    const NEAR: usize = 2;
    let (Some(&first), Some(&last)) = (time.first(), time.last()) else {
        return 0;
    };
    let share = (t - first) / (last - first);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "saturates")]
    let expected = (share * (time.len() - 1) as f64) as usize;
    let from = expected.saturating_sub(NEAR).min(time.len());
    let to = expected.saturating_add(1 + NEAR).min(time.len());
    let begins = from == 0 || time[from - 1] <= t;
    let ends = to == time.len() || time[to] > t;
    if begins && ends {
        return from + time[from..to].iter().map(|&time| usize::from(time <= t)).sum::<usize>();
    }
    time.partition_point(|&time| time <= t)
}

#[cfg(test)]
mod tests {
    use super::up_to;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn it_is_the_place_that_a_search_finds(
            steps in prop::collection::vec(prop_oneof![Just(0.1), 0.0f64..0.3, 0.0f64..100.0], 0..60),
            t in -1.0f64..1000.0,
            at in 0usize..60,
        ) {
            let mut time = vec![0.0];
            for step in steps {
                time.push(time[time.len() - 1] + step + 1e-9);
            }
            for t in [t, time[at % time.len()], f64::NAN, f64::INFINITY] {
                prop_assert_eq!(up_to(&time, t), time.partition_point(|&time| time <= t));
                prop_assert_eq!(up_to(&time[..1], t), time[..1].partition_point(|&time| time <= t));
            }
        }
    }
}
