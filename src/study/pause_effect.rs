//! After what: does the hazard of a filter onset go with the pauses before it?
//!
//! In: a cohort and its filters at risk. Out: [`Effect`]s, the contract's first: Cox regression in counting-process form
//! with `pauses_in_last_6_h` as the one covariate. An association, not a cause.

use super::adjust::{Adjustment, code};
use super::at_risk::{AtRisk, Filter, Outcome, filters};
use super::cohort::Cohort;
use super::exposure::{Exposure, PauseRule};
use crate::infer::Site;
use crate::stats::cox::{self, Fit, HazardRatio, NoFit, ProportionalHazards, Row, Rows};

/// What filters with a higher hazard are said to have more of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Measure {
    /// Number of pauses, per pause.
    Pauses(PauseRule),
    /// The same up to the moment at which the record first showed the episode, or its onset where that is earlier.
    PausesBeforeVisible(PauseRule),
    /// This many pauses against none; the last level stands for itself and more.
    PauseLevel {
        /// How many.
        pauses: u32,
        /// Whether more count here too.
        or_more: bool,
    },
    /// Minutes paused in the last 6 h, per hour paused.
    PausedHours,
    /// The longest pause of the last 6 h, per hour.
    LongestPauseHours,
    /// The last pause ended so many hours ago, against none within 6 h: `(from, to]`, from 0 = still on or just over.
    LastPauseEnded {
        /// From, hours.
        from_h: f64,
        /// To, hours.
        to_h: f64,
    },
}

/// What counts as an onset of the filter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// An episode whose suggested site is the filter.
    Hard,
    /// Each episode by the probability that it was the filter's, over completed cohorts.
    Imputed,
}

/// One estimated (or not) effect.
#[derive(Debug, Clone, PartialEq)]
pub struct Effect {
    /// Of what.
    pub measure: Measure,
    /// Which onsets count.
    pub method: Method,
    /// The site whose onsets these are.
    pub outcome: Site,
    /// Names of covariates besides, `column` or `column=level`.
    pub adjusted_for: Vec<String>,
    /// Columns within which filters were compared.
    pub stratified_by: Vec<String>,
    /// Whether the standard error allows for several filters of one infusion.
    pub clustered: bool,
    /// The ratio, or why there is none.
    pub ratio: Result<HazardRatio, NoFit>,
    /// Events behind it; expected ones where imputed.
    pub events: f64,
    /// Infusions behind it.
    pub clusters: usize,
    /// Filters behind it.
    pub filters: usize,
    /// Whether the ratio stays the same over the filter's life, by scaled Schoenfeld residuals against the hour and its
    /// logarithm; `None` where it cannot be checked.
    pub proportional: Option<Proportional>,
    /// `column=level` without event or value, left out.
    pub left_out: Vec<String>,
}

/// The check of proportional hazards against two transforms of time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Proportional {
    /// Against hours since placed.
    pub hours: ProportionalHazards,
    /// Against the natural log of hours since placed.
    pub log_hours: ProportionalHazards,
}

/// The contract's effect: `pauses_in_last_6_h`, linear, unadjusted.
pub fn contract_effect(cohort: &Cohort, at_risk: &AtRisk) -> Effect {
    counted(cohort, at_risk, PauseRule::CONTRACT, &Adjustment::default()).0
}

/// The effect of the number of pauses under a rule, with the model's standard error and with the clustered one.
pub fn counted(
    cohort: &Cohort,
    at_risk: &AtRisk,
    rule: PauseRule,
    adjustment: &Adjustment,
) -> (Effect, Effect) {
    counted_as(cohort, at_risk, rule, adjustment, Measure::Pauses(rule))
}

/// Hours by which all pauses lie earlier than they might, from the standard rule on: staff who pause because pressure rises do so shortly
/// before an onset.
pub const LAGS_H: [f64; 5] = [0.0, 1.0, 2.0, 4.0, 6.0];

/// The effect of pauses before an episode showed, one row for each of [`LAGS_H`], with clustered errors. `dated` holds each onset at the
/// moment at which it first showed.
pub fn before_visible(dated: &Cohort) -> Vec<Effect> {
    let at_risk = filters(dated, Outcome::FILTER_ONSET);
    let row = |lag_h: f64| {
        let rule = PauseRule {
            lag_h,
            ..PauseRule::CONTRACT
        };
        let measure = Measure::PausesBeforeVisible(rule);
        counted_as(dated, &at_risk, rule, &Adjustment::default(), measure).1
    };
    LAGS_H.map(row).to_vec()
}

