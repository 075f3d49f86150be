//! What a review says: plain results, worded and drawn by [`crate::report`].
//!
//! Nothing here computes. Times are seconds from the record's start.

use super::evidence::Evidence;
use crate::time::Span;
use crate::units::Estimate;

/// The part of the line where the flow was hindered; order and meaning are the contract's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Site {
    /// Above the pump.
    Supply,
    /// One channel's own tubing, from pump to join.
    Tubing,
    /// The in-line filter.
    Filter,
    /// Below the filter.
    Catheter,
    /// Nowhere: the pressure limit is too low.
    Settings,
    /// Nowhere: artefact, change of height, movement.
    None,
}

impl Site {
    /// All sites, from the pump to the patient, then the two that are nowhere.
    pub const ALL: [Site; 6] = [
        Site::Supply,
        Site::Tubing,
        Site::Filter,
        Site::Catheter,
        Site::Settings,
        Site::None,
    ];

    /// The contract's word.
    pub fn word(self) -> &'static str {
        match self {
            Site::Supply => "supply",
            Site::Tubing => "tubing",
            Site::Filter => "filter",
            Site::Catheter => "catheter",
            Site::Settings => "settings",
            Site::None => "none",
        }
    }

    /// Its place in [`Site::ALL`].
    pub fn index(self) -> usize {
        self as usize
    }

    /// Whether something hinders the flow there.
    pub fn is_obstruction(self) -> bool {
        !matches!(self, Site::Settings | Site::None)
    }
}

/// What hindered the flow, finer than the site.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Cause {
    /// The container is empty or unvented, or a clamp above the pump is closed.
    SupplyStopped,
    /// A kink or a closed clamp on one channel's own tubing.
    TubingBlocked,
    /// The filter loads with the volume that passes it.
    FilterLoading,
    /// What settles in the filter during pauses blocks pores at the restart.
    FilterSettling,
    /// Precipitate after a medication began.
    FilterPrecipitate,
    /// The lumen narrows with time: fibrin, thrombus, deposit.
    CatheterNarrowing,
    /// A closed clamp or a kink below the filter, at one go.
    CatheterBlocked,
    /// The tip or a kink under the dressing comes and goes with movement.
    CatheterPositional,
    /// The pressure limit is too low for rate, fluid and catheter.
    LimitTooLow,
    /// The pump or the patient was raised or lowered.
    HeightChange,
    /// Cough, crying, a knock, a glitch of the sensor.
    Artefact,
}

impl Cause {
    /// All causes, in the order of their sites.
    pub const ALL: [Cause; 11] = [
        Cause::SupplyStopped,
        Cause::TubingBlocked,
        Cause::FilterLoading,
        Cause::FilterSettling,
        Cause::FilterPrecipitate,
        Cause::CatheterNarrowing,
        Cause::CatheterBlocked,
        Cause::CatheterPositional,
        Cause::LimitTooLow,
        Cause::HeightChange,
        Cause::Artefact,
    ];

    /// The site it belongs to.
    pub fn site(self) -> Site {
        match self {
            Cause::SupplyStopped => Site::Supply,
            Cause::TubingBlocked => Site::Tubing,
            Cause::FilterLoading | Cause::FilterSettling | Cause::FilterPrecipitate => Site::Filter,
            Cause::CatheterNarrowing | Cause::CatheterBlocked | Cause::CatheterPositional => {
                Site::Catheter
            }
            Cause::LimitTooLow => Site::Settings,
            Cause::HeightChange | Cause::Artefact => Site::None,
        }
    }

    /// How it comes about.
    pub fn course(self) -> Course {
        match self {
            Cause::FilterLoading
            | Cause::FilterSettling
            | Cause::FilterPrecipitate
            | Cause::CatheterNarrowing => Course::Gradual,
            Cause::CatheterPositional => Course::Intermittent,
            _ => Course::Step,
        }
    }

    /// A fixed word for files and tests.
    pub fn word(self) -> &'static str {
        match self {
            Cause::SupplyStopped => "supply-stopped",
            Cause::TubingBlocked => "tubing-blocked",
            Cause::FilterLoading => "filter-loading",
            Cause::FilterSettling => "filter-settling",
            Cause::FilterPrecipitate => "filter-precipitate",
            Cause::CatheterNarrowing => "catheter-narrowing",
            Cause::CatheterBlocked => "catheter-blocked",
            Cause::CatheterPositional => "catheter-positional",
            Cause::LimitTooLow => "limit-too-low",
            Cause::HeightChange => "height-change",
            Cause::Artefact => "artefact",
        }
    }
}

/// How an episode came about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Course {
    /// Anything slower than a step.
    Gradual,
    /// Within a minute or two.
    Step,
    /// Came and went two or more times.
    Intermittent,
}

