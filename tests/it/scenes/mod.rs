//! Made-up records with the reviews that they deserve, so that reports can be tested without the analysis.
//!
//! They play in an invented ward; no number here checks the analysis.

mod made;
mod verdicts;

use made::{Pump, Setting, cut, record};
use patency::infer::{
    Assumption, CannotTell, Cause, Check, Confidence, Course, Episode, Evidence, Finding,
    FittedCurve, Review, Site,
};
use patency::record::{Event, EventKind, Notice, Record, RejectedRow};
use patency::time::Clock;
use patency::units::Estimate;
use verdicts::{episode, review};

/// A record with its review.
pub struct Scene {
    pub name: &'static str,
    pub record: Record,
    pub review: Review,
}

/// 4 March 2031, 08:00 at UTC+01:00.
pub fn calendar() -> Clock {
    Clock::Calendar {
        origin_us: 1_930_374_000_000_000,
        offsets: vec![(0.0, 3600)],
    }
}

pub fn event(hours: f64, channel: Option<&str>, kind: EventKind, detail: &str) -> Event {
    Event {
        t_s: hours * 3600.0,
        channel: channel.map(Into::into),
        kind,
        word: kind.word().into(),
        detail: detail.into(),
    }
}

/// Every scene that a report must show well.
pub fn all() -> Vec<Scene> {
    vec![
        filter_loading(),
        supply_stop(),
        nothing(),
        undetermined(),
        three_channels(),
        several_days(),
        plain_seconds(),
        summer_time(),
        hostile(),
    ]
}

fn pump(id: &'static str, rate: fn(f64) -> f64) -> Pump {
    Pump {
        id,
        rate,
        own: |_| 0.05,
    }
}

fn is_on(h: f64, from: f64, to: f64) -> bool {
    from <= h && h < to
}

/// Two channels; a filter that loads with volume, a pause on the way, an alarm, a filter change.
pub fn filter_loading() -> Scene {
    let pumps = [
        pump("lipid", |h| if is_on(h, 6.5, 7.25) { 0.0 } else { 1.4 }),
        pump("pn", |h| {
            if is_on(h, 6.5, 7.25) {
                0.0
            } else if h < 3.0 {
                5.0
            } else {
                6.5
            }
        }),
    ];
    let setting = Setting {
        shared: |_, v| {
            2.1 + 0.15 * (0.042 * v).exp() + if 60.0 < v { 0.03 * (v - 60.0) } else { 0.0 }
        },
        ..Setting::default()
    };
    let mut made = record(&pumps, &setting);
    let alarm = made.alarms_s[0];
    let onset = 10.2 * 3600.0;
    made.record.events = vec![
        event(0.0, None, EventKind::Start, ""),
        event(3.0, Some("pn"), EventKind::RateChange, "6.5"),
        event(6.5, None, EventKind::Pause, "bath"),
        event(7.25, None, EventKind::Resume, ""),
        event(9.1, None, EventKind::PatientMoved, "turned to the left"),
        event(alarm / 3600.0, Some("pn"), EventKind::OcclusionAlarm, ""),
        event(alarm / 3600.0 + 0.2, None, EventKind::FilterChange, ""),
        event(alarm / 3600.0 + 0.3, None, EventKind::Resume, ""),
        event(21.0, None, EventKind::Note, "round"),
    ];
    made.record.intake.rows_rejected = 23;
    made.record.intake.rejected = (0..23)
        .map(|i| RejectedRow {
            line: 100 + 7 * i,
            column: "pressure_mmhg".into(),
            value: "??".into(),
            reason: "not a number".into(),
        })
        .collect();
    let mut found = review(&made);
    // The best explanation follows the truth; its rival is a straight line to the same height.
    let flow = 7.9;
    let curve = |cause, channel: &str, straight: bool| FittedCurve {
        cause,
        channel: channel.into(),
        points: made
            .truth
            .iter()
            .filter(|(t, _)| onset - 3.0 * 3600.0 < *t && *t < alarm)
            .map(|&(t, r)| {
                let share = (t - onset + 10_800.0) / (alarm - onset + 10_800.0);
                (
                    t,
                    if straight {
                        32.0 + 86.0 * share
                    } else {
                        8.0 + flow * r
                    },
                )
            })
            .collect(),
    };
    found.episodes = vec![Episode {
        alarm_s: Some(alarm),
        end_s: Some(alarm + 1080.0),
        evidence: vec![
            evidence(Finding::GrewWithVolume, Site::Filter, 2.1),
            evidence(Finding::FilterChangeHelped, Site::Filter, 1.9),
            evidence(Finding::StoodStillInPauses { pauses: 1 }, Site::Filter, 0.9),
            evidence(
                Finding::AllChannelsTogether { channels: 2 },
                Site::Filter,
                1.2,
            ),
            evidence(Finding::ReachedLimit, Site::Filter, 0.6),
        ],
        release_volume_ml: Estimate::new(0.31, 0.25, 0.38),
        block_compliance_ul_per_mmhg: None,
        peak_mmhg: 121.0,
        curves: vec![
            curve(Cause::FilterLoading, "lipid", false),
            curve(Cause::FilterLoading, "pn", false),
            curve(Cause::CatheterNarrowing, "lipid", true),
            curve(Cause::CatheterNarrowing, "pn", true),
        ],
        ..episode(1, &["lipid", "pn"], onset)
    }];
    found.assumptions = vec![
        Assumption::FilterPlacedAtStart,
        Assumption::CatheterFromSize { mmhg_h_per_ml: 2.1 },
    ];
    Scene {
        name: "filter-loading",
        record: made.record,
        review: found,
    }
}

