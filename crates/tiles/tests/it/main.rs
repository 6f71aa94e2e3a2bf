//! Tiles read back with an independent decoder (crate `mvt-reader`) and the png crate.

mod sample;

use std::collections::{BTreeMap, HashMap};

use mvt_reader::Reader;
use mvt_reader::feature::Value;
use region::*;
use sample::{Road, Sample};
use tiles::{BUFFER, EXTENT, TileError, relief_tile, road_tile, shaded_tile, vector_tile};

type Line = Vec<(i32, i32)>;

/// A decoded feature: attributes as text, and its lines, rings or points.
#[derive(Debug, Clone)]
struct Feature {
    id: Option<u64>,
    tags: BTreeMap<String, String>,
    lines: Vec<Line>,
}

impl Feature {
    fn tag(&self, key: &str) -> Option<&str> {
        self.tags.get(key).map(String::as_str)
    }
}

fn text(value: Value) -> String {
    match value {
        Value::String(s) => s,
        Value::Int(i) | Value::SInt(i) => i.to_string(),
        Value::UInt(i) => i.to_string(),
        Value::Bool(b) => b.to_string(),
        other => format!("{other:?}"),
    }
}

/// Layer name to features; a polygon's rings are listed outer ones first, as in the tile.
fn decode(bytes: Vec<u8>) -> HashMap<String, Vec<Feature>> {
    use geo_types::Geometry as G;
    let reader = Reader::new(bytes).unwrap();
    let mut layers = HashMap::new();
    for layer in reader.get_layer_metadata().unwrap() {
        assert_eq!((layer.version, layer.extent), (2, EXTENT as u32));
        assert!(layer.feature_count > 0, "layer {} is empty", layer.name);
        let features = reader.get_features_as::<i32>(layer.layer_index).unwrap();
        let features = features.into_iter().map(|f| {
            let line = |l: &geo_types::LineString<i32>| -> Line {
                l.coords().map(|c| (c.x, c.y)).collect()
            };
            let lines = match &f.geometry {
                G::Point(p) => vec![vec![(p.x(), p.y())]],
                G::MultiPoint(m) => m.iter().map(|p| vec![(p.x(), p.y())]).collect(),
                G::LineString(l) => vec![line(l)],
                G::MultiLineString(m) => m.iter().map(line).collect(),
                G::Polygon(p) => std::iter::once(p.exterior())
                    .chain(p.interiors())
                    .map(line)
                    .collect(),
                G::MultiPolygon(m) => m
                    .iter()
                    .flat_map(|p| std::iter::once(p.exterior()).chain(p.interiors()))
                    .map(line)
                    .collect(),
                other => panic!("unexpected {other:?}"),
            };
            let tags = f
                .properties
                .unwrap_or_default()
                .into_iter()
                .map(|(k, v)| (k, text(v)))
                .collect();
            Feature {
                id: f.id,
                tags,
                lines,
            }
        });
        layers.insert(layer.name, features.collect());
    }
    layers
}

fn cut(region: &Region, z: u8, x: u32, y: u32) -> HashMap<String, Vec<Feature>> {
    decode(vector_tile(region, z, x, y).unwrap())
}

/// Tile of a point (OpenStreetMap wiki, "Slippy map tilenames"), with the place within it.
fn tile_of(lon: f64, lat: f64, z: u8) -> (u32, u32, f64, f64) {
    let n = f64::from(1u32 << z);
    let x = (lon + 180.0) / 360.0 * n;
    let lat = lat.to_radians();
    let y = (1.0 - (lat.tan() + 1.0 / lat.cos()).ln() / std::f64::consts::PI) / 2.0 * n;
    (
        x as u32,
        y as u32,
        x.fract() * f64::from(EXTENT),
        y.fract() * f64::from(EXTENT),
    )
}

fn double_area(ring: &[(i32, i32)]) -> i64 {
    ring.windows(2)
        .map(|w| i64::from(w[0].0) * i64::from(w[1].1) - i64::from(w[1].0) * i64::from(w[0].1))
        .sum()
}

