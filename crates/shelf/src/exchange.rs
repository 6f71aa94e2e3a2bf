//! A shelf, or a part of it, as one zip of open formats, and back again without loss: tours as
//! documents and as GPX, recordings as the files they came in, marks as GeoJSON with their
//! pictures, a page to look at, and `index.json`, which says what the rider said of each.

use std::collections::{BTreeMap, HashMap};
use std::io::{BufReader, Read, Seek, Write};
use std::path::Path;

use planner::document::{LegKind, PointKind, Tour};
use planner::files::{self, Fix, MAX_BYTES, Ride, Route, Track, Waypoint};
use rusqlite::{Connection, OptionalExtension, Transaction, params};
use serde::{Deserialize, Serialize};
use thiserror::Error;
use xxhash_rust::xxh3::xxh3_128;
use zip::write::SimpleFileOptions;
use zip::{ZipArchive, ZipWriter};

use crate::card::{self, Card, Key};
use crate::collections::{self, Collection};
use crate::import::{add_file, ready};
use crate::marks::{self, NewMark, Photo};
use crate::packed::{press, unpress};
use crate::sources::{open, plain};
use crate::tours::{self, TourId};
use crate::{Shelf, ShelfError};

/// Version tag of the layout.
const FORMAT: &str = "lacet-shelf-1";
const INDEX: &str = "index.json";
/// Largest index that is read, bytes.
const MAX_INDEX: u64 = 64_000_000;
/// Files written in one transaction.
const BATCH: usize = 32;
const CAUTIONS: &str = "Planning aid only. Signs, closures and local law come first; map data may be wrong or old. \
Check that off-road tracks are open to motor vehicles. Ride within your ability, rest, and watch weather and light.";

/// What is exported.
#[derive(Clone, Debug, PartialEq)]
pub enum Selection {
    /// Everything that is not in the bin.
    All,
    /// These.
    Keys(Vec<Key>),
    /// A collection with its members.
    Collection(i64),
}

/// What came of an exported zip.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Brought {
    /// Tours that are new here.
    pub tours: usize,
    /// Recordings that are new here.
    pub recordings: usize,
    /// Marks that are new here.
    pub marks: usize,
    /// Collections that are new here or have more members now.
    pub collections: usize,
    /// What was here already, and stays as it is here.
    pub known: usize,
    /// Everything new.
    pub keys: Vec<Key>,
}

impl Brought {
    /// Whether anything is new.
    pub fn is_new(&self) -> bool {
        self.tours + self.recordings + self.marks + self.collections > 0
    }
}

/// Why a zip was not written or read.
#[derive(Debug, Error)]
pub enum ExchangeError {
    /// The zip cannot be written.
    #[error("cannot write the zip: {reason}; look for room and rights there")]
    Write {
        /// What the system said.
        reason: String,
    },
    /// The zip is not one of ours, or damaged. What was read before this place is on the shelf.
    #[error("{zip}: {reason}")]
    Read {
        /// The file.
        zip: String,
        /// What is wrong.
        reason: String,
    },
    /// The store.
    #[error(transparent)]
    Shelf(#[from] ShelfError),
}

#[derive(Debug, Default, Serialize, Deserialize)]
struct Index {
    format: String,
    #[serde(default)]
    tours: Vec<TourLine>,
    #[serde(default)]
    recordings: Vec<FileLine>,
    #[serde(default)]
    marks: Vec<MarkLine>,
    #[serde(default)]
    collections: Vec<CollectionLine>,
}

/// What the rider says of a thing.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct Said {
    name: String,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    note: String,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    tags: Vec<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    rating: Option<u8>,
    added_s: i64,
    changed_s: i64,
}

#[derive(Debug, Serialize, Deserialize)]
struct TourLine {
    /// The document in the zip.
    file: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    length_m: Option<f64>,
    #[serde(flatten)]
    said: Said,
}

#[derive(Debug, Serialize, Deserialize)]
struct FileLine {
    /// The file in the zip.
    file: String,
    /// What it was called.
    name: String,
    added_s: i64,
    parts: Vec<PartLine>,
}

#[derive(Debug, Serialize, Deserialize)]
struct PartLine {
    part: u32,
    #[serde(flatten)]
    said: Said,
}

