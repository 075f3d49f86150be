//! The main picture: pressure and rate of each channel on one time axis, with pauses, alarms, limits, events and
//! episodes marked.

use super::axis::{Scale, range};
use super::panel::{LEFT, Panel, RIGHT};
use super::picture::{Anchor, Moves, Picture};
use super::{event_lane, fits, ink, time_axis, trace_marks};
use crate::infer::{Doing, Review};
use crate::record::{Channel, Record};
use crate::report::words;
use crate::time::Span;

/// At most so many channels are drawn, those of the episodes first; the page says so where there are more.
pub const SHOWN_CHANNELS: usize = 8;

/// Width and dashes of the expected pressure.
pub(super) const EXPECTED: (f64, (f64, f64)) = (1.6, (2.0, 2.5));

/// The main picture, `width` pixels wide.
pub fn trace(record: &Record, review: &Review, width: f64) -> Picture {
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
    let channels = shown(record, review);
    let (pressures, limit_shown) = pressure_range(&channels);

    let lane = event_lane::draw(&mut picture, record, &x, 2.0);
    let tabs = trace_marks::episode_tabs(&mut picture, review, &x, lane + 4.0);

    let (pressure_height, rate_height) = if picture.is_narrow() {
        (120.0, 44.0)
    } else {
        (150.0, 50.0)
    };
    let mut y = tabs.bottom + 24.0;
    let first_top = y;
    let mut panels = Vec::new();
    for channel in &channels {
        let pressure = Panel::new(
            &picture,
            y,
            pressure_height,
            (span.start_s, span.end_s),
            pressures,
        );
        y += pressure_height + 24.0;
        let rates = range(channel.samples.rate_ml_h.iter().copied(), 1.0);
        let rate = Panel::new(&picture, y, rate_height, (span.start_s, span.end_s), rates);
        y += rate_height + 32.0;
        panels.push((*channel, pressure, rate));
    }
    let bottom = y - 32.0;
    let mut axis_height = 0.0;
    let axis = Moves::Axis([x.from_px, x.to_px, first_top, bottom]);
    picture.moving(axis, true, |picture| {
        axis_height = time_axis::draw(picture, &record.clock, span, &x, (first_top, bottom));
    });
    trace_marks::tab_lines(&mut picture, &tabs, bottom);
    for (index, (channel, pressure, rate)) in panels.iter().enumerate() {
        draw_channel(
            &mut picture,
            record,
            review,
            (index, channel),
            (pressure, rate),
            limit_shown,
        );
    }
    let y = trace_marks::legend(
        &mut picture,
        record,
        review,
        limit_shown,
        bottom + axis_height + 14.0,
    );
    picture.height = y + 4.0;
    picture
}

/// The channels to draw: those that an episode moved first, in the record's order.
pub fn shown<'a>(record: &'a Record, review: &Review) -> Vec<&'a Channel> {
    let moved = |c: &&Channel| review.episodes.iter().any(|e| e.channels.contains(&c.id));
    let mut channels: Vec<&Channel> = record.channels.iter().collect();
    if SHOWN_CHANNELS < channels.len() {
        channels.sort_by_key(|c| !moved(c));
        channels.truncate(SHOWN_CHANNELS);
        channels.sort_by(|a, b| a.id.cmp(&b.id));
    }
    channels
}

/// One pressure scale for all channels, so that they compare; a limit far above all pressures is left out of it.
fn pressure_range(channels: &[&Channel]) -> ((f64, f64), bool) {
    let pressures = || {
        channels
            .iter()
            .flat_map(|c| c.samples.pressure_mmhg.iter().copied())
    };
    let limits = || {
        channels
            .iter()
            .flat_map(|c| c.samples.limit_mmhg.iter().copied())
    };
    let without = range(pressures(), 20.0);
    let highest_limit = limits().filter(|l| l.is_finite()).fold(0.0, f64::max);
    if highest_limit <= 2.0 * without.1 {
        (range(pressures().chain(limits()), 20.0), true)
    } else {
        (without, false)
    }
}

fn draw_channel(
    picture: &mut Picture,
    record: &Record,
    review: &Review,
    (index, channel): (usize, &Channel),
    (pressure, rate): (&Panel, &Panel),
    limit_shown: bool,
) {
    let name = words::clip_to(&channel.id, 28);
    trace_marks::shade_episodes(picture, review, channel, pressure);
    pressure.ground(picture, &format!("{name}: pressure, mmHg"), 5);
    rate.ground(picture, &format!("{name}: rate, mL/h"), 2);
    trace_marks::pauses(picture, review, channel, (pressure, rate));
    picture.moving(Moves::Stretch, true, |picture| {
        draw_rate(picture, channel, rate);
    });
    trace_marks::rates(picture, review, channel, rate);
    trace_marks::guides(picture, record, channel, pressure);
    draw_limit(picture, channel, pressure, limit_shown);
    draw_pressure(picture, (index, channel), pressure);
    picture.moving(Moves::Stretch, true, |picture| {
        draw_expected(picture, review, channel, pressure);
    });
    trace_marks::alarms(picture, record, review, channel, pressure);
    pressure.close(picture);
    rate.close(picture);
}

