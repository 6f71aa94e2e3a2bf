//! The rider's own marks: a place or a stretch of road, rated, noted, photographed.

use std::io::Cursor;

use exif::{Context, In, Rational, Tag, Value};
use region::Point;
use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};
use thiserror::Error;

use crate::card::{self, COLUMNS, Card, Key};
use crate::pyramid::Line;
use crate::{Shelf, ShelfError};

/// Largest picture, bytes.
pub const MAX_PHOTO_BYTES: usize = 32_000_000;
/// Most points of a marked road.
const MAX_ROAD: usize = 20_000;

/// A mark as kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// Name, note, tags, rating, revision.
    pub card: Card,
    /// Where: `[lat, lon]` in degrees; of a road a point on it.
    pub at: [f64; 2],
    /// Points of the road, if it is one.
    pub road: Vec<[f64; 2]>,
    /// Media type of its picture, if it has one.
    pub photo: Option<String>,
    /// When the picture was taken, local, `YYYY-MM-DDTHH:MM:SS`, if it says.
    pub taken: Option<String>,
}

/// A mark to be kept.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct NewMark {
    /// What the rider calls it.
    pub name: String,
    /// Free words.
    pub note: String,
    /// Words for finding it.
    pub tags: Vec<String>,
    /// 1 to 5.
    pub rating: Option<u8>,
    /// `[lat, lon]` in degrees.
    pub at: [f64; 2],
    /// Points of the road; none for a place.
    pub road: Vec<[f64; 2]>,
}

/// What a picture says of itself.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Photo {
    /// Media type.
    pub kind: &'static str,
    /// `[lat, lon]` in degrees, if it says.
    pub at: Option<[f64; 2]>,
    /// Local time, `YYYY-MM-DDTHH:MM:SS`, if it says.
    pub taken: Option<String>,
}

/// Why a mark was not kept.
#[derive(Debug, Error)]
pub enum MarkError {
    /// Coordinates that are none.
    #[error("the mark lies nowhere on the globe: {lat}, {lon}")]
    Nowhere {
        /// Degrees north, as given.
        lat: f64,
        /// Degrees east, as given.
        lon: f64,
    },
    /// Too many points.
    #[error("the road has {points} points, more than the {MAX_ROAD} that a mark may have")]
    LongRoad {
        /// As given.
        points: usize,
    },
    /// No picture.
    #[error("this is no picture that is kept: JPEG, PNG and WebP are, up to {} MB", MAX_PHOTO_BYTES / 1_000_000)]
    NoPicture,
    /// A picture that does not say where.
    #[error("the picture does not say where it was taken; choose the place on the map")]
    NoPosition,
    /// The store.
    #[error(transparent)]
    Shelf(#[from] ShelfError),
}

impl Photo {
    /// Looks into a picture: its kind by its first bytes, place and time by its Exif data (Exif
    /// 3.0, CIPA DC-008). Damaged Exif data counts as none.
    pub fn look(bytes: &[u8]) -> Result<Self, MarkError> {
        let kind = match bytes {
            _ if bytes.len() > MAX_PHOTO_BYTES => return Err(MarkError::NoPicture),
            [0xff, 0xd8, 0xff, ..] => "image/jpeg",
            [0x89, b'P', b'N', b'G', 0x0d, 0x0a, 0x1a, 0x0a, ..] => "image/png",
            [
                b'R',
                b'I',
                b'F',
                b'F',
                _,
                _,
                _,
                _,
                b'W',
                b'E',
                b'B',
                b'P',
                ..,
            ] => "image/webp",
            _ => return Err(MarkError::NoPicture),
        };
        let mut photo = Photo {
            kind,
            ..Photo::default()
        };
        let Ok(exif) = exif::Reader::new().read_from_container(&mut Cursor::new(bytes)) else {
            return Ok(photo);
        };
        let field = |tag| exif.get_field(tag, In::PRIMARY).map(|f| &f.value);
        let angle = |tag, reference, negative: u8| {
            let Some(Value::Rational(parts)) = field(tag) else {
                return None;
            };
            let sign = match field(reference) {
                Some(Value::Ascii(text))
                    if text.first().and_then(|t| t.first()) == Some(&negative) =>
                {
                    -1.0
                }
                Some(Value::Ascii(_)) => 1.0,
                _ => return None,
            };
            let [d, m, s] = parts.as_slice() else {
                return None;
            };
            let degrees = number(d)? + number(m)? / 60.0 + number(s)? / 3600.0;
            Some(degrees * sign)
        };
        let lat = angle(Tag::GPSLatitude, Tag::GPSLatitudeRef, b'S');
        let lon = angle(Tag::GPSLongitude, Tag::GPSLongitudeRef, b'W');
        // Cameras without a fix write 0, 0.
        photo.at = lat
            .zip(lon)
            .filter(|&(lat, lon)| {
                Point::from_degrees(lat, lon).is_some() && (lat, lon) != (0.0, 0.0)
            })
            .map(|(lat, lon)| [lat, lon]);
        if let Some(Value::Ascii(text)) = field(Tag(Context::Exif, 0x9003)) {
            photo.taken = text
                .first()
                .and_then(|t| exif::DateTime::from_ascii(t).ok())
                .map(|t| {
                    format!(
                        "{:04}-{:02}-{:02}T{:02}:{:02}:{:02}",
                        t.year, t.month, t.day, t.hour, t.minute, t.second
                    )
                });
        }
        Ok(photo)
    }
}

fn number(r: &Rational) -> Option<f64> {
    (r.denom != 0).then(|| f64::from(r.num) / f64::from(r.denom))
}

impl Shelf {
    /// Keeps a new mark, with its picture if it has one.
    pub fn add_mark(
        &self,
        new: &NewMark,
        picture: Option<&[u8]>,
        now_s: i64,
    ) -> Result<Key, MarkError> {
        let photo = picture.map(Photo::look).transpose()?;
        let line = line(new)?;
        let photo = photo
            .as_ref()
            .zip(picture)
            .map(|(p, bytes)| (p.kind, p.taken.as_deref(), bytes));
        Ok(self.write("keep a mark", |t| add(t, new, &line, photo, [now_s, now_s]))?)
    }

