//! What is doubtful in columns whose role is known: numbers that stand for nothing, words in the place of a rate, pressures
//! with the air's in them, empty cells, what a pump did.

use super::divide::Divide;
use super::draft::{Draft, quoted};
use super::sniff::{Cell, Sample};
use super::vocabulary::{STATE, STATES, has_word, header_unit, said, shown, words_of};
use crate::ingest::civil::Order;
use crate::ingest::letters::plain;
use crate::ingest::mapping::What;
use crate::ingest::numbers::USUAL_MISSING;
use jiff::civil::Date;
use std::collections::BTreeMap;

/// Numbers that stand for "not measured" in logs (common practice, no source).
const NO_VALUES: &[f64] = &[
    99.9, 999.0, 999.9, 1000.0, 8888.0, 9999.0, 9999.9, 99999.0, 32767.0, 32768.0, 65535.0,
];

/// Pressures between which one at rest is that of the air, mmHg: see `contradict`.
const AIR_MMHG: (f64, f64) = (550.0, 1100.0);

/// The lowest and highest figure of a column, for a question.
pub(super) fn range(sample: &Sample, column: usize) -> String {
    let mut numbers = sample
        .column(column)
        .filter_map(|cell| sample.number(cell))
        .peekable();
    if numbers.peek().is_none() {
        return String::new();
    }
    let (low, high) = numbers.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| {
        (l.min(x), h.max(x))
    });
    format!(" Its cells run from {low} to {high}")
}

/// The figures of some columns in one line.
pub(super) fn in_line(sample: &Sample, line: u64, columns: &[usize]) -> String {
    let cells = columns
        .iter()
        .filter_map(|c| sample.placed(*c).find(|(l, _)| *l == line));
    said(cells.map(|(_, cell)| &**cell))
}

/// Line from which on the figures of a column are below the earlier ones, if they fall with time.
pub(super) fn falls(sample: &Sample, column: usize, times: &[usize]) -> Option<u64> {
    let figures = sample
        .placed(column)
        .filter_map(|(line, c)| Some((line, sample.number(c)?)));
    let mut figures: Vec<(u64, f64)> = figures.collect();
    if sample.runs_backwards(times) {
        figures.reverse();
    }
    // Several channels take turns: a figure is compared with those of the whole first and last quarter.
    let quarter = figures.len() / 4;
    let least = |part: &[(u64, f64)]| part.iter().map(|(_, x)| *x).fold(f64::INFINITY, f64::min);
    let (first, last) = (
        figures.get(..quarter)?,
        figures.get(figures.len() - quarter..)?,
    );
    let fell = 0 < quarter && least(last) < least(first);
    fell.then(|| last.first().map(|(line, _)| *line))?
}

/// Pressures that are never near zero have that of the air in them.
pub(super) fn zero(draft: &mut Draft, sample: &Sample, figures: &[(What, usize)]) {
    if let Some(answer) = draft.answer("pressure_zero") {
        let number: Option<f64> = answer.trim().replace(',', ".").parse().ok();
        let value = number.map_or_else(|| quoted(&answer), |x| format!("{x:?}"));
        return draft.line("pressure_zero", &value, "your answer");
    }
    let Some((_, column)) = figures.iter().find(|(what, _)| *what == What::Pressure) else {
        return;
    };
    let Some(factor) = header_unit(sample, *column).and_then(|(unit, _)| unit.factor) else {
        return;
    };
    let lowest = sample
        .placed(*column)
        .filter_map(|(line, c)| Some((line, sample.number(c)?)));
    let Some((line, lowest)) = lowest.min_by(|a, b| a.1.total_cmp(&b.1)) else {
        return;
    };
    if (AIR_MMHG.0..AIR_MMHG.1).contains(&(lowest * factor)) {
        draft.question("pressure_zero", &format!("the lowest figure of `{}` is {lowest} (line {line}), about the air's own: are these absolute pressures? Answer with what is to be taken off, in the column's unit (760 mmHg is 101.325 kPa), or 0", shown(&sample.header[*column])));
    }
}

