//! Survival curves, log-rank tests and cumulative incidence against lifelines and R's survival.

use crate::reference::{Reference, number, table};
use patency::stats::cumulative_incidence::{Exit, cumulative_incidence};
use patency::stats::kaplan_meier::{Life, curve, quantile};
use patency::stats::log_rank::log_rank;
use rstest::rstest;
use std::collections::HashSet;

/// Agreement that the judges' own convergence allows.
const CLOSE: f64 = 1e-9;

fn leukaemia() -> Vec<(Life, usize)> {
    table("leukaemia.csv")
        .iter()
        .map(|r| {
            let life = Life::new(0.0, number(r, "t"), r["status"] == "1").unwrap();
            (life, number(r, "Rx") as usize)
        })
        .collect()
}

fn aids() -> Vec<(Life, f64)> {
    table("aids.csv")
        .iter()
        .map(|r| {
            let life = Life::new(number(r, "W"), number(r, "T"), r["D"] == "1").unwrap();
            (life, number(r, "AIDSY"))
        })
        .collect()
}

#[rstest]
#[case(0)]
#[case(1)]
fn the_remission_curves_and_their_log_log_limits_agree_with_lifelines(#[case] arm: usize) {
    let reference = Reference::read();
    let lives: Vec<Life> = leukaemia()
        .into_iter()
        .filter(|l| l.1 == arm)
        .map(|l| l.0)
        .collect();
    let steps = curve(&lives);
    assert!(6 < steps.len());
    for step in &steps {
        let name = format!("lifelines/km/leukaemia/{arm}/{}", step.time);
        reference.agrees(&format!("{name}/survival"), step.survival, CLOSE);
        reference.agrees(&format!("{name}/low"), step.low, CLOSE);
        reference.agrees(&format!("{name}/high"), step.high, CLOSE);
    }
    let median = quantile(&steps, 0.5);
    reference.agrees(
        &format!("lifelines/km/leukaemia/{arm}/median"),
        median.value.unwrap(),
        CLOSE,
    );
    reference.agrees(
        &format!("r/km/leukaemia/{arm}/median"),
        median.value.unwrap(),
        CLOSE,
    );
    reference.agrees(
        &format!("r/km/leukaemia/{arm}/median_low"),
        median.low.unwrap(),
        CLOSE,
    );
}

#[test]
fn the_curve_with_delayed_entry_agrees_with_lifelines() {
    let reference = Reference::read();
    let lives: Vec<Life> = aids().into_iter().map(|l| l.0).collect();
    let steps = curve(&lives);
    let expected = reference.under("lifelines/km/aids/").count();
    assert_eq!(3 * steps.len(), expected);
    for step in &steps {
        let name = format!("lifelines/km/aids/{}", step.time);
        reference.agrees(&format!("{name}/survival"), step.survival, CLOSE);
        reference.agrees(&format!("{name}/low"), step.low, CLOSE);
        reference.agrees(&format!("{name}/high"), step.high, CLOSE);
    }
}

#[test]
fn the_log_rank_test_agrees_with_lifelines_and_r() {
    let reference = Reference::read();
    let test = log_rank(&leukaemia(), 2).unwrap();
    reference.agrees("lifelines/logrank/leukaemia/chi2", test.chi_squared, CLOSE);
    reference.agrees("lifelines/logrank/leukaemia/p", test.p, CLOSE);
    reference.agrees("r/logrank/leukaemia/chi2", test.chi_squared, CLOSE);
    for arm in [0, 1] {
        reference.agrees(
            &format!("r/logrank/leukaemia/expected/{arm}"),
            test.groups[arm].1,
            CLOSE,
        );
    }
}

#[test]
fn the_log_rank_test_of_four_groups_agrees_with_r() {
    let lives: Vec<_> = table("rossi.csv")
        .iter()
        .map(|r| {
            let life = Life::new(0.0, number(r, "week"), r["arrest"] == "1").unwrap();
            (life, number(r, "prio").min(3.0) as usize)
        })
        .collect();
    let test = log_rank(&lives, 4).unwrap();
    assert_eq!(test.df, 3);
    Reference::read().agrees("r/logrank/rossi-by-prior/chi2", test.chi_squared, CLOSE);
}

#[test]
fn the_log_rank_test_with_delayed_entry_agrees_with_r() {
    let mut seen = HashSet::new();
    let lives: Vec<_> = aids()
        .into_iter()
        .filter(|(life, _)| seen.insert(life.exit().to_bits()))
        .map(|(life, year)| (life, usize::from(year < 1994.8)))
        .collect();
    let test = log_rank(&lives, 2).unwrap();
    Reference::read().agrees("r/logrank/aids/chi2", test.chi_squared, 1e-8);
}

fn mgus() -> Vec<Exit> {
    table("mgus.csv")
        .iter()
        .map(|r| {
            let cause = (number(r, "cause") as usize).checked_sub(1);
            let life = Life::new(number(r, "entry"), number(r, "exit"), cause.is_some()).unwrap();
            Exit { life, cause }
        })
        .collect()
}

#[rstest]
#[case(0, "malignancy")]
#[case(1, "death")]
fn the_cumulative_incidence_on_the_age_scale_agrees_with_r(
    #[case] cause: usize,
    #[case] word: &str,
) {
    let reference = Reference::read();
    let curves = cumulative_incidence(&mgus(), 2);
    for age in [50, 60, 70, 80, 90] {
        let step = curves[cause]
            .iter()
            .rfind(|s| s.time <= f64::from(age * 12))
            .unwrap();
        reference.agrees(
            &format!("r/incidence/mgus/{age}/{word}"),
            step.incidence,
            1e-9,
        );
    }
}

#[rstest]
#[case(0)]
#[case(1)]
fn the_variance_of_the_cumulative_incidence_agrees_with_lifelines(#[case] cause: usize) {
    let reference = Reference::read();
    let mut seen = HashSet::new();
    let once: Vec<Exit> = mgus()
        .into_iter()
        .filter(|e| seen.insert(e.life.exit().to_bits()))
        .collect();
    let exits: HashSet<u64> = once.iter().map(|e| e.life.exit().to_bits()).collect();
    let kept: Vec<Exit> = once
        .into_iter()
        .filter(|e| !exits.contains(&e.life.entry().to_bits()))
        .collect();
    assert_eq!(
        kept.len() as f64,
        reference.get("lifelines/incidence/mgus/rows")
    );
    let curves = cumulative_incidence(&kept, 2);
    for age in [60, 70, 80] {
        // lifelines gives the variance at the last time of any kind; ours is at the last event of the cause, and a later
        // event of the other cause changes it: so the comparison is made where the two coincide or the value is the same.
        let name = format!("lifelines/incidence/mgus/{}/{age}", cause + 1);
        let step = curves[cause]
            .iter()
            .rfind(|s| s.time <= f64::from(age * 12))
            .unwrap();
        reference.agrees(&format!("{name}/value"), step.incidence, CLOSE);
        reference.agrees(
            &format!("{name}/variance"),
            step.standard_error.powi(2),
            1e-8,
        );
    }
}
