//! The answer first: what a review found, in a sentence with its certainty.

use super::number::{count, duration, percent, volume, with_interval};
use super::{
    between, cause_name, certainty, clip, episode_label, given_up, list, moment, moment_near,
    not_judged, site_short,
};
use crate::infer::{Cause, Course, Episode, Review, Site};
use crate::record::Record;
use crate::time::Clock;

/// One episode in words.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// Which part and how sure: `Most likely the in-line filter was blocking (93 %, high certainty).`
    pub what: String,
    /// When, and what it led to.
    pub when: String,
}

/// What was found in the whole record, in a sentence.
pub fn headline(record: &Record, review: &Review) -> String {
    let found = found(record, review);
    match review.not_judged.first() {
        None => found,
        Some(part) if part.span.start_s <= record.start_s() => {
            format!("The record was not judged: {}.", given_up(part.why))
        }
        Some(part) => format!("{found} {}", not_judged(&record.clock, part)),
    }
}

/// What was found in what was judged, in a sentence.
fn found(record: &Record, review: &Review) -> String {
    let judged_to_s = review
        .not_judged
        .first()
        .map_or(record.end_s(), |part| part.span.start_s);
    match review.episodes.as_slice() {
        [] if review.channels.is_empty() => "Nothing could be reviewed.".into(),
        [] => format!(
            "No stretch of hindered flow was found in {} of record.",
            duration(judged_to_s - record.start_s())
        ),
        [one] => verdict(&record.clock, one).what,
        many => {
            let first = leading(review).map_or(String::new(), |e| {
                format!(
                    " The most telling is episode {}: {}",
                    e.id,
                    lower(&verdict(&record.clock, e).what)
                )
            });
            format!(
                "{} were found.{first}",
                count(many.len() as u64, "episode", "episodes")
            )
        }
    }
}

/// The episode that leads the report.
pub fn leading(review: &Review) -> Option<&Episode> {
    // Of equals the first: `max_by` would take the last.
    review
        .episodes
        .iter()
        .rev()
        .max_by(|a, b| rank(a).total_cmp(&rank(b)))
}

/// Which episode leads the report: one that alarmed before one that did not, then by certainty of a hindered flow,
/// with a site before one without.
fn rank(e: &Episode) -> f64 {
    let hindered: f64 = Site::ALL
        .iter()
        .zip(e.sites)
        .filter(|(site, _)| site.is_obstruction())
        .map(|(_, p)| p)
        .sum();
    let told = if e.suggested.is_some() { 1.0 } else { 0.5 };
    told * hindered + if e.alarm_s.is_some() { 1.0 } else { 0.0 }
}

fn lower(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map_or(String::new(), |c| c.to_lowercase().chain(chars).collect())
}

/// One episode in words.
pub fn verdict(clock: &Clock, e: &Episode) -> Verdict {
    let what = match e.suggested {
        Some(site) => {
            let p = e.sites.get(site.index()).copied().unwrap_or(0.0);
            format!(
                "Most likely {} ({}, {}).",
                clause(site, e),
                percent(p),
                certainty(e.confidence)
            )
        }
        None => format!(
            "The flow was hindered, but the record cannot tell where: {}.",
            list(&leading_sites(e))
        ),
    };
    let onset = e.onset_s;
    let mut when = match e.course {
        Course::Step => format!("It came at once, at {}", moment(clock, onset.value)),
        Course::Gradual => format!("It began slowly, about {}", moment(clock, onset.value)),
        Course::Intermittent => {
            format!("It came and went, first at {}", moment(clock, onset.value))
        }
    };
    if 60.0 <= onset.high - onset.low {
        when += &format!(
            " (90 % interval {} to {})",
            moment_near(clock, onset.low, onset.value),
            moment_near(clock, onset.high, onset.value)
        );
    }
    if let Some(alarm_s) = e.alarm_s {
        let at = moment_near(clock, alarm_s, onset.value);
        let apart = duration((alarm_s - onset.value).abs());
        // A limit near the working pressure is reached before the resistance stands at 1.5 times its baseline.
        when += &if onset.value <= alarm_s {
            format!(", and led to an occlusion alarm at {at}, {apart} later")
        } else {
            format!("; an occlusion alarm had come at {at}, {apart} before")
        };
    }
    when += ". ";
    when += &match e.end_s {
        Some(end_s) => format!(
            "It was relieved at {}.",
            moment_near(clock, end_s, onset.value)
        ),
        None => "The record ends before it was relieved.".into(),
    };
    Verdict { what, when }
}

