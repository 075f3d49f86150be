//! Dates and times of day without an offset, in the many ways of writing them.
//!
//! In: a cell and the order of day, month and year. Out: [`Civil`]. The order is never guessed here, and a cell that
//! does not fit it is refused: `04/03/2031` is the 4th of March or the 3rd of April, and nothing in it says which.
//! Months and weekdays may be named in several languages ([`super::calendar_words`]).

use super::calendar_words::{is_weekday, month, offset_of};
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

/// Reads a cell.
pub(super) fn civil(cell: &[u8], order: Order) -> Result<Civil, &'static str> {
    let cell = cell.trim_ascii();
    if cell.is_empty() {
        return Err("empty");
    }
    if cell.first().is_some_and(u8::is_ascii_digit) && !cell.contains(&YEAR_SIGN[0]) {
        return from_digits(Cursor(cell), order);
    }
    let Ok(text) = std::str::from_utf8(cell) else {
        return Err(NO_DATE);
    };
    if text.contains(YEAR_CHARACTER) {
        let plain = text.replace([YEAR_CHARACTER, '月'], "-").replace('日', " ");
        return from_digits(Cursor(plain.as_bytes()), order);
    }
    from_words(Cursor(cell), order)
}

/// The signs of year, month and day in Chinese and Japanese: `2031年03月04日`.
const YEAR_CHARACTER: char = '年';
const YEAR_SIGN: &[u8] = "年".as_bytes();

/// A cell that begins with a digit.
fn from_digits(mut rest: Cursor, order: Order) -> Result<Civil, &'static str> {
    let mut read = Civil::default();
    if rest.begins_with_clock() {
        read.of_day_us = Some(of_day(&mut rest)?);
        let before = rest.0;
        while rest.take_any(b" ,") {}
        if rest.0.first().is_some_and(u8::is_ascii_digit) {
            // 08:00:00 04.03.2031
            read.date = Some(date(&mut rest, order)?);
            return rest.0.is_empty().then_some(read).ok_or(NO_DATE);
        }
        rest.0 = before;
        read.offset_s = offset(&mut rest)?;
        return rest.0.is_empty().then_some(read).ok_or(NO_DATE);
    }
    let whole = rest.0;
    match date(&mut rest, order) {
        Ok(date) => read.date = Some(date),
        Err(reason) => return clock_alone(Cursor(whole)).ok_or(reason),
    }
    with_clock(rest, read)
}

/// A time of day that is known as one only because it is no date: `22.00.00`, `220000`.
fn clock_alone(mut rest: Cursor) -> Option<Civil> {
    let is_one = match rest.0 {
        [_, b'.', ..] | [_, _, b'.', ..] => rest.0.iter().filter(|b| **b == b'.').count() == 2,
        digits => digits.len() == 6 && digits.iter().all(u8::is_ascii_digit),
    };
    let of_day_us = is_one.then(|| of_day(&mut rest).ok())??;
    rest.0.is_empty().then_some(Civil {
        of_day_us: Some(of_day_us),
        ..Civil::default()
    })
}

/// What follows a date: nothing, or a time of day and perhaps an offset.
fn with_clock(mut rest: Cursor, mut read: Civil) -> Result<Civil, &'static str> {
    while rest.take_any(b" ,T") {}
    if rest.0.is_empty() {
        return Ok(read);
    }
    if let [b'-' | b':' | b'_', b'0'..=b'9', ..] = rest.0 {
        rest.take_any(b"-:_"); // 2031-03-04-08.00.00, 04/Mar/2031:08:00:00
    }
    read.of_day_us = Some(of_day(&mut rest)?);
    read.offset_s = offset(&mut rest)?;
    rest.0.is_empty().then_some(read).ok_or(NO_DATE)
}

