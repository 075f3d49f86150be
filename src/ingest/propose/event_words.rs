//! Events: which columns hold them, and what their words mean.

use super::draft::Draft;
use super::roles::propose_names;
use super::sniff::Sample;
use super::vocabulary::{DETAIL, EVENT, said, worded, words_of};
use crate::record::EventKind;

pub(super) fn propose_events(draft: &mut Draft, sample: &Sample) {
    propose_names(draft, sample, &[]);
    let columns = worded(sample, EVENT, &[]);
    let event = match (draft.answer("event"), columns.as_slice()) {
        (Some(name), _) => {
            draft.line("event", &super::draft::quoted(&name), "your answer");
            sample.header.iter().position(|h| *h == name)
        }
        (None, [only]) => {
            draft.line(
                "event",
                &super::draft::quoted(&sample.header[*only]),
                "the only column whose name says so",
            );
            Some(*only)
        }
        (None, _) => {
            let all = said(sample.header.iter().map(String::as_str));
            draft.question("event", &format!("which of {all} says what happened?"));
            None
        }
    };
    let details: Vec<usize> = worded(sample, DETAIL, &[])
        .into_iter()
        .filter(|c| Some(*c) != event)
        .collect();
    if let [only] = details.as_slice() {
        draft.text(
            "detail",
            &sample.header[*only],
            "the only column whose name says so",
        );
    }
    draft.left_over();
    let Some(words) = event.and_then(|c| words_of(sample, c)) else {
        return;
    };
    draft.within("[events.words]");
    draft.remark("The file's words and the program's. A word that is not listed is kept and shown, but not used.");
    for word in words {
        match event_kind(word) {
            Some((kind, reason)) => draft.line(word, &super::draft::quoted(kind.word()), reason),
            None => draft.remark(&format!("{} = \"…\"", super::draft::quoted(word))),
        }
    }
    draft.remark(&format!("known: {}", EventKind::WORDS.join(", ")));
}

/// The contract's event that a word names.
fn event_kind(word: &str) -> Option<(EventKind, &'static str)> {
    let plain = word.to_lowercase().replace([' ', '-'], "_");
    let exact = EventKind::from_word(&plain);
    if exact != EventKind::Unknown {
        return Some((exact, "the same word"));
    }
    let has = |parts: &[&str]| parts.iter().any(|p| plain.contains(p));
    let kind = if has(&[
        "occlu",
        "okklu",
        "verschluss",
        "druckalarm",
        "pressure_alarm",
        "pressure_high",
        "high_pressure",
    ]) {
        EventKind::OcclusionAlarm
    } else if has(&["clear", "quitt", "acknowledg", "silenc"]) && has(&["alarm"]) {
        EventKind::AlarmCleared
    } else if has(&["alarm"]) {
        EventKind::Alarm
    } else if has(&["rate"]) && has(&["chang", "änder", "titrat", "new", "set"]) {
        EventKind::RateChange
    } else if has(&["filter"]) && has(&["chang", "wechsel", "replac", "new"]) {
        EventKind::FilterChange
    } else if has(&["limit", "grenz"]) && has(&["chang", "änder", "new", "set"]) {
        EventKind::LimitChange
    } else {
        return None;
    };
    Some((kind, "a guess by its letters: look at it"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case("Occlusion downstream", Some(EventKind::OcclusionAlarm))]
    #[case("RATE CHANGE", Some(EventKind::RateChange))]
    #[case("Filterwechsel", Some(EventKind::FilterChange))]
    #[case("Air alarm", Some(EventKind::Alarm))]
    #[case("Door opened", None)]
    fn words_of_events_are_known_or_left_to_the_user(
        #[case] word: &str,
        #[case] kind: Option<EventKind>,
    ) {
        assert_eq!(event_kind(word).map(|(kind, _)| kind), kind);
    }
}
