//! Days of whole plans: clock, zones, light, fuel and nights on small maps.

use std::collections::HashSet;

use planner::day::sheet::{LightKind, Row, RowKind};
use planner::day::split::DayLimits;
use planner::document::{LegKind, PointKind, Tour};
use planner::plan::Plan;
use region::PlaceKind;

use crate::map::{Map, tour};

/// A straight road east, 300 km, junctions every 10 km, a station at 90 km, one far aside at
/// 180 km, one that is shut in the afternoon at 200 km, one at 240 km; beds at every 50 km.
fn road_east() -> Map {
    let mut map = Map::default();
    let places: Vec<[f64; 2]> = (0..=30).map(|i| [f64::from(i) * 10_000.0, 0.0]).collect();
    map.street(&places);
    map.places = vec![
        (PlaceKind::Fuel, [90_000.0, 20.0], "Mill", ""),
        (PlaceKind::Fuel, [180_000.0, 1500.0], "Aside", ""),
        (
            PlaceKind::Fuel,
            [200_000.0, 10.0],
            "Mornings",
            "{\"opening_hours\":\"06:00-10:00\"}",
        ),
        (
            PlaceKind::Fuel,
            [240_000.0, 10.0],
            "Always",
            "{\"opening_hours\":\"24/7\"}",
        ),
        (PlaceKind::Pass, [120_000.0, 5.0], "Saddle", ""),
    ];
    for i in 1..6 {
        let at = [f64::from(i) * 50_000.0, 300.0];
        map.places.push((PlaceKind::Lodging, at, "Inn", ""));
    }
    map
}

fn plan(map: &Map, tour: &Tour) -> Plan {
    map.planner().plan(tour, &HashSet::new()).expect("a plan")
}

fn ends(km: f64) -> Tour {
    tour("fastest", &[("stop", 0.0, 0.0), ("stop", km * 1000.0, 0.0)])
}

fn minutes(text: &str) -> i64 {
    let at = chrono::NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M").expect("a time");
    at.and_utc().timestamp() / 60
}

fn of_kind(rows: &[Row], kind: RowKind) -> usize {
    rows.iter().filter(|r| r.kind == kind).count()
}

#[test]
fn rests_are_part_of_the_day() {
    let mut tour = ends(300.0);
    tour.depart = Some("2026-07-01T08:00".into());
    let plan = plan(&road_east(), &tour);
    let day = &plan.days[0];
    let riding_min = day.sums.riding_s / 60.0;
    let rests = (riding_min / 120.0).ceil() - 1.0;
    assert!(rests >= 1.0, "{riding_min}");
    assert_eq!(of_kind(&day.sheet.rows, RowKind::Rest) as f64, rests);
    let (depart, arrive) = (
        day.depart.as_deref().unwrap(),
        day.arrive.as_deref().unwrap(),
    );
    let elapsed_min = (minutes(arrive) - minutes(depart)) as f64;
    assert!((elapsed_min - riding_min - 15.0 * rests).abs() <= 1.0);
    // Nobody rests who does not want to.
    tour.rider.rest_every_min = 0;
    let without = self::plan(&road_east(), &tour);
    assert_eq!(without.days[0].sheet.rest_min, 0);
    // The rows follow one another.
    let rows = &day.sheet.rows;
    assert_eq!(rows[0].kind, RowKind::Depart);
    assert_eq!(rows[rows.len() - 1].kind, RowKind::Arrive);
    assert!(
        rows.windows(2)
            .all(|w| w[0].to_s <= w[1].from_s && w[0].km <= w[1].km)
    );
}

/// "Be there by 18:00" sets the departure, rests and halts included.
#[test]
fn an_hour_to_be_there_sets_the_departure() {
    let mut tour = tour(
        "fastest",
        &[
            ("stop", 0.0, 0.0),
            ("stop", 100_000.0, 0.0),
            ("stop", 250_000.0, 0.0),
        ],
    );
    tour.depart = Some("2026-07-01T06:00".into());
    tour.points[1].dwell_min = 40;
    tour.points[2].arrive_by = Some("18:00".into());
    let map = road_east();
    let plan_a = plan(&map, &tour);
    let arrive = plan_a.days[0].arrive.clone().unwrap();
    assert!(
        ["2026-07-01T18:00", "2026-07-01T17:59"].contains(&&*arrive),
        "{arrive}"
    );
    // The tighter one of two counts.
    tour.points[1].arrive_by = Some("12:00".into());
    let plan_b = plan(&map, &tour);
    let halt = plan_b.days[0]
        .sheet
        .rows
        .iter()
        .find(|r| r.point == Some(1))
        .unwrap();
    let at = halt.arrive.clone().unwrap();
    assert!(
        ["2026-07-01T12:00", "2026-07-01T11:59"].contains(&&*at),
        "{at}"
    );
    tour.points[1].arrive_by = Some("noon".into());
    assert!(map.planner().plan(&tour, &HashSet::new()).is_err());
}

