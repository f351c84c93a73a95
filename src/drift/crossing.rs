//! Forecast of the date at which a trend crosses a limit.

use serde::{Deserialize, Serialize};

use super::history::confidence;
use super::weighted_trend::Trend;
use crate::base::estimate::t_quantile;
use crate::base::{Error, Estimate, Result};

/// The side on which the limit lies.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Limit {
    /// Values below it are out.
    Lower(f64),
    /// Values above it are out.
    Upper(f64),
}

/// Options of the forecast.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CrossingConfig {
    /// Earliest date of interest, usually today, in the unit of the trend's times.
    pub now: f64,
    /// Latest date of interest; later crossings count as never. May be infinite.
    pub until: f64,
    /// Confidence of the interval.
    pub confidence: f64,
}

impl CrossingConfig {
    /// From `now` on, without end, at 95 %.
    pub const fn from_now(now: f64) -> Self {
        Self { now, until: f64::INFINITY, confidence: 0.95 }
    }
}

/// What a forecast comes to, within the time looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outlook {
    /// The line is out at `now`: there is no date to forecast. How sure that is: `p_now`.
    AlreadyOut,
    /// The line goes out later.
    Crosses,
    /// The line stays inside, but its confidence band does not.
    MayCross,
    /// The whole band stays inside.
    Never,
}

/// When a trend leaves its limit. `None` always means: not within the time looked at.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Crossing {
    /// Which of the dates below are forecasts.
    pub outlook: Outlook,
    /// Date at which the line itself is first out; `now` where it is out already.
    pub at: Option<f64>,
    /// First date at which it may be out: the confidence band touches the limit. `now` where it
    /// may be out already; `None`: it surely stays inside.
    pub low: Option<f64>,
    /// First date at which it surely is out: the whole band is beyond the limit. `None`: it may
    /// never be.
    pub high: Option<f64>,
    /// Probability that the line is out at `now`.
    pub p_now: f64,
    /// Probability that the line moves towards the limit at all.
    pub p_towards: f64,
}

/// A straight line over time with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Course {
    /// Date at which level and slope are uncorrelated.
    pub centre: f64,
    /// Height of the line there.
    pub level: Estimate,
    /// Slope.
    pub slope: Estimate,
}

impl From<&Trend> for Course {
    fn from(trend: &Trend) -> Self {
        Self { centre: trend.centre, level: trend.level, slope: trend.slope }
    }
}

impl Course {
    /// The line of a level and a slope that are correlated: at the date at which they no longer are,
    /// `-c / u_b²` from where the level was taken.
    ///
    /// # Errors
    ///
    /// [`Error::BadValue`] for uncertainties that are no covariance.
    ///
    /// ```
    /// use deadband::{base::Estimate, drift::crossing::Course};
    /// let level = Estimate { value: 60.0, u: 0.5, dof: 9.0 };
    /// let slope = Estimate { value: -1.0, u: 0.2, dof: 9.0 };
    /// let course = Course::of(2.0, level, slope, 0.06)?;
    /// assert!((course.centre - 0.5).abs() < 1e-12 && (course.level.value - 61.5).abs() < 1e-12);
    /// assert!((course.level.u - 0.4).abs() < 1e-12); // √(0.25 − 0.06²/0.04)
    /// # Ok::<(), deadband::base::Error>(())
    /// ```
    pub fn of(at: f64, level: Estimate, slope: Estimate, covariance: f64) -> Result<Self> {
        let usable = |u: f64| u.is_finite() && u >= 0.0;
        let must = "finite and not negative";
        if let Some(bad) = [level.u, slope.u].into_iter().find(|&u| !usable(u)) {
            return Err(Error::BadValue { what: "u", value: bad, must });
        }
        let within = covariance.abs() <= level.u * slope.u * (1.0 + 1e-9);
        if !within || !(at + level.value + slope.value).is_finite() {
            let must = "one of a level and a slope with these uncertainties";
            return Err(Error::BadValue { what: "covariance", value: covariance, must });
        }
        let back = if slope.u > 0.0 { -covariance / slope.u.powi(2) } else { 0.0 };
        let variance = (level.u.powi(2) + back * covariance).max(0.0);
        let level =
            Estimate { value: level.value + back * slope.value, u: variance.sqrt(), ..level };
        Ok(Self { centre: at + back, level, slope })
    }

