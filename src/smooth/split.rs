//! A relaxation where only the mean lag of the gauge is known.

use super::relaxation::Relaxation;
use super::weighted::Stroke;

/// Splits that are tried first.
const FIRST: u32 = 9;
/// Splits that are tried at most.
const MOST: usize = 33;
/// Share of the whole below which an interval between two splits no longer matters.
const SMALL: f64 = 0.01;
/// Logarithms of the evidence that differ by less than this need no split between them.
const EVEN: f64 = 0.7;
/// How far above the best evidence that was found one is thought possible, in nats.
const HOPED: f64 = 3.0;

/// One split: the share of the dead time in the lag, its fit and the logarithm of its evidence.
struct Node {
    share: f64,
    log: f64,
    fit: Option<Relaxation>,
}

/// Fits for splits of the mean lag into dead time and time constant, each with its weight: every
/// share of the dead time from nothing to the whole is equally likely beforehand (JCGM 100, 4.3.7).
///
/// A fall through a first-order gauge is the same with fall time and time constant exchanged, so that
/// the evidence over the splits may have two tops, each narrow beside any fixed grid; a grid would
/// give all of the weight to the top that happens to lie on it. So the exchange of the likeliest split
/// is tried too, and intervals are halved where a parabola through their neighbours says that a part of
/// the integral may be hidden.
pub(super) fn over_splits(stroke: &Stroke, lag_s: f64) -> Vec<(f64, Relaxation)> {
    let at = |share: f64, near: Option<&Relaxation>| {
        let (dead, constant) = (share * lag_s, (1.0 - share) * lag_s);
        let found = match near {
            None => Relaxation::of(stroke, dead, constant),
            Some(near) => near.again(stroke, dead, constant),
        };
        let fit = found.ok();
        let log = fit.as_ref().map_or(f64::NEG_INFINITY, |fit| fit.evidence);
        Node { share, log, fit }
    };
    let mut nodes: Vec<Node> = Vec::with_capacity(MOST);
    for i in 0..FIRST {
        let share = f64::from(i) / f64::from(FIRST - 1);
        let near = nodes.iter().rev().find_map(|node| node.fit.as_ref());
        nodes.push(at(share, near));
    }
    while nodes.len() < MOST {
        let halving = |i: usize| (i, f64::midpoint(nodes[i].share, nodes[i + 1].share));
        let next = exchanged(&nodes, lag_s).or_else(|| worth_halving(&nodes).map(halving));
        let Some((i, share)) = next else { break };
        let nearer = if nodes[i].log > nodes[i + 1].log { i } else { i + 1 };
        let next = at(share, nodes[nearer].fit.as_ref());
        nodes.insert(i + 1, next);
    }
    let best = highest(&nodes);
    let last = nodes.len() - 1;
    let width = |i: usize| nodes[(i + 1).min(last)].share - nodes[i.saturating_sub(1)].share;
    let weights: Vec<f64> =
        (0..=last).map(|i| 0.5 * width(i) * (nodes[i].log - best).exp()).collect();
    let fitted = nodes.into_iter().zip(weights);
    fitted.filter_map(|(node, weight)| node.fit.map(|fit| (weight, fit))).collect()
}

fn highest(nodes: &[Node]) -> f64 {
    nodes.iter().map(|node| node.log).fold(f64::NEG_INFINITY, f64::max)
}

/// The share at which time constant and fall time of the likeliest fit have changed places, with the
/// node before it; `None` where it has been tried.
fn exchanged(nodes: &[Node], lag_s: f64) -> Option<(usize, f64)> {
    const TRIED: f64 = 0.01;
    let best = nodes.iter().max_by(|a, b| a.log.total_cmp(&b.log))?;
    let share = 1.0 - best.fit.as_ref()?.fall_s / lag_s;
    let new = nodes.iter().all(|node| (node.share - share).abs() > TRIED);
    let before = nodes.iter().rposition(|node| node.share < share)?;
    (new && share < 1.0).then_some((before, share))
}

