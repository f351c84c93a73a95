//! Leak-down: how fast the pressure falls while the line is shut.

use serde::{Deserialize, Serialize};

use super::change::{Side, p_text};
use super::decay::decay;
use super::hold::check_recording;
use crate::base::error::not_negative;
use crate::base::estimate::{t_cdf, welch_satterthwaite};
use crate::base::line::{LineConfig, line};
use crate::base::{Error, Estimate, Result};

/// What is known of the hold, and when a loss is called a leak.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LeakConfig {
    /// What the gauge shows with the line open, Pa.
    pub ambient_pa: f64,
    /// Its standard uncertainty, Pa.
    pub ambient_u_pa: f64,
    /// Drift of the gauge with the line open, Pa/s, for example from wind or warming.
    pub ambient_rate_pa_s: f64,
    /// Standard uncertainty of that drift, Pa/s.
    pub ambient_rate_u_pa_s: f64,
    /// Step of the display, Pa; 0 where it is far below the noise.
    pub resolution_pa: f64,
    /// Loss that is tolerated, as a share of the level a minute. The default of 0.05 is our own.
    pub limit_per_min: f64,
    /// Largest p-value at which a loss above the limit is flagged.
    pub alpha: f64,
}

impl Default for LeakConfig {
    fn default() -> Self {
        Self {
            ambient_pa: 0.0,
            ambient_u_pa: 0.0,
            ambient_rate_pa_s: 0.0,
            ambient_rate_u_pa_s: 0.0,
            resolution_pa: 0.0,
            limit_per_min: 0.05,
            alpha: 0.01,
        }
    }
}

/// The loss during one hold.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Leak {
    /// Number of readings.
    pub n: usize,
    /// Start of the hold, s.
    pub start_s: f64,
    /// Its duration, s.
    pub duration_s: f64,
    /// Mean pressure against ambient, Pa, with the sign of the recording.
    pub level_pa: Estimate,
    /// Rate of change, Pa/s, with the sign of the recording, the ambient drift taken out.
    pub rate_pa_s: Estimate,
    /// Loss as a share of the level a minute, 60 s over the time constant; negative where the
    /// pressure moves away from ambient.
    pub loss_per_min: Estimate,
    /// Time constant of the leak, s. `None` where the 95 % interval of the loss holds zero.
    pub time_constant_s: Option<Estimate>,
    /// 95 % interval of the time constant, s: the inverse of that of the loss. An end is `None`
    /// where the loss may be zero or less, and the time constant as long as one likes.
    pub time_constant_interval_s: (Option<f64>, Option<f64>),
    /// Probability of so large a loss if it were at the tolerated one.
    pub p_value: f64,
    /// Correlation between neighbouring residuals that was allowed for.
    pub autocorrelation: f64,
    /// The loss is too large for the tolerated one.
    pub flagged: bool,
    /// Nuisance where flagged: a leak in the sensing line lets the switch see less draft than there
    /// is. Whether it sits in the line, the switch or the test hose, the recording cannot tell.
    pub side: Side,
}

