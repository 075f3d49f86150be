//! Cox regression and matched sets against lifelines, statsmodels and R's survival.

use crate::reference::{Cells, Reference, number, table};
use patency::stats::conditional_logistic::{Moment, conditional_logistic};
use patency::stats::cox::{Fit, Row, Rows, fit};
use rstest::rstest;

/// Asked for is 1e-6; what is reached is limited by where the judges stop their own search.
const CLOSE: f64 = 1e-7;

const ROSSI: [&str; 7] = ["fin", "age", "race", "wexp", "mar", "paro", "prio"];

fn fit_of(
    data: &[Cells],
    covariates: &[&str],
    times: fn(&Cells) -> (f64, f64, bool),
    stratum: impl Fn(&Cells) -> u32,
    cluster: impl Fn(usize, &Cells) -> u32,
) -> Fit {
    let mut rows = Rows::new(covariates.len());
    for (i, cells) in data.iter().enumerate() {
        let (start, stop, event) = times(cells);
        let x: Vec<f64> = covariates.iter().map(|c| number(cells, c)).collect();
        let taken = rows.push(Row {
            start,
            stop,
            event,
            covariates: &x,
            stratum: stratum(cells),
            cluster: cluster(i, cells),
        });
        assert!(taken);
    }
    fit(&rows).unwrap()
}

fn weeks(r: &Cells) -> (f64, f64, bool) {
    (0.0, number(r, "week"), r["arrest"] == "1")
}

fn start_stop(r: &Cells) -> (f64, f64, bool) {
    (number(r, "start"), number(r, "stop"), r["event"] == "1")
}

fn coefficients_agree(reference: &Reference, name: &str, fit: &Fit, covariates: &[&str]) {
    for (j, covariate) in covariates.iter().enumerate() {
        reference.agrees(
            &format!("{name}/{covariate}/coef"),
            fit.coefficients[j],
            CLOSE,
        );
        let ratio = fit.hazard_ratio(j).unwrap();
        reference.agrees(
            &format!("{name}/{covariate}/se"),
            ratio.standard_error,
            CLOSE,
        );
        assert!(
            (ratio.ratio.value - reference.get(&format!("{name}/{covariate}/coef")).exp()).abs()
                < 1e-6
        );
    }
}

#[rstest]
#[case("lifelines")]
#[case("r")]
fn recidivism_with_tied_weeks_agrees_with(#[case] judge: &str) {
    let reference = Reference::read();
    let fit = fit_of(&table("rossi.csv"), &ROSSI, weeks, |_| 0, |i, _| i as u32);
    coefficients_agree(&reference, &format!("{judge}/cox/rossi"), &fit, &ROSSI);
    reference.agrees(
        &format!("{judge}/cox/rossi/log_likelihood"),
        fit.log_likelihood,
        1e-10,
    );
    reference.agrees(
        "r/cox/rossi/null_log_likelihood",
        fit.null_log_likelihood,
        1e-10,
    );
    reference.agrees("r/cox/rossi/score", fit.score_statistic, CLOSE);
}

#[rstest]
#[case("lifelines")]
#[case("r")]
fn strata_agree_with(#[case] judge: &str) {
    let covariates: Vec<&str> = ROSSI.into_iter().filter(|c| *c != "wexp").collect();
    let by_wexp = |r: &Cells| number(r, "wexp") as u32;
    let fit = fit_of(&table("rossi.csv"), &covariates, weeks, by_wexp, |i, _| {
        i as u32
    });
    coefficients_agree(
        &Reference::read(),
        &format!("{judge}/cox/rossi-by-wexp"),
        &fit,
        &covariates,
    );
}

#[rstest]
#[case("lifelines")]
#[case("r")]
fn heart_transplants_with_a_time_varying_covariate_agree_with(#[case] judge: &str) {
    let reference = Reference::read();
    let covariates = ["age", "year", "surgery", "transplant"];
    let by_id = |_: usize, r: &Cells| number(r, "id") as u32;
    let fit = fit_of(&table("heart.csv"), &covariates, start_stop, |_| 0, by_id);
    coefficients_agree(&reference, &format!("{judge}/cox/heart"), &fit, &covariates);
    reference.agrees(
        &format!("{judge}/cox/heart/log_likelihood"),
        fit.log_likelihood,
        1e-10,
    );
    for (j, covariate) in covariates.iter().enumerate() {
        let clustered = fit.clustered_hazard_ratio(j).unwrap();
        reference.agrees(
            &format!("r/cox/heart/{covariate}/robust_se"),
            clustered.standard_error,
            CLOSE,
        );
    }
}

