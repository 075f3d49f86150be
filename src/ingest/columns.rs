//! The contract's columns of a table that has types: rows without the way over text.
//!
//! In: a [`Frame`] and which column is what. Out: names, moments and figures by row, or nothing where a row has anything to find
//! fault with: such a row is read as text like any other, and rejected there with the same words. Turning every number into
//! text and back makes the whole reading take four times as long.

use super::frame::Frame;
use super::moment::{Kind, Moment};
use super::when::Clockwork;
use polars::prelude::{ChunkedArray, DataType, Float64Type, Int64Type, StringChunked, TimeUnit};

/// Columns of one trace.
pub(super) struct Columns {
    pub(super) rows: usize,
    infusion: Option<StringChunked>,
    channel: Option<StringChunked>,
    time: Time,
    figures: [Option<ChunkedArray<Float64Type>>; 4],
}

enum Time {
    Text(StringChunked),
    Seconds(ChunkedArray<Float64Type>),
    /// Ticks and how many microseconds each has; of a zone, so that they are moments.
    Moments(ChunkedArray<Int64Type>, i64),
}

/// Moments beyond these, microseconds, are left to the reading as text: the years 1 to 9999 lie within.
const MOST_US: i64 = 250_000_000_000_000_000;

impl Columns {
    /// The columns, if all are of a kind that needs no text. `figures` are pressure, rate, volume, limit.
    pub(super) fn of(
        frame: &Frame,
        infusion: Option<usize>,
        channel: Option<usize>,
        time: usize,
        figures: [Option<usize>; 4],
    ) -> Option<Self> {
        let text = |at: usize| frame.column(at)?.str().ok().cloned();
        let numbers = |at: usize| {
            let column = frame.column(at)?;
            let is_number = column.dtype().is_primitive_numeric();
            let cast = is_number.then(|| column.cast(&DataType::Float64).ok())??;
            cast.f64().ok().cloned()
        };
        let time = match frame.column(time)?.dtype() {
            DataType::String => Time::Text(text(time)?),
            DataType::Datetime(unit, Some(_)) => {
                let each = match unit {
                    TimeUnit::Microseconds => 1,
                    TimeUnit::Milliseconds => 1000,
                    TimeUnit::Nanoseconds => return None, // finer than the record's clock
                };
                let ticks = frame.column(time)?.cast(&DataType::Int64).ok()?;
                Time::Moments(ticks.i64().ok()?.clone(), each)
            }
            _ => Time::Seconds(numbers(time)?),
        };
        let mut found = [const { None }; 4];
        for (column, at) in found.iter_mut().zip(figures) {
            *column = match at {
                Some(at) => Some(numbers(at)?),
                None => None,
            };
        }
        Some(Self {
            rows: frame.height(),
            infusion: match infusion {
                Some(at) => Some(text(at)?),
                None => None,
            },
            channel: match channel {
                Some(at) => Some(text(at)?),
                None => None,
            },
            time,
            figures: found,
        })
    }

    /// The infusion's name: `Some(None)` where there is no such column.
    pub(super) fn infusion(&self, row: usize) -> Option<Option<&[u8]>> {
        name(self.infusion.as_ref(), row)
    }

    /// The channel's name, the same way.
    pub(super) fn channel(&self, row: usize) -> Option<Option<&[u8]>> {
        name(self.channel.as_ref(), row)
    }

    /// The moment of a row.
    pub(super) fn moment(&self, row: usize, clockwork: &mut Clockwork) -> Option<Moment> {
        match &self.time {
            Time::Text(text) => clockwork.contract(text.get(row)?.as_bytes().trim_ascii()),
            Time::Seconds(seconds) => Moment::seconds(seconds.get(row)?),
            Time::Moments(ticks, each) => {
                let ticks = ticks.get(row)?.checked_mul(*each)?;
                (-MOST_US..MOST_US).contains(&ticks).then_some(Moment {
                    kind: Kind::Calendar,
                    ticks,
                    offset_s: 0,
                })
            }
        }
    }

    /// Pressure, rate, volume, limit; NaN where nothing was measured.
    pub(super) fn figures(&self, row: usize) -> [f64; 4] {
        let figure = |column: &Option<ChunkedArray<Float64Type>>| {
            let number = column.as_ref().and_then(|c| c.get(row));
            number.unwrap_or(f64::NAN)
        };
        [0, 1, 2, 3].map(|i| self.figures.get(i).map_or(f64::NAN, figure))
    }
}

fn name(column: Option<&StringChunked>, row: usize) -> Option<Option<&[u8]>> {
    match column {
        None => Some(None),
        Some(names) => Some(Some(names.get(row)?.as_bytes().trim_ascii())),
    }
}

