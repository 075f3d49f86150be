//! The line, its pumps and what is wrong with it, at one moment; and how a short time passes.
//!
//! In: a scenario. Out: pressures, flows, alarms. Who does what when is in [`super::staff`]; the day's course in
//! [`super::day`]. Beside the line runs its twin, the same line with nothing wrong and the same flows: what an
//! episode does to a pressure is the difference.

use super::elastic::{column, compliance, share, stored};
use super::episodes::Running;
use super::network::{CLOSED, Network};
use super::pump::Drive;
use super::scenario::{Cause, Place, Position, Scenario};
use super::sensor::{Behind, Gauge, VeinPressure};
use std::f64::consts::{PI, TAU};

/// Resistance of a join without a filter, mmHg·h/mL.
const JOIN_ALONE: f64 = 1e-3;
/// Storage of a join without a filter housing, mL/mmHg.
const JOIN_STORAGE: f64 = 1e-5;
/// Conductance of an opened line to the air, mL/h per mmHg.
const OPEN_AIR: f64 = 1e3;
/// Share of a channel's resistance that lies above its tubing's node.
const UPPER_SHARE: f64 = 0.3;
/// Breaths per hour.
const BREATHS_PER_H: f64 = 2400.0;

/// Where the line is open while staff work on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Opened {
    /// At the filter.
    Filter,
    /// At the end of this channel's tubing.
    Tubing(usize),
}

/// All of it at one moment.
pub(super) struct World<'a> {
    pub scenario: &'a Scenario,
    pub t_s: f64,
    pub drives: Vec<Drive>,
    pub gauges: Vec<Gauge>,
    pub running: Vec<Running<'a>>,
    pub opened: Option<Opened>,
    /// Height of each pump over the heart, cm.
    pub heights_cm: Vec<f64>,
    network: Network,
    twin: Network,
    vein: VeinPressure,
    flows: Vec<f64>,
    /// Highest pressure at each pump's outlet so far, mmHg.
    highest_mmhg: Vec<f64>,
    still_since_s: Option<f64>,
}

impl<'a> World<'a> {
    pub fn new(scenario: &'a Scenario, seed: u64) -> Self {
        let count = scenario.channels.len();
        let reaches = breathing_reaches(scenario);
        let mut world = Self {
            scenario,
            t_s: 0.0,
            drives: (0..count)
                .map(|i| Drive::new(&scenario.channels[i], i, seed))
                .collect(),
            gauges: (0..count)
                .map(|i| Gauge::new(scenario, i, seed, reaches))
                .collect(),
            running: scenario
                .episodes
                .iter()
                .enumerate()
                .map(|(i, e)| Running::new(e, i, seed))
                .collect(),
            opened: None,
            heights_cm: scenario.channels.iter().map(|c| c.height_cm).collect(),
            network: Network::new(count),
            twin: Network::new(count),
            vein: VeinPressure::new(scenario, seed),
            flows: vec![0.0; count],
            highest_mmhg: vec![f64::NEG_INFINITY; count],
            still_since_s: None,
        };
        world.begin();
        world
    }

    /// Puts the line at rest, or at the pressures that a long run has brought.
    fn begin(&mut self) {
        let vein = self.scenario.vein.pressure_mmhg;
        for network in [&mut self.network, &mut self.twin] {
            network.vein_mmhg = vein;
            network.pressure = [vein; 8];
        }
        self.set_resistances();
        if self.scenario.running_before {
            for (i, drive) in self.drives.iter_mut().enumerate() {
                drive.engage();
                self.network.inflow[Network::pump(i)] = drive.shown_rate();
            }
            self.network.settle();
            self.twin.pressure = self.network.pressure;
        }
    }

    /// Baseline resistance of all that lies below a pump, mmHg·h/mL.
    pub fn baseline(&self, channel: usize) -> f64 {
        let s = self.scenario;
        let own = s.channels[channel].resistance_mmhg_h_per_ml;
        let filter = match s.line.filter.position {
            Position::BelowJoin => s.line.filter.resistance_mmhg_h_per_ml,
            Position::AboveJoin if self.filter_channel() == Some(channel) => {
                JOIN_ALONE + s.line.filter.resistance_mmhg_h_per_ml
            }
            _ => JOIN_ALONE,
        };
        own + filter + s.line.access.resistance_mmhg_h_per_ml
    }

    /// A channel's own compliance between its outlet pressure and the highest pressure of the record, µL/mmHg: one
    /// figure for a compliance that falls with pressure, over the range that the record can speak of.
    pub fn compliance(&self, channel: usize) -> f64 {
        let of = &self.scenario.channels[channel];
        let low = self.scenario.vein.pressure_mmhg - column(of.height_cm);
        let high = self.highest_mmhg[channel].max(low + 1.0);
        1000.0 * stored(of, low, high) / (high - low)
    }

