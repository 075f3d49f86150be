//! The workbench's pages: what is known of a record becomes HTML, in the look of the report.
//!
//! The templates escape every text; only the pictures, which escape their own, and the navigation go in as they are.

use super::digest::{Digest, Share};
use super::gate::Refusal;
use super::recognise::Role;
use super::store::{Entry, Problem, State, StoredFile};
use super::understood::Understood;
use crate::report::words::{self, workbench as w};
use askama::Template;
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Response};
use jiff::tz::Offset;

/// Infusions of a trace whose figures are shown; all can be chosen.
const SHOWN: usize = 12;
/// Letters of a file's name that a page shows.
const NAME: usize = 60;

/// The pages' style: the report's, and what only the workbench needs.
pub fn style() -> String {
    format!(
        "{}\n{}",
        crate::report::STYLE,
        include_str!("pages/workbench.css")
    )
}

/// The pages' script.
pub const SCRIPT: &str = include_str!("pages/workbench.js");

fn shown(page: &impl Template) -> Response {
    match page.render() {
        Ok(html) => Html(html).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

/// One record in the list.
struct Row {
    id: i64,
    name: String,
    answer: String,
    line: String,
    added: String,
    done: bool,
    choose: String,
}

#[derive(Template)]
#[template(path = "home.html", config = "src/serve/askama.toml")]
struct Home {
    rows: Vec<Row>,
    later: Option<usize>,
    earlier: Option<usize>,
    most_bytes: u64,
    too_large: String,
}

/// Records on one page of the list.
pub const ROWS: usize = 50;

/// The list of records, `from` which on, of `all`; and the form that takes in another.
pub fn home(entries: &[Entry], from: usize, all: usize, most_bytes: u64) -> Response {
    let row = |e: &Entry| {
        let name = name(e);
        Row {
            id: e.id,
            choose: w::choose(&name),
            name,
            answer: match &e.digest {
                Some(digest) if e.state == State::Done => digest.headline.clone(),
                _ => state(e.state).to_string(),
            },
            line: e
                .digest
                .as_ref()
                .map_or(String::new(), |d| d.record_line.clone()),
            added: added(e.added_s),
            done: e.state == State::Done,
        }
    };
    shown(&Home {
        rows: entries.iter().map(row).collect(),
        later: (0 < from).then(|| from.saturating_sub(ROWS)),
        earlier: (from + entries.len() < all).then_some(from + ROWS),
        most_bytes,
        too_large: w::too_large(most_bytes),
    })
}

/// What a record is called: by its trace's file, else by its first one.
pub fn name(entry: &Entry) -> String {
    let file = entry.file(Role::Trace).or(entry.files.first());
    let name = file.map_or(String::new(), |f| words::clip_to(&f.name, NAME));
    match &entry.reading.infusion {
        Some(infusion) => format!("{name}: {}", words::clip(infusion)),
        None => format!("{name} ({})", entry.id),
    }
}

/// `25 November 2031, 14:02 UTC`
fn added(s: i64) -> String {
    let clock = crate::time::Clock::Calendar {
        origin_us: s.saturating_mul(1_000_000),
        offsets: vec![(0.0, Offset::UTC.seconds())],
    };
    let day = words::day(&clock, 0.0).unwrap_or_default();
    format!("{day}, {}\u{a0}UTC", words::time_of_day(&clock, 0.0, false))
}

fn state(state: State) -> &'static str {
    match state {
        State::Reading => w::STATE_READING,
        State::Asking => w::STATE_ASKING,
        State::Understood => w::STATE_UNDERSTOOD,
        State::Unreadable => w::STATE_UNREADABLE,
        State::Waiting => w::STATE_WAITING,
        State::Reviewing => w::STATE_REVIEWING,
        State::Done => w::STATE_DONE,
        State::Failed => w::STATE_FAILED,
        State::Cancelled => w::STATE_CANCELLED,
    }
}

#[derive(Template)]
#[template(path = "busy.html", config = "src/serve/askama.toml")]
struct Busy {
    id: i64,
    name: String,
    state: &'static str,
    says: &'static str,
    percent: Option<u64>,
}

/// What a busy record's page says, and how far its reading is.
pub fn busy_says(progress: Option<(w::Phase, u64)>) -> (&'static str, Option<u64>) {
    match progress {
        None => (w::IN_LINE, None),
        Some((phase, percent)) => (
            w::phase(phase),
            (phase == w::Phase::Reading).then_some(percent),
        ),
    }
}

/// A record that a worker has, or will have.
pub fn busy(entry: &Entry, progress: Option<(w::Phase, u64)>) -> Response {
    let (says, percent) = busy_says(progress);
    shown(&Busy {
        id: entry.id,
        name: name(entry),
        state: entry.state.word(),
        says,
        percent,
    })
}

/// One file of a record, and what it may be.
struct FileRow {
    stored: String,
    name: String,
    size: String,
    label: String,
    roles: Vec<(&'static str, &'static str, bool)>,
}

impl FileRow {
    fn new(file: &StoredFile) -> Self {
        let says = |role| match role {
            Role::Trace => w::ROLE_TRACE,
            Role::Events => w::ROLE_EVENTS,
            Role::Line => w::ROLE_LINE,
            Role::Mapping => w::ROLE_MAPPING,
            Role::Aside => w::ROLE_ASIDE,
        };
        let name = words::clip_to(&file.name, NAME);
        Self {
            stored: file.stored.clone(),
            size: w::size(file.bytes),
            label: w::what_is(&name),
            name,
            roles: Role::ALL
                .iter()
                .map(|&role| (role.word(), says(role), file.role == role))
                .collect(),
        }
    }
}

#[derive(Template)]
#[template(path = "understood.html", config = "src/serve/askama.toml")]
struct UnderstoodPage<'a> {
    id: i64,
    understood: &'a Understood,
    one: Option<()>,
    files: Vec<FileRow>,
    mapping: Option<&'a str>,
}

