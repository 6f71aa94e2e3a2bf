//! Cards: what can be said of a tour, a recording or a mark without looking into it, and the
//! indexes by which it is found. Only what is not in the bin is indexed.

use planner::files::Fix;
use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};

use crate::pyramid::Line;
use crate::{Kind, TourId};

/// Key of anything on the shelf: a letter for its kind and a number, as in `t3`, `r17`, `m2`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Key {
    /// A tour.
    Tour(TourId),
    /// A recording.
    Recording(i64),
    /// A rider's mark.
    Mark(i64),
}

impl Key {
    /// Reads `r12`; `None` for anything else.
    pub fn parse(text: &str) -> Option<Self> {
        let number = |letter: char| {
            let digits = text.strip_prefix(letter)?;
            let plain = digits.bytes().all(|b| b.is_ascii_digit()) && !digits.starts_with('0');
            digits.parse::<i64>().ok().filter(|_| plain)
        };
        TourId::parse(text)
            .map(Key::Tour)
            .or_else(|| number('r').map(Key::Recording))
            .or_else(|| number('m').map(Key::Mark))
    }

    pub(crate) fn of(kind: i64, subject: i64) -> Self {
        match kind {
            0 => Key::Tour(TourId(subject)),
            1 => Key::Recording(subject),
            _ => Key::Mark(subject),
        }
    }

    /// Its row in the table of cards.
    pub(crate) fn row(self, connection: &Connection) -> rusqlite::Result<Option<i64>> {
        let (kind, subject) = match self {
            Key::Tour(id) => (0, id.0),
            Key::Recording(id) => (1, id),
            Key::Mark(id) => (2, id),
        };
        connection
            .prepare_cached("SELECT id FROM cards WHERE kind = ?1 AND subject = ?2")?
            .query_row([kind, subject], |r| r.get(0))
            .optional()
    }
}

impl std::fmt::Display for Key {
    fn fmt(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
        match self {
            Key::Tour(id) => write!(f, "{id}"),
            Key::Recording(id) => write!(f, "r{id}"),
            Key::Mark(id) => write!(f, "m{id}"),
        }
    }
}

/// A line of the list.
#[derive(Clone, Debug, PartialEq)]
pub struct Card {
    /// Its key.
    pub key: Key,
    /// Counts changes of it from 1.
    pub revision: u32,
    /// What the rider calls it.
    pub name: String,
    /// Free words.
    pub note: String,
    /// The rider's words for finding it, each once.
    pub tags: Vec<String>,
    /// How much the rider liked it, 1 to 5.
    pub rating: Option<u8>,
    /// Day it was ridden, or is to be, `YYYY-MM-DD`.
    pub date: Option<String>,
    /// Length.
    pub length_m: Option<f64>,
    /// Time in motion.
    pub riding_s: Option<f64>,
    /// Sum of climbs.
    pub climb_m: Option<f64>,
    /// Highest point.
    pub highest_m: Option<f64>,
    /// Highest pass that it crosses; empty for none known.
    pub pass: String,
    /// Height of that pass.
    pub pass_m: Option<f64>,
    /// Places on the way.
    pub places: Vec<String>,
    /// Regions that it lies in.
    pub regions: Vec<String>,
    /// Box around it: west, south, east, north, degrees; `None` for nothing on the map.
    pub bounds: Option<[f64; 4]>,
    /// When it came onto the shelf.
    pub added_s: i64,
    /// Last change.
    pub changed_s: i64,
    /// When it went into the bin, if it is there.
    pub deleted_s: Option<i64>,
}

/// Columns in the order that [`read`] takes them; `b` is the joined table of boxes.
pub(crate) const COLUMNS: &str = "c.kind, c.subject, c.revision, c.name, c.note, c.tags, c.rating, \
c.date, c.length_m, c.riding_s, c.climb_m, c.highest_m, c.pass, c.pass_m, c.places, c.regions, \
c.added_s, c.changed_s, c.deleted_s, b.west, b.south, b.east, b.north";

pub(crate) fn read(row: &Row) -> rusqlite::Result<Card> {
    let west: Option<f64> = row.get(19)?;
    let bounds = match west {
        Some(west) => Some([west, row.get(20)?, row.get(21)?, row.get(22)?]),
        None => None,
    };
    Ok(Card {
        key: Key::of(row.get(0)?, row.get(1)?),
        revision: row.get(2)?,
        name: row.get(3)?,
        note: row.get(4)?,
        tags: list_of(row.get(5)?),
        rating: row.get(6)?,
        date: row.get(7)?,
        length_m: row.get(8)?,
        riding_s: row.get(9)?,
        climb_m: row.get(10)?,
        highest_m: row.get(11)?,
        pass: row.get(12)?,
        pass_m: row.get(13)?,
        places: list_of(row.get(14)?),
        regions: list_of(row.get(15)?),
        added_s: row.get(16)?,
        changed_s: row.get(17)?,
        deleted_s: row.get(18)?,
        bounds,
    })
}

pub(crate) fn by_row(connection: &Connection, row: i64) -> rusqlite::Result<Option<Card>> {
    let sql =
        format!("SELECT {COLUMNS} FROM cards c LEFT JOIN boxes b ON b.card = c.id WHERE c.id = ?1");
    connection
        .prepare_cached(&sql)?
        .query_row([row], read)
        .optional()
}

