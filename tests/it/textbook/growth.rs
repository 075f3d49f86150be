//! What grows: filters that load, by volume, and catheters that narrow, by time.

use super::lines::{filter_line, line};
use super::scene::{At, Files, Onset, Scene, Wanted};
use patency::infer::{Course, Site};

/// A blocking law: resistance of the filter per clean one after so many mL.
type Law = fn(f64) -> f64;

/// What the line passes in the sixteen hours of [`loading`], mL.
const LOADED_ML: f64 = 93.0;
/// How many times its clean resistance the filter has then, by each law.
const LOADED: f64 = 8.0;

pub fn complete(ml: f64) -> f64 {
    1.0 / (1.0 - (1.0 - 1.0 / LOADED) * ml / LOADED_ML)
}

pub fn standard(ml: f64) -> f64 {
    (1.0 - (1.0 - LOADED.sqrt().recip()) * ml / LOADED_ML).powi(-2)
}

pub fn intermediate(ml: f64) -> f64 {
    (LOADED.ln() * ml / LOADED_ML).exp()
}

pub fn cake(ml: f64) -> f64 {
    1.0 + (LOADED - 1.0) * ml / LOADED_ML
}

/// A filter that loads through a short and a long rest and a raised rate; a new one takes it all back.
pub fn loading(law: Law, channels: usize, files: Files) -> Scene {
    filter_line(channels, files)
        .set("pn", 9.0, (7.0, 99.0))
        .pauses(&[(4.0, 5.5), (9.0, 12.0), (16.0, 16.15)])
        .over(18.0, 30)
        .filter(move |at| {
            if 16.1 <= at.h {
                1.0
            } else {
                law(at.filtered_ml)
            }
        })
        .noted(16.1, "", "filter_change", "")
        .gradual(Site::Filter)
}

/// The same up to an alarm or two, each followed by a restart alone, and then the new filter.
pub fn loading_to_alarms(channels: usize, files: Files) -> Scene {
    let mut scene = loading(complete, channels, files)
        .limit(|_| 75.0)
        .filter(|at| {
            let changed = at.after_alarm(4, 8.0);
            if changed {
                1.0
            } else {
                complete(at.filtered_ml)
            }
        });
    scene.noted.clear();
    scene
}

/// A catheter that narrows steadily, also while the pumps stand and whatever they are set to; a flush helps in part, a new
/// filter does not help.
pub fn narrowing(channels: usize, files: Files) -> Scene {
    line(channels, files)
        .set("pn", 8.0, (7.5, 99.0))
        .pauses(&[(6.0, 7.0), (9.0, 12.0), (14.0, 14.1), (15.0, 15.1)])
        .over(17.0, 30)
        .catheter(|at| {
            narrowed(at.h)
                - if 14.05 <= at.h {
                    0.5 * (narrowed(14.05) - 1.0)
                } else {
                    0.0
                }
        })
        .noted(14.05, "", "flush", "")
        .noted(15.05, "", "filter_change", "")
        .gradual(Site::Catheter)
}

/// The same without any deed.
pub fn narrowing_left_alone(channels: usize, files: Files) -> Scene {
    let mut scene = narrowing(channels, files)
        .pauses(&[(6.0, 7.0), (9.0, 12.0)])
        .catheter(|at| narrowed(at.h));
    scene.noted.clear();
    scene.over(16.0, 30)
}

fn narrowed(h: f64) -> f64 {
    1.0 + 0.3 * (h - 3.0).max(0.0)
}

/// A slow rise at one rate, without a pause or a deed: nothing can tell filter from catheter.
pub fn slow_rise(channels: usize, files: Files) -> Scene {
    line(channels, files)
        .over(12.0, 30)
        .catheter(|at| narrowed(at.h))
        .expect(Wanted::Undetermined, Some(Course::Gradual), Onset::Growth)
}

/// The slow rise, and what was changed in the end took it back.
pub fn slow_rise_until(deed: &'static str, site: Site) -> Scene {
    line(1, super::scene::EVENTS)
        .over(14.0, 30)
        .pauses(&[(11.0, 11.1)])
        .catheter(|at| if 11.05 <= at.h { 1.0 } else { narrowed(at.h) })
        .noted(11.05, "", deed, "")
        .gradual(site)
}

