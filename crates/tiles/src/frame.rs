//! One tile as a window on the world: which coordinates it covers and where they fall in it.

use region::{Bounds, Point};

use crate::TileError;
use crate::clip::Window;

/// Units along a tile's side.
pub const EXTENT: i32 = 4096;
/// Units beyond each side that lines and areas are kept in.
pub const BUFFER: i32 = 64;
/// Deepest zoom that is cut; beyond it the page enlarges.
pub const MAX_ZOOM: u8 = 16;

/// Full circle, 1e-7 degree.
const TURN_E7: i64 = 3_600_000_000;
/// The latitude where web mercator's square world ends, 1e-7 degree.
const LAST_LAT_E7: i64 = 850_511_287;

/// A position in unwrapped coordinates, 1e-7 degree: longitude may pass ±180° so that a line
/// across the antimeridian stays in one piece.
pub(crate) type Spot = [i64; 2];

/// One tile and its place in the world.
pub(crate) struct Frame {
    pub z: u8,
    origin: [f64; 2],
    /// Tile units around the equator.
    world: f64,
    /// The tile with its buffer, unwrapped, somewhat enlarged: west, south, east, north.
    reach: [i64; 4],
}

impl Frame {
    pub fn new(z: u8, x: u32, y: u32) -> Result<Self, TileError> {
        let side = if z <= MAX_ZOOM { 1u32 << z } else { 0 };
        if x >= side || y >= side {
            return Err(TileError::OutOfRange { z, x, y });
        }
        let world = f64::from(side) * f64::from(EXTENT);
        let origin = [
            f64::from(x) * f64::from(EXTENT),
            f64::from(y) * f64::from(EXTENT),
        ];
        let margin = f64::from(BUFFER) + 2.0;
        let lon = |units: f64| ((units / world - 0.5) * TURN_E7 as f64).round() as i64;
        let lat = |units: f64| {
            let y = std::f64::consts::PI * (1.0 - 2.0 * units / world);
            (y.sinh().atan().to_degrees() * 1e7).round() as i64
        };
        let far = f64::from(EXTENT) + margin;
        let mut reach = [
            lon(origin[0] - margin),
            lat(origin[1] + far),
            lon(origin[0] + far),
            lat(origin[1] - margin),
        ];
        // The last row and the first one reach to the poles.
        reach[1] = if y + 1 == side { -TURN_E7 } else { reach[1] };
        reach[3] = if y == 0 { TURN_E7 } else { reach[3] };
        Ok(Frame {
            z,
            origin,
            world,
            reach,
        })
    }

    /// Where to search a region: the tile with its buffer and `beyond` more tile units, cut at the
    /// antimeridian.
    fn searches(&self, beyond: i32) -> Vec<Bounds> {
        let [west, south, east, north] = self.reach;
        let lon = (f64::from(beyond) / self.world * TURN_E7 as f64) as i64;
        // A degree of latitude is never shorter on the map than one of longitude.
        let (west, south, east, north) = (west - lon, south - lon, east + lon, north + lon);
        let half = TURN_E7 / 2;
        let (south, north) = (
            south.max(-900_000_000) as i32,
            north.min(900_000_000) as i32,
        );
        [-TURN_E7, 0, TURN_E7]
            .into_iter()
            .map(|shift| ((west + shift).max(-half), (east + shift).min(half)))
            .filter(|(west, east)| west <= east)
            .map(|(west, east)| Bounds {
                west_e7: west as i32,
                south_e7: south,
                east_e7: east as i32,
                north_e7: north,
            })
            .collect()
    }

    /// Rows found by `find` in the tile and its buffer, ascending, each once.
    pub fn find(&self, find: impl Fn(Bounds) -> Vec<u32>) -> Vec<u32> {
        self.find_beyond(0, find)
    }

    /// The same with `beyond` more tile units around.
    pub fn find_beyond(&self, beyond: i32, find: impl Fn(Bounds) -> Vec<u32>) -> Vec<u32> {
        let searches = self.searches(beyond);
        let mut rows: Vec<u32> = searches.iter().flat_map(|&b| find(b)).collect();
        if searches.len() > 1 {
            rows.sort_unstable();
            rows.dedup();
        }
        rows
    }

