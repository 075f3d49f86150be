//! Each filter as its own control: pauses in the hours before its onset against earlier hours of the same filter.
//!
//! In: a cohort and its filters at risk. Out: the odds ratio per pause of a case-crossover analysis. Everything about the
//! patient and the line that stays the same cannot mislead it; a hazard that simply rises with the filter's age can, as
//! can pauses that grow more or fewer with it, since control hours always lie earlier.

use super::at_risk::AtRisk;
use super::cohort::Cohort;
use super::exposure::{Exposure, PauseRule};
use crate::stats::conditional_logistic::{Moment, conditional_logistic};
use crate::stats::cox::{HazardRatio, NoFit};

/// Result of the case-crossover analysis.
#[derive(Debug, Clone, PartialEq)]
pub struct SelfControlled {
    /// Odds ratio per pause in the 6 h before; or why there is none.
    pub ratio: Result<HazardRatio, NoFit>,
    /// Filters with an onset and at least one control moment.
    pub sets: usize,
    /// Control moments in all.
    pub controls: usize,
}

/// At most so many control moments for each onset.
const MOST_CONTROLS: usize = 8;

/// Compares the onset with the same filter 6, 12, … hours earlier, as far as the whole window before each moment was seen.
pub fn self_controlled(cohort: &Cohort, at_risk: &AtRisk) -> SelfControlled {
    let rule = PauseRule::CONTRACT;
    let (mut moments, mut sets, mut controls) = (Vec::new(), 0, 0);
    for (set, filter) in at_risk
        .filters
        .iter()
        .enumerate()
        .filter(|(_, f)| f.event())
    {
        let exposure = Exposure::new(cohort, filter, rule);
        let at = |k: usize| filter.exit_h - k as f64 * rule.window_h;
        let seen = (1..=MOST_CONTROLS)
            .take_while(|&k| filter.entry_h <= at(k) - rule.window_h)
            .count();
        if seen == 0 {
            continue;
        }
        sets += 1;
        controls += seen;
        moments.extend((0..=seen).map(|k| Moment {
            set: set as u32,
            case: k == 0,
            covariates: vec![f64::from(exposure.count(at(k)))],
        }));
    }
    SelfControlled {
        ratio: conditional_logistic(&moments)
            .and_then(|fit| fit.hazard_ratio(0).ok_or(NoFit::NotConverged)),
        sets,
        controls,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::at_risk::{Outcome, filters};
    use crate::study::made::{filter_onset, infusion, pause};

    fn cohort(rows: &[(&[f64], f64)]) -> Cohort {
        let members = rows.iter().map(|(pauses, onset)| {
            let mut member = infusion("a", 48.0);
            member.facts.pauses = pauses.iter().map(|&h| pause(h, 10.0)).collect();
            member.facts.episodes = vec![filter_onset(*onset)];
            member
        });
        Cohort {
            members: members.collect(),
            ..Cohort::default()
        }
    }

    #[test]
    fn one_control_each_gives_the_ratio_of_discordant_filters() {
        // Onset at 13 h: window 7–13 h against 1–7 h. Three filters paused only before the onset, one only earlier.
        let c = cohort(&[
            (&[9.0], 13.0),
            (&[10.0], 13.0),
            (&[12.0], 13.0),
            (&[3.0], 13.0),
            (&[], 13.0),
        ]);
        let found = self_controlled(&c, &filters(&c, Outcome::FILTER_ONSET));
        assert_eq!((found.sets, found.controls), (5, 5));
        assert!((found.ratio.unwrap().ratio.value - 3.0).abs() < 1e-9);
    }

    #[test]
    fn an_onset_too_early_for_a_control_window_is_left_out() {
        let c = cohort(&[(&[9.0], 11.9)]);
        let found = self_controlled(&c, &filters(&c, Outcome::FILTER_ONSET));
        assert_eq!((found.sets, found.ratio), (0, Err(NoFit::NoEvents)));
    }
}
