//! The data folder: the store's file, the files that were given, and the lock that keeps a second process out.

use super::mark::{self, FILES, Found, LOCK, STORE};
use crate::error::{Error, Result};
use crate::report::words;
use std::collections::HashSet;
use std::ffi::OsString;
use std::fs::{DirBuilder, File, OpenOptions, TryLockError};
use std::io::Write;
use std::path::{Path, PathBuf};

/// The folder, locked for as long as this lives. The system lifts the lock when the process ends, however it ends.
pub struct Folder {
    dir: PathBuf,
    _lock: File,
}

/// Ends the name of a file that is still coming in.
const PART: &str = ".part";

impl Folder {
    /// Makes the folder where it is missing, for its owner alone, or claims it where it is empty or its own; locks it.
    ///
    /// # Errors
    /// It is somebody else's folder, it cannot be used, or another workbench has it. Nothing in it is then changed.
    pub fn open(dir: &Path) -> Result<Self> {
        make(dir)?;
        // The user may have named it through a symlink; nothing within it is reached through one.
        let dir = dir.canonicalize().map_err(|e| cannot(dir, &e))?;
        let lock = match mark::look(&dir)? {
            Found::Marked => lock(&dir)?,
            Found::Empty => {
                mark::set(&dir)?;
                lock(&dir)?
            }
            Found::Unmarked => {
                let lock = lock(&dir)?;
                mark::prove(&dir)?;
                mark::set(&dir)?;
                lock
            }
        };
        make(&dir.join(FILES))?;
        Ok(Self { dir, _lock: lock })
    }

    /// The store's file.
    pub fn database(&self) -> PathBuf {
        self.dir.join(STORE)
    }

    /// Where a survey's results are looked for.
    pub fn survey_page(&self) -> PathBuf {
        self.dir.join("survey").join("survey.html")
    }

    fn files(&self) -> PathBuf {
        self.dir.join(FILES)
    }

    /// A file that was given. `stored` is a name that the workbench made up, never one from outside.
    pub fn file(&self, stored: &str) -> PathBuf {
        self.files().join(stored)
    }

    /// A file that is still coming in.
    pub fn part(&self, stored: &str) -> PathBuf {
        self.files().join(format!("{stored}{PART}"))
    }

    /// Creates a file that only its owner may read.
    pub fn create(path: &Path) -> std::io::Result<File> {
        private().write(true).create_new(true).open(path)
    }

    /// Makes a part a whole file.
    pub fn complete(&self, stored: &str) -> std::io::Result<()> {
        std::fs::rename(self.part(stored), self.file(stored))
    }

    /// Makes the names in the folder of files last through a failure of power.
    pub fn settle(&self) -> std::io::Result<()> {
        if cfg!(unix) {
            File::open(self.files())?.sync_all()?;
        }
        Ok(())
    }

    /// Removes files that the store lists as belonging to no record, whole or still coming in; gives the names of those
    /// of which nothing is left.
    ///
    /// Removed is only what bears a name of the workbench's own making and is a plain file directly in its folder of
    /// files. What the store does not list stays, whatever it is called.
    pub fn remove(&self, loose: &[String]) -> Vec<String> {
        let is_folder = std::fs::symlink_metadata(self.files()).is_ok_and(|m| m.is_dir());
        let gone = |name: &&String| {
            is_folder
                && is_own_name(name)
                && remove_file(&self.file(name))
                && remove_file(&self.part(name))
        };
        loose.iter().filter(gone).cloned().collect()
    }

    /// How many files none of these names in the folder of files, and where that is.
    pub fn unknown(&self, known: &HashSet<String>) -> (usize, PathBuf) {
        let dir = self.files();
        let entries = std::fs::read_dir(&dir).into_iter().flatten().flatten();
        let is_known = |name: &OsString| name.to_str().is_some_and(|n| known.contains(n));
        let unknown = entries.filter(|e| !is_known(&e.file_name())).count();
        (unknown, dir)
    }
}

