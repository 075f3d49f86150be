//! The inspection as text for a terminal.

use super::facts::{ChannelFacts, Extent, Infusion, Inspection, LineFacts};
use crate::record::{EventKind, Record};
use crate::report::text::Page;
use crate::report::words;
use std::collections::BTreeMap;

/// Infusions shown in full; more are shown in a line each.
const IN_FULL: usize = 3;

/// Gaps and rejected rows shown per infusion; the JSON has them all.
const SHOWN: usize = 5;

/// What was understood of the files. Lines are at most `width` columns (at least 40); `bold` adds the terminal's bold type.
pub fn inspection_text(records: &[Record], width: usize, bold: bool) -> String {
    let mut page = Page::new(width, bold);
    let facts = Inspection::new(records);
    if IN_FULL < records.len() {
        page.strong(
            "",
            &words::count(records.len() as u64, "infusion", "infusions"),
        );
        for (record, facts) in records.iter().zip(&facts.infusions) {
            brief(&mut page, record, facts);
        }
    } else {
        for (i, (record, facts)) in records.iter().zip(&facts.infusions).enumerate() {
            if 0 < i {
                page.blank();
            }
            whole(&mut page, record, facts);
        }
    }
    page.text
}

fn brief(page: &mut Page, record: &Record, facts: &Infusion) {
    let name = words::clip(facts.infusion.as_deref().unwrap_or_default());
    let mut said = format!(
        "{name}: {}, {}, {}",
        words::count(facts.channels.len() as u64, "channel", "channels"),
        words::count(facts.rows, "row", "rows"),
        words::duration(record.end_s() - record.start_s()),
    );
    if 0 < facts.rows_rejected {
        said += &format!(", {} not used", facts.rows_rejected);
    }
    page.line("  - ", &said);
    for notice in &facts.notices {
        page.line("      ! ", notice);
    }
}

fn whole(page: &mut Page, record: &Record, facts: &Infusion) {
    if let Some(name) = &facts.infusion {
        page.strong("", &format!("Infusion {}", words::clip(name)));
    }
    let (start_s, end_s) = (record.start_s(), record.end_s());
    let span = words::between(&record.clock, start_s, end_s);
    page.line(
        "",
        &format!("{}: {span}.", words::duration(end_s - start_s)),
    );
    page.line("", &words::times_are(&record.clock, end_s));
    page.line("", &rows_sentence(facts));
    for (channel, read) in facts.channels.iter().zip(&record.channels) {
        page.blank();
        page.strong("", &format!("Channel {}", words::clip(&channel.id)));
        page.line("  ", &samples_sentence(channel));
        for gap in read.gaps.iter().take(SHOWN) {
            let between = words::between(&record.clock, gap.start_s, gap.end_s);
            page.line(
                "  ",
                &format!("gap of {}, {between}", words::duration(gap.seconds())),
            );
        }
        if SHOWN < read.gaps.len() {
            page.line("  ", &format!("and {} gaps more", read.gaps.len() - SHOWN));
        }
        column(
            page,
            "pressure",
            "mmHg",
            channel.pressure_mmhg,
            channel.samples,
        );
        column(page, "rate", "mL/h", channel.rate_ml_h, channel.samples);
        column(page, "volume", "mL", channel.volume_ml, channel.samples);
        column(page, "limit", "mmHg", channel.limit_mmhg, channel.samples);
    }
    page.section("Events", events(facts.events.as_ref(), record).into_iter());
    let line = facts.line.as_ref().map_or_else(
        || vec!["no line file was given".to_string()],
        |line| line_items(line, record),
    );
    page.section("Line", line.into_iter());
    let rejected = facts.rejected.iter().take(SHOWN).map(|row| {
        let value = match row.value.as_str() {
            "" => String::new(),
            value => format!(": “{}”", words::clip(value)),
        };
        format!(
            "line {}, {}: {}{value}",
            row.line,
            words::clip(&row.column),
            row.reason
        )
    });
    let more = facts.rows_rejected.saturating_sub(SHOWN as u64);
    let more = (0 < more).then(|| format!("and {}", words::count(more, "more", "more")));
    page.section("Rows not used", rejected.chain(more));
    page.section("About the files", facts.notices.iter().cloned());
}

fn rows_sentence(facts: &Infusion) -> String {
    let mut said = vec![words::count(facts.rows, "row", "rows")];
    let parts = [
        (facts.rows_rejected, "not used"),
        (facts.rows_repeated, "repeated an earlier one"),
        (facts.rows_out_of_order, "sorted in"),
    ];
    said.extend(
        parts
            .iter()
            .filter(|(n, _)| 0 < *n)
            .map(|(n, what)| words::count(*n, what, what)),
    );
    if said.len() == 1 {
        said.push("all used, in order".into());
    }
    format!("{}.", said.join(", "))
}

