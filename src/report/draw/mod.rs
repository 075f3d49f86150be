//! Pictures of a record and its review.
//!
//! In: record and review. Out: a [`Picture`], a list of lines, areas and texts in plain coordinates, which
//! [`render`] turns into SVG or PNG by the backends of `plotters`. Keeping the list between drawing and
//! rendering lets a test see that no two labels overlap and none is cut off.

mod axis;
mod decimate;
mod event_lane;
mod fits;
mod ink;
mod line_map;
mod panel;
mod picture;
mod render;
mod slope;
pub mod survey;
mod svg;
mod time_axis;
mod trace;
mod trace_marks;
mod track;

pub use decimate::pieces;
pub use fits::{expected, fits, residuals};
pub use line_map::line_map;
pub use picture::{Anchor, Moves, Picture, Shape};
pub use render::png;
pub use slope::slope;
pub use svg::svg;
pub use trace::{SHOWN_CHANNELS, shown, trace};
pub use track::track;

/// Width of a picture for a desk or a sheet of paper, in CSS pixels.
pub const WIDE: f64 = 1040.0;

/// Width of a picture for a phone, in CSS pixels.
pub const NARROW: f64 = 358.0;
