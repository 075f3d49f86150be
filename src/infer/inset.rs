//! What came on top of a cause that stays and passed again, taken out of the record: what is left is the first cause's.
//!
//! In: a record, its tracker, an excursion and the stretches in which something else stood on top of it. Out: a [`Rest`].

use super::excursion::Excursion;
use super::regimes::{self, Doings};
use super::tracker::Tracker;
use crate::record::Record;
use crate::time::Span;

/// A record without the readings and events of some stretches, and an excursion as that record shows it.
pub struct Rest {
    /// The record: within the stretches no pressure was measured and nothing noted, while the pumps kept their rates.
    pub record: Record,
    /// What the pumps did in it.
    pub doings: Doings,
    /// The tracker as it stands, with the blocks that lie outside.
    pub tracker: Tracker,
    /// The excursion.
    pub excursion: Excursion,
}

impl Rest {
    /// What is left of an excursion outside some stretches.
    pub fn of(record: &Record, tracker: &Tracker, excursion: &Excursion, insets: &[Span]) -> Self {
        let mut record = record.clone();
        for channel in &mut record.channels {
            let samples = &mut channel.samples;
            for (t_s, mmhg) in samples.t_s.iter().zip(&mut samples.pressure_mmhg) {
                if hold(insets, *t_s) {
                    *mmhg = f64::NAN;
                }
            }
        }
        record.events.retain(|e| !hold(insets, e.t_s));
        let tracker = tracker.without(insets);
        let until_s = excursion.end_s.unwrap_or(f64::INFINITY);
        let mut excursion = Excursion {
            end_s: excursion.end_s,
            ..excursion.up_to(until_s, &tracker.blocks)
        };
        excursion.bouts = tracker.bouts(&excursion);
        let doings = regimes::doings(&record);
        Self {
            record,
            doings,
            tracker,
            excursion,
        }
    }
}

/// Whether a moment lies in any of some stretches.
pub fn hold(insets: &[Span], t_s: f64) -> bool {
    insets.iter().any(|s| s.start_s <= t_s && t_s <= s.end_s)
}
