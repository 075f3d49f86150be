//! Who is let in, and how much.

use super::client::{Workbench, form, form_type, part, port_and_token, read, sample};
use crate::program::patency;
use patency::serve::Limits;
use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};

const TRACE: &[u8] = b"time,channel,pressure_mmhg,rate_ml_h\n0,pn,31,4\n60,pn,31,4\n120,pn,32,4\n";

fn files_in(data: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(data.join("files")).unwrap();
    entries
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect()
}

#[test]
fn another_host_or_origin_is_refused_although_it_bears_the_cookie() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    let own = bench.head("GET", "/", "");
    assert_eq!(bench.raw(&own, b"").status, 200);
    let host = format!("Host: 127.0.0.1:{}", bench.port);
    for other in [
        "Host: evil.example",
        &format!("Host: evil.example:{}", bench.port),
        &format!("Host: 127.0.0.1.evil.example:{}", bench.port),
        "Host: 127.0.0.1:1",
        "Host: 127.0.0.1",
        "Host:",
    ] {
        let answer = bench.raw(&own.replace(&host, other), b"");
        assert_eq!(answer.status, 403, "{other}");
        assert!(!answer.body.contains("Records"), "{other}");
    }
    let body = form(&[("a.csv", TRACE)]);
    let more = format!("{}Content-Length: {}\r\n", form_type(), body.len());
    let post = bench.head("POST", "/records", &more);
    let origin = format!("Origin: http://127.0.0.1:{}\r\n", bench.port);
    for other in [
        "Origin: http://evil.example\r\n",
        "Origin: null\r\n",
        "Origin: http://127.0.0.1:1\r\n",
        "",
    ] {
        let answer = bench.raw(&post.replace(&origin, other), &body);
        assert_eq!(answer.status, 403, "{other}");
    }
    let framed = bench.head("GET", "/", "Sec-Fetch-Site: cross-site\r\n");
    assert_eq!(bench.raw(&framed, b"").status, 403);
    assert_eq!(files_in(home.path()), [""; 0], "nothing was taken in");
}

#[test]
fn without_the_token_there_is_nothing_to_see() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    let head = |path: &str, cookie: &str| {
        format!(
            "GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\n{cookie}Connection: close\r\n\r\n",
            bench.port
        )
    };
    for path in [
        "/",
        "/records/1",
        "/workbench.css",
        "/nowhere",
        "/survey",
        "/open",
        "/open?token=",
        "/open?token=00",
    ] {
        assert_eq!(bench.raw(&head(path, ""), b"").status, 403, "{path}");
    }
    let almost = &bench.token[..63];
    let opened = bench.raw(&head(&format!("/open?token={almost}"), ""), b"");
    assert_eq!(opened.status, 403);
    let guessed = format!("Cookie: patency-{}={}\r\n", bench.port, bench.token);
    let answer = bench.raw(&head("/", &guessed), b"");
    assert_eq!(answer.status, 403, "the token is not the cookie");
}

#[test]
fn an_address_lets_in_once_and_another_start_gives_a_new_one() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    let bench = Workbench::start(&data, &[]);
    let open = |token: &str, more: &str| {
        let head = format!(
            "GET /open?token={token} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\n{more}Connection: close\r\n\r\n",
            bench.port
        );
        bench.raw(&head, b"")
    };
    // The test's own window has used it: a stranger that saw it comes too late, its owner's window is let in.
    let late = open(&bench.token, "");
    assert_eq!(late.status, 403);
    assert!(
        late.body.contains("Run `patency serve` again"),
        "{}",
        late.body
    );
    assert_eq!(late.header("set-cookie"), "");
    assert_eq!(
        bench.get(&format!("/open?token={}", bench.token)).status,
        200
    );

    let address = |run: &crate::program::Run| {
        assert_eq!(run.status, 0, "{}", run.stderr);
        assert!(run.stdout.contains("is running already"), "{}", run.stdout);
        let line = run.stdout.lines().next().unwrap();
        let (port, token) = port_and_token(line.rsplit(' ').next().unwrap());
        assert_eq!(port, bench.port);
        token
    };
    let args = ["serve", "--no-open", "--data", "data"];
    let first = address(&patency(home.path(), &args));
    let second = address(&patency(home.path(), &args));
    let looked = format!(
        "HEAD /open?token={first} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nConnection: close\r\n\r\n",
        bench.port
    );
    assert_eq!(
        bench.raw(&looked, b"").status,
        403,
        "a look uses nothing up"
    );
    // From the file that opens the browser: another site to it.
    let opened = open(&first, "Sec-Fetch-Site: cross-site\r\n");
    assert_eq!(opened.status, 200);
    assert!(
        opened
            .body
            .contains("http-equiv=\"refresh\" content=\"0;url=/\"")
    );
    let cookie = opened.header("set-cookie").to_string();
    assert!(cookie.contains("Max-Age="), "{cookie}");
    let cookie = cookie.split(';').next().unwrap();
    let home_page = format!(
        "GET / HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nCookie: {cookie}\r\nConnection: close\r\n\r\n",
        bench.port
    );
    for _ in 0..2 {
        assert_eq!(bench.raw(&home_page, b"").status, 200);
        assert_eq!(open(&first, "").status, 403);
    }
    assert_eq!(open(&second, "").status, 200);
    assert_eq!(open(&second, "").status, 403);
}

