//! Rows and files that are refused, and what is dropped unread.

use super::*;
use crate::record::{Notice, RejectedRow};
use rstest::rstest;
use std::io::Read;

#[rstest]
#[case("1000,pn,NaN,4,", "pressure_mmhg", "NaN", "not a finite number")]
#[case("1000,pn,inf,4,", "pressure_mmhg", "inf", "not a finite number")]
#[case("1000,pn,??,4,", "pressure_mmhg", "??", "not a number")]
#[case("1000,pn,30,-4,", "rate_ml_h", "-4", "a rate is 0 to 100000 mL/h")]
#[case("1000,pn,30,,", "rate_ml_h", "", "empty")]
#[case("1000,pn,30,4,-1", "volume_ml", "-1", "a volume is 0 to 10000000 mL")]
#[case("1000,,30,4,", "channel", "", "empty")]
#[case(",pn,30,4,", "time", "", "empty")]
#[case(
    "2031-03-04T08:00:00+01:00,pn,30,4,",
    "time",
    "2031-03-04T08:00:00+01:00",
    "a date, where the trace has seconds"
)]
#[case("soon,pn,30,4,", "time", "soon", "not a time")]
#[case("1000,pn", "(whole row)", "", "2 cells where the header has 5")]
#[case(
    "1000,pn,12,5,4,2",
    "(whole row)",
    "",
    "6 cells where the header has 5"
)]
#[case(
    "1000,pn\u{1b}[2J,30,4,",
    "channel",
    "pn\\u{1b}[2J",
    "control characters in a name"
)]
fn one_bad_row_in_two_hundred_is_left_out_and_shown(
    #[case] row: &str,
    #[case] column: &str,
    #[case] value: &str,
    #[case] reason: &str,
) {
    let good = |from: i32| {
        (from..from + 100)
            .map(|t| format!("{t},pn,30,4,\n"))
            .collect::<String>()
    };
    let record = read(&trace(&format!("{}{row}\n{}", good(0), good(100)))).unwrap();
    let intake = &record.intake;
    assert_eq!((intake.rows, intake.rows_rejected), (201, 1));
    assert_eq!(record.channels[0].samples.len(), 200);
    let expected = RejectedRow {
        line: 102,
        column: column.into(),
        value: value.into(),
        reason: reason.into(),
    };
    assert_eq!(intake.rejected, [expected]);
}

#[test]
fn more_than_one_row_in_a_hundred_rejected_is_an_error_that_shows_the_first() {
    let mut rows: String = (0..97).map(|t| format!("{t},pn,30,4,\n")).collect();
    rows += "97,pn,\"12,5\",4,\n98,pn,30,-1,\n99,pn,30,4,\n";
    let error = read(&trace(&rows)).unwrap_err();
    assert_eq!(
        error.to_string(),
        "night.csv:99: column `pressure_mmhg`: not a number: `12,5`; 2 of 100 rows cannot be used (2.0 %)\n  \
         also night.csv:100: column `rate_ml_h`: a rate is 0 to 100000 mL/h: `-1`\n\
         hint: write decimals with a point; mend these rows, or leave them out with `--keep-going`"
    );
    let kept = keep_going(&trace(&rows)).unwrap().remove(0);
    assert_eq!((kept.intake.rows, kept.intake.rows_rejected), (100, 2));
    assert_eq!(kept.intake.rejected.len(), 2);
}

#[test]
fn exactly_one_row_in_a_hundred_rejected_is_no_error_yet() {
    let mut rows: String = (0..99).map(|t| format!("{t},pn,30,4,\n")).collect();
    rows += "99,pn,x,4,\n";
    assert_eq!(read(&trace(&rows)).unwrap().intake.rows_rejected, 1);
}

#[test]
fn of_many_rejected_rows_the_first_hundred_are_kept_and_all_are_counted() {
    let rows: String = (0..400)
        .map(|t| format!("{t},pn,{},4,\n", if t % 2 == 0 { "x" } else { "30" }))
        .collect();
    let intake = keep_going(&trace(&rows)).unwrap().remove(0).intake;
    assert_eq!(
        (intake.rows, intake.rows_rejected, intake.rejected.len()),
        (400, 200, 100)
    );
    assert_eq!(intake.rejected[99].line, 200);
}

#[test]
fn a_trace_without_any_usable_row_is_an_error_even_when_told_to_keep_going() {
    let error = keep_going(&trace("2031-03-04T08:00:00,pn,30,4,\n")).unwrap_err();
    assert_eq!(place(&error), (Some(2), Some("time")));
    assert!(
        error
            .what
            .starts_with("a time without its offset: `2031-03-04T08:00:00`; 1 of 1 rows")
    );
    assert!(error.hint.unwrap().contains("2031-03-04T08:00:00+01:00"));
}

