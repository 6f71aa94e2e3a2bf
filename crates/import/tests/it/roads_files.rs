//! Extracts as they come: counts against an independent reader, odd and broken files.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use import::count::count;
use import::osm::ReadError;
use import::{ImportError, Job, import};
use region::Region;

use crate::shared;

/// The fields of a row of `counts-pyosmium.jsonl`: made with pyosmium and scipy.
struct Row(serde_json::Value);

impl Row {
    fn number(&self, key: &str) -> usize {
        self.0[key].as_u64().unwrap() as usize
    }
    fn map<T>(&self, key: &str, read: impl Fn(&serde_json::Value) -> T) -> BTreeMap<String, T> {
        let object = self.0[key].as_object().unwrap();
        object.iter().map(|(k, v)| (k.clone(), read(v))).collect()
    }
}

fn counts_equal(file: &Path, row: &Row) {
    let name = file.display();
    let ours = count(&[file.into()]).unwrap();
    assert_eq!(ours.graph_nodes, row.number("motor_graph_nodes"), "{name}");
    assert_eq!(
        ours.directed_segments,
        row.number("directed_segments"),
        "{name}"
    );
    assert_eq!(
        ours.segments_missing_nodes,
        row.number("segments_missing_nodes"),
        "{name}"
    );
    assert_eq!(
        ours.junction_nodes,
        row.number("junction_nodes(>=2 motor ways)"),
        "{name}"
    );
    assert_eq!(
        ours.weak_components,
        row.number("weak_components"),
        "{name}"
    );
    assert_eq!(ours.largest_weak, row.number("largest_weak"), "{name}");
    let restrictions = row.map("restrictions", |v| v.as_u64().unwrap() as usize);
    assert_eq!(ours.restrictions, restrictions, "{name}");
    // Their kilometres are on a sphere, ours on the ellipsoid: up to 0.3 % apart.
    let km = row.map("km", |v| v.as_f64().unwrap());
    assert_eq!(
        ours.km.keys().collect::<Vec<_>>(),
        km.keys().collect::<Vec<_>>(),
        "{name}"
    );
    for (class, km) in &km {
        assert!(
            (ours.km[class] - km).abs() < 0.004 * km + 0.002,
            "{name} {class}: {km} km"
        );
    }
}

#[test]
fn counts_equal_those_of_an_independent_reader() {
    let Some(table) = shared("data/osm/counts-pyosmium.jsonl") else {
        return;
    };
    let mut seen = 0;
    for line in std::fs::read_to_string(table).unwrap().lines() {
        let row = Row(serde_json::from_str(line).unwrap());
        let file = format!("data/osm/{}", row.0["file"].as_str().unwrap());
        if let Some(file) = shared(&file) {
            counts_equal(&file, &row);
            seen += 1;
        }
    }
    assert!(seen >= 9, "only {seen} extracts were there");
}

/// Folder of the test files of crate `osm-io` 0.3.0, fetched by cargo and not compiled; `None`,
/// and a line that says so, without a registry.
fn registry_fixtures() -> Option<PathBuf> {
    let dir = tempfile::tempdir().unwrap();
    let manifest = dir.path().join("Cargo.toml");
    std::fs::create_dir(dir.path().join("src")).unwrap();
    std::fs::write(dir.path().join("src/lib.rs"), "").unwrap();
    let text = "[package]\nname = \"fixtures\"\nversion = \"0.0.0\"\nedition = \"2021\"\n\n\
                [dependencies]\nosm-io = { version = \"=0.3.0\", default-features = false }\n\n\
                [workspace]\n";
    std::fs::write(&manifest, text).unwrap();
    let cargo = std::env::var_os("CARGO").unwrap_or("cargo".into());
    let mut command = std::process::Command::new(cargo);
    command
        .args(["metadata", "--format-version", "1", "--manifest-path"])
        .arg(&manifest);
    let metadata = command
        .current_dir(dir.path())
        .output()
        .ok()
        .filter(|o| o.status.success());
    let Some(metadata) = metadata else {
        eprintln!("skipped: the registry does not give crate osm-io 0.3.0");
        return None;
    };
    let metadata: serde_json::Value = serde_json::from_slice(&metadata.stdout).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    let package = packages.iter().find(|p| p["name"] == "osm-io").unwrap();
    let manifest = Path::new(package["manifest_path"].as_str().unwrap());
    Some(manifest.parent().unwrap().join("tests/fixtures"))
}

