//! The ground of a country: uplift in ranges, rivers that cut valleys, lakes, coast and islands.
//!
//! Valleys are cut by the stream power law, solved implicitly along the drainage tree (Braun and
//! Willett: A very efficient O(n), implicit and parallel method to solve the stream power
//! equation, Geomorphology 2013). Pits are filled by priority flood (Barnes et al. 2014).

use std::cmp::Reverse;
use std::collections::{BinaryHeap, VecDeque};

use super::random::{Dice, Noise};
use super::{Canceled, Country};

/// Fine posts to one coarse cell. Settlements and main roads live on the coarse lattice.
pub(crate) const FINE: usize = 4;
/// Steps of erosion; the longest river is in balance after about ten.
const EROSION_STEPS: usize = 26;
/// Uplift of the ranges in one step, metres.
const UPLIFT_M: f64 = 100.0;
/// Slope of a range's stream that drains one square kilometre, at balance.
const STREAM_SLOPE: f64 = 0.28;
/// No hillside is steeper than this.
const STEEPEST: f64 = 0.44;

/// A square grid of posts from the south-west corner.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lattice {
    pub(crate) columns: usize,
    pub(crate) rows: usize,
    pub(crate) step_m: f64,
}

impl Lattice {
    pub(crate) fn len(self) -> usize {
        self.columns * self.rows
    }

    pub(crate) fn xy(self, cell: usize) -> (f64, f64) {
        let (column, row) = (cell % self.columns, cell / self.columns);
        (column as f64 * self.step_m, row as f64 * self.step_m)
    }

    pub(crate) fn nearest(self, (x, y): (f64, f64)) -> usize {
        let column = (x / self.step_m)
            .round()
            .clamp(0.0, (self.columns - 1) as f64) as usize;
        let row = (y / self.step_m).round().clamp(0.0, (self.rows - 1) as f64) as usize;
        row * self.columns + column
    }

    pub(crate) fn offset(self, cell: usize, dx: isize, dy: isize) -> Option<usize> {
        let column = (cell % self.columns)
            .checked_add_signed(dx)
            .filter(|&c| c < self.columns)?;
        let row = (cell / self.columns)
            .checked_add_signed(dy)
            .filter(|&r| r < self.rows)?;
        Some(row * self.columns + column)
    }

    /// The up to eight neighbours with their distance in steps.
    pub(crate) fn around(self, cell: usize) -> impl Iterator<Item = (usize, f64)> {
        const AROUND: [(isize, isize); 8] = [
            (1, 0),
            (0, 1),
            (-1, 0),
            (0, -1),
            (1, 1),
            (-1, 1),
            (-1, -1),
            (1, -1),
        ];
        AROUND
            .into_iter()
            .enumerate()
            .filter_map(move |(at, (dx, dy))| {
                let far = if at < 4 {
                    1.0
                } else {
                    std::f64::consts::SQRT_2
                };
                Some((self.offset(cell, dx, dy)?, far))
            })
    }
}

/// A lake on the coarse lattice.
#[derive(Debug, Clone)]
pub(crate) struct Lake {
    pub(crate) level_m: f64,
    pub(crate) cells: Vec<usize>,
}

/// The ground: a coarse lattice for what shapes the country, a fine one for what is built on it.
#[derive(Debug)]
pub(crate) struct Land {
    pub(crate) coarse: Lattice,
    pub(crate) fine: Lattice,
    /// Coarse heights, metres; the sea is negative.
    pub(crate) height_m: Vec<f32>,
    /// Where the water of a coarse cell goes; itself in the sea.
    pub(crate) receiver: Vec<u32>,
    /// Square kilometres that drain through a coarse cell.
    pub(crate) drains_km2: Vec<f32>,
    /// Land cells, every receiver before its donors.
    pub(crate) order: Vec<u32>,
    pub(crate) lakes: Vec<Lake>,
    /// 0, or 1 + index of the lake on a coarse cell.
    pub(crate) lake_of: Vec<u16>,
    /// Fine heights, metres.
    pub(crate) fine_m: Vec<f32>,
    /// Fine posts under water: sea or lake.
    pub(crate) wet: Vec<bool>,
    /// Smooth share of lake in 0..1 on the fine lattice; the shore is at one half.
    pub(crate) lake_share: Vec<f32>,
}

