//! One piece of work: reading a record's files, or reviewing it.
//!
//! In: an entry of the store and its files. Out: the entry's next state, in the store. A reading that is stopped ends at
//! the next bytes; a review that is stopped ends between its steps, and its result is thrown away.

use super::App;
use super::digest::Digest;
use super::queue::Progress;
use super::recognise::{Role, is_in_contract_form};
use super::store::{Entry, Known, Problem, Reading, Report, State, StoredFile};
use super::understood::Understood;
use crate::error::{Error, Question, Result};
use crate::ingest::{self, CHANNELS, Mapping, Settings, Source, ZONE};
use crate::record::Record;
use crate::report::{self, About, Input, words};
use crate::run;
use base64::digest_name;
use std::fs::File;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;

mod base64;

/// Reads the files: what was understood, or what must be answered first.
pub fn read(app: &App, id: i64, progress: &Progress) -> Result<()> {
    let Some(entry) = app.store.entry(id)? else {
        return Ok(()); // removed meanwhile
    };
    let mut reading = entry.reading.clone();
    let (state, problem, understood) = match attempt(app, &entry, &mut reading, progress) {
        _ if progress.is_stopped() => return Ok(()),
        Ok(Some(records)) => (State::Understood, None, Some(Understood::new(&records))),
        Ok(None) => (State::Asking, None, None),
        Err(error) => (State::Unreadable, Some(Problem::from(&error)), None),
    };
    let known = Known {
        problem: problem.as_ref(),
        reading: Some(&reading),
        understood: understood.as_ref(),
    };
    app.store.step(id, &[State::Reading], state, known)?;
    Ok(())
}

/// The records; `None` where something is still to be answered.
fn attempt(
    app: &App,
    entry: &Entry,
    reading: &mut Reading,
    progress: &Progress,
) -> Result<Option<Vec<Record>>> {
    match read_or_ask(app, entry, reading, progress) {
        // What an error asks for is asked as a mapping's open points are.
        Err(error) => match error.asks {
            Some(question) => {
                let Question { key, text } = *question;
                reading.questions = vec![format!("{key}: {text}")];
                Ok(None)
            }
            None => Err(error),
        },
        read => read,
    }
}

fn read_or_ask(
    app: &App,
    entry: &Entry,
    reading: &mut Reading,
    progress: &Progress,
) -> Result<Option<Vec<Record>>> {
    reading.questions.clear();
    if let Some(file) = entry
        .file(Role::Mapping)
        .filter(|_| reading.mapping.is_none())
    {
        let mut text = String::new();
        let mut opened = Opened::new(app, file, progress)?;
        opened
            .read_to_string(&mut text)
            .map_err(|e| Error::in_file(Path::new(&file.name), format!("cannot be read: {e}")))?;
        reading.mapping = Some(text);
        reading.by_hand = true;
    }
    if reading.by_hand {
        return records(app, entry, reading, progress).map(Some);
    }
    reading.mapping = None;
    let is_of_messages = |(key, _): &&(String, String)| [ZONE, CHANNELS].contains(&key.as_str());
    let answers: Vec<(String, String)> = reading
        .answers
        .iter()
        .filter(|answer| !is_of_messages(answer))
        .cloned()
        .collect();
    let as_it_is = match records(app, entry, reading, progress) {
        Ok(found) if answers.is_empty() => return Ok(Some(found)),
        Err(error) if error.asks.is_some() && answers.is_empty() => return Err(error),
        Ok(_) => None,
        Err(error) if is_contract(app, entry, progress)? => return Err(error),
        Err(error) => Some(error),
    };
    if progress.is_stopped() {
        return Ok(None);
    }
    let proposal = match propose(app, entry, &answers, progress) {
        Ok(proposal) => proposal,
        // Neither the contract's form nor a table to propose for: the first error says more.
        Err(error) => {
            return Err(as_it_is.filter(|_| answers.is_empty()).unwrap_or(error));
        }
    };
    reading.mapping = Some(proposal.text);
    reading.questions = proposal.questions;
    if !reading.questions.is_empty() {
        return Ok(None);
    }
    records(app, entry, reading, progress).map(Some)
}

fn is_contract(app: &App, entry: &Entry, progress: &Progress) -> Result<bool> {
    let mut head = Vec::new();
    let opened = Opened::new(app, entry.trace()?, progress)?;
    // A head that cannot be read is in no form.
    let read = opened.take(1 << 12).read_to_end(&mut head);
    Ok(read.is_ok() && is_in_contract_form(&head))
}

fn propose(
    app: &App,
    entry: &Entry,
    answers: &[(String, String)],
    progress: &Progress,
) -> Result<ingest::Proposal> {
    let trace_file = entry.trace()?;
    let mut trace = Opened::new(app, trace_file, progress)?;
    let events_file = entry.file(Role::Events);
    let mut events = events_file
        .map(|f| Opened::new(app, f, progress))
        .transpose()?;
    ingest::propose(
        source(trace_file, &mut trace),
        events_file.zip(events.as_mut()).map(|(f, o)| source(f, o)),
        answers,
    )
}

