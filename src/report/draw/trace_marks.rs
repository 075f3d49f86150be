//! What is marked on the main picture: episodes, events, standstill, alarms, and the legend.

use super::axis::Scale;
use super::panel::Panel;
use super::picture::{Anchor, Picture};
use super::{ink, trace};
use crate::infer::{Doing, PauseCause, Review};
use crate::record::{Channel, Event, EventKind, Record};
use crate::report::words;

const EM: f64 = 11.0;
/// More interventions than this are not drawn through the panels.
const MOST_GUIDES: usize = 40;

/// Where the episodes' names stand.
pub struct Tabs {
    /// Left edge of each episode and the bottom of its tab.
    edges: Vec<(f64, f64)>,
    /// Where the lane of names ends.
    pub bottom: f64,
}

/// The episodes' names above the panels, each beginning at its onset; rows are added where they would overlap.
pub fn episode_tabs(picture: &mut Picture, review: &Review, x: &Scale, top: f64) -> Tabs {
    let row = 19.0;
    let mut rows: Vec<f64> = Vec::new(); // where each row is free from
    let mut edges = Vec::new();
    for e in &review.episodes {
        let text = Picture::fitting(&words::episode_label(e), EM, picture.width / 1.2);
        let width = Picture::bold_width(&text, EM) + 10.0;
        let onset = x.px_within(e.onset_s.value);
        let left = onset.min(picture.width - width - 1.0).max(0.0);
        let index = rows
            .iter()
            .position(|&free| free <= left)
            .unwrap_or(rows.len());
        if index == rows.len() {
            rows.push(0.0);
        }
        if let Some(free) = rows.get_mut(index) {
            *free = left + width + 4.0;
        }
        let y = top + index as f64 * row;
        picture.rect((left, y, left + width, y + 16.0), ink::EPISODE);
        picture.frame((left, y, left + width, y + 16.0), ink::EPISODE_EDGE, 1.0);
        picture.bold(
            (left + 5.0, y + 12.0),
            EM,
            Anchor::Start,
            ink::EPISODE_EDGE,
            text,
        );
        edges.push((onset, y + 16.0));
    }
    Tabs {
        edges,
        bottom: top + rows.len() as f64 * row,
    }
}

/// Thin lines from the names down through the panels.
pub fn tab_lines(picture: &mut Picture, tabs: &Tabs, panels_bottom: f64) {
    for &(x, y) in &tabs.edges {
        picture.dashed(
            vec![(x, y), (x, panels_bottom)],
            ink::EPISODE_EDGE,
            1.0,
            (1.5, 2.5),
        );
    }
}

/// The shade of the episodes that moved this channel, with hatched uncertainty of the onset.
pub fn shade_episodes(picture: &mut Picture, review: &Review, channel: &Channel, panel: &Panel) {
    let (_, top, _, bottom) = panel.bounds();
    for e in review
        .episodes
        .iter()
        .filter(|e| e.channels.contains(&channel.id))
    {
        let (left, right) = panel.stretch(e.onset_s.value, e.end_s.unwrap_or(panel.x.high));
        picture.rect((left, top, right, bottom), ink::EPISODE);
        if let Some(end_s) = e.end_s {
            let at = panel.x.px_within(end_s);
            picture.line(vec![(at, top), (at, bottom)], ink::EPISODE_EDGE, 1.0);
        }
        // The 90 % interval of the onset: a bracket along the bottom.
        let (low, high) = panel.stretch(e.onset_s.low, e.onset_s.high);
        if 4.0 < high - low {
            let y = bottom - 5.0;
            picture.line(vec![(low, y - 3.0), (low, y + 3.0)], ink::EPISODE_EDGE, 1.2);
            picture.line(vec![(low, y), (high, y)], ink::EPISODE_EDGE, 1.2);
            picture.line(
                vec![(high, y - 3.0), (high, y + 3.0)],
                ink::EPISODE_EDGE,
                1.2,
            );
        }
        let at = panel.x.px_within(e.onset_s.value);
        picture.line(vec![(at, top), (at, bottom)], ink::EPISODE_EDGE, 1.6);
    }
}

/// Standstill of a channel, hatched by its cause, over both its panels.
pub fn pauses(
    picture: &mut Picture,
    review: &Review,
    channel: &Channel,
    (pressure, rate): (&Panel, &Panel),
) {
    for regime in review.regimes.iter().filter(|r| r.channel == channel.id) {
        if matches!(regime.doing, Doing::Running { .. }) {
            continue;
        }
        for panel in [pressure, rate] {
            let (left, right) = panel.stretch(regime.span.start_s, regime.span.end_s);
            let (_, top, _, bottom) = panel.bounds();
            standstill(picture, (left, top, right, bottom), regime.doing);
        }
    }
}

