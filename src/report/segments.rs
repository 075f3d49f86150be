//! Segments of one column, as the contract's JSON and as text for a terminal.
//!
//! In: [`Segments`] and the number of rows. Out: [`segments_json`], [`segments_text`].

use crate::signal::{Segment, Segments};
use serde::Serialize;
use std::fmt::Write;

#[derive(Serialize)]
struct WireSegments<'a> {
    n: usize,
    change_points: &'a [usize],
    segments: Vec<WireSegment>,
}

#[derive(Serialize)]
struct WireSegment {
    start: usize,
    end: usize,
    level: f64,
    slope: f64,
    spread: f64,
}

/// The contract's object: `n` rows, the rows at which a new segment starts, and what each segment is like (its rows
/// `start..end`, mean, rise for each row, standard deviation). Indented, a newline at the end.
pub fn segments_json(rows: usize, found: &Segments) -> String {
    let wire = WireSegments {
        n: rows,
        change_points: &found.change_points,
        segments: found
            .segments
            .iter()
            .map(|s| WireSegment {
                start: s.start,
                end: s.end,
                level: s.level,
                slope: s.slope,
                spread: s.spread,
            })
            .collect(),
    };
    // Numbers and lists cannot fail to be written.
    serde_json::to_string_pretty(&wire).map_or_else(|_| String::new(), |text| text + "\n")
}

/// What was found, for people: how many changes, then one line for each segment.
pub fn segments_text(column: &str, rows: usize, found: &Segments) -> String {
    let changes = match found.change_points.len() {
        0 => "no change".to_string(),
        1 => "1 change".to_string(),
        n => format!("{n} changes"),
    };
    let mut text = format!("{column}: {changes} in {rows} rows\n");
    if found.segments.is_empty() {
        return text + "no value in this column\n";
    }
    text.push_str("\nfirst row  last row        level   rise per row       spread\n");
    for s in &found.segments {
        // Writing to a string cannot fail.
        let _ = writeln!(text, "{}", row(s));
    }
    text.push_str("\nrows are counted from 0, the header not among them\n");
    text
}

fn row(s: &Segment) -> String {
    let slope = if s.slope == 0.0 {
        "-".to_string()
    } else {
        digits(s.slope)
    };
    format!(
        "{:>9} {:>9} {:>12} {:>14} {:>12}",
        s.start,
        s.end.saturating_sub(1),
        digits(s.level),
        slope,
        digits(s.spread)
    )
}

/// Four significant digits, in powers of ten only where plain digits would be long.
fn digits(value: f64) -> String {
    let size = value.abs();
    if size != 0.0 && !(1e-3..1e6).contains(&size) {
        return format!("{value:.3e}");
    }
    let before = if size < 1.0 { 0 } else { size.log10() as usize };
    format!("{value:.*}", 3_usize.saturating_sub(before))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::segments;

    #[test]
    fn text_and_json_say_where_the_level_changes() {
        let mut values = [20.0, 21.0, 19.0, 20.0].repeat(15);
        values.extend([1235.0, 1236.0, 1234.0, 1235.0].repeat(10));
        let found = segments(&values);
        let text = segments_text("pressure_mmhg", values.len(), &found);
        assert_eq!(
            text,
            "pressure_mmhg: 1 change in 100 rows\n\
             \n\
             first row  last row        level   rise per row       spread\n\
             \x20       0        59        20.00              -        0.713\n\
             \x20      60        99         1235              -        0.716\n\
             \n\
             rows are counted from 0, the header not among them\n"
        );
        let json: serde_json::Value =
            serde_json::from_str(&segments_json(values.len(), &found)).unwrap();
        assert_eq!(json["n"], 100);
        assert_eq!(json["change_points"], serde_json::json!([60]));
        assert_eq!(json["segments"][1]["start"], 60);
    }

    #[test]
    fn a_column_without_values_says_so() {
        let text = segments_text("y", 3, &segments(&[f64::NAN; 3]));
        assert_eq!(text, "y: no change in 3 rows\nno value in this column\n");
    }
}
