//! What the workbench keeps: one row per record that was given, with how far it has come and what came out.
//!
//! SQLite with a write-ahead log: a change is there whole or not at all, also after `kill -9`. The schema bears its
//! version; an older one is brought up, a later one refused. Every step of a record's way names the states from which it
//! may be taken, so that two windows cannot both take it.

mod schema;
mod state;

pub use schema::is_own;
pub use state::State;

use super::digest::Digest;
use super::mark::RESERVE;
use super::recognise::Role;
use super::reserve::Reserve;
use super::understood::Understood;
use crate::error::{Error, Result};
use crate::report::words;
use rusqlite::{Connection, OptionalExtension, Params, Row, params};
use serde::{Deserialize, Serialize};
use std::collections::HashSet;
use std::path::Path;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{SystemTime, UNIX_EPOCH};

/// How often something is begun that never ends before it is given up: it may be what ended the process.
const MOST_ATTEMPTS: i64 = 3;

/// The store. Its calls are short; they wait for each other.
pub struct Store {
    connection: Mutex<Connection>,
    reserve: Reserve,
}

/// A file that was given.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StoredFile {
    /// Its name in the data folder, made up by the workbench.
    pub stored: String,
    /// What it is.
    pub role: Role,
    /// The name that it came by: text, never a path.
    pub name: String,
    /// Its size.
    pub bytes: u64,
    /// SHA-256 in hexadecimal digits.
    pub sha256: String,
}

/// What could not be done, as [`Error`] says it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Problem {
    /// What and where.
    pub what: String,
    /// What to do about it.
    pub hint: Option<String>,
}

/// How the files are to be read, and what of that is still open.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Reading {
    /// The user's answers so far: key and value.
    pub answers: Vec<(String, String)>,
    /// The mapping as proposed, or as written by the user.
    pub mapping: Option<String>,
    /// Whether the user wrote it.
    pub by_hand: bool,
    /// What is still to be answered.
    pub questions: Vec<String>,
    /// Read on although more than 1 % of the rows cannot be used.
    pub keep_going: bool,
    /// Which infusion, where there are several.
    pub infusion: Option<String>,
}

/// One record and how far it has come.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Its number.
    pub id: i64,
    /// When it was given, seconds since 1970 (UTC).
    pub added_s: i64,
    /// How far it has come.
    pub state: State,
    /// How its files are read.
    pub reading: Reading,
    /// What was understood of them.
    pub understood: Option<Understood>,
    /// Why it went no further.
    pub problem: Option<Problem>,
    /// The review in short.
    pub digest: Option<Digest>,
    /// Its files.
    pub files: Vec<StoredFile>,
}

/// A review's report, with the digests by which a browser knows its style and script.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Report {
    /// The page.
    pub page: String,
    /// `sha256-…` of its style.
    pub style: String,
    /// `sha256-…` of its script.
    pub script: String,
    /// The contract's JSON.
    pub json: String,
}

fn broken(e: rusqlite::Error) -> Error {
    Error::new(format!("the workbench’s store cannot be used: {e}"))
        .hint(words::workbench::STORE_HINT)
}

impl Store {
    /// Opens the store, or makes it.
    pub fn open(path: &Path) -> Result<Self> {
        let reserve = Reserve::new(path.with_file_name(RESERVE));
        let connection = schema::open(path, &reserve)?;
        reserve.hold();
        Ok(Self {
            connection: Mutex::new(connection),
            reserve,
        })
    }

    /// Closes the store's file. What is still asked of the store afterwards fails.
    pub fn close(&self) {
        if let Ok(nothing) = Connection::open_in_memory() {
            *self.lock() = nothing;
        }
    }

