//! `patency map`: a stranger's export is mapped and read with two commands, and what cannot be proved is asked.

use crate::program::{folder, patency};
use rstest::rstest;

/// An export in code page 1252 with a preamble, a footer, decimal commas, kPa, serial numbers and a name.
fn export() -> Vec<u8> {
    let mut text = String::from(
        "Protokoll Haus Weidenau\r\nPatient;Zyx Wvut\r\n\r\n\
         Datum;Uhrzeit;Pumpe Seriennr;Druck [kPa];Förderrate (µL/min);Schwester\r\n",
    );
    for minute in 0..300 {
        let (h, m) = (22 + minute / 60, minute % 60);
        let day = 4 + h / 24;
        for (serial, kpa, rate) in [("778812", "4,00", "70,0"), ("778813", "5,25", "13,5")] {
            let kpa = if minute == 7 { "---" } else { kpa };
            text += &format!(
                "{day:02}.03.2031;{:02}:{m:02}:00;{serial};{kpa};{rate};Zyx\r\n",
                h % 24
            );
        }
    }
    text += "Ende des Protokolls\r\n";
    text.chars()
        .map(|c| u8::try_from(u32::from(c)).unwrap())
        .collect()
}

const EVENTS: &[u8] = b"Zeitpunkt;Pumpe Seriennr;Ereignis\r\n2031-03-04 22:30:00;778813;Verschlussalarm\r\n2031-03-04 23:00:00;;Gebimmel\r\n";

#[test]
fn an_unknown_export_is_mapped_and_read_with_two_commands() {
    let dir = folder(&[("export.csv", &export()), ("events.csv", EVENTS)]);
    let mapped = patency(
        dir.path(),
        &[
            "map",
            "export.csv",
            "--events",
            "events.csv",
            "--set",
            "zone=Europe/Berlin",
            "--set",
            "events.unlisted=keep",
            "--out",
            "export.map.toml",
        ],
    );
    assert_eq!((mapped.status, mapped.stderr.as_str()), (0, ""));
    assert_eq!(
        mapped.stdout,
        "export.map.toml is written. Look it through, then give it as --map.\n"
    );
    insta::assert_snapshot!(std::fs::read_to_string(dir.path().join("export.map.toml")).unwrap());
    let read = patency(
        dir.path(),
        &[
            "inspect",
            "export.csv",
            "--events",
            "events.csv",
            "--map",
            "export.map.toml",
            "--json",
        ],
    );
    assert_eq!((read.status, read.stderr.as_str()), (0, ""));
    let json: serde_json::Value = serde_json::from_str(&read.stdout).unwrap();
    let infusion = &json["infusions"][0];
    assert_eq!(infusion["rows"], 601); // the footer is a row, and a rejected one
    assert_eq!(infusion["rows_rejected"], 1);
    assert_eq!(infusion["start"], "2031-03-04T22:00:00+01:00");
    assert_eq!(infusion["end"], "2031-03-05T02:59:00+01:00");
    let channel = &infusion["channels"][1];
    assert_eq!(
        (&channel["id"], &channel["samples"]),
        (&"channel-002".into(), &300.into())
    );
    // 5.25 kPa = 39.378 mmHg and 13.5 µL/min = 0.81 mL/h: NIST SP 811, 1 mmHg = 133.3224 Pa.
    assert!((channel["pressure_mmhg"]["low"].as_f64().unwrap() - 39.378_229).abs() < 1e-4);
    assert!((channel["rate_ml_h"]["low"].as_f64().unwrap() - 0.81).abs() < 1e-12);
    assert_eq!(channel["pressure_mmhg"]["given"], 299);
    assert_eq!(infusion["events"]["occlusion_alarm"], 1);
    assert_eq!(infusion["events"]["unknown"], 1);
    for said in [
        &read.stdout,
        &std::fs::read_to_string(dir.path().join("export.map.toml")).unwrap(),
    ] {
        assert!(!said.contains("Zyx") && !said.contains("77881"), "{said}");
    }
    let review = patency(
        dir.path(),
        &[
            "review",
            "export.csv",
            "--events",
            "events.csv",
            "--map",
            "export.map.toml",
        ],
    );
    assert_eq!((review.status, review.stderr.as_str()), (0, ""));
}

