//! Evidence in sentences, and its weight in words.

use super::number::{bare, count, duration, percent, pressure, rate};
use super::{clip, site_short};
use crate::infer::{Episode, Evidence, Finding, Site};

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
                "Pressure rose on channel “{}” alone; the other channels did not change.",
                clip(channel)
            )
        }
        Finding::OthersFell { channel, fall_mmhg } => format!(
            "Pressure rose on channel “{}” while the others fell by {}: less fluid was reaching the part they share.",
            clip(channel),
            pressure(*fall_mmhg)
        ),
        Finding::FellWhileRunning {
            channel,
            from_mmhg,
            to_mmhg,
        } => format!(
            "The pressure of channel “{}” fell from {} to {} although it went on running.",
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
                "The obstruction came and went {}.",
                count(u64::from(*times), "time", "times")
            )
        }
        Finding::CameAtOnce => "The change was sudden, within a minute or two.".into(),
        Finding::CameSlowly { hours } if *hours < SLOW_HOURS => {
            format!(
                "Pressure rose over {}, not in one step.",
                duration(hours * 3600.0)
            )
        }
        Finding::CameSlowly { hours } => {
            format!("Pressure rose gradually, over {}.", about_duration(*hours))
        }
        Finding::FilterChangeHelped => {
            "After the filter change, resistance returned to its earlier level.".into()
        }
        Finding::FilterChangeDidNotHelp => {
            "The filter change did not lower the resistance.".into()
        }
        Finding::FlushHelped => "After the flush the resistance was lower.".into(),
        Finding::CatheterChangeHelped => {
            "After the catheter was changed the resistance was lower.".into()
        }
        Finding::CatheterChangeDidNotHelp => {
            "The catheter change did not lower the resistance.".into()
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
            "Resistance fell although no filter change was recorded.".into()
        }
        Finding::GoneUntouched { .. } => {
            "Resistance fell although neither a flush nor a new catheter was recorded.".into()
        }
        Finding::SetChangeHelped => "After the set was changed the resistance was lower.".into(),
        Finding::PatientMovedNearby => "The patient was moved at about the time the pressure changed.".into(),
        Finding::ClampNoted {
            channel: Some(channel),
        } => format!(
            "A clamp on channel “{}” was recorded as closed or opened at about the time the pressure changed.",
            clip(channel)
        ),
        Finding::ClampNoted { channel: None } => {
            "A clamp on the line was recorded as closed or opened at about the time the pressure changed.".into()
        }
        Finding::NoteAtRelief {
            channel: Some(channel),
        } => format!(
            "A note about channel “{}” was written at about the time the pressure recovered.",
            clip(channel)
        ),
        Finding::NoteAtRelief { channel: None } => {
            "A note about the whole line was written at about the time the pressure recovered.".into()
        }
        Finding::PumpMovedNearby => "The pump was moved at about the time the pressure shifted.".into(),
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
            "The change came {} after the start or a change of the set or container.",
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

/// `about 7 hours`, `about 30 minutes`: a rise has no sharp beginning.
fn about_duration(hours: f64) -> String {
    let (n, one, many) = match hours * 60.0 {
        minutes if minutes < 95.0 => (minutes, "minute", "minutes"),
        minutes if minutes < 48.0 * 60.0 => (minutes / 60.0, "hour", "hours"),
        minutes => (minutes / 1440.0, "day", "days"),
    };
    format!("about {}", count(n.round() as u64, one, many))
}

/// Said beside evidence against the verdict, so that it does not stand unanswered.
pub fn outweighed(e: &Episode, evidence: &Evidence) -> Option<String> {
    let site = e.suggested?;
    let against = -evidence.log_odds[site.index()];
    let p = e.sites.get(site.index()).copied().unwrap_or_default();
    (1 <= steps(against.exp())).then(|| {
        format!(
            "The other findings outweigh it: {}, {}.",
            site_short(site).to_lowercase(),
            percent(p)
        )
    })
}

/// How strongly evidence speaks for (`+++`) or against (`−`) the suggested site, or for any where none is; `·` for hardly.
pub fn signs(e: &Episode, evidence: &Evidence) -> String {
    let by = match e.suggested {
        Some(site) => evidence.log_odds[site.index()],
        None => evidence.strength(),
    };
    match usize::from(steps(by.abs().exp())) {
        0 => "·".into(),
        n if 0.0 < by => "+".repeat(n),
        n => "−".repeat(n),
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

/// 0 to 4, for a factor on the odds.
fn steps(factor: f64) -> u8 {
    [1.5, 3.0, 10.0, 100.0]
        .iter()
        .filter(|&&step| step <= factor)
        .count() as u8
}

/// So many sites are named as those that a piece of evidence speaks against.
const NAMED: usize = 2;

/// Words for how a piece of evidence moves the odds of the sites. The steps are factors of 1.5, 3, 10 and 100.
pub fn weight(evidence: &Evidence) -> Weight {
    let factor = evidence.strength().exp();
    let strength = steps(factor);
    let how = match strength {
        0 => "only weakly",
        1 => "slightly",
        2 => "clearly",
        3 => "strongly",
        _ => "very strongly",
    };
    let (toward, against) = (evidence.toward(), evidence.against());
    let words = if NAMED < toward.len() && against.len() <= NAMED {
        format!("speaks {how} against {}", either(&against))
    } else if against.is_empty() || NAMED < against.len() {
        // What speaks against all others alike names none of them.
        format!("points {how} to {}", either(&toward))
    } else {
        format!(
            "points {how} to {} rather than {}",
            either(&toward),
            either(&against)
        )
    };
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

/// Sites as one of several, the first the likeliest meant.
fn either(sites: &[Site]) -> String {
    let names: Vec<&str> = sites.iter().map(|&site| plain_site(site)).collect();
    names.join(" or ")
}

/// The site in so few words that several can stand in a sentence.
fn plain_site(site: Site) -> &'static str {
    match site {
        Site::Supply => "the supply",
        Site::Tubing => "one channel’s tubing",
        Site::Filter => "the filter",
        Site::Catheter => "the catheter",
        Site::Settings => "a limit set too low",
        Site::None => "nothing blocked",
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
            "points clearly to the filter rather than the catheter"
        );
        assert_eq!(clear.odds, "odds\u{a0}×\u{a0}8.2");
        assert_eq!(
            told(2.5, 2.4, -5.0).words,
            "points strongly to the filter or the catheter rather than one channel’s tubing"
        );
        assert!(
            told(0.1, -0.1, 0.0)
                .words
                .starts_with("points only weakly to")
        );
        let away = Evidence {
            finding: Finding::CameAtOnce,
            log_odds: [1.2, 1.2, 0.0, -2.0, 1.2, 1.2],
        };
        assert_eq!(weight(&away).words, "speaks clearly against the catheter");
        assert_eq!(
            told(9.0, -9.0, 0.0).odds,
            "odds\u{a0}×\u{a0}over\u{a0}1,000"
        );
    }

    #[test]
    fn what_grew_within_minutes_is_not_said_to_have_been_gradual() {
        let came = |hours: f64| finding(&moved(Finding::CameSlowly { hours }, 1.0, -1.0, 0.0));
        assert_eq!(
            came(12.0 / 3600.0),
            "Pressure rose over 12 s, not in one step."
        );
        assert_eq!(came(0.5), "Pressure rose gradually, over about 30 minutes.");
    }
}
