//! Tables of one row per value (long) and of columns for each channel (wide).

use super::divide::names_of_events;
use super::doubts;
use super::draft::Draft;
use super::roles::{figure_words, unit_question};
use super::sniff::Sample;
use super::vocabulary::{columns_of, name_of, said, says, vocabulary, words_of};
use crate::ingest::letters::plain;
use crate::ingest::mapping::What;
use crate::ingest::unit::Unit;
use std::collections::BTreeMap;

/// One value a row: the columns of parameter, value and unit.
pub(super) struct Long {
    parameter: usize,
    value: usize,
    unit: Option<usize>,
    names: Vec<(What, &'static str, Vec<String>)>,
}

pub(super) fn long_layout(sample: &Sample) -> Option<Long> {
    let columns = 0..sample.header.len();
    let mut candidates = columns.clone().filter_map(|c| {
        let words = words_of(sample, c)?;
        let of = |what: What| -> Vec<String> {
            let vocabulary = vocabulary(what);
            let said = words.iter().filter(|w| says(&plain(w), &vocabulary));
            said.map(|w| w.to_string()).collect()
        };
        let (pressure, rate) = (of(What::Pressure), of(What::Rate));
        (!pressure.is_empty() && !rate.is_empty() && !sample.is_numeric(c)).then(|| {
            let names = What::ALL
                .iter()
                .map(|(what, key)| (*what, *key, of(*what)))
                .collect();
            (c, names)
        })
    });
    let (parameter, names) = candidates.next()?;
    let numeric: Vec<usize> = columns
        .clone()
        .filter(|c| *c != parameter && sample.is_numeric(*c))
        .collect();
    let named: Vec<usize> = numeric
        .iter()
        .copied()
        .filter(|c| {
            ["value", "wert", "valeur", "valor"]
                .iter()
                .any(|w| name_of(&sample.header[*c]).contains(w))
        })
        .collect();
    let value = match (named.as_slice(), numeric.as_slice()) {
        (&[only], _) | (_, &[only]) => only,
        _ => return None,
    };
    let unit = columns.filter(|c| *c != parameter).find(|c| {
        words_of(sample, *c).is_some_and(|words| {
            words.iter().filter(|w| Unit::find(w).is_some()).count() * 2 > words.len()
        })
    });
    Some(Long {
        parameter,
        value,
        unit,
        names,
    })
}

pub(super) fn propose_long(draft: &mut Draft, sample: &Sample, long: &Long, times: &[usize]) {
    let taken: Vec<usize> = [long.parameter, long.value]
        .into_iter()
        .chain(long.unit)
        .collect();
    let by_time: Vec<usize> = times.iter().copied().chain(taken).collect();
    names_of_events(draft, sample, &by_time);
    if long.unit.is_none() {
        for (what, _, names) in &long.names {
            if let [only] = names.as_slice()
                && let Some((unit, text)) = Unit::in_header(only)
                && unit.quantity == what.quantity()
                && unit.factor.is_some()
            {
                draft.text(
                    what.unit_keys().0,
                    unit.code,
                    &format!("its name says `{text}`"),
                );
            } else if !names.is_empty() {
                unit_question(draft, sample, *what, None);
            }
        }
    }
    draft.left_over();
    draft.within("[trace.long]");
    let header = |c: usize| super::draft::quoted(&sample.header[c]);
    draft.line(
        "parameter",
        &header(long.parameter),
        "its cells name figures",
    );
    draft.line(
        "value",
        &header(long.value),
        "the column of numbers beside it",
    );
    if let Some(unit) = long.unit {
        draft.line("unit", &header(unit), "its cells are units");
    }
    for (what, key, names) in &long.names {
        match names.as_slice() {
            [] => {}
            [only] => draft.line(
                key,
                &super::draft::quoted(only),
                "the only name that says so",
            ),
            several => draft.question(
                key,
                &format!(
                    "which of {} is the {}?",
                    said(several.iter().map(String::as_str)),
                    figure_words(*what)
                ),
            ),
        }
    }
}

/// Several channels side by side: the rest of the name, and each figure's column.
pub(super) type Wide = Vec<(String, Vec<(What, &'static str, usize)>)>;

pub(super) fn wide_layout(sample: &Sample, pressures: &[usize], rates: &[usize]) -> Option<Wide> {
    if pressures.len() < 2 || pressures.len() != rates.len() {
        return None;
    }
    let mut channels: BTreeMap<String, Vec<(What, &'static str, usize)>> = BTreeMap::new();
    for (what, key) in What::ALL {
        for column in columns_of(sample, what) {
            let group = sample.groups.as_ref().and_then(|g| g.get(column));
            let rest = match group.filter(|g| !g.is_empty()) {
                Some(group) => group.clone(),
                None => rest_of_name(&sample.header[column], what)?,
            };
            channels.entry(rest).or_default().push((what, key, column));
        }
    }
    let whole = channels.values().all(|figures| {
        let once = |what: What| figures.iter().filter(|(w, ..)| *w == what).count() == 1;
        once(What::Pressure) && once(What::Rate)
    });
    (whole && channels.len() == pressures.len()).then(|| channels.into_iter().collect())
}

/// What is left of a header without the figure's word and unit: `Pressure A [kPa]` → `a`.
pub(super) fn rest_of_name(header: &str, what: What) -> Option<String> {
    let name = name_of(header);
    let vocabulary = vocabulary(what);
    let units = [
        "mmhg", "kpa", "mbar", "bar", "psi", "ml/h", "ml_h", "ml/min", "ml",
    ];
    let kept: Vec<&str> = name
        .split(|c: char| !c.is_alphanumeric() && c != '/')
        .filter(|w| {
            !w.is_empty()
                && !vocabulary.says.iter().any(|s| w.contains(s))
                && !units.contains(w)
                && *w != "h"
        })
        .collect();
    (!kept.is_empty()).then(|| kept.join(" "))
}

pub(super) fn propose_wide(draft: &mut Draft, sample: &Sample, channels: &Wide) {
    names_of_events(draft, sample, &[]);
    let all = channels.iter().flat_map(|(_, figures)| figures);
    let all: Vec<(What, usize)> = all.map(|(what, _, column)| (*what, *column)).collect();
    doubts::missing(draft, sample, &all);
    draft.left_over();
    for (id, figures) in channels {
        draft.within("[[trace.channels]]");
        draft.line(
            "id",
            &super::draft::quoted(id),
            "what its columns' names have in common",
        );
        for (what, key, column) in figures {
            draft.line(
                key,
                &super::draft::quoted(&sample.header[*column]),
                "its name says so",
            );
            unit_question(draft, sample, *what, Some(*column));
        }
    }
}
