//! The parts of a line as ranges: what its file says, else what such parts span.
//!
//! In: the question. Out: [`Parts`], with a word on everything that the file did not say.

use super::{Question, Range, Taken};
use crate::hydraulics::{Liquid, Tube};
use crate::record::{AccessKind, FilterPosition, Fluid, Line};
use crate::units::{Estimate, Rate};

/// How far an inner diameter may be off, mm. Source: needle gauge comparison chart (en.wikipedia.org), ±0.019 mm for 20 gauge
/// and finer; a small bore is never taken to be less than 0.6 of what is stated.
const DIAMETER_TOLERANCE_MM: f64 = 0.019;

/// One channel, pump to join.
pub(super) struct ChannelPart {
    pub id: String,
    pub rate: Rate,
    /// mmHg·h/mL, with the filter where that sits above the join.
    pub resistance: Estimate,
    /// µL/mmHg.
    pub compliance: Estimate,
}

/// All parts.
pub(super) struct Parts {
    pub channels: Vec<ChannelPart>,
    /// The filter below the join, mmHg·h/mL.
    pub filter: Option<Estimate>,
    /// The catheter, mmHg·h/mL.
    pub access: Estimate,
    /// µL/mmHg.
    pub filter_compliance: Estimate,
    /// µL/mmHg.
    pub tail_compliance: Estimate,
    pub taken: Vec<Taken>,
}

impl Parts {
    /// `None` without a channel.
    pub fn of(question: &Question) -> Option<Self> {
        let line = question.line;
        let mut taken = Vec::new();
        let access = access(question, &mut taken)?;
        let clean = match &line.filter.position {
            Some(FilterPosition::None) => None,
            _ => Some(clean_filter(line, &mut taken)),
        };
        let above = match &line.filter.position {
            Some(FilterPosition::AboveJoin { channel }) => Some(channel.as_str()),
            Some(_) => None,
            None => {
                taken.push(Taken::FilterBelowJoin);
                None
            }
        };
        let standing = line
            .channels
            .iter()
            .filter(|c| !question.rates.iter().any(|(id, _)| *id == c.id))
            .filter_map(|c| Some((c.id.clone(), Rate::new(0.0)?)));
        let named: Vec<(String, Rate)> = question.rates.iter().cloned().chain(standing).collect();
        let channels: Vec<ChannelPart> = named
            .into_iter()
            .map(|(id, rate)| channel(line, id, rate, above.zip(clean), &mut taken))
            .collect();
        let filter = clean.filter(|_| above.is_none());
        let filter_compliance = match (filter, line.filter.compliance) {
            (None, _) => Estimate::exactly(0.0),
            (_, Some(c)) => Estimate::exactly(c.get()),
            (Some(_), None) => range(
                // 0.05 to 1 µL/mmHg for a housing of 0.2–1 mL (common practice, no source)
                (0.25, 0.05, 1.0),
                Taken::FilterCompliance,
                &mut taken,
            ),
        };
        let tail_compliance = match line.tail.compliance {
            Some(c) => Estimate::exactly(c.get()),
            // A catheter adds 0.001–0.1 µL/mmHg, an extension some more (common practice, no source)
            None => range((0.2, 0.02, 0.5), Taken::TailCompliance, &mut taken),
        };
        (!channels.is_empty()).then_some(Self {
            channels,
            filter,
            access,
            filter_compliance,
            tail_compliance,
            taken,
        })
    }

    /// What all channels share: filter and catheter, mmHg·h/mL.
    pub fn shared(&self) -> Estimate {
        self.filter
            .unwrap_or(Estimate::exactly(0.0))
            .plus(self.access)
    }
}

fn range(
    (value, low, high): (f64, f64, f64),
    word: impl Fn(Estimate) -> Taken,
    taken: &mut Vec<Taken>,
) -> Estimate {
    let range = Estimate { value, low, high };
    taken.push(word(range));
    range
}

