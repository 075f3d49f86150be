//! What a reader must know about the files, what was assumed, what cannot be told, and the cautions.

use super::moment::between;
use super::number::{
    compliance, count, duration, pressure, rate, resistance, significant, with_interval,
};
use super::{clip, list};
use crate::infer::{Assumption, CannotTell, Doing, Episode, GivenUp, NotJudged, Site};
use crate::record::Notice;
use crate::time::Clock;

/// The cautions that every report and page carries.
pub const CAUTIONS: [&str; 6] = [
    "This looks back at a log. It is not for alarm decisions and is no bedside device.",
    "Never flush against resistance.",
    "The filter is replaced after the other causes have been reviewed, whatever its probability.",
    "Relief frees a bolus: the volume held under pressure runs into the patient.",
    "A normal pressure does not exclude infiltration or extravasation.",
    "Local protocol and licensed practice decide.",
];

/// What an answer of "nothing found" does not say.
pub const NOTHING_FOUND: &str = "This does not rule out a problem: an obstruction that came and went between samples, or fluid outside the vein, leaves no mark in the pressure.";

/// Why a stretch was not judged, as the end of a sentence.
pub fn given_up(why: GivenUp) -> &'static str {
    match why {
        GivenUp::TooMuchWork => {
            "too long, or too much happens in it, for the work that a review is given; review a shorter stretch by itself"
        }
        GivenUp::TooManyDisturbances => "too many disturbances came before it; review it by itself",
        GivenUp::NoLinesPressure => {
            "it holds a pressure that no line has; look whether the column has another unit, or a figure that stands for “not measured”"
        }
        GivenUp::OneReading => "one row tells no course",
    }
}

/// A stretch that was not judged, in a sentence.
pub fn not_judged(clock: &Clock, part: &NotJudged) -> String {
    let when = between(clock, part.span.start_s, part.span.end_s);
    format!("This part was not judged, {when}: {}.", given_up(part.why))
}

