//! Plans as wholes: places, days, sums, warnings, lines.

use std::collections::HashSet;
use std::sync::atomic::{AtomicBool, Ordering};

use planner::Planner;
use planner::document::{LegKind, PointKind, Tour};
use planner::plan::{Plan, PlanError};
use planner::taste::tastes;
use region::{Access, HeightGrid, RoadClass, Surface, flag};

use crate::map::{Map, ORIGIN, at, corners, tour};

fn plan(planner: &Planner, tour: &Tour) -> Plan {
    planner.plan(tour, &HashSet::new()).unwrap()
}

fn kinds(plan: &Plan) -> Vec<&str> {
    plan.warnings.iter().map(|w| w.kind.as_str()).collect()
}

/// A street of five junctions, 1 km apart.
fn street() -> Map {
    let mut map = Map::default();
    map.street(&[
        [0.0, 0.0],
        [1000.0, 0.0],
        [2000.0, 0.0],
        [3000.0, 0.0],
        [4000.0, 0.0],
    ]);
    map
}

#[test]
fn columns_of_a_line_run_in_step_and_sums_agree_with_them() {
    let mut map = street();
    map.roads[1].surface = Surface::Gravel;
    map.roads[2].surface = Surface::Unknown;
    map.roads[2].name = "Long lane";
    let plan = plan(
        &map.planner(),
        &tour("fastest", &[("stop", 500.0, 0.0), ("stop", 3500.0, 20.0)]),
    );
    let leg = &plan.legs[0];
    let line = leg.line.as_ref().unwrap();
    let rows = line.lat.len();
    for len in [
        line.lon.len(),
        line.height_m.len(),
        line.distance_m.len(),
        line.elapsed_s.len(),
    ] {
        assert_eq!(len, rows);
    }
    assert_eq!((line.distance_m[0], line.elapsed_s[0]), (0.0, 0.0));
    assert!(line.distance_m.is_sorted() && line.elapsed_s.is_sorted());
    assert!((line.distance_m[rows - 1] - leg.sums.length_m).abs() < 0.1);
    assert!((line.elapsed_s[rows - 1] - leg.sums.riding_s).abs() < 0.1);
    assert_eq!(line.runs[0].from, 0);
    assert_eq!(line.runs.last().unwrap().to as usize, rows - 1);
    assert!(line.runs.windows(2).all(|w| w[0].to == w[1].from));
    let surfaces: Vec<&str> = line.runs.iter().map(|r| r.surface.as_str()).collect();
    assert_eq!(surfaces, ["asphalt", "gravel", "unknown", "asphalt"]);
    assert_eq!(line.runs[2].name, "Long lane");
    let s = &plan.total;
    for (got, want) in [
        (s.length_m, 3000.0),
        (s.paved_m, 1000.0),
        (s.unpaved_m, 1000.0),
        (s.unknown_surface_m, 1000.0),
    ] {
        assert!((got - want).abs() < 1.0, "{got} {want}");
    }
    assert_eq!(plan.points[1].offset_m, 20.0);
    assert_eq!(kinds(&plan), ["unpaved", "unknown_surface"]);
}

#[test]
fn a_limit_of_fifty_is_never_beaten_by_the_clock() {
    let mut map = street();
    map.roads
        .iter_mut()
        .for_each(|r| (r.limit_kmh, r.class) = (50, RoadClass::Motorway));
    let plan = plan(
        &map.planner(),
        &tour("fastest", &[("stop", 0.0, 0.0), ("stop", 4000.0, 0.0)]),
    );
    let kmh = plan.total.length_m / plan.total.riding_s * 3.6;
    assert!(kmh <= 50.0 && kmh > 40.0, "{kmh}");
}

#[test]
fn known_legs_come_without_their_line_and_changed_ones_with_it() {
    let planner = street().planner();
    let points = [
        ("stop", 500.0, 0.0),
        ("via", 1500.0, 0.0),
        ("stop", 3500.0, 0.0),
    ];
    let first = plan(&planner, &tour("fastest", &points));
    let have: HashSet<String> = first.legs.iter().map(|l| l.key.clone()).collect();
    let moved = [points[0], points[1], ("stop", 3600.0, 0.0)];
    let again = planner.plan(&tour("fastest", &moved), &have).unwrap();
    assert!(again.legs[0].line.is_none() && again.legs[1].line.is_some());
    assert_eq!(again.legs[0].key, first.legs[0].key);
    assert_eq!(again.legs[0].sums, first.legs[0].sums);
    assert_ne!(again.legs[1].key, first.legs[1].key);
}

