//! Reviews become a survey: across many infusions, how often, where, after what.
//!
//! In: a [`Cohort`] (what is known of each infusion) and [`Settings`]. Out: a [`Survey`], plain results that
//! [`crate::report`] words and draws. Definitions are the contract's, section 6; each module says its own.

mod adjust;
mod at_risk;
mod cohort;
mod competing;
mod exposure;
mod filter_survival;
mod group;
mod imputation;
#[cfg(test)]
mod made;
mod pause_effect;
pub mod periods;
mod pooled;
mod quality;
mod rates;
mod self_controlled;
mod sensitivity;
mod suppress;
mod survey;

pub use adjust::Adjustment;
pub use at_risk::{AtRisk, Ended, Filter, Outcome, filters};
pub use cohort::{Cohort, Facts, Happening, LinePause, Member, Skipped};
pub use competing::Incidence;
pub use exposure::{Exposure, PauseRule, Stretch};
pub use filter_survival::{FEW, GroupTest, Survival};
pub use group::Group;
pub use imputation::DRAWS;
pub use pause_effect::{Effect, Measure, Method, Proportional, contract_effect};
pub use pooled::{ExpectedRate, ExpectedRatio, NoRatio, Told};
pub use quality::{
    BeforeAfter, Funnel, FunnelPoint, LEAST_PERIODS, NoChart, NoComparison, OverTime, Period,
};
pub use rates::{Comparison, ROWS, Rate};
pub use self_controlled::SelfControlled;
pub use sensitivity::{Change, Variant, sensitivity};
pub use survey::{Expected, Settings, Survey, Undetermined, UnknownColumn, survey};

// The results' own types and limits, so that the report need not know the room below.
pub use crate::stats::charts::CUSUM_LIMIT;
pub use crate::stats::charts::Rule;
pub use crate::stats::cox::{HazardRatio, NoFit};
pub use crate::stats::funnel::funnel_limits;
pub use crate::stats::kaplan_meier::Step as SurvivalStep;
pub use crate::stats::poisson_regression::NoPoissonFit;
