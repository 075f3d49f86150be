//! Events of many infusions in one file go to the records they name.
//!
//! In: records by name, an events file with a column `infusion`. Out: the records with their events. A row that cannot be
//! placed makes its infusion faulty, not the others: one filter change overlooked turns a verdict round.

use super::events::{Plan, Problem, event, notices, other_kind, placed, unplaceable};
use super::gather::Aliases;
use super::moment::Kind;
use super::when::Passage;
use super::{Settings, Source, cell};
use crate::error::{Error, Result};
use crate::record::Record;
use crate::time::Clock;
use std::collections::BTreeMap;

/// Reads the file, adds its events to the records, and gives back `(infusion, why it cannot be used)`. With
/// [`Settings::keep_going`] a row that cannot be placed is left out instead. Events of infusions that are not among
/// the records are passed over.
///
/// # Errors
/// No table, a column missing (`infusion` among them).
pub fn attach_events(
    records: &mut BTreeMap<String, Record>,
    source: Source,
    settings: &Settings,
) -> Result<Vec<(String, Error)>> {
    let map = settings.mapping.as_deref().and_then(|m| m.events.as_ref());
    let (mut table, mut plan) = Plan::open(source, map)?;
    let infusion = match plan.infusion() {
        Some(column) => column,
        None => table.require("infusion")?,
    };
    let name = table.name.clone();
    let time = plan.time(&table);
    // Each infusion's clock goes its own way through the night on which summer time ends.
    let mut passages: BTreeMap<String, Passage> = BTreeMap::new();
    let mut faulty = Vec::new();
    let mut touched: BTreeMap<String, usize> = BTreeMap::new();
    while let Some(row) = table.next_row()? {
        let Some(record) = cell::name(row.cell(infusion))
            .ok()
            .and_then(|name| records.get_mut(name))
        else {
            continue;
        };
        let kind = match record.clock {
            Clock::Calendar { .. } => Kind::Calendar,
            Clock::Seconds => Kind::Seconds,
        };
        let whose = record.infusion.clone().unwrap_or_default();
        let passage = passages.entry(whose.clone()).or_default();
        match event(&row, &mut plan, kind, &mut Aliases::default(), passage) {
            Ok(row) => {
                record.events.push(placed(row, &record.clock, kind));
                *touched.entry(whose).or_default() += 1;
            }
            Err(Problem::OtherKind) => {
                faulty.push((whose, other_kind(&name, row.line, &time, kind)));
            }
            Err(Problem::File(what, hint)) => {
                let error = Error::in_file(&name, what).at_line(row.line);
                faulty.push((whose, error.in_column(time.clone()).hint(hint)));
            }
            Err(Problem::Row(fault)) if !settings.keep_going => {
                faulty.push((whose, unplaceable(&name, &row.rejected(fault))));
            }
            Err(Problem::Row(_)) => {}
        }
    }
    for record in records.values_mut() {
        record.events_given = true;
    }
    for whose in touched.keys() {
        if let Some(record) = records.get_mut(whose) {
            record.events.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
            let said = notices(record);
            record.intake.notices.extend(said);
        }
    }
    Ok(faulty)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::read_records;
    use crate::record::EventKind;

    fn source<'a>(name: &'static str, reader: &'a mut &[u8]) -> Source<'a> {
        Source {
            name: name.as_ref(),
            reader,
        }
    }

    fn records() -> BTreeMap<String, Record> {
        let mut trace =
            "infusion,time,pressure_mmhg,rate_ml_h\na,0,30,4\na,60,30,4\nb,0,30,4\nb,60,30,4\n"
                .as_bytes();
        let records = read_records(
            source("t.csv", &mut trace),
            None,
            None,
            &Settings::default(),
        )
        .unwrap();
        records
            .into_iter()
            .map(|r| (r.infusion.clone().unwrap(), r))
            .collect()
    }

    fn attached(
        events: &str,
        keep_going: bool,
    ) -> (BTreeMap<String, Record>, Vec<(String, Error)>) {
        let mut records = records();
        let mut bytes = events.as_bytes();
        let faulty = attach_events(
            &mut records,
            source("e.csv", &mut bytes),
            &Settings {
                keep_going,
                mapping: None,
            },
        )
        .unwrap();
        (records, faulty)
    }

    #[test]
    fn events_go_to_the_infusion_they_name_in_order_of_time() {
        let (records, faulty) = attached(
            "infusion,time,event\nb,40,pause\na,20,filter_change\nb,10,start\nc,5,note\n",
            false,
        );
        let kinds = |name: &str| {
            records[name]
                .events
                .iter()
                .map(|e| e.kind)
                .collect::<Vec<_>>()
        };
        assert_eq!(kinds("a"), [EventKind::FilterChange]);
        assert_eq!(kinds("b"), [EventKind::Start, EventKind::Pause]);
        assert!(faulty.is_empty() && records.values().all(|r| r.events_given));
    }

    #[test]
    fn a_row_that_cannot_be_placed_spoils_its_own_infusion_only() {
        let (_, faulty) = attached(
            "infusion,time,event\na,soon,filter_change\nb,10,start\n",
            false,
        );
        assert_eq!(
            faulty.iter().map(|f| f.0.as_str()).collect::<Vec<_>>(),
            ["a"]
        );
        assert!(
            faulty[0]
                .1
                .to_string()
                .starts_with("e.csv:2: column `time`")
        );
        assert!(
            attached("infusion,time,event\na,soon,filter_change\n", true)
                .1
                .is_empty()
        );
    }

    #[test]
    fn a_file_without_the_column_is_an_error() {
        let mut bytes = "time,event\n0,start\n".as_bytes();
        assert!(
            attach_events(
                &mut records(),
                source("e.csv", &mut bytes),
                &Settings::default()
            )
            .is_err()
        );
    }
}