#[derive(Debug, Serialize, Deserialize)]
struct MarkLine {
    lat: f64,
    lon: f64,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    road: Vec<[f64; 2]>,
    /// The picture in the zip.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    photo: Option<String>,
    #[serde(flatten)]
    said: Said,
}

#[derive(Debug, Serialize, Deserialize)]
struct CollectionLine {
    name: String,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    note: String,
    added_s: i64,
    changed_s: i64,
    /// `tours/N`, `recordings/N/PART`, `marks/N`: the Nth line of each list, from 1.
    members: Vec<String>,
}

/// A failure within a read of the store.
enum Broken {
    Sql(rusqlite::Error),
    Write(String),
    Spoilt(Key),
}

impl From<rusqlite::Error> for Broken {
    fn from(e: rusqlite::Error) -> Self {
        Broken::Sql(e)
    }
}

impl From<zip::result::ZipError> for Broken {
    fn from(e: zip::result::ZipError) -> Self {
        Broken::Write(e.to_string())
    }
}

impl From<std::io::Error> for Broken {
    fn from(e: std::io::Error) -> Self {
        Broken::Write(plain(&e))
    }
}

impl Shelf {
    /// Writes a selection of one state of the shelf as a zip. Equal content gives equal bytes.
    pub fn export(
        &self,
        selection: &Selection,
        out: impl Write + Seek,
    ) -> Result<(), ExchangeError> {
        if let Selection::Collection(number) = selection {
            self.collection(*number)?;
        }
        if let Selection::Keys(keys) = selection {
            for key in keys {
                self.card(*key)?;
            }
        }

        self.read("export the shelf", |c| match write(c, selection, out) {
            Ok(()) => Ok(Ok(())),
            Err(Broken::Sql(e)) => Err(e),
            Err(Broken::Write(reason)) => Ok(Err(ExchangeError::Write { reason })),
            Err(Broken::Spoilt(key)) => Ok(Err(ShelfError::Spoilt { key }.into())),
        })?
    }

    /// Brings in what an export wrote. What is here already stays as it is; nothing is replaced.
    pub fn bring(&self, path: &Path, now_s: i64) -> Result<Brought, ExchangeError> {
        let shown = path.display().to_string();
        let failed = |reason: String| ExchangeError::Read {
            zip: shown.clone(),
            reason,
        };
        let mut zip = open(path).map_err(&failed)?;
        let index = entry(&mut zip, INDEX, MAX_INDEX).map_err(&failed)?;
        let index: Index = serde_json::from_slice(&index)
            .map_err(|e| failed(format!("its {INDEX} is not understood: {e}")))?;
        if index.format != FORMAT {
            return Err(failed(
                "it was written by a newer Lacet; use that one".into(),
            ));
        }
        let mut brought = Brought::default();
        // Member names of collections to what they are here.
        let mut here: HashMap<String, Key> = HashMap::new();
        self.bring_tours(&mut zip, &index.tours, &mut brought, &mut here, &failed)?;
        for (at, lines) in index.recordings.chunks(BATCH).enumerate() {
            let mut batch = Vec::new();
            for line in lines {
                let bytes = entry(&mut zip, &line.file, MAX_BYTES as u64).map_err(&failed)?;
                let rides = ready(&line.name, &bytes, &()).map_err(&failed)?;
                batch.push((
                    xxh3_128(&bytes).to_be_bytes(),
                    bytes.len(),
                    press(&bytes),
                    rides,
                ));
            }
            let keys = self.write("keep recordings", |t| {
                let mut keys = Vec::new();
                for (line, (hash, len, original, rides)) in lines.iter().zip(&batch) {
                    let wanted: Vec<u32> = line.parts.iter().map(|p| p.part).collect();
                    let added = add_file(
                        t,
                        hash,
                        *len,
                        original,
                        &line.name,
                        rides,
                        Some(&wanted),
                        line.added_s,
                    )?;
                    for part in &line.parts {
                        let Some(&(row, new)) = added.rows.get(&part.part) else {
                            continue;
                        };
                        if new {
                            say(t, row, &part.said)?;
                        }
                        keys.push((line.file.clone(), part.part, row, new));
                    }
                }
                Ok(keys)
            })?;
            let first = at * BATCH;
            for (n, line) in lines.iter().enumerate() {
                for (file, part, row, new) in &keys {
                    if *file == line.file {
                        let key = Key::Recording(*row);
                        here.insert(format!("recordings/{}/{part}", first + n + 1), key);
                        brought.count(key, *new);
                    }
                }
            }
        }
        self.bring_marks(&mut zip, &index.marks, &mut brought, &mut here, &failed)?;
        self.bring_collections(&index.collections, &mut brought, &here, now_s)?;
        Ok(brought)
    }

