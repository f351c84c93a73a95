//! Generalised least squares of pressure on rate with an intercept for every group.

use super::RateEvent;

/// Variance components, Pa².
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Components {
    /// Event to event within a test.
    pub(super) event: f64,
    /// Test to test of one switch.
    pub(super) test: f64,
}

/// Sums of products under the inverse covariance.
#[derive(Debug, Clone, Copy, Default)]
struct Products {
    one: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
}

impl Products {
    fn add_event(&mut self, weight: f64, x: f64, y: f64) {
        self.one += weight;
        self.x += weight * x;
        self.y += weight * y;
        self.xx += weight * x * x;
        self.xy += weight * x * y;
        self.yy += weight * y * y;
    }

    fn add(&mut self, other: &Self) {
        self.one += other.one;
        self.x += other.x;
        self.y += other.y;
        self.xx += other.xx;
        self.xy += other.xy;
        self.yy += other.yy;
    }

    /// The same sums when a term common to all of them, of the given variance, is added to the
    /// covariance (Sherman and Morrison).
    fn with_common(&self, variance: f64) -> Self {
        let shrink = 1.0 / (1.0 + variance * self.one);
        let taken = variance * shrink;
        Self {
            one: self.one * shrink,
            x: self.x * shrink,
            y: self.y * shrink,
            xx: self.xx - taken * self.x * self.x,
            xy: self.xy - taken * self.x * self.y,
            yy: self.yy - taken * self.y * self.y,
        }
    }

    /// The same when `x` times a number of the given variance is added.
    fn with_slope(&self, variance: f64) -> Self {
        let taken = variance / (1.0 + variance * self.xx);
        Self {
            one: self.one - taken * self.x * self.x,
            x: self.x - taken * self.x * self.xx,
            y: self.y - taken * self.x * self.xy,
            xx: self.xx - taken * self.xx * self.xx,
            xy: self.xy - taken * self.xx * self.xy,
            yy: self.yy - taken * self.xy * self.xy,
        }
    }

    /// The sums about the group's own weighted mean.
    fn centred(&self) -> Self {
        Self {
            xx: self.xx - self.x * self.x / self.one,
            xy: self.xy - self.x * self.y / self.one,
            yy: self.yy - self.y * self.y / self.one,
            ..Self::default()
        }
    }
}

/// A fit of the common slope at given variance components.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Slope {
    /// `L`, s.
    pub(super) lag: f64,
    /// Information about `L`, s⁻²: the inverse of its variance.
    pub(super) information: f64,
    /// Restricted log likelihood.
    pub(super) log_likelihood: f64,
}

/// Events of one gauge in order of group and test, so that each group is a run of tests and each
/// test a run of events.
///
/// `guess` is the lag at which the variance of each event is taken.
pub(super) fn slope(events: &[RateEvent], guess: f64, components: Components) -> Slope {
    let mut total = Products::default();
    let mut log_det = 0.0;
    for group in events.chunk_by(|a, b| a.group == b.group) {
        let mut sums = Products::default();
        for test in group.chunk_by(|a, b| a.test == b.test) {
            let (products, log) = of_test(test, guess, components);
            log_det += log;
            sums.add(&products);
        }
        log_det += sums.one.ln();
        total.add(&sums.centred());
    }
    let lag = total.xy / total.xx;
    let misfit = total.yy - total.xy * lag;
    Slope { lag, information: total.xx, log_likelihood: -0.5 * (log_det + total.xx.ln() + misfit) }
}

/// Sums of the events of a test, and the logarithm of the determinant of their covariance.
fn of_test(test: &[RateEvent], guess: f64, components: Components) -> (Products, f64) {
    let (mut products, mut log_det) = (Products::default(), 0.0);
    for event in test {
        let variance = event.variance(guess) + components.event;
        products.add_event(1.0 / variance, -event.signal.rate, event.signal.value);
        log_det += variance.ln();
    }
    let clock = test.iter().map(|event| event.clock_u_s).fold(0.0, f64::max).powi(2);
    if clock > 0.0 {
        log_det += (clock * products.xx).ln_1p();
        products = products.with_slope(clock);
    }
    log_det += (components.test * products.one).ln_1p();
    (products.with_common(components.test), log_det)
}

/// What the clocks of the tests add to the variance of the lag beyond [`slope`], s², because a test's
/// closings and openings are off by one time.
///
/// A shift of test `t` by `δ` adds `cₜ δ` to the lag, `cₜ` being the sum of the shares of its two
/// directions: `Σ (cₜ² − Σ c²) u(δ)²`.
pub(super) fn across_directions(events: &[RateEvent], guess: f64, components: Components) -> f64 {
    if events.iter().all(|event| event.clock_u_s == 0.0) {
        return 0.0;
    }
    let (mut shares, mut total) = (Vec::new(), 0.0);
    for group in events.chunk_by(|a, b| a.group == b.group) {
        let tests = group.chunk_by(|a, b| a.test == b.test);
        let found: Vec<(&RateEvent, Products)> =
            tests.map(|test| (&test[0], of_test(test, guess, components).0)).collect();
        let mut sums = Products::default();
        for (_, products) in &found {
            sums.add(products);
        }
        total += sums.centred().xx;
        let share = |products: &Products| products.xx - sums.x * products.x / sums.one;
        shares.extend(found.iter().map(|(event, own)| (event.test, event.clock_u_s, share(own))));
    }
    shares.sort_by_key(|share| share.0);
    let of_test = |test: &[(u64, f64, f64)]| {
        let sum: f64 = test.iter().map(|share| share.2).sum();
        let own: f64 = test.iter().map(|share| share.2 * share.2).sum();
        (sum * sum - own) * test[0].1 * test[0].1
    };
    let sum: f64 = shares.chunk_by(|a, b| a.0 == b.0).map(of_test).sum();
    (sum / (total * total)).max(0.0)
}
