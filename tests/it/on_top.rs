//! What comes on top of something that stays, and what a line at rest shows of a block that came just before its stop.
//!
//! The records are worked out from the line equation, as in [`super::beyond_pressure`]: no events, no limit.

use super::beyond_pressure::{OPEN, RATE, line, only, review};
use patency::infer::{Course, Episode, Review};
use std::ops::Range;

/// Nothing gets through, mmHg·h/mL.
const SHUT: f64 = 1e4;

/// A resistance that doubles every 20 minutes from 3 h 20 min on, up to so many times the open one.
fn grown(s: u32, most: f64) -> f64 {
    OPEN * 2f64
        .powf(f64::from(s.saturating_sub(12_000)) / 1_200.0)
        .min(most)
}

/// The review of a line of some resistance at each second, read each so many seconds, at one rate but for a stop.
fn pumped(every_s: u32, stopped: Range<u32>, resistance: impl Fn(u32) -> f64) -> Review {
    let rate = |s: u32| if stopped.contains(&s) { 0.0 } else { RATE };
    let trace = line(every_s, false, |s| (resistance(s), rate(s), 0.0, 0.0));
    review(&trace, "")
}

/// The open line, shut for a while.
fn shut(during: Range<u32>) -> impl Fn(u32) -> f64 {
    move |s| if during.contains(&s) { SHUT } else { OPEN }
}

/// How likely it is that something hinders the flow.
pub(crate) fn hindered(e: &Episode) -> f64 {
    e.sites[..4].iter().sum()
}

#[track_caller]
fn assert_near(found_s: f64, true_s: f64, within_s: f64) {
    assert!(
        (found_s - true_s).abs() <= within_s,
        "{found_s} and not {true_s}"
    );
}

#[test]
fn a_line_shut_within_two_readings_of_its_stop_is_found_by_what_it_holds_at_rest() {
    // Shut at 10,830 s, at 4 mL/h into 2 µL/mmHg 0.56 mmHg a second: one reading at 42 mmHg, then the stop at 72 mmHg, which stands
    // until it is freed at 11,400 s, a minute before the restart.
    let review = pumped(60, 10_915..11_460, shut(10_830..11_400));
    let e = only(&review);
    assert!(0.8 <= hindered(e), "{:?}", e.sites);
    assert_near(e.onset_s.value, 10_830.0, 60.0);
    assert_eq!(e.course, Course::Step);
}

#[test]
fn a_relief_at_rest_that_takes_many_readings_of_a_fast_log_is_a_relief() {
    // Shut at 3 h for five minutes, the last two and a half at rest; freed there, it empties with a time constant of 36 s.
    let review = pumped(1, 10_950..11_160, shut(10_800..11_100));
    let e = only(&review);
    assert!(0.9 <= hindered(e), "{:?}", e.sites);
    assert!(e.unexplained <= 0.1, "{}", e.unexplained);
    assert_near(e.onset_s.value, 10_800.0, 10.0);
}

#[test]
fn a_block_that_passes_while_a_growth_stays_is_an_episode_within_it() {
    // Three times the open resistance from 13,900 s on; shut for four minutes at 16,800 s, freed while the pump runs on.
    let review = pumped(10, 0..0, |s| match s {
        16_800..17_040 => SHUT,
        _ => grown(s, 3.0),
    });
    assert_eq!(review.episodes.len(), 2, "{:#?}", review.episodes);
    let (growth, block) = (&review.episodes[0], &review.episodes[1]);
    assert_eq!(growth.course, Course::Gradual);
    assert_eq!(growth.end_s, None);
    // 1.5 times after 20 min × log2(1.5) = 702 s.
    assert_near(growth.onset_s.value, 12_702.0, 600.0);
    assert_eq!(block.course, Course::Step);
    assert_near(block.onset_s.value, 16_800.0, 20.0);
    // What it took beyond the growth has run off after some time constants of 108 s.
    assert_near(block.end_s.unwrap(), 17_040.0, 300.0);
    assert!(0.9 <= hindered(block), "{:?}", block.sites);
}

