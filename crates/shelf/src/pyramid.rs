//! Lines cut into squares of the web-mercator world at several scales: what a map tile or "what
//! I see" needs is then a few neighbouring rows.
//!
//! The world is 2^26 units wide (0.6 m at the equator). Level `L` has 2^L squares a side, each
//! 2^14 of its own units wide, and lines simplified for the zooms `L` and `L + 1` of tiles of 512
//! pixels: half a pixel at the larger one (Douglas and Peucker 1973, Cartographica 10:112-122).

use std::collections::{BTreeMap, HashSet};

use region::Point;

use crate::packed::{put, put_signed, take, take_signed};

/// Scales that are kept, coarse to fine.
pub const LEVELS: [u8; 5] = [4, 6, 8, 10, 12];
const FINEST: u8 = 12;
/// log2 of the units along a square's side.
const SIDE_BITS: u8 = 14;
/// Units around the world.
const WORLD: i64 = 1 << (FINEST + SIDE_BITS);
/// Units along a tile's side, as in the tile maker.
const EXTENT: i64 = 4096;

/// A place in world units, x east from the antimeridian, y south from 85.05 degrees north. Of a
/// line across the antimeridian, x goes beyond the world's edge.
type Spot = [i64; 2];

/// A line in world units, simplified for the finest level; runs are drawn unconnected.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Line {
    runs: Vec<Vec<Spot>>,
}

/// A box of the world: west, south, east, north in degrees; west > east crosses the antimeridian.
pub type View = [f64; 4];

/// Key of a square: level, row, column.
pub fn square(level: u8, x: i64, y: i64) -> i64 {
    i64::from(level) << 40 | y << 20 | x
}

impl Line {
    /// Projects and simplifies runs of points.
    pub fn of<P: IntoIterator<Item = Point>>(runs: impl IntoIterator<Item = P>) -> Self {
        let mut line = Line::default();
        for points in runs {
            let mut run: Vec<Spot> = Vec::new();
            for p in points {
                let mut spot = project(p.lat(), p.lon());
                if let Some(before) = run.last() {
                    // On the near side of the antimeridian to the point before.
                    spot[0] += (before[0] - spot[0] + WORLD / 2).div_euclid(WORLD) * WORLD;
                }
                if run.last() != Some(&spot) {
                    run.push(spot);
                }
            }
            if !run.is_empty() {
                line.runs.push(simplify(&run, tolerance(FINEST)));
            }
        }
        line
    }

    /// Whether there is nothing to draw.
    pub fn is_empty(&self) -> bool {
        self.runs.is_empty()
    }

    /// Box around it: west, south, east, north, degrees; east may pass 180 where the line does.
    pub fn bounds(&self) -> Option<View> {
        let spots = || self.runs.iter().flatten();
        let of = |axis: usize| {
            let values = spots().map(move |s| s[axis]);
            Some((values.clone().min()?, values.max()?))
        };
        let ((left, right), (top, bottom)) = (of(0)?, of(1)?);
        let [south, west] = unproject([left, bottom]);
        let [north, _] = unproject([left, top]);
        let width = (right - left) as f64 / WORLD as f64 * 360.0;
        Some([west, south, west + width, north])
    }

    /// The vertices `[lat, lon]` in degrees, run by run.
    pub fn degrees(&self) -> Vec<Vec<[f64; 2]>> {
        let degrees = |run: &Vec<Spot>| run.iter().map(|&s| unproject(s)).collect();
        self.runs.iter().map(degrees).collect()
    }

    /// Places at even distances along it, in world units, ends included.
    pub(crate) fn sampled(&self, count: usize) -> Vec<[i64; 2]> {
        let segments = || {
            self.runs
                .iter()
                .flat_map(|r| r.windows(2))
                .map(|p| (p[0], p[1]))
        };
        let length = |(a, b): (Spot, Spot)| ((b[0] - a[0]) as f64).hypot((b[1] - a[1]) as f64);
        let step = segments().map(length).sum::<f64>() / (count.max(2) - 1) as f64;
        let (mut out, mut next) = (Vec::with_capacity(count), 0.0);
        for (a, b) in segments() {
            let long = length((a, b));
            while next <= long && long > 0.0 && out.len() < count {
                out.push([0, 1].map(|i| a[i] + ((b[i] - a[i]) as f64 * next / long) as i64));
                next += step.max(1.0);
            }
            next -= long;
        }
        out
    }

