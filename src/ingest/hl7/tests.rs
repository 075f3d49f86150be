//! Messages as a whole: three composed ones of one pump's night, in which summer time begins, and their variants. The
//! messages are invented; expected figures follow from what stands in them.

use super::*;
use crate::ingest::read_records;
use crate::record::EventKind;
use rstest::rstest;

const OBSERVATION: &str = include_str!("../../../tests/it/data/hl7/observation.hl7");
const ALARM: &str = include_str!("../../../tests/it/data/hl7/alarm.hl7");
const EVENT: &str = include_str!("../../../tests/it/data/hl7/event.hl7");

fn source<'a>(name: &'a str, bytes: &'a mut &[u8]) -> Source<'a> {
    Source {
        name: Path::new(name),
        reader: bytes,
    }
}

fn read_with(trace: &str, events: Option<&str>, settings: &Settings) -> Result<Vec<Record>> {
    let (mut trace, mut events) = (trace.as_bytes(), events.map(str::as_bytes));
    read_records(
        source("night.hl7", &mut trace),
        events.as_mut().map(|e| source("events.hl7", e)),
        None,
        settings,
    )
}

fn one(trace: &str) -> Record {
    let mut records = read_with(trace, None, &Settings::default()).unwrap();
    assert_eq!(records.len(), 1);
    records.remove(0)
}

fn refused(trace: &str) -> String {
    read_with(trace, None, &Settings::default())
        .unwrap_err()
        .to_string()
}

/// Second, word, detail.
fn events(record: &Record) -> Vec<(f64, &str, &str)> {
    let events = record.events.iter();
    events
        .map(|e| (e.t_s, e.kind.word(), e.detail.as_str()))
        .collect()
}

/// The observation anew, at another time and with another number.
fn observation(number: u32, time: &str, pressure: &str) -> String {
    OBSERVATION
        .replace("SIM-000001", &format!("SIM-1{number:05}"))
        .replace("20260329015900+0100", time)
        .replace("|142|", &format!("|{pressure}|"))
}

#[test]
fn the_three_messages_are_read_as_one_night() {
    // In the order of their numbers, which is not that of time.
    let record = one(&format!("{OBSERVATION}{EVENT}{ALARM}"));
    let [channel] = record.channels.as_slice() else {
        panic!("one pump")
    };
    assert_eq!(channel.id, "pump-001");
    let samples = &channel.samples;
    // 01:59:00+01:00 to 03:02:11+02:00: the hour between does not exist.
    assert_eq!(samples.t_s, [0.0, 191.0]);
    assert_eq!(samples.pressure_mmhg[0], 142.0);
    assert!(samples.pressure_mmhg[1].is_nan(), "not measured then");
    assert_eq!(samples.rate_ml_h, [2.0, 0.0]);
    assert_eq!(samples.volume_ml, [11.40, 11.51]);
    assert_eq!(samples.limit_mmhg, [450.0, 450.0]); // OBX-7 of the pressure, and it holds
    // 2 mL/h for 191 s, to the printed 0.01 mL.
    let delivered = samples.volume_ml[1] - samples.volume_ml[0];
    assert!(
        (delivered - 2.0 * 191.0 / 3600.0).abs() < 0.005,
        "{delivered}"
    );
    assert_eq!(
        events(&record),
        [
            (
                189.0,
                "occlusion_alarm",
                "occlusion, side not told, high priority"
            ),
            (191.0, "stop", "by an alarm"),
        ]
    );
    assert_eq!(record.events[0].word, "MDC_EVT_FLUID_LINE_OCCL");
    assert_eq!(record.events[1].channel.as_deref(), Some("pump-001"));
    assert!(record.events_given);
    let intake = &record.intake;
    assert_eq!(
        (intake.rows, intake.rows_rejected, intake.repeats),
        (3, 0, 0)
    );
    let clock = Notice::DeviceClock {
        channel: "pump-001".into(),
        offset_s: -2.0, // 01:58:58 shown at 01:59:00
        applied: false,
    };
    assert!(intake.notices.contains(&clock), "{:?}", intake.notices);
    assert_eq!(
        record.clock.text(191.0),
        crate::time::TimeText::Rfc3339("2026-03-29T03:02:11+02:00".into())
    );
}

