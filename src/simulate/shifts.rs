//! Whether a record tells a pump that was raised or lowered from a partial block or a dry supply, worked out from what was
//! simulated.
//!
//! In: an episode, the scenario, the flows and the log. Out: [`Reason`]s. At one flow, P = P_out + R·Q has two unknowns: a rise
//! of Δ is a lowered pump or a partial block of Δ/Q, a fall is a raised pump or a supply that ran dry. What tells them
//! apart holds in both directions:
//! - **two flows** while it lasts and two beside it, pauses among them, each for two minutes, two readings and five of the line's
//!   time constants: a height moves the pressure alike at every flow, a block and a dry supply in proportion to it, so the
//!   pressure's slope over the flow is what it was or is not. The slope that the rival adds, over the smaller of both
//!   differences of flow, must show. Of one pump its own flow counts, of the whole line that of all. Without two flows
//!   beside it R and P_out are not known, and a slope while it lasts says nothing;
//! - **how fast it rose**: a height comes over with the line's own R·C, a block with (R + Δ/Q)·C; from a tenth to nine tenths
//!   that takes 2.2 of them. They differ by two readings or more, a tenth of the rise shows in one reading, and a change of
//!   flow beside it gave the line's own;
//! - **how far**: no pole gives more than 50 cm of water (common practice, no source); what moved the pressure further is no height;
//! - **how far it fell**: where two flows beside it gave R, a fall that is not R·q of any channel is no dry supply;
//! - **another channel**: a dry supply lets the others fall by the shared R·q, one raised pump leaves them; all of them
//!   raised fall alike, and a dry channel lies lower by what its own tubing needed;
//! - **a word of it**: a pump noted as moved, a clamp or a note at the block, an alarm of the empty container, within
//!   two minutes; a volume counter that stood still.

use super::can_tell::{DEEDS, ONCE_S, Reason, is_at_a_turn, places, readings, shows_mmhg};
use super::day::{Day, Told};
use super::elastic::column;
use super::scenario::{Cause, Scenario};
use super::sensor::Row;

/// A flow shows what it needs when it stayed for so long, and for so many of the line's time constants.
const STAYS_S: f64 = 120.0;
/// See [`STAYS_S`].
const SETTLED: f64 = 5.0;
/// No pole gives more, cm (common practice, no source).
const POLE_CM: f64 = 50.0;
/// From a tenth to nine tenths an exponential course takes so many time constants: ln 9.
const CLIMB: f64 = 2.197;

/// What moved the pressure by the same amount as something else could have.
struct Shift {
    /// How far, mmHg; below 0 it fell.
    by_mmhg: f64,
    /// What the flow is multiplied with in the other explanation, mmHg·h/mL.
    slope: f64,
    /// The one channel that it is about; `None` = the whole line.
    channel: Option<usize>,
}

/// Whether a block is there that a height could imitate: a partial one that comes at once.
pub(super) fn is_partial(told: &Told, scenario: &Scenario) -> bool {
    let at_once = ["tubing-blocked", "catheter-blocked"].contains(&told.words.1);
    at_once && added(told, scenario).is_some()
}

/// Resistance that a partial block adds, mmHg·h/mL.
fn added(told: &Told, scenario: &Scenario) -> Option<f64> {
    match scenario.episodes.get(told.index?)?.cause {
        Cause::TubingBlocked {
            resistance_mmhg_h_per_ml,
            ..
        }
        | Cause::CatheterBlocked {
            resistance_mmhg_h_per_ml,
            ..
        } => resistance_mmhg_h_per_ml,
        _ => None,
    }
}

