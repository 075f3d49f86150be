//! The tables, their version, and how an older version is brought up.

use super::broken;
use crate::error::{Error, Result};
use crate::report::words;
use rusqlite::Connection;
use std::path::Path;
use std::time::Duration;

/// One script per version: the first makes the tables of version 1, each further one brings up those of the one before.
/// A script that was released is never changed.
const SCRIPTS: &[&str] = &["
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
"];

/// Opens the store, makes or brings up its tables.
pub fn open(path: &Path) -> Result<Connection> {
    let mut db = Connection::open(path).map_err(broken)?;
    db.busy_timeout(Duration::from_secs(10)).map_err(broken)?;
    db.pragma_update(None, "journal_mode", "WAL")
        .map_err(broken)?;
    db.pragma_update(None, "synchronous", "FULL")
        .map_err(broken)?;
    db.pragma_update(None, "foreign_keys", true)
        .map_err(broken)?;
    let tx = db.transaction().map_err(broken)?;
    let version: usize = tx
        .pragma_query_value(None, "user_version", |row| row.get::<_, i64>(0))
        .map_err(broken)?
        .unsigned_abs() as usize;
    if SCRIPTS.len() < version {
        return Err(Error::in_file(
            path,
            format!(
                "it was written by a later patency (its tables have version {version}, this one knows {})",
                SCRIPTS.len()
            ),
        )
        .hint(words::workbench::LATER_STORE_HINT));
    }
    for script in SCRIPTS.iter().skip(version) {
        tx.execute_batch(script).map_err(broken)?;
    }
    tx.pragma_update(None, "user_version", SCRIPTS.len() as i64)
        .map_err(broken)?;
    tx.commit().map_err(broken)?;
    Ok(db)
}
