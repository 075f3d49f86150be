//! LAYER 2b: a record becomes a review: what was blocked, where, and how sure that is.
//!
//! In: a cleaned [`crate::record::Record`]. Out: a [`Review`]. Nothing here reads a file or a clock or words a sentence.
//!
//! The way through the room: `regimes` (what the pumps did) → `parts` (what is known of the line) → `blocks`
//! (the record boiled down) → `tracker` (where the pressure leaves its `baseline`: an `excursion`), `second` (where a second cause came on top),
//! `alarms` → `window` (the stretch that is fitted) → `causes`, `network`, `fit`
//! (each cause as a forward model) → `context`, `deeds` (what is known beyond the
//! pressure) → `candidates`, `stop`, `rang` (what the alarm says) → `judge` (probabilities) →
//! `outline`, `onset`, `release`, `checks` (the episode) → `figures` (the channels) ; `examine` walks it. Beside it stands [`expect`]: what a
//! line should do, worked out from its file alone.

mod alarms;
mod baseline;
mod blocks;
mod bouts;
mod bursts;
mod candidates;
mod causes;
mod checks;
pub mod clamp_test;
mod context;
mod deeds;
mod evidence;
mod examine;
mod excursion;
pub mod expect;
mod figures;
mod findings;
mod fit;
mod inset;
mod join;
mod judge;
mod level;
pub mod limits;
mod memo;
mod near;
mod network;
mod onset;
mod outline;
mod parting;
mod parts;
mod rang;
mod regimes;
mod release;
mod relief;
mod review;
mod score;
mod second;
mod standing;
mod stop;
mod telling;
mod tracker;
mod unnoted;
mod visible;
mod ways;
mod window;
mod work;

pub use context::filter_placed;
pub use evidence::{Evidence, Finding};
pub use examine::review;
pub use review::*;
