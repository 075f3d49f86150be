//! The pause-and-restart table: what pressure and resistance did over each standstill.

use crate::infer::{Pause, Review};
use crate::record::{Channel, Record};
use crate::report::words;

/// Rows shown; the JSON has all.
const SHOWN: usize = 60;
/// How long before the stop the pressure is taken, seconds.
const BEFORE_S: f64 = 300.0;
/// How long before the restart, seconds.
const END_S: f64 = 60.0;
/// From when to when after the restart, seconds: by then the pressure has mostly settled.
const AFTER_S: (f64, f64) = (600.0, 1200.0);

/// One standstill of one channel.
pub struct PauseRow {
    pub channel: String,
    pub start: String,
    pub end: String,
    pub length: String,
    pub cause: &'static str,
    pub before: String,
    pub at_end: String,
    pub after: String,
    pub resistance: String,
}

/// The rows, and how many more there are.
pub fn rows(record: &Record, review: &Review) -> (Vec<PauseRow>, usize) {
    let rows = review
        .pauses
        .iter()
        .take(SHOWN)
        .map(|p| row(record, review, p))
        .collect();
    (rows, review.pauses.len().saturating_sub(SHOWN))
}

fn row(record: &Record, review: &Review, pause: &Pause) -> PauseRow {
    let channel = record.channels.iter().find(|c| c.id == pause.channel);
    let (start, end) = (pause.span.start_s, pause.span.end_s);
    let pressure = |from: f64, to: f64| {
        let middle = channel.and_then(|c| median_pressure(c, from, to));
        middle.map_or("–".to_string(), words::pressure)
    };
    let until = if pause.still_on {
        f64::NEG_INFINITY
    } else {
        end + AFTER_S.1
    };
    PauseRow {
        channel: words::clip(&pause.channel),
        start: words::moment(&record.clock, start),
        end: if pause.still_on {
            "still on when the record ends".into()
        } else {
            words::moment_near(&record.clock, end, start)
        },
        length: words::duration(end - start),
        cause: words::pause_cause(pause.cause),
        before: pressure(start - BEFORE_S, start - 0.5),
        at_end: pressure((end - END_S).max(start), end - 0.5),
        after: pressure(end + AFTER_S.0, until),
        resistance: resistance(review, pause),
    }
}

fn median_pressure(channel: &Channel, from_s: f64, to_s: f64) -> Option<f64> {
    let s = &channel.samples;
    let from = s.t_s.partition_point(|&t| t < from_s);
    let to = s.t_s.partition_point(|&t| t <= to_s);
    let mut values: Vec<f64> = s
        .pressure_mmhg
        .get(from..to)?
        .iter()
        .copied()
        .filter(|p| p.is_finite())
        .collect();
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// `2.3 → 2.6`: the tracked resistance at the stop and when the pressure has settled again.
fn resistance(review: &Review, pause: &Pause) -> String {
    let track = review
        .channels
        .iter()
        .find(|c| c.id == pause.channel)
        .map(|c| c.track.as_slice())
        .unwrap_or_default();
    let before = track.iter().rfind(|p| p.t_s <= pause.span.start_s);
    let after = track
        .iter()
        .find(|p| pause.span.end_s + AFTER_S.1 <= p.t_s)
        .filter(|_| !pause.still_on);
    match (before, after) {
        (Some(a), Some(b)) => {
            let value =
                |p: &crate::infer::TrackPoint| words::bare(p.resistance_mmhg_h_per_ml.value);
            format!("{} → {}", value(a), value(b))
        }
        _ => "–".into(),
    }
}
