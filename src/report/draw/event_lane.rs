//! The names of events over the main picture: all deeds, then the others that find room.

use super::axis::Scale;
use super::ink;
use super::picture::{Anchor, Moves, Picture};
use super::trace_marks::MOST_SPARE;
use crate::record::{Event, EventKind, Record};
use crate::report::words;

const EM: f64 = 11.0;

/// How much an event matters for its name to be shown where there is little room.
pub fn rank(kind: EventKind) -> u8 {
    match kind {
        EventKind::OcclusionAlarm => 0,
        EventKind::FilterChange | EventKind::SetChange | EventKind::CatheterChange => 1,
        EventKind::Flush
        | EventKind::ClampClosed
        | EventKind::ClampOpened
        | EventKind::MedicationStart => 2,
        EventKind::MedicationEnd
        | EventKind::PatientMoved
        | EventKind::PumpMoved
        | EventKind::Alarm => 3,
        EventKind::LimitChange | EventKind::BolusStart | EventKind::Note | EventKind::Unknown => 4,
        EventKind::Pause | EventKind::Resume | EventKind::RateChange => 5,
        EventKind::Start | EventKind::Stop | EventKind::BolusEnd | EventKind::AlarmCleared => 6,
    }
}

/// Rows of names at most where what was done to the line needs them.
const MOST_ROWS: usize = 8;

/// Whether it is something that was done to the line or its settings: then its name is always shown, with a row more if need be.
fn is_deed(kind: EventKind) -> bool {
    matches!(rank(kind), 1 | 2) || matches!(kind, EventKind::LimitChange | EventKind::PumpMoved)
}

/// Ticks for all events and names for what was done, then for the others that find room. Gives the lane's bottom.
pub fn draw(picture: &mut Picture, record: &Record, x: &Scale, top: f64) -> f64 {
    let mut events: Vec<&Event> = record
        .events
        .iter()
        .filter(|e| x.low <= e.t_s && e.t_s <= x.high)
        .collect();
    if events.is_empty() {
        return top;
    }
    events.sort_by(|a, b| {
        (!is_deed(a.kind), rank(a.kind))
            .cmp(&(!is_deed(b.kind), rank(b.kind)))
            .then(a.t_s.total_cmp(&b.t_s))
    });
    let least = if picture.is_narrow() { 3 } else { 2 };
    let (names, rows) = placed(picture, &events, x, least);
    let (row, tick) = (14.0, 6.0);
    let names_bottom = top + rows as f64 * row;
    for (t_s, place, name) in names {
        let at = x.px(t_s);
        let (index, middle) = place.unwrap_or((0, at));
        let y = names_bottom - index as f64 * row - 3.0;
        let moves = Moves::Name {
            at,
            width: Picture::text_width(&name, EM),
            bottom: names_bottom - 3.0,
            rows,
        };
        picture.moving(moves, place.is_some(), |picture| {
            picture.text((middle, y), EM, Anchor::Middle, ink::TEXT, name);
        });
    }
    let bottom = names_bottom + tick;
    let mut ticks: Vec<f64> = events.iter().map(|e| x.px(e.t_s)).collect();
    ticks.sort_by(f64::total_cmp);
    ticks.dedup_by_key(|at| (*at * 8.0).round()); // a thousand events on one pixel need few ticks
    picture.moving(Moves::Stretch, true, |picture| {
        for at in ticks {
            picture.line(vec![(at, names_bottom), (at, bottom)], ink::TEXT, 1.0);
        }
    });
    bottom
}

/// A name with its moment, and its row and middle where it found room.
type Placed = (f64, Option<(usize, f64)>, String);

/// Names in rows, the first in order choosing first; and how many rows there are.
fn placed(picture: &Picture, events: &[&Event], x: &Scale, least: usize) -> (Vec<Placed>, usize) {
    let mut taken: Vec<Vec<(f64, f64)>> = vec![Vec::new(); least];
    let mut names = Vec::new();
    for event in events {
        let name = words::event_name(event);
        let half = Picture::text_width(&name, EM) / 2.0;
        let middle = picture.kept_on(x.px(event.t_s), half);
        let (left, right) = (middle - half - 4.0, middle + half + 4.0);
        let is_free = |spans: &Vec<(f64, f64)>| spans.iter().all(|&(a, b)| right <= a || b <= left);
        let row = taken.iter().position(is_free);
        let row = row.or_else(|| {
            (is_deed(event.kind) && taken.len() < MOST_ROWS).then(|| {
                taken.push(Vec::new());
                taken.len() - 1
            })
        });
        if let Some((row, spans)) = row.and_then(|row| Some((row, taken.get_mut(row)?))) {
            spans.push((left, right));
            names.push((event.t_s, Some((row, middle)), name));
        } else if names.len() < MOST_SPARE {
            names.push((event.t_s, None, name));
        }
    }
    (names, taken.len())
}