#[test]
fn no_word_about_a_person_or_a_device_is_kept() {
    let record = one(&format!("{OBSERVATION}{EVENT}{ALARM}"));
    let kept = format!("{record:?}");
    for word in [
        "ZZTEST",
        "Example",
        "SIMWARD",
        "R07",
        "PUMP-A",
        "02AAAA",
        "SIMHOSP",
        "Line pressure",
    ] {
        assert!(!kept.contains(word), "{word}");
    }
    let error = refused(&OBSERVATION.replace("|142|", "|Example Pat|"));
    assert!(
        !error.contains("ZZTEST") && !error.contains("SIMWARD"),
        "{error}"
    );
}

#[rstest]
#[case::lines_by_lf("\n", "")]
#[case::lines_by_both("\r\n", "")]
#[case::framed("\r", "\u{b}")]
fn line_ends_and_frames_change_nothing(#[case] end: &str, #[case] before: &str) {
    let text = format!("{before}{OBSERVATION}\u{1c}\r{before}{EVENT}\u{1c}\r").replace('\r', end);
    let record = one(&text);
    assert_eq!(record.channels[0].samples.volume_ml, [11.40, 11.51]);
    assert_eq!(record.intake.rows, 2);
}

#[test]
fn a_segment_broken_by_a_letter_is_read_whole() {
    let broken = OBSERVATION.replace(
        "|142|266016^MDC_DIM_MMHG^MDC",
        "|142|266016^MDC_DIM_MMHG^\rMDC",
    );
    assert_eq!(one(&broken).channels[0].samples.pressure_mmhg, [142.0]);
}

#[test]
fn a_missing_offset_is_taken_from_the_order_then_the_header_then_the_user_and_else_asked() {
    let lent =
        |from| move |n: &Notice| matches!(n, Notice::OffsetsLent { from: f, .. } if *f == from);
    // The alarm's own time without its offset: the order's.
    let record = one(&format!(
        "{OBSERVATION}{}",
        ALARM.replace("20260329030209+0200", "20260329030209")
    ));
    assert_eq!(record.events[0].t_s, 189.0);
    assert!(record.intake.notices.iter().any(lent("the order’s time")));
    // The order's too: the header's.
    let headless = ALARM
        .replace("20260329030209+0200", "20260329030209")
        .replace("|||20260329030210+0200|||||", "|||20260329030210|||||");
    assert_eq!(
        one(&format!("{OBSERVATION}{headless}")).events[0].t_s,
        189.0
    );
    // None at all.
    let bare = OBSERVATION.replace("+0100", "");
    assert_eq!(
        refused(&bare),
        "night.hl7:4: column `OBR-7`: a time without its offset\n\
         hint: in which zone did the clocks stand? Answer with --zone, for example --zone Europe/Berlin"
    );
    let answered = Settings {
        zone: Some("Europe/Berlin".into()),
        ..Settings::default()
    };
    let records = read_with(&bare, None, &answered).unwrap();
    assert_eq!(
        records[0].clock.text(0.0),
        crate::time::TimeText::Rfc3339("2026-03-29T01:59:00+01:00".into())
    );
    assert!(records[0].intake.notices.iter().any(lent("the zone given")));
    let nowhere = Settings {
        zone: Some("Nowhere".into()),
        ..Settings::default()
    };
    assert!(read_with(&bare, None, &nowhere).is_err());
}

