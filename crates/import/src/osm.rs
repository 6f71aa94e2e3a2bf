//! One reader of OSM elements for every kind of extract: `.osm.pbf`, `.osm` (XML), `.osm.bz2`.
//!
//! An extract comes as [`Block`]s of some thousand elements. [`Extracts::read`] runs one pass over
//! all files: `map` looks at blocks on all cores and keeps what it needs, `fold` receives its
//! results one by one **in file order, the newest file first**, so whatever is built from them is deterministic.
//!
//! ```text
//! let extracts = Extracts::open(&files)?;
//! let mut named = Vec::new();
//! extracts.read(
//!     Kinds::NODES,                                   // other kinds are not even decoded
//!     &|block| block.nodes()                          // in parallel
//!         .filter_map(|n| Some((n.id, n.version, n.at, n.tags.get("name")?.to_owned())))
//!         .collect::<Vec<_>>(),
//!     |found| named.extend(found),                    // in order, on the calling thread
//!     &watch,
//! )?;
//! newest_by_id(&mut named, |n| (n.0, n.1));           // overlapping extracts
//! ```
//!
//! Relations stand last in a file and point to ways, ways to nodes. So an import runs three
//! passes: relations, then ways, then nodes. The reader remembers which blobs of a PBF hold what
//! and does not inflate the others again.
//!
//! **Overlapping extracts**: an object may come more than once, with the same or different
//! `version`. Whoever collects elements passes them through [`newest_by_id`]. The newest file is
//! read first, so that of equal versions the one of the newest file stays.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU8, AtomicU64, Ordering};
use std::sync::{Mutex, mpsc};

use region::Point;
use thiserror::Error;

mod pbf;
mod xml;

/// Why an extract could not be read.
#[derive(Debug, Error)]
pub enum ReadError {
    /// The file is missing or unreadable.
    #[error("cannot read map extract {path}: {source}")]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Something else than an extract.
    #[error(
        "{path} is not an OpenStreetMap extract ({what}); give a file ending in .osm.pbf, .osm or .osm.bz2"
    )]
    Foreign {
        /// The file.
        path: PathBuf,
        /// What was found.
        what: String,
    },
    /// The file ends too early.
    #[error("map extract {path} is cut off after {at_byte} bytes; download it again")]
    Truncated {
        /// The file.
        path: PathBuf,
        /// Bytes that could be read.
        at_byte: u64,
    },
    /// Contents that contradict the format.
    #[error("map extract {path} is damaged ({what}); download it again")]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong, in words.
        what: String,
    },
    /// A correct file of a sort that is not read.
    #[error("map extract {path} {what}")]
    Unsupported {
        /// The file.
        path: PathBuf,
        /// The sort and the next step.
        what: String,
    },
    /// The caller asked to stop.
    #[error("import cancelled")]
    Cancelled,
}

/// Which kinds of elements a pass looks at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Kinds(u8);

impl Kinds {
    /// Nodes.
    pub const NODES: Kinds = Kinds(1);
    /// Ways.
    pub const WAYS: Kinds = Kinds(2);
    /// Relations.
    pub const RELATIONS: Kinds = Kinds(4);
    /// Everything.
    pub const ALL: Kinds = Kinds(7);

    /// Whether the two have a kind in common.
    pub fn meets(self, other: Kinds) -> bool {
        self.0 & other.0 != 0
    }
    fn with(self, other: Kinds) -> Kinds {
        Kinds(self.0 | other.0)
    }
}

/// How a pass tells of itself and is told to stop.
pub struct Watch<'a> {
    /// Words for the stage.
    pub stage: &'a str,
    /// Called with the stage, bytes done and bytes in all.
    pub progress: &'a (dyn Fn(&str, u64, u64) + Sync),
    /// Set from outside to stop.
    pub cancel: &'a AtomicBool,
}

/// The tags of one element.
#[derive(Clone, Copy)]
pub struct Tags<'a> {
    block: &'a Block,
    pairs: &'a [(u32, u32)],
}

