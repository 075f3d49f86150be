//! The pictures: no label cut off or over another, every extreme drawn, PNG with letters on a machine without fonts.
//!
//! Each picture is also left in the target folder, to be looked at.

use crate::scenes::{self, Scene};
use patency::report::draw::{self, NARROW, Picture, WIDE};
use patency::report::{review_png, review_svg};
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

#[test]
fn a_day_at_one_sample_a_second_stays_small_and_keeps_its_one_spike() {
    let scene = scenes::dense();
    let svg = review_svg(&scene.record, &scene.review);
    assert!(svg.len() < 1_000_000, "{} bytes", svg.len());
    let picture = draw::trace(&scene.record, &scene.review, WIDE);
    let pressure_lines = picture.shapes.iter().filter_map(|shape| match shape {
        draw::Shape::Line { points, width, .. } if *width == 1.4 => Some(points),
        _ => None,
    });
    let drawn: Vec<&Vec<(f64, f64)>> = pressure_lines.collect();
    assert_eq!(drawn.len(), 2, "one line per channel");
    let height = |points: &[(f64, f64)]| {
        let ys = points.iter().map(|p| p.1);
        ys.clone().fold(f64::MIN, f64::max) - ys.fold(f64::MAX, f64::min)
    };
    // The spike is 97 mmHg high over a line of about 20; without it the line's own noise is a few mmHg.
    assert!(3.0 * height(drawn[0]) < height(drawn[1]));
    assert!(60.0 < height(drawn[1]), "the spike is lost");
}

#[test]
fn the_png_has_letters_although_no_font_is_asked_of_the_machine() {
    // The embedded font draws them; a picture of the same lines without its letters has less ink.
    let scene = scenes::supply_stop();
    let picture = draw::trace(&scene.record, &scene.review, NARROW);
    let mut mute = picture.clone();
    mute.shapes
        .retain(|shape| !matches!(shape, draw::Shape::Text(_)));
    let ink = |picture: &Picture| {
        let bytes = draw::png(picture);
        assert_eq!(&bytes[..8], b"\x89PNG\r\n\x1a\n");
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes))
            .read_info()
            .unwrap();
        let mut pixels = vec![0; reader.output_buffer_size()];
        reader.next_frame(&mut pixels).unwrap();
        pixels.iter().filter(|&&x| x < 128).count()
    };
    assert!(ink(&mute) + 1000 < ink(&picture));
    assert!(20_000 < review_png(&scene.record, &scene.review).len());
}
