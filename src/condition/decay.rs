//! Exponential decay towards a known level, by least squares.

/// `y = amplitude exp(-k (t - centre))`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Decay {
    /// Value at the middle of the record.
    pub(crate) amplitude: f64,
    /// Inverse time constant, 1/s; negative for a growth.
    pub(crate) k: f64,
    /// Variances of the two for readings of unit variance.
    pub(crate) var_amplitude: f64,
    pub(crate) var_k: f64,
    /// Sum of squared residuals.
    pub(crate) squares: f64,
}

/// Gauss-Newton from `amplitude` and `k`; each step is halved until it does not raise the sum of
/// squares. `None` where the two cannot be told apart or no number comes out.
///
/// Variances are those of `(J'J)⁻¹` at the minimum (JCGM 102, 6.7; D. M. Bates and D. G. Watts,
/// *Nonlinear Regression Analysis* (1988), section 2.1.2).
pub(crate) fn decay(time: &[f64], y: &[f64], amplitude: f64, k: f64) -> Option<Decay> {
    let centre = time.iter().sum::<f64>() / time.len() as f64;
    let squares = |amplitude: f64, k: f64| -> f64 {
        let residual = |(t, y): (&f64, &f64)| y - amplitude * (-k * (t - centre)).exp();
        time.iter().zip(y).map(residual).map(|r| r * r).sum()
    };
    let (mut amplitude, mut k) = (amplitude, k);
    let mut now = squares(amplitude, k);
    for _ in 0..60 {
        let normal = Normal::of(time, y, centre, amplitude, k)?;
        let (da, dk) = normal.step();
        let mut share = 1.0;
        let mut next = squares(amplitude + da, k + dk);
        while (next > now || next.is_nan()) && share > 1e-6 {
            share *= 0.5;
            next = squares(amplitude + share * da, k + share * dk);
        }
        if next > now || next.is_nan() {
            break;
        }
        (amplitude, k, now) = (amplitude + share * da, k + share * dk, next);
        let scale = 1.0 / (time[time.len() - 1] - time[0]);
        if da.abs() <= 1e-12 * amplitude.abs() && dk.abs() <= 1e-12 * (k.abs() + scale) {
            break;
        }
    }
    let normal = Normal::of(time, y, centre, amplitude, k)?;
    let found = Decay {
        amplitude,
        k,
        var_amplitude: normal.kk / normal.det,
        var_k: normal.aa / normal.det,
        squares: now,
    };
    let numbers = [amplitude, k, found.var_amplitude, found.var_k, now];
    numbers.iter().all(|value| value.is_finite()).then_some(found)
}

/// The normal equations at one point.
struct Normal {
    aa: f64,
    ak: f64,
    kk: f64,
    ra: f64,
    rk: f64,
    det: f64,
}

impl Normal {
    fn of(time: &[f64], y: &[f64], centre: f64, amplitude: f64, k: f64) -> Option<Self> {
        let mut sums = Self { aa: 0.0, ak: 0.0, kk: 0.0, ra: 0.0, rk: 0.0, det: 0.0 };
        for (t, y) in time.iter().zip(y) {
            let shape = (-k * (t - centre)).exp();
            let by_k = -amplitude * (t - centre) * shape;
            let residual = y - amplitude * shape;
            sums.aa += shape * shape;
            sums.ak += shape * by_k;
            sums.kk += by_k * by_k;
            sums.ra += shape * residual;
            sums.rk += by_k * residual;
        }
        sums.det = sums.aa * sums.kk - sums.ak * sums.ak;
        (sums.det.is_finite() && sums.det > 1e-12 * sums.aa * sums.kk).then_some(sums)
    }

    fn step(&self) -> (f64, f64) {
        (
            (self.kk * self.ra - self.ak * self.rk) / self.det,
            (self.aa * self.rk - self.ak * self.ra) / self.det,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn two_parameters_need_a_record() {
        assert!(decay(&[0.0, 1.0], &[0.0, 0.0], 0.0, 0.1).is_none());
        assert!(decay(&[3.0, 3.0], &[1.0, 2.0], 1.0, 0.1).is_none());
        assert!(decay(&[0.0, 1.0, 2.0], &[1.0, f64::NAN, 2.0], 1.0, 0.1).is_none());
    }

    proptest! {
        #[test]
        fn an_exact_decay_is_found_from_its_straight_line(
            amplitude in 1.0f64..200.0, share in -0.5f64..3.0, start in -1e3f64..1e3,
        ) {
            let time: Vec<f64> = (0..101).map(|i| start + 0.2 * f64::from(i)).collect();
            let k = share / 20.0;
            let y: Vec<f64> = time.iter().map(|t| amplitude * (-k * (t - start)).exp()).collect();
            let mean = y.iter().sum::<f64>() / 101.0;
            let slope = (y[100] - y[0]) / 20.0;
            let found = decay(&time, &y, mean, -slope / mean).expect("valid");
            prop_assert!((found.k - k).abs() < 1e-9, "{} {}", found.k, k);
            prop_assert!((found.amplitude / (amplitude * (-k * 10.0).exp()) - 1.0).abs() < 1e-8);
        }
    }
}
