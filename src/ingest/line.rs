//! The line file: what lies between pump and patient, in TOML.
//!
//! In: its bytes, and the trace's clock (for `placed`). Out: [`Line`]. Every key may be missing; a key that the
//! contract does not have is an error that names the nearest one, for a mistyped key would else be a part of the
//! line silently unknown. Every error has its line and key.

use super::Source;
use super::moment::{EXAMPLE, Kind, MomentReader};
use super::names::nearest;
use super::table::cannot_read;
use crate::error::{Error, Result};
use crate::record::{
    Access, AccessKind, FilterPart, FilterPosition, Fluid, Line, LineChannel, Notice, Record, Tail,
};
use crate::time::Clock;
use crate::units::{Compliance, Resistance};
use std::io::Read;
use std::path::PathBuf;
use toml::de::{DeTable, DeValue};

/// Longest line file accepted, bytes.
const LONGEST: u64 = 1 << 20;

const ACCESS_KINDS: &[(&str, AccessKind)] = &[
    ("picc", AccessKind::Picc),
    ("cvc", AccessKind::Cvc),
    ("umbilical", AccessKind::Umbilical),
    ("midline", AccessKind::Midline),
    ("peripheral", AccessKind::Peripheral),
];

const FLUIDS: &[(&str, Fluid)] = &[
    ("pn-2in1", Fluid::Pn2in1),
    ("pn-3in1", Fluid::Pn3in1),
    ("lipid", Fluid::Lipid),
    ("crystalloid", Fluid::Crystalloid),
    ("medication", Fluid::Medication),
];

/// Reads a line file. One without channels' names is completed by [`attach_line`].
///
/// # Errors
/// No TOML, an unknown key, a value out of range, `placed` in another kind of time than the trace's.
pub fn read_line(source: Source, clock: &Clock) -> Result<Line> {
    LineText::read(source)?.parse(clock)
}

/// Puts the line into a record. A single `[[channel]]` without `id` is the trace's only channel; channels that the
/// trace does not have become notices.
pub fn attach_line(record: &mut Record, mut line: Line) {
    if let ([only], [part]) = (record.channels.as_slice(), line.channels.as_mut_slice())
        && part.id.is_empty()
    {
        part.id.clone_from(&only.id);
    }
    let above_join = match &line.filter.position {
        Some(FilterPosition::AboveJoin { channel }) => Some(channel.clone()),
        _ => None,
    };
    let mut named: Vec<String> = line.channels.iter().map(|c| c.id.clone()).collect();
    named.extend(above_join.filter(|channel| !named.contains(channel)));
    for channel in named {
        if !record.channels.iter().any(|c| c.id == channel) {
            let file = "line";
            record
                .intake
                .notices
                .push(Notice::UnknownChannel { file, channel });
        }
    }
    record.line = Some(line);
}

/// The text of a line file.
pub(super) struct LineText {
    name: PathBuf,
    text: String,
}

impl LineText {
    pub(super) fn read(source: Source) -> Result<Self> {
        let name = source.name.to_path_buf();
        let mut bytes = Vec::new();
        let limited = source.reader.take(LONGEST + 1).read_to_end(&mut bytes);
        limited.map_err(|e| cannot_read(&name, &e))?;
        if LONGEST < bytes.len() as u64 {
            return Err(Error::in_file(
                &name,
                format!("expected a line file, found more than {LONGEST} bytes"),
            )
            .hint("a line file is a short TOML text; was the trace given instead?"));
        }
        let text = String::from_utf8(bytes).map_err(|e| {
            let good = e.utf8_error().valid_up_to();
            let line = 1 + e
                .as_bytes()
                .iter()
                .take(good)
                .filter(|b| **b == b'\n')
                .count();
            Error::in_file(&name, "expected UTF-8 text, found other bytes")
                .at_line(line as u64)
                .hint("save the line file as TOML in UTF-8")
        })?;
        Ok(Self { name, text })
    }

