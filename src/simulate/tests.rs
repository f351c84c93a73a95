//! What a recording must be, whatever the stand.

use proptest::prelude::*;

use super::*;
use crate::base::Status;

fn record(stand: &Stand) -> Simulated {
    stand.record(11).expect("the stand is valid")
}

fn ramp(ramp: Ramp) -> Stand {
    Stand { motion: Motion::Ramp(ramp), ..Stand::default() }
}

/// A gauge that shows the truth.
fn perfect() -> Gauge {
    Gauge {
        dead_time_s: 0.0,
        time_constant_s: 0.0,
        resolution_pa: 0.0,
        noise_pa: 0.0,
        ..Gauge::default()
    }
}

fn steady() -> Ramp {
    Ramp { rate_spread: 0.0, unsteadiness: 0.0, ..Ramp::default() }
}

#[test]
fn a_steady_ramp_is_read_late_by_rate_times_time_constant() {
    // tests/reference/X01-first-order-step-ramp.json: Doebelin, Measurement Systems, chapter 3,
    // from memory of the source, recomputed: steady lag of a ramp = rate × time constant.
    let gauge = Gauge { time_constant_s: 0.4, dead_time_s: 0.1, ..perfect() };
    let stand = Stand { gauge, ..ramp(steady()) };
    for event in record(&stand).truth {
        let lag = (event.pressure_pa - event.signal_pa) / event.rate_pa_s;
        assert!((lag - 0.5).abs() < 1e-8, "dead time plus time constant, not {lag}");
    }
}

#[test]
fn a_perfect_gauge_shows_the_thresholds_scattered_as_stated() {
    let switch = Switch { repeatability_pa: 0.5, ..Switch::default() };
    let stand = Stand { switch, gauge: perfect(), ..ramp(Ramp { cycles: 400, ..Ramp::default() }) };
    let truth = record(&stand).truth;
    for (close, setpoint) in [(true, 70.0), (false, 60.0)] {
        let x: Vec<f64> = truth
            .iter()
            .filter(|event| event.close == close)
            .map(|event| {
                assert!((event.signal_pa - event.pressure_pa).abs() < 1e-9);
                event.threshold_pa - setpoint
            })
            .collect();
        let n = x.len() as f64;
        let mean = x.iter().sum::<f64>() / n;
        let sd = (x.iter().map(|v| v * v).sum::<f64>() / n).sqrt();
        // 400 draws: standard errors 0.025 and 0.018, four of each.
        assert!(n == 400.0 && mean.abs() < 0.1 && (sd - 0.5).abs() < 0.07, "{mean} {sd}");
    }
}

#[test]
fn a_sticking_switch_is_late_once_each_way() {
    let switch = Switch { first_cycle_shift_pa: 4.0, repeatability_pa: 0.0, ..Switch::default() };
    let truth = record(&Stand { switch, ..Stand::default() }).truth;
    let thresholds: Vec<f64> = truth.iter().map(|event| event.threshold_pa).collect();
    assert_eq!(thresholds, [74.0, 56.0, 70.0, 60.0, 70.0, 60.0]);
}

#[test]
fn a_leak_opens_the_contact_in_an_isolated_hold() {
    let motion = Ramp { high_pa: 80.0, hold_s: 20.0, cycles: 1, ..steady() };
    let switch =
        Switch { leak_time_constant_s: Some(50.0), repeatability_pa: 0.0, ..Switch::default() };
    let leaking = record(&Stand { switch, ..ramp(motion) });
    let top = 3.0 + 80.0 / 5.0;
    let opened = leaking.truth[1];
    assert!((opened.time_s - top - 50.0 * (80.0_f64 / 60.0).ln()).abs() < 1e-3);
    assert!((opened.rate_pa_s + 60.0 / 50.0).abs() < 0.02, "{opened:?}");
}

#[test]
fn a_stuck_contact_never_changes() {
    for closed in [true, false] {
        let switch = Switch { stuck: Some(closed), ..Switch::default() };
        let logger = Logger { contact: ContactSignal::Boolean, ..Logger::default() };
        let operator = Some(Operator::default());
        let recording = record(&Stand { switch, logger, operator, ..Stand::default() });
        assert!(recording.truth.is_empty() && recording.called_open_pa.is_none());
        assert!(recording.contact.iter().all(|&x| x == f64::from(u8::from(closed))));
    }
}

