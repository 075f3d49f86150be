//! What is not the workbench's own: no file of others is changed or removed, wherever it lies and whatever it is called.

use super::client::{Workbench, sample};
use crate::program::{Run, shell};
use rusqlite::Connection;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Every file and link below a folder with what it holds.
fn all(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_symlink() {
            let target = std::fs::read_link(&path).unwrap();
            found.insert(path, target.to_str().unwrap().as_bytes().to_vec());
        } else if path.is_dir() {
            found.insert(path.join(""), Vec::new());
            found.extend(all(&path));
        } else {
            found.insert(path.clone(), std::fs::read(&path).unwrap());
        }
    }
    found
}

/// A start that is to be refused, and is to change nothing.
fn refused(home: &Path, data: &Path) -> Run {
    let before = all(home);
    let data = data.to_str().unwrap();
    // Where it is not refused it would run on: it is ended, with another status.
    let line = format!("timeout 20 $PATENCY serve --no-open --data {data}");
    let run = shell(home, &line);
    assert_eq!(run.status, 1, "{}", run.stderr);
    assert_eq!(run.stdout, "");
    assert!(run.stderr.contains("hint: "), "{}", run.stderr);
    assert_eq!(all(home), before, "{}", run.stderr);
    run
}

/// Starts a workbench, gives a record, ends it; the names of the stored files.
fn used(data: &Path) -> Vec<String> {
    let bench = Workbench::start(data, &[]);
    let id = bench.record(&[("t.csv", &sample("slow-rise/trace.csv"))]);
    assert_eq!(bench.settled(id), "understood");
    bench.kill();
    let files = std::fs::read_dir(data.join("files")).unwrap();
    files
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect()
}

/// Plants files of others wherever a careless sweep would find them; gives their places and contents.
fn plant(home: &Path, data: &Path, stored: &str) -> Vec<PathBuf> {
    let outside = home.join("outside");
    std::fs::create_dir_all(outside.join("deep")).unwrap();
    let lookalike = "0123456789abcdef".repeat(4);
    let mut planted = vec![
        data.join("thesis.docx"),
        data.join("workbench.sqlite.bak"),
        data.join("files/notes.txt"),
        data.join("files/.hidden"),
        data.join("files").join(&lookalike),
        data.join("files").join(format!("{lookalike}.part")),
        data.join("files").join(format!("{stored}.part.txt")),
        data.join("files").join(stored.to_uppercase() + "-1"),
        data.join("files/sub").join(&lookalike),
        data.join("files/sub/deep/x.part"),
        data.join("survey/survey.html"),
        data.join("survey").join(&lookalike),
        data.join("own folder/x.csv"),
        outside.join(&lookalike),
        outside.join("deep/x.part"),
    ];
    for (i, path) in planted.iter().enumerate() {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, format!("of others, {i}")).unwrap();
    }
    for (to, from) in [
        (outside.join(&lookalike), "f".repeat(64)),
        (outside.clone(), "e".repeat(64)),
        (outside.join("nowhere"), format!("{}.part", "d".repeat(64))),
        (outside.clone(), "linked".into()),
    ] {
        let link = data.join("files").join(from);
        std::os::unix::fs::symlink(to, &link).unwrap();
        planted.push(link);
    }
    planted
}

#[test]
fn a_folder_of_others_is_refused_with_what_to_do_and_left_as_it_is() {
    let lookalike = "a".repeat(64);
    for (i, names) in [
        &["holiday.jpg"][..],
        &["files/letter.txt"],
        &[&format!("files/{lookalike}")],
        &["workbench.sqlite", "files/x"],
        &["workbench.sqlite", "workbench.lock", "files/x"],
        &["workbench.mark"],
        &[".hidden"],
        &["survey/survey.html"],
    ]
    .iter()
    .enumerate()
    {
        let home = tempfile::tempdir().unwrap();
        let data = home.path().join("data");
        for name in *names {
            std::fs::create_dir_all(data.join(name).parent().unwrap()).unwrap();
            std::fs::write(data.join(name), "of others").unwrap();
        }
        let run = refused(home.path(), &data);
        let says = ["not a workbench’s: nothing in it was changed", "is damaged"];
        assert!(
            says.iter().any(|s| run.stderr.contains(s)),
            "{i}: {}",
            run.stderr
        );
    }
}

#[test]
fn another_programs_database_in_the_stores_place_is_refused() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    std::fs::create_dir_all(data.join("files")).unwrap();
    std::fs::write(data.join("workbench.lock"), "").unwrap();
    let db = Connection::open(data.join("workbench.sqlite")).unwrap();
    db.execute_batch("CREATE TABLE records (id INTEGER); PRAGMA user_version = 1;")
        .unwrap();
    drop(db);
    let run = refused(home.path(), &data);
    assert!(run.stderr.contains("not a workbench’s"), "{}", run.stderr);
    // With the mark beside it, it is still no store.
    let marked = home.path().join("marked");
    let _ = used(&marked);
    for end in ["", "-wal"] {
        let _ = std::fs::remove_file(marked.join(format!("workbench.sqlite{end}")));
    }
    std::fs::copy(
        data.join("workbench.sqlite"),
        marked.join("workbench.sqlite"),
    )
    .unwrap();
    let run = refused(home.path(), &marked);
    assert!(run.stderr.contains("other tables"), "{}", run.stderr);
}

