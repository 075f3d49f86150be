//! Which stretches of a record are episodes: what is two and not one, what is small and still one, and what is none.
//!
//! The records are worked out from the line equation, as in [`super::beyond_pressure`].

use super::beyond_pressure::{OPEN, OUTLET, RATE, line, only, review, trace};
use patency::infer::Site;

/// A resistance that doubles every so many seconds from a moment on.
fn doubling(s: u32, from_s: u32, each_s: f64) -> f64 {
    2f64.powf((f64::from(s) - f64::from(from_s)).max(0.0) / each_s)
}

/// No event says what was done: the trace alone has to show it.
const NO_EVENTS: &str = "time,channel,event,detail\n";

/// Doubling every 20 minutes from 2 h on, eased to 1.2 times at 10,500 s, from when on it doubles every 30 minutes.
fn grown_and_eased(s: u32) -> f64 {
    if s < 10_500 {
        doubling(s, 7_200, 1_200.0)
    } else {
        1.2 * doubling(s, 10_500, 1_800.0).min(5.0)
    }
}

#[test]
fn a_climb_that_was_relieved_in_part_and_began_anew_is_two_episodes() {
    // From 2 h on the resistance doubles every 20 minutes, up to 5.7 times at 2.8 h. A stop of five minutes, after which it
    // stands at 1.2 times and doubles every 30 minutes: 1.5 times again after 30 min x log2(1.5 / 1.2) = 580 s.
    let runs = |s: u32| !(10_200..10_500).contains(&s);
    let trace = trace(|s| (OPEN * grown_and_eased(s), runs(s), 500.0, 0.0));
    let review = review(&trace, NO_EVENTS);
    assert_eq!(review.episodes.len(), 2, "{:#?}", review.episodes);
    let (first, second) = (&review.episodes[0], &review.episodes[1]);
    // 1.5 times after 20 min x log2(1.5) = 702 s.
    assert!(
        (first.onset_s.value - 7_902.0).abs() <= 300.0,
        "{:?}",
        first.onset_s
    );
    let end_s = first.end_s.unwrap();
    assert!((end_s - 10_500.0).abs() <= 15.0, "{end_s}");
    assert!(
        (second.onset_s.value - 11_080.0).abs() <= 900.0,
        "{:?}",
        second.onset_s
    );
    for e in [first, second] {
        let hindered: f64 = e.sites[..4].iter().sum();
        assert!(0.9 <= hindered, "{:?}", e.sites);
    }
}

#[test]
fn a_relief_between_two_climbs_is_seen_in_a_log_of_five_minutes_too() {
    // Doubling every 20 minutes from 2 h on, relieved in a stop of five minutes at 3 h 20 min, doubling again from 1.2 times.
    let trace = line(300, true, |s| {
        let grown = match s {
            0..12_300 => doubling(s, 7_200, 1_200.0),
            _ => 1.2 * doubling(s, 12_300, 1_200.0).min(16.0),
        };
        let stopped = (12_000..12_300).contains(&s);
        (OPEN * grown, if stopped { 0.0 } else { RATE }, 900.0, 0.0)
    });
    let review = review(&trace, "");
    assert_eq!(review.episodes.len(), 2, "{:#?}", review.episodes);
    let end_s = review.episodes[0].end_s.unwrap();
    assert!((end_s - 12_300.0).abs() <= 300.0, "{end_s}");
}

#[test]
fn an_alarm_after_a_flush_is_an_episode_of_its_own() {
    // The limit of 40 mmHg is reached at 1.75 times the open resistance; the pump stops, the line is flushed and holds for ten
    // minutes, then the same again. The deviation is too small to stand out for long, the alarms are what shows it.
    let grown = |s: u32| match s {
        0..10_800 => 1.0,
        10_800..11_250 => 1.0 + 0.75 * f64::from(s - 10_800) / 300.0,
        11_250..12_150 => 1.0,
        12_150..12_600 => 1.0 + 0.75 * f64::from(s - 12_150) / 300.0,
        _ => 1.0,
    };
    let stopped = |s: u32| (11_140..11_400).contains(&s) || (12_490..12_750).contains(&s);
    let trace = trace(|s| (OPEN * grown(s), !stopped(s), 40.0, 0.0));
    let events = "time,channel,event,detail\n11140,pn,occlusion_alarm,\n11300,,flush,\n11400,pn,resume,\n\
                  12490,pn,occlusion_alarm,\n12700,,flush,\n12750,pn,resume,\n";
    let review = review(&trace, events);
    let alarms_s: Vec<f64> = review.episodes.iter().filter_map(|e| e.alarm_s).collect();
    assert_eq!(alarms_s, [11_140.0, 12_490.0], "{:#?}", review.episodes);
}

