//! Whether a record in principle tells where an obstruction lies: worked out from what was simulated, never from an
//! analysis.
//!
//! In: an episode, the scenario, the flows and the log. Out: [`Reason`]s, each with the file that bears it.
//!
//! **Filter or catheter**, for what grows slowly: a sensor above both sees them as one resistance; only what follows
//! tells them apart:
//! - **pauses** of the line while it grows, 30 min or more together (growth in fits stops by itself for less): what grows with
//!   volume stands still, what grows with time goes on;
//! - **a change of the whole flow** to twice (or half) while it grows, with 30 min on both sides: what grows with volume
//!   grows faster or slower, and growth in fits changes its pace by half from one half hour to the next by itself;
//!   both only where the pressures that the two laws lead to, at the growth of the half hour before (of a catheter in a
//!   pause: at the growth in it), differ by twice what hides them: noise averaged over ten minutes, half the
//!   rounding, the vein's wander, or 0.5 mmHg;
//! - **jumps at restarts** of a filter in which something settles: after two pauses or more. A catheter that goes on narrowing
//!   in a pause is higher after it too, so one jump tells only where it is ten times what the growth of the half hours
//!   about the pause would have made of the pause;
//! - **an intervention** that somebody wrote down, with ten minutes of record after it in which the line ran: a filter change or
//!   a change of the catheter, whether it helped or not, or a flush that helped;
//! - **context**: a medication that started at most 90 min before, a pore below 1.2 µm with lipid running, a filter
//!   placed at most an hour before, no filter at all, or a filter that sits above the join where a reading of another channel
//!   shows on which side of the join it grew.
//!
//! **One channel's tubing or the line below**, for what comes at once:
//! - **another channel**: its sensor sees the join, whether it runs or not; of it (of a block below the join: of two
//!   channels) the record needs a reading from the time in which the block stood, and in it a difference between the two
//!   places of twice what hides it: the noise of one reading, half the rounding, the vein's wander, or 0.5 mmHg. Above the
//!   join, the difference is how far the blocked channel stands above the other; below it, how far each has risen;
//! - **it came and went**, as a catheter does and a clamp does not, and readings of one channel show it there, gone (by half of
//!   what shows or more) and there again;
//! - **a deed** that somebody wrote down (a clamp opened, a kink straightened, the patient laid otherwise);
//! - **the ramp** to an alarm, of ten samples or more, in a channel with a kink so near the pump that a quarter of its
//!   compliance or more lies below it, after a pause or a change of rate that showed the whole compliance.
//!
//! **A knock or a block**, for an artefact that rang the alarm: what a block holds up stays until somebody frees it, and
//! a knock holds nothing. A block that was freed before the next reading leaves the record of a knock, so it takes
//! - **a reading after the alarm**, from before anybody came, that shows the line as it would be with nothing wrong, or lower
//!   than an obstruction that had brought it to the limit: one that passes Q at the limit lets it fall no faster than Q
//!   empties the line's least storage; or
//! - **a reading before it**, so near that the line with its least storage, shut at once, could not have climbed from there
//!   to the limit in time.
//!
//! **A height, or a partial block, or a dry supply**: in [`shifts`].

use super::day::{Day, Told};
use super::elastic::stored;
use super::scenario::{Cause, Place, Position, Scenario};
use super::sensor::Row;
use super::shifts;
use super::truth::is_gradual;
use serde::Serialize;

const LEAST_S: f64 = 1800.0;
const AFTER_S: f64 = 600.0;
/// In a shorter pause nothing shows that the line's own relaxation does not.
const SHORT_PAUSE_S: f64 = 600.0;
/// One jump is so many times what growth about the pause would have made of it.
const LONE_JUMP: f64 = 10.0;
/// The flow changed to so many times, or by as much down.
const CHANGED: f64 = 2.0;
/// A course is known from the readings of ten minutes; a moment by one.
const COURSE_S: f64 = 600.0;
pub(super) const ONCE_S: f64 = 0.0;
const MEDICATION_S: f64 = 5400.0;
const NEW_FILTER_S: f64 = 3600.0;
const DEED_S: f64 = 120.0;
/// What somebody writes down who opens a line, or lays the patient otherwise.
pub(super) const DEEDS: [&str; 4] = ["clamp_closed", "clamp_opened", "patient_moved", "note"];

