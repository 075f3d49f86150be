//! Tables for others' tools: infusions, filters at risk in start–stop rows, episodes, pauses.
//!
//! In: a cohort and its filters at risk. Out: each table as CSV and as Parquet, and `datapackage.json`, which says what every
//! column means (Frictionless Data Package). Columns of `infusions.csv` are repeated in the first two, so that a regression
//! can start from one table; where such a column bears a name of ours, it ends in `_given`.

use crate::infer::{PauseCause, Site};
use crate::report::formula::no_formula;
use crate::study::{AtRisk, Cohort, Exposure, PauseRule};
use crate::time::{Clock, TimeText};
use polars::prelude::{
    BooleanChunked, Column, DataFrame, Float64Chunked, Int64Chunked, IntoColumn, NewChunkedArray,
    ParquetWriter, StringChunked,
};
use serde_json::json;

/// A file's name and bytes.
pub type File = (String, Vec<u8>);

/// One column of a table: a missing cell is empty in CSV and null in Parquet.
enum Cells {
    Text(Vec<Option<String>>),
    Number(Vec<Option<f64>>),
    Integer(Vec<i64>),
    Truth(Vec<bool>),
}

struct Field {
    name: String,
    says: String,
    cells: Cells,
}

struct Table {
    name: &'static str,
    says: &'static str,
    fields: Vec<Field>,
}

/// Makes all files: `NAME.csv` and `NAME.parquet` of each table, and `datapackage.json`.
///
/// # Errors
/// The words of the library that writes a table; it fails for want of memory only.
pub fn tables(cohort: &Cohort, at_risk: &AtRisk) -> Result<Vec<File>, String> {
    let tables = [
        infusions(cohort, at_risk),
        filters(cohort, at_risk),
        episodes(cohort, at_risk),
        pauses(cohort),
    ];
    let mut files = Vec::new();
    for table in &tables {
        files.push((format!("{}.csv", table.name), table.csv()?));
        files.push((format!("{}.parquet", table.name), table.parquet()?));
    }
    files.push(("datapackage.json".into(), package(&tables)));
    Ok(files)
}

fn infusions(cohort: &Cohort, at_risk: &AtRisk) -> Table {
    let members = || cohort.members.iter();
    let filters = |n: usize| at_risk.filters.iter().filter(move |f| f.member == n);
    let mut fields = vec![
        text(
            "infusion",
            "the infusion's name",
            members().map(|m| Some(m.infusion.clone())),
        ),
        text(
            "start",
            "first sample, as the trace writes time",
            members().map(|m| moment(&m.facts.clock, m.facts.start_s)),
        ),
        text(
            "end",
            "last sample",
            members().map(|m| moment(&m.facts.clock, m.facts.end_s)),
        ),
        number(
            "hours",
            "last sample − first sample, hours",
            members().map(|m| Some(m.facts.hours())),
        ),
        truth(
            "has_filter",
            "whether the line has a filter",
            members().map(|m| m.facts.has_filter),
        ),
        integer(
            "filters",
            "filters at risk",
            (0..cohort.members.len()).map(|n| filters(n).count() as i64),
        ),
        number(
            "filter_hours",
            "their time at risk, hours",
            (0..cohort.members.len()).map(|n| Some(filters(n).map(|f| f.hours()).sum())),
        ),
        integer(
            "episodes",
            "episodes found",
            members().map(|m| m.facts.episodes.len() as i64),
        ),
        integer(
            "pauses",
            "pauses of the line, whatever their cause",
            members().map(|m| m.facts.pauses.len() as i64),
        ),
    ];
    add_columns(
        &mut fields,
        cohort,
        &(0..cohort.members.len()).collect::<Vec<_>>(),
    );
    Table {
        name: "infusions",
        says: "one row per infusion",
        fields,
    }
}

