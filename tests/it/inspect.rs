//! `patency inspect`: whole output pinned.

use crate::program::{folder, patency};

const TRACE: &str = "time,channel,pressure_mmhg,rate_ml_h,volume_ml,limit_mmhg,nurse\n\
    2026-03-29T01:59:40+01:00,pn,30,4,0.5,450,x\n\
    2026-03-29T01:59:50+01:00,pn,31,4,0.51,450,x\n\
    2026-03-29T03:00:00+02:00,pn,??,4,0.52,450,x\n\
    2026-03-29T03:00:10+02:00,pn,31,0,0.53,450,x\n\
    2026-03-29T03:00:20+02:00,pn,,0,0.53,450,x\n\
    2026-03-29T03:02:10+02:00,pn,35,12.5,0.53,450,x\n";

const EVENTS: &str = "time,channel,event,detail\n\
    2026-03-29T03:00:05+02:00,pn,pause,\n\
    2026-03-29T03:02:05+02:00,pn,resume,\n\
    2026-03-29T03:02:05+02:00,,bag_hung,\n";

const LINE: &str = "[access]\nkind = \"picc\"\ninner_diameter_mm = 0.3\nlength_cm = 20\n\
    [filter]\npore_um = 1.2\nposition = \"below-join\"\nplaced = 2026-03-28T20:00:00+01:00\n\
    [[channel]]\nid = \"pn\"\nfluid = \"pn-2in1\"\ncompliance_ul_per_mmhg = 1.3\n";

fn inspect(more: &[&str]) -> crate::program::Run {
    let files: [(&str, &[u8]); 3] = [
        ("t.csv", TRACE.as_bytes()),
        ("e.csv", EVENTS.as_bytes()),
        ("line.toml", LINE.as_bytes()),
    ];
    let dir = folder(&files);
    let args = [
        "inspect",
        "t.csv",
        "--events",
        "e.csv",
        "--line",
        "line.toml",
        "--keep-going",
    ];
    patency(dir.path(), &[&args, more].concat())
}

#[test]
fn all_that_was_understood_is_said_in_eighty_columns() {
    let run = inspect(&[]);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    assert!(run.stdout.lines().all(|l| l.chars().count() <= 80));
    insta::assert_snapshot!(run.stdout);
}

#[test]
fn the_json_has_the_figures_and_nothing_else_stands_on_standard_output() {
    let run = inspect(&["--json"]);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    let json: serde_json::Value = serde_json::from_str(&run.stdout).unwrap();
    insta::assert_json_snapshot!(json);
}

#[test]
fn many_infusions_get_a_line_each() {
    let mut trace = String::from("infusion,time,pressure_mmhg,rate_ml_h\n");
    for infusion in ["d", "a", "c", "b", "e"] {
        trace += &format!("{infusion},0,30,4\n{infusion},7200,30,4\n");
    }
    let dir = folder(&[("t.csv", trace.as_bytes())]);
    let run = patency(dir.path(), &["inspect", "t.csv"]);
    let expected = "5 infusions\n  - a: 1 channel, 2 rows, 2 h\n  - b: 1 channel, 2 rows, 2 h\n  - c: 1 channel, 2 rows, 2 h\n  \
                    - d: 1 channel, 2 rows, 2 h\n  - e: 1 channel, 2 rows, 2 h\n";
    assert_eq!(run.stdout, expected);
}

#[test]
fn wrong_usage_has_status_two() {
    let dir = folder(&[]);
    assert_eq!(patency(dir.path(), &["inspect"]).status, 2);
    assert_eq!(
        patency(dir.path(), &["inspect", "t.csv", "--evnts", "e.csv"]).status,
        2
    );
}

#[test]
fn a_clock_that_was_set_back_is_told_with_its_line_and_what_was_done() {
    let mut trace = String::from("time,channel,pressure_mmhg,rate_ml_h,volume_ml\n");
    for row in 0..90 {
        // Set back by five minutes before the 61st row; the volume runs on.
        let shown = 10 * row - if row < 60 { 0 } else { 300 };
        let (minute, second) = (shown / 60, shown % 60);
        let volume = f64::from(row) / 90.0;
        trace += &format!(
            "2031-03-04T08:{minute:02}:{second:02}+01:00,pn,{},4,{volume}\n",
            30 + row % 7
        );
    }
    let dir = folder(&[("t.csv", trace.as_bytes())]);
    let run = patency(dir.path(), &["inspect", "t.csv"]);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    let said = run.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    let told = "At line 62 the clock of channel “pn” had been set back by 5 min. 60 rows before it were moved earlier by as much, \
                so that rows stand in the order in which they were written; events by the old clock were not moved.";
    assert!(said.contains(told), "{}", run.stdout);
    // 90 rows of 10 s, the last at 08:09:50 by the clock that counts.
    assert!(said.contains("07:55"), "{}", run.stdout);
}
