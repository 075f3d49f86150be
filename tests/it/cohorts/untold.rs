//! Cohorts whose sites the reviews know only by probability, in two units: one whose filters are changed, so that its sites are mostly
//! told, and one where they are not.
//!
//! Reviews are made, not run: each episode's log likelihood ratio of filter against catheter is drawn from normal laws with means
//! ±d²/2 and variance d², for which the probabilities are exactly calibrated. So this judges what the survey makes of calibrated
//! probabilities; how calibrated the reviews are stands in `ACCURACY.md`.

use super::{Setting, cohort};
use patency::infer::{Confidence, Course, Site};
use patency::record::Priors;
use patency::study::{Cohort, Effect, Happening, Settings, Survey, survey};
use patency::units::Estimate;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::fmt::Write;

const SETTINGS: [Setting; 2] = [
    Setting {
        name: "true ratio 1",
        hazard_ratio: 1.0,
        alarm_stops: false,
        first_seed: 5_000_000,
    },
    Setting {
        name: "true ratio 1.5",
        hazard_ratio: 1.5,
        alarm_stops: false,
        first_seed: 6_000_000,
    },
];

/// How far apart the sites stand in the reviews of each unit, in standard deviations.
const APART: [(&str, f64); 2] = [("changes-filters", 3.5), ("keeps-filters", 1.2)];
/// Share of infusions with an episode at the catheter.
const CATHETER: f64 = 0.25;
const FILTER: usize = 2;
const CATHETER_SITE: usize = 3;

fn log_odds(p: f64) -> f64 {
    (p / (1.0 - p)).ln()
}

/// The cohort with its true sites, and as reviews know it.
fn made(setting: &Setting, number: u64) -> (Cohort, Cohort) {
    let mut truth = cohort(setting, number);
    let mut random = ChaCha8Rng::seed_from_u64(setting.first_seed + 500_000 + number);
    truth.columns = vec!["unit".into()];
    for (i, member) in truth.members.iter_mut().enumerate() {
        member.labels = vec![APART[i % 2].0.into()];
        if random.random_bool(CATHETER) {
            let t = random.random_range(0.0..member.facts.end_s);
            let id = member.facts.episodes.len() as u32 + 1;
            let mut sites = [0.0; 6];
            sites[CATHETER_SITE] = 1.0;
            member.facts.episodes.push(Happening {
                id,
                onset_s: Estimate::new(t, t - 900.0, t + 900.0).unwrap(),
                end_s: None,
                visible_from_s: t + 300.0,
                alarm_s: None,
                course: Course::Gradual,
                suggested: Some(Site::Catheter),
                confidence: Confidence::High,
                sites,
            });
        }
        member
            .facts
            .episodes
            .sort_by(|a, b| a.onset_s.value.total_cmp(&b.onset_s.value));
    }
    let prior = filter_share();
    let mut reviewed = truth.clone();
    for (i, member) in reviewed.members.iter_mut().enumerate() {
        let d = APART[i % 2].1;
        for episode in &mut member.facts.episodes {
            let z: f64 = StandardNormal.sample(&mut random);
            let half = if episode.suggested == Some(Site::Filter) {
                0.5
            } else {
                -0.5
            };
            let log_odds = log_odds(prior) + half * d * d + d * z;
            let p = 1.0 / (1.0 + (-log_odds).exp());
            episode.sites = [0.0; 6];
            episode.sites[FILTER] = p;
            episode.sites[CATHETER_SITE] = 1.0 - p;
            episode.suggested = match p {
                p if 0.6 <= p => Some(Site::Filter),
                p if p <= 0.4 => Some(Site::Catheter),
                _ => None,
            };
        }
    }
    (truth, reviewed)
}

/// The filter's share before a record is looked at: the sum of its three causes.
fn filter_share() -> f64 {
    let shares = Priors::default().shares();
    let filter = Priors::CAUSES
        .iter()
        .zip(shares)
        .filter(|(name, _)| name.starts_with("filter"));
    filter.map(|(_, share)| share).sum()
}

/// What one cohort gave.
struct Row {
    true_onsets: f64,
    hours: f64,
    /// By verdicts, imputed.
    onsets: [f64; 2],
    rates: [Option<Estimate>; 2],
    /// Whether the units' ratio has an interval that holds 1; `None` = refused.
    ratio_holds_1: [Option<bool>; 2],
    /// Of the true sites, by verdicts, imputed.
    effects: [Option<Estimate>; 3],
}

fn effect(effects: &[Effect]) -> Option<Estimate> {
    effects.first()?.ratio.as_ref().ok().map(|r| r.ratio)
}