/// What was understood of the files, to be confirmed.
pub fn understood(entry: &Entry, understood: &Understood) -> Response {
    shown(&UnderstoodPage {
        id: entry.id,
        understood,
        one: (understood.infusions.len() == 1).then_some(()),
        files: entry.files.iter().map(FileRow::new).collect(),
        mapping: entry.reading.mapping.as_deref(),
    })
}

#[derive(Template)]
#[template(path = "open.html", config = "src/serve/askama.toml")]
struct Open<'a> {
    id: i64,
    title: &'static str,
    says: &'static str,
    problem: Option<&'a Problem>,
    questions: Vec<(&'a str, String)>,
    offer_to_keep_going: bool,
    offer_to_begin: bool,
    files: Vec<FileRow>,
    mapping: Option<&'a str>,
}

/// A record that waits for the user: questions, or what could not be done.
pub fn open(entry: &Entry) -> Response {
    let (title, says) = match entry.state {
        State::Asking => (w::ASKING_TITLE, w::ASKING_WHAT),
        State::Failed => (w::FAILED_TITLE, ""),
        State::Cancelled => (w::CANCELLED_TITLE, w::CANCELLED_WHAT),
        _ => (w::UNREADABLE_TITLE, ""),
    };
    let mut problem = entry.problem.clone();
    let hint = problem.as_mut().and_then(|p| p.hint.as_mut());
    let too_many_bad_rows = hint.as_ref().is_some_and(|h| h.contains("--keep-going"));
    if let Some(hint) = hint.filter(|_| too_many_bad_rows) {
        *hint = w::KEEP_GOING_HINT.to_string();
    }
    shown(&Open {
        id: entry.id,
        title,
        says,
        problem: problem.as_ref(),
        questions: entry
            .reading
            .questions
            .iter()
            .map(|q| q.split_once(": ").unwrap_or((q, q)))
            .map(|(key, question)| (key, capital(question)))
            .collect(),
        offer_to_keep_going: too_many_bad_rows,
        offer_to_begin: matches!(entry.state, State::Cancelled | State::Failed),
        files: entry.files.iter().map(FileRow::new).collect(),
        mapping: entry.reading.mapping.as_deref(),
    })
}

/// A sentence with its first letter as a capital.
fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

#[derive(Template)]
#[template(path = "report_navigation.html", config = "src/serve/askama.toml")]
struct ReportNavigation {
    id: i64,
    mapped: bool,
}

/// What stands above a report in the workbench.
pub fn report_navigation(entry: &Entry) -> String {
    let navigation = ReportNavigation {
        id: entry.id,
        mapped: entry.reading.mapping.is_some(),
    };
    navigation.render().unwrap_or_default()
}

#[derive(Template)]
#[template(path = "navigation.html", config = "src/serve/askama.toml")]
struct Navigation;

/// What stands above every other page.
pub fn navigation() -> String {
    Navigation.render().unwrap_or_default()
}

#[derive(Template)]
#[template(path = "cautions.html", config = "src/serve/askama.toml")]
struct Cautions;

/// The cautions of a review, for a page that has only its own.
pub fn cautions() -> String {
    Cautions.render().unwrap_or_default()
}

/// A review in the comparison.
pub struct Compared<'a> {
    /// The record's number.
    pub id: i64,
    /// What it is called.
    pub name: String,
    /// Its review in short.
    pub digest: &'a Digest,
}

impl Share {
    /// Width of its bar, per cent.
    fn bar(&self) -> String {
        format!("{:.1}", (100.0 * self.probability).clamp(0.0, 100.0))
    }
}

#[derive(Template)]
#[template(path = "compare.html", config = "src/serve/askama.toml")]
struct Compare<'a> {
    both: [Compared<'a>; 2],
}

/// Two reviews side by side.
pub fn compare(both: [Compared; 2]) -> Response {
    shown(&Compare { both })
}

#[derive(Template)]
#[template(path = "no_survey.html", config = "src/serve/askama.toml")]
struct NoSurvey {
    out: String,
}

/// There is no survey in the data folder; how one comes there.
pub fn no_survey(out: &std::path::Path) -> Response {
    shown(&NoSurvey {
        out: out.display().to_string(),
    })
}

#[derive(Template)]
#[template(path = "problem.html", config = "src/serve/askama.toml")]
struct ProblemPage {
    problem: Problem,
}

/// What could not be done, and what to do about it.
pub fn problem(status: StatusCode, problem: Problem) -> Response {
    (status, shown(&ProblemPage { problem })).into_response()
}

#[derive(Template)]
#[template(path = "refused.html", config = "src/serve/askama.toml")]
struct Refused {
    says: &'static str,
}

#[derive(Template)]
#[template(path = "door.html", config = "src/serve/askama.toml")]
struct Door<'a> {
    to: &'a str,
}

/// A page that leads to an address by itself: a redirection would be taken for the other site's that leads here, and the
/// cookie be held back.
pub fn door(to: &str) -> String {
    Door { to }.render().unwrap_or_default()
}

/// For whom the gate does not let in: nothing of the workbench but a sentence.
pub fn refused(refusal: Refusal) -> Response {
    shown(&Refused {
        says: match refusal {
            Refusal::Host => w::REFUSED_HOST,
            Refusal::Origin => w::REFUSED_ORIGIN,
            Refusal::Token => w::REFUSED_TOKEN,
            Refusal::Used => w::REFUSED_USED,
            Refusal::Method => w::REFUSED_METHOD,
        },
    })
}
