//! The record's clock: seconds from the record's start inside, the file's own way of writing time outside.
//!
//! In: how the trace wrote its times. Out: [`Clock`], which turns seconds from the start (`t_s`, the only
//! time that the analysis knows) back into what the trace would have written, with the trace's own offset
//! at that moment. Parsing of cells is in [`crate::ingest`].

use jiff::Timestamp;
use jiff::tz::Offset;

/// A moment as the output writes it.
#[derive(Debug, Clone, PartialEq)]
pub enum TimeText {
    /// RFC 3339 with offset.
    Rfc3339(String),
    /// Seconds from the record's start.
    Seconds(f64),
}

/// A stretch of time `[start_s, end_s)` in seconds from the record's start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// First moment inside.
    pub start_s: f64,
    /// First moment outside.
    pub end_s: f64,
}

impl Span {
    /// Length, seconds.
    pub fn seconds(self) -> f64 {
        self.end_s - self.start_s
    }

    /// Whether the moment lies inside.
    pub fn contains(self, t_s: f64) -> bool {
        self.start_s <= t_s && t_s < self.end_s
    }
}

/// How the trace writes time, and where its second 0 lies.
#[derive(Debug, Clone, PartialEq)]
pub enum Clock {
    /// The trace has seconds from the record's start.
    Seconds,
    /// The trace has RFC 3339 times.
    Calendar {
        /// Microseconds since 1970-01-01T00:00:00Z of second 0 (the record's first sample).
        origin_us: i64,
        /// `(t_s, offset in seconds east of Greenwich)`: the offset that holds from `t_s` on; sorted, never empty.
        offsets: Vec<(f64, i32)>,
    },
}

impl Clock {
    /// What the trace would have written at this moment (whole seconds where the moment is one, else milliseconds).
    pub fn text(&self, t_s: f64) -> TimeText {
        match self {
            Clock::Seconds => TimeText::Seconds((t_s * 1e3).round() / 1e3),
            Clock::Calendar { origin_us, .. } => {
                self.rfc3339(*origin_us, t_s, (t_s * 1e3).round() as i64 * 1000)
            }
        }
    }

    /// The same to the last digit that the record keeps, so that what is written reads back as the same moment.
    pub fn exact_text(&self, t_s: f64) -> TimeText {
        match self {
            Clock::Seconds => TimeText::Seconds(t_s),
            Clock::Calendar { origin_us, .. } => {
                self.rfc3339(*origin_us, t_s, (t_s * 1e6).round() as i64)
            }
        }
    }

    fn rfc3339(&self, origin_us: i64, t_s: f64, shift_us: i64) -> TimeText {
        let moment = Timestamp::from_microsecond(origin_us.saturating_add(shift_us));
        let beyond = match t_s < 0.0 {
            true => Timestamp::MIN,
            false => Timestamp::MAX,
        };
        let offset = Offset::from_seconds(self.offset_s(t_s)).unwrap_or(Offset::UTC);
        let text = moment.unwrap_or(beyond).display_with_offset(offset);
        TimeText::Rfc3339(text.to_string())
    }

    /// The trace's offset from Greenwich in force at this moment, seconds; 0 for a clock of plain seconds.
    pub fn offset_s(&self, t_s: f64) -> i32 {
        match self {
            Clock::Seconds => 0,
            Clock::Calendar { offsets, .. } => {
                let after = offsets.partition_point(|&(from_s, _)| from_s <= t_s);
                offsets
                    .get(after.saturating_sub(1))
                    .map_or(0, |&(_, offset)| offset)
            }
        }
    }

    /// Seconds since local midnight of the day before or at second 0, so that axes can carry real clock labels;
    /// `None` for a clock of plain seconds.
    pub fn local_seconds_of_day(&self, t_s: f64) -> Option<f64> {
        match self {
            Clock::Seconds => None,
            Clock::Calendar { origin_us, .. } => {
                let local = *origin_us as f64 / 1e6 + t_s + f64::from(self.offset_s(t_s));
                Some(local.rem_euclid(86_400.0))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_offset_follows_the_trace_across_the_change_of_summer_time() {
        // 2026-03-29: the European spring change at 01:00 UTC (EU directive 2000/84/EC).
        let clock = Clock::Calendar {
            origin_us: 1_774_745_940_000_000, // 2026-03-29T00:59:00Z
            offsets: vec![(0.0, 3600), (60.0, 7200)],
        };
        assert_eq!(
            clock.text(0.0),
            TimeText::Rfc3339("2026-03-29T01:59:00+01:00".into())
        );
        assert_eq!(
            clock.text(60.0),
            TimeText::Rfc3339("2026-03-29T03:00:00+02:00".into())
        );
        assert_eq!(
            clock.exact_text(191.500_001),
            TimeText::Rfc3339("2026-03-29T03:02:11.500001+02:00".into())
        );
        assert_eq!(
            clock.text(191.5),
            TimeText::Rfc3339("2026-03-29T03:02:11.5+02:00".into())
        );
    }

    #[test]
    fn plain_seconds_stay_numbers() {
        assert_eq!(Clock::Seconds.text(12.5), TimeText::Seconds(12.5));
    }
}
