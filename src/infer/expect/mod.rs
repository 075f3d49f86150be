//! What a line should do, before any of it is blocked: the pressures to expect, and what an alarm would take.
//!
//! In: a [`Line`], the rates, a pressure limit, the pressure at the catheter's tip. Out: [`Expected`]: the pressure at
//! each pump; for a complete block at each part the time to the alarm and the volume held at it; how far each resistance
//! could grow first; what is wrong with the limit. No record is read: this is the line model at rest and its exact
//! ramps ([`crate::hydraulics`]). The ranges are those of the parts, taken all low or all high: they are no
//! probabilities.

mod parts;
mod result;
#[cfg(test)]
mod tests;

pub use result::{Block, BlockedPart, Expected, ExpectedChannel, Growth, Lowered, Taken, Warning};

use crate::hydraulics::{Ramp, hydrostatic};
use crate::record::Line;
use crate::units::{Compliance, Estimate, Pressure, Rate};
use parts::Parts;

/// The longest that a complete block may go unnoticed without a word, hours (common practice, no source).
const LONG_WAIT_H: f64 = 1.0;
/// Share of the way from the outlet's pressure to the limit that the working pressure may take up (common practice, no
/// source).
const NEAR_LIMIT: f64 = 0.7;
/// The pressure that neonatal guidance allows in small central catheters, mmHg. Source: Glasgow neonatology,
/// percutaneous long lines (clinicalguidelines.scot.nhs.uk): infusion pressure not above 300 mmHg.
const MOST_IN_SMALL_CATHETERS_MMHG: f64 = 300.0;
/// The release volume advised at the most, mL. Source: a device-evaluation institute's advice of 2015, as quoted at
/// th4.ilovetranslation.com.
const MOST_RELEASED_ML: f64 = 0.5;

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct Question<'a> {
    /// The line.
    pub line: &'a Line,
    /// Channels and their rates, in the order to show them. Channels of the line that are not named stand still.
    pub rates: Vec<(String, Rate)>,
    /// The pressure limit.
    pub limit: Pressure,
    /// Pressure at the catheter's tip: vein, less the height of the pump over the heart.
    pub outlet: Pressure,
    /// Temperature of the fluid in the catheter, °C, 0–100.
    pub celsius: f64,
    /// How far the pumps might be lowered, cm; `None` = not asked.
    pub lowered_cm: Option<f64>,
}

/// Works out what to expect.
///
/// `P_i = P_out + R_i Q_i + (R_filter + R_catheter) ΣQ`; after a complete block the pressure climbs at `Q / C` with `C` all
/// that lies above it; at the alarm `C (P_limit − P_out)` is held and set free at relief. `None` without a channel, or where
/// a figure leaves the range of numbers.
pub fn expect(question: &Question) -> Option<Expected> {
    let parts = Parts::of(question)?;
    let total = Rate::new(question.rates.iter().map(|(_, q)| q.get()).sum())?;
    let outlet = question.outlet.get();
    let join = parts.shared().scaled(total.get()).shifted(outlet);
    let channels: Vec<ExpectedChannel> = parts
        .channels
        .iter()
        .map(|c| ExpectedChannel {
            id: c.id.clone(),
            rate: c.rate,
            pressure_mmhg: c.resistance.scaled(c.rate.get()).plus(join),
        })
        .collect();
    let lowered = lowered(question, &parts, total);
    let mut expected = Expected {
        limit: question.limit,
        outlet: question.outlet,
        blocks: blocks(question, &parts, &channels, total),
        growth: growth(question, &parts, &channels, total),
        lowered,
        warnings: Vec::new(),
        taken: parts.taken,
        channels,
    };
    expected.warnings = warnings(question, &expected);
    let blocks = expected.blocks.iter();
    let blocks = blocks.flat_map(|b| [b.slope_mmhg_per_min, b.release_volume_ml]);
    let pressures = expected.channels.iter().map(|c| c.pressure_mmhg);
    let in_range = |e: Estimate| e.low.is_finite() && e.high.is_finite();
    let all = pressures.chain(blocks).all(in_range);
    all.then_some(expected)
}

/// A complete block at each part, from the pump to the patient.
fn blocks(
    question: &Question,
    parts: &Parts,
    channels: &[ExpectedChannel],
    total: Rate,
) -> Vec<Block> {
    let mut blocks = Vec::new();
    for (part, channel) in parts.channels.iter().zip(channels) {
        if 0.0 < channel.rate.get() {
            blocks.push(block(
                question,
                BlockedPart::Tubing(channel.id.clone()),
                part.compliance,
                channel.rate,
                &[channel],
            ));
        }
    }
    if total.get() == 0.0 {
        return blocks;
    }
    let all: Vec<&ExpectedChannel> = channels.iter().collect();
    let mut above = parts
        .channels
        .iter()
        .map(|c| c.compliance)
        .reduce(Range::plus)
        .unwrap_or(Estimate::exactly(0.0));
    let shared_filter = parts.filter.is_some();
    blocks.push(block(
        question,
        if shared_filter {
            BlockedPart::JoinOrFilter
        } else {
            BlockedPart::Join
        },
        above,
        total,
        &all,
    ));
    if shared_filter {
        above = above.plus(parts.filter_compliance);
        blocks.push(block(question, BlockedPart::Tail, above, total, &all));
    }
    above = above.plus(parts.tail_compliance);
    blocks.push(block(
        question,
        BlockedPart::CatheterTip,
        above,
        total,
        &all,
    ));
    blocks
}

