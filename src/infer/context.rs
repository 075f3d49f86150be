//! What is known of an episode beyond its pressure: who did what when, what runs, what the filter is.
//!
//! In: the record and the excursion. Out: the prior of each cause ([`prior_share`]) and [`Clue`]s, each a factor
//! on some causes with the evidence that says so. Nothing here looks at the course of the pressure. How much a clue weighs
//! has no published source: it is common practice, held against made records of the tuning set.

use super::alarms;
use super::blocks::highest_mmhg;
use super::bursts;
use super::deeds::{self, Deed};
use super::evidence::Finding;
use super::excursion::Excursion;
use super::judge::Case;
use super::regimes::Doings;
use super::review::{Cause, Site};
use super::tracker::Tracker;
use crate::record::{Event, EventKind, Fluid, Priors, Record};
use crate::signal::rounding_step;

/// How often a cause is behind an episode before the record is looked at; sums to 1. The table and its source stand in
/// [`Priors`].
pub fn prior_share(priors: &Priors, cause: Cause) -> f64 {
    priors.shares()[cause as usize]
}

/// Something known beyond the pressure: a factor on the odds of some causes.
#[derive(Debug, Clone)]
pub struct Clue {
    /// Causes that it favours (or disfavours), and on which channel (`None` = any).
    pub causes: Vec<Cause>,
    /// The channel that it is about, for causes that lie on one.
    pub channel: Option<usize>,
    /// Natural log of the factor.
    pub log_factor: f64,
    /// What it says.
    pub finding: Finding,
}

/// Natural log of how likely an alarm is where nothing gives a reason for one.
pub const CHANCE_ALARM: f64 = -6.0;

const FILTER: [Cause; 3] = [
    Cause::FilterLoading,
    Cause::FilterSettling,
    Cause::FilterPrecipitate,
];
const CATHETER: [Cause; 3] = [
    Cause::CatheterNarrowing,
    Cause::CatheterBlocked,
    Cause::CatheterPositional,
];
const NOTHING: [Cause; 2] = [Cause::HeightChange, Cause::Artefact];
const MOVED: [Cause; 2] = [Cause::CatheterBlocked, Cause::CatheterPositional];

/// When the medication that may have precipitated began: by the events, within 90 minutes before the excursion.
pub fn medication_before(record: &Record, start_s: f64) -> Option<f64> {
    record
        .events
        .iter()
        .filter(|e| e.kind == EventKind::MedicationStart)
        .map(|e| e.t_s)
        .rfind(|t| *t <= start_s + 300.0 && start_s - 5400.0 <= *t)
}

/// When the filter in place at a moment was placed, seconds; `None` where nobody says.
pub fn filter_placed(record: &Record, t_s: f64) -> Option<f64> {
    let changed = record
        .events
        .iter()
        .filter(|e| e.kind == EventKind::FilterChange && e.t_s <= t_s)
        .map(|e| e.t_s)
        .next_back();
    changed.or_else(|| {
        record
            .line
            .as_ref()
            .and_then(|l| l.filter.placed_s)
            .filter(|p| *p <= t_s)
    })
}

/// When the filter in place at a moment was placed, where that is no more than an hour before, seconds: a badly primed one loads from
/// then.
pub fn new_filter(record: &Record, t_s: f64) -> Option<f64> {
    filter_placed(record, t_s).filter(|placed_s| t_s - placed_s <= 3600.0)
}

/// Each rise at rest doubles the odds, up to so many (our judgement).
const MOST_RISES: u32 = 5;

