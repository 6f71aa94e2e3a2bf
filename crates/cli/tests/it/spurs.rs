//! The spur guard on real roads: vias put down anywhere, and what the repairs come to.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use crate::hand::Page;
use crate::{Home, Server};

/// SplitMix64 (Steele, Lea, Flood 2014).
struct Random(u64);

impl Random {
    /// Within 0..1.
    fn share(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ z >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ z >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ z >> 31) >> 11) as f64 / (1u64 << 53) as f64
    }
}

fn shared() -> PathBuf {
    std::env::var_os("LACET_SHARED").map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared"),
        PathBuf::from,
    )
}

/// Spurs and their kin at one point of a plan.
fn found(plan: &Value, point: u64) -> Vec<&Value> {
    let kinds = ["spur", "wrong_carriageway", "turn_round"];
    let warnings = plan["warnings"].as_array().unwrap().iter();
    warnings
        .filter(|w| kinds.iter().any(|k| w["kind"] == **k) && w["point"] == point)
        .collect()
}

fn vertices(plan: &Value) -> Vec<(i64, i64)> {
    let e7 = |v: &Value| (v.as_f64().unwrap() * 1e7).round() as i64;
    let mut all = Vec::new();
    for leg in plan["legs"].as_array().unwrap() {
        let [lat, lon] = ["lat", "lon"].map(|c| leg["line"][c].as_array().unwrap());
        all.extend(lat.iter().zip(lon).map(|(a, o)| (e7(a), e7(o))));
    }
    all
}

#[derive(Debug, Default)]
struct Tally {
    tours: usize,
    warned: usize,
    with_repair: usize,
    /// The warning is still there after the repair.
    left: usize,
    /// The line elsewhere is another one after the repair.
    changed: usize,
}

fn measure(region: &str, file: &Path, seed: u64) -> Tally {
    let home = Home::new();
    home.lacet(&["import", region, file.to_str().unwrap()])
        .fine();
    let server: Server = home.serve();
    let bounds = server.get("/api/regions").expect(200)[0]["bounds_deg"].clone();
    let [west, south, east, north] = [0, 1, 2, 3].map(|i| bounds[i].as_f64().unwrap());
    let mut page = Page::open(&server);
    let mut random = Random(seed);
    let mut seq = 0;
    let mut plan = |tour: &Value| {
        seq += 1;
        let mut answer = page.ask(&json!({"seq": seq, "tour": tour}));
        answer["plan"].take()
    };
    let mut tally = Tally::default();
    while tally.tours < 400 {
        let mut place = |kind: &str| {
            let lat = south + (north - south) * random.share();
            let lon = west + (east - west) * random.share();
            json!({"kind": kind, "lat": lat, "lon": lon})
        };
        let points = [place("stop"), place("via"), place("stop")];
        let mut tour = json!({
            "format": "lacet-tour-1", "region": region, "taste": "fastest", "points": points
        });
        let before = plan(&tour);
        let whole = |p: &Value| {
            p["legs"]
                .as_array()
                .unwrap()
                .iter()
                .all(|l| l.get("trouble").is_none())
        };
        // On their roads, so that all of it is about the line.
        if !whole(&before) {
            continue;
        }
        for (point, placed) in tour["points"]
            .as_array_mut()
            .unwrap()
            .iter_mut()
            .zip(before["points"].as_array().unwrap())
        {
            (point["lat"], point["lon"]) = (placed["lat"].clone(), placed["lon"].clone());
        }
        let before = plan(&tour);
        if !whole(&before) {
            continue;
        }
        tally.tours += 1;
        let Some(warning) = found(&before, 1).first().copied().cloned() else {
            continue;
        };
        tally.warned += 1;
        let Some(repair) = warning.get("repair") else {
            continue;
        };
        tally.with_repair += 1;
        let point = &mut tour["points"][1];
        if let [lat, lon] = &repair["move_to"].as_array().cloned().unwrap_or_default()[..] {
            (point["lat"], point["lon"]) = (lat.clone(), lon.clone());
        }
        if repair["to_kind"].is_string() {
            point["kind"] = repair["to_kind"].clone();
        }
        let after = plan(&tour);
        if let Some(still) = found(&after, 1).first() {
            println!("{region}: {} -> {}", warning["text"], still["text"]);
            tally.left += 1;
        }
        let old: HashSet<(i64, i64)> = vertices(&before).into_iter().collect();
        let new = vertices(&after);
        // The place of the point itself may be a new one.
        if new.iter().filter(|v| !old.contains(v)).count() > 2 {
            println!("{region}: another line after {} ({tour})", warning["text"]);
            tally.changed += 1;
        }
    }
    tally
}

#[test]
fn repairs_mend_vias_put_down_anywhere() {
    for (region, file, seed) in [
        ("andorra", "andorra-2025-01-19", 1),
        ("liechtenstein", "liechtenstein-2024-03-04", 2),
    ] {
        let file = shared().join(format!("data/osm/{file}.osm.pbf"));
        if !file.exists() {
            println!("skipped: {} is not there", file.display());
            continue;
        }
        let tally = measure(region, &file, seed);
        println!("{region}: {tally:?}");
        assert!(tally.warned >= 20, "{tally:?}");
        assert_eq!(tally.with_repair, tally.warned, "{tally:?}");
        // One click is enough: where a spur hides another, the repair follows both.
        assert!(tally.left * 50 <= tally.warned, "{tally:?}");
        assert!(tally.changed * 20 <= tally.warned, "{tally:?}");
    }
}