impl<'a> Tags<'a> {
    /// Value of a key.
    pub fn get(&self, key: &str) -> Option<&'a str> {
        self.iter().find(|(k, _)| *k == key).map(|(_, v)| v)
    }
    /// Whether the key has this value.
    pub fn is(&self, key: &str, value: &str) -> bool {
        self.get(key) == Some(value)
    }
    /// All `(key, value)` pairs, in the order of the file.
    pub fn iter(&self) -> impl Iterator<Item = (&'a str, &'a str)> + Clone + use<'a> {
        let block = self.block;
        self.pairs
            .iter()
            .map(move |&(k, v)| (block.string(k), block.string(v)))
    }
    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.pairs.is_empty()
    }
}

/// A node.
#[derive(Clone, Copy)]
pub struct Node<'a> {
    /// OSM id.
    pub id: i64,
    /// Version, 0 if the file does not say.
    pub version: u32,
    /// Where it is; always on the globe.
    pub at: Point,
    /// Tags.
    pub tags: Tags<'a>,
}

/// A way.
#[derive(Clone, Copy)]
pub struct Way<'a> {
    /// OSM id.
    pub id: i64,
    /// Version, 0 if the file does not say.
    pub version: u32,
    /// Age of the file it comes from: 0 the oldest or undated ones, then up by date.
    pub edition: u32,
    /// Ids of its nodes in order; they may be missing from the file.
    pub refs: &'a [i64],
    /// Tags.
    pub tags: Tags<'a>,
}

/// A relation.
#[derive(Clone, Copy)]
pub struct Relation<'a> {
    /// OSM id.
    pub id: i64,
    /// Version, 0 if the file does not say.
    pub version: u32,
    /// Tags.
    pub tags: Tags<'a>,
    members: &'a [MemberRow],
}

impl<'a> Relation<'a> {
    /// Members in order; they may be missing from the file.
    pub fn members(&self) -> impl Iterator<Item = Member<'a>> + use<'a> {
        let block = self.tags.block;
        self.members.iter().map(move |m| Member {
            kind: m.kind,
            id: m.id,
            role: block.string(m.role),
        })
    }
}

/// A member of a relation.
#[derive(Clone, Copy, Debug)]
pub struct Member<'a> {
    /// What it is.
    pub kind: MemberKind,
    /// OSM id.
    pub id: i64,
    /// Role, often empty.
    pub role: &'a str,
}

/// Kind of a member.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MemberKind {
    /// A node.
    Node,
    /// A way.
    Way,
    /// A relation.
    Relation,
}

struct MemberRow {
    kind: MemberKind,
    id: i64,
    role: u32,
}

struct Row {
    id: i64,
    version: u32,
    tags: (u32, u32),
    /// Node: longitude and latitude; way: range in `refs`; relation: range in `members`.
    payload: (u32, u32),
}

/// Some thousand elements with the strings they use.
#[derive(Default)]
pub struct Block {
    text: String,
    string_end: Vec<u32>,
    pairs: Vec<(u32, u32)>,
    refs: Vec<i64>,
    members: Vec<MemberRow>,
    nodes: Vec<Row>,
    ways: Vec<Row>,
    relations: Vec<Row>,
    edition: u32,
}