fn clause(site: Site, e: &Episode) -> String {
    let of = match &e.at_channel {
        Some(channel) => format!(" of channel “{}”", clip(channel)),
        None => String::new(),
    };
    match (site, e.course) {
        (Site::Supply, _) => format!("the supply{of} stopped above the pump"),
        (Site::Tubing, Course::Step) => {
            format!("the tubing{of} was kinked or clamped, between pump and join")
        }
        (Site::Tubing, _) => format!("the tubing{of} was hindered, between pump and join"),
        (Site::Filter, _) => "the in-line filter was blocking".into(),
        (Site::Catheter, Course::Step) => {
            "the line was blocked below the filter, or in the catheter".into()
        }
        (Site::Catheter, Course::Intermittent) => {
            "the catheter, or the line below the filter, closed and opened with movement".into()
        }
        (Site::Catheter, Course::Gradual) => {
            "the catheter, or the line below the filter, was narrowing".into()
        }
        (Site::Settings, _) => {
            "nothing was blocked: the pressure limit was too low for the rate".into()
        }
        (Site::None, _) => {
            "nothing was blocked: movement, a change of height or an artefact".into()
        }
    }
}

/// The sites that matter, the likeliest first: those within a factor of ten of the first, four at most.
fn leading_sites(e: &Episode) -> Vec<String> {
    let mut sites: Vec<(Site, f64)> = Site::ALL.iter().copied().zip(e.sites).collect();
    sites.sort_by(|a, b| b.1.total_cmp(&a.1));
    let top = sites.first().map_or(0.0, |s| s.1);
    sites
        .iter()
        .take(4)
        .filter(|(_, p)| top / 10.0 <= *p)
        .map(|(site, p)| format!("{} {}", lower(site_short(*site)), percent(*p)))
        .collect()
}

/// The likeliest cause within the likeliest site, where one stands out: `Likeliest cause: … (71 %).`
pub fn likely_cause(e: &Episode) -> Option<String> {
    let site = e.suggested?;
    let (cause, p) = Cause::ALL
        .iter()
        .copied()
        .zip(e.causes)
        .filter(|(cause, _)| cause.site() == site)
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let share = e.sites.get(site.index()).copied().unwrap_or(0.0);
    (share / 2.0 < p).then(|| format!("Likeliest cause: {} ({}).", cause_name(cause), percent(p)))
}

/// What the main picture shows, for those who do not see it.
pub fn trace_title(record: &Record, review: &Review) -> String {
    let names: Vec<String> = record.channels.iter().map(|c| clip(&c.id)).collect();
    let mut text = format!(
        "Pressure in mmHg and rate in mL/h of {} over time, {}.",
        list(&names),
        between(&record.clock, record.start_s(), record.end_s())
    );
    for e in &review.episodes {
        let end = e.end_s.map_or("the record’s end".to_string(), |t| {
            moment(&record.clock, t)
        });
        text += &format!(
            " {}, from {} to {end}.",
            episode_label(e),
            moment(&record.clock, e.onset_s.value)
        );
    }
    text
}

/// What is held under pressure and freed at relief.
pub fn release(e: &Episode) -> String {
    match e.release_volume_ml {
        Some(held) => format!(
            "Held under pressure and freed at relief: {}. Relieve it as local protocol says, so that it does not run into the patient at once.",
            with_interval(held, volume, "95 %")
        ),
        None => {
            "How much is held under pressure and freed at relief cannot be told from this record."
                .into()
        }
    }
}
