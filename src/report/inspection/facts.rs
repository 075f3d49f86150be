//! The figures of an inspection, in the shape of its JSON.

use crate::record::{AccessKind, Channel, FilterPosition, Fluid, Line, LineChannel, Record};
use crate::report::wire::{Gap, Rejected, Time, time};
use crate::report::words;
use crate::time::Clock;
use rayon::prelude::*;
use serde::Serialize;
use std::collections::BTreeMap;

/// What was understood of one trace and its companions.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Inspection {
    /// `patency.inspect/1`.
    pub schema: &'static str,
    /// One for each infusion, sorted by name.
    pub infusions: Vec<Infusion>,
}

/// What was understood of one infusion.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Infusion {
    /// Its name where the trace has many.
    pub infusion: Option<String>,
    /// First sample.
    pub start: Time,
    /// Last sample.
    pub end: Time,
    /// Data rows in the trace.
    pub rows: u64,
    /// Rows not used.
    pub rows_rejected: u64,
    /// The first hundred of them.
    pub rejected: Vec<Rejected>,
    /// Rows that repeated an earlier one of the same channel and time.
    pub rows_repeated: u64,
    /// Rows sorted in, because they stood after a row of a later time.
    pub rows_out_of_order: u64,
    /// How the trace tells time.
    pub clock: ClockFacts,
    /// Per channel.
    pub channels: Vec<ChannelFacts>,
    /// How many events of each kind; `null` without an events file.
    pub events: Option<BTreeMap<String, u64>>,
    /// What the line file says; `null` without one.
    pub line: Option<LineFacts>,
    /// What a reader must know about the files.
    pub notices: Vec<String>,
}

/// How the trace tells time.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ClockFacts {
    /// `calendar` (RFC 3339) or `seconds` (from the record's start).
    pub kind: &'static str,
    /// Offsets from UTC and since when each holds, seconds; empty for plain seconds.
    pub offsets: Vec<Offset>,
}

/// One offset from UTC.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Offset {
    /// Since when.
    pub from: Time,
    /// Seconds east of Greenwich.
    pub offset_s: i32,
}

/// What was read of one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelFacts {
    /// Its name.
    pub id: String,
    /// Samples kept.
    pub samples: u64,
    /// Usual distance between samples, seconds; `null` with fewer than two.
    pub period_s: Option<f64>,
    /// `by-the-clock` or `on-change`.
    pub written: &'static str,
    /// Stretches in which samples are missing.
    pub gaps: Vec<Gap>,
    /// Pressure, mmHg; `null` where none was measured.
    pub pressure_mmhg: Option<Extent>,
    /// Rate, mL/h.
    pub rate_ml_h: Option<Extent>,
    /// Volume, mL; `null` where none was given.
    pub volume_ml: Option<Extent>,
    /// Pressure limit, mmHg; `null` where none was given.
    pub limit_mmhg: Option<Extent>,
}

/// How many values a column has, between which limits, and how finely they were written.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Extent {
    /// Values given; the other samples have none.
    pub given: u64,
    /// Lowest.
    pub low: f64,
    /// Highest.
    pub high: f64,
    /// The coarsest of 10, 5, 1, 0.5, 0.1, 0.05, 0.01 of which all values are multiples; `null` where none is.
    pub step: Option<f64>,
}

/// What the line file says; `null` where it says nothing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LineFacts {
    /// Kind of catheter.
    pub access_kind: Option<&'static str>,
    /// Its bore, mm.
    pub inner_diameter_mm: Option<f64>,
    /// Its length, cm.
    pub length_cm: Option<f64>,
    /// Its resistance, mmHg·h/mL.
    pub access_resistance_mmhg_h_per_ml: Option<f64>,
    /// Pore size of the filter, µm.
    pub filter_pore_um: Option<f64>,
    /// `below-join`, `above-join` or `none`.
    pub filter_position: Option<&'static str>,
    /// The channel of a filter above the join.
    pub filter_channel: Option<String>,
    /// When the filter was placed.
    pub filter_placed: Option<Time>,
    /// Resistance of the clean filter, mmHg·h/mL.
    pub filter_resistance_mmhg_h_per_ml: Option<f64>,
    /// Compliance of the filter's housing, µL/mmHg.
    pub filter_compliance_ul_per_mmhg: Option<f64>,
    /// Compliance from the filter to the hub, µL/mmHg.
    pub tail_compliance_ul_per_mmhg: Option<f64>,
    /// The channels' own tubing.
    pub channels: Vec<LineChannelFacts>,
}

