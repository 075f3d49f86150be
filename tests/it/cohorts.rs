//! Do the intervals of the effect of pauses hold what they promise? Made cohorts with a known hazard ratio.
//!
//! The cohorts are of reviews, not of pressures: onsets are drawn directly from a hazard, pauses and alarms from their own
//! laws. So this judges the statistics alone; how well onsets and sites are found is judged elsewhere. The exposure is
//! counted here anew, not by the code under test. `scripts/cohorts/run` makes more cohorts and keeps their table.

mod untold;

use patency::infer::{Confidence, Course, PauseCause, Site};
use patency::study::{
    Change, Cohort, Effect, Facts, Happening, LinePause, Member, Outcome, contract_effect, filters,
    sensitivity,
};
use patency::time::{Clock, Span};
use patency::units::Estimate;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp, LogNormal};
use std::fmt::Write;

/// One setting of the experiment.
struct Setting {
    name: &'static str,
    hazard_ratio: f64,
    /// Whether alarms stop the pump: before onsets that are on their way, after them, and at any time for other reasons.
    alarm_stops: bool,
    first_seed: u64,
}

const SETTINGS: [Setting; 3] = [
    Setting {
        name: "true ratio 1.5",
        hazard_ratio: 1.5,
        alarm_stops: true,
        first_seed: 1_000_000,
    },
    Setting {
        name: "true ratio 1",
        hazard_ratio: 1.0,
        alarm_stops: false,
        first_seed: 2_000_000,
    },
    Setting {
        name: "true ratio 1, alarm-driven stops",
        hazard_ratio: 1.0,
        alarm_stops: true,
        first_seed: 3_000_000,
    },
];

const INFUSIONS: usize = 300;
/// Onsets per hour of a filter of 24 h without a pause in the last 6 h.
const HAZARD_AT_24_H: f64 = 0.006;
/// Manual pauses per hour, before the infusion's own factor.
const PAUSES_PER_H: f64 = 0.15;
const WINDOW_H: f64 = 6.0;

struct Stop {
    start_h: f64,
    minutes: f64,
    cause: PauseCause,
}

/// Pauses that count at `t`, by the contract's words.
fn pauses_in_last_6_h(stops: &[Stop], placed_h: f64, t: f64) -> i32 {
    let counts = |p: &&Stop| {
        p.cause != PauseCause::Alarm
            && 1.0 <= p.minutes
            && placed_h <= p.start_h
            && p.start_h < t
            && t <= p.start_h + WINDOW_H
    };
    stops.iter().filter(counts).count() as i32
}

fn member(number: usize, setting: &Setting, rng: &mut ChaCha8Rng) -> Member {
    let hours = rng.random_range(18.0..60.0);
    let placed_h = if rng.random_bool(0.3) {
        -rng.random_range(0.0..20.0)
    } else {
        0.0
    };
    let mut changes: Vec<f64> = Vec::new();
    if rng.random_bool(0.5) {
        changes.push(rng.random_range(6.0..hours));
    }
    let mut stops = Vec::new();
    // Infusions differ in how often they are paused.
    let busy = f64::min(LogNormal::new(0.0, 0.5).unwrap().sample(rng), 3.0);
    let wait = Exp::new(PAUSES_PER_H * busy).unwrap();
    let length = LogNormal::new(8.0_f64.ln(), 1.0).unwrap();
    let mut t = wait.sample(rng);
    while t < hours {
        let minutes = f64::min(length.sample(rng), 180.0);
        stops.push(Stop {
            start_h: t,
            minutes,
            cause: PauseCause::Manual,
        });
        t += minutes / 60.0 + wait.sample(rng);
    }
    let mut onsets = Vec::new();
    let mut placings = vec![placed_h];
    placings.extend(&changes);
    for (i, &placed) in placings.iter().enumerate() {
        let last = placings.get(i + 1).copied().unwrap_or(hours);
        if let Some(onset) = draw_onset(
            &stops,
            placed,
            placed.max(0.0),
            last,
            setting.hazard_ratio,
            rng,
        ) {
            onsets.push(onset);
        }
    }
    if setting.alarm_stops {
        add_alarm_stops(&mut stops, &onsets, hours, rng);
    }
    stops.sort_by(|a, b| a.start_h.total_cmp(&b.start_h));
    Member {
        infusion: format!("made-{number}"),
        labels: vec![],
        facts: facts(hours, placed_h, &changes, &stops, &onsets),
    }
}

