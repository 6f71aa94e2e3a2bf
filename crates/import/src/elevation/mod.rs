//! Heights of the ground from elevation rasters: SRTM tiles (`.hgt`) and GeoTIFF in EPSG:4326.
//!
//! Files are opened by their headers only; samples are read a block at a time as they are asked
//! for and kept in a cache of fixed size, so any number of tiles of any size can be given.

mod geotiff;
mod hgt;
mod raster;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};

use region::{Bounds, HeightGrid, NO_CELL, Point};

use raster::{Cache, Raster};

/// Cells a [`HeightGrid`] may have; beyond, its step is made coarser.
const MAX_CELLS: u64 = 36_000_000;
/// How many cells away the ground around a void is looked for.
const FILL_REACH: i64 = 16;
/// Of eight directions, in how many there must be ground for a void to count as surrounded.
const FILL_SIDES: usize = 6;
/// A second raster whose cells are up to so many times larger is better than filling a void.
const FILL_RATHER_THAN_STEP: f64 = 4.0;

/// What went wrong with an elevation file.
#[derive(Debug, thiserror::Error)]
pub enum ElevationError {
    /// The file system refused.
    #[error("cannot read elevation {}: {source}", path.display())]
    Read {
        /// The file or folder.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The name says nothing known.
    #[error("{} is not an elevation file: give .hgt, .tif or .tiff, or a folder of them", path.display())]
    NotElevation {
        /// The file.
        path: PathBuf,
    },
    /// Nothing to read in a folder.
    #[error("folder {} holds no elevation files (.hgt, .tif, .tiff)", path.display())]
    EmptyFolder {
        /// The folder.
        path: PathBuf,
    },
    /// An SRTM tile whose name does not say where it lies.
    #[error("cannot place elevation tile {}: its name must begin like N47E009", path.display())]
    TileName {
        /// The file.
        path: PathBuf,
    },
    /// An SRTM tile of the wrong length.
    #[error(
        "elevation tile {} has {bytes} bytes, neither 2884802 (3\") nor 25934402 (1\"): it is cut short or no SRTM tile",
        path.display()
    )]
    TileSize {
        /// The file.
        path: PathBuf,
        /// Its length.
        bytes: u64,
    },
    /// The TIFF structure is broken or uses an unknown compression.
    #[error("cannot decode elevation {}: {source}", path.display())]
    Decode {
        /// The file.
        path: PathBuf,
        /// Why.
        source: tiff::TiffError,
    },
    /// Coordinates in another system than longitude and latitude on WGS 84.
    #[error(
        "elevation {} is in {crs}, but only EPSG:4326 (longitude and latitude, WGS 84) is read: reproject it first",
        path.display()
    )]
    OtherCrs {
        /// The file.
        path: PathBuf,
        /// The system by code or name.
        crs: String,
    },
    /// Coordinates in an unnamed system.
    #[error(
        "elevation {} does not name its coordinate system (no GeoTIFF keys): only EPSG:4326 is read",
        path.display()
    )]
    NoCrs {
        /// The file.
        path: PathBuf,
    },
    /// A well-formed raster that cannot serve as heights.
    #[error("cannot use elevation {}: {what}", path.display())]
    Unusable {
        /// The file.
        path: PathBuf,
        /// Why.
        what: String,
    },
    /// The caller cancelled.
    #[error("reading elevation was cancelled")]
    Cancelled,
}

/// Height of the ground at a point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Height {
    /// Above sea level as the source has it, metres.
    pub height_m: f64,
    /// Interpolated over a void of the source.
    pub filled: bool,
}

/// All elevation files of an import, finest first.
pub struct Heights {
    rasters: Vec<Raster>,
    cache: Mutex<Cache>,
}

