//! The data for the page's script, with which a reader may zoom into the main picture; the page is whole without it.
//!
//! In: record and review. Out: JSON that may stand inside a `<script>` element.

use crate::infer::{Doing, Review};
use crate::record::{Channel, Record};
use crate::report::{draw, words};
use crate::time::Clock;
use serde_json::{Value, json};

/// At most about so many points per channel: beyond that, each bucket of time keeps its extremes.
const POINTS: usize = 10_000;

/// Everything that the script needs, with `<` written so that no text can end the element.
pub fn data(record: &Record, review: &Review) -> String {
    let (origin_s, offsets) = match &record.clock {
        Clock::Seconds => (Value::Null, Vec::new()),
        Clock::Calendar { origin_us, offsets } => (json!(*origin_us as f64 / 1e6), offsets.clone()),
    };
    let channels: Vec<Value> = draw::shown(record, review)
        .into_iter()
        .map(|c| channel(record, review, c))
        .collect();
    let data = json!({
        "words": std::collections::BTreeMap::from(words::page_text::SCRIPT),
        "origin_s": origin_s,
        "offsets": offsets,
        "start": record.start_s(),
        "end": record.end_s(),
        "channels": channels,
    });
    data.to_string().replace('<', "\\u003c")
}

fn channel(record: &Record, review: &Review, channel: &Channel) -> Value {
    let (t, p) = thinned(record, channel);
    let mut rates: Vec<(f64, Option<f64>)> = Vec::new();
    for regime in review.regimes.iter().filter(|r| r.channel == channel.id) {
        let rate = match regime.doing {
            Doing::Running { rate_ml_h } => Some(rate_ml_h),
            Doing::Paused(_) => Some(0.0),
            Doing::Gap => None,
        };
        // Held to its end, so that a gap after it does not swallow the step.
        rates.push((regime.span.start_s, rate));
        rates.push((regime.span.end_s - 1e-3, rate));
    }
    let expected: Vec<Vec<(f64, f64)>> = review
        .episodes
        .iter()
        .flat_map(|e| draw::expected(e, &channel.id))
        .map(|fitted| {
            fitted
                .points
                .iter()
                .map(|&(t, p)| (rounded(t), rounded(p)))
                .collect()
        })
        .collect();
    json!({
        "name": words::clip_to(&channel.id, 28),
        "t": t,
        "p": p,
        "rates": rates,
        "on_change": channel.on_change,
        "expected": expected,
        "whole": channel.samples.len() <= POINTS,
    })
}

/// Times and pressures; `null` breaks the line at a gap or a missing value.
fn thinned(record: &Record, channel: &Channel) -> (Vec<f64>, Vec<Option<f64>>) {
    let s = &channel.samples;
    let per_column = 4; // first, lowest, highest and last
    let whole = s.len() <= POINTS;
    let columns = POINTS / per_column;
    let span = (record.end_s() - record.start_s()).max(1.0);
    let scale = if whole { 1.0 } else { columns as f64 / span };
    let mut gaps = channel.gaps.iter().peekable();
    let mut points: Vec<(f64, f64)> = Vec::with_capacity(s.len());
    for (&t, &p) in s.t_s.iter().zip(&s.pressure_mmhg) {
        if let Some(gap) = gaps.next_if(|gap| gap.end_s <= t) {
            points.push((gap.start_s, f64::NAN));
        }
        points.push((t, p));
    }
    let pieces = if whole {
        vec![points]
    } else {
        draw::pieces(
            points
                .into_iter()
                .map(|(t, p)| ((t - record.start_s()) * scale, p)),
        )
    };
    let (mut times, mut pressures) = (Vec::new(), Vec::new());
    for (i, piece) in pieces.iter().enumerate() {
        if let Some(first) = piece.first().filter(|_| 0 < i) {
            times.push(back(record, first.0, scale, whole) - 1e-3);
            pressures.push(None);
        }
        for &(x, p) in piece {
            times.push(back(record, x, scale, whole));
            pressures.push(p.is_finite().then_some(rounded(p)));
        }
    }
    (times, pressures)
}

fn back(record: &Record, x: f64, scale: f64, whole: bool) -> f64 {
    let t_s = if whole {
        x
    } else {
        x / scale + record.start_s()
    };
    (t_s * 1000.0).round() / 1000.0
}

/// To a hundredth.
fn rounded(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}
