//! A mapping's TOML: keys become the mapping's parts, each slip with its line, key and what to do.

use super::{
    EventsMap, FieldMap, FieldsMap, FileMap, Holds, LayoutMap, LongMap, Mapping, QUESTION,
    TraceMap, UnitMap, What,
};
use crate::error::{Error, Result};
use crate::ingest::Source;
use crate::ingest::dress::{Dress, Encoding, UnitRow};
use crate::ingest::numbers::{Numbers, USUAL_MISSING};
use crate::ingest::toml_text::{Part, TomlKind, TomlText, found, plain_number};
use crate::ingest::unit::{Quantity, Unit};
use crate::record::EventKind;
use std::collections::BTreeMap;
use toml::de::{DeTable, DeValue};

const MAPPING_FILE: TomlKind = TomlKind {
    name: "a mapping file",
    example: "a mapping file has lines like `pressure = \"P line\"` under `[trace]`; `patency map` writes one",
};

impl Mapping {
    /// Reads a mapping file.
    ///
    /// # Errors
    /// No TOML, an unknown key, a question not answered, a unit or zone that is not known, a scale without a fixed
    /// size given as a pressure.
    pub fn read(source: Source) -> Result<Self> {
        let text = TomlText::read(source, &MAPPING_FILE)?;
        let document = text.document()?;
        if let Some(line) = first_question(&text, document.get_ref()) {
            return Err(unanswered(&text, line));
        }
        let root = Part::root(&text, &document);
        root.check_keys(&["trace", "events"])?;
        let mapping = Self {
            trace: root.part("trace")?.map(|p| trace(&p)).transpose()?,
            events: root.part("events")?.map(|p| events(&p)).transpose()?,
        };
        if mapping == Self::default() {
            return Err(
                Error::in_file(&text.name, "there is neither `[trace]` nor `[events]`")
                    .hint(MAPPING_FILE.example),
            );
        }
        Ok(mapping)
    }
}

/// Line of the first value that is still a question.
fn first_question(text: &TomlText, table: &DeTable) -> Option<u64> {
    fn within(text: &TomlText, value: &DeValue, at: usize) -> Option<u64> {
        match value {
            DeValue::String(s) if s.trim() == QUESTION => Some(text.line_of(at)),
            DeValue::Table(table) => first_question(text, table),
            DeValue::Array(array) => {
                // `["?"]` is a list with that word.
                let tables = array.iter().filter(|v| v.get_ref().is_table());
                tables
                    .filter_map(|v| within(text, v.get_ref(), v.span().start))
                    .min()
            }
            _ => None,
        }
    }
    let values = table.values();
    values
        .filter_map(|v| within(text, v.get_ref(), v.span().start))
        .min()
}

/// The question stands in the comment above the line, or behind it.
fn unanswered(text: &TomlText, line: u64) -> Error {
    let lines: Vec<&str> = text.text.lines().take(line as usize).collect();
    let (own, above) = lines.split_last().unwrap_or((&"", &[]));
    let mut comments = above.iter().rev().map_while(|l| l.trim().strip_prefix('#'));
    let nearest = comments.next().unwrap_or_default().trim();
    let mut question = nearest.to_string();
    if let Some((_, behind)) = own.split_once('#') {
        question = behind.trim().to_string();
    }
    let key = own.split('=').next().unwrap_or_default().trim();
    let asked = question.trim_start_matches("QUESTION:").trim();
    let what = match asked {
        "" => format!("`{key}` is not answered yet"),
        asked => format!("`{key}` is not answered yet: {asked}"),
    };
    let error = Error::in_file(&text.name, what).at_line(line);
    error.hint(format!("write the answer in the place of `\"{QUESTION}\"`"))
}

const FILE_KEYS: [&str; 19] = [
    "sheet",
    "encoding",
    "delimiter",
    "header_line",
    "unit_row",
    "first_row",
    "decimal",
    "thousands",
    "missing",
    "time",
    "date",
    "clock",
    "start_date",
    "time_unit",
    "time_format",
    "date_order",
    "zone",
    "infusion",
    "channel",
];