fn channel(
    line: &Line,
    id: String,
    rate: Rate,
    filter_above: Option<(&str, Estimate)>,
    taken: &mut Vec<Taken>,
) -> ChannelPart {
    let part = line.channel(&id);
    let tube = match part.and_then(|p| p.resistance) {
        Some(r) => Estimate::exactly(r.get()),
        // An extension of 1.0 mm bore and 1.5 m has 0.13 for water, a set of 3 mm next to nothing (Poiseuille).
        None => range(
            (0.12, 0.0, 0.3),
            |r| Taken::TubingRange(id.clone(), r),
            taken,
        ),
    };
    let compliance = match part.and_then(|p| p.compliance) {
        Some(c) => Estimate::exactly(c.get()),
        // 1.2–2.8 for syringes: Snijder et al., Biomed Tech 2015, 10.1515/bmt-2014-0148; down to 0.5 for volumetric
        // sets (common practice, no source).
        None => range(
            (1.5, 0.5, 2.8),
            |c| Taken::ComplianceRange(id.clone(), c),
            taken,
        ),
    };
    let resistance = match filter_above {
        Some((channel, filter)) if channel == id => tube.plus(filter),
        _ => tube,
    };
    ChannelPart {
        id,
        rate,
        resistance,
        compliance,
    }
}

fn clean_filter(line: &Line, taken: &mut Vec<Taken>) -> Estimate {
    match line.filter.resistance {
        Some(r) => Estimate::exactly(r.get()),
        // 1.2 µm, water: 0.05–1 mmHg·h/mL (common practice, no source)
        None => range((0.3, 0.05, 1.0), Taken::FilterRange, taken),
    }
}

fn access(question: &Question, taken: &mut Vec<Taken>) -> Option<Estimate> {
    let access = &question.line.access;
    if let Some(measured) = access.resistance {
        return Some(Estimate::exactly(measured.get()));
    }
    if let (Some(d), Some(l)) = (access.inner_diameter_mm, access.length_cm) {
        let viscosity = viscosity(question)?;
        let of = |d: f64, mpa_s: f64| Some(Tube::new(d, l)?.resistance(mpa_s)?.get());
        taken.push(Taken::CatheterFromSize {
            viscosity_mpa_s: viscosity,
        });
        return Estimate::new(
            of(d, viscosity.value)?,
            of(d + DIAMETER_TOLERANCE_MM, viscosity.low)?,
            of((d - DIAMETER_TOLERANCE_MM).max(0.6 * d), viscosity.high)?,
        );
    }
    // 1 Fr 14–25, 2 Fr 2–15 mmHg·h/mL by Poiseuille from published sizes; the others common practice, no source.
    let kind = match access.kind {
        Some(AccessKind::Picc) => (6.0, 2.0, 25.0),
        Some(AccessKind::Cvc | AccessKind::Midline) => (0.6, 0.1, 2.0),
        Some(AccessKind::Umbilical) => (1.0, 0.2, 3.0),
        Some(AccessKind::Peripheral) => (0.2, 0.1, 0.8),
        None => (4.0, 0.1, 25.0),
    };
    Some(range(kind, Taken::CatheterRange, taken))
}

/// Viscosity of the mixture in the catheter: the parts' logarithms by their share of the flow (Arrhenius' rule for
/// mixtures; a lipid emulsion in an aqueous flow keeps to it roughly).
fn viscosity(question: &Question) -> Option<Estimate> {
    let total: f64 = question.rates.iter().map(|(_, q)| q.get()).sum();
    let water = Liquid::Water.viscosity_mpa_s(question.celsius)?.value;
    let mut log = Estimate::exactly(water.ln());
    for (id, rate) in &question.rates {
        let share = if 0.0 < total {
            rate.get() / total
        } else {
            1.0 / question.rates.len() as f64
        };
        let fluid = question.line.channel(id).and_then(|c| c.fluid);
        let factor = relative_viscosity(fluid);
        log = log.plus(Estimate {
            value: share * factor.value.ln(),
            low: share * factor.low.ln(),
            high: share * factor.high.ln(),
        });
    }
    Some(Estimate {
        value: log.value.exp(),
        low: log.low.exp(),
        high: log.high.exp(),
    })
}

fn relative_viscosity(fluid: Option<Fluid>) -> Estimate {
    let liquid = match fluid {
        Some(Fluid::Pn2in1) => Liquid::Pn2in1,
        Some(Fluid::Pn3in1) => Liquid::Pn3in1,
        Some(Fluid::Lipid) => Liquid::Lipid,
        Some(Fluid::Crystalloid) => Liquid::Crystalloid,
        Some(Fluid::Medication) => Liquid::Medication,
        // Anything from water to a lipid emulsion.
        None => {
            return Estimate {
                value: 1.4,
                low: Liquid::Water.relative_viscosity().low,
                high: Liquid::Lipid.relative_viscosity().high,
            };
        }
    };
    liquid.relative_viscosity()
}
