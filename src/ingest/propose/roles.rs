//! Which column is what, by its name and its unit.
//!
//! A role is taken where one column alone bears its name; two that could be meant are asked about. A unit is taken from
//! the header, the row of units or a column of units; one that is written nowhere is asked for.

use super::divide::{Divide, propose_names};
use super::doubts;
use super::draft::{Draft, quoted};
use super::layouts::{long_layout, propose_long, propose_wide, wide_layout};
use super::sniff::Sample;
use super::vocabulary::{
    columns_of, header_unit, said, shown, unit_in_name, unit_in_row, unknown_unit, words_of,
};
use crate::error::{Error, Result};
use crate::ingest::mapping::What;
use crate::ingest::unit::Unit;

pub(super) fn propose_trace(draft: &mut Draft, sample: &Sample, times: &[usize]) -> Result<()> {
    if let Some(long) = long_layout(sample) {
        propose_long(draft, sample, &long, times);
        return Ok(());
    }
    let pressures = columns_of(sample, What::Pressure);
    let rates = columns_of(sample, What::Rate);
    let answered = draft.has_answer("pressure") || draft.has_answer("rate");
    if !answered && pressures.is_empty() && rates.is_empty() {
        return Err(no_log(sample));
    }
    unreadable_figures(sample)?;
    doubtful_times(sample, times)?;
    if !answered && let Some(channels) = wide_layout(sample, &pressures, &rates) {
        propose_wide(draft, sample, &channels);
        return Ok(());
    }
    let divide = Divide::of(sample, times);
    let channel = propose_names(draft, sample, &divide)?;
    let mut figures: Vec<(What, usize)> = Vec::new();
    for (what, key) in What::ALL {
        let column = propose_figure(draft, sample, what, key, times)?;
        figures.extend(column.map(|c| (what, c)));
    }
    doubts::zero(draft, sample, &figures);
    doubts::holds(draft, sample, &figures, times, channel);
    doubts::missing(draft, sample, &figures);
    draft.left_over();
    doubts::rate_words(draft, sample, &figures);
    doubts::running(draft, sample, &figures, &divide, channel);
    Ok(())
}

fn no_log(sample: &Sample) -> Error {
    let all = said(sample.header.iter().map(String::as_str));
    Error::new(format!("this does not look like a pump's log: of {all} no column is called a pressure or a rate or has a unit of one"))
        .at_line(sample.header_line)
        .hint("if it is one, say which column is which: `--set pressure=… --set pressure_unit=mmHg --set rate=… --set rate_unit=mL/h`")
}

/// Times that cannot be right as they stand.
fn doubtful_times(sample: &Sample, times: &[usize]) -> Result<()> {
    let column = |at: Option<&usize>| {
        at.and_then(|c| sample.header.get(*c))
            .cloned()
            .unwrap_or_default()
    };
    if let Some((line, cell)) = doubts::swapped_days(sample, times) {
        let what = format!(
            "`{cell}` leaps by months from the row before, and joins on with day and month exchanged: a spreadsheet seems to have exchanged them where it could"
        );
        return Err(Error::new(what)
            .at_line(line)
            .in_column(column(times.first()))
            .hint("export the times anew with the year first (2031-03-04 08:00:00), or not by way of a spreadsheet"));
    }
    if let Some(line) = doubts::twelve_hours(sample, times) {
        let what = "a clock of 12 hours without AM or PM: no hour is 0 or above 12, and here 12 is followed by 1";
        return Err(Error::new(what)
            .at_line(line)
            .in_column(column(times.last()))
            .hint("export the times with AM and PM, or by the clock of 24 hours"));
    }
    Ok(())
}

