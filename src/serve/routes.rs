//! What each address answers.
//!
//! Everything that changes something is a form that is posted, and ends in a redirection to the page that shows the
//! change. What a form brings is an id, a word of a closed set, or text; never the name of a file.

use super::App;
use super::gate::{self, OPEN, policy_for};
use super::limits::FORM_BYTES;
use super::recognise::Role;
use super::store::{Entry, Known, Problem, Reading, Report, State};
use super::{pages, upload};
use crate::error::Error;
use crate::report::{self, words::workbench as w};
use axum::Router;
use axum::extract::{DefaultBodyLimit, Form, Path, Query, Request, State as Shared};
use axum::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use axum::http::{Method, StatusCode};
use axum::middleware::{self, Next};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use std::sync::Arc;
use tokio::time::timeout;

/// A form's fields, or an address's query, in their order.
type Fields = Vec<(String, String)>;
type Answer = std::result::Result<Response, Trouble>;

/// All addresses, behind the gate.
pub fn router(app: Arc<App>) -> Router {
    let bytes = usize::try_from(app.limits.upload_bytes).unwrap_or(usize::MAX);
    let slow = Router::new().route(
        "/records",
        post(take_in).layer(DefaultBodyLimit::max(bytes.saturating_add(FORM_BYTES))),
    );
    let quick = Router::new()
        .route(OPEN, get(enter))
        .route("/", get(home))
        .route("/records/{id}", get(record))
        .route("/records/{id}/progress", get(progress))
        .route("/records/{id}/sort", post(sort))
        .route("/records/{id}/answers", post(answers))
        .route("/records/{id}/mapping", post(mapping))
        .route("/records/{id}/review", post(review))
        .route("/records/{id}/stop", post(stop))
        .route("/records/{id}/remove", post(remove))
        .route("/records/{id}/tick", post(tick))
        .route("/records/{id}/report.html", get(save_report))
        .route("/records/{id}/review.json", get(save_json))
        .route("/records/{id}/mapping.toml", get(save_mapping))
        .route("/compare", get(compare))
        .route("/survey", get(survey))
        .route("/workbench.css", get(style))
        .route("/workbench.js", get(script))
        .layer(DefaultBodyLimit::max(FORM_BYTES))
        .layer(middleware::from_fn_with_state(Arc::clone(&app), in_time));
    slow.merge(quick)
        .fallback(|| async { Trouble::not_found() })
        .layer(middleware::from_fn_with_state(
            Arc::clone(&app),
            gate::guard,
        ))
        .with_state(app)
}

/// Ends a request that dawdles. (An upload has its own limits.)
async fn in_time(Shared(app): Shared<Arc<App>>, request: Request, next: Next) -> Response {
    match timeout(app.limits.request_time, next.run(request)).await {
        Ok(response) => response,
        Err(_) => StatusCode::REQUEST_TIMEOUT.into_response(),
    }
}

/// What could not be done.
struct Trouble(StatusCode, Problem);

impl Trouble {
    fn new(status: StatusCode, what: &str, hint: &str) -> Self {
        let problem = Problem {
            what: what.into(),
            hint: Some(hint.into()),
        };
        Self(status, problem)
    }

    fn not_found() -> Self {
        Self::new(StatusCode::NOT_FOUND, w::NOT_FOUND, w::NOT_FOUND_HINT)
    }

    /// Another window was quicker.
    fn gone_on() -> Self {
        Self::new(StatusCode::CONFLICT, w::OTHERWISE_NOW, w::LOOK_AGAIN)
    }
}

impl From<Error> for Trouble {
    fn from(error: Error) -> Self {
        Self(StatusCode::INTERNAL_SERVER_ERROR, Problem::from(&error))
    }
}

impl IntoResponse for Trouble {
    fn into_response(self) -> Response {
        pages::problem(self.0, self.1)
    }
}

/// Runs what touches the disk where it holds up no other request.
async fn off<T: Send + 'static>(
    app: Arc<App>,
    job: impl FnOnce(&App) -> std::result::Result<T, Trouble> + Send + 'static,
) -> std::result::Result<T, Trouble> {
    let done = tokio::task::spawn_blocking(move || job(&app)).await;
    done.unwrap_or_else(|_| {
        Err(Trouble::from(Error::new(
            "the program failed on this request",
        )))
    })
}

