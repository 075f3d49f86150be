//! A mapping's TOML: keys become the mapping's parts, each slip with its line, key and what to do.

use super::{
    EventsMap, FieldsMap, FileMap, LayoutMap, LongMap, Mapping, QUESTION, TimeCells, TimeMap,
    TimeWritten, TraceMap, What,
};
use crate::error::{Error, Result};
use crate::ingest::civil::Order;
use crate::ingest::dress::{Dress, Encoding};
use crate::ingest::numbers::{Numbers, USUAL_MISSING};
use crate::ingest::toml_text::{Part, TomlKind, TomlText, found};
use crate::ingest::unit::{Quantity, Unit};
use crate::ingest::{Source, zone};
use crate::record::EventKind;
use jiff::civil::Date;
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
                let items = array.iter();
                items
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
    let comments: Vec<&str> = above
        .iter()
        .rev()
        .map_while(|l| l.trim().strip_prefix('#'))
        .map(str::trim)
        .collect();
    let mut question: String = comments.into_iter().rev().collect::<Vec<_>>().join(" ");
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

const FILE_KEYS: [&str; 17] = [
    "sheet",
    "encoding",
    "delimiter",
    "header_line",
    "unit_row",
    "decimal",
    "thousands",
    "missing",
    "time",
    "date",
    "clock",
    "start_date",
    "time_unit",
    "date_order",
    "zone",
    "infusion",
    "channel",
];

const TRACE_KEYS: [&str; 9] = [
    "pressure",
    "rate",
    "volume",
    "limit",
    "pressure_unit",
    "rate_unit",
    "volume_unit",
    "limit_unit",
    "holds",
];

const EVENTS_KEYS: [&str; 2] = ["event", "detail"];

/// The keys of a section that hold one value.
pub(in crate::ingest) fn keys(section: &str) -> impl Iterator<Item = &'static str> + Clone {
    let own = match section {
        "trace" => &TRACE_KEYS[..],
        _ => &EVENTS_KEYS[..],
    };
    FILE_KEYS.iter().chain(own).copied()
}

fn trace(part: &Part) -> Result<TraceMap> {
    let known: Vec<&str> = keys("trace").chain(["channels", "long"]).collect();
    part.check_keys(&known)?;
    let file = file(part)?;
    let wide = part.parts("channels")?;
    let long = part.part("long")?;
    let layout = match (wide.is_empty(), long) {
        (true, None) => LayoutMap::Row(fields(part, part)?),
        (false, None) => {
            let mut channels = Vec::with_capacity(wide.len());
            for one in &wide {
                one.check_keys(&[
                    "id",
                    "pressure",
                    "rate",
                    "volume",
                    "limit",
                    "pressure_unit",
                    "rate_unit",
                    "volume_unit",
                    "limit_unit",
                ])?;
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
        holds: flag(part, "holds")?,
    })
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
    })
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
            unit_row: flag(part, "unit_row")?,
            sheet: column(part, "sheet")?,
        },
        numbers: Numbers {
            decimal: decimal as u8,
            thousands,
            missing: texts(part, "missing")?
                .unwrap_or_else(|| USUAL_MISSING.iter().map(|w| w.to_string()).collect()),
        },
        time: time(part)?,
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

