//! The review as JSON: the contract's object, field by field, and nothing else in this crate is serialised.
//!
//! In: record and review. Out: [`Review`], whose fields stand in the contract's order; what goes beyond the
//! contract comes after it. Numbers are as computed, not rounded; a number that is not finite is `null`.

use super::words;
use crate::infer;
use crate::record::Record;
use crate::time::{Clock, Span, TimeText};
use crate::units;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The `schema` of [`Review`].
pub const SCHEMA: &str = "patency.review/1";

/// A moment as the trace writes it: RFC 3339, or seconds from the record's start.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Time {
    /// RFC 3339 with the trace's own offset.
    Text(String),
    /// Seconds from the record's start.
    Seconds(f64),
}

/// A figure with its interval, in the unit of the field that holds it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Best value.
    pub value: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// One infusion, reviewed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Review {
    /// [`SCHEMA`].
    pub schema: String,
    /// What was read.
    pub record: RecordPart,
    /// Per channel.
    pub channels: Vec<Channel>,
    /// Each channel's pauses.
    pub pauses: Vec<Pause>,
    /// The episodes, in order of onset.
    pub episodes: Vec<Episode>,
    /// Stretches that were not judged; empty as a rule.
    pub not_judged: Vec<NotJudged>,
    /// Stretches in which no channel ran.
    pub line_pauses: Vec<LinePause>,
    /// The answer in a sentence.
    pub answer: String,
    /// What was taken for granted.
    pub assumptions: Vec<String>,
    /// What a reader must know about the files.
    pub notices: Vec<String>,
    /// To be read with every result.
    pub cautions: Vec<String>,
    /// Name and version of the program.
    pub program: String,
}

/// What was read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RecordPart {
    /// The channels' names.
    pub channels: Vec<String>,
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
    /// Usual distance between samples per channel, seconds; `null` with fewer than two samples.
    pub period_s: BTreeMap<String, Option<f64>>,
    /// Stretches in which samples are missing.
    pub gaps: Vec<Gap>,
    /// Name of the infusion where the trace has many.
    pub infusion: Option<String>,
    /// Rows that repeated an earlier one of the same channel and time.
    pub rows_repeated: u64,
    /// Rows sorted in, because they stood after a row of a later time.
    pub rows_out_of_order: u64,
}

/// A row that was not used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rejected {
    /// Line in the file, from 1, header included.
    pub line: u64,
    /// The column at fault.
    pub column: String,
    /// The cell as it stood.
    pub value: String,
    /// Why.
    pub reason: String,
}

/// A stretch without samples.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Gap {
    /// The channel.
    pub channel: String,
    /// Last sample before it.
    pub start: Time,
    /// First sample after it.
    pub end: Time,
}

/// What was found of one channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Channel {
    /// Its name.
    pub id: String,
    /// Its own compliance, µL/mmHg, 95 %.
    pub compliance_ul_per_mmhg: Option<Estimate>,
    /// Baseline resistance below its pump, mmHg·h/mL, 95 %.
    pub resistance_mmhg_h_per_ml: Option<Estimate>,
    /// Pressure at zero flow, mmHg, 95 %.
    pub outlet_pressure_mmhg: Option<Estimate>,
}

/// A stretch in which one channel stood still.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pause {
    /// The channel.
    pub channel: String,
    /// The stop.
    pub start: Time,
    /// The restart, or the record's end.
    pub end: Time,
    /// `manual`, `alarm` or `unknown`.
    pub cause: String,
    /// Whether the record ends before the restart.
    pub still_on: bool,
}

/// A stretch in which no channel ran.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LinePause {
    /// The stop.
    pub start: Time,
    /// The restart, or the record's end.
    pub end: Time,
    /// `manual`, `alarm` or `unknown`.
    pub cause: String,
    /// Whether the record ends before the restart.
    pub still_on: bool,
}

/// Probability of each site.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sites {
    /// Above the pump.
    pub supply: f64,
    /// One channel's own tubing.
    pub tubing: f64,
    /// The in-line filter.
    pub filter: f64,
    /// Below the filter.
    pub catheter: f64,
    /// The pressure limit is too low.
    pub settings: f64,
    /// Artefact, change of height, movement.
    pub none: f64,
}

