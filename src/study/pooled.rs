//! Rates, ratios, survival and effects over completed cohorts, each with an interval that holds the sites' uncertainty.
//!
//! In: completed cohorts (see [`super::imputation`]). Out: the same kinds of rows as from the reviews' own verdicts.

use super::at_risk::{AtRisk, Filter};
use super::cohort::Cohort;
use super::filter_survival::Survival;
use super::group::{Group, Grouped};
use super::pause_effect::{Effect, Method};
use super::rates::ROWS;
use crate::infer::Site;
use crate::stats::cox::{HazardRatio, NoFit};
use crate::stats::kaplan_meier::{self, Life, Step};
use crate::stats::poisson::{cluster_dispersion, mixed_rate};
use crate::stats::rubin::{self, Pooled};
use crate::stats::tails::Z_95;
use crate::units::Estimate;

/// What an infusion adds to the rates.
#[derive(Debug, Clone, Copy, Default)]
struct Tally {
    /// Episodes that count, in the order of [`ROWS`].
    episodes: [u32; 7],
    filter_hours: f64,
    hours: f64,
}

/// What each infusion of a cohort adds.
pub struct Tallies(Vec<Tally>);

const FILTER_ROW: usize = 2;

impl Tallies {
    /// Counts, by the contract's definitions.
    pub fn new(cohort: &Cohort, at_risk: &AtRisk) -> Self {
        let mut found: Vec<Tally> = Vec::with_capacity(cohort.members.len());
        for member in &cohort.members {
            let mut own = Tally {
                hours: member.facts.hours(),
                ..Tally::default()
            };
            for episode in &member.facts.episodes {
                let row = ROWS.iter().position(|r| *r == episode.suggested);
                if let Some(count) = row
                    .filter(|&r| r != FILTER_ROW)
                    .and_then(|r| own.episodes.get_mut(r))
                {
                    *count += 1;
                }
            }
            found.push(own);
        }
        for filter in &at_risk.filters {
            if let Some(own) = found.get_mut(filter.member) {
                own.filter_hours += filter.hours();
                own.episodes[FILTER_ROW] += u32::from(filter.event());
            }
        }
        Self(found)
    }

    fn of<'a>(
        &'a self,
        members: &'a [usize],
        row: usize,
    ) -> impl Iterator<Item = (f64, f64)> + Clone + 'a {
        members
            .iter()
            .filter_map(move |&m| self.0.get(m))
            .map(move |t| {
                let hours = if row == FILTER_ROW {
                    t.filter_hours
                } else {
                    t.hours
                };
                (t.episodes.get(row).map_or(0.0, |&n| f64::from(n)), hours)
            })
    }

    fn sum(&self, members: &[usize], row: usize) -> (u64, f64) {
        let all = self
            .of(members, row)
            .fold((0.0, 0.0), |(d, t), one| (d + one.0, t + one.1));
        (all.0 as u64, all.1)
    }
}

/// A rate whose episodes count by the probabilities of their sites.
#[derive(Debug, Clone, PartialEq)]
pub struct ExpectedRate {
    /// The site; `None` = undetermined: none is left.
    pub site: Option<Site>,
    /// Whose rate.
    pub group: Group,
    /// Infusions in the group.
    pub infusions: usize,
    /// Expected number of episodes.
    pub episodes: f64,
    /// Time behind them, hours.
    pub hours: f64,
    /// Per 1,000 h; `None` without time at risk.
    pub per_1000_h: Option<Estimate>,
    /// Variance over infusions against that of chance; 1 = chance alone.
    pub dispersion: f64,
}

fn members_of(grouped: &Grouped) -> Vec<usize> {
    (0..grouped.belongs.len())
        .filter(|&m| grouped.has(m))
        .collect()
}

/// The rates of one group over the completed cohorts.
pub fn expected_rates(completed: &[Tallies], grouped: &Grouped) -> Vec<ExpectedRate> {
    let members = members_of(grouped);
    let row = |(row, &site)| expected_rate(completed, grouped, &members, (row, site));
    ROWS.iter().enumerate().map(row).collect()
}

