//! Which explanations are held against an excursion, and how likely each is before its pressure is looked at.
//!
//! In: a case and the setting of its fits. Out: the explanations that apply, by cause, each group with its share of the prior.

use super::blocks::BLOCK_S;
use super::bouts;
use super::bursts;
use super::causes::{
    Clock, Explanation, Growth, HeightChange, Law, Positional, Setting, Settling, SharedStep,
    Steady, SupplyStop, TubingBlock, Uneven, Wander,
};
use super::context;
use super::judge::Case;
use super::parts::{self, FilterPlace};
use super::review::{Cause, Site};
use crate::record::EventKind;

/// A cough, a knock or a glitch is over within this, seconds (common practice, no source).
const BRIEF_S: f64 = 90.0;
/// A knock lasts some seconds; one that lasts by so many more is the rarer by a factor of e, seconds (common practice, no source).
const KNOCK_S: f64 = 15.0;
/// Share of the prior for a filter below the join, where nobody says where it sits and several channels meet.
const BELOW_SHARE: f64 = 0.75;
/// Share of the changes of height in which all pumps move together: they hang on one pole, or the patient was moved
/// (common practice, no source).
const TOGETHER_SHARE: f64 = 0.7;
/// The prior shares are of alarms. Of what rises without one so many times more, by odds, hinders nothing: the whole record
/// is searched for it (measured on made records of the tuning set).
const UNALARMED_ODDS: f64 = 3.0;

/// Growth that comes to an end does so after about so long, seconds; what a medication or bad priming leaves in a filter, after so
/// long (common practice, no source).
const ENDS_S: f64 = 3600.0;
/// See [`ENDS_S`].
const PASSES_S: f64 = 1500.0;

/// Share of the medications that the events of a record leave out (common practice, no source).
const UNNOTED: f64 = 0.15;

/// An alarm that rings again within this is the same trouble, seconds.
const AGAIN_S: f64 = 1800.0;
/// What several pumps ring within this is one alarm, seconds.
const SAME_ALARM_S: f64 = 5.0;
/// A knock is over, and seldom rings again; a block that was not cleared does: of knocks that rang 4 in 71, of obstructions 252 in
/// 489 (measured on made records of the tuning set).
const KNOCK_AGAIN: f64 = (4.0 / 71.0) / (252.0 / 489.0);

/// Share of the artefacts that are a patient's own effort, crying, coughing or straining, where the readings come in bursts as it does
/// (common practice, no source).
const EFFORT_SHARE: f64 = 0.7;

/// Explanations of one cause, with their share of the prior.
pub type Group = (Vec<Box<dyn Explanation>>, f64);

/// Every explanation that applies, by cause, with the cause's prior share.
pub fn candidates(case: &Case, setting: &Setting) -> Vec<Group> {
    let n = setting.window.channels;
    let excursion = case.excursion;
    // A supply that stopped lets the pressure fall, and rings no occlusion alarm anyway.
    let unalarmed = case.alarm_s.is_none() && excursion.up.contains(&true);
    let share = |cause: Cause| {
        let odds = if unalarmed && cause.site() == Site::None {
            UNALARMED_ODDS
        } else {
            1.0
        };
        odds * context::prior_share(&case.record.priors, cause)
    };
    let mut groups = Groups(Vec::new());
    // What hinders the flow below a pump raises its pressure, up to an alarm. Only a block in one channel's tubing takes its flow
    // from the others.
    let fell = !excursion.up.contains(&true) && case.alarm_s.is_none();
    let each = |make: &dyn Fn(usize) -> Box<dyn Explanation>| (0..n).map(make).collect::<Vec<_>>();
    groups.add(
        share(Cause::SupplyStopped),
        each(&|c| Box::new(SupplyStop::new(setting, c))),
    );
    if !fell || 1 < n {
        groups.add(
            share(Cause::TubingBlocked),
            each(&|c| Box::new(TubingBlock::new(setting, c))),
        );
    }
    if !fell {
        add_shared(&mut groups, case, setting, &share);
    }
    if case.alarm_s.is_some() {
        groups.add(
            share(Cause::LimitTooLow),
            vec![Box::new(Steady::limit_too_low(setting))],
        );
    }
    let together = if 1 < n { TOGETHER_SHARE } else { 1.0 };
    groups.add(
        together * share(Cause::HeightChange),
        vec![Box::new(HeightChange::new(setting, None))],
    );
    if 1 < n {
        groups.add(
            (1.0 - together) * share(Cause::HeightChange),
            each(&|c| Box::new(HeightChange::new(setting, Some(c)))),
        );
    }
    add_artefacts(&mut groups, case, setting, share(Cause::Artefact));
    groups.0
}

