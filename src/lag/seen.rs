//! Two gauges on one pressure, and the density of what made their readings.

use nalgebra::{DMatrix, DVector};

use super::aligned::Match;
use super::display::Shown;
use super::pair::{Channel, Explained, Pair, explained};
use crate::base::Result;
use crate::smooth::{Path, State, fit};

/// Readings without a display step are taken for noisy by this share of their scatter, at least.
const QUIET: f64 = 1e-3;
/// Relative standard uncertainty of what two gauges on one pressure show beside each other, before
/// anything is known of them. Common practice, no source. It counts where the pressure is a single
/// wave, whose shrinking may be the scale's or the time constant's.
const SCALE_U: f64 = 0.05;

/// Readings of a gauge and of a reference, and what a search of their lag starts from.
///
/// The parameters of a search are lag, time constant, and the logarithms of scale, unsteadiness and
/// both noises. A first-order gauge delays a wave of angular frequency `ω` by
/// `arctan(ωT)/ω` and shrinks it by `√(1 + ω²T²)`: where the pressure has few frequencies only
/// these two are known, and lag and scale lie on a curve over the time constant. Lag and scale are
/// therefore searched as those of a wave of the pressure's own frequency, which makes the curve a
/// straight line; nothing else depends on it.
#[derive(Debug, Clone)]
pub(super) struct Seen<'a> {
    pub(super) tested: &'a Shown,
    pub(super) known: &'a Shown,
    pub(super) max_lag_s: f64,
    /// Mean interval of the slower log, s.
    pub(super) interval_s: f64,
    /// Frequencies of the pressure's rate and of the pressure, rad/s.
    frequencies: [f64; 2],
    unsteadiness: f64,
    reference_noise: f64,
    floors: [f64; 2],
    wide: f64,
    /// Number of readings that tell as much as one would if the pressure were a random walk.
    alike: f64,
}

impl<'a> Seen<'a> {
    pub(super) fn new(tested: &'a Shown, known: &'a Shown, max_lag_s: f64) -> Self {
        let interval = |shown: &Shown| {
            (shown.time[shown.time.len() - 1] - shown.time[0]) / (shown.time.len() - 1) as f64
        };
        let whole = 0..known.time.len();
        let smooth = fit(&known.time, &known.value, std::slice::from_ref(&whole));
        let floor = |shown: &Shown| match shown.step {
            Some(step) => step / 12.0_f64.sqrt(),
            None => (QUIET * QUIET * variance(&shown.value)).sqrt().max(f64::MIN_POSITIVE),
        };
        let floors = [floor(tested), floor(known)];
        let states = states(known, smooth.lambda, smooth.variance).unwrap_or_default();
        Self {
            tested,
            known,
            max_lag_s,
            interval_s: interval(tested).max(interval(known)),
            frequencies: frequencies(&known.time, &states),
            unsteadiness: (smooth.lambda * smooth.variance).max(f64::MIN_POSITIVE),
            reference_noise: smooth.variance.sqrt().max(1.1 * floors[1]),
            floors,
            wide: 100.0 * variance(&tested.value).sqrt(),
            alike: 1.0,
        }
        .with_alike()
    }

    /// With the correlation of the reference's own surprises. An integrated random walk leaves none.
    /// A wave does: it is as smooth as the walk that follows it is rough, and the roughness that
    /// neither gauge shows would be taken for noise of one and for the time constant of the other.
    /// A likelihood is a sum of squares, and correlated ones are worth `n/(1 + 2 Σ ρₖ²)` (Bartlett).
    fn with_alike(self) -> Self {
        let pair = Pair {
            dead_s: 0.0,
            constant_s: self.interval_s,
            scale: 1.0,
            unsteadiness: self.unsteadiness,
            noise: 1.0,
            reference_noise: self.reference_noise * self.reference_noise,
        };
        let known = Channel { time: &self.known.time, value: &self.known.value };
        let mut surprises = Vec::new();
        explained(Channel { time: &[], value: &[] }, known, &pair, self.wide, |surprise| {
            surprises.push(surprise);
        });
        // The first two only say where the walk starts.
        Self { alike: alike(&surprises[2..]), ..self }
    }