/// Whether empty cells mean that the figure before still holds.
pub(super) fn holds(
    draft: &mut Draft,
    sample: &Sample,
    figures: &[(What, usize)],
    times: &[usize],
    channel: Option<usize>,
) {
    if draft.has_answer("holds") {
        return;
    }
    let column = |of: What| {
        figures
            .iter()
            .find(|(what, _)| *what == of)
            .map(|(_, c)| *c)
    };
    let empty = |c: usize| {
        let rows = sample.lines.iter().zip(&sample.rows);
        let empty = rows.filter(move |(_, row)| row.get(c).is_none_or(|cell| cell.is_empty()));
        empty.map(|(line, row)| (*line, row))
    };
    let much = sample.rows.len() / 100;
    let sparse = [What::Rate, What::Limit]
        .into_iter()
        .filter_map(column)
        .find(|c| much < empty(*c).count());
    let Some(sparse) = sparse else { return };
    if let Some(rate) = column(What::Rate) {
        let key = |row: &Vec<Cell>| -> Vec<String> {
            let columns = times.iter().copied().chain(channel);
            columns
                .map(|c| row.get(c).map_or(String::new(), |c| c.to_string()))
                .collect()
        };
        let given = sample
            .rows
            .iter()
            .filter(|row| row.get(rate).is_some_and(|c| !c.is_empty()));
        let given: std::collections::HashSet<Vec<String>> = given.map(key).collect();
        if empty(rate).next().is_some() && empty(rate).all(|(_, row)| given.contains(&key(row))) {
            return draft.plain("holds", "true", "each time has its figures in several rows");
        }
    }
    let cells = empty(sparse).count();
    let line = empty(sparse).next().map_or(0, |(line, _)| line);
    let all = column(What::Pressure).filter(|c| sample.rows.len() / 5 < empty(*c).count());
    let more = match all {
        Some(c) => format!(
            " `all` if `{}` is written only when it changes as well;",
            shown(&sample.header[c])
        ),
        None => String::new(),
    };
    draft.question("holds", &format!("{cells} cells of `{}` are empty (line {line} first): `true` if the figure before still holds there, as where it is written only when it changes;{more} `false` if nothing is known", shown(&sample.header[sparse])));
}

/// Words and numbers in columns of figures that may stand for "not measured".
pub(super) fn missing(draft: &mut Draft, sample: &Sample, figures: &[(What, usize)]) {
    let mut doubtful: BTreeMap<String, (usize, u64, usize)> = BTreeMap::new();
    for (what, column) in figures {
        let highest = |but: f64| {
            let numbers = sample.column(*column).filter_map(|c| sample.number(c));
            numbers
                .filter(|x| (x - but).abs() > 1e-9)
                .fold(0.0_f64, |m, x| m.max(x.abs()))
        };
        for value in NO_VALUES.iter().flat_map(|x| [*x, -x]) {
            let mut found = sample
                .placed(*column)
                .filter(|(_, c)| sample.number(c) == Some(value));
            // A pressure of 1000 mmHg may be one.
            let (Some((line, cell)), true) = (
                found.next(),
                value != 1000.0 && 2.0 * highest(value) < value.abs(),
            ) else {
                continue;
            };
            doubtful.insert(cell.to_string(), (1 + found.count(), line, *column));
        }
        if *what == What::Rate {
            continue;
        }
        for (line, cell) in sample.placed(*column) {
            if is_word(sample, cell) {
                doubtful
                    .entry(cell.to_string())
                    .or_insert((0, line, *column))
                    .0 += 1;
            }
        }
    }
    let answer = draft.answer("missing");
    let listed = match &answer {
        Some(answer) => answer
            .split('|')
            .map(str::trim)
            .filter(|w| *w != "none" && !w.is_empty())
            .collect(),
        None => Vec::new(),
    };
    // A word that stands once may be a cell out of its place, and somebody's name: its row is left out, and it is not shown.
    let once = |word: &str, cells: usize| cells == 1 && word.chars().any(char::is_alphabetic);
    let doubtful: Vec<_> = doubtful
        .into_iter()
        .filter(|(word, (cells, ..))| !once(word, *cells))
        .take(12)
        .collect();
    if answer.is_some() {
        let all = USUAL_MISSING.iter().copied().chain(listed);
        let list: Vec<String> = all.map(quoted).collect();
        draft.line(
            "missing",
            &format!("[{}]", list.join(", ")),
            "the usual words, and your answer",
        );
    } else if !doubtful.is_empty() {
        let told = doubtful.iter().map(|(word, (cells, line, column))| {
            let times = if *cells == 1 { "once" } else { "times" };
            let times = if *cells == 1 {
                times.to_string()
            } else {
                format!("{cells} {times}")
            };
            format!(
                "`{}` {times} in `{}` (line {line} first)",
                shown(word),
                shown(&sample.header[*column])
            )
        });
        let told: Vec<String> = told.collect();
        let words: Vec<&str> = doubtful.iter().map(|(word, _)| word.as_str()).collect();
        draft.question(
            "missing",
            &format!(
                "which of these mean that nothing was measured: {}? Answer like `{}`, or `none`",
                told.join(", "),
                shown(&words.join("|"))
            ),
        );
    }
}