#[test]
fn a_pinch_starts_closed_and_falls_as_an_exponential() {
    let pinch = Pinch { level_pa: 90.0, end_pa: 5.0, fall_s: 0.5, count: 3, ..Pinch::default() };
    let switch = Switch { repeatability_pa: 0.0, ..Switch::default() };
    let stand = Stand { motion: Motion::Pinch(pinch), switch, gauge: perfect(), ..ramp(steady()) };
    let truth = record(&stand).truth;
    let closes: Vec<bool> = truth.iter().map(|event| event.close).collect();
    assert_eq!(closes, [false, true, false, true, false]);
    assert!((truth[0].time_s - 5.0 - 0.5 * (85.0_f64 / 55.0).ln()).abs() < 1e-5);
    assert!((truth[0].rate_pa_s + 55.0 / 0.5).abs() < 0.5);
}

#[test]
fn flow_noise_has_the_stated_size_and_stands_with_the_fan() {
    let service =
        InService { run_s: 3000.0, starts: 1, flow_noise_pa: 1.5, ..InService::default() };
    let stand = Stand { motion: Motion::InService(service), gauge: perfect(), ..Stand::default() };
    let recording = record(&stand);
    let running: Vec<f64> = recording
        .time_s
        .iter()
        .zip(&recording.pressure_pa)
        .filter(|(time, _)| (100.0..3000.0).contains(*time))
        .map(|(_, p)| p - 95.0)
        .collect();
    let sd = (running.iter().map(|v| v * v).sum::<f64>() / running.len() as f64).sqrt();
    assert!((sd - 1.5).abs() < 0.06, "{sd}");
    assert!(recording.pressure_pa[..29].iter().all(|&p| p == 0.0));
}

#[test]
fn a_display_holds_between_updates_and_shows_whole_steps() {
    let step = 2.490_889_1;
    let gauge = Gauge { refresh_s: 0.5, resolution_pa: step, ..Gauge::default() };
    let recording = record(&Stand { gauge, ..Stand::default() });
    let p = &recording.pressure_pa;
    assert!(p.iter().all(|&x| ((x / step).round() * step - x).abs() < 1e-9));
    let last = recording.time_s[recording.time_s.len() - 1];
    let changes = p.windows(2).filter(|pair| pair[0] != pair[1]).count() as f64;
    assert!(changes > 20.0 && changes <= last / 0.5 + 1.0, "{changes} in {last} s");
    let runs = p.chunk_by(|a, b| a == b).map(<[f64]>::len);
    let inner: Vec<usize> = runs.skip(1).collect();
    assert!(inner[..inner.len() - 1].iter().all(|run| run % 5 == 0), "{inner:?}");
}

#[test]
fn a_range_ends_the_reading() {
    let gauge = Gauge { range_pa: Some(65.5), ..Gauge::default() };
    let recording = record(&Stand { gauge, ..Stand::default() });
    let highest = recording.pressure_pa.iter().copied().fold(0.0, f64::max);
    assert_eq!(highest, 65.0);
}

#[test]
fn bounces_are_seen_by_a_fast_contact_clock_only_as_extra_pairs() {
    let switch = Switch { bounces: 3.0, bounce_s: 0.004, ..Switch::default() };
    let logger = Logger {
        contact: ContactSignal::Boolean,
        contact_sample_s: Some(0.0005),
        ..Logger::default()
    };
    let recording = record(&Stand { switch, logger, ..Stand::default() });
    let changes = recording.contact.windows(2).filter(|pair| pair[0] != pair[1]).count();
    assert!(changes > recording.truth.len() && changes.is_multiple_of(2), "{changes}");
    assert_eq!(recording.contact.len(), recording.contact_time_s.map_or(0, |t| t.len()));
}

#[test]
fn a_slow_meter_is_late_and_a_late_operator_calls_too_high_going_up() {
    let motion = Ramp { rate_pa_s: 8.0, cycles: 30, ..steady() };
    let switch = Switch { repeatability_pa: 0.0, ..Switch::default() };
    let logger = Logger { contact_delay_s: 0.25, ..Logger::default() };
    let operator = Some(Operator { reaction_s: 0.4, reaction_sd_s: 0.0 });
    let stand = Stand { switch, gauge: perfect(), logger, operator, ..ramp(motion) };
    let recording = record(&stand);
    let event = recording.truth[0];
    let seen = recording.time_s.iter().zip(&recording.contact).find(|(_, volts)| **volts < 12.0);
    assert!(seen.is_some_and(|(t, _)| (0.25..=0.351).contains(&(t - event.time_s))));
    let (close, open) = (recording.called_close_pa, recording.called_open_pa);
    assert!(close.is_some_and(|called| (called - 70.0 - 8.0 * 0.65).abs() < 1e-9), "{close:?}");
    assert!(open.is_some_and(|called| (called - 60.0 + 8.0 * 0.65).abs() < 1e-9), "{open:?}");
}

