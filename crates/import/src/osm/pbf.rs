//! PBF: blobs and the protobuf messages in them, read straight into a [`Block`].
//!
//! Format: <https://wiki.openstreetmap.org/wiki/PBF_Format>; wire encoding:
//! <https://protobuf.dev/programming-guides/encoding/>. Own decoder, because only the fields that
//! matter are decoded, nothing is allocated per element, and no file can make it panic: sums wrap,
//! every slice is checked.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;
use std::sync::atomic::{AtomicU8, AtomicU64, Ordering};

use super::{BlobAt, Block, Extract, Kinds, MemberKind, MemberRow, ReadError, Row, SEEN, iso_date};

/// Limits of the format.
const MAX_BLOB_HEADER_BYTES: u32 = 64 * 1024;
const MAX_BLOB_BYTES: usize = 32 * 1024 * 1024;

/// What opening a PBF tells.
pub(super) struct Index {
    pub(super) blobs: Vec<BlobAt>,
    pub(super) date: Option<String>,
}

/// Reads all blob headers and the file header, without touching the data. A file that was cut off
/// is found here.
pub(super) fn index(path: &Path, len_bytes: u64) -> Result<Index, ReadError> {
    let io = |source| ReadError::Io {
        path: path.into(),
        source,
    };
    let damaged = |what: &str| ReadError::Damaged {
        path: path.into(),
        what: what.into(),
    };
    let truncated = ReadError::Truncated {
        path: path.into(),
        at_byte: len_bytes,
    };
    let mut file = File::open(path).map_err(io)?;
    let (mut blobs, mut date) = (Vec::new(), None);
    let mut at = 0u64;
    while at < len_bytes {
        if at + 4 > len_bytes {
            return Err(truncated);
        }
        let mut len = [0u8; 4];
        file.read_exact(&mut len).map_err(io)?;
        let header_len = u32::from_be_bytes(len);
        if header_len == 0 || header_len > MAX_BLOB_HEADER_BYTES {
            return Err(damaged(&format!("no block begins at byte {at}")));
        }
        if at + 4 + u64::from(header_len) > len_bytes {
            return Err(truncated);
        }
        let mut header = vec![0u8; header_len as usize];
        file.read_exact(&mut header).map_err(io)?;
        let (mut kind, mut size) = (&[][..], None);
        for field in Fields(&header) {
            match field.ok_or_else(|| damaged("a block header is unreadable"))? {
                (1, Value::Bytes(b)) => kind = b,
                (3, Value::Int(n)) => size = Some(n),
                _ => {}
            }
        }
        let size = size
            .filter(|&s| s <= MAX_BLOB_BYTES as u64)
            .ok_or_else(|| damaged("a block is larger than the format allows"))?;
        let offset = at + 4 + u64::from(header_len);
        at = offset + size;
        if at > len_bytes {
            return Err(truncated);
        }
        match kind {
            b"OSMHeader" => {
                let mut blob = vec![0u8; size as usize];
                file.read_exact(&mut blob).map_err(io)?;
                date = date.max(file_header(path, &inflate(path, &blob)?)?);
                continue;
            }
            b"OSMData" => {
                let (len_bytes, holds) = (size as u32, AtomicU8::new(0));
                blobs.push(BlobAt {
                    offset,
                    len_bytes,
                    holds,
                });
            }
            // Other blobs are to be skipped.
            _ => {}
        }
        file.seek(SeekFrom::Start(at)).map_err(io)?;
    }
    Ok(Index { blobs, date })
}

