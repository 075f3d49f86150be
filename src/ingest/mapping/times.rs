//! The keys of a mapping that say where the time stands and how it is written.

use super::text::column;
use super::{TimeCells, TimeMap, TimeWritten};
use crate::error::Result;
use crate::ingest::civil::Order;
use crate::ingest::toml_text::Part;
use crate::ingest::unit::{Quantity, Unit};
use crate::ingest::zone;
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// Ways of counting time that are no unit, and what each counts.
pub(in crate::ingest) const COUNTS: [(&str, &str); 5] = [
    ("epoch-s", "seconds since 1970"),
    ("epoch-ms", "milliseconds since 1970"),
    ("epoch-us", "microseconds since 1970"),
    ("sheet-days", "a spreadsheet's days"),
    ("min:s", "minutes and seconds from the start"),
];

pub(super) fn time(part: &Part) -> Result<TimeMap> {
    let (time, date, clock) = (
        column(part, "time")?,
        column(part, "date")?,
        column(part, "clock")?,
    );
    let start = part.text("start_date", "a date like `2031-03-04`")?;
    let start = match start {
        None => None,
        Some((text, line)) => Some(text.parse::<Date>().map_err(|_| {
            part.wrong(
                "start_date",
                line,
                "a date like `2031-03-04`",
                &format!("`{text}`"),
            )
        })?),
    };
    let cells = match (time, date, clock, start) {
        (Some(time), None, None, None) => TimeCells::One(time),
        (None, Some(date), Some(clock), None) => TimeCells::DateAndClock(date, clock),
        (None, None, Some(clock), Some(start)) => TimeCells::ClockFrom(clock, start),
        _ => {
            let expected = "`time`, or `date` and `clock`, or `clock` and `start_date`";
            return Err(part.wrong("time", part.line, expected, "something else"));
        }
    };
    let order = part.word("date_order", Order::WORDS)?;
    let zone = zone_given(part)?;
    let pattern = pattern(part)?;
    let written = match (part.text("time_unit", "a unit in quotes")?, pattern) {
        (Some((_, line)), Some(_)) => {
            return Err(part.wrong("time_unit", line, "it alone", "`time_format` as well"));
        }
        (Some(unit), None) => counted(part, unit, order, zone)?,
        (None, Some(pattern)) => TimeWritten::Pattern(pattern, zone.flatten()),
        (None, None) => match (order, zone) {
            (None, None) => TimeWritten::Contract,
            (order, Some(zone)) => TimeWritten::Local(order.unwrap_or(Order::Ymd), zone),
            (Some(_), None) => {
                let line = part.get("date_order").map_or(part.line, |(_, line)| line);
                return Err(part
                    .wrong("date_order", line, "`zone` beside it", "none")
                    .hint("say which zone the clock showed: `zone = \"Europe/Berlin\"`, `\"+01:00\"`, or `\"written\"`"));
            }
        },
    };
    if written == TimeWritten::Contract && !matches!(cells, TimeCells::One(_)) {
        return Err(part
            .wrong(
                "clock",
                part.line,
                "`date_order` and `zone` beside it",
                "none",
            )
            .hint("say in which order the date stands and which zone the clock showed"));
    }
    Ok(TimeMap { cells, written })
}

/// The zone that is given; within, `None` = each time bears its offset.
fn zone_given(part: &Part) -> Result<Option<Option<TimeZone>>> {
    match part.text("zone", "a zone")? {
        None => Ok(None),
        Some(("written", _)) => Ok(Some(None)),
        Some((text, line)) => {
            let zone = zone::find(text).ok_or_else(|| {
                part.wrong("zone", line, "an IANA zone, an offset or `written`", &format!("`{text}`"))
                    .hint("for example `Europe/Berlin`, `+01:00`, or `written` where each time bears its offset")
            })?;
            Ok(Some(Some(zone)))
        }
    }
}

/// A pattern of `strptime`, tried on a time that it writes itself.
fn pattern(part: &Part) -> Result<Option<String>> {
    let Some((text, line)) = part.text("time_format", "a pattern like `%d.%m.%Y %H:%M`")? else {
        return Ok(None);
    };
    let some_time = jiff::Timestamp::UNIX_EPOCH.to_zoned_datetime(TimeZone::UTC);
    match jiff::fmt::strtime::format(text, &some_time) {
        Ok(_) => Ok(Some(text.to_string())),
        Err(error) => Err(part
            .wrong(
                "time_format",
                line,
                "a pattern like `%d.%m.%Y %H:%M`",
                &format!("`{text}`"),
            )
            .hint(format!("the terms are those of strptime; {error}"))),
    }
}

/// Time that is counted rather than written out.
fn counted(
    part: &Part,
    (unit, line): (&str, u64),
    order: Option<Order>,
    zone: Option<Option<TimeZone>>,
) -> Result<TimeWritten> {
    if order.is_some() {
        return Err(part.wrong("time_unit", line, "it alone", "`date_order` as well"));
    }
    let without_zone = |written: TimeWritten| match &zone {
        None => Ok(written),
        Some(_) => Err(part.wrong("time_unit", line, "it alone", "`zone` as well")),
    };
    match unit {
        "epoch-s" => Ok(TimeWritten::Epoch(1.0, zone.flatten())),
        "epoch-ms" => Ok(TimeWritten::Epoch(1e-3, zone.flatten())),
        "epoch-us" => Ok(TimeWritten::Epoch(1e-6, zone.flatten())),
        "sheet-days" => match zone.flatten() {
            Some(zone) => Ok(TimeWritten::SheetDays(zone)),
            None => Err(part
                .wrong("time_unit", line, "`zone` beside it", "none")
                .hint(
                    "say which zone the clock showed: `zone = \"Europe/Berlin\"` or `\"+01:00\"`",
                )),
        },
        "min:s" => without_zone(TimeWritten::MinutesAndSeconds),
        _ => {
            let known = Unit::find(unit).filter(|u| u.quantity == Quantity::Time);
            let seconds = known.and_then(|u| u.factor).ok_or_else(|| {
                let counts: Vec<&str> = COUNTS.iter().map(|(word, _)| *word).collect();
                let all = format!(
                    "known here: {}, {}",
                    Unit::known(Quantity::Time),
                    counts.join(", ")
                );
                part.wrong("time_unit", line, "a unit", &format!("`{unit}`"))
                    .hint(all)
            })?;
            without_zone(TimeWritten::Elapsed(seconds))
        }
    }
}
