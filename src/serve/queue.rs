//! A few workers for any number of records: the others wait in the store, where a stop of the process leaves them.

use super::App;
use super::store::State;
use super::work;
use crate::error::Error;
use crate::report::words::{self, workbench::Phase};
use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
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

/// Starts the workers. They end with the process.
pub fn start_workers(app: &Arc<App>) {
    for _ in 0..app.queue.workers {
        let app = Arc::clone(app);
        std::thread::spawn(move || {
            loop {
                work_once(&app);
            }
        });
    }
}

/// Does the next piece of work, or waits a while for one.
fn work_once(app: &App) {
    let mut taken = app.queue.taken();
    let busy: Vec<i64> = taken.keys().copied().collect();
    let Ok(Some((id, state))) = app.store.next(&busy) else {
        // Also after a store that could not be read: it may be a disk that is full for a moment.
        let waited = app.queue.news.wait_timeout(taken, Duration::from_secs(2));
        drop(waited);
        return;
    };
    let progress = Arc::new(Progress::default());
    taken.insert(id, Arc::clone(&progress));
    drop(taken);
    let done = catch_unwind(AssertUnwindSafe(|| match state {
        State::Reading => work::read(app, id, &progress),
        _ => work::review(app, id, &progress),
    }));
    let outcome = done.unwrap_or_else(|_| {
        let error = Error::new(words::workbench::PROGRAM_FAILED)
            .hint(words::workbench::PROGRAM_FAILED_HINT);
        work::fail(app, id, &error)
    });
    // A store that cannot be written leaves the record as it was: it is taken up again at the next start.
    drop(outcome);
    app.queue.taken().remove(&id);
}