#[rstest]
#[case::odd_event_code(("196940^", "196941^"), "occlusion, side not told, high priority", &[])]
#[case::a_digit_too_many(("68481^MDC_ATTR_EVENT_PHASE", "684810^MDC_ATTR_EVENT_PHASE"), "occlusion, side not told, high priority", &["MDC_ATTR_EVENT_PHASE"])]
#[case::the_same_of_the_source(("68480^MDC_ATTR_ALERT_SOURCE", "684800^MDC_ATTR_ALERT_SOURCE"), "occlusion, side not told, high priority", &[])]
#[case::the_same_of_the_state(("68482^MDC_ATTR_ALARM_STATE", "684820^MDC_ATTR_ALARM_STATE"), "occlusion, side not told, high priority", &["MDC_ATTR_ALARM_STATE"])]
#[case::provisional_code(("196940^MDC_EVT_FLUID_LINE_OCCL", "0^MDCX_EVT_FLUID_LINE_OCCL"), "occlusion, side not told, high priority", &[])]
#[case::the_side_in_the_text(("Line pressure high", "Distal line pressure"), "downstream occlusion, high priority", &[])]
#[case::medium(("|PH|", "|PM|"), "occlusion, side not told, medium priority", &[])]
fn codes_that_are_sent_otherwise_are_the_same_alarm(
    #[case] change: (&str, &str),
    #[case] detail: &str,
    #[case] disagree: &[&str],
) {
    let changed = ALARM.replace(change.0, change.1);
    assert_ne!(changed, ALARM);
    let record = one(&format!("{OBSERVATION}{changed}"));
    assert_eq!(events(&record), [(189.0, "occlusion_alarm", detail)]);
    let codes = record.intake.notices.iter().find_map(|n| match n {
        Notice::CodesDisagree { codes } => Some(codes.clone()),
        _ => None,
    });
    assert_eq!(codes.unwrap_or_default(), disagree);
}

#[test]
fn a_priority_beside_the_event_counts_where_it_has_no_row_of_its_own() {
    let without = ALARM.replace(
        "OBX|6|ST|68484^MDC_ATTR_ALARM_PRIORITY^MDC|1.1.1.0.6|PH||||||F\r",
        "",
    );
    let beside = without.replace(
        "Line pressure high||||||F",
        "Line pressure high|||PM~ST|||F",
    );
    let record = one(&format!("{OBSERVATION}{beside}"));
    assert_eq!(
        record.events[0].detail,
        "occlusion, side not told, medium priority"
    );
}

#[test]
fn an_upstream_occlusion_is_no_occlusion_of_the_line() {
    let upstream = ALARM.replace("Line pressure high", "Upstream blocked");
    let record = one(&format!("{OBSERVATION}{upstream}"));
    assert_eq!(
        events(&record),
        [(189.0, "alarm", "upstream occlusion, high priority")]
    );
}

#[test]
fn an_alarm_ends_with_the_message_that_has_its_key() {
    let end = |key: &str| {
        ALARM
            .replace("SIM-000003", "SIM-000009")
            .replace("SIM-ALM-7&", &format!("{key}&"))
            .replace("|start|", "|end|")
            .replace("|active|", "|inactive|")
            .replace("20260329030209+0200", "20260329030500+0200")
    };
    let paired = one(&format!("{OBSERVATION}{}{ALARM}", end("SIM-ALM-7"))); // arrived before its start
    let words = |r: &Record| r.events.iter().map(|e| (e.t_s, e.kind)).collect::<Vec<_>>();
    assert_eq!(
        words(&paired),
        [
            (189.0, EventKind::OcclusionAlarm),
            (360.0, EventKind::AlarmCleared)
        ]
    );
    let goes_on = ALARM
        .replace("SIM-000003", "SIM-000010")
        .replace("SIM-ALM-7-1", "SIM-ALM-7-2")
        .replace("|start|", "|continue|")
        .replace("20260329030209+0200", "20260329030309+0200");
    let same = one(&format!("{OBSERVATION}{ALARM}{goes_on}"));
    assert_eq!(words(&same), [(189.0, EventKind::OcclusionAlarm)]);
}

