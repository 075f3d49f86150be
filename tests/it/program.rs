//! Runs the program as a user does: the one place that knows how.

use std::path::Path;
use std::process::{Command, Output, Stdio};

/// What a run gave back.
pub struct Run {
    pub status: i32,
    pub stdout: String,
    pub stderr: String,
}

/// Runs `patency` in a folder. The status is -1 where a signal ended it.
pub fn patency(dir: &Path, args: &[&str]) -> Run {
    let mut command = Command::new(env!("CARGO_BIN_EXE_patency"));
    run(command.current_dir(dir).args(args))
}

/// Runs a shell line in a folder, `$PATENCY` being the program.
#[cfg(unix)]
pub fn shell(dir: &Path, line: &str) -> Run {
    let mut command = Command::new("sh");
    command.env("PATENCY", env!("CARGO_BIN_EXE_patency"));
    run(command.current_dir(dir).args(["-c", line]))
}

fn run(command: &mut Command) -> Run {
    let output: Output = command.stdin(Stdio::null()).output().unwrap();
    Run {
        status: output.status.code().unwrap_or(-1),
        stdout: String::from_utf8(output.stdout).unwrap(),
        stderr: String::from_utf8(output.stderr).unwrap(),
    }
}

/// A folder with these files in it.
pub fn folder(files: &[(&str, &[u8])]) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (name, bytes) in files {
        std::fs::write(dir.path().join(name), bytes).unwrap();
    }
    dir
}
