//! One change of level in a history.

use serde::{Deserialize, Serialize};

use super::least_squares::{Fit, fit};
use super::nodes::grid;
use super::null::{NullConfig, of_the_largest};
use super::ordered::Ordered;
use super::posterior::{Explanations, Integrated, Place, PlacePrior, credible};
use crate::base::channel::enough;
use crate::base::error::positive;
use crate::base::line::{Excess, LineConfig};
use crate::base::{Error, Estimate, Result};
use crate::drift::history::confidence;

/// Fewest tests among which a change of level can be told from a drift.
pub const FEWEST_FOR_A_CHANGE: usize = 5;

/// How one change is looked for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OneChangeConfig {
    /// The p-value is that of a shift on top of a straight-line drift; else of a shift of a level.
    pub beside_drift: bool,
    /// Fewest tests on either side of a change. One test alone could as well be an outlier.
    pub fewest: usize,
    /// Probability that the dates of the change hold.
    pub confidence: f64,
    /// Shift and drift that are expected, in typical standard deviations of a test.
    pub width: f64,
    /// Probabilities of the four explanations beforehand; any positive weights.
    pub prior: Explanations,
    /// Probability of each place beforehand.
    pub place: PlacePrior,
    /// Excess variance and degrees of freedom.
    pub line: LineConfig,
    /// Simulation behind the p-value.
    pub null: NullConfig,
}

impl Default for OneChangeConfig {
    fn default() -> Self {
        Self {
            beside_drift: false,
            fewest: 2,
            confidence: 0.95,
            width: 1.0,
            prior: Explanations { none: 0.25, shift: 0.25, drift: 0.25, drift_and_shift: 0.25 },
            place: PlacePrior::default(),
            line: LineConfig::default(),
            null: NullConfig::default(),
        }
    }
}

/// The most probable change of level of a history; whether there is one the probabilities say.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OneChange {
    /// Number of tests.
    pub n: usize,
    /// Largest gain of log likelihood over all places; where no uncertainty is stated, the largest
    /// share of the squares that a shift explains.
    pub statistic: f64,
    /// Probability of so large a gain at the best of all places without a change.
    pub p_value: f64,
    /// How probable each explanation is.
    pub explanations: Explanations,
    /// Every place considered, in the order of dates.
    pub places: Vec<Place>,
    /// The most probable place.
    pub best: Place,
    /// The change lies after this date ...
    pub after: f64,
    /// ... and before this one, with at least the confidence asked for, if there is one.
    pub before: f64,
    /// Indices into `places` of those that hold the confidence: the credible set. Only they count
    /// where it has holes.
    pub credible: Vec<usize>,
    /// Probability of the credible set.
    pub credible_probability: f64,
    /// New level minus old one, averaged over the places and over with and without drift.
    pub size: Estimate,
    /// Excess variance at the most probable place, unit of the values squared.
    pub excess_variance: f64,
}

impl OneChange {
    /// Probability that the level shifted, with or without a drift.
    pub fn probability(&self) -> f64 {
        self.explanations.shift + self.explanations.drift_and_shift
    }
}

