//! Records that contradict themselves: nothing is judged of them.
//!
//! In: a record as it was read. Out: the error that says where, or nothing. [`super::Settings::keep_going`] lifts this.

use crate::error::{Error, Result};
use crate::record::{Channel, Notice, Record};
use crate::time::{Clock, TimeText};
use jiff::civil::Date;
use std::path::Path;

/// Per cent of a channel's rows that may disagree with another row of the same time (our choice: a few happen where a pump writes an
/// event into its log).
const MOST_PERCENT: u64 = 3;
/// So many may, whatever their share.
const FEW: u64 = 4;

/// Whether so many rows of a number disagree with another row of the same time that something is not understood.
pub(in crate::ingest) fn are_many(rows: u64, of: u64) -> bool {
    FEW < rows && MOST_PERCENT * of < 100 * rows
}

/// Figures of two files further apart than rounding explains, in mmHg or mL/h and as a share (our choice).
const FAR: (f64, f64) = (3.0, 0.1);

/// Pressures that never fall below this, mmHg, are no gauge pressures: lowest air pressure measured at sea level, 870 hPa =
/// 653 mmHg (WMO, Weather and Climate Extremes Archive), less what a line may lie below its pump.
const NO_GAUGE_MMHG: f64 = 550.0;

/// Samples at the least to say so.
const ENOUGH: usize = 20;

/// Stops where a record cannot be what it says.
pub(super) fn check(record: &Record, file: &Path) -> Result<()> {
    for notice in &record.intake.notices {
        match notice {
            Notice::ConflictingRepeats {
                channel,
                rows,
                line,
            } => {
                let of_it = record.channels.iter().filter(|c| c.id == *channel);
                let samples: usize = of_it.map(|c| c.samples.t_s.len()).sum();
                if are_many(*rows, samples as u64) {
                    return Err(at_one_time(file, *rows, samples as u64 + rows, *line));
                }
            }
            Notice::ExportsMerged {
                rows_twice, first, ..
            } => {
                let far = first.iter().filter(|c| is_far(c.earlier, c.later)).count() as u64;
                if FEW < far && MOST_PERCENT * (*rows_twice).min(1000) <= 100 * far {
                    return Err(in_two_files(
                        file,
                        *rows_twice,
                        first.first().map(|c| c.time.as_str()),
                    ));
                }
            }
            _ => {}
        }
    }
    record.channels.iter().try_for_each(|channel| {
        swapped_days(&record.clock, channel, file)?;
        absolute(channel, file)
    })
}

fn is_far(a: f64, b: f64) -> bool {
    FAR.0 < (a - b).abs() && FAR.1 * a.abs().max(b.abs()) < (a - b).abs()
}

fn at_one_time(file: &Path, rows: u64, all: u64, line: u64) -> Error {
    let what = format!(
        "two rows of one channel stand at one time with different figures, as {rows} of {all} rows do: two pumps under one name, or times written too coarsely"
    );
    let error = Error::in_file(file, what);
    let error = match line {
        0 => error,
        line => error.at_line(line),
    };
    error.hint("name the column that tells the pumps apart as `channel`, that of patients as `infusion`, or export times with seconds; `--keep-going` reads on, the last row of each time counting")
}

fn in_two_files(file: &Path, rows: u64, time: Option<&str>) -> Error {
    let first = time.map_or_else(String::new, |time| format!(", first at {time}"));
    let what = format!(
        "the files have different figures for one channel at one time in many of {rows} rows{first}: they are of two pumps, or in two units"
    );
    Error::in_file(file, what)
        .hint("give the files of one pump together, or add a column `channel` that tells the pumps apart; `--keep-going` reads on, the later file counting")
}

/// A spreadsheet that takes 04/03 for the 3rd of April wherever it can, and leaves 13/03 as it is, tears a record apart by
/// months: days that join on when day and month are exchanged.
fn swapped_days(clock: &Clock, channel: &Channel, file: &Path) -> Result<()> {
    const MONTH_S: f64 = 20.0 * 86_400.0;
    let t_s = &channel.samples.t_s;
    let torn: Vec<(Date, Date)> = t_s
        .windows(2)
        .filter_map(|two| match two {
            [a, b] if MONTH_S < b - a => date(clock, *a).zip(date(clock, *b)),
            _ => None,
        })
        .collect();
    let near = |a: Date, b: Date| {
        let days = a.until(b).map(|span| span.get_days().abs());
        days.is_ok_and(|days| days <= 1)
    };
    let ends = t_s.first().into_iter().chain(t_s.last());
    let ends: Vec<Date> = ends.filter_map(|t| date(clock, *t)).collect();
    let known: Vec<Date> = torn
        .iter()
        .flat_map(|(a, b)| [*a, *b])
        .chain(ends)
        .collect();
    for (before, after) in &torn {
        for day in [before, after] {
            let Ok(other) = Date::new(day.year(), day.day(), day.month()) else {
                continue;
            };
            let joins = other != *day
                && known
                    .iter()
                    .any(|known| known != day && near(*known, other));
            if joins {
                let what = format!(
                    "the record goes from {before} to {after}; with day and month exchanged, {day} is {other}, which joins on to the other rows: a spreadsheet seems to have exchanged them where it could"
                );
                return Err(Error::in_file(file, what).hint("export the times anew as text, with the year first, or not by way of a spreadsheet"));
            }
        }
    }
    Ok(())
}

