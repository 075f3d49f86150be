//! The fuzz targets on stable: each one reads its kept corpus, and inputs made from it by a seeded generator. The number of
//! inputs is fixed and printed; for a longer run by hand, `PATENCY_FUZZ_SECONDS=3600 cargo test --release --test it fuzzed --
//! --nocapture` goes on with new seeds for that time, shared by the targets.
#![allow(clippy::print_stderr, clippy::print_stdout)] // the number of inputs tried, and where the one is kept that failed

use crate::program::{folder, patency};
use rand::seq::IndexedRandom;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rstest::rstest;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::{Duration, Instant};

#[path = "../../fuzz/readers.rs"]
mod readers;

/// Inputs made for each target.
const INPUTS: u64 = 1500;

/// Longest input, bytes.
const LONGEST: usize = 1 << 16;

/// What readers look for, and what they should not trip over.
const WORDS: &[&[u8]] = &[
    b",",
    b";",
    b"\t",
    b"\"",
    b"\n",
    b"\r",
    b"\r\n",
    b"\0",
    b"\xff",
    b"\xef\xbb\xbf",
    b"\x1b[2J",
    b"-",
    b"+",
    b".",
    b"~",
    b"^",
    b"&",
    b"\\",
    b"\\X",
    b"|",
    b"MSH|^~\\&|",
    b"OBX|",
    b"OBR|1|",
    b"\x0b",
    b"\x1c\r",
    b"1.1.1.",
    b"0",
    b"-0",
    b"1e999",
    b"NaN",
    b"inf",
    b"9223372036854775807",
    b"99999999999999999999",
    b"1e-320",
    b"0.1",
    b"20260329023000",
    b"20261025023000",
    b"2026-03-29T02:30:00+01:00",
    b"-262143-01-01T00:00:00Z",
    b"9999-12-31T23:59:59Z",
    b"1970-01-01T00:00:00Z",
    b"time",
    b"infusion",
    b"pressure_mmhg",
    b"[",
    b"]",
    b"[[",
    b"{",
    b"}",
    b"= ",
    b"'''",
    b"\"\"\"",
    b"#",
    b"PK\x03\x04",
    b"PAR1",
    b"ARROW1",
    b"\xc2\xb5",
    b"\xe2\x88\x92",
    b"pump-delivery-status-transitioning",
    b"DEMO",
    b"|D|",
    b"|W|",
];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Folders whose files a target starts from.
fn corpus(target: &str) -> Vec<PathBuf> {
    let kept = |name: &str| root().join("fuzz/corpus").join(name);
    match target {
        "tables" => vec![kept("tables"), root().join("tests/it/data/tables")],
        "messages_as_events" => vec![kept("messages")],
        "column" => vec![kept("text")],
        "proposal" => vec![
            kept("mapped"),
            kept("text"),
            kept("tables"),
            root().join("tests/it/data/tables"),
        ],
        own => vec![kept(own)],
    }
}

fn seeds(target: &str) -> Vec<Vec<u8>> {
    let mut files: Vec<PathBuf> = Vec::new();
    for dir in corpus(target) {
        files.extend(std::fs::read_dir(dir).unwrap().map(|e| e.unwrap().path()));
    }
    files.sort();
    let seeds: Vec<Vec<u8>> = files.iter().map(|f| std::fs::read(f).unwrap()).collect();
    assert!(!seeds.is_empty(), "{target} has no corpus");
    seeds
}

/// A file of the corpus, changed at one to eight places.
fn input(seeds: &[Vec<u8>], rng: &mut ChaCha8Rng) -> Vec<u8> {
    let mut bytes = seeds.choose(rng).unwrap().clone();
    for _ in 0..rng.random_range(1..=8) {
        let at = rng.random_range(0..=bytes.len());
        let to = (at + rng.random_range(0..64)).min(bytes.len());
        match rng.random_range(0..8) {
            0 if at < bytes.len() => bytes[at] ^= 1 << rng.random_range(0..8),
            1 if at < bytes.len() => bytes[at] = rng.random(),
            2 => drop(bytes.drain(at..to)),
            3 => {
                let piece = bytes[at..to].to_vec();
                let times = *[1, 2, 40].choose(rng).unwrap();
                bytes.splice(at..at, piece.repeat(times));
            }
            4 => bytes.truncate(at),
            5 => {
                let other = seeds.choose(rng).unwrap();
                let from = rng.random_range(0..=other.len());
                let end = (from + rng.random_range(0..400)).min(other.len());
                bytes.splice(at..to, other[from..end].iter().copied());
            }
            _ => {
                let word = WORDS.choose(rng).unwrap();
                bytes.splice(
                    at..to.min(at + rng.random_range(0..12)),
                    word.iter().copied(),
                );
            }
        }
        bytes.truncate(LONGEST);
    }
    bytes
}

/// Runs a target; says which input failed, as a file that can be kept.
fn run(target: &str, read: fn(&[u8]), bytes: &[u8]) {
    let outcome = std::panic::catch_unwind(|| read(bytes));
    if let Err(panic) = outcome {
        let file = root().join("target").join(format!("fuzz-failure-{target}"));
        std::fs::write(&file, bytes).unwrap();
        eprintln!("{target} failed on {}", file.display());
        std::panic::resume_unwind(panic);
    }
}