/// Whether it may be a name of [`super::gate::random_name`].
fn is_own_name(name: &str) -> bool {
    let is_digit = |b: u8| b.is_ascii_digit() || (b'a'..=b'f').contains(&b);
    name.len() == 64 && name.bytes().all(is_digit)
}

/// Removes a plain file; says whether nothing is there any more.
fn remove_file(path: &Path) -> bool {
    match std::fs::symlink_metadata(path) {
        Ok(meta) => meta.is_file() && std::fs::remove_file(path).is_ok(),
        Err(e) => e.kind() == std::io::ErrorKind::NotFound,
    }
}

fn lock(dir: &Path) -> Result<File> {
    let path = dir.join(LOCK);
    let file = private()
        .write(true)
        .truncate(false)
        .open(&path)
        .map_err(|e| cannot(&path, &e))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(Error::in_file(dir, words::workbench::ANOTHER_RUNS)
            .hint(words::workbench::ANOTHER_RUNS_HINT)),
        Err(TryLockError::Error(e)) => Err(cannot(&path, &e)),
    }
}

fn make(dir: &Path) -> Result<()> {
    let mut builder = DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::DirBuilderExt;
        builder.mode(0o700);
    }
    builder.create(dir).map_err(|e| cannot(dir, &e))
}

fn private() -> OpenOptions {
    let mut options = OpenOptions::new();
    options.create(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    options
}

/// Writes a file that only its owner may read, whole and on the disk.
pub fn write_private(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let mut file = private().write(true).truncate(true).open(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// What in the data folder could not be used.
pub fn cannot(what: &Path, e: &std::io::Error) -> Error {
    Error::in_file(what, format!("the data folder cannot be used: {e}"))
        .hint(words::workbench::DATA_FOLDER_HINT)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_workbench_on_the_folder_is_refused_until_the_first_is_gone() {
        let home = tempfile::tempdir().unwrap();
        let first = Folder::open(home.path()).unwrap();
        let refused = Folder::open(home.path()).err().unwrap();
        assert!(refused.what.contains("another workbench"), "{refused}");
        drop(first);
        assert!(Folder::open(home.path()).is_ok());
    }

    #[test]
    fn a_mark_without_its_text_in_an_otherwise_empty_folder_is_set_again() {
        let home = tempfile::tempdir().unwrap();
        std::fs::write(home.path().join(mark::MARK), "").unwrap();
        drop(Folder::open(home.path()).unwrap());
        assert_eq!(mark::look(home.path()).unwrap(), Found::Marked);
    }

    #[test]
    fn only_plain_files_with_names_of_its_own_are_removed_even_if_a_store_lists_others() {
        let home = tempfile::tempdir().unwrap();
        let folder = Folder::open(home.path()).unwrap();
        let [own, part, linked, dir, kept] = ["a", "b", "c", "d", "e"].map(|c| c.repeat(64));
        let outside = home.path().join("outside");
        for path in [
            folder.file(&own),
            folder.part(&part),
            folder.file(&kept),
            folder.file("short"),
            outside.clone(),
        ] {
            std::fs::write(path, "x").unwrap();
        }
        std::fs::create_dir(folder.file(&dir)).unwrap();
        #[cfg(unix)]
        std::os::unix::fs::symlink(&outside, folder.file(&linked)).unwrap();
        let upwards = "../outside".to_string();
        let short = "short".to_string();
        let listed = [&own, &part, &linked, &dir, &upwards, &short].map(Clone::clone);
        let gone = folder.remove(&listed);
        assert_eq!(gone, [own.clone(), part.clone()]);
        assert!(!folder.file(&own).exists() && !folder.part(&part).exists());
        assert!(outside.exists() && folder.file(&dir).exists() && folder.file("short").exists());
        assert!(folder.file(&kept).exists());
        #[cfg(unix)]
        assert!(folder.file(&linked).is_symlink());
    }
}
