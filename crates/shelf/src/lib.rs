//! The store of tours: one SQLite file that loses at most the change in flight.
//!
//! Every save is one transaction, on the disk before it is acknowledged (write-ahead log,
//! `synchronous=FULL`). A save names the revision it was made on, so two windows on one tour
//! never overwrite each other; the document before it goes into a bounded history. Deleting puts
//! a tour into the bin. Times are Unix seconds and come from the caller.

mod error;
mod schema;

use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use planner::document::Tour;
use rusqlite::{Connection, OptionalExtension, Row, Transaction, TransactionBehavior, params};

pub use error::{OpenError, ShelfError};
pub use schema::VERSION;

/// Earlier documents kept per tour.
pub const HISTORY_LEN: u32 = 200;

/// How long an operation waits for another process before it gives up.
const PATIENCE: Duration = Duration::from_secs(5);

/// An open store. May be shared between threads; operations take turns.
pub struct Shelf {
    path: PathBuf,
    connection: Mutex<Connection>,
}

/// Key of a tour: short, never used again, `t` and a number in text.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct TourId(i64);

impl TourId {
    /// Reads `t12`; `None` for anything else.
    pub fn parse(text: &str) -> Option<Self> {
        let digits = text.strip_prefix('t')?;
        let plain = digits.bytes().all(|b| b.is_ascii_digit()) && !digits.starts_with('0');
        let id = digits.parse().ok().filter(|_| plain)?;
        Some(TourId(id))
    }
}

impl std::fmt::Display for TourId {
    fn fmt(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
        write!(f, "t{}", self.0)
    }
}

/// A tour as kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Kept {
    /// Its key.
    pub id: TourId,
    /// Counts saves from 1.
    pub revision: u32,
    /// The document.
    pub tour: Tour,
    /// Length as planned when it was saved, if the saver knew.
    pub length_m: Option<f64>,
    /// First save.
    pub created_s: i64,
    /// Last save.
    pub changed_s: i64,
    /// When it went into the bin, if it is there.
    pub deleted_s: Option<i64>,
}

/// A line of the list: what can be said of a tour without its document.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Its key.
    pub id: TourId,
    /// Counts saves from 1.
    pub revision: u32,
    /// What the rider calls it.
    pub name: String,
    /// Region it is planned on.
    pub region: String,
    /// Number of days.
    pub days: u32,
    /// Length as planned when it was saved, if the saver knew.
    pub length_m: Option<f64>,
    /// First save.
    pub created_s: i64,
    /// Last save.
    pub changed_s: i64,
    /// When it went into the bin, if it is there.
    pub deleted_s: Option<i64>,
}

/// An earlier document of a tour.
#[derive(Clone, Debug, PartialEq)]
pub struct Earlier {
    /// The revision it was.
    pub revision: u32,
    /// When it was saved.
    pub saved_s: i64,
    /// The document.
    pub tour: Tour,
}

impl Shelf {
    /// Opens the store, making or extending it as needed. A store of a newer program, or a
    /// file that is none, is left alone and refused.
    pub fn open(path: &Path) -> Result<Self, OpenError> {
        let connection = schema::open(path, PATIENCE)?;
        Ok(Shelf {
            path: path.into(),
            connection: Mutex::new(connection),
        })
    }

    /// All tours, those in the bin too, last changed first.
    pub fn list(&self) -> Result<Vec<Entry>, ShelfError> {
        let connection = self.lock();
        let read = || -> rusqlite::Result<Vec<Entry>> {
            let mut query = connection.prepare_cached(
                "SELECT id, revision, name, region, days, length_m, created_s, changed_s, deleted_s
                 FROM tours ORDER BY changed_s DESC, id DESC",
            )?;
            let rows = query.query_map([], |r| {
                Ok(Entry {
                    id: TourId(r.get(0)?),
                    revision: r.get(1)?,
                    name: r.get(2)?,
                    region: r.get(3)?,
                    days: r.get(4)?,
                    length_m: r.get(5)?,
                    created_s: r.get(6)?,
                    changed_s: r.get(7)?,
                    deleted_s: r.get(8)?,
                })
            })?;
            rows.collect()
        };
        read().map_err(|e| self.failure("list the tours", e))
    }

