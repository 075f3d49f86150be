//! One piece of work: reading a record's files, or reviewing it.
//!
//! In: a task and the files that it names. Out: what came of it. It knows neither store nor server: [`super::job`] does it
//! in a process of its own, which can be ended at any moment.

use super::digest::Digest;
use super::queue::Progress;
use super::recognise::{Role, is_in_contract_form};
use super::store::{Entry, Problem, Reading, Report, StoredFile};
use super::understood::Understood;
use crate::error::{Error, Question, Result};
use crate::ingest::{self, CHANNELS, Mapping, Settings, Source, ZONE};
use crate::record::Record;
use crate::report::{self, About, Input, words};
use crate::run;
use base64::digest_name;
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;

mod base64;

/// What is to be done with a record, and all that is needed for it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Task {
    /// The record's number.
    pub id: i64,
    /// Whether it is to be reviewed, not only read.
    pub review: bool,
    /// Where its files lie.
    pub dir: PathBuf,
    /// How they are to be read.
    pub reading: Reading,
    /// Its files.
    pub files: Vec<StoredFile>,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Done {
    /// It was read, or something must be answered first.
    Read {
        /// How it was read, and what is still open.
        reading: Reading,
        /// What was understood; nothing where something is still to be answered.
        understood: Option<Understood>,
    },
    /// It was reviewed.
    Reviewed {
        /// The review in short.
        digest: Digest,
        /// The review's report.
        report: Report,
    },
    /// It could not be done.
    Failed {
        /// Why.
        problem: Problem,
        /// How it was to be read.
        reading: Reading,
    },
}

/// Does a task.
pub fn perform(task: &Task, progress: &Progress) -> Done {
    let mut reading = task.reading.clone();
    let done = match task.review {
        true => reviewed(task, progress),
        false => attempt(task, &mut reading, progress).map(|records| Done::Read {
            reading: reading.clone(),
            understood: records.map(|r| Understood::new(&r)),
        }),
    };
    done.unwrap_or_else(|error| Done::Failed {
        problem: Problem::from(&error),
        reading,
    })
}

/// The records; `None` where something is still to be answered.
fn attempt(task: &Task, reading: &mut Reading, progress: &Progress) -> Result<Option<Vec<Record>>> {
    match read_or_ask(task, reading, progress) {
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
    task: &Task,
    reading: &mut Reading,
    progress: &Progress,
) -> Result<Option<Vec<Record>>> {
    reading.questions.clear();
    if let Some(file) = task
        .file(Role::Mapping)
        .filter(|_| reading.mapping.is_none())
    {
        let mut text = String::new();
        let mut opened = Opened::new(task, file, progress)?;
        opened
            .read_to_string(&mut text)
            .map_err(|e| Error::in_file(Path::new(&file.name), format!("cannot be read: {e}")))?;
        reading.mapping = Some(text);
        reading.by_hand = true;
    }
    if reading.by_hand {
        return records(task, reading, progress).map(Some);
    }
    reading.mapping = None;
    let is_of_messages = |(key, _): &&(String, String)| [ZONE, CHANNELS].contains(&key.as_str());
    let answers: Vec<(String, String)> = reading
        .answers
        .iter()
        .filter(|answer| !is_of_messages(answer))
        .cloned()
        .collect();
    let as_it_is = match records(task, reading, progress) {
        Ok(found) if answers.is_empty() => return Ok(Some(found)),
        Err(error) if error.asks.is_some() && answers.is_empty() => return Err(error),
        Ok(_) => None,
        Err(error) if is_contract(task, progress)? => return Err(error),
        Err(error) => Some(error),
    };
    let proposal = match propose(task, &answers, progress) {
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
    records(task, reading, progress).map(Some)
}

fn is_contract(task: &Task, progress: &Progress) -> Result<bool> {
    let mut head = Vec::new();
    let opened = Opened::new(task, task.trace()?, progress)?;
    // A head that cannot be read is in no form.
    let read = opened.take(1 << 12).read_to_end(&mut head);
    Ok(read.is_ok() && is_in_contract_form(&head))
}

fn propose(
    task: &Task,
    answers: &[(String, String)],
    progress: &Progress,
) -> Result<ingest::Proposal> {
    let trace_file = task.trace()?;
    let mut trace = Opened::new(task, trace_file, progress)?;
    let events_file = task.file(Role::Events);
    let mut events = events_file
        .map(|f| Opened::new(task, f, progress))
        .transpose()?;
    ingest::propose(
        source(trace_file, &mut trace),
        events_file.zip(events.as_mut()).map(|(f, o)| source(f, o)),
        answers,
    )
}

/// Reads the files as they are to be read.
fn records(task: &Task, reading: &Reading, progress: &Progress) -> Result<Vec<Record>> {
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
    let trace_file = task.trace()?;
    let (events_file, line_file) = (task.file(Role::Events), task.file(Role::Line));
    let used = [Some(trace_file), events_file, line_file];
    progress.begin_reading(used.iter().flatten().map(|f| f.bytes).sum());
    let open = |file: &StoredFile| Opened::new(task, file, progress);
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

fn reviewed(task: &Task, progress: &Progress) -> Result<Done> {
    let found = records(task, &task.reading, progress)?;
    let wanted = &task.reading.infusion;
    let record = match found.len() {
        1 => found.into_iter().next(),
        _ => found.into_iter().find(|r| r.infusion == *wanted),
    };
    let record = record.ok_or_else(|| {
        Error::new(words::workbench::NO_SUCH_INFUSION).hint(words::workbench::CHOOSE_INFUSION)
    })?;
    progress.begin(words::workbench::Phase::Reviewing);
    let review = run::review(&record);
    progress.begin(words::workbench::Phase::Drawing);
    let about = about(task);
    let report = Report {
        page: report::review_html(&record, &review, &about),
        style: digest_name(&report::page_style()),
        script: digest_name(&report::page_script()),
        json: report::review_json(&record, &review),
    };
    Ok(Done::Reviewed {
        digest: Digest::new(&record, &review, task.id),
        report,
    })
}

fn about(task: &Task) -> About {
    let used = [Role::Trace, Role::Events, Role::Line, Role::Mapping];
    let inputs = used.into_iter().filter_map(|role| task.file(role));
    let mut settings = Vec::new();
    if task.reading.keep_going {
        settings.push(("keep going".to_string(), "yes".to_string()));
    }
    if let Some(name) = &task.reading.infusion {
        settings.push(("infusion".to_string(), words::clip(name)));
    }
    if task.reading.mapping.is_some() {
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
}

impl Task {
    fn file(&self, role: Role) -> Option<&StoredFile> {
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

/// A file that counts what is read of it.
struct Opened<'a> {
    file: File,
    progress: &'a Progress,
}

impl<'a> Opened<'a> {
    fn new(task: &Task, file: &StoredFile, progress: &'a Progress) -> Result<Self> {
        let opened = File::open(task.dir.join(&file.stored)).map_err(|e| {
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
        let read = self.file.read(into)?;
        self.progress.add(read as u64);
        Ok(read)
    }
}
