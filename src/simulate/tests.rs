//! Tests of whole made records: same seed, same bytes; what the truth says is in the trace.

use super::*;
use std::collections::BTreeMap;

fn made(toml: &str, seed: u64) -> Made {
    run(&Scenario::from_toml(toml).unwrap(), seed).unwrap()
}

fn truth(made: &Made) -> serde_json::Value {
    serde_json::from_str(&made.truth_json).unwrap()
}

/// `(t, pressure, rate)` of each channel; for traces in seconds.
fn samples(made: &Made) -> BTreeMap<String, Vec<(f64, f64, f64)>> {
    let mut found: BTreeMap<String, Vec<_>> = BTreeMap::new();
    for row in csv::Reader::from_reader(made.trace_csv.as_slice()).records() {
        let row = row.unwrap();
        let number = |i: usize| row[i].parse::<f64>().unwrap();
        found
            .entry(row[1].to_string())
            .or_default()
            .push((number(0), number(2), number(3)));
    }
    found
}

fn mean(samples: &[(f64, f64, f64)], from_s: f64, to_s: f64) -> f64 {
    let inside: Vec<f64> = samples
        .iter()
        .filter(|s| from_s <= s.0 && s.0 < to_s)
        .map(|s| s.1)
        .collect();
    assert!(!inside.is_empty());
    inside.iter().sum::<f64>() / inside.len() as f64
}

const TWO: &str = r#"
duration_h = 6
[sensor]
noise_mmhg = 0.2
[sampling]
rounding_mmhg = 0
[[channel]]
id = "pn"
rate_ml_h = 4.0
[[channel]]
id = "lipid"
fluid = "lipid"
rate_ml_h = 0.6
"#;