/// One hatching per cause: rising, crossed, falling; a gap is bare grey between broken edges.
fn standstill(picture: &mut Picture, bounds: (f64, f64, f64, f64), doing: Doing) {
    let (left, top, right, bottom) = bounds;
    match doing {
        Doing::Running { .. } => {}
        Doing::Paused(PauseCause::Manual) => picture.hatch(bounds, 1.0, 7.0, ink::HATCH),
        Doing::Paused(PauseCause::Alarm) => {
            picture.hatch(bounds, 1.0, 7.0, ink::HATCH);
            picture.hatch(bounds, -1.0, 7.0, ink::HATCH);
        }
        Doing::Paused(PauseCause::Unknown) => picture.hatch(bounds, -1.0, 7.0, ink::HATCH),
        Doing::Gap => {
            picture.rect(bounds, ink::PART);
            for x in [left, right] {
                picture.dashed(vec![(x, top), (x, bottom)], ink::HATCH, 1.0, (2.0, 2.0));
            }
        }
    }
}

/// The rate's value in each stretch that has room for it.
pub fn rates(picture: &mut Picture, review: &Review, channel: &Channel, panel: &Panel) {
    for regime in review.regimes.iter().filter(|r| r.channel == channel.id) {
        let Doing::Running { rate_ml_h } = regime.doing else {
            continue;
        };
        let (left, right) = panel.stretch(regime.span.start_s, regime.span.end_s);
        let text = words::rate_bare(rate_ml_h);
        if Picture::text_width(&text, EM) + 8.0 < right - left {
            picture.text(
                (left + 4.0, panel.y.from_px - 5.0),
                EM,
                Anchor::Start,
                ink::TEXT,
                text,
            );
        }
    }
}

/// Thin dotted lines at interventions, so that their effect can be seen; none where they would fill the picture.
pub fn guides(picture: &mut Picture, record: &Record, channel: &Channel, panel: &Panel) {
    let concerns =
        |e: &&Event| rank(e.kind) <= 3 && e.channel.as_ref().is_none_or(|c| *c == channel.id);
    let times: Vec<f64> = record
        .events
        .iter()
        .filter(concerns)
        .map(|e| e.t_s)
        .collect();
    if MOST_GUIDES < times.len() {
        return;
    }
    let (_, top, _, bottom) = panel.bounds();
    for t_s in times
        .into_iter()
        .filter(|t| panel.x.low <= *t && *t <= panel.x.high)
    {
        let x = panel.x.px(t_s);
        picture.dashed(vec![(x, top), (x, bottom)], ink::QUIET, 1.0, (1.0, 3.0));
    }
}

/// Occlusion alarms: a dark triangle at the pressure of that moment.
pub fn alarms(
    picture: &mut Picture,
    record: &Record,
    review: &Review,
    channel: &Channel,
    panel: &Panel,
) {
    let mut times: Vec<f64> = record
        .events
        .iter()
        .filter(|e| e.kind == EventKind::OcclusionAlarm)
        .filter(|e| e.channel.as_ref().is_none_or(|c| *c == channel.id))
        .map(|e| e.t_s)
        .collect();
    let led_to = review
        .episodes
        .iter()
        .filter(|e| e.channels.contains(&channel.id))
        .filter_map(|e| e.alarm_s);
    for alarm_s in led_to {
        if times.iter().all(|t| 60.0 < (t - alarm_s).abs()) {
            times.push(alarm_s);
        }
    }
    let within = |t: &f64| panel.x.low <= *t && *t <= panel.x.high;
    for t_s in times.into_iter().filter(within) {
        let Some(pressure) = pressure_at(channel, t_s) else {
            continue;
        };
        let (x, y) = (panel.x.px(t_s), panel.y.px_within(pressure));
        let (_, top, _, _) = panel.bounds();
        let tip = y.max(top + 11.0);
        picture.area(
            vec![(x, tip), (x - 6.0, tip - 10.0), (x + 6.0, tip - 10.0)],
            ink::ALARM,
        );
    }
}

fn pressure_at(channel: &Channel, t_s: f64) -> Option<f64> {
    let s = &channel.samples;
    let after = s.t_s.partition_point(|&t| t <= t_s);
    let near = (after.saturating_sub(3)..after + 2)
        .filter_map(|i| s.pressure_mmhg.get(i))
        .copied();
    near.filter(|p| p.is_finite()).reduce(f64::max)
}

