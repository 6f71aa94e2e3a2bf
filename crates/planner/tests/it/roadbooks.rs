//! Roadbooks against an independent reading: decision points recomputed from the line's vertices and
//! the region's geometry alone, distances from the line's vertices.

use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use planner::Planner;
use planner::document::{Tour, TourPoint};
use planner::plan::Plan;
use planner::roadbook::{Decision, NoteKind, Roadbook, RoadbookDay, StrokeKind, Turn};
use region::{Access, Edge, PlaceKind, Point, Region, RoadClass, distance_m, flag};

use crate::files_gpx::shared;
use crate::map::{Map, tour};

fn book(map: &Map, tour: &Tour) -> (Planner, Plan, Roadbook) {
    let planner = map.planner();
    let (plan, book) = planner.roadbook(tour).expect("a roadbook");
    (planner, plan, book)
}

fn of_day(map: &Map, points: &[(&str, f64, f64)]) -> RoadbookDay {
    let (planner, plan, mut book) = book(map, &tour("fastest", points));
    check_against_line(planner.region(), &plan, &book);
    book.days.remove(0)
}

fn turns(day: &RoadbookDay) -> Vec<(i64, Turn)> {
    let turn = |r: &Decision| (r.at_m.round() as i64, r.turn);
    day.rows.iter().map(turn).collect()
}

/// A road with a place to turn off at each kilometre: north at 1, straight on at 2, fork at 3.
fn turnings() -> Map {
    let mut map = Map::default();
    let main = map.street(&[[0.0, 0.0], [1000.0, 0.0], [2000.0, 0.0], [3000.0, 0.0]]);
    let [north, left, right] = [[1000.0, 1000.0], [4000.0, 200.0], [4000.0, -200.0]]
        .map(|p: [f64; 2]| map.node(p[0], p[1]));
    map.road(main[1], north);
    map.road(main[3], left);
    map.road(main[3], right);
    map
}

#[test]
fn a_row_where_straight_on_is_not_the_way_and_no_other() {
    let map = turnings();
    // Past the turning: no row. Into it: one. At the fork: one, whichever arm.
    assert_eq!(
        of_day(&map, &[("stop", 0.0, 0.0), ("stop", 1900.0, 0.0)])
            .rows
            .len(),
        0
    );
    let north = of_day(&map, &[("stop", 0.0, 0.0), ("stop", 1000.0, 900.0)]);
    assert_eq!(turns(&north), [(1000, Turn::Left)]);
    let south = of_day(&map, &[("stop", 1000.0, 900.0), ("stop", 0.0, 0.0)]);
    assert_eq!(turns(&south), [(900, Turn::Right)]);
    for side in [200.0, -200.0] {
        let fork = of_day(&map, &[("stop", 0.0, 0.0), ("stop", 3900.0, side * 0.9)]);
        assert_eq!(fork.rows.len(), 1, "{side}");
        assert_eq!(fork.rows[0].at_m.round(), 3000.0);
        assert!(fork.rows[0].look_for.contains(&"fork".to_owned()));
    }
    assert!(!north.rows[0].look_for.contains(&"T-junction".to_owned()));
    assert!(south.rows[0].look_for.contains(&"T-junction".to_owned()));
}

/// A bend of a road at which a drive goes straight on is no decision, unless it is a sharp one; a road
/// that goes straight on makes it one.
#[test]
fn drives_beside_a_road_that_goes_on() {
    let bend = |class: RoadClass, turn_deg: f64, closed: bool| {
        let mut map = Map::default();
        let nodes = [[0.0, 0.0], [1000.0, 0.0], [2000.0, 0.0]].map(|p| map.node(p[0], p[1]));
        let (sin, cos) = turn_deg.to_radians().sin_cos();
        let on = map.node(1000.0 + 1000.0 * cos, 1000.0 * sin);
        map.road(nodes[0], nodes[1]);
        map.road(nodes[1], on);
        let drive = map.road(nodes[1], nodes[2]);
        drive.class = class;
        if closed {
            drive.access = [Access::Closed; 2];
        }
        let end = (1000.0 + 900.0 * cos, 900.0 * sin);
        of_day(&map, &[("stop", 0.0, 0.0), ("stop", end.0, end.1)])
            .rows
            .len()
    };
    assert_eq!(bend(RoadClass::Track, 30.0, false), 0);
    assert_eq!(bend(RoadClass::Service, 30.0, false), 0);
    assert_eq!(bend(RoadClass::Unclassified, 30.0, false), 1);
    assert_eq!(bend(RoadClass::Track, 70.0, false), 1);
    assert_eq!(bend(RoadClass::Tertiary, 70.0, true), 0);
}

