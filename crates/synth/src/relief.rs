//! The ground: a regular grid of heights in a local metric plane, and its `.hgt` tiles.

use std::io::{self, Write};

/// Local plane: metres east and north of an origin, by the metre lengths of a degree at the
/// origin's latitude (series of the WGS 84 ellipsoid).
///
/// Away from the origin's latitude east-west lengths drift by some 0.02 % per kilometre, which
/// an invented country can bear: gradients and radii are shaped in the plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plane {
    /// Latitude of the origin, degrees.
    pub lat: f64,
    /// Longitude of the origin, degrees.
    pub lon: f64,
    north_m_per_deg: f64,
    east_m_per_deg: f64,
}

impl Plane {
    /// A plane that touches the globe at `lat`, `lon` (degrees).
    pub fn new(lat: f64, lon: f64) -> Self {
        let phi = lat.to_radians();
        // Length of a degree: Snyder, Map Projections: A Working Manual (USGS PP 1395), series
        // of the meridian arc and the parallel, evaluated for WGS 84.
        let north_m_per_deg = 111_132.954 - 559.822 * (2.0 * phi).cos() + 1.175 * (4.0 * phi).cos();
        let east_m_per_deg =
            111_412.84 * phi.cos() - 93.5 * (3.0 * phi).cos() + 0.118 * (5.0 * phi).cos();
        Self {
            lat,
            lon,
            north_m_per_deg,
            east_m_per_deg,
        }
    }

    /// Metres (east, north) to degrees (latitude, longitude).
    pub fn to_lat_lon(&self, east_m: f64, north_m: f64) -> (f64, f64) {
        (
            self.lat + north_m / self.north_m_per_deg,
            self.lon + east_m / self.east_m_per_deg,
        )
    }

    /// Degrees (latitude, longitude) to metres (east, north).
    pub fn to_plane(&self, lat: f64, lon: f64) -> (f64, f64) {
        (
            (lon - self.lon) * self.east_m_per_deg,
            (lat - self.lat) * self.north_m_per_deg,
        )
    }

    /// Metres (east, north) to (latitude, longitude) in 1e-7 degree.
    pub fn to_e7(&self, east_m: f64, north_m: f64) -> (i32, i32) {
        let (lat, lon) = self.to_lat_lon(east_m, north_m);
        ((lat * 1e7).round() as i32, (lon * 1e7).round() as i32)
    }
}

/// Heights on a square grid; row 0 is the southernmost. Sea is at or below zero.
#[derive(Debug, Clone)]
pub struct Relief {
    plane: Plane,
    west_m: f64,
    south_m: f64,
    step_m: f64,
    columns: usize,
    rows: usize,
    heights_m: Vec<f32>,
}

impl Relief {
    /// A grid of `columns` by `rows` posts, `step_m` apart, whose south-west post lies at
    /// (`west_m`, `south_m`) of the plane; `height_m(east_m, north_m)` is asked at every post.
    pub fn sample(
        plane: Plane,
        (west_m, south_m): (f64, f64),
        step_m: f64,
        (columns, rows): (usize, usize),
        height_m: impl Fn(f64, f64) -> f64,
    ) -> Self {
        let mut heights_m = Vec::with_capacity(columns * rows);
        for row in 0..rows {
            for column in 0..columns {
                let east_m = west_m + column as f64 * step_m;
                let north_m = south_m + row as f64 * step_m;
                heights_m.push(height_m(east_m, north_m) as f32);
            }
        }
        Self {
            plane,
            west_m,
            south_m,
            step_m,
            columns,
            rows,
            heights_m,
        }
    }

    /// A grid whose heights are known: `columns * rows` of them, row by row from the south-west.
    pub(crate) fn from_posts(
        plane: Plane,
        (west_m, south_m): (f64, f64),
        step_m: f64,
        (columns, rows): (usize, usize),
        heights_m: Vec<f32>,
    ) -> Self {
        debug_assert_eq!(heights_m.len(), columns * rows);
        Self {
            plane,
            west_m,
            south_m,
            step_m,
            columns,
            rows,
            heights_m,
        }
    }