#[rstest]
#[case(b"", "night.csv: the file is empty", "header")]
#[case(b"\n\n", "night.csv: the file is empty", "header")]
#[case(
    b"time,pressure_mmhg,rate_ml_h\n",
    "night.csv: there is a header but no row",
    "at least one row"
)]
#[case(
    b"time,presure_mmhg,rate_ml_h\n0,1,1\n",
    "night.csv:1: there is no column `pressure_mmhg`",
    "the header has `time`, `presure_mmhg`, `rate_ml_h`; rename `presure_mmhg`?"
)]
#[case(
    b"zeit;druck;rate\n0;1;1\n",
    "night.csv:1: there is no column `time`",
    "separated by semicolons"
)]
#[case(
    b"time,time,pressure_mmhg,rate_ml_h\n0,0,1,1\n",
    "night.csv:1: the column `time` stands twice",
    "rename"
)]
#[case(
    b"\x00\x01\x02\x03",
    "night.csv:1: expected text, found a NUL byte",
    "CSV"
)]
#[case(
    b"t\x00i\x00m\x00e\x00,\x00",
    "night.csv:1: expected text, found a NUL byte",
    "UTF-16"
)]
#[case(
    b"\x89PNG\r\n\x1a\n",
    "night.csv:1: expected UTF-8 text, found other bytes",
    "CSV"
)]
fn a_file_that_is_no_trace_is_refused_with_its_place_and_what_to_do(
    #[case] bytes: &[u8],
    #[case] expected: &str,
    #[case] hint: &str,
) {
    let error = read_all(bytes, None, None, &Settings::default()).unwrap_err();
    assert_eq!(error.to_string().lines().next().unwrap(), expected);
    assert!(error.hint.as_ref().unwrap().contains(hint), "{error}");
}

/// Endless bytes that are never held: the reader must stop by itself.
struct Endless {
    head: &'static [u8],
    then: u8,
    handed: usize,
}

impl Read for Endless {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        if !self.head.is_empty() {
            return self.head.read(into);
        }
        assert!(
            self.handed < 4 << 20,
            "the reader went on for more than 4 MiB"
        );
        into.fill(self.then);
        self.handed += into.len();
        Ok(into.len())
    }
}

#[rstest]
#[case::in_the_header(b"time,pressure_mmhg", b'x', 1)]
#[case::in_a_row(b"time,pressure_mmhg,rate_ml_h\n0,30,4\n", b'9', 3)]
#[case::in_a_quote_never_closed(b"time,pressure_mmhg,rate_ml_h\n0,30,4\n10,\"", b'\n', 3)]
fn an_endless_line_is_refused_at_its_line_without_being_held(
    #[case] head: &'static [u8],
    #[case] then: u8,
    #[case] line: u64,
) {
    let mut endless = Endless {
        head,
        then,
        handed: 0,
    };
    let source = Source {
        name: Path::new("night.csv"),
        reader: &mut endless,
    };
    let error = read_records(source, None, None, &Settings::default()).unwrap_err();
    assert_eq!(place(&error).0, Some(line));
    assert!(error.what.contains("more than 1048576 bytes"), "{error}");
}

#[test]
fn a_file_that_breaks_off_in_reading_is_an_error_with_the_systems_words() {
    struct Broken;
    impl Read for Broken {
        fn read(&mut self, _: &mut [u8]) -> std::io::Result<usize> {
            Err(std::io::Error::other("the disk is gone"))
        }
    }
    let source = Source {
        name: Path::new("night.csv"),
        reader: &mut Broken,
    };
    let error = read_records(source, None, None, &Settings::default()).unwrap_err();
    assert!(
        error
            .to_string()
            .starts_with("night.csv: cannot be read: the disk is gone\nhint: ")
    );
}

#[test]
fn a_first_line_that_says_whose_the_record_is_is_not_repeated() {
    for text in ["Patient,Zyx Wvut\n0,30\n", "Patient: Zyx Wvut\n0\n"] {
        let message = read(text).unwrap_err().to_string();
        assert!(message.contains("there is no column `time`"), "{message}");
        assert!(!message.to_lowercase().contains("zyx"), "{message}");
    }
}

#[test]
fn cells_of_identity_columns_reach_neither_record_nor_message() {
    let csv = "patient_name,time,channel,pressure_mmhg,rate_ml_h,bed,drug_library\n\
               Zyx Wvut,0,pn,30,4,B7,v3\n\
               Zyx Wvut,10,pn,??,4,B7,v3\n";
    let record = keep_going(csv).unwrap().remove(0);
    let columns = |names: &[&str]| names.iter().map(|n| n.to_string()).collect::<Vec<_>>();
    let notices = [
        Notice::IdentityColumnsDropped {
            columns: columns(&["patient_name", "bed"]),
        },
        Notice::ColumnsIgnored {
            columns: columns(&["drug_library"]),
        },
    ];
    assert_eq!(record.intake.notices, notices);
    let error = read(csv).unwrap_err().to_string();
    for said in [format!("{record:?}"), error] {
        assert!(!said.contains("Zyx") && !said.contains("B7"), "{said}");
    }
}
