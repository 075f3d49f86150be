//! Parquet and Arrow read as what they hold, as another language's library wrote them (`scripts/tables/make.py`).

use super::*;
use crate::ingest::Mapping;
use rstest::rstest;

const PARQUET: &[u8] = include_bytes!("../../../tests/it/data/tables/columns.parquet");
const ARROW: &[u8] = include_bytes!("../../../tests/it/data/tables/columns.arrow");
const STREAM: &[u8] = include_bytes!("../../../tests/it/data/tables/columns.arrows");
const NARROW: &[u8] = include_bytes!("../../../tests/it/data/tables/narrow.parquet");
const NARROW_OLDER: &[u8] = include_bytes!("../../../tests/it/data/tables/narrow-1.parquet");
const NARROW_ARROW: &[u8] = include_bytes!("../../../tests/it/data/tables/narrow.arrow");
const NARROW_STREAM: &[u8] = include_bytes!("../../../tests/it/data/tables/narrow.arrows");
const LOCAL: &[u8] = include_bytes!("../../../tests/it/data/tables/local.parquet");

fn pressure_mmhg(channel: usize, row: usize) -> f64 {
    let number = channel + 1;
    30.5 + 10.0 * number as f64 + ((row * 7 + number) % 11) as f64
}

#[rstest]
#[case::parquet(PARQUET)]
#[case::arrow_file(ARROW)]
#[case::arrow_stream(STREAM)]
fn the_contract_s_columns_are_read_as_they_were_written(#[case] bytes: &[u8]) {
    let records = read_all(bytes, None, None, &Settings::default()).unwrap();
    let record = &records[0];
    assert_eq!((record.intake.rows, record.intake.rows_rejected), (48, 0));
    // 23:57 at +01:00; in a zone, such tables keep the moment and no offset.
    let crate::time::TimeText::Rfc3339(start) = record.clock.text(0.0) else {
        panic!("no date");
    };
    assert_eq!(start, "2031-03-04T22:57:00+00:00");
    for (c, rate) in [4.25, 0.8].into_iter().enumerate() {
        let samples = &record.channels[c].samples;
        for row in 0..24 {
            assert_eq!(samples.t_s[row], row as f64 * 30.125);
            assert_eq!(
                (samples.rate_ml_h[row], samples.limit_mmhg[row]),
                (rate, 450.0)
            );
            match row {
                7 => assert!(samples.pressure_mmhg[row].is_nan()),
                row => assert_eq!(samples.pressure_mmhg[row], pressure_mmhg(c, row)),
            }
        }
    }
}

#[test]
fn how_a_text_is_dressed_does_not_hold_for_a_table_of_columns() {
    // Encoding, delimiter, header line, unit row and decimal sign are those of the same export as text.
    let map = "[trace]\nencoding = \"utf-16le\"\ndelimiter = \";\"\nheader_line = 4\nunit_row = true\ndecimal = \"comma\"\n\
               thousands = \".\"\ntime = \"Zeit\"\ndate_order = \"dmy\"\nzone = \"Europe/Berlin\"\nchannel = \"Pumpe\"\n\
               pressure = \"Druck [kPa]\"\npressure_unit = \"kPa\"\nrate = \"Rate (mL/min)\"\nrate_unit = \"mL/min\"\n";
    let mut text = map.as_bytes();
    let settings = Settings {
        keep_going: false,
        mapping: Some(Mapping::read(source("m.toml", &mut text)).unwrap().into()),
        ..Settings::default()
    };
    let records = read_all(LOCAL, None, None, &settings).unwrap();
    let record = &records[0];
    assert_eq!((record.intake.rows, record.intake.rows_rejected), (48, 0));
    let crate::time::TimeText::Rfc3339(start) = record.clock.text(0.0) else {
        panic!("no date");
    };
    assert_eq!(start, "2031-03-04T23:57:00+01:00");
    let samples = &record.channels[1].samples;
    for row in 0..24 {
        let (read, is) = (samples.pressure_mmhg[row], pressure_mmhg(1, row));
        assert!((read - is).abs() <= 1e-9 * is, "{read} is not {is}");
        assert!((samples.rate_ml_h[row] - 0.8).abs() < 1e-12);
    }
}