#[test]
fn a_day_past_midnight_goes_on_and_warns() {
    let mut tour = tour(
        "fastest",
        &[
            ("stop", 0.0, 0.0),
            ("stop", 200_000.0, 0.0),
            ("stop", 250_000.0, 0.0),
        ],
    );
    tour.depart = Some("2026-07-01T22:30".into());
    tour.points[1].ends_day = true;
    let plan = plan(&road_east(), &tour);
    let arrive = plan.days[0].arrive.as_deref().unwrap();
    assert!(arrive.starts_with("2026-07-02T0"), "{arrive}");
    // The same clock again is still ahead.
    assert_eq!(plan.days[1].depart.as_deref(), Some("2026-07-02T22:30"));
    let kinds: Vec<&str> = plan.warnings.iter().map(|w| &*w.kind).collect();
    assert!(
        kinds.contains(&"dark") && kinds.contains(&"small_hours"),
        "{kinds:?}"
    );
    let night = |l: &&planner::day::sheet::Light| l.kind == LightKind::Night;
    let dark_km: f64 = plan.days[0]
        .sheet
        .light
        .iter()
        .filter(night)
        .map(|l| l.to_km - l.from_km)
        .sum();
    assert!(dark_km > 100.0, "{dark_km}");
    // A day of rest: a full date is taken as it is.
    tour.points[1].next_depart = Some("2026-07-04T09:00".into());
    let plan = self::plan(&road_east(), &tour);
    assert_eq!(plan.days[1].depart.as_deref(), Some("2026-07-04T09:00"));
    assert!(plan.days[1].sheet.light.is_empty());
}

/// Riding east into the morning sun, an hour after sunrise at the equinox.
#[test]
fn a_low_sun_ahead_is_a_hint() {
    let mut east = ends(100.0);
    east.depart = Some("2026-03-20T06:20".into());
    let plan = plan(&road_east(), &east);
    assert!(
        plan.warnings.iter().any(|w| w.kind == "low_sun"),
        "{:?}",
        plan.days[0].sheet.sun
    );
    let west = Tour {
        points: east.points.iter().rev().cloned().collect(),
        ..east
    };
    let plan = self::plan(&road_east(), &west);
    assert!(plan.warnings.iter().all(|w| w.kind != "low_sun"));
}

#[test]
fn fuel_is_found_in_time_and_where_it_is_open() {
    let map = road_east();
    let mut tour = ends(300.0);
    tour.depart = Some("2026-07-01T08:00".into());
    // 200 km, and 3 km to ride for it.
    (
        tour.rider.tank_l,
        tour.rider.reserve_l,
        tour.rider.consumption_l,
    ) = (11.0, 1.0, 5.0);
    let plan_a = plan(&map, &tour);
    let fuel = &plan_a.days[0].sheet.fuel;
    assert_eq!(fuel.range_km, Some(200.0));
    // Mornings is shut by then, Aside is too far: Mill in the morning is all that is left.
    let names: Vec<&str> = fuel.stops.iter().map(|s| &*s.name).collect();
    assert_eq!(names, ["Mill", "Always"]);
    assert_eq!(fuel.stops[1].open, Some(true));
    assert!(fuel.dry.is_empty());
    let litres: Vec<f64> = fuel.level.iter().map(|l| l[1]).collect();
    assert_eq!(litres[0], 11.0);
    assert!(
        (litres[1] - (11.0 - 4.5)).abs() < 0.05 && litres[2] == 11.0,
        "{litres:?}"
    );
    assert!(litres.iter().all(|&l| l >= 1.0 - 1e-6));
    // A longer detour is fine: one halt is enough.
    tour.rider.fuel_detour_m = 5000.0;
    let plan_b = plan(&map, &tour);
    let stops = &plan_b.days[0].sheet.fuel.stops;
    assert_eq!(stops.len(), 1);
    assert_eq!(stops[0].name, "Aside");
    // 80 km: dry before the first station, and ten kilometres of warning after it.
    tour.rider.tank_l = 5.0;
    let plan_c = plan(&map, &tour);
    let dry = plan_c
        .warnings
        .iter()
        .find(|w| w.kind == "out_of_fuel")
        .expect("a warning");
    assert!((dry.km.unwrap() - 80.0).abs() < 0.5, "{dry:?}");
    assert!(!plan_c.days[0].sheet.fuel.dry.is_empty());
}