fn expected_rate(
    completed: &[Tallies],
    grouped: &Grouped,
    members: &[usize],
    (row, site): (usize, Option<Site>),
) -> ExpectedRate {
    let sums: Vec<(u64, f64)> = completed.iter().map(|t| t.sum(members, row)).collect();
    let mean = |pick: fn(&(u64, f64)) -> f64| {
        sums.iter().map(pick).sum::<f64>() / sums.len().max(1) as f64
    };
    let spread = completed
        .iter()
        .map(|t| cluster_dispersion(t.of(members, row)));
    let dispersion = spread.sum::<f64>() / completed.len().max(1) as f64;
    let per_1000: Vec<(u64, f64)> = sums.iter().map(|s| (s.0, s.1 / 1000.0)).collect();
    ExpectedRate {
        site,
        group: grouped.group.clone(),
        infusions: members.len(),
        episodes: mean(|s| s.0 as f64),
        hours: mean(|s| s.1),
        per_1000_h: mixed_rate(&per_1000, dispersion),
        dispersion,
    }
}

/// Per 1,000 h if none, or all, of a group's undetermined episodes were of the site, for each of [`ROWS`].
pub fn bounds(
    reviewed: &Tallies,
    if_all_filter: &Tallies,
    grouped: &Grouped,
) -> Vec<Option<(f64, f64)>> {
    let members = members_of(grouped);
    let undetermined = reviewed.sum(&members, ROWS.len() - 1).0;
    let per_1000 = |(n, hours): (u64, f64)| (0.0 < hours).then(|| n as f64 / hours * 1000.0);
    let row = |(row, site): (usize, &Option<Site>)| {
        let (n, hours) = reviewed.sum(&members, row);
        let (low, high) = match site {
            None => ((0, hours), (n, hours)),
            Some(Site::Filter) => ((n, hours), if_all_filter.sum(&members, row)),
            Some(_) => ((n, hours), (n + undetermined, hours)),
        };
        per_1000(low).zip(per_1000(high))
    };
    ROWS.iter().enumerate().map(row).collect()
}

/// Why two groups are not compared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoRatio {
    /// One of them has too few expected onsets.
    TooFew,
    /// The sites were told in these shares of the group's and the reference's episodes.
    ToldUnlike {
        /// The group's.
        told: f64,
        /// The reference's.
        reference: f64,
    },
}

/// The filter rate of one group against that of another, over completed cohorts.
#[derive(Debug, Clone, PartialEq)]
pub struct ExpectedRatio {
    /// The group.
    pub group: Group,
    /// What it is compared with.
    pub reference: Group,
    /// Ratio with its interval, and p for "the rates are the same".
    pub ratio: Result<(Estimate, f64), NoRatio>,
}

/// Fewer expected onsets than this in a group give no ratio. A choice, no source.
const LEAST_ONSETS: f64 = 3.0;
/// Shares of told sites that differ by more than this, and by more than chance makes them, are not compared. A choice, no source.
const TOLD_APART: f64 = 0.25;

/// How often a site was told in a group.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Told {
    /// Episodes with a suggested site.
    pub told: usize,
    /// All episodes.
    pub episodes: usize,
    /// Episodes during or after which (until the next one) a filter change was noted, which lets filter and catheter be told apart.
    pub filter_changed: usize,
}

impl Told {
    /// Counts them.
    pub fn of(cohort: &Cohort, grouped: &Grouped) -> Self {
        let mut found = Self::default();
        for facts in cohort
            .members
            .iter()
            .enumerate()
            .filter(|(m, _)| grouped.has(*m))
            .map(|(_, m)| &m.facts)
        {
            for (i, episode) in facts.episodes.iter().enumerate() {
                let until_s = facts
                    .episodes
                    .get(i + 1)
                    .map_or(facts.end_s, |next| next.onset_s.value);
                let within = |&t: &f64| episode.onset_s.value <= t && t <= until_s;
                found.episodes += 1;
                found.told += usize::from(episode.suggested.is_some());
                found.filter_changed += usize::from(facts.filter_changes_s.iter().any(within));
            }
        }
        found
    }