fn samples_sentence(channel: &ChannelFacts) -> String {
    let samples = words::count(channel.samples, "sample", "samples");
    let step = channel.period_s.map(step_words);
    let how = match (channel.written, step) {
        (_, None) => String::new(),
        ("on-change", Some(step)) => format!(", written on change, usually {step} apart"),
        (_, Some(step)) => format!(", one every {step}"),
    };
    let gaps = match channel.gaps.len() {
        0 => ", no gap".to_string(),
        n => format!(", {}", words::count(n as u64, "gap", "gaps")),
    };
    format!("{samples}{how}{gaps}")
}

/// A period: seconds up to two minutes, with their fraction.
fn step_words(period_s: f64) -> String {
    if period_s < 120.0 {
        format!("{} s", words::significant(period_s, 3))
    } else {
        words::duration(period_s)
    }
}

fn column(page: &mut Page, name: &str, unit: &str, extent: Option<Extent>, samples: u64) {
    let lead = format!("  {name:<9}");
    let Some(extent) = extent else {
        page.line(&lead, "not given");
        return;
    };
    let number = |x: f64| words::significant(x, 4);
    let mut said = if extent.low == extent.high {
        format!("{} {unit}", number(extent.low))
    } else {
        format!("{} to {} {unit}", number(extent.low), number(extent.high))
    };
    if let Some(step) = extent.step.filter(|_| name == "pressure") {
        said += &format!(", in steps of {}", words::significant(step, 2));
    }
    if extent.given < samples {
        said += &format!(
            ", not given in {}",
            words::count(samples - extent.given, "sample", "samples")
        );
    }
    page.line(&lead, &said);
}

fn events(by_kind: Option<&BTreeMap<String, u64>>, record: &Record) -> Vec<String> {
    match by_kind {
        None => vec!["no events file was given".into()],
        Some(kinds) if kinds.is_empty() => vec!["the file has none".into()],
        Some(kinds) => {
            let known = EventKind::WORDS
                .iter()
                .filter_map(|word| Some((*word, *kinds.get(*word)?)));
            let unknown = record
                .events
                .iter()
                .filter(|e| e.kind == EventKind::Unknown)
                .count();
            let unknown = (0 < unknown).then_some(("unknown", unknown as u64));
            known
                .chain(unknown)
                .map(|(word, n)| format!("{word}: {n}"))
                .collect()
        }
    }
}

fn line_items(line: &LineFacts, record: &Record) -> Vec<String> {
    let figure = |x: f64| words::significant(x, 3);
    let resistance = |r: f64| format!("{} mmHg per mL/h", figure(r));
    let compliance = |c: f64| format!("{} µL/mmHg", figure(c));
    let item = |what: String, parts: Vec<Option<String>>| {
        let said: Vec<String> = parts.into_iter().flatten().collect();
        match said.is_empty() {
            true => format!("{what}: not described"),
            false => format!("{what}: {}", said.join(", ")),
        }
    };
    let placed_s = record.line.as_ref().and_then(|l| l.filter.placed_s);
    let placed = placed_s.map(|t_s| match (&record.clock, t_s < 0.0) {
        (crate::time::Clock::Seconds, true) => {
            format!("placed {} before the record’s start", words::duration(t_s))
        }
        _ => format!("placed {}", words::moment(&record.clock, t_s)),
    });
    let position = line
        .filter_position
        .map(|position| match &line.filter_channel {
            Some(channel) => format!("{position} on channel {}", words::clip(channel)),
            None => position.to_string(),
        });
    let mut items = vec![
        item(
            "catheter".into(),
            vec![
                line.access_kind.map(str::to_string),
                line.inner_diameter_mm
                    .map(|d| format!("bore {} mm", figure(d))),
                line.length_cm.map(|l| format!("length {} cm", figure(l))),
                line.access_resistance_mmhg_h_per_ml.map(resistance),
            ],
        ),
        item(
            "filter".into(),
            vec![
                position,
                line.filter_pore_um
                    .map(|p| format!("pore {} µm", figure(p))),
                placed,
                line.filter_resistance_mmhg_h_per_ml.map(resistance),
                line.filter_compliance_ul_per_mmhg.map(compliance),
            ],
        ),
        item(
            "filter to hub".into(),
            vec![line.tail_compliance_ul_per_mmhg.map(compliance)],
        ),
    ];
    items.extend(line.channels.iter().map(|channel| {
        item(
            format!("channel {}", words::clip(&channel.id)),
            vec![
                channel.fluid.map(str::to_string),
                channel.resistance_mmhg_h_per_ml.map(resistance),
                channel.compliance_ul_per_mmhg.map(compliance),
            ],
        )
    }));
    items
}
