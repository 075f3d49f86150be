//! Reviews all infusions in parallel, and keeps what was done so that a run that was stopped can go on.
//!
//! Kept reviews lie in `OUT/reviews`, one file each, named by the digest of record and program. A file is written beside and
//! renamed: it is whole or not there. What a stopped run left half-written is removed at the next start.

use super::fingerprint::{fingerprint, program};
use super::gather::{Found, Gathered, Shared};
use super::kept;
use crate::error::{Error, Result};
use crate::ingest::{InfusionRow, Infusions};
use crate::record::{Priors, Record};
use crate::run;
use crate::study::{Cohort, Facts, Member, Skipped};
use indicatif::{ProgressBar, ProgressStyle};
use rayon::prelude::*;
use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

/// Begins the name of every file that is not whole yet; the files of results beside use the same.
const PART: &str = ".patency-";

/// The kept reviews of an output folder.
pub struct Keep {
    dir: PathBuf,
    program: Vec<u8>,
    used: Mutex<BTreeSet<String>>,
}

impl Keep {
    /// Makes the folders where they are missing, and removes what a stopped run left half-written.
    pub fn open(out: &Path) -> Result<Self> {
        let dir = out.join("reviews");
        std::fs::create_dir_all(&dir).map_err(|e| cannot(&dir, &e))?;
        for folder in [out, &dir] {
            for name in names(folder).filter(|n| n.starts_with(PART)) {
                let _ = std::fs::remove_file(folder.join(name)); // one that stays does no harm
            }
        }
        Ok(Self {
            dir,
            program: program(),
            used: Mutex::new(BTreeSet::new()),
        })
    }

    /// The kept review of this record, or a new one, kept from now on.
    fn facts(&self, record: &Record) -> Result<Facts> {
        let name = format!("{}.json", fingerprint(&self.program, record));
        let path = self.dir.join(&name);
        let there = std::fs::read(&path)
            .ok()
            .and_then(|bytes| kept::read(&bytes));
        let facts = match there {
            Some(facts) => facts,
            None => {
                let facts = review(record)?;
                let mut part = tempfile::Builder::new()
                    .prefix(PART)
                    .tempfile_in(&self.dir)
                    .map_err(|e| cannot(&path, &e))?;
                part.write_all(&kept::write(&facts))
                    .map_err(|e| cannot(&path, &e))?;
                part.persist(&path).map_err(|e| cannot(&path, &e.error))?;
                facts
            }
        };
        if let Ok(mut used) = self.used.lock() {
            used.insert(name);
        }
        Ok(facts)
    }

    /// Removes the folders of a run that failed before anything was kept.
    pub fn abandon(&self) {
        let _ = std::fs::remove_dir(&self.dir); // only if empty
        if let Some(out) = self.dir.parent() {
            let _ = std::fs::remove_dir(out);
        }
    }

    /// Removes kept reviews that this run did not need: of records that have changed, or of another program.
    pub fn forget_the_unused(&self) {
        let Ok(used) = self.used.lock() else {
            return;
        };
        for name in names(&self.dir).filter(|n| n.ends_with(".json") && !used.contains(n)) {
            let _ = std::fs::remove_file(self.dir.join(name));
        }
    }
}

fn names(dir: &Path) -> impl Iterator<Item = String> {
    let entries = std::fs::read_dir(dir).into_iter().flatten().flatten();
    entries.filter_map(|e| e.file_name().into_string().ok())
}

fn cannot(what: &Path, e: &std::io::Error) -> Error {
    Error::in_file(what, format!("cannot be written: {e}"))
        .hint("choose a folder you may write to, with space left, with --out")
}

/// Reviews whatever was found; the members stand in the order of the list.
///
/// # Errors
/// Reviews cannot be kept (disk full, folder gone): a survey that goes on would have to start anew every time.
pub fn review_all(
    gathered: Gathered,
    list: &Infusions,
    priors: &Priors,
    keep: Option<&Keep>,
) -> Result<Cohort> {
    let bar = progress(gathered.found.len() as u64);
    let Gathered {
        found,
        files,
        shared,
    } = gathered;
    let reviewed: Vec<Outcome> = found
        .into_par_iter()
        .zip(&list.rows)
        .map(|(found, row)| {
            let outcome = one(found, row, &shared, priors, keep);
            bar.inc(1);
            outcome
        })
        .collect();
    bar.finish_and_clear();

    let mut cohort = Cohort {
        columns: list.columns.clone(),
        ..Cohort::default()
    };
    let skipped = |(infusion, reason): &(String, String)| Skipped {
        infusion: infusion.clone(),
        reason: reason.clone(),
    };
    cohort
        .skipped
        .extend(list.faulty.iter().chain(&files).map(skipped));
    for (row, outcome) in list.rows.iter().zip(reviewed) {
        match outcome {
            Outcome::Facts(facts) => cohort.members.push(Member {
                infusion: row.infusion.clone(),
                labels: row.cells.clone(),
                facts: *facts,
            }),
            Outcome::Skipped(reason) => cohort.skipped.push(Skipped {
                infusion: row.infusion.clone(),
                reason,
            }),
            Outcome::CannotKeep(error) => return Err(error),
        }
    }
    Ok(cohort)
}

enum Outcome {
    Facts(Box<Facts>),
    Skipped(String),
    CannotKeep(Error),
}

fn one(
    found: Found,
    row: &InfusionRow,
    shared: &Shared,
    priors: &Priors,
    keep: Option<&Keep>,
) -> Outcome {
    let record = match found {
        Found::Folder(folder) => folder.read(),
        Found::Shared(line) => shared.record(&row.infusion, line.as_deref()),
        Found::Not(reason) => return Outcome::Skipped(reason),
    };
    let record = match record {
        Ok(record) => Record {
            priors: priors.clone(),
            ..record
        },
        Err(error) => return Outcome::Skipped(error.to_string()),
    };
    let facts = match keep {
        Some(keep) => keep.facts(&record),
        None => review(&record),
    };
    match facts {
        Ok(facts) => Outcome::Facts(Box::new(facts)),
        Err(error) if error.place.is_some() => Outcome::CannotKeep(error),
        Err(error) => Outcome::Skipped(error.what),
    }
}

/// Reviews one record. No input makes the review panic, as far as is known; if one did, it would cost that record alone.
fn review(record: &Record) -> Result<Facts> {
    std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        Facts::of(record, &run::review(record))
    }))
    .map_err(|_| {
        Error::new("the review failed on this record, which it never should; please report it")
    })
}

/// Shown on a terminal only.
fn progress(length: u64) -> ProgressBar {
    let style =
        ProgressStyle::with_template("{pos} of {len} infusions reviewed, {eta} left {wide_bar}");
    let bar = ProgressBar::new(length);
    style.map_or(bar.clone(), |style| bar.with_style(style))
}
