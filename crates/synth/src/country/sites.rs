//! Where people settled, and where the ranges can be crossed.

use std::collections::BTreeMap;

use super::Country;
use super::land::Land;
use super::random::{Dice, Noise};

/// Kinds of settlement, largest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Rank {
    City,
    Town,
    Village,
    Hamlet,
}

/// A settlement around a coarse cell.
#[derive(Debug, Clone)]
pub(crate) struct Site {
    pub(crate) rank: Rank,
    pub(crate) cell: usize,
    pub(crate) at: (f64, f64),
    pub(crate) radius_m: f64,
    pub(crate) people: u32,
    /// Piece of land, counted from the largest: 0 is the mainland.
    pub(crate) landmass: u32,
}

/// The lowest point of the divide between two valleys.
#[derive(Debug, Clone)]
pub(crate) struct Pass {
    pub(crate) cell: usize,
    /// A settlement on either side, as indices.
    pub(crate) sides: [usize; 2],
}

/// Pieces of land on the coarse lattice: 0 is the largest, `u32::MAX` the sea.
pub(crate) fn landmasses(land: &Land) -> Vec<u32> {
    let n = land.coarse.len();
    let mut piece = vec![u32::MAX; n];
    let mut sizes: Vec<(usize, u32)> = Vec::new();
    for start in 0..n {
        if piece[start] != u32::MAX || land.height_m[start] <= 0.0 {
            continue;
        }
        let id = sizes.len() as u32;
        piece[start] = id;
        let (mut open, mut size) = (vec![start], 0);
        while let Some(cell) = open.pop() {
            size += 1;
            for (next, _) in land.coarse.around(cell) {
                if piece[next] == u32::MAX && land.height_m[next] > 0.0 {
                    piece[next] = id;
                    open.push(next);
                }
            }
        }
        sizes.push((size, id));
    }
    sizes.sort_by_key(|&(size, id)| (std::cmp::Reverse(size), id));
    let mut place = vec![0; sizes.len()];
    for (at, &(_, id)) in sizes.iter().enumerate() {
        place[id as usize] = at as u32;
    }
    piece
        .iter()
        .map(|&p| if p == u32::MAX { p } else { place[p as usize] })
        .collect()
}

/// Settlements, largest first: flat ground, low, near water, and apart from each other.
pub(crate) fn settle(country: &Country, land: &Land, landmass: &[u32]) -> Vec<Site> {
    let coarse = land.coarse;
    let mut dice = Dice::new(country.seed, 20);
    let liking = Noise::new(country.seed, 21);
    let mut scored: Vec<(f64, usize)> = Vec::new();
    let mut land_cells = 0usize;
    for (cell, &piece) in landmass.iter().enumerate() {
        if !land.dry(cell) || piece == u32::MAX {
            continue;
        }
        land_cells += 1;
        let around: Vec<usize> = coarse.around(cell).map(|(n, _)| n).collect();
        if around.len() < 8 || around.iter().any(|&n| land.lake_of[n] > 0) {
            continue;
        }
        let coast = around
            .iter()
            .any(|&n| coarse.around(n).any(|(m, _)| land.height_m[m] <= 0.0));
        if around.iter().any(|&n| land.height_m[n] <= 0.0) {
            continue;
        }
        let slope = land.slope(cell);
        let river = f64::from(land.drains_km2[cell]).min(120.0).sqrt() / 11.0;
        let (x, y) = coarse.xy(cell);
        let score = 1.0 - slope * 7.0 + 0.4 * river + if coast { 0.12 } else { 0.0 }
            - f64::from(land.height_m[cell]) / 2200.0
            + 0.4 * liking.at(x / 5000.0, y / 5000.0)
            + dice.between(0.0, 0.6);
        if slope < 0.16 {
            scored.push((score, cell));
        }
    }
    scored.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let land_km2 = land_cells as f64 * coarse.step_m.powi(2) * 1e-6;
    let share = |km2: f64| (land_km2 / km2).round() as usize;
    let plan = [
        (
            Rank::City,
            share(2600.0).max(usize::from(land_km2 > 300.0)),
            22_000.0,
        ),
        (
            Rank::Town,
            share(300.0).max(usize::from(land_km2 > 20.0)),
            8500.0,
        ),
        (Rank::Village, share(36.0).max(1), 3300.0),
        (Rank::Hamlet, share(15.0).max(3), 1700.0),
    ];
    let mut sites: Vec<Site> = Vec::new();
    let mut cells: BTreeMap<(i64, i64), Vec<usize>> = BTreeMap::new();
    const BIN_M: f64 = 22_000.0;
    for (rank, wanted, apart_m) in plan {
        let apart_m = f64::min(apart_m, 0.45 * (land_km2.sqrt() * 1000.0));
        let mut found = 0;
        for &(_, cell) in &scored {
            if found >= wanted {
                break;
            }
            let at = coarse.xy(cell);
            let bin = ((at.0 / BIN_M) as i64, (at.1 / BIN_M) as i64);
            let crowded = (-1..=1).any(|dx| {
                (-1..=1).any(|dy| {
                    cells.get(&(bin.0 + dx, bin.1 + dy)).is_some_and(|near| {
                        near.iter().any(|&s| {
                            let o: &Site = &sites[s];
                            let clear = apart_m.max(o.radius_m * 1.6);
                            (o.at.0 - at.0).hypot(o.at.1 - at.1) < clear
                        })
                    })
                })
            });
            // Cities and towns belong on the mainland, and need room.
            let room = landmass[cell] == 0 || rank >= Rank::Village;
            if crowded || !room {
                continue;
            }
            let (people, radius_m) = match rank {
                Rank::City => (
                    dice.between(60_000.0, 140_000.0),
                    dice.between(1250.0, 1500.0),
                ),
                Rank::Town => (dice.between(4000.0, 19_000.0), dice.between(520.0, 820.0)),
                Rank::Village => (dice.between(300.0, 1900.0), dice.between(210.0, 330.0)),
                Rank::Hamlet => (dice.between(15.0, 120.0), dice.between(100.0, 140.0)),
            };
            let radius_m = radius_m.min(coarse.step_m * 8.0);
            cells.entry(bin).or_default().push(sites.len());
            sites.push(Site {
                rank,
                cell,
                at,
                radius_m,
                people: people as u32,
                landmass: landmass[cell],
            });
            found += 1;
        }
    }
    sites
}

