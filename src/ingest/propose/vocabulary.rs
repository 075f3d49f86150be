//! The words by which columns are known, in several languages, and the unit that a header names.

use super::sniff::Sample;
use crate::ingest::mapping::What;
use crate::ingest::unit::Unit;
use std::collections::BTreeSet;

/// Most distinct values of a column that names parameters, channels or events.
const MOST_WORDS: usize = 60;

pub(super) struct Vocabulary {
    pub(super) says: &'static [&'static str],
    but_not: &'static [&'static str],
}

pub(super) const NOT_A_MEASUREMENT: &[&str] = &[
    "limit",
    "threshold",
    "grenz",
    "schwell",
    "max",
    "alarm",
    "seuil",
    "setting",
];

pub(super) fn vocabulary(what: What) -> Vocabulary {
    match what {
        What::Pressure => Vocabulary {
            says: &["press", "druck", "presi", "p_line", "pline"],
            but_not: NOT_A_MEASUREMENT,
        },
        What::Limit => Vocabulary {
            says: &["limit", "threshold", "grenz", "schwell", "seuil"],
            but_not: &["volum", "rate", "vtbi", "dose", "time", "zeit"],
        },
        What::Rate => Vocabulary {
            says: &[
                "rate", "flow", "fluss", "debit", "débit", "caudal", "portata",
            ],
            but_not: &["bolus", "limit", "max", "dose", "kvo", "heart", "resp"],
        },
        What::Volume => Vocabulary {
            says: &["volum", "infused", "delivered", "total", "gesamt"],
            but_not: &[
                "remain", "rest", "vtbi", "limit", "syringe", "target", "bolus",
            ],
        },
    }
}

pub(super) const CHANNEL: &[&str] = &[
    "channel", "kanal", "canal", "pump", "pompe", "module", "modul", "line", "rack", "slot",
];

pub(super) const INFUSION: &[&str] = &["infusion", "therapy", "therapie", "session"];

pub(super) const EVENT: &[&str] = &[
    "event", "ereignis", "alarm", "message", "meldung", "action", "aktion", "what",
];

pub(super) const DETAIL: &[&str] = &[
    "detail",
    "value",
    "wert",
    "parameter",
    "info",
    "text",
    "comment",
    "bemerkung",
];

/// A list for a sentence, of a dozen at most.
pub(super) fn said<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let names: Vec<String> = names.take(12).map(|n| format!("`{}`", shown(n))).collect();
    names.join(", ")
}

pub(super) fn shown(name: &str) -> String {
    name.chars().filter(|c| !c.is_control()).take(40).collect()
}

/// The unit that a column's header or the row of units states, and where.
pub(super) fn header_unit(sample: &Sample, column: usize) -> Option<(Unit, String)> {
    let bare = |text: &str| text.trim_matches(['[', ']', '(', ')']).trim().to_string();
    if let Some(cell) = sample.unit_row.as_ref().and_then(|row| row.get(column))
        && let Some(unit) = Unit::find(&bare(cell))
    {
        return Some((unit, format!("the row of units says `{}`", shown(cell))));
    }
    let header = sample.header.get(column)?;
    let within = |open: char, close: char| {
        let (_, rest) = header.rsplit_once(open)?;
        rest.split_once(close).map(|(inner, _)| inner)
    };
    let brackets = [within('[', ']'), within('(', ')')].into_iter().flatten();
    // mm[Hg] and cm[H2O] have brackets of their own; a last word like `kPa` or `_mmhg` counts too.
    let last = header.rsplit([' ', '_', ',', '/']).next().into_iter();
    let two = header
        .rmatch_indices([' ', '_', ','])
        .next()
        .and_then(|(i, _)| header.get(i + 1..))
        .into_iter();
    let underscored = header
        .rmatch_indices('_')
        .nth(1)
        .and_then(|(i, _)| header.get(i + 1..));
    let slashed = underscored.map(|u| u.replacen('_', "/", 1));
    let mut tried = brackets
        .chain(two)
        .chain(last)
        .map(str::to_string)
        .chain(slashed);
    tried.find_map(|text| {
        let unit = Unit::find(&text)?;
        // A lone letter is too little: `Phase L`, `Zone h`.
        let stated = text.chars().count() > 1 || header.contains(['[', '(']);
        stated.then(|| (unit, format!("the header says `{}`", shown(&text))))
    })
}

/// The header without its unit, in lower case.
pub(super) fn name_of(header: &str) -> String {
    let cut = header
        .find(['[', '('])
        .and_then(|i| header.get(..i))
        .unwrap_or(header);
    cut.trim().to_lowercase()
}

pub(super) fn says(name: &str, vocabulary: &Vocabulary) -> bool {
    vocabulary.says.iter().any(|w| name.contains(w))
        && !vocabulary.but_not.iter().any(|w| name.contains(w))
}

/// Columns of numbers that may be this figure.
pub(super) fn columns_of(sample: &Sample, what: What) -> Vec<usize> {
    let vocabulary = vocabulary(what);
    let numeric = (0..sample.header.len()).filter(|c| sample.is_numeric(*c));
    numeric
        .filter(|c| {
            let header = sample.header.get(*c).map_or("", String::as_str);
            let unit_fits =
                header_unit(sample, *c).is_none_or(|(u, _)| u.quantity == what.quantity());
            unit_fits && says(&name_of(header), &vocabulary)
        })
        .collect()
}

pub(super) fn words_of(sample: &Sample, column: usize) -> Option<BTreeSet<&str>> {
    let mut words = BTreeSet::new();
    for cell in sample.column(column) {
        words.insert(&**cell);
        if MOST_WORDS < words.len() {
            return None;
        }
    }
    (!words.is_empty()).then_some(words)
}

/// The one column of words whose header says this.
pub(super) fn worded(sample: &Sample, vocabulary: &[&str], but: &[usize]) -> Vec<usize> {
    let columns = (0..sample.header.len()).filter(|c| !but.contains(c));
    columns
        .filter(|c| {
            let name = name_of(sample.header.get(*c).map_or("", String::as_str));
            vocabulary.iter().any(|w| name.contains(w)) && header_unit(sample, *c).is_none()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::Source;
    use rstest::rstest;

    fn unit_in(header: &str) -> Option<&'static str> {
        let text = format!("{header};b\n1;2\n3;4\n");
        let mut bytes = text.as_bytes();
        let source = Source {
            name: "x.csv".as_ref(),
            reader: &mut bytes,
        };
        let sample = Sample::read(source, &crate::ingest::sheet::Wanted::default());
        header_unit(&sample.unwrap(), 0).map(|(unit, _)| unit.code)
    }

    #[rstest]
    #[case("Pressure [kPa]", Some("kPa"))]
    #[case("Druck (mbar)", Some("mbar"))]
    #[case("pressure_mmhg", Some("mm[Hg]"))]
    #[case("Line pressure mmHg", Some("mm[Hg]"))]
    #[case("rate mL/h", Some("mL/h"))]
    #[case("rate_ml_h", Some("mL/h"))]
    #[case("Rate (µL/min)", Some("uL/min"))]
    #[case("Pressure (%)", Some("%"))]
    #[case("Pressure", None)]
    #[case("Zone h", None)]
    fn the_unit_is_read_from_the_header(#[case] header: &str, #[case] code: Option<&str>) {
        assert_eq!(unit_in(header), code);
    }
}
