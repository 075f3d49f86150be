//! The report as PDF: printed by a Chromium that is on the machine, without its scripts and with no network asked for.

use super::out;
use crate::error::{Error, Result};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
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
    let folder = tempfile::tempdir()
        .map_err(|e| Error::new(format!("there is no place for files in between: {e}")))?;
    let (source, printed) = (
        folder.path().join("page.html"),
        folder.path().join("page.pdf"),
    );
    let size = match paper {
        Paper::A4 => "A4",
        Paper::Letter => "letter",
    };
    let sheet = format!("<style>@page {{ size: {size}; }}</style></head>");
    // The page without its scripts: text stands escaped in it, so that the first of these words is the template's own.
    let (still, _) = page.split_once("<script").unwrap_or((page, ""));
    let page = still.replacen("</head>", &sheet, 1) + "</body></html>";
    std::fs::write(&source, page)
        .map_err(|e| Error::new(format!("there is no place for files in between: {e}")))?;
    // Chromium's own sandbox refuses to work for the system's administrator. The page is our own and runs no script.
    let mut failed = attempt(browser, folder.path(), &source, &printed, &[]);
    if failed.is_err() {
        failed = attempt(browser, folder.path(), &source, &printed, &["--no-sandbox"]);
    }
    failed?;
    let bytes = std::fs::read(&printed).unwrap_or_default();
    if !bytes.starts_with(b"%PDF-") {
        return Err(cannot_print(browser, "it wrote no PDF"));
    }
    let dir = file.parent().filter(|d| !d.as_os_str().is_empty());
    out::write_files("--pdf", dir.unwrap_or(Path::new(".")), &[(name, bytes)])
}

fn attempt(
    browser: &Path,
    profile: &Path,
    source: &Path,
    printed: &Path,
    more: &[&str],
) -> Result<()> {
    let with = |option: &str, value: &Path| {
        let mut argument = std::ffi::OsString::from(option);
        argument.push(value);
        argument
    };
    let mut child = Command::new(browser)
        .args([
            "--headless",
            "--disable-gpu",
            "--no-first-run",
            "--disable-extensions",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--no-pdf-header-footer",
        ])
        .args(more)
        .arg(with("--user-data-dir=", &profile.join("profile")))
        .arg(with("--print-to-pdf=", printed))
        .arg(with("file://", source))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .map_err(|e| cannot_print(browser, &e.to_string()))?;
    let begun = Instant::now();
    loop {
        match child.try_wait() {
            Ok(Some(status)) if status.success() && printed.is_file() => return Ok(()),
            Ok(Some(status)) => return Err(cannot_print(browser, &status.to_string())),
            Ok(None) if begun.elapsed() < PATIENCE => {
                std::thread::sleep(Duration::from_millis(50));
            }
            Ok(None) => {
                let _ = child.kill();
                let _ = child.wait();
                return Err(cannot_print(browser, "it did not come to an end"));
            }
            Err(e) => return Err(cannot_print(browser, &e.to_string())),
        }
    }
}

fn cannot_print(browser: &Path, why: &str) -> Error {
    Error::new(format!(
        "the report could not be printed by {}: {why}",
        browser.display()
    ))
    .hint("open the page of --out in any browser and print it from there")
}
