//! `patency clamp-test`: the compliances of a made line come back from a bench test of it.

use crate::program::{Run, folder, patency};
use patency::simulate::{self, Scenario};
use serde_json::Value;

/// A bench: two pumps, three places clamped in turn, a reading every two seconds. The simulator solves the line on its own.
const BENCH: &str = r#"
duration_h = 3
[sensor]
noise_mmhg = 0.3
[vein]
wander_mmhg = 0
breathing_mmhg = 0
[sampling]
period_s = 2
rounding_mmhg = 0
[line.access]
resistance_mmhg_h_per_ml = 3
[line.filter]
resistance_mmhg_h_per_ml = 0.3
compliance_ul_per_mmhg = 0.4
[line.tail]
compliance_ul_per_mmhg = 0.3
[[channel]]
id = "pn"
rate_ml_h = 4.0
limit_mmhg = 900
compliance_ul_per_mmhg = 1.5
[[channel]]
id = "lipid"
fluid = "lipid"
rate_ml_h = 1.0
limit_mmhg = 900
compliance_ul_per_mmhg = 1.8
"#;

/// `(from h, to h, cause, event's channel, event's detail)`.
const CLOSINGS: [(f64, f64, &str, &str, &str); 6] = [
    (
        0.30,
        0.34,
        "channel = \"pn\"\ncause = { kind = \"tubing-blocked\", place = \"far\" }",
        "pn",
        "at the join",
    ),
    (
        0.70,
        0.90,
        "channel = \"lipid\"\ncause = { kind = \"tubing-blocked\", place = \"far\" }",
        "lipid",
        "at the join",
    ),
    (
        1.20,
        1.27,
        "cause = { kind = \"catheter-blocked\", place = \"near\" }",
        "",
        "below the filter",
    ),
    (
        1.50,
        1.57,
        "cause = { kind = \"catheter-blocked\", place = \"near\" }",
        "",
        "below the filter",
    ),
    (
        1.80,
        1.87,
        "cause = { kind = \"catheter-blocked\", place = \"far\" }",
        "",
        "hub",
    ),
    (
        2.10,
        2.17,
        "cause = { kind = \"catheter-blocked\", place = \"far\" }",
        "",
        "hub",
    ),
];

fn bench(more: &[&str]) -> Run {
    let mut scenario = BENCH.to_string();
    let mut events = String::from("time,channel,event,detail\n");
    for (from, to, cause, channel, detail) in CLOSINGS {
        scenario += &format!("[[episode]]\nat_h = {from}\nuntil_h = {to}\n{cause}\n");
        events += &format!("{},{channel},clamp_closed,{detail}\n", from * 3600.0);
        events += &format!("{},{channel},clamp_opened,\n", to * 3600.0);
    }
    let made = simulate::run(&Scenario::from_toml(&scenario).unwrap(), 3).unwrap();
    let dir = folder(&[
        ("bench.csv", &made.trace_csv),
        ("events.csv", events.as_bytes()),
    ]);
    let args = ["clamp-test", "bench.csv", "--events", "events.csv"];
    patency(dir.path(), &[&args, more].concat())
}

#[test]
fn the_compliances_of_a_made_line_come_back() {
    let run = bench(&["--json"]);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    let found: Value = serde_json::from_str(&run.stdout).unwrap();
    assert_eq!(found["unusable"].as_array().unwrap().len(), 0, "{found}");
    assert_eq!(found["closings"].as_array().unwrap().len(), 6);
    let is = |e: &Value, truth: f64, within: f64| {
        let (value, low, high) = (&e["value"], &e["low"], &e["high"]);
        let (value, low, high) = (
            value.as_f64().unwrap(),
            low.as_f64().unwrap(),
            high.as_f64().unwrap(),
        );
        assert!((value - truth).abs() <= within, "{e}, not {truth}");
        // the join's own elasticity of a few hundredths belongs to no part
        assert!(
            low - 0.03 <= truth && truth <= high + 0.03,
            "{e} does not hold {truth}"
        );
    };
    let channels = found["channels"].as_array().unwrap();
    assert_eq!(channels[0]["id"], "lipid");
    is(&channels[0]["compliance_ul_per_mmhg"], 1.8, 0.05);
    is(&channels[1]["compliance_ul_per_mmhg"], 1.5, 0.05);
    is(&found["filter_compliance_ul_per_mmhg"], 0.4, 0.08);
    is(&found["tail_compliance_ul_per_mmhg"], 0.3, 0.08);
}

#[test]
fn what_it_prints_for_the_line_file_is_a_line_file() {
    let run = bench(&[]);
    assert!(
        run.stdout.contains("Compliances of this line"),
        "{}",
        run.stdout
    );
    let (_, file) = run.stdout.split_once("For the line file").unwrap();
    let dir = folder(&[("line.toml", file.as_bytes())]);
    let args = [
        "expect",
        "--line",
        "line.toml",
        "--rate",
        "pn=4",
        "--rate",
        "lipid=1",
        "--json",
    ];
    let expect = patency(dir.path(), &args);
    assert_eq!((expect.status, expect.stderr.as_str()), (0, ""));
    let found: Value = serde_json::from_str(&expect.stdout).unwrap();
    // down to the catheter's tip all parts add up: 1.5 + 1.8 + 0.4 + 0.3
    let tip = found["blocks"].as_array().unwrap().last().unwrap();
    let all = tip["compliance_ul_per_mmhg"]["value"].as_f64().unwrap();
    assert!((all - 4.0).abs() < 0.1, "{all}");
}

#[test]
fn without_a_clamp_that_says_where_it_was_there_is_an_error_that_says_what_to_write() {
    let trace = "time,pressure_mmhg,rate_ml_h\n0,30,4\n10,30,4\n";
    let none = "time,channel,event,detail\n0,,start,\n";
    let nowhere = "time,channel,event,detail\n0,,clamp_closed,somewhere\n";
    for (events, says) in [(none, "no `clamp_closed`"), (nowhere, "none of the 1")] {
        let dir = folder(&[("t.csv", trace.as_bytes()), ("e.csv", events.as_bytes())]);
        let run = patency(dir.path(), &["clamp-test", "t.csv", "--events", "e.csv"]);
        assert_eq!((run.status, run.stdout.as_str()), (1, ""));
        assert!(run.stderr.contains(says), "{}", run.stderr);
        assert!(run.stderr.contains("`filter` or `hub`"), "{}", run.stderr);
    }
}
