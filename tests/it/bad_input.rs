//! Bad input: each a clear message with its place and what to do, status 1, nothing on standard output, no panic.

use crate::program::{folder, patency};
use rstest::rstest;

const GOOD: &[u8] = b"time,channel,pressure_mmhg,rate_ml_h\n0,pn,30,4\n10,pn,31,4\n";

/// Runs `inspect` and asserts what every failure has in common.
#[track_caller]
fn refused(files: &[(&str, &[u8])], args: &[&str]) -> String {
    let dir = folder(files);
    let run = patency(dir.path(), args);
    assert_eq!(run.status, 1, "{}", run.stderr);
    assert_eq!(run.stdout, "");
    assert!(run.stderr.starts_with("patency: "), "{}", run.stderr);
    assert!(!run.stderr.contains("panicked") && !run.stderr.contains("RUST_BACKTRACE"));
    run.stderr
}

#[rstest]
#[case::empty(
    b"",
    "patency: t.csv: the file is empty\nhint: export it again; a header line and rows are expected\n"
)]
#[case::header_only(
    b"time,channel,pressure_mmhg,rate_ml_h\n",
    "patency: t.csv: there is a header but no row\nhint: export it again; at least one row is expected\n"
)]
#[case::no_pressure_column(
    b"time,channel,pressure,rate_ml_h\n0,pn,30,4\n",
    "patency: t.csv:1: there is no column `pressure_mmhg`\n\
     hint: the header has `time`, `channel`, `pressure`, `rate_ml_h`; `patency map` proposes how an export of another form is to be read\n"
)]
#[case::mistyped_column(
    b"time,channel,pressure_mmgh,rate_ml_h\n0,pn,30,4\n",
    "patency: t.csv:1: there is no column `pressure_mmhg`\n\
     hint: the header has `time`, `channel`, `pressure_mmgh`, `rate_ml_h`; rename `pressure_mmgh`?; `patency map` proposes how an export of another form is to be read\n"
)]
#[case::binary_junk(
    b"\x7fELF\x02\x01\x01\0\0\0\0",
    "patency: t.csv:1: expected text, found a NUL byte\n\
     hint: this is no CSV, or one in UTF-16: save it as CSV in UTF-8, or have `patency map` propose how it is to be read\n"
)]
#[case::not_finite(
    b"time,pressure_mmhg,rate_ml_h\n0,30,4\n10,inf,4\n",
    "patency: t.csv:3: column `pressure_mmhg`: not a finite number: `inf`; 1 of 2 rows cannot be used (50.0 %)\n\
     hint: mend these rows, or leave them out with `--keep-going`\n"
)]
#[case::negative_rate(
    b"time,pressure_mmhg,rate_ml_h\n0,30,4\n10,30,-4\n",
    "patency: t.csv:3: column `rate_ml_h`: a rate is 0 to 100000 mL/h: `-4`; 1 of 2 rows cannot be used (50.0 %)\n\
     hint: mend these rows, or leave them out with `--keep-going`\n"
)]
fn a_trace_that_cannot_be_used_is_refused_in_these_words(
    #[case] trace: &[u8],
    #[case] expected: &str,
) {
    assert_eq!(
        refused(&[("t.csv", trace)], &["inspect", "t.csv"]),
        expected
    );
}

#[test]
fn binary_junk_within_a_trace_is_located() {
    let mut trace = GOOD.to_vec();
    trace.extend(b"20,p\0n,31,4\n30,\xff\xfe,31,4\n");
    let message = refused(&[("t.csv", &trace)], &["inspect", "t.csv"]);
    assert!(
        message.contains("t.csv:4: column `channel`: control characters in a name"),
        "{message}"
    );
    assert!(
        message.contains("t.csv:5: column `channel`: not UTF-8 text"),
        "{message}"
    );
    assert!(!message.contains('\0'));
}

#[test]
fn a_folder_in_the_place_of_a_file_is_named_as_one() {
    let message = refused(&[], &["inspect", "."]);
    let expected = "patency: .: expected a file, found a folder\n\
                    hint: name one file; many infusions in a folder are for `patency survey`\n";
    assert_eq!(message, expected);
}

