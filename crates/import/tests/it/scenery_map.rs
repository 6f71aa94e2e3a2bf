//! Land, borders and places of real extracts, read back from the region file.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::atomic::AtomicBool;

use import::{Job, import};
use region::{FeatureKind, PlaceKind, Point, Region};

/// Imports one extract of the shared data; `None`, and a line that says so, where it is absent.
fn region_of(file: &str, out: &Path) -> Option<Region> {
    let path = crate::shared(&format!("data/osm/{file}.osm.pbf"))?;
    let job = Job {
        name: "test",
        files: &[path],
        elevation: &[],
        credit: Some(import::OPENSTREETMAP),
        out,
    };
    import(&job, &|_, _, _| {}, &AtomicBool::new(false)).unwrap();
    Some(Region::open(out).unwrap())
}

/// Whether a point lies in an area of a kind, by even-odd count of its rings.
fn is_in(region: &Region, kind: FeatureKind, lat: f64, lon: f64) -> bool {
    let p = Point::from_degrees(lat, lon).unwrap();
    let (first, x, y) = (
        region.ring_first_point(),
        region.feature_lon_e7(),
        region.feature_lat_e7(),
    );
    let here = region::Bounds {
        west_e7: p.lon_e7,
        east_e7: p.lon_e7,
        south_e7: p.lat_e7,
        north_e7: p.lat_e7,
    };
    region
        .features_in(here)
        .into_iter()
        .map(|f| f as usize)
        .any(|f| {
            let rings = region.feature_first_ring()[f] as usize
                ..region.feature_first_ring()[f + 1] as usize;
            let crossings: usize = rings
                .map(|ring| {
                    let points = first[ring] as usize..first[ring + 1] as usize;
                    points
                        .clone()
                        .zip(points.skip(1))
                        .filter(|&(a, b)| {
                            let (ya, yb) = (f64::from(y[a]), f64::from(y[b]));
                            let py = f64::from(p.lat_e7);
                            if (ya > py) == (yb > py) {
                                return false;
                            }
                            let (xa, xb) = (f64::from(x[a]), f64::from(x[b]));
                            xa + (py - ya) / (yb - ya) * (xb - xa) > f64::from(p.lon_e7)
                        })
                        .count()
                })
                .sum();
            region.feature_kind()[f] == kind as u8 && crossings % 2 == 1
        })
}

fn count(region: &Region, kind: FeatureKind) -> usize {
    region
        .feature_kind()
        .iter()
        .filter(|&&k| k == kind as u8)
        .count()
}

#[test]
fn land_and_sea_are_the_right_way_round() {
    let dir = tempfile::tempdir().unwrap();
    // Well-known places and waters.
    type Spots = &'static [(f64, f64)];
    let cases: [(&str, Spots, Spots); 5] = [
        (
            "malta-2024-03-13",
            // Mdina; Victoria on Gozo; Comino; Valletta.
            &[
                (35.886, 14.403),
                (36.044, 14.240),
                (36.012, 14.336),
                (35.899, 14.512),
            ],
            // The channel between Comino and Gozo; Grand Harbour; the open sea on both sides.
            &[
                (36.022, 14.312),
                (35.893, 14.519),
                (35.80, 14.30),
                (36.0, 14.50),
            ],
        ),
        (
            "isle-of-man-2021-11-07",
            // Snaefell; Douglas; the Calf of Man.
            &[(54.263, -4.461), (54.155, -4.495), (54.055, -4.815)],
            // Douglas Bay; west of Peel.
            &[(54.156, -4.440), (54.22, -4.80)],
        ),
        (
            "niue-2023-01-09",
            &[(-19.05, -169.86), (-19.07, -169.91)],
            &[(-19.05, -169.99), (-19.2, -169.9)],
        ),
        // The casino, the palace; off the harbour.
        (
            "monaco-2026-03-10",
            &[(43.7395, 7.4280), (43.7312, 7.4203)],
            &[(43.7350, 7.4400), (43.7345, 7.4245)],
        ),
        // The railway station; the bay north of the centre.
        (
            "helsinki-centre-2019-04",
            &[(60.1719, 24.9414)],
            &[(60.1778, 24.9430)],
        ),
    ];
    for (file, land, sea) in cases {
        let Some(region) = region_of(file, &dir.path().join("r.region")) else {
            return;
        };
        for &(lat, lon) in land {
            assert!(
                is_in(&region, FeatureKind::Land, lat, lon),
                "{file}: {lat} {lon} is land"
            );
        }
        for &(lat, lon) in sea {
            assert!(
                !is_in(&region, FeatureKind::Land, lat, lon),
                "{file}: {lat} {lon} is sea"
            );
        }
    }
}

