//! An infusion that is split over several traces becomes one record.
//!
//! In: the records that each trace gave, without companions. Out: one record, as if the rows had stood in one file: in order of
//! time, the later file's row counting where two have the same time.

use super::assemble::{Infusion, MOST_CHANNELS, Series, crowded, record};
use super::moment::Kind;
use super::order::Rows;
use super::when::Passage;
use crate::error::{Error, Result};
use crate::record::{Channel, Intake, Notice, Record};
use crate::time::Clock;

/// Puts the parts together; their own order decides between rows of the same time. Events and line are to be attached
/// afterwards.
///
/// # Errors
/// No part, some parts with dates and some with seconds, or together more channels than a line has pumps.
pub fn join(mut parts: Vec<Record>) -> Result<Record> {
    if parts.len() < 2 {
        return parts
            .pop()
            .ok_or_else(|| Error::new("there is nothing to join"));
    }
    let kind = kind_of(parts.first().map(|p| &p.clock));
    if parts.iter().any(|p| kind_of(Some(&p.clock)) != kind) {
        return Err(Error::new(
            "the infusion is split over files of which some have dates and some seconds from the start",
        )
        .hint("write the times of all its files in the same way"));
    }
    let mut whole = Infusion {
        name: parts
            .first()
            .and_then(|p| p.infusion.clone())
            .unwrap_or_default(),
        ..Infusion::default()
    };
    let mut series: Vec<Series> = Vec::new();
    for part in parts {
        let origin = origin(&part.clock);
        add_offsets(&mut whole, &part, kind);
        add_intake(&mut whole.intake, part.intake);
        for channel in part.channels {
            add_channel(&mut series, channel, kind, origin);
        }
    }
    if MOST_CHANNELS < series.len() {
        return Err(crowded());
    }
    Ok(record(whole, series, kind))
}

fn kind_of(clock: Option<&Clock>) -> Kind {
    match clock {
        Some(Clock::Calendar { .. }) => Kind::Calendar,
        _ => Kind::Seconds,
    }
}

fn origin(clock: &Clock) -> i64 {
    match clock {
        Clock::Calendar { origin_us, .. } => *origin_us,
        Clock::Seconds => 0,
    }
}

fn ticks(t_s: f64, kind: Kind, origin: i64) -> i64 {
    (t_s * kind.ticks_per_s()).round() as i64 + origin
}

fn add_offsets(whole: &mut Infusion, part: &Record, kind: Kind) {
    let Clock::Calendar { origin_us, offsets } = &part.clock else {
        return;
    };
    let runs = offsets
        .iter()
        .map(|&(from_s, offset)| (ticks(from_s, kind, *origin_us), offset));
    whole.offsets.extend(runs);
}

/// Counts are added; what a single file's rows showed is found again in the joined ones.
fn add_intake(into: &mut Intake, from: Intake) {
    into.rows += from.rows;
    into.rows_rejected += from.rows_rejected;
    into.rejected.extend(from.rejected);
    into.rejected.truncate(super::table::REJECTED_SHOWN);
    into.repeats += from.repeats;
    into.out_of_order += from.out_of_order;
    for notice in from.notices {
        let of_rows = matches!(
            notice,
            Notice::VolumeFalls { .. }
                | Notice::ImplausiblePressure { .. }
                | Notice::NoPressure { .. }
        );
        if !of_rows && !into.notices.contains(&notice) {
            into.notices.push(notice);
        }
    }
}

fn add_channel(series: &mut Vec<Series>, channel: Channel, kind: Kind, origin: i64) {
    let at = series
        .iter()
        .position(|s| s.channel == channel.id)
        .unwrap_or_else(|| {
            series.push(Series {
                infusion: 0,
                infusion_cell: Box::default(),
                channel_cell: Box::default(),
                channel: channel.id.clone(),
                rows: Rows::default(),
                waiting: None,
                passage: Passage::default(),
                followed_by: 0,
            });
            series.len() - 1
        });
    let (Some(one), samples) = (series.get_mut(at), channel.samples) else {
        return;
    };
    one.rows
        .ticks
        .extend(samples.t_s.iter().map(|&t| ticks(t, kind, origin)));
    one.rows.lines.resize(one.rows.ticks.len(), 0); // lines of several files would mislead
    one.rows.pressure_mmhg.extend(samples.pressure_mmhg);
    one.rows.rate_ml_h.extend(samples.rate_ml_h);
    one.rows.volume_ml.extend(samples.volume_ml);
    one.rows.limit_mmhg.extend(samples.limit_mmhg);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::{Settings, Source, read_records};

    fn part(text: &str) -> Record {
        let mut bytes = text.as_bytes();
        let source = Source {
            name: "part.csv".as_ref(),
            reader: &mut bytes,
        };
        read_records(source, None, None, &Settings::default())
            .unwrap()
            .remove(0)
    }

    const HEADER: &str = "infusion,time,channel,pressure_mmhg,rate_ml_h\n";

    fn rows(hour: u32, minutes: std::ops::Range<u32>, offset: &str) -> String {
        minutes
            .map(|m| {
                format!(
                    "a,2031-03-04T{hour:02}:{m:02}:00{offset},pn,{}.0,4\n",
                    30 + m % 7
                )
            })
            .collect()
    }

    #[test]
    fn parts_joined_are_what_one_file_would_have_given() {
        let (first, second) = (rows(8, 0..40, "+01:00"), rows(9, 0..30, "+01:00"));
        let whole = part(&format!("{HEADER}{first}{second}"));
        for order in [[&first, &second], [&second, &first]] {
            let joined = join(order.map(|rows| part(&format!("{HEADER}{rows}"))).to_vec()).unwrap();
            // as text: a volume that was not given is NaN, and equals nothing
            assert_eq!(
                format!("{:?}", joined.channels),
                format!("{:?}", whole.channels)
            );
            assert_eq!(joined.clock, whole.clock);
            assert_eq!(joined.intake.rows, whole.intake.rows);
        }
    }

    #[test]
    fn a_change_of_offset_between_files_is_kept() {
        let winter = part(&format!("{HEADER}{}", rows(8, 0..10, "+01:00")));
        let summer = part(&format!("{HEADER}{}", rows(12, 0..10, "+02:00")));
        let joined = join(vec![winter, summer]).unwrap();
        assert_eq!(joined.clock.offset_s(0.0), 3600);
        assert_eq!(joined.clock.offset_s(joined.end_s()), 7200);
        assert_eq!(joined.end_s(), 3.0 * 3600.0 + 9.0 * 60.0);
    }

    #[test]
    fn dates_and_seconds_do_not_join() {
        let seconds = part(&format!("{HEADER}a,0,pn,30,4\na,10,pn,30,4\n"));
        let dates = part(&format!("{HEADER}{}", rows(8, 0..10, "Z")));
        assert!(join(vec![seconds, dates]).is_err());
        assert!(join(vec![]).is_err());
    }
}
