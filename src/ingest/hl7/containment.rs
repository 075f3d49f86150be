//! The tree of a pump's parts, which a message spells out in dotted paths.
//!
//! In: the segments of one order (`OBR` and the `OBX` beneath). Out: [`Row`]s that know their moment, their pump and their
//! part. Numbers in a path mean nothing beyond their order, so the tree is built anew for each one.
//!
//! ```text
//! 1.0.0.0  the pump               OBX-14 and OBX-18 of a part hold for all below it,
//! 1.1.0.0    a module             where these have none of their own; the time of
//! 1.1.1.0      what flows out     the order (OBR-7) holds for what is left
//! 1.1.1.2        its rate
//! 1.1.1.0.3      a facet of an alarm there
//! ```

use super::codes::{Coded, Level, Term, coded};
use super::dtm::{Dtm, dtm};
use super::er7::Segment;
use crate::ingest::moment::Moment;
use jiff::tz::TimeZone;
use std::collections::HashMap;

/// Why a message cannot be used.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Refused {
    pub(super) line: u64,
    /// The field at fault: `OBX-5`.
    pub(super) field: &'static str,
    /// What stands there, where it cannot be a person's.
    pub(super) value: String,
    pub(super) reason: String,
    /// Whether it is as good as any, but not meant for this: a demonstration, another kind of message.
    pub(super) is_aside: bool,
    /// Whether the file leaves the zone open.
    pub(super) asks_zone: bool,
}

impl Refused {
    pub(super) fn new(segment: &Segment, field: &'static str, reason: impl Into<String>) -> Self {
        Self {
            line: segment.line,
            field,
            value: String::new(),
            reason: reason.into(),
            is_aside: false,
            asks_zone: false,
        }
    }

    pub(super) fn showing(mut self, value: &str) -> Self {
        let clean = value.chars().filter(|c| !c.is_control()).take(60);
        self.value = clean.collect();
        self
    }

    pub(super) fn aside(mut self) -> Self {
        self.is_aside = true;
        self
    }
}

/// Where offsets come from that times leave out, and how often each was asked.
#[derive(Debug, Default)]
pub(super) struct Zones {
    pub(super) given: Option<TimeZone>,
    pub(super) from_order: u64,
    pub(super) from_header: u64,
    pub(super) from_user: u64,
    /// Times in the hour that comes twice, told apart by the time before.
    pub(super) twice: u64,
    /// The time before, where the zone given was needed for it.
    last: Option<i64>,
}

/// Furthest that the time before may lie from one in the hour that comes twice to tell the two apart (our choice: the other
/// of the two is then at least five times as far).
const NEAR_US: i64 = 10 * 60 * 1_000_000;

/// Offsets in force where a time has none of its own.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Lent {
    pub(super) order: Option<i32>,
    pub(super) header: Option<i32>,
}

impl Zones {
    /// The moment of a time that may lack its offset.
    pub(super) fn moment(
        &mut self,
        time: Dtm,
        lent: Lent,
        segment: &Segment,
        field: &'static str,
    ) -> Result<Moment, Refused> {
        if let Some(offset) = time.offset_s {
            return Ok(time.at_offset(offset));
        }
        if let Some(offset) = lent.order {
            self.from_order += 1;
            return Ok(time.at_offset(offset));
        }
        if let Some(offset) = lent.header {
            self.from_header += 1;
            return Ok(time.at_offset(offset));
        }
        let refused = |reason| Refused::new(segment, field, reason);
        let Some(zone) = &self.given else {
            let mut asks = refused("a time without its offset");
            asks.asks_zone = true;
            return Err(asks);
        };
        self.from_user += 1;
        let [first, second] = time.in_zone(zone).map_err(refused)?;
        let mut moment = first;
        if first.ticks != second.ticks {
            let near = |m: &Moment| self.last.is_some_and(|t| (t - m.ticks).abs() <= NEAR_US);
            let unsaid = "a time that comes twice in the zone given, without its offset, and no other shortly before it";
            let found = [first, second].into_iter().find(near);
            moment = found.ok_or_else(|| refused(unsaid))?;
            self.twice += u64::from(self.last != Some(moment.ticks));
        }
        self.last = Some(moment.ticks);
        Ok(moment)
    }
}

/// A path: pump, module, part, metric, facet.
pub(super) type Path = [u32; 5];

