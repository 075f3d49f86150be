//! What to look at after an episode, from the pump to the patient, the filter last.
//!
//! The order does not follow the probabilities: the filter is replaced after the other causes are reviewed,
//! whatever its probability. Source of the order: trace the tubing from pump to patient, a professional
//! society's fact sheet of 30 April 2021; filter last: this project's rule.

use super::review::{Check, Episode, Site};
use crate::record::Record;

/// A site with less than this need not be looked at.
const LEAST: f64 = 0.03;

/// The checks that an episode calls for.
pub fn checks(episode: &Episode, record: &Record) -> Vec<Check> {
    let likely = |site: Site| LEAST <= episode.sites[site.index()];
    let mut checks = Vec::new();
    let mut add = |wanted: bool, check: Check| {
        if wanted {
            checks.push(check);
        }
    };
    let alarmed = episode.alarm_s.is_some();
    add(likely(Site::Settings) || alarmed, Check::PressureLimit);
    add(likely(Site::None), Check::PumpHeight);
    add(likely(Site::Supply), Check::Supply);
    add(
        likely(Site::Supply) || likely(Site::Tubing),
        Check::SetInPump,
    );
    add(likely(Site::Tubing) || alarmed, Check::ChannelTubing);
    add(
        likely(Site::Filter) && 1 < record.channels.len() || alarmed,
        Check::JoinAndMedication,
    );
    add(likely(Site::Catheter) || alarmed, Check::TailClamps);
    add(
        likely(Site::Catheter) || alarmed,
        Check::DressingAndPosition,
    );
    add(
        likely(Site::Catheter) || likely(Site::Filter),
        Check::CatheterPatency,
    );
    add(true, Check::InsertionSite);
    add(likely(Site::Filter), Check::Filter);
    checks
}