/// A negative control: pauses of the line cannot block what lies above the pump, so a ratio away from 1 shows what else is in the figures.
pub fn supply_control(dated: &Cohort) -> Effect {
    let supply = Outcome {
        counts: |h| h.suggested == Some(Site::Supply),
        time_s: |h| h.onset_s.value,
    };
    let rule = PauseRule::CONTRACT;
    let measure = Measure::PausesBeforeVisible(rule);
    let at_risk = filters(dated, supply);
    let effect = counted_as(dated, &at_risk, rule, &Adjustment::default(), measure).1;
    Effect {
        outcome: Site::Supply,
        ..effect
    }
}

fn counted_as(
    cohort: &Cohort,
    at_risk: &AtRisk,
    rule: PauseRule,
    adjustment: &Adjustment,
    measure: Measure,
) -> (Effect, Effect) {
    let fitted = Fitted::new(cohort, at_risk, adjustment, 1, |filter, rows| {
        let exposure = Exposure::new(cohort, filter, rule);
        for s in exposure.stretches(filter) {
            rows(s.start_h, s.stop_h, &[f64::from(s.pauses)]);
        }
    });
    let [plain, clustered] = [false, true].map(|clustered| fitted.effect(measure, 0, clustered));
    (plain, clustered)
}

/// One, two, three or more pauses against none, fitted together. Levels without events are merged downward.
pub fn dose_response(cohort: &Cohort, at_risk: &AtRisk) -> Vec<Effect> {
    let mut found = Vec::new();
    for highest in [3, 2, 1] {
        let level = |pauses: u32| {
            (1..=highest)
                .map(move |l| f64::from(pauses.min(highest) == l))
                .collect::<Vec<f64>>()
        };
        let fitted = Fitted::new(
            cohort,
            at_risk,
            &Adjustment::default(),
            highest as usize,
            |filter, rows| {
                for s in Exposure::new(cohort, filter, PauseRule::CONTRACT).stretches(filter) {
                    rows(s.start_h, s.stop_h, &level(s.pauses));
                }
            },
        );
        found = (1..=highest)
            .map(|pauses| {
                let or_more = pauses == highest;
                fitted.effect(
                    Measure::PauseLevel { pauses, or_more },
                    pauses as usize - 1,
                    false,
                )
            })
            .collect();
        if fitted.fit.is_ok() {
            break;
        }
    }
    found
}

/// Hours paused, longest pause and time since the last pause: measures that change by the minute, so filters at risk are
/// compared at each event's own moment.
pub fn further_measures(cohort: &Cohort, at_risk: &AtRisk) -> Vec<Effect> {
    let moments = Moments::new(at_risk);
    let one = |measure: Measure, of: fn(&Exposure, f64) -> f64| {
        let fitted = Fitted::new(
            cohort,
            at_risk,
            &Adjustment::default(),
            1,
            |filter, rows| {
                let exposure = Exposure::new(cohort, filter, PauseRule::CONTRACT);
                moments.each(filter, |from, to| rows(from, to, &[of(&exposure, to)]));
            },
        );
        fitted.effect(measure, 0, false)
    };
    let mut found = vec![
        one(Measure::PausedHours, |e, t| e.paused_minutes(t) / 60.0),
        one(Measure::LongestPauseHours, |e, t| {
            e.longest_minutes(t) / 60.0
        }),
    ];
    const SINCE: [(f64, f64); 3] = [(0.0, 1.0), (1.0, 3.0), (3.0, 6.0)];
    let fitted = Fitted::new(
        cohort,
        at_risk,
        &Adjustment::default(),
        SINCE.len(),
        |filter, rows| {
            let exposure = Exposure::new(cohort, filter, PauseRule::CONTRACT);
            moments.each(filter, |from, to| {
                let since = exposure.hours_since_last(to);
                let within = |(low, high): (f64, f64)| {
                    since.is_some_and(|h| (low < h || low == 0.0) && h <= high)
                };
                rows(from, to, &SINCE.map(|span| f64::from(within(span))));
            });
        },
    );
    found.extend(SINCE.iter().enumerate().map(|(i, &(from_h, to_h))| {
        fitted.effect(Measure::LastPauseEnded { from_h, to_h }, i, false)
    }));
    found
}

/// Times of events, in order.
struct Moments(Vec<f64>);

impl Moments {
    fn new(at_risk: &AtRisk) -> Self {
        let mut times: Vec<f64> = at_risk
            .filters
            .iter()
            .filter(|f| f.event())
            .map(|f| f.exit_h)
            .collect();
        times.sort_by(f64::total_cmp);
        times.dedup();
        Self(times)
    }

