//! The line file: what lies between pump and patient. Every part may be unknown.

use crate::units::{Compliance, Resistance};

/// The line as its file describes it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Line {
    /// The catheter.
    pub access: Access,
    /// The in-line filter.
    pub filter: FilterPart,
    /// From the filter (or the join) to the catheter's hub.
    pub tail: Tail,
    /// The channels' own tubing, pump to join.
    pub channels: Vec<LineChannel>,
}

impl Line {
    /// The part of the line that belongs to this channel, where the file has it.
    pub fn channel(&self, id: &str) -> Option<&LineChannel> {
        self.channels.iter().find(|c| c.id == id)
    }
}

/// The catheter.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Access {
    /// What kind of catheter.
    pub kind: Option<AccessKind>,
    /// Inner diameter, mm, above zero.
    pub inner_diameter_mm: Option<f64>,
    /// Length, cm, above zero.
    pub length_cm: Option<f64>,
    /// Measured resistance; else worked out from the size.
    pub resistance: Option<Resistance>,
}

/// Kinds of catheter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AccessKind {
    /// Peripherally inserted central catheter.
    Picc,
    /// Central venous catheter.
    Cvc,
    /// Umbilical catheter.
    Umbilical,
    /// Midline catheter.
    Midline,
    /// Peripheral cannula.
    Peripheral,
}

/// The in-line filter.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FilterPart {
    /// Pore size, µm.
    pub pore_um: Option<f64>,
    /// Where it sits.
    pub position: Option<FilterPosition>,
    /// When it was placed, seconds from the record's start (negative = before it).
    pub placed_s: Option<f64>,
    /// Resistance of the clean filter.
    pub resistance: Option<Resistance>,
    /// Elastic storage of its housing.
    pub compliance: Option<Compliance>,
}

/// Where the filter sits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FilterPosition {
    /// Below the join: all fluids pass it.
    BelowJoin,
    /// Above the join, in this channel's tubing.
    AboveJoin {
        /// The channel.
        channel: String,
    },
    /// There is none.
    None,
}

/// From the filter (or the join) to the catheter's hub.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Tail {
    /// Elastic storage.
    pub compliance: Option<Compliance>,
}

/// One channel's own tubing.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LineChannel {
    /// The channel's name, as in the trace.
    pub id: String,
    /// What runs in it.
    pub fluid: Option<Fluid>,
    /// Elastic storage of pump or syringe and tubing, up to the join.
    pub compliance: Option<Compliance>,
    /// Resistance up to the join.
    pub resistance: Option<Resistance>,
}

/// What runs in a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fluid {
    /// Amino acids and glucose.
    Pn2in1,
    /// Amino acids, glucose and lipid in one container.
    Pn3in1,
    /// Lipid emulsion by itself.
    Lipid,
    /// Electrolyte or glucose solution.
    Crystalloid,
    /// A medication.
    Medication,
}