fn filters(cohort: &Cohort, at_risk: &AtRisk) -> Table {
    let rows: Vec<_> = at_risk
        .filters
        .iter()
        .flat_map(|f| {
            let stretches = Exposure::new(cohort, f, PauseRule::CONTRACT).stretches(f);
            stretches.into_iter().map(move |s| (f, s))
        })
        .collect();
    let clock_of = |member: usize| cohort.members.get(member).map(|m| &m.facts.clock);
    let at = |hour: fn(&crate::study::Stretch) -> f64| {
        rows.iter()
            .map(move |(f, s)| clock_of(f.member).and_then(|clock| moment(clock, f.at_s(hour(s)))))
            .collect::<Vec<_>>()
    };
    let mut fields = vec![
        text(
            "infusion",
            "the infusion's name",
            rows.iter()
                .map(|(f, _)| cohort.members.get(f.member).map(|m| m.infusion.clone())),
        ),
        integer(
            "filter",
            "the filter's number within the infusion",
            rows.iter().map(|(f, _)| i64::from(f.number)),
        ),
        number(
            "start_h",
            "hours since the filter was placed; at risk from just after",
            rows.iter().map(|(_, s)| Some(s.start_h)),
        ),
        number(
            "stop_h",
            "hours since the filter was placed; at risk until then",
            rows.iter().map(|(_, s)| Some(s.stop_h)),
        ),
        integer(
            "event",
            "1 where the first filter onset came at stop_h, else 0",
            rows.iter()
                .map(|(f, s)| i64::from(f.event() && s.stop_h == f.exit_h)),
        ),
        integer(
            "pauses_in_last_6_h",
            "pauses of at least 60 s, not caused by an alarm, that started in the last 6 h; the same throughout the row",
            rows.iter().map(|(_, s)| i64::from(s.pauses)),
        ),
        text(
            "start",
            "start_h as the trace writes time",
            at(|s| s.start_h).into_iter(),
        ),
        text(
            "stop",
            "stop_h as the trace writes time",
            at(|s| s.stop_h).into_iter(),
        ),
    ];
    add_columns(
        &mut fields,
        cohort,
        &rows.iter().map(|(f, _)| f.member).collect::<Vec<_>>(),
    );
    Table {
        name: "filters",
        says: "filters at risk in start–stop rows, cut where the number of pauses in the last 6 h changes",
        fields,
    }
}

fn episodes(cohort: &Cohort, at_risk: &AtRisk) -> Table {
    let rows: Vec<_> = cohort
        .members
        .iter()
        .enumerate()
        .flat_map(|(n, m)| m.facts.episodes.iter().map(move |e| (n, m, e)))
        .collect();
    let when = |of: fn(&crate::study::Happening) -> Option<f64>| {
        rows.iter()
            .map(|(_, m, e)| of(e).and_then(|t| moment(&m.facts.clock, t)))
            .collect::<Vec<_>>()
            .into_iter()
    };
    let counted = |n: usize, id: u32| {
        at_risk
            .filters
            .iter()
            .any(|f| f.member == n && f.episode == Some(id))
    };
    let mut fields = vec![
        text(
            "infusion",
            "the infusion's name",
            rows.iter().map(|(_, m, _)| Some(m.infusion.clone())),
        ),
        integer(
            "episode",
            "the episode's number within the infusion",
            rows.iter().map(|(_, _, e)| i64::from(e.id)),
        ),
        text("onset", "when it began", when(|e| Some(e.onset_s.value))),
        text(
            "onset_low",
            "lower end of the onset's 90 % interval",
            when(|e| Some(e.onset_s.low)),
        ),
        text(
            "onset_high",
            "upper end of the onset's 90 % interval",
            when(|e| Some(e.onset_s.high)),
        ),
        text(
            "end",
            "relief; empty where the record ends first",
            when(|e| e.end_s),
        ),
        text(
            "alarm",
            "the occlusion alarm it led to",
            when(|e| e.alarm_s),
        ),
        text(
            "course",
            "gradual, step or intermittent",
            rows.iter().map(|(_, _, e)| Some(e.course.word().into())),
        ),
        text(
            "suggested",
            "the most likely site, or undetermined",
            rows.iter()
                .map(|(_, _, e)| Some(super::words::site_word(e.suggested).into())),
        ),
        text(
            "confidence",
            "high, moderate or low",
            rows.iter()
                .map(|(_, _, e)| Some(e.confidence.word().into())),
        ),
        truth(
            "counts_for_filter_rate",
            "whether it is the first onset of a filter at risk",
            rows.iter().map(|(n, _, e)| counted(*n, e.id)),
        ),
    ];
    for site in Site::ALL {
        fields.push(number(
            &format!("p_{}", site.word()),
            &format!("probability of the site {}", site.word()),
            rows.iter()
                .map(|(_, _, e)| e.sites.get(site.index()).copied()),
        ));
    }
    Table {
        name: "episodes",
        says: "one row per episode",
        fields,
    }
}

