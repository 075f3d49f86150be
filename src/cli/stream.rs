//! `patency review --arrow`: an Arrow IPC stream of many infusions' rows in, one of their reviews out.
//!
//! For engines that call a program once for each part of a large data set. Standard input holds the contract's trace with a column
//! `infusion`, in any order; standard output gets a row for each infusion. What goes wrong with one is said in its row.

use super::survey::{Shared, kept};
use super::{open, out};
use crate::error::Result;
use crate::ingest::{self, Settings, Source};
use crate::record::Priors;
use crate::report::tables::{Reviewed, reviews_arrow};
use crate::study::Facts;
use crate::{error::Error, report, run};
use rayon::prelude::*;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// What the stream is called in messages.
const NAME: &str = "standard input";

/// Reviews all infusions of the stream. `list` names the line file of each, as a survey's `infusions.csv` does.
///
/// # Errors
/// The stream, the events or the list cannot be read.
pub fn run(
    events: Option<&Path>,
    list: Option<&Path>,
    priors: &Priors,
    settings: &Settings,
) -> Result<()> {
    let lines = list.map(line_files).transpose()?.unwrap_or_default();
    let mut stdin = std::io::stdin().lock();
    let stream = Source {
        name: NAME.as_ref(),
        reader: &mut stdin,
    };
    let shared = Shared::of_one(stream, events, settings, &std::env::temp_dir())?;
    let names = shared.names();
    let rows: Vec<Reviewed> = names
        .into_par_iter()
        .map(|infusion| reviewed(&shared, infusion, &lines, priors))
        .collect();
    let table = reviews_arrow(&rows)
        .map_err(|e| Error::new(format!("the reviews cannot be written as Arrow: {e}")))?;
    out::write(&table)
}

fn reviewed(
    shared: &Shared,
    infusion: String,
    lines: &HashMap<String, PathBuf>,
    priors: &Priors,
) -> Reviewed {
    let line = lines.get(&infusion).map(PathBuf::as_path);
    match shared.record(&infusion, line) {
        Ok(mut record) => {
            record.priors = priors.clone();
            let review = run::review(&record);
            Reviewed {
                infusion,
                error: None,
                review: Some(report::review_json(&record, &review)),
                facts: String::from_utf8(kept::write(&Facts::of(&record, &review))).ok(),
            }
        }
        Err(error) => Reviewed {
            infusion,
            error: Some(error.to_string()),
            review: None,
            facts: None,
        },
    }
}

/// The line file of each infusion; paths are relative to the list.
fn line_files(list: &Path) -> Result<HashMap<String, PathBuf>> {
    let read = ingest::read_infusions(Source {
        name: list,
        reader: &mut open::file(list)?,
    })?;
    let dir = list.parent().unwrap_or(Path::new(""));
    let named = read
        .rows
        .into_iter()
        .filter_map(|row| Some((row.infusion, dir.join(row.line_file?))));
    Ok(named.collect())
}
