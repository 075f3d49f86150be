//! Pressure against flow: the slope is the resistance, the height at zero flow the outlet pressure.

use super::axis::range;
use super::ink;
use super::panel::Panel;
use super::picture::{Anchor, Picture};
use crate::infer::{ChannelReview, Doing, Review};
use crate::record::{Channel, Record};
use crate::report::words;
use crate::time::Span;
use std::collections::BTreeSet;

/// Width of this picture, pixels: two stand side by side on a desk, one on a phone.
const WIDTH: f64 = 400.0;

/// How long after a change of any rate the pressure is left out: until then it still moves.
pub const SETTLING_S: f64 = 600.0;

/// The picture of one channel; `None` where no settled pressure was measured.
pub fn slope(record: &Record, review: &Review, channel: &Channel) -> Option<Picture> {
    let (calm, hindered) = settled(record, review, channel);
    if calm.is_empty() && hindered.is_empty() {
        return None;
    }
    let mut picture = Picture::new(WIDTH);
    let all = || calm.iter().chain(&hindered);
    let x = range(all().map(|p| p.0), 1.0);
    let y = range(all().map(|p| p.1), 20.0);
    let panel = Panel::new(&picture, 26.0, 190.0, x, y);
    panel.ground(
        &mut picture,
        &format!("{}: pressure, mmHg", words::clip_to(&channel.id, 24)),
        5,
    );
    let (left, _, right, bottom) = panel.bounds();
    let ticks = panel.x.ticks(6);
    for &tick in &ticks {
        let at = panel.x.px(tick);
        picture.line(vec![(at, bottom), (at, bottom + 4.0)], ink::TEXT, 1.0);
        picture.text(
            (at, bottom + 15.0),
            11.0,
            Anchor::Middle,
            ink::TEXT,
            super::axis::tick_label(tick, &ticks),
        );
    }
    let below = "flow of all channels together, mL/h";
    picture.text(
        ((left + right) / 2.0, bottom + 30.0),
        11.0,
        Anchor::Middle,
        ink::QUIET,
        below,
    );
    for (px, py) in distinct(&panel, &hindered) {
        picture.line(
            vec![(px - 2.5, py - 2.5), (px + 2.5, py + 2.5)],
            ink::EPISODE_EDGE,
            1.0,
        );
        picture.line(
            vec![(px - 2.5, py + 2.5), (px + 2.5, py - 2.5)],
            ink::EPISODE_EDGE,
            1.0,
        );
    }
    for at in distinct(&panel, &calm) {
        picture.dot(at, 2.0, ink::PRESSURE);
    }
    let found = review.channels.iter().find(|c| c.id == channel.id);
    let line = found.and_then(|c| baseline(&mut picture, &panel, c));
    panel.close(&mut picture);
    let y = legend(&mut picture, bottom + 50.0, !hindered.is_empty(), line);
    picture.height = y;
    Some(picture)
}

/// The baseline, cut where it leaves the panel. Gives its words.
fn baseline(picture: &mut Picture, panel: &Panel, c: &ChannelReview) -> Option<String> {
    let (r, outlet) = (
        c.resistance_mmhg_h_per_ml?.value,
        c.outlet_pressure_mmhg?.value,
    );
    let end = panel.x.high.min((panel.y.high - outlet) / r.max(1e-9));
    if 0.0 < end && panel.y.low <= outlet {
        let at = |flow: f64| (panel.x.px(flow), panel.y.px(outlet + r * flow));
        picture.line(vec![at(0.0), at(end)], ink::BEST, 1.4);
    }
    Some(format!(
        "baseline: {} + {} per mL/h",
        words::pressure(outlet),
        words::bare(r)
    ))
}

fn legend(picture: &mut Picture, top: f64, hindered: bool, line: Option<String>) -> f64 {
    let mut y = top;
    let mut entry = |picture: &mut Picture, text: &str| {
        picture.text((30.0, y), 11.0, Anchor::Start, ink::TEXT, text);
        y += 17.0;
        y - 17.0 - 4.0
    };
    if let Some(text) = line {
        let at = entry(picture, &text);
        picture.line(vec![(4.0, at), (24.0, at)], ink::BEST, 1.4);
    }
    let at = entry(picture, "settled pressure outside episodes");
    picture.dot((14.0, at), 2.5, ink::PRESSURE);
    if hindered {
        let at = entry(picture, "settled pressure within an episode");
        picture.line(
            vec![(11.0, at - 3.0), (17.0, at + 3.0)],
            ink::EPISODE_EDGE,
            1.0,
        );
        picture.line(
            vec![(11.0, at + 3.0), (17.0, at - 3.0)],
            ink::EPISODE_EDGE,
            1.0,
        );
    }
    y
}

/// Places without the ones that would fall on another's place.
fn distinct(panel: &Panel, points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let cells: BTreeSet<(i64, i64)> = points
        .iter()
        .map(|&(q, p)| {
            (
                (panel.x.px(q) / 2.0).round() as i64,
                (panel.y.px(p) / 2.0).round() as i64,
            )
        })
        .collect();
    cells
        .into_iter()
        .map(|(x, y)| (x as f64 * 2.0, y as f64 * 2.0))
        .collect()
}

type Points = Vec<(f64, f64)>;

/// `(flow of the line, pressure)` of the settled samples, outside and within episodes.
fn settled(record: &Record, review: &Review, channel: &Channel) -> (Points, Points) {
    let flow = flow_of_the_line(record, review);
    let episodes: Vec<Span> = review
        .episodes
        .iter()
        .filter(|e| e.channels.contains(&channel.id))
        .map(|e| Span {
            start_s: e.onset_s.value,
            end_s: e.end_s.unwrap_or(f64::INFINITY),
        })
        .collect();
    let (mut calm, mut hindered) = (Vec::new(), Vec::new());
    for (&t, &p) in channel
        .samples
        .t_s
        .iter()
        .zip(&channel.samples.pressure_mmhg)
    {
        let after = flow.partition_point(|f| f.0 <= t);
        let Some(&(since, Some(q))) = after.checked_sub(1).and_then(|i| flow.get(i)) else {
            continue;
        };
        if !p.is_finite() || t < since + SETTLING_S {
            continue;
        }
        if episodes.iter().any(|e| e.contains(t)) {
            hindered.push((q, p));
        } else {
            calm.push((q, p));
        }
    }
    (calm, hindered)
}

/// `(from, mL/h)`: the sum of all channels' rates from each change on; `None` while one of them has no data.
fn flow_of_the_line(record: &Record, review: &Review) -> Vec<(f64, Option<f64>)> {
    let mut changes: Vec<(f64, usize, Option<f64>)> = Vec::new();
    for (i, channel) in record.channels.iter().enumerate() {
        for regime in review.regimes.iter().filter(|r| r.channel == channel.id) {
            let rate = match regime.doing {
                Doing::Running { rate_ml_h } => Some(rate_ml_h),
                Doing::Paused(_) => Some(0.0),
                Doing::Gap => None,
            };
            changes.push((regime.span.start_s, i, rate));
        }
    }
    changes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut rates: Vec<Option<f64>> = vec![None; record.channels.len()];
    let mut flow: Vec<(f64, Option<f64>)> = Vec::new();
    for (t_s, i, rate) in changes {
        if let Some(slot) = rates.get_mut(i) {
            *slot = rate;
        }
        let total = rates.iter().copied().sum::<Option<f64>>();
        match flow.last_mut() {
            Some(last) if last.0 == t_s => last.1 = total,
            Some(last) if last.1 == total => {}
            _ => flow.push((t_s, total)),
        }
    }
    flow
}
