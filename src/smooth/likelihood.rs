//! Restricted likelihood of the smoothing parameter, several values of it in one pass: the filter
//! waits for its own last result, and values side by side fill the wait.

/// Sums that the likelihood is made of, for each of several values of `λ`.
///
/// With the one-step prediction errors `v` and their variances `F` (in units of `σ²`), over all
/// stretches, the first two readings of each having gone into the diffuse start.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sums<const LANES: usize> {
    /// `Σ v²/F`.
    pub(super) squares: [f64; LANES],
    /// `Σ ln F`.
    pub(super) log_det: [f64; LANES],
    /// Number of terms.
    pub(super) terms: f64,
}

impl<const LANES: usize> Default for Sums<LANES> {
    fn default() -> Self {
        Self { squares: [0.0; LANES], log_det: [0.0; LANES], terms: 0.0 }
    }
}

impl<const LANES: usize> Sums<LANES> {
    /// Noise variance `σ̂² = Σ(v²/F)/(n − 2)`.
    pub(super) fn variance(&self, lane: usize) -> f64 {
        self.squares[lane] / self.terms
    }

    /// Restricted log likelihood, `σ²` profiled out:
    /// `−½ [(n − 2)(ln 2πσ̂² + 1) + Σ ln F]`.
    pub(super) fn log_likelihood(&self, lane: usize) -> f64 {
        let scale = (std::f64::consts::TAU * self.variance(lane)).ln() + 1.0;
        -0.5 * (self.terms * scale + self.log_det[lane])
    }

    /// Adds one stretch: readings `y` at increasing times.
    pub(super) fn add(&mut self, time: &[f64], y: &[f64], lambda: [f64; LANES]) {
        /// The product of the `F` is turned into a logarithm before it can overflow.
        const LARGE: f64 = 1e100;
        if time.len() < 3 {
            return;
        }
        let h = time[1] - time[0];
        let mut value = [y[1]; LANES];
        let mut rate = [(y[1] - y[0]) / h; LANES];
        let (mut a, mut b) = ([1.0; LANES], [1.0 / h; LANES]);
        let mut c = lambda.map(|lambda| 2.0 / (h * h) + lambda * h / 3.0);
        let mut product = [1.0_f64; LANES];
        let mut squares = [0.0; LANES];
        for (times, &reading) in time[1..].windows(2).zip(&y[2..]) {
            let h = times[1] - times[0];
            let (half, third) = (h * h / 2.0, h * h * h / 3.0);
            for lane in 0..LANES {
                let with_rate = b[lane] + h * c[lane];
                let var_value = a[lane] + h * (b[lane] + with_rate) + lambda[lane] * third;
                let cov = with_rate + lambda[lane] * half;
                let f = var_value + 1.0;
                let inverse = 1.0 / f;
                let ahead = value[lane] + h * rate[lane];
                let error = reading - ahead;
                let weighted = error * inverse;
                value[lane] = ahead + var_value * weighted;
                rate[lane] += cov * weighted;
                a[lane] = var_value * inverse;
                b[lane] = cov * inverse;
                c[lane] += lambda[lane] * h - cov * b[lane];
                squares[lane] += error * weighted;
                product[lane] *= f;
            }
            if product.iter().any(|&product| product > LARGE) {
                for (log, product) in self.log_det.iter_mut().zip(&mut product) {
                    *log += product.ln();
                    *product = 1.0;
                }
            }
        }
        for lane in 0..LANES {
            self.squares[lane] += squares[lane];
            self.log_det[lane] += product[lane].ln();
        }
        self.terms += (time.len() - 2) as f64;
    }
}
