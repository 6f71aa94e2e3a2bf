//! Rings out of ways, and which ring lies in which.

use std::collections::{BTreeMap, HashMap};

use region::{Bounds, Point};

/// An outer ring, then its holes. Rings repeat their first point; the outer one runs counter-
/// clockwise (north up), holes clockwise.
pub(super) type Polygon = Vec<Vec<Point>>;

/// Joins ways, given by their node ids, into simple closed rings (first id repeated), and counts
/// the ways that belong to none. Direction does not matter. Rings that touch at a node are
/// told apart; spikes fall away.
pub(super) fn assemble(ways: &[&[i64]]) -> (Vec<Vec<i64>>, usize) {
    let mut rings = Vec::new();
    let mut at_end: BTreeMap<i64, Vec<usize>> = BTreeMap::new();
    let mut used = vec![false; ways.len()];
    for (i, way) in ways.iter().enumerate() {
        match **way {
            [first, .., last] if first != last => {
                at_end.entry(first).or_default().push(i);
                at_end.entry(last).or_default().push(i);
            }
            [_, ..] => {
                used[i] = true;
                split_simple(way, &mut rings);
            }
            [] => used[i] = true,
        }
    }
    let mut left_over = 0;
    for start in 0..ways.len() {
        if used[start] {
            continue;
        }
        // A path of ways that meets no node twice: where it does, a ring is cut off.
        let mut nodes = vec![ways[start][0]];
        let mut path: Vec<usize> = Vec::new();
        let mut next = Some(start);
        loop {
            let Some(way) = next else {
                // A dead end: its last way belongs to no ring.
                if path.pop().is_none() {
                    break;
                }
                left_over += 1;
                nodes.pop();
                next = free_way(&at_end, &used, nodes.last());
                continue;
            };
            used[way] = true;
            let from = nodes.last().copied();
            let (first, last) = (ways[way][0], ways[way][ways[way].len() - 1]);
            let to = if Some(first) == from { last } else { first };
            path.push(way);
            if let Some(loop_start) = nodes.iter().position(|&n| n == to) {
                let ring = concat(ways, &path[loop_start..], to);
                split_simple(&ring, &mut rings);
                path.truncate(loop_start);
                nodes.truncate(loop_start + 1);
            } else {
                nodes.push(to);
            }
            next = free_way(&at_end, &used, nodes.last());
        }
    }
    (rings, left_over)
}

fn free_way(
    at_end: &BTreeMap<i64, Vec<usize>>,
    used: &[bool],
    node: Option<&i64>,
) -> Option<usize> {
    at_end.get(node?)?.iter().copied().find(|&way| !used[way])
}

/// The nodes along ways that form a loop from `start` to `start`.
fn concat(ways: &[&[i64]], path: &[usize], start: i64) -> Vec<i64> {
    let mut ring = vec![start];
    for &way in path {
        let forward = ways[way].first() == ring.last();
        if forward {
            ring.extend(&ways[way][1..]);
        } else {
            ring.extend(ways[way].iter().rev().skip(1));
        }
    }
    ring
}

/// Cuts a closed sequence of nodes into rings that meet no node twice, keeping direction.
pub(super) fn split_simple(closed: &[i64], rings: &mut Vec<Vec<i64>>) {
    let mut path: Vec<i64> = Vec::new();
    let mut place: HashMap<i64, usize> = HashMap::new();
    for &node in closed {
        match place.get(&node) {
            Some(&start) => {
                if path.len() - start >= 3 {
                    let mut ring = path[start..].to_vec();
                    ring.push(node);
                    rings.push(ring);
                }
                for dropped in path.drain(start + 1..) {
                    place.remove(&dropped);
                }
            }
            None => {
                place.insert(node, path.len());
                path.push(node);
            }
        }
    }
}

/// A closed ring; whether its ways all say that it is an outer one.
pub(super) struct Ring {
    pub points: Vec<Point>,
    pub said_outer: bool,
}

