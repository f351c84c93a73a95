//! Budgets, effective degrees of freedom and coverage factors against published examples.

mod published;

use deadband::base::{Estimate, estimate::normal, estimate::welch_satterthwaite};
use deadband::lag::{LagConfig, RateEvent, from_rates};
use deadband::setpoint::{Budget, Line, Source};
use deadband::smooth::State;
use published::{expect, number, numbers, reference};
use statrs::distribution::ContinuousCDF;

fn budget(lines: impl IntoIterator<Item = (f64, f64)>) -> Budget {
    let mut sources = Source::ALL.into_iter().cycle();
    let mut line = |(u_pa, dof)| Line { source: sources.next().expect("endless"), u_pa, dof };
    Budget { lines: lines.into_iter().map(&mut line).collect() }
}

/// JCGM 100:2008 (GUM), example H.1, an end gauge; u(θ) and the last two factors from memory.
#[test]
fn gum_h1_end_gauge() {
    let check = reference("G01-gum-h1-end-gauge");
    let inputs = &check["inputs"];
    let pair = |name: &str| {
        let both = numbers(&inputs[name]);
        (both[0], both[1])
    };
    let standard = number(&inputs["l_s nm"]);
    let difference = number(&inputs["d nm"]);
    let parts = inputs["components of u(d) nm,nu"].as_array().expect("a list");
    let d = budget(parts.iter().map(|part| (number(&part[0]), number(&part[1]))));
    let d = d.estimate(difference);
    expect(&check, "u(d) (nm)", d.u);
    expect(&check, "u(d) unrounded (GTC test)", d.u);
    expect(&check, "nu_eff(d)", d.dof);
    expect(&check, "nu_eff(d) unrounded (GTC test)", d.dof);

    let root3 = 3.0_f64.sqrt();
    let (alpha_width, alpha_dof) = pair("delta_alpha half width /C, nu");
    let (theta_width, theta_dof) = pair("delta_theta half width C, nu");
    let (theta, theta_u) = pair("theta_bar C, u");
    let (alpha_s, alpha_s_width) = pair("alpha_s /C, half width");
    let delta_alpha = standard * theta.abs() * alpha_width / root3;
    let delta_theta = standard * alpha_s * theta_width / root3;
    expect(&check, "component delta_alpha (nm)", delta_alpha);
    expect(&check, "component delta_theta (nm)", delta_theta);

    let lines = [
        (number(&inputs["u(l_s) nm"]), number(&inputs["nu(l_s)"])),
        (d.u, d.dof),
        (delta_alpha, alpha_dof),
        (delta_theta, theta_dof),
    ];
    let length = budget(lines).estimate(standard + difference);
    expect(&check, "l (nm)", length.value);
    expect(&check, "u_c(l) (nm)", length.u);
    expect(&check, "nu_eff(l), truncated", length.dof.trunc());
    // The example truncates the degrees of freedom; Estimate does not, so this is done here.
    let truncated = Estimate { dof: length.dof.trunc(), ..length };
    expect(&check, "t_0.99(16)", truncated.expanded(0.99) / truncated.u);
    expect(&check, "U99 (nm), k=2.92", truncated.expanded(0.99));

    // An arcsine law of half width a has the standard uncertainty a/√2.
    let cycle = number(&inputs["Delta arcsine half width C"]) / 2.0_f64.sqrt();
    let u_theta = budget([(theta_u, f64::INFINITY), (cycle, f64::INFINITY)]).estimate(theta).u;
    expect(&check, "u(theta) (C)", u_theta);
    let second = [
        (standard * alpha_width / root3 * u_theta, f64::INFINITY),
        (standard * alpha_s_width / root3 * theta_width / root3, f64::INFINITY),
    ];
    let whole = budget(lines.into_iter().chain(second)).estimate(length.value);
    expect(&check, "u_c with second-order terms (nm)", whole.u);
}

