//! The report as PDF: printed by a Chromium that is on the machine, without its scripts and with no network asked for.
//!
//! The browser is started by a process in between, which outlives this one by a moment: however this one ends, it ends the
//! browser with all its processes and removes the folder with the page, which only its owner may look into.

use super::out;
use crate::error::{Error, Result};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::time::{Duration, Instant};

/// Names that a Chromium goes by.
const NAMES: [&str; 6] = [
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "msedge",
];

/// The command of the process in between; no user needs it.
pub const COMMAND: &str = "pdf-printer";
const PAGE: &str = "page.html";
const PRINTED: &str = "page.pdf";
/// How often is looked whether the page is there.
const LOOK: Duration = Duration::from_millis(50);
/// How long a page may take; one of a long record takes a few seconds.
const PATIENCE: Duration = Duration::from_secs(120);

/// Size of the sheets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Paper {
    /// 210 × 297 mm
    A4,
    /// 8.5 × 11 in
    Letter,
}

/// Finds a Chromium: found out before the review is made rather than after it.
pub fn browser() -> Result<PathBuf> {
    let folders = std::env::var_os("PATH").unwrap_or_default();
    let found = std::env::split_paths(&folders).find_map(|folder| {
        NAMES.iter().find_map(|name| {
            let path = folder.join(format!("{name}{}", std::env::consts::EXE_SUFFIX));
            path.is_file().then_some(path)
        })
    });
    found.ok_or_else(|| {
        Error::new("no Chromium was found to print the report with").hint(
            "install one (Debian: `apt install chromium`), or open the page of --out in any browser and print it from there",
        )
    })
}

/// Prints a page into a file.
///
/// # Errors
/// The browser fails or does not end; the file cannot be written. Nothing is then left, and what was there stays.
pub fn print(browser: &Path, page: &str, paper: Paper, file: &Path) -> Result<()> {
    let name = file.file_name().and_then(|n| n.to_str()).ok_or_else(|| {
        Error::in_file(file, "expected the name of a file").hint("for example --pdf report.pdf")
    })?;
    let folder = out::private_folder().map_err(|e| no_place(&e))?;
    let source = folder.path().join(PAGE);
    let size = match paper {
        Paper::A4 => "A4",
        Paper::Letter => "letter",
    };
    let sheet = format!("<style>@page {{ size: {size}; }}</style></head>");
    // The page without its scripts: text stands escaped in it, so that the first of these words is the template's own.
    let (still, _) = page.split_once("<script").unwrap_or((page, ""));
    let page = still.replacen("</head>", &sheet, 1) + "</body></html>";
    std::fs::write(&source, page).map_err(|e| no_place(&e))?;
    // Chromium's own sandbox refuses to work for the system's administrator. The page is our own and runs no script.
    let mut printed = attempt(browser, folder.path(), false);
    if printed.is_err() {
        printed = attempt(browser, folder.path(), true);
    }
    printed?;
    let bytes = std::fs::read(folder.path().join(PRINTED)).unwrap_or_default();
    if !bytes.starts_with(b"%PDF-") {
        return Err(cannot_print(browser, "it wrote no PDF"));
    }
    let dir = file.parent().filter(|d| !d.as_os_str().is_empty());
    out::write_files("--pdf", dir.unwrap_or(Path::new(".")), &[(name, bytes)])
}

/// Has the process in between print the page once.
fn attempt(browser: &Path, folder: &Path, without_sandbox: bool) -> Result<()> {
    let failed = |e: std::io::Error| cannot_print(browser, &e.to_string());
    let mut command = Command::new(out::this_program()?);
    command.arg(COMMAND).arg(browser).arg(folder);
    if without_sandbox {
        command.arg("--without-sandbox");
    }
    let mut printer = own_group(&mut command)
        .stdin(Stdio::piped()) // held until it is done: its end says that this process is gone
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(failed)?;
    let input = printer.stdin.take();
    let done = printer.wait_with_output().map_err(failed)?;
    drop(input);
    match done.status.success() {
        true => Ok(()),
        false => {
            let why = String::from_utf8_lossy(&done.stderr);
            Err(cannot_print(browser, why.trim()))
        }
    }
}

