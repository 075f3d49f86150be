//! Dates and times of day without an offset, in the many ways of writing them.
//!
//! In: a cell and the order of day, month and year. Out: [`Civil`]. The order is never guessed here, and a cell that
//! does not fit it is refused: `04/03/2031` is the 4th of March or the 3rd of April, and nothing in it says which.

use jiff::civil::Date;

/// Order of the parts of a date.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// Year, month, day.
    Ymd,
    /// Day, month, year.
    Dmy,
    /// Month, day, year.
    Mdy,
}

impl Order {
    /// The words of the mapping file.
    pub(super) const WORDS: &'static [(&'static str, Order)] = &[
        ("ymd", Order::Ymd),
        ("dmy", Order::Dmy),
        ("mdy", Order::Mdy),
    ];

    /// The word of the mapping file.
    pub(super) fn word(self) -> &'static str {
        match self {
            Order::Ymd => "ymd",
            Order::Dmy => "dmy",
            Order::Mdy => "mdy",
        }
    }
}

/// What a cell says: a date, a time of day, or both, and an offset where it is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Civil {
    pub(super) date: Option<Date>,
    /// Microseconds since midnight.
    pub(super) of_day_us: Option<i64>,
    pub(super) offset_s: Option<i32>,
}

const NO_DATE: &str = "not a date and time";
const OTHER_ORDER: &str = "not a date in the order given";

const MONTHS: [&[u8]; 12] = [
    b"jan", b"feb", b"mar", b"apr", b"may", b"jun", b"jul", b"aug", b"sep", b"oct", b"nov", b"dec",
];

/// Reads a cell.
pub(super) fn civil(cell: &[u8], order: Order) -> Result<Civil, &'static str> {
    let mut rest = Cursor(cell.trim_ascii());
    if rest.0.is_empty() {
        return Err("empty");
    }
    let mut read = Civil::default();
    if !rest.begins_with_clock() {
        read.date = Some(date(&mut rest, order)?);
        while rest.take_any(b" ,T") {}
        if rest.0.is_empty() {
            return Ok(read);
        }
    }
    read.of_day_us = Some(of_day(&mut rest)?);
    read.offset_s = offset(&mut rest)?;
    if rest.0.is_empty() {
        Ok(read)
    } else {
        Err(NO_DATE)
    }
}

/// What is left of a cell.
struct Cursor<'c>(&'c [u8]);

impl Cursor<'_> {
    /// Up to `most` digits as a number, and how many there were.
    fn digits(&mut self, most: usize) -> Option<(i64, usize)> {
        let n = self
            .0
            .iter()
            .take(most)
            .take_while(|b| b.is_ascii_digit())
            .count();
        let (digits, rest) = self.0.split_at_checked(n)?;
        if digits.is_empty() {
            return None;
        }
        self.0 = rest;
        Some((
            digits.iter().fold(0, |x, d| 10 * x + i64::from(d - b'0')),
            n,
        ))
    }

    fn take_any(&mut self, of: &[u8]) -> bool {
        match self.0.split_first() {
            Some((first, rest)) if of.contains(first) => {
                self.0 = rest;
                true
            }
            _ => false,
        }
    }

    /// A month's name, by its first three letters.
    fn month(&mut self) -> Option<i64> {
        let n = self
            .0
            .iter()
            .take_while(|b| b.is_ascii_alphabetic())
            .count();
        let (word, rest) = self.0.split_at_checked(n)?;
        let three = word.first_chunk::<3>()?.to_ascii_lowercase();
        let month = MONTHS.iter().position(|m| **m == three)?;
        self.0 = rest;
        Some(month as i64 + 1)
    }

    /// `8:…` or `08:…`
    fn begins_with_clock(&self) -> bool {
        matches!(
            self.0,
            [b'0'..=b'9', b':', ..] | [b'0'..=b'9', b'0'..=b'9', b':', ..]
        )
    }
}

