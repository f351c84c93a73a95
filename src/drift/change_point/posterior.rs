//! How probable no change, a shift, a drift and both are, and where the shift lies.

use serde::{Deserialize, Serialize};

use super::nodes::{Node, Sums, grid};
use super::ordered::Ordered;
use crate::base::Result;
use crate::base::line::Excess;

/// Probabilities of the four explanations of a history; they add up to 1.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Explanations {
    /// One level throughout.
    pub none: f64,
    /// Two levels.
    pub shift: f64,
    /// A straight line.
    pub drift: f64,
    /// A straight line that is shifted at one place.
    pub drift_and_shift: f64,
}

/// How probable a change is beforehand at each place between two tests.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PlacePrior {
    /// In proportion to the time between the two tests: a change is as probable on one day as on
    /// another.
    #[default]
    ByTime,
    /// The same at every place.
    Equal,
}

/// A place between two tests.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// Number of tests before it, in the order of dates.
    pub tests_before: usize,
    /// Date of the last test before it.
    pub after: f64,
    /// Date of the first test behind it.
    pub before: f64,
    /// Probability that the change lies here, given that there is one.
    pub probability: f64,
}

/// Integrated likelihoods, natural logarithms up to a constant shared by all.
#[derive(Debug, Clone)]
pub(super) struct Integrated {
    none: f64,
    drift: f64,
    shift: Vec<f64>,
    both: Vec<f64>,
    place: Vec<f64>,
}

/// Sum of exponentials of numbers of any size.
#[derive(Debug, Clone, Copy)]
struct LogSum {
    top: f64,
    sum: f64,
}

impl LogSum {
    const NOTHING: Self = Self { top: f64::NEG_INFINITY, sum: 0.0 };

    fn add(&mut self, log: f64) {
        if log <= self.top {
            self.sum += (log - self.top).exp();
        } else if log > f64::NEG_INFINITY {
            self.sum = self.sum * (self.top - log).exp() + 1.0;
            self.top = log;
        }
    }

    fn log(self) -> f64 {
        self.top + self.sum.ln()
    }
}

/// Scales of the effects with the logarithms of their weights, up to well beyond `largest`. With `z`
/// standard normal, `1/|z|` times a normal number is Cauchy distributed; the trapezoidal rule over
/// the logarithm of the scale is exact to many digits for so smooth a density.
fn scales(largest: f64) -> impl Iterator<Item = (f64, f64)> {
    const STEP: f64 = 0.4;
    const FIRST: f64 = -1.6;
    let constant = STEP.ln() + 0.5 * std::f64::consts::FRAC_2_PI.ln();
    let end = largest.max(1.0).ln() + 5.0;
    (0..=200).map(|k| FIRST + STEP * f64::from(k)).take_while(move |&log| log <= end).map(
        move |log| {
            let inverse = (-log).exp();
            (log.exp(), constant - 0.5 * inverse * inverse - log)
        },
    )
}

