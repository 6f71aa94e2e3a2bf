//! Relief tiles: the height grid resampled to a tile's pixels.

use png::{BitDepth, ColorType, Compression, Encoder};
use region::{HeightGrid, NO_CELL, Region};

use crate::TileError;
use crate::frame::{EXTENT, Frame};

/// Pixels along a relief tile's side.
pub const RELIEF_SIZE: usize = 256;

const SIZE: usize = RELIEF_SIZE;

/// Cuts a tile; `None` when no pixel of it has a height.
pub(crate) fn cut(region: &Region, frame: &Frame) -> Result<Option<Vec<u8>>, TileError> {
    let Some(grid) = &region.meta().heights else {
        return Ok(None);
    };
    let Some(surface) = Surface::new(grid, region.height_grid()) else {
        return Ok(None);
    };
    let Some(mut heights) = sample(&surface, frame) else {
        return Ok(None);
    };
    fill(&mut heights, SIZE);
    Ok(Some(encode(&heights)?))
}

/// The height grid as a continuous surface: bilinear between cell centres, as
/// Press et al., Numerical Recipes, 3.6, with cells of unknown height left out of the mean.
struct Surface<'a> {
    grid: &'a HeightGrid,
    cells: &'a [i16],
    columns: i64,
    rows: i64,
}

impl<'a> Surface<'a> {
    fn new(grid: &'a HeightGrid, cells: &'a [i16]) -> Option<Self> {
        let sound = grid.step_lon_deg > 0.0 && grid.step_lat_deg > 0.0 && !cells.is_empty();
        sound.then_some(Surface {
            grid,
            cells,
            columns: i64::from(grid.columns),
            rows: i64::from(grid.rows),
        })
    }

    /// Column and row of a longitude, brought to the grid's turn of the world, and a latitude.
    fn position(&self, [lon_deg, lat_deg]: [f64; 2]) -> [f64; 2] {
        let east = lon_deg - self.grid.west_deg;
        // Half a cell west of the first centre still belongs to the grid.
        let east = (east + self.grid.step_lon_deg).rem_euclid(360.0) - self.grid.step_lon_deg;
        [
            east / self.grid.step_lon_deg,
            (self.grid.north_deg - lat_deg) / self.grid.step_lat_deg,
        ]
    }

    /// Height at a fractional column and row.
    fn height_m(&self, [column, row]: [f64; 2]) -> Option<f32> {
        let inside = (-0.5..self.columns as f64 - 0.5).contains(&column)
            && (-0.5..self.rows as f64 - 0.5).contains(&row);
        if !inside {
            return None;
        }
        let (left, top) = (column.floor(), row.floor());
        let (right_share, low_share) = ((column - left) as f32, (row - top) as f32);
        let (mut sum, mut weight) = (0.0, 0.0);
        for (dr, share_r) in [(0, 1.0 - low_share), (1, low_share)] {
            for (dc, share_c) in [(0, 1.0 - right_share), (1, right_share)] {
                let r = (top as i64 + dr).clamp(0, self.rows - 1);
                let c = (left as i64 + dc).clamp(0, self.columns - 1);
                let cell = self.cells.get((r * self.columns + c) as usize).copied();
                if let Some(height) = cell.filter(|&h| h != NO_CELL) {
                    sum += f32::from(height) * share_r * share_c;
                    weight += share_r * share_c;
                }
            }
        }
        (weight > 0.0).then(|| sum / weight)
    }
}

