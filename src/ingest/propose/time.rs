//! Which columns hold the time, in which order a date stands, and which zone it is of: proved or asked.

use super::draft::Draft;
use super::sniff::{Cell, Sample};
use super::vocabulary::{header_unit, said};
use crate::ingest::civil::{Civil, Order};
use crate::ingest::moment::{Kind, MomentReader};
use crate::ingest::numbers::lapse_s;
use crate::ingest::unit::Quantity;
use jiff::civil::Date;

const TIME_WORDS: &[&str] = &[
    "time",
    "timestamp",
    "datetime",
    "date",
    "when",
    "zeit",
    "zeitpunkt",
    "zeitstempel",
    "uhrzeit",
    "datum",
    "heure",
    "hora",
    "ora",
    "fecha",
    "data",
    "seconds",
    "secs",
    "minutes",
    "t",
];

/// What a column could be.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Could {
    /// RFC 3339 with offset.
    Contract,
    /// Date and time of day.
    DateAndTime,
    Date,
    Clock,
    /// Time counted from the start.
    Elapsed,
}

pub(super) fn propose(draft: &mut Draft, sample: &Sample) {
    if draft.has_answer("time") || draft.has_answer("clock") {
        return answered(draft, sample);
    }
    let found: Vec<(usize, Could)> = (0..sample.header.len())
        .filter_map(|c| Some((c, could_be(sample, c)?)))
        .collect();
    let of = |what: Could| -> Vec<usize> {
        let columns: Vec<usize> = found
            .iter()
            .filter(|(_, w)| *w == what)
            .map(|(c, _)| *c)
            .collect();
        named_first(sample, columns)
    };
    let whole: Vec<usize> = named_first(
        sample,
        [of(Could::Contract), of(Could::DateAndTime)].concat(),
    );
    let (dates, clocks, elapsed) = (of(Could::Date), of(Could::Clock), of(Could::Elapsed));
    match (
        whole.as_slice(),
        dates.as_slice(),
        clocks.as_slice(),
        elapsed.as_slice(),
    ) {
        (&[time], ..) => {
            draft.text(
                "time",
                &sample.header[time],
                "the only column with dates and times",
            );
            written(draft, sample, &[time]);
        }
        (&[], &[date], &[clock], _) => {
            draft.text("date", &sample.header[date], "the only column of dates");
            draft.text(
                "clock",
                &sample.header[clock],
                "the only column of times of day",
            );
            written(draft, sample, &[date, clock]);
        }
        (&[], &[], &[clock], _) if draft.has_answer("time_unit") => {
            draft.text(
                "time",
                &sample.header[clock],
                "the only column of times; by your answer they count from the start",
            );
            draft.ask("time_unit", "in which unit does it count?");
        }
        (&[], &[], &[clock], _) if says_elapsed(&sample.header[clock]) => {
            draft.text(
                "time",
                &sample.header[clock],
                "the only column of times; its name says that they count from the start",
            );
            elapsed_unit(draft, sample, clock);
        }
        (&[], &[], &[clock], _) => {
            draft.text(
                "clock",
                &sample.header[clock],
                "the only column of times of day; there is no date",
            );
            draft.ask(
                "start_date",
                "which day is the first row of? Write it like 2031-03-04. If it counts from the start, answer time_unit=s instead",
            );
            zone(draft, sample, &[clock]);
        }
        (&[], &[], &[], &[time]) => {
            draft.text(
                "time",
                &sample.header[time],
                "its name says time, its numbers rise",
            );
            elapsed_unit(draft, sample, time);
        }
        (&[], &[], &[], &[]) => draft.question(
            "time",
            "no column is seen to hold the time: which one does?",
        ),
        _ => {
            let several = [whole, dates, clocks, elapsed].concat();
            let names = said(several.iter().map(|c| sample.header[*c].as_str()));
            draft.question(
                "time",
                &format!("several columns may hold the time of the row ({names}): which one does?"),
            );
        }
    }
}

/// The user named the columns; how they are written is still to be found out.
fn answered(draft: &mut Draft, sample: &Sample) {
    let mut columns = Vec::new();
    for key in ["time", "date", "clock"] {
        if let Some(name) = draft.answer(key) {
            draft.line(key, &super::draft::quoted(&name), "your answer");
            columns.extend(sample.header.iter().position(|h| *h == name));
        }
    }
    if let Some(day) = draft.answer("start_date") {
        draft.line("start_date", &super::draft::quoted(&day), "your answer");
    }
    match columns.as_slice() {
        &[time] if could_be(sample, time) == Some(Could::Elapsed) => {
            elapsed_unit(draft, sample, time)
        }
        columns => written(draft, sample, columns),
    }
}