/// What of the record tells a height from a block or a dry supply.
pub(super) fn reasons(told: &Told, scenario: &Scenario, day: &Day) -> Vec<Reason> {
    let mut found = words(told, scenario, day);
    let Some(shift) = shift(told, scenario, day) else {
        return found;
    };
    let mut say = |says: String| {
        found.push(Reason {
            needs: "trace",
            says,
        });
    };
    let is_height = told.words.1 == "height-change";
    let ml_per_mmhg = match shift.channel {
        Some(c) => day.compliances[c],
        None => day.compliances.iter().sum(),
    } / 1000.0;
    let whole = day.baselines.iter().copied().fold(0.0, f64::max);
    let settled_s = SETTLED * 3600.0 * whole * ml_per_mmhg;
    let least_s = STAYS_S.max(scenario.sampling.period_s).max(settled_s);
    let apart = |within: bool| {
        let found = flows(told, day, &shift, within, least_s);
        found.map_or(0.0, |(least, most)| most - least)
    };
    let beside = apart(false);
    let known = shift.slope.abs() * beside;
    let course_mmhg = shows_mmhg(scenario, least_s);
    if course_mmhg <= shift.slope.abs() * apart(true).min(beside) {
        say("two flows while it lasted and two beside it".to_string());
    }
    let once_mmhg = shows_mmhg(scenario, ONCE_S);
    if !is_height && column(POLE_CM) + once_mmhg <= told.stretch.effect_mmhg {
        say("no pole moves a pressure that far".to_string());
    }
    if 0.0 < shift.by_mmhg && course_mmhg <= known {
        let slower_s = CLIMB * shift.slope * ml_per_mmhg * 3600.0;
        if 2.0 * scenario.sampling.period_s <= slower_s && once_mmhg <= 0.1 * shift.by_mmhg {
            say("the readings show how fast it rose".to_string());
        }
    }
    if shift.by_mmhg < 0.0 {
        falls(told, scenario, day, &shift, course_mmhg <= known, &mut say);
    }
    found
}

/// How far it moved the pressure, and what else could have.
fn shift(told: &Told, scenario: &Scenario, day: &Day) -> Option<Shift> {
    let episode = scenario.episodes.get(told.index?)?;
    let channel = episode
        .channel
        .as_ref()
        .and_then(|id| scenario.channel_index(id));
    let began_s = told.stretch.began_s;
    // With the pump at rest, what it ran at last.
    let flow = |c: Option<usize>| {
        let of = c.or_else(|| places(told, scenario).next())?;
        let rows = readings(day, of, 0.0, began_s + 1.0).map(|r| flow_ml_h(day, r, c));
        rows.filter(|f| 0.0 < *f).last()
    };
    match &episode.cause {
        Cause::HeightChange { by_cm, .. } => {
            let by_mmhg = -column(*by_cm);
            let slope = by_mmhg / flow(channel)?;
            Some(Shift {
                by_mmhg,
                slope,
                channel,
            })
        }
        Cause::SupplyStopped { .. } => {
            let c = channel?;
            let slope = -day.baselines[c];
            Some(Shift {
                by_mmhg: slope * flow(channel)?,
                slope,
                channel,
            })
        }
        _ => {
            let slope = added(told, scenario)?;
            Some(Shift {
                by_mmhg: slope * flow(channel)?,
                slope,
                channel,
            })
        }
    }
}

/// Flow of a channel, or of the whole line, at a reading, mL/h.
fn flow_ml_h(day: &Day, row: &Row, channel: Option<usize>) -> f64 {
    match channel {
        Some(_) => row.rate_ml_h,
        None => {
            let after = day.flows.partition_point(|f| f.0 <= row.t_s);
            after.checked_sub(1).map_or(0.0, |i| day.flows[i].1)
        }
    }
}

/// The least and the greatest flow that readings show for so long, while it lasted or beside it.
fn flows(told: &Told, day: &Day, shift: &Shift, within: bool, least_s: f64) -> Option<(f64, f64)> {
    let (began_s, end_s) = (
        told.stretch.began_s,
        told.stretch.end_s.unwrap_or(f64::INFINITY),
    );
    let of = shift.channel.unwrap_or(0);
    let mut found: Option<(f64, f64)> = None;
    let mut run: Option<(f64, f64, usize)> = None; // flow, since, readings
    for row in readings(day, of, 0.0, f64::INFINITY) {
        if (began_s <= row.t_s && row.t_s < end_s) != within {
            run = None;
            continue;
        }
        let flow = flow_ml_h(day, row, shift.channel);
        let (since_s, count) = match run {
            Some((same, since_s, count)) if same == flow => (since_s, count + 1),
            _ => (row.t_s, 1),
        };
        run = Some((flow, since_s, count));
        if least_s <= row.t_s - since_s && 2 <= count {
            let (least, most) = found.unwrap_or((flow, flow));
            found = Some((least.min(flow), most.max(flow)));
        }
    }
    found
}

