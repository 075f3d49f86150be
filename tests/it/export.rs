//! `patency export`: what is written reads back as the same record, what identifies somebody goes, and every column is
//! described.

use crate::program::{folder, patency};
use patency::ingest::{Settings, Source, read_records};
use patency::record::{Channel, Record};
use patency::report::export::export;
use rstest::rstest;

/// Two infusions over the end of summer time, to the microsecond, with gaps, repeats of no value and awkward figures.
const TRACE: &str = "infusion,time,channel,pressure_mmhg,rate_ml_h,volume_ml,limit_mmhg\n\
    a,2031-10-26T02:59:50.000001+02:00,pn,0.30000000000000004,4.1,,450\n\
    a,2031-10-26T02:00:00.25+01:00,pn,,4.1,1e-9,450\n\
    a,2031-10-26T03:00:00+01:00,pn,-12.5,0,0.1,450\n\
    a,2031-10-26T02:59:50.000001+02:00,\"lipid, 20 %\",31,0.8,,\n\
    a,2031-10-26T03:30:00+01:00,\"lipid, 20 %\",33.3,0.8,,\n\
    b,2031-10-27T00:00:00Z,pn,1e3,1,2,3\n\
    b,2031-10-27T00:00:10Z,pn,31,1,2,3\n";
const EVENTS: &str = "infusion,time,channel,event,detail\n\
    a,2031-10-26T02:59:55+02:00,pn,rate_change,4.1\n\
    a,2031-10-26T03:00:00+01:00,,filter_change,\"with \"\"care\"\"\"\n\
    b,2031-10-27T00:00:05Z,pn,odd word,\n";
const LINE: &str = "[access]\nkind = \"picc\"\ninner_diameter_mm = 0.3\nlength_cm = 20\nresistance_mmhg_h_per_ml = 2.1\n\
    [filter]\npore_um = 1.2\nposition = \"above-join\"\nchannel = \"pn\"\nplaced = \"2031-10-25T08:00:00.5+02:00\"\n\
    resistance_mmhg_h_per_ml = 0.15\ncompliance_ul_per_mmhg = 0.25\n[tail]\ncompliance_ul_per_mmhg = 0.2\n\
    [[channel]]\nid = \"pn\"\nfluid = \"pn-3in1\"\ncompliance_ul_per_mmhg = 1.3\nresistance_mmhg_h_per_ml = 0.05\n";

fn read(trace: &[u8], events: Option<&[u8]>, line: Option<&[u8]>) -> Vec<Record> {
    let (mut trace, mut events, mut line) = (trace, events, line);
    fn source<'a>(name: &'static str, reader: &'a mut &[u8]) -> Source<'a> {
        Source {
            name: name.as_ref(),
            reader,
        }
    }
    let read = read_records(
        source("trace", &mut trace),
        events.as_mut().map(|b| source("events", b)),
        line.as_mut().map(|b| source("line", b)),
        &Settings::default(),
    );
    read.unwrap_or_else(|e| panic!("{e}"))
}

/// Times and figures by their bits, so that NaN equals NaN and nothing else does.
fn bits(channels: &[Channel]) -> Vec<(String, Vec<Vec<u64>>)> {
    let column = |values: &Vec<f64>| {
        let one_nan = |v: &f64| if v.is_nan() { f64::NAN } else { *v };
        values.iter().map(|v| one_nan(v).to_bits()).collect()
    };
    let channel = |c: &Channel| {
        let s = &c.samples;
        let columns = [
            &s.t_s,
            &s.pressure_mmhg,
            &s.rate_ml_h,
            &s.volume_ml,
            &s.limit_mmhg,
        ];
        (c.id.clone(), columns.map(column).to_vec())
    };
    channels.iter().map(channel).collect()
}

#[rstest]
#[case("trace.csv", "events.csv")]
#[case("trace.parquet", "events.parquet")]
#[case("trace.arrow", "events.csv")]
fn what_is_written_reads_back_as_the_same_record(#[case] trace: &str, #[case] events: &str) {
    let whole = read(TRACE.as_bytes(), Some(EVENTS.as_bytes()), None);
    let with_line = TRACE
        .replace("b,", "c,")
        .replace("2031-10-27", "2031-10-26");
    for (records, line) in [
        (whole, None),
        (
            read(with_line.as_bytes(), None, Some(LINE.as_bytes())),
            Some("line.toml"),
        ),
    ] {
        let files = export(&records, None).unwrap();
        let file = |name: &str| {
            files
                .iter()
                .find(|(n, _)| *n == name)
                .map(|(_, b)| b.as_slice())
        };
        let again = read(file(trace).unwrap(), file(events), line.and_then(file));
        assert_eq!(records.len(), again.len());
        for (a, b) in records.iter().zip(&again) {
            assert_eq!(a.infusion, b.infusion);
            assert_eq!(a.clock, b.clock);
            assert_eq!(bits(&a.channels), bits(&b.channels));
            assert_eq!(a.events, b.events);
            assert_eq!(a.line, b.line);
            assert_eq!(b.intake.rows_rejected, 0);
        }
    }
}

