//! The motorway: two carriageways, tunnels and viaducts, interchanges.

use super::curve::{Xy, at_length, beside, lengths, spline};
use super::land::Land;
use super::paths::{Ground, Use};
use super::roads::{Kind, Line, Mark, Roads, Role, demands, grade_limit};
use super::sites::{Rank, Site};

/// Distance of a carriageway from the middle of the motorway.
const CARRIAGEWAY_M: f64 = 9.0;

/// Builds the motorway from the city to a far town. Gives the posts where other roads join, with
/// the settlement each should be led to.
pub(crate) fn build(roads: &mut Roads, ground: &mut Ground, sites: &[Site]) -> Vec<(usize, usize)> {
    let land = ground.land;
    let fine = land.fine;
    let Some(city) = sites.iter().position(|s| s.rank == Rank::City) else {
        return Vec::new();
    };
    let far_m = |s: &Site| (s.at.0 - sites[city].at.0).hypot(s.at.1 - sites[city].at.1);
    let ideal = |s: usize| (far_m(&sites[s]) - 27_000.0).abs();
    let towns = (0..sites.len()).filter(|&s| sites[s].rank == Rank::Town);
    let Some(town) = towns.min_by(|&a, &b| ideal(a).total_cmp(&ideal(b))) else {
        return Vec::new();
    };
    let ends = (
        land.fine_of(sites[city].cell),
        land.fine_of(sites[town].cell),
    );
    let Some(path) = ground.path(ends.0, ends.1, demands(Kind::Motorway)) else {
        return Vec::new();
    };
    let clear = |p: &usize, site: usize| {
        let at = fine.xy(*p);
        let clear_m = sites[site].radius_m + 500.0;
        (at.0 - sites[site].at.0).hypot(at.1 - sites[site].at.1) > clear_m
    };
    let path: Vec<usize> = path
        .into_iter()
        .filter(|p| clear(p, city) && clear(p, town))
        .collect();
    if path.len() < 8 {
        return Vec::new();
    }
    // Wide curves: a spline over sparse points of the path.
    let corners: Vec<Xy> = path.iter().map(|&p| fine.xy(p)).collect();
    let along = lengths(&corners);
    let total_m = along[along.len() - 1];
    let knots = (total_m / 700.0).round().max(3.0) as usize;
    let sparse: Vec<Xy> = (0..=knots)
        .map(|k| at_length(&corners, &along, total_m * k as f64 / knots as f64).0)
        .collect();
    let middle = spline(&sparse);
    let s = lengths(&middle);
    let total_m = s[s.len() - 1];
    let marks = profile_marks(land, &middle, &s);
    let open = |a: f64, b: f64| !marks.iter().any(|m| m.0 < b && m.1 > a);

    // Junctions where settlements are near.
    let mut junctions: Vec<(f64, usize)> = Vec::new();
    for (at, site) in sites
        .iter()
        .enumerate()
        .filter(|(_, s)| s.rank <= Rank::Village)
    {
        let near = (0..middle.len()).min_by(|&a, &b| {
            let far = |i: usize| (middle[i].0 - site.at.0).hypot(middle[i].1 - site.at.1);
            far(a).total_cmp(&far(b))
        });
        let Some(near) = near else { continue };
        let off_m = (middle[near].0 - site.at.0).hypot(middle[near].1 - site.at.1);
        let apart = |x: f64| junctions.iter().all(|j| (j.0 - x).abs() > 4500.0);
        let inside = |x: f64| x > 1500.0 && x < total_m - 1500.0;
        let ground_free = |x: f64| {
            let across = across(land, at_length(&middle, &s, x));
            across.iter().all(|&p| !land.wet[p] && !ground.river[p])
        };
        let shifts = [0.0, 800.0, -800.0, 1600.0, -1600.0, 2400.0, -2400.0];
        let fit = shifts.iter().map(|d| s[near] + d).find(|&x| {
            let clear = x - s[near] != 0.0 || off_m > 700.0;
            clear && inside(x) && apart(x) && open(x - 600.0, x + 600.0) && ground_free(x)
        });
        if let (Some(here), true) = (fit, off_m < 4500.0) {
            junctions.push((here, at));
        }
    }
    // The carriageways, with a point where each ramp leaves or joins.
    const RAMP_M: f64 = 380.0;
    let mut stops: Vec<f64> = (0..middle.len()).map(|i| s[i]).collect();
    stops.retain(|&x| x > 120.0 && x < total_m - 120.0);
    stops.extend(junctions.iter().flat_map(|j| [j.0 - RAMP_M, j.0 + RAMP_M]));
    stops.sort_by(f64::total_cmp);
    let line: Vec<Xy> = stops.iter().map(|&x| at_length(&middle, &s, x).0).collect();
    let ends = [path[0], path[path.len() - 1]];
    let end_points = ends.map(|p| roads.anchor(ground, p));
    let name = roads.new_name();
    let mut sides: Vec<Vec<u32>> = Vec::new();
    for left_m in [-CARRIAGEWAY_M, CARRIAGEWAY_M] {
        let mut points = vec![end_points[0]];
        points.extend(beside(&line, left_m).into_iter().map(|at| roads.point(at)));
        points.push(end_points[1]);
        sides.push(points.clone());
        let mut marks = marks.clone();
        if left_m > 0.0 {
            points.reverse();
            for mark in &mut marks {
                *mark = (total_m - mark.1, total_m - mark.0, mark.2);
            }
        }
        let (kind, role) = (Kind::Motorway, Role::Plain);
        roads.lines.push(Line {
            kind,
            role,
            oneway: true,
            points,
            marks,
            name,
        });
    }
    let mut ramps: Vec<(usize, usize)> = vec![(ends[0], city), (ends[1], town)];
    for &(here, site) in &junctions {
        let find = |x: f64| stops.partition_point(|&y| y < x - 0.001) + 1;
        let (off, on) = (find(here - RAMP_M), find(here + RAMP_M));
        let (m, t) = at_length(&middle, &s, here);
        let n = (-t.1, t.0);
        let at = |along_m: f64, left_m: f64| {
            (
                m.0 + t.0 * along_m + n.0 * left_m,
                m.1 + t.1 * along_m + n.1 * left_m,
            )
        };
        // The road across begins beyond the far ramps and ends on the settlement's side.
        let far_m = |p: &usize| {
            let (p, q) = (fine.xy(*p), sites[site].at);
            (p.0 - q.0).hypot(p.1 - q.1)
        };
        let ends = across(land, (m, t));
        let left = far_m(&ends[1]) < far_m(&ends[0]);
        let end = ends[usize::from(left)];
        let q = [-110.0, 110.0].map(|left_m| roads.point(at(0.0, left_m)));
        let over = [at(0.0, -45.0), at(0.0, 45.0)].map(|p| roads.point(p));
        let mut across = vec![q[0], over[0], over[1], q[1]];
        if !left {
            across.reverse();
        }
        across.push(roads.anchor(ground, end));
        roads.add(Kind::Secondary, Role::Plain, across);
        for (side, sign) in [(0usize, -1.0), (1, 1.0)] {
            // Right of the carriageway's own direction, off before and on after the crossing.
            let (first, second) = (sides[side][off], sides[side][on]);
            for (carriageway, along, leaving) in
                [(first, -1.0, side == 0), (second, 1.0, side == 1)]
            {
                let control = [
                    roads.points[carriageway as usize],
                    at(along * 250.0, sign * 19.0),
                    at(along * 150.0, sign * 48.0),
                    at(along * 60.0, sign * 95.0),
                    roads.points[q[side] as usize],
                ];
                let curve = spline(&control);
                let mut points = vec![carriageway];
                for &p in &curve[1..curve.len() - 1] {
                    points.push(roads.point(p));
                }
                points.push(q[side]);
                if !leaving {
                    points.reverse();
                }
                roads.add(Kind::Link, Role::Plain, points).oneway = true;
            }
        }
        ground.used[end] = Use::Road;
        ramps.push((end, site));
    }
    for &p in &ends {
        ground.used[p] = Use::Road;
    }
    for (i, &at) in middle.iter().enumerate() {
        let post = fine.nearest(at);
        // Under a long tunnel the ground is free.
        if marks
            .iter()
            .any(|m| m.2 == Mark::Tunnel && m.0 + 80.0 < s[i] && s[i] < m.1 - 80.0)
        {
            continue;
        }
        for near in std::iter::once(post).chain(fine.around(post).map(|(n, _)| n)) {
            if ground.used[near] == Use::Free {
                ground.used[near] = Use::Motorway;
            }
        }
    }
    ramps
}