#[test]
fn files_of_others_in_its_folder_outlive_starts_removals_and_killed_uploads() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    let stored = used(&data);
    let planted = plant(home.path(), &data, &stored[0]);
    let content = |path: &PathBuf| all(home.path()).remove(path);
    let before: Vec<_> = planted.iter().map(content).collect();
    assert!(before.iter().all(Option::is_some));

    // An upload that is cut off, a removal, and two starts.
    let bench = Workbench::start(&data, &[]);
    let _held = bench.half_given(1_000_000);
    let own_parts = || {
        let names = std::fs::read_dir(data.join("files")).unwrap();
        let names = names.map(|e| e.unwrap().path());
        names
            .filter(|p| p.to_str().unwrap().ends_with(".part") && !planted.contains(p))
            .count()
    };
    for _ in 0..200 {
        if own_parts() == 1 {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    assert_eq!(own_parts(), 1, "the upload was not under way");
    bench.kill();
    let bench = Workbench::start(&data, &[]);
    assert_eq!(own_parts(), 0, "the half file stayed");
    assert!(data.join("files").join(&stored[0]).exists());
    assert_eq!(bench.post("/records/1/remove", "").status, 303);
    assert!(!data.join("files").join(&stored[0]).exists());
    bench.kill();
    drop(Workbench::start(&data, &[]));
    let after: Vec<_> = planted.iter().map(content).collect();
    assert_eq!(after, before);
}

#[test]
fn a_store_that_was_emptied_or_lost_leaves_the_uploads_alone_and_says_so() {
    for how in ["rows", "bytes", "file"] {
        let home = tempfile::tempdir().unwrap();
        let data = home.path().join("data");
        let stored = used(&data);
        let store = data.join("workbench.sqlite");
        match how {
            "rows" => {
                let db = Connection::open(&store).unwrap();
                db.pragma_update(None, "foreign_keys", true).unwrap();
                db.execute("DELETE FROM records", []).unwrap();
            }
            _ => {
                std::fs::remove_file(data.join("workbench.sqlite-wal")).unwrap();
                std::fs::remove_file(&store).unwrap();
            }
        }
        if how == "bytes" {
            std::fs::write(&store, "").unwrap();
        }
        for _ in 0..2 {
            let (bench, said) = Workbench::start_and_listen(&data);
            assert!(
                said.contains("the workbench’s store is empty, but 1 file lies in"),
                "{how}: {said}"
            );
            assert!(data.join("files").join(&stored[0]).exists(), "{how}");
            bench.kill();
        }
    }
}

#[test]
fn a_damaged_store_is_refused_and_nothing_is_touched() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    used(&data);
    let store = data.join("workbench.sqlite");
    let journal = data.join("workbench.sqlite-wal");
    let refuses = |what: &str| {
        let run = refused(home.path(), &data);
        assert!(run.stderr.contains("is damaged"), "{what}: {}", run.stderr);
        assert!(run.stderr.contains("nothing was changed"), "{what}");
    };
    // The journal of a killed process is there: SQLite removes it where the file beside it is empty.
    let good = std::fs::read(&store).unwrap();
    assert!(0 < std::fs::metadata(&journal).unwrap().len());
    std::fs::write(&store, "").unwrap();
    refuses("emptied, with a journal");
    std::fs::write(&store, "not a database, but somebody's words").unwrap();
    refuses("text");
    std::fs::write(&store, &good).unwrap();
    // Whole pages in the file, none in the journal; then the pages of the tables overwritten.
    let db = Connection::open(&store).unwrap();
    db.execute_batch("PRAGMA wal_checkpoint(TRUNCATE);")
        .unwrap();
    drop(db);
    let whole = std::fs::read(&store).unwrap();
    let mut spoilt = whole.clone();
    spoilt[4096..].fill(0x5a);
    std::fs::write(&store, &spoilt).unwrap();
    refuses("pages overwritten");
    std::fs::write(&store, &whole[..4096 * 3]).unwrap();
    refuses("cut");
    std::fs::write(&store, &whole).unwrap();
    let bench = Workbench::start(&data, &[]);
    assert_eq!(bench.state(1), "understood");
}

#[test]
fn a_folder_of_the_first_version_is_claimed_with_its_records() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    let stored = used(&data);
    // As the first version left it after a kill: no mark, no list of files that belong to no record.
    std::fs::remove_file(data.join("workbench.mark")).unwrap();
    let db = Connection::open(data.join("workbench.sqlite")).unwrap();
    db.execute_batch("DROP TABLE loose; DROP TABLE to_scrub; PRAGMA user_version = 1;")
        .unwrap();
    drop(db);
    let leftover = data.join("files").join("b".repeat(64));
    std::fs::write(
        &leftover,
        "an upload that the first version had begun, or somebody's file",
    )
    .unwrap();
    let bench = Workbench::start(&data, &[]);
    assert_eq!(bench.state(1), "understood");
    assert!(data.join("files").join(&stored[0]).exists() && leftover.exists());
    bench.kill();
    assert!(data.join("workbench.mark").exists());
    assert_eq!(Workbench::start(&data, &[]).state(1), "understood");
}

#[test]
fn a_link_in_the_place_of_its_own_files_is_refused_and_not_followed() {
    for name in [
        "files",
        "workbench.sqlite",
        "workbench.lock",
        "workbench.mark",
    ] {
        let home = tempfile::tempdir().unwrap();
        let data = home.path().join("data");
        used(&data);
        let elsewhere = home.path().join("elsewhere");
        std::fs::rename(data.join(name), &elsewhere).unwrap();
        std::os::unix::fs::symlink(&elsewhere, data.join(name)).unwrap();
        refused(home.path(), &data);
    }
    // The data folder itself may be named through one.
    let home = tempfile::tempdir().unwrap();
    used(&home.path().join("data"));
    std::os::unix::fs::symlink(home.path().join("data"), home.path().join("link")).unwrap();
    let bench = Workbench::start(&home.path().join("link"), &[]);
    assert_eq!(bench.state(1), "understood");
}