/// Estimates the leak-down rate of one hold.
///
/// The rate is the slope of a straight line through the readings, its uncertainty multiplied by
/// `√((1+ρ)/(1-ρ))` for the lag-one autocorrelation `ρ > 0` of the residuals, and the readings
/// counted as `n (1-ρ)/(1+ρ)` (B. D. Santer et al., J. Geophys. Res. 105 (2000) 7337-7356). Where
/// the scatter is below a third of the display's step `s`, rounding is no white noise, and
/// `s/(√6 D)` is added over a hold of duration `D`: the difference of two rounding errors is
/// triangular with half-width `s` (JCGM 100, 4.3.9). That is cautious where many steps are passed.
///
/// The loss is the inverse time constant `k` of `p = ambient + A exp(-k t)`, by least squares with
/// the same allowances, and with those for the zero: `u(drift)/A` and `k u(ambient)/A`. The volume
/// of the line is not needed. The p-value is Student's t of `60 k` against the tolerated loss.
///
/// The gauge's drift is no leak: measure it with the line open before and after the hold
/// ([`super::ambient()`]).
///
/// # Errors
///
/// Those of [`super::holds()`] for a bad recording or option; [`Error::TooFewSamples`] under 5
/// readings; [`Error::BadValue`] when the level does not stand clear of ambient (twice its standard
/// uncertainty), or all readings agree and no `resolution_pa` is given.
///
/// ```
/// use deadband::condition::{LeakConfig, leak};
/// let time: Vec<f64> = (0..200).map(|i| 0.1 * f64::from(i)).collect();
/// let pressure: Vec<f64> =
///     time.iter().map(|t| 80.0 * (-t / 300.0).exp() + 0.05 * (40.0 * t).sin()).collect();
/// let found = leak(&time, &pressure, &LeakConfig::default())?;
/// assert!(found.flagged);
/// assert!(found.time_constant_s.is_some_and(|t| (t.value - 300.0).abs() < 3.0));
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn leak(time_s: &[f64], pressure_pa: &[f64], config: &LeakConfig) -> Result<Leak> {
    check_recording(time_s, pressure_pa)?;
    check_config(config)?;
    let n = time_s.len();
    if n < 5 {
        return Err(Error::TooFewSamples { what: "readings of the hold", found: n, needed: 5 });
    }
    let duration_s = time_s[n - 1] - time_s[0];
    let rounding = config.resolution_pa / 12.0_f64.sqrt();
    let fit = line(time_s, pressure_pa, &vec![rounding; n], &[], &LineConfig::default())?;
    let rho = autocorrelation(&fit.residuals);
    let inflation = ((1.0 + rho) / (1.0 - rho)).sqrt();
    let dof = (n as f64 / (inflation * inflation) - 2.0).max(1.0);
    let combined = |value: f64, parts: [f64; 3]| Estimate {
        value,
        u: parts.iter().map(|u| u * u).sum::<f64>().sqrt(),
        dof: welch_satterthwaite(parts.into_iter().zip([dof, f64::INFINITY, f64::INFINITY])),
    };
    let scatter = fit.residuals.iter().map(|r| r * r).sum::<f64>() / fit.dof;
    let step = if scatter.sqrt() < config.resolution_pa / 3.0 {
        config.resolution_pa / (6.0_f64.sqrt() * duration_s)
    } else {
        0.0
    };
    let rate = combined(
        fit.slope.value - config.ambient_rate_pa_s,
        [fit.slope.u * inflation, step, config.ambient_rate_u_pa_s],
    );
    let level = combined(
        fit.level.value - config.ambient_pa,
        [fit.level.u * inflation, rounding, config.ambient_u_pa],
    );
    let size = level.value.abs();
    if size <= 2.0 * level.u {
        let must = "clear of ambient by twice its uncertainty";
        return Err(Error::BadValue { what: "the level of the hold", value: level.value, must });
    }
    let about: Vec<f64> = pressure_pa.iter().map(|p| p - config.ambient_pa).collect();
    let drifted: Vec<f64> = about
        .iter()
        .zip(time_s)
        .map(|(p, t)| p - config.ambient_rate_pa_s * (t - fit.centre))
        .collect();
    let start = -rate.value / level.value;
    let fall = decay(time_s, &drifted, level.value, start).ok_or(Error::BadValue {
        what: "the time constant of the hold",
        value: 1.0 / start,
        must: "one that the readings can tell",
    })?;
    let noise = (fall.squares / (n as f64 - 2.0)).max(rounding * rounding);
    let parts = [
        ((noise * fall.var_k).sqrt() * inflation, dof),
        (step / size, f64::INFINITY),
        (config.ambient_rate_u_pa_s / size, f64::INFINITY),
        (fall.k * config.ambient_u_pa / size, f64::INFINITY),
    ];
    let u = 60.0 * parts.iter().map(|(u, _)| u * u).sum::<f64>().sqrt();
    let loss = Estimate { value: 60.0 * fall.k, u, dof: welch_satterthwaite(parts) };
    let p_value = t_cdf((config.limit_per_min - loss.value) / loss.u, loss.dof);
    let flagged = p_value <= config.alpha;
    let (least, most) = loss.interval(0.95);
    let inverse = |k: f64| (k > 0.0).then(|| 60.0 / k);
    Ok(Leak {
        n,
        start_s: time_s[0],
        duration_s,
        level_pa: level,
        rate_pa_s: rate,
        loss_per_min: loss,
        time_constant_s: inverse(least).map(|_| Estimate {
            value: 60.0 / loss.value,
            u: 60.0 * loss.u / (loss.value * loss.value),
            dof: loss.dof,
        }),
        time_constant_interval_s: (inverse(most), inverse(least)),
        p_value,
        autocorrelation: rho,
        flagged,
        side: if flagged { Side::Nuisance } else { Side::None },
    })
}

