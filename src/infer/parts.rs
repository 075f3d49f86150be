//! What is known of a line's parts before its pressure is looked at: from the line file, else from wide ranges.
//!
//! In: the record's line. Out: [`PartsPrior`] and the [`Assumption`]s behind it. Every range that no published
//! source supports is marked as common practice.

use super::baseline::PartsPrior;
use super::review::Assumption;
use crate::hydraulics::Tube;
use crate::hydraulics::water_viscosity_mpa_s;
use crate::record::{AccessKind, FilterPosition, Fluid, Line, Record};
use crate::units::Estimate;

/// Temperature of the fluid in a catheter, °C (common practice, no source: between room and body).
const CATHETER_CELSIUS: f64 = 30.0;
/// Compliance of pump or syringe and tubing, mL/mmHg. Source: 9.0e-9 to 2.1e-8 L/Pa for syringes, Snijder et al.,
/// Biomed Tech 2015, 10.1515/bmt-2014-0148; sets of volumetric pumps go lower (common practice, no source).
const OWN_ML_PER_MMHG: f64 = 1.5e-3;
const OWN_LOG_SD: f64 = 0.5;

/// The priors of a record's line, and what was taken for granted.
pub fn prior(record: &Record) -> (PartsPrior, Vec<Assumption>) {
    let mut assumed = Vec::new();
    let none = Line::default();
    let line = record.line.as_ref().unwrap_or(&none);
    if record.line.is_none() {
        assumed.push(Assumption::NoLineFile);
    }
    if record.priors.are_own() {
        assumed.push(Assumption::OwnPriors);
    }
    if !record.events_given {
        assumed.push(Assumption::NoEventsFile);
    }
    let flow_ml_h = greatest_flow(record);
    let access = access_resistance(line, flow_ml_h, &mut assumed);
    let filter = match &line.filter.position {
        Some(FilterPosition::None | FilterPosition::AboveJoin { .. }) => (0.0, 0.02),
        Some(FilterPosition::BelowJoin) | None => clean_filter(line, flow_ml_h),
    };
    if line.filter.position.is_none() {
        assumed.push(Assumption::FilterBelowJoin);
    }
    if line.filter.placed_s.is_none() {
        assumed.push(Assumption::FilterPlacedAtStart);
    }
    let mut own = Vec::new();
    let mut own_ml_per_mmhg = Vec::new();
    for channel in &record.channels {
        let part = line.channel(&channel.id);
        let (tube, tube_sd) = match part.and_then(|p| p.resistance) {
            Some(r) => (
                r.get(),
                0.3 * r.get() + within((0.02, 0.02), 2.0, flow_ml_h).0,
            ),
            None => within((0.12, 0.12), 12.0, flow_ml_h),
        };
        own.push(match &line.filter.position {
            Some(FilterPosition::AboveJoin { channel: at }) if *at == channel.id => {
                let (r, sd) = clean_filter(line, flow_ml_h);
                (tube + r, tube_sd.hypot(sd))
            }
            _ => (tube, tube_sd),
        });
        own_ml_per_mmhg.push(match part.and_then(|p| p.compliance) {
            Some(c) => (c.get() / 1000.0, 0.25),
            None => {
                let range = Estimate {
                    value: OWN_ML_PER_MMHG * 1000.0,
                    low: OWN_ML_PER_MMHG * 1000.0 * (-1.96 * OWN_LOG_SD).exp(),
                    high: OWN_ML_PER_MMHG * 1000.0 * (1.96 * OWN_LOG_SD).exp(),
                };
                let channel = channel.id.clone();
                assumed.push(Assumption::ComplianceRange {
                    channel,
                    ul_per_mmhg: range,
                });
                (OWN_ML_PER_MMHG, OWN_LOG_SD)
            }
        });
    }
    let prior = PartsPrior {
        shared: (
            access.0 + filter.0,
            (access.1 * access.1 + filter.1 * filter.1).sqrt(),
        ),
        own,
        // Venous pressure 0 to 8 mmHg (Skinner et al., Arch Dis Child 1992;67:374) and a pump between 30 cm
        // below and 50 cm above the heart (common practice, no source).
        outlet_mmhg: (7.0, 16.0),
        own_ml_per_mmhg,
        filter_ml_per_mmhg: line.filter.compliance.map_or(0.25e-3, |c| c.get() / 1000.0),
        tail_ml_per_mmhg: line.tail.compliance.map_or(0.2e-3, |c| c.get() / 1000.0),
    };
    (prior, assumed)
}