    fn lock(&self) -> MutexGuard<'_, Connection> {
        // A statement is whole or undone, whatever happened to the thread that sent it.
        self.connection
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }

    /// Names of all files that belong to a record.
    pub fn stored_files(&self) -> Result<HashSet<String>> {
        names(&self.lock(), "SELECT stored FROM files", ())
    }

    /// Names of files that belong to no record: begun and not yet taken in, or to be removed.
    pub fn loose(&self) -> Result<Vec<String>> {
        names(&self.lock(), "SELECT stored FROM loose", ())
    }

    /// Lists a file before it is made: whatever happens then, it is known as the workbench's own.
    pub fn announce(&self, stored: &str) -> Result<()> {
        self.lock()
            .execute("INSERT INTO loose (stored) VALUES (?1)", [stored])
            .map_err(broken)?;
        Ok(())
    }

    /// Strikes files off the list that are gone.
    pub fn forget(&self, gone: &[String]) -> Result<()> {
        if gone.is_empty() {
            return Ok(()); // a start has nothing to write, then, and needs no space
        }
        self.reserve.with_room(|| {
            let mut db = self.lock();
            let tx = db.transaction().map_err(broken)?;
            for stored in gone {
                tx.execute("DELETE FROM loose WHERE stored = ?1", [stored])
                    .map_err(broken)?;
            }
            tx.commit().map_err(broken)
        })
    }

    /// After a start: what was being done is to be done again, unless that was tried too often.
    pub fn take_up_again(&self) -> Result<()> {
        self.reserve.with_room(|| self.begin_anew())
    }

    fn begin_anew(&self) -> Result<()> {
        let given_up = Problem {
            what: format!("it was begun {MOST_ATTEMPTS} times and never came to an end"),
            hint: Some("is the record too long for this machine’s memory? Give it in parts".into()),
        };
        let db = self.lock();
        db.execute(
            "UPDATE records SET problem = ?2, state = CASE state WHEN 'reading' THEN 'unreadable' ELSE 'failed' END
             WHERE state IN ('reading', 'reviewing') AND ?1 <= attempts",
            params![MOST_ATTEMPTS, json(&given_up)],
        )
        .map_err(broken)?;
        db.execute(
            "UPDATE records SET state = 'waiting' WHERE state = 'reviewing'",
            [],
        )
        .map_err(broken)?;
        Ok(())
    }

    /// Takes in a record with its files; gives its number.
    pub fn add(&self, files: &[StoredFile]) -> Result<i64> {
        let mut db = self.lock();
        let tx = db.transaction().map_err(broken)?;
        tx.execute(
            "INSERT INTO records (added_s, state, reading) VALUES (?1, 'reading', ?2)",
            params![now_s(), json(&Reading::default())],
        )
        .map_err(broken)?;
        let id = tx.last_insert_rowid();
        for (place, file) in files.iter().enumerate() {
            tx.execute(
                "INSERT INTO files (stored, record, place, role, name, bytes, sha256) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                params![file.stored, id, place as i64, file.role.word(), file.name, file.bytes as i64, file.sha256],
            )
            .map_err(broken)?;
            tx.execute("DELETE FROM loose WHERE stored = ?1", [&file.stored])
                .map_err(broken)?;
        }
        tx.commit().map_err(broken)?;
        Ok(id)
    }

    /// How many records wait for a worker or have one.
    pub fn busy(&self) -> Result<usize> {
        let count: i64 = self
            .lock()
            .query_row(
                "SELECT count(*) FROM records WHERE state IN ('reading', 'waiting', 'reviewing')",
                [],
                |row| row.get(0),
            )
            .map_err(broken)?;
        Ok(count.unsigned_abs() as usize)
    }

    /// The next record for a worker that takes no larger ones: readings first, since somebody looks at them.
    pub fn next(&self, taken: &[i64], most_bytes: u64) -> Result<Option<(i64, State)>> {
        let db = self.lock();
        let mut rows = db
            .prepare(
                "SELECT id, state FROM records WHERE state IN ('reading', 'waiting')
                 AND (SELECT total(bytes) FROM files WHERE record = id) <= ?1
                 ORDER BY state = 'waiting', id",
            )
            .map_err(broken)?;
        let found = rows
            .query_map([most_bytes as f64], |row| {
                Ok((row.get(0)?, State::of_row(row, 1)?))
            })
            .map_err(broken)?;
        for next in found {
            let (id, state) = next.map_err(broken)?;
            if !taken.contains(&id) {
                db.execute(
                    "UPDATE records SET attempts = attempts + 1, state = CASE state WHEN 'waiting' THEN 'reviewing' ELSE state END WHERE id = ?1",
                    [id],
                )
                .map_err(broken)?;
                return Ok(Some((id, state)));
            }
        }
        Ok(None)
    }

    /// One record.
    pub fn entry(&self, id: i64) -> Result<Option<Entry>> {
        let db = self.lock();
        let entry = db
            .query_row(&format!("{ENTRY} WHERE id = ?1"), [id], entry)
            .optional()
            .map_err(broken)?;
        entry.map(|e| with_files(&db, e)).transpose()
    }

    /// Records from the newest on, and how many there are.
    pub fn entries(&self, skip: usize, most: usize) -> Result<(Vec<Entry>, usize)> {
        let db = self.lock();
        let mut rows = db
            .prepare(&format!("{ENTRY} ORDER BY id DESC LIMIT ?1 OFFSET ?2"))
            .map_err(broken)?;
        let found = rows
            .query_map(
                params![most as i64, i64::try_from(skip).unwrap_or(i64::MAX)],
                entry,
            )
            .map_err(broken)?
            .collect::<rusqlite::Result<Vec<_>>>()
            .map_err(broken)?;
        let entries = found.into_iter().map(|e| with_files(&db, e));
        let entries = entries.collect::<Result<Vec<_>>>()?;
        let all: i64 = db
            .query_row("SELECT count(*) FROM records", [], |row| row.get(0))
            .map_err(broken)?;
        Ok((entries, all.unsigned_abs() as usize))
    }

    /// Takes a record from one of these states to another, with what is known now. Says whether it was there.
    pub fn step(&self, id: i64, from: &[State], to: State, known: Known) -> Result<bool> {
        let reading = known.reading.map(json);
        let understood = known.understood.map(json);
        let changed = self
            .lock()
            .execute(
                "UPDATE records SET state = ?3, problem = ?4, reading = coalesce(?5, reading), understood = coalesce(?6, understood), attempts = 0
                 WHERE id = ?1 AND instr(?2, state) > 0",
                params![id, state::words(from), to.word(), known.problem.map(json), reading, understood],
            )
            .map_err(broken)?;
        Ok(changed == 1)
    }

    /// Changes what files of a record are, and has it read anew.
    pub fn sort_anew(&self, id: i64, roles: &[(String, Role)], reading: &Reading) -> Result<bool> {
        let mut db = self.lock();
        let tx = db.transaction().map_err(broken)?;
        let changed = tx
            .execute(
                "UPDATE records SET state = 'reading', problem = NULL, understood = NULL, reading = ?3, attempts = 0 WHERE id = ?1 AND instr(?2, state) > 0",
                params![id, state::words(&State::OPEN), json(reading)],
            )
            .map_err(broken)?;
        for (stored, role) in roles {
            tx.execute(
                "UPDATE files SET role = ?3 WHERE record = ?1 AND stored = ?2 AND ?4 = 1",
                params![id, stored, role.word(), changed as i64],
            )
            .map_err(broken)?;
        }
        tx.commit().map_err(broken)?;
        Ok(changed == 1)
    }

    /// Keeps a review that is done. Says whether it was still wanted.
    pub fn finish(&self, id: i64, digest: &Digest, report: &Report) -> Result<bool> {
        let mut db = self.lock();
        let tx = db.transaction().map_err(broken)?;
        let changed = tx
            .execute(
                "UPDATE records SET state = 'done', problem = NULL, digest = ?2, attempts = 0 WHERE id = ?1 AND state = 'reviewing'",
                params![id, json(digest)],
            )
            .map_err(broken)?;
        if changed == 1 {
            tx.execute(
                "INSERT OR REPLACE INTO reports (record, page, style, script, json) VALUES (?1, ?2, ?3, ?4, ?5)",
                params![id, report.page, report.style, report.script, report.json],
            )
            .map_err(broken)?;
        }
        tx.commit().map_err(broken)?;
        Ok(changed == 1)
    }

    /// A review's report.
    pub fn report(&self, id: i64) -> Result<Option<Report>> {
        let report = |row: &Row| {
            Ok(Report {
                page: row.get(0)?,
                style: row.get(1)?,
                script: row.get(2)?,
                json: row.get(3)?,
            })
        };
        self.lock()
            .query_row(
                "SELECT page, style, script, json FROM reports WHERE record = ?1",
                [id],
                report,
            )
            .optional()
            .map_err(broken)
    }

    /// The boxes that are ticked in a review's report.
    pub fn ticks(&self, id: i64) -> Result<Vec<String>> {
        let db = self.lock();
        let mut rows = db
            .prepare("SELECT box FROM ticks WHERE record = ?1 ORDER BY box")
            .map_err(broken)?;
        let boxes = rows.query_map([id], |row| row.get(0)).map_err(broken)?;
        boxes.collect::<rusqlite::Result<_>>().map_err(broken)
    }

    /// Ticks a box, or takes the tick away. Says whether there is such a review.
    pub fn tick(&self, id: i64, name: &str, ticked: bool) -> Result<bool> {
        let db = self.lock();
        let there: i64 = db
            .query_row(
                "SELECT count(*) FROM reports WHERE record = ?1",
                [id],
                |row| row.get(0),
            )
            .map_err(broken)?;
        if there == 0 {
            return Ok(false);
        }
        if ticked {
            db.execute(
                "INSERT OR IGNORE INTO ticks (record, box, ticked_s) VALUES (?1, ?2, ?3)",
                params![id, name, now_s()],
            )
        } else {
            db.execute(
                "DELETE FROM ticks WHERE record = ?1 AND box = ?2",
                params![id, name],
            )
        }
        .map_err(broken)?;
        Ok(true)
    }

    /// Names of the files of a record.
    pub fn files_of(&self, id: i64) -> Result<Vec<String>> {
        let sql = "SELECT stored FROM files WHERE record = ?1";
        names(&self.lock(), sql, [id])
    }

    /// Removes a record with all that belongs to it; its files now belong to none.
    pub fn remove(&self, id: i64) -> Result<()> {
        self.reserve.with_room(|| strike(&mut self.lock(), id))
    }

    /// Removes a record where there is next to no room: it is overwritten later, by [`Store::scrub`].
    pub fn remove_in_little_room(&self, id: i64) -> Result<()> {
        let mut db = self.lock();
        db.pragma_update(None, "secure_delete", false)
            .map_err(broken)?;
        let struck = strike(&mut db, id);
        db.pragma_update(None, "secure_delete", true)
            .map_err(broken)?;
        struck
    }

    /// Writes the store anew where records were removed from it, so that no byte of them is left in its files. Where
    /// there is no room for that, it is done after the next removal or start that has some.
    pub fn scrub(&self) {
        let _ = schema::scrub(&self.lock());
        self.reserve.hold();
    }
}

