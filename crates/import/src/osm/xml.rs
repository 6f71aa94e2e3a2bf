//! OSM XML 0.6, plain or in bzip2: <https://wiki.openstreetmap.org/wiki/OSM_XML>.

use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use quick_xml::XmlVersion;
use quick_xml::events::{BytesStart, Event};

use super::pbf::history;
use super::{Block, Kinds, MemberKind, MemberRow, ReadError, Row, reader};

/// Elements in a block.
const BLOCK_ELEMENTS: usize = 8000;

/// Date the file states in its root element or its `meta` element, ISO 8601.
pub(super) fn date(path: &Path, bzip2: bool) -> Result<Option<String>, ReadError> {
    let mut reader = Reader::open(path, bzip2)?;
    let mut date = None;
    loop {
        reader.buffer.clear();
        let event = reader.xml.read_event_into(&mut reader.buffer);
        match event.map_err(|e| broken(path, &reader.xml, e))? {
            Event::Start(e) | Event::Empty(e) => match e.name().as_ref() {
                "osm" | "meta" => {
                    let stated = attribute(&e, "timestamp").or_else(|| attribute(&e, "osm_base"));
                    date = date.max(stated.filter(|d| d.len() >= 10 && d.is_ascii()));
                }
                "bounds" | "bound" | "note" => {}
                _ => return Ok(date),
            },
            Event::End(_) | Event::Eof => return Ok(date),
            _ => {}
        }
    }
}

/// Reads a file block by block.
pub(super) struct Reader {
    path: PathBuf,
    xml: quick_xml::Reader<Box<dyn BufRead + Send>>,
    buffer: Vec<u8>,
    bytes_read: Arc<AtomicU64>,
    bytes_told: u64,
    root_seen: bool,
    ended: bool,
}

/// Counts compressed bytes, the measure of progress.
struct Counted<R>(R, Arc<AtomicU64>);

impl<R: Read> Read for Counted<R> {
    fn read(&mut self, buf: &mut [u8]) -> std::io::Result<usize> {
        let n = self.0.read(buf)?;
        self.1.fetch_add(n as u64, Ordering::Relaxed);
        Ok(n)
    }
}

impl Reader {
    pub(super) fn open(path: &Path, bzip2: bool) -> Result<Self, ReadError> {
        let bytes_read = Arc::new(AtomicU64::new(0));
        let file = Counted(reader(path)?, bytes_read.clone());
        let input: Box<dyn BufRead + Send> = if bzip2 {
            let unpacked = bzip2::read::MultiBzDecoder::new(file);
            Box::new(BufReader::with_capacity(1 << 18, unpacked))
        } else {
            Box::new(BufReader::with_capacity(1 << 18, file))
        };
        let xml = quick_xml::Reader::from_reader(input);
        let path = path.into();
        let (buffer, bytes_told, root_seen, ended) = (Vec::new(), 0, false, false);
        Ok(Reader {
            path,
            xml,
            buffer,
            bytes_read,
            bytes_told,
            root_seen,
            ended,
        })
    }

    /// The next block with elements of the wanted kinds; `None` at the end of the file.
    pub(super) fn next(
        &mut self,
        kinds: Kinds,
        done: &AtomicU64,
    ) -> Option<Result<Block, ReadError>> {
        if self.ended {
            return None;
        }
        let block = self.block(kinds);
        let read = self.bytes_read.load(Ordering::Relaxed);
        done.fetch_add(read - self.bytes_told, Ordering::Relaxed);
        self.bytes_told = read;
        Some(block)
    }

