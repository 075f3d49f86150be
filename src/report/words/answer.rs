//! The answer first: what a review found, in a sentence with its certainty.

use super::number::{count, duration, percent};
use super::{between, certainty, clip, list, moment, pause_cause, site_short, time_of_day};
use crate::infer::{Course, Episode, PauseCause, Review, Site};
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
    match review.episodes.as_slice() {
        [] if review.channels.is_empty() => "Nothing could be reviewed.".into(),
        [] => format!(
            "No stretch of hindered flow was found in {} of record.",
            duration(record.end_s() - record.start_s())
        ),
        [one] => verdict(&record.clock, one).what,
        many => {
            let last = many.iter().max_by(|a, b| rank(a).total_cmp(&rank(b)));
            let first = last.map_or(String::new(), |e| {
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

/// Which episode leads the report: one that alarmed before one that did not, then by certainty of a hindered flow.
fn rank(e: &Episode) -> f64 {
    let hindered: f64 = Site::ALL
        .iter()
        .zip(e.sites)
        .filter(|(site, _)| site.is_obstruction())
        .map(|(_, p)| p)
        .sum();
    hindered + if e.alarm_s.is_some() { 1.0 } else { 0.0 }
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
        when += &format!(" (90 % interval {})", between(clock, onset.low, onset.high));
    }
    if let Some(alarm_s) = e.alarm_s {
        when += &format!(
            ", and led to an occlusion alarm at {}, {} later",
            moment(clock, alarm_s),
            duration(alarm_s - onset.value)
        );
    }
    when += ". ";
    when += &match e.end_s {
        Some(end_s) => format!("It was relieved at {}.", moment(clock, end_s)),
        None => "The record ends before it was relieved.".into(),
    };
    Verdict { what, when }
}

fn clause(site: Site, e: &Episode) -> String {
    let channels = list(
        &e.channels
            .iter()
            .map(|c| format!("“{}”", clip(c)))
            .collect::<Vec<_>>(),
    );
    let of = if e.channels.is_empty() {
        String::new()
    } else {
        format!(" of channel {channels}")
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

/// `channel “pn” paused by hand 14:20 to 14:50 on 4 March 2031` (used by the terminal summary).
pub fn pause_line(
    clock: &Clock,
    channel: &str,
    start_s: f64,
    end_s: f64,
    cause: PauseCause,
) -> String {
    format!(
        "{}: {} {} to {}",
        clip(channel),
        pause_cause(cause),
        time_of_day(clock, start_s, false),
        moment(clock, end_s)
    )
}
