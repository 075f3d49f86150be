//! The report as PDF: printed where a Chromium is found, an error with what to do where there is none.

use crate::program::{folder, patency};
use std::path::Path;
use std::process::Command;

fn trace() -> &'static str {
    concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/sample-traces/slow-rise/trace.csv"
    )
}

#[test]
fn without_a_chromium_it_says_what_to_install_and_writes_nothing() {
    let dir = folder(&[]);
    let run = Command::new(env!("CARGO_BIN_EXE_patency"))
        .current_dir(dir.path())
        .args(["review", trace(), "--pdf", "report.pdf", "--out", "review"])
        .env("PATH", dir.path())
        .output()
        .unwrap();
    assert_eq!(run.status.code(), Some(1));
    let said = String::from_utf8(run.stderr).unwrap();
    assert!(said.contains("no Chromium was found"), "{said}");
    assert!(
        said.contains("hint: install one (Debian: `apt install chromium`)"),
        "{said}"
    );
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
}

#[cfg(unix)]
#[test]
fn a_browser_that_fails_leaves_what_was_there() {
    use std::os::unix::fs::PermissionsExt;
    let dir = folder(&[("chromium", b"#!/bin/sh\nexit 3\n"), ("report.pdf", b"old")]);
    let browser = dir.path().join("chromium");
    std::fs::set_permissions(&browser, std::fs::Permissions::from_mode(0o755)).unwrap();
    let path = format!("{}:/usr/bin:/bin", dir.path().display());
    let run = Command::new(env!("CARGO_BIN_EXE_patency"))
        .current_dir(dir.path())
        .args(["review", trace(), "--pdf", "report.pdf"])
        .env("PATH", path)
        .output()
        .unwrap();
    assert_eq!(run.status.code(), Some(1));
    let said = String::from_utf8(run.stderr).unwrap();
    assert!(
        said.contains("could not be printed by") && said.contains("exit status: 3"),
        "{said}"
    );
    assert_eq!(
        std::fs::read(dir.path().join("report.pdf")).unwrap(),
        b"old"
    );
}

#[test]
fn with_a_chromium_three_sheets_at_most_of_either_paper_come_out() {
    if !Path::new("/usr/bin/chromium").is_file() {
        return; // the check of the pages in a browser needs one, and says so
    }
    let dir = folder(&[]);
    // Width and height in points, as the PDF's media box has them.
    for (paper, size) in [("a4", [595.0, 842.0]), ("letter", [612.0, 792.0])] {
        let run = patency(
            dir.path(),
            &["review", trace(), "--pdf", "report.pdf", "--paper", paper],
        );
        assert_eq!(run.status, 0, "{}", run.stderr);
        let bytes = std::fs::read(dir.path().join("report.pdf")).unwrap();
        let text = String::from_utf8_lossy(&bytes);
        let boxes: Vec<&str> = text.split("/MediaBox").skip(1).collect();
        assert!(
            (1..=3).contains(&boxes.len()),
            "{paper}: {} sheets",
            boxes.len()
        );
        let inside = boxes[0].trim_start().trim_start_matches('[');
        let numbers: Vec<f64> = inside
            .split(']')
            .next()
            .unwrap()
            .split_whitespace()
            .map(|n| n.parse().unwrap())
            .collect();
        assert!(
            (numbers[2] - size[0]).abs() < 1.0 && (numbers[3] - size[1]).abs() < 1.0,
            "{paper}: {numbers:?}"
        );
    }
}