#[test]
fn tiles_out_of_the_world_are_refused_and_empty_ones_are_empty() {
    let region = Sample::default().open();
    for (z, x, y) in [(0, 1, 0), (3, 0, 8), (17, 0, 0), (255, u32::MAX, u32::MAX)] {
        assert!(matches!(
            vector_tile(&region, z, x, y),
            Err(TileError::OutOfRange { .. })
        ));
        assert!(matches!(
            relief_tile(&region, z, x, y),
            Err(TileError::OutOfRange { .. })
        ));
    }
    assert!(vector_tile(&region, 16, 65_535, 65_535).unwrap().is_empty());
    assert!(relief_tile(&region, 0, 0, 0).unwrap().is_none());
}

#[test]
fn a_road_carries_its_attributes_and_only_the_vertices_its_zoom_needs() {
    let mut s = Sample::default();
    s.road(Road {
        points: &[(7.01, 46.02, 0), (7.012, 46.021, 15), (7.014, 46.02, 13)],
        class: RoadClass::Track,
        surface: Surface::Gravel,
        access: [Access::Unverified, Access::WrongWay],
        bend: 321,
        flags: flag::BRIDGE | flag::FORD,
        name: "Querweg",
        number: "K 7",
    });
    let region = s.open();
    let (x, y, ux, uy) = tile_of(7.01, 46.02, 14);
    let road = &cut(&region, 14, x, y)["roads"][0];
    let want = [
        ("access", "unverified"),
        ("bend", "321"),
        ("bridge", "true"),
        ("class", "track"),
        ("ford", "true"),
        ("name", "Querweg"),
        ("oneway", "1"),
        ("paved", "0"),
        ("piece", "0"),
        ("ref", "K 7"),
    ];
    assert_eq!(
        road.tags,
        want.map(|(k, v)| (k.to_string(), v.to_string())).into()
    );
    assert_eq!(road.id, Some(0));
    assert_eq!(
        road.lines[0].len(),
        2,
        "the middle vertex belongs to zoom 15"
    );
    let (px, py) = road.lines[0][0];
    assert!((f64::from(px) - ux).abs() <= 0.5 && (f64::from(py) - uy).abs() <= 0.5);
    let (x, y, ..) = tile_of(7.01, 46.02, 12);
    assert_eq!(
        cut(&region, 12, x, y)["roads"][0].lines[0].len(),
        2,
        "ends always"
    );
    let (x, y, ..) = tile_of(7.01, 46.02, 10);
    assert!(
        vector_tile(&region, 10, x, y).unwrap().is_empty(),
        "tracks begin later"
    );
}

#[test]
fn small_scales_join_like_roads_into_one_line() {
    let mut s = Sample::default();
    let road = |points, bend, access| Road {
        points,
        bend,
        access,
        ..Default::default()
    };
    s.road(road(
        &[(7.0, 46.0, 0), (7.1, 46.0, 0)],
        110,
        [Access::Open; 2],
    ));
    s.road(road(
        &[(7.2, 46.0, 0), (7.1, 46.0, 0)],
        120,
        [Access::Open, Access::WrongWay],
    ));
    s.road(road(
        &[(7.2, 46.0, 0), (7.3, 46.02, 0)],
        310,
        [Access::Open; 2],
    ));
    s.road(road(
        &[(7.3, 46.02, 0), (7.4, 46.02, 0)],
        310,
        [Access::Closed; 2],
    ));
    let region = s.open();
    let (x, y, ..) = tile_of(7.15, 46.0, 8);
    let roads = &cut(&region, 8, x, y)["roads"];
    let mut seen: Vec<_> = roads
        .iter()
        .map(|r| {
            (
                r.tag("bend").unwrap(),
                r.tag("access").unwrap(),
                r.lines.len(),
                r.lines[0].len(),
            )
        })
        .collect();
    seen.sort_unstable();
    assert_eq!(
        seen,
        [
            ("125", "open", 1, 3),
            ("325", "closed", 1, 2),
            ("325", "open", 1, 2)
        ]
    );
    assert!(roads.iter().all(|r| r.tag("piece").is_none()));
}