fn pauses(cohort: &Cohort) -> Table {
    let rows: Vec<_> = cohort
        .members
        .iter()
        .flat_map(|m| m.facts.pauses.iter().map(move |p| (m, p)))
        .collect();
    let counts = |p: &crate::study::LinePause| {
        p.cause != PauseCause::Alarm && PauseRule::CONTRACT.at_least_s <= p.span.seconds()
    };
    let fields = vec![
        text(
            "infusion",
            "the infusion's name",
            rows.iter().map(|(m, _)| Some(m.infusion.clone())),
        ),
        text(
            "start",
            "when no channel ran any more",
            rows.iter()
                .map(|(m, p)| moment(&m.facts.clock, p.span.start_s)),
        ),
        text(
            "end",
            "the restart, or the record's end",
            rows.iter()
                .map(|(m, p)| moment(&m.facts.clock, p.span.end_s)),
        ),
        number(
            "duration_s",
            "seconds from start to end",
            rows.iter().map(|(_, p)| Some(p.span.seconds())),
        ),
        truth(
            "still_on",
            "whether the record ends before the restart",
            rows.iter().map(|(_, p)| p.still_on),
        ),
        text(
            "cause",
            "manual, alarm or unknown",
            rows.iter().map(|(_, p)| Some(p.cause.word().into())),
        ),
        truth(
            "counts",
            "whether it counts as a pause: at least 60 s, not caused by an alarm",
            rows.iter().map(|(_, p)| counts(p)),
        ),
    ];
    Table {
        name: "pauses",
        says: "one row per stretch in which no channel ran",
        fields,
    }
}

/// The columns of `infusions.csv`, for the member of each row.
fn add_columns(fields: &mut Vec<Field>, cohort: &Cohort, member_of_row: &[usize]) {
    for (number, header) in cohort.columns.iter().enumerate() {
        let mut name = header.clone();
        while fields.iter().any(|f| f.name == name) {
            name += "_given";
        }
        let cell = |&member: &usize| {
            let label = cohort.members.get(member)?.label(number);
            (!label.is_empty()).then(|| label.to_string())
        };
        let says = format!("`{header}` of infusions.csv");
        fields.push(text(&name, &says, member_of_row.iter().map(cell)));
    }
}

fn moment(clock: &Clock, t_s: f64) -> Option<String> {
    t_s.is_finite().then(|| match clock.text(t_s) {
        TimeText::Rfc3339(text) => text,
        TimeText::Seconds(seconds) => seconds.to_string(),
    })
}

fn text(name: &str, says: &str, cells: impl Iterator<Item = Option<String>>) -> Field {
    field(name, says, Cells::Text(cells.collect()))
}

fn number(name: &str, says: &str, cells: impl Iterator<Item = Option<f64>>) -> Field {
    let finite = cells.map(|c| c.filter(|x| x.is_finite()));
    field(name, says, Cells::Number(finite.collect()))
}

fn integer(name: &str, says: &str, cells: impl Iterator<Item = i64>) -> Field {
    field(name, says, Cells::Integer(cells.collect()))
}

fn truth(name: &str, says: &str, cells: impl Iterator<Item = bool>) -> Field {
    field(name, says, Cells::Truth(cells.collect()))
}

fn field(name: &str, says: &str, cells: Cells) -> Field {
    Field {
        name: name.into(),
        says: says.into(),
        cells,
    }
}

impl Cells {
    fn len(&self) -> usize {
        match self {
            Cells::Text(c) => c.len(),
            Cells::Number(c) => c.len(),
            Cells::Integer(c) => c.len(),
            Cells::Truth(c) => c.len(),
        }
    }

