//! Where in a table's rows each thing stands: the contract's columns, or those that a mapping names.
//!
//! In: a table's header and, where there is one, its mapping. Out: [`Plan`], the one way in which a trace is read.

use super::cell::{LIMIT, PRESSURE, RATE, Range, VOLUME};
use super::mapping::{
    FieldMap, FieldsMap, FileMap, Holds, LayoutMap, TimeCells, TimeWritten, TraceMap, UnitMap, What,
};
use super::numbers::Numbers;
use super::table::Table;
use super::unit::Unit;
use super::when::{Clockwork, When, WhenCells};
use crate::error::{Error, Result};
use std::collections::HashMap;

/// How rows are read.
pub(super) struct Plan {
    pub(super) infusion: Option<usize>,
    pub(super) numbers: Numbers,
    pub(super) layout: Layout,
    /// What an empty cell means.
    pub(super) holds: Holds,
    /// Words in the place of a rate, and the rates they mean.
    pub(super) rate_words: Vec<(String, f64)>,
    /// Columns that say whether the channel ran, and the words that say so.
    pub(super) running: Vec<(usize, Vec<String>)>,
    /// Whether the file is an export in a form of its own.
    pub(super) is_mapped: bool,
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
    /// The column that says the unit in each row, in the place of the factor.
    pub(super) unit: Option<usize>,
    /// Taken off each figure, in its own unit.
    pub(super) zero: f64,
}

impl Field {
    /// A column whose figures need no more than a factor.
    pub(super) fn plain(column: usize, factor: f64) -> Self {
        Self {
            column,
            factor,
            unit: None,
            zero: 0.0,
        }
    }
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
        let plain = |column: usize| Field::plain(column, 1.0);
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
            holds: Holds::Nothing,
            rate_words: Vec::new(),
            running: Vec::new(),
            is_mapped: false,
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
        let mut running = Vec::with_capacity(map.running.len());
        for (column, words) in &map.running {
            running.push((table.require(column)?, words.clone()));
        }
        let plan = Self {
            infusion,
            numbers: map.file.numbers.clone(),
            layout,
            holds: map.holds,
            rate_words: map.rate_words.clone(),
            running,
            is_mapped: true,
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
        TimeWritten::MinutesAndSeconds => When::MinutesAndSeconds,
        TimeWritten::Epoch(seconds, zone) => When::Epoch {
            seconds: *seconds,
            zone: zone.clone(),
        },
        TimeWritten::SheetDays(zone) => When::SheetDays(zone.clone()),
        TimeWritten::Pattern(pattern, zone) => When::Pattern {
            pattern: pattern.clone(),
            zone: zone.clone(),
        },
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
    let optional = |table: &mut Table, map: &Option<FieldMap>, what| {
        map.as_ref()
            .map(|map| field_of(table, map, what))
            .transpose()
    };
    Ok(Fields {
        pressure: field_of(table, &map.pressure, What::Pressure)?,
        rate: field_of(table, &map.rate, What::Rate)?,
        volume: optional(table, &map.volume, What::Volume)?,
        limit: optional(table, &map.limit, What::Limit)?,
    })
}

/// A column of figures, its unit compared with the one that the file states.
fn field_of(table: &mut Table, map: &FieldMap, what: What) -> Result<Field> {
    let column = table.require(&map.column)?;
    let stated = table.stated_unit(column);
    let stated = stated.filter(|(unit, ..)| unit.quantity == what.quantity());
    let mut field = Field::plain(column, 1.0);
    field.zero = map.zero;
    match (&map.unit, stated) {
        (UnitMap::Column(name), _) => field.unit = Some(table.require(name)?),
        (UnitMap::Factor(factor), Some((unit, place, line)))
            if table.has_units() && unit.factor != Some(*factor) =>
        {
            let said = format!("{place} says `{}`, the mapping has another unit", unit.code);
            return Err(Error::in_file(&table.name, said)
                .at_line(line)
                .in_column(&map.column)
                .hint(format!(
                    "make the mapping anew with `patency map`, correct `{}` in it, or write `unit_row = \"ignored\"` where the row is known to be wrong",
                    what.unit_keys().0
                )));
        }
        (UnitMap::Factor(factor), _) => field.factor = *factor,
        (
            UnitMap::Written,
            Some((
                Unit {
                    factor: Some(factor),
                    ..
                },
                ..,
            )),
        ) => field.factor = factor,
        (UnitMap::Written, _) => {
            return Err(
                Error::in_file(&table.name, "no unit is written that could be read")
                    .at_line(1)
                    .in_column(&map.column)
                    .hint(format!(
                        "write the unit into the mapping: one of {}",
                        Unit::known(what.quantity())
                    )),
            );
        }
    }
    Ok(field)
}
