//! `patency survey` as a user runs it: both layouts, broken files, a run that is killed, an independent count.

use crate::program::{Run, patency};
use polars::prelude::{Column, DataFrame, IntoColumn, NamedFrom, ParquetWriter, Series};
use rstest::rstest;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

fn samples() -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-traces");
    let mut found: Vec<PathBuf> = fs::read_dir(root)
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.join("trace.csv").is_file())
        .collect();
    found.sort();
    assert!(8 <= found.len());
    found
}

fn name(sample: &Path) -> String {
    sample.file_name().unwrap().to_str().unwrap().to_string()
}

/// The list, with units in turn; line files are the samples' own, by a path from the folder.
fn list(dir: &Path) {
    let mut text = "infusion,unit,line\n".to_string();
    fs::create_dir_all(dir.join("lines")).unwrap();
    for (i, sample) in samples().iter().enumerate() {
        let (name, unit) = (name(sample), ["north", "east"][i % 2]);
        text += &format!("{name},{unit},lines/{name}.toml\n");
        fs::copy(
            sample.join("line.toml"),
            dir.join(format!("lines/{name}.toml")),
        )
        .unwrap();
    }
    fs::write(dir.join("infusions.csv"), text).unwrap();
}

/// One folder per infusion.
fn folders() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    list(dir.path());
    for sample in samples() {
        let own = dir.path().join(name(&sample));
        fs::create_dir(&own).unwrap();
        for file in ["trace.csv", "events.csv"] {
            fs::copy(sample.join(file), own.join(file)).unwrap();
        }
    }
    dir
}

/// All samples' rows of a file, each with its infusion in front; `(header, rows)`.
fn rows(file: &str) -> (String, Vec<String>) {
    let mut header = String::new();
    let mut rows = Vec::new();
    for sample in samples() {
        let text = fs::read_to_string(sample.join(file)).unwrap();
        let mut lines = text.lines();
        let own = format!("infusion,{}", lines.next().unwrap());
        assert!(
            header.is_empty() || header == own,
            "samples must share a header"
        );
        header = own;
        rows.extend(lines.map(|l| format!("{},{l}", name(&sample))));
    }
    (header, rows)
}

/// Shared tables; rows dealt out in turn to so many files, so that every infusion is split over all of them.
pub fn tables(files: usize, parquet: bool) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    list(dir.path());
    for (folder, file) in [("traces", "trace.csv"), ("events", "events.csv")] {
        fs::create_dir(dir.path().join(folder)).unwrap();
        let (header, rows) = rows(file);
        for part in 0..files {
            let mut text = format!("{header}\n");
            for row in rows.iter().skip(part).step_by(files) {
                text += &format!("{row}\n");
            }
            let path = dir.path().join(folder).join(format!("part-{part}"));
            if parquet {
                fs::write(path.with_extension("parquet"), as_parquet(&text)).unwrap();
            } else {
                fs::write(path.with_extension("csv"), text).unwrap();
            }
        }
    }
    dir
}

fn as_parquet(csv: &str) -> Vec<u8> {
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let header: Vec<String> = reader
        .headers()
        .unwrap()
        .iter()
        .map(str::to_string)
        .collect();
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let column = |(i, name): (usize, &String)| -> Column {
        let cells = rows.iter().map(|r| Some(&r[i]).filter(|c| !c.is_empty()));
        let is_number = name.contains("_m");
        if is_number {
            let numbers: Vec<Option<f64>> = cells.map(|c| c.map(|c| c.parse().unwrap())).collect();
            Series::new(name.as_str().into(), numbers).into_column()
        } else {
            Series::new(name.as_str().into(), cells.collect::<Vec<Option<&str>>>()).into_column()
        }
    };
    let columns = header.iter().enumerate().map(column).collect();
    let mut bytes = Vec::new();
    let mut table = DataFrame::new(rows.len(), columns).unwrap();
    ParquetWriter::new(&mut bytes).finish(&mut table).unwrap();
    bytes
}

fn json(run: &Run) -> Value {
    assert_eq!(run.status, 0, "{}", run.stderr);
    serde_json::from_str(&run.stdout).unwrap()
}

fn survey(dir: &Path) -> Value {
    json(&patency(dir, &["survey", ".", "--json"]))
}

