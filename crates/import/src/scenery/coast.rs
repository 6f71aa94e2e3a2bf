//! Land from coastlines. OSM draws `natural=coastline` with the land on its left, so closed lines
//! are islands when they run counter-clockwise; lines that leave the extract are closed along a
//! box around it, counter-clockwise, which keeps the land on the left.

use std::collections::{BTreeMap, BTreeSet};

use region::{Bounds, Point};

use super::rings::{self, Polygon, contains, cross, signed_area};

/// A coastline way: node ids and where they are.
pub(super) type Way = Vec<(i64, Point)>;

/// Land and the lines along its shore.
#[derive(Default)]
pub(super) struct Coast {
    pub land: Vec<Polygon>,
    /// Shores, without the edges of the box.
    pub lines: Vec<Vec<Point>>,
    /// Lines that end within the box.
    pub open_ends: usize,
}

/// Builds land within `frame`, which must contain the box of all `data` with some room.
pub(super) fn land(ways: &[Way], data: Bounds, frame: Bounds) -> Coast {
    let mut coast = Coast::default();
    let mut chains: Vec<Vec<Point>> = Vec::new();
    let mut closed: Vec<Vec<Point>> = Vec::new();
    for chain in join(ways) {
        if chain.first().map(|n| n.0) == chain.last().map(|n| n.0) {
            let at: BTreeMap<i64, Point> = chain.iter().copied().collect();
            let ids: Vec<i64> = chain.iter().map(|n| n.0).collect();
            let mut simple = Vec::new();
            rings::split_simple(&ids, &mut simple);
            closed.extend(
                simple
                    .iter()
                    .map(|ring| ring.iter().filter_map(|id| at.get(id).copied()).collect()),
            );
        } else {
            chains.push(chain.into_iter().map(|n| n.1).collect());
        }
    }
    coast.lines = closed.iter().chain(&chains).cloned().collect();
    let mut open = bridge_gaps(chains, data, &mut closed);
    coast.open_ends = open.len() * 2;

    let (islands, mut seas): (Vec<_>, Vec<_>) =
        closed.into_iter().partition(|ring| signed_area(ring) > 0.0);
    seas.retain(|ring| signed_area(ring) < 0.0);
    extend_to_frame(&mut open, &islands, data, frame);
    coast.land = close_along_frame(&open, frame)
        .into_iter()
        .chain(islands)
        .map(|r| vec![r])
        .collect();

    // A sea within land is a hole of the smallest land around it.
    let mut sizes: Vec<f64> = coast
        .land
        .iter()
        .map(|p| signed_area(&p[0]).abs())
        .collect();
    let mut mainland = None;
    for sea in seas {
        let around = (0..coast.land.len())
            .filter(|&i| contains(&coast.land[i][0], &sea))
            .min_by(|&a, &b| sizes[a].total_cmp(&sizes[b]));
        let home = match (around, mainland) {
            (Some(home), _) | (None, Some(home)) => home,
            // Nothing but an inland sea: everything around it is land.
            (None, None) if open.is_empty() => {
                sizes.push(f64::MAX);
                coast.land.push(vec![corners(frame)]);
                *mainland.insert(coast.land.len() - 1)
            }
            (None, None) => continue,
        };
        coast.land[home].push(sea);
    }
    coast
}

/// Joins ways end to start as far as they go.
fn join(ways: &[Way]) -> Vec<Way> {
    let mut starting: BTreeMap<i64, Vec<usize>> = BTreeMap::new();
    let mut ending = BTreeSet::new();
    for (i, way) in ways.iter().enumerate() {
        if let ([first, ..], [.., last]) = (&way[..], &way[..]) {
            starting.entry(first.0).or_default().push(i);
            ending.insert(last.0);
        }
    }
    // Those that nothing leads to come first, then what is left: closed lines.
    let has_before = |way: &Way| way.first().is_some_and(|n| ending.contains(&n.0));
    let mut order: Vec<usize> = (0..ways.len()).filter(|&i| ways[i].len() >= 2).collect();
    order.sort_by_key(|&i| has_before(&ways[i]));
    let mut used = vec![false; ways.len()];
    let mut chains = Vec::new();
    for start in order {
        if used[start] {
            continue;
        }
        used[start] = true;
        let mut chain = ways[start].clone();
        let first = chain.first().map(|n| n.0);
        while let Some(&(last, _)) = chain.last() {
            if Some(last) == first {
                break;
            }
            let next = starting
                .get(&last)
                .and_then(|s| s.iter().copied().find(|&i| !used[i]));
            let Some(next) = next else { break };
            used[next] = true;
            chain.extend(&ways[next][1..]);
        }
        chains.push(chain);
    }
    chains
}

