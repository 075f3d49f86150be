//! The tables, their version, and how an older version is brought up.

use super::super::data::{Folder, cannot};
use super::super::reserve::Reserve;
use super::broken;
use crate::error::{Error, Result};
use crate::report::words;
use rusqlite::config::DbConfig;
use rusqlite::{Connection, ErrorCode, OpenFlags};
use std::fs::File;
use std::io::Read;
use std::path::Path;
use std::time::Duration;

/// One script per version: the first makes the tables of version 1, each further one brings up those of the one before.
/// A script that was released is never changed.
const SCRIPTS: &[&str] = &[
    "
    CREATE TABLE records (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        added_s INTEGER NOT NULL,
        state TEXT NOT NULL,
        reading TEXT NOT NULL,
        understood TEXT,
        problem TEXT,
        digest TEXT,
        attempts INTEGER NOT NULL DEFAULT 0
    ) STRICT;
    CREATE TABLE files (
        stored TEXT PRIMARY KEY,
        record INTEGER NOT NULL REFERENCES records ON DELETE CASCADE,
        place INTEGER NOT NULL,
        role TEXT NOT NULL,
        name TEXT NOT NULL,
        bytes INTEGER NOT NULL,
        sha256 TEXT NOT NULL
    ) STRICT;
    CREATE INDEX files_of_record ON files (record);
    CREATE TABLE reports (
        record INTEGER PRIMARY KEY REFERENCES records ON DELETE CASCADE,
        page TEXT NOT NULL,
        style TEXT NOT NULL,
        script TEXT NOT NULL,
        json TEXT NOT NULL
    ) STRICT;
    CREATE TABLE ticks (
        record INTEGER NOT NULL REFERENCES records ON DELETE CASCADE,
        box TEXT NOT NULL,
        ticked_s INTEGER NOT NULL,
        PRIMARY KEY (record, box)
    ) STRICT, WITHOUT ROWID;
",
    "
    CREATE TABLE loose (
        stored TEXT PRIMARY KEY
    ) STRICT, WITHOUT ROWID;
",
    "
    CREATE TABLE to_scrub (
        record INTEGER PRIMARY KEY
    ) STRICT;
",
];

/// Pages up to this many bytes are written anew in memory; more go over an unnamed file of the system's.
const IN_MEMORY_BYTES: i64 = 512 << 20;

/// What reads from each table of version 1: a store that knows all of it is the workbench's own.
const OWN: [&str; 4] = [
    "SELECT id, added_s, state, reading, understood, problem, digest, attempts FROM records",
    "SELECT stored, record, place, role, name, bytes, sha256 FROM files",
    "SELECT record, page, style, script, json FROM reports",
    "SELECT record, box, ticked_s FROM ticks",
];

/// How a SQLite file begins.
const MAGIC: &[u8; 16] = b"SQLite format 3\0";

/// What a store's file was found to be.
enum Found {
    /// There is nothing in it.
    Nothing,
    /// A store of this version.
    Own(Connection, usize),
    /// A database of somebody else.
    Foreign,
}

/// Whether there is a store of the workbench's own; changes nothing.
///
/// # Errors
/// It is damaged, or was written by a later version.
pub fn is_own(path: &Path) -> Result<bool> {
    Ok(matches!(look(path)?, Found::Own(..)))
}

/// Opens the store, makes or brings up its tables.
///
/// # Errors
/// It is damaged, somebody else's, or was written by a later version: it is then left as it is.
pub fn open(path: &Path, reserve: &Reserve) -> Result<Connection> {
    let (mut db, version) = match look(path)? {
        Found::Own(db, version) => (db, version),
        Found::Foreign => return Err(damaged(path, "it has other tables than a workbench’s")),
        Found::Nothing => {
            // Made here, for its owner alone; the journal takes its mode over.
            if !path.exists() {
                Folder::create(path).map_err(|e| cannot(path, &e))?;
            }
            (connect(path)?, 0)
        }
    };
    reserve.with_room(|| bring_up(&mut db, version))?;
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, false)
        .map_err(broken)?;
    Ok(db)
}

fn bring_up(db: &mut Connection, version: usize) -> Result<()> {
    db.pragma_update(None, "journal_mode", "WAL")
        .map_err(broken)?;
    db.pragma_update(None, "synchronous", "FULL")
        .map_err(broken)?;
    db.pragma_update(None, "foreign_keys", true)
        .map_err(broken)?;
    // What is deleted is overwritten in its page; [`scrub`] removes what SQLite's moving of rows leaves of them.
    db.pragma_update(None, "secure_delete", true)
        .map_err(broken)?;
    if version == SCRIPTS.len() {
        return Ok(()); // nothing to write: a full disk is no matter
    }
    let tx = db.transaction().map_err(broken)?;
    for script in SCRIPTS.iter().skip(version) {
        tx.execute_batch(script).map_err(broken)?;
    }
    tx.pragma_update(None, "user_version", SCRIPTS.len() as i64)
        .map_err(broken)?;
    tx.commit().map_err(broken)
}

