//! When an episode began and ended and what it led to, told as its verdict calls for: each in the past, as precisely as it is known.

use super::number::{duration, pressure};
use super::{moment, moment_near, time_of_day};
use crate::infer::{Course, Episode, Finding, Site};
use crate::record::{Event, EventKind, Record};
use crate::time::Clock;
use crate::units::Estimate;

/// An onset known less closely than this is told by its interval alone, seconds.
const KNOWN_TO_HOURS_S: f64 = 7200.0;
/// From this width on the interval is told beside the moment, seconds.
const KNOWN_TO_MINUTES_S: f64 = 60.0;
/// How long after its end an interrupted supply may have waited for the restart, seconds.
const RESTART_WITHIN_S: f64 = 3600.0;

/// The sentences after the verdict.
pub fn when(record: &Record, e: &Episode) -> String {
    let sentences = match e.suggested {
        Some(Site::Settings) => limit(record, e),
        Some(Site::Supply) => supply(record, e),
        Some(Site::None) => nothing_blocked(record, e),
        _ => obstruction(record, e),
    };
    sentences.join(" ")
}

fn obstruction(record: &Record, e: &Episode) -> Vec<String> {
    let clock = &record.clock;
    let onset = onset(clock, e.onset_s);
    let mut said = vec![match e.course {
        Course::Step => format!("The change was sudden, {onset}."),
        Course::Gradual => format!("Pressure rose gradually; the rise began {onset}."),
        Course::Intermittent => format!("The obstruction came and went, first {onset}."),
    }];
    said.extend(e.alarm_s.map(|alarm_s| led_to(clock, e.onset_s, alarm_s)));
    said.push(match e.end_s {
        Some(end_s) => format!("It cleared at {}.", near(clock, e, end_s)),
        None => "The record ends before it cleared.".into(),
    });
    said
}

/// The alarm that an obstruction led to, with the time between as precise as the onset is known.
fn led_to(clock: &Clock, onset: Estimate, alarm_s: f64) -> String {
    let at = moment_near(clock, alarm_s, onset.value);
    let (apart, known_to) = (alarm_s - onset.value, onset.high - onset.low);
    if apart < 0.0 {
        // A limit near the working pressure is reached before the resistance stands at 1.5 times its baseline.
        return format!("An occlusion alarm had sounded before, at {at}.");
    }
    if KNOWN_TO_HOURS_S <= known_to || apart < known_to {
        return format!("It led to an occlusion alarm at {at}.");
    }
    let unit = if known_to < KNOWN_TO_MINUTES_S {
        1.0
    } else {
        60.0
    };
    let rounded = (apart / unit).round() * unit;
    format!(
        "It led to an occlusion alarm at {at}, {} later.",
        duration(rounded)
    )
}

fn limit(record: &Record, e: &Episode) -> Vec<String> {
    let clock = &record.clock;
    let raised = e.evidence.iter().find_map(|ev| match ev.finding {
        Finding::LimitRaised { from_mmhg, to_mmhg } => Some((from_mmhg, to_mmhg)),
        _ => None,
    });
    let first_s = e.alarm_s.unwrap_or(e.onset_s.value);
    let raised_at =
        raised.and_then(|_| event(record, e, EventKind::LimitChange, (first_s, f64::INFINITY)));
    let until_s = raised_at.map_or(f64::INFINITY, |change| change.t_s);
    let mut said = vec![match e.alarm_s {
        Some(alarm_s) => format!(
            "The pressure reached the limit, and an occlusion alarm sounded at {}.",
            moment(clock, alarm_s)
        ),
        None => format!(
            "The pressure reached the limit {}.",
            onset(clock, e.onset_s)
        ),
    }];
    let later: Vec<&Event> = events(
        record,
        e,
        EventKind::OcclusionAlarm,
        (first_s + 30.0, until_s),
    )
    .collect();
    match later.as_slice() {
        [] => {}
        [one] => said.push(format!(
            "A second occlusion alarm followed at {}.",
            near(clock, e, one.t_s)
        )),
        [.., last] => said.push(format!(
            "{} more occlusion alarms followed, the last at {}.",
            later.len(),
            near(clock, e, last.t_s)
        )),
    }
    if let Some((from, to)) = raised {
        let at = raised_at.map_or(String::new(), |change| {
            format!(" at {}", near(clock, e, change.t_s))
        });
        let quiet = raised_at.is_some()
            && event(
                record,
                e,
                EventKind::OcclusionAlarm,
                (until_s, f64::INFINITY),
            )
            .is_none();
        let after = if quiet {
            "; no occlusion alarm followed"
        } else {
            ""
        };
        said.push(format!(
            "The limit was raised{at}, from {} to {}{after}.",
            pressure(from),
            pressure(to)
        ));
    }
    said
}

