//! Whole jobs on made and broken records: nothing panics, nothing hangs, what is said holds together.
//!
//! Readers alone are tried in `fuzzed`. Here most inputs are fit to be read, so that the inference and the reports behind it are
//! reached: odd periods, many channels, gaps, clocks that jump, figures that no line has, samples of the folder with changes in them.
//! `PATENCY_FUZZ_WHOLE=20000 cargo test --release --test it fuzzed_whole -- --nocapture` tries so many (`scripts/trust/fuzz`).
#![allow(clippy::print_stdout)] // how many inputs were tried, and what was slowest

use patency::infer::{self, Review};
use patency::ingest::{self, Settings, Source, read_column, read_records};
use patency::record::Record;
use patency::report::export::{self, Dates, How, Names};
use patency::report::{self, About};
use patency::simulate::{self, Scenario};
use patency::study::{self, Cohort, Facts, Member};
use patency::units::Pressure;
use patency::{run, signal};
use rand::seq::{IndexedRandom, SliceRandom};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::fmt::Write;
use std::path::Path;
use std::time::Instant;

/// Inputs of the ordinary tests.
const INPUTS: u64 = 160;
/// No job may take longer, seconds.
const LONGEST_S: f64 = 10.0;

/// Files as text.
struct Files {
    trace: String,
    events: Option<String>,
    line: Option<String>,
}

/// Cells that are no ordinary figure.
const ODD: [&str; 17] = [
    "",
    "NaN",
    "inf",
    "-inf",
    "--",
    "n/a",
    "0",
    "-0",
    "1e308",
    "-1e308",
    "1e-320",
    "100000",
    "99999",
    "-99",
    "1,5",
    "=1+1",
    "\u{2212}3",
];
const PERIODS_S: [f64; 14] = [
    0.001,
    0.1,
    0.5,
    1.0,
    2.0,
    5.0,
    10.0,
    30.0,
    60.0,
    300.0,
    3600.0,
    20_000.0,
    60_000.0,
    2_592_000.0,
];
const EVENTS: [&str; 22] = [
    "start",
    "stop",
    "pause",
    "resume",
    "rate_change",
    "bolus_start",
    "bolus_end",
    "occlusion_alarm",
    "alarm",
    "alarm_cleared",
    "limit_change",
    "filter_change",
    "set_change",
    "catheter_change",
    "flush",
    "clamp_closed",
    "clamp_opened",
    "medication_start",
    "medication_end",
    "patient_moved",
    "pump_moved",
    "something else",
];
const DETAILS: [&str; 8] = [
    "",
    "4",
    "200",
    "-30",
    "air in line",
    "filter",
    "hub",
    "=cmd()",
];

/// How a clock writes.
fn moment(t_s: f64, dates: bool) -> String {
    if !dates {
        return format!("{t_s}");
    }
    let whole = t_s.clamp(-1e9, 1e10);
    let at =
        jiff::Timestamp::from_microsecond(1_930_374_000_000_000 + (whole * 1e6) as i64).unwrap();
    at.to_string()
}

/// A pressure over time: a level with stretches in which it climbs, steps, falls or comes and goes.
fn course(rows: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let level = *[5.0, 30.0, 30.0, 80.0, 400.0].choose(rng).unwrap();
    let noise = *[0.0, 0.3, 1.0, 5.0].choose(rng).unwrap();
    let step = *[0.0, 0.0, 1.0, 5.0, 10.0].choose(rng).unwrap();
    let mut mmhg: Vec<f64> = (0..rows)
        .map(|_| level + noise * rng.random_range(-2.0..2.0))
        .collect();
    for _ in 0..*[0, 1, 1, 2, 3, 12, 60].choose(rng).unwrap() {
        let from = rng.random_range(0..rows);
        let length = rng.random_range(1..=(rows - from));
        let height = *[-20.0, -5.0, 8.0, 30.0, 100.0, 400.0].choose(rng).unwrap();
        let kind = rng.random_range(0..4);
        for i in 0..length {
            let share = (i + 1) as f64 / length as f64;
            mmhg[from + i] += height
                * match kind {
                    0 => share,
                    1 => 1.0,
                    2 => share * share,
                    _ => f64::from(u8::from(i % 7 < 3)),
                };
        }
    }
    if 0.0 < step {
        mmhg.iter_mut()
            .for_each(|p| *p = (*p / step).round() * step);
    }
    mmhg
}

