//! Points chosen for whole tours on small maps, ridden by the panel; lines compared as published.

use planner::Planner;
use planner::handover::compare::{densified, followed, frechet};
use planner::handover::course::{Part, Pins};
use planner::handover::panel::Settings;
use planner::handover::replay::Snapping;
use region::{Point, distance_m};

use crate::map::{Map, Random, at, tour};

/// A town of 9 by 9 junctions, some 200 m apart, a few streets missing, some one-way, and a dead-end
/// street of 300 m from the corner.
fn town() -> Map {
    let mut random = Random(0x70_11);
    let mut map = Map::default();
    let mut shift = |n: usize| n as f64 * 200.0 + random.below(80) as f64;
    let places: Vec<[f64; 2]> = (0..81).map(|i| [shift(i % 9), shift(i / 9)]).collect();
    let nodes: Vec<usize> = places.iter().map(|p| map.node(p[0], p[1])).collect();
    for i in 0..81 {
        for (goes, next) in [(i % 9 < 8, i + 1), (i < 72, i + 9)] {
            // The rim stays whole, so that every place is reached.
            let rim = i % 9 == 0 || next % 9 == 8 || i < 9 || next > 71;
            match random.below(8) {
                _ if !goes => {}
                0 if !rim => {}
                1 if !rim => _ = map.one_way(nodes[i], nodes[next]),
                _ => _ = map.road(nodes[i], nodes[next]),
            }
        }
    }
    let tip = map.node(-300.0, -10.0);
    map.road(nodes[0], tip);
    map
}

fn held(planner: &Planner, tour: &planner::document::Tour, settings: &Settings) -> (Pins, f64) {
    let course = planner.course(tour).unwrap();
    let kit = planner.kit(&settings.panel);
    let pins = planner.pins(&course, &kit, settings);
    let points: Vec<Point> = pins.pins.iter().map(|p| p.at).collect();
    let halts: Vec<bool> = pins.pins.iter().map(|p| p.stays).collect();
    let reports = planner.replay(&kit, &points, &halts, &pins.stages, Snapping::Nearest);
    assert_eq!(reports.len(), settings.panel.routers.len());
    let names = reports.iter().map(|r| r.router.as_str());
    assert!(names.eq(settings.panel.routers.iter().map(|r| r.name.as_str())));
    let worst = reports.iter().map(|r| r.share).fold(1.0, f64::min);
    (pins, worst)
}

#[test]
fn every_router_of_the_panel_rides_every_line_over_the_fewest_points() {
    let map = town();
    let planner = map.planner();
    let mut random = Random(0xbeef);
    let (mut tours, mut shaping) = (0, 0);
    for _ in 0..25 {
        let count = 3 + random.below(4);
        let points: Vec<(&str, f64, f64)> = (0..count)
            .map(|i| {
                let [east, north] = map.nodes[random.below(map.nodes.len())];
                let kind = match i == 0 || i + 1 == count || random.below(3) == 0 {
                    true => "stop",
                    false => "via",
                };
                (kind, east, north)
            })
            .collect();
        let tour = tour("winding", &points);
        let Ok(course) = planner.course(&tour) else {
            continue;
        };
        if course.parts.iter().any(|p| matches!(p, Part::Track(..))) {
            continue;
        }
        let (pins, worst) = held(&planner, &tour, &Settings::default());
        assert!(worst >= 0.999, "{worst} {points:?}");
        assert!(pins.sweeps_agree, "{points:?}");
        assert_eq!(pins.pins.len(), pins.minimum);
        tours += 1;
        shaping += pins.pins.iter().filter(|p| !p.stays).count();
    }
    assert!(tours >= 15 && shaping > 2 * tours, "{tours} {shaping}");
}

