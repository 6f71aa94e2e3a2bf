//! Recordings: what was really ridden, cleaned, with the file it came in kept beside it.

use planner::files::{Fix, Ride, Track};
use rusqlite::{Connection, OptionalExtension, Transaction, params};

use crate::card::{self, Card, Key};
use crate::cleaning::Recorded;
use crate::import::Seen;
use crate::likeness::Likeness;
use crate::packed;
use crate::{Shelf, ShelfError};

/// A recording as kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Recording {
    /// What can be said of it.
    pub card: Card,
    /// First and last time, Unix seconds, if it has times.
    pub clock_s: Option<(f64, f64)>,
    /// Points kept.
    pub points: u32,
    /// Points of the file that were left out, told on its first recording.
    pub left_out: u32,
    /// Name of the file it came in.
    pub file: String,
    /// Which recording of that file, from 1.
    pub part: u32,
}

/// A change of what the rider says of anything on the shelf; `None` leaves as it is.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Change {
    /// Name; not of tours, whose document has it.
    pub name: Option<String>,
    /// Free words; not of tours.
    pub note: Option<String>,
    /// Words for finding it.
    pub tags: Option<Vec<String>>,
    /// 1 to 5, 0 for none.
    pub rating: Option<u8>,
}

impl Shelf {
    /// A recording without its points; one in the bin too.
    pub fn recording(&self, key: Key) -> Result<Recording, ShelfError> {
        let found = self.read("read a recording", |c| {
            let Some(row) = key.row(c)? else {
                return Ok(None);
            };
            let Some(card) = card::by_row(c, row)? else {
                return Ok(None);
            };
            c.prepare_cached(
                "SELECT r.started_s, r.ended_s, r.points, r.left_out, f.name, r.part
                 FROM recordings r JOIN files f ON f.id = r.file WHERE r.card = ?1",
            )?
            .query_row([row], |r| {
                let (from, to): (Option<f64>, Option<f64>) = (r.get(0)?, r.get(1)?);
                Ok(Recording {
                    card,
                    clock_s: from.zip(to),
                    points: r.get(2)?,
                    left_out: r.get(3)?,
                    file: r.get(4)?,
                    part: r.get(5)?,
                })
            })
            .optional()
        })?;
        found.ok_or(ShelfError::Unknown { key })
    }

    /// The cleaned points of a recording; a new run begins where the recorder was off.
    pub fn runs(&self, key: Key) -> Result<Vec<Vec<Fix>>, ShelfError> {
        let bytes = self.read("read a recording", |c| match key.row(c)? {
            Some(row) => runs_of(c, row),
            None => Ok(None),
        })?;
        let bytes = bytes.ok_or(ShelfError::Unknown { key })?;
        packed::unpack(&bytes).ok_or(ShelfError::Spoilt { key })
    }

    /// A recording as a ride of one track, to be written in any format.
    pub fn ride(&self, key: Key) -> Result<Ride, ShelfError> {
        let card = self.card(key)?;
        Ok(Ride {
            name: card.name.clone(),
            text: card.note,
            tracks: vec![Track {
                name: card.name,
                segments: self.runs(key)?,
            }],
            ..Ride::default()
        })
    }

    /// The file that a recording came in, byte for byte, and its name.
    pub fn original(&self, key: Key) -> Result<(String, Vec<u8>), ShelfError> {
        let found = self.read("read a file", |c| {
            let Some(row) = key.row(c)? else {
                return Ok(None);
            };
            c.prepare_cached(
                "SELECT f.name, f.bytes, f.original FROM files f JOIN recordings r ON r.file = f.id
                 WHERE r.card = ?1",
            )?
            .query_row([row], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))
            .optional()
        })?;
        let (name, len, pressed): (String, u32, Vec<u8>) =
            found.ok_or(ShelfError::Unknown { key })?;
        let bytes = packed::unpress(&pressed, len as usize).ok_or(ShelfError::Spoilt { key })?;
        Ok((name, bytes))
    }

    /// Changes what the rider says of a tour, recording or mark, seen at `revision`; returns the
    /// new revision. [`ShelfError::Stale`] when somebody else changed it meanwhile. Tags and
    /// rating of a tour do not count as a change of its document.
    pub fn change(
        &self,
        key: Key,
        revision: u32,
        change: &Change,
        now_s: i64,
    ) -> Result<u32, ShelfError> {
        let outcome = self.write("change a card", |t| {
            let Some(row) = key.row(t)? else {
                return Ok(None);
            };
            let Some(before) = card::by_row(t, row)? else {
                return Ok(None);
            };
            let is_tour = matches!(key, Key::Tour(_));
            let mut card = before.clone();
            if !is_tour {
                card.name = change.name.clone().unwrap_or(card.name);
                card.note = change.note.clone().unwrap_or(card.note);
            }
            if let Some(tags) = &change.tags {
                card.tags = card::tidy(tags);
            }
            if let Some(rating) = change.rating {
                card.rating = (1..=5).contains(&rating).then_some(rating);
            }
            if card == before {
                return Ok(Some(Ok(before.revision)));
            }
            if before.revision != revision {
                return Ok(Some(Err(before.revision)));
            }
            if !is_tour {
                card.revision += 1;
                card.changed_s = now_s;
            }
            let line = card::line_of(t, row)?;
            card::put(t, &card, &line)?;
            Ok(Some(Ok(card.revision)))
        })?;
        match outcome {
            None => Err(ShelfError::Unknown { key }),
            Some(Err(revision)) => Err(ShelfError::Stale {
                what: key.to_string(),
                revision,
            }),
            Some(Ok(revision)) => Ok(revision),
        }
    }

    /// Puts a recording or mark into the bin, or, without a time, brings it back.
    pub fn set_deleted(&self, key: Key, deleted_s: Option<i64>) -> Result<(), ShelfError> {
        if let Key::Tour(id) = key {
            return match deleted_s {
                Some(now_s) => self.delete(id, now_s),
                None => self.restore(id),
            };
        }
        let known = self.write("move to or from the bin", |t| match key.row(t)? {
            Some(row) => card::set_deleted(t, row, deleted_s).map(|()| true),
            None => Ok(false),
        })?;
        if known {
            Ok(())
        } else {
            Err(ShelfError::Unknown { key })
        }
    }
}

