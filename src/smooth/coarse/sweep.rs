//! Expectation propagation along one stretch.

use super::nodes::Node;
use super::site::Site;
use crate::base::order::extremes;
use crate::smooth::path::Path;
use crate::smooth::state::State;

/// What the evidence is maximised over.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Parameters {
    /// `q`, Pa²/s³.
    pub(super) unsteadiness: f64,
    /// `σ²`, Pa².
    pub(super) noise: f64,
}

/// A stretch on its way. Each pass runs against the direction of the one before and makes every
/// site anew from what both directions say without it.
#[derive(Debug, Clone)]
pub(super) struct Chain {
    nodes: Vec<Node>,
    /// At each node what the last pass knew before it came there, time running its way.
    before: Vec<State>,
    /// What the pass that is under way knows after the node at `last`, s.
    state: State,
    last: f64,
    /// Next to nothing, where a pass begins.
    prior: State,
    /// A site of less precision tells nothing.
    least: f64,
    /// First and second derivative of the evidence by `ln σ`, at the last pass.
    pub(super) noise_told: (f64, f64),
}

/// One pass over all chains. Each waits for what it knew at its last node; taken in turn they fill one
/// another's wait.
pub(super) fn pass(chains: &mut [Chain], with: Parameters) {
    chains.iter_mut().for_each(Chain::turn);
    let longest = chains.iter().map(|chain| chain.nodes.len()).max().unwrap_or_default();
    for place in 0..longest {
        for chain in &mut *chains {
            chain.step(place, with);
        }
    }
}

impl Chain {
    /// `None` for fewer nodes than a path needs.
    pub(super) fn new(mut nodes: Vec<Node>, start: Parameters) -> Option<Self> {
        const FEWEST: usize = 4;
        if nodes.len() < FEWEST {
            return None;
        }
        let step = nodes[0].interval.width();
        let precision = 1.0 / (start.noise + step * step / 12.0);
        for node in &mut nodes {
            node.site = Site { precision, shift: precision * node.interval.centre() };
        }
        let centres: Vec<f64> = nodes.iter().map(|node| node.interval.centre()).collect();
        let (low, high) = extremes(&centres);
        let interval = (nodes[nodes.len() - 1].time - nodes[0].time) / nodes.len() as f64;
        let broad = 100.0 * (high - low + step);
        let (var_value, var_rate) = (broad.powi(2), (broad / interval).powi(2));
        let prior = State { value: centres[0], rate: 0.0, var_value, cov: 0.0, var_rate };
        let before = Vec::with_capacity(nodes.len());
        let least = 1e-9 / (step * step);
        let (mut state, mut last) = (prior, nodes[0].time);
        let mut chain = Self { nodes, before, state, last, prior, least, noise_told: (0.0, 0.0) };
        for node in &chain.nodes {
            state = state.predict(node.time - last, start.unsteadiness);
            last = node.time;
            chain.before.push(state);
            state = node.seen_by(state, chain.least);
        }
        Some(chain)
    }

    /// Turns round for the next pass.
    fn turn(&mut self) {
        self.nodes.reverse();
        self.before.reverse();
        self.noise_told = (0.0, 0.0);
        self.state = State { value: self.nodes[0].interval.centre(), ..self.prior };
        self.last = self.nodes[0].time;
    }

    /// The pass at one node.
    fn step(&mut self, place: usize, with: Parameters) {
        let Some((node, before)) = self.nodes.get_mut(place).zip(self.before.get_mut(place)) else {
            return;
        };
        let state = self.state.predict((node.time - self.last).abs(), with.unsteadiness);
        self.last = node.time;
        let (mean, variance) = state.value_with(&before.reversed());
        // All readings of a node but one belong to what is known without that one.
        let others = node.count - 1.0;
        let known = 1.0 / variance;
        let variance = 1.0 / (known + others * node.site.precision);
        let mean = (mean * known + others * node.site.shift) * variance;
        let (site, told) = node.interval.site(mean, variance, with.noise);
        node.site = site;
        self.noise_told.0 += node.count * told.noise_slope;
        self.noise_told.1 += node.count * told.noise_curvature;
        *before = state;
        self.state = node.seen_by(state, self.least);
    }