/// Refuses what this reader does not understand; gives the date.
fn file_header(path: &Path, bytes: &[u8]) -> Result<Option<String>, ReadError> {
    let mut date = None;
    for field in Fields(bytes) {
        let damaged = || ReadError::Damaged {
            path: path.into(),
            what: "its header is unreadable".into(),
        };
        match field.ok_or_else(damaged)? {
            (4, Value::Bytes(b"OsmSchema-V0.6" | b"DenseNodes")) => {}
            (4, Value::Bytes(b"HistoricalInformation")) => return Err(history(path)),
            (4, Value::Bytes(feature)) => {
                let feature = String::from_utf8_lossy(feature);
                let what = format!("needs the feature {feature:?}, which is not supported");
                return Err(ReadError::Unsupported {
                    path: path.into(),
                    what,
                });
            }
            (32, Value::Int(seconds)) if (1..1 << 40).contains(&seconds) => {
                date = Some(iso_date(seconds as i64));
            }
            _ => {}
        }
    }
    Ok(date)
}

pub(super) fn history(path: &Path) -> ReadError {
    let what = "is a history file with several states of each object; give an extract of one date";
    ReadError::Unsupported {
        path: path.into(),
        what: what.into(),
    }
}

/// The data blobs of one file that may hold what a pass wants.
pub(super) struct Blobs<'a> {
    extract: &'a Extract,
    file: File,
    next: usize,
}

/// A blob as it stands in the file.
pub(super) struct Blob<'a> {
    path: &'a Path,
    at: &'a BlobAt,
    bytes: Vec<u8>,
}

impl<'a> Blobs<'a> {
    pub(super) fn open(extract: &'a Extract) -> Result<Self, ReadError> {
        let file = File::open(&extract.path).map_err(|source| ReadError::Io {
            path: extract.path.clone(),
            source,
        })?;
        Ok(Blobs {
            extract,
            file,
            next: 0,
        })
    }

    pub(super) fn next(
        &mut self,
        kinds: Kinds,
        done: &AtomicU64,
    ) -> Option<Result<Blob<'a>, ReadError>> {
        loop {
            let at = self.extract.blobs.get(self.next)?;
            self.next += 1;
            done.fetch_add(u64::from(at.len_bytes), Ordering::Relaxed);
            let holds = at.holds.load(Ordering::Relaxed);
            if holds & SEEN != 0 && holds & kinds.0 == 0 {
                continue;
            }
            let mut bytes = vec![0u8; at.len_bytes as usize];
            let read = self
                .file
                .seek(SeekFrom::Start(at.offset))
                .and_then(|_| self.file.read_exact(&mut bytes));
            let path = &self.extract.path;
            return Some(match read {
                Ok(()) => Ok(Blob { path, at, bytes }),
                Err(source) => Err(ReadError::Io {
                    path: path.clone(),
                    source,
                }),
            });
        }
    }
}

impl Blob<'_> {
    /// The elements of the wanted kinds; `None` if there are none.
    pub(super) fn decode(self, kinds: Kinds) -> Result<Option<Block>, ReadError> {
        let bytes = inflate(self.path, &self.bytes)?;
        let broken = || ReadError::Damaged {
            path: self.path.into(),
            what: format!("the block at byte {} is unreadable", self.at.offset),
        };
        let (block, holds) = primitive_block(&bytes, kinds).ok_or_else(broken)??;
        self.at.holds.store(holds.0 | SEEN, Ordering::Relaxed);
        match block {
            Some(block) if block.deleted => Err(history(self.path)),
            Some(block) => Ok(Some(block.block)),
            None => Ok(None),
        }
    }
}