    /// The same for some of the tested gauge's readings.
    pub(super) fn with_tested<'b>(&self, tested: &'b Shown) -> Seen<'b>
    where
        'a: 'b,
    {
        Seen { tested, ..self.clone() }
    }

    /// Where a search starts from a match of the readings.
    pub(super) fn guess(&self, near: &Match) -> DVector<f64> {
        let constant = (near.lag_s / 2.0).max(self.interval_s / 2.0);
        let own = (near.squares / near.count).sqrt().max(1.1 * self.floors[0]);
        DVector::from_vec(vec![
            near.lag_s,
            constant,
            near.slope.clamp(0.25, 4.0).ln(),
            self.unsteadiness.ln(),
            own.ln(),
            self.reference_noise.ln(),
        ])
    }

    pub(super) fn covariance(&self, guess: &DVector<f64>) -> DMatrix<f64> {
        let sizes = [self.interval_s, 0.7 * guess[1], SCALE_U, 0.7, 0.15, 0.15];
        DMatrix::from_diagonal(&DVector::from_iterator(6, sizes.map(|size| size * size)))
    }

    pub(super) fn pair(&self, theta: &DVector<f64>) -> Pair {
        let constant_s = theta[1];
        let [of_rate, of_level] = self.frequencies.map(|frequency| frequency * constant_s);
        // The mean delay of a slow pressure is T itself.
        let delay = if of_rate > 1e-6 { constant_s * of_rate.atan() / of_rate } else { constant_s };
        let [noise, reference_noise] = [4, 5].map(|which| (2.0 * theta[which]).exp());
        Pair {
            dead_s: theta[0] - delay,
            constant_s,
            scale: theta[2].exp() * of_level.hypot(1.0),
            unsteadiness: theta[3].exp(),
            noise,
            reference_noise,
        }
    }

    /// Mean lag `D + T`, s.
    pub(super) fn lag_s(&self, theta: &DVector<f64>) -> f64 {
        let pair = self.pair(theta);
        pair.dead_s + pair.constant_s
    }

    /// Log density: flat in lag, time constant and the logarithms of unsteadiness and noises, normal
    /// in that of the scale.
    pub(super) fn log_density(&self, theta: &DVector<f64>) -> f64 {
        let pair = self.pair(theta);
        let inside = (pair.dead_s + pair.constant_s).abs() < self.max_lag_s
            && (self.interval_s / 100.0..2.0 * self.max_lag_s).contains(&pair.constant_s)
            && (0.2..5.0).contains(&pair.scale)
            && pair.noise > self.floors[0].powi(2)
            && pair.reference_noise > self.floors[1].powi(2);
        if !inside {
            return f64::NEG_INFINITY;
        }
        let apart = pair.scale.ln() / SCALE_U;
        -apart * apart / 2.0 + self.explained(&pair).log_likelihood / self.alike
    }

    /// How many readings tell as much as one would if the pressure were a random walk.
    pub(super) const fn alike(&self) -> f64 {
        self.alike
    }

    pub(super) fn explained(&self, pair: &Pair) -> Explained {
        let [tested, known] = [self.tested, self.known]
            .map(|shown| Channel { time: &shown.time, value: &shown.value });
        explained(tested, known, pair, self.wide, |_| ())
    }
}

/// Whether readings move by more than their noise.
pub(super) fn moves(shown: &Shown) -> bool {
    let whole = 0..shown.time.len();
    let smooth = fit(&shown.time, &shown.value, std::slice::from_ref(&whole));
    smooth.variance < 0.5 * variance(&shown.value)
}

fn variance(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / n
}

/// `1 + 2 Σ ρₖ²` over lags of up to a quarter of the series, less what chance adds.
fn alike(series: &[f64]) -> f64 {
    let n = series.len();
    let mean = series.iter().sum::<f64>() / n as f64;
    let product = |lag: usize| -> f64 {
        (lag..n).map(|i| (series[i] - mean) * (series[i - lag] - mean)).sum()
    };
    let whole = product(0);
    let squares: f64 = (1..=n / 4)
        .map(|lag| (product(lag) / whole).powi(2) - (n - lag) as f64 / (n * n) as f64)
        .sum();
    let alike = 1.0 + 2.0 * squares;
    if alike > 1.0 { alike } else { 1.0 }
}

fn states(known: &Shown, lambda: f64, noise: f64) -> Result<Vec<State>> {
    let path = Path::new(&known.time, &known.value, lambda, noise)?;
    Ok(known.time.iter().filter_map(|&t| path.at(t)).collect())
}

/// Ratios of the standard deviations of curvature and rate, and of rate and pressure, rad/s.
fn frequencies(time: &[f64], states: &[State]) -> [f64; 2] {
    let levels: Vec<f64> = states.iter().map(|state| state.value).collect();
    let rates: Vec<f64> = states.iter().map(|state| state.rate).collect();
    let bends: Vec<f64> =
        (1..rates.len()).map(|i| (rates[i] - rates[i - 1]) / (time[i] - time[i - 1])).collect();
    let ratio = |of: &[f64], to: &[f64]| {
        let ratio = (variance(of) / variance(to)).sqrt();
        if ratio.is_finite() { ratio } else { 0.0 }
    };
    [ratio(&bends, &rates), ratio(&rates, &levels)]
}