/// Rates over time: one or a few, with stops.
fn rates(rows: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let usual = *[0.05, 0.5, 2.0, 4.0, 4.0, 60.0, 5000.0]
        .choose(rng)
        .unwrap();
    let mut rates = vec![usual; rows];
    for _ in 0..*[0, 1, 2, 6, 40].choose(rng).unwrap() {
        let from = rng.random_range(0..rows);
        let length = rng.random_range(1..=(rows - from).min(30));
        let rate = *[0.0, 0.0, 0.0, 2.0 * usual, 0.3 * usual]
            .choose(rng)
            .unwrap();
        rates[from..from + length].fill(rate);
    }
    rates
}

fn made(rng: &mut ChaCha8Rng) -> Files {
    let period_s = *PERIODS_S.choose(rng).unwrap();
    let channels = *[1, 1, 1, 2, 2, 3, 5, 16, 17].choose(rng).unwrap();
    let rows = (*[1, 2, 7, 40, 200, 700].choose(rng).unwrap() / channels).max(1);
    let dates = rng.random_bool(0.4);
    let odd = *[0.0, 0.0, 0.0, 0.003, 0.05].choose(rng).unwrap();
    let on_change = rng.random_bool(0.2);
    let limit = *["", "200", "430", "0"].choose(rng).unwrap();
    let mut lines = Vec::new();
    for c in 0..channels {
        let (mmhg, rates) = (course(rows, rng), rates(rows, rng));
        let (mut t_s, mut volume) = (0.0, 0.0);
        let mut last = String::new();
        for (p, r) in mmhg.iter().zip(&rates) {
            t_s += match rng.random_range(0..400) {
                0 => 50.0 * period_s,
                1 => -10.0 * period_s,
                2 => 0.0,
                3 => period_s * 1e6,
                _ => period_s,
            };
            volume += r * period_s / 3600.0;
            let mut cells = [
                format!("{p:.1}"),
                r.to_string(),
                format!("{volume:.3}"),
                limit.to_string(),
            ];
            for cell in &mut cells {
                if rng.random_bool(odd) {
                    *cell = ODD.choose(rng).unwrap().to_string();
                }
            }
            let figures = cells.join(",");
            if !on_change || figures != last {
                lines.push((t_s, format!("{},c{c},{figures}", moment(t_s, dates))));
            }
            last = figures;
        }
    }
    if rng.random_bool(0.8) {
        lines.sort_by(|a, b| a.0.total_cmp(&b.0));
    } else if rng.random_bool(0.3) {
        lines.shuffle(rng);
    }
    let rows: Vec<String> = lines.into_iter().map(|l| l.1).collect();
    let length_s = rows.len() as f64 * period_s;
    let events = rng.random_bool(0.6).then(|| {
        let mut text = "time,channel,event,detail\n".to_string();
        for _ in 0..*[0, 1, 5, 30, 300].choose(rng).unwrap() {
            let at = moment(length_s * rng.random_range(-0.1..1.1), dates);
            let (event, detail) = (EVENTS.choose(rng).unwrap(), DETAILS.choose(rng).unwrap());
            let channel = ["", "c0", "c1", "c9"].choose(rng).unwrap();
            writeln!(text, "{at},{channel},{event},{detail}").unwrap();
        }
        text
    });
    Files {
        trace: format!(
            "time,channel,pressure_mmhg,rate_ml_h,volume_ml,limit_mmhg\n{}\n",
            rows.join("\n")
        ),
        events,
        line: rng.random_bool(0.3).then(|| line(rng)),
    }
}

fn line(rng: &mut ChaCha8Rng) -> String {
    let mut figure = |usual: f64| usual * *[1.0, 1.0, 1.0, 1e-6, 1e3].choose(rng).unwrap();
    let access = format!(
        "[access]\nkind = \"picc\"\ninner_diameter_mm = {}\nlength_cm = {}\n",
        figure(0.3),
        figure(20.0)
    );
    let filter = format!(
        "[filter]\nposition = \"below-join\"\ncompliance_ul_per_mmhg = {}\n",
        figure(0.2)
    );
    let own = format!(
        "[[channel]]\nid = \"c0\"\ncompliance_ul_per_mmhg = {}\n",
        figure(1.3)
    );
    format!("{access}{filter}{own}")
}