    /// Moves a mark that was seen at `revision`; returns the new revision.
    pub fn move_mark(
        &self,
        key: Key,
        revision: u32,
        at: [f64; 2],
        road: &[[f64; 2]],
        now_s: i64,
    ) -> Result<u32, MarkError> {
        let new = NewMark {
            at,
            road: road.to_vec(),
            ..NewMark::default()
        };
        let line = line(&new)?;
        let outcome = self.write("move a mark", |t| {
            let Some(row) = key.row(t)? else {
                return Ok(None);
            };
            let Some(mut card) = card::by_row(t, row)?.filter(|_| matches!(key, Key::Mark(_)))
            else {
                return Ok(None);
            };
            if card.revision != revision {
                return Ok(Some(Err(card.revision)));
            }
            card.revision += 1;
            card.changed_s = now_s;
            card::put(t, &card, &line)?;
            t.execute(
                "UPDATE marks SET lat = ?2, lon = ?3, road = ?4 WHERE card = ?1",
                params![row, at[0], at[1], text_of(road)],
            )?;
            Ok(Some(Ok(card.revision)))
        })?;
        match outcome {
            None => Err(ShelfError::Unknown { key }.into()),
            Some(Err(revision)) => Err(ShelfError::Stale {
                what: key.to_string(),
                revision,
            }
            .into()),
            Some(Ok(revision)) => Ok(revision),
        }
    }

    /// All marks that are not in the bin.
    pub fn marks(&self) -> Result<Vec<Mark>, ShelfError> {
        self.read("list the marks", |c| {
            let mut query = c.prepare_cached(&select("c.deleted_s IS NULL"))?;
            let marks = query.query_map([], of)?;
            marks.collect()
        })
    }

