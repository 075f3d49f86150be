//! The day: lets time pass from one thing that happens to the next, and keeps the rows, the log and the truth.
//!
//! In: a scenario and a seed. Out: [`Day`]. Steps are fine after anything has happened and grow while nothing does.

use super::agenda::Agenda;
use super::episodes::{Running, Stretch};
use super::scenario::Scenario;
use super::sensor::{Logger, Row};
use super::world::World;

/// First step after something happened, s; steps grow by [`GROWTH`] up to [`LONGEST_S`].
const FRESH_S: f64 = 0.1;
const GROWTH: f64 = 1.3;
const LONGEST_S: f64 = 2.0;

/// A row of the events file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Logged {
    pub t_s: f64,
    pub channel: Option<String>,
    pub event: &'static str,
    pub detail: String,
}

/// One episode of the truth file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Told {
    /// Its place in the scenario; `None` where it came about by itself.
    pub index: Option<usize>,
    /// Site, cause, variant.
    pub words: (&'static str, &'static str, Option<&'static str>),
    /// The channels that it concerns.
    pub channels: Vec<String>,
    pub stretch: Stretch,
}

/// All that happened.
pub(super) struct Day {
    pub rows: Vec<Row>,
    pub log: Vec<Logged>,
    pub told: Vec<Told>,
    /// `(t_s, flow of all running pumps, mL/h)` from each change on.
    pub flows: Vec<(f64, f64)>,
    /// Baseline resistance below each pump, mmHg·h/mL.
    pub baselines: Vec<f64>,
    /// Each channel's own compliance, µL/mmHg.
    pub compliances: Vec<f64>,
}

/// The day in the making.
pub(super) struct Ward<'a> {
    pub world: World<'a>,
    pub agenda: Agenda,
    pub log: Vec<Logged>,
    /// Episodes that came about by themselves.
    pub own: Vec<(Told, bool)>,
    /// Whether staff are on their way to an alarm.
    pub coming: bool,
    /// When a channel's rate or limit last changed, or it started, s.
    pub set_s: Vec<f64>,
    flows: Vec<(f64, f64)>,
}

/// Runs the scenario.
pub(super) fn simulate(scenario: &Scenario, seed: u64) -> Day {
    let mut ward = Ward {
        world: World::new(scenario, seed),
        agenda: Agenda::of(scenario),
        log: Vec::new(),
        own: Vec::new(),
        coming: false,
        set_s: vec![0.0; scenario.channels.len()],
        flows: Vec::new(),
    };
    if !scenario.running_before {
        for c in 0..scenario.channels.len() {
            if ward.world.drives[c].runs() {
                let rate = ward.world.drives[c].rate_ml_h.to_string();
                ward.write(Some(c), "start", &rate);
            }
        }
    }
    let rows = ward.pass(scenario);
    ward.close(scenario, rows)
}

impl<'a> Ward<'a> {
    fn pass(&mut self, scenario: &Scenario) -> Vec<Row> {
        let end_s = scenario.duration_h * 3600.0;
        let mut loggers: Vec<Logger> = (0..scenario.channels.len())
            .map(|c| Logger::new(scenario, c))
            .collect();
        let mut rows = Vec::new();
        let mut step_s = FRESH_S;
        loop {
            let now = self.world.t_s;
            while let Some(item) = self.agenda.due(now) {
                self.happens(item);
                step_s = FRESH_S;
            }
            self.note_flow();
            for (c, logger) in loggers.iter_mut().enumerate() {
                while logger.next_s() <= now + 1e-6 {
                    let row = self.read(c, logger.next_s());
                    rows.extend(logger.take(row));
                }
            }
            if end_s <= now + 1e-6 {
                return rows;
            }
            let next = loggers
                .iter()
                .map(Logger::next_s)
                .chain(self.agenda.next_s())
                .fold(end_s, f64::min);
            // what is due within a microsecond is due: no step is shorter
            let dt_s = step_s.min(next - now).max(1e-6);
            self.world.step(dt_s);
            step_s = (step_s * GROWTH).min(LONGEST_S);
            if self.look_for_alarms(dt_s) {
                step_s = FRESH_S;
            }
        }
    }

    fn read(&mut self, c: usize, t_s: f64) -> Row {
        let line = self.world.line_mmhg(c) + self.world.artefact_mmhg(c);
        let drive = &self.world.drives[c];
        let (runs, counter) = (drive.runs(), drive.counter_ml);
        let (rate, limit) = (drive.shown_rate(), drive.limit_mmhg);
        Row {
            t_s,
            channel: c,
            pressure_mmhg: self.world.gauges[c].written(t_s, line, counter, runs),
            rate_ml_h: rate,
            volume_ml: counter,
            limit_mmhg: limit,
            behind: self.world.behind(c, t_s),
        }
    }

    fn look_for_alarms(&mut self, dt_s: f64) -> bool {
        let mut any = false;
        for c in 0..self.world.drives.len() {
            let reading = self.world.smooth_mmhg(c);
            if self.world.drives[c].alarms(reading, dt_s) {
                self.occlusion_alarm(c);
                any = true;
            }
        }
        any
    }

    fn note_flow(&mut self) {
        let flow = self.world.drives.iter().map(|d| d.shown_rate()).sum();
        if self.flows.last().is_none_or(|&(_, last)| last != flow) {
            self.flows.push((self.world.t_s, flow));
        }
    }

    /// Writes an event at this moment.
    pub fn write(&mut self, channel: Option<usize>, event: &'static str, detail: &str) {
        let channels = &self.world.scenario.channels;
        self.log.push(Logged {
            t_s: self.world.t_s,
            channel: channel.map(|c| channels[c].id.clone()),
            event,
            detail: detail.to_string(),
        });
    }

    fn close(mut self, scenario: &Scenario, mut rows: Vec<Row>) -> Day {
        for index in 0..self.world.running.len() {
            let run = &self.world.running[index];
            let held = self.world.held_ml(run);
            if let Some(last) = self.world.running[index].unfinished() {
                last.held_ml = Some(held);
            }
        }
        let mut told: Vec<Told> = self.own.into_iter().map(|(told, _)| told).collect();
        for (index, run) in self.world.running.iter().enumerate() {
            told.extend(tell(scenario, &self.world, index, run));
        }
        told.sort_by(|a, b| when(a).total_cmp(&when(b)));
        rows.sort_by(|a, b| a.t_s.total_cmp(&b.t_s).then(a.channel.cmp(&b.channel)));
        let all = || 0..scenario.channels.len();
        self.log.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
        Day {
            rows,
            log: self.log,
            told,
            flows: self.flows,
            baselines: all().map(|c| self.world.baseline(c)).collect(),
            compliances: all().map(|c| self.world.compliance(c)).collect(),
        }
    }
}

fn when(told: &Told) -> f64 {
    told.stretch.onset_s.unwrap_or(told.stretch.began_s)
}

fn tell(scenario: &Scenario, world: &World, index: usize, run: &Running) -> Vec<Told> {
    let channels: Vec<String> = world
        .concerned(run)
        .into_iter()
        .map(|c| scenario.channels[c].id.clone())
        .collect();
    run.stretches
        .iter()
        .map(|stretch| Told {
            index: Some(index),
            words: run.episode.cause.words(),
            channels: channels.clone(),
            stretch: stretch.clone(),
        })
        .collect()
}