#[rstest]
#[case("text")]
#[case("events")]
#[case("mapped")]
#[case("mapping")]
#[case("line")]
#[case("scenario")]
#[case("tables")]
#[case("messages")]
#[case("messages_as_events")]
#[case("infusions")]
#[case("column")]
#[case("proposal")]
fn no_input_ends_a_reader_or_is_counted_wrongly(#[case] target: &str) {
    let (_, read) = readers::TARGETS.iter().find(|t| t.0 == target).unwrap();
    let seeds = seeds(target);
    for seed in &seeds {
        run(target, *read, seed);
    }
    let seconds = std::env::var("PATENCY_FUZZ_SECONDS")
        .ok()
        .and_then(|s| s.parse::<u64>().ok());
    let until =
        seconds.map(|s| Instant::now() + Duration::from_secs(s / readers::TARGETS.len() as u64));
    let mut tried = 0;
    for number in 0.. {
        let done = match until {
            Some(until) => until <= Instant::now(),
            None => INPUTS <= number,
        };
        if done {
            break;
        }
        let mut rng = ChaCha8Rng::seed_from_u64(number);
        let made = input(&seeds, &mut rng);
        if until.is_some() {
            // What ends the process outright, as a lack of memory does, is kept too.
            std::fs::write(
                root().join("target").join(format!("fuzz-last-{target}")),
                &made,
            )
            .unwrap();
        }
        run(target, *read, &made);
        tried += 1;
    }
    println!("{target}: {tried} inputs");
    assert!(until.is_some() || tried == INPUTS);
}

#[test]
fn every_target_is_run_here_and_has_its_file() {
    for (target, _) in readers::TARGETS {
        let file = root()
            .join("fuzz/fuzz_targets")
            .join(format!("{target}.rs"));
        assert!(
            std::fs::read_to_string(&file)
                .unwrap()
                .contains(&format!("readers::{target}("))
        );
        assert!(include_str!("fuzzed.rs").contains(&format!("#[case(\"{target}\")]")));
        assert!(include_str!("../../fuzz/Cargo.toml").contains(&format!("name = \"{target}\"")));
    }
}

// ---- hostile files, through the program ---------------------------------------------------------------------------

/// Runs `inspect`, which must answer with one message, soon, within a gigabyte and a half of address space.
#[cfg(unix)]
fn refused(name: &str, bytes: &[u8]) -> String {
    let dir = folder(&[(name, bytes)]);
    let began = Instant::now();
    let line = format!("ulimit -v 1500000; \"$PATENCY\" inspect {name}");
    let run = crate::program::shell(dir.path(), &line);
    assert_eq!(run.status, 1, "{}", run.stderr);
    assert!(
        began.elapsed() < Duration::from_secs(20),
        "{:?}",
        began.elapsed()
    );
    assert!(!run.stderr.contains("panicked"), "{}", run.stderr);
    run.stderr
}

#[test]
#[cfg(unix)]
fn a_line_of_a_hundred_megabytes_is_refused_where_it_stands() {
    let long = |begin: &str| {
        let mut bytes = begin.as_bytes().to_vec();
        bytes.resize(100 << 20, b'7');
        bytes
    };
    let said = refused(
        "t.csv",
        &long("time,pressure_mmhg,rate_ml_h\n0,30,4\n10,30,"),
    );
    assert!(
        said.contains("t.csv:3: expected a row, found more than 1048576 bytes"),
        "{said}"
    );
    let said = refused("m.hl7", &long("MSH|^~\\&|A\rOBX|"));
    assert!(
        said.contains("m.hl7:2: expected a message, found more than 1048576 bytes"),
        "{said}"
    );
}

#[test]
#[cfg(unix)]
fn a_million_columns_are_refused_in_a_message_of_a_few_lines() {
    let header: Vec<String> = (0..1_000_000).map(|i| format!("c{i}")).collect();
    let said = refused("t.csv", format!("{}\n", header.join(",")).as_bytes());
    assert!(said.contains("t.csv:1: "), "{said}");
    assert!(said.len() < 2000, "{} bytes", said.len());
    // Short names fit the longest row: they are looked through, and the one that lacks is named.
    let said = refused(
        "t.csv",
        format!("{}\n", vec!["c"; 400_000].join(",")).as_bytes(),
    );
    assert!(said.len() < 2000 && said.contains("t.csv:1: "), "{said}");
}

#[test]
#[cfg(unix)]
fn a_cell_that_unpacks_to_hundreds_of_megabytes_is_refused() {
    use polars::prelude::*;
    let columns = vec![
        Series::new("time".into(), [0.0]).into_column(),
        Series::new("pressure_mmhg".into(), [30.0]).into_column(),
        Series::new("rate_ml_h".into(), [4.0]).into_column(),
        Series::new("note".into(), ["0".repeat(300 << 20)]).into_column(),
    ];
    let mut bytes = Vec::new();
    let mut table = DataFrame::new(1, columns).unwrap();
    ParquetWriter::new(&mut bytes)
        .with_statistics(StatisticsOptions::empty())
        .finish(&mut table)
        .unwrap();
    assert!(bytes.len() < 1 << 20, "{} bytes", bytes.len());
    let said = refused("t.parquet", &bytes);
    assert_eq!(
        said,
        "patency: t.parquet: cannot be read as Parquet: its pages name more than can be held\n\
         hint: write the table again, or as CSV\n"
    );
}

