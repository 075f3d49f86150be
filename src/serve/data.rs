//! The data folder: the store's file, the files that were given, and the lock that keeps a second process out.

use super::invitations::Invitations;
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

/// What became of opening the folder.
pub enum Opened {
    /// It is this process's.
    Own(Folder),
    /// Another workbench has it.
    Running(Invitations),
}

/// Ends the name of a file that is still coming in.
const PART: &str = ".part";

impl Folder {
    /// Makes the folder where it is missing, for its owner alone, or claims it where it is empty or its own; locks it.
    ///
    /// # Errors
    /// It is somebody else's folder, or it cannot be used. Nothing in it is then changed.
    pub fn open(dir: &Path) -> Result<Opened> {
        make(dir)?;
        // The user may have named it through a symlink; nothing within it is reached through one.
        let dir = dir.canonicalize().map_err(|e| cannot(dir, &e))?;
        let found = mark::look(&dir)?;
        if found == Found::Empty {
            mark::set(&dir)?;
        }
        let Some(lock) = lock(&dir)? else {
            return Ok(Opened::Running(Invitations::new(&dir)));
        };
        if found == Found::Unmarked {
            mark::prove(&dir)?;
            mark::set(&dir)?;
        }
        make(&dir.join(FILES))?;
        make_private(&dir)?;
        Ok(Opened::Own(Self { dir, _lock: lock }))
    }

    /// Where a second start leaves its tokens.
    pub fn invitations(&self) -> Invitations {
        Invitations::new(&self.dir)
    }

    /// The store's file.
    pub fn database(&self) -> PathBuf {
        self.dir.join(STORE)
    }

    /// Where a survey's results are looked for.
    pub fn survey_page(&self) -> PathBuf {
        self.dir.join("survey").join("survey.html")
    }

    /// Where files that were given lie.
    pub fn files(&self) -> PathBuf {
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
        open_private(path, |o| o.create_new(true))
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

/// The lock; `None` where another process has it.
fn lock(dir: &Path) -> Result<Option<File>> {
    let path = dir.join(LOCK);
    let file =
        open_private(&path, |o| o.create(true).truncate(false)).map_err(|e| cannot(&path, &e))?;
    match file.try_lock() {
        Ok(()) => Ok(Some(file)),
        Err(TryLockError::WouldBlock) => Ok(None),
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

/// Opens a file to be written that only its owner may read, whatever the process's mask.
fn open_private(
    path: &Path,
    how: impl Fn(&mut OpenOptions) -> &mut OpenOptions,
) -> std::io::Result<File> {
    let mut options = OpenOptions::new();
    options.write(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    let file = how(&mut options).open(path)?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        file.set_permissions(std::fs::Permissions::from_mode(0o600))?;
    }
    Ok(file)
}

/// Writes a file that only its owner may read, whole and on the disk.
pub fn write_private(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let mut file = open_private(path, |o| o.create(true).truncate(true))?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// Shuts others out of the folder and of the workbench's own files in it, whatever their modes were.
#[cfg(unix)]
fn make_private(dir: &Path) -> Result<()> {
    use std::os::unix::fs::PermissionsExt;
    let set = |path: &Path, mode| {
        let there = std::fs::symlink_metadata(path);
        match there.map(|m| m.permissions().mode() & 0o7777) {
            Ok(now) if now != mode => {
                std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).map_err(|e| {
                    Error::in_file(path, words::workbench::not_private(&e))
                        .hint(words::workbench::NOT_PRIVATE_HINT)
                })
            }
            _ => Ok(()),
        }
    };
    set(dir, 0o700)?;
    set(&dir.join(FILES), 0o700)?;
    mark::own_files()
        .iter()
        .try_for_each(|name| set(&dir.join(name), 0o600))
}

#[cfg(not(unix))]
fn make_private(_: &Path) -> Result<()> {
    Ok(()) // the user's own data folder is shut to others there
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
    fn a_second_workbench_does_not_get_the_folder_until_the_first_is_gone() {
        let home = tempfile::tempdir().unwrap();
        let open = || Folder::open(home.path()).unwrap();
        let first = open();
        assert!(matches!(first, Opened::Own(_)));
        assert!(matches!(open(), Opened::Running(_)));
        drop(first);
        assert!(matches!(open(), Opened::Own(_)));
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
        let Opened::Own(folder) = Folder::open(home.path()).unwrap() else {
            panic!("nobody else has it");
        };
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
