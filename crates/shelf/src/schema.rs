//! The tables, and the way from older layouts to this one. Layouts only ever add.

use std::path::Path;
use std::time::Duration;

use rusqlite::{Connection, Transaction, TransactionBehavior};

use crate::error::{OpenError, ShelfError};

/// Layout this program writes, kept in the file's `user_version`.
pub const VERSION: u32 = STEPS.len() as u32;

/// "LCTS", kept in the file's `application_id`.
const APPLICATION_ID: i32 = 0x4c43_5453;

/// What leads from one layout to the next.
struct Step {
    sql: &'static str,
    /// What SQL alone cannot do, afterwards.
    fill: fn(&Transaction) -> rusqlite::Result<()>,
}

/// Step `n` leads from layout `n` to `n + 1`. A step that was released is never edited, and none
/// drops or renames anything.
const STEPS: &[Step] = &[
    Step {
        sql: TOURS,
        fill: |_| Ok(()),
    },
    Step {
        sql: CARDS,
        fill: crate::tours::index_all,
    },
];

const TOURS: &str = "
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
";

const CARDS: &str = "
    -- One row: counts changes of what can be searched.
    CREATE TABLE pulse (n INTEGER NOT NULL) STRICT;
    -- Begins anywhere, so that two stores hardly ever agree.
    INSERT INTO pulse VALUES (abs(random() % 1000000000000));

    -- What can be said of a tour (kind 0, subject = tours.id), a recording (kind 1) or a mark
    -- (kind 2) without looking into it. Lists are lines of text.
    CREATE TABLE cards (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        kind INTEGER NOT NULL,
        subject INTEGER NOT NULL,
        revision INTEGER NOT NULL,
        name TEXT NOT NULL,
        note TEXT NOT NULL,
        tags TEXT NOT NULL,
        rating INTEGER,
        date TEXT,
        length_m REAL,
        riding_s REAL,
        climb_m REAL,
        highest_m REAL,
        pass TEXT NOT NULL,
        pass_m REAL,
        places TEXT NOT NULL,
        regions TEXT NOT NULL,
        line BLOB NOT NULL,
        added_s INTEGER NOT NULL,
        changed_s INTEGER NOT NULL,
        deleted_s INTEGER,
        UNIQUE (kind, subject)
    ) STRICT;
    CREATE VIRTUAL TABLE words USING fts5 (
        name, note, tags, places,
        content='', contentless_delete=1, prefix='1 2 3',
        tokenize='unicode61 remove_diacritics 2'
    );
    CREATE VIRTUAL TABLE boxes USING rtree (card, west, east, south, north);
    CREATE TABLE squares (
        square INTEGER NOT NULL,
        card INTEGER NOT NULL,
        piece BLOB NOT NULL,
        PRIMARY KEY (square, card)
    ) STRICT, WITHOUT ROWID;

    -- A file as it came, pressed by zstd; bytes is its length before.
    CREATE TABLE files (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        hash BLOB NOT NULL UNIQUE,
        name TEXT NOT NULL,
        bytes INTEGER NOT NULL,
        original BLOB NOT NULL,
        added_s INTEGER NOT NULL
    ) STRICT;
    CREATE TABLE recordings (
        card INTEGER PRIMARY KEY REFERENCES cards (id) ON DELETE CASCADE,
        file INTEGER NOT NULL REFERENCES files (id),
        part INTEGER NOT NULL,
        started_s REAL,
        ended_s REAL,
        points INTEGER NOT NULL,
        left_out INTEGER NOT NULL,
        likeness BLOB NOT NULL,
        UNIQUE (file, part)
    ) STRICT;
    -- Cleaned points, packed.
    CREATE TABLE tracks (
        card INTEGER PRIMARY KEY REFERENCES cards (id) ON DELETE CASCADE,
        runs BLOB NOT NULL
    ) STRICT;
    -- What became of every file that an import came across, so that the next one goes on there.
    CREATE TABLE seen (
        path TEXT PRIMARY KEY,
        bytes INTEGER NOT NULL,
        modified_s INTEGER NOT NULL,
        fate INTEGER NOT NULL,
        reason TEXT NOT NULL,
        card INTEGER REFERENCES cards (id) ON DELETE CASCADE,
        seen_s INTEGER NOT NULL
    ) STRICT;
    CREATE INDEX seen_by_card ON seen (card);

    CREATE TABLE marks (
        card INTEGER PRIMARY KEY REFERENCES cards (id) ON DELETE CASCADE,
        lat REAL NOT NULL,
        lon REAL NOT NULL,
        road TEXT NOT NULL
    ) STRICT;
    CREATE TABLE photos (
        card INTEGER PRIMARY KEY REFERENCES cards (id) ON DELETE CASCADE,
        kind TEXT NOT NULL,
        taken TEXT,
        bytes BLOB NOT NULL
    ) STRICT;

    CREATE TABLE collections (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        revision INTEGER NOT NULL,
        name TEXT NOT NULL,
        note TEXT NOT NULL,
        added_s INTEGER NOT NULL,
        changed_s INTEGER NOT NULL,
        deleted_s INTEGER
    ) STRICT;
    CREATE TABLE members (
        collection INTEGER NOT NULL REFERENCES collections (id) ON DELETE CASCADE,
        card INTEGER NOT NULL REFERENCES cards (id) ON DELETE CASCADE,
        position INTEGER NOT NULL,
        PRIMARY KEY (collection, card)
    ) STRICT, WITHOUT ROWID;
    CREATE INDEX members_by_card ON members (card);
";

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
        connection.pragma_update(None, "cache_size", -64_000)?;
        connection.pragma_update(None, "wal_autocheckpoint", 4000)?;
        connection.set_prepared_statement_cache_capacity(64);
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
        for to_next in STEPS.iter().skip(found as usize) {
            step.execute_batch(to_next.sql).map_err(failure)?;
            (to_next.fill)(&step).map_err(failure)?;
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

/// Whether a file is a shelf of this or another edition; it is not changed.
pub fn is_shelf(path: &Path) -> bool {
    let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
    let read = || -> rusqlite::Result<i32> {
        Connection::open_with_flags(path, flags)?
            .query_row("PRAGMA application_id", [], |r| r.get(0))
    };
    read().is_ok_and(|application| application == APPLICATION_ID)
}
