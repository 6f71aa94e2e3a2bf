//! Tours: documents with revisions, a history and a bin.

use planner::document::{LegKind, Tour};
use planner::files::Fix;
use region::Point;
use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};

use crate::card::{self, Card, Key};
use crate::import::Seen;
use crate::pyramid::Line;
use crate::{Shelf, ShelfError};

/// Earlier documents kept per tour.
pub const HISTORY_LEN: u32 = 200;

/// Key of a tour: short, never used again, `t` and a number in text.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct TourId(pub(crate) i64);

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

/// What a plan says of a tour.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Planned {
    /// The line; a new run begins where it is interrupted.
    pub runs: Vec<Vec<Fix>>,
    /// Riding time.
    pub riding_s: f64,
    /// Sum of climbs, if heights are known.
    pub climb_m: Option<f64>,
    /// Highest point, if heights are known.
    pub highest_m: Option<f64>,
    /// What lies along.
    pub seen: Seen,
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
    /// All tours, those in the bin too, last changed first.
    pub fn list(&self) -> Result<Vec<Entry>, ShelfError> {
        self.read("list the tours", |connection| {
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
        })
    }

    /// Keeps a new tour.
    pub fn add(&self, tour: &Tour, length_m: Option<f64>, now_s: i64) -> Result<Kept, ShelfError> {
        let document = document_text(tour)?;
        let id = self.write("keep a new tour", |t| {
            insert(t, tour, &document, length_m, [now_s, now_s])
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
        let row = self.read("read a tour", |c| stored(c, id))?;
        row.ok_or(ShelfError::Unknown { key: Key::Tour(id) })?
            .into_kept()
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
            index(t, id, tour, next, length_m, [kept.created_s, now_s])?;
            if let Some(deleted_s) = kept.deleted_s {
                bin(t, id, Some(deleted_s))?;
            }
            Ok(Outcome::Saved(next))
        })?;
        match outcome {
            Outcome::Saved(revision) => Ok(revision),
            Outcome::Unknown => Err(ShelfError::Unknown { key: Key::Tour(id) }),
            Outcome::Stale(kept) => Err(ShelfError::Conflict {
                newer: Box::new(kept.into_kept()?),
            }),
        }
    }

    /// Earlier documents of a tour, newest first, at most [`HISTORY_LEN`].
    pub fn history(&self, id: TourId) -> Result<Vec<Earlier>, ShelfError> {
        let rows = self.read("read the history of a tour", |connection| {
            let mut query = connection.prepare_cached(
                "SELECT revision, saved_s, document FROM history WHERE tour = ?1
                 ORDER BY revision DESC",
            )?;
            let rows = query.query_map([id.0], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))?;
            rows.collect::<rusqlite::Result<Vec<(u32, i64, String)>>>()
        })?;
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

    /// Says where the line of a tour runs, once its document of that revision has been planned;
    /// until then it is found from point to point. `false` when there is a newer one.
    pub fn set_planned(
        &self,
        id: TourId,
        revision: u32,
        planned: &Planned,
    ) -> Result<bool, ShelfError> {
        self.write("keep the line of a tour", |t| {
            let Some(row) = Key::Tour(id).row(t)? else {
                return Ok(false);
            };
            let current = card::by_row(t, row)?.filter(|c| c.revision == revision);
            let Some(mut card) = current else {
                return Ok(false);
            };
            card.riding_s = Some(planned.riding_s);
            card.climb_m = planned.climb_m;
            card.highest_m = planned.highest_m;
            (card.pass, card.pass_m) = planned.seen.pass.clone().unwrap_or_default();
            card.places.extend(planned.seen.places.iter().cloned());
            card.places = card::tidy(&card.places);
            card::put(t, &card, &card::line_of_runs(&planned.runs))?;
            Ok(true)
        })
    }

    /// Puts a tour into the bin; one that is there stays.
    pub fn delete(&self, id: TourId, now_s: i64) -> Result<(), ShelfError> {
        let sql = "UPDATE tours SET deleted_s = coalesce(deleted_s, ?2) WHERE id = ?1";
        self.touch("delete a tour", id, sql, Some(now_s))
    }

    /// Brings a tour back from the bin.
    pub fn restore(&self, id: TourId) -> Result<(), ShelfError> {
        let sql = "UPDATE tours SET deleted_s = ?2 WHERE id = ?1";
        self.touch("restore a tour", id, sql, None)
    }

    /// Removes for good what went into the bin before a time; returns how many tours,
    /// recordings, marks and collections.
    pub fn purge(&self, before_s: i64) -> Result<usize, ShelfError> {
        self.write("empty the bin", |t| {
            let gone = t.execute("DELETE FROM cards WHERE deleted_s < ?1", [before_s])?
                + t.execute("DELETE FROM collections WHERE deleted_s < ?1", [before_s])?;
            t.execute("DELETE FROM tours WHERE deleted_s < ?1", [before_s])?;
            t.execute(
                "DELETE FROM files WHERE id NOT IN (SELECT file FROM recordings)",
                [],
            )?;
            Ok(gone)
        })
    }

    /// What the page wants remembered: JSON text, or `None` before the first call of
    /// [`Shelf::set_state`].
    pub fn state(&self) -> Result<Option<String>, ShelfError> {
        self.read("read the page's state", |connection| {
            connection
                .query_row("SELECT value FROM state WHERE name = 'page'", [], |r| {
                    r.get(0)
                })
                .optional()
        })
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
        deleted_s: Option<i64>,
    ) -> Result<(), ShelfError> {
        let touched = self.write(doing, |t| {
            let touched = t.execute(sql, params![id.0, deleted_s])?;
            bin(t, id, deleted_s)?;
            Ok(touched)
        })?;
        match touched {
            0 => Err(ShelfError::Unknown { key: Key::Tour(id) }),
            _ => Ok(()),
        }
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

pub(crate) fn document_text(tour: &Tour) -> Result<String, ShelfError> {
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

/// Writes a new tour and its card.
pub(crate) fn insert(
    t: &Transaction,
    tour: &Tour,
    document: &str,
    length_m: Option<f64>,
    [added_s, changed_s]: [i64; 2],
) -> rusqlite::Result<TourId> {
    t.prepare_cached(
        "INSERT INTO tours (revision, name, region, days, length_m, document, created_s, changed_s)
         VALUES (1, ?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    )?
    .execute(params![
        tour.name,
        tour.region,
        days(tour),
        length_m,
        document,
        added_s,
        changed_s
    ])?;
    let id = TourId(t.last_insert_rowid());
    index(t, id, tour, 1, length_m, [added_s, changed_s])?;
    Ok(id)
}

/// Writes the card of a tour. Where its line runs is known roughly: from point to point.
fn index(
    t: &Transaction,
    id: TourId,
    tour: &Tour,
    revision: u32,
    length_m: Option<f64>,
    [added_s, changed_s]: [i64; 2],
) -> rusqlite::Result<()> {
    let mut line = Vec::new();
    for (n, point) in tour.points.iter().enumerate() {
        if n > 0 && point.leg == LegKind::Free {
            line.extend(point.drawn.iter().copied());
        }
        line.push([point.lat, point.lon]);
    }
    let points = line.iter().filter_map(|p| Point::from_degrees(p[0], p[1]));
    let line = Line::of([points]);
    let names: Vec<String> = tour.points.iter().map(|p| p.name.clone()).collect();
    let date = tour.depart.as_deref().and_then(|d| d.get(..10));
    let key = Key::Tour(id);
    let tags = match key.row(t)? {
        Some(row) => card::by_row(t, row)?.map(|c| (c.tags, c.rating)),
        None => None,
    };
    let (tags, rating) = tags.unwrap_or_default();
    let card = Card {
        key,
        revision,
        name: tour.name.clone(),
        note: tour.note.clone(),
        tags,
        rating,
        date: date.map(str::to_owned),
        length_m,
        riding_s: None,
        climb_m: None,
        highest_m: None,
        pass: String::new(),
        pass_m: None,
        places: card::tidy(&names),
        regions: vec![tour.region.clone()],
        bounds: None,
        added_s,
        changed_s,
        deleted_s: None,
    };
    card::put(t, &card, &line)?;
    Ok(())
}

fn bin(t: &Transaction, id: TourId, deleted_s: Option<i64>) -> rusqlite::Result<()> {
    match Key::Tour(id).row(t)? {
        Some(row) => card::set_deleted(t, row, deleted_s),
        None => Ok(()),
    }
}

/// Writes the cards of all tours, for a store from before there were cards. A document that
/// cannot be read keeps its name.
pub(crate) fn index_all(t: &Transaction) -> rusqlite::Result<()> {
    let mut query = t.prepare(
        "SELECT id, revision, document, length_m, created_s, changed_s, deleted_s FROM tours",
    )?;
    let all: Vec<Stored> = query
        .query_map([], Stored::of)?
        .collect::<rusqlite::Result<_>>()?;
    for stored in all {
        let Ok(tour) = document_of(stored.id, &stored.document) else {
            continue;
        };
        let times = [stored.created_s, stored.changed_s];
        index(t, stored.id, &tour, stored.revision, stored.length_m, times)?;
        bin(t, stored.id, stored.deleted_s)?;
    }
    Ok(())
}