/// A roundabout of four arms, each 90 degrees: one row, with the number of the exit.
#[test]
fn a_roundabout_is_one_row() {
    let mut map = Map::default();
    let ring: Vec<usize> = [[-20.0, 0.0], [0.0, -20.0], [20.0, 0.0], [0.0, 20.0]]
        .map(|p: [f64; 2]| map.node(p[0], p[1]))
        .into();
    // Counterclockwise from the west: south, east, north.
    for i in 0..4 {
        let road = map.one_way(ring[i], ring[(i + 1) % 4]);
        road.flags = flag::ROUNDABOUT;
    }
    for (i, far) in [[-1000.0, 0.0], [0.0, -1000.0], [1000.0, 0.0], [0.0, 1000.0]]
        .into_iter()
        .enumerate()
    {
        let end = map.node(far[0], far[1]);
        map.road(ring[i], end);
    }
    let to = |e: f64, n: f64| of_day(&map, &[("stop", -900.0, 0.0), ("stop", e, n)]);
    for (end, exit, turn) in [
        ((0.0, -900.0), 1, Turn::Right),
        ((900.0, 0.0), 2, Turn::Straight),
        ((0.0, 900.0), 3, Turn::Left),
    ] {
        let day = to(end.0, end.1);
        assert_eq!(day.rows.len(), 1, "{end:?}");
        assert_eq!((day.rows[0].exit, day.rows[0].turn), (Some(exit), turn));
        assert_eq!(day.rows[0].at_m.round(), 880.0);
        assert!(day.rows[0].through_m > 20.0);
    }
}

/// All arms are in the sketch at their true angles, and the way goes from below through the middle.
#[test]
fn sketches_show_every_arm_at_its_angle() {
    for angles in [
        [60.0f64, 200.0, 300.0],
        [48.0, 90.0, 135.0],
        [10.0, 170.0, 250.0],
    ] {
        let mut map = Map::default();
        let middle = map.node(0.0, 0.0);
        let from = map.node(0.0, -500.0);
        map.road(from, middle);
        for a in angles {
            let (sin, cos) = a.to_radians().sin_cos();
            let end = map.node(500.0 * sin, 500.0 * cos);
            map.road(middle, end);
        }
        for way in angles {
            let (sin, cos) = way.to_radians().sin_cos();
            let day = of_day(
                &map,
                &[("stop", 0.0, -400.0), ("stop", 400.0 * sin, 400.0 * cos)],
            );
            let Some(row) = day.rows.first() else {
                assert!(way < 45.0);
                continue;
            };
            let sketch = &row.sketch;
            assert_eq!(sketch.roads.len(), 4);
            let heading = |p: [f64; 2]| p[0].atan2(p[1]).to_degrees().rem_euclid(360.0);
            let mut drawn: Vec<f64> = sketch
                .roads
                .iter()
                .map(|s| heading(*s.line.last().unwrap()))
                .collect();
            drawn.sort_by(f64::total_cmp);
            let mut expected: Vec<f64> = angles.into_iter().chain([180.0]).collect();
            expected.sort_by(f64::total_cmp);
            for (d, e) in drawn.iter().zip(&expected) {
                assert!((d - e).abs() < 0.5, "{drawn:?} {expected:?}");
            }
            let (first, last) = (sketch.way[0], sketch.way[sketch.way.len() - 1]);
            assert!((heading(first) - 180.0).abs() < 0.5 && first[1] < -0.99);
            assert!((heading(last) - way).abs() < 0.5, "{way} {last:?}");
            assert!(sketch.roads.iter().all(|s| s.kind == StrokeKind::Road));
        }
    }
}

