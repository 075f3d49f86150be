//! LAYER 2b: a record becomes a review: what was blocked, where, and how sure that is.
//!
//! In: a cleaned [`crate::record::Record`]. Out: a [`Review`]. Nothing here reads a file or a clock or words a sentence.

mod evidence;
mod review;

pub use evidence::{Evidence, Finding};
pub use review::*;
