//! From when on a record showed an episode.
//!
//! In: the record, an episode of its review, and the way to review a record. Out: a moment. It is found by reviewing the record cut at
//! one moment after the other: what a review of the record read only up to then says is what it showed then, by definition.

use super::review::{Episode, Site};
use crate::record::Record;

/// A record is cut no more finely than this, seconds: two minutes, or two sample periods where they are longer.
const LEAST_APART_S: f64 = 120.0;
/// So far before its onset's interval an episode may have been told at first, seconds.
const EARLIER_S: f64 = 900.0;
/// So many cuts are reviewed for one episode at the most.
const MOST_CUTS: usize = 14;

/// The earliest moment at which the record, read only up to then, holds an episode still going on as something that hinders the flow, or as
/// undetermined, while read a little less far it does not.
///
/// `review` gives `None` where the budget of work is spent: then the best moment known so far is told.
/// `first_s`: where to look first. What no cut shows as that, since it was over too soon or hinders nothing, is visible from there.
pub fn visible_from(
    record: &Record,
    episode: &Episode,
    first_s: f64,
    review: &dyn Fn(&Record) -> Option<Vec<Episode>>,
) -> f64 {
    let last_s = episode.end_s.unwrap_or(record.end_s());
    let mut search = Search {
        record,
        episode,
        review,
        step_s: record
            .least_period_s()
            .map_or(LEAST_APART_S, |p| LEAST_APART_S.max(2.0 * p)),
        cuts: 0,
    };
    if last_s < first_s {
        return first_s;
    }
    let Some((not_s, shows_s)) = search.bracket(first_s, last_s) else {
        return first_s;
    };
    let shows_s = search.narrow(not_s, shows_s);
    last_row_s(record, shows_s)
}

/// When the last row before a moment was written, seconds.
fn last_row_s(record: &Record, t_s: f64) -> f64 {
    let before = |times: &[f64]| {
        let upto = times.partition_point(|&t| t <= t_s);
        upto.checked_sub(1).and_then(|i| times.get(i)).copied()
    };
    let rows = record
        .channels
        .iter()
        .filter_map(|c| before(&c.samples.t_s));
    let events = record.events.iter().map(|e| e.t_s).filter(|t| *t <= t_s);
    rows.chain(events).reduce(f64::max).unwrap_or(t_s)
}

/// What was not seen at first is looked for again after so large a share of its length at the most.
const LOOKS_SHARE: f64 = 0.1;

struct Search<'a> {
    record: &'a Record,
    episode: &'a Episode,
    review: &'a dyn Fn(&Record) -> Option<Vec<Episode>>,
    step_s: f64,
    cuts: usize,
}

impl Search<'_> {
    /// Whether the record read up to a moment holds the episode, still going on; `None` where the budget of work is spent.
    fn shows(&mut self, t_s: f64) -> Option<bool> {
        self.cuts += 1;
        let episode = self.episode;
        let same = |e: &Episode| {
            let going_on = e.end_s.is_none();
            let hinders = e.suggested.is_none_or(Site::is_obstruction);
            let channels = e.channels.iter().any(|c| episode.channels.contains(c));
            let near = episode.onset_s.low - EARLIER_S <= e.onset_s.high;
            going_on && hinders && channels && near
        };
        (self.review)(&self.record.up_to(t_s)).map(|found| found.iter().any(same))
    }

    /// A moment at which the record does not show the episode yet, and a later one at which it does; `None` where no cut shows it.
    fn bracket(&mut self, first_s: f64, last_s: f64) -> Option<(f64, f64)> {
        let mut by_s = self.step_s;
        if self.shows(first_s)? {
            let mut shows_s = first_s;
            loop {
                let earlier_s = (shows_s - by_s).max(self.record.start_s());
                if self.cuts == MOST_CUTS || shows_s <= earlier_s || !self.shows(earlier_s)? {
                    return Some((earlier_s, shows_s));
                }
                (shows_s, by_s) = (earlier_s, 2.0 * by_s);
            }
        }
        let mut not_s = first_s;
        while not_s < last_s && self.cuts < MOST_CUTS {
            // What is soon over is looked at often enough to be seen before that.
            let later_s = (not_s + by_s).min(last_s);
            if self.shows(later_s)? {
                return Some((not_s, later_s));
            }
            by_s = (2.0 * by_s).min(self.step_s.max(LOOKS_SHARE * (last_s - first_s)));
            not_s = later_s;
        }
        None
    }

    /// The moment from which on it shows, between two.
    fn narrow(&mut self, mut not_s: f64, mut shows_s: f64) -> f64 {
        while self.step_s < shows_s - not_s && self.cuts < MOST_CUTS {
            let middle_s = 0.5 * (not_s + shows_s);
            match self.shows(middle_s) {
                Some(true) => shows_s = middle_s,
                Some(false) => not_s = middle_s,
                None => break,
            }
        }
        shows_s
    }
}
