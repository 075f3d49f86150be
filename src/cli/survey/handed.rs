//! Reviews that were made elsewhere, such as on many machines, become the cohort that reviewing here would have given.
//!
//! In: a table of reviews, or a folder of such tables, and the list of infusions. Out: a [`Cohort`].

use super::gather::{tables_in, with_source};
use super::kept;
use crate::error::Result;
use crate::ingest::{Infusions, KeptReview, read_reviews};
use crate::study::{Cohort, Member, Skipped};
use std::collections::HashMap;
use std::path::Path;

/// Reads the tables. A review that stands there several times (an engine repeats what it lost) counts once; where two differ the
/// infusion is skipped.
///
/// # Errors
/// A table that cannot be read.
pub fn cohort(tables: &Path, list: &Infusions) -> Result<Cohort> {
    let files = match tables.is_dir() {
        true => tables_in(tables)?,
        false => vec![tables.to_path_buf()],
    };
    let mut reviews: HashMap<String, Vec<KeptReview>> = HashMap::new();
    for file in files {
        for review in with_source(&file, read_reviews)? {
            let same = reviews.entry(review.infusion.clone()).or_default();
            if !same.contains(&review) {
                same.push(review);
            }
        }
    }
    let mut cohort = Cohort {
        columns: list.columns.clone(),
        ..Cohort::default()
    };
    let skipped = |(infusion, reason): &(String, String)| Skipped {
        infusion: infusion.clone(),
        reason: reason.clone(),
    };
    cohort.skipped.extend(list.faulty.iter().map(skipped));
    for row in &list.rows {
        let found = reviews.get(&row.infusion).map(Vec::as_slice);
        let facts = match found.unwrap_or_default() {
            [] => Err("the tables have no review of it".to_string()),
            [one] => match &one.error {
                Some(error) => Err(error.clone()),
                None => kept::read(&one.facts)
                    .ok_or_else(|| "its review is not what `patency review --arrow` writes".into()),
            },
            _ => Err("the tables have several reviews of it that differ".into()),
        };
        match facts {
            Ok(facts) => cohort.members.push(Member {
                infusion: row.infusion.clone(),
                labels: row.cells.clone(),
                facts,
            }),
            Err(reason) => cohort.skipped.push(Skipped {
                infusion: row.infusion.clone(),
                reason,
            }),
        }
    }
    Ok(cohort)
}