    /// Keeps a new tour.
    pub fn add(&self, tour: &Tour, length_m: Option<f64>, now_s: i64) -> Result<Kept, ShelfError> {
        let document = document_text(tour)?;
        let id =
            self.write("keep a new tour", |t| {
                t.prepare_cached(
                "INSERT INTO tours (revision, name, region, days, length_m, document, created_s,
                 changed_s) VALUES (1, ?1, ?2, ?3, ?4, ?5, ?6, ?6)",
            )?
            .execute(params![tour.name, tour.region, days(tour), length_m, document, now_s])?;
                Ok(TourId(t.last_insert_rowid()))
            })?;
        Ok(Kept {
            id,
            revision: 1,
            tour: tour.clone(),
            length_m,
            created_s: now_s,
            changed_s: now_s,
            deleted_s: None,
        })
    }

    /// A tour with its document; one in the bin too.
    pub fn get(&self, id: TourId) -> Result<Kept, ShelfError> {
        let row = stored(&self.lock(), id).map_err(|e| self.failure("read a tour", e))?;
        row.ok_or(ShelfError::Unknown { id })?.into_kept()
    }

    /// Saves a change that was made on `revision`; returns the new revision.
    ///
    /// [`ShelfError::Conflict`] carries the newer tour when somebody else saved meanwhile; the
    /// same document once more is no conflict and no new revision, so a save may be repeated.
    pub fn save(
        &self,
        id: TourId,
        revision: u32,
        tour: &Tour,
        length_m: Option<f64>,
        now_s: i64,
    ) -> Result<u32, ShelfError> {
        enum Outcome {
            Saved(u32),
            Unknown,
            Stale(Stored),
        }
        let document = document_text(tour)?;
        let outcome = self.write("save a tour", |t| {
            let Some(kept) = stored(t, id)? else {
                return Ok(Outcome::Unknown);
            };
            if kept.document == document {
                return Ok(Outcome::Saved(kept.revision));
            }
            if kept.revision != revision {
                return Ok(Outcome::Stale(kept));
            }
            let next = revision.saturating_add(1);
            t.prepare_cached(
                "INSERT INTO history (tour, revision, saved_s, document)
                 SELECT id, revision, changed_s, document FROM tours WHERE id = ?1",
            )?
            .execute([id.0])?;
            t.prepare_cached("DELETE FROM history WHERE tour = ?1 AND revision + ?2 < ?3")?
                .execute(params![id.0, HISTORY_LEN, next])?;
            t.prepare_cached(
                "UPDATE tours SET revision = ?2, name = ?3, region = ?4, days = ?5, length_m = ?6,
                 document = ?7, changed_s = ?8 WHERE id = ?1",
            )?
            .execute(params![
                id.0,
                next,
                tour.name,
                tour.region,
                days(tour),
                length_m,
                document,
                now_s
            ])?;
            Ok(Outcome::Saved(next))
        })?;
        match outcome {
            Outcome::Saved(revision) => Ok(revision),
            Outcome::Unknown => Err(ShelfError::Unknown { id }),
            Outcome::Stale(kept) => Err(ShelfError::Conflict {
                newer: Box::new(kept.into_kept()?),
            }),
        }
    }

    /// Earlier documents of a tour, newest first, at most [`HISTORY_LEN`].
    pub fn history(&self, id: TourId) -> Result<Vec<Earlier>, ShelfError> {
        let connection = self.lock();
        let read = || -> rusqlite::Result<Vec<(u32, i64, String)>> {
            let mut query = connection.prepare_cached(
                "SELECT revision, saved_s, document FROM history WHERE tour = ?1
                 ORDER BY revision DESC",
            )?;
            let rows = query.query_map([id.0], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))?;
            rows.collect()
        };
        let rows = read().map_err(|e| self.failure("read the history of a tour", e))?;
        rows.into_iter()
            .map(|(revision, saved_s, text)| {
                Ok(Earlier {
                    revision,
                    saved_s,
                    tour: document_of(id, &text)?,
                })
            })
            .collect()
    }

    /// Puts a tour into the bin; one that is there stays.
    pub fn delete(&self, id: TourId, now_s: i64) -> Result<(), ShelfError> {
        let sql = "UPDATE tours SET deleted_s = coalesce(deleted_s, ?2) WHERE id = ?1";
        self.touch("delete a tour", id, sql, params![id.0, now_s])
    }

    /// Brings a tour back from the bin.
    pub fn restore(&self, id: TourId) -> Result<(), ShelfError> {
        let sql = "UPDATE tours SET deleted_s = NULL WHERE id = ?1";
        self.touch("restore a tour", id, sql, params![id.0])
    }

    /// Removes for good what went into the bin before a time; returns how many tours.
    pub fn purge(&self, before_s: i64) -> Result<usize, ShelfError> {
        self.write("empty the bin", |t| {
            t.execute("DELETE FROM tours WHERE deleted_s < ?1", [before_s])
        })
    }

    /// What the page wants remembered: JSON text, or `None` before the first call of
    /// [`Shelf::set_state`].
    pub fn state(&self) -> Result<Option<String>, ShelfError> {
        let connection = self.lock();
        connection
            .query_row("SELECT value FROM state WHERE name = 'page'", [], |r| {
                r.get(0)
            })
            .optional()
            .map_err(|e| self.failure("read the page's state", e))
    }

    /// Remembers JSON text for the page.
    pub fn set_state(&self, json: &str) -> Result<(), ShelfError> {
        self.write("remember the page's state", |t| {
            t.execute(
                "INSERT INTO state (name, value) VALUES ('page', ?1)
                 ON CONFLICT (name) DO UPDATE SET value = excluded.value",
                [json],
            )
        })?;
        Ok(())
    }

    fn touch(
        &self,
        doing: &'static str,
        id: TourId,
        sql: &str,
        values: impl rusqlite::Params,
    ) -> Result<(), ShelfError> {
        match self.write(doing, |t| t.execute(sql, values))? {
            0 => Err(ShelfError::Unknown { id }),
            _ => Ok(()),
        }
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

    fn lock(&self) -> MutexGuard<'_, Connection> {
        // A panic elsewhere cannot leave a transaction open: it is rolled back when dropped.
        self.connection
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }

    fn failure(&self, doing: &'static str, source: rusqlite::Error) -> ShelfError {
        ShelfError::of(doing, &self.path, source)
    }
}

