//! Simulated fleets for the tests of growth.

use deadband::drift::growth::{Effect, GrowthData};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// A fleet whose truth is known: two lots of different slope, known and unknown scatter.
#[derive(Debug, Clone)]
pub(crate) struct Fleet {
    pub(crate) switches: u64,
    pub(crate) tests: usize,
    pub(crate) slope: f64,
    pub(crate) slope_sd: f64,
    pub(crate) lot_slope: f64,
    pub(crate) excess_sd: f64,
    pub(crate) time: Vec<f64>,
    pub(crate) value: Vec<f64>,
    pub(crate) u: Vec<f64>,
    pub(crate) switch: Vec<u64>,
    pub(crate) lot: Vec<u32>,
    /// True level at time 0 and slope of each switch.
    pub(crate) truth: Vec<(f64, f64)>,
}

impl Default for Fleet {
    fn default() -> Self {
        Self {
            switches: 40,
            tests: 5,
            slope: -0.4,
            slope_sd: 0.2,
            lot_slope: -0.3,
            excess_sd: 0.2,
            time: vec![],
            value: vec![],
            u: vec![],
            switch: vec![],
            lot: vec![],
            truth: vec![],
        }
    }
}

impl Fleet {
    pub(crate) fn draw(mut self, seed: u64) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut normal = || random.sample::<f64, _>(StandardNormal);
        for switch in 0..self.switches {
            let lot = (switch % 2) as u32;
            let (a, b) = (normal(), normal());
            let level = 60.0 + 1.5 * a;
            let slope = self.slope
                + self.slope_sd * (0.5 * a + 0.75_f64.sqrt() * b)
                + self.lot_slope * f64::from(lot);
            self.truth.push((level, slope));
            for test in 0..self.tests {
                let t = test as f64 - 2.0 + 0.3 * (switch as f64).sin();
                let u = 0.2 + 0.3 * (test as f64 * 0.7 + switch as f64).sin().abs();
                let scatter = u.hypot(self.excess_sd) * normal();
                self.time.push(t);
                self.value.push(level + slope * t + scatter);
                self.u.push(u);
                self.switch.push(switch);
                self.lot.push(lot);
            }
        }
        self
    }

    pub(crate) fn data(&self) -> GrowthData {
        let lot = Effect { level: self.lot.clone(), levels: 2, slope: true };
        GrowthData::new(&self.time, &self.value, &self.u, &self.switch, &[lot]).expect("valid")
    }
}