#[test]
fn what_the_file_cannot_prove_is_asked_and_an_unanswered_mapping_is_refused_with_the_question() {
    let trace = b"When,Pressure,Rate (mL/h)\n03/04/2031 08:00,30,4\n03/04/2031 08:01,1.234,4\n";
    let dir = folder(&[("t.csv", trace)]);
    let mapped = patency(dir.path(), &["map", "t.csv", "--out", "t.map.toml"]);
    assert_eq!(mapped.status, 3, "{}", mapped.stderr);
    let expected = "t.map.toml is written. 4 questions are to be answered in it:\n  \
        - trace.decimal: `1.234` may be one thousand and more, or one and a fraction: is the point the decimal sign \
        (`point`), or does it stand between thousands (`comma`)?\n  \
        - trace.date_order: in which order does the date `03/04/2031 08:00` (line 2) stand (dmy, mdy)? The rows fit each of them\n  \
        - trace.zone: which zone did the clock show? An IANA zone where it followed summer time (Europe/Berlin), else an \
        offset (+01:00)\n  \
        - trace.pressure_unit: no unit is written: which one is it (mm[Hg], Torr, Pa, hPa, kPa, mbar, bar, cm[H2O], \
        [psi], MPa, mm[H2O], [in_i'Hg])? Its cells run from 1.234 to 30\n";
    assert_eq!(mapped.stdout, expected);
    let refused = patency(dir.path(), &["inspect", "t.csv", "--map", "t.map.toml"]);
    assert_eq!(refused.status, 1);
    assert!(
        refused
            .stderr
            .starts_with("patency: t.map.toml:9: `decimal` is not answered yet: `1.234` may be"),
        "{}",
        refused.stderr
    );
    let answers = [
        "decimal=point",
        "date_order=dmy",
        "zone=+01:00",
        "pressure_unit=kPa",
    ];
    let mut args = vec!["map", "t.csv", "--out", "t.map.toml"];
    args.extend(answers.iter().flat_map(|a| ["--set", *a]));
    assert_eq!(patency(dir.path(), &args).status, 0);
    let read = patency(
        dir.path(),
        &["inspect", "t.csv", "--map", "t.map.toml", "--json"],
    );
    let json: serde_json::Value = serde_json::from_str(&read.stdout).unwrap();
    assert_eq!(json["infusions"][0]["start"], "2031-04-03T08:00:00+01:00");
    let low = json["infusions"][0]["channels"][0]["pressure_mmhg"]["low"]
        .as_f64()
        .unwrap();
    assert!((low - 1234.0 / 133.3224).abs() < 1e-5); // NIST SP 811
}

#[test]
fn a_share_of_the_limit_is_not_taken_for_a_pressure() {
    let dir = folder(&[("t.csv", b"time,Pressure (%),Rate (mL/h)\n0,30,4\n10,31,4\n")]);
    let mapped = patency(dir.path(), &["map", "t.csv"]);
    assert!(
        mapped
            .stdout
            .contains("has no fixed size in mmHg or mL/h and cannot be used"),
        "{}",
        mapped.stdout
    );
    let mapped = patency(
        dir.path(),
        &[
            "map",
            "t.csv",
            "--set",
            "pressure_unit=%",
            "--set",
            "time_unit=s",
            "--out",
            "m.toml",
        ],
    );
    assert_eq!(mapped.status, 0);
    let read = patency(dir.path(), &["inspect", "t.csv", "--map", "m.toml"]);
    assert_eq!(read.status, 1);
    assert!(
        read.stderr
            .contains("expected a unit with a fixed size, found `%`"),
        "{}",
        read.stderr
    );
}

#[test]
fn an_answer_for_a_key_that_is_none_names_the_nearest_one() {
    let dir = folder(&[("t.csv", b"time,Pressure,Rate\n0,30,4\n10,31,4\n")]);
    let run = patency(dir.path(), &["map", "t.csv", "--set", "zon=UTC"]);
    assert_eq!(run.status, 1);
    assert_eq!(
        run.stderr,
        "patency: there is no key `zon` in a mapping\nhint: did you mean `zone`?\n"
    );
    assert_eq!(
        patency(dir.path(), &["map", "t.csv", "--set", "zone"]).status,
        2
    );
}

