//! Water, woods, peaks, built-up areas and borders.

use std::collections::HashMap;

use super::Country;
use super::contour::{contains, rings, signed_area_m2, soften};
use super::curve::{Xy, round};
use super::land::Land;
use super::names::Names;
use super::random::Noise;
use super::sheet::{Sheet, member, tags};
use super::sites::Site;
use super::streets::reach_m;
use super::weave::Water;
use crate::world::{MemberKind, Tags};

/// Catchment of a stream and of a river on the map, km² in a country of some size.
const STREAM_KM2: f64 = 2.2;
const RIVER_KM2: f64 = 22.0;

/// Watercourses, longest first; a tributary ends on a point of the river it joins.
pub(crate) fn waters(country: &Country, land: &Land) -> Vec<Water> {
    let n = land.coarse.len();
    let small = (country.area_km2() / 400.0).clamp(0.02, 1.0);
    let stream = (STREAM_KM2 * small) as f32;
    let wet = |c: usize| land.height_m[c] <= 0.0 || land.lake_of[c] > 0;
    let mut fed = vec![false; n];
    let mut to_sea = vec![0u32; n];
    for &cell in &land.order {
        let (cell, to) = (cell as usize, land.receiver[cell as usize] as usize);
        to_sea[cell] = to_sea[to] + 1;
        if land.drains_km2[cell] >= stream && !wet(cell) {
            fed[to] = true;
        }
    }
    let mut heads: Vec<usize> = land
        .order
        .iter()
        .map(|&c| c as usize)
        .filter(|&c| land.drains_km2[c] >= stream && !wet(c) && !fed[c])
        .collect();
    // Rivers begin anew where they leave a lake.
    for &cell in &land.order {
        let to = land.receiver[cell as usize] as usize;
        if land.lake_of[cell as usize] > 0 && !wet(to) && land.drains_km2[to] >= stream {
            heads.push(cell as usize);
        }
    }
    heads.sort_by_key(|&c| (std::cmp::Reverse(to_sea[c]), c));
    heads.dedup();
    let meander = Noise::new(country.seed, 55);
    let mut point_of: HashMap<usize, Xy> = HashMap::new();
    let mut waters = Vec::new();
    for head in heads {
        let mut cells = vec![head];
        let mut cell = head;
        loop {
            let to = land.receiver[cell] as usize;
            if to == cell {
                break;
            }
            cells.push(to);
            cell = to;
            if point_of.contains_key(&cell) || wet(cell) {
                break;
            }
        }
        if cells.len() < 3 {
            continue;
        }
        let last = cells.len() - 1;
        let step_m = land.coarse.step_m;
        let mut corners: Vec<Xy> = cells
            .iter()
            .enumerate()
            .map(|(at, &c)| {
                let (x, y) = land.coarse.xy(c);
                let sway_m = if at == 0 || at == last {
                    0.0
                } else {
                    0.75 * step_m
                };
                let (u, v) = (x / (4.3 * step_m), y / (4.3 * step_m));
                (
                    x + sway_m * meander.at(u, v),
                    y + sway_m * meander.at(v + 31.0, u),
                )
            })
            .collect();
        if let (Some(&joint), Some(end)) = (point_of.get(&cell), corners.last_mut()) {
            *end = joint;
        }
        let (curve, marks) = round(&corners, |_| 40.0, 150.0);
        for (&cell, &mark) in cells.iter().zip(&marks) {
            point_of.entry(cell).or_insert(curve[mark]);
        }
        let river_km2 = (RIVER_KM2 * small) as f32;
        let grown = cells.iter().position(|&c| land.drains_km2[c] >= river_km2);
        let turn = grown.map_or(curve.len() - 1, |at| marks[at]);
        if turn > 0 {
            waters.push(Water {
                line: curve[..=turn].to_vec(),
                river: false,
            });
        }
        if turn + 1 < curve.len() {
            waters.push(Water {
                line: curve[turn..].to_vec(),
                river: true,
            });
        }
    }
    waters
}

/// Fine posts that a watercourse runs over.
pub(crate) fn river_posts(land: &Land, waters: &[Water]) -> Vec<bool> {
    let mut posts = vec![false; land.fine.len()];
    for pair in waters.iter().flat_map(|w| w.line.windows(2)) {
        let (a, b) = (pair[0], pair[1]);
        let steps = ((a.0 - b.0).hypot(a.1 - b.1) / land.fine.step_m * 2.0)
            .ceil()
            .max(1.0);
        for k in 0..=steps as usize {
            let t = k as f64 / steps;
            posts[land
                .fine
                .nearest((a.0 + (b.0 - a.0) * t, a.1 + (b.1 - a.1) * t))] = true;
        }
    }
    posts
}

