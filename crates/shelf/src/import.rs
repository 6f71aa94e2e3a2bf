//! Bringing files in by the thousand: read and cleaned on all cores, written by one in
//! transactions of some dozens. Whatever ends it, the next call goes on where it stopped.

use std::collections::{HashMap, HashSet};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use planner::files::{self, Fix};
use rusqlite::{OptionalExtension, Transaction, params};
use thiserror::Error;
use xxhash_rust::xxh3::xxh3_128;

use crate::card::line_of_runs;
use crate::cleaning;
use crate::likeness::Likeness;
use crate::packed::{pack, press};
use crate::recordings::{self, Ready};
use crate::sources::{Reader, Source, walk};
use crate::{ExchangeError, Key, Shelf, ShelfError};

/// Files of one transaction, at most.
const BATCH: usize = 48;
/// Files that were read and wait to be written, at most: bounds memory.
const WAITING: usize = 32;

/// What a region knows of the country along a recording.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Seen {
    /// Regions that it lies in.
    pub regions: Vec<String>,
    /// Towns and passes on the way, in riding order.
    pub places: Vec<String>,
    /// Highest pass that it crosses, and its height in metres if known.
    pub pass: Option<(String, Option<f64>)>,
}

/// Knows the country; `()` knows none.
pub trait Survey: Sync {
    /// Looks along a recording.
    fn look(&self, runs: &[Vec<Fix>]) -> Seen;
}

impl Survey for () {
    fn look(&self, _: &[Vec<Fix>]) -> Seen {
        Seen::default()
    }
}

/// What became of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    /// It is on the shelf now.
    Kept = 0,
    /// The same bytes were there already.
    SameFile = 1,
    /// All its rides were there already, saved another time or thinned.
    SameRide = 2,
    /// It cannot be read or holds no ride.
    Broken = 3,
    /// An earlier import has dealt with it.
    Done = 4,
}

/// A file that was not kept, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trouble {
    /// The file, or the zip and the name in it.
    pub file: String,
    /// Plain words.
    pub reason: String,
}

/// How far an import is.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ImportProgress {
    /// Files found.
    pub files: usize,
    /// Files dealt with, those of an earlier call included.
    pub done: usize,
    /// Counts by [`Fate`].
    pub fates: [usize; 5],
    /// Recordings that came onto the shelf.
    pub recordings: usize,
}

/// What an import came to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ImportSummary {
    /// The last state.
    pub progress: ImportProgress,
    /// Files that hold no rides by their name.
    pub ignored: u64,
    /// Files that were not kept because something is wrong with them.
    pub broken: Vec<Trouble>,
    /// Files whose rides were on the shelf already, and as what.
    pub duplicates: Vec<Trouble>,
    /// What came onto the shelf, in the order it did; at most some thousands.
    pub keys: Vec<Key>,
    /// Whether it was cancelled before the end.
    pub cancelled: bool,
}

/// Why an import stopped. What was reported as done is kept, and calling again goes on there.
#[derive(Debug, Error)]
#[error("the import stopped after {done} files: {source}")]
pub struct ImportError {
    /// Files dealt with.
    pub done: usize,
    /// What is wrong with the store.
    #[source]
    pub source: ShelfError,
}

/// A file that was read, on its way to the store.
struct Parcel {
    source: Source,
    content: Content,
}

enum Content {
    Rides {
        hash: [u8; 16],
        bytes: usize,
        original: Vec<u8>,
        stem: String,
        rides: Vec<Ready>,
    },
    SameFile {
        hash: [u8; 16],
    },
    Broken {
        hash: Option<[u8; 16]>,
        reason: String,
    },
}