/// All clues about an episode.
pub fn clues(case: &Case) -> Vec<Clue> {
    let (record, doings, tracker) = (case.record, case.doings, case.tracker);
    let (excursion, alarm_s, read_to_s) = (case.excursion, case.alarm_s, case.read_to_s);
    let mut found = Vec::new();
    let rises = bursts::at_rest(case);
    if 0 < rises {
        // Something else may move the line once; crying, coughing and moving about do so again and again.
        let factor = f64::from(1 << rises.min(MOST_RISES));
        let finding = Finding::RoseAtRest { times: rises };
        found.push(clue(&NOTHING, None, factor, finding));
    }
    if let Some(alarm_s) = alarm_s {
        of_limit(record, tracker, alarm_s, read_to_s, &mut found);
    }
    before(record, doings, excursion, &mut found);
    if let Some(end_s) = excursion.end_s {
        at_relief(record, excursion, end_s, &mut found);
    }
    let times = returns(record, doings, excursion) + 1;
    // Bursts of seconds come and go by themselves as well: those of crying and coughing.
    let until_s = excursion.end_s.unwrap_or(read_to_s);
    if OFTEN <= times && bursts::of_excursion(case, until_s).is_empty() {
        let finding = Finding::CameAndWent {
            times: times as u32,
        };
        let positional = [Cause::CatheterPositional];
        found.push(clue(&positional, None, 10.0, finding));
    }
    of_nothing_done(record, doings, tracker, excursion, read_to_s, &mut found);
    for deed in deeds::deeds(record, doings, tracker, excursion, read_to_s) {
        found.extend(of_deed(deed));
    }
    found
}

/// What comes so often and goes as often by itself is moved about: pumps are raised and lowered once or twice, and what
/// somebody shut stays shut.
const OFTEN: usize = 3;

/// How often it came again after it had gone by itself: the line ran, and nobody noted that anything was done.
fn returns(record: &Record, doings: &Doings, excursion: &Excursion) -> usize {
    let untouched = |gap: &&[(f64, f64)]| {
        let (from_s, to_s) = (gap[0].1, gap[1].0);
        let stood = doings.pauses.iter().any(|p| {
            let stood_out = deeds::is_of_moved(record, excursion, p);
            stood_out && p.span.start_s < to_s && from_s - 60.0 < p.span.end_s
        });
        let done = record
            .events
            .iter()
            .any(|e| deeds::may_clear(e.kind) && from_s - 60.0 <= e.t_s && e.t_s <= to_s);
        !stood && !done
    };
    excursion.bouts.windows(2).filter(untouched).count()
}

/// What is done to a filter or a catheter that has grown shut is written down in so many of seven cases (common practice, no source).
const WRITTEN_OF_SEVEN: f64 = 6.0;

/// What grew does not go by itself: where the events note nothing that takes it away and it went, they left that out.
fn of_nothing_done(
    record: &Record,
    doings: &Doings,
    tracker: &Tracker,
    excursion: &Excursion,
    read_to_s: f64,
    found: &mut Vec<Clue>,
) {
    if !record.events_given || !deeds::went(record, tracker, excursion, read_to_s) {
        return;
    }
    let cures: [(&[EventKind], &[Cause], Site); 2] = [
        (
            &[EventKind::FilterChange, EventKind::SetChange],
            &FILTER,
            Site::Filter,
        ),
        (
            &[EventKind::CatheterChange, EventKind::Flush],
            &[Cause::CatheterNarrowing],
            Site::Catheter,
        ),
    ];
    for (kinds, causes, site) in cures {
        if !deeds::noted(record, doings, excursion, read_to_s, kinds) {
            let finding = Finding::GoneUntouched { site };
            found.push(clue(causes, None, 1.0 / WRITTEN_OF_SEVEN, finding));
        }
    }
}

/// What a deed that helped, or did not, says.
fn of_deed(deed: Deed) -> Option<Clue> {
    let (causes, factor, finding): (&[Cause], f64, Finding) = match (deed.kind, deed.helped?) {
        (EventKind::FilterChange, true) => (&FILTER, 150.0, Finding::FilterChangeHelped),
        (EventKind::FilterChange, false) => {
            let finding = Finding::FilterChangeDidNotHelp;
            (&FILTER, 1.0 / 20.0, finding)
        }
        (EventKind::CatheterChange, true) => {
            let finding = Finding::CatheterChangeHelped;
            (&CATHETER, 150.0, finding)
        }
        (EventKind::CatheterChange, false) => {
            let finding = Finding::CatheterChangeDidNotHelp;
            (&CATHETER, 1.0 / 20.0, finding)
        }
        (EventKind::Flush, true) => (&CATHETER, 8.0, Finding::FlushHelped),
        (EventKind::SetChange, true) => {
            let finding = Finding::SetChangeHelped;
            (&CATHETER, 1.0 / 5.0, finding)
        }
        _ => return None,
    };
    let mut told = clue(causes, None, factor, finding);
    told.log_factor /= deed.together as f64;
    Some(told)
}