fn date(rest: &mut Cursor, order: Order) -> Result<Date, &'static str> {
    let (first, width) = rest.digits(8).ok_or(NO_DATE)?;
    if width == 8 {
        // 20310304: the year can only stand in front.
        return match order {
            Order::Ymd => day(first / 10_000, first / 100 % 100, first % 100),
            Order::Dmy | Order::Mdy => Err(OTHER_ORDER),
        };
    }
    if !rest.take_any(b"-/. ") {
        return Err(NO_DATE);
    }
    if let Some(month) = rest.month() {
        // 4-Mar-2031: the name says which part is the month.
        if !rest.take_any(b"-/. ,") {
            return Err(NO_DATE);
        }
        while rest.take_any(b" ") {}
        let (last, last_width) = rest.digits(4).ok_or(NO_DATE)?;
        return match (width, last_width) {
            (4, 1 | 2) => day(first, month, last),
            (1 | 2, 2 | 4) if order == Order::Dmy => day(year(last, last_width), month, first),
            _ => Err(OTHER_ORDER),
        };
    }
    let (second, second_width) = rest.digits(2).ok_or(NO_DATE)?;
    if !rest.take_any(b"-/. ") || 2 < second_width {
        return Err(NO_DATE);
    }
    let (third, third_width) = rest.digits(4).ok_or(NO_DATE)?;
    match (order, width, third_width) {
        (Order::Ymd, 4 | 2, 1 | 2) => day(year(first, width), second, third),
        (Order::Dmy, 1 | 2, 2 | 4) => day(year(third, third_width), second, first),
        (Order::Mdy, 1 | 2, 2 | 4) => day(year(third, third_width), first, second),
        _ => Err(OTHER_ORDER),
    }
}

/// Years of two digits are this century's: no pump's log is older.
fn year(digits: i64, width: usize) -> i64 {
    if width == 2 { 2000 + digits } else { digits }
}

fn day(year: i64, month: i64, day: i64) -> Result<Date, &'static str> {
    let part = |x: i64| i8::try_from(x).map_err(|_| OTHER_ORDER);
    let year = i16::try_from(year).map_err(|_| OTHER_ORDER)?;
    Date::new(year, part(month)?, part(day)?).map_err(|_| OTHER_ORDER)
}

fn of_day(rest: &mut Cursor) -> Result<i64, &'static str> {
    let two = |rest: &mut Cursor| rest.digits(2).map(|(x, _)| x).ok_or(NO_DATE);
    let mut hour = two(rest)?;
    if !rest.take_any(b":") {
        return Err(NO_DATE);
    }
    let minute = two(rest)?;
    let second = if rest.take_any(b":") { two(rest)? } else { 0 };
    let mut us = 0;
    if rest.take_any(b".,") {
        let (fraction, width) = rest.digits(6).ok_or(NO_DATE)?;
        us = fraction * 10_i64.pow(6 - width as u32);
        while rest.take_any(b"0123456789") {} // beyond the microsecond
    }
    let before = rest.0;
    while rest.take_any(b" ") {}
    let half = rest.0.first_chunk::<2>().map(|h| h.to_ascii_lowercase());
    match half.as_ref().map(|h| &h[..]) {
        Some(half @ (b"am" | b"pm")) => {
            if !(1..=12).contains(&hour) {
                return Err(NO_DATE);
            }
            // 12:05 AM is five past midnight.
            hour = hour % 12 + if half == b"pm" { 12 } else { 0 };
            rest.0 = rest.0.get(2..).unwrap_or_default();
        }
        _ => rest.0 = before,
    }
    if 23 < hour || 59 < minute || 59 < second {
        return Err(NO_DATE);
    }
    Ok(((hour * 60 + minute) * 60 + second) * 1_000_000 + us)
}