#[test]
fn a_climb_that_a_pause_did_not_ease_is_one_episode() {
    let runs = |s: u32| !(10_200..10_500).contains(&s);
    let trace = trace(|s| {
        let grown = doubling(s.min(12_600), 7_200, 1_800.0);
        (OPEN * grown, runs(s), 500.0, 0.0)
    });
    let review = review(&trace, NO_EVENTS);
    assert_eq!(review.episodes.len(), 1, "{:#?}", review.episodes);
    assert_eq!(review.episodes[0].end_s, None);
}

#[test]
fn a_supply_that_stopped_is_found_by_a_fall_of_a_few_mmhg() {
    // A wide catheter: 1.2 mmHg h/mL at 4 mL/h stands 4.8 mmHg above the outlet. For a quarter of an hour nothing flows although
    // the rate is set: the pressure is the outlet's, which a line without resistance shows as well. A pause before has shown
    // what that is.
    let stopped = |s: u32| (10_800..11_700).contains(&s);
    let runs = |s: u32| !(7_200..7_800).contains(&s);
    let trace = trace(|s| (if stopped(s) { 1e-3 } else { 1.2 }, runs(s), 200.0, 0.0));
    let review = review(&trace, NO_EVENTS);
    let e = only(&review);
    assert!(
        e.sites.iter().all(|p| *p <= e.sites[Site::Supply.index()]),
        "{:?}",
        e.sites
    );
    assert!(
        e.onset_s.low <= 10_800.0 && 10_800.0 <= e.onset_s.high,
        "{:?}",
        e.onset_s
    );
    assert!(
        (e.onset_s.value - 10_800.0).abs() <= 120.0,
        "{:?}",
        e.onset_s
    );
    let end_s = e.end_s.unwrap();
    assert!((end_s - 11_700.0).abs() <= 120.0, "{end_s}");
}

#[test]
fn the_strokes_of_a_slow_pump_are_no_episodes() {
    // A stroke each 18 minutes (0.06 mL at 0.2 mL/h), 8 mmHg up and down, as the sensor beside the pump shows it.
    let stroke = |s: u32| 8.0 * (f64::from(s) / 1_080.0 * std::f64::consts::TAU).sin();
    let trace = trace(|s| (1.0, true, 300.0, stroke(s)));
    let review = review(&trace, NO_EVENTS);
    assert!(review.episodes.is_empty(), "{:#?}", review.episodes);
}

#[test]
fn a_block_is_seen_through_the_strokes_of_a_slow_pump() {
    let stroke = |s: u32| 8.0 * (f64::from(s) / 1_080.0 * std::f64::consts::TAU).sin();
    // At 3 h the resistance goes to twelve times: from 4 to 48 mmHg above the outlet.
    let at = |s: u32| if s < 10_800 { 1.0 } else { 12.0 };
    let trace = trace(|s| (at(s), true, 300.0, stroke(s)));
    let review = review(&trace, NO_EVENTS);
    assert_eq!(review.episodes.len(), 1, "{:#?}", review.episodes);
    assert!(OUTLET + 12.0 * RATE - 10.0 <= review.episodes[0].peak_mmhg);
}

#[test]
fn a_climb_of_four_minutes_is_told_though_it_stays_low() {
    // Twice the resistance for four minutes: 20 mmHg more, of which the line's 72 s (R C = 10 mmHg h/mL x 2 uL/mmHg) let it reach
    // 20 (1 - e^(-240/72)) = 19. Nobody coughs or handles a line for so long.
    let at = |s: u32| {
        if (10_800..11_040).contains(&s) {
            2.0 * OPEN
        } else {
            OPEN
        }
    };
    let trace = trace(|s| (at(s), true, 300.0, 0.0));
    let review = review(&trace, NO_EVENTS);
    let e = only(&review);
    let hindered: f64 = e.sites[..4].iter().sum();
    assert!(0.5 <= hindered, "{:?}", e.sites);
}

#[test]
fn runs_between_stops_that_are_too_short_to_show_a_relief_do_not_hide_it() {
    // Doubling every 20 minutes from 2 h on, up to 6.7 times at 10,500 s, when somebody frees the line: 1.2 times, doubling every 30
    // minutes. It had been stopped for five minutes, runs for four and is stopped for five again: in four minutes a line that is still
    // blocked would not have filled (1.5 R C = 1.5 x 33 mmHg h/mL x 2 uL/mmHg = 6 min).
    let runs = |s: u32| !(10_200..10_500).contains(&s) && !(10_740..11_040).contains(&s);
    let trace = trace(|s| (OPEN * grown_and_eased(s), runs(s), 500.0, 0.0));
    let review = review(&trace, NO_EVENTS);
    assert_eq!(review.episodes.len(), 2, "{:#?}", review.episodes);
    let end_s = review.episodes[0].end_s.unwrap();
    assert!((10_500.0..=11_060.0).contains(&end_s), "{end_s}");
}

