//! The bouts of what comes and goes: those of an excursion, and those before it that were over too soon to be one.
//!
//! In: a case. Out: stretches, in seconds from the record's start, in order. A catheter that shuts with a movement may do so for half a
//! minute many times before it does so for long: each time alone is too short to stand out, all together are the beginning.

use super::blocks::Block;
use super::excursion::Excursion;
use super::judge::Case;

/// A bout further than this before the next one is another matter, seconds.
const APART_S: f64 = 3600.0;
/// And further than so many times the mean time between the others: times between what comes by chance vary about as exponential ones do,
/// of which one in fifty is longer than four means.
const MOST_USUAL: f64 = 4.0;
/// Nothing is looked for so long before the excursion, seconds.
const MOST_BACK_S: f64 = 2.0 * 3600.0;
/// A bout stands at this share of the excursion's height at least.
const LEAST_SHARE: f64 = 0.25;
/// One block alone is a bout from so many times on what makes it stand out: less may be a cough.
const ALONE: f64 = 2.0;

/// The bouts of the excursion, with those that came before it.
pub fn all(case: &Case) -> Vec<(f64, f64)> {
    let mut bouts = earlier(case);
    bouts.extend(&case.excursion.bouts);
    bouts
}

/// The excursion as one that began with the first of all its bouts.
pub fn from_first(case: &Case) -> Excursion {
    let bouts = all(case);
    let mut whole = case.excursion.clone();
    if let Some(&(start_s, end_s)) = bouts.first().filter(|b| b.0 < whole.start_s) {
        (whole.start_s, whole.seen_s) = (start_s, end_s);
    }
    whole.bouts = bouts;
    let over_s = first_over(case, whole.start_s);
    if let Some(first) = whole.bouts.first_mut() {
        first.1 = first.1.min(over_s).max(whole.seen_s);
    }
    whole
}

/// When what began at a moment no longer stood out in any channel that rose, seconds: the first bout may be so low beside a later one
/// that the excursion does not tell them apart.
fn first_over(case: &Case, from_s: f64) -> f64 {
    let risen = |b: &&Block| case.excursion.up[b.channel] && b.own_runs;
    let since = case.tracker.since(from_s).iter();
    let calm = since.filter(risen).find(|b| b.deviation_mmhg <= b.bar_mmhg);
    calm.map_or(f64::INFINITY, |b| b.t_s)
}

fn earlier(case: &Case) -> Vec<(f64, f64)> {
    let excursion = case.excursion;
    let Some((channel, height_mmhg)) = highest(case) else {
        return Vec::new();
    };
    let from_s = case.not_before_s.max(excursion.start_s - MOST_BACK_S);
    let since = case.tracker.since(from_s);
    let to = since.partition_point(|b| b.t_s < excursion.start_s);
    let own = since[..to]
        .iter()
        .filter(|b| b.channel == channel && b.own_runs && b.bar_mmhg.is_finite());
    // From the excursion back: start, end, and whether it is more than one low block.
    let mut bouts: Vec<(f64, f64, bool)> = Vec::new();
    let mut next_s = excursion.start_s;
    let pairs = excursion.bouts.windows(2);
    let mut apart: Vec<f64> = pairs.map(|w| w[1].0 - w[0].1).collect();
    let mut on = false;
    for block in own.rev() {
        let usual_s = apart.iter().sum::<f64>() / apart.len().max(1) as f64;
        let most_s = if apart.is_empty() {
            APART_S
        } else {
            APART_S.min(MOST_USUAL * usual_s)
        };
        if most_s < next_s - block.last_s {
            break;
        }
        let out = block.bar_mmhg.max(LEAST_SHARE * height_mmhg) < block.deviation_mmhg;
        match bouts.last_mut() {
            Some(bout) if on && out => (bout.0, bout.2) = (block.t_s, true),
            _ if out => {
                let clear = ALONE * block.bar_mmhg < block.deviation_mmhg;
                apart.push((next_s - block.last_s).max(0.0));
                bouts.push((block.t_s, block.last_s, clear));
            }
            _ => {}
        }
        on = out;
        if out {
            next_s = block.t_s;
        }
    }
    bouts.retain(|b| b.2);
    bouts.iter().rev().map(|b| (b.0, b.1)).collect()
}

/// The channel that rose most in the excursion, and how far, mmHg.
fn highest(case: &Case) -> Option<(usize, f64)> {
    let excursion = case.excursion;
    let until_s = excursion.end_s.unwrap_or(case.read_to_s);
    let risen = |b: &&Block| excursion.up[b.channel] && b.bar_mmhg.is_finite();
    let since = case.tracker.since(excursion.start_s).iter();
    since
        .take_while(|b| b.t_s <= until_s)
        .filter(risen)
        .max_by(|a, b| a.deviation_mmhg.total_cmp(&b.deviation_mmhg))
        .map(|b| (b.channel, b.deviation_mmhg))
}
