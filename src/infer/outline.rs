//! Turns a judgement into an episode: onset, course, verdict, evidence, what cannot be told.
//!
//! In: a [`Case`] and its [`Judgement`]. Out: an [`Episode`] without its number and checks.

use super::figures;
use super::findings;
use super::judge::{Case, Judgement, Weighed};
use super::release;
use super::review::{CannotTell, Cause, Confidence, Episode, FittedCurve, Site};
use super::ways;
use crate::units::Estimate;

/// A site whose probability falls short of this is not suggested.
const LEAST_TO_SUGGEST: f64 = Confidence::MODERATE_FROM;

/// The episode that a judgement describes.
pub fn episode(case: &Case, judgement: &Judgement) -> Episode {
    let (site, p) = judgement.best_site();
    let told = LEAST_TO_SUGGEST <= p;
    let best = judgement.best_of(site);
    let cause = best.map_or_else(|| best_cause(&judgement.causes), |w| w.fitted.cause);
    let onset_s = ways::onset(case, judgement, site);
    let alarm_s = case.alarm_s;
    Episode {
        id: 0,
        channels: moved(case, best),
        at_channel: best
            .and_then(|w| w.fitted.channel)
            .map(|c| case.record.channels[c].id.clone()),
        onset_s,
        end_s: case.excursion.end_s,
        alarm_s,
        visible_from_s: case.excursion.seen_s,
        course: cause.course(),
        sites: judgement.sites,
        suggested: told.then_some(site),
        confidence: Confidence::of(p),
        causes: judgement.causes,
        unexplained: judgement.unexplained,
        evidence: findings::evidence(case, judgement),
        checks: Vec::new(),
        cannot_tell: cannot_tell(case, judgement, told),
        release_volume_ml: release::volume(case, judgement, best),
        block_compliance_ul_per_mmhg: block_compliance(case, best),
        peak_mmhg: peak(case),
        curves: curves(case, judgement),
    }
}

/// Which causes an episode's probabilities favour most, for those who want finer words than the site.
fn best_cause(causes: &[f64; 11]) -> Cause {
    let mut best = Cause::Artefact;
    for cause in Cause::ALL {
        if causes[best as usize] < causes[cause as usize] {
            best = cause;
        }
    }
    best
}

fn moved(case: &Case, best: Option<&Weighed>) -> Vec<String> {
    let excursion = case.excursion;
    let mut names: Vec<String> = case
        .record
        .channels
        .iter()
        .enumerate()
        .filter(|(c, _)| excursion.moved(*c))
        .map(|(_, channel)| channel.id.clone())
        .collect();
    if names.is_empty()
        && let Some(c) = best.and_then(|w| w.fitted.channel)
    {
        names.push(case.record.channels[c].id.clone());
    }
    names.sort();
    names
}

fn peak(case: &Case) -> f64 {
    let e = case.excursion;
    let until_s = e.end_s.unwrap_or(f64::INFINITY);
    let blocks = case
        .tracker
        .blocks
        .iter()
        .filter(|b| e.start_s - 60.0 <= b.t_s && b.t_s <= until_s && e.moved(b.channel));
    let by_blocks = blocks
        .map(|b| b.pressure_mmhg)
        .fold(f64::NEG_INFINITY, f64::max);
    // A ramp of seconds is over before a block is: the readings themselves.
    case.record
        .channels
        .iter()
        .enumerate()
        .filter(|(c, _)| e.moved(*c))
        .flat_map(|(_, channel)| {
            let s = &channel.samples;
            let from = s.t_s.partition_point(|&t| t < e.start_s);
            let to = s.t_s.partition_point(|&t| t <= until_s);
            s.pressure_mmhg[from..to.max(from)]
                .iter()
                .copied()
                .filter(|p| p.is_finite())
        })
        .fold(by_blocks, f64::max)
}

/// Compliance between the pump and a block that came at one go, µL/mmHg; `None` where the climb does not show it.
fn block_compliance(case: &Case, best: Option<&Weighed>) -> Option<Estimate> {
    let w = best?;
    let steps = matches!(
        w.fitted.cause,
        Cause::TubingBlocked | Cause::CatheterBlocked
    );
    let before = case
        .parts
        .own_ml_per_mmhg
        .iter()
        .map(|c| c.1)
        .fold(0.0, f64::max);
    let sd = (figures::WIDER * w.fitted.fit.sd(2)).hypot(0.05);
    (steps && sd < 0.7 * before).then(|| {
        let value = release::filled(case, w) * 1000.0;
        Estimate {
            value,
            low: value * (-1.96 * sd).exp(),
            high: value * (1.96 * sd).exp(),
        }
    })
}

/// The best explanation's expected pressure, and that of the best of another site.
fn curves(case: &Case, judgement: &Judgement) -> Vec<FittedCurve> {
    let Some(first) = judgement.weighed.first() else {
        return Vec::new();
    };
    let rival = judgement
        .weighed
        .iter()
        .find(|w| w.fitted.cause.site() != first.fitted.cause.site());
    let mut curves = Vec::new();
    for w in std::iter::once(first).chain(rival) {
        for (c, channel) in case.record.channels.iter().enumerate() {
            let points = judgement
                .window
                .seen
                .iter()
                .zip(&w.fitted.predicted)
                .filter(|(seen, _)| seen.channel == c)
                .map(|(seen, p)| {
                    (
                        judgement.window.knot_s[seen.knot],
                        p + case.tracker.offset_mmhg[c],
                    )
                })
                .collect();
            curves.push(FittedCurve {
                cause: w.fitted.cause,
                channel: channel.id.clone(),
                points,
            });
        }
    }
    curves
}

fn cannot_tell(case: &Case, judgement: &Judgement, told: bool) -> Vec<CannotTell> {
    let mut list = Vec::new();
    let p = |site: Site| judgement.sites[site.index()];
    if 0.5 <= judgement.unexplained {
        list.push(CannotTell::AnyCause);
    }
    if !told && 0.2 <= p(Site::Filter) && 0.2 <= p(Site::Catheter) {
        list.push(CannotTell::FilterFromCatheter);
    }
    if case.record.channels.len() == 1 && 0.1 <= p(Site::Tubing).min(p(Site::Catheter)) {
        list.push(CannotTell::TubingFromShared);
    }
    let ramp = case
        .tracker
        .blocks
        .iter()
        .filter(|b| {
            case.excursion.start_s <= b.t_s
                && b.t_s <= case.alarm_s.unwrap_or(f64::INFINITY)
                && case.excursion.up[b.channel]
        })
        .count();
    if case.alarm_s.is_some() && ramp < 3 {
        list.push(CannotTell::Distance);
    }
    if case.excursion.start_s - case.not_before_s < 1200.0 {
        list.push(CannotTell::Baseline);
    }
    list.push(CannotTell::Infiltration);
    list
}
