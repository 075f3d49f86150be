//! Runs the program on a scene and says whether its review is the one that a person would give.

use super::scene::{Made, Onset, Scene, Wanted};
use patency::infer::{Course, Episode, Review, Site};
use patency::ingest::{Settings, Source, read_records};
use patency::run;

/// The least probability with which a site must be named.
const NAMED: f64 = 0.9;

const SITES: [(Site, &str); 6] = [
    (Site::Supply, "supply"),
    (Site::Tubing, "tubing"),
    (Site::Filter, "filter"),
    (Site::Catheter, "catheter"),
    (Site::Settings, "settings"),
    (Site::None, "none"),
];

/// What the program says of a scene.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// What is wrong with it, coarsely; `None` where nothing is.
    pub fault: Option<String>,
    /// The episodes in a line of text.
    pub says: String,
    pub wanted: Wanted,
}

/// The review of a scene's files, read as any files are.
fn review(made: &Made) -> Review {
    let mut trace = made.trace.as_bytes();
    let mut events = made.events.as_deref().map(str::as_bytes);
    let mut line = made.line.as_deref().map(str::as_bytes);
    let trace = Source {
        name: "trace.csv".as_ref(),
        reader: &mut trace,
    };
    let events = events.as_mut().map(|reader| Source {
        name: "events.csv".as_ref(),
        reader,
    });
    let line = line.as_mut().map(|reader| Source {
        name: "line.toml".as_ref(),
        reader,
    });
    run::review(&read_records(trace, events, line, &Settings::default()).unwrap()[0])
}

pub fn judge(scene: &Scene) -> Outcome {
    let made = scene.make();
    let review = review(&made);
    let says: Vec<String> = review.episodes.iter().map(says).collect();
    Outcome {
        fault: fault(scene, &made, &review.episodes),
        says: if says.is_empty() {
            "no episode".into()
        } else {
            says.join(" | ")
        },
        wanted: scene.wanted,
    }
}

fn says(e: &Episode) -> String {
    let mut sites: Vec<(f64, &str)> = e.sites.iter().copied().zip(SITES.map(|s| s.1)).collect();
    sites.sort_by(|a, b| b.0.total_cmp(&a.0));
    let likely: Vec<String> = sites
        .iter()
        .take_while(|s| 0.02 < s.0)
        .map(|(p, name)| format!("{name} {p:.2}"))
        .collect();
    format!(
        "{} {} at {:.2} h: {}",
        named(e),
        course(e.course),
        e.onset_s.value / 3600.0,
        likely.join(", ")
    )
}

fn named(e: &Episode) -> &'static str {
    let site = SITES.iter().find(|s| Some(s.0) == e.suggested);
    site.map_or("undetermined", |s| s.1)
}

fn course(course: Course) -> &'static str {
    match course {
        Course::Step => "step",
        Course::Gradual => "gradual",
        Course::Intermittent => "intermittent",
    }
}

fn probability(e: &Episode, site: Site) -> f64 {
    e.sites[SITES.iter().position(|s| s.0 == site).unwrap()]
}

/// The first thing that is wrong: the number of episodes, the site, how sure it is, the course, the onset.
fn fault(scene: &Scene, made: &Made, episodes: &[Episode]) -> Option<String> {
    let harmless = |e: &Episode| NAMED <= probability(e, Site::None);
    match scene.wanted {
        Wanted::Quiet => (!episodes.is_empty()).then(|| count(episodes)),
        Wanted::Harmless => {
            let hindered = episodes.iter().find(|e| !harmless(e))?;
            Some(format!("{}, {}", count(episodes), weighed(hindered)))
        }
        Wanted::Site(_) | Wanted::Undetermined if episodes.len() != 1 => Some(count(episodes)),
        Wanted::Undetermined if episodes[0].suggested.is_some() => {
            Some(named(&episodes[0]).to_string())
        }
        Wanted::Site(site) if episodes[0].suggested != Some(site) => {
            Some(named(&episodes[0]).to_string())
        }
        Wanted::Site(site) if probability(&episodes[0], site) < NAMED => {
            Some(weighed(&episodes[0]))
        }
        _ => came(scene, made, &episodes[0]),
    }
}

/// The site named, and whether it is less likely than it must be.
fn weighed(e: &Episode) -> String {
    match e.suggested {
        Some(site) if probability(e, site) < NAMED => format!("{}, unsure", named(e)),
        _ => named(e).into(),
    }
}

fn count(episodes: &[Episode]) -> String {
    match episodes.len() {
        0 => "no episode".into(),
        1 => "1 episode".into(),
        n => format!("{n} episodes"),
    }
}

/// What is wrong with how and when it is said to have come.
fn came(scene: &Scene, made: &Made, e: &Episode) -> Option<String> {
    if scene.course.is_some_and(|c| c != e.course) {
        return Some(format!("course {}", course(e.course)));
    }
    let (low, high) = onset_window(scene, made)?;
    let h = e.onset_s.value / 3600.0;
    if h < low {
        Some("onset early".into())
    } else if high < h {
        Some("onset late".into())
    } else {
        None
    }
}

fn onset_window(scene: &Scene, made: &Made) -> Option<(f64, f64)> {
    let near = (2.0 * f64::from(scene.period_s)).max(180.0) / 3600.0;
    let grown = |bar: f64| {
        let passed = made.grown.iter().find(|g| bar <= g.1);
        passed.map_or(scene.hours, |g| g.0)
    };
    match scene.onset {
        Onset::Any => None,
        Onset::At(h) => Some((h - near, h + near)),
        Onset::Between(a, b) => Some((a - near, b + near)),
        Onset::Growth => Some((grown(1.35) - 5.0 / 60.0, grown(1.7) + 5.0 / 60.0)),
        Onset::UpToAlarm(h) => Some((h - near, made.alarms_h.first()? + near)),
    }
}
