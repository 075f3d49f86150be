//! The one entry: a cohort becomes a survey.

use super::adjust::Adjustment;
use super::at_risk::{AtRisk, Outcome, filters};
use super::cohort::{Cohort, Skipped};
use super::competing::{Incidence, competing};
use super::exposure::PauseRule;
use super::filter_survival::{GroupTest, Survival, group_test, survival};
use super::group::{Group, Grouped, groups};
use super::imputation::{DRAWS, Dated, completed, draws};
use super::pause_effect::{
    Effect, Measure, before_visible, counted, dose_response, further_measures, supply_control,
};
use super::periods::Every;
use super::pooled::{self, ExpectedRate, ExpectedRatio, Tallies, Told};
use super::quality::{
    BeforeAfter, Funnel, NoChart, NoComparison, OverTime, before_after, funnel, over_time,
};
use super::rates::{Comparison, Rate, comparisons, rate, rates};
use super::self_controlled::{SelfControlled, self_controlled};
use super::sensitivity::{Variant, sensitivity};
use super::suppress::suppress;
use crate::infer::Site;
use crate::record::Priors;
use jiff::civil::Date;
use rayon::prelude::*;

/// What a survey is asked for beyond what it always gives. Columns go by their headers.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Settings {
    /// Combinations of columns to group rates by, besides each column by itself.
    pub groups: Vec<Vec<String>>,
    /// Columns to adjust the effect of pauses for.
    pub adjust: Vec<String>,
    /// Columns within which to compare.
    pub stratify: Vec<String>,
    /// Months or weeks.
    pub every: Every,
    /// Day of a change of practice.
    pub change: Option<Date>,
    /// Groups of fewer infusions are suppressed.
    pub smallest_group: Option<usize>,
    /// The shares that the reviews took for granted.
    pub priors: Priors,
}

/// A setting names a column that `infusions.csv` does not have.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnknownColumn {
    /// The name.
    pub column: String,
    /// What there is.
    pub known: Vec<String>,
}

/// What the undetermined episodes leave open.
#[derive(Debug, Clone, PartialEq)]
pub struct Undetermined {
    /// Episodes whose site the records cannot tell.
    pub episodes: usize,
    /// Infusions with one.
    pub infusions: usize,
    /// The filter rate if none of them were the filter's: the survey's own.
    pub none_filter: Rate,
    /// The filter rate if all were.
    pub all_filter: Rate,
}

/// Everything that a survey says.
#[derive(Debug, Clone, PartialEq)]
pub struct Survey {
    /// Infusions reviewed.
    pub infusions: usize,
    /// Their hours, last sample − first sample.
    pub hours: f64,
    /// Filters at risk, and what was left out of them.
    pub at_risk: AtRisk,
    /// Infusions that could not be used.
    pub skipped: Vec<Skipped>,
    /// Rates by site and group.
    pub rates: Vec<Rate>,
    /// Groups left out for being small, and those left out lest the small ones be worked out.
    pub suppressed: Vec<Group>,
    /// Filter rates between groups of one column.
    pub comparisons: Vec<Comparison>,
    /// Survival of filters: all, then by column.
    pub survival: Vec<Survival>,
    /// Log-rank tests by column.
    pub group_tests: Vec<GroupTest>,
    /// Cumulative incidence by site.
    pub incidence: Vec<Incidence>,
    /// Effects of pauses: the contract's first, then clustered, adjusted, further measures.
    pub effects: Vec<Effect>,
    /// One, two, three pauses against none.
    pub dose_response: Vec<Effect>,
    /// Each filter as its own control.
    pub self_controlled: SelfControlled,
    /// How the effect moves with the choices behind it.
    pub sensitivity: Vec<Variant>,
    /// What the undetermined episodes leave open.
    pub undetermined: Undetermined,
    /// Charts over time.
    pub over_time: Result<OverTime, NoChart>,
    /// Before and after the change that was asked about.
    pub before_after: Option<Result<BeforeAfter, NoComparison>>,
    /// Funnels by column.
    pub funnels: Vec<Funnel>,
    /// The same figures with the sites as missing data.
    pub expected: Expected,
    /// What was asked for.
    pub settings: Settings,
}

