//! `patency expect`: from a line file to pressures, times to an alarm and release volumes.

use crate::program::{Run, folder, patency};
use serde_json::Value;

/// A 1 Fr catheter behind a filter and an extension: the example of the small catheter in the reference values. Vein 5 mmHg,
/// extension 1.0 mm × 1.5 m, filter 0.3, catheter 0.17 mm × 20 cm, water at 20 °C (Poiseuille).
const ONE_FRENCH: &str = "[access]\nkind = \"picc\"\ninner_diameter_mm = 0.17\nlength_cm = 20\n\
    resistance_mmhg_h_per_ml = 20.3603\n\
    [filter]\nposition = \"below-join\"\nresistance_mmhg_h_per_ml = 0.3\ncompliance_ul_per_mmhg = 0.25\n\
    [tail]\ncompliance_ul_per_mmhg = 0.2\n\
    [[channel]]\nid = \"pn\"\nfluid = \"pn-2in1\"\nresistance_mmhg_h_per_ml = 0.12754\ncompliance_ul_per_mmhg = 1.3\n";

fn expect(line: &str, more: &[&str]) -> Run {
    let dir = folder(&[("line.toml", line.as_bytes())]);
    patency(
        dir.path(),
        &[&["expect", "--line", "line.toml"], more].concat(),
    )
}

fn json(line: &str, more: &[&str]) -> Value {
    let run = expect(line, &[more, &["--json"]].concat());
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    serde_json::from_str(&run.stdout).unwrap()
}

fn near(found: &Value, expected: f64, within: f64) {
    let found = found.as_f64().unwrap();
    assert!(
        (found - expected).abs() <= within,
        "{found}, not {expected}"
    );
}

#[test]
fn a_small_catheter_takes_most_of_a_limit_with_nothing_blocked() {
    // 5 + (0.12754 + 0.3 + 20.3603) Q
    for (rate, mmhg) in [
        ("1", 25.788),
        ("2", 46.576),
        ("5", 108.939),
        ("10", 212.878),
    ] {
        let found = json(
            ONE_FRENCH,
            &["--rate", rate, "--outlet", "5", "--limit", "200"],
        );
        near(&found["channels"][0]["pressure_mmhg"]["value"], mmhg, 1e-3);
        let warned = found["warnings"].to_string();
        assert_eq!(
            warned.contains("alarms with nothing blocked"),
            rate == "10",
            "{warned}"
        );
    }
}

#[test]
fn a_syringe_alarms_after_its_published_time() {
    // Donmez et al., Paediatr Anaesth 2005;15:293–6: 117.3 ± 9.4 min at 0.5 mL/h, 15.0 ± 7.1 min at 5 mL/h. Compliance 2.1e-8
    // L/Pa: upper end of Snijder et al., 10.1515/bmt-2014-0148. The limit (not in the abstract) is what the first implies.
    let bench = "[access]\nresistance_mmhg_h_per_ml = 0.000001\n[filter]\nposition = \"none\"\n\
        [[channel]]\nid = \"pump\"\nresistance_mmhg_h_per_ml = 0.000001\ncompliance_ul_per_mmhg = 2.8\n";
    for (rate, minutes, spread) in [("0.5", 117.3, 9.4), ("5", 15.0, 7.1)] {
        let found = json(bench, &["--rate", rate, "--outlet", "0", "--limit", "349"]);
        near(
            &found["blocks"][0]["minutes_to_alarm"]["value"],
            minutes,
            spread,
        );
    }
}

#[test]
fn the_catheter_s_resistance_follows_from_its_size_where_none_was_measured() {
    // 0.17 mm × 20 cm, water at 37 °C: 14.0526 mmHg·h/mL (Poiseuille, IAPWS); the bore may be off by 0.019 mm
    let line = "[access]\ninner_diameter_mm = 0.17\nlength_cm = 20\n[filter]\nposition = \"none\"\n\
        [[channel]]\nid = \"pump\"\nfluid = \"crystalloid\"\nresistance_mmhg_h_per_ml = 0.000001\n";
    let found = json(
        line,
        &["--rate", "1", "--outlet", "0", "--temperature", "37"],
    );
    let pressure = &found["channels"][0]["pressure_mmhg"];
    let (low, high) = (
        pressure["low"].as_f64().unwrap(),
        pressure["high"].as_f64().unwrap(),
    );
    assert!(low < 14.0526 && 14.0526 < high, "{pressure}");
    assert!(
        found["taken_for_granted"]
            .to_string()
            .contains("follows from its size")
    );
}

#[test]
fn the_text_names_warnings_first_and_keeps_to_eighty_columns() {
    let args = [
        "--rate",
        "pn=10",
        "--limit",
        "200",
        "--outlet",
        "5",
        "--lowered",
        "50",
    ];
    let run = expect(ONE_FRENCH, &args);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    assert!(run.stdout.lines().all(|l| l.chars().count() <= 80));
    insta::assert_snapshot!(run.stdout);
}

#[test]
fn what_cannot_be_worked_out_is_said_with_what_to_do() {
    let cases = [
        (vec!["--rate", "lipid=1"], "no channel `lipid`"),
        (vec!["--rate", "pn=fast"], "expected mL/h, found `fast`"),
        (vec!["--rate", "1", "--rate", "pn=2"], "has two rates"),
        (vec!["--rate", "1", "--limit", "0"], "--limit"),
        (vec!["--rate", "1", "--temperature", "300"], "0 to 100 °C"),
        (vec!["--rate", "1e308"], "leave the range of numbers"),
    ];
    for (args, says) in cases {
        let run = expect(ONE_FRENCH, &args);
        assert_eq!((run.status, run.stdout.as_str()), (1, ""), "{args:?}");
        assert!(run.stderr.contains(says), "{args:?}: {}", run.stderr);
        assert!(run.stderr.contains("hint:"), "{}", run.stderr);
    }
    let typo = expect(
        &ONE_FRENCH.replace("length_cm", "lenght_cm"),
        &["--rate", "1"],
    );
    assert_eq!(typo.status, 1);
    assert!(typo.stderr.contains("line.toml:4"), "{}", typo.stderr);
}