/// The measured pressure, broken in gaps; steps where the log was written on change.
fn draw_pressure(picture: &mut Picture, (index, channel): (usize, &Channel), panel: &Panel) {
    let s = &channel.samples;
    let mut points: Vec<(f64, f64)> = Vec::with_capacity(s.len());
    let mut gaps = channel.gaps.iter().peekable();
    for (&t, &p) in s.t_s.iter().zip(&s.pressure_mmhg) {
        if gaps.peek().is_some_and(|gap| gap.end_s <= t) {
            gaps.next();
            points.push((t, f64::NAN));
        }
        if let Some(&(_, held)) = points.last().filter(|_| channel.on_change) {
            points.push((t, held));
        }
        points.push((t, p));
    }
    let y = panel.y;
    let moves = Moves::Curve(index, [y.low, y.high, y.from_px, y.to_px]);
    picture.moving(moves, true, |picture| {
        panel.curve(picture, points.into_iter(), ink::PRESSURE, 1.4);
    });
}

/// What the best explanation of each episode expects of this channel.
fn draw_expected(picture: &mut Picture, review: &Review, channel: &Channel, panel: &Panel) {
    for e in &review.episodes {
        for fitted in fits::expected(e, &channel.id) {
            for piece in fits::inside(panel, fitted) {
                picture.dashed(piece, ink::BEST, EXPECTED.0, EXPECTED.1);
            }
        }
    }
}

/// The rate as steps, filled below.
fn draw_rate(picture: &mut Picture, channel: &Channel, panel: &Panel) {
    let s = &channel.samples;
    let mut points: Vec<(f64, f64)> = Vec::new();
    let mut gaps = channel.gaps.iter().peekable();
    for (i, (&t, &rate)) in s.t_s.iter().zip(&s.rate_ml_h).enumerate() {
        if let Some(gap) = gaps.next_if(|gap| gap.end_s <= t) {
            if let Some(&(_, held)) = points.last() {
                points.push((gap.start_s, held));
            }
            points.push((t, f64::NAN));
        } else if let Some(&(_, held)) = points.last().filter(|p| p.1 != rate) {
            points.push((t, held));
        }
        let changed = points.last().is_none_or(|p| p.1 != rate);
        if changed || i + 1 == s.len() {
            points.push((t, rate));
        }
    }
    let placed = points.iter().map(|&(t, r)| (panel.x.px(t), panel.y.px(r)));
    let floor = panel.y.px(0.0);
    for piece in super::decimate::pieces(placed) {
        if let (Some(first), Some(last)) = (piece.first(), piece.last()) {
            let mut area = vec![(first.0, floor)];
            let end = (last.0, floor);
            area.extend(piece.iter().copied());
            area.push(end);
            picture.area(area, ink::RATE_FILL);
        }
        picture.line(piece, ink::RATE, 1.2);
    }
}

/// The pressure limit as a broken line with its value, or a note where it lies far above.
fn draw_limit(picture: &mut Picture, channel: &Channel, panel: &Panel, shown: bool) {
    let s = &channel.samples;
    let Some(last) = s.limit_mmhg.iter().rev().find(|l| l.is_finite()) else {
        return;
    };
    if !shown {
        let (_, top, right, _) = panel.bounds();
        let em = 11.0;
        let text = format!("limit {}, above this picture", words::pressure(*last));
        picture.text((right - 4.0, top + 12.0), em, Anchor::End, ink::ALARM, text);
        return;
    }
    let mut points: Vec<(f64, f64)> = Vec::new();
    for (i, (&t, &limit)) in s.t_s.iter().zip(&s.limit_mmhg).enumerate() {
        let held = points.last().map(|p| p.1);
        if held.is_some_and(|h| h.is_finite() && h != limit) {
            points.push((t, held.unwrap_or(limit)));
        }
        if held.is_none_or(|h| h != limit && !(h.is_nan() && limit.is_nan())) || i + 1 == s.len() {
            points.push((t, limit));
        }
    }
    let placed = points.iter().map(|&(t, l)| (panel.x.px(t), panel.y.px(l)));
    picture.moving(Moves::Stretch, true, |picture| {
        for piece in super::decimate::pieces(placed) {
            picture.dashed(piece, ink::ALARM, 1.2, (6.0, 3.0));
        }
    });
    limit_values(picture, &points, panel);
}

/// The limit's value where it begins, and after each change that leaves room for it.
fn limit_values(picture: &mut Picture, points: &[(f64, f64)], panel: &Panel) {
    let (left, top, right, _) = panel.bounds();
    let em = 11.0;
    let (mut free_from, mut told) = (left, f64::NAN);
    for (i, &(t, limit)) in points.iter().enumerate().filter(|(_, p)| p.1.is_finite()) {
        let text = format!("limit {}", words::pressure(limit));
        let (at, width) = (
            panel.x.px_within(t).max(left) + 5.0,
            Picture::text_width(&text, em),
        );
        if told == limit || at < free_from || right < at + width {
            continue;
        }
        let y = panel.y.px_within(limit);
        let baseline = if y - 14.0 < top { y + 12.0 } else { y - 4.0 };
        let next = points.iter().skip(i).find(|p| p.1 != limit);
        let until = next.map_or(right, |&(t, _)| panel.x.px_within(t));
        let moves = Moves::Label {
            from: panel.x.px_within(t),
            to: until,
            left: at,
            width,
            fits: false,
            lane: top,
        };
        picture.moving(moves, true, |picture| {
            picture.text((at, baseline), em, Anchor::Start, ink::ALARM, text);
        });
        (free_from, told) = (at + width + 6.0, limit);
    }
}

/// Whether any channel stood still or had no data: then the legend explains the hatchings.
pub fn kinds_of_standstill(review: &Review) -> Vec<Doing> {
    let mut kinds: Vec<Doing> = Vec::new();
    for regime in &review.regimes {
        if !matches!(regime.doing, Doing::Running { .. }) && !kinds.contains(&regime.doing) {
            kinds.push(regime.doing);
        }
    }
    kinds
}
