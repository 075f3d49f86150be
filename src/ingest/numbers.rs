//! Numbers as exports write them: decimal comma, thousands marks, dashes and comparators in the place of a figure.
//!
//! In: a cell. Out: the number, none with the reason, or a refusal. A cell that does not fit the file's decimal sign
//! is refused, never read in the other way: `1,234` is one and a bit or a thousand and more.

use super::unit::Unit;

/// How a file writes numbers.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Numbers {
    /// The decimal sign, `.` or `,`.
    pub(super) decimal: u8,
    /// The mark between thousands, where the file has one.
    pub(super) thousands: Option<char>,
    /// Words that stand where nothing was measured.
    pub(super) missing: Vec<String>,
    /// Numbers that stand where nothing was measured, such as 9999.
    pub(super) no_values: Vec<f64>,
}

/// Words that stand for "not measured" in exports of all kinds (common practice, no source).
pub(super) const USUAL_MISSING: &[&str] = &[
    "-", "--", "---", "----", "–", "—", "n/a", "N/A", "NA", "NaN", "nan", "null", "NULL", "OFF",
    "off", "*", "**", "***", "#N/A",
];

/// What a cell says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Figure {
    /// A number.
    Is(f64),
    /// The cell is empty.
    Empty,
    /// The cell has a word or a comparator in the place of a number.
    Missing,
}

/// Reads a cell that is a value: a point, no marks.
pub(super) fn as_value(cell: &[u8]) -> Result<f64, &'static str> {
    match fast_float2::parse::<f64, _>(cell) {
        Ok(value) if value.is_finite() => Ok(value),
        Ok(_) => Err("not a finite number"),
        Err(_) => Err("not a number"),
    }
}

impl Numbers {
    /// As the contract has it: a point, no marks, no words.
    pub(super) fn contract() -> Self {
        Self {
            decimal: b'.',
            thousands: None,
            missing: Vec::new(),
            no_values: Vec::new(),
        }
    }

    /// Numbers as an export has them; what is missing may be said by words or by numbers.
    pub(super) fn mapped(decimal: u8, thousands: Option<char>, missing: Vec<String>) -> Self {
        let no_values = missing.iter().filter_map(|word| word.parse().ok());
        let no_values = no_values.filter(|x: &f64| x.is_finite()).collect();
        Self {
            decimal,
            thousands,
            missing,
            no_values,
        }
    }

    /// A number that was read, or none where it stands for "not measured".
    pub(super) fn measured(&self, value: f64) -> Figure {
        match self.no_values.contains(&value) {
            true => Figure::Missing,
            false => Figure::Is(value),
        }
    }

    /// Whether cells need no more than the contract's reading.
    fn is_contract(&self) -> bool {
        self.decimal == b'.' && self.thousands.is_none() && self.missing.is_empty()
    }

