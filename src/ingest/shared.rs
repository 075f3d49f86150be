//! Tables that hold many infusions: read once, then handed out one infusion at a time.
//!
//! In: a trace (or events) with a column `infusion`, and a [`Store`] for rows that wait. Out: [`SharedTrace`] and
//! [`SharedEvents`], which give one infusion's record and events when asked, so that memory is bounded however long the tables are
//! and however their infusions interleave. An event that cannot be placed makes its infusion faulty, not the others: one filter
//! change overlooked turns a verdict round.

use super::events::{EventRow, Plan, Problem, event, notices, other_kind, placed, unplaceable};
use super::gather::{Aliases, Gathered};
use super::moment::Kind;
use super::shelf::{Shelf, Store};
use super::when::Passage;
use super::{Settings, Source, cell, trace};
use crate::error::{Error, Result};
use crate::record::Record;
use crate::time::Clock;
use std::collections::{BTreeMap, HashMap};
use std::path::PathBuf;

/// A trace of many infusions, read but for the rows, which wait in its store.
pub struct SharedTrace {
    name: PathBuf,
    gathered: Gathered,
    /// Places in `gathered` by name.
    places: HashMap<String, usize>,
}

impl SharedTrace {
    /// Reads a trace. Rows that cannot be used are counted at their infusion and never stop the reading; only where no row
    /// at all can be used does it fail.
    ///
    /// # Errors
    /// As [`super::read_records`], no column `infusion`, or a store that cannot be written.
    pub fn read(source: Source, settings: &Settings, store: Box<dyn Store>) -> Result<Self> {
        let name = source.name.to_path_buf();
        let lenient = Settings {
            keep_going: true,
            ..settings.clone()
        };
        let (gathered, has_infusions) = trace::gathered(source, &lenient, Shelf::new(store))?;
        if !has_infusions {
            return Err(Error::in_file(&name, "there is no column `infusion`")
                .at_line(1)
                .hint("tables in `traces` name the infusion of each row; give an infusion without it a folder of its own"));
        }
        let places = gathered.names().enumerate();
        let places = places.map(|(at, name)| (name.to_string(), at)).collect();
        Ok(Self {
            name,
            gathered,
            places,
        })
    }

    /// Whether the trace has rows of an infusion.
    pub fn has(&self, infusion: &str) -> bool {
        self.places.contains_key(infusion)
    }

    /// The infusions that it has rows of and that were not taken yet, in order of name.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.gathered.names()
    }

    /// The record of an infusion, once; `None` where the trace has no usable row of it, or gave it already.
    ///
    /// # Errors
    /// The store cannot be read; the infusion has more channels than a line has pumps.
    pub fn take(&mut self, infusion: &str) -> Result<Option<Record>> {
        match self.places.remove(infusion) {
            Some(at) => {
                let taken = self.gathered.take(at);
                taken.map_err(|e| e.of_file(&self.name))
            }
            None => Ok(None),
        }
    }
}

/// Events of many infusions, by infusion.
#[derive(Default)]
pub struct SharedEvents {
    /// Whether there was any file: "no event" and "nobody wrote events down" differ.
    given: bool,
    of: HashMap<String, (Kind, Vec<EventRow>)>,
    faulty: BTreeMap<String, Error>,
}

