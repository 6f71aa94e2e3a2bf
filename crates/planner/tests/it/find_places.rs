//! The finder on a small invented map.

use std::collections::BTreeMap;

use planner::find::{Found, find};
use region::{Bounds, Columns, NO_HEIGHT, PlaceKind, Point, Region, fold, pack_tree};

type Row = (PlaceKind, &'static str, f64, f64, u8, &'static str);

/// A region of places only, made as an importer makes it: words folded and sorted.
fn region_of(rows: &[Row]) -> Region {
    let mut columns = Columns::default();
    columns.meta.bounds_deg = [10.0, 40.0, 12.0, 42.0];
    columns.node_first_edge = vec![0];
    columns.piece_first_point = vec![0];
    columns.piece_first_bend = vec![0];
    columns.turn_first_out = vec![0];
    columns.measure_nothing();
    columns.feature_first_ring = vec![0];
    columns.ring_first_point = vec![0];
    columns.string_first = vec![0, 0];
    let mut strings: BTreeMap<String, u32> = BTreeMap::from([(String::new(), 0)]);
    let mut intern = |c: &mut Columns, text: &str| -> u32 {
        *strings.entry(text.into()).or_insert_with(|| {
            c.string_bytes.extend(text.as_bytes());
            c.string_first.push(c.string_bytes.len() as u32);
            c.string_first.len() as u32 - 2
        })
    };
    let mut words: BTreeMap<String, Vec<u32>> = BTreeMap::new();
    let mut boxes = Vec::new();
    for (i, &(kind, name, lat, lon, rank, detail)) in rows.iter().enumerate() {
        let point = Point::from_degrees(lat, lon).unwrap();
        columns.place_lon_e7.push(point.lon_e7);
        columns.place_lat_e7.push(point.lat_e7);
        columns.place_kind.push(kind as u8);
        columns.place_rank.push(rank);
        let id = intern(&mut columns, name);
        columns.place_name.push(id);
        let id = intern(&mut columns, detail);
        columns.place_detail.push(id);
        columns.place_height_cm.push(if kind == PlaceKind::Pass {
            123_450
        } else {
            NO_HEIGHT
        });
        let mut folded = fold(name);
        folded.sort();
        folded.dedup();
        folded
            .into_iter()
            .for_each(|w| words.entry(w).or_default().push(i as u32));
        let mut bounds = Bounds::EMPTY;
        bounds.include(point);
        boxes.push(bounds);
    }
    columns.word_first_place.push(0);
    for (word, places) in words {
        let id = intern(&mut columns, &word);
        columns.word_text.push(id);
        columns.word_place.extend(places);
        columns
            .word_first_place
            .push(columns.word_place.len() as u32);
    }
    columns.place_tree = pack_tree(&boxes);
    let file = std::env::temp_dir().join(format!(
        "lacet-find-{}-{}.region",
        std::process::id(),
        rows.len()
    ));
    columns.write(&file).unwrap();
    let region = Region::open(&file).unwrap();
    std::fs::remove_file(file).ok();
    region
}

const ROWS: &[Row] = &[
    (PlaceKind::Town, "Varnholm", 41.0, 11.0, 140, ""),
    (PlaceKind::Village, "Upper Varnholm", 41.05, 11.0, 100, ""),
    (PlaceKind::Village, "Varn", 41.5, 11.5, 100, ""),
    (PlaceKind::Hamlet, "Varnes", 41.51, 11.5, 70, ""),
    (PlaceKind::Pass, "Col de la Brège", 41.2, 11.2, 130, ""),
    (PlaceKind::Pass, "Brege Notch", 40.2, 10.2, 120, ""),
    (PlaceKind::Fuel, "Tellar Fuel", 41.01, 11.0, 60, ""),
    (PlaceKind::Fuel, "", 41.5, 11.51, 45, ""),
    (PlaceKind::Lodging, "Brège Inn", 41.19, 11.2, 48, ""),
    (PlaceKind::Lodging, "Long House", 40.0, 10.0, 52, ""),
    (
        PlaceKind::Road,
        "K 12",
        41.1,
        11.1,
        54,
        r#"{"name":"Brège Road"}"#,
    ),
    (PlaceKind::Food, "Lot's l", 40.5, 10.5, 40, ""),
    (PlaceKind::Hamlet, "Sarn", 40.5, 10.6, 20, ""),
    (PlaceKind::Village, "Θεραπνή", 41.3, 11.3, 100, ""),
    (PlaceKind::Village, "Краснополье", 41.35, 11.3, 100, ""),
];

