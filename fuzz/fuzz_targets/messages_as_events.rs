#![no_main]
//! See `messages_as_events` in readers.rs.
#[allow(dead_code)]
#[path = "../readers.rs"]
mod readers;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| readers::messages_as_events(bytes));