#[test]
fn a_file_that_is_not_there_is_said_to_be_missing() {
    let message = refused(
        &[("t.csv", GOOD)],
        &["inspect", "t.csv", "--events", "e.csv"],
    );
    assert!(
        message.starts_with("patency: e.csv: there is no such file\nhint: check the name"),
        "{message}"
    );
}

#[test]
fn a_line_of_a_gigabyte_is_refused_at_its_line_without_being_held() {
    // A sparse file: a gigabyte of NUL bytes after the second row takes no room on the disk.
    let dir = folder(&[("t.csv", GOOD)]);
    let file = std::fs::OpenOptions::new()
        .append(true)
        .open(dir.path().join("t.csv"))
        .unwrap();
    file.set_len(1 << 30).unwrap();
    #[cfg(target_os = "linux")]
    let run = crate::program::shell(dir.path(), "ulimit -v 400000; exec $PATENCY inspect t.csv"); // KiB of address space
    #[cfg(not(target_os = "linux"))]
    let run = patency(dir.path(), &["inspect", "t.csv"]);
    assert_eq!(run.status, 1, "{}", run.stderr);
    let expected = "patency: t.csv:4: expected a row, found more than 1048576 bytes without its end\n\
                    hint: the file is no CSV, or a quote (\") is never closed\n";
    assert_eq!(run.stderr, expected);
}

#[test]
fn more_channels_than_a_line_has_pumps_are_refused_at_their_first_row() {
    let mut trace = b"time,channel,pressure_mmhg,rate_ml_h\n".to_vec();
    for i in 0..20_000 {
        trace.extend(format!("{i},{i},30,4\n").into_bytes());
    }
    for job in ["inspect", "review"] {
        let message = refused(&[("t.csv", &trace)], &[job, "t.csv"]);
        let expected = "patency: t.csv:18: column `channel`: expected at most 16 channels in one infusion, found more\n\
                        hint: are these many infusions? name the column that tells them apart `infusion`; are these numbers \
                        of samples or of messages? leave the column `channel` out, or name it otherwise\n";
        assert_eq!(message, expected);
    }
}

#[test]
fn channels_that_are_too_many_in_several_files_together_are_refused() {
    let trace = |from: u32| {
        let rows = (from..from + 9).map(|c| format!("0,c{c},30,4\n60,c{c},30,4\n"));
        "time,channel,pressure_mmhg,rate_ml_h\n".to_string() + &rows.collect::<String>()
    };
    let (a, b) = (trace(0), trace(9));
    let files = [("a.csv", a.as_bytes()), ("b.csv", b.as_bytes())];
    let message = refused(&files, &["inspect", "a.csv", "b.csv"]);
    assert!(
        message.starts_with("patency: b.csv: expected at most 16 channels in one infusion"),
        "{message}"
    );
}

#[test]
fn a_mistyped_key_in_the_line_file_names_the_nearest_one() {
    let line = b"[access]\nkind = \"picc\"\ninner_diamter_mm = 0.3\n";
    let message = refused(
        &[("t.csv", GOOD), ("line.toml", line)],
        &["inspect", "t.csv", "--line", "line.toml"],
    );
    let expected = "patency: line.toml:3: unknown key `access.inner_diamter_mm`\n\
                    hint: did you mean `inner_diameter_mm`?\n";
    assert_eq!(message, expected);
}

#[test]
fn events_in_another_kind_of_time_are_refused() {
    let events = b"time,event\n2031-03-04T08:00:00+01:00,start\n";
    let message = refused(
        &[("t.csv", GOOD), ("e.csv", events)],
        &["inspect", "t.csv", "--events", "e.csv"],
    );
    assert!(message.starts_with(
        "patency: e.csv:2: column `time`: the trace has seconds from the record's start, "
    ));
}

