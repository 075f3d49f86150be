//! A pump: a flow source with play and a plunger that may stick, a counter, and an alarm at the pressure limit.
//!
//! In: settings, the time step, what its sensor reads. Out: flow into the line, and whether the alarm comes. What
//! staff do about it is in [`super::staff`].

use super::noise::{Purpose, stream};
use super::scenario::Channel;
use rand::Rng;
use rand_chacha::ChaCha8Rng;

/// Why a pump does not run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Hold {
    /// It runs (if its rate is above zero).
    No,
    /// Paused at a set time.
    Act,
    /// Stopped by its alarm.
    Alarm,
    /// Stopped while staff work on the line.
    Staff,
}

/// A slip is over within this time, s.
const SLIP_S: f64 = 2.0;

/// One pump.
#[derive(Debug, Clone)]
pub(super) struct Drive {
    /// Set rate, mL/h.
    pub rate_ml_h: f64,
    /// Limit in force, mmHg.
    pub limit_mmhg: f64,
    /// Why it stands still.
    pub hold: Hold,
    /// Volume counter, mL.
    pub counter_ml: f64,
    /// Share of the set flow that reaches the line: below 1 when the supply stops.
    pub supply: f64,
    /// Whether the counter runs on although the supply has stopped.
    pub counts_on: bool,
    moved_ml: f64,
    play_ml: f64,
    stick_ml: f64,
    stick_share: f64,
    until_slip_ml: f64,
    held_ml: f64,
    slip_ml_h: f64,
    latency_s: f64,
    above_s: f64,
    rng: ChaCha8Rng,
}

impl Drive {
    /// A pump as the scenario sets it, at rest.
    pub fn new(channel: &Channel, index: usize, seed: u64) -> Self {
        let p = &channel.pump;
        Self {
            rate_ml_h: channel.rate_ml_h,
            limit_mmhg: channel.limit_mmhg,
            hold: Hold::No,
            counter_ml: 0.0,
            supply: 1.0,
            counts_on: true,
            moved_ml: 0.0,
            play_ml: p.play_ml,
            stick_ml: p.stick_ml,
            stick_share: p.stick_share,
            until_slip_ml: p.stick_ml,
            held_ml: 0.0,
            slip_ml_h: 0.0,
            latency_s: p.alarm_latency_s,
            above_s: 0.0,
            rng: stream(seed, Purpose::Stick, index),
        }
    }

    /// Whether it runs.
    pub fn runs(&self) -> bool {
        self.hold == Hold::No && 0.0 < self.rate_ml_h
    }

    /// What the trace says of its rate.
    pub fn shown_rate(&self) -> f64 {
        if self.runs() { self.rate_ml_h } else { 0.0 }
    }

    /// A new container or set: all the play is there again.
    pub fn renew(&mut self) {
        self.moved_ml = 0.0;
        self.held_ml = 0.0;
        self.slip_ml_h = 0.0;
    }

    /// It has been running for long: no play is left.
    pub fn engage(&mut self) {
        self.moved_ml = 50.0 * self.play_ml;
    }

    /// Runs again after a stop: a little of the play is there again.
    pub fn resume(&mut self) {
        self.hold = Hold::No;
        self.above_s = 0.0;
        self.moved_ml = self.moved_ml.min(1.5 * self.play_ml);
    }

    /// The flow that leaves the pump in the next `dt_s` seconds with a full supply, mL/h; moves the counter on.
    pub fn advance(&mut self, dt_s: f64) -> f64 {
        if !self.runs() {
            self.slip_ml_h = 0.0;
            return 0.0;
        }
        let dt_h = dt_s / 3600.0;
        let step_ml = self.rate_ml_h * dt_h;
        let counted = if self.counts_on { 1.0 } else { self.supply };
        self.counter_ml += step_ml * counted;
        self.moved_ml += step_ml;
        let engaged = if 0.0 < self.play_ml {
            1.0 - (-self.moved_ml / self.play_ml).exp()
        } else {
            1.0
        };
        engaged * self.stick(step_ml, dt_h)
    }

    /// The plunger holds back a share of the flow and gives it up in a slip after about `stick_ml`.
    fn stick(&mut self, step_ml: f64, dt_h: f64) -> f64 {
        if self.stick_ml <= 0.0 {
            return self.rate_ml_h;
        }
        let mut flow = self.rate_ml_h;
        if 0.0 < self.slip_ml_h {
            let gives = (self.slip_ml_h * dt_h).min(self.held_ml);
            self.held_ml -= gives;
            flow += gives / dt_h;
            if self.held_ml <= 0.0 {
                self.slip_ml_h = 0.0;
            }
            return flow;
        }
        self.held_ml += self.stick_share * step_ml;
        self.until_slip_ml -= step_ml;
        if self.until_slip_ml <= 0.0 {
            self.slip_ml_h = self.held_ml * 3600.0 / SLIP_S;
            self.until_slip_ml = self.stick_ml * self.rng.random_range(0.6..1.4);
        }
        flow * (1.0 - self.stick_share)
    }

    /// Whether the alarm comes, with what the sensor read over the last `dt_s` seconds.
    pub fn alarms(&mut self, reading_mmhg: f64, dt_s: f64) -> bool {
        if !self.runs() || reading_mmhg < self.limit_mmhg {
            self.above_s = 0.0;
            return false;
        }
        self.above_s += dt_s;
        self.latency_s <= self.above_s
    }
}
