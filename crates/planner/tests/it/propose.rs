//! Proposals on maps made by hand: round trips, lines within a limit, other ways.

use std::collections::HashSet;
use std::sync::atomic::AtomicBool;

use planner::Planner;
use planner::document::{LegKind, TourPoint};
use planner::propose::{Between, OtherWays, Proposal, Proposals, ProposeError, Round, Watch};
use region::{Access, LocalFrame, Point, RoadClass, distance_m};

use crate::map::{Map, ORIGIN, at, tour};

fn watched<T>(work: impl FnOnce(&mut Watch) -> T) -> T {
    work(&mut Watch {
        progress: &mut |share, stage| assert!((0.0..=1.0).contains(&share) && !stage.is_empty()),
        stop: &AtomicBool::new(false),
    })
}

fn place(east_m: f64, north_m: f64) -> [f64; 2] {
    let p = at(east_m, north_m);
    [p.lat(), p.lon()]
}

fn round(from: [f64; 2], km: f64) -> Round {
    Round {
        region: "sketch".into(),
        from,
        taste: "quiet".into(),
        hours: None,
        km: Some(km),
        heading_deg: None,
        how_many: 3,
        twice: false,
    }
}

fn trips(planner: &Planner, ask: &Round) -> Result<Proposals, ProposeError> {
    watched(|watch| planner.round_trips(ask, watch))
}

/// Roads around the blocks of a grid, 1 km long.
fn grid(wide: i32, high: i32) -> Map {
    let mut map = Map::default();
    let node = |x: i32, y: i32| (y * wide + x) as usize;
    for y in 0..high {
        for x in 0..wide {
            map.node(f64::from(x) * 1000.0, f64::from(y) * 1000.0);
        }
    }
    for y in 0..high {
        for x in 0..wide {
            if x + 1 < wide {
                map.road(node(x, y), node(x + 1, y));
            }
            if y + 1 < high {
                map.road(node(x, y), node(x, y + 1));
            }
        }
    }
    map
}

/// The planner rides the points of a proposal as it says, and no road twice.
fn check(planner: &Planner, proposal: &Proposal, taste: &str, is_loop: bool) {
    let mut again = tour(taste, &[]);
    again.points.clone_from(&proposal.points);
    let plan = planner.plan(&again, &HashSet::new()).unwrap();
    assert_eq!(plan.total, proposal.sums);
    let (mut lat, mut lon) = (Vec::new(), Vec::new());
    for leg in &plan.legs {
        assert_eq!(leg.trouble, None);
        let line = leg.line.as_ref().unwrap();
        let skip = usize::from(!lat.is_empty());
        lat.extend(line.lat.iter().skip(skip));
        lon.extend(line.lon.iter().skip(skip));
    }
    assert_eq!((&lat, &lon), (&proposal.lat, &proposal.lon));
    if !is_loop {
        return;
    }
    assert_eq!((lat[0], lon[0]), (lat[lat.len() - 1], lon[lon.len() - 1]));
    // Every metre of a road lies in a square of its own but at junctions.
    let mut crossed = HashSet::new();
    let mut last = None;
    let frame = LocalFrame::at(ORIGIN);
    for i in 1..lat.len() {
        let [a, b] = [i - 1, i].map(|i| frame.to_m(Point::from_degrees(lat[i], lon[i]).unwrap()));
        let middle = [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0];
        let square = middle.map(|m| (m / 20.0).round() as i64);
        if last != Some(square) {
            assert!(crossed.insert(square), "{square:?} twice");
        }
        last = Some(square);
    }
}

#[test]
fn round_trips_keep_the_budget_and_ride_no_road_twice() {
    let planner = grid(6, 6).planner();
    let ask = round(place(2400.0, 2000.0), 14.0);
    let found = trips(&planner, &ask).unwrap();
    assert!(found.proposals.len() >= 2, "{}", found.proposals.len());
    for proposal in &found.proposals {
        check(&planner, proposal, "quiet", true);
        assert!(proposal.sums.length_m <= 14_000.0);
        assert!(
            proposal.sums.length_m >= 7_000.0,
            "{}",
            proposal.sums.length_m
        );
        assert_eq!(proposal.ride.twice_m, 0.0);
        assert!(proposal.points.len() >= 3);
    }
    assert_eq!(
        trips(&planner, &ask).unwrap(),
        found,
        "the same question, another answer"
    );
}