#[test]
fn notes_tell_of_fuel_ground_and_halts() {
    let mut map = Map::default();
    let n = map.street(&[[0.0, 0.0], [5000.0, 0.0], [8000.0, 0.0], [20000.0, 0.0]]);
    assert_eq!(n.len(), 4);
    map.roads[1].surface = region::Surface::Gravel;
    map.places = vec![(PlaceKind::Fuel, [6000.0, 30.0], "Mill", "")];
    let mut tour = tour(
        "fastest",
        &[
            ("stop", 0.0, 0.0),
            ("stop", 10000.0, 0.0),
            ("stop", 19000.0, 0.0),
        ],
    );
    tour.points[1].dwell_min = 40;
    tour.points[1].name = "Lunch".into();
    tour.depart = Some("2026-07-01T09:00".into());
    let (_, _, book) = book(&map, &tour);
    let day = &book.days[0];
    let told: Vec<(NoteKind, i64, &str)> = day
        .notes
        .iter()
        .map(|n| (n.kind, n.at_m.round() as i64, n.text.as_str()))
        .collect();
    assert!(
        told.contains(&(NoteKind::Ground, 5000, "unpaved for 3.0 km")),
        "{told:?}"
    );
    assert!(
        told.contains(&(NoteKind::Fuel, 6000, "station Mill")),
        "{told:?}"
    );
    assert!(
        told.contains(&(NoteKind::Halt, 10000, "stop: Lunch, 40 min")),
        "{told:?}"
    );
    assert!(
        day.notes
            .windows(2)
            .all(|w| w[0].at_m <= w[1].at_m && w[0].clock <= w[1].clock)
    );
    assert!(day.rows.is_empty());
    assert_eq!(day.start, "set out east");
}

/// An independent reading of a day: junctions found by the line's vertices.
mod reading {
    use super::*;