fn names(found: &[Found]) -> Vec<&str> {
    found.iter().map(|f| f.name.as_str()).collect()
}

#[test]
fn finds_by_words() {
    let region = region_of(ROWS);
    let ask = |query: &str| {
        let found = find(&region, query, None, 10);
        names(&found)
            .into_iter()
            .map(String::from)
            .collect::<Vec<_>>()
    };
    // A whole word before a begun one, then the more important.
    assert_eq!(
        ask("varn"),
        ["Varn", "Varnholm", "Varnes", "Upper Varnholm"]
    );
    assert_eq!(ask("VARNHOLM"), ["Varnholm", "Upper Varnholm"]);
    assert_eq!(ask("varnholm upp"), ["Upper Varnholm"]);
    assert_eq!(
        ask("brege"),
        ["Brege Notch", "Brège Inn", "Col de la Brège"]
    );
    assert_eq!(ask("Col de la Brège"), ["Col de la Brège"]);
    assert_eq!(ask("col breg"), ["Col de la Brège"]);
    assert_eq!(ask("k-12"), ["K 12"]);
    assert_eq!(ask("θεραπ"), ["Θεραπνή"]);
    assert_eq!(ask("ΘΕΡΑΠΝΗ"), ["Θεραπνή"]);
    assert_eq!(ask("красно"), ["Краснополье"]);
    // Only the last word may be unfinished, and all must be there.
    assert_eq!(ask("upp varnholm"), [""; 0]);
    assert_eq!(ask("varnholm brege"), [""; 0]);
    for nothing in ["", " ", "-", "xyzzy", "a\u{0}b"] {
        assert_eq!(ask(nothing), [""; 0], "{nothing:?}");
    }
    // A single letter is the beginning of a name, not the genitive of another.
    assert_eq!(ask("l"), ["Long House", "Lot's l", "Col de la Brège"]);
    assert_eq!(ask("s"), ["Sarn", "Lot's l"]);
    assert!(find(&region, "varn", None, 0).is_empty());
    assert_eq!(find(&region, "v", None, 2).len(), 2);
}

#[test]
fn forgives_one_slip_a_word() {
    let region = region_of(ROWS);
    for query in [
        "varnhlm",
        "varnhollm",
        "varnhokm",
        "vranholm",
        "avrnholm",
        "arnholm",
        "varnholmm",
    ] {
        let found = find(&region, query, None, 10);
        assert_eq!(names(&found), ["Varnholm", "Upper Varnholm"], "{query}");
    }
    assert_eq!(
        names(&find(&region, "uper varnhlom", None, 10)),
        ["Upper Varnholm"]
    );
    // The beginning of a longer word, with a slip in it.
    assert_eq!(names(&find(&region, "krasnopolye", None, 10)), [""; 0]);
    assert_eq!(names(&find(&region, "краснпол", None, 10)), ["Краснополье"]);
    for query in ["varmhoml", "vrn", "xxx varnholm"] {
        assert!(find(&region, query, None, 10).is_empty(), "{query}");
    }
    // No slips while there is a plain answer.
    assert_eq!(names(&find(&region, "varnes", None, 10)), ["Varnes"]);
}