#[test]
fn clustered_errors_within_strata_agree_with_r() {
    let covariates = ["age", "transplant"];
    let by_surgery = |r: &Cells| number(r, "surgery") as u32;
    let by_id = |_: usize, r: &Cells| number(r, "id") as u32;
    let fit = fit_of(
        &table("heart.csv"),
        &covariates,
        start_stop,
        by_surgery,
        by_id,
    );
    for (j, covariate) in covariates.iter().enumerate() {
        let name = format!("r/cox/heart-by-surgery/{covariate}/robust_se");
        Reference::read().agrees(
            &name,
            fit.clustered_hazard_ratio(j).unwrap().standard_error,
            CLOSE,
        );
    }
}

#[test]
fn clustered_errors_with_tied_weeks_agree_with_r() {
    let covariates = ["fin", "age", "prio"];
    let fit = fit_of(
        &table("rossi.csv"),
        &covariates,
        weeks,
        |_| 0,
        |i, _| i as u32 % 40,
    );
    for (j, covariate) in covariates.iter().enumerate() {
        let name = format!("r/cox/rossi-clustered/{covariate}/robust_se");
        Reference::read().agrees(
            &name,
            fit.clustered_hazard_ratio(j).unwrap().standard_error,
            CLOSE,
        );
    }
}

#[rstest]
#[case("lifelines")]
#[case("statsmodels")]
#[case("r")]
fn delayed_entry_agrees_with(#[case] judge: &str) {
    let delayed = |r: &Cells| (number(r, "W"), number(r, "T"), r["D"] == "1");
    let fit = fit_of(
        &table("aids.csv"),
        &["AIDSY"],
        delayed,
        |_| 0,
        |i, _| i as u32,
    );
    coefficients_agree(
        &Reference::read(),
        &format!("{judge}/cox/aids"),
        &fit,
        &["AIDSY"],
    );
}

#[rstest]
#[case("identity", |t| t)]
#[case("log", f64::ln)]
fn the_check_of_proportional_hazards_agrees_with_lifelines(
    #[case] word: &str,
    #[case] transform: fn(f64) -> f64,
) {
    let reference = Reference::read();
    let fit = fit_of(&table("rossi.csv"), &ROSSI, weeks, |_| 0, |i, _| i as u32);
    for (j, covariate) in ROSSI.iter().enumerate() {
        let test = fit.proportional_hazards(j, transform).unwrap();
        // 1e-6: the statistic of `prio` is near 0, and lifelines stops its search at 1e-9 in the coefficients
        reference.agrees(
            &format!("lifelines/ph/rossi/{word}/{covariate}/chi2"),
            test.chi_squared,
            1e-6,
        );
    }
}

#[test]
fn schoenfeld_residuals_agree_with_r() {
    let fit = fit_of(&table("rossi.csv"), &ROSSI, weeks, |_| 0, |i, _| i as u32);
    for (j, covariate) in ROSSI.iter().enumerate() {
        let squares: f64 = fit.schoenfeld.iter().map(|s| s.residual[j].powi(2)).sum();
        Reference::read().agrees(
            &format!("r/schoenfeld/rossi/{covariate}/sum_of_squares"),
            squares,
            CLOSE,
        );
    }
}

#[test]
fn matched_sets_agree_with_r() {
    let reference = Reference::read();
    let moments: Vec<Moment> = table("infert.csv")
        .iter()
        .map(|r| Moment {
            set: number(r, "stratum") as u32,
            case: r["case"] == "1",
            covariates: vec![number(r, "spontaneous"), number(r, "induced")],
        })
        .collect();
    let fit = conditional_logistic(&moments).unwrap();
    coefficients_agree(
        &reference,
        "r/clogit/infert",
        &fit,
        &["spontaneous", "induced"],
    );
}