#[test]
fn connections_without_the_key_do_not_hold_its_owner_up() {
    let home = tempfile::tempdir().unwrap();
    let limits = Limits {
        connections: 8,
        ..Limits::default()
    };
    let bench = Workbench::within(home.path(), limits);
    // Four times as many as there are places: silent, halfway through their head, or dripping.
    let mut strangers: Vec<_> = (0..32).map(|_| bench.connect()).collect();
    for (i, stranger) in strangers.iter_mut().enumerate() {
        let said: &[u8] = [&b""[..], b"GET / HT", b"GET / HTTP/1.1\r\nHost: "][i % 3];
        stranger.write_all(said).unwrap();
    }
    let begun = Instant::now();
    assert_eq!(bench.get("/").status, 200);
    let took = begun.elapsed();
    assert!(took < Duration::from_secs(12), "answered after {took:?}");
    // None of them is kept for longer than its head may take.
    for stranger in &mut strangers {
        assert_ne!(read(stranger).status, 200);
    }
    let took = begun.elapsed();
    assert!(took < Duration::from_secs(20), "ended after {took:?}");
}

#[test]
fn what_names_a_file_is_bounded() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    let long = "n".repeat(300_000);
    let answer = bench.give(&[(&long, TRACE)]);
    assert_eq!(answer.status, 431, "{}", answer.body);
    assert!(answer.body.contains("give the file a shorter name"));
    // A second file's, after a first one's many bytes.
    let big = vec![b'7'; 3_000_000];
    assert_eq!(bench.give(&[("a.csv", &big), (&long, TRACE)]).status, 431);
    // A head without an end.
    let mut stream = bench.connect();
    let more = format!("{}Content-Length: 1000000000\r\n", form_type());
    stream
        .write_all(bench.head("POST", "/records", &more).as_bytes())
        .unwrap();
    let opening = part("x");
    stream.write_all(opening.trim_end().as_bytes()).unwrap();
    let line = "\r\nX-More: ".to_string() + &"m".repeat(1000);
    let mut sent = 0;
    while sent < 200_000_000 && stream.write_all(line.as_bytes()).is_ok() {
        sent += line.len();
    }
    assert!(sent < 200_000_000, "all of it was taken");
    if let Ok(status) = std::fs::read_to_string(format!("/proc/{}/status", bench.pid())) {
        let line = status.lines().find(|l| l.starts_with("VmHWM:")).unwrap();
        let kb: u64 = line.split_whitespace().nth(1).unwrap().parse().unwrap();
        assert!(kb < 150_000, "{kb} kB at most");
    }
    assert_eq!(files_in(home.path()), [""; 0]);
    // What browsers send is taken: several files, names as long as systems allow, an empty box.
    let name = "l".repeat(255);
    assert_eq!(
        bench
            .give(&[(&name, &big), (&name, TRACE), ("", b"")])
            .status,
        303
    );
}

#[test]
fn every_answer_keeps_the_browser_strict() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    let id = bench.reviewed(&[("a.csv", &sample("slow-rise/trace.csv"))]);
    for path in [
        "/",
        "/survey",
        "/nowhere",
        "/workbench.js",
        "/compare",
        &format!("/records/{id}"),
    ] {
        let answer = bench.get(path);
        let policy = answer.header("content-security-policy").to_string();
        assert!(policy.contains("default-src 'none'"), "{path}: {policy}");
        assert!(policy.contains("frame-ancestors 'none'"), "{path}");
        assert!(!policy.contains("unsafe"), "{path}: {policy}");
        assert_eq!(answer.header("x-content-type-options"), "nosniff", "{path}");
        assert_eq!(answer.header("cache-control"), "no-store", "{path}");
        assert_eq!(answer.header("referrer-policy"), "same-origin", "{path}");
    }
    let opened = bench.get(&format!("/open?token={}", bench.token));
    let cookie = opened.header("set-cookie").to_string();
    assert!(
        cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"),
        "{cookie}"
    );
    assert_eq!(
        bench
            .raw(&bench.head("DELETE", "/records/1", ""), b"")
            .status,
        405
    );
}

