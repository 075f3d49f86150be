//! Workbooks read as what they hold: dates of every kind, text among numbers, the sheet that is meant. The files are made by
//! `scripts/tables/make.py` with libraries of another language; the figures below are its figures.

use super::*;
use crate::ingest::Mapping;
use crate::record::{Channel, EventKind, Notice};
use crate::time::TimeText;
use rstest::rstest;

const EXPORT: &[u8] = include_bytes!("../../../tests/it/data/tables/export.xlsx");
const EXPORT_1904: &[u8] = include_bytes!("../../../tests/it/data/tables/export-1904.xlsx");
const CONTRACT: &[u8] = include_bytes!("../../../tests/it/data/tables/contract.xlsx");
const OLD: &[u8] = include_bytes!("../../../tests/it/data/tables/old.xls");
const DURATIONS: &[u8] = include_bytes!("../../../tests/it/data/tables/durations.ods");
const OPEN: &[u8] = include_bytes!("../../../tests/it/data/tables/open.ods");

const ROWS: usize = 24;
const STEP_S: f64 = 30.125;
const RATES_ML_H: [f64; 2] = [4.25, 0.8];

fn pressure_mmhg(channel: usize, row: usize) -> f64 {
    let number = channel + 1;
    30.5 + 10.0 * number as f64 + ((row * 7 + number) % 11) as f64
}

/// A mapping for a file, as it is proposed when these questions are answered.
fn proposed(bytes: &[u8], answers: &[(&str, &str)]) -> (String, Vec<String>) {
    let answers: Vec<(String, String)> = answers
        .iter()
        .map(|(k, v)| (k.to_string(), v.to_string()))
        .collect();
    let mut bytes = bytes;
    let proposal = crate::ingest::propose(source("export", &mut bytes), None, &answers).unwrap();
    (proposal.text, proposal.questions)
}

fn mapped(bytes: &[u8], map: &str) -> Result<Record> {
    let mut text = map.as_bytes();
    let mapping =
        Mapping::read(source("map.toml", &mut text)).unwrap_or_else(|e| panic!("{e}\n{map}"));
    let settings = Settings {
        keep_going: false,
        mapping: Some(mapping.into()),
        ..Settings::default()
    };
    let mut records = read_all(bytes, None, None, &settings)?;
    assert_eq!(records.len(), 1);
    Ok(records.remove(0))
}

/// The figures of the made files, but for the row in which the pressure is missing.
fn holds_the_figures(channels: &[Channel], missing: Option<usize>) {
    assert_eq!(channels.len(), 2);
    for (c, channel) in channels.iter().enumerate() {
        let samples = &channel.samples;
        assert_eq!(samples.t_s.len(), ROWS);
        for row in 0..ROWS {
            assert_eq!(samples.t_s[row], row as f64 * STEP_S + samples.t_s[0]);
            assert!((samples.rate_ml_h[row] - RATES_ML_H[c]).abs() < 1e-12);
            let (read, is) = (samples.pressure_mmhg[row], pressure_mmhg(c, row));
            match missing == Some(row) {
                true => assert!(read.is_nan()),
                false => assert!(
                    (read - is).abs() <= 1e-9 * is,
                    "row {row}: {read} is not {is}"
                ),
            }
        }
    }
}

fn start(record: &Record) -> String {
    match record.clock.text(0.0) {
        TimeText::Rfc3339(text) => text,
        TimeText::Seconds(s) => s.to_string(),
    }
}