/// Bad input that is no failure: it is read, and told where it lies.
#[rstest]
#[case::events_of_another_day(
    "time,pressure_mmhg,rate_ml_h\n2031-03-04T08:00:00Z,30,4\n2031-03-04T09:00:00Z,30,4\n",
    "None of the 1 event in the events file lies within the trace’s time."
)]
#[case::time_running_backwards(
    "time,pressure_mmhg,rate_ml_h\n2031-03-04T09:00:00Z,30,4\n2031-03-04T08:00:00Z,30,4\n",
    "2 rows, 1 sorted in."
)]
#[case::two_infusions_mixed(
    "time,pressure_mmhg,rate_ml_h,volume_ml\n2031-03-04T08:00:00Z,30,4,9\n2031-03-04T09:00:00Z,30,4,0\n",
    "falls at line 3. The trace may hold two infusions"
)]
#[case::repeated_rows(
    "time,pressure_mmhg,rate_ml_h\n2031-03-04T08:00:00Z,30,4\n2031-03-04T08:00:00Z,30,4\n",
    "2 rows, 1 repeated an earlier one."
)]
#[case::no_pressure_measured(
    "time,pressure_mmhg,rate_ml_h\n2031-03-04T08:00:00Z,,4\n2031-03-04T09:00:00Z,,4\n",
    "No pressure was measured on channel “pump”"
)]
fn what_can_be_read_is_read_and_told(#[case] trace: &str, #[case] told: &str) {
    let events = b"time,event\n2031-03-09T08:00:00Z,start\n";
    let dir = folder(&[("t.csv", trace.as_bytes()), ("e.csv", events)]);
    let run = patency(dir.path(), &["inspect", "t.csv", "--events", "e.csv"]);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    let text = run.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(text.contains(told), "{text}");
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_behind_standard_output_is_an_error_and_a_closed_pipe_is_none() {
    let dir = folder(&[("t.csv", GOOD)]);
    let full = crate::program::shell(dir.path(), "$PATENCY inspect t.csv > /dev/full");
    assert_eq!(full.status, 1);
    assert!(
        full.stderr
            .starts_with("patency: standard output cannot be written: "),
        "{}",
        full.stderr
    );
    let closed = crate::program::shell(dir.path(), "$PATENCY inspect t.csv | true");
    assert_eq!((closed.status, closed.stderr.as_str()), (0, ""));
}

/// The disk is full for the program when the system lets it write no more than half a kibibyte to any file. This is the
/// refusal of the write itself, as on a full disk; what a particular file system does when it fills is not covered.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_leaves_no_half_written_report_and_what_was_there() {
    let dir = folder(&[("t.csv", GOOD)]);
    let line = "trap '' XFSZ; ulimit -f 1; exec $PATENCY review t.csv --out out";
    let run = crate::program::shell(dir.path(), line);
    assert_eq!(run.status, 1, "{}", run.stderr);
    assert!(run.stderr.starts_with("patency: out/"), "{}", run.stderr);
    assert!(
        run.stderr.contains(": cannot be written: "),
        "{}",
        run.stderr
    );
    assert!(
        run.stderr
            .contains("hint: choose a place you may write to, with space left")
    );
    assert!(!dir.path().join("out").exists());

    std::fs::create_dir(dir.path().join("out")).unwrap();
    std::fs::write(dir.path().join("out/report.html"), "mine").unwrap();
    assert_eq!(crate::program::shell(dir.path(), line).status, 1);
    let left: Vec<_> = std::fs::read_dir(dir.path().join("out")).unwrap().collect();
    assert_eq!(left.len(), 1);
    assert_eq!(
        std::fs::read_to_string(dir.path().join("out/report.html")).unwrap(),
        "mine"
    );
}

/// A folder below a file can be made by nobody, not even by root, whom permissions do not stop.
#[test]
fn a_folder_that_cannot_be_made_is_named_with_what_to_do() {
    let dir = folder(&[("t.csv", GOOD)]);
    let run = patency(dir.path(), &["review", "t.csv", "--out", "t.csv/out"]);
    assert_eq!(run.status, 1);
    assert!(
        run.stderr
            .starts_with("patency: t.csv/out: cannot be written: "),
        "{}",
        run.stderr
    );
    assert_eq!(std::fs::read(dir.path().join("t.csv")).unwrap(), GOOD);
}
