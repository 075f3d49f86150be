//! When a row was written: from its cells, the file's way of writing time, and the zone.
//!
//! In: the cells of a row, and for times without an offset the [`Passage`] of its channel. Out: [`Moment`].
//! In the night on which summer time ends an hour comes twice; which of the two a row belongs to is told by the order
//! of the rows and by nothing else, so each channel remembers where it is. In the night on which it begins an hour is
//! missing: a row in it proves that the pump's clock did not follow, and stops the reading.
//!
//! ```text
//! rows     01:59  02:00 … 02:59  02:00 … 02:59  03:00      one step back of about an hour: first pass, second pass
//! rows     01:59  02:00 … 02:59                 03:00      no step back: this clock stayed on summer time
//! ```

use super::civil::Order;
use super::moment::{Kind, Moment, MomentReader};
use super::numbers::Numbers;
use super::table::Row;
use jiff::civil::{Date, DateTime, Time};
use jiff::tz::{AmbiguousOffset, Offset, TimeZone};

/// How a file writes time.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum When {
    /// As the contract has it: RFC 3339, or seconds from the start.
    Contract,
    /// Time from the record's start, in units of so many seconds.
    Elapsed {
        /// Length of the unit.
        seconds: f64,
    },
    /// Minutes and seconds from the start: `75:30`.
    MinutesAndSeconds,
    /// Units of so many seconds since 1970 in UTC.
    Epoch {
        seconds: f64,
        /// The zone to tell times in.
        zone: Option<TimeZone>,
    },
    /// Days since the end of 1899, as spreadsheets count them, in a zone.
    SheetDays(TimeZone),
    /// Date and time by a pattern of `strptime`.
    Pattern {
        pattern: String,
        /// What the clock showed; `None` where each time bears its own offset.
        zone: Option<TimeZone>,
    },
    /// Date and time of day.
    Local {
        order: Order,
        /// What the clock showed; `None` where each time bears its own offset.
        zone: Option<TimeZone>,
    },
}

/// Which cells hold the time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum WhenCells {
    /// One.
    One(usize),
    /// Date and time of day apart.
    DateAndClock(usize, usize),
    /// Time of day only; the first row is of this day, and midnight passes where the clock falls by half a day.
    ClockFrom(usize, Date),
}

impl WhenCells {
    /// The column to name where the time is at fault.
    pub(super) fn column(self) -> usize {
        match self {
            WhenCells::One(column)
            | WhenCells::DateAndClock(column, _)
            | WhenCells::ClockFrom(column, _) => column,
        }
    }
}

/// Why a row has no moment.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum NoMoment {
    /// The row is at fault.
    Row(&'static str),
    /// The file as a whole is not what its mapping says: what, and what to do.
    File(String, String),
}

/// Where one channel's clock is.
#[derive(Debug, Clone, Default)]
pub(super) struct Passage {
    /// Local and true time of the row before, microseconds.
    last: Option<(i64, i64)>,
    /// Whether the row before lay in an hour that comes twice, and then in which pass.
    fold: Option<Pass>,
    /// Steps forward less steps backward.
    forward: i64,
    /// Midnights passed, for times of day without a date.
    days: i64,
    /// Whether an hour was seen that no clock of 12 hours has.
    of_24_hours: bool,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Pass {
    First,
    Second,
}

/// Reads the moments of one file.
#[derive(Debug)]
pub(super) struct Clockwork {
    when: When,
    cells: WhenCells,
    numbers: Numbers,
    moments: MomentReader,
    /// The quarter of an hour asked for last, and what its zone says of it: offsets change on quarters.
    quarter: Option<(i64, AmbiguousOffset)>,
    /// Rows in an hour that comes twice.
    pub(super) twice: u64,
}

const DAY_US: i64 = 86_400_000_000;
const QUARTER_US: i64 = 900_000_000;

impl Clockwork {
    pub(super) fn new(when: When, cells: WhenCells, numbers: Numbers) -> Self {
        Self {
            when,
            cells,
            numbers,
            moments: MomentReader::default(),
            quarter: None,
            twice: 0,
        }
    }

