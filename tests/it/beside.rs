//! One channel beside another into one line: what is one's own, what both share, and which of them came first.
//!
//! The records are worked out from the line equation: each channel fills its own store, and what leaves it flows through its own
//! tubing to the join and on through what both share, `C dP/dt = Q − (P − P_join)/R_own`,
//! `(P_join − P_out)/R_shared = Σ (P − P_join)/R_own`; no events, no limit.

use super::beyond_pressure::{only, review};
use super::on_top::hindered;
use patency::infer::{Course, Review, Site};

/// Store of each channel, mL/mmHg; pressure at zero flow, mmHg; resistance of a channel's own tubing, and shut, mmHg·h/mL.
const STORE: f64 = 0.002;
const OUTLET: f64 = 5.0;
const OWN: f64 = 0.2;
const SHUT: f64 = 1e5;
/// Steps of the integration in a second.
const STEPS: u32 = 20;

/// What a line of two channels does in a second: rates, mL/h, own resistances and the shared one, mmHg·h/mL.
#[derive(Clone, Copy)]
struct Second {
    rate: [f64; 2],
    own: [f64; 2],
    shared: f64,
}

/// The review of such a line over six hours, a row of each channel each so many seconds.
fn both(every_s: u32, at: impl Fn(u32) -> Second) -> Review {
    let mut rows = String::from("time,channel,pressure_mmhg,rate_ml_h\n");
    let first = at(0);
    let flow: f64 = first.rate.iter().sum();
    let mut held = first
        .rate
        .map(|rate| OUTLET + first.shared * flow + OWN * rate);
    for s in 0..6 * 3600 {
        let now = at(s);
        for _ in 0..STEPS {
            let leads = now.own.map(f64::recip);
            let join = (OUTLET / now.shared + held[0] * leads[0] + held[1] * leads[1])
                / (now.shared.recip() + leads[0] + leads[1]);
            for c in 0..2 {
                let flows = now.rate[c] - (held[c] - join) * leads[c];
                held[c] += flows / STORE / 3600.0 / f64::from(STEPS);
            }
        }
        if s % every_s == 0 {
            for (c, name) in ["lipid", "pn"].into_iter().enumerate() {
                let ripple = 0.5 * (f64::from(s) * 0.37 + c as f64).sin();
                rows += &format!("{s},{name},{:.2},{}\n", held[c] + ripple, now.rate[c]);
            }
        }
    }
    review(&rows, "")
}

#[test]
fn a_block_of_a_slow_channel_stands_out_beside_the_other_where_both_need_a_high_pressure() {
    // 105 mmHg at 10.5 mL/h; half a mL/h into 2 µL/mmHg is 25 mmHg in the six minutes for which the lipid's clamp is shut: a quarter of
    // what the line needs, which no one channel alone could be told from a line that is a little narrower.
    let review = both(30, |s| Second {
        rate: [0.5, 10.0],
        own: [
            if (10_800..11_160).contains(&s) {
                SHUT
            } else {
                OWN
            },
            OWN,
        ],
        shared: 10.0,
    });
    let e = only(&review);
    assert_eq!(e.suggested, Some(Site::Tubing), "{:?}", e.sites);
    assert_eq!(e.at_channel.as_deref(), Some("lipid"));
    assert!(
        (e.onset_s.value - 10_800.0).abs() <= 120.0,
        "{:?}",
        e.onset_s
    );
}

#[test]
fn what_raises_a_second_channel_is_not_the_block_of_the_first_ones_tubing() {
    // From 7,200 s on PN's tubing holds 30 mmHg more; from 12,000 s on what both share doubles every 20 min, up to six times.
    let review = both(10, |s| Second {
        rate: [1.0, 6.0],
        own: [OWN, if s < 7_200 { OWN } else { OWN + 5.0 }],
        shared: 3.0
            * 2f64
                .powf(f64::from(s.saturating_sub(12_000)) / 1_200.0)
                .min(6.0),
    });
    assert_eq!(review.episodes.len(), 2, "{:#?}", review.episodes);
    let (block, growth) = (&review.episodes[0], &review.episodes[1]);
    assert_eq!(block.suggested, Some(Site::Tubing), "{:?}", block.sites);
    assert_eq!(block.at_channel.as_deref(), Some("pn"));
    assert!((block.onset_s.value - 7_200.0).abs() <= 20.0);
    assert_eq!(growth.course, Course::Gradual);
    let shared = growth.sites[Site::Filter.index()] + growth.sites[Site::Catheter.index()];
    assert!(0.9 <= shared, "{:?}", growth.sites);
    // 1.5 times after 20 min × log2(1.5) = 702 s.
    assert!(
        (growth.onset_s.value - 12_702.0).abs() <= 600.0,
        "{:?}",
        growth.onset_s
    );
}

#[test]
fn one_reading_of_a_slow_log_that_stands_high_at_rest_is_told() {
    // PN's clamp is shut from 10,830 to 11,000 s; it pumps against it for a minute and rests until 11,030 s. A row each two minutes.
    let review = both(120, |s| Second {
        rate: [
            4.0,
            if (10_890..11_030).contains(&s) {
                0.0
            } else {
                20.0
            },
        ],
        own: [
            OWN,
            if (10_830..11_000).contains(&s) {
                SHUT
            } else {
                OWN
            },
        ],
        shared: 1.5,
    });
    let e = only(&review);
    assert!(0.5 <= hindered(e), "{:?}", e.sites);
    assert!(
        (e.onset_s.value - 10_830.0).abs() <= 240.0,
        "{:?}",
        e.onset_s
    );
}
