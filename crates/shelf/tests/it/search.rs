//! Finding things again, compared with looking at everything.

use std::sync::atomic::AtomicBool;

use planner::files::Fix;
use shelf::{Change, Filter, Found, Key, NewMark, Question, Shelf};

use crate::rides::{fixes, gpx, winding};
use crate::tours::tour;
use crate::{import, place};

fn ask(shelf: &Shelf, text: &str) -> Found {
    let question = Question {
        filter: Filter::parse(text).unwrap(),
        limit: 500,
        ..Question::default()
    };
    shelf.search(&question).unwrap()
}

fn names(found: &Found) -> Vec<&str> {
    found.cards.iter().map(|c| c.name.as_str()).collect()
}

/// Sixty invented rides in one country.
fn shelf_of_rides(dir: &std::path::Path, path: &std::path::Path) -> (Shelf, Vec<(Key, Vec<Fix>)>) {
    let never = AtomicBool::new(false);
    let world = synth::Country::of_area_km2(5, 1600.0)
        .generate(&mut |_, _| {}, &never)
        .unwrap();
    let rides = synth::Rides::on(&world);
    let shelf = Shelf::open(path).unwrap();
    let mut all = Vec::new();
    for seed in 0..60u64 {
        let ride = fixes(&rides.ride(seed, 800));
        let file = dir.join(format!("{seed}.gpx"));
        std::fs::write(&file, gpx(&format!("ride {seed}"), vec![ride.clone()])).unwrap();
        let summary = import(&shelf, file);
        assert_eq!(summary.keys.len(), 1, "{summary:?}");
        all.push((summary.keys[0], ride));
    }
    (shelf, all)
}

#[test]
fn what_passes_through_a_view_is_found_as_by_looking_at_every_point() {
    let (dir, path) = place();
    let (shelf, rides) = shelf_of_rides(dir.path(), &path);
    let (mut found_some, mut refused_some) = (0, 0);
    for n in 0..300usize {
        let (_, ride) = &rides[n % rides.len()];
        let at = ride[n * 37 % ride.len()];
        let size = [0.002, 0.01, 0.05, 0.2][n % 4];
        let shift = if n % 3 == 0 { size * 1.5 } else { 0.0 };
        let (lat, lon) = (at.lat + shift, at.lon - shift);
        let found = ask(
            &shelf,
            &format!(
                "in:{},{},{},{}",
                lon - size,
                lat - size,
                lon + size,
                lat + size
            ),
        );
        for (key, ride) in &rides {
            let is_found = found.cards.iter().any(|c| c.key == *key);
            // Lines are simplified to some metres at fine scales and half a pixel at coarse ones:
            // what is clearly inside must be found, what is clearly outside must not.
            let slack = 0.0002 + size * 0.02;
            let inside =
                |f: &Fix, half: f64| (f.lat - lat).abs() <= half && (f.lon - lon).abs() <= half;
            if ride.iter().any(|f| inside(f, size - slack)) {
                assert!(
                    is_found,
                    "{key} passes through {lat}, {lon} +- {size} and is not found"
                );
                found_some += 1;
            } else if !ride.iter().any(|f| inside(f, size + slack)) {
                assert!(
                    !is_found,
                    "{key} is found in {lat}, {lon} +- {size} and does not pass"
                );
                refused_some += 1;
            }
        }
    }
    assert!(
        found_some > 500 && refused_some > 5000,
        "{found_some} {refused_some}"
    );
}