    /// As CSV writes it; numbers in the shortest form that reads back the same.
    fn written(&self, row: usize) -> String {
        match self {
            Cells::Text(c) => {
                let text = c.get(row).and_then(Option::as_deref);
                no_formula(text.unwrap_or_default()).into_owned()
            }
            Cells::Number(c) => c
                .get(row)
                .copied()
                .flatten()
                .map_or_else(String::new, |x| x.to_string()),
            Cells::Integer(c) => c.get(row).map_or_else(String::new, i64::to_string),
            Cells::Truth(c) => c.get(row).map_or_else(String::new, bool::to_string),
        }
    }

    fn kind(&self) -> &'static str {
        match self {
            Cells::Text(_) => "string",
            Cells::Number(_) => "number",
            Cells::Integer(_) => "integer",
            Cells::Truth(_) => "boolean",
        }
    }
}

impl Field {
    fn column(&self) -> Column {
        let name = self.name.as_str().into();
        match &self.cells {
            Cells::Text(c) => {
                StringChunked::from_iter_options(name, c.iter().map(Option::as_deref)).into_column()
            }
            Cells::Number(c) => {
                Float64Chunked::from_iter_options(name, c.iter().copied()).into_column()
            }
            Cells::Integer(c) => {
                Int64Chunked::from_iter_values(name, c.iter().copied()).into_column()
            }
            Cells::Truth(c) => {
                BooleanChunked::from_iter_options(name, c.iter().map(|&b| Some(b))).into_column()
            }
        }
    }
}

impl Table {
    fn rows(&self) -> usize {
        self.fields.first().map_or(0, |f| f.cells.len())
    }

    fn csv(&self) -> Result<Vec<u8>, String> {
        let mut writer = csv::Writer::from_writer(Vec::new());
        let written = writer.write_record(self.fields.iter().map(|f| f.name.as_str()));
        written.map_err(|e| e.to_string())?;
        for row in 0..self.rows() {
            let cells = self.fields.iter().map(|f| f.cells.written(row));
            writer.write_record(cells).map_err(|e| e.to_string())?;
        }
        writer.into_inner().map_err(|e| e.to_string())
    }

    fn parquet(&self) -> Result<Vec<u8>, String> {
        let mut bytes = Vec::new();
        let columns = self.fields.iter().map(Field::column).collect();
        let written = DataFrame::new(self.rows(), columns)
            .and_then(|mut table| ParquetWriter::new(&mut bytes).finish(&mut table));
        written.map_err(|e| e.to_string())?;
        Ok(bytes)
    }
}