    /// Whether a row's time depends on the rows of its channel before it.
    pub(super) fn needs_passage(&self) -> bool {
        matches!(
            self.when,
            When::Local { .. } | When::SheetDays(_) | When::Pattern { .. }
        )
    }

    pub(super) fn column(&self) -> usize {
        self.cells.column()
    }

    /// The moment of a row.
    pub(super) fn read(&mut self, row: &Row, passage: &mut Passage) -> Result<Moment, NoMoment> {
        let column = self.cells.column();
        match &self.when {
            // A sheet's duration of less than a day looks like a time of day; here it can only be one from the start.
            When::Contract => match row.lapse_s(column).filter(|_| row.is_value(column)) {
                Some(seconds) => elapsed(seconds).map_err(NoMoment::Row),
                None => self.moments.read(row.cell(column)).map_err(NoMoment::Row),
            },
            When::Elapsed { seconds } => {
                if let Some(seconds) = row.lapse_s(column) {
                    return elapsed(seconds).map_err(NoMoment::Row);
                }
                let value = row.plain(column, &self.numbers).map_err(NoMoment::Row)?;
                elapsed(value * seconds).map_err(NoMoment::Row)
            }
            When::MinutesAndSeconds => {
                let read = super::numbers::minutes_s(row.cell(column));
                let seconds = read.ok_or(NoMoment::Row("not minutes and seconds"))?;
                elapsed(seconds).map_err(NoMoment::Row)
            }
            When::Epoch { seconds, zone } => {
                let value = row.plain(column, &self.numbers).map_err(NoMoment::Row)?;
                since_1970(value * seconds, zone.as_ref()).map_err(NoMoment::Row)
            }
            When::SheetDays(zone) => {
                let zone = zone.clone();
                let days = row.plain(column, &self.numbers).map_err(NoMoment::Row)?;
                let local_us = sheet_us(days).map_err(NoMoment::Row)?;
                self.in_zone(local_us, &zone, passage)
            }
            When::Pattern { pattern, zone } => {
                let zone = zone.clone();
                match by_pattern(pattern, row.cell(column)).map_err(NoMoment::Row)? {
                    (local_us, Some(offset_s)) => Ok(calendar(local_us, offset_s)),
                    (local_us, None) => {
                        let zone = zone.ok_or(NoMoment::Row("a time without its offset"))?;
                        self.in_zone(local_us, &zone, passage)
                    }
                }
            }
            When::Local { order, zone } => {
                let order = *order;
                let zone = zone.clone();
                let (date, of_day_us, written) = self.local(row, order, passage)?;
                let midnight = midnight_us(date).map_err(NoMoment::Row)?;
                let local_us = midnight + of_day_us;
                match (written, zone) {
                    (Some(offset_s), _) => {
                        let moment = calendar(local_us, offset_s);
                        passage.last = Some((local_us, moment.ticks));
                        Ok(moment)
                    }
                    (None, None) => Err(NoMoment::Row("a time without its offset")),
                    (None, Some(zone)) => self.in_zone(local_us, &zone, passage),
                }
            }
        }
    }

