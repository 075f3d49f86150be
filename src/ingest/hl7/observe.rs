//! Observations of a pump become parts of samples: a pressure, a rate, a volume, a limit, each at its moment.
//!
//! In: an [`Order`]. Out: [`Part`]s by module, in the contract's units. What the pump was set to counts as its rate only
//! where the message says that it runs; the flow as it is now counts always.

use super::codes::{Level, Term, unit};
use super::containment::{Order, Refused, Row};
use super::er7::Segment;
use crate::ingest::cell::in_range;
use crate::ingest::mapping::What;
use crate::ingest::unit::Quantity;
use std::collections::BTreeMap;

/// A figure at a moment; taken back where it has none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Part {
    pub(super) tick: i64,
    pub(super) offset_s: i32,
    pub(super) what: What,
    /// In the contract's unit; NaN = not measured; `None` = an earlier one at this moment no longer counts.
    pub(super) figure: Option<f64>,
    pub(super) line: u64,
    /// The message's number in the file; given when it is taken over.
    pub(super) message: u64,
}

/// What one module of a pump said.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Said {
    pub(super) pump: String,
    pub(super) label: Option<String>,
    pub(super) parts: Vec<Part>,
    /// Whether it runs, where a status says.
    pub(super) runs: Option<bool>,
    /// Codes of pressures that are not that of its outlet.
    pub(super) elsewhere: Vec<String>,
}

/// Figures that stand for "not measured", with the word that says so.
pub(super) type Missing = Vec<(&'static str, String)>;

/// Flags of OBX-8 that make a figure none.
const NOT_MEASURED: &[&str] = &[
    "INV", "QUES", "NAV", "CAL", "NI", "NA", "OFF", "MSK", "OTH", "NAN", "PINF", "NINF",
];

/// What each module said, by its place in the tree.
pub(super) fn observed(
    order: &Order,
    missing: &mut Missing,
) -> Result<BTreeMap<(u32, u32), Said>, Refused> {
    let mut modules: BTreeMap<(u32, u32), Vec<&Row>> = BTreeMap::new();
    for row in &order.rows {
        modules.entry(row.module()).or_default().push(row);
    }
    let mut said = BTreeMap::new();
    for (module, rows) in modules {
        let mut one = Said::default();
        for row in &rows {
            if one.pump.is_empty() {
                one.pump.clone_from(&row.pump);
            }
            if row.code.term == Some(Term::Label) {
                let label = row.segment.text(5, 1).trim().to_string();
                one.label = Some(label).filter(|l| !l.is_empty());
            }
        }
        one.runs = rows.iter().find_map(|row| running(row));
        one.elsewhere = elsewhere(&rows);
        pressure(order, &rows, &mut one.parts, missing)?;
        rate(order, &rows, one.runs, &mut one.parts, missing)?;
        volume(order, &rows, &mut one.parts, missing)?;
        said.insert(module, one);
    }
    Ok(said)
}

/// The first row of a kind: one of the part that delivers before any other.
fn choose<'r>(rows: &[&'r Row<'r>], is_it: impl Fn(&Row) -> bool) -> Option<&'r Row<'r>> {
    let of_kind = || rows.iter().copied().filter(|r| is_it(r));
    let delivers = of_kind().find(|r| r.level == Some(Level::Delivery));
    delivers.or_else(|| of_kind().next())
}

/// Whether a row is a pressure of the line. Below a source it is the pressure above the pump, which is none of the line's.
fn of_the_line(row: &Row) -> bool {
    row.code.term == Some(Term::Pressure) && row.level != Some(Level::Source)
}

/// The codes of figures in a unit of pressure that are not taken.
fn elsewhere(rows: &[&Row]) -> Vec<String> {
    let taken = choose(rows, of_the_line);
    let is_taken = |row: &Row| taken.is_some_and(|t| std::ptr::eq(t, row));
    let in_pressure = |row: &Row| {
        let unit = unit(row.segment, 6);
        unit.is_ok_and(|u| u.quantity == Quantity::Pressure)
    };
    let others = rows.iter().filter(|row| {
        !is_taken(row)
            && !row.is_retracted()
            && in_pressure(row)
            && !row.segment.field(5).is_empty()
    });
    others
        .map(|row| match (row.level, row.code.term) {
            (Some(Level::Source), _) => format!("{} (above the pump)", row.code.shown),
            (_, Some(Term::Pressure)) => format!("{} (a second one)", row.code.shown),
            _ => row.code.shown.clone(),
        })
        .collect()
}