/// Sorts rings into polygons by which lies in which: roles in real data are often wrong or
/// missing, so they only decide where an "outer" ring lies in another without a hole between.
pub(super) fn nest(rings: Vec<Ring>) -> Vec<Polygon> {
    let mut rings: Vec<(f64, Bounds, Ring)> = rings
        .into_iter()
        .map(|ring| (signed_area(&ring.points).abs(), bounds(&ring.points), ring))
        .filter(|(area, ..)| *area > 0.0)
        .collect();
    // Containers before contained; stable, hence deterministic.
    rings.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut polygons: Vec<Polygon> = Vec::new();
    // Per ring: whether it is a hole, and the polygon it belongs to.
    let mut seat: Vec<(bool, usize)> = Vec::new();
    for i in 0..rings.len() {
        let (_, box_i, ring) = &rings[i];
        let parent = (0..i).rev().find(|&j| {
            let (_, box_j, other) = &rings[j];
            covers(box_j, box_i) && contains(&other.points, &ring.points)
        });
        let points = ring.points.clone();
        match parent.map(|j| seat[j]) {
            Some((false, polygon)) => {
                if ring.said_outer {
                    // A part mapped twice: already filled.
                    seat.push((false, polygon));
                } else {
                    polygons[polygon].push(turned(points, false));
                    seat.push((true, polygon));
                }
            }
            Some((true, _)) | None => {
                seat.push((false, polygons.len()));
                polygons.push(vec![turned(points, true)]);
            }
        }
    }
    polygons
}

/// The ring running counter-clockwise, or clockwise.
pub(super) fn turned(mut ring: Vec<Point>, counter_clockwise: bool) -> Vec<Point> {
    if (signed_area(&ring) > 0.0) != counter_clockwise {
        ring.reverse();
    }
    ring
}

/// Area in squared 1e-7 degrees, positive when counter-clockwise with north up.
pub(super) fn signed_area(ring: &[Point]) -> f64 {
    let Some(&origin) = ring.first() else {
        return 0.0;
    };
    let xy = |p: Point| {
        (
            f64::from(p.lon_e7) - f64::from(origin.lon_e7),
            f64::from(p.lat_e7) - f64::from(origin.lat_e7),
        )
    };
    let twice: f64 = ring
        .windows(2)
        .map(|w| {
            let ((ax, ay), (bx, by)) = (xy(w[0]), xy(w[1]));
            ax * by - bx * ay
        })
        .sum();
    twice / 2.0
}

pub(super) fn bounds(points: &[Point]) -> Bounds {
    let mut bounds = Bounds::EMPTY;
    for &p in points {
        bounds.include(p);
    }
    bounds
}

fn covers(a: &Bounds, b: &Bounds) -> bool {
    a.west_e7 <= b.west_e7
        && a.east_e7 >= b.east_e7
        && a.south_e7 <= b.south_e7
        && a.north_e7 >= b.north_e7
}

/// Whether ring `b` lies in ring `a`; they may touch, but not cross.
pub(super) fn contains(a: &[Point], b: &[Point]) -> bool {
    let corners = b.iter().copied();
    let middles = b.windows(2).map(|w| Point {
        lon_e7: ((i64::from(w[0].lon_e7) + i64::from(w[1].lon_e7)) / 2) as i32,
        lat_e7: ((i64::from(w[0].lat_e7) + i64::from(w[1].lat_e7)) / 2) as i32,
    });
    corners
        .chain(middles)
        .find_map(|p| inside(a, p))
        .unwrap_or(false)
}

/// Whether a point lies in a ring; `None` on its boundary. Exact.
pub(super) fn inside(ring: &[Point], p: Point) -> Option<bool> {
    let mut inside = false;
    for w in ring.windows(2) {
        let (a, b) = (w[0], w[1]);
        let reached = (a.lat_e7 > p.lat_e7) != (b.lat_e7 > p.lat_e7);
        let flat = a.lat_e7 == p.lat_e7 && b.lat_e7 == p.lat_e7;
        if !reached && !flat && a != p && b != p {
            continue;
        }
        let side = side(a, b, p);
        if side == 0 {
            let between = |u: i32, v: i32, x: i32| u.min(v) <= x && x <= u.max(v);
            if between(a.lon_e7, b.lon_e7, p.lon_e7) && between(a.lat_e7, b.lat_e7, p.lat_e7) {
                return None;
            }
        }
        if reached && ((side > 0) == (b.lat_e7 > a.lat_e7)) {
            inside = !inside;
        }
    }
    Some(inside)
}

