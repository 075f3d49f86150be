//! Takes out of records what may identify somebody, so that they can be given away.
//!
//! In: records, and how names and times are to be replaced. Out: the same records without them, and the [`Stamp`] that says
//! what was done. By default names become running ids in random order, times become seconds from each infusion's start and only
//! the years are kept, after 45 CFR 164.514(b)(2) (safe harbour). Names and dates made from a key keep what belongs together
//! apart from other exports, and are stamped as what they are: pseudonymised data.

use crate::record::{Event, EventKind, FilterPosition, Notice, Record};
use crate::time::{Clock, TimeText};
use hmac::{Hmac, KeyInit, Mac};
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use sha2::Sha256;
use std::collections::{BTreeMap, BTreeSet};

/// What names become.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Names<'k> {
    /// `infusion-001`, `infusion-002` …, in an order that the seed decides and the names do not.
    Running {
        /// To be new and unknown each time.
        seed: u64,
    },
    /// The same for the same name and key: HMAC-SHA-256, cut to 96 bits.
    Keyed(&'k [u8]),
}

/// What dates become.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Dates<'k> {
    /// Seconds from the infusion's start.
    Relative,
    /// Earlier by a whole number of weeks, from 1 to 520, that the key and the infusion's name decide.
    Shifted(&'k [u8]),
}

/// How identities are taken out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct How<'k> {
    /// What names of infusions become; channels always get running ids.
    pub names: Names<'k>,
    /// What dates become.
    pub dates: Dates<'k>,
}

/// What was done.
#[derive(Debug, Clone, PartialEq)]
pub struct Stamp {
    /// In words.
    pub method: &'static str,
    /// The years of the records; empty where dates were shifted, since then they would give the shift away.
    pub years: Vec<String>,
    /// Names of infusions replaced.
    pub infusions: usize,
    /// Names of channels replaced.
    pub channels: usize,
    /// Details and remarks of events dropped, since free text may say anything.
    pub texts_dropped: usize,
    /// Headers of columns that were dropped or replaced on reading.
    pub columns: Vec<String>,
}

/// Words for an export that cannot be traced back with any key.
const PLAIN: &str = "running ids in random order, seconds from each infusion's start, years only";
/// Words for one that can.
const PSEUDONYMISED: &str = "pseudonymised, not safe harbour: names or dates were made with a key, and whoever has it can undo that";

impl Stamp {
    pub(super) fn json(&self) -> Value {
        json!({
            "method": self.method,
            "years": self.years,
            "infusions_renamed": self.infusions,
            "channels_renamed": self.channels,
            "event_texts_dropped": self.texts_dropped,
            "columns_dropped_or_replaced": self.columns,
            "program": concat!("patency ", env!("CARGO_PKG_VERSION")),
        })
    }
}

