//! What other pressure limits would have done in a record, as JSON and as text.
//!
//! In: [`LimitTrial`]s. Out: [`limits_json`], [`limits_text`].

use super::text::Page;
use super::words::{self, CAUTIONS};
use crate::infer::Site;
use crate::infer::limits::{Fate, LimitTrial, TrialEpisode};
use serde_json::{Value, json};

const MODELLED: &str = "Marked ~ is modelled: the record’s pressures did not reach the limit, and the climb was taken to go on as straight as it last was. A resistance that grows faster and faster alarms sooner.";
const FIRST_ALONE: &str = "Only the first alarm of an episode is looked at; what staff would have done after another alarm, the record cannot say.";
const NOT_A_SETTING: &str = "One record says little about a limit: a lower one finds blocks sooner and alarms more often with nothing blocked.";

/// One JSON object: for each limit `alarms` by site (`observed`, `modelled`, `none`, median minutes), `unblocked`, and each
/// episode. A newline at the end.
pub fn limits_json(trials: &[LimitTrial]) -> String {
    let trials: Vec<Value> = trials
        .iter()
        .map(|t| {
            let by_site: Vec<Value> = groups(t)
                .into_iter()
                .map(|g| {
                    json!({"site": g.site, "observed": g.observed, "modelled": g.modelled, "no_alarm": g.no_alarm,
                        "median_minutes_to_alarm": g.median_min})
                })
                .collect();
            let episodes: Vec<Value> = t
                .episodes
                .iter()
                .map(|e| {
                    let (fate, minutes) = match e.fate {
                        Fate::Observed(m) => ("observed", Some(m)),
                        Fate::Modelled(m) => ("modelled", Some(m)),
                        Fate::NoAlarm => ("no-alarm", None),
                    };
                    let release = e
                        .release_ml
                        .map(|r| json!({"value": r.value, "low": r.low, "high": r.high}));
                    json!({"id": e.id, "site": site(e), "fate": fate, "minutes_to_alarm": minutes, "release_volume_ml": release})
                })
                .collect();
            json!({"limit_mmhg": t.limit.get(), "alarms": by_site, "unblocked_alarms": t.unblocked, "episodes": episodes})
        })
        .collect();
    let notes = [MODELLED, FIRST_ALONE, NOT_A_SETTING].into_iter();
    let object = json!({
        "schema": "patency.limits/1",
        "trials": trials,
        "cautions": notes.chain(CAUTIONS).collect::<Vec<_>>(),
    });
    // Strings, numbers and maps with text keys cannot fail to be written.
    serde_json::to_string_pretty(&object).map_or_else(|_| String::new(), |text| text + "\n")
}

/// A section for each limit, lines of at most `width` columns.
pub fn limits_text(trials: &[LimitTrial], width: usize, bold: bool) -> String {
    let mut page = Page::new(width, bold);
    page.strong(
        "",
        "What other pressure limits would have done in this record",
    );
    for t in trials {
        let none = (t.episodes.is_empty() && t.unblocked == 0).then(|| "no alarm".to_string());
        let unblocked = (0 < t.unblocked).then(|| {
            let alarms = words::count(u64::from(t.unblocked), "alarm", "alarms");
            format!("outside every episode: {alarms}")
        });
        let episodes = t.episodes.iter().map(episode);
        page.section(
            &format!("Limit {}", words::pressure(t.limit.get())),
            episodes.chain(unblocked).chain(none),
        );
    }
    let notes = [MODELLED, FIRST_ALONE, NOT_A_SETTING].into_iter();
    page.section("Keep in mind", notes.chain(CAUTIONS).map(str::to_string));
    page.text
}

fn episode(e: &TrialEpisode) -> String {
    let when = |m: f64| format!("{} after the onset", words::duration(60.0 * m));
    let fate = match e.fate {
        Fate::Observed(m) => format!("alarm {}", when(m)),
        Fate::Modelled(m) => format!("~ alarm {}", when(m)),
        Fate::NoAlarm => "no alarm".to_string(),
    };
    let release = match (e.fate, e.release_ml) {
        (Fate::NoAlarm, _) | (_, None) => String::new(),
        (_, Some(r)) => format!("; relief frees {} mL", words::bare(r.value)),
    };
    format!("episode {} ({}): {fate}{release}", e.id, site(e))
}

fn site(e: &TrialEpisode) -> &'static str {
    e.site.map_or("undetermined", Site::word)
}

/// The episodes of one site under one limit.
struct Group {
    site: &'static str,
    observed: usize,
    modelled: usize,
    no_alarm: usize,
    median_min: Option<f64>,
}

fn groups(trial: &LimitTrial) -> Vec<Group> {
    let sites = Site::ALL.iter().map(|s| s.word()).chain(["undetermined"]);
    sites
        .filter_map(|name| {
            let here: Vec<&TrialEpisode> =
                trial.episodes.iter().filter(|e| site(e) == name).collect();
            let count = |test: fn(&Fate) -> bool| here.iter().filter(|e| test(&e.fate)).count();
            let mut minutes: Vec<f64> = here
                .iter()
                .filter_map(|e| match e.fate {
                    Fate::Observed(m) | Fate::Modelled(m) => Some(m),
                    Fate::NoAlarm => None,
                })
                .collect();
            minutes.sort_by(f64::total_cmp);
            let middle = minutes.len() / 2;
            let median_min = match minutes.len() {
                0 => None,
                n if n % 2 == 1 => Some(minutes[middle]),
                _ => Some(0.5 * (minutes[middle - 1] + minutes[middle])),
            };
            (!here.is_empty()).then(|| Group {
                site: name,
                observed: count(|f| matches!(f, Fate::Observed(_))),
                modelled: count(|f| matches!(f, Fate::Modelled(_))),
                no_alarm: count(|f| matches!(f, Fate::NoAlarm)),
                median_min,
            })
        })
        .collect()
}
