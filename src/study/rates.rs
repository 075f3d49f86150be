//! How often: rates of episodes by site and group, with exact limits, and ratios between groups.
//!
//! In: a cohort and its filters at risk. Out: [`Rate`]s by the contract's definitions: a filter rate counts the first
//! onset of each filter over the filters' time at risk, any other rate all episodes over the infusions' hours.

use super::at_risk::AtRisk;
use super::cohort::Cohort;
use super::group::{Group, Grouped};
use crate::infer::Site;
use crate::stats::poisson::{self, RateRatio};
use crate::units::Estimate;

/// A site's rate in a group.
#[derive(Debug, Clone, PartialEq)]
pub struct Rate {
    /// The suggested site; `None` = undetermined.
    pub site: Option<Site>,
    /// Whose rate.
    pub group: Group,
    /// Infusions in the group.
    pub infusions: usize,
    /// Episodes that count.
    pub episodes: u64,
    /// Time behind them, hours.
    pub hours: f64,
    /// Episodes per 1,000 h, exact Poisson 95 %; `None` without time at risk.
    pub per_1000_h: Option<Estimate>,
}

/// All sites and, last, undetermined.
pub const ROWS: [Option<Site>; 7] = [
    Some(Site::Supply),
    Some(Site::Tubing),
    Some(Site::Filter),
    Some(Site::Catheter),
    Some(Site::Settings),
    Some(Site::None),
    None,
];

/// The rate of each site in one group.
pub fn rates(cohort: &Cohort, at_risk: &AtRisk, grouped: &Grouped) -> Vec<Rate> {
    ROWS.iter()
        .map(|&site| rate(cohort, at_risk, grouped, site))
        .collect()
}

/// The rate of one site in one group.
pub fn rate(cohort: &Cohort, at_risk: &AtRisk, grouped: &Grouped, site: Option<Site>) -> Rate {
    let (episodes, hours) = if site == Some(Site::Filter) {
        filter_counts(at_risk, grouped)
    } else {
        let members = || {
            cohort
                .members
                .iter()
                .enumerate()
                .filter(|(i, _)| grouped.has(*i))
                .map(|(_, m)| m)
        };
        let all = members().flat_map(|m| &m.facts.episodes);
        let count = all.filter(|e| e.suggested == site).count();
        (count as u64, members().map(|m| m.facts.hours()).sum())
    };
    Rate {
        site,
        group: grouped.group.clone(),
        infusions: grouped.infusions(),
        episodes,
        hours,
        per_1000_h: poisson::rate(episodes, hours / 1000.0),
    }
}

fn filter_counts(at_risk: &AtRisk, grouped: &Grouped) -> (u64, f64) {
    let filters = || at_risk.filters.iter().filter(|f| grouped.has(f.member));
    let events = filters().filter(|f| f.event()).count();
    (events as u64, filters().map(|f| f.hours()).sum())
}

/// The filter rate of one group against that of another.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// The group.
    pub group: Group,
    /// What it is compared with.
    pub reference: Group,
    /// Ratio with exact limits; `None` where neither has an event or one has no time at risk.
    pub ratio: Option<RateRatio>,
}

/// Compares each group's filter rate with that of the group with the most hours.
pub fn comparisons(rates: &[Rate]) -> Vec<Comparison> {
    let filter: Vec<&Rate> = rates
        .iter()
        .filter(|r| r.site == Some(Site::Filter))
        .collect();
    let Some(reference) = filter.iter().max_by(|a, b| a.hours.total_cmp(&b.hours)) else {
        return Vec::new();
    };
    let others = filter.iter().filter(|r| r.group != reference.group);
    others
        .map(|r| Comparison {
            group: r.group.clone(),
            reference: reference.group.clone(),
            ratio: poisson::rate_ratio(
                (r.episodes, reference.episodes),
                (r.hours, reference.hours),
            ),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::at_risk::{Outcome, filters};
    use crate::study::made::{filter_onset, infusion, onset};

    #[test]
    fn filter_rates_count_first_onsets_over_time_at_risk_and_others_all_over_hours() {
        let mut one = infusion("a", 24.0);
        one.facts.episodes = vec![
            filter_onset(6.0),
            onset(8.0, Some(Site::Catheter)),
            filter_onset(10.0), // the same filter: no longer at risk
            onset(12.0, Some(Site::Catheter)),
            onset(14.0, None),
        ];
        let cohort = Cohort {
            members: vec![one, infusion("b", 10.0)],
            ..Cohort::default()
        };
        let at_risk = filters(&cohort, Outcome::FILTER_ONSET);
        let rates = rates(&cohort, &at_risk, &Grouped::all(&cohort));
        let found: Vec<_> = rates
            .iter()
            .map(|r| (r.site, r.episodes, r.hours))
            .collect();
        assert_eq!(
            found,
            [
                (Some(Site::Supply), 0, 34.0),
                (Some(Site::Tubing), 0, 34.0),
                (Some(Site::Filter), 1, 16.0),
                (Some(Site::Catheter), 2, 34.0),
                (Some(Site::Settings), 0, 34.0),
                (Some(Site::None), 0, 34.0),
                (None, 1, 34.0),
            ]
        );
        // Garwood for one event: 0.0253 to 5.5716
        let filter = rates[2].per_1000_h.unwrap();
        assert!((filter.low - 0.025_317_807_984 / 0.016).abs() < 1e-6);
        assert!((filter.high - 5.571_643_390_939 / 0.016).abs() < 1e-6);
    }

    #[test]
    fn an_empty_cohort_has_no_rate_rather_than_one_of_zero() {
        let cohort = Cohort::default();
        let at_risk = filters(&cohort, Outcome::FILTER_ONSET);
        assert!(
            rates(&cohort, &at_risk, &Grouped::all(&cohort))
                .iter()
                .all(|r| r.per_1000_h.is_none())
        );
    }
}
