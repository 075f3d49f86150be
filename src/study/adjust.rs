//! Columns of `infusions.csv` as covariates or strata of a regression.
//!
//! In: the chosen columns. Out: numbers for each infusion. A level without any event is left out with its infusions: its
//! ratio would be 0 without a lower bound, and in that limit its rows change no other estimate.

use super::at_risk::AtRisk;
use super::cohort::Cohort;
use super::group::levels;

/// More distinct numbers than this make a column a measured quantity rather than a set of groups.
const MOST_LEVELS: usize = 6;

/// What a regression is adjusted for.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Adjustment {
    /// Numbers of the columns that become covariates.
    pub covariates: Vec<usize>,
    /// Numbers of the columns within whose levels filters are compared.
    pub strata: Vec<usize>,
}

impl Adjustment {
    /// Whether there is none.
    pub fn is_none(&self) -> bool {
        self.covariates.is_empty() && self.strata.is_empty()
    }
}

/// The numbers of an adjustment.
#[derive(Debug, Clone, PartialEq)]
pub struct Coded {
    /// Names of the covariates: `column` or `column=level`.
    pub names: Vec<String>,
    /// For each member its covariates; `None` = its level had no event, or its number is missing: left out.
    pub values: Vec<Option<Vec<f64>>>,
    /// For each member the number of its stratum.
    pub strata: Vec<u32>,
    /// `column=level` of what was left out.
    pub left_out: Vec<String>,
}

/// Codes the chosen columns. Groups become indicators against the level with the most events.
pub fn code(cohort: &Cohort, at_risk: &AtRisk, adjustment: &Adjustment) -> Coded {
    let mut coded = Coded {
        names: Vec::new(),
        values: vec![Some(Vec::new()); cohort.members.len()],
        strata: vec![0; cohort.members.len()],
        left_out: Vec::new(),
    };
    for &column in &adjustment.covariates {
        add_covariate(&mut coded, cohort, at_risk, column);
    }
    for &column in &adjustment.strata {
        let levels = levels(cohort, column);
        for (stratum, member) in coded.strata.iter_mut().zip(&cohort.members) {
            let level = levels
                .iter()
                .position(|l| l == member.label(column))
                .unwrap_or(0);
            *stratum = *stratum * levels.len() as u32 + level as u32;
        }
    }
    coded
}

fn add_covariate(coded: &mut Coded, cohort: &Cohort, at_risk: &AtRisk, column: usize) {
    let name = cohort.columns.get(column).map_or("", String::as_str);
    let levels = levels(cohort, column);
    let numbers = levels
        .iter()
        .filter(|l| !l.is_empty())
        .all(|l| l.parse::<f64>().is_ok_and(f64::is_finite));
    if numbers && MOST_LEVELS < levels.len() {
        coded.names.push(name.to_string());
        for (values, member) in coded.values.iter_mut().zip(&cohort.members) {
            match member.label(column).parse::<f64>() {
                Ok(x) => values.iter_mut().for_each(|v| v.push(x)),
                Err(_) => *values = None,
            }
        }
        if levels.iter().any(String::is_empty) {
            coded.left_out.push(format!("{name}="));
        }
        return;
    }
    let events = |level: &String| {
        let hits = at_risk.filters.iter().filter(|f| f.event());
        hits.filter(|f| {
            cohort
                .members
                .get(f.member)
                .is_some_and(|m| m.label(column) == level)
        })
        .count()
    };
    let mut kept: Vec<(&String, usize)> = levels.iter().map(|l| (l, events(l))).collect();
    for (level, _) in kept.iter().filter(|(_, n)| *n == 0) {
        coded.left_out.push(format!("{name}={level}"));
    }
    kept.retain(|(_, n)| 0 < *n);
    // The first of the largest, so that the choice does not hang on the order of a sort.
    let most = kept.iter().map(|(_, n)| *n).max();
    let reference = kept.iter().position(|(_, n)| Some(*n) == most).unwrap_or(0);
    let indicators: Vec<&String> = kept
        .iter()
        .enumerate()
        .filter(|(i, _)| *i != reference)
        .map(|(_, (l, _))| *l)
        .collect();
    coded
        .names
        .extend(indicators.iter().map(|l| format!("{name}={l}")));
    for (values, member) in coded.values.iter_mut().zip(&cohort.members) {
        let label = member.label(column);
        if kept.iter().any(|(l, _)| *l == label) {
            let own = indicators.iter().map(|l| f64::from(*l == label));
            values.iter_mut().for_each(|v| v.extend(own.clone()));
        } else {
            *values = None;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::at_risk::{Outcome, filters};
    use crate::study::made::{filter_onset, infusion};

    fn cohort(rows: &[(&str, bool)]) -> Cohort {
        let members = rows.iter().enumerate().map(|(i, (label, blocked))| {
            let mut member = infusion(&i.to_string(), 24.0);
            member.labels = vec![label.to_string()];
            if *blocked {
                member.facts.episodes = vec![filter_onset(3.0 + i as f64)];
            }
            member
        });
        Cohort {
            columns: vec!["unit".into()],
            members: members.collect(),
            skipped: vec![],
        }
    }

    fn coded(c: &Cohort, covariates: Vec<usize>, strata: Vec<usize>) -> Coded {
        let adjustment = Adjustment { covariates, strata };
        code(c, &filters(c, Outcome::FILTER_ONSET), &adjustment)
    }

    #[test]
    fn groups_are_compared_with_the_one_that_has_the_most_events() {
        let c = cohort(&[("a", true), ("b", true), ("b", true), ("c", true)]);
        let found = coded(&c, vec![0], vec![]);
        assert_eq!(found.names, ["unit=a", "unit=c"]);
        let values: Vec<_> = found.values.into_iter().map(Option::unwrap).collect();
        assert_eq!(values, [[1.0, 0.0], [0.0, 0.0], [0.0, 0.0], [0.0, 1.0]]);
    }

    #[test]
    fn a_level_without_an_event_is_left_out_and_said_so() {
        let found = coded(
            &cohort(&[("a", true), ("b", false), ("c", true)]),
            vec![0],
            vec![],
        );
        assert_eq!(found.left_out, ["unit=b"]);
        assert_eq!(found.values[1], None);
    }

    #[test]
    fn many_distinct_numbers_are_a_quantity() {
        let rows = [
            ("1", true),
            ("2", true),
            ("3", false),
            ("4", true),
            ("5", true),
            ("6", true),
            ("7.5", true),
            ("", true),
        ];
        let found = coded(&cohort(&rows), vec![0], vec![]);
        assert_eq!(found.names, ["unit"]);
        assert_eq!(
            (&found.values[6], &found.values[7]),
            (&Some(vec![7.5]), &None)
        );
        assert_eq!(found.left_out, ["unit="]);
    }

    #[test]
    fn each_level_is_a_stratum() {
        let found = coded(
            &cohort(&[("a", true), ("b", false), ("a", true)]),
            vec![],
            vec![0],
        );
        assert_eq!(found.strata, [0, 1, 0]);
    }
}
