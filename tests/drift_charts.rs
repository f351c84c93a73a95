//! Control charts against published tables.

mod published;

use deadband::drift::charts::{
    CusumConfig, EwmaConfig, Limits, Process, Sided, Start, c4, cusum_arl, d2, d3, ewma, ewma_arl,
    ewma_multiplier, ewma_run_length,
};
use published::{agrees, entries, expect, number, numbers, reference};

fn sums(k: f64, h: f64, head_start: f64, mu: f64, sided: Sided) -> f64 {
    let config = CusumConfig { k, h, head_start, ..CusumConfig::default() };
    cusum_arl(&config, mu, sided).expect("valid")
}

fn average(lambda: f64, multiplier: f64, limits: Limits) -> EwmaConfig {
    EwmaConfig { lambda, multiplier, limits, ..EwmaConfig::default() }
}

fn steady(lambda: f64, multiplier: f64) -> EwmaConfig {
    average(lambda, multiplier, Limits::Steady)
}

/// Lucas and Crosier (1982) Technometrics 24, 199-205, table 1: both sums, without and with a head
/// start of h/2.
#[test]
fn lucas_and_crosier_1982() {
    let check = reference("S01-cusum-lucas-crosier");
    for mu in numbers(&check["inputs"]["mu"]) {
        expect(&check, &format!("ARL mu={mu}"), sums(0.5, 4.0, 0.0, mu, Sided::Both));
        let headed = format!("ARL mu={mu}, headstart h/2");
        expect(&check, &headed, sums(0.5, 4.0, 0.5, mu, Sided::Both));
    }
}

/// Montgomery, *Introduction to Statistical Quality Control*, table 9.3; from memory, recomputed.
#[test]
fn montgomery_run_lengths() {
    let check = reference("S02-cusum-arl0-465-168");
    expect(&check, "two-sided h=4", sums(0.5, 4.0, 0.0, 0.0, Sided::Both));
    expect(&check, "two-sided h=5", sums(0.5, 5.0, 0.0, 0.0, Sided::Both));
    for mu in [0.5, 1.0, 2.0, 3.0] {
        expect(&check, &format!("h=5 mu={mu}"), sums(0.5, 5.0, 0.0, mu, Sided::Both));
    }
    expect(&check, "one-sided h=4", sums(0.5, 4.0, 0.0, 0.0, Sided::Upper));
    expect(&check, "one-sided h=5", sums(0.5, 5.0, 0.0, 0.0, Sided::Upper));
}

/// Vance (1986) J. Qual. Technol. 18, 189-193, table 1.
#[test]
fn vance_1986() {
    let check = reference("S03-cusum-vance1986");
    for entry in entries(&check) {
        agrees(entry, sums(0.0, 10.0, 0.0, number(&entry["mu"]), Sided::Upper));
    }
}

/// Brook and Evans (1972) Biometrika 59, 539-549, whose Markov chain is coarser; Waldmann (1986)
/// Technometrics 28, 61-67; the SAS/QC manual (1999).
#[test]
fn single_published_run_lengths() {
    let check = reference("S04-cusum-misc");
    let upper = |k, h, head, mu| sums(k, h, head, mu, Sided::Upper);
    expect(&check, "Brook/Evans mu=0 (Markov chain)", upper(0.5, 3.0, 0.0, 0.0));
    expect(&check, "Brook/Evans mu=1.5 (Markov chain)", upper(0.5, 3.0, 0.0, 1.5));
    expect(&check, "Waldmann mu=-.5", upper(0.5, 3.0, 0.0, -0.5));
    expect(&check, "Waldmann mu=0 (his figure)", upper(0.5, 3.0, 0.0, 0.0));
    expect(&check, "Waldmann mu=.5", upper(0.5, 3.0, 0.0, 0.5));
    let both = sums(0.6, 3.0, 0.0, -0.2, Sided::Both);
    expect(&check, "Waldmann two-sided k=.6 mu=-.2", both);
    expect(&check, "SAS k=.25 h=8 mu=2.5", upper(0.25, 8.0, 0.0, 2.5));
    expect(&check, "SAS same with start 0.1", upper(0.25, 8.0, 0.1 / 8.0, 2.5));
    expect(&check, "SAS two-sided", sums(0.25, 8.0, 0.0, 2.5, Sided::Both));
}

/// Lucas and Saccucci (1990) Technometrics 32, 1-12, table 3: zero state and steady state.
#[test]
fn lucas_and_saccucci_1990() {
    let check = reference("S05-ewma-lucas-saccucci");
    for (lambda, multiplier, named) in
        [(0.5, 3.071, "l=.5 L=3.071"), (0.03, 2.437, "l=.03 L=2.437")]
    {
        for mu in numbers(&check["inputs"]["mu"]) {
            let arl = ewma_arl(&steady(lambda, multiplier), mu, Start::Target).expect("valid");
            expect(&check, &format!("{named} mu={mu}"), arl);
        }
    }
    let check = reference("S06-ewma-lucas-saccucci-steady-state");
    for entry in entries(&check) {
        let config = steady(number(&entry["lambda"]), number(&entry["L"]));
        agrees(entry, ewma_arl(&config, number(&entry["mu"]), Start::Steady).expect("valid"));
    }
}

