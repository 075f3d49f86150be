//! What is not judged is said to be, in text and JSON: never "nothing was found".

use crate::program::{folder, patency};
use patency::ingest::{Settings, Source, read_records};
use patency::{run, study};
use rstest::rstest;
use serde_json::Value;

/// What a review prints, as text and as JSON.
fn reviewed(trace: &str) -> (String, Value) {
    let dir = folder(&[("t.csv", trace.as_bytes())]);
    let text = patency(dir.path(), &["review", "t.csv"]);
    assert_eq!(text.status, 0, "{}", text.stderr);
    let json = patency(dir.path(), &["review", "t.csv", "--json"]);
    let words = text.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    (words, serde_json::from_str(&json.stdout).unwrap())
}

/// An hour of one pump at a sample in ten seconds, one of them with another pressure.
fn hour(odd_mmhg: f64) -> String {
    let mut trace = "time,pressure_mmhg,rate_ml_h\n".to_string();
    for i in 0..360 {
        let mmhg = if i == 200 {
            odd_mmhg
        } else {
            f64::from(30 + i % 3)
        };
        trace += &format!("{},{mmhg},4\n", 10 * i);
    }
    trace
}

#[rstest]
#[case::no_lines_pressure(&hour(100_000.0), 3590.0, "it holds a pressure that no line has")]
#[case::one_row(
    "time,pressure_mmhg,rate_ml_h\n0,30,4\n",
    0.0,
    "one row tells no course"
)]
fn a_record_that_cannot_be_judged_is_said_not_to_be(
    #[case] trace: &str,
    #[case] end_s: f64,
    #[case] why: &str,
) {
    let (text, json) = reviewed(trace);
    assert!(
        text.contains(&format!("The record was not judged: {why}")),
        "{text}"
    );
    assert!(!text.contains("No sign of obstruction"), "{text}");
    let parts = json["not_judged"].as_array().unwrap();
    assert_eq!(parts.len(), 1);
    assert_eq!(
        (parts[0]["start"].as_f64(), parts[0]["end"].as_f64()),
        (Some(0.0), Some(end_s))
    );
    assert!(parts[0]["reason"].as_str().unwrap().starts_with(why));
    assert_eq!(json["episodes"], Value::Array(vec![]));
}

#[test]
fn an_ordinary_record_is_judged_as_a_whole() {
    let (text, json) = reviewed(&hour(30.0));
    assert!(text.contains("No sign of obstruction"), "{text}");
    assert_eq!(json["not_judged"], Value::Array(vec![]));
}

#[test]
fn a_survey_counts_no_hour_that_was_not_judged() {
    let hours = |trace: String| {
        let mut bytes = trace.as_bytes();
        let source = Source {
            name: "t.csv".as_ref(),
            reader: &mut bytes,
        };
        let records = read_records(source, None, None, &Settings::default()).unwrap();
        study::Facts::of(&records[0], &run::review(&records[0])).hours()
    };
    assert_eq!(hours(hour(30.0)), 3590.0 / 3600.0);
    assert_eq!(hours(hour(100_000.0)), 0.0);
}