    /// Cuts a filter's time at risk at the events of all, and visits each piece that ends with one.
    fn each(&self, filter: &Filter, mut visit: impl FnMut(f64, f64)) {
        let mut from = filter.entry_h;
        let first = self.0.partition_point(|&t| t <= filter.entry_h);
        for &to in self
            .0
            .iter()
            .skip(first)
            .take_while(|&&t| t <= filter.exit_h)
        {
            visit(from, to);
            from = to;
        }
    }
}

/// A fit with what an [`Effect`] says of it.
struct Fitted {
    fit: Result<Fit, NoFit>,
    events: usize,
    clusters: usize,
    filters: usize,
    adjusted_for: Vec<String>,
    stratified_by: Vec<String>,
    left_out: Vec<String>,
}

impl Fitted {
    /// `rows_of` gives a filter's stretches with their own covariates, `measures` in number; those of the adjustment come after.
    fn new(
        cohort: &Cohort,
        at_risk: &AtRisk,
        adjustment: &Adjustment,
        measures: usize,
        mut rows_of: impl FnMut(&Filter, &mut dyn FnMut(f64, f64, &[f64])),
    ) -> Self {
        let coded = code(cohort, at_risk, adjustment);
        let mut rows = Rows::new(measures + coded.names.len());
        let mut filters = 0;
        let mut members = std::collections::BTreeSet::new();
        for filter in &at_risk.filters {
            let (Some(Some(own)), Some(&stratum)) = (
                coded.values.get(filter.member),
                coded.strata.get(filter.member),
            ) else {
                continue;
            };
            filters += 1;
            members.insert(filter.member);
            rows_of(filter, &mut |start, stop, measured| {
                let covariates: Vec<f64> = measured.iter().chain(own).copied().collect();
                rows.push(Row {
                    start,
                    stop,
                    event: filter.event() && stop == filter.exit_h,
                    covariates: &covariates,
                    stratum,
                    cluster: filter.member as u32,
                });
            });
        }
        let column = |&c: &usize| cohort.columns.get(c).cloned().unwrap_or_default();
        Self {
            events: rows.events(),
            fit: cox::fit(&rows),
            clusters: members.len(),
            filters,
            adjusted_for: coded.names,
            stratified_by: adjustment.strata.iter().map(column).collect(),
            left_out: coded.left_out,
        }
    }

