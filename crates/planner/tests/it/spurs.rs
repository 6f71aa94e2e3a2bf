//! The spur guard: what it sees, what it does not, and that its repairs mend.

use std::collections::HashSet;

use planner::Planner;
use planner::document::{PointKind, Tour};
use planner::plan::{Plan, Warning};
use region::{Access, LocalFrame, Point};

use crate::map::{Map, ORIGIN, corners, tour};

const KINDS: [&str; 3] = ["spur", "wrong_carriageway", "turn_round"];

fn plan(planner: &Planner, tour: &Tour) -> Plan {
    planner.plan(tour, &HashSet::new()).unwrap()
}

fn warned(plan: &Plan) -> Vec<&Warning> {
    let found = plan.warnings.iter();
    found.filter(|w| KINDS.contains(&w.kind.as_str())).collect()
}

/// The whole line, corner by corner.
fn line(plan: &Plan) -> Vec<[i64; 2]> {
    let mut all: Vec<[i64; 2]> = Vec::new();
    for leg in &plan.legs {
        all.extend(corners(leg.line.as_ref().unwrap()));
    }
    all.dedup();
    all
}

/// Whole metres of a place.
fn metres(at: [f64; 2]) -> [i64; 2] {
    let place = Point::from_degrees(at[0], at[1]).unwrap();
    LocalFrame::at(ORIGIN).to_m(place).map(|v| v.round() as i64)
}

/// Plans a tour in which one thing is wrong, mends it, and gives the warning and both plans.
fn mended(planner: &Planner, mut tour: Tour) -> (Warning, Plan, Plan) {
    let before = plan(planner, &tour);
    let found = warned(&before);
    assert_eq!(found.len(), 1, "{:?}", before.warnings);
    let found = found[0].clone();
    let repair = found.repair.clone().expect("a repair");
    assert_eq!(Some(repair.point), found.point);
    repair.apply(&mut tour);
    let after = plan(planner, &tour);
    assert!(
        warned(&after).is_empty(),
        "{:?} {:?}",
        line(&after),
        after.warnings
    );
    assert!(after.legs.iter().all(|l| l.trouble.is_none()));
    (found, before, after)
}

/// A street west to east through the origin, 2 km, a junction every 500 m; a road goes north from
/// the middle, with a junction every 200 m, and ends after 600 m.
fn side_road() -> Map {
    let mut map = Map::default();
    let n = map.street(&[
        [-1000.0, 0.0],
        [-500.0, 0.0],
        [0.0, 0.0],
        [500.0, 0.0],
        [1000.0, 0.0],
    ]);
    let mut last = n[2];
    for i in 1..=3 {
        let next = map.node(0.0, f64::from(i) * 200.0);
        map.road(last, next).name = "Mill lane";
        last = next;
    }
    map
}

#[test]
fn a_via_up_a_side_road_is_moved_to_where_the_line_leaves_its_way() {
    let planner = side_road().planner();
    let trip = tour(
        "fastest",
        &[
            ("stop", -900.0, 0.0),
            ("via", 0.0, 300.0),
            ("stop", 900.0, 0.0),
        ],
    );
    let (found, before, after) = mended(&planner, trip);
    assert_eq!(found.kind, "spur");
    assert_eq!(metres(found.at.unwrap()), [0, 0]);
    assert!((found.km.unwrap() - 0.9).abs() < 0.001, "{found:?}");
    for words in ["300 m to via 2 and 900 m back", "Mill lane"] {
        assert!(found.text.contains(words), "{}", found.text);
    }
    assert_eq!(
        line(&before),
        [
            [-900, 0],
            [-500, 0],
            [0, 0],
            [0, 200],
            [0, 300],
            [0, 400],
            [0, 600],
            [0, 400],
            [0, 200],
            [0, 0],
            [500, 0],
            [900, 0]
        ]
    );
    assert_eq!(
        line(&after),
        [[-900, 0], [-500, 0], [0, 0], [500, 0], [900, 0]]
    );
}

#[test]
fn every_via_of_a_spur_is_mended_in_its_turn() {
    let planner = side_road().planner();
    let mut trip = tour(
        "fastest",
        &[
            ("stop", -900.0, 0.0),
            ("via", 0.0, 100.0),
            ("via", 0.0, 350.0),
            ("stop", 900.0, 0.0),
        ],
    );
    for _ in 0..2 {
        let now = plan(&planner, &trip);
        let Some(first) = warned(&now).first().copied().cloned() else {
            break;
        };
        assert_eq!(metres(first.at.unwrap()), [0, 0]);
        first.repair.unwrap().apply(&mut trip);
    }
    let now = plan(&planner, &trip);
    assert!(warned(&now).is_empty(), "{:?}", now.warnings);
    assert!((now.total.length_m - 1800.0).abs() < 1.0);
}