/// Joins an end with a start, its own or another line's, where they are much nearer to each other
/// than to the edge of the data: a way is missing there, or an island was cut.
fn bridge_gaps(
    mut chains: Vec<Vec<Point>>,
    data: Bounds,
    closed: &mut Vec<Vec<Point>>,
) -> Vec<Vec<Point>> {
    loop {
        let mut best: Option<(f64, usize, usize)> = None;
        for (i, from) in chains.iter().enumerate() {
            for (j, to) in chains.iter().enumerate() {
                let (Some(&end), Some(&start)) = (from.last(), to.first()) else {
                    continue;
                };
                let gap = flat_distance(end, start);
                let edge = nearest_edge(end, data).0.min(nearest_edge(start, data).0);
                if gap < edge * 0.5 && best.is_none_or(|(least, ..)| gap < least) {
                    best = Some((gap, i, j));
                }
            }
        }
        let Some((_, i, j)) = best else { return chains };
        if i == j {
            let mut ring = chains.remove(i);
            ring.extend(ring.first().copied());
            if ring.len() >= 4 {
                closed.push(ring);
            }
        } else {
            let tail = std::mem::take(&mut chains[j]);
            chains[i].extend(tail);
            chains.remove(j);
        }
    }
}

/// Distance on the plate carrée, shrunk to the latitude; for comparing only.
fn flat_distance(a: Point, b: Point) -> f64 {
    let shrink = (f64::from(a.lat_e7) / 1e7).to_radians().cos();
    let dx = (f64::from(a.lon_e7) - f64::from(b.lon_e7)) * shrink;
    dx.hypot(f64::from(a.lat_e7) - f64::from(b.lat_e7))
}

/// The points straight across on the four edges, each with its distance.
fn on_edges(p: Point, frame: Bounds) -> [(f64, Point); 4] {
    [
        Point {
            lat_e7: frame.south_e7,
            ..p
        },
        Point {
            lon_e7: frame.east_e7,
            ..p
        },
        Point {
            lat_e7: frame.north_e7,
            ..p
        },
        Point {
            lon_e7: frame.west_e7,
            ..p
        },
    ]
    .map(|q| (flat_distance(p, q), q))
}

fn nearest_edge(p: Point, frame: Bounds) -> (f64, Point) {
    let edges = on_edges(p, frame);
    edges
        .into_iter()
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .unwrap_or((0.0, p))
}

/// Leads both ends of every line over the nearest edge of the data to the frame, or over the
/// nearest that is reached without crossing a shore.
fn extend_to_frame(open: &mut [Vec<Point>], islands: &[Vec<Point>], data: Bounds, frame: Bounds) {
    let shores: Vec<Vec<Point>> = open.iter().chain(islands).cloned().collect();
    let crosses = |a: Point, b: Point| {
        shores
            .iter()
            .flat_map(|s| s.windows(2))
            .any(|w| cross(a, b, w[0], w[1]))
    };
    for chain in open {
        for at_start in [true, false] {
            let Some(&end) = (if at_start {
                chain.first()
            } else {
                chain.last()
            }) else {
                continue;
            };
            let near = on_edges(end, data).map(|e| e.0);
            let far = on_edges(end, frame).map(|e| e.1);
            let mut edges: Vec<(f64, Point)> = near.into_iter().zip(far).collect();
            edges.sort_by(|a, b| a.0.total_cmp(&b.0));
            let free = edges.iter().find(|e| !crosses(end, e.1));
            let to = free.unwrap_or(&edges[0]).1;
            if at_start {
                chain.insert(0, to);
            } else {
                chain.push(to);
            }
        }
    }
}

/// Closes lines that begin and end on the frame, with the land on their left.
fn close_along_frame(open: &[Vec<Point>], frame: Bounds) -> Vec<Vec<Point>> {
    let ends = |chain: &Vec<Point>| Some((*chain.first()?, *chain.last()?));
    let mut starts: Vec<(i64, usize)> = open
        .iter()
        .enumerate()
        .filter_map(|(i, chain)| Some((along(ends(chain)?.0, frame), i)))
        .collect();
    starts.sort_unstable();
    let mut land = Vec::new();
    let mut used = vec![false; open.len()];
    for first in 0..open.len() {
        if used[first] {
            continue;
        }
        let mut ring: Vec<Point> = Vec::new();
        let mut chain = first;
        loop {
            used[chain] = true;
            ring.extend(&open[chain]);
            let Some((_, end)) = ends(&open[chain]) else {
                break;
            };
            let from = along(end, frame);
            // The next start counter-clockwise that is still free, or where the ring began.
            let free = |&&(_, i): &&(i64, usize)| i == first || !used[i];
            let next = starts
                .iter()
                .filter(|s| s.0 >= from)
                .find(free)
                .or_else(|| starts.iter().find(free));
            let Some(&(to, next)) = next else { break };
            walk(from, to, frame, &mut ring);
            if next == first {
                break;
            }
            chain = next;
        }
        ring.extend(ring.first().copied());
        ring.dedup();
        if ring.len() >= 4 && signed_area(&ring) > 0.0 {
            land.push(ring);
        }
    }
    land
}

