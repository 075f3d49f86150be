//! What is taken in, how much at once, and how long is waited for it. Every one of them is finite.

use std::time::Duration;

/// Bounds on what a browser may ask of the workbench.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Bytes of one upload, all its files together.
    pub upload_bytes: u64,
    /// Files of one upload.
    pub upload_files: usize,
    /// From an upload's first byte to its last.
    pub upload_time: Duration,
    /// From one piece of an upload to the next.
    pub upload_pause: Duration,
    /// Uploads at one time; one more is sent away.
    pub uploads_at_once: usize,
    /// Readings and reviews at one time; the others wait.
    pub workers: usize,
    /// Readings and reviews that may wait; one more is sent away.
    pub waiting: usize,
    /// Memory of one reading or review.
    pub job_bytes: u64,
    /// Time of one reading or review.
    pub job_time: Duration,
    /// Connections at one time; one more is not taken up yet.
    pub connections: usize,
    /// For a request's head.
    pub head_time: Duration,
    /// For the whole of a request that uploads nothing.
    pub request_time: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            upload_bytes: 2 << 30,
            upload_files: 6,
            upload_time: Duration::from_secs(900),
            upload_pause: Duration::from_secs(20),
            uploads_at_once: 64,
            workers: 2,
            waiting: 200,
            job_bytes: 3 << 30,
            job_time: Duration::from_secs(900),
            connections: 256,
            head_time: Duration::from_secs(2),
            request_time: Duration::from_secs(20),
        }
    }
}

/// Bytes of a form without files.
pub const FORM_BYTES: usize = 512 << 10;
/// Bytes that may come in before a file's own bytes begin: the lines that name it.
pub const PART_HEAD_BYTES: usize = 32 << 10;
