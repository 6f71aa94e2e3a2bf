//! Finding columns' rows by place: packed R-trees (crate `geo-index`) stored in the region.

use geo_index::indices::MutableIndices;
use geo_index::rtree::sort::{Sort, SortParams};
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
    /// The whole globe.
    pub const WORLD: Bounds = Bounds {
        west_e7: -1_800_000_000,
        south_e7: -900_000_000,
        east_e7: 1_800_000_000,
        north_e7: 900_000_000,
    };
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
    builder.finish::<HilbertOrder>().into_inner()
}

/// Boxes along a Hilbert curve by their centres. The library's own order adds and subtracts
/// coordinates as i32, which overflows beyond 107 degrees of longitude.
struct HilbertOrder;

impl Sort<i32> for HilbertOrder {
    fn sort(params: &mut SortParams<i32>, boxes: &mut [i32], indices: &mut MutableIndices) {
        // Twice the centre, counted from the corner of the whole, on a scale of 16 bits.
        let scale = |low: i32, high: i32, min: i32, max: i32| {
            let (min, max) = (i64::from(min), i64::from(max));
            let twice = i64::from(low) + i64::from(high) - 2 * min;
            (twice * 65_535 / (2 * (max - min)).max(1)) as u32
        };
        // Behind the items the slice has room for the nodes above them.
        let rows = boxes.as_chunks::<4>().0[..params.num_items].to_vec();
        let mut order: Vec<(u32, usize)> = rows
            .iter()
            .enumerate()
            .map(|(i, &[west, south, east, north])| {
                let x = scale(west, east, params.min_x, params.max_x);
                let y = scale(south, north, params.min_y, params.max_y);
                (along_hilbert_curve(x, y), i)
            })
            .collect();
        order.sort_unstable();
        for (row, &(_, from)) in boxes.as_chunks_mut::<4>().0.iter_mut().zip(&order) {
            *row = rows[from];
        }
        // Before sorting the items are numbered in the order they were added.
        match indices {
            MutableIndices::U16(ids) => {
                ids.iter_mut()
                    .zip(&order)
                    .for_each(|(id, &(_, from))| *id = from as u16);
            }
            MutableIndices::U32(ids) => {
                ids.iter_mut()
                    .zip(&order)
                    .for_each(|(id, &(_, from))| *id = from as u32);
            }
        }
    }
}

/// Position along the Hilbert curve that fills a square of 2^16 by 2^16.
fn along_hilbert_curve(mut x: u32, mut y: u32) -> u32 {
    let mut along = 0;
    for bit in (0..16).rev() {
        let (right, up) = (x >> bit & 1, y >> bit & 1);
        along = along << 2 | ((3 * right) ^ up);
        // Turn the quadrant so that its curve starts where the one before ended.
        if up == 0 {
            if right == 1 {
                (x, y) = (!x & 0xffff, !y & 0xffff);
            }
            (x, y) = (y, x);
        }
    }
    along
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_curve_visits_neighbours_one_after_another() {
        let mut cells: Vec<(u32, [u32; 2])> = (0..32)
            .flat_map(|x| (0..32).map(move |y| (along_hilbert_curve(x, y), [x, y])))
            .collect();
        cells.sort_unstable();
        assert!(cells.iter().enumerate().all(|(i, c)| c.0 == i as u32));
        let steps = cells.windows(2).map(|w| {
            let ([ax, ay], [bx, by]) = (w[0].1, w[1].1);
            ax.abs_diff(bx) + ay.abs_diff(by)
        });
        assert!(steps.into_iter().all(|step| step == 1));
    }

    #[test]
    fn boxes_are_found_all_around_the_globe() {
        // Both sides of the antimeridian and of the equator.
        let boxes: Vec<Bounds> = (0..40_000)
            .map(|i: i64| {
                let west_e7 = (-1_800_000_000 + (i % 400) * 8_990_000) as i32;
                let south_e7 = (-900_000_000 + (i / 400) * 17_900_000) as i32;
                let (east_e7, north_e7) = (west_e7 + 1_000_000, south_e7 + 1_000_000);
                Bounds {
                    west_e7,
                    south_e7,
                    east_e7,
                    north_e7,
                }
            })
            .collect();
        let tree = pack_tree(&boxes);
        for window in boxes.iter().step_by(1_237) {
            let meets = |b: &Bounds| {
                b.west_e7 <= window.east_e7
                    && b.east_e7 >= window.west_e7
                    && b.south_e7 <= window.north_e7
                    && b.north_e7 >= window.south_e7
            };
            let want: Vec<u32> = (0..boxes.len())
                .filter(|&i| meets(&boxes[i]))
                .map(|i| i as u32)
                .collect();
            assert_eq!(search(&tree, boxes.len(), *window), want);
        }
    }
}