#[test]
fn an_inland_country_has_no_land_polygons_but_a_border() {
    let dir = tempfile::tempdir().unwrap();
    let Some(region) = region_of("liechtenstein-2024-03-04", &dir.path().join("r.region")) else {
        return;
    };
    assert_eq!(count(&region, FeatureKind::Land), 0);
    assert!(count(&region, FeatureKind::CountryBorder) > 0);
    // The Rhine at Vaduz is water, the meadow beside it is not.
    assert!(is_in(&region, FeatureKind::Water, 47.1383, 9.5093));
    assert!(!is_in(&region, FeatureKind::Water, 47.1383, 9.5150));
}

/// `named_passes` of the independent counts.
#[test]
fn all_named_passes_are_found_with_their_heights() {
    let Some(counts) = crate::shared("data/osm/counts-pyosmium.jsonl") else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let file = "andorra-2025-01-19";
    let Some(region) = region_of(file, &dir.path().join("r.region")) else {
        return;
    };
    let text = std::fs::read_to_string(counts).unwrap();
    let row = text.lines().find(|l| l.contains(file)).unwrap();
    let row: serde_json::Value = serde_json::from_str(row).unwrap();
    let passes = row["named_passes"].as_array().unwrap();
    assert_eq!(passes.len(), 31);
    for pass in passes {
        let (name, height) = (pass[0].as_str().unwrap(), pass[1].as_str().unwrap());
        let (lat, lon) = (pass[2].as_f64().unwrap(), pass[3].as_f64().unwrap());
        let name = if name == "?" { "" } else { name };
        let near = region::Bounds::around(Point::from_degrees(lat, lon).unwrap(), 20.0);
        let found = region.places_in(near).into_iter().find(|&k| {
            let k = k as usize;
            region.place_kind()[k] == PlaceKind::Pass as u8
                && region.string(region.place_name()[k]) == name
        });
        let found = found.unwrap_or_else(|| panic!("{name} at {lat} {lon} is missing"));
        if let Ok(height_m) = height.parse::<f64>() {
            let cm = f64::from(region.place_height_cm()[found as usize]);
            assert!(
                (cm / 100.0 - height_m).abs() < 0.01,
                "{name}: {cm} cm, not {height_m} m"
            );
        }
    }
    words_are_in_order(&region);
}

fn words_are_in_order(region: &Region) {
    let words: Vec<&str> = region
        .word_text()
        .iter()
        .map(|&w| region.string(w))
        .collect();
    assert!(words.is_sorted_by(|a, b| a.as_bytes() < b.as_bytes()));
    // Every word of a name leads to its place.
    let mut of_word: BTreeMap<&str, &[u32]> = BTreeMap::new();
    for (w, word) in words.iter().enumerate() {
        let first = region.word_first_place();
        of_word.insert(
            word,
            &region.word_place()[first[w] as usize..first[w + 1] as usize],
        );
    }
    for (place, &name) in region.place_name().iter().enumerate() {
        for word in region::fold(region.string(name)) {
            assert!(
                of_word[word.as_str()]
                    .binary_search(&(place as u32))
                    .is_ok(),
                "{word}"
            );
        }
    }
}

#[test]
fn rings_are_closed_and_drawable_at_the_zoom_they_first_show() {
    let dir = tempfile::tempdir().unwrap();
    let Some(region) = region_of("monaco-2026-03-10", &dir.path().join("r.region")) else {
        return;
    };
    let (first, zooms) = (region.ring_first_point(), region.feature_point_first_zoom());
    for f in 0..region.feature_kind().len() {
        let rings = region.feature_first_ring()[f]..region.feature_first_ring()[f + 1];
        for ring in rings.map(|r| r as usize) {
            let points = first[ring] as usize..first[ring + 1] as usize;
            let at = |i: usize| (region.feature_lon_e7()[i], region.feature_lat_e7()[i]);
            let min_zoom = zooms[points.clone()].iter().min().copied().unwrap_or(0);
            let shown = points
                .clone()
                .filter(|&i| zooms[i] <= min_zoom.max(region.feature_min_zoom()[f]));
            match region.ring_role()[ring] {
                2 => assert!(points.len() >= 2 && shown.count() >= 2),
                role => {
                    assert_eq!(at(points.start), at(points.end - 1));
                    // A hole may show later than its feature.
                    assert!(role == 1 || shown.count() >= 4, "feature {f}");
                }
            }
        }
    }
}