impl Integrated {
    /// Integrates over level, effects and excess.
    ///
    /// Level: flat. Shift and drift from the first test to the last: zero plus `width` typical
    /// standard deviations of a test times a bivariate Cauchy (A. Zellner and A. Siow, 1980; for a
    /// single effect the prior of H. Jeffreys, *Theory of Probability*, 3rd ed. 1961, section 5.2).
    /// Excess: see [`grid`]; where nothing is stated, `dσ/σ`, in closed form.
    pub(super) fn new(
        history: &Ordered,
        places: &[usize],
        excess: Excess,
        width: f64,
        prior: PlacePrior,
    ) -> Result<Self> {
        let nodes = grid(history, excess, places)?;
        let free = history.unknown && matches!(excess, Excess::PauleMandel | Excess::Reml);
        let exponent = free.then(|| 0.5 * (history.len() as f64 - 1.0));
        let count = places.len();
        let mut none = LogSum::NOTHING;
        let mut drift = LogSum::NOTHING;
        let (mut shift, mut both) = (vec![LogSum::NOTHING; count], vec![LogSum::NOTHING; count]);
        let mut sums = Sums::default();
        for node in &nodes {
            node.sums(&history.y, places, &mut sums);
            let base = node.log_prior + node.log_weights - 0.5 * node.total.ln();
            // With the variance integrated out, what an effect explains counts by its share.
            let log = |gain: f64| match exponent {
                Some(power) => -power * (sums.yy - gain).max(f64::MIN_POSITIVE).ln(),
                None => base - 0.5 * (sums.yy - gain),
            };
            none.add(log(0.0));
            let unit = if free { least_scatter(node, &sums) } else { node.sd };
            for (scale, weight) in scales(2.0 / (width * unit)) {
                let size = scale * width * node.sd;
                let inverse = 1.0 / (size * size);
                let dd = node.dd + inverse;
                let line = sums.dy * sums.dy / dd;
                drift.add(weight + log(line) - 0.5 * (dd / inverse).ln());
                for j in 0..count {
                    let ss = node.ss[j] + inverse;
                    let gain = sums.sy[j] * sums.sy[j] / ss;
                    shift[j].add(weight + log(gain) - 0.5 * (ss / inverse).ln());
                    let rest = ss - node.sd_cross[j] * node.sd_cross[j] / dd;
                    let left = sums.sy[j] - node.sd_cross[j] * sums.dy / dd;
                    let det = (dd / inverse) * (rest / inverse);
                    both[j].add(weight + log(line + left * left / rest) - 0.5 * det.ln());
                }
            }
        }
        let gap = |&k: &usize| match prior {
            PlacePrior::ByTime => history.times[k] - history.times[k - 1],
            PlacePrior::Equal => 1.0,
        };
        let largest = places.iter().map(gap).fold(0.0, f64::max);
        let total: f64 = places.iter().map(|k| gap(k) / largest).sum();
        let logs = |list: &[LogSum]| list.iter().map(|s| s.log()).collect::<Vec<f64>>();
        Ok(Self {
            none: none.log(),
            drift: drift.log(),
            shift: logs(&shift),
            both: logs(&both),
            place: places.iter().map(|k| gap(k) / largest / total).collect(),
        })
    }

    /// Likelihood times prior of every place, without and with drift, over the largest of all.
    fn relative(&self, prior: &Explanations) -> (f64, f64, Vec<(f64, f64)>) {
        let everything = self.shift.iter().chain(&self.both).chain([&self.none, &self.drift]);
        let top = everything.fold(f64::NEG_INFINITY, |a, &b| a.max(b));
        let each = |j: usize| {
            let place = self.place[j];
            let shift = prior.shift * place * (self.shift[j] - top).exp();
            (shift, prior.drift_and_shift * place * (self.both[j] - top).exp())
        };
        let places = (0..self.place.len()).map(each).collect();
        (prior.none * (self.none - top).exp(), prior.drift * (self.drift - top).exp(), places)
    }

    /// Probabilities of the four explanations.
    pub(super) fn explanations(&self, prior: &Explanations) -> Explanations {
        let (none, drift, places) = self.relative(prior);
        let shift: f64 = places.iter().map(|p| p.0).sum();
        let both: f64 = places.iter().map(|p| p.1).sum();
        let total = none + drift + shift + both;
        Explanations {
            none: none / total,
            shift: shift / total,
            drift: drift / total,
            drift_and_shift: both / total,
        }
    }

    /// Probability of each place, without and with drift, given that there is a shift; they add up
    /// to 1.
    pub(super) fn places(&self, prior: &Explanations) -> Vec<(f64, f64)> {
        // A history may be so much better explained without that the rest is zero beside it.
        let changed = Self { none: f64::NEG_INFINITY, drift: f64::NEG_INFINITY, ..self.clone() };
        let (_, _, places) = changed.relative(prior);
        let total: f64 = places.iter().map(|p| p.0 + p.1).sum();
        places.iter().map(|p| (p.0 / total, p.1 / total)).collect()
    }
}