/// JCGM 100:2008, table G.2; of the columns 68.27, 95.45 and 99.73 % the exact 1, 2 and 3 standard
/// deviations of the normal law are meant. Some entries from memory, as the file says.
#[test]
fn gum_table_g2_coverage_factors() {
    let check = reference("G05-gum-table-g2-t-factors");
    let entries = check["expected"].as_array().expect("a list");
    assert!(entries.len() >= 16);
    for entry in entries {
        let name = entry["name"].as_str().expect("a name");
        let inner = name.strip_prefix("t_").and_then(|rest| rest.strip_suffix(')'));
        let (p, dof) = inner.and_then(|inner| inner.split_once('(')).expect("t_p(dof)");
        let sigmas = |k: f64| 2.0 * normal().cdf(k) - 1.0;
        let p = match p {
            "0.6827" => sigmas(1.0),
            "0.9545" => sigmas(2.0),
            "0.9973" => sigmas(3.0),
            other => other.parse().expect("a probability"),
        };
        let dof = if dof == "inf" { f64::INFINITY } else { dof.parse().expect("a number") };
        expect(&check, name, Estimate { value: 0.0, u: 1.0, dof }.expanded(p));
    }
}

/// Two short cases of a university course on measurement (SNL ENGR224).
#[test]
fn welch_satterthwaite_of_two_short_cases() {
    let check = reference("G08-welch-satterthwaite");
    let (a, b) = (&check["inputs"]["a"], &check["inputs"]["b"]);
    let u = numbers(&a["u"]);
    let dof = [number(&a["nu"][0]), f64::INFINITY];
    assert!(a["nu"][1].is_null(), "the second is known without limit");
    expect(&check, "a nu_eff", welch_satterthwaite(u.into_iter().zip(dof)));

    let (x, u, nu) = (numbers(&b["x"]), numbers(&b["u"]), numbers(&b["nu"]));
    let y = x[0] / x[1] * x[2];
    // A product of powers: the relative uncertainties are what adds up (JCGM 100, 5.1.6).
    let found = budget((0..3).map(|i| (y * u[i] / x[i], nu[i]))).estimate(y);
    expect(&check, "b y", found.value);
    expect(&check, "b u", found.u);
    expect(&check, "b nu_eff", found.dof);
    expect(&check, "b U95", found.expanded(number(&b["coverage"])));
}

/// JCGM 100:2008, example H.5, a voltage standard on ten days, five readings a day: the components
/// within and between days are what the lag's model finds within and between tests.
///
/// Published are each day's mean and standard deviation, and a balanced analysis of variance needs
/// no more; the five readings are made up to have them, and to be free of slope in the rates.
#[test]
fn gum_h5_components_of_variance() {
    let check = reference("G04-gum-h5-anova");
    let inputs = &check["inputs"];
    let per_day = number(&inputs["K_per_day"]);
    let micro = |name: &str| numbers(&inputs[name]).into_iter().map(|v| 1e6 * v);
    let days = micro("daily_mean_V").zip(micro("daily_s_V"));
    // The quadratic contrast of five readings: its mean square is 14/4, its slope zero.
    let contrast = [2.0, -1.0, -2.0, -1.0, 2.0];
    let events: Vec<RateEvent> = days
        .enumerate()
        .flat_map(|(day, (mean, s))| {
            contrast.into_iter().enumerate().map(move |(i, c)| RateEvent {
                group: 1,
                test: day as u64,
                signal: State {
                    value: mean + s * c / 3.5_f64.sqrt(),
                    rate: i as f64 - 2.0,
                    var_value: 1e-9,
                    cov: 0.0,
                    var_rate: 0.0,
                },
                width_s: 0.0,
                clock_u_s: 0.0,
            })
        })
        .collect();
    let config = LagConfig { max_u_s: 100.0, ..LagConfig::default() };
    let found = from_rates(&events, &config).expect("identified");
    assert_eq!(found.n_events, 50);
    assert!(found.lag_s.value.abs() < 1e-6, "{found:?}");
    // The slope takes one of the 40 degrees of freedom within days.
    let within = found.repeatability_pa * (39.0_f64 / 40.0).sqrt();
    expect(&check, "pooled within s (uV)", within);
    let days_mean =
        (found.between_tests_pa.powi(2) + found.repeatability_pa.powi(2) / per_day).sqrt();
    expect(&check, "s of daily means (uV)", days_mean);
    let ratio = per_day * days_mean.powi(2) / within.powi(2);
    expect(&check, "F", ratio);
}
