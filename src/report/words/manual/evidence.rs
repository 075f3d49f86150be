//! The manual's pages of the kinds of evidence.

use super::ManualPage;
use crate::infer::{Finding, Site};
use crate::units::Estimate;

const LINE_EQUATIONS: &str = "The line equations.";

/// The page of a kind of evidence.
pub fn evidence_page(finding: &Finding) -> ManualPage {
    let page = |name, title, is, mark, misleads, source| ManualPage {
        name,
        title,
        is,
        mark,
        misleads,
        source,
    };
    match finding {
        Finding::GrewWithVolume => page(
            "grew-with-volume",
            "Grew with volume",
            "The resistance followed the volume that had passed, through changes of rate and pauses.",
            "A filter is loaded by what passes it; a catheter narrows by the clock.",
            "Where the rate hardly changed, volume and time cannot be told apart.",
            "Blocking laws: Iritani and Katagiri, KONA 33 (2016) 179–202.",
        ),
        Finding::GrewWithTime => page(
            "grew-with-time",
            "Grew with time",
            "The resistance followed the clock, through changes of rate and pauses.",
            "A catheter narrows whether or not fluid passes it.",
            "Where the rate hardly changed, volume and time cannot be told apart.",
            "An assumption of the model.",
        ),
        Finding::StoodStillInPauses { .. } => page(
            "stood-still",
            "Stood still in pauses",
            "The resistance after a pause was what it had been before.",
            "A filter loads only while fluid passes it.",
            "A short pause gives a narrowing catheter no time to show.",
            LINE_EQUATIONS,
        ),
        Finding::JumpedAfterPauses { .. } => page(
            "jumped-after-pauses",
            "Jumped after pauses",
            "The resistance was higher after a pause than before it.",
            "What settles on a filter in a pause blocks pores at the restart.",
            "A catheter may clot in a pause too.",
            "Common practice, no source.",
        ),
        Finding::AllChannelsTogether { .. } => page(
            "all-together",
            "All channels together",
            "Every running channel’s pressure moved at the same time and by the same amount.",
            "What moves all of them lies in what they share: filter, tail or catheter.",
            "A change of height, a cough or crying moves all of them too.",
            LINE_EQUATIONS,
        ),
        Finding::OneChannelAlone { .. } => page(
            "one-alone",
            "One channel alone",
            "One channel’s pressure moved and the others’ did not.",
            "The change lies in that channel’s own tubing, or above its pump.",
            "A filter that sits in one channel, above the join, moves that channel alone as well.",
            LINE_EQUATIONS,
        ),
        Finding::OthersFell { .. } => page(
            "others-fell",
            "The others fell",
            "One channel climbed while the others’ pressure fell.",
            "A channel that is shut sends nothing into the shared part, so the pressure there falls.",
            "Somebody may have lowered another channel’s rate at that moment.",
            LINE_EQUATIONS,
        ),
        Finding::FellWhileRunning { .. } => page(
            "fell-while-running",
            "Fell while running",
            "The pressure fell although the rate was not lowered.",
            "A pump that gets nothing from above sends nothing on.",
            "A block that clears, or a pump that is lowered, lets it fall too.",
            "Hazard report on pumps that run without delivering: Health Devices 15 (1986) 182–184.",
        ),
        Finding::RampCompliance { .. } => page(
            "ramp",
            "Steepness of the climb",
            "While the line was shut, the pressure climbed in a straight line.",
            "The rate over the steepness is the compliance between pump and block: the nearer the block, the steeper.",
            "The compliance of syringes varies widely; without a line file the distance stays rough.",
            "The line equations; compliance of syringes: Snijder et al., Biomed Tech 2015, doi:10.1515/bmt-2014-0148.",
        ),
        Finding::ResistanceUnchanged { .. } => page(
            "resistance-unchanged",
            "Resistance unchanged",
            "The pressure at the alarm was what rate, fluid and catheter need.",
            "Then nothing is blocked: the limit is too low for that rate.",
            "Near the limit a small rise of resistance is enough; both may be true.",
            "Poiseuille’s law.",
        ),
        Finding::ShiftedAlike { .. } => page(
            "shifted-alike",
            "Shifted alike",
            "The pressure moved by the same amount at every rate, also at rate zero.",
            "A change of height moves the zero and leaves the slope alone.",
            "With one rate only, slope and zero cannot be told apart.",
            "Hydrostatics: 0.74 mmHg for each centimetre of water.",
        ),
        Finding::Brief { .. } => page(
            "brief",
            "Brief",
            "It was over within seconds to a minute.",
            "Blocked lines do not open by themselves so soon.",
            "A catheter may close for a moment with movement.",
            "Common practice, no source.",
        ),
        Finding::CameAndWent { .. } => page(
            "came-and-went",
            "Came and went",
            "The pressure rose and fell back two or more times.",
            "A kink under the dressing or a tip against the wall of the vein opens and closes with movement; a filter does not.",
            "A clamp that is opened and closed in the course of care.",
            "Common practice, no source.",
        ),
        Finding::CameAtOnce => page(
            "came-at-once",
            "Came at once",
            "The flow was hindered from one minute to the next.",
            "Clamps and kinks shut at once; filters load slowly.",
            "Precipitate can block a filter within minutes.",
            LINE_EQUATIONS,
        ),
        Finding::CameSlowly { .. } => page(
            "came-slowly",
            "Came slowly",
            "The pressure rose over hours.",
            "Filters and narrowing catheters act slowly; clamps do not.",
            "At a low rate and with a soft syringe a closed clamp, too, takes an hour or more to alarm.",
            "Time to alarm of syringe pumps: Donmez et al., Paediatr Anaesth 15 (2005) 293–296.",
        ),
        Finding::FilterChangeHelped => page(
            "filter-change-helped",
            "Filter change helped",
            "After a new filter the resistance was back at its baseline.",
            "What a new filter cures lay in the filter.",
            "Whoever changes the filter also moves the line and opens clamps.",
            "Common practice, no source.",
        ),
        Finding::FilterChangeDidNotHelp => page(
            "filter-change-no-help",
            "Filter change did not help",
            "With a new filter the resistance stayed where it was.",
            "Then it did not lie in the filter.",
            "The new filter may have been badly primed.",
            "Common practice, no source.",
        ),
        Finding::FlushHelped => page(
            "flush-helped",
            "Flush helped",
            "After a flush the resistance was lower.",
            "A flush clears catheters, not filters.",
            "A flush above the filter may also shift what lies on it.",
            "Common practice, no source.",
        ),
        Finding::PatientMovedNearby => page(
            "patient-moved",
            "Patient moved",
            "The patient was moved about when it came or went.",
            "Movement bends lines and turns catheter tips.",
            "Patients are moved often: it may be chance.",
            "Common practice, no source.",
        ),
        Finding::ClampNoted { .. } => page(
            "clamp-noted",
            "Clamp noted",
            "Somebody wrote down that a clamp was closed or opened about then.",
            "A closed clamp blocks the line; opening it ends the block.",
            "Clamps are also closed because there is trouble.",
            "Closed lines are the most frequent known cause of occlusion alarms: Fonzo-Christe et al., J Pediatr Pharmacol Ther 25 (2020) 500–506.",
        ),
        Finding::PumpMovedNearby => page(
            "pump-moved",
            "Pump moved",
            "The pump was moved about when the pressure shifted.",
            "Height shifts the pressure, with nothing blocked.",
            "Moving a pump also bends its lines.",
            "Hydrostatics: 0.74 mmHg for each centimetre of water.",
        ),
        Finding::MedicationBefore { .. } => page(
            "medication-before",
            "Medication before",
            "A medication had been started shortly before.",
            "Fluids that do not go together form precipitate within minutes to tens of minutes.",
            "Medications are started often: it may be chance.",
            "Shay et al., Infect Control Hosp Epidemiol 18 (1997) 814–817.",
        ),
        Finding::NewFilter { .. } => page(
            "new-filter",
            "New filter",
            "The filter had been placed less than an hour before.",
            "A filter that lipid reaches first, undiluted, or that holds air, blocks early.",
            "The line was handled at that time: a clamp may be closed.",
            "Advice on priming with lipid in a professional society’s fact sheet of 2021; the hour is common practice, no source.",
        ),
        Finding::PoreTooFine { .. } => page(
            "pore-too-fine",
            "Pore too fine",
            "The line file has a pore below 1.2 µm, and lipid runs through it.",
            "Lipid droplets block a filter of 0.2 µm; 1.2 µm lets them pass.",
            "The line file may be wrong.",
            "Position paper on filters for parenteral nutrition: Nutr Clin Pract 36 (2021) 29–39, doi:10.1002/ncp.10587.",
        ),
        Finding::AfterSetChange { .. } => page(
            "after-set-change",
            "After a start or change",
            "It came with the start or a change of the set or the container.",
            "Then clamps are easily left closed.",
            "A new filter, placed at the same time, may be badly primed.",
            "Common practice, no source.",
        ),
        Finding::SupplyAlarm => page(
            "supply-alarm",
            "Supply alarm",
            "The pump itself alarmed for its supply: container empty, or a block above it.",
            "A pump with a sensor above it sees what the pressure below it shows only late.",
            "The alarm may come from another channel, or after the line was already disturbed.",
            "Hazard report on pumps that run without delivering: Health Devices 15 (1986) 182–184.",
        ),
        Finding::AfterRateChange { .. } => page(
            "after-rate-change",
            "After a rate change",
            "The rate had been raised shortly before the alarm.",
            "A higher rate needs a higher pressure, with nothing blocked.",
            "A resistance that had been rising reaches the limit sooner at a higher rate.",
            "Poiseuille’s law.",
        ),
        Finding::PriorShare { .. } => page(
            "prior",
            "How often it happens",
            "How often such a cause is found behind occlusion alarms, moved by what the files say of the line.",
            "What is frequent is more likely before anything is measured.",
            "The shares come from one study of few alarms; another ward may differ.",
            "Fonzo-Christe et al., J Pediatr Pharmacol Ther 25 (2020) 500–506: 50 described occlusion alarms.",
        ),
        Finding::FitsBetter { .. } => page(
            "fits-better",
            "Fits better",
            "The pressure that one explanation expects lies closer to the measured pressure than what its rival expects.",
            "Each cause has a course of its own; the picture of both shows the difference.",
            "Neighbouring readings share noise, so a good fit weighs less than it seems; the weight allows for that.",
            "Comparison of models by their marginal likelihood.",
        ),
    }
}

