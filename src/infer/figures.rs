//! Figures of the channels: resistance, outlet pressure and compliance with intervals, and the resistance over time.
//!
//! In: the record, the walked tracker and the first episode's best explanation. Out: [`ChannelReview`]s.

use super::baseline::PartsPrior;
use super::blocks::Block;
use super::causes::{Fitted, Setting, Steady, fit_explanation, outlet_mmhg};
use super::memo::Memo;
use super::regimes::Doings;
use super::review::{Cause, ChannelReview, TrackPoint};
use super::tracker::Tracker;
use super::window;
use super::work::Work;
use crate::record::Record;
use crate::units::Estimate;

/// Most points of a resistance track.
const MOST_POINTS: usize = 400;
/// A compliance is told when the record narrowed it to this share of what was thought before.
const NARROWED: f64 = 0.7;
/// Factor on the spread of what a fit gives: real lines do not quite follow the equations, and the normal approximation
/// is narrow (chosen on the tuning set).
pub const WIDER: f64 = 1.5;
/// Spread of the log of a resistance that no fit sees: a fluid's viscosity goes by its temperature (2 % a kelvin for water), and
/// what grows before it is noticed is taken for the baseline (chosen on the tuning set).
const CREPT: f64 = 0.05;
/// Factor on the spread of an outlet pressure: the vein's wander and the sensor's drift, which are slow, count as one with the
/// line's own (chosen on the tuning set).
const OUTLET_WIDER: f64 = 2.0;
/// The same for compliances, which fall with pressure in real lines (chosen on the tuning set).
const COMPLIANCE_WIDER: f64 = 2.5;
/// A block anywhere along a channel's tubing leaves what gives way beyond it unfilled: up to two or three tenths of the channel's
/// compliance (common practice, no source), a tenth on average, as the log of a factor.
const BEYOND_BLOCK: f64 = 0.1;
/// Resistances above this are told as this: nothing flows, mmHg·h/mL.
const SHUT: f64 = 1000.0;

/// The figures of each channel.
///
/// `first_fit` is the best explanation of the first episode, whose window holds the baseline before it; without
/// one, the whole record is the baseline. `ramps` are the best explanations of episodes that came at one go: of a channel's compliance the
/// one counts that narrows it most.
pub fn channels(
    record: &Record,
    doings: &Doings,
    prior: &PartsPrior,
    tracker: &Tracker,
    first_fit: Option<Fitted>,
    ramps: &[Fitted],
) -> Vec<ChannelReview> {
    let told = first_fit.or_else(|| whole_record(record, doings, prior, tracker));
    (0..record.channels.len())
        .map(|c| {
            let own = tracker.baseline.own(c);
            let own_sd = tracker.baseline.own_sd(c);
            let fitted = told.as_ref();
            ChannelReview {
                id: record.channels[c].id.clone(),
                compliance_ul_per_mmhg: ramps
                    .iter()
                    .chain(fitted)
                    .filter_map(|f| compliance(f, prior, c))
                    .min_by(|a, b| (a.high / a.low).total_cmp(&(b.high / b.low))),
                resistance_mmhg_h_per_ml: fitted.and_then(|f| below(f, own, own_sd)),
                outlet_pressure_mmhg: fitted.and_then(|f| outlet(f, record.channels.len(), c)),
                track: track(tracker, prior, c),
            }
        })
        .collect()
}

/// The record as an unhindered line, up to two days of it.
fn whole_record(
    record: &Record,
    doings: &Doings,
    prior: &PartsPrior,
    tracker: &Tracker,
) -> Option<Fitted> {
    let start_s = record.start_s();
    let until_s = record.end_s().min(start_s + 48.0 * 3600.0);
    let window = window::cut(record, doings, &tracker.noise, start_s, until_s, &[])?;
    let n = record.channels.len();
    let memo = Memo::within(Work::alone());
    let setting = Setting {
        window: &window,
        memo: &memo,
        parts: prior,
        baseline: &tracker.baseline,
        own: (0..n).map(|c| tracker.baseline.own(c)).collect(),
        after_relief: false,
        start_s,
        peak_s: until_s,
        shared_ml_per_mmhg: [prior.filter_ml_per_mmhg + prior.tail_ml_per_mmhg; 2],
    };
    fit_explanation(&Steady::limit_too_low(&setting), &setting)
}

