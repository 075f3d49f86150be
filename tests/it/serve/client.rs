//! A workbench of its own for each test, and a browser reduced to what is sent and what comes back.

use patency::serve::{Limits, Options, run};
use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A running workbench; killed, as by `kill -9`, when it is dropped.
pub struct Workbench {
    child: Option<Child>,
    pub port: u16,
    pub token: String,
    cookie: String,
}

/// What came back.
pub struct Answer {
    pub status: u16,
    pub head: String,
    pub body: String,
}

impl Answer {
    /// A header's value; empty where it is missing.
    pub fn header(&self, name: &str) -> &str {
        let lines = self.head.lines().filter_map(|l| l.split_once(": "));
        let mut found = lines.filter(|(n, _)| n.eq_ignore_ascii_case(name));
        found.next().map_or("", |(_, value)| value)
    }
}

const BOUNDARY: &str = "----boundary-7c1f";

impl Workbench {
    /// Starts one on this data folder and lets itself in.
    pub fn start(data: &Path, options: &[&str]) -> Self {
        Self::spawn(data, options, Stdio::inherit())
    }

    fn spawn(data: &Path, options: &[&str], stderr: Stdio) -> Self {
        let command = Command::new(env!("CARGO_BIN_EXE_patency"));
        Self::spawn_as(command, data, options, stderr)
    }

    fn spawn_as(mut command: Command, data: &Path, options: &[&str], stderr: Stdio) -> Self {
        let mut child = command
            .args(["serve", "--no-open", "--data"])
            .arg(data)
            .args(options)
            .stdout(Stdio::piped())
            .stderr(stderr)
            .spawn()
            .unwrap();
        let mut line = String::new();
        let stdout = child.stdout.take().unwrap();
        BufReader::new(stdout).read_line(&mut line).unwrap();
        Self::let_in(Some(child), line.split(' ').next_back().unwrap())
    }

    /// Starts one; also gives what it said on standard error while it started.
    pub fn start_and_listen(data: &Path) -> (Self, String) {
        let said = tempfile::NamedTempFile::new().unwrap();
        let bench = Self::spawn(data, &[], said.reopen().unwrap().into());
        (bench, std::fs::read_to_string(said.path()).unwrap())
    }

    /// Starts one whose new files would have these bits of their modes taken away.
    pub fn start_with_mask(data: &Path, mask: &str) -> Self {
        let line = format!("umask {mask}; exec \"$0\" \"$@\"");
        let mut command = Command::new("sh");
        command.args(["-c", &line, env!("CARGO_BIN_EXE_patency")]);
        Self::spawn_as(command, data, &[], Stdio::inherit())
    }

    /// Starts one within this process, with limits that the command line does not offer. It ends with the process.
    pub fn within(data: &Path, limits: Limits) -> Self {
        let options = Options {
            data: data.to_path_buf(),
            port: 0,
            limits,
            program: env!("CARGO_BIN_EXE_patency").into(),
        };
        let (sender, receiver) = std::sync::mpsc::channel();
        std::thread::spawn(move || {
            run(&options, |ready| {
                sender.send(ready.url.clone()).unwrap();
                Ok(None)
            })
        });
        Self::let_in(None, &receiver.recv().unwrap())
    }

    fn let_in(child: Option<Child>, url: &str) -> Self {
        let (port, token) = port_and_token(url);
        let mut workbench = Self {
            child,
            port,
            token,
            cookie: String::new(),
        };
        let opened = workbench.get(&format!("/open?token={}", workbench.token));
        assert_eq!(opened.status, 200);
        let cookie = opened.header("set-cookie").split(';').next().unwrap();
        workbench.cookie = cookie.to_string();
        workbench
    }

    /// Ends it as `kill -9` does.
    pub fn kill(mut self) {
        let mut child = self.child.take().unwrap();
        child.kill().unwrap();
        child.wait().unwrap();
    }

    /// Ends it as `kill` does, and gives its status.
    pub fn end(mut self, signal: &str) -> std::process::ExitStatus {
        let mut child = self.child.take().unwrap();
        send(signal, child.id());
        child.wait().unwrap()
    }

    pub fn pid(&self) -> u32 {
        self.child.as_ref().unwrap().id()
    }