    /// Reads a cell. Infinite numbers and NaN are refused.
    pub(super) fn figure(&self, cell: &[u8]) -> Result<Figure, &'static str> {
        if cell.is_empty() {
            return Ok(Figure::Empty);
        }
        if self.is_contract() {
            return self.plain(cell).map(Figure::Is);
        }
        let text = std::str::from_utf8(cell)
            .map_err(|_| "not a number")?
            .trim();
        if self.missing.iter().any(|word| word == text) || text.starts_with(['<', '>', '≤', '≥'])
        {
            return Ok(Figure::Missing);
        }
        self.plain(text.as_bytes()).map(|x| self.measured(x))
    }

    /// Reads a number that bears signs of the program that wrote it: `29 mmHg`, `(11)`, `11-`, `="29"`, `'29`. Gives back
    /// the unit where one is written.
    pub(super) fn odd(&self, cell: &[u8]) -> Option<(f64, Option<Unit>)> {
        let text = std::str::from_utf8(cell).ok()?.trim();
        let text = match text.strip_prefix("=\"").and_then(|t| t.strip_suffix('"')) {
            Some(inner) => inner,
            None => text.strip_prefix('\'').unwrap_or(text),
        };
        let end = text.rfind(|c: char| c.is_ascii_digit() || c == ')')? + 1;
        let (mut number, mut rest) = text.split_at_checked(end)?;
        // The digits of a unit, as in cmH2O, belong to it.
        if let Some(at) = number.find(|c: char| c.is_alphabetic() && !matches!(c, 'e' | 'E')) {
            (number, rest) = text.split_at_checked(at)?;
        }
        let number = number.trim();
        let (number, negative) = match number.strip_prefix('(').and_then(|n| n.strip_suffix(')')) {
            Some(inner) => (inner, true),
            None => match rest.trim() {
                "-" => {
                    rest = "";
                    (number, true)
                }
                _ => (number, false),
            },
        };
        let unit = match rest.trim() {
            "" => None,
            unit => Some(Unit::find(unit)?),
        };
        let number = number.strip_prefix('+').unwrap_or(number);
        let value = self.plain(number.as_bytes()).ok()?;
        Some((if negative { -value } else { value }, unit))
    }

    /// Reads a cell that must hold a number.
    pub(super) fn plain(&self, cell: &[u8]) -> Result<f64, &'static str> {
        if self.decimal == b'.' && self.thousands.is_none() && cell.is_ascii() {
            return as_value(cell);
        }
        let mut buffer = [0; 64];
        let n = self.undress(cell, &mut buffer).ok_or("not a number")?;
        as_value(buffer.get(..n).unwrap_or_default())
    }

    /// Writes the number with a point and without marks; `None` where the marks are out of place.
    fn undress(&self, cell: &[u8], into: &mut [u8; 64]) -> Option<usize> {
        let text = std::str::from_utf8(cell).ok()?;
        let mut n = 0;
        let mut since_mark = None; // digits since the last thousands mark
        let mut leading = 0; // digits before the first one
        let mut whole = true; // before decimal sign and exponent
        for c in text.chars() {
            let put = if u32::from(c) == u32::from(self.decimal) {
                if !whole || since_mark.is_some_and(|d| d != 3) {
                    return None;
                }
                whole = false;
                b'.'
            } else if self.thousands.is_some_and(|mark| same_mark(mark, c)) {
                if !whole || since_mark.map_or(leading == 0 || 3 < leading, |d| d != 3) {
                    return None;
                }
                since_mark = Some(0);
                continue;
            } else {
                match c {
                    '0'..='9' => {
                        if whole {
                            match &mut since_mark {
                                Some(digits) => *digits += 1,
                                None => leading += 1,
                            }
                        }
                        c as u8
                    }
                    'e' | 'E' => {
                        if whole && since_mark.is_some_and(|d| d != 3) {
                            return None;
                        }
                        whole = false;
                        b'e'
                    }
                    '+' => b'+',
                    '-' | '\u{2212}' => b'-',
                    _ => return None,
                }
            };
            *into.get_mut(n)? = put;
            n += 1;
        }
        if whole && since_mark.is_some_and(|d| d != 3) {
            return None;
        }
        Some(n)
    }
}

/// Blanks between thousands are written in several ways.
fn same_mark(mark: char, c: char) -> bool {
    let blank = |c: char| matches!(c, ' ' | '\u{a0}' | '\u{202f}' | '\u{2009}');
    mark == c || (blank(mark) && blank(c)) || (mark == '\'' && c == '\u{2019}')
}

/// Seconds of a length of time in minutes and seconds: `75:30` is an hour and a quarter and half a minute.
pub(super) fn minutes_s(cell: &[u8]) -> Option<f64> {
    let text = std::str::from_utf8(cell).ok()?;
    match text.matches(':').count() {
        1 => {
            let (minutes, seconds) = text.split_once(':')?;
            let minutes: u32 = minutes.parse().ok()?;
            let seconds = lapse_s(format!("0:0:{seconds}").as_bytes())?;
            Some(f64::from(minutes) * 60.0 + seconds)
        }
        _ => lapse_s(cell),
    }
}

