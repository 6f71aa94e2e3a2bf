//! Seeded benchmark of the shelf: thousands of invented recordings imported, searched and drawn.
//! `cargo run --release -p bench --bin shelf [FILES [POINTS]]`; without numbers 10,000 of 5,000.
#![allow(clippy::print_stdout, clippy::print_stderr)]

use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Instant;

use common::{Outcome, Random};
use shelf::{Filter, Question, Shelf};

/// Bars of the job.
const FILES_PER_S: f64 = 100.0;
const SEARCH_P95_MS: f64 = 30.0;
const TILE_P95_MS: f64 = 50.0;

fn main() -> Outcome<()> {
    let mut numbers = std::env::args().skip(1).map(|a| a.parse::<usize>());
    let files = numbers.next().transpose()?.unwrap_or(10_000);
    let points = numbers.next().transpose()?.unwrap_or(5_000);
    let dir = tempfile::tempdir()?;
    let never = AtomicBool::new(false);
    let world = synth::Country::of_area_km2(11, 12_000.0).generate(&mut |_, _| {}, &never)?;
    let rides = synth::Rides::on(&world);
    let folder = dir.path().join("rides");
    let start = Instant::now();
    write(&rides, &folder, files, points)?;
    println!(
        "{files} files of {points} points written in {:.0} s",
        start.elapsed().as_secs_f64()
    );

    let path = dir.path().join("shelf.sqlite");
    let shelf = Shelf::open(&path)?;
    let start = Instant::now();
    let summary = shelf.import(std::slice::from_ref(&folder), &(), 2, 0, &|_| {}, &never)?;
    let per_s = files as f64 / start.elapsed().as_secs_f64();
    assert_eq!(
        summary.progress.recordings, files,
        "{:?} {:?}",
        summary.broken, summary.duplicates
    );
    let bytes = path.metadata()?.len();
    println!(
        "imported: {per_s:.0} files/s, {:.0} kB a recording",
        bytes as f64 / files as f64 / 1e3
    );
    let start = Instant::now();
    let again = shelf.import(&[folder], &(), 2, 0, &|_| {}, &never)?;
    assert_eq!(again.progress.fates[4], files);
    println!("imported again: {:.1} s", start.elapsed().as_secs_f64());

    let all = shelf.search(&Question {
        limit: 1,
        ..Question::default()
    })?;
    assert_eq!(all.total, files);
    let mut random = Random::new(5);
    let keys = shelf
        .search(&Question {
            limit: 500,
            ..Question::default()
        })?
        .cards;
    let spot = |random: &mut Random| -> Outcome<[f64; 2]> {
        let card = &keys[random.below(keys.len())];
        let line = shelf.line(card.key)?.degrees();
        let run = &line[0];
        Ok(run[random.below(run.len())])
    };
    let mut ms = Vec::new();
    for n in 0..400 {
        let [lat, lon] = spot(&mut random)?;
        let size = [0.01, 0.05, 0.3, 1.0, 3.0][n % 5];
        let view = format!(
            "in:{},{},{},{}",
            lon - size,
            lat - size,
            lon + size,
            lat + size
        );
        let number = random.below(files);
        let text = match n % 8 {
            0 => "r".into(),
            1 => format!("ri {}", number % 10),
            2 => format!("ride {number}"),
            3 => view,
            4 => format!("ride {view}"),
            5 => format!("date:20{} length:50..90km", 15 + number % 10),
            6 => format!("time:1h.. climb:500 {view}"),
            _ => String::new(),
        };
        let question = Question {
            filter: Filter::parse(&text)?,
            limit: 50,
            ..Question::default()
        };
        let start = Instant::now();
        let found = shelf.search(&question)?;
        ms.push((start.elapsed().as_secs_f64() * 1e3, text));
        assert!(n % 8 != 2 || found.total > 0);
    }
    let search_ms = percentiles("search", ms);
    let mut ms = Vec::new();
    for n in 0..100 {
        let line = shelf.line(keys[n * 5 % keys.len()].key)?;
        let question = Question {
            like: Some(line),
            limit: 20,
            ..Question::default()
        };
        let start = Instant::now();
        let found = shelf.search(&question)?;
        ms.push((start.elapsed().as_secs_f64() * 1e3, String::new()));
        assert!(found.alike[0] > 0.99, "a line is not like itself");
    }
    let like_ms = percentiles("likeness", ms);
    let mut ms = Vec::new();
    let mut segments = 0;
    for n in 0..450 {
        let [lat, lon] = spot(&mut random)?;
        let z = 5 + (n % 10) as u8;
        let (x, y) = tile(lat, lon, z);
        let start = Instant::now();
        let strokes = shelf.strokes(z, x, y, None)?;
        let bytes = tiles::strokes_tile(
            z,
            x,
            y,
            &[("tours", &strokes[0]), ("recordings", &strokes[1])],
        )?;
        ms.push((
            start.elapsed().as_secs_f64() * 1e3,
            format!("zoom {z}, {} kB", bytes.len() / 1000),
        ));
        segments += strokes[1].iter().map(|s| s.len() - 1).sum::<usize>();
    }
    println!("tiles: {} segments each", segments / 450);
    let tile_ms = percentiles("tile", ms);

    let to = dir.path().join("backup.sqlite");
    let start = Instant::now();
    let bytes = shelf.backup(&to)?;
    println!(
        "backup: {:.1} s, {:.0} MB",
        start.elapsed().as_secs_f64(),
        bytes as f64 / 1e6
    );
    let held = per_s >= FILES_PER_S
        && search_ms <= SEARCH_P95_MS
        && like_ms <= SEARCH_P95_MS
        && tile_ms <= TILE_P95_MS;
    if held {
        Ok(())
    } else {
        Err("a bar is missed; is the machine busy with something else?".into())
    }
}

fn write(rides: &synth::Rides, folder: &PathBuf, files: usize, points: usize) -> Outcome<()> {
    std::fs::create_dir(folder)?;
    let next = AtomicUsize::new(0);
    std::thread::scope(|scope| {
        let hands: Vec<_> = (0..2)
            .map(|_| {
                scope.spawn(|| -> std::io::Result<()> {
                    loop {
                        let n = next.fetch_add(1, Ordering::Relaxed);
                        if n >= files {
                            return Ok(());
                        }
                        std::fs::write(
                            folder.join(format!("{n:05}.gpx")),
                            rides.gpx(n as u64, points),
                        )?;
                    }
                })
            })
            .collect();
        for hand in hands {
            hand.join().map_err(|_| "a writing thread failed")??;
        }
        Ok(())
    })
}

fn percentiles(what: &str, mut ms: Vec<(f64, String)>) -> f64 {
    ms.sort_by(|a, b| a.0.total_cmp(&b.0));
    let at = |share: f64| &ms[((ms.len() - 1) as f64 * share) as usize];
    println!(
        "{what}: p50 {:.1} ms, p95 {:.1} ms, worst {:.1} ms ({})",
        at(0.5).0,
        at(0.95).0,
        at(1.0).0,
        at(1.0).1
    );
    at(0.95).0
}

fn tile(lat: f64, lon: f64, z: u8) -> (u32, u32) {
    let side = f64::from(1u32 << z);
    let y = (0.5 - lat.to_radians().sin().atanh() / (2.0 * std::f64::consts::PI)) * side;
    (((lon / 360.0 + 0.5) * side) as u32, y as u32)
}