/// Why the record can tell, and the file that it takes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct Reason {
    /// `trace`, `events` or `line`.
    pub needs: &'static str,
    /// In words.
    pub says: String,
}

/// The reasons; none for an episode whose site is in no such doubt.
pub(super) fn reasons(told: &Told, scenario: &Scenario, day: &Day) -> Vec<Reason> {
    if shifts::is_partial(told, scenario) {
        return partial_reasons(told, scenario, day);
    }
    if doubtful_step(told) {
        return step_reasons(told, scenario, day);
    }
    if is_shift(told) {
        return shifts::reasons(told, scenario, day);
    }
    if let Some(alarm_s) = told.stretch.alarm_s.filter(|_| is_knock(told)) {
        return knock_reasons(told, scenario, day, alarm_s);
    }
    let mut found = Vec::new();
    let Some(felt_s) = told.stretch.felt_s.filter(|_| is_gradual(told.words.1)) else {
        return found;
    };
    let end_s = scenario.duration_h * 3600.0;
    let until_s = told.stretch.end_s.unwrap_or(end_s);
    let growing = (felt_s, told.stretch.alarm_s.unwrap_or(until_s).min(until_s));
    found.extend(pauses(told, scenario, day, growing));
    found.extend(changes(told, scenario, day, growing));
    found.extend(interventions(told, day, felt_s, end_s));
    found.extend(context(told, scenario, day, felt_s));
    found
}

/// Whether it comes at once and lies in a channel's tubing or below the join.
pub(super) fn doubtful_step(told: &Told) -> bool {
    ["tubing-blocked", "catheter-blocked", "catheter-positional"].contains(&told.words.1)
}

/// Whether the record may leave in doubt where it lies.
pub(super) fn doubtful(told: &Told) -> bool {
    let alarmed_knock = is_knock(told) && told.stretch.alarm_s.is_some();
    is_gradual(told.words.1) || doubtful_step(told) || is_shift(told) || alarmed_knock
}

/// Whether a pump that was raised or lowered is its rival, or it is one.
fn is_shift(told: &Told) -> bool {
    ["height-change", "supply-stopped"].contains(&told.words.1)
}

/// A partial block must be told from a height and, above or below the join, from one at the other place: where only an event
/// tells the one, all of it takes the events.
fn partial_reasons(told: &Told, scenario: &Scenario, day: &Day) -> Vec<Reason> {
    let no_height = shifts::reasons(told, scenario, day);
    let needs = if no_height.iter().any(|r| r.needs == "trace") {
        "trace"
    } else if no_height.is_empty() {
        return Vec::new();
    } else {
        "events"
    };
    let mut found = step_reasons(told, scenario, day);
    for reason in found.iter_mut().filter(|r| r.needs == "trace") {
        reason.needs = needs;
    }
    found
}

fn is_knock(told: &Told) -> bool {
    told.words.1 == "artefact"
}

/// An episode's channels, as places.
pub(super) fn places<'a>(
    told: &'a Told,
    scenario: &'a Scenario,
) -> impl Iterator<Item = usize> + 'a {
    told.channels
        .iter()
        .filter_map(|id| scenario.channel_index(id))
}

/// Readings of a channel between two moments.
pub(super) fn readings(
    day: &Day,
    channel: usize,
    from_s: f64,
    to_s: f64,
) -> impl Iterator<Item = &Row> {
    let first = day.rows.partition_point(|r| r.t_s < from_s);
    day.rows[first..]
        .iter()
        .take_while(move |r| r.t_s < to_s)
        .filter(move |r| r.channel == channel && r.pressure_mmhg.is_some())
}