#[test]
fn a_demonstration_a_training_and_other_kinds_of_message_are_left_aside_with_their_reason() {
    let demo =
        observation(2, "20260329015910+0100", "300").replace("|0-450||||R|", "|0-450|DEMO|||R|");
    let training = observation(3, "20260329015920+0100", "301").replace("|P|2.6", "|T|2.6");
    let admission = "MSH|^~\\&|ADM|||||20260329||ADT^A01^ADT_A01|X1|P|2.6\rPID|||ZZ1\r"
        .replace("|||||2026", "||||2026");
    let monitor = observation(4, "20260329015930+0100", "302");
    let monitor: String = monitor
        .split('\r')
        .filter(|l| !l.contains("PUMP") && !l.contains("FLUID"))
        .collect::<Vec<_>>()
        .join("\r");
    let record = one(&format!(
        "{OBSERVATION}{demo}{training}{admission}{monitor}"
    ));
    assert_eq!(record.channels[0].samples.pressure_mmhg, [142.0]);
    let intake = &record.intake;
    assert_eq!((intake.rows, intake.rows_rejected), (5, 4));
    let said: Vec<(u64, &str, &str)> = intake
        .rejected
        .iter()
        .map(|r| (r.line, r.column.as_str(), r.reason.as_str()))
        .collect();
    assert_eq!(
        said,
        [
            (30, "OBX-8", "a demonstration or test of the device"),
            (39, "MSH-11", "a message of a training"),
            (58, "MSH-9", "no observation, alarm or event of a device"),
            (60, "OBX-3", "no infusion pump"),
        ]
    );
}

#[test]
fn observations_taken_back_or_corrected_count_no_more() {
    let at = |number, pressure, status: &str| {
        observation(number, "20260329015930+0100", pressure)
            .replace("|0-450||||R|", &format!("|0-450||||{status}|"))
    };
    let wrong = at(2, "999", "R");
    let pressures = |more: &str| {
        let record = one(&format!("{OBSERVATION}{wrong}{more}"));
        let samples = &record.channels[0].samples;
        (samples.t_s.clone(), samples.pressure_mmhg.clone())
    };
    assert_eq!(pressures("").1, [142.0, 999.0]);
    assert_eq!(pressures(&at(3, "99", "C")).1, [142.0, 99.0]);
    for status in ["D", "W"] {
        let (times, read) = pressures(&at(3, "999", status));
        assert_eq!(times, [0.0, 30.0], "{status}: the rate of that time stays");
        assert!(read[1].is_nan(), "{status}");
    }
    // Posted to the wrong patient as a whole: an event that was not this patient's.
    let other = EVENT
        .replace("SIM-000002", "SIM-000022")
        .replace("DELIV_STOP^MDC||||||R", "DELIV_STOP^MDC||||||W");
    assert!(
        one(&format!("{OBSERVATION}{EVENT}{other}"))
            .events
            .is_empty()
    );
}

#[test]
fn a_message_sent_twice_is_counted_once() {
    let record = one(&format!("{OBSERVATION}{ALARM}{OBSERVATION}{ALARM}"));
    assert_eq!(record.channels[0].samples.t_s, [0.0]);
    assert_eq!(record.events.len(), 1);
    assert_eq!(
        (
            record.intake.rows,
            record.intake.repeats,
            record.intake.rows_rejected
        ),
        (4, 2, 0)
    );
}

#[rstest]
#[case(
    "|142|",
    "|1x2|",
    "night.hl7:11: column `OBX-5`: not a number: `1x2`; 1 of 1 messages cannot be used"
)]
#[case(
    "mm[Hg]^mm[Hg]",
    "kPa^kPa",
    "night.hl7:11: column `OBX-6`: two units that disagree: `266016`; 1 of 1 messages cannot be used"
)]
#[case(
    "|142|266016^MDC_DIM_MMHG^MDC^mm[Hg]^mm[Hg]^UCUM|",
    "|142||",
    "night.hl7:11: column `OBX-6`: no unit; 1 of 1 messages cannot be used"
)]
#[case(
    "|142|266016^MDC_DIM_MMHG^MDC^mm[Hg]^mm[Hg]^UCUM|",
    "|60|262688^MDC_DIM_PERCENT^MDC^%^%^UCUM|",
    "night.hl7:11: column `OBX-6`: a scale without a fixed size: `262688`; 1 of 1 messages cannot be used"
)]
#[case(
    "|1.1.1.3|",
    "|1.1.x.3|",
    "night.hl7:11: column `OBX-4`: not a path of numbers: `1.1.x.3`; 1 of 1 messages cannot be used"
)]
#[case(
    "20260329015900+0100\rOBX|1|",
    "20261329015900+0100\rOBX|1|",
    "night.hl7:4: column `OBR-7`: not a time: `20261329015900+0100`; 1 of 1 messages cannot be used"
)]
fn what_cannot_be_used_says_its_line_and_field(
    #[case] from: &str,
    #[case] to: &str,
    #[case] said: &str,
) {
    let changed = OBSERVATION.replace(from, to);
    assert_ne!(changed, OBSERVATION);
    assert_eq!(refused(&changed).lines().next(), Some(said));
}

