//! How long filters last: survival curves with delayed entry, by group, with the log-rank test between them.

use super::at_risk::AtRisk;
use super::cohort::Cohort;
use super::group::{Group, Grouped, groups};
use super::pause_effect::Method;
use crate::stats::kaplan_meier::{self, Life, Quantile, Step};
use crate::stats::log_rank::{LogRank, log_rank};

/// The curve of one group.
#[derive(Debug, Clone, PartialEq)]
pub struct Survival {
    /// Whose filters.
    pub group: Group,
    /// Filters at risk at any time.
    pub filters: usize,
    /// First onsets, by the reviews' own verdicts.
    pub events: usize,
    /// First onsets behind the curve: these, or how many are expected.
    pub expected_events: f64,
    /// What counts as a filter's onset.
    pub method: Method,
    /// One step per time with an onset, hours since placed.
    pub curve: Vec<Step>,
    /// Median time to the onset with 95 % limits; each `None` where it is not reached.
    pub median_h: Quantile,
    /// `(hours since placed, filters at risk)` at even steps.
    pub at_risk: Vec<(f64, usize)>,
    /// Hours after which fewer than [`FEW`] filters are at risk at every later time: the curve says little there.
    pub thin_from_h: Option<f64>,
}

/// Below this many at risk, a curve is drawn but not to be leant on. Common practice, no source.
pub const FEW: usize = 10;

/// The log-rank test between the groups of a column.
#[derive(Debug, Clone, PartialEq)]
pub struct GroupTest {
    /// The column.
    pub column: String,
    /// The test; `None` where the groups cannot be compared (one group, no event).
    pub test: Option<LogRank>,
}

/// The curve of a group.
pub fn survival(at_risk: &AtRisk, grouped: &Grouped) -> Survival {
    let filters = at_risk.filters.iter().filter(|f| grouped.has(f.member));
    let lives: Vec<Life> = filters.filter_map(|f| f.life()).collect();
    let curve = kaplan_meier::curve(&lives);
    let events: usize = curve.iter().map(|s| s.events).sum();
    Survival {
        group: grouped.group.clone(),
        filters: lives.len(),
        events,
        expected_events: events as f64,
        method: Method::Hard,
        median_h: kaplan_meier::quantile(&curve, 0.5),
        at_risk: numbers_at_risk(&lives),
        thin_from_h: thin_from(&lives),
        curve,
    }
}

/// The log-rank test between the levels of a column.
pub fn group_test(cohort: &Cohort, at_risk: &AtRisk, column: usize) -> GroupTest {
    let groups = groups(cohort, &[column]);
    let lives: Vec<(Life, usize)> = at_risk
        .filters
        .iter()
        .filter_map(|f| Some((f.life()?, groups.iter().position(|g| g.has(f.member))?)))
        .collect();
    GroupTest {
        column: cohort.columns.get(column).cloned().unwrap_or_default(),
        test: log_rank(&lives, groups.len()),
    }
}

/// Counts at 6 to 12 even steps of whole hours.
fn numbers_at_risk(lives: &[Life]) -> Vec<(f64, usize)> {
    let last = lives.iter().map(|l| l.exit()).fold(0.0, f64::max);
    let steps = [1.0, 2.0, 3.0, 4.0, 6.0, 12.0, 24.0, 48.0, 72.0, 96.0, 168.0];
    let step = steps
        .into_iter()
        .find(|s| last / s <= 12.0)
        .unwrap_or((last / 12.0).ceil());
    (0..=(last / step) as usize)
        .map(|i| {
            let hour = i as f64 * step;
            // At hour 0 those count that enter at once: a curve starts with them.
            let count = match i {
                0 => lives.iter().filter(|l| l.entry() <= 0.0).count(),
                _ => kaplan_meier::at_risk(lives, hour),
            };
            (hour, count)
        })
        .collect()
}

fn thin_from(lives: &[Life]) -> Option<f64> {
    let mut exits: Vec<f64> = lives.iter().map(|l| l.exit()).collect();
    exits.sort_by(f64::total_cmp);
    let last_thick = exits
        .iter()
        .rev()
        .find(|&&t| FEW <= kaplan_meier::at_risk(lives, t));
    match last_thick {
        Some(&t) => (Some(&t) != exits.last()).then_some(t),
        None => exits.first().map(|_| 0.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::at_risk::{Outcome, filters};
    use crate::study::made::{filter_onset, infusion};

    #[test]
    fn a_curve_counts_delayed_entries_only_from_their_entry() {
        let mut early = infusion("a", 20.0);
        early.facts.episodes = vec![filter_onset(5.0)];
        let mut late = infusion("b", 20.0);
        late.facts.placed_s = Some(-10.0 * 3600.0);
        let cohort = Cohort {
            members: vec![early, infusion("c", 20.0), late],
            ..Cohort::default()
        };
        let found = survival(
            &filters(&cohort, Outcome::FILTER_ONSET),
            &Grouped::all(&cohort),
        );
        assert_eq!((found.filters, found.events), (3, 1));
        assert_eq!(
            (
                found.curve[0].time,
                found.curve[0].at_risk,
                found.curve[0].survival
            ),
            (5.0, 2, 0.5)
        );
        assert_eq!(found.median_h.value, Some(5.0));
        assert_eq!(found.at_risk[0], (0.0, 2));
        assert_eq!(found.thin_from_h, Some(0.0));
    }

    #[test]
    fn no_filter_gives_an_empty_curve_and_no_test() {
        let cohort = Cohort {
            columns: vec!["unit".into()],
            ..Cohort::default()
        };
        let at_risk = filters(&cohort, Outcome::FILTER_ONSET);
        let found = survival(&at_risk, &Grouped::all(&cohort));
        assert!(
            found.curve.is_empty() && found.median_h.value.is_none() && found.thin_from_h.is_none()
        );
        assert_eq!(group_test(&cohort, &at_risk, 0).test, None);
    }
}