fn outlet(f: &Fitted, n: usize, c: usize) -> Option<Estimate> {
    let (value, of_fit) = outlet_mmhg(&f.fit, n, c);
    let sd = (OUTLET_WIDER * of_fit).hypot(2.0);
    Estimate::new(value, value - 1.96 * sd, value + 1.96 * sd)
}

/// Resistance below a pump: the shared one, log-normal, and its own tubing's.
fn below(f: &Fitted, own: f64, own_sd: f64) -> Option<Estimate> {
    let shared = f.fit.theta[1].exp();
    let wide = (WIDER * f.fit.sd(1)).hypot(CREPT);
    let value = shared + own;
    let low = shared * (-1.96 * wide).exp() + (own - 1.96 * WIDER * own_sd).max(0.0);
    let high = shared * (1.96 * wide).exp() + own + 1.96 * WIDER * own_sd;
    Estimate::new(value, low.min(value), high.max(value))
}

/// A channel's own compliance. The fit scales all compliances alike; how the sum is shared out among channels
/// is known only as well as before, unless the ramp was this channel's alone.
fn compliance(f: &Fitted, prior: &PartsPrior, c: usize) -> Option<Estimate> {
    let before = prior.own_ml_per_mmhg[c].1;
    let sum: f64 = prior.own_ml_per_mmhg.iter().map(|p| p.0).sum();
    let share = match (f.cause, f.channel) {
        (Cause::TubingBlocked, Some(only)) => f64::from(u8::from(only == c)),
        _ => prior.own_ml_per_mmhg[c].0 / sum,
    };
    let sd = ((COMPLIANCE_WIDER * f.fit.sd(2)).hypot(0.15).powi(2)
        + before * before * (1.0 - share))
        .sqrt();
    if NARROWED * before < sd {
        return None;
    }
    let beyond = match f.cause {
        Cause::TubingBlocked => BEYOND_BLOCK,
        _ => 0.0,
    };
    let value = prior.own_ml_per_mmhg[c].0 * (f.fit.theta[2] + beyond).exp() * 1000.0;
    Estimate::new(value, value * (-1.96 * sd).exp(), value * (1.96 * sd).exp())
}

/// The shift that a fitted explanation claims: which pump (`None` = all) and by how many mmHg.
pub fn shift(f: &Fitted) -> Option<(Option<usize>, f64)> {
    (f.cause == Cause::HeightChange).then(|| (f.channel, f.fit.theta[f.fit.theta.len() - 1]))
}

/// Resistance below a pump over time: (P − P_out) over the flow that leaves, while that channel runs, as a
/// running mean over neighbouring blocks, with the spread of reading, outlet pressure and storage.
fn track(tracker: &Tracker, prior: &PartsPrior, c: usize) -> Vec<TrackPoint> {
    let store: f64 = prior.own_ml_per_mmhg.iter().map(|p| p.0).sum();
    let own: Vec<&Block> = tracker.blocks.iter().filter(|b| b.channel == c).collect();
    let group = own.len().div_ceil(MOST_POINTS).max(1);
    let outlet = tracker.baseline.outlet_mmhg(c);
    let outlet_sd = tracker.baseline.outlet_sd(c).min(6.0);
    let noise = tracker.noise[c].block_mmhg;
    let mut points = Vec::new();
    for chunk in own.chunks(group) {
        let running: Vec<&&Block> = chunk.iter().filter(|b| b.own_runs && b.settled).collect();
        let (Some(first), Some(last)) = (running.first(), running.last()) else {
            continue;
        };
        let count = running.len() as f64;
        let mean = |f: &dyn Fn(&Block) -> f64| running.iter().map(|b| f(b)).sum::<f64>() / count;
        let pressure = mean(&|b| b.pressure_mmhg);
        let flow = mean(&|b| b.total_ml_h());
        let hours = (last.t_s - first.t_s) / 3600.0;
        let climb = if 0.0 < hours {
            ((last.pressure_mmhg - first.pressure_mmhg) / hours * store)
                .min(0.98 * flow)
                .max(0.0)
        } else {
            0.0
        };
        let leaving = (flow - climb).max(0.02 * flow);
        let drop = pressure - outlet;
        let sd = (noise * noise / count + outlet_sd * outlet_sd).sqrt();
        let at = |d: f64| (d / leaving).clamp(0.0, SHUT);
        if let Some(estimate) = Estimate::new(at(drop), at(drop - 1.96 * sd), at(drop + 1.96 * sd))
        {
            points.push(TrackPoint {
                t_s: mean(&|b| b.t_s),
                resistance_mmhg_h_per_ml: estimate,
            });
        }
    }
    points
}