#[rstest]
#[case::kpa(
    "|142|266016^MDC_DIM_MMHG^MDC^mm[Hg]^mm[Hg]^UCUM|0-450",
    "|20|265987^MDC_DIM_KILO_PASCAL^MDC^kPa^kPa^UCUM|0-60",
    150.012,
    450.037
)]
#[case::ucum_only(
    "|142|266016^MDC_DIM_MMHG^MDC^mm[Hg]^mm[Hg]^UCUM|0-450",
    "|10|cm[H2O]^cm[H2O]^UCUM|0-100",
    7.35559,
    73.5559
)]
fn units_are_turned_into_the_contracts(
    #[case] from: &str,
    #[case] to: &str,
    #[case] pressure: f64,
    #[case] limit: f64,
) {
    // kPa: 1000 / 133.322387; cm[H2O]: 98.0665 / 133.322387 (UCUM 2.2)
    let samples = one(&OBSERVATION.replace(from, to))
        .channels
        .remove(0)
        .samples;
    assert!(
        (samples.pressure_mmhg[0] - pressure).abs() < 1e-3,
        "{samples:?}"
    );
    assert!((samples.limit_mmhg[0] - limit).abs() < 1e-3, "{samples:?}");
}

#[rstest]
#[case::flag("|0-450||||R|", "|0-450|OFF|||R|")]
#[case::comparator(
    "|NM|157836^MDC_PRESS_FLUID_MEAS^MDC|1.1.1.3|142|",
    "|SN|157836^MDC_PRESS_FLUID_MEAS^MDC|1.1.1.3|>^300|"
)]
#[case::empty("|142|", "||")]
fn a_figure_that_is_none_is_not_measured_and_never_zero(#[case] from: &str, #[case] to: &str) {
    let changed = OBSERVATION.replace(from, to);
    assert_ne!(changed, OBSERVATION);
    let record = one(&changed);
    assert!(record.channels[0].samples.pressure_mmhg[0].is_nan());
    assert!(
        record
            .intake
            .notices
            .iter()
            .any(|n| matches!(n, Notice::CellsMissing { cells: 1, .. }))
    );
}

#[test]
fn several_values_share_the_interval_of_their_order() {
    let several = OBSERVATION
        .replace(
            "|||20260329015900+0100\r",
            "|||20260329015900+0100|20260329020000+0100\r",
        )
        .replace("|142|", "|140~141~142~143|");
    let samples = one(&several).channels.remove(0).samples;
    assert_eq!(samples.t_s, [0.0, 15.0, 30.0, 45.0]);
    assert_eq!(samples.pressure_mmhg, [140.0, 141.0, 142.0, 143.0]);
    let without = OBSERVATION.replace("|142|", "|140~141|");
    assert!(refused(&without).contains("column `OBX-5`: several values, and no interval"));
}

#[test]
fn a_set_rate_counts_only_where_the_pump_runs() {
    let without_flow: String = OBSERVATION
        .split('\r')
        .filter(|l| !l.contains("FLOW_FLUID_PUMP_CURRENT"))
        .collect::<Vec<_>>()
        .join("\r");
    assert_eq!(one(&without_flow).channels[0].samples.rate_ml_h, [2.0]);
    let stands = without_flow
        .replace("-infusing|", "-not-infusing|")
        .replace("status-delivering", "status-not-delivering");
    assert_eq!(one(&stands).channels[0].samples.rate_ml_h, [0.0]);
    let unsaid: String = without_flow
        .split('\r')
        .filter(|l| !l.contains("_STATUS"))
        .collect::<Vec<_>>()
        .join("\r");
    assert!(
        refused(&unsaid).contains("no rate is known yet at this time"),
        "{}",
        refused(&unsaid)
    );
}

