//! When an episode began, weighed over the ways in which it may have begun.
//!
//! In: a case, its judgement and the site. Out: the onset with its interval. What came at one go is looked at again by [`super::onset`];
//! what grew passed its level as the fits have it.

use super::bouts;
use super::judge::{Case, Judgement, Weighed};
use super::onset;
use super::review::{Cause, Course, Site};
use crate::time::Span;
use crate::units::Estimate;

/// A reading is that of some seconds, which tells where an edge stands in the trace: a sensor smooths, and a clock is right to a
/// second or two (common practice, no source).
const READING_S: f64 = 5.0;

/// What began in another way than the chosen explanation says has a part in the onset from this share of its probability on.
const RIVAL_SHARE: f64 = 0.3;
/// Surroundings that hold this share of the draws that others hold, hold about as many.
const ABOUT_SHARE: f64 = 0.9;
/// An onset is right where it is off by no more than this, or by two readings, seconds.
const NEAR_S: f64 = 60.0;

/// The onset with its 90 % interval. What came at one go began at a moment, what grows passes a level, and where the evidence does
/// not decide between them, neither does the onset: the draws of each count by its probability.
pub fn onset(case: &Case, judgement: &Judgement, site: Site) -> Estimate {
    let chosen = judgement.best_of(site);
    // What comes and goes began with the first time that it came.
    let from_first = chosen
        .filter(|w| w.fitted.cause == Cause::CatheterPositional)
        .map(|_| bouts::from_first(case));
    let excursion = from_first.as_ref().unwrap_or(case.excursion);
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
        cause if cause.course() == Course::Gradual => Some(Course::Gradual),
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
/// probably. Of two that hold about as many, a second look tells the moment better.
fn likeliest(ways: &[Way], period_s: f64) -> Option<(f64, &Way)> {
    let near_s = NEAR_S.max(2.0 * period_s);
    let held = |way: &&Way| {
        let middle_s = quantile(&way.draws, 0.5).map(|t| way.hinders_s(t))?;
        let near = |w: &Way| -> f64 {
            let draws = w.draws.iter();
            let near = draws.filter(|d| (w.hinders_s(d.0) - middle_s).abs() <= near_s);
            near.map(|d| d.1).sum()
        };
        Some((ways.iter().map(near).sum::<f64>(), middle_s))
    };
    let all: Vec<(f64, f64, &Way)> = ways
        .iter()
        .filter_map(|way| held(&way).map(|(share, middle_s)| (share, middle_s, way)))
        .collect();
    let most = all.iter().map(|w| w.0).fold(0.0, f64::max);
    let about = |w: &&(f64, f64, &Way)| ABOUT_SHARE * most <= w.0;
    // Of equal ones the first: the chosen explanation's.
    let best = all
        .iter()
        .rev()
        .filter(about)
        .max_by(|a, b| a.2.looked.cmp(&b.2.looked).then(a.0.total_cmp(&b.0)))?;
    Some((best.1, best.2))
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
