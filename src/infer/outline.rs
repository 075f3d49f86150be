//! Turns a judgement into an episode: onset, course, verdict, evidence, what cannot be told.
//!
//! In: a [`Case`] and its [`Judgement`]. Out: an [`Episode`] without its number and checks.

use super::alarms;
use super::context::Clue;
use super::evidence::{Evidence, Finding};
use super::examine::best_cause;
use super::figures;
use super::judge::{Case, Judgement, Weighed};
use super::release;
use super::review::{CannotTell, Cause, Confidence, Course, Episode, FittedCurve, Site};
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
        evidence: evidence(case, judgement),
        checks: Vec::new(),
        cannot_tell: cannot_tell(case, judgement, told),
        release_volume_ml: release::volume(case, judgement, best),
        block_compliance_ul_per_mmhg: block_compliance(case, best),
        peak_mmhg: peak(case),
        curves: curves(case, judgement),
    }
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

/// Why: what was known beyond the pressure, and what the pressure itself says, strongest first.
fn evidence(case: &Case, judgement: &Judgement) -> Vec<Evidence> {
    let mut list: Vec<Evidence> = judgement
        .clues
        .iter()
        .map(
            |Clue {
                 finding,
                 toward,
                 log_factor,
                 ..
             }| Evidence {
                finding: finding.clone(),
                toward: *toward,
                log_odds: *log_factor,
            },
        )
        .collect();
    from_pressure(case, judgement, &mut list);
    list.retain(|e| 0.2 <= e.log_odds.abs());
    list.sort_by(|a, b| b.log_odds.abs().total_cmp(&a.log_odds.abs()));
    list
}

fn from_pressure(case: &Case, judgement: &Judgement, list: &mut Vec<Evidence>) {
    let is = |causes: &'static [Cause]| move |f: &super::causes::Fitted| causes.contains(&f.cause);
    let best = |causes: &'static [Cause]| judgement.best_log(is(causes));
    const VOLUME: &[Cause] = &[Cause::FilterLoading, Cause::FilterSettling];
    const TIME: &[Cause] = &[Cause::CatheterNarrowing];
    const SHARED_STEP: &[Cause] = &[Cause::CatheterBlocked, Cause::CatheterPositional];
    const AT_ONCE: &[Cause] = &[Cause::CatheterBlocked, Cause::TubingBlocked];
    const SHARED: &[Cause] = &[
        Cause::CatheterBlocked,
        Cause::CatheterPositional,
        Cause::FilterLoading,
        Cause::FilterSettling,
        Cause::FilterPrecipitate,
        Cause::CatheterNarrowing,
    ];
    const TUBING: &[Cause] = &[Cause::TubingBlocked];
    let (site, _) = judgement.best_site();
    let often = list
        .iter()
        .any(|e| matches!(e.finding, Finding::CameAndWent { .. }));
    let mut add = |finding: Finding, toward: Site, log_odds: f64| {
        list.push(Evidence {
            finding,
            toward,
            log_odds: log_odds.clamp(-12.0, 12.0),
        });
    };
    let slow = judgement.best_log(|f| f.cause.course() == Course::Gradual);
    let at_once = best(AT_ONCE)
        .into_iter()
        .chain(best(SHARED_STEP))
        .reduce(f64::max);
    let hours = (case
        .alarm_s
        .or(case.excursion.end_s)
        .unwrap_or(case.record.end_s())
        - case.excursion.start_s)
        / 3600.0;
    if let (Some(slow), Some(at_once)) = (slow, at_once) {
        if 0.5 < slow - at_once && matches!(site, Site::Filter | Site::Catheter) {
            add(Finding::CameSlowly { hours }, site, slow - at_once);
            if let (Some(volume), Some(time)) = (best(VOLUME), best(TIME)) {
                if 0.0 < volume - time {
                    add(Finding::GrewWithVolume, Site::Filter, volume - time);
                } else {
                    add(Finding::GrewWithTime, Site::Catheter, time - volume);
                }
            }
        } else if 0.5 < at_once - slow && matches!(site, Site::Tubing | Site::Catheter) {
            add(Finding::CameAtOnce, site, at_once - slow);
        }
    }
    let n = case.record.channels.len();
    if let (Some(one), Some(all)) = (best(TUBING), best(SHARED)) {
        let channel = judgement
            .weighed
            .iter()
            .find(|w| w.fitted.cause == Cause::TubingBlocked)
            .and_then(|w| w.fitted.channel)
            .map(|c| case.record.channels[c].id.clone());
        if 1 < n && one < all && matches!(site, Site::Filter | Site::Catheter) {
            add(
                Finding::AllChannelsTogether { channels: n as u32 },
                site,
                all - one,
            );
        } else if 1 < n
            && all < one
            && site == Site::Tubing
            && let Some(channel) = channel
        {
            let fall_mmhg = fall_of_others(case, &channel);
            if 0.5 < fall_mmhg {
                add(
                    Finding::OthersFell { channel, fall_mmhg },
                    Site::Tubing,
                    one - all,
                );
            } else {
                add(
                    Finding::OneChannelAlone { channel },
                    Site::Tubing,
                    one - all,
                );
            }
        }
    }
    match site {
        Site::Supply => {
            if let Some(w) = judgement.best_of(Site::Supply) {
                add(fell(case, w), Site::Supply, ahead(judgement, Site::Supply));
            }
        }
        Site::Settings => {
            if let Some((expected_mmhg, limit_mmhg)) = near_limit(case, judgement) {
                let finding = Finding::ResistanceUnchanged {
                    expected_mmhg,
                    limit_mmhg,
                };
                add(finding, Site::Settings, ahead(judgement, Site::Settings));
            }
        }
        Site::None => {
            let shift = judgement
                .best_of(Site::None)
                .and_then(|w| figures::shift(&w.fitted));
            if let Some((_, by_mmhg)) = shift {
                add(
                    Finding::ShiftedAlike { by_mmhg },
                    Site::None,
                    ahead(judgement, Site::None),
                );
            } else {
                let seconds = case.excursion.bouts.iter().map(|b| b.1 - b.0).sum();
                add(
                    Finding::Brief { seconds },
                    Site::None,
                    ahead(judgement, Site::None),
                );
            }
        }
        _ => {}
    }
    let times = case.excursion.bouts.len();
    if 2 <= times && site == Site::Catheter && !often {
        add(
            Finding::CameAndWent {
                times: times as u32,
            },
            Site::Catheter,
            ahead(judgement, site),
        );
    }
    if let Some(c) = block_compliance(case, judgement.best_of(site)) {
        add(Finding::RampCompliance { ul_per_mmhg: c }, site, 0.25);
    }
}