    /// The channel that a filter above the join sits in.
    fn filter_channel(&self) -> Option<usize> {
        let filter = &self.scenario.line.filter;
        match (filter.position, filter.channel.as_deref()) {
            (Position::AboveJoin, Some(id)) => self.scenario.channel_index(id),
            _ => None,
        }
    }

    /// Resistance that an episode adds now, mmHg·h/mL.
    pub fn added(&self, run: &Running) -> f64 {
        let line = &self.scenario.line;
        run.adds(
            line.filter.resistance_mmhg_h_per_ml,
            line.access.resistance_mmhg_h_per_ml,
        )
    }

    /// The channels whose pressure an episode concerns.
    pub fn concerned(&self, run: &Running) -> Vec<usize> {
        (0..self.scenario.channels.len())
            .filter(|&c| run.concerns(self.scenario, c))
            .collect()
    }

    /// Resistance below the pump over its baseline, by this episode alone; of several channels, the one that it moves most.
    pub fn ratio(&self, run: &Running) -> f64 {
        let least = self
            .concerned(run)
            .into_iter()
            .map(|c| self.baseline(c))
            .fold(f64::INFINITY, f64::min);
        1.0 + self.added(run) / least
    }

    /// Sets resistances and storage as they are now.
    fn set_resistances(&mut self) {
        let s = self.scenario;
        let count = s.channels.len();
        let filter_channel = self.filter_channel();
        let filter = s.line.filter.resistance_mmhg_h_per_ml;
        let mut upper = [0.0; 3];
        let mut lower = [0.0; 3];
        for (c, channel) in s.channels.iter().enumerate() {
            upper[c] = UPPER_SHARE * channel.resistance_mmhg_h_per_ml;
            lower[c] = (1.0 - UPPER_SHARE) * channel.resistance_mmhg_h_per_ml;
            if filter_channel == Some(c) {
                lower[c] += filter;
            }
        }
        let mut join = match s.line.filter.position {
            Position::BelowJoin => filter,
            _ => JOIN_ALONE,
        };
        let mut tail = s.line.access.resistance_mmhg_h_per_ml;
        let clean = (upper, lower, join, tail);
        for run in self.running.iter().filter(|r| r.active) {
            let added = self.added(run);
            let named = run.episode.channel.as_deref();
            let named = named.and_then(|id| s.channel_index(id));
            match (&run.episode.cause, run.place()) {
                (Cause::TubingBlocked { .. }, Place::Near) => {
                    named.into_iter().for_each(|c| upper[c] += added);
                }
                (Cause::TubingBlocked { .. }, Place::Far) => {
                    named.into_iter().for_each(|c| lower[c] += added);
                }
                (cause, _) if cause.is_filter() => match filter_channel {
                    Some(c) => lower[c] += added,
                    None => join += added,
                },
                (Cause::CatheterBlocked { .. }, Place::Near) => join += added,
                _ => tail += added,
            }
        }
        put(&mut self.twin, s, clean, &self.heights_cm);
        put(
            &mut self.network,
            s,
            (upper, lower, join, tail),
            &self.heights_cm,
        );
        let at_join = self.network.join();
        self.network.vent = [0.0; 8];
        match self.opened {
            None => {}
            Some(Opened::Filter) => {
                self.network.resistance[at_join] = CLOSED;
                self.network.vent[at_join] = OPEN_AIR;
            }
            Some(Opened::Tubing(c)) if c < count => {
                self.network.resistance[Network::tube(c)] = CLOSED;
                self.network.vent[Network::tube(c)] = OPEN_AIR;
            }
            Some(Opened::Tubing(_)) => {}
        }
    }

    /// Pressure at a pump's outlet, mmHg.
    pub fn line_mmhg(&self, channel: usize) -> f64 {
        self.network.pressure[Network::pump(channel)] - column(self.heights_cm[channel])
    }

    /// The same with nothing wrong, mmHg.
    fn twin_mmhg(&self, channel: usize) -> f64 {
        self.twin.pressure[Network::pump(channel)]
            - column(self.scenario.channels[channel].height_cm)
    }

    /// What the twin will come to at the rates that are set, with pumps that an alarm has stopped running again, mmHg.
    pub fn expected_mmhg(&self, channel: usize) -> f64 {
        let mut twin = self.twin.clone();
        twin.vein_mmhg = self.scenario.vein.pressure_mmhg;
        for (c, drive) in self.drives.iter().enumerate() {
            let runs = drive.runs() || drive.hold == super::pump::Hold::Alarm;
            twin.inflow[Network::pump(c)] = if runs { drive.rate_ml_h } else { 0.0 };
        }
        twin.settle();
        twin.pressure[Network::pump(channel)] - column(self.heights_cm[channel])
    }