fn row(setting: &Setting, number: u64) -> Row {
    let (truth, reviewed) = made(setting, number);
    let settings = Settings::default();
    let of = |c: &Cohort| -> Survey { survey(c, &settings).unwrap() };
    let (complete, found) = (of(&truth), of(&reviewed));
    let filter = |s: &Survey| {
        s.rates
            .iter()
            .find(|r| r.site == Some(Site::Filter))
            .cloned()
            .unwrap()
    };
    let (best, hard, expected) = (
        filter(&complete),
        filter(&found),
        &found.expected.rates[FILTER],
    );
    let ratio = found.comparisons.first().and_then(|c| c.ratio);
    let imputed = found.expected.ratios.first().and_then(|r| r.ratio.ok());
    Row {
        true_onsets: best.episodes as f64,
        hours: best.hours,
        onsets: [hard.episodes as f64, expected.episodes],
        rates: [hard.per_1000_h, expected.per_1000_h],
        ratio_holds_1: [
            ratio.map(|r| r.low <= 1.0 && r.high.is_none_or(|h| 1.0 <= h)),
            imputed.map(|(r, _)| r.low <= 1.0 && 1.0 <= r.high),
        ],
        effects: [
            effect(&complete.effects),
            effect(&found.effects),
            effect(&found.expected.effects),
        ],
    }
}

fn percent(yes: usize, of: usize) -> f64 {
    100.0 * yes as f64 / of.max(1) as f64
}

#[test]
fn untold_sites_leave_rates_and_ratios_in_their_intervals() {
    let cohorts: u64 = std::env::var("PATENCY_UNTOLD").map_or(8, |n| n.parse().unwrap());
    let mut table = "setting,cohorts,first_seed,method,onsets_against_true_percent,rate_covered_percent,unit_ratio_refused_percent,\
                     unit_ratio_holds_1_percent,mean_log_ratio,mean_log_ratio_true_sites,log_ratio_covered_percent\n"
        .to_string();
    for setting in &SETTINGS {
        let rows: Vec<Row> = (0..cohorts).map(|n| row(setting, n)).collect();
        let sum = |pick: &dyn Fn(&Row) -> f64| rows.iter().map(pick).sum::<f64>();
        let true_rate = 1000.0 * sum(&|r| r.true_onsets) / sum(&|r| r.hours);
        let holds = |e: Option<Estimate>, x: f64| e.is_some_and(|e| e.low <= x && x <= e.high);
        let mean_log = |which: usize| {
            let logs: Vec<f64> = rows
                .iter()
                .filter_map(|r| r.effects[which])
                .map(|e| e.value.ln())
                .collect();
            logs.iter().sum::<f64>() / logs.len().max(1) as f64
        };
        let mut counted = Vec::new();
        for (i, method) in ["hard", "imputed"].into_iter().enumerate() {
            let onsets = 100.0 * sum(&|r| r.onsets[i]) / sum(&|r| r.true_onsets);
            let covered = rows.iter().filter(|r| holds(r.rates[i], true_rate)).count();
            let given: Vec<bool> = rows.iter().filter_map(|r| r.ratio_holds_1[i]).collect();
            let one = given.iter().filter(|&&h| h).count();
            let effect = rows
                .iter()
                .filter(|r| holds(r.effects[i + 1], setting.hazard_ratio))
                .count();
            writeln!(
                table,
                "\"{}\",{cohorts},{},{method},{onsets:.1},{:.1},{:.1},{:.1},{:.4},{:.4},{:.1}",
                setting.name,
                setting.first_seed,
                percent(covered, rows.len()),
                percent(rows.len() - given.len(), rows.len()),
                percent(one, given.len()),
                mean_log(i + 1),
                mean_log(0),
                percent(effect, rows.len()),
            )
            .unwrap();
            counted.push((onsets, covered));
        }
        let [(hard, _), (imputed, covered)] = counted[..] else {
            unreachable!()
        };
        assert!(
            (imputed - 100.0).abs() < 10.0,
            "{}: {imputed} % of the onsets",
            setting.name
        );
        assert!(
            (imputed - 100.0).abs() < (hard - 100.0).abs(),
            "{}: {hard} {imputed}",
            setting.name
        );
        assert!(
            rows.len() * 3 <= covered * 4,
            "{}: covered {covered}",
            setting.name
        );
    }
    if let Ok(file) = std::env::var("PATENCY_UNTOLD_TABLE") {
        std::fs::write(file, &table).unwrap();
    }
}