/// A stretch of one of the samples, with figures changed, rows left out or twice.
fn mutated(samples: &[(String, String)], rng: &mut ChaCha8Rng) -> Files {
    let (trace, events) = samples.choose(rng).unwrap();
    let mut lines: Vec<&str> = trace.lines().collect();
    let header = lines.remove(0);
    let from = rng.random_range(0..lines.len());
    let length = rng.random_range(1..=600.min(lines.len() - from));
    let mut text = format!("{header}\n");
    for row in &lines[from..from + length] {
        let mut cells: Vec<String> = row.split(',').map(str::to_string).collect();
        let count = cells.len();
        let at = rng.random_range(0..count);
        match rng.random_range(0..300) {
            0 => continue,
            1 => text += &format!("{row}\n"),
            2 => cells[at] = ODD.choose(rng).unwrap().to_string(),
            3 => cells[at] += "0",
            _ => {}
        }
        text += &format!("{}\n", cells.join(","));
    }
    Files {
        trace: text,
        events: rng.random_bool(0.7).then(|| events.clone()),
        line: None,
    }
}

fn samples() -> Vec<(String, String)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-traces");
    let mut folders: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    folders.sort();
    let text = |path: &Path| std::fs::read_to_string(path).ok();
    let both =
        |f: std::path::PathBuf| Some((text(&f.join("trace.csv"))?, text(&f.join("events.csv"))?));
    folders.into_iter().filter_map(both).collect()
}

fn read(files: &Files, keep_going: bool) -> Option<Vec<Record>> {
    let settings = Settings {
        keep_going,
        ..Settings::default()
    };
    let source = |name: &'static str, reader| Source {
        name: Path::new(name),
        reader,
    };
    let mut trace = files.trace.as_bytes();
    let mut events = files.events.as_ref().map(|e| e.as_bytes());
    let mut line = files.line.as_ref().map(|l| l.as_bytes());
    let events = events.as_mut().map(|reader| source("e.csv", reader));
    let line = line.as_mut().map(|reader| source("l.toml", reader));
    read_records(source("t.csv", &mut trace), events, line, &settings).ok()
}

/// A review holds together, and every form of the report can be made of it.
fn reviewed(record: &Record) -> Review {
    let review = run::review(record);
    let within = |t: f64| record.start_s() - 1e-6 <= t && t <= record.end_s() + 1e-6;
    for e in &review.episodes {
        let sum: f64 = e.sites.iter().sum();
        assert!((sum - 1.0).abs() < 1e-6, "{:?}", e.sites);
        assert!(
            e.onset_s.low <= e.onset_s.value && e.onset_s.value <= e.onset_s.high,
            "{:?}",
            e.onset_s
        );
        assert!(within(e.onset_s.value), "{:?}", e.onset_s);
    }
    let json = report::review_json(record, &review);
    serde_json::from_str::<serde_json::Value>(&json).unwrap();
    report::review_text(record, &review, 80, true);
    review
}

fn about() -> About {
    About {
        version: String::new(),
        reviewed_on: None,
        inputs: Vec::new(),
        settings: Vec::new(),
    }
}

/// Does one job; whether its input was accepted.
fn job(number: u64, samples: &[(String, String)]) -> bool {
    let mut rng = ChaCha8Rng::seed_from_u64(number);
    let rng = &mut rng;
    let files = if rng.random_bool(0.3) {
        mutated(samples, rng)
    } else {
        made(rng)
    };
    let keep_going = rng.random_bool(0.8);
    let source = |name: &'static str, reader| Source {
        name: Path::new(name),
        reader,
    };
    let mut bytes = files.trace.as_bytes();
    match number % 8 {
        0 => {
            let column = ["pressure_mmhg", "rate_ml_h", "volume_ml"]
                .choose(rng)
                .unwrap();
            let Ok(values) = read_column(source("t.csv", &mut bytes), column) else {
                return false;
            };
            report::segments_json(values.len(), &signal::segments(&values));
            return true;
        }
        1 => {
            let mut events = files.events.as_ref().map(|e| e.as_bytes());
            let events = events.as_mut().map(|reader| source("e.csv", reader));
            return ingest::propose(source("t.csv", &mut bytes), events, &[]).is_ok();
        }
        2 => return simulated(rng),
        _ => {}
    }
    let Some(mut records) = read(&files, keep_going) else {
        return false;
    };
    match number % 8 {
        3 => {
            let limits: Vec<Pressure> = [50.0, 300.0, 1e5]
                .into_iter()
                .filter_map(Pressure::new)
                .collect();
            for record in &records {
                let trials = infer::limits::limits(record, &reviewed(record), &limits);
                report::limits_text(&trials, 80, true);
            }
        }
        4 => {
            let mut cohort = Cohort::default();
            for (i, record) in records.iter().enumerate() {
                let facts = Facts::of(record, &reviewed(record));
                for copy in 0..3 {
                    let infusion = format!("{i}-{copy}");
                    cohort.members.push(Member {
                        infusion,
                        labels: Vec::new(),
                        facts: facts.clone(),
                    });
                }
            }
            study::survey(&cohort, &study::Settings::default()).unwrap();
        }
        5 => {
            if rng.random_bool(0.5) {
                let names = Names::Running { seed: 1 };
                export::deidentify(
                    &mut records,
                    &How {
                        names,
                        dates: Dates::Relative,
                    },
                );
            }
            export::export(&records, None).unwrap();
        }
        6 => {
            for record in &records {
                let test = infer::clamp_test::clamp_test(record);
                report::clamp_test_text(&record.clock, &test, 80, true);
            }
        }
        _ => {
            for record in &records {
                let review = reviewed(record);
                report::review_html(record, &review, &about());
                report::review_png(record, &review);
            }
        }
    }
    true
}

