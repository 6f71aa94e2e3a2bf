//! Works on roads that are there: a dual carriageway, galleries, roundabouts.

use std::collections::BTreeMap;

use super::curve::{Xy, at_length, beside, lengths};
use super::land::Land;
use super::random::Dice;
use super::roads::{Kind, Line, Mark, Roads, Role};
use super::sites::{Rank, Site};
use super::weave::degrees;

/// Splits a line in two at an inner point.
fn split(roads: &mut Roads, line: usize, at: usize) -> usize {
    let along = lengths(&roads.xy(&roads.lines[line]));
    let s = along[at];
    let mut tail = roads.lines[line].clone();
    tail.points.drain(..at);
    tail.marks = tail
        .marks
        .iter()
        .filter(|m| m.1 > s)
        .map(|m| ((m.0 - s).max(0.0), m.1 - s, m.2))
        .collect();
    let head = &mut roads.lines[line];
    head.points.truncate(at + 1);
    head.marks.retain(|m| m.0 < s);
    for mark in &mut head.marks {
        mark.1 = mark.1.min(s);
    }
    roads.lines.push(tail);
    roads.lines.len() - 1
}

/// Doubles a stretch of a main road outside the city.
pub(crate) fn double_carriageway(roads: &mut Roads, sites: &[Site]) {
    let Some(city) = sites.iter().find(|s| s.rank <= Rank::Town) else {
        return;
    };
    let degree = degrees(roads);
    let mut best: Option<(f64, usize, usize, usize)> = None;
    for (index, line) in roads
        .lines
        .iter()
        .enumerate()
        .filter(|(_, l)| l.kind == Kind::Primary)
    {
        let xy = roads.xy(line);
        let along = lengths(&xy);
        let mut from = 0;
        for at in 1..xy.len() {
            let far_m = (xy[at].0 - city.at.0).hypot(xy[at].1 - city.at.1);
            let off = far_m < city.radius_m * 1.5 || far_m > city.radius_m * 1.5 + 9000.0;
            if degree[line.points[at] as usize] > 2 || off {
                from = at;
            } else if best.is_none_or(|b| along[at] - along[from] > b.0)
                && along[at] - along[from] < 2500.0
            {
                best = Some((along[at] - along[from], index, from, at));
            }
        }
    }
    let Some((length_m, line, from, to)) = best else {
        return;
    };
    if length_m < 400.0 || to - from < 6 {
        return;
    }
    let (from, to) = (from + 1, to - 1);
    if to + 1 < roads.lines[line].points.len() {
        split(roads, line, to);
    }
    let middle = if from > 0 {
        split(roads, line, from)
    } else {
        line
    };
    let points = roads.lines[middle].points.clone();
    let xy = roads.xy(&roads.lines[middle]);
    let name = roads.lines[middle].name;
    for left_m in [-7.0, 7.0] {
        let side = beside(&xy, left_m);
        let mut ids = vec![points[0]];
        for &at in &side[1..side.len() - 1] {
            ids.push(roads.point(at));
        }
        ids.push(points[points.len() - 1]);
        if left_m > 0.0 {
            ids.reverse();
        }
        let line = roads.add(Kind::Primary, Role::Plain, ids);
        line.oneway = true;
        line.name = name;
    }
    roads.lines.remove(middle);
}

/// Roofs steep stretches of main roads against falling rock: short tunnels.
pub(crate) fn galleries(roads: &mut Roads, land: &Land, seed: u64) {
    let degree = degrees(roads);
    for index in 0..roads.lines.len() {
        let line = &roads.lines[index];
        if line.kind != Kind::Primary && line.kind != Kind::Secondary {
            continue;
        }
        let mut dice = Dice::new(seed, 0xB000_0000 + u64::from(line.name));
        let xy = roads.xy(line);
        let along = lengths(&xy);
        let mut marks = Vec::new();
        let mut s = dice.between(300.0, 2500.0);
        while s + 400.0 < along[along.len() - 1] {
            let length_m = dice.between(70.0, 240.0);
            let (at, heading) = at_length(&xy, &along, s);
            let (_, after) = at_length(&xy, &along, s + length_m);
            let straight = heading.0 * after.0 + heading.1 * after.1 > 0.8;
            let free = (0..xy.len())
                .filter(|&k| along[k] > s - 60.0 && along[k] < s + length_m + 60.0)
                .all(|k| degree[line.points[k] as usize] <= 2);
            if straight && free && land.slope(land.coarse.nearest(at)) > 0.3 {
                marks.push((s, s + length_m, Mark::Tunnel));
                s += 5000.0;
            }
            s += dice.between(250.0, 900.0);
        }
        roads.lines[index].marks.extend(marks);
    }
}