#[test]
fn another_gauge_sees_the_same_movement() {
    let slow = Stand { gauge: Gauge { time_constant_s: 0.9, ..perfect() }, ..Stand::default() };
    let (a, b) = (record(&slow), record(&Stand { gauge: perfect(), ..Stand::default() }));
    let times = |x: &Simulated| x.truth.iter().map(|e| e.time_s).collect::<Vec<_>>();
    assert_eq!(times(&a), times(&b));
}

#[test]
fn a_seed_is_pinned_across_releases() {
    let recording = Stand::default().record(1).expect("the default stand is valid");
    let event = recording.truth[0];
    assert_eq!(recording.time_s.len(), 1494);
    assert!((event.time_s - 19.108_148_087_9).abs() < 1e-9, "{}", event.time_s);
    assert!((event.threshold_pa - 70.158_161_289_1).abs() < 1e-9, "{}", event.threshold_pa);
    assert!((recording.contact[0] - 24.025_101_889_8).abs() < 1e-9, "{}", recording.contact[0]);
}

#[test]
fn a_recording_of_ten_minutes_takes_milliseconds() {
    let stand = ramp(Ramp { cycles: 15, hold_s: 2.0, ..Ramp::default() });
    let start = std::time::Instant::now();
    let recording = record(&stand);
    let spent = start.elapsed();
    let last = recording.time_s[recording.time_s.len() - 1];
    assert!(last > 500.0, "{last}");
    // About 1.5 ms with optimisation; generous, because a busy machine must not fail the test.
    assert!(spent.as_millis() < 200, "{spent:?}");
}