/// How much an event matters for its name to be shown where there is little room.
fn rank(kind: EventKind) -> u8 {
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

/// Ticks for all events and names for those that find room, the weightier first. Gives the lane's bottom.
pub fn event_lane(picture: &mut Picture, record: &Record, x: &Scale, top: f64) -> f64 {
    let mut events: Vec<&Event> = record
        .events
        .iter()
        .filter(|e| x.low <= e.t_s && e.t_s <= x.high)
        .collect();
    if events.is_empty() {
        return top;
    }
    let rows = if picture.is_narrow() { 3 } else { 2 };
    let (row, tick) = (14.0, 6.0);
    let bottom = top + rows as f64 * row + tick;
    events.sort_by(|a, b| {
        rank(a.kind)
            .cmp(&rank(b.kind))
            .then(a.t_s.total_cmp(&b.t_s))
    });
    let mut taken: Vec<Vec<(f64, f64)>> = vec![Vec::new(); rows];
    let mut last_px = Vec::new();
    for event in events {
        let at = x.px(event.t_s);
        // A thousand events on one pixel need one tick.
        let pixel = at.round() as i64;
        if !last_px.contains(&pixel) {
            last_px.push(pixel);
            picture.line(vec![(at, bottom - tick), (at, bottom)], ink::TEXT, 1.0);
        }
        let name = words::event_name(event);
        let width = Picture::text_width(&name, EM);
        let middle = picture.kept_on(at, width / 2.0);
        let (left, right) = (middle - width / 2.0 - 4.0, middle + width / 2.0 + 4.0);
        let free = taken
            .iter_mut()
            .enumerate()
            .rev()
            .find(|(_, spans)| spans.iter().all(|&(a, b)| right <= a || b <= left));
        if let Some((index, spans)) = free {
            spans.push((left, right));
            let y = top + (index + 1) as f64 * row - 3.0;
            picture.text((middle, y), EM, Anchor::Middle, ink::TEXT, name);
        }
    }
    bottom
}

/// What the marks mean; only those that this picture has. Gives its bottom.
pub fn legend(
    picture: &mut Picture,
    record: &Record,
    review: &Review,
    limit_shown: bool,
    top: f64,
) -> f64 {
    let mut entries: Vec<(Mark, String)> = vec![(Mark::Pressure, "pressure".into())];
    if limit_shown
        && record
            .channels
            .iter()
            .any(|c| c.samples.limit_mmhg.iter().any(|l| l.is_finite()))
    {
        entries.push((Mark::Limit, "pressure limit".into()));
    }
    if !review.episodes.is_empty() {
        entries.push((
            Mark::Episode,
            "episode, with the 90 % interval of its onset".into(),
        ));
    }
    if record
        .events
        .iter()
        .any(|e| e.kind == EventKind::OcclusionAlarm)
        || review.episodes.iter().any(|e| e.alarm_s.is_some())
    {
        entries.push((Mark::Alarm, "occlusion alarm".into()));
    }
    for doing in trace::kinds_of_standstill(review) {
        entries.push((Mark::Still(doing), words::doing(doing)));
    }
    let (mut x, mut y) = (4.0, top);
    for (mark, text) in entries {
        let width = 30.0 + Picture::text_width(&text, EM) + 16.0;
        if picture.width < x + width && 4.0 < x {
            x = 4.0;
            y += 18.0;
        }
        mark.draw(picture, (x, y - 9.0, x + 24.0, y + 3.0));
        picture.text((x + 30.0, y), EM, Anchor::Start, ink::TEXT, text);
        x += width;
    }
    y + 6.0
}

enum Mark {
    Pressure,
    Limit,
    Episode,
    Alarm,
    Still(Doing),
}

impl Mark {
    fn draw(&self, picture: &mut Picture, bounds: (f64, f64, f64, f64)) {
        let (left, top, right, bottom) = bounds;
        let middle = (top + bottom) / 2.0;
        match self {
            Mark::Pressure => {
                picture.line(vec![(left, middle), (right, middle)], ink::PRESSURE, 1.8)
            }
            Mark::Limit => picture.dashed(
                vec![(left, middle), (right, middle)],
                ink::ALARM,
                1.2,
                (6.0, 3.0),
            ),
            Mark::Episode => {
                picture.rect((left + 6.0, top, right, bottom), ink::EPISODE);
                picture.line(
                    vec![(left + 6.0, top), (left + 6.0, bottom)],
                    ink::EPISODE_EDGE,
                    1.6,
                );
                picture.line(
                    vec![(left, bottom - 2.5), (left + 12.0, bottom - 2.5)],
                    ink::EPISODE_EDGE,
                    1.2,
                );
            }
            Mark::Alarm => {
                let x = (left + right) / 2.0;
                picture.area(
                    vec![
                        (x, bottom),
                        (x - 6.0, bottom - 10.0),
                        (x + 6.0, bottom - 10.0),
                    ],
                    ink::ALARM,
                );
            }
            Mark::Still(doing) => {
                standstill(picture, bounds, *doing);
                picture.frame(bounds, ink::HATCH, 1.0);
            }
        }
    }
}