    /// What artefact episodes add to a channel's sensor now, mmHg.
    pub fn artefact_mmhg(&self, channel: usize) -> f64 {
        self.running
            .iter()
            .filter(|r| r.concerns(self.scenario, channel))
            .map(|r| self.artefact_of(r))
            .sum()
    }

    /// What this episode adds to its sensors now, mmHg.
    fn artefact_of(&self, run: &Running) -> f64 {
        match run.episode.cause {
            Cause::Artefact { mmhg, seconds } if run.active => {
                let part = ((self.t_s - run.began_s()) / seconds).clamp(0.0, 1.0);
                mmhg * (PI * part).sin().max(0.0).powf(0.25) // steep flanks, flat top
            }
            _ => 0.0,
        }
    }

    /// What the pump's alarm goes by, mmHg.
    pub fn smooth_mmhg(&self, channel: usize) -> f64 {
        self.gauges[channel].smooth(self.t_s, self.line_mmhg(channel)) + self.artefact_mmhg(channel)
    }

    /// Raises (or lowers) a pump: the fluid in it gains the column at once, and flows until that is gone.
    pub fn raise(&mut self, channel: usize, by_cm: f64) {
        self.heights_cm[channel] += by_cm;
        for node in [Network::pump(channel), Network::tube(channel)] {
            self.network.pressure[node] += column(by_cm);
        }
    }

    /// Volume held above an episode's block beyond what the open line would hold, mL; 0 where nothing is blocked.
    pub fn held_ml(&self, run: &Running) -> f64 {
        let named = run.episode.channel.as_deref();
        let named = named.and_then(|id| self.scenario.channel_index(id));
        let join = self.network.join();
        let tail = self.network.tail();
        let all = |last: usize| (0..=last).collect::<Vec<_>>();
        let above = match (&run.episode.cause, run.place()) {
            (Cause::TubingBlocked { .. }, place) => {
                let Some(c) = named else { return 0.0 };
                match place {
                    Place::Near => vec![Network::pump(c)],
                    Place::Far => vec![Network::pump(c), Network::tube(c)],
                }
            }
            (cause, _) if cause.is_filter() => match self.filter_channel() {
                Some(c) => vec![Network::pump(c), Network::tube(c)],
                None => all(join),
            },
            (Cause::CatheterBlocked { .. }, Place::Near) => all(join),
            (
                Cause::CatheterBlocked { .. }
                | Cause::CatheterNarrowing { .. }
                | Cause::CatheterPositional { .. },
                _,
            ) => all(tail),
            _ => return 0.0,
        };
        let vein = self.scenario.vein.pressure_mmhg;
        above
            .into_iter()
            .map(|node| match self.scenario.channels.get(node / 2) {
                Some(channel) if node < join => {
                    let down = column(self.heights_cm[node / 2]);
                    let (low, high) = (vein - down, self.network.pressure[node] - down);
                    share(channel, node) * stored(channel, low, high)
                }
                _ => self.network.storage[node] * (self.network.pressure[node] - vein),
            })
            .sum::<f64>()
            .max(0.0)
    }

    /// Lets `dt_s` seconds pass.
    pub fn step(&mut self, dt_s: f64) {
        let dt_h = dt_s / 3600.0;
        self.set_supply();
        for c in 0..self.drives.len() {
            let full = self.drives[c].advance(dt_s);
            self.flows[c] = full * self.drives[c].supply;
            self.network.inflow[Network::pump(c)] = self.flows[c];
            self.twin.inflow[Network::pump(c)] = full;
        }
        let vein = self.vein.at(self.t_s + dt_s / 2.0, dt_s);
        self.network.vein_mmhg = vein;
        self.twin.vein_mmhg = vein;
        self.set_resistances();
        self.network.step(dt_h);
        self.twin.step(dt_h);
        self.t_s += dt_s;
        for c in 0..self.drives.len() {
            self.highest_mmhg[c] = self.highest_mmhg[c].max(self.line_mmhg(c));
        }
        self.note_stillness();
        let edge = match self.filter_channel() {
            Some(c) => Network::tube(c),
            None => self.network.join(),
        };
        let filtered_ml = if self.opened == Some(Opened::Filter) {
            0.0 // it runs to waste while the line is open
        } else {
            (self.network.flow(edge) * dt_h).max(0.0)
        };
        let still = self.still_since_s.is_some();
        for run in &mut self.running {
            run.pass(self.t_s, dt_s, filtered_ml, still);
        }
        self.note_effects();
    }

