//! What a mapping says and refuses, and the traps of exports: summer time, dashes, running names, questions.

use super::*;
use crate::ingest::Mapping;
use crate::record::{EventKind, Notice};
use crate::time::TimeText;
use rstest::rstest;

fn mapping(text: &str) -> Result<Mapping> {
    let mut bytes = text.as_bytes();
    Mapping::read(source("night.map.toml", &mut bytes))
}

fn read_mapped(trace: &str, events: Option<&str>, map: &str) -> Result<Record> {
    let settings = Settings {
        keep_going: false,
        mapping: Some(mapping(map).unwrap().into()),
        ..Settings::default()
    };
    Ok(read_all(trace.as_bytes(), events, None, &settings)?.remove(0))
}

/// A table of local times, pressures and rates, in the zone given.
fn local(zone: &str) -> String {
    format!(
        "[trace]\ntime = \"t\"\ndate_order = \"ymd\"\nzone = \"{zone}\"\npressure = \"p\"\npressure_unit = \"mmHg\"\n\
         rate = \"r\"\nrate_unit = \"mL/h\"\n"
    )
}

fn rows(times: &[&str]) -> String {
    let rows = times.iter().map(|t| format!("{t},30,4\n"));
    format!("t,p,r\n{}", rows.collect::<String>())
}

fn night(from_minute: i64, to_minute: i64) -> Vec<String> {
    let clock = |m: i64| format!("2026-10-25 {:02}:{:02}:00", m / 60, m % 60);
    (from_minute..to_minute).step_by(10).map(clock).collect()
}

// ---- summer time: Europe/Berlin, 2026-10-25 03:00 becomes 02:00 and 2026-03-29 02:00 becomes 03:00 (2000/84/EC) ----

#[test]
fn the_hour_that_comes_twice_is_told_by_the_order_of_the_rows() {
    let times: Vec<String> = [night(90, 180), night(120, 200)].concat();
    let times: Vec<&str> = times.iter().map(String::as_str).collect();
    let record = read_mapped(&rows(&times), None, &local("Europe/Berlin")).unwrap();
    let t_s = &record.channels[0].samples.t_s;
    let every_ten_minutes: Vec<f64> = (0..times.len()).map(|i| 600.0 * i as f64).collect();
    assert_eq!(*t_s, every_ten_minutes);
    assert_eq!(
        record.clock.text(5400.0),
        TimeText::Rfc3339("2026-10-25T02:00:00+01:00".into())
    );
    let twice = Notice::HourTwice {
        file: "trace",
        rows: 12,
    };
    assert_eq!(record.intake.notices, [twice]);
}

#[test]
fn the_hour_that_comes_twice_is_told_in_a_file_with_the_newest_row_first_too() {
    let times: Vec<String> = [night(90, 180), night(120, 200)].concat();
    let backwards: Vec<&str> = times.iter().rev().map(String::as_str).collect();
    let record = read_mapped(&rows(&backwards), None, &local("Europe/Berlin")).unwrap();
    let every_ten_minutes: Vec<f64> = (0..times.len()).map(|i| 600.0 * i as f64).collect();
    assert_eq!(record.channels[0].samples.t_s, every_ten_minutes);
}

#[test]
fn a_row_a_little_late_within_the_hour_that_comes_twice_is_not_taken_for_the_second_pass() {
    let times = [
        "2026-10-25 01:50:00",
        "2026-10-25 02:10:00",
        "2026-10-25 02:00:00",
        "2026-10-25 02:20:00",
    ];
    let record = read_mapped(&rows(&times), None, &local("Europe/Berlin")).unwrap();
    assert_eq!(record.channels[0].samples.t_s, [0.0, 600.0, 1200.0, 1800.0]);
    assert_eq!(record.intake.out_of_order, 1);
}

#[test]
fn a_clock_that_ran_through_the_end_of_summer_time_is_found_out() {
    let times = night(90, 240);
    let times: Vec<&str> = times.iter().map(String::as_str).collect();
    let error = read_mapped(&rows(&times), None, &local("Europe/Berlin")).unwrap_err();
    assert!(
        error
            .what
            .contains("up to 2026-10-25 03:00:00: it did not follow the end of summer time"),
        "{error}"
    );
    assert_eq!(error.place.as_ref().unwrap().line, Some(11));
    assert!(error.hint.as_ref().unwrap().contains("zone = \"+02:00\""));
    let record = read_mapped(&rows(&times), None, &local("+02:00")).unwrap();
    assert_eq!(record.end_s(), 600.0 * (times.len() - 1) as f64);
}

