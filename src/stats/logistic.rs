//! Logistic regression with a normal prior on each coefficient, as a step of an imputation.
//!
//! In: yes or no with covariates. Out: the coefficients with the highest posterior density and the Cholesky factor of their
//! covariance, from which a draw is made.

use nalgebra::{DMatrix, DVector};

/// Mode of the posterior and a square root `R` of its covariance (`R Rᵀ`).
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    /// The mode.
    pub mode: DVector<f64>,
    /// `R`.
    pub root: DMatrix<f64>,
}

/// A normal prior, independent for each coefficient.
#[derive(Debug, Clone, PartialEq)]
pub struct Prior {
    /// Means.
    pub mean: Vec<f64>,
    /// Standard deviations, above 0.
    pub deviation: Vec<f64>,
}

/// Steps of Newton's method; the prior makes the density log-concave and steep, so few are needed.
const MOST_STEPS: usize = 40;

/// Fits by Newton's method; `rows` holds the covariates, row after row, as many each as the prior has coefficients.
///
/// Laplace approximation: A. Gelman and others, *Bayesian Data Analysis*, section 4.1 (from memory). `None` without a coefficient or where a number is
/// not finite.
pub fn posterior(yes: &[bool], rows: &[f64], prior: &Prior) -> Option<Posterior> {
    if prior.mean.is_empty() {
        return None;
    }
    let precision: Vec<f64> = prior.deviation.iter().map(|d| 1.0 / (d * d)).collect();
    let mut mode = DVector::from_column_slice(&prior.mean);
    for _ in 0..MOST_STEPS {
        let (gradient, information) = slopes(yes, rows, &mode, &prior.mean, &precision);
        let step = information.cholesky()?.solve(&gradient);
        if !step.iter().all(|x| x.is_finite()) {
            return None;
        }
        let size = step.amax();
        mode += step * (2.0 / size.max(2.0)); // no leap
        if size < 1e-8 {
            break;
        }
    }
    let (_, information) = slopes(yes, rows, &mode, &prior.mean, &precision);
    let covariance = information.cholesky()?.inverse();
    let root = covariance.cholesky()?.l();
    Some(Posterior { mode, root })
}

fn slopes(
    yes: &[bool],
    rows: &[f64],
    at: &DVector<f64>,
    mean: &[f64],
    precision: &[f64],
) -> (DVector<f64>, DMatrix<f64>) {
    let width = mean.len();
    let mut gradient = DVector::from_fn(width, |j, _| precision[j] * (mean[j] - at[j]));
    let mut information =
        DMatrix::from_fn(width, width, |i, j| if i == j { precision[i] } else { 0.0 });
    for (&yes, x) in yes.iter().zip(rows.chunks_exact(width)) {
        let logit: f64 = x.iter().zip(at.iter()).map(|(x, b)| x * b).sum();
        let p = 1.0 / (1.0 + (-logit).exp());
        let (rest, weight) = (f64::from(u8::from(yes)) - p, p * (1.0 - p));
        for (i, &xi) in x.iter().enumerate().filter(|(_, x)| **x != 0.0) {
            gradient[i] += rest * xi;
            for (j, &xj) in x.iter().enumerate() {
                information[(i, j)] += weight * xi * xj;
            }
        }
    }
    (gradient, information)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn with_a_vague_prior_a_two_by_two_table_gives_its_log_odds() {
        // 3 of 10 without, 8 of 12 with: log odds ln(3/7) and ln(8/4) − ln(3/7); variance of the second 1/3 + 1/7 + 1/8 + 1/4.
        let groups = [(3, 10, 0.0), (8, 12, 1.0)];
        let (mut yes, mut rows) = (Vec::new(), Vec::new());
        for (events, all, x) in groups {
            for i in 0..all {
                yes.push(i < events);
                rows.extend([1.0, x]);
            }
        }
        let prior = Prior {
            mean: vec![0.0; 2],
            deviation: vec![1e4; 2],
        };
        let found = posterior(&yes, &rows, &prior).unwrap();
        let first = (3.0_f64 / 7.0).ln();
        assert!((found.mode[0] - first).abs() < 1e-6);
        assert!((found.mode[1] - (2.0_f64.ln() - first)).abs() < 1e-6);
        let covariance = &found.root * found.root.transpose();
        let variance = 1.0 / 3.0 + 1.0 / 7.0 + 1.0 / 8.0 + 1.0 / 4.0;
        assert!((covariance[(1, 1)] - variance).abs() < 1e-6);
    }

    #[test]
    fn without_data_the_prior_stays() {
        let prior = Prior {
            mean: vec![-1.5],
            deviation: vec![0.5],
        };
        let found = posterior(&[], &[], &prior).unwrap();
        assert!((found.mode[0] + 1.5).abs() < 1e-12 && (found.root[(0, 0)] - 0.5).abs() < 1e-12);
    }
}