#[test]
fn roads_show_what_they_are_worth_in_steps() {
    let mut s = Sample::default();
    let road = |from: f64| Road {
        points: Box::leak(Box::new([(from, 46.0, 0), (from + 0.1, 46.0, 0)])),
        ..Default::default()
    };
    for from in [7.0, 7.1, 7.2, 7.3] {
        s.road(road(from));
    }
    let region = s.open();
    let worth = [0, 255, 255, 130];
    for z in [8, 12] {
        let mut seen: Vec<(u32, usize)> = Vec::new();
        let (west, y, ..) = tile_of(7.0, 46.0, z);
        let (east, ..) = tile_of(7.4, 46.0, z);
        for x in west..=east {
            let bytes = shaded_tile(&region, &worth, z, x, y).unwrap();
            assert_eq!(
                bytes,
                road_tile(&region, &worth, z, x, y).unwrap(),
                "nothing else is there"
            );
            for r in &decode(bytes)["roads"] {
                let step = r.tag("worth").unwrap().parse().unwrap();
                seen.push((step, r.lines[0].len()));
            }
            assert!(
                cut(&region, z, x, y)["roads"]
                    .iter()
                    .all(|r| r.tag("worth").is_none())
            );
        }
        seen.sort_unstable();
        let mut steps: Vec<u32> = seen.iter().map(|s| s.0).collect();
        steps.dedup();
        assert_eq!(steps, [0, 4, 8], "at zoom {z}");
        let joined = seen.contains(&(8, 3));
        assert_eq!(joined, z < 12, "like roads are one line at small scales");
    }
    // A list that is too short says nothing of the rest.
    let (x, y, ..) = tile_of(7.35, 46.0, 12);
    let short = decode(shaded_tile(&region, &[], 12, x, y).unwrap());
    assert!(short["roads"].iter().all(|r| r.tag("worth") == Some("0")));
}

#[test]
fn bend_rate_is_shaded_as_the_mean_around_and_no_corner_is_a_speck() {
    // A straight road with one sharp corner of some 20 m in it, and a roundabout at its end.
    let mut s = Sample::default();
    let road = |points, bend, flags| Road {
        points,
        bend,
        flags,
        ..Default::default()
    };
    s.road(road(&[(7.1, 46.0, 0), (7.14, 46.0, 0)], 20, 0));
    s.road(road(&[(7.14, 46.0, 0), (7.1402, 46.0001, 0)], 4000, 0));
    s.road(road(&[(7.1402, 46.0001, 0), (7.18, 46.0, 0)], 20, 0));
    s.road(road(
        &[(7.2, 46.0, 0), (7.2004, 46.0004, 0)],
        3000,
        flag::ROUNDABOUT,
    ));
    let region = s.open();
    let bends = |z: u8| -> Vec<u32> {
        let (x, y, ..) = tile_of(7.14, 46.0, z);
        let layers = cut(&region, z, x, y);
        layers["roads"]
            .iter()
            .map(|r| r.tag("bend").unwrap().parse().unwrap())
            .collect()
    };
    assert_eq!(
        bends(8),
        [12, 37],
        "the roundabout is a junction, the corner is lost in the mean"
    );
    assert!(bends(13).into_iter().all(|b| b < 700), "{:?}", bends(13));
    let close = bends(16);
    assert!(
        close.contains(&20) && close.iter().any(|&b| b > 3000),
        "{close:?}"
    );
}