fn pressure(
    order: &Order,
    rows: &[&Row],
    parts: &mut Vec<Part>,
    missing: &mut Missing,
) -> Result<(), Refused> {
    let Some(row) = choose(rows, of_the_line) else {
        return Ok(());
    };
    parts.extend(figures(order, row, What::Pressure, missing)?);
    let range = row.segment.component(7, 1);
    if range.is_empty() || row.is_retracted() {
        return Ok(());
    }
    match (high_limit(range), parts.last()) {
        (Some(high), Some(last)) => {
            let limit = in_unit(row.segment, high, What::Limit, "OBX-7")?;
            parts.push(Part {
                what: What::Limit,
                figure: Some(limit),
                ..*last
            });
        }
        _ => missing.push(("OBX-7", range.chars().take(20).collect())),
    }
    Ok(())
}

/// The upper end of `0-450`, `-20-450` or `<450`.
fn high_limit(range: &str) -> Option<f64> {
    let range = range.trim();
    if let Some(high) = range.strip_prefix('<') {
        return number(high);
    }
    let ends = range.char_indices().skip(1).filter(|(_, c)| *c == '-');
    let mut ends = ends.map(|(at, _)| at);
    ends.find_map(|at| {
        number(range.get(..at)?)?;
        number(range.get(at + 1..)?)
    })
}

fn number(text: &str) -> Option<f64> {
    let value: f64 = fast_float2::parse(text.trim()).ok()?;
    value.is_finite().then_some(value)
}

fn rate(
    order: &Order,
    rows: &[&Row],
    runs: Option<bool>,
    parts: &mut Vec<Part>,
    missing: &mut Missing,
) -> Result<(), Refused> {
    if let Some(row) = choose(rows, tells_flow) {
        parts.extend(figures(order, row, What::Rate, missing)?);
        return Ok(());
    }
    if runs == Some(false) {
        let status = rows.iter().find(|r| running(r) == Some(false));
        if let Some((row, (moment, _))) = status.and_then(|r| Some((r, r.moment?))) {
            parts.push(Part {
                tick: moment.ticks,
                offset_s: moment.offset_s,
                what: What::Rate,
                figure: Some(0.0),
                line: row.segment.line,
                message: 0,
            });
        }
        return Ok(());
    }
    // Set rates of the sources that deliver: by the status of the part, else by that of the module.
    let mut of_part: BTreeMap<&[u32], bool> = BTreeMap::new();
    for row in rows {
        if let (Some(part), Some(runs)) = (row.path.get(..3), running(row)) {
            of_part.entry(part).or_insert(runs);
        }
    }
    let delivers = |row: &&&Row| {
        let own = row.path.get(..3).and_then(|p| of_part.get(p)).copied();
        row.code.term == Some(Term::SetRate) && own.or(runs) == Some(true)
    };
    let mut set = rows.iter().filter(delivers);
    let Some(row) = set.next() else {
        return Ok(());
    };
    if let Some(other) = set.next() {
        let reason = "two sources run, and the flow as it is now is not given";
        return Err(Refused::new(other.segment, "OBX-3", reason));
    }
    parts.extend(figures(order, row, What::Rate, missing)?);
    Ok(())
}

/// Whether a row tells the flow as it is now: by its code, or, for the code that old models use for both, by where it
/// stands and how it was found (OBX-17).
fn tells_flow(row: &Row) -> bool {
    let how = row.segment.component(17, 1);
    match row.code.term {
        Some(Term::CurrentRate) => true,
        Some(Term::SetRate) => match how {
            "ASET" | "MSET" => false,
            "AMEAS" | "MMEAS" => true,
            _ => row.level == Some(Level::Delivery),
        },
        _ => false,
    }
}

fn volume(
    order: &Order,
    rows: &[&Row],
    parts: &mut Vec<Part>,
    missing: &mut Missing,
) -> Result<(), Refused> {
    let is_it = |r: &Row| r.code.term == Some(Term::TotalVolume);
    if let Some(row) = choose(rows, is_it) {
        parts.extend(figures(order, row, What::Volume, missing)?);
    }
    Ok(())
}

/// Whether a status says that the pump runs; `None` where it says neither.
pub(super) fn running(row: &Row) -> Option<bool> {
    if row.code.term != Some(Term::Status) {
        return None;
    }
    match word(row.segment).as_str() {
        "pump-status-infusing"
        | "pump-status-kvo"
        | "pump-delivery-status-delivering"
        | "pump-delivery-status-kvo" => Some(true),
        "pump-status-not-infusing"
        | "pump-status-ready"
        | "pump-status-standby"
        | "pump-status-paused"
        | "pump-delivery-status-not-delivering" => Some(false),
        _ => None,
    }
}

