//! Calendar months and weeks on the records' own clocks.
//!
//! In: moments of a [`Clock`] that knows the calendar. Out: the period in which each lies, and time at risk cut at its ends.

use crate::time::Clock;
use jiff::civil::{Date, date};
use jiff::tz::Offset;
use jiff::{Timestamp, ToSpan};

/// How a survey's time is cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Every {
    /// Calendar months.
    #[default]
    Month,
    /// Weeks from Monday.
    Week,
}

impl Every {
    /// A fixed word.
    pub fn word(self) -> &'static str {
        match self {
            Every::Month => "month",
            Every::Week => "week",
        }
    }

    /// First day of the period that holds this day.
    pub fn first_day(self, day: Date) -> Date {
        match self {
            Every::Month => day.first_of_month(),
            Every::Week => {
                let back = day.weekday().to_monday_zero_offset();
                day.checked_sub(i64::from(back).days()).unwrap_or(day)
            }
        }
    }

    /// First day of the next period.
    pub fn next(self, first_day: Date) -> Date {
        let step = match self {
            Every::Month => 1.month(),
            Every::Week => 1.week(),
        };
        first_day.checked_add(step).unwrap_or(Date::MAX)
    }
}

/// Local days since 1970-01-01, fractions for the time of day; `None` for a clock of plain seconds.
pub fn local_days(clock: &Clock, t_s: f64) -> Option<f64> {
    match clock {
        Clock::Seconds => None,
        Clock::Calendar { origin_us, .. } => {
            let local_s = *origin_us as f64 / 1e6 + t_s + f64::from(clock.offset_s(t_s));
            Some(local_s / 86_400.0)
        }
    }
}

/// The day with this number; `None` out of the calendar's range.
pub fn day(local_days: f64) -> Option<Date> {
    let midnight = Timestamp::from_second((local_days.floor() * 86_400.0) as i64).ok()?;
    Some(Offset::UTC.to_datetime(midnight).date())
}

/// The number of a day's first moment, in local days since 1970-01-01.
pub fn day_number(day: Date) -> f64 {
    let epoch = date(1970, 1, 1);
    (day - epoch).get_days() as f64
}

/// Cuts a stretch of local days at the ends of periods: `(first day, days within)` for each period it touches.
pub fn cut(every: Every, from: f64, to: f64) -> Vec<(Date, f64)> {
    let mut parts = Vec::new();
    let Some(mut period) = day(from).map(|d| every.first_day(d)) else {
        return parts;
    };
    let mut at = from;
    while at < to {
        let next = every.next(period);
        let end = day_number(next).min(to);
        if end <= at {
            break; // the calendar's end
        }
        parts.push((period, end - at));
        (at, period) = (end, next);
    }
    parts
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case(Every::Month, date(2031, 3, 31), date(2031, 3, 1), date(2031, 4, 1))]
    #[case(Every::Month, date(2031, 12, 1), date(2031, 12, 1), date(2032, 1, 1))]
    #[case(Every::Week, date(2031, 3, 4), date(2031, 3, 3), date(2031, 3, 10))] // a Tuesday
    #[case(Every::Week, date(2031, 3, 3), date(2031, 3, 3), date(2031, 3, 10))]
    fn a_day_lies_in_its_period(
        #[case] every: Every,
        #[case] day: Date,
        #[case] first: Date,
        #[case] next: Date,
    ) {
        assert_eq!(every.first_day(day), first);
        assert_eq!(every.next(first), next);
    }

    #[test]
    fn days_and_their_numbers_go_both_ways() {
        for d in [
            date(1970, 1, 1),
            date(2031, 3, 4),
            date(1969, 12, 31),
            date(2032, 2, 29),
        ] {
            assert_eq!(day(day_number(d)), Some(d));
            assert_eq!(day(day_number(d) + 0.999), Some(d));
        }
    }

    #[test]
    fn a_stretch_is_cut_at_the_turn_of_the_month_and_nothing_is_lost() {
        let from = day_number(date(2031, 1, 30)) + 0.5;
        let to = day_number(date(2031, 3, 1)) + 0.25;
        let parts = cut(Every::Month, from, to);
        assert_eq!(
            parts,
            [
                (date(2031, 1, 1), 1.5),
                (date(2031, 2, 1), 28.0),
                (date(2031, 3, 1), 0.25)
            ]
        );
        assert!(cut(Every::Month, to, from).is_empty());
    }

    #[test]
    fn the_local_day_is_the_traces_own() {
        let clock = Clock::Calendar {
            origin_us: 1_774_738_800_000_000, // 2026-03-28T23:00:00Z
            offsets: vec![(0.0, 3600)],
        };
        assert_eq!(
            local_days(&clock, 0.0).and_then(day),
            Some(date(2026, 3, 29))
        );
        assert_eq!(local_days(&Clock::Seconds, 0.0), None);
    }
}
