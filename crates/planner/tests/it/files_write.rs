//! Writing files, judged by other programs, and plans as files.

#![expect(clippy::print_stderr, reason = "skipped checks are told")]

use planner::document::{FORMAT, LegKind, PointKind, Tour, TourPoint};
use planner::files::{
    Fix, Letters, Ride, Route, Track, Waypoint, file_names, plain_name, read, ride_of_plan,
    tour_of_ride, unique_names, write_geojson, write_gpx, write_kml,
};
use planner::plan::{Day, Leg, Line, PlacedPoint, Plan, Sums};
use proptest::prelude::*;

use crate::files_gpx::{run, shared};

/// A ride with everything in it that a file may trip over.
fn awkward() -> Ride {
    let fix = |lat, lon, height_m, time_s| Fix {
        lat,
        lon,
        height_m,
        time_s,
    };
    let place = |name: &str, text: &str| Waypoint {
        at: fix(42.5, 1.5, Some(-0.04), None),
        name: name.into(),
        text: text.into(),
        kind: "stop".into(),
    };
    Ride {
        name: "Größe & \"Mut\" <b>\u{0}\u{8}\u{fffe}".into(),
        text: "line 1\r\nline 2 ]]> 'x'".into(),
        credit: Some("OpenStreetMap contributors".into()),
        tracks: vec![
            Track {
                name: "Перевал 🏍".into(),
                segments: vec![
                    vec![
                        fix(-0.00000001, 180.0, Some(1e6), Some(-1.5)),
                        fix(90.0, -180.0, None, Some(1_714_550_400.123)),
                    ],
                    vec![],
                    vec![
                        fix(1e-7, 0.0, Some(f32::NAN), Some(f64::MAX)),
                        fix(1.0, 1.0, None, None),
                    ],
                ],
            },
            Track::default(),
        ],
        routes: vec![Route {
            name: String::new(),
            points: vec![place("", ""), place("Ág", "b")],
        }],
        waypoints: vec![place("Café\tdel  Mar", "x & y"), Waypoint::default()],
        warnings: vec!["not written".into()],
    }
}

fn write_to_temp(name: &str, bytes: &[u8]) -> (std::path::PathBuf, String) {
    let dir = std::env::temp_dir().join(format!("lacet-files-{}", std::process::id()));
    std::fs::create_dir_all(&dir).unwrap();
    let path = dir.join(name);
    std::fs::write(&path, bytes).unwrap();
    let text = path.to_str().unwrap().to_string();
    (path, text)
}

/// xmllint with the schema as published by its authors.
fn assert_valid(name: &str, gpx: &[u8]) {
    let Some(schema) = shared("xsd/gpx11.xsd") else {
        return;
    };
    let (path, text) = write_to_temp(name, gpx);
    let arguments = ["--noout", "--schema", schema.to_str().unwrap(), &text];
    if let Some((valid, said)) = run("xmllint", &arguments) {
        assert!(valid, "{said}");
    }
    std::fs::remove_file(path).unwrap();
}

#[test]
fn gpx_is_valid_and_bare() {
    for (name, ride) in [("awkward.gpx", awkward()), ("empty.gpx", Ride::default())] {
        let gpx = write_gpx(&ride);
        assert_valid(name, &gpx);
        let text = String::from_utf8(gpx).unwrap();
        assert_eq!(text.matches("xmlns").count(), 1, "one namespace only");
        assert!(!text.contains("extensions") && !text.contains("<sym>") && !text.contains("e-"));
        assert!(text.contains("creator=\"Lacet\""));
    }
    let text = String::from_utf8(write_gpx(&awkward())).unwrap();
    assert!(text.contains("<copyright author=\"OpenStreetMap contributors\">"));
    assert!(
        text.contains("<trkpt lat=\"0.0000000\" lon=\"-180.0000000\">"),
        "{text}"
    );
}

#[test]
fn gpxpy_reads_what_is_written() {
    const SCRIPT: &str = "import sys\ntry:\n    import gpxpy\nexcept ImportError:\n    print('none'); sys.exit()\n\
        g = gpxpy.parse(open(sys.argv[1], 'rb').read())\n\
        p = [p for t in g.tracks for s in t.segments for p in s.points]\n\
        print(len(g.tracks), len(p), len(g.waypoints), len(g.routes[0].points), g.tracks[0].name)";
    let (path, text) = write_to_temp("gpxpy.gpx", &write_gpx(&awkward()));
    if let Some((_, said)) = run("python3", &["-c", SCRIPT, &text])
        && said.trim() != "none"
    {
        assert_eq!(said.trim(), "2 4 2 2 Перевал 🏍");
    } else {
        eprintln!("skipped: gpxpy is not installed for python3");
    }
    std::fs::remove_file(path).unwrap();
}