/// Keys of figures: of a trace, or of one channel of `[[trace.channels]]`.
const FIGURE_KEYS: [&str; 13] = [
    "pressure",
    "rate",
    "volume",
    "limit",
    "pressure_unit",
    "rate_unit",
    "volume_unit",
    "limit_unit",
    "pressure_unit_column",
    "rate_unit_column",
    "volume_unit_column",
    "limit_unit_column",
    "pressure_zero",
];

const TRACE_KEYS: [&str; 1] = ["holds"];

const EVENTS_KEYS: [&str; 3] = ["event", "detail", "unlisted"];

/// Keys of `[trace.long]`.
const LONG_KEYS: [&str; 7] = [
    "parameter",
    "value",
    "unit",
    "pressure",
    "rate",
    "volume",
    "limit",
];

/// Headings whose keys are the file's own words: of the trace, of the events.
pub(in crate::ingest) fn word_headings(section: &str) -> &'static [&'static str] {
    match section {
        "trace" => &["rate_words", "running"],
        _ => &["words"],
    }
}

/// The keys of a section that hold one value.
pub(in crate::ingest) fn keys(section: &str) -> impl Iterator<Item = &'static str> + Clone {
    let (figures, own) = match section {
        "trace" => (&FIGURE_KEYS[..], &TRACE_KEYS[..]),
        _ => (&[][..], &EVENTS_KEYS[..]),
    };
    FILE_KEYS.iter().chain(figures).chain(own).copied()
}

/// The keys of one channel of `[[trace.channels]]`.
fn channel_keys() -> impl Iterator<Item = &'static str> {
    ["id"].into_iter().chain(FIGURE_KEYS)
}

/// Every key that a mapping may have, with the end of a heading that it stands under.
#[cfg(test)]
pub(in crate::ingest) fn all_keys() -> impl Iterator<Item = (&'static str, &'static str)> {
    let of = |heading: &'static str, keys: &'static [&'static str]| {
        keys.iter().map(move |key| (heading, *key))
    };
    let sections = ["trace", "events"];
    let plain = sections
        .into_iter()
        .flat_map(|s| keys(s).map(move |key| (s, key)));
    plain
        .chain(channel_keys().map(|key| ("channels", key)))
        .chain(of("long", &LONG_KEYS))
}

fn trace(part: &Part) -> Result<TraceMap> {
    let known: Vec<&str> = keys("trace")
        .chain(["channels", "long", "rate_words", "running"])
        .collect();
    part.check_keys(&known)?;
    let file = file(part)?;
    let wide = part.parts("channels")?;
    let long = part.part("long")?;
    let layout = match (wide.is_empty(), long) {
        (true, None) => LayoutMap::Row(fields(part, part)?),
        (false, None) => {
            let known: Vec<&str> = channel_keys().collect();
            let mut channels = Vec::with_capacity(wide.len());
            for one in &wide {
                one.check_keys(&known)?;
                channels.push((required(one, "id")?, fields(one, part)?));
            }
            LayoutMap::Wide(channels)
        }
        (true, Some(long)) => LayoutMap::Long(long_map(&long, part)?),
        (false, Some(long)) => {
            let (line, both) = (long.line, "`[[trace.channels]]` as well");
            return Err(part.wrong("long", line, "one layout", both));
        }
    };
    Ok(TraceMap {
        file,
        layout,
        holds: holds(part)?,
        rate_words: rate_words(part)?,
        running: running(part)?,
    })
}

fn holds(part: &Part) -> Result<Holds> {
    let Some((value, line)) = part.get("holds") else {
        return Ok(Holds::Nothing);
    };
    match (value.as_bool(), value.as_str()) {
        (Some(false), _) | (_, Some("false")) => Ok(Holds::Nothing),
        (Some(true), _) | (_, Some("true")) => Ok(Holds::RateAndLimit),
        (_, Some("all")) => Ok(Holds::All),
        _ => Err(part.wrong("holds", line, "true, false or \"all\"", &found(value))),
    }
}

