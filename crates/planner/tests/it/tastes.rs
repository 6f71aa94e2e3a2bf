//! Tastes: their files, their weights, and what they choose.

use std::collections::HashSet;
use std::sync::Arc;

use planner::Planner;
use planner::document::Tour;
use planner::plan::{Plan, PlanError, TastePrice};
use planner::taste::{Counts, Ground, Leave, SurfaceTaste, Taste, TasteError, Unverified, tastes};
use proptest::prelude::*;
use region::{Access, Columns, RADIUS_BANDS, Region, RoadClass, Surface, flag};

use crate::map::{Map, tour};

fn named(name: &str) -> Taste {
    let found = tastes().into_iter().find(|t| t.name == name);
    found.expect("a built-in taste")
}

/// A taste for nothing but bends, at a price.
fn bends(longer_min: f32) -> Taste {
    Taste {
        name: "bends".into(),
        bends: 1.0,
        longer_min,
        ..Taste::fastest()
    }
}

fn open(columns: &Columns) -> Planner {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("sketch.region");
    columns.write(&path).unwrap();
    Planner::new(Arc::new(Region::open(&path).unwrap())).unwrap()
}

fn plan(planner: &Planner, taste: &Taste, tour: &Tour) -> Plan {
    let tour = Tour {
        taste: taste.clone().into(),
        ..tour.clone()
    };
    planner.plan(&tour, &HashSet::new()).unwrap()
}

fn names(plan: &Plan) -> Vec<&str> {
    let runs = plan
        .legs
        .iter()
        .flat_map(|l| &l.line.as_ref().unwrap().runs);
    let mut names: Vec<&str> = runs.map(|r| r.name.as_str()).collect();
    names.dedup();
    names
}

/// Two roads from start to end, `direct` and `other`, with short ways to them.
fn fork(direct: impl Fn(&mut crate::map::Road), other: impl Fn(&mut crate::map::Road)) -> Map {
    let mut map = Map::default();
    let [start, west, east, end] = [
        map.node(0.0, 0.0),
        map.node(200.0, 0.0),
        map.node(5200.0, 0.0),
        map.node(5400.0, 0.0),
    ];
    map.road(start, west).name = "in";
    map.road(east, end).name = "out";
    let road = map.road(west, east);
    road.name = "direct";
    direct(road);
    let road = map.road(west, east);
    road.name = "other";
    road.bends = vec![[700.0, 900.0], [4700.0, 900.0]];
    other(road);
    map
}

fn across() -> Tour {
    tour("fastest", &[("stop", 50.0, 0.0), ("stop", 5350.0, 0.0)])
}

/// Gives a piece the curves of a mountain road.
fn wind(columns: &mut Columns, piece: usize) {
    columns.piece_bend_deg_per_km[piece] = 500;
    let row = &mut columns.piece_radius_share[piece * RADIUS_BANDS..][..RADIUS_BANDS];
    row.fill(0);
    row[4] = 200;
    row[RADIUS_BANDS - 1] = 55;
}

#[test]
fn a_taste_survives_its_file() {
    for taste in tastes() {
        assert_eq!(Taste::read(taste.write().as_bytes()).unwrap(), taste);
    }
    let odd = Taste {
        name: "L’été \"à deux\" \\ #1 = [x]".into(),
        text: "Sømething élse: 'quoted' # no comment".into(),
        bends: 0.123_456_78,
        longer_min: 0.1,
        motorways: Leave::Never,
        tolls: Leave::Avoid,
        unverified: Unverified::Ride,
        surface: SurfaceTaste {
            accept: Ground::Gravel,
            seek_unpaved: 1.0,
        },
        ..Taste::fastest()
    };
    assert_eq!(Taste::read(odd.write().as_bytes()).unwrap(), odd);
    let json = serde_json::to_string(&odd).unwrap();
    assert_eq!(serde_json::from_str::<Taste>(&json).unwrap(), odd);
}