/// One observation in its place.
#[derive(Debug, Clone)]
pub(super) struct Row<'m> {
    pub(super) segment: &'m Segment,
    pub(super) code: Coded,
    pub(super) path: Path,
    /// The moment it tells of, and whether that is its own or a part's rather than the order's.
    pub(super) moment: Option<(Moment, bool)>,
    /// The pump's own name (OBX-18), as it stands; empty where none is given.
    pub(super) pump: String,
    /// The kind of part it belongs to.
    pub(super) level: Option<Level>,
}

impl Row<'_> {
    /// The module it belongs to.
    pub(super) fn module(&self) -> (u32, u32) {
        (self.path[0], self.path[1])
    }

    /// OBX-11: what has become of the observation.
    pub(super) fn is_retracted(&self) -> bool {
        matches!(self.segment.component(11, 1), "D" | "W")
    }

    /// Whether OBX-8 has one of these flags.
    pub(super) fn flagged<'f>(&self, flags: &[&'f str]) -> Option<&'f str> {
        let mut given = self.segment.repetitions(8);
        given.find_map(|g| {
            flags
                .iter()
                .find(|f| g.split('^').next() == Some(**f))
                .copied()
        })
    }
}

/// One order and what was observed under it.
pub(super) struct Order<'m> {
    /// The `OBR`; a message without one has its observations under its header.
    pub(super) head: &'m Segment,
    pub(super) rows: Vec<Row<'m>>,
    /// The time the order stands for, and its end where it is an interval.
    pub(super) span: (Option<Moment>, Option<Moment>),
}

/// Reads a dotted path; missing levels are 0.
pub(super) fn path(text: &str) -> Result<Path, &'static str> {
    let mut path = Path::default();
    if text.trim().is_empty() {
        return Ok(path);
    }
    let mut parts = text.trim().split('.');
    for level in &mut path {
        let Some(part) = parts.next() else { break };
        *level = part.parse().map_err(|_| "not a path of numbers")?;
    }
    Ok(path) // facets of facets tell nothing here
}

/// The paths of the parts above, nearest first.
fn above(path: Path) -> [Path; 3] {
    let [pump, module, part, _, _] = path;
    [
        [pump, module, part, 0, 0],
        [pump, module, 0, 0, 0],
        [pump, 0, 0, 0, 0],
    ]
}

/// Reads the orders of a message.
pub(super) fn orders<'m>(
    segments: &'m [Segment],
    header_offset_s: Option<i32>,
    zones: &mut Zones,
) -> Result<Vec<Order<'m>>, Refused> {
    let Some(header) = segments.first() else {
        return Ok(Vec::new());
    };
    let mut groups: Vec<(&Segment, Vec<&Segment>)> = Vec::new();
    for segment in segments {
        match segment.id() {
            "OBR" => groups.push((segment, Vec::new())),
            "OBX" => match groups.last_mut() {
                Some((_, rows)) => rows.push(segment),
                None => groups.push((header, vec![segment])),
            },
            _ => {}
        }
    }
    groups
        .into_iter()
        .map(|(head, rows)| order(head, &rows, header_offset_s, zones))
        .collect()
}

fn time(segment: &Segment, field: usize, name: &'static str) -> Result<Option<Dtm>, Refused> {
    let text = segment.component(field, 1);
    dtm(text).map_err(|reason| Refused::new(segment, name, reason).showing(text))
}

