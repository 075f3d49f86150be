//! Deliveries: what starts, stops and completions of a pump come to.
//!
//! In: [`Delivery`]s of one channel, in any order. Out: the contract's events and the delivery segments. Pumps report each
//! change of rate, bolus and end of a volume as a stop and a start; only a stop of which the pump says that nothing is
//! delivered any more is one.
//!
//! ```text
//! START 2 ──── STOP transitioning, START 3 ──── COMP transitioning, START 0.5 (kvo) ──── STOP not delivering
//! start        rate_change 3                    rate_change 0.5                          stop
//! ```

use super::er7::Segment;
use crate::record::EventKind;

/// What happened to the delivery.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Turn {
    /// In front, so that of a stop and a start at one moment the stop comes first.
    Stop,
    Complete,
    Start,
}

/// What is delivered afterwards.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum After {
    Nothing,
    /// Another segment follows at once.
    More,
    /// The message does not say.
    Unsaid,
}

/// One message about a delivery.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Delivery {
    pub(super) tick: i64,
    pub(super) line: u64,
    pub(super) turn: Turn,
    pub(super) after: After,
    pub(super) reason: Reason,
    /// Flow as it is now, mL/h.
    pub(super) rate_ml_h: Option<f64>,
    /// Whether it is a loading dose or one given by hand.
    pub(super) is_bolus: bool,
    /// The code's name as sent.
    pub(super) word: String,
    /// The event was sent by mistake.
    pub(super) is_retracted: bool,
}

/// Why nothing is delivered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Reason {
    Alarm,
    ByHand,
    BetweenDoses,
    SwitchingSource,
    NotSaid,
}

impl Reason {
    /// Reads `pump-stopped-…`.
    pub(super) fn read(word: &str) -> Self {
        match word.strip_prefix("pump-stopped-").unwrap_or_default() {
            "alarming" => Reason::Alarm,
            "by-clinician" => Reason::ByHand,
            "between-doses" => Reason::BetweenDoses,
            "switching-source" => Reason::SwitchingSource,
            _ => Reason::NotSaid,
        }
    }

    fn words(self) -> &'static str {
        match self {
            Reason::Alarm => "by an alarm",
            Reason::ByHand => "by hand",
            Reason::BetweenDoses => "between doses",
            Reason::SwitchingSource => "switching source",
            Reason::NotSaid => "",
        }
    }
}

/// An event of the contract's.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Told {
    pub(super) tick: i64,
    pub(super) line: u64,
    pub(super) kind: EventKind,
    pub(super) word: String,
    pub(super) detail: String,
}

/// What all deliveries of a channel come to.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Course {
    pub(super) events: Vec<Told>,
    /// Stretches at one rate.
    pub(super) segments: u64,
    /// Ends of segments after which another one followed at once.
    pub(super) transitions: u64,
    /// Ends after which nothing was delivered.
    pub(super) stops: u64,
    /// Stops of which the pump says that an alarm made them.
    pub(super) alarm_stops: Vec<(i64, u64)>,
}

/// Where a channel is.
enum State {
    Before,
    Runs { rate: Option<f64>, bolus: bool },
    Between { rate: Option<f64>, bolus: bool },
    Stopped,
}

/// Follows the deliveries of one channel.
pub(super) fn follow(mut deliveries: Vec<Delivery>) -> Course {
    let mistaken: Vec<(i64, Turn)> = deliveries
        .iter()
        .filter(|d| d.is_retracted)
        .map(|d| (d.tick, d.turn))
        .collect();
    deliveries.retain(|d| !mistaken.contains(&(d.tick, d.turn)));
    deliveries.sort_by_key(|d| (d.tick, d.turn)); // stable: else as they arrived
    let mut course = Course::default();
    let mut state = State::Before;
    for one in deliveries {
        state = match one.turn {
            Turn::Start => {
                course.segments += 1;
                if let Some((kind, detail)) = started(&state, &one) {
                    course.events.push(told(&one, kind, detail));
                }
                State::Runs {
                    rate: one.rate_ml_h,
                    bolus: one.is_bolus,
                }
            }
            Turn::Stop | Turn::Complete => {
                let (before, bolus) = match state {
                    State::Runs { rate, bolus } | State::Between { rate, bolus } => (rate, bolus),
                    State::Before | State::Stopped => (None, one.is_bolus),
                };
                if matches!(state, State::Before) {
                    course.segments += 1; // it began before the file did
                }
                match one.ends_delivery() {
                    true => {
                        course.stops += 1;
                        course.events.push(stopped(&one));
                        if one.reason == Reason::Alarm {
                            course.alarm_stops.push((one.tick, one.line));
                        }
                        State::Stopped
                    }
                    false => {
                        course.transitions += 1;
                        State::Between {
                            rate: one.rate_ml_h.or(before),
                            bolus,
                        }
                    }
                }
            }
        };
    }
    course
}

impl Delivery {
    fn ends_delivery(&self) -> bool {
        match self.after {
            After::Nothing => true,
            After::More => false,
            After::Unsaid => self.rate_ml_h.is_none_or(|rate| rate == 0.0),
        }
    }
}