    /// Whether it comes within `radius_m` metres of a place.
    pub(crate) fn passes_near(&self, at: [i64; 2], radius_m: f64) -> bool {
        const EQUATOR_M: f64 = 40_075_016.7;
        let lat = unproject(at)[0].to_radians();
        let reach = radius_m / EQUATOR_M / lat.cos().max(0.01) * WORLD as f64;
        let near = |p: &[Spot]| {
            let (a, b) = (p[0], p[1]);
            let beside = |i: usize| {
                (a[i].min(b[i]) - at[i]) as f64 > reach || (at[i] - a[i].max(b[i])) as f64 > reach
            };
            !beside(0) && !beside(1) && squared_off(at, a, b) <= reach * reach
        };
        self.runs.iter().any(|run| run.windows(2).any(near))
    }

    /// As bytes.
    pub fn pack(&self) -> Vec<u8> {
        pack_runs(&self.runs, [0, 0])
    }

    /// From bytes; `None` for damage.
    pub fn unpack(bytes: &[u8]) -> Option<Self> {
        let runs = unpack_runs(bytes)?;
        Some(Line { runs })
    }

    /// The squares of all levels that the line passes, each with the part of it that lies there,
    /// packed. Segments that cross a square's side are in both squares whole.
    pub fn squares(&self) -> Vec<(i64, Vec<u8>)> {
        let mut out = Vec::new();
        let mut runs = self.runs.clone();
        for level in LEVELS.into_iter().rev() {
            if level != FINEST {
                for run in &mut runs {
                    *run = simplify(run, tolerance(level));
                }
            }
            let shift = FINEST - level;
            let mut cells: BTreeMap<(i64, i64), Vec<Vec<Spot>>> = BTreeMap::new();
            for run in &runs {
                let scaled: Vec<Spot> = run.iter().map(|s| s.map(|v| v >> shift)).collect();
                walk(&scaled, |cell, a, b| {
                    let pieces = cells.entry(cell).or_default();
                    match pieces.last_mut() {
                        Some(piece) if piece.last() == Some(&a) => piece.push(b),
                        _ => pieces.push(vec![a, b]),
                    }
                });
            }
            let around = 1i64 << level;
            for ((x, y), pieces) in cells {
                let bytes = pack_runs(&pieces, [x << SIDE_BITS, y << SIDE_BITS]);
                out.push((square(level, x.rem_euclid(around), y), bytes));
            }
        }
        // A line round the world may come to the same square twice.
        out.sort_by_key(|(square, _)| *square);
        out.dedup_by_key(|(square, _)| *square);
        out
    }

    /// The finest squares it passes, ascending.
    pub fn finest(&self) -> Vec<i64> {
        let mut cells = HashSet::new();
        for run in &self.runs {
            walk(run, |(x, y), _, _| {
                cells.insert(square(FINEST, x.rem_euclid(1 << FINEST), y));
            });
        }
        let mut cells: Vec<i64> = cells.into_iter().collect();
        cells.sort_unstable();
        cells
    }
}

/// Calls `touch` with each square that a segment passes, by column and row, and the segment.
fn walk(run: &[Spot], mut touch: impl FnMut((i64, i64), Spot, Spot)) {
    let rows = |level_side: i64| level_side >> SIDE_BITS;
    if let [only] = run {
        touch((rows(only[0]), rows(only[1])), *only, *only);
    }
    for pair in run.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let (x0, x1) = (rows(a[0].min(b[0])), rows(a[0].max(b[0])));
        let (y0, y1) = (rows(a[1].min(b[1])), rows(a[1].max(b[1])));
        for y in y0..=y1 {
            for x in x0..=x1 {
                let min = [x << SIDE_BITS, y << SIDE_BITS];
                let max = min.map(|v| v + (1 << SIDE_BITS));
                if (x0 == x1 && y0 == y1) || crosses(a, b, min, max) {
                    touch((x, y), a, b);
                }
            }
        }
    }
}