    /// Share of the episodes that were told; `None` without an episode.
    pub fn share(self) -> Option<f64> {
        (0 < self.episodes).then(|| self.told as f64 / self.episodes as f64)
    }

    fn unlike(self, other: Self) -> Option<NoRatio> {
        let (told, reference) = (self.share()?, other.share()?);
        let (n, m) = (self.episodes as f64, other.episodes as f64);
        let all = (self.told + other.told) as f64 / (n + m);
        let by_chance = Z_95 * (all * (1.0 - all) * (1.0 / n + 1.0 / m)).sqrt();
        let apart = (told - reference).abs();
        (TOLD_APART < apart && by_chance < apart).then_some(NoRatio::ToldUnlike { told, reference })
    }
}

/// Compares each group with the one of the most hours.
pub fn expected_ratios(
    cohort: &Cohort,
    completed: &[Tallies],
    groups: &[Grouped],
) -> Vec<ExpectedRatio> {
    let row = |g| {
        let members = members_of(g);
        let rate = expected_rate(completed, g, &members, (FILTER_ROW, Some(Site::Filter)));
        (g, members, rate)
    };
    let rows: Vec<Row> = groups.iter().map(row).collect();
    let Some(reference) = rows.iter().max_by(|a, b| a.2.hours.total_cmp(&b.2.hours)) else {
        return Vec::new();
    };
    let others = rows.iter().filter(|r| r.0.group != reference.0.group);
    others
        .map(|own| ExpectedRatio {
            group: own.0.group.clone(),
            reference: reference.0.group.clone(),
            ratio: match Told::of(cohort, own.0).unlike(Told::of(cohort, reference.0)) {
                Some(why) => Err(why),
                None => ratio(completed, own, reference).ok_or(NoRatio::TooFew),
            },
        })
        .collect()
}

type Row<'a> = (&'a Grouped, Vec<usize>, ExpectedRate);

/// The log of the ratio by Rubin's rules; half an event is added to each count, as is common for logs of counts (J. B. S. Haldane, 1956;
/// from memory).
fn ratio(completed: &[Tallies], own: &Row, reference: &Row) -> Option<(Estimate, f64)> {
    if own.2.episodes < LEAST_ONSETS || reference.2.episodes < LEAST_ONSETS {
        return None;
    }
    let logs: Vec<(f64, f64)> = completed
        .iter()
        .map(|t| {
            let side = |row: &Row| {
                let (n, hours) = t.sum(&row.1, FILTER_ROW);
                (
                    ((n as f64 + 0.5) / hours).ln(),
                    row.2.dispersion / (n as f64 + 0.5),
                )
            };
            let ((a, var_a), (b, var_b)) = (side(own), side(reference));
            (a - b, var_a + var_b)
        })
        .collect();
    let pooled = rubin::pool(&logs, f64::INFINITY)?;
    Some((exponential(pooled)?, pooled.p()))
}

fn exponential(pooled: Pooled) -> Option<Estimate> {
    let (low, high) = pooled.limits();
    Estimate::new(pooled.value.exp(), low.exp(), high.exp())
}

/// Most steps of a pooled curve.
const MOST_STEPS: usize = 300;

/// The survival curve of a group over the completed cohorts: the complementary log-log of each curve by Rubin's rules at every time
/// with an event (A. Marshall and others, BMC Med. Res. Methodol. 9 (2009) 57; from memory).
///
/// What else stands in a [`Survival`] (filters, numbers at risk) is the reviews' own.
pub fn survival(reviewed: &Survival, completed: &[AtRisk], grouped: &Grouped) -> Survival {
    let own = |f: &&Filter| grouped.has(f.member);
    let lives: Vec<Vec<Life>> = completed
        .iter()
        .map(|a| {
            a.filters
                .iter()
                .filter(own)
                .filter_map(Filter::life)
                .collect()
        })
        .collect();
    let curves: Vec<Vec<Step>> = lives.iter().map(|l| kaplan_meier::curve(l)).collect();
    let mut times: Vec<f64> = curves.iter().flatten().map(|s| s.time).collect();
    times.sort_by(f64::total_cmp);
    times.dedup();
    let every = times.len().div_ceil(MOST_STEPS).max(1);
    let last = times.last().copied();
    let mut curve: Vec<Step> = Vec::new();
    let picked = times.iter().skip(every - 1).step_by(every).copied();
    for time in picked.chain(last) {
        if curve.last().is_none_or(|s| s.time < time) {
            curve.push(pooled_step(&curves, time));
        }
    }
    let events: usize = curves.iter().flatten().map(|s| s.events).sum();
    Survival {
        expected_events: events as f64 / curves.len().max(1) as f64,
        method: Method::Imputed,
        median_h: kaplan_meier::quantile(&curve, 0.5),
        curve,
        ..reviewed.clone()
    }
}