/// On which side of the line from `a` to `b` a point lies: left positive.
pub(super) fn side(a: Point, b: Point, p: Point) -> i128 {
    let d = |u: i32, v: i32| i128::from(u) - i128::from(v);
    d(b.lon_e7, a.lon_e7) * d(p.lat_e7, a.lat_e7) - d(b.lat_e7, a.lat_e7) * d(p.lon_e7, a.lon_e7)
}

/// Whether two stretches properly cross.
pub(super) fn cross(a: Point, b: Point, c: Point, d: Point) -> bool {
    let opposite = |u: i128, v: i128| (u > 0 && v < 0) || (u < 0 && v > 0);
    opposite(side(a, b, c), side(a, b, d)) && opposite(side(c, d, a), side(c, d, b))
}

/// A point in a polygon to name it by: the centroid of the outer ring if it is inside, else the
/// middle of the longest stretch inside along the parallel through the middle.
pub(super) fn inner_point(polygon: &Polygon) -> Option<Point> {
    let outer = polygon.first()?;
    let centroid = centroid(outer)?;
    if polygon
        .iter()
        .all(|ring| inside(ring, centroid) == Some(std::ptr::eq(ring, outer)))
    {
        return Some(centroid);
    }
    let mut crossings: Vec<f64> = polygon
        .iter()
        .flat_map(|ring| ring.windows(2))
        .filter(|w| (w[0].lat_e7 > centroid.lat_e7) != (w[1].lat_e7 > centroid.lat_e7))
        .map(|w| {
            let along = (f64::from(centroid.lat_e7) - f64::from(w[0].lat_e7))
                / (f64::from(w[1].lat_e7) - f64::from(w[0].lat_e7));
            f64::from(w[0].lon_e7) + along * (f64::from(w[1].lon_e7) - f64::from(w[0].lon_e7))
        })
        .collect();
    crossings.sort_by(f64::total_cmp);
    let (pairs, _) = crossings.as_chunks::<2>();
    let [west, east] = pairs
        .iter()
        .max_by(|a, b| (a[1] - a[0]).total_cmp(&(b[1] - b[0])))?;
    Some(Point {
        lon_e7: ((west + east) / 2.0) as i32,
        lat_e7: centroid.lat_e7,
    })
}