#[test]
fn round_trips_lead_where_they_are_sent() {
    let planner = grid(9, 9).planner();
    for heading in [0.0, 90.0, 180.0, 270.0, -90.0] {
        let ask = Round {
            heading_deg: Some(heading),
            how_many: 1,
            ..round(place(4400.0, 4000.0), 12.0)
        };
        let found = trips(&planner, &ask).unwrap();
        let trip = &found.proposals[0];
        let start = at(4400.0, 4000.0);
        let frame = LocalFrame::at(start);
        let mut sum = [0.0; 2];
        for (&lat, &lon) in trip.lat.iter().zip(&trip.lon) {
            let [east, north] = frame.to_m(Point::from_degrees(lat, lon).unwrap());
            sum = [sum[0] + east, sum[1] + north];
        }
        let away: f64 = sum[0].atan2(sum[1]).to_degrees() - heading;
        let off = (away + 540.0).rem_euclid(360.0) - 180.0;
        assert!(off.abs() < 60.0, "sent to {heading}, off by {off}");
        check(&planner, trip, "quiet", true);
    }
}

#[test]
fn a_start_on_the_only_road_out_is_said() {
    let mut map = grid(4, 4);
    let gate = map.node(-1500.0, 0.0);
    map.road(0, gate);
    let planner = map.planner();
    let found = trips(&planner, &round(place(-1400.0, 0.0), 14.0)).unwrap();
    let trip = &found.proposals[0];
    assert!(
        (trip.ride.twice_m - 1400.0).abs() < 150.0,
        "{}",
        trip.ride.twice_m
    );
    assert!(
        trip.notes.iter().any(|n| n.contains("out and back")),
        "{:?}",
        trip.notes
    );
    assert!(trip.sums.length_m > 5000.0);
}

#[test]
fn what_makes_no_trip_is_refused_with_a_reason() {
    let planner = grid(4, 4).planner();
    let here = place(500.0, 0.0);
    let refused = |ask: Round| trips(&planner, &ask).unwrap_err();
    let with = |hours, km| Round {
        hours,
        km,
        ..round(here, 1.0)
    };
    for (hours, km) in [
        (None, None),
        (Some(2.0), Some(80.0)),
        (Some(0.0), None),
        (Some(f64::NAN), None),
        (Some(f64::INFINITY), None),
        (Some(1e9), None),
        (None, Some(-5.0)),
        (None, Some(f64::NAN)),
        (None, Some(1e12)),
    ] {
        let e = refused(with(hours, km));
        assert!(matches!(e, ProposeError::BadBudget { .. }), "{e:?}");
        assert!(!e.hint().is_empty());
    }
    let nan = Round {
        heading_deg: Some(f64::NAN),
        ..round(here, 10.0)
    };
    assert!(matches!(refused(nan), ProposeError::BadBudget { .. }));
    for from in [[f64::NAN, 0.0], [91.0, 0.0], [0.0, 181.0]] {
        assert!(matches!(
            refused(round(from, 10.0)),
            ProposeError::BadPoint { .. }
        ));
    }
    let e = refused(round([10.0, 10.0], 10.0));
    assert!(e.to_string().contains("off the map"), "{e}");
    let unknown = Round {
        taste: "no such".into(),
        ..round(here, 10.0)
    };
    assert!(matches!(
        refused(unknown),
        ProposeError::UnknownTaste { .. }
    ));
    // The smallest loop is 4 km long.
    let e = refused(round(here, 2.5));
    assert!(matches!(e, ProposeError::NoLoop { .. }), "{e:?}");
    assert!(e.to_string().contains("km"), "{e}");
}