/// Whether a segment and a box have a point in common (separating axes: x, y, the normal).
fn crosses(a: Spot, b: Spot, min: Spot, max: Spot) -> bool {
    for axis in 0..2 {
        if a[axis].max(b[axis]) < min[axis] || a[axis].min(b[axis]) > max[axis] {
            return false;
        }
    }
    let by = [b[0] - a[0], b[1] - a[1]];
    let side = |x: i64, y: i64| {
        i128::from(by[0]) * i128::from(y - a[1]) - i128::from(by[1]) * i128::from(x - a[0])
    };
    let corners = [
        side(min[0], min[1]),
        side(min[0], max[1]),
        side(max[0], min[1]),
        side(max[0], max[1]),
    ];
    corners.iter().any(|&c| c <= 0) && corners.iter().any(|&c| c >= 0)
}

/// The squares that a view covers, at the finest level at which there are few: ranges of keys,
/// and for each key whether the square lies in the view whole.
pub struct Cover {
    /// Ranges of keys, ends included.
    pub ranges: Vec<(i64, i64)>,
    level: u8,
    boxes: Vec<[i64; 4]>,
}

impl Cover {
    /// Squares across a view, at most so many a side.
    const ACROSS: i64 = 6;

    /// `None` for a view that is none: not finite, south of its south.
    pub fn of([west, south, east, north]: View) -> Option<Self> {
        let sound = [west, south, east, north].iter().all(|v| v.is_finite())
            && south <= north
            && south.abs() <= 90.0
            && north.abs() <= 90.0
            && west.abs() <= 360.0
            && east.abs() <= 360.0;
        if !sound {
            return None;
        }
        let width = if east - west >= 360.0 {
            360.0
        } else {
            (east - west).rem_euclid(360.0)
        };
        let (left, top) = {
            let [x, y] = project(north, west);
            (x.rem_euclid(WORLD), y)
        };
        let right = left + (width / 360.0 * WORLD as f64).ceil() as i64;
        let bottom = project(south, west)[1];
        let pieces = match right < WORLD {
            true => vec![[left, top, right, bottom]],
            false => vec![
                [left, top, WORLD - 1, bottom],
                [0, top, (right - WORLD).min(left), bottom],
            ],
        };
        let few = |level: u8| {
            let side = |v: i64| v >> (FINEST - level + SIDE_BITS);
            side(right) - side(left) < Self::ACROSS && side(bottom) - side(top) < Self::ACROSS
        };
        let level = LEVELS
            .into_iter()
            .rev()
            .find(|&l| few(l))
            .unwrap_or(LEVELS[0]);
        let side = |v: i64| v >> (FINEST - level + SIDE_BITS);
        let mut ranges = Vec::new();
        for [x0, y0, x1, y1] in &pieces {
            for y in side(*y0)..=side(*y1) {
                ranges.push((square(level, side(*x0), y), square(level, side(*x1), y)));
            }
        }
        Some(Cover {
            ranges,
            level,
            boxes: pieces,
        })
    }

    /// Whether the part of a line in a square lies in the view, at least a bit of it.
    pub fn meets(&self, key: i64, piece: &[u8]) -> bool {
        let shift = FINEST - self.level;
        let (x, y) = (key & 0xf_ffff, key >> 20 & 0xf_ffff);
        let bits = SIDE_BITS + shift;
        let min = [x << bits, y << bits];
        let max = min.map(|v| v + (1 << bits));
        for [x0, y0, x1, y1] in &self.boxes {
            if *x0 <= min[0] && *y0 <= min[1] && max[0] <= *x1 && max[1] <= *y1 {
                return true;
            }
            let Some(runs) = unpack_runs(piece) else {
                return false;
            };
            let home = [x << SIDE_BITS, y << SIDE_BITS];
            let (low, high) = ([x0 >> shift, y0 >> shift], [x1 >> shift, y1 >> shift]);
            let at = |s: Spot| [s[0] + home[0], s[1] + home[1]];
            let meets = |p: &[Spot]| crosses(at(p[0]), at(p[1]), low, high);
            if runs.iter().any(|run| run.windows(2).any(meets)) {
                return true;
            }
        }
        false
    }
}

/// Squares to read for a tile, and how their parts become tile units.
pub struct Window {
    /// Ranges of keys, ends included.
    pub ranges: Vec<(i64, i64)>,
    level: u8,
    z: u8,
    x: i64,
    y: i64,
    seen: Vec<u64>,
}

impl Window {
    /// Cells along a tile's side in which only the first line is drawn: pixels.
    const GRID: i64 = 512;
    /// Tile units beyond the sides that lines are kept in.
    const MARGIN: i64 = 64;