/// The first onset of a filter, by thinning: `hazard(t) = h·√(age/24)·ratio^pauses`.
fn draw_onset(
    stops: &[Stop],
    placed: f64,
    from: f64,
    to: f64,
    ratio: f64,
    rng: &mut ChaCha8Rng,
) -> Option<f64> {
    let most = 200.0 * HAZARD_AT_24_H;
    let wait = Exp::new(most).unwrap();
    let mut t = from;
    loop {
        t += wait.sample(rng);
        if to < t {
            return None;
        }
        let age = ((t - placed) / 24.0).sqrt();
        let hazard = HAZARD_AT_24_H * age * ratio.powi(pauses_in_last_6_h(stops, placed, t));
        assert!(hazard <= most, "thinning needs a bound that holds");
        if rng.random_bool(hazard / most) {
            return Some(t);
        }
    }
}

fn add_alarm_stops(stops: &mut Vec<Stop>, onsets: &[f64], hours: f64, rng: &mut ChaCha8Rng) {
    let hour = Exp::new(1.0).unwrap();
    let mut starts = Vec::new();
    for &onset in onsets {
        if rng.random_bool(0.5) {
            starts.push(onset - hour.sample(rng)); // pressure already near the limit
        }
        let mut t = onset;
        for _ in 0..rng.random_range(1..5) {
            t += hour.sample(rng);
            starts.push(t);
        }
    }
    for _ in 0..rng.random_range(0..4) {
        starts.push(rng.random_range(0.0..hours)); // container empty, air, battery
    }
    stops.extend(
        starts
            .into_iter()
            .filter(|&t| 0.0 < t && t < hours)
            .map(|start_h| Stop {
                start_h,
                minutes: rng.random_range(2.0..30.0),
                cause: PauseCause::Alarm,
            }),
    );
}

fn facts(hours: f64, placed_h: f64, changes: &[f64], stops: &[Stop], onsets: &[f64]) -> Facts {
    let s = |h: f64| h * 3600.0;
    let happening = |(i, &h): (usize, &f64)| Happening {
        id: i as u32 + 1,
        onset_s: Estimate::new(s(h), s(h) - 900.0, s(h) + 900.0).unwrap(),
        end_s: None,
        visible_from_s: s(h) + 300.0,
        alarm_s: stops
            .iter()
            .filter(|p| p.cause == PauseCause::Alarm && h < p.start_h)
            .map(|p| s(p.start_h))
            .reduce(f64::min),
        course: Course::Gradual,
        suggested: Some(Site::Filter),
        confidence: Confidence::High,
        sites: [0.0, 0.0, 1.0, 0.0, 0.0, 0.0],
    };
    Facts {
        clock: Clock::Seconds,
        start_s: 0.0,
        end_s: s(hours),
        has_filter: true,
        placed_s: Some(s(placed_h)),
        filter_changes_s: changes.iter().map(|&h| s(h)).collect(),
        pauses: stops
            .iter()
            .map(|p| LinePause {
                span: Span {
                    start_s: s(p.start_h),
                    end_s: s(p.start_h) + p.minutes * 60.0,
                },
                still_on: false,
                cause: p.cause,
            })
            .collect(),
        episodes: onsets.iter().enumerate().map(happening).collect(),
    }
}

/// A cohort with a true ratio of 1.5 and alarms that stop the pump, for tests of other things.
pub fn made() -> Cohort {
    cohort(&SETTINGS[0], 0)
}

fn cohort(setting: &Setting, number: u64) -> Cohort {
    let mut rng = ChaCha8Rng::seed_from_u64(setting.first_seed + number);
    Cohort {
        members: (0..INFUSIONS)
            .map(|i| member(i, setting, &mut rng))
            .collect(),
        ..Cohort::default()
    }
}

