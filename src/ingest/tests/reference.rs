//! `docs/mapping.md`: each of its examples is read to the figure, and no key of a mapping is missing from it.

use super::*;
use crate::ingest::Mapping;
use crate::ingest::mapping::{COUNTS, all_keys, word_headings};
use crate::ingest::unit::{Quantity, Unit};
use crate::record::EventKind;
use crate::time::TimeText;

const REFERENCE: &str = include_str!("../../../docs/mapping.md");

/// Blocks of code under one heading: what they hold, and their text.
fn examples() -> Vec<Vec<(&'static str, String)>> {
    let chapters = REFERENCE.split("\n### ").skip(1);
    let blocks = |chapter: &'static str| {
        let blocks = chapter.split("\n```").skip(1).step_by(2);
        blocks
            .map(|block| {
                let (kind, text) = block.split_once('\n').unwrap();
                (kind, format!("{text}\n"))
            })
            .collect()
    };
    chapters.map(blocks).collect()
}

fn block<'e>(example: &'e [(&str, String)], kind: &str) -> Option<&'e str> {
    let found = example.iter().find(|(of, _)| *of == kind);
    found.map(|(_, text)| text.as_str())
}

fn mapping(text: &str) -> Mapping {
    let mut bytes = text.as_bytes();
    Mapping::read(source("mapping.md", &mut bytes)).unwrap_or_else(|e| panic!("{e}\n{text}"))
}

/// Times, channels and figures, for a comparison by eye and by text.
fn told(record: &Record) -> Vec<String> {
    let time = |t_s: f64| match record.clock.text(t_s) {
        TimeText::Rfc3339(text) => text,
        TimeText::Seconds(s) => s.to_string(),
    };
    let mut told = Vec::new();
    for channel in &record.channels {
        let s = &channel.samples;
        for (i, t_s) in s.t_s.iter().enumerate() {
            let of = |figures: &[f64]| figures.get(i).map_or("-".into(), |x| format!("{x:.3}"));
            told.push(format!(
                "{} {} {} {} {} {}",
                time(*t_s),
                channel.id,
                of(&s.pressure_mmhg),
                of(&s.rate_ml_h),
                of(&s.volume_ml),
                of(&s.limit_mmhg)
            ));
        }
    }
    for event in &record.events {
        told.push(format!(
            "{} {:?} {:?} {:?}",
            time(event.t_s),
            event.channel,
            event.kind,
            event.detail
        ));
    }
    told
}

fn read_with(trace: &str, events: Option<&str>, map: Option<Mapping>) -> Vec<String> {
    let settings = Settings {
        mapping: map.map(Into::into),
        ..Settings::default()
    };
    let records = read_all(trace.as_bytes(), events, None, &settings)
        .unwrap_or_else(|e| panic!("{e}\n{trace}"));
    for record in &records {
        assert_eq!(record.intake.rows_rejected, 0, "{:?}", record.intake);
    }
    records.iter().flat_map(told).collect()
}

#[test]
fn every_example_reads_as_the_page_says() {
    let examples = examples();
    let mut compared = 0;
    for example in &examples {
        let map = mapping(block(example, "toml").unwrap());
        let Some(trace) = block(example, "text trace") else {
            continue;
        };
        let read = read_with(trace, block(example, "text events"), Some(map));
        let (trace, events) = (block(example, "csv trace"), block(example, "csv events"));
        assert!(trace.is_some() || events.is_some());
        let original = block(example, "text trace").unwrap();
        let right = read_with(trace.unwrap_or(original), events, None);
        assert_eq!(read, right);
        compared += right.len();
    }
    assert_eq!((examples.len(), compared), (7, 4 + 4 + 2 + 2 + 4 + 5));
}

#[test]
fn every_key_of_a_mapping_has_a_place_on_the_page_and_in_an_example() {
    let maps: String = examples()
        .iter()
        .filter_map(|example| block(example, "toml"))
        .collect();
    for section in ["trace", "events"] {
        for words in word_headings(section) {
            let heading = format!("[{section}.{words}]");
            assert!(maps.contains(&heading), "no example has `{heading}`");
        }
    }
    for (heading, key) in all_keys() {
        let heading = format!("{heading}]");
        assert!(maps.contains(&heading), "no example has `[{heading}`");
        let is_here = |line: &str| line.split(" = ").next() == Some(key);
        assert!(maps.lines().any(is_here), "no example has `{key}`");
        assert!(REFERENCE.contains(&format!("`{key}`")), "{key}");
    }
}

#[test]
fn every_word_that_a_key_may_have_is_on_the_page() {
    let events = EventKind::WORDS.iter().copied();
    let counts = COUNTS.iter().map(|(word, _)| *word);
    for word in events.chain(counts) {
        assert!(REFERENCE.contains(&format!("`{word}`")), "{word}");
    }
    let quoted: Vec<Unit> = REFERENCE.split('`').filter_map(Unit::find).collect();
    for quantity in [
        Quantity::Pressure,
        Quantity::Rate,
        Quantity::Volume,
        Quantity::Time,
    ] {
        for code in Unit::known(quantity).split(", ") {
            let unit = Unit::find(code).unwrap();
            assert!(quoted.contains(&unit), "{code}");
        }
    }
}
