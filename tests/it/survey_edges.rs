//! Cohorts at the edge of what can be said: an answer or a plain reason, in the object, on the page and in the text alike.

use crate::program::patency;
use patency::infer::{Confidence, Course, PauseCause, Site};
use patency::report::survey::{survey_html, survey_json, survey_text};
use patency::study::{Cohort, Facts, Happening, LinePause, Member, Settings, survey};
use patency::time::{Clock, Span};
use patency::units::Estimate;
use rstest::rstest;
use serde_json::Value;
use std::fs;
use std::path::Path;

/// An infusion of 24 h with manual pauses of ten minutes at these hours and, perhaps, a filter onset.
fn member(name: &str, unit: &str, pauses_h: &[f64], onset_h: Option<f64>) -> Member {
    let happening = |h: f64| Happening {
        id: 1,
        onset_s: Estimate::new(h * 3600.0, h * 3600.0 - 600.0, h * 3600.0 + 600.0).unwrap(),
        end_s: None,
        visible_from_s: h * 3600.0 + 600.0,
        alarm_s: None,
        course: Course::Gradual,
        suggested: Some(Site::Filter),
        confidence: Confidence::High,
        sites: [0.0, 0.0, 1.0, 0.0, 0.0, 0.0],
    };
    let pause = |&h: &f64| LinePause {
        span: Span {
            start_s: h * 3600.0,
            end_s: h * 3600.0 + 600.0,
        },
        still_on: false,
        cause: PauseCause::Manual,
    };
    Member {
        infusion: name.into(),
        labels: vec![unit.into()],
        facts: Facts {
            clock: Clock::Seconds,
            start_s: 0.0,
            end_s: 86_400.0,
            has_filter: true,
            placed_s: None,
            filter_changes_s: vec![],
            pauses: pauses_h.iter().map(pause).collect(),
            episodes: onset_h.map(happening).into_iter().collect(),
        },
    }
}

/// `(events, why there is no ratio)`, after the same was found in text and page.
fn said(members: Vec<Member>) -> (u64, Option<String>, Value) {
    let cohort = Cohort {
        columns: vec!["unit".into()],
        members,
        skipped: vec![],
    };
    let settings = Settings {
        adjust: vec!["unit".into()],
        ..Settings::default()
    };
    let found = survey(&cohort, &settings).unwrap();
    let json: Value = serde_json::from_str(&survey_json(&found)).unwrap();
    let effect = &json["pause_effect"][0];
    let reason = effect["reason"].as_str().map(str::to_string);
    assert_eq!(reason.is_some(), effect["hazard_ratio"].is_null());
    assert_eq!(reason.is_some(), effect["p"].is_null());
    let page = survey_html(&found, None);
    let text = survey_text(&found, 10_000, false);
    for lack in ["NaN", "inf ", "null"] {
        assert!(!page.contains(lack) && !text.contains(lack), "{lack}");
    }
    if let Some(reason) = &reason {
        let first = reason.split(['.', ',', ':']).next().unwrap();
        assert!(page.contains(first), "the page does not say: {first}");
    }
    (effect["events"].as_u64().unwrap(), reason, json)
}

#[rstest]
#[case::separation(
    vec![
        member("a", "n", &[2.0], Some(5.0)),
        member("b", "n", &[5.5], Some(6.0)),
        member("c", "e", &[], None),
    ],
    2,
    "no bound"
)]
#[case::no_events(vec![member("a", "n", &[2.0], None), member("b", "e", &[], None)], 0, "No filter onset")]
#[case::one_infusion(vec![member("a", "n", &[2.0], Some(5.0))], 1, "nothing to compare")]
#[case::no_pauses(
    vec![member("a", "n", &[], Some(5.0)), member("b", "e", &[], None)],
    1,
    "nothing to compare"
)]
#[case::nobody(vec![], 0, "No filter onset")]
fn what_cannot_be_estimated_has_a_plain_reason_everywhere(
    #[case] members: Vec<Member>,
    #[case] events: u64,
    #[case] why: &str,
) {
    let (found, reason, _) = said(members);
    assert_eq!(found, events);
    let reason = reason.unwrap();
    assert!(reason.contains(why), "{reason}");
}

