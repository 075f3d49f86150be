//! Events: which columns hold them, and what their words mean.
//!
//! A word is proposed where all of it is understood: "Occlusion downstream" is an occlusion alarm, "No occlusion detected"
//! has words that no alarm has, and is asked.

use super::divide::names_of_events;
use super::draft::{Draft, quoted};
use super::sniff::Sample;
use super::vocabulary::{DETAIL, EVENT, said, shown, worded, words_of};
use crate::ingest::letters::plain;
use crate::record::EventKind;
use std::collections::BTreeMap;

pub(super) fn propose_events(draft: &mut Draft, sample: &Sample, times: &[usize]) {
    names_of_events(draft, sample, times);
    let columns = worded(sample, EVENT, times);
    let taken = super::vocabulary::worded(sample, super::vocabulary::CHANNEL, times);
    let others: Vec<usize> = (0..sample.header.len())
        .filter(|c| !times.contains(c) && !taken.contains(c) && words_of(sample, *c).is_some())
        .collect();
    let event = match (draft.answer("event"), columns.as_slice(), others.as_slice()) {
        (Some(name), ..) => {
            draft.line("event", &quoted(&name), "your answer");
            sample.header.iter().position(|h| *h == name)
        }
        (None, &[only], _) => {
            let why = "the only column whose name says so";
            draft.line("event", &quoted(&sample.header[only]), why);
            Some(only)
        }
        (None, &[], &[only]) => {
            let why = "the only column beside time and channel";
            draft.line("event", &quoted(&sample.header[only]), why);
            Some(only)
        }
        (None, several, _) => {
            let choice = if several.is_empty() {
                &others
            } else {
                &columns
            };
            let all = match choice.is_empty() {
                true => said(sample.header.iter().map(String::as_str)),
                false => said(choice.iter().map(|c| sample.header[*c].as_str())),
            };
            draft.question("event", &format!("which of {all} says what happened?"));
            None
        }
    };
    let details: Vec<usize> = worded(sample, DETAIL, times)
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
    let counted = event
        .filter(|c| words_of(sample, *c).is_some())
        .map(|c| counted(sample, c));
    let counted = counted.unwrap_or_default();
    unlisted(draft, &counted);
    draft.left_over();
    if !counted.is_empty() {
        words(draft, &counted);
    }
}

/// How often each word stands, and its first line.
fn counted(sample: &Sample, column: usize) -> BTreeMap<&str, (usize, u64)> {
    let mut counted = BTreeMap::new();
    for (line, cell) in sample.placed(column) {
        counted.entry(&**cell).or_insert((0, line)).0 += 1;
    }
    counted
}

/// Words of which nothing is understood are asked once, as a list.
fn unlisted(draft: &mut Draft, counted: &BTreeMap<&str, (usize, u64)>) {
    let is_unknown = |word: &&str| {
        matches!(meaning(word), Meaning::Unknown) && draft.peek(&format!("words.{word}")).is_none()
    };
    let unknown: Vec<&str> = counted.keys().copied().filter(is_unknown).collect();
    if unknown.is_empty() && !draft.has_answer("unlisted") {
        return;
    }
    let list = unknown.iter().take(20).map(|word| {
        let (times, line) = counted.get(word).copied().unwrap_or_default();
        format!("`{}` ({times}, line {line})", shown(word))
    });
    let list: Vec<String> = list.collect();
    draft.ask(
        "unlisted",
        &format!(
            "these words are not known: {}. Answer `keep` to have them shown and not used, or say with `--set events.words.WORD=EVENT` what one means; events are {}",
            list.join(", "),
            EventKind::WORDS.join(", ")
        ),
    );
}

