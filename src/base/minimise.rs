//! Minimum of a function of one variable.

/// Where the minimum is and what the function is worth there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Minimum {
    /// Abscissa.
    pub x: f64,
    /// Function value at `x`.
    pub f: f64,
}

/// Minimises `f` between `low` and `high` by Brent's method (golden section with parabolic steps).
///
/// Stops when the abscissa is known within `tolerance` or after `max_calls` calls. NaN counts as
/// infinitely bad, so that a failed evaluation is walked away from.
///
/// Source: R. P. Brent, *Algorithms for Minimization without Derivatives* (1973), chapter 5.
///
/// ```
/// let minimum = deadband::base::minimise::brent(|x| (x - 1.5).powi(2), 0.0, 4.0, 1e-9, 100);
/// assert!((minimum.x - 1.5).abs() < 1e-8);
/// ```
pub fn brent(
    mut f: impl FnMut(f64) -> f64,
    low: f64,
    high: f64,
    tolerance: f64,
    max_calls: usize,
) -> Minimum {
    const GOLDEN: f64 = 0.381_966_011_250_105;
    let mut call = |x: f64| {
        let value = f(x);
        if value.is_nan() { f64::INFINITY } else { value }
    };
    let (mut a, mut b) = (low, high);
    let start = a + GOLDEN * (b - a);
    let mut best = Minimum { x: start, f: call(start) };
    let (mut second, mut third) = (best, best);
    let (mut step, mut before_last) = (0.0_f64, 0.0_f64);
    for _ in 1..max_calls {
        let middle = f64::midpoint(a, b);
        let slack = tolerance + 1e-12 * best.x.abs();
        if (best.x - middle).abs() <= 2.0 * slack - 0.5 * (b - a) {
            break;
        }
        let parabola = parabolic_step(best, second, third).filter(|&p| {
            let inside = best.x + p > a && best.x + p < b;
            before_last.abs() > slack && inside && p.abs() < 0.5 * before_last.abs()
        });
        before_last = step;
        step = parabola.unwrap_or_else(|| {
            before_last = if best.x >= middle { a - best.x } else { b - best.x };
            GOLDEN * before_last
        });
        let moved = if step.abs() >= slack { step } else { slack.copysign(step) };
        let trial = Minimum { x: best.x + moved, f: call(best.x + moved) };
        if trial.f <= best.f {
            if trial.x >= best.x {
                a = best.x;
            } else {
                b = best.x;
            }
            (third, second, best) = (second, best, trial);
            continue;
        }
        if trial.x < best.x {
            a = trial.x;
        } else {
            b = trial.x;
        }
        if trial.f <= second.f || second.x == best.x {
            (third, second) = (second, trial);
        } else if trial.f <= third.f || third.x == best.x || third.x == second.x {
            third = trial;
        }
    }
    best
}

fn parabolic_step(best: Minimum, second: Minimum, third: Minimum) -> Option<f64> {
    let r = (best.x - second.x) * (best.f - third.f);
    let q = (best.x - third.x) * (best.f - second.f);
    let numerator = (best.x - third.x) * q - (best.x - second.x) * r;
    let denominator = 2.0 * (q - r);
    let step = -numerator / denominator;
    step.is_finite().then_some(step)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_minimum_on_the_border_is_reached() {
        let minimum = brent(|x| x, 0.0, 1.0, 1e-9, 200);
        assert!(minimum.x < 1e-7);
    }

    #[test]
    fn nan_is_walked_away_from() {
        let minimum = brent(|x| if x < 0.5 { f64::NAN } else { x }, 0.0, 1.0, 1e-9, 200);
        assert!((minimum.x - 0.5).abs() < 1e-6);
    }

    proptest! {
        #[test]
        fn smooth_minima_are_found(centre in -3.0f64..3.0, scale in 0.1f64..10.0) {
            let minimum = brent(|x| (scale * (x - centre)).cosh(), -5.0, 5.0, 1e-9, 200);
            prop_assert!((minimum.x - centre).abs() < 1e-6);
        }
    }
}