    pub(super) fn parse(&self, clock: &Clock) -> Result<Line> {
        let document = DeTable::parse(&self.text).map_err(|e| {
            let error = Error::in_file(&self.name, format!("this is no TOML: {}", e.message()));
            let error = match e.span() {
                Some(span) => error.at_line(self.line_of(span.start)),
                None => error,
            };
            error.hint("a line file has lines like `length_cm = 20` under headings like `[access]`")
        })?;
        let root = Part {
            text: self,
            heading: "",
            table: document.get_ref(),
            line: 1,
        };
        root.check_keys(&["access", "filter", "tail", "channel"])?;
        Ok(Line {
            access: root
                .part("access")?
                .map_or(Ok(Access::default()), |p| access(&p))?,
            filter: root
                .part("filter")?
                .map_or(Ok(FilterPart::default()), |p| filter(&p, clock))?,
            tail: root
                .part("tail")?
                .map_or(Ok(Tail::default()), |p| tail(&p))?,
            channels: channels(&root)?,
        })
    }

    fn line_of(&self, byte: usize) -> u64 {
        let before = self.text.bytes().take(byte);
        1 + before.filter(|b| *b == b'\n').count() as u64
    }
}

/// One table of the document, and what to call it in messages.
struct Part<'t> {
    text: &'t LineText,
    heading: &'static str,
    table: &'t DeTable<'t>,
    line: u64,
}

impl<'t> Part<'t> {
    /// Refuses keys that the contract does not have.
    fn check_keys(&self, known: &[&'static str]) -> Result<()> {
        for key in self.table.keys() {
            let name: &str = key.get_ref();
            if known.contains(&name) {
                continue;
            }
            let hint = match nearest(name, known.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("known here: {}", known.join(", ")),
            };
            let shown: String = name.chars().filter(|c| !c.is_control()).take(60).collect();
            return Err(Error::in_file(
                &self.text.name,
                format!("unknown key `{}{shown}`", self.prefix()),
            )
            .at_line(self.text.line_of(key.span().start))
            .hint(hint));
        }
        Ok(())
    }

    fn prefix(&self) -> String {
        match self.heading {
            "" => String::new(),
            heading => format!("{heading}."),
        }
    }

    fn get(&self, key: &str) -> Option<(&'t DeValue<'t>, u64)> {
        let value = self.table.get(key)?;
        Some((value.get_ref(), self.text.line_of(value.span().start)))
    }

    /// A value that is not as expected.
    fn wrong(&self, key: &str, line: u64, expected: &str, found: &str) -> Error {
        Error::in_file(
            &self.text.name,
            format!("expected {expected}, found {found}"),
        )
        .at_line(line)
        .in_column(format!("{}{key}", self.prefix()))
    }

    fn part(&self, key: &'static str) -> Result<Option<Part<'t>>> {
        let Some((value, line)) = self.get(key) else {
            return Ok(None);
        };
        let table = value
            .as_table()
            .ok_or_else(|| self.wrong(key, line, &format!("a heading `[{key}]`"), &found(value)))?;
        Ok(Some(Part {
            text: self.text,
            heading: key,
            table,
            line,
        }))
    }

    fn number<T>(&self, key: &str, what: &str, check: fn(f64) -> Option<T>) -> Result<Option<T>> {
        let Some((value, line)) = self.get(key) else {
            return Ok(None);
        };
        let number = plain_number(value);
        let checked = number.and_then(check);
        if checked.is_none() {
            return Err(self.wrong(key, line, what, &found(value)));
        }
        Ok(checked)
    }

    fn text(&self, key: &str, what: &str) -> Result<Option<(&'t str, u64)>> {
        let Some((value, line)) = self.get(key) else {
            return Ok(None);
        };
        match value.as_str() {
            Some(text) if !text.is_empty() && !text.chars().any(char::is_control) => {
                Ok(Some((text, line)))
            }
            _ => Err(self.wrong(key, line, what, &found(value))),
        }
    }

    fn word<T: Copy>(&self, key: &str, words: &'static [(&'static str, T)]) -> Result<Option<T>> {
        let Some((text, line)) = self.text(key, "a word in quotes")? else {
            return Ok(None);
        };
        if let Some(&(_, value)) = words.iter().find(|(word, _)| *word == text) {
            return Ok(Some(value));
        }
        let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let error = self.wrong(key, line, &known.join(" | "), &format!("`{text}`"));
        Err(match nearest(text, known.iter().copied()) {
            Some(near) => error.hint(format!("did you mean `{near}`?")),
            None => error.hint("leave the key out where none of these fits"),
        })
    }
}

