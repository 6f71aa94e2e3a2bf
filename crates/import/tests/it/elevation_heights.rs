//! Heights against rasters made here, against real tiles, and against GDAL where it is installed.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::AtomicBool;

use import::elevation::{ElevationError, Height, Heights};
use region::{Bounds, NO_CELL, Point};
use tiff::encoder::{TiffEncoder, colortype};
use tiff::tags::Tag;

fn at(lat: f64, lon: f64) -> Point {
    Point::from_degrees(lat, lon).unwrap()
}

fn height(heights: &Heights, lat: f64, lon: f64) -> Option<Height> {
    heights.at(at(lat, lon)).unwrap()
}

/// Writes a 3" tile of `height_m(row, column)`.
fn write_hgt(dir: &Path, name: &str, height_m: impl Fn(i32, i32) -> i16) -> PathBuf {
    let bytes: Vec<u8> = (0..1201)
        .flat_map(|row| (0..1201).map(move |column| (row, column)))
        .flat_map(|(row, column)| height_m(row, column).to_be_bytes())
        .collect();
    let path = dir.join(name);
    std::fs::write(&path, bytes).unwrap();
    path
}

#[test]
fn a_plane_is_sampled_exactly() {
    let dir = tempfile::tempdir().unwrap();
    // 1 m a row southwards, 2 m a column eastwards.
    let path = write_hgt(dir.path(), "n10W011.HGT", |row, column| {
        (row + 2 * column) as i16
    });
    let heights = Heights::open(&[path]).unwrap();
    for (lat, lon) in [
        (10.0, -11.0),
        (11.0, -10.0),
        (10.5, -10.25),
        (10.123_456, -10.654_321),
    ] {
        let want = (11.0 - lat) * 1200.0 + 2.0 * (lon + 11.0) * 1200.0;
        let got = height(&heights, lat, lon).unwrap();
        assert!(
            (got.height_m - want).abs() < 1e-3,
            "{lat} {lon}: {got:?}, not {want}"
        );
        assert!(!got.filled);
    }
    assert_eq!(height(&heights, 9.99, -10.5), None);
    assert_eq!(height(&heights, 10.5, -9.99), None);
}

#[test]
fn small_voids_are_filled_and_marked_large_ones_are_not() {
    let dir = tempfile::tempdir().unwrap();
    let path = write_hgt(dir.path(), "N10E010.hgt", |row, column| {
        let small = (100..105).contains(&row) && (100..105).contains(&column);
        let large = (400..500).contains(&row) && (400..500).contains(&column);
        if small || large {
            -32768
        } else {
            500 + row as i16
        }
    });
    let heights = Heights::open(&[path]).unwrap();
    let place = |row: f64, column: f64| (11.0 - row / 1200.0, 10.0 + column / 1200.0);
    let (lat, lon) = place(102.0, 102.0);
    let filled = height(&heights, lat, lon).unwrap();
    assert!(filled.filled);
    assert!((filled.height_m - 602.0).abs() < 1.0, "{filled:?}");
    // Half a cell outside: the void has weight, so the height is a filled one.
    let (lat, lon) = place(99.5, 102.0);
    assert!(height(&heights, lat, lon).unwrap().filled);
    let (lat, lon) = place(99.0, 102.0);
    assert!(!height(&heights, lat, lon).unwrap().filled);
    let (lat, lon) = place(450.0, 450.0);
    assert_eq!(height(&heights, lat, lon), None);
}

#[test]
fn the_finest_raster_wins_and_coarser_ones_step_in() {
    let dir = tempfile::tempdir().unwrap();
    let coarse = write_hgt(dir.path(), "N10E010.hgt", |_, _| 100);
    // 1" around the middle of the tile, with a void that is too large to fill.
    let fine = Geotiff {
        tie: [0.0, 0.0, 0.0, 10.4, 10.6, 0.0],
        step_deg: 1.0 / 3600.0,
        columns: 720,
        rows: 720,
        ..Geotiff::default()
    };
    let fine = fine.write(&dir.path().join("fine.tif"), |row, column| {
        if row < 300 && column < 300 {
            -32768
        } else {
            200
        }
    });
    let heights = Heights::open(&[coarse, fine]).unwrap();
    assert_eq!(height(&heights, 10.45, 10.55).unwrap().height_m, 200.0);
    let stand_in = height(&heights, 10.58, 10.42).unwrap();
    assert_eq!((stand_in.height_m, stand_in.filled), (100.0, false));
    assert_eq!(height(&heights, 10.9, 10.9).unwrap().height_m, 100.0);
}

