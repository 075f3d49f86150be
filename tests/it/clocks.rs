//! What growth goes by: volume in a filter, time in a catheter, rest in a filter in which something settles; and what comes and goes.
//!
//! The records are worked out from the line equation, as in [`super::beyond_pressure`], without a word of what was done.

use super::beyond_pressure::{OPEN, review, trace};
use patency::infer::{Finding, Site};

/// The two pauses of 40 minutes in which the clocks part.
const PAUSES: [std::ops::Range<u32>; 2] = [9_000..11_400, 14_400..16_800];

fn pauses(s: u32) -> bool {
    PAUSES.iter().any(|p| p.contains(&s))
}

/// Seconds of flow from half past one on.
fn ran_s(s: u32) -> f64 {
    let stood: u32 = PAUSES.iter().map(|p| s.min(p.end) - s.min(p.start)).sum();
    f64::from(s.saturating_sub(5_400)) - f64::from(stood)
}

#[test]
fn what_grows_on_through_pauses_is_the_catheters_and_what_stands_still_the_filters() {
    // Doubling each hour from half past one on: of time, or of flow. After a pause of 40 minutes the two stand apart by
    // 2^(2/3) = 1.6 times.
    let by_time = |s: u32| 2f64.powf(f64::from(s.saturating_sub(5_400)) / 3_600.0);
    let by_flow = |s: u32| 2f64.powf(ran_s(s).max(0.0) / 3_600.0);
    for (site, grown) in [
        (Site::Catheter, &by_time as &dyn Fn(u32) -> f64),
        (Site::Filter, &by_flow),
    ] {
        let review = review(&trace(|s| (OPEN * grown(s), !pauses(s), 900.0, 0.0)), "");
        let e = &review.episodes[0];
        assert_eq!(e.suggested, Some(site), "{:?}", e.sites);
        assert!(0.9 <= e.sites[site.index()], "{site:?}: {:?}", e.sites);
    }
}

#[test]
fn what_is_higher_after_each_pause_is_what_settled_though_it_is_carried_in_over_minutes() {
    // Pauses of 10, 20 and 15 minutes; after each the log of the resistance rises by 0.02 for each minute that it lasted, two thirds
    // of that within 200 s. Nothing else grows.
    const RESTS: [std::ops::Range<u32>; 3] = [5_400..6_000, 10_800..12_000, 16_200..17_100];
    let settled = |s: u32| -> f64 {
        let after = RESTS.iter().filter(|p| p.end <= s);
        after
            .map(|p| {
                let minutes = f64::from(p.end - p.start) / 60.0;
                0.02 * minutes * (1.0 - (-f64::from(s - p.end) / 200.0).exp())
            })
            .sum()
    };
    let runs = |s: u32| !RESTS.iter().any(|p| p.contains(&s));
    let review = review(
        &trace(|s| (OPEN * settled(s).exp(), runs(s), 500.0, 0.0)),
        "",
    );
    let e = &review.episodes[0];
    assert_eq!(e.suggested, Some(Site::Filter), "{:?}", e.sites);
    assert!(0.95 <= e.sites[Site::Filter.index()], "{:?}", e.sites);
}

#[test]
fn what_comes_and_goes_by_itself_again_and_again_speaks_for_a_positional_catheter() {
    // Five times the open resistance, for six minutes, four times; nobody touched the line.
    let there = |s: u32| {
        [7_200, 8_200, 9_100, 10_300]
            .iter()
            .any(|&from| (from..from + 360).contains(&s))
    };
    let review = review(
        &trace(|s| (if there(s) { 5.0 } else { 1.0 } * OPEN, true, 500.0, 0.0)),
        "",
    );
    assert_eq!(review.episodes.len(), 1, "{:#?}", review.episodes);
    let e = &review.episodes[0];
    assert_eq!(e.suggested, Some(Site::Catheter), "{:?}", e.sites);
    let often: Vec<f64> = e
        .evidence
        .iter()
        .filter(|f| f.finding == Finding::CameAndWent { times: 4 })
        .map(|f| f.log_odds[Site::Catheter.index()])
        .collect();
    // Told once, with what it moves: about the factor of 10 that it has in the judging.
    assert_eq!(often.len(), 1, "{:?}", e.evidence);
    assert!((often[0] - 10f64.ln()).abs() < 0.5, "{often:?}");
}

#[test]
fn an_alarm_seconds_after_a_new_catheter_says_nothing_of_it() {
    // From 3 h on the resistance doubles each half hour, to 31 mmHg·h/mL at 4 h 20 min: stop, new catheter, restart at the open
    // line's pressure. The alarm four seconds later comes long before 31 x 0.002 h = 220 s, in which a line that is still
    // blocked would have filled its stores: a knock.
    let grown = |s: u32| OPEN * 2f64.powf(f64::from(s.saturating_sub(10_800)) / 1_800.0);
    let trace = trace(|s| match s {
        0..15_600 => (grown(s), true, 200.0, 0.0),
        15_600..16_200 => (1.0, false, 200.0, 0.0),
        16_204..16_264 => (OPEN, false, 200.0, 0.0),
        _ => (OPEN, true, 200.0, 0.0),
    });
    let events = "time,channel,event,detail\n15600,pn,occlusion_alarm,\n16200,,catheter_change,\n16200,pn,resume,\n\
                  16204,pn,occlusion_alarm,\n16250,pn,alarm_cleared,\n16264,pn,resume,\n";
    let review = review(&trace, events);
    let e = &review.episodes[0];
    let found: Vec<&Finding> = e.evidence.iter().map(|f| &f.finding).collect();
    assert!(found.contains(&&Finding::CatheterChangeHelped), "{found:?}");
    assert_eq!(e.suggested, Some(Site::Catheter), "{:?}", e.sites);
}