/// Takes a blob out of its compression.
fn inflate(path: &Path, blob: &[u8]) -> Result<Vec<u8>, ReadError> {
    let damaged = |what: &str| ReadError::Damaged {
        path: path.into(),
        what: format!("a block {what}"),
    };
    let unsupported = |how: &str| ReadError::Unsupported {
        path: path.into(),
        what: format!("is compressed with {how}; save it with zlib compression"),
    };
    let (mut size, mut data) = (None, None);
    for field in Fields(blob) {
        match field.ok_or_else(|| damaged("is unreadable"))? {
            (2, Value::Int(n)) => size = Some(n as usize),
            (id @ (1 | 3..=7), Value::Bytes(b)) => data = Some((id, b)),
            _ => {}
        }
    }
    let Some((id, data)) = data else {
        return Err(damaged("is empty"));
    };
    let size = size.unwrap_or(if id == 1 { data.len() } else { MAX_BLOB_BYTES });
    if size > MAX_BLOB_BYTES {
        return Err(damaged("is larger than the format allows"));
    }
    let unpacked = match id {
        1 => data.to_vec(),
        3 => {
            let mut out = Vec::with_capacity(size);
            let mut zlib = flate2::Decompress::new(true);
            match zlib.decompress_vec(data, &mut out, flate2::FlushDecompress::Finish) {
                Ok(flate2::Status::StreamEnd) => out,
                _ => return Err(damaged("fails its checksum")),
            }
        }
        6 => lz4_flex::block::decompress(data, size).map_err(|_| damaged("is unreadable"))?,
        7 => {
            let mut out = Vec::with_capacity(size);
            ruzstd::decoding::StreamingDecoder::new(data)
                .map_err(|_| damaged("is unreadable"))?
                .take(size as u64)
                .read_to_end(&mut out)
                .map_err(|_| damaged("is unreadable"))?;
            out
        }
        4 => return Err(unsupported("LZMA")),
        _ => return Err(unsupported("bzip2")),
    };
    Ok(unpacked)
}

struct Decoded {
    block: Block,
    /// Some element is marked as deleted: a history file.
    deleted: bool,
}

type Outcome = Result<(Option<Decoded>, Kinds), ReadError>;

/// `None` where the bytes contradict the format.
fn primitive_block(bytes: &[u8], kinds: Kinds) -> Option<Outcome> {
    let mut groups = Vec::new();
    let mut strings = &[][..];
    let (mut granularity, mut lat_offset, mut lon_offset) = (100i64, 0i64, 0i64);
    for field in Fields(bytes) {
        match field? {
            (1, Value::Bytes(b)) => strings = b,
            (2, Value::Bytes(b)) => groups.push(b),
            (17, Value::Int(n)) => granularity = n as i64,
            (19, Value::Int(n)) => lat_offset = n as i64,
            (20, Value::Int(n)) => lon_offset = n as i64,
            _ => {}
        }
    }
    let mut holds = Kinds(0);
    for group in &groups {
        for field in Fields(group) {
            holds = holds.with(match field?.0 {
                1 | 2 => Kinds::NODES,
                3 => Kinds::WAYS,
                4 => Kinds::RELATIONS,
                _ => Kinds(0),
            });
        }
    }
    if !holds.meets(kinds) {
        return Some(Ok((None, holds)));
    }
    let mut block = Block::default();
    block.text.reserve(strings.len());
    for field in Fields(strings) {
        if let (1, Value::Bytes(b)) = field? {
            block.push_string(&String::from_utf8_lossy(b));
        }
    }
    let grid = Grid {
        granularity,
        lat_offset,
        lon_offset,
    };
    let mut decoded = Decoded {
        block,
        deleted: false,
    };
    for group in groups {
        for field in Fields(group) {
            match field? {
                (1, Value::Bytes(b)) if kinds.meets(Kinds::NODES) => decoded.node(b, grid)?,
                (2, Value::Bytes(b)) if kinds.meets(Kinds::NODES) => decoded.dense(b, grid)?,
                (3, Value::Bytes(b)) if kinds.meets(Kinds::WAYS) => decoded.way(b)?,
                (4, Value::Bytes(b)) if kinds.meets(Kinds::RELATIONS) => decoded.relation(b)?,
                _ => {}
            }
        }
    }
    Some(Ok((Some(decoded), holds)))
}

#[derive(Clone, Copy)]
struct Grid {
    granularity: i64,
    lat_offset: i64,
    lon_offset: i64,
}

impl Grid {
    /// Longitude and latitude in 1e-7 degree.
    fn place(self, lon: i64, lat: i64) -> (i64, i64) {
        let e7 = |v: i64, offset: i64| {
            let nano = v.wrapping_mul(self.granularity).wrapping_add(offset);
            nano.wrapping_add(50).div_euclid(100)
        };
        (e7(lon, self.lon_offset), e7(lat, self.lat_offset))
    }
}

