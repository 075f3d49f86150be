//! What is kept when the process is killed, and what a second one may do.

use super::client::{Workbench, sample};
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
    let _held = bench.half_given(3_000_000);
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

#[test]
fn told_to_end_it_ends_well_and_leaves_nothing_half_done() {
    for signal in ["TERM", "INT"] {
        let home = tempfile::tempdir().unwrap();
        let bench = Workbench::start(home.path(), &["--at-once", "1"]);
        let id = bench.record(&[("t.csv", &sample("slow-rise/trace.csv"))]);
        assert_eq!(bench.settled(id), "understood");
        bench.post(&format!("/records/{id}/review"), "");
        let _held = bench.half_given(1_000_000);
        while files_in(home.path()) < 2 {
            std::thread::sleep(Duration::from_millis(10));
        }
        let begun = std::time::Instant::now();
        let status = bench.end(signal);
        assert_eq!(status.code(), Some(0), "{signal}: {status}");
        assert!(begun.elapsed() < Duration::from_secs(10));
        let names = std::fs::read_dir(home.path()).unwrap();
        let mut names: Vec<String> = names
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        let lasting = [
            "files",
            "workbench.lock",
            "workbench.mark",
            "workbench.reserve",
            "workbench.sqlite",
        ];
        assert_eq!(names, lasting, "{signal}");
        assert_eq!(files_in(home.path()), 1, "{signal}: the half file");
        let bench = Workbench::start(home.path(), &[]);
        assert_eq!(bench.settled(id), "done");
    }
}

/// All bytes of all files of a folder.
#[cfg(unix)]
fn bytes_of(dir: &Path) -> Vec<u8> {
    let entries = std::fs::read_dir(dir).unwrap().map(|e| e.unwrap().path());
    entries.fold(Vec::new(), |mut all, path| {
        all.extend(path.to_str().unwrap().as_bytes());
        all.extend(if path.is_dir() {
            bytes_of(&path)
        } else {
            std::fs::read(&path).unwrap()
        });
        all
    })
}

#[cfg(unix)]
#[test]
fn of_a_record_that_was_removed_no_byte_is_left_in_any_file() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    let trace = String::from_utf8(sample("slow-rise/trace.csv")).unwrap();
    let has = |word: &str| {
        let all = bytes_of(home.path());
        all.windows(word.len()).any(|w| w == word.as_bytes())
    };
    let mut others = Vec::new();
    for i in 0..6 {
        // The channel, the file's name and its content tell the record apart; so does the answer to a question.
        let word = format!("qx{i}zanzibar");
        let name = format!("{word}-{}.csv", "night".repeat(20));
        let column = trace
            .lines()
            .next()
            .unwrap()
            .split(',')
            .position(|c| c == "channel")
            .unwrap();
        let named: Vec<String> = trace
            .lines()
            .enumerate()
            .map(|(at, line)| {
                let mut cells: Vec<&str> = line.split(',').collect();
                if 0 < at {
                    cells[column] = &word;
                }
                cells.join(",")
            })
            .collect();
        let id = bench.reviewed(&[(&name, named.join("\n").as_bytes())]);
        let page = format!("/records/{id}");
        let body = bench.get(&page).body;
        if let Some(first) = body.split("data-box=\"").nth(1) {
            let name = first.split('"').next().unwrap();
            bench.post(&format!("{page}/tick"), &format!("box={name}&ticked=1"));
        }
        assert!(has(&word), "the test looks in the wrong place");
        if i % 2 == 0 {
            assert_eq!(bench.post(&format!("{page}/remove"), "").status, 303);
            assert!(!has(&word), "a trace of {word} is left");
        } else {
            others.push((id, word));
        }
    }
    // Also of one whose removal was cut off by a kill, once the next start is through.
    let (id, word) = others.pop().unwrap();
    let page = format!("/records/{id}/remove");
    let mut stream = bench.connect();
    let more = "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 0\r\n";
    stream
        .write_all(bench.head("POST", &page, more).as_bytes())
        .unwrap();
    std::thread::sleep(Duration::from_millis(3));
    bench.kill();
    let bench = Workbench::start(home.path(), &[]);
    if bench.get(&format!("/records/{id}")).status == 404 {
        assert!(!has(&word), "a trace of {word} is left");
    }
    for (id, word) in others {
        assert_eq!(bench.state(id), "done");
        assert!(has(&word));
    }
}

