//! One raster on a regular grid of longitude and latitude, read block by block.

use std::collections::VecDeque;
use std::fs::File;
use std::io::BufReader;
use std::path::PathBuf;

use region::HeightGrid;

use super::{Cell, ElevationError, geotiff, hgt};

/// Samples kept in memory over all rasters: 160 MB.
const CACHE_SAMPLES: usize = 40_000_000;
/// TIFF files kept open.
const OPEN_FILES: usize = 16;

/// Where a raster's samples lie on the ground and in its file.
pub(super) struct Raster {
    pub path: PathBuf,
    /// Centres of the cells.
    pub grid: HeightGrid,
    /// Size of a block, cells. Blocks are numbered row by row; those at the right and lower edge
    /// are cut off.
    pub block_columns: u32,
    pub block_rows: u32,
    pub format: Format,
}

pub(super) enum Format {
    /// Big-endian i16, void -32768.
    Hgt,
    /// The value that marks voids, and which blocks hold no data at all.
    Tiff {
        nodata: Option<f64>,
        sparse: Vec<bool>,
    },
}

pub(super) type TiffFile = tiff::decoder::Decoder<BufReader<File>>;

impl Raster {
    fn blocks_across(&self) -> u32 {
        self.grid.columns.div_ceil(self.block_columns)
    }

    /// West, south, east, north of the area of the cells, half a cell beyond their centres.
    pub fn box_deg(&self) -> [f64; 4] {
        let g = &self.grid;
        [
            g.west_deg - g.step_lon_deg / 2.0,
            g.north_deg - (f64::from(g.rows) - 0.5) * g.step_lat_deg,
            g.west_deg + (f64::from(g.columns) - 0.5) * g.step_lon_deg,
            g.north_deg + g.step_lat_deg / 2.0,
        ]
    }

    /// Column and row, in fractions, of a point on the area of the cells.
    pub fn cell(&self, lon: f64, lat: f64) -> Option<(f64, f64)> {
        let g = &self.grid;
        let row = (g.north_deg - lat) / g.step_lat_deg;
        if !(-0.5..=f64::from(g.rows) - 0.5).contains(&row) {
            return None;
        }
        // The other two: points on the far side of the antimeridian.
        [lon, lon - 360.0, lon + 360.0].into_iter().find_map(|lon| {
            let column = (lon - g.west_deg) / g.step_lon_deg;
            (-0.5..=f64::from(g.columns) - 0.5)
                .contains(&column)
                .then_some((column, row))
        })
    }

    pub fn same_step(&self, other: &Raster) -> bool {
        let near = |a: f64, b: f64| (a - b).abs() < 1e-6 * a;
        near(self.grid.step_lon_deg, other.grid.step_lon_deg)
            && near(self.grid.step_lat_deg, other.grid.step_lat_deg)
    }

    /// A cell's value, `None` beyond the raster. `id` is the raster's number in the cache.
    pub fn value(
        &self,
        cache: &mut Cache,
        id: usize,
        column: i64,
        row: i64,
    ) -> Result<Option<Cell>, ElevationError> {
        let (Ok(column), Ok(row)) = (u32::try_from(column), u32::try_from(row)) else {
            return Ok(None);
        };
        if column >= self.grid.columns || row >= self.grid.rows {
            return Ok(None);
        }
        let block_column = column / self.block_columns;
        let block = row / self.block_rows * self.blocks_across() + block_column;
        let width = self
            .block_columns
            .min(self.grid.columns - block_column * self.block_columns);
        let within = (row % self.block_rows) as usize * width as usize
            + (column % self.block_columns) as usize;
        let value = match &cache.blocks[id][block as usize] {
            Some(samples) => samples.get(within).copied(),
            None => cache.load(self, id, block)?.get(within).copied(),
        };
        // A block that is shorter than it should be has no heights beyond its end.
        let value = value.unwrap_or(f32::NAN);
        Ok(Some(if value.is_finite() {
            Cell::Height(value)
        } else {
            Cell::Void
        }))
    }

    /// Number of blocks.
    fn blocks(&self) -> usize {
        self.blocks_across() as usize * self.grid.rows.div_ceil(self.block_rows) as usize
    }
}

/// Blocks read of all rasters, the oldest dropped first; voids are NaN.
pub(super) struct Cache {
    blocks: Vec<Vec<Option<Box<[f32]>>>>,
    loaded: VecDeque<(usize, u32)>,
    samples: usize,
    open: VecDeque<(usize, TiffFile)>,
}

impl Cache {
    pub fn new(rasters: &[Raster]) -> Self {
        Cache {
            blocks: rasters.iter().map(|r| vec![None; r.blocks()]).collect(),
            loaded: VecDeque::new(),
            samples: 0,
            open: VecDeque::new(),
        }
    }

    fn load(&mut self, raster: &Raster, id: usize, block: u32) -> Result<&[f32], ElevationError> {
        let samples = match &raster.format {
            Format::Hgt => hgt::read_block(raster, block)?,
            Format::Tiff { sparse, .. } if sparse.get(block as usize) == Some(&true) => {
                vec![f32::NAN; raster.block_columns as usize * raster.block_rows as usize]
            }
            Format::Tiff { nodata, .. } => {
                let file = self.open_tiff(raster, id)?;
                geotiff::read_block(raster, file, *nodata, block)?
            }
        };
        self.samples += samples.len();
        while self.samples > CACHE_SAMPLES {
            let Some((old_id, old_block)) = self.loaded.pop_front() else {
                break;
            };
            if let Some(old) = self.blocks[old_id][old_block as usize].take() {
                self.samples -= old.len();
            }
        }
        self.loaded.push_back((id, block));
        Ok(self.blocks[id][block as usize].insert(samples.into()))
    }

    fn open_tiff(&mut self, raster: &Raster, id: usize) -> Result<&mut TiffFile, ElevationError> {
        if let Some(at) = self.open.iter().position(|(open, _)| *open == id) {
            return Ok(&mut self.open[at].1);
        }
        if self.open.len() >= OPEN_FILES {
            self.open.pop_front();
        }
        let file = geotiff::open_file(&raster.path)?;
        self.open.push_back((id, file));
        let last = self.open.len() - 1;
        Ok(&mut self.open[last].1)
    }
}