/// Columns whose name says time, or all where none does.
fn named_first(sample: &Sample, columns: Vec<usize>) -> Vec<usize> {
    let named: Vec<usize> = columns
        .iter()
        .copied()
        .filter(|c| sample.header.get(*c).is_some_and(|h| says_time(h)))
        .collect();
    if named.is_empty() { columns } else { named }
}

fn says_time(header: &str) -> bool {
    has_word(header, TIME_WORDS) || says_elapsed(header)
}

/// Whether a name says that its times count from the start: then they are no times of day.
fn says_elapsed(header: &str) -> bool {
    has_word(header, &["elapsed", "laufzeit", "verstrichen", "écoulé"])
}

fn has_word(header: &str, known: &[&str]) -> bool {
    let lower = header.to_lowercase();
    let mut words = lower.split(|c: char| !c.is_alphanumeric());
    words.any(|word| known.contains(&word))
}

fn could_be(sample: &Sample, column: usize) -> Option<Could> {
    let mut cells = sample.column(column).take(1000).peekable();
    cells.peek()?;
    let most = |is: &dyn Fn(&Cell) -> bool| {
        let cells = sample.column(column).take(1000);
        let (good, all) = cells.fold((0, 0), |(g, n), cell| (g + usize::from(is(cell)), n + 1));
        all * 9 <= good * 10
    };
    let moment = |cell: &Cell| MomentReader::default().read(cell.as_bytes()).ok();
    if most(&|cell| moment(cell).is_some_and(|m| m.kind == Kind::Calendar)) {
        return Some(Could::Contract);
    }
    let read = |cell: &Cell| -> Option<Civil> {
        let mut orders = Order::WORDS.iter();
        orders.find_map(|(_, order)| cell.civil(*order).ok())
    };
    if most(&|cell| read(cell).is_some_and(|c| c.date.is_some() && c.of_day_us.is_some())) {
        return Some(Could::DateAndTime);
    }
    if most(&|cell| cell.len() != 8 || !cell.bytes().all(|b| b.is_ascii_digit()))
        && most(&|cell| read(cell).is_some_and(|c| c.date.is_some() && c.of_day_us.is_none()))
    {
        return Some(Could::Date);
    }
    if most(&|cell| read(cell).is_some_and(|c| c.date.is_none() && c.of_day_us.is_some())) {
        return Some(Could::Clock);
    }
    let named = sample.header.get(column).is_some_and(|h| says_time(h))
        || sample.in_seconds.contains(&column);
    let is_elapsed = |cell: &Cell| sample.number(cell).is_some() || is_lapse(cell);
    (named && most(&is_elapsed)).then_some(Could::Elapsed)
}

/// Hours, minutes and seconds, more than a day of them too.
fn is_lapse(cell: &Cell) -> bool {
    lapse_s(cell.trim().as_bytes()).is_some()
}

fn elapsed_unit(draft: &mut Draft, sample: &Sample, time: usize) {
    if sample.column(time).take(1000).all(is_lapse) {
        let why = "its cells are hours, minutes and seconds from the start";
        return draft.text("time_unit", "s", why);
    }
    if sample.in_seconds.contains(&time) {
        return draft.text("time_unit", "s", "its cells are durations, read as seconds");
    }
    match header_unit(sample, time).filter(|(u, _)| u.quantity == Quantity::Time) {
        Some((unit, reason)) => draft.text("time_unit", unit.code, &reason),
        None => draft.ask(
            "time_unit",
            &format!(
                "in which unit does `{}` count (s, ms, min, h, d)? Its first cells are {}",
                sample.header[time],
                said(sample.column(time).take(3).map(|c| &**c))
            ),
        ),
    }
}

/// How date and time are written: nothing more to say for RFC 3339; else order and zone.
fn written(draft: &mut Draft, sample: &Sample, columns: &[usize]) {
    if let &[time] = columns
        && could_be(sample, time) == Some(Could::Contract)
        && !draft.has_answer("zone")
    {
        draft.remark("its times are RFC 3339 with offset");
        return;
    }
    let Some(&date) = columns.first() else {
        draft.ask(
            "date_order",
            "in which order does the date stand (ymd, dmy, mdy)?",
        );
        draft.ask("zone", "which zone did the clock show?");
        return;
    };
    match order(sample, date, columns.get(1).copied()) {
        Ok((order, reason)) => draft.text("date_order", order.word(), &reason),
        Err(question) => draft.ask("date_order", &question),
    }
    zone(draft, sample, columns);
}

