//! Runs a scene second by second: pumps, alarms and restarts, and the rows that the pump's log would hold.

use super::scene::{At, Noted, Scene};
use super::solver::State;
use std::fmt::Write;

/// One second, hours.
const SECOND_H: f64 = 1.0 / 3600.0;
/// A pump that starts rings only after so many seconds (1 to 10 s are common practice, no source).
const LAG_S: f64 = 12.0;

/// A scene under way.
pub struct Run<'a> {
    scene: &'a Scene,
    state: State,
    noise: Noise,
    /// Resistance below the first pump, open.
    base: f64,
    /// What each pump is set to, mL/h.
    set: Vec<f64>,
    volume_ml: Vec<f64>,
    /// Hour until which an alarm stops a pump, and hour at which it last started after one.
    stopped_until: Vec<Option<f64>>,
    started_h: Vec<f64>,
    pub trace: String,
    pub events: Vec<Noted>,
    pub alarms_h: Vec<f64>,
    /// Hour, and how many times its open one the resistance below the first pump is.
    pub grown: Vec<(f64, f64)>,
}

impl<'a> Run<'a> {
    /// The line in its steady state at the first rates.
    pub fn new(scene: &'a Scene) -> Self {
        let n = scene.ids.len();
        let first = At {
            h: 0.0,
            filtered_ml: 0.0,
            alarms_h: &[],
        };
        let set: Vec<f64> = (0..n).map(|i| (scene.rate)(i, &first)).collect();
        let now = scene.now(&first);
        let mut state = State::at_rest(n, now.outlet);
        state.run(&scene.parts, &now, &set, 3600.0);
        state.filtered_ml = 0.0;
        Self {
            scene,
            state,
            noise: Noise(11),
            base: now.tubing[0] + now.filter + now.catheter,
            set,
            volume_ml: vec![0.0; n],
            stopped_until: vec![None; n],
            started_h: vec![f64::NEG_INFINITY; n],
            trace: "time,channel,pressure_mmhg,rate_ml_h,volume_ml,limit_mmhg\n".into(),
            events: Vec::new(),
            alarms_h: Vec::new(),
            grown: Vec::new(),
        }
    }

    /// What happens in a second: settings, alarms, a row, and then the line.
    pub fn second(&mut self, s: u32) {
        let h = f64::from(s) * SECOND_H;
        let n = self.set.len();
        let at = At {
            h,
            filtered_ml: self.state.filtered_ml,
            alarms_h: &self.alarms_h,
        };
        let scene = self.scene;
        let wished: Vec<f64> = (0..n).map(|i| (scene.rate)(i, &at)).collect();
        let wet: Vec<bool> = (0..n).map(|i| (scene.supplied)(i, &at)).collect();
        let (now, limit) = (scene.now(&at), (scene.limit)(&at));
        self.note_settings(h, &wished);
        self.set = wished;
        self.alarms(h, limit);
        if s.is_multiple_of(scene.period_s) {
            self.rows(s, limit);
        }
        let below = now.tubing[0] + now.filter + now.catheter;
        self.grown.push((h, below / self.base));
        let flow = |i: usize| if wet[i] { self.runs_at(i) } else { 0.0 };
        let flows: Vec<f64> = (0..n).map(flow).collect();
        self.state.run(&scene.parts, &now, &flows, 1.0);
        for i in 0..n {
            self.volume_ml[i] += self.runs_at(i) * SECOND_H;
        }
    }

    fn runs_at(&self, i: usize) -> f64 {
        if self.stopped_until[i].is_some() {
            0.0
        } else {
            self.set[i]
        }
    }

    /// Restarts that are due, and pumps that reach the limit; who starts one pump again starts all of them.
    fn alarms(&mut self, h: f64, limit: f64) {
        for (i, &id) in self.scene.ids.iter().enumerate() {
            if self.stopped_until[i].is_some_and(|t| t <= h) {
                self.stopped_until[i] = None;
                self.started_h[i] = h;
                self.events.push((h, id, "resume", String::new()));
            }
            let looks = LAG_S * SECOND_H <= h - self.started_h[i];
            if looks && 0.0 < self.runs_at(i) && limit <= self.state.pumps[i] {
                let together = self.stopped_until.iter().flatten().copied().next();
                let until = together.unwrap_or(h + self.scene.restart_min / 60.0);
                self.stopped_until[i] = Some(until);
                self.alarms_h.push(h);
                self.events.push((h, id, "occlusion_alarm", String::new()));
            }
        }
    }

    fn rows(&mut self, s: u32, limit: f64) {
        let scene = self.scene;
        for (i, id) in scene.ids.iter().enumerate() {
            let read = self.state.pumps[i] + scene.noise * self.noise.next();
            let read = (read / scene.rounded_to).round() * scene.rounded_to;
            let (rate, ml) = (self.runs_at(i), self.volume_ml[i]);
            writeln!(self.trace, "{s},{id},{read:.1},{rate},{ml:.3},{limit}").unwrap();
        }
    }

    /// What the pumps themselves write: pauses of all, stops of one, changes of a rate.
    fn note_settings(&mut self, h: f64, wished: &[f64]) {
        if self.set == wished {
            return;
        }
        let rests = |rates: &[f64]| rates.iter().all(|&r| r == 0.0);
        if rests(wished) || rests(&self.set) {
            let event = if rests(wished) { "pause" } else { "resume" };
            self.events.push((h, "", event, String::new()));
            return;
        }
        for (i, (&was, &is)) in self.set.iter().zip(wished).enumerate() {
            let (event, detail) = match (was, is) {
                (was, is) if was == is => continue,
                (0.0, _) => ("start", String::new()),
                (_, 0.0) => ("stop", String::new()),
                _ => ("rate_change", is.to_string()),
            };
            self.events.push((h, self.scene.ids[i], event, detail));
        }
    }
}

/// Normal deviates from a small congruential generator, the same in every run.
struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    fn next(&mut self) -> f64 {
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}
