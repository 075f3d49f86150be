//! The contract's files: rows and log become `trace.csv` and `events.csv`, the line becomes `line.toml`.
//!
//! In: what happened. Out: bytes. Formats and names are the contract's.

use super::day::Logged;
use super::noise::{Purpose, normal, stream};
use super::scenario::{Position, Scenario};
use super::sensor::Row;
use crate::error::{Error, Result};
use crate::time::{Clock, TimeText};
use std::fmt::Write;

/// A moment as the trace writes it.
pub(super) fn time(clock: &Clock, t_s: f64) -> String {
    match clock.text(t_s) {
        TimeText::Rfc3339(text) => text,
        TimeText::Seconds(s) => s.to_string(),
    }
}

fn cannot(e: impl std::fmt::Display) -> Error {
    Error::new(format!("the made file could not be written to memory: {e}"))
}

/// A number with so many decimals at most, without trailing zeros.
fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let text = match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.'),
        false => &text,
    };
    if text == "-0" {
        "0".into()
    } else {
        text.into()
    }
}

/// The trace.
pub(super) fn trace(rows: &[Row], clock: &Clock, scenario: &Scenario) -> Result<Vec<u8>> {
    let mut csv = csv::Writer::from_writer(Vec::with_capacity(64 * rows.len()));
    let mut header = vec!["time", "channel", "pressure_mmhg", "rate_ml_h"];
    if scenario.sampling.volume {
        header.push("volume_ml");
    }
    if scenario.sampling.limit {
        header.push("limit_mmhg");
    }
    csv.write_record(&header).map_err(cannot)?;
    for row in rows {
        let mut cells = vec![
            time(clock, row.t_s),
            scenario.channels[row.channel].id.clone(),
            row.pressure_mmhg.map_or(String::new(), |p| number(p, 2)),
            number(row.rate_ml_h, 4),
        ];
        if scenario.sampling.volume {
            cells.push(number(row.volume_ml, 3));
        }
        if scenario.sampling.limit {
            cells.push(number(row.limit_mmhg, 1));
        }
        csv.write_record(&cells).map_err(cannot)?;
    }
    csv.into_inner().map_err(cannot)
}

/// The events.
pub(super) fn events(log: &[Logged], clock: &Clock) -> Result<Vec<u8>> {
    let mut csv = csv::Writer::from_writer(Vec::new());
    csv.write_record(["time", "channel", "event", "detail"])
        .map_err(cannot)?;
    for entry in log {
        // people and pumps write down whole seconds
        let at = time(clock, entry.t_s.round());
        let channel = entry.channel.as_deref().unwrap_or_default();
        csv.write_record([&at, channel, entry.event, &entry.detail])
            .map_err(cannot)?;
    }
    csv.into_inner().map_err(cannot)
}

/// The line file, as well as staff know the line.
pub(super) fn line(s: &Scenario, seed: u64) -> String {
    let mut rng = stream(seed, Purpose::LineFile, 0);
    let given = &s.sampling.given;
    let mut known = |value: f64| {
        let off = (given.line_error * normal(&mut rng)).exp();
        number(value * off, 4)
    };
    let mut text = String::new();
    let a = &s.line.access;
    // writing to a String cannot fail
    let _ = writeln!(text, "[access]\nkind = \"{}\"", a.kind);
    let _ = writeln!(
        text,
        "inner_diameter_mm = {}",
        number(a.inner_diameter_mm, 3)
    );
    let _ = writeln!(text, "length_cm = {}", number(a.length_cm, 1));
    if given.measured {
        let r = known(a.resistance_mmhg_h_per_ml);
        let _ = writeln!(text, "resistance_mmhg_h_per_ml = {r}");
    }
    filter(&mut text, s, &mut known);
    if given.measured {
        let c = known(s.line.tail.compliance_ul_per_mmhg);
        let _ = writeln!(text, "\n[tail]\ncompliance_ul_per_mmhg = {c}");
    }
    for channel in &s.channels {
        let _ = writeln!(text, "\n[[channel]]\nid = {:?}", channel.id);
        let _ = writeln!(text, "fluid = \"{}\"", channel.fluid);
        if given.measured {
            let c = known(channel.compliance_ul_per_mmhg);
            let r = known(channel.resistance_mmhg_h_per_ml);
            let _ = writeln!(text, "compliance_ul_per_mmhg = {c}");
            let _ = writeln!(text, "resistance_mmhg_h_per_ml = {r}");
        }
    }
    text
}

fn filter(text: &mut String, s: &Scenario, known: &mut impl FnMut(f64) -> String) {
    let f = &s.line.filter;
    let position = match f.position {
        Position::BelowJoin => "below-join",
        Position::AboveJoin => "above-join",
        Position::None => "none",
    };
    let _ = writeln!(text, "\n[filter]\nposition = \"{position}\"");
    if f.position == Position::None {
        return;
    }
    if let (Position::AboveJoin, Some(channel)) = (f.position, &f.channel) {
        let _ = writeln!(text, "channel = {channel:?}");
    }
    let _ = writeln!(text, "pore_um = {}", number(f.pore_um, 2));
    if let Ok(clock @ Clock::Calendar { .. }) = s.clock() {
        let placed = time(&clock, (f.placed_h * 3600.0).round());
        let _ = writeln!(text, "placed = \"{placed}\"");
    }
    if s.sampling.given.measured {
        let r = known(f.resistance_mmhg_h_per_ml);
        let c = known(f.compliance_ul_per_mmhg);
        let _ = writeln!(text, "resistance_mmhg_h_per_ml = {r}");
        let _ = writeln!(text, "compliance_ul_per_mmhg = {c}");
    }
}