impl SharedEvents {
    /// Reads one file more. With [`Settings::keep_going`] a row that cannot be placed is left out. Events of infusions that no
    /// trace has are passed over.
    ///
    /// # Errors
    /// No table, a column missing (`infusion` among them).
    pub fn read(
        &mut self,
        source: Source,
        traces: &[&SharedTrace],
        settings: &Settings,
    ) -> Result<()> {
        let map = settings.mapping.as_deref().and_then(|m| m.events.as_ref());
        let (mut table, mut plan) = Plan::open(source, map)?;
        let infusion = match plan.infusion() {
            Some(column) => column,
            None => table.require("infusion")?,
        };
        let name = table.name.clone();
        let time = plan.time(&table);
        let mut aliases: Vec<Aliases> = traces.iter().map(|t| t.gathered.aliases.clone()).collect();
        for (aliases, trace) in aliases.iter_mut().zip(traces) {
            plan.hide_channels(&table, aliases, trace.gathered.channels());
        }
        // Each infusion's clock goes its own way through the night on which summer time ends.
        let mut passages: HashMap<String, Passage> = HashMap::new();
        while let Some(row) = table.next_row()? {
            let Ok(whose) = cell::name(row.cell(infusion)) else {
                continue;
            };
            let mut of_traces = traces.iter().zip(&mut aliases);
            let Some((trace, aliases)) = of_traces.find(|(t, _)| t.has(whose)) else {
                continue;
            };
            let kind = trace.gathered.kind();
            let whose = whose.to_string();
            let passage = passages.entry(whose.clone()).or_default();
            match event(&row, &mut plan, kind, aliases, passage) {
                Ok(row) => {
                    let of = self.of.entry(whose).or_insert_with(|| (kind, Vec::new()));
                    of.1.push(row);
                }
                Err(Problem::OtherKind) => {
                    self.fault(whose, || other_kind(&name, row.line, &time, kind));
                }
                Err(Problem::File(what, hint)) => self.fault(whose, || {
                    let error = Error::in_file(&name, what).at_line(row.line);
                    error.in_column(time.clone()).hint(hint)
                }),
                Err(Problem::Row(fault)) if !settings.keep_going => {
                    self.fault(whose, || unplaceable(&name, &row.rejected(fault)));
                }
                Err(Problem::Row(_)) => {}
            }
        }
        self.given = true;
        Ok(())
    }

    /// The first fault of an infusion is kept.
    fn fault(&mut self, whose: String, error: impl FnOnce() -> Error) {
        self.faulty.entry(whose).or_insert_with(error);
    }