/// Ends of a road across the motorway, on the coarse lattice so that any kind of road can join.
fn across(land: &Land, (m, t): (Xy, Xy)) -> [usize; 2] {
    [330.0, -330.0].map(|right_m| {
        land.fine_of(
            land.coarse
                .nearest((m.0 + t.1 * right_m, m.1 - t.0 * right_m)),
        )
    })
}

/// Tunnels and viaducts: where the ground is far from the smoothest road that keeps the limit.
fn profile_marks(land: &Land, line: &[Xy], s: &[f64]) -> Vec<(f64, f64, Mark)> {
    let total_m = s[s.len() - 1];
    let n = (total_m / 50.0).ceil().max(2.0) as usize;
    let step_m = total_m / n as f64;
    let spots: Vec<Xy> = (0..=n)
        .map(|k| at_length(line, s, step_m * k as f64).0)
        .collect();
    let ground: Vec<f64> = spots.iter().map(|&at| land.height_at(at)).collect();
    let reach = (400.0 / step_m) as usize;
    let mut road: Vec<f64> = (0..=n)
        .map(|k| {
            let window = &ground[k.saturating_sub(reach)..(k + reach + 1).min(n + 1)];
            window.iter().sum::<f64>() / window.len() as f64
        })
        .collect();
    let limit_m = grade_limit(Kind::Motorway) * step_m;
    // Cut down what rises too fast, from both ends.
    for k in 1..=n {
        road[k] = road[k].min(road[k - 1] + limit_m);
    }
    for k in (0..n).rev() {
        road[k] = road[k].min(road[k + 1] + limit_m);
    }
    let kind = |k: usize| {
        let water = land.is_wet(spots[k]);
        let deep = ground[k] - road[k] > 14.0;
        let high = road[k] - ground[k] > 9.0 || water;
        if deep {
            Some(Mark::Tunnel)
        } else {
            high.then_some(Mark::Bridge)
        }
    };
    let mut marks: Vec<(f64, f64, Mark)> = Vec::new();
    for k in 1..n {
        let Some(mark) = kind(k) else { continue };
        let (a, b) = (step_m * (k as f64 - 0.5), step_m * (k as f64 + 0.5));
        match marks.last_mut() {
            Some(last) if last.2 == mark && a - last.1 < 60.0 => last.1 = b,
            _ => marks.push((a, b, mark)),
        }
    }
    marks
}
