//! The manual on a terminal: the same pages that the report unfolds.
//!
//! In: a page's fixed name, or none. Out: [`manual_contents`], [`manual_text`], and [`manual_near`] for a name mistyped.

use super::text::Page;
use super::words::{CAUTIONS, ManualPage, cause_page, evidence_pages};
use crate::infer::Cause;

/// The pages by name, causes first: a title for each.
pub fn manual_contents(width: usize, bold: bool) -> String {
    let mut page = Page::new(width, bold);
    page.line("", "Each of these has a page: `patency manual NAME`.");
    let row = |p: ManualPage| format!("{}: {}", p.name, p.title);
    page.section("Causes", causes().map(row));
    page.section("Kinds of evidence", evidence_pages().into_iter().map(row));
    page.text
}

/// One page by its name; `None` where there is none of that name.
pub fn manual_text(name: &str, width: usize, bold: bool) -> Option<String> {
    let found = causes().chain(evidence_pages()).find(|p| p.name == name)?;
    let mut page = Page::new(width, bold);
    page.strong("", found.title);
    page.blank();
    page.line("", found.is);
    // A cause has a mark in the record; a kind of evidence has a reason why it counts.
    let mark = match causes().any(|c| c.name == name) {
        true => "Its mark",
        false => "Why it counts",
    };
    for (title, text) in [
        (mark, found.mark),
        ("It can be mistaken", found.misleads),
        ("Source", found.source),
    ] {
        page.blank();
        page.strong("", title);
        page.line("", text);
    }
    page.section("Keep in mind", CAUTIONS.iter().map(|&c| c.to_string()));
    Some(page.text)
}

/// Names of pages that hold a word of this one: what may have been meant.
pub fn manual_near(name: &str) -> Vec<&'static str> {
    let asked = name.to_lowercase();
    let words: Vec<&str> = asked.split(['-', ' ', '_']).collect();
    let names = causes().chain(evidence_pages()).map(|p| p.name);
    names
        .filter(|n| words.iter().any(|w| 2 < w.len() && n.contains(w)))
        .collect()
}

fn causes() -> impl Iterator<Item = ManualPage> {
    Cause::ALL.into_iter().map(cause_page)
}