fn date(clock: &Clock, t_s: f64) -> Option<Date> {
    match clock.text(t_s) {
        TimeText::Rfc3339(text) => text.get(..10)?.parse().ok(),
        TimeText::Seconds(_) => None,
    }
}

fn absolute(channel: &Channel, file: &Path) -> Result<()> {
    let pressures = channel.samples.pressure_mmhg.iter().filter(|p| !p.is_nan());
    let lowest = pressures.clone().copied().fold(f64::INFINITY, f64::min);
    if pressures.count() < ENOUGH || !(NO_GAUGE_MMHG..=1100.0).contains(&lowest) {
        return Ok(());
    }
    let what = format!(
        "the pressure is never below {lowest:.0} mmHg: these are absolute pressures, with that of the air in them"
    );
    Err(Error::in_file(file, what).hint("say in a mapping what is to be taken off, in the column's unit: `pressure_zero = 760` (`patency map` asks for it)"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::{Settings, Source, read_records};
    use rstest::rstest;

    fn read(text: &str, keep_going: bool) -> Result<Vec<Record>> {
        let mut bytes = text.as_bytes();
        let trace = Source {
            name: "night.csv".as_ref(),
            reader: &mut bytes,
        };
        let settings = Settings {
            keep_going,
            ..Settings::default()
        };
        read_records(trace, None, None, &settings)
    }

    fn table(rows: impl Iterator<Item = (String, f64)>) -> String {
        let rows = rows.map(|(time, p)| format!("{time},{p},4\n"));
        "time,pressure_mmhg,rate_ml_h\n".to_string() + &rows.collect::<String>()
    }

    #[test]
    fn two_pumps_under_one_name_stop_the_reading() {
        let rows = (0..40).map(|i| (format!("{}", i / 2 * 10), f64::from(30 + i % 2 * 20)));
        let text = table(rows);
        let error = read(&text, false).unwrap_err().to_string();
        assert!(
            error.starts_with("night.csv:3: two rows of one channel stand at one time"),
            "{error}"
        );
        assert!(
            error.contains("20 of 40 rows") && error.contains("`channel`"),
            "{error}"
        );
        assert!(read(&text, true).is_ok());
    }

    #[test]
    fn a_row_now_and_then_that_disagrees_is_told_and_no_more() {
        let rows = (0..400).map(|i| {
            (
                format!("{}", if i % 100 == 99 { i - 1 } else { i } * 10),
                f64::from(30 + i % 2),
            )
        });
        assert!(read(&table(rows), false).is_ok());
    }

    #[test]
    fn days_and_months_exchanged_by_a_spreadsheet_stop_the_reading() {
        // 11, 12, 13 and 14 March; of the first two day and month are exchanged.
        let days = ["2031-11-03", "2031-12-03", "2031-03-13", "2031-03-14"];
        let rows = days
            .iter()
            .flat_map(|d| (0..24).map(move |h| (format!("{d}T{h:02}:00:00Z"), 30.0)));
        let error = read(&table(rows), false).unwrap_err().to_string();
        assert!(error.contains("with day and month exchanged"), "{error}");
        let rows = ["2031-03-13", "2031-05-14"]
            .iter()
            .map(|d| (format!("{d}T08:00:00Z"), 30.0));
        assert!(read(&table(rows), false).is_ok(), "a long gap is a gap");
    }

    #[rstest]
    #[case(755.0, false)]
    #[case(30.0, true)]
    fn absolute_pressures_are_no_line_pressures(#[case] at_rest: f64, #[case] is_read: bool) {
        let rows = (0..40).map(|i| (format!("{}", i * 10), at_rest + f64::from(i)));
        let read = read(&table(rows), false);
        assert_eq!(read.is_ok(), is_read, "{read:?}");
    }
}
