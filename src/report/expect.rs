//! What a line should do at given rates, as JSON and as text for a terminal.
//!
//! In: [`Expected`]. Out: [`expect_json`], [`expect_text`].

use super::text::Page;
use super::words::{self, CAUTIONS};
use crate::infer::expect::{BlockedPart, Expected, Taken, Warning};
use crate::units::Estimate;
use serde::Serialize;
use serde_json::{Value, json};

/// What these figures are.
const MODEL: &str = "These figures come from a model of the line at rest and of its ramps, not from a measurement. A pump’s own delay comes on top.";

#[derive(Serialize)]
struct WireRange {
    value: f64,
    low: f64,
    high: f64,
}

fn range(e: Estimate) -> WireRange {
    WireRange {
        value: e.value,
        low: e.low,
        high: e.high,
    }
}

/// One JSON object: `limit_mmhg`, `outlet_mmhg`, `channels`, `blocks`, `growth`, `lowered`, `warnings`, `taken_for_granted`,
/// `cautions`. Ranges are those of the parts, no intervals of probability. A newline at the end.
pub fn expect_json(expected: &Expected) -> String {
    let channels: Vec<Value> = expected
        .channels
        .iter()
        .map(|c| {
            json!({"id": c.id, "rate_ml_h": c.rate.get(), "pressure_mmhg": range(c.pressure_mmhg)})
        })
        .collect();
    let blocks: Vec<Value> = expected
        .blocks
        .iter()
        .map(|b| {
            json!({
                "part": part_word(&b.part),
                "channel": part_channel(&b.part),
                "compliance_ul_per_mmhg": range(b.compliance_ul_per_mmhg),
                "slope_mmhg_per_min": range(b.slope_mmhg_per_min),
                "minutes_to_alarm": b.minutes_to_alarm.map(range),
                "release_volume_ml": range(b.release_volume_ml),
            })
        })
        .collect();
    let growth: Vec<Value> = expected
        .growth
        .iter()
        .map(|g| json!({"part": part_word(&g.part), "alarms_at_resistance_times": g.times}))
        .collect();
    let lowered = expected
        .lowered
        .map(|l| json!({"cm": l.cm, "minutes_without_delivery": range(l.minutes)}));
    let object = json!({
        "schema": "patency.expect/1",
        "limit_mmhg": expected.limit.get(),
        "outlet_mmhg": expected.outlet.get(),
        "channels": channels,
        "blocks": blocks,
        "growth": growth,
        "lowered": lowered,
        "warnings": expected.warnings.iter().map(warning).collect::<Vec<_>>(),
        "taken_for_granted": expected.taken.iter().map(taken).collect::<Vec<_>>(),
        "cautions": std::iter::once(MODEL).chain(CAUTIONS).collect::<Vec<_>>(),
    });
    // Strings, numbers and maps with text keys cannot fail to be written.
    serde_json::to_string_pretty(&object).map_or_else(|_| String::new(), |text| text + "\n")
}

/// What to expect, for people: warnings first, lines of at most `width` columns; `bold` adds the terminal's bold type.
pub fn expect_text(expected: &Expected, width: usize, bold: bool) -> String {
    let mut page = Page::new(width, bold);
    page.strong("", "What to expect of this line, with nothing blocked");
    for c in &expected.channels {
        let text = format!(
            "{} at {}: {} mmHg at its pump{}",
            words::clip(&c.id),
            words::rate(c.rate.get()),
            words::bare(c.pressure_mmhg.value),
            spread(c.pressure_mmhg)
        );
        page.line("  - ", &text);
    }
    page.section("Warnings", expected.warnings.iter().map(warning));
    let title = format!(
        "If one part is blocked completely (limit {})",
        words::pressure(expected.limit.get())
    );
    page.section(
        &title,
        expected.blocks.iter().map(|b| {
            let when = match b.minutes_to_alarm {
                None => "the limit is not above the vein’s pressure".to_string(),
                Some(m) => format!("alarm after {} min{}", words::bare(m.value), spread(m)),
            };
            let (slope, ml) = (b.slope_mmhg_per_min, b.release_volume_ml);
            format!(
                "{}: climbs {} mmHg/min, {when}, relief frees {} mL{}.",
                part_name(&b.part),
                words::bare(slope.value),
                words::bare(ml.value),
                spread(ml)
            )
        }),
    );
    page.section(
        "If it narrows slowly",
        expected.growth.iter().map(|g| {
            let part = match g.part {
                BlockedPart::CatheterTip => "catheter",
                _ => "filter",
            };
            let times = words::bare(g.times);
            format!("the first alarm sounds when the resistance of the {part} is {times} times what it was.")
        }),
    );
    page.section(
        "If the pumps are lowered",
        expected.lowered.iter().map(|l| {
            let minutes = words::bare(l.minutes.value);
            format!(
                "by {} cm, nothing is delivered for {minutes} min{}.",
                words::bare(l.cm),
                spread(l.minutes)
            )
        }),
    );
    page.section("Taken for granted", expected.taken.iter().map(taken));
    let cautions = std::iter::once(MODEL).chain(CAUTIONS);
    page.section("Keep in mind", cautions.map(str::to_string));
    page.text
}

