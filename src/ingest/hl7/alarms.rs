//! Alarms: what their messages come to.
//!
//! In: [`Update`]s of one pump's alarms, in any order; those of one alarm share its key. Out: the contract's events: the
//! alarm when it began, and when it was cleared. A message that an alarm goes on is no new alarm.

use super::deliver::Told;
use crate::record::EventKind;
use std::collections::BTreeMap;

/// One message about an alarm.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Update {
    /// What all messages about the alarm have in common.
    pub(super) key: String,
    pub(super) tick: i64,
    pub(super) line: u64,
    pub(super) phase: Phase,
    pub(super) is_occlusion: bool,
    /// Whether the free text beside the code, or its name, tells the side.
    pub(super) side: Side,
    /// What it is, in words; empty where the code is not known.
    pub(super) meaning: &'static str,
    pub(super) priority: &'static str,
    /// Whether the time is that of sending, for want of the alarm's own.
    pub(super) time_of_sending: bool,
    /// The code's name as sent.
    pub(super) word: String,
    /// The alarm was sent by mistake.
    pub(super) is_retracted: bool,
}

/// Where in an alarm's life a message stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Phase {
    Begins,
    GoesOn,
    Ends,
    /// A point in time, with no end to follow.
    Point,
}

impl Phase {
    /// Reads the phase, or, where it is not given, the state.
    pub(super) fn read(phase: &str, state: &str) -> Self {
        match phase {
            "start" => Phase::Begins,
            "end" | "stop" | "reset" => Phase::Ends,
            "tpoint" | "start_only" => Phase::Point,
            "" => match state {
                "inactive" => Phase::Ends,
                "active" | "latched" => Phase::GoesOn,
                _ => Phase::Point,
            },
            _ => Phase::GoesOn,
        }
    }
}

/// Side of the pump on which the way is blocked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    Upstream,
    Downstream,
    Unknown,
}

impl Side {
    /// By the words that stand for a side in a code's name or in the text beside it; both, or neither, tell nothing.
    pub(super) fn read(texts: &[&str]) -> Self {
        let has = |words: &[&str]| {
            let mut lower = texts.iter().map(|t| t.to_lowercase());
            lower.any(|t| words.iter().any(|w| t.contains(w)))
        };
        let up = has(&["upstream", "proximal"]);
        let down = has(&["downstream", "distal"]);
        match (up, down) {
            (true, false) => Side::Upstream,
            (false, true) => Side::Downstream,
            _ => Side::Unknown,
        }
    }
}

/// The word of a priority (OBX-8 or its own row).
pub(super) fn priority(code: &str) -> &'static str {
    match code {
        "PH" => "high priority",
        "PM" => "medium priority",
        "PL" => "low priority",
        "PN" => "no priority",
        _ => "",
    }
}

/// Follows the alarms of one channel.
pub(super) fn follow(updates: Vec<Update>) -> Vec<Told> {
    let mut by_key: BTreeMap<String, Vec<Update>> = BTreeMap::new();
    for update in updates {
        by_key.entry(update.key.clone()).or_default().push(update);
    }
    let mut events = Vec::new();
    for (_, mut updates) in by_key {
        if updates.iter().any(|u| u.is_retracted) {
            continue;
        }
        updates.sort_by_key(|u| u.tick); // stable: else as they arrived
        let mut is_on = false;
        for update in updates {
            match update.phase {
                Phase::Begins | Phase::GoesOn if is_on => {}
                Phase::Begins => {
                    events.push(update.raised(""));
                    is_on = true;
                }
                Phase::GoesOn => {
                    events.push(update.raised("began before"));
                    is_on = true;
                }
                Phase::Point => events.push(update.raised("")),
                Phase::Ends => {
                    events.push(update.told(EventKind::AlarmCleared, update.meaning.into()));
                    is_on = false;
                }
            }
        }
    }
    events.sort_by_key(|e| e.tick);
    events
}

