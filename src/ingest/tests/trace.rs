//! What a trace says.

use super::*;
use crate::record::Notice;
use crate::time::{Clock, Span, TimeText};
use rstest::rstest;

#[test]
fn every_column_of_the_contract_is_read_into_its_channel() {
    let record = read(
        "time,channel,pressure_mmhg,rate_ml_h,volume_ml,limit_mmhg\n\
         2031-03-04T08:00:00+01:00,pn,31,4.2,0.5,450\n\
         2031-03-04T08:00:00+01:00,lipid,29.5,0.8,,\n\
         2031-03-04T08:00:10+01:00,pn,,0,0.51,450\n",
    )
    .unwrap();
    assert_eq!(record.infusion, None);
    let ids: Vec<&str> = record.channels.iter().map(|c| c.id.as_str()).collect();
    assert_eq!(ids, ["lipid", "pn"]);
    let [lipid, pn] = record.channels.as_slice() else {
        panic!()
    };
    assert_eq!(lipid.samples.pressure_mmhg, [29.5]);
    assert!(lipid.samples.volume_ml[0].is_nan() && lipid.samples.limit_mmhg[0].is_nan());
    assert_eq!(pn.samples.t_s, [0.0, 10.0]);
    assert_eq!(pn.samples.pressure_mmhg[0], 31.0);
    assert!(pn.samples.pressure_mmhg[1].is_nan());
    assert_eq!(pn.samples.rate_ml_h, [4.2, 0.0]);
    assert_eq!(pn.samples.volume_ml, [0.5, 0.51]);
    assert_eq!(pn.samples.limit_mmhg, [450.0, 450.0]);
    assert_eq!((lipid.period_s, pn.period_s), (None, Some(10.0)));
    assert_eq!((record.intake.rows, record.intake.rows_rejected), (3, 0));
    assert!(record.intake.notices.is_empty());
}

#[test]
fn without_a_channel_column_there_is_one_channel_named_pump() {
    let record = read("time,pressure_mmhg,rate_ml_h\n0,30,4\n10.5,31,4\n").unwrap();
    assert_eq!(record.channels[0].id, "pump");
    assert_eq!(record.channels[0].samples.t_s, [0.0, 10.5]);
    assert_eq!(record.clock, Clock::Seconds);
}

#[test]
fn infusions_become_records_of_their_own_sorted_by_name_each_with_its_own_start() {
    let records = keep_going(
        "infusion,time,pressure_mmhg,rate_ml_h\n\
         b,2031-03-04T08:00:00Z,30,4\n\
         a,2031-03-05T08:00:00Z,40,5\n\
         b,2031-03-04T08:01:00Z,31,4\n\
         a,2031-03-05T08:02:00Z,41,5\n\
         b,2031-03-04T08:02:00Z,??,4\n",
    )
    .unwrap();
    let names: Vec<_> = records
        .iter()
        .map(|r| r.infusion.as_deref().unwrap())
        .collect();
    assert_eq!(names, ["a", "b"]);
    assert_eq!(records[0].channels[0].samples.t_s, [0.0, 120.0]);
    assert_eq!(records[1].channels[0].samples.t_s, [0.0, 60.0]);
    assert_eq!((records[0].intake.rows, records[1].intake.rows), (2, 3));
    assert_eq!(
        (
            records[0].intake.rows_rejected,
            records[1].intake.rows_rejected
        ),
        (0, 1)
    );
}

#[test]
fn an_infusion_of_bad_rows_only_has_no_record_and_is_named() {
    let records =
        keep_going("infusion,time,pressure_mmhg,rate_ml_h\na,0,30,4\nb,0,30,-4\n").unwrap();
    assert_eq!(records.len(), 1);
    let unread = Notice::InfusionUnread {
        infusion: "b".into(),
        rows: 1,
    };
    assert_eq!(records[0].intake.notices, [unread]);
}

#[test]
fn elapsed_time_is_right_across_the_change_to_summer_time() {
    // 01:59:00+01:00 and 03:02:11+02:00 are 191 s apart: 02:00 to 03:00 does not exist that night (2000/84/EC).
    let record = read(&trace(
        "2026-03-29T01:59:00+01:00,pn,30,2,\n2026-03-29T03:02:11+02:00,pn,30,2,\n",
    ))
    .unwrap();
    assert_eq!(record.channels[0].samples.t_s, [0.0, 191.0]);
    let text = |t_s| record.clock.text(t_s);
    assert_eq!(
        text(0.0),
        TimeText::Rfc3339("2026-03-29T01:59:00+01:00".into())
    );
    assert_eq!(
        text(191.0),
        TimeText::Rfc3339("2026-03-29T03:02:11+02:00".into())
    );
}

