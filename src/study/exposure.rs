//! What a filter had been through at a moment: pauses of the line, by the contract's definitions and by others.
//!
//! In: a [`Filter`] and the pauses of its infusion. Out: how many pauses, how many minutes, how long ago, at any hour of
//! the filter; and the stretches in which the count stays the same.

use super::at_risk::Filter;
use super::cohort::{Cohort, Facts, LinePause};
use crate::infer::PauseCause;

/// Which pauses count, and for how long.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PauseRule {
    /// A pause counts from its start for so many hours.
    pub window_h: f64,
    /// Shorter ones do not count, seconds.
    pub at_least_s: f64,
    /// The whole window lies so many hours earlier.
    pub lag_h: f64,
    /// Whether stops caused by an alarm count too: they do not, except to show what that does.
    pub with_alarm_stops: bool,
}

impl PauseRule {
    /// The contract's `pauses_in_last_6_h`.
    pub const CONTRACT: PauseRule = PauseRule {
        window_h: 6.0,
        at_least_s: 60.0,
        lag_h: 0.0,
        with_alarm_stops: false,
    };

    /// Whether a pause counts at all for the filter placed at this time.
    fn counts(&self, pause: &LinePause, placed_s: f64) -> bool {
        self.at_least_s <= pause.span.seconds()
            && (self.with_alarm_stops || pause.cause != PauseCause::Alarm)
            && placed_s <= pause.span.start_s
    }
}

/// A pause on a filter's own clock, hours since it was placed.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Interval {
    start_h: f64,
    end_h: f64,
}

/// The pauses that count for one filter: those that started since it was placed.
#[derive(Debug, Clone, PartialEq)]
pub struct Exposure {
    rule: PauseRule,
    pauses: Vec<Interval>,
}

/// A stretch `(start_h, stop_h]` with the same count throughout.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// Hours since the filter was placed (excluded).
    pub start_h: f64,
    /// Hours since the filter was placed (included).
    pub stop_h: f64,
    /// Pauses that count.
    pub pauses: u32,
}

impl Exposure {
    /// Picks the pauses that count.
    pub fn new(cohort: &Cohort, filter: &Filter, rule: PauseRule) -> Self {
        let pauses = cohort
            .members
            .get(filter.member)
            .map_or(&[][..], |m| &m.facts.pauses);
        let counts = |p: &&LinePause| rule.counts(p, filter.placed_s);
        let hours = |t_s: f64| (t_s - filter.placed_s) / 3600.0;
        Self {
            rule,
            pauses: pauses
                .iter()
                .filter(counts)
                .map(|p| Interval {
                    start_h: hours(p.span.start_s),
                    end_h: hours(p.span.end_s),
                })
                .collect(),
        }
    }

    /// Pauses with a start `s` such that `s < t − lag ≤ s + window`.
    pub fn count(&self, t_h: f64) -> u32 {
        self.in_window(t_h).count() as u32
    }

    /// Minutes of the window that lay in pauses, those that began before it included.
    pub fn paused_minutes(&self, t_h: f64) -> f64 {
        let end = t_h - self.rule.lag_h;
        let start = end - self.rule.window_h;
        let overlap = |p: &Interval| (p.end_h.min(end) - p.start_h.max(start)).max(0.0);
        self.pauses.iter().map(overlap).sum::<f64>() * 60.0
    }

    /// Minutes that the longest pause in the window had lasted by its end.
    pub fn longest_minutes(&self, t_h: f64) -> f64 {
        let end = t_h - self.rule.lag_h;
        let lasted = |p: &Interval| (p.end_h.min(end) - p.start_h) * 60.0;
        self.in_window(t_h).map(lasted).fold(0.0, f64::max)
    }

    /// Hours since the last pause ended; 0 while one lasts, `None` before the first.
    pub fn hours_since_last(&self, t_h: f64) -> Option<f64> {
        let end = t_h - self.rule.lag_h;
        let since = |p: &Interval| (end - p.end_h).max(0.0);
        self.pauses
            .iter()
            .filter(|p| p.start_h < end)
            .map(since)
            .reduce(f64::min)
    }

