//! EDGE: the local workbench, for people who do not use a terminal.
//!
//! In: a data folder and limits. Out: a server on this machine's loopback address alone, until it is stopped. A request
//! becomes the same calls as the command line's; a page comes from templates in the look of the report.
//!
//! [`gate`] decides which request is let in at all, [`listen`] takes connections, [`routes`] answers, [`upload`] takes
//! files in, [`recognise`] says which is what, [`queue`] hands records to a few workers, [`job`] has [`mod@work`] do one
//! reading or review in a process of its own, [`store`] keeps records and results, [`pages`] draws, [`mark`] says which folder is the workbench's own,
//! [`invitations`] let a user back in, [`reserve`] keeps space for a full disk. What is on the
//! disk is whole at any moment: files are written beside and renamed before a record names them. The store lists each file
//! before it is made and until it is gone, so what a killed process left over is removed at the next start, and nothing
//! else is; what it had begun is done again.

mod data;
mod digest;
mod gate;
mod invitations;
mod job;
mod limits;
mod listen;
mod mark;
mod pages;
mod queue;
mod recognise;
mod reserve;
mod routes;
mod store;
mod understood;
mod upload;
mod work;

pub use data::write_private;
pub use job::{COMMAND as JOB, work};
pub use limits::Limits;

use crate::error::{Error, Result};
use crate::report::words;
use data::{Folder, Opened};
use gate::Gate;
use invitations::Invitations;
use queue::Queue;
use std::net::Ipv4Addr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use store::Store;
use tempfile::TempDir;
use tokio::net::TcpListener;

/// How the workbench is to run.
#[derive(Debug, Clone)]
pub struct Options {
    /// Where records and results are kept.
    pub data: PathBuf,
    /// The port; 0 = any that is free.
    pub port: u16,
    /// What is taken in, and how long is waited for it.
    pub limits: Limits,
    /// This program: it does readings and reviews in processes of their own.
    pub program: PathBuf,
}

/// What is said once the workbench runs.
#[derive(Debug)]
pub struct Ready {
    /// An address to open. It lets in once.
    pub url: String,
    /// A page that leads to another such address: for the browser's start, whose arguments others may read.
    pub page: String,
    /// Whether it is a workbench that ran already.
    pub ran: bool,
    /// What is to be known of the data folder.
    pub notices: Vec<String>,
}

/// All that answers share.
struct App {
    folder: Folder,
    store: Store,
    queue: Queue,
    gate: Gate,
    limits: Limits,
    program: PathBuf,
    uploads: tokio::sync::Semaphore,
    /// The folder with the page that leads the browser in: it goes as soon as somebody is in.
    door: Mutex<Option<TempDir>>,
}

impl App {
    fn shut_door(&self) {
        let door = self
            .door
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .take();
        drop(door);
    }
}

/// Runs the workbench until it is interrupted or told to end. `ready` is called once, with the address to open; the
/// folder that it gives back holds the page for the browser, and is removed when somebody is let in.
///
/// Where a workbench runs on the folder already, `ready` gets an address of that one.
///
/// # Errors
/// The data folder is somebody else's or cannot be used, its store is damaged or was written by a later version; no port
/// is free.
pub fn run(options: &Options, ready: impl FnOnce(&Ready) -> Result<Option<TempDir>>) -> Result<()> {
    let folder = match Folder::open(&options.data)? {
        Opened::Own(folder) => folder,
        Opened::Running(invitations) => return invite(&invitations, ready),
    };
    let store = Store::open(&folder.database())?;
    let notices = begin(&folder, &store)?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .max_blocking_threads(16)
        .enable_all()
        .build()
        .map_err(|e| Error::new(format!("the server cannot start: {e}")))?;
    let app = runtime.block_on(serve(options, folder, store, notices, ready))?;
    app.queue.stop_all();
    // Uploads that are under way end here, and remove what they had written.
    runtime.shutdown_timeout(Duration::from_secs(2));
    app.shut_door();
    app.folder.invitations().end();
    app.store.close();
    Ok(())
}

/// What a start does with what was left: removes files of no record, takes work up again. On a full disk it goes on
/// without, and says so.
fn begin(folder: &Folder, store: &Store) -> Result<Vec<String>> {
    let loose = store.loose()?;
    let done = store
        .forget(&folder.remove(&loose))
        .and_then(|()| store.take_up_again());
    store.scrub();
    let mut notices = left_alone(folder, store)?;
    notices.extend(done.err().map(|e| e.to_string()));
    Ok(notices)
}

/// Serves until it is told to end.
async fn serve(
    options: &Options,
    folder: Folder,
    store: Store,
    notices: Vec<String>,
    ready: impl FnOnce(&Ready) -> Result<Option<TempDir>>,
) -> Result<Arc<App>> {
    let address = (Ipv4Addr::LOCALHOST, options.port);
    let listener = TcpListener::bind(address).await.map_err(|e| {
        Error::new(format!("port {} cannot be used: {e}", options.port))
            .hint(words::workbench::PORT_HINT)
    })?;
    let port = listener
        .local_addr()
        .map_err(|e| Error::new(format!("the server has no address: {e}")))?
        .port();
    folder.invitations().announce(port);
    let gate = Gate::new(port, folder.invitations())?;
    let said = Ready {
        url: gate.url()?,
        page: pages::door(&gate.url()?),
        ran: false,
        notices,
    };
    let app = Arc::new(App {
        folder,
        store,
        queue: Queue::new(options.limits.workers),
        gate,
        limits: options.limits,
        program: options.program.clone(),
        uploads: tokio::sync::Semaphore::new(options.limits.uploads_at_once),
        door: Mutex::default(),
    });
    let mut end = EndSignals::new()?;
    queue::start_workers(&app);
    let door = ready(&said)?;
    *app.door.lock().unwrap_or_else(PoisonError::into_inner) = door;
    tokio::select! {
        () = listen::serve(listener, routes::router(Arc::clone(&app)), options.limits) => {}
        () = end.wait() => {}
    }
    Ok(app)
}

/// The signals that end a process.
struct EndSignals {
    #[cfg(unix)]
    terminate: tokio::signal::unix::Signal,
}

impl EndSignals {
    fn new() -> Result<Self> {
        Ok(Self {
            #[cfg(unix)]
            terminate: tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate())
                .map_err(|e| Error::new(format!("the server cannot start: {e}")))?,
        })
    }

    async fn wait(&mut self) {
        #[cfg(unix)]
        tokio::select! {
            _ = tokio::signal::ctrl_c() => {}
            _ = self.terminate.recv() => {}
        }
        #[cfg(not(unix))]
        let _ = tokio::signal::ctrl_c().await;
    }
}

/// Opens the workbench that runs on the folder already.
fn invite(
    invitations: &Invitations,
    ready: impl FnOnce(&Ready) -> Result<Option<TempDir>>,
) -> Result<()> {
    let for_page = invitations.invite()?;
    let said = Ready {
        url: invitations.invite()?,
        page: pages::door(&for_page),
        ran: true,
        notices: Vec::new(),
    };
    if let Some(door) = ready(&said)? {
        invitations.wait_until_used(&for_page);
        drop(door);
    }
    Ok(())
}

/// What to say where the store has no record, but files lie beside it: it may have been lost.
fn left_alone(folder: &Folder, store: &Store) -> Result<Vec<String>> {
    let known = store.stored_files()?;
    let (files, dir) = folder.unknown(&known);
    let is_lost = known.is_empty() && 0 < files;
    Ok(is_lost
        .then(|| words::workbench::files_without_records(files, &dir))
        .into_iter()
        .collect())
}
