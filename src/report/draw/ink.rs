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

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance, WCAG 2.2 (definition of that name): all that is left of an ink in grey print.
    fn luminance(ink: Ink) -> f64 {
        let linear = |c: u8| {
            let c = f64::from(c) / 255.0;
            if c <= 0.04045 {
                c / 12.92
            } else {
                ((c + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * linear(ink.0) + 0.7152 * linear(ink.1) + 0.0722 * linear(ink.2)
    }

    /// Contrast ratio, WCAG 2.2.
    fn contrast(a: Ink, b: Ink) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn the_contrast_of_black_on_white_is_the_standard_s_21_to_1() {
        assert!((contrast(ink(0, 0, 0), PAPER) - 21.0).abs() < 1e-9);
    }

    #[test]
    fn what_is_read_has_4_5_to_1_on_paper_and_on_every_fill_under_it() {
        for (name, dark) in [
            ("text", TEXT),
            ("quiet", QUIET),
            ("pressure", PRESSURE),
            ("rate", RATE),
            ("episode", EPISODE_EDGE),
            ("alarm", ALARM),
            ("best", BEST),
            ("rival", RIVAL),
        ] {
            assert!(4.5 <= contrast(dark, PAPER), "{name} on paper");
        }
        for (name, dark, fill) in [
            ("text on the rate", TEXT, RATE_FILL),
            ("text on a part", TEXT, PART),
            ("quiet text on a part", QUIET, PART),
            ("an episode's name on its shade", EPISODE_EDGE, EPISODE),
            ("pressure on an episode", PRESSURE, EPISODE),
            ("alarm on an episode", ALARM, EPISODE),
        ] {
            assert!(
                4.5 <= contrast(dark, fill),
                "{name}: {}",
                contrast(dark, fill)
            );
        }
    }

    #[test]
    fn without_colour_lines_stand_out_from_bands_and_the_best_explanation_from_its_rival() {
        // 3 to 1 is what WCAG 2.2 (1.4.11) asks of parts of a picture that must be told apart.
        for (name, a, b) in [
            ("the track and its band", PRESSURE, BAND),
            ("best and rival", BEST, RIVAL),
            ("rate and its fill", RATE, RATE_FILL),
            ("hatching of a pause", HATCH, PAPER),
        ] {
            assert!(3.0 <= contrast(a, b), "{name}: {}", contrast(a, b));
        }
    }
}