/// Whether a cell of a figure is a word that is not among the usual ones.
fn is_word(sample: &Sample, cell: &Cell) -> bool {
    let is_number = sample.number(cell).is_some() || sample.is_missing(cell);
    !is_number && !cell.chars().any(|c| c.is_ascii_digit())
}

/// Words in the place of a rate: which rate each of them is.
pub(super) fn rate_words(draft: &mut Draft, sample: &Sample, figures: &[(What, usize)]) {
    let Some((_, column)) = figures.iter().find(|(what, _)| *what == What::Rate) else {
        return;
    };
    let mut words: BTreeMap<&str, (usize, u64)> = BTreeMap::new();
    for (line, cell) in sample.placed(*column) {
        // `off` in the place of a rate is a rate of 0 rather than nothing measured.
        let is_word = is_word(sample, cell) || cell.eq_ignore_ascii_case("off");
        if is_word {
            words.entry(&**cell).or_insert((0, line)).0 += 1;
        }
    }
    words.retain(|word, (cells, _)| 1 < *cells || STATES.contains(&plain(word).as_str()));
    if words.is_empty() || 20 < words.len() {
        return;
    }
    draft.within("[trace.rate_words]");
    for (word, (cells, line)) in words {
        draft.ask_word("rate_words", word, &format!("`{}` stands {cells} times in the place of a rate in `{}` (line {line} first): which rate is it? 0 where the channel stood, a number in the column's unit, or `missing`", shown(word), shown(&sample.header[*column])));
    }
}

/// A column that says whether the pump ran, where the rate does not.
pub(super) fn running(
    draft: &mut Draft,
    sample: &Sample,
    figures: &[(What, usize)],
    divide: &Divide,
    channel: Option<usize>,
) {
    let Some((_, rate)) = figures.iter().find(|(what, _)| *what == What::Rate) else {
        return;
    };
    let taken: Vec<usize> = figures.iter().map(|(_, c)| *c).chain(channel).collect();
    let mut is_first = true;
    for column in divide.unused(sample, &taken) {
        let header = &sample.header[column];
        let Some(words) = words_of(sample, column).filter(|w| (2..=12).contains(&w.len())) else {
            continue;
        };
        let says_state =
            has_word(header, STATE) || words.iter().any(|w| STATES.contains(&plain(w).as_str()));
        let answered = draft.peek(&format!("running.{header}")).is_some();
        if !answered && (!says_state || agrees(sample, column, *rate)) {
            continue;
        }
        if std::mem::take(&mut is_first) {
            draft.within("[trace.running]");
        }
        let line = sample.placed(column).next().map_or(0, |(line, _)| line);
        let list = said(words.iter().copied());
        draft.ask_word("running", header, &format!("`{}` says {list} (line {line} first): with which of these did the channel run? Its rate counts as 0 with all others. Several with `|` between them; `no` if the column does not say whether it ran", shown(header)));
    }
}