impl Heights {
    /// Opens files and folders (searched with their subfolders). Only headers are read.
    pub fn open(paths: &[PathBuf]) -> Result<Self, ElevationError> {
        let mut files = BTreeSet::new();
        for path in paths {
            if path.is_dir() {
                let before = files.len();
                list(path, &mut files)?;
                if files.len() == before {
                    return Err(ElevationError::EmptyFolder { path: path.clone() });
                }
            } else {
                files.insert(path.clone());
            }
        }
        let mut rasters = Vec::new();
        for path in files {
            rasters.push(match kind(&path) {
                Some(Kind::Hgt) => hgt::open(&path)?,
                Some(Kind::Tiff) => geotiff::open(&path)?,
                None => return Err(ElevationError::NotElevation { path }),
            });
        }
        // Stable: equally fine rasters stay in the order of their names.
        rasters.sort_by(|a, b| a.grid.step_lat_deg.total_cmp(&b.grid.step_lat_deg));
        let cache = Mutex::new(Cache::new(&rasters));
        Ok(Heights { rasters, cache })
    }

    /// Whether there is no elevation at all.
    pub fn is_empty(&self) -> bool {
        self.rasters.is_empty()
    }

    /// Height at a point, bilinear between the four cells around it (at the finest raster that
    /// knows it); `None` where no raster does.
    pub fn at(&self, p: Point) -> Result<Option<Height>, ElevationError> {
        self.find(&mut self.lock(), p.lon(), p.lat())
    }

    /// Heights at many points, in their order. Reads each part of a raster about once,
    /// whatever the order of the points.
    pub fn at_all(&self, points: &[Point]) -> Result<Vec<Option<Height>>, ElevationError> {
        const BAND_E7: i32 = 500_000;
        let mut order: Vec<u32> = (0..points.len() as u32).collect();
        order.sort_by_key(|&i| {
            let p = points[i as usize];
            (p.lat_e7.div_euclid(BAND_E7), p.lon_e7, p.lat_e7)
        });
        let mut heights = vec![None; points.len()];
        let mut cache = self.lock();
        for i in order {
            let p = points[i as usize];
            heights[i as usize] = self.find(&mut cache, p.lon(), p.lat())?;
        }
        Ok(heights)
    }

    /// A grid of whole metres over the part of `bounds` that has elevation, for relief shading:
    /// at the step of the finest raster there, or a multiple of it where that were more than 36
    /// million cells. `None` where there is no elevation.
    pub fn grid(
        &self,
        bounds: Bounds,
        progress: &dyn Fn(u64, u64),
        cancel: &AtomicBool,
    ) -> Result<Option<(HeightGrid, Vec<i16>)>, ElevationError> {
        let Some(grid) = self.lay_grid(bounds) else {
            return Ok(None);
        };
        let (columns, rows) = (grid.columns as usize, grid.rows as usize);
        let mut cells = Vec::with_capacity(columns * rows);
        let mut cache = self.lock();
        for row in 0..rows {
            if cancel.load(Ordering::Relaxed) {
                return Err(ElevationError::Cancelled);
            }
            let lat = grid.north_deg - row as f64 * grid.step_lat_deg;
            for column in 0..columns {
                let lon = grid.west_deg + column as f64 * grid.step_lon_deg;
                let height = self.find(&mut cache, lon, lat)?;
                cells.push(height.map_or(NO_CELL, |h| {
                    h.height_m
                        .round()
                        .clamp(f64::from(NO_CELL) + 1.0, f64::from(i16::MAX))
                        as i16
                }));
            }
            progress(row as u64 + 1, rows as u64);
        }
        if cells.iter().all(|&c| c == NO_CELL) {
            return Ok(None);
        }
        Ok(Some((grid, cells)))
    }