/// A road in zigzags over many tiles: what neighbours draw between their common edge must be the
/// same line, and nothing may lie beyond the buffer.
#[test]
fn neighbouring_tiles_agree_on_a_road_that_crosses_their_edge() {
    let mut s = Sample::default();
    let points: Vec<(f64, f64, u8)> = (0..400)
        .map(|i| {
            let t = f64::from(i);
            (
                9.0 + t * 0.0007,
                47.0 + 0.004 * (t * 0.9).sin() + t * 0.0003,
                (i % 15) as u8,
            )
        })
        .collect();
    s.road(Road {
        points: &points,
        ..Default::default()
    });
    let region = s.open();
    for z in [9u8, 11, 13, 16] {
        let mut in_world: BTreeMap<(i64, i64), u32> = BTreeMap::new();
        let (mut tiles, mut shared) = (0, 0);
        let (x0, y0, ..) = tile_of(9.0, 47.13, z);
        let (x1, y1, ..) = tile_of(9.29, 46.99, z);
        for x in x0..=x1 {
            for y in y0..=y1 {
                let layers = cut(&region, z, x, y);
                let Some(roads) = layers.get("roads") else {
                    continue;
                };
                tiles += 1;
                for &(px, py) in roads.iter().flat_map(|r| &r.lines).flatten() {
                    assert!(
                        (-BUFFER..=EXTENT + BUFFER).contains(&px),
                        "{z}/{x}/{y}: {px}"
                    );
                    assert!(
                        (-BUFFER..=EXTENT + BUFFER).contains(&py),
                        "{z}/{x}/{y}: {py}"
                    );
                    let inner = -BUFFER + 1..EXTENT + BUFFER;
                    if inner.contains(&px) && inner.contains(&py) {
                        let at = |t: u32, p: i32| i64::from(t) * i64::from(EXTENT) + i64::from(p);
                        *in_world.entry((at(x, px), at(y, py))).or_default() += 1;
                    }
                }
            }
        }
        // Every vertex not made by cutting is the projection of a point of the road, to half a unit
        // and the 1e-7 degree of a region's coordinates.
        for (&(wx, wy), &count) in &in_world {
            let known = points.iter().any(|&(lon, lat, _)| {
                let (tx, ty, ux, uy) = tile_of(lon, lat, z);
                let at = |t: u32, u: f64| f64::from(t) * f64::from(EXTENT) + u;
                (at(tx, ux) - wx as f64).abs() < 0.65 && (at(ty, uy) - wy as f64).abs() < 0.65
            });
            assert!(
                known,
                "zoom {z}: a vertex at {wx} {wy} is no point of the road"
            );
            shared += u32::from(count > 1);
        }
        assert!(
            tiles >= 1 && (z < 13 || shared > 0),
            "zoom {z}: {tiles} tiles, {shared} shared"
        );
    }
}

#[test]
fn areas_are_cut_wound_and_keep_their_holes() {
    let square = |w: f64, s: f64, e: f64, n: f64| [(w, s), (e, s), (e, n), (w, n), (w, s)];
    let mut s = Sample::default();
    let (outer, hole) = (square(6.0, 45.0, 8.0, 47.0), square(6.9, 45.9, 7.1, 46.1));
    // Stored the wrong way round on purpose: winding is the tile's business.
    s.feature(FeatureKind::Wood, 5, "", &[(0, &outer), (1, &hole)]);
    s.feature(
        FeatureKind::Water,
        13,
        "",
        &[(0, &square(7.0, 46.0, 7.02, 46.02))],
    );
    s.feature(
        FeatureKind::River,
        5,
        "Aub",
        &[(2, &[(6.0, 46.0), (7.0, 46.05), (8.0, 46.0)])],
    );
    let region = s.open();

    let (x, y, ..) = tile_of(7.0, 46.0, 8);
    let layers = cut(&region, 8, x, y);
    let land = &layers["land"];
    assert_eq!(land.len(), 1, "water comes at zoom 13");
    assert_eq!(
        land[0].tags,
        [("kind".to_string(), "wood".to_string())].into()
    );
    assert_eq!(land[0].lines.len(), 2);
    // Specification 2.1, 4.3.4.4: the exterior ring has a positive area in tile coordinates.
    assert!(double_area(&land[0].lines[0]) > 0 && double_area(&land[0].lines[1]) < 0);
    let river = &layers["lines"][0];
    assert_eq!(
        (river.tag("kind"), river.tag("name")),
        (Some("river"), None)
    );

    // Deep inside the wood the tile is all wood.
    let (x, y, ..) = tile_of(6.5, 45.5, 12);
    let wood = &cut(&region, 12, x, y)["land"][0].lines;
    let side = i64::from(EXTENT + 2 * BUFFER);
    assert_eq!(
        wood.iter().map(|r| double_area(r)).collect::<Vec<_>>(),
        [2 * side * side]
    );
    // In the hole there is none.
    let (x, y, ..) = tile_of(7.0, 46.0, 13);
    let kinds: Vec<_> = cut(&region, 13, x, y)["land"]
        .iter()
        .map(|f| f.tag("kind").unwrap().to_string())
        .collect();
    assert!(kinds.contains(&"water".into()));
    let (x, y, ..) = tile_of(6.95, 45.95, 13);
    let layers = cut(&region, 13, x, y);
    let area: i64 = layers
        .get("land")
        .into_iter()
        .flatten()
        .flat_map(|f| &f.lines)
        .map(|r| double_area(r))
        .sum();
    assert_eq!(area, 0, "a hole as large as the tile takes everything away");
}