/// The pages of all kinds.
pub fn evidence_pages() -> Vec<ManualPage> {
    let channel = String::new;
    let about = |value| Estimate {
        value,
        low: value,
        high: value,
    };
    [
        Finding::GrewWithVolume,
        Finding::GrewWithTime,
        Finding::StoodStillInPauses { pauses: 1 },
        Finding::JumpedAfterPauses { pauses: 1 },
        Finding::AllChannelsTogether { channels: 2 },
        Finding::OneChannelAlone { channel: channel() },
        Finding::OthersFell {
            channel: channel(),
            fall_mmhg: 0.0,
        },
        Finding::FellWhileRunning {
            channel: channel(),
            from_mmhg: 0.0,
            to_mmhg: 0.0,
        },
        Finding::RampCompliance {
            ul_per_mmhg: about(1.0),
        },
        Finding::ResistanceUnchanged {
            expected_mmhg: 0.0,
            limit_mmhg: 0.0,
        },
        Finding::ShiftedAlike { by_mmhg: 0.0 },
        Finding::Brief { seconds: 0.0 },
        Finding::CameAndWent { times: 2 },
        Finding::CameAtOnce,
        Finding::CameSlowly { hours: 0.0 },
        Finding::FilterChangeHelped,
        Finding::FilterChangeDidNotHelp,
        Finding::FlushHelped,
        Finding::PatientMovedNearby,
        Finding::ClampNoted { channel: None },
        Finding::PumpMovedNearby,
        Finding::MedicationBefore { minutes: 0.0 },
        Finding::NewFilter { minutes: 0.0 },
        Finding::PoreTooFine { pore_um: 0.2 },
        Finding::AfterSetChange { minutes: 0.0 },
        Finding::SupplyAlarm,
        Finding::AfterRateChange {
            from_ml_h: 0.0,
            to_ml_h: 0.0,
        },
        Finding::PriorShare { share: 0.0 },
        Finding::FitsBetter {
            rival: Site::Filter,
        },
    ]
    .iter()
    .map(evidence_page)
    .collect()
}
