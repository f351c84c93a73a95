//! What the weights of one excess variance make of a history: sums that every place shares.

use super::ordered::Ordered;
use crate::base::error::not_negative;
use crate::base::line::Excess;
use crate::base::{Error, Result};

/// Step of the grid of excess standard deviations, in natural logarithms.
const STEP: f64 = 0.3;
/// The grid begins at this part of the stated uncertainty and ends at this multiple of the scatter.
const LEAST: f64 = 0.1;
const MOST: f64 = 10.0;

/// The history weighted by `1/(u² + excess)`: sums of weights from each place on, about the
/// weighted mean of values and dates.
#[derive(Debug, Clone)]
pub(super) struct Node {
    pub(super) log_prior: f64,
    pub(super) weights: Vec<f64>,
    /// `Σ ln w / 2`.
    pub(super) log_weights: f64,
    pub(super) total: f64,
    /// Standard deviation of a typical test: one over the root of the mean weight.
    pub(super) sd: f64,
    pub(super) distance: Vec<f64>,
    /// `d'Wd`, `s'Wd` and `s'Ws` of dates `d` and step `s`, the level taken out.
    pub(super) dd: f64,
    pub(super) sd_cross: Vec<f64>,
    pub(super) ss: Vec<f64>,
}

/// The same sums with the values: `y'Wy`, `d'Wy` and `s'Wy` of every place.
#[derive(Debug, Clone, Default)]
pub(super) struct Sums {
    pub(super) yy: f64,
    pub(super) dy: f64,
    pub(super) sy: Vec<f64>,
}

impl Node {
    pub(super) fn new(reach: &[f64], variances: &[f64], places: &[usize], log_prior: f64) -> Self {
        let weights: Vec<f64> = variances.iter().map(|v| 1.0 / v).collect();
        let total: f64 = weights.iter().sum();
        let middle = weights.iter().zip(reach).map(|(w, t)| w * t).sum::<f64>() / total;
        let distance: Vec<f64> = reach.iter().map(|t| t - middle).collect();
        let dd = weights.iter().zip(&distance).map(|(w, d)| w * d * d).sum();
        let from = |place: usize| weights[place..].iter().sum::<f64>();
        let until = |place: usize| weights[..place].iter().sum::<f64>();
        let ss = places.iter().map(|&k| from(k) * (until(k) / total)).collect();
        let cross = |k: usize| weights[k..].iter().zip(&distance[k..]).map(|(w, d)| w * d).sum();
        let sd_cross = places.iter().map(|&k| cross(k)).collect();
        let log_weights = 0.5 * weights.iter().map(|w| w.ln()).sum::<f64>();
        let sd = (weights.len() as f64 / total).sqrt();
        Self { log_prior, weights, log_weights, total, sd, distance, dd, sd_cross, ss }
    }

    pub(super) fn sums(&self, y: &[f64], places: &[usize], sums: &mut Sums) {
        let rows = || self.weights.iter().zip(y);
        let mean = rows().map(|(w, y)| w * y).sum::<f64>() / self.total;
        sums.yy = rows().map(|(w, y)| w * (y - mean) * (y - mean)).sum();
        sums.dy = rows().zip(&self.distance).map(|((w, y), d)| w * d * (y - mean)).sum();
        sums.sy.clear();
        let (mut from, mut end) = (0.0, y.len());
        for &place in places.iter().rev() {
            let between = self.weights[place..end].iter().zip(&y[place..end]);
            from += between.map(|(w, y)| w * (y - mean)).sum::<f64>();
            end = place;
            sums.sy.push(from);
        }
        sums.sy.reverse();
    }
}