/// A new filter did nothing, a new catheter an hour later took it back.
pub fn slow_rise_until_the_second_deed() -> Scene {
    line(1, super::scene::EVENTS)
        .over(14.0, 30)
        .pauses(&[(10.0, 10.1), (11.0, 11.1)])
        .catheter(|at| if 11.05 <= at.h { 1.0 } else { narrowed(at.h) })
        .noted(10.05, "", "filter_change", "")
        .noted(11.05, "", "catheter_change", "")
        .gradual(Site::Catheter)
}

/// Grows from one hour to another, to so many times, and stays.
fn over_minutes(at: &At, from: f64, minutes: f64, times: f64) -> f64 {
    let share = ((at.h - from) * 60.0 / minutes).clamp(0.0, 1.0);
    1.0 + (times - 1.0) * share
}

/// Lipid first in a new filter that was not primed with anything else: it closes within minutes, and the next one does not.
pub fn badly_primed(channels: usize, files: Files) -> Scene {
    let mut scene = filter_line(channels, files);
    if channels == 1 {
        scene.fluids[0] = "pn-3in1";
    }
    scene
        .pauses(&[(3.0, 3.2), (5.0, 5.2)])
        .filter(|at| {
            if 5.1 <= at.h {
                1.0
            } else {
                over_minutes(at, 3.25, 20.0, 7.0)
            }
        })
        .noted(3.1, "", "filter_change", "")
        .noted(5.1, "", "filter_change", "")
        .gradual(Site::Filter)
}

/// The same at the start of the record, with a filter that was placed then.
pub fn badly_primed_at_the_start(channels: usize, files: Files) -> Scene {
    let mut scene = filter_line(channels, files)
        .filter(|at| over_minutes(at, 0.4, 25.0, 7.0))
        .over(5.0, 10)
        .gradual(Site::Filter);
    scene.placed_h = Some(0.0);
    scene
}

/// A medication joins as a channel of its own, and eight minutes later the filter starts to close.
pub fn precipitate(channels: usize, files: Files) -> Scene {
    let mut scene = filter_line(3, files)
        .set("med", 0.0, (0.0, 5.0))
        .set("med", 0.0, (6.0, 99.0))
        .filter(|at| over_minutes(at, 5.0 + 8.0 / 60.0, 20.0, 8.0))
        .noted(5.0, "med", "medication_start", "")
        .noted(6.0, "med", "medication_end", "")
        .gradual(Site::Filter);
    if channels == 2 {
        scene = scene.without("lipid");
    }
    scene
}

/// The medication is given into the one channel there is; only the events tell of it.
pub fn precipitate_in_one_channel(files: Files) -> Scene {
    filter_line(1, files)
        .filter(|at| over_minutes(at, 5.0 + 8.0 / 60.0, 20.0, 8.0))
        .noted(5.0, "pn", "medication_start", "")
        .noted(6.0, "pn", "medication_end", "")
        .gradual(Site::Filter)
}

/// A pore of 0.2 µm, with lipid running: it closes within hours.
pub fn too_fine_a_pore(channels: usize, files: Files) -> Scene {
    let mut scene = filter_line(channels, files)
        .filter(|at| 1.0 + 0.12 * (at.filtered_ml - 6.0).max(0.0))
        .over(8.0, 30)
        .gradual(Site::Filter);
    scene.pore_um = 0.2;
    scene.placed_h = Some(0.0);
    if channels == 1 {
        scene.fluids[0] = "pn-3in1";
    }
    scene
}

/// Level between rests, and a third more of the whole resistance after each of them: what settled blocks at the restart.
pub fn settling(
    channels: usize,
    rests: &'static [(f64, f64)],
    raised: Option<(f64, f64)>,
    files: Files,
) -> Scene {
    let mut scene = filter_line(channels, files);
    let (filter, catheter) = (scene.parts.filter, scene.parts.catheter);
    scene = scene.filter(move |at| {
        let past = rests.iter().filter(|r| r.1 <= at.h).count();
        ((filter + catheter) * (4.0_f64 / 3.0).powi(past as i32) - catheter) / filter
    });
    if let Some((h, rate)) = raised {
        scene = scene.set("pn", rate, (h, 99.0));
    }
    let onset = Onset::Between(rests[1].0, rests[1].1);
    let last = rests[rests.len() - 1].1;
    scene.pauses(rests).over(last + 2.0, 30).expect(
        Wanted::Site(Site::Filter),
        Some(Course::Gradual),
        onset,
    )
}
