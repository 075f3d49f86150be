//! Laws and edge cases of the Cox fit. Values of other libraries are in tests/it/reference_cox.rs.

use super::*;
use proptest::prelude::*;

type Plain = (f64, f64, bool, f64);

fn rows(data: &[Plain]) -> Rows {
    let mut rows = Rows::new(1);
    for (i, &(start, stop, event, x)) in data.iter().enumerate() {
        let taken = rows.push(Row {
            start,
            stop,
            event,
            covariates: &[x],
            stratum: 0,
            cluster: i as u32,
        });
        assert!(taken);
    }
    rows
}

/// The slow twin: each risk set summed afresh, Efron's terms one by one.
fn slow_log_likelihood(data: &[Plain], beta: f64) -> f64 {
    let weight = |x: f64| (beta * x).exp();
    let mut times: Vec<f64> = data.iter().filter(|r| r.2).map(|r| r.1).collect();
    times.sort_by(f64::total_cmp);
    times.dedup();
    let mut sum = 0.0;
    for t in times {
        let at_risk: f64 = data
            .iter()
            .filter(|r| r.0 < t && t <= r.1)
            .map(|r| weight(r.3))
            .sum();
        let dying: Vec<f64> = data
            .iter()
            .filter(|r| r.2 && r.1 == t)
            .map(|r| r.3)
            .collect();
        let dead: f64 = dying.iter().map(|&x| weight(x)).sum();
        for (k, x) in dying.iter().enumerate() {
            sum += beta * x - (at_risk - k as f64 / dying.len() as f64 * dead).ln();
        }
    }
    sum
}

fn any_rows() -> impl Strategy<Value = Vec<Plain>> {
    let row = (0u8..12, 1u8..12, any::<bool>(), -3i8..4);
    prop::collection::vec(row, 1..25).prop_map(|rows| {
        rows.into_iter()
            .map(|(start, length, event, x)| {
                let start = f64::from(start);
                (start, start + f64::from(length), event, f64::from(x))
            })
            .collect()
    })
}

proptest! {
    #[test]
    fn the_running_sums_equal_each_risk_set_summed_afresh(data in any_rows(), beta in -6.0..6.0) {
        let rows = rows(&data);
        let sets = RiskSets::new(&rows);
        let fast = sets.sums(&DVector::from_element(1, beta));
        let slow = slow_log_likelihood(&data, beta);
        prop_assert!((fast.log_likelihood - slow).abs() <= 1e-8 * (1.0 + slow.abs()));
        let h = 1e-5;
        let slope = (slow_log_likelihood(&data, beta + h) - slow_log_likelihood(&data, beta - h)) / (2.0 * h);
        prop_assert!((fast.gradient[0] - slope).abs() <= 1e-4 * (1.0 + slope.abs()));
    }

    #[test]
    fn a_fit_has_no_nan_and_sits_at_the_top(data in any_rows()) {
        if let Ok(fit) = fit(&rows(&data)) {
            let ratio = fit.hazard_ratio(0).unwrap();
            prop_assert!(ratio.p.is_finite() && ratio.standard_error.is_finite());
            let beta = fit.coefficients[0];
            let top = slow_log_likelihood(&data, beta);
            prop_assert!((top - fit.log_likelihood).abs() < 1e-7 * (1.0 + top.abs()));
            prop_assert!(slow_log_likelihood(&data, beta + 0.01) <= top + 1e-9);
            prop_assert!(slow_log_likelihood(&data, beta - 0.01) <= top + 1e-9);
        }
    }

    #[test]
    fn one_covariate_has_no_estimate_exactly_where_every_event_lies_at_the_edge_of_its_risk_set(data in any_rows()) {
        let events: Vec<_> = data.iter().filter(|r| r.2).collect();
        prop_assume!(!events.is_empty());
        let at_risk = |t: f64| data.iter().filter(move |r| r.0 < t && t <= r.1).map(|r| r.3);
        let varies = events.iter().any(|e| at_risk(e.1).any(|x| x != e.3));
        let all_highest = events.iter().all(|e| at_risk(e.1).all(|x| x <= e.3));
        let all_lowest = events.iter().all(|e| at_risk(e.1).all(|x| e.3 <= x));
        match fit(&rows(&data)) {
            Ok(_) => prop_assert!(varies && !all_highest && !all_lowest),
            Err(NoFit::NoVariation { covariate: 0 }) => prop_assert!(!varies),
            Err(NoFit::Separation { covariate: 0 }) => prop_assert!(varies && (all_highest || all_lowest)),
            Err(other) => prop_assert!(false, "{other:?}"),
        }
    }

    #[test]
    fn cutting_a_row_in_two_changes_nothing(data in any_rows()) {
        let halves: Vec<Plain> = data.iter().flat_map(|&(start, stop, event, x)| {
            let middle = (start + stop) / 2.0;
            [(start, middle, false, x), (middle, stop, event, x)]
        }).collect();
        match (fit(&rows(&data)), fit(&rows(&halves))) {
            (Ok(whole), Ok(cut)) => {
                prop_assert!((whole.coefficients[0] - cut.coefficients[0]).abs() < 1e-6);
                prop_assert!((whole.log_likelihood - cut.log_likelihood).abs() < 1e-8);
            }
            (Err(a), Err(b)) => prop_assert_eq!(a, b),
            (a, b) => prop_assert!(false, "{a:?} {b:?}"),
        }
    }
}

#[test]
fn without_events_there_is_no_fit() {
    assert_eq!(fit(&rows(&[(0.0, 1.0, false, 0.0)])), Err(NoFit::NoEvents));
    assert_eq!(fit(&Rows::new(1)), Err(NoFit::NoEvents));
}

#[test]
fn the_same_covariate_twice_is_collinear() {
    let mut rows = Rows::new(2);
    for (i, x) in [0.0, 1.0, 0.0, 2.0, 1.0].into_iter().enumerate() {
        rows.push(Row {
            start: 0.0,
            stop: 1.0 + i as f64,
            event: true,
            covariates: &[x, 3.0 * x],
            stratum: 0,
            cluster: i as u32,
        });
    }
    assert_eq!(fit(&rows), Err(NoFit::Collinear));
}

#[test]
fn a_row_that_cannot_be_is_not_taken() {
    let mut rows = Rows::new(1);
    let row = Row {
        start: 0.0,
        stop: 1.0,
        event: true,
        covariates: &[1.0],
        stratum: 0,
        cluster: 0,
    };
    assert!(!rows.push(Row { stop: 0.0, ..row }));
    assert!(!rows.push(Row {
        start: f64::NAN,
        ..row
    }));
    assert!(!rows.push(Row {
        covariates: &[f64::INFINITY],
        ..row
    }));
    assert!(!rows.push(Row {
        covariates: &[1.0, 2.0],
        ..row
    }));
    assert!(rows.push(row));
    assert_eq!(rows.len(), 1);
}
