//! Which site first: the probability that a filter's line is hindered at each site, where the first episode shuts out the rest.
//!
//! In: a cohort. Out: the cumulative incidence of each site on hours since the filter was placed.

use super::at_risk::{Outcome, filters};
use super::cohort::Cohort;
use crate::infer::Site;
use crate::stats::cumulative_incidence::{Exit, Step, cumulative_incidence};

/// The sites that compete: those where the flow is hindered and, as `None`, undetermined.
pub const SITES: [Option<Site>; 5] = [
    Some(Site::Supply),
    Some(Site::Tubing),
    Some(Site::Filter),
    Some(Site::Catheter),
    None,
];

/// The curve of one site.
#[derive(Debug, Clone, PartialEq)]
pub struct Incidence {
    /// The site; `None` = undetermined.
    pub site: Option<Site>,
    /// Filters whose first episode was there.
    pub events: usize,
    /// One step per time with such an episode, hours since placed.
    pub curve: Vec<Step>,
}

/// Estimates the incidence of each site; settings and artefacts hinder no flow and end nothing.
pub fn competing(cohort: &Cohort) -> Vec<Incidence> {
    let any = Outcome {
        counts: |h| SITES.contains(&h.suggested),
        time_s: |h| h.onset_s.value,
    };
    let at_risk = filters(cohort, any);
    let exits: Vec<Exit> = at_risk
        .filters
        .iter()
        .filter_map(|f| {
            let site = f.episode.and_then(|id| {
                let episodes = &cohort.members.get(f.member)?.facts.episodes;
                episodes.iter().find(|e| e.id == id).map(|e| e.suggested)
            });
            let cause = site.and_then(|site| SITES.iter().position(|s| *s == site));
            Some(Exit {
                life: f.life()?,
                cause,
            })
        })
        .collect();
    cumulative_incidence(&exits, SITES.len())
        .into_iter()
        .zip(SITES)
        .enumerate()
        .map(|(number, (curve, site))| Incidence {
            site,
            events: exits.iter().filter(|e| e.cause == Some(number)).count(),
            curve,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::made::{infusion, onset};

    #[test]
    fn the_first_hindrance_counts_and_no_later_one() {
        let mut a = infusion("a", 24.0);
        a.facts.episodes = vec![
            onset(1.0, Some(Site::Settings)),
            onset(3.0, Some(Site::Catheter)),
            onset(5.0, Some(Site::Filter)),
        ];
        for (number, episode) in a.facts.episodes.iter_mut().enumerate() {
            episode.id = number as u32 + 1;
        }
        let mut b = infusion("b", 24.0);
        b.facts.episodes = vec![onset(6.0, Some(Site::Filter))];
        let found = competing(&Cohort {
            members: vec![a, b, infusion("c", 24.0), infusion("d", 4.0)],
            ..Cohort::default()
        });
        let counts: Vec<_> = found.iter().map(|i| i.events).collect();
        assert_eq!(counts, [0, 0, 1, 1, 0]);
        // catheter at 3 h: 1 of 4; filter at 6 h: ¾ · 1/2
        assert!((found[3].curve[0].incidence - 0.25).abs() < 1e-12);
        assert!((found[2].curve[0].incidence - 0.375).abs() < 1e-12);
    }
}