    fn bring_tours<R: Read + Seek>(
        &self,
        zip: &mut ZipArchive<R>,
        lines: &[TourLine],
        brought: &mut Brought,
        here: &mut HashMap<String, Key>,
        failed: &impl Fn(String) -> ExchangeError,
    ) -> Result<(), ExchangeError> {
        for (n, line) in lines.iter().enumerate() {
            let bytes = entry(zip, &line.file, MAX_BYTES as u64).map_err(failed)?;
            let tour: Tour = serde_json::from_slice(&bytes)
                .map_err(|e| failed(format!("{} is not a tour: {e}", line.file)))?;
            let document = tours::document_text(&tour)?;
            let (id, new) = self.write("keep a tour", |t| {
                let known: Option<i64> = t
                    .prepare_cached("SELECT id FROM tours WHERE name = ?1 AND document = ?2 AND deleted_s IS NULL")?
                    .query_row([&tour.name, &document], |r| r.get(0))
                    .optional()?;
                if let Some(id) = known {
                    return Ok((TourId(id), false));
                }
                let times = [line.said.added_s, line.said.changed_s];
                let id = tours::insert(t, &tour, &document, line.length_m, times)?;
                if let Some(row) = Key::Tour(id).row(t)? {
                    say(t, row, &line.said)?;
                }
                Ok((id, true))
            })?;
            here.insert(format!("tours/{}", n + 1), Key::Tour(id));
            brought.count(Key::Tour(id), new);
        }
        Ok(())
    }

    fn bring_marks<R: Read + Seek>(
        &self,
        zip: &mut ZipArchive<R>,
        lines: &[MarkLine],
        brought: &mut Brought,
        here: &mut HashMap<String, Key>,
        failed: &impl Fn(String) -> ExchangeError,
    ) -> Result<(), ExchangeError> {
        for (n, mark) in lines.iter().enumerate() {
            let picture = match &mark.photo {
                Some(file) => {
                    Some(entry(zip, file, marks::MAX_PHOTO_BYTES as u64).map_err(failed)?)
                }
                None => None,
            };
            let photo = picture.as_deref().map(Photo::look).transpose();
            let photo = photo.map_err(|e| failed(e.to_string()))?;
            let new = NewMark {
                name: mark.said.name.clone(),
                note: mark.said.note.clone(),
                tags: mark.said.tags.clone(),
                rating: mark.said.rating,
                at: [mark.lat, mark.lon],
                road: mark.road.clone(),
            };
            let line = marks::line(&new).map_err(|e| failed(e.to_string()))?;
            let (key, is_new) = self.write("keep a mark", |t| {
                let known: Option<i64> = t
                    .prepare_cached(
                        "SELECT c.id FROM cards c JOIN marks m ON m.card = c.id
                         WHERE c.name = ?1 AND c.note = ?2 AND m.lat = ?3 AND m.lon = ?4 AND c.deleted_s IS NULL",
                    )?
                    .query_row(params![new.name, new.note, mark.lat, mark.lon], |r| r.get(0))
                    .optional()?;
                if let Some(row) = known {
                    return Ok((Key::Mark(row), false));
                }
                let photo = photo.as_ref().zip(picture.as_deref());
                let photo = photo.map(|(p, bytes)| (p.kind, p.taken.as_deref(), bytes));
                let key = marks::add(t, &new, &line, photo, [mark.said.added_s, mark.said.changed_s])?;
                Ok((key, true))
            })?;
            here.insert(format!("marks/{}", n + 1), key);
            brought.count(key, is_new);
        }
        Ok(())
    }