    /// Date, time of day and, where it is written, the offset.
    fn local(
        &self,
        row: &Row,
        order: Order,
        passage: &mut Passage,
    ) -> Result<(Date, i64, Option<i32>), NoMoment> {
        let first = row
            .civil(self.cells.column(), order)
            .map_err(NoMoment::Row)?;
        let no = |reason| NoMoment::Row(reason);
        match self.cells {
            WhenCells::One(_) => {
                let date = first.date.ok_or(no("a time without a date"))?;
                let of_day = first.of_day_us.ok_or(no("a date without a time"))?;
                Ok((date, of_day, first.offset_s))
            }
            WhenCells::DateAndClock(_, clock) => {
                let clock = row.civil(clock, order).map_err(NoMoment::Row)?;
                let date = first.date.ok_or(no("not a date"))?;
                let of_day = clock.of_day_us.ok_or(no("not a time of day"))?;
                Ok((date, of_day, clock.offset_s))
            }
            WhenCells::ClockFrom(_, start) => {
                let of_day = first.of_day_us.ok_or(no("not a time of day"))?;
                if let Some((last_us, _)) = passage.last {
                    // Midnight: the clock falls by more than half a day. A row late by minutes is no midnight.
                    let last_of_day = last_us.rem_euclid(DAY_US);
                    if of_day + DAY_US / 2 < last_of_day {
                        passage.days += 1;
                    } else if last_of_day + DAY_US / 2 < of_day {
                        passage.days -= 1;
                    }
                }
                let date = i32::try_from(passage.days)
                    .ok()
                    .and_then(|d| start.checked_add(jiff::Span::new().try_days(d).ok()?).ok())
                    .ok_or(no("a day beyond the calendar"))?;
                Ok((date, of_day, first.offset_s))
            }
        }
    }

    fn in_zone(
        &mut self,
        local_us: i64,
        zone: &TimeZone,
        passage: &mut Passage,
    ) -> Result<Moment, NoMoment> {
        let quarter = local_us.div_euclid(QUARTER_US);
        let says = match self.quarter {
            Some((known, says)) if known == quarter => says,
            _ => {
                let says = zone_says(local_us, zone).map_err(NoMoment::Row)?;
                self.quarter = Some((quarter, says));
                says
            }
        };
        let offset_s = match says {
            AmbiguousOffset::Unambiguous { offset } => {
                passage.leaves_fold(local_us, local_us - us(offset), zone)?;
                offset.seconds()
            }
            AmbiguousOffset::Gap { .. } => return Err(no_such_time(local_us, zone)),
            AmbiguousOffset::Fold { before, after } => {
                self.twice += 1;
                let pass = passage.enters_fold(local_us, zone)?;
                match pass {
                    Pass::First => before.seconds(),
                    Pass::Second => after.seconds(),
                }
            }
        };
        let moment = calendar(local_us, offset_s);
        passage.halves(local_us)?;
        if let Some((last_local, _)) = passage.last {
            passage.forward += (local_us - last_local).signum();
        }
        passage.last = Some((local_us, moment.ticks));
        Ok(moment)
    }
}

impl Passage {
    /// In which pass of the hour that comes twice a row lies. A step against the file's direction of half the hour or
    /// more begins the other pass; a smaller one is a row out of order.
    fn enters_fold(&mut self, local_us: i64, zone: &TimeZone) -> Result<Pass, NoMoment> {
        const HALF_US: i64 = 1_800_000_000;
        let Some((last_us, _)) = self.last else {
            return Err(NoMoment::File(
                format!(
                    "the file begins at {}, in the hour that comes twice in {}: nothing says which of the two it is",
                    shown(local_us),
                    zone_name(zone)
                ),
                "write the offset in force then as the zone, for example `zone = \"+01:00\"`"
                    .into(),
            ));
        };
        let step = local_us - last_us;
        let forwards = 0 < self.forward || (self.forward == 0 && 0 <= step);
        let pass = match (self.fold, forwards) {
            (None, true) => Pass::First,
            (None, false) => Pass::Second,
            (Some(Pass::First), true) if step <= -HALF_US => Pass::Second,
            (Some(Pass::Second), false) if HALF_US <= step => Pass::First,
            (Some(pass), _) => pass,
        };
        self.fold = Some(pass);
        Ok(pass)
    }

