//! Finds what belongs to each infusion of the list, in either layout.
//!
//! In: the folder and its list. Out: one [`Found`] per row of the list, in its order. An infusion is put together when its turn
//! comes, from a folder of its own or from [`Shared`] tables, which are read once before.

use super::super::open;
use crate::error::{Error, Result};
use crate::ingest::{self, InfusionRow, Infusions, Settings, SharedEvents, SharedTrace, Source};
use crate::record::Record;
use rayon::prelude::*;
use std::collections::BTreeSet;
use std::path::{Component, Path, PathBuf};
use std::sync::Mutex;

/// Where an infusion's record is.
pub enum Found {
    /// In a folder of its own.
    Folder(Folder),
    /// In tables that it shares with others; the path of its line file.
    Shared(Option<PathBuf>),
    /// Nowhere, or not usable: why.
    Not(String),
}

/// An infusion's own folder.
pub struct Folder {
    trace: PathBuf,
    events: Option<PathBuf>,
    line: Option<PathBuf>,
    infusion: String,
    settings: Settings,
}

/// Everything that was found, and what was wrong with files that belong to no single infusion.
pub struct Gathered {
    /// One for each row of the list.
    pub found: Vec<Found>,
    /// `(file, why it was not used)`.
    pub files: Vec<(String, String)>,
    /// The tables that infusions share.
    pub shared: Shared,
}

/// Looks for each infusion. `working` is the folder for files that are needed meanwhile.
///
/// # Errors
/// The folder of shared tables cannot be listed.
pub fn gather(
    dir: &Path,
    list: &Infusions,
    settings: &Settings,
    working: &Path,
) -> Result<Gathered> {
    let mut files = Vec::new();
    let mut shared = match dir.join("traces").is_dir() {
        true => Shared::read(dir, settings, working, &mut files)?,
        false => Shared::default(),
    };
    let found = list
        .rows
        .iter()
        .map(|row| match shared.has(&row.infusion) {
            true => Found::Shared(row.line_file.as_ref().map(|l| dir.join(l))),
            false => folder(dir, row, settings),
        })
        .collect();
    Ok(Gathered {
        found,
        files,
        shared,
    })
}

fn folder(dir: &Path, row: &InfusionRow, settings: &Settings) -> Found {
    // A name is one folder's name: `..` or a path would lead out of the survey.
    let mut parts = Path::new(&row.infusion).components();
    if !matches!(
        (parts.next(), parts.next()),
        (Some(Component::Normal(_)), None)
    ) {
        return Found::Not(
            "the name cannot be that of a folder, and no table in `traces` has it".into(),
        );
    }
    let own = dir.join(&row.infusion);
    let table = |name: &str| {
        let mut endings = TABLES.iter().chain(&MESSAGES);
        endings.find_map(|ending| {
            let path = own.join(name).with_extension(ending);
            path.is_file().then_some(path)
        })
    };
    let Some(trace) = table("trace") else {
        return Found::Not(format!(
            "there is no {}, and no table in `traces` has it",
            own.join("trace.csv").display()
        ));
    };
    let events = table("events");
    Found::Folder(Folder {
        trace,
        events,
        line: row.line_file.as_ref().map(|l| dir.join(l)),
        infusion: row.infusion.clone(),
        settings: settings.clone(),
    })
}

impl Folder {
    /// Reads the record.
    pub fn read(&self) -> Result<Record> {
        let mut records = open::records(
            &self.trace,
            self.events.as_deref(),
            self.line.as_deref(),
            &self.settings,
        )?;
        let mut record = match records.len() {
            1 => records.remove(0),
            _ => {
                let own = records
                    .iter()
                    .position(|r| r.infusion.as_ref() == Some(&self.infusion));
                let own = own.ok_or_else(|| {
                    Error::in_file(
                        &self.trace,
                        format!(
                            "the trace has several infusions, but none named `{}`",
                            self.infusion
                        ),
                    )
                })?;
                records.remove(own)
            }
        };
        record.infusion = Some(self.infusion.clone());
        Ok(record)
    }
}

/// Tables in `traces` and `events`, read but for the rows of the traces, which wait in unnamed files beside the results.
#[derive(Default)]
pub struct Shared {
    traces: Vec<Mutex<SharedTrace>>,
    events: SharedEvents,
    keep_going: bool,
}

impl Shared {
    /// Reads the tables: traces in parallel.
    fn read(
        dir: &Path,
        settings: &Settings,
        working: &Path,
        files: &mut Vec<(String, String)>,
    ) -> Result<Self> {
        let tables = tables_in(&dir.join("traces"))?;
        let read: Vec<_> = tables
            .par_iter()
            .map(|path| (path, shared_trace(path, settings, working)))
            .collect();
        let mut traces = Vec::with_capacity(read.len());
        for (path, trace) in read {
            match trace {
                Ok(trace) => traces.push(trace),
                Err(error) => files.push((path.display().to_string(), error.to_string())),
            }
        }
        let mut events = SharedEvents::default();
        let all: Vec<&SharedTrace> = traces.iter().collect();
        for path in tables_in(&dir.join("events"))? {
            if let Err(error) = with_source(&path, |source| events.read(source, &all, settings)) {
                files.push((path.display().to_string(), error.to_string()));
            }
        }
        Ok(Self {
            traces: traces.into_iter().map(Mutex::new).collect(),
            events,
            keep_going: settings.keep_going,
        })
    }

