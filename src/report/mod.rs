//! LAYER 3: results become text and pictures.
//!
//! In: a record and its review. Out: the contract's JSON ([`wire`]), a page, pictures and a summary for the
//! terminal. All sentences come from [`words`]. Nothing here judges, reads a file or looks at a clock.

mod clamp_test;
pub mod draw;
mod expect;
pub mod export;
mod formula;
mod inspection;
mod limits;
mod manual;
mod page;
mod privacy;
mod segments;
pub mod survey;
pub mod tables;
mod text;
pub mod wire;
pub mod words;

pub use clamp_test::{clamp_test_json, clamp_test_text};
pub use expect::{expect_json, expect_text};
pub use inspection::{inspection_json, inspection_text};
pub use limits::{limits_json, limits_text};
pub use manual::{manual_contents, manual_near, manual_text};
pub use page::{
    About, Input, STYLE, in_workbench, review_html, script as page_script, style as page_style,
    with_navigation,
};
pub use privacy::{privacy_json, privacy_text};
pub use segments::{segments_json, segments_text};
pub use text::review_text;

use crate::infer::Review;
use crate::record::Record;

/// The review as the contract's JSON object: indented, fields in the contract's order, a newline at the end.
pub fn review_json(record: &Record, review: &Review) -> String {
    let wire = wire::Review::new(record, review);
    // Strings, numbers and maps with text keys cannot fail to be written.
    serde_json::to_string_pretty(&wire).map_or_else(|_| String::new(), |text| text + "\n")
}

/// The main plot as SVG: pressure and rate of each channel, with everything that was found marked.
pub fn review_svg(record: &Record, review: &Review) -> String {
    let picture = draw::trace(record, review, draw::WIDE);
    draw::svg(&picture, "trace", &words::trace_title(record, review))
}

/// The main plot as SVG for a narrow place; `id` begins the names that must be unique on its page.
pub fn review_svg_narrow(record: &Record, review: &Review, id: &str) -> String {
    let picture = draw::trace(record, review, draw::NARROW);
    draw::svg(&picture, id, &words::trace_title(record, review))
}

/// The line as each channel sees it, in words: channel, resistance, pressure at zero flow, compliance.
pub fn channel_figures(review: &Review) -> Vec<[String; 4]> {
    page::channel_figures(review)
}

/// The main plot as PNG, at twice its size on a page. No font needs to be installed.
pub fn review_png(record: &Record, review: &Review) -> Vec<u8> {
    draw::png(&draw::trace(record, review, draw::WIDE))
}