#[test]
fn a_relief_after_an_alarm_below_one_and_a_half_times_parts_two_episodes() {
    // Open 85 mmHg, limit 117.5: it rings at (117.5 − 5) / 80 = 1.41 times, short of 1.5. Relieved to 1.22 times in the stop, it
    // climbs to the limit again. Both rang, so both are episodes, and neither begins after its end.
    let trace = trace(|s| {
        let grown = match s {
            0..10_800 => 1.0 + 0.42 * (f64::from(s) - 8_100.0).max(0.0) / 2_700.0,
            10_800..13_200 => 1.22 + 0.22 * (f64::from(s) - 11_100.0).max(0.0) / 2_100.0,
            _ => 1.0,
        };
        let stopped = (10_800..11_100).contains(&s) || (13_200..13_500).contains(&s);
        (4.0 * OPEN * grown, !stopped, 117.5, 0.0)
    });
    let review = review(&trace, "");
    let alarms_s: Vec<f64> = review.episodes.iter().filter_map(|e| e.alarm_s).collect();
    assert_eq!(alarms_s, [10_800.0, 13_200.0], "{:#?}", review.episodes);
    for e in &review.episodes {
        let end_s = e.end_s.unwrap();
        assert!(e.onset_s.high <= end_s, "{:?} {end_s}", e.onset_s);
    }
}

#[test]
fn stops_at_one_height_are_alarms_though_nobody_noted_them_nor_the_limit() {
    // Open 85 mmHg. Twice it grows to 1.25 times within half an hour, 105 mmHg, and the pump stops: less than stands out by itself.
    let climbs = |s: u32| match s {
        0..10_800 => 1.0 + 0.25 * (f64::from(s) - 9_000.0).max(0.0) / 1_800.0,
        10_800..14_400 => 1.0 + 0.25 * (f64::from(s) - 12_600.0).max(0.0) / 1_800.0,
        _ => 1.0,
    };
    let stopped = |s: u32| (10_800..11_100).contains(&s) || (14_400..14_700).contains(&s);
    let of = |grown: &dyn Fn(u32) -> f64| {
        let rate = |s: u32| if stopped(s) { 0.0 } else { RATE };
        line(10, false, |s| (4.0 * OPEN * grown(s), rate(s), 0.0, 0.0))
    };
    let told = review(&of(&climbs), "");
    let alarms_s: Vec<f64> = told.episodes.iter().filter_map(|e| e.alarm_s).collect();
    assert_eq!(alarms_s, [10_800.0, 14_400.0], "{:#?}", told.episodes);
    // An events file would have held them: then nobody stopped it but hands.
    let noted = review(&of(&climbs), NO_EVENTS);
    assert!(
        noted.episodes.iter().all(|e| e.alarm_s.is_none()),
        "{:#?}",
        noted.episodes
    );
    // Nor are two stops of a line that keeps its pressure.
    let steady = review(&of(&|_| 1.0), "");
    assert!(steady.episodes.is_empty(), "{:#?}", steady.episodes);
}

#[test]
fn a_fall_alone_is_no_block_below_the_pump() {
    // A pump that restarts with a dry supply: the outlet's 5 mmHg for a quarter of an hour, in a log of two minutes. By
    // P = P_out + R Q no resistance takes the pressure below what it was.
    let trace = line(120, true, |s| {
        let dry = (12_000..12_900).contains(&s);
        let stopped = (10_800..12_000).contains(&s);
        let rate = if stopped { 0.0 } else { RATE };
        (if dry { 1e-3 } else { 3.5 }, rate, 300.0, 0.0)
    });
    let review = review(&trace, "");
    let e = only(&review);
    assert_eq!(e.suggested, Some(Site::Supply), "{:?}", e.sites);
    let below: f64 = [Site::Tubing, Site::Filter, Site::Catheter]
        .iter()
        .map(|s| e.sites[s.index()])
        .sum();
    assert!(below <= 0.05, "{:?}", e.sites);
}

#[test]
fn a_slow_climb_does_not_take_its_baseline_along() {
    // After three hours the resistance grows by half of itself in three hours more. It is looked at from 1.35 times on, which is
    // at 11,000 + 0.7 x 10,600 = 18,420 s; an outlet pressure that is known beforehand to some mmHg leaves room both ways, a
    // baseline that climbed along would be late.
    let trace = trace(|s| {
        let grown = 1.0 + 0.5 * (f64::from(s) - 11_000.0).max(0.0) / 10_600.0;
        (2.0 * OPEN * grown, true, 300.0, 0.0)
    });
    let review = review(&trace, NO_EVENTS);
    assert_eq!(review.episodes.len(), 1, "{:#?}", review.episodes);
    let seen_s = review.episodes[0].visible_from_s;
    assert!((13_000.0..=18_420.0).contains(&seen_s), "{seen_s}");
}
