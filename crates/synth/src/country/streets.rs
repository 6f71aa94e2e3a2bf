//! Street grids of towns and villages.

use super::Country;
use super::curve::Xy;
use super::land::Land;
use super::random::{Dice, Noise};
use super::roads::{Kind, Roads, Role};
use super::sites::{Rank, Site};
use super::weave::Segments;

/// Reach of a settlement in a direction: round, but not a circle.
pub(crate) fn reach_m(country: &Country, index: usize, site: &Site, angle: f64) -> f64 {
    let shape = Noise::new(country.seed, 40);
    let at = (angle.cos() * 1.1 + index as f64 * 7.7, angle.sin() * 1.1);
    site.radius_m * (1.0 + 0.35 * shape.at(at.0, at.1))
}

/// Lays out the streets of every settlement over the roads that are there.
pub(crate) fn lay_out(
    country: &Country,
    land: &Land,
    river: &[bool],
    sites: &[Site],
    roads: &mut Roads,
) {
    let there = Segments::of_roads(roads);
    for (index, site) in sites.iter().enumerate() {
        let mut dice = Dice::new(country.seed, 1000 + index as u64);
        let turn = dice.between(0.0, std::f64::consts::FRAC_PI_2);
        let (sin, cos) = turn.sin_cos();
        let block_m = match site.rank {
            Rank::City | Rank::Town => (dice.between(85.0, 115.0), dice.between(65.0, 90.0)),
            _ => (dice.between(70.0, 95.0), dice.between(60.0, 80.0)),
        };
        let half = (site.radius_m * 1.5 / block_m.1).ceil() as i64;
        let shift = (dice.between(0.2, 0.8), dice.between(0.2, 0.8));
        let bend = Noise::new(country.seed, 2000 + index as u64);
        let place = |i: i64, j: i64| -> Xy {
            let (a, b) = (
                (i as f64 + shift.0) * block_m.0,
                (j as f64 + shift.1) * block_m.1,
            );
            // Grids bend a little with the ground.
            let a = a + 22.0 * bend.at(b / 420.0, 0.3);
            let b = b + 22.0 * bend.at(0.7, a / 420.0);
            (site.at.0 + a * cos - b * sin, site.at.1 + a * sin + b * cos)
        };
        let inside = |at: Xy| {
            let (dx, dy) = (at.0 - site.at.0, at.1 - site.at.1);
            dx.hypot(dy) < reach_m(country, index, site, dy.atan2(dx)) && !land.is_wet(at)
        };
        let street = |a: (i64, i64), b: (i64, i64), dice: &mut Dice| -> Option<(Xy, Xy)> {
            let (p, q) = (place(a.0, a.1), place(b.0, b.1));
            let steep =
                (land.height_at(p) - land.height_at(q)).abs() > 0.1 * (p.0 - q.0).hypot(p.1 - q.1);
            let gap = dice.chance(if site.rank <= Rank::Town { 0.1 } else { 0.25 });
            // Only every fourth street has a bridge.
            let wet = (0..=4).any(|k| {
                let t = f64::from(k) / 4.0;
                river[land
                    .fine
                    .nearest((p.0 + (q.0 - p.0) * t, p.1 + (q.1 - p.1) * t))]
            });
            let dry = !wet || (a.0 == b.0 && a.0.rem_euclid(4) == 0);
            (inside(p) && inside(q) && dry && !steep && !gap && !there.runs_beside(p, q, 24.0))
                .then_some((p, q))
        };
        for across in [false, true] {
            for row in -half..=half {
                let mut points: Vec<(i64, i64)> = Vec::new();
                let mut pieces = Vec::new();
                for k in -half..half {
                    let (a, b) = if across {
                        ((row, k), (row, k + 1))
                    } else {
                        ((k, row), (k + 1, row))
                    };
                    if street(a, b, &mut dice).is_some() {
                        if points.is_empty() {
                            points.push(a);
                        }
                        points.push(b);
                    } else if !points.is_empty() {
                        pieces.push(std::mem::take(&mut points));
                    }
                }
                pieces.extend((!points.is_empty()).then_some(points));
                let oneway = site.rank <= Rank::Town && row.rem_euclid(4) < 2 && dice.chance(0.5);
                for piece in pieces {
                    let mut ids: Vec<u32> = Vec::new();
                    for &(i, j) in &piece {
                        // Both directions of a grid share its crossings.
                        let key = usize::MAX - lattice_key(index, i, j);
                        let known = roads.anchor.get(&key).copied();
                        let id = known.unwrap_or_else(|| {
                            let id = roads.point(place(i, j));
                            roads.anchor.insert(key, id);
                            id
                        });
                        ids.push(id);
                    }
                    if oneway && row.rem_euclid(4) == 1 {
                        ids.reverse();
                    }
                    let service = site.rank >= Rank::Village && piece.len() == 2;
                    let kind = if service {
                        Kind::Service
                    } else {
                        Kind::Residential
                    };
                    roads.add(kind, Role::Street(index), ids).oneway = oneway;
                }
            }
        }
    }
}

fn lattice_key(site: usize, i: i64, j: i64) -> usize {
    (site << 16) | ((((i + 128) as usize) & 0xFF) << 8) | (((j + 128) as usize) & 0xFF)
}