fn plain_number(value: &DeValue) -> Option<f64> {
    let written = match value {
        DeValue::Float(float) => float.as_str(),
        DeValue::Integer(integer) if integer.radix() == 10 => integer.as_str(),
        _ => return None,
    };
    written.parse().ok()
}

fn found(value: &DeValue) -> String {
    match value {
        DeValue::Float(float) => format!("`{}`", float.as_str()),
        DeValue::Integer(integer) => format!("`{}`", integer.as_str()),
        other => format!("a {}", other.type_str()),
    }
}

fn above_zero(x: f64) -> Option<f64> {
    (x.is_finite() && 0.0 < x).then_some(x)
}

fn resistance(part: &Part) -> Result<Option<Resistance>> {
    let what = "a resistance above 0 mmHg·h/mL";
    part.number("resistance_mmhg_h_per_ml", what, Resistance::new)
}

fn compliance(part: &Part) -> Result<Option<Compliance>> {
    let what = "a compliance above 0 µL/mmHg";
    part.number("compliance_ul_per_mmhg", what, Compliance::new)
}

fn access(part: &Part) -> Result<Access> {
    part.check_keys(&[
        "kind",
        "inner_diameter_mm",
        "length_cm",
        "resistance_mmhg_h_per_ml",
    ])?;
    // Beyond these a wrong unit is likelier than such a catheter: 0.05 to 5 mm, 0.5 to 150 cm (common practice, no source).
    let bore = |x: f64| (0.05..=5.0).contains(&x).then_some(x);
    let length = |x: f64| (0.5..=150.0).contains(&x).then_some(x);
    Ok(Access {
        kind: part.word("kind", ACCESS_KINDS)?,
        inner_diameter_mm: part.number("inner_diameter_mm", "a bore of 0.05 to 5 mm", bore)?,
        length_cm: part.number("length_cm", "a length of 0.5 to 150 cm", length)?,
        resistance: resistance(part)?,
    })
}

fn filter(part: &Part, clock: &Clock) -> Result<FilterPart> {
    part.check_keys(&[
        "pore_um",
        "position",
        "channel",
        "placed",
        "resistance_mmhg_h_per_ml",
        "compliance_ul_per_mmhg",
    ])?;
    Ok(FilterPart {
        pore_um: part.number("pore_um", "a pore size above 0 µm", above_zero)?,
        position: position(part)?,
        placed_s: placed(part, clock)?,
        resistance: resistance(part)?,
        compliance: compliance(part)?,
    })
}

#[derive(Clone, Copy)]
enum Where {
    Below,
    Above,
    Nowhere,
}

fn position(part: &Part) -> Result<Option<FilterPosition>> {
    const WORDS: &[(&str, Where)] = &[
        ("below-join", Where::Below),
        ("above-join", Where::Above),
        ("none", Where::Nowhere),
    ];
    let position = part.word("position", WORDS)?;
    let channel = part.text("channel", "a channel's name in quotes")?;
    match (position, channel) {
        (Some(Where::Above), Some((channel, _))) => Ok(Some(FilterPosition::AboveJoin {
            channel: channel.to_string(),
        })),
        (Some(Where::Above), None) => {
            let line = part.get("position").map_or(part.line, |(_, line)| line);
            Err(part
                .wrong("position", line, "`channel` beside `above-join`", "none")
                .hint("say in whose tubing the filter sits: `channel = \"lipid\"`"))
        }
        (_, Some((_, line))) => Err(part
            .wrong(
                "channel",
                line,
                "it beside `position = \"above-join\"` only",
                "another position",
            )
            .hint("a filter below the join belongs to all channels: leave `channel` out")),
        (Some(Where::Below), None) => Ok(Some(FilterPosition::BelowJoin)),
        (Some(Where::Nowhere), None) => Ok(Some(FilterPosition::None)),
        (None, None) => Ok(None),
    }
}