#[test]
fn days_have_their_own_clock_and_halts() {
    let planner = street().planner();
    let stops: Vec<_> = (0..5)
        .map(|i| ("stop", f64::from(i) * 1000.0, 0.0))
        .collect();
    let mut two_days = tour("fastest", &stops);
    two_days.depart = Some("2026-12-31T09:30".into());
    two_days.points[1].dwell_min = 45;
    two_days.points[2].dwell_min = 600;
    two_days.points[2].ends_day = true;
    two_days.points[2].next_depart = Some("08:00".into());
    two_days.points[4].ends_day = true;
    let plan = plan(&planner, &two_days);
    let days: Vec<_> = plan
        .days
        .iter()
        .map(|d| (d.first_point, d.last_point, d.dwell_min))
        .collect();
    assert_eq!(days, [(0, 2, 45), (2, 4, 0)]);
    assert_eq!(plan.days[0].depart.as_deref(), Some("2026-12-31T09:30"));
    let riding_min = (plan.days[0].sums.riding_s / 60.0).round() as i64;
    let arrive = plan.days[0].arrive.as_deref().unwrap();
    let minute: i64 = arrive[14..16].parse().unwrap();
    assert_eq!(&arrive[..13], "2026-12-31T10");
    assert!((minute - (15 + riding_min)).abs() <= 1, "{arrive}");
    assert_eq!(plan.days[1].depart.as_deref(), Some("2027-01-01T08:00"));
    let sum: f64 = plan.days.iter().map(|d| d.sums.length_m).sum();
    assert!((plan.total.length_m - sum).abs() < 1e-6 && (sum - 4000.0).abs() < 2.0);
}

/// Profile and results of the project's checks, section 12: reference-level rule at 5 m gives 31.
#[test]
fn climb_follows_the_stated_rule() {
    let mut map = Map::default();
    let (a, b) = (map.node(0.0, 0.0), map.node(1200.0, 0.0));
    map.road(a, b).bends = (1..12).map(|i| [f64::from(i) * 100.0, 0.0]).collect();
    map.relief = Some(|e, _| {
        const PROFILE: [f64; 13] = [
            100.0, 103.0, 101.0, 106.0, 110.0, 108.0, 109.0, 104.0, 100.0, 102.0, 120.0, 119.0,
            125.0,
        ];
        PROFILE[(e / 100.0).round() as usize]
    });
    let plan = plan(
        &map.planner(),
        &tour("fastest", &[("stop", 0.0, 0.0), ("stop", 1200.0, 0.0)]),
    );
    assert_eq!(
        (plan.total.climb_m.round(), plan.total.descent_m.round()),
        (31.0, 6.0)
    );
    assert_eq!(plan.days[0].highest_m, Some(125.0));
}

#[test]
fn a_drawn_leg_is_drawn_and_the_road_goes_on_from_its_end() {
    let mut map = street();
    let grid = HeightGrid {
        west_deg: ORIGIN.lon() - 0.1,
        north_deg: ORIGIN.lat() + 0.1,
        step_lon_deg: 0.1,
        step_lat_deg: 0.1,
        columns: 3,
        rows: 3,
    };
    // Rises 100 m from the southern row to the next one north, and so on.
    map.heights = Some((grid, vec![300, 300, 300, 200, 200, 200, 100, 100, 100]));
    let mut mixed = tour(
        "fastest",
        &[
            ("stop", 500.0, 0.0),
            ("free", 2500.0, 30.0),
            ("stop", 3500.0, 0.0),
        ],
    );
    let p = at(1500.0, 800.0);
    mixed.points[1].drawn = vec![[p.lat(), p.lon()]];
    let plan = plan(&map.planner(), &mixed);
    let line = plan.legs[0].line.as_ref().unwrap();
    let drawn = corners(line);
    for corner in [[500, 0], [1500, 800], [2500, 30]] {
        assert!(drawn.contains(&corner), "{drawn:?}");
    }
    assert_eq!(
        drawn.last(),
        Some(&[2500, 0]),
        "from the point itself on to its road"
    );
    assert_eq!(corners(plan.legs[1].line.as_ref().unwrap())[0], [2500, 0]);
    assert!(line.distance_m.windows(2).all(|w| w[1] - w[0] <= 100.2));
    let top = line.height_m.iter().flatten().copied().fold(0.0, f32::max);
    assert!((top - 207.2).abs() < 0.3, "{top}");
    assert!((plan.total.free_m - plan.legs[0].sums.length_m).abs() < 1e-9);
    let kmh = plan.legs[0].sums.length_m / plan.legs[0].sums.riding_s * 3.6;
    assert!((kmh - planner::speed::FREE_KMH).abs() < 1e-6);
    assert_eq!((plan.legs[0].kind, line.runs.len()), (LegKind::Free, 1));
    assert_eq!(line.runs[0].class, "free");
}