    /// The grid of [`Heights::grid`], on the cells of the finest raster that meets the bounds.
    fn lay_grid(&self, bounds: Bounds) -> Option<HeightGrid> {
        let deg = |e7: i32| f64::from(e7) / 1e7;
        let asked = [
            deg(bounds.west_e7),
            deg(bounds.south_e7),
            deg(bounds.east_e7),
            deg(bounds.north_e7),
        ];
        let mut finest: Option<&HeightGrid> = None;
        let mut covered = [f64::MAX, f64::MAX, f64::MIN, f64::MIN];
        for raster in &self.rasters {
            let [w, s, e, n] = raster.box_deg();
            let part = [
                w.max(asked[0]),
                s.max(asked[1]),
                e.min(asked[2]),
                n.min(asked[3]),
            ];
            if part[0] >= part[2] || part[1] >= part[3] {
                continue;
            }
            finest = finest.or(Some(&raster.grid));
            covered = [
                covered[0].min(part[0]),
                covered[1].min(part[1]),
                covered[2].max(part[2]),
                covered[3].max(part[3]),
            ];
        }
        let finest = finest?;
        for multiple in 1u32.. {
            let step_lon_deg = finest.step_lon_deg * f64::from(multiple);
            let step_lat_deg = finest.step_lat_deg * f64::from(multiple);
            // On the raster's own cells, so that its heights come through unblurred.
            let first = ((covered[0] - finest.west_deg) / step_lon_deg - 1e-6).ceil();
            let last = ((covered[2] - finest.west_deg) / step_lon_deg + 1e-6).floor();
            let top = ((finest.north_deg - covered[3]) / step_lat_deg - 1e-6).ceil();
            let bottom = ((finest.north_deg - covered[1]) / step_lat_deg + 1e-6).floor();
            if last < first || bottom < top {
                return None;
            }
            let (columns, rows) = ((last - first) as u64 + 1, (bottom - top) as u64 + 1);
            if columns.saturating_mul(rows) <= MAX_CELLS {
                return Some(HeightGrid {
                    west_deg: finest.west_deg + first * step_lon_deg,
                    north_deg: finest.north_deg - top * step_lat_deg,
                    step_lon_deg,
                    step_lat_deg,
                    columns: columns as u32,
                    rows: rows as u32,
                });
            }
        }
        None
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Cache> {
        // A panic elsewhere cannot leave the cache half-changed in a way that matters.
        self.cache.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn find(
        &self,
        cache: &mut Cache,
        lon: f64,
        lat: f64,
    ) -> Result<Option<Height>, ElevationError> {
        let mut voids: Vec<(usize, f64, f64)> = Vec::new();
        let mut finest_deg = None;
        for (id, raster) in self.rasters.iter().enumerate() {
            let Some((column, row)) = raster.cell(lon, lat) else {
                continue;
            };
            let step = raster.grid.step_lat_deg;
            // Better a filled void than a height from very coarse cells.
            if step > *finest_deg.get_or_insert(step) * FILL_RATHER_THAN_STEP
                && let Some(height) = self.fill_first(cache, &voids)?
            {
                return Ok(Some(height));
            }
            if let Some(height_m) = self.bilinear(cache, id, column, row, false)? {
                return Ok(Some(Height {
                    height_m,
                    filled: false,
                }));
            }
            voids.push((id, column, row));
        }
        self.fill_first(cache, &voids)
    }

    fn fill_first(
        &self,
        cache: &mut Cache,
        voids: &[(usize, f64, f64)],
    ) -> Result<Option<Height>, ElevationError> {
        for &(id, column, row) in voids {
            if let Some(height_m) = self.bilinear(cache, id, column, row, true)? {
                return Ok(Some(Height {
                    height_m,
                    filled: true,
                }));
            }
        }
        Ok(None)
    }

    /// Bilinear between cell centres; `None` if a cell with weight is void (and, if `fill`, lies
    /// in too large a void to be filled).
    fn bilinear(
        &self,
        cache: &mut Cache,
        id: usize,
        column: f64,
        row: f64,
        fill: bool,
    ) -> Result<Option<f64>, ElevationError> {
        let (x, y) = (snap(column), snap(row));
        let (c, r) = (x.floor() as i64, y.floor() as i64);
        let (fx, fy) = (x - x.floor(), y - y.floor());
        let (mut sum, mut weights) = (0.0, 0.0);
        for (dc, dr, weight) in [
            (0, 0, (1.0 - fx) * (1.0 - fy)),
            (1, 0, fx * (1.0 - fy)),
            (0, 1, (1.0 - fx) * fy),
            (1, 1, fx * fy),
        ] {
            if weight == 0.0 {
                continue;
            }
            let value = match self.cell(cache, id, c + dc, r + dr)? {
                Cell::Height(v) => Some(f64::from(v)),
                Cell::Void if fill => self.fill(cache, id, c + dc, r + dr)?,
                Cell::Void => None,
                // The outermost half cell of the whole coverage: the cells that exist decide.
                Cell::Outside => continue,
            };
            let Some(value) = value else { return Ok(None) };
            sum += weight * value;
            weights += weight;
        }
        Ok((weights > 0.0).then(|| sum / weights))
    }

    /// A cell of a raster or, beyond its edge, of an aligned neighbour.
    fn cell(
        &self,
        cache: &mut Cache,
        id: usize,
        column: i64,
        row: i64,
    ) -> Result<Cell, ElevationError> {
        let raster = &self.rasters[id];
        if let Some(value) = raster.value(cache, id, column, row)? {
            return Ok(value);
        }
        let lon = raster.grid.west_deg + column as f64 * raster.grid.step_lon_deg;
        let lat = raster.grid.north_deg - row as f64 * raster.grid.step_lat_deg;
        for (other_id, other) in self.rasters.iter().enumerate() {
            if other_id == id || !raster.same_step(other) {
                continue;
            }
            let Some((x, y)) = other.cell(lon, lat) else {
                continue;
            };
            let aligned = (x - x.round()).abs() < 0.1 && (y - y.round()).abs() < 0.1;
            if aligned
                && let Some(value) =
                    other.value(cache, other_id, x.round() as i64, y.round() as i64)?
            {
                return Ok(value);
            }
        }
        Ok(Cell::Outside)
    }

    /// A void cell from the ground around it: the nearest cell in each of eight directions,
    /// weighted by nearness.
    fn fill(
        &self,
        cache: &mut Cache,
        id: usize,
        column: i64,
        row: i64,
    ) -> Result<Option<f64>, ElevationError> {
        let (mut sum, mut weights, mut sides) = (0.0, 0.0, 0);
        for (dc, dr) in [
            (1, 0),
            (1, 1),
            (0, 1),
            (-1, 1),
            (-1, 0),
            (-1, -1),
            (0, -1),
            (1, -1),
        ] {
            let length = f64::hypot(dc as f64, dr as f64);
            for far in 1..=FILL_REACH {
                match self.cell(cache, id, column + far * dc, row + far * dr)? {
                    Cell::Void => {}
                    Cell::Outside => break,
                    Cell::Height(v) => {
                        let weight = 1.0 / (far as f64 * length);
                        sum += f64::from(v) * weight;
                        weights += weight;
                        sides += 1;
                        break;
                    }
                }
            }
        }
        Ok((sides >= FILL_SIDES).then(|| sum / weights))
    }
}

/// What a raster says about a cell.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Cell {
    Height(f32),
    Void,
    Outside,
}

/// Removes the rounding noise of coordinates, so that a cell's centre needs that cell only.
fn snap(x: f64) -> f64 {
    if (x - x.round()).abs() < 1e-5 {
        x.round()
    } else {
        x
    }
}

enum Kind {
    Hgt,
    Tiff,
}

fn kind(path: &Path) -> Option<Kind> {
    match path.extension()?.to_str()?.to_ascii_lowercase().as_str() {
        "hgt" => Some(Kind::Hgt),
        "tif" | "tiff" => Some(Kind::Tiff),
        _ => None,
    }
}

fn list(folder: &Path, files: &mut BTreeSet<PathBuf>) -> Result<(), ElevationError> {
    let read = |source| ElevationError::Read {
        path: folder.into(),
        source,
    };
    for entry in std::fs::read_dir(folder).map_err(read)? {
        let entry = entry.map_err(read)?;
        let path = entry.path();
        // Not through links: they may lead in circles.
        if entry.file_type().map_err(read)?.is_dir() {
            list(&path, files)?;
        } else if kind(&path).is_some() {
            files.insert(path);
        }
    }
    Ok(())
}
