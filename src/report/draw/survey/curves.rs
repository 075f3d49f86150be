//! Curves over a filter's life: how many have had no onset yet, and where the first hindrance was.

use super::super::axis::Scale;
use super::super::ink;
use super::super::panel::Panel;
use super::super::picture::{Anchor, Picture};
use super::{SCALE_ROOM, legend, scale_below, styled};
use crate::report::survey::words;
use crate::study::{Incidence, Survival};

/// Most curves in one picture: more cannot be told apart.
const MOST: usize = 6;

/// Filters without an onset yet: one curve with its band, or several without. `None` without a filter.
pub fn survival(curves: &[&Survival], width: f64) -> Option<Picture> {
    let shown: Vec<&&Survival> = curves.iter().filter(|c| 0 < c.filters).take(MOST).collect();
    let last = shown.iter().map(|c| end_of(c)).fold(0.0, f64::max);
    if last <= 0.0 {
        return None;
    }
    let mut picture = Picture::new(width);
    let panel = Panel::new(&picture, 26.0, 240.0, (0.0, 1.02 * last), (0.0, 1.05));
    panel.ground(&mut picture, "share of filters without an onset yet", 5);
    if let [only] = shown.as_slice() {
        band(&mut picture, &panel, only);
        if let Some(from) = only.thin_from_h.filter(|&h| h < last) {
            let (a, b) = panel.stretch(from, last);
            let (_, top, _, bottom) = panel.bounds();
            picture.hatch((a, top, b, bottom), 1.0, 9.0, ink::GRID);
        }
    }
    for (style, curve) in shown.iter().enumerate() {
        let steps = curve.curve.iter().map(|s| (s.time, s.survival));
        let points = staircase(&panel.x, &panel.y, steps, 1.0, end_of(curve));
        styled(&mut picture, points, style, 2.0);
    }
    panel.close(&mut picture);
    scale_below(&mut picture, &panel, "hours since the filter was placed");
    let mut y = 26.0 + 240.0 + SCALE_ROOM + 6.0;
    if 1 < shown.len() {
        let entries: Vec<_> = shown
            .iter()
            .enumerate()
            .map(|(i, c)| (i, words::group(&c.group)))
            .collect();
        y += legend(&mut picture, y, &entries);
    }
    for curve in &shown {
        y += numbers(&mut picture, &panel, curve, y, 1 < shown.len());
    }
    picture.height = y + 6.0;
    Some(picture)
}

fn end_of(curve: &Survival) -> f64 {
    let last_step = curve.curve.last().map_or(0.0, |s| s.time);
    curve
        .at_risk
        .iter()
        .filter(|(_, n)| 0 < *n)
        .map(|(h, _)| *h)
        .fold(last_step, f64::max)
}

/// A curve that stays until its next step.
fn staircase(
    x: &Scale,
    y: &Scale,
    steps: impl Iterator<Item = (f64, f64)>,
    first: f64,
    end: f64,
) -> Vec<(f64, f64)> {
    let mut level = first;
    let mut points = vec![(x.px(0.0), y.px(level))];
    for (time, value) in steps {
        points.push((x.px(time), y.px(level)));
        points.push((x.px(time), y.px(value)));
        level = value;
    }
    points.push((x.px(end), y.px(level)));
    points
}

fn band(picture: &mut Picture, panel: &Panel, curve: &Survival) {
    let end = end_of(curve);
    let limit = |pick: fn(&crate::study::SurvivalStep) -> f64| {
        staircase(
            &panel.x,
            &panel.y,
            curve.curve.iter().map(|s| (s.time, pick(s))),
            1.0,
            end,
        )
    };
    let mut corners = limit(|s| s.high);
    corners.extend(limit(|s| s.low).into_iter().rev());
    picture.area(corners, ink::BAND);
}

/// The numbers at risk below a curve; gives the height used.
fn numbers(picture: &mut Picture, panel: &Panel, curve: &Survival, top: f64, named: bool) -> f64 {
    let title = match named {
        true => format!("at risk, {}", words::group(&curve.group)),
        false => "filters at risk".to_string(),
    };
    let title = Picture::fitting(&title, 11.0, picture.width - 8.0);
    picture.text((4.0, top + 11.0), 11.0, Anchor::Start, ink::QUIET, title);
    let mut taken = f64::NEG_INFINITY;
    for (hour, count) in &curve.at_risk {
        let (x, text) = (panel.x.px(*hour), count.to_string());
        let half = Picture::text_width(&text, 11.0) / 2.0;
        if taken < x - half && x + half < picture.width && *hour <= panel.x.high {
            picture.text((x, top + 27.0), 11.0, Anchor::Middle, ink::TEXT, text);
            taken = x + half + 8.0;
        }
    }
    36.0
}

/// Where the first hindrance of a filter's line was: one curve per site. `None` where nothing happened.
pub fn incidence(sites: &[Incidence], width: f64) -> Option<Picture> {
    let shown: Vec<&Incidence> = sites.iter().filter(|i| 0 < i.events).collect();
    let last = shown
        .iter()
        .filter_map(|i| i.curve.last())
        .map(|s| s.time)
        .fold(0.0, f64::max);
    let highest = shown
        .iter()
        .filter_map(|i| i.curve.last())
        .map(|s| s.incidence)
        .fold(0.0, f64::max);
    if last <= 0.0 || highest <= 0.0 {
        return None;
    }
    let mut picture = Picture::new(width);
    let panel = Panel::new(
        &picture,
        26.0,
        210.0,
        (0.0, 1.02 * last),
        (0.0, (1.15 * highest).min(1.0)),
    );
    panel.ground(
        &mut picture,
        "probability that the first hindrance was there",
        5,
    );
    for (style, site) in shown.iter().enumerate() {
        let steps = site.curve.iter().map(|s| (s.time, s.incidence));
        styled(
            &mut picture,
            staircase(&panel.x, &panel.y, steps, 0.0, last),
            style,
            2.0,
        );
    }
    panel.close(&mut picture);
    scale_below(&mut picture, &panel, "hours since the filter was placed");
    let entries: Vec<_> = shown
        .iter()
        .enumerate()
        .map(|(i, s)| (i, format!("{} ({})", words::site_word(s.site), s.events)))
        .collect();
    let y = 26.0 + 210.0 + SCALE_ROOM + 6.0;
    picture.height = y + legend(&mut picture, y, &entries) + 4.0;
    Some(picture)
}