#[test]
fn both_layouts_and_parquet_and_split_infusions_give_the_same_survey() {
    let by_folder = survey(folders().path());
    assert_eq!(by_folder["infusions"], samples().len());
    assert_eq!(survey(tables(1, false).path()), by_folder);
    assert_eq!(survey(tables(3, false).path()), by_folder);
    assert_eq!(survey(tables(2, true).path()), by_folder);
}

fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("{value} is no number"))
}

#[test]
fn every_field_of_the_contract_is_there_with_its_type() {
    let s = survey(folders().path());
    assert_eq!(s["schema"], "patency.survey/1");
    assert!(s["infusions"].is_u64());
    assert!(number(&s["filter_hours"]) <= number(&s["hours"]));
    let (mut sites, mut groups) = (BTreeSet::new(), BTreeSet::new());
    for rate in s["rates"].as_array().unwrap() {
        sites.insert(rate["site"].as_str().unwrap().to_string());
        groups.insert(rate["group"].to_string());
        match rate["method"].as_str().unwrap() {
            "hard" => assert!(rate["episodes"].is_u64()),
            method => assert_eq!((method, rate["episodes"].is_f64()), ("imputed", true)),
        }
        let bounds = &rate["bounds"];
        assert!(number(&bounds["low"]) <= number(&bounds["high"]));
        let per = &rate["per_1000_h"];
        assert!(
            number(&per["low"]) <= number(&per["value"])
                && number(&per["value"]) < number(&per["high"])
        );
        assert!(
            (number(&per["value"]) - number(&rate["episodes"]) / number(&rate["hours"]) * 1000.0)
                .abs()
                < 1e-9
        );
    }
    assert_eq!(sites.len(), 7);
    for group in ["{}", r#"{"unit":"north"}"#, r#"{"unit":"east"}"#] {
        assert!(groups.contains(group), "{group}");
    }
    let curve = &s["filter_survival"][0];
    assert_eq!(curve["group"], serde_json::json!({}));
    assert!(curve["median_h"].is_null() || curve["median_h"].is_f64());
    assert_eq!(curve["curve"][0], serde_json::json!([0.0, 1.0, 1.0, 1.0]));
    assert!(
        curve["curve"]
            .as_array()
            .unwrap()
            .iter()
            .all(|step| step.as_array().unwrap().len() == 4)
    );
    let effects = s["pause_effect"].as_array().unwrap();
    let leads: Vec<&Value> = effects.iter().filter(|e| e["headline"] == true).collect();
    assert_eq!(leads.len(), 1);
    assert_eq!(leads[0]["method"], "imputed");
    let by = |method: &str| effects.iter().filter(|e| e["method"] == method).count();
    assert_eq!(by("hard"), by("imputed"));
    let effect = &s["pause_effect"][0];
    assert_eq!(
        (&effect["exposure"], &effect["outcome"]),
        (&"pauses_in_last_6_h".into(), &"filter".into())
    );
    assert!(effect["events"].is_u64());
    if effect["hazard_ratio"].is_null() {
        assert!(effect["p"].is_null() && effect["reason"].is_string());
    } else {
        assert!(effect["p"].is_f64() && effect["hazard_ratio"]["low"].is_f64());
    }
}

/// Seconds since 1970 of an RFC 3339 text.
fn seconds(text: &Value) -> f64 {
    let moment: jiff::Timestamp = text.as_str().unwrap().parse().unwrap();
    moment.as_microsecond() as f64 / 1e6
}

