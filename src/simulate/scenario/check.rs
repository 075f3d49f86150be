//! Checks of a scenario: what contradicts itself or cannot be run is an error that names the key.

use super::{Answer, Blocking, Cause, Do, Episode, Position, Scenario};
use crate::error::{Error, Result};

/// More rows than this would fill a disk by mistake.
const MOST_ROWS: f64 = 20e6;

fn wrong(key: &str, expected: &str) -> Error {
    Error::new(format!("scenario: `{key}`: expected {expected}"))
        .hint("the scenarios in sample-traces show every table")
}

fn within(key: &str, value: f64, low: f64, high: f64) -> Result<()> {
    if low <= value && value <= high {
        Ok(())
    } else {
        Err(wrong(
            key,
            &format!("a number from {low} to {high}, found {value}"),
        ))
    }
}

impl Scenario {
    /// Errors where a number is out of range, a channel is named that is not there, or a cause lacks its channel.
    pub(in super::super) fn check(&self) -> Result<()> {
        within("duration_h", self.duration_h, 0.01, 24.0 * 60.0)?;
        within("staff_answer_min", self.staff_answer_min, 0.0, 1e4)?;
        self.check_channels()?;
        self.check_parts()?;
        let rows = self.duration_h * 3600.0 / self.sampling.period_s * self.channels.len() as f64;
        if MOST_ROWS < rows {
            return Err(wrong("sampling.period_s", "at most 20 million rows in all"));
        }
        for (index, act) in self.acts.iter().enumerate() {
            let key = format!("act {}", index + 1);
            within(&format!("{key}.at_h"), act.at_h, 0.0, self.duration_h)?;
            self.check_named(&key, act.channel.as_deref())?;
            let value_and_minutes = Answer {
                what: act.what,
                after_min: None,
                at_h: None,
                value: act.value,
                minutes: act.minutes,
                detail: String::new(),
                logged: true,
            };
            check_do(&key, &value_and_minutes)?;
        }
        for (index, episode) in self.episodes.iter().enumerate() {
            self.check_episode(&format!("episode {}", index + 1), episode)?;
        }
        Ok(())
    }

    fn check_channels(&self) -> Result<()> {
        if self.channels.is_empty() || 3 < self.channels.len() {
            return Err(wrong("channel", "one to three channels"));
        }
        for (index, c) in self.channels.iter().enumerate() {
            let key = |name: &str| format!("channel {}.{name}", index + 1);
            if c.id.is_empty() || self.channels.iter().filter(|o| o.id == c.id).count() != 1 {
                return Err(wrong(&key("id"), "a name of its own"));
            }
            within(&key("rate_ml_h"), c.rate_ml_h, 0.0, 2000.0)?;
            within(&key("limit_mmhg"), c.limit_mmhg, 1.0, 5000.0)?;
            within(
                &key("compliance_ul_per_mmhg"),
                c.compliance_ul_per_mmhg,
                1e-3,
                100.0,
            )?;
            within(&key("tube_share"), c.tube_share, 0.0, 0.95)?;
            within(&key("softening"), c.softening, 0.0, 1.0)?;
            within(
                &key("resistance_mmhg_h_per_ml"),
                c.resistance_mmhg_h_per_ml,
                1e-4,
                1e4,
            )?;
            within(&key("height_cm"), c.height_cm, -200.0, 200.0)?;
            within(&key("pump.ripple_mmhg"), c.pump.ripple_mmhg, 0.0, 200.0)?;
            within(&key("pump.stroke_ml"), c.pump.stroke_ml, 1e-4, 10.0)?;
            within(&key("pump.stick_ml"), c.pump.stick_ml, 0.0, 1.0)?;
            within(&key("pump.stick_share"), c.pump.stick_share, 0.0, 1.0)?;
            within(&key("pump.play_ml"), c.pump.play_ml, 0.0, 5.0)?;
            within(
                &key("pump.alarm_latency_s"),
                c.pump.alarm_latency_s,
                0.0,
                120.0,
            )?;
        }
        Ok(())
    }

