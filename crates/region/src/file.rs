//! The container: a header, a table of sections, and the sections themselves, 64-byte aligned,
//! each with its own checksum. Knows nothing of roads. All `unsafe` of the project is here.
#![allow(unsafe_code)]

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

use memmap2::Mmap;
use thiserror::Error;
use xxhash_rust::xxh3::xxh3_64;

#[cfg(target_endian = "big")]
compile_error!("region files are little-endian columns read in place");

/// First eight bytes of every region file.
pub const MAGIC: [u8; 8] = *b"LACETRGN";
/// Version of the layout; a reader takes exactly its own.
pub const VERSION: u32 = 4;

const HEADER_LEN: usize = 64;
const ENTRY_LEN: usize = 32;
const ALIGN: usize = 64;
const MAX_SECTIONS: u32 = 1024;

/// Why a region file could not be opened.
#[derive(Debug, Error)]
pub enum OpenError {
    /// The file is missing or unreadable.
    #[error("cannot read region file {path}: {source}")]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The first bytes are not those of a region file.
    #[error("{path} is not a region file; import the map extract again")]
    NotARegion {
        /// The file.
        path: PathBuf,
    },
    /// Written by another version of Lacet.
    #[error(
        "{path} has region format {found}, this program reads {VERSION}; import the map extract again"
    )]
    OtherVersion {
        /// The file.
        path: PathBuf,
        /// Version in the file.
        found: u32,
    },
    /// Truncated, flipped bits, or columns that contradict each other.
    #[error("region file {path} is damaged ({what}); import the map extract again")]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong, in words.
        what: String,
    },
}

/// Why a region file could not be written. Nothing half-written stays behind.
#[derive(Debug, Error)]
#[error("cannot write region file {path}: {source}")]
pub struct WriteError {
    /// The file that was to be written.
    pub path: PathBuf,
    /// What the system said.
    pub source: std::io::Error,
}

#[derive(Clone, Copy)]
struct Section {
    id: u32,
    item_bytes: u32,
    offset: usize,
    bytes: usize,
}

/// A verified, memory-mapped container.
pub struct Container {
    map: Mmap,
    sections: Vec<Section>,
    id: u64,
}

impl Container {
    /// Maps the file and verifies every checksum.
    ///
    /// Region files are replaced by rename and never changed in place, which is what makes the
    /// mapping sound.
    pub fn open(path: &Path) -> Result<Self, OpenError> {
        let io = |source| OpenError::Io {
            path: path.into(),
            source,
        };
        let damaged = |what: &str| OpenError::Damaged {
            path: path.into(),
            what: what.into(),
        };
        let file = File::open(path).map_err(io)?;
        let len = file.metadata().map_err(io)?.len();
        if len < HEADER_LEN as u64 {
            return Err(OpenError::NotARegion { path: path.into() });
        }
        // SAFETY: the mapping is read-only and region files are only ever replaced by rename.
        let map = unsafe { Mmap::map(&file) }.map_err(io)?;
        if map[..8] != MAGIC {
            return Err(OpenError::NotARegion { path: path.into() });
        }
        let found = u32_at(&map, 8);
        if found != VERSION {
            return Err(OpenError::OtherVersion {
                path: path.into(),
                found,
            });
        }
        let count = u32_at(&map, 12);
        let table_end = HEADER_LEN + count as usize * ENTRY_LEN;
        if count > MAX_SECTIONS || table_end > map.len() {
            return Err(damaged("the section table is cut off"));
        }
        if u64_at(&map, 16) != map.len() as u64 {
            return Err(damaged("the file is cut off"));
        }
        if u64_at(&map, 24) != header_hash(&map[..table_end]) {
            return Err(damaged("the section table fails its checksum"));
        }
        let mut sections = Vec::with_capacity(count as usize);
        let mut covered = table_end;
        for at in (HEADER_LEN..table_end).step_by(ENTRY_LEN) {
            let (offset, bytes) = (u64_at(&map, at + 8), u64_at(&map, at + 16));
            let end = offset
                .checked_add(bytes)
                .filter(|&end| end <= map.len() as u64);
            let item_bytes = u32_at(&map, at + 4);
            if end.is_none() || offset % ALIGN as u64 != 0 || (offset as usize) < covered {
                return Err(damaged("a section lies outside the file"));
            }
            if item_bytes == 0 || bytes % u64::from(item_bytes) != 0 {
                return Err(damaged("a section has a broken length"));
            }
            let (offset, bytes) = (offset as usize, bytes as usize);
            // The gap is part of the file too: one flipped bit anywhere must be seen.
            if map[covered..offset].iter().any(|&b| b != 0) {
                return Err(damaged("padding is not empty"));
            }
            if xxh3_64(&map[offset..offset + bytes]) != u64_at(&map, at + 24) {
                return Err(damaged("a section fails its checksum"));
            }
            covered = offset + bytes;
            sections.push(Section {
                id: u32_at(&map, at),
                item_bytes,
                offset,
                bytes,
            });
        }
        if covered != map.len() {
            return Err(damaged("bytes follow the last section"));
        }
        let id = u64_at(&map, 24);
        Ok(Container { map, sections, id })
    }

