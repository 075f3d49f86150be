//! Which column is what, by its name and its unit.
//!
//! A role is taken where one column alone bears its name; two that could be meant are asked about. A unit is taken from
//! the header, the row of units or a column of units; one that is written nowhere is asked for.

use super::draft::Draft;
use super::sniff::Sample;
use crate::ingest::mapping::What;
use crate::ingest::names::identifies;
use crate::ingest::numbers::USUAL_MISSING;
use crate::ingest::unit::Unit;
use crate::record::EventKind;
use std::collections::{BTreeMap, BTreeSet};

/// Most distinct values of a column that names parameters, channels or events.
const MOST_WORDS: usize = 60;

struct Vocabulary {
    says: &'static [&'static str],
    but_not: &'static [&'static str],
}

const NOT_A_MEASUREMENT: &[&str] = &[
    "limit",
    "threshold",
    "grenz",
    "schwell",
    "max",
    "alarm",
    "seuil",
    "setting",
];

fn vocabulary(what: What) -> Vocabulary {
    match what {
        What::Pressure => Vocabulary {
            says: &["press", "druck", "presi", "p_line", "pline"],
            but_not: NOT_A_MEASUREMENT,
        },
        What::Limit => Vocabulary {
            says: &["limit", "threshold", "grenz", "schwell", "seuil"],
            but_not: &["volum", "rate", "vtbi", "dose", "time", "zeit"],
        },
        What::Rate => Vocabulary {
            says: &[
                "rate", "flow", "fluss", "debit", "débit", "caudal", "portata",
            ],
            but_not: &["bolus", "limit", "max", "dose", "kvo", "heart", "resp"],
        },
        What::Volume => Vocabulary {
            says: &["volum", "infused", "delivered", "total", "gesamt"],
            but_not: &[
                "remain", "rest", "vtbi", "limit", "syringe", "target", "bolus",
            ],
        },
    }
}

const CHANNEL: &[&str] = &[
    "channel", "kanal", "canal", "pump", "pompe", "module", "modul", "line", "rack", "slot",
];
const INFUSION: &[&str] = &["infusion", "therapy", "therapie", "session"];
const EVENT: &[&str] = &[
    "event", "ereignis", "alarm", "message", "meldung", "action", "aktion", "what",
];
const DETAIL: &[&str] = &[
    "detail",
    "value",
    "wert",
    "parameter",
    "info",
    "text",
    "comment",
    "bemerkung",
];

/// A list for a sentence, of a dozen at most.
pub(super) fn said<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let names: Vec<String> = names.take(12).map(|n| format!("`{}`", shown(n))).collect();
    names.join(", ")
}

fn shown(name: &str) -> String {
    name.chars().filter(|c| !c.is_control()).take(40).collect()
}

/// The unit that a column's header or the row of units states, and where.
pub(super) fn header_unit(sample: &Sample, column: usize) -> Option<(Unit, String)> {
    let bare = |text: &str| text.trim_matches(['[', ']', '(', ')']).trim().to_string();
    if let Some(cell) = sample.unit_row.as_ref().and_then(|row| row.get(column))
        && let Some(unit) = Unit::find(&bare(cell))
    {
        return Some((unit, format!("the row of units says `{}`", shown(cell))));
    }
    let header = sample.header.get(column)?;
    let within = |open: char, close: char| {
        let (_, rest) = header.rsplit_once(open)?;
        rest.split_once(close).map(|(inner, _)| inner)
    };
    let brackets = [within('[', ']'), within('(', ')')].into_iter().flatten();
    // mm[Hg] and cm[H2O] have brackets of their own; a last word like `kPa` or `_mmhg` counts too.
    let last = header.rsplit([' ', '_', ',', '/']).next().into_iter();
    let two = header
        .rmatch_indices([' ', '_', ','])
        .next()
        .and_then(|(i, _)| header.get(i + 1..))
        .into_iter();
    let underscored = header
        .rmatch_indices('_')
        .nth(1)
        .and_then(|(i, _)| header.get(i + 1..));
    let slashed = underscored.map(|u| u.replacen('_', "/", 1));
    let mut tried = brackets
        .chain(two)
        .chain(last)
        .map(str::to_string)
        .chain(slashed);
    tried.find_map(|text| {
        let unit = Unit::find(&text)?;
        // A lone letter is too little: `Phase L`, `Zone h`.
        let stated = text.chars().count() > 1 || header.contains(['[', '(']);
        stated.then(|| (unit, format!("the header says `{}`", shown(&text))))
    })
}

