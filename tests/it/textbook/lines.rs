//! The lines of the scenes, open and at level rates, and the few ways in which scenes change them.

use super::scene::{At, Files, Onset, Scene, Wanted};
use super::solver::Parts;
use patency::infer::{Course, Site};

/// Pressure at the tip, mmHg.
pub const OUTLET: f64 = 5.0;

/// A neonatal line: one channel of 5 mL/h, with 1 mL/h of lipid beside it, with 2 mL/h of a medication besides. Below the
/// join a 1.2 µm filter of 0.4 and a thin catheter of 2.5 mmHg·h/mL.
pub fn line(channels: usize, files: Files) -> Scene {
    let ids: &[_] = match channels {
        1 => &["pn"],
        2 => &["lipid", "pn"],
        _ => &["lipid", "med", "pn"],
    };
    let of = |id: &str| match id {
        "lipid" => ("lipid", (0.10, 0.9e-3), 1.0),
        "med" => ("medication", (0.05, 0.7e-3), 2.0),
        _ => ("pn-2in1", (0.05, 1.3e-3), 5.0),
    };
    let rates: Vec<f64> = ids.iter().map(|id| of(id).2).collect();
    Scene {
        parts: Parts {
            channels: ids.iter().map(|id| of(id).1).collect(),
            join_compliance: 0.25e-3,
            filter: 0.4,
            tail_compliance: 0.2e-3,
            catheter: 2.5,
        },
        ids: ids.to_vec(),
        fluids: ids.iter().map(|id| of(id).0).collect(),
        hours: 8.0,
        period_s: 10,
        rounded_to: 0.1,
        noise: 0.3,
        rate: Box::new(move |i, _| rates[i]),
        limit: Box::new(|_| 150.0),
        tubing: Box::new(|_, _| 1.0),
        filter: Box::new(|_| 1.0),
        catheter: Box::new(|_| 1.0),
        outlet: Box::new(|_| OUTLET),
        lift: Box::new(|_, _| 0.0),
        supplied: Box::new(|_, _| true),
        restart_min: 10.0,
        noted: Vec::new(),
        noted_after_alarm: Vec::new(),
        pore_um: 1.2,
        placed_h: None,
        files,
        wanted: Wanted::Quiet,
        course: None,
        onset: Onset::Any,
    }
}

/// The same with more of its resistance in the filter, so that a filter that loads is seen early.
pub fn filter_line(channels: usize, files: Files) -> Scene {
    let mut scene = line(channels, files);
    scene.parts.filter = 1.0;
    scene.parts.catheter = 1.2;
    scene
}

impl Scene {
    /// The channel of this name.
    pub fn index(&self, id: &str) -> usize {
        self.ids.iter().position(|i| *i == id).unwrap()
    }

    /// Every pump rests between these hours.
    pub fn pauses(mut self, spans: &'static [(f64, f64)]) -> Self {
        let running = self.rate;
        self.rate = Box::new(move |i, at| {
            let rests = spans.iter().any(|s| within(at.h, *s));
            if rests { 0.0 } else { running(i, at) }
        });
        self
    }

    /// A channel is set to another rate between these hours.
    pub fn set(mut self, id: &'static str, rate: f64, span: (f64, f64)) -> Self {
        let index = self.index(id);
        let other = self.rate;
        self.rate = Box::new(move |i, at| {
            if i == index && within(at.h, span) {
                rate
            } else {
                other(i, at)
            }
        });
        self
    }

    pub fn catheter(mut self, way: impl Fn(&At) -> f64 + 'static) -> Self {
        self.catheter = Box::new(way);
        self
    }

    pub fn filter(mut self, way: impl Fn(&At) -> f64 + 'static) -> Self {
        self.filter = Box::new(way);
        self
    }

    pub fn tubing(mut self, id: &'static str, way: impl Fn(&At) -> f64 + 'static) -> Self {
        let index = self.index(id);
        self.tubing = Box::new(move |i, at| if i == index { way(at) } else { 1.0 });
        self
    }

    pub fn outlet_by(mut self, way: impl Fn(f64) -> f64 + 'static) -> Self {
        self.outlet = Box::new(move |at| way(at.h));
        self
    }

    pub fn limit(mut self, way: impl Fn(&At) -> f64 + 'static) -> Self {
        self.limit = Box::new(way);
        self
    }

    /// The line without this channel.
    pub fn without(mut self, id: &'static str) -> Self {
        let gone = self.index(id);
        self.ids.remove(gone);
        self.fluids.remove(gone);
        self.parts.channels.remove(gone);
        let rate = self.rate;
        self.rate = Box::new(move |i, at| rate(if i < gone { i } else { i + 1 }, at));
        self
    }

    /// Somebody wrote this down.
    pub fn noted(
        mut self,
        h: f64,
        channel: &'static str,
        event: &'static str,
        detail: &str,
    ) -> Self {
        self.noted.push((h, channel, event, detail.into()));
        self
    }

    /// One sample each so many seconds, over so many hours.
    pub fn over(mut self, hours: f64, period_s: u32) -> Self {
        (self.hours, self.period_s) = (hours, period_s);
        self
    }

    /// Readings in whole mmHg.
    pub fn whole_mmhg(mut self) -> Self {
        self.rounded_to = 1.0;
        self
    }

    pub fn expect(mut self, wanted: Wanted, course: Option<Course>, onset: Onset) -> Self {
        (self.wanted, self.course, self.onset) = (wanted, course, onset);
        self
    }

    /// One episode of this site that came within a minute or two, at this hour.
    pub fn step(self, site: Site, h: f64) -> Self {
        self.expect(Wanted::Site(site), Some(Course::Step), Onset::At(h))
    }

    /// One episode of this site that grew.
    pub fn gradual(self, site: Site) -> Self {
        self.expect(Wanted::Site(site), Some(Course::Gradual), Onset::Growth)
    }
}

pub fn within(h: f64, (from, to): (f64, f64)) -> bool {
    from <= h && h < to
}
