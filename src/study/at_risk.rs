//! Who is at risk, and when: the filters of a cohort, by the contract's definitions.
//!
//! In: a [`Cohort`] and what counts as the event. Out: one [`Filter`] per filter, on hours since it was placed.
//!
//! ```text
//!  placed        record starts      onset       filter change            record ends
//!    |- not seen -|==== at risk ====x            |======= at risk ========|
//!    0 h        entry             exit           0 h (a new filter)      exit (censored)
//! ```

use super::cohort::{Cohort, Facts, Happening};
use crate::infer::Site;
use crate::stats::kaplan_meier::Life;

/// Which episodes end a filter's time at risk, and when they are said to have come.
#[derive(Clone, Copy)]
pub struct Outcome {
    /// Whether an episode is the event.
    pub counts: fn(&Happening) -> bool,
    /// When it came, seconds from the record's start.
    pub time_s: fn(&Happening) -> f64,
}

impl Outcome {
    /// The contract's: the suggested site is the filter, at its onset.
    pub const FILTER_ONSET: Outcome = Outcome {
        counts: |h| h.suggested == Some(Site::Filter),
        time_s: |h| h.onset_s.value,
    };
}

/// Why a filter's time at risk ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    /// The event came.
    Event,
    /// Another filter was placed.
    Changed,
    /// The record ended.
    RecordEnd,
}

/// One filter at risk.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Filter {
    /// The number of its infusion in [`Cohort::members`].
    pub member: usize,
    /// From 1 within the infusion.
    pub number: u32,
    /// When it was placed, seconds from the record's start (negative = before it): hour 0 of its time scale.
    pub placed_s: f64,
    /// From when it is at risk, hours since placed; above 0 = delayed entry.
    pub entry_h: f64,
    /// Until when, hours since placed.
    pub exit_h: f64,
    /// Why it ended.
    pub ended: Ended,
    /// The number of the episode that ended it, in the review.
    pub episode: Option<u32>,
}

impl Filter {
    /// Hours at risk.
    pub fn hours(&self) -> f64 {
        self.exit_h - self.entry_h
    }

    /// Whether the event came.
    pub fn event(&self) -> bool {
        self.ended == Ended::Event
    }

    /// As survival curves want it.
    pub fn life(&self) -> Option<Life> {
        Life::new(self.entry_h, self.exit_h, self.event())
    }

    /// Seconds from the record's start at this hour of the filter.
    pub fn at_s(&self, hour: f64) -> f64 {
        self.placed_s + hour * 3600.0
    }
}

/// The filters of a cohort, in the order of its members, and how many there were that never were at risk.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AtRisk {
    /// Filters with time at risk.
    pub filters: Vec<Filter>,
    /// Filters whose event had come when they came under observation.
    pub blocked_at_entry: usize,
    /// Infusions whose line has no filter.
    pub without_filter: usize,
    /// Infusions whose filter was, by its line file, placed only after the record's start: what ran before is not counted.
    pub placed_late: usize,
}

impl AtRisk {
    /// Sum of the time at risk, hours.
    pub fn hours(&self) -> f64 {
        self.filters.iter().map(Filter::hours).sum()
    }

    /// Number of events.
    pub fn events(&self) -> usize {
        self.filters.iter().filter(|f| f.event()).count()
    }
}

/// Two notes of the same change lie at most this far apart: the line file and the events.
const SAME_CHANGE_S: f64 = 1.0;

/// Finds the filters at risk.
///
/// Each filter enters at its placing, or at the record's start where that is later, and leaves at its first event, at the
/// next filter's placing, or at the record's end. The first filter was placed when the line file says, else at the last
/// change before the record, else at the record's start; each `filter_change` places another.
pub fn filters(cohort: &Cohort, outcome: Outcome) -> AtRisk {
    let mut found = AtRisk::default();
    for (member, facts) in cohort.members.iter().map(|m| &m.facts).enumerate() {
        if !facts.has_filter {
            found.without_filter += 1;
            continue;
        }
        if facts.placed_s.is_some_and(|p| facts.start_s < p) {
            found.placed_late += 1;
        }
        let placings = placings(facts);
        for (i, &placed_s) in placings.iter().enumerate() {
            let entry_s = placed_s.max(facts.start_s);
            let next = placings.get(i + 1).copied();
            let last_s = next.unwrap_or(facts.end_s).min(facts.end_s);
            if last_s <= entry_s {
                continue;
            }
            let event = facts
                .episodes
                .iter()
                .filter(|e| (outcome.counts)(e))
                .map(|e| ((outcome.time_s)(e), e.id))
                .filter(|&(t, _)| (placed_s < t || i == 0 && placed_s == t) && t <= last_s)
                .min_by(|a, b| a.0.total_cmp(&b.0));
            if event.is_some_and(|(t, _)| t <= entry_s) {
                found.blocked_at_entry += 1;
                continue;
            }
            let exit_s = event.map_or(last_s, |(t, _)| t);
            found.filters.push(Filter {
                member,
                number: i as u32 + 1,
                placed_s,
                entry_h: (entry_s - placed_s) / 3600.0,
                exit_h: (exit_s - placed_s) / 3600.0,
                ended: match (event, next) {
                    (Some(_), _) => Ended::Event,
                    (None, Some(change)) if change <= facts.end_s => Ended::Changed,
                    _ => Ended::RecordEnd,
                },
                episode: event.map(|(_, id)| id),
            });
        }
    }
    found
}

