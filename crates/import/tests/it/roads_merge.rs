//! Extracts that overlap: no road twice, whatever their age.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

use import::{ImportError, Job, import};
use region::Region;

use crate::shared;

fn region_of(files: &[PathBuf], out: &Path) -> Region {
    let job = Job {
        name: "test",
        files,
        elevation: &[],
        credit: None,
        out,
    };
    import(&job, &|_, _, _| {}, &AtomicBool::new(false)).unwrap();
    Region::open(out).unwrap()
}

/// Stretches between neighbouring points that more than one piece runs over, and their metres.
fn doubled(region: &Region) -> (usize, f64) {
    let at = |i: usize| (region.point_lon_e7()[i], region.point_lat_e7()[i]);
    let mut runs: BTreeMap<_, usize> = BTreeMap::new();
    for piece in 0..region.piece_count() {
        let points = region.piece_points(piece);
        for i in points.start..points.end - 1 {
            let (a, b) = (at(i), at(i + 1));
            if a != b {
                *runs.entry((a.min(b), a.max(b))).or_default() += 1;
            }
        }
    }
    let point = |(lon_e7, lat_e7)| region::Point { lon_e7, lat_e7 };
    let twice = runs.iter().filter(|(_, n)| **n > 1);
    twice.fold((0, 0.0), |(n, m), ((a, b), _)| {
        (n + 1, m + region::distance_m(point(*a), point(*b)))
    })
}

#[test]
fn editions_of_one_country_merge_without_doubled_roads() {
    for (old, new) in [
        ("andorra-2021-04-14", "andorra-2025-01-19"),
        ("monaco-2023-12-26", "monaco-2026-03-10"),
    ] {
        let files = [old, new].map(|f| shared(&format!("data/osm/{f}.osm.pbf")));
        let [Some(old), Some(new)] = files else {
            return;
        };
        let dir = tempfile::tempdir().unwrap();
        let out = |name: &str| dir.path().join(name);
        let alone = region_of(std::slice::from_ref(&new), &out("alone"));
        let merged = region_of(&[old.clone(), new.clone()], &out("merged"));
        let turned = region_of(&[new, old], &out("turned"));
        assert_eq!(doubled(&alone).0, 0);
        // Nodes drawn anew on the very spot of old ones leave a few metres; deleted ways that share
        // their nodes with new ones left 2070 m (Andorra) and 406 m (Monaco).
        let (stretches, metres) = doubled(&merged);
        assert!(
            stretches <= 2 && metres < 10.0,
            "{stretches} stretches, {metres} m"
        );
        // Whichever file is named first.
        assert!(merged.piece_way() == turned.piece_way());
        assert!(merged.turn_head() == turned.turn_head());
        // The newer edition is there whole.
        let ways: BTreeSet<u64> = merged.piece_way().iter().copied().collect();
        assert!(alone.piece_way().iter().all(|way| ways.contains(way)));
    }
}

/// A road of an old file whose middle a newer one draws as another way; its ends lie beyond what
/// the newer file covers.
#[test]
fn the_newer_drawing_of_a_road_replaces_the_older_one() {
    let dir = tempfile::tempdir().unwrap();
    let write = |art: &str, path: &str, id: i64, date: &str| {
        let mut world = synth::ascii(art).way(path, &[]).build().unwrap();
        assert_eq!(world.ways.len(), 1);
        world.ways[0].id = id;
        let file = dir.path().join(format!("{id}-{date}.osm"));
        world.write_xml(&file).unwrap();
        let text = std::fs::read_to_string(&file).unwrap();
        let dated = format!("<osm timestamp=\"{date}T00:00:00Z\" ");
        assert!(text.contains("<osm "));
        std::fs::write(&file, text.replacen("<osm ", &dated, 1)).unwrap();
        file
    };
    let old = write("A-B-C-D-E", "ABCDE", 700, "2021-01-01");
    let new = write("  B-C-D", "BCD", 600, "2024-01-01");
    let same_day = write("  B-C-D", "BCD", 600, "2021-01-01");
    let ways = |files: &[&PathBuf]| {
        let files: Vec<PathBuf> = files.iter().map(|f| f.to_path_buf()).collect();
        let region = region_of(&files, &dir.path().join("out"));
        let m = (0..region.piece_count()).map(|p| region.length_m(p).round() as u32);
        region
            .piece_way()
            .iter()
            .copied()
            .zip(m)
            .collect::<Vec<_>>()
    };
    // Cut at B and D, not at C; A to B and D to E stay.
    let merged = [(600, 400), (700, 200), (700, 200)];
    assert_eq!(ways(&[&old, &new]), merged);
    assert_eq!(ways(&[&new, &old]), merged);
    // A way both editions have unchanged counts as one of the newer.
    assert_eq!(ways(&[&old, &same_day, &new]), merged);
    // Of one day both are in the map: neither is outdated.
    assert_eq!(ways(&[&old, &same_day]).len(), 6);
}

#[test]
fn without_elevation_nothing_is_said_of_heights() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("drawn.osm");
    let world = synth::ascii("A--B--C").build().unwrap();
    world.write_xml(&file).unwrap();
    let out = dir.path().join("out");
    let region = region_of(std::slice::from_ref(&file), &out);
    assert!(region.meta().heights.is_none());
    assert!(region.point_lon_e7().len() >= 3);
    assert!(
        region
            .point_height_cm()
            .iter()
            .all(|&h| h == region::NO_HEIGHT)
    );
    // A file named but not there is said, and the region of before stays as it was.
    let before = std::fs::read(&out).unwrap();
    let elevation = [dir.path().join("N45W030.hgt")];
    let job = Job {
        name: "test",
        files: &[file],
        elevation: &elevation,
        credit: None,
        out: &out,
    };
    let error = import(&job, &|_, _, _| {}, &AtomicBool::new(false)).unwrap_err();
    assert!(matches!(error, ImportError::Elevation(_)), "{error:?}");
    let text = error.to_string();
    assert!(
        text.contains("N45W030.hgt") && !text.contains('\n'),
        "{text}"
    );
    assert!(std::fs::read(&out).unwrap() == before);
}
