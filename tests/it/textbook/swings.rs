//! What comes and goes, and what hinders nothing: a positional catheter, crying, pumps hung elsewhere, quiet hours.

use super::lines::{OUTLET, line, within};
use super::scene::{Files, Onset, Scene, Wanted};
use patency::infer::{Course, Site};

/// Forty minutes each, with forty minutes of free running between.
const BOUTS: [(f64, f64); 4] = [
    (3.0, 3.0 + 2.0 / 3.0),
    (4.0 + 1.0 / 3.0, 5.0),
    (5.0 + 2.0 / 3.0, 6.0 + 1.0 / 3.0),
    (7.0, 7.0 + 2.0 / 3.0),
];

/// A catheter whose resistance goes to 2.6 times and back whenever the patient is moved.
pub fn positional(channels: usize, period_s: u32, files: Files) -> Scene {
    let mut scene = line(channels, files).over(10.0, period_s);
    let (filter, catheter) = (scene.parts.filter, scene.parts.catheter);
    let times = (2.6 * (filter + catheter) - filter) / catheter;
    scene = scene
        .catheter(move |at| {
            if BOUTS.iter().any(|b| within(at.h, *b)) {
                times
            } else {
                1.0
            }
        })
        .expect(
            Wanted::Site(Site::Catheter),
            Some(Course::Intermittent),
            Onset::At(3.0),
        );
    for (from, to) in BOUTS {
        scene = scene
            .noted(from, "", "patient_moved", "")
            .noted(to, "", "patient_moved", "");
    }
    scene
}

/// Seconds on, seconds off, share of the full height.
type Bursts = [(f64, f64, f64)];

/// Coughs of a few seconds each.
const COUGHS: &Bursts = &[
    (4.0, 7.0, 1.0),
    (7.0, 9.0, 0.8),
    (3.0, 12.0, 0.9),
    (9.0, 6.0, 0.7),
];

/// Bursts of a crying fit.
const CRIES: &Bursts = &[
    (25.0, 15.0, 0.9),
    (50.0, 40.0, 1.0),
    (10.0, 20.0, 0.6),
    (60.0, 30.0, 1.0),
    (15.0, 10.0, 0.8),
    (35.0, 55.0, 1.0),
    (5.0, 25.0, 0.7),
];

/// Height of a fit this many seconds after it began, as a share.
fn burst(bursts: &Bursts, mut seconds: f64) -> f64 {
    seconds %= bursts.iter().map(|b| b.0 + b.1).sum::<f64>();
    for (on, off, height) in bursts {
        if seconds < on + off {
            return if seconds < *on { *height } else { 0.0 };
        }
        seconds -= on + off;
    }
    0.0
}

/// Fits at these hours: swings of 50 mmHg at the vein, also while the pumps stand for care.
fn fits(
    channels: usize,
    bursts: &'static Bursts,
    fits: &'static [(f64, f64)],
    files: Files,
) -> Scene {
    let mut scene = line(channels, files)
        .outlet_by(move |h| {
            let fit = fits.iter().find(|f| within(h, **f));
            OUTLET + fit.map_or(0.0, |f| 50.0 * burst(bursts, (h - f.0) * 3600.0))
        })
        .pauses(&[(2.1, 2.2), (5.05, 5.15)])
        .expect(Wanted::Harmless, None, Onset::Any);
    for &(from, _) in fits {
        scene = scene.noted(from, "", "note", "restless");
    }
    scene
}

pub fn crying(channels: usize, hours: &'static [(f64, f64)], files: Files) -> Scene {
    fits(channels, CRIES, hours, files)
}

/// The same with a limit that the swings reach: it rings after each restart until the patient calms.
pub fn crying_that_rings(channels: usize, files: Files) -> Scene {
    let mut scene = crying(channels, &[(5.0, 5.4)], files)
        .pauses(&[(2.1, 2.2)])
        .limit(|_| 55.0)
        .expect(Wanted::Site(Site::None), None, Onset::UpToAlarm(5.0));
    scene.restart_min = 1.5;
    scene
}

/// Coughing for less than a minute, three times.
pub fn coughing(channels: usize, files: Files) -> Scene {
    let hours = &[(2.0, 2.012), (4.0, 4.008), (6.0, 6.015)];
    fits(channels, COUGHS, hours, files)
}

/// Pumps hung elsewhere, so many cm higher, from 4 h until this hour; other rates before and after show that nothing else
/// changed. Which pumps: all of them, or one.
pub fn hung(
    cm: f64,
    which: Option<&'static str>,
    channels: usize,
    until: f64,
    files: Files,
) -> Scene {
    let mut scene = line(channels, files)
        .set("pn", 8.0, (2.0, 3.0))
        .set("pn", 8.0, (6.0, 7.0))
        .expect(Wanted::Harmless, None, Onset::Any);
    scene.parts.catheter = 5.0;
    let moved: Vec<bool> = scene
        .ids
        .iter()
        .map(|id| which.is_none_or(|w| w == *id))
        .collect();
    let mmhg = -0.7356 * cm;
    scene.lift = Box::new(move |i, at| {
        let away = moved[i] && within(at.h, (4.0, until));
        if away { mmhg } else { 0.0 }
    });
    let channel = which.unwrap_or("");
    scene = scene.noted(4.0, channel, "pump_moved", &cm.to_string());
    if until < scene.hours {
        scene = scene.noted(until, channel, "pump_moved", &(-cm).to_string());
    }
    scene
}

/// Hours in which nothing happens but rests for care and other rates.
pub fn quiet(channels: usize, files: Files) -> Scene {
    line(channels, files)
        .set("pn", 8.0, (3.0, 5.0))
        .set("pn", 2.0, (9.0, 10.5))
        .pauses(&[(1.5, 1.6), (4.0, 4.5), (7.0, 9.0)])
        .over(12.0, 30)
}

/// Cyclic nutrition: the rate goes up by steps, stands, goes down by steps, rests.
pub fn cyclic(channels: usize, files: Files) -> Scene {
    let mut scene = quiet(channels, files).over(12.0, 60).whole_mmhg();
    let pn = scene.index("pn");
    scene.rate = Box::new(move |i, at| {
        let up = ((at.h - 1.0) * 4.0).floor().clamp(0.0, 4.0);
        let down = ((at.h - 8.0) * 4.0).floor().clamp(0.0, 4.0);
        let level = 3.0 * (up - down);
        if i == pn { level } else { 1.0 }
    });
    scene
}

/// The vein's pressure wanders by a few mmHg, with sleep and feeds.
pub fn wandering(channels: usize, files: Files) -> Scene {
    quiet(channels, files).outlet_by(|h| OUTLET + 2.0 * (h * 2.3).sin() + 1.0 * (h * 5.1).sin())
}