/// A column that a unit shows to be a figure must hold numbers: else the figure would silently be lost.
fn unreadable_figures(sample: &Sample) -> Result<()> {
    for column in 0..sample.header.len() {
        let Some((unit, _)) = unit_in_name(sample, column) else {
            continue;
        };
        let of_figure = What::ALL
            .iter()
            .any(|(what, _)| what.quantity() == unit.quantity);
        if !of_figure || unit.factor.is_none() || sample.is_numeric(column) {
            continue;
        }
        let unread = |c: &super::sniff::Cell| sample.number(c).is_none() && !sample.is_missing(c);
        let Some((line, cell)) = sample.placed(column).find(|(_, c)| unread(c)) else {
            continue;
        };
        let shows =
            cell.chars().any(|c| c.is_ascii_digit()) && !cell.chars().any(char::is_alphabetic);
        let found = match shows {
            true => format!("`{}`", shown(cell)),
            false => "words".into(),
        };
        let what = format!("expected numbers as the other columns have them, found {found}");
        return Err(Error::new(what)
            .at_line(line)
            .in_column(&sample.header[column])
            .hint("all numbers of a file must have one decimal sign: export it so, or say which one with `--set decimal=comma` or `--set decimal=point`"));
    }
    Ok(())
}

/// Whether the user's answer says that the row of units is not to be believed.
pub(super) fn unit_row_is_wrong(draft: &Draft, sample: &Sample) -> bool {
    What::ALL.iter().any(|(what, _)| {
        let answer = draft.peek(what.unit_keys().0).and_then(Unit::find);
        let Some(answer) = answer else { return false };
        columns_of(sample, *what).iter().any(|c| {
            unit_in_row(sample, *c)
                .is_some_and(|(u, _)| u != answer && unit_in_name(sample, *c).is_some())
        })
    })
}

/// The column of a figure, where there is one.
fn propose_figure(
    draft: &mut Draft,
    sample: &Sample,
    what: What,
    key: &'static str,
    times: &[usize],
) -> Result<Option<usize>> {
    let columns = columns_of(sample, what);
    let is_needed = matches!(what, What::Pressure | What::Rate);
    let answered = draft.answer(key);
    if answered.as_deref() == Some("none") && !is_needed {
        draft.remark(&format!("no {key}: your answer"));
        return Ok(None);
    }
    let column = match (&answered, columns.as_slice()) {
        (Some(name), _) => {
            draft.line(key, &quoted(name), "your answer");
            sample.header.iter().position(|h| h == name)
        }
        (None, &[only]) if what == What::Volume && doubts::falls(sample, only, times).is_some() => {
            let name = said(std::iter::once(sample.header[only].as_str()));
            let line = doubts::falls(sample, only, times).unwrap_or_default();
            draft.question(key, &format!("the figures of {name} fall (line {line} first): a volume that is left, or of a bag, is none that was delivered. Answer with the column of the volume delivered, or `none`"));
            return Ok(None);
        }
        (None, &[only]) => {
            let header = &sample.header[only];
            draft.line(
                key,
                &quoted(header),
                "the only column whose name or unit says so",
            );
            Some(only)
        }
        (None, []) if !is_needed => return Ok(None),
        (None, several) => {
            let numeric: Vec<usize> = (0..sample.header.len())
                .filter(|c| sample.is_numeric(*c))
                .collect();
            let choice = if several.is_empty() {
                numeric.as_slice()
            } else {
                several
            };
            if choice.is_empty() {
                return Err(no_log(sample));
            }
            let names = said(choice.iter().map(|c| sample.header[*c].as_str()));
            let mut question = match several.is_empty() {
                true => format!(
                    "no column's name says {key}: which of {names} is the {}?",
                    figure_words(what)
                ),
                false => format!("which of {names} is the {}?", figure_words(what)),
            };
            if let Some((line, _)) = choice.first().and_then(|c| sample.placed(*c).next()) {
                question += &format!(
                    " In line {line} they are {}",
                    doubts::in_line(sample, line, choice)
                );
            }
            if !is_needed {
                question += "; `none` if none of them";
            }
            draft.question(key, &question);
            let (unit, _) = what.unit_keys();
            match choice.iter().all(|c| {
                header_unit(sample, *c).is_some_and(|(u, _)| u.quantity == what.quantity())
            }) {
                true => draft.text(unit, "written", "the header of each of them says it"),
                false => unit_question(draft, sample, what, None),
            }
            return Ok(None);
        }
    };
    unit_question(draft, sample, what, column);
    Ok(column)
}

pub(super) fn figure_words(what: What) -> &'static str {
    match what {
        What::Pressure => "pressure at the pump's outlet, towards the patient",
        What::Rate => "rate that the channel runs at (0 while it stands)",
        What::Volume => "volume delivered so far",
        What::Limit => "pressure limit in force",
    }
}

