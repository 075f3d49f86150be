//! The best explanation of an episode and its rival, laid over the measured pressure.

use super::axis::{Scale, range};
use super::panel::{LEFT, Panel, RIGHT};
use super::picture::{Anchor, Picture};
use super::{ink, time_axis};
use crate::infer::{Cause, Episode, FittedCurve};
use crate::record::Record;
use crate::report::words;
use crate::time::Span;

/// Channels drawn; more add nothing to the comparison.
const SHOWN: usize = 3;

/// The picture; `None` where the episode has no curves.
pub fn fits(record: &Record, e: &Episode, width: f64) -> Option<Picture> {
    let causes = by_probability(e);
    let best = *causes.first()?;
    let rival = causes.get(1).copied();
    let span = span_of(&e.curves)?;
    let mut picture = Picture::new(width);
    let x = Scale {
        low: span.start_s,
        high: span.end_s,
        from_px: LEFT,
        to_px: width - RIGHT,
    };
    let mut y = 26.0;
    let mut panels = Vec::new();
    let drawn = record
        .channels
        .iter()
        .filter(|c| e.curves.iter().any(|f| f.channel == c.id));
    for channel in drawn.take(SHOWN) {
        let s = &channel.samples;
        let from = s.t_s.partition_point(|&t| t < span.start_s);
        let to = s.t_s.partition_point(|&t| t <= span.end_s);
        let measured: Vec<(f64, f64)> = (from..to)
            .filter_map(|i| Some((*s.t_s.get(i)?, *s.pressure_mmhg.get(i)?)))
            .collect();
        let values = range(measured.iter().map(|p| p.1), 20.0);
        panels.push((
            channel,
            measured,
            Panel::new(&picture, y, 150.0, (span.start_s, span.end_s), values),
        ));
        y += 150.0 + 32.0;
    }
    if panels.is_empty() {
        return None;
    }
    let bottom = y - 32.0;
    let used = time_axis::draw(&mut picture, &record.clock, span, &x, (26.0, bottom));
    for (channel, measured, panel) in &panels {
        panel.ground(
            &mut picture,
            &format!("{}: pressure, mmHg", words::clip_to(&channel.id, 28)),
            5,
        );
        let placed = measured
            .iter()
            .map(|&(t, p)| (panel.x.px(t), panel.y.px(p)));
        for at in super::decimate::pieces(placed).concat() {
            picture.dot(at, 1.3, ink::HATCH);
        }
        let curve = |cause: Cause| {
            e.curves
                .iter()
                .filter(move |f| f.cause == cause && f.channel == channel.id)
        };
        for fitted in rival.into_iter().flat_map(curve) {
            for piece in inside(panel, fitted) {
                picture.dashed(piece, ink::RIVAL, 2.0, (7.0, 4.0));
            }
        }
        for fitted in curve(best) {
            for piece in inside(panel, fitted) {
                picture.line(piece, ink::BEST, 2.2);
            }
        }
        panel.close(&mut picture);
    }
    picture.height = legend(&mut picture, e, best, rival, bottom + used + 14.0);
    Some(picture)
}

/// Causes that have a curve, the likeliest first.
pub fn by_probability(e: &Episode) -> Vec<Cause> {
    let mut causes: Vec<(Cause, f64)> = Cause::ALL
        .iter()
        .copied()
        .zip(e.causes)
        .filter(|(cause, _)| e.curves.iter().any(|f| f.cause == *cause))
        .collect();
    causes.sort_by(|a, b| b.1.total_cmp(&a.1));
    causes.into_iter().map(|(cause, _)| cause).collect()
}

fn span_of(curves: &[FittedCurve]) -> Option<Span> {
    let times = || {
        curves
            .iter()
            .flat_map(|f| f.points.iter().map(|p| p.0))
            .filter(|t| t.is_finite())
    };
    let (start_s, end_s) = (times().reduce(f64::min)?, times().reduce(f64::max)?);
    (start_s < end_s).then_some(Span { start_s, end_s })
}

/// A curve without what leaves the panel, which is scaled to the measured pressure.
fn inside(panel: &Panel, fitted: &FittedCurve) -> Vec<Vec<(f64, f64)>> {
    let points = fitted.points.iter().map(|&(t, p)| {
        let visible = panel.y.low <= p && p <= panel.y.high;
        (
            panel.x.px(t),
            if visible { panel.y.px(p) } else { f64::NAN },
        )
    });
    super::decimate::pieces(points)
}

fn legend(picture: &mut Picture, e: &Episode, best: Cause, rival: Option<Cause>, top: f64) -> f64 {
    let share = |cause: Cause| {
        let found = Cause::ALL
            .iter()
            .position(|c| *c == cause)
            .and_then(|i| e.causes.get(i));
        words::percent(found.copied().unwrap_or(0.0))
    };
    let mut y = top;
    let mut entry = |picture: &mut Picture, text: String| {
        let text = Picture::fitting(&text, 11.0, picture.width - 34.0);
        picture.text((30.0, y), 11.0, Anchor::Start, ink::TEXT, text);
        y += 17.0;
        y - 17.0 - 4.0
    };
    let at = entry(picture, "measured".into());
    for x in [6.0, 12.0, 18.0] {
        picture.dot((x, at), 1.3, ink::HATCH);
    }
    let at = entry(
        picture,
        format!("best: {} ({})", words::cause_name(best), share(best)),
    );
    picture.line(vec![(4.0, at), (24.0, at)], ink::BEST, 2.2);
    if let Some(cause) = rival {
        let at = entry(
            picture,
            format!("rival: {} ({})", words::cause_name(cause), share(cause)),
        );
        picture.dashed(vec![(4.0, at), (24.0, at)], ink::RIVAL, 2.0, (7.0, 4.0));
    }
    y
}