/// Words in the place of a rate: each is a rate in the rate's unit, or not known.
fn rate_words(part: &Part) -> Result<Vec<(String, f64)>> {
    let Some(list) = part.part("rate_words")? else {
        return Ok(Vec::new());
    };
    let factor = match unit(part, "rate_unit", Quantity::Rate)? {
        Some(UnitMap::Factor(factor)) => factor,
        _ => 1.0,
    };
    let words = list.table.keys().map(|key| {
        let word: &str = key.get_ref();
        let (value, line) = list
            .get(word)
            .unwrap_or((&DeValue::Boolean(false), list.line));
        let rate = match value.as_str() {
            Some("missing") => Some(f64::NAN),
            Some(text) => text.trim().parse::<f64>().ok(),
            None => plain_number(value),
        };
        let rate = rate.filter(|r| r.is_nan() || (0.0..=1e5).contains(&(r * factor)));
        let wrong = || list.wrong(word, line, "a rate, or \"missing\"", &found(value));
        Ok((word.to_string(), rate.ok_or_else(wrong)? * factor))
    });
    words.collect()
}

/// Columns that say whether the channel ran. `no` = a column says nothing of it.
fn running(part: &Part) -> Result<Vec<(String, Vec<String>)>> {
    let Some(list) = part.part("running")? else {
        return Ok(Vec::new());
    };
    let mut columns = Vec::new();
    for key in list.table.keys() {
        let column: &str = key.get_ref();
        let words = texts(&list, column)?.unwrap_or_default();
        let words: Vec<String> = words
            .iter()
            .flat_map(|w| w.split('|'))
            .map(|w| w.trim().to_string())
            .collect();
        if words != ["no"] {
            columns.push((column.to_string(), words));
        }
    }
    Ok(columns)
}

fn events(part: &Part) -> Result<EventsMap> {
    let known: Vec<&str> = keys("events").chain(["words"]).collect();
    part.check_keys(&known)?;
    let mut words = BTreeMap::new();
    if let Some(list) = part.part("words")? {
        for key in list.table.keys() {
            let word: &str = key.get_ref();
            let kind = list.word(word, &EVENT_WORDS)?;
            words.extend(kind.map(|kind| (word.to_string(), kind)));
        }
    }
    Ok(EventsMap {
        file: file(part)?,
        event: required(part, "event")?,
        detail: column(part, "detail")?,
        words,
        unlisted: unlisted(part)?,
    })
}

/// What a word is that is not listed: `keep` = shown, and not used.
fn unlisted(part: &Part) -> Result<Option<EventKind>> {
    match part.text("unlisted", "`keep` or an event")? {
        None | Some(("keep", _)) => Ok(None),
        Some(_) => part.word("unlisted", &EVENT_WORDS),
    }
}

