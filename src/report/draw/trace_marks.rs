//! What is marked on the main picture: episodes, events, standstill, alarms, and the legend.

use super::axis::Scale;
use super::panel::Panel;
use super::picture::{Anchor, Moves, Picture};
use super::{event_lane, ink, trace};
use crate::infer::{Doing, PauseCause, Review};
use crate::record::{Channel, Event, EventKind, Record};
use crate::report::words;

const EM: f64 = 11.0;
/// So many labels for which only a closer look has room are kept for it, of each kind.
pub(super) const MOST_SPARE: usize = 300;
/// More interventions than this are not drawn through the panels.
const MOST_GUIDES: usize = 40;

/// Where the episodes' names stand.
pub struct Tabs {
    /// Left edge of each episode and the bottom of its tab.
    edges: Vec<(f64, f64)>,
    /// Where the lane of names ends.
    pub bottom: f64,
}

/// The episodes' names above the panels, each over a bar as long as its episode; rows are added where they would overlap.
pub fn episode_tabs(picture: &mut Picture, review: &Review, x: &Scale, top: f64) -> Tabs {
    let row = 24.0;
    let mut rows: Vec<f64> = Vec::new(); // where each row is free from
    let mut edges = Vec::new();
    for e in &review.episodes {
        let text = Picture::fitting(&words::episode_label(e), EM, picture.width / 1.2);
        let width = Picture::bold_width(&text, EM) + 10.0;
        let onset = x.px_within(e.onset_s.value);
        let end = x.px_within(e.end_s.unwrap_or(x.high)).max(onset + 1.5);
        let left = onset.min(picture.width - width - 1.0).max(0.0);
        let index = rows
            .iter()
            .position(|&free| free <= left)
            .unwrap_or(rows.len());
        if index == rows.len() {
            rows.push(0.0);
        }
        if let Some(free) = rows.get_mut(index) {
            *free = (left + width).max(end) + 4.0;
        }
        let y = top + index as f64 * row;
        let moves = Moves::Label {
            from: onset,
            to: end,
            left,
            width,
            fits: false,
            lane: y,
        };
        picture.moving(moves, true, |picture| {
            picture.rect((left, y, left + width, y + 16.0), ink::EPISODE);
            picture.frame((left, y, left + width, y + 16.0), ink::EPISODE_EDGE, 1.0);
            let at = (left + 5.0, y + 12.0);
            picture.bold(at, EM, Anchor::Start, ink::EPISODE_EDGE, text);
        });
        picture.moving(Moves::Stretch, true, |picture| {
            picture.rect((onset, y + 16.0, end, y + 20.0), ink::EPISODE_EDGE);
        });
        edges.push((onset, y + 20.0));
    }
    Tabs {
        edges,
        bottom: top + rows.len() as f64 * row,
    }
}

/// Thin lines from the names down through the panels.
pub fn tab_lines(picture: &mut Picture, tabs: &Tabs, panels_bottom: f64) {
    picture.moving(Moves::Stretch, true, |picture| {
        for &(x, y) in &tabs.edges {
            let line = vec![(x, y), (x, panels_bottom)];
            picture.dashed(line, ink::EPISODE_EDGE, 1.0, (1.5, 2.5));
        }
    });
}

/// The shade of the episodes that moved this channel, with hatched uncertainty of the onset.
pub fn shade_episodes(picture: &mut Picture, review: &Review, channel: &Channel, panel: &Panel) {
    let (_, top, _, bottom) = panel.bounds();
    for e in review
        .episodes
        .iter()
        .filter(|e| e.channels.contains(&channel.id))
    {
        picture.moving(Moves::Stretch, true, |picture| {
            let (left, right) = panel.stretch(e.onset_s.value, e.end_s.unwrap_or(panel.x.high));
            picture.rect((left, top, right, bottom), ink::EPISODE);
            if let Some(end_s) = e.end_s {
                let at = panel.x.px_within(end_s);
                picture.line(vec![(at, top), (at, bottom)], ink::EPISODE_EDGE, 1.0);
            }
            // The 90 % interval of the onset: a bracket along the bottom.
            let (low, high) = panel.stretch(e.onset_s.low, e.onset_s.high);
            if 4.0 < high - low {
                bracket(picture, (low, high), bottom - 5.0);
            }
            let at = panel.x.px_within(e.onset_s.value);
            picture.line(vec![(at, top), (at, bottom)], ink::EPISODE_EDGE, 1.6);
        });
    }
}

