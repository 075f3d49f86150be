//! Turns a judgement into an episode: onset, course, verdict, evidence, what cannot be told.
//!
//! In: a [`Case`] and its [`Judgement`]. Out: an [`Episode`] without its number and checks.

use super::alarms;
use super::bouts;
use super::context::Clue;
use super::evidence::{Evidence, Finding};
use super::examine::best_cause;
use super::figures;
use super::judge::{Case, Judgement, Weighed};
use super::onset;
use super::release;
use super::review::{CannotTell, Cause, Confidence, Course, Episode, FittedCurve, Site};
use crate::time::Span;
use crate::units::Estimate;

/// A site whose probability falls short of this is not suggested.
const LEAST_TO_SUGGEST: f64 = Confidence::MODERATE_FROM;

/// A reading is that of some seconds, which tells where an edge stands in the trace: a sensor smooths, and a clock is right to a
/// second or two (common practice, no source).
const READING_S: f64 = 5.0;

/// What began in another way than the chosen explanation says has a part in the onset from this share of its probability on.
const RIVAL_SHARE: f64 = 0.3;
/// An onset is right where it is off by no more than this, or by two readings, seconds.
const NEAR_S: f64 = 60.0;

/// The episode that a judgement describes.
pub fn episode(case: &Case, judgement: &Judgement) -> Episode {
    let (site, p) = judgement.best_site();
    let told = LEAST_TO_SUGGEST <= p;
    let best = judgement.best_of(site);
    let cause = best.map_or_else(|| best_cause(&judgement.causes), |w| w.fitted.cause);
    let onset_s = onset(case, judgement, site);
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
        course: course(cause),
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

fn course(cause: Cause) -> Course {
    match cause {
        Cause::FilterLoading
        | Cause::FilterSettling
        | Cause::FilterPrecipitate
        | Cause::CatheterNarrowing => Course::Gradual,
        Cause::CatheterPositional => Course::Intermittent,
        _ => Course::Step,
    }
}

/// The onset with its 90 % interval. What came at one go began at a moment, what grows passes a level, and where the evidence does
/// not decide between them, neither does the onset: the draws of each count by its probability.
fn onset(case: &Case, judgement: &Judgement, site: Site) -> Estimate {
    let chosen = judgement.best_of(site);
    // What comes and goes began with the first time that it came.
    let from_first = bouts::from_first(case);
    let excursion = match chosen.map(|w| w.fitted.cause) {
        Some(Cause::CatheterPositional) => &from_first,
        _ => case.excursion,
    };
    let case = &Case { excursion, ..*case };
    let ways = ways(case, judgement, chosen);
    let period_s = case.least_period_s();
    let start_s = case.record.start_s();
    let latest_s = case
        .excursion
        .seen_s
        .max(case.alarm_s.unwrap_or(f64::NEG_INFINITY));
    // What was relieved had begun, whether or not it had come to its level: growth that an alarm stopped short of it would reach
    // it only later.
    let ends_s = case.excursion.end_s.unwrap_or(f64::INFINITY);
    let last_s = case.record.end_s().min(ends_s).max(start_s);
    let place = |t: f64| t.clamp(start_s, last_s);
    let Some((middle_s, way)) = likeliest(&ways, period_s) else {
        let value = place(case.excursion.start_s);
        return Estimate {
            value,
            low: place(value - 300.0 - 0.5 * period_s),
            high: place(latest_s).max(value),
        };
    };
    // Between two samples nothing is known.
    let half_s = 0.5 * period_s + if way.looked { READING_S } else { 0.0 };
    let value = place(middle_s);
    let least_s = if way.stop.is_some_and(|s| s.end_s == middle_s) {
        onset::HANDLED_S.max(half_s)
    } else {
        0.0
    };
    let draws = together(&ways);
    let (low, high) = (quantile(&draws, 0.05), quantile(&draws, 0.95));
    Estimate {
        value,
        low: place(low.unwrap_or(middle_s) - half_s).min(value),
        high: place((high.unwrap_or(middle_s) + half_s).max(value + least_s)).max(value),
    }
}

/// One way in which it may have begun.
struct Way {
    /// Draws of the onset, seconds, each with its weight, in order of time.
    draws: Vec<(f64, f64)>,
    /// The stop within which any of them counts as the restart: what came while the pump rested hinders the flow from then on.
    stop: Option<Span>,
    /// Whether they come from a second look.
    looked: bool,
}

impl Way {
    /// From when on it hinders the flow, if it came at a moment, seconds.
    fn hinders_s(&self, t_s: f64) -> f64 {
        let resting = self.stop.filter(|s| s.start_s < t_s && t_s < s.end_s);
        resting.map_or(t_s, |s| s.end_s)
    }
}

/// The ways in which it may have begun: that of the chosen explanation, and where something hinders the flow, those of the
/// others that are about as likely.
fn ways(case: &Case, judgement: &Judgement, chosen: Option<&Weighed>) -> Vec<Way> {
    let Some(chosen) = chosen else {
        return Vec::new();
    };
    let weight = |course: Course| -> f64 {
        let such = judgement
            .weighed
            .iter()
            .filter(|w| began(w) == Some(course));
        such.map(|w| w.probability).sum()
    };
    let Some(first) = began(chosen) else {
        return way(case, judgement, chosen, 1.0).into_iter().collect();
    };
    let others = [Course::Step, Course::Gradual]
        .into_iter()
        .filter(|c| *c != first && RIVAL_SHARE * weight(first) < weight(*c))
        .filter_map(|c| judgement.weighed.iter().find(|w| began(w) == Some(c)));
    std::iter::once(chosen)
        .chain(others)
        .filter_map(|w| way(case, judgement, w, began(w).map_or(1.0, weight)))
        .collect()
}

/// How an explanation begins: at one go or by growing; `None` of what hinders nothing, and of a supply, whose fall nothing else
/// explains.
fn began(w: &Weighed) -> Option<Course> {
    match w.fitted.cause {
        Cause::TubingBlocked | Cause::CatheterBlocked | Cause::CatheterPositional => {
            Some(Course::Step)
        }
        cause if course(cause) == Course::Gradual => Some(Course::Gradual),
        _ => None,
    }
}

/// The way of an explanation, with the weight of all that begin like it: of a cause that came at one go by a second look, else
/// the draws of all explanations of its cause, weighted by probability.
fn way(case: &Case, judgement: &Judgement, of: &Weighed, weight: f64) -> Option<Way> {
    let looked = onset::look(case, judgement, of);
    let mut way = match looked {
        Some((draws, stop)) => Way {
            draws: draws.into_iter().map(|t| (t, 1.0)).collect(),
            stop,
            looked: true,
        },
        None => Way {
            draws: weighted_draws(judgement, of),
            stop: None,
            looked: false,
        },
    };
    let total: f64 = way.draws.iter().map(|d| d.1).sum();
    way.draws.iter_mut().for_each(|d| d.1 *= weight / total);
    (0.0 < total).then_some(way)
}

/// All draws of several ways, in order of time.
fn together(ways: &[Way]) -> Vec<(f64, f64)> {
    let mut draws: Vec<(f64, f64)> = ways.iter().flat_map(|w| w.draws.iter().copied()).collect();
    draws.sort_by(|a, b| a.0.total_cmp(&b.0));
    draws
}

/// The quantile of weighted draws in order of time, seconds.
fn quantile(draws: &[(f64, f64)], q: f64) -> Option<f64> {
    let total: f64 = draws.iter().map(|d| d.1).sum();
    let mut sum = 0.0;
    let found = draws.iter().find(|d| {
        sum += d.1;
        q * total <= sum
    });
    found.map(|d| d.0)
}

/// The middle of that way whose surroundings hold most of all draws, seconds: it is right within a minute or two readings most
/// probably.
fn likeliest(ways: &[Way], period_s: f64) -> Option<(f64, &Way)> {
    let near_s = NEAR_S.max(2.0 * period_s);
    let mut best: Option<(f64, f64, &Way)> = None;
    for way in ways {
        let Some(middle_s) = quantile(&way.draws, 0.5).map(|t| way.hinders_s(t)) else {
            continue;
        };
        let near = |w: &Way| -> f64 {
            let draws = w.draws.iter();
            let near = draws.filter(|d| (w.hinders_s(d.0) - middle_s).abs() <= near_s);
            near.map(|d| d.1).sum()
        };
        let share = ways.iter().map(near).sum();
        if best.is_none_or(|(most, ..)| most < share) {
            best = Some((share, middle_s, way));
        }
    }
    best.map(|(_, middle_s, way)| (middle_s, way))
}

/// Draws of the onset, each with its weight, in order of time: those of all explanations of the chosen one's cause.
fn weighted_draws(judgement: &Judgement, chosen: &Weighed) -> Vec<(f64, f64)> {
    let cause = chosen.fitted.cause;
    let mut draws: Vec<(f64, f64)> = judgement
        .weighed
        .iter()
        .filter(|w| w.fitted.cause == cause && 1e-4 < w.probability)
        .flat_map(|w| {
            let each = w.probability / w.fitted.onset_draws_s.len().max(1) as f64;
            w.fitted.onset_draws_s.iter().map(move |&t| (t, each))
        })
        .collect();
    draws.sort_by(|a, b| a.0.total_cmp(&b.0));
    draws
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
    const SLOW: &[Cause] = &[
        Cause::FilterLoading,
        Cause::FilterSettling,
        Cause::FilterPrecipitate,
        Cause::CatheterNarrowing,
    ];
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
    let slow = best(SLOW);
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

#[cfg(test)]
mod tests {
    use super::*;

    fn way(from_s: f64, to_s: f64, weight: f64, stop: Option<Span>) -> Way {
        let at = |i: u32| from_s + (to_s - from_s) * f64::from(i) / 100.0;
        Way {
            draws: (0..=100).map(|i| (at(i), weight / 101.0)).collect(),
            stop,
            looked: true,
        }
    }

    #[test]
    fn a_moment_that_is_known_well_is_right_more_often_than_the_middle_of_an_hour() {
        // A third of all within a minute, two thirds over two hours: within a minute of the first lies 0.33, of the other 0.01.
        let ways = [
            way(0.0, 7200.0, 0.67, None),
            way(1000.0, 1060.0, 0.33, None),
        ];
        let (middle_s, _) = likeliest(&ways, 10.0).unwrap();
        assert!((middle_s - 1030.0).abs() < 1.0, "{middle_s}");
        // The interval is that of both: 5 and 95 % of them lie where the long one has 7.5 and 92.5 %.
        let draws = together(&ways);
        let (low, high) = (quantile(&draws, 0.05), quantile(&draws, 0.95));
        assert!(
            (low.unwrap() - 0.05 / 0.67 * 7200.0).abs() < 80.0,
            "{low:?}"
        );
        assert!(
            (high.unwrap() - (1.0 - 0.05 / 0.67) * 7200.0).abs() < 80.0,
            "{high:?}"
        );
    }

    #[test]
    fn what_came_at_any_time_of_a_rest_is_one_moment_the_restart() {
        let rest = Span {
            start_s: 3000.0,
            end_s: 4000.0,
        };
        let ways = [
            way(3000.0, 4000.0, 0.4, Some(rest)),
            way(0.0, 7200.0, 0.6, None),
        ];
        assert_eq!(likeliest(&ways, 10.0).unwrap().0, 4000.0);
    }
}
