//! The cause of an episode as missing data: cohorts in which each episode has one site and one moment of onset, drawn from what its
//! review knows, so that analyses of complete data can be made of each and put together.
//!
//! In: a [`Cohort`] and the shares that its reviews took for granted. Out: [`Draw`]s, and by [`completed`] the cohorts.
//!
//! Model: `P(filter | review, x) ∝ likelihood · expit(x'β)`, where the likelihood is the review's odds over its prior odds, and `x`
//! holds what the analyses use (pauses in the last 6 h, the filter's age, the columns): the outcome's own predictors belong into
//! the model of a missing cause. Sites other than the filter have shares of the cohort's own. Both are drawn along (data
//! augmentation), so the intervals hold that they are not known either.
//!
//! Sources (from memory): missing cause of failure by imputation, with the covariates in a logistic model: K. Lu, A. A. Tsiatis, Biometrics
//! 57 (2001) 1191–1197; masked causes by EM: R. V. Craiu, T. Duchesne, Biometrika 91 (2004) 543–558; in Cox regression: E. Goetghebeur,
//! L. Ryan, Biometrika 82 (1995) 821–833; data augmentation: M. A. Tanner, W. H. Wong, JASA 82 (1987) 528–540.

use super::cohort::{Cohort, Facts, Happening};
use super::exposure::{PauseRule, pauses_before};
use super::group::levels;
use super::survey::{LINE_COLUMN, MOST_CURVES};
use crate::infer::{Cause, Site};
use crate::record::Priors;
use crate::stats::logistic::{Prior, posterior};
use nalgebra::DVector;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Gamma, StandardNormal};

/// One completion: for each episode, in the order of members and their episodes, its site and the moment of its onset.
#[derive(Debug, Clone, PartialEq)]
pub struct Draw {
    episodes: Vec<(Site, f64)>,
}

/// Completions of a survey.
pub const DRAWS: usize = 20;
/// Steps of the chain before the first completion, and from one to the next.
const BURN_IN: usize = 60;
const STEPS_BETWEEN: usize = 8;
/// The same cohort gives the same survey.
const SEED: u64 = 0x7061_7465_6e63_7921;
/// Episodes that the published shares count for, beside the cohort's own.
const SHARES_WEIGH: f64 = 10.0;
/// Standard deviation of the prior of the filter's log odds, and of the log odds ratio of each predictor.
const SHARE_DEVIATION: f64 = 1.5;
const PREDICTOR_DEVIATION: f64 = 0.7;
/// No review is surer than this of a site, nor against it.
const LEAST: f64 = 1e-4;
/// Half the width of a 90 % interval in standard deviations.
const Z_90: f64 = 1.645;
const FILTER: usize = 2;

/// An episode as the chain sees it.
struct Unit<'a> {
    happening: &'a Happening,
    facts: &'a Facts,
    /// Log of the review's odds for the filter over its prior odds.
    log_likelihood: f64,
}

/// Shares of the sites before a record is looked at.
pub fn site_shares(priors: &Priors) -> [f64; 6] {
    let mut shares = [0.0; 6];
    for (cause, share) in Cause::ALL.iter().zip(priors.shares()) {
        if let Some(slot) = shares.get_mut(cause.site().index()) {
            *slot += share;
        }
    }
    shares
}

/// Draws completions. The same cohort and priors give the same ones.
pub fn draws(cohort: &Cohort, priors: &Priors, count: usize) -> Vec<Draw> {
    let prior = site_shares(priors);
    let units: Vec<Unit> = cohort
        .members
        .iter()
        .flat_map(|m| m.facts.episodes.iter().map(move |e| (e, &m.facts)))
        .map(|(happening, facts)| Unit {
            happening,
            facts,
            log_likelihood: log_odds(happening.sites[FILTER]) - log_odds(prior[FILTER]),
        })
        .collect();
    let predictors = predictors(cohort);
    let width = predictors.len().checked_div(units.len()).unwrap_or(0);
    let mut chain = Chain::new(prior, width, SEED);
    let mut found = Vec::with_capacity(count);
    for step in 1..=BURN_IN + count * STEPS_BETWEEN {
        let sites = chain.step(&units, &predictors, width);
        if BURN_IN < step && (step - BURN_IN).is_multiple_of(STEPS_BETWEEN) {
            let episodes = sites
                .into_iter()
                .zip(&units)
                .map(|(site, unit)| (site, drawn_onset(unit, &mut chain.random)))
                .collect();
            found.push(Draw { episodes });
        }
    }
    found
}

/// What is not known, as it stands in the chain.
struct Chain {
    prior: [f64; 6],
    shares: [f64; 6],
    coefficients: Vec<f64>,
    of_coefficients: Prior,
    random: ChaCha8Rng,
}