/// Takes identities out of records.
pub fn deidentify(records: &mut [Record], how: &How) -> Stamp {
    let mut stamp = Stamp {
        method: match (how.names, how.dates) {
            (Names::Running { .. }, Dates::Relative) => PLAIN,
            _ => PSEUDONYMISED,
        },
        years: match how.dates {
            Dates::Relative => years(records),
            Dates::Shifted(_) => Vec::new(),
        },
        infusions: 0,
        channels: 0,
        texts_dropped: 0,
        columns: columns(records),
    };
    let seed = match how.names {
        Names::Running { seed } => seed,
        Names::Keyed(key) => u64::from_le_bytes(first_bytes(&code(key, "order", ""))),
    };
    let of_infusions = records.iter().filter_map(|r| r.infusion.clone());
    let infusions = renamed("infusion", of_infusions.collect(), seed);
    let of_channels = records
        .iter()
        .flat_map(|r| r.channels.iter().map(|c| c.id.clone()));
    let channels = renamed("channel", of_channels.collect(), seed);
    (stamp.infusions, stamp.channels) = (infusions.len(), channels.len());
    // A channel that only an event or the line file names.
    let channel = |name: &str| {
        channels
            .get(name)
            .cloned()
            .unwrap_or_else(|| "channel-000".into())
    };
    for record in records.iter_mut() {
        let own_name = record.infusion.clone().unwrap_or_default();
        if record.clock == Clock::Seconds {
            count_from_start(record);
        }
        match how.dates {
            Dates::Relative => record.clock = Clock::Seconds,
            Dates::Shifted(key) => shift(&mut record.clock, &code(key, "date", &own_name)),
        }
        record.infusion = record.infusion.as_ref().map(|name| match how.names {
            Names::Keyed(key) => pseudonym(&code(key, "infusion", name)),
            Names::Running { .. } => infusions.get(name).cloned().unwrap_or_default(),
        });
        record
            .channels
            .iter_mut()
            .for_each(|c| c.id = channel(&c.id));
        record.channels.sort_by(|a, b| a.id.cmp(&b.id));
        for event in &mut record.events {
            event.channel = event.channel.as_deref().map(channel);
            stamp.texts_dropped += drop_texts(event);
        }
        if let Some(line) = &mut record.line {
            line.channels.iter_mut().for_each(|c| c.id = channel(&c.id));
            if let Some(FilterPosition::AboveJoin { channel: of }) = &mut line.filter.position {
                *of = channel(of);
            }
        }
        // Rejected rows and notices quote the file.
        record.intake.rejected.clear();
        record.intake.notices.clear();
    }
    records.sort_by(|a, b| a.infusion.cmp(&b.infusion));
    stamp
}

/// Running ids for names, in an order that does not tell that of the names.
fn renamed(word: &str, names: BTreeSet<String>, seed: u64) -> BTreeMap<String, String> {
    let mut names: Vec<String> = names.into_iter().collect();
    names.shuffle(&mut ChaCha8Rng::seed_from_u64(seed));
    let numbered = names.into_iter().zip(1..);
    numbered
        .map(|(name, n)| (name, format!("{word}-{n:03}")))
        .collect()
}

/// Keeps a detail that is a number with or without its unit, drops any other; how many texts were dropped.
fn drop_texts(event: &mut Event) -> usize {
    let mut dropped = 0;
    let number = event.detail.split_whitespace().next().unwrap_or_default();
    let is_figure = number.parse::<f64>().is_ok() && number.len() < 10;
    if !event.detail.is_empty() {
        match is_figure {
            true => event.detail = number.to_string(),
            false => {
                event.detail.clear();
                dropped += 1;
            }
        }
    }
    if event.kind == EventKind::Unknown {
        event.word = EventKind::Unknown.word().into();
        dropped += 1;
    } else {
        event.word = event.kind.word().into();
    }
    dropped
}

fn years(records: &[Record]) -> Vec<String> {
    let ends = records
        .iter()
        .flat_map(|r| [(&r.clock, r.start_s()), (&r.clock, r.end_s())]);
    let years = ends.filter_map(|(clock, t_s)| match clock.text(t_s) {
        TimeText::Rfc3339(text) => text.get(..4).map(str::to_string),
        TimeText::Seconds(_) => None,
    });
    years.collect::<BTreeSet<_>>().into_iter().collect()
}

fn columns(records: &[Record]) -> Vec<String> {
    let notices = records.iter().flat_map(|r| &r.intake.notices);
    let columns = notices.flat_map(|notice| match notice {
        Notice::IdentityColumnsDropped { columns } | Notice::NamesReplaced { columns } => {
            columns.clone()
        }
        _ => Vec::new(),
    });
    columns.collect::<BTreeSet<_>>().into_iter().collect()
}

/// Seconds may be counted from midnight or from 1970, which tells the time of day or the date: they are counted anew.
fn count_from_start(record: &mut Record) {
    let start_s = record.start_s();
    let anew = |t_s: &mut f64| *t_s = ((*t_s - start_s) * 1e9).round() / 1e9;
    for channel in &mut record.channels {
        channel.samples.t_s.iter_mut().for_each(anew);
        for gap in &mut channel.gaps {
            anew(&mut gap.start_s);
            anew(&mut gap.end_s);
        }
    }
    record.events.iter_mut().for_each(|e| anew(&mut e.t_s));
    let filter = record.line.as_mut().map(|line| &mut line.filter);
    filter
        .and_then(|f| f.placed_s.as_mut())
        .into_iter()
        .for_each(anew);
}

