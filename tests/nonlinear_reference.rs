//! Variable projection against `NIST StRD` nonlinear regression: the certified values from both
//! published starts of `Misra1a`, `BoxBOD`, `MGH17` and `Lanczos3`, data as carried by open-source
//! packages.

mod published;

use deadband::smooth::varpro::{Columns, Separable, fit_separable};
use nalgebra::{DMatrix, DVector};
use published::{entry, number, numbers, reference};
use serde_json::Value;

fn certified(check: &Value, name: &str) -> f64 {
    number(&entry(check, name)["value"])
}

/// Exponentials with rates `exp(θ)`: `constant` puts a column of ones first, `rising` uses
/// `1 − exp(−b x)`.
fn exponentials(x: Vec<f64>, constant: bool, rising: bool) -> impl Columns {
    move |theta: &DVector<f64>| {
        let first = usize::from(constant);
        Some(DMatrix::from_fn(x.len(), theta.len() + first, |i, j| {
            if j < first {
                return 1.0;
            }
            let left = (-x[i] * theta[j - first].exp()).exp();
            if rising { 1.0 - left } else { left }
        }))
    }
}

fn close(found: f64, certified: f64, digits: i32, what: &str) {
    let error = (found / certified - 1.0).abs();
    assert!(error < 10_f64.powi(-digits), "{what}: {found} against {certified}");
}

fn fits(name: &str, constant: bool, rising: bool, rates: &[usize]) -> Vec<(Value, Separable)> {
    let check = reference(&format!("N01-strd-{name}"));
    let inputs = &check["inputs"];
    let model = exponentials(numbers(&inputs["x"]), constant, rising);
    let y = DVector::from_vec(numbers(&inputs["y"]));
    ["start1", "start2"]
        .map(|start| {
            let start = numbers(&inputs[start]);
            let theta: Vec<f64> = rates.iter().map(|&i| start[i].ln()).collect();
            let found = fit_separable(&model, &y, &theta, 1e-11).expect("a fit");
            (check.clone(), found)
        })
        .into()
}

#[test]
fn misra1a_and_boxbod() {
    for name in ["misra1a", "boxbod"] {
        for (check, found) in fits(name, false, true, &[1]) {
            close(found.linear[0], certified(&check, "b1"), 9, name);
            close(found.theta[0].exp(), certified(&check, "b2"), 9, name);
            close(found.squares, certified(&check, "residual sum of squares"), 9, name);
            let n = numbers(&check["inputs"]["x"]).len() as f64;
            let unscaled = found.unscaled.expect("regular");
            let sd = (found.squares / (n - 2.0) * unscaled[(0, 0)]).sqrt();
            close(sd, certified(&check, "sd(b1)"), 7, name);
        }
    }
}

#[test]
fn mgh17() {
    for (check, found) in fits("mgh17", true, false, &[3, 4]) {
        let mut rates = [(found.theta[0], found.linear[1]), (found.theta[1], found.linear[2])];
        rates.sort_by(|a, b| a.0.total_cmp(&b.0));
        close(found.linear[0], certified(&check, "b1"), 8, "b1");
        close(rates[0].1, certified(&check, "b2"), 7, "b2");
        close(rates[0].0.exp(), certified(&check, "b4"), 8, "b4");
        close(rates[1].0.exp(), certified(&check, "b5"), 8, "b5");
        close(found.squares, certified(&check, "residual sum of squares"), 9, "squares");
    }
}

/// The residuals are of the size of the data's last digit: eight digits are what doubles give.
#[test]
fn lanczos3() {
    for (check, found) in fits("lanczos3", false, false, &[1, 3, 5]) {
        let mut terms: Vec<(f64, f64)> =
            found.theta.iter().copied().zip(found.linear.iter().copied()).collect();
        terms.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (term, (level, rate)) in terms.iter().zip([("b1", "b2"), ("b3", "b4"), ("b5", "b6")]) {
            close(term.1, certified(&check, level), 5, level);
            close(term.0.exp(), certified(&check, rate), 6, rate);
        }
        close(found.squares, certified(&check, "residual sum of squares"), 7, "squares");
    }
}
