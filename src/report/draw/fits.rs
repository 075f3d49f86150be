//! The best and the second-best explanation of an episode, laid over the measured pressure.

use super::axis::range;
use super::panel::Panel;
use super::picture::{Anchor, Picture};
use super::{ink, time_axis};
use crate::infer::{Cause, Episode, FittedCurve};
use crate::record::Record;
use crate::report::words;
use crate::time::Span;

const HEIGHT: f64 = 190.0;
const RESIDUALS_HEIGHT: f64 = 110.0;

/// The picture, of the channel on which the two differ most; `None` where the episode has no curves.
pub fn fits(record: &Record, e: &Episode, width: f64) -> Option<Picture> {
    let causes = by_probability(e);
    let best = *causes.first()?;
    let rival = causes.get(1).copied();
    let span = span_of(&e.curves)?;
    let channel = record
        .channels
        .iter()
        .filter(|c| {
            e.curves
                .iter()
                .any(|f| f.channel == c.id && f.cause == best)
        })
        .max_by(|a, b| {
            difference(e, &a.id, best, rival).total_cmp(&difference(e, &b.id, best, rival))
        })?;
    let s = &channel.samples;
    let from = s.t_s.partition_point(|&t| t < span.start_s);
    let to = s.t_s.partition_point(|&t| t <= span.end_s);
    let measured: Vec<(f64, f64)> = (from..to)
        .filter_map(|i| Some((*s.t_s.get(i)?, *s.pressure_mmhg.get(i)?)))
        .collect();
    let mut picture = Picture::new(width);
    let values = range(measured.iter().map(|p| p.1), 20.0);
    let panel = Panel::new(&picture, 26.0, HEIGHT, (span.start_s, span.end_s), values);
    let bottom = 26.0 + HEIGHT;
    let used = time_axis::draw(&mut picture, &record.clock, span, &panel.x, (26.0, bottom));
    let name = words::clip_to(&channel.id, 28);
    panel.ground(&mut picture, &format!("{name}: pressure, mmHg"), 5);
    panel.curve(&mut picture, measured.iter().copied(), ink::HATCH, 1.0);
    let curve = |cause: Cause| {
        e.curves
            .iter()
            .filter(move |f| f.cause == cause && f.channel == channel.id)
    };
    for piece in rival
        .into_iter()
        .flat_map(curve)
        .flat_map(|f| inside(&panel, f))
    {
        picture.dashed(piece, ink::RIVAL, 2.0, (7.0, 4.0));
    }
    for piece in curve(best).flat_map(|f| inside(&panel, f)) {
        picture.line(piece, ink::BEST, 2.2);
    }
    panel.close(&mut picture);
    picture.height = legend(&mut picture, e, best, rival, bottom + used + 14.0);
    Some(picture)
}

/// Measured minus expected pressure of the channel on which the best explanation leaves most; `None` without curves.
pub fn residuals(record: &Record, e: &Episode, width: f64) -> Option<Picture> {
    let span = span_of(&e.curves)?;
    let left = |id: &str| -> Vec<(f64, f64)> {
        let channel = record.channels.iter().find(|c| c.id == id);
        let samples = channel.map(|c| &c.samples);
        let rows = samples.into_iter().flat_map(|s| {
            let within = move |t: &f64| span.start_s <= *t && *t <= span.end_s;
            let rows = s.t_s.iter().copied().zip(s.pressure_mmhg.iter().copied());
            rows.filter(move |(t, _)| within(t))
        });
        rows.filter_map(|(t, p)| Some((t, p - expected_at(e, id, t)?)))
            .collect()
    };
    let size = |points: &[(f64, f64)]| points.iter().map(|p| p.1 * p.1).sum::<f64>();
    let (name, points) = e
        .channels
        .iter()
        .map(|id| (id, left(id)))
        .filter(|(_, points)| !points.is_empty())
        .max_by(|a, b| size(&a.1).total_cmp(&size(&b.1)))?;
    let mut picture = Picture::new(width);
    let values = range(points.iter().map(|p| p.1), 5.0);
    let panel = Panel::new(
        &picture,
        26.0,
        RESIDUALS_HEIGHT,
        (span.start_s, span.end_s),
        values,
    );
    let bottom = 26.0 + RESIDUALS_HEIGHT;
    let used = time_axis::draw(&mut picture, &record.clock, span, &panel.x, (26.0, bottom));
    let name = words::clip_to(name, 28);
    panel.ground(
        &mut picture,
        &format!("{name}: measured minus expected, mmHg"),
        4,
    );
    let zero = panel.y.px_within(0.0);
    let (from, _, to, _) = panel.bounds();
    picture.line(vec![(from, zero), (to, zero)], ink::BEST, 1.0);
    panel.curve(&mut picture, points.into_iter(), ink::PRESSURE, 1.2);
    panel.close(&mut picture);
    picture.height = bottom + used + 4.0;
    Some(picture)
}

/// The expected pressure between the points of the best explanation's curve.
fn expected_at(e: &Episode, channel: &str, t_s: f64) -> Option<f64> {
    expected(e, channel).find_map(|fitted| {
        let after = fitted.points.partition_point(|p| p.0 < t_s);
        let (next, before) = (fitted.points.get(after)?, after.checked_sub(1));
        let Some(&(from_s, from)) = before.and_then(|i| fitted.points.get(i)) else {
            return (next.0 <= t_s).then_some(next.1);
        };
        let share = (t_s - from_s) / (next.0 - from_s).max(1e-9);
        Some(from + share * (next.1 - from))
    })
}

/// What the best explanation of an episode expects of a channel.
pub fn expected<'a>(e: &'a Episode, channel: &'a str) -> impl Iterator<Item = &'a FittedCurve> {
    let best = by_probability(e).first().copied();
    e.curves
        .iter()
        .filter(move |f| Some(f.cause) == best && f.channel == channel)
}

/// How far best and rival lie apart on a channel, in the mean over the rival's points.
fn difference(e: &Episode, channel: &str, best: Cause, rival: Option<Cause>) -> f64 {
    let curve = |cause| {
        e.curves
            .iter()
            .find(|f| f.channel == channel && f.cause == cause)
    };
    let (Some(a), Some(b)) = (curve(best), rival.and_then(curve)) else {
        return 0.0;
    };
    let apart = b.points.iter().filter_map(|&(t, p)| {
        let near = a.points.partition_point(|q| q.0 < t);
        a.points.get(near).map(|q| (q.1 - p).abs())
    });
    apart.sum::<f64>() / b.points.len().max(1) as f64
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
pub fn inside(panel: &Panel, fitted: &FittedCurve) -> Vec<Vec<(f64, f64)>> {
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
    picture.line(vec![(4.0, at), (24.0, at)], ink::HATCH, 1.0);
    let at = entry(
        picture,
        format!("best: {} ({})", words::cause_name(best), share(best)),
    );
    picture.line(vec![(4.0, at), (24.0, at)], ink::BEST, 2.2);
    if let Some(cause) = rival {
        let at = entry(
            picture,
            format!("second: {} ({})", words::cause_name(cause), share(cause)),
        );
        picture.dashed(vec![(4.0, at), (24.0, at)], ink::RIVAL, 2.0, (7.0, 4.0));
    }
    y
}