impl Shelf {
    /// Imports files, folders and zips; see [`ImportSummary`]. `threads` read, this one writes.
    /// Raising `cancel` ends it soon, with what was done kept.
    pub fn import(
        &self,
        paths: &[PathBuf],
        survey: &dyn Survey,
        threads: usize,
        now_s: i64,
        progress: &dyn Fn(&ImportProgress),
        cancel: &AtomicBool,
    ) -> Result<ImportSummary, ImportError> {
        let stopped = |done| move |source| ImportError { done, source };
        let found = walk(paths);
        let mut summary = ImportSummary {
            ignored: found.ignored,
            ..ImportSummary::default()
        };
        let state = &mut summary.progress;
        state.files = found.files.len() + found.troubles.len() + found.bundles.len();
        for path in found.bundles {
            state.done += 1;
            match self.bring(&path, now_s) {
                Ok(brought) => {
                    let fate = if brought.is_new() {
                        Fate::Kept
                    } else {
                        Fate::SameFile
                    };
                    state.fates[fate as usize] += 1;
                    state.recordings += brought.recordings;
                    summary.keys.extend(brought.keys);
                }
                Err(ExchangeError::Shelf(source)) => {
                    return Err(ImportError {
                        done: state.done,
                        source,
                    });
                }
                Err(e) => {
                    state.fates[Fate::Broken as usize] += 1;
                    summary.broken.push(Trouble {
                        file: path.display().to_string(),
                        reason: e.to_string(),
                    });
                }
            }
        }
        for (file, reason) in found.troubles {
            state.done += 1;
            state.fates[Fate::Broken as usize] += 1;
            summary.broken.push(Trouble { file, reason });
        }
        let before = self.seen().map_err(stopped(0))?;
        let mut todo = Vec::new();
        for source in found.files {
            match before.get(&source.label) {
                Some(&(bytes, modified_s))
                    if bytes == source.bytes && modified_s == source.modified_s =>
                {
                    state.done += 1;
                    state.fates[Fate::Done as usize] += 1;
                }
                _ => todo.push(source),
            }
        }
        progress(state);
        let known = Mutex::new(self.hashes().map_err(stopped(state.done))?);
        let next = AtomicUsize::new(0);
        let failed = AtomicBool::new(false);
        let written = std::thread::scope(|scope| {
            let (send, receive) = sync_channel::<Parcel>(WAITING);
            for _ in 0..threads.clamp(1, 64) {
                let (send, todo, next, known, failed) =
                    (send.clone(), &todo, &next, &known, &failed);
                scope.spawn(move || {
                    let mut reader = Reader::default();
                    loop {
                        let at = next.fetch_add(1, Ordering::Relaxed);
                        let Some(source) = todo.get(at) else { return };
                        if cancel.load(Ordering::Relaxed) || failed.load(Ordering::Relaxed) {
                            return;
                        }
                        let content = read(source, &mut reader, known, survey);
                        let parcel = Parcel {
                            source: source.clone(),
                            content,
                        };
                        if send.send(parcel).is_err() {
                            return;
                        }
                    }
                });
            }
            drop(send);
            let result = self.unpack(&receive, &mut summary, now_s, progress);
            if result.is_err() {
                failed.store(true, Ordering::Relaxed);
                // Whoever waits for room in the channel must see that nobody reads any more.
                drop(receive);
            }
            result
        });
        written.map_err(stopped(summary.progress.done))?;
        summary.cancelled =
            cancel.load(Ordering::Relaxed) && summary.progress.done < summary.progress.files;
        Ok(summary)
    }

    /// Writes parcels as they come.
    fn unpack(
        &self,
        receive: &Receiver<Parcel>,
        summary: &mut ImportSummary,
        now_s: i64,
        progress: &dyn Fn(&ImportProgress),
    ) -> Result<(), ShelfError> {
        let mut batch: Vec<Parcel> = Vec::with_capacity(BATCH);
        // Copies wait until what became of the first of them is known.
        let mut copies: Vec<Parcel> = Vec::new();
        let mut firsts: HashMap<[u8; 16], (Fate, String)> = HashMap::new();
        let mut open = true;
        while open || !copies.is_empty() {
            if !open {
                let rest = copies.split_off(copies.len().min(BATCH));
                batch = std::mem::replace(&mut copies, rest);
            }
            while open && batch.len() < BATCH {
                // A batch that fills slowly is written before anybody wonders.
                match receive.recv_timeout(Duration::from_millis(250)) {
                    Ok(parcel) => match parcel.content {
                        Content::SameFile { .. } => copies.push(parcel),
                        _ => batch.push(parcel),
                    },
                    Err(RecvTimeoutError::Timeout) if batch.is_empty() => {}
                    Err(RecvTimeoutError::Timeout) => break,
                    Err(RecvTimeoutError::Disconnected) => {
                        open = false;
                        break;
                    }
                }
            }
            let fates = self.write("keep imported files", |t| {
                batch
                    .iter()
                    .map(|p| keep(t, p, &firsts, now_s))
                    .collect::<rusqlite::Result<Vec<_>>>()
            })?;
            for (parcel, kept) in batch.drain(..).zip(fates) {
                if let Content::Rides { hash, .. }
                | Content::Broken {
                    hash: Some(hash), ..
                } = parcel.content
                {
                    firsts.insert(hash, (kept.fate, kept.reason.clone()));
                }
                let state = &mut summary.progress;
                state.done += 1;
                state.fates[kept.fate as usize] += 1;
                state.recordings += kept.keys.len();
                if summary.keys.len() < 10_000 {
                    summary.keys.extend(kept.keys);
                }
                let trouble = Trouble {
                    file: parcel.source.label,
                    reason: kept.reason,
                };
                match kept.fate {
                    Fate::Broken => summary.broken.push(trouble),
                    Fate::SameFile | Fate::SameRide => summary.duplicates.push(trouble),
                    Fate::Kept | Fate::Done => {}
                }
            }
            progress(&summary.progress);
        }
        Ok(())
    }