fn knock_reasons(told: &Told, scenario: &Scenario, day: &Day, alarm_s: f64) -> Vec<Reason> {
    let mut found = Vec::new();
    for c in places(told, scenario) {
        let id = &scenario.channels[c].id;
        let came_s = day
            .log
            .iter()
            .find(|e| {
                alarm_s < e.t_s && e.event == "alarm_cleared" && e.channel.as_ref() == Some(id)
            })
            .map_or(f64::INFINITY, |e| e.t_s);
        let channel = &scenario.channels[c];
        let shows = shows_mmhg(scenario, ONCE_S);
        let unheld = |r: &&Row| {
            let least_ml = |from, to| (1.0 - channel.tube_share) * stored(channel, from, to);
            let line_mmhg = r.pressure_mmhg.unwrap_or(f64::INFINITY) + shows;
            let short_ml = least_ml(line_mmhg.min(r.limit_mmhg), r.limit_mmhg);
            let fell_ml = rate_before(day, c, alarm_s) * (r.t_s - alarm_s) / 3600.0;
            r.behind.brief_mmhg.abs() < shows
                && (r.behind.moved_mmhg[c].abs() < shows || fell_ml < short_ml)
        };
        let after = readings(day, c, alarm_s + 0.1, came_s)
            .filter(unheld)
            .count();
        if 0 < after {
            found.push(Reason {
                needs: "trace",
                says: format!(
                    "{after} readings after the alarm, before anybody came, show nothing held up"
                ),
            });
        }
        let last = readings(day, c, 0.0, alarm_s)
            .filter(|r| r.behind.brief_mmhg.abs() < shows)
            .last();
        if let Some((row, from_mmhg)) = last.and_then(|r| Some((r, r.pressure_mmhg?)))
            && 0.0 < row.rate_ml_h
        {
            let least_ml = (1.0 - channel.tube_share) * stored(channel, from_mmhg, row.limit_mmhg);
            let climb_s = 3600.0 * least_ml / row.rate_ml_h;
            if alarm_s - row.t_s < climb_s {
                found.push(Reason {
                    needs: "trace",
                    says: "the reading before the alarm is too near it for any climb".to_string(),
                });
            }
        }
    }
    found
}

/// The rate at which a channel ran last before a moment, mL/h.
fn rate_before(day: &Day, channel: usize, t_s: f64) -> f64 {
    let rates = readings(day, channel, 0.0, t_s).map(|r| r.rate_ml_h);
    rates.filter(|r| 0.0 < *r).last().unwrap_or(0.0)
}

/// Readings in which another channel tells a block above the join from one below it.
fn join_shown(told: &Told, scenario: &Scenario, day: &Day) -> usize {
    let end_s = told.stretch.end_s.unwrap_or(f64::INFINITY);
    let shows = shows_mmhg(scenario, ONCE_S);
    let seen = |c: usize, apart: &dyn Fn(&Row) -> f64| {
        readings(day, c, told.stretch.began_s, end_s)
            .filter(|r| shows <= apart(r))
            .count()
    };
    let count = scenario.channels.len();
    let blocked = (told.words.0 == "tubing").then(|| places(told, scenario).next());
    match blocked.flatten() {
        Some(b) => (0..count)
            .filter(|&c| c != b)
            .map(|c| seen(c, &|r| r.behind.moved_mmhg[b] - r.behind.moved_mmhg[c]))
            .sum(),
        None => {
            let risen: Vec<usize> = (0..count)
                .map(|c| seen(c, &|r| r.behind.moved_mmhg[c]))
                .filter(|&n| 0 < n)
                .collect();
            if 2 <= risen.len() {
                risen.iter().sum()
            } else {
                0
            }
        }
    }
}

