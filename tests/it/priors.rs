//! `--priors`: a site's own shares of causes move what the record leaves open, and are named in the review.

use crate::program::{folder, patency};
use serde_json::Value;
use std::path::Path;

fn sample(name: &str) -> String {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-traces");
    dir.join(name)
        .join("trace.csv")
        .to_string_lossy()
        .into_owned()
}

fn review(priors: Option<&str>) -> Value {
    let dir = folder(&[("p.toml", priors.unwrap_or_default().as_bytes())]);
    let trace = sample("slow-rise");
    let mut args = vec!["review", &trace, "--json"];
    if priors.is_some() {
        args.extend(["--priors", "p.toml"]);
    }
    let run = patency(dir.path(), &args);
    assert_eq!((run.status, run.stderr.as_str()), (0, ""));
    serde_json::from_str(&run.stdout).unwrap()
}

fn site(review: &Value, site: &str) -> f64 {
    review["episodes"][0]["sites"][site].as_f64().unwrap()
}

#[test]
fn a_site_s_own_shares_move_what_the_record_leaves_open() {
    let published = review(None);
    let filters = review(Some("[share]\nfilter-loading = 0.5\n"));
    let catheters = review(Some("[share]\ncatheter-narrowing = 0.5\n"));
    assert!(site(&published, "filter") < site(&filters, "filter"));
    assert!(site(&published, "catheter") < site(&catheters, "catheter"));
    for r in [&published, &filters, &catheters] {
        let sites = r["episodes"][0]["sites"].as_object().unwrap();
        let sum: f64 = sites.values().map(|p| p.as_f64().unwrap()).sum();
        assert!((sum - 1.0).abs() < 1e-9, "{sum}");
    }
    let said = |r: &Value| r["assumptions"].to_string().contains("your own file");
    assert!(said(&filters) && !said(&published));
}

#[test]
fn the_published_shares_written_out_change_no_probability() {
    let written = "[share]\nsupply-stopped = 0.09\ntubing-blocked = 0.22\nfilter-loading = 0.14\nfilter-settling = 0.06\n\
        filter-precipitate = 0.04\ncatheter-narrowing = 0.13\ncatheter-blocked = 0.14\ncatheter-positional = 0.06\n\
        limit-too-low = 0.05\nheight-change = 0.04\nartefact = 0.03\n";
    let (published, own) = (review(None), review(Some(written)));
    for name in ["supply", "tubing", "filter", "catheter", "settings", "none"] {
        assert!((site(&published, name) - site(&own, name)).abs() < 1e-9);
    }
}

#[test]
fn a_file_of_priors_that_cannot_be_used_stops_review_and_survey_before_any_work() {
    let list = b"infusion\na\n";
    let dir = folder(&[
        ("p.toml", b"[share]\ntubing-bloked = 0.3\n"),
        ("infusions.csv", list),
    ]);
    let trace = sample("slow-rise");
    for args in [["review", trace.as_str()], ["survey", "."]] {
        let run = patency(dir.path(), &[&args[..], &["--priors", "p.toml"]].concat());
        assert_eq!((run.status, run.stdout.as_str()), (1, ""));
        assert!(run.stderr.contains("p.toml:2"), "{}", run.stderr);
        assert!(
            run.stderr.contains("did you mean `tubing-blocked`?"),
            "{}",
            run.stderr
        );
    }
}