    fn check_parts(&self) -> Result<()> {
        let s = &self.sampling;
        within("sampling.period_s", s.period_s, 1.0, 3600.0)?;
        within("sampling.change_mmhg", s.change_mmhg, 0.0, 1000.0)?;
        within("sampling.stagger_s", s.stagger_s, 0.0, 3600.0)?;
        within("sampling.rounding_mmhg", s.rounding_mmhg, 0.0, 100.0)?;
        within("sampling.missing", s.missing, 0.0, 1.0)?;
        within("sampling.given.line_error", s.given.line_error, 0.0, 1.0)?;
        for gap in &s.gaps {
            within("sampling.gaps.at_h", gap.at_h, 0.0, self.duration_h)?;
            within("sampling.gaps.minutes", gap.minutes, 0.0, 1e5)?;
            self.check_named("sampling.gaps", gap.channel.as_deref())?;
        }
        within("sensor.noise_mmhg", self.sensor.noise_mmhg, 0.0, 100.0)?;
        within("sensor.zero_mmhg", self.sensor.zero_mmhg, -100.0, 100.0)?;
        within(
            "sensor.drift_mmhg_per_day",
            self.sensor.drift_mmhg_per_day,
            -500.0,
            500.0,
        )?;
        within("vein.pressure_mmhg", self.vein.pressure_mmhg, -50.0, 100.0)?;
        within("vein.wander_mmhg", self.vein.wander_mmhg, 0.0, 50.0)?;
        within("vein.breathing_mmhg", self.vein.breathing_mmhg, 0.0, 50.0)?;
        let a = &self.artefacts;
        for (key, value) in [
            ("artefacts.coughs_per_h", a.coughs_per_h),
            ("artefacts.cough_mmhg", a.cough_mmhg),
            ("artefacts.touches_per_h", a.touches_per_h),
            ("artefacts.touch_mmhg", a.touch_mmhg),
        ] {
            within(key, value, 0.0, 1000.0)?;
        }
        let l = &self.line;
        if !["picc", "cvc", "umbilical", "midline", "peripheral"].contains(&l.access.kind.as_str())
        {
            return Err(wrong(
                "line.access.kind",
                "picc, cvc, umbilical, midline or peripheral",
            ));
        }
        for (key, value) in [
            ("line.access.inner_diameter_mm", l.access.inner_diameter_mm),
            ("line.access.length_cm", l.access.length_cm),
            (
                "line.access.resistance_mmhg_h_per_ml",
                l.access.resistance_mmhg_h_per_ml,
            ),
            ("line.filter.pore_um", l.filter.pore_um),
            (
                "line.filter.resistance_mmhg_h_per_ml",
                l.filter.resistance_mmhg_h_per_ml,
            ),
            (
                "line.filter.compliance_ul_per_mmhg",
                l.filter.compliance_ul_per_mmhg,
            ),
            (
                "line.tail.compliance_ul_per_mmhg",
                l.tail.compliance_ul_per_mmhg,
            ),
        ] {
            within(key, value, 1e-4, 1e4)?;
        }
        within(
            "line.filter.placed_h",
            l.filter.placed_h,
            -1000.0,
            self.duration_h,
        )?;
        match (l.filter.position, l.filter.channel.as_deref()) {
            (Position::AboveJoin, None) => Err(wrong(
                "line.filter.channel",
                "the channel that the filter sits in",
            )),
            (_, channel) => self.check_named("line.filter", channel),
        }
    }

    fn check_named(&self, key: &str, channel: Option<&str>) -> Result<()> {
        match channel {
            Some(id) if self.channel_index(id).is_none() => Err(wrong(
                &format!("{key}.channel"),
                &format!("one of the scenario's channels, found `{id}`"),
            )),
            _ => Ok(()),
        }
    }

    fn check_episode(&self, key: &str, episode: &Episode) -> Result<()> {
        within(&format!("{key}.at_h"), episode.at_h, 0.0, self.duration_h)?;
        if let Some(until_h) = episode.until_h {
            within(&format!("{key}.until_h"), until_h, episode.at_h, 1e6)?;
        }
        self.check_named(key, episode.channel.as_deref())?;
        if episode.cause.names_a_channel() && episode.channel.is_none() {
            return Err(wrong(
                &format!("{key}.channel"),
                "the channel that this cause concerns",
            ));
        }
        if episode.cause.is_filter() && self.line.filter.position == Position::None {
            return Err(wrong(
                &format!("{key}.cause"),
                "a line with a filter, for a filter that blocks",
            ));
        }
        check_cause(&format!("{key}.cause"), &episode.cause)?;
        for answer in &episode.answers {
            check_do(&format!("{key}.answer"), answer)?;
        }
        Ok(())
    }
}