/// Evidence that raises the odds of one site and lowers those of all others alike.
fn evidence(finding: Finding, toward: Site, by: f64) -> Evidence {
    let mut log_odds = [-by; 6];
    log_odds[toward.index()] = by;
    Evidence { finding, log_odds }
}

/// One channel whose container runs empty while the pump counts on.
pub fn supply_stop() -> Scene {
    let mut made = record(
        &[pump("pn", |_| 8.0)],
        &Setting {
            hours: 12.0,
            period_s: 30.0,
            ..Setting::default()
        },
    );
    let from = 7.4 * 3600.0;
    let samples = &mut made.record.channels[0].samples;
    for (t, p) in samples.t_s.iter().zip(&mut samples.pressure_mmhg) {
        if from <= *t {
            *p = (4.0 + 22.0 * (-(t - from) / 240.0).exp()).round();
        }
    }
    made.record.events_given = false;
    let mut found = review(&made);
    found.episodes = vec![Episode {
        course: Course::Step,
        sites: [0.81, 0.03, 0.01, 0.02, 0.01, 0.12],
        suggested: Some(Site::Supply),
        confidence: Confidence::Moderate,
        causes: [0.80, 0.03, 0.01, 0.0, 0.0, 0.02, 0.0, 0.0, 0.01, 0.08, 0.04],
        evidence: vec![
            evidence(
                Finding::FellWhileRunning {
                    channel: "pn".into(),
                    from_mmhg: 26.0,
                    to_mmhg: 4.0,
                },
                Site::Supply,
                3.4,
            ),
            evidence(Finding::CameAtOnce, Site::Supply, 0.4),
        ],
        checks: vec![
            Check::Supply,
            Check::SetInPump,
            Check::PumpHeight,
            Check::InsertionSite,
            Check::Filter,
        ],
        peak_mmhg: 27.0,
        onset_s: Estimate::new(from, from - 20.0, from + 40.0).unwrap(),
        ..episode(1, &["pn"], from)
    }];
    found.assumptions = vec![Assumption::NoEventsFile, Assumption::FilterBelowJoin];
    Scene {
        name: "supply-stop",
        record: made.record,
        review: found,
    }
}

/// A quiet night.
pub fn nothing() -> Scene {
    let made = record(
        &[pump("lipid", |_| 0.8), pump("pn", |_| 4.0)],
        &Setting {
            hours: 9.0,
            ..Setting::default()
        },
    );
    let review = review(&made);
    Scene {
        name: "nothing",
        record: made.record,
        review,
    }
}

/// A slow rise with no pause, no event, no line file and one channel.
pub fn undetermined() -> Scene {
    let setting = Setting {
        shared: |h, _| 2.3 + 0.004 * h * h * h,
        hours: 16.0,
        limit_mmhg: 300.0,
        period_s: 60.0,
        ..Setting::default()
    };
    let mut made = record(&[pump("pump", |_| 5.0)], &setting);
    made.record.line = None;
    made.record.events_given = false;
    for l in &mut made.record.channels[0].samples.limit_mmhg {
        *l = f64::NAN;
    }
    made.record.channels[0].samples.volume_ml.fill(f64::NAN);
    let mut found = review(&made);
    found.channels[0].compliance_ul_per_mmhg = None;
    found.episodes = vec![Episode {
        sites: [0.01, 0.14, 0.44, 0.37, 0.02, 0.02],
        suggested: None,
        confidence: Confidence::Low,
        causes: [
            0.01, 0.14, 0.34, 0.06, 0.04, 0.34, 0.02, 0.01, 0.02, 0.01, 0.01,
        ],
        evidence: vec![evidence(
            Finding::CameSlowly { hours: 6.5 },
            Site::Tubing,
            -0.7,
        )],
        cannot_tell: vec![
            CannotTell::FilterFromCatheter,
            CannotTell::TubingFromShared,
            CannotTell::Distance,
            CannotTell::Infiltration,
        ],
        peak_mmhg: 101.0,
        ..episode(1, &["pump"], 9.5 * 3600.0)
    }];
    found.assumptions = vec![
        Assumption::NoLineFile,
        Assumption::NoEventsFile,
        Assumption::FilterPlacedAtStart,
        Assumption::ComplianceRange {
            channel: "pump".into(),
            ul_per_mmhg: Estimate::new(1.5, 0.3, 3.0).unwrap(),
        },
        Assumption::CatheterRange,
    ];
    Scene {
        name: "undetermined",
        record: made.record,
        review: found,
    }
}