#[cfg(unix)]
#[test]
fn only_their_owner_may_read_anything_whatever_the_mask_and_the_modes() {
    use std::os::unix::fs::PermissionsExt;
    let home = tempfile::tempdir().unwrap();
    let shared = home.path().join("made before, open to all");
    std::fs::create_dir(&shared).unwrap();
    std::fs::set_permissions(&shared, std::fs::Permissions::from_mode(0o777)).unwrap();
    let modes = |dir: &Path| {
        let mut found = vec![(dir.to_path_buf(), 0o700)];
        for path in std::fs::read_dir(dir).unwrap().map(|e| e.unwrap().path()) {
            found.push((path.clone(), if path.is_dir() { 0o700 } else { 0o600 }));
        }
        for path in std::fs::read_dir(dir.join("files"))
            .unwrap()
            .map(|e| e.unwrap().path())
        {
            found.push((path, 0o600));
        }
        for (path, wanted) in found {
            let mode = std::fs::metadata(&path).unwrap().permissions().mode() & 0o777;
            assert_eq!(mode, wanted, "{}: {mode:o}", path.display());
        }
    };
    for (mask, data) in [
        ("000", "new"),
        ("077", "new too"),
        ("777", "new as well"),
        ("000", "made before, open to all"),
    ] {
        let data = home.path().join(data);
        let bench = Workbench::start_with_mask(&data, mask);
        bench.reviewed(&[("t.csv", &sample("slow-rise/trace.csv"))]);
        assert!(data.join("workbench.sqlite-wal").exists());
        modes(&data);
        bench.kill();
        // Opened to others meanwhile.
        for path in [
            &data,
            &data.join("files"),
            &data.join("workbench.sqlite"),
            &data.join("workbench.sqlite-wal"),
        ] {
            std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o777)).unwrap();
        }
        let _bench = Workbench::start_with_mask(&data, mask);
        modes(&data);
    }
}

/// Gives up its disk at the end.
#[cfg(target_os = "linux")]
struct SmallDisk(tempfile::TempDir);

#[cfg(target_os = "linux")]
impl SmallDisk {
    /// A disk in memory of so many MB; `None` where this user may not make one.
    fn new(mb: u32) -> Option<Self> {
        let dir = tempfile::tempdir().unwrap();
        let size = format!("size={mb}m");
        let mut mount = std::process::Command::new("mount");
        mount
            .args(["-t", "tmpfs", "-o", &size, "tmpfs"])
            .arg(dir.path());
        let made = mount.stderr(std::process::Stdio::null()).status();
        made.is_ok_and(|s| s.success()).then_some(Self(dir))
    }

    fn fill(&self) {
        let mut file = std::fs::File::create(self.0.path().join("ballast")).unwrap();
        for size in [1 << 16, 1 << 12, 1] {
            while file.write_all(&vec![b'x'; size]).is_ok() {}
        }
    }
}

#[cfg(target_os = "linux")]
impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = std::process::Command::new("umount")
            .arg("-l")
            .arg(self.0.path())
            .status();
    }
}

#[cfg(target_os = "linux")]
#[test]
fn on_a_full_disk_it_starts_shows_and_removes() {
    let Some(disk) = SmallDisk::new(24) else {
        return; // only the system's administrator may mount one; scripts/trust/run says where this was not tried
    };
    let data = disk.0.path().join("data");
    let bench = Workbench::start(&data, &[]);
    let mut trace = sample("slow-rise/trace.csv");
    trace.extend(vec![b'\n'; 200_000]); // where the reserve is gone, the file makes room for its own removal
    let ids: Vec<i64> = (0..4)
        .map(|_| bench.reviewed(&[("t.csv", &trace)]))
        .collect();
    disk.fill();
    assert_eq!(
        bench.give(&[("t.csv", &trace)]).status,
        507,
        "there was room left"
    );
    assert_eq!(bench.get(&format!("/records/{}", ids[0])).status, 200);
    // While it runs; after a kill; with no reserve left.
    assert_eq!(
        bench
            .post(&format!("/records/{}/remove", ids[0]), "")
            .status,
        303
    );
    assert_eq!(bench.get(&format!("/records/{}", ids[0])).status, 404);
    disk.fill();
    bench.kill();
    let bench = Workbench::start(&data, &[]);
    assert_eq!(bench.state(ids[1]), "done");
    disk.fill();
    assert_eq!(
        bench
            .post(&format!("/records/{}/remove", ids[1]), "")
            .status,
        303
    );
    assert_eq!(bench.get(&format!("/records/{}", ids[1])).status, 404);
    disk.fill();
    assert_eq!(bench.end("TERM").code(), Some(0));
    let _ = std::fs::remove_file(data.join("workbench.reserve"));
    disk.fill();
    let bench = Workbench::start(&data, &[]);
    assert_eq!(
        bench
            .post(&format!("/records/{}/remove", ids[2]), "")
            .status,
        303
    );
    assert_eq!(bench.state(ids[3]), "done");
    // With room again it takes files in again.
    std::fs::remove_file(disk.0.path().join("ballast")).unwrap();
    bench.reviewed(&[("t.csv", &trace)]);
}