    /// Height at a date.
    pub fn at(&self, t: f64) -> Estimate {
        let x = t - self.centre;
        let value = self.level.value + self.slope.value * x;
        let dof = self.level.dof.min(self.slope.dof);
        Estimate { value, u: self.level.u.hypot(self.slope.u * x), dof }
    }
}

/// Forecasts when the line of a trend, or another one, crosses a limit.
///
/// With `m` the distance of the line from the limit on the inner side and `u` its uncertainty at a
/// date, the three dates are the first from `now` on with `m + k u <= 0` (surely out), `m <= 0`,
/// and `m - k u <= 0` (perhaps out), `k` the quantile of Student's t. The band's edges cross the
/// limit at the roots of the quadratic of E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175-185; so
/// the interval is bounded, open-ended or empty as the data allow, never a symmetric guess.
///
/// What is forecast is the line: the setpoint without the excess between tests. A single test may
/// read beyond the limit earlier ([`Trend::new_observation`]). A straight line is an assumption; it
/// says nothing about a switch that fails suddenly.
///
/// `k` uses the smaller of the degrees of freedom of level and slope.
///
/// # Errors
///
/// [`Error::BadValue`] for a limit or `now` that is not finite or out of all reach, an `until`
/// before `now`, or a confidence outside 0 to 1.
///
/// ```
/// use deadband::drift::{CrossingConfig, Limit, TrendConfig, crossing, weighted_trend};
/// let year = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
/// let open_pa = [60.1, 59.6, 59.2, 58.3, 58.1, 57.5];
/// let trend = weighted_trend(&year, &open_pa, &[0.2; 6], &[], &TrendConfig::default())?;
/// let found = crossing(&trend, Limit::Lower(54.0), &CrossingConfig::from_now(5.0))?;
/// assert!(found.at.is_some_and(|at| (at - 11.7).abs() < 0.2));
/// assert!(found.low < found.at && found.at < found.high);
/// let never = crossing(&trend, Limit::Upper(66.0), &CrossingConfig::from_now(5.0))?;
/// assert_eq!((never.at, never.low, never.high), (None, None, None));
/// # Ok::<(), deadband::base::Error>(())
/// ```
pub fn crossing(
    course: impl Into<Course>,
    limit: Limit,
    config: &CrossingConfig,
) -> Result<Crossing> {
    let trend = course.into();
    let wanted = confidence(config.confidence)?;
    let (Limit::Lower(bound) | Limit::Upper(bound)) = limit;
    for (what, value) in [("the limit", bound), ("now", config.now)] {
        if !value.is_finite() {
            return Err(Error::BadValue { what, value, must: "finite" });
        }
    }
    if config.until.is_nan() || config.until < config.now {
        let value = config.until;
        return Err(Error::BadValue { what: "until", value, must: "no earlier than now" });
    }
    let inward = if matches!(limit, Limit::Lower(_)) { 1.0 } else { -1.0 };
    let margin = Margin {
        level: inward * (trend.level.value - bound),
        slope: inward * trend.slope.value,
        level_var: trend.level.u * trend.level.u,
        slope_var: trend.slope.u * trend.slope.u,
    };
    let dof = trend.level.dof.min(trend.slope.dof);
    let k = t_quantile(0.5 + 0.5 * wanted, dof);
    let start = config.now - trend.centre;
    let date = |k: f64| {
        let first = margin.first_out(start, k)?;
        let date = if first == start { config.now } else { trend.centre + first };
        (date <= config.until).then_some(date)
    };
    let out = |value: f64, u: f64| Estimate { value, u, dof }.probability_below(0.0);
    let (now, u_now) = margin.at(start);
    if !now.is_finite() || !u_now.is_finite() {
        let must = "within reach of the trend; mind the units";
        return Err(Error::BadValue { what: "now", value: config.now, must });
    }
    let (at, low, high) = (date(0.0), date(-k), date(k));
    let outlook = match (at, low) {
        _ if now <= 0.0 => Outlook::AlreadyOut,
        (Some(_), _) => Outlook::Crosses,
        (None, Some(_)) => Outlook::MayCross,
        (None, None) => Outlook::Never,
    };
    Ok(Crossing {
        outlook,
        at,
        low,
        high,
        p_now: out(now, u_now),
        p_towards: towards(margin.slope, trend.slope),
    })
}

