//! Ratings of roads drawn for the purpose, through the whole importer.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use planner::Planner;
use planner::rating::Virtues;
use region::{Bounds, LocalFrame, Point, Region, RoadClass};
use synth::{Node, Way, World};

const ORIGIN: Point = Point {
    lon_e7: -300_000_000,
    lat_e7: 450_000_000,
};

/// A line of road in metres and its tags.
struct Road {
    line: Vec<[f64; 2]>,
    tags: Vec<(&'static str, &'static str)>,
}

/// A tertiary road at 90 km/h.
fn road(line: Vec<[f64; 2]>) -> Road {
    Road {
        line,
        tags: vec![("highway", "tertiary"), ("maxspeed", "90")],
    }
}

/// Named or nameless nodes with their tags.
type Places<'a> = &'a [([f64; 2], &'a [(&'a str, &'a str)])];

/// Imports roads; points of equal place are one node.
fn rated(roads: &[Road], places: Places) -> Planner {
    let frame = LocalFrame::at(ORIGIN);
    let owned = |tags: &[(&str, &str)]| -> Vec<(String, String)> {
        let pairs = tags.iter();
        pairs.map(|(k, v)| ((*k).into(), (*v).into())).collect()
    };
    let mut world = World::default();
    let node = |world: &mut World, at: [f64; 2], tags: &[(&str, &str)]| -> i64 {
        let p = frame.to_point(at);
        if let Some(n) = world
            .nodes
            .iter_mut()
            .find(|n| (n.lat_e7, n.lon_e7) == (p.lat_e7, p.lon_e7))
        {
            n.tags.extend(owned(tags));
            return n.id;
        }
        let id = world.nodes.len() as i64 + 1;
        world.nodes.push(Node {
            id,
            lat_e7: p.lat_e7,
            lon_e7: p.lon_e7,
            tags: owned(tags),
        });
        id
    };
    for (i, road) in roads.iter().enumerate() {
        let refs = road
            .line
            .iter()
            .map(|&p| node(&mut world, p, &[]))
            .collect();
        world.ways.push(Way {
            id: i as i64 + 1,
            refs,
            tags: owned(&road.tags),
        });
    }
    for (at, tags) in places {
        node(&mut world, *at, tags);
    }
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("drawn.osm");
    world.write_xml(&file).unwrap();
    let out = dir.path().join("drawn.region");
    let job = import::Job {
        name: "drawn",
        files: &[file],
        elevation: &[],
        credit: None,
        out: &out,
    };
    import::import(&job, &|_, _, _| {}, &AtomicBool::new(false)).unwrap();
    // The map stays readable after its file is gone.
    Planner::new(Arc::new(Region::open(&out).unwrap())).unwrap()
}

/// Left and right curves of a radius, each turning so many degrees, with straights between.
fn winding(
    length_m: f64,
    radius_m: f64,
    turn_deg: f64,
    straight_m: f64,
    step_m: f64,
) -> Vec<[f64; 2]> {
    let (mut at, mut heading) = ([0.0f64, 0.0f64], f64::to_radians(-turn_deg / 2.0));
    let mut line = vec![at];
    let mut along_m = 0.0;
    let mut left = true;
    let mut go = |heading: f64, line: &mut Vec<[f64; 2]>, length: f64| {
        at = [
            at[0] + length * heading.cos(),
            at[1] + length * heading.sin(),
        ];
        line.push(at);
    };
    while along_m < length_m {
        let arc_m = radius_m * turn_deg.to_radians();
        let steps = (arc_m / step_m).ceil().max(2.0);
        for _ in 0..steps as u32 {
            let turn = turn_deg.to_radians() / steps * if left { 1.0 } else { -1.0 };
            // Along the chord of the arc.
            heading += turn / 2.0;
            go(
                heading,
                &mut line,
                2.0 * radius_m * (turn.abs() / 2.0).sin(),
            );
            heading += turn / 2.0;
        }
        if straight_m > 0.0 {
            let steps = (straight_m / step_m).ceil();
            for _ in 0..steps as u32 {
                go(heading, &mut line, straight_m / steps);
            }
        }
        left = !left;
        along_m += arc_m + straight_m;
    }
    line
}

fn straight(length_m: f64, step_m: f64) -> Vec<[f64; 2]> {
    let steps = (length_m / step_m) as u32;
    (0..=steps).map(|i| [f64::from(i) * step_m, 0.0]).collect()
}

/// A straight line with lateral noise of normal distribution (xorshift, Box-Muller).
fn noisy(length_m: f64, step_m: f64, sigma_m: f64) -> Vec<[f64; 2]> {
    let mut state = 0x9e37_79b9_7f4a_7c15u64;
    let mut uniform = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let mut normal = || {
        let (u, v) = (uniform().max(1e-12), uniform());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    };
    let line = straight(length_m, step_m).into_iter();
    line.map(|[x, _]| [x, sigma_m * normal()]).collect()
}

/// Means over all tertiary roads, by length.
fn mean(planner: &Planner) -> Virtues {
    let region = planner.region();
    let mut mean = Virtues::default();
    let mut whole_m = 0.0;
    for piece in (0..region.piece_count()).filter(|&p| region.class(p) == RoadClass::Tertiary) {
        let v = planner.ratings().virtues(piece);
        let length_m = region.length_m(piece) as f32;
        whole_m += length_m;
        mean.bends += v.bends * length_m;
        mean.hills += v.hills * length_m;
        mean.quiet += v.quiet * length_m;
        mean.surroundings += v.surroundings * length_m;
        mean.flow += v.flow * length_m;
    }
    for v in [
        &mut mean.bends,
        &mut mean.hills,
        &mut mean.quiet,
        &mut mean.surroundings,
        &mut mean.flow,
    ] {
        *v /= whole_m;
    }
    mean
}

fn bends_of(line: Vec<[f64; 2]>) -> f32 {
    mean(&rated(&[road(line)], &[])).bends
}

fn close(a: f32, b: f32, share: f32) -> bool {
    (a - b).abs() <= share * b.abs().max(0.02)
}

#[test]
fn straight_roads_have_no_bends_however_noisy_their_line() {
    assert_eq!(bends_of(straight(5000.0, 25.0)), 0.0);
    for (sigma_m, step_m) in [(0.5, 20.0), (1.0, 20.0), (1.0, 50.0)] {
        let bends = bends_of(noisy(6000.0, step_m, sigma_m));
        assert!(bends < 0.03, "sigma {sigma_m} m every {step_m} m: {bends}");
    }
}

/// Lean in a curve: 8.9 degrees at R 500 and 100 km/h, 20 degrees at R 100 and 68 km/h
/// (tan = v^2 / g R; table of the project's checks).
#[test]
fn wide_fast_curves_score_low_and_leaning_ones_high() {
    let wide = bends_of(winding(8000.0, 500.0, 40.0, 50.0, 20.0));
    let tight = bends_of(winding(8000.0, 100.0, 60.0, 40.0, 10.0));
    assert!(wide < 0.25, "{wide}");
    assert!(tight > 0.8, "{tight}");
}

#[test]
fn nobody_is_thought_to_ride_above_the_limit() {
    let at = |limit: &'static str| {
        let line = winding(6000.0, 150.0, 50.0, 40.0, 10.0);
        let tags = vec![("highway", "tertiary"), ("maxspeed", limit)];
        mean(&rated(&[Road { line, tags }], &[])).bends
    };
    let by_limit = ["30", "50", "60", "70", "90"].map(at);
    // At 30 km/h a curve of 150 m is ridden upright: 2.7 degrees.
    assert!(by_limit[0] < 0.02, "{by_limit:?}");
    assert!(by_limit.is_sorted() && by_limit[4] > 0.7, "{by_limit:?}");
}

#[test]
fn more_curves_are_more_bends() {
    let with = |curves: usize| {
        let (mut line, mut at, mut heading) = (vec![[0.0, 0.0]], [0.0f64, 0.0f64], 0.0f64);
        for part in 0..24 {
            for step in 0..20 {
                if part < curves && step < 10 {
                    heading += if part % 2 == 0 { 0.1 } else { -0.1 };
                }
                at = [at[0] + 10.0 * heading.cos(), at[1] + 10.0 * heading.sin()];
                line.push(at);
            }
        }
        bends_of(line)
    };
    let found: Vec<f32> = (0..=24).step_by(3).map(with).collect();
    assert_eq!(found[0], 0.0);
    assert!(found.windows(2).all(|w| w[1] > w[0]), "{found:?}");
}

#[test]
fn neither_direction_nor_vertices_nor_cuts_matter() {
    let line = winding(9000.0, 80.0, 70.0, 60.0, 8.0);
    let whole = mean(&rated(&[road(line.clone())], &[]));
    let back: Vec<[f64; 2]> = line.iter().rev().copied().collect();
    let back = mean(&rated(&[road(back)], &[]));
    assert!(close(back.bends, whole.bends, 0.02), "{back:?} {whole:?}");
    assert!(close(back.flow, whole.flow, 0.02), "{back:?} {whole:?}");
    for step_m in [4.0, 12.0, 16.0] {
        let other = mean(&rated(
            &[road(winding(9000.0, 80.0, 70.0, 60.0, step_m))],
            &[],
        ));
        assert!(
            close(other.bends, whole.bends, 0.05) && close(other.flow, whole.flow, 0.05),
            "every {step_m} m: {other:?} {whole:?}"
        );
    }
    // The same road as many ways, every other one drawn the other way, with yards beside it.
    let mut roads = Vec::new();
    for (i, part) in line.chunks(11).enumerate() {
        let next = line.get((i + 1) * 11);
        let mut part: Vec<[f64; 2]> = part.iter().copied().chain(next.copied()).collect();
        if part.len() < 2 {
            continue;
        }
        let [x, y] = part[0];
        if i % 2 == 1 {
            part.reverse();
        }
        roads.push(road(part));
        roads.push(Road {
            line: vec![[x, y], [x + 9.0, y + 40.0]],
            tags: vec![("highway", "service")],
        });
    }
    let cut = mean(&rated(&roads, &[]));
    assert!(roads.len() > 100);
    for (a, b) in [
        (cut.bends, whole.bends),
        (cut.quiet, whole.quiet),
        (cut.flow, whole.flow),
        (cut.surroundings, whole.surroundings),
    ] {
        assert!(close(a, b, 0.03), "{cut:?} {whole:?}");
    }
}

/// A hairpin of 180 degrees at R 8 m is 25 m long and counts as 72 degrees at most.
#[test]
fn stacks_of_hairpins_do_not_drown_flowing_curves() {
    let stack = rated(&[road(winding(6000.0, 8.0, 180.0, 250.0, 3.0))], &[]);
    let flowing = rated(&[road(winding(6000.0, 90.0, 70.0, 30.0, 8.0))], &[]);
    let turning = stack
        .ratings()
        .why(stack.region(), 0)
        .measures
        .bend_deg_per_km;
    assert!(turning < 72.0 / 0.275 * 1.3, "{turning}");
    let (stack, flowing) = (mean(&stack), mean(&flowing));
    assert!(stack.bends < flowing.bends, "{stack:?} {flowing:?}");
    assert!(stack.flow < flowing.flow, "{stack:?} {flowing:?}");
}

/// Winding road over a pass between two villages, straight road before and after.
fn over_the_pass() -> Planner {
    let mut over = winding(6000.0, 80.0, 70.0, 40.0, 8.0);
    let [end_x, end_y] = over[over.len() - 1];
    let pass = over[over.len() / 2];
    let before: Vec<[f64; 2]> = (0..=60)
        .map(|i| [f64::from(i) * 50.0 - 3000.0, 0.0])
        .collect();
    let after: Vec<[f64; 2]> = (0..=60)
        .map(|i| [end_x + f64::from(i) * 50.0, end_y])
        .collect();
    let number = ("ref", "Z 7");
    let tags = |class: &'static str| vec![("highway", class), ("maxspeed", "90"), number];
    let halves = over.split_off(over.len() / 3);
    over.push(halves[0]);
    rated(
        &[
            Road {
                line: before,
                tags: tags("tertiary"),
            },
            Road {
                line: over,
                tags: tags("tertiary"),
            },
            Road {
                line: halves,
                tags: tags("tertiary"),
            },
            Road {
                line: after,
                tags: tags("tertiary"),
            },
        ],
        &[
            (pass, &[("mountain_pass", "yes"), ("name", "High Gap")]),
            (
                [-300.0, 200.0],
                &[("place", "village"), ("name", "Lower Ash")],
            ),
            (
                [end_x + 300.0, end_y - 200.0],
                &[("place", "village"), ("name", "Upper Ash")],
            ),
        ],
    )
}

#[test]
fn the_road_over_the_pass_is_one_stretch_with_one_name() {
    let planner = over_the_pass();
    let (region, ratings) = (planner.region(), planner.ratings());
    assert_eq!(ratings.stretch_count(), 1);
    let stretch = ratings.stretch(region, 0).unwrap();
    assert_eq!(stretch.name, "High Gap");
    assert_eq!(stretch.detail, "Z 7 between Lower Ash and Upper Ash");
    assert!(
        (5500.0..7000.0).contains(&stretch.length_m),
        "{}",
        stretch.length_m
    );
    assert_eq!(stretch.lat.len(), stretch.lon.len());
    assert!(
        stretch
            .pieces
            .iter()
            .all(|&p| ratings.stretch_of(p) == Some(0))
    );
    assert!(stretch.why.text.contains("bends") && stretch.why.text.contains("left and right"));
    assert!(stretch.total > 0.6 && stretch.virtues.bends > 0.8);

    let listed = ratings.stretches(region, Bounds::WORLD, 5);
    assert_eq!((listed.len(), listed[0].id), (1, 0));
    assert!(listed[0].lat.is_empty());
    let far = Point::from_degrees(10.0, 10.0).unwrap();
    assert!(
        ratings
            .stretches(region, Bounds::around(far, 1000.0), 5)
            .is_empty()
    );

    // The finder knows it by its name, its road and its ends, behind the pass itself.
    let found = planner.find("high gap", None, 5);
    let kinds: Vec<&str> = found.iter().map(|f| f.kind.as_str()).collect();
    assert_eq!(kinds[..2], ["pass", "stretch"]);
    assert_eq!(found[1].stretch, Some(0));
    for query in [
        "upper ash",
        "z 7",
        "stretch",
        "winding ash",
        "stretch lower",
    ] {
        let found = planner.find(query, None, 5);
        assert!(
            found.iter().any(|f| f.stretch == Some(0)),
            "{query}: {found:?}"
        );
    }
    assert!(planner.find("nowhere", None, 5).is_empty());

    // And the road under the pointer knows its stretch.
    let middle = stretch.lat.len() / 2;
    let at = Point::from_degrees(stretch.lat[middle], stretch.lon[middle]).unwrap();
    let near = planner.nearest_road(at, 50.0).unwrap();
    assert_eq!(near.stretch.unwrap().name, "High Gap");
    assert!(near.why.virtues.bends > 0.8);
}

#[test]
fn straight_roads_and_yards_are_no_stretch() {
    let loops: Vec<[f64; 2]> = winding(4000.0, 8.0, 180.0, 20.0, 3.0);
    let yard = Road {
        line: loops,
        tags: vec![("highway", "service")],
    };
    for roads in [vec![road(straight(8000.0, 50.0))], vec![yard]] {
        let planner = rated(&roads, &[]);
        assert_eq!(planner.ratings().stretch_count(), 0);
    }
}