    /// A hash of the whole content: equal exactly for equal files.
    pub fn id(&self) -> u64 {
        self.id
    }

    /// Length of the file in bytes.
    pub fn len_bytes(&self) -> u64 {
        self.map.len() as u64
    }

    /// Byte range of a section, or `None` if it is absent or its items have another size.
    pub(crate) fn find(&self, id: u32, item_bytes: usize) -> Option<std::ops::Range<usize>> {
        let s = self.sections.iter().find(|s| s.id == id)?;
        (s.item_bytes as usize == item_bytes).then_some(s.offset..s.offset + s.bytes)
    }

    /// The items of a range returned by [`Container::find`].
    pub(crate) fn items<T: bytemuck::AnyBitPattern>(&self, range: &std::ops::Range<usize>) -> &[T] {
        // Offsets are 64-byte aligned and lengths are multiples of the item, both checked on open.
        bytemuck::cast_slice(&self.map[range.clone()])
    }
}

/// Writes sections `(id, item_bytes, bytes)` to `path`: temporary file beside it, flush, rename.
pub fn write(path: &Path, sections: &[(u32, u32, &[u8])]) -> Result<(), WriteError> {
    let err = |source| WriteError {
        path: path.into(),
        source,
    };
    let table_end = HEADER_LEN + sections.len() * ENTRY_LEN;
    let mut head = vec![0u8; table_end];
    head[..8].copy_from_slice(&MAGIC);
    put(&mut head, 8, &VERSION.to_le_bytes());
    put(&mut head, 12, &(sections.len() as u32).to_le_bytes());
    let mut end = table_end;
    for (i, (id, item_bytes, bytes)) in sections.iter().enumerate() {
        let at = HEADER_LEN + i * ENTRY_LEN;
        let offset = end.next_multiple_of(ALIGN);
        put(&mut head, at, &id.to_le_bytes());
        put(&mut head, at + 4, &item_bytes.to_le_bytes());
        put(&mut head, at + 8, &(offset as u64).to_le_bytes());
        put(&mut head, at + 16, &(bytes.len() as u64).to_le_bytes());
        put(&mut head, at + 24, &xxh3_64(bytes).to_le_bytes());
        end = offset + bytes.len();
    }
    put(&mut head, 16, &(end as u64).to_le_bytes());
    let hash = header_hash(&head);
    put(&mut head, 24, &hash.to_le_bytes());

    let dir = path
        .parent()
        .filter(|p| !p.as_os_str().is_empty())
        .unwrap_or(Path::new("."));
    let mut file = tempfile::Builder::new()
        .prefix(".region-")
        .tempfile_in(dir)
        .map_err(err)?;
    let mut written = 0;
    let mut emit = |file: &mut tempfile::NamedTempFile, bytes: &[u8]| -> std::io::Result<()> {
        file.write_all(bytes)?;
        written += bytes.len();
        let gap = written.next_multiple_of(ALIGN) - written;
        if written < end {
            file.write_all(&[0u8; ALIGN][..gap])?;
            written += gap;
        }
        Ok(())
    };
    emit(&mut file, &head).map_err(err)?;
    for (_, _, bytes) in sections {
        emit(&mut file, bytes).map_err(err)?;
    }
    file.as_file().sync_all().map_err(err)?;
    file.persist(path).map_err(|e| err(e.error))?;
    Ok(())
}

/// Hash of header and table with the hash field itself taken as zero.
fn header_hash(head: &[u8]) -> u64 {
    let mut copy = head.to_vec();
    put(&mut copy, 24, &[0; 8]);
    xxh3_64(&copy)
}

fn put(buf: &mut [u8], at: usize, bytes: &[u8]) {
    buf[at..at + bytes.len()].copy_from_slice(bytes);
}

fn u32_at(b: &[u8], at: usize) -> u32 {
    u32::from_le_bytes([b[at], b[at + 1], b[at + 2], b[at + 3]])
}

fn u64_at(b: &[u8], at: usize) -> u64 {
    u64::from(u32_at(b, at)) | u64::from(u32_at(b, at + 4)) << 32
}
