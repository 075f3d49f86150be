//! Textbook numerics with their sources; knows no pump.
//!
//! In: counts, exposures, follow-up times, covariates, series. Out: estimates with intervals, tests, limits of charts.
//! What cannot be estimated is `None` or an error that says why, never NaN. Distributions come from `statrs`.

pub mod charts;
pub mod conditional_logistic;
pub mod cox;
pub mod cumulative_incidence;
pub mod funnel;
pub mod kaplan_meier;
pub mod log_rank;
pub mod logistic;
pub mod normal;
pub mod poisson;
pub mod poisson_regression;
pub mod robust;
pub mod rubin;
pub mod tails;