/// A cell that begins with a word: a weekday, or a month before its day.
fn from_words(mut rest: Cursor, order: Order) -> Result<Civil, &'static str> {
    let word = rest.word().ok_or(NO_DATE)?;
    while rest.take_any(b" ,.") {}
    let named = month(word);
    let after = rest.0;
    let leads_to_date = {
        // `mar 04.03.2031` and `mar 4 mars 2031`: a weekday, although March is called so as well.
        let mut ahead = Cursor(after);
        ahead.digits(4);
        let numeric = ahead.take_any(b"-/.") && ahead.digits(2).is_some();
        let mut ahead = Cursor(after);
        ahead.digits(2);
        while ahead.take_any(b" .") {}
        numeric || ahead.word().is_some_and(|w| month(w).is_some())
    };
    if is_weekday(word) && (named.is_none() || leads_to_date) {
        return match rest.0.first() {
            Some(b'0'..=b'9') => from_digits(rest, order),
            Some(_) => from_words(rest, order),
            None => Err(NO_DATE),
        };
    }
    let month = named.ok_or(NO_DATE)?;
    if order != Order::Mdy {
        return Err(OTHER_ORDER);
    }
    let (first, _) = rest.digits(2).ok_or(NO_DATE)?;
    while rest.take_any(b" ,.") {}
    if rest.begins_with_clock() {
        // Tue Mar  4 08:00:00 2031
        let of_day_us = of_day(&mut rest)?;
        while rest.take_any(b" ") {}
        let (last, width) = rest.digits(4).ok_or(NO_DATE)?;
        let whole = width == 4 && rest.0.is_empty();
        return whole.then_some(()).ok_or(NO_DATE).and_then(|()| {
            Ok(Civil {
                date: Some(day(last, month, first)?),
                of_day_us: Some(of_day_us),
                offset_s: None,
            })
        });
    }
    let (last, width) = rest.digits(4).ok_or(NO_DATE)?;
    let date = Some(day(year(last, width), month, first)?);
    with_clock(
        rest,
        Civil {
            date,
            ..Civil::default()
        },
    )
}

/// What is left of a cell.
struct Cursor<'c>(&'c [u8]);

impl<'c> Cursor<'c> {
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

    /// A word of letters, in any script.
    fn word(&mut self) -> Option<&'c str> {
        let text = std::str::from_utf8(self.0).ok()?;
        let end = text
            .find(|c: char| !c.is_alphabetic())
            .unwrap_or(text.len());
        let (word, rest) = text.split_at_checked(end)?;
        if word.is_empty() {
            return None;
        }
        self.0 = rest.as_bytes();
        Some(word)
    }

    /// A month's name.
    fn month(&mut self) -> Option<i64> {
        let before = self.0;
        let found = self.word().and_then(month);
        if found.is_none() {
            self.0 = before;
        }
        found
    }

    /// `8:…`, `08:…`, `8h…`
    fn begins_with_clock(&self) -> bool {
        matches!(
            self.0,
            [b'0'..=b'9', b':' | b'h' | b'H', ..]
                | [b'0'..=b'9', b'0'..=b'9', b':' | b'h' | b'H', ..]
        )
    }
}