/// The header without its unit, in lower case.
fn name_of(header: &str) -> String {
    let cut = header
        .find(['[', '('])
        .and_then(|i| header.get(..i))
        .unwrap_or(header);
    cut.trim().to_lowercase()
}

fn says(name: &str, vocabulary: &Vocabulary) -> bool {
    vocabulary.says.iter().any(|w| name.contains(w))
        && !vocabulary.but_not.iter().any(|w| name.contains(w))
}

/// Columns of numbers that may be this figure.
fn columns_of(sample: &Sample, what: What) -> Vec<usize> {
    let vocabulary = vocabulary(what);
    let numeric = (0..sample.header.len()).filter(|c| sample.is_numeric(*c));
    numeric
        .filter(|c| {
            let header = sample.header.get(*c).map_or("", String::as_str);
            let unit_fits =
                header_unit(sample, *c).is_none_or(|(u, _)| u.quantity == what.quantity());
            unit_fits && says(&name_of(header), &vocabulary)
        })
        .collect()
}

fn words_of(sample: &Sample, column: usize) -> Option<BTreeSet<&str>> {
    let mut words = BTreeSet::new();
    for cell in sample.column(column) {
        words.insert(&**cell);
        if MOST_WORDS < words.len() {
            return None;
        }
    }
    (!words.is_empty()).then_some(words)
}

/// The one column of words whose header says this.
fn worded(sample: &Sample, vocabulary: &[&str], but: &[usize]) -> Vec<usize> {
    let columns = (0..sample.header.len()).filter(|c| !but.contains(c));
    columns
        .filter(|c| {
            let name = name_of(sample.header.get(*c).map_or("", String::as_str));
            vocabulary.iter().any(|w| name.contains(w)) && header_unit(sample, *c).is_none()
        })
        .collect()
}

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