#[test]
fn neighbouring_tiles_join_without_seam_even_over_the_antimeridian() {
    let dir = tempfile::tempdir().unwrap();
    write_hgt(dir.path(), "S20E179.hgt", |_, column| column as i16);
    write_hgt(dir.path(), "S20W180.hgt", |_, column| 1200 + column as i16);
    let heights = Heights::open(&[dir.path().into()]).unwrap();
    assert_eq!(height(&heights, -19.5, 180.0).unwrap().height_m, 1200.0);
    assert_eq!(height(&heights, -19.5, -180.0).unwrap().height_m, 1200.0);
    assert!((height(&heights, -19.5, -179.75).unwrap().height_m - 1500.0).abs() < 1e-3);

    // Tiles whose cells do not overlap: the gap between the last and the first centre.
    let step_deg = 0.001;
    for (name, west, base) in [("a.tif", 5.0, 0), ("b.tif", 5.1, 100)] {
        let tile = Geotiff {
            tie: [0.0, 0.0, 0.0, west, 50.0, 0.0],
            step_deg,
            columns: 100,
            rows: 50,
            ..Geotiff::default()
        };
        tile.write(&dir.path().join(name), |_, column| base + column as i16);
    }
    let heights = Heights::open(&[dir.path().join("a.tif"), dir.path().join("b.tif")]).unwrap();
    let seam = height(&heights, 49.98, 5.1).unwrap().height_m;
    assert!((seam - 99.5).abs() < 1e-3, "{seam}");
}

#[test]
fn corner_or_centre_makes_half_a_cell() {
    let dir = tempfile::tempdir().unwrap();
    let ramp = |_, column| 10 * column as i16;
    let area = Geotiff {
        point: false,
        ..Geotiff::default()
    };
    let area = Heights::open(&[area.write(&dir.path().join("area.tif"), ramp)]).unwrap();
    let point = Geotiff {
        point: true,
        ..Geotiff::default()
    };
    let point = Heights::open(&[point.write(&dir.path().join("point.tiff"), ramp)]).unwrap();
    // Default geometry: from 8° east, 0.01° a cell. 8.1 is the centre of cell 10, or its corner.
    assert!((height(&point, 47.5, 8.1).unwrap().height_m - 100.0).abs() < 1e-3);
    assert!((height(&area, 47.5, 8.1).unwrap().height_m - 95.0).abs() < 1e-3);
}

#[test]
fn what_is_no_height_by_longitude_and_latitude_is_refused_by_name() {
    let dir = tempfile::tempdir().unwrap();
    let file = |name: &str| dir.path().join(name);
    let refused = |path: PathBuf, words: &str| {
        let error = Heights::open(&[path])
            .err()
            .expect("must be refused")
            .to_string();
        assert!(error.contains(words), "{error}");
        assert!(!error.contains('\n'));
    };
    let flat = |_, _| 0;

    let swiss = Geotiff {
        keys: vec![1024, 0, 1, 1, 3072, 0, 1, 2056],
        ..Geotiff::default()
    };
    refused(swiss.write(&file("a.tif"), flat), "EPSG:2056");
    let etrs = Geotiff {
        keys: vec![1024, 0, 1, 2, 2048, 0, 1, 4258],
        ..Geotiff::default()
    };
    refused(etrs.write(&file("b.tif"), flat), "EPSG:4258");
    let unnamed = Geotiff {
        keys: vec![1025, 0, 1, 1],
        ..Geotiff::default()
    };
    refused(
        unnamed.write(&file("c.tif"), flat),
        "does not name its coordinate system",
    );
    let metres = Geotiff {
        tie: [0.0, 0.0, 0.0, 677_562.5, 253_012.5, 0.0],
        step_deg: 5.0,
        ..Geotiff::default()
    };
    refused(
        metres.write(&file("d.tif"), flat),
        "no longitudes and latitudes",
    );

    std::fs::write(file("N47E009.hgt"), [0; 1000]).unwrap();
    refused(file("N47E009.hgt"), "1000 bytes");
    std::fs::write(file("x.tif"), b"II*\0\xff\xff\xff\xff").unwrap();
    refused(file("x.tif"), "cannot decode");
    std::fs::write(file("x.png"), b"").unwrap();
    refused(file("x.png"), "not an elevation file");
    refused(file("missing.tif"), "cannot read");
    std::fs::create_dir(file("empty")).unwrap();
    refused(file("empty"), "holds no elevation files");
    let home = tempfile::tempdir().unwrap();
    refused(write_hgt(home.path(), "somewhere.hgt", |_, _| 0), "N47E009");
}

#[test]
fn a_cut_tiff_is_an_error_not_a_panic() {
    let dir = tempfile::tempdir().unwrap();
    let path = Geotiff::default().write(&dir.path().join("whole.tif"), |_, _| 7);
    let bytes = std::fs::read(path).unwrap();
    for keep in (0..bytes.len()).step_by(97) {
        let cut = dir.path().join("cut.tif");
        std::fs::write(&cut, &bytes[..keep]).unwrap();
        if let Ok(heights) = Heights::open(&[cut]) {
            let _ = heights.at(at(47.5, 8.5));
        }
    }
}

