//! The components of a fleet's growth by likelihood.

use nalgebra::{DMatrix, Matrix4, Vector4};
use serde::{Deserialize, Serialize};

use super::data::GrowthData;
use super::inference::dof_of;
use super::likelihood::{Components, Likelihood};
use crate::base::{Error, Estimate, Result};

/// How a fleet's growth is fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct GrowthConfig {
    /// Restricted likelihood, which allows for the fixed effects that were estimated too; without it
    /// the full one, by which models of different fixed effects can be compared.
    pub restricted: bool,
    /// Whether switches differ in slope, beyond what the fixed effects say.
    pub random_slope: bool,
    /// Whether tests scatter more than their own uncertainties say.
    pub excess: bool,
}

impl Default for GrowthConfig {
    fn default() -> Self {
        Self { restricted: true, random_slope: true, excess: true }
    }
}

/// What was found.
#[derive(Debug, Clone)]
pub struct Growth {
    /// Fixed effects: level of the mean line at the origin of time (Pa), its slope (Pa/year), then the
    /// columns of each effect in the order given, levels before slopes; degrees of freedom by
    /// Satterthwaite.
    pub fixed: Vec<Estimate>,
    /// Covariance of the fixed effects.
    pub covariance: DMatrix<f64>,
    /// Variances between switches and tests.
    pub components: Components,
    /// Standard uncertainties of the components, from the curvature of the likelihood; `None` for one
    /// on the edge of what it can be, or that was not estimated.
    pub components_u: [Option<f64>; 4],
    /// Log likelihood at its top, restricted or full.
    pub log_likelihood: f64,
    /// Components estimated.
    pub n_components: usize,
    /// How it was fitted.
    pub config: GrowthConfig,
    pub(super) beta: nalgebra::DVector<f64>,
    pub(super) tests: usize,
}

/// Steps at most.
const STEPS: usize = 200;
/// The likelihood that one more step would gain, at which the search has arrived.
const ARRIVED: f64 = 1e-12;
/// A variance that is so small a part of what it could be is zero.
const EDGE: f64 = 1e-9;

/// Fits the growth of a fleet.
///
/// The components `G = L L'` and `σ² = s²` are found by scoring on the entries of `L` and on `s`, so that
/// they stay variances, with the exact gradient of the likelihood and its expected curvature; no step
/// is taken that loses. Cost grows as the number of tests.
///
/// Standard uncertainties of the fixed effects are those of generalised least squares at the components
/// found; their degrees of freedom are Satterthwaite's, `2 f² / (∇f' A ∇f)` with `f` the variance of
/// the effect and `A` the covariance of the components from the observed curvature
/// (K. L. Fai and P. L. Cornelius, *J. Stat. Comput. Simul.* 54 (1996) 363–378).
///
/// # Errors
///
/// [`Error::BadValue`] where the fixed effects cannot be told apart, or the values lie so exactly on their
/// lines that no variance is left.
///
/// ```
/// use deadband::drift::growth::{GrowthConfig, GrowthData, grow};
/// let (mut time, mut open_pa, mut switch) = (vec![], vec![], vec![]);
/// for i in 0..40_u64 {
///     let own = (i as f64 * 0.618).fract() - 0.5; // where this switch stands among the others
///     for year in 0..6_u64 {
///         let noise = 0.3 * ((i * 6 + year) as f64 * 12.9).sin();
///         time.push(year as f64 - 2.5);
///         open_pa.push(60.0 + 4.0 * own - (0.5 + 0.2 * own) * year as f64 + noise);
///         switch.push(i);
///     }
/// }
/// let u = vec![0.1; open_pa.len()];
/// let data = GrowthData::new(&time, &open_pa, &u, &switch, &[])?;
/// let found = grow(&data, &GrowthConfig::default())?;
/// assert!((found.fixed[1].value + 0.5).abs() < 0.05);
/// assert!(found.components.level > 0.5 && found.components.slope < 0.1);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn grow(data: &GrowthData, config: &GrowthConfig) -> Result<Growth> {
    let search = Search { data, restricted: config.restricted, free: free(*config) };
    let start = start(data, *config)?;
    let (root, here) = search.run(start)?;
    let components = components(root);
    let edges = search.edges(&components);
    let covariance_of_components = search.observed(&components, edges);
    let fixed: Vec<Estimate> = (0..data.columns)
        .map(|column| {
            let value = here.beta[column] + if column == 0 { data.offset } else { 0.0 };
            let u = here.covariance[(column, column)].max(0.0).sqrt();
            let dof = dof_of(&here, column, covariance_of_components.as_ref(), data);
            Estimate { value, u, dof }
        })
        .collect();
    let components_u = std::array::from_fn(|k| {
        let variance = covariance_of_components.as_ref()?[(k, k)];
        (edges[k] && variance > 0.0).then(|| variance.sqrt())
    });
    Ok(Growth {
        fixed,
        components,
        components_u,
        log_likelihood: here.log,
        n_components: search.free.iter().filter(|free| **free).count(),
        config: *config,
        beta: here.beta,
        covariance: here.covariance,
        tests: data.tests(),
    })
}

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

