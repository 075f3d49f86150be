//! Nothing is hindered below the pump: the supply stops above it, or the limit does not fit the rate.

use super::lines::line;
use super::scene::{Files, Onset, Scene, Wanted};
use patency::infer::Site;

/// Hour at which it happens.
const FROM: f64 = 5.0;

fn stopped(mut scene: Scene, id: &'static str, until: f64) -> Scene {
    let index = scene.index(id);
    scene.supplied = Box::new(move |i, at| i != index || at.h < FROM || until <= at.h);
    scene.step(Site::Supply, FROM)
}

/// A container runs dry: its pressure falls to what it is at zero flow, known from a rest, while the set rate goes on.
pub fn supply_stops(id: &'static str, channels: usize, files: Files) -> Scene {
    stopped(line(channels, files).pauses(&[(2.0, 2.25)]), id, 6.5)
}

/// The same, to the end of the record; what no flow reads is known from two rates.
pub fn supply_stays_away(id: &'static str, channels: usize, files: Files) -> Scene {
    let scene = line(channels, files).set("pn", 8.0, (2.0, 3.5));
    stopped(scene, id, 99.0)
}

/// An easy line: the fall is two or three mmHg, but what no flow reads is known from two rates.
pub fn small_fall(channels: usize, files: Files) -> Scene {
    let mut scene = line(channels, files).set("pn", 9.0, (2.0, 3.5));
    scene.parts.catheter = 0.4;
    scene.parts.filter = 0.2;
    scene.noise = 0.2;
    stopped(scene, "pn", 99.0)
}

/// The pressure falls, and a rate that is raised an hour later moves nothing.
pub fn raised_in_vain(channels: usize, files: Files) -> Scene {
    let scene = line(channels, files)
        .set("pn", 8.0, (2.0, 3.0))
        .set("pn", 9.0, (6.0, 99.0));
    stopped(scene, "pn", 99.0)
}

fn settings(scene: Scene, onset: Onset) -> Scene {
    scene.expect(Wanted::Site(Site::Settings), None, onset)
}

/// The rate is raised for half an hour, and what that needs is more than the limit; a restart rings again, and the old rate runs.
pub fn raised_rate(channels: usize, files: Files) -> Scene {
    let mut scene = line(channels, files)
        .set("pn", 8.0, (2.0, 3.0))
        .set("pn", 20.0, (FROM, FROM + 0.4))
        .limit(|_| 60.0);
    scene.restart_min = 8.0;
    settings(scene, Onset::UpToAlarm(FROM))
}

/// The same by a bolus of a few minutes.
pub fn bolus(channels: usize, files: Files) -> Scene {
    let mut scene = line(channels, files)
        .set("pn", 9.0, (2.0, 3.0))
        .set("pn", 25.0, (FROM, FROM + 0.05))
        .limit(|_| 60.0)
        .noted(FROM, "pn", "bolus_start", "")
        .noted(FROM + 0.05, "pn", "bolus_end", "");
    scene.restart_min = 5.0;
    settings(scene, Onset::UpToAlarm(FROM))
}

/// The limit is set below what this rate always needed, and put back after some alarms.
pub fn lowered_limit(channels: usize, files: Files) -> Scene {
    let mut scene = line(channels, files)
        .pauses(&[(2.0, 2.2)])
        .limit(|at| {
            if FROM <= at.h && at.h < FROM + 0.4 {
                15.0
            } else {
                150.0
            }
        })
        .noted(FROM, "", "limit_change", "15")
        .noted(FROM + 0.4, "", "limit_change", "150");
    scene.restart_min = 8.0;
    settings(scene, Onset::At(FROM))
}

/// A limit lowered at a quiet rate, below what a rate needed that ran hours before and is set again.
pub fn limit_below_an_old_rate(channels: usize, files: Files) -> Scene {
    let mut scene = line(channels, files)
        .set("pn", 12.0, (1.0, 2.0))
        .set("pn", 12.0, (FROM, FROM + 0.4))
        .limit(|at| if at.h < 3.0 { 150.0 } else { 35.0 })
        .noted(3.0, "", "limit_change", "35");
    scene.restart_min = 8.0;
    settings(scene, Onset::UpToAlarm(FROM))
}
