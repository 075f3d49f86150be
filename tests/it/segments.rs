//! `patency segments` from outside.

use crate::program::{Run, folder, patency};
use rstest::rstest;
use std::path::Path;

fn segments(csv: &[u8], column: &str) -> Run {
    let dir = folder(&[("s.csv", csv)]);
    patency(
        dir.path(),
        &["segments", "s.csv", "--column", column, "--json"],
    )
}

fn change_points(csv: &[u8], column: &str) -> (u64, Vec<u64>) {
    let run = segments(csv, column);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    let json: serde_json::Value = serde_json::from_str(&run.stdout).unwrap();
    let points = json["change_points"].as_array().unwrap();
    (
        json["n"].as_u64().unwrap(),
        points.iter().map(|p| p.as_u64().unwrap()).collect(),
    )
}

fn nile() -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it/data/segments/nile.csv");
    std::fs::read(path).unwrap()
}

#[test]
fn the_nile_changes_between_1898_and_1899() {
    // G. W. Cobb, Biometrika 65 (1978) 243–251: the flow fell after 1898; 1871 is row 0.
    let (n, points) = change_points(&nile(), "flow_1e8_m3");
    assert_eq!((n, points), (100, vec![1899 - 1871]));
}

#[test]
fn the_nile_reads_well_on_a_terminal() {
    let dir = folder(&[("nile.csv", &nile())]);
    let run = patency(
        dir.path(),
        &["segments", "nile.csv", "--column", "flow_1e8_m3"],
    );
    insta::assert_snapshot!(run.stdout, @r"
    flow_1e8_m3: 1 change in 100 rows

    first row  last row        level   rise per row       spread
            0        27         1098              -        135.0
           28        99        850.0              -        124.8

    rows are counted from 0, the header not among them
    ");
    assert_eq!(run.status, 0);
}

#[test]
fn empty_cells_are_missing_and_keep_their_row() {
    let mut csv = String::from("t,y\n");
    for row in 0..200 {
        let y = if row < 90 { 10 } else { 40 } + row * 7 % 3;
        let cell = if row % 9 == 0 || row == 89 {
            String::new()
        } else {
            y.to_string()
        };
        csv += &format!("{row},{cell}\n");
    }
    // Row 90 itself is missing (90 = 9 · 10), so that the new level is first seen in row 91.
    assert_eq!(change_points(csv.as_bytes(), "y"), (200, vec![91]));
}

#[rstest]
#[case::no_such_column(
    b"t,y\n0,1\n",
    "z",
    "patency: s.csv:1: there is no column `z`\nhint: the header has `t`, `y`; rename `t`?\n"
)]
#[case::text_in_the_column(
    b"t,y\n0,1\n1,high\n",
    "y",
    "patency: s.csv:3: column `y`: expected a number, found something else\nhint: leave the cell empty where a value is missing\n"
)]
#[case::empty_file(
    b"",
    "y",
    "patency: s.csv: the file is empty\nhint: export it again; a header line and rows are expected\n"
)]
fn what_cannot_be_split_says_why(#[case] csv: &[u8], #[case] column: &str, #[case] message: &str) {
    let run = segments(csv, column);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""));
    assert_eq!(run.stderr, message);
}

#[test]
fn a_column_must_be_named() {
    let dir = folder(&[("s.csv", b"y\n1\n")]);
    assert_eq!(patency(dir.path(), &["segments", "s.csv"]).status, 2);
}