/// Reads the files as they are to be read.
fn records(
    app: &App,
    entry: &Entry,
    reading: &Reading,
    progress: &Progress,
) -> Result<Vec<Record>> {
    let mapping = reading
        .mapping
        .as_deref()
        .map(|text| {
            let mut bytes = text.as_bytes();
            Mapping::read(Source {
                name: Path::new(words::workbench::THE_MAPPING),
                reader: &mut bytes,
            })
        })
        .transpose()?;
    let answer = |wanted: &str| {
        let mut answers = reading.answers.iter();
        answers.find_map(|(key, value)| (key == wanted).then_some(value.as_str()))
    };
    let pairs = answer(CHANNELS).into_iter().flat_map(|all| all.split(','));
    let settings = Settings {
        keep_going: reading.keep_going,
        mapping: mapping.map(Arc::new),
        zone: answer(ZONE).map(str::to_string),
        channels: pairs
            .filter_map(|pair| pair.split_once('='))
            .map(|(pump, channel)| (pump.trim().into(), channel.trim().into()))
            .collect(),
    };
    let trace_file = entry.trace()?;
    let (events_file, line_file) = (entry.file(Role::Events), entry.file(Role::Line));
    let used = [Some(trace_file), events_file, line_file];
    progress.begin_reading(used.iter().flatten().map(|f| f.bytes).sum());
    let open = |file: &StoredFile| Opened::new(app, file, progress);
    let mut trace = open(trace_file)?;
    let mut events = events_file.map(open).transpose()?;
    let mut line = line_file.map(open).transpose()?;
    ingest::read_records(
        source(trace_file, &mut trace),
        events_file.zip(events.as_mut()).map(|(f, o)| source(f, o)),
        line_file.zip(line.as_mut()).map(|(f, o)| source(f, o)),
        &settings,
    )
}

/// Reviews a record and keeps the report.
pub fn review(app: &App, id: i64, progress: &Progress) -> Result<()> {
    let Some(entry) = app.store.entry(id)? else {
        return Ok(());
    };
    match reviewed(app, &entry, progress) {
        _ if progress.is_stopped() => Ok(()),
        Ok(Some((digest, report))) => app.store.finish(id, &digest, &report).map(drop),
        Ok(None) => Ok(()),
        Err(error) => fail(app, id, &error),
    }
}

/// Says of a record that its review could not be made, or its files not be read.
pub fn fail(app: &App, id: i64, error: &Error) -> Result<()> {
    let problem = Problem::from(error);
    for (from, to) in [
        (State::Reading, State::Unreadable),
        (State::Reviewing, State::Failed),
    ] {
        let known = Known {
            problem: Some(&problem),
            ..Known::default()
        };
        app.store.step(id, &[from], to, known)?;
    }
    Ok(())
}

/// `None` where it was stopped.
fn reviewed(app: &App, entry: &Entry, progress: &Progress) -> Result<Option<(Digest, Report)>> {
    let found = records(app, entry, &entry.reading, progress)?;
    let wanted = &entry.reading.infusion;
    let record = match found.len() {
        1 => found.into_iter().next(),
        _ => found.into_iter().find(|r| r.infusion == *wanted),
    };
    let record = record.ok_or_else(|| {
        Error::new(words::workbench::NO_SUCH_INFUSION).hint(words::workbench::CHOOSE_INFUSION)
    })?;
    if progress.is_stopped() {
        return Ok(None);
    }
    progress.begin(words::workbench::Phase::Reviewing);
    let review = run::review(&record);
    if progress.is_stopped() {
        return Ok(None);
    }
    progress.begin(words::workbench::Phase::Drawing);
    let about = about(entry);
    let report = Report {
        page: report::review_html(&record, &review, &about),
        style: digest_name(&report::page_style()),
        script: digest_name(&report::page_script()),
        json: report::review_json(&record, &review),
    };
    Ok(Some((Digest::new(&record, &review, entry.id), report)))
}

fn about(entry: &Entry) -> About {
    let used = [Role::Trace, Role::Events, Role::Line, Role::Mapping];
    let inputs = used.into_iter().filter_map(|role| entry.file(role));
    let mut settings = Vec::new();
    if entry.reading.keep_going {
        settings.push(("keep going".to_string(), "yes".to_string()));
    }
    if let Some(name) = &entry.reading.infusion {
        settings.push(("infusion".to_string(), words::clip(name)));
    }
    if entry.reading.mapping.is_some() {
        let how = words::workbench::MAPPING_CONFIRMED.to_string();
        settings.push((Role::Mapping.word().to_string(), how));
    }
    About {
        version: env!("CARGO_PKG_VERSION").to_string(),
        reviewed_on: Some(jiff::ZonedDateTime::now().date()),
        inputs: inputs
            .map(|f| Input {
                role: f.role.word().to_string(),
                name: f.name.clone(),
                sha256: f.sha256.clone(),
            })
            .collect(),
        settings,
    }
}

impl Entry {
    /// The file of this role.
    pub fn file(&self, role: Role) -> Option<&StoredFile> {
        self.files.iter().find(|f| f.role == role)
    }

    fn trace(&self) -> Result<&StoredFile> {
        self.file(Role::Trace).ok_or_else(|| {
            Error::new(words::workbench::NO_TRACE).hint(words::workbench::SAY_WHICH_IS_TRACE)
        })
    }
}

fn source<'a>(file: &'a StoredFile, opened: &'a mut Opened) -> Source<'a> {
    Source {
        name: Path::new(&file.name),
        reader: opened,
    }
}

/// A file that counts what is read of it, and ends when the work is stopped.
struct Opened<'a> {
    file: File,
    progress: &'a Progress,
}

impl<'a> Opened<'a> {
    fn new(app: &App, file: &StoredFile, progress: &'a Progress) -> Result<Self> {
        let opened = File::open(app.folder.file(&file.stored)).map_err(|e| {
            Error::in_file(
                Path::new(&file.name),
                format!("it is no longer in the data folder: {e}"),
            )
            .hint(words::workbench::TRY_AGAIN)
        })?;
        Ok(Self {
            file: opened,
            progress,
        })
    }
}

impl Read for Opened<'_> {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        if self.progress.is_stopped() {
            return Err(std::io::Error::other("it was stopped"));
        }
        let read = self.file.read(into)?;
        self.progress.add(read as u64);
        Ok(read)
    }
}