impl Block {
    /// Nodes, in file order.
    pub fn nodes(&self) -> impl Iterator<Item = Node<'_>> {
        self.nodes.iter().map(|r| Node {
            id: r.id,
            version: r.version,
            at: Point {
                lon_e7: r.payload.0 as i32,
                lat_e7: r.payload.1 as i32,
            },
            tags: self.tags(r.tags),
        })
    }
    /// Ways, in file order.
    pub fn ways(&self) -> impl Iterator<Item = Way<'_>> {
        self.ways.iter().map(|r| Way {
            id: r.id,
            version: r.version,
            edition: self.edition,
            refs: &self.refs[r.payload.0 as usize..r.payload.1 as usize],
            tags: self.tags(r.tags),
        })
    }
    /// Relations, in file order.
    pub fn relations(&self) -> impl Iterator<Item = Relation<'_>> {
        self.relations.iter().map(|r| Relation {
            id: r.id,
            version: r.version,
            members: &self.members[r.payload.0 as usize..r.payload.1 as usize],
            tags: self.tags(r.tags),
        })
    }
    fn tags(&self, (from, to): (u32, u32)) -> Tags<'_> {
        Tags {
            block: self,
            pairs: &self.pairs[from as usize..to as usize],
        }
    }
    /// A string; the empty one for an index out of the table.
    fn string(&self, index: u32) -> &str {
        let i = index as usize;
        let Some(&end) = self.string_end.get(i) else {
            return "";
        };
        let start = if i == 0 { 0 } else { self.string_end[i - 1] };
        self.text.get(start as usize..end as usize).unwrap_or("")
    }
    fn push_string(&mut self, text: &str) -> u32 {
        self.text.push_str(text);
        self.string_end.push(self.text.len() as u32);
        self.string_end.len() as u32 - 1
    }
    fn push_node(&mut self, id: i64, version: u32, at: (i64, i64), first_tag: usize) {
        let (lon, lat) = at;
        // A node off the globe counts as missing.
        if lon.abs() <= 1_800_000_000 && lat.abs() <= 900_000_000 {
            let tags = (first_tag as u32, self.pairs.len() as u32);
            let payload = (lon as i32 as u32, lat as i32 as u32);
            self.nodes.push(Row {
                id,
                version,
                tags,
                payload,
            });
        }
    }
}

/// Leaves one element per id: the highest version, among equals the first.
pub fn newest_by_id<T>(found: &mut Vec<T>, id_and_version: impl Fn(&T) -> (i64, u32)) {
    found.sort_by_key(|t| {
        let (id, version) = id_and_version(t);
        (id, std::cmp::Reverse(version))
    });
    found.dedup_by_key(|t| id_and_version(t).0);
}

/// One file of a pass.
struct Extract {
    path: PathBuf,
    len_bytes: u64,
    format: Format,
    date: Option<String>,
    /// See [`Way::edition`].
    edition: u32,
    /// The data blobs of a PBF.
    blobs: Vec<BlobAt>,
}

/// Where a blob of a PBF is and, once it was looked at, what it holds.
struct BlobAt {
    offset: u64,
    len_bytes: u32,
    /// Bits of [`Kinds`], plus [`SEEN`] once they are known.
    holds: AtomicU8,
}

const SEEN: u8 = 1 << 7;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Format {
    Pbf,
    Xml,
    XmlBzip2,
}

/// Map extracts, opened and recognised by their content.
pub struct Extracts {
    files: Vec<Extract>,
    /// Newest date the files state, ISO 8601.
    pub data_date: Option<String>,
    /// Names of files that state no date.
    pub undated: Vec<String>,
}

impl Extracts {
    /// Opens the files, looks what they are and reads their headers.
    pub fn open(paths: &[PathBuf]) -> Result<Self, ReadError> {
        let mut extracts = Extracts {
            files: Vec::new(),
            data_date: None,
            undated: Vec::new(),
        };
        for path in paths {
            let io = |source| ReadError::Io {
                path: path.clone(),
                source,
            };
            let mut file = File::open(path).map_err(io)?;
            let len_bytes = file.metadata().map_err(io)?.len();
            let mut head = Vec::new();
            file.by_ref().take(64).read_to_end(&mut head).map_err(io)?;
            let format = recognise(&head).map_err(|what| ReadError::Foreign {
                path: path.clone(),
                what: what.into(),
            })?;
            let (blobs, date) = match format {
                Format::Pbf => {
                    let index = pbf::index(path, len_bytes)?;
                    (index.blobs, index.date)
                }
                _ => (Vec::new(), xml::date(path, format == Format::XmlBzip2)?),
            };
            match &date {
                Some(_) => extracts.data_date = extracts.data_date.max(date.clone()),
                None => extracts.undated.push(file_name(path)),
            }
            extracts.files.push(Extract {
                path: path.clone(),
                len_bytes,
                format,
                date,
                edition: 0,
                blobs,
            });
        }
        let dates: BTreeSet<_> = extracts.files.iter().map(|f| f.date.clone()).collect();
        for file in &mut extracts.files {
            file.edition = dates.range(..&file.date).count() as u32;
        }
        Ok(extracts)
    }