/// Another program's reader finds the same features and the same number of points.
#[test]
fn gdal_reads_what_is_written() {
    let (tour, plan) = a_plan();
    let ride = ride_of_plan(&tour, &plan, None);
    let files = [
        ("gdal.gpx", write_gpx(&ride)),
        ("gdal.geojson", write_geojson(&ride)),
        ("gdal.kml", write_kml(&ride)),
    ];
    for (name, bytes) in files {
        let (path, text) = write_to_temp(name, &bytes);
        let Some((read, said)) = run("ogrinfo", &["-ro", "-al", &text]) else {
            return;
        };
        assert!(read, "{said}");
        let track = said
            .lines()
            .find(|l| l.contains("MULTILINESTRING") && l.contains('('));
        // Segments of 7 and 3 points: 6 + 2 commas between points, 1 between segments.
        assert_eq!(track.expect("no track").matches(',').count(), 9, "{said}");
        std::fs::remove_file(path).unwrap();
    }
}

fn a_plan() -> (Tour, Plan) {
    let point = |kind, lat, lon, name: &str| TourPoint {
        kind,
        lat,
        lon,
        name: name.into(),
        dwell_min: 0,
        leg: LegKind::Road,
        drawn: vec![],
        arrive_by: None,
        refuel: false,
        ends_day: false,
        next_depart: None,
    };
    let points = vec![
        point(PointKind::Stop, 42.0, 1.0, "Hôtel de la Très Longue Côte"),
        point(PointKind::Via, 42.1, 1.0, ""),
        point(PointKind::Via, 42.2, 1.0, ""),
        TourPoint {
            ends_day: true,
            ..point(PointKind::Stop, 42.3, 1.0, "Σπίτι")
        },
        point(PointKind::Stop, 42.4, 1.0, ""),
        point(PointKind::Stop, 42.5, 1.0, "Σπίτι"),
    ];
    let leg = |from: f64, to: f64, trouble: Option<&str>| Leg {
        key: String::new(),
        kind: LegKind::Road,
        sums: Sums::default(),
        line: Some(Line {
            lat: vec![from, (from + to) / 2.0, to],
            lon: vec![1.0, 1.01, 1.0],
            height_m: vec![Some(1000.0), None, Some(1200.0)],
            ..Line::default()
        }),
        trouble: trouble.map(String::from),
    };
    let day = |first_point, last_point| Day {
        first_point,
        last_point,
        sums: Sums::default(),
        dwell_min: 0,
        depart: None,
        arrive: None,
        highest_m: None,
        sheet: planner::day::sheet::Sheet::default(),
    };
    let placed = |p: &TourPoint| PlacedPoint {
        lat: p.lat,
        lon: p.lon + 0.0001,
        offset_m: 8.0,
        road: String::new(),
    };
    let plan = Plan {
        legs: vec![
            leg(42.0, 42.1, None),
            leg(42.1, 42.2, None),
            leg(42.2, 42.3, None),
            leg(42.3, 42.4, Some("an island")),
            leg(42.4, 42.5, None),
        ],
        points: points.iter().map(placed).collect(),
        days: vec![day(0, 3), day(3, 5)],
        total: Sums::default(),
        taste_price: None,
        warnings: vec![],
        cautions: planner::plan::CAUTIONS.into(),
        attribution: Some("© OpenStreetMap contributors".into()),
    };
    let tour = Tour {
        format: FORMAT.into(),
        name: "Große Runde durch die Hügel".into(),
        region: "r".into(),
        taste: "fastest".into(),
        depart: None,
        points,
        note: String::new(),
        rider: planner::rider::Rider::default(),
    };
    (tour, plan)
}

