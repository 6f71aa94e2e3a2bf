//! The map in memory: OSM nodes, ways and relations, and the relief under them.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::relief::Relief;

/// Tags of one element, in the order they are written.
pub type Tags = Vec<(String, String)>;

/// Seconds since 1970 written as the data date of every file: 2025-01-01T00:00:00Z.
/// Fixed, so that equal worlds give equal bytes.
pub const DATA_TIMESTAMP_S: i64 = 1_735_689_600;

/// A point of the map. Coordinates are integers of 1e-7 degree, the grain of OSM.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Node {
    /// OSM id, unique among nodes.
    pub id: i64,
    /// Latitude north, 1e-7 degree.
    pub lat_e7: i32,
    /// Longitude east, 1e-7 degree.
    pub lon_e7: i32,
    /// Tags; empty for mere shape points.
    pub tags: Tags,
}

impl Node {
    /// (latitude, longitude) in degrees.
    pub fn lat_lon(&self) -> (f64, f64) {
        (f64::from(self.lat_e7) * 1e-7, f64::from(self.lon_e7) * 1e-7)
    }
}

/// A line or ring of nodes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Way {
    /// OSM id, unique among ways.
    pub id: i64,
    /// Node ids in order; a ring repeats its first id at the end.
    pub refs: Vec<i64>,
    /// Tags.
    pub tags: Tags,
}

/// What a relation member points at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MemberKind {
    /// A node.
    Node,
    /// A way.
    Way,
    /// Another relation.
    Relation,
}

/// One member of a relation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Member {
    /// Kind of the element.
    pub kind: MemberKind,
    /// Id of the element.
    pub id: i64,
    /// Role, such as `from`, `via`, `outer`; may be empty.
    pub role: String,
}

/// A group of elements: a turn restriction, an area with holes, a border.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Relation {
    /// OSM id, unique among relations.
    pub id: i64,
    /// Members in order.
    pub members: Vec<Member>,
    /// Tags.
    pub tags: Tags,
}

/// A whole map. Elements are sorted by id within their kind.
#[derive(Debug, Clone, Default)]
pub struct World {
    /// All nodes, ascending ids.
    pub nodes: Vec<Node>,
    /// All ways, ascending ids.
    pub ways: Vec<Way>,
    /// All relations, ascending ids.
    pub relations: Vec<Relation>,
    /// The ground, where there is one.
    pub relief: Option<Relief>,
    /// Node ids by letter, for worlds drawn with [`crate::ascii`].
    pub letters: BTreeMap<char, i64>,
}

/// A file of the world could not be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The disk or the path refused.
    #[error("writing {path}: {source}", path = path.display())]
    Io {
        /// File in question.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The world was made without relief, so there is no elevation to write.
    #[error("writing elevation tiles: this world has no relief")]
    NoRelief,
}

impl World {
    /// The node with this id.
    pub fn node(&self, id: i64) -> Option<&Node> {
        let at = self.nodes.binary_search_by_key(&id, |n| n.id).ok()?;
        self.nodes.get(at)
    }

    /// The way with this id.
    pub fn way(&self, id: i64) -> Option<&Way> {
        let at = self.ways.binary_search_by_key(&id, |w| w.id).ok()?;
        self.ways.get(at)
    }

    /// (latitude, longitude) in degrees of a junction drawn as a letter.
    pub fn lat_lon(&self, letter: char) -> Option<(f64, f64)> {
        Some(self.node(*self.letters.get(&letter)?)?.lat_lon())
    }

    /// Id of the way that holds the stretch between two neighbouring letters, in either direction.
    pub fn way_id(&self, stretch: &str) -> Option<i64> {
        let mut letters = stretch.chars();
        let a = *self.letters.get(&letters.next()?)?;
        let b = *self.letters.get(&letters.next()?)?;
        let named = |id: &i64| self.letters.values().any(|l| l == id);
        let holds = |w: &Way| {
            let stops: Vec<i64> = w.refs.iter().copied().filter(|r| named(r)).collect();
            stops.windows(2).any(|p| p == [a, b] || p == [b, a])
        };
        self.ways.iter().find(|w| holds(w)).map(|w| w.id)
    }

    /// (south, west, north, east) of all nodes in 1e-7 degree; `None` for an empty world.
    pub fn bounds_e7(&self) -> Option<(i32, i32, i32, i32)> {
        let first = self.nodes.first()?;
        let start = (first.lat_e7, first.lon_e7, first.lat_e7, first.lon_e7);
        Some(self.nodes.iter().fold(start, |(s, w, n, e), node| {
            (
                s.min(node.lat_e7),
                w.min(node.lon_e7),
                n.max(node.lat_e7),
                e.max(node.lon_e7),
            )
        }))
    }

    /// Writes the map as `.osm.pbf`: dense nodes, zlib blobs, sorted. Same world, same bytes.
    /// The file appears under its name only when it is complete.
    pub fn write_pbf(&self, path: &Path) -> Result<(), WriteError> {
        write_whole(path, |out| crate::pbf::write(self, out))
    }

    /// Writes the map as OSM XML 0.6.
    /// The file appears under its name only when it is complete.
    pub fn write_xml(&self, path: &Path) -> Result<(), WriteError> {
        write_whole(path, |out| crate::xml::write(self, out))
    }

    /// Writes the relief as `.hgt` tiles of 3 arc-seconds into `dir`, one for each degree square
    /// that the relief touches, and returns their paths, sorted. The directory must exist.
    pub fn write_hgt(&self, dir: &Path) -> Result<Vec<PathBuf>, WriteError> {
        let relief = self.relief.as_ref().ok_or(WriteError::NoRelief)?;
        let tiles = relief.hgt_tiles();
        let mut paths = Vec::new();
        for tile in tiles {
            let path = dir.join(tile.name());
            write_whole(&path, |out| tile.write(relief, out))?;
            paths.push(path);
        }
        paths.sort();
        Ok(paths)
    }
}

/// Writes to a neighbour file and renames it, so that no half file is ever seen.
fn write_whole(
    path: &Path,
    fill: impl FnOnce(&mut dyn std::io::Write) -> std::io::Result<()>,
) -> Result<(), WriteError> {
    let fail = |source| WriteError::Io {
        path: path.to_owned(),
        source,
    };
    let mut partial = path.as_os_str().to_owned();
    partial.push(".partial");
    let partial = PathBuf::from(partial);
    let attempt = || -> std::io::Result<()> {
        let mut out = std::io::BufWriter::new(std::fs::File::create(&partial)?);
        fill(&mut out)?;
        out.into_inner()
            .map_err(std::io::IntoInnerError::into_error)?
            .sync_all()?;
        std::fs::rename(&partial, path)
    };
    attempt().map_err(|source| {
        // The first error is the one worth telling; a leftover neighbour is harmless.
        let _ = std::fs::remove_file(&partial);
        fail(source)
    })
}