    pub fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_secs(60)))
            .unwrap();
        stream
    }

    /// The head of a request as this page's own browser would send it.
    pub fn head(&self, method: &str, path: &str, more: &str) -> String {
        let port = self.port;
        let origin = match method {
            "POST" => format!("Origin: http://127.0.0.1:{port}\r\n"),
            _ => String::new(),
        };
        format!(
            "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nCookie: {}\r\n{origin}Connection: close\r\n{more}\r\n",
            self.cookie
        )
    }

    /// Begins to give a file, and keeps it so with so many bytes of it sent.
    pub fn half_given(&self, bytes: usize) -> TcpStream {
        let mut stream = self.connect();
        let more = format!("{}Content-Length: 10000000\r\n", form_type());
        let head = self.head("POST", "/records", &more);
        stream.write_all(head.as_bytes()).unwrap();
        stream.write_all(part("half.csv").as_bytes()).unwrap();
        stream.write_all(&vec![b'1'; bytes]).unwrap();
        stream
    }

    /// Sends bytes as they are and reads to the end.
    pub fn raw(&self, head: &str, body: &[u8]) -> Answer {
        let mut stream = self.connect();
        // A server that refuses may answer before all is sent.
        let _ = stream
            .write_all(head.as_bytes())
            .and_then(|()| stream.write_all(body));
        read(&mut stream)
    }

    pub fn get(&self, path: &str) -> Answer {
        self.raw(&self.head("GET", path, ""), b"")
    }

    pub fn post(&self, path: &str, form: &str) -> Answer {
        let more = format!(
            "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n",
            form.len()
        );
        self.raw(&self.head("POST", path, &more), form.as_bytes())
    }

    /// Gives files, by the names given.
    pub fn give(&self, files: &[(&str, &[u8])]) -> Answer {
        let body = form(files);
        let more = format!("{}Content-Length: {}\r\n", form_type(), body.len());
        self.raw(&self.head("POST", "/records", &more), &body)
    }

    /// Gives files and says the number of the record.
    pub fn record(&self, files: &[(&str, &[u8])]) -> i64 {
        let answer = self.give(files);
        assert_eq!(answer.status, 303, "{}", answer.body);
        answer
            .header("location")
            .rsplit('/')
            .next()
            .unwrap()
            .parse()
            .unwrap()
    }

    /// The state of a record.
    pub fn state(&self, id: i64) -> String {
        let body = self.get(&format!("/records/{id}/progress")).body;
        let now: serde_json::Value = serde_json::from_str(&body).unwrap();
        now["state"].as_str().unwrap().to_string()
    }

    /// Waits until no worker has the record, or will have it; the state it then has.
    pub fn settled(&self, id: i64) -> String {
        let end = Instant::now() + Duration::from_secs(120);
        while Instant::now() < end {
            let state = self.state(id);
            if !["reading", "waiting", "reviewing"].contains(&state.as_str()) {
                return state;
            }
            std::thread::sleep(Duration::from_millis(30));
        }
        panic!("record {id} is busy for two minutes");
    }

    /// Gives files, confirms, and waits for the review.
    pub fn reviewed(&self, files: &[(&str, &[u8])]) -> i64 {
        let id = self.record(files);
        assert_eq!(self.settled(id), "understood");
        assert_eq!(self.post(&format!("/records/{id}/review"), "").status, 303);
        assert_eq!(self.settled(id), "done");
        id
    }
}

impl Drop for Workbench {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// Sends a signal by its name.
pub fn send(signal: &str, pid: u32) {
    let kill = Command::new("kill")
        .args(["-s", signal, &pid.to_string()])
        .status();
    assert!(kill.unwrap().success());
}

/// What an address is made of.
pub fn port_and_token(url: &str) -> (u16, String) {
    let address = url.trim().strip_prefix("http://127.0.0.1:").unwrap();
    let (port, token) = address.split_once("/open?token=").unwrap();
    (port.parse().unwrap(), token.into())
}

pub fn form_type() -> String {
    format!("Content-Type: multipart/form-data; boundary={BOUNDARY}\r\n")
}

/// A form with files, as a browser writes it.
pub fn form(files: &[(&str, &[u8])]) -> Vec<u8> {
    let mut body = Vec::new();
    for (name, bytes) in files {
        body.extend(part(name).into_bytes());
        body.extend(*bytes);
        body.extend(b"\r\n");
    }
    body.extend(format!("--{BOUNDARY}--\r\n").into_bytes());
    body
}

/// The head of one file in a form. A browser writes quotes in a name as `%22` (WHATWG HTML, multipart/form-data).
pub fn part(name: &str) -> String {
    let name = name.replace('"', "%22");
    format!(
        "--{BOUNDARY}\r\nContent-Disposition: form-data; name=\"file\"; filename=\"{name}\"\r\nContent-Type: text/csv\r\n\r\n"
    )
}

/// Reads an answer to its end. A connection that is reset after the answer is no matter.
pub fn read(stream: &mut TcpStream) -> Answer {
    let mut bytes = Vec::new();
    let mut piece = [0; 1 << 16];
    while let Ok(n @ 1..) = stream.read(&mut piece) {
        bytes.extend(&piece[..n]);
    }
    let text = String::from_utf8_lossy(&bytes).into_owned();
    let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
    Answer {
        status: head
            .split(' ')
            .nth(1)
            .and_then(|s| s.parse().ok())
            .unwrap_or(0),
        head: head.replace("\r\n", "\n"),
        body: body.to_string(),
    }
}

/// A sample trace's file.
pub fn sample(path: &str) -> Vec<u8> {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-traces");
    std::fs::read(dir.join(path)).unwrap()
}

/// Text as a query or form writes it.
pub fn coded(text: &str) -> String {
    text.bytes().fold(String::new(), |mut coded, b| {
        if b.is_ascii_alphanumeric() {
            coded.push(char::from(b));
        } else {
            let _ = write!(coded, "%{b:02X}");
        }
        coded
    })
}