fn package(tables: &[Table]) -> Vec<u8> {
    let resources: Vec<_> = tables
        .iter()
        .map(|t| {
            let fields: Vec<_> = t
                .fields
                .iter()
                .map(|f| json!({"name": f.name, "type": f.cells.kind(), "description": f.says}))
                .collect();
            json!({
                "name": t.name,
                "path": format!("{}.csv", t.name),
                "profile": "tabular-data-resource",
                "format": "csv",
                "encoding": "utf-8",
                "description": t.says,
                "schema": {"fields": fields, "missingValues": [""]},
            })
        })
        .collect();
    let package = json!({
        "name": "patency-survey",
        "profile": "tabular-data-package",
        "description": "Tables of a patency survey; the same rows stand in Parquet files of the same names. In CSV an apostrophe stands before text that a spreadsheet would take for a formula.",
        "resources": resources,
    });
    serde_json::to_vec_pretty(&package).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::infer::{Confidence, Course};
    use crate::study::{Facts, Happening, LinePause, Member, Outcome};
    use crate::time::Span;
    use crate::units::Estimate;
    use polars::prelude::{ParquetReader, SerReader};
    use std::io::Cursor;

    fn cohort() -> Cohort {
        let pause = |start_s: f64, cause| LinePause {
            span: Span {
                start_s,
                end_s: start_s + 600.0,
            },
            still_on: false,
            cause,
        };
        let member = |name: &str, unit: &str, onset: Option<f64>| Member {
            infusion: name.into(),
            labels: vec![unit.into(), "x".into()],
            facts: Facts {
                clock: Clock::Calendar {
                    origin_us: 1_774_738_800_000_000, // 2026-03-28T23:00:00Z
                    offsets: vec![(0.0, 3600)],
                },
                start_s: 0.0,
                end_s: 86_400.0,
                has_filter: true,
                placed_s: None,
                filter_changes_s: vec![],
                pauses: vec![
                    pause(7200.0, PauseCause::Manual),
                    pause(20_000.0, PauseCause::Alarm),
                ],
                episodes: onset
                    .map(|t| Happening {
                        id: 1,
                        onset_s: Estimate::new(t, t - 60.0, t + 60.0).unwrap(),
                        end_s: None,
                        visible_from_s: t,
                        alarm_s: None,
                        course: Course::Gradual,
                        suggested: Some(Site::Filter),
                        confidence: Confidence::High,
                        sites: [0.0, 0.0, 1.0, 0.0, 0.0, 0.0],
                    })
                    .into_iter()
                    .collect(),
            },
        };
        Cohort {
            columns: vec!["unit".into(), "event".into()],
            members: vec![
                member("a", "north", Some(18_000.0)),
                member("b, \"c\"", "", None),
            ],
            skipped: vec![],
        }
    }

    fn made() -> Vec<File> {
        let cohort = cohort();
        let at_risk = crate::study::filters(&cohort, Outcome::FILTER_ONSET);
        tables(&cohort, &at_risk).unwrap()
    }

    fn file(name: &str) -> Vec<u8> {
        made().into_iter().find(|f| f.0 == name).unwrap().1
    }

    #[test]
    fn start_stop_rows_are_cut_where_the_count_changes_and_end_with_the_event() {
        let text = String::from_utf8(file("filters.csv")).unwrap();
        let lines: Vec<_> = text.lines().collect();
        assert_eq!(
            lines[..3],
            [
                "infusion,filter,start_h,stop_h,event,pauses_in_last_6_h,start,stop,unit,event_given",
                "a,1,0,2,0,0,2026-03-29T00:00:00+01:00,2026-03-29T02:00:00+01:00,north,x",
                "a,1,2,5,1,1,2026-03-29T02:00:00+01:00,2026-03-29T05:00:00+01:00,north,x",
            ]
        );
        assert_eq!(lines.len(), 6);
        assert!(lines[3].starts_with("\"b, \"\"c\"\"\",1,0,2,0,0"));
    }

    #[test]
    fn parquet_and_csv_hold_the_same_rows() {
        for name in ["infusions", "filters", "episodes", "pauses"] {
            let frame = ParquetReader::new(Cursor::new(file(&format!("{name}.parquet"))))
                .finish()
                .unwrap();
            let csv = file(&format!("{name}.csv"));
            let mut reader = csv::Reader::from_reader(csv.as_slice());
            let header: Vec<String> = reader
                .headers()
                .unwrap()
                .iter()
                .map(str::to_string)
                .collect();
            let names: Vec<String> = frame
                .get_column_names()
                .iter()
                .map(|n| n.to_string())
                .collect();
            assert_eq!(names, header);
            assert_eq!(frame.height(), reader.records().count());
        }
        let frame = ParquetReader::new(Cursor::new(file("filters.parquet")))
            .finish()
            .unwrap();
        assert_eq!(
            frame.column("stop_h").unwrap().f64().unwrap().get(1),
            Some(5.0)
        );
        assert_eq!(frame.column("unit").unwrap().str().unwrap().get(2), None);
    }

    #[test]
    fn the_package_describes_every_column_of_every_table() {
        let package: serde_json::Value = serde_json::from_slice(&file("datapackage.json")).unwrap();
        for resource in package["resources"].as_array().unwrap() {
            let csv = file(resource["path"].as_str().unwrap());
            let header = csv::Reader::from_reader(csv.as_slice())
                .headers()
                .unwrap()
                .clone();
            let described: Vec<_> = resource["schema"]["fields"]
                .as_array()
                .unwrap()
                .iter()
                .map(|f| f["name"].as_str().unwrap())
                .collect();
            assert_eq!(described, header.iter().collect::<Vec<_>>());
        }
    }

    #[test]
    fn an_empty_cohort_gives_headers_only() {
        let cohort = Cohort::default();
        let files = tables(&cohort, &AtRisk::default()).unwrap();
        assert_eq!(files.len(), 9);
        let csv = String::from_utf8(files[0].1.clone()).unwrap();
        assert_eq!(csv.lines().count(), 1);
    }
}
