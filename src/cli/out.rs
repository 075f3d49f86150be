//! What reaches the outside: messages on standard error, results on standard output, files written beside and renamed.

use crate::error::{Error, Result};
use std::io::Write;
use std::path::Path;

/// Writes one error message to standard error, with `hint:` on its own line.
pub fn problem(error: &Error) {
    // Nothing can be done where even standard error is closed.
    let _ = writeln!(anstream::stderr(), "patency: {error}");
}

/// Writes remarks to standard error, one line each: nothing failed, but a reader must know.
pub fn notices(said: &[String]) {
    let mut stderr = anstream::stderr().lock();
    for line in said {
        let _ = writeln!(stderr, "patency: {line}");
    }
}

/// Writes text to standard output; a closed pipe (`| head`) is no error.
pub fn print(text: &str) -> Result<()> {
    all_to(anstream::stdout().lock(), text.as_bytes())
}

/// Writes bytes to standard output as they are.
pub fn write(bytes: &[u8]) -> Result<()> {
    all_to(std::io::stdout().lock(), bytes)
}

fn all_to(mut stdout: impl Write, bytes: &[u8]) -> Result<()> {
    match stdout.write_all(bytes).and_then(|()| stdout.flush()) {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => Err(Error::new(format!(
            "standard output cannot be written: {e}"
        ))),
        _ => Ok(()),
    }
}

/// Writes a set of files into a folder: first all beside their places, then renamed, so that a failed run
/// changes nothing that was there. Makes the folder (and its parents) where it is missing, and removes what it made
/// where it fails. `option` is what the user named the place with, for the hint.
pub fn write_files(option: &str, dir: &Path, files: &[(&str, Vec<u8>)]) -> Result<()> {
    let missing: Vec<&Path> = dir.ancestors().take_while(|d| !d.exists()).collect();
    let written = std::fs::create_dir_all(dir)
        .map_err(|e| cannot(option, dir, &e))
        .and_then(|()| write_beside_and_rename(option, dir, files));
    if written.is_err() {
        for made in missing {
            let _ = std::fs::remove_dir(made); // only if empty: what others put there stays
        }
    }
    written
}

fn cannot(option: &str, what: &Path, e: &std::io::Error) -> Error {
    let hint = format!("choose a place you may write to, with space left, with {option}");
    Error::in_file(what, format!("cannot be written: {e}")).hint(hint)
}

fn write_beside_and_rename(option: &str, dir: &Path, files: &[(&str, Vec<u8>)]) -> Result<()> {
    let mut beside = Vec::with_capacity(files.len());
    for (name, bytes) in files {
        let path = dir.join(name);
        if is_device_or_pipe(&path) {
            std::fs::write(&path, bytes).map_err(|e| cannot(option, &path, &e))?;
            continue;
        }
        if path.is_dir() {
            // Found out before the first rename, not at the last one.
            return Err(
                Error::in_file(&path, "expected a place for a file, found a folder").hint(format!(
                    "choose another place with {option}, or move that one away"
                )),
            );
        }
        let mut file = beside_file(dir).map_err(|e| cannot(option, &path, &e))?;
        file.write_all(bytes)
            .and_then(|()| file.as_file().sync_all())
            .map_err(|e| cannot(option, &path, &e))?;
        beside.push((path, file));
    }
    for (path, file) in beside {
        file.persist(&path)
            .map_err(|e| cannot(option, &path, &e.error))?;
    }
    Ok(())
}

/// This program, to be started once more.
pub fn this_program() -> Result<std::path::PathBuf> {
    std::env::current_exe()
        .map_err(|e| Error::new(format!("the program’s own file is not known: {e}")))
}

/// A folder for files in between that only its owner may look into. It goes with what this gives back.
pub fn private_folder() -> std::io::Result<tempfile::TempDir> {
    let mut builder = tempfile::Builder::new();
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o700));
    }
    builder.prefix("patency-").tempdir()
}

/// What a file must never be renamed over: `/dev/null` would be gone for every other program.
fn is_device_or_pipe(path: &Path) -> bool {
    std::fs::metadata(path).is_ok_and(|there| !there.is_file() && !there.is_dir())
}

/// A file that vanishes unless it is renamed; who may read it is as for any file the user makes.
fn beside_file(dir: &Path) -> std::io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o666)); // less the user's umask
    }
    builder.prefix(".patency-").tempfile_in(dir)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(name: &'static str, text: &str) -> (&'static str, Vec<u8>) {
        (name, text.into())
    }

    fn names(dir: &Path) -> Vec<String> {
        let entries = std::fs::read_dir(dir).unwrap();
        let name =
            |e: std::io::Result<std::fs::DirEntry>| e.unwrap().file_name().into_string().unwrap();
        let mut names: Vec<String> = entries.map(name).collect();
        names.sort();
        names
    }

    #[test]
    fn files_are_written_into_a_folder_that_is_made() {
        let home = tempfile::tempdir().unwrap();
        let dir = home.path().join("a/b");
        write_files("--out", &dir, &[file("x.txt", "one"), file("y.txt", "two")]).unwrap();
        assert_eq!(names(&dir), ["x.txt", "y.txt"]);
        assert_eq!(std::fs::read_to_string(dir.join("y.txt")).unwrap(), "two");
    }

    #[test]
    fn a_file_in_the_place_of_the_folder_is_an_error_that_names_it() {
        let home = tempfile::tempdir().unwrap();
        let blocker = home.path().join("report");
        std::fs::write(&blocker, "mine").unwrap();
        let error =
            write_files("--out", &blocker.join("out"), &[file("x.txt", "one")]).unwrap_err();
        assert!(error.what.starts_with("cannot be written: "), "{error}");
        assert!(error.hint.unwrap().contains("--out"));
        assert_eq!(std::fs::read_to_string(&blocker).unwrap(), "mine");
    }

    #[test]
    fn a_set_that_cannot_be_written_whole_changes_nothing_that_was_there() {
        let home = tempfile::tempdir().unwrap();
        std::fs::write(home.path().join("x.txt"), "old").unwrap();
        std::fs::create_dir(home.path().join("y.txt")).unwrap();
        let set = [file("x.txt", "new"), file("y.txt", "new")];
        let error = write_files("--out", home.path(), &set).unwrap_err();
        assert!(error.place.unwrap().file.ends_with("y.txt"));
        assert_eq!(
            std::fs::read_to_string(home.path().join("x.txt")).unwrap(),
            "old"
        );
        assert_eq!(names(home.path()), ["x.txt", "y.txt"]);
    }

    #[cfg(unix)]
    #[test]
    fn a_device_is_written_into_and_stays_a_device() {
        use std::os::unix::fs::FileTypeExt;
        // Through a link, so that a run that fails replaces the link and not the device.
        let home = tempfile::tempdir().unwrap();
        let link = home.path().join("sink");
        std::os::unix::fs::symlink("/dev/null", &link).unwrap();
        write_files("--out", home.path(), &[file("sink", "gone")]).unwrap();
        let there = std::fs::symlink_metadata(&link).unwrap().file_type();
        assert!(there.is_symlink());
        let device = std::fs::metadata(&link).unwrap().file_type();
        assert!(device.is_char_device());
    }

    #[test]
    fn folders_made_for_a_run_that_failed_are_removed_again() {
        let home = tempfile::tempdir().unwrap();
        let too_long_a_name = "n".repeat(5000);
        let dir = home.path().join("a/b").join(too_long_a_name);
        assert!(write_files("--out", &dir, &[file("x.txt", "one")]).is_err());
        assert!(names(home.path()).is_empty());
    }
}