fn date(rest: &mut Cursor, order: Order) -> Result<Date, &'static str> {
    let run = rest.0.iter().take_while(|b| b.is_ascii_digit()).count();
    if matches!(run, 8 | 12 | 14) {
        // 20310304, 20310304080000: the year can only stand in front.
        let (whole, _) = rest.digits(8).ok_or(NO_DATE)?;
        return match order {
            Order::Ymd => day(whole / 10_000, whole / 100 % 100, whole % 100),
            Order::Dmy | Order::Mdy => Err(OTHER_ORDER),
        };
    }
    let (first, width) = rest.digits(4).ok_or(NO_DATE)?;
    if !rest.take_any(b"-/. ") {
        return Err(NO_DATE);
    }
    while rest.take_any(b" ") {}
    let before = rest.0;
    if rest.word() == Some("de") {
        while rest.take_any(b" ") {} // 4 de marzo de 2031
    } else {
        rest.0 = before;
    }
    if let Some(month) = rest.month() {
        return date_with_name(rest, order, (first, width), month);
    }
    let ordinal = rest.0.iter().take_while(|b| b.is_ascii_digit()).count() == 3;
    if ordinal && width == 4 {
        // 2031-063: the day of the year.
        let (of_year, _) = rest.digits(3).ok_or(NO_DATE)?;
        return match order {
            Order::Ymd => day_of_year(first, of_year),
            Order::Dmy | Order::Mdy => Err(OTHER_ORDER),
        };
    }
    let (second, second_width) = rest.digits(2).ok_or(NO_DATE)?;
    if !rest.take_any(b"-/. ") || 2 < second_width {
        return Err(NO_DATE);
    }
    while rest.take_any(b" ") {}
    let (third, third_width) = rest.digits(4).ok_or(NO_DATE)?;
    match (order, width, third_width) {
        (Order::Ymd, 4 | 2, 1 | 2) => day(year(first, width), second, third),
        (Order::Dmy, 1 | 2, 2 | 4) => day(year(third, third_width), second, first),
        (Order::Mdy, 1 | 2, 2 | 4) => day(year(third, third_width), first, second),
        _ => Err(OTHER_ORDER),
    }
}

/// 4-Mar-2031, 4 de marzo de 2031: the name says which part is the month.
fn date_with_name(
    rest: &mut Cursor,
    order: Order,
    (first, width): (i64, usize),
    month: i64,
) -> Result<Date, &'static str> {
    if !rest.take_any(b"-/. ,") {
        return Err(NO_DATE);
    }
    while rest.take_any(b" .") {}
    let before = rest.0;
    if rest.word() == Some("de") {
        while rest.take_any(b" ") {}
    } else {
        rest.0 = before;
    }
    let (last, last_width) = rest.digits(4).ok_or(NO_DATE)?;
    match (width, last_width) {
        (4, 1 | 2) => day(first, month, last),
        (1 | 2, 2 | 4) if order == Order::Dmy => day(year(last, last_width), month, first),
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

fn day_of_year(year: i64, of_year: i64) -> Result<Date, &'static str> {
    let first = day(year, 1, 1)?;
    let of_year = i16::try_from(of_year).map_err(|_| OTHER_ORDER)?;
    let date = first.with().day_of_year(of_year).build();
    date.map_err(|_| OTHER_ORDER)
}

fn of_day(rest: &mut Cursor) -> Result<i64, &'static str> {
    let two = |rest: &mut Cursor| rest.digits(2).map(|(x, _)| x).ok_or(NO_DATE);
    let run = rest.0.iter().take_while(|b| b.is_ascii_digit()).count();
    let mut hour = two(rest)?;
    let (minute, second) = if matches!(run, 4 | 6) {
        let minute = two(rest)?;
        (minute, if run == 6 { two(rest)? } else { 0 })
    } else {
        let mark = *rest.0.first().ok_or(NO_DATE)?;
        if !rest.take_any(b":.hH") {
            return Err(NO_DATE);
        }
        let minute = two(rest)?;
        let again: &[u8] = match mark {
            b'.' => b".",
            b':' => b":",
            _ => b"m:",
        };
        let goes_on = rest.0.get(1).is_some_and(u8::is_ascii_digit) && rest.take_any(again);
        (minute, if goes_on { two(rest)? } else { 0 })
    };
    let mut us = 0;
    if rest.take_any(b".,") {
        let (fraction, width) = rest.digits(6).ok_or(NO_DATE)?;
        us = fraction * 10_i64.pow(6 - width as u32);
        while rest.take_any(b"0123456789") {} // beyond the microsecond
    }
    if let Some(afternoon) = half(rest) {
        if !(1..=12).contains(&hour) {
            return Err(NO_DATE);
        }
        // 12:05 AM is five past midnight.
        hour = hour % 12 + if afternoon { 12 } else { 0 };
    }
    if 23 < hour || 59 < minute || 59 < second {
        return Err(NO_DATE);
    }
    Ok(((hour * 60 + minute) * 60 + second) * 1_000_000 + us)
}

