//! The kinds of evidence for a site: what was measured and how much it weighs. Sentences are the report's.

use super::review::Site;

/// One piece of evidence.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// What was found.
    pub finding: Finding,
    /// How the log odds of each site change when this piece is taken into the score, in the order of [`Site::ALL`].
    pub log_odds: [f64; 6],
}

/// A site is spoken for, or against, by a piece that moves its odds by this share of the most that it moves any.
const SAME_SHARE: f64 = 0.5;

impl Evidence {
    /// The sites it speaks for, the one whose odds it raises most first; several where it does not tell them apart.
    pub fn toward(&self) -> Vec<Site> {
        self.moved(1.0)
    }

    /// The sites it speaks against, the one whose odds it lowers most first.
    pub fn against(&self) -> Vec<Site> {
        self.moved(-1.0)
    }

    /// The most by which it raises the odds of a site, natural log.
    pub fn strength(&self) -> f64 {
        self.log_odds.iter().copied().fold(0.0, f64::max)
    }

    fn moved(&self, sign: f64) -> Vec<Site> {
        let by = |site: Site| sign * self.log_odds[site.index()];
        let most = Site::ALL.map(by).into_iter().fold(0.0, f64::max);
        let mut sites: Vec<Site> = Site::ALL
            .into_iter()
            .filter(|&s| 0.0 < by(s) && SAME_SHARE * most <= by(s))
            .collect();
        sites.sort_by(|&a, &b| by(b).total_cmp(&by(a)));
        sites
    }
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
    /// The resistance was higher after each of so many pauses although nothing had been filtered meanwhile.
    GrewInPauses {
        /// Number of pauses.
        pauses: u32,
    },
    /// The pressure stayed high while the line stood still.
    HeldAtRest {
        /// Number of pauses.
        pauses: u32,
    },
    /// While the line stood still the pressure was what an open line shows.
    OpenAtRest {
        /// Number of pauses.
        pauses: u32,
    },
    /// The pressure rose while the whole line stood still.
    RoseAtRest {
        /// How often.
        times: u32,
    },
    /// The pressure that the obstruction brings reaches the limit at which the pump alarmed.
    ReachedLimit,
    /// One channel fell alone.
    OneChannelFell {
        /// The channel.
        channel: String,
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