    fn in_window(&self, t_h: f64) -> impl Iterator<Item = &Interval> {
        let end = t_h - self.rule.lag_h;
        let window = self.rule.window_h;
        self.pauses
            .iter()
            .filter(move |p| p.start_h < end && end <= p.start_h + window)
    }

    /// Cuts the filter's time at risk where the count changes; neighbours differ.
    pub fn stretches(&self, filter: &Filter) -> Vec<Stretch> {
        let PauseRule {
            window_h, lag_h, ..
        } = self.rule;
        let changes = self.pauses.iter().flat_map(|p| {
            let from = p.start_h + lag_h;
            [from, from + window_h]
        });
        let mut cuts: Vec<f64> = changes
            .filter(|&h| filter.entry_h < h && h < filter.exit_h)
            .collect();
        cuts.push(filter.entry_h);
        cuts.push(filter.exit_h);
        cuts.sort_by(f64::total_cmp);
        cuts.dedup();
        let mut stretches: Vec<Stretch> = Vec::with_capacity(cuts.len());
        for pair in cuts.windows(2) {
            let &[start_h, stop_h] = pair else { continue };
            // Within (start, stop] no pause comes or goes; the middle is free of rounding at the cuts.
            let pauses = self.count(start_h + (stop_h - start_h) / 2.0);
            match stretches.last_mut() {
                Some(last) if last.pauses == pauses => last.stop_h = stop_h,
                _ => stretches.push(Stretch {
                    start_h,
                    stop_h,
                    pauses,
                }),
            }
        }
        stretches
    }
}