/// Probability that a slope, inward as given, is outward.
fn towards(inward: f64, slope: Estimate) -> f64 {
    Estimate { value: inward, ..slope }.probability_below(0.0)
}

/// Distance from the limit on the inner side, against the time from the trend's centre.
struct Margin {
    level: f64,
    slope: f64,
    level_var: f64,
    slope_var: f64,
}

impl Margin {
    fn at(&self, x: f64) -> (f64, f64) {
        (self.level + self.slope * x, (self.level_var + self.slope_var * x * x).sqrt())
    }

    /// First `x` from `start` on at which margin plus `k` uncertainties is not above zero.
    fn first_out(&self, start: f64, k: f64) -> Option<f64> {
        let (margin, u) = self.at(start);
        if margin + k * u <= 0.0 {
            return Some(start);
        }
        // (level + slope x)² = k² (level_var + slope_var x²); each root belongs to the edge on
        // which the margin has the sign opposite to k.
        let a = self.slope * self.slope - k * k * self.slope_var;
        let half_b = self.level * self.slope;
        let c = self.level * self.level - k * k * self.level_var;
        let on_edge = |x: &f64| x.is_finite() && *x > start && k * self.at(*x).0 <= 0.0;
        quadratic_roots(a, half_b, c).into_iter().filter(on_edge).min_by(f64::total_cmp)
    }
}

