//! A bench test of a line, as JSON, as text, and as the lines of a line file.
//!
//! In: [`ClampTest`]. Out: [`clamp_test_json`], [`clamp_test_text`].

use super::text::Page;
use super::words;
use crate::infer::clamp_test::{ClampPlace, ClampTest, Unusable};
use crate::time::{Clock, TimeText};
use crate::units::Estimate;
use serde_json::{Value, json};

const RATES_AS_SET: &str = "The rates were taken as set: a pump that delivers 3 % too much makes every compliance 3 % too large.";
const BENCH: &str =
    "A bench test, of this line at this temperature with these syringes; not for alarm decisions.";

/// One JSON object: `closings`, `unusable`, `channels`, `filter_compliance_ul_per_mmhg`, `tail_compliance_ul_per_mmhg`,
/// `line_toml`. Intervals are 95 %. A newline at the end.
pub fn clamp_test_json(clock: &Clock, test: &ClampTest) -> String {
    let closings: Vec<Value> = test
        .closings
        .iter()
        .map(|c| {
            let channel = match &c.place {
                ClampPlace::Join(channel) => Some(channel),
                _ => None,
            };
            let stiffens = c.stiffens.map(|(l, u)| json!({"lower_half": l, "upper_half": u}));
            json!({"place": place_word(&c.place), "channel": channel, "time": time(clock, c.at_s), "readings": c.readings,
                "compliance_ul_per_mmhg": range(c.ul_per_mmhg), "stiffens_ul_per_mmhg": stiffens})
        })
        .collect();
    let unusable: Vec<Value> = test
        .unusable
        .iter()
        .map(|&(t, why)| json!({"time": time(clock, t), "reason": unusable(why)}))
        .collect();
    let channels: Vec<Value> = test
        .channels
        .iter()
        .map(|(id, c)| json!({"id": id, "compliance_ul_per_mmhg": range(*c)}))
        .collect();
    let object = json!({
        "schema": "patency.clamp-test/1",
        "closings": closings,
        "unusable": unusable,
        "channels": channels,
        "filter_compliance_ul_per_mmhg": test.filter.map(range),
        "tail_compliance_ul_per_mmhg": test.tail.map(range),
        "line_toml": line_toml(test),
        "cautions": [RATES_AS_SET, BENCH],
    });
    // Strings, numbers and maps with text keys cannot fail to be written.
    serde_json::to_string_pretty(&object).map_or_else(|_| String::new(), |text| text + "\n")
}

/// The compliances for people, and as a line file has them; lines of at most `width` columns but for those of the file.
pub fn clamp_test_text(clock: &Clock, test: &ClampTest, width: usize, bold: bool) -> String {
    let mut page = Page::new(width, bold);
    page.strong("", "Compliances of this line (95 % intervals)");
    let figure = |name: String, e: Estimate| {
        let (value, low, high) = (
            words::bare(e.value),
            words::bare(e.low),
            words::bare(e.high),
        );
        format!("{name}: {value} µL/mmHg ({low} to {high})")
    };
    let channels = test.channels.iter().map(|(id, e)| (words::clip(id), *e));
    let filter = test.filter.map(|e| ("filter’s housing".to_string(), e));
    let tail = test.tail.map(|e| ("filter to hub".to_string(), e));
    for (name, e) in channels.chain(filter).chain(tail) {
        page.line("  - ", &figure(name, e));
    }
    page.section(
        "Each closing",
        test.closings.iter().map(|c| {
            let at = words::moment(clock, c.at_s);
            let stiffens = match c.stiffens {
                None => String::new(),
                Some((lower, upper)) => format!(
                    " The line stiffens with pressure: {} in the lower half of the climb, {} in the upper.",
                    words::bare(lower),
                    words::bare(upper)
                ),
            };
            let all = figure(format!("{at}, {}", place_name(&c.place)), c.ul_per_mmhg);
            format!("{all} from {} readings.{stiffens}", c.readings)
        }),
    );
    page.section(
        "Not used",
        test.unusable
            .iter()
            .map(|&(t, why)| format!("{}: {}.", words::moment(clock, t), unusable(why))),
    );
    page.section(
        "Keep in mind",
        [RATES_AS_SET, BENCH].iter().map(|&c| c.to_string()),
    );
    let file = line_toml(test);
    if !file.is_empty() {
        page.blank();
        page.strong("", "For the line file");
        page.blank();
        page.text += &file;
    }
    page.text
}

/// What a line file has to say of it: headings and keys in the contract's form.
fn line_toml(test: &ClampTest) -> String {
    let key = |e: Estimate| {
        let value = words::significant(e.value, 3);
        format!("compliance_ul_per_mmhg = {value}\n")
    };
    let mut text = String::new();
    if let Some(filter) = test.filter.filter(|e| 0.0 < e.value) {
        text += &format!("[filter]\n{}\n", key(filter));
    }
    if let Some(tail) = test.tail.filter(|e| 0.0 < e.value) {
        text += &format!("[tail]\n{}\n", key(tail));
    }
    for (id, e) in &test.channels {
        let id = toml::Value::String(id.clone());
        text += &format!("[[channel]]\nid = {id}\n{}\n", key(*e));
    }
    text
}

/// A moment as the trace writes its times.
fn time(clock: &Clock, t_s: f64) -> Value {
    match clock.text(t_s) {
        TimeText::Rfc3339(text) => json!(text),
        TimeText::Seconds(seconds) => json!(seconds),
    }
}

fn range(e: Estimate) -> Value {
    json!({"value": e.value, "low": e.low, "high": e.high})
}

fn place_word(place: &ClampPlace) -> &'static str {
    match place {
        ClampPlace::Join(_) => "join",
        ClampPlace::BelowFilter => "below-filter",
        ClampPlace::Hub => "hub",
    }
}

fn place_name(place: &ClampPlace) -> String {
    match place {
        ClampPlace::Join(channel) => format!("{} at the join", words::clip(channel)),
        ClampPlace::BelowFilter => "all, to below the filter".into(),
        ClampPlace::Hub => "all, to the hub".into(),
    }
}

fn unusable(why: Unusable) -> &'static str {
    match why {
        Unusable::NoPlace => "the event names no place (a channel, `filter` or `hub`)",
        Unusable::NoFlow => "no pump ran",
        Unusable::FewReadings => "fewer than five readings stand on the climb",
        Unusable::NoClimb => "the pressure did not climb by 20 mmHg",
    }
}
