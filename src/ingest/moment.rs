//! Cells become moments: RFC 3339 with offset, or seconds from the record's start.
//!
//! A moment is a whole number of ticks (microseconds of the calendar, nanoseconds of plain seconds), so that equal
//! times compare equal. Nearly all cells have the one fixed shape of RFC 3339 and the date of the row before; these
//! take a short way. Anything else goes through `jiff`.

/// Which kind of time a file has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// RFC 3339 with offset.
    Calendar,
    /// Seconds from the record's start.
    Seconds,
}

impl Kind {
    /// Ticks in one second.
    pub(super) fn ticks_per_s(self) -> f64 {
        match self {
            Kind::Calendar => 1e6,
            Kind::Seconds => 1e9,
        }
    }

    /// The kind in words.
    pub(super) fn words(self) -> &'static str {
        match self {
            Kind::Calendar => "times with date and offset (RFC 3339)",
            Kind::Seconds => "seconds from the record's start",
        }
    }
}

/// One moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Moment {
    pub(super) kind: Kind,
    /// Microseconds since 1970-01-01T00:00:00Z, or nanoseconds from the record's start.
    pub(super) ticks: i64,
    /// Seconds east of Greenwich; 0 for plain seconds.
    pub(super) offset_s: i32,
}

impl Moment {
    /// Plain seconds from the record's start; `None` where no record has so many.
    pub(super) fn seconds(seconds: f64) -> Option<Self> {
        plain_seconds(seconds).ok()
    }
}

/// What to write, for hints.
pub(super) const EXAMPLE: &str = "`2031-03-04T08:00:00+01:00`";

const NOT_A_TIME: &str = "not a time";
const NO_OFFSET: &str = "a time without its offset";
/// Plain seconds beyond this are no record's: 285 years, and whole nanoseconds still fit.
const MOST_SECONDS: f64 = 9e9;

/// Reads moments; remembers the last date.
#[derive(Debug, Default)]
pub(super) struct MomentReader {
    date: [u8; 10],
    date_us: i64,
}

impl MomentReader {
    /// Reads one cell, or says in a few words why it is no moment.
    pub(super) fn read(&mut self, cell: &[u8]) -> Result<Moment, &'static str> {
        if let Some(moment) = self.fixed_shape(cell) {
            return Ok(moment);
        }
        if cell.is_empty() {
            return Err("empty");
        }
        match fast_float2::parse::<f64, _>(cell) {
            Ok(seconds) => plain_seconds(seconds),
            Err(_) => any_shape(cell),
        }
    }

    /// `YYYY-MM-DDThh:mm:ss[.f…](Z|±hh:mm)`; `None` for every other shape.
    fn fixed_shape(&mut self, cell: &[u8]) -> Option<Moment> {
        let (head, tail) = cell.split_first_chunk::<19>()?;
        let (date, clock) = head.split_first_chunk::<10>()?;
        let &[sep, h1, h0, b':', m1, m0, b':', s1, s0] = clock else {
            return None;
        };
        if !matches!(sep, b'T' | b't' | b' ') {
            return None;
        }
        let (h, m, s) = (two(h1, h0)?, two(m1, m0)?, two(s1, s0)?);
        if 23 < h || 59 < m || 59 < s {
            return None; // second 60 is left to the long way
        }
        if *date != self.date {
            self.date_us = date_us(date)?;
            self.date = *date;
        }
        let (fraction_us, zone) = fraction(tail)?;
        let offset_s = match *zone {
            [b'Z' | b'z'] => 0,
            [sign @ (b'+' | b'-'), h1, h0, b':', m1, m0] => {
                let (h, m) = (two(h1, h0)?, two(m1, m0)?);
                if 23 < h || 59 < m {
                    return None;
                }
                let east = (h * 3600 + m * 60) as i32;
                if sign == b'-' { -east } else { east }
            }
            _ => return None,
        };
        let local_s = h * 3600 + m * 60 + s - i64::from(offset_s);
        Some(Moment {
            kind: Kind::Calendar,
            ticks: self.date_us + local_s * 1_000_000 + fraction_us,
            offset_s,
        })
    }
}

fn two(tens: u8, ones: u8) -> Option<i64> {
    (tens.is_ascii_digit() && ones.is_ascii_digit())
        .then(|| i64::from((tens - b'0') * 10 + (ones - b'0')))
}

fn date_us(date: &[u8; 10]) -> Option<i64> {
    let &[y3, y2, y1, y0, b'-', m1, m0, b'-', d1, d0] = date else {
        return None;
    };
    let year = two(y3, y2)? * 100 + two(y1, y0)?;
    let (year, month, day) = (year as i16, two(m1, m0)? as i8, two(d1, d0)? as i8);
    let date = jiff::civil::Date::new(year, month, day).ok()?;
    let midnight = jiff::tz::Offset::UTC
        .to_timestamp(date.to_datetime(jiff::civil::Time::midnight()))
        .ok()?;
    Some(midnight.as_microsecond())
}