fn order<'m>(
    head: &'m Segment,
    segments: &[&'m Segment],
    header_offset_s: Option<i32>,
    zones: &mut Zones,
) -> Result<Order<'m>, Refused> {
    let (from, to) = match head.id() {
        "OBR" => (time(head, 7, "OBR-7")?, time(head, 8, "OBR-8")?),
        _ => (None, None),
    };
    let lent = Lent {
        order: from.and_then(|t| t.offset_s),
        header: header_offset_s,
    };
    let alone = Lent {
        order: None,
        ..lent
    };
    let from = from
        .map(|t| zones.moment(t, alone, head, "OBR-7"))
        .transpose()?;
    let to = to
        .map(|t| zones.moment(t, lent, head, "OBR-8"))
        .transpose()?;
    // What each part lends to those below it: level, time, pump.
    let mut parts: HashMap<Path, (Option<Level>, Option<Moment>, String)> = HashMap::new();
    let mut rows = Vec::with_capacity(segments.len());
    for &segment in segments {
        let text = segment.component(4, 1);
        let path =
            path(text).map_err(|reason| Refused::new(segment, "OBX-4", reason).showing(text))?;
        let code = coded(segment, 3);
        let own = time(segment, 14, "OBX-14")?;
        let own = own
            .map(|t| zones.moment(t, lent, segment, "OBX-14"))
            .transpose()?;
        let pump = segment.repetitions(18).next().unwrap_or_default().trim();
        let is_part = path[3] == 0 && path[4] == 0 && path[0] != 0;
        if is_part {
            let level = match code.term {
                Some(Term::Device(level)) => Some(level),
                _ => None,
            };
            parts.insert(path, (level, own, pump.to_string()));
        }
        rows.push((segment, code, path, own, pump));
    }
    let rows = rows
        .into_iter()
        .map(|(segment, code, path, own, pump)| {
            let mut lenders = above(path).into_iter().filter_map(|p| parts.get(&p));
            let lent_time = own.or_else(|| lenders.clone().find_map(|l| l.1));
            let lent_pump = lenders
                .clone()
                .map(|l| l.2.as_str())
                .find(|p| !p.is_empty());
            Row {
                segment,
                code,
                path,
                moment: lent_time.map(|t| (t, true)).or(from.map(|t| (t, false))),
                pump: match pump {
                    "" => lent_pump.unwrap_or_default().to_string(),
                    own => own.to_string(),
                },
                level: lenders.find_map(|l| l.0),
            }
        })
        .collect();
    Ok(Order {
        head,
        rows,
        span: (from, to),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::hl7::er7::Delimiters;

    fn segments(text: &str) -> Vec<Segment> {
        let signs = Delimiters::of("MSH|^~\\&|").unwrap();
        let line = |(line, text): (u64, &str)| Segment {
            line,
            text: text.into(),
            signs,
        };
        (1..).zip(text.lines()).map(line).collect()
    }

    #[test]
    fn time_and_pump_are_handed_down_from_part_to_part() {
        let segments = segments(
            "MSH|^~\\&|A\n\
             OBR|1||||||20260329010000+0100\n\
             OBX|1||70053^MDC_DEV_PUMP_INFUS_SYRINGE_MDS^MDC|1.0.0.0|||||||X|||||||PUMP-A\n\
             OBX|2||70054^MDC_DEV_PUMP_INFUS_SYRINGE_VMD^MDC|1.1.0.0|||||||X|||20260329010010+0100\n\
             OBX|3||70067^MDC_DEV_PUMP_DELIVERY_INFO^MDC|1.1.1.0|||||||X\n\
             OBX|4|NM|158014^MDC_FLOW_FLUID_PUMP_CURRENT^MDC|1.1.1.2|2\n\
             OBX|5|NM|157836^MDC_PRESS_FLUID_MEAS^MDC|1.1.1.3|9||||||R|||20260329010020\n\
             OBX|6||70054^MDC_DEV_PUMP_INFUS_SYRINGE_VMD^MDC|1.2.0.0|||||||X|||||||PUMP-B\n\
             OBX|7|NM|158014^MDC_FLOW_FLUID_PUMP_CURRENT^MDC|1.2.1.2|3",
        );
        let mut zones = Zones::default();
        let orders = orders(&segments, None, &mut zones).unwrap();
        let rows = &orders[0].rows;
        let base = orders[0].span.0.unwrap().ticks;
        let told: Vec<(f64, bool, &str, Option<Level>)> = rows
            .iter()
            .map(|r| {
                let (moment, own) = r.moment.unwrap();
                (
                    (moment.ticks - base) as f64 / 1e6,
                    own,
                    r.pump.as_str(),
                    r.level,
                )
            })
            .collect();
        let (pump, module, delivery) = (
            Some(Level::Pump),
            Some(Level::Module),
            Some(Level::Delivery),
        );
        assert_eq!(
            told,
            [
                (0.0, false, "PUMP-A", pump),
                (10.0, true, "PUMP-A", module),
                (10.0, true, "PUMP-A", delivery),
                (10.0, true, "PUMP-A", delivery),
                (20.0, true, "PUMP-A", delivery), // its own, at the order's offset
                (0.0, false, "PUMP-B", module),
                (0.0, false, "PUMP-B", module),
            ]
        );
        assert_eq!(zones.from_order, 1);
    }

    #[test]
    fn paths_are_numbers_not_text() {
        assert_eq!(path("1.11.2.3").unwrap(), [1, 11, 2, 3, 0]);
        assert!(path("1.2.3.4").unwrap() < path("1.11.2.3").unwrap());
        assert_eq!(path("1.1.1.0.7.2").unwrap(), [1, 1, 1, 0, 7]);
        assert_eq!(path("").unwrap(), [0; 5]);
        assert!(path("1.x").is_err());
        assert!(path("99999999999.1").is_err());
    }
}