#[test]
fn the_grid_lies_on_the_cells_and_keeps_its_voids() {
    let dir = tempfile::tempdir().unwrap();
    let path = write_hgt(dir.path(), "N47E009.hgt", |row, column| {
        if column > 900 { -32768 } else { row as i16 }
    });
    let heights = Heights::open(&[path]).unwrap();
    let bounds = Bounds {
        west_e7: 95_000_000,
        south_e7: 470_000_000,
        east_e7: 98_000_000,
        north_e7: 475_000_000,
    };
    let cancel = AtomicBool::new(false);
    let (grid, cells) = heights.grid(bounds, &|_, _| {}, &cancel).unwrap().unwrap();
    assert_eq!((grid.columns, grid.rows), (361, 601));
    assert!((grid.west_deg - 9.5).abs() < 1e-9 && (grid.north_deg - 47.5).abs() < 1e-9);
    assert_eq!(cells[0], 600);
    assert_eq!(cells[600 * 361], 1200);
    assert_eq!(cells[360], NO_CELL);

    let nowhere = Bounds {
        west_e7: 0,
        south_e7: 0,
        east_e7: 10_000_000,
        north_e7: 10_000_000,
    };
    assert!(
        heights
            .grid(nowhere, &|_, _| {}, &cancel)
            .unwrap()
            .is_none()
    );
    cancel.store(true, std::sync::atomic::Ordering::Relaxed);
    let stopped = heights.grid(bounds, &|_, _| {}, &cancel);
    assert!(matches!(stopped, Err(ElevationError::Cancelled)));
}

#[test]
fn real_sources_agree() {
    let Some(dem) = crate::shared("data/dem") else {
        return;
    };
    let fine = Heights::open(&[dem.join("liechtenstein-srtm-v3-1arcsec.tif")]).unwrap();
    let coarse = Heights::open(&[dem.join("N47E009.hgt")]).unwrap();
    for (name, lat, lon) in [
        ("Vaduz", 47.1393, 9.5228),
        ("Balzers", 47.0667, 9.5028),
        ("Schaan", 47.1650, 9.5087),
        ("Ruggell", 47.2400, 9.5270),
        ("Bendern", 47.2120, 9.5080),
    ] {
        let a = height(&fine, lat, lon).unwrap().height_m;
        let b = height(&coarse, lat, lon).unwrap().height_m;
        assert!((a - b).abs() <= 5.0, "{name}: {a} and {b}");
        assert!(
            (420.0..520.0).contains(&a),
            "{name} lies in the valley of the Rhine: {a}"
        );
    }
    // "projected, no CRS tag: must be refused" (manifest of the data).
    let error = Heights::open(&[dem.join("zuerich-dem-25m-lv03.tif")])
        .err()
        .unwrap();
    assert!(matches!(error, ElevationError::NoCrs { .. }), "{error}");
}

