//! The kinds of evidence for a site: what was measured and how much it weighs. Sentences are the report's.

use super::review::Site;
use crate::units::Estimate;

/// One piece of evidence.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// What was found.
    pub finding: Finding,
    /// The site it speaks for.
    pub toward: Site,
    /// How much: natural log of the factor by which it moves the odds of that site; may be negative (speaks against).
    pub log_odds: f64,
}

/// What was found, with its numbers.
#[derive(Debug, Clone, PartialEq)]
pub enum Finding {
    /// Pressure rose with the volume filtered rather than with time.
    GrewWithVolume,
    /// Pressure rose with time rather than with the volume filtered.
    GrewWithTime,
    /// In pauses that lasted together so many hours, the resistance stood still.
    StoodStillInPauses {
        /// Number of pauses.
        pauses: u32,
    },
    /// The resistance was higher after each of so many pauses.
    JumpedAfterPauses {
        /// Number of pauses.
        pauses: u32,
    },
    /// All running channels moved together.
    AllChannelsTogether {
        /// Number of channels.
        channels: u32,
    },
    /// One channel climbed alone.
    OneChannelAlone {
        /// The channel.
        channel: String,
    },
    /// One channel climbed and the others' pressure fell.
    OthersFell {
        /// The channel that climbed.
        channel: String,
        /// How far the others fell, mmHg.
        fall_mmhg: f64,
    },
    /// The pressure fell although the set rate went on.
    FellWhileRunning {
        /// The channel.
        channel: String,
        /// From, mmHg.
        from_mmhg: f64,
        /// To, mmHg.
        to_mmhg: f64,
    },
    /// The slope of the climb says how much elastic line lies between pump and block.
    RampCompliance {
        /// µL/mmHg, 95 %.
        ul_per_mmhg: Estimate,
    },
    /// The resistance did not change; pressure was what rate and catheter need.
    ResistanceUnchanged {
        /// Expected working pressure, mmHg.
        expected_mmhg: f64,
        /// Limit in force, mmHg.
        limit_mmhg: f64,
    },
    /// The pressure shifted by the same amount at every rate.
    ShiftedAlike {
        /// By so much, mmHg.
        by_mmhg: f64,
    },
    /// It lasted only so long.
    Brief {
        /// Seconds.
        seconds: f64,
    },
    /// It came and went.
    CameAndWent {
        /// How many times it came.
        times: u32,
    },
    /// It came within seconds to a minute or two.
    CameAtOnce,
    /// It came slowly.
    CameSlowly {
        /// Hours from the onset to the alarm or the height.
        hours: f64,
    },
    /// After a filter change the resistance was back at its baseline.
    FilterChangeHelped,
    /// A filter change did not bring the resistance back.
    FilterChangeDidNotHelp,
    /// After a flush the resistance was lower.
    FlushHelped,
    /// After a change of the catheter the resistance was lower.
    CatheterChangeHelped,
    /// A change of the catheter did not bring the resistance down.
    CatheterChangeDidNotHelp,
    /// After a change of the set the resistance was lower.
    SetChangeHelped,
    /// The resistance came down although nothing was noted that takes away what grows there.
    GoneUntouched {
        /// Filter or catheter.
        site: Site,
    },
    /// The pressure limit had been lowered shortly before the alarm.
    LimitLowered {
        /// Limit before, mmHg.
        from_mmhg: f64,
        /// Limit after, mmHg.
        to_mmhg: f64,
    },
    /// After the alarm the pressure limit was raised.
    LimitRaised {
        /// Limit before, mmHg.
        from_mmhg: f64,
        /// Limit after, mmHg.
        to_mmhg: f64,
    },
    /// The patient was moved about when it came or went.
    PatientMovedNearby,
    /// A clamp was noted as closed or opened about when it came or went.
    ClampNoted {
        /// The channel whose clamp it was; `None` = of the line.
        channel: Option<String>,
    },
    /// A note was written about when it was over.
    NoteAtRelief {
        /// The channel that it is about; `None` = the line as a whole.
        channel: Option<String>,
    },
    /// The pump was moved about when the pressure shifted.
    PumpMovedNearby,
    /// A medication began shortly before.
    MedicationBefore {
        /// Minutes from the medication's start to the onset.
        minutes: f64,
    },
    /// The filter was new.
    NewFilter {
        /// Minutes from its placing to the onset.
        minutes: f64,
    },
    /// The pore is too fine for the fluid that runs through it.
    PoreTooFine {
        /// Pore, µm.
        pore_um: f64,
    },
    /// The volume counter stood still although the set rate went on.
    CounterStoodStill {
        /// The channel.
        channel: String,
        /// Volume counted, mL.
        counted_ml: f64,
        /// Volume that the rate was set to, mL.
        set_ml: f64,
    },
    /// It came with the start or a change of the set or container.
    AfterSetChange {
        /// Minutes after it.
        minutes: f64,
    },
    /// The pump alarmed for its supply: empty container, air, upstream.
    SupplyAlarm,
    /// The rate was raised shortly before the alarm.
    AfterRateChange {
        /// Old rate, mL/h.
        from_ml_h: f64,
        /// New rate, mL/h.
        to_ml_h: f64,
    },
    /// How often such causes are behind alarms, before this record is looked at.
    PriorShare {
        /// Share, 0 to 1.
        share: f64,
    },
    /// The shape of the pressure fits this explanation better than its best rival.
    FitsBetter {
        /// The rival's site.
        rival: Site,
    },
}

impl Finding {
    /// Whether it says that something done to the line took the obstruction away.
    pub fn is_relief(&self) -> bool {
        matches!(
            self,
            Self::FilterChangeHelped
                | Self::FlushHelped
                | Self::CatheterChangeHelped
                | Self::SetChangeHelped
        )
    }
}