/// When the filter was placed, in seconds from the record's start: written as the trace writes its times.
fn placed(part: &Part, clock: &Clock) -> Result<Option<f64>> {
    let key = "placed";
    let Some((value, line)) = part.get(key) else {
        return Ok(None);
    };
    let written = match value {
        DeValue::String(text) => text.to_string(),
        DeValue::Datetime(moment) => moment.to_string(),
        DeValue::Float(float) => float.as_str().to_string(),
        DeValue::Integer(integer) => integer.as_str().to_string(),
        other => return Err(part.wrong(key, line, "a time", &found(other))),
    };
    let moment = MomentReader::default()
        .read(written.as_bytes())
        .map_err(|reason| {
            part.wrong(key, line, "a time", reason)
                .hint(format!("write it as {EXAMPLE}, with the offset"))
        })?;
    match (clock, moment.kind) {
        (Clock::Seconds, Kind::Seconds) => Ok(Some(moment.ticks as f64 / 1e9)),
        (Clock::Calendar { origin_us, .. }, Kind::Calendar) => {
            Ok(Some((moment.ticks - origin_us) as f64 / 1e6))
        }
        (Clock::Seconds, Kind::Calendar) => Err(part
            .wrong(
                key,
                line,
                "seconds from the record's start, as in the trace",
                "a date",
            )
            .hint("write `placed = -3600` for one hour before the record's start")),
        (Clock::Calendar { .. }, Kind::Seconds) => Err(part
            .wrong(key, line, "a date and time, as in the trace", "a number")
            .hint(format!("write it as {EXAMPLE}"))),
    }
}

fn tail(part: &Part) -> Result<Tail> {
    part.check_keys(&["compliance_ul_per_mmhg"])?;
    Ok(Tail {
        compliance: compliance(part)?,
    })
}

fn channels(root: &Part) -> Result<Vec<LineChannel>> {
    let Some((value, line)) = root.get("channel") else {
        return Ok(Vec::new());
    };
    let wrong = |line, value: &DeValue| {
        root.wrong("channel", line, "headings `[[channel]]`", &found(value))
    };
    let array = value.as_array().ok_or_else(|| wrong(line, value))?;
    let mut channels: Vec<LineChannel> = Vec::with_capacity(array.len());
    for item in array.iter() {
        let line = root.text.line_of(item.span().start);
        let part = Part {
            text: root.text,
            heading: "channel",
            table: item
                .get_ref()
                .as_table()
                .ok_or_else(|| wrong(line, item.get_ref()))?,
            line,
        };
        part.check_keys(&[
            "id",
            "fluid",
            "compliance_ul_per_mmhg",
            "resistance_mmhg_h_per_ml",
        ])?;
        let id = match part.text("id", "a channel's name in quotes")? {
            Some((id, line)) => {
                if channels.iter().any(|c| c.id == id) {
                    return Err(part.wrong(
                        "id",
                        line,
                        "each channel once",
                        &format!("`{id}` again"),
                    ));
                }
                id.to_string()
            }
            None if array.len() == 1 => String::new(),
            None => {
                return Err(part
                    .wrong("id", line, "the channel's name", "none")
                    .hint("with several channels each needs its `id`, as in the trace"));
            }
        };
        channels.push(LineChannel {
            id,
            fluid: part.word("fluid", FLUIDS)?,
            compliance: compliance(&part)?,
            resistance: resistance(&part)?,
        });
    }
    Ok(channels)
}
