//! The report as one page: self-contained, readable without scripts and without a network.
//!
//! In: record, review and how the result came about. Out: HTML. The template escapes every text; only the pictures,
//! which escape their own, and the style sheet go in as they are.

mod episode;
mod explore;
mod pauses;
mod tables;

use super::words::page_text as t;
use super::{draw, words};
use crate::infer::Review;
use crate::record::Record;
use askama::Template;
use episode::{CheckRow, EpisodeView};
use pauses::PauseRow;
use tables::{ChannelRow, EventRow, Fact, RejectedView};

/// How a result came about: what a reader needs to get it again.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct About {
    /// The program's version.
    pub version: String,
    /// The day of the review, where the caller looked at a calendar.
    pub reviewed_on: Option<jiff::civil::Date>,
    /// The files that were read.
    pub inputs: Vec<Input>,
    /// Settings that differ from run to run, as `(name, value)`.
    pub settings: Vec<(String, String)>,
}

/// A file that was read.
#[derive(Debug, Clone, PartialEq)]
pub struct Input {
    /// What it is: `trace`, `events`, `line`.
    pub role: String,
    /// Its name, without its folder.
    pub name: String,
    /// SHA-256 of its bytes, in hexadecimal digits.
    pub sha256: String,
}

/// A picture for a desk and for a phone; the style sheet shows one of them.
pub(super) struct Figure {
    pub(super) wide: String,
    pub(super) narrow: String,
}

#[derive(Template)]
#[template(path = "page.html", config = "src/report/page/askama.toml")]
struct Page {
    style: String,
    headline: String,
    record_line: String,
    times: String,
    /// Names record, day and program at the foot of every printed sheet.
    foot: String,
    record_name: String,
    period: String,
    reviewed_on: Option<String>,
    nothing_found: Option<&'static str>,
    lead: Option<LeadView>,
    cautions: &'static [&'static str],
    trace: Figure,
    trace_note: Option<String>,
    /// The checks of the leading episode, for the first printed sheet.
    to_tick: Vec<CheckRow>,
    episodes: Vec<EpisodeView>,
    track: Option<Figure>,
    slopes: Vec<String>,
    pauses: Vec<PauseRow>,
    pauses_left: usize,
    channels: Vec<ChannelRow>,
    events: Vec<EventRow>,
    events_left: usize,
    events_given: bool,
    assumptions: Vec<String>,
    notices: Vec<String>,
    files: Vec<Fact>,
    rejected_title: Option<String>,
    rejected: Vec<RejectedView>,
    rejected_left: u64,
    causes: Vec<words::ManualPage>,
    about: About,
    explore: String,
    script: String,
    /// Names the record that was reviewed, so that a page finds its own ticks again.
    record_key: String,
}

/// The episode that the page opens with.
struct LeadView {
    id: u32,
    when: String,
    cause: Option<String>,
    track_record: Option<String>,
    first_check: Option<&'static str>,
    line: Figure,
    others: Vec<(u32, String)>,
}

/// The page, as one HTML document.
pub fn review_html(record: &Record, review: &Review, about: &About) -> String {
    let lead = words::leading(review).map(|e| LeadView {
        id: e.id,
        when: words::verdict(record, e).when,
        cause: words::likely_cause(e),
        track_record: words::track_record(e),
        first_check: e.checks.first().map(|&c| words::check(c)),
        line: figure("lead-line", &words::line_title(e), |width| {
            Some(draw::line_map(record, e, width))
        })
        .unwrap_or(EMPTY),
        others: review
            .episodes
            .iter()
            .filter(|other| other.id != e.id)
            .map(|other| (other.id, words::verdict(record, other).what))
            .collect(),
    });
    let trace_title = words::trace_title(record, review);
    let (pauses, pauses_left) = pauses::rows(record, review);
    let (events, events_left) = tables::events(record);
    let page = Page {
        style: style(),
        headline: words::headline(record, review),
        record_line: words::record_line(record),
        times: words::times_are(&record.clock, record.end_s()),
        foot: foot(record, about),
        record_name: record_name(record, about),
        period: words::between(&record.clock, record.start_s(), record.end_s()),
        reviewed_on: about.reviewed_on.map(words::date),
        nothing_found: (review.episodes.is_empty() && review.not_judged.is_empty())
            .then_some(words::NOTHING_FOUND),
        lead,
        cautions: &words::CAUTIONS,
        trace: figure("trace", &trace_title, |width| {
            Some(draw::trace(record, review, width))
        })
        .unwrap_or(EMPTY),
        trace_note: words::channels_left_out(record.channels.len(), draw::SHOWN_CHANNELS),
        to_tick: words::leading(review).map_or_else(Vec::new, episode::checks),
        episodes: review
            .episodes
            .iter()
            .map(|e| EpisodeView::new(record, review, e))
            .collect(),
        track: figure("track", words::TRACK_TITLE, |width| {
            draw::track(record, review, width)
        }),
        slopes: slopes(record, review),
        pauses,
        pauses_left,
        channels: review.channels.iter().map(ChannelRow::new).collect(),
        events,
        events_left,
        events_given: record.events_given,
        assumptions: review.assumptions.iter().map(words::assumption).collect(),
        notices: record.intake.notices.iter().map(words::notice).collect(),
        files: tables::facts(record),
        rejected_title: (0 < record.intake.rows_rejected)
            .then(|| words::rejected_title(record.intake.rows_rejected, record.intake.rows)),
        rejected: record
            .intake
            .rejected
            .iter()
            .take(tables::REJECTED_SHOWN)
            .map(RejectedView::new)
            .collect(),
        rejected_left: record
            .intake
            .rows_rejected
            .saturating_sub(tables::REJECTED_SHOWN as u64),
        causes: crate::infer::Cause::ALL
            .iter()
            .map(|&c| words::cause_page(c))
            .collect(),
        about: about.clone(),
        explore: explore::data(record, review),
        script: script(),
        record_key: record_key(about),
    };
    // Writing into a string cannot fail.
    page.render().unwrap_or_default()
}