impl Decoded {
    fn node(&mut self, bytes: &[u8], grid: Grid) -> Option<()> {
        let (mut id, mut lat, mut lon, mut version) = (0, 0, 0, 0);
        let (mut keys, mut values) = (&[][..], &[][..]);
        for field in Fields(bytes) {
            match field? {
                (1, Value::Int(n)) => id = zigzag(n),
                (2, Value::Bytes(b)) => keys = b,
                (3, Value::Bytes(b)) => values = b,
                (4, Value::Bytes(b)) => version = self.info(b)?,
                (8, Value::Int(n)) => lat = zigzag(n),
                (9, Value::Int(n)) => lon = zigzag(n),
                _ => {}
            }
        }
        let (first, _) = self.tags(keys, values)?;
        self.block
            .push_node(id, version, grid.place(lon, lat), first as usize);
        Some(())
    }

    fn dense(&mut self, bytes: &[u8], grid: Grid) -> Option<()> {
        let (mut ids, mut lats, mut lons, mut tags) = (&[][..], &[][..], &[][..], &[][..]);
        let (mut versions, mut visible) = (&[][..], &[][..]);
        for field in Fields(bytes) {
            match field? {
                (1, Value::Bytes(b)) => ids = b,
                (5, Value::Bytes(info)) => {
                    for field in Fields(info) {
                        match field? {
                            (1, Value::Bytes(b)) => versions = b,
                            (6, Value::Bytes(b)) => visible = b,
                            _ => {}
                        }
                    }
                }
                (8, Value::Bytes(b)) => lats = b,
                (9, Value::Bytes(b)) => lons = b,
                (10, Value::Bytes(b)) => tags = b,
                _ => {}
            }
        }
        self.deleted |= visible.contains(&0);
        let (mut id, mut lat, mut lon) = (0i64, 0i64, 0i64);
        while !ids.is_empty() {
            id = id.wrapping_add(zigzag(varint(&mut ids)?));
            lat = lat.wrapping_add(zigzag(varint(&mut lats)?));
            lon = lon.wrapping_add(zigzag(varint(&mut lons)?));
            let version = if versions.is_empty() {
                0
            } else {
                varint(&mut versions)?
            };
            let first = self.block.pairs.len();
            while !tags.is_empty() {
                let key = varint(&mut tags)?;
                if key == 0 {
                    break;
                }
                self.block
                    .pairs
                    .push((key as u32, varint(&mut tags)? as u32));
            }
            self.block
                .push_node(id, version_of(version), grid.place(lon, lat), first);
        }
        Some(())
    }

    fn way(&mut self, bytes: &[u8]) -> Option<()> {
        let (mut id, mut version) = (0, 0);
        let (mut keys, mut values, mut refs) = (&[][..], &[][..], &[][..]);
        for field in Fields(bytes) {
            match field? {
                (1, Value::Int(n)) => id = n as i64,
                (2, Value::Bytes(b)) => keys = b,
                (3, Value::Bytes(b)) => values = b,
                (4, Value::Bytes(b)) => version = self.info(b)?,
                (8, Value::Bytes(b)) => refs = b,
                _ => {}
            }
        }
        let first = self.block.refs.len() as u32;
        let mut node = 0i64;
        while !refs.is_empty() {
            node = node.wrapping_add(zigzag(varint(&mut refs)?));
            self.block.refs.push(node);
        }
        let payload = (first, self.block.refs.len() as u32);
        let tags = self.tags(keys, values)?;
        self.block.ways.push(Row {
            id,
            version,
            tags,
            payload,
        });
        Some(())
    }

