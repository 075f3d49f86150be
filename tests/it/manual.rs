//! `patency manual`: a page for every cause, with the text that the report shows.

use crate::program::{folder, patency};
use patency::infer::Cause;
use patency::report::words::cause_page;

fn manual(args: &[&str]) -> crate::program::Run {
    patency(folder(&[]).path(), &[&["manual"], args].concat())
}

#[test]
fn every_cause_has_a_page_with_the_report_s_words() {
    let contents = manual(&[]);
    assert_eq!((contents.status, contents.stderr.as_str()), (0, ""));
    for cause in Cause::ALL {
        assert!(contents.stdout.contains(cause.word()), "{}", cause.word());
        let run = manual(&[cause.word()]);
        assert_eq!((run.status, run.stderr.as_str()), (0, ""));
        assert!(run.stdout.lines().all(|l| l.chars().count() <= 80));
        let flowing = run.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
        let page = cause_page(cause);
        for text in [page.title, page.is, page.mark, page.misleads, page.source] {
            let text = text.replace('\u{a0}', " ");
            assert!(flowing.contains(&text), "{}: {text}", cause.word());
        }
    }
}

#[test]
fn a_page_reads_as_pinned() {
    insta::assert_snapshot!(manual(&["filter-settling"]).stdout);
}

#[test]
fn every_kind_of_evidence_in_the_list_has_its_page() {
    let contents = manual(&[]).stdout;
    let (_, evidence) = contents.split_once("Kinds of evidence").unwrap();
    let names = evidence
        .lines()
        .filter_map(|l| l.strip_prefix("  - ")?.split_once(": "));
    let names: Vec<&str> = names.map(|(name, _)| name).collect();
    assert!(20 <= names.len(), "{names:?}");
    for name in names {
        let run = manual(&[name]);
        assert!(
            run.stdout.contains("Why it counts"),
            "{name}: {}",
            run.stderr
        );
    }
}

#[test]
fn a_name_that_is_not_there_is_an_error_that_says_what_may_have_been_meant() {
    let run = manual(&["filter-lodaing"]);
    assert_eq!((run.status, run.stdout.as_str()), (1, ""));
    assert!(
        run.stderr.contains("no page `filter-lodaing`"),
        "{}",
        run.stderr
    );
    assert!(run.stderr.contains("filter-loading"), "{}", run.stderr);
}