pub(super) fn unit_question(draft: &mut Draft, sample: &Sample, what: What, column: Option<usize>) {
    let (key, column_key) = what.unit_keys();
    let of_figure =
        |found: Option<(Unit, String)>| found.filter(|(u, _)| u.quantity == what.quantity());
    let by_name = of_figure(column.and_then(|c| unit_in_name(sample, c)));
    let by_row = of_figure(column.and_then(|c| unit_in_row(sample, c)));
    let beside = column.and_then(|c| unit_column(sample, what, c));
    if let (Some((name, said_by_name)), Some((row, said_by_row))) = (&by_name, &by_row)
        && name.code != row.code
    {
        let line = sample.unit_line;
        return draft.ask(
            key,
            &format!(
                "{said_by_name} (line {}), {said_by_row} (line {line}): which one is it?",
                sample.header_line
            ),
        );
    }
    let stated = by_row.or(by_name);
    if let Some((beside, words)) = beside {
        let header = &sample.header[beside];
        if let Some((unit, reason)) = &stated
            && words
                .iter()
                .any(|w| Unit::find(w).is_some_and(|u| u.code != unit.code))
        {
            let words = said(words.iter().copied());
            return draft.ask(
                key,
                &format!(
                    "{reason}, the column `{}` says {words}: which one is it?",
                    shown(header)
                ),
            );
        }
        if stated.is_none() && !draft.has_answer(key) {
            return draft.text(column_key, header, "its cells are units");
        }
    }
    match stated {
        Some((unit, reason)) if unit.factor.is_some() => draft.text(key, unit.code, &reason),
        Some((unit, _)) => draft.ask(
            key,
            &format!(
                "`{}` has no fixed size in mmHg or mL/h and cannot be used: is there a column of measured values?",
                unit.code
            ),
        ),
        None => {
            let header = column.and_then(|c| sample.header.get(c));
            if let Some(unit) = column.and_then(|c| unit_in_cells(sample, what, c)) {
                return draft.text(key, unit.code, "its cells bear it");
            }
            let unknown = header.and_then(|h| unknown_unit(h));
            let why = match unknown {
                Some(unit) => format!("the header (line {}) says `{}`, which is no unit that is known here", sample.header_line, shown(unit)),
                None => "no unit is written".into(),
            };
            let range = column.map(|c| doubts::range(sample, c)).unwrap_or_default();
            draft.ask(key, &format!("{why}: which one is it ({})?{range}", Unit::known(what.quantity())));
        }
    }
}

/// The unit that stands behind each figure of a column.
fn unit_in_cells(sample: &Sample, what: What, column: usize) -> Option<Unit> {
    let mut units = sample
        .column(column)
        .filter(|c| !sample.is_missing(c))
        .map(|cell| {
            let at = cell.find(|c: char| c.is_alphabetic())?;
            Unit::find(cell.get(at..)?)
                .filter(|u| u.quantity == what.quantity() && u.factor.is_some())
        });
    let first = units.next()??;
    // Each cell is read in its own unit; where one has none, this one would be guessed.
    units.all(|u| u.is_some()).then_some(first)
}

/// A column of units of this figure: called like it, or the only one.
fn unit_column(sample: &Sample, what: What, figure: usize) -> Option<(usize, Vec<&str>)> {
    let of_quantity = |c: &usize| {
        words_of(sample, *c).is_some_and(|words| {
            words
                .iter()
                .all(|w| Unit::find(w).is_some_and(|u| u.quantity == what.quantity()))
        })
    };
    let columns: Vec<usize> = (0..sample.header.len())
        .filter(|c| *c != figure)
        .filter(of_quantity)
        .collect();
    let begin = |c: usize| {
        sample.header[c]
            .split(' ')
            .next()
            .unwrap_or_default()
            .to_lowercase()
    };
    let own = columns.iter().copied().find(|c| begin(*c) == begin(figure));
    let only = match columns.as_slice() {
        &[only] if what != What::Limit => Some(only),
        _ => None,
    };
    let column = own.or(only)?;
    Some((column, words_of(sample, column)?.into_iter().collect()))
}
