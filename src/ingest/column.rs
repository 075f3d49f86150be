//! One numeric column of any table.
//!
//! In: bytes and the column's name. Out: its values, one for each row, NaN where the cell is empty: row numbers are kept.
//! Unlike the readers of the contract's files, nothing is left out: what is no number is an error.

use super::Source;
use super::numbers::{Figure, Numbers};
use super::table::Table;
use crate::error::{Error, Result};

/// Reads one numeric column. Empty cells are missing values (NaN) and keep their row; so does a blank line where the table
/// has only this column, since its empty cells are blank lines.
///
/// # Errors
/// A file that cannot be read or is no table, no such column, no row, a row of another width than the header, a cell that
/// is no finite number. What the cell holds is not shown: any column may be asked for.
///
/// ```
/// use patency::ingest::{Source, read_column};
/// let mut csv = "year,flow\n1871,1120\n1872,\n1873,963\n".as_bytes();
/// let values = read_column(Source { name: "nile.csv".as_ref(), reader: &mut csv }, "flow").unwrap();
/// assert_eq!((values.len(), values[2]), (3, 963.0));
/// assert!(values[1].is_nan());
/// ```
pub fn read_column(source: Source, column: &str) -> Result<Vec<f64>> {
    let name = source.name.to_path_buf();
    let mut table = Table::open(source, column)?;
    let place = table.require(&column.trim().to_ascii_lowercase())?;
    let alone = table.header.len() == 1;
    let numbers = Numbers::contract();
    let mut values = Vec::new();
    while let Some(row) = table.next_row()? {
        let at = |what: String| Error::in_file(&name, what).at_line(row.line);
        if alone {
            // The header is line 1, row 0 is line 2.
            let row_of_line = usize::try_from(row.line.saturating_sub(2)).unwrap_or(usize::MAX);
            let blank = row_of_line.saturating_sub(values.len());
            values.extend(std::iter::repeat_n(f64::NAN, blank));
        }
        row.check_width().map_err(|fault| {
            at(fault.reason.into_owned())
                .hint("a decimal comma tears a number in two; write `12.5`")
        })?;
        let cell = row.cell(place);
        let figure = row.figure(place, &numbers).map_err(|reason| {
            let comma = cell.contains(&b',');
            at(format!("expected a number, found {}", found(reason)))
                .in_column(column)
                .hint(if comma {
                    "write decimals with a point: `12.5`"
                } else {
                    "leave the cell empty where a value is missing"
                })
        })?;
        values.push(match figure {
            Figure::Is(value) => value,
            Figure::Empty | Figure::Missing => f64::NAN,
        });
    }
    if values.is_empty() {
        return Err(Error::in_file(&name, "there is a header but no row")
            .hint("export it again; at least one row is expected"));
    }
    Ok(values)
}

fn found(reason: &'static str) -> &'static str {
    match reason {
        "not a finite number" => "one that is not finite",
        _ => "something else",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn read(csv: &str, column: &str) -> std::result::Result<Vec<f64>, String> {
        let mut bytes = csv.as_bytes();
        let source = Source {
            name: "s.csv".as_ref(),
            reader: &mut bytes,
        };
        read_column(source, column).map_err(|e| e.to_string())
    }

    /// Missing values as -99, so that lists can be compared.
    fn shown(values: Vec<f64>) -> Vec<f64> {
        values
            .into_iter()
            .map(|v| if v.is_nan() { -99.0 } else { v })
            .collect()
    }

    #[rstest]
    #[case::among_others("t,y\n0,1.5\n1,\n2,-3e2\n", &[1.5, -99.0, -300.0])]
    #[case::alone("y\n1\n2\n", &[1.0, 2.0])]
    #[case::alone_with_blank_lines("y\n\n1\n\n\n2\n", &[-99.0, 1.0, -99.0, -99.0, 2.0])]
    #[case::alone_with_quoted_blanks("y\n1\n\"\"\n2\n", &[1.0, -99.0, 2.0])]
    #[case::windows_line_ends("y\r\n1\r\n\r\n2\r\n", &[1.0, -99.0, 2.0])]
    #[case::last_line_without_end("y\n1\n\n2", &[1.0, -99.0, 2.0])]
    #[case::byte_order_mark("\u{feff}y,z\n1,2\n", &[1.0])]
    #[case::byte_order_mark_alone("\u{feff}y\r\n1\r\n\r\n2", &[1.0, -99.0, 2.0])]
    #[case::other_case("T,Y\n0,1\n", &[1.0])]
    fn empty_cells_keep_their_row(#[case] csv: &str, #[case] expected: &[f64]) {
        assert_eq!(shown(read(csv, "y").unwrap()), expected);
    }

    #[rstest]
    #[case(
        "",
        "s.csv: the file is empty\nhint: export it again; a header line and rows are expected"
    )]
    #[case(
        "y\n",
        "s.csv: there is a header but no row\nhint: export it again; at least one row is expected"
    )]
    #[case(
        "a,b\n1,2\n",
        "s.csv:1: there is no column `y`\nhint: the header has `a`, `b`; rename `a`?"
    )]
    #[case(
        "y,z\n1,2\nSmith,3\n",
        "s.csv:3: column `y`: expected a number, found something else\nhint: leave the cell empty where a value is missing"
    )]
    #[case(
        "y,z\n\"1,5\",2\n",
        "s.csv:2: column `y`: expected a number, found something else\nhint: write decimals with a point: `12.5`"
    )]
    #[case(
        "y,z\ninf,2\n",
        "s.csv:2: column `y`: expected a number, found one that is not finite\nhint: leave the cell empty where a value is missing"
    )]
    #[case(
        "y,z\n1,2\n1\n",
        "s.csv:3: 1 cells where the header has 2\nhint: a decimal comma tears a number in two; write `12.5`"
    )]
    fn what_cannot_be_read_says_where_and_what_to_do(#[case] csv: &str, #[case] expected: &str) {
        assert_eq!(read(csv, "y").unwrap_err(), expected);
    }
}