impl Land {
    pub(crate) fn shape(
        country: &Country,
        step: &mut dyn FnMut(f64) -> Result<(), Canceled>,
    ) -> Result<Self, Canceled> {
        let (width_m, depth_m) = (country.width_km * 1000.0, country.height_km * 1000.0);
        let step_m = (width_m.min(depth_m) / 64.0).clamp(12.0, 200.0);
        let coarse = Lattice {
            columns: (width_m / step_m).ceil() as usize + 1,
            rows: (depth_m / step_m).ceil() as usize + 1,
            step_m,
        };
        let fine = Lattice {
            columns: (coarse.columns - 1) * FINE + 1,
            rows: (coarse.rows - 1) * FINE + 1,
            step_m: step_m / FINE as f64,
        };
        let (above, uplift) = outline(country, coarse);
        let mut land = Self {
            coarse,
            fine,
            height_m: above.iter().map(|&a| a.max(0.0) as f32).collect(),
            receiver: Vec::new(),
            drains_km2: Vec::new(),
            order: Vec::new(),
            lakes: Vec::new(),
            lake_of: vec![0; coarse.len()],
            fine_m: Vec::new(),
            wet: Vec::new(),
            lake_share: Vec::new(),
        };
        let sea = open_sea(coarse, &above);
        for round in 0..EROSION_STEPS {
            let order = land.drain(&sea);
            land.erode(&order, &sea, &uplift);
            step(0.8 * (round + 1) as f64 / EROSION_STEPS as f64)?;
        }
        land.scale(country);
        land.flatten_valleys(&sea);
        land.order = land.drain(&sea);
        land.dam_lakes(country);
        land.sink_sea(&sea);
        step(0.85)?;
        land.refine(country);
        step(1.0)?;
        Ok(land)
    }

    /// Fills pits, points every cell to its steepest lower neighbour, adds up areas. Gives the
    /// land cells from the sea upwards.
    fn drain(&mut self, sea: &[bool]) -> Vec<u32> {
        let n = self.coarse.len();
        let lattice = self.coarse;
        let key = |height: f32, cell: usize| {
            // The bits of positive floats sort as the floats do.
            Reverse((u64::from(height.max(0.0).to_bits()) << 32) | cell as u64)
        };
        let mut heap = BinaryHeap::new();
        let mut seen = vec![false; n];
        for cell in 0..n {
            if sea[cell] {
                seen[cell] = true;
                if lattice.around(cell).any(|(next, _)| !sea[next]) {
                    heap.push(key(0.0, cell));
                }
            }
        }
        let mut order = Vec::with_capacity(n);
        while let Some(Reverse(packed)) = heap.pop() {
            let cell = (packed & 0xFFFF_FFFF) as usize;
            if !sea[cell] {
                order.push(cell as u32);
            }
            let spill = if sea[cell] { 0.0 } else { self.height_m[cell] };
            for (next, far) in lattice.around(cell) {
                if !seen[next] {
                    seen[next] = true;
                    let least = spill + (far * lattice.step_m * 0.0005) as f32;
                    self.height_m[next] = self.height_m[next].max(least);
                    heap.push(key(self.height_m[next], next));
                }
            }
        }
        self.receiver = (0..n as u32).collect();
        for &cell in &order {
            let here = self.height_m[cell as usize];
            let mut steepest = 0.0;
            for (next, far) in lattice.around(cell as usize) {
                let there = if sea[next] { 0.0 } else { self.height_m[next] };
                // A whim of the rock, or all water would run along the grid.
                let slope = f64::from(here - there) / far * whim(cell as usize, next);
                if slope > steepest {
                    steepest = slope;
                    self.receiver[cell as usize] = next as u32;
                }
            }
        }
        let own_km2 = (lattice.step_m * lattice.step_m * 1e-6) as f32;
        self.drains_km2 = vec![own_km2; n];
        for &cell in order.iter().rev() {
            let to = self.receiver[cell as usize];
            if to != cell {
                self.drains_km2[to as usize] += self.drains_km2[cell as usize];
            }
        }
        order
    }

