//! No label leaves its picture or lies over another, whatever the survey.

use super::super::picture::Picture;
use super::super::{NARROW, WIDE};
use super::*;
use crate::study::periods::{Every, day_number};
use crate::study::{Cohort, Facts, Happening, Member, Settings, Survey};
use crate::time::Clock;
use crate::units::Estimate;
use jiff::civil::date;

/// A year of infusions in six units, every fifth with a filter onset.
fn survey(infusions: usize) -> Survey {
    let member = |i: usize| {
        let onset = i
            .is_multiple_of(5)
            .then_some(3600.0 * (4.0 + (i % 13) as f64));
        let site = if i % 7 == 3 {
            crate::infer::Site::Catheter
        } else {
            crate::infer::Site::Filter
        };
        Member {
            infusion: format!("{i}"),
            labels: vec![
                [
                    "north",
                    "east",
                    "a unit with a very long name indeed",
                    "",
                    "w",
                    "south",
                ][i % 6]
                    .into(),
            ],
            facts: Facts {
                clock: Clock::Calendar {
                    origin_us: ((day_number(date(2031, 1, 3)) + (i as f64 * 1.7) % 420.0) * 8.64e10)
                        as i64,
                    offsets: vec![(0.0, 0)],
                },
                start_s: 0.0,
                end_s: 86_400.0,
                has_filter: true,
                placed_s: None,
                filter_changes_s: vec![],
                pauses: (0..i % 4)
                    .map(|k| crate::study::LinePause {
                        span: crate::time::Span {
                            start_s: 3600.0 * (1.0 + 3.0 * k as f64 + (i % 3) as f64),
                            end_s: 3600.0 * (1.2 + 3.0 * k as f64 + (i % 3) as f64),
                        },
                        still_on: false,
                        cause: crate::infer::PauseCause::Manual,
                    })
                    .collect(),
                episodes: onset
                    .map(|t| Happening {
                        id: 1,
                        onset_s: Estimate::new(t, t, t).unwrap(),
                        end_s: None,
                        visible_from_s: t,
                        alarm_s: None,
                        course: crate::infer::Course::Gradual,
                        suggested: Some(site),
                        confidence: crate::infer::Confidence::High,
                        sites: [0.0; 6],
                    })
                    .into_iter()
                    .collect(),
            },
        }
    };
    let cohort = Cohort {
        columns: vec!["unit".into()],
        members: (0..infusions).map(member).collect(),
        skipped: vec![],
    };
    let settings = Settings {
        every: Every::Month,
        change: Some(date(2031, 7, 1)),
        ..Settings::default()
    };
    crate::study::survey(&cohort, &settings).unwrap()
}

fn pictures(survey: &Survey, width: f64) -> Vec<Picture> {
    let change = Some(date(2031, 7, 1));
    let groups: Vec<_> = survey.survival.iter().skip(1).collect();
    let bars: Vec<Bar> = survey
        .sensitivity
        .iter()
        .map(|v| Bar {
            label: crate::report::survey::words::change(v.change),
            estimate: v.effect.ratio.ok().map(|r| r.ratio),
            says: "0.912 (0.0123 to 123)".into(),
            wrong: v.change.is_wrong(),
        })
        .collect();
    let mut drawn: Vec<Picture> = [
        survival(&[&survey.survival[0]], width),
        survival(&groups, width),
    ]
    .into_iter()
    .chain([
        incidence(&survey.incidence, width),
        ratios(&bars, "hazard ratio per pause", width),
    ])
    .chain([rates(&bars, "per 1,000 h", width)])
    .flatten()
    .collect();
    if let Ok(charts) = &survey.over_time {
        drawn.push(monthly(charts, change, width));
        drawn.push(cumulative(charts, change, width));
    }
    drawn.extend(survey.funnels.iter().map(|f| funnel(f, width)));
    drawn
}

#[test]
fn labels_stay_in_their_picture_and_off_each_other() {
    let mut seen = 0;
    for infusions in [1, 7, 60, 600] {
        let survey = survey(infusions);
        for width in [WIDE, NARROW] {
            for (number, picture) in pictures(&survey, width).iter().enumerate() {
                let labels: Vec<_> = picture.labels().map(|l| (l.bounds(), &l.text)).collect();
                for (i, (a, text)) in labels.iter().enumerate() {
                    let inside = -0.5 <= a.0
                        && a.2 <= picture.width + 0.5
                        && 0.0 <= a.1
                        && a.3 <= picture.height;
                    assert!(
                        inside,
                        "picture {number} of {infusions} at {width}: `{text}` is cut off"
                    );
                    for (b, other) in labels.iter().skip(i + 1) {
                        let apart = a.2 <= b.0 || b.2 <= a.0 || a.3 <= b.1 || b.3 <= a.1;
                        assert!(
                            apart,
                            "picture {number} of {infusions} at {width}: `{text}` over `{other}`"
                        );
                    }
                    seen += 1;
                }
            }
        }
    }
    assert!(500 < seen);
}

#[test]
fn a_survey_without_filters_draws_what_there_is_and_nothing_else() {
    let empty = survey(0);
    assert!(pictures(&empty, WIDE).is_empty());
}