    /// One trace, with its events.
    pub fn of_one(
        trace: Source,
        events: Option<&Path>,
        settings: &Settings,
        working: &Path,
    ) -> Result<Self> {
        let trace = SharedTrace::read(trace, settings, Box::new(working_file(working)?))?;
        let mut all = SharedEvents::default();
        if let Some(path) = events {
            with_source(path, |source| all.read(source, &[&trace], settings))?;
        }
        Ok(Self {
            traces: vec![Mutex::new(trace)],
            events: all,
            keep_going: settings.keep_going,
        })
    }

    /// The infusions of the traces, in order of name.
    pub fn names(&self) -> Vec<String> {
        let locked = self.traces.iter().filter_map(|t| t.lock().ok());
        let names: BTreeSet<String> = locked
            .flat_map(|t| t.names().map(str::to_string).collect::<Vec<_>>())
            .collect();
        names.into_iter().collect()
    }

    fn has(&mut self, infusion: &str) -> bool {
        let traces = self.traces.iter_mut();
        let mut sound = traces.filter_map(|t| t.get_mut().ok());
        sound.any(|t| t.has(infusion))
    }

    /// Puts an infusion together: its rows from all tables, its events, its line.
    pub fn record(&self, infusion: &str, line: Option<&Path>) -> Result<Record> {
        let mut parts = Vec::new();
        for trace in &self.traces {
            let mut trace = trace
                .lock()
                .map_err(|_| Error::new("another infusion of the same table failed"))?;
            parts.extend(trace.take(infusion)?);
        }
        let mut record = ingest::join(parts)?;
        if !self.keep_going && too_many_rejected(&record) {
            return Err(Error::new(rejected(&record)));
        }
        self.events.attach(&mut record)?;
        if let Some(path) = line {
            let line = with_source(path, |source| ingest::read_line(source, &record.clock))?;
            ingest::attach_line(&mut record, line);
        }
        Ok(record)
    }
}

fn shared_trace(path: &Path, settings: &Settings, working: &Path) -> Result<SharedTrace> {
    let store = working_file(working)?;
    with_source(path, |source| {
        SharedTrace::read(source, settings, Box::new(store))
    })
}

/// An unnamed file: whatever ends the run, nothing of it stays behind.
fn working_file(folder: &Path) -> Result<std::fs::File> {
    tempfile::tempfile_in(folder).map_err(|e| {
        Error::in_file(folder, format!("no working file can be made here: {e}"))
            .hint("choose a folder you may write to, with space left, with --out")
    })
}

fn too_many_rejected(record: &Record) -> bool {
    let intake = &record.intake;
    ingest::MOST_REJECTED * (intake.rows as f64) < intake.rows_rejected as f64
}

fn rejected(record: &Record) -> String {
    let intake = &record.intake;
    let first = intake.rejected.first().map_or_else(String::new, |r| {
        format!(
            "; the first, in line {}: column `{}`: {}",
            r.line, r.column, r.reason
        )
    });
    format!(
        "{} of {} rows cannot be used{first} (`--keep-going` uses the rest)",
        intake.rows_rejected, intake.rows
    )
}

/// Endings of tables that are looked for.
const TABLES: [&str; 8] = [
    "csv", "parquet", "arrow", "arrows", "feather", "xlsx", "xls", "ods",
];

/// Endings of files of messages, which an infusion may have of its own.
const MESSAGES: [&str; 1] = ["hl7"];

/// The tables of a folder, by name; none where the folder is missing.
pub fn tables_in(dir: &Path) -> Result<Vec<PathBuf>> {
    if !dir.is_dir() {
        return Ok(Vec::new());
    }
    let cannot = |e: std::io::Error| Error::in_file(dir, format!("cannot be listed: {e}"));
    let mut tables = Vec::new();
    for entry in std::fs::read_dir(dir).map_err(cannot)? {
        let path = entry.map_err(cannot)?.path();
        let is_table = path
            .extension()
            .is_some_and(|ending| TABLES.iter().any(|t| ending.eq_ignore_ascii_case(t)));
        if is_table && path.is_file() {
            tables.push(path);
        }
    }
    tables.sort();
    Ok(tables)
}

/// Has a file read.
pub fn with_source<T>(path: &Path, read: impl FnOnce(Source) -> Result<T>) -> Result<T> {
    read(Source {
        name: path,
        reader: &mut open::file(path)?,
    })
}