fn to_record(id: i64) -> Response {
    Redirect::to(&format!("/records/{id}")).into_response()
}

fn field<'a>(fields: &'a Fields, name: &str) -> Option<&'a str> {
    fields
        .iter()
        .find(|(n, _)| n == name)
        .map(|(_, value)| value.as_str())
}

fn found(app: &App, id: i64) -> std::result::Result<Entry, Trouble> {
    app.store.entry(id)?.ok_or_else(Trouble::not_found)
}

fn reported(app: &App, id: i64) -> std::result::Result<Report, Trouble> {
    app.store.report(id)?.ok_or_else(Trouble::not_found)
}

/// Exchanges a token for the cookie. Who bears the cookie already is let in by an address that was used.
async fn enter(
    Shared(app): Shared<Arc<App>>,
    method: Method,
    headers: HeaderMap,
    Query(query): Query<Fields>,
) -> Answer {
    off(app, move |app| {
        let token = field(&query, "token").unwrap_or_default();
        let is_new = method == Method::GET && app.gate.opens(token);
        if !is_new && !app.gate.knows(&headers) {
            let page = pages::refused(gate::Refusal::Used);
            return Ok((StatusCode::FORBIDDEN, page).into_response());
        }
        app.shut_door();
        let mut response = Html(pages::door("/")).into_response();
        if let Ok(cookie) = HeaderValue::from_str(&app.gate.cookie()) {
            response.headers_mut().insert(header::SET_COOKIE, cookie);
        }
        Ok(response)
    })
    .await
}

async fn home(Shared(app): Shared<Arc<App>>, Query(query): Query<Fields>) -> Answer {
    let from = field(&query, "from")
        .and_then(|f| f.parse().ok())
        .unwrap_or(0);
    off(app, move |app| {
        let (entries, all) = app.store.entries(from, pages::ROWS)?;
        Ok(pages::home(&entries, from, all, app.limits.upload_bytes))
    })
    .await
}

/// Says to the page's script where the record's page is; a redirection would have been followed unseen.
const X_RECORD: HeaderName = HeaderName::from_static("x-record");

async fn take_in(Shared(app): Shared<Arc<App>>, headers: HeaderMap, request: Request) -> Answer {
    let too_much = || {
        Trouble::new(
            StatusCode::SERVICE_UNAVAILABLE,
            w::TOO_MUCH_AT_ONCE,
            w::WAIT_A_LITTLE,
        )
    };
    let _place = app.uploads.try_acquire().map_err(|_| too_much())?;
    let waiting = off(Arc::clone(&app), |app| Ok(app.store.busy()?)).await?;
    if app.limits.waiting <= waiting {
        return Err(too_much());
    }
    let id = upload::take(&app, request)
        .await
        .map_err(|r| Trouble(r.status, Problem::from(&*r.error)))?;
    if headers.contains_key("x-by-script") {
        let place = HeaderValue::from_str(&format!("/records/{id}"));
        let place = place.unwrap_or(HeaderValue::from_static("/"));
        return Ok(([(X_RECORD, place)], "").into_response());
    }
    Ok(to_record(id))
}

async fn record(Shared(app): Shared<Arc<App>>, Path(id): Path<i64>) -> Answer {
    off(app, move |app| {
        let entry = found(app, id)?;
        if entry.state.is_busy() {
            return Ok(pages::busy(&entry, app.queue.progress(id)));
        }
        match (&entry.state, &entry.understood) {
            (State::Done, _) => review_page(app, &entry),
            (State::Understood, Some(understood)) => Ok(pages::understood(&entry, understood)),
            _ => Ok(pages::open(&entry)),
        }
    })
    .await
}

fn review_page(app: &App, entry: &Entry) -> Answer {
    let report = app.store.report(entry.id)?.ok_or_else(Trouble::not_found)?;
    let ticks_to = format!("/records/{}/tick", entry.id);
    let ticked = app.store.ticks(entry.id)?;
    let navigation = pages::report_navigation(entry);
    let page = report::in_workbench(&report.page, &navigation, &ticks_to, &ticked);
    Ok(html(page, &policy_for(&report.style, Some(&report.script))))
}

fn html(page: String, policy: &str) -> Response {
    let mut response = Html(page).into_response();
    if let Ok(policy) = HeaderValue::from_str(policy) {
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_SECURITY_POLICY, policy);
    }
    response
}