fn size(frame: Bounds) -> (i64, i64) {
    (
        i64::from(frame.east_e7) - i64::from(frame.west_e7),
        i64::from(frame.north_e7) - i64::from(frame.south_e7),
    )
}

/// How far a point on the frame lies counter-clockwise from the south-western corner.
fn along(p: Point, frame: Bounds) -> i64 {
    let (width, height) = size(frame);
    let east = i64::from(p.lon_e7) - i64::from(frame.west_e7);
    let north = i64::from(p.lat_e7) - i64::from(frame.south_e7);
    if p.lat_e7 == frame.south_e7 {
        east
    } else if p.lon_e7 == frame.east_e7 {
        width + north
    } else if p.lat_e7 == frame.north_e7 {
        2 * width + height - east
    } else {
        2 * (width + height) - north
    }
}

/// Adds the corners passed counter-clockwise between two points on the frame.
fn walk(from: i64, to: i64, frame: Bounds, ring: &mut Vec<Point>) {
    let (width, height) = size(frame);
    let round = 2 * (width + height);
    let to = if to < from { to + round } else { to };
    let [sw, se, ne, nw, _] = <[Point; 5]>::try_from(corners(frame)).unwrap_or_default();
    for turn in 0..2 {
        for (at, corner) in [
            (0, sw),
            (width, se),
            (width + height, ne),
            (2 * width + height, nw),
        ] {
            let at = at + turn * round;
            if from < at && at < to {
                ring.push(corner);
            }
        }
    }
}

