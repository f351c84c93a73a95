//! Nodes and weights of Gauss and Legendre.

use std::f64::consts::PI;

/// Nodes and weights on `[-1, 1]` with `n ≥ 1` nodes, by Newton's method on the Legendre polynomial.
///
/// Exact for polynomials up to degree `2n - 1`. Source: W. H. Press et al., *Numerical Recipes*, 3rd
/// ed. (2007), section 4.6.
pub(super) fn legendre(n: usize) -> (Vec<f64>, Vec<f64>) {
    let (mut nodes, mut weights) = (vec![0.0; n], vec![0.0; n]);
    for i in 0..n.div_ceil(2) {
        let mut x = ((i as f64 + 0.75) * PI / (n as f64 + 0.5)).cos();
        let mut slope = 1.0;
        for _ in 0..20 {
            let (mut last, mut before) = (1.0, 0.0);
            for j in 0..n {
                let j = j as f64;
                (last, before) = (((2.0 * j + 1.0) * x * last - j * before) / (j + 1.0), last);
            }
            slope = n as f64 * (x * last - before) / (x * x - 1.0);
            let step = last / slope;
            x -= step;
            if step.abs() < 1e-15 {
                break;
            }
        }
        let weight = 2.0 / ((1.0 - x * x) * slope * slope);
        (nodes[i], nodes[n - 1 - i]) = (-x, x);
        (weights[i], weights[n - 1 - i]) = (weight, weight);
    }
    (nodes, weights)
}

/// The same between `low` and `high`.
pub(super) fn between(n: usize, low: f64, high: f64) -> (Vec<f64>, Vec<f64>) {
    let (mut nodes, mut weights) = legendre(n);
    let (middle, half) = (f64::midpoint(low, high), 0.5 * (high - low));
    nodes.iter_mut().for_each(|x| *x = middle + half * *x);
    weights.iter_mut().for_each(|w| *w *= half);
    (nodes, weights)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn polynomials_are_integrated_exactly(n in 1usize..400, share in 0.0f64..1.0) {
            let degree = (share * (2.0 * n as f64 - 1.0)) as i32;
            let (nodes, weights) = between(n, 0.0, 2.0);
            let sum: f64 = nodes.iter().zip(&weights).map(|(x, w)| w * (x / 2.0).powi(degree)).sum();
            prop_assert!((sum * f64::from(degree + 1) / 2.0 - 1.0).abs() < 1e-11);
            prop_assert!(nodes.windows(2).all(|pair| pair[0] < pair[1]));
        }
    }
}