fn clue(causes: &[Cause], channel: Option<usize>, factor: f64, finding: Finding) -> Clue {
    Clue {
        causes: causes.to_vec(),
        channel,
        log_factor: factor.ln(),
        finding,
    }
}

/// What led up to it.
fn before(record: &Record, doings: &Doings, excursion: &Excursion, found: &mut Vec<Clue>) {
    let start_s = excursion.start_s;
    let near = |kind: EventKind, before_s: f64, after_s: f64| {
        record
            .events
            .iter()
            .filter(move |e| e.kind == kind)
            .filter(move |e| start_s - before_s <= e.t_s && e.t_s <= start_s + after_s)
    };
    if let Some(at_s) = medication_before(record, start_s) {
        let minutes = ((start_s - at_s) / 60.0).max(0.0);
        let finding = Finding::MedicationBefore { minutes };
        found.push(clue(
            &[Cause::FilterPrecipitate],
            None,
            if minutes <= 45.0 { 25.0 } else { 5.0 },
            finding,
        ));
    }
    if let Some(placed_s) = new_filter(record, start_s) {
        let finding = Finding::NewFilter {
            minutes: (start_s - placed_s) / 60.0,
        };
        found.push(clue(&FILTER, None, 5.0, finding));
    }
    if let Some(pore_um) = record.line.as_ref().and_then(|l| l.filter.pore_um)
        && pore_um < 1.15
        && lipid_runs(record)
    {
        let finding = Finding::PoreTooFine { pore_um };
        found.push(clue(&FILTER, None, 8.0, finding));
    }
    for event in near(EventKind::ClampClosed, 600.0, 300.0) {
        let finding = Finding::ClampNoted {
            channel: event.channel.clone(),
        };
        found.push(of_closed(record, event, 80.0, finding));
    }
    if near(EventKind::PumpMoved, 300.0, 300.0).next().is_some() {
        let finding = Finding::PumpMovedNearby;
        found.push(clue(&[Cause::HeightChange], None, 15.0, finding));
    }
    if near(EventKind::PatientMoved, 600.0, 120.0).next().is_some() {
        let finding = Finding::PatientMovedNearby;
        found.push(clue(&MOVED, None, 4.0, finding));
    }
    for kind in [EventKind::SetChange, EventKind::Start] {
        if let Some(event) = near(kind, 1800.0, 120.0).next() {
            let minutes = ((start_s - event.t_s) / 60.0).max(0.0);
            let finding = Finding::AfterSetChange { minutes };
            let causes = [Cause::TubingBlocked, Cause::SupplyStopped];
            found.push(clue(&causes, index(record, event), 4.0, finding));
            break;
        }
    }
    if let Some(raise) = raised_before(doings, excursion.seen_s.max(start_s)) {
        let (from_ml_h, to_ml_h) = (raise.from_ml_h, raise.to_ml_h);
        let finding = Finding::AfterRateChange { from_ml_h, to_ml_h };
        // Anything else would have to fall on these minutes by chance: the shorter they are, the less likely.
        let factor = (RAISE_WITHIN_S / raise.before_s.max(60.0)).clamp(2.0, 25.0);
        found.push(clue(&[Cause::LimitTooLow], None, factor, finding));
    }
    if let Some(event) = near(EventKind::Alarm, 600.0, 3.0 * 3600.0).find(|e| of_supply(e)) {
        let causes = [Cause::SupplyStopped];
        let finding = Finding::SupplyAlarm;
        // One that rang while it lasted, with nothing that climbed, says what it was; else it may be another's.
        let over_s = excursion.end_s.unwrap_or(excursion.seen_s);
        let factor = if event.t_s <= over_s + 60.0 && !excursion.up.contains(&true) {
            (-CHANCE_ALARM).exp()
        } else {
            30.0
        };
        found.push(clue(&causes, index(record, event), factor, finding));
    }
    for channel in (0..record.channels.len()).filter(|&c| excursion.down[c]) {
        if let Some((counted_ml, set_ml)) = counter_stood(record, channel, excursion) {
            let finding = Finding::CounterStoodStill {
                channel: record.channels[channel].id.clone(),
                counted_ml,
                set_ml,
            };
            let causes = [Cause::SupplyStopped];
            found.push(clue(&causes, Some(channel), 100.0, finding));
        }
    }
}