    fn bring_collections(
        &self,
        lines: &[CollectionLine],
        brought: &mut Brought,
        here: &HashMap<String, Key>,
        now_s: i64,
    ) -> Result<(), ExchangeError> {
        for line in lines {
            let members: Vec<Key> = line
                .members
                .iter()
                .filter_map(|m| here.get(m).copied())
                .collect();
            let before = self
                .collections()?
                .into_iter()
                .find(|c| c.name == line.name && c.deleted_s.is_none());
            match before {
                None => {
                    let new = Collection {
                        name: line.name.clone(),
                        note: line.note.clone(),
                        members,
                        ..Collection::default()
                    };
                    self.write("keep a collection", |t| {
                        collections::add(t, &new, line.added_s, line.changed_s)
                    })?;
                    brought.collections += 1;
                }
                Some(mut known) => {
                    let more: Vec<Key> = members
                        .into_iter()
                        .filter(|m| !known.members.contains(m))
                        .collect();
                    if more.is_empty() {
                        brought.known += 1;
                    } else {
                        known.members.extend(more);
                        self.save_collection(known.number, known.revision, &known, now_s)?;
                        brought.collections += 1;
                    }
                }
            }
        }
        Ok(())
    }
}

impl Brought {
    fn count(&mut self, key: Key, new: bool) {
        if !new {
            self.known += 1;
            return;
        }
        match key {
            Key::Tour(_) => self.tours += 1,
            Key::Recording(_) => self.recordings += 1,
            Key::Mark(_) => self.marks += 1,
        }
        self.keys.push(key);
    }
}

/// Whether a zip is one that [`Shelf::export`] wrote.
pub(crate) fn is_bundle(zip: &mut ZipArchive<BufReader<std::fs::File>>) -> bool {
    let Ok(file) = zip.by_name(INDEX) else {
        return false;
    };
    let mut head = Vec::new();
    file.take(200).read_to_end(&mut head).is_ok()
        && String::from_utf8_lossy(&head).contains("lacet-shelf-")
}

/// An entry of the zip by its name, which opens nothing but that.
fn entry<R: Read + Seek>(
    zip: &mut ZipArchive<R>,
    name: &str,
    limit: u64,
) -> Result<Vec<u8>, String> {
    let file = zip
        .by_name(name)
        .map_err(|e| format!("there is no {name} in it: {e}"))?;
    let mut bytes = Vec::new();
    file.take(limit + 1)
        .read_to_end(&mut bytes)
        .map_err(|e| format!("{name} cannot be unpacked: {}", plain(&e)))?;
    if bytes.len() as u64 > limit {
        return Err(format!(
            "{name} is larger than the {} MB that are read",
            limit / 1_000_000
        ));
    }
    Ok(bytes)
}

/// Writes on a new card what was said of it elsewhere.
fn say(t: &Transaction, row: i64, said: &Said) -> rusqlite::Result<()> {
    let Some(mut card) = card::by_row(t, row)? else {
        return Ok(());
    };
    card.name.clone_from(&said.name);
    card.note.clone_from(&said.note);
    card.tags = card::tidy(&said.tags);
    card.rating = said.rating.filter(|r| (1..=5).contains(r));
    card.changed_s = said.changed_s;
    let line = card::line_of(t, row)?;
    card::put(t, &card, &line)?;
    t.execute(
        "UPDATE cards SET added_s = ?2 WHERE id = ?1",
        [row, said.added_s],
    )?;
    Ok(())
}

fn said(card: &Card) -> Said {
    Said {
        name: card.name.clone(),
        note: card.note.clone(),
        tags: card.tags.clone(),
        rating: card.rating,
        added_s: card.added_s,
        changed_s: card.changed_s,
    }
}