    /// Files that were not kept by any import because something is wrong with them.
    pub fn troubles(&self) -> Result<Vec<Trouble>, ShelfError> {
        self.read("list what was not imported", |c| {
            let mut query =
                c.prepare_cached("SELECT path, reason FROM seen WHERE fate = ?1 ORDER BY path")?;
            let rows = query.query_map([Fate::Broken as i64], |r| {
                Ok(Trouble {
                    file: r.get(0)?,
                    reason: r.get(1)?,
                })
            })?;
            rows.collect()
        })
    }

    /// Size and time of every file that was dealt with.
    fn seen(&self) -> Result<HashMap<String, (u64, i64)>, ShelfError> {
        self.read("look what was imported", |c| {
            let mut query = c.prepare_cached("SELECT path, bytes, modified_s FROM seen")?;
            let rows = query.query_map([], |r| {
                let bytes: i64 = r.get(1)?;
                Ok((r.get(0)?, (bytes.cast_unsigned(), r.get(2)?)))
            })?;
            rows.collect()
        })
    }

    fn hashes(&self) -> Result<HashSet<[u8; 16]>, ShelfError> {
        self.read("look what was imported", |c| {
            let mut query = c.prepare_cached("SELECT hash FROM files")?;
            let rows = query.query_map([], |r| r.get(0))?;
            rows.collect()
        })
    }
}

/// Reads and cleans one file.
fn read(
    source: &Source,
    reader: &mut Reader,
    known: &Mutex<HashSet<[u8; 16]>>,
    survey: &dyn Survey,
) -> Content {
    let bytes = match reader.read(source) {
        Ok(bytes) => bytes,
        Err(reason) => return Content::Broken { hash: None, reason },
    };
    let hash = xxh3_128(&bytes).to_be_bytes();
    // Whoever comes first with these bytes reads them.
    if !known
        .lock()
        .unwrap_or_else(PoisonError::into_inner)
        .insert(hash)
    {
        return Content::SameFile { hash };
    }
    let stem = stem(&source.label);
    match ready(&stem, &bytes, survey) {
        Ok(rides) => Content::Rides {
            hash,
            bytes: bytes.len(),
            original: press(&bytes),
            stem,
            rides,
        },
        Err(reason) => Content::Broken {
            hash: Some(hash),
            reason,
        },
    }
}

/// The rides in the bytes of a file, ready to be written; or why there are none.
pub(crate) fn ready(name: &str, bytes: &[u8], survey: &dyn Survey) -> Result<Vec<Ready>, String> {
    let ride = files::read(name, bytes).map_err(|e| e.to_string())?;
    let rides: Vec<Ready> = cleaning::recordings(&ride)
        .into_iter()
        .map(|recorded| Ready {
            seen: survey.look(&recorded.runs),
            likeness: Likeness::of(&recorded.runs, recorded.facts.length_m),
            line: line_of_runs(&recorded.runs),
            runs: pack(&recorded.runs),
            recorded,
        })
        .collect();
    if !rides.is_empty() {
        return Ok(rides);
    }
    let counts = ride.counts();
    Err(
        match (counts.track_points + counts.route_points, counts.waypoints) {
            (0, 0) => "it holds neither a track nor a route".into(),
            (0, n) => format!("it holds {n} places but neither a track nor a route"),
            (n, _) => format!("its {n} points never leave one place"),
        },
    )
}

/// What a recording is called whose file says nothing: the file's name without folder and ending.
pub(crate) fn stem(label: &str) -> String {
    let last = label.rsplit(['/', '\\']).next().unwrap_or(label);
    let last = last.rsplit_once(": ").map_or(last, |(_, l)| l);
    last.rsplit_once('.')
        .map_or(last, |(s, _)| s)
        .chars()
        .take(200)
        .collect()
}

struct Kept {
    fate: Fate,
    reason: String,
    keys: Vec<Key>,
}

