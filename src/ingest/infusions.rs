//! The list of a survey: `infusions.csv`, one row per infusion with whatever is known of it.
//!
//! In: its bytes. Out: [`Infusions`]. A row that cannot be used names its infusion as faulty; it never stops the reading.

use super::names::identifies_a_person;
use super::table::Table;
use super::{Source, cell};
use crate::error::{Error, Result};
use crate::record::Notice;

/// The header that names a line file.
const LINE: &str = "line";

/// What the list says.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Infusions {
    /// Headers of the further columns as written, in the file's order; columns that may identify a person are left out.
    pub columns: Vec<String>,
    /// Usable rows, in the file's order; names differ.
    pub rows: Vec<InfusionRow>,
    /// `(infusion, why it cannot be used)`.
    pub faulty: Vec<(String, String)>,
    /// What a reader must know about the file.
    pub notices: Vec<Notice>,
}

/// One infusion.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InfusionRow {
    /// Its name.
    pub infusion: String,
    /// Line in the file, from 1, header included.
    pub line: u64,
    /// The further cells, in the order of [`Infusions::columns`]; trimmed, empty = not given.
    pub cells: Vec<String>,
    /// The path of its line file, as written.
    pub line_file: Option<String>,
}

/// Reads the list. The same row twice counts once; two rows that differ make their infusion faulty.
///
/// # Errors
/// No table, no column `infusion`, no row.
pub fn read_infusions(source: Source) -> Result<Infusions> {
    let mut table = Table::open(source, "infusions")?;
    let key = table.require("infusion")?;
    let further = |(i, header): (usize, &String)| {
        let kept = i != key && !header.is_empty() && !identifies_a_person(header);
        kept.then(|| (i, header.clone()))
    };
    let headers = table.header_as_written.clone();
    let columns: Vec<(usize, String)> = headers.iter().enumerate().filter_map(further).collect();
    let dropped: Vec<String> = headers
        .iter()
        .filter(|h| identifies_a_person(h))
        .cloned()
        .collect();
    let mut read = Infusions {
        columns: columns.iter().map(|c| c.1.clone()).collect(),
        ..Infusions::default()
    };
    if !dropped.is_empty() {
        read.notices
            .push(Notice::IdentityColumnsDropped { columns: dropped });
    }
    let line_file = columns.iter().position(|c| c.1.eq_ignore_ascii_case(LINE));
    let mut seen_any = false;
    while let Some(row) = table.next_row()? {
        seen_any = true;
        let line = row.line;
        let named = cell::name(row.cell(key).trim_ascii()).map(str::to_string);
        let infusion = match named {
            Ok(name) => name,
            Err(reason) => {
                read.faulty.push((
                    format!("(line {line})"),
                    format!("line {line}: column `infusion`: {reason}"),
                ));
                continue;
            }
        };
        if let Err(fault) = row.check_width() {
            read.faulty
                .push((infusion, format!("line {line}: {}", fault.reason)));
            continue;
        }
        let cells: Vec<String> = columns
            .iter()
            .map(|(i, _)| cell::text(row.cell(*i).trim_ascii()))
            .collect();
        let line_file = line_file
            .and_then(|i| cells.get(i))
            .filter(|c| !c.is_empty())
            .cloned();
        read.rows.push(InfusionRow {
            infusion,
            line,
            cells,
            line_file,
        });
    }
    if !seen_any {
        let error = Error::in_file(&table.name, "there is a header but no row");
        return Err(error.hint("list each infusion to be surveyed in a row of its own"));
    }
    read.settle_repeats();
    Ok(read)
}

impl Infusions {
    fn settle_repeats(&mut self) {
        let mut order: Vec<usize> = (0..self.rows.len()).collect();
        order.sort_by(|&a, &b| {
            let key = |i: usize| self.rows.get(i).map(|r| (r.infusion.as_str(), r.line));
            key(a).cmp(&key(b))
        });
        let same_name = |a: &usize, b: &usize| {
            self.rows.get(*a).map(|r| &r.infusion) == self.rows.get(*b).map(|r| &r.infusion)
        };
        let mut out = vec![false; self.rows.len()];
        let mut faulty = Vec::new();
        for repeats in order.chunk_by(same_name) {
            let rows: Vec<&InfusionRow> =
                repeats.iter().filter_map(|&i| self.rows.get(i)).collect();
            let (Some(first), Some(other)) =
                (rows.first(), rows.iter().find(|r| r.cells != rows[0].cells))
            else {
                repeats.iter().skip(1).for_each(|&i| out[i] = true);
                continue;
            };
            repeats.iter().for_each(|&i| out[i] = true);
            let reason = format!(
                "listed twice, in lines {} and {}, with different cells; keep one of the rows",
                first.line, other.line
            );
            faulty.push((first.infusion.clone(), reason));
        }
        self.faulty.extend(faulty);
        let mut marks = out.into_iter();
        self.rows.retain(|_| !marks.next().unwrap_or(false));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Infusions> {
        let mut bytes = text.as_bytes();
        read_infusions(Source {
            name: "infusions.csv".as_ref(),
            reader: &mut bytes,
        })
    }

    #[test]
    fn columns_keep_their_headers_and_rows_their_order() {
        let list =
            read("infusion,Unit,filter_pore_um,line\n b ,north,1.2,lines/a.toml\na,, ,\n").unwrap();
        assert_eq!(list.columns, ["Unit", "filter_pore_um", "line"]);
        assert_eq!(list.rows[0].infusion, "b");
        assert_eq!(list.rows[0].cells, ["north", "1.2", "lines/a.toml"]);
        assert_eq!(list.rows[0].line_file.as_deref(), Some("lines/a.toml"));
        assert_eq!(
            (list.rows[1].line, list.rows[1].line_file.as_ref()),
            (3, None)
        );
    }

    #[test]
    fn a_ward_is_a_group_but_a_patient_is_an_identity() {
        let list = read("infusion,ward,patient_name,mrn\na,b,c,d\n").unwrap();
        assert_eq!(list.columns, ["ward"]);
        let dropped = Notice::IdentityColumnsDropped {
            columns: vec!["patient_name".into(), "mrn".into()],
        };
        assert_eq!(list.notices, [dropped]);
    }

    #[test]
    fn the_same_row_twice_counts_once_and_two_that_differ_count_not_at_all() {
        let list = read("infusion,unit\na,n\nb,n\na,n\nb,e\nc,n\n").unwrap();
        let names: Vec<_> = list.rows.iter().map(|r| r.infusion.as_str()).collect();
        assert_eq!(names, ["a", "c"]);
        assert_eq!(list.faulty.len(), 1);
        assert_eq!(list.faulty[0].0, "b");
        assert!(list.faulty[0].1.contains("lines 3 and 5"));
    }

    #[test]
    fn a_broken_row_is_named_and_the_rest_is_read() {
        let list = read("infusion,unit\n,n\na\nb,n\n").unwrap();
        assert_eq!(list.rows.len(), 1);
        let faulty: Vec<_> = list.faulty.iter().map(|f| f.0.as_str()).collect();
        assert_eq!(faulty, ["(line 2)", "a"]);
    }

    #[test]
    fn without_a_list_there_is_an_error_that_says_what_to_do() {
        let no_column = read("id,unit\na,n\n").unwrap_err().to_string();
        assert!(no_column.contains("`infusion`"), "{no_column}");
        assert!(
            read("infusion\n")
                .unwrap_err()
                .to_string()
                .contains("no row")
        );
        assert!(read("").is_err());
    }
}