#[test]
fn a_time_that_does_not_exist_is_found_out() {
    let times = [
        "2026-03-29 01:50:00",
        "2026-03-29 02:00:00",
        "2026-03-29 02:10:00",
    ];
    let error = read_mapped(&rows(&times), None, &local("Europe/Berlin")).unwrap_err();
    assert_eq!(
        error.to_string(),
        "night.csv:3: column `t`: 2026-03-29 02:00:00 does not exist in Europe/Berlin: summer time begins then, and \
         this clock did not follow it\nhint: give the offset that the clock kept as the zone, for example `zone = \"+01:00\"`"
    );
    let record = read_mapped(&rows(&times), None, &local("+01:00")).unwrap();
    assert_eq!(record.channels[0].samples.t_s, [0.0, 600.0, 1200.0]);
}

#[test]
fn a_file_that_begins_in_the_hour_that_comes_twice_is_asked_about() {
    let error = read_mapped(
        &rows(&["2026-10-25 02:10:00", "2026-10-25 02:20:00"]),
        None,
        &local("Europe/Berlin"),
    );
    let error = error.unwrap_err();
    assert!(
        error.what.contains("nothing says which of the two it is"),
        "{error}"
    );
}

#[test]
fn a_clock_without_date_passes_midnight() {
    let map = "[trace]\nclock = \"t\"\nstart_date = \"2031-03-04\"\nzone = \"+01:00\"\npressure = \"p\"\n\
               pressure_unit = \"mmHg\"\nrate = \"r\"\nrate_unit = \"mL/h\"\n";
    let times = [
        "23:50:00", "23:59:50", "00:00:10", "12:00:00", "23:00:00", "00:30:00",
    ];
    let record = read_mapped(&rows(&times), None, map).unwrap();
    let day = 86_400.0;
    let expected = [
        0.0,
        590.0,
        610.0,
        day / 2.0 + 600.0,
        day - 3000.0,
        day + 2400.0,
    ];
    assert_eq!(record.channels[0].samples.t_s, expected);
    assert_eq!(
        record.clock.text(0.0),
        TimeText::Rfc3339("2031-03-04T23:50:00+01:00".into())
    );
}

#[test]
fn minutes_from_the_start_become_seconds() {
    let map = local("UTC").replace(
        "date_order = \"ymd\"\nzone = \"UTC\"\n",
        "time_unit = \"min\"\ndecimal = \"comma\"\ndelimiter = \";\"\n",
    );
    let record = read_mapped("t;p;r\n0;30;4\n0,5;31;4\n", None, &map).unwrap();
    assert_eq!(record.channels[0].samples.t_s, [0.0, 30.0]);
}

// ---- figures ------------------------------------------------------------------------------------------------------

#[test]
fn dashes_and_comparators_are_not_measured_and_are_told() {
    let map = local("UTC");
    let trace =
        "t,p,r\n2031-03-04 08:00:00,---,4\n2031-03-04 08:00:10,>999,4\n2031-03-04 08:00:20,30,4\n";
    let record = read_mapped(trace, None, &map).unwrap();
    let pressure = &record.channels[0].samples.pressure_mmhg;
    assert!(pressure[0].is_nan() && pressure[1].is_nan() && pressure[2] == 30.0);
    let missing = Notice::CellsMissing {
        column: "p".into(),
        words: vec!["---".into(), ">999".into()],
        cells: 2,
    };
    assert_eq!(record.intake.notices, [missing]);
}

#[test]
fn where_empty_cells_hold_the_rate_before_counts_and_rows_before_the_first_rate_do_not() {
    let map = local("UTC") + "holds = true\n";
    let row = |s: i64, rest: &str| format!("2031-03-04 08:{:02}:{:02},{rest}\n", s / 60, s % 60);
    let mut trace =
        String::from("t,p,r\n") + &row(0, "29,") + &row(1, "30,4") + &row(2, "31,") + &row(3, ",0");
    for s in 4..200 {
        trace += &row(s, "30,");
    }
    let record = read_mapped(&trace, None, &map).unwrap();
    let samples = &record.channels[0].samples;
    assert_eq!(samples.rate_ml_h[..4], [4.0, 4.0, 0.0, 0.0]);
    assert_eq!(samples.pressure_mmhg[..2], [30.0, 31.0]);
    assert_eq!((record.intake.rows, record.intake.rows_rejected), (200, 1));
    assert_eq!(record.intake.rejected[0].line, 2);
    assert_eq!(
        record.intake.rejected[0].reason,
        "no rate is known yet at this time"
    );
}

