//! `patency serve`: the local workbench.

use super::out;
use crate::error::{Error, Result};
use crate::serve::{self, Limits, Options};
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::Duration;

/// Opens the local workbench: give files, confirm, review, compare, in a browser
///
/// It listens on this machine's loopback address alone and lets in only who has the address that it prints. Records and
/// results stay in the data folder. It runs until it is interrupted (Ctrl C); what was begun is then taken up at the
/// next start.
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
            ..Limits::default()
        },
    };
    serve::run(&options, |serve::Ready { url, notices }| {
        out::notices(notices);
        out::print(&format!(
            "The workbench is open: {url}\nRecords are kept in {}. Ctrl C ends it.\n",
            options.data.display()
        ))?;
        if !args.no_open {
            open(url);
        }
        Ok(())
    })
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

/// Opens the address in the user's browser. Where that fails, the address stands on the terminal.
fn open(url: &str) {
    let (program, before): (&str, &[&str]) = if cfg!(windows) {
        ("rundll32", &["url.dll,FileProtocolHandler"])
    } else if cfg!(target_os = "macos") {
        ("open", &[])
    } else {
        ("xdg-open", &[])
    };
    let quiet = Command::new(program)
        .args(before)
        .arg(url)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
    drop(quiet);
}