#[test]
fn seconds_from_the_start_read_back_as_the_same_seconds() {
    let text = "time,channel,pressure_mmhg,rate_ml_h\n-0.1,pn,31,4\n0.1,pn,32,4\n1e6,pn,33,4\n";
    let records = read(text.as_bytes(), None, None);
    for name in ["trace.csv", "trace.parquet", "trace.arrow"] {
        let files = export(&records, None).unwrap();
        let bytes = &files.iter().find(|(n, _)| *n == name).unwrap().1;
        let again = read(bytes, None, None);
        assert_eq!(bits(&records[0].channels), bits(&again[0].channels));
    }
}

#[test]
fn every_column_of_every_csv_is_described_beside_it() {
    let scenario = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/sample-traces/filter-loads/scenario.toml"
    );
    let dir = folder(&[("t.csv", TRACE.as_bytes()), ("e.csv", EVENTS.as_bytes())]);
    let exported = patency(
        dir.path(),
        &["export", "t.csv", "--events", "e.csv", "--out", "export"],
    );
    assert_eq!((exported.status, exported.stderr.as_str()), (0, ""));
    let made = patency(dir.path(), &["simulate", scenario, "--out", "made"]);
    assert_eq!((made.status, made.stderr.as_str()), (0, ""));
    for folder in ["export", "made"] {
        let folder = dir.path().join(folder);
        let text = std::fs::read_to_string(folder.join("datapackage.json")).unwrap();
        let package: serde_json::Value = serde_json::from_str(&text).unwrap();
        let resources = package["resources"].as_array().unwrap();
        assert_eq!(resources.len(), 2);
        for resource in resources {
            let csv =
                std::fs::read_to_string(folder.join(resource["path"].as_str().unwrap())).unwrap();
            let fields = resource["schema"]["fields"].as_array().unwrap();
            let names: Vec<&str> = fields.iter().map(|f| f["name"].as_str().unwrap()).collect();
            assert_eq!(csv.lines().next().unwrap(), names.join(","));
            for field in fields {
                assert!(
                    !field["description"].as_str().unwrap().is_empty(),
                    "{field}"
                );
            }
        }
        let field = |name: &str| {
            let fields = resources[0]["schema"]["fields"].as_array().unwrap();
            fields.iter().find(|f| f["name"] == name).unwrap().clone()
        };
        assert_eq!(field("pressure_mmhg")["unit"], "mm[Hg]");
        assert_eq!(field("time")["type"], "datetime");
        assert!(package["deidentification"].is_null());
    }
}

const WORKBOOK: &[u8] = include_bytes!("data/tables/export.xlsx");
const WARD: &str = "Zeitpunkt;Pumpe Seriennr;Ereignis;Bemerkung\n04.03.2031 23:58:00;77881299;note;mother of Zyx Wvut called 0551778812\n";