/// Half of the values' variance to the switches, the rest to the tests.
fn start(data: &GrowthData, config: GrowthConfig) -> Result<Vector4<f64>> {
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

struct Search<'a> {
    data: &'a GrowthData,
    restricted: bool,
    free: [bool; 4],
}

impl Search<'_> {
    fn at(&self, with: &Components) -> Option<Likelihood> {
        Likelihood::of(self.data, with, self.restricted)
    }

    fn run(&self, start: Vector4<f64>) -> Result<(Vector4<f64>, Likelihood)> {
        let mut root = start;
        let dependent = Error::BadValue {
            what: "the fixed effects",
            value: self.data.columns as f64,
            must: "columns that can be told apart: leave out an effect that another one implies",
        };
        let mut here = self.at(&components(root)).ok_or(dependent)?;
        self.climb(&mut root, &mut here);
        // A root on its way to zero only ever comes nearer: where zero is as likely, it is there.
        for edge in [2, 3] {
            let mut on_edge = root;
            on_edge[edge] = 0.0;
            let there = self.at(&components(on_edge));
            let likely = |there: &Likelihood| there.log >= here.log - 1e-6;
            if let Some(there) = there.filter(likely) {
                (root, here) = (on_edge, there);
                self.climb(&mut root, &mut here);
            }
        }
        let left = components(root).excess + self.data.variance.iter().copied().fold(0.0, f64::max);
        let total = self.data.value.iter().map(|value| value * value).sum::<f64>();
        if left <= 1e-16 * total / self.data.tests() as f64 {
            let (what, must) = ("the scatter of the tests about their lines", "above zero");
            return Err(Error::BadValue { what, value: left, must });
        }
        Ok((root, here))
    }

    /// Steps uphill until none gains.
    fn climb(&self, root: &mut Vector4<f64>, here: &mut Likelihood) {
        let mut damping = 1e-3;
        for _ in 0..STEPS {
            let jacobian = jacobian(*root);
            let gradient = self.masked(jacobian.transpose() * here.gradient);
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

    fn masked(&self, mut gradient: Vector4<f64>) -> Vector4<f64> {
        for (entry, free) in gradient.iter_mut().zip(self.free) {
            *entry = if free { *entry } else { 0.0 };
        }
        gradient
    }

    /// The damped step of those that are free.
    fn step(
        &self,
        gradient: &Vector4<f64>,
        curvature: &Matrix4<f64>,
        damping: f64,
    ) -> Option<Vector4<f64>> {
        let largest = curvature.diagonal().max();
        let mut damped = *curvature;
        for k in 0..4 {
            damped[(k, k)] += damping * (curvature[(k, k)] + 1e-9 * largest);
            if !self.free[k] {
                damped.row_mut(k).fill(0.0);
                damped.column_mut(k).fill(0.0);
                damped[(k, k)] = 1.0;
            }
        }
        damped.cholesky().map(|factor| factor.solve(gradient))
    }

    /// Which components are free and not on the edge of what they can be.
    fn edges(&self, with: &Components) -> [bool; 4] {
        let root = with.level * with.slope;
        let free = root > 0.0 && (root - with.covariance.powi(2)) > EDGE * root;
        let noise = self.data.variance.iter().sum::<f64>() / self.data.tests() as f64;
        let excess = with.excess > EDGE * (noise + with.level + with.excess);
        let slope = self.free[1] && free;
        [with.level > 0.0, slope, slope, self.free[3] && excess]
    }

    /// Covariance of the components that are off their edges, from the curvature of the likelihood by
    /// differences of its gradient.
    fn observed(&self, with: &Components, inside: [bool; 4]) -> Option<Matrix4<f64>> {
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
