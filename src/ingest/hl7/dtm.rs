//! Times of HL7 v2: `YYYYMMDDHHMM[SS[.f…]][±ZZZZ]`.
//!
//! In: a field, and what stands in for an offset that it leaves out. Out: [`Moment`]. The time a message was built is never
//! the time of an observation; it may lend its offset, though, since both come from one clock.

use crate::ingest::moment::{Kind, Moment};
use jiff::civil::{Date, DateTime, Time};
use jiff::tz::{AmbiguousOffset, Offset, TimeZone};

/// A time as written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Dtm {
    /// What the clock showed, microseconds since 1970-01-01 there.
    pub(super) local_us: i64,
    /// Seconds east of Greenwich, where written.
    pub(super) offset_s: Option<i32>,
}

/// Reads a field; `None` where it is empty.
pub(super) fn dtm(text: &str) -> Result<Option<Dtm>, &'static str> {
    const NO_TIME: &str = "not a time";
    let text = text.trim();
    if text.is_empty() || text == "\"\"" {
        return Ok(None);
    }
    let sign = text.find(['+', '-']).unwrap_or(text.len());
    let (local, zone) = text.split_at_checked(sign).ok_or(NO_TIME)?;
    let (whole, fraction) = local.split_once('.').unwrap_or((local, ""));
    if !whole
        .bytes()
        .chain(fraction.bytes())
        .all(|b| b.is_ascii_digit())
    {
        return Err(NO_TIME);
    }
    let seconds = match whole.len() {
        14 => "",
        12 if fraction.is_empty() => "00",
        8 | 10 => return Err("a date without a time"),
        _ => return Err(NO_TIME),
    };
    let whole = format!("{whole}{seconds}");
    let part = |from: usize, to: usize| -> i16 {
        let digits = whole.get(from..to).unwrap_or_default();
        digits.parse().unwrap_or(-1)
    };
    let small = |from, to| i8::try_from(part(from, to)).unwrap_or(-1);
    let date = Date::new(part(0, 4), small(4, 6), small(6, 8)).map_err(|_| NO_TIME)?;
    let time = Time::new(small(8, 10), small(10, 12), small(12, 14), 0).map_err(|_| NO_TIME)?;
    let local = Offset::UTC.to_timestamp(date.to_datetime(time));
    let micro = (0..6).fold(0_i64, |us, i| {
        us * 10
            + fraction
                .as_bytes()
                .get(i)
                .map_or(0, |b| i64::from(b - b'0'))
    });
    Ok(Some(Dtm {
        local_us: local.map_err(|_| NO_TIME)?.as_microsecond() + micro,
        offset_s: offset(zone)?,
    }))
}

fn offset(zone: &str) -> Result<Option<i32>, &'static str> {
    const NO_OFFSET: &str = "not an offset";
    let Some((sign, digits)) = zone.split_at_checked(1) else {
        return Ok(None);
    };
    if digits.len() != 4 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return Err(NO_OFFSET);
    }
    let number: i32 = digits.parse().map_err(|_| NO_OFFSET)?;
    let (hours, minutes) = (number / 100, number % 100);
    if 14 < hours || 59 < minutes {
        return Err(NO_OFFSET);
    }
    let east = hours * 3600 + minutes * 60;
    Ok(Some(if sign == "-" { -east } else { east }))
}

impl Dtm {
    /// The moment at an offset.
    pub(super) fn at_offset(self, offset_s: i32) -> Moment {
        Moment {
            kind: Kind::Calendar,
            ticks: self.local_us - i64::from(offset_s) * 1_000_000,
            offset_s,
        }
    }

    /// The moments in a zone: the same one twice as a rule, two where the clock showed the time twice; what the zone
    /// does not know is refused.
    pub(super) fn in_zone(self, zone: &TimeZone) -> Result<[Moment; 2], &'static str> {
        let local = jiff::Timestamp::from_microsecond(self.local_us).map_err(|_| "not a time")?;
        let local: DateTime = Offset::UTC.to_datetime(local);
        match zone.to_ambiguous_timestamp(local).offset() {
            AmbiguousOffset::Unambiguous { offset } => Ok([self.at_offset(offset.seconds()); 2]),
            AmbiguousOffset::Gap { .. } => Err("a time that does not exist in the zone given"),
            AmbiguousOffset::Fold { before, after } => {
                Ok([before, after].map(|offset| self.at_offset(offset.seconds())))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    // `date -u -d 2026-03-29T00:59:00Z +%s` = 1774745940 (GNU coreutils 9.1)
    const BASE: i64 = 1_774_745_940_000_000;

    #[rstest]
    #[case("20260329015900+0100", BASE)]
    #[case("20260329030211+0200", BASE + 191_000_000)]
    #[case("20260329015901.250+0100", BASE + 1_250_000)]
    #[case("202603290159+0100", BASE)]
    #[case("20260329005900-0000", BASE)]
    #[case("20260328202900-0430", BASE)]
    fn a_time_with_its_offset_is_a_moment(#[case] text: &str, #[case] us: i64) {
        let read = dtm(text).unwrap().unwrap();
        assert_eq!(read.at_offset(read.offset_s.unwrap()).ticks, us);
    }

    #[rstest]
    #[case("20260329", "a date without a time")]
    #[case("20260229015900", "not a time")]
    #[case("20260329015960", "not a time")]
    #[case("2026-03-29 01:59", "not a time")]
    #[case("20260329015900+1", "not an offset")]
    #[case("20260329015900+0160", "not an offset")]
    #[case("now", "not a time")]
    fn what_is_no_time_is_refused(#[case] text: &str, #[case] reason: &str) {
        assert_eq!(dtm(text), Err(reason));
    }

    #[test]
    fn in_a_zone_the_missing_hour_is_refused_and_the_double_one_has_two_moments() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        let read = |text| dtm(text).unwrap().unwrap().in_zone(&zone);
        assert_eq!(read("20260329015900").unwrap().map(|m| m.ticks), [BASE; 2]);
        assert!(
            read("20260329023000")
                .unwrap_err()
                .contains("does not exist")
        );
        let [first, second] = read("20261025023000").unwrap();
        assert_eq!(second.ticks - first.ticks, 3_600_000_000);
        assert_eq!(dtm(""), Ok(None));
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused_without_panic(text in "\\PC{0,30}|[0-9]{8,16}[.+-]?[0-9]{0,7}") {
            let _ = dtm(&text);
        }
    }
}
