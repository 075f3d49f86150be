//! The funnel: each unit's rate against its time at risk, with the limits of chance.

use super::super::ink;
use super::super::panel::Panel;
use super::super::picture::{Anchor, Label, Picture};
use super::{SCALE_ROOM, scale_below};
use crate::report::words::clip_to;
use crate::study::{Funnel, FunnelPoint, funnel_limits};

/// The picture.
pub fn funnel(funnel: &Funnel, width: f64) -> Picture {
    let mut picture = Picture::new(width);
    let most_hours = funnel.points.iter().map(|p| p.hours).fold(0.0, f64::max);
    let x = (0.0, 1.08 * most_hours);
    // High enough for every point, and for the outer limit of the largest unit.
    let outer = funnel
        .points
        .iter()
        .map(|p| p.limits_998.1)
        .fold(f64::INFINITY, f64::min);
    let highest = funnel
        .points
        .iter()
        .map(|p| p.per_1000_h.max(p.limits_95.1))
        .fold(outer, f64::max);
    let panel = Panel::new(&picture, 26.0, 250.0, x, (0.0, 1.12 * highest));
    panel.ground(&mut picture, "filter onsets per 1,000 filter hours", 5);
    for (tail, dash) in [(0.025, (3.0, 3.0)), (0.001, (9.0, 3.0))] {
        for upper in [false, true] {
            limit(
                &mut picture,
                &panel,
                funnel.target_per_1000_h,
                tail,
                upper,
                dash,
            );
        }
    }
    let (left, _, right, _) = panel.bounds();
    let y = panel.y.px(funnel.target_per_1000_h);
    picture.line(vec![(left, y), (right, y)], ink::QUIET, 1.2);
    let mut placed: Vec<(f64, f64, f64, f64)> = Vec::new();
    for point in &funnel.points {
        let at = (panel.x.px(point.hours), panel.y.px_within(point.per_1000_h));
        let colour = if is_outside(point) {
            ink::ALARM
        } else {
            ink::PRESSURE
        };
        picture.dot(at, 4.2, colour);
        placed.push((at.0 - 5.0, at.1 - 5.0, at.0 + 5.0, at.1 + 5.0));
    }
    for point in &funnel.points {
        name(&mut picture, &panel, point, &mut placed);
    }
    panel.close(&mut picture);
    scale_below(&mut picture, &panel, "filter hours");
    let y = 26.0 + 250.0 + SCALE_ROOM + 14.0;
    let key = "line: overall rate; short dashes: 95 % limits; long dashes: 99.8 % limits";
    let mut bottom = y;
    for (i, part) in key.split("; ").enumerate() {
        bottom = y + 16.0 * i as f64;
        picture.text((4.0, bottom), 11.0, Anchor::Start, ink::QUIET, part);
    }
    picture.height = bottom + 8.0;
    picture
}

/// Beyond the outer limits.
pub fn is_outside(point: &FunnelPoint) -> bool {
    point.per_1000_h < point.limits_998.0 || point.limits_998.1 < point.per_1000_h
}

fn limit(
    picture: &mut Picture,
    panel: &Panel,
    target: f64,
    tail: f64,
    upper: bool,
    dash: (f64, f64),
) {
    let points = (1..=160).filter_map(|i| {
        let hours = panel.x.high * f64::from(i) / 160.0;
        let (low, high) = funnel_limits(target, hours / 1000.0, tail)?;
        let rate = if upper { high } else { low };
        (rate <= panel.y.high).then(|| (panel.x.px(hours), panel.y.px(rate)))
    });
    picture.dashed(points.collect(), ink::EPISODE_EDGE, 1.2, dash);
}

/// A point's name, where there is room for it; the table has all.
fn name(
    picture: &mut Picture,
    panel: &Panel,
    point: &FunnelPoint,
    placed: &mut Vec<(f64, f64, f64, f64)>,
) {
    let value = point.group.values.first().map_or("", |v| v.1.as_str());
    let text = clip_to(if value.is_empty() { "not given" } else { value }, 18);
    let at = (panel.x.px(point.hours), panel.y.px_within(point.per_1000_h));
    let (left, top, right, bottom) = panel.bounds();
    for (anchor, dx, dy) in [
        (Anchor::Start, 8.0, 4.0),
        (Anchor::End, -8.0, 4.0),
        (Anchor::Middle, 0.0, -9.0),
        (Anchor::Middle, 0.0, 17.0),
    ] {
        let label = Label {
            x: at.0 + dx,
            y: at.1 + dy,
            em: 11.0,
            anchor,
            bold: false,
            ink: ink::TEXT,
            text: text.clone(),
        };
        let b = label.bounds();
        let fits = left < b.0 && b.2 < right && top < b.1 && b.3 < bottom;
        let free = placed
            .iter()
            .all(|o| b.2 < o.0 || o.2 < b.0 || b.3 < o.1 || o.3 < b.1);
        if fits && free {
            placed.push(b);
            picture.label(label);
            return;
        }
    }
}