/// A notice about the files.
pub fn notice(notice: &Notice) -> String {
    match notice {
        Notice::EventsOutsideTrace { events } => format!(
            "None of the {} in the events file lies within the trace’s time. Is it the file of another day or infusion?",
            count(*events as u64, "event", "events")
        ),
        Notice::SomeEventsOutsideTrace { outside } => format!(
            "{} outside the trace’s time.",
            count(*outside as u64, "event lies", "events lie")
        ),
        Notice::UnknownEvents { words } => {
            format!(
                "Events with words that are not known are shown but not used: {}.",
                quoted(words)
            )
        }
        Notice::UnknownChannel { file, channel } => format!(
            "The {file} file names the channel “{}”, which the trace does not have.",
            clip(channel)
        ),
        Notice::IdentityColumnsDropped { columns } => format!(
            "Columns that may identify a person were dropped unread: {}.",
            quoted(columns)
        ),
        Notice::SheetFull { rows } => format!(
            "The sheet is full: it has {}, as many as a sheet can hold. What came after them was probably cut off; export a shorter stretch of time, or text.",
            count(*rows, "row", "rows")
        ),
        Notice::ColumnsIgnored { columns } => {
            format!(
                "Columns that are not known were ignored: {}.",
                quoted(columns)
            )
        }
        Notice::VolumeFalls { channel, line } => format!(
            "The volume counter of channel “{}” falls at line {line}. The trace may hold two infusions, or the counter was set back.",
            clip(channel)
        ),
        Notice::ImplausiblePressure {
            channel,
            pressure_mmhg,
        } => format!(
            "Channel “{}” has a pressure of {}. Is the column in another unit than mmHg?",
            clip(channel),
            pressure(*pressure_mmhg)
        ),
        Notice::UnitSuspected { channel, unit } => format!(
            "At each occlusion alarm of channel “{}” the pressure stood where it would stand in {unit} against a limit in mmHg. Is the column in {unit}? Then export it again, or say so in a mapping.",
            clip(channel)
        ),
        Notice::ConflictingRepeats {
            channel,
            rows,
            line,
        } => format!(
            "On channel “{}” {} an earlier one of the same time (first at line {line}); the last one counts. The trace may hold two infusions.",
            clip(channel),
            count(*rows, "row contradicts", "rows contradict")
        ),
        Notice::InfusionUnread { infusion, rows } => format!(
            "Infusion “{}” could not be reviewed: none of its {} could be used.",
            clip(infusion),
            count(*rows, "row", "rows")
        ),
        Notice::EventRowsRejected { rows, rejected } => {
            let first: Vec<String> = rejected
                .iter()
                .take(3)
                .map(|r| format!("line {}: {}", r.line, clip(&r.reason)))
                .collect();
            format!(
                "{} of the events file could not be used ({}).",
                count(*rows, "row", "rows"),
                first.join("; ")
            )
        }
        Notice::EventsOfOtherInfusions { events } => format!(
            "{} to infusions that the trace does not have, and {} left aside.",
            count(*events as u64, "event belongs", "events belong"),
            if *events == 1 { "was" } else { "were" }
        ),
        Notice::CellsMissing {
            column,
            words,
            cells,
        } => format!(
            "In column “{}” {} read as not measured: {}.",
            clip(column),
            count(*cells, "cell was", "cells were"),
            quoted(words)
        ),
        Notice::ParametersIgnored { names, rows } => format!(
            "{} with other figures than pressure, rate, volume and limit left aside: {}.",
            count(*rows, "row was", "rows were"),
            quoted(names)
        ),
        Notice::HourTwice { file, rows } => format!(
            "{} of the {file} in the hour that comes twice when summer time ends; which of the two was told by the order of the rows.",
            count(*rows, "row lies", "rows lie")
        ),
        Notice::NamesReplaced { columns } => format!(
            "Names that may identify a person or a device were replaced by running ones: {}.",
            quoted(columns)
        ),
        Notice::MessagesAside { reason, messages } => format!(
            "{} left aside: {}.",
            count(*messages, "message was", "messages were"),
            clip(reason)
        ),
        Notice::MessagesTwice { messages } => format!(
            "{} a second time, and counted once.",
            count(*messages, "message came", "messages came")
        ),
        Notice::CodesDisagree { codes } => format!(
            "In some codes number and name disagree; the number counted where it is known: {}.",
            quoted(codes)
        ),
        Notice::PressuresElsewhere {
            codes,
            observations,
        } => format!(
            "{} not used, since the code is not that of the pressure at a pump’s outlet: {}.",
            count(
                *observations,
                "pressure in the messages was",
                "pressures in the messages were"
            ),
            quoted(codes)
        ),
        Notice::ObservationsRetracted { observations } => format!(
            "{} deleted or withdrawn by their sender, and removed.",
            count(*observations, "observation was", "observations were")
        ),
        Notice::OffsetsLent { from, times } => format!(
            "{} no offset and took it from {from}.",
            count(
                *times,
                "time in the messages had",
                "times in the messages had"
            )
        ),
        Notice::DeviceClock {
            channel,
            offset_s,
            applied,
        } => {
            let size = significant(offset_s.abs(), 3);
            let way = if *offset_s < 0.0 {
                "behind"
            } else {
                "ahead of"
            };
            let then = match (applied, *offset_s == 0.0) {
                (_, true) => "",
                (true, _) => " Its events were moved to the pump’s clock.",
                (false, _) => " No time was moved by it.",
            };
            format!(
                "The clock of “{}” was {size} s {way} the one that stamped its messages.{then}",
                clip(channel)
            )
        }
        Notice::Deliveries {
            channel,
            segments,
            transitions,
            stops,
        } => format!(
            "Messages of channel “{}”: {}, {}{}.",
            clip(channel),
            count(*segments, "delivery period", "delivery periods"),
            count(*stops, "stop", "stops"),
            match transitions {
                0 => String::new(),
                n => format!(
                    ", {} without a stop",
                    count(
                        *n,
                        "change from one period to the next",
                        "changes from one period to the next"
                    )
                ),
            }
        ),
        Notice::ExportsMerged {
            files,
            rows_twice,
            conflicts,
            first,
        } => {
            let twice = match rows_twice {
                0 => "they have no row in common".to_string(),
                n => format!(
                    "{} in more than one and {} counted once",
                    count(*n, "row stood", "rows stood"),
                    if *n == 1 { "was" } else { "were" }
                ),
            };
            let mut said = format!("{files} traces were put together: {twice}.");
            if 0 < *conflicts {
                let shown: Vec<String> = first
                    .iter()
                    .take(3)
                    .map(|c| {
                        let figure = |x: f64| significant(x, 4);
                        format!(
                            "{} of “{}” at {}: {}, then {}",
                            c.column,
                            clip(&c.channel),
                            c.time,
                            figure(c.earlier),
                            figure(c.later)
                        )
                    })
                    .collect();
                said += &format!(
                    " In {} they disagree, and the later file counts ({}).",
                    count(*conflicts, "figure", "figures"),
                    shown.join("; ")
                );
            }
            said
        }
        Notice::EventsTwice { events } => format!(
            "{} in more than one file, and counted once.",
            count(*events as u64, "event stood", "events stood")
        ),
        Notice::EventsClock {
            offset_s,
            within_s,
            pairs,
        } => {
            let way = if *offset_s < 0.0 {
                "behind"
            } else {
                "ahead of"
            };
            format!(
                "The events’ clock is {} s {way} the trace’s (± {} s, by {}). No time was moved by it.",
                significant(offset_s.abs(), 3),
                significant(*within_s, 2),
                count(
                    *pairs,
                    "stop, start or change of rate",
                    "stops, starts and changes of rate"
                )
            )
        }
        Notice::ClockReset {
            channel,
            placed,
            within_s,
            lost,
        } => {
            let mut said = format!(
                "The clock of channel “{}” had jumped by years.",
                clip(channel)
            );
            if 0 < *placed {
                said += &format!(
                    " {} the time of the hole they fill, right to {} s.",
                    count(*placed, "row got", "rows got"),
                    significant(*within_s, 2)
                );
            }
            if 0 < *lost {
                said += &format!(
                    " {} no time and {} not used.",
                    count(*lost, "row has", "rows have"),
                    if *lost == 1 { "was" } else { "were" }
                );
            }
            said
        }
        Notice::ClockSetBack {
            channel,
            line,
            by_s,
            rows,
        } => format!(
            "At line {line} the clock of channel “{}” had been set back by {}. {} moved earlier by as much, so that rows stand in the order in which they were written; events by the old clock were not moved.",
            clip(channel),
            duration(*by_s),
            count(*rows, "row before it was", "rows before it were"),
        ),
        Notice::EventsOfOtherPumps { events } => format!(
            "{} from pumps that are no channel of the trace, left aside.",
            count(*events as u64, "event came", "events came")
        ),
        Notice::NoPressure { channel } => format!(
            "No pressure was measured on channel “{}”: nothing can be said of it.",
            clip(channel)
        ),
    }
}