/// By how much the best explanation of a site is ahead of the best of any other, by its pressure alone.
fn ahead(judgement: &Judgement, site: Site) -> f64 {
    let own = judgement.best_log(|f| f.cause.site() == site);
    let other = judgement.best_log(|f| f.cause.site() != site);
    match (own, other) {
        (Some(own), Some(other)) => own - other,
        _ => 0.0,
    }
}

fn fall_of_others(case: &Case, climbing: &str) -> f64 {
    let mut falls: Vec<f64> = case
        .tracker
        .blocks
        .iter()
        .filter(|b| case.excursion.start_s <= b.t_s && b.t_s <= case.excursion.seen_s + 600.0)
        .filter(|b| case.record.channels[b.channel].id != climbing && b.settled)
        .map(|b| -b.deviation_mmhg)
        .collect();
    crate::stats::robust::median(&mut falls).unwrap_or(0.0)
}

fn fell(case: &Case, w: &Weighed) -> Finding {
    let c = w.fitted.channel.unwrap_or(0);
    let level = |from_s: f64, to_s: f64| {
        let mut p: Vec<f64> = case
            .tracker
            .blocks
            .iter()
            .filter(|b| b.channel == c && from_s <= b.t_s && b.t_s <= to_s)
            .map(|b| b.pressure_mmhg)
            .collect();
        crate::stats::robust::median(&mut p)
    };
    let start_s = case.excursion.start_s;
    let from_mmhg = level(start_s - 1800.0, start_s - 30.0).unwrap_or(f64::NAN);
    let to_mmhg = level(start_s + 30.0, start_s + 1800.0).unwrap_or(from_mmhg);
    Finding::FellWhileRunning {
        channel: case.record.channels[c].id.clone(),
        from_mmhg,
        to_mmhg,
    }
}

/// Working pressure and limit at the alarm.
fn near_limit(case: &Case, judgement: &Judgement) -> Option<(f64, f64)> {
    let alarm_s = case.alarm_s?;
    let w = judgement.best_of(Site::Settings)?;
    let c = case.excursion.up.iter().position(|&u| u)?;
    let limit = alarms::limit_mmhg(case.record, c, alarm_s)?;
    let expected = judgement
        .window
        .seen
        .iter()
        .zip(&w.fitted.predicted)
        .filter(|(seen, _)| seen.channel == c)
        .map(|(_, p)| *p)
        .fold(f64::NEG_INFINITY, f64::max);
    Some((expected, limit))
}
