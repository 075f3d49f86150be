//! Exact limits of rates and Poisson regression against mpmath, scipy and R.

use crate::reference::{Reference, number, table};
use patency::stats::poisson::{count_limits, rate_ratio};
use patency::stats::poisson_regression::{Count, fit};

#[test]
fn garwoods_limits_agree_with_mpmath_at_50_digits() {
    let reference = Reference::read();
    let mut compared = 0;
    for (name, _) in reference.under("mpmath/garwood/") {
        let (count, side) = name.split_once('/').unwrap();
        let (low, high) = count_limits(count.parse().unwrap(), 0.95).unwrap();
        let found = if side == "low" { low } else { high };
        reference.agrees(&format!("mpmath/garwood/{name}"), found, 1e-11);
        compared += 1;
    }
    assert_eq!(compared, 15);
}

#[test]
fn exact_rate_ratios_agree_with_scipy() {
    let reference = Reference::read();
    for ((a, b), (s, t)) in [
        ((12, 5), (300.0, 250.0)),
        ((31, 4), (4210.0, 1800.0)),
        ((1, 9), (50.0, 60.0)),
    ] {
        let name = format!("scipy/rate_ratio/{a}-{b}-{s}-{t}");
        let ratio = rate_ratio((a, b), (s, t)).unwrap();
        reference.agrees(&format!("{name}/low"), ratio.low, 1e-9);
        reference.agrees(&format!("{name}/high"), ratio.high.unwrap(), 1e-9);
        reference.agrees(&format!("{name}/p"), ratio.p, 1e-9);
    }
}

#[test]
fn poisson_regression_with_exposures_agrees_with_r() {
    let reference = Reference::read();
    let rows = table("warpbreaks.csv");
    let columns = ["wool", "medium", "high"];
    let counts = |exposure: &dyn Fn(f64) -> f64| -> Vec<Count> {
        rows.iter()
            .map(|r| Count {
                events: number(r, "breaks"),
                exposure: exposure(number(r, "exposure")),
                covariates: std::iter::once(1.0)
                    .chain(columns.iter().map(|c| number(r, c)))
                    .collect(),
            })
            .collect()
    };
    let with_exposure = fit(&counts(&|x| x)).unwrap();
    for (j, name) in ["(Intercept)", "wool", "medium", "high"].iter().enumerate() {
        reference.agrees(
            &format!("r/glm/warpbreaks/{name}/coef"),
            with_exposure.coefficients[j],
            1e-8,
        );
        let error = with_exposure.standard_error(j, 1.0).unwrap();
        reference.agrees(&format!("r/glm/warpbreaks/{name}/se"), error, 1e-7);
    }
    reference.agrees("r/glm/warpbreaks/deviance", with_exposure.deviance, 1e-9);
    reference.agrees("r/glm/warpbreaks/pearson", with_exposure.pearson, 1e-8);
    reference.agrees("r/glm/warpbreaks/df", with_exposure.df as f64, 0.0);
    let plain = fit(&counts(&|_| 1.0)).unwrap();
    reference.agrees("r/glm/warpbreaks-plain/deviance", plain.deviance, 1e-9);
}