fn words(draft: &mut Draft, counted: &BTreeMap<&str, (usize, u64)>) {
    draft.within("[events.words]");
    draft.remark(
        "The file's words and the program's. What a word is that is not listed, `unlisted` says.",
    );
    for (word, (times, line)) in counted {
        match meaning(word) {
            _ if draft.peek(&super::draft::word_key(&format!("words.{word}"))).is_some() => {
                draft.ask_word("words", word, "");
            }
            Meaning::Is(kind, reason) => draft.line(word, &quoted(kind.word()), reason),
            Meaning::Perhaps(kind) => draft.ask_word(
                "words",
                word,
                &format!(
                    "`{}` stands {times} times (line {line} first): is it `{}`? Answer with that or another of {}",
                    shown(word),
                    kind.word(),
                    EventKind::WORDS.join(", ")
                ),
            ),
            Meaning::Unknown => draft.remark(&format!("{} = \"…\"", quoted(word))),
        }
    }
    draft.remark(&format!("known: {}", EventKind::WORDS.join(", ")));
}

/// What a file's word means.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Meaning {
    Is(EventKind, &'static str),
    /// It has the letters of this event, and words that are not understood.
    Perhaps(EventKind),
    Unknown,
}

/// Kinds of event, the beginnings of words of which one must stand in the text for each list, and those that may
/// stand beside them; without accents, in English, German, French, Spanish, Italian, Polish (common practice, no source).
/// The first kind that fits counts.
const KINDS: &[(EventKind, &[&str], &[&str])] = &[
    (
        EventKind::AlarmCleared,
        &[
            "alarm alarma alarme allarme",
            "clear quitt acknowledg silenc acquitt anulad tacitat skasowan reset",
        ],
        &[],
    ),
    (
        EventKind::OcclusionAlarm,
        &["occlu okklu okluz oclu verschluss druckalarm"],
        &[
            "alarm",
            "alarma",
            "alarme",
            "allarme",
            "d",
            "de",
            "di",
            "downstream",
            "patient",
            "distal",
            "line",
            "high",
            "pressure",
            "druck",
            "hoch",
        ],
    ),
    (
        EventKind::OcclusionAlarm,
        &[
            "pressure druck pression presion pressione",
            "alarm high hoch haute alta",
        ],
        &["line", "too"],
    ),
    (
        EventKind::LimitChange,
        &["limit grenz seuil", "chang ander new set neu"],
        &["pressure", "druck", "alarm", "value"],
    ),
    (
        EventKind::RateChange,
        &[
            "rate raten debit velocidad velocita predkosc flow",
            "chang ander titrat new set neu cambio zmian",
        ],
        &["de", "to", "infusion", "value"],
    ),
    (
        EventKind::FilterChange,
        &[
            "filter filtr filtre filtro",
            "chang wechsel replac new neu cambio wymian",
        ],
        &["de", "in-line", "line", "inline"],
    ),
    (
        EventKind::SetChange,
        &[
            "set system tubulure equipo deflussore zestaw line tubing",
            "chang wechsel replac new neu cambio wymian",
        ],
        &["de", "infusion", "giving"],
    ),
    (
        EventKind::ClampOpened,
        &[
            "clamp klemm pinza morsett zacisk",
            "open geoffnet offen ouvert abiert apert otwart",
        ],
        &[],
    ),
    (
        EventKind::ClampClosed,
        &[
            "clamp klemm pinza morsett zacisk",
            "clos geschlossen zu ferm cerrad chius zamkni",
        ],
        &[],
    ),
    (
        EventKind::Resume,
        &["resum fortge fortset weiter reprise repris reanud ripres wznow restart"],
        &["infusion", "de", "pump", "delivery", "la", "gesetzt"],
    ),
    (
        EventKind::Pause,
        &["paus pausa pauza"],
        &[
            "infusion", "pump", "delivery", "de", "la", "begin", "beginn",
        ],
    ),
    (
        EventKind::Start,
        &["start gestartet demarr debut inicio avvio rozpoczec"],
        &["infusion", "pump", "delivery", "de", "la"],
    ),
    (
        EventKind::Stop,
        &["stop gestoppt arret parada arresto zatrzym angehalten"],
        &["infusion", "pump", "delivery", "de", "la", "l"],
    ),
    (
        EventKind::Flush,
        &["flush spul rincage lavado lavaggio plukan"],
        &["line"],
    ),
    (
        EventKind::Alarm,
        &["alarm alarma alarme allarme"],
        &[
            "air", "luft", "battery", "end", "of", "infusion", "door", "low",
        ],
    ),
];

