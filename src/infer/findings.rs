//! Why an episode is told as it is: each piece of evidence that was weighed, with what it says.
//!
//! In: a case and its judgement. Out: [`Evidence`], the most telling first. What a piece says is its own change of the sites' log odds;
//! which words go with it follows from the explanation that is most probable.

use super::alarms;
use super::evidence::{Evidence, Finding};
use super::figures;
use super::judge::{Case, Judgement, Weighed};
use super::review::{Cause, Course, Site};
use super::score::Piece;
use crate::stats::robust;

/// A piece that moves the odds of no site by more than this, natural log, says nothing.
const LEAST_LOG_ODDS: f64 = 0.2;
/// Channels that fell by less than this did not fall, mmHg.
const LEAST_FALL_MMHG: f64 = 0.5;

/// All pieces of evidence, the most telling first.
pub fn evidence(case: &Case, judgement: &Judgement) -> Vec<Evidence> {
    let clues = judgement.clues.iter().enumerate();
    let clues = clues.map(|(i, clue)| (Piece::Clue(i), clue.finding.clone()));
    let readings = [
        (Piece::Course, of_course(case, judgement)),
        (Piece::AtRest, at_rest(case, judgement)),
        (Piece::OtherChannels, of_others(case, judgement)),
        (Piece::Alarm, of_alarm(case, judgement)),
    ];
    let readings = readings
        .into_iter()
        .filter_map(|(piece, finding)| Some((piece, finding?)));
    let mut list: Vec<Evidence> = clues
        .chain(readings)
        .map(|(piece, finding)| Evidence {
            finding,
            log_odds: judgement.scores.change(piece),
        })
        .filter(|e| LEAST_LOG_ODDS <= e.strength())
        .collect();
    list.sort_by(|a, b| b.strength().total_cmp(&a.strength()));
    list
}

/// What the course of the pressure of the channel that moved most shows.
fn of_course(case: &Case, judgement: &Judgement) -> Option<Finding> {
    let best = judgement.weighed.first()?;
    let change = judgement.scores.change(Piece::Course);
    let apart = change[Site::Filter.index()] - change[Site::Catheter.index()];
    Some(match best.fitted.cause {
        Cause::SupplyStopped => fell(case, best),
        Cause::LimitTooLow => resistance_unchanged(case, judgement)?,
        Cause::HeightChange => Finding::ShiftedAlike {
            by_mmhg: figures::shift(&best.fitted)?.1,
        },
        Cause::Artefact => Finding::Brief {
            seconds: case.excursion.bouts.iter().map(|b| b.1 - b.0).sum(),
        },
        Cause::CatheterPositional => {
            let often = |f: &Finding| matches!(f, Finding::CameAndWent { .. });
            if judgement.clues.iter().any(|c| often(&c.finding)) {
                return Some(Finding::CameAtOnce);
            }
            Finding::CameAndWent {
                times: case.excursion.bouts.len() as u32,
            }
        }
        Cause::TubingBlocked | Cause::CatheterBlocked => Finding::CameAtOnce,
        _ if LEAST_LOG_ODDS <= apart => Finding::GrewWithVolume,
        _ if apart <= -LEAST_LOG_ODDS => Finding::GrewWithTime,
        _ => Finding::CameSlowly { hours: hours(case) },
    })
}

/// Hours from the beginning of an excursion to its alarm, or to its height.
fn hours(case: &Case) -> f64 {
    let over_s = case.alarm_s.or(case.excursion.end_s);
    (over_s.unwrap_or(case.record.end_s()) - case.excursion.start_s) / 3600.0
}

