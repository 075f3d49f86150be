//! Every sentence of the program's results, in English, in one place.
//!
//! In: findings, checks, notices, figures. Out: plain sentences with units and sensible digits, for a reader
//! without a glossary. Text that came from a log passes [`clip`] first; escaping for a page is the page's work.

/// Names for sentences that stand on a page as they are.
macro_rules! sentences {
    ($($name:ident = $text:literal;)*) => {
        $(#[doc = concat!("“", $text, "”")] pub const $name: &str = $text;)*
    };
}

mod answer;
mod checks;
mod evidence;
mod manual;
mod moment;
mod number;
mod page;
pub mod page_text;
pub mod past_verdicts;
mod record;
mod site;
mod stretch;
pub mod survey_page;
mod when;
pub mod workbench;

pub use answer::{
    Verdict, headline, leading, likely_cause, release, trace_title, track_record, verdict,
};
pub use checks::{check, check_reason, check_sentence};
pub use evidence::{Weight, finding, outweighed, signs, weight};
pub use manual::{ManualPage, cause_page, evidence_page, evidence_pages};
pub use moment::{
    Clockwork, between, date, day, moment, moment_near, month_short, offset, time_of_day, times_are,
};
pub use number::{
    bare, compliance, count, duration, percent, pressure, rate, rate_bare, resistance, significant,
    volume, with_interval,
};
pub use page::{
    CANNOT_BE_TOLD, FITS_TITLE, RESIDUALS_TITLE, TRACK_TITLE, WHOLE_LINE, causes_by_probability,
    channels_left_out, episode_facts, line_title, record_facts, record_line, site_meaning,
    slope_title,
};
pub use record::{
    CAUTIONS, NOTHING_FOUND, assumption, doing, given_up, not_judged, not_told, notice,
    rejected_title,
};
pub use site::{
    cause_name, certainty, course_name, episode_label, event_name, list, pause_cause, site_name,
    site_short,
};
pub use stretch::stretch;

/// Longest piece of a log's text that a report shows, in characters.
const LONGEST: usize = 48;

/// Text of a log made fit to be shown: at most 48 characters (then an ellipsis), and no character that steers a
/// terminal or turns the direction of writing.
pub fn clip(text: &str) -> String {
    clip_to(text, LONGEST)
}

/// A sentence with plain spaces where a page keeps figure and unit together: for terminals and files.
pub fn plain(text: &str) -> String {
    text.replace('\u{a0}', " ")
}

/// [`clip`] to another length, in characters, at least one.
pub fn clip_to(text: &str, longest: usize) -> String {
    let tame = |c: char| {
        let turns = matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
        if c == '\n' || c == '\t' || c == '\r' {
            ' '
        } else if c.is_control() || turns {
            '\u{fffd}'
        } else {
            c
        }
    };
    let mut shown: String = text.chars().take(longest).map(tame).collect();
    if text.chars().nth(longest).is_some() {
        shown.pop();
        shown.push('…');
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_names_are_cut_with_an_ellipsis_and_short_ones_stay() {
        assert_eq!(clip("pn"), "pn");
        let cut = clip(&"x".repeat(10_000));
        assert_eq!(cut.chars().count(), LONGEST);
        assert!(cut.ends_with('…'));
    }

    #[test]
    fn text_of_a_log_cannot_steer_the_terminal() {
        assert_eq!(
            clip("a\u{1b}[31mb\u{202e}c\nd"),
            "a\u{fffd}[31mb\u{fffd}c d"
        );
    }
}