async fn progress(Shared(app): Shared<Arc<App>>, Path(id): Path<i64>) -> Answer {
    off(app, move |app| {
        let entry = found(app, id)?;
        let (says, percent) = pages::busy_says(app.queue.progress(id));
        let now = serde_json::json!({
            "state": entry.state.word(), "busy": entry.state.is_busy(), "says": says, "percent": percent,
        });
        let json = [(header::CONTENT_TYPE, "application/json")];
        Ok((json, now.to_string()).into_response())
    })
    .await
}

/// Has a record read anew, unless somebody works on it or a review is there.
fn read_anew(app: &App, id: i64, roles: &[(String, Role)], reading: &Reading) -> Answer {
    if !app.store.sort_anew(id, roles, reading)? {
        return Err(Trouble::gone_on());
    }
    app.queue.wake();
    Ok(to_record(id))
}

async fn sort(
    Shared(app): Shared<Arc<App>>,
    Path(id): Path<i64>,
    Form(form): Form<Fields>,
) -> Answer {
    off(app, move |app| {
        let entry = found(app, id)?;
        let is_own = |stored: &String| entry.files.iter().any(|f| f.stored == *stored);
        let roles: Vec<(String, Role)> = form
            .into_iter()
            .filter_map(|(stored, word)| Some((stored, Role::from_word(&word)?)))
            .filter(|(stored, _)| is_own(stored))
            .collect();
        read_anew(app, id, &roles, &Reading::default())
    })
    .await
}

async fn answers(
    Shared(app): Shared<Arc<App>>,
    Path(id): Path<i64>,
    Form(form): Form<Fields>,
) -> Answer {
    off(app, move |app| {
        let entry = found(app, id)?;
        let mut reading = entry.reading;
        reading.keep_going |= field(&form, "keep_going").is_some();
        let given = form
            .iter()
            .filter_map(|(key, value)| Some((key.strip_prefix("answer.")?, value.trim())))
            .filter(|(_, value)| !value.is_empty());
        for (key, value) in given {
            reading.answers.retain(|(known, _)| known != key);
            reading.answers.push((key.into(), value.into()));
        }
        read_anew(app, id, &[], &reading)
    })
    .await
}

async fn mapping(
    Shared(app): Shared<Arc<App>>,
    Path(id): Path<i64>,
    Form(form): Form<Fields>,
) -> Answer {
    off(app, move |app| {
        let entry = found(app, id)?;
        let text = field(&form, "mapping")
            .unwrap_or_default()
            .replace('\r', "");
        let reading = Reading {
            mapping: Some(text),
            by_hand: true,
            ..entry.reading
        };
        read_anew(app, id, &[], &reading)
    })
    .await
}

async fn review(
    Shared(app): Shared<Arc<App>>,
    Path(id): Path<i64>,
    Form(form): Form<Fields>,
) -> Answer {
    off(app, move |app| {
        let entry = found(app, id)?;
        let understood = entry.understood.as_ref().ok_or_else(Trouble::gone_on)?;
        let at: usize = field(&form, "infusion")
            .and_then(|i| i.parse().ok())
            .unwrap_or(0);
        let chosen = understood.infusions.get(at).ok_or_else(Trouble::gone_on)?;
        let reading = Reading {
            infusion: chosen.name.clone(),
            ..entry.reading.clone()
        };
        let known = Known {
            reading: Some(&reading),
            ..Known::default()
        };
        if !app
            .store
            .step(id, &[State::Understood], State::Waiting, known)?
        {
            return Err(Trouble::gone_on());
        }
        app.queue.wake();
        Ok(to_record(id))
    })
    .await
}

async fn stop(Shared(app): Shared<Arc<App>>, Path(id): Path<i64>) -> Answer {
    off(app, move |app| {
        app.store
            .step(id, &State::BUSY, State::Cancelled, Known::default())?;
        app.queue.stop(id);
        Ok(to_record(id))
    })
    .await
}

async fn remove(Shared(app): Shared<Arc<App>>, Path(id): Path<i64>) -> Answer {
    off(app, move |app| {
        app.queue.stop(id);
        let files = app.store.files_of(id)?;
        if app.store.remove(id).is_err() {
            // Not even the reserve was room enough to write the removal down: the files go first, and make some.
            app.folder.remove(&files);
            app.store.remove_in_little_room(id)?;
        }
        // What cannot be struck off the list now is at the next start.
        let _ = app.store.forget(&app.folder.remove(&files));
        app.store.scrub();
        Ok(Redirect::to("/").into_response())
    })
    .await
}

