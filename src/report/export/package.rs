//! `datapackage.json`: what each file and column of an export means (Frictionless Data Package).
//!
//! In: which tables stand beside it, and how identities were taken out. Out: its bytes.

use super::deidentify::Stamp;
use super::tables::{Cells, Table};
use serde_json::{Value, json};

/// What the contract's columns mean, with their UCUM unit.
const COLUMNS: [(&str, &str, &str); 10] = [
    ("infusion", "the infusion's name", ""),
    (
        "time",
        "RFC 3339 with offset; as a number, seconds from the record's start",
        "s",
    ),
    (
        "channel",
        "the pump channel; of an event: empty for the whole line",
        "",
    ),
    (
        "pressure_mmhg",
        "pressure at the pump's outlet sensor, gauge; empty: not measured",
        "mm[Hg]",
    ),
    (
        "rate_ml_h",
        "rate that the channel is set to and running at; 0 while paused or stopped",
        "mL/h",
    ),
    ("volume_ml", "volume delivered so far", "mL"),
    ("limit_mmhg", "pressure limit in force", "mm[Hg]"),
    ("event", "what happened", ""),
    (
        "detail",
        "free text, or the new value; in CSV an apostrophe stands before text that a spreadsheet would take for a formula",
        "",
    ),
    ("t_s", "seconds from the record's start", "s"),
];

/// The description of tables written by [`super::export`].
pub(super) fn of(tables: &[(&str, &Table)], stamp: Option<&Stamp>) -> Vec<u8> {
    let resources = tables.iter().map(|(name, table)| {
        let columns = table.columns.iter();
        let columns = columns.map(|(name, cells)| (*name, matches!(cells, Cells::Number(_))));
        resource(name, columns)
    });
    let mut package = json!({
        "name": "patency-export",
        "profile": "tabular-data-package",
        "description": "What was read of an infusion pump's export, in one form; the same rows stand in Parquet and Arrow files of the same names.",
        "resources": resources.collect::<Vec<Value>>(),
    });
    if let (Some(stamp), Some(object)) = (stamp, package.as_object_mut()) {
        object.insert("deidentification".into(), stamp.json());
    }
    serde_json::to_vec_pretty(&package).unwrap_or_default()
}

/// The description of a trace and events in CSV in the contract's columns, given their headers.
pub fn contract_package(name: &str, says: &str, tables: &[(&str, &[u8])]) -> Vec<u8> {
    let resources = tables.iter().map(|(table, bytes)| {
        let mut lines = bytes.split(|b| *b == b'\n');
        let header = String::from_utf8_lossy(lines.next().unwrap_or_default()).into_owned();
        let first = String::from_utf8_lossy(lines.next().unwrap_or_default()).into_owned();
        let cells: Vec<&str> = first.trim_end().split(',').collect();
        let columns = header.trim_end().split(',').zip(0..).map(|(column, at)| {
            let figure =
                column.ends_with("_mmhg") || column.ends_with("_ml_h") || column.ends_with("_ml");
            let counted =
                column == "time" && cells.get(at).is_some_and(|c| c.parse::<f64>().is_ok());
            (column.to_string(), figure || counted)
        });
        let columns: Vec<(String, bool)> = columns.collect();
        resource(table, columns.iter().map(|(c, n)| (c.as_str(), *n)))
    });
    let package = json!({
        "name": name,
        "profile": "tabular-data-package",
        "description": says,
        "resources": resources.collect::<Vec<Value>>(),
    });
    serde_json::to_vec_pretty(&package).unwrap_or_default()
}

fn resource<'c>(name: &str, columns: impl Iterator<Item = (&'c str, bool)>) -> Value {
    let fields: Vec<Value> = columns
        .map(|(column, is_number)| {
            let known = COLUMNS.iter().find(|(name, ..)| *name == column);
            let (_, says, unit) = known.copied().unwrap_or((column, "", ""));
            let kind = match (is_number, column) {
                (true, _) => "number",
                (false, "time") => "datetime",
                (false, _) => "string",
            };
            let mut field = json!({"name": column, "type": kind, "description": says});
            if let Some(field) = field.as_object_mut() {
                if kind == "datetime" {
                    field.insert("format".into(), "any".into()); // offsets other than Z
                }
                if is_number && !unit.is_empty() {
                    field.insert("unit".into(), unit.into());
                }
            }
            field
        })
        .collect();
    json!({
        "name": name,
        "path": format!("{name}.csv"),
        "profile": "tabular-data-resource",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "header": true},
        "schema": {"fields": fields, "missingValues": [""]},
    })
}