fn strike(db: &mut Connection, id: i64) -> Result<()> {
    let tx = db.transaction().map_err(broken)?;
    for sql in [
        "INSERT INTO loose (stored) SELECT stored FROM files WHERE record = ?1",
        "INSERT INTO to_scrub (record) SELECT id FROM records WHERE id = ?1",
        "DELETE FROM records WHERE id = ?1",
    ] {
        tx.execute(sql, [id]).map_err(broken)?;
    }
    tx.commit().map_err(broken)
}

/// The texts of one column.
fn names<C: FromIterator<String>>(db: &Connection, sql: &str, of: impl Params) -> Result<C> {
    let mut rows = db.prepare(sql).map_err(broken)?;
    let names = rows.query_map(of, |row| row.get(0)).map_err(broken)?;
    names.collect::<rusqlite::Result<C>>().map_err(broken)
}

/// What a step adds to what is known of a record.
#[derive(Debug, Default)]
pub struct Known<'a> {
    /// Why it goes no further.
    pub problem: Option<&'a Problem>,
    /// How its files are read.
    pub reading: Option<&'a Reading>,
    /// What was understood of them.
    pub understood: Option<&'a Understood>,
}

impl From<&Error> for Problem {
    fn from(error: &Error) -> Self {
        let bare = Error {
            hint: None,
            ..error.clone()
        };
        Self {
            what: bare.to_string(),
            hint: error.hint.clone(),
        }
    }
}