/// Volume counted and volume set in an excursion, mL, where a channel's counter counted less than half of what its rate was set
/// to and had counted what was set in the hour before.
fn counter_stood(record: &Record, channel: usize, excursion: &Excursion) -> Option<(f64, f64)> {
    let s = &record.channels[channel].samples;
    let counts = |from_s: f64, to_s: f64| {
        let (mut counted_ml, mut set_ml) = (0.0, 0.0);
        let from = s.t_s.partition_point(|&t| t < from_s);
        let to = s.t_s.partition_point(|&t| t <= to_s);
        for i in from + 1..to {
            let more_ml = s.volume_ml[i] - s.volume_ml[i - 1];
            if 0.0 <= more_ml && s.rate_ml_h[i - 1] == s.rate_ml_h[i] {
                counted_ml += more_ml;
                set_ml += s.rate_ml_h[i] * (s.t_s[i] - s.t_s[i - 1]) / 3600.0;
            }
        }
        (counted_ml, set_ml)
    };
    let over_s = excursion
        .bouts
        .first()
        .map_or(excursion.seen_s, |b| b.1)
        .max(excursion.seen_s);
    let (counted_ml, set_ml) = counts(excursion.start_s, over_s);
    let (counted_before_ml, set_before_ml) = counts(excursion.start_s - 3600.0, excursion.start_s);
    let first = s.t_s.partition_point(|&t| t < excursion.start_s - 3600.0);
    let step_ml = rounding_step(&s.volume_ml[first..]).max(LEAST_STEP_ML);
    let counted_on = |counted: f64, set: f64| (counted - set).abs() <= 0.2 * set;
    let stood = LEAST_STEPS * step_ml <= set_ml && counted_ml < 0.5 * set_ml;
    (stood && 0.0 < set_before_ml && counted_on(counted_before_ml, set_before_ml))
        .then_some((counted_ml, set_ml))
}

/// A volume counter that shows no step counts as showing this, mL.
const LEAST_STEP_ML: f64 = 1e-3;
/// So many steps of the counter must have been set before it says anything.
const LEAST_STEPS: f64 = 5.0;

/// Whether an alarm is of air in the line or an empty container, by the words of its detail.
pub fn of_supply(event: &Event) -> bool {
    let words = [
        "empty",
        "air",
        "upstream",
        "container",
        "bag",
        "supply",
        "vent",
    ];
    let detail = event.detail.to_lowercase();
    event.kind == EventKind::Alarm && words.iter().any(|w| detail.contains(w))
}

/// What was done to the pressure limit about an alarm, by the limit that the record shows. Where it shows the new limit alone,
/// as an event, the old one lay above what the pump bore.
fn of_limit(
    record: &Record,
    tracker: &Tracker,
    alarm_s: f64,
    read_to_s: f64,
    found: &mut Vec<Clue>,
) {
    for channel in 0..record.channels.len() {
        let at = |t_s: f64| alarms::limit_mmhg(record, channel, t_s);
        let cause = [Cause::LimitTooLow];
        let Some(limit) = at(alarm_s) else {
            continue;
        };
        let before_s = alarm_s - LIMIT_WITHIN_S;
        let set_s = alarms::limit_set_s(record, channel, alarm_s);
        let borne = |set_s: f64| {
            let blocks = tracker.blocks.iter();
            let between = blocks.filter(|b| before_s <= b.t_s && b.last_s < set_s);
            highest_mmhg(between, channel)
        };
        let before = at(before_s).or_else(|| set_s.and_then(borne));
        if let Some(before) = before.filter(|b| 1.1 * limit < *b) {
            let finding = Finding::LimitLowered {
                from_mmhg: before,
                to_mmhg: limit,
            };
            found.push(clue(&cause, None, 30.0, finding));
        }
        if let Some(after) = at((alarm_s + LIMIT_WITHIN_S).min(read_to_s))
            && 1.1 * limit < after
        {
            let finding = Finding::LimitRaised {
                from_mmhg: limit,
                to_mmhg: after,
            };
            // Staff raise it after any alarm, to go on.
            found.push(clue(&cause, None, 2.0, finding));
        }
    }
}