const WORKBOOK: &[u8] = include_bytes!("data/tables/export.xlsx");
const CONTRACT_WORKBOOK: &[u8] = include_bytes!("data/tables/contract.xlsx");
const COLUMNS: &[u8] = include_bytes!("data/tables/columns.parquet");

#[test]
fn a_workbook_is_mapped_and_reviewed_with_the_two_commands_of_the_readme() {
    let dir = folder(&[("export.xlsx", WORKBOOK)]);
    let readme = include_str!("../../README.md");
    for command in [
        "map export.xlsx --set zone=Europe/Berlin --out export.map.toml",
        "review export.xlsx --map export.map.toml --out review",
    ] {
        assert!(
            readme.contains(&format!("    patency {command}\n")),
            "{command}"
        );
        let args: Vec<&str> = command.split(' ').collect();
        let run = patency(dir.path(), &args);
        assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    }
    let json = std::fs::read_to_string(dir.path().join("review/review.json")).unwrap();
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    let record = &json["record"];
    assert_eq!(
        (&record["rows"], &record["rows_rejected"]),
        (&49.into(), &1.into())
    );
    assert_eq!(record["start"], "2031-03-04T23:57:00+01:00");
    for page in [
        "review/report.html",
        "review/review.json",
        "export.map.toml",
    ] {
        let text = std::fs::read_to_string(dir.path().join(page)).unwrap();
        assert!(!text.contains("Zyx"), "{page} names somebody");
    }
}

#[test]
fn a_survey_takes_workbooks_and_tables_of_columns_too() {
    let dir = folder(&[("infusions.csv", b"infusion\na\nb\n")]);
    for (name, bytes) in [
        ("a/trace.xlsx", CONTRACT_WORKBOOK),
        ("b/trace.parquet", COLUMNS),
    ] {
        std::fs::create_dir_all(dir.path().join(name).parent().unwrap()).unwrap();
        std::fs::write(dir.path().join(name), bytes).unwrap();
    }
    let run = patency(dir.path(), &["survey", ".", "--json"]);
    assert_eq!(run.status, 0, "{}", run.stderr);
    let json: serde_json::Value = serde_json::from_str(&run.stdout).unwrap();
    assert_eq!(json["infusions"], 2);
    // 23 steps of 30.125 s, twice.
    let hours = json["hours"].as_f64().unwrap();
    assert!(
        (hours - 2.0 * 23.0 * 30.125 / 3600.0).abs() < 1e-12,
        "{hours}"
    );
}

/// Tables as another language's library wrote them (`scripts/tables/make.py`): 24 rows of two channels over midnight.
#[rstest]
#[case("export.xlsx", 49, "2031-03-04T23:57:00+01:00")] // its footer is a row
#[case("export-1904.xlsx", 49, "2031-03-04T23:57:00+01:00")]
#[case("old.xls", 48, "2031-03-04T23:57:00+01:00")]
#[case("open.ods", 48, "2031-03-04T23:57:00+01:00")]
#[case("local.parquet", 48, "2031-03-04T23:57:00+01:00")]
#[case("local.arrow", 48, "2031-03-04T23:57:00+01:00")]
fn a_stranger_s_table_of_each_kind_is_mapped_and_reviewed_with_two_commands(
    #[case] name: &str,
    #[case] rows: u64,
    #[case] start: &str,
) {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let bytes = std::fs::read(root.join("tests/it/data/tables").join(name)).unwrap();
    let dir = folder(&[(name, &bytes)]);
    let zone = "zone=Europe/Berlin";
    let mapped = patency(dir.path(), &["map", name, "--set", zone, "--out", "m.toml"]);
    assert_eq!((mapped.status, mapped.stderr.as_str()), (0, ""));
    assert_eq!(
        mapped.stdout,
        "m.toml is written. Look it through, then give it as --map.\n"
    );
    let review = patency(dir.path(), &["review", name, "--map", "m.toml", "--json"]);
    assert_eq!((review.status, review.stderr.as_str()), (0, ""));
    let json: serde_json::Value = serde_json::from_str(&review.stdout).unwrap();
    let record = &json["record"];
    assert_eq!(
        (&record["rows"], &record["rows_rejected"]),
        (&rows.into(), &(rows - 48).into())
    );
    assert_eq!(record["start"], start);
    // 23 steps of 30.125 s.
    assert_eq!(record["end"], "2031-03-05T00:08:32.875+01:00");
    assert_eq!(record["channels"].as_array().unwrap().len(), 2);
}