#[test]
fn a_plan_becomes_track_route_and_waypoints() {
    let (tour, plan) = a_plan();
    let ride = ride_of_plan(&tour, &plan, None);
    assert_valid("plan.gpx", &write_gpx(&ride));
    assert_eq!(ride.tracks.len(), 1);
    // The leg without a way is a gap, not a straight line; joints are not doubled.
    let lengths: Vec<usize> = ride.tracks[0].segments.iter().map(Vec::len).collect();
    assert_eq!(lengths, [7, 3]);
    assert!(ride.text.contains("Planning aid only") && ride.text.contains("1 stretch"));
    assert_eq!(ride.credit.as_deref(), Some("OpenStreetMap contributors"));
    let names: Vec<&str> = ride.routes[0]
        .points
        .iter()
        .map(|p| p.name.as_str())
        .collect();
    assert_eq!(
        names,
        ["Hotel de la Tr", "01", "02", "Spiti", "Stop", "Spiti 2"]
    );
    assert_eq!(
        ride.routes[0].points[0].text,
        "Hôtel de la Très Longue Côte"
    );
    assert_eq!(ride.waypoints.len(), 4, "stops only");
    // A stop is where the rider put it, the route's point is on the road.
    assert_eq!(ride.waypoints[0].at.lon, 1.0);
    assert_eq!(ride.routes[0].points[0].at.lon, 1.0001);
    assert_eq!(ride.routes[0].points[0].at.height_m, Some(1000.0));
    assert_eq!(ride.routes[0].points[5].at.height_m, Some(1200.0));

    let second = ride_of_plan(&tour, &plan, Some(1));
    assert_eq!(second.name, "Große Runde durch die Hügel, day 2");
    assert_eq!(second.tracks[0].name, "Grosse Runde durch 2");
    assert_eq!(second.routes[0].points.len(), 3);
    assert_eq!(second.routes[0].points[2].name, "Spiti 2");
    assert_eq!(ride_of_plan(&tour, &plan, Some(2)), Ride::default());
    let nothing = Tour {
        points: vec![],
        ..tour.clone()
    };
    assert!(
        ride_of_plan(&nothing, &plan, None)
            .tracks
            .iter()
            .all(|t| t.segments.is_empty())
    );

    // And back: kinds and full names survive.
    let back = read("x.gpx", &write_gpx(&ride)).unwrap();
    let (again, warnings) = tour_of_ride(&back, "r");
    assert_eq!(warnings, Vec::<String>::new());
    assert_eq!(again.name, tour.name);
    for (a, b) in again.points.iter().zip(&tour.points) {
        assert_eq!(a.kind, b.kind);
        assert_eq!(
            a.name,
            if b.name.is_empty() && b.kind == PointKind::Stop {
                "Stop"
            } else {
                &b.name
            }
        );
    }
}

#[test]
fn a_track_becomes_stops_and_shaping_vias() {
    // A staircase of 10 corners 5 km apart, 1,001 points a step.
    let mut line = Vec::new();
    for corner in 0..10 {
        for i in 0..=1000 {
            let along = f64::from(i) / 1000.0 * 0.05;
            let base = f64::from(corner / 2) * 0.05;
            let (lat, lon) = if corner % 2 == 0 {
                (46.0 + base + along, 7.0 + base)
            } else {
                (46.0 + base + 0.05, 7.0 + base + along)
            };
            line.push(Fix {
                lat,
                lon,
                ..Fix::default()
            });
        }
    }
    let track = Track {
        name: "Stairs".into(),
        segments: vec![line.clone()],
    };
    let ride = Ride {
        tracks: vec![track.clone()],
        ..Ride::default()
    };
    let (tour, warnings) = tour_of_ride(&ride, "r");
    assert_eq!(tour.name, "Stairs");
    assert_eq!(tour.points.len(), 11, "the ends and the nine corners");
    assert!(tour.points[1..10].iter().all(|p| p.kind == PointKind::Via));
    assert!((tour.points[1].lat - 46.05).abs() < 1e-9 && (tour.points[1].lon - 7.0).abs() < 1e-9);
    assert_eq!(tour.points[10].kind, PointKind::Stop);
    assert!(warnings[0].contains("compare the new line"));

    // Two tracks, the second where the first ends: two days with the stop shared.
    let reversed = Track {
        segments: vec![line.iter().rev().copied().collect()],
        ..track
    };
    let ride = Ride {
        tracks: vec![ride.tracks[0].clone(), reversed],
        ..Ride::default()
    };
    let (tour, _) = tour_of_ride(&ride, "r");
    assert_eq!(tour.points.len(), 21);
    assert!(tour.points[10].ends_day);

    // Noise of any size stays within the budget; a loop keeps its far side.
    let noise: Vec<Fix> = (0..5000)
        .map(|i| Fix {
            lat: 46.0 + f64::from(i % 97) / 500.0,
            lon: 7.0 + f64::from(i % 89) / 500.0,
            ..Fix::default()
        })
        .collect();
    let ride = Ride {
        tracks: vec![Track {
            segments: vec![noise],
            ..Track::default()
        }],
        ..Ride::default()
    };
    assert_eq!(tour_of_ride(&ride, "r").0.points.len(), 25);
    let (empty, warnings) = tour_of_ride(&Ride::default(), "r");
    assert!(empty.points.is_empty() && warnings[0].contains("no point"));
}

