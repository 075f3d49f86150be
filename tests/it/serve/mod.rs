//! The workbench from outside: what it lets in, what it keeps, what it shows.

mod client;
mod gate;
#[cfg(target_os = "linux")]
mod jobs;
mod kept;
#[cfg(unix)]
mod strangers;
mod way;