    /// One mark; one in the bin too.
    pub fn mark(&self, key: Key) -> Result<Mark, ShelfError> {
        let found = self.read("read a mark", |c| match key.row(c)? {
            Some(row) => by_row(c, row),
            None => Ok(None),
        })?;
        found.ok_or(ShelfError::Unknown { key })
    }

    /// Media type and bytes of a mark's picture.
    pub fn photo(&self, key: Key) -> Result<(String, Vec<u8>), ShelfError> {
        let found = self.read("read a picture", |c| match key.row(c)? {
            Some(row) => photo_of(c, row),
            None => Ok(None),
        })?;
        found.ok_or(ShelfError::Unknown { key })
    }
}

/// The line of a mark that makes sense.
pub(crate) fn line(new: &NewMark) -> Result<Line, MarkError> {
    if new.road.len() > MAX_ROAD {
        return Err(MarkError::LongRoad {
            points: new.road.len(),
        });
    }
    let point = |p: &[f64; 2]| {
        Point::from_degrees(p[0], p[1]).ok_or(MarkError::Nowhere {
            lat: p[0],
            lon: p[1],
        })
    };
    let at = point(&new.at)?;
    let road = new.road.iter().map(point).collect::<Result<Vec<_>, _>>()?;
    Ok(Line::of([if road.is_empty() { vec![at] } else { road }]))
}

pub(crate) fn add(
    t: &Transaction,
    new: &NewMark,
    line: &Line,
    photo: Option<(&str, Option<&str>, &[u8])>,
    [added_s, changed_s]: [i64; 2],
) -> rusqlite::Result<Key> {
    let card = Card {
        key: Key::Mark(0),
        revision: 1,
        name: new.name.clone(),
        note: new.note.clone(),
        tags: card::tidy(&new.tags),
        rating: new.rating.filter(|r| (1..=5).contains(r)),
        date: photo.and_then(|(_, taken, _)| taken?.get(..10).map(str::to_owned)),
        length_m: None,
        riding_s: None,
        climb_m: None,
        highest_m: None,
        pass: String::new(),
        pass_m: None,
        places: Vec::new(),
        regions: Vec::new(),
        bounds: None,
        added_s,
        changed_s,
        deleted_s: None,
    };
    let row = card::put(t, &card, line)?;
    t.execute(
        "INSERT INTO marks (card, lat, lon, road) VALUES (?1, ?2, ?3, ?4)",
        params![row, new.at[0], new.at[1], text_of(&new.road)],
    )?;
    if let Some((kind, taken, bytes)) = photo {
        t.execute(
            "INSERT INTO photos (card, kind, taken, bytes) VALUES (?1, ?2, ?3, ?4)",
            params![row, kind, taken, bytes],
        )?;
    }
    Ok(Key::Mark(row))
}

pub(crate) fn by_row(c: &Connection, row: i64) -> rusqlite::Result<Option<Mark>> {
    c.prepare_cached(&select("c.id = ?1"))?
        .query_row([row], of)
        .optional()
}

pub(crate) fn photo_of(c: &Connection, row: i64) -> rusqlite::Result<Option<(String, Vec<u8>)>> {
    c.prepare_cached("SELECT kind, bytes FROM photos WHERE card = ?1")?
        .query_row([row], |r| Ok((r.get(0)?, r.get(1)?)))
        .optional()
}

fn select(condition: &str) -> String {
    format!(
        "SELECT {COLUMNS}, m.lat, m.lon, m.road, p.kind, p.taken FROM cards c
         JOIN marks m ON m.card = c.id LEFT JOIN photos p ON p.card = c.id
         LEFT JOIN boxes b ON b.card = c.id WHERE {condition} ORDER BY c.id"
    )
}

fn of(row: &Row) -> rusqlite::Result<Mark> {
    let road: String = row.get(25)?;
    Ok(Mark {
        card: card::read(row)?,
        at: [row.get(23)?, row.get(24)?],
        road: serde_json::from_str(&road).unwrap_or_default(),
        photo: row.get(26)?,
        taken: row.get(27)?,
    })
}

fn text_of(road: &[[f64; 2]]) -> String {
    serde_json::to_string(road).unwrap_or_else(|_| "[]".into())
}