/// The frame as a ring, counter-clockwise.
fn corners(frame: Bounds) -> Vec<Point> {
    let p = |lon_e7, lat_e7| Point { lon_e7, lat_e7 };
    let (w, s, e, n) = (frame.west_e7, frame.south_e7, frame.east_e7, frame.north_e7);
    vec![p(w, s), p(e, s), p(e, n), p(w, n), p(w, s)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenery::rings::inside;

    /// Whether a point is on land.
    fn is_land(coast: &Coast, p: Point) -> bool {
        coast.land.iter().any(|polygon| {
            polygon
                .iter()
                .filter(|ring| inside(ring, p) != Some(false))
                .count()
                % 2
                == 1
        })
    }

    const FRAME: Bounds = Bounds {
        west_e7: 0,
        south_e7: 0,
        east_e7: 1000,
        north_e7: 1000,
    };

    /// Data fill the frame.
    fn on_frame(ways: &[Way], frame: Bounds) -> Coast {
        land(ways, frame, frame)
    }

    fn p(lon_e7: i32, lat_e7: i32) -> Point {
        Point { lon_e7, lat_e7 }
    }

    /// A way; equal points get equal ids.
    fn way(points: &[(i32, i32)]) -> Way {
        points
            .iter()
            .map(|&(x, y)| (i64::from(x) * 10_000 + i64::from(y), p(x, y)))
            .collect()
    }

    fn check(coast: &Coast, land: &[(i32, i32)], sea: &[(i32, i32)]) {
        for &(x, y) in land {
            assert!(is_land(coast, p(x, y)), "{x} {y} is land: {:?}", coast.land);
        }
        for &(x, y) in sea {
            assert!(!is_land(coast, p(x, y)), "{x} {y} is sea: {:?}", coast.land);
        }
    }

    #[test]
    fn no_coast_no_land() {
        assert!(on_frame(&[], FRAME).land.is_empty());
    }

    #[test]
    fn an_island_in_two_ways_with_a_lagoon() {
        let coast = on_frame(
            &[
                way(&[(600, 600), (400, 600), (400, 400)]),
                way(&[(400, 400), (600, 400), (600, 600)]),
                // Clockwise: water inside.
                way(&[(450, 450), (450, 550), (550, 550), (550, 450), (450, 450)]),
            ],
            FRAME,
        );
        check(
            &coast,
            &[(420, 420), (580, 500)],
            &[(500, 500), (100, 100), (700, 500)],
        );
        assert_eq!(
            (coast.land.len(), coast.lines.len(), coast.open_ends),
            (1, 2, 0)
        );
    }

    #[test]
    fn a_peninsula_comes_through_the_frame() {
        // Eastwards along its southern shore, back along the northern one: land to the west.
        let coast = on_frame(
            &[way(&[(20, 300), (700, 300), (700, 700), (20, 700)])],
            FRAME,
        );
        check(
            &coast,
            &[(10, 500), (400, 500), (650, 350)],
            &[(400, 100), (900, 500), (400, 900)],
        );
        // The other way round it is a bay.
        let coast = on_frame(
            &[way(&[(20, 700), (700, 700), (700, 300), (20, 300)])],
            FRAME,
        );
        check(
            &coast,
            &[(400, 100), (900, 500), (400, 900)],
            &[(10, 500), (400, 500), (650, 350)],
        );
    }

    #[test]
    fn two_shores_make_a_strait_or_a_land_bridge() {
        let strait = on_frame(
            &[way(&[(30, 600), (970, 600)]), way(&[(970, 400), (30, 400)])],
            FRAME,
        );
        check(&strait, &[(500, 800), (500, 200)], &[(500, 500)]);
        let bridge = on_frame(
            &[way(&[(970, 600), (30, 600)]), way(&[(30, 400), (970, 400)])],
            FRAME,
        );
        check(&bridge, &[(500, 500)], &[(500, 800), (500, 200)]);
        assert_eq!(bridge.land.len(), 1);
    }

    #[test]
    fn a_line_that_ends_inside_is_led_to_the_nearest_edge() {
        // From the west to the middle of the south: land in the north and east.
        let coast = on_frame(&[way(&[(20, 500), (500, 500), (500, 200)])], FRAME);
        // Running east then south, the left side is north and east.
        check(&coast, &[(500, 800), (800, 300)], &[(300, 300)]);
        assert_eq!(coast.open_ends, 2);
    }

    #[test]
    fn a_cut_island_is_closed_where_it_was_cut() {
        let coast = on_frame(
            &[way(&[
                (450, 520),
                (450, 400),
                (600, 400),
                (600, 600),
                (470, 600),
            ])],
            FRAME,
        );
        check(&coast, &[(550, 500)], &[(100, 500), (900, 900), (440, 590)]);
    }

    #[test]
    fn an_island_before_a_mainland() {
        let coast = on_frame(
            &[
                way(&[(20, 300), (980, 300)]),
                way(&[(400, 100), (500, 100), (500, 200), (400, 100)]),
            ],
            FRAME,
        );
        check(&coast, &[(500, 600), (480, 150)], &[(100, 100), (700, 200)]);
    }

    #[test]
    fn only_an_inland_sea() {
        let coast = on_frame(
            &[way(&[
                (400, 400),
                (400, 600),
                (600, 600),
                (600, 400),
                (400, 400),
            ])],
            FRAME,
        );
        check(&coast, &[(100, 100), (900, 500)], &[(500, 500)]);
    }

    #[test]
    fn the_end_is_not_led_across_another_shore() {
        // The nearest edge is east, but a shore lies between: it goes on to the north.
        let coast = on_frame(
            &[way(&[(20, 500), (800, 500)]), way(&[(900, 20), (900, 980)])],
            FRAME,
        );
        check(&coast, &[(100, 700), (500, 900)], &[(950, 500)]);
    }

    #[test]
    fn a_small_extract_with_much_room_around_is_not_taken_for_an_island() {
        let data = Bounds {
            west_e7: 450,
            south_e7: 450,
            east_e7: 550,
            north_e7: 550,
        };
        let coast = land(&[way(&[(451, 500), (549, 500)])], data, FRAME);
        check(
            &coast,
            &[(500, 520), (500, 900), (100, 600)],
            &[(500, 480), (900, 400)],
        );
        // A bay that opens to the north.
        let bay = way(&[(480, 549), (480, 500), (520, 500), (520, 549)]);
        let coast = land(&[bay.into_iter().rev().collect()], data, FRAME);
        check(&coast, &[(460, 520), (500, 480)], &[(500, 520), (500, 900)]);
        // Its mirror: a headland from the north.
        let headland = way(&[(480, 549), (480, 500), (520, 500), (520, 549)]);
        let coast = land(&[headland], data, FRAME);
        check(&coast, &[(500, 520), (500, 900)], &[(460, 520), (500, 480)]);
    }
}