/// Three channels, a clamp on the medication's own tubing, then a positional catheter.
pub fn three_channels() -> Scene {
    let pumps = [
        pump("lipid", |_| 1.0),
        Pump {
            id: "medication",
            rate: |h| if is_on(h, 2.0, 5.0) { 2.0 } else { 0.0 },
            own: |h| {
                if is_on(h, 3.0, 3.6) {
                    0.05 + 70.0 * (h - 3.0)
                } else {
                    0.05
                }
            },
        },
        pump("pn", |_| 5.0),
    ];
    let swings = |h: f64, _: f64| {
        if is_on(h, 7.5, 7.9) || is_on(h, 8.6, 8.8) || is_on(h, 9.4, 10.1) {
            8.5
        } else {
            2.3
        }
    };
    let mut made = record(
        &pumps,
        &Setting {
            hours: 12.0,
            shared: swings,
            limit_mmhg: 200.0,
            ..Setting::default()
        },
    );
    cut(&mut made.record, 5.6, 6.2);
    made.record.events = vec![
        event(
            2.0,
            Some("medication"),
            EventKind::MedicationStart,
            "antibiotic",
        ),
        event(3.0, Some("medication"), EventKind::ClampClosed, ""),
        event(3.6, Some("medication"), EventKind::ClampOpened, ""),
        event(5.0, Some("medication"), EventKind::MedicationEnd, ""),
        event(7.5, None, EventKind::PatientMoved, ""),
        event(7.9, None, EventKind::PatientMoved, ""),
        event(8.6, None, EventKind::PatientMoved, ""),
        event(9.0, None, EventKind::Flush, "by the access team"),
        event(9.4, None, EventKind::PatientMoved, ""),
    ];
    let mut found = review(&made);
    found.episodes = vec![
        Episode {
            course: Course::Step,
            sites: [0.0, 0.97, 0.01, 0.01, 0.0, 0.01],
            suggested: Some(Site::Tubing),
            causes: [0.0, 0.97, 0.0, 0.0, 0.01, 0.0, 0.01, 0.0, 0.0, 0.0, 0.01],
            evidence: vec![
                evidence(
                    Finding::OthersFell {
                        channel: "medication".into(),
                        fall_mmhg: 4.6,
                    },
                    Site::Tubing,
                    3.1,
                ),
                evidence(
                    Finding::ClampNoted {
                        channel: Some("medication".into()),
                    },
                    Site::Tubing,
                    2.0,
                ),
                evidence(Finding::HeldAtRest { pauses: 1 }, Site::Tubing, 1.2),
            ],
            end_s: Some(3.6 * 3600.0),
            peak_mmhg: 106.0,
            release_volume_ml: Estimate::new(0.09, 0.06, 0.12),
            onset_s: Estimate::new(3.0 * 3600.0, 3.0 * 3600.0 - 15.0, 3.0 * 3600.0 + 10.0).unwrap(),
            ..episode(1, &["medication"], 3.0 * 3600.0)
        },
        Episode {
            course: Course::Intermittent,
            sites: [0.01, 0.02, 0.04, 0.84, 0.01, 0.08],
            suggested: Some(Site::Catheter),
            confidence: Confidence::Moderate,
            causes: [
                0.01, 0.02, 0.02, 0.02, 0.0, 0.04, 0.05, 0.75, 0.01, 0.04, 0.04,
            ],
            evidence: vec![
                evidence(Finding::CameAndWent { times: 3 }, Site::Catheter, 2.4),
                evidence(Finding::PatientMovedNearby, Site::Catheter, 1.3),
                evidence(
                    Finding::AllChannelsTogether { channels: 2 },
                    Site::Catheter,
                    0.8,
                ),
            ],
            end_s: Some(10.1 * 3600.0),
            peak_mmhg: 60.0,
            ..episode(2, &["lipid", "pn"], 7.5 * 3600.0)
        },
    ];
    Scene {
        name: "three-channels",
        record: made.record,
        review: found,
    }
}