/// Figures in which each episode counts by the probabilities of its sites.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Expected {
    /// In the order of [`Survey::rates`].
    pub rates: Vec<ExpectedRate>,
    /// For each of [`Survey::rates`], per 1,000 h: if none, or all, of its undetermined episodes were of the site.
    pub bounds: Vec<Option<(f64, f64)>>,
    /// Filter rates between groups of one column.
    pub ratios: Vec<ExpectedRatio>,
    /// In the order of [`Survey::survival`].
    pub survival: Vec<Survival>,
    /// In the order of [`Survey::effects`].
    pub effects: Vec<Effect>,
    /// How often a site was told, by group.
    pub told: Vec<(Group, Told)>,
}

impl Expected {
    /// The effect that the survey leads with: pauses before the episode was visible.
    pub fn headline(&self) -> Option<&Effect> {
        self.before_visible(0.0)
    }

    /// The same with all pauses so many hours earlier.
    pub fn before_visible(&self, lag_h: f64) -> Option<&Effect> {
        let this = |e: &&Effect| {
            e.outcome == Site::Filter
                && matches!(e.measure, Measure::PausesBeforeVisible(rule) if rule.lag_h == lag_h)
        };
        self.effects.iter().find(this)
    }
}

/// The column that names line files: a path is no property of an infusion, so it forms rates (as the contract has it) but
/// no curve, test or funnel.
pub const LINE_COLUMN: &str = "line";

/// A column with more distinct values than this gets rates but no curves, tests or funnels.
pub const MOST_CURVES: usize = 8;

/// Makes the survey.
///
/// # Errors
/// A setting that names an unknown column.
pub fn survey(cohort: &Cohort, settings: &Settings) -> Result<Survey, UnknownColumn> {
    let find = |names: &[String]| -> Result<Vec<usize>, UnknownColumn> {
        let one = |name: &String| {
            cohort.column(name).ok_or_else(|| UnknownColumn {
                column: name.clone(),
                known: cohort.columns.clone(),
            })
        };
        names.iter().map(one).collect()
    };
    let adjustment = Adjustment {
        covariates: find(&settings.adjust)?,
        strata: find(&settings.stratify)?,
    };
    let combinations: Vec<Vec<usize>> = settings
        .groups
        .iter()
        .map(|g| find(g))
        .collect::<Result<_, _>>()?;

    let at_risk = filters(cohort, Outcome::FILTER_ONSET);
    let all = Grouped::all(cohort);
    let mut groupings = vec![vec![all.clone()]];
    groupings.extend((0..cohort.columns.len()).map(|c| groups(cohort, &[c])));
    groupings.extend(
        combinations
            .iter()
            .filter(|c| 1 < c.len())
            .map(|c| groups(cohort, c)),
    );
    let suppressed = suppress(&mut groupings, settings.smallest_group);

    let drawn: Vec<usize> = (0..cohort.columns.len())
        .filter(|&c| {
            cohort
                .columns
                .get(c)
                .is_some_and(|name| name != LINE_COLUMN)
        })
        .filter(|&c| (2..=MOST_CURVES).contains(&super::group::levels(cohort, c).len()))
        .collect();
    let hidden = |c: &usize| {
        let name = cohort.columns.get(*c);
        suppressed
            .iter()
            .any(|g| g.values.len() == 1 && g.values.first().map(|v| &v.0) == name)
    };
    let shown: Vec<usize> = drawn.iter().copied().filter(|c| !hidden(c)).collect();
    let by_column = drawn
        .iter()
        .flat_map(|&c| groupings.get(c + 1).into_iter().flatten());

    let curves: Vec<&Grouped> = std::iter::once(&all).chain(by_column).collect();
    let survival: Vec<Survival> = curves.iter().map(|g| survival(&at_risk, g)).collect();
    let if_all = filters(cohort, UNDETERMINED_TOO);
    let expected = expected(
        cohort,
        &groupings,
        (&at_risk, &if_all),
        (&curves, &survival),
        &adjustment,
        &settings.priors,
    );
    let over_time = over_time(cohort, &at_risk, settings.every, settings.change);
    Ok(Survey {
        infusions: cohort.members.len(),
        hours: cohort.hours(),
        skipped: cohort.skipped.clone(),
        comparisons: groupings
            .iter()
            .skip(1)
            .flat_map(|groups| {
                let filter = groups
                    .iter()
                    .map(|g| rate(cohort, &at_risk, g, Some(Site::Filter)));
                comparisons(&filter.collect::<Vec<Rate>>())
            })
            .collect(),
        rates: groupings
            .iter()
            .flatten()
            .flat_map(|g| rates(cohort, &at_risk, g))
            .collect(),
        survival,
        group_tests: drawn
            .iter()
            .map(|&c| group_test(cohort, &at_risk, c))
            .collect(),
        incidence: competing(cohort),
        effects: effects(
            cohort,
            &completed(cohort, None, Dated::BeforeVisible),
            &at_risk,
            &adjustment,
        ),
        dose_response: dose_response(cohort, &at_risk),
        self_controlled: self_controlled(cohort, &at_risk),
        sensitivity: sensitivity(cohort),
        undetermined: undetermined(cohort, &at_risk, &if_all, &all),
        before_after: settings.change.map(|change| match &over_time {
            Ok(charts) => before_after(charts, change),
            Err(_) => Err(NoComparison::TooFewPeriods),
        }),
        over_time,
        funnels: shown
            .iter()
            .filter_map(|&c| funnel(cohort, &at_risk, c))
            .collect(),
        suppressed,
        at_risk,
        expected,
        settings: settings.clone(),
    })
}

