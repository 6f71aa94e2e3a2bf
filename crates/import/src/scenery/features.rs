//! Map features as they are stored: every vertex with the lowest zoom that needs it, large areas
//! cut into parts, and all of it as columns.

use region::{Bounds, Columns, FeatureKind, Point, pack_tree};

use super::rings::{self, Polygon};

/// Zoom from which everything is drawn as it is.
const MAX_ZOOM: u8 = 16;
/// Side of a tile in pixels.
const TILE_PX: f64 = 512.0;
/// How far a line may be off when a vertex is left out, pixels.
const TOLERANCE_PX: f64 = 0.5;
/// An area is drawn from the zoom at which it is as large as a square of this side, pixels.
const AREA_SIDE_PX: f64 = 4.0;
/// Land is drawn when it is seen at all.
const LAND_SIDE_PX: f64 = 1.0;
/// A line is drawn from the zoom at which its box has this diagonal, pixels.
const LINE_PX: f64 = 3.0;
/// Vertices that a feature may have: a tile has to look at them all.
const MAX_POINTS: usize = 10_000;

/// What a ring is to its feature, as stored in `ring_role`.
mod role {
    pub const OUTER: u8 = 0;
    pub const INNER: u8 = 1;
    pub const LINE: u8 = 2;
}

/// A point and the lowest zoom that needs it.
pub(super) type Vertex = (Point, u8);

/// One row of the feature columns.
pub(super) struct Feature {
    kind: FeatureKind,
    min_zoom: u8,
    name: u32,
    /// Roles and vertices: an outer ring and its holes, or a line.
    rings: Vec<(u8, Vec<Vertex>)>,
}

/// The features of an area: one, or several where it is large.
pub(super) fn area(kind: FeatureKind, name: u32, polygon: &Polygon, out: &mut Vec<Feature>) {
    let side_px = if kind == FeatureKind::Land {
        LAND_SIDE_PX
    } else {
        AREA_SIDE_PX
    };
    let rings: Vec<(u8, u8, Vec<Vertex>)> = polygon
        .iter()
        .enumerate()
        .filter_map(|(i, ring)| {
            let world: Vec<[f64; 2]> = ring.iter().copied().map(project).collect();
            let zoom = zoom_of(side_px / TILE_PX, world_area(&world).sqrt());
            let role = if i == 0 { role::OUTER } else { role::INNER };
            let vertices = simplify_ring(ring, &world, zoom);
            (vertices.len() >= 4).then_some((role, zoom, vertices))
        })
        .collect();
    // Without its outer ring a hole is nothing.
    let Some(&(role::OUTER, min_zoom, _)) = rings.first() else {
        return;
    };
    let rings = rings
        .into_iter()
        .map(|(role, _, vertices)| (role, vertices))
        .collect();
    divide(rings, MAX_POINTS, &mut |rings| {
        out.push(Feature {
            kind,
            min_zoom,
            name,
            rings,
        });
    });
}

/// The features of a line: one, or several where it is long.
pub(super) fn line(
    kind: FeatureKind,
    min_zoom: u8,
    name: u32,
    points: &[Point],
    out: &mut Vec<Feature>,
) {
    let mut from = 0;
    for to in 1..=points.len() {
        // A leap round the globe is no stretch of a line.
        let leaps =
            to < points.len() && points[to].lon_e7.abs_diff(points[to - 1].lon_e7) > 1_800_000_000;
        if to < points.len() && !leaps && to - from < MAX_POINTS {
            continue;
        }
        let part = &points[from..to];
        from = if leaps { to } else { to - 1 };
        if part.len() < 2 {
            continue;
        }
        let world: Vec<[f64; 2]> = part.iter().copied().map(project).collect();
        let b = rings::bounds(part);
        let corner = |lon_e7, lat_e7| project(Point { lon_e7, lat_e7 });
        let (sw, ne) = (corner(b.west_e7, b.south_e7), corner(b.east_e7, b.north_e7));
        let diagonal = (ne[0] - sw[0]).hypot(ne[1] - sw[1]);
        // Borders come in short ways and must not have gaps.
        let whole = matches!(kind, FeatureKind::CountryBorder | FeatureKind::StateBorder);
        let by_size = if whole {
            0
        } else {
            zoom_of(LINE_PX / TILE_PX, diagonal)
        };
        let zoom = min_zoom.max(by_size);
        let vertices = simplify_line(part, &world, zoom);
        out.push(Feature {
            kind,
            min_zoom: zoom,
            name,
            rings: vec![(role::LINE, vertices)],
        });
    }
}

