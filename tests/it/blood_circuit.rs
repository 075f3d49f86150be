//! Real data of a related kind: pressures of a blood circuit, with a labelled episode of its filter.
//!
//! Contains information from the MIMIC-III Critical Care Database Demo (PhysioNet), which is made available
//! under the Open Database License 1.0; `data/blood-circuit.csv` stays under the same licence. Filter − return is the pressure,
//! the blood flow (mL/min, times 60) the rate. It tests logic, not thresholds: blood, adults, thousands of mL/h.

use patency::infer::{Course, Review};
use patency::ingest::{Settings, Source, read_records};
use patency::record::Record;
use patency::run;

fn record(trace: &str) -> Record {
    let mut bytes = trace.as_bytes();
    let source = Source {
        name: "circuit.csv".as_ref(),
        reader: &mut bytes,
    };
    let mut records = read_records(source, None, None, &Settings::default()).unwrap();
    records.remove(0)
}

/// The trace: filter − return, and the blood flow in mL/h.
fn trace() -> String {
    let mut trace = String::from("time,channel,pressure_mmhg,rate_ml_h\n");
    let mut rows = csv::Reader::from_reader(include_str!("data/blood-circuit.csv").as_bytes());
    for row in rows.records() {
        let row = row.unwrap();
        let number = |i: usize| row[i].parse::<f64>().ok();
        let across = number(2).zip(number(3)).map(|(filter, back)| filter - back);
        let across = across.map_or(String::new(), |p| p.to_string());
        let flow = 60.0 * number(4).unwrap();
        trace += &format!("{},circuit,{across},{flow}\n", &row[0]);
    }
    trace
}

fn review(trace: &str) -> Review {
    run::review(&record(trace))
}

#[test]
fn a_clotting_filter_is_one_gradual_episode_that_ends_with_the_new_circuit() {
    let review = review(&trace());
    assert_eq!(review.episodes.len(), 1, "{:#?}", review.episodes);
    let e = &review.episodes[0];
    assert_eq!(e.course, Course::Gradual);
    // 54 mmHg at 01:00 and 96, 1.75 times the 55 of the start, at 02:00: so 1.5 times lies between; with a reading an hour the
    // interval is wide.
    assert!(
        e.onset_s.low <= 3600.0 && 7200.0 <= e.onset_s.high,
        "{:?}",
        e.onset_s
    );
    assert_eq!(e.end_s, Some(8.0 * 3600.0), "the new circuit");
    assert_eq!(e.peak_mmhg, 146.0);
}

#[test]
fn the_resistance_stands_at_2_65_times_its_start_and_is_reset_by_the_new_circuit() {
    let review = review(&trace());
    let track = &review.channels[0].track;
    let at = |hour: f64| {
        let near = |a: f64| (a - 3600.0 * hour).abs();
        let point = track
            .iter()
            .min_by(|a, b| near(a.t_s).total_cmp(&near(b.t_s)));
        point.unwrap().resistance_mmhg_h_per_ml.value
    };
    // (212 − 66) / (126 − 71) = 146 / 55 = 2.65 by the readings alone. The outlet lies within a few mmHg of 0 here.
    assert!(
        (at(6.0) / at(0.0) - 2.65).abs() < 0.4,
        "{}",
        at(6.0) / at(0.0)
    );
    assert!(
        (at(9.0) / at(0.0) - 1.0).abs() < 0.1,
        "{}",
        at(9.0) / at(0.0)
    );
}

#[test]
fn two_flows_give_the_resistance_that_the_levels_give() {
    // One patient's medians: 42.5 mmHg at 80 mL/min (76 readings), 53.0 at 100 (136): 0.531 and 0.530 mmHg/(mL/min) by level,
    // 0.525 by the two flows. The order of the readings is ours: nineteen turns of four and seven, an hour apart.
    let mut trace = String::from("time,channel,pressure_mmhg,rate_ml_h\n");
    let mut hour = 0;
    for _ in 0..19 {
        for (readings, flow, mmhg) in [(4, 80, 42.5), (7, 100, 53.0)] {
            for _ in 0..readings {
                trace += &format!("{},circuit,{mmhg},{}\n", 3600 * hour, 60 * flow);
                hour += 1;
            }
        }
    }
    let review = review(&trace);
    assert_eq!(review.episodes, []);
    let r = review.channels[0].resistance_mmhg_h_per_ml.unwrap();
    assert!((60.0 * r.value - 0.525).abs() < 0.02, "{r:?}");
    assert!(60.0 * r.low <= 0.525 && 0.531 <= 60.0 * r.high, "{r:?}");
}
