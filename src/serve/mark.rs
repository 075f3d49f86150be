//! Whose a folder is: records are kept only in a folder that bears the workbench's mark.
//!
//! A folder gets the mark when it is made, when it is claimed while it is empty, or when it holds a store that is
//! provably the workbench's own (the first version set no mark). Any other folder is refused and left as it is.

use super::invitations::{PORT, TOKENS};
use super::store;
use crate::error::{Error, Result};
use crate::report::words;
use std::fs::Metadata;
use std::path::Path;

/// The mark's name. It is text that says what the folder is.
pub const MARK: &str = "workbench.mark";
/// The store's name.
pub const STORE: &str = "workbench.sqlite";
/// The name of the file whose lock keeps a second process out.
pub const LOCK: &str = "workbench.lock";
/// The name of the file that keeps space.
pub const RESERVE: &str = "workbench.reserve";
/// The folder of the files that were given.
pub const FILES: &str = "files";

const FIRST_LINE: &str = "patency workbench folder, version 1";
const REST: &str =
    "Remove records in the workbench, not here. Other files in this folder are never removed.";

/// What a folder was found to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Found {
    /// It bears the mark.
    Marked,
    /// It has nothing in it.
    Empty,
    /// It bears no mark, but may be a folder of the first version.
    Unmarked,
}

/// Looks at a folder and changes nothing in it.
///
/// # Errors
/// It holds files of others and no mark, or something that is no plain file in the place of the workbench's own.
pub fn look(dir: &Path) -> Result<Found> {
    let cannot = |e: std::io::Error| super::data::cannot(dir, &e);
    let mut found = Found::Empty;
    for entry in std::fs::read_dir(dir).map_err(cannot)? {
        let entry = entry.map_err(cannot)?;
        let meta = entry.metadata().map_err(cannot)?; // of a symlink itself
        // A start that was killed may have left a mark without its text.
        if entry.file_name() != MARK || !meta.is_file() || meta.len() != 0 {
            found = Found::Unmarked;
            break;
        }
    }
    if found == Found::Empty {
        return Ok(found);
    }
    let of_the_first = is(dir, STORE, Metadata::is_file)? && is(dir, LOCK, Metadata::is_file)?;
    match is(dir, MARK, Metadata::is_file)? {
        true if is_marked(dir) => plain(dir).map(|()| Found::Marked),
        false if of_the_first => plain(dir).map(|()| Found::Unmarked),
        _ => Err(strangers(dir)),
    }
}

/// Whether an unmarked folder holds a store of the workbench's own.
///
/// # Errors
/// It does not, or the store is damaged. Nothing is changed either way.
pub fn prove(dir: &Path) -> Result<()> {
    match store::is_own(&dir.join(STORE))? {
        true => Ok(()),
        false => Err(strangers(dir)),
    }
}

/// Sets the mark.
pub fn set(dir: &Path) -> Result<()> {
    let path = dir.join(MARK);
    super::data::write_private(&path, format!("{FIRST_LINE}\n{REST}\n").as_bytes()).map_err(|e| {
        let _ = std::fs::remove_file(&path); // a mark without its text is none
        super::data::cannot(&path, &e)
    })
}

fn is_marked(dir: &Path) -> bool {
    let text = std::fs::read(dir.join(MARK)).unwrap_or_default();
    text.split(|b| *b == b'\n').next() == Some(FIRST_LINE.as_bytes())
}

/// Whether the folder has this in it and it is what it should be; a symlink never is.
fn is(dir: &Path, name: &str, kind: fn(&Metadata) -> bool) -> Result<bool> {
    let path = dir.join(name);
    match std::fs::symlink_metadata(&path) {
        Ok(meta) => Ok(kind(&meta)),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(false),
        Err(e) => Err(super::data::cannot(&path, &e)),
    }
}

/// Names of the files that are the workbench's own, directly in the folder.
pub fn own_files() -> Vec<String> {
    let of_store = ["", "-wal", "-shm", "-journal"].map(|end| format!("{STORE}{end}"));
    let others = [LOCK, MARK, RESERVE, PORT, TOKENS].map(str::to_string);
    of_store.into_iter().chain(others).collect()
}

/// Nothing of what the workbench opens leads elsewhere.
fn plain(dir: &Path) -> Result<()> {
    let own = own_files();
    let is_file = Metadata::is_file as fn(&Metadata) -> bool;
    let files = own.iter().map(|name| (name.as_str(), is_file));
    let folder: (&str, fn(&Metadata) -> bool) = (FILES, Metadata::is_dir);
    for (name, kind) in files.chain([folder]) {
        if is(dir, name, |_| true)? && !is(dir, name, kind)? {
            return Err(
                Error::in_file(&dir.join(name), words::workbench::LEADS_ELSEWHERE)
                    .hint(words::workbench::LEADS_ELSEWHERE_HINT),
            );
        }
    }
    Ok(())
}

fn strangers(dir: &Path) -> Error {
    Error::in_file(dir, words::workbench::NOT_OURS).hint(words::workbench::not_ours_hint(dir))
}