#[test]
fn nearer_comes_first_among_equals() {
    let region = region_of(ROWS);
    let near = Point::from_degrees(41.2, 11.2);
    assert_eq!(
        names(&find(&region, "brege", near, 10)),
        ["Brege Notch", "Brège Inn", "Col de la Brège"]
    );
    let near_varn = Point::from_degrees(41.5, 11.5);
    let found = find(&region, "fuel", near_varn, 10);
    assert_eq!(names(&found), ["fuel", "Tellar Fuel"]);
    assert_eq!(found[0].detail, "fuel near Varn");
    // One hundredth of a degree of longitude at 41.5° N: cos φ · 1.1132 km, some 0.8348 km.
    assert!(
        (found[0].distance_m.unwrap() - 834.8).abs() < 3.0,
        "{found:?}"
    );
    assert_eq!(
        names(&find(&region, "bed", near, 10)),
        ["Brège Inn", "Long House"]
    );
    assert_eq!(
        names(&find(&region, "Passes", near, 1)),
        ["Col de la Brège"]
    );
    assert_eq!(
        names(&find(&region, "fuel varnholm", near_varn, 10)),
        ["Tellar Fuel", "fuel"]
    );
    assert_eq!(
        names(&find(&region, "varn fuel", None, 10)),
        ["fuel", "Tellar Fuel"]
    );
}

#[test]
fn describes_what_it_finds() {
    let region = region_of(ROWS);
    let pass = &find(&region, "col de la brege", None, 1)[0];
    assert_eq!(
        (pass.kind.as_str(), pass.detail.as_str()),
        ("pass", "pass near Θεραπνή")
    );
    assert_eq!(pass.height_m, Some(1234.5));
    let road = &find(&region, "k 12", None, 1)[0];
    assert_eq!(
        (road.kind.as_str(), road.detail.as_str()),
        ("road", "road Brège Road near Upper Varnholm")
    );
    assert_eq!(road.height_m, None);
    let village = &find(&region, "varn", None, 1)[0];
    assert_eq!(
        (village.kind.as_str(), village.detail.as_str()),
        ("village", "village")
    );
}

#[test]
fn finds_coordinates_first() {
    let region = region_of(ROWS);
    let found = find(&region, "N41°30' E11°30'", None, 10);
    assert_eq!(
        (found[0].kind.as_str(), found[0].lat, found[0].lon),
        ("coordinate", 41.5, 11.5)
    );
    assert_eq!(found[0].detail, "place near Varn");
    assert_eq!(find(&region, "geo:0,0", None, 10)[0].detail, "off the map");
}

/// A slip is what a slow, plain computation of the distance says it is.
#[test]
fn slips_agree_with_the_plain_distance() {
    fn distance(a: &[char], b: &[char]) -> usize {
        let mut d = vec![vec![0; b.len() + 1]; a.len() + 1];
        for i in 0..=a.len() {
            for j in 0..=b.len() {
                d[i][j] = if i == 0 || j == 0 {
                    i + j
                } else {
                    let cost = usize::from(a[i - 1] != b[j - 1]);
                    let mut best = (d[i - 1][j] + 1)
                        .min(d[i][j - 1] + 1)
                        .min(d[i - 1][j - 1] + cost);
                    if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                        best = best.min(d[i - 2][j - 2] + 1);
                    }
                    best
                };
            }
        }
        d[a.len()][b.len()]
    }
    // All words of four to six letters over two letters, one at a time as a place and as a query.
    let words: Vec<String> = (4..=6)
        .flat_map(|n| {
            (0..1 << n).map(move |bits| {
                (0..n)
                    .map(|i| if bits >> i & 1 == 1 { 'b' } else { 'a' })
                    .collect()
            })
        })
        .collect();
    for name in words.iter().step_by(7) {
        let leaked: &'static str = String::leak(name.clone());
        let region = region_of(&[(PlaceKind::Hamlet, leaked, 41.0, 11.0, 1, "")]);
        let text: Vec<char> = name.chars().collect();
        for query in &words {
            let letters: Vec<char> = query.chars().collect();
            let begins = (0..=text.len()).any(|n| distance(&letters, &text[..n]) <= 1);
            let found = !find(&region, query, None, 1).is_empty();
            assert_eq!(found, begins, "{query} for {name}");
        }
    }
}
