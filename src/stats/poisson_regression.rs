//! Regression of counts: log-linear rates, with a check for more spread than Poisson counts have.
//!
//! In: counts, exposures, covariates. Out: log rate ratios with covariance, deviance, dispersion.

use super::tails::chi_squared_upper_p;
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// One count.
#[derive(Debug, Clone, PartialEq)]
pub struct Count {
    /// Number of events.
    pub events: f64,
    /// Time at risk behind it, above zero.
    pub exposure: f64,
    /// Covariates, the intercept (1) among them.
    pub covariates: Vec<f64>,
}

/// A fitted log-linear model, `E[events] = exposure · exp(x·coefficients)`.
#[derive(Debug, Clone, PartialEq)]
pub struct PoissonFit {
    /// Natural logs of rate ratios per unit.
    pub coefficients: Vec<f64>,
    /// Covariance of Poisson counts; times [`PoissonFit::dispersion`] for overdispersed ones.
    pub covariance: DMatrix<f64>,
    /// Twice the log likelihood that the model falls short of one that fits each count exactly.
    pub deviance: f64,
    /// Pearson's chi-squared, `Σ (y − μ)²/μ`.
    pub pearson: f64,
    /// Counts less coefficients.
    pub df: usize,
    /// Expected counts.
    pub expected: Vec<f64>,
}

/// Why there is no fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoPoissonFit {
    /// Fewer counts with exposure than coefficients.
    TooFewCounts,
    /// No event at all: every rate is 0.
    NoEvents,
    /// A rate ratio has no bound: a level of a covariate has no event.
    Separation,
    /// Covariates say the same thing.
    Collinear,
}

impl PoissonFit {
    /// Pearson's chi-squared per degree of freedom; 1 for Poisson counts, more where months differ more than chance
    /// makes them. `None` without degrees of freedom.
    pub fn dispersion(&self) -> Option<f64> {
        (0 < self.df).then(|| self.pearson / self.df as f64)
    }

    /// Probability of a Pearson statistic at least as large from Poisson counts.
    pub fn dispersion_p(&self) -> f64 {
        chi_squared_upper_p(self.pearson, self.df)
    }

    /// Standard error of a coefficient, made wider by the square root of a `dispersion` above 1.
    pub fn standard_error(&self, coefficient: usize, dispersion: f64) -> Option<f64> {
        let variance = *self.covariance.get((coefficient, coefficient))?;
        Some((variance * dispersion.max(1.0)).sqrt())
    }
}

/// Fits by iteratively reweighted least squares.
///
/// Counts without exposure are left out. Source: J. A. Nelder, R. W. M. Wedderburn, J. R. Stat. Soc. A 135 (1972)
/// 370–384; dispersion: P. McCullagh, J. A. Nelder, *Generalized Linear Models*, 2nd ed. 1989, section 6.2.3 (from
/// memory). Checked against R's `glm` (tests/it/reference_rates.rs).
pub fn fit(counts: &[Count]) -> Result<PoissonFit, NoPoissonFit> {
    let used: Vec<&Count> = counts
        .iter()
        .filter(|c| {
            0.0 < c.exposure && c.exposure.is_finite() && 0.0 <= c.events && c.events.is_finite()
        })
        .collect();
    let p = used.first().map_or(0, |c| c.covariates.len());
    if used.len() < p || p == 0 {
        return Err(NoPoissonFit::TooFewCounts);
    }
    let total: f64 = used.iter().map(|c| c.events).sum();
    if total == 0.0 {
        return Err(NoPoissonFit::NoEvents);
    }
    let x = DMatrix::from_fn(used.len(), p, |i, j| {
        used[i].covariates.get(j).copied().unwrap_or(0.0)
    });
    let y = DVector::from_iterator(used.len(), used.iter().map(|c| c.events));
    let offset = DVector::from_iterator(used.len(), used.iter().map(|c| c.exposure.ln()));

    // Start from the data, pulled a little off zero, as `glm` does.
    let mut mu = y.map(|y| y + 0.1);
    let mut deviance = f64::INFINITY;
    for _ in 0..100 {
        let working = DVector::from_fn(y.len(), |i, _| {
            mu[i].ln() - offset[i] + (y[i] - mu[i]) / mu[i]
        });
        let Weighted {
            x: weighted,
            scale,
            cholesky,
        } = weigh(&x, &mu)?;
        let right = (weighted.transpose() * working).component_div(&scale);
        let beta = cholesky.solve(&right).component_div(&scale);
        mu = DVector::from_fn(y.len(), |i, _| {
            (offset[i] + x.row(i).dot(&beta.transpose())).exp()
        });
        let next = deviance_of(&y, &mu);
        if !next.is_finite() {
            return Err(NoPoissonFit::Separation);
        }
        let still = (next - deviance).abs() <= 1e-13 * (next.abs() + 0.1);
        deviance = next;
        if still {
            // On the way to a rate of 0 the deviance stands still while the expected count goes on falling.
            let empty = mu.iter().any(|&m| m < 1e-8);
            if empty {
                return Err(NoPoissonFit::Separation);
            }
            let Weighted {
                scale, cholesky, ..
            } = weigh(&x, &mu)?;
            let inverse = cholesky.inverse();
            return Ok(PoissonFit {
                coefficients: beta.iter().copied().collect(),
                covariance: DMatrix::from_fn(p, p, |i, j| inverse[(i, j)] / (scale[i] * scale[j])),
                deviance,
                pearson: y
                    .iter()
                    .zip(mu.iter())
                    .map(|(y, m)| (y - m).powi(2) / m)
                    .sum(),
                df: used.len() - p,
                expected: mu.iter().copied().collect(),
            });
        }
    }
    Err(NoPoissonFit::Separation)
}