    /// Names and sizes of the files, for [`region::Meta`].
    pub fn sources(&self) -> Vec<region::Source> {
        let source = |f: &Extract| region::Source {
            file: file_name(&f.path),
            bytes: f.len_bytes,
        };
        self.files.iter().map(source).collect()
    }

    /// One pass over all files, the newest first. `map` runs on all cores, `fold` gets its results
    /// in file order.
    pub fn read<T: Send>(
        &self,
        kinds: Kinds,
        map: &(dyn Fn(&Block) -> T + Sync),
        mut fold: impl FnMut(T),
        watch: &Watch,
    ) -> Result<(), ReadError> {
        let total = self.files.iter().map(|f| f.len_bytes).sum();
        let done = AtomicU64::new(0);
        let stop = AtomicBool::new(false);
        let mut files: Vec<&Extract> = self.files.iter().collect();
        files.sort_by_key(|f| std::cmp::Reverse(f.edition));
        let source = Mutex::new(Blocks {
            files: files.into_iter(),
            edition: 0,
            open: None,
            next: 0,
            kinds,
        });
        let workers = std::thread::available_parallelism()
            .map_or(1, |n| n.get())
            .min(8);
        std::thread::scope(|scope| {
            let (send, receive) = mpsc::sync_channel(4 * workers);
            for _ in 0..workers {
                let send = send.clone();
                let (source, done, stop) = (&source, &done, &stop);
                scope.spawn(move || {
                    while !stop.load(Ordering::Relaxed) && !watch.cancel.load(Ordering::Relaxed) {
                        let next = match source.lock() {
                            Ok(mut source) => source.next(done).map(|n| (n, source.edition)),
                            Err(_) => return,
                        };
                        let Some(((order, raw), edition)) = next else {
                            return;
                        };
                        let map = |block| map(&Block { edition, ..block });
                        let result = raw
                            .and_then(|raw| raw.decode(kinds))
                            .map(|block| block.map(map));
                        if result.is_err() {
                            stop.store(true, Ordering::Relaxed);
                        }
                        if send.send((order, result)).is_err() {
                            return;
                        }
                    }
                });
            }
            drop(send);
            let (mut waiting, mut next) = (BTreeMap::new(), 0);
            let mut failed: Option<(u64, ReadError)> = None;
            for (order, result) in receive {
                match result {
                    Ok(found) => {
                        waiting.insert(order, found);
                    }
                    // Of several failures the first of the file is told, whatever came first.
                    Err(e) if failed.as_ref().is_none_or(|(at, _)| order < *at) => {
                        failed = Some((order, e));
                    }
                    Err(_) => {}
                }
                while let Some(found) = waiting.remove(&next) {
                    next += 1;
                    if let (Some(found), None) = (found, &failed) {
                        fold(found);
                    }
                }
                (watch.progress)(watch.stage, done.load(Ordering::Relaxed), total);
            }
            match failed {
                Some((_, e)) => Err(e),
                None if watch.cancel.load(Ordering::Relaxed) => Err(ReadError::Cancelled),
                None => Ok(()),
            }
        })
    }
}

/// The blocks of all files, one after another.
struct Blocks<'a> {
    files: std::vec::IntoIter<&'a Extract>,
    /// Of the file that is open.
    edition: u32,
    open: Option<Open<'a>>,
    next: u64,
    kinds: Kinds,
}

enum Open<'a> {
    Pbf(pbf::Blobs<'a>),
    Xml(Box<xml::Reader>),
    /// Nothing more comes from this file.
    Broken,
}

/// What a worker takes out of the queue.
enum Raw<'a> {
    Blob(pbf::Blob<'a>),
    Block(Box<Block>),
}

impl Raw<'_> {
    fn decode(self, kinds: Kinds) -> Result<Option<Block>, ReadError> {
        match self {
            Raw::Blob(blob) => blob.decode(kinds),
            Raw::Block(block) => Ok(Some(*block)),
        }
    }
}

