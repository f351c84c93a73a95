//! Lag from a step: simulated gauges whose truth is known, and recordings that are no step.

use deadband::base::Status;
use deadband::lag::{Response, StepConfig, from_step};
use deadband::simulate::{Gauge, Logger, Motion, Pinch, Stand};
use proptest::prelude::*;

/// A fall of the given time constant at a start that lies differently to the samples in every
/// case; `1e-4` s is a step beside any gauge.
fn fall(
    gauge: &Gauge,
    logger: &Logger,
    level_pa: f64,
    fall_s: f64,
    seed: u64,
) -> (Vec<f64>, Vec<f64>, f64) {
    let start = 4.0 + 0.618_034 * seed as f64 % 1.0;
    let motion = Motion::Pinch(Pinch {
        level_pa: level_pa * (1.0 + 0.1 * (0.754_877 * seed as f64 % 1.0)),
        end_pa: 5.0 * (0.569_840 * seed as f64 % 1.0),
        fall_s,
        count: 1,
        before_s: start,
        after_s: 6.0,
        ..Pinch::default()
    });
    let stand = Stand { gauge: gauge.clone(), motion, logger: logger.clone(), ..Stand::default() };
    let made = stand.record(seed).expect("a recording");
    let kept = made.time_s.partition_point(|t| *t < start + 6.0);
    (made.time_s[..kept].to_vec(), made.pressure_pa[..kept].to_vec(), start)
}

fn known(start: f64) -> StepConfig {
    StepConfig { start_s: Some(start), start_u_s: Some(0.0), ..StepConfig::default() }
}

fn base() -> Gauge {
    Gauge { dead_time_s: 0.1, time_constant_s: 0.3, ..Gauge::default() }
}

/// Share of 95 % intervals that hold the lag and mean error, s, of `cases` steps, none refused but
/// one in a hundred.
fn covered(gauge: &Gauge, logger: &Logger, level_pa: f64, cases: u64) -> (f64, f64) {
    let truth = gauge.dead_time_s + gauge.time_constant_s + gauge.refresh_s / 2.0;
    let (mut held, mut errors) = (0.0, Vec::new());
    for seed in 0..cases {
        let (time, y, start) = fall(gauge, logger, level_pa, 1e-4, seed);
        let Ok(Response { lag_s: Some(lag), .. }) = from_step(&time, &y, &known(start)) else {
            continue;
        };
        let error = lag.value - truth;
        held += if error.abs() <= lag.expanded(0.95) { 1.0 } else { 0.0 };
        errors.push(error);
    }
    let n = errors.len() as f64;
    assert!(n >= 0.98 * cases as f64, "{n} of {cases} were told");
    (held / n, errors.iter().sum::<f64>() / n)
}

/// 300 cases; by themselves they scatter by 1.3 percentage points.
fn scene(gauge: &Gauge, logger: &Logger, level_pa: f64, most: f64) {
    let (share, bias) = covered(gauge, logger, level_pa, 300);
    assert!((0.92..=most).contains(&share), "{share}");
    assert!(bias.abs() < 0.01, "{bias}");
}

#[test]
fn a_step_on_an_uneven_clock_is_covered() {
    scene(&base(), &Logger { jitter: 0.3, ..Logger::default() }, 90.0, 0.98);
}

#[test]
fn a_noisy_step_is_covered() {
    let gauge = Gauge { noise_pa: 3.0, resolution_pa: 0.1, ..base() };
    scene(&gauge, &Logger::default(), 90.0, 0.98);
}

#[test]
fn a_gauge_faster_than_the_log_is_covered() {
    let gauge = Gauge { time_constant_s: 0.05, ..base() };
    scene(&gauge, &Logger::default(), 90.0, 0.98);
}

#[test]
fn a_display_of_few_steps_is_covered() {
    let steady = Gauge { resolution_pa: 5.0, noise_pa: 0.1, ..base() };
    scene(&steady, &Logger::default(), 41.0, 0.98);
    let third = Gauge { resolution_pa: 2.49, noise_pa: 0.8, ..base() };
    scene(&third, &Logger::default(), 41.0, 0.98);
}

/// The instant of the refresh is known within limits, which a normal interval of 95 % covers whole.
#[test]
fn a_display_that_holds_its_readings_is_covered() {
    let gauge = Gauge { refresh_s: 0.33, time_constant_s: 0.6, noise_pa: 0.1, ..base() };
    scene(&gauge, &Logger::default(), 90.0, 1.0);
}

/// The whole response lies between two readings: the lag is rectangular between them.
#[test]
fn a_gauge_without_a_time_constant_is_known_to_an_interval() {
    let gauge = Gauge { time_constant_s: 0.0, ..base() };
    scene(&gauge, &Logger::default(), 90.0, 1.0);
    let (time, y, start) = fall(&gauge, &Logger::default(), 90.0, 1e-4, 3);
    let lag = from_step(&time, &y, &known(start)).expect("told").lag_s.expect("a start");
    assert!((lag.u - 0.1 / 12.0_f64.sqrt()).abs() < 1e-9, "{lag:?}");
}

#[test]
fn without_a_start_only_the_time_constant_is_told() {
    let (time, y, _) = fall(&base(), &Logger::default(), 90.0, 1e-4, 1);
    let found = from_step(&time, &y, &StepConfig::default()).expect("a step");
    assert!(found.lag_s.is_none() && found.dead_time_s.is_none());
    let constant = found.time_constant_s.expect("told");
    assert!((constant.value - 0.3).abs() < 4.0 * constant.u && constant.u < 0.01, "{constant:?}");
}