/// Writes the feature columns, in the order given.
pub(super) fn write(features: &[Feature], columns: &mut Columns) {
    columns.feature_first_ring.push(0);
    columns.ring_first_point.push(0);
    let mut boxes = Vec::with_capacity(features.len());
    for feature in features {
        let mut bounds = Bounds::EMPTY;
        columns.feature_kind.push(feature.kind as u8);
        columns.feature_min_zoom.push(feature.min_zoom);
        columns.feature_name.push(feature.name);
        for (role, vertices) in &feature.rings {
            for &(p, zoom) in vertices {
                bounds.include(p);
                columns.feature_lon_e7.push(p.lon_e7);
                columns.feature_lat_e7.push(p.lat_e7);
                columns.feature_point_first_zoom.push(zoom);
            }
            columns.ring_role.push(*role);
            columns
                .ring_first_point
                .push(columns.feature_lon_e7.len() as u32);
        }
        columns
            .feature_first_ring
            .push(columns.ring_role.len() as u32);
        boxes.push(bounds);
    }
    columns.feature_tree = pack_tree(&boxes);
}

/// Whether a ring leaps from one side of the globe to the other.
pub(super) fn leaps(ring: &[Point]) -> bool {
    ring.windows(2)
        .any(|w| w[0].lon_e7.abs_diff(w[1].lon_e7) > 1_800_000_000)
}

/// Web Mercator (EPSG:3857), the world being the unit square, y down.
fn project(p: Point) -> [f64; 2] {
    let lat = p.lat().clamp(-85.051_128, 85.051_128).to_radians();
    let y = 0.5 - lat.sin().atanh() / std::f64::consts::TAU;
    [p.lon() / 360.0 + 0.5, y]
}

fn world_area(ring: &[[f64; 2]]) -> f64 {
    let Some(&[x0, y0]) = ring.first() else {
        return 0.0;
    };
    let twice: f64 = ring
        .windows(2)
        .map(|w| (w[0][0] - x0) * (w[1][1] - y0) - (w[1][0] - x0) * (w[0][1] - y0))
        .sum();
    (twice / 2.0).abs()
}

/// Lowest zoom at which `size` (of the unit world) is at least `tiles` tiles large.
fn zoom_of(tiles: f64, size: f64) -> u8 {
    (tiles / size).log2().ceil().clamp(0.0, f64::from(MAX_ZOOM)) as u8
}

/// The vertices worth keeping of a line, each with its first zoom; both ends at `min_zoom`.
fn simplify_line(points: &[Point], world: &[[f64; 2]], min_zoom: u8) -> Vec<Vertex> {
    let mut off = vec![0.0; points.len()];
    weigh(world, 0, points.len() - 1, &mut off);
    keep(points, &off, min_zoom)
}

/// The first zoom of every vertex of a line that must keep all of them; ends are needed always.
pub fn line_zooms(points: &[Point]) -> Vec<u8> {
    let world: Vec<[f64; 2]> = points.iter().map(|&p| project(p)).collect();
    let mut off = vec![f64::MAX; points.len()];
    if points.len() > 2 {
        weigh(&world, 0, points.len() - 1, &mut off);
    }
    off.iter()
        .map(|&off| zoom_of(TOLERANCE_PX / TILE_PX, off))
        .collect()
}

/// The same for a closed ring: at `min_zoom` it still has three corners.
fn simplify_ring(points: &[Point], world: &[[f64; 2]], min_zoom: u8) -> Vec<Vertex> {
    let last = points.len().saturating_sub(1);
    if last < 3 {
        return Vec::new();
    }
    let far = |i: usize| (world[i][0] - world[0][0]).hypot(world[i][1] - world[0][1]);
    let middle = (1..last)
        .max_by(|&a, &b| far(a).total_cmp(&far(b)))
        .unwrap_or(1);
    let mut off = vec![0.0; points.len()];
    weigh(world, 0, middle, &mut off);
    weigh(world, middle, last, &mut off);
    off[middle] = f64::MAX;
    let third = (1..last)
        .filter(|&i| i != middle)
        .max_by(|&a, &b| off[a].total_cmp(&off[b]));
    if let Some(third) = third {
        off[third] = f64::MAX;
    }
    keep(points, &off, min_zoom)
}

