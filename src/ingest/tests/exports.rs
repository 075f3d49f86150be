//! Several exports of one pump, and clocks that began anew or stand apart.

use super::*;
use crate::ingest::read_exports;
use crate::record::{Conflict, EventKind, Notice};
use crate::time::TimeText;
use rstest::rstest;

fn exports(traces: &[&str], events: &[&str]) -> Result<Record> {
    let mut traces: Vec<&[u8]> = traces.iter().map(|t| t.as_bytes()).collect();
    let mut events: Vec<&[u8]> = events.iter().map(|t| t.as_bytes()).collect();
    let names = ["a.csv", "b.csv", "c.csv"];
    let sources = |(bytes, name)| source(name, bytes);
    let mut records = read_exports(
        traces.iter_mut().zip(names).map(sources).collect(),
        events.iter_mut().zip(names).map(sources).collect(),
        None,
        &Settings::default(),
    )?;
    assert_eq!(records.len(), 1);
    Ok(records.remove(0))
}

/// Rows every ten seconds, from one to another; the volume runs on.
fn rows(from: u32, to: u32) -> String {
    let row = |s: u32| {
        let (h, m, s10) = (8 + s / 360, s / 6 % 60, s % 6 * 10);
        format!(
            "2031-03-04T{h:02}:{m:02}:{s10:02}+01:00,pn,{},4,{}\n",
            30 + s % 7,
            f64::from(s) / 90.0
        )
    };
    (from..to).map(row).collect()
}

#[test]
fn overlapping_exports_are_one_record_and_no_row_counts_twice() {
    let whole = exports(&[&trace(&rows(0, 400))], &[]).unwrap();
    let (first, second) = (trace(&rows(0, 250)), trace(&rows(180, 400)));
    for order in [[&first, &second], [&second, &first]] {
        let merged = exports(&[order[0], order[1]], &[]).unwrap();
        assert_eq!(
            format!("{:?}", merged.channels),
            format!("{:?}", whole.channels)
        );
        assert_eq!(merged.clock, whole.clock);
        // 250 + 220 rows given, 400 kept, 70 that stood in both
        assert_eq!(
            (
                merged.intake.rows,
                merged.intake.repeats,
                merged.intake.rows_rejected
            ),
            (470, 70, 0)
        );
        let said = Notice::ExportsMerged {
            files: 2,
            rows_twice: 70,
            conflicts: 0,
            first: vec![],
        };
        assert_eq!(merged.intake.notices, [said]);
    }
    let twice = exports(&[&first, &first, &first], &[]).unwrap();
    assert_eq!(twice.channels[0].samples.len(), 250);
    assert_eq!(
        twice.channels[0].samples.volume_ml.last(),
        Some(&(249.0 / 90.0))
    );
}

#[test]
fn where_exports_disagree_the_later_file_counts_and_each_conflict_is_listed() {
    let first =
        trace("2031-03-04T08:00:00+01:00,pn,30,4,1\n2031-03-04T08:00:10+01:00,pn,31,4,1.1\n");
    let second =
        trace("2031-03-04T08:00:10+01:00,pn,35,4,\n2031-03-04T08:00:20+01:00,pn,36,4,1.2\n");
    let merged = exports(&[&first, &second], &[]).unwrap();
    let samples = &merged.channels[0].samples;
    assert_eq!(samples.pressure_mmhg, [30.0, 35.0, 36.0]);
    assert_eq!(
        samples.volume_ml,
        [1.0, 1.1, 1.2],
        "what one leaves out the other fills in"
    );
    let conflict = Conflict {
        channel: "pn".into(),
        time: "2031-03-04T08:00:10+01:00".into(),
        column: "pressure_mmhg",
        earlier: 31.0,
        later: 35.0,
    };
    let said = Notice::ExportsMerged {
        files: 2,
        rows_twice: 1,
        conflicts: 1,
        first: vec![conflict],
    };
    assert_eq!(merged.intake.notices, [said]);
}

#[test]
fn events_that_stand_in_two_files_count_once() {
    let head = "time,channel,event,detail\n";
    let pause = "2031-03-04T08:01:00+01:00,pn,pause,\n";
    let resume = "2031-03-04T08:02:00+01:00,pn,resume,\n";
    let one = exports(
        &[&trace(&rows(0, 100))],
        &[
            &format!("{head}{pause}{resume}"),
            &format!("{head}{resume}"),
        ],
    )
    .unwrap();
    let kinds: Vec<EventKind> = one.events.iter().map(|e| e.kind).collect();
    assert_eq!(kinds, [EventKind::Pause, EventKind::Resume]);
    assert_eq!(one.intake.notices, [Notice::EventsTwice { events: 1 }]);
}

#[test]
fn exports_that_cannot_be_put_together_say_why() {
    let dates = trace(&rows(0, 10));
    let error = exports(&[&dates, &trace("0,pn,30,4,\n10,pn,30,4,\n")], &[]).unwrap_err();
    assert!(
        error
            .to_string()
            .starts_with("b.csv: the first trace has times with date and offset"),
        "{error}"
    );
    assert_eq!(
        exports(&[], &[]).unwrap_err().what,
        "there is no trace to read"
    );
    // Two pumps whose names are replaced: a runs first in one file, b in the other.
    let named = |order: [&str; 2]| {
        let row = |(i, pump): (usize, &str)| format!("{i},{pump},30,4\n");
        let rows: String = order.into_iter().enumerate().map(row).collect();
        format!("time,channel,pressure_mmhg,rate_ml_h\n{rows}")
    };
    let map = "[trace]\ntime = \"time\"\ntime_unit = \"s\"\nchannel = \"Pump serial\"\npressure = \"pressure_mmhg\"\n\
               pressure_unit = \"mmHg\"\nrate = \"rate_ml_h\"\nrate_unit = \"mL/h\"\n";
    let mut text = map.as_bytes();
    let settings = Settings {
        mapping: Some(
            crate::ingest::Mapping::read(source("m.toml", &mut text))
                .unwrap()
                .into(),
        ),
        ..Settings::default()
    };
    let file = |order| named(order).replace("channel", "Pump serial");
    let (a, b) = (file(["SN11", "SN22"]), file(["SN22", "SN11"]));
    let (mut a, mut b) = (a.as_bytes(), b.as_bytes());
    let both = vec![source("a.csv", &mut a), source("b.csv", &mut b)];
    let error = read_exports(both, vec![], None, &settings)
        .unwrap_err()
        .to_string();
    assert!(
        error.starts_with("b.csv: `channel-001` is not the same as in the file before")
            || error.starts_with("b.csv: `channel-002`"),
        "{error}"
    );
    assert!(!error.contains("SN"), "{error}");
}

