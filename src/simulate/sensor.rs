//! What the sensors read: the line's pressure with all that disturbs it, noised and rounded; and when rows are written.
//!
//! In: pressures of the line at a moment. Out: readings and rows of the trace.

use super::noise::{Purpose, Wander, exponential, normal, stream};
use super::scenario::{Artefacts, Scenario};
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use std::f64::consts::{PI, TAU};

/// On change, a row is written after this time in any case, s.
const HEARTBEAT_S: f64 = 900.0;

/// What stands behind a reading, mmHg: for what the record can tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Behind {
    /// By how much each pump's line stands above what it would with nothing wrong.
    pub moved_mmhg: [f64; 3],
    /// What artefacts and touches add to this sensor.
    pub brief_mmhg: f64,
}

/// A row of the trace.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    pub t_s: f64,
    pub channel: usize,
    pub pressure_mmhg: Option<f64>,
    pub rate_ml_h: f64,
    pub volume_ml: f64,
    pub limit_mmhg: f64,
    pub behind: Behind,
}

/// Short bumps over the whole record.
#[derive(Debug, Clone, Default)]
struct Bumps {
    /// `(start, length, height)`, by start.
    list: Vec<(f64, f64, f64)>,
    longest_s: f64,
}

impl Bumps {
    fn scatter(mut rng: ChaCha8Rng, per_h: f64, height: f64, usual_s: f64, end_s: f64) -> Self {
        let mut bumps = Bumps::default();
        if per_h <= 0.0 || height <= 0.0 {
            return bumps;
        }
        let mut t = exponential(&mut rng, 3600.0 / per_h);
        while t < end_s {
            // most last seconds, a few (crying) a minute: a logarithm that spreads by 0.8
            let length = (usual_s * (0.8 * normal(&mut rng)).exp()).clamp(0.5, 90.0);
            let high = height * (0.5 * normal(&mut rng)).exp();
            bumps.list.push((t, length, high));
            bumps.longest_s = bumps.longest_s.max(length);
            t += exponential(&mut rng, 3600.0 / per_h);
        }
        bumps
    }

    fn at(&self, t_s: f64) -> f64 {
        let from = self.list.partition_point(|b| b.0 < t_s - self.longest_s);
        self.list[from..]
            .iter()
            .take_while(|b| b.0 <= t_s)
            .filter(|b| t_s < b.0 + b.1)
            .map(|b| b.2 * (PI * (t_s - b.0) / b.1).sin())
            .sum()
    }
}

/// A cough that is over still moves what lies behind the line's storage for so long, s.
const COUGH_LASTS_S: f64 = 60.0;

/// What disturbs the vein.
#[derive(Debug, Clone)]
pub(super) struct VeinPressure {
    mean_mmhg: f64,
    wander_mmhg: f64,
    wander: Wander,
    coughs: Bumps,
}

impl VeinPressure {
    pub fn new(scenario: &Scenario, seed: u64) -> Self {
        let end_s = scenario.duration_h * 3600.0;
        let Artefacts {
            coughs_per_h,
            cough_mmhg,
            ..
        } = scenario.artefacts;
        Self {
            mean_mmhg: scenario.vein.pressure_mmhg,
            wander_mmhg: scenario.vein.wander_mmhg,
            wander: Wander::new(stream(seed, Purpose::Vein, 0), 1800.0),
            coughs: Bumps::scatter(
                stream(seed, Purpose::Coughs, 0),
                coughs_per_h,
                cough_mmhg,
                4.0,
                end_s,
            ),
        }
    }

    /// Whether a cough moves the line at a moment.
    pub fn coughs(&self, t_s: f64) -> bool {
        let from = t_s - self.coughs.longest_s - COUGH_LASTS_S;
        let first = self.coughs.list.partition_point(|b| b.0 < from);
        self.coughs.list[first..]
            .iter()
            .take_while(|b| b.0 <= t_s)
            .any(|b| t_s < b.0 + b.1 + COUGH_LASTS_S)
    }

    /// Pressure at the tip, `dt_s` after the last call.
    pub fn at(&mut self, t_s: f64, dt_s: f64) -> f64 {
        self.mean_mmhg + self.wander_mmhg * self.wander.move_on(dt_s) + self.coughs.at(t_s)
    }
}

/// One channel's sensor.
#[derive(Debug, Clone)]
pub(super) struct Gauge {
    zero_mmhg: f64,
    drift_mmhg_per_s: f64,
    noise_mmhg: f64,
    rounding_mmhg: f64,
    breathing_mmhg: f64,
    ripple_mmhg: f64,
    stroke_ml: f64,
    missing: f64,
    touches: Bumps,
    noise: ChaCha8Rng,
    misses: ChaCha8Rng,
}

