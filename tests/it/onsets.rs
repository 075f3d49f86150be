//! When a hindrance began, where the pressure alone does not say it: at a change of set, in a pause, behind a pump's play; and what it
//! held when it was relieved.
//!
//! The records are worked out here from the line equation C·dP/dt = Q − (P − P_out)/R, exact over a second, not by the
//! simulator.

use super::beyond_pressure::{only, review as review_of};
use patency::infer::{Episode, Review, Site};
use patency::units::Estimate;

/// Rate, mL/h; compliance, mL/mmHg; pressure at zero flow, mmHg; open and closed resistance, mmHg·h/mL.
const RATE: f64 = 3.0;
const STORE: f64 = 0.002;
const OUTLET: f64 = 4.0;
const OPEN: f64 = 12.0;
const SHUT: f64 = 1e5;
/// The stop, and the end of the record, seconds.
const STOP_S: u32 = 3 * 3600;
const END_S: u32 = 4 * 3600;

/// What a line does in a second.
struct Second {
    /// mmHg·h/mL.
    resistance: f64,
    /// What the pump says, and what leaves it, mL/h.
    rate: f64,
    flow: f64,
    /// Whether the line is open to the air.
    opened: bool,
}

impl Second {
    fn running() -> Self {
        Self {
            resistance: OPEN,
            rate: RATE,
            flow: RATE,
            opened: false,
        }
    }

    fn resting() -> Self {
        Self {
            rate: 0.0,
            flow: 0.0,
            ..Self::running()
        }
    }
}

/// The review of such a line, a row each ten seconds, up to the moment at which it reads 310 mmHg.
fn review(at: impl Fn(u32) -> Second) -> Review {
    let mut rows = String::from("time,channel,pressure_mmhg,rate_ml_h\n");
    let mut held = OUTLET + OPEN * RATE;
    for s in 0..END_S {
        let now = at(s);
        let level = OUTLET + now.resistance * now.flow;
        held = if now.opened {
            OUTLET
        } else {
            level + (held - level) * (-1.0 / 3600.0 / (now.resistance * STORE)).exp()
        };
        if 310.0 < held {
            break;
        }
        if s % 10 == 0 {
            // A ripple of half a mmHg for noise.
            let ripple = 0.5 * (f64::from(s) * 0.37).sin();
            rows += &format!("{s},pn,{:.2},{}\n", held + ripple, now.rate);
        }
    }
    review_of(&rows, "")
}

pub(crate) fn assert_onset(episode: &Episode, true_s: impl Into<f64>, within_s: f64) {
    let (o, true_s) = (episode.onset_s, true_s.into());
    assert!((o.value - true_s).abs() <= within_s, "{o:?} for {true_s}");
    assert!(o.low <= true_s && true_s <= o.high, "{o:?} for {true_s}");
}

#[test]
fn a_clamp_left_closed_at_a_change_of_set_began_at_the_restart_not_where_the_pressure_passed_what_it_was()
 {
    let restart_s = STOP_S + 240;
    let review = review(|s| match s {
        s if s < STOP_S => Second::running(),
        s if s < restart_s => Second {
            opened: true,
            ..Second::resting()
        },
        _ => Second {
            resistance: SHUT,
            ..Second::running()
        },
    });
    // 36 mmHg above the outlet were normal: the ramp of 25 mmHg/min passes that after a minute and a half.
    assert_onset(only(&review), f64::from(restart_s), 20.0);
}

#[test]
fn a_clamp_closed_while_the_pump_rests_hinders_from_the_restart_on_and_may_have_been_closed_at_any_time_of_the_rest()
 {
    let (shut_s, restart_s) = (STOP_S + 300, STOP_S + 900);
    let review = review(|s| {
        let resistance = if s < shut_s { OPEN } else { SHUT };
        let base = if (STOP_S..restart_s).contains(&s) {
            Second::resting()
        } else {
            Second::running()
        };
        Second { resistance, ..base }
    });
    let episode = only(&review);
    let onset = episode.onset_s;
    assert!(
        (onset.value - f64::from(restart_s)).abs() <= 30.0,
        "{onset:?} {:?}",
        episode.sites
    );
    assert!(onset.low <= f64::from(shut_s), "{onset:?}");
    assert!(f64::from(STOP_S) - 60.0 <= onset.low, "{onset:?}");
}

#[test]
fn a_ramp_that_begins_bent_as_the_pump_takes_up_its_play_began_at_the_restart() {
    let restart_s = STOP_S + 240;
    // A fortieth of a mL of play: half a minute of flow, so the straight part of the ramp points half a minute late.
    let engaged = |s: u32| 1.0 - (-f64::from(s - restart_s) / 3600.0 * RATE / 0.025).exp();
    let review = review(|s| match s {
        s if s < STOP_S => Second::running(),
        s if s < restart_s => Second {
            opened: true,
            ..Second::resting()
        },
        s => Second {
            resistance: SHUT,
            flow: RATE * engaged(s),
            ..Second::running()
        },
    });
    assert_onset(only(&review), f64::from(restart_s), 20.0);
}

