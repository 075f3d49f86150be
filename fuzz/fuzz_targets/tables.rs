#![no_main]
//! See `tables` in readers.rs.
#[allow(dead_code)]
#[path = "../readers.rs"]
mod readers;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| readers::tables(bytes));