    /// Gives a record its events.
    ///
    /// # Errors
    /// One of them could not be placed.
    pub fn attach(&self, record: &mut Record) -> Result<()> {
        let whose = record.infusion.as_deref().unwrap_or_default();
        if let Some(error) = self.faulty.get(whose) {
            return Err(error.clone());
        }
        record.events_given = self.given;
        let Some((kind, rows)) = self.of.get(whose) else {
            return Ok(());
        };
        debug_assert!((*kind == Kind::Seconds) == (record.clock == Clock::Seconds));
        let events = rows
            .iter()
            .map(|row| placed(row.clone(), &record.clock, *kind));
        record.events.extend(events);
        record.events.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
        let said = notices(record);
        record.intake.notices.extend(said);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::read_records;
    use crate::record::EventKind;
    use std::io::Cursor;

    fn source<'a>(name: &'static str, reader: &'a mut &[u8]) -> Source<'a> {
        Source {
            name: name.as_ref(),
            reader,
        }
    }

    fn shared(trace: &str) -> SharedTrace {
        let mut bytes = trace.as_bytes();
        let store = Box::new(Cursor::new(Vec::new()));
        SharedTrace::read(source("t.csv", &mut bytes), &Settings::default(), store).unwrap()
    }

    /// Rows of three infusions in turn, far more than are held in memory.
    fn interleaved(rows: usize) -> String {
        let mut text = "infusion,time,channel,pressure_mmhg,rate_ml_h,volume_ml\n".to_string();
        for i in 0..rows {
            for (infusion, channel) in [("b", "pn"), ("a", "pn"), ("a", "lipid"), ("c", "pn")] {
                let pressure = 30 + (i * 7 + infusion.len() * 3) % 11;
                text += &format!(
                    "{infusion},{i},{channel},{pressure},4,{}\n",
                    i as f64 / 900.0
                );
            }
        }
        text += "a,oops,pn,1,1,1\n";
        text
    }

    #[test]
    fn one_infusion_at_a_time_is_what_reading_all_at_once_gives() {
        let text = interleaved(super::super::shelf::MOST_HELD * 5 / 8);
        let mut bytes = text.as_bytes();
        let lenient = Settings {
            keep_going: true,
            mapping: None,
            ..Settings::default()
        };
        let whole = read_records(source("t.csv", &mut bytes), None, None, &lenient).unwrap();
        let mut shared = shared(&text);
        assert!(shared.gathered.waiting() > 0, "nothing was put away");
        for name in ["c", "a", "b"] {
            assert!(shared.has(name));
            let record = shared.take(name).unwrap().unwrap();
            let same = whole.iter().find(|r| r.infusion.as_deref() == Some(name));
            assert!(
                format!("{record:?}") == format!("{:?}", same.unwrap()),
                "{name}"
            );
        }
        assert_eq!(shared.take("a").unwrap(), None);
        assert_eq!(shared.take("d").unwrap(), None);
    }

    #[test]
    fn an_infusion_of_too_many_channels_is_left_out_by_itself() {
        let mut text = "infusion,time,channel,pressure_mmhg,rate_ml_h\na,0,pn,30,4\n".to_string();
        for i in 0..20_000 {
            text += &format!("b,{i},c{i},30,4\n");
        }
        let mut shared = shared(&text);
        assert!(shared.take("a").unwrap().is_some());
        let error = shared.take("b").unwrap_err().to_string();
        let said = "t.csv: expected at most 16 channels in one infusion, found more\n";
        assert!(error.starts_with(said), "{error}");
    }

    #[test]
    fn a_trace_that_names_no_infusion_is_an_error() {
        let mut bytes = "time,pressure_mmhg,rate_ml_h\n0,30,4\n".as_bytes();
        let store = Box::new(Cursor::new(Vec::new()));
        let read = SharedTrace::read(source("t.csv", &mut bytes), &Settings::default(), store);
        let error = read.err().unwrap().to_string();
        assert!(
            error.starts_with("t.csv:1: there is no column `infusion`"),
            "{error}"
        );
    }

    const TRACE: &str =
        "infusion,time,pressure_mmhg,rate_ml_h\na,0,30,4\na,60,30,4\nb,0,30,4\nb,60,30,4\n";

    fn events(text: &str, keep_going: bool) -> Result<SharedEvents> {
        let mut events = SharedEvents::default();
        let mut bytes = text.as_bytes();
        let settings = Settings {
            keep_going,
            mapping: None,
            ..Settings::default()
        };
        events.read(source("e.csv", &mut bytes), &[&shared(TRACE)], &settings)?;
        Ok(events)
    }

    fn attached(events: &SharedEvents, name: &str) -> Result<Record> {
        let mut record = shared(TRACE).take(name).unwrap().unwrap();
        events.attach(&mut record).map(|()| record)
    }

    #[test]
    fn events_go_to_the_infusion_they_name_in_order_of_time() {
        let text = "infusion,time,event\nb,40,pause\na,20,filter_change\nb,10,start\nc,5,note\n";
        let events = events(text, false).unwrap();
        let kinds = |name: &str| {
            let record = attached(&events, name).unwrap();
            assert!(record.events_given);
            record.events.iter().map(|e| e.kind).collect::<Vec<_>>()
        };
        assert_eq!(kinds("a"), [EventKind::FilterChange]);
        assert_eq!(kinds("b"), [EventKind::Start, EventKind::Pause]);
    }

    #[test]
    fn an_event_that_cannot_be_placed_spoils_its_own_infusion_only() {
        let text = "infusion,time,event\na,soon,filter_change\nb,10,start\n";
        let strict = events(text, false).unwrap();
        let error = attached(&strict, "a").unwrap_err().to_string();
        assert!(error.starts_with("e.csv:2: column `time`"), "{error}");
        assert_eq!(attached(&strict, "b").unwrap().events.len(), 1);
        let lenient = events(text, true).unwrap();
        assert!(attached(&lenient, "a").unwrap().events.is_empty());
    }

    #[test]
    fn events_without_the_column_are_an_error() {
        assert!(events("time,event\n0,start\n", false).is_err());
    }
}
