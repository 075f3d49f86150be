//! Reviews that another run left: a table with a row for each infusion.
//!
//! In: its bytes (Parquet, Arrow or CSV; columns `infusion`, `error`, `facts`). Out: what each row says, unread: only the edge that
//! wrote the facts knows their form.

use super::table::Table;
use super::{Source, cell};
use crate::error::Result;

/// One infusion's row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptReview {
    /// Its name.
    pub infusion: String,
    /// Why it could not be reviewed; `None` where it was.
    pub error: Option<String>,
    /// What the review found, as it was written.
    pub facts: Vec<u8>,
}

/// Reads such a table. Rows without a name are left out.
///
/// # Errors
/// No table, or one of the three columns missing.
pub fn read_reviews(source: Source) -> Result<Vec<KeptReview>> {
    let mut table = Table::open(source, "reviews")?;
    let infusion = table.require("infusion")?;
    let error = table.require("error")?;
    let facts = table.require("facts")?;
    let mut reviews = Vec::new();
    while let Some(row) = table.next_row()? {
        let Ok(name) = cell::name(row.cell(infusion)) else {
            continue;
        };
        let said = cell::text(row.cell(error));
        reviews.push(KeptReview {
            infusion: name.to_string(),
            error: (!said.is_empty()).then_some(said),
            facts: row.cell(facts).to_vec(),
        });
    }
    Ok(reviews)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_handed_on_as_they_stand() {
        let mut csv =
            "infusion,facts,error\na,\"{\"\"start_s\"\":\"\"0.0\"\"}\",\nb,,no rows\n,x,y\n"
                .as_bytes();
        let source = Source {
            name: "r.csv".as_ref(),
            reader: &mut csv,
        };
        let found = read_reviews(source).unwrap();
        assert_eq!(found.len(), 2);
        assert_eq!(found[0].facts, br#"{"start_s":"0.0"}"#);
        assert_eq!(
            (&found[0].error, found[1].error.as_deref()),
            (&None, Some("no rows"))
        );
    }

    #[test]
    fn a_table_without_the_columns_is_an_error() {
        let mut csv = "infusion,error\na,\n".as_bytes();
        let source = Source {
            name: "r.csv".as_ref(),
            reader: &mut csv,
        };
        assert!(
            read_reviews(source)
                .unwrap_err()
                .to_string()
                .contains("no column `facts`")
        );
    }
}
