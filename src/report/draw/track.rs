//! The resistance below each pump over time, with its band, its baseline and the mark at 1.5 times the baseline.

use super::axis::Scale;
use super::panel::{LEFT, Panel, RIGHT};
use super::picture::{Anchor, Picture};
use super::{ink, time_axis, trace, trace_marks};
use crate::infer::{ChannelReview, Review};
use crate::record::Record;
use crate::report::words;
use crate::time::Span;

/// The picture; `None` where no channel has a track.
pub fn track(record: &Record, review: &Review, width: f64) -> Option<Picture> {
    let tracked: Vec<&ChannelReview> = review
        .channels
        .iter()
        .filter(|c| !c.track.is_empty())
        .take(trace::SHOWN_CHANNELS)
        .collect();
    if tracked.is_empty() {
        return None;
    }
    let mut picture = Picture::new(width);
    let span = Span {
        start_s: record.start_s(),
        end_s: record.end_s().max(record.start_s() + 1.0),
    };
    let x = Scale {
        low: span.start_s,
        high: span.end_s,
        from_px: LEFT,
        to_px: width - RIGHT,
    };
    let height = if picture.is_narrow() { 110.0 } else { 130.0 };
    let mut y = 26.0;
    let mut panels = Vec::new();
    for channel in tracked {
        panels.push((
            channel,
            Panel::new(
                &picture,
                y,
                height,
                (span.start_s, span.end_s),
                (0.0, top_of(channel)),
            ),
        ));
        y += height + 32.0;
    }
    let bottom = y - 32.0;
    let used = time_axis::draw(&mut picture, &record.clock, span, &x, (26.0, bottom));
    for (channel, panel) in &panels {
        draw_channel(&mut picture, record, review, channel, panel);
    }
    let legend = [
        (0, "best value with its 95 % band".to_string()),
        (1, "baseline".to_string()),
        (
            2,
            "1.5 times the baseline: a slow onset counts from here".to_string(),
        ),
    ];
    let (mut lx, mut ly) = (4.0, bottom + used + 14.0);
    for (kind, text) in legend {
        let room = 30.0 + Picture::text_width(&text, 11.0) + 16.0;
        if width < lx + room && 4.0 < lx {
            lx = 4.0;
            ly += 18.0;
        }
        let sample = vec![(lx, ly - 3.0), (lx + 24.0, ly - 3.0)];
        match kind {
            0 => {
                picture.rect((lx, ly - 8.0, lx + 24.0, ly + 2.0), ink::BAND);
                picture.line(sample, ink::PRESSURE, 1.6);
            }
            1 => picture.dashed(sample, ink::QUIET, 1.2, (1.5, 2.5)),
            _ => picture.dashed(sample, ink::EPISODE_EDGE, 1.2, (7.0, 3.0)),
        }
        picture.text((lx + 30.0, ly), 11.0, Anchor::Start, ink::TEXT, text);
        lx += room;
    }
    picture.height = ly + 8.0;
    Some(picture)
}

/// The scale ends above the highest best value; the band may run out of the picture where nothing flows.
fn top_of(channel: &ChannelReview) -> f64 {
    let values = channel
        .track
        .iter()
        .map(|p| p.resistance_mmhg_h_per_ml.value);
    let highest = values.filter(|v| v.is_finite()).fold(0.0, f64::max);
    let limits = channel
        .track
        .iter()
        .map(|p| p.resistance_mmhg_h_per_ml.high);
    let band = limits.filter(|h| *h <= 1.6 * highest).fold(0.0, f64::max);
    let threshold = channel
        .resistance_mmhg_h_per_ml
        .map_or(0.0, |r| 1.5 * r.value);
    let top = 1.12 * highest.max(band).max(threshold);
    if top.is_finite() && 0.0 < top {
        top
    } else {
        1.0
    }
}

fn draw_channel(
    picture: &mut Picture,
    record: &Record,
    review: &Review,
    channel: &ChannelReview,
    panel: &Panel,
) {
    if let Some(of) = record.channels.iter().find(|c| c.id == channel.id) {
        trace_marks::shade_episodes(picture, review, of, panel);
    }
    let name = words::clip_to(&channel.id, 28);
    let unit = if picture.is_narrow() {
        "mmHg per mL/h"
    } else {
        "resistance below the pump, mmHg per mL/h"
    };
    panel.ground(picture, &format!("{name}: {unit}"), 4);
    let (left, _, right, _) = panel.bounds();
    let point = |t_s: f64, r: f64| (panel.x.px_within(t_s), panel.y.px_within(r.max(0.0)));
    let mut band: Vec<(f64, f64)> = Vec::new();
    band.extend(
        thin(channel, panel, f64::max)
            .iter()
            .map(|&(t, r)| point(t, r)),
    );
    band.extend(
        thin(channel, panel, f64::min)
            .iter()
            .rev()
            .map(|&(t, r)| point(t, r)),
    );
    picture.area(band, ink::BAND);
    if let Some(base) = channel.resistance_mmhg_h_per_ml {
        for (value, colour, dash) in [
            (base.value, ink::QUIET, (1.5, 2.5)),
            (1.5 * base.value, ink::EPISODE_EDGE, (7.0, 3.0)),
        ] {
            let y = panel.y.px_within(value);
            picture.dashed(vec![(left, y), (right, y)], colour, 1.2, dash);
        }
    }
    let points = channel
        .track
        .iter()
        .map(|p| (p.t_s, p.resistance_mmhg_h_per_ml.value));
    panel.curve(picture, points, ink::PRESSURE, 1.6);
    panel.close(picture);
}

/// One limit of the band per pixel column: the outermost.
fn thin(channel: &ChannelReview, panel: &Panel, outer: fn(f64, f64) -> f64) -> Vec<(f64, f64)> {
    let is_high = outer(0.0, 1.0) == 1.0;
    let mut limits: Vec<(f64, f64)> = Vec::new();
    for p in &channel.track {
        let e = p.resistance_mmhg_h_per_ml;
        let limit = if is_high { e.high } else { e.low };
        let limit = if limit.is_finite() {
            limit
        } else {
            panel.y.high
        };
        match limits.last_mut() {
            Some(last) if panel.x.px(last.0).floor() == panel.x.px(p.t_s).floor() => {
                last.1 = outer(last.1, limit)
            }
            _ => limits.push((p.t_s, limit)),
        }
    }
    limits
}
