//! Opens the files that a command was given, and has them read.

use crate::error::{Error, Result};
use crate::ingest::{self, Mapping, Settings, Source};
use crate::record::{Priors, Record};
use std::fs::File;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// In which form the files are: what every command that reads exports can be told.
#[derive(Debug, clap::Args)]
pub struct Form {
    /// Which column of an export is what: a TOML file, as `patency map` writes it
    #[arg(long, value_name = "FILE")]
    map: Option<PathBuf>,
    /// The zone of times in HL7 messages that have no offset, such as Europe/Berlin
    #[arg(long, value_name = "ZONE")]
    zone: Option<String>,
    /// Which pump of HL7 messages is which channel: pump-001=pn; may be given again. An empty name leaves the pump aside
    #[arg(long, value_name = "PUMP=CHANNEL", value_parser = pair)]
    channel: Vec<(String, String)>,
    /// Go on although more than 1 % of the rows cannot be used
    #[arg(long)]
    pub keep_going: bool,
}

impl Form {
    /// The same as the reader wants it, the mapping read.
    pub fn settings(&self) -> Result<Settings> {
        Ok(Settings {
            keep_going: self.keep_going,
            mapping: mapping(self.map.as_deref())?,
            zone: self.zone.clone(),
            channels: self.channel.clone(),
        })
    }
}

/// How the files of one record are read.
#[derive(Debug, clap::Args)]
pub struct Reading {
    /// What lies between pump and patient: TOML
    #[arg(long, value_name = "FILE")]
    pub line: Option<PathBuf>,
    #[command(flatten)]
    pub form: Form,
}

impl Reading {
    /// Opens and reads traces and events with the line that was named, see [`exports`].
    pub fn exports(
        &self,
        traces: &[PathBuf],
        events: &[PathBuf],
        settings: &Settings,
    ) -> Result<Vec<Record>> {
        exports(traces, events, self.line.as_deref(), settings)
    }
}

/// Opens a file for reading.
///
/// # Errors
/// There is none, it is a folder, or it may not be read: each with what to do.
pub fn file(path: &Path) -> Result<File> {
    let cannot = |e: std::io::Error| match e.kind() {
        ErrorKind::NotFound => Error::in_file(path, "there is no such file")
            .hint("check the name; it is looked for from the folder you are in"),
        ErrorKind::PermissionDenied => Error::in_file(path, "you may not read this file")
            .hint("ask its owner, or copy it to a folder of your own"),
        _ => Error::in_file(path, format!("cannot be opened: {e}")),
    };
    let file = File::open(path).map_err(cannot)?;
    if file.metadata().map_err(cannot)?.is_dir() {
        return Err(Error::in_file(path, "expected a file, found a folder")
            .hint("name one file; many infusions in a folder are for `patency survey`"));
    }
    Ok(file)
}

/// Reads an argument of two parts, `KEY=VALUE`.
pub fn pair(text: &str) -> std::result::Result<(String, String), String> {
    let (key, value) = text
        .split_once('=')
        .ok_or("expected two parts with `=` between them")?;
    Ok((key.trim().to_string(), value.trim().to_string()))
}

/// Opens and reads one trace with its companions: one record per infusion.
pub fn records(
    trace: &Path,
    events: Option<&Path>,
    line: Option<&Path>,
    settings: &Settings,
) -> Result<Vec<Record>> {
    let events: Vec<PathBuf> = events.map(Path::to_path_buf).into_iter().collect();
    exports(&[trace.to_path_buf()], &events, line, settings)
}

/// Opens and reads traces with their companions: one record per infusion, see [`ingest::read_exports`].
fn exports(
    traces: &[PathBuf],
    events: &[PathBuf],
    line: Option<&Path>,
    settings: &Settings,
) -> Result<Vec<Record>> {
    let all = |paths: &[PathBuf]| paths.iter().map(|p| file(p)).collect::<Result<Vec<File>>>();
    let (mut trace_files, mut events_files) = (all(traces)?, all(events)?);
    let mut line_file = line.map(file).transpose()?;
    ingest::read_exports(
        traces
            .iter()
            .zip(&mut trace_files)
            .map(|(n, f)| source(n, f))
            .collect(),
        events
            .iter()
            .zip(&mut events_files)
            .map(|(n, f)| source(n, f))
            .collect(),
        line.zip(line_file.as_mut()).map(|(n, f)| source(n, f)),
        settings,
    )
}

/// Opens and reads a mapping file, where one is given.
fn mapping(path: Option<&Path>) -> Result<Option<Arc<Mapping>>> {
    let read = |path: &Path| Mapping::read(source(path, &mut file(path)?));
    Ok(path.map(read).transpose()?.map(Arc::new))
}

/// Opens and reads a file of priors; the published ones where none is given.
pub fn priors(path: Option<&Path>) -> Result<Priors> {
    let read = |path: &Path| ingest::read_priors(source(path, &mut file(path)?));
    Ok(path.map(read).transpose()?.unwrap_or_default())
}

fn source<'a>(name: &'a Path, file: &'a mut File) -> Source<'a> {
    Source { name, reader: file }
}
