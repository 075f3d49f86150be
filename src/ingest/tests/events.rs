//! The events file.

use super::*;
use crate::record::{EventKind, Notice};
use rstest::rstest;

#[test]
fn events_are_read_in_order_of_time_with_channel_and_detail() {
    let events = "time,channel,event,detail\n\
                  2031-03-04T09:00:00+01:00,pn,rate_change,5.5\n\
                  2031-03-04T07:30:00Z,,filter_change,\"new, 1.2 µm\"\n\
                  2031-03-04T08:10:00+01:00,pn,bag_hung,\n";
    let record = read_with(TRACE, Some(events), None).unwrap();
    assert!(record.events_given);
    let seen: Vec<_> = record
        .events
        .iter()
        .map(|e| (e.t_s, e.kind, e.channel.as_deref()))
        .collect();
    assert_eq!(
        seen,
        [
            (600.0, EventKind::Unknown, Some("pn")),
            (1800.0, EventKind::FilterChange, None),
            (3600.0, EventKind::RateChange, Some("pn")),
        ]
    );
    assert_eq!(record.events[1].detail, "new, 1.2 µm");
    assert_eq!(record.events[0].word, "bag_hung");
    let unknown = Notice::UnknownEvents {
        words: vec!["bag_hung".into()],
    };
    assert_eq!(record.intake.notices, [unknown]);
}

#[test]
fn no_events_file_and_an_empty_one_differ() {
    assert!(!read(TRACE).unwrap().events_given);
    let empty = read_with(TRACE, Some("time,channel,event,detail\n"), None).unwrap();
    assert!(empty.events_given && empty.events.is_empty() && empty.intake.notices.is_empty());
}

#[rstest]
#[case("2031-03-07T08:00:00+01:00,,start,\n2031-03-07T09:00:00+01:00,,stop,\n", Notice::EventsOutsideTrace { events: 2 })]
#[case("2031-03-04T08:00:00+01:00,,start,\n2031-03-07T09:00:00+01:00,,stop,\n", Notice::SomeEventsOutsideTrace { outside: 1 })]
#[case("2031-03-04T08:00:00+01:00,pn2,start,\n", Notice::UnknownChannel { file: "events", channel: "pn2".into() })]
fn events_that_do_not_fit_the_trace_are_told_and_kept(#[case] rows: &str, #[case] notice: Notice) {
    let events = format!("time,channel,event,detail\n{rows}");
    let record = read_with(TRACE, Some(&events), None).unwrap();
    assert_eq!(record.intake.notices, [notice]);
    assert_eq!(record.events.len(), rows.lines().count());
}

#[rstest]
#[case(
    "time,event\n60,start\n",
    2,
    Some("time"),
    "the trace has times with date and offset"
)]
#[case("time,event\nlater,start\n", 2, Some("time"), "not a time: `later`")]
#[case("time,event\n2031-03-04T09:00:00+01:00,\n", 2, Some("event"), "empty")]
#[case(
    "time,what\n2031-03-04T09:00:00+01:00,start\n",
    1,
    None,
    "there is no column `event`"
)]
fn an_events_file_that_cannot_be_placed_is_refused(
    #[case] events: &str,
    #[case] line: u64,
    #[case] column: Option<&str>,
    #[case] what: &str,
) {
    let error = read_with(TRACE, Some(events), None).unwrap_err();
    assert_eq!(place(&error), (Some(line), column));
    assert_eq!(error.place.as_ref().unwrap().file, Path::new("events.csv"));
    assert!(error.what.starts_with(what), "{error}");
    assert!(error.hint.is_some());
}

#[test]
fn told_to_keep_going_the_bad_rows_of_the_events_are_counted_and_shown() {
    let events = "time,event\nlater,start\n2031-03-04T09:00:00+01:00,stop\n";
    let settings = going();
    let record = read_all(TRACE.as_bytes(), Some(events), None, &settings)
        .unwrap()
        .remove(0);
    assert_eq!(record.events.len(), 1);
    let Notice::EventRowsRejected { rows, rejected } = &record.intake.notices[0] else {
        panic!()
    };
    assert_eq!((*rows, rejected[0].line), (1, 2));
}

#[test]
fn events_go_to_their_infusion_and_those_of_others_are_counted() {
    let trace = "infusion,time,pressure_mmhg,rate_ml_h\na,0,30,4\nb,0,30,4\n";
    let events = "infusion,time,event\nb,0,start\nc,0,start\nb,10,stop\n";
    let records = read_all(trace.as_bytes(), Some(events), None, &Settings::default()).unwrap();
    assert_eq!((records[0].events.len(), records[1].events.len()), (0, 2));
    let others = Notice::EventsOfOtherInfusions { events: 1 };
    assert_eq!(records[0].intake.notices, [others]);
}

#[rstest]
#[case(
    "infusion,time,pressure_mmhg,rate_ml_h\na,0,30,4\nb,0,30,4\n",
    "time,event\n0,start\n"
)]
#[case(
    "time,pressure_mmhg,rate_ml_h\n0,30,4\n",
    "infusion,time,event\na,0,start\nb,0,start\n"
)]
fn events_that_may_belong_to_several_infusions_are_refused(
    #[case] trace: &str,
    #[case] events: &str,
) {
    let error = read_all(trace.as_bytes(), Some(events), None, &Settings::default()).unwrap_err();
    assert!(error.what.contains("column `infusion`"), "{error}");
}
