//! Change points against published results on the annual flow of the Nile, 1871 to 1970.

mod published;

use deadband::drift::change_point::{
    Choice, KnownStepsConfig, NullConfig, OneChangeConfig, SeveralChangesConfig, buishand,
    homogeneity, known_steps, one_change, several_changes,
};
use published::{expect, reference};
use serde_json::Value;

/// Years and flows; no uncertainty is stated.
fn nile(check: &Value) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
    let list = check["inputs"]["y"].as_array().expect("a list");
    let flow: Vec<f64> = list.iter().map(|v| v.as_f64().expect("a number")).collect();
    let years = (0..flow.len()).map(|i| 1871.0 + i as f64).collect();
    let zero = vec![0.0; flow.len()];
    (years, flow, zero)
}

/// A. Zeileis et al., Comput. Stat. Data Anal. 44 (2003) 109-123 and the reference output of the R
/// package strucchange, `breakpoints(Nile ~ 1)`: all divisions up to 5 changes.
#[test]
fn nile_divisions() {
    let check = reference("K02-nile-breakpoints");
    let (years, flow, zero) = nile(&check);
    let fewest = check["inputs"]["min_segment"].as_u64().expect("a number");
    let config = SeveralChangesConfig {
        choice: Choice::Bic,
        fewest: usize::try_from(fewest).expect("small"),
        ..SeveralChangesConfig::default()
    };
    let found = several_changes(&years, &flow, &zero, &config).expect("valid");
    assert_eq!(found.partitions.len(), 6);
    for (m, partition) in found.partitions.iter().enumerate() {
        expect(&check, &format!("RSS m={m}"), partition.q);
        expect(&check, &format!("BIC m={m}"), partition.bic);
        for (j, &before) in partition.tests_before.iter().enumerate() {
            expect(&check, &format!("break {} of m={m} (observation)", j + 1), before as f64);
        }
    }
    assert_eq!(found.changes.len(), 1);
    let change = &found.changes[0];
    expect(&check, "single break date", change.place.after);
    expect(&check, "mean 1871-1898", found.levels[0].level.value);
    expect(&check, "mean 1899-1970", found.levels[1].level.value);
    // The breakpoint interval of strucchange, 1895 to 1902 by its documentation (from memory), rests
    // on an asymptotic distribution; ours holds the same years or fewer.
    assert!(change.after >= 1894.0 && change.before <= 1903.0, "{change:?}");
}

/// The same with false alarms under control, levels of two years allowed.
#[test]
fn nile_has_one_change_whatever_the_choice() {
    let (years, flow, zero) = nile(&reference("K02-nile-breakpoints"));
    let null = NullConfig { draws: 199, seed: 1 };
    let config = SeveralChangesConfig { null, ..SeveralChangesConfig::default() };
    let found = several_changes(&years, &flow, &zero, &config).expect("valid");
    assert_eq!(found.p_value, Some(1.0 / 200.0));
    assert!(found.changes.iter().any(|c| c.place.tests_before == 28), "{:?}", found.changes);
}

/// G. W. Cobb, Biometrika 65 (1978) 243-251, and B. P. Carlin, A. E. Gelfand and A. F. M. Smith,
/// Appl. Stat. 41 (1992) 389-405, both from memory, put the change at 1898.
#[test]
fn nile_changed_in_1898() {
    let (years, flow, zero) = nile(&reference("K02-nile-breakpoints"));
    let found = one_change(&years, &flow, &zero, &OneChangeConfig::default()).expect("valid");
    assert_eq!((found.best.tests_before, found.best.after), (28, 1898.0));
    assert!(found.after <= 1898.0 && found.before >= 1899.0 && found.before - found.after < 12.0);
    assert_eq!(found.p_value, 1.0 / 2000.0);
    assert!(found.probability() > 0.999 && found.explanations.drift < 1e-3, "{found:?}");
    assert!((found.size.value + 247.78).abs() < 0.5 * found.size.u, "{:?}", found.size);
    let beside = OneChangeConfig { beside_drift: true, ..OneChangeConfig::default() };
    let found = one_change(&years, &flow, &zero, &beside).expect("valid");
    assert!(found.p_value < 0.01, "{}", found.p_value);
    // Told of the date, the drift is gone.
    let config = KnownStepsConfig::default();
    let told = known_steps(&years, &flow, &zero, &[1899.0], &config).expect("valid");
    let (slope, without) = (told.slope.expect("asked for"), told.slope_without.expect("as well"));
    assert!(slope.value.abs() < 2.0 * slope.u && without.value < -5.0 * without.u);
    assert!(told.p_value < 1e-4);
}

/// T. Pohlert, *Non-parametric trend tests and change-point detection* (vignette of the R package
/// trend), sections 3.2 to 3.4: statistics as printed, and p-values below their last digit.
#[test]
fn nile_homogeneity() {
    let check = reference("K03-nile-buishand-snht");
    let (years, flow, _) = nile(&check);
    let config = NullConfig::default();
    let deviations = buishand(&years, &flow, &config).expect("valid");
    expect(&check, "R/sqrt(n)", deviations.range);
    expect(&check, "U", deviations.u);
    expect(&check, "argmax |S_k|", deviations.tests_before as f64);
    let normal = homogeneity(&years, &flow, &config).expect("valid");
    expect(&check, "SNHT T", normal.statistic);
    expect(&check, "change point K", normal.tests_before as f64);
    let least = 1.0 / 2000.0;
    assert_eq!((deviations.p_range, deviations.p_u, normal.p_value), (least, least, least));
}
