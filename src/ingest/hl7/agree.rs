//! The parts of messages, as found here and by a parser of another language: `scripts/reference/hl7_tokens.py` made the
//! expected rows with the `hl7` library 0.4.5.

use super::er7::{Segment, unescape};
use super::messages::Messages;
use crate::ingest::Source;

const COMPOSED: [&str; 3] = [
    include_str!("../../../tests/it/data/hl7/observation.hl7"),
    include_str!("../../../tests/it/data/hl7/alarm.hl7"),
    include_str!("../../../tests/it/data/hl7/event.hl7"),
];
const MADE: &str = include_str!("../../../tests/it/data/hl7/made.hl7");
const TOKENS: &str = include_str!("../../../tests/it/data/hl7/tokens.csv");

/// Message, segment, field, repetition, component, subcomponent; and the text.
type Token = ([usize; 6], String);

fn tokens(text: &str) -> Vec<Token> {
    let mut bytes = text.as_bytes();
    let mut messages = Messages::open(Source {
        name: "m.hl7".as_ref(),
        reader: &mut bytes,
    });
    let mut found = Vec::new();
    let mut m = 0;
    while let Some(message) = messages.next().unwrap() {
        for (s, segment) in message.segments.iter().enumerate() {
            add(&mut found, m, s, segment);
        }
        m += 1;
    }
    found
}

fn add(found: &mut Vec<Token>, m: usize, s: usize, segment: &Segment) {
    let signs = segment.signs;
    let first = if s == 0 { 3 } else { 1 };
    let fields = segment.text.split(signs.field).count();
    for f in first..=fields {
        for (r, repetition) in segment.repetitions(f).enumerate() {
            for (c, component) in repetition.split(signs.component).enumerate() {
                if r == 0 {
                    assert_eq!(segment.component(f, c + 1), component);
                }
                for (n, leaf) in component.split(signs.subcomponent).enumerate() {
                    if !leaf.is_empty() {
                        let place = [m, s, f, r + 1, c + 1, n + 1];
                        found.push((place, unescape(leaf, signs).into_owned()));
                    }
                }
            }
        }
    }
}

#[test]
fn the_parts_of_messages_agree_with_the_hl7_library() {
    let mut reader = csv::Reader::from_reader(TOKENS.as_bytes());
    let expected: Vec<Token> = reader
        .records()
        .map(|row| {
            let row = row.unwrap();
            let place = std::array::from_fn(|i| row[i].parse().unwrap());
            (place, row[6].to_string())
        })
        .collect();
    let found = tokens(&format!("{}{MADE}", COMPOSED.concat()));
    assert!(
        2000 < expected.len(),
        "{} parts are too few to tell",
        expected.len()
    );
    for (found, expected) in found.iter().zip(&expected) {
        assert_eq!(found, expected);
    }
    assert_eq!(found.len(), expected.len());
}