#[test]
fn where_no_loop_is_none_is_found() {
    let mut tree = Map::default();
    let n = tree.street(&[[0.0, 0.0], [1000.0, 0.0], [2000.0, 0.0], [3000.0, 0.0]]);
    let side = tree.node(1000.0, 1500.0);
    tree.road(n[1], side);
    let e = trips(&tree.planner(), &round(place(500.0, 0.0), 20.0)).unwrap_err();
    assert!(matches!(e, ProposeError::NoLoop { .. }), "{e:?}");

    let mut lone = Map::default();
    lone.street(&[[0.0, 0.0], [1000.0, 0.0]]);
    let e = trips(&lone.planner(), &round(place(500.0, 0.0), 20.0)).unwrap_err();
    assert!(matches!(e, ProposeError::NoLoop { .. }), "{e:?}");

    let empty = Map::default().planner();
    let e = trips(&empty, &round(place(0.0, 0.0), 20.0)).unwrap_err();
    assert!(matches!(e, ProposeError::OffMap { .. }), "{e:?}");
}

#[test]
fn a_search_can_be_called_off() {
    let planner = grid(5, 5).planner();
    let stopped = AtomicBool::new(true);
    let mut quiet = |_: f32, _: &'static str| {};
    let mut watch = Watch {
        progress: &mut quiet,
        stop: &stopped,
    };
    let e = planner
        .round_trips(&round(place(500.0, 0.0), 9.0), &mut watch)
        .unwrap_err();
    assert_eq!(e, ProposeError::Cancelled);
    let between = between(place(0.0, 0.0), place(4000.0, 4000.0), 5.0);
    let e = planner.between(&between, &mut watch).unwrap_err();
    assert_eq!(e, ProposeError::Cancelled);
}

fn between(from: [f64; 2], to: [f64; 2], longer_min: f64) -> Between {
    Between {
        region: "sketch".into(),
        from,
        to,
        taste: "quiet".into(),
        longer_min,
    }
}

/// A motorway of 8 km, which the taste avoids, and a lane beside it of 10 km.
fn main_road_and_lane() -> Map {
    let mut map = Map::default();
    let n = map.street(&[[0.0, 0.0], [1000.0, 0.0], [9000.0, 0.0], [10_000.0, 0.0]]);
    map.roads[1].class = RoadClass::Motorway;
    let lane = map.road(n[1], n[2]);
    lane.class = RoadClass::Unclassified;
    lane.bends = vec![[1000.0, 1000.0], [9000.0, 1000.0]];
    map
}

#[test]
fn the_line_between_never_takes_longer_than_allowed() {
    let planner = main_road_and_lane().planner();
    let (from, to) = (place(100.0, 0.0), place(9900.0, 0.0));
    let ask = |min: f64| watched(|watch| planner.between(&between(from, to, min), watch));
    let quickest = ask(0.0).unwrap().proposals.remove(0);
    let mut lengths = Vec::new();
    for min in [0.0, 1.0, 3.0, 10.0, 60.0] {
        let found = ask(min).unwrap().proposals.remove(0);
        let longer_s = found.sums.riding_s - quickest.sums.riding_s;
        assert!(longer_s <= min * 60.0 + 1e-6, "{longer_s} s for {min} min");
        check(&planner, &found, "quiet", false);
        lengths.push(found.sums.length_m.round());
    }
    assert!(lengths[0] < 9900.0 && lengths[4] > 11_000.0, "{lengths:?}");
    assert!(lengths.is_sorted(), "{lengths:?}");
    for min in [f64::NAN, -1.0, 1e9] {
        assert!(
            matches!(ask(min), Err(ProposeError::BadBudget { .. })),
            "{min}"
        );
    }
}

#[test]
fn parts_that_are_not_joined_have_no_line_between() {
    let mut map = main_road_and_lane();
    map.street(&[[0.0, 50_000.0], [1000.0, 50_000.0], [2000.0, 50_000.0]]);
    let planner = map.planner();
    let ask = between(place(100.0, 0.0), place(500.0, 50_000.0), 30.0);
    let e = watched(|watch| planner.between(&ask, watch)).unwrap_err();
    assert!(matches!(e, ProposeError::NoWay { .. }), "{e:?}");
    let points = [("stop", 100.0, 0.0), ("stop", 500.0, 50_000.0)];
    let ask = OtherWays {
        tour: tour("quiet", &points),
        leg: 0,
    };
    let e = watched(|watch| planner.alternatives(&ask, watch)).unwrap_err();
    assert!(matches!(e, ProposeError::NoWay { .. }), "{e:?}");
}