/// Crowder (1987) Technometrics 29, 401-407, table 1.
#[test]
fn crowder_1987() {
    let check = reference("S06-ewma-crowder1987");
    for entry in entries(&check) {
        let config = steady(number(&entry["lambda"]), 2.0);
        agrees(entry, ewma_arl(&config, number(&entry["mu"]), Start::Target).expect("valid"));
    }
}

/// Steiner (1999) J. Qual. Technol. 31, 75-86, table 2: limits that widen from the first test on.
#[test]
fn steiner_1999() {
    let check = reference("S06-ewma-steiner1999-exact-limits");
    for entry in entries(&check) {
        let limits = if entry["limits"] == "exact" { Limits::Exact } else { Limits::Steady };
        let config = average(0.05, 3.0, limits);
        agrees(entry, ewma_arl(&config, number(&entry["mu"]), Start::Target).expect("valid"));
    }
}

/// Gan (1993) J. Stat. Comput. Simulation 45, 169-184, table 1: limits, printed to three decimals,
/// for a median run length of 500. The medians half a unit of the last decimal on either side must
/// enclose it.
#[test]
fn gan_1993() {
    for entry in entries(&reference("S06-ewma-gan1993-median")) {
        let (lambda, h) = (number(&entry["lambda"]), number(&entry["h"]));
        let median = |h: f64| {
            let config = steady(lambda, h / (lambda / (2.0 - lambda)).sqrt());
            let run = ewma_run_length(&config, 0.0, Start::Target).expect("valid");
            run.quantile(0.5).expect("a probability")
        };
        let (short, long) = (median(h - 0.000_5), median(h + 0.000_5));
        assert!(short <= 501.0 && long >= 499.0, "{lambda}: {short} to {long}");
    }
}

/// Crowder (1989) J. Qual. Technol. 21, 155-162, and the SAS/QC manual (1999).
#[test]
fn crowder_1989_design() {
    let check = reference("S07-ewma-crowder1989-design");
    let arl = ewma_arl(&steady(0.25, 3.0), 1.0, Start::Target).expect("valid");
    expect(&check, "SAS/QC l=.25 L=3 mu=1", arl);
    for lambda in numbers(&check["inputs"]["lambda"]) {
        let multiplier = ewma_multiplier(&steady(lambda, 1.0), 250.0).expect("valid");
        expect(&check, &format!("L for ARL0=250, lambda={lambda}"), multiplier);
    }
}

/// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4.
#[test]
fn nist_ewma_example() {
    let check = reference("S08-nist-ewma-example");
    let values = numbers(&check["inputs"]["x"]);
    let input = |name: &str| number(&check["inputs"][name]);
    let process = Process { target: input("target"), sd: input("s") };
    let config = steady(input("lambda"), input("L"));
    let chart = ewma(&values, &vec![0.0; values.len()], &process, &config).expect("valid");
    for (i, point) in chart.points.iter().enumerate() {
        expect(&check, &format!("EWMA_{}", i + 1), point.value);
        expect(&check, "UCL", point.high);
        expect(&check, "LCL", point.low);
    }
    expect(&check, "sqrt(lambda/(2-lambda))", chart.sd[0] / process.sd);
    assert!(chart.signals.is_empty());
}

#[test]
#[should_panic(expected = "a number")]
fn a_published_value_that_is_missing_is_no_zero() {
    agrees(&serde_json::json!({"name": "D3(5)", "abs_tol": 1.0}), 0.0);
}

/// Constants of normal samples as tabulated by ASTM and Montgomery (c4 and the factors from memory)
/// and in the R package qcc.
#[test]
fn control_chart_constants() {
    let check = reference("S09-control-constants");
    for n in 2..=15 {
        expect(&check, &format!("d2({n})"), d2(n).expect("a size"));
        if n <= 10 {
            expect(&check, &format!("d3({n})"), d3(n).expect("a size"));
            expect(&check, &format!("c4({n})"), c4(n).expect("a size"));
        }
    }
    for n in [2, 5] {
        let (d2, d3, root) = (d2(n).expect("a size"), d3(n).expect("a size"), (n as f64).sqrt());
        expect(&check, &format!("A2({n})"), 3.0 / (d2 * root));
        expect(&check, &format!("D4({n})"), 1.0 + 3.0 * d3 / d2);
    }
    let (c4, d2_5, d3_5) = (c4(5).expect("a size"), d2(5).expect("a size"), d3(5).expect("a size"));
    expect(&check, "D3(5)", (1.0 - 3.0 * d3_5 / d2_5).max(0.0));
    expect(&check, "A3(5)", 3.0 / (c4 * 5.0_f64.sqrt()));
    expect(&check, "B4(5)", 1.0 + 3.0 * (1.0 - c4 * c4).sqrt() / c4);
    expect(&check, "E2 individuals 3/d2(2)", 3.0 / d2(2).expect("a size"));
    // To the digits that are known: d3(5) = 0.8640819.
    assert!((d3_5 - 0.864_081_9).abs() < 5e-8);
}