/// What the line file says of one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LineChannelFacts {
    /// Its name; empty where the file names none.
    pub id: String,
    /// What runs in it.
    pub fluid: Option<&'static str>,
    /// Compliance up to the join, µL/mmHg.
    pub compliance_ul_per_mmhg: Option<f64>,
    /// Resistance up to the join, mmHg·h/mL.
    pub resistance_mmhg_h_per_ml: Option<f64>,
}

impl Inspection {
    /// Gathers the figures.
    pub fn new(records: &[Record]) -> Self {
        Self {
            schema: "patency.inspect/1",
            infusions: records.par_iter().map(Infusion::new).collect(),
        }
    }
}

impl Infusion {
    fn new(record: &Record) -> Self {
        let (clock, intake) = (&record.clock, &record.intake);
        let mut events: BTreeMap<String, u64> = BTreeMap::new();
        for event in &record.events {
            *events.entry(event.kind.word().to_string()).or_default() += 1;
        }
        Self {
            infusion: record.infusion.clone(),
            start: time(clock, record.start_s()),
            end: time(clock, record.end_s()),
            rows: intake.rows,
            rows_rejected: intake.rows_rejected,
            rejected: intake.rejected.iter().map(Rejected::from).collect(),
            rows_repeated: intake.repeats,
            rows_out_of_order: intake.out_of_order,
            clock: ClockFacts::new(clock),
            channels: record
                .channels
                .iter()
                .map(|c| ChannelFacts::new(c, clock))
                .collect(),
            events: record.events_given.then_some(events),
            line: record.line.as_ref().map(|l| LineFacts::new(l, clock)),
            notices: intake.notices.iter().map(words::notice).collect(),
        }
    }
}

impl ClockFacts {
    fn new(clock: &Clock) -> Self {
        match clock {
            Clock::Seconds => Self {
                kind: "seconds",
                offsets: Vec::new(),
            },
            Clock::Calendar { offsets, .. } => Self {
                kind: "calendar",
                offsets: offsets
                    .iter()
                    .map(|&(from_s, offset_s)| Offset {
                        from: time(clock, from_s),
                        offset_s,
                    })
                    .collect(),
            },
        }
    }
}

impl ChannelFacts {
    fn new(channel: &Channel, clock: &Clock) -> Self {
        let samples = &channel.samples;
        Self {
            id: channel.id.clone(),
            samples: samples.len() as u64,
            period_s: channel.period_s,
            written: if channel.on_change {
                "on-change"
            } else {
                "by-the-clock"
            },
            gaps: channel
                .gaps
                .iter()
                .map(|gap| Gap {
                    channel: channel.id.clone(),
                    start: time(clock, gap.start_s),
                    end: time(clock, gap.end_s),
                })
                .collect(),
            pressure_mmhg: Extent::of(&samples.pressure_mmhg),
            rate_ml_h: Extent::of(&samples.rate_ml_h),
            volume_ml: Extent::of(&samples.volume_ml),
            limit_mmhg: Extent::of(&samples.limit_mmhg),
        }
    }
}

impl Extent {
    /// Of the values that are not NaN; `None` where there is none.
    pub fn of(values: &[f64]) -> Option<Self> {
        let given = values.iter().filter(|v| !v.is_nan()).count() as u64;
        let (low, high) = limits(values);
        (0 < given).then(|| Self {
            given,
            low,
            high,
            step: [10.0, 5.0, 1.0, 0.5, 0.1, 0.05, 0.01]
                .into_iter()
                .find(|step| are_multiples(values, *step)),
        })
    }
}

/// Lowest and highest of the values that are not NaN.
fn limits(values: &[f64]) -> (f64, f64) {
    // Four at a time: one after the other, each would wait for the one before.
    let (mut low, mut high) = ([f64::INFINITY; 4], [f64::NEG_INFINITY; 4]);
    for four in values.chunks(4) {
        for ((low, high), v) in low.iter_mut().zip(&mut high).zip(four) {
            *low = if *v < *low { *v } else { *low };
            *high = if *high < *v { *v } else { *high };
        }
    }
    let low = low.into_iter().fold(f64::INFINITY, f64::min);
    (low, high.into_iter().fold(f64::NEG_INFINITY, f64::max))
}