    fn set_supply(&mut self) {
        for drive in &mut self.drives {
            drive.supply = 1.0;
            drive.counts_on = true;
        }
        for run in self.running.iter().filter(|r| r.active) {
            if let Cause::SupplyStopped {
                fade_s,
                counter_runs_on,
                ..
            } = run.episode.cause
            {
                let named = run.episode.channel.as_deref();
                if let Some(c) = named.and_then(|id| self.scenario.channel_index(id)) {
                    self.drives[c].supply = (-(self.t_s - run.began_s()) / fade_s).exp();
                    self.drives[c].counts_on = counter_runs_on;
                }
            }
        }
    }

    fn note_stillness(&mut self) {
        let through = |c: usize| self.filter_channel().is_none_or(|f| f == c);
        let flows = (0..self.drives.len()).any(|c| through(c) && self.drives[c].runs());
        match (flows, self.still_since_s) {
            (false, None) => self.still_since_s = Some(self.t_s),
            (true, Some(since)) => {
                self.still_since_s = None;
                for run in &mut self.running {
                    run.settled((self.t_s - since) / 60.0);
                }
            }
            _ => {}
        }
    }

    fn note_effects(&mut self) {
        for index in 0..self.running.len() {
            if !self.running[index].active {
                continue;
            }
            let run = &self.running[index];
            let ratio = self.ratio(run);
            let concerned = self.concerned(run);
            // What an earlier, stronger block left behind still flows off: no more counts than this one can hold up.
            let flow: f64 = concerned.iter().map(|&c| self.drives[c].shown_rate()).sum();
            let most = if run.obstructs() {
                self.added(run) * flow
            } else {
                f64::INFINITY
            };
            let moved = concerned
                .into_iter()
                .filter(|&c| self.drives[c].runs() && self.opened.is_none())
                .map(|c| (self.line_mmhg(c) - self.twin_mmhg(c)).abs().min(most))
                .fold(0.0, f64::max)
                + self.artefact_of(run).abs();
            let t = self.t_s;
            self.running[index].note_ratio(t, ratio);
            self.running[index].note_effect(moved);
        }
    }

    /// What stands at the alarm with nothing wrong, mmHg: is the limit too low all the same? A cough is no working pressure:
    /// while one moves the line, what counts is where the line would come to rest.
    pub fn would_read_mmhg(&self, channel: usize) -> f64 {
        let now = self.twin_mmhg(channel);
        let line = if self.vein.coughs(self.t_s) {
            now.min(self.expected_mmhg(channel))
        } else {
            now
        };
        let gauge = &self.gauges[channel];
        gauge.smooth(self.t_s, line) - gauge.touch(self.t_s)
    }

    /// What stands behind a channel's reading.
    pub fn behind(&self, channel: usize, t_s: f64) -> Behind {
        let mut moved_mmhg = [0.0; 3];
        for (c, moved) in moved_mmhg.iter_mut().enumerate().take(self.drives.len()) {
            *moved = self.network.pressure[Network::pump(c)] - self.twin.pressure[Network::pump(c)];
        }
        Behind {
            moved_mmhg,
            brief_mmhg: self.artefact_mmhg(channel) + self.gauges[channel].touch(t_s),
        }
    }
}

type Resistances = ([f64; 3], [f64; 3], f64, f64);

fn put(
    network: &mut Network,
    s: &Scenario,
    (upper, lower, join, tail): Resistances,
    heights: &[f64],
) {
    for (c, channel) in s.channels.iter().enumerate() {
        let (pump, tube) = (Network::pump(c), Network::tube(c));
        network.resistance[pump] = upper[c];
        network.resistance[tube] = lower[c];
        for node in [pump, tube] {
            let here = network.pressure[node] - column(heights[c]);
            network.storage[node] = share(channel, node).max(1e-4) * compliance(channel, here);
        }
    }
    let housing = s.line.filter.compliance_ul_per_mmhg / 1000.0;
    let at_join = network.join();
    let at_tail = network.tail();
    network.storage[at_join] = match s.line.filter.position {
        Position::BelowJoin => housing,
        _ => JOIN_STORAGE,
    };
    if let (Position::AboveJoin, Some(id)) = (s.line.filter.position, &s.line.filter.channel)
        && let Some(c) = s.channel_index(id)
    {
        network.storage[Network::tube(c)] += housing;
    }
    network.storage[at_tail] = s.line.tail.compliance_ul_per_mmhg / 1000.0;
    network.resistance[at_join] = join;
    network.resistance[at_tail] = tail;
}

/// Share of the vein's breathing that reaches the pumps: the line is a low pass of its resistance and storage.
fn breathing_reaches(s: &Scenario) -> f64 {
    let storage: f64 = s.channels.iter().map(|c| c.compliance_ul_per_mmhg).sum();
    let tau_h = s.line.access.resistance_mmhg_h_per_ml * storage / 1000.0;
    1.0 / (1.0 + (TAU * BREATHS_PER_H * tau_h).powi(2)).sqrt()
}