#[test]
fn the_hour_that_comes_twice_in_autumn_stays_in_order() {
    let record = read(&trace(
        "2026-10-25T02:30:00+02:00,pn,30,2,\n2026-10-25T02:30:00+01:00,pn,31,2,\n",
    ))
    .unwrap();
    assert_eq!(record.channels[0].samples.t_s, [0.0, 3600.0]);
    assert_eq!(record.intake.repeats, 0);
    assert_eq!(record.clock.offset_s(3599.0), 7200);
    assert_eq!(record.clock.offset_s(3600.0), 3600);
}

#[test]
fn a_trace_with_the_newest_row_first_reads_as_the_same_trace_in_order() {
    let rows: Vec<String> = (0..6)
        .map(|i| match i {
            0..3 => format!("2026-03-29T01:5{}:00+01:00,pn,3{i},2,{i}\n", 7 + i),
            _ => format!("2026-03-29T03:0{}:00+02:00,pn,3{i},2,{i}\n", i - 3),
        })
        .collect();
    let forward = read(&trace(&rows.concat())).unwrap();
    let backward = read(&trace(&rows.iter().rev().cloned().collect::<String>())).unwrap();
    for (forward, backward) in forward.channels.iter().zip(&backward.channels) {
        assert_eq!(
            forward.samples.pressure_mmhg,
            backward.samples.pressure_mmhg
        );
        assert_eq!(forward.samples.t_s, backward.samples.t_s);
        assert_eq!(forward.samples.volume_ml, backward.samples.volume_ml);
    }
    assert_eq!(backward.intake.out_of_order, 5);
    for t_s in [0.0, 120.0, 180.0, 300.0] {
        assert_eq!(forward.clock.text(t_s), backward.clock.text(t_s));
    }
}

#[test]
fn blank_lines_a_byte_order_mark_crlf_quotes_and_empty_cells_at_the_end_do_no_harm() {
    let csv = "\u{feff}time,channel,pressure_mmhg,rate_ml_h\r\n\r\n0,\"pn, left\",30,4,,\r\n 10 ,\"pn, left\", 31,4\r\n";
    let record = read(csv).unwrap();
    assert_eq!(record.intake.rows, 2);
    assert_eq!(record.channels[0].id, "pn, left");
    assert_eq!(record.channels[0].samples.pressure_mmhg, [30.0, 31.0]);
}

#[test]
fn two_infusions_mixed_are_told_by_the_falling_volume() {
    let appended = read(&trace(
        "0,pn,30,4,10\n10,pn,30,4,11\n20,pn,30,4,0\n30,pn,30,4,1\n",
    ))
    .unwrap();
    let falls = Notice::VolumeFalls {
        channel: "pn".into(),
        line: 4,
    };
    assert_eq!(appended.intake.notices, [falls]);
}

#[test]
fn two_infusions_on_the_same_seconds_are_told_by_rows_that_disagree() {
    let interleaved = read(&trace("0,pn,30,4,\n0,pn,80,2,\n10,pn,30,4,\n10,pn,81,2,\n")).unwrap();
    let conflicts = Notice::ConflictingRepeats {
        channel: "pn".into(),
        rows: 2,
        line: 3,
    };
    assert_eq!(interleaved.intake.notices, [conflicts]);
    assert_eq!(interleaved.intake.repeats, 2);
}

#[test]
fn a_gap_is_told_with_its_channel_and_both_ends() {
    let mut rows = String::new();
    for t in (0..100).chain(400..500) {
        rows += &format!("{t},pn,30,4,\n{t},lipid,30,1,\n");
    }
    rows += "250,lipid,30,1,\n";
    let record = read(&trace(&rows)).unwrap();
    let gap = |start_s, end_s| Span { start_s, end_s };
    assert_eq!(
        record.channels[0].gaps,
        [gap(99.0, 250.0), gap(250.0, 400.0)]
    );
    assert_eq!(record.channels[1].gaps, [gap(99.0, 400.0)]);
}

#[rstest]
#[case("0,pn,3000,4,\n", Notice::ImplausiblePressure { channel: "pn".into(), pressure_mmhg: 3000.0 })]
#[case("0,pn,-200,4,\n", Notice::ImplausiblePressure { channel: "pn".into(), pressure_mmhg: -200.0 })]
#[case("0,pn,,4,\n", Notice::NoPressure { channel: "pn".into() })]
fn pressures_that_no_line_bears_or_that_are_missing_are_told(
    #[case] rows: &str,
    #[case] notice: Notice,
) {
    assert_eq!(read(&trace(rows)).unwrap().intake.notices, [notice]);
}