fn are_multiples(values: &[f64], step: f64) -> bool {
    // Added and taken away again, it leaves a whole number, but for huge ones: several times as fast as asking the library to
    // round, and many at a time.
    const WHOLE: f64 = 6_755_399_441_055_744.0; // 1.5 · 2⁵²
    let is_surely = |v: &f64| {
        let times = v / step;
        let near = (times - ((times + WHOLE) - WHOLE)).abs() < 1e-6;
        v.is_nan() | (near & (times.abs() < 1e15))
    };
    let is_one = |v: &f64| {
        let times = v / step;
        v.is_nan() || (times - times.round()).abs() < 1e-6
    };
    values
        .chunks(64)
        .all(|some| some.iter().fold(true, |all, v| all & is_surely(v)) || some.iter().all(is_one))
}

impl LineFacts {
    fn new(line: &Line, clock: &Clock) -> Self {
        let (access, filter) = (&line.access, &line.filter);
        let position = filter.position.as_ref();
        Self {
            access_kind: access.kind.map(access_word),
            inner_diameter_mm: access.inner_diameter_mm,
            length_cm: access.length_cm,
            access_resistance_mmhg_h_per_ml: access.resistance.map(|r| r.get()),
            filter_pore_um: filter.pore_um,
            filter_position: position.map(|position| match position {
                FilterPosition::BelowJoin => "below-join",
                FilterPosition::AboveJoin { .. } => "above-join",
                FilterPosition::None => "none",
            }),
            filter_channel: position.and_then(|position| match position {
                FilterPosition::AboveJoin { channel } => Some(channel.clone()),
                FilterPosition::BelowJoin | FilterPosition::None => None,
            }),
            filter_placed: filter.placed_s.map(|t_s| time(clock, t_s)),
            filter_resistance_mmhg_h_per_ml: filter.resistance.map(|r| r.get()),
            filter_compliance_ul_per_mmhg: filter.compliance.map(|c| c.get()),
            tail_compliance_ul_per_mmhg: line.tail.compliance.map(|c| c.get()),
            channels: line.channels.iter().map(LineChannelFacts::new).collect(),
        }
    }
}

impl LineChannelFacts {
    fn new(channel: &LineChannel) -> Self {
        Self {
            id: channel.id.clone(),
            fluid: channel.fluid.map(fluid_word),
            compliance_ul_per_mmhg: channel.compliance.map(|c| c.get()),
            resistance_mmhg_h_per_ml: channel.resistance.map(|r| r.get()),
        }
    }
}

fn access_word(kind: AccessKind) -> &'static str {
    match kind {
        AccessKind::Picc => "picc",
        AccessKind::Cvc => "cvc",
        AccessKind::Umbilical => "umbilical",
        AccessKind::Midline => "midline",
        AccessKind::Peripheral => "peripheral",
    }
}

fn fluid_word(fluid: Fluid) -> &'static str {
    match fluid {
        Fluid::Pn2in1 => "pn-2in1",
        Fluid::Pn3in1 => "pn-3in1",
        Fluid::Lipid => "lipid",
        Fluid::Crystalloid => "crystalloid",
        Fluid::Medication => "medication",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_coarsest_step_that_fits_all_values_is_named() {
        assert_eq!(Extent::of(&[10.0, 25.0, f64::NAN]).unwrap().step, Some(5.0));
        assert_eq!(Extent::of(&[31.0, 32.0]).unwrap().step, Some(1.0));
        assert_eq!(Extent::of(&[0.1, 0.3]).unwrap().step, Some(0.1));
        assert_eq!(Extent::of(&[0.1234]).unwrap().step, None);
        assert_eq!(Extent::of(&[-35.0, 1e20]).unwrap().step, Some(5.0));
        assert_eq!(Extent::of(&[1.000_002]).unwrap().step, None);
        assert_eq!(Extent::of(&[f64::NAN]), None);
    }
}