/// Splits `.f…` from what follows it; digits beyond the microsecond are dropped.
fn fraction(tail: &[u8]) -> Option<(i64, &[u8])> {
    let Some((b'.', digits)) = tail.split_first() else {
        return Some((0, tail));
    };
    let n = digits.iter().take_while(|b| b.is_ascii_digit()).count();
    let (fraction, zone) = digits.split_at_checked(n)?;
    if fraction.is_empty() {
        return None;
    }
    let us = (0..6).fold(0, |us, i| {
        us * 10 + fraction.get(i).map_or(0, |b| i64::from(b - b'0'))
    });
    Some((us, zone))
}

fn plain_seconds(seconds: f64) -> Result<Moment, &'static str> {
    if !seconds.is_finite() {
        return Err("not a finite number");
    }
    if MOST_SECONDS < seconds.abs() {
        return Err("more seconds than any record has");
    }
    Ok(Moment {
        kind: Kind::Seconds,
        ticks: (seconds * 1e9).round() as i64,
        offset_s: 0,
    })
}

fn any_shape(cell: &[u8]) -> Result<Moment, &'static str> {
    static PARSER: jiff::fmt::temporal::DateTimeParser = jiff::fmt::temporal::DateTimeParser::new();
    let pieces = PARSER.parse_pieces(cell).map_err(|_| NOT_A_TIME)?;
    let time = pieces.time().ok_or("a date without a time")?;
    let offset = pieces.to_numeric_offset().ok_or(NO_OFFSET)?;
    let moment = offset
        .to_timestamp(pieces.date().to_datetime(time))
        .map_err(|_| NOT_A_TIME)?;
    Ok(Moment {
        kind: Kind::Calendar,
        ticks: moment.as_microsecond(),
        offset_s: offset.seconds(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    #[rstest]
    // `date -u -d 2026-03-29T00:59:00Z +%s` = 1774745940 (GNU coreutils 9.1)
    #[case("2026-03-29T01:59:00+01:00", 1_774_745_940_000_000, 3600)]
    #[case("2026-03-29T03:02:11.25+02:00", 1_774_746_131_250_000, 7200)]
    #[case("2026-03-29T00:59:00Z", 1_774_745_940_000_000, 0)]
    #[case("2026-03-28 20:59:00-04:00", 1_774_745_940_000_000, -14400)]
    #[case("2026-03-29T06:29:00+05:30", 1_774_745_940_000_000, 19800)]
    #[case("20260329T005900Z", 1_774_745_940_000_000, 0)] // ISO 8601 basic, the long way
    #[case("2026-03-29T00:59:00+00", 1_774_745_940_000_000, 0)]
    fn a_calendar_time_is_read(#[case] cell: &str, #[case] us: i64, #[case] offset_s: i32) {
        let moment = MomentReader::default().read(cell.as_bytes()).unwrap();
        assert_eq!(
            moment,
            Moment {
                kind: Kind::Calendar,
                ticks: us,
                offset_s
            }
        );
    }

    #[rstest]
    #[case("2026-03-29T01:59:00", NO_OFFSET)]
    #[case("2026-03-29", "a date without a time")]
    #[case("2026-02-30T01:59:00Z", NOT_A_TIME)]
    #[case("2026-03-29T25:59:00Z", NOT_A_TIME)]
    #[case("29.03.2026 01:59", NOT_A_TIME)]
    #[case("", "empty")]
    #[case("nan", "not a finite number")]
    #[case("1e300", "more seconds than any record has")]
    fn what_is_no_moment_is_refused_with_its_reason(#[case] cell: &str, #[case] reason: &str) {
        assert_eq!(MomentReader::default().read(cell.as_bytes()), Err(reason));
    }

    #[test]
    fn seconds_may_have_a_fraction() {
        let moment = MomentReader::default().read(b"12.125").unwrap();
        assert_eq!(moment.ticks, 12_125_000_000);
        assert_eq!(moment.kind, Kind::Seconds);
    }

    proptest! {
        #[test]
        fn the_short_way_agrees_with_jiff(
            us in -62_000_000_000_000_000_i64..250_000_000_000_000_000,
            quarter in -56_i32..=56,
        ) {
            let offset = jiff::tz::Offset::from_seconds(quarter * 900).unwrap();
            let moment = jiff::Timestamp::from_microsecond(us).unwrap();
            let cell = moment.display_with_offset(offset).to_string();
            prop_assume!(!cell.starts_with('-') && cell.len() < 40);
            let short = MomentReader::default().fixed_shape(cell.as_bytes());
            prop_assert_eq!(short, Some(Moment { kind: Kind::Calendar, ticks: us, offset_s: quarter * 900 }));
            prop_assert_eq!(any_shape(cell.as_bytes()).ok(), short);
        }

        #[test]
        fn any_bytes_are_read_or_refused_without_panic(cell in proptest::collection::vec(any::<u8>(), 0..40)) {
            let _ = MomentReader::default().read(&cell);
        }
    }
}
