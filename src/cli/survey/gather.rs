//! Finds what belongs to each infusion of the list, in either layout.
//!
//! In: the folder and its list. Out: one [`Found`] per row of the list, in its order. An infusion with a folder of its own is
//! read when its turn comes; those in shared tables are read together, each table once.

use super::super::open;
use crate::error::{Error, Result};
use crate::ingest::{self, InfusionRow, Infusions, Settings, Source};
use crate::record::Record;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};

/// Where an infusion's record is.
pub enum Found {
    /// In a folder of its own.
    Folder(Folder),
    /// Read already.
    Record(Box<Record>),
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
}

/// Looks for each infusion.
///
/// # Errors
/// The folder of shared tables cannot be listed.
pub fn gather(dir: &Path, list: &Infusions, settings: &Settings) -> Result<Gathered> {
    let mut files = Vec::new();
    let mut shared = if dir.join("traces").is_dir() {
        shared_records(dir, list, settings, &mut files)?
    } else {
        BTreeMap::new()
    };
    let found = list
        .rows
        .iter()
        .map(|row| match shared.remove(&row.infusion) {
            Some(Ok(record)) => with_line(dir, row, record),
            Some(Err(reason)) => Found::Not(reason),
            None => folder(dir, row, settings),
        })
        .collect();
    Ok(Gathered { found, files })
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
    let trace = own.join("trace.csv");
    if !trace.is_file() {
        return Found::Not(format!(
            "there is no {}, and no table in `traces` has it",
            trace.display()
        ));
    }
    let events = Some(own.join("events.csv")).filter(|e| e.exists());
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

type Shared = BTreeMap<String, std::result::Result<Record, String>>;

/// Reads the tables in `traces` and `events`: each in parallel, an infusion split over several joined.
fn shared_records(
    dir: &Path,
    list: &Infusions,
    settings: &Settings,
    files: &mut Vec<(String, String)>,
) -> Result<Shared> {
    let tables = tables_in(&dir.join("traces"))?;
    // One infusion's bad rows must not stop the others': judged for each below.
    let lenient = Settings {
        keep_going: true,
        mapping: settings.mapping.clone(),
    };
    let read: Vec<_> = tables
        .par_iter()
        .map(|path| (path, read_table(path, &lenient)))
        .collect();
    let listed: std::collections::BTreeSet<&str> =
        list.rows.iter().map(|r| r.infusion.as_str()).collect();
    let mut parts: BTreeMap<String, Vec<Record>> = BTreeMap::new();
    for (path, records) in read {
        match records {
            Ok(records) => {
                for record in records {
                    let Some(name) = record
                        .infusion
                        .clone()
                        .filter(|n| listed.contains(n.as_str()))
                    else {
                        continue;
                    };
                    parts.entry(name).or_default().push(record);
                }
            }
            Err(error) => files.push((path.display().to_string(), error.to_string())),
        }
    }
    let mut records: BTreeMap<String, Record> = BTreeMap::new();
    let mut shared = Shared::new();
    for (name, parts) in parts {
        match ingest::join(parts) {
            Ok(record) if !settings.keep_going && too_many_rejected(&record) => {
                shared.insert(name, Err(rejected(&record)));
            }
            Ok(record) => {
                records.insert(name, record);
            }
            Err(error) => {
                shared.insert(name, Err(error.to_string()));
            }
        }
    }
    for path in tables_in(&dir.join("events"))? {
        match attach_events(&mut records, &path, settings) {
            Ok(faulty) => {
                for (name, error) in faulty {
                    records.remove(&name);
                    shared.entry(name).or_insert_with(|| Err(error.to_string()));
                }
            }
            Err(error) => files.push((path.display().to_string(), error.to_string())),
        }
    }
    shared.extend(records.into_iter().map(|(name, record)| (name, Ok(record))));
    Ok(shared)
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

/// CSV and Parquet files of a folder, by name; none where the folder is missing.
fn tables_in(dir: &Path) -> Result<Vec<PathBuf>> {
    if !dir.is_dir() {
        return Ok(Vec::new());
    }
    let cannot = |e: std::io::Error| Error::in_file(dir, format!("cannot be listed: {e}"));
    let mut tables = Vec::new();
    for entry in std::fs::read_dir(dir).map_err(cannot)? {
        let path = entry.map_err(cannot)?.path();
        let is_table = path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("csv") || is_parquet(e));
        if is_table && path.is_file() {
            tables.push(path);
        }
    }
    tables.sort();
    Ok(tables)
}

fn is_parquet(extension: &std::ffi::OsStr) -> bool {
    extension.eq_ignore_ascii_case("parquet")
}

/// Has a table read, as text if it is Parquet.
fn with_source<T>(path: &Path, read: impl FnOnce(Source) -> Result<T>) -> Result<T> {
    let mut file = open::file(path)?;
    if path.extension().is_some_and(is_parquet) {
        let mut bytes = Vec::new();
        std::io::Read::read_to_end(&mut file, &mut bytes)
            .map_err(|e| Error::in_file(path, format!("cannot be read: {e}")))?;
        let text = ingest::parquet_as_csv(path, bytes)?;
        return read(Source {
            name: path,
            reader: &mut text.as_slice(),
        });
    }
    read(Source {
        name: path,
        reader: &mut file,
    })
}

fn read_table(path: &Path, settings: &Settings) -> Result<Vec<Record>> {
    let records = with_source(path, |source| {
        ingest::read_records(source, None, None, settings)
    })?;
    match records.iter().any(|r| r.infusion.is_some()) {
        true => Ok(records),
        false => Err(Error::in_file(path, "there is no column `infusion`")
            .at_line(1)
            .hint("tables in `traces` name the infusion of each row; give an infusion without it a folder of its own")),
    }
}

fn attach_events(
    records: &mut BTreeMap<String, Record>,
    path: &Path,
    settings: &Settings,
) -> Result<Vec<(String, Error)>> {
    with_source(path, |source| {
        ingest::attach_events(records, source, settings)
    })
}

fn with_line(dir: &Path, row: &InfusionRow, mut record: Record) -> Found {
    if let Some(line_file) = &row.line_file {
        let path = dir.join(line_file);
        let line = with_source(&path, |source| ingest::read_line(source, &record.clock));
        match line {
            Ok(line) => ingest::attach_line(&mut record, line),
            Err(error) => return Found::Not(error.to_string()),
        }
    }
    Found::Record(Box::new(record))
}