/// Roots of `a x² + 2 half_b x + c`, without cancellation; NaN or infinite where there is none.
fn quadratic_roots(a: f64, half_b: f64, c: f64) -> [f64; 2] {
    let root = (half_b * half_b - a * c).max(0.0).sqrt();
    if half_b * half_b < a * c && (half_b * half_b - a * c).abs() > 1e-12 * half_b * half_b {
        return [f64::NAN; 2];
    }
    let larger = -(half_b + root.copysign(half_b));
    [larger / a, c / larger]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drift::{TrendConfig, weighted_trend};
    use proptest::prelude::*;

    fn trend(slope: f64, noise: f64, u: f64) -> Trend {
        let times = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0];
        let wave = [1.0, -1.0, -0.5, 0.5, 0.5, -0.5, -1.0, 1.0];
        let values: Vec<f64> =
            times.iter().zip(wave).map(|(t, w)| 60.0 + slope * t + noise * w).collect();
        weighted_trend(&times, &values, &[u; 8], &[], &TrendConfig::default()).expect("valid")
    }

    #[test]
    fn a_vague_slope_leaves_the_end_open() {
        let found =
            crossing(&trend(-0.05, 0.5, 0.5), Limit::Lower(54.0), &CrossingConfig::from_now(7.0))
                .expect("valid");
        assert!(found.low.is_some() && found.high.is_none());
        assert!(found.at.is_some_and(|at| (at - 120.0).abs() < 1.0));
        assert!(found.p_towards > 0.5 && found.p_towards < 0.95);
        assert_eq!(found.outlook, Outlook::Crosses);
        let soon = CrossingConfig { until: 50.0, ..CrossingConfig::from_now(7.0) };
        let found = crossing(&trend(-0.05, 0.5, 0.5), Limit::Lower(54.0), &soon).expect("valid");
        assert!(found.at.is_none() && found.low.is_some_and(|low| low <= 50.0));
        assert_eq!(found.outlook, Outlook::MayCross);
        let away = CrossingConfig::from_now(7.0);
        let found = crossing(&trend(0.5, 0.1, 0.1), Limit::Lower(54.0), &away).expect("valid");
        assert_eq!(found.outlook, Outlook::Never);
    }

    #[test]
    fn a_line_that_is_out_is_out_now() {
        let steep = trend(-2.0, 0.1, 0.1);
        let found =
            crossing(&steep, Limit::Lower(54.0), &CrossingConfig::from_now(7.0)).expect("valid");
        assert_eq!((found.at, found.low, found.high), (Some(7.0), Some(7.0), Some(7.0)));
        assert!(found.p_now > 0.999);
        assert_eq!(found.outlook, Outlook::AlreadyOut);
        let near =
            crossing(&steep, Limit::Lower(46.0), &CrossingConfig::from_now(7.0)).expect("valid");
        assert!(near.at.is_some_and(|at| at >= 7.0) && near.low == Some(7.0));
        assert_eq!(near.outlook == Outlook::AlreadyOut, near.p_now >= 0.5);
        assert!(near.high.is_some_and(|high| high > 7.0));
    }

    #[test]
    fn bad_options_are_errors() {
        let trend = trend(-0.5, 0.1, 0.1);
        let good = CrossingConfig::from_now(7.0);
        assert!(crossing(&trend, Limit::Lower(f64::NAN), &good).is_err());
        for bad in [
            CrossingConfig { now: f64::INFINITY, ..good },
            CrossingConfig { until: 6.0, ..good },
            CrossingConfig { until: f64::NAN, ..good },
            CrossingConfig { confidence: 1.0, ..good },
        ] {
            assert!(matches!(
                crossing(&trend, Limit::Upper(66.0), &bad),
                Err(Error::BadValue { .. })
            ));
        }
    }

    proptest! {
        /// The closed form against a walk along the band's edges.
        #[test]
        fn the_dates_are_the_first_at_which_the_edges_are_out(
            slope in -1.5f64..1.5, noise in 0.05f64..2.0, u in 0.05f64..1.0,
            bound in 45.0f64..75.0, upper in any::<bool>(), now in -5.0f64..15.0,
        ) {
            let trend = trend(slope, noise, u);
            let limit = if upper { Limit::Upper(bound) } else { Limit::Lower(bound) };
            let inward = if upper { -1.0 } else { 1.0 };
            let config = CrossingConfig { until: now + 40.0, ..CrossingConfig::from_now(now) };
            let found = crossing(&trend, limit, &config).expect("valid");
            let k = t_quantile(0.975, trend.level.dof.min(trend.slope.dof));
            prop_assert_eq!(found.outlook == Outlook::AlreadyOut, found.at == Some(now));
            prop_assert_eq!(found.outlook == Outlook::Never, found.low.is_none());
            for (date, k) in [(found.low, -k), (found.at, 0.0), (found.high, k)] {
                let edge = |t: f64| {
                    let line = trend.at(t);
                    inward * (line.value - bound) + k * line.u
                };
                let walked = (0..=40_000).map(|i| now + 0.001 * f64::from(i)).find(|&t| edge(t) <= 0.0);
                match (date, walked) {
                    (Some(a), Some(b)) => prop_assert!((a - b).abs() < 2e-3, "{a} against {b}"),
                    (None, None) => {}
                    // A crossing at the very end, or an edge that only grazes the limit.
                    (Some(a), None) => prop_assert!(edge(a).abs() < 1e-6),
                    (None, Some(b)) => prop_assert!(edge(b).abs() < 1e-3, "missed {b}"),
                }
            }
            // In this order wherever they exist.
            for (a, b) in [(found.low, found.at), (found.at, found.high)] {
                if let (Some(a), Some(b)) = (a, b) {
                    prop_assert!(a <= b + 1e-9);
                }
            }
        }
    }
}
