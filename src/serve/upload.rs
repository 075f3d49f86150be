//! Files that come in: streamed to the disk under names of our own, bounded in number, size and time.
//!
//! In: a form's body. Out: the stored files, whole and on the disk; or nothing at all, and no file left.

use super::App;
use super::data::Folder;
use super::gate::random_name;
use super::recognise::{Glimpse, roles};
use super::store::StoredFile;
use crate::error::Error;
use crate::report::words::{self, workbench as w};
use axum::extract::multipart::Field;
use axum::extract::{FromRequest, Multipart, Request};
use axum::http::StatusCode;
use sha2::{Digest, Sha256};
use std::time::Duration;
use tokio::io::AsyncWriteExt;
use tokio::time::{Instant, timeout_at};

use heads::Heads;

mod heads;

/// Why an upload was not taken in.
pub struct Refused {
    /// The answer's status.
    pub status: StatusCode,
    /// What went wrong.
    pub error: Box<Error>,
}

impl Refused {
    fn new(status: StatusCode, what: impl Into<String>, hint: &str) -> Self {
        Self {
            status,
            error: Box::new(Error::new(what).hint(hint)),
        }
    }
}

impl From<Error> for Refused {
    fn from(error: Error) -> Self {
        Self {
            status: StatusCode::INSUFFICIENT_STORAGE,
            error: Box::new(error),
        }
    }
}

/// Bytes of each file that the guess of its role looks at.
const HEAD: usize = 4096;
/// Letters of a file's name that are kept.
const NAME: usize = 200;
/// How long what still comes in is thrown away, so that a browser reads the answer.
const DRAIN: Duration = Duration::from_millis(1500);

/// A file that came in whole, and its first bytes.
struct Taken {
    file: StoredFile,
    /// The whole name that it came by: the guess looks at its ending.
    whole_name: String,
    head: Vec<u8>,
}

/// Removes what came in unless it is kept.
struct Pending<'a> {
    app: &'a App,
    stored: Vec<String>,
}

impl Drop for Pending<'_> {
    fn drop(&mut self) {
        // What cannot be struck off the list now is removed at the next start.
        let _ = self.app.store.forget(&self.app.folder.remove(&self.stored));
    }
}

/// Takes in the files of a form and adds them to the store as one record; gives its number.
pub async fn take(app: &App, request: Request) -> std::result::Result<i64, Refused> {
    let (request, heads) = Heads::bound(request);
    let mut form = Multipart::from_request(request, &())
        .await
        .map_err(|_| Refused::new(StatusCode::BAD_REQUEST, w::NO_FILE, w::CHOOSE_A_FILE))?;
    let mut pending = Pending {
        app,
        stored: Vec::new(),
    };
    match files(app, &mut form, &heads, &mut pending).await {
        Ok(taken) => {
            let id = settle(app, &mut pending, taken)?;
            app.queue.wake();
            Ok(id)
        }
        Err(refused) => {
            drop(pending);
            drain(form, &heads).await;
            Err(refused)
        }
    }
}

/// All files of the form, each written to the disk.
async fn files(
    app: &App,
    form: &mut Multipart,
    heads: &Heads,
    pending: &mut Pending<'_>,
) -> std::result::Result<Vec<Taken>, Refused> {
    let end = Instant::now() + app.limits.upload_time;
    let mut left = app.limits.upload_bytes;
    let mut taken: Vec<Taken> = Vec::new();
    loop {
        let pause = Instant::now() + app.limits.upload_pause;
        let field = timeout_at(end.min(pause), heads.within(form.next_field()))
            .await
            .map_err(|_| too_slow())?
            .ok_or_else(|| {
                let status = StatusCode::REQUEST_HEADER_FIELDS_TOO_LARGE;
                Refused::new(status, w::NAME_TOO_LONG, w::SHORTER_NAME)
            })?
            .map_err(|e| broken_off(&e))?;
        let Some(field) = field else { break };
        // A form sends its empty file box too, as a file without a name and without bytes.
        if field.file_name().is_none_or(str::is_empty) {
            continue;
        }
        if taken.len() == app.limits.upload_files {
            let what = w::too_many_files(app.limits.upload_files);
            return Err(Refused::new(
                StatusCode::PAYLOAD_TOO_LARGE,
                what,
                w::ONE_RECORD_AT_A_TIME,
            ));
        }
        taken.push(one(app, field, pending, end, &mut left).await?);
    }
    if taken.is_empty() {
        return Err(Refused::new(
            StatusCode::BAD_REQUEST,
            w::NO_FILE,
            w::CHOOSE_A_FILE,
        ));
    }
    Ok(taken)
}