fn two_with(more: &str) -> Made {
    made(&format!("{TWO}\n{more}"), 7)
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_does_not() {
    let text = format!(
        "{TWO}\n[[episode]]\nat_h = 1\ncause = {{ kind = \"catheter-positional\", on_min = 3, off_min = 9 }}"
    );
    assert_eq!(made(&text, 1), made(&text, 1));
    assert_ne!(made(&text, 1).trace_csv, made(&text, 2).trace_csv);
}

#[test]
fn with_nothing_wrong_the_pressure_is_what_resistance_and_rates_need() {
    // P = 4 + 0.05 Q + (0.3 + 3) ΣQ: 19.38 mmHg for pn, 19.21 for lipid
    let quiet = two_with("[vein]\nwander_mmhg = 0");
    let found = samples(&quiet);
    assert!((mean(&found["pn"], 0.0, 2e4) - 19.38).abs() < 0.05);
    assert!((mean(&found["lipid"], 0.0, 2e4) - 19.21).abs() < 0.05);
    assert_eq!(truth(&quiet)["episodes"].as_array().unwrap().len(), 0);
}

#[test]
fn a_closed_clamp_on_one_channel_raises_it_alone_and_lets_the_other_fall() {
    let clamped =
        two_with("[[episode]]\nat_h = 2\nchannel = \"pn\"\ncause = { kind = \"tubing-blocked\" }");
    let found = samples(&clamped);
    // lipid alone needs 4 + 0.65 × ... = 4 + 3.35 × 0.6 = 6.0 mmHg
    assert!((mean(&found["lipid"], 7260.0, 7440.0) - 6.0).abs() < 1.5);
    let episode = &truth(&clamped)["episodes"][0];
    assert_eq!(episode["site"], "tubing");
    assert_eq!(episode["course"], "step");
    assert_eq!(episode["onset"], 7200.0);
    // C (300 - 19.4)/Q with C = 1.04 µL/mmHg above a clamp near the pump: 4.4 min, and the alarm's latency
    let alarm = episode["alarm"].as_f64().unwrap();
    assert!((alarm - 7200.0 - 263.0).abs() < 8.0, "{alarm}");
    // freed at relief: 1.04 µL/mmHg × 296 mmHg
    let freed = episode["release_volume_ml"].as_f64().unwrap();
    assert!((freed - 0.308).abs() < 0.01, "{freed}");
}

#[test]
fn a_clamp_below_the_filter_lets_both_channels_climb_together() {
    let clamped = two_with("[[episode]]\nat_h = 2\ncause = { kind = \"catheter-blocked\" }");
    let found = samples(&clamped);
    // ΣQ/ΣC = 4.6 mL/h / 2.8 µL/mmHg = 27.4 mmHg/min
    for id in ["pn", "lipid"] {
        let climb = mean(&found[id], 7440.0, 7475.0) - mean(&found[id], 7260.0, 7295.0);
        assert!((climb / 3.0 - 27.4).abs() < 1.0, "{id}: {climb}");
    }
    assert_eq!(
        truth(&clamped)["episodes"][0]["channels"]
            .as_array()
            .unwrap()
            .len(),
        2
    );
}

#[test]
fn a_loading_filter_stands_still_in_a_pause_and_goes_with_the_filter() {
    let loading = two_with(
        r#"
[vein]
wander_mmhg = 0
[[act]]
at_h = 2
do = "pause"
minutes = 60
[[act]]
at_h = 5
do = "filter_change"
[[episode]]
at_h = 0
cause = { kind = "filter-loading", blocking = { intermediate_per_ml = 0.2 } }
"#,
    );
    let found = samples(&loading);
    let before = mean(&found["pn"], 7140.0, 7200.0);
    // the pause of an hour moves nothing: after 5 min more of flow V = 9.58 mL, and R_f = 0.3 e^(0.2 V) = 2.04
    let after = mean(&found["pn"], 11_070.0, 11_130.0);
    assert!(
        (after - 4.0 - 4.0 * 0.05 - 4.6 * 5.04).abs() < 0.5, // it lags a little
        "{after}"
    );
    assert!(
        (before - 4.0 - 4.0 * 0.05 - 4.6 * (3.0 + 0.3 * 6.24)).abs() < 0.5,
        "{before}"
    );
    assert!((mean(&found["pn"], 18_400.0, 19_000.0) - 19.38).abs() < 0.2);
    let episode = &truth(&loading)["episodes"][0];
    // 1.5 × 3.35 = 5.025 is reached at exp(0.2 V) = 1 + 1.675/0.3, V = 9.42 mL: 2.048 h of flow and the pause
    let onset = episode["onset"].as_f64().unwrap();
    assert!((onset / 3600.0 - 3.048).abs() < 0.01, "{onset}");
    assert_eq!(episode["end"], 18_000.0);
    assert_eq!(episode["can_tell"], true);
}

#[test]
fn a_pause_tells_filter_from_catheter_only_where_the_difference_can_be_seen() {
    // Before the pause R_f = 0.3 e^(0.2·9.2) = 1.89 grows by 0.2·4.6·1.89 = 1.74 an hour; at 4.6 mL/h a catheter that grew
    // like this through the hour's pause would stand 7 to 8 mmHg higher after it: more than twice 1 mmHg, less than twice
    // half of 20 or a vein that wanders by 5.
    for (rounding, wander, tells) in [(1, 0, true), (20, 0, false), (1, 5, false)] {
        let scenario = TWO.replace("rounding_mmhg = 0", &format!("rounding_mmhg = {rounding}"));
        let made = made(
            &format!(
                r#"{scenario}
[vein]
wander_mmhg = {wander}
[[act]]
at_h = 2
do = "pause"
minutes = 60
[[episode]]
at_h = 0
cause = {{ kind = "filter-loading", blocking = {{ intermediate_per_ml = 0.2 }} }}
"#
            ),
            7,
        );
        let episode = &truth(&made)["episodes"][0];
        assert_eq!(episode["can_tell"], tells, "{rounding} {wander}: {episode}");
        let says = episode["can_tell_from"].to_string();
        assert_eq!(
            says.contains("pauses of 60 min while it grew"),
            tells,
            "{says}"
        );
    }
}

#[test]
fn a_narrowing_catheter_goes_on_in_a_pause_and_a_flush_helps() {
    let narrowing = two_with(
        r#"
[[act]]
at_h = 2
do = "pause"
minutes = 60
[[episode]]
at_h = 0
cause = { kind = "catheter-narrowing", reaches = 8, over_h = 6 }
[[episode.answer]]
at_h = 5
do = "flush"
value = 1
"#,
    );
    let found = samples(&narrowing);
    let before = mean(&found["pn"], 7140.0, 7200.0);
    let after = mean(&found["pn"], 11_100.0, 11_160.0);
    assert!(before + 3.0 < after, "{before} {after}");
    let truth = truth(&narrowing);
    assert_eq!(truth["episodes"][0]["cause"], "catheter-narrowing");
    assert_eq!(truth["episodes"][0]["end"], 18_180.0);
}

#[test]
fn a_stopped_supply_lets_the_pressure_fall_while_the_rate_goes_on() {
    let stopped =
        two_with("[[episode]]\nat_h = 2\nchannel = \"pn\"\ncause = { kind = \"supply-stopped\" }");
    let found = samples(&stopped);
    assert!((mean(&found["pn"], 7500.0, 9000.0) - 6.0).abs() < 1.0);
    assert!(found["pn"].iter().all(|s| s.2 == 4.0));
}

#[test]
fn a_limit_below_the_working_pressure_alarms_and_is_raised() {
    let low = two_with(
        "[[episode]]\nat_h = 2\nchannel = \"pn\"\ncause = { kind = \"limit-too-low\", rate_ml_h = 12, limit_mmhg = 40 }",
    );
    let episode = &truth(&low)["episodes"][0];
    assert_eq!(episode["site"], "settings");
    assert!(episode["alarm"].as_f64().unwrap() < 7300.0);
    assert_eq!(episode["peak_ratio"], 1.0);
    let events = String::from_utf8(low.events_csv).unwrap();
    assert_eq!(events.matches("occlusion_alarm").count(), 1, "{events}");
}

#[test]
fn a_cough_that_rings_the_alarm_far_above_the_working_pressure_is_an_artefact_and_no_setting() {
    // Working pressure 4 + 4.6 · 3.35 = 19.4 mmHg, limit 60: no setting is at fault, however hard the coughs.
    let scenario = TWO.replace("rate_ml_h = 4.0", "rate_ml_h = 4.0\nlimit_mmhg = 60");
    let coughing = made(
        &format!("{scenario}\n[artefacts]\ncoughs_per_h = 20\ncough_mmhg = 300\n"),
        7,
    );
    let truth = truth(&coughing);
    let told = truth["episodes"].as_array().unwrap();
    assert!(!told.is_empty());
    assert!(told.iter().all(|e| e["cause"] == "artefact"), "{told:?}");
    let events = String::from_utf8(coughing.events_csv).unwrap();
    assert!(!events.contains("limit_change"), "{events}");
}

#[test]
fn a_knock_is_told_from_a_block_only_by_a_reading_that_shows_nothing_held_or_no_time_to_climb() {
    // A knock at 7,290 s rings the alarm 3 s later; somebody comes a minute after that. pn's line above a kink next to the
    // pump stores 2 · 0.52 = 1.04 µL/mmHg: at 4 mL/h it climbs from 19 mmHg to a limit of 60 in 38 s, to 300 in 263 s.
    for (period, limit, tells, says) in [
        (10, 60, true, "nothing held up"),
        (300, 300, true, "too near"),
        (300, 60, false, ""),
    ] {
        let scenario = TWO
            .replace(
                "rate_ml_h = 4.0",
                &format!("rate_ml_h = 4.0\nlimit_mmhg = {limit}"),
            )
            .replace("[sampling]", &format!("[sampling]\nperiod_s = {period}"));
        let knocked = made(
            &format!(
                "{scenario}\n[[episode]]\nat_h = 2.025\nchannel = \"pn\"\n\
                 cause = {{ kind = \"artefact\", mmhg = 400, seconds = 20 }}\n\
                 [[episode.answer]]\ndo = \"restart\"\nafter_min = 1\n"
            ),
            7,
        );
        let episode = &truth(&knocked)["episodes"][0];
        assert_eq!(episode["cause"], "artefact");
        assert_eq!(episode["can_tell"], tells, "{period} {limit}: {episode}");
        let from = episode["can_tell_from"].to_string();
        assert!(from.contains(says), "{from}");
    }
}

#[test]
fn the_join_is_shown_only_by_readings_of_another_channel_from_while_the_block_stood() {
    // pn's tubing is half shut from 7,210 to 7,410 s: with a row each five minutes no reading falls into it.
    for (period, tells) in [(10, true), (300, false)] {
        let scenario = TWO.replace("[sampling]", &format!("[sampling]\nperiod_s = {period}"));
        let kinked = made(
            &format!(
                "{scenario}\n[[episode]]\nat_h = 2.0028\nuntil_h = 2.0583\nchannel = \"pn\"\n\
                 cause = {{ kind = \"tubing-blocked\", resistance_mmhg_h_per_ml = 20 }}\n"
            ),
            7,
        );
        let episode = &truth(&kinked)["episodes"][0];
        let says = episode["can_tell_from"].to_string();
        assert_eq!(says.contains("shows the join"), tells, "{says}");
        assert_eq!(episode["can_tell"], tells, "{episode}");
    }
}

#[test]
fn short_pauses_tell_together_what_one_of_them_does_not() {
    // The filter of the test before, with pauses of 20 minutes: one is less than growth in fits may stop for by itself, two
    // are not. A catheter that grew on through both would stand 2.5 mmHg higher after each.
    let pause = |at_h: f64| format!("[[act]]\nat_h = {at_h}\ndo = \"pause\"\nminutes = 20\n");
    for (acts, tells) in [(pause(2.0), false), (pause(2.0) + &pause(2.6), true)] {
        let made = two_with(&format!(
            "[vein]\nwander_mmhg = 0\n{acts}[[episode]]\nat_h = 0\n\
             cause = {{ kind = \"filter-loading\", blocking = {{ intermediate_per_ml = 0.2 }} }}\n"
        ));
        let episode = &truth(&made)["episodes"][0];
        assert_eq!(episode["can_tell"], tells, "{episode}");
    }
}

#[test]
fn one_jump_tells_only_where_growth_about_the_pause_is_small_beside_it() {
    // In half an hour's pause so much settles that the open area falls to e^-1. Beside hardly any other growth that is a jump; beside a
    // filter that loads as fast (0.4 per mL at 4.6 mL/h is e in half an hour and more) it could be a catheter's growth.
    for (loads, tells) in [(0.001, true), (0.4, false)] {
        let made = two_with(&format!(
            "[vein]\nwander_mmhg = 0\n[[act]]\nat_h = 2\ndo = \"pause\"\nminutes = 25\n[[episode]]\nat_h = 1\n\
             cause = {{ kind = \"filter-settling\", blocking = {{ intermediate_per_ml = {loads} }}, \
             per_pause_hour = 4, over_ml = 0.2 }}\n"
        ));
        let says = truth(&made)["episodes"][0]["can_tell_from"].to_string();
        assert_eq!(
            says.contains("a jump after a pause"),
            tells,
            "{loads}: {says}"
        );
    }
}

#[test]
fn coming_and_going_tells_only_where_readings_show_it() {
    // Bouts of a minute and more apart: a row each ten seconds shows them, a row each five minutes falls into one at most.
    for (period, tells) in [(10, true), (300, false)] {
        let scenario = TWO.replace("[sampling]", &format!("[sampling]\nperiod_s = {period}"));
        let made = made(
            &format!(
                "{scenario}\n[[episode]]\nat_h = 2.01\nuntil_h = 2.12\n\
                 cause = {{ kind = \"catheter-positional\", on_min = 1, off_min = 1.5, resistance_mmhg_h_per_ml = 20 }}\n"
            ),
            7,
        );
        let episode = &truth(&made)["episodes"][0];
        let says = episode["can_tell_from"].to_string();
        assert_eq!(says.contains("came and went"), tells, "{says}");
    }
}

#[test]
fn a_height_and_a_partial_block_are_told_apart_by_two_flows_by_speed_or_by_a_word() {
    // The whole line, 4.6 mL/h: 30 cm lower, or 4.8 mmHg·h/mL more, is 22 mmHg (0.7356 mmHg per cm of water). A row each five
    // minutes does not show how fast it rose; pauses of a quarter of an hour before and in it show the intercept.
    let low = "[[episode]]\nat_h = 3.0\ncause = { kind = \"height-change\", by_cm = -30 }\n";
    let word = low.replace("by_cm = -30", "by_cm = -30, logged = true");
    let kink = "[[episode]]\nat_h = 3.0\ncause = { kind = \"catheter-blocked\", resistance_mmhg_h_per_ml = 4.8 }\n";
    let pauses = "[[act]]\nat_h = 1.5\ndo = \"pause\"\nminutes = 16\n\
                  [[act]]\nat_h = 4.5\ndo = \"pause\"\nminutes = 16\n";
    let before = "[[act]]\nat_h = 1.5\ndo = \"pause\"\nminutes = 16\n";
    let says = |period: u32, more: &str| {
        let scenario = TWO.replace("[sampling]", &format!("[sampling]\nperiod_s = {period}"));
        let episode = &truth(&made(&format!("{scenario}\n{more}"), 7))["episodes"][0];
        (
            episode["can_tell"] == true,
            episode["can_tell_from"].to_string(),
        )
    };
    for cause in [low, kink] {
        let (tells, from) = says(300, cause);
        assert!(!tells, "{from}");
        let (tells, from) = says(300, &format!("{before}{cause}"));
        assert!(!tells, "{from}");
        let (tells, from) = says(300, &format!("{pauses}{cause}"));
        assert!(tells, "{from}");
        // Every second, the rise is seen: with the line's own time constant or that of a block, (Δ/Q)·C longer.
        let (tells, from) = says(1, &format!("{before}{cause}"));
        assert!(tells, "{from}");
    }
    let (tells, from) = says(300, &word);
    assert!(tells && from.contains("pump_moved"), "{from}");
}

#[test]
fn a_raised_pump_is_told_from_a_dry_supply_by_the_other_channel() {
    // lipid, 0.6 mL/h, 40 cm higher alone: 29 mmHg less, where its dry supply would take 0.6 times some mmHg·h/mL and the same
    // from pn; all of both raised fall alike, and without a second flow no one knows the resistance.
    let alone = "[[episode]]\nat_h = 3.0\nchannel = \"lipid\"\ncause = { kind = \"height-change\", by_cm = 40 }\n";
    let all = alone.replace("channel = \"lipid\"\n", "");
    let pause = "[[act]]\nat_h = 1.5\ndo = \"pause\"\nminutes = 16\n[[act]]\nat_h = 2.2\ndo = \"rate_change\"\n\
                 channel = \"lipid\"\nvalue = 6.0\n";
    let tells = |more: &str| truth(&two_with(more))["episodes"][0]["can_tell"] == true;
    assert!(tells(&format!("{pause}{alone}")));
    assert!(!tells(&all));
}

#[test]
fn a_touch_that_tips_a_line_that_a_block_holds_at_its_limit_leaves_the_alarm_to_the_block() {
    // From 7,200 s pn's tubing is shut next to the pump: at 4 mL/h it climbs to its limit of 300 mmHg in some 263 s. A
    // squeeze of 40 mmHg at 7,440 s, still below the limit by itself, rings it earlier.
    let scenario = TWO.replace("rate_ml_h = 4.0", "rate_ml_h = 4.0\nlimit_mmhg = 300");
    let both = made(
        &format!(
            "{scenario}\n[[episode]]\nat_h = 2.0\nchannel = \"pn\"\n\
             cause = {{ kind = \"tubing-blocked\", place = \"near\" }}\n\
             [[episode]]\nat_h = 2.066667\nchannel = \"pn\"\n\
             cause = {{ kind = \"artefact\", mmhg = 40, seconds = 20 }}\n"
        ),
        7,
    );
    let told = &truth(&both)["episodes"];
    let of = |cause: &str| {
        told.as_array()
            .unwrap()
            .iter()
            .find(|e| e["cause"] == cause)
            .unwrap()
    };
    let alarm_s = of("tubing-blocked")["alarm"].as_f64().unwrap();
    assert!((7440.0..7463.0).contains(&alarm_s), "{told}");
    assert!(of("artefact")["alarm"].is_null(), "{told}");
}

#[test]
fn a_lowered_pump_reads_more_and_delivers_less_until_its_compliance_is_filled() {
    // 30 cm of water: 22.07 mmHg. The flow falls at once, and comes back with the time constant of the line.
    let lowered = two_with(
        "[vein]\nwander_mmhg = 0\n[[episode]]\nat_h = 2\ncause = { kind = \"height-change\", by_cm = -30 }",
    );
    let found = samples(&lowered);
    let rise = mean(&found["pn"], 8000.0, 9000.0) - mean(&found["pn"], 6000.0, 7000.0);
    assert!((rise - 22.07).abs() < 0.5, "{rise}");
    assert_eq!(truth(&lowered)["episodes"][0]["site"], "none");
}

#[test]
fn a_scenario_with_a_typo_is_an_error_that_names_the_line() {
    let error =
        Scenario::from_toml("duration_h = 1\n[[channel]]\nid = \"a\"\nrate = 3\n").unwrap_err();
    assert_eq!(error.place.unwrap().line, Some(4));
    assert!(
        error.what.contains("unknown field `rate`"),
        "{}",
        error.what
    );
}

#[test]
fn numbers_out_of_range_and_channels_that_are_not_there_are_errors() {
    for (more, key) in [
        ("[sampling]\nperiod_s = 0", "sampling.period_s"),
        ("[[act]]\nat_h = 9\ndo = \"pause\"", "act 1.at_h"),
        (
            "[[act]]\nat_h = 1\ndo = \"pause\"\nchannel = \"x\"",
            "act 1.channel",
        ),
        (
            "[[episode]]\nat_h = 1\ncause = { kind = \"supply-stopped\" }",
            "episode 1.channel",
        ),
        ("[[act]]\nat_h = 1\ndo = \"rate_change\"", "act 1.value"),
    ] {
        let text = format!("duration_h = 6\n[[channel]]\nid = \"a\"\nrate_ml_h = 3\n{more}");
        let error = Scenario::from_toml(&text).unwrap_err();
        assert!(error.what.contains(key), "{}", error.what);
    }
}