#[rstest]
#[case::days_from_1900(EXPORT)]
#[case::days_from_1904(EXPORT_1904)]
fn a_workbook_with_dates_text_dates_and_text_numbers_is_mapped_and_read(#[case] bytes: &[u8]) {
    let (_, questions) = proposed(bytes, &[]);
    // 04.03.2031 as text is the 4th of March, since the true dates around it say so: only the zone is asked.
    assert_eq!(questions.len(), 1, "{questions:?}");
    assert!(questions[0].starts_with("trace.zone: "));
    let (map, _) = proposed(bytes, &[("zone", "Europe/Berlin")]);
    for line in [
        "sheet = \"Messwerte\"",
        "header_line = 4",
        "decimal = \"comma\"",
        "date_order = \"dmy\"",
        "pressure_unit = \"kPa\"",
    ] {
        assert!(map.contains(line), "{line} is not in\n{map}");
    }
    let record = mapped(bytes, &map).unwrap();
    holds_the_figures(&record.channels, Some(7));
    assert_eq!(start(&record), "2031-03-04T23:57:00+01:00");
    assert_eq!(record.channels[0].id, "1");
    let limit = record.channels[1].samples.limit_mmhg[0];
    assert!((limit - 60.0 / 0.133_322_387_415).abs() < 1e-9);
    // The footer is a row, and the only one rejected.
    assert_eq!((record.intake.rows, record.intake.rows_rejected), (49, 1));
    let footer = &record.intake.rejected[0];
    assert_eq!(
        (footer.line, footer.reason.as_str()),
        (53, "1 cell where the header has 6")
    );
    let dropped = Notice::IdentityColumnsDropped {
        columns: vec!["Patient".into()],
    };
    assert!(record.intake.notices.contains(&dropped));
    assert!(!format!("{record:?}{map}").contains("Zyx"));
}

#[test]
fn a_workbook_in_the_contract_s_form_needs_no_mapping() {
    let (mut trace, mut events) = (CONTRACT, CONTRACT);
    let records = read_records(
        source("night.xlsx", &mut trace),
        Some(source("night.xlsx", &mut events)),
        None,
        &Settings::default(),
    );
    let record = &records.unwrap()[0];
    holds_the_figures(&record.channels, None);
    // 23 h 57 min, a duration, and the next day's are beyond 24 h.
    assert_eq!(record.channels[0].samples.t_s[0], 86_220.0);
    let event = &record.events[0];
    assert_eq!((event.kind, event.t_s), (EventKind::RateChange, 86_460.0));
    assert_eq!(event.detail, "4.25");
}

#[test]
fn durations_of_less_than_a_day_count_from_the_start_in_the_contract_s_form() {
    let records = read_all(DURATIONS, None, None, &Settings::default()).unwrap();
    let record = &records[0];
    holds_the_figures(&record.channels, None);
    assert_eq!(record.channels[0].samples.t_s[0], 0.0);
    assert_eq!(record.clock, crate::time::Clock::Seconds);
    assert_eq!((record.intake.rows, record.intake.rows_rejected), (48, 0));
}

#[test]
fn what_looks_like_times_of_day_is_asked_about_and_may_count_from_the_start() {
    let (_, questions) = proposed(DURATIONS, &[]);
    assert!(
        questions[0].ends_with("If it counts from the start, answer time_unit=s instead"),
        "{questions:?}"
    );
    let (map, questions) = proposed(DURATIONS, &[("time_unit", "s")]);
    assert!(questions.is_empty(), "{questions:?}\n{map}");
    let record = mapped(DURATIONS, &map).unwrap();
    holds_the_figures(&record.channels, None);
    assert_eq!(record.channels[0].samples.t_s[23], 23.0 * STEP_S);
    // As text: a name that says so is believed, and nothing is asked.
    let text =
        "Elapsed;Pressure [mmHg];Rate (mL/h)\n00:00:00;30;4\n00:00:10;31;4\n00:00:20,5;32;4\n";
    let (map, questions) = proposed(text.as_bytes(), &[]);
    assert!(questions.is_empty(), "{questions:?}\n{map}");
    let record = mapped(text.as_bytes(), &map).unwrap();
    assert_eq!(record.channels[0].samples.t_s, [0.0, 10.0, 20.5]);
    // Beyond a day it can be nothing else, and nothing is asked.
    let text = "Time;Pressure [mmHg];Rate (mL/h)\n23:59:50;30;4\n24:00:00;31;4\n24:00:10,5;32;4\n";
    let (map, questions) = proposed(text.as_bytes(), &[]);
    assert!(questions.is_empty(), "{questions:?}\n{map}");
    let record = mapped(text.as_bytes(), &map).unwrap();
    assert_eq!(
        record.channels[0].samples.t_s,
        [86_390.0, 86_400.0, 86_410.5]
    );
}