#[test]
fn another_way_is_offered_with_what_it_costs_and_gives() {
    // Two roads of like length around a lake, and a lane that goes far out of its way.
    let mut map = Map::default();
    let n = map.street(&[[0.0, 0.0], [500.0, 0.0]]);
    let m = map.street(&[[8500.0, 0.0], [9000.0, 0.0]]);
    map.road(n[1], m[0]).bends = vec![[2500.0, 2000.0], [6500.0, 2000.0]];
    map.road(n[1], m[0]).bends = vec![[2500.0, -2300.0], [6500.0, -2300.0]];
    map.road(n[1], m[0]).bends = vec![[500.0, 9000.0], [8500.0, 9000.0]];
    // Each is one piece; vias stand between pieces.
    let planner = map.planner();
    let ask = |leg: u32, kind: &str| {
        let points = [("stop", 100.0, 0.0), (kind, 8900.0, 0.0)];
        let tour = tour("fastest", &points);
        watched(|watch| planner.alternatives(&OtherWays { tour, leg }, watch))
    };
    let found = ask(0, "stop").unwrap();
    assert_eq!(found.proposals.len(), 1, "{:?}", found.notes);
    let other = &found.proposals[0];
    check(&planner, other, "fastest", false);
    let against = other.against.unwrap();
    assert!(against.riding_s > 0.0 && against.length_m > 0.0);
    assert!(against.shared < 0.8);
    assert!((other.sums.length_m / (other.sums.length_m - against.length_m)) < 1.25);
    let lat = other.lat.iter().copied().fold(f64::INFINITY, f64::min);
    assert!(lat < at(0.0, -2000.0).lat(), "the southern road");
    assert!(matches!(ask(1, "stop"), Err(ProposeError::BadTour { .. })));
    assert!(matches!(ask(0, "free"), Err(ProposeError::BadTour { .. })));

    let planner = main_road_and_lane().planner();
    let points = [("stop", 100.0, 0.0), ("stop", 800.0, 0.0)];
    let tour = tour("fastest", &points);
    let none = watched(|watch| planner.alternatives(&OtherWays { tour, leg: 0 }, watch)).unwrap();
    assert!(none.proposals.is_empty() && !none.notes.is_empty());
}

#[test]
fn restricted_roads_are_no_part_of_a_trip() {
    let mut map = grid(4, 4);
    let n = map.roads.len();
    for road in map.roads.iter_mut().take(n / 3) {
        road.access = [Access::Private; 2];
    }
    let planner = map.planner();
    let found = trips(&planner, &round(place(3000.0, 2500.0), 8.0)).unwrap();
    for trip in &found.proposals {
        assert!(
            trip.warnings.iter().all(|w| w.kind != "private"),
            "{:?}",
            trip.warnings
        );
    }
}

#[test]
fn points_of_a_proposal_are_two_stops_and_vias_between() {
    let planner = grid(5, 5).planner();
    let from = place(1500.0, 1000.0);
    let found = trips(&planner, &round(from, 12.0)).unwrap();
    for trip in &found.proposals {
        let ends = [trip.points.first(), trip.points.last()].map(Option::unwrap);
        for end in ends {
            assert_eq!([end.lat, end.lon], from);
        }
        let is_plain = |p: &TourPoint| p.leg == LegKind::Road && p.drawn.is_empty();
        assert!(trip.points.iter().all(is_plain));
        // Vias stand off the junctions.
        for via in &trip.points[1..trip.points.len() - 1] {
            let via = Point::from_degrees(via.lat, via.lon).unwrap();
            let nearest = (0..25).map(|i| {
                let node = at(f64::from(i % 5) * 1000.0, f64::from(i / 5) * 1000.0);
                distance_m(node, via)
            });
            assert!(nearest.fold(f64::INFINITY, f64::min) > 100.0);
        }
    }
}
