//! How the effect of pauses moves when the choices behind it are made differently, and which choices are wrong.
//!
//! In: a cohort. Out: one [`Variant`] per choice, the contract's first.

use super::adjust::Adjustment;
use super::at_risk::{AtRisk, Filter, Outcome, filters};
use super::cohort::{Cohort, Happening};
use super::exposure::PauseRule;
use super::pause_effect::{Effect, LAGS_H, counted};
use crate::infer::{Confidence, Site};

/// What was done differently.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Change {
    /// Nothing: the contract's definition.
    Contract,
    /// Pauses count for so many hours.
    Window {
        /// Hours.
        hours: f64,
    },
    /// Only pauses of at least so many seconds count.
    AtLeast {
        /// Seconds.
        seconds: f64,
    },
    /// Pauses of the last hours before each moment do not count: staff may pause because pressure is rising.
    Lag {
        /// Hours.
        hours: f64,
    },
    /// Each onset at the lower end of its interval.
    EarlyOnset,
    /// Filters enter 6 h after they came under observation, when their whole window has been seen.
    WholeWindowSeen,
    /// Undetermined episodes count as the filter's.
    UndeterminedCount,
    /// Only verdicts of high confidence count.
    HighConfidenceOnly,
    /// Stops caused by an alarm count as pauses.
    AlarmStopsCount,
    /// The event is dated at the occlusion alarm, whose own stop counts as a pause.
    DatedAtAlarm,
}

impl Change {
    /// Whether the choice is wrong, not merely different: the effect is then counted among its causes.
    pub fn is_wrong(self) -> bool {
        matches!(self, Change::AlarmStopsCount | Change::DatedAtAlarm)
    }
}

/// One row of the table.
#[derive(Debug, Clone, PartialEq)]
pub struct Variant {
    /// What was done differently.
    pub change: Change,
    /// What came out.
    pub effect: Effect,
}

/// An alarm's own stop begins within this time of it; a spreadsheet that dates the event at the alarm counts that stop.
const AFTER_ALARM_S: f64 = 120.0;

/// Makes the table.
pub fn sensitivity(cohort: &Cohort) -> Vec<Variant> {
    let standard = filters(cohort, Outcome::FILTER_ONSET);
    let under = |change: Change| {
        let (at_risk, rule) = setting(cohort, &standard, change);
        Variant {
            change,
            effect: counted(cohort, &at_risk, rule, &Adjustment::default()).0,
        }
    };
    let windows = [1.0, 3.0, 12.0, 24.0].map(|hours| Change::Window { hours });
    let lengths = [300.0, 900.0, 1800.0].map(|seconds| Change::AtLeast { seconds });
    [Change::Contract]
        .into_iter()
        .chain(windows)
        .chain(lengths)
        .chain(
            LAGS_H
                .into_iter()
                .skip(1)
                .map(|hours| Change::Lag { hours }),
        )
        .chain([
            Change::EarlyOnset,
            Change::WholeWindowSeen,
            Change::UndeterminedCount,
            Change::HighConfidenceOnly,
            Change::AlarmStopsCount,
            Change::DatedAtAlarm,
        ])
        .map(under)
        .collect()
}

fn is_filter(h: &Happening) -> bool {
    h.suggested == Some(Site::Filter)
}

fn setting(cohort: &Cohort, standard: &AtRisk, change: Change) -> (AtRisk, PauseRule) {
    let contract = PauseRule::CONTRACT;
    let with = |outcome: Outcome| filters(cohort, outcome);
    let onset: fn(&Happening) -> f64 = |h| h.onset_s.value;
    match change {
        Change::Contract => (standard.clone(), contract),
        Change::Window { hours } => (
            standard.clone(),
            PauseRule {
                window_h: hours,
                ..contract
            },
        ),
        Change::AtLeast { seconds } => (
            standard.clone(),
            PauseRule {
                at_least_s: seconds,
                ..contract
            },
        ),
        Change::Lag { hours } => (
            standard.clone(),
            PauseRule {
                lag_h: hours,
                ..contract
            },
        ),
        Change::EarlyOnset => (
            with(Outcome {
                counts: is_filter,
                time_s: |h| h.onset_s.low,
            }),
            contract,
        ),
        Change::WholeWindowSeen => (entered_later(standard, contract.window_h), contract),
        Change::UndeterminedCount => (
            with(Outcome {
                counts: |h| is_filter(h) || h.suggested.is_none(),
                time_s: onset,
            }),
            contract,
        ),
        Change::HighConfidenceOnly => (
            with(Outcome {
                counts: |h| is_filter(h) && h.confidence == Confidence::High,
                time_s: onset,
            }),
            contract,
        ),
        Change::AlarmStopsCount => (
            standard.clone(),
            PauseRule {
                with_alarm_stops: true,
                ..contract
            },
        ),
        Change::DatedAtAlarm => (
            with(Outcome {
                counts: is_filter,
                time_s: |h| h.alarm_s.map_or(h.onset_s.value, |t| t + AFTER_ALARM_S),
            }),
            PauseRule {
                with_alarm_stops: true,
                ..contract
            },
        ),
    }
}

/// The same filters, each so many hours later under observation.
fn entered_later(at_risk: &AtRisk, hours: f64) -> AtRisk {
    let later = |f: &Filter| {
        let entry_h = f.entry_h + hours;
        (entry_h < f.exit_h).then_some(Filter { entry_h, ..*f })
    };
    AtRisk {
        filters: at_risk.filters.iter().filter_map(later).collect(),
        ..at_risk.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::infer::PauseCause;
    use crate::study::made::{filter_onset, infusion, pause};

    #[test]
    fn counting_the_stop_of_the_alarm_makes_any_record_prove_that_pauses_block_filters() {
        // Nobody pauses; each filter that blocks alarms, and the alarm stops the pump.
        let members = (0..12).map(|i| {
            let mut member = infusion("a", 24.0);
            if i % 2 == 0 {
                let hour = 3.0 + f64::from(i);
                member.facts.episodes = vec![filter_onset(hour)];
                let mut stop = pause(hour + 2.0, 20.0);
                stop.cause = PauseCause::Alarm;
                member.facts.pauses = vec![stop];
            }
            member
        });
        let cohort = Cohort {
            members: members.collect(),
            ..Cohort::default()
        };
        let table = sensitivity(&cohort);
        let find = |change: Change| table.iter().find(|v| v.change == change).unwrap();
        assert!(find(Change::Contract).effect.ratio.is_err()); // no pause: nothing to compare
        // Every event then comes at the highest count: a ratio without bound, out of nothing.
        assert_eq!(
            find(Change::DatedAtAlarm).effect.ratio,
            Err(crate::stats::cox::NoFit::Separation { covariate: 0 })
        );
        assert!(Change::DatedAtAlarm.is_wrong() && !Change::EarlyOnset.is_wrong());
    }

    #[test]
    fn every_change_has_its_row_once() {
        let table = sensitivity(&Cohort::default());
        assert_eq!(table.len(), 18);
        for (i, a) in table.iter().enumerate() {
            assert!(table.iter().skip(i + 1).all(|b| a.change != b.change));
        }
    }
}
