//! What people read is in plain words: no phrase that was found to be hard to read comes back, nothing is an order at the
//! bedside, figures are as precise as they are known, and how often verdicts were right is what `ACCURACY.md` says.

use crate::program::{folder, patency};
use patency::infer::{Confidence, Site};
use patency::report::words::past_verdicts::{BY_CERTAINTY, BY_SITE, RECORDS};
use std::path::Path;

/// Phrases that native and other readers stumbled over; each has a plainer one in its place.
const HARD_TO_READ: [&str; 40] = [
    "understood rightly",
    "Which record is to be reviewed",
    "Records given so far",
    "records given so far",
    "What the files do not say",
    "Read them anew",
    "being handed over",
    "renews itself",
    "hindered flow",
    "the line was well",
    "most telling",
    "came slowly",
    "Came slowly",
    "came at once",
    "Came at once",
    "and went several times",
    "although no new filter was noted",
    "nor a new catheter was noted",
    "moved about when",
    "told from the climb",
    "By the climb",
    "Held under pressure and freed",
    "what was given along",
    "licensed for it test",
    "poor witness",
    "Filter and catheter apart",
    "Nowhere in the line",
    "its rival",
    "How this came about",
    "the causes compared",
    "to be leant on",
    "How much hangs on",
    "how much hangs on",
    "Against chance",
    "\"compared with\"",
    "gathered above and below",
    "not counted as stops",
    "in many dresses",
    "bear the workbench’s key",
    "which of  is it",
];

/// How a sentence begins that tells somebody at the bedside what to do.
const ORDERS: [&str; 22] = [
    "Ask ",
    "Change ",
    "Check ",
    "Clamp ",
    "Close ",
    "Compare ",
    "Feel ",
    "Flush ",
    "Follow ",
    "Have ",
    "Inspect ",
    "Look ",
    "Lower ",
    "Make sure",
    "Open ",
    "Raise ",
    "Relieve ",
    "Replace ",
    "Review ",
    "See ",
    "Stop ",
    "Test ",
];

const COMMANDS: [&str; 12] = [
    "review",
    "inspect",
    "serve",
    "export",
    "map",
    "survey",
    "expect",
    "clamp-test",
    "limits",
    "manual",
    "segments",
    "simulate",
];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn run(arguments: &[&str]) -> String {
    let dir = folder(&[]);
    let run = patency(dir.path(), arguments);
    assert_eq!(run.status, 0, "{arguments:?}: {}", run.stderr);
    run.stdout
}