/// Turns some junctions of main roads into roundabouts.
pub(crate) fn roundabouts(roads: &mut Roads, sites: &[Site]) {
    let mut at_point: BTreeMap<u32, Vec<(usize, usize)>> = BTreeMap::new();
    let degree = degrees(roads);
    for (l, line) in roads.lines.iter().enumerate() {
        for (k, &point) in line.points.iter().enumerate() {
            if degree[point as usize] > 2 {
                at_point.entry(point).or_default().push((l, k));
            }
        }
    }
    let mut chosen = Vec::new();
    let mut taken: Vec<Xy> = Vec::new();
    for (&point, uses) in &at_point {
        let kinds: Vec<Kind> = uses.iter().map(|u| roads.lines[u.0].kind).collect();
        let main = kinds.iter().filter(|&&k| k <= Kind::Secondary).count();
        let clear = |line: &Line, point: u32| {
            let along = lengths(&roads.xy(line));
            let at = line
                .points
                .iter()
                .position(|&p| p == point)
                .map_or(0.0, |k| along[k]);
            line.marks
                .iter()
                .all(|m| at < m.0 - 60.0 || at > m.1 + 60.0)
        };
        let plain = |u: &(usize, usize)| {
            let line = &roads.lines[u.0];
            let once = line.points.iter().filter(|&&p| p == point).count() == 1;
            !line.oneway
                && line.kind > Kind::Link
                && line.kind < Kind::Residential
                && clear(line, point)
                && once
        };
        let at = roads.points[point as usize];
        let town = sites.iter().filter(|s| s.rank <= Rank::Village).any(|s| {
            let far = (s.at.0 - at.0).hypot(s.at.1 - at.1) / s.radius_m;
            (0.3..4.0).contains(&far)
        });
        let apart = taken
            .iter()
            .all(|t| (t.0 - at.0).hypot(t.1 - at.1) > 2500.0);
        if main >= 1 && degree[point as usize] >= 3 && uses.iter().all(plain) && town && apart {
            taken.push(at);
            chosen.push(point);
        }
    }
    let before = roads.lines.len();
    for point in chosen {
        let lines: Vec<usize> = at_point[&point].iter().map(|u| u.0).collect();
        // Lines split for earlier roundabouts continue behind the old ones.
        let lines = lines.into_iter().chain(before..roads.lines.len()).collect();
        build_roundabout(roads, point, 17.0, &degree, lines);
    }
}

fn build_roundabout(
    roads: &mut Roads,
    point: u32,
    radius_m: f64,
    degree: &[u8],
    lines: Vec<usize>,
) {
    let lines: Vec<usize> = lines
        .into_iter()
        .filter(|&l| roads.lines[l].points.contains(&point))
        .collect();
    let centre = roads.points[point as usize];
    let far = |roads: &Roads, p: u32| {
        let at = roads.points[p as usize];
        (at.0 - centre.0).hypot(at.1 - centre.1)
    };
    // Check first, change after: every arm must leave the circle with room to spare, and apart.
    let mut angles: Vec<f64> = Vec::new();
    for line in lines.iter().map(|&l| &roads.lines[l]) {
        let Some(at) = line.points.iter().position(|&p| p == point) else {
            continue;
        };
        let ahead: Vec<u32> = line.points[at + 1..].to_vec();
        let back: Vec<u32> = line.points[..at].iter().rev().copied().collect();
        for arm in [ahead, back] {
            if arm.is_empty() {
                continue;
            }
            let Some(out) = arm.iter().position(|&p| far(roads, p) > radius_m * 1.3) else {
                return;
            };
            if arm[..=out]
                .iter()
                .any(|&p| degree.get(p as usize).is_none_or(|&d| d > 2))
                || out + 1 == arm.len()
            {
                return;
            }
            let at = roads.points[arm[out] as usize];
            angles.push((at.1 - centre.1).atan2(at.0 - centre.0));
        }
    }
    angles.sort_by(f64::total_cmp);
    let gap = |i: usize| {
        let next = angles[(i + 1) % angles.len()];
        (next - angles[i]).rem_euclid(std::f64::consts::TAU)
    };
    if angles.len() < 3 || (0..angles.len()).any(|i| gap(i) < 0.6) {
        return;
    }
    let mut arms = lines;
    for l in arms.clone() {
        let at = roads.lines[l]
            .points
            .iter()
            .position(|&p| p == point)
            .unwrap_or(0);
        if at > 0 && at + 1 < roads.lines[l].points.len() {
            arms.push(split(roads, l, at));
        }
    }
    let mut ring: Vec<(f64, u32)> = Vec::new();
    for l in arms {
        let ends = (roads.lines[l].points.first(), roads.lines[l].points.last());
        let starts = ends.0 == Some(&point);
        if !starts && ends.1 != Some(&point) {
            continue;
        }
        let mut points = roads.lines[l].points.clone();
        if !starts {
            points.reverse();
        }
        let out = points
            .iter()
            .position(|&p| far(roads, p) > radius_m * 1.3)
            .unwrap_or(points.len() - 1);
        let at = roads.points[points[out] as usize];
        let angle = (at.1 - centre.1).atan2(at.0 - centre.0);
        let rim = roads.point((
            centre.0 + radius_m * angle.cos(),
            centre.1 + radius_m * angle.sin(),
        ));
        ring.push((angle, rim));
        points.splice(..out, [rim]);
        if !starts {
            points.reverse();
        }
        roads.lines[l].points = points;
    }
    ring.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut points = Vec::new();
    for (i, &(angle, rim)) in ring.iter().enumerate() {
        points.push(rim);
        let sweep = (ring[(i + 1) % ring.len()].0 - angle).rem_euclid(std::f64::consts::TAU);
        let pieces = (sweep / 0.4).ceil() as usize;
        for k in 1..pieces {
            let a = angle + sweep * k as f64 / pieces as f64;
            points
                .push(roads.point((centre.0 + radius_m * a.cos(), centre.1 + radius_m * a.sin())));
        }
    }
    points.push(points[0]);
    // Anticlockwise, since traffic keeps to the right.
    roads.add(Kind::Secondary, Role::Roundabout, points).oneway = true;
}
