//! The search for the components of a fleet's growth.

use nalgebra::{Matrix2, Matrix4, Vector4};

use super::components::{BY_BETWEEN, Components};
use super::data::GrowthData;
use super::fit::GrowthConfig;
use super::likelihood::Likelihood;
use crate::base::{Error, Result};

/// Steps at most.
const STEPS: usize = 200;
/// The likelihood that one more step would gain, at which the search has arrived.
const ARRIVED: f64 = 1e-12;
/// A variance that is so small a part of what it could be is zero.
const EDGE: f64 = 1e-9;
/// How often a search may leave an edge again.
const LEAVES: usize = 4;
/// Entries of the roots whose squares are variances that may be zero.
const MAY_VANISH: [usize; 2] = [2, 3];

/// Fleets of fewer switches are searched from every start.
const SMALL: usize = 500;
/// Other starts: shares of the usual ones of slopes and of the excess. Nothing stays nothing.
const OTHER_STARTS: [(f64, f64); 6] =
    [(1.0, 0.05), (0.1, 1.0), (0.1, 0.05), (1.0, 0.0), (0.0, 1.0), (0.0, 0.0)];

/// Which entries of `L` and `s` are searched.
const fn free(config: GrowthConfig) -> [bool; 4] {
    [true, config.random_slope, config.random_slope, config.excess]
}

/// `G = L L'` with `L = [[r0, 0], [r1, r2]]`, and `σ² = r3²`.
fn components(root: Vector4<f64>) -> Components {
    let [[a, b, c, s]] = root.data.0;
    Components { level: a * a, covariance: a * b, slope: b * b + c * c, excess: s * s }
}

/// Derivatives of the components (rows) by the roots (columns).
fn jacobian(root: Vector4<f64>) -> Matrix4<f64> {
    let [[a, b, c, s]] = root.data.0;
    #[rustfmt::skip]
    let entries = [
        2.0 * a, 0.0, 0.0, 0.0,
        b, a, 0.0, 0.0,
        0.0, 2.0 * b, 2.0 * c, 0.0,
        0.0, 0.0, 0.0, 2.0 * s,
    ];
    Matrix4::from_row_slice(&entries)
}

/// Leaves where they are those that are not searched: a step moves none of them.
fn hold(gradient: &mut Vector4<f64>, information: &mut Matrix4<f64>, searched: [bool; 4]) {
    for k in (0..4).filter(|&k| !searched[k]) {
        gradient[k] = 0.0;
        information.row_mut(k).fill(0.0);
        information.column_mut(k).fill(0.0);
        information[(k, k)] = 1.0;
    }
}

/// Half of the values' variance to the switches, the rest to the tests.
pub(super) fn start(data: &GrowthData, config: GrowthConfig) -> Result<Vector4<f64>> {
    let n = data.tests() as f64;
    let variance = data.value.iter().map(|value| value * value).sum::<f64>() / n;
    let known = data.variance.iter().sum::<f64>() / n;
    if variance.is_nan() || variance <= 0.0 {
        let (what, must) = ("the variance of the values", "above zero");
        return Err(Error::BadValue { what, value: variance, must });
    }
    let mean = data.time.iter().sum::<f64>() / n;
    let spread = data.time.iter().map(|time| (time - mean).powi(2)).sum::<f64>() / n;
    let slope = if config.random_slope { (0.1 * variance / spread).sqrt() } else { 0.0 };
    let excess = if config.excess { (0.3 * variance).max(0.1 * known).sqrt() } else { 0.0 };
    Ok(Vector4::new((0.5 * variance).sqrt(), 0.0, slope, excess))
}

pub(super) struct Search<'a> {
    data: &'a GrowthData,
    restricted: bool,
    free: [bool; 4],
    /// How often `ln|G|` is added to the logarithm of the likelihood.
    away_from_edges: f64,
}

impl<'a> Search<'a> {
    pub(super) fn new(data: &'a GrowthData, config: GrowthConfig, away_from_edges: f64) -> Self {
        Self { data, restricted: config.restricted, free: free(config), away_from_edges }
    }

    pub(super) fn n_free(&self) -> usize {
        self.free.iter().filter(|free| **free).count()
    }

