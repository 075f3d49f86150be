//! Space that is kept for removing and starting on a full disk: a file of random bytes, given up when it is needed.

use std::fs::File;
use std::io::Write;
use std::path::PathBuf;

/// More than the journal of a removal takes.
const BYTES: usize = 8 << 20;
const PIECE: usize = 1 << 16;

/// The file. Random bytes, so that a disk that compresses keeps all of it.
pub struct Reserve {
    path: PathBuf,
}

impl Reserve {
    /// The reserve at this place; there is none yet.
    pub fn new(path: PathBuf) -> Self {
        Self { path }
    }

    /// Takes the space where it is not taken yet. Without room there is no reserve, and everything else goes on.
    pub fn hold(&self) {
        if std::fs::metadata(&self.path).is_ok_and(|m| m.len() == BYTES as u64) {
            return;
        }
        self.release();
        let written = super::data::Folder::create(&self.path).and_then(|f| fill(&f));
        if written.is_err() {
            self.release();
        }
    }

    /// Gives the space up; says whether there was any.
    fn release(&self) -> bool {
        std::fs::remove_file(&self.path).is_ok()
    }

    /// Does what needs a little space, once more with the reserve given up where it failed.
    pub fn with_room<T, E>(&self, mut job: impl FnMut() -> Result<T, E>) -> Result<T, E> {
        match job() {
            Err(_) if self.release() => job(),
            done => done,
        }
    }
}

fn fill(mut file: &File) -> std::io::Result<()> {
    let mut piece = [0; PIECE];
    for _ in 0..BYTES / PIECE {
        getrandom::fill(&mut piece).map_err(|_| std::io::ErrorKind::Other)?;
        file.write_all(&piece)?;
    }
    file.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_fails_is_tried_again_with_the_reserve_given_up_and_only_then() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("reserve");
        let reserve = Reserve::new(path.clone());
        let needs_room = || if path.exists() { Err("full") } else { Ok(()) };
        reserve.hold();
        assert_eq!(std::fs::metadata(&path).unwrap().len(), BYTES as u64);
        assert_eq!(reserve.with_room(needs_room), Ok(()));
        reserve.hold();
        assert_eq!(reserve.with_room(|| Ok::<_, &str>(())), Ok(()));
        assert!(path.exists(), "nothing had failed");
        assert_eq!(reserve.with_room(|| Err::<(), _>("full")), Err("full"));
    }
}
