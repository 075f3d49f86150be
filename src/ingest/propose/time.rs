//! Which columns hold the time, in which order a date stands, and which zone it is of: proved or asked.

use super::draft::Draft;
use super::sniff::{Cell, Sample};
use super::vocabulary::{has_word, header_unit, said};
use crate::ingest::civil::{Civil, Order};
use crate::ingest::letters::plain;
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
    "czas",
    "tijd",
    "tijdstip",
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

/// Proposes the time; the columns that hold it, where they are known.
pub(super) fn propose(draft: &mut Draft, sample: &Sample) -> Vec<usize> {
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
    // Six digits are a time of day beside a date only.
    let (clocks, elapsed) = match dates.is_empty() {
        true => {
            let (counted, clocks): (Vec<usize>, Vec<usize>) =
                clocks.iter().partition(|c| are_digits(sample, **c));
            (clocks, [elapsed, counted].concat())
        }
        false => (clocks, elapsed),
    };
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
            vec![time]
        }
        (&[], &[date], &[clock], _) => {
            draft.text("date", &sample.header[date], "the only column of dates");
            draft.text(
                "clock",
                &sample.header[clock],
                "the only column of times of day",
            );
            written(draft, sample, &[date, clock]);
            vec![date, clock]
        }
        (&[], &[], &[clock], _) if draft.has_answer("time_unit") => {
            draft.text(
                "time",
                &sample.header[clock],
                "the only column of times; by your answer they count from the start",
            );
            draft.ask("time_unit", "in which unit does it count?");
            vec![clock]
        }
        (&[], &[], &[clock], _) if says_elapsed(&sample.header[clock]) => {
            draft.text(
                "time",
                &sample.header[clock],
                "the only column of times; its name says that they count from the start",
            );
            elapsed_unit(draft, sample, clock);
            vec![clock]
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
            vec![clock]
        }
        (&[], &[], &[], &[time]) => {
            draft.text(
                "time",
                &sample.header[time],
                "its name says time, its numbers rise",
            );
            elapsed_unit(draft, sample, time);
            vec![time]
        }
        (&[], &[], &[], &[]) => {
            let all = said(sample.header.iter().map(String::as_str));
            draft.question(
                "time",
                &format!("no cell is seen to hold a time: which of {all} does? Answer with its name, and say with time_format how it is written, such as %d.%m.%Y %H:%M"),
            );
            Vec::new()
        }
        _ => {
            let several = [whole, dates, clocks, elapsed].concat();
            let names = said(several.iter().map(|c| sample.header[*c].as_str()));
            draft.question(
                "time",
                &format!("several columns may hold the time of the row ({names}): which one does?"),
            );
            several.first().copied().into_iter().collect()
        }
    }
}

/// Whether the cells of a column are digits and nothing else.
fn are_digits(sample: &Sample, column: usize) -> bool {
    let mut cells = sample.column(column).take(1000);
    cells.all(|cell| !cell.is_value && cell.bytes().all(|b| b.is_ascii_digit()))
}

/// The user named the columns; how they are written is still to be found out.
fn answered(draft: &mut Draft, sample: &Sample) -> Vec<usize> {
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
        _ if draft.has_answer("time_format") => {}
        &[time] if could_be(sample, time) == Some(Could::Elapsed) => {
            elapsed_unit(draft, sample, time)
        }
        columns => written(draft, sample, columns),
    }
    columns
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

pub(super) fn says_time(header: &str) -> bool {
    has_word(header, TIME_WORDS) || says_elapsed(header)
}

/// Whether a name says that its times count from the start: then they are no times of day.
fn says_elapsed(header: &str) -> bool {
    has_word(header, &["elapsed", "laufzeit", "verstrichen", "ecoule"])
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
    let named = sample.header.get(column).is_some_and(|h| says_time(h))
        || sample.in_seconds.contains(&column);
    let is_count = are_digits(sample, column);
    let read = |cell: &Cell| -> Option<Civil> {
        // Digits alone are a date or a time where the column's name says so.
        if is_count && !named {
            return None;
        }
        let mut orders = Order::WORDS.iter();
        orders.find_map(|(_, order)| cell.civil(*order).ok())
    };
    if most(&|cell| read(cell).is_some_and(|c| c.date.is_some() && c.of_day_us.is_some())) {
        return Some(Could::DateAndTime);
    }
    if most(&|cell| read(cell).is_some_and(|c| c.date.is_some() && c.of_day_us.is_none())) {
        return Some(Could::Date);
    }
    if most(&|cell| read(cell).is_some_and(|c| c.date.is_none() && c.of_day_us.is_some())) {
        return Some(Could::Clock);
    }
    let is_elapsed = |cell: &Cell| sample.number(cell).is_some() || is_lapse(cell);
    (named && most(&is_elapsed)).then_some(Could::Elapsed)
}