#[test]
fn tiles_show_what_was_ridden_and_nothing_else() {
    let (dir, path) = place();
    let (shelf, rides) = shelf_of_rides(dir.path(), &path);
    for z in [3u8, 7, 9, 10, 12, 14] {
        let side = f64::from(1u32 << z);
        let unit = |f: &Fix| {
            let y = (0.5 - f.lat.to_radians().sin().atanh() / (2.0 * std::f64::consts::PI))
                * side
                * 4096.0;
            [(f.lon / 360.0 + 0.5) * side * 4096.0, y]
        };
        for n in 0..20usize {
            let (key, ride) = &rides[n * 3 % rides.len()];
            let at = unit(&ride[n * 31 % ride.len()]);
            let (x, y) = ((at[0] / 4096.0) as u32, (at[1] / 4096.0) as u32);
            let home = [f64::from(x) * 4096.0, f64::from(y) * 4096.0];
            let [tours, drawn] = shelf.strokes(z, x, y, None).unwrap();
            assert!(tours.is_empty());
            // One pixel of 8 units, and what simplifying takes: half a pixel, or a metre's grain.
            let near = |p: [f64; 2], lines: &[Vec<[i32; 2]>], reach: f64| {
                lines.iter().any(|l| {
                    l.windows(2).any(|s| {
                        let (a, b) = (s[0].map(f64::from), s[1].map(f64::from));
                        let (by, to) = ([b[0] - a[0], b[1] - a[1]], [p[0] - a[0], p[1] - a[1]]);
                        let t = ((to[0] * by[0] + to[1] * by[1])
                            / (by[0] * by[0] + by[1] * by[1]).max(1e-9))
                        .clamp(0.0, 1.0);
                        (to[0] - t * by[0]).hypot(to[1] - t * by[1]) <= reach
                    })
                })
            };
            for f in ride {
                let p = [unit(f)[0] - home[0], unit(f)[1] - home[1]];
                if p.iter().all(|v| (40.0..4056.0).contains(v)) {
                    assert!(
                        near(p, &drawn, 24.0),
                        "zoom {z}: {key} is not drawn at {p:?}"
                    );
                }
            }
            let all: Vec<Vec<[i32; 2]>> = rides
                .iter()
                .map(|(_, r)| {
                    r.iter()
                        .map(|f| [(unit(f)[0] - home[0]) as i32, (unit(f)[1] - home[1]) as i32])
                        .collect()
                })
                .collect();
            for p in drawn.iter().flatten() {
                assert!(
                    near(p.map(f64::from), &all, 24.0),
                    "zoom {z}: {p:?} was never ridden"
                );
            }
        }
        // With a question only what it lets through is drawn.
        let only = shelf.rows(&Filter::parse("name:nothing").unwrap()).unwrap();
        assert!(shelf.strokes(0, 0, 0, Some(&only)).unwrap()[1].is_empty());
        assert!(!shelf.strokes(0, 0, 0, None).unwrap()[1].is_empty());
    }
}

#[test]
fn words_are_found_by_their_beginnings_whatever_their_accents() {
    let (_dir, path) = place();
    let shelf = Shelf::open(&path).unwrap();
    let mut alpine = tour("Über die Höhenstraße");
    alpine.note = "mit Zoë im Mai".into();
    let alpine = shelf.add(&alpine, Some(210_000.0), 100).unwrap().id;
    shelf.add(&tour("Along the coast"), None, 200).unwrap();
    for (text, found) in [
        ("hoh", vec!["Über die Höhenstraße"]),
        ("UBER höhen", vec!["Über die Höhenstraße"]),
        ("zoe", vec!["Über die Höhenstraße"]),
        ("name:zoe", vec![]),
        ("note:zo", vec!["Über die Höhenstraße"]),
        ("\"die hoh\"", vec!["Über die Höhenstraße"]),
        ("\"hoh die\"", vec![]),
        // Names of the points of both.
        ("cwikła", vec!["Along the coast", "Über die Höhenstraße"]),
        ("coast länge", vec![]),
        ("length:200km", vec!["Über die Höhenstraße"]),
        (
            "region:DEMO kind:tour",
            vec!["Along the coast", "Über die Höhenstraße"],
        ),
        ("region:dem", vec![]),
        ("kind:mark", vec![]),
        (
            "in:7.4,44.9,7.6,45.3",
            vec!["Along the coast", "Über die Höhenstraße"],
        ),
    ] {
        let answer = ask(&shelf, text);
        let mut got = names(&answer);
        got.sort_unstable();
        assert_eq!(got, found, "{text}");
        assert_eq!(answer.total, found.len());
    }
    // What is said later is found later, and what is no longer said is not.
    let key = Key::Tour(alpine);
    let change = Change {
        tags: Some(vec![" club ".into(), "Club".into(), "".into()]),
        rating: Some(5),
        ..Change::default()
    };
    shelf.change(key, 1, &change, 300).unwrap();
    assert_eq!(shelf.card(key).unwrap().tags, ["club"]);
    assert_eq!(
        names(&ask(&shelf, "tag:clu rating:4")),
        ["Über die Höhenstraße"]
    );
    let mut renamed = shelf.get(alpine).unwrap().tour;
    renamed.name = "Pass road".into();
    shelf.save(alpine, 1, &renamed, None, 400).unwrap();
    assert_eq!(ask(&shelf, "hohen").total, 0);
    assert_eq!(names(&ask(&shelf, "tag:club pass")), ["Pass road"]);
    shelf.delete(alpine, 500).unwrap();
    assert_eq!(ask(&shelf, "pass").total, 0);
    shelf.restore(alpine).unwrap();
    assert_eq!(ask(&shelf, "pass in:7.4,44.9,7.6,45.3").total, 1);
    // Any text asks something or says why not; none of it reaches the database as a command.
    for odd in [
        "\"",
        "'; DROP TABLE cards; --",
        "* OR 1",
        "NEAR(a b)",
        "name:\"a\"\"b",
        "-",
        "^x",
        "a AND",
        "(",
        "{a}:b",
        "\u{0}",
    ] {
        if let Ok(filter) = Filter::parse(odd) {
            shelf
                .search(&Question {
                    filter,
                    limit: 5,
                    ..Question::default()
                })
                .unwrap_or_else(|e| panic!("{odd:?}: {e}"));
        }
    }
}