impl Course {
    /// The contract's word.
    pub fn word(self) -> &'static str {
        match self {
            Course::Gradual => "gradual",
            Course::Step => "step",
            Course::Intermittent => "intermittent",
        }
    }
}

/// How sure the suggested site is, by its probability: see [`Confidence::of`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Confidence {
    /// At least [`Confidence::HIGH_FROM`].
    High,
    /// At least [`Confidence::MODERATE_FROM`].
    Moderate,
    /// Below that.
    Low,
}

impl Confidence {
    /// Probability from which a verdict is called high.
    pub const HIGH_FROM: f64 = 0.90;
    /// Probability from which a verdict is called moderate; below it the site is `undetermined`.
    pub const MODERATE_FROM: f64 = 0.60;

    /// The word that goes with a probability.
    pub fn of(probability: f64) -> Self {
        if Self::HIGH_FROM <= probability {
            Confidence::High
        } else if Self::MODERATE_FROM <= probability {
            Confidence::Moderate
        } else {
            Confidence::Low
        }
    }

    /// The contract's word.
    pub fn word(self) -> &'static str {
        match self {
            Confidence::High => "high",
            Confidence::Moderate => "moderate",
            Confidence::Low => "low",
        }
    }
}

/// Why a channel, or the line, was not running.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PauseCause {
    /// Somebody paused it.
    Manual,
    /// An alarm stopped it.
    Alarm,
    /// The record does not say.
    Unknown,
}

impl PauseCause {
    /// The contract's word.
    pub fn word(self) -> &'static str {
        match self {
            PauseCause::Manual => "manual",
            PauseCause::Alarm => "alarm",
            PauseCause::Unknown => "unknown",
        }
    }
}

/// A stretch in which a channel did not run although the record goes on.
#[derive(Debug, Clone, PartialEq)]
pub struct Pause {
    /// The channel.
    pub channel: String,
    /// From the stop to the restart (or the record's end).
    pub span: Span,
    /// Whether the record ends before the restart.
    pub still_on: bool,
    /// Why.
    pub cause: PauseCause,
}

/// What a channel was doing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Doing {
    /// Running at a rate, mL/h.
    Running {
        /// The rate, mL/h, above zero.
        rate_ml_h: f64,
    },
    /// Not running.
    Paused(PauseCause),
    /// No samples.
    Gap,
}

/// A stretch in which a channel did one thing.
#[derive(Debug, Clone, PartialEq)]
pub struct Regime {
    /// The channel.
    pub channel: String,
    /// When.
    pub span: Span,
    /// What.
    pub doing: Doing,
}

/// One point of the resistance below a pump over time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackPoint {
    /// Seconds from the record's start.
    pub t_s: f64,
    /// Resistance below the pump, mmHg·h/mL, with 95 % limits; the upper one may be very large where nothing flows.
    pub resistance_mmhg_h_per_ml: Estimate,
}

/// What was found of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelReview {
    /// The channel.
    pub id: String,
    /// Its own compliance, pump to join (one channel: to the filter), µL/mmHg, 95 %; `None` where the record cannot tell.
    pub compliance_ul_per_mmhg: Option<Estimate>,
    /// Baseline resistance of all that lies below this pump, mmHg·h/mL, 95 %.
    pub resistance_mmhg_h_per_ml: Option<Estimate>,
    /// Pressure at zero flow, mmHg, 95 %.
    pub outlet_pressure_mmhg: Option<Estimate>,
    /// Resistance over time; empty where it cannot be told.
    pub track: Vec<TrackPoint>,
}

/// One stretch in which the flow was hindered, or an alarm sounded.
#[derive(Debug, Clone, PartialEq)]
pub struct Episode {
    /// From 1, in order of onset.
    pub id: u32,
    /// The channels whose pressure it moved, sorted.
    pub channels: Vec<String>,
    /// The channel whose supply or tubing it most likely was; `None` where it lies in what the channels share.
    pub at_channel: Option<String>,
    /// When it began, with its 90 % interval, seconds from the record's start.
    pub onset_s: Estimate,
    /// Relief; `None` where the record ends first.
    pub end_s: Option<f64>,
    /// The occlusion alarm that it led to.
    pub alarm_s: Option<f64>,
    /// From when the record, read only up to then, already showed it.
    pub visible_from_s: f64,
    /// How it came about.
    pub course: Course,
    /// Probability of each site, in the order of [`Site::ALL`]; sums to 1.
    pub sites: [f64; 6],
    /// The most likely site; `None` = undetermined.
    pub suggested: Option<Site>,
    /// How sure the most likely site is.
    pub confidence: Confidence,
    /// Probability of each cause, in the order of [`Cause::ALL`]; sums to 1 less `unexplained`.
    pub causes: [f64; 11],
    /// Probability that none of the causes explains the record.
    pub unexplained: f64,
    /// Why, strongest first.
    pub evidence: Vec<Evidence>,
    /// What to look at, from the pump to the patient, the filter last.
    pub checks: Vec<Check>,
    /// What the record cannot tell here.
    pub cannot_tell: Vec<CannotTell>,
    /// Volume held under pressure and freed at relief, mL, 95 %; `None` where unknown.
    pub release_volume_ml: Option<Estimate>,
    /// Compliance between the pump and the block, from the ramp, µL/mmHg, 95 %; `None` without a ramp.
    pub block_compliance_ul_per_mmhg: Option<Estimate>,
    /// Highest pressure reached, mmHg, over the moved channels.
    pub peak_mmhg: f64,
    /// The pressure that the best and the second-best explanation expect, for drawing.
    pub curves: Vec<FittedCurve>,
}

