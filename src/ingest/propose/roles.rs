//! Which column is what, by its name and its unit.
//!
//! A role is taken where one column alone bears its name; two that could be meant are asked about. A unit is taken from
//! the header, the row of units or a column of units; one that is written nowhere is asked for.

use super::draft::Draft;
use super::layouts::{long_layout, propose_long, propose_wide, wide_layout};
use super::sniff::Sample;
use super::vocabulary::{CHANNEL, INFUSION, columns_of, header_unit, said, worded, words_of};
use crate::ingest::mapping::What;
use crate::ingest::names::identifies;
use crate::ingest::numbers::USUAL_MISSING;
use crate::ingest::unit::Unit;
use std::collections::BTreeMap;

pub(super) fn propose_trace(draft: &mut Draft, sample: &Sample) {
    if let Some(long) = long_layout(sample) {
        return propose_long(draft, sample, &long);
    }
    let pressures = columns_of(sample, What::Pressure);
    let rates = columns_of(sample, What::Rate);
    let asked = draft.has_answer("pressure") || draft.has_answer("rate");
    if !asked && let Some(channels) = wide_layout(sample, &pressures, &rates) {
        return propose_wide(draft, sample, &channels);
    }
    propose_names(draft, sample, &[]);
    for (what, key) in What::ALL {
        propose_figure(draft, sample, what, key);
    }
    propose_missing(draft, sample);
    draft.left_over();
}

pub(super) fn propose_names(draft: &mut Draft, sample: &Sample, but: &[usize]) {
    let figures: Vec<usize> = What::ALL
        .iter()
        .flat_map(|(what, _)| columns_of(sample, *what))
        .collect();
    let but = [but, &figures].concat();
    for (key, vocabulary, what) in [
        ("infusion", INFUSION, "the infusion of the row"),
        ("channel", CHANNEL, "the channel of the row"),
    ] {
        let columns: Vec<usize> = worded(sample, vocabulary, &but)
            .into_iter()
            .filter(|c| words_of(sample, *c).is_some())
            .collect();
        match columns.as_slice() {
            [] => {}
            [only] => {
                let header = &sample.header[*only];
                let reason = match identifies(header) {
                    true => "its name says so; its cells are replaced by running names",
                    false => "its name says so, and it has few distinct values",
                };
                draft.text(key, header, reason);
            }
            several => {
                let names = said(several.iter().map(|c| sample.header[*c].as_str()));
                draft.ask(key, &format!("which of {names} names {what}?"));
            }
        }
    }
}

fn propose_figure(draft: &mut Draft, sample: &Sample, what: What, key: &'static str) {
    let columns = columns_of(sample, what);
    let answered = draft.answer(key);
    let column = match (&answered, columns.as_slice()) {
        (Some(name), _) => {
            draft.line(key, &super::draft::quoted(name), "your answer");
            sample.header.iter().position(|h| h == name)
        }
        (None, [only]) => {
            let header = &sample.header[*only];
            draft.line(
                key,
                &super::draft::quoted(header),
                "the only column whose name says so",
            );
            Some(*only)
        }
        (None, []) => {
            if matches!(what, What::Pressure | What::Rate) {
                let all = said(
                    (0..sample.header.len())
                        .filter(|c| sample.is_numeric(*c))
                        .map(|c| sample.header[c].as_str()),
                );
                draft.question(
                    key,
                    &format!("no column's name says {key}: which of {all} is it?"),
                );
                unit_question(draft, sample, what, None);
            }
            return;
        }
        (None, several) => {
            let names = said(several.iter().map(|c| sample.header[*c].as_str()));
            draft.question(
                key,
                &format!("which of {names} is the {}?", figure_words(what)),
            );
            unit_question(draft, sample, what, None);
            return;
        }
    };
    unit_question(draft, sample, what, column);
}

pub(super) fn figure_words(what: What) -> &'static str {
    match what {
        What::Pressure => "pressure at the pump's outlet, towards the patient",
        What::Rate => "rate that the channel runs at (0 while it stands)",
        What::Volume => "volume delivered so far",
        What::Limit => "pressure limit in force",
    }
}

fn unit_key(what: What) -> &'static str {
    match what {
        What::Pressure => "pressure_unit",
        What::Rate => "rate_unit",
        What::Volume => "volume_unit",
        What::Limit => "limit_unit",
    }
}

pub(super) fn unit_question(draft: &mut Draft, sample: &Sample, what: What, column: Option<usize>) {
    let key = unit_key(what);
    let found = column
        .and_then(|c| header_unit(sample, c))
        .filter(|(u, _)| u.quantity == what.quantity());
    let range = column.and_then(|c| {
        let mut numbers = sample
            .column(c)
            .filter_map(|cell| sample.number(cell))
            .peekable();
        numbers.peek()?;
        let (low, high) = numbers.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| {
            (l.min(x), h.max(x))
        });
        Some(format!(" Its cells run from {low} to {high}"))
    });
    match found {
        Some((unit, reason)) if unit.factor.is_some() => draft.text(key, unit.code, &reason),
        Some((unit, _)) => draft.ask(
            key,
            &format!(
                "`{}` has no fixed size in mmHg or mL/h and cannot be used: is there a column of measured values?",
                unit.code
            ),
        ),
        None => draft.ask(
            key,
            &format!(
                "no unit is written: which one is it ({})?{}",
                Unit::known(what.quantity()),
                range.unwrap_or_default()
            ),
        ),
    }
}

/// Words in columns of figures that are not among the usual ones for "not measured".
pub(super) fn propose_missing(draft: &mut Draft, sample: &Sample) {
    let mut words: BTreeMap<&str, usize> = BTreeMap::new();
    for column in [What::Pressure, What::Limit, What::Volume]
        .iter()
        .flat_map(|w| columns_of(sample, *w))
    {
        for cell in sample.column(column) {
            if sample.number(cell).is_none()
                && !cell.starts_with(['<', '>', '≤', '≥'])
                && !cell.chars().any(|c| c.is_ascii_digit())
            {
                *words.entry(&**cell).or_default() += 1;
            }
        }
    }
    let unusual: Vec<&str> = words
        .keys()
        .copied()
        .filter(|w| !USUAL_MISSING.contains(w))
        .take(20)
        .collect();
    if !unusual.is_empty() && !draft.has_answer("missing") {
        let all = USUAL_MISSING.iter().copied().chain(unusual.iter().copied());
        let list: Vec<String> = all.map(super::draft::quoted).collect();
        draft.line(
            "missing",
            &format!("[{}]", list.join(", ")),
            &format!(
                "{} stand where a figure is expected",
                said(unusual.into_iter())
            ),
        );
    }
}