    fn erode(&mut self, order: &[u32], sea: &[bool], uplift: &[f32]) {
        let rate = UPLIFT_M / STREAM_SLOPE;
        for &cell in order {
            let cell = cell as usize;
            let to = self.receiver[cell] as usize;
            let (a, b) = (self.coarse.xy(cell), self.coarse.xy(to));
            let run_m = (a.0 - b.0).hypot(a.1 - b.1).max(1.0);
            let below = if sea[to] {
                0.0
            } else {
                f64::from(self.height_m[to])
            };
            let cut = rate * f64::from(self.drains_km2[cell]).sqrt() / run_m;
            let raised = f64::from(self.height_m[cell]) + UPLIFT_M * f64::from(uplift[cell]);
            let height = (raised + cut * below) / (1.0 + cut);
            self.height_m[cell] = height.min(below + STEEPEST * run_m) as f32;
        }
    }

    /// Stretches heights towards what a country of this size should have.
    fn scale(&mut self, country: &Country) {
        let top = self.height_m.iter().fold(0.0f32, |t, &h| t.max(h));
        let wanted = (90.0 * country.area_km2().powf(0.4)).clamp(60.0, 2700.0);
        let factor = (wanted / f64::from(top.max(1.0))).clamp(0.4, 1.15) as f32;
        for height in &mut self.height_m {
            *height *= factor;
        }
    }

    /// Widens the floors of larger valleys.
    fn flatten_valleys(&mut self, sea: &[bool]) {
        let mut lowered = self.height_m.clone();
        for cell in 0..self.coarse.len() {
            let km2 = f64::from(self.drains_km2[cell]);
            if sea[cell] || km2 < 8.0 {
                continue;
            }
            let half_m = (60.0 + 45.0 * km2.sqrt()).min(900.0);
            let reach = (half_m / self.coarse.step_m).ceil() as isize;
            let floor_m = f64::from(self.height_m[cell]);
            for dy in -reach..=reach {
                for dx in -reach..=reach {
                    let Some(near) = self.coarse.offset(cell, dx, dy) else {
                        continue;
                    };
                    let far_m = (dx as f64).hypot(dy as f64) * self.coarse.step_m;
                    if !sea[near] && far_m <= half_m {
                        lowered[near] = lowered[near].min((floor_m + 0.025 * far_m) as f32);
                    }
                }
            }
        }
        self.height_m = lowered;
    }

    /// Holds back a few rivers, as moraines and landslides do.
    fn dam_lakes(&mut self, country: &Country) {
        let mut dice = Dice::new(country.seed, 3);
        let n = self.coarse.len();
        let own_km2 = self.coarse.step_m.powi(2) * 1e-6;
        let wanted = (country.area_km2() / 380.0).ceil().min(4000.0) as usize;
        let mut donors: Vec<Vec<u32>> = vec![Vec::new(); n];
        for (cell, &to) in self.receiver.iter().enumerate() {
            if to as usize != cell {
                donors[to as usize].push(cell as u32);
            }
        }
        let least_km2 = f64::from(country.area_km2().sqrt() as f32 / 8.0).min(10.0);
        let mut outlets: Vec<usize> = (0..n)
            .filter(|&c| {
                let km2 = f64::from(self.drains_km2[c]);
                km2 > least_km2 && km2 < 25.0 * least_km2 && self.height_m[c] > 25.0
            })
            .collect();
        let apart_m = (4.0 * self.coarse.step_m).max(5000.0);
        let mut taken: Vec<(f64, f64)> = Vec::new();
        while self.lakes.len() < wanted && !outlets.is_empty() {
            let outlet = outlets.swap_remove(dice.below(outlets.len()));
            let here = self.coarse.xy(outlet);
            let tall = dice.between(0.7, 1.6) * (0.12 * self.coarse.step_m);
            if taken
                .iter()
                .any(|t| (t.0 - here.0).hypot(t.1 - here.1) < apart_m)
            {
                continue;
            }
            let level = self.height_m[outlet] + tall as f32;
            let mut cells = Vec::new();
            let mut open = vec![outlet];
            while let Some(cell) = open.pop() {
                cells.push(cell);
                open.extend(
                    donors[cell]
                        .iter()
                        .map(|&d| d as usize)
                        .filter(|&d| self.height_m[d] < level && self.lake_of[d] == 0),
                );
            }
            let km2 = cells.len() as f64 * own_km2;
            if cells.len() < 16 || km2 > 0.003 * country.area_km2().max(1000.0) {
                continue;
            }
            self.lakes.push(Lake {
                level_m: f64::from(level),
                cells,
            });
            taken.push(here);
            let id = self.lakes.len() as u16;
            for &cell in &self.lakes[self.lakes.len() - 1].cells {
                self.lake_of[cell] = id;
                self.height_m[cell] = level;
            }
        }
    }

