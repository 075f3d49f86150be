//! The words by which columns are known, in several languages, and the unit that a header names.

use super::sniff::Sample;
use crate::ingest::letters::plain;
use crate::ingest::mapping::What;
use crate::ingest::unit::Unit;
use std::collections::BTreeSet;

/// Most distinct values of a column that names parameters, channels or events.
const MOST_WORDS: usize = 60;

pub(super) struct Vocabulary {
    pub(super) says: &'static [&'static str],
    but_not: &'static [&'static [&'static str]],
}

impl Vocabulary {
    /// Whether a name says that it is something else.
    fn is_other(&self, name: &str) -> bool {
        self.but_not
            .iter()
            .copied()
            .flatten()
            .any(|w| name.contains(w))
    }
}

/// Words of names of limits, without accents.
const LIMIT: &[&str] = &[
    "limit",
    "limiet",
    "threshold",
    "grenz",
    "grens",
    "grans",
    "graense",
    "schwell",
    "seuil",
    "umbral",
    "soglia",
    "drempel",
    "granic",
];

pub(super) fn vocabulary(what: What) -> Vocabulary {
    match what {
        What::Pressure => Vocabulary {
            says: &[
                "press", "druck", "druk", "presi", "cisnieni", "tryk", "tryck", "p_line", "pline",
            ],
            but_not: &[LIMIT, &["max", "alarm", "setting"]],
        },
        What::Limit => Vocabulary {
            says: LIMIT,
            but_not: &[&["volum", "rate", "vtbi", "dose", "time", "zeit"]],
        },
        What::Rate => Vocabulary {
            says: &[
                "rate",
                "flow",
                "fluss",
                "debit",
                "caudal",
                "portata",
                "velocidad",
                "velocita",
                "predkosc",
                "przeplyw",
                "snelheid",
                "hastighet",
                "hastighed",
            ],
            but_not: &[&[
                "bolus", "limit", "max", "dose", "dosis", "kvo", "heart", "resp",
            ]],
        },
        What::Volume => Vocabulary {
            says: &[
                "volum",
                "infused",
                "delivered",
                "total",
                "gesamt",
                "objetosc",
            ],
            but_not: &[&[
                "remain", "rest", "vtbi", "limit", "syringe", "target", "bolus", "residu",
                "pozosta", "verbleib",
            ]],
        },
    }
}

pub(super) const CHANNEL: &[&str] = &[
    "channel", "kanal", "kanaal", "canal", "pump", "pompe", "pompa", "bomba", "module", "modul",
    "line", "rack", "slot", "perfusor", "voie",
];

pub(super) const INFUSION: &[&str] = &["infusion", "therapy", "therapie", "session"];

/// Names of columns that say whose a row is, without accents (common practice, no source).
pub(super) const WHOSE: &[&str] = &[
    "patient",
    "patiente",
    "paciente",
    "paziente",
    "pacjent",
    "mrn",
    "case",
    "fall",
    "fallnummer",
    "fallnr",
    "order",
    "auftrag",
    "akte",
    "dossier",
    "sejour",
    "stay",
    "encounter",
    "visit",
    "episode",
    "nom",
    "surname",
    "nachname",
];

/// Names of columns that say what a pump does, without accents (common practice, no source).
pub(super) const STATE: &[&str] = &[
    "state",
    "status",
    "zustand",
    "betrieb",
    "running",
    "lauft",
    "active",
    "aktiv",
    "etat",
    "statut",
    "estado",
    "stato",
    "stan",
    "toestand",
    "mode",
    "modus",
    "delivering",
    "infusing",
];

/// Words of cells that say whether a pump runs, without accents (common practice, no source).
pub(super) const STATES: &[&str] = &[
    "kvo",
    "off",
    "run",
    "running",
    "infusing",
    "delivering",
    "stop",
    "stopped",
    "pause",
    "paused",
    "hold",
    "standby",
    "halt",
    "lauft",
    "angehalten",
    "gestoppt",
    "pausiert",
    "marche",
    "en marche",
    "arret",
    "arrete",
    "en marcha",
    "detenido",
    "in funzione",
    "fermo",
    "praca",
];

