//! Relief tiles: the height grid resampled to a tile's pixels.

use png::{BitDepth, ColorType, Compression, Encoder};
use region::{HeightGrid, NO_CELL, Region};

use crate::TileError;
use crate::frame::{EXTENT, Frame};

/// Pixels along a relief tile's side.
pub const RELIEF_SIZE: usize = 256;

const SIZE: usize = RELIEF_SIZE;

/// Pixels over which known heights run out into the general lie of the land.
const RUN_OUT: usize = 24;
/// Cells along a side of the general lie of the land.
const COARSE: usize = 96;

/// Cuts a tile; `None` when it lies beyond the grid and its surroundings.
///
/// Where heights are unknown the land goes on as the known heights around suggest. Only the shading
/// shows it, and without it every edge of the data would be shaded as a cliff. The continuation
/// depends on the place alone, not on the tile, so that tiles meet.
pub(crate) fn cut(region: &Region, frame: &Frame) -> Result<Option<Vec<u8>>, TileError> {
    let Some(grid) = &region.meta().heights else {
        return Ok(None);
    };
    let Some(surface) = Surface::new(grid, region.height_grid()) else {
        return Ok(None);
    };
    let pixels = Pixels::new(&surface, frame, 0);
    if !pixels.near(&surface) {
        return Ok(None);
    }
    let mut heights = sample(&surface, &pixels);
    if heights.iter().any(|h| h.is_nan()) {
        let Some(lie) = Lie::new(&surface) else {
            return Ok(None);
        };
        let wide = Pixels::new(&surface, frame, RUN_OUT);
        heights = run_out(sample(&surface, &wide), &wide, &lie);
    }
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
        // Counted from the grid's middle, so that both sides of it are on the same turn.
        let half = self.columns as f64 / 2.0 * self.grid.step_lon_deg;
        let east = (lon_deg - self.grid.west_deg - half + 180.0).rem_euclid(360.0) - 180.0 + half;
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

/// The pixels of a tile with a margin, as positions in the grid.
struct Pixels {
    /// Pixels a side.
    size: usize,
    margin: usize,
    /// Samples a pixel on either axis. Pixels larger than a cell take the mean of several, or small
    /// scales would show noise.
    samples: usize,
    /// Fractional grid columns, `samples` a pixel, from west.
    columns: Vec<f64>,
    /// Fractional grid rows, `samples` a pixel, from north.
    rows: Vec<f64>,
}

impl Pixels {
    fn new(surface: &Surface, frame: &Frame, margin: usize) -> Self {
        let unit = f64::from(EXTENT) / SIZE as f64;
        let position = |x: f64, y: f64| surface.position(frame.lon_lat_deg(x * unit, y * unit));
        let middle = SIZE as f64 / 2.0;
        let (a, b) = (
            position(middle, middle),
            position(middle + 1.0, middle + 1.0),
        );
        let cells = (b[0] - a[0]).abs().max((b[1] - a[1]).abs());
        let samples = if cells.is_finite() {
            (cells.ceil() as usize).clamp(1, 4)
        } else {
            1
        };
        let size = SIZE + 2 * margin;
        let at = |i: usize| (i as f64 + 0.5) / samples as f64 - margin as f64;
        // Columns depend on x alone and rows on y alone.
        let columns = (0..size * samples)
            .map(|i| position(at(i), middle)[0])
            .collect();
        let rows = (0..size * samples)
            .map(|i| position(middle, at(i))[1])
            .collect();
        Pixels {
            size,
            margin,
            samples,
            columns,
            rows,
        }
    }

    /// Whether any pixel lies on the grid or within half its size of it.
    fn near(&self, surface: &Surface) -> bool {
        let meets = |values: &[f64], cells: f64| {
            values
                .iter()
                .any(|v| (-cells / 2.0..cells * 1.5).contains(v))
        };
        meets(&self.columns, surface.columns as f64) && meets(&self.rows, surface.rows as f64)
    }
}

/// Heights at the pixels, NaN where unknown.
fn sample(surface: &Surface, pixels: &Pixels) -> Vec<f32> {
    let (size, samples) = (pixels.size, pixels.samples);
    let mut heights = vec![f32::NAN; size * size];
    for y in 0..size {
        let rows = &pixels.rows[y * samples..(y + 1) * samples];
        for x in 0..size {
            let (mut sum, mut count) = (0.0, 0.0);
            for &row in rows {
                for &column in &pixels.columns[x * samples..(x + 1) * samples] {
                    if let Some(height) = surface.height_m([column, row]) {
                        sum += height;
                        count += 1.0;
                    }
                }
            }
            if count > 0.0 {
                heights[y * size + x] = sum / count;
            }
        }
    }
    heights
}

/// The general lie of the land: a coarse grid without gaps over the height grid and as much again
/// around it.
struct Lie {
    heights: Vec<f32>,
    /// Cells of the height grid in a coarse cell, on either axis.
    step: [f64; 2],
    /// Position of the first coarse cell's corner.
    corner: [f64; 2],
}

impl Lie {
    fn new(surface: &Surface) -> Option<Self> {
        let cells = [surface.columns as f64, surface.rows as f64];
        let step = cells.map(|n| 2.0 * n / COARSE as f64);
        let corner = cells.map(|n| -0.5 - n / 2.0);
        let mut heights = vec![f32::NAN; COARSE * COARSE];
        for (i, height) in heights.iter_mut().enumerate() {
            let (mut sum, mut count) = (0.0, 0.0);
            for (dx, dy) in [(0.2, 0.2), (0.8, 0.2), (0.5, 0.5), (0.2, 0.8), (0.8, 0.8)] {
                let at = [(i % COARSE) as f64 + dx, (i / COARSE) as f64 + dy];
                if let Some(h) = surface.height_m([0, 1].map(|k| corner[k] + at[k] * step[k])) {
                    sum += h;
                    count += 1.0;
                }
            }
            *height = sum / count;
        }
        let known = heights.iter().any(|h| !h.is_nan());
        fill(&mut heights, COARSE);
        known.then_some(Lie {
            heights,
            step,
            corner,
        })
    }

    /// Height at a position of the height grid; bilinear.
    fn height_m(&self, position: [f64; 2]) -> f32 {
        let last = COARSE as f64 - 1.0;
        let [x, y] =
            [0, 1].map(|k| ((position[k] - self.corner[k]) / self.step[k] - 0.5).clamp(0.0, last));
        let [left, top] = [x, y].map(|v| (v.floor() as usize).min(COARSE - 2));
        let (right, low) = ((x - left as f64) as f32, (y - top as f64) as f32);
        let at = |x: usize, y: usize| self.heights[y * COARSE + x];
        let above = at(left, top) * (1.0 - right) + at(left + 1, top) * right;
        let below = at(left, top + 1) * (1.0 - right) + at(left + 1, top + 1) * right;
        above * (1.0 - low) + below * low
    }
}

/// Fills gaps from the means of ever larger squares, laid under them from coarse to fine.
fn fill(heights: &mut [f32], size: usize) {
    if size == 1 || heights.iter().all(|h| !h.is_nan()) {
        return;
    }
    let half = size.div_ceil(2);
    let mut coarse = vec![f32::NAN; half * half];
    for (i, mean) in coarse.iter_mut().enumerate() {
        let (x, y) = (i % half * 2, i / half * 2);
        let (mut sum, mut count) = (0.0, 0.0);
        for (x, y) in [(x, y), (x + 1, y), (x, y + 1), (x + 1, y + 1)] {
            if x < size && y < size && !heights[y * size + x].is_nan() {
                sum += heights[y * size + x];
                count += 1.0;
            }
        }
        *mean = sum / count;
    }
    fill(&mut coarse, half);
    // The nearest coarse cell counts three times as much as the next, on either axis.
    let beside = |v: usize| {
        let next = if v.is_multiple_of(2) {
            (v / 2).saturating_sub(1)
        } else {
            v / 2 + 1
        };
        next.min(half - 1)
    };
    for (i, height) in heights.iter_mut().enumerate() {
        if height.is_nan() {
            let (x, y) = (i % size, i / size);
            let at = |x: usize, y: usize| coarse[y * half + x];
            *height = (9.0 * at(x / 2, y / 2)
                + 3.0 * at(beside(x), y / 2)
                + 3.0 * at(x / 2, beside(y))
                + at(beside(x), beside(y)))
                / 16.0;
        }
    }
}

/// Gives unknown pixels the general lie of the land, with what the nearest known height differs
/// from it fading out over [`RUN_OUT`] pixels. Takes a tile with that margin, returns it without.
fn run_out(heights: Vec<f32>, pixels: &Pixels, lie: &Lie) -> Vec<f32> {
    let (size, samples) = (pixels.size, pixels.samples);
    let middle = samples / 2;
    let lie_at = |i: usize| {
        let (x, y) = (i % size, i / size);
        lie.height_m([
            pixels.columns[x * samples + middle],
            pixels.rows[y * samples + middle],
        ])
    };
    // Distance to the nearest known pixel and its difference, by two sweeps (Borgefors 1986,
    // Computer Vision, Graphics, and Image Processing 34:344-371, weights 3 and 4).
    let far = 3 * RUN_OUT as i32;
    let mut nearest: Vec<(i32, f32)> = heights
        .iter()
        .enumerate()
        .map(|(i, h)| {
            if h.is_nan() {
                (far, 0.0)
            } else {
                (0, h - lie_at(i))
            }
        })
        .collect();
    let side = size as i32;
    let mut sweep = |order: &mut dyn Iterator<Item = i32>, sign: i32| {
        for i in order {
            let (x, y) = (i % side, i / side);
            for (dx, dy, step) in [(-1, 0, 3), (-1, -1, 4), (0, -1, 3), (1, -1, 4)] {
                let (nx, ny) = (x + sign * dx, y + sign * dy);
                if (0..side).contains(&nx) && (0..side).contains(&ny) {
                    let (distance, difference) = nearest[(ny * side + nx) as usize];
                    if distance + step < nearest[i as usize].0 {
                        nearest[i as usize] = (distance + step, difference);
                    }
                }
            }
        }
    };
    sweep(&mut (0..side * side), 1);
    sweep(&mut (0..side * side).rev(), -1);
    let mut inner = Vec::with_capacity(SIZE * SIZE);
    for y in pixels.margin..pixels.margin + SIZE {
        for x in pixels.margin..pixels.margin + SIZE {
            let i = y * size + x;
            let (distance, difference) = nearest[i];
            // Smooth at both ends.
            let t = 1.0 - distance as f32 / far as f32;
            let share = t * t * (3.0 - 2.0 * t);
            inner.push(if heights[i].is_nan() {
                lie_at(i) + share * difference
            } else {
                heights[i]
            });
        }
    }
    inner
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