impl<'a> Blocks<'a> {
    /// The next block with its number; `None` at the end or after a failure.
    fn next(&mut self, done: &AtomicU64) -> Option<(u64, Result<Raw<'a>, ReadError>)> {
        loop {
            let order = self.next;
            let found = match &mut self.open {
                Some(Open::Pbf(blobs)) => blobs.next(self.kinds, done).map(|r| r.map(Raw::Blob)),
                Some(Open::Xml(xml)) => xml
                    .next(self.kinds, done)
                    .map(|r| r.map(|b| Raw::Block(Box::new(b)))),
                Some(Open::Broken) => return None,
                None => None,
            };
            if let Some(found) = found {
                self.next += 1;
                if found.is_err() {
                    self.open = Some(Open::Broken);
                }
                return Some((order, found));
            }
            let file = self.files.next()?;
            self.edition = file.edition;
            let opened = match file.format {
                Format::Pbf => pbf::Blobs::open(file).map(Open::Pbf),
                other => xml::Reader::open(&file.path, other == Format::XmlBzip2)
                    .map(|r| Open::Xml(Box::new(r))),
            };
            match opened {
                Ok(open) => self.open = Some(open),
                Err(e) => {
                    self.open = Some(Open::Broken);
                    self.next += 1;
                    return Some((order, Err(e)));
                }
            }
        }
    }
}

fn recognise(head: &[u8]) -> Result<Format, &'static str> {
    let text = head
        .strip_prefix(b"\xef\xbb\xbf")
        .unwrap_or(head)
        .trim_ascii_start();
    if head.is_empty() {
        Err("the file is empty")
    } else if head.starts_with(b"BZh") {
        Ok(Format::XmlBzip2)
    } else if text.starts_with(b"<") {
        Ok(Format::Xml)
    } else if head.len() >= 15
        && head[..2] == [0, 0]
        && head[4..].windows(9).any(|w| w == b"OSMHeader")
    {
        Ok(Format::Pbf)
    } else if head.starts_with(&[0x1f, 0x8b]) || head.starts_with(b"PK") {
        Err("it is an archive; unpack it first")
    } else {
        Err("its first bytes are of another kind of file")
    }
}

fn file_name(path: &Path) -> String {
    path.file_name()
        .unwrap_or(path.as_os_str())
        .to_string_lossy()
        .into_owned()
}

/// A buffered reader of a whole file.
fn reader(path: &Path) -> Result<impl BufRead + use<>, ReadError> {
    let io = |source| ReadError::Io {
        path: path.into(),
        source,
    };
    Ok(BufReader::with_capacity(
        1 << 18,
        File::open(path).map_err(io)?,
    ))
}

/// `YYYY-MM-DDThh:mm:ssZ` of seconds since 1970 (H. Hinnant's civil-from-days arithmetic).
fn iso_date(seconds: i64) -> String {
    let (days, s) = (seconds.div_euclid(86_400), seconds.rem_euclid(86_400));
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let doe = z.rem_euclid(146_097);
    let yoe = (doe - doe / 1460 + doe / 36_524 - doe / 146_096) / 365;
    let doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
    let mp = (5 * doy + 2) / 153;
    let (day, month) = (
        doy - (153 * mp + 2) / 5 + 1,
        if mp < 10 { mp + 3 } else { mp - 9 },
    );
    let year = yoe + era * 400 + i64::from(month <= 2);
    format!(
        "{year:04}-{month:02}-{day:02}T{:02}:{:02}:{:02}Z",
        s / 3600,
        s / 60 % 60,
        s % 60
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_civil() {
        assert_eq!(iso_date(0), "1970-01-01T00:00:00Z");
        assert_eq!(iso_date(951_782_399), "2000-02-28T23:59:59Z");
        assert_eq!(iso_date(951_782_400), "2000-02-29T00:00:00Z");
        assert_eq!(iso_date(1_735_689_600), "2025-01-01T00:00:00Z");
    }

    #[test]
    fn newest_version_wins_else_the_first() {
        let mut found = vec![
            (7, 1, 'a'),
            (5, 2, 'b'),
            (7, 3, 'c'),
            (5, 2, 'd'),
            (7, 3, 'e'),
        ];
        newest_by_id(&mut found, |f| (f.0, f.1));
        assert_eq!(found, [(5, 2, 'b'), (7, 3, 'c')]);
    }
}
