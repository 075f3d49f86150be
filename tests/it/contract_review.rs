//! The JSON of a review against the contract's example: every field present, of the right type, in order.

use crate::scenes;
use patency::report::{review_json, wire};
use serde_json::Value;

/// The contract's example, section 4, with a value of the right type wherever it shows an ellipsis.
/// `"time"` stands for a moment, `"time?"` for a moment or null.
const EXAMPLE: &str = r#"
{ "schema": "patency.review/1",
  "record": { "channels": ["lipid","pn"], "start": "time", "end": "time", "rows": 8640, "rows_rejected": 0,
              "rejected": [ {"line": 17, "column": "pressure_mmhg", "value": "??", "reason": "not a number"} ],
              "period_s": {"pn": 10.0}, "gaps": [ {"channel":"pn","start":"time","end":"time"} ] },
  "channels": [ { "id": "pn",
      "compliance_ul_per_mmhg": {"value": 1.4, "low": 1.2, "high": 1.6},
      "resistance_mmhg_h_per_ml": {"value": 2.3, "low": 2.1, "high": 2.5},
      "outlet_pressure_mmhg": {"value": 9.0, "low": 7.5, "high": 10.4} } ],
  "pauses": [ {"channel":"pn","start":"time","end":"time","cause":"manual"} ],
  "episodes": [ { "id": 1,
      "channels": ["lipid","pn"],
      "onset": "time", "onset_low": "time", "onset_high": "time",
      "end": "time?",
      "alarm": "time?",
      "visible_from": "time",
      "course": "gradual",
      "sites": {"supply":0.01,"tubing":0.02,"filter":0.88,"catheter":0.08,"settings":0.01,"none":0.00},
      "suggested": "filter",
      "confidence": "high",
      "evidence": [ {"says": "Pressure rose with the volume filtered, not with time.", "for": ["filter"],
                     "log_odds": {"filter": 2.1, "catheter": -1.9, "tubing": -0.1}} ],
      "checks": [ "" ],
      "release_volume_ml": {"value": 0.31, "low": 0.25, "high": 0.38} } ],
  "not_judged": [ {"start": "time", "end": "time", "reason": ""} ] }
"#;

/// Fields that the contract lets be null.
const NULLABLE: [&str; 5] = [
    "compliance_ul_per_mmhg",
    "resistance_mmhg_h_per_ml",
    "outlet_pressure_mmhg",
    "release_volume_ml",
    "pn", // a channel's period, with fewer than two samples
];

/// Walks the example and panics where the given value lacks a field or has another type.
fn conforms(example: &Value, given: &Value, at: &str) {
    match (example, given) {
        (Value::String(s), given) if s == "time" => {
            assert!(given.is_string() || given.is_number(), "{at}: {given}")
        }
        (Value::String(s), given) if s == "time?" => {
            assert!(
                given.is_string() || given.is_number() || given.is_null(),
                "{at}: {given}"
            );
        }
        (_, Value::Null) => {
            let field = at.rsplit('.').next().unwrap();
            assert!(NULLABLE.contains(&field), "{at} may not be null");
        }
        (Value::Object(fields), Value::Object(have)) => {
            for (name, value) in fields {
                let at = format!("{at}.{name}");
                conforms(
                    value,
                    have.get(name).unwrap_or_else(|| panic!("{at} is missing")),
                    &at,
                );
            }
        }
        (Value::Array(items), Value::Array(have)) => {
            for (i, item) in have.iter().enumerate() {
                conforms(&items[0], item, &format!("{at}[{i}]"));
            }
        }
        (Value::Number(_), Value::Number(_)) | (Value::String(_), Value::String(_)) => {}
        (example, given) => panic!("{at}: expected the type of {example}, found {given}"),
    }
}

#[test]
fn every_field_of_the_contract_is_there_with_its_type() {
    let example: Value = serde_json::from_str(EXAMPLE).unwrap();
    for scene in scenes::all() {
        if scene.record.channels.iter().all(|c| c.id != "pn") {
            continue; // the example asks for a channel `pn` in `period_s`
        }
        let given: Value =
            serde_json::from_str(&review_json(&scene.record, &scene.review)).unwrap();
        conforms(&example, &given, scene.name);
        assert_eq!(given["schema"], "patency.review/1");
    }
}

#[test]
fn fields_stand_in_the_contracts_order() {
    let scene = scenes::filter_loading();
    let text = review_json(&scene.record, &scene.review);
    let order = |names: &[&str]| {
        let mut from = 0;
        for name in names {
            let quoted = format!("\"{name}\": ");
            from += text[from..]
                .find(&quoted)
                .unwrap_or_else(|| panic!("{name} is missing or out of order"));
        }
    };
    order(&[
        "schema",
        "record",
        "rows",
        "rows_rejected",
        "rejected",
        "period_s",
        "gaps",
        "channels",
        "pauses",
        "episodes",
        "not_judged",
    ]);
    order(&[
        "onset",
        "onset_low",
        "onset_high",
        "end",
        "alarm",
        "visible_from",
        "course",
        "sites",
        "suggested",
        "confidence",
        "evidence",
        "checks",
        "release_volume_ml",
    ]);
    order(&[
        "supply",
        "tubing",
        "filter",
        "catheter",
        "settings",
        "none",
        "suggested",
    ]);
    order(&["says", "for", "log_odds"]);
}

#[test]
fn times_are_written_as_the_trace_has_them() {
    let scene = scenes::summer_time();
    let given: Value = serde_json::from_str(&review_json(&scene.record, &scene.review)).unwrap();
    assert_eq!(given["record"]["start"], "2026-03-28T19:00:00+01:00");
    assert_eq!(given["record"]["end"], "2026-03-29T20:00:00+02:00");
    let scene = scenes::plain_seconds();
    let given: Value = serde_json::from_str(&review_json(&scene.record, &scene.review)).unwrap();
    assert_eq!(given["record"]["end"], 43_200.0);
}

#[test]
fn the_site_is_undetermined_where_the_record_cannot_tell() {
    let scene = scenes::undetermined();
    let given: Value = serde_json::from_str(&review_json(&scene.record, &scene.review)).unwrap();
    assert_eq!(given["episodes"][0]["suggested"], "undetermined");
    assert!(given["episodes"][0]["release_volume_ml"].is_null());
    assert!(given["channels"][0]["compliance_ul_per_mmhg"].is_null());
}

#[test]
fn the_json_reads_back_as_what_was_written() {
    for scene in scenes::all() {
        let written = wire::Review::new(&scene.record, &scene.review);
        let read: wire::Review =
            serde_json::from_str(&review_json(&scene.record, &scene.review)).unwrap();
        assert_eq!(read, written, "{}", scene.name);
    }
}

#[test]
fn the_json_of_a_loading_filter_is_as_pinned() {
    let scene = scenes::filter_loading();
    let text =
        review_json(&scene.record, &scene.review).replace(env!("CARGO_PKG_VERSION"), "VERSION");
    insta::assert_snapshot!(text);
}
