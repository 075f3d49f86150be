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

/// A browser that starts others, writes down who they are and where its page is, and never ends.
#[cfg(unix)]
const ENDLESS: &[u8] = b"#!/bin/sh
sleep 600 &
for last; do :; done
echo \"$$ $! ${last#file://}\" > \"$PATENCY_TEST_OUT.part\" && mv \"$PATENCY_TEST_OUT.part\" \"$PATENCY_TEST_OUT\"
wait
";

#[cfg(unix)]
#[test]
fn the_browser_and_its_folder_go_with_the_program_however_it_ends() {
    use std::os::unix::fs::PermissionsExt;
    for signal in ["TERM", "INT", "KILL"] {
        let dir = folder(&[("chromium", ENDLESS)]);
        let browser = dir.path().join("chromium");
        std::fs::set_permissions(&browser, std::fs::Permissions::from_mode(0o755)).unwrap();
        let says = dir.path().join("says");
        let mut run = Command::new(env!("CARGO_BIN_EXE_patency"))
            .current_dir(dir.path())
            .args(["review", trace(), "--pdf", "report.pdf"])
            .env("PATH", format!("{}:/usr/bin:/bin", dir.path().display()))
            .env("PATENCY_TEST_OUT", &says)
            .spawn()
            .unwrap();
        let wait_for = |what: &str, is: &dyn Fn() -> bool| {
            let begun = std::time::Instant::now();
            while !is() {
                assert!(begun.elapsed().as_secs() < 60, "{signal}: {what}");
                std::thread::sleep(std::time::Duration::from_millis(20));
            }
        };
        wait_for("the browser did not start", &|| says.exists());
        let said = std::fs::read_to_string(&says).unwrap();
        let [first, second, page] = said.split_whitespace().collect::<Vec<_>>()[..] else {
            panic!("{said}");
        };
        let private = Path::new(page).parent().unwrap();
        let mode = std::fs::metadata(private).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o700, "others may read the page");
        let kill = |args: &[&str]| {
            Command::new("kill")
                .args(args)
                .output()
                .unwrap()
                .status
                .success()
        };
        assert!(kill(&["-s", signal, &run.id().to_string()]));
        run.wait().unwrap();
        wait_for("the browser goes on", &|| {
            !kill(&["-0", first]) && !kill(&["-0", second])
        });
        wait_for("the page is left", &|| !private.exists());
        assert!(!dir.path().join("report.pdf").exists());
    }
}

#[test]
fn with_a_chromium_three_sheets_at_most_of_either_paper_come_out() {
    if !Path::new("/usr/bin/chromium").is_file() {
        return; // the check of the pages in a browser needs one, and says so
    }
    let dir = folder(&[]);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(dir.path(), std::fs::Permissions::from_mode(0o700)).unwrap();
    }
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
