//! HL7 v2 messages through the program: what is understood of them, and that a night told in messages is reviewed as the same
//! night told in tables.

use crate::program::{Run, folder, patency};
use serde_json::Value;
use std::path::Path;

const NIGHT: &str = concat!(
    include_str!("data/hl7/observation.hl7"),
    include_str!("data/hl7/event.hl7"),
    include_str!("data/hl7/alarm.hl7")
);

fn ran(run: Run) -> String {
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    run.stdout
}

#[test]
fn all_that_was_understood_of_messages_is_said_in_eighty_columns() {
    let dir = folder(&[("night.hl7", NIGHT.as_bytes())]);
    let said = ran(patency(
        dir.path(),
        &["inspect", "night.hl7", "--channel", "pump-001=pn"],
    ));
    assert!(said.lines().all(|l| l.chars().count() <= 80));
    insta::assert_snapshot!(said);
}

#[test]
fn a_mapping_is_not_needed_for_messages_and_that_is_said() {
    let dir = folder(&[("night.hl7", NIGHT.as_bytes())]);
    let run = patency(dir.path(), &["map", "night.hl7"]);
    assert_eq!(run.status, 1);
    assert_eq!(
        run.stderr,
        "patency: night.hl7: expected a table, found HL7 v2 messages\n\
         hint: messages need no mapping: give the file to `patency inspect` or `patency review` as it is\n"
    );
}

/// A time of the contract as one of messages.
fn dtm(time: &str) -> String {
    time.chars().filter(|c| !"-:T".contains(*c)).collect()
}

fn header(kind: &str, number: usize, time: &str) -> String {
    format!(
        "MSH|^~\\&|SIMGATEWAY|SIMHOSP|||{}||ORU^{kind}|M{number}|P|2.6\r",
        dtm(time)
    )
}

const PARTS: &str = "OBX|1||70053^MDC_DEV_PUMP_INFUS_SYRINGE_MDS^MDC|1.0.0.0|||||||X|||||||{pump}\r\
                     OBX|2||70054^MDC_DEV_PUMP_INFUS_SYRINGE_VMD^MDC|1.1.0.0|||||||X\r\
                     OBX|3||70067^MDC_DEV_PUMP_DELIVERY_INFO^MDC|1.1.1.0|||||||X\r";

/// Each row of a trace as a message of observations.
fn observations(trace: &str) -> String {
    let rows = trace.lines().skip(1).enumerate();
    rows.map(|(n, row)| {
        let cells: Vec<&str> = row.split(',').collect();
        let [time, pump, pressure, rate, volume, limit] = cells.as_slice() else {
            panic!("{row}")
        };
        let order = format!("OBR|1||||||{}\r", dtm(time));
        header("R01", n, time)
            + &order
            + &PARTS.replace("{pump}", pump)
            + &format!("OBX|4|NM|158014^MDC_FLOW_FLUID_PUMP_CURRENT^MDC|1.1.1.1|{rate}|265266^MDC_DIM_MILLI_L_PER_HR^MDC|||||R\r")
            + &format!("OBX|5|NM|157836^MDC_PRESS_FLUID_MEAS^MDC|1.1.1.2|{pressure}|266016^MDC_DIM_MMHG^MDC|0-{limit}||||R\r")
            + &format!("OBX|6|NM|157993^MDC_VOL_FLUID_DELIV_TOTAL^MDC|1.1.1.3|{volume}|263762^MDC_DIM_MILLI_L^MDC|||||R\r")
    })
    .collect()
}