#[test]
fn names_fit_old_units_and_file_systems() {
    let plain = |t, max| plain_name(t, max, Letters::Ascii);
    assert_eq!(
        plain("Col de la Forclaz <1527 m>", 30),
        "Col de la Forclaz 1527 m"
    );
    assert_eq!(plain("Μετέωρα", 30), "Meteora");
    assert_eq!(plain("Рохтанг", 30), "Rokhtang");
    assert_eq!(plain("Ørsta – Ålesund", 30), "Orsta - Alesund");
    assert_eq!(plain("a\u{301}b🏍\n\tc", 30), "ab c");
    assert_eq!(plain("Furka Pass (west)", 12), "Furka Pass");
    assert_eq!(plain_name("Ørsta Μ", 30, Letters::Latin), "Ørsta M");
    assert_eq!(plain_name("Ørsta Μ\u{7}", 30, Letters::All), "Ørsta Μ");

    let mut names: Vec<String> = ["Stop", "stop", "", "Stop 2", "Stop", ""]
        .map(Into::into)
        .into();
    unique_names(&mut names, 14);
    assert_eq!(names, ["Stop", "stop 2", "", "Stop 2 2", "Stop 3", ""]);
    let mut many = vec!["exactly 14 cha".to_string(); 1200];
    unique_names(&mut many, 14);
    let different: std::collections::HashSet<_> = many.iter().collect();
    assert_eq!(different.len(), 1200);
    assert!(many.iter().all(|n| n.chars().count() <= 14));

    let wanted = [
        "Große Runde, Tag 1",
        "große runde tag 1",
        "con",
        "../../x",
        "",
        "…",
        "a".repeat(99).as_str(),
    ]
    .map(String::from);
    assert_eq!(
        file_names(&wanted, ".gpx"),
        [
            "Grosse-Runde-Tag-1.gpx",
            "grosse-runde-tag-1-2.gpx",
            "tour-con.gpx",
            "x.gpx",
            "tour.gpx",
            "tour-2.gpx",
            "aaaaaaaaaaaaaaaaaaaaaaaaaaaa.gpx"
        ]
    );
}

fn any_text() -> impl Strategy<Value = String> {
    "[a-zA-Zé&<>\"'Жβ]{1,6}( [0-9\\]\\[-]{1,4})?".prop_map(|s| s.trim().to_string())
}

fn any_fix(with_time: bool) -> impl Strategy<Value = Fix> {
    let height = prop::option::of(-4000i32..90_000);
    let time = prop::option::of(-62_000_000_000_000i64..250_000_000_000_000);
    (
        -900_000_000i32..=900_000_000,
        -1_800_000_000i32..1_800_000_000,
        height,
        time,
    )
        .prop_map(move |(lat, lon, height, time)| Fix {
            lat: f64::from(lat) / 1e7,
            lon: f64::from(lon) / 1e7,
            height_m: height.map(|h| h as f32 / 10.0),
            time_s: time.filter(|_| with_time).map(|t| t as f64 / 1000.0),
        })
}

/// Rides as `formats` can hold them; GeoJSON and KML have no lines of fewer than two points.
fn any_ride(least: usize, track_times: bool) -> impl Strategy<Value = Ride> {
    let waypoint =
        (any_fix(true), any_text(), any_text(), "[a-z]{0,5}").prop_map(|(at, name, text, kind)| {
            Waypoint {
                at,
                name,
                text,
                kind,
            }
        });
    let waypoints = prop::collection::vec(waypoint.boxed(), 0..4).boxed();
    let segment = prop::collection::vec(any_fix(track_times), least..5);
    let track = (any_text(), prop::collection::vec(segment, least.min(1)..4))
        .prop_map(|(name, segments)| Track { name, segments });
    let route = (any_text(), waypoints.clone()).prop_map(|(name, points)| Route { name, points });
    (
        (any_text(), any_text(), prop::option::of(any_text())),
        prop::collection::vec(track, 0..3),
        prop::collection::vec(route, 0..3),
        waypoints,
    )
        .prop_map(|((name, text, credit), tracks, routes, waypoints)| Ride {
            name,
            text,
            credit,
            tracks,
            routes,
            waypoints,
            warnings: vec![],
        })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    #[test]
    fn gpx_read_back_is_the_same(ride in any_ride(0, true)) {
        prop_assert_eq!(read("x", &write_gpx(&ride)).unwrap(), ride);
    }

    #[test]
    fn geojson_read_back_is_the_same(mut ride in any_ride(2, true)) {
        ride.routes.retain(|r| !r.points.is_empty());
        prop_assert_eq!(read("x", &write_geojson(&ride)).unwrap(), ride);
    }

    #[test]
    fn kml_read_back_is_the_same(ride in any_ride(2, false)) {
        prop_assert_eq!(read("x", &write_kml(&ride)).unwrap(), ride);
    }
}
