//! Readings and reviews in processes of their own: stopped at once, bounded, and no burden to others.

use super::client::{Workbench, sample, send};
use std::time::{Duration, Instant};

/// A record that takes some seconds to be read.
fn heavy() -> Vec<u8> {
    let mut trace = String::from("time,channel,pressure_mmhg,rate_ml_h\n");
    for i in 0..3_000_000 {
        trace += &format!("{i},pn,{},4\n", 30 + i % 3);
    }
    trace.into_bytes()
}

/// The processes that the workbench has started and that are still there.
fn children(bench: &Workbench) -> Vec<u32> {
    let parent = bench.pid().to_string();
    let mut found = Vec::new();
    for entry in std::fs::read_dir("/proc").unwrap().flatten() {
        let Ok(stat) = std::fs::read_to_string(entry.path().join("stat")) else {
            continue;
        };
        // After the name in brackets: state and parent.
        let after = stat.rsplit(')').next().unwrap();
        if after.split_whitespace().nth(1) == Some(&parent) {
            found.push(entry.file_name().to_str().unwrap().parse().unwrap());
        }
    }
    found
}

fn until(what: &str, seconds: u64, is: impl Fn() -> bool) {
    let begun = Instant::now();
    while !is() {
        assert!(begun.elapsed() < Duration::from_secs(seconds), "{what}");
        std::thread::sleep(Duration::from_millis(10));
    }
}

#[test]
fn stop_ends_a_reading_and_a_review_within_two_seconds() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    let id = bench.record(&[("heavy.csv", &heavy())]);
    let page = format!("/records/{id}");
    for state in ["reading", "reviewing"] {
        if state == "reviewing" {
            assert_eq!(bench.post(&format!("{page}/answers"), "").status, 303);
            assert_eq!(bench.settled(id), "understood");
            assert_eq!(bench.post(&format!("{page}/review"), "").status, 303);
        }
        until("the work did not begin", 30, || {
            !children(&bench).is_empty()
        });
        assert_eq!(bench.state(id), state);
        assert_eq!(bench.post(&format!("{page}/stop"), "").status, 303);
        until("it works on after Stop", 2, || children(&bench).is_empty());
        assert_eq!(bench.state(id), "cancelled");
        assert!(bench.get(&page).body.contains("This was stopped"));
    }
}

#[test]
fn a_heavy_record_holds_up_no_other() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &["--at-once", "1"]);
    let heavy = heavy();
    let ids: Vec<i64> = (0..3)
        .map(|_| bench.record(&[("heavy.csv", &heavy)]))
        .collect();
    let small = bench.reviewed(&[("t.csv", &sample("slow-rise/trace.csv"))]);
    assert_eq!(bench.state(small), "done");
    let states: Vec<String> = ids.iter().map(|id| bench.state(*id)).collect();
    assert!(
        states.contains(&"reading".to_string()),
        "{states:?}: too quick for this test"
    );
    for id in ids {
        bench.post(&format!("/records/{id}/stop"), "");
    }
}

#[test]
fn what_takes_too_much_or_is_killed_is_told_and_can_be_begun_again() {
    let heavy = heavy();
    for (options, says) in [
        (&["--job-mb", "60"][..], "it needed more than"),
        (&["--job-seconds", "1"], "it took longer than 1 s"),
        (&[], "ended from outside the workbench (signal 9)"),
    ] {
        let home = tempfile::tempdir().unwrap();
        let bench = Workbench::start(home.path(), options);
        let id = bench.record(&[("heavy.csv", &heavy)]);
        // Time is over for work that stands still, on however quick a machine.
        let signal = match options.first() {
            Some(&"--job-seconds") => Some("STOP"),
            Some(_) => None,
            None => Some("KILL"),
        };
        if let Some(signal) = signal {
            until("the work did not begin", 30, || {
                !children(&bench).is_empty()
            });
            for child in children(&bench) {
                send(signal, child);
            }
        }
        assert_eq!(bench.settled(id), "unreadable");
        let body = bench.get(&format!("/records/{id}")).body;
        assert!(body.contains(says), "{says}: {body}");
        assert!(body.contains("What to do:"), "{body}");
        // The workbench goes on.
        let small = bench.record(&[("t.csv", &sample("slow-rise/trace.csv"))]);
        let state = bench.settled(small);
        assert!(state == "understood", "{options:?}: {state}");
        assert_eq!(children(&bench), [0; 0]);
    }
}

#[test]
fn work_ends_with_the_workbench_however_that_ends() {
    let home = tempfile::tempdir().unwrap();
    let heavy = heavy();
    for signal in ["KILL", "TERM"] {
        let bench = Workbench::start(&home.path().join(signal), &[]);
        bench.record(&[("heavy.csv", &heavy)]);
        until("the work did not begin", 30, || {
            !children(&bench).is_empty()
        });
        let at_work = children(&bench);
        bench.end(signal);
        let is_gone = |pid: &u32| {
            let stat = std::fs::read_to_string(format!("/proc/{pid}/stat"));
            // What nobody has waited for yet has ended too.
            stat.map_or(true, |s| {
                s.rsplit(')').next().unwrap().trim().starts_with('Z')
            })
        };
        until("it works on", 2, || at_work.iter().all(is_gone));
    }
}
