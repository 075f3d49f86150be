//! The traps of exports as they come, one small file each, mapped by what they say of themselves and read to the figure.

use super::*;
use crate::ingest::{Mapping, propose};
use crate::record::Notice;
use crate::time::TimeText;
use rstest::rstest;

/// Proposes a mapping; the answers are those that a user would give.
fn proposed(bytes: &[u8], answers: &[(&str, &str)]) -> (String, Vec<String>) {
    let answers: Vec<(String, String)> = answers
        .iter()
        .map(|(k, v)| (k.to_string(), v.to_string()))
        .collect();
    let mut bytes = bytes;
    let proposal = propose(source("export.csv", &mut bytes), None, &answers).unwrap();
    (proposal.text, proposal.questions)
}

/// Maps a file with these answers, which leave no question, and reads it.
fn read_export(bytes: &[u8], answers: &[(&str, &str)]) -> Record {
    let (text, questions) = proposed(bytes, answers);
    assert!(questions.is_empty(), "{questions:?}\n{text}");
    let mut toml = text.as_bytes();
    let settings = Settings {
        keep_going: false,
        mapping: Some(Mapping::read(source("m.toml", &mut toml)).unwrap().into()),
        ..Settings::default()
    };
    let mut records =
        read_all(bytes, None, None, &settings).unwrap_or_else(|e| panic!("{e}\n{text}"));
    assert_eq!(records.len(), 1);
    records.remove(0)
}

fn start(record: &Record) -> String {
    match record.clock.text(0.0) {
        TimeText::Rfc3339(text) => text,
        TimeText::Seconds(s) => s.to_string(),
    }
}

fn pressures(record: &Record) -> &[f64] {
    &record.channels[0].samples.pressure_mmhg
}

fn close(read: &[f64], expected: &[f64]) {
    assert_eq!(read.len(), expected.len());
    for (a, b) in read.iter().zip(expected) {
        assert!(
            (a - b).abs() <= 1e-9 * b.abs(),
            "{read:?} is not {expected:?}"
        );
    }
}

const ZONE: (&str, &str) = ("zone", "Europe/Berlin");

/// `sep=`, preamble, semicolons, decimal commas, a row of units, a page's repeated header, a footer.
const DRESSED: &str = "sep=;\r\nProtokoll Haus Weidenau\r\nStation;Reiher\r\n\r\n\
    Zeitpunkt;Druck;Rate\r\n;kPa;µL/min\r\n\
    2031-03-04 08:00:00;4,00;70,0\r\n2031-03-04 08:00:10;4,25;13,5\r\n\
    Zeitpunkt;Druck;Rate\r\n;kPa;µL/min\r\n\
    2031-03-04 08:00:20;5,50;0,0\r\n2031-03-04 08:00:30;5,75;0,0\r\n\
    Ende des Protokolls\r\n";

fn is_dressed(record: &Record) {
    // 1 kPa = 1000 / 133.322387415 mmHg (13.5951 g/cm³ × 9.80665 m/s² × 1 mm); 1 µL/min = 0.06 mL/h.
    let kpa = 1000.0 / 133.322_387_415;
    close(
        pressures(record),
        &[4.0 * kpa, 4.25 * kpa, 5.5 * kpa, 5.75 * kpa],
    );
    close(
        &record.channels[0].samples.rate_ml_h,
        &[4.2, 0.81, 0.0, 0.0],
    );
    assert_eq!(start(record), "2031-03-04T08:00:00+01:00");
    assert_eq!((record.intake.rows, record.intake.rows_rejected), (5, 1)); // the footer
}

#[rstest]
#[case("point", &["decimal = \"point\""], 1.04)]
#[case("comma", &["decimal = \"comma\"", "thousands = \".\""], 1040.0)]
fn one_answer_says_what_a_point_before_three_digits_is(
    #[case] answer: &str,
    #[case] lines: &[&str],
    #[case] volume_ml: f64,
) {
    let text = "time;pressure [mmHg];rate [ml/h];volume [ml]\n\
        2031-03-04T08:00:00Z;30;4;980\n2031-03-04T08:01:00Z;31;4;1.040\n";
    let (mapping, _) = proposed(text.as_bytes(), &[("decimal", answer)]);
    for line in lines {
        assert!(mapping.contains(line), "{mapping}");
    }
    let record = read_export(text.as_bytes(), &[("decimal", answer)]);
    assert_eq!(record.channels[0].samples.volume_ml[1], volume_ml);
}

#[test]
fn sixteen_bit_text_without_a_mark_is_read() {
    let bytes: Vec<u8> = DRESSED.encode_utf16().flat_map(u16::to_le_bytes).collect();
    is_dressed(&read_export(&bytes, &[ZONE]));
}

#[test]
fn a_micro_sign_in_code_page_1252_is_read() {
    let one_byte = |c| u8::try_from(u32::from(c)).unwrap();
    let bytes: Vec<u8> = DRESSED.chars().map(one_byte).collect();
    assert!(bytes.contains(&0xb5)); // WHATWG Encoding Standard, index windows-1252: the micro sign
    is_dressed(&read_export(&bytes, &[ZONE]));
}