fn zone(draft: &mut Draft, sample: &Sample, columns: &[usize]) {
    let bears_offset = columns.last().is_some_and(|c| {
        sample.column(*c).take(1000).all(|cell| {
            let mut orders = Order::WORDS.iter();
            orders.any(|(_, order)| cell.civil(*order).is_ok_and(|c| c.offset_s.is_some()))
        })
    });
    if bears_offset {
        draft.text("zone", "written", "each time bears its offset");
        return;
    }
    draft.ask(
        "zone",
        "which zone did the clock show? An IANA zone where it followed summer time (Europe/Berlin), else an offset (+01:00)",
    );
}

/// The order that the cells prove, and how; else the question.
fn order(sample: &Sample, date: usize, clock: Option<usize>) -> Result<(Order, String), String> {
    let all: Vec<&Cell> = sample.column(date).collect();
    let cells: Vec<&Cell> = all
        .iter()
        .copied()
        .filter(|c| !c.is_in_any_order())
        .collect();
    if cells.is_empty() && !all.is_empty() {
        return Ok((Order::Ymd, "its cells are dates, not text".into()));
    }
    let fits = |order: Order| cells.iter().filter(|c| c.civil(order).is_ok()).count();
    let best = Order::WORDS
        .iter()
        .map(|(_, o)| fits(*o))
        .max()
        .unwrap_or(0);
    let possible: Vec<Order> = Order::WORDS
        .iter()
        .map(|(_, o)| *o)
        .filter(|o| fits(*o) == best && 0 < best)
        .collect();
    let example = cells.first().map_or("", |c| &***c);
    match possible.as_slice() {
        [] => Err(format!(
            "in which order does the date `{example}` stand (ymd, dmy, mdy)?"
        )),
        [only] => {
            let others = Order::WORDS.iter().map(|(_, o)| *o).filter(|o| o != only);
            let proof = cells
                .iter()
                .find(|c| others.clone().all(|o| c.civil(o).is_err()));
            Ok((
                *only,
                format!("`{}` fits no other order", proof.map_or(example, |c| &***c)),
            ))
        }
        several => {
            let in_order: Vec<Order> = several
                .iter()
                .copied()
                .filter(|o| runs_one_way(sample, date, clock, *o))
                .collect();
            let by_days: Vec<Order> = several
                .iter()
                .copied()
                .filter(|o| passes_midnights(sample, date, clock, *o))
                .collect();
            match (in_order.as_slice(), by_days.as_slice()) {
                ([only], _) => Ok((
                    *only,
                    "in any other order the times would run to and fro".into(),
                )),
                (_, [only]) => Ok((
                    *only,
                    "in any other order midnight would move the date on by more than a day".into(),
                )),
                _ => {
                    let words: Vec<&str> = several.iter().map(|o| o.word()).collect();
                    Err(format!(
                        "in which order does the date `{example}` stand ({})? The rows fit each of them",
                        words.join(", ")
                    ))
                }
            }
        }
    }
}

/// Whether each change of the date is one midnight: late one evening, early the next day.
fn passes_midnights(sample: &Sample, date: usize, clock: Option<usize>, order: Order) -> bool {
    const TWO_HOURS_US: i64 = 7_200_000_000;
    const DAY_US: i64 = 86_400_000_000;
    let moments = moments(sample, date, clock, order);
    let mut changes = moments
        .iter()
        .zip(moments.iter().skip(1))
        .filter(|(a, b)| a.0 != b.0)
        .peekable();
    changes.peek().is_some()
        && changes.all(|(a, b)| {
            let (early, late) = if a < b { (a, b) } else { (b, a) };
            let next_day = early.0.tomorrow().is_ok_and(|day| day == late.0);
            next_day && DAY_US - early.1 + late.1 < TWO_HOURS_US
        })
}

/// Whether the dates run one way only, with two days at least.
fn runs_one_way(sample: &Sample, date: usize, clock: Option<usize>, order: Order) -> bool {
    let moments = moments(sample, date, clock, order);
    let steps = || moments.iter().zip(moments.iter().skip(1));
    let several_days = steps().any(|(a, b)| a.0 != b.0);
    several_days && (steps().all(|(a, b)| a <= b) || steps().all(|(a, b)| b <= a))
}

/// Day and microsecond of the day of each row that fits the order.
fn moments(sample: &Sample, date: usize, clock: Option<usize>, order: Order) -> Vec<(Date, i64)> {
    let moment = |row: &Vec<Cell>| {
        let day = row.get(date)?.civil(order).ok()?;
        let of_day = match clock {
            Some(clock) => row.get(clock)?.civil(order).ok()?.of_day_us?,
            None => day.of_day_us.unwrap_or(0),
        };
        Some((day.date?, of_day))
    };
    sample.rows.iter().filter_map(moment).collect()
}
