//! Asking the shelf: which cards, and what of them lies in a map tile.

use std::collections::{HashMap, HashSet};

use rusqlite::types::Value;
use rusqlite::{Connection, params_from_iter};

use crate::card::{self, Card, Key};
use crate::pyramid::{Cover, Line, Window};
use crate::{Filter, Shelf, ShelfError};

/// How far a line may lie from another and still run along it, metres.
const ALONG_M: f64 = 60.0;
/// Lines that are compared point by point.
const MAX_COMPARED: usize = 60;
/// Places of the line asked for that are compared.
const SAMPLES: usize = 80;

/// A question to the shelf.
#[derive(Clone, Debug, Default)]
pub struct Question {
    /// What must hold.
    pub filter: Filter,
    /// A line that what is found runs along, the more the better; orders the answers.
    pub like: Option<Line>,
    /// Cards to pass over.
    pub offset: usize,
    /// Most cards in the answer.
    pub limit: usize,
}

/// An answer of the shelf.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// How many there are in all.
    pub total: usize,
    /// The first of them: by likeness if a line was given, then those that have the words in
    /// their name, then by date.
    pub cards: Vec<Card>,
    /// For each card the share of the question's line that it runs along, if there was one.
    pub alike: Vec<f64>,
    /// Box around the cards given.
    pub bounds: Option<[f64; 4]>,
}

impl Shelf {
    /// Answers a question.
    pub fn search(&self, question: &Question) -> Result<Found, ShelfError> {
        self.read("search the shelf", |c| {
            let mut rows = matching(c, &question.filter)?;
            let mut shares = HashMap::new();
            if let Some(line) = &question.like {
                shares = alike(c, line, &rows)?;
                rows.retain(|r| shares.contains_key(r));
                rows.sort_by(|a, b| shares[b].total_cmp(&shares[a]));
            }
            let mut found = Found {
                total: rows.len(),
                cards: Vec::new(),
                alike: Vec::new(),
                bounds: None,
            };
            for row in rows.iter().skip(question.offset).take(question.limit) {
                if let Some(card) = card::by_row(c, *row)? {
                    found.bounds = around(found.bounds, card.bounds);
                    found.cards.push(card);
                    found.alike.extend(shares.get(row));
                }
            }
            Ok(found)
        })
    }

    /// The rows that a filter lets through, for [`Shelf::strokes`].
    pub fn rows(&self, filter: &Filter) -> Result<HashSet<i64>, ShelfError> {
        self.read("search the shelf", |c| {
            Ok(matching(c, filter)?.into_iter().collect())
        })
    }

    /// What lies in a map tile, lines in tile units of 4096 a side: tours, then recordings. A
    /// place that several pass is drawn once. `only` are the rows to draw; all without it. Zoom at
    /// most 20, column and row in the world.
    pub fn strokes(
        &self,
        z: u8,
        x: u32,
        y: u32,
        only: Option<&HashSet<i64>>,
    ) -> Result<[Vec<Vec<[i32; 2]>>; 2], ShelfError> {
        self.read("draw the shelf", |c| {
            let mut windows = [Window::of(z, x, y), Window::of(z, x, y)];
            let mut drawn = [Vec::new(), Vec::new()];
            let tours: HashSet<i64> = c
                .prepare_cached("SELECT id FROM cards WHERE kind = 0 AND deleted_s IS NULL")?
                .query_map([], |r| r.get(0))?
                .collect::<rusqlite::Result<_>>()?;
            let ranges = windows[0].ranges.clone();
            let mut query = c.prepare_cached(
                "SELECT square, card, piece FROM squares WHERE square BETWEEN ?1 AND ?2",
            )?;
            for (from, to) in ranges {
                let mut rows = query.query([from, to])?;
                while let Some(row) = rows.next()? {
                    let card: i64 = row.get(1)?;
                    if only.is_some_and(|only| !only.contains(&card)) {
                        continue;
                    }
                    let which = usize::from(!tours.contains(&card));
                    let piece = row.get_ref(2)?.as_blob().unwrap_or_default();
                    windows[which].add(row.get(0)?, piece, &mut drawn[which]);
                }
            }
            Ok(drawn)
        })
    }

    /// A card by its key.
    pub fn card(&self, key: Key) -> Result<Card, ShelfError> {
        let card = self.read("read a card", |c| match key.row(c)? {
            Some(row) => card::by_row(c, row),
            None => Ok(None),
        })?;
        card.ok_or(ShelfError::Unknown { key })
    }

    /// The simplified line of anything with a card; empty for what has none.
    pub fn line(&self, key: Key) -> Result<Line, ShelfError> {
        let line = self.read("read a line", |c| match key.row(c)? {
            Some(row) => card::line_of(c, row).map(Some),
            None => Ok(None),
        })?;
        line.ok_or(ShelfError::Unknown { key })
    }
}

