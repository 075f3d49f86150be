//! How one who closed the window comes back: a second start on the same folder invites to the workbench that runs.
//!
//! The running one says its port in a file of the data folder; the second start leaves a token there. Only the folder's
//! owner can read the one and write the other.

use super::data::{cannot, write_private};
use super::gate::{address, random_name, same};
use crate::error::{Error, Result};
use crate::report::words;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The name of the file with the port.
pub const PORT: &str = "workbench.port";
/// The name of the file with tokens that were not used yet, one a line.
pub const TOKENS: &str = "workbench.invitations";

/// Tokens that may wait; older ones are dropped.
const MOST: usize = 16;

/// The two files.
pub struct Invitations {
    port: PathBuf,
    tokens: PathBuf,
}

impl Invitations {
    /// Those of this data folder.
    pub fn new(dir: &Path) -> Self {
        Self {
            port: dir.join(PORT),
            tokens: dir.join(TOKENS),
        }
    }

    /// Says the port of the workbench that runs now. Where that cannot be written, a second start is sent away.
    pub fn announce(&self, port: u16) {
        self.end();
        let _ = write_private(&self.port, format!("{port}\n").as_bytes());
    }

    /// Takes back what was said.
    pub fn end(&self) {
        for path in [&self.port, &self.tokens] {
            let _ = std::fs::remove_file(path);
        }
    }

    /// An address of the workbench that runs, to be opened once.
    pub fn invite(&self) -> Result<String> {
        let read = std::fs::read_to_string(&self.port);
        let port = read.ok().and_then(|text| text.trim().parse().ok());
        let port: u16 = port.ok_or_else(|| {
            Error::in_file(&self.port, words::workbench::ANOTHER_RUNS)
                .hint(words::workbench::ANOTHER_RUNS_HINT)
        })?;
        let token = random_name()?;
        let mut tokens = self.tokens();
        tokens.push(token.clone());
        let from = tokens.len().saturating_sub(MOST);
        self.write(&tokens[from..])
            .map_err(|e| cannot(&self.tokens, &e))?;
        Ok(address(port, &token))
    }

    /// Takes a token, if it is one that waits: it is then one no longer.
    pub fn take(&self, token: &str) -> bool {
        let (taken, left): (Vec<_>, Vec<_>) =
            self.tokens().into_iter().partition(|t| same(t, token));
        !taken.is_empty() && self.write(&left).is_ok()
    }

    /// Waits until an address was opened, but not for ever.
    pub fn wait_until_used(&self, url: &str) {
        for _ in 0..150 {
            if !self.tokens().iter().any(|t| url.ends_with(t)) {
                return;
            }
            std::thread::sleep(Duration::from_millis(200));
        }
    }

    fn tokens(&self) -> Vec<String> {
        let is_plain = std::fs::symlink_metadata(&self.tokens).is_ok_and(|m| m.is_file());
        let text = is_plain.then(|| std::fs::read_to_string(&self.tokens));
        let text = text.and_then(std::result::Result::ok).unwrap_or_default();
        let lines = text.lines().filter(|line| line.len() == 64);
        lines.map(str::to_string).collect()
    }

    fn write(&self, tokens: &[String]) -> std::io::Result<()> {
        match tokens {
            [] => std::fs::remove_file(&self.tokens),
            _ => write_private(&self.tokens, (tokens.join("\n") + "\n").as_bytes()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_invitation_opens_once_and_only_while_a_workbench_runs() {
        let home = tempfile::tempdir().unwrap();
        let invitations = Invitations::new(home.path());
        let refused = invitations.invite().unwrap_err();
        assert!(refused.what.contains("another workbench"), "{refused}");
        invitations.announce(4321);
        let urls = [(); 2].map(|()| invitations.invite().unwrap());
        let tokens = urls.each_ref().map(|url| {
            let (address, token) = url.split_once("?token=").unwrap();
            assert_eq!(address, "http://127.0.0.1:4321/open");
            token
        });
        assert!(!invitations.take("") && !invitations.take(&tokens[0][1..]));
        assert!(invitations.take(tokens[1]) && !invitations.take(tokens[1]));
        assert!(invitations.take(tokens[0]) && !invitations.take(tokens[0]));
        invitations.invite().unwrap();
        invitations.end();
        assert_eq!(std::fs::read_dir(home.path()).unwrap().count(), 0);
    }
}