/// How often readings of a channel show it come, with readings between that show it gone.
fn bouts_shown(told: &Told, scenario: &Scenario, day: &Day, channel: usize) -> usize {
    let shows = shows_mmhg(scenario, ONCE_S);
    let end_s = told.stretch.end_s.unwrap_or(f64::INFINITY);
    let (mut bouts, mut there) = (0, false);
    for row in readings(day, channel, told.stretch.began_s, end_s) {
        let moved = row.behind.moved_mmhg[channel];
        if !there && shows <= moved {
            bouts += 1;
            there = true;
        } else if there && moved <= 0.5 * shows && 0.0 < row.rate_ml_h {
            there = false;
        }
    }
    bouts
}

/// Whether something happened about when an episode began or ended.
pub(super) fn is_at_a_turn(told: &Told, t_s: f64) -> bool {
    let turns = [Some(told.stretch.began_s), told.stretch.end_s];
    let near = |turn_s: f64| (t_s - turn_s).abs() <= DEED_S;
    turns.into_iter().flatten().any(near)
}

fn step_reasons(told: &Told, scenario: &Scenario, day: &Day) -> Vec<Reason> {
    let mut found = Vec::new();
    let mut say = |needs, says: &str| {
        found.push(Reason {
            needs,
            says: says.to_string(),
        });
    };
    let shown = join_shown(told, scenario, day);
    if 0 < shown {
        let says = format!("another channel's pressure shows the join, in {shown} readings");
        say("trace", &says);
    }
    if (0..scenario.channels.len()).any(|c| 2 <= bouts_shown(told, scenario, day, c)) {
        say("trace", "it came and went");
    }
    let onset_s = told.stretch.began_s;
    if let Some(deed) = day
        .log
        .iter()
        .find(|e| DEEDS.contains(&e.event) && is_at_a_turn(told, e.t_s))
    {
        say("events", &format!("{} was noted", deed.event));
    }
    let ramp_s = told
        .stretch
        .alarm_s
        .map_or(0.0, |alarm_s| alarm_s - onset_s);
    let near_pump = told
        .index
        .and_then(|i| scenario.episodes.get(i))
        .is_some_and(|e| {
            matches!(
                e.cause,
                Cause::TubingBlocked {
                    resistance_mmhg_h_per_ml: None,
                    place: Place::Near
                }
            )
        });
    let share = scenario.channels.first().map_or(0.0, |c| c.tube_share);
    let shown = day
        .flows
        .iter()
        .filter(|f| 0.0 < f.0 && f.0 < onset_s)
        .count();
    let samples = ramp_s / scenario.sampling.period_s;
    if near_pump && 0.25 <= share && 0 < shown && 10.0 <= samples {
        say(
            "trace",
            "the ramp is steeper than the whole compliance allows",
        );
    }
    found
}

/// Seconds in which any pump ran between two moments.
pub(super) fn running(flows: &[(f64, f64)], from_s: f64, to_s: f64) -> f64 {
    stretches(flows, to_s)
        .filter(|s| 0.0 < s.2)
        .map(|s| (s.1.min(to_s) - s.0.max(from_s)).max(0.0))
        .sum()
}

/// `(from, to, flow)`.
fn stretches(flows: &[(f64, f64)], end_s: f64) -> impl Iterator<Item = (f64, f64, f64)> + '_ {
    flows.iter().enumerate().map(move |(i, &(from, flow))| {
        let to = flows.get(i + 1).map_or(end_s, |next| next.0);
        (from, to, flow)
    })
}

/// A difference that shows in the readings of so many seconds, at least one, mmHg.
pub(super) fn shows_mmhg(scenario: &Scenario, within_s: f64) -> f64 {
    let samples = (within_s / scenario.sampling.period_s).max(1.0);
    let hides = [
        scenario.sensor.noise_mmhg / samples.sqrt(),
        scenario.sampling.rounding_mmhg / 2.0,
        scenario.vein.wander_mmhg,
        0.5,
    ];
    2.0 * hides.into_iter().fold(0.0, f64::max)
}