/// Draws everything that no one built.
pub(crate) fn draw(
    country: &Country,
    land: &Land,
    waters: &[Water],
    sites: &[Site],
    names: &mut Names,
    sheet: &mut Sheet,
) {
    coast(land, sheet);
    lakes(land, names, sheet);
    for water in waters {
        let kind = if water.river { "river" } else { "stream" };
        let mut all = tags(&[("waterway", kind)]);
        if water.river || water.line.len() > 25 {
            all.push(("name".into(), names.with("%")));
        }
        sheet.line(&water.line, all);
    }
    woods(country, land, sites, sheet);
    peaks(land, names, sheet);
    for (index, site) in sites.iter().enumerate() {
        let ring: Vec<Xy> = (0..=36)
            .map(|k| {
                let angle = f64::from(k % 36) / 36.0 * std::f64::consts::TAU;
                let reach_m = reach_m(country, index, site, angle) * 1.06 + 20.0;
                (
                    site.at.0 + reach_m * angle.cos(),
                    site.at.1 + reach_m * angle.sin(),
                )
            })
            .collect();
        sheet.line(&ring, tags(&[("landuse", "residential")]));
    }
}

/// The coast, with land on the left and water on the right as the map convention has it.
fn coast(land: &Land, sheet: &mut Sheet) {
    let fine = land.fine;
    let value = |c: usize, r: usize| f64::from(land.fine_m[r * fine.columns + c]);
    for ring in rings((fine.columns, fine.rows), (0.0, 0.0), fine.step_m, value) {
        let area_m2 = signed_area_m2(&ring);
        if area_m2.abs() < 3.0 * fine.step_m.powi(2) {
            continue;
        }
        let ring = soften(&ring);
        if area_m2 < 0.0 {
            // Low ground below the sea's level is a lagoon, not the sea.
            sheet.line(&ring, tags(&[("natural", "water"), ("water", "lagoon")]));
            continue;
        }
        // Long coasts are many ways, joined end to end.
        const WAY_POINTS: usize = 600;
        let mut from = 0;
        while from + 1 < ring.len() {
            let to = (from + WAY_POINTS).min(ring.len() - 1);
            sheet.line(&ring[from..=to], tags(&[("natural", "coastline")]));
            from = to;
        }
    }
}

fn lakes(land: &Land, names: &mut Names, sheet: &mut Sheet) {
    let fine = land.fine;
    let value = |c: usize, r: usize| f64::from(land.lake_share[r * fine.columns + c]) - 0.5;
    let all = rings((fine.columns, fine.rows), (0.0, 0.0), fine.step_m, value);
    draw_areas(all, 20.0 * fine.step_m.powi(2), sheet, &mut |_| {
        let mut all = tags(&[("natural", "water"), ("water", "lake")]);
        all.push(("name".into(), names.with("Ouve %")));
        all
    });
}

/// Draws rings as areas, every hole in the smallest outer ring around it.
fn draw_areas(
    rings: Vec<Vec<Xy>>,
    least_m2: f64,
    sheet: &mut Sheet,
    tags_of: &mut dyn FnMut(&[Xy]) -> Tags,
) {
    let (mut outers, mut holes) = (Vec::new(), Vec::new());
    for ring in rings {
        let area_m2 = signed_area_m2(&ring);
        if area_m2 > least_m2 {
            outers.push((area_m2, ring, Vec::new()));
        } else if area_m2 < -least_m2 * 0.1 {
            holes.push(ring);
        }
    }
    for hole in holes {
        let around = outers
            .iter_mut()
            .filter(|(_, outer, _)| contains(outer, hole[0]))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((_, _, inner)) = around {
            inner.push(soften(&hole));
        }
    }
    for (_, outer, inner) in outers {
        let all = tags_of(&outer);
        sheet.area(&soften(&outer), &inner, all);
    }
}

fn woods(country: &Country, land: &Land, sites: &[Site], sheet: &mut Sheet) {
    let coarse = land.coarse;
    let noise = Noise::new(country.seed, 50);
    let top = land.height_m.iter().fold(0.0f32, |t, &h| t.max(h));
    let tree_line_m = f64::from(top) * 0.74;
    let mut field: Vec<f32> = (0..coarse.len())
        .map(|cell| {
            if !land.dry(cell) {
                return -1.0;
            }
            let (x, y) = coarse.xy(cell);
            let scale_m = 14.0 * coarse.step_m;
            let patch = noise.octaves(x / scale_m, y / scale_m, 3);
            let height_m = f64::from(land.height_m[cell]);
            let bare = ((height_m - tree_line_m) / (0.1 * tree_line_m)).max(-1.0);
            let slope = land.slope(cell);
            (0.75 * patch + (slope * 3.2).min(0.75) - 0.36 - (bare + 1.0)) as f32
        })
        .collect();
    for site in sites {
        let reach = (site.radius_m * 1.5 / coarse.step_m).ceil() as isize;
        for dy in -reach..=reach {
            for dx in -reach..=reach {
                if let Some(near) = coarse.offset(site.cell, dx, dy) {
                    let far_m = (dx as f64).hypot(dy as f64) * coarse.step_m;
                    let clear = (far_m / (site.radius_m * 1.4)) as f32 - 1.0;
                    field[near] = field[near].min(clear * 0.5);
                }
            }
        }
    }
    // Large countries in tiles, which overlap by a cell so that no seam shows.
    const TILE: usize = 400;
    for south in (0..coarse.rows).step_by(TILE) {
        for west in (0..coarse.columns).step_by(TILE) {
            let columns = (TILE + 2).min(coarse.columns - west);
            let rows = (TILE + 2).min(coarse.rows - south);
            let value =
                |c: usize, r: usize| f64::from(field[(south + r) * coarse.columns + west + c]);
            let corner = (west as f64 * coarse.step_m, south as f64 * coarse.step_m);
            let all = rings((columns, rows), corner, coarse.step_m, value);
            let least_m2 = 3.0 * coarse.step_m.powi(2);
            draw_areas(all, least_m2, sheet, &mut |outer| {
                let old = noise.at(outer[0].0 / 900.0, outer[0].1 / 900.0) > 0.0;
                if old {
                    tags(&[("natural", "wood")])
                } else {
                    tags(&[("landuse", "forest")])
                }
            });
        }
    }
}

