//! The survey as plain text for a terminal: the answer first, readable at 80 columns.

use super::words;
use crate::infer::Site;
use crate::report::text::Page;
use crate::report::words::{bare, clip, count, significant};
use crate::study::{Rate, Survey};
use crate::units::Estimate;

/// Most groups listed; the page and the JSON have all.
const MOST_GROUPS: usize = 12;

/// The summary. Lines are at most `width` columns (at least 40); `bold` adds the terminal's bold type.
pub fn survey_text(survey: &Survey, width: usize, bold: bool) -> String {
    let mut page = Page::new(width, bold);
    page.strong("", &headline(survey));
    page.line("", &pauses(survey));
    page.section(
        "Episodes per 1,000 h, by site (exact 95 % interval)",
        all_rates(survey).map(rate_line),
    );
    let filter_groups = survey
        .rates
        .iter()
        .filter(|r| r.site == Some(Site::Filter) && !r.group.is_all());
    let listed: Vec<&Rate> = filter_groups
        .filter(|r| r.group.values.iter().all(|v| v.0 != "line"))
        .collect();
    page.section(
        "Filter onsets per 1,000 filter hours, by group",
        listed
            .iter()
            .take(MOST_GROUPS)
            .map(|r| format!("{}: {}", clip(&words::group(&r.group)), rate(r))),
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

/// The rows of all infusions.
fn all_rates(survey: &Survey) -> impl Iterator<Item = &Rate> {
    survey.rates.iter().filter(|r| r.group.is_all())
}

/// What a nurse would be told: how many, how often, how long filters last.
pub(super) fn headline(survey: &Survey) -> String {
    let filter = all_rates(survey).find(|r| r.site == Some(Site::Filter));
    let how_often = match filter.and_then(|r| r.per_1000_h.map(|e| (r.episodes, e))) {
        Some((n, e)) => format!(
            "{} in {} filter hours: {} per 1,000 h (95 % interval {} to {}).",
            count(n, "first filter onset", "first filter onsets"),
            significant(survey.at_risk.hours(), 4),
            bare(e.value),
            bare(e.low),
            bare(e.high)
        ),
        None => "No filter was at risk.".into(),
    };
    format!(
        "{}, {} h. {how_often}",
        count(survey.infusions as u64, "infusion", "infusions"),
        significant(survey.hours, 4)
    )
}

/// The effect of pauses in a sentence or two.
pub(super) fn pauses(survey: &Survey) -> String {
    let Some(effect) = survey.effects.first() else {
        return String::new();
    };
    match &effect.ratio {
        Ok(r) => {
            let e = r.ratio;
            let reading = if 1.0 < e.low {
                "Filters with more pauses in the last 6 h had onsets more often"
            } else if e.high < 1.0 {
                "Filters with more pauses in the last 6 h had onsets less often"
            } else {
                "The data do not show whether pauses go with more onsets or fewer"
            };
            format!(
                "{reading}: hazard ratio {} for each pause, {}, from {}. An association, not a cause.",
                interval(e),
                p_value(r.p),
                count(effect.events as u64, "onset", "onsets")
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

fn rate_line(r: &Rate) -> String {
    format!("{}: {}", words::site_word(r.site), rate(r))
}

/// `7.4 (5.0 to 10.5); 31 in 4210 h`.
fn rate(r: &Rate) -> String {
    let seen = format!("{} in {} h", r.episodes, significant(r.hours, 4));
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