/// Heights at the pixel centres, NaN where unknown. Pixels larger than a cell take the mean of
/// several samples, or small scales would show noise.
fn sample(surface: &Surface, frame: &Frame) -> Option<Vec<f32>> {
    let unit = f64::from(EXTENT) / SIZE as f64;
    let corner = |x: f64, y: f64| surface.position(frame.lon_lat_deg(x * unit, y * unit));
    let middle = SIZE as f64 / 2.0;
    let (a, b) = (corner(middle, middle), corner(middle + 1.0, middle + 1.0));
    let cells_per_pixel = (b[0] - a[0]).abs().max((b[1] - a[1]).abs());
    let samples = (cells_per_pixel.ceil() as usize).clamp(1, 4);

    // Columns depend on x alone and rows on y alone.
    let offsets: Vec<f64> = (0..SIZE * samples)
        .map(|i| (i as f64 + 0.5) / samples as f64)
        .collect();
    let columns: Vec<f64> = offsets.iter().map(|&x| corner(x, middle)[0]).collect();
    let rows: Vec<f64> = offsets.iter().map(|&y| corner(middle, y)[1]).collect();
    let mut heights = vec![f32::NAN; SIZE * SIZE];
    let mut any = false;
    for y in 0..SIZE {
        let rows = &rows[y * samples..(y + 1) * samples];
        if rows
            .iter()
            .all(|r| !(-0.5..surface.rows as f64 - 0.5).contains(r))
        {
            continue;
        }
        for x in 0..SIZE {
            let (mut sum, mut count) = (0.0, 0.0);
            for &row in rows {
                for &column in &columns[x * samples..(x + 1) * samples] {
                    if let Some(height) = surface.height_m([column, row]) {
                        sum += height;
                        count += 1.0;
                    }
                }
            }
            if count > 0.0 {
                heights[y * SIZE + x] = sum / count;
                any = true;
            }
        }
    }
    any.then_some(heights)
}

/// Gives unknown pixels a smooth continuation of the known ones, so that no cliff is shaded where
/// the data ends: means of ever larger squares, laid under the gaps from coarse to fine.
fn fill(heights: &mut [f32], size: usize) {
    if size == 1 || heights.iter().all(|h| !h.is_nan()) {
        return;
    }
    let half = size / 2;
    let mut coarse = vec![f32::NAN; half * half];
    for y in 0..half {
        for x in 0..half {
            let at = 2 * y * size + 2 * x;
            let known = [at, at + 1, at + size, at + size + 1].map(|i| heights[i]);
            let known = known.iter().filter(|h| !h.is_nan());
            let (sum, count) = known.fold((0.0, 0.0), |(s, n), h| (s + h, n + 1.0));
            coarse[y * half + x] = sum / count;
        }
    }
    fill(&mut coarse, half);
    let last = half - 1;
    for y in 0..size {
        for x in 0..size {
            if !heights[y * size + x].is_nan() {
                continue;
            }
            // The nearest coarse pixel counts three times as much as the next, on either axis.
            let beside = |v: usize| {
                if v.is_multiple_of(2) {
                    (v / 2).saturating_sub(1)
                } else {
                    (v / 2 + 1).min(last)
                }
            };
            let at = |x: usize, y: usize| coarse[y * half + x];
            let (near_x, near_y, far_x, far_y) = (x / 2, y / 2, beside(x), beside(y));
            heights[y * size + x] = (9.0 * at(near_x, near_y)
                + 3.0 * at(far_x, near_y)
                + 3.0 * at(near_x, far_y)
                + at(far_x, far_y))
                / 16.0;
        }
    }
}

/// Terrarium: 1/256 m above -32768 m in three bytes; here in steps of 1/16 m, which pack better.
fn encode(heights: &[f32]) -> Result<Vec<u8>, png::EncodingError> {
    let mut pixels = Vec::with_capacity(heights.len() * 3);
    for &height_m in heights {
        let sixteenths = ((f64::from(height_m) + 32768.0) * 16.0)
            .round()
            .clamp(0.0, 1_048_575.0);
        let value = sixteenths as u32 * 16;
        pixels.extend_from_slice(&value.to_be_bytes()[1..]);
    }
    let mut png = Vec::new();
    let mut encoder = Encoder::new(&mut png, SIZE as u32, SIZE as u32);
    encoder.set_color(ColorType::Rgb);
    encoder.set_depth(BitDepth::Eight);
    encoder.set_compression(Compression::Fast);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&pixels)?;
    writer.finish()?;
    Ok(png)
}