/// Writes the store anew where a record was removed since that was last done, and empties its journal.
pub fn scrub(db: &Connection) -> rusqlite::Result<()> {
    let any: bool = db.query_row("SELECT EXISTS (SELECT 1 FROM to_scrub)", [], |row| {
        row.get(0)
    })?;
    if !any {
        return Ok(());
    }
    let pages: i64 = db.pragma_query_value(None, "page_count", |row| row.get(0))?;
    let page_bytes: i64 = db.pragma_query_value(None, "page_size", |row| row.get(0))?;
    let place = if pages.saturating_mul(page_bytes) <= IN_MEMORY_BYTES {
        "MEMORY"
    } else {
        "FILE"
    };
    db.pragma_update(None, "temp_store", place)?;
    let anew = db.execute_batch("VACUUM; DELETE FROM to_scrub;");
    // Also where there was no room for all of it: what was deleted is overwritten so far.
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
    anew
}

/// Opens a file in such a way that reading and closing it change nothing, also where a journal lies beside it.
fn connect(path: &Path) -> Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(path, flags).map_err(broken)?;
    db.busy_timeout(Duration::from_secs(10)).map_err(broken)?;
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)
        .map_err(broken)?;
    // One process alone has the store: no index of the journal in a file of its own.
    db.pragma_update(None, "locking_mode", "EXCLUSIVE")
        .map_err(broken)?;
    Ok(db)
}

/// Looks at a store's file and changes nothing.
fn look(path: &Path) -> Result<Found> {
    let mut journal = path.as_os_str().to_owned();
    journal.push("-wal");
    let journal = Path::new(&journal);
    let had_journal = journal.exists();
    let found = examine(path, length(journal));
    // SQLite makes an empty journal as soon as it reads.
    if !matches!(found, Ok(Found::Own(..))) && !had_journal && length(journal) == 0 {
        let _ = std::fs::remove_file(journal);
    }
    found
}

fn length(path: &Path) -> u64 {
    std::fs::metadata(path).map_or(0, |m| m.len())
}

fn examine(path: &Path, journal_bytes: u64) -> Result<Found> {
    if length(path) == 0 {
        // SQLite would take the journal of an empty file for a leftover and remove it.
        return match journal_bytes {
            0 => Ok(Found::Nothing),
            _ => Err(damaged(path, "it is empty, but its journal is not")),
        };
    }
    let mut head = [0; MAGIC.len()];
    let read = File::open(path).and_then(|mut f| f.read_exact(&mut head));
    if read.is_err() || head != *MAGIC {
        return Err(damaged(path, "it does not begin as a SQLite file does"));
    }
    let db = connect(path)?;
    let spoilt = |e: rusqlite::Error| match e.sqlite_error_code() {
        Some(ErrorCode::NotADatabase | ErrorCode::DatabaseCorrupt) => damaged(path, &e.to_string()),
        _ => broken(e),
    };
    let version = db
        .pragma_query_value(None, "user_version", |row| row.get::<_, i64>(0))
        .map_err(spoilt)?
        .unsigned_abs() as usize;
    let tables: i64 = db
        .query_row("SELECT count(*) FROM sqlite_master", [], |row| row.get(0))
        .map_err(spoilt)?;
    if SCRIPTS.len() < version {
        return Err(later(path, version));
    }
    if version == 0 || OWN.iter().any(|sql| db.prepare(sql).is_err()) {
        // A first start that was killed leaves a file without tables.
        return Ok(if version == 0 && tables == 0 {
            Found::Nothing
        } else {
            Found::Foreign
        });
    }
    let checked: String = db
        .query_row("PRAGMA quick_check(1)", [], |row| row.get(0))
        .map_err(spoilt)?;
    match checked.as_str() {
        "ok" => Ok(Found::Own(db, version)),
        _ => Err(damaged(path, &checked.replace('\n', " "))),
    }
}

fn later(path: &Path, version: usize) -> Error {
    let known = SCRIPTS.len();
    Error::in_file(
        path,
        format!("it was written by a later patency (its tables have version {version}, this one knows {known})"),
    )
    .hint(words::workbench::LATER_STORE_HINT)
}

fn damaged(path: &Path, why: &str) -> Error {
    Error::in_file(path, words::workbench::store_damaged(why))
        .hint(words::workbench::STORE_DAMAGED_HINT)
}
