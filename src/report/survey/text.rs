//! The survey as plain text for a terminal: the answer first, readable at 80 columns.

use super::words;
use crate::infer::Site;
use crate::report::text::Page;
use crate::report::words::{bare, clip, count, significant};
use crate::study::{ExpectedRate, Rate, Survey};
use crate::units::Estimate;

/// Most groups listed; the page and the JSON have all.
const MOST_GROUPS: usize = 12;

/// The summary. Lines are at most `width` columns (at least 40); `bold` adds the terminal's bold type.
pub fn survey_text(survey: &Survey, width: usize, bold: bool) -> String {
    let mut page = Page::new(width, bold);
    page.strong("", &headline(survey));
    page.line("", &pauses(survey));
    page.section(
        "Episodes per 1,000 h, by site (95 % interval, sites' uncertainty included)",
        pairs(survey)
            .filter(|(r, _)| r.group.is_all())
            .map(rate_line),
    );
    let filter_groups =
        pairs(survey).filter(|(r, _)| r.site == Some(Site::Filter) && !r.group.is_all());
    let listed: Vec<(&Rate, &ExpectedRate)> = filter_groups
        .filter(|(r, _)| r.group.values.iter().all(|v| v.0 != "line"))
        .collect();
    page.section(
        "Filter onsets per 1,000 filter hours, by group",
        listed
            .iter()
            .take(MOST_GROUPS)
            .map(|(r, e)| format!("{}: {}", clip(&words::group(&r.group)), rate(e, r.episodes))),
    );
    if MOST_GROUPS < listed.len() {
        page.line("  - ", &format!("and {} more", listed.len() - MOST_GROUPS));
    }
    page.section(
        "What the undetermined leave open",
        std::iter::once(words::undetermined(&survey.undetermined)),
    );
    page.section("Taken for granted", words::assumptions(survey).into_iter());
    page.section("Keep in mind", words::CAUTIONS.iter().map(|&c| c.into()));
    page.text
}

/// Each rate by verdicts with the one in which sites are missing data.
fn pairs(survey: &Survey) -> impl Iterator<Item = (&Rate, &ExpectedRate)> {
    survey.rates.iter().zip(&survey.expected.rates)
}

/// The rows of all infusions.
fn all_rates(survey: &Survey) -> impl Iterator<Item = &Rate> {
    survey.rates.iter().filter(|r| r.group.is_all())
}

/// What a nurse would be told: how many, how often, how long filters last.
pub(super) fn headline(survey: &Survey) -> String {
    let reviewed = all_rates(survey).find(|r| r.site == Some(Site::Filter));
    let expected = survey.expected.rates.iter();
    let filter = expected
        .clone()
        .find(|r| r.group.is_all() && r.site == Some(Site::Filter));
    let how_often = match filter.and_then(|r| r.per_1000_h.map(|e| (r, e))) {
        Some((r, e)) => format!(
            "About {} first filter onsets in {} filter hours: {} per 1,000 h (95 % interval {} to {}). {} determined as the \
             filter’s by the reviews.",
            significant(r.episodes, 3),
            significant(r.hours, 4),
            bare(e.value),
            bare(e.low),
            bare(e.high),
            was(reviewed.map_or(0, |r| r.episodes)),
        ),
        None => "No filter was at risk.".into(),
    };
    format!(
        "{}, {} h. {how_often}",
        count(survey.infusions as u64, "infusion", "infusions"),
        significant(survey.hours, 4)
    )
}

fn was(onsets: u64) -> String {
    match onsets {
        1 => "1 was".into(),
        n => format!("{n} were"),
    }
}

/// By so many hours pauses must lie before an episode showed, for a ratio to be more than staff's answer to rising pressure. A choice, no
/// source: most rises take a few hours.
const ANSWER_H: f64 = 2.0;

/// The effect of pauses in a sentence or two.
pub(super) fn pauses(survey: &Survey) -> String {
    let Some(effect) = survey.expected.headline() else {
        return String::new();
    };
    match &effect.ratio {
        Ok(r) => {
            let e = r.ratio;
            let earlier = survey.expected.before_visible(ANSWER_H);
            let earlier = earlier.and_then(|e| e.ratio.as_ref().ok()).map(|r| r.ratio);
            let reading = if 1.0 < e.low && earlier.is_some_and(|e| 1.0 < e.low) {
                "Filters with more pauses in the 6 h before had onsets more often"
            } else if e.high < 1.0 && earlier.is_some_and(|e| e.high < 1.0) {
                "Filters with more pauses in the 6 h before had onsets less often"
            } else if 1.0 < e.low || e.high < 1.0 {
                "Pauses and onsets go together, but not pauses that lay 2 h or more before the episode was visible: staff may have paused \
                 because pressure was rising. This does not show an effect of pauses"
            } else {
                "The data do not show whether pauses go with more onsets or fewer"
            };
            format!(
                "{reading}: hazard ratio {} for each pause before the episode was visible, {}, from about {} onsets. An association, \
                 not a cause.",
                interval(e),
                p_value(r.p),
                significant(effect.events, 3)
            )
        }
        Err(why) => format!(
            "The effect of pauses could not be estimated. {}",
            words::no_fit(*why)
        ),
    }
}

/// `1.42 (1.10 to 1.83)`.
pub(super) fn interval(e: Estimate) -> String {
    format!("{} ({} to {})", ratio(e.value), ratio(e.low), ratio(e.high))
}

fn ratio(x: f64) -> String {
    if x < 100.0 {
        significant(x, 3)
    } else {
        bare(x)
    }
}

/// Two significant digits, and no more zeros than anyone reads.
pub(super) fn p_value(p: f64) -> String {
    if p < 0.0001 {
        "p < 0.0001".into()
    } else {
        format!("p = {}", significant(p, 2))
    }
}

/// The row with the sites' uncertainty; undetermined episodes are counted.
fn rate_line((r, expected): (&Rate, &ExpectedRate)) -> String {
    let name = words::site_word(r.site);
    match r.site {
        Some(_) => format!("{name}: {}", rate(expected, r.episodes)),
        None => format!("{name}: {} of these episodes", r.episodes),
    }
}

/// `7.4 (5.0 to 10.5); 31.2 in 4210 h, 24 determined`.
fn rate(r: &ExpectedRate, determined: u64) -> String {
    let seen = format!(
        "{} in {} h, {determined} determined",
        significant(r.episodes, 3),
        significant(r.hours, 4)
    );
    match r.per_1000_h {
        Some(e) => format!(
            "{} ({} to {}); {seen}",
            bare(e.value),
            bare(e.low),
            bare(e.high)
        ),
        None => format!("no time at risk; {seen}"),
    }
}