/// Independent reader: GDAL's tools.
#[test]
fn gdal_reads_the_same_heights() {
    let Some(dem) = crate::shared("data/dem") else {
        return;
    };
    if Command::new("gdallocationinfo")
        .arg("--version")
        .output()
        .is_err()
    {
        eprintln!("skipped: gdallocationinfo (package gdal-bin) is not installed");
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let source = dem.join("liechtenstein-srtm-v3-1arcsec.tif");
    let mut files = vec![
        dem.join("N47E009.hgt"),
        dem.join("N43E007.hgt"),
        dem.join("andorra-globe-30arcsec.tif"),
        source.clone(),
    ];
    for (name, options) in [
        (
            "tiled.tif",
            &[
                "-co",
                "TILED=YES",
                "-co",
                "COMPRESS=DEFLATE",
                "-co",
                "PREDICTOR=2",
            ][..],
        ),
        (
            "float.tif",
            &[
                "-ot",
                "Float32",
                "-co",
                "COMPRESS=DEFLATE",
                "-co",
                "PREDICTOR=3",
            ],
        ),
        (
            "lzw.tif",
            &["-ot", "UInt16", "-a_nodata", "0", "-co", "COMPRESS=LZW"],
        ),
        (
            "big.tif",
            &[
                "-co",
                "BIGTIFF=YES",
                "-co",
                "BLOCKYSIZE=1",
                "-co",
                "ENDIANNESS=BIG",
            ],
        ),
        (
            "area.tif",
            &["-mo", "AREA_OR_POINT=Area", "-co", "SPARSE_OK=TRUE"],
        ),
    ] {
        let file = dir.path().join(name);
        translate(&source, &file, options);
        files.push(file);
    }
    for file in &files {
        let points = cell_centres(file);
        let heights = Heights::open(std::slice::from_ref(file)).unwrap();
        let ours = heights.at_all(&points).unwrap();
        let theirs = ask_gdal(file, &points);
        assert_eq!(ours.len(), theirs.len());
        for ((p, ours), theirs) in points.iter().zip(&ours).zip(&theirs) {
            match ours {
                Some(h) if !h.filled => assert!(
                    (h.height_m - theirs).abs() < 0.05,
                    "{}: {p:?} {h:?} {theirs}",
                    file.display()
                ),
                // Voids are -32768, -500, or 0 in the unsigned copy.
                _ => assert!(
                    *theirs <= 0.0,
                    "{}: {p:?} void, GDAL {theirs}",
                    file.display()
                ),
            }
        }
        assert!(ours.iter().flatten().count() > 40, "{}", file.display());
    }
    let other = dir.path().join("other.tif");
    translate(&source, &other, &["-a_srs", "EPSG:3857"]);
    let error = Heights::open(&[other]).err().unwrap().to_string();
    assert!(error.contains("EPSG:3857"), "{error}");
}

fn translate(from: &Path, to: &Path, options: &[&str]) {
    let done = Command::new("gdal_translate")
        .arg("-q")
        .args(options)
        .arg(from)
        .arg(to)
        .output()
        .unwrap();
    assert!(
        done.status.success(),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
}

/// Centres of cells all over a raster, from `gdalinfo`.
fn cell_centres(file: &Path) -> Vec<Point> {
    let out = Command::new("gdalinfo")
        .arg("-json")
        .arg(file)
        .output()
        .unwrap();
    let info: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    let number = |v: &serde_json::Value| v.as_f64().unwrap();
    let t: Vec<f64> = info["geoTransform"]
        .as_array()
        .unwrap()
        .iter()
        .map(number)
        .collect();
    let (columns, rows) = (number(&info["size"][0]), number(&info["size"][1]));
    (0..64)
        .map(|i| {
            let column = (f64::from(i * 37 % 64) / 63.0 * (columns - 1.0)).floor() + 0.5;
            let row = (f64::from(i) / 63.0 * (rows - 1.0)).floor() + 0.5;
            at(t[3] + row * t[5], t[0] + column * t[1])
        })
        .collect()
}

fn ask_gdal(file: &Path, points: &[Point]) -> Vec<f64> {
    let list: String = points
        .iter()
        .map(|p| format!("{} {}\n", p.lon(), p.lat()))
        .collect();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("points");
    std::fs::write(&path, list).unwrap();
    let out = Command::new("gdallocationinfo")
        .args(["-valonly", "-geoloc"])
        .arg(file)
        .stdin(File::open(path).unwrap())
        .output()
        .unwrap();
    String::from_utf8(out.stdout)
        .unwrap()
        .lines()
        .map(|line| line.parse().unwrap())
        .collect()
}

/// A small GeoTIFF to be written.
struct Geotiff {
    tie: [f64; 6],
    step_deg: f64,
    columns: u32,
    rows: u32,
    point: bool,
    /// GeoKeys without header and raster type.
    keys: Vec<u16>,
}

impl Default for Geotiff {
    fn default() -> Self {
        Geotiff {
            tie: [0.0, 0.0, 0.0, 8.0, 48.0, 0.0],
            step_deg: 0.01,
            columns: 100,
            rows: 100,
            point: false,
            keys: vec![1024, 0, 1, 2, 2048, 0, 1, 4326],
        }
    }
}

impl Geotiff {
    fn write(&self, path: &Path, height_m: impl Fn(u32, u32) -> i16) -> PathBuf {
        let samples: Vec<i16> = (0..self.rows)
            .flat_map(|row| (0..self.columns).map(move |column| (row, column)))
            .map(|(row, column)| height_m(row, column))
            .collect();
        let mut keys = self.keys.clone();
        if !keys.contains(&1025) {
            keys.extend([1025, 0, 1, if self.point { 2 } else { 1 }]);
        }
        let mut directory = vec![1, 1, 0, keys.len() as u16 / 4];
        directory.extend(&keys);
        let mut encoder = TiffEncoder::new(File::create(path).unwrap()).unwrap();
        let mut image = encoder
            .new_image::<colortype::GrayI16>(self.columns, self.rows)
            .unwrap();
        let tags = image.encoder();
        tags.write_tag(
            Tag::ModelPixelScaleTag,
            &[self.step_deg, self.step_deg, 0.0][..],
        )
        .unwrap();
        tags.write_tag(Tag::ModelTiepointTag, &self.tie[..])
            .unwrap();
        tags.write_tag(Tag::GeoKeyDirectoryTag, &directory[..])
            .unwrap();
        tags.write_tag(Tag::GdalNodata, "-32768").unwrap();
        image.write_data(&samples).unwrap();
        path.into()
    }
}