impl Gauge {
    /// `breathing_reaches`: the share of the vein's breathing that passes the line.
    pub fn new(scenario: &Scenario, index: usize, seed: u64, breathing_reaches: f64) -> Self {
        let channel = &scenario.channels[index];
        let a = &scenario.artefacts;
        Self {
            zero_mmhg: scenario.sensor.zero_mmhg,
            drift_mmhg_per_s: scenario.sensor.drift_mmhg_per_day / 86_400.0,
            noise_mmhg: scenario.sensor.noise_mmhg,
            rounding_mmhg: scenario.sampling.rounding_mmhg,
            breathing_mmhg: scenario.vein.breathing_mmhg * breathing_reaches,
            ripple_mmhg: channel.pump.ripple_mmhg,
            stroke_ml: channel.pump.stroke_ml,
            missing: scenario.sampling.missing,
            touches: Bumps::scatter(
                stream(seed, Purpose::Touches, index),
                a.touches_per_h,
                a.touch_mmhg,
                3.0,
                scenario.duration_h * 3600.0,
            ),
            noise: stream(seed, Purpose::Sensor, index),
            misses: stream(seed, Purpose::Missing, index),
        }
    }

    /// What touches of the line add at a moment.
    pub fn touch(&self, t_s: f64) -> f64 {
        self.touches.at(t_s)
    }

    /// The reading that the pump's alarm goes by: without noise, for the pump smooths it.
    pub fn smooth(&self, t_s: f64, line_mmhg: f64) -> f64 {
        line_mmhg + self.zero_mmhg + self.drift_mmhg_per_s * t_s + self.touch(t_s)
    }

    /// The reading that is written: noised and rounded; `None` where it is missing.
    pub fn written(
        &mut self,
        t_s: f64,
        line_mmhg: f64,
        counter_ml: f64,
        runs: bool,
    ) -> Option<f64> {
        let ripple = if runs {
            self.ripple_mmhg * (TAU * counter_ml / self.stroke_ml).sin()
        } else {
            0.0
        };
        // Rows are further apart than breaths, or nearly so: the phase at which one falls is as good as random.
        let breath = self.breathing_mmhg * (TAU * self.noise.random::<f64>()).sin();
        let white = self.noise_mmhg * normal(&mut self.noise);
        let value = self.smooth(t_s, line_mmhg) + ripple + breath + white;
        let missed = self.misses.random::<f64>() < self.missing;
        let step = if 0.0 < self.rounding_mmhg {
            self.rounding_mmhg
        } else {
            0.01
        };
        (!missed).then(|| (value / step).round() * step)
    }
}

/// When the rows of a channel are written.
#[derive(Debug, Clone)]
pub(super) struct Logger {
    looks: u64,
    period_s: f64,
    shift_s: f64,
    on_change: bool,
    change_mmhg: f64,
    last: Option<Row>,
    /// Stretches without rows, s.
    gaps: Vec<(f64, f64)>,
}

impl Logger {
    pub fn new(scenario: &Scenario, index: usize) -> Self {
        let s = &scenario.sampling;
        let here = &scenario.channels[index].id;
        Self {
            looks: 0,
            period_s: s.period_s,
            shift_s: s.stagger_s * index as f64,
            on_change: s.on_change,
            change_mmhg: s.change_mmhg,
            last: None,
            gaps: s
                .gaps
                .iter()
                .filter(|g| g.channel.as_ref().is_none_or(|c| c == here))
                .map(|g| (g.at_h * 3600.0, g.at_h * 3600.0 + g.minutes * 60.0))
                .collect(),
        }
    }

    /// The next moment at which it looks, s.
    pub fn next_s(&self) -> f64 {
        self.looks as f64 * self.period_s + self.shift_s
    }

    /// Takes what was read at [`Logger::next_s`]; gives it back where it is to be written.
    pub fn take(&mut self, row: Row) -> Option<Row> {
        self.looks += 1;
        if self.gaps.iter().any(|g| g.0 <= row.t_s && row.t_s < g.1) {
            return None;
        }
        if self.on_change
            && let Some(last) = &self.last
        {
            let moved = match (last.pressure_mmhg, row.pressure_mmhg) {
                (Some(a), Some(b)) => self.change_mmhg <= (a - b).abs(),
                (a, b) => a.is_some() != b.is_some(),
            };
            let same = last.rate_ml_h == row.rate_ml_h && last.limit_mmhg == row.limit_mmhg;
            if same && !moved && row.t_s < last.t_s + HEARTBEAT_S {
                return None;
            }
        }
        self.last = Some(row.clone());
        Some(row)
    }
}