/// The alarms of an events file, and the stops and starts that go with them, as messages.
fn alarms_and_events(events: &str) -> String {
    let mut text = String::new();
    for (n, row) in events.lines().skip(1).enumerate() {
        let cells: Vec<&str> = row.split(',').collect();
        let (time, pump, word) = (cells[0], cells[1], cells[2]);
        let alarm = |phase: &str| {
            header("R40", 90_000 + n, time)
                + &format!(
                    "OBR|1||U{n}|196616^MDC_EVT_ALARM^MDC|||{}{}^A-{pump}\r",
                    dtm(time),
                    "|".repeat(22)
                )
                + &format!(
                    "OBX|1|CWE|196616^MDC_EVT_ALARM^MDC|1.1.1.0.1|196940^MDC_EVT_FLUID_LINE_OCCL^MDC||||||F|||{}||||{pump}\r",
                    dtm(time)
                )
                + &format!("OBX|2|ST|68481^MDC_ATTR_EVENT_PHASE^MDC|1.1.1.0.3|{phase}||||||F\r")
        };
        let delivery = |what: &str, status: &str| {
            header("R42", 95_000 + n, time)
                + &format!("OBR|1||||||{}\r", dtm(time))
                + &PARTS.replace("{pump}", pump)
                + &format!("OBX|4|CWE|68487^MDC_ATTR_EVT_COND^MDC|1.0.0.1|{what}^MDC||||||R\r")
                + &format!(
                    "OBX|5|CWE|158005^MDC_DEV_PUMP_CURRENT_DELIVERY_STATUS^MDC|1.1.1.1|^pump-delivery-status-{status}||||||R\r"
                )
        };
        text += &match word {
            "occlusion_alarm" => {
                alarm("start") + &delivery("197290^MDC_EVT_PUMP_DELIV_STOP", "not-delivering")
            }
            "alarm_cleared" => alarm("end"),
            "resume" => delivery("197288^MDC_EVT_PUMP_DELIV_START", "delivering"),
            _ => continue,
        };
    }
    text
}

fn sample(file: &str) -> String {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-traces/clamp-below-filter");
    std::fs::read_to_string(dir.join(file)).unwrap()
}

fn review(files: &[(&str, &[u8])], more: &[&str]) -> Value {
    let dir = folder(files);
    let args = [&["review", "--json", "--line", "line.toml"], more].concat();
    serde_json::from_str(&ran(patency(dir.path(), &args))).unwrap()
}

#[test]
fn a_night_told_in_messages_is_reviewed_as_the_same_night_told_in_a_table() {
    let (trace, line) = (sample("trace.csv"), sample("line.toml"));
    let messages = observations(&trace);
    let files = [
        ("t.csv", trace.as_bytes()),
        ("t.hl7", messages.as_bytes()),
        ("line.toml", line.as_bytes()),
    ];
    let table = review(&files, &["t.csv"]);
    let names = ["--channel", "pump-001=pn", "--channel", "pump-002=lipid"];
    let told = review(&files, &[&["t.hl7"], &names[..]].concat());
    for part in ["channels", "pauses", "episodes"] {
        assert_eq!(told[part], table[part], "{part}");
    }
    assert_eq!(told["episodes"].as_array().unwrap().len(), 1);
    for key in [
        "channels",
        "start",
        "end",
        "rows",
        "rows_rejected",
        "period_s",
        "gaps",
    ] {
        assert_eq!(told["record"][key], table["record"][key], "{key}");
    }
    assert_eq!(told["record"]["rows"], 2162);
}

#[test]
fn alarms_and_stops_in_messages_join_a_table_as_those_in_an_events_file_do() {
    let (trace, line, events) = (
        sample("trace.csv"),
        sample("line.toml"),
        sample("events.csv"),
    );
    let as_messages = alarms_and_events(&events);
    // What messages cannot tell is left out of the table too; what they tell besides, put in.
    let mut as_table: String = events
        .lines()
        .filter(|l| !l.contains("clamp_opened"))
        .map(|l| format!("{l}\n"))
        .collect();
    for pump in ["pn", "lipid"] {
        as_table += &format!("2031-03-10T12:53:48+01:00,{pump},stop,\n");
    }
    let files = [
        ("t.csv", trace.as_bytes()),
        ("e.csv", as_table.as_bytes()),
        ("e.hl7", as_messages.as_bytes()),
        ("line.toml", line.as_bytes()),
    ];
    let table = review(&files, &["t.csv", "--events", "e.csv"]);
    let told = review(&files, &["t.csv", "--events", "e.hl7"]);
    assert_eq!(told["pauses"], table["pauses"]);
    assert_eq!(told["pauses"][0]["cause"], "alarm");
    assert_eq!(told["episodes"], table["episodes"]);
    assert_eq!(told["episodes"][0]["alarm"], "2031-03-10T12:53:48+01:00");
    // Both files together, and one of them twice, tell nothing else.
    let both = review(
        &files,
        &["t.csv", "t.csv", "--events", "e.hl7", "--events", "e.hl7"],
    );
    assert_eq!(both["episodes"], table["episodes"]);
    assert_eq!(both["pauses"], table["pauses"]);
}
