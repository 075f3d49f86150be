//! Parquet tables as text, so that one set of rules reads both.
//!
//! In: the bytes of a Parquet file. Out: the same table as CSV bytes: numbers in the shortest form that reads back the same,
//! moments in RFC 3339 (those of a zone in UTC), a missing cell empty.

use crate::error::{Error, Result};
use jiff::Timestamp;
use polars::prelude::{AnyValue, ParquetReader, SerReader, TimeUnit};
use std::io::Cursor;
use std::path::Path;

/// Turns a Parquet table into CSV.
///
/// # Errors
/// No Parquet, or a column of a kind that the contract's tables do not have (lists, days without time).
pub fn parquet_as_csv(name: &Path, bytes: Vec<u8>) -> Result<Vec<u8>> {
    let table = ParquetReader::new(Cursor::new(bytes))
        .finish()
        .map_err(|e| {
            Error::in_file(name, format!("cannot be read as Parquet: {e}"))
                .hint("write the table again, or as CSV")
        })?;
    let cannot = |e: csv::Error| Error::in_file(name, format!("cannot be turned into text: {e}"));
    let mut writer = csv::Writer::from_writer(Vec::new());
    let headers = table.get_column_names();
    writer
        .write_record(headers.iter().map(|h| h.as_str()))
        .map_err(cannot)?;
    for row in 0..table.height() {
        for (column, header) in table.columns().iter().zip(&headers) {
            let cell = column.get(row).ok().and_then(|value| cell(&value)).ok_or_else(|| {
                Error::in_file(name, format!("expected text, numbers or moments, found {}", column.dtype()))
                    .in_column(header.as_str())
                    .hint("write times as RFC 3339 text with offset, or as seconds from the record's start")
            })?;
            writer.write_field(cell).map_err(cannot)?;
        }
        writer.write_record(None::<&[u8]>).map_err(cannot)?;
    }
    writer
        .into_inner()
        .map_err(|e| Error::in_file(name, format!("cannot be turned into text: {}", e.error())))
}

fn cell(value: &AnyValue) -> Option<String> {
    Some(match value {
        AnyValue::Null => String::new(),
        AnyValue::String(text) => text.to_string(),
        AnyValue::StringOwned(text) => text.to_string(),
        AnyValue::Boolean(b) => b.to_string(),
        AnyValue::Float64(x) => finite(*x),
        AnyValue::Float32(x) => finite(f64::from(*x)),
        AnyValue::UInt8(n) => n.to_string(),
        AnyValue::UInt16(n) => n.to_string(),
        AnyValue::UInt32(n) => n.to_string(),
        AnyValue::UInt64(n) => n.to_string(),
        AnyValue::Int8(n) => n.to_string(),
        AnyValue::Int16(n) => n.to_string(),
        AnyValue::Int32(n) => n.to_string(),
        AnyValue::Int64(n) => n.to_string(),
        AnyValue::Datetime(count, unit, zone) => moment(*count, *unit, zone.is_some())?,
        AnyValue::DatetimeOwned(count, unit, zone) => moment(*count, *unit, zone.is_some())?,
        _ => return None,
    })
}

/// NaN stands for a missing number in such tables.
fn finite(x: f64) -> String {
    if x.is_nan() {
        String::new()
    } else {
        x.to_string()
    }
}

/// A moment without a zone stays without offset, and is rejected as such by the reader of times.
fn moment(count: i64, unit: TimeUnit, zoned: bool) -> Option<String> {
    let nanoseconds = match unit {
        TimeUnit::Nanoseconds => i128::from(count),
        TimeUnit::Microseconds => i128::from(count) * 1_000,
        TimeUnit::Milliseconds => i128::from(count) * 1_000_000,
    };
    let text = Timestamp::from_nanosecond(nanoseconds).ok()?.to_string(); // ends in `Z`
    Some(if zoned {
        text
    } else {
        text.trim_end_matches('Z').to_string()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use polars::prelude::{Column, DataFrame, IntoColumn, NamedFrom, ParquetWriter, Series};

    fn parquet(columns: Vec<Column>) -> Vec<u8> {
        let mut bytes = Vec::new();
        let height = columns.first().map_or(0, Column::len);
        let mut table = DataFrame::new(height, columns).unwrap();
        ParquetWriter::new(&mut bytes).finish(&mut table).unwrap();
        bytes
    }

    fn text(columns: Vec<Column>) -> String {
        String::from_utf8(parquet_as_csv("t.parquet".as_ref(), parquet(columns)).unwrap()).unwrap()
    }

    #[test]
    fn numbers_text_and_missing_cells_read_back_the_same() {
        let columns = vec![
            Series::new("infusion".into(), ["a", "b,\"c\""]).into_column(),
            Series::new("pressure_mmhg".into(), [Some(0.1 + 0.2), None]).into_column(),
            Series::new("rate_ml_h".into(), [4_i64, 0]).into_column(),
            Series::new("limit_mmhg".into(), [f64::NAN, 300.0]).into_column(),
        ];
        assert_eq!(
            text(columns),
            "infusion,pressure_mmhg,rate_ml_h,limit_mmhg\na,0.30000000000000004,4,\n\"b,\"\"c\"\"\",,0,300\n"
        );
    }

    #[test]
    fn a_moment_without_zone_gets_no_offset_made_up() {
        let column = Series::new("time".into(), [1_930_000_000_000_000_i64]);
        let column = column
            .cast(&polars::prelude::DataType::Datetime(
                TimeUnit::Microseconds,
                None,
            ))
            .unwrap();
        assert_eq!(
            text(vec![column.into_column()]),
            "time\n2031-02-27T23:06:40\n"
        );
    }

    #[test]
    fn what_is_no_parquet_is_an_error() {
        assert!(parquet_as_csv("t.parquet".as_ref(), b"time,pressure\n".to_vec()).is_err());
        assert!(parquet_as_csv("t.parquet".as_ref(), Vec::new()).is_err());
    }
}