fn time(part: &Part) -> Result<TimeMap> {
    let (time, date, clock) = (
        column(part, "time")?,
        column(part, "date")?,
        column(part, "clock")?,
    );
    let start = part.text("start_date", "a date like `2031-03-04`")?;
    let start = match start {
        None => None,
        Some((text, line)) => Some(text.parse::<Date>().map_err(|_| {
            part.wrong(
                "start_date",
                line,
                "a date like `2031-03-04`",
                &format!("`{text}`"),
            )
        })?),
    };
    let cells = match (time, date, clock, start) {
        (Some(time), None, None, None) => TimeCells::One(time),
        (None, Some(date), Some(clock), None) => TimeCells::DateAndClock(date, clock),
        (None, None, Some(clock), Some(start)) => TimeCells::ClockFrom(clock, start),
        _ => {
            let expected = "`time`, or `date` and `clock`, or `clock` and `start_date`";
            return Err(part.wrong("time", part.line, expected, "something else"));
        }
    };
    let unit = unit(part, "time_unit", Quantity::Time)?;
    let order = part.word("date_order", Order::WORDS)?;
    let zone_given = part.text("zone", "a zone")?;
    let written = match (unit, order, zone_given) {
        (None, None, None) => TimeWritten::Contract,
        (Some(seconds), None, None) => TimeWritten::Elapsed(seconds),
        (None, order, Some((text, line))) => {
            let zone = match text {
                "written" => None,
                text => Some(zone::find(text).ok_or_else(|| {
                    part.wrong("zone", line, "an IANA zone, an offset or `written`", &format!("`{text}`"))
                        .hint("for example `Europe/Berlin`, `+01:00`, or `written` where each time bears its offset")
                })?),
            };
            TimeWritten::Local(order.unwrap_or(Order::Ymd), zone)
        }
        (None, Some(_), None) => {
            let line = part.get("date_order").map_or(part.line, |(_, line)| line);
            return Err(part
                .wrong("date_order", line, "`zone` beside it", "none")
                .hint("say which zone the clock showed: `zone = \"Europe/Berlin\"`, `\"+01:00\"`, or `\"written\"`"));
        }
        (Some(_), ..) => {
            let line = part.get("time_unit").map_or(part.line, |(_, line)| line);
            return Err(part.wrong(
                "time_unit",
                line,
                "it alone",
                "`date_order` or `zone` as well",
            ));
        }
    };
    if written == TimeWritten::Contract && !matches!(cells, TimeCells::One(_)) {
        return Err(part
            .wrong(
                "clock",
                part.line,
                "`date_order` and `zone` beside it",
                "none",
            )
            .hint("say in which order the date stands and which zone the clock showed"));
    }
    Ok(TimeMap { cells, written })
}

/// The figures of one channel; `units` has the units that hold for all.
fn fields(part: &Part, units: &Part) -> Result<FieldsMap> {
    let field = |what: What, name: &'static str| -> Result<Option<(String, f64)>> {
        let Some(column) = column(part, name)? else {
            return Ok(None);
        };
        let key = unit_key(what);
        let factor = match unit(part, key, what.quantity())? {
            Some(factor) => factor,
            None => unit(units, key, what.quantity())?.ok_or_else(|| no_unit(part, what, key))?,
        };
        Ok(Some((column, factor)))
    };
    Ok(FieldsMap {
        pressure: field(What::Pressure, "pressure")?.ok_or_else(|| lacking(part, "pressure"))?,
        rate: field(What::Rate, "rate")?.ok_or_else(|| lacking(part, "rate"))?,
        volume: field(What::Volume, "volume")?,
        limit: field(What::Limit, "limit")?,
    })
}

fn unit_key(what: What) -> &'static str {
    match what {
        What::Pressure => "pressure_unit",
        What::Rate => "rate_unit",
        What::Volume => "volume_unit",
        What::Limit => "limit_unit",
    }
}

fn no_unit(part: &Part, what: What, key: &str) -> Error {
    part.wrong(key, part.line, "a unit", "none")
        .hint(format!("one of {}", Unit::known(what.quantity())))
}

fn long_map(long: &Part, units: &Part) -> Result<LongMap> {
    long.check_keys(&[
        "parameter",
        "value",
        "unit",
        "pressure",
        "rate",
        "volume",
        "limit",
    ])?;
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
                let key = unit_key(what);
                Some(unit(units, key, what.quantity())?.ok_or_else(|| no_unit(units, what, key))?)
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

fn column(part: &Part, key: &str) -> Result<Option<String>> {
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

fn flag(part: &Part, key: &str) -> Result<bool> {
    match part.get(key) {
        None => Ok(false),
        Some((value, line)) => value
            .as_bool()
            .ok_or_else(|| part.wrong(key, line, "true or false", &found(value))),
    }
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
fn unit(part: &Part, key: &str, quantity: Quantity) -> Result<Option<f64>> {
    let Some((text, line)) = part.text(key, "a unit in quotes")? else {
        return Ok(None);
    };
    let hint = || format!("known here: {}", Unit::known(quantity));
    let unit = Unit::find(text)
        .filter(|u| u.quantity == quantity)
        .ok_or_else(|| {
            part.wrong(key, line, "a unit", &format!("`{text}`"))
                .hint(hint())
        })?;
    match unit.factor {
        Some(factor) => Ok(Some(factor)),
        None => Err(part
            .wrong(key, line, "a unit with a fixed size", &format!("`{text}`"))
            .hint("a share of a limit or a level is no figure in mmHg or mL/h: export the measured values themselves")),
    }
}
