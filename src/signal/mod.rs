//! LAYER 2a: numbers become changes; knows no pump.
//!
//! In: a plain series of numbers. Out: where its level, spread or slope changes ([`segments()`]), and to which step it was
//! rounded ([`rounding_step`]).
//!
//! | file | holds |
//! |---|---|
//! | `segments` | the one entry: from values to segments |
//! | `rounding`, `bursts`, `noise` | what the series looks like apart from its changes |
//! | `penalty` | what a change must be worth |
//! | `sums`, `cost` | what a segment costs, in constant time |
//! | `search`, `tree`, `frozen`, `aside` | the cheapest of all splits, in nearly linear time |

mod aside;
mod bursts;
mod cost;
mod frozen;
#[cfg(test)]
mod made;
mod noise;
mod penalty;
mod rounding;
mod search;
mod segments;
mod sums;
mod tree;

pub use rounding::rounding_step;
pub use segments::{Segment, Segments, segments, segments_at, split_levels};
