//! The best division of a history into levels, by dynamic programming.

use super::nodes::{Node, least};

/// A division: where each level but the first begins, and the weighted squares left.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Division {
    pub(super) places: Vec<usize>,
    pub(super) q: f64,
}

/// Which divisions are allowed.
#[derive(Debug, Clone)]
pub(super) struct Allowed {
    /// Whether a level may begin at this test.
    begins: Vec<bool>,
    fewest: usize,
    most: usize,
}

impl Allowed {
    /// Levels of `fewest` tests or more that begin with a new date, at most `most` changes, and two
    /// tests more than levels.
    pub(super) fn new(times: &[f64], fewest: usize, most: usize) -> Self {
        let n = times.len();
        let begins = (0..n).map(|i| i > 0 && times[i] > times[i - 1]).collect();
        let most = most.min((n / fewest).saturating_sub(1)).min(n.saturating_sub(3));
        Self { begins, fewest, most }
    }
}

/// A node with one over the weight of every level, which many histories share.
#[derive(Debug, Clone)]
pub(super) struct Table<'a> {
    node: &'a Node,
    inverse: Vec<f64>,
}

impl<'a> Table<'a> {
    pub(super) fn new(node: &'a Node) -> Self {
        let n = node.weights.len();
        let mut inverse = vec![0.0; (n + 1) * (n + 1)];
        for i in 0..n {
            let mut total = 0.0;
            for j in i..n {
                total += node.weights[j];
                inverse[i * (n + 1) + j + 1] = 1.0 / total;
            }
        }
        Self { node, inverse }
    }

    /// The weighted squares that a level from one test to before another leaves.
    fn costs(&self, y: &[f64]) -> Vec<f64> {
        let n = y.len();
        let mut costs = vec![0.0; (n + 1) * (n + 1)];
        for i in 0..n {
            let (mut sum, mut squares) = (0.0, 0.0);
            for j in i..n {
                let (w, at) = (self.node.weights[j], i * (n + 1) + j + 1);
                // About the first value, so that equal values leave exactly nothing.
                let distance = y[j] - y[i];
                sum += w * distance;
                squares += w * distance * distance;
                costs[at] = (squares - sum * sum * self.inverse[at]).max(0.0);
            }
        }
        costs
    }
}

/// The division of least `Q = Σ w (y - level)²` for 0, 1, 2, ... changes.
///
/// `Q[m][j] = min over i of Q[m-1][i] + cost(i, j)`: of the order of `most n²` steps (R. Bellman,
/// Commun. ACM 4 (1961) 284).
pub(super) fn divisions(table: &Table<'_>, y: &[f64], allowed: &Allowed) -> Vec<Division> {
    let n = y.len();
    let costs = table.costs(y);
    let cost = |i: usize, j: usize| costs[i * (n + 1) + j];
    let first = |j: usize| if j >= allowed.fewest { cost(0, j) } else { f64::INFINITY };
    let mut least: Vec<f64> = (0..=n).map(first).collect();
    let mut from: Vec<Vec<usize>> = Vec::new();
    let mut found = vec![Division { places: Vec::new(), q: least[n] }];
    for changes in 1..=allowed.most {
        let mut next = vec![f64::INFINITY; n + 1];
        let mut origin = vec![0; n + 1];
        for j in (changes + 1) * allowed.fewest..=n {
            let (from, to) = (changes * allowed.fewest, j - allowed.fewest);
            for (i, before) in least.iter().enumerate().take(to + 1).skip(from) {
                let q = before + cost(i, j);
                if allowed.begins[i] && q < next[j] {
                    (next[j], origin[j]) = (q, i);
                }
            }
        }
        if !next[n].is_finite() {
            break;
        }
        from.push(origin);
        let mut place = n;
        let mut places: Vec<usize> = from
            .iter()
            .rev()
            .map(|origin| {
                place = origin[place];
                place
            })
            .collect();
        places.reverse();
        found.push(Division { places, q: next[n] });
        least = next;
    }
    found
}

/// For every number of changes the best division over all nodes, with twice the negative log
/// likelihood of the division; `free` where the variance is its own best.
pub(super) fn best(
    tables: &[Table<'_>],
    y: &[f64],
    allowed: &Allowed,
    free: bool,
) -> Vec<(Division, f64)> {
    let n = y.len() as f64;
    let mut best: Vec<(Division, f64)> = Vec::new();
    let mut costs: Vec<Vec<f64>> = Vec::new();
    for table in tables {
        for (m, division) in divisions(table, y, allowed).into_iter().enumerate() {
            let cost = if free {
                n * ((division.q / n).max(f64::MIN_POSITIVE).ln() + 1.0)
            } else {
                division.q - 2.0 * table.node.log_weights
            };
            let cost = cost + n * std::f64::consts::TAU.ln();
            if m == best.len() {
                best.push((division, cost));
                costs.push(vec![cost]);
                continue;
            }
            costs[m].push(cost);
            if cost < best[m].1 {
                best[m] = (division, cost);
            }
        }
    }
    best.into_iter().zip(&costs).map(|((division, _), list)| (division, least(list))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// All ways to choose `m` of the places, each as far from the next as `fewest`.
    fn choices(n: usize, m: usize, fewest: usize, start: usize) -> Vec<Vec<usize>> {
        if m == 0 {
            return vec![Vec::new()];
        }
        let mut list = Vec::new();
        for place in start + fewest..=n.saturating_sub(m * fewest) {
            for mut rest in choices(n, m - 1, fewest, place) {
                rest.insert(0, place);
                list.push(rest);
            }
        }
        list
    }

    proptest! {
        #[test]
        fn no_division_is_better(
            rows in prop::collection::vec((-3.0f64..3.0, 0.1f64..4.0, prop::bool::weighted(0.8)), 5..9),
            fewest in 1usize..3,
        ) {
            let mut at = 0.0;
            let times: Vec<f64> = rows.iter().map(|r| { at += f64::from(u8::from(r.2)); at }).collect();
            let y: Vec<f64> = rows.iter().map(|r| r.0).collect();
            let variances: Vec<f64> = rows.iter().map(|r| r.1).collect();
            let node = Node::new(&times, &variances, &[], 0.0);
            let allowed = Allowed::new(&times, fewest, 3);
            let found = divisions(&Table::new(&node), &y, &allowed);
            let level = |i: usize, j: usize| {
                let w: f64 = node.weights[i..j].iter().sum();
                let mean = (i..j).map(|k| node.weights[k] * y[k]).sum::<f64>() / w;
                (i..j).map(|k| node.weights[k] * (y[k] - mean).powi(2)).sum::<f64>()
            };
            for m in 0..=allowed.most {
                let mut least = f64::INFINITY;
                for places in choices(y.len(), m, fewest, 0) {
                    if places.iter().all(|&k| times[k] > times[k - 1]) {
                        let ends = [&[0][..], &places, &[y.len()]].concat();
                        least = least.min(ends.windows(2).map(|e| level(e[0], e[1])).sum());
                    }
                }
                match found.get(m) {
                    Some(division) => {
                        prop_assert!((division.q - least).abs() < 1e-9);
                        prop_assert_eq!(division.places.len(), m);
                    }
                    None => prop_assert!(least.is_infinite()),
                }
            }
        }
    }
}