/// When filters were placed that the record saw, in order.
fn placings(facts: &Facts) -> Vec<f64> {
    let known = facts
        .placed_s
        .into_iter()
        .chain(facts.filter_changes_s.iter().copied());
    let (mut before, mut during): (Vec<f64>, Vec<f64>) = known.partition(|&t| t <= facts.start_s);
    before.sort_by(f64::total_cmp);
    during.sort_by(f64::total_cmp);
    during.dedup_by(|later, earlier| *later - *earlier <= SAME_CHANGE_S);
    // The filter at the record's start: of unknown age where the line file dates only a later one.
    let first = match (before.last(), facts.placed_s) {
        (Some(&placed), _) => Some(placed),
        (None, Some(_)) => None,
        (None, None) => Some(facts.start_s),
    };
    first
        .into_iter()
        .chain(during)
        .filter(|&t| t < facts.end_s)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::made::{filter_onset, infusion};
    use rstest::rstest;

    /// `(placed, entry, exit, ended)` in hours.
    type Seen = (f64, f64, f64, Ended);

    #[rstest]
    #[case::plain(None, &[], &[], &[(0.0, 0.0, 24.0, Ended::RecordEnd)])]
    #[case::onset_ends_it(None, &[], &[7.0, 9.0], &[(0.0, 0.0, 7.0, Ended::Event)])]
    #[case::placed_before(Some(-10.0), &[], &[7.0], &[(-10.0, 10.0, 17.0, Ended::Event)])]
    #[case::placed_after_the_start(Some(6.0), &[], &[2.0], &[(6.0, 0.0, 18.0, Ended::RecordEnd)])]
    #[case::placed_after_the_end(Some(30.0), &[], &[], &[])]
    #[case::changed(None, &[8.0], &[], &[(0.0, 0.0, 8.0, Ended::Changed), (8.0, 0.0, 16.0, Ended::RecordEnd)])]
    #[case::the_second_blocks(None, &[8.0], &[12.0], &[(0.0, 0.0, 8.0, Ended::Changed), (8.0, 0.0, 4.0, Ended::Event)])]
    #[case::changed_after_the_onset(None, &[8.0], &[5.0], &[(0.0, 0.0, 5.0, Ended::Event), (8.0, 0.0, 16.0, Ended::RecordEnd)])]
    #[case::onset_at_the_change_is_the_old_ones(None, &[8.0], &[8.0], &[(0.0, 0.0, 8.0, Ended::Event), (8.0, 0.0, 16.0, Ended::RecordEnd)])]
    #[case::changed_before_the_record(None, &[-2.0], &[], &[(-2.0, 2.0, 26.0, Ended::RecordEnd)])]
    #[case::changed_after_the_record(None, &[30.0], &[], &[(0.0, 0.0, 24.0, Ended::RecordEnd)])]
    #[case::line_file_and_event_agree(Some(8.0), &[8.0], &[], &[(8.0, 0.0, 16.0, Ended::RecordEnd)])]
    #[case::change_before_a_late_placing(Some(8.0), &[4.0], &[], &[(4.0, 0.0, 4.0, Ended::Changed), (8.0, 0.0, 16.0, Ended::RecordEnd)])]
    #[case::blocked_from_the_first_sample(None, &[], &[0.0], &[])]
    fn a_filter_is_at_risk(
        #[case] placed_h: Option<f64>,
        #[case] changes_h: &[f64],
        #[case] onsets_h: &[f64],
        #[case] expected: &[Seen],
    ) {
        let mut member = infusion("a", 24.0);
        member.facts.placed_s = placed_h.map(|h| h * 3600.0);
        member.facts.filter_changes_s = changes_h.iter().map(|h| h * 3600.0).collect();
        member.facts.episodes = onsets_h.iter().map(|&h| filter_onset(h)).collect();
        let cohort = Cohort {
            members: vec![member],
            ..Cohort::default()
        };
        let found = filters(&cohort, Outcome::FILTER_ONSET);
        let seen: Vec<Seen> = found
            .filters
            .iter()
            .map(|f| (f.placed_s / 3600.0, f.entry_h, f.exit_h, f.ended))
            .collect();
        assert_eq!(seen, expected);
    }

    #[test]
    fn a_line_without_a_filter_has_none_at_risk() {
        let mut member = infusion("a", 24.0);
        member.facts.has_filter = false;
        let found = filters(
            &Cohort {
                members: vec![member],
                ..Cohort::default()
            },
            Outcome::FILTER_ONSET,
        );
        assert_eq!((found.filters.len(), found.without_filter), (0, 1));
    }
}