#[test]
fn places_are_in_one_tile_each_and_thinned_by_rank() {
    let mut s = Sample::default();
    for i in 0..40 {
        let name = format!("Dorf {i}");
        s.place(
            PlaceKind::Village,
            &name,
            7.0 + f64::from(i) * 0.01,
            46.0,
            (i * 7 % 40) as u8,
            NO_HEIGHT,
        );
    }
    s.place(PlaceKind::Pass, "Joch", 7.2, 46.05, 9, 240_849);
    s.place(PlaceKind::Pass, "Steig", 7.3, 46.05, 200, NO_HEIGHT);
    s.place(PlaceKind::Road, "Querweg", 7.0, 46.0, 99, NO_HEIGHT);
    s.road(Road {
        points: &[(7.19, 46.0503, 0), (7.21, 46.05, 0)],
        ..Default::default()
    });
    let region = s.open();
    let mut before: Vec<String> = Vec::new();
    for z in 8..=14u8 {
        let (x0, y0, ..) = tile_of(6.99, 46.06, z);
        let (x1, y1, ..) = tile_of(7.41, 45.99, z);
        let mut names = Vec::new();
        for x in x0..=x1 {
            for y in y0..=y1 {
                let layers = cut(&region, z, x, y);
                for place in layers.get("places").into_iter().flatten() {
                    let (px, py) = place.lines[0][0];
                    assert!((0..EXTENT).contains(&px) && (0..EXTENT).contains(&py));
                    assert_ne!(place.tag("kind"), Some("road"));
                    if place.tag("name") == Some("Steig") {
                        assert!(z >= 12, "a pass without a road at zoom {z}");
                    } else if place.tag("kind") == Some("pass") {
                        assert_eq!(place.tag("height_m"), Some("2408"));
                    }
                    names.push(place.tag("name").unwrap().to_string());
                }
            }
        }
        names.sort();
        let count = names.len();
        names.dedup();
        assert_eq!(count, names.len(), "zoom {z}: a place is in two tiles");
        assert!(
            before.iter().all(|n| names.contains(n)),
            "zoom {z}: a place vanished on zooming in"
        );
        assert!(
            z < 8 || names.contains(&"Joch".to_string()),
            "zoom {z}: a pass with a road is missing"
        );
        before = names;
        assert!(z != 9 || count < 20, "zoom 9 is not thinned: {count}");
    }
    assert_eq!(before.len(), 42);
}

#[test]
fn the_antimeridian_is_no_border() {
    let mut s = Sample::default();
    s.road(Road {
        points: &[(179.99, -16.5, 0), (-179.99, -16.51, 0)],
        ..Default::default()
    });
    s.place(PlaceKind::City, "Rand", 180.0, -16.5, 200, NO_HEIGHT);
    let region = s.open();
    for z in [8u8, 10, 14] {
        let side = 1u32 << z;
        let (_, y, ..) = tile_of(179.99, -16.5, z);
        let spans = [side - 1, 0].map(|x| {
            let layers = cut(&region, z, x, y);
            let xs: Vec<i32> = layers["roads"]
                .iter()
                .flat_map(|r| &r.lines)
                .flatten()
                .map(|p| p.0)
                .collect();
            (*xs.iter().min().unwrap(), *xs.iter().max().unwrap())
        });
        assert!(
            spans[0].1 > EXTENT && spans[0].0 < EXTENT,
            "zoom {z}: {spans:?}"
        );
        assert!(spans[1].0 < 0 && spans[1].1 > 0, "zoom {z}: {spans:?}");
        assert!(!cut(&region, z, side - 1, y).contains_key("places"));
        assert_eq!(cut(&region, z, 0, y)["places"].len(), 1);
        // And nothing is drawn across the whole world.
        assert!(vector_tile(&region, z, side / 2, y).unwrap().is_empty());
    }
}