#[test]
fn a_stop_at_a_station_is_a_halt_to_refuel() {
    let map = road_east();
    let mut tour = tour(
        "fastest",
        &[
            ("stop", 0.0, 0.0),
            ("stop", 90_000.0, 10.0),
            ("stop", 190_000.0, 0.0),
        ],
    );
    (
        tour.rider.tank_l,
        tour.rider.reserve_l,
        tour.rider.consumption_l,
    ) = (11.0, 1.0, 5.0);
    let plan_a = plan(&map, &tour);
    let stops = &plan_a.days[0].sheet.fuel.stops;
    assert_eq!(stops.len(), 1);
    assert_eq!(stops[0].point, Some(1));
    // One that is marked, anywhere.
    tour.points[1].lat += 0.0;
    tour.points[1].lon += 0.1;
    tour.points[1].refuel = true;
    let plan_b = plan(&map, &tour);
    assert_eq!(plan_b.days[0].sheet.fuel.stops[0].point, Some(1));
}

#[test]
fn passes_are_named() {
    let plan = plan(&road_east(), &ends(300.0));
    let passes = &plan.days[0].sheet.heights.passes;
    assert_eq!(passes.len(), 1);
    assert_eq!(passes[0].name, "Saddle");
    assert!((passes[0].km - 120.0).abs() < 0.1);
}

#[test]
fn nights_are_proposed_where_beds_are() {
    let map = road_east();
    let mut tour = ends(300.0);
    tour.depart = Some("2026-07-01T08:00".into());
    let planner = map.planner();
    let limits = DayLimits {
        riding_h: None,
        length_km: Some(120.0),
        ..DayLimits::default()
    };
    let split = planner.propose_days(&tour, &limits).expect("a split");
    let km: Vec<f64> = split.nights.iter().map(|n| n.km.round()).collect();
    assert_eq!(km, [100.0, 200.0]);
    assert!(split.over.is_empty());
    assert!(
        split
            .length_m
            .iter()
            .all(|m| (m - 100_000.0).abs() < 1000.0)
    );
    // No bed within 40 km: said, not hidden.
    let tight = DayLimits {
        length_km: Some(40.0),
        ..limits.clone()
    };
    assert!(
        !planner
            .propose_days(&tour, &tight)
            .expect("a split")
            .over
            .is_empty()
    );
    // Out late in winter: daylight cuts the day.
    tour.depart = Some("2026-12-21T08:00".into());
    let winter = DayLimits {
        length_km: None,
        depart: "12:30".into(),
        ..limits
    };
    let split = planner.propose_days(&tour, &winter).expect("a split");
    assert!(!split.nights.is_empty());
}

/// Drawn by hand across a border of zones on the sea, and across the antimeridian.
#[test]
fn clocks_change_at_the_border() {
    let map = road_east();
    let mut tour = ends(10.0);
    for (point, lon) in tour.points.iter_mut().zip([-36.0, -39.0]) {
        (point.lat, point.lon, point.kind, point.leg) = (45.0, lon, PointKind::Stop, LegKind::Free);
    }
    tour.depart = Some("2026-07-01T08:00".into());
    let plan_a = plan(&map, &tour);
    let day = &plan_a.days[0];
    let clock = day
        .sheet
        .rows
        .iter()
        .find(|r| r.kind == RowKind::Clock)
        .expect("a change");
    assert!((clock.at[1] + 37.5).abs() < 0.01, "{clock:?}");
    assert!(clock.text.contains("back by 60"), "{}", clock.text);
    let rests_min = f64::from(day.sheet.rest_min);
    let elapsed_min =
        (minutes(day.arrive.as_deref().unwrap()) - minutes("2026-07-01T08:00")) as f64;
    assert!((elapsed_min - (day.sums.riding_s / 60.0 + rests_min - 60.0)).abs() <= 1.0);
    // Westward across the date line the calendar leaps a day ahead, and the clock goes on.
    for (point, lon) in tour.points.iter_mut().zip([-179.0, 179.0]) {
        (point.lat, point.lon) = (30.0, lon);
    }
    let plan_b = plan(&map, &tour);
    let day = &plan_b.days[0];
    assert!(
        (day.sums.length_m - 193_000.0).abs() < 1000.0,
        "{}",
        day.sums.length_m
    );
    let elapsed_min =
        (minutes(day.arrive.as_deref().unwrap()) - minutes("2026-07-01T08:00")) as f64;
    let rests_min = f64::from(day.sheet.rest_min);
    assert!((elapsed_min - (day.sums.riding_s / 60.0 + rests_min + 1440.0)).abs() <= 1.0);
}