fn spread(e: Estimate) -> String {
    let (low, high) = (words::bare(e.low), words::bare(e.high));
    if low == high {
        String::new()
    } else {
        format!(" ({low} to {high})")
    }
}

fn part_word(part: &BlockedPart) -> &'static str {
    match part {
        BlockedPart::Tubing(_) => "tubing",
        BlockedPart::Join => "join",
        BlockedPart::JoinOrFilter => "filter",
        BlockedPart::Tail => "tail",
        BlockedPart::CatheterTip => "catheter-tip",
    }
}

fn part_channel(part: &BlockedPart) -> Option<&str> {
    match part {
        BlockedPart::Tubing(channel) => Some(channel),
        _ => None,
    }
}

fn part_name(part: &BlockedPart) -> String {
    match part {
        BlockedPart::Tubing(channel) => format!("tubing of {}", words::clip(channel)),
        BlockedPart::Join => "join".into(),
        BlockedPart::JoinOrFilter => "join or filter".into(),
        BlockedPart::Tail => "below the filter".into(),
        BlockedPart::CatheterTip => "catheter tip".into(),
    }
}

fn warning(warning: &Warning) -> String {
    match warning {
        Warning::AlarmsUnblocked { channel } => format!(
            "The limit is too low for {}: it alarms with nothing blocked.",
            words::clip(channel)
        ),
        Warning::MayAlarmUnblocked { channel } => format!(
            "The limit may be too low for {}: it lies within the range to expect with nothing blocked.",
            words::clip(channel)
        ),
        Warning::NearLimit {
            channel,
            headroom_mmhg,
        } => format!(
            "The working pressure of {} is near the limit: {} are left.",
            words::clip(channel),
            words::pressure(*headroom_mmhg)
        ),
        Warning::LimitAboveCatheters { most_mmhg } => format!(
            "The limit is above {}, the most that guidance allows in small central catheters.",
            words::pressure(*most_mmhg)
        ),
        Warning::LongUnnoticed { minutes } => format!(
            "A complete block may go without an alarm for {} min.",
            words::bare(*minutes)
        ),
        Warning::LargeRelease { ml, most_ml } => format!(
            "Relief at the limit frees {} mL; at most {} mL is advised.",
            words::bare(*ml),
            words::bare(*most_ml)
        ),
    }
}

fn taken(taken: &Taken) -> String {
    let of = |what: &str, e: &Estimate, unit: &str| {
        format!(
            "{what}: {} {unit}, {} to {}.",
            words::bare(e.value),
            words::bare(e.low),
            words::bare(e.high)
        )
    };
    let (resistance, compliance) = ("mmHg per mL/h", "µL/mmHg");
    match taken {
        Taken::CatheterFromSize { viscosity_mpa_s: v } => of(
            "The catheter’s resistance follows from its size, with a viscosity of",
            v,
            "mPa·s",
        ),
        Taken::CatheterRange(r) => of("Resistance of the catheter", r, resistance),
        Taken::FilterRange(r) => of("Resistance of the clean filter", r, resistance),
        Taken::FilterBelowJoin => "The filter sits below the join.".into(),
        Taken::TubingRange(c, r) => of(
            &format!("Resistance of the tubing of {}", words::clip(c)),
            r,
            resistance,
        ),
        Taken::ComplianceRange(c, r) => of(
            &format!("Compliance of {}, pump to join", words::clip(c)),
            r,
            compliance,
        ),
        Taken::FilterCompliance(r) => of("Compliance of the filter’s housing", r, compliance),
        Taken::TailCompliance(r) => of("Compliance from the filter to the catheter", r, compliance),
    }
}
