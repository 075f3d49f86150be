//! Sentences that only the page has: what a picture shows, facts of an episode and of the files.

use super::number::{bare, count, duration, percent, pressure};
use super::{
    between, cause_name, certainty, clip, course_name, list, moment, release, site_name,
    site_short, stretch, track_record,
};
use crate::infer::{Cause, Episode, Site};
use crate::record::Record;

/// In a table, where a figure would stand.
pub const CANNOT_BE_TOLD: &str = "cannot be told from this record";
/// In a table, for an event without a channel.
pub const WHOLE_LINE: &str = "whole line";
/// What the resistance picture shows, for those who do not see it.
pub const TRACK_TITLE: &str = "Resistance below each pump over time, in mmHg per mL/h, with its 95 % band, its baseline and the mark at 1.5 times the baseline.";
/// What the picture of the explanations shows.
pub const FITS_TITLE: &str = "Measured pressure of the episode in mmHg, with the pressure that the best and the second-best explanation expect.";
/// What the picture of the residuals shows.
pub const RESIDUALS_TITLE: &str =
    "Measured minus expected pressure of the episode in mmHg, by the best explanation.";

/// What the drawing of the line shows.
pub fn line_title(e: &Episode) -> String {
    let shares: Vec<String> = Site::ALL
        .iter()
        .zip(e.sites)
        .map(|(s, p)| format!("{} {}", site_short(*s), percent(p)))
        .collect();
    let marked = match e.suggested {
        Some(site) => format!("marked: {}", site_name(site)),
        None => "the possible stretches are marked".into(),
    };
    format!(
        "The line from the containers to the vein; {marked}. {}.",
        shares.join(", ")
    )
}

/// What the picture of pressure against flow shows.
pub fn slope_title(channel: &str) -> String {
    format!(
        "Settled pressure of channel {} in mmHg against the flow of all channels in mL/h. The slope of the line is the baseline resistance, its height at zero flow the outlet pressure.",
        clip(channel)
    )
}

/// What the site means.
pub fn site_meaning(site: Site) -> &'static str {
    match site {
        Site::Supply => "above the pump",
        Site::Tubing => "one channel’s own, from its pump to the join",
        Site::Filter => "the in-line filter",
        Site::Catheter => "below the filter: tail, hub, under the dressing, lumen or tip",
        Site::Settings => {
            "nothing is blocked: rate, fluid and catheter need more than the limit allows"
        }
        Site::None => "movement, change of height or artefact",
    }
}

/// Channels and time of the record, for the page's head.
pub fn record_line(record: &Record) -> String {
    let names: Vec<String> = record
        .channels
        .iter()
        .take(12)
        .map(|c| clip(&c.id))
        .collect();
    let more = record.channels.len().saturating_sub(names.len());
    let names = if more == 0 {
        list(&names)
    } else {
        format!("{} and {more} more", names.join(", "))
    };
    let infusion = record
        .infusion
        .as_ref()
        .map_or(String::new(), |i| format!("Infusion “{}”. ", clip(i)));
    format!(
        "{infusion}{}: {names}. {}, {}.",
        count(record.channels.len() as u64, "channel", "channels"),
        between(&record.clock, record.start_s(), record.end_s()),
        duration(record.end_s() - record.start_s())
    )
}

/// Said where there are more channels than a picture shows.
pub fn channels_left_out(channels: usize, shown: usize) -> Option<String> {
    (shown < channels).then(|| {
        format!("The pictures show {shown} of {channels} channels, those of the episodes first.")
    })
}

/// The causes from one per cent on, the likeliest first; last, that none of them explains the record.
pub fn causes_by_probability(e: &Episode) -> Vec<(String, String)> {
    let mut causes: Vec<(Cause, f64)> = Cause::ALL
        .iter()
        .copied()
        .zip(e.causes)
        .filter(|(_, p)| 0.01 <= *p)
        .collect();
    causes.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut rows: Vec<(String, String)> = causes
        .into_iter()
        .map(|(cause, p)| (cause_name(cause).to_string(), percent(p)))
        .collect();
    if 0.01 <= e.unexplained {
        rows.push((
            "none of the causes explains the record".into(),
            percent(e.unexplained),
        ));
    }
    rows
}

/// Facts of an episode, as name and value.
pub fn episode_facts(record: &Record, e: &Episode) -> Vec<(&'static str, String)> {
    let clock = &record.clock;
    let names: Vec<String> = e.channels.iter().map(|c| clip(c)).collect();
    let mut facts = vec![
        (
            "Channels moved",
            if names.is_empty() {
                "none".into()
            } else {
                list(&names)
            },
        ),
        ("Onset", course_name(e.course).to_string()),
        ("Certainty", certainty(e.confidence).to_string()),
        (
            "Visible in the record from",
            moment(clock, e.visible_from_s),
        ),
        ("Highest pressure", pressure(e.peak_mmhg)),
    ];
    if let Some(where_it_fits) = stretch(record, e) {
        facts.push(("Stretch of line that fits", where_it_fits));
    }
    facts.extend(release(e).map(|said| ("Bolus", said)));
    facts.extend(track_record(e).map(|said| ("How often such verdicts were right", said)));
    facts
}

/// How the reading of the files went, as name and value.
pub fn record_facts(record: &Record) -> Vec<(String, String)> {
    let intake = &record.intake;
    let mut facts = vec![
        (
            "Rows in the trace".to_string(),
            count(intake.rows, "row", "rows"),
        ),
        (
            "Rows not used".to_string(),
            count(intake.rows_rejected, "row", "rows"),
        ),
    ];
    if 0 < intake.repeats {
        facts.push((
            "Repeated rows".into(),
            format!(
                "{}; the last one counts",
                count(intake.repeats, "row", "rows")
            ),
        ));
    }
    if 0 < intake.out_of_order {
        facts.push((
            "Rows out of order, sorted in".into(),
            count(intake.out_of_order, "row", "rows"),
        ));
    }
    for c in record.channels.iter().take(24) {
        let every = match (c.on_change, c.period_s) {
            (true, _) => "written on change".to_string(),
            (false, Some(s)) => format!("every {}", seconds(s)),
            (false, None) => "a single sample".into(),
        };
        let gaps = if c.gaps.is_empty() {
            "no gap".into()
        } else {
            gaps(record, &c.gaps)
        };
        let samples = count(c.samples.len() as u64, "sample", "samples");
        facts.push((
            format!("Channel {}", clip(&c.id)),
            format!("{samples}, {every}, {gaps}"),
        ));
    }
    facts
}

fn seconds(s: f64) -> String {
    if s < 100.0 {
        format!("{} s", bare(s))
    } else {
        duration(s)
    }
}

/// The first gaps by their times, the rest by their number.
fn gaps(record: &Record, gaps: &[crate::time::Span]) -> String {
    let shown: Vec<String> = gaps
        .iter()
        .take(3)
        .map(|g| between(&record.clock, g.start_s, g.end_s))
        .collect();
    let more = gaps.len().saturating_sub(shown.len());
    let tail = if more == 0 {
        String::new()
    } else {
        format!(" and {more} more")
    };
    format!(
        "{}: {}{tail}",
        count(gaps.len() as u64, "gap", "gaps"),
        shown.join("; ")
    )
}