fn peaks(land: &Land, names: &mut Names, sheet: &mut Sheet) {
    let coarse = land.coarse;
    let top = land.height_m.iter().fold(0.0f32, |t, &h| t.max(h));
    for cell in 0..coarse.len() {
        let height_m = land.height_m[cell];
        if height_m < 0.25 * top || height_m < 40.0 {
            continue;
        }
        let reach = 6isize;
        let highest = (-reach..=reach).all(|dy| {
            (-reach..=reach).all(|dx| {
                coarse.offset(cell, dx, dy).is_none_or(|n| {
                    land.height_m[n] < height_m
                        || n == cell
                        || (land.height_m[n] == height_m && n > cell)
                })
            })
        });
        if highest {
            let at = coarse.xy(cell);
            let mut all = tags(&[("natural", "peak")]);
            all.push(("name".into(), names.with("Hald %")));
            all.push(("ele".into(), format!("{:.0}", land.height_at(at))));
            sheet.node(at, all);
        }
    }
}

/// The border in the sea, and the provinces: rays from the middle that share their ways.
pub(crate) fn borders(country: &Country, names: &mut Names, sheet: &mut Sheet) {
    let noise = Noise::new(country.seed, 60);
    let (w, h) = (country.width_km * 1000.0, country.height_km * 1000.0);
    let middle = (w / 2.0, h / 2.0);
    let rim = |angle: f64| {
        let (sin, cos) = angle.sin_cos();
        let p = 14.0;
        let far = (cos.abs().powf(p) + sin.abs().powf(p)).powf(-1.0 / p) * 1.004;
        (
            middle.0 + far * cos * w / 2.0,
            middle.1 + far * sin * h / 2.0,
        )
    };
    let provinces = match country.area_km2() {
        a if a < 150.0 => 0,
        a if a < 6000.0 => 3,
        _ => 7,
    };
    let parts = provinces.max(1);
    let arcs: Vec<Vec<Xy>> = (0..parts)
        .map(|k| {
            (0..=48)
                .map(|i| {
                    let turn = (f64::from(k) + f64::from(i) / 48.0) / f64::from(parts);
                    // The ring closes on the very same point.
                    rim((turn % 1.0) * std::f64::consts::TAU + 0.3)
                })
                .collect()
        })
        .collect();
    let national = tags(&[("boundary", "administrative"), ("admin_level", "2")]);
    let outer: Vec<i64> = arcs
        .iter()
        .map(|a| sheet.line(a, national.clone()))
        .collect();
    let name = names.place();
    let mut all = tags(&[
        ("type", "boundary"),
        ("boundary", "administrative"),
        ("admin_level", "2"),
    ]);
    all.push(("name".into(), name));
    let members = outer
        .iter()
        .map(|&w| member(MemberKind::Way, w, "outer"))
        .collect();
    sheet.relation(members, all);
    if provinces == 0 {
        return;
    }
    let local = tags(&[("boundary", "administrative"), ("admin_level", "4")]);
    let rays: Vec<i64> = (0..provinces)
        .map(|k| {
            let end = arcs[k as usize][0];
            let (dx, dy) = (end.0 - middle.0, end.1 - middle.1);
            let ray: Vec<Xy> = (0..=60)
                .map(|i| {
                    let t = f64::from(i) / 60.0;
                    let sway = (t * (1.0 - t) * 4.0).min(1.0)
                        * 0.16
                        * noise.octaves(t * 4.0, f64::from(k) * 9.1 + 0.5, 4);
                    match i {
                        0 => middle,
                        60 => end,
                        _ => (middle.0 + dx * t - dy * sway, middle.1 + dy * t + dx * sway),
                    }
                })
                .collect();
            sheet.line(&ray, local.clone())
        })
        .collect();
    for k in 0..provinces as usize {
        let next = (k + 1) % provinces as usize;
        let members = [rays[k], outer[k], rays[next]];
        let members = members
            .iter()
            .map(|&w| member(MemberKind::Way, w, "outer"))
            .collect();
        let mut all = tags(&[("type", "boundary")]);
        all.extend(local.clone());
        all.push(("name".into(), names.place()));
        sheet.relation(members, all);
    }
}