/// What the pressure of the channel that moved most shows while the line stood still.
fn at_rest(case: &Case, judgement: &Judgement) -> Option<Finding> {
    let best = judgement.weighed.first()?;
    let stops = judgement.window.stops(None);
    let pauses = stops
        .iter()
        .filter(|s| case.excursion.start_s <= s.end_s)
        .count() as u32;
    match best.fitted.cause {
        _ if pauses == 0 => None,
        Cause::FilterSettling => Some(Finding::JumpedAfterPauses { pauses }),
        Cause::FilterLoading | Cause::FilterPrecipitate => {
            Some(Finding::StoodStillInPauses { pauses })
        }
        cause if cause.course() == Course::Gradual => Some(Finding::GrewInPauses { pauses }),
        Cause::HeightChange | Cause::Artefact | Cause::LimitTooLow => {
            Some(Finding::OpenAtRest { pauses })
        }
        _ => Some(Finding::HeldAtRest { pauses }),
    }
}

/// What the other channels show.
fn of_others(case: &Case, judgement: &Judgement) -> Option<Finding> {
    let n = case.record.channels.len();
    let best = judgement.weighed.first()?;
    if n == 1 {
        return None;
    }
    let Some(own) = best.fitted.channel else {
        return Some(Finding::AllChannelsTogether { channels: n as u32 });
    };
    let channel = case.record.channels[own].id.clone();
    if best.fitted.cause == Cause::SupplyStopped {
        return Some(Finding::OneChannelFell { channel });
    }
    let fall_mmhg = fall_of_others(case, own);
    if LEAST_FALL_MMHG < fall_mmhg {
        Some(Finding::OthersFell { channel, fall_mmhg })
    } else {
        Some(Finding::OneChannelAlone { channel })
    }
}

/// What the alarm says: how near the pressure that each explanation expects comes to the limit.
fn of_alarm(case: &Case, judgement: &Judgement) -> Option<Finding> {
    case.alarm_s?;
    let best = judgement.weighed.first()?;
    let rang_by_chance = matches!(best.fitted.cause, Cause::SupplyStopped | Cause::Artefact);
    (!rang_by_chance).then_some(Finding::ReachedLimit)
}

fn fall_of_others(case: &Case, climbing: usize) -> f64 {
    let blocks = case.tracker.blocks.iter();
    let mut falls: Vec<f64> = blocks
        .filter(|b| case.excursion.start_s <= b.t_s && b.t_s <= case.excursion.seen_s + 600.0)
        .filter(|b| b.channel != climbing && b.settled)
        .map(|b| -b.deviation_mmhg)
        .collect();
    robust::median(&mut falls).unwrap_or(0.0)
}

fn fell(case: &Case, w: &Weighed) -> Finding {
    let c = w.fitted.channel.unwrap_or(0);
    let level = |from_s: f64, to_s: f64| {
        let own = case.tracker.blocks.iter().filter(|b| b.channel == c);
        let mut p: Vec<f64> = own
            .filter(|b| from_s <= b.t_s && b.t_s <= to_s)
            .map(|b| b.pressure_mmhg)
            .collect();
        robust::median(&mut p)
    };
    let start_s = case.excursion.start_s;
    let over_s = case.excursion.bouts.last().map_or(start_s, |b| b.1);
    let from_mmhg = level(start_s - 1800.0, start_s - 30.0).unwrap_or(f64::NAN);
    // Half of what lasts: the fall itself is over by then.
    let to_mmhg = level(0.5 * (start_s + over_s.min(start_s + 1800.0)), over_s);
    Finding::FellWhileRunning {
        channel: case.record.channels[c].id.clone(),
        from_mmhg,
        to_mmhg: to_mmhg.unwrap_or(from_mmhg),
    }
}

/// Working pressure and limit at the alarm.
fn resistance_unchanged(case: &Case, judgement: &Judgement) -> Option<Finding> {
    let alarm_s = case.alarm_s?;
    let w = judgement.best_of(Site::Settings)?;
    let c = case.excursion.up.iter().position(|&u| u)?;
    let limit_mmhg = alarms::limit_mmhg(case.record, c, alarm_s)?;
    let predicted = judgement.window.seen.iter().zip(&w.fitted.predicted);
    let expected_mmhg = predicted
        .filter(|(seen, _)| seen.channel == c)
        .map(|(_, p)| *p)
        .fold(f64::NEG_INFINITY, f64::max);
    Some(Finding::ResistanceUnchanged {
        expected_mmhg,
        limit_mmhg,
    })
}
