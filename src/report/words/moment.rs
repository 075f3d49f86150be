//! Moments as a reader says them: the record's own clock and offset, or the time since its start.

use super::number::duration;
use crate::time::Clock;
use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use jiff::tz::Offset;

/// Reads a moment off the record's clock.
pub trait Clockwork {
    /// Date and time of day at the trace's own offset; `None` for a clock of plain seconds.
    fn local(&self, t_s: f64) -> Option<DateTime>;
}

impl Clockwork for Clock {
    fn local(&self, t_s: f64) -> Option<DateTime> {
        let Clock::Calendar { origin_us, .. } = self else {
            return None;
        };
        let shift_us = (t_s * 1e3).round() as i64 * 1000;
        let moment = Timestamp::from_microsecond(origin_us.saturating_add(shift_us)).ok()?;
        let offset = Offset::from_seconds(self.offset_s(t_s)).ok()?;
        Some(offset.to_datetime(moment))
    }
}

const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

/// The month in three letters.
pub fn month_short(month: i8) -> &'static str {
    let index = usize::from(month.unsigned_abs()).saturating_sub(1);
    MONTHS
        .get(index)
        .and_then(|name| name.get(..3))
        .unwrap_or("")
}

/// `4 March 2031`; `None` for a clock of plain seconds.
pub fn day(clock: &Clock, t_s: f64) -> Option<String> {
    clock.local(t_s).map(|local| date(local.date()))
}

/// `4 March 2031`.
pub fn date(date: Date) -> String {
    let index = usize::from(date.month().unsigned_abs()).saturating_sub(1);
    let month = MONTHS.get(index).copied().unwrap_or_default();
    format!("{} {month} {}", date.day(), date.year())
}

/// `14:20`, or `14:20:07` with seconds; for a clock of plain seconds the time since the start, `3 h 20 min`.
pub fn time_of_day(clock: &Clock, t_s: f64, seconds: bool) -> String {
    match clock.local(t_s) {
        Some(local) if seconds => {
            format!(
                "{:02}:{:02}:{:02}",
                local.hour(),
                local.minute(),
                local.second()
            )
        }
        Some(local) => format!("{:02}:{:02}", local.hour(), local.minute()),
        None if seconds => elapsed(t_s),
        None => duration(t_s),
    }
}

/// Hours, minutes and seconds since the start: `03:20:07`.
fn elapsed(t_s: f64) -> String {
    let s = t_s.round().max(0.0) as u64;
    format!("{:02}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
}

/// `14:20 on 4 March 2031`, or `3 h 20 min after the record's start`.
pub fn moment(clock: &Clock, t_s: f64) -> String {
    match day(clock, t_s) {
        Some(day) => format!("{} on {day}", time_of_day(clock, t_s, false)),
        None => format!("{} after the record’s start", duration(t_s)),
    }
}

/// [`moment`], without the day where it is the day of `near_s`, which the sentence has already named.
pub fn moment_near(clock: &Clock, t_s: f64, near_s: f64) -> String {
    match (day(clock, t_s), day(clock, near_s)) {
        (Some(a), Some(b)) if a == b => time_of_day(clock, t_s, false),
        _ => moment(clock, t_s),
    }
}

/// `from 14:20 to 18:02 on 4 March 2031`, with both days where they differ.
pub fn between(clock: &Clock, start_s: f64, end_s: f64) -> String {
    let (from, to) = (time_of_day(clock, start_s, false), moment(clock, end_s));
    match (day(clock, start_s), day(clock, end_s)) {
        (Some(a), Some(b)) if a != b => format!("{from} on {a} to {to}"),
        _ => format!("{from} to {to}"),
    }
}

/// `UTC+01:00`; empty for a clock of plain seconds.
pub fn offset(clock: &Clock, t_s: f64) -> String {
    if *clock == Clock::Seconds {
        return String::new();
    }
    let minutes = clock.offset_s(t_s) / 60;
    let sign = if minutes < 0 { '−' } else { '+' };
    format!(
        "UTC{sign}{:02}:{:02}",
        minutes.abs() / 60,
        minutes.abs() % 60
    )
}

/// How the report writes time: one sentence for its head.
pub fn times_are(clock: &Clock, end_s: f64) -> String {
    match clock {
        Clock::Seconds => {
            "Times are counted from the record’s start; the record has no calendar.".into()
        }
        Clock::Calendar { offsets, .. } => {
            let mut text = format!("Times are the record’s own, {}", offset(clock, 0.0));
            let within = offsets.windows(2).filter_map(|w| match w {
                [(_, before), (from_s, after)] if before != after && *from_s <= end_s => {
                    Some(*from_s)
                }
                _ => None,
            });
            for from_s in within.take(4) {
                text += &format!(
                    ", from {} on {}",
                    moment(clock, from_s),
                    offset(clock, from_s)
                );
            }
            text + "."
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spring() -> Clock {
        Clock::Calendar {
            origin_us: 1_774_738_800_000_000, // 2026-03-28T23:00:00Z
            offsets: vec![(0.0, 3600), (7200.0, 7200)],
        }
    }

    #[test]
    fn moments_follow_the_records_own_offset() {
        assert_eq!(moment(&spring(), 0.0), "00:00 on 29 March 2026");
        assert_eq!(moment(&spring(), 7200.0), "03:00 on 29 March 2026");
        assert_eq!(
            times_are(&spring(), 9000.0),
            "Times are the record’s own, UTC+01:00, from 03:00 on 29 March 2026 on UTC+02:00."
        );
    }

    #[test]
    fn both_days_are_named_where_they_differ() {
        assert_eq!(
            between(&spring(), 0.0, 600.0),
            "00:00 to 00:10 on 29 March 2026"
        );
        assert_eq!(
            between(&spring(), 0.0, 86_400.0),
            "00:00 on 29 March 2026 to 01:00 on 30 March 2026"
        );
    }

    #[test]
    fn plain_seconds_count_from_the_start() {
        assert_eq!(
            moment(&Clock::Seconds, 12_000.0),
            "3 h 20 min after the record’s start"
        );
        assert_eq!(time_of_day(&Clock::Seconds, 12_007.0, true), "03:20:07");
    }
}