    /// Wide lakes get an island: a cell all around which there is lake.
    fn raise_lake_islands(&mut self) {
        for lake in self.lakes.iter().filter(|l| l.cells.len() >= 20) {
            let open = |c: usize| {
                self.lake_of[c] > 0 && self.coarse.around(c).all(|(n, _)| self.lake_of[n] > 0)
            };
            let Some(&middle) = lake.cells.iter().find(|&&c| open(c)) else {
                continue;
            };
            let (x0, y0) = self.coarse.xy(middle);
            let post = self.fine_of(middle);
            for dy in -(FINE as isize)..=FINE as isize {
                for dx in -(FINE as isize)..=FINE as isize {
                    let Some(near) = self.fine.offset(post, dx, dy) else {
                        continue;
                    };
                    let (x, y) = self.fine.xy(near);
                    // Longer than wide.
                    let far = (x - x0).hypot(1.5 * (y - y0) + 0.5 * (x - x0)) / self.coarse.step_m;
                    let bump = (1.0 - far / 0.8).max(0.0) * 1.3;
                    self.lake_share[near] -= bump as f32;
                }
            }
        }
    }

    /// Lets the sea floor fall away from the coast.
    fn sink_sea(&mut self, sea: &[bool]) {
        let n = self.coarse.len();
        let mut steps = vec![u32::MAX; n];
        let mut queue: VecDeque<usize> = (0..n).filter(|&c| !sea[c]).collect();
        for &cell in &queue {
            steps[cell] = 0;
        }
        while let Some(cell) = queue.pop_front() {
            for (next, _) in self.coarse.around(cell) {
                if steps[next] == u32::MAX {
                    steps[next] = steps[cell] + 1;
                    queue.push_back(next);
                }
            }
        }
        for cell in 0..n {
            if sea[cell] {
                let fall = (f64::from(steps[cell].min(100)) - 0.5) * self.coarse.step_m * 0.04;
                self.height_m[cell] = -(fall.min(300.0)) as f32;
            }
        }
    }

    /// Smooths onto the fine lattice and adds folds to the hillsides.
    fn refine(&mut self, country: &Country) {
        let heights = spread(self.coarse, self.fine, &self.height_m);
        let share: Vec<f32> = self
            .lake_of
            .iter()
            .map(|&l| f32::from(u8::from(l > 0)))
            .collect();
        self.lake_share = if self.lakes.is_empty() {
            vec![0.0; self.fine.len()]
        } else {
            spread(self.coarse, self.fine, &share)
        };
        self.raise_lake_islands();
        let folds = Noise::new(country.seed, 11);
        let long_m = 3.2 * self.coarse.step_m;
        self.fine_m = heights;
        self.wet = vec![false; self.fine.len()];
        let columns = self.fine.columns;
        let smooth = self.fine_m.clone();
        for row in 0..self.fine.rows {
            for column in 0..columns {
                let at = row * columns + column;
                let height = f64::from(smooth[at]);
                if height < -25.0 {
                    self.wet[at] = true;
                    continue;
                }
                let east = f64::from(smooth[at + usize::from(column + 1 < columns)]);
                let north = f64::from(smooth[at + columns * usize::from(row + 1 < self.fine.rows)]);
                let slope = (east - height).hypot(north - height) / self.fine.step_m;
                let (x, y) = self.fine.xy(at);
                let fold = folds.octaves(x / long_m, y / long_m, 2);
                let rough = (slope * 1.6).min(0.55) + 0.02;
                let height = height + fold * rough * 0.045 * long_m;
                self.fine_m[at] = height as f32;
                self.wet[at] = height <= 0.0;
                let share = f64::from(self.lake_share[at]);
                if share != 0.0 {
                    let level = self.lake_level_near(column / FINE, row / FINE);
                    if share >= 0.5 {
                        self.fine_m[at] = level as f32;
                        self.wet[at] = true;
                    } else {
                        let shore = level + (0.5 - share) * 8.0;
                        self.fine_m[at] = self.fine_m[at].max(shore as f32);
                    }
                }
            }
        }
    }

