//! One episode as the page shows it.

use super::{Figure, figure};
use crate::infer::{Check, Episode, Evidence, Review, Site};
use crate::record::Record;
use crate::report::{draw, words};

/// Evidence from this strength on stands beside the checks it speaks for (see [`words::weight`]).
const WORTH_A_CHECK: u8 = 1;

/// One episode.
pub struct EpisodeView {
    pub id: u32,
    pub what: String,
    /// When and why; `None` for the episode that leads the page, whose times stand at the top.
    pub when: Option<String>,
    pub cause: Option<String>,
    pub facts: Vec<(&'static str, String)>,
    pub line: Option<Figure>,
    pub sites: Vec<SiteRow>,
    pub causes: Vec<(String, String)>,
    pub evidence: Vec<EvidenceRow>,
    pub checks: Vec<CheckRow>,
    pub cannot_tell: Vec<&'static str>,
    pub fits: Option<Figure>,
    pub residuals: Option<Figure>,
}

/// The probability of one site.
pub struct SiteRow {
    pub name: &'static str,
    pub means: &'static str,
    pub percent: String,
    /// Width of the bar, in per cent with one decimal.
    pub bar: String,
    pub suggested: bool,
}

/// One piece of evidence.
pub struct EvidenceRow {
    pub says: String,
    pub weight: String,
    pub odds: String,
    /// Said beside what speaks against the verdict.
    pub answer: Option<String>,
    /// `+++`, `−−`: how strongly it speaks for or against the verdict.
    pub signs: String,
    pub page: words::ManualPage,
}

/// One thing to look at.
pub struct CheckRow {
    /// Names its box among all of the page: letters, digits and `-`.
    pub name: String,
    /// Names the kind of check, for the list on paper.
    pub word: &'static str,
    pub what: &'static str,
    pub reason: &'static str,
    pub part: Option<String>,
    pub suspected: bool,
    pub evidence: Vec<String>,
}

impl EpisodeView {
    pub fn new(record: &Record, review: &Review, e: &Episode) -> Self {
        let verdict = words::verdict(record, e);
        let leads = words::leading(review).is_some_and(|l| l.id == e.id);
        let line = |width| Some(draw::line_map(record, e, width));
        let fits = |width| draw::fits(record, e, width);
        let residuals = |width| draw::residuals(record, e, width);
        Self {
            id: e.id,
            what: verdict.what,
            when: (!leads).then_some(verdict.when),
            cause: words::likely_cause(e).filter(|_| !leads),
            facts: words::episode_facts(record, e),
            // The episode that leads the page is drawn at its top.
            line: if leads {
                None
            } else {
                figure(&format!("line-{}", e.id), &words::line_title(e), line)
            },
            sites: Site::ALL
                .iter()
                .zip(e.sites)
                .map(|(&site, p)| SiteRow::new(e, site, p))
                .collect(),
            causes: words::causes_by_probability(e),
            evidence: e
                .evidence
                .iter()
                .map(|ev| EvidenceRow::new(e, ev))
                .collect(),
            checks: checks(e),
            cannot_tell: words::not_told(e),
            fits: figure(&format!("fits-{}", e.id), words::FITS_TITLE, fits),
            residuals: figure(
                &format!("residuals-{}", e.id),
                words::RESIDUALS_TITLE,
                residuals,
            ),
        }
    }
}

impl SiteRow {
    fn new(e: &Episode, site: Site, p: f64) -> Self {
        Self {
            name: words::site_short(site),
            means: words::site_meaning(site),
            percent: words::percent(p),
            bar: format!("{:.1}", (100.0 * p).clamp(0.0, 100.0)),
            suggested: e.suggested == Some(site),
        }
    }
}

impl EvidenceRow {
    fn new(e: &Episode, evidence: &Evidence) -> Self {
        let weight = words::weight(evidence);
        Self {
            says: words::finding(evidence),
            weight: weight.words,
            signs: words::signs(e, evidence),
            answer: words::outweighed(e, evidence),
            odds: weight.odds,
            page: words::evidence_page(&evidence.finding),
        }
    }
}

impl CheckRow {
    fn new(e: &Episode, check: Check) -> Self {
        let site = site_of(check);
        let speaks = |ev: &&Evidence| {
            let spoken_for = site.is_some_and(|s| ev.toward().contains(&s));
            spoken_for && WORTH_A_CHECK <= words::weight(ev).strength
        };
        Self {
            name: format!("{}-{}", e.id, box_name(check)),
            word: box_name(check),
            what: words::check(check),
            reason: words::check_reason(check),
            part: site.map(|s| {
                let p = e.sites.get(s.index()).copied().unwrap_or(0.0);
                format!("{} {}", words::site_short(s), words::percent(p))
            }),
            suspected: site.is_some() && e.suggested == site,
            evidence: e
                .evidence
                .iter()
                .filter(speaks)
                .take(2)
                .map(words::finding)
                .collect(),
        }
    }
}

/// The checks as a page lists them; the evidence for a site stands beside the first check of it only.
pub fn checks(e: &Episode) -> Vec<CheckRow> {
    let mut rows: Vec<CheckRow> = Vec::new();
    for &check in &e.checks {
        let mut row = CheckRow::new(e, check);
        if row.part.is_some() && rows.iter().any(|other| other.part == row.part) {
            row.evidence.clear();
        }
        rows.push(row);
    }
    rows
}

/// The site that a check settles; `None` for one that looks for something else.
fn site_of(check: Check) -> Option<Site> {
    match check {
        Check::PressureLimit => Some(Site::Settings),
        Check::Supply => Some(Site::Supply),
        Check::ChannelTubing => Some(Site::Tubing),
        Check::TailClamps | Check::DressingAndPosition | Check::CatheterPatency => {
            Some(Site::Catheter)
        }
        Check::Filter => Some(Site::Filter),
        Check::PumpHeight => Some(Site::None),
        Check::SetInPump | Check::JoinAndMedication | Check::InsertionSite => None,
    }
}

/// A word for a check that never changes: ticks are kept under it.
fn box_name(check: Check) -> &'static str {
    match check {
        Check::PressureLimit => "limit",
        Check::Supply => "supply",
        Check::SetInPump => "set",
        Check::ChannelTubing => "tubing",
        Check::JoinAndMedication => "join",
        Check::PumpHeight => "height",
        Check::TailClamps => "tail",
        Check::DressingAndPosition => "dressing",
        Check::CatheterPatency => "catheter",
        Check::InsertionSite => "insertion",
        Check::Filter => "filter",
    }
}
