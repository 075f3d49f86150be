//! What is kept when the process is killed, and what a second one may do.

use super::client::{Workbench, form_type, part, sample};
use crate::program::patency;
use std::io::Write;
use std::path::Path;
use std::time::Duration;

fn files_in(data: &Path) -> usize {
    std::fs::read_dir(data.join("files")).unwrap().count()
}

#[test]
fn killed_in_the_middle_of_an_upload_nothing_that_was_there_is_lost() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    let done = bench.reviewed(&[("t.csv", &sample("slow-rise/trace.csv"))]);
    let page = format!("/records/{done}");
    let json = bench.get(&format!("{page}/review.json")).body;
    let body = bench.get(&page).body;
    let first = body.split("data-box=\"").nth(1).unwrap();
    let name = first.split('"').next().unwrap();
    let tick = bench.post(&format!("{page}/tick"), &format!("box={name}&ticked=1"));
    assert_eq!(tick.status, 204);
    let mut stream = bench.connect();
    let more = format!("{}Content-Length: 10000000\r\n", form_type());
    stream
        .write_all(bench.head("POST", "/records", &more).as_bytes())
        .unwrap();
    stream.write_all(part("half.csv").as_bytes()).unwrap();
    stream.write_all(&vec![b'1'; 3_000_000]).unwrap();
    let coming_in = || files_in(home.path()) == 2;
    for _ in 0..100 {
        if coming_in() {
            break;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(coming_in(), "the upload was not under way");
    bench.kill();

    let bench = Workbench::start(home.path(), &[]);
    assert_eq!(files_in(home.path()), 1, "the half file was swept away");
    assert_eq!(bench.state(done), "done");
    assert_eq!(bench.get(&format!("{page}/review.json")).body, json);
    let ticked = format!("data-box=\"{name}\" checked>");
    assert!(bench.get(&page).body.contains(&ticked));
    assert_eq!(bench.get(&format!("/records/{}", done + 1)).status, 404);
    let next = bench.reviewed(&[("t.csv", &sample("slow-rise/trace.csv"))]);
    assert!(done < next);
}

#[test]
fn killed_at_work_what_was_begun_is_done_after_the_next_start() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &["--at-once", "1"]);
    let trace = sample("filter-loads/trace.csv");
    let ids: Vec<i64> = (0..6).map(|_| bench.record(&[("t.csv", &trace)])).collect();
    for id in &ids {
        assert_eq!(bench.settled(*id), "understood");
    }
    for id in &ids {
        bench.post(&format!("/records/{id}/review"), "");
    }
    let unread = bench.record(&[("t.csv", &trace)]);
    bench.kill();
    let bench = Workbench::start(home.path(), &[]);
    for id in ids {
        assert_eq!(bench.settled(id), "done");
    }
    assert_eq!(bench.settled(unread), "understood");
}

#[test]
fn a_second_workbench_on_the_same_folder_is_refused_and_says_what_to_do() {
    let home = tempfile::tempdir().unwrap();
    let _bench = Workbench::start(home.path(), &[]);
    let data = home.path().to_str().unwrap();
    let second = patency(home.path(), &["serve", "--no-open", "--data", data]);
    assert_eq!(second.status, 1);
    assert!(
        second
            .stderr
            .contains("another workbench is running on this data folder")
    );
    assert!(second.stderr.contains("hint: "));
    assert_eq!(second.stdout, "");
}

#[test]
fn a_survey_in_the_data_folder_is_shown_with_its_figures() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    let none = bench.get("/survey").body;
    assert!(none.contains("There is no survey yet") && none.contains("patency survey DIR --out"));
    std::fs::create_dir(home.path().join("survey")).unwrap();
    let page = "<html><body><header></header><main><h1>31 onsets</h1><script>alert(1)</script></main></body></html>";
    std::fs::write(home.path().join("survey/survey.html"), page).unwrap();
    let shown = bench.get("/survey");
    assert!(
        shown.body.contains("Never flush against resistance")
            && shown.body.contains("31 onsets")
            && shown.body.contains("<nav class=\"bench\"")
    );
    let policy = shown.header("content-security-policy");
    assert!(
        policy.contains("default-src 'none'") && !policy.contains("script-src"),
        "{policy}"
    );
}

#[cfg(unix)]
#[test]
fn only_their_owner_may_read_the_records() {
    use std::os::unix::fs::PermissionsExt;
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    let bench = Workbench::start(&data, &[]);
    bench.record(&[("t.csv", &sample("slow-rise/trace.csv"))]);
    let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o077;
    assert_eq!(mode(&data), 0);
    for file in std::fs::read_dir(data.join("files")).unwrap() {
        assert_eq!(mode(&file.unwrap().path()), 0);
    }
}
