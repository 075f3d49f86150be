//! The data folder: the store's file, the files that were given, and the lock that keeps a second process out.

use crate::error::{Error, Result};
use crate::report::words;
use std::collections::HashSet;
use std::fs::{DirBuilder, File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};

/// The folder, locked for as long as this lives. The system lifts the lock when the process ends, however it ends.
pub struct Folder {
    dir: PathBuf,
    _lock: File,
}

/// Ends the name of a file that is still coming in.
const PART: &str = ".part";

impl Folder {
    /// Makes the folder where it is missing, for its owner alone, and locks it.
    pub fn open(dir: &Path) -> Result<Self> {
        make(dir)?;
        make(&dir.join("files"))?;
        let lock = dir.join("workbench.lock");
        let file = private()
            .write(true)
            .truncate(false)
            .open(&lock)
            .map_err(|e| cannot(&lock, &e))?;
        match file.try_lock() {
            Ok(()) => Ok(Self {
                dir: dir.to_path_buf(),
                _lock: file,
            }),
            Err(TryLockError::WouldBlock) => {
                Err(Error::in_file(dir, words::workbench::ANOTHER_RUNS)
                    .hint(words::workbench::ANOTHER_RUNS_HINT))
            }
            Err(TryLockError::Error(e)) => Err(cannot(&lock, &e)),
        }
    }

    /// The store's file.
    pub fn database(&self) -> PathBuf {
        self.dir.join("workbench.sqlite")
    }

    /// Where a survey's results are looked for.
    pub fn survey_page(&self) -> PathBuf {
        self.dir.join("survey").join("survey.html")
    }

    /// A file that was given. `stored` is a name that the workbench made up, never one from outside.
    pub fn file(&self, stored: &str) -> PathBuf {
        self.dir.join("files").join(stored)
    }

    /// A file that is still coming in.
    pub fn part(&self, stored: &str) -> PathBuf {
        self.dir.join("files").join(format!("{stored}{PART}"))
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
            File::open(self.dir.join("files"))?.sync_all()?;
        }
        Ok(())
    }

    /// Removes a file; one that is gone already is no error.
    pub fn remove(&self, stored: &str) {
        let _ = std::fs::remove_file(self.file(stored));
    }

    /// Removes what the store does not know: parts and files of an upload that was cut off.
    pub fn sweep(&self, known: &HashSet<String>) -> Result<()> {
        let dir = self.dir.join("files");
        for entry in std::fs::read_dir(&dir).map_err(|e| cannot(&dir, &e))? {
            let entry = entry.map_err(|e| cannot(&dir, &e))?;
            let is_known = entry
                .file_name()
                .to_str()
                .is_some_and(|n| known.contains(n));
            if !is_known {
                let _ = std::fs::remove_file(entry.path()); // one that stays does no harm
            }
        }
        Ok(())
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

fn cannot(what: &Path, e: &std::io::Error) -> Error {
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
    fn what_the_store_does_not_know_is_swept_away() {
        let home = tempfile::tempdir().unwrap();
        let folder = Folder::open(home.path()).unwrap();
        for name in ["aa", "bb", "cc.part"] {
            std::fs::write(home.path().join("files").join(name), "x").unwrap();
        }
        folder.sweep(&HashSet::from(["aa".to_string()])).unwrap();
        assert!(folder.file("aa").exists());
        assert!(!folder.file("bb").exists() && !folder.part("cc").exists());
    }
}