/// A change of the limit counts within this of an alarm, seconds.
const LIMIT_WITHIN_S: f64 = 1800.0;

fn index(record: &Record, event: &Event) -> Option<usize> {
    record.channel_index(event.channel.as_deref()?)
}

fn lipid_runs(record: &Record) -> bool {
    record.line.as_ref().is_some_and(|l| {
        l.channels
            .iter()
            .any(|c| matches!(c.fluid, Some(Fluid::Lipid | Fluid::Pn3in1)))
    })
}

/// A raise of a rate that came shortly before.
struct Raise {
    from_ml_h: f64,
    to_ml_h: f64,
    before_s: f64,
}

/// A raise counts within this long before an alarm, seconds.
const RAISE_WITHIN_S: f64 = 1800.0;

/// The last raise of the total rate, by a seventh or more, in the half hour before a moment.
fn raised_before(doings: &Doings, t_s: f64) -> Option<Raise> {
    let at_s = doings
        .steps
        .iter()
        .flatten()
        .map(|s| s.t_s)
        .filter(|at| t_s - RAISE_WITHIN_S <= *at && *at <= t_s)
        .filter(|at| 0.0 < doings.flow_at(at - 1.0))
        .filter(|at| 1.15 * doings.flow_at(at - 1.0) < doings.flow_at(at + 0.001))
        .reduce(f64::max)?;
    let (from_ml_h, to_ml_h) = (doings.flow_at(at_s - 1.0), doings.flow_at(at_s + 0.001));
    Some(Raise {
        from_ml_h,
        to_ml_h,
        before_s: t_s - at_s,
    })
}

/// A note within this of the relief may be about it, seconds (common practice, no source).
const NOTE_S: f64 = 120.0;

/// What was done about when it was over.
fn at_relief(record: &Record, excursion: &Excursion, end_s: f64, found: &mut Vec<Clue>) {
    // Staff relieve, then restart; the first calm reading may come minutes after the deed, the note before it.
    let last_out = excursion.bouts.last().map_or(end_s, |b| b.1);
    let near = |kind: EventKind, before_s: f64, after_s: f64| {
        record
            .events
            .iter()
            .find(|e| e.kind == kind && last_out - before_s <= e.t_s && e.t_s <= end_s + after_s)
    };
    if near(EventKind::PatientMoved, 900.0, 600.0).is_some() {
        found.push(clue(&MOVED, None, 8.0, Finding::PatientMovedNearby));
    }
    if let Some(event) = near(EventKind::ClampOpened, 900.0, 600.0) {
        let finding = Finding::ClampNoted {
            channel: event.channel.clone(),
        };
        found.push(of_closed(record, event, 80.0, finding));
    } else if let Some(event) = near(EventKind::Note, NOTE_S, NOTE_S) {
        let finding = Finding::NoteAtRelief {
            channel: event.channel.clone(),
        };
        // Notes are of anything: one without a channel may be of the patient's weight.
        let factor = if event.channel.is_some() { 20.0 } else { 5.0 };
        found.push(of_closed(record, event, factor, finding));
    }
}

/// Somebody closed or freed a line: what an event says of a channel lies in its tubing, what it says of no channel below the join.
fn of_closed(record: &Record, event: &Event, factor: f64, finding: Finding) -> Clue {
    let cause = match event.channel {
        Some(_) => Cause::TubingBlocked,
        None => Cause::CatheterBlocked,
    };
    clue(&[cause], index(record, event), factor, finding)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_of_priors_has_the_causes_in_their_order() {
        for (cause, word) in Cause::ALL.iter().zip(Priors::CAUSES) {
            assert_eq!(cause.word(), word);
        }
        assert_eq!(prior_share(&Priors::default(), Cause::TubingBlocked), 0.22);
    }
}