#[test]
fn equal_regions_give_equal_tiles() {
    let make = || {
        let mut s = Sample::default();
        for i in 0..60 {
            let lon = 7.0 + f64::from(i % 8) * 0.01;
            let lat = 46.0 + f64::from(i / 8) * 0.01;
            let points = [(lon, lat, 0), (lon + 0.01, lat, 0)];
            s.road(Road {
                points: &points,
                bend: (i * 37 % 500) as u16,
                number: "7",
                ..Default::default()
            });
        }
        s.open()
    };
    let (x, y, ..) = tile_of(7.0, 46.0, 9);
    assert_eq!(
        vector_tile(&make(), 9, x, y).unwrap(),
        vector_tile(&make(), 9, x, y).unwrap()
    );
}

/// Decodes a terrarium PNG: `red * 256 + green + blue / 256 - 32768` metres.
fn heights(png: &[u8]) -> Vec<f64> {
    let mut reader = png::Decoder::new(std::io::Cursor::new(png))
        .read_info()
        .unwrap();
    let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut pixels).unwrap();
    assert_eq!(
        (info.width, info.height, info.color_type),
        (256, 256, png::ColorType::Rgb)
    );
    let height =
        |p: &[u8]| f64::from(p[0]) * 256.0 + f64::from(p[1]) + f64::from(p[2]) / 256.0 - 32768.0;
    pixels.chunks(3).map(height).collect()
}

#[test]
fn relief_gives_the_grid_back_and_bridges_voids_without_cliffs() {
    // A plane: bilinear resampling must reproduce it exactly, wherever a pixel falls.
    let plane = |lon: f64, lat: f64| 500.0 + (lon - 9.0) * 4000.0 + (lat - 47.0) * -3000.0;
    let grid = HeightGrid {
        west_deg: 9.0,
        north_deg: 47.2,
        step_lon_deg: 0.001,
        step_lat_deg: 0.001,
        columns: 300,
        rows: 200,
    };
    let mut cells = Vec::new();
    for row in 0..200 {
        for column in 0..300 {
            let void = (40..44).contains(&row) && (100..104).contains(&column);
            let height = plane(
                9.0 + f64::from(column) * 0.001,
                47.2 - f64::from(row) * 0.001,
            )
            .round() as i16;
            cells.push(if void { NO_CELL } else { height });
        }
    }
    let mut s = Sample::default();
    s.heights(grid, cells);
    let region = s.open();
    let (z, world) = (12u8, 4096.0 * 256.0);
    let (x, y, ..) = tile_of(9.15, 47.1, z);
    let got = heights(&relief_tile(&region, z, x, y).unwrap().unwrap());
    for (i, &height) in got.iter().enumerate() {
        let px = f64::from(x) * 256.0 + (i % 256) as f64 + 0.5;
        let py = f64::from(y) * 256.0 + (i / 256) as f64 + 0.5;
        let lon = px / world * 360.0 - 180.0;
        let lat = (std::f64::consts::PI * (1.0 - 2.0 * py / world))
            .sinh()
            .atan()
            .to_degrees();
        // Cells are whole metres.
        assert!(
            (height - plane(lon, lat)).abs() < 0.7,
            "{lon} {lat}: {height}"
        );
    }
    // The tile with the void: smooth, and near the plane.
    let (x, y, ..) = tile_of(9.102, 47.158, z);
    let got = heights(&relief_tile(&region, z, x, y).unwrap().unwrap());
    for row in got.chunks(256) {
        assert!(row.windows(2).all(|w| (w[0] - w[1]).abs() < 40.0));
    }
    // A tile half off the grid goes on smoothly, and its neighbours go on where it ends.
    let (x, y, ..) = tile_of(9.0, 47.1, z);
    let tiles = [x - 1, x].map(|x| heights(&relief_tile(&region, z, x, y).unwrap().unwrap()));
    assert!(
        tiles[1]
            .chunks(256)
            .all(|row| row.windows(2).all(|w| (w[0] - w[1]).abs() < 40.0))
    );
    for (left, right) in tiles[0].chunks(256).zip(tiles[1].chunks(256)) {
        assert!((left[255] - right[0]).abs() < 40.0);
    }
    // One far beyond is absent.
    let (x, y, ..) = tile_of(7.5, 47.1, z);
    assert!(relief_tile(&region, z, x, y).unwrap().is_none());
}
