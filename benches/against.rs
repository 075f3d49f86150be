//! One job on one file, timed inside the process, for `scripts/speed` to set beside what another library needs for the same.
//!
//!     against levels FILE PENALTY     a column of numbers → levels of known spread; prints seconds and change points
//!     against cox FILE                start,stop,event,x → the log hazard ratio
//!     against km FILE                 stop,event → the last value of the survival curve
//!
//! The time is the least of three runs; reading the file does not count.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

use patency::stats::{cox, kaplan_meier};
use std::time::Instant;

fn main() {
    let args: Vec<String> = std::env::args()
        .skip(1)
        .filter(|a| a != "--bench")
        .collect();
    let [job, file, rest @ ..] = args.as_slice() else {
        return; // `cargo bench` and `cargo test` call every bench without arguments
    };
    let text = std::fs::read_to_string(file).unwrap();
    let rows: Vec<Vec<f64>> = text
        .lines()
        .skip(1)
        .map(|l| l.split(',').map(|cell| cell.parse().unwrap()).collect())
        .collect();
    match job.as_str() {
        "levels" => {
            let penalty: f64 = rest[0].parse().unwrap();
            let values: Vec<f64> = rows.iter().map(|r| r[0]).collect();
            let found = timed(|| patency::signal::split_levels(&values, penalty, 1));
            let found: Vec<String> = found.iter().map(usize::to_string).collect();
            println!("{}", found.join(" "));
        }
        "cox" => {
            let fitted = timed(|| {
                let mut all = cox::Rows::new(1);
                for row in &rows {
                    all.push(cox::Row {
                        start: row[0],
                        stop: row[1],
                        event: row[2] == 1.0,
                        covariates: &row[3..],
                        stratum: 0,
                        cluster: 0,
                    });
                }
                cox::fit(&all).unwrap().hazard_ratio(0).unwrap()
            });
            println!("{:?}", fitted.ratio.value.ln());
        }
        "km" => {
            let curve = timed(|| {
                let lives = rows
                    .iter()
                    .filter_map(|r| kaplan_meier::Life::new(0.0, r[0], r[1] == 1.0));
                kaplan_meier::curve(&lives.collect::<Vec<_>>())
            });
            println!("{:?}", curve.last().unwrap().survival);
        }
        other => panic!("no such job: {other}"),
    }
}

fn timed<T>(job: impl Fn() -> T) -> T {
    let run = || {
        let started = Instant::now();
        let result = job();
        (started.elapsed().as_secs_f64(), result)
    };
    let runs = [run(), run(), run()];
    let least = runs.iter().map(|r| r.0).fold(f64::INFINITY, f64::min);
    println!("{least}");
    let [first, ..] = runs;
    first.1
}
