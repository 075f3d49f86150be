//! Evidence in sentences, and its weight in words.

use super::number::{bare, count, duration, pressure, rate};
use super::{clip, site_name};
use crate::infer::{Evidence, Finding, Site};

/// What grew in less than this came fast for a growth, hours: five minutes.
const SLOW_HOURS: f64 = 1.0 / 12.0;

/// What was found, as one sentence with its numbers.
pub fn finding(evidence: &Evidence) -> String {
    match &evidence.finding {
        Finding::GrewWithVolume => "Pressure rose with the volume filtered, not with time.".into(),
        Finding::GrewWithTime => "Pressure rose with time, not with the volume filtered.".into(),
        Finding::StoodStillInPauses { pauses } => format!(
            "The resistance did not grow while the line stood still ({}).",
            count(u64::from(*pauses), "pause", "pauses")
        ),
        Finding::JumpedAfterPauses { pauses } => format!(
            "The resistance was higher after the restart than before the stop ({}).",
            count(u64::from(*pauses), "pause", "pauses")
        ),
        Finding::GrewInPauses { pauses } => format!(
            "The resistance was higher after the restart although nothing had been delivered meanwhile ({}).",
            count(u64::from(*pauses), "pause", "pauses")
        ),
        Finding::HeldAtRest { .. } => {
            "While the line stood still, the pressure stayed above that of an open line.".into()
        }
        Finding::OpenAtRest { .. } => {
            "While the line stood still, the pressure was not that of an obstructed line.".into()
        }
        Finding::RoseAtRest { times } => format!(
            "The pressure rose {} while no pump of this line ran.",
            count(u64::from(*times), "time", "times")
        ),
        Finding::ReachedLimit => "The pressure reached the limit at which the pump alarmed.".into(),
        Finding::OneChannelFell { channel } => format!(
            "Channel “{}” fell; the others changed only by the flow that they share with it.",
            clip(channel)
        ),
        Finding::AllChannelsTogether { channels } => {
            let all = match channels {
                2 => "Both running channels".to_string(),
                n => format!("All {n} running channels"),
            };
            format!("{all} moved together, so the change lies in what they share.")
        }
        Finding::OneChannelAlone { channel } => {
            format!(
                "Channel “{}” climbed alone; the others did not follow.",
                clip(channel)
            )
        }
        Finding::OthersFell { channel, fall_mmhg } => format!(
            "Channel “{}” climbed while the others fell by {}: less was reaching the part they share.",
            clip(channel),
            pressure(*fall_mmhg)
        ),
        Finding::FellWhileRunning {
            channel,
            from_mmhg,
            to_mmhg,
        } => format!(
            "The pressure of channel “{}” fell from {} to {} although its rate went on.",
            clip(channel),
            pressure(*from_mmhg),
            pressure(*to_mmhg)
        ),
        Finding::ResistanceUnchanged {
            expected_mmhg,
            limit_mmhg,
        } => format!(
            "The resistance did not change: at this rate the line needs about {}, and the limit stood at {}.",
            pressure(*expected_mmhg),
            pressure(*limit_mmhg)
        ),
        Finding::ShiftedAlike { by_mmhg } => format!(
            "The pressure shifted by the same amount, {}, at every rate.",
            pressure(*by_mmhg)
        ),
        Finding::Brief { seconds } => format!("It lasted only {}.", duration(*seconds)),
        Finding::CameAndWent { times } => {
            format!(
                "It came and went {}.",
                count(u64::from(*times), "time", "times")
            )
        }
        Finding::CameAtOnce => "It came at once, within a minute or two.".into(),
        Finding::CameSlowly { hours } if *hours < SLOW_HOURS => {
            format!(
                "It grew rather than stepped up, within {}.",
                duration(hours * 3600.0)
            )
        }
        Finding::CameSlowly { hours } => {
            format!("It came slowly, over {}.", duration(hours * 3600.0))
        }
        Finding::FilterChangeHelped => {
            "After the filter change the resistance was back where it had been.".into()
        }
        Finding::FilterChangeDidNotHelp => {
            "The filter change did not bring the resistance back.".into()
        }
        Finding::FlushHelped => "After the flush the resistance was lower.".into(),
        Finding::CatheterChangeHelped => {
            "After the catheter was changed the resistance was lower.".into()
        }
        Finding::CatheterChangeDidNotHelp => {
            "Changing the catheter did not bring the resistance down.".into()
        }
        Finding::LimitLowered { from_mmhg, to_mmhg } => format!(
            "The pressure limit had been lowered shortly before, from {} to {}.",
            pressure(*from_mmhg),
            pressure(*to_mmhg)
        ),
        Finding::LimitRaised { from_mmhg, to_mmhg } => format!(
            "After the alarm the pressure limit was raised from {} to {}.",
            pressure(*from_mmhg),
            pressure(*to_mmhg)
        ),
        Finding::GoneUntouched { site: Site::Filter } => {
            "The resistance came down although no new filter was noted.".into()
        }
        Finding::GoneUntouched { .. } => {
            "The resistance came down although neither a flush nor a new catheter was noted.".into()
        }
        Finding::SetChangeHelped => "After the set was changed the resistance was lower.".into(),
        Finding::PatientMovedNearby => "The patient was moved about when it came or went.".into(),
        Finding::ClampNoted {
            channel: Some(channel),
        } => format!(
            "A clamp on channel “{}” was noted as closed or opened about when it came or went.",
            clip(channel)
        ),
        Finding::ClampNoted { channel: None } => {
            "A clamp on the line was noted as closed or opened about when it came or went.".into()
        }
        Finding::NoteAtRelief {
            channel: Some(channel),
        } => format!(
            "A note about channel “{}” was written about when it was over.",
            clip(channel)
        ),
        Finding::NoteAtRelief { channel: None } => {
            "A note about the line as a whole was written about when it was over.".into()
        }
        Finding::PumpMovedNearby => "The pump was moved about when the pressure shifted.".into(),
        Finding::MedicationBefore { minutes } => {
            format!(
                "A medication had been started {} before.",
                duration(minutes * 60.0)
            )
        }
        Finding::NewFilter { minutes } => {
            format!(
                "The filter had been placed only {} before.",
                duration(minutes * 60.0)
            )
        }
        Finding::PoreTooFine { pore_um } => format!(
            "A pore of {} µm is too fine for the lipid that runs through it; lipid needs 1.2 µm.",
            bare(*pore_um)
        ),
        Finding::AfterSetChange { minutes } => format!(
            "It came {} after the start or a change of the set or container.",
            duration(minutes * 60.0)
        ),
        Finding::SupplyAlarm => {
            "The pump alarmed for its supply: container, air or a clamp above it.".into()
        }
        Finding::CounterStoodStill {
            channel,
            counted_ml,
            set_ml,
        } => format!(
            "The volume counter of {channel} went on by {counted_ml:.2} mL where its rate was set to {set_ml:.2} mL."
        ),
        Finding::AfterRateChange { from_ml_h, to_ml_h } => format!(
            "The rate had been raised from {} to {} shortly before.",
            rate(*from_ml_h),
            rate(*to_ml_h)
        ),
    }
}