/// Whether the rate is 0 with some of a column's words and above 0 with the others.
fn agrees(sample: &Sample, column: usize, rate: usize) -> bool {
    let mut by_word: BTreeMap<&str, (bool, bool)> = BTreeMap::new();
    for row in &sample.rows {
        let (Some(word), Some(rate)) = (
            row.get(column),
            row.get(rate).and_then(|c| sample.number(c)),
        ) else {
            continue;
        };
        if !word.is_empty() {
            let seen = by_word.entry(&**word).or_default();
            seen.0 |= rate == 0.0;
            seen.1 |= 0.0 < rate;
        }
    }
    let both = by_word.values().any(|(stood, ran)| *stood && *ran);
    let each = |of: fn(&(bool, bool)) -> bool| by_word.values().any(of);
    !both && each(|(stood, _)| *stood) && each(|(_, ran)| *ran)
}

/// Days and months that a spreadsheet has exchanged where it could: by the order that is proved the rows leap by months, and
/// join on with day and month exchanged.
pub(super) fn swapped_days(sample: &Sample, times: &[usize]) -> Option<(u64, String)> {
    let date = *times.first()?;
    let fits = |order: Order| {
        sample
            .column(date)
            .filter(|c| c.civil(order).is_ok())
            .count()
    };
    let orders = || Order::WORDS.iter().map(|(_, order)| *order);
    let most = orders().map(fits).max().filter(|most| 0 < *most)?;
    let mut found = orders()
        .filter(|order| fits(*order) == most)
        .map(|order| leap(sample, date, order));
    let first = found.next()?;
    // An order in which nothing leaps explains the rows.
    found.all(|f| f.is_some()).then_some(first)?
}

/// The first date that leaps by months and would not, were day and month exchanged.
fn leap(sample: &Sample, column: usize, order: Order) -> Option<(u64, String)> {
    let mut days: Vec<(u64, &Cell, Date)> = Vec::new();
    for (line, cell) in sample.placed(column) {
        let read = cell.civil(order).ok();
        let Some(day) = read.and_then(|c| c.date) else {
            continue;
        };
        if days.last().is_none_or(|(.., last)| *last != day) {
            days.push((line, cell, day));
        }
    }
    let distance = |a: Date, b: Date| a.until(b).map_or(0, |span| span.get_days().abs());
    days.windows(2).find_map(|two| match two {
        [(_, _, a), (line, cell, b)] if 20 < distance(*a, *b) => {
            let exchanged = |day: &Date| Date::new(day.year(), day.day(), day.month()).ok();
            let joins = exchanged(a).is_some_and(|a| distance(a, *b) <= 1)
                || exchanged(b).is_some_and(|b| distance(*a, b) <= 1);
            joins.then(|| (*line, shown(cell)))
        }
        _ => None,
    })
}

/// Line at which a clock of 12 hours passes noon or midnight: no hour is 0 or above 12, and 12 is followed by 1 half a day before.
pub(super) fn twelve_hours(sample: &Sample, times: &[usize]) -> Option<u64> {
    let clock = *times.last()?;
    let of_day = |cell: &Cell| -> Option<i64> {
        let says_half = cell.to_lowercase().contains('m');
        let read = Order::WORDS
            .iter()
            .find_map(|(_, order)| cell.civil(*order).ok()?.of_day_us);
        read.filter(|_| !says_half && !cell.is_value)
    };
    const HOUR_US: i64 = 3_600_000_000;
    let clocks: Option<Vec<(u64, i64)>> = sample
        .placed(clock)
        .map(|(line, c)| Some((line, of_day(c)?)))
        .collect();
    let clocks = clocks?;
    let backwards = sample.runs_backwards(times);
    let half_only = clocks
        .iter()
        .all(|(_, us)| (HOUR_US..13 * HOUR_US).contains(us));
    let passes = clocks.windows(2).find(|two| match two {
        [(_, a), (_, b)] => {
            let (earlier, later) = if backwards { (*b, *a) } else { (*a, *b) };
            12 * HOUR_US <= earlier && later < 2 * HOUR_US
        }
        _ => false,
    });
    passes
        .filter(|_| half_only)
        .and_then(|two| two.last())
        .map(|(line, _)| *line)
}