/// A row of the table, its document not yet read.
struct Stored {
    id: TourId,
    revision: u32,
    document: String,
    length_m: Option<f64>,
    created_s: i64,
    changed_s: i64,
    deleted_s: Option<i64>,
}

impl Stored {
    fn of(row: &Row) -> rusqlite::Result<Self> {
        Ok(Stored {
            id: TourId(row.get(0)?),
            revision: row.get(1)?,
            document: row.get(2)?,
            length_m: row.get(3)?,
            created_s: row.get(4)?,
            changed_s: row.get(5)?,
            deleted_s: row.get(6)?,
        })
    }

    fn into_kept(self) -> Result<Kept, ShelfError> {
        Ok(Kept {
            id: self.id,
            revision: self.revision,
            tour: document_of(self.id, &self.document)?,
            length_m: self.length_m,
            created_s: self.created_s,
            changed_s: self.changed_s,
            deleted_s: self.deleted_s,
        })
    }
}

fn stored(connection: &Connection, id: TourId) -> rusqlite::Result<Option<Stored>> {
    connection
        .prepare_cached(
            "SELECT id, revision, document, length_m, created_s, changed_s, deleted_s
             FROM tours WHERE id = ?1",
        )?
        .query_row([id.0], Stored::of)
        .optional()
}

fn document_text(tour: &Tour) -> Result<String, ShelfError> {
    serde_json::to_string(tour).map_err(|source| ShelfError::Unwritable { source })
}

fn document_of(id: TourId, text: &str) -> Result<Tour, ShelfError> {
    serde_json::from_str(text).map_err(|source| ShelfError::Unreadable { id, source })
}

/// One more than the night stops inside the tour.
fn days(tour: &Tour) -> u32 {
    let inner = tour.points.len().saturating_sub(1);
    1 + tour
        .points
        .iter()
        .take(inner)
        .skip(1)
        .filter(|p| p.ends_day)
        .count() as u32
}