/// One episode.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Episode {
    /// From 1, in order of onset.
    pub id: u32,
    /// The channels whose pressure it moved.
    pub channels: Vec<String>,
    /// The channel whose supply or tubing it most likely was; `null` where it lies in what the channels share.
    pub at_channel: Option<String>,
    /// When it began.
    pub onset: Time,
    /// Lower end of the onset's 90 % interval.
    pub onset_low: Time,
    /// Upper end of the onset's 90 % interval.
    pub onset_high: Time,
    /// Relief; `null` where the record ends first.
    pub end: Option<Time>,
    /// The occlusion alarm it led to.
    pub alarm: Option<Time>,
    /// From when the record, read only up to then, already showed it.
    pub visible_from: Time,
    /// `gradual`, `step` or `intermittent`.
    pub course: String,
    /// Probability of each site; sums to 1.
    pub sites: Sites,
    /// The most likely site, or `undetermined`.
    pub suggested: String,
    /// `high`, `moderate` or `low`.
    pub confidence: String,
    /// Why, strongest first.
    pub evidence: Vec<Evidence>,
    /// What to look at, from the pump to the patient.
    pub checks: Vec<String>,
    /// Volume freed at relief, mL, 95 %.
    pub release_volume_ml: Option<Estimate>,
    /// Probability of each cause, finer than the sites, by the fixed word of the cause.
    pub causes: BTreeMap<String, f64>,
    /// Probability that none of the causes explains the record.
    pub unexplained: f64,
    /// What the record cannot tell here.
    pub cannot_tell: Vec<String>,
    /// Compliance between the pump and the block, µL/mmHg, 95 %.
    pub block_compliance_ul_per_mmhg: Option<Estimate>,
    /// Highest pressure reached, mmHg.
    pub peak_mmhg: f64,
}

/// A stretch that was not judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NotJudged {
    /// Where it begins.
    pub start: Time,
    /// Where it ends.
    pub end: Time,
    /// Why, and what to do.
    pub reason: String,
}

/// One piece of evidence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// What was found, as a sentence.
    pub says: String,
    /// The sites it speaks for; two or more where it does not tell them apart.
    #[serde(rename = "for")]
    pub toward: Vec<String>,
    /// How the natural log odds of each site change when this piece is taken into the score.
    pub log_odds: Sites,
}

impl Review {
    /// Puts a review into the contract's words.
    pub fn new(record: &Record, review: &infer::Review) -> Self {
        let clock = &record.clock;
        Self {
            schema: SCHEMA.into(),
            record: RecordPart::new(record),
            channels: review.channels.iter().map(Channel::from).collect(),
            pauses: review.pauses.iter().map(|p| Pause::new(clock, p)).collect(),
            episodes: review
                .episodes
                .iter()
                .map(|e| Episode::new(clock, e))
                .collect(),
            not_judged: review
                .not_judged
                .iter()
                .map(|part| NotJudged::new(clock, part))
                .collect(),
            line_pauses: review
                .line_pauses
                .iter()
                .map(|p| LinePause::new(clock, p))
                .collect(),
            answer: words::plain(&words::headline(record, review)),
            assumptions: review.assumptions.iter().map(words::assumption).collect(),
            notices: record.intake.notices.iter().map(words::notice).collect(),
            cautions: words::CAUTIONS.iter().map(|&c| c.into()).collect(),
            program: concat!("patency ", env!("CARGO_PKG_VERSION")).into(),
        }
    }
}

impl RecordPart {
    fn new(record: &Record) -> Self {
        let clock = &record.clock;
        let gap = |channel: &str, span: &Span| Gap {
            channel: channel.into(),
            start: time(clock, span.start_s),
            end: time(clock, span.end_s),
        };
        Self {
            channels: record.channels.iter().map(|c| c.id.clone()).collect(),
            start: time(clock, record.start_s()),
            end: time(clock, record.end_s()),
            rows: record.intake.rows,
            rows_rejected: record.intake.rows_rejected,
            rejected: record
                .intake
                .rejected
                .iter()
                .take(100)
                .map(Rejected::from)
                .collect(),
            period_s: record
                .channels
                .iter()
                .map(|c| (c.id.clone(), c.period_s))
                .collect(),
            gaps: record
                .channels
                .iter()
                .flat_map(|c| c.gaps.iter().map(|span| gap(&c.id, span)))
                .collect(),
            infusion: record.infusion.clone(),
            rows_repeated: record.intake.repeats,
            rows_out_of_order: record.intake.out_of_order,
        }
    }
}