#[test]
fn sep_preamble_units_repeated_header_decimal_comma_and_footer_are_read() {
    is_dressed(&read_export(DRESSED.as_bytes(), &[ZONE]));
}

#[test]
fn another_encoding_is_read_where_the_mapping_names_it() {
    // ISO 8859-2: 0xf3 is ó, 0xb6 is ś (WHATWG Encoding Standard, index iso-8859-2).
    let bytes = b"Czas;Ci\xb6nienie [mmHg];Przep\xb3yw (mL/h)\n0;30;4\n10;31;4\n";
    let map = "[trace]\nencoding = \"iso-8859-2\"\ndelimiter = \";\"\ntime = \"Czas\"\npressure = \"Ciśnienie [mmHg]\"\n\
               pressure_unit = \"mmHg\"\nrate = \"Przepływ (mL/h)\"\nrate_unit = \"mL/h\"\n";
    let mut toml = map.as_bytes();
    let settings = Settings {
        keep_going: false,
        mapping: Some(Mapping::read(source("m.toml", &mut toml)).unwrap().into()),
        ..Settings::default()
    };
    let records = read_all(bytes, None, None, &settings).unwrap();
    assert_eq!(pressures(&records[0]), [30.0, 31.0]);
}

#[rstest]
#[case("dmy", "2031-03-04T08:00:00+01:00")]
#[case("mdy", "2031-04-03T08:00:00+02:00")]
fn a_date_that_may_be_of_two_months_is_asked_for(#[case] order: &str, #[case] expected: &str) {
    let text =
        "Time,Pressure [mmHg],Rate (mL/h)\n04/03/2031 08:00:00,30,4\n04/03/2031 08:00:10,31,4\n";
    let (_, questions) = proposed(text.as_bytes(), &[ZONE]);
    assert_eq!(
        questions,
        [
            "trace.date_order: in which order does the date `04/03/2031 08:00:00` (line 2) stand (dmy, mdy)? The rows fit each of them"
        ]
    );
    let record = read_export(text.as_bytes(), &[ZONE, ("date_order", order)]);
    assert_eq!(start(&record), expected);
    assert_eq!(record.end_s(), 10.0);
}

#[test]
fn a_share_of_the_limit_is_refused_as_a_pressure() {
    let text =
        "Time,Pressure (%),Rate (mL/h)\n2031-03-04 08:00:00,30,4\n2031-03-04 08:00:10,31,4\n";
    let (_, questions) = proposed(text.as_bytes(), &[ZONE]);
    assert_eq!(questions.len(), 1);
    assert!(
        questions[0].contains("`%` has no fixed size in mmHg"),
        "{questions:?}"
    );
}

#[test]
fn newest_first_with_the_same_time_twice_and_words_in_the_place_of_figures() {
    let text = "Time,Pressure [mmHg],Rate (mL/h)\n2031-03-04 08:00:30,>999,4\n2031-03-04 08:00:20,33,4\n\
                2031-03-04 08:00:20,33,4\n2031-03-04 08:00:10,---,4\n2031-03-04 08:00:05,<5,4\n2031-03-04 08:00:00,30.5,4\n";
    let record = read_export(text.as_bytes(), &[ZONE]);
    assert_eq!(record.channels[0].samples.t_s, [0.0, 5.0, 10.0, 20.0, 30.0]);
    let read = pressures(&record);
    assert_eq!((read[0], read[3]), (30.5, 33.0));
    assert!(read[1].is_nan() && read[2].is_nan() && read[4].is_nan());
    assert_eq!((record.intake.rows, record.intake.repeats), (6, 1));
    let missing = Notice::CellsMissing {
        column: "Pressure [mmHg]".into(),
        words: vec!["---".into(), "<5".into(), ">999".into()],
        cells: 3,
    };
    assert!(
        record.intake.notices.contains(&missing),
        "{:?}",
        record.intake.notices
    );
}

#[rstest]
#[case::kpa(60.0, Some("kPa"))] // 450 mmHg = 59.995 kPa
#[case::psi(8.7, Some("psi"))] // 450 mmHg = 8.7015 psi
#[case::mbar(600.0, Some("mbar"))] // 450 mmHg = 599.95 mbar
#[case::truly_mmhg(450.0, None)]
#[case::an_alarm_for_another_reason(150.0, None)]
fn pressures_called_mmhg_that_are_of_another_unit_are_asked_about(
    #[case] at_alarm: f64,
    #[case] unit: Option<&'static str>,
) {
    let trace = format!(
        "time,channel,pressure_mmhg,rate_ml_h,limit_mmhg\n0,pn,{},4,450\n60,pn,{at_alarm},4,450\n120,pn,4,0,450\n",
        at_alarm / 3.0
    );
    let record = read_with(
        &trace,
        Some("time,channel,event\n70,pn,occlusion_alarm\n"),
        None,
    )
    .unwrap();
    let expected: Vec<Notice> = unit
        .map(|unit| Notice::UnitSuspected {
            channel: "pn".into(),
            unit,
        })
        .into_iter()
        .collect();
    assert_eq!(record.intake.notices, expected);
}