/// The interval of an onset.
fn bracket(picture: &mut Picture, (low, high): (f64, f64), y: f64) {
    picture.line(vec![(low, y), (high, y)], ink::EPISODE_EDGE, 1.2);
    for x in [low, high] {
        picture.line(vec![(x, y - 3.0), (x, y + 3.0)], ink::EPISODE_EDGE, 1.2);
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
            picture.moving(Moves::Stretch, true, |picture| {
                picture.rect(bounds, ink::PART);
                for x in [left, right] {
                    picture.dashed(vec![(x, top), (x, bottom)], ink::HATCH, 1.0, (2.0, 2.0));
                }
            });
        }
    }
}

/// The rate's value in each stretch that has room for it.
pub fn rates(picture: &mut Picture, review: &Review, channel: &Channel, panel: &Panel) {
    let mut spare = 0;
    for regime in review.regimes.iter().filter(|r| r.channel == channel.id) {
        let Doing::Running { rate_ml_h } = regime.doing else {
            continue;
        };
        let (left, right) = panel.stretch(regime.span.start_s, regime.span.end_s);
        let text = words::rate_bare(rate_ml_h);
        let width = Picture::text_width(&text, EM);
        let shown = width + 8.0 < right - left;
        spare += usize::from(!shown);
        if MOST_SPARE < spare && !shown {
            continue;
        }
        let at = (left + 4.0, panel.y.from_px - 5.0);
        let moves = Moves::Label {
            from: left,
            to: right,
            left: at.0,
            width,
            fits: true,
            lane: at.1,
        };
        picture.moving(moves, shown, |picture| {
            picture.text(at, EM, Anchor::Start, ink::TEXT, text);
        });
    }
}

/// Thin dotted lines at interventions, so that their effect can be seen; none where they would fill the picture.
pub fn guides(picture: &mut Picture, record: &Record, channel: &Channel, panel: &Panel) {
    let concerns = |e: &&Event| {
        event_lane::rank(e.kind) <= 3 && e.channel.as_ref().is_none_or(|c| *c == channel.id)
    };
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
    let within = |t: &f64| panel.x.low <= *t && *t <= panel.x.high;
    picture.moving(Moves::Stretch, true, |picture| {
        for t_s in times.into_iter().filter(within) {
            let x = panel.x.px(t_s);
            picture.dashed(vec![(x, top), (x, bottom)], ink::QUIET, 1.0, (1.0, 3.0));
        }
    });
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
        .filter_map(|e| e.alarm_s)
        .filter(|alarm_s| !is_logged(record, *alarm_s));
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
        picture.moving(Moves::Mark(x), true, |picture| {
            let corners = vec![(x, tip), (x - 6.0, tip - 10.0), (x + 6.0, tip - 10.0)];
            picture.area(corners, ink::ALARM);
        });
    }
}

/// Whether a channel, or the line, logged an occlusion alarm at about this time: then it is marked there alone.
fn is_logged(record: &Record, alarm_s: f64) -> bool {
    let mut alarms = record
        .events
        .iter()
        .filter(|e| e.kind == EventKind::OcclusionAlarm);
    alarms.any(|e| (e.t_s - alarm_s).abs() <= 60.0)
}

fn pressure_at(channel: &Channel, t_s: f64) -> Option<f64> {
    let s = &channel.samples;
    let after = s.t_s.partition_point(|&t| t <= t_s);
    let near = (after.saturating_sub(3)..after + 2)
        .filter_map(|i| s.pressure_mmhg.get(i))
        .copied();
    near.filter(|p| p.is_finite()).reduce(f64::max)
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
        if review.episodes.iter().any(|e| !e.curves.is_empty()) {
            let expected = "pressure that the best explanation expects";
            entries.push((Mark::Expected, expected.into()));
        }
        entries.push((Mark::Episode, "episode".into()));
        entries.push((Mark::Onset, "its onset lies in here (90 % interval)".into()));
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
        picture.still(|picture| mark.draw(picture, (x, y - 9.0, x + 24.0, y + 3.0)));
        picture.text((x + 30.0, y), EM, Anchor::Start, ink::TEXT, text);
        x += width;
    }
    y + 6.0
}

enum Mark {
    Pressure,
    Expected,
    Limit,
    Episode,
    Onset,
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
            Mark::Expected => picture.dashed(
                vec![(left, middle), (right, middle)],
                ink::BEST,
                trace::EXPECTED.0,
                trace::EXPECTED.1,
            ),
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
            }
            Mark::Onset => bracket(picture, (left, right), middle),
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
