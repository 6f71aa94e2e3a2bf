//! Finding columns' rows by place: packed R-trees (crate `geo-index`) stored in the region.

use geo_index::rtree::sort::HilbertSort;
use geo_index::rtree::{RTreeBuilder, RTreeIndex, RTreeRef};

use crate::{Point, Region};

/// A box of coordinates, 1e-7 degree, edges included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Bounds {
    /// Western edge.
    pub west_e7: i32,
    /// Southern edge.
    pub south_e7: i32,
    /// Eastern edge.
    pub east_e7: i32,
    /// Northern edge.
    pub north_e7: i32,
}

impl Bounds {
    /// Contains nothing; grows by [`Bounds::include`].
    pub const EMPTY: Bounds = Bounds {
        west_e7: i32::MAX,
        south_e7: i32::MAX,
        east_e7: i32::MIN,
        north_e7: i32::MIN,
    };

    /// Grows to contain a point.
    pub fn include(&mut self, p: Point) {
        self.west_e7 = self.west_e7.min(p.lon_e7);
        self.east_e7 = self.east_e7.max(p.lon_e7);
        self.south_e7 = self.south_e7.min(p.lat_e7);
        self.north_e7 = self.north_e7.max(p.lat_e7);
    }

    /// A box reaching `radius_m` metres beyond a point on every side.
    pub fn around(p: Point, radius_m: f64) -> Self {
        let lat = radius_m / 110_500.0 * 1e7;
        let lon = lat / p.lat().to_radians().cos().max(0.01);
        let clamp = |v: f64, limit: f64| v.clamp(-limit, limit) as i32;
        Bounds {
            west_e7: clamp(f64::from(p.lon_e7) - lon, 1.8e9),
            east_e7: clamp(f64::from(p.lon_e7) + lon, 1.8e9),
            south_e7: clamp(f64::from(p.lat_e7) - lat, 9e8),
            north_e7: clamp(f64::from(p.lat_e7) + lat, 9e8),
        }
    }
}

/// Packs boxes into the bytes of a tree column; no bytes for no boxes. Deterministic.
pub fn pack_tree(boxes: &[Bounds]) -> Vec<u8> {
    if boxes.is_empty() {
        return Vec::new();
    }
    let mut builder = RTreeBuilder::<i32>::new(boxes.len() as u32);
    for b in boxes {
        builder.add(b.west_e7, b.south_e7, b.east_e7, b.north_e7);
    }
    builder.finish::<HilbertSort>().into_inner()
}

fn search(bytes: &[u8], rows: usize, b: Bounds) -> Vec<u32> {
    let Ok(tree) = RTreeRef::<i32>::try_new(&bytes) else {
        return Vec::new();
    };
    let mut found = tree.search(b.west_e7, b.south_e7, b.east_e7, b.north_e7);
    found.retain(|&i| (i as usize) < rows);
    found.sort_unstable();
    found
}

impl Region {
    /// Pieces whose box meets `b`, ascending.
    pub fn pieces_in(&self, b: Bounds) -> Vec<u32> {
        search(self.piece_tree(), self.piece_count() as usize, b)
    }
    /// Pieces of class secondary and above and ferries whose box meets `b`, ascending.
    pub fn major_pieces_in(&self, b: Bounds) -> Vec<u32> {
        let majors = self.major_piece();
        let found = search(self.major_tree(), majors.len(), b);
        found.into_iter().map(|i| majors[i as usize]).collect()
    }
    /// Places in `b`, ascending.
    pub fn places_in(&self, b: Bounds) -> Vec<u32> {
        search(self.place_tree(), self.place_kind().len(), b)
    }
    /// Map features whose box meets `b`, ascending.
    pub fn features_in(&self, b: Bounds) -> Vec<u32> {
        search(self.feature_tree(), self.feature_kind().len(), b)
    }
}