static EVENT_WORDS: std::sync::LazyLock<Vec<(&'static str, EventKind)>> =
    std::sync::LazyLock::new(|| {
        let words = EventKind::WORDS.iter();
        words
            .map(|word| (*word, EventKind::from_word(word)))
            .collect()
    });

fn file(part: &Part) -> Result<FileMap> {
    let decimal = one_of(
        part,
        "decimal",
        &[("point", '.'), (".", '.'), ("comma", ','), (",", ',')],
    )?;
    let decimal = decimal.unwrap_or('.');
    let thousands = character(part, "thousands")?;
    if thousands == Some(decimal) {
        let line = part.get("thousands").map_or(part.line, |(_, line)| line);
        return Err(part.wrong(
            "thousands",
            line,
            "another mark than the decimal sign",
            "the same",
        ));
    }
    let delimiter = one_of(
        part,
        "delimiter",
        &[
            (",", b','),
            (";", b';'),
            ("tab", b'\t'),
            ("\t", b'\t'),
            ("|", b'|'),
            ("blank", b' '),
        ],
    )?;
    let header_line = part.number("header_line", "a line number from 1", |x| {
        (1.0..=100_000.0).contains(&x).then_some(x as u64)
    })?;
    Ok(FileMap {
        dress: Dress {
            encoding: encoding(part)?,
            delimiter: delimiter.unwrap_or(b','),
            header_line: header_line.unwrap_or(1),
            unit_row: unit_row(part)?,
            first_row: part.number("first_row", "a line number from 2", |x| {
                (2.0..=100_000.0).contains(&x).then_some(x as u64)
            })?,
            sheet: column(part, "sheet")?,
        },
        numbers: Numbers::mapped(
            decimal as u8,
            thousands,
            texts(part, "missing")?
                .unwrap_or_else(|| USUAL_MISSING.iter().map(|w| w.to_string()).collect()),
        ),
        time: super::times::time(part)?,
        infusion: column(part, "infusion")?,
        channel: column(part, "channel")?,
    })
}

fn encoding(part: &Part) -> Result<Encoding> {
    let Some((name, line)) = part.text("encoding", "an encoding")? else {
        return Ok(Encoding::UTF8);
    };
    Encoding::find(name).ok_or_else(|| {
        part.wrong("encoding", line, "an encoding", &format!("`{name}`"))
            .hint("for example `utf-8`, `utf-16le`, `utf-16be`, `windows-1252`, `windows-1250`")
    })
}

/// `true`: below the header; a number: its line; `"ignored"`: below the header, and what it says is not looked at.
fn unit_row(part: &Part) -> Result<UnitRow> {
    let Some((value, line)) = part.get("unit_row") else {
        return Ok(UnitRow::None);
    };
    let at = plain_number(value).filter(|x| (1.0..=100_000.0).contains(x));
    match (value.as_bool(), value.as_str(), at) {
        (Some(false), ..) => Ok(UnitRow::None),
        (Some(true), ..) => Ok(UnitRow::Below),
        (_, Some("ignored"), _) => Ok(UnitRow::Ignored),
        (_, _, Some(at)) => Ok(UnitRow::At(at as u64)),
        _ => Err(part.wrong(
            "unit_row",
            line,
            "true, false, \"ignored\" or a line",
            &found(value),
        )),
    }
}

/// The figures of one channel; `units` has the units that hold for all.
fn fields(part: &Part, units: &Part) -> Result<FieldsMap> {
    let field = |what: What, name: &'static str| -> Result<Option<FieldMap>> {
        let Some(column) = column(part, name)? else {
            return Ok(None);
        };
        let zero = match what {
            What::Pressure => zero(part, units)?,
            _ => 0.0,
        };
        let unit = unit_of(part, units, what)?;
        Ok(Some(FieldMap { column, unit, zero }))
    };
    Ok(FieldsMap {
        pressure: field(What::Pressure, "pressure")?.ok_or_else(|| lacking(part, "pressure"))?,
        rate: field(What::Rate, "rate")?.ok_or_else(|| lacking(part, "rate"))?,
        volume: field(What::Volume, "volume")?,
        limit: field(What::Limit, "limit")?,
    })
}

/// The unit of a figure, of its channel or of all.
fn unit_of(part: &Part, units: &Part, what: What) -> Result<UnitMap> {
    let (key, column_key) = what.unit_keys();
    for part in [part, units] {
        if let Some(name) = column(part, column_key)? {
            return Ok(UnitMap::Column(name));
        }
        if let Some(unit) = unit(part, key, what.quantity())? {
            return Ok(unit);
        }
    }
    Err(no_unit(part, what, key))
}

/// What is taken off each pressure, in its unit.
fn zero(part: &Part, units: &Part) -> Result<f64> {
    for part in [part, units] {
        let Some((value, line)) = part.get("pressure_zero") else {
            continue;
        };
        let text = value.as_str().and_then(|t| t.trim().parse().ok());
        let number = text.or_else(|| plain_number(value));
        return number.filter(|x: &f64| x.is_finite()).ok_or_else(|| {
            part.wrong(
                "pressure_zero",
                line,
                "a number, such as 760",
                &found(value),
            )
        });
    }
    Ok(0.0)
}

fn no_unit(part: &Part, what: What, key: &str) -> Error {
    part.wrong(key, part.line, "a unit", "none")
        .hint(format!("one of {}", Unit::known(what.quantity())))
}

