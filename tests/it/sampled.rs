//! Records sampled however often or seldom: no distance between samples ends a review.

use patency::infer::Review;
use patency::ingest::{Settings, Source, read_records};
use patency::record::Record;
use patency::{report, run};
use rstest::rstest;

/// One pump whose pressure climbs at one go, alarms, and falls once it was seen to: 80 samples at a distance, seconds.
fn block(period_s: f64) -> (String, String) {
    let mut trace = "time,pressure_mmhg,rate_ml_h,limit_mmhg\n".to_string();
    for i in 0..80 {
        let (mmhg, rate) = match i {
            0..57 => (30.0 + f64::from(i % 3), 4.0),
            57..60 => (30.0 + 130.0 * f64::from(i - 56), 4.0),
            60..64 => (430.0, 0.0),
            _ => (31.0, 4.0),
        };
        trace += &format!("{},{mmhg},{rate},430\n", f64::from(i) * period_s);
    }
    let at = |i: f64| i * period_s;
    let events = format!(
        "time,event\n{},occlusion_alarm\n{},resume\n",
        at(60.0),
        at(64.0)
    );
    (trace, events)
}

fn reviewed(trace: &str, events: &str) -> (Record, Review) {
    let (mut trace, mut events) = (trace.as_bytes(), events.as_bytes());
    let source = |name: &'static str, reader| Source {
        name: name.as_ref(),
        reader,
    };
    let mut records = read_records(
        source("t.csv", &mut trace),
        Some(source("e.csv", &mut events)),
        None,
        &Settings::default(),
    )
    .unwrap();
    let record = records.remove(0);
    let review = run::review(&record);
    (record, review)
}

#[rstest]
#[case::a_second(1.0)]
#[case::a_minute(60.0)]
#[case::an_hour(3600.0)]
// Milliseconds that were taken for seconds: one sample in 10 s comes to one in almost three hours.
#[case::ten_seconds_as_milliseconds(10_000.0)]
#[case::more_than_four_hours(14_401.0)]
#[case::a_minute_as_milliseconds(60_000.0)]
#[case::a_month(2_592_000.0)]
fn a_sudden_block_is_reviewed_at_any_distance_between_samples(#[case] period_s: f64) {
    let (trace, events) = block(period_s);
    let (record, review) = reviewed(&trace, &events);
    for episode in &review.episodes {
        let onset = episode.onset_s;
        assert!(onset.low <= onset.value && onset.value <= onset.high);
        assert!((record.start_s()..=record.end_s()).contains(&onset.value));
        let sum: f64 = episode.sites.iter().sum();
        assert!((sum - 1.0).abs() < 1e-9, "{:?}", episode.sites);
    }
    assert!(!review.episodes.is_empty());
    report::review_svg(&record, &review);
}
