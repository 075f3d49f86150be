//! A picture as a list of shapes in CSS pixels, origin at the top left.

use super::ink::Ink;
use super::render;

/// How much wider bold type is than the embedded font, which has none, says.
const BOLD: f64 = 1.13;

/// Where a text's `x` lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// At its left end.
    Start,
    /// In its middle.
    Middle,
    /// At its right end.
    End,
}

/// A piece of text, on one line.
#[derive(Debug, Clone, PartialEq)]
pub struct Label {
    /// Where [`Label::anchor`] says.
    pub x: f64,
    /// The baseline.
    pub y: f64,
    /// Type size.
    pub em: f64,
    /// What `x` is.
    pub anchor: Anchor,
    /// Whether bold.
    pub bold: bool,
    /// Colour.
    pub ink: Ink,
    /// The text, already cut to a readable length.
    pub text: String,
}

impl Label {
    /// Left, top, right, bottom of the ink, by the embedded font.
    pub fn bounds(&self) -> (f64, f64, f64, f64) {
        let width = render::text_width(&self.text, self.em) * if self.bold { BOLD } else { 1.0 };
        let left = match self.anchor {
            Anchor::Start => self.x,
            Anchor::Middle => self.x - width / 2.0,
            Anchor::End => self.x - width,
        };
        (
            left,
            self.y - 0.76 * self.em,
            left + width,
            self.y + 0.24 * self.em,
        )
    }
}

/// One thing to draw.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// A line through points; `dash` is ink and gap in pixels.
    Line {
        /// The points.
        points: Vec<(f64, f64)>,
        /// Colour.
        ink: Ink,
        /// Width.
        width: f64,
        /// Ink and gap, or a whole line.
        dash: Option<(f64, f64)>,
    },
    /// A filled polygon.
    Area {
        /// The corners.
        points: Vec<(f64, f64)>,
        /// Colour.
        ink: Ink,
    },
    /// A filled circle.
    Dot {
        /// Centre.
        at: (f64, f64),
        /// Radius.
        radius: f64,
        /// Colour.
        ink: Ink,
    },
    /// A text.
    Text(Label),
    /// From here to the next [`Shape::Close`] the shapes move so when a reader looks closer.
    Open {
        /// How they move.
        moves: Moves,
        /// Whether there is room for them in the whole picture; else they are shown only where a closer look gives it.
        shown: bool,
    },
    /// The end of what an [`Shape::Open`] began.
    Close,
}

/// How a group of shapes follows the time axis when a reader looks closer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Moves {
    /// The axis itself: left and right end, top and bottom of what its rules cross.
    Axis([f64; 4]),
    /// Every point has its own time.
    Stretch,
    /// The measured pressure of a channel: finer points take its place. Values and pixels of the bottom and the top.
    Curve(usize, [f64; 4]),
    /// Strokes across left, top, right, bottom, by slope and pitch.
    Hatch([f64; 4], f64, f64),
    /// A mark that keeps its shape, at this x.
    Mark(f64),
    /// A name of this width over its moment, in the rows above this y; the earlier of them choose first.
    Name {
        /// Where its moment lies.
        at: f64,
        /// How wide it is.
        width: f64,
        /// Where the lowest row stands.
        bottom: f64,
        /// How many rows there are.
        rows: usize,
    },
    /// A label for what lasts from an x to another.
    Label {
        /// Where that begins.
        from: f64,
        /// Where that ends.
        to: f64,
        /// Where the label begins in the whole picture.
        left: f64,
        /// How wide it is.
        width: f64,
        /// Whether it must fit in between.
        fits: bool,
        /// Labels of one height keep clear of each other.
        lane: f64,
    },
}

/// A picture.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Picture {
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
    /// The shapes, in the order in which they are drawn.
    pub shapes: Vec<Shape>,
}

impl Picture {
    /// An empty picture of a width; the height is set when it is known.
    pub fn new(width: f64) -> Self {
        Self {
            width,
            ..Self::default()
        }
    }

    /// Whether it is drawn for a phone.
    pub fn is_narrow(&self) -> bool {
        self.width < 600.0
    }

    /// The middle of what reaches `half` to both sides, moved so that all of it is on the picture; what is wider than the
    /// picture begins at its left edge.
    pub fn kept_on(&self, middle: f64, half: f64) -> f64 {
        middle.min(self.width - half).max(half)
    }

    /// A whole line.
    pub fn line(&mut self, points: Vec<(f64, f64)>, ink: Ink, width: f64) {
        self.shapes.push(Shape::Line {
            points,
            ink,
            width,
            dash: None,
        });
    }

    /// A broken line.
    pub fn dashed(&mut self, points: Vec<(f64, f64)>, ink: Ink, width: f64, dash: (f64, f64)) {
        self.shapes.push(Shape::Line {
            points,
            ink,
            width,
            dash: Some(dash),
        });
    }

    /// A filled polygon.
    pub fn area(&mut self, points: Vec<(f64, f64)>, ink: Ink) {
        self.shapes.push(Shape::Area { points, ink });
    }

    /// A filled rectangle.
    pub fn rect(&mut self, (left, top, right, bottom): (f64, f64, f64, f64), ink: Ink) {
        self.area(
            vec![(left, top), (right, top), (right, bottom), (left, bottom)],
            ink,
        );
    }

