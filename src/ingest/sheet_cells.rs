//! Cells of a sheet: what each is, and how it is written out.
//!
//! In: values as the reading library gives them. Out: text that the table's readers take without asking how the file
//! writes numbers or dates.

use calamine::{Data, ExcelDateTime};
use std::collections::BTreeMap;
use std::fmt::Write;

/// Rows that hold something, each with its cells and their columns.
pub(super) type Cells = BTreeMap<u32, Vec<(u32, Value)>>;

/// First moment beyond the calendar of sheets: the 1st of January 10000, in days (ECMA-376 part 1, 18.17.4.1).
const BEYOND: f64 = 2_958_466.0;
const DAY_MS: f64 = 86_400_000.0;

/// One cell that is not empty.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Value {
    /// Words, whatever they say.
    Text(Box<str>),
    /// A number.
    Number(f64),
    /// A date, a time of day, or both: days since the workbook's first.
    Moment(ExcelDateTime),
    /// The same in words: `2031-03-04`, `2031-03-04T08:00:00`.
    Iso(Box<str>),
    /// A duration, known by its format, seconds.
    Duration(f64),
    /// A duration or a time of day, seconds: OpenDocument writes both alike.
    Span(f64),
}

impl Value {
    /// What the library read; `None` for an empty cell.
    pub(super) fn of(data: &Data) -> Option<Self> {
        Some(match data {
            Data::Empty => return None,
            Data::String(text) => return Self::text(text),
            Data::Int(n) => Self::Number(*n as f64),
            Data::Float(x) => Self::Number(*x),
            Data::Bool(b) => Self::Text(b.to_string().into()),
            Data::DateTime(moment) if moment.is_duration() => {
                Self::Duration((moment.as_f64() * DAY_MS).round() / 1e3)
            }
            Data::DateTime(moment) => Self::Moment(*moment),
            Data::DateTimeIso(text) => Self::Iso(text.as_str().into()),
            Data::DurationIso(text) => match span_s(text) {
                Some(seconds) => Self::Span(seconds),
                None => return Self::text(text),
            },
            Data::Error(error) => Self::Text(error.to_string().into()),
        })
    }

    /// A cell of words; `None` where there are only blanks.
    pub(super) fn text(text: &str) -> Option<Self> {
        (!text.trim().is_empty()).then(|| Self::Text(text.into()))
    }

    /// Writes the cell; whether it is a value, which needs no knowledge of how the file writes numbers and dates.
    pub(super) fn write(&self, kind: &Kind, into: &mut String) -> bool {
        let _ = match self {
            Self::Text(text) => {
                into.push_str(text);
                return false;
            }
            Self::Number(x) | Self::Duration(x) => write!(into, "{x}"),
            Self::Span(seconds) if kind.spans_are_clocks() => clock(seconds * 1e3, into),
            Self::Span(seconds) => write!(into, "{seconds}"),
            Self::Iso(text) if kind.all_dates => {
                let date = text.split_once('T').map_or(&**text, |(date, _)| date);
                into.push_str(date);
                Ok(())
            }
            Self::Iso(text) if text.contains('T') => {
                into.push_str(&text.replacen('T', " ", 1));
                Ok(())
            }
            Self::Iso(text) => write!(into, "{text} 00:00:00"),
            Self::Moment(moment) => match moment.as_f64() {
                days if kind.all_clocks => clock(days * DAY_MS, into),
                days if !(0.0..BEYOND).contains(&days) => write!(into, "(no date: {days})"),
                _ => match moment.as_datetime() {
                    Some(date) if kind.all_dates => write!(into, "{}", date.date()),
                    Some(date) => write!(into, "{date}"),
                    None => Ok(()),
                },
            },
        };
        true
    }
}

/// Time of day, to the millisecond.
fn clock(ms: f64, into: &mut String) -> std::fmt::Result {
    let ms = ms.round().clamp(0.0, DAY_MS - 1.0) as u64;
    let (s, ms) = (ms / 1000, ms % 1000);
    write!(into, "{:02}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)?;
    match ms {
        0 => Ok(()),
        ms => write!(into, ".{ms:03}"),
    }
}

/// Seconds of `PT08H30M00S`, of days and the decimal comma too.
fn span_s(text: &str) -> Option<f64> {
    let rest = text.strip_prefix('P')?;
    let (days, clock) = rest.split_once('T').unwrap_or((rest, ""));
    let mut seconds = 0.0;
    for (part, units) in [
        (days, &[('D', 86_400.0)][..]),
        (clock, &[('H', 3600.0), ('M', 60.0), ('S', 1.0)]),
    ] {
        let mut rest = part;
        for (letter, unit) in units {
            if let Some((number, after)) = rest.split_once(*letter) {
                let number: f64 = number.replace(',', ".").parse().ok()?;
                seconds += number * unit;
                rest = after;
            }
        }
        if !rest.is_empty() {
            return None;
        }
    }
    let seconds = (seconds * 1e3).round() / 1e3;
    (seconds.is_finite() && text.len() > 1).then_some(seconds)
}

/// What the moments of a column are: a date, a time of day and both together are the same kind of number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Kind {
    all_dates: bool,
    all_clocks: bool,
    durations: bool,
    /// Longest span, seconds; below zero where there is none.
    longest_span: f64,
}

impl Default for Kind {
    fn default() -> Self {
        Self {
            all_dates: true,
            all_clocks: true,
            durations: false,
            longest_span: -1.0,
        }
    }
}

