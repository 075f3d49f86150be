//! What survived in files that are to be given away, as text and as JSON.
//!
//! In: the findings and how many files were looked through. Out: [`privacy_text`], [`privacy_json`].

use crate::record::{Looks, Survivor};
use serde_json::json;
use std::collections::BTreeMap;

/// Most places named in the text; the JSON has all that were kept.
const SHOWN: usize = 20;

/// What such a scan cannot see.
const LIMITS: &str = "What has a shape is found: dates, long numbers, addresses, columns by their name. A name in free text has none; pictures, and the properties of old workbooks (.xls), are not looked at: read the files before giving them away.";

/// A noun for one finding, its plural, and its word in JSON.
fn words(looks: Looks) -> (&'static str, &'static str, &'static str) {
    match looks {
        Looks::IdentityColumn => (
            "column that may identify somebody",
            "columns that may identify somebody",
            "identity_column",
        ),
        Looks::Date => ("date", "dates", "date"),
        Looks::LongNumber => ("long number", "long numbers", "long_number"),
        Looks::Mail => ("mail address", "mail addresses", "mail"),
        Looks::Hardware => ("hardware address", "hardware addresses", "hardware"),
        Looks::Internet => ("internet address", "internet addresses", "internet"),
        Looks::Person => (
            "name of who made or changed it",
            "names of who made or changed a file",
            "person",
        ),
        Looks::Comment => ("comment", "comments", "comment"),
        Looks::HiddenSheet => ("hidden sheet", "hidden sheets", "hidden_sheet"),
    }
}

fn counts(found: &[Survivor]) -> BTreeMap<Looks, usize> {
    let mut counts = BTreeMap::new();
    for survivor in found {
        *counts.entry(survivor.looks_like).or_default() += 1;
    }
    counts
}

/// The findings for a terminal: how many of what, and where the first are.
pub fn privacy_text(found: &[Survivor], files: usize) -> String {
    let looked = match files {
        1 => "1 file was looked through".to_string(),
        n => format!("{n} files were looked through"),
    };
    if found.is_empty() {
        return format!("{looked}: nothing was found that may identify somebody.\n{LIMITS}\n");
    }
    let each: Vec<String> = counts(found)
        .into_iter()
        .map(|(looks, n)| match (n, words(looks)) {
            (1, (one, ..)) => format!("1 {one}"),
            (n, (_, many, _)) => format!("{n} {many}"),
        })
        .collect();
    let mut text = format!(
        "{looked}. What may identify somebody: {}.\n",
        each.join(", ")
    );
    for survivor in found.iter().take(SHOWN) {
        let column = survivor.column.as_ref();
        let column = column.map_or_else(String::new, |c| format!("column `{c}`: "));
        let (what, ..) = words(survivor.looks_like);
        let line = match survivor.line {
            0 => String::new(),
            line => format!(":{line}"),
        };
        text += &format!("  {}{line}: {column}{what}\n", survivor.file);
    }
    if SHOWN < found.len() {
        text += &format!("  and {} more\n", found.len() - SHOWN);
    }
    text + LIMITS + "\n"
}

/// The findings as one JSON object.
pub fn privacy_json(found: &[Survivor], files: usize) -> String {
    let counts: BTreeMap<&str, usize> = counts(found)
        .into_iter()
        .map(|(looks, n)| (words(looks).2, n))
        .collect();
    let places: Vec<_> = found
        .iter()
        .map(|s| {
            json!({"file": s.file, "line": (0 < s.line).then_some(s.line), "column": s.column, "looks_like": words(s.looks_like).2})
        })
        .collect();
    let object = json!({
        "schema": "patency.privacy/1",
        "files": files,
        "counts": counts,
        "found": places,
        "limits": LIMITS,
    });
    serde_json::to_string_pretty(&object).map_or_else(|_| String::new(), |text| text + "\n")
}