#[test]
fn rows_of_a_clock_that_began_anew_are_never_sorted_among_the_others() {
    let anew: String = rows(0, 40).replace("2031-03-04T08", "2000-01-01T00");
    // A hole of 42 periods for forty rows, which take 39: half of the rest is how wrong their place may be.
    let filled = trace(&format!("{}{anew}{}", rows(0, 300), rows(341, 600)));
    let record = read(&filled).unwrap();
    let samples = &record.channels[0].samples;
    assert_eq!(samples.len(), 599);
    assert_eq!(record.end_s(), 5990.0);
    assert_eq!(
        samples.pressure_mmhg[300], 30.0,
        "the first of them stands where it stood in the file"
    );
    assert!(
        (samples.t_s[300] - 3000.0).abs() <= 10.0,
        "{}",
        samples.t_s[300]
    );
    let placed = |n: &Notice| matches!(n, Notice::ClockReset { placed: 40, lost: 0, within_s, .. } if *within_s == 15.0);
    assert!(
        record.intake.notices.iter().any(placed),
        "{:?}",
        record.intake.notices
    );
    // Nothing says when: not used, counted, shown with their lines.
    let loose = trace(&format!("{}{anew}{}", rows(0, 5000), rows(5400, 5600)));
    let record = read(&loose).unwrap();
    let intake = &record.intake;
    assert_eq!((intake.rows, intake.rows_rejected), (5240, 40));
    assert_eq!(
        (intake.rejected[0].line, intake.rejected[39].line),
        (5002, 5041)
    );
    assert_eq!(
        intake.rejected[0].reason,
        "the clock had begun anew, and nothing says when this was"
    );
    assert_eq!(record.channels[0].samples.len(), 5200);
    assert_eq!(record.start_s(), 0.0);
}

#[rstest]
#[case::ten_minutes(60)]
#[case::an_hour(360)]
fn rows_of_a_clock_that_was_set_back_keep_their_order_and_the_setting_is_told(#[case] back: u32) {
    // 600 rows, the clock set back after the 400th; the volume runs on over it.
    let shown = rows(0, 400);
    let after: String = (400..600)
        .map(|s| {
            let (shown, counted) = (rows(s - back, s - back + 1), rows(s, s + 1));
            let time = shown.split(',').next().unwrap().to_string();
            let figures = counted.split_once(',').unwrap().1.to_string();
            format!("{time},{figures}")
        })
        .collect();
    let record = read(&trace(&format!("{shown}{after}"))).unwrap();
    let samples = &record.channels[0].samples;
    assert_eq!(samples.len(), 600);
    for (i, t_s) in samples.t_s.iter().enumerate() {
        assert_eq!(*t_s, i as f64 * 10.0);
        assert_eq!(samples.volume_ml[i], i as f64 / 90.0);
    }
    // The first row was written at 08:00 by the clock as it was; by the one that was set right it was earlier.
    let TimeText::Rfc3339(start) = record.clock.text(0.0) else {
        panic!("no date");
    };
    let expected = if back == 60 {
        "2031-03-04T07:50:00+01:00"
    } else {
        "2031-03-04T07:00:00+01:00"
    };
    assert_eq!(start, expected);
    let told = Notice::ClockSetBack {
        channel: "pn".into(),
        line: 402,
        by_s: f64::from(back) * 10.0,
        rows: 400,
    };
    assert_eq!(record.intake.notices, [told]);
}

#[test]
fn an_events_clock_that_stands_apart_is_measured_and_told_and_moves_nothing() {
    let mut text = String::new();
    for s in 0..400_u32 {
        let rate = match s {
            50..80 | 150..200 | 300.. => 0,
            _ => 4,
        };
        text += &format!("{},pn,30,{rate},\n", 10 * s);
    }
    let events = |late: u32| {
        let at = [
            (495, "pause"),
            (795, "resume"),
            (1495, "pause"),
            (1995, "resume"),
            (2995, "pause"),
        ];
        let row = |(s, word): (u32, &str)| format!("{},pn,{word}\n", s + late);
        format!(
            "time,channel,event\n{}",
            at.into_iter().map(row).collect::<String>()
        )
    };
    let late = exports(&[&trace(&text)], &[&events(90)]).unwrap();
    let told = |n: &Notice| matches!(n, Notice::EventsClock { offset_s, within_s, pairs: 5 } if (offset_s - 90.0).abs() <= 5.0 && *within_s <= 5.0);
    assert!(
        late.intake.notices.iter().any(told),
        "{:?}",
        late.intake.notices
    );
    assert_eq!(late.events[0].t_s, 585.0);
    let right = exports(&[&trace(&text)], &[&events(0)]).unwrap();
    assert_eq!(right.intake.notices, []);
}
