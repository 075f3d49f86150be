//! Which columns divide the rows among channels and infusions.
//!
//! Rows of one channel at one time cannot have different figures. Where they do, a column that tells them apart is proved to
//! be what is sought; where none does, the file holds several pumps under one name or its times are too coarse.

use super::draft::Draft;
use super::sniff::{Cell, Sample};
use super::time::says_time;
use super::vocabulary::{
    CHANNEL, INFUSION, STATE, STATES, WHOSE, columns_of, has_word, said, worded, words_of,
};
use crate::error::{Error, Result};
use crate::ingest::civil::Order;
use crate::ingest::contradict::are_many;
use crate::ingest::letters::plain;
use crate::ingest::mapping::What;
use crate::ingest::names::{identifies, identifies_a_person};
use std::collections::{HashMap, HashSet};

/// Most distinct words of a column that divides rows, where its name does not say so.
const MOST_PARTS: usize = 20;

/// What rows can be told apart by.
pub(super) struct Divide {
    times: Vec<usize>,
    figures: Vec<usize>,
}

/// Rows that contradict an earlier one of the same time.
struct Conflicts {
    rows: usize,
    /// Lines of the first two.
    first: (u64, u64),
}

impl Divide {
    pub(super) fn of(sample: &Sample, times: &[usize]) -> Self {
        let figures = What::ALL
            .iter()
            .flat_map(|(what, _)| columns_of(sample, *what));
        Self {
            times: times.to_vec(),
            figures: figures.collect(),
        }
    }

    /// Columns that hold neither the time nor a figure nor what is taken.
    pub(super) fn unused(&self, sample: &Sample, taken: &[usize]) -> Vec<usize> {
        let used =
            |c: &usize| self.times.contains(c) || self.figures.contains(c) || taken.contains(c);
        (0..sample.header.len()).filter(|c| !used(c)).collect()
    }

    fn conflicts(&self, sample: &Sample, by: &[usize]) -> Conflicts {
        let mut first_at: HashMap<Vec<&str>, usize> = HashMap::new();
        let mut found = Conflicts {
            rows: 0,
            first: (0, 0),
        };
        if self.times.is_empty() {
            return found;
        }
        let mut hours: HashSet<Option<(jiff::civil::Date, i64)>> = HashSet::new();
        for (at, row) in sample.rows.iter().enumerate() {
            let columns = self.times.iter().chain(by);
            let key: Vec<&str> = columns.map(|c| row.get(*c).map_or("", |c| &**c)).collect();
            let Some(before) = first_at.get(&key) else {
                first_at.insert(key, at);
                continue;
            };
            let other = &sample.rows[*before];
            let differ = |c: &usize| match (row.get(*c), other.get(*c)) {
                (Some(a), Some(b)) => !a.is_empty() && !b.is_empty() && a != b,
                _ => false,
            };
            if self.figures.iter().any(differ) {
                if found.rows == 0 {
                    found.first = (sample.lines[*before], sample.lines[at]);
                }
                found.rows += 1;
                hours.insert(self.hour(row));
            }
        }
        // One hour of one night, and no more: summer time ended. The order of rows tells the two apart on reading.
        let at_night =
            |hour: &Option<(jiff::civil::Date, i64)>| hour.is_some_and(|(_, hour)| hour < 4);
        if hours.len() == 1 && hours.iter().all(at_night) && 2 * found.rows < sample.rows.len() {
            found.rows = 0;
        }
        found
    }

    /// Date and hour of a row.
    fn hour(&self, row: &[Cell]) -> Option<(jiff::civil::Date, i64)> {
        let read = |c: &usize| {
            let cell = row.get(*c)?;
            Order::WORDS
                .iter()
                .find_map(|(_, order)| cell.civil(*order).ok())
        };
        let date = self.times.iter().find_map(|c| read(c)?.date)?;
        let of_day = self.times.iter().rev().find_map(|c| read(c)?.of_day_us)?;
        Some((date, of_day / 3_600_000_000))
    }
}