    fn relation(&mut self, bytes: &[u8]) -> Option<()> {
        let (mut id, mut version) = (0, 0);
        let (mut keys, mut values) = (&[][..], &[][..]);
        let (mut roles, mut members, mut types) = (&[][..], &[][..], &[][..]);
        for field in Fields(bytes) {
            match field? {
                (1, Value::Int(n)) => id = n as i64,
                (2, Value::Bytes(b)) => keys = b,
                (3, Value::Bytes(b)) => values = b,
                (4, Value::Bytes(b)) => version = self.info(b)?,
                (8, Value::Bytes(b)) => roles = b,
                (9, Value::Bytes(b)) => members = b,
                (10, Value::Bytes(b)) => types = b,
                _ => {}
            }
        }
        let first = self.block.members.len() as u32;
        let mut member = 0i64;
        while !members.is_empty() {
            member = member.wrapping_add(zigzag(varint(&mut members)?));
            let role = varint(&mut roles)? as u32;
            let kind = match varint(&mut types)? {
                0 => MemberKind::Node,
                1 => MemberKind::Way,
                2 => MemberKind::Relation,
                _ => return None,
            };
            self.block.members.push(MemberRow {
                kind,
                id: member,
                role,
            });
        }
        let payload = (first, self.block.members.len() as u32);
        let tags = self.tags(keys, values)?;
        self.block.relations.push(Row {
            id,
            version,
            tags,
            payload,
        });
        Some(())
    }

    fn tags(&mut self, mut keys: &[u8], mut values: &[u8]) -> Option<(u32, u32)> {
        let first = self.block.pairs.len() as u32;
        while !keys.is_empty() {
            self.block
                .pairs
                .push((varint(&mut keys)? as u32, varint(&mut values)? as u32));
        }
        Some((first, self.block.pairs.len() as u32))
    }

    /// Version of an element; notes if it is deleted.
    fn info(&mut self, bytes: &[u8]) -> Option<u32> {
        let mut version = 0;
        for field in Fields(bytes) {
            match field? {
                (1, Value::Int(n)) => version = n,
                (6, Value::Int(n)) => self.deleted |= n == 0,
                _ => {}
            }
        }
        Some(version_of(version))
    }
}

/// -1 means that the file does not say.
fn version_of(version: u64) -> u32 {
    u32::try_from(version).unwrap_or(0)
}

/// A field's value in a protobuf message.
enum Value<'a> {
    Int(u64),
    Bytes(&'a [u8]),
}

/// The fields of a message; `None` once where it is broken.
struct Fields<'a>(&'a [u8]);

impl<'a> Iterator for Fields<'a> {
    type Item = Option<(u64, Value<'a>)>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.0.is_empty() {
            return None;
        }
        let field = self.field();
        if field.is_none() {
            self.0 = &[];
        }
        Some(field)
    }
}

impl<'a> Fields<'a> {
    fn field(&mut self) -> Option<(u64, Value<'a>)> {
        let key = varint(&mut self.0)?;
        let value = match key & 7 {
            0 => Value::Int(varint(&mut self.0)?),
            1 => Value::Bytes(self.split(8)?),
            2 => {
                let len = usize::try_from(varint(&mut self.0)?).ok()?;
                Value::Bytes(self.split(len)?)
            }
            5 => Value::Bytes(self.split(4)?),
            _ => return None,
        };
        Some((key >> 3, value))
    }

    fn split(&mut self, len: usize) -> Option<&'a [u8]> {
        let (head, tail) = self.0.split_at_checked(len)?;
        self.0 = tail;
        Some(head)
    }
}

#[inline]
fn varint(bytes: &mut &[u8]) -> Option<u64> {
    let (&first, rest) = bytes.split_first()?;
    if first < 0x80 {
        *bytes = rest;
        return Some(u64::from(first));
    }
    let (mut value, mut rest) = (u64::from(first & 0x7f), rest);
    for shift in (7..70).step_by(7) {
        let (&byte, tail) = rest.split_first()?;
        rest = tail;
        value |= u64::from(byte & 0x7f).checked_shl(shift).unwrap_or(0);
        if byte < 0x80 {
            *bytes = rest;
            return Some(value);
        }
    }
    None
}

fn zigzag(n: u64) -> i64 {
    (n >> 1) as i64 ^ -((n & 1) as i64)
}