/// The one style element's text.
pub fn style() -> String {
    format!("\n{STYLE}\n")
}

/// The look that every page of the program has, on a screen and on paper.
pub const STYLE: &str = concat!(include_str!("page.css"), include_str!("print.css"));

/// The one script element's text: the closer look, the ticks.
pub fn script() -> String {
    let (explore, ticks) = (include_str!("explore.js"), include_str!("ticks.js"));
    format!("\n{explore}\n{ticks}\n")
}

/// A kept page as the workbench shows it: with its navigation, with the boxes ticked that were ticked, and saying
/// where further ticks are to be sent. `navigation` is HTML. Text of a log stands escaped in a page, so that the places
/// that are sought here are the template's own.
pub fn in_workbench(page: &str, navigation: &str, ticks_to: &str, ticked: &[String]) -> String {
    let body = format!("<body data-ticks=\"{ticks_to}\">");
    let page = with_navigation(page, navigation).replacen("<body>", &body, 1);
    ticked.iter().fold(page, |page, name| {
        let is_plain = name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-');
        match is_plain {
            true => page.replacen(
                &format!("data-box=\"{name}\">"),
                &format!("data-box=\"{name}\" checked>"),
                1,
            ),
            false => page,
        }
    })
}

/// A kept page, of a review or a survey, with navigation above its head.
pub fn with_navigation(page: &str, navigation: &str) -> String {
    page.replacen("<header>", &format!("{navigation}\n<header>"), 1)
}

/// The rows of the page's table of channels.
pub fn channel_figures(review: &Review) -> Vec<[String; 4]> {
    let rows = review.channels.iter().map(ChannelRow::new);
    rows.map(|c| [c.id, c.resistance, c.outlet, c.compliance])
        .collect()
}

/// What the record is called: its infusion, else its trace's file.
fn record_name(record: &Record, about: &About) -> String {
    let trace = about.inputs.first().map(|i| &i.name);
    let name = record.infusion.as_ref().or(trace);
    name.map_or_else(|| words::page_text::RECORD.to_string(), |n| words::clip(n))
}

/// The line at the foot of every printed sheet.
fn foot(record: &Record, about: &About) -> String {
    let mut parts = vec![record_name(record, about)];
    parts.extend(about.reviewed_on.map(words::date));
    parts.push(format!("{} {}", words::page_text::NAME, about.version));
    parts.join(" · ")
}

/// The digests of the files that were read.
fn record_key(about: &About) -> String {
    let digests: Vec<&str> = about.inputs.iter().map(|i| i.sha256.as_str()).collect();
    digests.join("-")
}

const EMPTY: Figure = Figure {
    wide: String::new(),
    narrow: String::new(),
};

/// Draws a picture at both widths. `id` begins the names that must be unique on the page.
pub(super) fn figure(
    id: &str,
    title: &str,
    at: impl Fn(f64) -> Option<draw::Picture>,
) -> Option<Figure> {
    let svg = |width, suffix| Some(draw::svg(&at(width)?, &format!("{id}-{suffix}"), title));
    Some(Figure {
        wide: svg(draw::WIDE, "wide")?,
        narrow: svg(draw::NARROW, "narrow")?,
    })
}

fn slopes(record: &Record, review: &Review) -> Vec<String> {
    let drawn = record
        .channels
        .iter()
        .take(draw::SHOWN_CHANNELS)
        .enumerate();
    drawn
        .filter_map(|(i, channel)| {
            let picture = draw::slope(record, review, channel)?;
            Some(draw::svg(
                &picture,
                &format!("slope-{i}"),
                &words::slope_title(&channel.id),
            ))
        })
        .collect()
}
