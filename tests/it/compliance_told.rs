//! What a ramp says of a channel's compliance: all of it counts, also what lies beyond the block, and every ramp.
//!
//! Two channels meet at a join that holds nothing; the records are worked out here from C·dP/dt = Q − (P − P_J)/R for each, in steps of
//! a twentieth of a second, not by the simulator.

use super::beyond_pressure::review as review_of;
use patency::infer::Review;

const IDS: [&str; 2] = ["pn", "lipid"];
/// Rates, mL/h; compliances, mL/mmHg; tubing, what both share, and a closed line, mmHg·h/mL; pressure at zero flow, mmHg.
const RATE: [f64; 2] = [5.0, 1.2];
const STORE: [f64; 2] = [0.0016, 0.0016];
const TUBING: f64 = 0.1;
const SHARED: f64 = 6.0;
const SHUT: f64 = 1e5;
const OUTLET: f64 = 4.0;
/// Steps in a second.
const STEPS: u32 = 20;

/// The review of a record in which channels are shut: which, from when, for so long, seconds; each time with this share of the channel's
/// compliance above the block.
fn review(shut: &[(usize, u32, u32)], above: f64) -> Review {
    let mut rows = String::from("time,channel,pressure_mmhg,rate_ml_h\n");
    let mut held = [OUTLET + SHARED * (RATE[0] + RATE[1]); 2];
    let end_s = shut.iter().map(|s| s.1 + s.2).max().unwrap_or(0) + 4 * 3600;
    for s in 0..end_s {
        let closed = |c| shut.iter().any(|b| b.0 == c && b.1 <= s && s < b.1 + b.2);
        let resistance = [0, 1].map(|c| if closed(c) { SHUT } else { TUBING });
        let store = [0, 1].map(|c| {
            if closed(c) {
                above * STORE[c]
            } else {
                STORE[c]
            }
        });
        for _ in 0..STEPS {
            // What flows in at the join flows out of it.
            let open: f64 = resistance.iter().map(|r| 1.0 / r).sum();
            let fed: f64 = (0..2).map(|c| held[c] / resistance[c]).sum();
            let join = (fed + OUTLET / SHARED) / (open + 1.0 / SHARED);
            for c in 0..2 {
                let flow = RATE[c] - (held[c] - join) / resistance[c];
                held[c] += flow / store[c] / 3600.0 / f64::from(STEPS);
            }
        }
        if s % 5 == 0 {
            for (c, id) in IDS.into_iter().enumerate() {
                let ripple = 0.4 * (f64::from(s) * 0.37 + c as f64).sin();
                rows += &format!("{s},{id},{:.1},{}\n", held[c] + ripple, RATE[c]);
            }
        }
    }
    review_of(&rows, "")
}

fn assert_told(review: &Review, channel: usize) {
    let told = review.channels.iter().find(|c| c.id == IDS[channel]);
    let told = told.unwrap().compliance_ul_per_mmhg.unwrap();
    let true_ul = 1000.0 * STORE[channel];
    assert!(told.low <= true_ul && true_ul <= told.high, "{told:?}");
}

#[test]
fn a_channel_shut_at_its_far_end_fills_all_that_gives_way() {
    assert_told(&review(&[(1, 3 * 3600, 1000)], 1.0), 1);
}

#[test]
fn a_channel_shut_near_its_pump_fills_only_what_lies_above() {
    // Three tenths of its compliance lie in the tubing beyond.
    assert_told(&review(&[(1, 3 * 3600, 700)], 0.7), 1);
}

#[test]
fn each_ramp_tells_of_its_own_channel() {
    let review = review(&[(0, 3 * 3600, 240), (1, 6 * 3600, 1000)], 1.0);
    assert_told(&review, 0);
    assert_told(&review, 1);
}