/// How much a piece of evidence weighs, for words and for the width of a mark.
#[derive(Debug, Clone, PartialEq)]
pub struct Weight {
    /// `points clearly to the filter or the catheter rather than one channel’s tubing`.
    pub words: String,
    /// `odds × 8.2`.
    pub odds: String,
    /// 0 to 4.
    pub strength: u8,
}

/// So many sites are named as those that a piece of evidence speaks against.
const NAMED: usize = 2;

/// Words for how a piece of evidence moves the odds of the sites. The steps are factors of 1.5, 3, 10 and 100.
pub fn weight(evidence: &Evidence) -> Weight {
    let factor = evidence.strength().exp();
    let strength = [1.5, 3.0, 10.0, 100.0]
        .iter()
        .filter(|&&step| step <= factor)
        .count() as u8;
    let points = match strength {
        0 => "hardly points to",
        1 => "points slightly to",
        2 => "points clearly to",
        3 => "points strongly to",
        _ => "points very strongly to",
    };
    let names = |sites: Vec<Site>| {
        let names: Vec<&str> = sites.into_iter().map(site_name).collect();
        names.join(" or ")
    };
    let against = evidence.against();
    // What speaks against all others alike names none of them.
    let rather = if against.is_empty() || NAMED < against.len() {
        String::new()
    } else {
        format!(" rather than {}", names(against))
    };
    let words = format!("{points} {}{rather}", names(evidence.toward()));
    let odds = if 1000.0 < factor {
        "odds\u{a0}×\u{a0}over\u{a0}1,000".to_string()
    } else {
        format!("odds\u{a0}×\u{a0}{}", bare(factor))
    };
    Weight {
        words,
        odds,
        strength,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn moved(finding: Finding, filter: f64, catheter: f64, tubing: f64) -> Evidence {
        Evidence {
            finding,
            log_odds: [0.0, tubing, filter, catheter, 0.0, 0.0],
        }
    }

    #[test]
    fn weights_are_worded_by_the_factor_on_the_odds_and_the_sites_between_which_they_tell() {
        let told = |filter, catheter, tubing| {
            weight(&moved(Finding::CameAtOnce, filter, catheter, tubing))
        };
        let clear = told(2.1, -1.9, -0.1);
        assert_eq!(
            clear.words,
            "points clearly to the in-line filter rather than the catheter or the line below the filter"
        );
        assert_eq!(clear.odds, "odds\u{a0}×\u{a0}8.2");
        assert_eq!(
            told(2.5, 2.4, -5.0).words,
            "points strongly to the in-line filter or the catheter or the line below the filter rather than one channel’s own tubing"
        );
        assert!(told(0.1, -0.1, 0.0).words.starts_with("hardly points to"));
        assert_eq!(
            told(9.0, -9.0, 0.0).odds,
            "odds\u{a0}×\u{a0}over\u{a0}1,000"
        );
    }

    #[test]
    fn what_grew_within_minutes_is_not_said_to_have_come_slowly() {
        let came = |hours: f64| finding(&moved(Finding::CameSlowly { hours }, 1.0, -1.0, 0.0));
        assert_eq!(
            came(12.0 / 3600.0),
            "It grew rather than stepped up, within 12 s."
        );
        assert_eq!(came(0.5), "It came slowly, over 30 min.");
    }
}