/// The pressure that one explanation expects at one pump.
#[derive(Debug, Clone, PartialEq)]
pub struct FittedCurve {
    /// The explanation.
    pub cause: Cause,
    /// The channel.
    pub channel: String,
    /// `(t_s, mmHg)`.
    pub points: Vec<(f64, f64)>,
}

/// Something to look at; worded by the report.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Check {
    /// The pressure limit against the pressure that rate, fluid and catheter need.
    PressureLimit,
    /// Container, vent and clamp above the pump.
    Supply,
    /// How the set sits in the pump.
    SetInPump,
    /// Clamps, stopcocks and kinks from this pump to the join.
    ChannelTubing,
    /// The join and what was co-infused: compatibility.
    JoinAndMedication,
    /// The height of the pump and its zero.
    PumpHeight,
    /// Clamps and kinks below the filter.
    TailClamps,
    /// Dressing, hub, position of arm and catheter.
    DressingAndPosition,
    /// Patency of the catheter, by those licensed for it, never against resistance.
    CatheterPatency,
    /// The insertion site: a normal pressure does not exclude infiltration.
    InsertionSite,
    /// The filter, last: replace after the other causes are reviewed.
    Filter,
}

/// What the record cannot tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CannotTell {
    /// Filter and catheter apart: no pause, rate change or intervention tells volume from time.
    FilterFromCatheter,
    /// How far away the block is: too few samples on the ramp.
    Distance,
    /// Whether one channel's tubing or the shared line is blocked: one channel only.
    TubingFromShared,
    /// The state before the episode: too short or disturbed.
    Baseline,
    /// Whether fluid left the vein: pressure is a poor witness of it.
    Infiltration,
    /// Which cause: no explanation fits well.
    AnyCause,
}

/// Something that was taken for granted for want of a file or of data.
#[derive(Debug, Clone, PartialEq)]
pub enum Assumption {
    /// No line file: wide ranges for every part.
    NoLineFile,
    /// The shares of causes before the record is looked at are a site's own.
    OwnPriors,
    /// No events file: pauses, filter changes and medications are known from the trace alone, or not.
    NoEventsFile,
    /// The filter was taken as placed at the record's start.
    FilterPlacedAtStart,
    /// The filter was taken to sit below the join.
    FilterBelowJoin,
    /// The compliance of this channel was taken from a wide range, µL/mmHg.
    ComplianceRange {
        /// The channel.
        channel: String,
        /// The range.
        ul_per_mmhg: Estimate,
    },
    /// The catheter's resistance was worked out from its size.
    CatheterFromSize {
        /// Resistance, mmHg·h/mL.
        mmhg_h_per_ml: f64,
    },
    /// The catheter's resistance was taken from a wide range.
    CatheterRange,
}

/// Why a stretch was not judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum GivenUp {
    /// The budget of work was spent before it was judged.
    TooMuchWork,
    /// More excursions came before it than a line has.
    TooManyDisturbances,
    /// A pressure in it is none that a line has.
    NoLinesPressure,
    /// It is a single reading.
    OneReading,
}

/// A stretch of the record that was not judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NotJudged {
    /// When.
    pub span: Span,
    /// Why.
    pub why: GivenUp,
}

/// One infusion, reviewed.
#[derive(Debug, Clone, PartialEq)]
pub struct Review {
    /// Per channel, in the record's order.
    pub channels: Vec<ChannelReview>,
    /// What each channel did, in order of time per channel.
    pub regimes: Vec<Regime>,
    /// Each channel's pauses, in order of start.
    pub pauses: Vec<Pause>,
    /// Stretches in which no channel ran; `channel` is empty. See the contract's definitions.
    pub line_pauses: Vec<Pause>,
    /// The episodes, in order of onset.
    pub episodes: Vec<Episode>,
    /// Stretches that were not judged: none, as a rule.
    pub not_judged: Vec<NotJudged>,
    /// What was taken for granted.
    pub assumptions: Vec<Assumption>,
}
