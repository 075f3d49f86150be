//! A few workers for any number of records: the others wait in the store, where a stop of the process leaves them.
//!
//! Each piece of work is done in a process of its own. One worker more takes small records alone, so that heavy ones hold
//! nobody up.

use super::App;
use super::job;
use super::store::{Known, Problem, State};
use super::work::{Done, Task};
use crate::error::Result;
use crate::report::words::workbench::Phase;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicU8, AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// How far a piece of work is, and whether it is to stop.
#[derive(Debug, Default)]
pub struct Progress {
    phase: AtomicU8,
    read: AtomicU64,
    of: AtomicU64,
    stopped: AtomicBool,
}

impl Progress {
    /// Begins a phase.
    pub fn begin(&self, phase: Phase) {
        self.phase.store(phase as u8, Ordering::Relaxed);
    }

    /// Begins to read this many bytes.
    pub fn begin_reading(&self, bytes: u64) {
        self.read.store(0, Ordering::Relaxed);
        self.of.store(bytes, Ordering::Relaxed);
        self.begin(Phase::Reading);
    }

    /// All of it, as another process counts it.
    pub fn set(&self, phase: u8, read: u64, of: u64) {
        self.phase.store(phase, Ordering::Relaxed);
        self.read.store(read, Ordering::Relaxed);
        self.of.store(of, Ordering::Relaxed);
    }

    /// All of it, for another process.
    pub fn counts(&self) -> (u8, u64, u64) {
        let phase = self.phase.load(Ordering::Relaxed);
        (
            phase,
            self.read.load(Ordering::Relaxed),
            self.of.load(Ordering::Relaxed),
        )
    }

    /// Counts bytes read.
    pub fn add(&self, bytes: u64) {
        self.read.fetch_add(bytes, Ordering::Relaxed);
    }

    /// Whether the work is to stop.
    pub fn is_stopped(&self) -> bool {
        self.stopped.load(Ordering::Relaxed)
    }

    /// What is being done, and how much of the reading is done, in per cent.
    pub fn now(&self) -> (Phase, u64) {
        let (read, of) = (
            self.read.load(Ordering::Relaxed),
            self.of.load(Ordering::Relaxed).max(1),
        );
        let phase = match self.phase.load(Ordering::Relaxed) {
            p if p == Phase::Drawing as u8 => Phase::Drawing,
            p if p == Phase::Reviewing as u8 => Phase::Reviewing,
            _ => Phase::Reading,
        };
        (phase, (100 * read / of).min(100))
    }
}

/// Which records have a worker.
pub struct Queue {
    workers: usize,
    taken: Mutex<BTreeMap<i64, Arc<Progress>>>,
    news: Condvar,
}

impl Queue {
    /// A queue for so many workers.
    pub fn new(workers: usize) -> Self {
        Self {
            workers: workers.max(1),
            taken: Mutex::default(),
            news: Condvar::new(),
        }
    }

    fn taken(&self) -> MutexGuard<'_, BTreeMap<i64, Arc<Progress>>> {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Wakes a worker: there is something to do.
    pub fn wake(&self) {
        self.news.notify_all();
    }

    /// Stops all work.
    pub fn stop_all(&self) {
        for progress in self.taken().values() {
            progress.stopped.store(true, Ordering::Relaxed);
        }
    }

    /// Stops the work on a record, if there is any.
    pub fn stop(&self, id: i64) {
        if let Some(progress) = self.taken().get(&id) {
            progress.stopped.store(true, Ordering::Relaxed);
        }
    }

    /// How far the work on a record is; `None` where it still waits.
    pub fn progress(&self, id: i64) -> Option<(Phase, u64)> {
        self.taken().get(&id).map(|p| p.now())
    }
}

/// Bytes of a record's files up to which it counts as small.
const SMALL_BYTES: u64 = 8 << 20;

/// Starts the workers. They end with the process.
pub fn start_workers(app: &Arc<App>) {
    let any = std::iter::repeat_n(u64::MAX, app.queue.workers);
    for most_bytes in any.chain([SMALL_BYTES]) {
        let app = Arc::clone(app);
        std::thread::spawn(move || {
            loop {
                work_once(&app, most_bytes);
            }
        });
    }
}

/// Does the next piece of work, or waits a while for one.
fn work_once(app: &App, most_bytes: u64) {
    let mut taken = app.queue.taken();
    let busy: Vec<i64> = taken.keys().copied().collect();
    let Ok(Some((id, state))) = app.store.next(&busy, most_bytes) else {
        // Also after a store that could not be read: it may be a disk that is full for a moment.
        let waited = app.queue.news.wait_timeout(taken, Duration::from_secs(2));
        drop(waited);
        return;
    };
    let progress = Arc::new(Progress::default());
    taken.insert(id, Arc::clone(&progress));
    drop(taken);
    // A store that cannot be written leaves the record as it was: it is taken up again at the next start.
    let _ = work_on(app, id, state, &progress);
    app.queue.taken().remove(&id);
}

fn work_on(app: &App, id: i64, state: State, progress: &Progress) -> Result<()> {
    let Some(entry) = app.store.entry(id)? else {
        return Ok(()); // removed meanwhile
    };
    let task = Task {
        id,
        review: state != State::Reading,
        dir: app.folder.files(),
        reading: entry.reading,
        files: entry.files,
    };
    match job::run(&app.program, &app.limits, &task, progress) {
        _ if progress.is_stopped() => Ok(()),
        Ok(done) => keep(app, id, &done),
        Err(error) => fail(app, id, &Problem::from(&error)),
    }
}

/// Keeps what came of a piece of work, unless it is no longer wanted.
fn keep(app: &App, id: i64, done: &Done) -> Result<()> {
    match done {
        Done::Reviewed { digest, report } => app.store.finish(id, digest, report).map(drop),
        Done::Read {
            reading,
            understood,
        } => {
            let to = match understood {
                Some(_) => State::Understood,
                None => State::Asking,
            };
            let known = Known {
                problem: None,
                reading: Some(reading),
                understood: understood.as_ref(),
            };
            app.store.step(id, &[State::Reading], to, known).map(drop)
        }
        Done::Failed { problem, reading } => {
            let known = Known {
                problem: Some(problem),
                reading: Some(reading),
                understood: None,
            };
            let read = app
                .store
                .step(id, &[State::Reading], State::Unreadable, known)?;
            if !read {
                fail(app, id, problem)?;
            }
            Ok(())
        }
    }
}

/// Says of a record that its review could not be made, or its files not be read.
fn fail(app: &App, id: i64, problem: &Problem) -> Result<()> {
    for (from, to) in [
        (State::Reading, State::Unreadable),
        (State::Reviewing, State::Failed),
    ] {
        let known = Known {
            problem: Some(problem),
            ..Known::default()
        };
        app.store.step(id, &[from], to, known)?;
    }
    Ok(())
}