#[rstest]
#[case::of_before_2007(OLD, "rack 1")]
#[case::open_document(OPEN, "1")]
fn date_and_time_of_day_stand_apart_in_every_kind_of_workbook(
    #[case] bytes: &[u8],
    #[case] first: &str,
) {
    let (map, questions) = proposed(bytes, &[("zone", "+00:00")]);
    assert!(questions.is_empty(), "{questions:?}\n{map}");
    for line in [
        "sheet = \"Log\"",
        "date = \"Date\"",
        "clock = \"Clock\"",
        "date_order = \"ymd\"",
    ] {
        assert!(map.contains(line), "{line} is not in\n{map}");
    }
    let record = mapped(bytes, &map).unwrap();
    holds_the_figures(&record.channels, None);
    assert_eq!(start(&record), "2031-03-04T23:57:00+00:00");
    assert_eq!(record.channels[0].id, first);
    assert_eq!((record.intake.rows, record.intake.rows_rejected), (48, 0));
}

#[test]
fn a_cell_that_cannot_be_read_is_named_by_sheet_row_and_letter() {
    let (map, _) = proposed(EXPORT, &[("zone", "Europe/Berlin")]);
    let strict = map.replace("decimal = \"comma\"", "decimal = \"point\"");
    let message = mapped(EXPORT, &strict).unwrap_err().to_string();
    // Row 8 of both channels: lines 4 + 1 + 16 and the next.
    assert!(
        message.starts_with(
            "night.csv (sheet Messwerte):21: column `Druck [kPa]`: not a number (cell C21): `"
        ),
        "{message}"
    );
    let elsewhere = map.replace("sheet = \"Messwerte\"", "sheet = \"Notizen\"");
    let error = mapped(EXPORT, &elsewhere).unwrap_err();
    assert_eq!(error.what, "there is no sheet `Notizen` to be seen");
    assert_eq!(error.hint.unwrap(), "the workbook shows `Messwerte`");
}

#[test]
fn a_date_without_an_offset_is_refused_where_no_mapping_says_the_zone() {
    let error = read_all(OLD, None, None, &Settings::default()).unwrap_err();
    assert_eq!(
        error.to_string(),
        "night.csv (sheet Log):1: there is no column `time`\nhint: the header has `date`, `clock`, `pump`, `pressure [mbar]`, \
         `rate (ml/h)`; `patency map` proposes how an export of another form is to be read"
    );
}

#[test]
fn of_several_sheets_the_one_meant_is_asked_for() {
    let (map, _) = proposed(CONTRACT, &[("sheet", "Trace")]);
    assert!(
        map.contains("sheet = \"Trace\"") && map.contains("time_unit = \"s\""),
        "{map}"
    );
    let record = mapped(CONTRACT, &map.replace("\"s\"", "\"min\"")).unwrap();
    holds_the_figures(&record.channels, None); // a duration is one, whatever the mapping says of its unit
    let mut bytes = CONTRACT;
    let error = crate::ingest::read_infusions(source("night.xlsx", &mut bytes)).unwrap_err();
    assert_eq!(
        error.what,
        "expected one sheet, found several: `Trace`, `Events`"
    );
}

#[rstest]
#[case::cut_short(&EXPORT[..EXPORT.len() / 2])]
#[case::old_cut_short(&OLD[..OLD.len() / 2])]
#[case::old_in_name_only(&[0xd0, 0xcf, 0x11, 0xe0, 0xa1, 0xb1, 0x1a, 0xe1, 0, 0, 0, 0])]
#[case::zip_in_name_only(b"PK\x03\x04 and nothing of the kind")]
#[case::gzip(&[0x1f, 0x8b, 8, 0])]
fn a_broken_workbook_is_an_error(#[case] bytes: &[u8]) {
    let error = read_all(bytes, None, None, &Settings::default()).unwrap_err();
    assert!(error.hint.is_some(), "{error}");
}