#[test]
fn a_start_seen_on_the_log_s_clock_is_as_uncertain_as_its_interval() {
    let (time, y, start) = fall(&base(), &Logger::default(), 90.0, 1e-4, 1);
    let lag = |start_u_s| {
        let config = StepConfig { start_s: Some(start), start_u_s, ..StepConfig::default() };
        from_step(&time, &y, &config).expect("a step").lag_s.expect("a start")
    };
    let (exact, seen) = (lag(Some(0.0)), lag(None));
    assert_eq!(exact.value, seen.value);
    assert!((seen.u.powi(2) - exact.u.powi(2) - 0.01 / 12.0).abs() < 1e-9, "{exact:?} {seen:?}");
}

#[test]
fn a_start_after_the_first_move_contradicts_it() {
    let (time, y, start) = fall(&base(), &Logger::default(), 90.0, 1e-4, 1);
    let refused = from_step(&time, &y, &known(start + 1.0)).expect_err("too late");
    assert_eq!(refused.status(), Status::BadValue);
}

/// A pressure that takes its time looks like a second delay; the lag that is told must not be
/// surer than its error.
#[test]
fn a_slow_step_is_refused_or_wider() {
    let gauge = Gauge { noise_pa: 0.1, resolution_pa: 0.1, ..base() };
    let logger = Logger { sample_s: 0.02, ..Logger::default() };
    let mut told = 0;
    for (seed, fall_s) in (0..20).flat_map(|seed| [0.03, 0.06, 0.1, 0.2, 0.3].map(|f| (seed, f))) {
        let (time, y, start) = fall(&gauge, &logger, 90.0, fall_s, seed);
        match from_step(&time, &y, &known(start)) {
            Err(error) => assert_eq!(error.status(), Status::LagUnidentified),
            Ok(found) => {
                let lag = found.lag_s.expect("a start");
                assert!((lag.value - 0.4).abs() < 3.0 * lag.u, "{fall_s} {lag:?}");
                assert!(found.dead_time_s.is_none() && found.time_constant_s.is_none());
                told += 1;
            }
        }
    }
    assert!(told >= 20, "{told}");
}

#[test]
fn an_overshoot_is_refused() {
    let time: Vec<f64> = (0..400).map(|i| 0.025 * f64::from(i)).collect();
    let ring = |s: f64| (-s / 0.4).exp() * ((4.0 * s).cos() + 0.6 * (4.0 * s).sin());
    let noise = |i: u32| 0.3 * (f64::from(i) * 2.399).sin();
    let y: Vec<f64> = time
        .iter()
        .zip(0..)
        .map(|(t, i)| 90.0 * if *t < 4.0 { 1.0 } else { ring(t - 4.0) } + noise(i))
        .collect();
    let refused = from_step(&time, &y, &known(3.9)).expect_err("no first order");
    assert_eq!(refused.status(), Status::LagUnidentified);
    assert!(refused.to_string().contains("first order"), "{refused}");
}

#[test]
fn where_there_is_no_step_nothing_is_told() {
    let time: Vec<f64> = (0..200).map(|i| 0.1 * f64::from(i)).collect();
    let noise: Vec<f64> = (0..200).map(|i| 50.0 + (f64::from(i) * 2.399).sin()).collect();
    let ramp: Vec<f64> = time.iter().map(|t| 50.0 + 3.0 * t + (24.0 * t).sin()).collect();
    let flat = vec![50.0; 200];
    for y in [noise, ramp, flat] {
        let refused = from_step(&time, &y, &known(5.0)).expect_err("no step");
        assert_eq!(refused.status(), Status::LagUnidentified, "{refused}");
    }
}

/// Numbers, among them those that are none.
fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        8 => -100.0f64..100.0,
        1 => prop::sample::select(vec![0.0, f64::NAN, f64::INFINITY, f64::MAX, f64::MIN_POSITIVE]),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn no_input_panics(
        mut time in prop::collection::vec(any_number(), 0..40),
        y in prop::collection::vec(any_number(), 0..40),
        start in prop::option::of(any_number()), options in prop::array::uniform3(
            prop::option::of(any_number())), sorted in any::<bool>(),
    ) {
        if sorted {
            time.sort_by(f64::total_cmp);
        }
        let [start_u_s, step_pa, refresh_s] = options;
        let config = StepConfig { start_s: start, start_u_s, step_pa, refresh_s };
        if let Ok(found) = from_step(&time, &y, &config) {
            prop_assert!(found.lag_s.is_none_or(|lag| lag.value.is_finite() && lag.u >= 0.0));
        }
    }

    #[test]
    fn no_two_levels_panic(
        low in -1e6f64..1e6, high in -1e6f64..1e6, at in 0usize..40, n in 8usize..40,
        wobble in 0.0f64..1.0, step in prop::option::of(0.0f64..10.0),
    ) {
        let time: Vec<f64> = (0..n).map(|i| 0.1 * i as f64).collect();
        let y: Vec<f64> = (0..n)
            .map(|i| if i < at { high } else { low } + wobble * (2.4 * i as f64).sin())
            .collect();
        let config = StepConfig { step_pa: step, ..known(0.0) };
        if let Ok(found) = from_step(&time, &y, &config) {
            prop_assert!(found.lag_s.is_some_and(|lag| lag.value.is_finite() && lag.u > 0.0));
        }
    }
}
