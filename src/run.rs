//! The jobs from bytes to results, without files: what every edge calls.

use crate::infer::{self, Review};
use crate::record::Record;

/// Reviews one infusion: what was blocked, where, and how sure that is.
pub fn review(record: &Record) -> Review {
    infer::review(record)
}
