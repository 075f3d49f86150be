//! Where in a table's rows each thing stands: the contract's columns, or those that a mapping names.
//!
//! In: a table's header and, where there is one, its mapping. Out: [`Plan`], the one way in which a trace is read.

use super::cell::{LIMIT, PRESSURE, RATE, Range, VOLUME};
use super::mapping::{FieldsMap, FileMap, LayoutMap, TimeCells, TimeWritten, TraceMap, What};
use super::numbers::Numbers;
use super::table::Table;
use super::when::{Clockwork, When, WhenCells};
use crate::error::Result;
use std::collections::HashMap;

/// How rows are read.
pub(super) struct Plan {
    pub(super) infusion: Option<usize>,
    pub(super) numbers: Numbers,
    pub(super) layout: Layout,
    /// Whether an empty rate or limit means that the one before still holds.
    pub(super) holds: bool,
}

/// What a row holds.
pub(super) enum Layout {
    /// A sample of one channel.
    Row {
        channel: Option<usize>,
        fields: Fields,
    },
    /// A sample of each channel.
    Wide(Vec<(String, Fields)>),
    /// One value of one channel.
    Long {
        channel: Option<usize>,
        parameter: usize,
        value: usize,
        unit: Option<usize>,
        names: HashMap<String, (What, Option<f64>)>,
    },
}

/// A column of numbers and what turns them into the contract's unit.
#[derive(Debug, Clone, Copy)]
pub(super) struct Field {
    pub(super) column: usize,
    pub(super) factor: f64,
}

/// The figures of one channel.
pub(super) struct Fields {
    pub(super) pressure: Field,
    pub(super) rate: Field,
    pub(super) volume: Option<Field>,
    pub(super) limit: Option<Field>,
}

impl What {
    /// What such a figure may be, in the contract's unit.
    pub(super) fn range(self) -> Range {
        match self {
            What::Pressure => PRESSURE,
            What::Rate => RATE,
            What::Volume => VOLUME,
            What::Limit => LIMIT,
        }
    }
}

impl Plan {
    /// The contract's columns.
    pub(super) fn contract(table: &mut Table) -> Result<(Self, Clockwork)> {
        let infusion = table.find("infusion")?;
        let time = WhenCells::One(table.require("time")?);
        let plain = |column: usize| Field {
            column,
            factor: 1.0,
        };
        let channel = table.find("channel")?;
        let fields = Fields {
            pressure: plain(table.require("pressure_mmhg")?),
            rate: plain(table.require("rate_ml_h")?),
            volume: table.find("volume_ml")?.map(plain),
            limit: table.find("limit_mmhg")?.map(plain),
        };
        let plan = Self {
            infusion,
            numbers: Numbers::contract(),
            layout: Layout::Row { channel, fields },
            holds: false,
        };
        let clockwork = Clockwork::new(When::Contract, time, Numbers::contract());
        Ok((plan, clockwork))
    }

    /// The columns that a mapping names.
    pub(super) fn mapped(table: &mut Table, map: &TraceMap) -> Result<(Self, Clockwork)> {
        let clockwork = clockwork(table, &map.file)?;
        let infusion = find(table, map.file.infusion.as_deref())?;
        let channel = find(table, map.file.channel.as_deref())?;
        let layout = match &map.layout {
            LayoutMap::Row(fields) => Layout::Row {
                channel,
                fields: fields_of(table, fields)?,
            },
            LayoutMap::Wide(channels) => {
                let mut wide = Vec::with_capacity(channels.len());
                for (id, fields) in channels {
                    wide.push((id.clone(), fields_of(table, fields)?));
                }
                Layout::Wide(wide)
            }
            LayoutMap::Long(long) => Layout::Long {
                channel,
                parameter: table.require(&long.parameter)?,
                value: table.require(&long.value)?,
                unit: find(table, long.unit.as_deref())?,
                names: long
                    .names
                    .iter()
                    .map(|(name, what, factor)| (name.clone(), (*what, *factor)))
                    .collect(),
            },
        };
        let plan = Self {
            infusion,
            numbers: map.file.numbers.clone(),
            layout,
            holds: map.holds,
        };
        Ok((plan, clockwork))
    }
}

/// The reader of a mapped file's times.
pub(super) fn clockwork(table: &mut Table, file: &FileMap) -> Result<Clockwork> {
    let cells = match &file.time.cells {
        TimeCells::One(column) => WhenCells::One(table.require(column)?),
        TimeCells::DateAndClock(date, clock) => {
            WhenCells::DateAndClock(table.require(date)?, table.require(clock)?)
        }
        TimeCells::ClockFrom(clock, start) => WhenCells::ClockFrom(table.require(clock)?, *start),
    };
    let when = match &file.time.written {
        TimeWritten::Contract => When::Contract,
        // Durations of a sheet are seconds already, whatever unit its other columns have.
        TimeWritten::Elapsed(_) if table.counts_seconds(cells.column()) => {
            When::Elapsed { seconds: 1.0 }
        }
        TimeWritten::Elapsed(seconds) => When::Elapsed { seconds: *seconds },
        TimeWritten::Local(order, zone) => When::Local {
            order: *order,
            zone: zone.clone(),
        },
    };
    Ok(Clockwork::new(when, cells, file.numbers.clone()))
}

/// A column that must be there where the mapping names it.
pub(super) fn find(table: &mut Table, column: Option<&str>) -> Result<Option<usize>> {
    column.map(|name| table.require(name)).transpose()
}

fn fields_of(table: &mut Table, map: &FieldsMap) -> Result<Fields> {
    let mut field = |(name, factor): &(String, f64)| -> Result<Field> {
        Ok(Field {
            column: table.require(name)?,
            factor: *factor,
        })
    };
    Ok(Fields {
        pressure: field(&map.pressure)?,
        rate: field(&map.rate)?,
        volume: map.volume.as_ref().map(&mut field).transpose()?,
        limit: map.limit.as_ref().map(&mut field).transpose()?,
    })
}
