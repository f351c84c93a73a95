//! Lag from a reference while the pressure goes in waves: the response of a first-order gauge to
//! each is known in closed form.

use std::f64::consts::TAU;

use deadband::base::Estimate;
use deadband::lag::{ReferenceConfig, from_reference};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Amplitude (Pa) and period (s) of a wave.
type Wave = (f64, f64);

const SINGLE: &[Wave] = &[(20.0, 3.0)];
const TWO: &[Wave] = &[(15.0, 3.0), (10.0, 3.0 * std::f64::consts::SQRT_2)];

/// Dead time and time constant, s, of the gauges that are told apart.
const GAUGES: [[f64; 2]; 2] = [[0.4, 0.0], [0.1, 0.3]];
const LAG: f64 = 0.4;

/// What a gauge shows of waves: E. O. Doebelin, *Measurement Systems*, frequency response of a
/// first-order instrument (from memory): `1/√(1 + ω²T²)` of the amplitude, late by `arctan(ωT)/ω`.
fn shown(waves: &[Wave], t: f64, [dead, constant]: [f64; 2]) -> f64 {
    let wave = |&(amplitude, period): &Wave| {
        let frequency = TAU / period;
        let x = frequency * constant;
        amplitude / x.hypot(1.0) * (frequency * (t - dead) - x.atan()).sin()
    };
    50.0 + waves.iter().map(wave).sum::<f64>()
}

fn clock() -> Vec<f64> {
    (0..240).map(|i| 0.1 * f64::from(i)).collect()
}

/// Readings of the tested gauge and of a reference without a lag, noise and phase by the seed.
fn pair(waves: &[Wave], gauge: [f64; 2], noise_pa: f64, seed: u64) -> [Vec<f64>; 2] {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let phase = 1.854 * seed as f64;
    [gauge, [0.0, 0.0]].map(|gauge| {
        let noisy = |t: &f64| {
            let noise: f64 = StandardNormal.sample(&mut rng);
            shown(waves, t + phase, gauge) + noise_pa * noise
        };
        clock().iter().map(noisy).collect()
    })
}

fn lag_of([y, x]: &[Vec<f64>; 2], max_lag_s: f64) -> Result<Estimate, String> {
    let config = ReferenceConfig { max_lag_s, ..ReferenceConfig::default() };
    let found = from_reference(&clock(), y, &clock(), x, &config);
    found.map(|found| found.lag_s.expect("told")).map_err(|error| error.to_string())
}

const NOISES_PA: [f64; 4] = [0.0, 0.2, 1.0, 5.0];

#[test]
fn a_single_wave_repeats_itself_and_is_refused_for_that() {
    for (seed, noise) in NOISES_PA.into_iter().enumerate() {
        for gauge in GAUGES {
            let refused = lag_of(&pair(SINGLE, gauge, noise, seed as u64), 5.0);
            let why = refused.expect_err("lags a period apart");
            assert!(why.contains("repeats itself") && why.contains("max_lag_s"), "{why}");
        }
    }
}

#[test]
fn a_single_wave_tells_a_lag_known_within_half_a_period() {
    for (seed, noise) in NOISES_PA.into_iter().enumerate() {
        for gauge in GAUGES {
            let lag = lag_of(&pair(SINGLE, gauge, noise, seed as u64), 1.0).expect("told");
            assert!((lag.value - LAG).abs() < 3.0 * lag.u && lag.u < 0.05, "{noise} {lag:?}");
        }
    }
}

/// A wave that starts, or that swells, has one lag however often it repeats itself.
#[test]
fn the_start_of_a_wave_or_its_swell_decides_between_periods() {
    let from =
        |start: f64, t: f64| if t < start { 50.0 } else { shown(SINGLE, t - start, [0.0; 2]) };
    let wave = |t: f64| shown(SINGLE, t, [0.0; 2]) - 50.0;
    let swelling = |t: f64| 50.0 + (1.0 + 0.4 * (TAU * t / 17.0).cos()) * wave(t);
    let pressures: [&dyn Fn(f64) -> f64; 2] = [&|t| from(9.0, t), &swelling];
    for pressure in pressures {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let [y, x] = [LAG, 0.0].map(|late| -> Vec<f64> {
            let noisy = |t: &f64| {
                let noise: f64 = StandardNormal.sample(&mut rng);
                pressure(t - late) + 0.5 * noise
            };
            clock().iter().map(noisy).collect()
        });
        let lag = lag_of(&[y, x], 5.0).expect("told");
        assert!((lag.value - LAG).abs() < 3.0 * lag.u && lag.u < 0.05, "{lag:?}");
    }
}

/// Forty cases a scene; with a hundred the intervals held 99 to 100 %: the likelihood of
/// waves counts for fewer readings than there are.
#[test]
fn two_waves_without_a_common_period_are_covered() {
    for (gauge, noise) in [(GAUGES[0], 0.5), (GAUGES[1], 0.5), (GAUGES[1], 3.0)] {
        let found: Vec<Estimate> = (0..40)
            .map(|seed| lag_of(&pair(TWO, gauge, noise, seed), 5.0).expect("told"))
            .collect();
        let held = found.iter().filter(|lag| (lag.value - LAG).abs() <= lag.expanded(0.95)).count();
        assert!(held >= 35, "{gauge:?} {noise}: {held}");
        let widest = found.iter().map(|lag| lag.u).fold(0.0, f64::max);
        assert!(widest < 0.03, "{gauge:?} {noise}: {widest}");
    }
}

/// A density that is cut off at the largest lag looks narrow there: 0.2975 s with u = 0.0024 s was
/// said of 0.4 s.
#[test]
fn a_lag_beyond_the_largest_looked_for_is_refused_for_that() {
    for gauge in GAUGES {
        for (seed, max_lag_s) in [0.2, 0.3, 0.35, 0.38, 0.4].into_iter().enumerate() {
            let [y, x] = pair(SINGLE, gauge, 0.5, seed as u64);
            for both in [[y.clone(), x.clone()], [x, y]] {
                let why = lag_of(&both, max_lag_s).expect_err("the lag is 0.4 s");
                assert!(why.contains("larger max_lag_s"), "{max_lag_s}: {why}");
            }
        }
        let late = |seconds: f64| [gauge[0] + seconds, gauge[1]];
        for seconds in [4.6, 5.0, 5.6, -5.4, -6.0] {
            let why = lag_of(&pair(TWO, late(seconds), 0.5, 1), 5.0).expect_err("5 s at most");
            assert!(why.contains("larger max_lag_s"), "{seconds}: {why}");
        }
    }
}

#[test]
fn readings_that_do_not_follow_the_reference_are_not_called_unmoved() {
    let [y, x] = pair(TWO, GAUGES[1], 0.5, 3);
    let turned: Vec<f64> = y.iter().map(|y| 100.0 - y).collect();
    let why = lag_of(&[turned, x.clone()], 0.7).expect_err("of the other sign");
    assert!(why.contains("do not follow the reference"), "{why}");
    let still = pair(&[], GAUGES[1], 1.0, 4);
    let why = lag_of(&still, 5.0).expect_err("nothing moves");
    assert!(why.contains("does not move"), "{why}");
    let [_, still] = still;
    let why = lag_of(&[y, still], 5.0).expect_err("one of them moves");
    assert!(why.contains("do not follow the reference"), "{why}");
}