/// Rows of all cards that a filter lets through, best first.
fn matching(c: &Connection, filter: &Filter) -> rusqlite::Result<Vec<i64>> {
    let mut sql = String::from("SELECT c.id FROM cards c");
    let mut values: Vec<Value> = Vec::new();
    sql.push_str(match filter.in_bin {
        true => " WHERE c.deleted_s IS NOT NULL",
        false => " WHERE c.deleted_s IS NULL",
    });
    let mut add = |condition: &str, value: Value| {
        sql.push_str(" AND ");
        sql.push_str(condition);
        values.push(value);
    };
    if !filter.words.is_empty() {
        let matches = "c.id IN (SELECT rowid FROM words WHERE words MATCH ?)";
        add(matches, Value::Text(filter.words.clone()));
    }
    if let Some(kind) = filter.kind {
        add("c.kind = ?", Value::Integer(kind as i64));
    }
    if let Some(from) = &filter.date.0 {
        add("c.date >= ?", Value::Text(from.clone()));
    }
    if let Some(to) = &filter.date.1 {
        add("c.date <= ?", Value::Text(to.clone()));
    }
    for (column, (from, to)) in &filter.numbers {
        for (sign, bound) in [(">=", from), ("<=", to)] {
            if let Some(bound) = bound {
                add(&format!("c.{column} {sign} ?"), Value::Real(*bound));
            }
        }
    }
    for region in &filter.regions {
        add(
            "instr(char(10) || lower(c.regions) || char(10), char(10) || lower(?) || char(10)) > 0",
            Value::Text(region.clone()),
        );
    }
    sql.push_str(" ORDER BY ");
    if !filter.words.is_empty() {
        // Weighing ten thousand matches word by word would take longer than a keystroke.
        sql.push_str("c.id IN (SELECT rowid FROM words WHERE words MATCH ?) DESC, ");
        values.push(Value::Text(format!("name : ({})", filter.words)));
    }
    sql.push_str("c.date IS NULL, c.date DESC, c.changed_s DESC, c.id DESC");
    let mut query = c.prepare_cached(&sql)?;
    let rows = query.query_map(params_from_iter(values), |r| r.get(0))?;
    let mut rows: Vec<i64> = rows.collect::<rusqlite::Result<_>>()?;
    for view in &filter.views {
        let Some(cover) = Cover::of(*view) else {
            return Ok(Vec::new());
        };
        let mut inside: HashSet<i64> = HashSet::new();
        let mut query = c.prepare_cached(
            "SELECT square, card, piece FROM squares WHERE square BETWEEN ?1 AND ?2",
        )?;
        for (from, to) in &cover.ranges {
            let mut pieces = query.query([from, to])?;
            while let Some(row) = pieces.next()? {
                let card: i64 = row.get(1)?;
                if !inside.contains(&card)
                    && cover.meets(row.get(0)?, row.get_ref(2)?.as_blob().unwrap_or_default())
                {
                    inside.insert(card);
                }
            }
        }
        rows.retain(|r| inside.contains(r));
    }
    Ok(rows)
}

/// For each of the rows that shares ground with a line, the share of the line that it runs along,
/// 0 to 1. Those that share most squares are compared point by point.
fn alike(c: &Connection, line: &Line, among: &[i64]) -> rusqlite::Result<HashMap<i64, f64>> {
    let among: HashSet<i64> = among.iter().copied().collect();
    let mut shared: HashMap<i64, usize> = HashMap::new();
    let mut query = c.prepare_cached("SELECT card FROM squares WHERE square = ?1")?;
    for square in line.finest() {
        let mut rows = query.query([square])?;
        while let Some(row) = rows.next()? {
            let card: i64 = row.get(0)?;
            if among.contains(&card) {
                *shared.entry(card).or_default() += 1;
            }
        }
    }
    let mut best: Vec<(i64, usize)> = shared.into_iter().collect();
    best.sort_by_key(|&(row, n)| (std::cmp::Reverse(n), row));
    best.truncate(MAX_COMPARED);
    let asked = line.sampled(SAMPLES);
    let mut out = HashMap::new();
    for (row, _) in best {
        let other = card::line_of(c, row)?;
        let along = asked
            .iter()
            .filter(|p| other.passes_near(**p, ALONG_M))
            .count();
        if along > 0 {
            out.insert(row, along as f64 / asked.len().max(1) as f64);
        }
    }
    Ok(out)
}

fn around(a: Option<[f64; 4]>, b: Option<[f64; 4]>) -> Option<[f64; 4]> {
    match (a, b) {
        (Some(a), Some(b)) => Some([
            a[0].min(b[0]),
            a[1].min(b[1]),
            a[2].max(b[2]),
            a[3].max(b[3]),
        ]),
        (a, b) => a.or(b),
    }
}
