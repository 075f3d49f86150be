//! The terminal summary: plain words, the answer first, nothing wider than asked.

use crate::scenes;
use patency::report::{review_text, words};

#[test]
fn the_summary_of_each_scene_is_as_pinned() {
    for scene in [
        scenes::filter_loading(),
        scenes::undetermined(),
        scenes::nothing(),
        scenes::three_channels(),
    ] {
        insta::assert_snapshot!(
            scene.name,
            review_text(&scene.record, &scene.review, 80, false)
        );
    }
}

#[test]
fn an_alarm_before_the_onset_is_not_called_later() {
    let mut scene = scenes::filter_loading();
    let episode = &mut scene.review.episodes[0];
    let onset_s = episode.onset_s.value;
    episode.alarm_s = Some(onset_s - 1200.0);
    let when = words::verdict(&scene.record, episode).when;
    assert!(
        when.contains("An occlusion alarm had sounded before, at"),
        "{when}"
    );
    assert!(!when.contains("later"), "{when}");
}

#[test]
fn no_line_is_wider_than_the_terminal() {
    for scene in scenes::all() {
        for width in [40, 80, 132] {
            for line in review_text(&scene.record, &scene.review, width, false).lines() {
                let columns = line.chars().count();
                assert!(
                    columns <= width,
                    "{}: {columns} columns: {line}",
                    scene.name
                );
            }
        }
    }
}

#[test]
fn every_caution_is_read_in_the_terminal() {
    for scene in scenes::all() {
        let text = review_text(&scene.record, &scene.review, 10_000, false);
        for caution in words::CAUTIONS {
            assert!(text.contains(caution), "{}: {caution}", scene.name);
        }
    }
}

#[test]
fn a_log_cannot_steer_the_terminal_and_bold_is_only_used_when_asked_for() {
    for scene in scenes::all() {
        assert!(!review_text(&scene.record, &scene.review, 80, false).contains('\u{1b}'));
    }
    let scene = scenes::filter_loading();
    let bold = review_text(&scene.record, &scene.review, 80, true);
    assert!(bold.starts_with("\u{1b}[1mMost likely the in-line filter was blocking"));
    assert_eq!(
        bold.replace("\u{1b}[1m", "").replace("\u{1b}[0m", ""),
        review_text(&scene.record, &scene.review, 80, false)
    );
}