#[test]
fn an_out_and_back_is_held_by_one_point_at_its_very_tip() {
    let mut map = town();
    let [east, north] = [-300.0, -10.0];
    map.nodes[0] = [0.0, 0.0];
    let planner = map.planner();
    let tour = tour(
        "shortest",
        &[
            ("stop", 0.0, 400.0),
            ("via", east, north),
            ("stop", 400.0, 0.0),
        ],
    );
    let (pins, worst) = held(&planner, &tour, &Settings::default());
    assert!(worst >= 0.999, "{worst}");
    assert!(pins.sweeps_agree);
    let near = |p: &&planner::handover::course::Pin| distance_m(p.at, at(east, north)) < 1.0;
    assert_eq!(pins.pins.iter().filter(near).count(), 1, "{pins:?}");
}

#[test]
fn a_stop_on_a_junction_is_given_a_step_into_its_road() {
    let map = town();
    let planner = map.planner();
    let [start, middle, end] = [map.nodes[10], map.nodes[40], map.nodes[70]];
    let tour = tour(
        "shortest",
        &[
            ("stop", start[0], start[1]),
            ("stop", middle[0], middle[1]),
            ("stop", end[0], end[1]),
        ],
    );
    let (pins, worst) = held(&planner, &tour, &Settings::default());
    assert!(worst >= 0.999, "{worst}");
    for (index, place) in [start, middle, end].into_iter().enumerate() {
        let pin = pins
            .pins
            .iter()
            .find(|p| p.tour_point == Some(index))
            .unwrap();
        let off_m = distance_m(pin.at, at(place[0], place[1]));
        assert!((1.0..4.0).contains(&off_m), "{off_m}");
    }
}

/// Checks, section 7; Eiter & Mannila 1994 (the last one, from memory).
#[test]
fn lines_are_as_far_apart_as_published() {
    let line = |p: &[[f64; 2]]| p.to_vec();
    let straight = line(&[[0.0, 0.0], [1.0, 0.0], [2.0, 0.0], [3.0, 0.0]]);
    let beside: Vec<[f64; 2]> = straight.iter().map(|p| [p[0], 1.0]).collect();
    let peak = line(&[[0.0, 0.0], [1.0, 0.0], [1.5, 2.0], [2.0, 0.0], [3.0, 0.0]]);
    let there = line(&[[0.0, 0.0], [1.0, 0.0], [2.0, 0.0]]);
    let back: Vec<[f64; 2]> = there.iter().rev().copied().collect();
    let far = line(&[[0.0, 0.0], [10.0, 0.0]]);
    let undecided = line(&[[0.0, 0.0], [6.0, 0.0], [4.0, 0.0], [10.0, 0.0]]);
    let a = line(&[
        [0.0, 0.0],
        [4.0, 2.0],
        [6.0, 5.0],
        [12.0, 6.0],
        [15.0, 7.0],
        [15.0, 10.0],
        [18.0, 13.0],
    ]);
    let b = line(&[
        [1.0, 1.0],
        [2.0, 5.0],
        [7.0, 7.0],
        [8.0, 12.0],
        [13.0, 14.0],
        [15.0, 16.0],
    ]);
    let near = |found: f64, told: f64| assert!((found - told).abs() < 1e-6, "{found} {told}");
    near(frechet(&straight, &beside), 1.0);
    near(frechet(&there, &back), 2.0);
    near(frechet(&straight, &peak), 2.061_553);
    near(frechet(&far, &undecided), 6.0);
    near(frechet(&a, &b), 53.0f64.sqrt());
    // Made dense, what is left is the lines' own.
    let dense = |l: &[[f64; 2]]| densified(l, 0.01);
    assert!((frechet(&dense(&straight), &dense(&peak)) - 2.0).abs() < 0.01);
    assert!((frechet(&dense(&far), &dense(&undecided)) - 1.0).abs() < 0.01);
    // Ridden against its direction, a line is not reproduced: one place at most is in order.
    let share = |ride: &[[f64; 2]]| {
        let found = followed(&densified(&there, 0.1), &densified(ride, 0.1), 0.05).ridden;
        found.iter().filter(|on| **on).count() as f64 / found.len() as f64
    };
    assert!(share(&there) == 1.0 && share(&back) < 0.1);
}