/// What came out of so many cohorts of a setting.
#[derive(Default)]
struct Tally {
    cohorts: usize,
    estimated: usize,
    covered: usize,
    significant: usize,
    log_ratios: f64,
    events: usize,
    /// How often the two wrong analyses call the effect significant and harmful.
    wrong: [usize; 2],
}

impl Tally {
    fn add(&mut self, cohort: &Cohort, truth: f64) {
        let effect = contract_effect(cohort, &filters(cohort, Outcome::FILTER_ONSET));
        self.cohorts += 1;
        self.events += effect.events as usize;
        if let Ok(found) = effect.ratio {
            self.estimated += 1;
            self.covered += usize::from(found.ratio.low <= truth && truth <= found.ratio.high);
            self.significant += usize::from(found.p < 0.05);
            self.log_ratios += found.ratio.value.ln();
        }
    }

    fn add_wrong(&mut self, cohort: &Cohort) {
        let table = sensitivity(cohort);
        let harmful = |e: &Effect| e.ratio.is_ok_and(|r| r.p < 0.05 && 1.0 < r.ratio.value);
        for (count, change) in self
            .wrong
            .iter_mut()
            .zip([Change::AlarmStopsCount, Change::DatedAtAlarm])
        {
            let row = table.iter().find(|v| v.change == change).unwrap();
            *count += usize::from(harmful(&row.effect));
        }
    }

    fn percent(&self, count: usize) -> f64 {
        100.0 * count as f64 / self.cohorts as f64
    }
}

fn tally(setting: &Setting, cohorts: u64) -> Tally {
    let mut tally = Tally::default();
    for number in 0..cohorts {
        let made = cohort(setting, number);
        tally.add(&made, setting.hazard_ratio);
        if setting.alarm_stops && setting.hazard_ratio == 1.0 {
            tally.add_wrong(&made);
        }
    }
    tally
}

#[test]
fn intervals_cover_and_false_alarms_keep_to_their_level_on_a_hundred_cohorts_each() {
    let cohorts = std::env::var("PATENCY_COHORTS").map_or(100, |n| n.parse().unwrap());
    let mut table =
        "setting,cohorts,first_seed,estimated,mean_onsets,mean_log_ratio,covered_percent,significant_percent,\
         wrong_alarm_stops_percent,wrong_dated_at_alarm_percent\n"
            .to_string();
    for setting in &SETTINGS {
        let t = tally(setting, cohorts);
        let each = |sum: f64| sum / t.cohorts as f64;
        let wrong = match setting.alarm_stops && setting.hazard_ratio == 1.0 {
            true => format!("{:.1},{:.1}", t.percent(t.wrong[0]), t.percent(t.wrong[1])),
            false => ",".into(),
        };
        writeln!(
            table,
            "\"{}\",{},{},{},{:.1},{:.4},{:.1},{:.1},{wrong}",
            setting.name,
            t.cohorts,
            setting.first_seed,
            t.estimated,
            each(t.events as f64),
            each(t.log_ratios),
            t.percent(t.covered),
            t.percent(t.significant),
        )
        .unwrap();
        assert_eq!(t.estimated, t.cohorts);
        assert!(
            (92.0..=98.0).contains(&t.percent(t.covered)),
            "{}: covered {} of {}",
            setting.name,
            t.covered,
            t.cohorts
        );
        if setting.hazard_ratio == 1.0 {
            let share = t.percent(t.significant);
            assert!(
                (2.0..=8.0).contains(&share),
                "{}: {share} % significant",
                setting.name
            );
        }
        if setting.alarm_stops && setting.hazard_ratio == 1.0 {
            // The trap that the definition is there for: both mistakes find an effect where there is none.
            assert!(
                t.wrong.iter().all(|&n| 80.0 < t.percent(n)),
                "{:?}",
                t.wrong
            );
        }
    }
    if let Ok(file) = std::env::var("PATENCY_COHORTS_TABLE") {
        std::fs::write(file, &table).unwrap();
    }
}