/// A scenario with figures in and out of range; what is made of it is reviewed.
fn simulated(rng: &mut ChaCha8Rng) -> bool {
    let mut figure =
        |usual: f64| usual * *[1.0, 1.0, 1.0, 1.0, 0.01, 30.0, -1.0].choose(rng).unwrap();
    let causes = [
        "{ kind = \"catheter-blocked\", place = \"far\" }",
        "{ kind = \"filter-loading\", blocking = { standard_per_ml = 0.14 } }",
        "{ kind = \"catheter-narrowing\", reaches = 6, over_h = 2.5 }",
    ];
    let text = format!(
        "duration_h = {}\n[sensor]\nnoise_mmhg = {}\n[sampling]\nperiod_s = {}\nrounding_mmhg = {}\n[[channel]]\nid = \"pn\"\nrate_ml_h = {}\n\
         [[act]]\nat_h = {}\ndo = \"pause\"\nminutes = {}\n[[episode]]\nat_h = {}\ncause = {}\n",
        figure(3.0),
        figure(0.5),
        figure(60.0),
        figure(1.0),
        figure(4.0),
        figure(1.0),
        figure(6.0),
        figure(1.5),
        causes
            .choose(&mut ChaCha8Rng::seed_from_u64(figure(7.0) as u64))
            .unwrap(),
    );
    let Ok(made) = Scenario::from_toml(&text).and_then(|s| simulate::run(&s, 1)) else {
        return false;
    };
    let files = Files {
        trace: String::from_utf8(made.trace_csv).unwrap(),
        events: Some(String::from_utf8(made.events_csv).unwrap()),
        line: None,
    };
    read(&files, true).is_some_and(|records| {
        records.iter().for_each(|r| drop(reviewed(r)));
        true
    })
}

#[test]
fn no_job_panics_or_hangs_and_most_inputs_are_accepted() {
    let samples = samples();
    assert_eq!(samples.len(), 12);
    let asked = std::env::var("PATENCY_FUZZ_WHOLE").ok();
    let inputs: u64 = asked
        .as_ref()
        .and_then(|n| n.parse().ok())
        .unwrap_or(INPUTS);
    let (mut accepted, mut failed) = (0, Vec::new());
    let mut slowest: (f64, u64) = (0.0, 0);
    for number in 0..inputs {
        let began = Instant::now();
        match std::panic::catch_unwind(|| job(number, &samples)) {
            Ok(took) => accepted += u64::from(took),
            Err(_) => failed.push(number),
        }
        let took_s = began.elapsed().as_secs_f64();
        if slowest.0 < took_s {
            slowest = (took_s, number);
        }
        // The ordinary tests take no times.
        if asked.is_some() && LONGEST_S < took_s {
            failed.push(number);
        }
    }
    println!(
        "{inputs} tried, {accepted} accepted, {} failed; slowest {:.1} s (input {})",
        failed.len(),
        slowest.0,
        slowest.1
    );
    assert!(failed.is_empty(), "inputs {failed:?}");
    assert!(inputs <= 2 * accepted, "{accepted} of {inputs} accepted");
}
