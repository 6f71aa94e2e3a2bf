//! Extracts that overlap: no road twice, whatever their age.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

use import::{Job, import};
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
        eprintln!(
            "{:?} {:?} {:?} pieces {} {} {}",
            doubled(&alone),
            doubled(&merged),
            doubled(&turned),
            alone.piece_count(),
            merged.piece_count(),
            turned.piece_count()
        );
    }
}
