//! The routes of one gauge combined, gauge and contact meter kept apart.

use super::pool::{Pooled, pool};
use crate::base::estimate::welch_satterthwaite;
use crate::base::{Estimate, Result};

/// What the reading runs behind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Behind {
    /// The pressure: the gauge's own lag, as a step, a reference or a data sheet tells it.
    Pressure,
    /// The contact channel: the gauge's lag less the delay of the contact meter, as events tell it.
    Contact,
}

impl Behind {
    /// The code in the `behind` column.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Pressure => "pressure",
            Self::Contact => "contact",
        }
    }

    /// The one with this code, if there is one.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Pressure, Self::Contact].into_iter().find(|behind| behind.code() == code)
    }
}

/// The lag of a gauge by one route.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Route {
    /// Mean lag, s.
    pub lag_s: Estimate,
    /// Time constant, s, where the route tells it.
    pub time_constant_s: Option<Estimate>,
    /// What it is the lag behind.
    pub behind: Behind,
}

/// One lag for a gauge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    /// The pooled lag, s. `q` and its degrees of freedom add up over all comparisons made.
    pub lag_s: Pooled,
    /// The lag less the time constant, s, the two taken as independent.
    pub dead_time_s: Option<Estimate>,
    /// Time constant, s, pooled over the routes that tell it.
    pub time_constant_s: Option<Estimate>,
    /// What it is the lag behind.
    pub behind: Behind,
    /// Routes used.
    pub n_routes: usize,
}

/// Combines the routes of one gauge into the lag behind the contact channel, which setpoints need.
///
/// `contact_delay` is the delay of the contact meter. Lags behind the pressure are pooled among
/// themselves first, since they share that delay, then lessened by it and pooled with those behind
/// the contact. Without a delay the two kinds cannot be compared: where there are lags behind the
/// contact only those are used, otherwise the result is one behind the pressure and says so.
///
/// # Errors
///
/// Those of [`pool`].
///
/// ```
/// use deadband::base::Estimate;
/// use deadband::lag::{Behind, Route, combine};
/// let route = |value, behind| Route {
///     lag_s: Estimate { value, u: 0.02, dof: f64::INFINITY },
///     time_constant_s: None,
///     behind,
/// };
/// let routes = [route(0.30, Behind::Contact), route(0.41, Behind::Pressure)];
/// let delay = Estimate { value: 0.10, u: 0.01, dof: f64::INFINITY };
/// let both = combine(&routes, Some(delay))?;
/// assert!(both.n_routes == 2 && (both.lag_s.mean.value - 0.304).abs() < 0.001);
/// assert_eq!(combine(&routes, None)?.lag_s.mean.value, 0.30);
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn combine(routes: &[Route], contact_delay: Option<Estimate>) -> Result<Combined> {
    let of = |behind: Behind| -> Vec<Estimate> {
        routes.iter().filter(|route| route.behind == behind).map(|route| route.lag_s).collect()
    };
    let (contact, pressure) = (of(Behind::Contact), of(Behind::Pressure));
    let (lag_s, behind, n_routes) = match contact_delay {
        Some(delay) if !pressure.is_empty() => {
            let own = pool(&pressure)?;
            let both = pool(&[&contact[..], &[less(own.mean, delay)]].concat())?;
            (added(both, own), Behind::Contact, routes.len())
        }
        _ if contact.is_empty() => (pool(&pressure)?, Behind::Pressure, pressure.len()),
        _ => (pool(&contact)?, Behind::Contact, contact.len()),
    };
    // The time constant is the gauge's own, whatever its lag is told behind.
    let constants: Vec<Estimate> =
        routes.iter().filter_map(|route| route.time_constant_s).collect();
    let constant = if constants.is_empty() { None } else { Some(pool(&constants)?.mean) };
    let dead_time_s = constant.map(|constant| Estimate {
        value: lag_s.mean.value - constant.value,
        ..sum(lag_s.mean, constant)
    });
    Ok(Combined { lag_s, dead_time_s, time_constant_s: constant, behind, n_routes })
}

fn less(lag: Estimate, delay: Estimate) -> Estimate {
    Estimate { value: lag.value - delay.value, ..sum(lag, delay) }
}

fn sum(a: Estimate, b: Estimate) -> Estimate {
    let dof = welch_satterthwaite([(a.u, a.dof), (b.u, b.dof)]);
    Estimate { value: a.value + b.value, u: a.u.hypot(b.u), dof }
}

/// The result of the last comparison with the statistics of an earlier one added. Of two
/// probabilities the smaller, doubled, is that of either (Bonferroni).
fn added(last: Pooled, earlier: Pooled) -> Pooled {
    let (q, q_dof) = (last.q + earlier.q, last.q_dof + earlier.q_dof);
    let both = earlier.q_dof > 0.0 && last.q_dof > 0.0;
    let smaller = last.p_consistent.min(earlier.p_consistent);
    Pooled {
        q,
        q_dof,
        p_consistent: if both { (2.0 * smaller).min(1.0) } else { smaller },
        between: last.between.max(earlier.between),
        between_moments: last.between_moments.max(earlier.between_moments),
        birge: if q_dof > 0.0 { (q / q_dof).sqrt() } else { 0.0 },
        ..last
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn route(value: f64, u: f64, behind: Behind) -> Route {
        let lag_s = Estimate { value, u, dof: f64::INFINITY };
        Route { lag_s, time_constant_s: None, behind }
    }

    #[test]
    fn a_delay_that_is_shared_does_not_average_out() {
        let routes = [0.40, 0.40, 0.40, 0.40].map(|lag| route(lag, 0.001, Behind::Pressure));
        let delay = Estimate { value: 0.1, u: 0.05, dof: 10.0 };
        let found = combine(&routes, Some(delay)).expect("combined").lag_s.mean;
        assert!((found.value - 0.3).abs() < 1e-12 && (found.u - 0.05).abs() < 1e-4, "{found:?}");
        assert!((found.dof - 10.0).abs() < 0.1, "{found:?}");
    }

    #[test]
    fn without_a_delay_the_kinds_stay_apart() {
        let routes = [route(0.3, 0.02, Behind::Contact), route(0.5, 0.001, Behind::Pressure)];
        let found = combine(&routes, None).expect("combined");
        assert_eq!(
            (found.behind, found.n_routes, found.lag_s.mean.value),
            (Behind::Contact, 1, 0.3)
        );
        let found = combine(&routes[1..], None).expect("combined");
        assert_eq!((found.behind, found.lag_s.mean.value), (Behind::Pressure, 0.5));
        assert!(combine(&[], None).is_err());
    }

    #[test]
    fn a_disagreement_shows_wherever_it_is() {
        let delay = Estimate { value: 0.0, u: 0.0, dof: f64::INFINITY };
        let routes = [
            route(0.30, 0.01, Behind::Pressure),
            route(0.50, 0.01, Behind::Pressure),
            route(0.40, 0.01, Behind::Contact),
        ];
        let found = combine(&routes, Some(delay)).expect("combined").lag_s;
        assert!(found.p_consistent < 1e-6 && found.q_dof == 2.0, "{found:?}");
        assert!((found.between - 0.14).abs() < 0.01, "{found:?}");
    }

    #[test]
    fn codes_round_trip() {
        for behind in [Behind::Pressure, Behind::Contact] {
            assert_eq!(Behind::from_code(behind.code()), Some(behind));
        }
        assert_eq!(Behind::from_code("both"), None);
    }
}