#[cfg(test)]
mod tests {
    use crate::ingest::{Settings, Source, read_records};
    use crate::record::Record;
    use polars::prelude::*;
    use rstest::rstest;

    fn read(name: &'static str, mut bytes: &[u8]) -> Vec<Record> {
        let source = Source {
            name: name.as_ref(),
            reader: &mut bytes,
        };
        let settings = Settings {
            keep_going: true,
            ..Settings::default()
        };
        read_records(source, None, None, &settings).unwrap()
    }

    fn parquet(columns: Vec<Column>) -> Vec<u8> {
        let mut bytes = Vec::new();
        let height = columns.first().map_or(0, Column::len);
        let mut table = DataFrame::new(height, columns).unwrap();
        ParquetWriter::new(&mut bytes).finish(&mut table).unwrap();
        bytes
    }

    const SECONDS: [f64; 6] = [0.0, 1.5, 3.0, 3.0, 2.0, 1e11];

    /// Repeats, disorder, a rate below zero, nothing measured, a blank around a name, seconds that no record has.
    fn table(time: Column) -> Vec<u8> {
        parquet(vec![
            Series::new("infusion".into(), ["a", "b", "a ", "a", "a", "b"]).into_column(),
            time,
            Series::new(
                "channel".into(),
                [
                    Some("pn"),
                    Some("pn"),
                    Some("pn"),
                    Some("pn"),
                    None,
                    Some("pn"),
                ],
            )
            .into_column(),
            Series::new(
                "pressure_mmhg".into(),
                [
                    Some(30.5_f32),
                    None,
                    Some(f32::NAN),
                    Some(31.0),
                    Some(1.0),
                    Some(2.0),
                ],
            )
            .into_column(),
            Series::new("rate_ml_h".into(), [4_i64, -1, 4, 0, 4, 4]).into_column(),
            Series::new(
                "volume_ml".into(),
                [0.1, 0.2, 0.30000000000000004, 0.4, 0.5, 0.6],
            )
            .into_column(),
        ])
    }

    fn csv(times: [&str; 6]) -> String {
        let rest = [
            ("a", "pn,30.5,4,0.1"),
            ("b", "pn,,-1,0.2"),
            ("a ", "pn,,4,0.30000000000000004"),
            ("a", "pn,31,0,0.4"),
            ("a", ",1,4,0.5"),
            ("b", "pn,2,4,0.6"),
        ];
        let rows = times
            .iter()
            .zip(rest)
            .map(|(time, (infusion, rest))| format!("{infusion},{time},{rest}\n"));
        format!(
            "infusion,time,channel,pressure_mmhg,rate_ml_h,volume_ml\n{}",
            rows.collect::<String>()
        )
    }

    const DATES: [&str; 6] = [
        "2031-03-04T08:00:00Z",
        "2031-03-04T08:00:01.500Z",
        "2031-03-04T08:00:03Z",
        "2031-03-04T08:00:03Z",
        "2031-03-04T08:00:02Z",
        "2031-03-04T08:00:09Z",
    ];

    fn moments(unit: TimeUnit) -> Column {
        let micros = DATES.map(|d| d.parse::<jiff::Timestamp>().unwrap().as_microsecond());
        let per = if unit == TimeUnit::Milliseconds {
            1000
        } else {
            1
        };
        let zone = TimeZone::opt_try_new(Some("UTC")).unwrap();
        let ticks =
            Int64Chunked::from_iter_values("time".into(), micros.map(|us| us / per).into_iter());
        ticks.into_datetime(unit, zone).into_column()
    }

    #[rstest]
    #[case::seconds(Series::new("time".into(), SECONDS).into_column(), ["0", "1.5", "3", "3", "2", "1e11"])]
    #[case::text(Series::new("time".into(), DATES).into_column(), DATES)]
    #[case::microseconds(moments(TimeUnit::Microseconds), DATES)]
    #[case::milliseconds(moments(TimeUnit::Milliseconds), DATES)]
    fn typed_rows_make_the_records_that_their_text_makes(
        #[case] time: Column,
        #[case] texts: [&str; 6],
    ) {
        let typed = read("t.parquet", &table(time));
        let text = read("t.parquet", csv(texts).as_bytes());
        assert_eq!(format!("{typed:#?}"), format!("{text:#?}"));
        let intake = &typed[0].intake;
        assert_eq!(
            (intake.rows, intake.rows_rejected, intake.repeats),
            (4, 1, 1)
        );
    }
}