    /// The window of a tile; its zoom must be at most 20, column and row in the world.
    pub fn of(z: u8, x: u32, y: u32) -> Self {
        let level = LEVELS
            .into_iter()
            .rev()
            .find(|&l| l <= z)
            .unwrap_or(LEVELS[0]);
        let (x, y) = (i64::from(x), i64::from(y));
        let ranges = if level <= z {
            let cell = square(level, x >> (z - level), y >> (z - level));
            vec![(cell, cell)]
        } else {
            let many = level - z;
            let row = |r: i64| {
                let first = x << many;
                (
                    square(level, first, r),
                    square(level, first + (1 << many) - 1, r),
                )
            };
            (y << many..(y + 1) << many).map(row).collect()
        };
        let words = (Self::GRID * Self::GRID / 64) as usize;
        Window {
            ranges,
            level,
            z,
            x,
            y,
            seen: vec![0; words],
        }
    }

    /// Adds the part of a line in a square to what is drawn, in tile units: only where it shows
    /// something that no part before it has shown. So a road ridden a thousand times costs no
    /// more than one ridden twice.
    pub fn add(&mut self, key: i64, piece: &[u8], drawn: &mut Vec<Vec<[i32; 2]>>) {
        let Some(runs) = unpack_runs(piece) else {
            return;
        };
        let (column, row) = (key & 0xf_ffff, key >> 20 & 0xf_ffff);
        // Units of the square to units of the tile: a shift, to the finer or the coarser.
        let scale = 2f64.powi(i32::from(self.z) - i32::from(self.level) - i32::from(SIDE_BITS))
            * EXTENT as f64;
        let home = [column << SIDE_BITS, row << SIDE_BITS];
        let origin = [(self.x * EXTENT) as f64, (self.y * EXTENT) as f64];
        let project = |s: Spot| {
            [0, 1].map(|i| (((s[i] + home[i]) as f64 * scale).round() - origin[i]) as i64)
        };
        for run in runs {
            let mut open: Vec<[i32; 2]> = Vec::new();
            let mut before: Option<Spot> = None;
            for spot in run {
                let b = project(spot);
                let Some(a) = before.replace(b) else { continue };
                if a == b {
                    continue;
                }
                if self.is_new(a, b) {
                    if open.is_empty() {
                        open.push(a.map(|v| v as i32));
                    }
                    open.push(b.map(|v| v as i32));
                } else if !open.is_empty() {
                    drawn.push(std::mem::take(&mut open));
                }
            }
            if open.len() > 1 {
                drawn.push(open);
            }
        }
    }

    /// Whether a segment passes a pixel that none passed before; marks all it passes.
    fn is_new(&mut self, a: Spot, b: Spot) -> bool {
        let (low, high) = (-Self::MARGIN, EXTENT + Self::MARGIN);
        let Some((from, to)) = cut(a, b, low, high) else {
            return false;
        };
        let pixel = EXTENT / Self::GRID;
        let steps = ((to[0] - from[0]).abs().max((to[1] - from[1]).abs()) / pixel).max(1);
        let mut new = false;
        for step in 0..=steps {
            let at = [0, 1]
                .map(|i| (from[i] + (to[i] - from[i]) * step / steps).clamp(0, EXTENT - 1) / pixel);
            let bit = at[1] * Self::GRID + at[0];
            if let Some(word) = self.seen.get_mut((bit / 64) as usize) {
                new |= *word >> (bit % 64) & 1 == 0;
                *word |= 1 << (bit % 64);
            }
        }
        new
    }
}

/// The part of a segment in a square window (Liang and Barsky 1984, ACM ToG 3:1-22).
fn cut(a: Spot, b: Spot, low: i64, high: i64) -> Option<(Spot, Spot)> {
    let (mut enter, mut leave) = (0.0f64, 1.0f64);
    for axis in 0..2 {
        let by = (b[axis] - a[axis]) as f64;
        for (p, q) in [(-by, a[axis] - low), (by, high - a[axis])] {
            if p == 0.0 {
                if q < 0 {
                    return None;
                }
            } else if p < 0.0 {
                enter = enter.max(q as f64 / p);
            } else {
                leave = leave.min(q as f64 / p);
            }
        }
    }
    let at = |t: f64| [0, 1].map(|i| a[i] + ((b[i] - a[i]) as f64 * t).round() as i64);
    (enter <= leave).then(|| (at(enter), at(leave)))
}

