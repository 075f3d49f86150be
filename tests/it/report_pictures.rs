//! The pictures: no label cut off or over another, every extreme drawn, PNG with letters on a machine without fonts.
//!
//! Each picture is also left in the target folder, to be looked at.

use crate::scenes::{self, Scene};
use patency::report::draw::{self, NARROW, Picture, WIDE};
use std::path::PathBuf;

/// Where the pictures are left.
fn folder() -> PathBuf {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("report");
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// All pictures of a scene, named.
fn pictures(scene: &Scene) -> Vec<(String, Picture)> {
    let (record, review) = (&scene.record, &scene.review);
    let mut all = Vec::new();
    for (width, size) in [(WIDE, "wide"), (NARROW, "narrow")] {
        all.push((format!("trace-{size}"), draw::trace(record, review, width)));
        all.extend(draw::track(record, review, width).map(|p| (format!("track-{size}"), p)));
        for e in &review.episodes {
            all.push((
                format!("line-{}-{size}", e.id),
                draw::line_map(record, e, width),
            ));
            all.extend(draw::fits(record, e, width).map(|p| (format!("fits-{}-{size}", e.id), p)));
        }
    }
    for (i, channel) in record.channels.iter().enumerate() {
        all.extend(draw::slope(record, review, channel).map(|p| (format!("slope-{i}"), p)));
    }
    all
}

#[test]
fn no_label_of_any_picture_is_cut_off_or_lies_over_another() {
    for scene in scenes::all() {
        for (name, picture) in pictures(&scene) {
            let labels: Vec<_> = picture
                .labels()
                .map(|l| (l.text.clone(), l.bounds()))
                .collect();
            assert!(!labels.is_empty(), "{} {name} has no label", scene.name);
            for (text, (left, top, right, bottom)) in &labels {
                let inside = -0.5 <= *left
                    && *right <= picture.width + 0.5
                    && 0.0 <= *top
                    && *bottom <= picture.height;
                assert!(
                    inside,
                    "{} {name}: “{text}” is cut off: {left} {top} {right} {bottom} in {} × {}",
                    scene.name, picture.width, picture.height
                );
            }
            for (i, (text, a)) in labels.iter().enumerate() {
                for (other, b) in &labels[i + 1..] {
                    let apart = a.2 <= b.0 || b.2 <= a.0 || a.3 - 1.5 <= b.1 || b.3 - 1.5 <= a.1;
                    assert!(
                        apart,
                        "{} {name}: “{text}” lies over “{other}”: {a:?} {b:?}",
                        scene.name
                    );
                }
            }
        }
    }
}

#[test]
fn every_picture_renders_as_svg_and_as_png_with_ink_on_it() {
    for scene in scenes::all() {
        for (name, picture) in pictures(&scene) {
            let svg = draw::svg(&picture, "id", scene.name);
            assert!(
                svg.len() < 1_000_000,
                "{} {name}: {} bytes",
                scene.name,
                svg.len()
            );
            assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"));
            assert!(
                !svg.contains("<script") && !svg.contains("NaN"),
                "{} {name}",
                scene.name
            );
            let file = format!("{}-{name}.png", scene.name);
            std::fs::write(folder().join(file), draw::png(&picture)).unwrap();
        }
    }
}
