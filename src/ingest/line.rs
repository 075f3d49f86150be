//! The line file: what lies between pump and patient, in TOML.
//!
//! In: its bytes, and the trace's clock (for `placed`). Out: [`Line`]. Every key may be missing; a key that the
//! contract does not have is an error that names the nearest one, for a mistyped key would else be a part of the
//! line silently unknown. Every error has its line and key.

use super::Source;
use super::moment::{EXAMPLE, Kind, MomentReader};
use super::toml_text::{Part, TomlKind, TomlText, found};
use crate::error::Result;
use crate::record::{
    Access, AccessKind, FilterPart, FilterPosition, Fluid, Line, LineChannel, Notice, Record, Tail,
};
use crate::time::Clock;
use crate::units::{Compliance, Resistance};
use toml::de::DeValue;

const LINE_FILE: TomlKind = TomlKind {
    name: "a line file",
    example: "a line file has lines like `length_cm = 20` under headings like `[access]`",
};

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

/// A line file, read but not yet understood: what it says of `placed` depends on the clock.
pub(super) struct LineText(TomlText);

impl LineText {
    pub(super) fn read(source: Source) -> Result<Self> {
        TomlText::read(source, &LINE_FILE).map(Self)
    }

    pub(super) fn parse(&self, clock: &Clock) -> Result<Line> {
        let document = self.0.document()?;
        let root = Part::root(&self.0, &document);
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
    let parts = root.parts("channel")?;
    let only = parts.len() == 1;
    let mut channels: Vec<LineChannel> = Vec::with_capacity(parts.len());
    for part in parts {
        let line = part.line;
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
            None if only => String::new(),
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