    /// A clock of 12 hours falls back by half a day as it passes noon, from an hour of 12 to one of 1, against the file's
    /// direction; one of 24 hours shows an hour of 0 or above 12 sooner or later.
    fn halves(&mut self, local_us: i64) -> Result<(), NoMoment> {
        const HOUR_US: i64 = 3_600_000_000;
        let hour = |us: i64| us.rem_euclid(DAY_US) / HOUR_US;
        self.of_24_hours |= !(1..=12).contains(&hour(local_us));
        let Some((last_us, _)) = self.last else {
            return Ok(());
        };
        let same_day = last_us.div_euclid(DAY_US) == local_us.div_euclid(DAY_US);
        let falls = 0 < self.forward && (hour(last_us), hour(local_us)) == (12, 1);
        let rises = self.forward < 0 && (hour(last_us), hour(local_us)) == (1, 12);
        if same_day && (falls || rises) && !self.of_24_hours {
            return Err(NoMoment::File(
                format!(
                    "at {} the clock falls by half a day: it is one of 12 hours, and AM and PM are not written",
                    shown(local_us)
                ),
                "export the times with AM and PM, or by the clock of 24 hours".into(),
            ));
        }
        Ok(())
    }

    /// Leaving the hour from the pass that the file read first, by a step too small to have missed the other pass,
    /// shows that the clock did not go back.
    fn leaves_fold(
        &mut self,
        local_us: i64,
        true_us: i64,
        zone: &TimeZone,
    ) -> Result<(), NoMoment> {
        let (Some(pass), Some((last_local, last_true))) = (self.fold.take(), self.last) else {
            return Ok(());
        };
        let forwards = 0 < local_us - last_local;
        let missed = match pass {
            Pass::First => forwards,
            Pass::Second => !forwards,
        };
        let (local_step, true_step) = (local_us - last_local, true_us - last_true);
        let skipped_us = (true_step - local_step).abs();
        if missed && local_step.abs() * 4 < skipped_us {
            return Err(NoMoment::File(
                format!(
                    "the clock runs on through the hour that comes twice in {}, up to {}: it did not follow the end of summer time",
                    zone_name(zone),
                    shown(local_us)
                ),
                "give the offset that the clock kept as the zone, for example `zone = \"+02:00\"`"
                    .into(),
            ));
        }
        Ok(())
    }
}

/// Seconds since 1970, told in a zone.
fn since_1970(seconds: f64, zone: Option<&TimeZone>) -> Result<Moment, &'static str> {
    const BEYOND: &str = "a day beyond the calendar";
    let us = (seconds * 1e6).round();
    if !us.is_finite() || 9e17 < us.abs() {
        return Err(BEYOND);
    }
    let ticks = us as i64;
    let moment = jiff::Timestamp::from_microsecond(ticks).map_err(|_| BEYOND)?;
    let offset_s = zone.map_or(0, |zone| zone.to_offset(moment).seconds());
    Ok(Moment {
        kind: Kind::Calendar,
        ticks,
        offset_s,
    })
}

/// Local microseconds of a spreadsheet's day. Day 1 is 1900-01-01, and 1900 has a day too many (ECMA-376 part 1, 18.17.4.1): from
/// March of that year on they count from 1899-12-30. A part of a day is right to the millisecond, and is rounded to it.
fn sheet_us(days: f64) -> Result<i64, &'static str> {
    const TO_1970_DAYS: f64 = 25_569.0;
    if !(61.0..=2_958_465.0).contains(&days) {
        return Err("no day of a spreadsheet");
    }
    let ms = ((days - TO_1970_DAYS) * 86_400_000.0).round();
    Ok(ms as i64 * 1000)
}

/// Local microseconds and, where it is written, the offset.
fn by_pattern(pattern: &str, cell: &[u8]) -> Result<(i64, Option<i32>), &'static str> {
    const OTHER: &str = "a time in another form than `time_format` says";
    let read = jiff::fmt::strtime::BrokenDownTime::parse(pattern, cell).map_err(|_| OTHER)?;
    let local = read.to_datetime().map_err(|_| OTHER)?;
    let local = Offset::UTC.to_timestamp(local).map_err(|_| OTHER)?;
    Ok((local.as_microsecond(), read.offset().map(Offset::seconds)))
}

