//! Conformance probabilities, guard bands and risks against JCGM 106 and related standards.

mod published;

use deadband::base::{Estimate, estimate::normal};
use deadband::verdict::{Action, JudgeConfig, Limits, Verdict, conformance, judge};
use published::{expect, number, reference};
use statrs::distribution::{Continuous, ContinuousCDF};

fn exact(value: f64, u: f64) -> Estimate {
    Estimate { value, u, dof: f64::INFINITY }
}

/// JCGM 106:2012, examples of clause 7, values from memory: a breakdown voltage with an upper
/// limit, a container's pressure with a lower one, an oil's viscosity with both.
#[test]
fn jcgm_106_conformance_probabilities() {
    let check = reference("C01-jcgm106-conformance-probability");
    let of = |name: &str| {
        let inputs = &check["inputs"][name];
        let limit = |key: &str, none: f64| inputs[key].as_f64().unwrap_or(none);
        let limits =
            Limits { low: limit("T_L", f64::NEG_INFINITY), high: limit("T_U", f64::INFINITY) };
        conformance(exact(number(&inputs["y"]), number(&inputs["u"])), limits)
    };
    let (below, within, _) = of("zener");
    assert_eq!(below, 0.0);
    expect(&check, "zener p_c", within);
    let (_, within, above) = of("container_kPa");
    assert_eq!(above, 0.0);
    expect(&check, "container p_c", within);
    let (below, within, above) = of("oil mm2/s");
    expect(&check, "oil p_c", within);
    expect(&check, "oil Phi upper", 1.0 - above);
    expect(&check, "oil Phi lower", below);
}

/// The least value, in units of `u` above the lower limit, that is called conforming.
fn guard_band(risk: f64) -> f64 {
    let limits = Limits { low: 54.0, high: 1e6 };
    let u = 0.5;
    let (mut no, mut yes) = (0.0, 20.0);
    for _ in 0..60 {
        let middle = f64::midpoint(no, yes);
        let open = exact(limits.low + middle * u, u);
        let found = judge(None, Some(open), Action::Fall, limits, &JudgeConfig { risk });
        if found.expect("judged").verdict == Verdict::Conforms { yes = middle } else { no = middle }
    }
    yes
}

/// ISO 14253-1:2017 (guard band of 1.65 u for 95 %, rounded up) and ILAC-G8:09/2019, table 1, whose
/// exact risks are from memory. The 0.825 U of the former is half of its rounded 1.65.
#[test]
fn guard_bands_and_the_risks_they_leave() {
    let check = reference("C05-guard-band-factors");
    expect(&check, "z_0.95", guard_band(0.05));
    let limits = Limits { low: 54.0, high: 1e6 };
    let (u, k) = (0.5, 2.0);
    let risk = |w_over_expanded: f64| {
        let open = exact(limits.low + w_over_expanded * k * u, u);
        conformance(open, limits).0
    };
    expect(&check, "risk at w=U (exact; bound 2.5 %)", risk(1.0));
    expect(&check, "risk at w=0.83U (bound 5 %)", risk(0.83));
    expect(&check, "risk at w=1.5U (bound 0.16 %)", risk(1.5));
    expect(&check, "risk w=0 at the limit", risk(0.0));
    // What is accepted at a risk is what that rule's guard band accepts.
    for (w_over_expanded, bound) in [(1.0, 0.025), (0.83, 0.05), (1.5, 0.0016)] {
        assert!(guard_band(bound) < k * w_over_expanded);
        assert!(guard_band(risk(w_over_expanded)) > k * w_over_expanded - 1e-9);
    }
}

/// A production of normal values, each measured with a normal error, accepted within limits.
struct Production {
    mean: f64,
    sd: f64,
    u: f64,
}

impl Production {
    /// What a measured value says of the item, the production being known (JCGM 106, 6.2).
    fn after(&self, measured: f64) -> Estimate {
        let (prior, error) = (self.sd.powi(-2), self.u.powi(-2));
        let total = prior + error;
        exact((prior * self.mean + error * measured) / total, total.powf(-0.5))
    }

    /// Density of the measured values.
    fn density(&self, measured: f64) -> f64 {
        let sd = self.sd.hypot(self.u);
        normal().pdf((measured - self.mean) / sd) / sd
    }

    /// Global risks: accepted though out of tolerance, rejected though within.
    fn risks(&self, tolerance: Limits, accepted: Limits) -> (f64, f64) {
        let conforming = |y: f64| conformance(self.after(y), tolerance).1;
        let reach = 12.0 * self.sd.hypot(self.u);
        let consumer =
            simpson(accepted.low, accepted.high, |y| (1.0 - conforming(y)) * self.density(y));
        let rejected = |from, to| simpson(from, to, |y| conforming(y) * self.density(y));
        let producer =
            rejected(self.mean - reach, accepted.low) + rejected(accepted.high, self.mean + reach);
        (consumer, producer)
    }
}

fn simpson(from: f64, to: f64, of: impl Fn(f64) -> f64) -> f64 {
    const PANELS: u32 = 2000;
    let step = (to - from) / f64::from(PANELS);
    let sum: f64 = (0..=PANELS)
        .map(|i| {
            let weight = match i {
                0 | PANELS => 1.0,
                odd if odd % 2 == 1 => 4.0,
                _ => 2.0,
            };
            weight * of(from + f64::from(i) * step)
        })
        .sum();
    sum * step / 3.0
}

/// JCGM 106:2012, 9.5, precision resistors, risks from memory; and the same shape with the unit
/// free numbers of a published program.
#[test]
fn jcgm_106_global_risks() {
    let check = reference("C03-jcgm106-resistors-global-risk");
    let inputs = &check["inputs"];
    let limits = |key: &str| Limits { low: number(&inputs[key][0]), high: number(&inputs[key][1]) };
    let mean = number(&inputs["process"]["mean"]);
    let sd = number(&inputs["process"]["sd"]);
    let resistors = Production { mean, sd, u: number(&inputs["u_m"]) };
    let (below, _, above) = conformance(exact(mean, sd), limits("T"));
    expect(&check, "fraction non-conforming", below + above);
    let (consumer, producer) = resistors.risks(limits("T"), limits("A"));
    expect(&check, "R_C", consumer);
    expect(&check, "R_P", producer);

    let other = Production { mean: 9.5, sd: 0.3, u: 0.1 };
    let tolerance = Limits { low: 9.0, high: 10.0 };
    let (consumer, producer) = other.risks(tolerance, tolerance);
    let name = "same shape, mean 9.5 sd 0.3 T 9..10 u_m 0.1 simple acceptance: PFA";
    expect(&check, name, consumer);
    expect(&check, "same, PFR", producer);
}

/// Few degrees of freedom: the tails of Student's t, by JCGM 100, table G.2. At `t_0.90(10)`
/// above the lower limit 5 % lie below it.
#[test]
fn few_degrees_of_freedom_widen_the_guard_band() {
    let check = reference("G05-gum-table-g2-t-factors");
    let limits = Limits { low: 54.0, high: 1e6 };
    let published = check["expected"].as_array().expect("a list");
    let entry = published.iter().find(|e| e["name"] == "t_0.90(10)").expect("an entry");
    let factor = number(&entry["value"]);
    let open = Estimate { value: limits.low + factor, u: 1.0, dof: 10.0 };
    // Half a unit of the factor's last digit, times the density there, is 5e-4.
    assert!((conformance(open, limits).0 - 0.05).abs() < 1e-3);
    assert!(normal().cdf(-factor) < 0.04);
}