/// Adds what moves the pressure for seconds: a knock, a fit of crying or coughing; and a vein that wanders.
fn add_artefacts(groups: &mut Groups, case: &Case, setting: &Setting, share: f64) {
    let excursion = case.excursion;
    let touched = if excursion.up.contains(&true) {
        &excursion.up
    } else {
        &excursion.down
    };
    let artefact = |bouts: &[(f64, f64)]| -> Vec<Box<dyn Explanation>> {
        vec![Box::new(Steady::artefact(setting, bouts, touched))]
    };
    let out_s: f64 = excursion.bouts.iter().map(|b| b.1 - b.0).sum();
    // From the first reading that stood out to the last: it lasted as long at least.
    let brief = out_s <= BRIEF_S + BLOCK_S;
    let fit = bursts::of_excursion(case, setting.window.end_s());
    let effort = if fit.is_empty() { 0.0 } else { EFFORT_SHARE };
    groups.add(effort * share, artefact(&fit));
    if brief {
        let again = if rang_again(case) { KNOCK_AGAIN } else { 1.0 };
        let lasted = (-(out_s - BLOCK_S).max(0.0) / KNOCK_S).exp();
        let knocks = match case.alarm_s {
            Some(_) => again * lasted * case.rung.odds_of_knock(share),
            None => 1.0,
        };
        groups.add((1.0 - effort) * knocks * share, artefact(&excursion.bouts));
    }
    // No vein wanders so far that it rings an alarm, where a knock may have.
    if case.alarm_s.is_none() || !brief {
        groups.add((1.0 - effort) * share, vec![Box::new(Wander::new(setting))]);
    }
}