#[test]
fn with_all_censored_the_curve_is_one_without_a_median_and_the_rate_has_an_upper_limit_only() {
    let (_, _, json) = said(vec![
        member("a", "n", &[2.0], None),
        member("b", "e", &[], None),
        member("c", "e", &[4.0], None),
    ]);
    let survival = &json["filter_survival"][0];
    assert_eq!(survival["curve"], serde_json::json!([[0.0, 1.0, 1.0, 1.0]]));
    assert!(survival["median_h"].is_null());
    let rates = json["rates"].as_array().unwrap();
    let of = |r: &&Value| r["site"] == "filter" && r["group"] == serde_json::json!({});
    let rate = &rates.iter().find(of).unwrap()["per_1000_h"];
    assert_eq!((&rate["value"], &rate["low"]), (&0.0.into(), &0.0.into()));
    // Garwood with no event: −ln(0.025) over 72 h, here per 1,000 h
    let high = rate["high"].as_f64().unwrap();
    assert!(
        (high - 1000.0 * -(0.025_f64.ln()) / 72.0).abs() < 1e-9,
        "{high}"
    );
}

#[test]
fn with_one_group_only_there_is_a_ratio_but_no_comparison() {
    let (events, reason, json) = said(vec![
        member("a", "n", &[2.0, 4.0], Some(6.0)),
        member("b", "n", &[1.0], Some(5.0)),
        member("c", "n", &[], Some(9.0)),
        member("d", "n", &[3.0, 8.0], None),
        member("e", "n", &[], None),
    ]);
    assert_eq!((events, reason), (3, None));
    let none = Vec::new();
    let list = |key: &str| json[key].as_array().unwrap_or(&none).len();
    assert_eq!(
        (list("log_rank"), list("rate_ratios"), list("funnels")),
        (0, 0, 0)
    );
    // adjusting for a column of one value changes nothing
    let effects = json["pause_effect"].as_array().unwrap();
    assert_eq!(effects[2]["hazard_ratio"], effects[0]["hazard_ratio"]);
}

/// Ten hours of one channel at a level pressure, by the minute.
fn trace() -> String {
    let rows: String = (0..=600)
        .map(|i| format!("{},{},4\n", i * 60, 30 + i % 2))
        .collect();
    format!("time,pressure_mmhg,rate_ml_h\n{rows}")
}

fn write(dir: &Path, files: &[(&str, &str)]) {
    for (name, text) in files {
        let path = dir.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }
}

fn surveyed(dir: &Path) -> Value {
    let run = patency(dir, &["survey", ".", "--json"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    serde_json::from_str(&run.stdout).unwrap()
}

#[test]
fn a_filter_placed_after_the_records_start_counts_from_then_and_it_is_said() {
    let dir = tempfile::tempdir().unwrap();
    let list = "infusion,line\nlate,late.toml\n";
    let line = "[filter]\nplaced = 14400\n"; // 4 h into the record
    write(
        dir.path(),
        &[
            ("infusions.csv", list),
            ("late/trace.csv", &trace()),
            ("late.toml", line),
        ],
    );
    let found = surveyed(dir.path());
    assert_eq!(
        (&found["hours"], &found["filter_hours"]),
        (&10.0.into(), &6.0.into())
    );
    let assumed = found["assumptions"].to_string();
    assert!(
        assumed.contains("dates the filter after the record's start"),
        "{assumed}"
    );
}

#[test]
fn the_same_row_twice_counts_once_and_two_that_differ_not_at_all() {
    let dir = tempfile::tempdir().unwrap();
    let list = "infusion,unit\nsame,north\nsame,north\nother,north\nother,east\n";
    let (same, other) = ("same/trace.csv", "other/trace.csv");
    write(
        dir.path(),
        &[("infusions.csv", list), (same, &trace()), (other, &trace())],
    );
    let found = surveyed(dir.path());
    assert_eq!(
        (&found["infusions"], &found["hours"]),
        (&1.into(), &10.0.into())
    );
    let skipped = found["skipped"].as_array().unwrap();
    assert_eq!(
        (skipped.len(), &skipped[0]["infusion"]),
        (1, &"other".into())
    );
}

#[rstest]
#[case::trace(
    "time,rate_ml_h\n0,4\n",
    "time,event\n0,start\n",
    "no column `pressure_mmhg`"
)]
#[case::events("", "time,what\n0,start\n", "no column `event`")]
fn a_missing_column_costs_its_own_infusion_with_a_reason(
    #[case] broken_trace: &str,
    #[case] events: &str,
    #[case] why: &str,
) {
    let dir = tempfile::tempdir().unwrap();
    let sound = trace();
    let own = if broken_trace.is_empty() {
        &sound
    } else {
        broken_trace
    };
    write(
        dir.path(),
        &[
            ("infusions.csv", "infusion\nsound\nbroken\n"),
            ("sound/trace.csv", &sound),
            ("broken/trace.csv", own),
            ("broken/events.csv", events),
        ],
    );
    let found = surveyed(dir.path());
    assert_eq!(
        (&found["infusions"], &found["hours"]),
        (&1.into(), &10.0.into())
    );
    let skipped = &found["skipped"][0];
    assert_eq!(skipped["infusion"], "broken");
    assert!(
        skipped["reason"].as_str().unwrap().contains(why),
        "{skipped}"
    );
}

