//! One lag from what several routes say of it.

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor};

use crate::base::estimate::welch_satterthwaite;
use crate::base::{Error, Estimate, Result, error};

/// Values of one quantity by different routes, combined by their uncertainties.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pooled {
    /// The weighted mean, its uncertainty and effective degrees of freedom.
    pub mean: Estimate,
    /// Cochran's `Q = Σ (xᵢ − x̄)²/uᵢ²`.
    pub q: f64,
    /// Its degrees of freedom, one fewer than the routes.
    pub q_dof: f64,
    /// Probability of a `Q` as large if the routes agree; 1 for a single route.
    pub p_consistent: f64,
    /// Standard deviation between the routes (Paule and Mandel); 0 where they agree.
    pub between: f64,
    /// The same by the moments of `DerSimonian` and Laird, for comparison.
    pub between_moments: f64,
    /// Birge's ratio `√(Q/(k − 1))`: above one, the routes differ by more than they state.
    pub birge: f64,
}

/// Routes whose `Q` is less probable than this are taken to disagree.
pub const DISAGREE: f64 = 0.05;

/// Combines independent estimates of one quantity.
///
/// Weights are `1/(uᵢ² + τ²)`. Where the routes agree by Cochran's `Q` against `χ²(k − 1)`, or by
/// Welch's `F` where degrees of freedom are few, that is `p ≥ 0.05`, `τ = 0` (the weighted mean). Where they do not, `τ` is the one at which
/// `Σ (xᵢ − x̄)²/(uᵢ² + τ²) = k − 1`. The degrees of freedom are those of Welch and Satterthwaite
/// over the routes' own and `k − 1` for the scatter between them. An uncertainty of zero is a value
/// that is exact; two of them that differ disagree.
///
/// Sources: W. G. Cochran, *Biometrics* 10 (1954) 101; B. L. Welch, *Biometrika* 38 (1951) 330; R. C. Paule and J. Mandel, *J. Res. Natl.
/// Bur. Stand.* 87 (1982) 377; R. `DerSimonian` and N. Laird, *Control. Clin. Trials* 7 (1986) 177;
/// R. T. Birge, *Phys. Rev.* 40 (1932) 207; JCGM 100, equation G.2b.
///
/// # Errors
///
/// [`Error::MissingValue`] for no route, [`Error::BadValue`] for a value, an uncertainty or degrees
/// of freedom that cannot be.
///
/// ```
/// use deadband::base::Estimate;
/// use deadband::lag::pool;
/// let known = |value, u| Estimate { value, u, dof: f64::INFINITY };
/// let same = pool(&[known(0.40, 0.01), known(0.42, 0.02)])?;
/// assert!((same.mean.value - 0.404).abs() < 1e-12 && same.between == 0.0);
/// let apart = pool(&[known(0.40, 0.01), known(0.60, 0.02)])?;
/// assert!(apart.p_consistent < 0.05 && apart.mean.u > 0.05);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn pool(routes: &[Estimate]) -> Result<Pooled> {
    for route in routes {
        if !route.value.is_finite() {
            let (what, must) = ("a lag or time constant", "a finite number");
            return Err(Error::BadValue { what, value: route.value, must });
        }
        error::not_negative("lag_u_s", route.u)?;
        if route.dof.is_nan() || route.dof <= 0.0 {
            let (what, must) = ("dof", "above zero");
            return Err(Error::BadValue { what, value: route.dof, must });
        }
    }
    let [first, ..] = routes else { return Err(Error::MissingValue { what: "a lag" }) };
    if routes.len() == 1 {
        let (mean, p_consistent) = (*first, 1.0);
        let nothing = (0.0, 0.0, 0.0);
        let (q, between, between_moments) = nothing;
        return Ok(Pooled {
            mean,
            q,
            q_dof: 0.0,
            p_consistent,
            between,
            between_moments,
            birge: 0.0,
        });
    }
    let q_dof = routes.len() as f64 - 1.0;
    let q = Weighted::of(routes, 0.0).squares;
    let p_consistent = agreement(routes, q, q_dof);
    let between = if p_consistent < DISAGREE { between(routes, q_dof) } else { 0.0 };
    Ok(Pooled {
        mean: mean(routes, between, q_dof),
        q,
        q_dof,
        p_consistent,
        between,
        between_moments: moments(routes, q, q_dof),
        birge: (q / q_dof).sqrt(),
    })
}

/// Welch's test that all routes tell one value, which is Cochran's where their degrees of freedom
/// are infinite.
fn agreement(routes: &[Estimate], q: f64, q_dof: f64) -> f64 {
    let found = Weighted::of(routes, 0.0);
    let k = routes.len() as f64;
    let doubt: f64 = routes
        .iter()
        .zip(&found.weights)
        .map(|(route, weight)| (1.0 - weight / found.total).powi(2) / route.dof)
        .sum();
    let spread = k * k - 1.0;
    let dof = spread / (3.0 * doubt);
    if dof.is_nan() || dof > MANY || q.is_infinite() {
        return ChiSquared::new(q_dof).map_or(f64::NAN, |law| law.sf(q));
    }
    let ratio = q / q_dof / (1.0 + 2.0 * (k - 2.0) / spread * doubt);
    FisherSnedecor::new(q_dof, dof).map_or(f64::NAN, |law| law.sf(ratio))
}

