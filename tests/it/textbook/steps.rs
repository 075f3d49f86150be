//! What comes from one minute to the next: closed clamps and kinks, below the filter or on one channel.

use super::lines::line;
use super::scene::{At, Files, Onset, Scene, Wanted};
use super::solver::CLOSED;
use patency::infer::Site;

/// Hour at which it happens.
const FROM: f64 = 5.0;

/// Closed from [`FROM`] until so many minutes after the alarm of this number.
fn closed(at: &At, number: usize, minutes: f64) -> f64 {
    let shut = FROM <= at.h && !at.after_alarm(number, minutes);
    if shut { CLOSED } else { 1.0 }
}

/// The same for one channel of the line, whose resistance is that of its tubing.
fn clamped(scene: Scene, id: &'static str, number: usize) -> Scene {
    let mut scene = scene
        .tubing(id, move |at| closed(at, number, 8.0))
        .step(Site::Tubing, FROM);
    scene.noted_after_alarm.push((0.2, id, "alarm_cleared"));
    scene
}

/// A clamp below the filter is closed: every channel climbs straight, all at ΣQ/ΣC; opened after the alarm.
pub fn clamp_below(channels: usize, files: Files) -> Scene {
    line(channels, files)
        .catheter(|at| closed(at, 1, 8.0))
        .step(Site::Catheter, FROM)
}

/// The same with a pause in the quiet hours, which shows pressure at zero flow.
pub fn clamp_below_after_pause(channels: usize, files: Files) -> Scene {
    clamp_below(channels, files).pauses(&[(2.0, 2.25)])
}

/// The clamp is opened only after the third alarm: each restart rings again at once.
pub fn clamp_below_three_alarms(channels: usize, files: Files) -> Scene {
    let mut scene = line(channels, files)
        .catheter(move |at| closed(at, 2 * channels + 1, 2.0))
        .step(Site::Catheter, FROM);
    scene.restart_min = 4.0;
    scene
}

/// One channel alone climbs straight: without anything else, the clamp may be anywhere between pump and vein.
pub fn clamp_on_a_lone_channel(files: Files) -> Scene {
    line(1, files)
        .catheter(|at| closed(at, 1, 8.0))
        .step(Site::Catheter, FROM)
        .expect(Wanted::Undetermined, None, Onset::At(FROM))
}

/// A thicker relaxation and several pauses show how much elastic line there is; the climb fills all of it, or only what lies
/// above the join.
fn lone_with_pauses(files: Files) -> Scene {
    let mut scene = line(1, files)
        .pauses(&[(1.0, 1.25), (2.0, 2.25), (3.0, 3.25), (4.0, 4.25)])
        .over(7.0, 5);
    scene.parts.catheter = 8.0;
    scene.parts.join_compliance = 0.4e-3;
    scene.parts.tail_compliance = 0.4e-3;
    scene
}

pub fn lone_climb_fills_the_whole_line(files: Files) -> Scene {
    lone_with_pauses(files)
        .catheter(|at| closed(at, 1, 8.0))
        .step(Site::Catheter, FROM)
}

pub fn lone_climb_fills_its_own_tubing(files: Files) -> Scene {
    lone_with_pauses(files)
        .tubing("pn", |at| closed(at, 1, 8.0))
        .step(Site::Tubing, FROM)
}

/// Staff wrote down that they opened the clamp of the channel that had alarmed.
pub fn lone_clamp_that_was_found() -> Scene {
    let mut scene = line(1, super::scene::BOTH)
        .tubing("pn", |at| closed(at, 1, 8.0))
        .step(Site::Tubing, FROM);
    scene.noted_after_alarm.push((8.0, "pn", "clamp_opened"));
    scene
}

/// A kink below the filter that leaves a quarter of the flow's ease: all channels go to a new level and stay.
pub fn kink_below(channels: usize, files: Files) -> Scene {
    line(channels, files)
        .catheter(|at| if FROM <= at.h { 4.0 } else { 1.0 })
        .step(Site::Catheter, FROM)
}

/// One channel alone goes to a new level: tubing or below, nothing can tell.
pub fn kink_on_a_lone_channel(files: Files) -> Scene {
    kink_below(1, files).expect(Wanted::Undetermined, None, Onset::At(FROM))
}

/// A clamp on one channel's tubing: that one climbs, the others fall by what it no longer sends through the shared part.
pub fn clamp_on(id: &'static str, channels: usize, files: Files) -> Scene {
    clamped(line(channels, files), id, 1)
}

pub fn clamp_on_three_alarms(id: &'static str, channels: usize, files: Files) -> Scene {
    let mut scene = clamped(line(channels, files), id, 3);
    scene.restart_min = 4.0;
    scene
}

/// The same on lipid at a slow rate beside a faster channel: twenty minutes and more to the alarm.
pub fn clamp_on_slow_lipid(rate: f64, files: Files) -> Scene {
    clamped(line(2, files).set("lipid", rate, (0.0, 99.0)), "lipid", 1)
}

/// A kink in one channel's tubing: 30 mmHg more for that channel, the same as before for the other once it has settled.
pub fn kink_on(id: &'static str, files: Files) -> Scene {
    let scene = line(2, files);
    let index = scene.index(id);
    let rate = if id == "lipid" { 1.0 } else { 5.0 };
    let kinked = 1.0 + 30.0 / rate / scene.parts.channels[index].0;
    scene
        .tubing(id, move |at| if FROM <= at.h { kinked } else { 1.0 })
        .step(Site::Tubing, FROM)
}