/// Half a pixel of a 512-pixel tile at zoom `level + 1`, world units.
fn tolerance(level: u8) -> f64 {
    f64::from(1u32 << (15 - level))
}

/// Web mercator in world units.
fn project(lat: f64, lon: f64) -> Spot {
    let x = (lon / 360.0 + 0.5) * WORLD as f64;
    let sin = lat.clamp(-85.051_128, 85.051_128).to_radians().sin();
    let y = (0.5 - sin.atanh() / (2.0 * std::f64::consts::PI)) * WORLD as f64;
    [x.floor() as i64, (y.floor() as i64).clamp(0, WORLD - 1)]
}

/// `[lat, lon]` in degrees.
fn unproject([x, y]: Spot) -> [f64; 2] {
    let lon = ((x as f64 + 0.5) / WORLD as f64 - 0.5) * 360.0;
    let mercator = std::f64::consts::PI * (1.0 - 2.0 * (y as f64 + 0.5) / WORLD as f64);
    [
        mercator.sinh().atan().to_degrees(),
        (lon + 180.0).rem_euclid(360.0) - 180.0,
    ]
}

/// Leaves out points nearer than `tolerance` to what is left.
fn simplify(run: &[Spot], tolerance: f64) -> Vec<Spot> {
    let Some(last) = run.len().checked_sub(1).filter(|&n| n > 1) else {
        return run.to_vec();
    };
    let mut keep = vec![false; run.len()];
    (keep[0], keep[last]) = (true, true);
    let mut spans = vec![(0, last)];
    while let Some((from, to)) = spans.pop() {
        let (mut worst, mut at) = (tolerance * tolerance, None);
        for i in from + 1..to {
            let distance = squared_off(run[i], run[from], run[to]);
            if distance > worst {
                (worst, at) = (distance, Some(i));
            }
        }
        if let Some(i) = at {
            keep[i] = true;
            spans.extend([(from, i), (i, to)]);
        }
    }
    run.iter()
        .zip(keep)
        .filter_map(|(&s, k)| k.then_some(s))
        .collect()
}

/// Square of the distance of a place from a segment.
fn squared_off(p: Spot, a: Spot, b: Spot) -> f64 {
    let by = [(b[0] - a[0]) as f64, (b[1] - a[1]) as f64];
    let to = [(p[0] - a[0]) as f64, (p[1] - a[1]) as f64];
    let squared = by[0] * by[0] + by[1] * by[1];
    let t = match squared > 0.0 {
        true => ((to[0] * by[0] + to[1] * by[1]) / squared).clamp(0.0, 1.0),
        false => 0.0,
    };
    let off = [to[0] - t * by[0], to[1] - t * by[1]];
    off[0] * off[0] + off[1] * off[1]
}

fn pack_runs(runs: &[Vec<Spot>], home: Spot) -> Vec<u8> {
    let mut out = Vec::new();
    put(&mut out, runs.len() as u64);
    let mut before = home;
    for run in runs {
        put(&mut out, run.len() as u64);
        for &spot in run {
            put_signed(&mut out, spot[0] - before[0]);
            put_signed(&mut out, spot[1] - before[1]);
            before = spot;
        }
    }
    out
}