#[test]
fn two_pumps_are_two_channels_and_two_patients_two_infusions() {
    let other = |text: &str, n: u32| {
        text.replace("PUMP-A", "PUMP-B")
            .replace("SIM-0", &format!("SIM-{n}"))
    };
    let both = one(&format!(
        "{OBSERVATION}{}{}",
        other(OBSERVATION, 5),
        other(ALARM, 6)
    ));
    let ids: Vec<&str> = both.channels.iter().map(|c| c.id.as_str()).collect();
    assert_eq!(ids, ["pump-001", "pump-002"]);
    assert_eq!(both.events[0].channel.as_deref(), Some("pump-002"));
    let moved = other(OBSERVATION, 5).replace("ZZTEST0001", "ZZTEST0002");
    let records = read_with(&format!("{OBSERVATION}{moved}"), None, &Settings::default()).unwrap();
    let names: Vec<_> = records
        .iter()
        .map(|r| r.infusion.as_deref().unwrap())
        .collect();
    assert_eq!(names, ["infusion-001", "infusion-002"]);
}

/// A table of one channel, by the pump's clock, around the alarm.
fn table(channel: &str) -> String {
    let mut text = String::from("time,channel,pressure_mmhg,rate_ml_h\n");
    for s in 0..60 {
        text += &format!(
            "2026-03-29T03:{:02}:{:02}+02:00,{channel},{},2\n",
            s / 6,
            s % 6 * 10,
            140 + s
        );
    }
    text
}

#[test]
fn alarms_and_events_join_a_table_by_pump_and_by_the_pumps_clock() {
    let messages = format!("{OBSERVATION}{EVENT}{ALARM}");
    let expected = [
        // 03:02:09 and 03:02:11 by the gateway's clock; the pump's is two seconds behind.
        (
            127.0,
            "occlusion_alarm",
            "occlusion, side not told, high priority",
        ),
        (129.0, "stop", "by an alarm"),
    ];
    for channel in ["pn", "pump-a", "A"] {
        // the only one; by the pump's name; by its label
        let records = read_with(&table(channel), Some(&messages), &Settings::default()).unwrap();
        assert_eq!(events(&records[0]), expected, "{channel}");
        assert_eq!(records[0].events[0].channel.as_deref(), Some(channel));
        let moved = |n: &Notice| {
            matches!(
                n,
                Notice::DeviceClock {
                    offset_s: -2.0,
                    applied: true,
                    ..
                }
            )
        };
        assert!(records[0].intake.notices.iter().any(moved));
    }
}

#[test]
fn a_clock_hours_away_moves_nothing_and_is_told() {
    let winter = OBSERVATION.replace("|20260329015858|", "|20260329005858|");
    let records = read_with(
        &table("pn"),
        Some(&format!("{winter}{ALARM}")),
        &Settings::default(),
    )
    .unwrap();
    assert_eq!(records[0].events[0].t_s, 129.0);
    let told = |n: &Notice| {
        matches!(
            n,
            Notice::DeviceClock {
                offset_s: -3602.0,
                applied: false,
                ..
            }
        )
    };
    assert!(
        records[0].intake.notices.iter().any(told),
        "{:?}",
        records[0].intake.notices
    );
}

#[test]
fn which_pump_is_which_channel_is_asked_and_not_guessed() {
    let two = format!(
        "{}{}",
        table("pn"),
        table("lipid").split_once('\n').unwrap().1
    );
    let error = read_with(&two, Some(ALARM), &Settings::default())
        .unwrap_err()
        .to_string();
    assert_eq!(
        error,
        "events.hl7: nothing in the messages says which pump is which channel of the trace\n\
         hint: which is which? The messages have pump-001, by their order; the trace has `lipid`, `pn`. Answer with \
         --channel, for example --channel 'pump-001=lipid'; a pump left empty is left aside"
    );
    let answered = |id: &str| Settings {
        channels: vec![("pump-001".into(), id.into())],
        ..Settings::default()
    };
    let records = read_with(&two, Some(ALARM), &answered("pn")).unwrap();
    assert_eq!(records[0].events[0].channel.as_deref(), Some("pn"));
    let records = read_with(&two, Some(ALARM), &answered("")).unwrap();
    assert!(records[0].events.is_empty());
    assert!(
        records[0]
            .intake
            .notices
            .contains(&Notice::EventsOfOtherPumps { events: 1 })
    );
    let error = read_with(&two, Some(ALARM), &answered("x"))
        .unwrap_err()
        .to_string();
    assert!(
        error.starts_with("events.hl7: the trace has no channel `x`"),
        "{error}"
    );
}