#[test]
fn every_command_that_reads_exports_takes_the_same_options() {
    let dir = folder(&[]);
    for command in [
        "review",
        "inspect",
        "export",
        "limits",
        "survey",
        "clamp-test",
    ] {
        let help = patency(dir.path(), &[command, "--help"]).stdout;
        for option in [
            "--map <FILE>",
            "--zone <ZONE>",
            "--channel <PUMP=CHANNEL>",
            "--keep-going",
        ] {
            assert!(help.contains(option), "{command} lacks {option}");
        }
    }
}

/// A text export of the night that the messages tell of: the clock leaps at 02:00.
fn night() -> Vec<u8> {
    let mut text = String::from("Zeit;Kanal;Druck [kPa];Rate (mL/h)\n");
    for step in 0..720 {
        let second = 5400 + 10 * step + if step < 180 { 0 } else { 3600 };
        let (h, m, s) = (second / 3600, second / 60 % 60, second % 60);
        let rate = if second < 3 * 3600 + 131 {
            "2,0"
        } else {
            "0,0"
        };
        text += &format!(
            "29.03.2026 {h:02}:{m:02}:{s:02};pn;{},25;{rate}\n",
            4 + step % 3
        );
    }
    text.into_bytes()
}

const MESSAGES: &str = concat!(
    include_str!("data/hl7/event.hl7"),
    include_str!("data/hl7/alarm.hl7")
);
const ALL_MESSAGES: &str = concat!(
    include_str!("data/hl7/observation.hl7"),
    include_str!("data/hl7/event.hl7"),
    include_str!("data/hl7/alarm.hl7")
);

#[test]
fn every_command_that_the_readme_shows_for_other_forms_runs_as_it_stands() {
    let columns = include_bytes!("data/tables/local.parquet");
    let dir = folder(&[
        ("export.csv", &night()),
        ("export.xlsx", WORKBOOK),
        ("export.parquet", columns),
        ("messages.hl7", ALL_MESSAGES.as_bytes()),
    ]);
    let readme = include_str!("../../README.md");
    let section = readme.split("## An export of another form").nth(1).unwrap();
    let section = section.split("\n## ").next().unwrap();
    let commands: Vec<&str> = section
        .lines()
        .filter_map(|l| l.strip_prefix("    patency "))
        .collect();
    assert_eq!(commands.len(), 8, "{commands:?}");
    // The last one's mapping is that of the first.
    let ordered = commands.iter().take(2).chain([&commands[0], &commands[7]]);
    let ordered = ordered.chain(commands.iter().skip(2).take(5));
    for command in ordered {
        let args: Vec<&str> = command.split(' ').collect();
        let run = patency(dir.path(), &args);
        assert_eq!((run.status, run.stderr.as_str()), (0, ""), "{command}");
    }
    let again = patency(dir.path(), &commands[0].split(' ').collect::<Vec<_>>());
    assert_eq!(again.status, 0);
    std::fs::write(dir.path().join("messages.hl7"), MESSAGES).unwrap();
    let args = "inspect export.csv --map export.map.toml --events messages.hl7 --channel pump-001=pn --json";
    let run = patency(dir.path(), &args.split(' ').collect::<Vec<_>>());
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    let json: serde_json::Value = serde_json::from_str(&run.stdout).unwrap();
    let infusion = &json["infusions"][0];
    assert_eq!(
        (&infusion["rows"], &infusion["rows_rejected"]),
        (&720.into(), &0.into())
    );
    assert_eq!(infusion["start"], "2026-03-29T01:30:00+01:00");
    // 7190 s later, on the other side of the hour that does not exist.
    assert_eq!(infusion["end"], "2026-03-29T04:29:50+02:00");
    assert_eq!(infusion["events"]["occlusion_alarm"], 1);
    assert_eq!(infusion["events"]["stop"], 1);
}