    fn at(&self, with: &Components) -> Option<Likelihood> {
        let mut found = Likelihood::of(self.data, with, self.restricted)?;
        if self.away_from_edges > 0.0 {
            let own = if self.free[1] { with.slope } else { 1.0 };
            let between = Matrix2::new(with.level, with.covariance, with.covariance, own);
            let determinant = between.determinant();
            if determinant <= 0.0 {
                return None;
            }
            let inverse = between.try_inverse()?;
            found.log += self.away_from_edges * determinant.ln();
            for (k, by) in BY_BETWEEN.iter().enumerate() {
                found.gradient[k] += self.away_from_edges * (inverse * by).trace();
                for (l, other) in BY_BETWEEN.iter().enumerate() {
                    found.information[(k, l)] +=
                        self.away_from_edges * (inverse * by * inverse * other).trace();
                }
            }
        }
        Some(found)
    }

    pub(super) fn run(&self, start: Vector4<f64>) -> Result<(Components, Likelihood)> {
        let dependent = Error::BadValue {
            what: "the fixed effects",
            value: self.data.columns as f64,
            must: "columns that can be told apart: leave out an effect that another one implies",
        };
        let mut found = self.from(start);
        // In small fleets there may be several tops, on the edges too.
        let small = self.data.switches() < SMALL;
        if small || found.as_ref().is_none_or(|(root, here)| self.leaves(*root, here).is_some()) {
            let other =
                |(c, s)| self.from(Vector4::new(start[0], start[1], c * start[2], s * start[3]));
            let others = OTHER_STARTS.into_iter().filter_map(other);
            found = others.fold(found, |best, next| match best {
                Some(best) if best.1.log >= next.1.log => Some(best),
                _ => Some(next),
            });
        }
        let (root, here) = found.ok_or(dependent)?;
        let left = components(root).excess + self.data.variance.iter().copied().fold(0.0, f64::max);
        let total = self.data.value.iter().map(|value| value * value).sum::<f64>();
        if left <= 1e-16 * total / self.data.tests() as f64 {
            let (what, must) = ("the scatter of the tests about their lines", "above zero");
            return Err(Error::BadValue { what, value: left, must });
        }
        Ok((components(root), here))
    }

    /// Uphill from one start, and along the edges that are as likely.
    fn from(&self, start: Vector4<f64>) -> Option<(Vector4<f64>, Likelihood)> {
        let mut root = start;
        let mut here = self.at(&components(root))?;
        self.climb(&mut root, &mut here);
        // A root on its way to zero only ever comes nearer: where zero is as likely, it is there.
        for edge in MAY_VANISH {
            if root[edge] == 0.0 {
                continue;
            }
            let mut on_edge = root;
            on_edge[edge] = 0.0;
            let there = self.at(&components(on_edge));
            let likely = |there: &Likelihood| there.log >= here.log - 1e-6;
            if let Some(there) = there.filter(likely) {
                (root, here) = (on_edge, there);
                self.climb(&mut root, &mut here);
            }
        }
        Some((root, here))
    }

    /// Uphill until no step gains, and away from no edge either.
    fn climb(&self, root: &mut Vector4<f64>, here: &mut Likelihood) {
        for _ in 0..LEAVES {
            self.climb_within(root, here);
            let Some(off) = self.leaves(*root, here) else { return };
            let Some(there) = self.at(&components(off)).filter(|there| there.log > here.log) else {
                return;
            };
            (*root, *here) = (off, there);
        }
    }

    /// The edge that a scoring step of the components, which are no roots, would cross. In the roots
    /// zero is approached ever more slowly.
    fn crosses(&self, root: Vector4<f64>, here: &Likelihood) -> Option<Vector4<f64>> {
        let mut searched = self.free;
        for edge in MAY_VANISH {
            searched[edge] &= root[edge] != 0.0;
        }
        let (mut gradient, mut information) = (here.gradient, here.information);
        hold(&mut gradient, &mut information, searched);
        let next = components(root).as_vector() + information.cholesky()?.solve(&gradient);
        let mut on_edge = root;
        if searched[2] && next[0] * next[2] <= next[1] * next[1] {
            on_edge[2] = 0.0;
        }
        if searched[3] && next[3] <= 0.0 {
            on_edge[3] = 0.0;
        }
        (on_edge != root).then_some(on_edge)
    }

