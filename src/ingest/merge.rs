//! Several exports of the same pumps become one record, and nothing counts twice.
//!
//! In: the records that each trace gave, in the order in which the files were named. Out: one record for each infusion. Rows of
//! the same channel and time are one; what one file leaves out the other fills in. Where both have a figure and they differ,
//! the later file counts, and the conflict is listed.

use super::join::join;
use super::moment::Kind;
use crate::error::{Error, Result};
use crate::record::{Channel, Conflict, Event, Notice, Record};
use crate::time::{Clock, TimeText};
use std::collections::BTreeMap;

/// Conflicts kept for the report; all are counted.
const MOST_SHOWN: usize = 100;

/// Puts the records of several files together.
///
/// # Errors
/// Some files with dates and some with seconds.
pub(super) fn merge(files: Vec<Vec<Record>>) -> Result<Vec<Record>> {
    let mut by_infusion: BTreeMap<Option<String>, Vec<Record>> = BTreeMap::new();
    for record in files.into_iter().flatten() {
        by_infusion
            .entry(record.infusion.clone())
            .or_default()
            .push(record);
    }
    by_infusion.into_values().map(of_one_infusion).collect()
}

fn of_one_infusion(mut parts: Vec<Record>) -> Result<Record> {
    if parts.len() < 2 {
        return join(parts);
    }
    let mut found = Found::default();
    for at in 1..parts.len() {
        let (earlier, later) = parts.split_at_mut(at);
        if let Some(later) = later.first_mut() {
            for earlier in earlier {
                found.compare(earlier, later);
            }
        }
    }
    let files = parts.len();
    let events_given = parts.iter().any(|p| p.events_given);
    let mut events: Vec<(f64, Vec<Event>)> = Vec::new();
    for part in &mut parts {
        events.push((origin_s(&part.clock), std::mem::take(&mut part.events)));
    }
    let mut whole = join(parts)?;
    let begin_s = origin_s(&whole.clock);
    for (part_s, events) in events {
        whole.events.extend(events.into_iter().map(|event| Event {
            t_s: event.t_s + (part_s - begin_s),
            ..event
        }));
    }
    whole.events_given = events_given;
    sort_and_drop_repeats(&mut whole);
    let notices = &mut whole.intake.notices;
    // Said below, with the places that the files have in common rather than their lines.
    notices.retain(|n| !matches!(n, Notice::ConflictingRepeats { line: 0, .. }));
    notices.push(Notice::ExportsMerged {
        files,
        rows_twice: found.rows_twice,
        conflicts: found.conflicts,
        first: found.first,
    });
    Ok(whole)
}

fn origin_s(clock: &Clock) -> f64 {
    match clock {
        Clock::Calendar { origin_us, .. } => *origin_us as f64 / 1e6,
        Clock::Seconds => 0.0,
    }
}

/// Puts events in order of time; of events that are alike in all, one stays. Says how many went.
pub(super) fn sort_and_drop_repeats(record: &mut Record) {
    record.events.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
    let before = record.events.len();
    let mut kept: Vec<Event> = Vec::with_capacity(before);
    for event in record.events.drain(..) {
        // Times went through sums of seconds: alike to the millisecond is alike.
        let near = kept.iter().rev().take_while(|k| event.t_s - k.t_s < 1e-3);
        let same = |k: &Event| {
            (&k.channel, k.kind, &k.word, &k.detail)
                == (&event.channel, event.kind, &event.word, &event.detail)
        };
        // A thousand events of one moment are compared no further: the rest stays.
        if !near.take(1000).any(same) {
            kept.push(event);
        }
    }
    record.events = kept;
    let repeated = before - record.events.len();
    if 0 < repeated {
        record
            .intake
            .notices
            .push(Notice::EventsTwice { events: repeated });
    }
}

#[derive(Default)]
struct Found {
    rows_twice: u64,
    conflicts: u64,
    first: Vec<Conflict>,
}

impl Found {
    /// Finds what two files have in common, and fills in what the later one leaves out.
    fn compare(&mut self, earlier: &Record, later: &mut Record) {
        let kind = match later.clock {
            Clock::Calendar { .. } => Kind::Calendar,
            Clock::Seconds => Kind::Seconds,
        };
        let apart_s = origin_s(&earlier.clock) - origin_s(&later.clock);
        let clock = later.clock.clone();
        for channel in &mut later.channels {
            if let Some(before) = earlier.channels.iter().find(|c| c.id == channel.id) {
                self.channel(before, channel, &clock, kind, apart_s);
            }
        }
    }

    fn channel(
        &mut self,
        before: &Channel,
        after: &mut Channel,
        clock: &Clock,
        kind: Kind,
        apart_s: f64,
    ) {
        let tick = |t_s: f64| (t_s * kind.ticks_per_s()).round() as i64;
        let mut at = 0;
        for (i, &t_s) in before.samples.t_s.iter().enumerate() {
            let wanted = tick(t_s + apart_s);
            while after.samples.t_s.get(at).is_some_and(|&t| tick(t) < wanted) {
                at += 1;
            }
            if after.samples.t_s.get(at).is_none_or(|&t| tick(t) != wanted) {
                continue;
            }
            self.rows_twice += 1;
            let theirs = &before.samples;
            let ours = &mut after.samples;
            let columns = [
                (
                    "pressure_mmhg",
                    &theirs.pressure_mmhg,
                    &mut ours.pressure_mmhg,
                ),
                ("rate_ml_h", &theirs.rate_ml_h, &mut ours.rate_ml_h),
                ("volume_ml", &theirs.volume_ml, &mut ours.volume_ml),
                ("limit_mmhg", &theirs.limit_mmhg, &mut ours.limit_mmhg),
            ];
            for (column, theirs, ours) in columns {
                let (Some(&earlier), Some(later)) = (theirs.get(i), ours.get_mut(at)) else {
                    continue;
                };
                if later.is_nan() {
                    *later = earlier;
                } else if 1e-9 < (earlier - *later).abs() {
                    self.conflicts += 1;
                    if self.first.len() < MOST_SHOWN {
                        self.first.push(Conflict {
                            channel: after.id.clone(),
                            time: match clock.text(t_s + apart_s) {
                                TimeText::Rfc3339(text) => text,
                                TimeText::Seconds(s) => format!("{s} s"),
                            },
                            column,
                            earlier,
                            later: *later,
                        });
                    }
                }
            }
        }
    }
}

/// What files call by the same running name must be the same: `(the file's own name, the running one)` of each.
///
/// # Errors
/// Two files number their names differently.
pub(super) fn check_names<'n>(
    first: impl Iterator<Item = (&'n [u8], &'n str)> + Clone,
    other: impl Iterator<Item = (&'n [u8], &'n str)>,
    file: &std::path::Path,
) -> Result<()> {
    for (own, running) in other {
        let differs = |(o, r): (&[u8], &str)| (o == own) != (r == running);
        if first.clone().any(differs) {
            let what = format!(
                "`{running}` is not the same as in the file before: names that may identify somebody are replaced by running ones, and these files number them differently"
            );
            return Err(Error::in_file(file, what)
                .hint("give the columns other names, or name the files in the order in which all of them appear"));
        }
    }
    Ok(())
}