fn unpack_runs(mut raw: &[u8]) -> Option<Vec<Vec<Spot>>> {
    let raw = &mut raw;
    let count = usize::try_from(take(raw)?)
        .ok()
        .filter(|&n| n <= raw.len())?;
    let mut runs = Vec::with_capacity(count);
    let mut at = [0i64, 0];
    for _ in 0..count {
        let len = usize::try_from(take(raw)?)
            .ok()
            .filter(|&n| n <= raw.len())?;
        let mut run = Vec::with_capacity(len);
        for _ in 0..len {
            for v in &mut at {
                // Damage may hold any number; the world is small.
                *v = v
                    .checked_add(take_signed(raw)?)
                    .filter(|v| v.abs() < WORLD * 64)?;
            }
            run.push(at);
        }
        runs.push(run);
    }
    Some(runs)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(points: &[[f64; 2]]) -> Line {
        Line::of([points
            .iter()
            .map(|p| Point::from_degrees(p[0], p[1]).unwrap())])
    }

    fn sees(line: &Line, view: View) -> bool {
        let cover = Cover::of(view).unwrap();
        let squares = line.squares();
        let inside = |key: i64| cover.ranges.iter().any(|r| (r.0..=r.1).contains(&key));
        squares
            .iter()
            .any(|(key, piece)| inside(*key) && cover.meets(*key, piece))
    }

    #[test]
    fn a_view_sees_what_passes_through_it_at_every_scale() {
        // A straight line of some 220 km, and views beside and on it.
        let long = line(&[[45.0, 7.0], [46.0, 9.5]]);
        for size in [0.002, 0.02, 0.2, 1.0, 5.0] {
            let at = |lat: f64, lon: f64| {
                [
                    lon - size / 2.0,
                    lat - size / 2.0,
                    lon + size / 2.0,
                    lat + size / 2.0,
                ]
            };
            assert!(sees(&long, at(45.0, 7.0)), "start, {size}");
            // The middle in web mercator lies where the mercator latitude is halved.
            let [lat, lon] =
                unproject([0, 1].map(|i| (project(45.0, 7.0)[i] + project(46.0, 9.5)[i]) / 2));
            assert!(sees(&long, at(lat, lon)), "middle, {size}");
            assert!(
                !sees(&long, at(lat + size * 0.8 + 0.001, lon - size * 0.8)),
                "beside, {size}"
            );
        }
        assert!(sees(&long, [-180.0, -90.0, 180.0, 90.0]));
        assert!(!sees(&long, [-180.0, -90.0, 0.0, 90.0]));
    }

    #[test]
    fn the_antimeridian_is_crossed() {
        let over = line(&[[-19.0, 179.9], [-19.1, -179.9]]);
        assert!(sees(&over, [179.85, -19.2, 179.95, -18.9]));
        assert!(sees(&over, [-179.95, -19.2, -179.85, -18.9]));
        assert!(sees(&over, [179.97, -19.2, -179.97, -18.9]));
        assert!(!sees(&over, [170.0, -19.2, 179.8, -18.9]));
        assert!(!sees(&over, [-10.0, -19.2, 10.0, -18.9]));
    }

    #[test]
    fn packing_keeps_the_line_and_survives_damage() {
        let wavy: Vec<[f64; 2]> = (0..500)
            .map(|i| {
                [
                    45.0 + f64::from(i) * 1e-3,
                    7.0 + (f64::from(i) / 9.0).sin() * 0.01,
                ]
            })
            .collect();
        let line = line(&wavy);
        assert_eq!(Line::unpack(&line.pack()).as_ref(), Some(&line));
        for p in line.degrees().iter().flatten() {
            let near = wavy
                .iter()
                .map(|q| (p[0] - q[0]).hypot(p[1] - q[1]))
                .fold(9.0, f64::min);
            assert!(near < 1e-5, "{p:?} is no point of the line");
        }
        let bytes = line.pack();
        for at in 0..bytes.len() {
            let mut bad = bytes.clone();
            bad[at] ^= 0x81;
            let _ = Line::unpack(&bad);
            let _ = Line::unpack(&bytes[..at]);
        }
    }

    #[test]
    fn a_road_ridden_often_is_drawn_once() {
        let one = line(&[[45.0, 7.0], [45.2, 7.3], [45.1, 7.6]]);
        let squares = one.squares();
        for z in 0..=14u8 {
            let side = WORLD >> z;
            let at = project(45.2, 7.3);
            let (x, y) = ((at[0] / side) as u32, (at[1] / side) as u32);
            let mut window = Window::of(z, x, y);
            let mut drawn = Vec::new();
            let mut after_first = 0;
            for ride in 0..50 {
                for (key, piece) in &squares {
                    if window.ranges.iter().any(|r| (r.0..=r.1).contains(key)) {
                        window.add(*key, piece, &mut drawn);
                    }
                }
                if ride == 0 {
                    after_first = drawn.len();
                    assert!(after_first > 0, "nothing drawn at zoom {z}");
                }
            }
            assert_eq!(drawn.len(), after_first, "zoom {z}");
            // The corner of the line is in the tile, where it belongs.
            let unit = side as f64 / 4096.0;
            let want =
                [0, 1].map(|i| (at[i] as f64 - [x, y].map(f64::from)[i] * side as f64) / unit);
            let near =
                |p: &[i32; 2]| (f64::from(p[0]) - want[0]).hypot(f64::from(p[1]) - want[1]) < 10.0;
            assert!(drawn.iter().flatten().any(near), "zoom {z}");
        }
    }
}