/// High saddles between valleys that are both settled, highest first.
pub(crate) fn passes(country: &Country, land: &Land, sites: &[Site]) -> Vec<Pass> {
    let coarse = land.coarse;
    let catchment = catchments(land, country.area_km2());
    let mut saddles: BTreeMap<(u32, u32), (f32, usize)> = BTreeMap::new();
    for &cell in &land.order {
        let cell = cell as usize;
        for (next, _) in coarse.around(cell) {
            if !land.dry(cell) || !land.dry(next) || catchment[cell] >= catchment[next] {
                continue;
            }
            let (here, there) = (land.height_m[cell], land.height_m[next]);
            let saddle = if here > there {
                (here, cell)
            } else {
                (there, next)
            };
            let known = saddles
                .entry((catchment[cell], catchment[next]))
                .or_insert(saddle);
            if saddle.0 < known.0 {
                *known = saddle;
            }
        }
    }
    let top = land.height_m.iter().fold(0.0f32, |t, &h| t.max(h));
    let mut found: Vec<(f32, usize, u32, u32)> = saddles
        .into_iter()
        .filter(|(_, (height, _))| *height > 0.3 * top)
        .map(|((a, b), (height, cell))| (height, cell, a, b))
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let wanted = (country.area_km2() / 330.0).ceil() as usize;
    let mut passes: Vec<Pass> = Vec::new();
    for (height_m, cell, a, b) in found {
        if passes.len() >= wanted {
            break;
        }
        let at = coarse.xy(cell);
        let clear_m = 4500.0f64.min(0.1 * country.width_km * 1000.0);
        let near_pass = |p: &Pass| {
            let o = coarse.xy(p.cell);
            (o.0 - at.0).hypot(o.1 - at.1) < clear_m
        };
        if passes.iter().any(near_pass) || !is_saddle(land, cell) {
            continue;
        }
        let side = |label: u32| {
            let near = sites.iter().enumerate().filter(|(_, s)| {
                catchment[s.cell] == label
                    && f64::from(land.height_m[s.cell])
                        < f64::from(height_m) - 0.12 * f64::from(top)
            });
            near.map(|(i, s)| ((s.at.0 - at.0).hypot(s.at.1 - at.1), i))
                .filter(|&(far_m, _)| far_m < 16_000.0)
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .map(|(_, i)| i)
        };
        if let (Some(one), Some(other)) = (side(a), side(b)) {
            passes.push(Pass {
                cell,
                sides: [one, other],
            });
        }
    }
    passes
}

/// Whether the ground around rises on two sides and falls on the two between them.
fn is_saddle(land: &Land, cell: usize) -> bool {
    const RING: [(isize, isize); 16] = [
        (4, 0),
        (4, 2),
        (3, 3),
        (2, 4),
        (0, 4),
        (-2, 4),
        (-3, 3),
        (-4, 2),
        (-4, 0),
        (-4, -2),
        (-3, -3),
        (-2, -4),
        (0, -4),
        (2, -4),
        (3, -3),
        (4, -2),
    ];
    let higher = RING.map(|(dx, dy)| {
        let near = land.coarse.offset(cell, dx, dy);
        near.is_some_and(|n| land.height_m[n] > land.height_m[cell])
    });
    (0..RING.len())
        .filter(|&k| higher[k] != higher[(k + 1) % RING.len()])
        .count()
        >= 4
}

/// Labels every land cell with its valley: a river to the sea, or a large tributary of one.
fn catchments(land: &Land, area_km2: f64) -> Vec<u32> {
    let own = (area_km2 / 110.0).clamp(0.05, 14.0) as f32;
    let mut label = vec![u32::MAX; land.coarse.len()];
    for &cell in &land.order {
        let (cell, to) = (cell as usize, land.receiver[cell as usize] as usize);
        let tributary =
            land.drains_km2[cell] > own && land.drains_km2[to] > land.drains_km2[cell] * 1.4;
        label[cell] = if label[to] == u32::MAX || tributary {
            cell as u32
        } else {
            label[to]
        };
    }
    label
}
