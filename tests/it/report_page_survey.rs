//! The survey's page: self-contained, escaped, cautions and meanings in place. Left in the target folder for the browser's check.

use crate::cohorts;
use patency::report::survey::{survey_html, survey_text, words};
use patency::study::{Cohort, Settings, Skipped, Survey, periods::Every, survey};
use patency::time::Clock;
use std::path::Path;

/// The made cohort with dates over fourteen months, units, and an awkward name.
fn dated() -> Cohort {
    let mut cohort = cohorts::made();
    cohort.columns = vec!["unit".into(), "fluid".into()];
    for (i, member) in cohort.members.iter_mut().enumerate() {
        let units = ["north", "east", "west & <south>", ""];
        member.labels = vec![
            units[(i * 7 / 3) % 4].into(),
            ["pn-2in1", "pn-3in1"][i % 2].into(),
        ];
        member.facts.clock = Clock::Calendar {
            origin_us: 1_927_000_000_000_000 + (i as i64 * 7_919 % 420) * 86_400_000_000,
            offsets: vec![(0.0, 3600)],
        };
    }
    cohort.skipped.push(Skipped {
        infusion: "bay-4 <b>".into(),
        reason: "bay-4/trace.csv:1: there is no column `pressure_mmhg`".into(),
    });
    cohort
}

fn surveyed(cohort: &Cohort) -> Survey {
    let settings = Settings {
        groups: vec![vec!["unit".into(), "fluid".into()]],
        adjust: vec!["unit".into()],
        change: Some("2031-07-01".parse().unwrap()),
        ..Settings::default()
    };
    survey(cohort, &settings).unwrap()
}

fn page(cohort: &Cohort) -> String {
    survey_html(&surveyed(cohort), Some("2031-07-01".parse().unwrap()))
}

#[test]
fn the_page_says_what_each_figure_means_and_loads_nothing() {
    let html = page(&dated());
    let pages = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pages");
    std::fs::create_dir_all(&pages).unwrap();
    std::fs::write(pages.join("survey.html"), &html).unwrap();
    for caution in words::CAUTIONS {
        assert!(html.contains(caution), "{caution}");
    }
    for part in [
        "answer", "rates", "survival", "pauses", "time", "funnels", "basis",
    ] {
        assert!(html.contains(&format!("<section id=\"{part}\"")), "{part}");
    }
    for lack in ["<script", "src=", "url(", "@import", "<link", "NaN", "inf "] {
        assert!(!html.contains(lack), "{lack}");
    }
    assert!(
        html.contains("west &#38; &#60;south&#62;")
            && !html.contains("<south>")
            && !html.contains("bay-4 <b>")
    );
    assert_eq!(html.matches("<svg").count() % 2, 0); // each picture at both widths
    assert!(20 < html.matches("<svg").count());
}

#[test]
fn a_trend_is_told_only_where_the_record_is_long_enough_for_one() {
    let told = "Yearly trend ×";
    assert!(page(&dated()).contains(told));
    let mut short = dated();
    for (i, member) in short.members.iter_mut().enumerate() {
        member.facts.clock = Clock::Calendar {
            origin_us: 1_927_000_000_000_000 + (i as i64 * 7_919 % 56) * 86_400_000_000,
            offsets: vec![(0.0, 3600)],
        };
    }
    let settings = Settings {
        every: Every::Week,
        change: Some("2031-02-22".parse().unwrap()),
        ..Settings::default()
    };
    let html = survey_html(&survey(&short, &settings).unwrap(), settings.change);
    assert!(html.contains("Change on 2031-02-22") && !html.contains(told));
    assert!(html.contains("cannot be told from so few or so short periods"));
}

#[test]
fn an_empty_survey_has_a_page_and_a_text_too() {
    let cohort = Cohort {
        columns: vec!["unit".into(), "fluid".into()],
        ..Cohort::default()
    };
    let html = page(&cohort);
    assert!(html.contains("No filter was at risk") && !html.contains("NaN"));
    let text = survey_text(&surveyed(&cohort), 80, false);
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
}

#[test]
fn the_text_gives_the_answer_first_and_keeps_to_its_width() {
    let text = survey_text(&surveyed(&dated()), 80, false);
    assert!(text.starts_with("300 infusions"));
    let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("hazard ratio") && words.contains("An association, not a cause."));
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
}