    fn lake_level_near(&self, column: usize, row: usize) -> f64 {
        let cell = row * self.coarse.columns + column;
        let reach = [0isize, 1, -1, 2, -2];
        for dy in reach {
            for dx in reach {
                let near = self
                    .coarse
                    .offset(cell, dx, dy)
                    .map_or(0, |c| self.lake_of[c]);
                if near > 0 {
                    return self.lakes[near as usize - 1].level_m;
                }
            }
        }
        0.0
    }

    /// Fine height at a point, bilinear.
    pub(crate) fn height_at(&self, (x, y): (f64, f64)) -> f64 {
        let x = (x / self.fine.step_m).clamp(0.0, (self.fine.columns - 1) as f64 - 1e-6);
        let y = (y / self.fine.step_m).clamp(0.0, (self.fine.rows - 1) as f64 - 1e-6);
        let (column, row) = (x as usize, y as usize);
        let (fx, fy) = (x - column as f64, y - row as f64);
        let post = |c: usize, r: usize| f64::from(self.fine_m[r * self.fine.columns + c]);
        let south = post(column, row) * (1.0 - fx) + post(column + 1, row) * fx;
        let north = post(column, row + 1) * (1.0 - fx) + post(column + 1, row + 1) * fx;
        south * (1.0 - fy) + north * fy
    }

    pub(crate) fn is_wet(&self, at: (f64, f64)) -> bool {
        self.wet[self.fine.nearest(at)]
    }

    /// Slope of the coarse ground.
    pub(crate) fn slope(&self, cell: usize) -> f64 {
        let h = |dx, dy| {
            let near = self.coarse.offset(cell, dx, dy).unwrap_or(cell);
            f64::from(self.height_m[near])
        };
        (h(1, 0) - h(-1, 0)).hypot(h(0, 1) - h(0, -1)) / (2.0 * self.coarse.step_m)
    }

    pub(crate) fn fine_of(&self, coarse: usize) -> usize {
        let (column, row) = (coarse % self.coarse.columns, coarse / self.coarse.columns);
        row * FINE * self.fine.columns + column * FINE
    }

    /// Whether a coarse cell is dry land.
    pub(crate) fn dry(&self, coarse: usize) -> bool {
        self.height_m[coarse] > 0.0 && self.lake_of[coarse] == 0
    }

    pub(crate) fn coarse_of(&self, fine: usize) -> usize {
        let (column, row) = (fine % self.fine.columns, fine / self.fine.columns);
        (row / FINE) * self.coarse.columns + column / FINE
    }
}

