//! A kept review as JSON: what a survey needs of it, and nothing that is lost on the way there and back.
//!
//! Numbers are written as text in the shortest form that reads back the same bits, so that a survey that goes on from kept
//! reviews gives the same bytes as one that reviewed everything.

use crate::infer::{Confidence, Course, PauseCause, Site};
use crate::study::{Facts, Happening, LinePause};
use crate::time::{Clock, Span};
use crate::units::Estimate;
use serde::{Deserialize, Serialize};

/// A number that reads back bit by bit.
#[derive(Debug, Clone, Copy)]
struct Exact(f64);

impl Serialize for Exact {
    fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&format!("{:?}", self.0))
    }
}

impl<'de> Deserialize<'de> for Exact {
    fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let text = String::deserialize(from)?;
        text.parse().map(Exact).map_err(serde::de::Error::custom)
    }
}

#[derive(Serialize, Deserialize)]
struct Kept {
    origin_us: Option<i64>,
    offsets: Vec<(Exact, i32)>,
    start_s: Exact,
    end_s: Exact,
    has_filter: bool,
    placed_s: Option<Exact>,
    filter_changes_s: Vec<Exact>,
    pauses: Vec<Pause>,
    episodes: Vec<Episode>,
}

#[derive(Serialize, Deserialize)]
struct Pause {
    start_s: Exact,
    end_s: Exact,
    still_on: bool,
    cause: String,
}

#[derive(Serialize, Deserialize)]
struct Episode {
    id: u32,
    onset_s: [Exact; 3],
    end_s: Option<Exact>,
    visible_from_s: Exact,
    alarm_s: Option<Exact>,
    course: String,
    suggested: Option<String>,
    confidence: String,
    sites: [Exact; 6],
}

/// Facts as bytes.
pub fn write(facts: &Facts) -> Vec<u8> {
    let (origin_us, offsets) = match &facts.clock {
        Clock::Seconds => (None, Vec::new()),
        Clock::Calendar { origin_us, offsets } => (
            Some(*origin_us),
            offsets.iter().map(|&(t, o)| (Exact(t), o)).collect(),
        ),
    };
    let kept = Kept {
        origin_us,
        offsets,
        start_s: Exact(facts.start_s),
        end_s: Exact(facts.end_s),
        has_filter: facts.has_filter,
        placed_s: facts.placed_s.map(Exact),
        filter_changes_s: facts.filter_changes_s.iter().copied().map(Exact).collect(),
        pauses: facts
            .pauses
            .iter()
            .map(|p| Pause {
                start_s: Exact(p.span.start_s),
                end_s: Exact(p.span.end_s),
                still_on: p.still_on,
                cause: p.cause.word().into(),
            })
            .collect(),
        episodes: facts
            .episodes
            .iter()
            .map(|e| Episode {
                id: e.id,
                onset_s: [e.onset_s.value, e.onset_s.low, e.onset_s.high].map(Exact),
                end_s: e.end_s.map(Exact),
                visible_from_s: Exact(e.visible_from_s),
                alarm_s: e.alarm_s.map(Exact),
                course: e.course.word().into(),
                suggested: e.suggested.map(|s| s.word().into()),
                confidence: e.confidence.word().into(),
                sites: e.sites.map(Exact),
            })
            .collect(),
    };
    serde_json::to_vec(&kept).unwrap_or_default()
}

/// Bytes as facts; `None` where they are not what [`write()`] writes (then the review is simply made again).
pub fn read(bytes: &[u8]) -> Option<Facts> {
    let kept: Kept = serde_json::from_slice(bytes).ok()?;
    let clock = match kept.origin_us {
        None => Clock::Seconds,
        Some(origin_us) => Clock::Calendar {
            origin_us,
            offsets: kept.offsets.into_iter().map(|(t, o)| (t.0, o)).collect(),
        },
    };
    Some(Facts {
        clock,
        start_s: kept.start_s.0,
        end_s: kept.end_s.0,
        has_filter: kept.has_filter,
        placed_s: kept.placed_s.map(|t| t.0),
        filter_changes_s: kept.filter_changes_s.into_iter().map(|t| t.0).collect(),
        pauses: kept.pauses.iter().map(pause).collect::<Option<_>>()?,
        episodes: kept.episodes.iter().map(episode).collect::<Option<_>>()?,
    })
}

fn pause(p: &Pause) -> Option<LinePause> {
    let causes = [PauseCause::Manual, PauseCause::Alarm, PauseCause::Unknown];
    Some(LinePause {
        span: Span {
            start_s: p.start_s.0,
            end_s: p.end_s.0,
        },
        still_on: p.still_on,
        cause: causes.into_iter().find(|c| c.word() == p.cause)?,
    })
}

fn episode(e: &Episode) -> Option<Happening> {
    let courses = [Course::Gradual, Course::Step, Course::Intermittent];
    let confidences = [Confidence::High, Confidence::Moderate, Confidence::Low];
    let suggested = match &e.suggested {
        Some(word) => Some(Site::ALL.into_iter().find(|s| s.word() == word)?),
        None => None,
    };
    let [value, low, high] = e.onset_s.map(|x| x.0);
    Some(Happening {
        id: e.id,
        onset_s: Estimate { value, low, high },
        end_s: e.end_s.map(|t| t.0),
        visible_from_s: e.visible_from_s.0,
        alarm_s: e.alarm_s.map(|t| t.0),
        course: courses.into_iter().find(|c| c.word() == e.course)?,
        suggested,
        confidence: confidences.into_iter().find(|c| c.word() == e.confidence)?,
        sites: e.sites.map(|x| x.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn what_is_kept_reads_back_bit_by_bit(
            numbers in prop::collection::vec(prop::num::f64::NORMAL | prop::num::f64::ZERO | prop::num::f64::SUBNORMAL, 12),
            origin_us in prop::option::of(any::<i64>()),
            site in prop::option::of(0usize..6),
            still_on: bool,
        ) {
            let n = |i: usize| numbers[i];
            let facts = Facts {
                clock: match origin_us {
                    Some(origin_us) => Clock::Calendar { origin_us, offsets: vec![(n(0), 3600), (n(1), 7200)] },
                    None => Clock::Seconds,
                },
                start_s: n(2),
                end_s: n(3),
                has_filter: !still_on,
                placed_s: Some(n(4)),
                filter_changes_s: vec![n(5), n(6)],
                pauses: vec![LinePause { span: Span { start_s: n(7), end_s: n(8) }, still_on, cause: PauseCause::Unknown }],
                episodes: vec![Happening {
                    id: 3,
                    onset_s: Estimate { value: n(9), low: n(10), high: n(11) },
                    end_s: None,
                    visible_from_s: n(8),
                    alarm_s: Some(n(0)),
                    course: Course::Intermittent,
                    suggested: site.map(|i| Site::ALL[i]),
                    confidence: Confidence::Moderate,
                    sites: [n(0), n(1), n(2), n(3), n(4), n(5)],
                }],
            };
            let back = read(&write(&facts)).unwrap();
            prop_assert_eq!(format!("{back:?}"), format!("{facts:?}"));
        }
    }

    #[test]
    fn a_file_cut_short_is_no_review() {
        assert_eq!(read(b"{\"origin_us\":null"), None);
        assert_eq!(read(b""), None);
    }
}