/// Mean and standard deviation of the clean filter's resistance, mmHg·h/mL.
fn clean_filter(line: &Line, flow_ml_h: f64) -> (f64, f64) {
    match line.filter.resistance {
        Some(r) => (r.get(), 0.3 * r.get()),
        // 1.2 µm, water: 0.05 to 1 (common practice, no source)
        None => within((0.3, 0.4), 30.0, flow_ml_h),
    }
}

/// Mean and standard deviation of the catheter's resistance, mmHg·h/mL.
fn access_resistance(line: &Line, flow_ml_h: f64, assumed: &mut Vec<Assumption>) -> (f64, f64) {
    let access = &line.access;
    if let Some(measured) = access.resistance {
        return (measured.get(), 0.2 * measured.get());
    }
    let tube = match (access.inner_diameter_mm, access.length_cm) {
        (Some(d), Some(l)) => Tube::new(d, l),
        _ => None,
    };
    let viscosity = water_viscosity_mpa_s(CATHETER_CELSIUS).map(|w| w * relative_viscosity(line));
    if let Some(r) = tube.zip(viscosity).and_then(|(t, v)| t.resistance(v)) {
        assumed.push(Assumption::CatheterFromSize {
            mmhg_h_per_ml: r.get(),
        });
        // The bore enters with its fourth power: ±0.019 mm on 0.3 mm is ±27 %.
        return (r.get(), 0.4 * r.get());
    }
    assumed.push(Assumption::CatheterRange);
    let range = match access.kind {
        // Ranges: 1 Fr 14–25, 2 Fr 2–15 mmHg·h/mL by Poiseuille; the others common practice, no source.
        Some(AccessKind::Picc) => (6.0, 7.0),
        Some(AccessKind::Cvc) => (0.6, 0.8),
        Some(AccessKind::Umbilical) => (1.0, 1.5),
        Some(AccessKind::Midline) => (0.6, 0.8),
        Some(AccessKind::Peripheral) => (0.3, 0.4),
        None => (4.0, 6.0),
    };
    within(range, 60.0, flow_ml_h)
}

/// Faster than any infusion of these ranges, mL/h: a rapid infuser, a blood circuit.
const BEYOND_INFUSIONS_ML_H: f64 = 150.0;

/// Mean and standard deviation of a resistance that nobody gave, cut to so many mmHg of drop where the flow is faster than the
/// ranges are meant for: what passes so fast passes something wider (common practice, no source).
fn within(range: (f64, f64), mmhg: f64, flow_ml_h: f64) -> (f64, f64) {
    if flow_ml_h <= BEYOND_INFUSIONS_ML_H {
        return range;
    }
    let most = mmhg / flow_ml_h;
    (range.0.min(most), range.1.min(1.5 * most))
}

/// The greatest rate of each channel, summed, mL/h.
fn greatest_flow(record: &Record) -> f64 {
    let channels = record.channels.iter();
    let greatest = channels.map(|c| c.samples.rate_ml_h.iter().copied().fold(0.0, f64::max));
    greatest.sum()
}

/// Viscosity of what runs, relative to water: the mean over the channels' fluids.
fn relative_viscosity(line: &Line) -> f64 {
    let of = |fluid: Option<Fluid>| match fluid {
        Some(Fluid::Pn2in1) => 1.6,
        Some(Fluid::Pn3in1 | Fluid::Lipid) => 2.0,
        Some(Fluid::Crystalloid | Fluid::Medication) => 1.1,
        None => 1.5,
    };
    if line.channels.is_empty() {
        return 1.5;
    }
    line.channels.iter().map(|c| of(c.fluid)).sum::<f64>() / line.channels.len() as f64
}

/// Whether all fluids pass a filter below the join, or one channel's passes it above, or there is none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FilterPlace {
    /// Below the join.
    Shared,
    /// In this channel's tubing.
    On(usize),
    /// No filter.
    Nowhere,
    /// Nobody says: below the join, as a rule.
    Unsaid,
}

/// Where the record's filter sits.
pub fn filter_place(record: &Record) -> FilterPlace {
    match record
        .line
        .as_ref()
        .and_then(|l| l.filter.position.as_ref())
    {
        Some(FilterPosition::None) => FilterPlace::Nowhere,
        Some(FilterPosition::AboveJoin { channel }) => record
            .channel_index(channel)
            .map_or(FilterPlace::Shared, FilterPlace::On),
        Some(FilterPosition::BelowJoin) => FilterPlace::Shared,
        None => FilterPlace::Unsaid,
    }
}