fn supply(record: &Record, e: &Episode) -> Vec<String> {
    let clock = &record.clock;
    let mut said = vec![format!(
        "Fluid stopped reaching the pump {}.",
        onset(clock, e.onset_s)
    )];
    let alarm_s = e.alarm_s.or_else(|| {
        let until_s = e.end_s.unwrap_or(f64::INFINITY);
        event(record, e, EventKind::Alarm, (e.onset_s.low, until_s)).map(|alarm| alarm.t_s)
    });
    said.extend(alarm_s.map(|t| format!("The pump alarmed at {}.", near(clock, e, t))));
    let restart = e.end_s.and_then(|end_s| {
        event(
            record,
            e,
            EventKind::Resume,
            (end_s, end_s + RESTART_WITHIN_S),
        )
    });
    said.push(match (restart, e.end_s) {
        (Some(resume), _) => format!(
            "The infusion was resumed at {}.",
            near(clock, e, resume.t_s)
        ),
        (None, Some(end_s)) => format!("This lasted until {}.", near(clock, e, end_s)),
        (None, None) => "The record ends before the supply was restored.".into(),
    });
    said
}

fn nothing_blocked(record: &Record, e: &Episode) -> Vec<String> {
    let clock = &record.clock;
    let mut said = vec![format!("The pressure changed {}.", onset(clock, e.onset_s))];
    said.extend(
        e.alarm_s
            .map(|t| format!("An occlusion alarm sounded at {}.", near(clock, e, t))),
    );
    said.push(match e.end_s {
        Some(end_s) => format!("This lasted until {}.", near(clock, e, end_s)),
        None => "This lasted to the end of the record.".into(),
    });
    said
}

/// `at 14:02 on 4 March 2031`, with its interval where that is wide; `some time between …` where only that is known.
fn onset(clock: &Clock, onset: Estimate) -> String {
    let width = onset.high - onset.low;
    if KNOWN_TO_HOURS_S <= width {
        let low = match moment_near(clock, onset.low, onset.high)
            == time_of_day(clock, onset.low, false)
        {
            true => time_of_day(clock, onset.low, false),
            false => moment(clock, onset.low),
        };
        return format!("some time between {low} and {}", moment(clock, onset.high));
    }
    let at = moment(clock, onset.value);
    if width < KNOWN_TO_MINUTES_S {
        return format!("at {at}");
    }
    let (low, high) = (
        moment_near(clock, onset.low, onset.value),
        moment_near(clock, onset.high, onset.value),
    );
    format!("at about {at} (90 % interval {low} to {high})")
}

/// A later moment, with its day where that is not the onset's.
fn near(clock: &Clock, e: &Episode, t_s: f64) -> String {
    moment_near(clock, t_s, e.onset_s.high)
}

/// Events of a kind on the episode's channels or the whole line, within a stretch of time.
fn events<'a>(
    record: &'a Record,
    e: &'a Episode,
    kind: EventKind,
    (from_s, to_s): (f64, f64),
) -> impl Iterator<Item = &'a Event> {
    let own = |event: &Event| {
        event
            .channel
            .as_ref()
            .is_none_or(|c| e.channels.contains(c))
    };
    record.events.iter().filter(move |event| {
        event.kind == kind && own(event) && from_s <= event.t_s && event.t_s <= to_s
    })
}

fn event<'a>(
    record: &'a Record,
    e: &'a Episode,
    kind: EventKind,
    within: (f64, f64),
) -> Option<&'a Event> {
    events(record, e, kind, within).min_by(|a, b| a.t_s.total_cmp(&b.t_s))
}
