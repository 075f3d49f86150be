//! What of a judged excursion is told: whether it is an episode, whether nothing hinders the flow, and from when on the record showed it.
//!
//! In: a case and its judgement.

use super::causes::Rings;
use super::figures;
use super::judge::{Case, Judgement};
use super::review::{Cause, Site};

/// An excursion without alarm is an episode when something more likely than not hinders the flow.
pub const LEAST_OBSTRUCTION: f64 = 0.5;
/// Without alarm, what was over within this and stayed below [`LEAST_HEIGHT_MMHG`] is handling or a cough, seconds (common practice,
/// no source: a dressing or a patient is handled in a minute or two).
const LEAST_OUT_S: f64 = 180.0;
/// What no cause explains is told from this long on, seconds; no shorter than [`LEAST_OUT_S`] where it stood higher than
/// [`LEAST_ODD_MMHG`], as no cough and no hand on the line does for so long.
const LEAST_ODD_S: f64 = 600.0;
/// See [`LEAST_ODD_S`], mmHg (our judgement).
const LEAST_ODD_MMHG: f64 = 100.0;
/// What comes so often is no handling, however short each time.
const AGAIN_BOUTS: usize = 2;
/// See [`LEAST_OUT_S`], mmHg.
const LEAST_HEIGHT_MMHG: f64 = 30.0;
/// A fall is no cough: a supply that stopped is told from this long on, seconds.
const LEAST_FALLEN_S: f64 = 120.0;
/// A change of height is told when it is at least this large, mmHg (about 8 cm of water).
const LEAST_SHIFT_MMHG: f64 = 6.0;

/// Whether most likely nothing hinders the flow.
pub fn hinders_nothing(judgement: &Judgement) -> bool {
    let (site, p) = judgement.best_site();
    site == Site::None && 0.5 < p
}

/// The shift, if nothing hinders the flow: which pump, `None` = all, by how many mmHg; `None` for an artefact.
pub fn shift(judgement: &Judgement) -> Option<(Option<usize>, f64)> {
    let best = judgement.best_of(Site::None)?;
    figures::shift(&best.fitted)
}

/// Whether, if nothing hinders the flow, something moved the pressure for seconds, or in bursts: the line is what it was.
pub fn moved_for_seconds(judgement: &Judgement) -> bool {
    let best = judgement.best_of(Site::None);
    best.is_some_and(|w| w.fitted.rings == Rings::Anyway)
}

/// Whether it is most likely a shift.
pub fn stays_shifted(judgement: &Judgement) -> bool {
    hinders_nothing(judgement) && shift(judgement).is_some()
}

/// Whether an excursion without alarm is an episode: an obstruction that lasted or stood high, a clear shift, or
/// something large that no cause explains.
pub fn worth_telling(case: &Case, judgement: &Judgement) -> bool {
    let excursion = case.excursion;
    let out_s: f64 = excursion.bouts.iter().map(|b| b.1 - b.0).sum();
    let height_mmhg = height_mmhg(case);
    // What comes and goes is no handling while it does so, however short each time.
    let comes_and_goes = LEAST_OBSTRUCTION <= judgement.causes[Cause::CatheterPositional as usize];
    let odd = 0.5 <= judgement.unexplained;
    let lasted_s = match (excursion.bouts.first(), excursion.bouts.last()) {
        (Some(first), Some(last))
            if comes_and_goes || odd && AGAIN_BOUTS <= excursion.bouts.len() =>
        {
            last.1 - first.0
        }
        _ => out_s,
    };
    let large = LEAST_OUT_S <= lasted_s || LEAST_HEIGHT_MMHG <= height_mmhg;
    let (site, _) = judgement.best_site();
    if odd {
        return LEAST_ODD_S <= lasted_s && 0.5 * LEAST_HEIGHT_MMHG <= height_mmhg
            || LEAST_OUT_S <= lasted_s && LEAST_ODD_MMHG <= height_mmhg;
    }
    // What lies below a pump raises its pressure: a fall alone is the supply's, or nothing's.
    let fell = !excursion.up.contains(&true);
    if LEAST_OBSTRUCTION <= judgement.obstruction() && !(fell && site != Site::Supply) {
        return large || site == Site::Supply && LEAST_FALLEN_S <= out_s;
    }
    hinders_nothing(judgement) && shift(judgement).is_some_and(|s| LEAST_SHIFT_MMHG <= s.1.abs())
}

/// The largest deviation within an excursion, mmHg, either way.
fn height_mmhg(case: &Case) -> f64 {
    let excursion = case.excursion;
    let until_s = excursion.end_s.unwrap_or(f64::INFINITY);
    case.tracker
        .since(excursion.start_s)
        .iter()
        .take_while(|b| b.t_s <= until_s)
        .filter(|b| b.bar_mmhg.is_finite())
        .map(|b| b.deviation_mmhg.abs())
        .fold(0.0, f64::max)
}