/// Degrees of freedom from which on an uncertainty is as good as known.
const MANY: f64 = 1e5;

/// Weights of routes at one scatter between them.
struct Weighted {
    weights: Vec<f64>,
    total: f64,
    mean: f64,
    squares: f64,
}

impl Weighted {
    fn of(routes: &[Estimate], between: f64) -> Self {
        let variance = |route: &Estimate| route.u * route.u + between * between;
        let exact = routes.iter().any(|route| variance(route) == 0.0);
        // Beside an exact value the others have no weight.
        let weights: Vec<f64> = routes
            .iter()
            .map(variance)
            .map(|v| if exact { f64::from(u8::from(v == 0.0)) } else { 1.0 / v })
            .collect();
        let total: f64 = weights.iter().sum();
        let mean =
            routes.iter().zip(&weights).map(|(route, w)| w * route.value).sum::<f64>() / total;
        let squares = routes
            .iter()
            .map(|route| ((route.value - mean).powi(2), variance(route)))
            .map(|(square, v)| if square == 0.0 { 0.0 } else { square / v })
            .sum();
        Self { weights, total, mean, squares }
    }
}

fn mean(routes: &[Estimate], between: f64, q_dof: f64) -> Estimate {
    let found = Weighted::of(routes, between);
    let share = |weight: &f64| weight / found.total;
    let scatter: f64 =
        found.weights.iter().map(|weight| (share(weight) * between).powi(2)).sum::<f64>().sqrt();
    let own = routes.iter().zip(&found.weights).map(|(route, w)| (share(w) * route.u, route.dof));
    let variance = own.clone().map(|(u, _)| u * u).sum::<f64>() + scatter * scatter;
    let dof = welch_satterthwaite(own.chain([(scatter, q_dof)]));
    Estimate { value: found.mean, u: variance.sqrt(), dof }
}

/// Paule's and Mandel's scatter, by halving: the sum of squares falls as it grows.
fn between(routes: &[Estimate], q_dof: f64) -> f64 {
    let least = routes.iter().map(|route| route.value).fold(f64::INFINITY, f64::min);
    let most = routes.iter().map(|route| route.value).fold(f64::NEG_INFINITY, f64::max);
    // At the whole range each of the k terms is below one, and some are far below.
    let (mut low, mut high) = (0.0, most - least);
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        if Weighted::of(routes, middle).squares > q_dof { low = middle } else { high = middle }
    }
    f64::midpoint(low, high)
}

fn moments(routes: &[Estimate], q: f64, q_dof: f64) -> f64 {
    let found = Weighted::of(routes, 0.0);
    let squares: f64 = found.weights.iter().map(|weight| weight * weight).sum();
    let scale = found.total - squares / found.total;
    let exact = routes.iter().any(|route| route.u == 0.0);
    if exact { 0.0 } else { ((q - q_dof) / scale).max(0.0).sqrt() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::Status;
    use proptest::prelude::*;

    fn known(value: f64, u: f64) -> Estimate {
        Estimate { value, u, dof: f64::INFINITY }
    }

    #[test]
    fn an_exact_value_stands_and_two_that_differ_disagree() {
        let one = pool(&[known(0.4, 0.0), known(0.41, 0.02)]).expect("pooled");
        assert_eq!((one.mean.value, one.mean.u), (0.4, 0.0));
        let two = pool(&[known(0.4, 0.0), known(0.6, 0.0)]).expect("pooled");
        assert!(two.p_consistent == 0.0 && (two.mean.value - 0.5).abs() < 1e-12);
        assert!((two.mean.u - 0.1).abs() < 1e-9 && (two.mean.dof - 1.0).abs() < 1e-9, "{two:?}");
    }

    #[test]
    fn what_cannot_be_is_refused() {
        assert!(pool(&[]).is_err());
        let status = |route| pool(&[route, known(0.4, 0.1)]).unwrap_err().status();
        for route in [known(f64::NAN, 0.1), known(f64::INFINITY, 0.1), known(0.4, -0.1)] {
            assert_eq!(status(route), Status::BadValue);
        }
        assert!(pool(&[Estimate { value: 0.4, u: 0.1, dof: 0.0 }]).is_err());
    }

    proptest! {
        #[test]
        fn the_mean_lies_among_the_routes_and_knows_no_order(
            routes in prop::collection::vec((-1.0f64..2.0, 0.0f64..0.5, 1.0f64..50.0), 1..7),
        ) {
            let routes: Vec<Estimate> =
                routes.into_iter().map(|(value, u, dof)| Estimate { value, u, dof }).collect();
            let found = pool(&routes).expect("pooled");
            let least = routes.iter().map(|r| r.value).fold(f64::INFINITY, f64::min);
            let most = routes.iter().map(|r| r.value).fold(f64::NEG_INFINITY, f64::max);
            prop_assert!((least - 1e-9..=most + 1e-9).contains(&found.mean.value));
            prop_assert!(found.mean.u.is_finite() && found.mean.dof > 0.0);
            let mut turned = routes.clone();
            turned.reverse();
            let other = pool(&turned).expect("pooled");
            prop_assert!((found.mean.value - other.mean.value).abs() < 1e-9);
            if found.between > 0.0 {
                let left = Weighted::of(&routes, found.between).squares;
                prop_assert!((left / found.q_dof - 1.0).abs() < 1e-6, "{left} {found:?}");
            }
        }
    }
}
