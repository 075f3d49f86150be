//! The store: what is kept, what a step may do, what a start makes of what was cut off.

use super::*;

fn store() -> (tempfile::TempDir, Store) {
    let home = tempfile::tempdir().unwrap();
    let store = Store::open(&home.path().join("s.sqlite")).unwrap();
    (home, store)
}

fn file(stored: &str, role: Role) -> StoredFile {
    StoredFile {
        stored: stored.into(),
        role,
        name: "<b>night's \"trace\"</b>.csv".into(),
        bytes: 12,
        sha256: "00".into(),
    }
}

fn report() -> Report {
    Report {
        page: "<p>".into(),
        style: "s".into(),
        script: "t".into(),
        json: "{}".into(),
    }
}

#[test]
fn a_record_comes_back_as_it_was_given_also_after_the_store_was_opened_again() {
    let (home, store) = store();
    let files = [file("aa", Role::Trace), file("bb", Role::Events)];
    let id = store.add(&files).unwrap();
    drop(store);
    let store = Store::open(&home.path().join("s.sqlite")).unwrap();
    let entry = store.entry(id).unwrap().unwrap();
    assert_eq!(entry.files, files);
    assert_eq!(entry.state, State::Reading);
    assert_eq!(store.stored_files().unwrap().len(), 2);
    assert_eq!(store.entry(id + 1).unwrap(), None);
}

#[test]
fn a_step_is_taken_once_and_only_from_the_states_it_names() {
    let (_home, store) = store();
    let id = store.add(&[file("aa", Role::Trace)]).unwrap();
    let step = |from: &[State], to| store.step(id, from, to, Known::default()).unwrap();
    assert!(!step(&[State::Understood], State::Waiting));
    assert!(step(&[State::Reading], State::Understood));
    assert!(step(&[State::Understood], State::Waiting));
    assert!(
        !step(&[State::Understood], State::Waiting),
        "a second window"
    );
}

#[test]
fn workers_take_readings_first_and_nothing_twice() {
    let (_home, store) = store();
    let first = store.add(&[file("aa", Role::Trace)]).unwrap();
    let second = store.add(&[file("bb", Role::Trace)]).unwrap();
    store
        .step(first, &[State::Reading], State::Waiting, Known::default())
        .unwrap();
    assert_eq!(
        store.next(&[], u64::MAX).unwrap(),
        Some((second, State::Reading))
    );
    assert_eq!(
        store.next(&[second], u64::MAX).unwrap(),
        Some((first, State::Waiting))
    );
    assert_eq!(store.next(&[second], u64::MAX).unwrap(), None);
    assert_eq!(store.busy().unwrap(), 2);
    assert_eq!(store.next(&[], 11).unwrap(), None, "larger than is taken");
}

#[test]
fn a_review_cut_off_is_made_again_at_the_next_start_and_given_up_at_the_third() {
    let (_home, store) = store();
    let id = store.add(&[file("aa", Role::Trace)]).unwrap();
    store
        .step(id, &[State::Reading], State::Waiting, Known::default())
        .unwrap();
    for _ in 0..2 {
        assert_eq!(
            store.next(&[], u64::MAX).unwrap(),
            Some((id, State::Waiting))
        );
        store.take_up_again().unwrap();
        assert_eq!(store.entry(id).unwrap().unwrap().state, State::Waiting);
    }
    store.next(&[], u64::MAX).unwrap();
    store.take_up_again().unwrap();
    let entry = store.entry(id).unwrap().unwrap();
    assert_eq!(entry.state, State::Failed);
    assert!(entry.problem.unwrap().what.contains("3 times"));
}

#[test]
fn a_review_that_was_cancelled_meanwhile_is_not_kept() {
    let (_home, store) = store();
    let id = store.add(&[file("aa", Role::Trace)]).unwrap();
    store
        .step(id, &[State::Reading], State::Waiting, Known::default())
        .unwrap();
    store.next(&[], u64::MAX).unwrap();
    store
        .step(id, &State::BUSY, State::Cancelled, Known::default())
        .unwrap();
    assert!(!store.finish(id, &Digest::default(), &report()).unwrap());
    assert_eq!(store.report(id).unwrap(), None);
    assert!(!store.tick(id, "1-clamps", true).unwrap());
}

#[test]
fn ticks_stay_until_they_are_taken_away_and_go_with_their_record() {
    let (_home, store) = store();
    let id = store.add(&[file("aa", Role::Trace)]).unwrap();
    store
        .step(id, &[State::Reading], State::Waiting, Known::default())
        .unwrap();
    store.next(&[], u64::MAX).unwrap();
    assert!(store.finish(id, &Digest::default(), &report()).unwrap());
    for (name, ticked) in [("1-a", true), ("1-b", true), ("1-a", true), ("1-b", false)] {
        assert!(store.tick(id, name, ticked).unwrap());
    }
    assert_eq!(store.ticks(id).unwrap(), ["1-a"]);
    assert_eq!(store.files_of(id).unwrap(), ["aa"]);
    store.remove(id).unwrap();
    assert_eq!(store.loose().unwrap(), ["aa"]);
    store.forget(&["aa".to_string()]).unwrap();
    assert_eq!(store.loose().unwrap(), [""; 0]);
    assert_eq!(store.ticks(id).unwrap().len(), 0);
    assert_eq!(store.report(id).unwrap(), None);
}

#[test]
fn a_store_of_a_later_version_is_refused_and_left_as_it_is() {
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("s.sqlite");
    drop(Store::open(&path).unwrap());
    let db = Connection::open(&path).unwrap();
    db.pragma_update(None, "user_version", 99).unwrap();
    drop(db);
    let refused = Store::open(&path).err().unwrap();
    assert!(refused.what.contains("later patency"), "{refused}");
    let db = Connection::open(&path).unwrap();
    let version: i64 = db
        .pragma_query_value(None, "user_version", |r| r.get(0))
        .unwrap();
    assert_eq!(version, 99);
}

#[test]
fn the_newest_records_come_first_and_the_others_page_by_page() {
    let (_home, store) = store();
    let names: Vec<String> = (0..7).map(|i| i.to_string()).collect();
    let ids: Vec<i64> = names
        .iter()
        .map(|name| store.add(&[file(name, Role::Trace)]).unwrap())
        .collect();
    let page = |skip| {
        let (entries, all) = store.entries(skip, 3).unwrap();
        assert_eq!(all, 7);
        entries.iter().map(|e| e.id).collect::<Vec<_>>()
    };
    assert_eq!(page(0), [ids[6], ids[5], ids[4]]);
    assert_eq!(page(6), [ids[0]]);
    assert_eq!(page(usize::MAX), [0; 0]);
}