#[test]
fn what_is_left_out_stands_as_in_fastest() {
    let taste = Taste::read(b"name = \"mine\"").unwrap();
    let fastest = Taste {
        name: "mine".into(),
        text: String::new(),
        ..Taste::fastest()
    };
    assert_eq!(taste, fastest);
    assert_eq!(taste.key(), Taste::fastest().key());
    let bare = Taste::read("\u{feff}name = \"mine\"\r\nbends = 1\r\n".as_bytes()).unwrap();
    assert!(
        (bare.bends - 1.0).abs() < 1e-9,
        "a whole number is a number"
    );
}

#[test]
fn nonsense_is_refused_with_its_line() {
    let line = |text: &str, line: usize, words: &str| match Taste::read(text.as_bytes()) {
        Err(TasteError::Unreadable { line: at, what }) => {
            assert_eq!(at, line, "{text:?}: {what}");
            assert!(what.contains(words), "{text:?}: {what}");
            assert!(!what.contains('\n') && !what.contains('`'), "{what:?}");
        }
        other => panic!("{text:?}: {other:?}"),
    };
    line("name = \"a\"\nbend = 1\n", 2, "bend");
    line("name = \"a\"\n\nbends = 1.5", 3, "0 to 1");
    line("name = \"a\"\nbends = -0.1", 2, "0 to 1");
    line("name = \"a\"\nbends = nan", 2, "0 to 1");
    line("name = \"a\"\nquiet = inf", 2, "0 to 1");
    line("name = \"a\"\nquiet = \"much\"", 2, "much");
    line("name = \"a\"\nlonger_min = 31", 2, "0 to 30");
    line("name = \"a\"\nlonger_min = 1e300", 2, "0 to 30");
    line("name = \"a\"\nmotorways = \"no\"", 2, "never");
    line("name = \"a\"\n[surface]\naccept = \"mud\"", 3, "gravel");
    line("name = \"a\"\n[surface]\nseek_unpaved = 2", 3, "0 to 1");
    line("name = \"a\"\nname = \"b\"", 2, "duplicate");
    line("name = \"a\"\nbends =", 2, "");
    line("name = \"\"", 1, "needs a name");
    line("name = \"a\\nb\"", 1, "cannot be shown");
    line(&format!("name = {:?}", "n".repeat(61)), 1, "60 characters");
    line("bends = 1", 1, "name");
    line("{\"name\": \"a\"}", 1, "");
    line(&"[".repeat(30_000), 1, "");
    line(&format!("a{}", ".a".repeat(20_000)), 1, "");
    assert_eq!(
        Taste::read(b"name = \"a\"\n# \xff\n"),
        Err(TasteError::NotUtf8 { line: 2 })
    );
    let huge = vec![b'#'; 10_000_000];
    let bytes = huge.len();
    assert_eq!(Taste::read(&huge), Err(TasteError::TooLarge { bytes }));
    assert!(Taste::read(b"").is_err() && Taste::read(&[0; 500]).is_err());
}

proptest! {
    #[test]
    fn no_file_makes_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = Taste::read(&bytes);
    }

    #[test]
    fn no_broken_file_makes_it_panic(
        cut in 0usize..600, put in "[ -~\\n]{0,4}", which in 0usize..5
    ) {
        let mut text = tastes()[which].write();
        let cut = cut.min(text.len());
        text.insert_str(cut, &put);
        if let Err(e) = Taste::read(text.as_bytes()) {
            prop_assert!(e.to_string().starts_with("line "), "{}", e);
        }
    }
}