/// Adds what hinders the flow below the join, or in a filter.
fn add_shared(groups: &mut Groups, case: &Case, setting: &Setting, share: &dyn Fn(Cause) -> f64) {
    let n = setting.window.channels;
    let excursion = case.excursion;
    groups.add(
        share(Cause::CatheterBlocked),
        vec![Box::new(SharedStep::new(setting))],
    );
    // What came before the excursion may have been coughs, or its first bouts.
    let earlier = bouts::all(case);
    let began_before = excursion.bouts.len() < earlier.len();
    let in_window = |bouts: &[(f64, f64)]| -> Vec<(f64, f64)> {
        let end_s = setting.window.end_s();
        bouts.iter().copied().filter(|b| b.0 < end_s).collect()
    };
    groups.add(
        share(Cause::CatheterPositional),
        std::iter::once(&excursion.bouts)
            .chain(began_before.then_some(&earlier))
            .filter_map(|bouts| Positional::new(setting, &in_window(bouts)))
            .map(|p| Box::new(p) as Box<dyn Explanation>)
            .collect(),
    );
    // Half of what grows follows a law closely, half grows in fits and starts.
    let by_law = |cause: Cause, clock: Clock, on: Option<usize>| {
        let growth = |&law| Box::new(Growth::new(cause, clock, law, on, setting)) as Box<_>;
        let ends = Growth::new(cause, clock, Law::Intermediate, on, setting);
        Law::ALL
            .iter()
            .map(growth)
            .chain([Box::new(ends.that_ends(setting, ENDS_S)) as Box<_>])
            .collect::<Vec<Box<dyn Explanation>>>()
    };
    let from = |cause: Cause, on: Option<usize>, moment_s: f64| -> Vec<Box<dyn Explanation>> {
        let growth = |law| Growth::from_moment(cause, law, on, setting, moment_s);
        vec![
            Box::new(growth(Law::Intermediate)),
            Box::new(growth(Law::Intermediate).that_ends(setting, PASSES_S)),
        ]
    };
    let in_fits = |cause: Cause, clock: Clock, on: Option<usize>| -> Vec<Box<dyn Explanation>> {
        vec![Box::new(Uneven::new(cause, clock, on, setting))]
    };
    let narrows = Cause::CatheterNarrowing;
    groups.add(0.5 * share(narrows), by_law(narrows, Clock::Time, None));
    groups.add(0.5 * share(narrows), in_fits(narrows, Clock::Time, None));
    let medication_s = context::medication_before(case.record, excursion.start_s);
    let new_filter_s = context::new_filter(case.record, excursion.start_s);
    for (on, part) in filter_places(parts::filter_place(case.record), n, &excursion.up) {
        let loads = Cause::FilterLoading;
        groups.add(0.5 * part * share(loads), by_law(loads, Clock::Volume, on));
        groups.add(0.5 * part * share(loads), in_fits(loads, Clock::Volume, on));
        let settles = [false, true]
            .into_iter()
            .filter_map(|in_fits| Settling::new(setting, on, in_fits))
            .map(|s| Box::new(s) as Box<dyn Explanation>);
        groups.add(part * share(Cause::FilterSettling), settles.collect());
        let made = Cause::FilterPrecipitate;
        match medication_s {
            Some(at_s) => groups.add(part * share(made), from(made, on, at_s)),
            // What nobody noted may have run all the same.
            None => {
                let unnoted = if case.record.events_given {
                    UNNOTED
                } else {
                    1.0
                };
                let growth = Growth::new(made, Clock::Volume, Law::Intermediate, on, setting);
                let ends = growth.that_ends(setting, PASSES_S);
                groups.add(unnoted * part * share(made), vec![Box::new(ends)]);
            }
        }
        if let Some(placed_s) = new_filter_s {
            groups.add(0.5 * part * share(loads), from(loads, on, placed_s));
        }
    }
}

/// Whether an occlusion alarm rang again soon after the excursion's own.
fn rang_again(case: &Case) -> bool {
    let Some(alarm_s) = case.alarm_s else {
        return false;
    };
    let until_s = (alarm_s + AGAIN_S).min(case.read_to_s);
    case.record
        .events
        .iter()
        .filter(|e| e.kind == EventKind::OcclusionAlarm)
        .any(|e| alarm_s + SAME_ALARM_S < e.t_s && e.t_s <= until_s)
}

/// Explanations by cause, each group with its share of the prior.
struct Groups(Vec<Group>);

impl Groups {
    /// Adds a group, unless it has no explanation.
    fn add(&mut self, share: f64, explanations: Vec<Box<dyn Explanation>>) {
        if !explanations.is_empty() {
            self.0.push((explanations, share));
        }
    }
}

/// Where the filter may sit (`None` = below the join), each place with its share of the prior.
fn filter_places(place: FilterPlace, n: usize, up: &[bool]) -> Vec<(Option<usize>, f64)> {
    match place {
        FilterPlace::Nowhere => Vec::new(),
        FilterPlace::On(c) => vec![(Some(c), 1.0)],
        FilterPlace::Unsaid if 1 < n => {
            // The one channel that rose, if it was one alone: only there can a filter above the join be.
            let mut risen = (0..n).filter(|&c| up[c]);
            let alone = risen.next().filter(|_| risen.next().is_none());
            let above = alone.map(|c| (Some(c), (1.0 - BELOW_SHARE) / n as f64));
            std::iter::once((None, BELOW_SHARE)).chain(above).collect()
        }
        FilterPlace::Shared | FilterPlace::Unsaid => vec![(None, 1.0)],
    }
}
