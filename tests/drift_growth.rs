//! Growth of a fleet against published fits, against simulation, and on data that tell nothing.

mod growth_fleet;

use deadband::drift::growth::{
    Components, Effect, Growth, GrowthConfig, GrowthData, SwitchLine, compare, grow,
};
use growth_fleet::Fleet;
use proptest::prelude::*;
use serde_json::Value;

fn reference(name: &str) -> Value {
    let path = format!("{}/tests/reference/{name}.json", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{path}: {e}"))
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(|v| v.as_f64().expect("a number")).collect()
}

/// Time, values and subjects, those of one subject together.
fn published(check: &Value, time: &str, value: &str) -> GrowthData {
    let (time, value) = (numbers(&check["inputs"][time]), numbers(&check["inputs"][value]));
    let subjects: Vec<String> = check["inputs"]["Subject"]
        .as_array()
        .expect("a list")
        .iter()
        .map(Value::to_string)
        .collect();
    let first = |of: &String| subjects.iter().position(|other| other == of).expect("itself") as u64;
    let mut rows: Vec<(u64, f64, f64)> =
        (0..time.len()).map(|i| (first(&subjects[i]), time[i], value[i])).collect();
    rows.sort_by_key(|row| row.0);
    let column = |of: fn(&(u64, f64, f64)) -> f64| rows.iter().map(of).collect::<Vec<f64>>();
    let switch: Vec<u64> = rows.iter().map(|row| row.0).collect();
    let u = vec![0.0; rows.len()];
    GrowthData::new(&column(|r| r.1), &column(|r| r.2), &u, &switch, &[]).expect("valid")
}

fn expect(check: &Value, name: &str, found: f64) {
    let list = check["expected"].as_array().expect("a list");
    let entry = list.iter().find(|e| e["name"] == name).unwrap_or_else(|| panic!("no {name}"));
    let value = entry["value"].as_f64().expect("a number");
    let tolerance = entry["abs_tol"].as_f64().expect("a tolerance");
    assert!((found - value).abs() <= tolerance, "{name}: {found}, published {value} ± {tolerance}");
}

/// Belenky et al. (2003), fitted in Bates et al. (2015) J. Stat. Softw. 67(1).
#[test]
fn sleep_study() {
    let check = reference("V08-lme4-sleepstudy");
    let found =
        grow(&published(&check, "Days", "Reaction"), &GrowthConfig::default()).expect("fits");
    let Components { level, covariance, slope, excess } = found.components;
    expect(&check, "REML criterion", -2.0 * found.log_likelihood);
    expect(&check, "sd intercept", level.sqrt());
    expect(&check, "sd slope", slope.sqrt());
    expect(&check, "correlation", covariance / (level * slope).sqrt());
    expect(&check, "sd residual", excess.sqrt());
    expect(&check, "var intercept", level);
    expect(&check, "var slope", slope);
    expect(&check, "fixed intercept", found.fixed[0].value);
    expect(&check, "fixed slope", found.fixed[1].value);
    expect(&check, "se intercept", found.fixed[0].u);
    expect(&check, "se slope", found.fixed[1].u);
    // Satterthwaite's degrees of freedom of a balanced design are exact: subjects less one.
    assert!((found.fixed[1].dof - 17.0).abs() < 0.01, "{:?}", found.fixed[1]);
    assert!((found.fixed[0].dof - 17.0).abs() < 0.01, "{:?}", found.fixed[0]);
}

/// Potthoff and Roy (1964), fitted in Pinheiro and Bates (2000).
#[test]
fn orthodontic_growth() {
    let check = reference("V10-nlme-orthodont");
    let found =
        grow(&published(&check, "age", "distance"), &GrowthConfig::default()).expect("fits");
    let Components { level, covariance, slope, excess } = found.components;
    expect(&check, "REML log-likelihood", found.log_likelihood);
    expect(&check, "fixed intercept", found.fixed[0].value);
    expect(&check, "fixed slope", found.fixed[1].value);
    expect(&check, "sd intercept", level.sqrt());
    expect(&check, "sd slope", slope.sqrt());
    expect(&check, "correlation", covariance / (level * slope).sqrt());
    expect(&check, "sd residual", excess.sqrt());
}

/// The covariance of all tests at once, and the restricted likelihood from it, as its definition has it.
#[test]
fn the_likelihood_is_that_of_the_whole_covariance() {
    let fleet = Fleet { switches: 7, tests: 4, ..Fleet::default() }.draw(3);
    let found = grow(&fleet.data(), &GrowthConfig::default()).expect("fits");
    let n = fleet.time.len();
    let (g, columns) = (found.components, found.fixed.len());
    let mut v = nalgebra::DMatrix::zeros(n, n);
    for i in 0..n {
        for j in 0..n {
            let (t, s) = (fleet.time[i], fleet.time[j]);
            if fleet.switch[i] == fleet.switch[j] {
                v[(i, j)] = g.level + g.covariance * (t + s) + g.slope * t * s;
            }
        }
        v[(i, i)] += fleet.u[i].powi(2) + g.excess;
    }
    let x = nalgebra::DMatrix::from_fn(n, columns, |row, column| {
        let lot = f64::from(u8::from(fleet.lot[row] == 1));
        [1.0, fleet.time[row], lot, lot * fleet.time[row]][column]
    });
    let y = nalgebra::DVector::from_column_slice(&fleet.value);
    let inverse = v.clone().try_inverse().expect("definite");
    let information = x.transpose() * &inverse * &x;
    let beta =
        information.clone().try_inverse().expect("definite") * (x.transpose() * &inverse * &y);
    let rest = &y - &x * &beta;
    let log_likelihood = -0.5
        * (v.determinant().ln()
            + information.determinant().ln()
            + (rest.transpose() * &inverse * &rest)[0]
            + (n - columns) as f64 * std::f64::consts::TAU.ln());
    assert!((log_likelihood - found.log_likelihood).abs() < 1e-8);
    for (found, beta) in found.fixed.iter().zip(beta.iter()) {
        assert!((found.value - beta).abs() < 1e-8, "{found:?} {beta}");
    }
}

/// Bounds: 95 % ± 3.3 standard errors of 150 fleets, and of 6,000 switches in them.
#[test]
fn intervals_hold_what_they_say() {
    const FLEETS: u64 = 150;
    let (mut slope, mut lot, mut lines, mut switches) = (0, 0, 0, 0);
    for seed in 0..FLEETS {
        let fleet = Fleet::default().draw(seed);
        let data = fleet.data();
        let found = grow(&data, &GrowthConfig::default()).expect("fits");
        let holds = |of: &deadband::base::Estimate, truth: f64| {
            let (low, high) = of.interval(0.95);
            usize::from(low <= truth && truth <= high)
        };
        slope += holds(&found.fixed[1], -0.4);
        lot += holds(&found.fixed[3], -0.3);
        let each = found.lines(&data).expect("lines");
        for (SwitchLine { slope, slope_variance, .. }, (_, truth)) in each.iter().zip(&fleet.truth)
        {
            lines += usize::from((slope - truth).abs() <= 1.96 * slope_variance.sqrt());
            switches += 1;
        }
    }
    let share = |held: usize, of: usize| held as f64 / of as f64;
    for (name, share) in [("slope", share(slope, 150)), ("lot", share(lot, 150))] {
        assert!((share - 0.95).abs() < 0.06, "{name} {share}");
    }
    let share = share(lines, switches);
    assert!((0.93..0.97).contains(&share), "lines {share}");
}

#[test]
fn a_slope_that_differs_is_found_and_one_that_does_not_is_not() {
    let plain = GrowthConfig { restricted: false, random_slope: false, excess: true };
    let full = GrowthConfig { random_slope: true, ..plain };
    let test = |fleet: &Fleet| {
        let data = fleet.data();
        let fits = |config| grow(&data, config).expect("fits");
        compare(&fits(&full), &fits(&plain)).expect("comparable").p_value
    };
    assert!(test(&Fleet::default().draw(1)) < 1e-6);
    let alike = (0..60)
        .filter(|&seed| test(&Fleet { slope_sd: 0.0, ..Fleet::default() }.draw(seed)) < 0.05);
    // 5 % of 60 and three standard errors of that.
    assert!(alike.count() <= 8);
}

#[test]
fn zero_components_are_zero() {
    let fleet = Fleet { slope_sd: 0.0, excess_sd: 0.0, ..Fleet::default() };
    let found: Vec<Growth> = (0..20)
        .map(|seed| grow(&fleet.clone().draw(seed).data(), &GrowthConfig::default()).expect("fits"))
        .collect();
    let on_edge = |growth: &Growth| growth.components.excess < 1e-6;
    // The estimate of a variance that is zero lies on its edge about half of the time.
    assert!((4..=16).contains(&found.iter().filter(|growth| on_edge(growth)).count()));
    for growth in &found {
        assert!(growth.fixed.iter().all(|fixed| fixed.u > 0.0 && fixed.dof >= 1.0), "{growth:?}");
    }
}

#[test]
fn fleets_that_tell_nothing_are_refused() {
    let status = |time: &[f64], value: &[f64], switch: &[u64], effects: &[Effect]| {
        let u = vec![0.1; value.len()];
        GrowthData::new(time, value, &u, switch, effects)
            .and_then(|data| grow(&data, &GrowthConfig::default()))
            .err()
            .map(|error| error.status().code())
    };
    let nine = [0.0, 1.0, 2.0, 0.0, 1.0, 2.0, 0.0, 1.0, 2.0];
    let switch = [0, 0, 0, 1, 1, 1, 2, 2, 2];
    let own = [5.0, 4.0, 4.1, 6.0, 5.2, 5.1, 7.0, 6.1, 5.9];
    assert_eq!(status(&nine, &own, &switch, &[]), None);
    assert_eq!(status(&[], &[], &[], &[]), Some("too_few_samples"));
    assert_eq!(status(&nine[..3], &own[..3], &switch[..3], &[]), Some("too_few_samples"));
    assert_eq!(status(&[1.0; 9], &own, &switch, &[]), Some("too_few_samples"));
    assert_eq!(status(&nine, &[5.0; 9], &switch, &[]), Some("bad_value"));
    assert_eq!(status(&nine, &own, &[0, 1, 0, 1, 1, 1, 2, 2, 2], &[]), Some("bad_value"));
    // A lot for each switch leaves nothing between switches; two effects that say the same.
    let each = Effect { level: vec![0, 0, 0, 1, 1, 1, 2, 2, 2], levels: 3, slope: false };
    assert_eq!(status(&nine, &own, &switch, std::slice::from_ref(&each)), Some("too_few_samples"));
    let fleet = Fleet::default().draw(1);
    let lot = Effect { level: fleet.lot.clone(), levels: 2, slope: false };
    let twice = [lot.clone(), lot];
    assert_eq!(status(&fleet.time, &fleet.value, &fleet.switch, &twice), Some("bad_value"));
    let one = Effect { level: vec![0; 9], levels: 1, slope: true };
    assert_eq!(status(&nine, &own, &switch, &[one]), None);
    let exact: Vec<f64> = nine.iter().zip(&switch).map(|(t, s)| 2.0 * t + *s as f64).collect();
    let no_u = GrowthData::new(&nine, &exact, &[0.0; 9], &switch, &[]).expect("valid");
    assert!(grow(&no_u, &GrowthConfig::default()).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    /// A larger model is at least as likely, wherever its variances lie.
    #[test]
    fn a_larger_model_is_never_less_likely(
        seed in 0u64..1000, slope_sd in 0.0f64..0.2, excess_sd in 0.0f64..0.3, restricted in any::<bool>(),
    ) {
        let fleet = Fleet { switches: 14, slope_sd, excess_sd, ..Fleet::default() }.draw(seed);
        let data = fleet.data();
        let log = |random_slope, excess| {
            let config = GrowthConfig { restricted, random_slope, excess };
            grow(&data, &config).expect("fits").log_likelihood
        };
        let full = log(true, true);
        for (random_slope, excess) in [(true, false), (false, true), (false, false)] {
            let nested = log(random_slope, excess);
            prop_assert!(full >= nested - 1e-5, "{full} {nested} {random_slope} {excess}");
        }
    }

    /// Another origin of time or of pressure, and other units, are the same fleet.
    #[test]
    fn the_origin_and_the_units_change_nothing(
        seed in 0u64..1000, shift in -20.0f64..20.0, scale in 0.1f64..10.0,
    ) {
        let fleet = Fleet::default().draw(seed);
        let plain = grow(&fleet.data(), &GrowthConfig::default()).expect("fits");
        let mut moved = fleet.clone();
        moved.time.iter_mut().for_each(|t| *t += shift);
        moved.value.iter_mut().for_each(|v| *v = scale * (*v + shift));
        moved.u.iter_mut().for_each(|u| *u *= scale);
        let other = grow(&moved.data(), &GrowthConfig::default()).expect("fits");
        let (one, next) = (&plain.fixed[1], &other.fixed[1]);
        prop_assert!((next.value / scale - one.value).abs() < 1e-4 * one.u, "{one:?} {next:?}");
        prop_assert!((next.u / scale / one.u - 1.0).abs() < 1e-4);
        prop_assert!((other.components.slope / scale.powi(2) - plain.components.slope).abs() < 1e-4);
    }
}

/// Ordinary numbers, small whole ones that tie, and everything else a column can hold.
fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => -100.0f64..100.0,
        3 => (0i8..4).prop_map(f64::from),
        1 => prop::sample::select(vec![1e-300, 1e300, -1e300, f64::NAN, f64::INFINITY, 1e15, -0.0]),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]
    #[test]
    fn any_numbers_are_an_error_or_finite(
        rows in prop::collection::vec((0u64..6, number(), number(), 0.0f64..3.0, 0u32..3), 0..40),
        (slope, restricted, random_slope, excess) in any::<(bool, bool, bool, bool)>(),
    ) {
        let mut rows = rows;
        rows.sort_by_key(|row| row.0);
        let of = |part: fn(&(u64, f64, f64, f64, u32)) -> f64| rows.iter().map(part).collect::<Vec<_>>();
        let (time, value, u) = (of(|row| row.1), of(|row| row.2), of(|row| row.3));
        let switch: Vec<u64> = rows.iter().map(|row| row.0).collect();
        let level = rows.iter().map(|row| row.4).collect();
        let effect = Effect { level, levels: 3, slope };
        let config = GrowthConfig { restricted, random_slope, excess };
        let Ok(data) = GrowthData::new(&time, &value, &u, &switch, &[effect]) else {
            return Ok(());
        };
        let Ok(found) = grow(&data, &config) else { return Ok(()) };
        prop_assert!(found.log_likelihood.is_finite());
        for fixed in &found.fixed {
            prop_assert!(fixed.value.is_finite() && fixed.u.is_finite() && fixed.dof >= 1.0, "{fixed:?}");
        }
        for line in found.lines(&data).expect("the same data") {
            prop_assert!(line.level.is_finite() && line.slope.is_finite(), "{line:?}");
            prop_assert!(line.level_variance >= -1e-6 * line.level.abs(), "{line:?}");
        }
    }
}