#[test]
fn deep_nesting_in_toml_is_refused() {
    let deep = 100_000;
    let dir = folder(&[
        ("t.csv", b"time,pressure_mmhg,rate_ml_h\n0,30,4\n"),
        (
            "list.toml",
            format!("a = {}{}", "[".repeat(deep), "]".repeat(deep)).as_bytes(),
        ),
        (
            "table.toml",
            format!("a = {}1{}", "{b = ".repeat(deep), "}".repeat(deep)).as_bytes(),
        ),
        (
            "keys.toml",
            format!("{}z = 1", "a.".repeat(deep)).as_bytes(),
        ),
        ("heads.toml", format!("[{}z]", "a.".repeat(deep)).as_bytes()),
    ]);
    for file in ["list.toml", "table.toml", "keys.toml", "heads.toml"] {
        for role in ["--line", "--map"] {
            let run = patency(dir.path(), &["inspect", "t.csv", role, file]);
            assert_eq!(run.status, 1, "{role} {file}: {}", run.stderr);
            assert!(
                run.stderr.starts_with(&format!("patency: {file}")),
                "{}",
                run.stderr
            );
            assert!(
                run.stderr.len() < 4000,
                "{role} {file}: {} bytes",
                run.stderr.len()
            );
        }
        let run = patency(dir.path(), &["simulate", file, "--out", "made"]);
        assert_eq!(run.status, 1, "simulate {file}: {}", run.stderr);
    }
}

/// Times are taken one after the other.
static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

fn seconds(read: fn(&[u8]), bytes: &[u8]) -> f64 {
    let began = Instant::now();
    read(bytes);
    began.elapsed().as_secs_f64()
}

#[rstest]
#[case::rows("text", "time,pressure_mmhg,rate_ml_h\n", "7,30,4\n", 40_000)]
#[case::rows_that_fall(
    "text",
    "time,pressure_mmhg,rate_ml_h\n",
    "2031-03-04T08:00:00Z,30,4\n2000-03-04T08:00:00Z,30,4\n",
    20_000
)]
#[case::bad_rows("text", "time,pressure_mmhg,rate_ml_h\n0,30,4\n", "x,y\n", 40_000)]
#[case::names(
    "text",
    "time,channel,pressure_mmhg,rate_ml_h\n0,a,30,4\n",
    "9,\u{1},30,4\n",
    40_000
)]
#[case::events(
    "events",
    "time,channel,event\n",
    "2026-03-29T03:00:05+02:00,pn,pause\n",
    20_000
)]
#[case::segments(
    "messages",
    "MSH|^~\\&|A||||||ORU^R01|1|P|2.6\rOBR|1||||||20260329015900+0100\r",
    "OBX|1|NM|157836^^MDC|1.1.1.3|1|266016^^MDC\r",
    4_000
)]
#[case::small_messages(
    "messages",
    "",
    "MSH|^~\\&|A||||||ORU^R42|1|P|2.6\rOBX|1|CWE|68487^^MDC|1.0.0.1|197288^^MDC||||||R|||20260329015900+0100\r",
    20_000
)]
#[case::values(
    "messages",
    "MSH|^~\\&|A||||||ORU^R01|1|P|2.6\rOBR|1||||||20260329015900+0100|20260329025900+0100\rOBX|1|NM|157836^^MDC|1.1.1.3|",
    "1~",
    100_000
)]
#[case::escapes(
    "messages",
    "MSH|^~\\&|A||||||ORU^R01|1|P|2.6\rOBX|1|ST|158012^^MDC|1.1.2.4|",
    "\\E",
    100_000
)]
fn four_times_the_bytes_take_no_more_than_ten_times_the_time(
    #[case] target: &str,
    #[case] begin: &str,
    #[case] piece: &str,
    #[case] times: usize,
) {
    let (_, read) = readers::TARGETS.iter().find(|t| t.0 == target).unwrap();
    let of = |n: usize| format!("{begin}{}", piece.repeat(n)).into_bytes();
    let (short, long) = (of(times), of(4 * times));
    // Least times, so that what else the machine does falls out: sixteen times as long would be quadratic at each try, and a
    // hundredth of a second is noise.
    let (mut least_short, mut least_long) = (f64::INFINITY, f64::INFINITY);
    let _alone = ONE_AT_A_TIME.lock().unwrap_or_else(|e| e.into_inner());
    for _ in 0..12 {
        least_short = least_short.min(seconds(*read, &short));
        least_long = least_long.min(seconds(*read, &long));
        if least_long < 10.0 * least_short + 0.01 {
            return;
        }
    }
    panic!("{least_short} s, then {least_long} s");
}
