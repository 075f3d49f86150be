//! Reviews to go with the made records: regimes and pauses read off the rates, the rest given by the scene.

use super::made::Made;
use patency::infer::*;
use patency::record::Record;
use patency::time::Span;
use patency::units::Estimate;

pub fn estimate(value: f64, low: f64, high: f64) -> Option<Estimate> {
    Estimate::new(value, low, high)
}

/// A review without episodes, its tracks following the truth.
pub fn review(made: &Made) -> Review {
    let record = &made.record;
    let regimes = regimes(record, &made.alarms_s);
    let pauses = pauses(record, &regimes);
    let channels = record
        .channels
        .iter()
        .map(|c| ChannelReview {
            id: c.id.clone(),
            compliance_ul_per_mmhg: estimate(1.42, 1.21, 1.63),
            resistance_mmhg_h_per_ml: estimate(2.31, 2.12, 2.49),
            outlet_pressure_mmhg: estimate(8.1, 6.6, 9.5),
            track: track(made),
        })
        .collect();
    let line_pauses = line_pauses(record, &pauses);
    Review {
        channels,
        regimes,
        pauses,
        line_pauses,
        episodes: Vec::new(),
        not_judged: Vec::new(),
        assumptions: Vec::new(),
    }
}

fn track(made: &Made) -> Vec<TrackPoint> {
    made.truth
        .iter()
        .map(|&(t_s, r)| {
            let stopped = made.alarms_s.iter().any(|&a| a < t_s && t_s < a + 1200.0);
            let half = if stopped { 40.0 * r } else { 0.06 * r + 0.05 };
            let e = estimate(r, (r - half).max(0.01), r + half).unwrap();
            TrackPoint {
                t_s,
                resistance_mmhg_h_per_ml: e,
            }
        })
        .collect()
}

fn regimes(record: &Record, alarms_s: &[f64]) -> Vec<Regime> {
    let mut all = Vec::new();
    for c in &record.channels {
        let s = &c.samples;
        let mut from = 0;
        for i in 1..=s.len() {
            let gap = c
                .gaps
                .iter()
                .find(|g| i < s.len() && g.start_s <= s.t_s[i] && s.t_s[i - 1] < g.start_s);
            if i < s.len() && s.rate_ml_h[i] == s.rate_ml_h[from] && gap.is_none() {
                continue;
            }
            let end_s = gap.map_or(s.t_s[i.min(s.len() - 1)], |g| g.start_s);
            let start_s = s.t_s[from];
            let by_alarm = alarms_s.iter().any(|a| (start_s - a).abs() < 60.0);
            let doing = match s.rate_ml_h[from] {
                0.0 => Doing::Paused(if by_alarm {
                    PauseCause::Alarm
                } else {
                    PauseCause::Manual
                }),
                rate_ml_h => Doing::Running { rate_ml_h },
            };
            all.push(Regime {
                channel: c.id.clone(),
                span: Span { start_s, end_s },
                doing,
            });
            if let Some(&span) = gap {
                all.push(Regime {
                    channel: c.id.clone(),
                    span,
                    doing: Doing::Gap,
                });
            }
            from = i;
        }
    }
    all
}

fn pauses(record: &Record, regimes: &[Regime]) -> Vec<Pause> {
    let mut found: Vec<Pause> = regimes
        .iter()
        .filter_map(|r| match r.doing {
            Doing::Paused(cause) => Some(Pause {
                channel: r.channel.clone(),
                span: r.span,
                still_on: record.end_s() <= r.span.end_s,
                cause,
            }),
            _ => None,
        })
        .collect();
    found.sort_by(|a, b| a.span.start_s.total_cmp(&b.span.start_s));
    found
}

fn line_pauses(record: &Record, pauses: &[Pause]) -> Vec<Pause> {
    let first = &record.channels[0].id;
    pauses
        .iter()
        .filter(|p| p.channel == *first)
        .filter(|p| {
            record.channels[1..].iter().all(|c| {
                pauses.iter().any(|q| {
                    q.channel == c.id
                        && q.span.start_s <= p.span.start_s + 30.0
                        && p.span.start_s <= q.span.end_s
                })
            })
        })
        .map(|p| Pause {
            channel: String::new(),
            ..p.clone()
        })
        .collect()
}

/// An episode about which little is known yet; scenes change what matters.
pub fn episode(id: u32, channels: &[&str], onset_s: f64) -> Episode {
    Episode {
        id,
        channels: channels.iter().map(|&c| c.into()).collect(),
        at_channel: match channels {
            [only] => Some((*only).into()),
            _ => None,
        },
        onset_s: estimate(onset_s, onset_s - 900.0, onset_s + 1260.0).unwrap(),
        end_s: None,
        alarm_s: None,
        visible_from_s: onset_s + 1800.0,
        course: Course::Gradual,
        sites: [0.01, 0.02, 0.93, 0.03, 0.005, 0.005],
        suggested: Some(Site::Filter),
        confidence: Confidence::High,
        causes: [
            0.01, 0.02, 0.71, 0.18, 0.02, 0.02, 0.005, 0.005, 0.005, 0.0, 0.005,
        ],
        unexplained: 0.02,
        evidence: Vec::new(),
        checks: vec![
            Check::PressureLimit,
            Check::Supply,
            Check::SetInPump,
            Check::ChannelTubing,
            Check::JoinAndMedication,
            Check::TailClamps,
            Check::DressingAndPosition,
            Check::CatheterPatency,
            Check::InsertionSite,
            Check::Filter,
        ],
        cannot_tell: vec![CannotTell::Infiltration],
        release_volume_ml: None,
        block_compliance_ul_per_mmhg: None,
        peak_mmhg: 100.0,
        curves: Vec::new(),
    }
}