/// Pauses that count at a moment for the filter placed at `placed_s`; times in seconds from the record's start.
pub fn pauses_before(facts: &Facts, placed_s: f64, t_s: f64, rule: PauseRule) -> u32 {
    let end_s = t_s - rule.lag_h * 3600.0;
    let counts = |p: &&LinePause| {
        let start_s = p.span.start_s;
        rule.counts(p, placed_s) && start_s < end_s && end_s <= start_s + rule.window_h * 3600.0
    };
    facts.pauses.iter().filter(counts).count() as u32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::at_risk::{Outcome, filters};
    use crate::study::made::{filter_onset, infusion, pause};
    use proptest::prelude::*;

    fn cohort(pauses: Vec<LinePause>) -> Cohort {
        let mut member = infusion("a", 24.0);
        member.facts.pauses = pauses;
        Cohort {
            members: vec![member],
            ..Cohort::default()
        }
    }

    fn first(cohort: &Cohort) -> (Filter, Exposure) {
        let filter = filters(cohort, Outcome::FILTER_ONSET).filters[0];
        (filter, Exposure::new(cohort, &filter, PauseRule::CONTRACT))
    }

    fn seen(cohort: &Cohort) -> Vec<(f64, f64, u32)> {
        let (filter, exposure) = first(cohort);
        exposure
            .stretches(&filter)
            .iter()
            .map(|s| (s.start_h, s.stop_h, s.pauses))
            .collect()
    }

    #[test]
    fn a_pause_counts_from_just_after_its_start_for_six_hours() {
        assert_eq!(
            seen(&cohort(vec![pause(4.0, 10.0)])),
            [(0.0, 4.0, 0), (4.0, 10.0, 1), (10.0, 24.0, 0)]
        );
        let c = cohort(vec![pause(4.0, 10.0)]);
        let (_, exposure) = first(&c);
        assert_eq!(
            [4.0, 4.001, 10.0, 10.001].map(|t| exposure.count(t)),
            [0, 1, 1, 0]
        );
    }

    #[test]
    fn two_pauses_add_up_where_their_windows_overlap() {
        assert_eq!(
            seen(&cohort(vec![pause(4.0, 10.0), pause(6.0, 480.0)])),
            [
                (0.0, 4.0, 0),
                (4.0, 6.0, 1),
                (6.0, 10.0, 2),
                (10.0, 12.0, 1),
                (12.0, 24.0, 0)
            ]
        );
    }

    #[test]
    fn where_one_goes_as_another_comes_the_stretch_is_one() {
        assert_eq!(
            seen(&cohort(vec![pause(4.0, 10.0), pause(10.0, 10.0)])),
            [(0.0, 4.0, 0), (4.0, 16.0, 1), (16.0, 24.0, 0)]
        );
    }

    #[test]
    fn short_stops_and_stops_by_an_alarm_do_not_count() {
        let short = pause(4.0, 0.9);
        let mut alarm = pause(5.0, 30.0);
        alarm.cause = PauseCause::Alarm;
        let mut unknown = pause(20.0, 1.0);
        unknown.cause = PauseCause::Unknown;
        assert_eq!(
            seen(&cohort(vec![short, alarm, unknown])),
            [(0.0, 20.0, 0), (20.0, 24.0, 1)]
        );
    }

    #[test]
    fn a_new_filter_has_had_no_pause_not_even_the_one_in_which_it_was_placed() {
        let mut c = cohort(vec![pause(7.9, 30.0), pause(9.0, 5.0)]);
        c.members[0].facts.filter_changes_s = vec![8.0 * 3600.0];
        let filter = filters(&c, Outcome::FILTER_ONSET).filters[1];
        let exposure = Exposure::new(&c, &filter, PauseRule::CONTRACT);
        let stretches: Vec<_> = exposure
            .stretches(&filter)
            .iter()
            .map(|s| (s.stop_h, s.pauses))
            .collect();
        assert_eq!(stretches, [(1.0, 0), (7.0, 1), (16.0, 0)]);
    }

    #[test]
    fn pauses_count_up_to_the_onset_and_no_further() {
        let mut c = cohort(vec![pause(4.0, 10.0), pause(8.0, 10.0)]);
        c.members[0].facts.episodes = vec![filter_onset(6.0)];
        assert_eq!(seen(&c), [(0.0, 4.0, 0), (4.0, 6.0, 1)]);
    }

    #[test]
    fn minutes_longest_and_time_since_are_what_a_clock_would_say() {
        let c = cohort(vec![pause(4.0, 30.0), pause(9.0, 60.0)]);
        let (_, exposure) = first(&c);
        assert!((exposure.paused_minutes(9.5) - 60.0).abs() < 1e-9); // 30 of the first, 30 of the second so far
        assert!((exposure.paused_minutes(10.25) - 75.0).abs() < 1e-9); // the first is half out of the window
        assert!((exposure.longest_minutes(9.5) - 30.0).abs() < 1e-9);
        assert!((exposure.longest_minutes(12.0) - 60.0).abs() < 1e-9);
        assert_eq!(exposure.hours_since_last(3.0), None);
        assert_eq!(exposure.hours_since_last(9.5), Some(0.0));
        assert!((exposure.hours_since_last(12.0).unwrap() - 2.0).abs() < 1e-9);
    }

    proptest! {
        #[test]
        fn the_stretches_cover_the_time_at_risk_and_agree_with_the_count(
            starts in prop::collection::vec((0u16..1440, 1u16..300), 0..12),
            at in 0.001..24.0_f64,
        ) {
            let c = cohort(starts.iter().map(|&(m, l)| pause(f64::from(m) / 60.0, f64::from(l))).collect());
            let (filter, exposure) = first(&c);
            let stretches = exposure.stretches(&filter);
            prop_assert_eq!(stretches[0].start_h, filter.entry_h);
            prop_assert_eq!(stretches.last().unwrap().stop_h, filter.exit_h);
            for pair in stretches.windows(2) {
                prop_assert_eq!(pair[0].stop_h, pair[1].start_h);
                prop_assert!(pair[0].pauses != pair[1].pauses);
            }
            let here = stretches.iter().find(|s| s.start_h < at && at <= s.stop_h).unwrap();
            let near_a_cut = stretches.iter().any(|s| (s.start_h - at).abs() < 1e-9 || (s.stop_h - at).abs() < 1e-9);
            prop_assert!(near_a_cut || here.pauses == exposure.count(at));
        }
    }
}