fn calendar(local_us: i64, offset_s: i32) -> Moment {
    Moment {
        kind: Kind::Calendar,
        ticks: local_us - i64::from(offset_s) * 1_000_000,
        offset_s,
    }
}

fn us(offset: Offset) -> i64 {
    i64::from(offset.seconds()) * 1_000_000
}

fn midnight_us(date: Date) -> Result<i64, &'static str> {
    let midnight = Offset::UTC.to_timestamp(date.to_datetime(Time::midnight()));
    Ok(midnight
        .map_err(|_| "a day beyond the calendar")?
        .as_microsecond())
}

fn local_datetime(local_us: i64) -> Result<DateTime, &'static str> {
    let moment =
        jiff::Timestamp::from_microsecond(local_us).map_err(|_| "a day beyond the calendar")?;
    Ok(Offset::UTC.to_datetime(moment))
}

fn zone_says(local_us: i64, zone: &TimeZone) -> Result<AmbiguousOffset, &'static str> {
    Ok(zone
        .to_ambiguous_timestamp(local_datetime(local_us)?)
        .offset())
}

fn shown(local_us: i64) -> String {
    local_datetime(local_us).map_or_else(|_| "?".into(), |d| d.to_string().replace('T', " "))
}

fn zone_name(zone: &TimeZone) -> String {
    zone.iana_name()
        .map_or_else(|| "its zone".into(), str::to_string)
}

fn no_such_time(local_us: i64, zone: &TimeZone) -> NoMoment {
    NoMoment::File(
        format!(
            "{} does not exist in {}: summer time begins then, and this clock did not follow it",
            shown(local_us),
            zone_name(zone)
        ),
        "give the offset that the clock kept as the zone, for example `zone = \"+01:00\"`".into(),
    )
}

fn elapsed(seconds: f64) -> Result<Moment, &'static str> {
    let ticks = (seconds * 1e9).round();
    if !ticks.is_finite() || 9e18 < ticks.abs() {
        return Err("more time than any record has");
    }
    Ok(Moment {
        kind: Kind::Seconds,
        ticks: ticks as i64,
        offset_s: 0,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[test]
    fn a_spreadsheets_day_is_told_as_the_spreadsheet_does() {
        // Python: datetime(1899, 12, 30) + timedelta(days=47911.333333333336) = 2031-03-04 08:00:00
        let us = sheet_us(47_911.333_333_333_336).unwrap();
        // `date -u -d "2031-03-04 08:00" +%s` = 1930377600 (GNU coreutils 9.1)
        assert_eq!(us, 1_930_377_600_000_000);
        assert!(sheet_us(1.0).is_err() && sheet_us(f64::NAN).is_err());
    }

    #[test]
    fn seconds_since_1970_are_told_in_the_zone_asked_for() {
        let berlin = TimeZone::get("Europe/Berlin").unwrap();
        let moment = since_1970(1_930_377_600.25, Some(&berlin)).unwrap();
        assert_eq!(
            (moment.ticks, moment.offset_s),
            (1_930_377_600_250_000, 3600)
        );
        assert!(since_1970(1e300, None).is_err());
    }

    #[rstest]
    #[case("%d|%m|%y@%H%M", "04|03|31@0800", Ok((1_930_377_600_000_000, None)))]
    #[case("%Y-%m-%d %H:%M %z", "2031-03-04 08:00 +0100", Ok((1_930_377_600_000_000, Some(3600))))]
    #[case(
        "%d|%m|%y@%H%M",
        "04.03.31 08:00",
        Err("a time in another form than `time_format` says")
    )]
    fn a_pattern_reads_what_no_other_way_does(
        #[case] pattern: &str,
        #[case] cell: &str,
        #[case] expected: Result<(i64, Option<i32>), &'static str>,
    ) {
        assert_eq!(by_pattern(pattern, cell.as_bytes()), expected);
    }
}
