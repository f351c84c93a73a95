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
    /// Next to nothing, where a pass begins.
    prior: State,
    /// A site of less precision tells nothing.
    least: f64,
    /// First and second derivative of the evidence by `ln σ`, at the last pass.
    pub(super) noise_told: (f64, f64),
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
        let mut chain = Self { nodes, before, prior, least, noise_told: (0.0, 0.0) };
        let (mut state, mut last) = (chain.prior, chain.nodes[0].time);
        for node in &chain.nodes {
            state = state.predict(node.time - last, start.unsteadiness);
            last = node.time;
            chain.before.push(state);
            state = node.seen_by(state, chain.least);
        }
        Some(chain)
    }

    /// One pass.
    pub(super) fn pass(&mut self, with: Parameters) {
        self.nodes.reverse();
        self.before.reverse();
        self.noise_told = (0.0, 0.0);
        let mut state = State { value: self.nodes[0].interval.centre(), ..self.prior };
        let mut last = self.nodes[0].time;
        for (node, before) in self.nodes.iter_mut().zip(&mut self.before) {
            state = state.predict((node.time - last).abs(), with.unsteadiness);
            last = node.time;
            let (mean, variance) = state.value_with(&before.reversed());
            // All readings of a node but one belong to what is known without that one.
            let others = node.count - 1.0;
            let precision = 1.0 / variance + others * node.site.precision;
            let mean = (mean / variance + others * node.site.shift) / precision;
            let (site, told) = node.interval.site(mean, 1.0 / precision, with.noise);
            node.site = site;
            self.noise_told.0 += node.count * told.noise_slope;
            self.noise_told.1 += node.count * told.noise_curvature;
            *before = state;
            state = node.seen_by(state, self.least);
        }
    }

    /// Adds the log likelihood of the sites, taken as readings, at four values of the
    /// unsteadiness.
    pub(super) fn add_unsteadiness_told(&self, q: [f64; 4], told: &mut [f64; 4]) {
        /// The product of the variances is turned into a logarithm before it leaves this range.
        const LARGE: f64 = 1e100;
        let mut states = [State { value: self.nodes[0].interval.centre(), ..self.prior }; 4];
        let mut products = [1.0_f64; 4];
        let mut last = self.nodes[0].time;
        for node in &self.nodes {
            let h = (node.time - last).abs();
            last = node.time;
            let reading = node.reading(self.least);
            for lane in 0..4 {
                let state = &mut states[lane];
                *state = state.predict(h, q[lane]);
                if let Some((centre, noise)) = reading {
                    let total = state.var_value + noise;
                    let error = centre - state.value;
                    told[lane] -= 0.5 * error * error / total;
                    products[lane] *= total;
                    *state = state.update(centre, 0.0, noise);
                }
            }
            if products.iter().any(|&product| !(1.0 / LARGE..LARGE).contains(&product)) {
                for (told, product) in told.iter_mut().zip(&mut products) {
                    *told -= 0.5 * product.ln();
                    *product = 1.0;
                }
            }
        }
        for (told, product) in told.iter_mut().zip(&products) {
            *told -= 0.5 * product.ln();
        }
    }

    /// The path through the sites, after one more pass.
    pub(super) fn path(&mut self, with: Parameters) -> Option<Path<'static>> {
        self.pass(with);
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
        Path::weighted(time, y, noise, with.unsteadiness).ok()
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