/// What tells a raised pump from a dry supply, or a dry supply from raised pumps.
fn falls(
    told: &Told,
    scenario: &Scenario,
    day: &Day,
    shift: &Shift,
    known: bool,
    say: &mut impl FnMut(String),
) {
    let once_mmhg = shows_mmhg(scenario, ONCE_S);
    let end_s = told.stretch.end_s.unwrap_or(f64::INFINITY);
    let count = scenario.channels.len();
    let read = |c: usize| readings(day, c, told.stretch.began_s, end_s).next();
    let own = |c: usize| scenario.channels[c].resistance_mmhg_h_per_ml;
    let shared = |c: usize| day.baselines[c] - own(c);
    let rate = |c: usize| read(c).map_or(0.0, |r| r.rate_ml_h);
    if told.words.1 == "supply-stopped" {
        let alone = shift.channel.filter(|&c| once_mmhg <= own(c) * rate(c));
        if alone.is_some_and(|d| (0..count).any(|c| c != d && read(c).is_some())) {
            say("another channel fell less".to_string());
        }
        let counts = scenario.episodes.get(told.index.unwrap_or(usize::MAX));
        let stood = counts.is_some_and(|e| {
            matches!(
                e.cause,
                Cause::SupplyStopped {
                    counter_runs_on: false,
                    ..
                }
            )
        });
        if stood && scenario.sampling.volume {
            say("the volume counter stood still".to_string());
        }
        return;
    }
    let dry_mmhg = |c: usize, at: usize| {
        if c == at {
            day.baselines[c] * rate(c)
        } else {
            shared(c) * rate(c)
        }
    };
    // Each channel that may have run dry instead, held against each channel that was read.
    let moved = |at: usize| {
        if shift.channel.is_none_or(|c| c == at) {
            -shift.by_mmhg
        } else {
            0.0
        }
    };
    let refuted = |dry: usize| {
        (0..count).filter(|&at| read(at).is_some()).any(|at| {
            let off_mmhg = (moved(at) - dry_mmhg(dry, at)).abs();
            (known || moved(at) == 0.0) && once_mmhg <= off_mmhg
        })
    };
    if (0..count).filter(|&c| 0.0 < rate(c)).all(refuted) {
        say("it fell otherwise than with any dry supply".to_string());
    }
}

/// What somebody, or the pump, said of it.
fn words(told: &Told, scenario: &Scenario, day: &Day) -> Vec<Reason> {
    let (onset_s, end_s) = (
        told.stretch.began_s,
        told.stretch.end_s.unwrap_or(f64::INFINITY),
    );
    let says_so = |event: &str| match told.words.1 {
        "height-change" => event == "pump_moved",
        "supply-stopped" => event == "alarm" || event == "set_change",
        _ => DEEDS.contains(&event),
    };
    let within = |t_s: f64| onset_s <= t_s && t_s <= end_s;
    let ours = |channel: &Option<String>| {
        let named = channel.as_ref().and_then(|id| scenario.channel_index(id));
        named.is_none_or(|c| places(told, scenario).any(|p| p == c))
    };
    day.log
        .iter()
        .filter(|e| says_so(e.event) && ours(&e.channel))
        .find(|e| is_at_a_turn(told, e.t_s) || (e.event.contains("alarm") && within(e.t_s)))
        .map(|e| Reason {
            needs: "events",
            says: format!("{} was noted", e.event),
        })
        .into_iter()
        .collect()
}
