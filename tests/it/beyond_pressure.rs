//! What a lever outside the pressure says: a pump that was moved, a limit that was lowered, a part that was changed.
//!
//! The records are worked out here from the line equation C·dP/dt = Q − (P − P_out)/R in steps of a second, not by
//! the simulator.

use patency::infer::{Finding, Review, Site};
use patency::ingest::{Settings, Source, read_records};
use patency::run;

/// Rate, mL/h; compliance, mL/mmHg; pressure at zero flow, mmHg; open resistance, mmHg·h/mL.
const RATE: f64 = 4.0;
const STORE: f64 = 0.002;
const OUTLET: f64 = 5.0;
const OPEN: f64 = 5.0;

/// One line over six hours: at each second its resistance, whether the pump runs, its limit, and what lifts the reading;
/// a row each ten seconds.
fn trace(at: impl Fn(u32) -> (f64, bool, f64, f64)) -> String {
    let mut rows = String::from("time,channel,pressure_mmhg,rate_ml_h,limit_mmhg\n");
    let mut held = OUTLET + OPEN * RATE;
    let mut lift_before = 0.0;
    for s in 0..6 * 3600 {
        let (resistance, runs, limit, lift) = at(s);
        let rate = if runs { RATE } else { 0.0 };
        // A pump that is raised or lowered reads another pressure only once its line has emptied or filled.
        held -= lift - lift_before;
        lift_before = lift;
        // Exact over a second: the relaxation to the level of this rate.
        let level = OUTLET + resistance * rate;
        held = level + (held - level) * (-1.0 / 3600.0 / (resistance * STORE)).exp();
        if s % 10 == 0 {
            // A regular ripple of half a mmHg for noise.
            let ripple = 0.5 * (f64::from(s) * 0.37).sin();
            rows += &format!("{s},pn,{:.2},{rate},{limit}\n", held + lift + ripple);
        }
    }
    rows
}

fn review(trace: &str, events: &str) -> Review {
    let (mut rows, mut noted) = (trace.as_bytes(), events.as_bytes());
    let source = Source {
        name: "pump.csv".as_ref(),
        reader: &mut rows,
    };
    let events = Source {
        name: "events.csv".as_ref(),
        reader: &mut noted,
    };
    let records = read_records(source, Some(events), None, &Settings::default()).unwrap();
    run::review(&records[0])
}

#[test]
fn a_pump_that_was_lowered_is_told_from_a_block_by_how_its_pressure_goes_over() {
    // 41 cm lower: 30 mmHg more (0.74 mmHg for each cm of water), with the open line's own time constant of 36 s, and as
    // much more in the pauses.
    let runs = |s: u32| !(7_200..7_800).contains(&s) && !(14_400..15_000).contains(&s);
    let lift = |s: u32| if s < 10_800 { 0.0 } else { 30.0 };
    let trace = trace(|s| (OPEN, runs(s), 200.0, lift(s)));
    let review = review(&trace, "time,channel,event,detail\n0,,note,start\n");
    assert_eq!(review.episodes.len(), 1, "{:#?}", review.episodes);
    let e = &review.episodes[0];
    assert_eq!(e.suggested, Some(Site::None), "{:?}", e.sites);
    assert!(
        (e.onset_s.value - 10_800.0).abs() <= 20.0,
        "{:?}",
        e.onset_s
    );
}

#[test]
fn a_limit_lowered_between_two_readings_counts_for_the_alarm_between_them() {
    // Working pressure 25 mmHg; the limit goes from 200 to 20 at 10,803 s and the alarm comes at once.
    let stopped = |s: u32| (10_804..11_100).contains(&s);
    let low = |s: u32| (10_803..11_100).contains(&s);
    let trace = trace(|s| (OPEN, !stopped(s), if low(s) { 20.0 } else { 200.0 }, 0.0));
    let events = "time,channel,event,detail\n10803,pn,limit_change,20\n10804,pn,occlusion_alarm,\n\
                  11100,pn,limit_change,200\n11100,pn,resume,\n";
    let review = review(&trace, events);
    assert_eq!(review.episodes.len(), 1, "{:#?}", review.episodes);
    let e = &review.episodes[0];
    assert_eq!(e.suggested, Some(Site::Settings), "{:?}", e.sites);
    let lowered = Finding::LimitLowered {
        from_mmhg: 200.0,
        to_mmhg: 20.0,
    };
    assert!(
        e.evidence.iter().any(|f| f.finding == lowered),
        "{:?}",
        e.evidence
    );
}

#[test]
fn a_new_filter_that_is_followed_by_the_next_alarm_did_not_help_and_the_flush_after_it_did() {
    // From 3 h on the resistance doubles every half hour: 5 → 35 mmHg·h/mL at 4.4 h, 145 mmHg. Stop, new filter, restart at
    // the outlet's pressure: with a time constant of 250 s the limit of 120 is reached again after some six minutes. Stop,
    // flush, and the line is open.
    let grown = |s: u32| OPEN * 2f64.powf((f64::from(s.min(15_840)) - 10_800.0).max(0.0) / 1800.0);
    let trace = trace(|s| match s {
        0..15_600 => (grown(s), true, 120.0, 0.0),
        15_600..16_200 => (1.0, false, 120.0, 0.0),
        16_200..16_600 => (grown(s), true, 120.0, 0.0),
        16_600..17_000 => (1.0, false, 120.0, 0.0),
        _ => (OPEN, true, 120.0, 0.0),
    });
    let events = "time,channel,event,detail\n15600,pn,occlusion_alarm,\n16150,,filter_change,\n16200,pn,resume,\n\
                  16600,pn,occlusion_alarm,\n16950,,flush,\n17000,pn,resume,\n";
    let review = review(&trace, events);
    let e = &review.episodes[0];
    let found: Vec<&Finding> = e.evidence.iter().map(|f| &f.finding).collect();
    assert!(
        found.contains(&&Finding::FilterChangeDidNotHelp),
        "{found:?}"
    );
    assert!(found.contains(&&Finding::FlushHelped), "{found:?}");
    assert!(!found.contains(&&Finding::FilterChangeHelped), "{found:?}");
    assert_eq!(e.suggested, Some(Site::Catheter), "{:?}", e.sites);
}
