//! One trace in many dresses reads back as itself: encoding, delimiter, decimal sign, order of the date, unit, layout,
//! zone.

use super::*;
use crate::ingest::Mapping;
use crate::record::Channel;
use std::fmt::Write;

const RATES: [f64; 2] = [4.25, 0.8];
const CHANNELS: [&str; 2] = ["pn", "lipid"];
const ROWS: i64 = 40;

/// Local start: 2031-03-04 07:58:30 at +01:00; a row every 10 s.
fn pressure(channel: usize, row: i64) -> f64 {
    30.5 + 10.0 * channel as f64 + ((row * 7 + 3 * channel as i64) % 11) as f64
}

fn volume(channel: usize, row: i64) -> f64 {
    1200.0 + RATES[channel] * (row * 10) as f64 / 3600.0
}

/// What the trace holds, read in the contract's own form.
fn expected() -> Vec<Channel> {
    let mut csv = String::from("time,channel,pressure_mmhg,rate_ml_h,volume_ml,limit_mmhg\n");
    for row in 0..ROWS {
        for (c, name) in CHANNELS.iter().enumerate() {
            let time = moment(row, 3600).to_string().replace(' ', "T");
            let (p, rate, v) = (pressure(c, row), RATES[c], volume(c, row));
            writeln!(csv, "{time}+01:00,{name},{p},{rate},{v},450").unwrap();
        }
    }
    read(&csv).unwrap().channels
}

/// Local time of a row, at an offset.
fn moment(row: i64, offset_s: i64) -> jiff::civil::DateTime {
    let start = jiff::civil::date(2031, 3, 4).at(6, 58, 30, 0); // UTC
    start + jiff::SignedDuration::from_secs(row * 10 + offset_s)
}