/// How far above the sea each coarse cell starts (metres), and its share of the uplift.
fn outline(country: &Country, coarse: Lattice) -> (Vec<f64>, Vec<f32>) {
    let (width_m, depth_m) = (country.width_km * 1000.0, country.height_km * 1000.0);
    let small_m = width_m.min(depth_m);
    let coast = Noise::new(country.seed, 1);
    let ranges = Noise::new(country.seed, 2);
    let mut dice = Dice::new(country.seed, 1);
    // One island off a corner, where the falling edge leaves open water.
    let corner = dice.below(4);
    let side = |bit: usize| if corner & bit == 0 { 0.14 } else { 0.86 };
    let island = (side(1) * width_m, side(2) * depth_m);
    let island_m = 0.062 * small_m;
    let coast_m = 0.42 * small_m.min(120_000.0);
    let range_m = (0.42 * small_m).min(19_000.0);
    let hill_m = 0.28 * range_m;
    let mut above = Vec::with_capacity(coarse.len());
    let mut uplift = Vec::with_capacity(coarse.len());
    for cell in 0..coarse.len() {
        let (x, y) = coarse.xy(cell);
        let (u, v) = (2.0 * x / width_m - 1.0, 2.0 * y / depth_m - 1.0);
        let radius = (u.abs().powf(2.6) + v.abs().powf(2.6)).powf(1.0 / 2.6);
        let ragged = coast.octaves(x / coast_m, y / coast_m, 5);
        let mut shore = 0.8 - radius + 0.42 * ragged;
        let rim_m = x.min(y).min(width_m - x).min(depth_m - y);
        shore = shore.min(rim_m / small_m * 3.0 - 0.14 + 0.1 * ragged);
        let from_island = (x - island.0).hypot(y - island.1) / island_m;
        // A strait keeps the island an island.
        shore = shore.min((from_island - 2.2 + 0.5 * ragged) * 0.3);
        shore = shore.max(0.12 * (1.0 - from_island + 0.7 * ragged));
        above.push(shore * 60.0);
        let warp = 0.35 * coast.at(x / range_m + 50.0, y / range_m);
        let crest = 1.0 - ranges.at(x / range_m + warp, y / range_m - warp).abs() * 2.1;
        let crest = ((crest - 0.1) / 0.75).clamp(0.0, 1.0);
        let crest = crest * crest * (3.0 - 2.0 * crest);
        let inland = (shore * 3.2).clamp(0.06, 1.0);
        let lumps = 1.0 + 0.55 * coast.octaves(x / hill_m - 9.0, y / hill_m, 3);
        uplift.push(((0.09 + 0.91 * crest) * inland * lumps.max(0.1)) as f32);
    }
    (above, uplift)
}

/// A factor around one that belongs to a pair of cells.
fn whim(cell: usize, next: usize) -> f64 {
    let mixed = (cell as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15)
        ^ (next as u64).wrapping_mul(0xC2B2_AE3D_27D4_EB4F);
    let mixed = (mixed ^ (mixed >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    0.7 + 0.6 * (mixed >> 40) as f64 / (1u64 << 24) as f64
}

/// Cells at or below the sea that the sea can reach from the rim.
fn open_sea(coarse: Lattice, above: &[f64]) -> Vec<bool> {
    let mut sea = vec![false; above.len()];
    let rim = |c: usize| {
        let (column, row) = (c % coarse.columns, c / coarse.columns);
        column == 0 || row == 0 || column + 1 == coarse.columns || row + 1 == coarse.rows
    };
    let mut open: Vec<usize> = (0..above.len()).filter(|&c| rim(c)).collect();
    while let Some(cell) = open.pop() {
        if !sea[cell] {
            sea[cell] = true;
            open.extend(
                coarse
                    .around(cell)
                    .map(|(n, _)| n)
                    .filter(|&n| above[n] <= 0.0),
            );
        }
    }
    sea
}

/// Cubic B-spline from the coarse to the fine lattice: smooth, and never beyond its posts.
fn spread(coarse: Lattice, fine: Lattice, values: &[f32]) -> Vec<f32> {
    let weights: Vec<[f32; 4]> = (0..FINE)
        .map(|at| {
            let t = at as f32 / FINE as f32;
            let (t2, t3) = (t * t, t * t * t);
            [
                (1.0 - 3.0 * t + 3.0 * t2 - t3) / 6.0,
                (4.0 - 6.0 * t2 + 3.0 * t3) / 6.0,
                (1.0 + 3.0 * t + 3.0 * t2 - 3.0 * t3) / 6.0,
                t3 / 6.0,
            ]
        })
        .collect();
    let blend = |count: usize, at: usize, value: &dyn Fn(usize) -> f32| {
        let (base, w) = (at / FINE, &weights[at % FINE]);
        let post = |shift: usize| value((base + shift).saturating_sub(1).min(count - 1));
        w[0] * post(0) + w[1] * post(1) + w[2] * post(2) + w[3] * post(3)
    };
    let mut wide = vec![0.0; fine.columns * coarse.rows];
    for row in 0..coarse.rows {
        let line = &values[row * coarse.columns..(row + 1) * coarse.columns];
        for column in 0..fine.columns {
            wide[row * fine.columns + column] = blend(coarse.columns, column, &|c| line[c]);
        }
    }
    let mut full = vec![0.0; fine.len()];
    for row in 0..fine.rows {
        for column in 0..fine.columns {
            full[row * fine.columns + column] =
                blend(coarse.rows, row, &|r| wide[r * fine.columns + column]);
        }
    }
    full
}