/// Growth of the ratio per second in the half hour before a moment.
fn growth(told: &Told, t_s: f64) -> f64 {
    let before_s = (t_s - LEAST_S).max(told.stretch.began_s);
    let grown = told.stretch.ratio_at(t_s) - told.stretch.ratio_at(before_s);
    grown / (t_s - before_s).max(1.0)
}

/// What a ratio more is worth at a flow, mmHg.
fn worth_mmhg(day: &Day, flow: f64) -> f64 {
    let baseline = day.baselines.iter().copied().fold(f64::INFINITY, f64::min);
    baseline * flow
}

/// Pauses while it grows, and restarts at which it jumped.
fn pauses(told: &Told, scenario: &Scenario, day: &Day, growing: (f64, f64)) -> Vec<Reason> {
    let (from, to) = growing;
    let settles = told.words.1 == "filter-settling";
    let shows = shows_mmhg(scenario, COURSE_S);
    let (mut jumps, mut plain) = (Vec::new(), false);
    let (mut stood_s, mut apart_mmhg) = (0.0, 0.0_f64);
    let runs: Vec<_> = stretches(&day.flows, to).collect();
    for pair in runs.windows(2) {
        let [(_, _, flow), (start, end, still)] = *pair else {
            continue;
        };
        if still != 0.0 || to <= end {
            continue;
        }
        let length = end - start;
        let worth = worth_mmhg(day, flow);
        let jump = told.stretch.ratio_at(end + LEAST_S) - told.stretch.ratio_at(start);
        if settles && told.stretch.began_s <= start && shows <= jump * worth {
            let after = growth(told, end + 2.0 * LEAST_S);
            let about = growth(told, start).max(after) * length;
            plain |= LONE_JUMP * about <= jump;
            jumps.push(length);
        } else if from <= start && SHORT_PAUSE_S <= length {
            let apart = match told.words.0 {
                "catheter" => told.stretch.ratio_at(end) - told.stretch.ratio_at(start),
                _ => growth(told, start) * length,
            };
            stood_s += length;
            apart_mmhg = apart_mmhg.hypot(apart * worth);
        }
    }
    let mut found = Vec::new();
    if 2 <= jumps.len() || plain {
        let minutes: Vec<String> = jumps.iter().map(|s| format!("{:.0}", s / 60.0)).collect();
        let what = if jumps.len() == 1 {
            "a jump after a pause"
        } else {
            "jumps after pauses"
        };
        found.push(format!("{what} of {} min", minutes.join(", ")));
    }
    // What hides one pause's difference does not hide the next one's: their squares add up.
    if LEAST_S <= stood_s && shows <= apart_mmhg {
        found.push(format!("pauses of {:.0} min while it grew", stood_s / 60.0));
    }
    found
        .into_iter()
        .map(|says| Reason {
            needs: "trace",
            says,
        })
        .collect()
}

/// Changes of the flow to twice or half while it grows.
fn changes(told: &Told, scenario: &Scenario, day: &Day, (from, to): (f64, f64)) -> Vec<Reason> {
    let runs: Vec<_> = stretches(&day.flows, to)
        .filter(|s| 0.0 < s.2 && from < s.1 && LEAST_S <= s.1.min(to) - s.0.max(from))
        .collect();
    runs.windows(2)
        .filter_map(|pair| {
            let (&(_, turn, before), &(_, end, after)) = (pair.first()?, pair.get(1)?);
            let times = (after / before).max(before / after);
            let length = (end.min(to) - turn).min(2.0 * LEAST_S);
            let apart = (1.0 - after / before).abs() * growth(told, turn) * length;
            let shows = shows_mmhg(scenario, COURSE_S) <= apart * worth_mmhg(day, after);
            (CHANGED <= times && shows).then(|| Reason {
                needs: "trace",
                says: format!("the flow changed from {before:.4} to {after:.4} mL/h while it grew"),
            })
        })
        .collect()
}