/// Writes what became of one file, in the transaction of its batch.
fn keep(
    t: &Transaction,
    parcel: &Parcel,
    firsts: &HashMap<[u8; 16], (Fate, String)>,
    now_s: i64,
) -> rusqlite::Result<Kept> {
    let mut kept = Kept {
        fate: Fate::Broken,
        reason: String::new(),
        keys: Vec::new(),
    };
    let mut row = None;
    match &parcel.content {
        Content::Broken { reason, .. } => kept.reason.clone_from(reason),
        Content::SameFile { hash } => {
            row = card_of_file(t, hash)?;
            if let Some(row) = row {
                kept.fate = Fate::SameFile;
                kept.reason = format!("the same file is on the shelf as {}", named(t, row)?);
            } else if let Some((fate, reason)) = firsts.get(hash) {
                (kept.fate, kept.reason) = (*fate, reason.clone());
            }
        }
        Content::Rides {
            hash,
            bytes,
            original,
            stem,
            rides,
        } => {
            let outcome = add_file(t, hash, *bytes, original, stem, rides, None, now_s)?;
            (kept.fate, row) = (outcome.fate, outcome.row);
            kept.keys = outcome.keys;
            if let (Fate::SameRide | Fate::SameFile, Some(row)) = (kept.fate, row) {
                kept.reason = format!("the same ride is on the shelf as {}", named(t, row)?);
            }
        }
    }
    t.prepare_cached(
        "INSERT OR REPLACE INTO seen (path, bytes, modified_s, fate, reason, card, seen_s)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    )?
    .execute(params![
        parcel.source.label,
        parcel.source.bytes.cast_signed(),
        parcel.source.modified_s,
        kept.fate as i64,
        kept.reason,
        row,
        now_s
    ])?;
    Ok(kept)
}

/// What became of a file's rides.
pub(crate) struct Added {
    pub fate: Fate,
    /// The first recording, new or of old.
    pub row: Option<i64>,
    /// By part: its row, and whether it is new.
    pub rows: HashMap<u32, (i64, bool)>,
    pub keys: Vec<Key>,
}

/// Writes a file with those of its rides that are not on the shelf yet; nothing if all are.
#[expect(
    clippy::too_many_arguments,
    reason = "what a file is, taken apart by the reading threads"
)]
pub(crate) fn add_file(
    t: &Transaction,
    hash: &[u8; 16],
    bytes: usize,
    original: &[u8],
    stem: &str,
    rides: &[Ready],
    only: Option<&[u32]>,
    now_s: i64,
) -> rusqlite::Result<Added> {
    let mut added = Added {
        fate: Fate::SameRide,
        row: None,
        rows: HashMap::new(),
        keys: Vec::new(),
    };
    // Another process may have been faster; or only a part of the file was kept.
    let mut file: Option<i64> = t
        .prepare_cached("SELECT id FROM files WHERE hash = ?1")?
        .query_row([hash], |r| r.get(0))
        .optional()?;
    if let Some(file) = file {
        added.fate = Fate::SameFile;
        let mut query =
            t.prepare_cached("SELECT part, card FROM recordings WHERE file = ?1 ORDER BY part")?;
        let mut rows = query.query([file])?;
        while let Some(row) = rows.next()? {
            let card = row.get(1)?;
            added.rows.insert(row.get(0)?, (card, false));
            added.row = added.row.or(Some(card));
        }
        // Without a choice of parts all were looked at when the file came.
        if only.is_none() {
            return Ok(added);
        }
    }
    for (n, ready) in rides.iter().enumerate() {
        let part = n as u32 + 1;
        if only.is_some_and(|only| !only.contains(&part)) || added.rows.contains_key(&part) {
            continue;
        }
        if let Some(same) = recordings::same_ride(t, ready)? {
            added.row = added.row.or(Some(same));
            added.rows.insert(part, (same, false));
            continue;
        }
        let id = match file {
            Some(id) => id,
            None => {
                t.prepare_cached("INSERT INTO files (hash, name, bytes, original, added_s) VALUES (?1, ?2, ?3, ?4, ?5)")?
                    .execute(params![hash, stem, bytes as i64, original, now_s])?;
                *file.insert(t.last_insert_rowid())
            }
        };
        let name = match ready.recorded.name.trim() {
            "" => stem,
            name => name,
        };
        let name = match rides
            .iter()
            .filter(|r| r.recorded.name == ready.recorded.name)
            .count()
        {
            1 => name.to_owned(),
            _ => format!("{name} ({})", n + 1),
        };
        let row = recordings::add(t, id, part, ready, &name, now_s)?;
        added.rows.insert(part, (row, true));
        if added.keys.is_empty() {
            added.row = Some(row);
        }
        added.keys.push(Key::Recording(row));
    }
    if !added.keys.is_empty() {
        added.fate = Fate::Kept;
    }
    Ok(added)
}

fn card_of_file(t: &Transaction, hash: &[u8; 16]) -> rusqlite::Result<Option<i64>> {
    t.prepare_cached(
        "SELECT r.card FROM recordings r JOIN files f ON f.id = r.file WHERE f.hash = ?1
         ORDER BY r.part LIMIT 1",
    )?
    .query_row([hash], |r| r.get(0))
    .optional()
}

fn named(t: &Transaction, row: i64) -> rusqlite::Result<String> {
    let name: (i64, String, Option<i64>) = t
        .prepare_cached("SELECT subject, name, deleted_s FROM cards WHERE id = ?1")?
        .query_row([row], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))?;
    let place = if name.2.is_some() { ", in the bin" } else { "" };
    Ok(format!("r{} \"{}\"{place}", name.0, name.1))
}
