//! Evidence in sentences, and its weight in words.

use super::number::{bare, compliance, count, duration, percent, pressure, rate, with_interval};
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
        Finding::RampCompliance { ul_per_mmhg } => format!(
            "The steepness of the climb tells how much elastic line lies between pump and block: {}.",
            with_interval(*ul_per_mmhg, compliance, "95 %")
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
        Finding::PriorShare { share } => format!(
            "Before this record is looked at, about {} of such episodes come from here.",
            percent(*share)
        ),
        Finding::FitsBetter { rival } => format!(
            "The course of the pressure fits {} {} than {}.",
            site_name(evidence.toward),
            if evidence.log_odds < 0.0 {
                "worse"
            } else {
                "better"
            },
            site_name(*rival)
        ),
    }
}

/// How much a piece of evidence weighs, for words and for the width of a mark.
#[derive(Debug, Clone, PartialEq)]
pub struct Weight {
    /// `speaks clearly for`.
    pub words: &'static str,
    /// `odds × 8.2` or `odds ÷ 3`.
    pub odds: String,
    /// 0 to 4.
    pub strength: u8,
    /// Whether it speaks for the site.
    pub supports: bool,
}

/// Words for a natural log of odds. The steps are factors of 1.5, 3, 10 and 100.
pub fn weight(log_odds: f64) -> Weight {
    let factor = log_odds.abs().exp();
    let strength = [1.5, 3.0, 10.0, 100.0]
        .iter()
        .filter(|&&step| step <= factor)
        .count() as u8;
    let supports = 0.0 <= log_odds;
    let words = match (strength, supports) {
        (0, true) => "hardly speaks for",
        (1, true) => "speaks slightly for",
        (2, true) => "speaks clearly for",
        (3, true) => "speaks strongly for",
        (_, true) => "speaks very strongly for",
        (0, false) => "hardly speaks against",
        (1, false) => "speaks slightly against",
        (2, false) => "speaks clearly against",
        (3, false) => "speaks strongly against",
        (_, false) => "speaks very strongly against",
    };
    let sign = if supports { '×' } else { '÷' };
    let odds = if 1000.0 < factor {
        format!("odds\u{a0}{sign}\u{a0}over\u{a0}1,000")
    } else {
        format!("odds\u{a0}{sign}\u{a0}{}", bare(factor))
    };
    Weight {
        words,
        odds,
        strength,
        supports,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_are_worded_by_the_factor_on_the_odds() {
        assert_eq!(weight(2.1).words, "speaks clearly for");
        assert_eq!(weight(2.1).odds, "odds\u{a0}×\u{a0}8.2");
        assert_eq!(weight(-2.31).words, "speaks strongly against");
        assert_eq!(weight(-1.1).odds, "odds\u{a0}÷\u{a0}3");
        assert_eq!(weight(0.1).words, "hardly speaks for");
        assert_eq!(weight(9.0).odds, "odds\u{a0}×\u{a0}over\u{a0}1,000");
    }

    #[test]
    fn what_grew_within_minutes_is_not_said_to_have_come_slowly() {
        let came = |hours: f64| {
            finding(&Evidence {
                finding: Finding::CameSlowly { hours },
                toward: Site::Filter,
                log_odds: 1.0,
            })
        };
        assert_eq!(
            came(12.0 / 3600.0),
            "It grew rather than stepped up, within 12 s."
        );
        assert_eq!(came(0.5), "It came slowly, over 30 min.");
    }
}