#[test]
fn a_tour_names_its_taste_or_carries_it() {
    let old = r#"{"format":"lacet-tour-1","region":"x","taste":"shortest","points":[]}"#;
    let tour: Tour = serde_json::from_str(old).unwrap();
    assert_eq!(tour.taste.taste(), Some(named("shortest")));
    assert!(
        serde_json::to_string(&tour)
            .unwrap()
            .contains(r#""taste":"shortest""#)
    );
    let none: Tour = serde_json::from_str(&old.replace("\"taste\":\"shortest\",", "")).unwrap();
    assert_eq!(none.taste.name(), "fastest");

    let whole = old.replace(
        "\"shortest\"",
        r#"{"name":"mine","bends":1,"longer_min":5}"#,
    );
    let tour: Tour = serde_json::from_str(&whole).unwrap();
    assert_eq!(tour.taste.name(), "mine");
    let again: Tour = serde_json::from_str(&serde_json::to_string(&tour).unwrap()).unwrap();
    assert_eq!(again, tour);

    let wrong = |taste: &str| {
        let text = old.replace("\"shortest\"", taste);
        serde_json::from_str::<Tour>(&text).unwrap_err().to_string()
    };
    assert!(wrong(r#"{"name":"mine","bends":7}"#).contains("0 to 1"));
    assert!(wrong(r#"{"name":"mine","curves":1}"#).contains("curves"));
    assert!(wrong("7").contains("name of a taste"));
    let planner = fork(|_| (), |_| ()).planner();
    let unknown = Tour {
        taste: "bendy".into(),
        ..across()
    };
    let refused = planner.plan(&unknown, &HashSet::new());
    assert!(matches!(refused, Err(PlanError::UnknownTaste { .. })));
}

#[test]
fn equal_tastes_have_equal_keys_and_others_not() {
    let fastest = Taste::fastest();
    let same = [
        bends(0.0),
        Taste {
            longer_min: 20.0,
            name: "no dial".into(),
            ..fastest.clone()
        },
    ];
    assert!(same.iter().all(|t| t.key() == fastest.key()));
    let all: HashSet<u64> = tastes().iter().map(Taste::key).collect();
    assert_eq!(all.len(), tastes().len());
    assert_ne!(bends(5.0).key(), bends(5.5).key());
    assert_eq!(bends(5.0).worth_key(), bends(5.5).worth_key());
    let avoiding = Taste {
        motorways: Leave::Avoid,
        ..fastest.clone()
    };
    assert_ne!(avoiding.key(), fastest.key());
}

#[test]
fn one_rides_longer_for_bends_just_as_far_as_the_price_says() {
    let mut columns = fork(|_| (), |_| ()).columns();
    wind(&mut columns, 3);
    let planner = open(&columns);
    let fastest = plan(&planner, &Taste::fastest(), &across());
    assert_eq!(names(&fastest), ["in", "direct", "out"]);
    assert_eq!(fastest.taste_price, None);

    // From what the plan says of both ways, the price at which one is as good as the other:
    // extra time = price * dull time saved.
    let winding = plan(&planner, &bends(30.0), &across());
    assert_eq!(names(&winding), ["in", "other", "out"]);
    let price = winding.taste_price.unwrap();
    let even_min = price.extra_s / (price.dull_s_fastest - price.dull_s) * 10.0;
    assert!((0.5..29.0).contains(&even_min), "{even_min}");
    for (off_min, road) in [(-0.2, "direct"), (0.2, "other")] {
        let got = plan(&planner, &bends((even_min + off_min) as f32), &across());
        assert_eq!(names(&got), ["in", road, "out"], "at {even_min} {off_min}");
    }

    let TastePrice {
        extra_s,
        extra_m,
        winding_m,
        winding_m_fastest,
        ..
    } = price;
    assert!((extra_s - (winding.total.riding_s - fastest.total.riding_s)).abs() < 0.2);
    assert!((extra_m - (winding.total.length_m - fastest.total.length_m)).abs() < 0.2);
    assert!((5000.0..7000.0).contains(&winding_m), "{winding_m}");
    assert_eq!(winding_m_fastest, 0.0);
}

#[test]
fn what_is_to_be_left_is_ridden_only_where_nothing_else_leads() {
    #[expect(clippy::type_complexity, reason = "a table of cases")]
    let cases: [(&str, fn(&mut crate::map::Road), fn(&mut Taste, Leave)); 3] = [
        (
            "motorway",
            |r| {
                r.class = RoadClass::Motorway;
                r.limit_kmh = 130;
            },
            |t, l| t.motorways = l,
        ),
        ("toll", |r| r.flags = flag::TOLL, |t, l| t.tolls = l),
        (
            "ferry",
            |r| {
                r.class = RoadClass::Ferry;
                r.crossing_s = 60;
            },
            |t, l| t.ferries = l,
        ),
    ];
    for (what, make, set) in cases {
        // The way round is slow, a crawl beside a ferry that one waits for.
        let slow = |r: &mut crate::map::Road| r.limit_kmh = if what == "ferry" { 12 } else { 45 };
        let both = fork(make, slow).planner();
        let mut alone = fork(make, slow);
        alone.roads[3].access = [Access::Closed; 2];
        let alone = alone.planner();
        let with = |leave| {
            let mut taste = Taste::fastest();
            set(&mut taste, leave);
            taste
        };
        let road = |planner, leave| names(&plan(planner, &with(leave), &across()))[1].to_owned();
        assert_eq!(road(&both, Leave::Use), "direct", "{what}");
        assert_eq!(road(&both, Leave::Avoid), "other", "{what}");
        assert_eq!(road(&both, Leave::Never), "other", "{what}");
        assert_eq!(road(&alone, Leave::Never), "direct", "{what}");
        let kinds = |leave| -> Vec<String> {
            let plan = plan(&alone, &with(leave), &across());
            plan.warnings.into_iter().map(|w| w.kind).collect()
        };
        assert!(
            kinds(Leave::Never).contains(&"against_taste".into()),
            "{what}"
        );
        assert!(
            !kinds(Leave::Avoid).contains(&"against_taste".into()),
            "{what}"
        );
    }
}

#[test]
fn ground_looser_than_accepted_is_left_and_sought_ground_is_found() {
    let gravel = |r: &mut crate::map::Road| {
        r.surface = Surface::Gravel;
        r.limit_kmh = 120;
    };
    let slow = |r: &mut crate::map::Road| r.limit_kmh = 30;
    let planner = fork(gravel, slow).planner();
    for (accept, road) in [
        (Ground::Paved, "other"),
        (Ground::Compacted, "other"),
        (Ground::Gravel, "direct"),
        (Ground::Anything, "direct"),
    ] {
        let mut taste = Taste::fastest();
        taste.surface.accept = accept;
        assert_eq!(
            names(&plan(&planner, &taste, &across()))[1],
            road,
            "{accept:?}"
        );
    }
    // The gravel is the long way now.
    let planner = fork(|_| (), |r| r.surface = Surface::Gravel).planner();
    for (taste, road) in [
        ("fastest", "direct"),
        ("winding", "direct"),
        ("dirt", "other"),
    ] {
        let plan = plan(&planner, &named(taste), &across());
        assert_eq!(names(&plan)[1], road, "{taste}");
        if let Some(price) = plan.taste_price {
            assert_eq!(price.unpaved_m > 5000.0, taste == "dirt");
        }
    }
}

#[test]
fn unverified_tracks_are_ridden_through_only_if_the_taste_says_so() {
    let track = |r: &mut crate::map::Road| {
        r.class = RoadClass::Track;
        r.surface = Surface::Compacted;
        r.access = [Access::Unverified; 2];
    };
    let slow = |r: &mut crate::map::Road| r.limit_kmh = 12;
    let planner = fork(track, slow).planner();
    for taste in tastes() {
        let got = plan(&planner, &taste, &across());
        assert_eq!(names(&got)[1], "other", "{}", taste.name);
    }
    let ride = Taste {
        unverified: Unverified::Ride,
        ..named("dirt")
    };
    let got = plan(&planner, &ride, &across());
    assert_eq!(names(&got)[1], "direct");
    assert!(got.warnings.iter().any(|w| w.kind == "unverified_access"));
    // Other roads that are not open stay for the ends.
    for access in [Access::Destination, Access::Permit, Access::Private] {
        let closed = |r: &mut crate::map::Road| r.access = [access; 2];
        let planner = fork(closed, slow).planner();
        assert_eq!(
            names(&plan(&planner, &ride, &across()))[1],
            "other",
            "{access:?}"
        );
    }
}

/// Tastes from readers lie within bounds; what is made in code may not.
#[test]
fn weights_at_their_limits_give_finite_ways() {
    let gravel = |r: &mut crate::map::Road| {
        r.surface = Surface::Mud;
        r.class = RoadClass::Motorway;
        r.flags = flag::TOLL;
        r.limit_kmh = 5;
    };
    let mut map = fork(gravel, |r| r.access = [Access::Closed; 2]);
    // A road as long as a length can be: 4,000 km, at walking pace.
    let [a, b] = [map.node(6000.0, 0.0), map.node(6500.0, 0.0)];
    map.road(3, a);
    let long = map.road(a, b);
    long.limit_kmh = 5;
    long.surface = Surface::Mud;
    let long = map.roads.len() - 1;
    let mut columns = map.columns();
    columns.piece_length_mm[long] = u32::MAX;
    let planner = open(&columns);
    let far = tour("fastest", &[("stop", 50.0, 0.0), ("stop", 6450.0, 0.0)]);
    for value in [
        0.0,
        1.0,
        30.0,
        f32::MAX,
        f32::INFINITY,
        f32::NAN,
        -1.0,
        -f32::MAX,
    ] {
        let taste = Taste {
            bends: value,
            hills: value,
            quiet: value,
            surroundings: value,
            longer_min: value,
            surface: SurfaceTaste {
                accept: Ground::Paved,
                seek_unpaved: value,
            },
            motorways: Leave::Never,
            tolls: Leave::Never,
            ferries: Leave::Never,
            ..Taste::fastest()
        };
        for tour in [&across(), &far] {
            let plan = plan(&planner, &taste, tour);
            assert_eq!(plan.legs[0].trouble, None, "{value}");
            assert!(plan.total.riding_s.is_finite());
            let price = plan.taste_price.unwrap_or_default();
            assert!(
                price.dull_s.is_finite() && price.extra_s.is_finite(),
                "{value}"
            );
        }
    }
}

#[test]
fn roads_a_taste_would_not_ride_are_worth_nothing_to_it() {
    let planner = fork(
        |r| r.surface = Surface::Gravel,
        |r| r.access = [Access::Private; 2],
    )
    .planner();
    let worth = |taste: &str| planner.shade(&named(taste)).to_vec();
    assert_eq!(worth("fastest"), [0; 4], "nothing is sought");
    let [quiet, dirt] = [worth("quiet"), worth("dirt")];
    assert!(quiet[0] > 0 && quiet[2] == 0 && quiet[3] == 0, "{quiet:?}");
    assert!(dirt[2] > dirt[0] && dirt[3] == 0, "{dirt:?}");
}

#[test]
fn shortest_does_not_heed_any_dial() {
    let planner = fork(|r| r.surface = Surface::Mud, |_| ()).planner();
    let odd = Taste {
        counts: Counts::Length,
        motorways: Leave::Never,
        surface: SurfaceTaste::default(),
        ..named("winding")
    };
    let [a, b] = [&odd, &named("shortest")].map(|t| plan(&planner, t, &across()));
    assert_eq!(a.legs, b.legs);
    assert_eq!(names(&a)[1], "direct");
}

/// A net of roads with curves and kinds by chance.
fn net(size: usize, rolls: &[u8]) -> Columns {
    let mut map = Map::default();
    let mut roll = rolls.iter().copied().cycle();
    let mut next = || usize::from(roll.next().unwrap_or(0));
    for i in 0..size * size {
        let off = next() as f64;
        map.node(
            (i % size) as f64 * 1000.0 + off,
            (i / size) as f64 * 1000.0 - off,
        );
    }
    for i in 0..size * size {
        for (to, is) in [
            (i + 1, i % size + 1 < size),
            (i + size, i / size + 1 < size),
        ] {
            if is {
                let class = RoadClass::ALL[next() % 9];
                let road = map.road(i, to);
                road.class = class;
                road.limit_kmh = 30 + 10 * (next() % 8) as u8;
            }
        }
    }
    let mut columns = map.columns();
    for piece in 0..columns.piece_class.len() {
        columns.piece_bend_deg_per_km[piece] = (next() * 3) as u16;
        let row = &mut columns.piece_radius_share[piece * RADIUS_BANDS..][..RADIUS_BANDS];
        row.fill(0);
        let winding = next() as u8;
        row[3] = winding / 2;
        row[5] = winding - winding / 2;
        row[RADIUS_BANDS - 1] = 255 - winding;
        columns.piece_built_up[piece] = if next() % 3 == 0 { next() as u8 } else { 0 };
    }
    columns
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// The line is the least of riding time + price * dull time. So with the price, dull time never
    /// rises and riding time never falls (Everett 1963 on prices as Lagrange multipliers).
    #[test]
    fn a_higher_price_never_makes_a_worse_bargain(rolls in prop::collection::vec(any::<u8>(), 80)) {
        let planner = open(&net(5, &rolls));
        let trip = tour("fastest", &[("stop", 100.0, 10.0), ("stop", 3900.0, 3900.0)]);
        let fastest = plan(&planner, &Taste::fastest(), &trip);
        let mut before: Option<(f64, f64, f64)> = None;
        for longer_min in [0.0, 1.0, 2.0, 5.0, 8.0, 12.0, 20.0, 30.0] {
            let taste = Taste { longer_min, ..named("winding") };
            let taste = Taste { motorways: Leave::Use, ..taste };
            let got = plan(&planner, &taste, &trip);
            prop_assert_eq!(got.legs[0].trouble.clone(), None);
            if longer_min == 0.0 {
                prop_assert_eq!(&got.legs, &fastest.legs);
                prop_assert_eq!(got.taste_price.is_some(), taste.key() != Taste::fastest().key());
            }
            // A stop may take a road a little farther from it, which costs up to 2 s a metre in
            // the search and no time on the line.
            let aside_s = |plan: &Plan| plan.points.iter().map(|p| 2.0 * p.offset_m).sum::<f64>();
            let (riding_s, dull_s) = match got.taste_price {
                Some(p) => (got.total.riding_s, p.dull_s),
                None => continue,
            };
            let price = f64::from(longer_min) / 10.0;
            // Weights are whole steps of 10 ms, and vertices tell time to a tenth of a second.
            let slack_s = 0.5;
            if let Some((riding_before_s, dull_before_s, aside_before_s)) = before {
                let slack_s = slack_s + (aside_s(&got) - aside_before_s).abs();
                prop_assert!(riding_s >= riding_before_s - slack_s, "{} {}", riding_s, riding_before_s);
                prop_assert!(dull_s <= dull_before_s + slack_s, "{} {}", dull_s, dull_before_s);
            }
            let p = got.taste_price.unwrap();
            let moved_s = (aside_s(&got) - aside_s(&fastest)).abs();
            let fastest_cost = fastest.total.riding_s + price * p.dull_s_fastest;
            prop_assert!(
                riding_s + price * dull_s <= fastest_cost + slack_s + moved_s,
                "{longer_min}: {riding_s} + {price} * {dull_s}, fastest {fastest_cost}: {p:?}"
            );
            before = Some((riding_s, dull_s, aside_s(&got)));
        }
    }
}
