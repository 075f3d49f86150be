//! The sample traces: what the simulator makes of their scenarios, and that they stay small.

use patency::simulate::{Scenario, run};
use std::fs;
use std::path::{Path, PathBuf};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-traces")
}

fn samples() -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> = fs::read_dir(folder())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_dir())
        .collect();
    found.sort();
    assert!(8 <= found.len());
    found
}

#[test]
fn every_sample_is_what_the_simulator_makes_of_its_scenario() {
    for sample in samples() {
        let read = |name: &str| fs::read_to_string(sample.join(name)).unwrap();
        let scenario = Scenario::from_toml(&read("scenario.toml")).unwrap();
        let made = run(&scenario, 1).unwrap();
        let name = sample.display();
        assert!(
            read("trace.csv").into_bytes() == made.trace_csv,
            "{name}: trace"
        );
        assert!(
            read("events.csv").into_bytes() == made.events_csv,
            "{name}: events"
        );
        assert_eq!(read("line.toml"), made.line_toml, "{name}: line");
        assert_eq!(read("truth.json"), made.truth_json, "{name}: truth");
    }
}

#[test]
fn the_samples_stay_below_a_megabyte_and_each_is_explained() {
    let readme = fs::read_to_string(folder().join("README.md")).unwrap();
    let mut bytes = 0;
    for sample in samples() {
        let name = sample.file_name().unwrap().to_string_lossy().into_owned();
        assert!(
            readme.contains(&format!("| `{name}` |")),
            "{name} is not explained"
        );
        for file in fs::read_dir(&sample).unwrap() {
            bytes += file.unwrap().metadata().unwrap().len();
        }
    }
    assert!(bytes < 1_000_000, "{bytes}");
}