    fn block(&mut self, kinds: Kinds) -> Result<Block, ReadError> {
        let mut block = Block::default();
        let mut open = None;
        let mut count = 0;
        while count < BLOCK_ELEMENTS {
            self.buffer.clear();
            let event = self.xml.read_event_into(&mut self.buffer);
            let (e, is_empty) = match event.map_err(|e| broken(&self.path, &self.xml, e))? {
                Event::Start(e) => (e, false),
                Event::Empty(e) => (e, true),
                Event::End(e) => {
                    match e.name().as_ref() {
                        "node" | "way" | "relation" => {
                            if let Some(open) = open.take() {
                                close(&mut block, open);
                                count += 1;
                            }
                        }
                        "osm" => self.ended = true,
                        _ => {}
                    }
                    if self.ended {
                        break;
                    }
                    continue;
                }
                Event::Eof => {
                    let at_byte = self.bytes_read.load(Ordering::Relaxed);
                    return Err(ReadError::Truncated {
                        path: self.path.clone(),
                        at_byte,
                    });
                }
                _ => continue,
            };
            let damaged = |what: &str| ReadError::Damaged {
                path: self.path.clone(),
                what: format!(
                    "{what} near byte {} of the text",
                    self.xml.buffer_position()
                ),
            };
            match (e.name().as_ref(), &mut open) {
                ("osm", _) if !self.root_seen => {
                    self.root_seen = true;
                    if is_empty {
                        self.ended = true;
                        break;
                    }
                }
                (other, _) if !self.root_seen => {
                    let what = format!(
                        "its first element is <{}>",
                        other.chars().take(40).collect::<String>()
                    );
                    return Err(ReadError::Foreign {
                        path: self.path.clone(),
                        what,
                    });
                }
                (name @ ("node" | "way" | "relation"), None) => {
                    let (kind, wanted) = match name {
                        "node" => (MemberKind::Node, Kinds::NODES),
                        "way" => (MemberKind::Way, Kinds::WAYS),
                        _ => (MemberKind::Relation, Kinds::RELATIONS),
                    };
                    if attribute(&e, "visible").is_some_and(|v| v == "false") {
                        return Err(history(&self.path));
                    }
                    if !kinds.meets(wanted) {
                        continue;
                    }
                    let number = |key| attribute(&e, key);
                    let id = number("id").and_then(|v| v.parse().ok());
                    let id = id.ok_or_else(|| damaged("an object has no id"))?;
                    let version = number("version").and_then(|v| v.parse().ok()).unwrap_or(0);
                    let at = if kind == MemberKind::Node {
                        // A node without place, or off the globe, counts as missing.
                        let e7 = |key| {
                            let degrees: Option<f64> = number(key).and_then(|v| v.parse().ok());
                            degrees.map_or(i64::MAX, |d| (d * 1e7).round() as i64)
                        };
                        (e7("lon"), e7("lat"))
                    } else {
                        (0, 0)
                    };
                    let (first_tag, first) = match kind {
                        MemberKind::Relation => (block.pairs.len(), block.members.len()),
                        _ => (block.pairs.len(), block.refs.len()),
                    };
                    let element = OpenElement {
                        kind,
                        id,
                        version,
                        at,
                        first_tag,
                        first,
                    };
                    if is_empty {
                        close(&mut block, element);
                        count += 1;
                    } else {
                        open = Some(element);
                    }
                }
                ("tag", Some(_)) => {
                    if let (Some(k), Some(v)) = (attribute(&e, "k"), attribute(&e, "v")) {
                        let pair = (block.push_string(&k), block.push_string(&v));
                        block.pairs.push(pair);
                    }
                }
                ("nd", Some(o)) if o.kind == MemberKind::Way => {
                    let node = attribute(&e, "ref").and_then(|v| v.parse().ok());
                    block
                        .refs
                        .push(node.ok_or_else(|| damaged("a way has an unreadable node"))?);
                }
                ("member", Some(o)) if o.kind == MemberKind::Relation => {
                    let kind = match attribute(&e, "type").as_deref() {
                        Some("node") => MemberKind::Node,
                        Some("way") => MemberKind::Way,
                        Some("relation") => MemberKind::Relation,
                        _ => return Err(damaged("a relation has an unreadable member")),
                    };
                    let id = attribute(&e, "ref").and_then(|v| v.parse().ok());
                    let id = id.ok_or_else(|| damaged("a relation has an unreadable member"))?;
                    let role = block.push_string(&attribute(&e, "role").unwrap_or_default());
                    block.members.push(MemberRow { kind, id, role });
                }
                _ => {}
            }
        }
        Ok(block)
    }
}

struct OpenElement {
    kind: MemberKind,
    id: i64,
    version: u32,
    at: (i64, i64),
    first_tag: usize,
    first: usize,
}

fn close(block: &mut Block, e: OpenElement) {
    let tags = (e.first_tag as u32, block.pairs.len() as u32);
    let (id, version) = (e.id, e.version);
    match e.kind {
        MemberKind::Node => block.push_node(id, version, e.at, e.first_tag),
        MemberKind::Way => {
            let payload = (e.first as u32, block.refs.len() as u32);
            block.ways.push(Row {
                id,
                version,
                tags,
                payload,
            });
        }
        MemberKind::Relation => {
            let payload = (e.first as u32, block.members.len() as u32);
            block.relations.push(Row {
                id,
                version,
                tags,
                payload,
            });
        }
    }
}

fn attribute(e: &BytesStart, key: &str) -> Option<String> {
    let found = e.try_get_attribute(key).ok()??;
    Some(
        found
            .normalized_value(XmlVersion::Implicit1_0)
            .ok()?
            .into_owned(),
    )
}

fn broken<R>(path: &Path, xml: &quick_xml::Reader<R>, e: quick_xml::Error) -> ReadError {
    let path: PathBuf = path.into();
    let at_byte = xml.buffer_position();
    match e {
        quick_xml::Error::Io(source) if source.kind() == std::io::ErrorKind::UnexpectedEof => {
            ReadError::Truncated { path, at_byte }
        }
        quick_xml::Error::Io(source) if source.kind() == std::io::ErrorKind::InvalidInput => {
            ReadError::Damaged {
                path,
                what: format!("its compression is broken: {source}"),
            }
        }
        quick_xml::Error::Io(source) => ReadError::Io {
            path,
            source: std::io::Error::new(source.kind(), source),
        },
        quick_xml::Error::Syntax(quick_xml::errors::SyntaxError::UnclosedTag) => {
            ReadError::Truncated { path, at_byte }
        }
        e => ReadError::Damaged {
            path,
            what: format!("near byte {at_byte} of the text: {e}"),
        },
    }
}