/// Rows times their weights, and the information `xᵀ·diag(mu)·x` as a decomposed correlation, its columns' sizes apart:
/// columns may differ by orders of magnitude.
struct Weighted {
    x: DMatrix<f64>,
    scale: DVector<f64>,
    cholesky: Cholesky<f64, Dyn>,
}

fn weigh(x: &DMatrix<f64>, mu: &DVector<f64>) -> Result<Weighted, NoPoissonFit> {
    let p = x.ncols();
    let weighted = DMatrix::from_fn(x.nrows(), p, |i, j| x[(i, j)] * mu[i]);
    let information = x.transpose() * &weighted;
    let scale = DVector::from_fn(p, |j, _| information[(j, j)].sqrt());
    if scale.iter().any(|&s| s.is_nan() || s <= 1e-7) {
        return Err(NoPoissonFit::Separation);
    }
    let correlation = DMatrix::from_fn(p, p, |i, j| information[(i, j)] / (scale[i] * scale[j]));
    let cholesky = correlation.cholesky().ok_or(NoPoissonFit::Collinear)?;
    if (0..p).any(|j| cholesky.l_dirty()[(j, j)] < 1e-7) {
        return Err(NoPoissonFit::Collinear);
    }
    Ok(Weighted {
        x: weighted,
        scale,
        cholesky,
    })
}

fn deviance_of(y: &DVector<f64>, mu: &DVector<f64>) -> f64 {
    2.0 * y
        .iter()
        .zip(mu.iter())
        .map(|(&y, &m)| {
            if y == 0.0 {
                m
            } else {
                y * (y / m).ln() - (y - m)
            }
        })
        .sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn count(events: f64, exposure: f64, covariates: &[f64]) -> Count {
        Count {
            events,
            exposure,
            covariates: covariates.to_vec(),
        }
    }

    #[test]
    fn an_intercept_alone_is_the_overall_rate() {
        let fit = fit(&[
            count(3.0, 10.0, &[1.0]),
            count(7.0, 30.0, &[1.0]),
            count(0.0, 10.0, &[1.0]),
        ])
        .unwrap();
        assert!((fit.coefficients[0] - 0.2_f64.ln()).abs() < 1e-12);
        assert!((fit.covariance[(0, 0)] - 0.1).abs() < 1e-12); // 1 / events
    }

    #[rstest]
    #[case(vec![count(0.0, 1.0, &[1.0]), count(0.0, 1.0, &[1.0])], NoPoissonFit::NoEvents)]
    #[case(vec![count(1.0, 0.0, &[1.0])], NoPoissonFit::TooFewCounts)]
    #[case(vec![], NoPoissonFit::TooFewCounts)]
    #[case(vec![count(1.0, 1.0, &[1.0, 2.0]), count(2.0, 1.0, &[1.0, 2.0]), count(4.0, 1.0, &[1.0, 2.0])], NoPoissonFit::Collinear)]
    #[case(vec![count(5.0, 1.0, &[1.0, 0.0]), count(4.0, 1.0, &[1.0, 0.0]), count(0.0, 1.0, &[1.0, 1.0]), count(0.0, 1.0, &[1.0, 1.0])], NoPoissonFit::Separation)]
    fn what_cannot_be_fitted_says_why(#[case] counts: Vec<Count>, #[case] why: NoPoissonFit) {
        assert_eq!(fit(&counts), Err(why));
    }
}