fn write(c: &Connection, selection: &Selection, out: impl Write + Seek) -> Result<(), Broken> {
    let rows = selected(c, selection)?;
    let mut zip = ZipWriter::new(out);
    let mut index = Index {
        format: FORMAT.into(),
        ..Index::default()
    };
    let mut labels: HashMap<i64, String> = HashMap::new();
    let mut page = Page::default();

    let cards = rows
        .iter()
        .map(|&row| Ok(card::by_row(c, row)?.map(|card| (row, card))))
        .collect::<rusqlite::Result<Vec<_>>>()?;
    let cards: Vec<(i64, Card)> = cards.into_iter().flatten().collect();
    let tours: Vec<_> = cards
        .iter()
        .filter(|(_, c)| matches!(c.key, Key::Tour(_)))
        .collect();
    let names: Vec<String> = tours
        .iter()
        .enumerate()
        .map(|(n, (_, c))| format!("{:04} {}", n + 1, c.name))
        .collect();
    let documents = files::file_names(&names, ".json");
    let routes = files::file_names(&names, ".gpx");
    for (n, (row, card)) in tours.iter().enumerate() {
        let Key::Tour(id) = card.key else { continue };
        let (document, length_m): (String, Option<f64>) = c.query_row(
            "SELECT document, length_m FROM tours WHERE id = ?1",
            [id.0],
            |r| Ok((r.get(0)?, r.get(1)?)),
        )?;
        let file = format!("tours/{}", documents[n]);
        add(&mut zip, &file, document.as_bytes())?;
        if let Ok(tour) = serde_json::from_str::<Tour>(&document) {
            let route = format!("tours/{}", routes[n]);
            add(&mut zip, &route, &files::write_gpx(&outline(&tour)))?;
            page.line("Tours", card, &[(&route, "GPX"), (&file, "document")]);
        }
        labels.insert(*row, format!("tours/{}", n + 1));
        index.tours.push(TourLine {
            file,
            length_m,
            said: said(card),
        });
    }

    // By file, in the order of their first recording.
    let mut by_file: BTreeMap<i64, Vec<(u32, i64, &Card)>> = BTreeMap::new();
    for (row, card) in cards
        .iter()
        .filter(|(_, c)| matches!(c.key, Key::Recording(_)))
    {
        let (file, part) = c
            .prepare_cached("SELECT file, part FROM recordings WHERE card = ?1")?
            .query_row([row], |r| Ok((r.get(0)?, r.get(1)?)))?;
        by_file.entry(file).or_default().push((part, *row, card));
    }
    let stem = |file: i64| {
        c.prepare_cached("SELECT name, added_s FROM files WHERE id = ?1")?
            .query_row([file], |r| Ok::<(String, i64), _>((r.get(0)?, r.get(1)?)))
    };
    let stems = by_file
        .keys()
        .map(|&f| stem(f))
        .collect::<rusqlite::Result<Vec<_>>>()?;
    let names: Vec<String> = stems
        .iter()
        .enumerate()
        .map(|(n, (name, _))| format!("{:05} {name}", n + 1))
        .collect();
    let names = files::file_names(&names, "");
    for (n, ((file, parts), (name, added_s))) in by_file.into_iter().zip(stems).enumerate() {
        let (len, pressed): (u32, Vec<u8>) = c
            .prepare_cached("SELECT bytes, original FROM files WHERE id = ?1")?
            .query_row([file], |r| Ok((r.get(0)?, r.get(1)?)))?;
        let bytes = unpress(&pressed, len as usize).ok_or(Broken::Spoilt(parts[0].2.key))?;
        let path = format!("recordings/{}{}", names[n], ending(&bytes));
        add(&mut zip, &path, &bytes)?;
        let mut lines = Vec::new();
        for (part, row, card) in parts {
            labels.insert(row, format!("recordings/{}/{part}", n + 1));
            page.line("Recordings", card, &[(&path, "file")]);
            lines.push(PartLine {
                part,
                said: said(card),
            });
        }
        index.recordings.push(FileLine {
            file: path,
            name,
            added_s,
            parts: lines,
        });
    }

    let mut features = Vec::new();
    for (row, card) in cards.iter().filter(|(_, c)| matches!(c.key, Key::Mark(_))) {
        let Some(mark) = marks::by_row(c, *row)? else {
            continue;
        };
        let n = index.marks.len() + 1;
        let mut photo = None;
        if let Some((kind, bytes)) = marks::photo_of(c, *row)? {
            let path = format!(
                "photos/{n:04}.{}",
                kind.rsplit('/').next().unwrap_or("jpeg")
            );
            add(&mut zip, &path, &bytes)?;
            photo = Some(path);
        }
        let links: Vec<(&str, &str)> = photo.iter().map(|p| (p.as_str(), "picture")).collect();
        page.line("Marks", card, &links);
        features.push(feature(&mark, photo.as_deref()));
        labels.insert(*row, format!("marks/{n}"));
        let [lat, lon] = mark.at;
        index.marks.push(MarkLine {
            lat,
            lon,
            road: mark.road,
            photo,
            said: said(card),
        });
    }
    if !features.is_empty() {
        let all = serde_json::json!({ "type": "FeatureCollection", "features": features });
        add(&mut zip, "marks.geojson", all.to_string().as_bytes())?;
    }

    let wanted = match selection {
        Selection::All => "deleted_s IS NULL".to_owned(),
        Selection::Collection(number) => format!("id = {number}"),
        Selection::Keys(_) => "0".to_owned(),
    };
    let mut query = c.prepare(&format!(
        "SELECT id, name, note, added_s, changed_s FROM collections WHERE {wanted} ORDER BY id"
    ))?;
    let mut collections = query.query([])?;
    while let Some(row) = collections.next()? {
        let id: i64 = row.get(0)?;
        let mut members = c.prepare_cached(
            "SELECT card FROM members WHERE collection = ?1 ORDER BY position, card",
        )?;
        let members = members
            .query_map([id], |r| r.get(0))?
            .collect::<rusqlite::Result<Vec<i64>>>()?;
        let line = CollectionLine {
            name: row.get(1)?,
            note: row.get(2)?,
            added_s: row.get(3)?,
            changed_s: row.get(4)?,
            members: members
                .iter()
                .filter_map(|m| labels.get(m).cloned())
                .collect(),
        };
        page.title(&line.name, &line.note);
        index.collections.push(line);
    }
    let text = serde_json::to_string_pretty(&index).map_err(|e| Broken::Write(e.to_string()))?;
    add(&mut zip, INDEX, text.as_bytes())?;
    add(&mut zip, "index.html", page.html().as_bytes())?;
    zip.finish()?.flush()?;
    Ok(())
}