/// Looks for one change of level in a history, beside a drift or not.
///
/// `v = level + slope t + size [t after the change] + e`, the variance of `e` being the test's own
/// `u²` plus an excess between tests. Places are those between two dates with `fewest` tests or
/// more on either side; dates may repeat and stand in any order and unit.
///
/// *p-value.* The likelihood ratio of the best place, the excess at its best with and without the
/// change, against that of simulated histories of the same dates and uncertainties without one. It
/// allows for the choice among all places; exact where no uncertainty is stated (`u` all zero), up
/// to the estimate of the excess otherwise: of histories of 5 to 20 tests without a change up to 7 %
/// fall below 5 % where the excess is large and `u` uneven, and 0 to 4 % where there is no excess
/// (measured; the tests hold it to 8 %).
///
/// *Probabilities.* Integrated likelihoods: flat level; shift, and drift from the first test to the
/// last, zero plus `width` typical standard deviations of a test times a bivariate Cauchy (Zellner
/// and Siow); excess standard deviation half-Cauchy with the typical stated uncertainty as its
/// scale (Gelman), or `dσ/σ` where none is stated. Priors of the explanations and places by
/// [`OneChangeConfig`].
///
/// *Size.* Weighted least squares at each place and explanation, averaged with their probabilities;
/// its variance is the mean variance plus the variance of the means. Degrees of freedom are those
/// at the most probable place. In a history that shows no clear change it is as a rule too large:
/// the places were chosen to make it so.
///
/// Sources: A. Zellner and A. Siow, in *Bayesian Statistics* (Valencia, 1980) 585-603; A. Gelman,
/// Bayesian Anal. 1 (2006) 515-534; J. Besag and P. Clifford, Biometrika 78 (1991) 301-304.
///
/// # Errors
///
/// [`Error::LengthMismatch`]; [`Error::NotFinite`]; [`Error::TooFewSamples`] under 5 tests, with all
/// dates equal or no place for a change; [`Error::BadValue`] for a bad uncertainty or option, or
/// where `u` is zero and nothing scatters within the levels.
///
/// ```
/// use deadband::drift::change_point::{OneChangeConfig, one_change};
/// let year = [0.0, 1.1, 2.0, 3.2, 3.9, 5.0, 6.1, 7.0];
/// let open_pa = [60.1, 59.9, 60.0, 60.2, 57.6, 57.3, 57.5, 57.4];
/// let found = one_change(&year, &open_pa, &[0.2; 8], &OneChangeConfig::default())?;
/// assert!(found.p_value < 0.01 && found.explanations.drift < 0.05);
/// assert_eq!((found.after, found.before), (3.2, 3.9));
/// assert!((found.size.value + 2.6).abs() < found.size.u);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn one_change(
    times: &[f64],
    values: &[f64],
    u: &[f64],
    config: &OneChangeConfig,
) -> Result<OneChange> {
    confidence(config.confidence)?;
    let width = positive("the expected shift over the standard deviation of a test", config.width)?;
    check_prior(&config.prior)?;
    let history = Ordered::new(times, values, u)?;
    enough("tests among which to look for a change", history.len(), FEWEST_FOR_A_CHANGE)?;
    let places = history.places(config.fewest)?;
    let line = history.scaled(&config.line);
    let integrated = Integrated::new(&history, &places, line.excess, width, config.place)?;
    let weights = integrated.places(&config.prior);
    let probability: Vec<f64> = weights.iter().map(|w| (w.0 + w.1).clamp(0.0, 1.0)).collect();
    let (set, credible_probability) = credible(&probability, config.confidence);
    let (size, excess) = average(&history, &places, &weights, &line)?;
    let (statistic, p_value) = test(&history, &places, &line, config)?;
    let place = |j: usize| Place {
        tests_before: places[j],
        after: history.times[places[j] - 1],
        before: history.times[places[j]],
        probability: probability[j],
    };
    let list: Vec<Place> = (0..places.len()).map(place).collect();
    let ends = (set[0], set[set.len() - 1]);
    let found = OneChange {
        n: history.len(),
        statistic,
        p_value,
        explanations: integrated.explanations(&config.prior),
        best: list[most(&probability)],
        after: list[ends.0].after,
        before: list[ends.1].before,
        places: list,
        credible: set,
        credible_probability,
        size: history.size(size),
        excess_variance: excess * history.scale * history.scale,
    };
    found.in_range()
}

fn most(values: &[f64]) -> usize {
    (0..values.len()).rev().max_by(|&a, &b| values[a].total_cmp(&values[b])).unwrap_or(0)
}

fn check_prior(prior: &Explanations) -> Result<()> {
    let what = "the prior weight of an explanation";
    for weight in [prior.none, prior.shift, prior.drift, prior.drift_and_shift] {
        positive(what, weight)?;
    }
    Ok(())
}

/// Explanations of less than this part of the probability are left out of the average.
const NEGLIGIBLE: f64 = 1e-6;

