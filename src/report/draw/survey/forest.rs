//! Rates or ratios one below the other, each with its interval: what can be compared at a glance, and how sure it is.

use super::super::axis::{Scale, tick_label};
use super::super::ink;
use super::super::picture::{Anchor, Picture};
use crate::units::Estimate;

/// One row.
#[derive(Debug, Clone, PartialEq)]
pub struct Bar {
    /// What it is.
    pub label: String,
    /// The figure with its interval; `None` = not estimated.
    pub estimate: Option<Estimate>,
    /// The figure in words, or why there is none.
    pub says: String,
    /// Drawn apart: a row that shows a mistake.
    pub wrong: bool,
}

const ROW: f64 = 30.0;

/// Rates on a scale from 0; `None` without a row that has one.
pub fn rates(bars: &[Bar], title: &str, width: f64) -> Option<Picture> {
    let highest = bars
        .iter()
        .filter_map(|b| b.estimate)
        .map(|e| e.high)
        .fold(0.0, f64::max);
    (0.0 < highest).then(|| forest(bars, title, width, &Axis::Linear { to: 1.05 * highest }))
}

/// Ratios on a logarithmic scale with a rule at 1; `None` without a row that has one.
pub fn ratios(bars: &[Bar], title: &str, width: f64) -> Option<Picture> {
    let limits = || {
        bars.iter()
            .filter_map(|b| b.estimate)
            .flat_map(|e| [e.low, e.high])
            .filter(|x| 0.0 < *x)
    };
    let (low, high) = (limits().fold(1.0, f64::min), limits().fold(1.0, f64::max));
    // An interval over many powers of ten would press all others flat: it runs out of the picture instead.
    let (low, high) = (low.clamp(1.0 / 64.0, 0.8), high.clamp(1.25, 64.0));
    bars.iter()
        .any(|b| b.estimate.is_some())
        .then(|| forest(bars, title, width, &Axis::Log { low, high }))
}

enum Axis {
    Linear { to: f64 },
    Log { low: f64, high: f64 },
}

impl Axis {
    fn scale(&self, from_px: f64, to_px: f64) -> Scale {
        let (low, high) = match self {
            Axis::Linear { to } => (0.0, *to),
            Axis::Log { low, high } => (low.ln(), high.ln()),
        };
        Scale {
            low,
            high,
            from_px,
            to_px,
        }
    }

    fn place(&self, value: f64) -> f64 {
        match self {
            Axis::Linear { .. } => value,
            Axis::Log { .. } => value.max(1e-12).ln(),
        }
    }

    /// `(place, label)`.
    fn ticks(&self, scale: &Scale) -> Vec<(f64, String)> {
        match self {
            Axis::Linear { .. } => {
                let ticks = scale.ticks(5);
                ticks.iter().map(|&t| (t, tick_label(t, &ticks))).collect()
            }
            Axis::Log { low, high } => {
                let round = [0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0];
                let inside = round.into_iter().filter(|t| low <= t && t <= high);
                inside.map(|t| (t.ln(), t.to_string())).collect()
            }
        }
    }
}

fn forest(bars: &[Bar], title: &str, width: f64, axis: &Axis) -> Picture {
    let mut picture = Picture::new(width);
    let narrow = picture.is_narrow();
    // On a phone the label stands above its bar, on a desk beside it.
    let (left, right) = if narrow {
        (8.0, width - 12.0)
    } else {
        (300.0, width - 230.0)
    };
    let row = if narrow { ROW + 22.0 } else { ROW };
    let top = 8.0;
    let bottom = top + row * bars.len() as f64 + 4.0;
    let scale = axis.scale(left, right);
    let mut taken = f64::NEG_INFINITY;
    for (place, label) in axis.ticks(&scale) {
        let x = scale.px(place);
        picture.line(vec![(x, top), (x, bottom)], ink::GRID, 1.0);
        let half = Picture::text_width(&label, 11.0) / 2.0;
        if taken < x - half {
            picture.text((x, bottom + 15.0), 11.0, Anchor::Middle, ink::TEXT, label);
            taken = x + half + 4.0;
        }
    }
    if let Axis::Log { .. } = axis {
        let x = scale.px(0.0);
        picture.dashed(vec![(x, top), (x, bottom)], ink::TEXT, 1.2, (4.0, 3.0));
    }
    for (i, bar) in bars.iter().enumerate() {
        let from = top + row * i as f64;
        draw_bar(&mut picture, bar, axis, &scale, (from, row));
    }
    let title = Picture::fitting(title, 11.0, width - 8.0);
    picture.text(
        ((left + right) / 2.0, bottom + 31.0),
        11.0,
        Anchor::Middle,
        ink::TEXT,
        title,
    );
    picture.height = bottom + 38.0;
    picture
}

fn draw_bar(picture: &mut Picture, bar: &Bar, axis: &Axis, scale: &Scale, (from, row): (f64, f64)) {
    let narrow = picture.is_narrow();
    let y = if narrow {
        from + 36.0
    } else {
        from + row / 2.0
    };
    let colour = if bar.wrong { ink::ALARM } else { ink::PRESSURE };
    let (label_ink, width) = (
        if bar.wrong { ink::ALARM } else { ink::TEXT },
        picture.width,
    );
    if narrow {
        let says = Picture::fitting(&bar.says, 11.0, width - 8.0);
        let room = width - 14.0 - Picture::text_width(&says, 11.0);
        let shown = if bar.estimate.is_some() {
            room
        } else {
            width - 8.0
        };
        picture.text(
            (4.0, from + 20.0),
            11.0,
            Anchor::Start,
            label_ink,
            Picture::fitting(&bar.label, 11.0, shown),
        );
        if bar.estimate.is_some() {
            picture.text(
                (width - 4.0, from + 20.0),
                11.0,
                Anchor::End,
                ink::TEXT,
                says,
            );
        } else {
            picture.text((4.0, y + 4.0), 11.0, Anchor::Start, ink::QUIET, says);
        }
    } else {
        let label = Picture::fitting(&bar.label, 12.0, scale.from_px - 12.0);
        picture.text((4.0, y + 4.0), 12.0, Anchor::Start, label_ink, label);
        let room = width - scale.to_px - 16.0;
        picture.text(
            (scale.to_px + 12.0, y + 4.0),
            12.0,
            Anchor::Start,
            ink::TEXT,
            Picture::fitting(&bar.says, 12.0, room),
        );
    }
    let Some(e) = bar.estimate else {
        return;
    };
    let [low, value, high] = [e.low, e.value, e.high].map(|x| axis.place(x));
    let (a, b) = (scale.px_within(low), scale.px_within(high));
    let line = vec![(a, y), (b, y)];
    if bar.wrong {
        picture.dashed(line, colour, 2.0, (5.0, 3.0));
    } else {
        picture.line(line, colour, 2.0);
    }
    // An end within the scale gets a tick; one beyond it an arrow head.
    for (end, inside, outward) in [(a, scale.low <= low, -5.0), (b, high <= scale.high, 5.0)] {
        if inside {
            picture.line(vec![(end, y - 4.0), (end, y + 4.0)], colour, 1.5);
        } else {
            picture.area(
                vec![(end + outward, y), (end, y - 4.0), (end, y + 4.0)],
                colour,
            );
        }
    }
    if (scale.low..=scale.high).contains(&value) {
        picture.dot((scale.px(value), y), 4.0, colour);
    }
}