/// The process in between: which browser, and the folder with the page.
#[derive(clap::Args)]
pub struct PrinterArgs {
    browser: PathBuf,
    folder: PathBuf,
    #[arg(long)]
    without_sandbox: bool,
}

/// Prints the page of a folder, unless the process that wants it goes before.
pub fn printer(args: &PrinterArgs) -> Result<()> {
    let (sender, wanted) = mpsc::channel::<()>();
    std::thread::spawn(move || {
        let _ = std::io::copy(&mut std::io::stdin(), &mut std::io::sink());
        drop(sender);
    });
    let mut browser = start(args).map_err(|e| Error::new(e.to_string()))?;
    let begun = Instant::now();
    let why = loop {
        match browser.try_wait() {
            Ok(Some(status)) if status.success() => break None,
            Ok(Some(status)) => break Some(status.to_string()),
            Ok(None) if PATIENCE < begun.elapsed() => {
                break Some("it did not come to an end".into());
            }
            Ok(None) => {}
            Err(e) => break Some(e.to_string()),
        }
        if let Err(RecvTimeoutError::Disconnected) = wanted.recv_timeout(LOOK) {
            end(&mut browser);
            remove(&args.folder);
            return Err(Error::new("nobody waits for the page any more"));
        }
    };
    end(&mut browser);
    why.map_or(Ok(()), |why| Err(Error::new(why)))
}

/// Ends the browser and what it started.
fn end(browser: &mut Child) {
    if cfg!(unix) {
        let group = format!("kill -s KILL -- -{}", browser.id());
        let killed = Command::new("/bin/sh")
            .args(["-c", &group])
            .stderr(Stdio::null())
            .status();
        drop(killed); // a group that is gone needs no end
    }
    let _ = browser.kill();
    let _ = browser.wait();
}

/// Removes the folder with the page and the browser's profile, which processes on their way out may still write into.
fn remove(folder: &Path) {
    for _ in 0..50 {
        if std::fs::remove_dir_all(folder).is_ok() || !folder.exists() {
            return;
        }
        std::thread::sleep(LOOK);
    }
}

/// A group of processes of its own: Ctrl C on the terminal ends the one that waits, and only that.
fn own_group(command: &mut Command) -> &mut Command {
    #[cfg(unix)]
    std::os::unix::process::CommandExt::process_group(command, 0);
    command
}

fn start(args: &PrinterArgs) -> std::io::Result<Child> {
    let with = |option: &str, name: &str| {
        let mut argument = std::ffi::OsString::from(option);
        argument.push(args.folder.join(name));
        argument
    };
    let mut command = Command::new(&args.browser);
    command.args([
        "--headless",
        "--disable-gpu",
        "--no-first-run",
        "--disable-extensions",
        "--disable-background-networking",
        "--disable-breakpad",
        "--disable-component-update",
        "--disable-sync",
        "--no-pdf-header-footer",
    ]);
    if args.without_sandbox {
        command.arg("--no-sandbox");
    }
    command
        .arg(with("--user-data-dir=", "profile"))
        .arg(with("--print-to-pdf=", PRINTED))
        .arg(with("file://", PAGE));
    // Its own files in between lie there too, where the name of its socket then fits into what Linux allows (108 bytes).
    if cfg!(target_os = "linux") && args.folder.as_os_str().len() < 60 {
        command.env("TMPDIR", &args.folder);
    }
    own_group(&mut command)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
}

fn no_place(e: &std::io::Error) -> Error {
    Error::new(format!("there is no place for files in between: {e}"))
}

fn cannot_print(browser: &Path, why: &str) -> Error {
    Error::new(format!(
        "the report could not be printed by {}: {why}",
        browser.display()
    ))
    .hint("open the page of --out in any browser and print it from there")
}