    fn effect(&self, measure: Measure, covariate: usize, clustered: bool) -> Effect {
        let ratio = self.fit.as_ref().map_err(|&why| why).and_then(|fit| {
            let ratio = if clustered {
                fit.clustered_hazard_ratio(covariate)
            } else {
                fit.hazard_ratio(covariate)
            };
            ratio.ok_or(NoFit::NotConverged)
        });
        let check = |transform: fn(f64) -> f64| {
            self.fit
                .as_ref()
                .ok()?
                .proportional_hazards(covariate, transform)
        };
        let proportional = check(|t| t).zip(check(f64::ln));
        Effect {
            measure,
            method: Method::Hard,
            outcome: Site::Filter,
            adjusted_for: self.adjusted_for.clone(),
            stratified_by: self.stratified_by.clone(),
            clustered,
            ratio,
            events: self.events as f64,
            clusters: self.clusters,
            filters: self.filters,
            proportional: proportional.map(|(hours, log_hours)| Proportional { hours, log_hours }),
            left_out: self.left_out.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::cohort::Member;
    use crate::study::made::{filter_onset, infusion, pause};

    fn member(name: &str, pauses: &[f64], onset: Option<f64>) -> Member {
        let mut member = infusion(name, 24.0);
        member.labels = vec![name.get(..1).unwrap_or("").into()];
        member.facts.pauses = pauses.iter().map(|&h| pause(h, 10.0)).collect();
        member.facts.episodes = onset.map(filter_onset).into_iter().collect();
        member
    }

    fn cohort(members: Vec<Member>) -> Cohort {
        Cohort {
            columns: vec!["unit".into()],
            members,
            skipped: vec![],
        }
    }

    fn mixed() -> Cohort {
        cohort(vec![
            member("a1", &[2.0, 4.0], Some(6.0)),
            member("a2", &[1.0], Some(5.0)),
            member("a3", &[], Some(9.0)),
            member("b1", &[3.0, 8.0, 8.5], None),
            member("b2", &[4.0], Some(12.0)),
            member("b3", &[], None),
            member("b4", &[7.0], None),
        ])
    }

    #[test]
    fn with_one_covariate_the_score_is_that_of_a_sum_over_risk_sets_by_hand() {
        // At 5 h: counts a1 2, a2 1, a3 0, b1 1, b2 1, b3 0, b4 0; at 6 h without a2; at 9 h without a1: b1 2 (8, 8.5; and 3
        // counts until 9 h: 3), b2 1, b4 1; at 12 h: b1 2, b2 0 (4 + 6 < 12), b3 0, b4 1.
        let c = mixed();
        let risk_sets: [(f64, &[f64]); 4] = [
            (1.0, &[2.0, 1.0, 0.0, 1.0, 1.0, 0.0, 0.0]),
            (2.0, &[2.0, 0.0, 1.0, 1.0, 0.0, 0.0]),
            (0.0, &[0.0, 3.0, 1.0, 0.0, 1.0]),
            (0.0, &[2.0, 0.0, 0.0, 1.0]),
        ];
        let slope = |beta: f64| -> f64 {
            risk_sets
                .iter()
                .map(|(own, all)| {
                    let weights: Vec<f64> = all.iter().map(|x| (beta * x).exp()).collect();
                    let mean: f64 = weights.iter().zip(*all).map(|(w, x)| w * x).sum::<f64>()
                        / weights.iter().sum::<f64>();
                    own - mean
                })
                .sum()
        };
        let effect = contract_effect(&c, &filters(&c, Outcome::FILTER_ONSET));
        let beta = effect.ratio.unwrap().ratio.value.ln();
        assert!(slope(beta).abs() < 1e-8);
        assert_eq!((effect.events, effect.filters), (4.0, 7));
    }

    #[test]
    fn what_cannot_be_estimated_says_why() {
        let no_events = cohort(vec![member("a", &[2.0], None), member("b", &[], None)]);
        let one = cohort(vec![member("a", &[2.0], Some(5.0))]);
        let no_pauses = cohort(vec![
            member("a", &[], Some(5.0)),
            member("b", &[], Some(6.0)),
            member("c", &[], None),
        ]);
        let separated = cohort(vec![
            member("a", &[2.0], Some(5.0)),
            member("b", &[5.5], Some(6.0)),
            member("c", &[], None),
        ]);
        let empty = cohort(vec![]);
        for (c, why) in [
            (no_events, NoFit::NoEvents),
            (one, NoFit::NoVariation { covariate: 0 }),
            (no_pauses, NoFit::NoVariation { covariate: 0 }),
            (separated, NoFit::Separation { covariate: 0 }),
            (empty, NoFit::NoEvents),
        ] {
            let effect = contract_effect(&c, &filters(&c, Outcome::FILTER_ONSET));
            assert_eq!(effect.ratio, Err(why));
        }
    }

    #[test]
    fn adjusting_for_one_group_only_changes_nothing() {
        let mut c = mixed();
        c.members
            .iter_mut()
            .for_each(|m| m.labels = vec!["a".into()]);
        let at_risk = filters(&c, Outcome::FILTER_ONSET);
        let adjustment = Adjustment {
            covariates: vec![0],
            strata: vec![0],
        };
        let adjusted = counted(&c, &at_risk, PauseRule::CONTRACT, &adjustment).0;
        assert_eq!(adjusted.ratio, contract_effect(&c, &at_risk).ratio);
        assert_eq!(adjusted.stratified_by, ["unit"]);
    }

    #[test]
    fn counts_compared_at_each_events_moment_give_the_same_ratio_as_start_stop_rows() {
        let c = mixed();
        let at_risk = filters(&c, Outcome::FILTER_ONSET);
        let moments = Moments::new(&at_risk);
        let fitted = Fitted::new(&c, &at_risk, &Adjustment::default(), 1, |filter, rows| {
            let exposure = Exposure::new(&c, filter, PauseRule::CONTRACT);
            moments.each(filter, |from, to| {
                rows(from, to, &[f64::from(exposure.count(to))])
            });
        });
        let by_moment = fitted
            .effect(Measure::Pauses(PauseRule::CONTRACT), 0, false)
            .ratio
            .unwrap();
        let by_rows = contract_effect(&c, &at_risk).ratio.unwrap();
        assert!((by_moment.ratio.value - by_rows.ratio.value).abs() < 1e-9);
        assert!((by_moment.standard_error - by_rows.standard_error).abs() < 1e-9);
    }

    #[test]
    fn levels_without_events_are_merged_downward() {
        let c = mixed();
        let effects = dose_response(&c, &filters(&c, Outcome::FILTER_ONSET));
        let levels: Vec<_> = effects.iter().map(|e| e.measure).collect();
        assert_eq!(
            levels,
            [
                Measure::PauseLevel {
                    pauses: 1,
                    or_more: false
                },
                Measure::PauseLevel {
                    pauses: 2,
                    or_more: true
                },
            ]
        );
    }
}