#[test]
fn an_export_without_identities_has_none_that_a_scan_finds() {
    let dir = folder(&[("ward.xlsx", WORKBOOK), ("ward.csv", WARD.as_bytes())]);
    let run = |args: &[&str]| {
        let run = patency(dir.path(), args);
        // Status 3: something was found that was looked for.
        let expected = i32::from(args.contains(&"--privacy") && args.contains(&"open")) * 3;
        assert_eq!(
            (run.status, run.stderr.as_str()),
            (expected, ""),
            "{args:?}"
        );
        run.stdout
    };
    let zone = [
        "--set",
        "zone=Europe/Berlin",
        "--set",
        "events.detail=Bemerkung",
        "--set",
        "events.date_order=dmy",
    ];
    run(&[
        &[
            "map",
            "ward.xlsx",
            "--events",
            "ward.csv",
            "--out",
            "ward.map.toml",
        ],
        &zone[..],
    ]
    .concat());
    let common = [
        "export",
        "ward.xlsx",
        "--events",
        "ward.csv",
        "--map",
        "ward.map.toml",
    ];
    run(&[&common[..], &["--out", "open"]].concat());
    let said = run(&[&common[..], &["--deidentify", "--out", "closed"]].concat());
    assert!(said.contains("running ids in random order"), "{said}");

    let scan = |folder: &str| -> serde_json::Value {
        serde_json::from_str(&run(&["inspect", "--privacy", folder, "--json"])).unwrap()
    };
    // 48 rows bear their date in the CSV of the trace, in its Parquet and Arrow, and an event in both tables of events, whose
    // remark has a telephone number. The pump's serial number was dropped on reading.
    let counts = serde_json::json!({"date": 3 * 48 + 2, "long_number": 2});
    let open = scan("open");
    assert_eq!((&open["files"], &open["counts"]), (&6.into(), &counts));
    assert_eq!(open["found"][1]["column"], "detail", "{open}");
    let closed = scan("closed");
    assert_eq!(closed["counts"], serde_json::json!({}));
    assert_eq!(closed["files"], 6);
    let text = run(&["inspect", "--privacy", "closed"]);
    assert!(
        text.starts_with("6 files were looked through: nothing was found"),
        "{text}"
    );

    let trace = std::fs::read_to_string(dir.path().join("closed/trace.csv")).unwrap();
    assert!(
        trace.lines().nth(1).unwrap().starts_with("0,channel-00"),
        "{trace}"
    );
    let events = std::fs::read_to_string(dir.path().join("closed/events.csv")).unwrap();
    assert_eq!(events, "time,channel,event,detail\n60,channel-000,note,\n");
    let package = std::fs::read_to_string(dir.path().join("closed/datapackage.json")).unwrap();
    let package: serde_json::Value = serde_json::from_str(&package).unwrap();
    let stamp = &package["deidentification"];
    assert_eq!(stamp["years"], serde_json::json!(["2031"]));
    assert_eq!(stamp["event_texts_dropped"], 1);
    assert_eq!(stamp["columns_dropped_or_replaced"][0], "Patient");
    // What was given away can be reviewed.
    let review = run(&[
        "review",
        "closed/trace.csv",
        "--events",
        "closed/events.csv",
        "--json",
    ]);
    for word in ["2031", "Zyx", "7788", "rack"] {
        assert!(!review.contains(word), "{word} is in its review");
    }
    let review: serde_json::Value = serde_json::from_str(&review).unwrap();
    assert_eq!(review["record"]["rows"], 48);
    assert_eq!(review["record"]["end"], 23.0 * 30.125);
}

#[test]
fn pseudonyms_and_shifted_dates_want_a_key_and_are_stamped_as_such() {
    let dir = folder(&[
        ("t.csv", TRACE.as_bytes()),
        ("short.key", b"short"),
        ("my.key", &[9; 32]),
    ]);
    let export = |args: &[&str]| {
        let common = ["export", "t.csv", "--out", "out", "--deidentify"];
        patency(dir.path(), &[&common[..], args].concat())
    };
    assert_eq!(export(&["--shift-dates"]).status, 2);
    let short = export(&["--shift-dates", "--key-file", "short.key"]);
    assert_eq!(short.status, 1);
    assert!(
        short
            .stderr
            .contains("short.key: expected a key of at least 32 bytes, found 5"),
        "{}",
        short.stderr
    );
    let run = || {
        let run = export(&["--shift-dates", "--pseudonyms", "--key-file", "my.key"]);
        assert_eq!((run.status, run.stderr.as_str()), (0, ""));
        std::fs::read_to_string(dir.path().join("out/trace.csv")).unwrap()
    };
    let first = run();
    assert_eq!(first, run()); // the same key, the same names
    let again = read(first.as_bytes(), None, None);
    assert_eq!(again.len(), 2);
    let plain = read(TRACE.as_bytes(), None, None);
    let lengths = |records: &[Record]| {
        let mut lengths: Vec<u64> = records.iter().map(|r| r.end_s().to_bits()).collect();
        lengths.sort();
        lengths
    };
    assert_eq!(lengths(&again), lengths(&plain));
    assert!(
        !first.contains("2031-10-2") && first.contains("+02:00"),
        "{first}"
    );
    let package = std::fs::read_to_string(dir.path().join("out/datapackage.json")).unwrap();
    assert!(package.contains("pseudonymised, not safe harbour"));
    let copied = std::fs::read(dir.path().join("out/datapackage.json")).unwrap();
    assert!(
        !copied.windows(8).any(|w| w == [9; 8]),
        "the key must not be copied"
    );
}
