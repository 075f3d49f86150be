//! The review as plain text for a terminal: the answer first, readable at 80 columns.
//!
//! In: record, review, width in columns, whether bold may be used. Out: text that ends with a newline.

use super::words;
use crate::infer::{Episode, Review, Site};
use crate::record::Record;

/// Columns of the probability bars where the terminal is wide enough.
const BAR: usize = 24;

/// The summary. Lines are at most `width` columns (at least 40); `bold` adds the terminal's bold type.
pub fn review_text(record: &Record, review: &Review, width: usize, bold: bool) -> String {
    let mut page = Page::new(width, bold);
    let names: Vec<String> = record.channels.iter().map(|c| words::clip(&c.id)).collect();
    page.strong("", &words::headline(record, review));
    page.line(
        "",
        &format!(
            "{}: {}; {}.",
            words::count(names.len() as u64, "channel", "channels"),
            words::list(&names),
            words::between(&record.clock, record.start_s(), record.end_s())
        ),
    );
    if 0 < record.intake.rows_rejected {
        let title = words::rejected_title(record.intake.rows_rejected, record.intake.rows);
        page.line("", &format!("{title}; the report lists the first."));
    }
    for episode in &review.episodes {
        page.episode(record, episode, 1 < review.episodes.len());
    }
    if review.episodes.is_empty() && review.not_judged.is_empty() {
        page.blank();
        page.line("", words::NOTHING_FOUND);
    }
    page.section(
        "What was assumed",
        review.assumptions.iter().map(words::assumption),
    );
    page.section(
        "About the files",
        record.intake.notices.iter().map(words::notice),
    );
    page.section(
        "Keep in mind",
        words::CAUTIONS.iter().map(|&c| c.to_string()),
    );
    page.text
}

pub(super) struct Page {
    pub(super) text: String,
    width: usize,
    bold: bool,
}

impl Page {
    /// An empty page of lines of at most `width` columns (at least 40).
    pub(super) fn new(width: usize, bold: bool) -> Self {
        Self {
            text: String::new(),
            width: width.max(40),
            bold,
        }
    }

    pub(super) fn blank(&mut self) {
        self.text.push('\n');
    }

    /// A paragraph; further lines are indented as far as the first one's `lead`.
    pub(super) fn line(&mut self, lead: &str, text: &str) {
        self.paragraph(lead, text, false);
    }

    pub(super) fn strong(&mut self, lead: &str, text: &str) {
        self.paragraph(lead, text, self.bold);
    }

    fn paragraph(&mut self, lead: &str, text: &str, bold: bool) {
        let indent = lead.chars().count();
        for (i, line) in wrap(text, self.width.saturating_sub(indent))
            .iter()
            .enumerate()
        {
            let lead = if i == 0 {
                lead.to_string()
            } else {
                " ".repeat(indent)
            };
            let (on, off) = if bold {
                ("\u{1b}[1m", "\u{1b}[0m")
            } else {
                ("", "")
            };
            self.text += &words::plain(&format!("{lead}{on}{line}{off}\n"));
        }
    }

    pub(super) fn section(&mut self, title: &str, items: impl Iterator<Item = String>) {
        for (i, item) in items.enumerate() {
            if i == 0 {
                self.blank();
                self.strong("", title);
            }
            self.line("  - ", &item);
        }
    }

    fn episode(&mut self, record: &Record, e: &Episode, one_of_many: bool) {
        let verdict = words::verdict(record, e);
        self.blank();
        if one_of_many {
            self.strong(&format!("Episode {}: ", e.id), &verdict.what);
        }
        self.line("", &verdict.when);
        if let Some(cause) = words::likely_cause(e) {
            self.line("", &cause);
        }
        self.blank();
        for (site, p) in Site::ALL.iter().zip(e.sites) {
            let bar = self.width.saturating_sub(30).min(BAR);
            let filled = ((p * bar as f64).round() as usize).min(bar);
            let row = format!(
                "  {:<16}{:>10}  {}{}",
                words::site_short(*site),
                words::percent(p),
                "█".repeat(filled),
                "·".repeat(bar - filled)
            );
            self.text += &words::plain(&format!("{row}\n"));
        }
        if !e.evidence.is_empty() {
            self.blank();
            self.strong("", "Why");
        }
        for ev in &e.evidence {
            let weight = words::weight(ev);
            self.line("  - ", &words::finding(ev));
            self.line("      ", &weight.words);
            if let Some(answer) = words::outweighed(e, ev) {
                self.line("      ", &answer);
            }
        }
        self.blank();
        self.strong("", "Was it checked? From the pump to the patient");
        for (i, &check) in e.checks.iter().enumerate() {
            self.line(&format!("  {:>2}. ", i + 1), words::check(check));
        }
        self.section(
            "Cannot be told from this record",
            words::not_told(e).into_iter().map(str::to_string),
        );
        self.blank();
        if let Some(stretch) = words::stretch(record, e) {
            self.line("", &stretch);
            self.blank();
        }
        for said in words::release(e).into_iter().chain(words::track_record(e)) {
            self.line("", &said);
        }
    }
}

/// Breaks at spaces; a longer word is broken where it must be.
fn wrap(text: &str, width: usize) -> Vec<String> {
    let width = width.max(8);
    let mut lines = vec![String::new()];
    let mut used = 0;
    for word in text.split(' ') {
        let mut word: Vec<char> = word.chars().collect();
        if 0 < used && width < used + 1 + word.len() {
            lines.push(String::new());
            used = 0;
        }
        while width < word.len() {
            let rest = word.split_off(width);
            let full = std::mem::replace(&mut word, rest);
            lines.push(full.into_iter().collect());
            lines.push(String::new());
        }
        if let Some(line) = lines.last_mut() {
            if 0 < used {
                line.push(' ');
                used += 1;
            }
            used += word.len();
            line.extend(word);
        }
    }
    lines.retain(|line| !line.is_empty());
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_line_is_wider_than_asked_and_no_word_is_lost() {
        let text = "A pump can go on counting volume with nothing coming in, and nnnnnnnnnnnnnnnnnnnnnnnnnn too";
        let lines = wrap(text, 20);
        assert!(lines.iter().all(|l| l.chars().count() <= 20), "{lines:?}");
        let letters = |s: &str| s.chars().filter(|c| *c != ' ').collect::<String>();
        assert_eq!(letters(&lines.concat()), letters(text));
    }
}
