//! Pictures of a survey: rates and ratios with their intervals, curves over a filter's life, charts over months, funnels.
//!
//! In: results of [`crate::study`]. Out: a [`Picture`]. Every interval is drawn, every curve says how many stand behind it.

mod curves;
mod forest;
mod funnel;
mod over_time;

pub use curves::{incidence, survival};
pub use forest::{Bar, rates, ratios};
pub use funnel::funnel;
pub use over_time::{cumulative, monthly};

use super::axis::tick_label;
use super::ink;
use super::panel::Panel;
use super::picture::{Anchor, Picture};

/// Room that the scale below a panel takes.
const SCALE_ROOM: f64 = 36.0;

/// A scale below a panel, with its title.
fn scale_below(picture: &mut Picture, panel: &Panel, title: &str) {
    let (left, _, right, bottom) = panel.bounds();
    let at_most = if picture.is_narrow() { 4 } else { 8 };
    let ticks = panel.x.ticks(at_most);
    let mut taken = f64::NEG_INFINITY;
    for &tick in &ticks {
        let (x, label) = (panel.x.px(tick), tick_label(tick, &ticks));
        let half = Picture::text_width(&label, 11.0) / 2.0;
        picture.line(vec![(x, bottom), (x, bottom + 4.0)], ink::DAY, 1.0);
        if taken < x - half && x + half < picture.width {
            picture.text((x, bottom + 16.0), 11.0, Anchor::Middle, ink::TEXT, label);
            taken = x + half + 4.0;
        }
    }
    let title = Picture::fitting(title, 11.0, right - left);
    picture.text(
        ((left + right) / 2.0, bottom + 31.0),
        11.0,
        Anchor::Middle,
        ink::TEXT,
        title,
    );
}

/// Line styles that tell curves apart without colour.
const DASHES: [Option<(f64, f64)>; 6] = [
    None,
    Some((8.0, 3.0)),
    Some((2.0, 2.5)),
    Some((12.0, 3.0)),
    Some((5.0, 5.0)),
    Some((1.0, 5.0)),
];

/// A curve in one of the styles.
fn styled(picture: &mut Picture, points: Vec<(f64, f64)>, style: usize, width: f64) {
    let colour = [ink::PRESSURE, ink::RIVAL, ink::TEXT][style % 3];
    match DASHES.get(style % DASHES.len()).copied().flatten() {
        Some(dash) => picture.dashed(points, colour, width, dash),
        None => picture.line(points, colour, width),
    }
}

/// A legend from `top` on, in as many lines as it needs; gives the height used.
fn legend(picture: &mut Picture, top: f64, entries: &[(usize, String)]) -> f64 {
    let (mut x, mut y) = (4.0, top + 12.0);
    for (style, text) in entries {
        let text = Picture::fitting(text, 11.0, picture.width - 42.0);
        let room = 34.0 + Picture::text_width(&text, 11.0) + 14.0;
        if picture.width < x + room && 4.0 < x {
            (x, y) = (4.0, y + 18.0);
        }
        styled(
            picture,
            vec![(x, y - 4.0), (x + 28.0, y - 4.0)],
            *style,
            1.8,
        );
        picture.text((x + 34.0, y), 11.0, Anchor::Start, ink::TEXT, text);
        x += room;
    }
    y - top + 8.0
}

#[cfg(test)]
mod tests;