/// The word of an enumeration (OBX-5): its name, else its code.
pub(super) fn word(segment: &Segment) -> String {
    let name = segment.text(5, 2);
    let word = if name.trim().is_empty() {
        segment.text(5, 1)
    } else {
        name
    };
    word.trim().to_ascii_lowercase()
}

/// The figures of an observation, each at its moment.
fn figures(
    order: &Order,
    row: &Row,
    what: What,
    missing: &mut Missing,
) -> Result<Vec<Part>, Refused> {
    let segment = row.segment;
    if segment.component(11, 1) == "X" {
        return Ok(Vec::new());
    }
    let Some((moment, own)) = row.moment else {
        return Err(Refused::new(segment, "OBX-14", "no time of observation"));
    };
    let part = |tick: i64, figure: Option<f64>| Part {
        tick,
        offset_s: moment.offset_s,
        what,
        figure,
        line: segment.line,
        message: 0,
    };
    if row.is_retracted() {
        return Ok(vec![part(moment.ticks, None)]);
    }
    if let Some(flag) = row.flagged(NOT_MEASURED) {
        missing.push(("OBX-8", flag.to_string()));
        return Ok(vec![part(moment.ticks, Some(f64::NAN))]);
    }
    let values: Vec<&str> = match segment.field(2) {
        "NA" => segment.field(5).split(segment.signs.component).collect(),
        _ => segment.repetitions(5).collect(),
    };
    let times = match (values.len(), order.span) {
        (0, _) => {
            missing.push(("OBX-5", "(empty)".into()));
            return Ok(vec![part(moment.ticks, Some(f64::NAN))]);
        }
        (1, _) => vec![moment.ticks],
        (n, (Some(from), Some(to))) if !own && from.ticks < to.ticks => {
            // Several values stand for as many equal shares of the order's interval.
            let width = to.ticks - from.ticks;
            let share = |i: usize| from.ticks + (width as f64 * i as f64 / n as f64) as i64;
            (0..n).map(share).collect()
        }
        _ => {
            let reason = "several values, and no interval (OBR-7, OBR-8) for them to share";
            return Err(Refused::new(segment, "OBX-5", reason));
        }
    };
    let mut parts = Vec::with_capacity(values.len());
    for (value, tick) in values.into_iter().zip(times) {
        let figure = match plain(segment, value)? {
            Some(value) => in_unit(segment, value, what, "OBX-5")?,
            None => {
                missing.push(("OBX-5", value.chars().take(20).collect()));
                f64::NAN
            }
        };
        parts.push(part(tick, Some(figure)));
    }
    Ok(parts)
}

/// The number of a value; `None` where it only says more or less than one.
fn plain(segment: &Segment, value: &str) -> Result<Option<f64>, Refused> {
    let mut parts = value.split(segment.signs.component);
    let text = match segment.field(2) {
        "SN" => {
            let comparator = parts.next().unwrap_or_default().trim();
            if !matches!(comparator, "" | "=") {
                return Ok(None);
            }
            parts.next().unwrap_or_default()
        }
        _ => parts.next().unwrap_or_default(),
    };
    let no_number = || Refused::new(segment, "OBX-5", "not a number").showing(text);
    match text.trim() {
        "" | "\"\"" => Ok(None),
        text => Ok(Some(number(text).ok_or_else(no_number)?)),
    }
}

fn in_unit(segment: &Segment, value: f64, what: What, field: &'static str) -> Result<f64, Refused> {
    let no_unit = |reason: &str| {
        Refused::new(segment, "OBX-6", reason.to_string()).showing(segment.component(6, 1))
    };
    let unit = unit(segment, 6).map_err(no_unit)?;
    if unit.quantity != what.quantity() {
        return Err(no_unit("not a unit of this figure"));
    }
    let factor = unit
        .factor
        .ok_or_else(|| no_unit("a scale without a fixed size"))?;
    in_range(value * factor, what.range())
        .map_err(|reason| Refused::new(segment, field, reason).showing(&value.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case("0-450", Some(450.0))]
    #[case("-20-450.5", Some(450.5))]
    #[case("-100--20", Some(-20.0))]
    #[case("<300", Some(300.0))]
    #[case("450", None)]
    #[case("0-", None)]
    #[case("low-high", None)]
    fn the_limit_is_the_upper_end_of_the_range(#[case] range: &str, #[case] high: Option<f64>) {
        assert_eq!(high_limit(range), high);
    }
}
