//! One rule for what is one episode: pieces of one trouble are put together.
//!
//! In: the episodes of a record. Out: the same, where those that follow each other within an hour by one cause are one: the
//! contract's definition. After an hour of free running, or after a deed that ended it, it is a new one.

use super::deeds;
use super::review::{Cause, Course, Episode};
use crate::record::Record;
use crate::time::Span;

/// What runs freely for so long is over, seconds. Source: the contract's definition.
const FREE_S: f64 = 3600.0;
/// What climbs again sooner than this after a restart had not gone, seconds.
const CALM_S: f64 = 600.0;
/// What grew with this probability or more is not put together (our judgement).
const LEAST_GROWN: f64 = 0.3;
/// Sites are alike from this cosine of their probabilities on (our judgement: about two thirds on the same site).
const ALIKE: f64 = 0.8;
/// A deed is noted so long before or after the relief that it brought, seconds.
const NOTED_S: f64 = 900.0;

/// Puts together what is one; in order of onset.
pub fn joined(record: &Record, mut episodes: Vec<Episode>) -> Vec<Episode> {
    episodes.sort_by(|a, b| a.onset_s.value.total_cmp(&b.onset_s.value));
    let mut whole: Vec<Episode> = Vec::new();
    for next in episodes {
        match whole.iter_mut().rfind(|e| is_one(record, e, &next)) {
            Some(first) => join(first, next),
            None => whole.push(next),
        }
    }
    whole
}

/// Whether a later episode is the earlier one's own trouble, come again.
fn is_one(record: &Record, first: &Episode, next: &Episode) -> bool {
    let Some(over_s) = first.end_s else {
        return false; // what still stands has something else on top
    };
    let free = Span {
        start_s: over_s,
        end_s: next.onset_s.value,
    };
    // What grew does not go by itself: where it was gone, somebody took it away.
    let grew = [first, next].iter().any(|e| may_have_grown(e));
    let near = !grew && free.end_s - free.start_s < FREE_S;
    let channels = next.channels.iter().any(|c| first.channels.contains(c));
    near && channels && alike(&first.sites, &next.sites) && !ended(record, free)
}

/// Whether it may well have grown.
fn may_have_grown(episode: &Episode) -> bool {
    let causes = Cause::ALL.iter().zip(episode.causes);
    let gradual = causes.filter(|(cause, _)| cause.course() == Course::Gradual);
    LEAST_GROWN <= gradual.map(|(_, p)| p).sum::<f64>()
}

/// Whether something was done that ended the first.
fn ended(record: &Record, free: Span) -> bool {
    let mut events = record.events.iter();
    events
        .any(|e| deeds::may_clear(e.kind) && free.start_s - NOTED_S <= e.t_s && e.t_s <= free.end_s)
}

fn alike(a: &[f64; 6], b: &[f64; 6]) -> bool {
    let dot = |a: &[f64; 6], b: &[f64; 6]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    ALIKE * (dot(a, a) * dot(b, b)).sqrt() <= dot(a, b)
}

/// Takes a later piece into an episode: the surer of the two says what it was.
fn join(first: &mut Episode, next: Episode) {
    let surest = |e: &Episode| e.sites.iter().copied().fold(0.0, f64::max);
    let mut whole = if surest(first) < surest(&next) {
        next.clone()
    } else {
        first.clone()
    };
    whole.id = first.id;
    whole.onset_s = first.onset_s;
    whole.visible_from_s = first.visible_from_s;
    whole.end_s = next.end_s;
    whole.alarm_s = first.alarm_s.or(next.alarm_s);
    whole.peak_mmhg = first.peak_mmhg.max(next.peak_mmhg);
    whole.release_volume_ml = next.release_volume_ml.or(first.release_volume_ml);
    for channel in first.channels.iter().chain(&next.channels) {
        if !whole.channels.contains(channel) {
            whole.channels.push(channel.clone());
        }
    }
    whole.channels.sort();
    let free_s = first
        .end_s
        .map_or(0.0, |over_s| next.onset_s.value - over_s);
    whole.course = match (first.course, next.course) {
        (Course::Step, Course::Step) if free_s < CALM_S => Course::Step,
        _ => Course::Intermittent,
    };
    *first = whole;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sites_are_alike_where_most_of_both_lies_on_the_same_one() {
        let surely = |i: usize| std::array::from_fn(|j| if i == j { 0.9 } else { 0.02 });
        let both = [0.02, 0.02, 0.46, 0.46, 0.02, 0.02];
        assert!(alike(&surely(2), &surely(2)));
        assert!(!alike(&surely(2), &surely(3)));
        assert!(alike(&both, &both));
        assert!(!alike(&both, &surely(1)));
    }
}