/// Name and text report of each sample.
fn reports() -> Vec<(String, String)> {
    let mut names: Vec<_> = std::fs::read_dir(root().join("sample-traces"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.is_dir())
        .collect();
    names.sort();
    let report = |path: &std::path::PathBuf| {
        let file = |name: &str| path.join(name).to_str().unwrap().to_string();
        let (trace, line, events) = (file("trace.csv"), file("line.toml"), file("events.csv"));
        let mut arguments = vec!["review", trace.as_str(), "--line", line.as_str()];
        if Path::new(&events).is_file() {
            arguments.extend(["--events", events.as_str()]);
        }
        (
            path.file_name().unwrap().to_string_lossy().into_owned(),
            run(&arguments)
                .replace("\u{1b}[1m", "")
                .replace("\u{1b}[0m", ""),
        )
    };
    let reports: Vec<_> = names.iter().map(report).collect();
    assert!(12 <= reports.len());
    reports
}

/// Files that hold what people read: sentences, templates, scripts and helps.
fn written() -> Vec<(String, String)> {
    fn walk(dir: &Path, into: &mut Vec<(String, String)>) {
        for entry in std::fs::read_dir(dir).unwrap() {
            let path = entry.unwrap().path();
            let ends = path
                .extension()
                .unwrap_or_default()
                .to_string_lossy()
                .into_owned();
            if path.is_dir() {
                walk(&path, into);
            } else if ["rs", "html", "js", "md"].contains(&ends.as_str()) {
                into.push((
                    path.display().to_string(),
                    std::fs::read_to_string(&path).unwrap(),
                ));
            }
        }
    }
    let mut found = Vec::new();
    for part in ["src/report", "src/serve", "src/cli", "sample-traces"] {
        walk(&root().join(part), &mut found);
    }
    for file in ["README.md", "CHANGELOG.md"] {
        found.push((
            file.into(),
            std::fs::read_to_string(root().join(file)).unwrap(),
        ));
    }
    found
}

#[test]
fn no_phrase_that_is_hard_to_read_comes_back() {
    let mut texts = written();
    assert!(60 < texts.len());
    texts.extend(reports());
    texts.extend(COMMANDS.map(|c| (format!("patency {c} --help"), run(&[c, "--help"]))));
    texts.push(("patency --help".into(), run(&["--help"])));
    for (name, text) in &texts {
        let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
        for phrase in HARD_TO_READ {
            assert!(!text.contains(phrase), "{name}: “{phrase}”");
        }
    }
}

#[test]
fn nothing_in_a_report_is_an_order_at_the_bedside_and_odds_are_left_to_the_details() {
    for (name, text) in reports() {
        let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
        let (report, _) = text.split_once("The report:").unwrap_or((&text, ""));
        for sentence in report
            .split([':', '.', '?', '•'])
            .flat_map(|s| s.split(" - "))
        {
            let sentence = sentence
                .trim()
                .trim_start_matches(|c: char| c.is_ascii_digit())
                .trim();
            for order in ORDERS {
                assert!(!sentence.starts_with(order), "{name}: “{sentence}”");
            }
        }
        assert!(!report.contains("odds"), "{name}: odds stand in the text");
    }
}

#[test]
fn a_figure_is_as_precise_as_it_is_known() {
    let mut known_to_hours = 0;
    for (name, text) in reports() {
        let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(!text.contains("99.9"), "{name}");
        for after in text.split("Pressure rose gradually, over ").skip(1) {
            assert!(after.starts_with("about "), "{name}: “{}”", &after[..40]);
        }
        // What began some time between two hours led to an alarm at its time, not so many minutes later.
        for after in text.split("some time between ").skip(1) {
            known_to_hours += 1;
            let (_, rest) = after.split_once(". ").unwrap();
            let next = rest.split(". ").next().unwrap();
            assert!(!next.contains(" later"), "{name}: “{next}”");
        }
    }
    assert!(
        2 <= known_to_hours,
        "no sample has an onset known only to hours"
    );
}

#[test]
fn verdicts_were_right_as_often_as_the_published_figures_say() {
    let published = include_str!("../../ACCURACY.md");
    let hint = "run scripts/verdicts/make.py";
    assert!(
        published.contains(&format!("Measured on {RECORDS} made records")),
        "{hint}"
    );
    let table = |heading: &str| -> Vec<Vec<String>> {
        let (_, after) = published.split_once(heading).unwrap();
        let rows = after
            .lines()
            .skip_while(|l| !l.starts_with('|'))
            .take_while(|l| l.starts_with('|'))
            .skip(2);
        rows.map(|row| {
            row.split('|')
                .map(|cell| cell.replace('*', "").trim().to_string())
                .collect()
        })
        .collect()
    };
    let sites = table("### Sites\n");
    for (index, site) in Site::ALL.iter().enumerate() {
        let cell = |row: &Vec<String>| row[2 + index].replace('·', "0").parse::<u32>().unwrap();
        assert_eq!(sites[index][1], site.word(), "{hint}");
        assert_eq!(
            BY_SITE[index],
            (cell(&sites[index]), sites.iter().take(6).map(cell).sum()),
            "{hint}"
        );
    }
    let bins = table("### Are the probabilities right?\n");
    for (certainty, share, asked) in BY_CERTAINTY {
        let inside = bins.iter().filter(|row| {
            Confidence::of(row[1].split('–').next().unwrap().parse().unwrap()) == certainty
        });
        let (mut right, mut of) = (0.0, 0.0);
        for row in inside {
            let n: f64 = row[2].parse().unwrap();
            (right, of) = (right + n * row[4].parse::<f64>().unwrap(), of + n);
        }
        assert_eq!(f64::from(asked), of, "{hint}");
        assert!(
            (100.0 * right / of - f64::from(share)).abs() <= 0.51,
            "{hint}"
        );
    }
}