/// Words that turn an event into something else, or into nothing.
const DOUBT: &[&str] = &[
    "no", "not", "kein", "keine", "pas", "aucun", "sin", "nessun", "brak", "test", "selftest",
    "upstream", "proximal", "disabled", "off", "limit", "ok",
];

fn meaning(word: &str) -> Meaning {
    let lower = plain(word);
    let exact = EventKind::from_word(&lower.replace([' ', '-'], "_"));
    if exact != EventKind::Unknown {
        return Meaning::Is(exact, "the same word");
    }
    let parts: Vec<&str> = lower
        .split(|c: char| !c.is_alphanumeric())
        .filter(|w| !w.is_empty())
        .collect();
    let begins = |part: &str, list: &str| list.split(' ').any(|stem| part.contains(stem));
    let mut perhaps = None;
    for (kind, needed, beside) in KINDS {
        if !needed
            .iter()
            .all(|list| parts.iter().any(|part| begins(part, list)))
        {
            continue;
        }
        let understood =
            |part: &&str| needed.iter().any(|list| begins(part, list)) || beside.contains(part);
        let doubted =
            parts.iter().any(|part| DOUBT.contains(part)) && *kind != EventKind::LimitChange;
        if parts.iter().all(understood) && !doubted {
            return Meaning::Is(*kind, "its words say so: look at it");
        }
        perhaps = perhaps.or(Some(*kind));
    }
    perhaps.map_or(Meaning::Unknown, Meaning::Perhaps)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case("Occlusion downstream", EventKind::OcclusionAlarm)]
    #[case("Verschlussalarm", EventKind::OcclusionAlarm)]
    #[case("Alarme d'occlusion", EventKind::OcclusionAlarm)]
    #[case("RATE CHANGE", EventKind::RateChange)]
    #[case("Ratenänderung", EventKind::RateChange)]
    #[case("Filterwechsel", EventKind::FilterChange)]
    #[case("Changement de filtre", EventKind::FilterChange)]
    #[case("Alarm quittiert", EventKind::AlarmCleared)]
    #[case("Air alarm", EventKind::Alarm)]
    #[case("Reprise", EventKind::Resume)]
    #[case("Wznowienie", EventKind::Resume)]
    #[case("Pausa", EventKind::Pause)]
    #[case("Limit changed", EventKind::LimitChange)]
    fn a_word_that_is_understood_as_a_whole_is_proposed(
        #[case] word: &str,
        #[case] kind: EventKind,
    ) {
        assert!(
            matches!(meaning(word), Meaning::Is(k, _) if k == kind),
            "{:?}",
            meaning(word)
        );
    }

    #[rstest]
    #[case("No occlusion detected")]
    #[case("Upstream occlusion")]
    #[case("Self test: occlusion alarm OK")]
    #[case("Kein Verschluss")]
    #[case("Occlusion limit changed")]
    #[case("Pas d'occlusion")]
    #[case("Occlusion alarm disabled")]
    #[case("Occlusion alarm test passed")]
    fn a_word_with_a_doubt_in_it_is_asked(#[case] word: &str) {
        assert!(
            matches!(meaning(word), Meaning::Perhaps(_)),
            "{:?}",
            meaning(word)
        );
    }

    #[test]
    fn what_is_not_known_is_left_to_the_user() {
        assert_eq!(meaning("Door opened"), Meaning::Unknown);
        assert_eq!(meaning("Zorg"), Meaning::Unknown);
    }
}