/// `climbing` are the channels whose pressure the block moves; the one nearest to the limit sounds first.
fn block(
    question: &Question,
    part: BlockedPart,
    ul_per_mmhg: Estimate,
    rate: Rate,
    climbing: &[&ExpectedChannel],
) -> Block {
    let highest = climbing
        .iter()
        .filter(|c| 0.0 < c.rate.get())
        .map(|c| c.pressure_mmhg)
        .reduce(Range::highest)
        .unwrap_or(Estimate::exactly(question.outlet.get()));
    let minutes = |c: f64, start: f64| {
        let ramp = Ramp {
            start: Pressure::new(start)?,
            rate,
            compliance: Compliance::new(c)?,
        };
        ramp.time_to(question.limit).map(|h| 60.0 * h.get())
    };
    let minutes = || {
        Estimate::new(
            minutes(ul_per_mmhg.value, highest.value)?,
            minutes(ul_per_mmhg.low, highest.high)?,
            minutes(ul_per_mmhg.high, highest.low)?,
        )
    };
    let rise = (question.limit - question.outlet).get().max(0.0);
    Block {
        part,
        compliance_ul_per_mmhg: ul_per_mmhg,
        slope_mmhg_per_min: Estimate {
            value: slope(rate, ul_per_mmhg.value),
            low: slope(rate, ul_per_mmhg.high),
            high: slope(rate, ul_per_mmhg.low),
        },
        minutes_to_alarm: if question.limit <= question.outlet {
            None
        } else {
            minutes()
        },
        release_volume_ml: ul_per_mmhg.scaled(rise / 1000.0),
    }
}

fn slope(rate: Rate, ul_per_mmhg: f64) -> f64 {
    rate.get() / (ul_per_mmhg / 1000.0) / 60.0
}

/// How far filter and catheter could narrow before the first alarm.
fn growth(
    question: &Question,
    parts: &Parts,
    channels: &[ExpectedChannel],
    total: Rate,
) -> Vec<Growth> {
    let running = channels.iter().filter(|c| 0.0 < c.rate.get());
    let Some(highest) = running.map(|c| c.pressure_mmhg.value).reduce(f64::max) else {
        return Vec::new();
    };
    let headroom = question.limit.get() - highest;
    let each = [
        (BlockedPart::JoinOrFilter, parts.filter),
        (BlockedPart::CatheterTip, Some(parts.access)),
    ];
    each.into_iter()
        .filter_map(|(part, resistance)| {
            let drop = resistance?.value * total.get();
            let times = 1.0 + headroom / drop;
            (0.0 < headroom && times.is_finite()).then_some(Growth { part, times })
        })
        .collect()
}

/// How long nothing is delivered after the pumps were lowered: the line must first be filled up again.
fn lowered(question: &Question, parts: &Parts, total: Rate) -> Option<Lowered> {
    let cm = question.lowered_cm?;
    let fall = hydrostatic(cm, 1000.0)?.get();
    let all = parts
        .channels
        .iter()
        .map(|c| c.compliance)
        .reduce(Range::plus)?;
    let minutes = all.scaled(fall.max(0.0) / 1000.0 / total.get() * 60.0);
    minutes.value.is_finite().then_some(Lowered { cm, minutes })
}

fn warnings(question: &Question, expected: &Expected) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let limit = question.limit.get();
    let outlet = question.outlet.get();
    for c in expected.channels.iter().filter(|c| 0.0 < c.rate.get()) {
        let channel = c.id.clone();
        let p = c.pressure_mmhg;
        if limit <= p.value {
            warnings.push(Warning::AlarmsUnblocked { channel });
        } else if limit <= p.high {
            warnings.push(Warning::MayAlarmUnblocked { channel });
        } else if NEAR_LIMIT * (limit - outlet) < p.value - outlet {
            warnings.push(Warning::NearLimit {
                channel,
                headroom_mmhg: limit - p.value,
            });
        }
    }
    let small = question
        .line
        .access
        .inner_diameter_mm
        .is_some_and(|d| d < 0.5)
        || question.line.access.kind == Some(crate::record::AccessKind::Picc);
    if small && MOST_IN_SMALL_CATHETERS_MMHG < limit {
        warnings.push(Warning::LimitAboveCatheters {
            most_mmhg: MOST_IN_SMALL_CATHETERS_MMHG,
        });
    }
    let slowest = expected
        .blocks
        .iter()
        .filter_map(|b| b.minutes_to_alarm.map(|m| m.value))
        .reduce(f64::max);
    if let Some(minutes) = slowest.filter(|m| LONG_WAIT_H * 60.0 < *m) {
        warnings.push(Warning::LongUnnoticed { minutes });
    }
    let largest = expected
        .blocks
        .iter()
        .map(|b| b.release_volume_ml.value)
        .fold(0.0, f64::max);
    if MOST_RELEASED_ML < largest {
        warnings.push(Warning::LargeRelease {
            ml: largest,
            most_ml: MOST_RELEASED_ML,
        });
    }
    warnings
}

/// Sums of ranges: all low or all high.
trait Range: Sized {
    fn exactly(value: f64) -> Self;
    fn plus(self, other: Self) -> Self;
    fn shifted(self, by: f64) -> Self;
    fn highest(self, other: Self) -> Self;
}

impl Range for Estimate {
    fn exactly(value: f64) -> Self {
        Self {
            value,
            low: value,
            high: value,
        }
    }

    fn plus(self, other: Self) -> Self {
        Self {
            value: self.value + other.value,
            low: self.low + other.low,
            high: self.high + other.high,
        }
    }

    fn shifted(self, by: f64) -> Self {
        self.plus(Self::exactly(by))
    }

    fn highest(self, other: Self) -> Self {
        Self {
            value: self.value.max(other.value),
            low: self.low.max(other.low),
            high: self.high.max(other.high),
        }
    }
}
