//! House rules as tests: every module says what it is for, and a layer names only the layers below it.

use std::fs;
use std::path::{Path, PathBuf};

/// Room and the rooms it may name.
const MAY_USE: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("time", &[]),
    ("error", &[]),
    ("hydraulics", &["units"]),
    ("stats", &["units"]),
    ("signal", &["stats"]),
    ("record", &["time", "units"]),
    ("ingest", &["error", "record", "time", "units"]),
    (
        "infer",
        &["hydraulics", "record", "signal", "stats", "time", "units"],
    ),
    ("study", &["infer", "record", "stats", "time", "units"]),
    (
        "report",
        &[
            "hydraulics",
            "infer",
            "record",
            "signal",
            "study",
            "time",
            "units",
        ],
    ),
    ("simulate", &["error", "time", "units"]),
    (
        "run",
        &[
            "error", "infer", "ingest", "record", "signal", "study", "time", "units",
        ],
    ),
    (
        "serve",
        &[
            "error", "infer", "ingest", "record", "report", "run", "time", "units",
        ],
    ),
    (
        "cli",
        &[
            "error",
            "hydraulics",
            "infer",
            "ingest",
            "record",
            "report",
            "run",
            "serve",
            "signal",
            "simulate",
            "study",
            "time",
            "units",
        ],
    ),
];

/// The edges: the command line and the local workbench.
const EDGES: &[&str] = &["cli", "serve"];

/// What only the edges may touch.
const EDGE_ONLY: &[&str] = &[
    "std::fs",
    "std::env",
    "std::net",
    "SystemTime",
    "ZonedDateTime::now",
    "Timestamp::now",
    "Instant::now",
    "println!",
    "eprintln!",
];

fn sources() -> Vec<(PathBuf, String)> {
    fn walk(dir: &Path, into: &mut Vec<(PathBuf, String)>) {
        for entry in fs::read_dir(dir).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, into);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = fs::read_to_string(&path).unwrap();
                into.push((path, text));
            }
        }
    }
    let mut found = Vec::new();
    walk(
        &Path::new(env!("CARGO_MANIFEST_DIR")).join("src"),
        &mut found,
    );
    assert!(10 < found.len(), "the walk found too little to be a check");
    found
}

fn room(path: &Path) -> String {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let first = path.strip_prefix(src).unwrap().components().next().unwrap();
    first
        .as_os_str()
        .to_string_lossy()
        .trim_end_matches(".rs")
        .to_string()
}

/// Code without its comments: a doc link to a higher layer is no dependence.
fn code(text: &str) -> String {
    text.lines()
        .filter(|l| !l.trim_start().starts_with("//"))
        .collect::<Vec<_>>()
        .join("\n")
}

#[test]
fn every_module_opens_by_saying_what_it_is_for() {
    for (path, text) in sources() {
        assert!(
            text.starts_with("//!"),
            "{} does not open with `//!`",
            path.display()
        );
    }
}

#[test]
fn a_layer_names_only_the_layers_below_it() {
    for (path, text) in sources() {
        let room = room(&path);
        let Some((_, allowed)) = MAY_USE.iter().find(|(name, _)| *name == room) else {
            assert!(
                ["lib", "main"].contains(&room.as_str()),
                "room `{room}` has no row in MAY_USE"
            );
            continue;
        };
        let code = code(&text);
        for (other, _) in MAY_USE
            .iter()
            .filter(|(o, _)| *o != room && !allowed.contains(o))
        {
            let named = code.contains(&format!("crate::{other}"))
                || code.contains(&format!("crate::{{{other}"));
            assert!(
                !named,
                "{} names `{other}`, which lies above it",
                path.display()
            );
        }
        if !EDGES.contains(&room.as_str()) {
            for word in EDGE_ONLY {
                assert!(
                    !code.contains(word),
                    "{} uses {word}, which belongs to the edge",
                    path.display()
                );
            }
        }
    }
}

/// What stands on a page between its tags, less what the template fills in.
fn own_words(template: &str) -> String {
    let mut text = String::new();
    let mut rest = template;
    while let Some(at) = rest.find(['<', '{']) {
        text.push_str(&rest[..at]);
        let end = match &rest[at..] {
            t if t.starts_with("{{") => "}}",
            t if t.starts_with("{%") => "%}",
            t if t.starts_with('<') => ">",
            _ => "{",
        };
        let tail = &rest[at..];
        let inside = &tail[..tail.find(end).unwrap_or(tail.len())];
        // What a screen reader reads out of a tag is said too.
        for name in ["aria-label=\"", "title=\"", "alt=\"", "placeholder=\""] {
            if let Some((_, value)) = inside.split_once(name).filter(|_| end == ">") {
                text.push_str(&own_words(value.split('"').next().unwrap()));
            }
        }
        rest = &tail[(inside.len() + end.len()).min(tail.len())..];
    }
    text + rest
}

#[test]
fn the_pages_of_review_survey_and_workbench_say_nothing_that_is_not_in_words() {
    assert_eq!(
        own_words("<p title=\"a\">{{ b }} c{% if d %}e{% endif %}</p>"),
        "a ce"
    );
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let pages = fs::read_dir(src.join("serve/pages")).unwrap();
    let mut templates: Vec<PathBuf> = pages.map(|e| e.unwrap().path()).collect();
    templates.retain(|p| p.extension().is_some_and(|e| e == "html"));
    assert!(10 < templates.len());
    templates.push(src.join("report/page/page.html"));
    templates.push(src.join("report/survey/page.html"));
    // Names and a command, the same in every language.
    let names = ["SHA", "patency", "survey", "DIR", "out"];
    for path in templates {
        let said = own_words(&fs::read_to_string(&path).unwrap());
        let words: Vec<&str> = said
            .split(|c: char| !c.is_alphabetic())
            .filter(|w| 1 < w.len() && !names.contains(w))
            .collect();
        assert_eq!(words, [""; 0], "{} has words of its own", path.display());
    }
}