/// Counts by the contract's section 6 from the reviews' JSON, the events files and the line files alone.
#[test]
fn an_independent_count_from_the_single_reviews_gives_the_same_numbers() {
    let dir = folders();
    let found = survey(dir.path());
    let (mut hours, mut filter_hours) = (0.0, 0.0);
    let mut episodes: BTreeMap<String, u64> = BTreeMap::new();
    let mut filter_rows: Vec<(f64, f64, bool)> = Vec::new(); // entry, exit, event: hours since placed
    for sample in samples() {
        let own = sample.to_str().unwrap();
        let args = [
            &format!("{own}/trace.csv"),
            "--events",
            &format!("{own}/events.csv"),
            "--line",
            &format!("{own}/line.toml"),
            "--json",
        ];
        let review = json(&patency(&sample, &[&["review"], &args[..]].concat()));
        let (start, end) = (
            seconds(&review["record"]["start"]),
            seconds(&review["record"]["end"]),
        );
        hours += (end - start) / 3600.0;
        let mut onsets = Vec::new();
        for episode in review["episodes"].as_array().unwrap() {
            let site = episode["suggested"].as_str().unwrap();
            if site == "filter" {
                onsets.push(seconds(&episode["onset"]));
            } else {
                *episodes.entry(site.into()).or_default() += 1;
            }
        }
        let line: toml::Table = fs::read_to_string(sample.join("line.toml"))
            .unwrap()
            .parse()
            .unwrap();
        let filter = line.get("filter").and_then(|f| f.as_table());
        let cell = |key: &str| filter.and_then(|f| f.get(key)).and_then(|v| v.as_str());
        if cell("position") == Some("none") {
            continue;
        }
        let mut placed = vec![cell("placed").map_or(start, |p| seconds(&p.into()))];
        let events = fs::read_to_string(sample.join("events.csv")).unwrap();
        for row in events
            .lines()
            .skip(1)
            .map(|l| l.split(',').collect::<Vec<_>>())
        {
            if row[2] == "filter_change" {
                placed.push(seconds(&row[0].into()));
            }
        }
        placed.sort_by(f64::total_cmp);
        placed.dedup();
        for (i, &from) in placed.iter().enumerate() {
            let entry = from.max(start);
            let last = placed.get(i + 1).copied().unwrap_or(end).min(end);
            let event = onsets
                .iter()
                .copied()
                .filter(|&t| entry < t && t <= last)
                .reduce(f64::min);
            let exit = event.unwrap_or(last);
            if entry < exit {
                filter_hours += (exit - entry) / 3600.0;
                filter_rows.push((
                    (entry - from) / 3600.0,
                    (exit - from) / 3600.0,
                    event.is_some(),
                ));
            }
        }
    }
    let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-3, "{a} against {b}"); // times are written to the millisecond
    close(number(&found["hours"]), hours);
    close(number(&found["filter_hours"]), filter_hours);
    let events = filter_rows.iter().filter(|r| r.2).count() as u64;
    assert!(
        0 < events,
        "the samples must hold a filter episode for this to count anything"
    );
    for rate in found["rates"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|r| r["group"] == serde_json::json!({}) && r["method"] == "hard")
    {
        let site = rate["site"].as_str().unwrap();
        let expected = if site == "filter" {
            events
        } else {
            episodes.get(site).copied().unwrap_or(0)
        };
        assert_eq!(rate["episodes"], expected, "{site}");
        close(
            number(&rate["hours"]),
            if site == "filter" {
                filter_hours
            } else {
                hours
            },
        );
    }
    let mut survival = 1.0;
    let mut times: Vec<f64> = filter_rows.iter().filter(|r| r.2).map(|r| r.1).collect();
    times.sort_by(f64::total_cmp);
    let curve = found["filter_survival"][0]["curve"].as_array().unwrap();
    assert_eq!(curve.len(), times.len() + 1);
    for (step, t) in curve.iter().skip(1).zip(times) {
        let at_risk = filter_rows.iter().filter(|r| r.0 < t && t <= r.1).count() as f64;
        survival *= 1.0 - 1.0 / at_risk;
        close(number(&step[0]), t);
        close(number(&step[1]), survival);
    }
}

#[test]
fn a_broken_record_is_skipped_with_its_reason_and_the_rest_is_surveyed() {
    let dir = folders();
    let whole = samples().len();
    let broken = name(&samples()[0]);
    fs::write(
        dir.path().join(&broken).join("trace.csv"),
        "time,channel,rate_ml_h\n0,pn,4\n",
    )
    .unwrap();
    let listed = fs::read_to_string(dir.path().join("infusions.csv")).unwrap();
    let more = "nowhere,north,\n../outside,north,\ntwice,north,\ntwice,east,\n";
    fs::write(dir.path().join("infusions.csv"), listed + more).unwrap();
    let run = patency(dir.path(), &["survey", ".", "--json"]);
    let found = json(&run);
    assert_eq!(found["infusions"], whole - 1);
    let reasons: BTreeMap<&str, &str> = found["skipped"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| {
            (
                s["infusion"].as_str().unwrap(),
                s["reason"].as_str().unwrap(),
            )
        })
        .collect();
    assert_eq!(reasons.len(), 4);
    assert!(reasons[broken.as_str()].contains("no column `pressure_mmhg`"));
    assert!(reasons["nowhere"].contains("there is no"));
    assert!(reasons["../outside"].contains("cannot be that of a folder"));
    assert!(reasons["twice"].contains("different cells"));
    assert_eq!(
        run.stderr
            .lines()
            .filter(|l| l.starts_with("patency: skipped"))
            .count(),
        4
    );
}