fn average(
    history: &Ordered,
    places: &[usize],
    weights: &[(f64, f64)],
    line: &LineConfig,
) -> Result<(Estimate, f64)> {
    let ones = vec![1.0; history.len()];
    let largest = weights.iter().map(|w| w.0.max(w.1)).fold(0.0, f64::max);
    let mut found: Vec<(f64, Fit)> = Vec::new();
    for (&place, &(shift, both)) in places.iter().zip(weights) {
        let step = history.step(place);
        let mut columns = vec![ones.clone(), step, history.reach.clone()];
        if both >= NEGLIGIBLE * largest {
            match fit(&columns, &history.y, &history.u, line) {
                Ok(one) => found.push((both, one)),
                // Two dates only: drift and shift are the same.
                Err(Error::TooFewSamples { .. }) => {}
                Err(error) => return Err(error),
            }
        }
        columns.truncate(2);
        let one = fit(&columns, &history.y, &history.u, line)?;
        if shift >= NEGLIGIBLE * largest {
            found.push((shift, one));
        }
    }
    let total: f64 = found.iter().map(|f| f.0).sum();
    let top = most(&found.iter().map(|f| f.0).collect::<Vec<f64>>());
    let Some((_, best)) = found.get(top) else {
        return Err(Error::TooFewSamples { what: "distinct dates", found: 2, needed: 3 });
    };
    let mean = |value: &dyn Fn(Estimate) -> f64| {
        found.iter().map(|(w, f)| w / total * value(f.coefficient(1))).sum::<f64>()
    };
    let value = mean(&|e| e.value);
    let variance = mean(&|e| e.u * e.u + (e.value - value) * (e.value - value));
    Ok((Estimate { value, u: variance.sqrt(), dof: best.dof }, best.excess))
}

fn test(
    history: &Ordered,
    places: &[usize],
    line: &LineConfig,
    config: &OneChangeConfig,
) -> Result<(f64, f64)> {
    let free = history.unknown && matches!(line.excess, Excess::PauleMandel | Excess::Reml);
    let mut columns = vec![vec![1.0; history.len()]];
    if config.beside_drift {
        columns.push(history.reach.clone());
    }
    let null = fit(&columns, &history.y, &history.u, line)?;
    let sd: Vec<f64> = history.u.iter().map(|u| (u * u + null.excess).sqrt()).collect();
    let nodes = grid(history, line.excess, places)?;
    of_the_largest(&nodes, places, history, &sd, (config.beside_drift, free), &config.null)
}