    /// A rectangle's outline.
    pub fn frame(
        &mut self,
        (left, top, right, bottom): (f64, f64, f64, f64),
        ink: Ink,
        width: f64,
    ) {
        let points = vec![
            (left, top),
            (right, top),
            (right, bottom),
            (left, bottom),
            (left, top),
        ];
        self.line(points, ink, width);
    }

    /// A filled circle.
    pub fn dot(&mut self, at: (f64, f64), radius: f64, ink: Ink) {
        self.shapes.push(Shape::Dot { at, radius, ink });
    }

    /// A text in the usual weight.
    pub fn text(
        &mut self,
        at: (f64, f64),
        em: f64,
        anchor: Anchor,
        ink: Ink,
        text: impl Into<String>,
    ) {
        self.label(Label {
            x: at.0,
            y: at.1,
            em,
            anchor,
            bold: false,
            ink,
            text: text.into(),
        });
    }

    /// A text in bold.
    pub fn bold(
        &mut self,
        at: (f64, f64),
        em: f64,
        anchor: Anchor,
        ink: Ink,
        text: impl Into<String>,
    ) {
        self.label(Label {
            x: at.0,
            y: at.1,
            em,
            anchor,
            bold: true,
            ink,
            text: text.into(),
        });
    }

    /// Shapes that follow the time axis in one way.
    pub fn moving(&mut self, moves: Moves, shown: bool, draw: impl FnOnce(&mut Self)) {
        self.shapes.push(Shape::Open { moves, shown });
        draw(self);
        self.shapes.push(Shape::Close);
    }

    /// What `draw` adds stays in its place when a reader looks closer.
    pub fn still(&mut self, draw: impl FnOnce(&mut Self)) {
        let from = self.shapes.len();
        draw(self);
        let added = self.shapes.split_off(from);
        let is_drawn = |s: &Shape| !matches!(s, Shape::Open { .. } | Shape::Close);
        self.shapes.extend(added.into_iter().filter(is_drawn));
    }

    /// A text, as it stands.
    pub fn label(&mut self, label: Label) {
        self.shapes.push(Shape::Text(label));
    }

    /// Strokes across a rectangle, `pitch` apart; `slope` 1 rises to the right, −1 falls.
    pub fn hatch(&mut self, bounds: (f64, f64, f64, f64), slope: f64, pitch: f64, ink: Ink) {
        let (left, top, right, bottom) = bounds;
        let (w, h) = (right - left, bottom - top);
        if w <= 0.0 || h <= 0.0 {
            return;
        }
        self.shapes.push(Shape::Open {
            moves: Moves::Hatch([left, top, right, bottom], slope, pitch),
            shown: true,
        });
        // u runs along the top edge, from a stroke that only touches the left bottom corner on.
        let mut u = -h + pitch / 2.0;
        while u < w {
            let (a, b) = (u.max(0.0), (u + h).min(w));
            if a < b {
                // At the offset x the stroke lies (x − u) below the top.
                let (ya, yb) = (top + a - u, top + b - u);
                let points = if slope < 0.0 {
                    vec![(left + a, ya), (left + b, yb)]
                } else {
                    vec![(left + a, top + bottom - ya), (left + b, top + bottom - yb)]
                };
                self.line(points, ink, 1.0);
            }
            u += pitch;
        }
        self.shapes.push(Shape::Close);
    }

    /// All texts that the whole picture shows.
    pub fn labels(&self) -> impl Iterator<Item = &Label> {
        self.shown().filter_map(|shape| match shape {
            Shape::Text(label) => Some(label),
            _ => None,
        })
    }

    /// All shapes but those for which only a closer look has room.
    pub fn shown(&self) -> impl Iterator<Item = &Shape> {
        let mut is_shown = true;
        self.shapes.iter().filter(move |shape| {
            match shape {
                Shape::Open { shown, .. } => is_shown = *shown,
                Shape::Close => is_shown = true,
                _ => {}
            }
            is_shown
        })
    }

    /// Cuts a text with an ellipsis until it fits into `room` pixels.
    pub fn fitting(text: &str, em: f64, room: f64) -> String {
        if render::text_width(text, em) <= room {
            return text.to_string();
        }
        let mut kept: Vec<char> = text.chars().collect();
        while kept.pop().is_some() {
            let cut: String = kept.iter().collect::<String>().trim_end().to_string() + "…";
            if render::text_width(&cut, em) <= room {
                return cut;
            }
        }
        String::new()
    }

    /// Width of a text in bold.
    pub fn bold_width(text: &str, em: f64) -> f64 {
        BOLD * render::text_width(text, em)
    }

    /// Width of a text, by the embedded font (which is wider than most).
    pub fn text_width(text: &str, em: f64) -> f64 {
        render::text_width(text, em)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_wider_than_the_picture_begins_at_its_left_edge() {
        let picture = Picture::new(100.0);
        assert_eq!(picture.kept_on(5.0, 20.0), 20.0);
        assert_eq!(picture.kept_on(95.0, 20.0), 80.0);
        assert_eq!(picture.kept_on(50.0, 70.0), 70.0);
    }
}