/// The same rows as in the table above, for what a registry gives.
#[test]
fn malta_and_niue_of_the_registry_have_known_counts() {
    let Some(dir) = registry_fixtures() else {
        return;
    };
    let malta = count(&[dir.join("malta-latest.osm.pbf")]).unwrap();
    let got = (
        malta.graph_nodes,
        malta.directed_segments,
        malta.junction_nodes,
    );
    assert_eq!(got, (135_835, 261_018, 28_678));
    assert_eq!((malta.weak_components, malta.largest_weak), (178, 111_480));
    assert_eq!(malta.restrictions.values().sum::<usize>(), 363);
    let niue = count(&[dir.join("niue-230109.osm.pbf")]).unwrap();
    let got = (
        niue.graph_nodes,
        niue.directed_segments,
        niue.junction_nodes,
    );
    assert_eq!(got, (8_094, 16_423, 473));
    assert_eq!((niue.weak_components, niue.largest_weak), (1, 8_094));

    let out = tempfile::tempdir().unwrap();
    let report = run(&[dir.join("niue-230109.osm.pbf")], &out.path().join("niue")).unwrap();
    // 375.3 km by the table; cut to pieces nothing may get lost.
    assert!(
        (report.road_km / 375.308 - 1.0).abs() < 0.004,
        "{} km",
        report.road_km
    );
}

fn run(files: &[PathBuf], out: &Path) -> Result<import::Report, ImportError> {
    let job = Job {
        name: "test",
        files,
        elevation: &[],
        credit: None,
        out,
    };
    import(&job, &|_, _, _| {}, &AtomicBool::new(false))
}

fn out_dir_is_empty(dir: &Path) -> bool {
    std::fs::read_dir(dir).unwrap().next().is_none()
}

#[test]
fn odd_files_are_read_or_refused_in_one_line() {
    let Some(odd) = shared("data/osm-odd") else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out.region");
    let refused = |file: &str| {
        let error = run(&[odd.join(file)], &out).unwrap_err();
        let text = error.to_string();
        assert!(!text.contains('\n') && text.contains(file), "{text}");
        assert!(out_dir_is_empty(dir.path()));
        error
    };
    assert!(matches!(
        refused("empty-no-objects.osm.pbf"),
        ImportError::NoRoads { .. }
    ));
    assert!(matches!(
        refused("niue-history-2023-01-09.osm.pbf"),
        ImportError::Read(ReadError::Unsupported { .. })
    ));
    for file in [
        "kotka-finland-small-2019-04.osm.pbf",
        "manhattan-2-blocks-2023-03.osm.pbf",
    ] {
        assert!(run(&[odd.join(file)], &out).unwrap().pieces > 20, "{file}");
        Region::open(&out).unwrap();
    }
    // LZ4 and its zlib twin hold the same.
    let twins = ["monaco-2021-04-21.lz4.osm.pbf", "monaco-2021-04-21.osm.pbf"];
    let [lz4, zlib] = twins.map(|f| run(&[odd.join(f)], &out).unwrap());
    assert_eq!(
        (lz4.pieces, lz4.turns, lz4.places),
        (zlib.pieces, zlib.turns, zlib.places)
    );
    assert!(run(&[odd.join("monaco-xml.osm.bz2")], &out).unwrap().pieces > 1000);
}

#[test]
fn the_same_extract_gives_the_same_bytes_and_twice_the_extract_too() {
    let Some(osm) = shared("data/osm") else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let file = osm.join("monaco-2023-12-26.osm.pbf");
    let bytes = |files: &[PathBuf], out: &str| {
        let out = dir.path().join(out);
        run(files, &out).unwrap();
        let region = Region::open(&out).unwrap();
        (
            std::fs::read(&out).unwrap(),
            region.piece_way().to_vec(),
            region.turn_head().to_vec(),
        )
    };
    let (a, ways, turns) = bytes(std::slice::from_ref(&file), "a");
    let (b, ..) = bytes(std::slice::from_ref(&file), "b");
    assert!(a == b);
    let (_, ways2, turns2) = bytes(&[file.clone(), file.clone()], "c");
    assert!(ways == ways2 && turns == turns2);
    // The newer edition of the same place wins object by object; nothing is doubled.
    let both = [file, osm.join("monaco-2026-03-10.osm.pbf")];
    let (_, mut ways, _) = bytes(&both, "d");
    assert!(ways.is_sorted());
    ways.dedup();
    assert!(ways.len() > 500);
}

/// A drawn map written as PBF, for files that are broken on purpose.
fn drawn(dir: &Path) -> PathBuf {
    let file = dir.join("drawn.osm.pbf");
    let world = synth::ascii("A--B--C\n|  |\nD--E").build().unwrap();
    world.write_pbf(&file).unwrap();
    file
}

