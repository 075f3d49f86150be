//! The sample traces: what the review says of each against the truth that lies beside it.
//!
//! The truth was written by the simulator, which shares no physics with the analysis; see `sample-traces/README.md`.

use crate::program::patency;
use rstest::rstest;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

fn folder(sample: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-traces")
        .join(sample)
}

fn review(sample: &str, with_events: bool, with_line: bool) -> Value {
    let dir = folder(sample);
    let mut command = Command::new(env!("CARGO_BIN_EXE_patency"));
    command
        .arg("review")
        .arg(dir.join("trace.csv"))
        .arg("--json");
    if with_events && dir.join("events.csv").exists() {
        command.arg("--events").arg(dir.join("events.csv"));
    }
    if with_line && dir.join("line.toml").exists() {
        command.arg("--line").arg(dir.join("line.toml"));
    }
    let output = command.output().unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).unwrap()
}

fn truth(sample: &str) -> Vec<Value> {
    let text = std::fs::read_to_string(folder(sample).join("truth.json")).unwrap();
    let truth: Value = serde_json::from_str(&text).unwrap();
    let all = truth["episodes"].as_array().unwrap();
    all.iter()
        .filter(|e| e["reached"] == true)
        .cloned()
        .collect()
}

fn seconds(time: &Value) -> f64 {
    let moment: jiff::Timestamp = time.as_str().unwrap().parse().unwrap();
    moment.as_second() as f64
}

#[rstest]
#[case("catheter-narrows")]
#[case("catheter-positional")]
#[case("clamp-below-filter")]
#[case("clamp-on-one-channel")]
#[case("filter-loads")]
#[case("filter-settles")]
#[case("limit-too-low")]
#[case("precipitate")]
#[case("pump-lowered")]
#[case("supply-stops")]
fn the_review_gives_the_site_and_course_of_the_truth(#[case] sample: &str) {
    let review = review(sample, true, true);
    let found = review["episodes"].as_array().unwrap();
    let truth = truth(sample);
    assert!(!truth.is_empty());
    for (t, f) in truth.iter().zip(found) {
        assert_eq!(f["suggested"], t["site"], "{sample}: {f}");
        assert_eq!(f["course"], t["course"], "{sample}: {f}");
    }
    assert!(
        truth.len() <= found.len(),
        "{sample}: {} of {} found",
        found.len(),
        truth.len()
    );
}

#[test]
fn in_a_day_with_nothing_wrong_nothing_is_found_whatever_files_are_there() {
    for (events, line) in [(true, true), (false, true), (true, false), (false, false)] {
        let review = review("nothing-wrong", events, line);
        assert_eq!(review["episodes"].as_array().unwrap().len(), 0);
    }
}

#[test]
fn a_slow_rise_with_nothing_to_tell_volume_from_time_is_undetermined() {
    // Its README says why: one channel at one rate, no pause, no event; time and volume run alike.
    let review = review("slow-rise", true, true);
    let found = review["episodes"].as_array().unwrap();
    assert_eq!(found.len(), 1);
    assert_eq!(found[0]["suggested"], "undetermined");
    assert_eq!(found[0]["course"], "gradual");
    let cannot = found[0]["cannot_tell"].as_array().unwrap();
    assert!(cannot.iter().any(|c| {
        c.as_str()
            .unwrap()
            .starts_with("Whether the filter or the catheter was obstructed")
    }));
}

#[rstest]
#[case("clamp-below-filter", 20.0)]
#[case("clamp-on-one-channel", 60.0)]
#[case("supply-stops", 60.0)]
#[case("catheter-positional", 20.0)]
fn a_step_is_dated_to_within_seconds(#[case] sample: &str, #[case] within_s: f64) {
    let review = review(sample, true, true);
    let off = seconds(&review["episodes"][0]["onset"]) - seconds(&truth(sample)[0]["onset"]);
    assert!(off.abs() <= within_s, "{sample}: {off} s");
}

/// Without the events, or without the line file, it still runs, finds the same first episode, says what it took for
/// granted, and is not surer of what only those files support.
#[rstest]
#[case("catheter-narrows", "catheter")]
#[case("clamp-below-filter", "catheter")]
#[case("clamp-on-one-channel", "tubing")]
#[case("filter-loads", "filter")]
#[case("precipitate", "filter")]
#[case("supply-stops", "supply")]
fn with_fewer_files_it_runs_and_says_what_it_took_for_granted(
    #[case] sample: &str,
    #[case] site: &str,
) {
    let whole = review(sample, true, true);
    let whole_p = whole["episodes"][0]["sites"][site].as_f64().unwrap();
    for (events, line) in [(false, true), (true, false)] {
        let fewer = review(sample, events, line);
        let found = fewer["episodes"].as_array().unwrap();
        assert!(!found.is_empty(), "{sample}");
        let assumed = |r: &Value| r["assumptions"].as_array().unwrap().len();
        assert!(assumed(&whole) < assumed(&fewer), "{sample}");
        let p = found[0]["sites"][site].as_f64().unwrap();
        assert!(
            p <= whole_p + 0.05,
            "{sample}: {p} with fewer files, {whole_p} with all"
        );
    }
}

#[test]
fn out_writes_the_report_its_picture_the_same_json_and_the_tables() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("deep/er");
    let sample = folder("filter-loads");
    let output = Command::new(env!("CARGO_BIN_EXE_patency"))
        .arg("review")
        .arg(sample.join("trace.csv"))
        .arg("--json")
        .arg("--out")
        .arg(&out)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    assert_eq!(
        std::fs::read(out.join("review.json")).unwrap(),
        output.stdout
    );
    let page = std::fs::read_to_string(out.join("report.html")).unwrap();
    assert!(page.starts_with("<!doctype html>") || page.starts_with("<!DOCTYPE html>"));
    assert!(
        std::fs::read(out.join("trace.png"))
            .unwrap()
            .starts_with(b"\x89PNG")
    );
    assert!(
        std::fs::read_to_string(out.join("trace.svg"))
            .unwrap()
            .contains("<svg")
    );
    for table in ["trace.parquet", "regimes.parquet"] {
        assert!(
            std::fs::read(out.join(table)).unwrap().starts_with(b"PAR1"),
            "{table}"
        );
    }
    let mut names: Vec<_> = std::fs::read_dir(&out)
        .unwrap()
        .map(|e| e.unwrap().file_name())
        .collect();
    names.sort();
    assert_eq!(names.len(), 6, "nothing else is left behind: {names:?}");
}

#[test]
fn the_readme_shows_how_the_summary_of_its_command_begins() {
    let readme = include_str!("../../README.md");
    let (_, shown) = readme.split_once("The command above begins:\n\n").unwrap();
    let (shown, _) = shown.split_once("\n\nand goes on").unwrap();
    let shown = shown.replace("\n    ", "\n");
    let shown = shown.trim_start();
    let (_, command) = readme.split_once("cargo run --release -- ").unwrap();
    let command = command.lines().next().unwrap();
    let (command, _) = command.split_once(" --out").unwrap();
    let run = patency(
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")),
        &command.split(' ').collect::<Vec<_>>(),
    );
    assert_eq!(run.status, 0, "{}", run.stderr);
    assert!(
        run.stdout.starts_with(shown),
        "{}\nis not\n{shown}",
        run.stdout
    );
}