    /// Calls `draw` with the part of a path that matters here, in whole tile units; once for each
    /// turn of the world in which the path comes near the tile. `path` must be unwrapped.
    ///
    /// Points that lie, with both neighbours, beyond one side of the tile change nothing of what
    /// is seen and are left out before they are projected, so that a long coast costs little.
    pub fn near(&self, path: &[Spot], mut draw: impl FnMut(&[[i32; 2]])) {
        let [west, south, east, north] = self.reach;
        let (min, max) = path
            .iter()
            .fold((i64::MAX, i64::MIN), |(a, b), p| (a.min(p[0]), b.max(p[0])));
        let mut units: Vec<[i32; 2]> = Vec::new();
        for shift in [-TURN_E7, 0, TURN_E7] {
            if max.saturating_add(shift) < west || min.saturating_add(shift) > east {
                continue;
            }
            let side = |p: &Spot| {
                let x = p[0] + shift;
                u8::from(x < west)
                    | u8::from(x > east) << 1
                    | u8::from(p[1] < south) << 2
                    | u8::from(p[1] > north) << 3
            };
            units.clear();
            let mut kept_side = 0;
            for (i, p) in path.iter().enumerate() {
                let s = side(p);
                let next_side = path.get(i + 1).map_or(0, side);
                if i > 0 && kept_side & s & next_side != 0 {
                    continue;
                }
                kept_side = s;
                let unit = self.project([p[0] + shift, p[1]]);
                if units.last() != Some(&unit) {
                    units.push(unit);
                }
            }
            draw(&units);
        }
    }

    /// The tile units of a position. Rounded before anything is cut, so that the tiles that share
    /// a vertex agree on it.
    fn project(&self, [lon_e7, lat_e7]: Spot) -> [i32; 2] {
        let x = (lon_e7 as f64 / TURN_E7 as f64 + 0.5) * self.world;
        let sin = (lat_e7.clamp(-LAST_LAT_E7, LAST_LAT_E7) as f64 / 1e7)
            .to_radians()
            .sin();
        let y = (0.5 - sin.atanh() / (2.0 * std::f64::consts::PI)) * self.world;
        // At most 2^28 units from side to side, three turns of the world: fits an i32.
        [
            (x.round() - self.origin[0]) as i32,
            (y.round() - self.origin[1]) as i32,
        ]
    }

    /// The tile units of a point, if it falls in this tile and no other.
    pub fn place(&self, p: Point) -> Option<[i32; 2]> {
        let lon = (i64::from(p.lon_e7) + TURN_E7 / 2).rem_euclid(TURN_E7) - TURN_E7 / 2;
        let [x, y] = self.project([lon, i64::from(p.lat_e7)]);
        // A point in the last half unit before the antimeridian rounds onto it.
        let x = if f64::from(x) + self.origin[0] >= self.world {
            x - self.world as i32
        } else {
            x
        };
        let last = f64::from(y) + self.origin[1] >= self.world;
        let y = if last { y - 1 } else { y };
        ((0..EXTENT).contains(&x) && (0..EXTENT).contains(&y)).then_some([x, y])
    }

    /// The window lines and areas are cut to.
    pub fn window(&self) -> Window {
        Window {
            min: -BUFFER,
            max: EXTENT + BUFFER,
        }
    }

    /// Metres on the ground a tile unit is long in the middle of the tile.
    pub fn unit_m(&self) -> f64 {
        const EQUATOR_M: f64 = 40_075_016.7;
        let [_, lat_deg] = self.lon_lat_deg(0.0, f64::from(EXTENT) / 2.0);
        EQUATOR_M / self.world * lat_deg.to_radians().cos()
    }

    /// Degrees of longitude and latitude at a position in the tile, in tile units.
    pub fn lon_lat_deg(&self, x: f64, y: f64) -> [f64; 2] {
        let lon = ((self.origin[0] + x) / self.world - 0.5) * 360.0;
        let mercator = std::f64::consts::PI * (1.0 - 2.0 * (self.origin[1] + y) / self.world);
        [lon, mercator.sinh().atan().to_degrees()]
    }
}

/// Appends a point to a path, on the near side of the antimeridian to the point before it.
pub(crate) fn push_unwrapped(path: &mut Vec<Spot>, p: Point) {
    let mut lon = i64::from(p.lon_e7);
    if let Some(before) = path.last() {
        let turns = (before[0] - lon + TURN_E7 / 2).div_euclid(TURN_E7);
        lon += turns * TURN_E7;
    }
    path.push([lon, i64::from(p.lat_e7)]);
}