fn check_config(config: &LeakConfig) -> Result<()> {
    for (what, value) in [
        ("ambient_pa, its size,", config.ambient_pa.abs()),
        ("ambient_u_pa", config.ambient_u_pa),
        ("ambient_rate_pa_s, its size,", config.ambient_rate_pa_s.abs()),
        ("ambient_rate_u_pa_s", config.ambient_rate_u_pa_s),
        ("resolution_pa", config.resolution_pa),
        ("limit_per_min", config.limit_per_min),
        ("alpha", config.alpha),
    ] {
        not_negative(what, value)?;
    }
    Ok(())
}

/// Lag-one autocorrelation, kept between 0 and what leaves about three readings' worth.
fn autocorrelation(residuals: &[f64]) -> f64 {
    let total: f64 = residuals.iter().map(|r| r * r).sum();
    if total == 0.0 {
        return 0.0;
    }
    let n = residuals.len() as f64;
    let rho = residuals.windows(2).map(|r| r[0] * r[1]).sum::<f64>() / total;
    rho.clamp(0.0, (n - 3.0) / (n + 3.0))
}

impl Leak {
    /// The finding in words.
    pub fn sentence(&self) -> String {
        let way = if self.loss_per_min.value < 0.0 { "gained" } else { "lost" };
        let fact = format!(
            "Shut for {:.0} s at {:.1} Pa the line {way} {:.3} Pa/s (u {:.3} Pa/s), {:.1} % of the level a minute",
            self.duration_s,
            self.level_pa.value,
            self.rate_pa_s.value.abs(),
            self.rate_pa_s.u,
            100.0 * self.loss_per_min.value.abs()
        );
        let meaning = if self.flagged {
            let p = p_text(self.p_value);
            format!(
                "line, switch or test hose leaks ({p}); in the sensing line that lets the switch see too little draft"
            )
        } else {
            "no evidence of a leak worth a flag".to_owned()
        };
        format!("{fact}: {meaning}.")
    }