/// Rows of what is exported: by kind and age, so that numbers stay in order.
fn selected(c: &Connection, selection: &Selection) -> rusqlite::Result<Vec<i64>> {
    let mut rows: Vec<i64> = match selection {
        Selection::All => c
            .prepare("SELECT id FROM cards WHERE deleted_s IS NULL")?
            .query_map([], |r| r.get(0))?
            .collect::<rusqlite::Result<_>>()?,
        Selection::Collection(number) => c
            .prepare("SELECT m.card FROM members m JOIN cards c ON c.id = m.card WHERE m.collection = ?1 AND c.deleted_s IS NULL")?
            .query_map([number], |r| r.get(0))?
            .collect::<rusqlite::Result<_>>()?,
        Selection::Keys(keys) => keys.iter().filter_map(|k| k.row(c).transpose()).collect::<rusqlite::Result<_>>()?,
    };
    rows.sort_unstable();
    rows.dedup();
    Ok(rows)
}

fn add<W: Write + Seek>(zip: &mut ZipWriter<W>, name: &str, bytes: &[u8]) -> Result<(), Broken> {
    // Without a clock: equal content gives equal bytes.
    zip.start_file(name, SimpleFileOptions::default())?;
    zip.write_all(bytes)?;
    Ok(())
}

/// The ending of a file by its content.
fn ending(bytes: &[u8]) -> &'static str {
    let head = String::from_utf8_lossy(&bytes[..bytes.len().min(1000)]);
    match head.trim_start_matches(|c: char| c.is_whitespace() || c == '\u{feff}') {
        h if h.starts_with(['{', '[']) => ".geojson",
        h if h.contains("<kml") => ".kml",
        _ => ".gpx",
    }
}