async fn tick(
    Shared(app): Shared<Arc<App>>,
    Path(id): Path<i64>,
    Form(form): Form<Fields>,
) -> Answer {
    off(app, move |app| {
        let name = field(&form, "box").unwrap_or_default();
        let ticked = field(&form, "ticked") == Some("1");
        let report = reported(app, id)?;
        let is_plain =
            !name.is_empty() && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-');
        if !is_plain || !report.page.contains(&format!("data-box=\"{name}\">")) {
            return Err(Trouble::not_found());
        }
        app.store.tick(id, name, ticked)?;
        Ok(StatusCode::NO_CONTENT.into_response())
    })
    .await
}

/// A file that the browser saves instead of showing it.
fn saved(name: &str, kind: &'static str, bytes: String) -> Answer {
    let disposition = HeaderValue::from_str(&format!("attachment; filename=\"{name}\""));
    let disposition = disposition.unwrap_or(HeaderValue::from_static("attachment"));
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static(kind)),
        (header::CONTENT_DISPOSITION, disposition),
    ];
    Ok((headers, bytes).into_response())
}

async fn save_report(Shared(app): Shared<Arc<App>>, Path(id): Path<i64>) -> Answer {
    off(app, move |app| {
        let report = reported(app, id)?;
        saved(
            &format!("report-{id}.html"),
            "text/html; charset=utf-8",
            report.page,
        )
    })
    .await
}

async fn save_json(Shared(app): Shared<Arc<App>>, Path(id): Path<i64>) -> Answer {
    off(app, move |app| {
        let report = reported(app, id)?;
        saved(
            &format!("review-{id}.json"),
            "application/json",
            report.json,
        )
    })
    .await
}

async fn save_mapping(Shared(app): Shared<Arc<App>>, Path(id): Path<i64>) -> Answer {
    off(app, move |app| {
        let mapping = found(app, id)?
            .reading
            .mapping
            .ok_or_else(Trouble::not_found)?;
        saved(
            &format!("mapping-{id}.toml"),
            "text/plain; charset=utf-8",
            mapping,
        )
    })
    .await
}

async fn compare(Shared(app): Shared<Arc<App>>, Query(query): Query<Fields>) -> Answer {
    off(app, move |app| {
        let choose = || Trouble::new(StatusCode::BAD_REQUEST, w::CHOOSE_TWO, w::CHOOSE_TWO_HINT);
        let ids: Vec<i64> = query
            .iter()
            .filter(|(name, _)| name == "record")
            .filter_map(|(_, id)| id.parse().ok())
            .collect();
        let [a, b] = ids.as_slice() else {
            return Err(choose());
        };
        let (a, b) = (found(app, *a)?, found(app, *b)?);
        let (Some(first), Some(second)) = (&a.digest, &b.digest) else {
            return Err(choose());
        };
        let compared = |entry: &Entry, digest| pages::Compared {
            id: entry.id,
            name: pages::name(entry),
            digest,
        };
        Ok(pages::compare([compared(&a, first), compared(&b, second)]))
    })
    .await
}

/// A survey's page comes from a file that the command line wrote: no script in it runs.
const SURVEY_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

async fn survey(Shared(app): Shared<Arc<App>>) -> Answer {
    off(app, move |app| {
        let path = app.folder.survey_page();
        match std::fs::read_to_string(&path) {
            Ok(page) => {
                let page = report::with_navigation(&page, &pages::navigation());
                let end = format!("{}</main>", pages::cautions());
                let page = page.replacen("</main>", &end, 1);
                Ok(html(page, SURVEY_POLICY))
            }
            Err(_) => Ok(pages::no_survey(path.parent().unwrap_or(&path))),
        }
    })
    .await
}

async fn style() -> Response {
    let css = [(header::CONTENT_TYPE, "text/css; charset=utf-8")];
    (css, pages::style()).into_response()
}

async fn script() -> Response {
    let js = [(header::CONTENT_TYPE, "text/javascript; charset=utf-8")];
    (js, pages::SCRIPT).into_response()
}
