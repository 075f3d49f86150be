//! The inks: few, told apart in grey print and by people with colour-blindness, and never the only sign.
//!
//! Dark inks have at least 4.5:1 against white (WCAG 2.2, 1.4.3); fills are so light that text on them keeps
//! that ratio. Every meaning also has a line style, a hatching, a mark or a label of its own.

use plotters::style::RGBAColor;

/// A colour with its opacity.
pub type Ink = RGBAColor;

const fn ink(r: u8, g: u8, b: u8) -> Ink {
    RGBAColor(r, g, b, 1.0)
}

/// Text and frames.
pub const TEXT: Ink = ink(0x1b, 0x26, 0x31);
/// Second-rank text: axis labels, notes.
pub const QUIET: Ink = ink(0x51, 0x5d, 0x69);
/// Grid lines.
pub const GRID: Ink = ink(0xdd, 0xe2, 0xe7);
/// Rules between days.
pub const DAY: Ink = ink(0x9a, 0xa5, 0xb0);
/// Measured pressure.
pub const PRESSURE: Ink = ink(0x12, 0x4a, 0x86);
/// Rate.
pub const RATE: Ink = ink(0x3d, 0x4a, 0x57);
/// Fill under the rate.
pub const RATE_FILL: Ink = ink(0xe3, 0xe8, 0xed);
/// An episode's shade.
pub const EPISODE: Ink = ink(0xff, 0xef, 0xc9);
/// An episode's edge and name.
pub const EPISODE_EDGE: Ink = ink(0x7a, 0x45, 0x00);
/// Hatching of a suspected stretch.
pub const EPISODE_HATCH: Ink = ink(0xe0, 0xb8, 0x72);
/// Alarms and limits.
pub const ALARM: Ink = ink(0xa8, 0x1c, 0x1c);
/// Hatching of pauses.
pub const HATCH: Ink = ink(0x86, 0x91, 0x9c);
/// The best explanation.
pub const BEST: Ink = ink(0x10, 0x10, 0x10);
/// Its rival.
pub const RIVAL: Ink = ink(0xb0, 0x53, 0x00);
/// A band of uncertainty.
pub const BAND: Ink = ink(0xc9, 0xdb, 0xee);
/// The parts of the line.
pub const PART: Ink = ink(0xf4, 0xf6, 0xf8);
/// Paper.
pub const PAPER: Ink = ink(0xff, 0xff, 0xff);