/// Channel and infusion; gives back the channel's column.
pub(super) fn propose_names(
    draft: &mut Draft,
    sample: &Sample,
    divide: &Divide,
) -> Result<Option<usize>> {
    let infusion = infusion_by_name(draft, sample, divide);
    let mut by: Vec<usize> = infusion.into_iter().collect();
    let channel = channel_by_name(draft, sample, divide);
    by.extend(channel);
    let settled = draft.has_answer("channel") || draft.has_answer("infusion");
    let conflicts = divide.conflicts(sample, &by);
    let candidates: Vec<usize> = divide
        .unused(sample, &by)
        .into_iter()
        .filter(|c| words_of(sample, *c).is_some_and(|w| (2..=MOST_PARTS).contains(&w.len())))
        .filter(|c| sample.rows.len() * 9 <= sample.column(*c).count() * 10)
        .collect();
    if !settled && are_many(conflicts.rows as u64, sample.rows.len() as u64) {
        return by_conflicts(draft, sample, divide, &by, channel, &candidates, &conflicts);
    }
    let whose: Vec<usize> = candidates
        .iter()
        .copied()
        .filter(|c| says_whose(&sample.header[*c]))
        .collect();
    if infusion.is_none() && (!whose.is_empty() || draft.has_answer("infusion")) {
        ask_infusion(draft, sample, &whose);
    }
    if channel.is_none() {
        let dividing: Vec<usize> = candidates
            .iter()
            .copied()
            .filter(|c| takes_turns(sample, *c))
            .collect();
        let name = draft.peek("channel").map(str::to_string);
        if !dividing.is_empty() || name.is_some() {
            let names = said(dividing.iter().map(|c| sample.header[*c].as_str()));
            let words = dividing
                .first()
                .and_then(|c| words_of(sample, *c))
                .unwrap_or_default();
            let words = said(words.into_iter());
            match name.as_deref() {
                Some("none") => drop(draft.answer("channel")),
                _ => draft.ask("channel", &format!("{names} divides the rows in {words}: is each of them a channel? Answer with the column's name, or `none` if it does not tell pumps apart")),
            }
        }
        return Ok(name.and_then(|n| sample.header.iter().position(|h| *h == n)));
    }
    Ok(channel)
}

/// Names that say whose a row is.
fn says_whose(header: &str) -> bool {
    let of_a_thing = [
        "drug", "device", "serial", "fluid", "bed", "ward", "room", "unit",
    ];
    let name = plain(header);
    let is_thing = has_word(header, &of_a_thing) || CHANNEL.iter().any(|w| name.contains(w));
    has_word(header, WHOSE) || (identifies_a_person(header) && !is_thing)
}

/// Whether words come again after others, as those of pumps do that write into one file; those of a pump's state do too.
fn takes_turns(sample: &Sample, column: usize) -> bool {
    let header = &sample.header[column];
    let Some(words) = words_of(sample, column) else {
        return false;
    };
    let is_state =
        has_word(header, STATE) || words.iter().any(|w| STATES.contains(&plain(w).as_str()));
    if is_state
        || says_time(header)
        || says_whose(header)
        || (sample.is_numeric(column) && !identifies(header))
    {
        return false;
    }
    let cells: Vec<&str> = sample.column(column).map(|c| &**c).collect();
    let changes = cells
        .windows(2)
        .filter(|two| two.first() != two.last())
        .count();
    words.len() < changes
        && words
            .iter()
            .all(|w| cells.iter().filter(|c| c == &w).count() * 20 >= cells.len())
}