/// Whole weeks: the day of the week and the time of day stay.
fn shift(clock: &mut Clock, code: &[u8; 32]) {
    const WEEK_US: i64 = 7 * 86_400 * 1_000_000;
    if let Clock::Calendar { origin_us, .. } = clock {
        let weeks = 1 + u64::from_le_bytes(first_bytes(code)) % 520;
        *origin_us -= weeks as i64 * WEEK_US;
    }
}

fn pseudonym(code: &[u8; 32]) -> String {
    code.iter().take(12).map(|b| format!("{b:02x}")).collect()
}

fn first_bytes(code: &[u8; 32]) -> [u8; 8] {
    let (first, _) = code.as_chunks::<8>();
    first.first().copied().unwrap_or_default()
}

/// HMAC-SHA-256 of a name, for one field only: the same name in another field gives another code.
fn code(key: &[u8], field: &str, name: &str) -> [u8; 32] {
    let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(key) else {
        return [0; 32]; // not reached: this code takes keys of every length
    };
    for part in ["patency", field, name] {
        mac.update(part.as_bytes());
        mac.update(&[0]);
    }
    mac.finalize().into_bytes().into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Channel, Intake, Line, LineChannel, Samples};

    fn record(infusion: &str, channel: &str) -> Record {
        Record {
            infusion: Some(infusion.into()),
            clock: Clock::Calendar {
                origin_us: 1_930_000_000_000_000, // 2031-02-27T23:06:40Z
                offsets: vec![(0.0, 3600)],
            },
            channels: vec![Channel {
                id: channel.into(),
                samples: Samples {
                    t_s: vec![0.0, 60.0],
                    pressure_mmhg: vec![31.0, 32.0],
                    rate_ml_h: vec![4.0, 4.0],
                    volume_ml: vec![f64::NAN; 2],
                    limit_mmhg: vec![f64::NAN; 2],
                },
                period_s: Some(60.0),
                on_change: false,
                gaps: vec![],
            }],
            events: vec![
                event(EventKind::Note, "mother of Zyx asked", Some(channel)),
                event(EventKind::RateChange, "4.25 mL/h", None),
                event(EventKind::Unknown, "", None),
            ],
            events_given: true,
            priors: crate::record::Priors::default(),
            line: Some(Line {
                channels: vec![LineChannel {
                    id: channel.into(),
                    ..LineChannel::default()
                }],
                ..Line::default()
            }),
            intake: Intake {
                notices: vec![Notice::IdentityColumnsDropped {
                    columns: vec!["Patient".into()],
                }],
                ..Intake::default()
            },
        }
    }

    fn event(kind: EventKind, detail: &str, channel: Option<&str>) -> Event {
        Event {
            t_s: 30.0,
            channel: channel.map(str::to_string),
            kind,
            word: "Zyx rang".into(),
            detail: detail.into(),
        }
    }

    const KEY: &[u8] = &[7; 32];

    #[test]
    fn names_dates_and_free_text_go_and_figures_stay() {
        let mut records = [
            record("Zyx Wvut", "serial 778812"),
            record("Abc", "serial 778813"),
        ];
        let how = How {
            names: Names::Running { seed: 1 },
            dates: Dates::Relative,
        };
        let stamp = deidentify(&mut records, &how);
        let names: Vec<_> = records
            .iter()
            .map(|r| r.infusion.as_deref().unwrap())
            .collect();
        assert_eq!(names, ["infusion-001", "infusion-002"]);
        for record in &records {
            let shown = format!("{record:?}");
            for survivor in ["Zyx", "Abc", "7788", "2031", "1930"] {
                assert!(!shown.contains(survivor), "{survivor} survived in {shown}");
            }
            assert_eq!(record.clock, Clock::Seconds);
            assert_eq!(record.channels[0].samples.pressure_mmhg, [31.0, 32.0]);
            assert_eq!(record.events[1].detail, "4.25");
            assert_eq!(
                record.line.as_ref().unwrap().channels[0].id,
                record.channels[0].id
            );
        }
        assert_eq!(stamp.years, ["2031"]);
        assert_eq!(
            (stamp.infusions, stamp.channels, stamp.texts_dropped),
            (2, 2, 4)
        );
        assert_eq!(stamp.columns, ["Patient"]);
        assert_eq!(stamp.method, PLAIN);
    }

    #[test]
    fn seconds_that_are_counted_from_1970_are_counted_from_the_start() {
        for dates in [Dates::Relative, Dates::Shifted(KEY)] {
            let mut one = record("a", "pn");
            one.clock = Clock::Seconds;
            one.channels[0].samples.t_s = vec![1_930_000_000.25, 1_930_000_060.25];
            one.events[0].t_s = 1_930_000_030.25;
            one.line.as_mut().unwrap().filter.placed_s = Some(1_930_000_000.25 - 3600.0);
            let mut records = [one];
            let names = Names::Running { seed: 1 };
            deidentify(&mut records, &How { names, dates });
            let [one] = &records;
            assert_eq!(one.channels[0].samples.t_s, [0.0, 60.0]);
            assert_eq!(one.events[0].t_s, 30.0);
            assert_eq!(one.line.as_ref().unwrap().filter.placed_s, Some(-3600.0));
        }
    }

    #[test]
    fn running_ids_do_not_tell_the_order_of_the_names() {
        let first = |seed| {
            let names = ["a", "b", "c", "d"]
                .map(str::to_string)
                .into_iter()
                .collect();
            renamed("infusion", names, seed)["a"].clone()
        };
        let firsts: BTreeSet<String> = (0..50).map(first).collect();
        assert_eq!(firsts.len(), 4);
    }

    #[test]
    fn a_key_gives_the_same_pseudonym_again_and_keeps_the_day_of_the_week() {
        let how = How {
            names: Names::Keyed(KEY),
            dates: Dates::Shifted(KEY),
        };
        let shifted = || {
            let mut records = [record("Zyx Wvut", "a")];
            let stamp = deidentify(&mut records, &how);
            (records[0].clone(), stamp)
        };
        let ((one, stamp), (other, _)) = (shifted(), shifted());
        assert_eq!(one.infusion, other.infusion);
        assert_eq!(one.infusion.as_ref().map(String::len), Some(24)); // 96 bits
        let Clock::Calendar { origin_us, offsets } = &one.clock else {
            panic!("the date is gone");
        };
        let weeks = (1_930_000_000_000_000 - origin_us) as f64 / (7.0 * 86_400e6);
        assert!(
            weeks.fract() == 0.0 && (1.0..=520.0).contains(&weeks),
            "{weeks}"
        );
        assert_eq!(offsets, &[(0.0, 3600)]);
        assert!(stamp.method.starts_with("pseudonymised, not safe harbour"));
        assert!(stamp.years.is_empty());
    }

    #[test]
    fn the_keyed_code_agrees_with_rfc_4231() {
        // RFC 4231, test case 2: key "Jefe", data "what do ya want for nothing?".
        let mut mac = Hmac::<Sha256>::new_from_slice(b"Jefe").unwrap();
        mac.update(b"what do ya want for nothing?");
        let code: [u8; 32] = mac.finalize().into_bytes().into();
        let hex: String = code.iter().map(|b| format!("{b:02x}")).collect();
        assert_eq!(
            hex,
            "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
        );
        // Python: hmac.new(bytes([7])*32, b"patency\0infusion\0Zyx Wvut\0", "sha256").hexdigest()[:24]
        assert_eq!(pseudonym(&super::code(KEY, "infusion", "Zyx Wvut")), PYTHON);
    }

    const PYTHON: &str = "dcc976680e452840258e7e28";
}
