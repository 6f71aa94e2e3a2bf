//! The tables, and the way from older layouts to this one. Layouts only ever add.

use std::path::Path;
use std::time::Duration;

use rusqlite::{Connection, TransactionBehavior};

use crate::error::{OpenError, ShelfError};

/// Layout this program writes, kept in the file's `user_version`.
pub const VERSION: u32 = STEPS.len() as u32;

/// "LCTS", kept in the file's `application_id`.
const APPLICATION_ID: i32 = 0x4c43_5453;

/// Step `n` leads from layout `n` to `n + 1`. A step that was released is never edited.
const STEPS: &[&str] = &["
    CREATE TABLE tours (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        revision INTEGER NOT NULL,
        name TEXT NOT NULL,
        region TEXT NOT NULL,
        days INTEGER NOT NULL,
        length_m REAL,
        document TEXT NOT NULL,
        created_s INTEGER NOT NULL,
        changed_s INTEGER NOT NULL,
        deleted_s INTEGER
    ) STRICT;
    CREATE INDEX tours_by_change ON tours (changed_s);
    CREATE TABLE history (
        tour INTEGER NOT NULL REFERENCES tours (id) ON DELETE CASCADE,
        revision INTEGER NOT NULL,
        saved_s INTEGER NOT NULL,
        document TEXT NOT NULL,
        PRIMARY KEY (tour, revision)
    ) STRICT;
    CREATE TABLE state (
        name TEXT PRIMARY KEY,
        value TEXT NOT NULL
    ) STRICT;
"];

/// Opens the file with the settings that make a committed change survive a pulled plug, and
/// brings its tables to [`VERSION`].
pub fn open(path: &Path, patience: Duration) -> Result<Connection, OpenError> {
    let failure = |e| OpenError::Shelf(ShelfError::of("open the shelf", path, e));
    let mut connection = Connection::open(path).map_err(failure)?;
    connection.busy_timeout(patience).map_err(failure)?;
    let (application, found) = identity(&connection).map_err(failure)?;
    check(path, application, found)?;
    let prepare = |connection: &mut Connection| -> rusqlite::Result<()> {
        connection.pragma_update(None, "journal_mode", "WAL")?;
        connection.pragma_update(None, "synchronous", "FULL")?;
        connection.pragma_update(None, "foreign_keys", true)?;
        Ok(())
    };
    prepare(&mut connection).map_err(failure)?;
    if found == VERSION {
        return Ok(connection);
    }
    let extend = |connection: &mut Connection| -> Result<(), OpenError> {
        let step = connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(failure)?;
        // Looked at again under the lock: another process may have been faster.
        let (application, found) = identity(&step).map_err(failure)?;
        check(path, application, found)?;
        for sql in STEPS.iter().skip(found as usize) {
            step.execute_batch(sql).map_err(failure)?;
        }
        step.pragma_update(None, "application_id", APPLICATION_ID)
            .map_err(failure)?;
        step.pragma_update(None, "user_version", VERSION)
            .map_err(failure)?;
        step.commit().map_err(failure)
    };
    extend(&mut connection)?;
    Ok(connection)
}

/// `(application_id, user_version)`; `(ours, 0)` for a file without any table.
fn identity(connection: &Connection) -> rusqlite::Result<(i32, u32)> {
    let application: i32 = connection.query_row("PRAGMA application_id", [], |r| r.get(0))?;
    let version: i32 = connection.query_row("PRAGMA user_version", [], |r| r.get(0))?;
    let tables: i64 =
        connection.query_row("SELECT count(*) FROM sqlite_schema", [], |r| r.get(0))?;
    if tables == 0 && application == 0 && version == 0 {
        return Ok((APPLICATION_ID, 0));
    }
    Ok((application, version.cast_unsigned()))
}

fn check(path: &Path, application: i32, found: u32) -> Result<(), OpenError> {
    if application != APPLICATION_ID {
        return Err(OpenError::Foreign { path: path.into() });
    }
    if found > VERSION {
        return Err(OpenError::Newer {
            path: path.into(),
            found,
        });
    }
    Ok(())
}