fn by_conflicts(
    draft: &mut Draft,
    sample: &Sample,
    divide: &Divide,
    by: &[usize],
    channel: Option<usize>,
    candidates: &[usize],
    conflicts: &Conflicts,
) -> Result<Option<usize>> {
    let resolves = |c: &usize| {
        let left = divide.conflicts(sample, &[by, &[*c]].concat());
        left.rows * 20 <= conflicts.rows
    };
    let resolving: Vec<usize> = candidates.iter().copied().filter(resolves).collect();
    let (whose, things): (Vec<usize>, Vec<usize>) = resolving
        .iter()
        .partition(|c| says_whose(&sample.header[**c]));
    let (a, b) = conflicts.first;
    let one_channel = channel.is_some_and(|c| words_of(sample, c).is_some_and(|w| 1 < w.len()));
    if !whose.is_empty() || (one_channel && !resolving.is_empty()) {
        ask_infusion(
            draft,
            sample,
            if whose.is_empty() { &resolving } else { &whose },
        );
        return Ok(channel);
    }
    match things.as_slice() {
        [] => {
            let what = format!(
                "lines {a} and {b} stand at one time with different figures, as {} of {} rows do, and no column tells them apart: two pumps in one channel, or times written too coarsely",
                conflicts.rows,
                sample.rows.len()
            );
            let name = divide
                .times
                .last()
                .and_then(|c| sample.header.get(*c))
                .cloned();
            Err(Error::new(what)
                .at_line(b)
                .in_column(name.unwrap_or_default())
                .hint("export one pump at a time or a column that names it, and times with their seconds; a column that is there already can be named with `--set channel=…` or `--set infusion=…`"))
        }
        &[only] if channel.is_none() => {
            let header = &sample.header[only];
            let names = match identifies(header) {
                true => "; its cells are replaced by running names",
                false => "",
            };
            draft.text("channel", header, &format!("without it lines {a} and {b} would be two rows of one time, with it none are{names}"));
            Ok(Some(only))
        }
        several => {
            let names = said(several.iter().map(|c| sample.header[*c].as_str()));
            draft.question("channel", &format!("lines {a} and {b} stand at one time with different figures: which of {names} tells the pumps apart?"));
            Ok(channel)
        }
    }
}

fn ask_infusion(draft: &mut Draft, sample: &Sample, columns: &[usize]) {
    if draft.peek("infusion") == Some("none") {
        drop(draft.answer("infusion"));
        return;
    }
    let names = said(columns.iter().map(|c| sample.header[*c].as_str()));
    let parts = columns
        .first()
        .and_then(|c| words_of(sample, *c))
        .map_or(0, |w| w.len());
    draft.ask("infusion", &format!("{names} has {parts} different cells: is each of them an infusion of its own? Answer with the column's name, and the rows are divided by it and its cells replaced by running names; or `none`"));
}

fn infusion_by_name(draft: &mut Draft, sample: &Sample, divide: &Divide) -> Option<usize> {
    by_name(
        draft,
        sample,
        divide,
        "infusion",
        INFUSION,
        "the infusion of the row",
    )
}

fn channel_by_name(draft: &mut Draft, sample: &Sample, divide: &Divide) -> Option<usize> {
    by_name(
        draft,
        sample,
        divide,
        "channel",
        CHANNEL,
        "the channel of the row",
    )
}

/// The column whose name says this.
fn by_name(
    draft: &mut Draft,
    sample: &Sample,
    divide: &Divide,
    key: &str,
    vocabulary: &[&str],
    what: &str,
) -> Option<usize> {
    let but = [divide.figures.as_slice(), &divide.times].concat();
    let columns: Vec<usize> = worded(sample, vocabulary, &but)
        .into_iter()
        .filter(|c| words_of(sample, *c).is_some() && !says_whose(&sample.header[*c]))
        .filter(|c| !has_word(&sample.header[*c], STATE))
        .collect();
    match columns.as_slice() {
        [] => None,
        &[only] => {
            let header = &sample.header[only];
            let reason = match identifies(header) {
                true => "its name says so; its cells are replaced by running names",
                false => "its name says so, and it has few distinct values",
            };
            let answer = draft.peek(key).map(str::to_string);
            draft.text(key, header, reason);
            match answer {
                Some(name) => sample.header.iter().position(|h| *h == name),
                None => Some(only),
            }
        }
        several => {
            let names = said(several.iter().map(|c| sample.header[*c].as_str()));
            let answer = draft.peek(key).map(str::to_string);
            draft.ask(key, &format!("which of {names} names {what}?"));
            answer.and_then(|name| sample.header.iter().position(|h| *h == name))
        }
    }
}

/// Names of channels and infusions where rows need not be told apart: of events.
pub(super) fn names_of_events(draft: &mut Draft, sample: &Sample, times: &[usize]) {
    let divide = Divide {
        times: times.to_vec(),
        figures: Vec::new(),
    };
    infusion_by_name(draft, sample, &divide);
    channel_by_name(draft, sample, &divide);
    for key in ["infusion", "channel"] {
        if let Some(name) = draft.answer(key) {
            draft.line(key, &super::draft::quoted(&name), "your answer");
        }
    }
}