/// What was tried and written down.
fn interventions(told: &Told, day: &Day, felt_s: f64, end_s: f64) -> Vec<Reason> {
    let site = told.words.0;
    let relieved_s = told.stretch.end_s.unwrap_or(f64::INFINITY);
    day.log
        .iter()
        .filter(|e| felt_s <= e.t_s && AFTER_S <= running(&day.flows, e.t_s, end_s))
        // what came after the relief speaks of something else; the log is written when the work is done
        .filter(|e| e.t_s <= relieved_s + 3600.0)
        .filter_map(|e| {
            let helped = (e.t_s - relieved_s).abs() <= 3600.0;
            let says = match (e.event, site) {
                ("filter_change", "filter") | ("catheter_change", "catheter") if helped => {
                    format!("{} helped", e.event)
                }
                ("filter_change", "catheter") | ("catheter_change", "filter") => {
                    format!("{} did not help", e.event)
                }
                ("flush", "catheter") if helped => "flush helped".to_string(),
                _ => return None,
            };
            Some(Reason {
                needs: "events",
                says,
            })
        })
        .collect()
}

/// Whether readings of another channel than the filter's show on which side of the join it grew: below it they rise too, above it they
/// stay behind.
fn side_shown(told: &Told, scenario: &Scenario, day: &Day, felt_s: f64) -> bool {
    let filter = scenario.line.filter.channel.as_deref();
    let Some(own) = filter.and_then(|id| scenario.channel_index(id)) else {
        return false;
    };
    let shows = shows_mmhg(scenario, ONCE_S);
    let end_s = told.stretch.end_s.unwrap_or(f64::INFINITY);
    (0..scenario.channels.len()).filter(|&c| c != own).any(|c| {
        readings(day, c, felt_s, end_s).any(|r| {
            let moved = &r.behind.moved_mmhg;
            let apart = match told.words.0 {
                "catheter" => moved[c],
                _ => moved[own] - moved[c],
            };
            shows <= apart
        })
    })
}

/// What the files say of the circumstances.
fn context(told: &Told, scenario: &Scenario, day: &Day, felt_s: f64) -> Vec<Reason> {
    let mut found = Vec::new();
    let mut say = |needs, says: &str| {
        found.push(Reason {
            needs,
            says: says.to_string(),
        });
    };
    let (site, cause, variant) = told.words;
    let logged = |event: &str, within_s: f64| {
        let from = told.stretch.began_s - within_s;
        day.log
            .iter()
            .any(|e| e.event == event && from <= e.t_s && e.t_s <= felt_s)
    };
    if cause == "filter-precipitate" && logged("medication_start", MEDICATION_S) {
        say("events", "a medication had started shortly before");
    }
    let filter = &scenario.line.filter;
    let lipid = scenario
        .channels
        .iter()
        .any(|c| c.fluid == "lipid" || c.fluid == "pn-3in1");
    if variant == Some("pore-too-fine") && filter.pore_um < 1.2 && lipid {
        say("line", "the pore is too fine for lipid");
    }
    if variant == Some("badly-primed") {
        let placed_s = filter.placed_h * 3600.0;
        if scenario.start.is_some() && (0.0..NEW_FILTER_S).contains(&(felt_s - placed_s)) {
            say("line", "the filter was new");
        }
        if logged("filter_change", NEW_FILTER_S) {
            say("events", "the filter was new");
        }
    }
    if site == "catheter" && filter.position == Position::None {
        say("line", "there is no filter");
    }
    let sides = filter.position == Position::AboveJoin && side_shown(told, scenario, day, felt_s);
    if sides {
        say(
            "line",
            "the filter sits above the join, the catheter below it",
        );
    }
    found
}
