//! One piece of work in a process of its own, bounded in memory and time: it can be ended at any moment, and what it does
//! to itself harms nobody else.
//!
//! The task goes in as a line of JSON. Out come lines that say how far it is, and at last what came of it. The process
//! ends with the one that started it: its input is then at its end.

use super::limits::Limits;
use super::queue::Progress;
use super::work::{Done, Task, perform};
use crate::error::{Error, Result};
use crate::report::words::workbench as w;
use serde::{Deserialize, Serialize};
use std::io::{BufRead, BufReader, Read, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::time::{Duration, Instant};

/// The command that does a task; no user needs it.
pub const COMMAND: &str = "workbench-job";

/// How often is looked whether the work is to end.
const LOOK: Duration = Duration::from_millis(40);
/// How often the work says how far it is.
const SAY: Duration = Duration::from_millis(150);
/// Bytes that are kept of what the process complains of.
const COMPLAINT: u64 = 4096;

/// One line of what the process says.
#[derive(Debug, Serialize, Deserialize)]
enum Said {
    /// How far it is.
    Now(u8, u64, u64),
    /// What came of it.
    Done(Box<Done>),
}

/// Has a task done by `program`, and waits for it.
///
/// # Errors
/// The process cannot be started, was ended for what it took or from outside, or failed. Where it was stopped, whatever
/// it came to is of no use.
pub fn run(program: &Path, limits: &Limits, task: &Task, progress: &Progress) -> Result<Done> {
    let failed = || Error::new(w::PROGRAM_FAILED).hint(w::PROGRAM_FAILED_HINT);
    let mut child = command(program, limits.job_bytes)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|e| Error::new(w::job_cannot_start(&e)).hint(w::PROGRAM_FAILED_HINT))?;
    let (Some(mut input), Some(output), Some(complaints)) =
        (child.stdin.take(), child.stdout.take(), child.stderr.take())
    else {
        return Err(failed());
    };
    let line = serde_json::to_string(task).map_err(|_| failed())?;
    // A process that is gone already is told from its status.
    let _ = writeln!(input, "{line}").and_then(|()| input.flush());
    let mut overdue = false;
    let (said, complaint, status) = std::thread::scope(|scope| {
        let said = scope.spawn(|| listen(output, progress));
        let complaint = scope.spawn(move || {
            let mut text = String::new();
            let _ = complaints.take(COMPLAINT).read_to_string(&mut text);
            text
        });
        let status = wait(&mut child, limits.job_time, progress, &mut overdue);
        (
            said.join().ok().flatten(),
            complaint.join().unwrap_or_default(),
            status,
        )
    });
    drop(input); // held up to here: its end would have ended the process
    match said {
        Some(done) => Ok(done),
        None if overdue => {
            Err(Error::new(w::job_too_long(limits.job_time)).hint(w::JOB_TOO_LONG_HINT))
        }
        None => Err(ended(&status, &complaint, limits.job_bytes)),
    }
}

/// The program, with as much memory as it may take. The system's shell sets the bound, which then holds.
fn command(program: &Path, bytes: u64) -> Command {
    if cfg!(unix) {
        let mut command = Command::new("/bin/sh");
        // Without a core file: it would hold a record. A system without such a bound goes on without.
        let line = format!(
            "ulimit -c 0; ulimit -d {} 2>/dev/null; exec \"$0\" {COMMAND}",
            bytes >> 10
        );
        command.arg("-c").arg(line).arg(program);
        command
    } else {
        let mut command = Command::new(program);
        command.arg(COMMAND);
        command
    }
}

/// Reads what the process says to the end; gives what came of its task.
fn listen(output: impl Read, progress: &Progress) -> Option<Done> {
    let mut done = None;
    for line in BufReader::new(output).lines() {
        match serde_json::from_str(&line.ok()?) {
            Ok(Said::Now(phase, read, of)) => progress.set(phase, read, of),
            Ok(Said::Done(what)) => done = Some(*what),
            Err(_) => return None,
        }
    }
    done
}

/// Waits for the process, and ends it when it is stopped or has had its time.
fn wait(
    child: &mut Child,
    most: Duration,
    progress: &Progress,
    overdue: &mut bool,
) -> std::io::Result<ExitStatus> {
    let begun = Instant::now();
    loop {
        if let Some(status) = child.try_wait()? {
            return Ok(status);
        }
        *overdue = most < begun.elapsed();
        if progress.is_stopped() || *overdue {
            child.kill()?;
            return child.wait();
        }
        std::thread::sleep(LOOK);
    }
}

/// Why a process ended that said nothing of its task.
fn ended(status: &std::io::Result<ExitStatus>, complaint: &str, bytes: u64) -> Error {
    if complaint.contains("memory allocation of") {
        return Error::new(w::job_too_large(bytes)).hint(w::JOB_TOO_LARGE_HINT);
    }
    #[cfg(unix)]
    if let Some(signal) = status
        .as_ref()
        .ok()
        .and_then(std::os::unix::process::ExitStatusExt::signal)
    {
        return Error::new(w::job_ended(signal)).hint(w::JOB_ENDED_HINT);
    }
    let _ = status;
    Error::new(w::PROGRAM_FAILED).hint(w::PROGRAM_FAILED_HINT)
}

/// Does the task that stands on the first line of the input. The process ends when the input does.
///
/// # Errors
/// There is no task, or nobody takes what came of it.
pub fn work(input: impl Read + Send + 'static, mut output: impl Write) -> Result<()> {
    let mut input = BufReader::new(input);
    let mut line = String::new();
    let read = input.read_line(&mut line);
    let task: Option<Task> = read.ok().and_then(|_| serde_json::from_str(&line).ok());
    let task = task.ok_or_else(|| {
        Error::new("expected a task of the workbench on standard input")
            .hint("`patency serve` starts this by itself")
    })?;
    std::thread::spawn(move || {
        let _ = std::io::copy(&mut input, &mut std::io::sink());
        std::process::exit(1); // who wanted it is gone
    });
    let progress = Progress::default();
    let (sender, receiver) = mpsc::channel();
    let done = std::thread::scope(|scope| {
        scope.spawn(|| {
            let done = catch_unwind(AssertUnwindSafe(|| perform(&task, &progress)));
            let _ = sender.send(done.ok()); // it is waited for
        });
        loop {
            match receiver.recv_timeout(SAY) {
                Err(RecvTimeoutError::Timeout) => {
                    let (phase, read, of) = progress.counts();
                    say(&mut output, &Said::Now(phase, read, of))?;
                }
                done => return Ok(done.ok().flatten()),
            }
        }
    })?;
    match done {
        Some(done) => say(&mut output, &Said::Done(Box::new(done))),
        None => Err(Error::new(w::PROGRAM_FAILED).hint(w::PROGRAM_FAILED_HINT)),
    }
}

fn say(output: &mut impl Write, said: &Said) -> Result<()> {
    let line = serde_json::to_string(said).unwrap_or_default(); // plain structures cannot fail to be written
    writeln!(output, "{line}")
        .and_then(|()| output.flush())
        .map_err(|e| Error::new(format!("standard output cannot be written: {e}")))
}