#[test]
fn messages_with_dates_do_not_join_seconds() {
    let trace = "time,pressure_mmhg,rate_ml_h\n0,30,4\n10,30,4\n";
    let error = read_with(trace, Some(ALARM), &Settings::default())
        .unwrap_err()
        .to_string();
    assert!(error.contains("the trace has seconds"), "{error}");
}

#[test]
fn rows_kept_and_rejected_are_the_messages_given() {
    let mut text = String::new();
    for n in 0..300 {
        let time = format!("2026032900{:02}{:02}+0100", n / 60, n % 60);
        let pressure = if n % 150 == 7 {
            "??".to_string()
        } else {
            (100 + n % 9).to_string()
        };
        text += &observation(n, &time, &pressure);
    }
    let record = one(&text);
    let intake = &record.intake;
    assert_eq!((intake.rows, intake.rows_rejected), (300, 2));
    assert_eq!(record.channels[0].samples.len(), 298);
    assert_eq!(record.channels[0].period_s, Some(1.0));
}

#[test]
fn each_patients_messages_are_counted_with_that_patient() {
    let mut text = String::new();
    for n in 0..6 {
        let one = observation(n, &format!("2026032901590{n}+0100"), "120");
        text += &match n {
            0..2 => one,
            _ => one.replace("ZZTEST0001", "ZZTEST0002"),
        };
    }
    let training = observation(9, "20260329015909+0100", "301").replace("|P|2.6", "|T|2.6");
    let records = read_with(&(text + &training), None, &Settings::default()).unwrap();
    let counts = records.iter().map(|r| {
        let samples: usize = r.channels.iter().map(|c| c.samples.len()).sum();
        (r.intake.rows, r.intake.rows_rejected, samples)
    });
    // The training counts with the first.
    assert_eq!(counts.collect::<Vec<_>>(), [(3, 1, 2), (4, 0, 4)]);
}

/// One more observation of the pressure, with another code or in another part of the pump.
fn pressure_beside(code: &str, part: &str, value: &str) -> String {
    OBSERVATION.replace(
        "OBX|8||",
        &format!("OBX|20|NM|{code}|{part}|{value}|266016^MDC_DIM_MMHG^MDC^mm[Hg]^mm[Hg]^UCUM|||||R\rOBX|8||"),
    )
}

#[rstest]
#[case::of_an_artery("150032^MDC_PRESS_BLD_ART^MDC", "1.1.1.9", "MDC_PRESS_BLD_ART")]
#[case::of_a_maker("61441^OWN_PRESS^99X", "1.1.1.9", "OWN_PRESS")]
#[case::above_the_pump(
    "157836^MDC_PRESS_FLUID_MEAS^MDC",
    "1.1.2.9",
    "MDC_PRESS_FLUID_MEAS (above the pump)"
)]
fn a_pressure_of_another_place_is_told_and_not_taken(
    #[case] code: &str,
    #[case] part: &str,
    #[case] shown: &str,
) {
    let record = one(&pressure_beside(code, part, "77"));
    assert_eq!(record.channels[0].samples.pressure_mmhg, [142.0]);
    let told = Notice::PressuresElsewhere {
        codes: vec![shown.into()],
        observations: 1,
    };
    assert!(
        record.intake.notices.contains(&told),
        "{:?}",
        record.intake.notices
    );
    let alone = pressure_beside(code, part, "77")
        .split('\r')
        .filter(|line| !line.contains("|142|"))
        .collect::<Vec<_>>()
        .join("\r");
    let record = one(&alone);
    assert!(record.channels[0].samples.pressure_mmhg[0].is_nan());
    assert!(record.intake.notices.contains(&told));
}

