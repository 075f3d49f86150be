//! How long each stage takes, and whether that grows linearly: `cargo bench --bench stages`.
//!
//! Inputs are made outside what is measured; each result is checked, so that nothing is optimised away or silently wrong.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use divan::Bencher;
use divan::counter::ItemsCount;
use patency::ingest::{Settings, Source, read_records};
use patency::record::Record;
use patency::simulate::{Scenario, run};
use patency::stats::{cox, kaplan_meier};

fn main() {
    divan::main();
}

/// Evenly spread numbers in 0..1, the same on every machine.
fn uniform(seed: u64) -> impl FnMut() -> f64 {
    let mut state = seed.wrapping_mul(2) + 1;
    move || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// Noise with standard deviation 1, near enough to normal.
fn noise(seed: u64) -> impl FnMut() -> f64 {
    let mut one = uniform(seed);
    move || (0..12).map(|_| one()).sum::<f64>() - 6.0
}

/// A day at 1 Hz whose filter loads, cut to so many rows.
fn trace(rows: usize) -> Vec<u8> {
    let text = include_str!("../sample-traces/filter-loads/scenario.toml");
    let mut scenario = Scenario::from_toml(text).unwrap();
    scenario.sampling.period_s = 1.0;
    let made = run(&scenario, 1).unwrap().trace_csv;
    let mut lines = made.split_inclusive(|b| *b == b'\n');
    let mut cut: Vec<u8> = lines.next().unwrap().to_vec();
    cut.extend(lines.take(rows).flatten());
    cut
}

fn read(bytes: &[u8]) -> Vec<Record> {
    let mut reader = bytes;
    let source = Source {
        name: "trace.csv".as_ref(),
        reader: &mut reader,
    };
    read_records(source, None, None, &Settings::default()).unwrap()
}

const ROWS: [usize; 2] = [1_000, 100_000];

#[divan::bench(args = ROWS)]
fn ingest(bencher: Bencher, rows: usize) {
    let bytes = trace(rows);
    bencher.counter(ItemsCount::new(rows)).bench(|| {
        let records = read(&bytes);
        assert_eq!(records[0].intake.rows as usize, rows);
        records
    });
}

#[divan::bench(args = ROWS, sample_count = 10)]
fn review(bencher: Bencher, rows: usize) {
    let record = read(&trace(rows)).remove(0);
    bencher.counter(ItemsCount::new(rows)).bench(|| {
        let review = patency::run::review(&record);
        assert_eq!(review.channels.len(), 2);
        review
    });
}

const POINTS: [usize; 3] = [1_000, 10_000, 100_000];

#[divan::bench(args = POINTS, sample_count = 10)]
fn segments_of_noise(bencher: Bencher, points: usize) {
    let mut noise = noise(1);
    let values: Vec<f64> = (0..points).map(|_| noise()).collect();
    bencher.counter(ItemsCount::new(points)).bench(|| {
        let found = patency::signal::segments(&values);
        assert!(found.change_points.is_empty());
    });
}

#[divan::bench(args = POINTS, sample_count = 10)]
fn segments_of_a_slow_wave(bencher: Bencher, points: usize) {
    let mut noise = noise(2);
    let wave = |i: usize| 10.0 * (i as f64 / points as f64 * std::f64::consts::TAU).sin();
    let values: Vec<f64> = (0..points).map(|i| wave(i) + noise()).collect();
    bencher.counter(ItemsCount::new(points)).bench(|| {
        let found = patency::signal::segments(&values);
        assert!(2 < found.change_points.len() && found.change_points.len() < 60);
    });
}

/// Lives of 48 h at most with one covariate; `ln 1.5` is its true effect.
fn lives(n: usize) -> Vec<(f64, bool, f64)> {
    let mut one = uniform(3);
    let mut life = || {
        let x = (3.0 * one()).floor();
        let t = -one().ln() * 60.0 / 1.5_f64.powf(x);
        (t.min(48.0), t < 48.0, x)
    };
    (0..n).map(|_| life()).collect()
}

#[divan::bench(args = POINTS, sample_count = 10)]
fn cox_regression(bencher: Bencher, n: usize) {
    let mut rows = cox::Rows::new(1);
    for (stop, event, x) in lives(n) {
        rows.push(cox::Row {
            start: 0.0,
            stop,
            event,
            covariates: &[x],
            stratum: 0,
            cluster: 0,
        });
    }
    bencher.counter(ItemsCount::new(n)).bench(|| {
        let ratio = cox::fit(&rows).unwrap().hazard_ratio(0).unwrap().ratio;
        assert!(ratio.low < 1.6 && 1.4 < ratio.high);
    });
}

#[divan::bench(args = POINTS, sample_count = 10)]
fn survival_curve(bencher: Bencher, n: usize) {
    let lives: Vec<kaplan_meier::Life> = lives(n)
        .into_iter()
        .filter_map(|(t, event, _)| kaplan_meier::Life::new(0.0, t, event))
        .collect();
    bencher.counter(ItemsCount::new(n)).bench(|| {
        let curve = kaplan_meier::curve(&lives);
        assert!(curve.last().unwrap().survival < 0.6);
    });
}