/// Writes a card, new or changed, and finds it by what it says from now on; returns its row.
/// Recordings and marks without a number get that of their row. The card's `bounds` are those of
/// the line.
pub(crate) fn put(t: &Transaction, card: &Card, line: &Line) -> rusqlite::Result<i64> {
    let (kind, subject) = match card.key {
        Key::Tour(id) => (Kind::Tour, id.0),
        Key::Recording(id) => (Kind::Recording, id),
        Key::Mark(id) => (Kind::Mark, id),
    };
    let before = if subject == 0 { None } else { card.key.row(t)? };
    if let Some(row) = before {
        unindex(t, row)?;
    }
    let row: i64 = t
        .prepare_cached(
            "INSERT INTO cards (id, kind, subject, revision, name, note, tags, rating, date, length_m,
             riding_s, climb_m, highest_m, pass, pass_m, places, regions, line, added_s, changed_s,
             deleted_s)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18,
             ?19, ?20, ?21)
             ON CONFLICT (id) DO UPDATE SET revision = excluded.revision, name = excluded.name,
             note = excluded.note, tags = excluded.tags, rating = excluded.rating,
             date = excluded.date, length_m = excluded.length_m, riding_s = excluded.riding_s,
             climb_m = excluded.climb_m, highest_m = excluded.highest_m, pass = excluded.pass,
             pass_m = excluded.pass_m, places = excluded.places, regions = excluded.regions,
             line = excluded.line, changed_s = excluded.changed_s, deleted_s = excluded.deleted_s
             RETURNING id",
        )?
        .query_row(
            params![
                before,
                kind as i64,
                subject,
                card.revision,
                card.name,
                card.note,
                card.tags.join("\n"),
                card.rating,
                card.date,
                card.length_m,
                card.riding_s,
                card.climb_m,
                card.highest_m,
                card.pass,
                card.pass_m,
                card.places.join("\n"),
                card.regions.join("\n"),
                line.pack(),
                card.added_s,
                card.changed_s,
                card.deleted_s,
            ],
            |r| r.get(0),
        )?;
    if subject == 0 {
        t.prepare_cached("UPDATE cards SET subject = id WHERE id = ?1")?
            .execute([row])?;
    }
    if card.deleted_s.is_none() {
        index(t, row, card, line)?;
    }
    Ok(row)
}

fn index(t: &Transaction, row: i64, card: &Card, line: &Line) -> rusqlite::Result<()> {
    let places = [
        &card.places[..],
        &card.regions[..],
        std::slice::from_ref(&card.pass),
    ]
    .concat();
    t.prepare_cached(
        "INSERT INTO words (rowid, name, note, tags, places) VALUES (?1, ?2, ?3, ?4, ?5)",
    )?
    .execute(params![
        row,
        card.name,
        card.note,
        card.tags.join(" "),
        places.join(" ")
    ])?;
    if let Some([west, south, east, north]) = line.bounds() {
        t.prepare_cached(
            "INSERT INTO boxes (card, west, east, south, north) VALUES (?1, ?2, ?3, ?4, ?5)",
        )?
        .execute(params![row, west, east, south, north])?;
    }
    let mut insert =
        t.prepare_cached("INSERT INTO squares (square, card, piece) VALUES (?1, ?2, ?3)")?;
    for (square, piece) in line.squares() {
        insert.execute(params![square, row, piece])?;
    }
    beat(t)
}

/// Is no longer found.
pub(crate) fn unindex(t: &Transaction, row: i64) -> rusqlite::Result<()> {
    t.prepare_cached("DELETE FROM words WHERE rowid = ?1")?
        .execute([row])?;
    t.prepare_cached("DELETE FROM boxes WHERE card = ?1")?
        .execute([row])?;
    let line = line_of(t, row)?;
    let mut delete = t.prepare_cached("DELETE FROM squares WHERE square = ?1 AND card = ?2")?;
    for (square, _) in line.squares() {
        delete.execute([square, row])?;
    }
    beat(t)
}

fn beat(t: &Transaction) -> rusqlite::Result<()> {
    t.prepare_cached("UPDATE pulse SET n = n + 1")?
        .execute([])?;
    Ok(())
}

/// The line of a card.
pub(crate) fn line_of(connection: &Connection, row: i64) -> rusqlite::Result<Line> {
    let bytes: Option<Vec<u8>> = connection
        .prepare_cached("SELECT line FROM cards WHERE id = ?1")?
        .query_row([row], |r| r.get(0))
        .optional()?;
    Ok(bytes.and_then(|b| Line::unpack(&b)).unwrap_or_default())
}

/// Puts a card into the bin or back; what is where it should be stays.
pub(crate) fn set_deleted(
    t: &Transaction,
    row: i64,
    deleted_s: Option<i64>,
) -> rusqlite::Result<()> {
    let Some(card) = by_row(t, row)? else {
        return Ok(());
    };
    if card.deleted_s.is_some() == deleted_s.is_some() {
        return Ok(());
    }
    match deleted_s {
        Some(_) => unindex(t, row)?,
        None => index(t, row, &card, &line_of(t, row)?)?,
    }
    t.prepare_cached("UPDATE cards SET deleted_s = ?2 WHERE id = ?1")?
        .execute(params![row, deleted_s])?;
    Ok(())
}

/// The line of a recording.
pub(crate) fn line_of_runs(runs: &[Vec<Fix>]) -> Line {
    Line::of(runs.iter().map(|run| run.iter().map(Fix::point)))
}

pub(crate) fn list_of(text: String) -> Vec<String> {
    text.lines().map(str::to_owned).collect()
}

/// Words without blanks around them, each once whatever its case, none empty.
pub(crate) fn tidy(words: &[String]) -> Vec<String> {
    let mut seen = std::collections::HashSet::new();
    let words = words
        .iter()
        .map(|w| w.split_whitespace().collect::<Vec<_>>().join(" "));
    words
        .filter(|w| !w.is_empty() && seen.insert(w.to_lowercase()))
        .collect()
}