#[test]
fn bad_rows_in_a_shared_table_spoil_their_own_infusion_only() {
    let dir = tables(1, false);
    let broken = name(&samples()[1]);
    let path = dir.path().join("traces/part-0.csv");
    let text = fs::read_to_string(&path).unwrap();
    let spoiled: Vec<String> = text
        .lines()
        .map(|l| {
            if l.starts_with(&format!("{broken},")) {
                format!("{broken},when,pn,?,4,,")
            } else {
                l.to_string()
            }
        })
        .collect();
    fs::write(&path, spoiled.join("\n")).unwrap();
    let found = survey(dir.path());
    assert_eq!(found["infusions"], samples().len() - 1);
    assert_eq!(found["skipped"][0]["infusion"], broken.as_str());
}

pub fn bytes_of(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![dir.to_path_buf()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                found.insert(
                    path.strip_prefix(dir).unwrap().to_path_buf(),
                    fs::read(&path).unwrap(),
                );
            }
        }
    }
    found
}

/// Kills a survey so long after its start; whether it was still running.
#[cfg(unix)]
fn killed(dir: &Path, out: &str, after: std::time::Duration) -> bool {
    let mut child = Command::new(env!("CARGO_BIN_EXE_patency"))
        .current_dir(dir)
        .args(["survey", ".", "--out", out])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    std::thread::sleep(after);
    let running = child.try_wait().unwrap().is_none();
    child.kill().unwrap(); // SIGKILL: nothing is tidied up
    child.wait().unwrap();
    running
}

#[cfg(unix)]
#[rstest]
#[case::folders(folders())]
#[case::shared_tables(tables(2, false))]
fn a_survey_killed_at_any_moment_and_started_again_gives_the_same_bytes(
    #[case] dir: tempfile::TempDir,
) {
    use rand::{Rng, SeedableRng};
    let dir = dir.path();
    let run_whole = |out: &str| assert_eq!(patency(dir, &["survey", ".", "--out", out]).status, 0);
    let started = std::time::Instant::now();
    run_whole("undisturbed");
    let whole = started.elapsed();
    let expected = bytes_of(&dir.join("undisturbed"));
    assert!(expected.contains_key(Path::new("survey.json")) && 10 < expected.len());
    // Fixed seeds; where a kill falls differs from machine to machine all the same.
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
    let mut caught = 0;
    for run in 0..4 {
        let out = format!("killed-{run}");
        // Killed once, twice, three times on its way, each at any moment of it.
        for _ in 0..=run % 3 {
            caught += u32::from(killed(dir, &out, whole.mul_f64(random.random())));
        }
        run_whole(&out);
        let found = bytes_of(&dir.join(&out));
        assert_eq!(
            found.keys().collect::<Vec<_>>(),
            expected.keys().collect::<Vec<_>>()
        );
        assert!(found == expected, "run {run} differs");
    }
    assert!(
        2 < caught,
        "nearly every run had ended before it was killed"
    );
}

#[test]
fn a_review_is_not_repeated_unless_its_record_has_changed() {
    let dir = folders();
    let out = dir.path().join("out");
    let run = || {
        assert_eq!(
            patency(dir.path(), &["survey", ".", "--out", "out"]).status,
            0
        )
    };
    let kept = || -> BTreeMap<PathBuf, std::time::SystemTime> {
        let entries = fs::read_dir(out.join("reviews"))
            .unwrap()
            .map(Result::unwrap);
        entries
            .map(|e| (e.path(), e.metadata().unwrap().modified().unwrap()))
            .collect()
    };
    run();
    let first = kept();
    assert_eq!(first.len(), samples().len());
    run();
    assert_eq!(kept(), first);
    let changed = dir.path().join(name(&samples()[2])).join("trace.csv");
    let text = fs::read_to_string(&changed).unwrap();
    let shorter: Vec<&str> = text.lines().take(text.lines().count() - 1).collect();
    fs::write(&changed, shorter.join("\n")).unwrap();
    run();
    let second = kept();
    assert_eq!(second.len(), first.len()); // the one of the old record is gone
    assert_eq!(
        second
            .iter()
            .filter(|(path, _)| !first.contains_key(*path))
            .count(),
        1
    );
}