#[test]
fn an_island_is_said_to_be_one_and_the_rest_is_planned() {
    let mut map = street();
    map.street(&[[0.0, 5000.0], [1000.0, 5000.0]]);
    let trip = [
        ("stop", 500.0, 0.0),
        ("stop", 1500.0, 0.0),
        ("stop", 500.0, 5000.0),
        ("stop", 800.0, 5000.0),
    ];
    let plan = plan(&map.planner(), &tour("shortest", &trip));
    let troubled: Vec<bool> = plan.legs.iter().map(|l| l.trouble.is_some()).collect();
    assert_eq!(troubled, [false, true, false]);
    assert_eq!(kinds(&plan), ["unreachable"]);
    assert!(plan.warnings[0].text.contains("stop 2") && plan.warnings[0].text.contains("stop 3"));
    assert!(plan.warnings[0].text.contains("island"));
    assert_eq!(
        corners(plan.legs[1].line.as_ref().unwrap()),
        [[1500, 0], [500, 5000]]
    );
    assert!((plan.legs[2].sums.length_m - 300.0).abs() < 1.0);
}

#[test]
fn points_off_the_map_say_where_the_map_is() {
    let planner = street().planner();
    let far = plan(
        &planner,
        &tour(
            "fastest",
            &[("stop", 500.0, 0.0), ("stop", 10_000.0, 20_000.0)],
        ),
    );
    assert_eq!(kinds(&far), ["off_map", "unreachable"]);
    let text = &far.warnings[0].text;
    assert!(
        text.contains("north-east") && text.contains("sketch"),
        "{text}"
    );
    let mut swapped = tour("fastest", &[("stop", 500.0, 0.0), ("stop", 1500.0, 0.0)]);
    let p = &mut swapped.points[1];
    (p.lat, p.lon) = (p.lon, p.lat);
    let swapped = plan(&planner, &swapped);
    assert!(
        swapped.warnings[0].text.contains("exchanged"),
        "{:?}",
        swapped.warnings
    );
}

#[test]
fn what_lies_on_the_way_is_told() {
    let mut map = street();
    map.roads[0].access = [Access::Unverified; 2];
    map.roads[1].flags = flag::FORD | flag::TOLL;
    map.roads[2].class = RoadClass::Ferry;
    map.roads[2].crossing_s = 1200;
    map.roads[3].flags = flag::SEASONAL;
    map.roads[3].conditions = vec![("motor_vehicle:conditional", "no @ (Nov-Apr)")];
    let got = plan(
        &map.planner(),
        &tour("fastest", &[("stop", 100.0, 0.0), ("stop", 3900.0, 0.0)]),
    );
    let mut told = kinds(&got);
    told.sort_unstable();
    assert_eq!(
        told,
        ["ferry", "ford", "seasonal", "toll", "unverified_access"]
    );
    let seasonal = got.warnings.iter().find(|w| w.kind == "seasonal").unwrap();
    assert!(
        seasonal.text.contains("no @ (Nov-Apr)"),
        "{}",
        seasonal.text
    );
    assert!((seasonal.km.unwrap() - 2.9).abs() < 0.01);
    // The crossing takes its time, and the wait before it.
    assert!(got.total.riding_s > 1200.0 + 900.0 && got.total.riding_s < 1200.0 + 900.0 + 500.0);
    assert!((got.total.ferry_m - 1000.0).abs() < 1.0);
}

#[test]
fn closed_and_far_roads_are_named() {
    let mut map = street();
    map.roads[1].access = [Access::Closed; 2];
    map.roads[1].name = "Mill lane";
    let got = plan(
        &map.planner(),
        &tour("fastest", &[("stop", 500.0, 400.0), ("stop", 1500.0, 0.0)]),
    );
    assert_eq!(kinds(&got)[..2], ["far_from_road", "closed_road"]);
    assert!(got.warnings[1].text.contains("Mill lane"));
}

#[test]
fn documents_that_make_no_sense_are_refused_in_words() {
    let planner = street().planner();
    let good = tour("fastest", &[("stop", 500.0, 0.0), ("stop", 1500.0, 0.0)]);
    let refused = |change: fn(&mut Tour)| {
        let mut bad = good.clone();
        change(&mut bad);
        planner.plan(&bad, &HashSet::new()).unwrap_err()
    };
    assert!(matches!(
        refused(|t| t.format = "other".into()),
        PlanError::Format { .. }
    ));
    assert_eq!(
        refused(|t| t.points[1].lat = f64::NAN),
        PlanError::BadPoint { point: 1 }
    );
    assert_eq!(
        refused(|t| t.points[0].lon = 181.0),
        PlanError::BadPoint { point: 0 }
    );
    assert_eq!(
        refused(|t| t.points[1].drawn = vec![[91.0, 0.0]]),
        PlanError::BadPoint { point: 1 }
    );
    assert!(matches!(
        refused(|t| t.depart = Some("tomorrow".into())),
        PlanError::BadTime { .. }
    ));
    let many = refused(|t| t.points = vec![t.points[0].clone(); 5000]);
    assert!(matches!(many, PlanError::TooMany { .. }));
    let taste = refused(|t| t.taste = "bendy".into()).to_string();
    assert!(tastes().iter().all(|t| taste.contains(&t.name)), "{taste}");
}