/// The interval, by its first node, in which most of the integral may be hidden; `None` where nothing
/// worth a fit is.
fn worth_halving(nodes: &[Node]) -> Option<usize> {
    let best = highest(nodes);
    let size = |i: usize, log: f64| (nodes[i + 1].share - nodes[i].share) * (log - best).exp();
    let known = |i: usize| 0.5 * (size(i, nodes[i].log) + size(i, nodes[i + 1].log));
    let total: f64 = (0..nodes.len() - 1).map(known).sum();
    let mut found: Option<(usize, f64)> = None;
    for i in 0..nodes.len() - 1 {
        let top = top_between(nodes, i).min(best + HOPED);
        let even = top - nodes[i].log.min(nodes[i + 1].log) < EVEN;
        let gain = size(i, top);
        if !even && gain > SMALL * total && found.is_none_or(|(_, most)| gain > most) {
            found = Some((i, gain));
        }
    }
    found.map(|(i, _)| i)
}

/// The highest that the logarithm may be between nodes `i` and `i + 1`: at an end, or at the top of a
/// parabola through them and a neighbour.
fn top_between(nodes: &[Node], i: usize) -> f64 {
    let (from, to) = (&nodes[i], &nodes[i + 1]);
    let ends = from.log.max(to.log);
    let neighbours = [i.checked_sub(1), (i + 2 < nodes.len()).then_some(i + 2)];
    let tops = neighbours.into_iter().flatten().filter_map(|other| {
        let other = &nodes[other];
        let slope = (to.log - from.log) / (to.share - from.share);
        let next = (other.log - to.log) / (other.share - to.share);
        let bend = (next - slope) / (other.share - from.share);
        // f(s) = f(from) + slope (s − from) + bend (s − from)(s − to)
        let at = 0.5 * (from.share + to.share - slope / bend);
        let inside = bend < 0.0 && from.share < at && at < to.share;
        let up = at - from.share;
        inside.then_some(from.log + slope * up + bend * up * (at - to.share))
    });
    tops.filter(|top| top.is_finite()).fold(ends, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A fall of 0.2 s behind 0.13 s and 0.27 s, neither on the first grid, seen with little noise.
    fn stroke(noise: f64) -> Stroke {
        let (fall, constant, starts) = (0.2, 0.27, 2.13);
        let time: Vec<f64> = (0..60).map(|i| 0.1 * f64::from(i)).collect();
        let shown = |s: f64| {
            let two = fall * (-s / fall).exp() - constant * (-s / constant).exp();
            90.0 * if s > 0.0 { two / (fall - constant) } else { 1.0 }
        };
        let jitter = |i: usize| noise * (1e4 * (i * i) as f64).sin();
        let y: Vec<f64> =
            time.iter().enumerate().map(|(i, t)| shown(t - starts) + jitter(i)).collect();
        Stroke::new(&time, &y)
    }

    #[test]
    fn both_orders_of_the_two_times_are_found_wherever_they_lie() {
        let fits = over_splits(&stroke(0.02), 0.4);
        let total: f64 = fits.iter().map(|(weight, _)| weight).sum();
        let near = |wanted: f64| -> f64 {
            let share = |(weight, fit): &(f64, Relaxation)| {
                if (fit.fall_s - wanted).abs() < 0.02 { *weight } else { 0.0 }
            };
            fits.iter().map(share).sum::<f64>() / total
        };
        assert!(near(0.2) > 0.25 && near(0.27) > 0.25, "{} {}", near(0.2), near(0.27));
        assert!(near(0.2) + near(0.27) > 0.95);
    }

    #[test]
    fn where_noise_hides_the_split_every_one_counts() {
        let fits = over_splits(&stroke(8.0), 0.1);
        assert_eq!(fits.len(), FIRST as usize);
        let total: f64 = fits.iter().map(|(weight, _)| weight).sum();
        assert!(fits.iter().all(|(weight, _)| *weight < 0.4 * total));
    }
}