type Breaker = (&'static str, fn(&mut Stand));

#[test]
fn every_bad_field_is_named() {
    let broken: [Breaker; 21] = [
        ("open_pa", |s| s.switch.open_pa = 70.0),
        ("close_pa", |s| s.switch.close_pa = f64::NAN),
        ("repeatability_pa", |s| s.switch.repeatability_pa = -1.0),
        ("bounces", |s| s.switch.bounces = 1e9),
        ("bounce_s", |s| s.switch.bounce_s = 0.0),
        ("first_cycle_shift_pa", |s| s.switch.first_cycle_shift_pa = -1.0),
        ("leak_time_constant_s", |s| s.switch.leak_time_constant_s = Some(0.0)),
        ("dead_time_s", |s| s.gauge.dead_time_s = -0.1),
        ("time_constant_s", |s| s.gauge.time_constant_s = 1e-9),
        ("resolution_pa", |s| s.gauge.resolution_pa = f64::INFINITY),
        ("refresh_s", |s| s.gauge.refresh_s = 1e-9),
        ("noise_pa", |s| s.gauge.noise_pa = -1.0),
        ("offset_pa", |s| s.gauge.offset_pa = f64::NAN),
        ("gain_error", |s| s.gauge.gain_error = -1.0),
        ("range_pa", |s| s.gauge.range_pa = Some(0.0)),
        ("sample_s", |s| s.logger.sample_s = 0.0),
        ("jitter", |s| s.logger.jitter = 2.0),
        ("contact_sample_s", |s| s.logger.contact_sample_s = Some(-1.0)),
        ("contact_delay_s", |s| s.logger.contact_delay_s = -1.0),
        ("closed level", |s| {
            s.logger.contact = ContactSignal::Voltage { open_v: 5.0, closed_v: 5.0, noise_v: 0.0 };
        }),
        ("reaction_s", |s| {
            s.operator = Some(Operator { reaction_s: -1.0, ..Operator::default() });
        }),
    ];
    for (field, breaker) in broken {
        let mut stand = Stand::default();
        breaker(&mut stand);
        let error = stand.record(0).expect_err(field);
        assert_eq!(error.status(), Status::BadValue);
        assert!(error.to_string().contains(field), "{field}: {error}");
    }
}

#[test]
fn every_bad_motion_is_named() {
    let ramp = |change: fn(&mut Ramp)| {
        let mut ramp = Ramp::default();
        change(&mut ramp);
        Motion::Ramp(ramp)
    };
    let pinch = Pinch::default();
    let service = InService::default();
    let broken = [
        ("cycles", ramp(|r| r.cycles = 0)),
        ("high_pa", ramp(|r| r.high_pa = -1.0)),
        ("rate_pa_s", ramp(|r| r.rate_pa_s = 0.0)),
        ("rate_spread", ramp(|r| r.rate_spread = -1.0)),
        ("unsteadiness", ramp(|r| r.unsteadiness = 1.5)),
        ("correlation_s", ramp(|r| r.correlation_s = 0.0)),
        ("hold_s", ramp(|r| r.hold_s = f64::INFINITY)),
        ("grid points", ramp(|r| r.rate_pa_s = 1e-300)),
        ("number of samples", ramp(|r| r.hold_s = 1e300)),
        ("fall_s", Motion::Pinch(Pinch { fall_s: 0.0, ..pinch.clone() })),
        ("level_pa", Motion::Pinch(Pinch { end_pa: 100.0, ..pinch.clone() })),
        ("count", Motion::Pinch(Pinch { count: 0, ..pinch })),
        ("rise_s", Motion::InService(InService { rise_s: -2.0, ..service.clone() })),
        ("starts", Motion::InService(InService { starts: 0, ..service })),
    ];
    for (field, motion) in broken {
        let error = Stand { motion, ..Stand::default() }.record(0).expect_err(field);
        assert!(error.to_string().contains(field), "{field}: {error}");
    }
}

#[test]
fn a_stand_survives_serialisation_and_an_unknown_field_does_not() {
    let stand = Stand { motion: Motion::Pinch(Pinch::default()), ..Stand::default() };
    let text = serde_json::to_string(&stand).expect("a stand serialises");
    assert_eq!(serde_json::from_str::<Stand>(&text).expect("and comes back"), stand);
    let partial = r#"{"motion": {"kind": "ramp", "cycles": 2}}"#;
    assert_eq!(
        serde_json::from_str::<Stand>(partial)
            .expect("the rest is default")
            .record(1)
            .expect("valid")
            .truth
            .len(),
        4
    );
    for text in [r#"{"motion": {"kind": "ramp", "cycle": 2}}"#, r#"{"swich": {}}"#] {
        assert!(serde_json::from_str::<Stand>(text).is_err());
    }
}

fn motions() -> impl Strategy<Value = Motion> {
    prop_oneof![
        (1..4_u32, 1.0..20.0, 0.0..0.5, 0.0..1.0, 0.05..3.0, 0.0..5.0).prop_map(
            |(cycles, rate_pa_s, rate_spread, unsteadiness, correlation_s, hold_s)| {
                let (low_pa, high_pa) = (0.0, 100.0);
                Motion::Ramp(Ramp {
                    cycles,
                    low_pa,
                    high_pa,
                    rate_pa_s,
                    rate_spread,
                    unsteadiness,
                    correlation_s,
                    hold_s,
                })
            }
        ),
        (0.05..2.0, 1..4_u32).prop_map(|(fall_s, count)| Motion::Pinch(Pinch {
            fall_s,
            count,
            ..Pinch::default()
        })),
        (0.2..4.0, 0.0..8.0, 0.05..1.0).prop_map(|(rise_s, flow_noise_pa, flow_correlation_s)| {
            Motion::InService(InService {
                rise_s,
                flow_noise_pa,
                flow_correlation_s,
                ..InService::default()
            })
        }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn any_stand_gives_a_whole_recording(
        motion in motions(),
        seed in any::<u64>(),
        (dead_time_s, time_constant_s, refresh_s) in (0.0..0.5, 0.001..2.0, 0.01..1.0),
        (sample_s, jitter) in (0.02..1.0, 0.0..0.8),
        (repeatability_pa, bounces, leak) in (0.0..8.0, 0.0..5.0, 20.0..500.0),
    ) {
        let switch = Switch {
            repeatability_pa, bounces, leak_time_constant_s: Some(leak), ..Switch::default()
        };
        let gauge = Gauge { dead_time_s, time_constant_s, refresh_s, ..Gauge::default() };
        let logger = Logger {
            sample_s, jitter, contact_sample_s: Some(0.5 * sample_s), ..Logger::default()
        };
        let stand = Stand { switch, gauge, motion, logger, operator: Some(Operator::default()) };
        let recording = stand.record(seed).expect("the stand is valid");

        prop_assert_eq!(recording.time_s.len(), recording.pressure_pa.len());
        prop_assert!(recording.time_s.windows(2).all(|pair| pair[0] < pair[1]));
        prop_assert!(recording.pressure_pa.iter().all(|p| p.is_finite() && p.fract() == 0.0));
        let contact_time = recording.contact_time_s.clone().expect("it has its own clock");
        prop_assert_eq!(contact_time.len(), recording.contact.len());
        prop_assert!(contact_time.windows(2).all(|pair| pair[0] < pair[1]));
        for event in &recording.truth {
            prop_assert!((event.pressure_pa - event.threshold_pa).abs() < 1e-9);
            prop_assert!(event.signal_pa.is_finite());
            prop_assert!((event.rate_pa_s > 0.0) == event.close);
        }
        for (first, next) in recording.truth.iter().zip(recording.truth.iter().skip(1)) {
            prop_assert!(first.time_s <= next.time_s && first.close != next.close);
        }
        prop_assert_eq!(recording, stand.record(seed).expect("once more"));
    }
}