impl OneChange {
    /// Refuses what leaves the range of double precision.
    fn in_range(self) -> Result<Self> {
        let e = &self.explanations;
        let numbers = [e.none, e.shift, e.drift, e.drift_and_shift, self.size.value, self.p_value];
        if numbers.iter().all(|v| v.is_finite()) && self.size.u > 0.0 && self.size.u.is_finite() {
            return Ok(self);
        }
        let (what, value) = ("the uncertainty of the shift", self.size.u);
        Err(Error::BadValue { what, value, must: "finite and above zero; mind the units" })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn quick() -> OneChangeConfig {
        let null = NullConfig { draws: 99, seed: 1 };
        OneChangeConfig { null, ..OneChangeConfig::default() }
    }

    #[test]
    fn short_equal_and_broken_histories_are_errors() {
        let config = OneChangeConfig::default();
        for n in 0..5_usize {
            let times: Vec<f64> = (0..n).map(|i| i as f64).collect();
            let found = one_change(&times, &times, &vec![1.0; n], &config);
            assert!(matches!(found, Err(Error::TooFewSamples { .. })));
        }
        let times = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
        let equal_dates = one_change(&[2.0; 6], &times, &[1.0; 6], &config);
        assert!(matches!(equal_dates, Err(Error::TooFewSamples { found: 1, .. })));
        let exact = [60.0, 60.0, 60.0, 58.0, 58.0, 58.0];
        let silent = one_change(&times, &exact, &[0.0; 6], &config);
        assert!(matches!(silent, Err(Error::BadValue { .. })), "{silent:?}");
        let equal = one_change(&times, &[60.0; 6], &[0.0; 6], &config);
        assert!(matches!(equal, Err(Error::BadValue { .. })));
        for config in [
            OneChangeConfig { confidence: 1.0, ..config },
            OneChangeConfig { width: 0.0, ..config },
            OneChangeConfig { fewest: 0, ..config },
            OneChangeConfig { prior: Explanations { none: f64::NAN, ..config.prior }, ..config },
        ] {
            assert!(one_change(&times, &exact, &[0.1; 6], &config).is_err());
        }
    }

    #[test]
    fn equal_values_with_stated_uncertainties_show_no_change() {
        let times = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
        let found = one_change(&times, &[60.0; 6], &[0.2; 6], &quick()).expect("valid");
        let e = found.explanations;
        assert!(e.none > e.shift.max(e.drift).max(e.drift_and_shift), "{e:?}");
        assert_eq!(found.p_value, 1.0);
        assert_eq!(found.size.value, 0.0);
    }

    #[test]
    fn a_straight_drift_is_no_shift_and_a_shift_no_drift() {
        let times: Vec<f64> = (0..12).map(f64::from).collect();
        let noise = [0.1, -0.1, 0.05, -0.15, 0.2, -0.05, 0.0, 0.1, -0.1, 0.15, -0.1, -0.1];
        let line: Vec<f64> = times.iter().zip(noise).map(|(t, e)| 60.0 - 0.5 * t + e).collect();
        let drift = one_change(&times, &line, &[0.12; 12], &quick()).expect("valid");
        assert!(drift.explanations.drift > 0.8, "{:?}", drift.explanations);
        // Against a level alone even a drift looks like a change; beside a drift there is none.
        assert!(drift.p_value <= 0.01);
        let config = OneChangeConfig { beside_drift: true, ..quick() };
        let beside = one_change(&times, &line, &[0.12; 12], &config).expect("valid");
        assert!(beside.p_value > 0.1, "{}", beside.p_value);
        let step: Vec<f64> = (0..12).map(|i| noise[i] + if i < 7 { 60.0 } else { 58.5 }).collect();
        let shift = one_change(&times, &step, &[0.12; 12], &config).expect("valid");
        assert!(shift.explanations.shift > 0.75 && shift.p_value <= 0.01, "{shift:?}");
        assert_eq!((shift.best.tests_before, shift.after, shift.before), (7, 6.0, 7.0));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        #[test]
        fn unit_origin_and_order_change_nothing_and_probabilities_add_up(
            rows in prop::collection::vec((-10.0f64..10.0, 0.1f64..3.0), 5..12),
            shift in -1e3f64..1e3, scale in 1e-3f64..1e3, stated in any::<bool>(),
        ) {
            let times: Vec<f64> = (0..rows.len()).map(|i| i as f64 * 0.7).collect();
            let values: Vec<f64> = rows.iter().map(|r| r.0).collect();
            let u: Vec<f64> = rows.iter().map(|r| if stated { r.1 } else { 0.0 }).collect();
            let found = one_change(&times, &values, &u, &quick()).expect("valid");
            let e = found.explanations;
            prop_assert!((e.none + e.shift + e.drift + e.drift_and_shift - 1.0).abs() < 1e-9);
            prop_assert!((found.places.iter().map(|p| p.probability).sum::<f64>() - 1.0).abs() < 1e-9);
            prop_assert!(found.credible_probability >= 0.95 && found.after < found.before);
            let back = |v: &[f64]| v.iter().rev().copied().collect::<Vec<f64>>();
            let other = |v: &[f64], a: f64, b: f64| v.iter().map(|v| a * v + b).collect::<Vec<f64>>();
            let moved = one_change(
                &back(&other(&times, scale, shift)),
                &back(&other(&values, scale, shift)),
                &back(&other(&u, scale, 0.0)),
                &quick(),
            ).expect("valid");
            prop_assert!((moved.explanations.shift - e.shift).abs() < 1e-6);
            prop_assert!((moved.size.value / scale - found.size.value).abs() < 1e-5 * found.size.u);
            prop_assert!((moved.p_value - found.p_value).abs() < 0.011);
            prop_assert_eq!(moved.best.tests_before, found.best.tests_before);
        }
    }
}
