//! What [`super::expect`] says. Nothing here computes.

use crate::units::{Estimate, Pressure, Rate};

/// What a line should do at these rates.
#[derive(Debug, Clone, PartialEq)]
pub struct Expected {
    /// The pressure limit asked about.
    pub limit: Pressure,
    /// Pressure at the catheter's tip.
    pub outlet: Pressure,
    /// Each channel at rest, in the order asked.
    pub channels: Vec<ExpectedChannel>,
    /// A complete block at each part, from the pump to the patient.
    pub blocks: Vec<Block>,
    /// How far filter and catheter could narrow before the first alarm; empty where the limit is already reached.
    pub growth: Vec<Growth>,
    /// After lowering the pumps, where that was asked.
    pub lowered: Option<Lowered>,
    /// What is wrong with the limit, and what to know about it.
    pub warnings: Vec<Warning>,
    /// What was taken for granted.
    pub taken: Vec<Taken>,
}

/// One channel with nothing blocked.
#[derive(Debug, Clone, PartialEq)]
pub struct ExpectedChannel {
    /// The channel.
    pub id: String,
    /// Its rate.
    pub rate: Rate,
    /// Pressure at its pump, mmHg.
    pub pressure_mmhg: Estimate,
}

/// A part of the line that may be blocked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum BlockedPart {
    /// One channel's own tubing, just above the join.
    Tubing(String),
    /// The join, where no filter sits below it.
    Join,
    /// The join or the filter below it.
    JoinOrFilter,
    /// Just below the filter.
    Tail,
    /// The catheter's tip.
    CatheterTip,
}

/// A complete block.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// Where.
    pub part: BlockedPart,
    /// What is stretched: all that lies between the pumps and the block, µL/mmHg.
    pub compliance_ul_per_mmhg: Estimate,
    /// How fast the pressure climbs, mmHg/min.
    pub slope_mmhg_per_min: Estimate,
    /// From the block to the first pump at its limit, minutes, without the pump's own delay; 0 where the limit is already
    /// reached; `None` where the limit does not lie above the outlet's pressure.
    pub minutes_to_alarm: Option<Estimate>,
    /// Held at the limit above the outlet's pressure, and set free at relief, mL.
    pub release_volume_ml: Estimate,
}

/// A part that narrows slowly.
#[derive(Debug, Clone, PartialEq)]
pub struct Growth {
    /// Which.
    pub part: BlockedPart,
    /// The first alarm sounds when its resistance is so many times what it was.
    pub times: f64,
}

/// The pumps were lowered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lowered {
    /// By so much, cm.
    pub cm: f64,
    /// For so long nothing is delivered, minutes.
    pub minutes: Estimate,
}

/// What to know about the limit.
#[derive(Debug, Clone, PartialEq)]
pub enum Warning {
    /// The limit is below the pressure expected with nothing blocked.
    AlarmsUnblocked {
        /// The channel.
        channel: String,
    },
    /// The limit lies in the range of the pressure expected with nothing blocked.
    MayAlarmUnblocked {
        /// The channel.
        channel: String,
    },
    /// The pressure expected takes up most of the way to the limit.
    NearLimit {
        /// The channel.
        channel: String,
        /// What is left, mmHg.
        headroom_mmhg: f64,
    },
    /// The limit is above what guidance allows in small central catheters.
    LimitAboveCatheters {
        /// What it allows, mmHg.
        most_mmhg: f64,
    },
    /// A complete block stays without an alarm for long.
    LongUnnoticed {
        /// So long, minutes.
        minutes: f64,
    },
    /// Relief at the limit frees a large volume.
    LargeRelease {
        /// So much, mL.
        ml: f64,
        /// What is advised at the most, mL.
        most_ml: f64,
    },
}

/// Something the line file did not say.
#[derive(Debug, Clone, PartialEq)]
pub enum Taken {
    /// The catheter's resistance follows from its size.
    CatheterFromSize {
        /// Viscosity of what runs through it, mPa·s.
        viscosity_mpa_s: Estimate,
    },
    /// The catheter's resistance is a range for its kind, mmHg·h/mL.
    CatheterRange(Estimate),
    /// The clean filter's resistance is a range, mmHg·h/mL.
    FilterRange(Estimate),
    /// The filter was taken to sit below the join.
    FilterBelowJoin,
    /// A channel's own resistance is a range, mmHg·h/mL.
    TubingRange(String, Estimate),
    /// A channel's compliance is a range, µL/mmHg.
    ComplianceRange(String, Estimate),
    /// The filter housing's compliance is a range, µL/mmHg.
    FilterCompliance(Estimate),
    /// The tail's compliance is a range, µL/mmHg.
    TailCompliance(Estimate),
}