impl Update {
    fn raised(&self, more: &str) -> Told {
        let (kind, what) = match (self.is_occlusion, self.side) {
            // Above the pump it is the supply that is blocked, not the line.
            (true, Side::Upstream) => (EventKind::Alarm, "upstream occlusion"),
            (true, Side::Downstream) => (EventKind::OcclusionAlarm, "downstream occlusion"),
            (true, Side::Unknown) => (EventKind::OcclusionAlarm, "occlusion, side not told"),
            (false, _) if self.meaning.is_empty() => (EventKind::Alarm, self.word.as_str()),
            (false, _) => (EventKind::Alarm, self.meaning),
        };
        let sent = if self.time_of_sending {
            "time of sending"
        } else {
            ""
        };
        let parts = [what, self.priority, more, sent];
        let parts: Vec<&str> = parts.into_iter().filter(|p| !p.is_empty()).collect();
        self.told(kind, parts.join(", "))
    }

    fn told(&self, kind: EventKind, detail: String) -> Told {
        Told {
            tick: self.tick,
            line: self.line,
            kind,
            word: self.word.clone(),
            detail,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn update(key: &str, s: i64, phase: Phase) -> Update {
        Update {
            key: key.into(),
            tick: s,
            line: 1,
            phase,
            is_occlusion: true,
            side: Side::Unknown,
            meaning: "occlusion",
            priority: "high priority",
            time_of_sending: false,
            word: String::new(),
            is_retracted: false,
        }
    }

    fn said(updates: Vec<Update>) -> Vec<(i64, &'static str)> {
        follow(updates)
            .iter()
            .map(|e| (e.tick, e.kind.word()))
            .collect()
    }

    #[test]
    fn an_alarm_that_goes_on_is_one_alarm_and_pairs_with_its_own_end() {
        use Phase::*;
        let updates = vec![
            update("b", 50, Ends),
            update("a", 10, Begins),
            update("a", 20, GoesOn),
            update("b", 15, Begins),
            update("a", 30, Ends),
            update("a", 10, Begins), // sent twice
            update("a", 90, Begins), // again
        ];
        assert_eq!(
            said(updates),
            [
                (10, "occlusion_alarm"),
                (15, "occlusion_alarm"),
                (30, "alarm_cleared"),
                (50, "alarm_cleared"),
                (90, "occlusion_alarm"),
            ]
        );
    }

    #[test]
    fn an_alarm_whose_start_is_not_in_the_file_says_so_and_one_taken_back_is_gone() {
        let told = follow(vec![
            update("a", 10, Phase::GoesOn),
            update("a", 20, Phase::GoesOn),
        ]);
        assert_eq!(told.len(), 1);
        assert_eq!(
            told[0].detail,
            "occlusion, side not told, high priority, began before"
        );
        let mut mistaken = update("a", 30, Phase::GoesOn);
        mistaken.is_retracted = true;
        assert!(follow(vec![update("a", 10, Phase::Begins), mistaken]).is_empty());
    }

    #[rstest]
    #[case(&["Upstream blocked"], Side::Upstream)]
    #[case(&["MDC_EVT_FLUID_LINE_OCCL_PROXIMAL", ""], Side::Upstream)]
    #[case(&["distal occlusion"], Side::Downstream)]
    #[case(&["upstream or downstream"], Side::Unknown)]
    #[case(&["Line pressure high"], Side::Unknown)]
    fn the_side_is_told_by_words_only(#[case] texts: &[&str], #[case] side: Side) {
        assert_eq!(Side::read(texts), side);
    }

    #[rstest]
    #[case("start", "active", Phase::Begins)]
    #[case("continue", "active", Phase::GoesOn)]
    #[case("end", "latched", Phase::Ends)]
    #[case("", "inactive", Phase::Ends)]
    #[case("", "active", Phase::GoesOn)]
    #[case("tpoint", "", Phase::Point)]
    #[case("escalate", "active", Phase::GoesOn)]
    fn the_phase_says_where_an_alarm_stands(
        #[case] phase: &str,
        #[case] state: &str,
        #[case] is: Phase,
    ) {
        assert_eq!(Phase::read(phase, state), is);
    }
}
