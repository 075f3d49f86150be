//! The page: self-contained, escaped, with the answer first and every caution, readable without scripts.
//!
//! Each page is also left in the target folder, for a look and for the check in a browser.

use crate::scenes::{self, Scene};
use patency::report::{About, Input, review_html, words};
use std::path::PathBuf;

fn about() -> About {
    About {
        version: "0.1.0".into(),
        reviewed_on: Some(jiff::civil::date(2031, 3, 6)),
        inputs: vec![Input {
            role: "trace".into(),
            name: "<night>.csv".into(),
            sha256: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855".into(),
        }],
        settings: vec![("keep going".into(), "no".into())],
    }
}

fn page(scene: &Scene) -> String {
    review_html(&scene.record, &scene.review, &about())
}

/// Everything between tags, entities resolved: what a reader sees.
fn text_of(html: &str) -> String {
    let body = html
        .split_once("</style>")
        .unwrap()
        .1
        .split_once("<script")
        .unwrap()
        .0;
    let mut text = String::new();
    let mut in_tag = false;
    for c in body.chars() {
        match c {
            '<' => in_tag = true,
            '>' => in_tag = false,
            c if !in_tag => text.push(c),
            _ => {}
        }
    }
    let text = text.replace("&#38;", "&").replace("&amp;", "&");
    let pairs = [
        ("&#60;", "<"),
        ("&lt;", "<"),
        ("&#62;", ">"),
        ("&gt;", ">"),
        ("&#34;", "\""),
        ("&quot;", "\""),
        ("&#39;", "'"),
        ("&apos;", "'"),
    ];
    pairs.iter().fold(text, |t, (from, to)| t.replace(from, to))
}

#[test]
fn every_page_carries_all_cautions_and_the_answer_comes_first() {
    for scene in scenes::all() {
        let html = page(&scene);
        let text = text_of(&html);
        for caution in words::CAUTIONS {
            assert!(text.contains(caution), "{}: {caution}", scene.name);
        }
        let answer = text
            .find(&words::headline(&scene.record, &scene.review))
            .unwrap();
        let first_heading = text.find("Keep in mind").unwrap();
        assert!(answer < first_heading, "{}", scene.name);
        let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("pages");
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join(format!("{}.html", scene.name)), html).unwrap();
    }
}

#[test]
fn a_page_loads_nothing_and_is_whole_without_scripts() {
    for scene in scenes::all() {
        let html = page(&scene);
        // A name, not an address: of the drawings' language.
        let without_namespace = html.replace("http://www.w3.org/2000/svg", "");
        for word in [
            "http:",
            "https:",
            "url(",
            "@import",
            "src=",
            "<iframe",
            "<link",
            "javascript:",
            " onload",
            " onclick",
        ] {
            assert!(!without_namespace.contains(word), "{}: {word}", scene.name);
        }
        assert!(
            html.len() < 3_000_000,
            "{}: {} bytes",
            scene.name,
            html.len()
        );
    }
}

#[test]
fn text_of_a_log_shows_as_text_and_long_names_are_cut() {
    let scene = scenes::hostile();
    let html = page(&scene);
    assert!(!html.contains("<script>alert"));
    assert!(
        !html.contains(&"n".repeat(100)),
        "a 10,000-letter name is not cut"
    );
    assert!(!html.contains('\u{1b}') && !html.contains('\u{202e}'));
    assert!(
        text_of(&html).contains("<script>alert(\"x\")</script>'&"),
        "the name is not shown as text"
    );
}

#[test]
fn every_id_is_unique_and_every_reference_has_its_target() {
    for scene in scenes::all() {
        let html = page(&scene);
        let values = |before: &str| -> Vec<String> {
            html.split(before)
                .skip(1)
                .map(|rest| rest.split('"').next().unwrap().to_string())
                .collect()
        };
        let ids = values(" id=\"");
        let mut unique = ids.clone();
        unique.sort();
        unique.dedup();
        assert_eq!(
            unique.len(),
            ids.len(),
            "{}: an id stands twice",
            scene.name
        );
        for target in values("href=\"#")
            .into_iter()
            .chain(values("aria-labelledby=\""))
        {
            assert!(
                ids.contains(&target),
                "{}: nothing is called {target}",
                scene.name
            );
        }
    }
}

#[test]
fn rejected_rows_are_counted_and_the_first_twenty_shown() {
    let text = text_of(&page(&scenes::filter_loading()));
    assert!(text.contains("23 of 17,282 rows were not used"));
    assert!(text.contains("3 more; the first hundred stand in review.json."));
}

#[test]
fn the_filter_is_the_last_check_and_the_suspected_part_is_named() {
    let text = text_of(&page(&scenes::filter_loading()));
    let checks = text.find("Was it checked?").unwrap();
    let filter = text[checks..].find("Last, the filter").unwrap();
    for other in [
        "Was the supply above the pump",
        "Was the channel’s tubing",
        "Was the line below the filter",
        "insertion site",
    ] {
        assert!(
            text[checks..].find(other).unwrap() < filter,
            "{other} comes after the filter"
        );
    }
    assert!(text[checks..].contains("Suspected part: Filter 93\u{a0}%"));
}

#[test]
fn nothing_found_does_not_say_that_the_line_was_well() {
    let text = text_of(&page(&scenes::nothing()));
    assert!(text.contains("No sign of obstruction in this 9-hour record."));
    assert!(text.contains(words::NOTHING_FOUND));
}