    /// Adds the log likelihood of the sites, taken as readings, at several values of the
    /// unsteadiness, which are taken side by side.
    pub(super) fn add_unsteadiness_told<const LANES: usize>(
        &self,
        q: [f64; LANES],
        told: &mut [f64; LANES],
    ) {
        /// The product of the variances is turned into a logarithm before it leaves this range.
        const LARGE: f64 = 1e100;
        let mut value = [self.nodes[0].interval.centre(); LANES];
        let [mut rate, mut cov, mut squares] = [[0.0; LANES]; 3];
        let mut var_value = [self.prior.var_value; LANES];
        let mut var_rate = [self.prior.var_rate; LANES];
        let mut products = [1.0_f64; LANES];
        let mut last = self.nodes[0].time;
        for node in &self.nodes {
            let Some((centre, noise)) = node.reading(self.least) else {
                continue;
            };
            let h = (node.time - last).abs();
            last = node.time;
            let (half, third) = (h * h / 2.0, h * h * h / 3.0);
            for lane in 0..LANES {
                let with_rate = cov[lane] + h * var_rate[lane];
                let ahead = var_value[lane] + h * (cov[lane] + with_rate) + q[lane] * third;
                let with_rate = with_rate + q[lane] * half;
                let total = ahead + noise;
                let inverse = 1.0 / total;
                let expected = value[lane] + h * rate[lane];
                let error = centre - expected;
                let weighted = error * inverse;
                value[lane] = expected + ahead * weighted;
                rate[lane] += with_rate * weighted;
                let rate_gain = with_rate * inverse;
                var_value[lane] = noise * ahead * inverse;
                cov[lane] = noise * rate_gain;
                var_rate[lane] += q[lane] * h - with_rate * rate_gain;
                squares[lane] += error * weighted;
                products[lane] *= total;
            }
            if products.iter().any(|&product| !(1.0 / LARGE..LARGE).contains(&product)) {
                for (told, product) in told.iter_mut().zip(&mut products) {
                    *told -= 0.5 * product.ln();
                    *product = 1.0;
                }
            }
        }
        for lane in 0..LANES {
            told[lane] -= 0.5 * (squares[lane] + products[lane].ln());
        }
    }

    /// The path through the sites, known between two instants (s).
    pub(super) fn path(&mut self, q: f64, instants: (f64, f64)) -> Option<Path<'static>> {
        if self.nodes[0].time > self.nodes[self.nodes.len() - 1].time {
            self.nodes.reverse();
            self.before.reverse();
        }
        let last = self.nodes.len() - 1;
        let (mut time, mut y, mut noise) = (Vec::new(), Vec::new(), Vec::new());
        for (index, node) in self.nodes.iter().enumerate() {
            // The path reaches from the first node to the last, whatever these tell.
            let nothing = (node.interval.centre(), 1.0 / self.least);
            let end = index == 0 || index == last;
            if let Some((centre, variance)) = node.reading(self.least).or(end.then_some(nothing)) {
                time.push(node.time);
                y.push(centre);
                noise.push(variance);
            }
        }
        Path::weighted_between(time, y, noise, q, instants).ok()
    }
}

impl Node {
    /// The sites of a node as one reading and its variance; `None` where they tell nothing.
    fn reading(&self, least: f64) -> Option<(f64, f64)> {
        let precision = self.count * self.site.precision;
        (precision > least).then(|| (self.site.shift / self.site.precision, 1.0 / precision))
    }

    fn seen_by(&self, state: State, least: f64) -> State {
        self.reading(least).map_or(state, |(centre, noise)| state.update(centre, 0.0, noise))
    }
}
