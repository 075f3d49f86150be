//! What is held under pressure above a block and is set free at its relief.
//!
//! In: the case and the explanation chosen for it. Out: a volume with its interval: the compliance up to the block times the
//! pressure that stood when it gave way. That is not the highest one: a line that is not quite shut runs empty
//! through what is left open while its pump stands after the alarm.

use super::causes::outlet_mmhg;
use super::figures;
use super::judge::{Case, Judgement, Weighed};
use super::review::Site;
use crate::units::Estimate;

/// A fall to this share within the time constant of the open line is a relief: an open line falls to 37 %, one that is
/// twice as narrow to 61 %.
const RELIEVED_SHARE: f64 = 0.5;
/// Within which that time constant is taken to lie, seconds.
const OPEN_S: (f64, f64) = (15.0, 600.0);
/// A fall that begins so soon after its pump stopped is the stop's own, seconds.
const OF_STOP_S: f64 = 45.0;
/// Spread of the log of a compliance that the fit does not see: it falls with pressure (chosen on the tuning set).
const STIFFENS: f64 = 0.2;
/// A pressure at relief is known to so many mmHg, and to this share where it fell slowly up to an unknown moment.
const KNOWN_MMHG: f64 = 5.0;
/// See [`KNOWN_MMHG`].
const SLOWLY_SHARE: f64 = 0.5;

/// The volume, mL; `None` where nothing below the pump is hindered.
pub fn volume(case: &Case, judgement: &Judgement, chosen: Option<&Weighed>) -> Option<Estimate> {
    let w = chosen?;
    let below = [Site::Tubing, Site::Filter, Site::Catheter];
    if !below.contains(&w.fitted.cause.site()) || judgement.obstruction() < 0.5 {
        return None;
    }
    let n = case.record.channels.len();
    let channels = (0..n).filter(|&c| match w.fitted.channel {
        Some(only) => only == c,
        None => case.excursion.up[c],
    });
    let ml_per_mmhg = filled(case, w);
    let open_s = 3600.0 * w.fitted.fit.theta[1].exp() * ml_per_mmhg;
    let open_s = open_s.clamp(OPEN_S.0, OPEN_S.1);
    let at = |c: usize| {
        let outlet = outlet_mmhg(&w.fitted.fit, n, c).0 + case.tracker.offset_mmhg[c];
        standing(case, c, outlet, open_s)
    };
    let (rise, known) = channels.filter_map(at).max_by(|a, b| a.0.total_cmp(&b.0))?;
    let sd = (figures::WIDER * w.fitted.fit.sd(2)).hypot(STIFFENS);
    let value = ml_per_mmhg * rise;
    let low = ml_per_mmhg * (-1.96 * sd).exp() * (rise - known).max(0.0);
    let high = ml_per_mmhg * (1.96 * sd).exp() * (rise + known);
    Estimate::new(value, low, high)
}

/// Compliance that a block at this explanation's place leaves between it and the pumps, mL/mmHg.
pub fn filled(case: &Case, w: &Weighed) -> f64 {
    let scale = w.fitted.fit.theta[2].exp();
    let own = &case.parts.own_ml_per_mmhg;
    let all: f64 = own.iter().map(|c| c.0).sum();
    scale
        * match (w.fitted.cause.site(), w.fitted.channel) {
            (Site::Tubing, Some(c)) => own[c].0,
            (Site::Filter, _) => all + 0.5 * case.parts.filter_ml_per_mmhg,
            _ => all + case.parts.filter_ml_per_mmhg + case.parts.tail_ml_per_mmhg,
        }
}

/// By how much a channel stood above its outlet's pressure when it was relieved, and how well that is known, mmHg.
fn standing(case: &Case, channel: usize, outlet_mmhg: f64, open_s: f64) -> Option<(f64, f64)> {
    let of = &case.record.channels[channel];
    let period_s = of.period_s.unwrap_or(60.0);
    let start_s = case.excursion.start_s;
    let end_s = case.excursion.end_s.unwrap_or(case.read_to_s);
    let readings: Vec<(f64, f64)> = {
        let s = &of.samples;
        let from = s.t_s.partition_point(|&t| t < start_s);
        let to = s.t_s.partition_point(|&t| t <= end_s + OPEN_S.0);
        let inside = (from..to).map(|i| (s.t_s[i], s.pressure_mmhg[i]));
        inside.filter(|r| r.1.is_finite()).collect()
    };
    let top = (0..readings.len()).max_by(|&a, &b| readings[a].1.total_cmp(&readings[b].1))?;
    let own = || case.doings.pauses_of(Some(&of.id));
    let of_stop = |t_s: f64| {
        own().any(|p| {
            t_s - OF_STOP_S.max(2.0 * period_s) < p.span.start_s && p.span.start_s <= t_s + OPEN_S.0
        })
    };
    let noise = case.tracker.noise[channel];
    let known = KNOWN_MMHG.max(noise.rounding_mmhg).max(noise.sample_mmhg);
    let relieved = (top..readings.len()).find(|&i| {
        let (t_s, rise) = (readings[i].0, readings[i].1 - outlet_mmhg);
        let later = readings[i..].iter().find(|r| t_s + open_s <= r.0);
        let fell = later.is_some_and(|r| r.1 - outlet_mmhg <= RELIEVED_SHARE * rise);
        2.0 * known <= rise && fell && !of_stop(t_s)
    });
    if let Some(i) = relieved {
        return Some(((readings[i].1 - outlet_mmhg).max(0.0), known));
    }
    // No relief to be seen: it came at the restart at the latest, or has not come.
    let stop =
        own().rfind(|p| start_s - 60.0 <= p.span.start_s && p.span.end_s <= end_s + OPEN_S.0);
    let last_out_s = case.excursion.bouts.last().map_or(end_s, |b| b.1);
    let until_s = stop.map_or(last_out_s, |p| p.span.end_s);
    let last = readings.iter().rfind(|r| r.0 <= until_s + 1.0)?;
    let rise = (last.1 - outlet_mmhg).max(0.0);
    Some((rise, known + SLOWLY_SHARE * rise))
}