/// A tour for other programs: its points as a route, what was drawn by hand as tracks.
fn outline(tour: &Tour) -> Ride {
    let fix = |p: [f64; 2]| Fix {
        lat: p[0],
        lon: p[1],
        ..Fix::default()
    };
    let points = tour.points.iter().map(|p| Waypoint {
        at: fix([p.lat, p.lon]),
        name: p.name.clone(),
        kind: if p.kind == PointKind::Stop {
            "stop"
        } else {
            "via"
        }
        .into(),
        ..Waypoint::default()
    });
    let mut segments = Vec::new();
    for pair in tour.points.windows(2) {
        if pair[1].leg == LegKind::Free {
            let ends = |p: &planner::document::TourPoint| [p.lat, p.lon];
            let drawn = pair[1].drawn.iter().copied();
            segments.push(
                [ends(&pair[0])]
                    .into_iter()
                    .chain(drawn)
                    .chain([ends(&pair[1])])
                    .map(fix)
                    .collect(),
            );
        }
    }
    let tracks = match segments.is_empty() {
        true => Vec::new(),
        false => vec![Track {
            name: tour.name.clone(),
            segments,
        }],
    };
    Ride {
        name: tour.name.clone(),
        text: [tour.note.as_str(), CAUTIONS].join(" ").trim().to_owned(),
        routes: vec![Route {
            name: tour.name.clone(),
            points: points.collect(),
        }],
        tracks,
        ..Ride::default()
    }
}

/// A mark as a GeoJSON feature (RFC 7946).
fn feature(mark: &crate::Mark, photo: Option<&str>) -> serde_json::Value {
    let turned = |p: &[f64; 2]| [p[1], p[0]];
    let geometry = match mark.road.len() {
        0 | 1 => serde_json::json!({ "type": "Point", "coordinates": turned(&mark.at) }),
        _ => {
            serde_json::json!({ "type": "LineString", "coordinates": mark.road.iter().map(turned).collect::<Vec<_>>() })
        }
    };
    let card = &mark.card;
    serde_json::json!({
        "type": "Feature",
        "geometry": geometry,
        "properties": { "name": card.name, "note": card.note, "tags": card.tags, "rating": card.rating, "photo": photo },
    })
}

/// The page that shows what is in the zip.
#[derive(Default)]
struct Page {
    titles: String,
    lists: BTreeMap<&'static str, String>,
}

impl Page {
    fn title(&mut self, name: &str, note: &str) {
        self.titles.push_str(&format!(
            "<h1>{}</h1><p>{}</p>\n",
            escape(name),
            escape(note)
        ));
    }

    fn line(&mut self, list: &'static str, card: &Card, links: &[(&str, &str)]) {
        let length = card
            .length_m
            .map(|m| format!(", {:.0} km", m / 1000.0))
            .unwrap_or_default();
        let date = card
            .date
            .as_deref()
            .map(|d| format!(", {d}"))
            .unwrap_or_default();
        let links: Vec<String> = links
            .iter()
            .map(|(to, what)| format!("<a href=\"{}\">{what}</a>", escape(to)))
            .collect();
        let note = if card.note.is_empty() {
            String::new()
        } else {
            format!("<br>{}", escape(&card.note))
        };
        self.lists.entry(list).or_default().push_str(&format!(
            "<li>{}{}{length} {}{note}</li>\n",
            escape(&card.name),
            escape(&date),
            links.join(" ")
        ));
    }

    fn html(&self) -> String {
        let mut out = String::from(
            "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><title>Tours and recordings</title>\n",
        );
        out.push_str("<style>body{font:1rem/1.5 sans-serif;max-width:48rem;margin:2rem auto;padding:0 1rem}</style>\n");
        out.push_str(&self.titles);
        for (list, lines) in &self.lists {
            out.push_str(&format!("<h2>{list}</h2><ul>\n{lines}</ul>\n"));
        }
        out.push_str(&format!("<p><small>{CAUTIONS}</small></p></html>\n"));
        out
    }
}

fn escape(text: &str) -> String {
    text.chars()
        .fold(String::with_capacity(text.len()), |mut out, c| {
            match c {
                '&' => out.push_str("&amp;"),
                '<' => out.push_str("&lt;"),
                '>' => out.push_str("&gt;"),
                '"' => out.push_str("&quot;"),
                '\'' => out.push_str("&#39;"),
                c => out.push(c),
            }
            out
        })
}
