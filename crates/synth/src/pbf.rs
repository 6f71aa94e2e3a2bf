//! OSM PBF writer: <https://wiki.openstreetmap.org/wiki/PBF_Format>.
//!
//! Written by hand because the few messages needed are small and a writer of our own keeps the
//! bytes stable from one release of a library to the next.

use std::collections::HashMap;
use std::io::{self, Write};

use flate2::Compression;
use flate2::write::ZlibEncoder;

use crate::world::{DATA_TIMESTAMP_S, MemberKind, Node, Relation, Tags, Way, World};

/// Elements in one block, the customary number; blocks stay far below the 16 MiB limit.
const BLOCK_ELEMENTS: usize = 8000;

/// Writes the whole world.
pub(crate) fn write(world: &World, out: &mut dyn Write) -> io::Result<()> {
    blob(out, "OSMHeader", &header(world))?;
    for nodes in world.nodes.chunks(BLOCK_ELEMENTS) {
        blob(
            out,
            "OSMData",
            &block(|strings| (2, dense_nodes(nodes, strings), true)),
        )?;
    }
    for ways in world.ways.chunks(BLOCK_ELEMENTS) {
        let group = |s: &mut Strings| (3, repeated(3, ways, |w| way(w, s)), false);
        blob(out, "OSMData", &block(group))?;
    }
    for relations in world.relations.chunks(BLOCK_ELEMENTS) {
        let group = |s: &mut Strings| (4, repeated(4, relations, |r| relation(r, s)), false);
        blob(out, "OSMData", &block(group))?;
    }
    Ok(())
}

/// Length, `BlobHeader`, `Blob`.
fn blob(out: &mut dyn Write, kind: &str, raw: &[u8]) -> io::Result<()> {
    let mut zlib = ZlibEncoder::new(Vec::new(), Compression::new(6));
    zlib.write_all(raw)?;
    let mut body = Message::default();
    body.uint(2, raw.len() as u64);
    body.bytes(3, &zlib.finish()?);
    let mut head = Message::default();
    head.bytes(1, kind.as_bytes());
    head.uint(3, body.0.len() as u64);
    out.write_all(&(head.0.len() as u32).to_be_bytes())?;
    out.write_all(&head.0)?;
    out.write_all(&body.0)
}

/// `HeaderBlock` with the bounding box in nanodegrees.
fn header(world: &World) -> Vec<u8> {
    let mut message = Message::default();
    if let Some((south, west, north, east)) = world.bounds_e7() {
        let mut bbox = Message::default();
        for (field, e7) in [(1, west), (2, east), (3, north), (4, south)] {
            bbox.sint(field, i64::from(e7) * 100);
        }
        message.bytes(1, &bbox.0);
    }
    message.bytes(4, b"OsmSchema-V0.6");
    message.bytes(4, b"DenseNodes");
    message.bytes(5, b"Sort.Type_then_ID");
    message.bytes(16, b"lacet");
    message.uint(32, DATA_TIMESTAMP_S as u64);
    message.0
}

/// `PrimitiveBlock` with one group. `fill` gives the group's field number, its bytes, and whether
/// they still need the field's own frame (dense nodes) or are already a run of framed elements.
fn block(fill: impl FnOnce(&mut Strings) -> (u32, Vec<u8>, bool)) -> Vec<u8> {
    let mut strings = Strings::default();
    let (field, bytes, unframed) = fill(&mut strings);
    let mut group = Message::default();
    if unframed {
        group.bytes(field, &bytes);
    } else {
        group.0 = bytes;
    }
    let mut table = Message::default();
    for string in &strings.list {
        table.bytes(1, string.as_bytes());
    }
    let mut message = Message::default();
    message.bytes(1, &table.0);
    message.bytes(2, &group.0);
    message.0
}

fn repeated<T>(field: u32, items: &[T], mut encode: impl FnMut(&T) -> Vec<u8>) -> Vec<u8> {
    let mut message = Message::default();
    for item in items {
        message.bytes(field, &encode(item));
    }
    message.0
}