/// All that is said over completed cohorts. `at_risk`: the filters as reviewed, then if every undetermined onset was the filter's.
fn expected(
    cohort: &Cohort,
    groupings: &[Vec<Grouped>],
    (at_risk, if_all): (&AtRisk, &AtRisk),
    (curves, reviewed_curves): (&[&Grouped], &[Survival]),
    adjustment: &Adjustment,
    priors: &Priors,
) -> Expected {
    let drawn = draws(cohort, priors, DRAWS);
    let analysed: Vec<(AtRisk, Tallies, Vec<Effect>)> = drawn
        .par_iter()
        .map(|draw| {
            let whole = completed(cohort, Some(draw), Dated::Onset);
            let at_risk = filters(&whole, Outcome::FILTER_ONSET);
            let tallies = Tallies::new(&whole, &at_risk);
            let dated = completed(cohort, Some(draw), Dated::BeforeVisible);
            let effects = effects(&whole, &dated, &at_risk, adjustment);
            (at_risk, tallies, effects)
        })
        .collect();
    let (mut lives, mut tallies, mut fits) = (Vec::new(), Vec::new(), Vec::new());
    for (at_risk, tally, effects) in analysed {
        lives.push(at_risk);
        tallies.push(tally);
        fits.push(effects);
    }
    let reviewed = Tallies::new(cohort, at_risk);
    let if_all = Tallies::new(cohort, if_all);
    let groups = || groupings.iter().flatten();
    Expected {
        rates: groups()
            .flat_map(|g| pooled::expected_rates(&tallies, g))
            .collect(),
        bounds: groups()
            .flat_map(|g| pooled::bounds(&reviewed, &if_all, g))
            .collect(),
        ratios: groupings
            .iter()
            .skip(1)
            .flat_map(|g| pooled::expected_ratios(cohort, &tallies, g))
            .collect(),
        survival: curves
            .iter()
            .zip(reviewed_curves)
            .map(|(g, own)| pooled::survival(own, &lives, g))
            .collect(),
        effects: pooled::effects(&fits),
        told: groups()
            .map(|g| (g.group.clone(), Told::of(cohort, g)))
            .collect(),
    }
}

/// The filter's onsets if every undetermined episode was one.
const UNDETERMINED_TOO: Outcome = Outcome {
    counts: |h| matches!(h.suggested, None | Some(Site::Filter)),
    time_s: |h| h.onset_s.value,
};