fn pooled_step(curves: &[Vec<Step>], time: f64) -> Step {
    let at = |curve: &Vec<Step>| {
        let passed = curve.partition_point(|s| s.time <= time);
        passed.checked_sub(1).and_then(|i| curve.get(i)).copied()
    };
    let steps: Vec<Option<Step>> = curves.iter().map(at).collect();
    let mean = |pick: fn(&Step) -> f64| {
        let sum: f64 = steps.iter().map(|s| s.as_ref().map_or(1.0, pick)).sum();
        sum / steps.len().max(1) as f64
    };
    let log_log = |s: f64| (-s.ln()).ln();
    let logs: Option<Vec<(f64, f64)>> = steps
        .iter()
        .map(|s| {
            let s = s.filter(|s| 0.0 < s.low && s.survival < 1.0)?;
            let error = (log_log(s.low) - log_log(s.survival)) / Z_95;
            Some((log_log(s.survival), error * error))
        })
        .collect();
    let pooled = logs.and_then(|l| rubin::pool(&l, f64::INFINITY)).map(|p| {
        let (low, high) = p.limits();
        let back = |x: f64| (-x.exp()).exp();
        (back(p.value), back(high), back(low))
    });
    let (survival, low, high) =
        pooled.unwrap_or((mean(|s| s.survival), mean(|s| s.low), mean(|s| s.high)));
    let at_risk = mean(|s| s.at_risk as f64).round() as usize;
    Step {
        time,
        at_risk,
        events: 0,
        survival,
        low,
        high,
    }
}

/// Effects row by row over the completed cohorts. A row of which more than one completion in ten has no ratio has none, for the
/// reason most often given.
pub fn effects(completed: &[Vec<Effect>]) -> Vec<Effect> {
    let rows = completed.iter().map(Vec::len).min().unwrap_or(0);
    (0..rows)
        .filter_map(|i| {
            let same: Vec<&Effect> = completed.iter().filter_map(|c| c.get(i)).collect();
            let first = *same.first()?;
            let events = same.iter().map(|e| e.events).sum::<f64>() / same.len() as f64;
            Some(Effect {
                method: Method::Imputed,
                events,
                ratio: pooled_ratio(&same),
                proportional: None,
                ..first.clone()
            })
        })
        .collect()
}

fn pooled_ratio(same: &[&Effect]) -> Result<HazardRatio, NoFit> {
    let logs: Vec<(f64, f64)> = same
        .iter()
        .filter_map(|e| e.ratio.as_ref().ok())
        .map(|r| (r.ratio.value.ln(), r.standard_error * r.standard_error))
        .collect();
    let why = || {
        same.iter()
            .find_map(|e| e.ratio.as_ref().err().copied())
            .unwrap_or(NoFit::NotConverged)
    };
    if logs.len() * 10 < same.len() * 9 {
        return Err(why());
    }
    let free = match same.first() {
        Some(e) if e.clustered => (e.clusters as f64 - 1.0).max(1.0),
        _ => f64::INFINITY,
    };
    let pooled = rubin::pool(&logs, free).ok_or_else(why)?;
    Ok(HazardRatio {
        ratio: exponential(pooled).ok_or_else(why)?,
        standard_error: pooled.standard_error(),
        p: pooled.p(),
    })
}
