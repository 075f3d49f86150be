//! Help, README, completion and manual pages name the same commands, and nothing that is not there.

use crate::program::{folder, patency};
use std::path::Path;

fn run(arguments: &[&str]) -> String {
    let dir = folder(&[]);
    let run = patency(dir.path(), arguments);
    assert_eq!(run.status, 0, "{arguments:?}: {}", run.stderr);
    run.stdout
}

/// The commands, as the help lists them.
fn commands() -> Vec<String> {
    let help = run(&["--help"]);
    let (_, listed) = help.split_once("Commands:\n").unwrap();
    let (listed, _) = listed.split_once("\n\n").unwrap();
    let names = listed
        .lines()
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next());
    let names: Vec<String> = names.filter(|n| *n != "help").map(Into::into).collect();
    assert!(12 < names.len(), "{names:?}");
    names
}

#[test]
fn the_readme_names_every_command_and_no_other() {
    let readme = include_str!("../../README.md");
    let mut named: Vec<&str> = readme
        .lines()
        .filter(|line| line.starts_with("| `patency "))
        .flat_map(|line| line.split("`patency ").skip(1))
        .map(|rest| rest.split([' ', '`']).next().unwrap())
        .collect();
    named.sort_unstable();
    named.dedup();
    let mut commands = commands();
    commands.sort_unstable();
    assert_eq!(named, commands);
}

#[test]
fn every_help_has_an_example_of_its_command_and_names_only_samples_that_exist() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut helps = vec![("review".to_string(), run(&["--help"]))];
    for name in commands() {
        helps.push((name.clone(), run(&[&name, "--help"])));
    }
    for (name, help) in helps {
        let help = help.split_whitespace().collect::<Vec<_>>().join(" ");
        let example = format!("patency {name}");
        assert!(
            help.split("Example").skip(1).any(|e| e.contains(&example)),
            "{name} has no example: {help}"
        );
        for after in help.split("sample-traces/").skip(1) {
            let path = after.split([' ', '`', ',', ')']).next().unwrap();
            assert!(
                root.join("sample-traces").join(path).exists(),
                "{name}: {path}"
            );
        }
    }
}

#[test]
fn the_help_lists_every_exit_status() {
    let help = run(&["--help"]);
    let (_, listed) = help.split_once("Exit status:\n").unwrap();
    for status in ["  0  ", "  1  ", "  2  ", "  3  "] {
        assert!(listed.contains(status), "{help}");
    }
    let dir = folder(&[]);
    assert_eq!(patency(dir.path(), &["review", "none.csv"]).status, 1);
    assert_eq!(
        patency(dir.path(), &["review", "--no-such-option"]).status,
        2
    );
}

#[test]
fn completion_and_manual_pages_have_every_command() {
    let dir = folder(&[]);
    let made = patency(dir.path(), &["man", "--out", "pages"]);
    assert_eq!(made.status, 0, "{}", made.stderr);
    let page = |name: &str| std::fs::read_to_string(dir.path().join("pages").join(name)).unwrap();
    assert!(page("patency.1").contains(".TH patency 1"));
    for shell in ["bash", "zsh", "fish"] {
        let script = run(&["completions", shell]);
        for name in commands() {
            assert!(script.contains(&name), "{shell}: {name}");
            assert!(page(&format!("patency-{name}.1")).contains(".SH"), "{name}");
        }
        assert!(!script.contains("workbench-job"), "{shell}");
    }
}
