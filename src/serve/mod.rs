//! EDGE: the local workbench, for people who do not use a terminal.
//!
//! In: a data folder and limits. Out: a server on this machine's loopback address alone, until it is stopped. A request
//! becomes the same calls as the command line's; a page comes from templates in the look of the report.
//!
//! [`gate`] decides which request is let in at all, [`listen`] takes connections, [`routes`] answers, [`upload`] takes
//! files in, [`recognise`] says which is what, [`queue`] hands records to a few workers, [`work`] does one reading or
//! review, [`store`] keeps records and results, [`pages`] draws, [`mark`] says which folder is the workbench's own. What is on the
//! disk is whole at any moment: files are written beside and renamed before a record names them. The store lists each file
//! before it is made and until it is gone, so what a killed process left over is removed at the next start, and nothing
//! else is; what it had begun is done again.

mod data;
mod digest;
mod gate;
mod limits;
mod listen;
mod mark;
mod pages;
mod queue;
mod recognise;
mod routes;
mod store;
mod understood;
mod upload;
mod work;

pub use limits::Limits;

use crate::error::{Error, Result};
use crate::report::words;
use data::Folder;
use gate::Gate;
use queue::Queue;
use std::net::Ipv4Addr;
use std::path::PathBuf;
use std::sync::Arc;
use store::Store;
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
}

/// What is said once the workbench runs.
#[derive(Debug)]
pub struct Ready {
    /// The address to open.
    pub url: String,
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
    uploads: tokio::sync::Semaphore,
}

/// Runs the workbench until it is interrupted. `ready` is called once, with the address to open.
///
/// # Errors
/// The data folder cannot be used, is in use by another workbench or was written by a later version; no port is free.
pub fn run(options: &Options, ready: impl FnOnce(&Ready) -> Result<()>) -> Result<()> {
    let folder = Folder::open(&options.data)?;
    let store = Store::open(&folder.database())?;
    store.forget(&folder.remove(&store.loose()?))?;
    store.take_up_again()?;
    let notices = left_alone(&folder, &store)?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .max_blocking_threads(16)
        .enable_all()
        .build()
        .map_err(|e| Error::new(format!("the server cannot start: {e}")))?;
    runtime.block_on(async {
        let address = (Ipv4Addr::LOCALHOST, options.port);
        let listener = TcpListener::bind(address).await.map_err(|e| {
            Error::new(format!("port {} cannot be used: {e}", options.port))
                .hint(words::workbench::PORT_HINT)
        })?;
        let port = listener
            .local_addr()
            .map_err(|e| Error::new(format!("the server has no address: {e}")))?
            .port();
        let gate = Gate::new(port)?;
        let url = gate.url();
        let app = Arc::new(App {
            folder,
            store,
            queue: Queue::new(options.limits.workers),
            gate,
            limits: options.limits,
            uploads: tokio::sync::Semaphore::new(options.limits.uploads_at_once),
        });
        queue::start_workers(&app);
        ready(&Ready { url, notices })?;
        tokio::select! {
            () = listen::serve(listener, routes::router(Arc::clone(&app)), options.limits) => {}
            _ = tokio::signal::ctrl_c() => {}
        }
        Ok(())
    })
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
