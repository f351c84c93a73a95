//! Any numbers at all: an error or finite results, never a panic, an endless loop or a NaN.

use deadband::base::Estimate;
use deadband::base::line::{Dof, Excess, Shared};
use deadband::condition::{
    Change, ChatterConfig, HoldConfig, LeakConfig, Prior, Rating, Reach, Side, StickingConfig,
    ambient, chatter, holds, leak, population, sticking, still,
};
use deadband::drift::{
    CrossingConfig, Limit, Null, OutlierConfig, TheilSenConfig, TrendConfig, crossing,
    mann_kendall, outliers, theil_sen, weighted_trend,
};
use proptest::prelude::*;

/// Ordinary numbers, small whole ones that tie, and everything else a column can hold.
fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -100.0f64..100.0,
        4 => (0i8..4).prop_map(f64::from),
        1 => any::<f64>(),
        1 => prop::sample::select(vec![1e-300, 1e300, -1e300, f64::NAN, f64::INFINITY, 1e15, -0.0]),
    ]
}

fn uncertainty() -> impl Strategy<Value = f64> {
    prop_oneof![6 => 0.01f64..3.0, 1 => Just(0.0), 1 => number()]
}

fn usable(e: Estimate) -> bool {
    e.value.is_finite() && e.u.is_finite() && e.u >= 0.0 && e.dof > 0.0
}

type HistoryRow = (f64, f64, f64, usize, f64);

fn history(
    rows: &[HistoryRow],
    (even, reml, plain): (bool, bool, bool),
    limit: f64,
    now: f64,
) -> Result<(), TestCaseError> {
    let times: Vec<f64> =
        rows.iter().enumerate().map(|(i, r)| if even { i as f64 } else { r.0 }).collect();
    let values: Vec<f64> = rows.iter().map(|r| r.1).collect();
    let u: Vec<f64> = rows.iter().map(|r| if plain { 0.0 } else { r.2 }).collect();
    let group: Vec<usize> = rows.iter().map(|r| r.3).collect();
    let common: Vec<f64> = rows.iter().map(|r| r.4).collect();
    if let Ok(test) = mann_kendall(&values, Some(&times), Null::Auto) {
        prop_assert!(test.var_s > 0.0 && test.z.is_finite() && probability(test.p_value));
    }
    if let Ok(fit) = theil_sen(&times, &values, &TheilSenConfig::default()) {
        prop_assert!(fit.slope.is_finite() && fit.intercept.is_finite());
        prop_assert!(fit.low.is_none_or(|v| v <= fit.slope));
        prop_assert!(fit.high.is_none_or(|v| v >= fit.slope));
    }
    let excess = if reml { Excess::Reml } else { Excess::PauleMandel };
    let config = TrendConfig { excess, dof: Dof::Wider };
    let shared = [Shared { group: &group, u: &common }];
    for shared in [&shared[..], &[]] {
        if let Ok(trend) = weighted_trend(&times, &values, &u, shared, &config) {
            prop_assert!(usable(trend.slope) && trend.slope.u > 0.0, "{:?}", trend);
            prop_assert!(usable(trend.level) && usable(trend.intercept), "{:?}", trend);
            prop_assert!(trend.excess_variance.is_finite() && trend.centre.is_finite());
            let mut lists = trend.standardised.iter().chain(&trend.leverage);
            prop_assert!(lists.all(|v| v.is_finite()), "{:?}", trend);
            let from = CrossingConfig::from_now(now);
            if let Ok(found) = crossing(&trend, Limit::Lower(limit), &from) {
                let dates = [found.low, found.at, found.high];
                prop_assert!(dates.iter().flatten().all(|d| d.is_finite() && *d >= now));
                prop_assert!(probability(found.p_now) && probability(found.p_towards));
            }
        }
        let config = OutlierConfig { trend: config, confidence: 0.95 };
        if let Ok(found) = outliers(&times, &values, &u, shared, &config) {
            let good = found.iter().all(|o| o.deviation.is_finite() && probability(o.p_value));
            prop_assert!(good, "{:?}", found);
        }
    }
    Ok(())
}