#[test]
fn turning_where_the_road_ends_is_meant_and_so_are_stops() {
    let planner = side_road().planner();
    for (kind, north_m) in [
        ("via", 600.0),
        ("via", 590.0),
        ("stop", 300.0),
        ("stop", 50.0),
    ] {
        let trip = [
            ("stop", -900.0, 0.0),
            (kind, 0.0, north_m),
            ("stop", 900.0, 0.0),
        ];
        let got = plan(&planner, &tour("fastest", &trip));
        assert!(got.total.length_m > 1850.0);
        assert!(
            warned(&got).is_empty(),
            "{kind} {north_m}: {:?}",
            got.warnings
        );
    }
}

#[test]
fn a_leg_that_is_all_spur_turns_at_a_stop() {
    let planner = side_road().planner();
    // Out of the side road's middle up to a via on it, and back past the start.
    let trip = tour(
        "fastest",
        &[
            ("stop", 0.0, 100.0),
            ("via", 0.0, 300.0),
            ("stop", 900.0, 0.0),
        ],
    );
    let (found, _, after) = mended(&planner, trip);
    assert_eq!(found.repair.unwrap().to_kind, Some(PointKind::Stop));
    assert!(
        (after.total.length_m - 1400.0).abs() < 1.0,
        "{}",
        after.total.length_m
    );
    // The same within one edge, and the other way round.
    for points in [
        [
            ("stop", 0.0, 450.0),
            ("via", 0.0, 500.0),
            ("stop", 900.0, 0.0),
        ],
        [
            ("stop", 900.0, 0.0),
            ("via", 0.0, 500.0),
            ("stop", 0.0, 450.0),
        ],
        [
            ("stop", 900.0, 0.0),
            ("via", 0.0, 300.0),
            ("stop", 0.0, 100.0),
        ],
    ] {
        let (found, _, after) = mended(&planner, tour("fastest", &points));
        assert_eq!(found.kind, "spur");
        let direct = if points[1].2 > 400.0 {
            50.0 + 1400.0
        } else {
            200.0 + 1200.0
        };
        assert!(
            (after.total.length_m - direct).abs() < 1.0,
            "{}",
            after.total.length_m
        );
    }
}

#[test]
fn hairpins_rounds_and_long_loops_are_no_spurs() {
    let mut map = Map::default();
    // Hairpins 15 m apart, then a round of 4 km at the end of 2 km of road.
    let (a, b) = (map.node(-2000.0, 0.0), map.node(0.0, 0.0));
    map.road(a, b).bends = vec![
        [-1000.0, 0.0],
        [-1000.0, 15.0],
        [-1900.0, 15.0],
        [-1900.0, 30.0],
        [0.0, 30.0],
    ];
    let (c, d) = (map.node(1000.0, 1000.0), map.node(1000.0, -1000.0));
    map.road(b, c);
    map.road(c, d);
    map.road(d, b);
    let planner = map.planner();
    let trips = [
        [
            ("stop", -1990.0, 0.0),
            ("via", -1500.0, 15.0),
            ("stop", 500.0, 500.0),
        ],
        [
            ("stop", -1990.0, 0.0),
            ("via", 1000.0, 0.0),
            ("stop", -1980.0, 0.0),
        ],
    ];
    for trip in trips {
        let got = plan(&planner, &tour("fastest", &trip));
        assert!(warned(&got).is_empty(), "{:?}", got.warnings);
    }
}

#[test]
fn a_spur_with_a_roundabout_at_its_end_and_an_island_on_its_way_is_seen_whole() {
    let mut map = Map::default();
    let n = map.street(&[[-1000.0, 0.0], [0.0, 0.0], [1000.0, 0.0]]);
    // North: 100 m of road, an island, 100 m of road, a ring.
    let (p, q, r) = (
        map.node(0.0, 100.0),
        map.node(0.0, 140.0),
        map.node(0.0, 240.0),
    );
    map.road(n[1], p);
    map.one_way(p, q).bends = vec![[4.0, 120.0]];
    map.one_way(q, p).bends = vec![[-4.0, 120.0]];
    map.road(q, r);
    let (s, t) = (map.node(15.0, 255.0), map.node(-15.0, 255.0));
    map.one_way(r, s);
    map.one_way(s, t).bends = vec![[0.0, 270.0]];
    map.one_way(t, r);
    let planner = map.planner();
    for north_m in [80.0, 180.0] {
        let trip = [
            ("stop", -900.0, 0.0),
            ("via", 0.0, north_m),
            ("stop", 900.0, 0.0),
        ];
        let (found, _, after) = mended(&planner, tour("fastest", &trip));
        assert_eq!(metres(found.at.unwrap()), [0, 0]);
        assert!((after.total.length_m - 1800.0).abs() < 1.0);
    }
}

