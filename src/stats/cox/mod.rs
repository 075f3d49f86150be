//! Cox regression in counting-process form: time-varying covariates, delayed entry, strata, clusters, Efron ties.
//!
//! In: [`Rows`], one row for each stretch `(start, stop]` in which a subject's covariates stay the same.
//! Out: a [`Fit`], or a [`NoFit`] that says why there is none. [`likelihood`] sums over risk sets, [`residuals`]
//! gives the robust covariance and the check of proportional hazards.
//!
//! Sources: D. R. Cox, J. R. Stat. Soc. B 34 (1972) 187–220; counting process: P. K. Andersen, R. D. Gill, Ann. Stat.
//! 10 (1982) 1100–1120; ties: B. Efron, JASA 72 (1977) 557–565; formulae as in T. M. Therneau, P. M. Grambsch,
//! *Modeling Survival Data*, 2000, chapters 3, 6, 7 (from memory). Checked against lifelines, statsmodels and R's
//! survival (tests/it/reference_cox.rs).

mod likelihood;
mod residuals;
mod rows;

use super::tails::{Z_95, chi_squared_upper_p, two_sided_p};
use crate::units::Estimate;
use likelihood::{RiskSets, Sums};
use nalgebra::{DMatrix, DVector};
pub use residuals::{ProportionalHazards, Schoenfeld};
pub use rows::{Row, Rows};

/// Why there is no estimate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoFit {
    /// Nobody had the event.
    NoEvents,
    /// A covariate is the same for all who were at risk together whenever an event came: nothing to compare.
    NoVariation {
        /// The covariate's number.
        covariate: usize,
    },
    /// Events came only at the highest (or only at the lowest) values of a covariate: the ratio has no bound.
    Separation {
        /// The covariate's number.
        covariate: usize,
    },
    /// Covariates say the same thing: one is a sum of others.
    Collinear,
    /// The search did not settle, for no reason above.
    NotConverged,
}

/// A fitted model. Coefficients are natural logs of hazard ratios per unit of the covariate.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// One for each covariate.
    pub coefficients: Vec<f64>,
    /// From the information: holds if the model does and subjects are independent.
    pub covariance: DMatrix<f64>,
    /// From sums of score residuals over clusters; `None` with fewer than two clusters.
    pub robust_covariance: Option<DMatrix<f64>>,
    /// Log partial likelihood at the coefficients.
    pub log_likelihood: f64,
    /// Log partial likelihood with all coefficients 0.
    pub null_log_likelihood: f64,
    /// Score statistic for "all coefficients are 0"; chi-squared with as many degrees of freedom as covariates.
    pub score_statistic: f64,
    /// Number of events.
    pub events: usize,
    /// Residuals, one for each event in order of time, for the check of proportional hazards.
    pub schoenfeld: Vec<Schoenfeld>,
}

/// One coefficient as a ratio, with its interval and test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HazardRatio {
    /// Hazard ratio for one unit of the covariate, 95 % (Wald, on the log scale).
    pub ratio: Estimate,
    /// Standard error of its natural log.
    pub standard_error: f64,
    /// Two-sided Wald p for "the ratio is 1".
    pub p: f64,
}

impl Fit {
    /// The hazard ratio of a covariate, with the model's own standard error. `None` for a number out of range.
    pub fn hazard_ratio(&self, covariate: usize) -> Option<HazardRatio> {
        self.ratio_with(&self.covariance, covariate)
    }

    /// The same with the standard error that allows for clusters. `None` also with fewer than two clusters.
    pub fn clustered_hazard_ratio(&self, covariate: usize) -> Option<HazardRatio> {
        self.ratio_with(self.robust_covariance.as_ref()?, covariate)
    }

    fn ratio_with(&self, covariance: &DMatrix<f64>, covariate: usize) -> Option<HazardRatio> {
        let coefficient = *self.coefficients.get(covariate)?;
        let standard_error = covariance.get((covariate, covariate))?.sqrt();
        let half_width = Z_95 * standard_error;
        Some(HazardRatio {
            ratio: Estimate::new(
                coefficient.exp(),
                (coefficient - half_width).exp(),
                (coefficient + half_width).exp(),
            )?,
            standard_error,
            p: two_sided_p(coefficient / standard_error),
        })
    }

    /// Likelihood-ratio test of all coefficients: the statistic and its p.
    pub fn likelihood_ratio_test(&self) -> (f64, f64) {
        let statistic = 2.0 * (self.log_likelihood - self.null_log_likelihood);
        (
            statistic,
            chi_squared_upper_p(statistic, self.coefficients.len()),
        )
    }
}

