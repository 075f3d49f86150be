//! The one entry: a record becomes a review.
//!
//! The tracker is walked through the record; each excursion is judged as it comes. One that is no obstruction
//! (a pump that was raised, a zero that drifts) is taken into the baseline before the walk goes on.

mod on_top;
mod taking;
mod walk;

use super::figures;
use super::join;
use super::memo::Memo;
use super::parts;
use super::regimes;
use super::review::{Episode, GivenUp, Review};
use super::visible;
use super::work::Work;
use crate::record::{Notice, Record};
use walk::Walk;

/// Reviews one infusion.
pub fn review(record: &Record) -> Review {
    review_within(record, &Memo::within(Work::of_review()))
}

fn review_within(record: &Record, memo: &Memo) -> Review {
    let doings = regimes::doings(record);
    let (prior, assumptions) = parts::prior(record);
    let mut walk = Walk::new(record, memo, &doings, &prior);
    match cannot_be_judged(record) {
        Some(why) => walk.give_up(record.start_s(), why),
        None => walk.walk_on(),
    }
    let Walk {
        mut episodes,
        not_judged,
        tracker,
        first_fit,
        ramps,
        ..
    } = walk;
    episodes = join::joined(record, episodes);
    memo.work.renew(Work::of_cuts());
    for (i, episode) in episodes.iter_mut().enumerate() {
        episode.id = i as u32 + 1;
        let seen_s = episode.visible_from_s;
        episode.visible_from_s =
            visible::visible_from(record, episode, seen_s, &|cut| episodes_of(cut, memo));
    }
    let channels = figures::channels(record, &doings, &prior, &tracker, first_fit, &ramps);
    Review {
        channels,
        regimes: doings.regimes,
        pauses: doings.pauses,
        line_pauses: doings.line_pauses,
        episodes,
        not_judged: not_judged.into_iter().collect(),
        assumptions,
    }
}

/// The episodes of a record that may end at any moment; `None` where the budget of work is spent.
fn episodes_of(record: &Record, memo: &Memo) -> Option<Vec<Episode>> {
    if record.channels.is_empty() {
        return Some(Vec::new());
    }
    let doings = regimes::doings(record);
    let (prior, _) = parts::prior(record);
    let mut walk = Walk::new(record, memo, &doings, &prior);
    walk.walk_on();
    (!memo.work.is_spent()).then(|| join::joined(record, walk.episodes))
}

/// Why nothing of a record can be judged, if so.
fn cannot_be_judged(record: &Record) -> Option<GivenUp> {
    let odd = |n: &Notice| matches!(n, Notice::ImplausiblePressure { .. });
    if record.intake.notices.iter().any(odd) {
        return Some(GivenUp::NoLinesPressure);
    }
    let one = record.channels.iter().all(|c| c.samples.len() <= 1);
    one.then_some(GivenUp::OneReading)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Channel, Intake, Priors, Samples};
    use crate::time::Clock;

    /// Half a day of one pump at a sample in ten seconds, with a climb of an hour after the third hour and after the eighth.
    fn two_climbs() -> Record {
        let t_s: Vec<f64> = (0..4320).map(|i| 10.0 * f64::from(i)).collect();
        let above = |t_s: f64, from_h: f64| match t_s / 3600.0 - from_h {
            h if (0.0..1.0).contains(&h) => 120.0 * h,
            _ => 0.0,
        };
        let wave = |t_s: f64| (t_s / 37.0).sin();
        let at = |t_s: &f64| 30.0 + wave(*t_s) + above(*t_s, 3.0) + above(*t_s, 8.0);
        let samples = Samples {
            pressure_mmhg: t_s.iter().map(at).collect(),
            rate_ml_h: vec![4.0; t_s.len()],
            volume_ml: vec![f64::NAN; t_s.len()],
            limit_mmhg: vec![f64::NAN; t_s.len()],
            t_s,
        };
        Record {
            infusion: None,
            clock: Clock::Seconds,
            channels: vec![Channel {
                id: "pn".into(),
                samples,
                period_s: Some(10.0),
                on_change: false,
                gaps: Vec::new(),
            }],
            events: Vec::new(),
            events_given: false,
            line: None,
            priors: Priors::default(),
            intake: Intake::default(),
        }
    }

    #[test]
    fn what_a_budget_is_too_small_for_is_given_up_and_what_was_found_before_stays() {
        let record = two_climbs();
        let within = |steps| review_within(&record, &Memo::within(Work::of(steps)));
        let whole = review(&record);
        assert_eq!((whole.episodes.len(), whole.not_judged.len()), (2, 0));
        let plenty = Memo::within(Work::of_review());
        assert!(episodes_of(&record, &plenty).is_some());
        let used = plenty.work.used();
        assert!(0 < used);
        // Enough to the last step, and one step too few.
        assert_eq!(within(used), whole);
        let short = within(used - 1);
        assert_eq!(short.episodes, whole.episodes[..1]);
        let [part] = short.not_judged[..] else {
            panic!("{:?}", short.not_judged);
        };
        assert_eq!(part.why, GivenUp::TooMuchWork);
        assert!((7.5..8.6).contains(&(part.span.start_s / 3600.0)));
        assert_eq!(part.span.end_s, record.end_s());
        // None for the first.
        let none = within(1000);
        assert!(none.episodes.is_empty());
        assert!(none.not_judged[0].span.start_s < 3.6 * 3600.0);
    }
}