#[rstest]
#[case::parquet(PARQUET)]
#[case::arrow_file(ARROW)]
#[case::arrow_stream(STREAM)]
fn a_column_of_a_kind_that_is_not_read_is_an_error_where_it_is_asked_for(#[case] bytes: &[u8]) {
    let mut bytes = bytes;
    let error = crate::ingest::read_column(source("t", &mut bytes), "waveform").unwrap_err();
    let said = error.to_string();
    let begin = "t: column `waveform`: expected text, numbers or moments, found ";
    let found = said.strip_prefix(begin).unwrap_or_else(|| panic!("{said}"));
    assert!(
        found.starts_with("List(") || found.starts_with("LargeList("),
        "{said}"
    );
    assert!(
        said.ends_with("hint: write the table again with this column as one of those, or as CSV"),
        "{said}"
    );
}

#[rstest]
#[case::parquet(NARROW)]
#[case::parquet_of_the_first_format(NARROW_OLDER)]
#[case::arrow_file_in_three_batches(NARROW_ARROW)]
#[case::arrow_stream_whose_dictionary_comes_twice(NARROW_STREAM)]
fn names_kept_as_dictionaries_and_integers_of_8_and_16_bits_are_read(#[case] bytes: &[u8]) {
    let records = read_all(bytes, None, None, &Settings::default()).unwrap();
    let record = &records[0];
    assert_eq!(record.infusion.as_deref(), Some("first"));
    assert_eq!((record.intake.rows, record.intake.rows_rejected), (48, 0));
    for (c, name) in ["pump 1", "pump 2"].into_iter().enumerate() {
        assert_eq!(record.channels[c].id, name);
        let samples = &record.channels[c].samples;
        for row in 0..24 {
            assert_eq!(samples.t_s[row], row as f64 * 30.0);
            let (rate, limit) = (samples.rate_ml_h[row], samples.limit_mmhg[row]);
            assert_eq!((rate, limit), ((c + 1) as f64, 450.0));
            match row {
                7 => assert!(samples.pressure_mmhg[row].is_nan()),
                row => assert_eq!(samples.pressure_mmhg[row], pressure_mmhg(c, row) - 0.5),
            }
        }
    }
    let mut bytes = bytes;
    let column = crate::ingest::read_column(source("t", &mut bytes), "limit_mmhg").unwrap();
    assert_eq!(column, vec![450.0; 48]);
}

#[test]
fn a_mapping_is_proposed_for_a_table_of_columns() {
    let mut bytes = LOCAL;
    let answers = [("zone".to_string(), "Europe/Berlin".to_string())];
    let proposal =
        crate::ingest::propose(source("local.parquet", &mut bytes), None, &answers).unwrap();
    assert!(proposal.questions.is_empty(), "{:?}", proposal.questions);
    let mut text = proposal.text.as_bytes();
    let settings = Settings {
        keep_going: false,
        mapping: Some(Mapping::read(source("m.toml", &mut text)).unwrap().into()),
        ..Settings::default()
    };
    let records = read_all(LOCAL, None, None, &settings).unwrap();
    assert_eq!(records[0].channels[0].samples.t_s[23], 23.0 * 30.125);
    assert!(!proposal.text.contains("delimiter"), "{}", proposal.text);
}

#[rstest]
#[case::parquet(&PARQUET[..PARQUET.len() / 2])]
#[case::arrow_file(&ARROW[..ARROW.len() / 2])]
#[case::arrow_stream(&STREAM[..STREAM.len() / 2])]
fn a_broken_table_of_columns_is_an_error(#[case] bytes: &[u8]) {
    let error = read_all(bytes, None, None, &Settings::default()).unwrap_err();
    assert!(error.what.starts_with("cannot be read as "), "{error}");
}

#[test]
fn columns_nested_without_end_are_refused() {
    // Three hundred groups within each other; a hundred thousand end the library's stack.
    let bytes = include_bytes!("../../../fuzz/corpus/tables/deep.parquet");
    let error = read_all(bytes, None, None, &Settings::default()).unwrap_err();
    assert!(
        error
            .what
            .ends_with("its description is damaged or nested too deeply"),
        "{error}"
    );
}