/// The contract's row, the same with clustered errors, adjusted ones, further measures, those before the episodes were visible. `dated`
/// holds the onsets at those moments.
fn effects(
    cohort: &Cohort,
    dated: &Cohort,
    at_risk: &AtRisk,
    adjustment: &Adjustment,
) -> Vec<Effect> {
    let (plain, clustered) = counted(cohort, at_risk, PauseRule::CONTRACT, &Adjustment::default());
    let mut effects = vec![plain, clustered];
    if !adjustment.is_none() {
        let (plain, clustered) = counted(cohort, at_risk, PauseRule::CONTRACT, adjustment);
        effects.extend([plain, clustered]);
    }
    effects.extend(further_measures(cohort, at_risk));
    effects.extend(before_visible(dated));
    effects.push(supply_control(dated));
    effects
}

fn undetermined(cohort: &Cohort, at_risk: &AtRisk, if_all: &AtRisk, all: &Grouped) -> Undetermined {
    let own = |m: &super::cohort::Member| {
        m.facts
            .episodes
            .iter()
            .filter(|e| e.suggested.is_none())
            .count()
    };
    Undetermined {
        episodes: cohort.members.iter().map(own).sum(),
        infusions: cohort.members.iter().filter(|m| 0 < own(m)).count(),
        none_filter: rate(cohort, at_risk, all, Some(Site::Filter)),
        all_filter: rate(cohort, if_all, all, Some(Site::Filter)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::made::{filter_onset, infusion, onset};
    use std::collections::BTreeSet;

    fn cohort(units: &[&str]) -> Cohort {
        let members = units.iter().enumerate().map(|(i, unit)| {
            let mut member = infusion(&i.to_string(), 24.0);
            member.labels = vec![unit.to_string()];
            member.facts.episodes = match i % 3 {
                0 => vec![filter_onset(5.0 + i as f64)],
                1 => vec![onset(7.0, None)],
                _ => vec![],
            };
            member
        });
        Cohort {
            columns: vec!["unit".into()],
            members: members.collect(),
            skipped: vec![],
        }
    }

    #[test]
    fn each_group_has_a_row_for_each_site() {
        let found = survey(&cohort(&["north", "east", "north"]), &Settings::default()).unwrap();
        let groups: BTreeSet<String> = found
            .rates
            .iter()
            .map(|r| format!("{:?}", r.group.values))
            .collect();
        assert_eq!((groups.len(), found.rates.len()), (3, 21));
        assert_eq!(found.survival.len(), 3);
        assert_eq!(found.effects.first().map(|e| e.adjusted_for.len()), Some(0));
    }

    #[test]
    fn undetermined_episodes_open_a_range() {
        let found = survey(&cohort(&["n", "n", "n"]), &Settings::default())
            .unwrap()
            .undetermined;
        assert_eq!((found.episodes, found.infusions), (1, 1));
        assert_eq!(
            (found.none_filter.episodes, found.all_filter.episodes),
            (1, 2)
        );
    }

    #[test]
    fn an_unknown_column_is_named_with_those_there_are() {
        let settings = Settings {
            adjust: vec!["ward".into()],
            ..Settings::default()
        };
        let error = survey(&cohort(&["n"]), &settings).unwrap_err();
        assert_eq!(
            (error.column.as_str(), error.known),
            ("ward", vec!["unit".to_string()])
        );
    }

    #[test]
    fn what_is_left_out_is_in_no_rate_and_its_column_has_no_funnel() {
        let settings = Settings {
            smallest_group: Some(2),
            ..Settings::default()
        };
        let units = ["north", "north", "north", "east", "east", "west"];
        let found = survey(&cohort(&units), &settings).unwrap();
        let shown = |value: &str| {
            found
                .rates
                .iter()
                .any(|r| r.group.values.iter().any(|v| v.1 == value))
        };
        assert!(shown("north") && !shown("east") && !shown("west"));
        assert!(found.funnels.is_empty());
    }

    #[test]
    fn nobody_and_one_give_a_survey_too() {
        for units in [&[][..], &["north"][..]] {
            let found = survey(&cohort(units), &Settings::default()).unwrap();
            assert_eq!(found.infusions, units.len());
            assert!(found.effects.iter().all(|e| e.ratio.is_err()));
        }
    }
}