impl Kind {
    /// The kinds of all columns.
    pub(super) fn of_columns(cells: &Cells) -> Vec<Self> {
        let mut kinds: Vec<Self> = Vec::new();
        for (column, value) in cells.values().flatten() {
            let column = *column as usize;
            if kinds.len() <= column {
                kinds.resize(column + 1, Self::default());
            }
            if let Some(kind) = kinds.get_mut(column) {
                kind.saw(value);
            }
        }
        kinds
    }

    fn saw(&mut self, value: &Value) {
        match value {
            Value::Moment(moment) => {
                self.all_dates &= moment.as_f64().fract() == 0.0;
                self.all_clocks &= (0.0..1.0).contains(&moment.as_f64());
            }
            Value::Iso(text) => {
                self.all_clocks = false;
                let clock = text.split_once('T').map(|(_, clock)| clock);
                let midnight = clock.is_none_or(|clock| clock.starts_with("00:00:00"));
                self.all_dates &= midnight;
            }
            Value::Duration(_) => self.durations = true,
            Value::Span(seconds) => self.longest_span = self.longest_span.max(seconds.abs()),
            Value::Text(_) | Value::Number(_) => {}
        }
    }

    /// Spans that are all shorter than a day are taken for times of day: then the day is asked for, never made up.
    fn spans_are_clocks(&self) -> bool {
        self.longest_span < 86_400.0
    }

    /// Whether the column's durations are written out as seconds.
    pub(super) fn counts_seconds(&self) -> bool {
        self.durations || 86_400.0 <= self.longest_span
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use calamine::ExcelDateTimeType;
    use rstest::rstest;

    fn moment(days: f64, is_1904: bool) -> Value {
        Value::Moment(ExcelDateTime::new(
            days,
            ExcelDateTimeType::DateTime,
            is_1904,
        ))
    }

    /// A column's cells as written.
    fn column(values: &[Value]) -> Vec<String> {
        let rows = (0..).zip(values);
        let cells: Cells = rows.map(|(row, v)| (row, vec![(0, v.clone())])).collect();
        let kind = Kind::of_columns(&cells)[0];
        let written = values.iter().map(|v| {
            let mut text = String::new();
            v.write(&kind, &mut text);
            text
        });
        written.collect()
    }

    // Day counts: Python's (datetime(2031, 3, 4) - datetime(1899, 12, 30)).days = 47911, from 1904-01-01: 46449. The first
    // system's 60 is a day that did not exist, 29 February 1900, so 61 is 1 March (ECMA-376 part 1, 18.17.4.1).
    #[rstest]
    #[case(&[moment(47_911.0, false), moment(47_912.0, false)], &["2031-03-04", "2031-03-05"])]
    #[case(&[moment(46_449.0, true)], &["2031-03-04"])]
    #[case(&[moment(47_911.0, false), moment(47_911.5, false)], &["2031-03-04 00:00:00", "2031-03-04 12:00:00"])]
    #[case(&[moment(46_449.25, true)], &["2031-03-04 06:00:00"])]
    #[case(&[moment(61.0, false)], &["1900-03-01"])]
    #[case(&[moment(59.0, false)], &["1900-02-28"])]
    #[case(&[moment(0.0, false), moment(0.5, false), moment(0.999_999_999_9, false)], &["00:00:00", "12:00:00", "23:59:59.999"])]
    #[case(&[moment(-1.0, false), moment(1e300, true)], &["(no date: -1)", &format!("(no date: {})", 1e300)])]
    fn moments_are_dates_times_of_day_or_both_by_their_column(
        #[case] values: &[Value],
        #[case] expected: &[&str],
    ) {
        assert_eq!(column(values), expected);
    }

    #[test]
    fn a_moment_is_rounded_to_the_millisecond_that_programs_keep() {
        // 08:00:10.123 on 2031-03-04, as a double and as a program writes it, cut to eleven digits.
        let days = 47_911.0 + (8.0 * 3600.0 + 10.123) / 86_400.0;
        let cut = 47_911.333_450_5;
        assert_eq!(column(&[moment(days, false)]), ["2031-03-04 08:00:10.123"]);
        assert_eq!(column(&[moment(cut, false)]), ["2031-03-04 08:00:10.123"]);
    }

    #[rstest]
    #[case("PT08H30M00S", Some(30_600.0))]
    #[case("PT26H00M00.5S", Some(93_600.5))]
    #[case("P1DT1H", Some(90_000.0))]
    #[case("PT5M", Some(300.0))]
    #[case("PT0,25S", Some(0.25))]
    #[case("P", None)]
    #[case("PT8H3", None)]
    #[case("8 hours", None)]
    fn spans_in_words_become_seconds(#[case] text: &str, #[case] expected: Option<f64>) {
        assert_eq!(span_s(text), expected);
    }

    #[test]
    fn spans_shorter_than_a_day_are_times_of_day_and_others_seconds() {
        let of = |hours: &[f64]| {
            column(
                &hours
                    .iter()
                    .map(|h| Value::Span(h * 3600.0))
                    .collect::<Vec<_>>(),
            )
        };
        assert_eq!(of(&[8.0, 8.5]), ["08:00:00", "08:30:00"]);
        assert_eq!(of(&[8.0, 26.0]), ["28800", "93600"]);
    }
}
