//! A review in short: what the list of past reviews and the comparison show.
//!
//! In: a record and its review. Out: [`Digest`], plain words and two pictures, kept in the store beside the report.

use crate::infer::{Review, Site};
use crate::record::Record;
use crate::report::{self, words};
use serde::{Deserialize, Serialize};

/// A review in short.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Digest {
    /// The answer, in a sentence with its certainty.
    pub headline: String,
    /// Channels and time.
    pub record_line: String,
    /// When it began and what it led to, and the likeliest cause.
    pub when: String,
    /// What to check first.
    pub first_check: String,
    /// Probability of each site in the leading episode, in the order of the line; empty without an episode.
    pub sites: Vec<Share>,
    /// Each episode in a sentence.
    pub episodes: Vec<String>,
    /// The line as each channel sees it: channel, resistance, outlet pressure, compliance.
    pub channels: Vec<[String; 4]>,
    /// How many pauses.
    pub pauses: String,
    /// What was assumed.
    pub assumptions: Vec<String>,
    /// The main picture.
    pub picture: String,
}

/// The probability of a site.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Share {
    /// The site.
    pub site: String,
    /// In words.
    pub percent: String,
    /// From 0 to 1.
    pub probability: f64,
    /// Whether it is the suggested one.
    pub suggested: bool,
}

impl Digest {
    /// Puts the review of record `id` in short.
    pub fn new(record: &Record, review: &Review, id: i64) -> Self {
        let lead = words::leading(review);
        let when = lead.map(|e| {
            let cause = words::likely_cause(e).map_or(String::new(), |c| format!(" {c}"));
            words::verdict(record, e).when + &cause
        });
        let checks = lead.and_then(|e| e.checks.first());
        Self {
            headline: words::headline(record, review),
            record_line: words::record_line(record),
            when: when.unwrap_or_default(),
            first_check: checks.map_or(String::new(), |&c| words::check(c).into()),
            sites: lead.map_or(Vec::new(), |e| {
                let pairs = Site::ALL.into_iter().zip(e.sites);
                pairs
                    .map(|(site, p)| Share {
                        site: words::site_short(site).into(),
                        percent: words::percent(p),
                        probability: p,
                        suggested: e.suggested == Some(site),
                    })
                    .collect()
            }),
            episodes: review
                .episodes
                .iter()
                .map(|e| {
                    let verdict = words::verdict(record, e);
                    format!("{} {}", verdict.what, verdict.when)
                })
                .collect(),
            channels: report::channel_figures(review),
            pauses: words::count(review.line_pauses.len() as u64, "pause", "pauses"),
            assumptions: review.assumptions.iter().map(words::assumption).collect(),
            picture: report::review_svg_narrow(record, review, &format!("record-{id}")),
        }
    }
}