async fn one(
    app: &App,
    mut field: Field<'_>,
    pending: &mut Pending<'_>,
    end: Instant,
    left: &mut u64,
) -> std::result::Result<Taken, Refused> {
    // A browser writes a quote in a name as `%22` (WHATWG HTML, multipart/form-data).
    let whole_name = field.file_name().unwrap_or_default().replace("%22", "\"");
    let stored = random_name()?;
    app.store.announce(&stored)?;
    pending.stored.push(stored.clone());
    let created = Folder::create(&app.folder.part(&stored)).map_err(|e| no_space(&e))?;
    let mut file = tokio::fs::File::from_std(created);
    let (mut bytes, mut head, mut hash) = (0, Vec::new(), Sha256::new());
    loop {
        let pause = Instant::now() + app.limits.upload_pause;
        let chunk = timeout_at(end.min(pause), field.chunk())
            .await
            .map_err(|_| too_slow())?
            .map_err(|e| broken_off(&e))?;
        let Some(chunk) = chunk else { break };
        *left = left.checked_sub(chunk.len() as u64).ok_or_else(|| {
            let what = w::too_large(app.limits.upload_bytes);
            Refused::new(StatusCode::PAYLOAD_TOO_LARGE, what, w::GIVE_IN_PARTS)
        })?;
        bytes += chunk.len() as u64;
        hash.update(&chunk);
        head.extend(chunk.iter().take(HEAD - head.len().min(HEAD)));
        file.write_all(&chunk).await.map_err(|e| no_space(&e))?;
    }
    file.flush().await.map_err(|e| no_space(&e))?;
    file.sync_all().await.map_err(|e| no_space(&e))?;
    let sha256 = hash.finalize().iter().map(|b| format!("{b:02x}")).collect();
    Ok(Taken {
        file: StoredFile {
            stored,
            role: super::recognise::Role::Aside,
            name: words::clip_to(&whole_name, NAME),
            bytes,
            sha256,
        },
        whole_name,
        head,
    })
}

/// Renames the parts, then makes them a record's: killed in between, they are removed at the next start.
fn settle(
    app: &App,
    pending: &mut Pending,
    mut taken: Vec<Taken>,
) -> std::result::Result<i64, Refused> {
    let glimpses: Vec<Glimpse> = taken
        .iter()
        .map(|t| Glimpse {
            name: &t.whole_name,
            bytes: t.file.bytes,
            head: &t.head,
        })
        .collect();
    let roles = roles(&glimpses);
    for (t, role) in taken.iter_mut().zip(roles) {
        t.file.role = role;
    }
    let files: Vec<StoredFile> = taken.into_iter().map(|t| t.file).collect();
    for file in &files {
        app.folder
            .complete(&file.stored)
            .map_err(|e| no_space(&e))?;
    }
    app.folder.settle().map_err(|e| no_space(&e))?;
    let id = app.store.add(&files)?;
    pending.stored.clear();
    Ok(id)
}

/// Reads on for a moment and throws it away: a browser that is still sending would not read the answer.
async fn drain(mut form: Multipart, heads: &Heads) {
    heads.throw_away();
    let end = Instant::now() + DRAIN;
    let _ = timeout_at(end, async {
        while let Ok(Some(mut field)) = form.next_field().await {
            while let Ok(Some(_)) = field.chunk().await {}
        }
    })
    .await; // whatever it ends with, the answer is sent
}

fn too_slow() -> Refused {
    Refused::new(StatusCode::REQUEST_TIMEOUT, w::TOO_SLOW, w::TRY_AGAIN)
}

fn broken_off(_: &axum::extract::multipart::MultipartError) -> Refused {
    Refused::new(StatusCode::BAD_REQUEST, w::BROKEN_OFF, w::TRY_AGAIN)
}

fn no_space(e: &std::io::Error) -> Refused {
    let what = format!("{}: {e}", w::CANNOT_BE_KEPT);
    Refused::new(StatusCode::INSUFFICIENT_STORAGE, what, w::MAKE_SPACE)
}
