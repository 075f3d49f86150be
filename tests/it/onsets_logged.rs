//! When a hindrance began, by logs that show it badly: written on change, one reading in two minutes, bouts of half a minute.
//!
//! The records are worked out here from the line equation C·dP/dt = Q − (P − P_out)/R, exact over a second, not by the
//! simulator.

use super::beyond_pressure::{only, review as review_of};
use super::onsets::assert_onset;
use patency::infer::{Course, Review, Site};

/// Rate, mL/h; compliance, mL/mmHg; pressure at zero flow, mmHg; open and closed resistance, mmHg·h/mL.
const RATE: f64 = 3.0;
const STORE: f64 = 0.002;
const OUTLET: f64 = 4.0;
const OPEN: f64 = 12.0;
const SHUT: f64 = 1e5;
const HOUR_S: u32 = 3600;

/// Rate that is set, flow that leaves the pump, mL/h, and the resistance of the line, mmHg·h/mL.
type Second = (f64, f64, f64);

/// The pressure at each second, mmHg, with the set rate.
fn line(end_s: u32, at: impl Fn(u32) -> Second) -> Vec<(f64, f64)> {
    let mut held = OUTLET + OPEN * RATE;
    let second = |s| {
        let (rate, flow, resistance) = at(s);
        let level = OUTLET + resistance * flow;
        held = level + (held - level) * (-1.0 / 3600.0 / (resistance * STORE)).exp();
        (held, rate)
    };
    (0..end_s).map(second).collect()
}

/// A ripple for noise, mmHg.
fn ripple(s: usize, mmhg: f64) -> f64 {
    mmhg * (s as f64 * 0.37).sin()
}

/// A row each so many seconds.
fn by_the_clock(line: &[(f64, f64)], period_s: usize, noise_mmhg: f64) -> String {
    let rows = line.iter().enumerate().step_by(period_s);
    rows.map(|(s, (p, rate))| format!("{s},pn,{:.1},{rate}\n", p + ripple(s, noise_mmhg)))
        .collect()
}

/// A row of whole mmHg where the pressure moved by two or the rate changed, and one after a quarter of an hour in any case.
fn on_change(line: &[(f64, f64)]) -> String {
    let mut rows = String::new();
    let mut last: Option<(usize, f64, f64)> = None;
    for (s, &(p, rate)) in line.iter().enumerate() {
        let whole = (p + ripple(s, 0.6)).round();
        if last
            .is_none_or(|(at, was, set)| 2.0 <= (whole - was).abs() || set != rate || at + 900 <= s)
        {
            rows += &format!("{s},pn,{whole},{rate}\n");
            last = Some((s, whole, rate));
        }
    }
    rows
}

/// The review of such rows, with the events where there is a file of them.
fn review(rows: &str, events: Option<&str>) -> Review {
    let trace = format!("time,channel,pressure_mmhg,rate_ml_h\n{rows}");
    let events = events.map_or_else(String::new, |e| format!("time,channel,event,detail\n{e}"));
    review_of(&trace, &events)
}

#[test]
fn in_a_log_on_change_what_stood_until_the_next_row_had_not_begun() {
    // 12 to 30 mmHg·h/mL: from 40 to 94 mmHg, the first 2 mmHg within 9 s; before that nothing was written for minutes.
    let (from_s, end_s) = (3 * HOUR_S + 500, 4 * HOUR_S + 500);
    let line = line(end_s, |s| {
        (RATE, RATE, if s < from_s { OPEN } else { 30.0 })
    });
    let rows = on_change(&line);
    assert!(rows.lines().count() < 100, "{rows}");
    let review = review(&rows, None);
    let episode = only(&review);
    assert_onset(episode, from_s, 20.0);
    let o = episode.onset_s;
    assert!(o.high - o.low <= 60.0, "{o:?}");
}

#[test]
fn where_a_reading_comes_every_two_minutes_a_block_began_after_the_last_that_showed_nothing() {
    // Shut, 3 mL/h into 2 µL/mmHg climb 0.42 mmHg a second: 40 to 90 mmHg in two minutes, where the alarm rings.
    let from_s = 3 * HOUR_S + 30;
    let alarm_s = from_s + 120;
    let line = line(4 * HOUR_S, |s| match s {
        s if s < from_s => (RATE, RATE, OPEN),
        s if s < alarm_s => (RATE, RATE, SHUT),
        _ => (0.0, 0.0, SHUT),
    });
    let events = format!("{alarm_s},pn,occlusion_alarm,\n");
    let review = review(&by_the_clock(&line, 120, 1.0), Some(&events));
    let episode = only(&review);
    assert_onset(episode, from_s, 120.0);
    // The reading half a minute before it showed nothing, nor did those before that.
    assert!(
        f64::from(from_s) - 600.0 < episode.onset_s.low,
        "{episode:?}"
    );
}