const ENTRY: &str = "SELECT id, added_s, state, reading, understood, problem, digest FROM records";

fn entry(row: &Row) -> rusqlite::Result<Entry> {
    Ok(Entry {
        id: row.get(0)?,
        added_s: row.get(1)?,
        state: State::of_row(row, 2)?,
        reading: parsed(row, 3)?.unwrap_or_default(),
        understood: parsed(row, 4)?,
        problem: parsed(row, 5)?,
        digest: parsed(row, 6)?,
        files: Vec::new(),
    })
}

fn with_files(db: &Connection, mut entry: Entry) -> Result<Entry> {
    let mut rows = db
        .prepare_cached(
            "SELECT stored, role, name, bytes, sha256 FROM files WHERE record = ?1 ORDER BY place",
        )
        .map_err(broken)?;
    let file = |row: &Row| {
        let role: String = row.get(1)?;
        Ok(StoredFile {
            stored: row.get(0)?,
            role: Role::from_word(&role).unwrap_or(Role::Aside),
            name: row.get(2)?,
            bytes: row.get::<_, i64>(3)?.unsigned_abs(),
            sha256: row.get(4)?,
        })
    };
    let files = rows.query_map([entry.id], file).map_err(broken)?;
    entry.files = files.collect::<rusqlite::Result<_>>().map_err(broken)?;
    Ok(entry)
}

fn json<T: Serialize>(value: &T) -> String {
    serde_json::to_string(value).unwrap_or_default() // plain structures cannot fail to be written
}

/// A column of JSON; what an earlier version wrote otherwise is taken as not there.
fn parsed<T: for<'a> Deserialize<'a>>(row: &Row, at: usize) -> rusqlite::Result<Option<T>> {
    let text: Option<String> = row.get(at)?;
    Ok(text.and_then(|t| serde_json::from_str(&t).ok()))
}

fn now_s() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH);
    since.map_or(0, |d| d.as_secs() as i64)
}

#[cfg(test)]
mod tests;