    /// Where each junction lies.
    pub struct Ground<'a> {
        region: &'a Region,
        nodes: HashMap<Point, u32>,
        around: Vec<Vec<Edge>>,
    }

    pub struct Met {
        pub km_m: f64,
        pub node: u32,
        pub from: Edge,
        pub way: Edge,
    }

    impl<'a> Ground<'a> {
        pub fn new(region: &'a Region) -> Self {
            let count = region.node_count();
            let nodes = (0..count).map(|n| (region.node_point(n), n)).collect();
            let mut around = vec![Vec::new(); count as usize];
            for piece in 0..region.piece_count() {
                for edge in [Edge::new(piece, false), Edge::new(piece, true)] {
                    around[region.tail(edge) as usize].push(edge);
                }
            }
            Ground {
                region,
                nodes,
                around,
            }
        }

        /// The edge that leaves a junction and has this vertex next, or lies that way.
        fn towards(&self, node: u32, next: Point) -> Option<Edge> {
            let own = self.region.node_point(node);
            let bearing = azimuth(own, next);
            let off = |e: &Edge| {
                let first = vertices(self.region, *e)[1];
                let turn = (azimuth(own, first) - bearing + 540.0).rem_euclid(360.0) - 180.0;
                (turn.abs() * 1000.0) as i64 + i64::from(first != next)
            };
            self.around[node as usize].iter().copied().min_by_key(off)
        }

        /// Junctions of a line, in riding order, with how one comes and goes.
        pub fn met(&self, line: &[(Point, f64)]) -> Vec<Met> {
            let mut met = Vec::new();
            let mut line = line.to_vec();
            line.dedup_by_key(|v| v.0);
            for w in line.windows(3) {
                let [a, b, c] = [w[0].0, w[1].0, w[2].0];
                let Some(&node) = self.nodes.get(&b) else {
                    continue;
                };
                let (Some(back), Some(way)) = (self.towards(node, a), self.towards(node, c)) else {
                    continue;
                };
                let from = back.reversed();
                met.push(Met {
                    km_m: w[1].1,
                    node,
                    from,
                    way,
                });
            }
            met
        }

        fn minor(&self, e: Edge) -> bool {
            let class = self.region.class(e.piece());
            [RoadClass::Service, RoadClass::Track, RoadClass::Path].contains(&class)
        }

        fn ring(&self, e: Edge) -> bool {
            self.region.piece_flags()[e.piece() as usize] & flag::ROUNDABOUT != 0
        }

        fn turn(&self, from: Edge, to: Edge) -> f64 {
            let inward = bearing_15(&vertices(self.region, from.reversed())) + 180.0;
            let outward = bearing_15(&vertices(self.region, to));
            (outward - inward + 540.0).rem_euclid(360.0) - 180.0
        }

        fn alike(&self, a: Edge, b: Edge) -> bool {
            let r = self.region;
            let text = |ids: &[u32], e: Edge| r.string(ids[e.piece() as usize]).to_owned();
            let equal = |ids: &[u32]| !text(ids, a).is_empty() && text(ids, a) == text(ids, b);
            let link = |e: Edge| r.piece_flags()[e.piece() as usize] & flag::LINK != 0;
            equal(r.piece_ref())
                || equal(r.piece_name())
                || (r.class(a.piece()) == r.class(b.piece()) && link(a) == link(b))
        }

        /// Whether the documented rule makes a junction a decision point, its thresholds moved by
        /// so many degrees.
        fn decides_if(&self, m: &Met, moved: f64) -> bool {
            let back = m.from.reversed();
            let seen: Vec<Edge> = self.around[m.node as usize]
                .iter()
                .copied()
                .filter(|&e| e != back && e != m.way && self.region.access(e) != Access::Closed)
                .collect();
            if m.way == back {
                return !seen.is_empty();
            }
            if self.ring(m.from) != self.ring(m.way) {
                return true;
            }
            let own = self.turn(m.from, m.way).abs();
            let proper = !self.minor(m.from) && !self.minor(m.way);
            for e in seen {
                let other = self.turn(m.from, e).abs();
                let private = self.region.access(e) == Access::Private;
                let drive = proper && (self.minor(e) || private);
                let entered = self.region.access(e) != Access::WrongWay;
                let decisive = match own > 45.0 + moved {
                    true => !drive || other < own - moved,
                    false if drive || !entered => false,
                    false if other < own - 10.0 - moved => true,
                    false if other <= own + 10.0 - moved => {
                        !self.alike(m.from, m.way) || self.alike(m.from, e)
                    }
                    false => false,
                };
                if decisive {
                    return true;
                }
            }
            false
        }
    }

    /// Degrees that the two ways to measure a heading may differ by.
    const LEEWAY_DEG: f64 = 0.5;

    impl Ground<'_> {
        /// Whether it is one wherever exactly the thresholds lie.
        pub fn surely(&self, m: &Met) -> bool {
            [-LEEWAY_DEG, 0.0, LEEWAY_DEG]
                .iter()
                .all(|&d| self.decides_if(m, d))
        }

        /// Whether it is one for some place of the thresholds.
        pub fn perhaps(&self, m: &Met) -> bool {
            [-LEEWAY_DEG, 0.0, LEEWAY_DEG]
                .iter()
                .any(|&d| self.decides_if(m, d))
        }

        /// What is to be known of a junction that was judged otherwise.
        pub fn tell(&self, m: &Met) -> String {
            let arms = self.around[m.node as usize].iter().map(|&e| {
                let r = self.region;
                (
                    e,
                    self.turn(m.from, e).round(),
                    r.class(e.piece()),
                    r.access(e),
                    self.ring(e),
                )
            });
            format!(
                "{:?} into {:?}: {:?}",
                m.from,
                m.way,
                arms.collect::<Vec<_>>()
            )
        }
    }

    pub fn vertices(region: &Region, e: Edge) -> Vec<Point> {
        let mut points: Vec<Point> = region
            .piece_points(e.piece())
            .map(|p| region.point(p))
            .collect();
        if e.is_backward() {
            points.reverse();
        }
        points
    }

    /// Degrees clockwise from north, on a sphere: good to a tenth of a degree over 100 m.
    pub fn azimuth(a: Point, b: Point) -> f64 {
        let mut east = b.lon() - a.lon();
        if east.abs() > 180.0 {
            east -= 360.0 * east.signum();
        }
        let east = east * a.lat().to_radians().cos();
        east.atan2(b.lat() - a.lat()).to_degrees()
    }

    /// Bearing of the place 15 m away from the beginning, or of the end.
    fn bearing_15(points: &[Point]) -> f64 {
        let own = points[0];
        for w in points.windows(2) {
            let (near, far) = (distance_m(own, w[0]), distance_m(own, w[1]));
            if far >= 15.0 {
                let t = (15.0 - near) / (far - near);
                let between = |a: i32, b: i32| a + ((f64::from(b) - f64::from(a)) * t) as i32;
                let at = Point {
                    lon_e7: between(w[0].lon_e7, w[1].lon_e7),
                    lat_e7: between(w[0].lat_e7, w[1].lat_e7),
                };
                return azimuth(own, at);
            }
        }
        azimuth(own, points[points.len() - 1])
    }
}

/// The vertices of a day with their own sum of geodesic distances.
fn day_line(plan: &Plan, day: usize) -> Vec<(Point, f64)> {
    let day = &plan.days[day];
    let mut line: Vec<(Point, f64)> = Vec::new();
    for leg in &plan.legs[day.first_point as usize..day.last_point as usize] {
        let own = leg.line.as_ref().unwrap();
        for (&lat, &lon) in own.lat.iter().zip(&own.lon) {
            let p = Point::from_degrees(lat, lon).unwrap();
            let m = line.last().map_or(0.0, |l| l.1 + distance_m(l.0, p));
            line.push((p, m));
        }
    }
    line
}