fn propose_names(draft: &mut Draft, sample: &Sample, but: &[usize]) {
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

fn figure_words(what: What) -> &'static str {
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

fn unit_question(draft: &mut Draft, sample: &Sample, what: What, column: Option<usize>) {
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
fn propose_missing(draft: &mut Draft, sample: &Sample) {
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

/// One value a row: the columns of parameter, value and unit.
struct Long {
    parameter: usize,
    value: usize,
    unit: Option<usize>,
    names: Vec<(What, &'static str, Vec<String>)>,
}

fn long_layout(sample: &Sample) -> Option<Long> {
    let columns = 0..sample.header.len();
    let mut candidates = columns.clone().filter_map(|c| {
        let words = words_of(sample, c)?;
        let of = |what: What| -> Vec<String> {
            let vocabulary = vocabulary(what);
            let said = words
                .iter()
                .filter(|w| says(&w.to_lowercase(), &vocabulary));
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

fn propose_long(draft: &mut Draft, sample: &Sample, long: &Long) {
    let taken: Vec<usize> = [long.parameter, long.value]
        .into_iter()
        .chain(long.unit)
        .collect();
    propose_names(draft, sample, &taken);
    if long.unit.is_none() {
        for (what, _, names) in &long.names {
            if !names.is_empty() {
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
type Wide = Vec<(String, Vec<(What, &'static str, usize)>)>;

fn wide_layout(sample: &Sample, pressures: &[usize], rates: &[usize]) -> Option<Wide> {
    if pressures.len() < 2 || pressures.len() != rates.len() {
        return None;
    }
    let mut channels: BTreeMap<String, Vec<(What, &'static str, usize)>> = BTreeMap::new();
    for (what, key) in What::ALL {
        for column in columns_of(sample, what) {
            let rest = rest_of_name(&sample.header[column], what)?;
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
fn rest_of_name(header: &str, what: What) -> Option<String> {
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

fn propose_wide(draft: &mut Draft, sample: &Sample, channels: &Wide) {
    propose_names(draft, sample, &[]);
    propose_missing(draft, sample);
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

pub(super) fn propose_events(draft: &mut Draft, sample: &Sample) {
    propose_names(draft, sample, &[]);
    let columns = worded(sample, EVENT, &[]);
    let event = match (draft.answer("event"), columns.as_slice()) {
        (Some(name), _) => {
            draft.line("event", &super::draft::quoted(&name), "your answer");
            sample.header.iter().position(|h| *h == name)
        }
        (None, [only]) => {
            draft.line(
                "event",
                &super::draft::quoted(&sample.header[*only]),
                "the only column whose name says so",
            );
            Some(*only)
        }
        (None, _) => {
            let all = said(sample.header.iter().map(String::as_str));
            draft.question("event", &format!("which of {all} says what happened?"));
            None
        }
    };
    let details: Vec<usize> = worded(sample, DETAIL, &[])
        .into_iter()
        .filter(|c| Some(*c) != event)
        .collect();
    if let [only] = details.as_slice() {
        draft.text(
            "detail",
            &sample.header[*only],
            "the only column whose name says so",
        );
    }
    draft.left_over();
    let Some(words) = event.and_then(|c| words_of(sample, c)) else {
        return;
    };
    draft.within("[events.words]");
    draft.remark("The file's words and the program's. A word that is not listed is kept and shown, but not used.");
    for word in words {
        match event_kind(word) {
            Some((kind, reason)) => draft.line(word, &super::draft::quoted(kind.word()), reason),
            None => draft.remark(&format!("{} = \"…\"", super::draft::quoted(word))),
        }
    }
    draft.remark(&format!("known: {}", EventKind::WORDS.join(", ")));
}

/// The contract's event that a word names.
fn event_kind(word: &str) -> Option<(EventKind, &'static str)> {
    let plain = word.to_lowercase().replace([' ', '-'], "_");
    let exact = EventKind::from_word(&plain);
    if exact != EventKind::Unknown {
        return Some((exact, "the same word"));
    }
    let has = |parts: &[&str]| parts.iter().any(|p| plain.contains(p));
    let kind = if has(&[
        "occlu",
        "okklu",
        "verschluss",
        "druckalarm",
        "pressure_alarm",
        "pressure_high",
        "high_pressure",
    ]) {
        EventKind::OcclusionAlarm
    } else if has(&["clear", "quitt", "acknowledg", "silenc"]) && has(&["alarm"]) {
        EventKind::AlarmCleared
    } else if has(&["alarm"]) {
        EventKind::Alarm
    } else if has(&["rate"]) && has(&["chang", "änder", "titrat", "new", "set"]) {
        EventKind::RateChange
    } else if has(&["filter"]) && has(&["chang", "wechsel", "replac", "new"]) {
        EventKind::FilterChange
    } else if has(&["limit", "grenz"]) && has(&["chang", "änder", "new", "set"]) {
        EventKind::LimitChange
    } else {
        return None;
    };
    Some((kind, "a guess by its letters: look at it"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::Source;
    use rstest::rstest;

    fn unit_in(header: &str) -> Option<&'static str> {
        let text = format!("{header};b\n1;2\n3;4\n");
        let mut bytes = text.as_bytes();
        let source = Source {
            name: "x.csv".as_ref(),
            reader: &mut bytes,
        };
        let sample = Sample::read(source, &crate::ingest::sheet::Wanted::default());
        header_unit(&sample.unwrap(), 0).map(|(unit, _)| unit.code)
    }

    #[rstest]
    #[case("Pressure [kPa]", Some("kPa"))]
    #[case("Druck (mbar)", Some("mbar"))]
    #[case("pressure_mmhg", Some("mm[Hg]"))]
    #[case("Line pressure mmHg", Some("mm[Hg]"))]
    #[case("rate mL/h", Some("mL/h"))]
    #[case("rate_ml_h", Some("mL/h"))]
    #[case("Rate (µL/min)", Some("uL/min"))]
    #[case("Pressure (%)", Some("%"))]
    #[case("Pressure", None)]
    #[case("Zone h", None)]
    fn the_unit_is_read_from_the_header(#[case] header: &str, #[case] code: Option<&str>) {
        assert_eq!(unit_in(header), code);
    }

    #[rstest]
    #[case("Occlusion downstream", Some(EventKind::OcclusionAlarm))]
    #[case("RATE CHANGE", Some(EventKind::RateChange))]
    #[case("Filterwechsel", Some(EventKind::FilterChange))]
    #[case("Air alarm", Some(EventKind::Alarm))]
    #[case("Door opened", None)]
    fn words_of_events_are_known_or_left_to_the_user(
        #[case] word: &str,
        #[case] kind: Option<EventKind>,
    ) {
        assert_eq!(event_kind(word).map(|(kind, _)| kind), kind);
    }
}