#[test]
fn headers_that_come_again_and_the_row_of_units_are_no_rows() {
    let map = local("UTC") + "unit_row = true\nheader_line = 2\n";
    let trace = "Page 1\nt,p,r\n,mmHg,mL/h\n2031-03-04 08:00:00,30,4\nt,p,r\n,mmHg,mL/h\n2031-03-04 08:00:10,31,4\n";
    let record = read_mapped(trace, None, &map).unwrap();
    assert_eq!((record.intake.rows, record.intake.rows_rejected), (2, 0));
    assert_eq!(record.channels[0].samples.pressure_mmhg, [30.0, 31.0]);
}

#[test]
fn serial_numbers_become_running_names_the_same_in_trace_and_events() {
    let map = local("UTC").replace("rate = ", "channel = \"Pump serial\"\nrate = ")
        + "[events]\ntime = \"t\"\ndate_order = \"ymd\"\nzone = \"UTC\"\nchannel = \"Serial\"\nevent = \"what\"\n\
           [events.words]\n\"Druckalarm\" = \"occlusion_alarm\"\n";
    let trace = "t,Pump serial,p,r\n2031-03-04 08:00:00,SN-778812,30,4\n2031-03-04 08:00:00,SN-113355,40,1\n";
    let events = "t,Serial,what,user\n2031-03-04 08:00:00,SN-113355,Druckalarm,K. Other\n2031-03-04 08:00:00,SN-778812,Gebimmel,x\n";
    let record = read_mapped(trace, Some(events), &map).unwrap();
    let ids: Vec<&str> = record.channels.iter().map(|c| c.id.as_str()).collect();
    assert_eq!(ids, ["channel-001", "channel-002"]);
    let seen: Vec<_> = record
        .events
        .iter()
        .map(|e| (e.kind, e.channel.as_deref(), e.word.as_str()))
        .collect();
    assert_eq!(
        seen,
        [
            (EventKind::OcclusionAlarm, Some("channel-002"), "Druckalarm"),
            (EventKind::Unknown, Some("channel-001"), "Gebimmel"),
        ]
    );
    let said = format!("{record:?}");
    assert!(
        !said.contains("778812") && !said.contains("113355") && !said.contains("K. Other"),
        "{said}"
    );
    assert!(said.contains("NamesReplaced"));
}

#[test]
fn a_decimal_comma_where_a_point_was_promised_is_refused_not_misread() {
    let map = local("UTC") + "delimiter = \";\"\n";
    let error = read_mapped("t;p;r\n2031-03-04 08:00:00;1,234;4\n", None, &map).unwrap_err();
    assert!(error.what.starts_with("not a number: `1,234`"), "{error}");
}

// ---- mappings that are refused ------------------------------------------------------------------------------------