fn dense_nodes(nodes: &[Node], strings: &mut Strings) -> Vec<u8> {
    let mut ids = Message::default();
    let mut lats = Message::default();
    let mut lons = Message::default();
    let mut key_values = Message::default();
    let mut before = (0, 0, 0);
    let tagged = nodes.iter().any(|n| !n.tags.is_empty());
    for node in nodes {
        // With the default granularity of 100 nanodegrees a coordinate is our integer itself.
        let now = (node.id, i64::from(node.lat_e7), i64::from(node.lon_e7));
        ids.varint(zigzag(now.0 - before.0));
        lats.varint(zigzag(now.1 - before.1));
        lons.varint(zigzag(now.2 - before.2));
        before = now;
        for (key, value) in &node.tags {
            key_values.varint(strings.id(key));
            key_values.varint(strings.id(value));
        }
        if tagged {
            key_values.varint(0);
        }
    }
    let mut message = Message::default();
    message.bytes(1, &ids.0);
    message.bytes(8, &lats.0);
    message.bytes(9, &lons.0);
    if tagged {
        message.bytes(10, &key_values.0);
    }
    message.0
}

fn way(way: &Way, strings: &mut Strings) -> Vec<u8> {
    let mut message = Message::default();
    message.uint(1, way.id as u64);
    tags(&mut message, &way.tags, strings);
    let mut refs = Message::default();
    let mut before = 0;
    for &id in &way.refs {
        refs.varint(zigzag(id - before));
        before = id;
    }
    message.bytes(8, &refs.0);
    message.0
}

fn relation(relation: &Relation, strings: &mut Strings) -> Vec<u8> {
    let mut message = Message::default();
    message.uint(1, relation.id as u64);
    tags(&mut message, &relation.tags, strings);
    let mut roles = Message::default();
    let mut ids = Message::default();
    let mut kinds = Message::default();
    let mut before = 0;
    for member in &relation.members {
        roles.varint(strings.id(&member.role));
        ids.varint(zigzag(member.id - before));
        before = member.id;
        kinds.varint(match member.kind {
            MemberKind::Node => 0,
            MemberKind::Way => 1,
            MemberKind::Relation => 2,
        });
    }
    message.bytes(8, &roles.0);
    message.bytes(9, &ids.0);
    message.bytes(10, &kinds.0);
    message.0
}

fn tags(message: &mut Message, tags: &Tags, strings: &mut Strings) {
    let mut keys = Message::default();
    let mut values = Message::default();
    for (key, value) in tags {
        keys.varint(strings.id(key));
        values.varint(strings.id(value));
    }
    if !tags.is_empty() {
        message.bytes(2, &keys.0);
        message.bytes(3, &values.0);
    }
}

/// The string table of a block; index 0 is the empty string, which dense nodes use as a stop.
struct Strings {
    list: Vec<String>,
    ids: HashMap<String, u64>,
}

impl Default for Strings {
    fn default() -> Self {
        Self {
            list: vec![String::new()],
            ids: HashMap::from([(String::new(), 0)]),
        }
    }
}

impl Strings {
    fn id(&mut self, string: &str) -> u64 {
        if let Some(&id) = self.ids.get(string) {
            return id;
        }
        let id = self.list.len() as u64;
        self.list.push(string.to_owned());
        self.ids.insert(string.to_owned(), id);
        id
    }
}

/// A protobuf message under construction.
#[derive(Default)]
struct Message(Vec<u8>);

impl Message {
    fn varint(&mut self, mut value: u64) {
        while value >= 0x80 {
            self.0.push(value as u8 | 0x80);
            value >>= 7;
        }
        self.0.push(value as u8);
    }

    fn uint(&mut self, field: u32, value: u64) {
        self.varint(u64::from(field << 3));
        self.varint(value);
    }

    fn sint(&mut self, field: u32, value: i64) {
        self.uint(field, zigzag(value));
    }

    fn bytes(&mut self, field: u32, bytes: &[u8]) {
        self.varint(u64::from(field << 3 | 2));
        self.varint(bytes.len() as u64);
        self.0.extend_from_slice(bytes);
    }
}

fn zigzag(value: i64) -> u64 {
    ((value << 1) ^ (value >> 63)) as u64
}