/// Four days at one sample a minute, with limit-too-low alarms in the end.
pub fn several_days() -> Scene {
    let pumps = [
        pump("lipid", |h| if h % 24.0 < 20.0 { 0.9 } else { 0.0 }),
        pump("pn", |h| if h < 80.0 { 5.0 } else { 12.0 }),
    ];
    let mut made = record(
        &pumps,
        &Setting {
            hours: 96.0,
            period_s: 60.0,
            shared: |_, _| 4.1,
            limit_mmhg: 60.0,
            outlet_mmhg: 10.0,
            answer_min: 600.0,
            ..Setting::default()
        },
    );
    let alarm = made.alarms_s[0];
    made.record.events = vec![
        event(24.0, None, EventKind::SetChange, ""),
        event(48.0, None, EventKind::SetChange, ""),
        event(72.0, None, EventKind::SetChange, ""),
        event(80.0, Some("pn"), EventKind::RateChange, "12"),
        event(alarm / 3600.0, Some("pn"), EventKind::OcclusionAlarm, ""),
    ];
    let mut found = review(&made);
    found.episodes = vec![Episode {
        course: Course::Step,
        sites: [0.01, 0.02, 0.04, 0.07, 0.78, 0.08],
        suggested: Some(Site::Settings),
        confidence: Confidence::Moderate,
        causes: [
            0.01, 0.02, 0.02, 0.01, 0.01, 0.03, 0.03, 0.01, 0.78, 0.04, 0.03,
        ],
        evidence: vec![
            evidence(
                Finding::ResistanceUnchanged {
                    expected_mmhg: 61.0,
                    limit_mmhg: 60.0,
                },
                Site::Settings,
                2.9,
            ),
            evidence(
                Finding::AfterRateChange {
                    from_ml_h: 5.0,
                    to_ml_h: 12.0,
                },
                Site::Settings,
                1.1,
            ),
        ],
        alarm_s: Some(alarm),
        peak_mmhg: 61.0,
        ..episode(1, &["lipid", "pn"], 80.0 * 3600.0)
    }];
    Scene {
        name: "several-days",
        record: made.record,
        review: found,
    }
}

/// A record that counts seconds.
pub fn plain_seconds() -> Scene {
    let mut scene = supply_stop();
    scene.record.clock = Clock::Seconds;
    Scene {
        name: "plain-seconds",
        ..scene
    }
}

/// The night of the European spring change of 2026, at 01:00 UTC.
pub fn summer_time() -> Scene {
    let mut scene = filter_loading();
    scene.record.clock = Clock::Calendar {
        origin_us: 1_774_720_800_000_000, // 2026-03-28T18:00:00Z
        offsets: vec![(0.0, 3600), (7.0 * 3600.0, 7200)],
    };
    Scene {
        name: "summer-time",
        ..scene
    }
}

/// A log that tries to be a page.
pub fn hostile() -> Scene {
    let mut scene = filter_loading();
    let evil = format!("<script>alert(\"x\")</script>'&{}", "n".repeat(10_000));
    let rename = |name: &mut String| {
        if name == "pn" {
            *name = evil.clone();
        }
    };
    scene
        .record
        .channels
        .iter_mut()
        .for_each(|c| rename(&mut c.id));
    scene
        .review
        .channels
        .iter_mut()
        .for_each(|c| rename(&mut c.id));
    scene
        .review
        .regimes
        .iter_mut()
        .for_each(|c| rename(&mut c.channel));
    scene
        .review
        .pauses
        .iter_mut()
        .for_each(|c| rename(&mut c.channel));
    for e in &mut scene.review.episodes {
        e.channels.iter_mut().for_each(rename);
        e.curves.iter_mut().for_each(|c| rename(&mut c.channel));
    }
    for e in &mut scene.record.events {
        e.detail = evil.clone();
        e.channel.iter_mut().for_each(rename);
    }
    scene.record.events.push(Event {
        t_s: 100.0,
        channel: None,
        kind: EventKind::Unknown,
        word: evil.clone(),
        detail: "\u{1b}[31m\u{202e}".into(),
    });
    scene.record.intake.rejected = vec![RejectedRow {
        line: 2,
        column: evil.clone(),
        value: evil.clone(),
        reason: evil.clone(),
    }];
    scene.record.intake.notices = vec![
        Notice::UnknownEvents {
            words: vec![evil.clone(); 30],
        },
        Notice::UnknownChannel {
            file: "events",
            channel: evil,
        },
        Notice::VolumeFalls {
            channel: "pn".into(),
            line: 512,
        },
    ];
    Scene {
        name: "hostile",
        ..scene
    }
}

/// A day at one sample a second on two channels, with one spike of one sample: 172,802 points.
pub fn dense() -> Scene {
    let pumps = [pump("lipid", |_| 0.8), pump("pn", |_| 4.0)];
    let mut made = record(
        &pumps,
        &Setting {
            period_s: 1.0,
            limit_mmhg: 300.0,
            ..Setting::default()
        },
    );
    made.record.channels[1].samples.pressure_mmhg[43_217] = 97.0;
    let review = review(&made);
    Scene {
        name: "dense",
        record: made.record,
        review,
    }
}