#[test]
fn paths_lead_nowhere_but_to_pages_and_file_names_never_to_the_disk() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    let bench = Workbench::start(&data, &[]);
    for path in [
        "/../../../../etc/passwd",
        "/%2e%2e/%2e%2e/etc/passwd",
        "/records/..%2f..%2fworkbench.sqlite",
        "/records/../workbench.sqlite",
        "/workbench.sqlite",
        "/files/",
        "//etc/passwd",
        "/records/1%00/report.html",
        "/records/-1/report.html",
        "/records/99999999999999999999999",
        "/survey/../workbench.lock",
    ] {
        let answer = bench.get(path);
        assert!(
            [400, 404].contains(&answer.status),
            "{path}: {}",
            answer.status
        );
        assert!(!answer.body.contains("root:"), "{path}");
    }
    let id = bench.record(&[
        ("../../../evil.csv", TRACE),
        ("/etc/evil.toml", b"[filter]\npore_um = 1.2\n"),
        ("C:\\evil.csv", b"time,channel,event,detail\n"),
    ]);
    assert_eq!(bench.settled(id), "understood");
    let stored = files_in(&data);
    assert_eq!(stored.len(), 3);
    for name in stored {
        assert!(
            name.len() == 64 && name.bytes().all(|b| b.is_ascii_hexdigit()),
            "{name}"
        );
    }
    let here = std::fs::read_dir(home.path()).unwrap().count();
    assert_eq!(here, 1, "something was written beside the data folder");
    assert!(
        bench
            .get(&format!("/records/{id}"))
            .body
            .contains("../../../evil.csv")
    );
}

#[test]
fn an_upload_larger_than_allowed_is_refused_and_leaves_nothing() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &["--largest-mb", "1"]);
    let large = vec![b'x'; 1_000_001];
    let answer = bench.give(&[("a.csv", &large)]);
    assert_eq!(answer.status, 413);
    assert!(
        answer.body.contains("larger than 1.0\u{a0}MB"),
        "{}",
        answer.body
    );
    let half = vec![b'x'; 600_000];
    let two = bench.give(&[("a.csv", &half), ("b.csv", &half)]);
    assert_eq!(two.status, 413, "two files together");
    let many: Vec<(&str, &[u8])> = vec![("a.csv", TRACE); 7];
    assert_eq!(bench.give(&many).status, 413, "seven files");
    assert_eq!(bench.give(&[]).status, 400, "no file");
    assert_eq!(files_in(home.path()), [""; 0]);
    let form = "x".repeat(600_000);
    assert_eq!(
        bench.post("/records/1/answers", &form).status,
        413,
        "a form without files"
    );
}

#[test]
fn an_upload_without_an_end_is_cut_off_by_its_size() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &["--largest-mb", "2"]);
    let mut stream = bench.connect();
    let more = format!("{}Transfer-Encoding: chunked\r\n", form_type());
    stream
        .write_all(bench.head("POST", "/records", &more).as_bytes())
        .unwrap();
    let opening = part("endless.csv");
    write!(stream, "{:x}\r\n{opening}\r\n", opening.len()).unwrap();
    let piece = format!("10000\r\n{}\r\n", "7".repeat(0x10000));
    let begun = Instant::now();
    let mut sent = 0_u64;
    // Until the server no longer listens.
    while stream.write_all(piece.as_bytes()).is_ok() {
        sent += 0x10000;
        assert!(
            begun.elapsed() < Duration::from_secs(30),
            "{sent} bytes and no end"
        );
    }
    assert_eq!(files_in(home.path()), [""; 0]);
    assert_eq!(bench.get("/").status, 200);
}

