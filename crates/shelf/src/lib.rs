//! The store of tours, recordings, marks and collections: one SQLite file that loses at most the
//! change in flight.
//!
//! Every change is one transaction, on the disk before it is acknowledged (write-ahead log,
//! `synchronous=FULL`). It names the revision it was made on, so two windows never overwrite each
//! other. Deleting puts things into the bin. Times are Unix seconds and come from the caller.
//!
//! What can be searched lies in one table of *cards*, whatever it is the card of; beside it the
//! index of words (FTS5), the boxes (R*Tree) and the lines cut into squares.

mod backup;
mod card;
pub mod cleaning;
mod collections;
mod error;
mod exchange;
mod filter;
mod import;
pub mod likeness;
mod marks;
pub mod packed;
pub mod pyramid;
mod recordings;
mod schema;
mod search;
mod sources;
mod tours;

use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior};

pub use backup::BackupError;
pub use card::{Card, Key};
pub use collections::Collection;
pub use error::{OpenError, ShelfError};
pub use exchange::{Brought, ExchangeError, Selection};
pub use filter::{Filter, FilterError, Kind};
pub use import::{Fate, ImportError, ImportProgress, ImportSummary, Seen, Survey, Trouble};
pub use marks::{MAX_PHOTO_BYTES, Mark, MarkError, NewMark, Photo};
pub use recordings::{Change, Recording};
pub use schema::VERSION;
pub use search::{Found, Question};
pub use tours::{Earlier, Entry, HISTORY_LEN, Kept, Planned, TourId};

/// How long an operation waits for another process before it gives up.
const PATIENCE: Duration = Duration::from_secs(5);
/// Connections for reading that are kept open.
const IDLE_READERS: usize = 8;

/// An open store. May be shared between threads: changes take turns, reading goes on meanwhile.
pub struct Shelf {
    path: PathBuf,
    writer: Mutex<Connection>,
    readers: Mutex<Vec<Connection>>,
}

impl Shelf {
    /// Opens the store, making or extending it as needed. A store of a newer program, or a
    /// file that is none, is left alone and refused.
    pub fn open(path: &Path) -> Result<Self, OpenError> {
        let connection = schema::open(path, PATIENCE)?;
        Ok(Shelf {
            path: path.into(),
            writer: Mutex::new(connection),
            readers: Mutex::default(),
        })
    }

    /// Counts changes of what can be searched and drawn, whoever made them: equal numbers mean
    /// equal answers.
    pub fn pulse(&self) -> Result<i64, ShelfError> {
        self.read("look at the shelf", |c| {
            c.prepare_cached("SELECT n FROM pulse")?
                .query_row([], |r| r.get(0))
        })
    }

    /// Runs `work` in one transaction that holds the write lock from the start, so that what was
    /// read in it is still true when it commits.
    fn write<T>(
        &self,
        doing: &'static str,
        work: impl FnOnce(&Transaction) -> rusqlite::Result<T>,
    ) -> Result<T, ShelfError> {
        let mut connection = self.lock();
        let run = |connection: &mut Connection| {
            let transaction =
                connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let out = work(&transaction)?;
            transaction.commit()?;
            Ok(out)
        };
        run(&mut connection).map_err(|e| self.failure(doing, e))
    }

    /// Runs `work` on one state of the store, while others write.
    fn read<T>(
        &self,
        doing: &'static str,
        work: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, ShelfError> {
        let idle = self.idle().pop();
        let run = |idle: Option<Connection>| {
            let mut connection = match idle {
                Some(connection) => connection,
                None => {
                    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
                    let connection = Connection::open_with_flags(&self.path, flags)?;
                    connection.busy_timeout(PATIENCE)?;
                    connection.pragma_update(None, "query_only", true)?;
                    connection.pragma_update(None, "cache_size", -32_000)?;
                    connection.set_prepared_statement_cache_capacity(64);
                    connection
                }
            };
            let out = {
                let transaction = connection.transaction()?;
                work(&transaction)?
            };
            Ok((out, connection))
        };
        let (out, connection) = run(idle).map_err(|e| self.failure(doing, e))?;
        let mut idle = self.idle();
        if idle.len() < IDLE_READERS {
            idle.push(connection);
        }
        Ok(out)
    }

    fn idle(&self) -> MutexGuard<'_, Vec<Connection>> {
        self.readers.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn lock(&self) -> MutexGuard<'_, Connection> {
        // A panic elsewhere cannot leave a transaction open: it is rolled back when dropped.
        self.writer.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn failure(&self, doing: &'static str, source: rusqlite::Error) -> ShelfError {
        ShelfError::of(doing, &self.path, source)
    }
}
