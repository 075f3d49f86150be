//! The truth file: what really happened, in the words and units of the contract's review.
//!
//! In: the day. Out: JSON, schema `patency.truth/1`. Its fields are explained in `sample-traces/README.md`.

use super::can_tell::{self, Reason};
use super::day::{Day, Told};
use super::elastic::column;
use super::scenario::Scenario;
use crate::error::{Error, Result};
use crate::time::{Clock, TimeText};
use serde::Serialize;
use serde_json::Value;

#[derive(Serialize)]
struct Truth<'a> {
    schema: &'static str,
    scenario: &'a str,
    seed: u64,
    duration_h: f64,
    channels: Vec<TrueChannel<'a>>,
    episodes: Vec<TrueEpisode<'a>>,
}

#[derive(Serialize)]
struct TrueChannel<'a> {
    id: &'a str,
    compliance_ul_per_mmhg: f64,
    resistance_mmhg_h_per_ml: f64,
    outlet_pressure_mmhg: f64,
}

#[derive(Serialize)]
struct TrueEpisode<'a> {
    id: usize,
    channels: &'a [String],
    site: &'static str,
    cause: &'static str,
    variant: Option<&'static str>,
    course: &'static str,
    began: Value,
    onset: Option<Value>,
    end: Option<Value>,
    alarm: Option<Value>,
    other_alarm: Option<Value>,
    reached: bool,
    visible: bool,
    peak_ratio: f64,
    effect_mmhg: f64,
    running_s: f64,
    release_volume_ml: Option<f64>,
    can_tell: Option<bool>,
    can_tell_from: Vec<Reason>,
}

/// The truth file's text.
pub(super) fn json(scenario: &Scenario, seed: u64, day: &Day, clock: &Clock) -> Result<String> {
    let truth = Truth {
        schema: "patency.truth/1",
        scenario: &scenario.name,
        seed,
        duration_h: scenario.duration_h,
        channels: channels(scenario, day),
        episodes: day
            .told
            .iter()
            .enumerate()
            .map(|(i, told)| episode(i + 1, told, scenario, day, clock))
            .collect(),
    };
    let mut text = serde_json::to_string_pretty(&truth)
        .map_err(|e| Error::new(format!("the truth could not be written as JSON: {e}")))?;
    text.push('\n');
    Ok(text)
}

fn channels<'a>(scenario: &'a Scenario, day: &Day) -> Vec<TrueChannel<'a>> {
    scenario
        .channels
        .iter()
        .zip(day.baselines.iter().zip(&day.compliances))
        .map(|(c, (&baseline, &compliance))| TrueChannel {
            id: &c.id,
            compliance_ul_per_mmhg: rounded(compliance),
            resistance_mmhg_h_per_ml: rounded(baseline),
            outlet_pressure_mmhg: rounded(
                scenario.vein.pressure_mmhg - column(c.height_cm) + scenario.sensor.zero_mmhg,
            ),
        })
        .collect()
}

fn episode<'a>(
    id: usize,
    told: &'a Told,
    scenario: &Scenario,
    day: &Day,
    clock: &Clock,
) -> TrueEpisode<'a> {
    let (site, cause, variant) = told.words;
    let stretch = &told.stretch;
    let doubtful = can_tell::doubtful(told);
    let at = |t_s: f64| match clock.text((t_s * 10.0).round() / 10.0) {
        TimeText::Rfc3339(text) => Value::from(text),
        TimeText::Seconds(s) => Value::from(s),
    };
    let reasons = can_tell::reasons(told, scenario, day);
    let obstructs = ["tubing", "filter", "catheter"].contains(&site);
    let end_s = stretch.end_s.unwrap_or(scenario.duration_h * 3600.0);
    let alarmed = stretch.alarm_s.is_some() || stretch.other_alarm_s.is_some();
    let visible = visible(told, scenario);
    TrueEpisode {
        id,
        channels: &told.channels,
        site,
        cause,
        variant,
        course: course(told),
        began: at(stretch.began_s),
        onset: stretch.onset_s.map(at),
        end: stretch.end_s.map(at),
        alarm: stretch.alarm_s.map(at),
        other_alarm: stretch.other_alarm_s.map(at),
        reached: alarmed || visible,
        visible,
        peak_ratio: rounded(stretch.peak_ratio),
        effect_mmhg: rounded(stretch.effect_mmhg),
        running_s: stretch
            .onset_s
            .map_or(0.0, |t| rounded(can_tell::running(&day.flows, t, end_s))),
        release_volume_ml: stretch.held_ml.filter(|_| obstructs).map(rounded),
        can_tell: doubtful.then_some(!reasons.is_empty()),
        can_tell_from: reasons,
    }
}

/// Whether a cause grows rather than comes.
pub(super) fn is_gradual(cause: &str) -> bool {
    cause.starts_with("filter-") || cause == "catheter-narrowing"
}

fn course(told: &Told) -> &'static str {
    if is_gradual(told.words.1) {
        "gradual"
    } else if 2 <= told.stretch.times {
        "intermittent"
    } else {
        "step"
    }
}

/// Without any alarm an episode counts where the resistance below the pump (of an obstruction below it) stood
/// at 1.5 times and that, or what else went wrong, could be seen: it moved a running channel's pressure by more
/// than noise, pulsation, rounding or the vein's wander (three times) hide, and by 2 mmHg at least.
fn visible(told: &Told, scenario: &Scenario) -> bool {
    let stretch = &told.stretch;
    let ripple = scenario
        .channels
        .iter()
        .map(|c| c.pump.ripple_mmhg)
        .fold(0.0, f64::max);
    let least = [
        2.0,
        scenario.sensor.noise_mmhg,
        scenario.sampling.rounding_mmhg,
        ripple / 2.0,
        3.0 * scenario.vein.wander_mmhg,
    ]
    .into_iter()
    .fold(0.0, f64::max);
    let seen = least <= stretch.effect_mmhg;
    match told.words.0 {
        "settings" => false,
        "supply" | "none" => seen,
        _ => seen && super::episodes::ONSET_RATIO <= stretch.peak_ratio,
    }
}

/// Six significant digits: what the step of the simulation makes of the rest is not truth.
fn rounded(value: f64) -> f64 {
    format!("{value:.5e}").parse().unwrap_or(value)
}
