//! Published data and results, and the comparison with what they print.
#![allow(dead_code, reason = "every test file is a crate of its own and uses a part")]

use serde_json::Value;

/// The data and results of a source.
pub(crate) fn reference(name: &str) -> Value {
    let path = format!("{}/tests/reference/{name}.json", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{path}: {e}"))
}

pub(crate) fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

pub(crate) fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(number).collect()
}

pub(crate) fn entries(check: &Value) -> &[Value] {
    check["expected"].as_array().expect("a list")
}

/// What is printed under that name.
pub(crate) fn entry<'a>(check: &'a Value, name: &str) -> &'a Value {
    entries(check).iter().find(|e| e["name"] == name).unwrap_or_else(|| panic!("no {name}"))
}

/// Compares with a printed value, within its tolerance; exactly where it has none.
pub(crate) fn agrees(entry: &Value, found: f64) {
    let name = &entry["name"];
    // Where the printed digits are all zeros they stand alone.
    let printed = || entry["published"].as_str()?.parse().ok();
    let value: f64 = entry["value"].as_f64().or_else(printed).expect("a number");
    let tolerance = entry["abs_tol"].as_f64().unwrap_or(0.0);
    assert!((found - value).abs() <= tolerance, "{name}: {found}, published {value} ± {tolerance}");
}

/// Compares with the value printed under that name.
pub(crate) fn expect(check: &Value, name: &str, found: f64) {
    agrees(entry(check, name), found);
}
