//! The whole way of a record, and many of them at once.

use super::client::{Workbench, coded, sample};
use std::time::Duration;

#[test]
fn a_record_is_given_confirmed_reviewed_ticked_compared_saved_and_removed() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    // In an order that says nothing of what they are.
    let id = bench.record(&[
        ("e.csv", &sample("filter-loads/events.csv")),
        ("l.toml", &sample("filter-loads/line.toml")),
        ("t.csv", &sample("filter-loads/trace.csv")),
    ]);
    assert_eq!(bench.settled(id), "understood");
    let page = format!("/records/{id}");
    let understood = bench.get(&page).body;
    for said in [
        "1,922 rows, all used",
        "18 events",
        "described by its file",
        "−5 mmHg to 199 mmHg",
    ] {
        assert!(understood.contains(said), "{said}");
    }
    assert_eq!(bench.post(&format!("{page}/review"), "").status, 303);
    assert_eq!(bench.settled(id), "done");
    let again = bench.post(&format!("{page}/review"), "");
    assert_eq!(again.status, 409, "confirmed in a second window");
    let report = bench.get(&page);
    assert!(
        report
            .body
            .contains("Most likely the in-line filter was blocking")
    );
    assert!(report.body.contains("It is not for alarm decisions"));
    assert!(report.body.contains("<nav class=\"bench\""));

    let tick = format!("{page}/tick");
    assert_eq!(bench.post(&tick, "box=1-filter&ticked=1").status, 204);
    assert_eq!(bench.post(&tick, "box=1-nothing&ticked=1").status, 404);
    assert_eq!(
        bench.post(&tick, "box=%22%3E%3Cscript%3E&ticked=1").status,
        404
    );
    let ticked = bench.get(&page).body;
    assert_eq!(ticked.matches("\" checked>").count(), 1);
    assert!(ticked.contains("data-box=\"1-filter\" checked>"));

    let other = bench.reviewed(&[("s.csv", &sample("slow-rise/trace.csv"))]);
    let compared = bench
        .get(&format!("/compare?record={id}&record={other}"))
        .body;
    assert!(compared.contains("in-line filter was blocking"));
    let report = bench.get(&format!("/records/{other}")).body;
    let answer = report.split("<h1 id=\"answer-h\">").nth(1).unwrap();
    let answer = answer.split("</h1>").next().unwrap();
    assert!(20 < answer.len() && compared.contains(answer), "{answer}");
    assert_eq!(bench.get(&format!("/compare?record={id}")).status, 400);

    let json = bench.get(&format!("{page}/review.json"));
    let review: serde_json::Value = serde_json::from_str(&json.body).unwrap();
    assert_eq!(review["schema"], "patency.review/1");
    assert_eq!(review["episodes"][0]["suggested"], "filter");
    assert!(json.header("content-disposition").starts_with("attachment"));
    let saved = bench.get(&format!("{page}/report.html")).body;
    assert!(!saved.contains("data-ticks") && !saved.contains("class=\"bench\""));

    assert_eq!(bench.post(&format!("{page}/remove"), "").status, 303);
    assert_eq!(bench.get(&page).status, 404);
    assert_eq!(
        std::fs::read_dir(home.path().join("files"))
            .unwrap()
            .count(),
        1
    );
}

#[test]
fn an_export_in_another_form_is_asked_about_before_it_is_read() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    let mut export = String::from("Datum;Uhrzeit;Druck (mmHg);Rate (mL/h)\n");
    for i in 0..120 {
        export += &format!(
            "03.04.2031;{:02}:{:02}:00;{},5;4,0\n",
            8 + i / 60,
            i % 60,
            30 + i % 3
        );
    }
    let id = bench.record(&[("export.csv", export.as_bytes())]);
    assert_eq!(bench.settled(id), "asking");
    let page = format!("/records/{id}");
    let asked = bench.get(&page).body;
    assert!(asked.contains("A few details are needed"));
    let keys: Vec<&str> = asked
        .split("name=\"answer.")
        .skip(1)
        .map(|rest| rest.split('"').next().unwrap())
        .collect();
    assert!(keys.contains(&"trace.zone"), "{keys:?}");
    let answers: Vec<String> = keys
        .iter()
        .map(|key| {
            let value = match *key {
                "trace.zone" => "Europe/Berlin",
                "trace.date_order" => "dmy",
                other => panic!("{other} is asked and should be clear"),
            };
            format!("answer.{key}={}", coded(value))
        })
        .collect();
    assert_eq!(
        bench
            .post(&format!("{page}/answers"), &answers.join("&"))
            .status,
        303
    );
    assert_eq!(bench.settled(id), "understood", "{}", bench.get(&page).body);
    let understood = bench.get(&page).body;
    assert!(understood.contains("120 rows, all used"));
    assert!(
        understood.contains("your answer"),
        "the mapping is shown with its reasons"
    );
    assert_eq!(bench.post(&format!("{page}/review"), "").status, 303);
    assert_eq!(bench.settled(id), "done");
    let mapping = bench.get(&format!("{page}/mapping.toml")).body;
    assert!(mapping.contains("zone = \"Europe/Berlin\""), "{mapping}");
}