/// `Z`, `UTC`, `+01:00`, `+0100` or nothing.
fn offset(rest: &mut Cursor) -> Result<Option<i32>, &'static str> {
    while rest.take_any(b" ") {}
    match rest.0 {
        [] => return Ok(None),
        [b'Z' | b'z'] | [b'U', b'T', b'C'] | [b'G', b'M', b'T'] => {
            rest.0 = &[];
            return Ok(Some(0));
        }
        _ => {}
    }
    let west = rest.0.first() == Some(&b'-');
    if !rest.take_any(b"+-") {
        return Err(NO_DATE);
    }
    let (hours, width) = rest.digits(2).ok_or(NO_DATE)?;
    rest.take_any(b":");
    let minutes = rest.digits(2).map_or(0, |(m, _)| m);
    if width != 2 || 14 < hours || 59 < minutes {
        return Err(NO_DATE);
    }
    let east = (hours * 3600 + minutes * 60) as i32;
    Ok(Some(if west { -east } else { east }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    #[rstest]
    #[case("2031-03-04 08:05:10", Order::Ymd)]
    #[case("2031/3/4 8:05:10", Order::Ymd)]
    #[case("20310304T08:05:10", Order::Ymd)]
    #[case("04.03.2031 08:05:10", Order::Dmy)]
    #[case("4/3/2031, 8:05:10 AM", Order::Dmy)]
    #[case("04-03-31 08:05:10", Order::Dmy)]
    #[case("4-Mar-2031 08:05:10", Order::Dmy)]
    #[case("4 March 2031 08:05:10", Order::Dmy)]
    #[case("03/04/2031 08:05:10", Order::Mdy)]
    #[case("3/4/31 08:05:10am", Order::Mdy)]
    fn one_moment_in_many_dresses_is_one_moment(#[case] cell: &str, #[case] order: Order) {
        let read = civil(cell.as_bytes(), order).unwrap();
        assert_eq!(read.date, Date::new(2031, 3, 4).ok());
        assert_eq!(read.of_day_us, Some(((8 * 60 + 5) * 60 + 10) * 1_000_000));
        assert_eq!(read.offset_s, None);
    }

    #[rstest]
    #[case("12:05 AM", 5 * 60 * 1_000_000)]
    #[case("12:05 PM", (12 * 60 + 5) * 60 * 1_000_000)]
    #[case("11:59:59.5 pm", 86_399_500_000)]
    #[case("00:00:00,25", 250_000)]
    #[case("7:00", 7 * 3_600_000_000)]
    fn a_time_of_day_may_stand_alone(#[case] cell: &str, #[case] us: i64) {
        let read = civil(cell.as_bytes(), Order::Dmy).unwrap();
        assert_eq!((read.date, read.of_day_us), (None, Some(us)));
    }

    #[rstest]
    #[case("04.03.2031 08:00 +01:00", Some(3600))]
    #[case("04.03.2031 08:00+0530", Some(19_800))]
    #[case("04.03.2031 08:00Z", Some(0))]
    #[case("04.03.2031 08:00 UTC", Some(0))]
    fn an_offset_is_read_where_it_is_written(#[case] cell: &str, #[case] offset_s: Option<i32>) {
        assert_eq!(
            civil(cell.as_bytes(), Order::Dmy).unwrap().offset_s,
            offset_s
        );
    }

    #[rstest]
    #[case("31.12.2031", Order::Mdy, OTHER_ORDER)]
    #[case("2031-03-04", Order::Dmy, OTHER_ORDER)]
    #[case("04.03.2031", Order::Ymd, OTHER_ORDER)]
    #[case("31.02.2031", Order::Dmy, OTHER_ORDER)]
    #[case("04.03.2031 25:00", Order::Dmy, NO_DATE)]
    #[case("04.03.2031 13:00 PM", Order::Dmy, NO_DATE)]
    #[case("04.03.2031 08:00 sharp", Order::Dmy, NO_DATE)]
    #[case("yesterday", Order::Dmy, NO_DATE)]
    #[case("", Order::Dmy, "empty")]
    fn what_does_not_fit_is_refused(
        #[case] cell: &str,
        #[case] order: Order,
        #[case] reason: &str,
    ) {
        assert_eq!(civil(cell.as_bytes(), order), Err(reason));
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_or_refused_without_panic(cell in proptest::collection::vec(any::<u8>(), 0..40)) {
            for (_, order) in Order::WORDS {
                let _ = civil(&cell, *order);
            }
        }
    }
}
