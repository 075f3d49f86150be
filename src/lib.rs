//! Reads exported infusion-pump logs and says what was blocked, where, and how sure that is.
//!
//! A pump's log holds line pressure, rate, stops and restarts. This library finds each episode of rising
//! back-pressure, pause and step occlusion in it, weighs which part of the line most likely caused it, and
//! says so with its certainty. It looks back at records: it is no alarm and no bedside device.
//!
//! The rooms, in the direction in which data flows:
//! [`ingest`] (bytes → [`record::Record`]) → [`signal`] (numbers → changes) and [`infer`] (record → review)
//! → [`report`] (results → text and pictures), with [`study`] (reviews → survey) beside.
//! [`cli`] and [`serve`] are the edges: they alone open files and read the clock, and only [`cli`] prints.

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

pub mod cli;
pub mod error;
pub mod hydraulics;
pub mod infer;
pub mod ingest;
pub mod record;
pub mod report;
pub mod run;
pub mod serve;
pub mod signal;
pub mod simulate;
pub mod stats;
pub mod study;
pub mod time;
pub mod units;