/// The causes of the pauses of a record with one stop of 10 min at 38 mmHg under a limit of 39 mmHg, the pressure rising by
/// 1 mmHg a minute, and these events.
fn causes_of_a_stop_near_the_limit(events: &str) -> Vec<String> {
    let dir = tempfile::tempdir().unwrap();
    let mut trace = "time,channel,pressure_mmhg,rate_ml_h,limit_mmhg\n".to_string();
    for minute in 0..60 {
        let (pressure, rate) = match minute {
            0..20 => (18 + minute, 4),
            20..30 => (38, 0),
            _ => (20, 4),
        };
        trace += &format!("{},pn,{pressure},{rate},39\n", minute * 60);
    }
    fs::write(dir.path().join("trace.csv"), trace).unwrap();
    let events = format!("time,channel,event,detail\n{events}");
    fs::write(dir.path().join("events.csv"), events).unwrap();
    let args = ["review", "trace.csv", "--events", "events.csv", "--json"];
    let run = patency(dir.path(), &args);
    let review: Value = serde_json::from_str(&run.stdout).unwrap();
    let pauses = review["pauses"].as_array().unwrap();
    pauses
        .iter()
        .map(|p| p["cause"].as_str().unwrap().to_string())
        .collect()
}

#[rstest]
#[case::noted_as_a_pause("1195,pn,pause,\n", "manual")]
#[case::noted_as_a_pause_just_after_an_alarm("1190,pn,alarm,air\n1195,pn,pause,\n", "alarm")]
#[case::noted_as_a_stop_which_may_be_the_pumps("1195,pn,stop,\n", "alarm")]
#[case::not_noted("", "alarm")]
fn a_stop_just_below_the_limit_is_an_alarms_unless_it_is_noted_as_a_pause(
    #[case] events: &str,
    #[case] cause: &str,
) {
    assert_eq!(causes_of_a_stop_near_the_limit(events), [cause]);
}

#[test]
fn a_pause_between_two_samples_and_a_run_between_two_pauses_are_counted_by_their_events() {
    let dir = tempfile::tempdir().unwrap();
    let mut trace = "time,channel,pressure_mmhg,rate_ml_h\n".to_string();
    for sample in 0..24 {
        let rate = if (8..12).contains(&sample) { 0 } else { 4 };
        trace += &format!("{},pn,20,{rate}\n", sample * 300);
    }
    // Samples stand five minutes apart: the first pause lies between two that run, the run from 2,750 s to 2,900 s between
    // two that stand still; the last pause has no end and no sample at 0.
    let events = "time,channel,event,detail\n\
        610,pn,pause,\n790,pn,resume,\n\
        2390,pn,pause,\n2750,pn,resume,\n2900,pn,pause,\n3500,pn,resume,\n\
        5000,pn,pause,\n";
    fs::write(dir.path().join("trace.csv"), trace).unwrap();
    fs::write(dir.path().join("events.csv"), events).unwrap();
    let args = ["review", "trace.csv", "--events", "events.csv", "--json"];
    let review: Value = serde_json::from_str(&patency(dir.path(), &args).stdout).unwrap();
    let pauses = review["pauses"].as_array().unwrap();
    let found: Vec<(f64, f64)> = pauses
        .iter()
        .map(|p| (p["start"].as_f64().unwrap(), p["end"].as_f64().unwrap()))
        .collect();
    assert_eq!(found, [(610.0, 790.0), (2390.0, 2750.0), (2900.0, 3500.0)]);
}