#[derive(Clone, Copy)]
struct Clothes {
    encoding: &'static str,
    delimiter: char,
    comma: bool,
    order: &'static str,
    unit: (&'static str, f64),
    rate_unit: (&'static str, f64),
    layout: &'static str,
    zone: (&'static str, i64),
}

const PA_PER_MMHG: f64 = 133.322_387_415; // 13.5951 g/cm³ × 9.80665 m/s² × 1 mm

impl Clothes {
    fn number(&self, x: f64) -> String {
        let text = format!("{x:.13}");
        match self.comma {
            false => text,
            true => {
                let (whole, part) = text.split_once('.').unwrap();
                let marked = match whole.len() {
                    4 => format!("{}.{}", &whole[..1], &whole[1..]),
                    _ => whole.to_string(),
                };
                format!("{marked},{part}")
            }
        }
    }

    fn date(&self, row: i64) -> String {
        let d = moment(row, self.zone.1);
        match self.order {
            "ymd" => format!("{}-{:02}-{:02}", d.year(), d.month(), d.day()),
            "dmy" => format!("{:02}.{:02}.{}", d.day(), d.month(), d.year()),
            _ => format!("{}/{}/{}", d.month(), d.day(), d.year()),
        }
    }

    fn clock(&self, row: i64) -> String {
        let d = moment(row, self.zone.1);
        match self.order {
            "mdy" => {
                let half = if d.hour() < 12 { "AM" } else { "PM" };
                format!(
                    "{}:{:02}:{:02} {half}",
                    (d.hour() + 11) % 12 + 1,
                    d.minute(),
                    d.second()
                )
            }
            _ => format!("{:02}:{:02}:{:02}", d.hour(), d.minute(), d.second()),
        }
    }

    /// The file's text and its mapping.
    fn file(&self) -> (String, String) {
        let mut lines: Vec<Vec<String>> = Vec::new();
        let sep = self.delimiter;
        let mut text = String::from("Export of a made-up pump\nWard Heron, line 4\n");
        if sep == ';' {
            text.insert_str(0, "sep=;\n");
        }
        let above = text.lines().count();
        let p = |c, row| self.number(pressure(c, row) / self.unit.1);
        let rate = |c: usize| self.number(RATES[c] / self.rate_unit.1);
        let v = |c, row| self.number(volume(c, row));
        let limit = || self.number(450.0 / self.unit.1);
        let words = |words: &[&str]| words.iter().map(|w| w.to_string()).collect::<Vec<String>>();
        let delimiter = if sep == '\t' {
            "tab".to_string()
        } else {
            sep.to_string()
        };
        let mut map = format!(
            "[trace]\nencoding = \"{}\"\ndelimiter = \"{delimiter}\"\ndecimal = \"{}\"\nheader_line = {}\n\
             date_order = \"{}\"\nzone = \"{}\"\n",
            self.encoding,
            if self.comma { "comma" } else { "point" },
            above + 1,
            self.order,
            self.zone.0,
        );
        if self.comma {
            map += "thousands = \".\"\n";
        }
        let units = format!(
            "pressure_unit = \"{0}\"\nlimit_unit = \"{0}\"\nrate_unit = \"{1}\"\nvolume_unit = \"mL\"\n",
            self.unit.0, self.rate_unit.0
        );
        match self.layout {
            "row" => {
                let names = [
                    "Zeitpunkt µ".to_string(),
                    "Kanal".into(),
                    format!("Druck [{}]", self.unit.0),
                    format!("Förderrate ({})", self.rate_unit.0),
                    "Volumen mL".into(),
                    format!("Druckgrenze [{}]", self.unit.0),
                ];
                lines.push(names.to_vec());
                let [time, channel, pressure, rate_name, volume, limit_name] = &names;
                map += &format!(
                    "time = \"{time}\"\nchannel = \"{channel}\"\npressure = \"{pressure}\"\n\
                     rate = \"{rate_name}\"\nvolume = \"{volume}\"\nlimit = \"{limit_name}\"\n"
                );
                map += &units;
                for row in 0..ROWS {
                    for (c, name) in CHANNELS.iter().enumerate() {
                        let time = format!("{} {}", self.date(row), self.clock(row));
                        lines.push(vec![
                            time,
                            name.to_string(),
                            p(c, row),
                            rate(c),
                            v(c, row),
                            limit(),
                        ]);
                    }
                }
            }
            "wide" => {
                let mut names = words(&["Date", "Time"]);
                let mut units_row = words(&["", ""]);
                for name in CHANNELS {
                    let figures = ["Pressure", "Flow rate", "Volume", "Limit"];
                    names.extend(figures.map(|figure| format!("{figure} {name}")));
                    units_row.extend(words(&[self.unit.0, self.rate_unit.0, "mL", self.unit.0]));
                }
                lines.push(names);
                lines.push(units_row);
                for row in 0..ROWS {
                    let mut cells = vec![self.date(row), self.clock(row)];
                    for c in 0..2 {
                        cells.extend([p(c, row), rate(c), v(c, row), limit()]);
                    }
                    lines.push(cells);
                }
                map += "unit_row = true\ndate = \"Date\"\nclock = \"Time\"\n";
                map += &units;
                for name in CHANNELS {
                    map += &format!(
                        "[[trace.channels]]\nid = \"{name}\"\npressure = \"Pressure {name}\"\n\
                         rate = \"Flow rate {name}\"\nvolume = \"Volume {name}\"\nlimit = \"Limit {name}\"\n"
                    );
                }
            }
            _ => {
                lines.push(words(&["When", "Pump", "Name", "Value", "Unit"]));
                for row in (0..ROWS).rev() {
                    for (c, name) in CHANNELS.iter().enumerate() {
                        let time = format!("{} {}", self.date(row), self.clock(row));
                        let figures = [
                            ("limit", limit(), self.unit.0),
                            ("line pressure", p(c, row), self.unit.0),
                            ("flow", rate(c), self.rate_unit.0),
                            ("total", v(c, row), "mL"),
                            ("battery", "97".to_string(), "%"),
                        ];
                        for (what, value, unit) in figures {
                            lines.push(vec![
                                time.clone(),
                                name.to_string(),
                                what.into(),
                                value,
                                unit.into(),
                            ]);
                        }
                    }
                }
                map += "time = \"When\"\nchannel = \"Pump\"\n[trace.long]\nparameter = \"Name\"\nvalue = \"Value\"\n\
                        unit = \"Unit\"\npressure = \"line pressure\"\nrate = [\"flow\"]\nvolume = \"total\"\nlimit = \"limit\"\n";
            }
        }
        for line in lines {
            let cells: Vec<String> = line
                .into_iter()
                .map(|cell| {
                    if cell.contains(sep) {
                        format!("\"{cell}\"")
                    } else {
                        cell
                    }
                })
                .collect();
            text += &cells.join(&sep.to_string());
            text += "\r\n";
        }
        (text, map)
    }

    fn bytes(&self, text: &str) -> Vec<u8> {
        match self.encoding {
            "utf-16le" => text.encode_utf16().flat_map(u16::to_le_bytes).collect(),
            "utf-16be" => std::iter::once(0xfeff)
                .chain(text.encode_utf16())
                .flat_map(u16::to_be_bytes)
                .collect(),
            "windows-1252" => text
                .chars()
                .map(|c| u8::try_from(u32::from(c)).unwrap())
                .collect(),
            _ => text.as_bytes().to_vec(),
        }
    }
}

fn mapping(text: &str) -> Mapping {
    let mut bytes = text.as_bytes();
    Mapping::read(source("night.map.toml", &mut bytes)).unwrap_or_else(|e| panic!("{e}\n{text}"))
}

/// Every layout with every encoding, delimiter and order, the rest taking turns.
fn wardrobe() -> Vec<Clothes> {
    const ENCODINGS: [&str; 4] = ["utf-8", "utf-16le", "utf-16be", "windows-1252"];
    const DELIMITERS: [char; 4] = [',', ';', '\t', '|'];
    const UNITS: [(&str, f64); 6] = [
        ("mmHg", 1.0),
        ("kPa", 1000.0 / PA_PER_MMHG),
        ("mbar", 100.0 / PA_PER_MMHG),
        ("bar", 1e5 / PA_PER_MMHG),
        ("cm[H2O]", 98.0665 / PA_PER_MMHG),
        ("psi", 6_894.757_293_168 / PA_PER_MMHG),
    ];
    const RATE_UNITS: [(&str, f64); 4] = [
        ("mL/h", 1.0),
        ("ml/min", 60.0),
        ("uL/min", 0.06),
        ("L/h", 1000.0),
    ];
    const ZONES: [(&str, i64); 4] = [
        ("Europe/Berlin", 3600),
        ("+01:00", 3600),
        ("UTC", 0),
        ("America/New_York", -18_000),
    ];
    let mut all = Vec::new();
    for layout in ["row", "wide", "long"] {
        for encoding in ENCODINGS {
            for delimiter in DELIMITERS {
                for order in ["ymd", "dmy", "mdy"] {
                    let n = all.len();
                    let turn = |steps: usize, of: usize| (steps + n / 12) % of;
                    all.push(Clothes {
                        encoding,
                        delimiter,
                        comma: turn(n / 7, 2) == 1,
                        order,
                        unit: UNITS[turn(n + n / 2, 6)],
                        rate_unit: RATE_UNITS[turn(n + n / 7, 4)],
                        layout,
                        zone: ZONES[turn(5 * n + n / 5, 4)],
                    });
                }
            }
        }
    }
    all
}

fn worn(clothes: &Clothes, text: &str, map: &str) -> Record {
    let settings = Settings {
        keep_going: false,
        mapping: Some(mapping(map).into()),
        ..Settings::default()
    };
    let first_lines = text.lines().take(8).collect::<Vec<_>>().join("\n");
    let mut records = read_all(&clothes.bytes(text), None, None, &settings)
        .unwrap_or_else(|e| panic!("{e}\n{map}\n{first_lines}"));
    assert_eq!(records.len(), 1);
    records.remove(0)
}

#[test]
fn one_trace_in_a_hundred_and_forty_four_dresses_reads_back_the_same() {
    let expected = expected();
    let wardrobe = wardrobe();
    assert_eq!(wardrobe.len(), 144);
    for clothes in wardrobe {
        let (text, map) = clothes.file();
        let record = worn(&clothes, &text, &map);
        same(&record.channels, &expected, &map);
        assert_eq!(record.intake.rows_rejected, 0);
    }
}

#[test]
fn every_two_habits_meet_in_some_dress() {
    let habits = |c: &Clothes| {
        [
            c.encoding.to_string(),
            c.delimiter.to_string(),
            c.comma.to_string(),
            c.order.to_string(),
            c.unit.0.to_string(),
            c.rate_unit.0.to_string(),
            c.layout.to_string(),
            c.zone.0.to_string(),
        ]
    };
    let of_each = [4, 4, 2, 3, 6, 4, 3, 4];
    let all: Vec<_> = wardrobe().iter().map(habits).collect();
    for (a, n) in of_each.iter().enumerate() {
        for (b, m) in of_each.iter().enumerate().skip(a + 1) {
            let met: std::collections::BTreeSet<_> = all.iter().map(|h| (&h[a], &h[b])).collect();
            assert_eq!(met.len(), n * m, "habits {a} and {b}");
        }
    }
}

#[test]
fn each_dress_is_found_out_from_the_file_but_for_what_it_cannot_prove() {
    let expected = expected();
    for clothes in wardrobe() {
        let (text, _) = clothes.file();
        let bytes = clothes.bytes(&text);
        let proposed = |answers: &[(&str, &str)]| {
            let answers: Vec<(String, String)> = answers
                .iter()
                .map(|(k, v)| (k.to_string(), v.to_string()))
                .collect();
            let mut reader = bytes.as_slice();
            crate::ingest::propose(source("night.csv", &mut reader), None, &answers)
                .unwrap_or_else(|e| panic!("{e}\n{text}"))
        };
        let alone = proposed(&[]);
        let asked: Vec<&str> = alone
            .questions
            .iter()
            .map(|q| q.split(':').next().unwrap())
            .collect();
        let expected_questions: &[&str] = match clothes.order {
            "ymd" => &["trace.zone"],
            _ => &["trace.date_order", "trace.zone"], // 04/03/2031 on one day only
        };
        assert_eq!(asked, expected_questions, "{}\n{text}", alone.text);
        let answered = proposed(&[("zone", clothes.zone.0), ("date_order", clothes.order)]);
        assert!(answered.questions.is_empty(), "{}", answered.text);
        let record = worn(&clothes, &text, &answered.text);
        same(&record.channels, &expected, &answered.text);
    }
}

/// Equal to 1e-9 of the value, times exactly.
fn same(read: &[Channel], expected: &[Channel], map: &str) {
    assert_eq!(read.len(), expected.len());
    for (read, expected) in read.iter().zip(expected) {
        let (a, b) = (&read.samples, &expected.samples);
        assert_eq!(read.id, expected.id);
        assert_eq!(a.t_s, b.t_s, "{map}");
        let columns = [
            (&a.pressure_mmhg, &b.pressure_mmhg),
            (&a.rate_ml_h, &b.rate_ml_h),
            (&a.volume_ml, &b.volume_ml),
            (&a.limit_mmhg, &b.limit_mmhg),
        ];
        for (a, b) in columns {
            assert_eq!(a.len(), b.len());
            for (a, b) in a.iter().zip(b) {
                assert!((a - b).abs() <= 1e-9 * b.abs(), "{a} is not {b}\n{map}");
            }
        }
    }
}