pub(super) const EVENT: &[&str] = &[
    "event",
    "ereignis",
    "evenement",
    "evento",
    "zdarzenie",
    "alarm",
    "message",
    "meldung",
    "action",
    "aktion",
    "what",
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

/// The unit that a column's header or the row of units states, and where. The row of units goes before.
pub(super) fn header_unit(sample: &Sample, column: usize) -> Option<(Unit, String)> {
    unit_in_row(sample, column).or_else(|| unit_in_name(sample, column))
}

/// The unit that the row of units states.
pub(super) fn unit_in_row(sample: &Sample, column: usize) -> Option<(Unit, String)> {
    let cell = sample.unit_row.as_ref()?.get(column)?;
    let said = format!("the row of units says `{}`", shown(cell));
    Unit::in_cell(cell).map(|unit| (unit, said))
}

/// The unit that the column's name states.
pub(super) fn unit_in_name(sample: &Sample, column: usize) -> Option<(Unit, String)> {
    let (unit, text) = Unit::in_header(sample.header.get(column)?)?;
    Some((unit, format!("the header says `{}`", shown(text))))
}

/// What stands in brackets at the end of a name and is no unit that is known.
pub(super) fn unknown_unit(header: &str) -> Option<&str> {
    let (_, inner) = header.trim_end().rsplit_once(['[', '('])?;
    let inner = inner.trim_end_matches([']', ')']).trim();
    (!inner.is_empty() && Unit::find(inner).is_none()).then_some(inner)
}

/// The header without its unit, in lower case.
pub(super) fn name_of(header: &str) -> String {
    let cut = header
        .find(['[', '('])
        .and_then(|i| header.get(..i))
        .unwrap_or(header);
    plain(cut.trim())
}

/// Whether a name has one of these words.
pub(super) fn has_word(name: &str, words: &[&str]) -> bool {
    let name = plain(name);
    name.split(|c: char| !c.is_alphanumeric())
        .any(|w| words.contains(&w))
}

pub(super) fn says(name: &str, vocabulary: &Vocabulary) -> bool {
    vocabulary.says.iter().any(|w| name.contains(w)) && !vocabulary.is_other(name)
}

/// Columns of numbers that may be this figure: by their unit or, where none is written, by their name.
pub(super) fn columns_of(sample: &Sample, what: What) -> Vec<usize> {
    let vocabulary = vocabulary(what);
    let numeric = (0..sample.header.len()).filter(|c| sample.is_numeric(*c));
    let named = |c: &usize| says(&name(sample, *c), &vocabulary);
    let fits: Vec<usize> = numeric
        .filter(|c| match header_unit(sample, *c) {
            Some((unit, _)) => unit.quantity == what.quantity(),
            None => unknown_unit(&sample.header[*c]).is_none() || named(c),
        })
        .collect();
    let by_name: Vec<usize> = fits.iter().copied().filter(named).collect();
    let by_unit = fits.iter().copied().filter(|c| {
        let is_other = vocabulary.is_other(&name(sample, *c));
        header_unit(sample, *c).is_some_and(|(unit, _)| unit.factor.is_some()) && !is_other
    });
    match what {
        // A limit is told from a pressure by its name and by nothing else.
        What::Limit => by_name,
        // What rises and never falls may be the volume; a container's size does neither.
        What::Volume if by_name.is_empty() => by_unit.filter(|c| rises(sample, *c)).collect(),
        What::Volume => by_name,
        What::Pressure | What::Rate => {
            let mut all: Vec<usize> = by_unit.chain(by_name).collect();
            all.sort_unstable();
            all.dedup();
            all
        }
    }
}

fn name(sample: &Sample, column: usize) -> String {
    name_of(sample.header.get(column).map_or("", String::as_str))
}

/// Whether the figures of a column rise on the whole, several channels among one another.
fn rises(sample: &Sample, column: usize) -> bool {
    let figures: Vec<f64> = sample
        .column(column)
        .filter_map(|c| sample.number(c))
        .collect();
    let half = figures.len() / 2;
    let most = |part: &[f64]| part.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (first, second) = figures.split_at(half);
    0 < half && most(first) < most(second)
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
            let name = name(sample, *c);
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