/// Every row is a decision point of the line and every decision point has its row, at the line's
/// distance to 10 m. What hangs on a tenth of a degree is left to either side.
fn check_against_line(region: &Region, plan: &Plan, book: &Roadbook) -> usize {
    let ground = reading::Ground::new(region);
    let mut rows_seen = 0;
    for (n, day) in book.days.iter().enumerate() {
        let line = day_line(plan, n);
        let met = ground.met(&line);
        let is_near =
            |row: &Decision, m: f64| m >= row.at_m - 10.0 && m <= row.at_m + row.through_m + 10.0;
        let whole_m = line.last().map_or(0.0, |l| l.1);
        for m in met.iter().filter(|m| ground.surely(m)) {
            assert!(
                day.rows.iter().any(|row| is_near(row, m.km_m)),
                "no row at {:.0} m of {whole_m:.0}, {}",
                m.km_m,
                ground.tell(m)
            );
        }
        let mut sum_m = 0.0;
        for row in &day.rows {
            rows_seen += 1;
            let here = Point::from_degrees(row.at[0], row.at[1]).unwrap();
            let found = met.iter().find(|m| {
                region.node_point(m.node) == here
                    && (m.km_m - row.at_m).abs() <= 10.0
                    && ground.perhaps(m)
            });
            assert!(
                found.is_some(),
                "row {} at {:.0} m is none",
                row.number,
                row.at_m
            );
            sum_m += row.partial_m;
            assert!((sum_m - row.at_m).abs() < 1e-6);
            assert!(
                !row.sketch.way.is_empty() && row.sketch.roads.len() >= 2,
                "{row:?}"
            );
        }
        let whole_m = line.last().map_or(0.0, |l| l.1);
        assert!(
            (whole_m - day.length_m).abs() <= 10.0,
            "{whole_m} {}",
            day.length_m
        );
    }
    rows_seen
}

/// Random tours over a region: enough junctions for every kind there is.
fn check_region(path: &Path, tours: usize) -> usize {
    let planner = Planner::new(Arc::new(Region::open(path).unwrap())).unwrap();
    let region = planner.region();
    let mut seed = 11u64;
    let mut random = |n: u32| {
        seed = seed
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((seed >> 33) % u64::from(n)) as u32
    };
    let mut rows = 0;
    for i in 0..tours {
        let mut tour = tour(["fastest", "winding"][i % 2], &[("stop", 0.0, 0.0); 4]);
        tour.points = (0..4)
            .map(|_| {
                let p = region.node_point(random(region.node_count()));
                TourPoint {
                    lat: p.lat(),
                    lon: p.lon(),
                    ..tour.points[0].clone()
                }
            })
            .collect();
        tour.points[1].ends_day = true;
        tour.points[2].kind = planner::document::PointKind::Via;
        let Ok((plan, book)) = planner.roadbook(&tour) else {
            continue;
        };
        rows += check_against_line(region, &plan, &book);
    }
    rows
}

fn imported(files: &[std::path::PathBuf], dir: &Path) -> std::path::PathBuf {
    let out = dir.join("roadbook.region");
    let job = import::Job {
        name: "roadbook",
        files,
        elevation: &[],
        credit: None,
        out: &out,
    };
    import::import(&job, &|_, _, _| {}, &AtomicBool::new(false)).unwrap();
    out
}

#[test]
fn rows_are_the_decision_points_of_an_invented_country() {
    let country = synth::Country::of_area_km2(3, 300.0);
    let world = country
        .generate(&mut |_, _| {}, &AtomicBool::new(false))
        .unwrap();
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("country.osm.pbf");
    world.write_pbf(&file).unwrap();
    let rows = check_region(&imported(&[file], dir.path()), 40);
    assert!(rows > 100, "{rows}");
}

/// © OpenStreetMap contributors; looked for beside the repository.
#[test]
fn rows_are_the_decision_points_of_real_roads() {
    for extract in ["andorra-2025-01-19", "isle-of-man-2021-11-07"] {
        let Some(file) = shared(&format!("osm/{extract}.osm.pbf")) else {
            continue;
        };
        let dir = tempfile::tempdir().unwrap();
        let rows = check_region(&imported(&[file], dir.path()), 40);
        assert!(rows > 500, "{extract}: {rows}");
    }
}
