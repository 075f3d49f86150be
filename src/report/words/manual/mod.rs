//! The manual's text: one page per cause and per kind of evidence, used by the report and by whoever explains it.
//!
//! In: a cause or a finding. Out: what it is, its mark in the record, when it misleads, and where that is known from.

mod causes;
mod evidence;

pub use causes::cause_page;
pub use evidence::{evidence_page, evidence_pages};

/// One page of the manual.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ManualPage {
    /// Its fixed name, for links: `filter-loading`.
    pub name: &'static str,
    /// Its heading.
    pub title: &'static str,
    /// What it is.
    pub is: &'static str,
    /// Its mark in the record, or why it counts.
    pub mark: &'static str,
    /// When it misleads.
    pub misleads: &'static str,
    /// Where that is known from.
    pub source: &'static str,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::infer::Cause;
    use std::collections::BTreeSet;

    fn all() -> Vec<ManualPage> {
        let causes = Cause::ALL.iter().map(|&c| cause_page(c));
        causes.chain(evidence_pages()).collect()
    }

    #[test]
    fn every_page_is_whole_and_has_a_name_of_its_own() {
        let mut names = BTreeSet::new();
        for page in all() {
            assert!(
                names.insert(page.name),
                "two pages are called {}",
                page.name
            );
            for text in [page.is, page.mark, page.misleads, page.source] {
                assert!(
                    text.ends_with('.'),
                    "{}: “{text}” is no sentence",
                    page.name
                );
            }
        }
    }

    #[test]
    fn the_page_of_a_cause_bears_its_fixed_word() {
        for cause in Cause::ALL {
            assert_eq!(cause_page(cause).name, cause.word());
        }
    }
}