#[rstest]
#[case::no_list(&[], "infusions.csv", "there is no such file")]
#[case::no_key(&[("infusions.csv", "id,unit\na,north\n")], "infusions.csv:1", "no column `infusion`")]
#[case::no_row(&[("infusions.csv", "infusion,unit\n")], "infusions.csv", "no row")]
#[case::nothing_usable(&[("infusions.csv", "infusion\na\n")], "infusions.csv", "none of its infusions")]
fn what_cannot_be_done_is_one_message_and_leaves_nothing(
    #[case] files: &[(&str, &str)],
    #[case] place: &str,
    #[case] what: &str,
) {
    let dir = tempfile::tempdir().unwrap();
    for (file, text) in files {
        fs::write(dir.path().join(file), text).unwrap();
    }
    let run = patency(dir.path(), &["survey", ".", "--out", "out/deep", "--json"]);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""));
    assert!(
        run.stderr.contains(place) && run.stderr.contains(what),
        "{}",
        run.stderr
    );
    assert!(!dir.path().join("out/deep").exists());
}

#[test]
fn an_unknown_column_is_found_out_before_any_review() {
    let dir = folders();
    let run = patency(
        dir.path(),
        &["survey", ".", "--adjust", "ward", "--out", "out"],
    );
    assert_eq!(run.status, 1);
    assert!(run.stderr.contains("there is no column `ward`") && run.stderr.contains("unit, line"));
    assert!(!dir.path().join("out").exists());
}

#[test]
fn one_infusion_without_an_episode_gives_a_survey_with_reasons() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("infusions.csv"), "infusion\nquiet\n").unwrap();
    fs::create_dir(dir.path().join("quiet")).unwrap();
    let rows: String = (0..600)
        .map(|i| format!("{},{},4\n", i * 60, 30 + i % 2))
        .collect();
    fs::write(
        dir.path().join("quiet/trace.csv"),
        format!("time,pressure_mmhg,rate_ml_h\n{rows}"),
    )
    .unwrap();
    let found = survey(dir.path());
    assert_eq!(
        (&found["infusions"], &found["filters"]),
        (&1.into(), &1.into())
    );
    assert!((number(&found["filter_hours"]) - 599.0 / 60.0).abs() < 1e-9);
    assert!(
        found["pause_effect"][0]["reason"]
            .as_str()
            .unwrap()
            .contains("No filter onset")
    );
    assert!(found["filter_survival"][0]["median_h"].is_null());
    assert!(found["over_time"]["reason"].is_string());
}

#[test]
fn combinations_adjustment_weeks_and_small_groups_are_as_asked_for() {
    let dir = folders();
    let asked = [
        "survey",
        ".",
        "--json",
        "--group",
        "unit,line",
        "--adjust",
        "unit",
        "--stratify",
        "unit",
        "--by",
        "week",
        "--change",
        "2031-03-10",
        "--smallest-group",
        "2",
    ];
    let found = json(&patency(dir.path(), &asked));
    let rates = found["rates"].as_array().unwrap();
    let of_line = |r: &&Value| r["group"].get("line").is_some();
    assert_eq!(
        rates.iter().filter(of_line).count(),
        0,
        "every line file has one infusion: all suppressed"
    );
    assert!(rates.iter().any(|r| r["group"]["unit"] == "north"));
    assert_eq!(
        found["suppressed"].as_array().unwrap().len(),
        2 * samples().len()
    );
    assert_eq!(found["over_time"]["every"], "week");
    assert!(
        found["before_after"]["reason"]
            .as_str()
            .unwrap()
            .contains("Fewer than 4")
    );
    let effects = found["pause_effect"].as_array().unwrap();
    assert_eq!(effects[1]["clustered_by"], "infusion");
    assert_eq!(effects[2]["stratified_by"], serde_json::json!(["unit"]));
}

#[rstest]
#[case(&["--change", "soon"])]
#[case(&["--by", "year"])]
#[case(&["--smallest-group", "-1"])]
fn wrong_usage_ends_with_status_two(#[case] wrong: &[&str]) {
    let dir = tempfile::tempdir().unwrap();
    assert_eq!(
        patency(dir.path(), &[&["survey", "."], wrong].concat()).status,
        2
    );
}
