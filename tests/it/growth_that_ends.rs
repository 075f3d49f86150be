//! Growth that comes to an end, bouts that come and go, notes at the relief: what each says of the site.
//!
//! The records are worked out from the line equation, as in `beyond_pressure`.

use super::beyond_pressure::{OPEN, RATE, line, only, review, trace};
use patency::infer::{Cause, Course, Finding, Site};

/// From 3 h on the resistance grows as eˣ for 20 minutes, to four times its size, and stays there: 4 mL/h, a row each 10 s.
fn grows_and_ends(s: u32) -> f64 {
    let grown_s = (f64::from(s) - 10_800.0).clamp(0.0, 1200.0);
    OPEN * (4f64.ln() * grown_s / 1200.0).exp()
}

#[test]
fn what_grew_for_some_minutes_after_a_medication_began_and_then_stayed_is_a_precipitate() {
    let trace = trace(|s| (grows_and_ends(s), true, 300.0, 0.0));
    let review = review(
        &trace,
        "time,channel,event,detail\n10500,,medication_start,\n",
    );
    let e = only(&review);
    assert_eq!(e.suggested, Some(Site::Filter), "{:?}", e.sites);
    assert!(
        0.5 < e.causes[Cause::FilterPrecipitate as usize],
        "{:?}",
        e.causes
    );
    assert_eq!(e.course, Course::Gradual);
    // 1.5 times is reached after 1200 s · ln 1.5 / ln 4 = 351 s.
    assert!(
        (e.onset_s.value - 11_151.0).abs() <= 120.0,
        "{:?}",
        e.onset_s
    );
}

#[test]
fn the_same_course_with_nothing_noted_tells_no_filter_from_a_catheter() {
    let trace = trace(|s| (grows_and_ends(s), true, 300.0, 0.0));
    let review = review(&trace, "time,channel,event,detail\n100,,note,weighed\n");
    let e = only(&review);
    assert!(e.sites[Site::Filter.index()] < 0.8, "{:?}", e.sites);
    assert!(0.15 < e.sites[Site::Catheter.index()], "{:?}", e.sites);
}

#[test]
fn growth_at_one_rate_is_the_same_by_volume_and_by_time() {
    // Doubling each hour from 2 h on: at a constant rate volume and time are one clock up to a factor, so the readings favour neither
    // filter nor catheter; what is left are the priors.
    let grown = |s: u32| OPEN * 2f64.powf((f64::from(s) - 7200.0).max(0.0) / 3600.0);
    let review = review(
        &trace(|s| (grown(s), true, 300.0, 0.0)),
        "time,channel,event,detail\n100,,note,weighed\n",
    );
    let e = &review.episodes[0];
    assert_eq!(e.suggested, None, "{:?}", e.sites);
    let odds = e.sites[Site::Filter.index()] / e.sites[Site::Catheter.index()];
    assert!((0.5..2.0).contains(&odds), "{odds}");
}

#[test]
fn a_line_that_shuts_for_a_minute_or_two_again_and_again_is_a_positional_catheter() {
    // From 2 h to 3 h shut for 100 s of each 400 s: the pump fills its store of 0.002 mL/mmHg at 4 mL/h, 0.56 mmHg/s and some 55 mmHg in
    // all; then the pressure falls with the open line's 36 s. A row each 5 s.
    let shut = |s: u32| (7_200..10_800).contains(&s) && s % 400 < 100;
    let trace = line(5, false, |s| {
        (if shut(s) { 2000.0 } else { OPEN }, RATE, 0.0, 0.0)
    });
    let review = review(&trace, "");
    let e = only(&review);
    assert_eq!(e.course, Course::Intermittent);
    assert_eq!(e.suggested, Some(Site::Catheter), "{:?}", e.sites);
    assert!(e.unexplained < 0.1, "{}", e.unexplained);
    assert!((e.onset_s.value - 7_200.0).abs() <= 60.0, "{:?}", e.onset_s);
}

#[test]
fn a_note_at_the_relief_says_whether_it_was_of_one_channel_or_of_the_line() {
    // Shut from 10,000 s until somebody straightens the line at 10,700 s.
    let shut = |s: u32| (10_000..10_700).contains(&s);
    let stopped = |s: u32| (10_150..10_730).contains(&s);
    let trace = trace(|s| (if shut(s) { 1e5 } else { OPEN }, !stopped(s), 100.0, 0.0));
    let site = |channel: &str| {
        let events = format!(
            "time,channel,event,detail\n10150,pn,occlusion_alarm,\n10700,{channel},note,line straightened\n10730,pn,resume,\n"
        );
        let review = review(&trace, &events);
        let e = review.episodes[0].clone();
        let noted = Finding::NoteAtRelief {
            channel: (!channel.is_empty()).then(|| channel.to_string()),
        };
        assert!(
            e.evidence.iter().any(|v| v.finding == noted),
            "{:?}",
            e.evidence
        );
        e.sites
    };
    let (of_channel, of_line) = (site("pn"), site(""));
    assert!(of_line[Site::Tubing.index()] < of_channel[Site::Tubing.index()]);
    assert!(of_channel[Site::Catheter.index()] < of_line[Site::Catheter.index()]);
    assert!(0.6 < of_channel[Site::Tubing.index()], "{of_channel:?}");
}