/// Steps of the search; an estimate that exists is found in fewer than ten.
const MOST_STEPS: usize = 60;
/// The log likelihood no longer moves, relative to its size.
const FLAT: f64 = 1e-11;
/// The coefficients (per standard deviation of their covariate) no longer move.
const STILL: f64 = 1e-9;
/// Where the likelihood is flat while coefficients still move by this much, the estimate lies at infinity.
const RUNAWAY: f64 = 1e-3;

/// Fits the model to the rows: Newton's method with halved steps, covariates centred and scaled inside.
///
/// Wants covariates of finite value (see [`Rows::push`]). Gives a [`NoFit`] instead of an estimate that does not
/// exist; in particular separation is recognised by a likelihood that is flat while a coefficient still grows.
pub fn fit(rows: &Rows) -> Result<Fit, NoFit> {
    let events = rows.events();
    if events == 0 {
        return Err(NoFit::NoEvents);
    }
    let scaled = rows.scaled();
    if let Some(covariate) = scaled.scale.iter().position(|&s| s == 0.0) {
        return Err(NoFit::NoVariation { covariate });
    }
    let sets = RiskSets::new(&scaled.rows);
    let p = rows.covariates();

    let mut beta = DVector::<f64>::zeros(p);
    let mut at = sets.sums(&beta);
    let null = at.clone();
    if let Some(covariate) = (0..p).find(|&j| at.information[(j, j)] < 1e-10) {
        return Err(NoFit::NoVariation { covariate });
    }
    let score_statistic = at.gradient.dot(&newton_step(&at).ok_or(NoFit::Collinear)?);

    let mut settled = false;
    for _ in 0..MOST_STEPS {
        let Some(mut step) = newton_step(&at) else {
            return Err(runaway(&at, &beta)); // the information vanished on the way
        };
        let mut next = sets.sums(&(&beta + &step));
        for _ in 0..30 {
            if next.log_likelihood.is_finite()
                && at.log_likelihood - FLAT * at.log_likelihood.abs() <= next.log_likelihood
            {
                break;
            }
            step *= 0.5;
            next = sets.sums(&(&beta + &step));
        }
        let gain = next.log_likelihood - at.log_likelihood;
        beta += &step;
        at = next;
        let flat = gain.abs() <= FLAT * (1.0 + at.log_likelihood.abs());
        if flat && step.amax() <= STILL * (1.0 + beta.amax()) {
            settled = true;
            break;
        }
        if flat && RUNAWAY < step.amax() {
            return Err(NoFit::Separation {
                covariate: step.iamax(),
            });
        }
    }
    if !settled {
        return Err(runaway(&at, &beta));
    }

    let scaled_covariance = at
        .information
        .clone()
        .cholesky()
        .ok_or(NoFit::Collinear)?
        .inverse();
    let unscale = DVector::from_iterator(p, scaled.scale.iter().map(|s| 1.0 / s));
    let rescale =
        |m: &DMatrix<f64>| DMatrix::from_fn(p, p, |i, j| m[(i, j)] * unscale[i] * unscale[j]);
    let found = residuals::residuals(&sets, &beta);
    Ok(Fit {
        coefficients: beta.component_mul(&unscale).iter().copied().collect(),
        robust_covariance: residuals::robust_covariance(
            &found.score,
            &scaled.rows,
            &scaled_covariance,
        )
        .map(|m| rescale(&m)),
        covariance: rescale(&scaled_covariance),
        log_likelihood: at.log_likelihood,
        null_log_likelihood: null.log_likelihood,
        score_statistic,
        events,
        schoenfeld: found
            .schoenfeld
            .into_iter()
            .map(|s| s.unscaled(&scaled.scale))
            .collect(),
    })
}

fn newton_step(at: &Sums) -> Option<DVector<f64>> {
    let step = at.information.clone().cholesky()?.solve(&at.gradient);
    step.iter().all(|x| x.is_finite()).then_some(step)
}

/// The search left the region in which estimates lie: is a coefficient on its way to infinity?
fn runaway(at: &Sums, beta: &DVector<f64>) -> NoFit {
    let covariate = beta.iamax();
    if 10.0 < beta[covariate].abs() || at.information[(covariate, covariate)] < 1e-6 {
        NoFit::Separation { covariate }
    } else {
        NoFit::NotConverged
    }
}

#[cfg(test)]
mod tests;