impl From<&crate::record::RejectedRow> for Rejected {
    fn from(row: &crate::record::RejectedRow) -> Self {
        Self {
            line: row.line,
            column: row.column.clone(),
            value: row.value.clone(),
            reason: row.reason.clone(),
        }
    }
}

impl From<units::Estimate> for Estimate {
    fn from(e: units::Estimate) -> Self {
        Self {
            value: e.value,
            low: e.low,
            high: e.high,
        }
    }
}

impl From<&infer::ChannelReview> for Channel {
    fn from(c: &infer::ChannelReview) -> Self {
        Self {
            id: c.id.clone(),
            compliance_ul_per_mmhg: c.compliance_ul_per_mmhg.map(Into::into),
            resistance_mmhg_h_per_ml: c.resistance_mmhg_h_per_ml.map(Into::into),
            outlet_pressure_mmhg: c.outlet_pressure_mmhg.map(Into::into),
        }
    }
}

impl Pause {
    fn new(clock: &Clock, p: &infer::Pause) -> Self {
        Self {
            channel: p.channel.clone(),
            start: time(clock, p.span.start_s),
            end: time(clock, p.span.end_s),
            cause: p.cause.word().into(),
            still_on: p.still_on,
        }
    }
}

impl LinePause {
    fn new(clock: &Clock, p: &infer::Pause) -> Self {
        let Pause {
            start,
            end,
            cause,
            still_on,
            ..
        } = Pause::new(clock, p);
        Self {
            start,
            end,
            cause,
            still_on,
        }
    }
}

impl NotJudged {
    fn new(clock: &Clock, part: &infer::NotJudged) -> Self {
        Self {
            start: time(clock, part.span.start_s),
            end: time(clock, part.span.end_s),
            reason: words::given_up(part.why).into(),
        }
    }
}

impl Episode {
    fn new(clock: &Clock, e: &infer::Episode) -> Self {
        Self {
            id: e.id,
            channels: e.channels.clone(),
            at_channel: e.at_channel.clone(),
            onset: time(clock, e.onset_s.value),
            onset_low: time(clock, e.onset_s.low),
            onset_high: time(clock, e.onset_s.high),
            end: e.end_s.map(|t| time(clock, t)),
            alarm: e.alarm_s.map(|t| time(clock, t)),
            visible_from: time(clock, e.visible_from_s),
            course: e.course.word().into(),
            sites: Sites::from(e.sites),
            suggested: e.suggested.map_or("undetermined", infer::Site::word).into(),
            confidence: e.confidence.word().into(),
            evidence: e.evidence.iter().map(Evidence::from).collect(),
            checks: e.checks.iter().map(|&c| words::check_sentence(c)).collect(),
            release_volume_ml: e.release_volume_ml.map(Into::into),
            causes: infer::Cause::ALL
                .iter()
                .zip(e.causes)
                .map(|(cause, p)| (cause.word().into(), p))
                .collect(),
            unexplained: e.unexplained,
            cannot_tell: words::not_told(e).into_iter().map(Into::into).collect(),
            block_compliance_ul_per_mmhg: e.block_compliance_ul_per_mmhg.map(Into::into),
            peak_mmhg: e.peak_mmhg,
        }
    }
}

impl From<[f64; 6]> for Sites {
    fn from([supply, tubing, filter, catheter, settings, none]: [f64; 6]) -> Self {
        Self {
            supply,
            tubing,
            filter,
            catheter,
            settings,
            none,
        }
    }
}

impl From<&infer::Evidence> for Evidence {
    fn from(e: &infer::Evidence) -> Self {
        Self {
            says: words::plain(&words::finding(e)),
            toward: e.toward().iter().map(|s| s.word().into()).collect(),
            log_odds: Sites::from(e.log_odds),
        }
    }
}

pub(super) fn time(clock: &Clock, t_s: f64) -> Time {
    match clock.text(t_s) {
        TimeText::Rfc3339(text) => Time::Text(text),
        TimeText::Seconds(seconds) => Time::Seconds(seconds),
    }
}
