//! `patency limits`: read from the record up to the pressures it reached, modelled above them.

use crate::program::{folder, patency};
use serde_json::Value;
use std::path::Path;

fn sample(name: &str) -> [String; 3] {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-traces")
        .join(name);
    ["trace.csv", "events.csv", "line.toml"].map(|f| dir.join(f).to_string_lossy().into_owned())
}

fn trials(name: &str, limits: &[&str]) -> Vec<Value> {
    let [trace, events, line] = sample(name);
    let mut args = vec![
        "limits", &trace, "--events", &events, "--line", &line, "--json",
    ];
    for limit in limits {
        args.extend(["--limit", limit]);
    }
    let run = patency(folder(&[]).path(), &args);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    let found: Value = serde_json::from_str(&run.stdout).unwrap();
    found["trials"].as_array().unwrap().clone()
}

fn first(trial: &Value) -> (&str, f64) {
    let e = &trial["episodes"][0];
    (
        e["fate"].as_str().unwrap(),
        e["minutes_to_alarm"].as_f64().unwrap_or(f64::NAN),
    )
}

#[test]
fn a_closed_clamp_alarms_after_compliance_times_rise_over_flow() {
    // The scenario: ΣC = 1.4 + 1.9 + 0.2 + 0.05 = 3.55 µL/mmHg, ΣQ = 10.5 mL/h, limit 300; at work 4 + 10.5 · 1.2 = 17 mmHg.
    let trials = trials("clamp-below-filter", &["150", "300", "450"]);
    for (trial, (limit, fate)) in trials.iter().zip([
        (150.0, "observed"),
        (300.0, "observed"),
        (450.0, "modelled"),
    ]) {
        let by_hand = 3.55e-3 * (limit - 17.0) / 10.5 * 60.0;
        let (found, minutes) = first(trial);
        assert_eq!(found, fate, "{limit}");
        assert!(
            (minutes - by_hand).abs() < 0.4,
            "{limit}: {minutes}, by hand {by_hand}"
        );
        assert_eq!(trial["alarms"][0]["site"], "catheter");
        assert_eq!(trial["unblocked_alarms"], 0);
    }
    let release = &trials[1]["episodes"][0]["release_volume_ml"];
    let (low, high) = (
        release["low"].as_f64().unwrap(),
        release["high"].as_f64().unwrap(),
    );
    assert!(
        low <= 1.06 && 1.06 <= high,
        "the truth has 1.06 mL: {release}"
    );
}

#[test]
fn a_slow_block_alarms_the_later_the_higher_the_limit() {
    let trials = trials("filter-loads", &["50", "100", "150", "1000"]);
    let fates: Vec<(&str, f64)> = trials.iter().map(first).collect();
    assert_eq!(fates[0].0, "observed");
    assert_eq!(fates[3].0, "modelled");
    assert!(fates.windows(2).all(|w| w[0].1 < w[1].1), "{fates:?}");
}

#[test]
fn a_limit_below_the_working_pressure_alarms_outside_every_episode() {
    let trials = trials("nothing-wrong", &["5", "450"]);
    assert!(0 < trials[0]["unblocked_alarms"].as_u64().unwrap());
    assert_eq!(trials[1]["unblocked_alarms"], 0);
    assert_eq!(trials[1]["alarms"].as_array().unwrap().len(), 0);
}

#[test]
fn the_text_marks_what_is_modelled_and_keeps_to_eighty_columns() {
    let [trace, events, line] = sample("clamp-below-filter");
    let args = ["limits", &trace, "--events", &events, "--line", &line];
    let run = patency(folder(&[]).path(), &args);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    assert!(run.stdout.lines().all(|l| l.chars().count() <= 80));
    insta::assert_snapshot!(run.stdout);
}

#[test]
fn a_limit_that_is_none_is_an_error() {
    let [trace, ..] = sample("nothing-wrong");
    let run = patency(folder(&[]).path(), &["limits", &trace, "--limit", "0"]);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""));
    assert!(
        run.stderr.contains("--limit 0: expected mmHg above 0"),
        "{}",
        run.stderr
    );
}