/// A workbook of one sheet whose XML is given; nothing is compressed away that the reader would not unpack.
fn workbook(rows: &str) -> Vec<u8> {
    const NS: &str = "http://schemas.openxmlformats.org";
    let kind = format!("{NS}/officeDocument/2006/relationships");
    let package = format!("{NS}/package/2006/relationships");
    let main = format!("{NS}/spreadsheetml/2006/main");
    let parts = [
        (
            "_rels/.rels",
            format!(
                "<Relationships xmlns=\"{package}\"><Relationship Id=\"r1\" Type=\"{kind}/officeDocument\" Target=\"xl/workbook.xml\"/></Relationships>"
            ),
        ),
        (
            "xl/workbook.xml",
            format!(
                "<workbook xmlns=\"{main}\" xmlns:r=\"{kind}\"><sheets><sheet name=\"Log\" sheetId=\"1\" r:id=\"r1\"/></sheets></workbook>"
            ),
        ),
        (
            "xl/_rels/workbook.xml.rels",
            format!(
                "<Relationships xmlns=\"{package}\"><Relationship Id=\"r1\" Type=\"{kind}/worksheet\" Target=\"worksheets/sheet1.xml\"/></Relationships>"
            ),
        ),
        (
            "xl/worksheets/sheet1.xml",
            format!("<worksheet xmlns=\"{main}\"><sheetData>{rows}</sheetData></worksheet>"),
        ),
    ];
    let mut writer = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (name, text) in parts {
        let options = zip::write::SimpleFileOptions::default();
        writer.start_file(name, options).unwrap();
        std::io::Write::write_all(&mut writer, text.as_bytes()).unwrap();
    }
    writer.finish().unwrap().into_inner()
}

/// One row of a sheet.
fn row(number: u64, cells: &[&str]) -> String {
    let cell = |text: &&str| match text.parse::<f64>() {
        Ok(number) => format!("<c><v>{number}</v></c>"),
        Err(_) => format!("<c t=\"inlineStr\"><is><t>{text}</t></is></c>"),
    };
    let cells: String = cells.iter().map(cell).collect();
    format!("<row r=\"{number}\">{cells}</row>")
}

const HEADER: [&str; 3] = ["time", "pressure_mmhg", "rate_ml_h"];

#[test]
fn headers_broken_into_lines_are_names_on_one_line() {
    let header = [
        "Elapsed&#10;(min)",
        "Pressure&#10;[kPa]",
        "Rate&#13;&#10;(mL/h)",
    ];
    let rows = [
        row(1, &header),
        row(2, &["0", "4", "4.2"]),
        row(3, &["1", "5", "4.2"]),
    ];
    let bytes = workbook(&rows.concat());
    let (map, questions) = proposed(&bytes, &[]);
    assert!(questions.is_empty(), "{questions:?}\n{map}");
    assert!(map.contains("pressure = \"Pressure [kPa]\""), "{map}");
    let record = mapped(&bytes, &map).unwrap();
    let samples = &record.channels[0].samples;
    assert_eq!(samples.t_s, [0.0, 60.0]);
    // 4 kPa / 0.133322387415 kPa per mmHg.
    assert!((samples.pressure_mmhg[0] - 4.0 / 0.133_322_387_415).abs() < 1e-9);
    assert_eq!(samples.rate_ml_h, [4.2, 4.2]);
}

#[test]
fn a_sheet_that_is_full_is_probably_cut_off() {
    let full = |last: u64| {
        let rows = [
            row(1, &HEADER),
            row(2, &["0", "30", "4"]),
            row(last, &["10", "31", "4"]),
        ];
        let records = read_all(&workbook(&rows.concat()), None, None, &Settings::default());
        records.unwrap().remove(0).intake.notices
    };
    assert_eq!(full(1_048_576), [Notice::SheetFull { rows: 1_048_576 }]);
    assert_eq!(full(1_048_575), []);
}

#[rstest]
#[case::a_cell_far_to_the_right(
    "<row r=\"1048576\"><c r=\"XFD1048576\"><v>1</v></c></row>",
    "more than 1024 columns"
)]
#[case::a_row_without_end(&"<c><v>1</v></c>".repeat(20_000), "more than 1024 columns")]
fn a_stray_cell_does_not_span_a_rectangle(#[case] rows: &str, #[case] found: &str) {
    let bytes = workbook(&(row(1, &HEADER) + rows));
    let error = read_all(&bytes, None, None, &Settings::default()).unwrap_err();
    assert_eq!(
        error.what,
        format!("expected a table in sheet `Log`, found {found}")
    );
}

#[test]
fn elements_nested_without_end_are_no_table() {
    let bytes = workbook(&"<a>".repeat(1_000_000));
    let error = read_all(&bytes, None, None, &Settings::default()).unwrap_err();
    assert!(error.hint.is_some(), "{error}");
}