#[test]
fn an_alarm_between_two_readings_shows_that_the_climb_lay_between_them() {
    // Shut, 25 mL/h into 2 µL/mmHg climb 3.5 mmHg a second: over before the next reading.
    let from_s = 3 * HOUR_S + 5;
    let alarm_s = from_s + 45;
    let line = line(from_s + 180, |s| match s {
        s if s < from_s => (25.0, 25.0, 0.5),
        s if s < alarm_s => (25.0, 25.0, SHUT),
        _ => (0.0, 0.0, SHUT),
    });
    let events = format!("{alarm_s},pn,occlusion_alarm,\n");
    let review = review(&by_the_clock(&line, 60, 1.5), Some(&events));
    let episode = only(&review);
    assert_onset(episode, from_s, 60.0);
    // What stands 150 mmHg high for two minutes after the pump has stopped is held by a line that is shut.
    assert!(episode.sites[Site::None.index()] < 0.2, "{episode:?}");
}

#[test]
fn a_block_began_before_the_alarm_that_it_led_to_although_it_rang_again_after_a_restart() {
    // A quarter shut: 300 mmHg·h/mL, 12 to 204 mmHg in the end; it alarms at 100 mmHg, is started again and climbs anew.
    let from_s = 3 * HOUR_S;
    let (alarm_s, restart_s, again_s) = (from_s + 30, from_s + 240, from_s + 270);
    let line = line(from_s + 1200, |s| match s {
        s if s < from_s => (20.0, 20.0, 2.0),
        s if s < alarm_s => (20.0, 20.0, 30.0),
        s if s < restart_s => (0.0, 0.0, 30.0),
        s if s < again_s => (20.0, 20.0, 30.0),
        _ => (0.0, 0.0, 30.0),
    });
    let review = review(&by_the_clock(&line, 15, 0.5), None);
    let episode = &review.episodes[0];
    assert_onset(episode, from_s, 30.0);
}

#[test]
fn what_comes_and_goes_began_with_its_first_bout_although_that_alone_was_too_short_to_tell() {
    // 20 mL/h through 1 or 3 mmHg·h/mL: 24 or 64 mmHg, with a time constant of 22 s. The first bout that lasts is the fourth.
    let first_s = 3 * HOUR_S;
    let bouts: Vec<(u32, u32)> = [(0, 40), (700, 40), (1400, 35)]
        .into_iter()
        .chain((0..5).map(|i| (2400 + 500 * i, 150)))
        .map(|(after_s, lasts_s)| (first_s + after_s, first_s + after_s + lasts_s))
        .collect();
    let line = line(first_s + 2 * HOUR_S, |s| {
        let shut = bouts.iter().any(|b| b.0 <= s && s < b.1);
        (20.0, 20.0, if shut { 3.0 } else { 1.0 })
    });
    let review = review(&by_the_clock(&line, 5, 0.3), None);
    let episode = &review.episodes[0];
    assert_eq!(episode.course, Course::Intermittent, "{episode:?}");
    assert_onset(episode, first_s, 30.0);
}

#[test]
fn a_supply_that_ran_dry_long_before_its_alarm_is_followed_back_to_where_the_pressure_fell() {
    // 6 mL/h at 1 mmHg·h/mL: 10 mmHg fall to 4 within a minute. The pump tells an hour and a quarter later.
    let (dry_s, alarm_s) = (3 * HOUR_S, 4 * HOUR_S + 900);
    let line = line(alarm_s + 600, |s| match s {
        s if s < dry_s => (6.0, 6.0, 1.0),
        s if s < alarm_s => (6.0, 0.0, 1.0),
        _ => (0.0, 0.0, 1.0),
    });
    let events = format!("{alarm_s},pn,alarm,air or empty container\n");
    let review = review(&by_the_clock(&line, 10, 4.0), Some(&events));
    let dry = review
        .episodes
        .iter()
        .find(|e| e.suggested == Some(Site::Supply));
    assert_onset(dry.unwrap(), dry_s, 60.0);
}