/// Seconds of a length of time: in hours, minutes and, if there, seconds (`0:00:10`, `26:00:30.5`, `8:30`), with days before
/// them (`1d 02:10`), or by ISO 8601 (`P1DT2H10M`).
pub(super) fn lapse_s(cell: &[u8]) -> Option<f64> {
    let text = std::str::from_utf8(cell).ok()?;
    if text.starts_with(['P', 'p']) {
        let span: jiff::Span = text.parse().ok()?;
        // A day of a length of time has 24 hours.
        let day = jiff::SpanRelativeTo::days_are_24_hours();
        return span.total((jiff::Unit::Second, day)).ok();
    }
    if let Some((days, clock)) = text.split_once('d') {
        let days: f64 = days.trim().parse().ok()?;
        let clock = clock.trim().trim_start_matches(',').trim();
        return Some(days * 86_400.0 + lapse_s(clock.as_bytes())?);
    }
    let mut parts = text.split(':');
    let (hours, minutes, seconds) = (parts.next()?, parts.next()?, parts.next().unwrap_or("0"));
    let digits = |part: &str, most: usize| {
        let is_one = (1..=most).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_digit());
        is_one.then(|| part.parse::<f64>().ok())?
    };
    let (whole, share) = match seconds.split_once(['.', ',']) {
        Some((whole, share)) => (whole, digits(share, 9).map(|_| share)?),
        None => (seconds, "0"),
    };
    let (hours, minutes) = (digits(hours, 6)?, digits(minutes, 2)?);
    let whole = digits(whole, 2)?;
    let share: f64 = format!("0.{share}").parse().ok()?;
    let sound = parts.next().is_none() && minutes < 60.0 && whole < 60.0;
    sound.then_some(hours * 3600.0 + minutes * 60.0 + whole + share)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    fn numbers(decimal: char, thousands: Option<char>) -> Numbers {
        Numbers::mapped(decimal as u8, thousands, vec!["---".into(), "9999".into()])
    }

    #[rstest]
    #[case("12.5", Ok(Figure::Is(12.5)))]
    #[case("", Ok(Figure::Empty))]
    #[case("-3", Ok(Figure::Is(-3.0)))]
    #[case("1e2", Ok(Figure::Is(100.0)))]
    #[case("12,5", Err("not a number"))]
    #[case("12 mmHg", Err("not a number"))]
    #[case("---", Err("not a number"))]
    #[case("NaN", Err("not a finite number"))]
    #[case("-inf", Err("not a finite number"))]
    #[case("1e999", Err("not a finite number"))]
    fn in_the_contracts_dress_a_cell_is_a_number_empty_or_refused(
        #[case] cell: &str,
        #[case] expected: Result<Figure, &'static str>,
    ) {
        assert_eq!(Numbers::contract().figure(cell.as_bytes()), expected);
    }

    #[rstest]
    #[case("12,5", Some('.'), 12.5)]
    #[case("1.234,5", Some('.'), 1234.5)]
    #[case("1.234.567", Some('.'), 1_234_567.0)]
    #[case("-0,25", None, -0.25)]
    #[case("\u{2212}3,5", None, -3.5)]
    #[case("1 234,5", Some(' '), 1234.5)]
    #[case("1\u{a0}234,5", Some(' '), 1234.5)]
    #[case("1\u{202f}234,5", Some('\u{a0}'), 1234.5)]
    #[case("1'234,5", Some('\''), 1234.5)]
    #[case("1,5E2", None, 150.0)]
    fn a_number_with_a_decimal_comma_is_read(
        #[case] cell: &str,
        #[case] mark: Option<char>,
        #[case] value: f64,
    ) {
        assert_eq!(
            numbers(',', mark).figure(cell.as_bytes()),
            Ok(Figure::Is(value))
        );
    }

    #[rstest]
    #[case("12.5", ',', None)]
    #[case("12,5", '.', None)]
    #[case("1.23,5", ',', Some('.'))]
    #[case("12.34", ',', Some('.'))]
    #[case(".123", ',', Some('.'))]
    #[case("1234.567", ',', Some('.'))]
    #[case("1,2,3", ',', None)]
    #[case("5 mmHg", '.', None)]
    fn a_number_in_another_dress_is_refused_not_misread(
        #[case] cell: &str,
        #[case] decimal: char,
        #[case] mark: Option<char>,
    ) {
        assert_eq!(
            numbers(decimal, mark).figure(cell.as_bytes()),
            Err("not a number")
        );
    }

    #[rstest]
    #[case("---")]
    #[case("<5")]
    #[case("> 999")]
    #[case("≥ 1000")]
    fn dashes_and_comparators_are_missing_never_a_number(#[case] cell: &str) {
        assert_eq!(
            numbers('.', None).figure(cell.as_bytes()),
            Ok(Figure::Missing)
        );
    }

    #[rstest]
    #[case("29 mmHg", 29.0, Some("mm[Hg]"))]
    #[case("4,2ml/h", 4.2, Some("mL/h"))]
    #[case("40 cmH2O", 40.0, Some("cm[H2O]"))]
    #[case("(11)", -11.0, None)]
    #[case("11-", -11.0, None)]
    #[case("=\"29\"", 29.0, None)]
    #[case("'29", 29.0, None)]
    #[case("+29", 29.0, None)]
    fn the_signs_of_other_programs_are_taken_off(
        #[case] cell: &str,
        #[case] value: f64,
        #[case] unit: Option<&str>,
    ) {
        let (read, of) = numbers(',', None).odd(cell.as_bytes()).unwrap();
        assert_eq!((read, of.map(|u| u.code)), (value, unit));
        assert_eq!(numbers(',', None).odd(b"29 apples"), None);
        assert_eq!(numbers(',', None).odd(b"STOP"), None);
    }

    #[test]
    fn a_number_may_stand_for_nothing_measured() {
        let numbers = numbers('.', None);
        assert_eq!(numbers.figure(b"9999"), Ok(Figure::Missing));
        assert_eq!(numbers.figure(b"9999.0"), Ok(Figure::Missing));
        assert_eq!(numbers.figure(b"999"), Ok(Figure::Is(999.0)));
    }

    proptest! {
        #[test]
        fn a_number_is_the_same_in_every_dress(whole in 0_u64..10_000_000_000, thousandths in 0_u64..1000, minus: bool) {
            let sign = if minus { "-" } else { "" };
            let expected: f64 = format!("{sign}{whole}.{thousandths:03}").parse().unwrap();
            let digits = whole.to_string();
            for mark in ['.', ' ', '\''] {
                let mut marked = String::new();
                for (i, c) in digits.chars().enumerate() {
                    if 0 < i && (digits.len() - i) % 3 == 0 {
                        marked.push(mark);
                    }
                    marked.push(c);
                }
                let cell = format!("{sign}{marked},{thousandths:03}");
                prop_assert_eq!(numbers(',', Some(mark)).figure(cell.as_bytes()), Ok(Figure::Is(expected)));
            }
        }

        #[test]
        fn any_bytes_are_read_or_refused_without_panic(cell in proptest::collection::vec(any::<u8>(), 0..80)) {
            let _ = numbers(',', Some('.')).figure(&cell);
            let _ = numbers(',', Some('.')).odd(&cell);
            let _ = (lapse_s(&cell), minutes_s(&cell));
            let _ = Numbers::contract().figure(&cell);
        }
    }

    #[rstest]
    #[case("0:00:10", Some(10.0))]
    #[case("08:30", Some(30_600.0))]
    #[case("26:00:30.5", Some(93_630.5))]
    #[case("100:00:00,25", Some(360_000.25))]
    #[case("8:60:00", None)]
    #[case("8:00:00 AM", None)]
    #[case("2031-03-04 08:00:00", None)]
    #[case("1:2:3:4", None)]
    #[case("12", None)]
    #[case(":", None)]
    #[case("1d 02:10", Some(94_200.0))]
    #[case("P1DT2H10M", Some(94_200.0))]
    #[case("PT0S", Some(0.0))]
    fn a_length_of_time_in_hours_minutes_and_seconds_is_read(
        #[case] text: &str,
        #[case] expected: Option<f64>,
    ) {
        assert_eq!(lapse_s(text.as_bytes()), expected);
    }

    #[test]
    fn minutes_may_be_counted_beyond_the_hour() {
        assert_eq!(minutes_s(b"75:30"), Some(4530.0));
        assert_eq!(minutes_s(b"1:15:30"), Some(4530.0));
        assert_eq!(minutes_s(b"75:60"), None);
    }
}