#[test]
fn a_plan_called_off_says_so_and_the_next_one_is_whole() {
    let planner = street().planner();
    let trip = tour("fastest", &[("stop", 500.0, 0.0), ("stop", 3500.0, 0.0)]);
    let stop = AtomicBool::new(true);
    let none = HashSet::new();
    let off = planner.plan_until(&trip, &none, &stop);
    assert_eq!(off, Err(PlanError::Cancelled));
    stop.store(false, Ordering::Relaxed);
    let whole = planner.plan_until(&trip, &none, &stop).unwrap();
    assert_eq!(whole, plan(&street().planner(), &trip));
}

#[test]
fn a_long_plan_ends_soon_after_it_is_called_off() {
    // Some seconds of work, called off from beside.
    let mut map = Map::default();
    let places: Vec<[f64; 2]> = (0..1500).map(|i| [f64::from(i) * 100.0, 0.0]).collect();
    map.street(&places);
    let planner = map.planner();
    let points: Vec<_> = (0..1900)
        .map(|i| ("stop", f64::from((i * 7919) % 1499) * 100.0 + 50.0, 0.0))
        .collect();
    let long = tour("fastest", &points);
    let stop = AtomicBool::new(false);
    let off = std::thread::scope(|s| {
        let work = s.spawn(|| planner.plan_until(&long, &HashSet::new(), &stop));
        stop.store(true, Ordering::Relaxed);
        work.join().unwrap()
    });
    assert_eq!(off, Err(PlanError::Cancelled));
}

#[test]
fn small_tours_are_plans_too() {
    let planner = street().planner();
    let empty = plan(&planner, &tour("fastest", &[]));
    assert!(empty.legs.is_empty() && empty.days.is_empty());
    let one = plan(&planner, &tour("fastest", &[("via", 500.0, 7.0)]));
    assert_eq!((one.points.len(), one.days.len()), (1, 1));
    assert_eq!(one.points[0].offset_m, 7.0);
    // Twice the same place is a leg of no length.
    let still = plan(
        &planner,
        &tour("fastest", &[("stop", 500.0, 0.0), ("stop", 500.0, 0.0)]),
    );
    assert_eq!(still.total.length_m, 0.0);
    assert_eq!(still.legs[0].line.as_ref().unwrap().lat.len(), 2);
    assert!(still.legs[0].trouble.is_none());
}

#[test]
fn a_region_without_roads_plans_straight_lines_and_says_so() {
    let planner = Map::default().planner();
    let got = plan(
        &planner,
        &tour(
            "shortest",
            &[
                ("stop", 0.0, 0.0),
                ("via", 900.0, 0.0),
                ("stop", 900.0, 400.0),
            ],
        ),
    );
    assert!(got.legs.iter().all(|l| l.trouble.is_some()));
    assert_eq!(kinds(&got).iter().filter(|k| **k == "off_map").count(), 3);
    assert!((got.total.length_m - 1300.0).abs() < 1.0);
    assert_eq!(planner.nearest_road(at(0.0, 0.0), 1e9), None);
}

#[test]
fn reversing_twice_changes_nothing_and_once_keeps_legs_between_their_points() {
    let mut t = tour(
        "fastest",
        &[
            ("stop", 0.0, 0.0),
            ("free", 1000.0, 0.0),
            ("via", 2000.0, 0.0),
            ("stop", 3000.0, 0.0),
        ],
    );
    t.points[1].drawn = vec![[45.0, -30.0], [45.1, -30.1]];
    let back = t.reversed();
    assert_eq!(back.points[1].kind, PointKind::Via);
    assert_eq!(back.points[3].leg, LegKind::Free);
    assert_eq!(back.points[3].drawn, [[45.1, -30.1], [45.0, -30.0]]);
    assert_eq!(back.points[2].leg, LegKind::Road);
    assert_eq!(back.reversed(), t);
}

#[test]
fn a_planner_is_shared_between_threads() {
    fn shared<T: Send + Sync>(_: &T) {}
    let planner = street().planner();
    shared(&planner);
    let trip = tour("fastest", &[("stop", 500.0, 0.0), ("stop", 3500.0, 0.0)]);
    let want = plan(&planner, &trip);
    std::thread::scope(|s| {
        for _ in 0..4 {
            s.spawn(|| assert_eq!(plan(&planner, &trip), want));
        }
    });
}