#[test]
fn an_error_names_the_row_and_bad_rows_are_left_out_when_asked() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    let mut trace = String::from("time,channel,pressure_mmhg,rate_ml_h\n");
    for i in 0..50 {
        let pressure = if i == 20 {
            "??".to_string()
        } else {
            (30 + i % 2).to_string()
        };
        trace += &format!("{},pn,{pressure},4\n", 60 * i);
    }
    let id = bench.record(&[("night.csv", trace.as_bytes())]);
    assert_eq!(bench.settled(id), "unreadable");
    let page = format!("/records/{id}");
    let said = bench.get(&page).body;
    assert!(
        said.contains("night.csv:22: column `pressure_mmhg`"),
        "{said}"
    );
    assert!(!said.contains("--keep-going"), "a word of the command line");
    assert_eq!(
        bench
            .post(&format!("{page}/answers"), "keep_going=1")
            .status,
        303
    );
    assert_eq!(bench.settled(id), "understood");
    assert!(
        bench
            .get(&page)
            .body
            .contains("50 rows, 1 of them not used")
    );
}

#[test]
fn roles_are_changed_by_the_user_and_a_record_without_a_trace_says_so() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    let id = bench.record(&[("t.csv", &sample("slow-rise/trace.csv"))]);
    assert_eq!(bench.settled(id), "understood");
    let page = format!("/records/{id}");
    let body = bench.get(&page).body;
    let stored = body
        .split("<select name=\"")
        .nth(1)
        .unwrap()
        .split('"')
        .next()
        .unwrap();
    assert_eq!(
        bench
            .post(&format!("{page}/sort"), &format!("{stored}=aside"))
            .status,
        303
    );
    assert_eq!(bench.settled(id), "unreadable");
    assert!(
        bench
            .get(&page)
            .body
            .contains("none of the files is the trace")
    );
    assert_eq!(
        bench
            .post(&format!("{page}/sort"), &format!("{stored}=trace"))
            .status,
        303
    );
    assert_eq!(bench.settled(id), "understood");
}

#[test]
fn what_is_stopped_stays_stopped_and_can_be_begun_again() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    let id = bench.record(&[("t.csv", &sample("filter-loads/trace.csv"))]);
    assert_eq!(bench.settled(id), "understood");
    let page = format!("/records/{id}");
    bench.post(&format!("{page}/review"), "");
    bench.post(&format!("{page}/stop"), "");
    let state = bench.settled(id);
    // The review may have been quicker than the second request.
    if state == "cancelled" {
        std::thread::sleep(Duration::from_millis(500));
        assert_eq!(
            bench.state(id),
            "cancelled",
            "a review that was stopped was kept"
        );
        assert!(bench.get(&page).body.contains("This was stopped"));
        bench.post(&format!("{page}/answers"), "");
        assert_eq!(bench.settled(id), "understood");
    } else {
        assert_eq!(state, "done");
    }
}

#[test]
fn fifty_reviews_at_once_are_all_made_in_bounded_memory() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    let trace = sample("filter-loads/trace.csv");
    let ids: Vec<i64> = std::thread::scope(|scope| {
        let running: Vec<_> = (0..50)
            .map(|_| scope.spawn(|| bench.reviewed(&[("t.csv", trace.as_slice())])))
            .collect();
        running.into_iter().map(|r| r.join().unwrap()).collect()
    });
    let mut unique = ids.clone();
    unique.sort_unstable();
    unique.dedup();
    assert_eq!(unique.len(), 50);
    let json = |id: &i64| bench.get(&format!("/records/{id}/review.json")).body;
    let first = json(&ids[0]);
    assert!(first.contains("\"suggested\""));
    for id in &ids {
        assert_eq!(json(id), first, "the same record was judged otherwise");
    }
    // The kernel's own count of the most memory that was ever resident; the two workers' records are some MB each.
    if let Ok(status) = std::fs::read_to_string(format!("/proc/{}/status", bench.pid())) {
        let line = status.lines().find(|l| l.starts_with("VmHWM:")).unwrap();
        let kb: u64 = line.split_whitespace().nth(1).unwrap().parse().unwrap();
        assert!(kb < 300_000, "{kb} kB at most");
    }
}

#[test]
fn what_messages_leave_open_is_asked_and_the_answers_are_used() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    // Messages without any offset.
    let bare = include_str!("../data/hl7/observation.hl7").replace("+0100", "");
    let id = bench.record(&[("night.hl7", bare.as_bytes())]);
    assert_eq!(bench.settled(id), "asking");
    let page = format!("/records/{id}");
    let asked = bench.get(&page).body;
    assert!(
        asked.contains("In which zone did the clocks of the messages stand?"),
        "{asked}"
    );
    let answer = format!("answer.messages.zone={}", coded("Europe/Berlin"));
    assert_eq!(bench.post(&format!("{page}/answers"), &answer).status, 303);
    assert_eq!(bench.settled(id), "understood", "{}", bench.get(&page).body);
    assert!(bench.get(&page).body.contains("pump-001"));

    // A table of two channels, and messages of a pump that is one of them.
    let mut trace = String::from("time,channel,pressure_mmhg,rate_ml_h\n");
    for minute in 0..240 {
        let (h, m) = (minute / 60, minute % 60);
        for channel in ["pn", "lipid"] {
            trace += &format!("2026-03-29T{h:02}:{m:02}:00Z,{channel},30,2\n");
        }
    }
    let event = include_str!("../data/hl7/event.hl7");
    let id = bench.record(&[
        ("trace.csv", trace.as_bytes()),
        ("events.hl7", event.as_bytes()),
    ]);
    assert_eq!(bench.settled(id), "asking");
    let page = format!("/records/{id}");
    let asked = bench.get(&page).body;
    assert!(
        asked.contains("Which is which? The messages have pump-001"),
        "{asked}"
    );
    let answer = format!("answer.messages.channel={}", coded("pump-001=lipid"));
    assert_eq!(bench.post(&format!("{page}/answers"), &answer).status, 303);
    assert_eq!(bench.settled(id), "understood", "{}", bench.get(&page).body);
    // The stop, and the alarm that it says was its reason.
    assert!(bench.get(&page).body.contains("2 events"));
}