/// Standard deviation of what the best line with a step leaves, so that the scales reach far enough.
fn least_scatter(node: &Node, sums: &Sums) -> f64 {
    let line = sums.dy * sums.dy / node.dd;
    let explained = |j: usize| {
        let rest = node.ss[j] - node.sd_cross[j] * node.sd_cross[j] / node.dd;
        let left = sums.sy[j] - node.sd_cross[j] * sums.dy / node.dd;
        let both = if rest > 1e-9 * node.ss[j] { line + left * left / rest } else { line };
        both.max(sums.sy[j] * sums.sy[j] / node.ss[j])
    };
    let most = (0..sums.sy.len()).map(explained).fold(line, f64::max);
    ((sums.yy - most) / node.weights.len() as f64).max(1e-16).sqrt()
}

/// Places that together hold `confidence`, the most probable first, and what they hold: a credible
/// set; indices into `probability`.
pub(super) fn credible(probability: &[f64], confidence: f64) -> (Vec<usize>, f64) {
    let mut order: Vec<usize> = (0..probability.len()).collect();
    order.sort_by(|&a, &b| probability[b].total_cmp(&probability[a]));
    let mut held = 0.0;
    let mut set = Vec::new();
    for j in order {
        if held >= confidence {
            break;
        }
        held += probability[j];
        set.push(j);
    }
    set.sort_unstable();
    (set, held.min(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_credible_set_is_the_smallest_that_holds_enough() {
        assert_eq!(credible(&[0.1, 0.6, 0.3], 0.85), (vec![1, 2], 0.899_999_999_999_999_9));
        assert_eq!(credible(&[0.1, 0.6, 0.3], 0.5).0, [1]);
        assert_eq!(credible(&[1.0], 0.95), (vec![0], 1.0));
    }

    /// The Bayes factor of a shift at a given place with equal tests and nothing stated is that of
    /// the two-sample t-test with a Cauchy prior of the standardised difference: J. N. Rouder et
    /// al., Psychon. Bull. Rev. 16 (2009) 225-237, appendix, here integrated by the midpoint rule.
    #[test]
    fn a_given_place_is_the_bayesian_t_test() {
        let values = [60.2, 59.9, 60.4, 60.0, 59.1, 58.8, 59.3, 59.0, 58.6];
        let times: Vec<f64> = (0..9).map(f64::from).collect();
        let history = Ordered::new(&times, &values, &[0.0; 9]).expect("valid");
        let found = Integrated::new(&history, &[4], Excess::Reml, 1.0, PlacePrior::Equal);
        let found = found.expect("valid");
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let (a, b) = (mean(&values[..4]), mean(&values[4..]));
        let around = |v: &[f64], m: f64| v.iter().map(|x| (x - m).powi(2)).sum::<f64>();
        let pooled = (around(&values[..4], a) + around(&values[4..], b)) / 7.0;
        let size = 20.0 / 9.0;
        let t2 = (a - b).powi(2) / pooled * size;
        let count = 400_000;
        let mut against = 0.0;
        for i in 0..count {
            let x = (f64::from(i) + 0.5) / f64::from(count);
            let g: f64 = x / (1.0 - x);
            let prior =
                (2.0 * std::f64::consts::PI).sqrt().recip() * g.powf(-1.5) * (-0.5 / g).exp();
            let bulk = (1.0 + t2 / ((1.0 + size * g) * 7.0)).powf(-4.0);
            against += prior * bulk / (1.0 + size * g).sqrt() / (1.0 - x).powi(2);
        }
        let factor = against / f64::from(count) / (1.0 + t2 / 7.0).powf(-4.0);
        let ours = (found.shift[0] - found.none).exp();
        assert!((ours / factor - 1.0).abs() < 1e-3, "{ours} {factor}");
    }
}
