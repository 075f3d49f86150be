//! The answer first: what a review found, in a sentence with its certainty.

use super::number::{count, percent, volume, with_interval};
use super::past_verdicts::{BY_CERTAINTY, BY_SITE, RECORDS};
use super::when::when;
use super::{
    between, cause_name, certainty, clip, episode_label, given_up, list, moment, not_judged,
    site_short,
};
use crate::infer::{Cause, Course, Episode, Review, Site};
use crate::record::Record;

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
            "No sign of obstruction in this {} record.",
            length(judged_to_s - record.start_s())
        ),
        [one] => verdict(record, one).what,
        many => {
            let first = leading(review).map_or(String::new(), |e| {
                format!(
                    " The clearest is episode {}: {}",
                    e.id,
                    lower(&verdict(record, e).what)
                )
            });
            format!(
                "{} were found.{first}",
                count(many.len() as u64, "episode", "episodes")
            )
        }
    }
}

/// `18-hour`, `45-minute`, `3-day`: a length of time before a noun.
fn length(seconds: f64) -> String {
    let (n, unit) = match seconds {
        s if s < 5400.0 => (s / 60.0, "minute"),
        s if s < 72.0 * 3600.0 => (s / 3600.0, "hour"),
        s => (s / 86_400.0, "day"),
    };
    format!("{n:.0}-{unit}")
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

/// Which episode leads the report: one that alarmed before one that did not, then by certainty of an obstruction,
/// with a site before one without.
fn rank(e: &Episode) -> f64 {
    let obstructed: f64 = Site::ALL
        .iter()
        .zip(e.sites)
        .filter(|(site, _)| site.is_obstruction())
        .map(|(_, p)| p)
        .sum();
    let told = if e.suggested.is_some() { 1.0 } else { 0.5 };
    told * obstructed + if e.alarm_s.is_some() { 1.0 } else { 0.0 }
}

fn lower(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map_or(String::new(), |c| c.to_lowercase().chain(chars).collect())
}

/// One episode in words.
pub fn verdict(record: &Record, e: &Episode) -> Verdict {
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
            "Flow was obstructed, but the record does not show where: {}.",
            list(&leading_sites(e))
        ),
    };
    let when = when(record, e);
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
            format!("the tubing{of} was kinked or clamped, between pump and Y-site")
        }
        (Site::Tubing, _) => format!("the tubing{of} was obstructed, between pump and Y-site"),
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

/// How often verdicts of this kind and certainty were right where the truth is known; `None` for one that names no part.
pub fn track_record(e: &Episode) -> Option<String> {
    let site = e.suggested?;
    let (_, share, of) = BY_CERTAINTY
        .iter()
        .find(|(certain, ..)| *certain == e.confidence)?;
    let (right, asked) = BY_SITE.get(site.index())?;
    Some(format!(
        "On {} made records, {share} % of {of} verdicts with {} named the right part; {} was right in {right} of {asked} cases in which the record could tell.",
        count(u64::from(RECORDS), "", "").trim_end(),
        certainty(e.confidence),
        quoted_site(site),
    ))
}

fn quoted_site(site: Site) -> String {
    format!("“{}”", site_short(site).to_lowercase())
}

/// The bolus released at relief; `None` where nothing was obstructed below the pump.
pub fn release(e: &Episode) -> Option<String> {
    let obstructs =
        e.suggested.is_none_or(Site::is_obstruction) && e.suggested != Some(Site::Supply);
    match e.release_volume_ml {
        Some(held) => {
            let when = match e.end_s {
                Some(_) => "released when the obstruction cleared",
                None => "held behind the obstruction at the end of the record",
            };
            let volume = with_interval(held, volume, "95 %");
            Some(format!("Estimated bolus {when}: {volume}."))
        }
        None if obstructs => {
            Some("The bolus behind the obstruction cannot be estimated from this record.".into())
        }
        None => None,
    }
}