#[test]
fn numbers_dates_and_marks_are_asked_for() {
    let (dir, path) = place();
    let shelf = Shelf::open(&path).unwrap();
    for (n, day) in [1_684_000_000.0, 1_700_000_000.0, 1_720_000_000.0]
        .iter()
        .enumerate()
    {
        let file = dir.path().join(format!("{n}.gpx"));
        let points = 500 * (n + 1);
        std::fs::write(
            &file,
            gpx(
                &format!("ride {n}"),
                vec![winding(45.0 + n as f64, 7.0, points, *day)],
            ),
        )
        .unwrap();
        assert_eq!(import(&shelf, file).keys.len(), 1);
    }
    let found = |text: &str| {
        names(&ask(&shelf, text))
            .iter()
            .map(|s| (*s).to_owned())
            .collect::<Vec<_>>()
    };
    assert_eq!(found(""), ["ride 2", "ride 1", "ride 0"]);
    assert_eq!(found("date:2023"), ["ride 1", "ride 0"]);
    assert_eq!(found("date:2023-05-13"), ["ride 0"]);
    assert_eq!(found("date:2023-06.."), ["ride 2", "ride 1"]);
    assert_eq!(found("date:..2023-11"), ["ride 1", "ride 0"]);
    assert_eq!(found("time:..10min"), ["ride 0"]);
    assert_eq!(found("time:8min..17min"), ["ride 1", "ride 0"]);
    assert_eq!(
        found("height:600m climb:100"),
        ["ride 2", "ride 1", "ride 0"]
    );
    assert_eq!(found("height:2000"), Vec::<String>::new());
    let long = shelf
        .card(ask(&shelf, "ride 2").cards[0].key)
        .unwrap()
        .length_m
        .unwrap()
        / 1000.0;
    assert_eq!(
        found(&format!("length:{:.0}..{:.0}km", long - 1.0, long + 1.0)),
        ["ride 2"]
    );

    let new = NewMark {
        name: "Bakery".into(),
        note: "good bread".into(),
        rating: Some(4),
        at: [45.5, 7.5],
        ..NewMark::default()
    };
    let key = shelf.add_mark(&new, None, 100).unwrap();
    assert_eq!(found("kind:mark bread in:7.4,45.4,7.6,45.6"), ["Bakery"]);
    assert_eq!(
        found("kind:mark in:7.6,45.4,7.8,45.6"),
        Vec::<String>::new()
    );
    let road = [[45.5, 7.5], [45.6, 7.9]];
    assert_eq!(
        shelf.move_mark(key, 1, [45.55, 7.7], &road, 200).unwrap(),
        2
    );
    assert!(
        shelf.move_mark(key, 1, [45.55, 7.7], &road, 300).is_err(),
        "an old revision was moved"
    );
    assert_eq!(found("kind:mark in:7.75,45.4,7.85,45.65"), ["Bakery"]);
    assert_eq!(shelf.mark(key).unwrap().road, road);
}

#[test]
fn likeness_puts_the_same_road_first() {
    let (dir, path) = place();
    let shelf = Shelf::open(&path).unwrap();
    let base = winding(45.0, 7.0, 1000, 1.7e9);
    let bring = |name: &str, fixes: Vec<Fix>| {
        let file = dir.path().join(format!("{name}.gpx"));
        std::fs::write(&file, gpx(name, vec![fixes])).unwrap();
        import(&shelf, file).keys[0]
    };
    let whole = bring("whole", base.clone());
    bring("half", base[..500].to_vec());
    bring(
        "beside",
        base.iter()
            .map(|f| Fix {
                lat: f.lat + 0.004,
                ..*f
            })
            .collect(),
    );
    bring(
        "elsewhere",
        base.iter()
            .map(|f| Fix {
                lat: f.lat + 3.0,
                ..*f
            })
            .collect(),
    );
    let like = |key| Question {
        like: Some(shelf.line(key).unwrap()),
        limit: 9,
        ..Question::default()
    };
    let found = shelf.search(&like(whole)).unwrap();
    assert_eq!(&names(&found)[..2], ["whole", "half"]);
    assert!(
        found.alike[0] > 0.99 && (found.alike[1] - 0.5).abs() < 0.05,
        "{:?}",
        found.alike
    );
    assert!(!names(&found).contains(&"elsewhere"));
    assert!(
        found.alike.get(2).is_none_or(|&a| a < 0.2),
        "{:?}",
        found.alike
    );
}