#[test]
fn a_last_message_that_is_cut_short_is_not_used_and_said() {
    let whole: String = (0..40)
        .map(|n| observation(n, &format!("202603290159{n:02}+0100"), "142"))
        .collect();
    let last = observation(40, "20260329015940+0100", "142");
    // In the pressure (`|142|` becomes `|1`), and before its status.
    for end in [
        "|1.1.1.3|1",
        "|1.1.1.3|142|266016^MDC_DIM_MMHG^MDC^mm[Hg]^mm[Hg]^UCUM|0-450|",
    ] {
        let at = last.find(end).unwrap() + end.len();
        let record = one(&(whole.clone() + &last[..at]));
        assert_eq!(record.channels[0].samples.len(), 40);
        let rejected = &record.intake.rejected;
        assert_eq!(record.intake.rows_rejected, 1);
        assert_eq!(rejected[0].reason, "the file ends within this message");
        assert_eq!(rejected[0].line, 40 * 19 + 11);
    }
    // A frame without its end.
    let framed = format!("\x0b{whole}\x1c\r\x0b{last}");
    assert_eq!(one(&framed).intake.rows_rejected, 1);
    let unframed = one(&(whole + last.trim_end()));
    assert_eq!(
        (unframed.intake.rows, unframed.intake.rows_rejected),
        (41, 0)
    );
}

#[rstest]
#[case::sixteen_bits(OBSERVATION.encode_utf16().flat_map(u16::to_le_bytes).collect(), "HL7 v2 messages in UTF-16")]
#[case::in_a_log(
    format!("2031-03-04 08:00:00 INFO received {OBSERVATION}").into_bytes(),
    "HL7 v2 messages with something else before each"
)]
#[case::in_xml(
    b"<?xml version=\"1.0\"?>\n<ORU_R01 xmlns=\"urn:hl7-org:v2xml\"><MSH/></ORU_R01>".to_vec(),
    "HL7 v2 messages in XML"
)]
fn messages_in_another_form_are_named_for_what_they_are(
    #[case] bytes: Vec<u8>,
    #[case] name: &str,
) {
    let read = || {
        let mut bytes = bytes.as_slice();
        read_records(
            source("night.hl7", &mut bytes),
            None,
            None,
            &Settings::default(),
        )
    };
    let error = read().unwrap_err();
    assert!(error.what.contains(name), "{error}");
    assert!(error.hint.is_some());
    let mut bytes = bytes.as_slice();
    let error = crate::ingest::propose(source("night.hl7", &mut bytes), None, &[]).unwrap_err();
    assert!(error.what.contains(name), "{error}");
}

#[test]
fn events_of_somebody_without_a_row_are_told() {
    let other = ALARM.replace("ZZTEST0001", "ZZTEST0002");
    let record = one(&format!("{OBSERVATION}{other}"));
    assert!(record.events.is_empty());
    let told = Notice::EventsOfOtherPumps { events: 1 };
    assert!(record.intake.notices.contains(&told));
}

/// 2026-10-25 03:00 becomes 02:00 in Europe/Berlin (2000/84/EC).
#[rstest]
#[case::in_order("0150 0200 0210 0220 0230 0240 0250 0200 0210", true)]
#[case::begins_within("0200 0210 0220 0230 0240 0250 0200 0210 0220", false)]
#[case::nothing_shortly_before("0130 0150 0220 0225 0230 0240 0250 0255 0200", false)]
fn the_hour_that_comes_twice_is_told_by_the_order_of_the_messages(
    #[case] clocks: &str,
    #[case] is_told: bool,
) {
    let texts = clocks.split(' ').enumerate().map(|(n, clock)| {
        observation(n as u32, &format!("20261025{clock}00"), "142").replace("+0100", "")
    });
    let text: String = texts.collect();
    let settings = Settings {
        zone: Some("Europe/Berlin".into()),
        ..Settings::default()
    };
    let read = read_with(&text, None, &settings);
    if !is_told {
        let error = read.unwrap_err();
        return assert!(error.what.contains("comes twice"), "{error}");
    }
    let record = &read.unwrap()[0];
    let every_ten_minutes: Vec<f64> = (0..9).map(|i| 600.0 * f64::from(i)).collect();
    assert_eq!(record.channels[0].samples.t_s, every_ten_minutes);
    let twice = Notice::HourTwice {
        file: "trace",
        rows: 8,
    };
    assert!(
        record.intake.notices.contains(&twice),
        "{:?}",
        record.intake.notices
    );
}