    /// The time constant in words.
    pub fn time_constant_sentence(&self) -> String {
        match (self.time_constant_s, self.time_constant_interval_s) {
            (Some(found), _) => format!(
                "Left alone the pressure falls with a time constant of {:.0} s (u {:.0} s).",
                found.value, found.u
            ),
            (None, (Some(least), _)) => format!(
                "The loss is within its uncertainty: the time constant is {least:.0} s or longer."
            ),
            (None, _) => "The pressure did not fall.".to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    fn hold(
        rng: &mut ChaCha8Rng,
        rate: f64,
        noise: f64,
        memory: f64,
        step: f64,
    ) -> (Vec<f64>, Vec<f64>) {
        let time: Vec<f64> = (0..150).map(|i| 0.1 * f64::from(i)).collect();
        let mut error = 0.0;
        let pressure = time.iter().map(|t| {
            let fresh: f64 = rng.sample(StandardNormal);
            error = memory * error + (1.0 - memory * memory).sqrt() * noise * fresh;
            let value = 60.0 + rate * t + error;
            if step > 0.0 { (value / step).round() * step } else { value }
        });
        let pressure = pressure.collect();
        (time, pressure)
    }

    /// White, autocorrelated and rounded readings: the 95 % interval of the rate covers it.
    #[test]
    fn the_interval_of_the_rate_covers() {
        let mut rng = ChaCha8Rng::seed_from_u64(20_240_611);
        for (noise, memory, step, lowest) in [
            (0.3, 0.0, 0.0, 0.93),
            (0.3, 0.8, 0.0, 0.89),
            (0.05, 0.0, 1.0, 0.93),
            (0.3, 0.0, 0.25, 0.93),
        ] {
            let config = LeakConfig { resolution_pa: step, ..LeakConfig::default() };
            let runs = 1000;
            let mut covered = 0;
            for _ in 0..runs {
                let rate = rng.random_range(-0.4..0.0);
                let (time, pressure) = hold(&mut rng, rate, noise, memory, step);
                let found = leak(&time, &pressure, &config).expect("valid");
                let (low, high) = found.rate_pa_s.interval(0.95);
                covered += usize::from(low <= rate && rate <= high);
            }
            let share = covered as f64 / f64::from(runs);
            assert!(share >= lowest, "noise {noise}, memory {memory}, step {step}: {share}");
        }
    }

    #[test]
    fn a_tight_line_is_not_flagged_and_has_only_a_lower_limit() {
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let (time, pressure) = hold(&mut rng, 0.0, 0.2, 0.0, 0.0);
        let found = leak(&time, &pressure, &LeakConfig::default()).expect("valid");
        assert_eq!((found.flagged, found.side), (false, Side::None));
        assert!(found.time_constant_s.is_none_or(|t| t.value > 1000.0));
        assert!(found.time_constant_interval_s.0.is_some_and(|t| t > 500.0));
        assert!(found.sentence().contains("no evidence"));
    }

    #[test]
    fn depressions_and_ambient_drift_are_allowed_for() {
        let mut rng = ChaCha8Rng::seed_from_u64(8);
        let (time, pressure) = hold(&mut rng, -0.3, 0.1, 0.0, 0.0);
        let found = leak(&time, &pressure, &LeakConfig::default()).expect("valid");
        assert_eq!((found.flagged, found.side), (true, Side::Nuisance));
        assert!(found.sentence().contains("leaks"));
        let negative: Vec<f64> = pressure.iter().map(|p| -p).collect();
        let mirrored = leak(&time, &negative, &LeakConfig::default()).expect("valid");
        assert!((mirrored.loss_per_min.value - found.loss_per_min.value).abs() < 1e-9);
        let drift = LeakConfig {
            ambient_rate_pa_s: -0.3,
            ambient_rate_u_pa_s: 0.05,
            ..LeakConfig::default()
        };
        let found = leak(&time, &pressure, &drift).expect("valid");
        assert!(!found.flagged && found.rate_pa_s.u > 0.05);
    }

    #[test]
    fn unusable_holds_are_errors() {
        let time = [0.0, 1.0, 2.0, 3.0, 4.0];
        let config = LeakConfig::default();
        assert!(matches!(leak(&time[..4], &[1.0; 4], &config), Err(Error::TooFewSamples { .. })));
        assert!(matches!(leak(&time, &[60.0; 5], &config), Err(Error::BadValue { .. })));
        let coarse = LeakConfig { resolution_pa: 1.0, ..config };
        let still = leak(&time, &[60.0; 5], &coarse).expect("the step is known");
        assert!(still.rate_pa_s.value == 0.0 && still.rate_pa_s.u > 1.0 / (6.0_f64.sqrt() * 4.0));
        let ambient = LeakConfig { ambient_pa: 60.0, ..coarse };
        assert!(matches!(leak(&time, &[60.0; 5], &ambient), Err(Error::BadValue { .. })));
        let bad = LeakConfig { alpha: f64::NAN, ..coarse };
        assert!(matches!(leak(&time, &[60.0; 5], &bad), Err(Error::BadValue { .. })));
    }
}
