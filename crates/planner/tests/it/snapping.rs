//! Where points come to lie.

use planner::document::PointKind;
use region::{Access, RoadClass, flag};

use crate::map::{Map, at};

#[test]
fn the_nearest_place_on_the_line_is_found_wherever_it_is() {
    let mut map = Map::default();
    let (a, b) = (map.node(0.0, 0.0), map.node(1000.0, 0.0));
    map.road(a, b).bends = vec![[500.0, 300.0]];
    let planner = map.planner();
    for (distance_m, east, north) in [
        (0.0, 250.0, 150.0),
        (40.0, 250.0, 198.0),
        (400.0, 500.0, 700.0),
    ] {
        let found = planner.snap(at(east, north), PointKind::Via).candidates;
        assert_eq!(found.len(), 1);
        assert!(
            (found[0].offset_m - distance_m).abs() < distance_m * 0.2 + 8.0,
            "{found:?}"
        );
        assert_eq!(found[0].worse_m, 0.0);
    }
    let half = planner.snap(at(500.0, 700.0), PointKind::Via).candidates[0].share;
    assert!((half - 0.5).abs() < 0.001, "{half}");
    assert!(
        planner
            .snap(at(500.0, 2400.0), PointKind::Via)
            .candidates
            .is_empty()
    );
}

#[test]
fn main_roads_win_over_driveways_beside_them_but_not_over_the_road_under_the_point() {
    let mut map = Map::default();
    map.street(&[[0.0, 0.0], [1000.0, 0.0]]);
    map.street(&[[0.0, 10.0], [1000.0, 10.0]]);
    map.street(&[[0.0, 300.0], [1000.0, 300.0]]);
    map.roads[1].class = RoadClass::Service;
    map.roads[2].class = RoadClass::Service;
    let planner = map.planner();
    let near = planner.snap(at(500.0, 6.0), PointKind::Via).candidates;
    assert_eq!(near[0].piece, 0, "6 m from the road, 4 m from the driveway");
    assert_eq!(
        planner.snap(at(500.0, 299.0), PointKind::Via).candidates[0].piece,
        2
    );
}

#[test]
fn both_carriageways_are_kept_and_tunnels_come_after_the_road_above() {
    let mut map = Map::default();
    map.street(&[[0.0, 0.0], [1000.0, 0.0]]);
    map.street(&[[0.0, 9.0], [1000.0, 9.0]]);
    map.street(&[[0.0, 3.0], [1000.0, 3.0]]);
    map.roads[0].access[1] = Access::WrongWay;
    map.roads[1].access[0] = Access::WrongWay;
    map.roads[2].flags = flag::TUNNEL;
    let planner = map.planner();
    let pieces: Vec<u32> = planner
        .snap(at(500.0, 3.0), PointKind::Via)
        .candidates
        .iter()
        .map(|c| c.piece)
        .collect();
    assert_eq!(pieces, [0, 1, 2]);
}

#[test]
fn a_stop_on_a_road_means_that_road_and_that_carriageway() {
    let mut map = Map::default();
    map.street(&[[0.0, 0.0], [1000.0, 0.0]]);
    map.street(&[[0.0, 9.0], [1000.0, 9.0]]);
    map.roads[0].access[1] = Access::WrongWay;
    map.roads[1].access[0] = Access::WrongWay;
    let planner = map.planner();
    let pieces = |north: f64, kind| {
        let found = planner.snap(at(500.0, north), kind).candidates;
        found.iter().map(|c| c.piece).collect::<Vec<_>>()
    };
    assert_eq!(pieces(0.2, PointKind::Stop), [0]);
    assert_eq!(pieces(8.8, PointKind::Stop), [1]);
    let mut close = Map::default();
    close.street(&[[0.0, 0.0], [1000.0, 0.0]]);
    close.street(&[[0.0, 0.7], [1000.0, 0.7]]);
    let close = close.planner().snap(at(500.0, 0.0), PointKind::Stop);
    assert_eq!(close.candidates.len(), 1, "0.7 m aside is another road");
    assert_eq!(pieces(0.2, PointKind::Via), [0, 1]);
    assert_eq!(
        pieces(3.0, PointKind::Stop),
        [0, 1],
        "beside the road either may be meant"
    );
}

#[test]
fn closed_roads_are_passed_over_and_named() {
    let mut map = Map::default();
    map.street(&[[0.0, 0.0], [1000.0, 0.0]]);
    map.street(&[[0.0, 120.0], [1000.0, 120.0]]);
    map.roads[0].access = [Access::Closed; 2];
    let planner = map.planner();
    let snapped = planner.snap(at(500.0, 2.0), PointKind::Via);
    assert_eq!(snapped.closed, Some(0));
    assert_eq!(snapped.candidates.len(), 1);
    assert_eq!(snapped.candidates[0].piece, 1);
    assert_eq!(
        planner.snap(at(500.0, 60.0), PointKind::Via).closed,
        None,
        "not on the closed one"
    );
}

#[test]
fn a_scrap_of_road_brings_the_network_beside_it_along() {
    let mut map = Map::default();
    // A network of many junctions, and a scrap 60 m off that joins nothing.
    let line: Vec<[f64; 2]> = (0..60).map(|i| [f64::from(i) * 50.0, 0.0]).collect();
    map.street(&line);
    map.street(&[[1000.0, 60.0], [1030.0, 60.0]]);
    let scrap = map.roads.len() as u32 - 1;
    let planner = map.planner();
    let found = planner.snap(at(1010.0, 61.0), PointKind::Via).candidates;
    assert_eq!(found[0].piece, scrap);
    assert!(found.iter().any(|c| c.piece != scrap), "{found:?}");
}

#[test]
fn the_nearest_road_is_described() {
    let mut map = Map::default();
    let (a, b) = (map.node(0.0, 0.0), map.node(1000.0, 0.0));
    let road = map.road(a, b);
    (road.name, road.limit_kmh) = ("Saddle road", 60);
    road.access = [Access::Destination, Access::WrongWay];
    road.conditions = vec![("motor_vehicle:conditional", "no @ (Nov-Apr)")];
    let planner = map.planner();
    let info = planner.nearest_road(at(200.0, 30.0), 100.0).unwrap();
    assert_eq!(
        (info.name.as_str(), info.class.as_str()),
        ("Saddle road", "tertiary")
    );
    assert_eq!(
        (info.access.as_str(), info.limit_kmh),
        ("destination", Some(60))
    );
    assert_eq!(info.conditions.len(), 1);
    assert!((info.offset_m - 30.0).abs() < 0.1);
    assert_eq!(planner.nearest_road(at(200.0, 30.0), 20.0), None);
}