fn check_do(key: &str, answer: &Answer) -> Result<()> {
    let value = answer.value.unwrap_or(f64::NAN);
    match answer.what {
        Do::RateChange => within(&format!("{key}.value"), value, 0.0, 2000.0)?,
        Do::LimitChange => within(&format!("{key}.value"), value, 1.0, 5000.0)?,
        Do::Flush => within(&format!("{key}.value"), value, 0.0, 1.0)?,
        _ => {}
    }
    within(
        &format!("{key}.minutes"),
        answer.minutes.unwrap_or(0.0),
        0.0,
        1e5,
    )?;
    within(
        &format!("{key}.after_min"),
        answer.after_min.unwrap_or(0.0),
        0.0,
        1e5,
    )?;
    within(&format!("{key}.at_h"), answer.at_h.unwrap_or(0.0), 0.0, 1e6)
}

fn check_blocking(key: &str, b: &Blocking) -> Result<()> {
    for value in [
        b.complete_per_ml,
        b.standard_per_ml,
        b.intermediate_per_ml,
        b.cake_per_ml,
    ] {
        within(&format!("{key}.blocking"), value, 0.0, 1e4)?;
    }
    Ok(())
}

fn check_cause(key: &str, cause: &Cause) -> Result<()> {
    let number = |name: &str, value: f64, low: f64, high: f64| {
        within(&format!("{key}.{name}"), value, low, high)
    };
    match cause {
        Cause::SupplyStopped {
            fade_s,
            alarm_after_min,
            ..
        } => {
            number("fade_s", *fade_s, 0.1, 1e5)?;
            number("alarm_after_min", alarm_after_min.unwrap_or(0.0), 0.0, 1e5)
        }
        Cause::TubingBlocked {
            resistance_mmhg_h_per_ml: r,
            ..
        }
        | Cause::CatheterBlocked {
            resistance_mmhg_h_per_ml: r,
            ..
        } => number("resistance_mmhg_h_per_ml", r.unwrap_or(1.0), 0.0, 1e6),
        Cause::CatheterPositional {
            resistance_mmhg_h_per_ml: r,
            on_min,
            off_min,
            moves_logged,
        } => {
            number("resistance_mmhg_h_per_ml", r.unwrap_or(1.0), 0.0, 1e6)?;
            number("on_min", *on_min, 0.05, 1e5)?;
            number("off_min", *off_min, 0.05, 1e5)?;
            number("moves_logged", *moves_logged, 0.0, 1.0)
        }
        Cause::FilterLoading {
            blocking,
            unevenness,
            ceiling,
            ..
        } => {
            number("unevenness", *unevenness, 0.0, 5.0)?;
            number("ceiling", ceiling.unwrap_or(2.0), 1.0, 1e6)?;
            check_blocking(key, blocking)
        }
        Cause::FilterSettling {
            per_pause_hour,
            least_pause_min,
            over_ml,
            blocking,
            unevenness,
        } => {
            number("per_pause_hour", *per_pause_hour, 0.0, 100.0)?;
            number("least_pause_min", *least_pause_min, 0.0, 1e4)?;
            number("over_ml", *over_ml, 1e-3, 100.0)?;
            number("unevenness", *unevenness, 0.0, 5.0)?;
            check_blocking(key, blocking)
        }
        Cause::FilterPrecipitate {
            blocking,
            unevenness,
            loads_for_min,
        } => {
            number("unevenness", *unevenness, 0.0, 5.0)?;
            number("loads_for_min", loads_for_min.unwrap_or(1.0), 0.0, 1e5)?;
            check_blocking(key, blocking)
        }
        Cause::CatheterNarrowing {
            reaches,
            over_h,
            shape,
            unevenness,
            pause_speed,
        } => {
            number("reaches", *reaches, 1.0, 1e4)?;
            number("over_h", *over_h, 0.01, 1e4)?;
            number("shape", *shape, 0.1, 10.0)?;
            number("unevenness", *unevenness, 0.0, 5.0)?;
            number("pause_speed", *pause_speed, 0.0, 100.0)
        }
        Cause::LimitTooLow {
            rate_ml_h,
            limit_mmhg,
        } => {
            number("rate_ml_h", rate_ml_h.unwrap_or(0.0), 0.0, 2000.0)?;
            number("limit_mmhg", limit_mmhg.unwrap_or(1.0), 1.0, 5000.0)
        }
        Cause::HeightChange { by_cm, .. } => number("by_cm", *by_cm, -300.0, 300.0),
        Cause::Artefact { mmhg, seconds } => {
            number("mmhg", *mmhg, -5000.0, 5000.0)?;
            number("seconds", *seconds, 0.1, 1e5)
        }
    }
}