#[test]
fn files_cut_short_anywhere_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let bytes = std::fs::read(drawn(dir.path())).unwrap();
    let xml = dir.path().join("drawn.osm");
    synth::ascii("A--B--C")
        .build()
        .unwrap()
        .write_xml(&xml)
        .unwrap();
    let text = std::fs::read(&xml).unwrap();
    let out = tempfile::tempdir().unwrap();
    let cut = |bytes: &[u8], len: usize, name: &str| {
        let file = dir.path().join(name);
        std::fs::write(&file, &bytes[..len]).unwrap();
        let result = run(&[file], &out.path().join("out"));
        let error = result
            .err()
            .unwrap_or_else(|| panic!("{name} cut to {len} bytes was taken"));
        assert!(!error.to_string().contains('\n'), "{error}");
        assert!(out_dir_is_empty(out.path()));
        error
    };
    for len in 0..bytes.len() {
        cut(&bytes, len, "cut.osm.pbf");
    }
    for len in (0..text.len() - 8).step_by(7) {
        cut(&text, len, "cut.osm");
    }
    assert!(matches!(
        cut(&bytes, bytes.len() - 1, "cut.osm.pbf"),
        ImportError::Read(ReadError::Truncated { .. })
    ));
    assert!(matches!(
        cut(&text, text.len() / 2, "cut.osm"),
        ImportError::Read(ReadError::Truncated { .. } | ReadError::Damaged { .. })
    ));
}

/// One flipped byte: refused, or read with other content; never a panic, never a broken region.
#[test]
fn flipped_bytes_do_no_harm() {
    let dir = tempfile::tempdir().unwrap();
    let bytes = std::fs::read(drawn(dir.path())).unwrap();
    let out = dir.path().join("out");
    for at in 0..bytes.len() {
        for flip in [0x01, 0x80, 0xff] {
            let mut broken = bytes.clone();
            broken[at] ^= flip;
            let file = dir.path().join("flipped.osm.pbf");
            std::fs::write(&file, &broken).unwrap();
            match run(&[file], &out) {
                Ok(_) => drop(Region::open(&out).unwrap()),
                Err(error) => assert!(!error.to_string().contains('\n'), "{error}"),
            }
        }
    }
}

#[test]
fn foreign_files_are_named_as_such() {
    let dir = tempfile::tempdir().unwrap();
    for (name, bytes) in [
        (
            "page.osm",
            &b"<!DOCTYPE html><html><body>no such file</body></html>"[..],
        ),
        (
            "track.osm",
            b"<?xml version='1.0'?><gpx version='1.1'></gpx>",
        ),
        (
            "changes.osm",
            b"<osmChange version='0.6'><create/></osmChange>",
        ),
        ("picture.osm.pbf", b"\x89PNG\r\n\x1a\n and more"),
        ("zip.osm.pbf", b"PK\x03\x04 and more"),
        ("nothing.osm.pbf", b""),
    ] {
        let file = dir.path().join(name);
        std::fs::write(&file, bytes).unwrap();
        let error = run(&[file], &dir.path().join("out")).unwrap_err();
        assert!(
            matches!(error, ImportError::Read(ReadError::Foreign { .. })),
            "{name}: {error:?}"
        );
        assert!(error.to_string().contains(name));
    }
    let missing = dir.path().join("missing.osm.pbf");
    let error = run(&[missing], &dir.path().join("out")).unwrap_err();
    assert!(matches!(error, ImportError::Read(ReadError::Io { .. })));
}

#[test]
fn an_import_can_be_stopped_at_any_time() {
    let dir = tempfile::tempdir().unwrap();
    let (file, out) = (drawn(dir.path()), dir.path().join("out"));
    let files = [file];
    let job = Job {
        name: "test",
        files: &files,
        elevation: &[],
        credit: None,
        out: &out,
    };
    let calls = AtomicUsize::new(0);
    let tell = |_: &str, done: u64, of: u64| {
        assert!(done <= of, "{done} of {of}");
        calls.fetch_add(1, Ordering::Relaxed);
    };
    import(&job, &tell, &AtomicBool::new(false)).unwrap();
    std::fs::remove_file(&out).unwrap();
    let steps = calls.load(Ordering::Relaxed);
    for stop_at in 0..steps.saturating_sub(2) {
        let (cancel, calls) = (AtomicBool::new(stop_at == 0), AtomicUsize::new(0));
        let tell = |_: &str, _: u64, _: u64| {
            if calls.fetch_add(1, Ordering::Relaxed) + 1 == stop_at {
                cancel.store(true, Ordering::Relaxed);
            }
        };
        let result = import(&job, &tell, &cancel);
        assert!(result.is_err(), "stopped at call {stop_at} of {steps}");
        assert_eq!(result.unwrap_err().to_string(), "import cancelled");
        assert!(!out.exists());
    }
}
