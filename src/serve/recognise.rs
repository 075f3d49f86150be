//! Which of the files that were dropped is the trace, which the events, the line, the mapping: a first guess that the
//! user sees and may change.

use crate::record::EventKind;
use serde::{Deserialize, Serialize};

/// What a file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Role {
    /// Pressure and rate over time.
    Trace,
    /// What people and pumps did.
    Events,
    /// What lies between pump and patient.
    Line,
    /// How an export is to be read.
    Mapping,
    /// Not to be used.
    Aside,
}

impl Role {
    /// All roles, in the order in which a form offers them.
    pub const ALL: [Role; 5] = [
        Role::Trace,
        Role::Events,
        Role::Line,
        Role::Mapping,
        Role::Aside,
    ];

    /// Its word in the store and in forms.
    pub fn word(self) -> &'static str {
        match self {
            Role::Trace => "trace",
            Role::Events => "events",
            Role::Line => "line",
            Role::Mapping => "mapping",
            Role::Aside => "aside",
        }
    }

    /// Reads the word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|r| r.word() == word)
    }
}

/// The first bytes of a file, its name and its size: all that the guess looks at.
pub struct Glimpse<'a> {
    /// The name that the browser gave; only its ending is looked at.
    pub name: &'a str,
    /// How long the file is.
    pub bytes: u64,
    /// Its first few thousand bytes.
    pub head: &'a [u8],
}

/// A guess for each file; no role but `aside` is given twice.
pub fn roles(files: &[Glimpse]) -> Vec<Role> {
    let mut roles: Vec<Option<Role>> = files.iter().map(toml_role).collect();
    let mut tables: Vec<usize> = (0..files.len()).filter(|&i| roles[i].is_none()).collect();
    // The events are the smaller table, or the one whose head speaks of events.
    tables.sort_by_key(|&i| (event_words(&files[i]), std::cmp::Reverse(files[i].bytes)));
    for (&i, role) in tables.iter().zip([Role::Trace, Role::Events]) {
        roles[i] = Some(role);
    }
    let mut seen = Vec::new();
    roles
        .into_iter()
        .map(|role| match role {
            Some(role) if !seen.contains(&role) => {
                seen.push(role);
                role
            }
            _ => Role::Aside,
        })
        .collect()
}

/// Whether a trace is in the contract's form, so that what is wrong in it is an error and not a question.
pub fn is_in_contract_form(head: &[u8]) -> bool {
    let head = String::from_utf8_lossy(head);
    let first = head.lines().next().unwrap_or_default();
    let has = |name: &str| {
        let mut cells = first.split(',').map(|c| c.trim().trim_matches('"'));
        cells.any(|c| c == name)
    };
    has("pressure_mmhg") && has("rate_ml_h")
}

fn toml_role(file: &Glimpse) -> Option<Role> {
    let is_toml = file.name.to_lowercase().ends_with(".toml");
    let head = String::from_utf8_lossy(file.head);
    let heads = |word: &str| head.lines().any(|l| l.trim_start().starts_with(word));
    is_toml.then(|| {
        if heads("[trace") || heads("[events") {
            Role::Mapping
        } else {
            Role::Line
        }
    })
}

/// 0 for a table of figures, 1 where the head has a column of events or their words.
fn event_words(file: &Glimpse) -> u8 {
    let head = String::from_utf8_lossy(file.head).to_lowercase();
    let first = head.lines().next().unwrap_or_default();
    let cells = |line: &str, word: &str| {
        line.split([',', ';', '\t'])
            .any(|c| c.trim().trim_matches('"') == word)
    };
    let spoken = EventKind::WORDS
        .iter()
        .any(|word| head.lines().skip(1).any(|l| cells(l, word)));
    u8::from(cells(first, "event") || spoken)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn glimpse<'a>(name: &'a str, bytes: u64, head: &'a str) -> Glimpse<'a> {
        Glimpse {
            name,
            bytes,
            head: head.as_bytes(),
        }
    }

    #[test]
    fn each_file_of_a_drop_is_given_its_role_in_any_order() {
        let trace = glimpse(
            "a.csv",
            90,
            "time,channel,pressure_mmhg,rate_ml_h\n0,pn,31,4\n",
        );
        let events = glimpse("b.csv", 900, "time,channel,event,detail\n0,pn,start,\n");
        let line = glimpse("c.TOML", 50, "[access]\nkind = \"picc\"\n");
        let mapping = glimpse("d.toml", 50, "# how\n[trace]\ntime = \"t\"\n");
        let given = roles(&[events, mapping, line, trace]);
        assert_eq!(
            given,
            [Role::Events, Role::Mapping, Role::Line, Role::Trace]
        );
    }

    #[test]
    fn the_contract_s_form_is_known_by_its_header() {
        assert!(is_in_contract_form(
            b"time,\"pressure_mmhg\", rate_ml_h\r\n0,??,4\n"
        ));
        assert!(!is_in_contract_form(b"Zeit;pressure_mmhg;rate_ml_h\n"));
        assert!(!is_in_contract_form(b"time,pressure,rate_ml_h\n"));
    }

    #[test]
    fn a_stranger_s_export_is_the_trace_and_a_second_line_file_is_left_aside() {
        let export = glimpse("x.txt", 9, "Datum;Druck\n1;2\n");
        let line = || glimpse("l.toml", 9, "[filter]\n");
        assert_eq!(
            roles(&[line(), export, line()]),
            [Role::Line, Role::Trace, Role::Aside]
        );
        assert_eq!(roles(&[]), []);
    }
}
