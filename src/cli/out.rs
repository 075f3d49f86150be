//! What reaches the outside: messages on standard error, results on standard output, files written beside and renamed.

use crate::error::{Error, Result};
use std::io::Write;
use std::path::Path;

/// Writes one error message to standard error, with `hint:` on its own line.
pub fn problem(error: &Error) {
    // Nothing can be done where even standard error is closed.
    let _ = writeln!(anstream::stderr(), "patency: {error}");
}

/// Writes text to standard output; a closed pipe (`| head`) is no error.
pub fn print(text: &str) -> Result<()> {
    let mut stdout = anstream::stdout().lock();
    match stdout
        .write_all(text.as_bytes())
        .and_then(|()| stdout.flush())
    {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => Err(Error::new(format!(
            "standard output cannot be written: {e}"
        ))),
        _ => Ok(()),
    }
}

/// Writes a set of files into a folder: first all beside their places, then renamed, so that a failed run
/// changes nothing that was there. Makes the folder (and its parents) where it is missing.
pub fn write_files(dir: &Path, files: &[(&str, Vec<u8>)]) -> Result<()> {
    let cannot = |what: &Path, e: &std::io::Error| {
        Error::in_file(what, format!("cannot be written: {e}"))
            .hint("choose a folder you may write to, with space left, with --out")
    };
    let made = !dir.exists();
    std::fs::create_dir_all(dir).map_err(|e| cannot(dir, &e))?;
    let written = write_beside_and_rename(dir, files, &cannot);
    if written.is_err() && made {
        let _ = std::fs::remove_dir(dir); // only if empty: leaves no trace of a run that failed
    }
    written
}

fn write_beside_and_rename(
    dir: &Path,
    files: &[(&str, Vec<u8>)],
    cannot: &dyn Fn(&Path, &std::io::Error) -> Error,
) -> Result<()> {
    let mut beside = Vec::with_capacity(files.len());
    for (name, bytes) in files {
        let path = dir.join(name);
        let mut file = tempfile::NamedTempFile::new_in(dir).map_err(|e| cannot(&path, &e))?;
        file.write_all(bytes)
            .and_then(|()| file.as_file().sync_all())
            .map_err(|e| cannot(&path, &e))?;
        beside.push((path, file));
    }
    for (path, file) in beside {
        file.persist(&path).map_err(|e| cannot(&path, &e.error))?;
    }
    Ok(())
}