    /// A little way off an edge where the likelihood rises with the variance that is zero there.
    fn leaves(&self, root: Vector4<f64>, here: &Likelihood) -> Option<Vector4<f64>> {
        const LITTLE: f64 = 0.3;
        let mut off = root;
        // With `c = 0` the slope's variance alone is raised by `c²`: its component is the third.
        for k in MAY_VANISH.into_iter().filter(|&k| self.free[k] && root[k] == 0.0) {
            let (gradient, information) = (here.gradient[k], here.information[(k, k)]);
            // What is gained by a scoring step of this component alone, above rounding.
            let gain = gradient * gradient / information;
            if gradient > 0.0 && gain > 1e-9 * (1.0 + here.log.abs()) {
                off[k] = (LITTLE * gradient / information).sqrt();
            }
        }
        (off != root).then_some(off)
    }

    /// Steps uphill until none gains.
    fn climb_within(&self, root: &mut Vector4<f64>, here: &mut Likelihood) {
        let mut damping = 1e-3;
        for _ in 0..STEPS {
            let likely = |there: &Likelihood| there.log >= here.log;
            let on_edge = self.crosses(*root, here);
            let there = on_edge.and_then(|on_edge| self.at(&components(on_edge))).filter(likely);
            if let Some((on_edge, there)) = on_edge.zip(there) {
                (*root, *here) = (on_edge, there);
            }
            let jacobian = jacobian(*root);
            let gradient = jacobian.transpose() * here.gradient;
            let curvature = jacobian.transpose() * here.information * jacobian;
            let Some(step) = self.step(&gradient, &curvature, damping) else { return };
            let small = gradient.dot(&step) < ARRIVED * (1.0 + here.log.abs());
            let next = self.at(&components(*root + step));
            match next.filter(|next| next.log >= here.log) {
                Some(next) => {
                    (*root, *here) = (*root + step, next);
                    damping = (0.2 * damping).max(1e-12);
                    if small {
                        return;
                    }
                }
                None if small || damping > 1e8 => return,
                None => damping *= 10.0,
            }
        }
    }

    /// The damped step of those that are free.
    fn step(
        &self,
        gradient: &Vector4<f64>,
        curvature: &Matrix4<f64>,
        damping: f64,
    ) -> Option<Vector4<f64>> {
        let largest = curvature.diagonal().max();
        let (mut gradient, mut damped) = (*gradient, *curvature);
        for k in 0..4 {
            damped[(k, k)] += damping * (curvature[(k, k)] + 1e-9 * largest);
        }
        hold(&mut gradient, &mut damped, self.free);
        damped.cholesky().map(|factor| factor.solve(&gradient))
    }

    /// Which components are free and not on the edge of what they can be.
    pub(super) fn edges(&self, with: &Components) -> [bool; 4] {
        let root = with.level * with.slope;
        let free = root > 0.0 && (root - with.covariance.powi(2)) > EDGE * root;
        let noise = self.data.variance.iter().sum::<f64>() / self.data.tests() as f64;
        let excess = with.excess > EDGE * (noise + with.level + with.excess);
        let slope = self.free[1] && free;
        [with.level > 0.0, slope, slope, self.free[3] && excess]
    }

    /// Covariance of the components that are off their edges, from the curvature of the likelihood by
    /// differences of its gradient.
    pub(super) fn observed(&self, with: &Components, inside: [bool; 4]) -> Option<Matrix4<f64>> {
        const STEP: f64 = 1e-4;
        let here = with.as_vector();
        let sizes = Vector4::new(
            here[0],
            (with.level * with.slope).sqrt().max(here[1].abs()),
            here[2],
            here[3],
        );
        let mut curvature = Matrix4::identity();
        for k in (0..4).filter(|&k| inside[k]) {
            let mut step = Vector4::zeros();
            step[k] = STEP * sizes[k];
            let up = self.at(&Components::from_vector(here + step))?.gradient;
            let down = self.at(&Components::from_vector(here - step))?.gradient;
            let column = (down - up) / (2.0 * step[k]);
            for l in (0..4).filter(|&l| inside[l]) {
                curvature[(l, k)] = column[l];
            }
        }
        let symmetric = (curvature + curvature.transpose()) / 2.0;
        let mut covariance = symmetric.cholesky()?.inverse();
        for k in (0..4).filter(|&k| !inside[k]) {
            covariance[(k, k)] = 0.0;
        }
        Some(covariance)
    }
}