fn centroid(ring: &[Point]) -> Option<Point> {
    let origin = *ring.first()?;
    let xy = |p: Point| {
        (
            f64::from(p.lon_e7) - f64::from(origin.lon_e7),
            f64::from(p.lat_e7) - f64::from(origin.lat_e7),
        )
    };
    let (mut x, mut y, mut twice) = (0.0, 0.0, 0.0);
    for w in ring.windows(2) {
        let ((ax, ay), (bx, by)) = (xy(w[0]), xy(w[1]));
        let cross = ax * by - bx * ay;
        twice += cross;
        x += (ax + bx) * cross;
        y += (ay + by) * cross;
    }
    if twice == 0.0 {
        return Some(origin);
    }
    let whole = |o: i32, sum: f64| (f64::from(o) + sum / (3.0 * twice)).round() as i32;
    Some(Point {
        lon_e7: whole(origin.lon_e7, x),
        lat_e7: whole(origin.lat_e7, y),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(west: i32, south: i32, side: i32) -> Vec<Point> {
        [(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)]
            .map(|(x, y)| Point {
                lon_e7: west + x * side,
                lat_e7: south + y * side,
            })
            .to_vec()
    }

    fn ring(points: Vec<Point>, said_outer: bool) -> Ring {
        Ring { points, said_outer }
    }

    #[test]
    fn ways_in_any_order_and_direction_make_a_ring() {
        let (rings, left) = assemble(&[&[1, 2, 3], &[5, 4, 3], &[5, 6, 1]]);
        assert_eq!((rings, left), (vec![vec![1, 2, 3, 4, 5, 6, 1]], 0));
    }

    #[test]
    fn broken_rings_and_spurs_are_counted_and_the_rest_survives() {
        let (rings, left) = assemble(&[&[1, 2, 3], &[3, 4, 1], &[3, 9], &[20, 21], &[21, 22]]);
        assert_eq!(rings.len(), 1);
        assert_eq!(left, 3);
        assert_eq!(assemble(&[&[1, 2, 3], &[4, 3]]), (vec![], 2));
        assert_eq!(assemble(&[&[], &[7]]), (vec![], 0));
        assert_eq!(assemble(&[&[1, 2, 1]]), (vec![], 0), "a spike is no ring");
    }

    #[test]
    fn rings_touching_at_a_node_come_apart() {
        // Two ways each, meeting at node 1.
        let (rings, left) = assemble(&[&[1, 2, 3], &[3, 4, 1], &[1, 5, 6], &[6, 7, 1]]);
        assert_eq!((rings.len(), left), (2, 0));
        // One closed way that passes node 3 twice.
        let (rings, left) = assemble(&[&[1, 2, 3, 4, 5, 3, 6, 1]]);
        assert_eq!(
            (rings, left),
            (vec![vec![3, 4, 5, 3], vec![1, 2, 3, 6, 1]], 0)
        );
    }

    #[test]
    fn holes_islands_and_touching_rings_nest() {
        let polygons = nest(vec![
            ring(square(40, 40, 10), true), // an island in the lake
            ring(square(0, 0, 100), true),
            ring(square(0, 0, 20), false), // touches the corner of the outer ring
            ring(square(30, 30, 30), false),
            ring(square(200, 0, 50), true),
            ring(square(70, 70, 5), true), // mapped twice
        ]);
        let sizes: Vec<usize> = polygons.iter().map(Vec::len).collect();
        assert_eq!(sizes, [3, 1, 1]);
        assert!(signed_area(&polygons[0][0]) > 0.0 && signed_area(&polygons[0][1]) < 0.0);
        assert_eq!(bounds(&polygons[2][0]).west_e7, 40);
    }

    #[test]
    fn roles_that_lie_do_not_matter() {
        let polygons = nest(vec![
            ring(square(10, 10, 10), false),
            ring(square(0, 0, 100), false),
        ]);
        assert_eq!(polygons.len(), 1);
        assert_eq!(polygons[0].len(), 2);
    }

    #[test]
    fn inside_is_exact_on_edges_and_corners() {
        let ring = square(0, 0, 10);
        let p = |lon_e7, lat_e7| Point { lon_e7, lat_e7 };
        assert_eq!(inside(&ring, p(5, 5)), Some(true));
        assert_eq!(inside(&ring, p(10, 10)), None);
        assert_eq!(inside(&ring, p(5, 0)), None);
        assert_eq!(inside(&ring, p(-5, 0)), Some(false));
        assert_eq!(inside(&ring, p(15, 10)), Some(false));
        // Far apart: no overflow.
        let far = square(-1_800_000_000, -900_000_000, 1_700_000_000);
        assert_eq!(inside(&far, p(-1_000_000_000, 0)), Some(true));
    }

    #[test]
    fn a_horseshoe_is_named_by_a_point_inside() {
        let p = |lon_e7, lat_e7| Point { lon_e7, lat_e7 };
        let u = vec![
            p(0, 0),
            p(90, 0),
            p(90, 90),
            p(80, 90),
            p(80, 10),
            p(10, 10),
            p(10, 90),
            p(0, 90),
            p(0, 0),
        ];
        let point = inner_point(&vec![u.clone()]).unwrap();
        assert_eq!(inside(&u, point), Some(true));
        let ring = vec![square(0, 0, 100), square(25, 25, 50)];
        let point = inner_point(&ring).unwrap();
        assert_eq!(inside(&ring[1], point), Some(false));
    }
}