fn long_map(long: &Part, units: &Part) -> Result<LongMap> {
    long.check_keys(&LONG_KEYS)?;
    let unit_column = column(long, "unit")?;
    let mut names = Vec::new();
    for (what, key) in What::ALL {
        let Some(words) = texts(long, key)? else {
            if matches!(what, What::Pressure | What::Rate) {
                return Err(lacking(long, key));
            }
            continue;
        };
        let factor = match &unit_column {
            Some(_) => None,
            None => {
                let (key, _) = what.unit_keys();
                match unit(units, key, what.quantity())? {
                    Some(UnitMap::Factor(factor)) => Some(factor),
                    _ => return Err(no_unit(units, what, key)),
                }
            }
        };
        names.extend(words.into_iter().map(|word| (word, what, factor)));
    }
    Ok(LongMap {
        parameter: required(long, "parameter")?,
        value: required(long, "value")?,
        unit: unit_column,
        names,
    })
}

fn lacking(part: &Part, key: &str) -> Error {
    part.wrong(key, part.line, "a column's header", "none")
        .hint(format!("say which column it is: `{key} = \"…\"`"))
}

fn required(part: &Part, key: &str) -> Result<String> {
    column(part, key)?.ok_or_else(|| lacking(part, key))
}

pub(super) fn column(part: &Part, key: &str) -> Result<Option<String>> {
    Ok(part
        .text(key, "a header in quotes")?
        .map(|(text, _)| text.trim().to_string()))
}

fn texts(part: &Part, key: &str) -> Result<Option<Vec<String>>> {
    let Some((value, line)) = part.get(key) else {
        return Ok(None);
    };
    let wrong = |value: &DeValue| part.wrong(key, line, "words in quotes", &found(value));
    if let Some(text) = value.as_str() {
        return Ok(Some(vec![text.trim().to_string()]));
    }
    let array = value.as_array().ok_or_else(|| wrong(value))?;
    let words = array.iter().map(|v| {
        let text = v.get_ref().as_str().ok_or_else(|| wrong(v.get_ref()))?;
        Ok(text.trim().to_string())
    });
    words.collect::<Result<Vec<String>>>().map(Some)
}

fn one_of<T: Copy>(part: &Part, key: &str, of: &[(&str, T)]) -> Result<Option<T>> {
    let Some((value, line)) = part.get(key) else {
        return Ok(None);
    };
    let text = value.as_str().unwrap_or_default();
    match of.iter().find(|(word, _)| *word == text) {
        Some(&(_, value)) => Ok(Some(value)),
        None => {
            let known: Vec<String> = of
                .iter()
                .filter(|(word, _)| !word.chars().any(char::is_control))
                .map(|(word, _)| format!("`{word}`"))
                .collect();
            Err(part.wrong(key, line, &known.join(" | "), &found(value)))
        }
    }
}

fn character(part: &Part, key: &str) -> Result<Option<char>> {
    let Some((value, line)) = part.get(key) else {
        return Ok(None);
    };
    let mut chars = value.as_str().unwrap_or_default().chars();
    match (chars.next(), chars.next()) {
        (Some(c), None) if !c.is_ascii_digit() => Ok(Some(c)),
        _ => Err(part.wrong(key, line, "one character", &found(value))),
    }
}

/// The factor of a unit; an unknown one, one of another quantity, or a scale without a fixed size is an error.
fn unit(part: &Part, key: &str, quantity: Quantity) -> Result<Option<UnitMap>> {
    let Some((text, line)) = part.text(key, "a unit in quotes")? else {
        return Ok(None);
    };
    if text == "written" {
        return Ok(Some(UnitMap::Written));
    }
    let hint = || format!("known here: {}", Unit::known(quantity));
    let unit = Unit::find(text)
        .filter(|u| u.quantity == quantity)
        .ok_or_else(|| {
            part.wrong(key, line, "a unit", &format!("`{text}`"))
                .hint(hint())
        })?;
    match unit.factor {
        Some(factor) => Ok(Some(UnitMap::Factor(factor))),
        None => Err(part
            .wrong(key, line, "a unit with a fixed size", &format!("`{text}`"))
            .hint("a share of a limit or a level is no figure in mmHg or mL/h: export the measured values themselves")),
    }
}