    /// The plane in which the grid lies.
    pub fn plane(&self) -> Plane {
        self.plane
    }

    /// Height at a point of the plane, bilinear between posts; beyond the rim the rim's height.
    pub fn height_at_m(&self, east_m: f64, north_m: f64) -> f64 {
        if self.columns == 0 || self.rows == 0 {
            return 0.0;
        }
        let x = ((east_m - self.west_m) / self.step_m).clamp(0.0, (self.columns - 1) as f64);
        let y = ((north_m - self.south_m) / self.step_m).clamp(0.0, (self.rows - 1) as f64);
        let (column, row) = (x as usize, y as usize);
        let (fx, fy) = (x - column as f64, y - row as f64);
        let post = |c: usize, r: usize| {
            let at = r.min(self.rows - 1) * self.columns + c.min(self.columns - 1);
            f64::from(self.heights_m[at])
        };
        let south = post(column, row) * (1.0 - fx) + post(column + 1, row) * fx;
        let north = post(column, row + 1) * (1.0 - fx) + post(column + 1, row + 1) * fx;
        south * (1.0 - fy) + north * fy
    }

    /// Height at (latitude, longitude) in degrees.
    pub fn height_at_lat_lon_m(&self, lat: f64, lon: f64) -> f64 {
        let (east_m, north_m) = self.plane.to_plane(lat, lon);
        self.height_at_m(east_m, north_m)
    }

    /// The degree squares that the grid touches.
    pub(crate) fn hgt_tiles(&self) -> Vec<HgtTile> {
        let width_m = self.columns.saturating_sub(1) as f64 * self.step_m;
        let height_m = self.rows.saturating_sub(1) as f64 * self.step_m;
        let (south, west) = self.plane.to_lat_lon(self.west_m, self.south_m);
        let (north, east) = self
            .plane
            .to_lat_lon(self.west_m + width_m, self.south_m + height_m);
        let mut tiles = Vec::new();
        for lat in south.floor() as i32..=north.floor() as i32 {
            for lon in west.floor() as i32..=east.floor() as i32 {
                tiles.push(HgtTile { lat, lon });
            }
        }
        tiles
    }
}

/// One degree square of elevation, named by its south-west corner.
#[derive(Debug, Clone, Copy)]
pub(crate) struct HgtTile {
    lat: i32,
    lon: i32,
}

impl HgtTile {
    /// Posts along one side at 3 arc-seconds; neighbours share their rim.
    const POSTS: usize = 1201;

    /// File name of the SRTM convention, such as `N45W030.hgt`.
    pub(crate) fn name(self) -> String {
        let ns = if self.lat < 0 { 'S' } else { 'N' };
        let ew = if self.lon < 0 { 'W' } else { 'E' };
        format!("{ns}{:02}{ew}{:03}.hgt", self.lat.abs(), self.lon.abs())
    }

    /// Big-endian 16-bit metres, rows from the north. The open sea is 0, as in SRTM.
    pub(crate) fn write(self, relief: &Relief, out: &mut dyn Write) -> io::Result<()> {
        let side = (Self::POSTS - 1) as f64;
        let mut row_bytes = Vec::with_capacity(Self::POSTS * 2);
        for row in 0..Self::POSTS {
            let lat = f64::from(self.lat) + 1.0 - row as f64 / side;
            row_bytes.clear();
            for column in 0..Self::POSTS {
                let lon = f64::from(self.lon) + column as f64 / side;
                let height_m = relief.height_at_lat_lon_m(lat, lon).max(0.0).round() as i16;
                row_bytes.extend_from_slice(&height_m.to_be_bytes());
            }
            out.write_all(&row_bytes)?;
        }
        Ok(())
    }
}