/// Two carriageways some metres apart, joined by turning places every 2 km; eastward in the south.
fn divided(apart_m: f64) -> Map {
    let mut map = Map::default();
    let mut last = None;
    for i in 0..5 {
        let east = f64::from(i) * 2000.0;
        let (south, north) = (map.node(east, 0.0), map.node(east, apart_m));
        map.road(south, north);
        if let Some((s, n)) = last {
            map.one_way(s, south);
            map.one_way(north, n);
        }
        last = Some((south, north));
    }
    map
}

#[test]
fn a_via_on_the_other_carriageway_is_moved_to_the_right_one() {
    for apart_m in [20.0, 60.0, 150.0] {
        let planner = divided(apart_m).planner();
        let there = tour(
            "fastest",
            &[
                ("stop", 500.0, 0.0),
                ("via", 5000.0, apart_m),
                ("stop", 7500.0, 0.0),
            ],
        );
        let (found, before, after) = mended(&planner, there);
        assert_eq!(found.kind, "wrong_carriageway", "{}", found.text);
        assert!(before.total.length_m > 10_900.0);
        assert_eq!(metres(found.repair.unwrap().move_to.unwrap()), [5000, 0]);
        assert!((after.total.length_m - 7000.0).abs() < 1.0);
        // On the right one nothing is wrong, nor where the ride really turns back.
        for points in [
            [
                ("stop", 500.0, 0.0),
                ("via", 5000.0, 0.0),
                ("stop", 7500.0, 0.0),
            ],
            [
                ("stop", 7500.0, apart_m),
                ("via", 5000.0, apart_m),
                ("stop", 500.0, apart_m),
            ],
            [
                ("stop", 500.0, 0.0),
                ("stop", 5000.0, apart_m),
                ("stop", 7500.0, 0.0),
            ],
        ] {
            let fine = plan(&planner, &tour("fastest", &points));
            assert!(warned(&fine).is_empty(), "{points:?} {:?}", fine.warnings);
        }
    }
}

#[test]
fn a_via_on_the_far_side_of_a_roundabout_is_moved_onto_the_way() {
    let mut map = Map::default();
    // A ring of four arms, ridden anticlockwise.
    let places = [[-15.0, 0.0], [0.0, -15.0], [15.0, 0.0], [0.0, 15.0]];
    let n = places.map(|p| map.node(p[0], p[1]));
    let mid = [[-11.0, -11.0], [11.0, -11.0], [11.0, 11.0], [-11.0, 11.0]];
    for i in 0..4 {
        map.one_way(n[i], n[(i + 1) % 4]).bends = vec![mid[i]];
    }
    for (i, end) in [[-1000.0, 0.0], [0.0, -1000.0], [1000.0, 0.0], [0.0, 1000.0]]
        .iter()
        .enumerate()
    {
        let far = map.node(end[0], end[1]);
        map.road(n[i], far);
    }
    let trip = [
        ("stop", -900.0, 0.0),
        ("via", -11.0, 11.0),
        ("stop", 0.0, -900.0),
    ];
    let (found, before, after) = mended(&map.planner(), tour("fastest", &trip));
    assert!(before.total.length_m > after.total.length_m + 80.0);
    assert!(found.text.contains("round"), "{}", found.text);
}

#[test]
fn where_no_way_leads_on_a_stop_mends_it() {
    let mut map = Map::default();
    // A one-way street that ends at a wall; nothing leads back from there.
    let n = map.street(&[[0.0, 0.0], [1000.0, 0.0], [2000.0, 0.0]]);
    map.ban(&[n[0], n[1], n[2]]);
    let side = map.node(1000.0, 500.0);
    map.road(n[1], side).access = [Access::WrongWay, Access::Open];
    let planner = map.planner();
    let trip = tour(
        "fastest",
        &[
            ("stop", 100.0, 0.0),
            ("via", 700.0, 0.0),
            ("stop", 1500.0, 0.0),
        ],
    );
    let now = plan(&planner, &trip);
    for w in warned(&now) {
        let mut mended = trip.clone();
        w.repair.as_ref().unwrap().apply(&mut mended);
        let after = plan(&planner, &mended);
        assert!(warned(&after).is_empty(), "{:?}", after.warnings);
    }
}
