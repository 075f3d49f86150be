//! Records from a one-compartment line: enough to look like a trace, with nothing to judge.

use super::calendar;
use patency::record::{Access, AccessKind, FilterPart, FilterPosition};
use patency::record::{Channel, Fluid, Intake, Line, LineChannel, Record, Samples};
use patency::time::{Clock, Span};
use patency::units::Resistance;

/// One channel: its name and the rate that it is set to at each hour.
pub struct Pump {
    pub id: &'static str,
    pub rate: fn(f64) -> f64,
    /// Resistance of its own tubing at each hour.
    pub own: fn(f64) -> f64,
}

/// What the shared part does, and how it is sampled.
pub struct Setting {
    pub clock: Clock,
    pub hours: f64,
    pub period_s: f64,
    pub limit_mmhg: f64,
    /// Shared resistance at an hour and a filtered volume, mL.
    pub shared: fn(f64, f64) -> f64,
    pub outlet_mmhg: f64,
    /// How long an alarm goes unanswered; afterwards the line is as new.
    pub answer_min: f64,
}

impl Default for Setting {
    fn default() -> Self {
        Self {
            clock: calendar(),
            hours: 24.0,
            period_s: 10.0,
            limit_mmhg: 120.0,
            shared: |_, _| 2.3,
            outlet_mmhg: 8.0,
            answer_min: 18.0,
        }
    }
}

/// A record with the truth behind it.
pub struct Made {
    pub record: Record,
    /// Shared resistance over time, each 10 min.
    pub truth: Vec<(f64, f64)>,
    pub alarms_s: Vec<f64>,
}

const SHARED_ML_PER_MMHG: f64 = 0.002;

pub fn record(pumps: &[Pump], setting: &Setting) -> Made {
    let mut noise = Noise(7);
    let mut columns: Vec<Samples> = pumps.iter().map(|_| Samples::default()).collect();
    let (mut p, mut filtered, mut volumes) = (setting.outlet_mmhg, 0.0, vec![0.0; pumps.len()]);
    let (mut stopped_until, mut as_new_from) = (f64::NEG_INFINITY, 0.0);
    let (mut truth, mut alarms_s) = (Vec::new(), Vec::new());
    let steps = (setting.hours * 3600.0 / setting.period_s) as usize;
    for step in 0..=steps {
        let t_s = step as f64 * setting.period_s;
        let h = t_s / 3600.0;
        let dt = setting.period_s / 3600.0;
        let r = (setting.shared)(h, filtered - as_new_from);
        let alarm = t_s < stopped_until;
        let rates: Vec<f64> = pumps
            .iter()
            .map(|c| if alarm { 0.0 } else { (c.rate)(h) })
            .collect();
        let total: f64 = rates.iter().sum();
        // Implicit step of C dP/dt = Q − (P − P_out)/R.
        let a = dt / SHARED_ML_PER_MMHG;
        p = (p + a * (total + setting.outlet_mmhg / r)) / (1.0 + a / r);
        filtered += ((p - setting.outlet_mmhg) / r).max(0.0) * dt;
        if step % (600.0 / setting.period_s).max(1.0) as usize == 0 {
            truth.push((t_s, r));
        }
        let mut over = false;
        for ((pump, column), (rate, volume)) in pumps
            .iter()
            .zip(&mut columns)
            .zip(rates.iter().zip(&mut volumes))
        {
            let at_pump = p + (pump.own)(h) * rate;
            *volume += rate * dt;
            over |= setting.limit_mmhg <= at_pump && !alarm;
            column.t_s.push(t_s);
            column.pressure_mmhg.push((at_pump + noise.next()).round());
            column.rate_ml_h.push(*rate);
            column.volume_ml.push((*volume * 100.0).round() / 100.0);
            column.limit_mmhg.push(setting.limit_mmhg);
        }
        if over {
            alarms_s.push(t_s);
            stopped_until = t_s + setting.answer_min * 60.0;
            as_new_from = filtered;
        }
    }
    let rows = columns.iter().map(|c| c.len() as u64).sum();
    let channels = pumps
        .iter()
        .zip(columns)
        .map(|(pump, samples)| Channel {
            id: pump.id.into(),
            samples,
            period_s: Some(setting.period_s),
            on_change: false,
            gaps: Vec::new(),
        })
        .collect();
    let intake = Intake {
        rows,
        ..Intake::default()
    };
    let clock = setting.clock.clone();
    let record = Record {
        infusion: None,
        clock,
        channels,
        events: Vec::new(),
        events_given: true,
        line: Some(line()),
        priors: patency::record::Priors::default(),
        intake,
    };
    Made {
        record,
        truth,
        alarms_s,
    }
}

/// Takes the samples of this stretch out of every channel, as a gap.
pub fn cut(record: &mut Record, from_h: f64, to_h: f64) {
    let span = Span {
        start_s: from_h * 3600.0,
        end_s: to_h * 3600.0,
    };
    for channel in &mut record.channels {
        let keep: Vec<bool> = channel
            .samples
            .t_s
            .iter()
            .map(|&t| !span.contains(t))
            .collect();
        let s = &mut channel.samples;
        for column in [
            &mut s.t_s,
            &mut s.pressure_mmhg,
            &mut s.rate_ml_h,
            &mut s.volume_ml,
            &mut s.limit_mmhg,
        ] {
            let mut kept = keep.iter();
            column.retain(|_| *kept.next().unwrap());
        }
        channel.gaps.push(span);
    }
}

/// A line like that of the scenes.
pub fn line() -> Line {
    let channel = |id: &str, fluid| LineChannel {
        id: id.into(),
        fluid: Some(fluid),
        ..LineChannel::default()
    };
    Line {
        access: Access {
            kind: Some(AccessKind::Picc),
            inner_diameter_mm: Some(0.30),
            length_cm: Some(20.0),
            resistance: Resistance::new(2.1),
        },
        filter: FilterPart {
            pore_um: Some(1.2),
            position: Some(FilterPosition::BelowJoin),
            placed_s: Some(0.0),
            ..FilterPart::default()
        },
        channels: vec![channel("lipid", Fluid::Lipid), channel("pn", Fluid::Pn2in1)],
        ..Line::default()
    }
}

/// A fixed sequence of small numbers, about −1 to 1.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        let mut sum = 0.0;
        for _ in 0..3 {
            self.0 = self
                .0
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            sum += (self.0 >> 40) as f64 / (1u64 << 24) as f64 - 0.5;
        }
        sum * 1.2
    }
}