/// Douglas-Peucker (Douglas & Peucker 1973, Cartographica 10:112-122) for all tolerances at once:
/// how far off the line would be without each vertex between two that stay, never more than
/// without the vertices above it.
fn weigh(world: &[[f64; 2]], from: usize, to: usize, off: &mut [f64]) {
    let mut stack = vec![(from, to, f64::MAX)];
    while let Some((from, to, limit)) = stack.pop() {
        let farthest = (from + 1..to)
            .map(|i| (distance_to_stretch(world[i], world[from], world[to]), i))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let Some((distance, at)) = farthest else {
            continue;
        };
        let distance = distance.min(limit);
        off[at] = distance;
        stack.push((from, at, distance));
        stack.push((at, to, distance));
    }
}

fn distance_to_stretch(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length2 = dx * dx + dy * dy;
    let along = if length2 > 0.0 {
        (((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / length2).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (p[0] - a[0] - along * dx).hypot(p[1] - a[1] - along * dy)
}

/// Turns distances into zooms; drops vertices that no zoom needs, but never an end.
fn keep(points: &[Point], off: &[f64], min_zoom: u8) -> Vec<Vertex> {
    let last = points.len() - 1;
    let mut kept: Vec<Vertex> = Vec::with_capacity(points.len());
    for (i, (&p, &off)) in points.iter().zip(off).enumerate() {
        if i == 0 || i == last {
            kept.push((p, min_zoom));
            continue;
        }
        let zoom = (TOLERANCE_PX / TILE_PX / off).log2().ceil();
        if zoom <= f64::from(MAX_ZOOM) + 1.0 {
            kept.push((
                p,
                zoom.clamp(f64::from(min_zoom), f64::from(MAX_ZOOM)) as u8,
            ));
        }
    }
    kept
}

/// Cuts rings in halves, again and again, until no part has more than `max_points`. Cuts are
/// straight along the longer side of the box; their vertices are needed at every zoom.
pub(super) fn divide<R: Clone>(
    rings: Vec<(R, Vec<Vertex>)>,
    max_points: usize,
    out: &mut dyn FnMut(Vec<(R, Vec<Vertex>)>),
) {
    let count: usize = rings.iter().map(|r| r.1.len()).sum();
    let mut b = Bounds::EMPTY;
    for &(p, _) in rings.iter().flat_map(|r| &r.1) {
        b.include(p);
    }
    let width = i64::from(b.east_e7) - i64::from(b.west_e7);
    let height = i64::from(b.north_e7) - i64::from(b.south_e7);
    // Below a metre there is nothing to gain.
    if count <= max_points || width.max(height) < 100 {
        if count > 0 {
            out(rings);
        }
        return;
    }
    let upright = width >= height;
    let middle = if upright {
        i64::from(b.west_e7) + width / 2
    } else {
        i64::from(b.south_e7) + height / 2
    } as i32;
    for below in [true, false] {
        let half: Vec<(R, Vec<Vertex>)> = rings
            .iter()
            .map(|(r, ring)| (r.clone(), cut(ring, upright, middle, below)))
            .filter(|(_, ring)| ring.len() >= 4)
            .collect();
        let shrinks = half.iter().map(|r| r.1.len()).sum::<usize>() < count;
        if shrinks {
            divide(half, max_points, out);
        } else {
            out(half);
        }
    }
}

/// The part of a ring on one side of a meridian or parallel (Sutherland & Hodgman 1974, CACM
/// 17:32-42).
fn cut(ring: &[Vertex], upright: bool, middle: i32, below: bool) -> Vec<Vertex> {
    let of = |p: Point| if upright { p.lon_e7 } else { p.lat_e7 };
    let keeps = |p: Point| {
        if below {
            of(p) <= middle
        } else {
            of(p) >= middle
        }
    };
    let mut part: Vec<Vertex> = Vec::new();
    for w in ring.windows(2) {
        let ((a, zoom), (b, _)) = (w[0], w[1]);
        if keeps(a) {
            part.push((a, zoom));
        }
        if keeps(a) != keeps(b) && of(a) != middle && of(b) != middle {
            let share =
                (f64::from(middle) - f64::from(of(a))) / (f64::from(of(b)) - f64::from(of(a)));
            let mix = |a: i32, b: i32| {
                (f64::from(a) + share * (f64::from(b) - f64::from(a))).round() as i32
            };
            let p = if upright {
                Point {
                    lon_e7: middle,
                    lat_e7: mix(a.lat_e7, b.lat_e7),
                }
            } else {
                Point {
                    lon_e7: mix(a.lon_e7, b.lon_e7),
                    lat_e7: middle,
                }
            };
            part.push((p, 0));
        }
    }
    // A vertex that lies on the cut is a corner of both halves.
    for vertex in &mut part {
        if of(vertex.0) == middle {
            vertex.1 = 0;
        }
    }
    part.dedup_by_key(|v| v.0);
    if let Some(&first) = part.first() {
        if part.len() > 1 && part.last().map(|v| v.0) == Some(first.0) {
            part.pop();
        }
        part.push(first);
    }
    part
}

#[cfg(test)]
mod tests {
    use super::*;

    fn circle(points: usize, radius_e7: f64) -> Vec<Point> {
        (0..=points)
            .map(|i| {
                let angle = std::f64::consts::TAU * (i % points) as f64 / points as f64;
                Point {
                    lon_e7: (radius_e7 * angle.cos()) as i32,
                    lat_e7: (radius_e7 * angle.sin()) as i32,
                }
            })
            .collect()
    }

    fn shoelace(ring: &[Vertex]) -> f64 {
        rings::signed_area(&ring.iter().map(|v| v.0).collect::<Vec<_>>()).abs()
    }

    #[test]
    fn fewer_vertices_at_low_zoom_but_always_a_triangle() {
        let mut features = Vec::new();
        area(
            FeatureKind::Water,
            0,
            &vec![circle(1000, 1e6)],
            &mut features,
        );
        let feature = &features[0];
        let at = |z: u8| feature.rings[0].1.iter().filter(|v| v.1 <= z).count();
        assert!(at(feature.min_zoom) >= 4);
        let counts: Vec<usize> = (feature.min_zoom..=MAX_ZOOM).map(at).collect();
        assert!(
            counts.is_sorted() && counts[0] < 20 && counts[counts.len() - 1] > 200,
            "{counts:?}"
        );
        // 0.2 degrees across: 4 pixels of 512 * 2^z / 360 per degree (side = 0.177) from zoom 4.
        assert_eq!(feature.min_zoom, 4);
    }

    #[test]
    fn what_is_left_out_is_within_half_a_pixel() {
        let line: Vec<Point> = (0..500)
            .map(|i| Point {
                lon_e7: i * 20_000,
                lat_e7: ((i * i * 7919) % 50_021) * 4,
            })
            .collect();
        let world: Vec<[f64; 2]> = line.iter().copied().map(project).collect();
        let vertices = simplify_line(&line, &world, 0);
        for z in 6..=16 {
            let kept: Vec<[f64; 2]> = vertices
                .iter()
                .filter(|v| v.1 <= z)
                .map(|v| project(v.0))
                .collect();
            let px = TILE_PX * f64::from(1 << z);
            let worst = world
                .iter()
                .map(|&p| {
                    let near = |w: &[[f64; 2]]| distance_to_stretch(p, w[0], w[1]);
                    kept.windows(2).map(near).fold(f64::MAX, f64::min) * px
                })
                .fold(0.0, f64::max);
            assert!(worst <= TOLERANCE_PX * 1.001, "zoom {z}: {worst} px");
        }
    }

    #[test]
    fn parts_of_a_large_area_add_up() {
        let (outer, hole) = (circle(3000, 1e7), circle(1000, 4e6));
        let ring = |points: Vec<Point>| points.into_iter().map(|p| (p, 9)).collect::<Vec<Vertex>>();
        let (mut sum, mut parts) = (0.0, 0);
        let rings = vec![
            (role::OUTER, ring(outer.clone())),
            (role::INNER, ring(hole.clone())),
        ];
        divide(rings, 300, &mut |rings| {
            parts += 1;
            assert_eq!(rings[0].0, role::OUTER);
            assert!(rings.iter().map(|r| r.1.len()).sum::<usize>() <= 300);
            for (role, ring) in &rings {
                assert_eq!(ring[0].0, ring[ring.len() - 1].0);
                sum += if *role == role::OUTER {
                    shoelace(ring)
                } else {
                    -shoelace(ring)
                };
            }
        });
        let whole = rings::signed_area(&outer).abs() - rings::signed_area(&hole).abs();
        assert!(parts > 10);
        assert!((sum / whole - 1.0).abs() < 1e-6, "{sum} of {whole}");
    }

    #[test]
    fn a_line_over_the_antimeridian_is_cut_there() {
        let p = |lon_e7| Point { lon_e7, lat_e7: 0 };
        let mut out = Vec::new();
        let line_points = [
            p(1_790_000_000),
            p(1_799_000_000),
            p(-1_799_000_000),
            p(-1_790_000_000),
        ];
        line(FeatureKind::River, 0, 0, &line_points, &mut out);
        assert_eq!(out.len(), 2);
        assert!(out.iter().all(|f| f.rings[0].1.len() == 2));
    }
}
