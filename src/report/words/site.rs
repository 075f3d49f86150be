//! Names of sites, causes, courses and certainty.

use super::{clip_to, percent, pressure};
use crate::infer::{Cause, Confidence, Course, Episode, PauseCause, Site};
use crate::record::{Event, EventKind};

/// The site as a label of two or three words.
pub fn site_short(site: Site) -> &'static str {
    match site {
        Site::Supply => "Supply",
        Site::Tubing => "Tubing",
        Site::Filter => "Filter",
        Site::Catheter => "Catheter",
        Site::Settings => "Limit too low",
        Site::None => "Nothing blocked",
    }
}

/// The site in a sentence.
pub fn site_name(site: Site) -> &'static str {
    match site {
        Site::Supply => "the supply above the pump",
        Site::Tubing => "one channel’s own tubing",
        Site::Filter => "the in-line filter",
        Site::Catheter => "the catheter or the line below the filter",
        Site::Settings => "a pressure limit set too low",
        Site::None => "movement, a change of height or an artefact",
    }
}

/// The cause in a sentence.
pub fn cause_name(cause: Cause) -> &'static str {
    match cause {
        Cause::SupplyStopped => "container empty, vent closed or clamp closed above the pump",
        Cause::TubingBlocked => "kink or closed clamp on one channel’s tubing",
        Cause::FilterLoading => "filter loading up with the volume that passes it",
        Cause::FilterSettling => "filter blocking at restarts, from what settled in pauses",
        Cause::FilterPrecipitate => "precipitate in the filter after a medication",
        Cause::CatheterNarrowing => "catheter narrowing with time",
        Cause::CatheterBlocked => "clamp closed or kink below the filter",
        Cause::CatheterPositional => "catheter that opens and closes with movement",
        Cause::LimitTooLow => "pressure limit too low for rate, fluid and catheter",
        Cause::HeightChange => "pump or patient raised or lowered",
        Cause::Artefact => "cough, crying, knock or sensor artefact",
    }
}

/// The course, in a word or two.
pub fn course_name(course: Course) -> &'static str {
    match course {
        Course::Gradual => "gradual",
        Course::Step => "sudden, within a minute or two",
        Course::Intermittent => "intermittent",
    }
}

/// `high certainty`.
pub fn certainty(confidence: Confidence) -> &'static str {
    match confidence {
        Confidence::High => "high certainty",
        Confidence::Moderate => "moderate certainty",
        Confidence::Low => "low certainty",
    }
}

/// An episode's name in a picture: `Episode 1: filter 93 %`.
pub fn episode_label(e: &Episode) -> String {
    match e.suggested {
        Some(site) => {
            let p = e.sites.get(site.index()).copied().unwrap_or(0.0);
            format!(
                "Episode {}: {} {}",
                e.id,
                site_short(site).to_lowercase(),
                percent(p)
            )
        }
        None => format!("Episode {}: site undetermined", e.id),
    }
}

/// An event in two or three words; for an unknown one the log's own.
pub fn event_name(event: &Event) -> String {
    match event.kind {
        EventKind::Unknown => clip_to(&event.word, 24),
        EventKind::OcclusionAlarm => "occlusion alarm".into(),
        EventKind::Alarm => "other alarm".into(),
        EventKind::LimitChange => match event.detail.trim().parse::<f64>() {
            Ok(limit) if limit.is_finite() => format!("limit to {}", pressure(limit)),
            _ => "limit change".into(),
        },
        kind => kind.word().replace('_', " "),
    }
}

/// Why a channel stood still.
pub fn pause_cause(cause: PauseCause) -> &'static str {
    match cause {
        PauseCause::Manual => "paused by hand",
        PauseCause::Alarm => "stopped by an alarm",
        PauseCause::Unknown => "stopped, reason not recorded",
    }
}

/// `a`, `a and b`, `a, b and c`.
pub fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}