/// The event that a start comes to; none where nothing changed.
fn started(state: &State, one: &Delivery) -> Option<(EventKind, String)> {
    let rate = one.rate_ml_h.map_or_else(String::new, |r| r.to_string());
    match *state {
        State::Before => Some((EventKind::Start, rate)),
        State::Stopped => Some((EventKind::Resume, rate)),
        State::Runs {
            rate: before,
            bolus,
        }
        | State::Between {
            rate: before,
            bolus,
        } => match (bolus, one.is_bolus) {
            (false, true) => Some((EventKind::BolusStart, rate)),
            (true, false) => Some((EventKind::BolusEnd, rate)),
            _ => (before != one.rate_ml_h && one.rate_ml_h.is_some())
                .then_some((EventKind::RateChange, rate)),
        },
    }
}

fn stopped(one: &Delivery) -> Told {
    let kind = match one.reason {
        Reason::ByHand => EventKind::Pause,
        _ => EventKind::Stop,
    };
    let detail = match (one.turn, one.reason) {
        (Turn::Complete, Reason::NotSaid) => "complete",
        (_, reason) => reason.words(),
    };
    told(one, kind, detail.into())
}

fn told(one: &Delivery, kind: EventKind, detail: String) -> Told {
    Told {
        tick: one.tick,
        line: one.line,
        kind,
        word: one.word.clone(),
        detail,
    }
}

/// Whether the active source (OBX-5 of its row) is a bolus.
pub(super) fn is_bolus(segment: &Segment) -> bool {
    let mut sources = segment.repetitions(5);
    sources.any(|s| {
        let mut words = s.split(segment.signs.component);
        words.any(|w| {
            matches!(
                w.trim(),
                "pump-source-info-loading" | "pump-source-info-clinician" | "pump-source-info-pca"
            )
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: i64, turn: Turn, after: After, reason: Reason, rate: f64) -> Delivery {
        Delivery {
            tick: s * 1_000_000,
            line: s as u64,
            turn,
            after,
            reason,
            rate_ml_h: Some(rate),
            is_bolus: false,
            word: String::new(),
            is_retracted: false,
        }
    }

    fn said(course: &Course) -> Vec<(i64, &'static str, &str)> {
        let events = course.events.iter();
        events
            .map(|e| (e.tick / 1_000_000, e.kind.word(), e.detail.as_str()))
            .collect()
    }

    #[test]
    fn a_titration_and_the_end_into_kvo_are_no_stops() {
        use {After::*, Reason::*, Turn::*};
        let course = follow(vec![
            at(0, Start, More, NotSaid, 2.0),
            at(60, Stop, More, NotSaid, 2.0),
            at(60, Start, More, NotSaid, 3.0),
            at(120, Complete, More, NotSaid, 3.0),
            at(120, Start, More, NotSaid, 0.5),
            at(180, Stop, Nothing, ByHand, 0.0),
            at(240, Start, More, NotSaid, 2.0),
            at(300, Stop, Nothing, Alarm, 0.0),
        ]);
        assert_eq!(
            said(&course),
            [
                (0, "start", "2"),
                (60, "rate_change", "3"),
                (120, "rate_change", "0.5"),
                (180, "pause", "by hand"),
                (240, "resume", "2"),
                (300, "stop", "by an alarm"),
            ]
        );
        assert_eq!(
            (course.segments, course.transitions, course.stops),
            (4, 2, 2)
        );
        assert_eq!(course.alarm_stops, [(300_000_000, 300)]);
    }

    #[test]
    fn the_order_of_arrival_does_not_matter_even_at_one_moment() {
        use {After::*, Reason::*, Turn::*};
        let course = follow(vec![
            at(60, Start, More, NotSaid, 3.0),
            at(60, Stop, More, NotSaid, 2.0),
            at(0, Start, More, NotSaid, 2.0),
        ]);
        assert_eq!(said(&course), [(0, "start", "2"), (60, "rate_change", "3")]);
    }

    #[test]
    fn an_event_taken_back_is_gone() {
        use {After::*, Reason::*, Turn::*};
        let mistaken = Delivery {
            is_retracted: true,
            ..at(10, Stop, Nothing, NotSaid, 0.0)
        };
        let course = follow(vec![
            at(0, Start, More, NotSaid, 2.0),
            at(10, Stop, Nothing, NotSaid, 0.0),
            mistaken,
        ]);
        assert_eq!(said(&course), [(0, "start", "2")]);
    }

    #[test]
    fn a_bolus_begins_and_ends() {
        use {After::*, Reason::*, Turn::*};
        let bolus = |s, turn, rate| Delivery {
            is_bolus: true,
            ..at(s, turn, More, NotSaid, rate)
        };
        let course = follow(vec![
            at(0, Start, More, NotSaid, 2.0),
            at(10, Stop, More, NotSaid, 2.0),
            bolus(10, Start, 60.0),
            bolus(20, Complete, 60.0),
            at(20, Start, More, NotSaid, 2.0),
        ]);
        let expected = [
            (0, "start", "2"),
            (10, "bolus_start", "60"),
            (20, "bolus_end", "2"),
        ];
        assert_eq!(said(&course), expected);
    }

    #[test]
    fn without_a_status_the_flow_decides_and_without_either_it_is_a_stop() {
        use {After::*, Reason::*, Turn::*};
        let nothing_said = Delivery {
            rate_ml_h: None,
            ..at(20, Stop, Unsaid, NotSaid, 0.0)
        };
        let course = follow(vec![
            at(0, Start, More, NotSaid, 2.0),
            at(10, Stop, Unsaid, NotSaid, 2.0),
        ]);
        assert_eq!(course.stops, 0);
        let course = follow(vec![at(0, Start, More, NotSaid, 2.0), nothing_said]);
        assert_eq!(said(&course), [(0, "start", "2"), (20, "stop", "")]);
    }
}
