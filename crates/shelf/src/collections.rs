//! Collections: tours, recordings and marks that the rider put together, in the rider's order.

use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};

use crate::card::Key;
use crate::{Shelf, ShelfError};

/// A collection as kept.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Collection {
    /// Its number, never used again; 0 for one that is not kept yet.
    pub number: i64,
    /// Counts changes from 1.
    pub revision: u32,
    /// What the rider calls it.
    pub name: String,
    /// Free words.
    pub note: String,
    /// What is in it; what lies in the bin is left out.
    pub members: Vec<Key>,
    /// When it was made.
    pub added_s: i64,
    /// Last change.
    pub changed_s: i64,
    /// When it went into the bin, if it is there.
    pub deleted_s: Option<i64>,
}

const COLUMNS: &str = "id, revision, name, note, added_s, changed_s, deleted_s";

impl Shelf {
    /// All collections, those in the bin too, by name.
    pub fn collections(&self) -> Result<Vec<Collection>, ShelfError> {
        self.read("list the collections", |c| {
            let sql = format!("SELECT {COLUMNS} FROM collections ORDER BY lower(name), id");
            let mut query = c.prepare_cached(&sql)?;
            let rows: Vec<Collection> =
                query.query_map([], of)?.collect::<rusqlite::Result<_>>()?;
            rows.into_iter()
                .map(|collection| with_members(c, collection))
                .collect()
        })
    }

    /// One collection; one in the bin too.
    pub fn collection(&self, number: i64) -> Result<Collection, ShelfError> {
        let found = self.read("read a collection", |c| match by_number(c, number)? {
            Some(collection) => with_members(c, collection).map(Some),
            None => Ok(None),
        })?;
        found.ok_or(ShelfError::NoCollection { number })
    }

    /// Keeps a new collection; its number. Members that are not on the shelf are left out.
    pub fn add_collection(&self, new: &Collection, now_s: i64) -> Result<Collection, ShelfError> {
        let number = self.write("keep a collection", |t| add(t, new, now_s, now_s))?;
        self.collection(number)
    }

    /// Changes a collection that was seen at `revision`.
    pub fn save_collection(
        &self,
        number: i64,
        revision: u32,
        new: &Collection,
        now_s: i64,
    ) -> Result<Collection, ShelfError> {
        let outcome = self.write("save a collection", |t| {
            let Some(before) = by_number(t, number)? else { return Ok(None) };
            if before.revision != revision {
                return Ok(Some(Err(before.revision)));
            }
            t.execute(
                "UPDATE collections SET revision = revision + 1, name = ?2, note = ?3, changed_s = ?4 WHERE id = ?1",
                params![number, new.name, new.note, now_s],
            )?;
            set_members(t, number, &new.members)?;
            Ok(Some(Ok(())))
        })?;
        match outcome {
            None => Err(ShelfError::NoCollection { number }),
            Some(Err(revision)) => Err(ShelfError::Stale {
                what: format!("collection {number}"),
                revision,
            }),
            Some(Ok(())) => self.collection(number),
        }
    }

    /// Puts a collection into the bin, or, without a time, brings it back. Its members stay where
    /// they are.
    pub fn set_collection_deleted(
        &self,
        number: i64,
        deleted_s: Option<i64>,
    ) -> Result<(), ShelfError> {
        let touched = self.write("move a collection", |t| {
            t.execute(
                "UPDATE collections SET deleted_s = ?2 WHERE id = ?1",
                params![number, deleted_s],
            )
        })?;
        if touched == 0 {
            Err(ShelfError::NoCollection { number })
        } else {
            Ok(())
        }
    }
}

fn of(row: &Row) -> rusqlite::Result<Collection> {
    Ok(Collection {
        number: row.get(0)?,
        revision: row.get(1)?,
        name: row.get(2)?,
        note: row.get(3)?,
        members: Vec::new(),
        added_s: row.get(4)?,
        changed_s: row.get(5)?,
        deleted_s: row.get(6)?,
    })
}

fn by_number(c: &Connection, number: i64) -> rusqlite::Result<Option<Collection>> {
    let sql = format!("SELECT {COLUMNS} FROM collections WHERE id = ?1");
    c.prepare_cached(&sql)?.query_row([number], of).optional()
}

fn with_members(c: &Connection, mut collection: Collection) -> rusqlite::Result<Collection> {
    let mut query = c.prepare_cached(
        "SELECT c.kind, c.subject FROM members m JOIN cards c ON c.id = m.card
         WHERE m.collection = ?1 AND c.deleted_s IS NULL ORDER BY m.position, m.card",
    )?;
    let members = query.query_map([collection.number], |r| Ok(Key::of(r.get(0)?, r.get(1)?)))?;
    collection.members = members.collect::<rusqlite::Result<_>>()?;
    Ok(collection)
}

pub(crate) fn add(
    t: &Transaction,
    new: &Collection,
    added_s: i64,
    changed_s: i64,
) -> rusqlite::Result<i64> {
    t.execute(
        "INSERT INTO collections (revision, name, note, added_s, changed_s) VALUES (1, ?1, ?2, ?3, ?4)",
        params![new.name, new.note, added_s, changed_s],
    )?;
    let number = t.last_insert_rowid();
    set_members(t, number, &new.members)?;
    Ok(number)
}

/// Members in the bin, which the caller does not see, keep their place at the end.
pub(crate) fn set_members(t: &Transaction, number: i64, members: &[Key]) -> rusqlite::Result<()> {
    t.execute(
        "DELETE FROM members WHERE collection = ?1 AND card IN (SELECT id FROM cards WHERE deleted_s IS NULL)",
        [number],
    )?;
    t.execute("UPDATE members SET position = position + 1000000000 WHERE collection = ?1 AND position < 1000000000", [number])?;
    for (position, key) in members.iter().enumerate() {
        if let Some(row) = key.row(t)? {
            t.prepare_cached(
                "INSERT OR REPLACE INTO members (collection, card, position) VALUES (?1, ?2, ?3)",
            )?
            .execute(params![number, row, position as i64])?;
        }
    }
    Ok(())
}