impl Chain {
    fn new(prior: [f64; 6], width: usize, seed: u64) -> Self {
        let mut mean = vec![0.0; width];
        let mut deviation = vec![PREDICTOR_DEVIATION; width];
        if let (Some(m), Some(d)) = (mean.first_mut(), deviation.first_mut()) {
            *m = log_odds(prior[FILTER]);
            *d = SHARE_DEVIATION;
        }
        Self {
            prior,
            shares: prior,
            coefficients: mean.clone(),
            of_coefficients: Prior { mean, deviation },
            random: ChaCha8Rng::seed_from_u64(seed),
        }
    }

    /// Draws every site given the shares, then the shares given the sites.
    fn step(&mut self, units: &[Unit], predictors: &[f64], width: usize) -> Vec<Site> {
        let mut counts = self.prior.map(|share| share * SHARES_WEIGH);
        let mut filter = Vec::with_capacity(units.len());
        let mut sites = Vec::with_capacity(units.len());
        for (unit, x) in units.iter().zip(predictors.chunks_exact(width.max(1))) {
            let own: f64 = x.iter().zip(&self.coefficients).map(|(x, b)| x * b).sum();
            let p = 1.0 / (1.0 + (-unit.log_likelihood - own).exp());
            let is_filter = self.random.random::<f64>() < p;
            let site = if is_filter {
                Site::Filter
            } else {
                self.other(unit.happening)
            };
            if let Some(count) = counts.get_mut(site.index()) {
                *count += 1.0;
            }
            filter.push(is_filter);
            sites.push(site);
        }
        self.draw_shares(&counts);
        if let Some(found) = posterior(&filter, predictors, &self.of_coefficients) {
            let normal = DVector::from_fn(width, |_, _| StandardNormal.sample(&mut self.random));
            self.coefficients = (found.mode + found.root * normal).iter().copied().collect();
        }
        sites
    }

    /// A site that is not the filter.
    fn other(&mut self, happening: &Happening) -> Site {
        let weight = |i: usize| match i {
            FILTER => 0.0,
            _ => (happening.sites[i] + LEAST) * self.shares[i] / self.prior[i].max(LEAST),
        };
        let weights: [f64; 6] = std::array::from_fn(weight);
        let mut left = self.random.random::<f64>() * weights.iter().sum::<f64>();
        for (site, weight) in Site::ALL.into_iter().zip(weights) {
            left -= weight;
            if left < 0.0 && site != Site::Filter {
                return site;
            }
        }
        Site::Catheter
    }

    /// Dirichlet, as gamma variables over their sum.
    fn draw_shares(&mut self, counts: &[f64; 6]) {
        let drawn =
            counts.map(|n| Gamma::new(n.max(LEAST), 1.0).map_or(n, |g| g.sample(&mut self.random)));
        let sum: f64 = drawn.iter().sum();
        if 0.0 < sum {
            self.shares = drawn.map(|d| d / sum);
        }
    }
}

fn log_odds(p: f64) -> f64 {
    let p = p.clamp(LEAST, 1.0 - LEAST);
    (p / (1.0 - p)).ln()
}

/// Predictors of every episode, row after row: 1, pauses in the last 6 h, log of the filter's age, the columns' levels.
fn predictors(cohort: &Cohort) -> Vec<f64> {
    let columns: Vec<(usize, Vec<String>)> = (0..cohort.columns.len())
        .filter(|&c| {
            cohort
                .columns
                .get(c)
                .is_some_and(|name| name != LINE_COLUMN)
        })
        .map(|c| (c, levels(cohort, c)))
        .filter(|(_, levels)| (2..=MOST_CURVES).contains(&levels.len()))
        .collect();
    let mut rows = Vec::new();
    for member in &cohort.members {
        for episode in &member.facts.episodes {
            let onset_s = episode.onset_s.value;
            let placed_s = placed_before(&member.facts, onset_s);
            let pauses = pauses_before(&member.facts, placed_s, onset_s, PauseRule::CONTRACT);
            let age_h = ((onset_s - placed_s) / 3600.0).max(0.0);
            rows.extend([1.0, f64::from(pauses), (1.0 + age_h).ln() / 3.0]);
            for (column, levels) in &columns {
                rows.extend(
                    levels
                        .iter()
                        .map(|l| f64::from(u8::from(member.label(*column) == l))),
                );
            }
        }
    }
    rows
}

/// When the filter in place at a moment was placed.
fn placed_before(facts: &Facts, t_s: f64) -> f64 {
    let known = facts.placed_s.iter().chain(&facts.filter_changes_s);
    known
        .copied()
        .filter(|&p| p < t_s)
        .reduce(f64::max)
        .unwrap_or(facts.start_s)
}

