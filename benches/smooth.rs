//! The core's own speed, on simulated recordings of 1,000 readings: `cargo bench --bench smooth`.
//! With `-- --quick` every benchmark runs for a moment only.

use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use deadband::base::Estimate;
use deadband::lag::{LagConfig, RateEvent, from_rates};
use deadband::setpoint::{self, GaugeSpec, Pressing, SetpointConfig};
use deadband::simulate::{Motion, Ramp, Simulated, Stand, record_all};
use deadband::smooth::{AtEvent, Event, EventConfig, Path, fit, fit_events};
use deadband::trace::Recording;

/// Readings of a recording: 100 s at 10 Hz.
const READINGS: usize = 1000;
/// Events that the lag is estimated from.
const EVENTS: usize = 10_000;

/// Recordings of slow cycles, cut to the same length: two cycles and a bit.
fn recordings(count: u64) -> Vec<Simulated> {
    let motion = Motion::Ramp(Ramp { cycles: 4, ..Ramp::default() });
    let stand = Stand { motion, ..Stand::default() };
    let stands: Vec<(Stand, u64)> = (0..count).map(|seed| (stand.clone(), seed)).collect();
    record_all(&stands)
        .into_iter()
        .map(|made| {
            let mut made = made.expect("the stand is sound");
            for channel in [&mut made.time_s, &mut made.pressure_pa, &mut made.contact] {
                assert!(channel.len() >= READINGS);
                channel.truncate(READINGS);
            }
            made
        })
        .collect()
}

fn events_of(made: &Simulated) -> Vec<Event> {
    let channels = (&made.time_s, &made.pressure_pa, &made.contact);
    let recording = Recording::new(channels.0, channels.1, channels.2, None).expect("sound");
    fit_events(&recording, &EventConfig::default(), None).expect("its contact changes")
}

fn smoothing(criterion: &mut Criterion) {
    let made = &recordings(1)[0];
    let (time, readings) = (made.time_s.as_slice(), made.pressure_pa.as_slice());
    let whole = 0..READINGS;
    let whole = std::slice::from_ref(&whole);
    let found = fit(time, readings, whole);
    let mut group = criterion.benchmark_group("recording of 1000 readings");
    group.throughput(Throughput::Elements(READINGS as u64));
    group.bench_function("restricted-likelihood search", |bencher| {
        bencher.iter(|| fit(black_box(time), black_box(readings), whole));
    });
    group.bench_function("path at every reading", |bencher| {
        bencher.iter(|| {
            let path = Path::new(black_box(time), readings, found.lambda, found.variance);
            let path = path.expect("sound");
            time.iter().filter_map(|&t| path.at(t)).map(|state| state.value).sum::<f64>()
        });
    });
    group.bench_function("all events, contact included", |bencher| {
        bencher.iter(|| events_of(black_box(made)));
    });
    group.finish();
}

fn lag(criterion: &mut Criterion) {
    let mut events = Vec::new();
    for (test, made) in recordings(EVENTS as u64 / 3).iter().enumerate() {
        let switch = test as u64 % 200;
        for event in events_of(made) {
            let Ok(AtEvent { signal, clock_u_s, .. }) = event.at else { continue };
            events.push(RateEvent {
                group: 2 * switch + u64::from(event.change.close),
                test: test as u64,
                signal,
                width_s: event.change.width_s(),
                clock_u_s,
            });
        }
    }
    events.truncate(EVENTS);
    assert_eq!(events.len(), EVENTS);
    let mut group = criterion.benchmark_group("lag of one gauge");
    group.measurement_time(Duration::from_secs(2));
    group.throughput(Throughput::Elements(EVENTS as u64));
    group.bench_function("10000 events of 200 switches", |bencher| {
        bencher.iter(|| from_rates(black_box(&events), &LagConfig::default()));
    });
    group.finish();
}

fn setpoints(criterion: &mut Criterion) {
    let events: Vec<Pressing> = events_of(&recordings(1)[0])
        .into_iter()
        .filter_map(|event| {
            let AtEvent {
                signal,
                noise_pa,
                step_pa,
                lag_applied,
                var_common,
                shift_pa,
                corner,
                ..
            } = event.at.ok()?;
            Some(Pressing {
                close: event.change.close,
                signal,
                width_s: event.change.width_s(),
                noise_pa,
                step_pa,
                lag_applied,
                var_common,
                shift_pa,
                corner,
            })
        })
        .collect();
    let lag = Estimate { value: 0.35, u: 0.02, dof: f64::INFINITY };
    let (gauge, config) = (GaugeSpec::default(), SetpointConfig::default());
    criterion.bench_function("setpoints of one test", |bencher| {
        bencher.iter(|| setpoint::fit(black_box(&events), lag, &gauge, &config));
    });
}

criterion_group! {
    name = core;
    config = Criterion::default()
        .sample_size(20)
        .warm_up_time(Duration::from_millis(300))
        .measurement_time(Duration::from_secs(1));
    targets = smoothing, lag, setpoints
}
criterion_main!(core);