#[test]
fn an_upload_that_only_drips_is_cut_off_by_the_clock() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &["--upload-seconds", "2"]);
    let mut stream = bench.connect();
    let more = format!("{}Content-Length: 1000000\r\n", form_type());
    stream
        .write_all(bench.head("POST", "/records", &more).as_bytes())
        .unwrap();
    stream.write_all(part("slow.csv").as_bytes()).unwrap();
    let begun = Instant::now();
    let mut writer = stream.try_clone().unwrap();
    let drip = std::thread::spawn(move || {
        while begun.elapsed() < Duration::from_secs(20) && writer.write_all(b"1").is_ok() {
            std::thread::sleep(Duration::from_millis(100));
        }
    });
    let answer = read(&mut stream);
    let took = begun.elapsed();
    assert_eq!(answer.status, 408);
    assert!(took < Duration::from_secs(10), "cut off after {took:?}");
    drop(stream);
    drip.join().unwrap();
    assert_eq!(files_in(home.path()), [""; 0]);
}

#[test]
fn a_name_full_of_markup_and_one_of_10_000_letters_show_as_text() {
    let home = tempfile::tempdir().unwrap();
    let bench = Workbench::start(home.path(), &[]);
    let trace = b"time,channel,pressure_mmhg,rate_ml_h\n0,<script>alert(1)</script>'&,31,4\n60,<script>alert(1)</script>'&,31,4\n";
    let long = "n".repeat(10_000);
    let id = bench.record(&[
        ("<script>alert(2)</script>'.csv", trace.as_slice()),
        (&format!("{long}.toml"), b"[filter]\npore_um = 1.2\n"),
    ]);
    assert_eq!(bench.settled(id), "understood");
    let page = format!("/records/{id}");
    let mut seen = vec![bench.get(&page).body, bench.get("/").body];
    assert_eq!(bench.post(&format!("{page}/review"), "").status, 303);
    assert_eq!(bench.settled(id), "done");
    seen.push(bench.get(&page).body);
    seen.push(bench.get(&format!("/compare?record={id}&record={id}")).body);
    for body in seen {
        assert!(
            !body.contains("<script>alert"),
            "a name was taken for markup"
        );
        assert!(
            body.contains("alert(1)") || body.contains("alert(2)"),
            "the name is not shown"
        );
        assert!(!body.contains(&"n".repeat(300)), "a long name is not cut");
    }
}

#[test]
fn a_connection_that_says_nothing_and_an_upload_that_falls_silent_are_ended() {
    let home = tempfile::tempdir().unwrap();
    let limits = Limits {
        request_time: Duration::from_secs(1),
        upload_pause: Duration::from_secs(1),
        ..Limits::default()
    };
    let bench = Workbench::within(home.path(), limits);
    let begun = Instant::now();
    let mut silent = bench.connect();
    silent.write_all(b"GET / HT").unwrap();
    let mut upload = bench.connect();
    let more = format!("{}Content-Length: 1000\r\n", form_type());
    let head = bench.head("POST", "/records", &more);
    upload.write_all(head.as_bytes()).unwrap();
    upload.write_all(part("silent.csv").as_bytes()).unwrap();
    assert_eq!(read(&mut upload).status, 408);
    assert_ne!(read(&mut silent).status, 200);
    let took = begun.elapsed();
    assert!(took < Duration::from_secs(10), "ended after {took:?}");
    assert_eq!(files_in(home.path()), [""; 0]);
}

#[test]
fn more_than_may_wait_or_come_in_at_once_is_sent_away_with_what_to_do() {
    let home = tempfile::tempdir().unwrap();
    let full = [
        Limits {
            waiting: 0,
            ..Limits::default()
        },
        Limits {
            uploads_at_once: 0,
            ..Limits::default()
        },
    ];
    for (i, limits) in full.into_iter().enumerate() {
        let data = home.path().join(i.to_string());
        let bench = Workbench::within(&data, limits);
        let answer = bench.give(&[("a.csv", TRACE)]);
        assert_eq!(answer.status, 503);
        assert!(
            answer.body.contains("too many records are waiting"),
            "{}",
            answer.body
        );
        assert_eq!(files_in(&data), [""; 0]);
    }
}

#[test]
fn more_connections_than_there_are_places_wait_and_none_is_lost() {
    let home = tempfile::tempdir().unwrap();
    let limits = Limits {
        connections: 4,
        ..Limits::default()
    };
    let bench = Workbench::within(home.path(), limits);
    std::thread::scope(|scope| {
        let asked: Vec<_> = (0..40)
            .map(|_| scope.spawn(|| bench.get("/").status))
            .collect();
        for answer in asked {
            assert_eq!(answer.join().unwrap(), 200);
        }
    });
}
