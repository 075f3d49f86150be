//! `patency serve`: the local workbench.

use super::out::{self, private_folder};
use crate::error::{Error, Result};
use crate::report::words;
use crate::serve::{self, Limits, Options};
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::Duration;
use tempfile::TempDir;

/// Opens the local workbench: give files, confirm, review, compare, in a browser
///
/// It listens on this machine's loopback address alone and lets in only who has the address that it prints. Records and
/// results stay in the data folder. The address works once; the same command again, also while the workbench runs, opens
/// another window. It runs until it is interrupted (Ctrl C); what was begun is then taken up at the next start.
///
/// Retrospective: not for alarm decisions.
///
/// Example: patency serve --data records
#[derive(clap::Args)]
pub struct Args {
    /// Where records and results are kept; the user's own data folder where it is left out
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Print the address, but open no browser
    #[arg(long)]
    no_open: bool,
    /// The port; any that is free where it is left out
    #[arg(long, value_name = "N", default_value_t = 0, hide_default_value = true)]
    port: u16,
    /// The largest upload, its files together, MB
    #[arg(long, value_name = "N", default_value_t = 2000, value_parser = clap::value_parser!(u64).range(1..1_000_000))]
    largest_mb: u64,
    /// The longest that an upload may take, seconds; a pause in it may be 20 s at most
    #[arg(long, value_name = "N", default_value_t = 900, value_parser = clap::value_parser!(u64).range(1..1_000_000))]
    upload_seconds: u64,
    /// Records reviewed at one time; the others wait
    #[arg(long, value_name = "N", default_value_t = 2, value_parser = clap::value_parser!(u64).range(1..65))]
    at_once: u64,
    /// Memory that one reading or review may take, MB
    #[arg(long, value_name = "N", default_value_t = 3000, value_parser = clap::value_parser!(u64).range(50..1_000_000))]
    job_mb: u64,
    /// Time that one reading or review may take, seconds
    #[arg(long, value_name = "N", default_value_t = 900, value_parser = clap::value_parser!(u64).range(1..1_000_000))]
    job_seconds: u64,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<()> {
    let data = match &args.data {
        Some(data) => data.clone(),
        None => own_folder()?,
    };
    let options = Options {
        data,
        port: args.port,
        limits: Limits {
            upload_bytes: args.largest_mb * 1_000_000,
            upload_time: Duration::from_secs(args.upload_seconds),
            workers: args.at_once as usize,
            job_bytes: args.job_mb * 1_000_000,
            job_time: Duration::from_secs(args.job_seconds),
            ..Limits::default()
        },
        program: out::this_program()?,
    };
    serve::run(&options, |ready| {
        out::notices(&ready.notices);
        let folder = options.data.display();
        out::print(&match ready.ran {
            false => words::workbench::runs_at(&ready.url, &folder),
            true => words::workbench::ran_at(&ready.url, &folder),
        })?;
        Ok((!args.no_open).then(|| open(&ready.page)).flatten())
    })
}

/// Does one piece of the workbench's work: `patency serve` starts this by itself.
pub fn job() -> Result<()> {
    serve::work(std::io::stdin(), std::io::stdout())
}

/// The user's own data folder, as the system has it.
fn own_folder() -> Result<PathBuf> {
    let var = |name| std::env::var_os(name).filter(|v| !v.is_empty());
    let home = || var("HOME").map(PathBuf::from);
    let base = if cfg!(windows) {
        var("LOCALAPPDATA").map(PathBuf::from)
    } else if cfg!(target_os = "macos") {
        home().map(|h| h.join("Library").join("Application Support"))
    } else {
        var("XDG_DATA_HOME")
            .map(PathBuf::from)
            .or_else(|| home().map(|h| h.join(".local").join("share")))
    };
    base.map(|b| b.join("patency")).ok_or_else(|| {
        Error::new("the user’s own data folder is not known").hint("name a folder with --data")
    })
}

/// Opens a page that leads to the workbench in the user's browser; gives the folder that it lies in. Others on this
/// machine may read the browser's arguments, but not that folder. Where it fails, the address stands on the terminal.
fn open(page: &str) -> Option<TempDir> {
    let (program, before): (&str, &[&str]) = if cfg!(windows) {
        ("rundll32", &["url.dll,FileProtocolHandler"])
    } else if cfg!(target_os = "macos") {
        ("open", &[])
    } else {
        ("xdg-open", &[])
    };
    let folder = private_folder().ok()?;
    let file = folder.path().join("workbench.html");
    serve::write_private(&file, page.as_bytes()).ok()?;
    Command::new(program)
        .args(before)
        .arg(&file)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .ok()?;
    Some(folder)
}