type TestRow = (bool, i32, f64, f64, i32, f64);

fn test_and_hold(rows: &[TestRow], even: bool) -> Result<(), TestCaseError> {
    let change = |r: &TestRow| Change {
        close: r.0,
        cycle: r.1,
        pressure_pa: r.2,
        u_pa: r.3,
        bounces: r.4,
        time_width_s: r.5,
        rate_pa_s: r.3 - r.5,
        lag_applied: r.4 % 2 == 0,
    };
    let changes: Vec<Change> = rows.iter().map(change).collect();
    for close in [true, false] {
        let prior = even.then_some(Prior { sd_pa: 0.3, dof: 2.0 });
        let config = StickingConfig { prior, ..StickingConfig::default() };
        if let Ok(found) = sticking(&changes, close, &config) {
            prop_assert!(usable(found.shift) && usable(found.later), "{:?}", found);
            prop_assert!(probability(found.p_value) && !found.sentence().contains("NaN"));
        }
    }
    if let Ok(found) = chatter(&changes, &ChatterConfig::default()) {
        prop_assert!(found.rate_low <= found.rate && found.rate <= found.rate_high);
        prop_assert!(probability(found.p_value));
    }
    let time: Vec<f64> =
        rows.iter().enumerate().map(|(i, r)| if even { 0.5 * i as f64 } else { r.3 }).collect();
    let pressure: Vec<f64> = rows.iter().map(|r| r.2).collect();
    if let Ok(found) = holds(&time, &pressure, &HoldConfig::default()) {
        prop_assert!(found.iter().all(|r| r.start < r.end && r.end <= time.len()));
        for hold in &found {
            let zero = ambient(&time, &pressure, hold, 0.5).expect("the holds were found");
            prop_assert!(zero.u_pa >= 0.0 && zero.rate_u_pa_s > 0.0, "{:?}", zero);
        }
    }
    let (values, u): (Vec<f64>, Vec<f64>) = rows.iter().map(|r| (r.2, r.3)).unzip();
    if let Ok(found) = population(&values, &u) {
        prop_assert!(usable(found.centre) && found.spread >= 0.0, "{:?}", found);
        let one = found.compare(values[0], u[0]);
        prop_assert!(usable(one.difference) && probability(one.p_value), "{:?}", one);
    }
    if let Ok(reach) = Reach::of(&pressure, &u) {
        let rating = Rating { low_pa: 54.0, high_pa: 66.0, close: even };
        let found = still(reach, rating, None);
        prop_assert_eq!(found.flagged, found.side != Side::None);
        prop_assert!(reach.lowest_pa <= reach.highest_pa);
    }
    for resolution_pa in [0.0, 0.5] {
        let config = LeakConfig { resolution_pa, ..LeakConfig::default() };
        if let Ok(found) = leak(&time, &pressure, &config) {
            prop_assert!(usable(found.rate_pa_s) && usable(found.level_pa), "{:?}", found);
            prop_assert!(found.time_constant_s.is_none_or(usable));
            prop_assert!(usable(found.loss_per_min) && probability(found.p_value), "{:?}", found);
            prop_assert!(!found.sentence().contains("NaN"));
        }
    }
    Ok(())
}

fn probability(p: f64) -> bool {
    (0.0..=1.0).contains(&p)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(4000))]

    #[test]
    fn histories(
        rows in prop::collection::vec(
            (number(), number(), uncertainty(), 0usize..3, uncertainty()), 0..12,
        ),
        options in any::<(bool, bool, bool)>(), limit in number(), now in number(),
    ) {
        history(&rows, options, limit, now)?;
    }

    #[test]
    fn tests_and_holds(
        rows in prop::collection::vec(
            (any::<bool>(), 0i32..5, number(), uncertainty(), -1i32..5, uncertainty()), 0..14,
        ),
        even in any::<bool>(),
    ) {
        test_and_hold(&rows, even)?;
    }
}