#[rstest]
#[case("", 1, "there is neither `[trace]` nor `[events]`", "")]
#[case(
    "[trace]\ntime = \"t\"\nzone = \"Europe/Berln\"\n",
    3,
    "expected an IANA zone, an offset or `written`, found `Europe/Berln`",
    "Europe/Berlin"
)]
#[case(
    "[trace]\ntime = \"t\"\ndate_order = \"dmy\"\n",
    3,
    "expected `zone` beside it, found none",
    "which zone the clock showed"
)]
#[case(
    "[trace]\ntime = \"t\"\npresure = \"p\"\n",
    3,
    "unknown key `trace.presure`",
    "did you mean `pressure`?"
)]
#[case(
    "[trace]\ntime = \"t\"\nrate = \"r\"\nrate_unit = \"mL/h\"\npressure = \"p\"\n",
    1,
    "expected a unit, found none",
    "mm[Hg]"
)]
#[case(
    "[trace]\ntime = \"t\"\npressure = \"p\"\npressure_unit = \"%\"\nrate = \"r\"\nrate_unit = \"mL/h\"",
    4,
    "expected a unit with a fixed size, found `%`",
    "export the measured values"
)]
#[case(
    "[trace]\ntime = \"t\"\npressure = \"p\"\npressure_unit = \"mL\"\n",
    4,
    "expected a unit, found `mL`",
    "kPa"
)]
#[case(
    "[trace]\ndate = \"d\"\n",
    1,
    "expected `time`, or `date` and `clock`, or `clock` and `start_date`",
    ""
)]
#[case(
    "[trace]\ntime = \"t\"\ndecimal = \"comma\"\nthousands = \",\"\n",
    4,
    "expected another mark than the decimal sign",
    ""
)]
#[case(
    "[trace]\n# QUESTION: is 04/03/2031 the 4th of March or the 3rd of April?\ndate_order = \"?\"\n",
    3,
    "`date_order` is not answered yet: is 04/03/2031 the 4th of March or the 3rd of April?",
    "write the answer"
)]
#[case(
    "[trace]\ntime = \"t\"\nzone = \"?\"  # which zone?\n",
    3,
    "`zone` is not answered yet: which zone?",
    "write the answer"
)]
#[case(
    "[events]\ntime = \"t\"\nevent = \"e\"\n[events.words]\n\"x\" = \"oclusion_alarm\"\n",
    5,
    "expected start | stop",
    "did you mean `occlusion_alarm`?"
)]
fn a_mapping_with_a_slip_or_a_question_is_refused_at_its_line(
    #[case] text: &str,
    #[case] line: u64,
    #[case] what: &str,
    #[case] hint: &str,
) {
    let error = mapping(text).unwrap_err();
    assert!(error.what.starts_with(what), "{error}");
    if !text.is_empty() {
        assert_eq!(error.place.as_ref().unwrap().line, Some(line), "{error}");
    }
    assert!(
        error.hint.as_deref().unwrap_or_default().contains(hint),
        "{error}"
    );
}

#[test]
fn a_column_that_the_mapping_names_and_the_file_does_not_have_is_an_error() {
    let error = read_mapped("t,P,r\n", None, &local("UTC")).unwrap_err();
    assert!(
        error
            .to_string()
            .starts_with("night.csv:1: there is no column `p`\nhint: the header has `t`, `P`, `r`"),
        "{error}"
    );
}

#[test]
fn a_serial_number_in_the_events_alone_is_replaced_too() {
    let map = "[events]\ntime = \"When\"\ndate_order = \"ymd\"\nzone = \"+01:00\"\nchannel = \"Pump serial\"\nevent = \"What\"\n";
    let events =
        "When,Pump serial,What\n2031-03-04 08:10,77881299,pause\n2031-03-04 08:20,pn,resume\n";
    let mut text = map.as_bytes();
    let mapping = Mapping::read(source("m.toml", &mut text)).unwrap();
    let settings = Settings {
        keep_going: false,
        mapping: Some(mapping.into()),
        ..Settings::default()
    };
    let records = read_all(TRACE.as_bytes(), Some(events), None, &settings).unwrap();
    let shown: Vec<_> = records[0]
        .events
        .iter()
        .map(|e| e.channel.as_deref().unwrap())
        .collect();
    // The trace shows `pn` already; the serial number it does not have.
    assert_eq!(shown, ["channel-002", "pn"]);
    assert!(!format!("{:?}", records[0]).contains("778812"));
    let replaced = Notice::NamesReplaced {
        columns: vec!["Pump serial".into()],
    };
    assert!(
        records[0].intake.notices.contains(&replaced),
        "{:?}",
        records[0].intake.notices
    );
}

#[rstest]
#[case::believed("true")]
#[case::known_to_be_wrong("\"ignored\"")]
fn a_file_without_the_row_of_units_loses_no_row(#[case] unit_row: &str) {
    let map = local("+01:00").replace("[trace]\n", &format!("[trace]\nunit_row = {unit_row}\n"));
    let text = rows(&["2031-03-04 08:00:00", "2031-03-04 08:01:00"]);
    let error = read_mapped(&text, None, &map).unwrap_err().to_string();
    assert!(
        error.starts_with("night.csv:2: expected the row of units, found a row without any"),
        "{error}"
    );
}
