//! Lag from rates: how wide its intervals are, and what they hold, where few tests tell the scatter.

use deadband::lag::{LagConfig, RateEvent, from_rates};
use deadband::smooth::State;
use rand_chacha::{ChaCha8Rng, rand_core::SeedableRng};
use rand_distr::{Distribution, StandardNormal, StandardUniform};

const LAG: f64 = 0.4;
/// Variance of a reading, Pa².
const KNOWN: f64 = 0.16;

/// A closing and an opening of each test at its rate; the switch scatters with the given variance.
fn drawn(rates: &[f64], scatter: f64, rng: &mut ChaCha8Rng) -> Vec<RateEvent> {
    let event = |(test, group): (usize, usize)| {
        let rate = rates[test] * if group == 1 { 1.0 } else { -0.8 };
        let noise: f64 = StandardNormal.sample(rng);
        let value = 60.0 + 10.0 * group as f64 - LAG * rate + (KNOWN + scatter).sqrt() * noise;
        let signal = State { value, rate, var_value: KNOWN, cov: 0.0, var_rate: 0.0 };
        RateEvent { group: group as u64, test: test as u64, signal, width_s: 0.0, clock_u_s: 0.0 }
    };
    (0..rates.len()).flat_map(|test| [(test, 0), (test, 1)]).map(event).collect()
}

/// Share of 1000 intervals of 95 % that hold the lag, and their median half-width in
/// standard deviations of the errors.
fn held(rates: &[f64], scatter: f64) -> (f64, f64) {
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let (mut held, mut square, mut halves) = (0.0, 0.0, Vec::new());
    let config = LagConfig { max_u_s: 1e3, ..LagConfig::default() };
    for _ in 0..1000 {
        let lag = from_rates(&drawn(rates, scatter, &mut rng), &config).expect("told").lag_s;
        held += f64::from(u8::from((lag.value - LAG).abs() <= lag.expanded(0.95)));
        halves.push(lag.expanded(0.95));
        square += (lag.value - LAG).powi(2);
    }
    halves.sort_by(f64::total_cmp);
    (held / 1000.0, halves[500] / (square / 1000.0_f64).sqrt())
}

const THREE: [f64; 3] = [3.0, 6.0, 12.0];
const TEN: [f64; 10] = [3.0, 3.0, 4.0, 5.0, 6.0, 6.0, 8.0, 10.0, 12.0, 12.0];

/// Student's factor at the three degrees of freedom of six changes is 3.18. Where the readings'
/// variances are all there is, they are known, and three tests need not be asked for them.
#[test]
fn known_variances_of_readings_narrow_the_interval_of_three_tests() {
    let (share, half) = held(&THREE, 0.0);
    assert!(share > 0.95 && half < 3.1, "held {share} {half}");
}

/// By themselves 1000 shares of 95 % scatter by 0.7 percentage points.
#[test]
fn scatter_of_the_switch_is_covered_whatever_its_size() {
    for (rates, most) in [(&THREE[..], 0.999), (&TEN[..], 0.98)] {
        for ratio in [0.0, 0.3, 1.0, 3.0, 10.0, 100.0] {
            let (share, _) = held(rates, ratio * KNOWN);
            assert!((0.925..=most).contains(&share), "{} {ratio} {share}", rates.len());
        }
    }
}

/// Events of tests whose display turned at a place of its own between two samples, shifted in time
/// by one number a test; `clock_u_s` is what the events say of it.
fn shifted(clock_u_s: f64, rng: &mut ChaCha8Rng) -> Vec<RateEvent> {
    const WIDTH_S: f64 = 0.1;
    let mut events = drawn(&TEN, 0.05, rng);
    for test in 0..TEN.len() as u64 {
        let uniform: f64 = StandardUniform.sample(rng);
        let late = WIDTH_S * (uniform - 0.5);
        for event in events.iter_mut().filter(|event| event.test == test) {
            event.signal.var_value = 0.01;
            event.signal.value -= late * event.signal.rate;
            event.clock_u_s = clock_u_s;
        }
    }
    events
}

/// Told of the clocks, closings and openings of a test err together; untold, the lag's interval is
/// too short, though the scatter of a switch between tests takes up a part of the error.
#[test]
fn a_clock_that_is_off_alike_in_both_directions_is_in_the_interval() {
    let share = |clock_u_s: f64| {
        let mut rng = ChaCha8Rng::seed_from_u64(12);
        let config = LagConfig { max_u_s: 1e3, ..LagConfig::default() };
        let holds = |_: &u32| {
            let lag = from_rates(&shifted(clock_u_s, &mut rng), &config).expect("told").lag_s;
            (lag.value - LAG).abs() <= lag.expanded(0.95)
        };
        (0..1000).filter(holds).count() as f64 / 1000.0
    };
    let (told, untold) = (share(0.1 / 12.0_f64.sqrt()), share(0.0));
    assert!((0.93..=0.975).contains(&told), "{told}");
    assert!(untold < 0.91, "{untold}");
}