/// Which half of the day is written behind a time, if one is; `Uhr` and `h` behind it say nothing and are passed over.
fn half(rest: &mut Cursor) -> Option<bool> {
    let n = rest
        .0
        .iter()
        .take_while(|b| b.is_ascii_alphabetic() || matches!(b, b'.' | b' '))
        .count();
    if n == 0 {
        return None;
    }
    let (said, after) = rest.0.split_at_checked(n)?;
    let letters = said.iter().filter(|b| b.is_ascii_alphabetic());
    let letters: Vec<u8> = letters.map(u8::to_ascii_lowercase).collect();
    let afternoon = match letters.as_slice() {
        b"am" | b"vorm" => Some(false),
        b"pm" | b"nachm" => Some(true),
        b"uhr" | b"h" | b"hrs" => None,
        _ => return None,
    };
    rest.0 = after;
    afternoon
}

/// `Z`, `UTC`, `CET`, `+01:00`, `+0100` or nothing. Of a zone's short name that means several offsets nothing is known.
fn offset(rest: &mut Cursor) -> Result<Option<i32>, &'static str> {
    while rest.take_any(b" ") {}
    if rest.0.is_empty() {
        return Ok(None);
    }
    if let Some(known) = offset_of(rest.0) {
        rest.0 = &[];
        return Ok(Some(known));
    }
    if (3..=5).contains(&rest.0.len()) && rest.0.iter().all(u8::is_ascii_uppercase) {
        rest.0 = &[];
        return Ok(None);
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
    #[case("Di 04.03.2031 08:05:10", Order::Dmy)]
    #[case("mar. 4 mars 2031 08:05:10", Order::Dmy)]
    #[case("4. M\u{e4}rz 2031 08:05:10 Uhr", Order::Dmy)]
    #[case("4 de marzo de 2031 08:05:10 a. m.", Order::Dmy)]
    #[case("04 mar 2031 08.05.10", Order::Dmy)]
    #[case("04/Mar/2031:08:05:10", Order::Dmy)]
    #[case("Tue Mar  4 08:05:10 2031", Order::Mdy)]
    #[case("Tuesday, March 4, 2031 08:05:10 AM", Order::Mdy)]
    #[case("2031-03-04-08.05.10.000000", Order::Ymd)]
    #[case("20310304080510", Order::Ymd)]
    #[case("20310304-080510", Order::Ymd)]
    #[case("2031-063T08:05:10", Order::Ymd)] // `date -d 2031-03-04 +%j` = 063 (GNU coreutils 9.1)
    #[case("2031年03月04日 08:05:10", Order::Ymd)]
    #[case("08:05:10 04.03.2031", Order::Dmy)]
    #[case("04/03/2031 08h05m10", Order::Dmy)]
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
    #[case("22.00.00", 22 * 3_600_000_000)]
    #[case("220000", 22 * 3_600_000_000)]
    fn a_time_of_day_may_stand_alone(#[case] cell: &str, #[case] us: i64) {
        let read = civil(cell.as_bytes(), Order::Dmy).unwrap();
        assert_eq!((read.date, read.of_day_us), (None, Some(us)));
    }

    #[rstest]
    #[case("04.03.2031 08:00 +01:00", Some(3600))]
    #[case("04.03.2031 08:00+0530", Some(19_800))]
    #[case("04.03.2031 08:00Z", Some(0))]
    #[case("04.03.2031 08:00 UTC", Some(0))]
    #[case("04.03.2031 08:00 CET", Some(3600))]
    #[case("04.03.2031 08:00 MESZ", Some(7200))]
    #[case("04.03.2031 08:00 EST", None)] // in America, in Australia
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
