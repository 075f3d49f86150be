//! A scene: a line, what its pumps are set to, what happens to it, and what a person would say of the record.

use super::run::Run;
use super::solver::{Now, Parts};
use patency::infer::{Course, Site};
use std::fmt::Write;

/// Which files beside the trace.
#[derive(Debug, Clone, Copy)]
pub struct Files {
    pub events: bool,
    pub line: bool,
}

pub const BARE: Files = files(false, false);
pub const EVENTS: Files = files(true, false);
pub const LINE: Files = files(false, true);
pub const BOTH: Files = files(true, true);

const fn files(events: bool, line: bool) -> Files {
    Files { events, line }
}

/// What a scene's doings may hang on: the hour, what the filter has passed, and when alarms sounded.
pub struct At<'a> {
    pub h: f64,
    pub filtered_ml: f64,
    pub alarms_h: &'a [f64],
}

impl At<'_> {
    /// Whether so many minutes went by since the alarm of this number, from 1.
    pub fn after_alarm(&self, number: usize, minutes: f64) -> bool {
        let alarm = self.alarms_h.get(number - 1);
        alarm.is_some_and(|a| a + minutes / 60.0 <= self.h)
    }
}

/// What a person says of the record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wanted {
    /// One episode, of this site.
    Site(Site),
    /// One episode that cannot be told.
    Undetermined,
    /// No hindrance: no episode, or none but such as are called `none`.
    Harmless,
    /// No episode at all.
    Quiet,
}

/// Where the onset must lie.
#[derive(Debug, Clone, Copy)]
pub enum Onset {
    /// Not asked.
    Any,
    /// Within three minutes, or two samples, of this hour.
    At(f64),
    /// Between these hours, and three minutes, or two samples, on either side.
    Between(f64, f64),
    /// While the resistance stood between 1.35 and 1.7 times its baseline (the contract's bar is 1.5), and five minutes.
    Growth,
    /// Between this hour and the first alarm.
    UpToAlarm(f64),
}

/// An answer of the line to what happens, as a factor or a pressure.
pub type Way = Box<dyn Fn(&At) -> f64>;
/// A value by channel and moment.
pub type ChannelWay = Box<dyn Fn(usize, &At) -> f64>;
/// Whether something holds, by channel and moment.
pub type ChannelState = Box<dyn Fn(usize, &At) -> bool>;

/// Something written down: hour, channel (empty for the whole line), event, detail.
pub type Noted = (f64, &'static str, &'static str, String);

/// One made record and its answer.
pub struct Scene {
    pub parts: Parts,
    pub ids: Vec<&'static str>,
    pub fluids: Vec<&'static str>,
    pub hours: f64,
    pub period_s: u32,
    /// Readings are rounded to this, mmHg.
    pub rounded_to: f64,
    /// Standard deviation of the readings, mmHg.
    pub noise: f64,
    /// What each pump is set to, mL/h, as a person sets it; an alarm stops it beside.
    pub rate: ChannelWay,
    /// Pressure limit, mmHg.
    pub limit: Way,
    /// How many times its open resistance each part has.
    pub tubing: ChannelWay,
    pub filter: Way,
    pub catheter: Way,
    /// Pressure at the catheter's tip, mmHg.
    pub outlet: Way,
    /// What a pump's height adds, mmHg.
    pub lift: ChannelWay,
    /// Whether fluid reaches the pump.
    pub supplied: ChannelState,
    /// Minutes from an alarm to the restart.
    pub restart_min: f64,
    /// What staff wrote down besides the pump's own doings.
    pub noted: Vec<Noted>,
    /// Written down so many minutes after the first alarm: minutes, channel, event.
    pub noted_after_alarm: Vec<(f64, &'static str, &'static str)>,
    pub pore_um: f64,
    /// Hour at which the filter was placed, where the line file says so.
    pub placed_h: Option<f64>,
    pub files: Files,
    pub wanted: Wanted,
    pub course: Option<Course>,
    pub onset: Onset,
}

/// The files of a scene, and what was true in it.
pub struct Made {
    pub trace: String,
    pub events: Option<String>,
    pub line: Option<String>,
    pub alarms_h: Vec<f64>,
    /// Hour, and how many times its baseline the resistance below the first pump was; each second.
    pub grown: Vec<(f64, f64)>,
}

impl Scene {
    /// Runs the line from its steady state at the start.
    pub fn make(&self) -> Made {
        let mut run = Run::new(self);
        for second in 0..=(self.hours * 3600.0) as u32 {
            run.second(second);
        }
        Made {
            events: self
                .files
                .events
                .then(|| self.events(run.events, &run.alarms_h)),
            line: self.files.line.then(|| self.line()),
            trace: run.trace,
            alarms_h: run.alarms_h,
            grown: run.grown,
        }
    }

    /// How the line stands at a moment.
    pub fn now(&self, at: &At) -> Now {
        let channels = 0..self.ids.len();
        let tubing = |i: usize| self.parts.channels[i].0 * (self.tubing)(i, at);
        Now {
            tubing: channels.clone().map(tubing).collect(),
            filter: self.parts.filter * (self.filter)(at),
            catheter: self.parts.catheter * (self.catheter)(at),
            outlet: (self.outlet)(at),
            lift: channels.map(|i| (self.lift)(i, at)).collect(),
        }
    }

    fn events(&self, mut all: Vec<Noted>, alarms_h: &[f64]) -> String {
        all.push((0.0, "", "start", String::new()));
        all.extend(self.noted.iter().cloned());
        if let Some(&first) = alarms_h.first() {
            let after = self.noted_after_alarm.iter();
            all.extend(after.map(|&(min, c, e)| (first + min / 60.0, c, e, String::new())));
        }
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut text = String::from("time,channel,event,detail\n");
        for (h, channel, event, detail) in all {
            writeln!(text, "{:.0},{channel},{event},{detail}", h * 3600.0).unwrap();
        }
        text
    }

    fn line(&self) -> String {
        let p = &self.parts;
        let mut text = format!(
            "[access]\nkind = \"picc\"\nresistance_mmhg_h_per_ml = {}\n\n[filter]\npore_um = {}\nposition = \"below-join\"\n",
            p.catheter, self.pore_um
        );
        if let Some(h) = self.placed_h {
            writeln!(text, "placed = {:.0}", h * 3600.0).unwrap();
        }
        writeln!(
            text,
            "resistance_mmhg_h_per_ml = {}\ncompliance_ul_per_mmhg = {:.3}\n\n[tail]\ncompliance_ul_per_mmhg = {:.3}",
            p.filter,
            p.join_compliance * 1e3,
            p.tail_compliance * 1e3
        )
        .unwrap();
        for ((id, fluid), (r, c)) in self.ids.iter().zip(&self.fluids).zip(&p.channels) {
            writeln!(
                text,
                "\n[[channel]]\nid = \"{id}\"\nfluid = \"{fluid}\"\ncompliance_ul_per_mmhg = {:.3}\nresistance_mmhg_h_per_ml = {r}",
                c * 1e3
            )
            .unwrap();
        }
        text
    }
}