#[test]
fn a_supply_that_fades_over_a_minute_began_to_fade_before_its_pressure_fell() {
    let left = |s: u32| (-f64::from(s - STOP_S) / 60.0).exp();
    let review = review(|s| match s {
        s if s < STOP_S => Second::running(),
        s => Second {
            flow: RATE * left(s),
            ..Second::running()
        },
    });
    let episode = only(&review);
    assert_eq!(episode.suggested, Some(Site::Supply));
    assert_onset(episode, f64::from(STOP_S), 60.0);
}

#[test]
fn a_partial_block_began_where_the_curve_leaves_its_level_not_where_it_stands_out() {
    // 12 to 40 mmHg·h/mL: from 40 to 124 mmHg with a time constant of 40 · 0.002 h, 288 s, so 5 mmHg after 18 s.
    let review = review(|s| Second {
        resistance: if s < STOP_S { OPEN } else { 40.0 },
        ..Second::running()
    });
    let episode = only(&review);
    assert_onset(episode, f64::from(STOP_S), 20.0);
    let o = episode.onset_s;
    assert!(o.high - o.low <= 40.0, "{o:?}");
}

#[test]
fn the_slower_a_resistance_grows_the_less_is_known_of_when_it_stood_at_one_and_a_half() {
    // e-folding in so many seconds from the second hour on: 1.5 times after 0.405 of it.
    let grown = |over_s: f64| {
        let review = review(|s| Second {
            resistance: OPEN * ((f64::from(s) - 7200.0).max(0.0) / over_s).exp(),
            ..Second::running()
        });
        let onset = only(&review).onset_s;
        let true_s = 7200.0 + 1.5f64.ln() * over_s;
        assert!(
            onset.low <= true_s && true_s <= onset.high,
            "{onset:?} for {true_s}"
        );
        onset.high - onset.low
    };
    let (fast_s, slow_s) = (grown(900.0), grown(3600.0));
    assert!(1.5 * fast_s < slow_s, "{fast_s} {slow_s}");
    // A straying of a tenth is a tenth of the e-folding time, either way: its 90 % are a fifth of it and more.
    assert!(0.2 * 3600.0 < slow_s, "{slow_s}");
}

#[test]
fn a_baseline_is_known_to_a_tenth_at_the_best() {
    let review = review(|s| {
        if s % 3000 < 600 {
            Second::resting()
        } else {
            Second::running()
        }
    });
    let r = review.channels[0].resistance_mmhg_h_per_ml.unwrap();
    assert!(r.low <= OPEN && OPEN <= r.high, "{r:?}");
    // Half a tenth and more either way at 95 %: 1.96 times a spread of 5 %.
    assert!(1.09 <= r.high / r.value && r.low / r.value <= 0.91, "{r:?}");
}

/// A line that is blocked after two hours up to 300 mmHg, stands, is relieved while it stands, and runs again: the volume
/// that the review says was freed, and the true one.
fn freed(resistance: f64, climbs_s: u32, stands_s: u32) -> (Estimate, f64) {
    let (from_s, stop_s) = (7200, 7200 + climbs_s);
    let relief_s = stop_s + stands_s;
    let review = review(|s| {
        let base = if (stop_s..relief_s + 300).contains(&s) {
            Second::resting()
        } else {
            Second::running()
        };
        let blocked = (from_s..relief_s).contains(&s);
        let resistance = if blocked { resistance } else { OPEN };
        Second { resistance, ..base }
    });
    let tau_s = 3600.0 * resistance * STORE;
    let (open, level) = (OPEN * RATE, resistance * RATE);
    let top = level + (open - level) * (-f64::from(climbs_s) / tau_s).exp();
    let held = top * (-f64::from(stands_s) / tau_s).exp();
    (only(&review).release_volume_ml.unwrap(), held * STORE)
}

#[test]
fn what_a_closed_line_holds_is_freed_whole() {
    let (said, true_ml) = freed(SHUT, 620, 600);
    assert!(
        said.low <= true_ml && true_ml <= said.high,
        "{said:?} {true_ml}"
    );
    assert!(
        (said.value / true_ml - 1.0).abs() < 0.2,
        "{said:?} {true_ml}"
    );
}

#[test]
fn what_runs_out_through_a_half_closed_line_while_its_pump_stands_is_not_freed_at_relief() {
    // 300 mmHg at the stop, a time constant of 48 min, 40 min of standing: 130 mmHg are left, 0.26 mL.
    let (said, true_ml) = freed(400.0, 720, 2400);
    assert!(
        said.low <= true_ml && true_ml <= said.high,
        "{said:?} {true_ml}"
    );
    assert!(said.value < 1.4 * true_ml, "{said:?} {true_ml}");
}