/// At most five names of the log, each cut to a readable length.
fn quoted(words: &[String]) -> String {
    let mut shown: Vec<String> = words
        .iter()
        .take(5)
        .map(|w| format!("“{}”", clip(w)))
        .collect();
    if shown.len() < words.len() {
        shown.push(format!("{} more", words.len() - shown.len()));
    }
    list(&shown)
}

/// Something taken for granted.
pub fn assumption(assumption: &Assumption) -> String {
    match assumption {
        Assumption::NoLineFile => {
            "No line file was given: every part of the line may lie within a wide range.".into()
        }
        Assumption::OwnPriors => {
            "How likely each cause is before the record is looked at was taken from your own file, not from the published shares.".into()
        }
        Assumption::NoEventsFile => {
            "No events file was given: pauses are read from the rate; filter changes, flushes and medications are not known.".into()
        }
        Assumption::FilterPlacedAtStart => "The filter was taken as new at the record’s start.".into(),
        Assumption::FilterBelowJoin => "The filter was taken to sit below the join, so that all fluids pass it.".into(),
        Assumption::ComplianceRange { channel, ul_per_mmhg } => format!(
            "How elastic channel “{}” is was not given; taken as {}.",
            clip(channel),
            with_interval(*ul_per_mmhg, compliance, "95 %")
        ),
        Assumption::CatheterFromSize { mmhg_h_per_ml } => format!(
            "The catheter’s resistance was worked out from its size: {}.",
            resistance(*mmhg_h_per_ml)
        ),
        Assumption::CatheterRange => {
            "The catheter’s size was not given: its resistance may lie within a wide range.".into()
        }
    }
}

/// Something that the record cannot tell.
fn cannot_tell(what: CannotTell) -> &'static str {
    match what {
        CannotTell::FilterFromCatheter => {
            "Whether the filter or the catheter was obstructed: the pump’s sensor sees both as one, and no pause, rate change or intervention in this record separates them. The response of the pressure to a new filter, or to a flush by authorised staff, would."
        }
        CannotTell::Distance => {
            "How far along the line the obstruction was: there are too few samples while the pressure rose."
        }
        CannotTell::TubingFromShared => {
            "Whether the channel’s own tubing or the part below it was obstructed: only one channel was recorded."
        }
        CannotTell::Baseline => {
            "What was normal for this line: the time before the episode is too short or too disturbed."
        }
        CannotTell::Infiltration => {
            "Whether fluid left the vein: pressure is not a reliable sign of it. Only the insertion site shows it."
        }
        CannotTell::AnyCause => {
            "Which cause it was: none of the explanations fits the record well."
        }
    }
}

/// What the record cannot tell of an episode; where nothing was obstructed, there is no place to ask for.
pub fn not_told(e: &Episode) -> Vec<&'static str> {
    let blocked = e.suggested.is_none_or(Site::is_obstruction);
    let asks_where = |what: &CannotTell| {
        matches!(
            what,
            CannotTell::FilterFromCatheter | CannotTell::Distance | CannotTell::TubingFromShared
        )
    };
    let said = e
        .cannot_tell
        .iter()
        .filter(|what| blocked || !asks_where(what));
    said.map(|&what| cannot_tell(what)).collect()
}

/// What a channel was doing.
pub fn doing(doing: Doing) -> String {
    match doing {
        Doing::Running { rate_ml_h } => format!("running at {}", rate(rate_ml_h)),
        Doing::Paused(cause) => super::pause_cause(cause).into(),
        Doing::Gap => "no data".into(),
    }
}

/// Heading for the rows that were not used: `3 of 8,640 rows were not used`.
pub fn rejected_title(rejected: u64, rows: u64) -> String {
    let were = if rejected == 1 { "was" } else { "were" };
    format!(
        "{} of {} {were} not used",
        grouped(rejected),
        count(rows, "row", "rows")
    )
}

fn grouped(n: u64) -> String {
    count(n, "", "").trim_end().to_string()
}
