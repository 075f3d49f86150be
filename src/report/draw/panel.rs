//! A panel: a frame with a value scale on the left and a heading above, over a stretch of time or any other scale.

use super::axis::{Scale, tick_label};
use super::picture::{Anchor, Picture};
use super::{decimate, ink};

/// Room on the left for the labels of the value scale.
pub const LEFT: f64 = 42.0;
/// Room on the right.
pub const RIGHT: f64 = 18.0;

/// A panel in a picture.
#[derive(Debug, Clone, Copy)]
pub struct Panel {
    /// Left to right.
    pub x: Scale,
    /// Upwards.
    pub y: Scale,
}

impl Panel {
    /// A panel from `top` on, `height` high, over the picture's whole width.
    pub fn new(picture: &Picture, top: f64, height: f64, x: (f64, f64), y: (f64, f64)) -> Self {
        let x = Scale {
            low: x.0,
            high: x.1,
            from_px: LEFT,
            to_px: picture.width - RIGHT,
        };
        Self {
            x,
            y: Scale {
                low: y.0,
                high: y.1,
                from_px: top + height,
                to_px: top,
            },
        }
    }

    /// Left, top, right, bottom.
    pub fn bounds(&self) -> (f64, f64, f64, f64) {
        (self.x.from_px, self.y.to_px, self.x.to_px, self.y.from_px)
    }

    /// The ground: grid and labels of the value scale, heading above.
    pub fn ground(&self, picture: &mut Picture, heading: &str, at_most_ticks: usize) {
        let (left, top, right, _) = self.bounds();
        let ticks = self.y.ticks(at_most_ticks);
        for &tick in &ticks {
            let y = self.y.px(tick);
            picture.line(vec![(left, y), (right, y)], ink::GRID, 1.0);
            picture.text(
                (left - 5.0, y + 3.8),
                11.0,
                Anchor::End,
                ink::TEXT,
                tick_label(tick, &ticks),
            );
        }
        let heading = Picture::fitting(heading, 12.0, (right - 4.0) / 1.15);
        let width = Picture::bold_width(&heading, 12.0);
        picture.rect((2.0, top - 20.0, 6.0 + width, top - 3.0), ink::PAPER);
        picture.bold((4.0, top - 8.0), 12.0, Anchor::Start, ink::TEXT, heading);
    }

    /// The frame, drawn last so that nothing covers it.
    pub fn close(&self, picture: &mut Picture) {
        picture.frame(self.bounds(), ink::DAY, 1.0);
    }

    /// A column of values as lines, thinned to what can be seen, broken where a value is missing.
    pub fn curve(
        &self,
        picture: &mut Picture,
        points: impl Iterator<Item = (f64, f64)>,
        ink: super::ink::Ink,
        width: f64,
    ) {
        let placed = points.map(|(x, y)| (self.x.px(x), self.y.px(y)));
        for piece in decimate::pieces(placed) {
            match piece.as_slice() {
                [one] => picture.dot(*one, width, ink),
                _ => picture.line(piece, ink, width),
            }
        }
    }

    /// The pixels of a stretch along x, held within the panel and at least one and a half wide.
    pub fn stretch(&self, from: f64, to: f64) -> (f64, f64) {
        let (a, b) = (self.x.px_within(from), self.x.px_within(to));
        if b - a < 1.5 {
            ((a - 0.75).max(self.x.from_px), (a + 0.75).min(self.x.to_px))
        } else {
            (a, b)
        }
    }
}
