//! `patency review --arrow` and `patency survey --from-reviews`: many infusions as a stream, and the same survey from what came out.

use crate::program::patency;
use crate::survey::{bytes_of, tables};
use polars::prelude::*;
use std::fs;
use std::io::{Cursor, Write};
use std::path::Path;
use std::process::{Command, Stdio};

/// A CSV of text and numbers as an Arrow IPC stream, in so many batches.
fn as_arrow(csv: &str, batches: usize) -> Vec<u8> {
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let header: Vec<String> = reader
        .headers()
        .unwrap()
        .iter()
        .map(str::to_string)
        .collect();
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let columns: Vec<Column> = header
        .iter()
        .enumerate()
        .map(|(i, name)| {
            let cells = rows.iter().map(|r| Some(&r[i]).filter(|c| !c.is_empty()));
            match ["infusion", "time", "channel"].contains(&name.as_str()) {
                true => Series::new(name.into(), cells.collect::<Vec<_>>()).into_column(),
                false => {
                    let numbers = cells.map(|c| c.map(|c| c.parse::<f64>().unwrap()));
                    Series::new(name.into(), numbers.collect::<Vec<_>>()).into_column()
                }
            }
        })
        .collect();
    let table = DataFrame::new(rows.len(), columns).unwrap();
    // Each chunk becomes a batch of the stream.
    let each = rows.len().div_ceil(batches);
    let mut chunked = table.slice(0, each);
    for from in (each..rows.len()).step_by(each) {
        chunked.vstack_mut(&table.slice(from as i64, each)).unwrap();
    }
    let mut bytes = Vec::new();
    IpcStreamWriter::new(&mut bytes)
        .finish(&mut chunked)
        .unwrap();
    bytes
}

fn streamed(dir: &Path, args: &[&str], input: &[u8]) -> (i32, Vec<u8>, String) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_patency"))
        .current_dir(dir)
        .args(["review", "--arrow"])
        .args(args)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let _ = stdin.write_all(input); // a program that stops early closes its end
    drop(stdin);
    let done = child.wait_with_output().unwrap();
    let said = String::from_utf8(done.stderr).unwrap();
    (done.status.code().unwrap(), done.stdout, said)
}

fn frame(bytes: Vec<u8>) -> DataFrame {
    IpcStreamReader::new(Cursor::new(bytes)).finish().unwrap()
}

fn cell(table: &DataFrame, column: &str, row: usize) -> Option<String> {
    let column = table.column(column).unwrap().str().unwrap().clone();
    column.get(row).map(str::to_string)
}

#[test]
fn a_survey_from_streamed_reviews_is_the_one_made_in_one_go_byte_for_byte() {
    let made = tables(1, false);
    let dir = made.path();
    assert_eq!(patency(dir, &["survey", ".", "--out", "whole"]).status, 0);

    // Two calls, as an engine makes them, each with half of the infusions in rows of any order.
    let trace = fs::read_to_string(dir.join("traces/part-0.csv")).unwrap();
    let (header, rows) = trace.split_once('\n').unwrap();
    let half = |odd: bool| -> String {
        let of_half = |l: &&str| {
            (l.bytes()
                .take_while(|b| *b != b',')
                .map(u32::from)
                .sum::<u32>()
                % 2
                == 1)
                == odd
        };
        let rows: Vec<&str> = rows.lines().filter(of_half).collect();
        format!("{header}\n{}\n", rows.join("\n"))
    };
    fs::create_dir(dir.join("reviews")).unwrap();
    let mut infusions = 0;
    for odd in [false, true] {
        let args = [
            "--events",
            "events/part-0.csv",
            "--infusions",
            "infusions.csv",
        ];
        let (status, bytes, said) = streamed(dir, &args, &as_arrow(&half(odd), 3));
        assert_eq!((status, said.as_str()), (0, ""));
        let table = frame(bytes.clone());
        infusions += table.height();
        for row in 0..table.height() {
            assert_eq!(cell(&table, "error", row), None);
            let review = cell(&table, "review", row).unwrap();
            let review: serde_json::Value = serde_json::from_str(&review).unwrap();
            assert_eq!(review["schema"], "patency.review/1");
        }
        fs::write(dir.join(format!("reviews/{odd}.arrows")), &bytes).unwrap();
    }
    assert!(8 <= infusions);
    let run = patency(
        dir,
        &[
            "survey",
            ".",
            "--from-reviews",
            "reviews",
            "--out",
            "handed",
        ],
    );
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    let mut whole = bytes_of(&dir.join("whole"));
    whole.retain(|path, _| !path.starts_with("reviews"));
    assert!(whole.contains_key(Path::new("survey.json")));
    assert!(bytes_of(&dir.join("handed")) == whole);
}

#[test]
fn what_goes_wrong_with_one_infusion_is_said_in_its_row_and_skipped_with_that_reason() {
    let dir = tempfile::tempdir().unwrap();
    let rows: String = (0..100)
        .map(|i| {
            format!(
                "sound,{},30,4\nbroken,{},30,{}\n",
                i * 60,
                i * 60,
                if i % 2 == 0 { -1 } else { 4 }
            )
        })
        .collect();
    let csv = format!("infusion,time,pressure_mmhg,rate_ml_h\n{rows}");
    let (status, bytes, _) = streamed(dir.path(), &[], &as_arrow(&csv, 1));
    assert_eq!(status, 0);
    let table = frame(bytes.clone());
    assert_eq!(table.height(), 2);
    assert_eq!(cell(&table, "infusion", 0).as_deref(), Some("broken"));
    assert!(
        cell(&table, "error", 0)
            .unwrap()
            .contains("50 of 100 rows cannot be used")
    );
    assert_eq!(
        (cell(&table, "facts", 0), cell(&table, "error", 1)),
        (None, None)
    );

    fs::write(dir.path().join("all.arrows"), &bytes).unwrap();
    fs::write(
        dir.path().join("infusions.csv"),
        "infusion\nsound\nbroken\nnever\n",
    )
    .unwrap();
    let run = patency(
        dir.path(),
        &["survey", ".", "--from-reviews", "all.arrows", "--json"],
    );
    let found: serde_json::Value = serde_json::from_str(&run.stdout).unwrap();
    assert_eq!(found["infusions"], 1);
    let reasons: Vec<&str> = found["skipped"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| s["reason"].as_str().unwrap())
        .collect();
    assert!(reasons[0].contains("50 of 100 rows"));
    assert_eq!(reasons[1], "the tables have no review of it");
}

#[test]
fn a_stream_that_is_none_is_one_message_and_status_one() {
    let dir = tempfile::tempdir().unwrap();
    for (input, why) in [
        (&b""[..], "the file is empty"),
        (
            b"\xff\xff\xff\xff\x10\x00\x00\x00",
            "cannot be read as an Arrow stream",
        ),
    ] {
        let (status, bytes, said) = streamed(dir.path(), &[], input);
        assert_eq!((status, bytes.len()), (1, 0));
        assert!(
            said.starts_with("patency: standard input") && said.contains(why),
            "{said}"
        );
        assert!(!said.contains("panicked"), "{said}");
    }
}
