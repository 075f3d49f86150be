//! The line between pump and patient as the contract's TOML.
//!
//! In: a line and the clock that its times are of. Out: text that reads back as the same line.

use crate::record::{AccessKind, FilterPosition, Fluid, Line};
use crate::time::{Clock, TimeText};
use toml::{Table, Value};

pub(super) fn toml(line: &Line, clock: &Clock) -> String {
    let mut root = Table::new();
    let access = &line.access;
    let kind = access.kind.map(|kind| match kind {
        AccessKind::Picc => "picc",
        AccessKind::Cvc => "cvc",
        AccessKind::Umbilical => "umbilical",
        AccessKind::Midline => "midline",
        AccessKind::Peripheral => "peripheral",
    });
    add(
        &mut root,
        "access",
        [
            ("kind", text(kind)),
            ("inner_diameter_mm", number(access.inner_diameter_mm)),
            ("length_cm", number(access.length_cm)),
            (
                "resistance_mmhg_h_per_ml",
                number(access.resistance.map(|r| r.get())),
            ),
        ],
    );
    let filter = &line.filter;
    let (position, channel) = match &filter.position {
        Some(FilterPosition::BelowJoin) => (Some("below-join"), None),
        Some(FilterPosition::AboveJoin { channel }) => (Some("above-join"), Some(channel.as_str())),
        Some(FilterPosition::None) => (Some("none"), None),
        None => (None, None),
    };
    let placed = filter.placed_s.map(|t_s| match clock.exact_text(t_s) {
        TimeText::Rfc3339(text) => Value::String(text),
        TimeText::Seconds(seconds) => Value::Float(seconds),
    });
    add(
        &mut root,
        "filter",
        [
            ("pore_um", number(filter.pore_um)),
            ("position", text(position)),
            ("channel", text(channel)),
            ("placed", placed),
            (
                "resistance_mmhg_h_per_ml",
                number(filter.resistance.map(|r| r.get())),
            ),
            (
                "compliance_ul_per_mmhg",
                number(filter.compliance.map(|c| c.get())),
            ),
        ],
    );
    add(
        &mut root,
        "tail",
        [(
            "compliance_ul_per_mmhg",
            number(line.tail.compliance.map(|c| c.get())),
        )],
    );
    let channels = line.channels.iter().map(|channel| {
        let fluid = channel.fluid.map(|fluid| match fluid {
            Fluid::Pn2in1 => "pn-2in1",
            Fluid::Pn3in1 => "pn-3in1",
            Fluid::Lipid => "lipid",
            Fluid::Crystalloid => "crystalloid",
            Fluid::Medication => "medication",
        });
        Value::Table(part([
            ("id", text(Some(&channel.id))),
            ("fluid", text(fluid)),
            (
                "compliance_ul_per_mmhg",
                number(channel.compliance.map(|c| c.get())),
            ),
            (
                "resistance_mmhg_h_per_ml",
                number(channel.resistance.map(|r| r.get())),
            ),
        ]))
    });
    let channels: Vec<Value> = channels.collect();
    if !channels.is_empty() {
        root.insert("channel".into(), Value::Array(channels));
    }
    root.to_string()
}

fn add<const N: usize>(root: &mut Table, name: &str, entries: [(&str, Option<Value>); N]) {
    let part = part(entries);
    if !part.is_empty() {
        root.insert(name.into(), Value::Table(part));
    }
}

fn part<const N: usize>(entries: [(&str, Option<Value>); N]) -> Table {
    let given = entries
        .into_iter()
        .filter_map(|(key, value)| Some((key.to_string(), value?)));
    given.collect()
}

fn text(value: Option<&str>) -> Option<Value> {
    value.map(|text| Value::String(text.into()))
}

fn number(value: Option<f64>) -> Option<Value> {
    value.map(Value::Float)
}