pub(crate) fn runs_of(c: &Connection, row: i64) -> rusqlite::Result<Option<Vec<u8>>> {
    c.prepare_cached("SELECT runs FROM tracks WHERE card = ?1")?
        .query_row([row], |r| r.get(0))
        .optional()
}

/// A recording ready to be written.
pub(crate) struct Ready {
    pub recorded: Recorded,
    pub seen: Seen,
    pub likeness: Likeness,
    pub line: crate::pyramid::Line,
    pub runs: Vec<u8>,
}

/// The row of a recording on the shelf that is the same ride.
pub(crate) fn same_ride(t: &Transaction, ready: &Ready) -> rusqlite::Result<Option<i64>> {
    let Some([west, south, east, north]) = ready.line.bounds() else {
        return Ok(None);
    };
    // The boxes of one ride differ by what thinning cuts off its ends and corners.
    let e = 0.005 + 0.02 * (east - west).max(north - south);
    let mut query = t.prepare_cached(
        "SELECT r.card, r.likeness FROM boxes b JOIN recordings r ON r.card = b.card
         WHERE b.west BETWEEN ?1 - ?5 AND ?1 + ?5 AND b.south BETWEEN ?2 - ?5 AND ?2 + ?5
         AND b.east BETWEEN ?3 - ?5 AND ?3 + ?5 AND b.north BETWEEN ?4 - ?5 AND ?4 + ?5",
    )?;
    let mut rows = query.query(params![west, south, east, north, e])?;
    while let Some(row) = rows.next()? {
        let card: i64 = row.get(0)?;
        let blob = row.get_ref(1)?.as_blob().unwrap_or_default();
        let Some(likeness) = Likeness::unpack(blob) else {
            continue;
        };
        let lines = || {
            [
                ready.line.clone(),
                card::line_of(t, card).unwrap_or_default(),
            ]
        };
        if likeness.is_same_ride(&ready.likeness, lines) {
            return Ok(Some(card));
        }
    }
    Ok(None)
}

/// Writes a recording; returns its row.
pub(crate) fn add(
    t: &Transaction,
    file: i64,
    part: u32,
    ready: &Ready,
    name: &str,
    now_s: i64,
) -> rusqlite::Result<i64> {
    let facts = &ready.recorded.facts;
    let card = Card {
        key: Key::Recording(0),
        revision: 1,
        name: name.to_owned(),
        note: String::new(),
        tags: Vec::new(),
        rating: None,
        date: facts.date.clone(),
        length_m: Some(facts.length_m),
        riding_s: facts.riding_s,
        climb_m: facts.climb_m,
        highest_m: facts.highest_m,
        pass: ready.seen.pass.clone().map(|p| p.0).unwrap_or_default(),
        pass_m: ready.seen.pass.as_ref().and_then(|p| p.1),
        places: card::tidy(&ready.seen.places),
        regions: card::tidy(&ready.seen.regions),
        bounds: None,
        added_s: now_s,
        changed_s: now_s,
        deleted_s: None,
    };
    let row = card::put(t, &card, &ready.line)?;
    t.prepare_cached(
        "INSERT INTO recordings (card, file, part, started_s, ended_s, points, left_out, likeness)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
    )?
    .execute(params![
        row,
        file,
        part,
        facts.started_s,
        facts.ended_s,
        facts.points,
        ready.recorded.left_out,
        ready.likeness.pack()
    ])?;
    t.prepare_cached("INSERT INTO tracks (card, runs) VALUES (?1, ?2)")?
        .execute(params![row, ready.runs])?;
    Ok(row)
}