/// One node where the excess is given or nothing is stated, else a grid of excess standard
/// deviations whose prior is half of a Cauchy distribution about zero, its scale the typical stated
/// uncertainty (A. Gelman, Bayesian Anal. 1 (2006) 515-534).
pub(super) fn grid(history: &Ordered, excess: Excess, places: &[usize]) -> Result<Vec<Node>> {
    let at = |variance: f64, log_prior: f64| {
        let variances: Vec<f64> = history.u.iter().map(|u| u * u + variance).collect();
        Node::new(&history.reach, &variances, places, log_prior)
    };
    let given = match excess {
        Excess::None => Some(0.0),
        Excess::Known(variance) => Some(not_negative("the excess variance", variance)?),
        Excess::PauleMandel | Excess::Reml => None,
    };
    if let Some(variance) = given {
        if history.unknown && variance == 0.0 {
            return Err(super::ordered::NO_SCATTER);
        }
        if variance >= 1e12 || (history.unknown && variance < 1e-14) {
            let what = "the excess variance over the square of the scatter";
            return Err(Error::BadValue { what, value: variance, must: "near 1; mind the units" });
        }
        return Ok(vec![at(variance, 0.0)]);
    }
    if history.unknown {
        return Ok(vec![at(1.0, 0.0)]);
    }
    let n = history.len() as f64;
    let typical = (n / history.u.iter().map(|u| 1.0 / (u * u)).sum::<f64>()).sqrt();
    let below = |tau: f64| std::f64::consts::FRAC_2_PI * (tau / typical).atan();
    let half = (0.5 * STEP).exp();
    let mut nodes = vec![at(0.0, below(LEAST * typical / half).ln())];
    let mut tau = LEAST * typical;
    while tau < MOST {
        let next = if tau * STEP.exp() < MOST { below(tau * half) } else { 1.0 };
        nodes.push(at(tau * tau, (next - below(tau / half)).ln()));
        tau *= STEP.exp();
    }
    Ok(nodes)
}

/// The least of costs at the nodes of a [`grid`], by a parabola through it and its neighbours: the
/// nodes are so far apart that the least of them alone is off by more than one in long histories.
pub(super) fn least(costs: &[f64]) -> f64 {
    let at = (0..costs.len()).min_by(|&a, &b| costs[a].total_cmp(&costs[b])).unwrap_or(0);
    // The first node is no excess at all and no step of the grid from the second.
    if at < 2 || at + 1 >= costs.len() {
        return costs.get(at).copied().unwrap_or(f64::INFINITY);
    }
    let (left, right) = (costs[at - 1] - costs[at], costs[at + 1] - costs[at]);
    let bend = left + right;
    if bend > 0.0 { costs[at] - (left - right).powi(2) / (8.0 * bend) } else { costs[at] }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_least_cost_lies_between_the_nodes() {
        let cost = |x: f64| 3.0 + 2.0 * (x - 4.3).powi(2);
        let costs: Vec<f64> = (0..8).map(|x| cost(f64::from(x))).collect();
        assert!((least(&costs) - 3.0).abs() < 1e-12);
        assert_eq!(
            (least(&[1.0, 2.0, 3.0]), least(&[5.0]), least(&[3.0, 2.0, 1.0])),
            (1.0, 5.0, 1.0)
        );
        assert_eq!(least(&[4.0, 1.0, 2.0, 3.0]), 1.0);
    }

    #[test]
    fn the_prior_of_the_excess_adds_up_to_one() {
        let history = Ordered::new(&[0.0, 1.0, 2.0, 3.0], &[60.0, 61.0, 60.5, 58.0], &[0.3; 4]);
        let nodes = grid(&history.expect("valid"), Excess::Reml, &[2]).expect("valid");
        let total: f64 = nodes.iter().map(|n| n.log_prior.exp()).sum();
        assert!((total - 1.0).abs() < 1e-12 && nodes.len() > 10, "{total}");
    }

    #[test]
    fn the_sums_are_those_of_the_columns() {
        let times = [0.0, 1.0, 2.5, 3.0, 4.0];
        let u = [0.3, 0.2, 0.5, 0.4, 0.3];
        let history = Ordered::new(&times, &[60.0, 61.0, 60.5, 58.0, 57.0], &u).expect("valid");
        let places = [1, 2, 3, 4];
        let nodes = grid(&history, Excess::Known(0.01), &places).expect("valid");
        let node = &nodes[0];
        let mut sums = Sums::default();
        node.sums(&history.y, &places, &mut sums);
        let dot = |a: &[f64], b: &[f64]| {
            let w = &node.weights;
            let mean = |v: &[f64]| v.iter().zip(w).map(|(v, w)| v * w).sum::<f64>() / node.total;
            let (ma, mb) = (mean(a), mean(b));
            let rows = a.iter().zip(b).zip(w);
            rows.map(|((a, b), w)| w * (a - ma) * (b - mb)).sum::<f64>()
        };
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-9 * (1.0 + b.abs()), "{a} {b}");
        near(sums.yy, dot(&history.y, &history.y));
        near(sums.dy, dot(&history.reach, &history.y));
        near(node.dd, dot(&history.reach, &history.reach));
        for (j, &k) in places.iter().enumerate() {
            let step = history.step(k);
            near(node.ss[j], dot(&step, &step));
            near(node.sd_cross[j], dot(&step, &history.reach));
            near(sums.sy[j], dot(&step, &history.y));
        }
    }
}