/// Hours, minutes and seconds, more than a day of them too.
fn is_lapse(cell: &Cell) -> bool {
    lapse_s(cell.trim().as_bytes()).is_some()
}

fn elapsed_unit(draft: &mut Draft, sample: &Sample, time: usize) {
    let first = said(sample.column(time).take(3).map(|c| &**c));
    if sample.column(time).take(1000).all(is_lapse) {
        let two_parts = sample
            .column(time)
            .take(1000)
            .all(|c| c.matches(':').count() == 1 && !c.contains(['d', 'P']));
        let says = |words: &[&str]| {
            words
                .iter()
                .any(|w| plain(&sample.header[time]).contains(w))
        };
        if two_parts && says(&["min:s", "mm:ss", "m:s", "m:ss"]) {
            return draft.text("time_unit", "min:s", "the header says minutes and seconds");
        }
        if two_parts && !says(&["h:m", "hh:m"]) {
            return draft.ask(
                "time_unit",
                &format!("are the times {first} hours and minutes (answer `s`) or minutes and seconds (answer `min:s`)?"),
            );
        }
        let why = "its cells are hours, minutes and seconds from the start";
        return draft.text("time_unit", "s", why);
    }
    if sample.in_seconds.contains(&time) {
        return draft.text("time_unit", "s", "its cells are durations, read as seconds");
    }
    if let Some((unit, reason)) =
        header_unit(sample, time).filter(|(u, _)| u.quantity == Quantity::Time)
        && counted(sample, time).is_none_or(|(word, _)| word == "sheet-days")
    {
        return draft.text("time_unit", unit.code, &reason);
    }
    match counted(sample, time) {
        Some((word @ "sheet-days", why)) => {
            draft.text("time_unit", word, why);
            zone(draft, sample, &[time]);
        }
        Some((word, why)) => draft.text("time_unit", word, why),
        None => draft.ask(
            "time_unit",
            &format!(
                "in which unit does `{}` count (s, ms, min, h, d)? Its first cells are {first}",
                sample.header[time],
            ),
        ),
    }
}

/// Since when a column of numbers counts and in what, where its size can mean nothing else: as seconds from a record's
/// start these would be decades.
fn counted(sample: &Sample, time: usize) -> Option<(&'static str, &'static str)> {
    let cells = || sample.column(time).take(1000);
    let numbers: Vec<f64> = cells().filter_map(|c| sample.number(c)).collect();
    let within = |low: f64, high: f64| {
        !numbers.is_empty() && numbers.iter().all(|x| (low..high).contains(x))
    };
    // 2001-09-09 to 2128: seconds of ten digits. A sheet's days from 2000 to 2100, with the time of day as a part.
    let epochs = [
        (
            1e9,
            5e9,
            "epoch-s",
            "numbers of this size are seconds since 1970",
        ),
        (
            1e12,
            5e12,
            "epoch-ms",
            "numbers of this size are milliseconds since 1970",
        ),
        (
            1e15,
            5e15,
            "epoch-us",
            "numbers of this size are microseconds since 1970",
        ),
    ];
    let found = epochs.iter().find(|(low, high, ..)| within(*low, *high));
    if let Some((.., word, why)) = found {
        return Some((word, why));
    }
    let finely = cells().filter(|c| {
        c.rsplit(['.', ','])
            .next()
            .is_some_and(|part| 3 < part.len() && part.len() < c.len())
    });
    let fine = finely.count() * 2 > numbers.len();
    (within(36_526.0, 73_051.0) && fine)
        .then_some(("sheet-days", "numbers like these are a spreadsheet's days"))
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
    if let Some((stated, name)) = columns
        .iter()
        .find_map(|c| zone_in_header(&sample.header[*c]))
    {
        return draft.text("zone", &stated, &format!("the header says `{name}`"));
    }
    draft.ask(
        "zone",
        "which zone did the clock show? An IANA zone where it followed summer time (Europe/Berlin), else an offset (+01:00)",
    );
}

/// The zone that a header names: `Time (UTC)`, `Time [UTC+01:00]`.
fn zone_in_header(header: &str) -> Option<(String, &str)> {
    let (_, inner) = header.trim_end().rsplit_once(['[', '('])?;
    let inner = inner.trim_end_matches([']', ')']).trim();
    let offset = inner
        .trim_start_matches("UTC")
        .trim_start_matches("GMT")
        .trim();
    let zone = match (inner, offset) {
        ("UTC" | "GMT" | "Z", _) => "UTC",
        (_, offset) if offset.starts_with(['+', '-']) => offset,
        (inner, _) if inner.contains('/') => inner,
        _ => return None,
    };
    crate::ingest::zone::find(zone).map(|_| (zone.to_string(), inner))
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
    let first = sample.placed(date).find(|(_, c)| !c.is_in_any_order());
    let (line, example) = first.map_or((0, ""), |(line, c)| (line, &**c));
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
                        "in which order does the date `{example}` (line {line}) stand ({})? The rows fit each of them",
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