#[test]
fn blocks_that_come_and_go_while_a_growth_stays_are_one_episode_within_it() {
    let shut = |s: u32| (0..4).any(|k| (16_200 + 900 * k..16_320 + 900 * k).contains(&s));
    let review = pumped(10, 0..0, |s| if shut(s) { SHUT } else { grown(s, 3.0) });
    assert_eq!(review.episodes.len(), 2, "{:#?}", review.episodes);
    let (growth, blocks) = (&review.episodes[0], &review.episodes[1]);
    assert_eq!(growth.course, Course::Gradual);
    assert_eq!(growth.end_s, None);
    assert_eq!(blocks.course, Course::Intermittent);
    assert_near(blocks.onset_s.value, 16_200.0, 20.0);
    assert_near(blocks.end_s.unwrap(), 19_020.0, 300.0);
}

#[test]
fn a_block_that_comes_at_once_on_a_small_growth_began_when_it_came() {
    // 1.8 times the open resistance from 13,000 s on; shut at 17,000 s until all is freed at rest at 17,500 s.
    let review = pumped(10, 17_300..17_600, |s| match s {
        17_000..17_500 => SHUT,
        17_500.. => OPEN,
        _ => grown(s, 1.8),
    });
    assert_eq!(review.episodes.len(), 2, "{:#?}", review.episodes);
    let (growth, block) = (&review.episodes[0], &review.episodes[1]);
    assert_eq!(growth.course, Course::Gradual);
    assert_eq!(block.course, Course::Step);
    assert_near(block.onset_s.value, 17_000.0, 20.0);
    for e in [growth, block] {
        assert!(0.9 <= hindered(e), "{:?}", e.sites);
        assert_near(e.end_s.unwrap(), 17_600.0, 300.0);
    }
}

#[test]
fn a_growth_that_doubles_at_its_end_is_one_episode() {
    // The inverse of what is left: R = open / (1 − x) with x from 0 at 12,000 s to 1 at 15,000 s, stopped at 180 mmHg.
    let review = pumped(10, 14_640..15_240, |s| {
        let x = f64::from(s.saturating_sub(12_000)) / 3_000.0;
        let left = if s < 15_000 { 1.0 - x } else { 1.0 };
        OPEN / left.max(0.1)
    });
    let e = only(&review);
    assert_eq!(e.course, Course::Gradual);
    assert!(0.9 <= hindered(e), "{:?}", e.sites);
}

#[test]
fn a_block_that_comes_at_once_after_a_pump_was_lowered_began_when_it_came() {
    // 27 cm lower from 12,000 s on: 20 mmHg more, which stay; shut at 17,000 s until it is freed at rest at 17,500 s.
    let trace = line(10, false, |s| {
        let stopped = (17_300..17_600).contains(&s);
        let rate = if stopped { 0.0 } else { RATE };
        let lift = if s < 12_000 { 0.0 } else { 20.0 };
        (shut(17_000..17_500)(s), rate, 0.0, lift)
    });
    let review = review(&trace, "");
    let block = review
        .episodes
        .iter()
        .find(|e| e.course == Course::Step && 0.9 <= hindered(e))
        .unwrap();
    assert_near(block.onset_s.value, 17_000.0, 20.0);
    assert_near(block.end_s.unwrap(), 17_600.0, 300.0);
    let shifted = |e: &&Episode| (e.onset_s.value - 12_000.0).abs() <= 60.0;
    assert_eq!(review.episodes.iter().filter(shifted).count(), 1);
    assert_eq!(review.episodes.len(), 2, "{:#?}", review.episodes);
}

#[test]
fn a_growth_that_a_stop_relieves_and_that_comes_again_at_once_is_two() {
    // Sixteen times the open resistance at the stop; open again, and two minutes and a half after the restart on its way up once more:
    // when a line as blocked as before would have climbed back to its pressure, it stands at more than half of that.
    let review = pumped(10, 17_000..17_300, |s| match s {
        17_100.. => {
            OPEN * 2f64
                .powf(f64::from(s.saturating_sub(17_450)) / 150.0)
                .min(16.0)
        }
        _ => grown(s, 16.0),
    });
    assert_eq!(review.episodes.len(), 2, "{:#?}", review.episodes);
    // 1.5 times after log2(1.5) doublings.
    for (e, onset_s) in review.episodes.iter().zip([12_702.0, 17_538.0]) {
        assert_eq!(e.course, Course::Gradual);
        assert!(0.9 <= hindered(e), "{:?}", e.sites);
        assert_near(e.onset_s.value, onset_s, 600.0);
    }
}