/// A moment from the onset's interval: half a normal law on each side. It stays with its filter and its record.
fn drawn_onset(unit: &Unit, random: &mut ChaCha8Rng) -> f64 {
    let onset = unit.happening.onset_s;
    let z: f64 = StandardNormal.sample(random);
    let side = if z < 0.0 {
        onset.value - onset.low
    } else {
        onset.high - onset.value
    };
    let drawn = onset.value + z * side.max(0.0) / Z_90;
    let facts = unit.facts;
    let marks = facts
        .placed_s
        .iter()
        .chain(&facts.filter_changes_s)
        .chain([&facts.start_s]);
    let mut kept = drawn.min(facts.end_s.max(onset.value));
    for &mark in marks {
        kept = if onset.value <= mark {
            kept.min(mark)
        } else {
            kept.max(mark + 1.0)
        };
    }
    if kept.is_finite() { kept } else { onset.value }
}

/// When an episode is said to have come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dated {
    /// At its onset.
    Onset,
    /// At its onset or, where that is earlier, when the record first showed it: what was done because of it comes after.
    BeforeVisible,
}

/// The cohort with every episode's site and onset as drawn; without a draw, as reviewed.
pub fn completed(cohort: &Cohort, draw: Option<&Draw>, dated: Dated) -> Cohort {
    let mut whole = cohort.clone();
    let episodes = whole.members.iter_mut().flat_map(|m| &mut m.facts.episodes);
    for (i, episode) in episodes.enumerate() {
        let reviewed_s = episode.onset_s.value;
        if let Some(&(site, onset_s)) = draw.and_then(|d| d.episodes.get(i)) {
            episode.suggested = Some(site);
            episode.onset_s.value = onset_s;
        }
        if dated == Dated::BeforeVisible {
            let first = episode.visible_from_s.min(reviewed_s);
            episode.onset_s.value = episode.onset_s.value.min(first);
        }
    }
    whole
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::made::{infusion, onset};

    /// So many infusions with an onset of each kind: `(infusions, probability of the filter)`.
    fn cohort(kinds: &[(usize, f64)]) -> Cohort {
        let mut cohort = Cohort::default();
        for &(infusions, filter) in kinds {
            for i in 0..infusions {
                let mut member = infusion(&i.to_string(), 24.0);
                let mut episode = onset(5.0 + (i % 10) as f64, None);
                let rest = 1.0 - filter;
                episode.sites = [0.0, 0.0, filter, rest, 0.0, 0.0];
                member.facts.episodes = vec![episode];
                cohort.members.push(member);
            }
        }
        cohort
    }

    fn mean_filters(cohort: &Cohort) -> f64 {
        let drawn = draws(cohort, &Priors::default(), DRAWS);
        let filters = |d: &Draw| d.episodes.iter().filter(|e| e.0 == Site::Filter).count();
        drawn.iter().map(filters).sum::<usize>() as f64 / DRAWS as f64
    }

    #[test]
    fn what_is_certain_is_drawn_as_it_is() {
        let found = mean_filters(&cohort(&[(30, 1.0), (20, 0.0)]));
        assert!((found - 30.0).abs() < 0.5, "{found}");
    }

    #[test]
    fn a_cohort_that_is_mostly_filters_lends_its_share_to_the_untold() {
        // By Bayes: 60 told filters and 3 told catheters among 83 make an episode at 0.53 more likely a filter's than 0.53.
        let many = mean_filters(&cohort(&[(60, 0.98), (3, 0.02), (20, 0.53)])) - 60.0;
        let few = mean_filters(&cohort(&[(3, 0.98), (60, 0.02), (20, 0.53)])) - 3.0;
        assert!(12.0 < many && few < 9.0, "{many} {few}");
    }

    #[test]
    fn a_drawn_onset_stays_with_its_filter_and_its_record() {
        let mut member = infusion("a", 24.0);
        let mut episode = onset(8.0, None);
        episode.onset_s.low = -1e6;
        episode.onset_s.high = 1e6;
        member.facts.episodes = vec![episode];
        member.facts.filter_changes_s = vec![7.0 * 3600.0, 9.0 * 3600.0];
        let cohort = Cohort {
            members: vec![member],
            ..Cohort::default()
        };
        for draw in draws(&cohort, &Priors::default(), 50) {
            let at = draw.episodes[0].1 / 3600.0;
            assert!((7.0..=9.0).contains(&at), "{at}");
            let dated = completed(&cohort, Some(&draw), Dated::BeforeVisible);
            assert!(dated.members[0].facts.episodes[0].onset_s.value <= 8.0 * 3600.0);
        }
    }

    #[test]
    fn nobody_has_empty_draws_and_the_same_cohort_the_same_ones() {
        assert!(
            draws(&Cohort::default(), &Priors::default(), 2)
                .iter()
                .all(|d| d.episodes.is_empty())
        );
        let made = cohort(&[(5, 0.5)]);
        assert_eq!(
            draws(&made, &Priors::default(), 3),
            draws(&made, &Priors::default(), 3)
        );
    }
}
