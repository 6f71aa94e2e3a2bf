//! Files of every kind coming in.

use std::io::{Cursor, Write};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use planner::files::Fix;
use shelf::cleaning::recordings;
use shelf::{Filter, Question, Shelf};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

use crate::rides::{fixes, gpx, winding};
use crate::{import, place};

const START: f64 = 1_700_000_000.0;

fn kept(shelf: &Shelf) -> usize {
    let all = Question {
        filter: Filter::parse("kind:recording").unwrap(),
        limit: 1000,
        ..Question::default()
    };
    shelf.search(&all).unwrap().total
}

#[test]
fn a_folder_comes_in_and_keeps_its_files_byte_for_byte() {
    let (dir, path) = place();
    let folder = dir.path().join("rides");
    std::fs::create_dir_all(folder.join("2023/alps")).unwrap();
    let first = gpx("Morning", vec![winding(45.0, 7.0, 900, START)]);
    std::fs::write(folder.join("2023/alps/one.GPX"), &first).unwrap();
    std::fs::write(
        folder.join("two.gpx"),
        gpx("", vec![winding(46.0, 8.0, 900, START)]),
    )
    .unwrap();
    std::fs::write(folder.join("letter.txt"), "dear aunt").unwrap();
    std::fs::write(folder.join("broken.gpx"), &first[..first.len() / 2]).unwrap();
    std::fs::write(folder.join("page.gpx"), "<html><body>404</body></html>").unwrap();
    #[cfg(unix)]
    std::os::unix::fs::symlink(&folder, folder.join("round")).unwrap();

    let shelf = Shelf::open(&path).unwrap();
    let summary = import(&shelf, &folder);
    let state = &summary.progress;
    assert_eq!((state.files, state.done, state.recordings), (4, 4, 2));
    assert_eq!(state.fates, [2, 0, 0, 2, 0]);
    assert_eq!(summary.broken.len(), 2);
    let reason = |file: &str| {
        let trouble = summary
            .broken
            .iter()
            .find(|t| t.file.ends_with(file))
            .unwrap();
        trouble.reason.clone()
    };
    assert!(
        reason("broken.gpx").contains("line"),
        "{}",
        reason("broken.gpx")
    );
    assert!(
        reason("page.gpx").contains("web page"),
        "{}",
        reason("page.gpx")
    );
    assert_eq!(shelf.troubles().unwrap().len(), 2);

    let names: Vec<String> = summary
        .keys
        .iter()
        .map(|k| shelf.card(*k).unwrap().name)
        .collect();
    assert!(
        names.contains(&"Morning".into()) && names.contains(&"two".into()),
        "{names:?}"
    );
    let morning = *summary
        .keys
        .iter()
        .find(|k| shelf.card(**k).unwrap().name == "Morning")
        .unwrap();
    assert_eq!(shelf.original(morning).unwrap(), ("one".into(), first));
    let recording = shelf.recording(morning).unwrap();
    assert_eq!((recording.points, recording.part), (900, 1));
    // 2023-11-14T22:13:20Z; at 7 degrees east the sun's day is the same.
    assert_eq!(recording.card.date.as_deref(), Some("2023-11-14"));
    assert_eq!(recording.clock_s, Some((START, START + 899.0)));
    let runs = shelf.runs(morning).unwrap();
    assert_eq!(runs[0].len(), 900);
}

#[test]
fn what_was_dealt_with_is_not_read_again_and_a_cancelled_import_goes_on() {
    let (dir, path) = place();
    let folder = dir.path().join("rides");
    std::fs::create_dir(&folder).unwrap();
    for n in 0..300u32 {
        let fixes = winding(
            40.0 + f64::from(n) / 50.0,
            7.0,
            60,
            START + f64::from(n) * 86_400.0,
        );
        std::fs::write(folder.join(format!("{n}.gpx")), gpx("", vec![fixes])).unwrap();
    }
    let shelf = Shelf::open(&path).unwrap();
    let cancel = AtomicBool::new(false);
    let stop = |p: &shelf::ImportProgress| cancel.store(p.done > 0, Ordering::Relaxed);
    let first = shelf
        .import(std::slice::from_ref(&folder), &(), 2, 1000, &stop, &cancel)
        .unwrap();
    assert!(
        first.cancelled && first.progress.done < 300,
        "{:?}",
        first.progress
    );
    assert_eq!(kept(&shelf), first.progress.recordings);
    let second = import(&shelf, &folder);
    assert_eq!(second.progress.fates[4], first.progress.done);
    assert_eq!(first.progress.recordings + second.progress.recordings, 300);
    let third = import(&shelf, &folder);
    assert_eq!(
        (third.progress.fates[4], third.progress.recordings),
        (300, 0)
    );
    // A file that changed is read again.
    let changed = gpx("changed", vec![winding(60.0, 7.0, 60, START)]);
    std::fs::write(folder.join("7.gpx"), changed).unwrap();
    assert_eq!(import(&shelf, &folder).progress.recordings, 1);
}

/// What people do to a recording before they forget that they have it.
#[test]
fn the_same_ride_is_recognised_and_other_rides_are_not() {
    let world = synth::Country::of_area_km2(3, 900.0)
        .generate(&mut |_, _| {}, &AtomicBool::new(false))
        .unwrap();
    let rides = synth::Rides::on(&world);
    for seed in 0..12u64 {
        let ride = fixes(&rides.ride(seed, 3000));
        let (dir, path) = place();
        let shelf = Shelf::open(&path).unwrap();
        let bring = |name: &str, bytes: Vec<u8>| {
            let file = dir.path().join(name);
            std::fs::write(&file, bytes).unwrap();
            import(&shelf, file).progress.fates
        };
        let kept = [1, 0, 0, 0, 0];
        let same_file = [0, 1, 0, 0, 0];
        let same_ride = [0, 0, 1, 0, 0];
        let whole = gpx("ride", vec![ride.clone()]);
        assert_eq!(bring("a.gpx", whole.clone()), kept);
        assert_eq!(bring("copy.gpx", whole), same_file);
        assert_eq!(
            bring("renamed.gpx", gpx("other name", vec![ride.clone()])),
            same_ride
        );
        let with = |change: &dyn Fn(&Fix) -> Fix| gpx("x", vec![ride.iter().map(change).collect()]);
        let rounded = with(&|f| Fix {
            lat: (f.lat * 1e5).round() / 1e5,
            lon: (f.lon * 1e5).round() / 1e5,
            ..*f
        });
        assert_eq!(bring("rounded.gpx", rounded), same_ride, "seed {seed}");
        assert_eq!(
            bring("timeless.gpx", with(&|f| Fix { time_s: None, ..*f })),
            same_ride,
            "seed {seed}"
        );
        let zone = with(&|f| Fix {
            time_s: f.time_s.map(|t| t + 7200.0),
            height_m: None,
            ..*f
        });
        assert_eq!(bring("zone.gpx", zone), same_ride, "seed {seed}");
        for step in [3, 10, 20] {
            let mut thin: Vec<Fix> = ride.iter().copied().step_by(step).collect();
            thin.extend(ride.last());
            assert_eq!(
                bring(&format!("thin{step}.gpx"), gpx("thin", vec![thin])),
                same_ride,
                "seed {seed}, one of {step}"
            );
        }
        let (a, b) = ride.split_at(1234);
        assert_eq!(
            bring("cut.gpx", gpx("cut", vec![a.to_vec(), b.to_vec()])),
            same_ride,
            "seed {seed}"
        );

        // Another day on the same road, at the same hour; the way back; a part of it.
        let later = with(&|f| Fix {
            time_s: f.time_s.map(|t| t + 86_400.0 * 3.0 + 137.0),
            ..*f
        });
        assert_eq!(bring("later.gpx", later), kept, "seed {seed}");
        let back: Vec<Fix> = ride
            .iter()
            .rev()
            .zip(&ride)
            .map(|(f, t)| Fix {
                time_s: t.time_s,
                ..*f
            })
            .collect();
        assert_eq!(
            bring("back.gpx", gpx("back", vec![back])),
            kept,
            "seed {seed}"
        );
        assert_eq!(
            bring("part.gpx", gpx("part", vec![ride[..1500].to_vec()])),
            kept,
            "seed {seed}"
        );
    }
}

#[test]
fn leaps_and_the_dance_of_a_parked_receiver_are_left_out_and_long_halts_split() {
    let mut ride = winding(45.0, 7.0, 600, START);
    let clean = gpx("clean", vec![ride.clone()]);
    let length = |bytes: &[u8]| {
        let all = recordings(&planner::files::read("x", bytes).unwrap());
        all.iter().map(|r| r.facts.length_m).sum::<f64>()
    };
    let true_m = length(&clean);
    // One point in the next country, one reflected from a wall.
    ride[100].lat += 0.8;
    ride[200].lon += 0.003;
    // Twenty minutes in the car park, dancing within 15 m.
    let (parked, shift) = (ride[300], 1200.0);
    for f in &mut ride[301..] {
        f.time_s = f.time_s.map(|t| t + shift);
    }
    let dance = (1..1200).map(|i| {
        let a = f64::from(i) * 2.4;
        Fix {
            lat: parked.lat + a.sin() * 1.2e-4,
            lon: parked.lon + a.cos() * 1.2e-4,
            time_s: parked.time_s.map(|t| t + f64::from(i)),
            ..parked
        }
    });
    ride.splice(301..301, dance);
    // A night in bed, then on.
    let mut next = winding(45.072, 7.06, 600, START + 1800.0 + 36_000.0);
    next.insert(
        300,
        Fix {
            time_s: next[10].time_s,
            ..next[300]
        },
    );
    ride.extend(next);
    let all = recordings(&planner::files::read("x", &gpx("x", vec![ride])).unwrap());
    assert_eq!(all.len(), 2, "the night did not split it");
    let facts = &all[0].facts;
    // Within half a percent, and the 30 m that a parked receiver may have moved.
    assert!(
        (facts.length_m - true_m).abs() < true_m * 0.005 + 30.0,
        "{} m instead of {true_m} m",
        facts.length_m
    );
    assert!((facts.riding_s.unwrap() - 599.0).abs() < 15.0, "{facts:?}");
    assert!(
        (1190..1210).contains(&all[0].left_out),
        "{}",
        all[0].left_out
    );
    assert_eq!(facts.started_s, Some(START));
    assert!(all.iter().all(|r| r.facts.points <= 610));
    // Every point that is left was in the file: nothing is moved. Climb: half a wave up, none lost.
    let climb = recordings(&planner::files::read("x", &clean).unwrap())[0]
        .facts
        .climb_m
        .unwrap();
    assert!((climb - 150.0).abs() < 15.0, "{climb}");
}

#[test]
fn a_zip_is_read_in_place_and_its_names_open_nothing() {
    let (dir, path) = place();
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    let options = SimpleFileOptions::default();
    let names = [
        "rides/a.gpx",
        "../../evil.gpx",
        "/etc/evil2.gpx",
        "C:\\evil3.gpx",
        "..\\..\\e4.gpx",
        "a\u{7}\nb.gpx",
    ];
    for (n, name) in names.iter().enumerate() {
        zip.start_file(*name, options).unwrap();
        zip.write_all(&gpx("", vec![winding(45.0 + n as f64, 7.0, 100, START)]))
            .unwrap();
    }
    zip.start_file("inner.zip", options).unwrap();
    zip.write_all(b"PK\x05\x06").unwrap();
    zip.start_file("readme.txt", options).unwrap();
    zip.write_all(b"x").unwrap();
    let file = dir.path().join("rides.zip");
    std::fs::write(&file, zip.finish().unwrap().into_inner()).unwrap();
    let shelf = Shelf::open(&path).unwrap();
    let summary = import(&shelf, &file);
    assert_eq!(summary.progress.recordings, names.len());
    assert_eq!(summary.ignored, 1);
    assert_eq!(summary.broken.len(), 1);
    assert!(summary.broken[0].reason.contains("zip in a zip"));
    // Nothing was written but the store.
    let mut left: Vec<String> = std::fs::read_dir(dir.path())
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    left.retain(|n| !n.starts_with("shelf.sqlite"));
    assert_eq!(left, ["rides.zip"]);
    for parent in dir.path().ancestors().skip(1).take(2) {
        assert!(!parent.join("evil.gpx").exists());
    }
    for key in &summary.keys {
        let card = shelf.card(*key).unwrap();
        assert!(
            !card.name.contains(['/', '\\', '\n', '\u{7}']),
            "{:?}",
            card.name
        );
    }
    assert_eq!(import(&shelf, &file).progress.fates[4], names.len());
}

#[test]
fn zip_bombs_are_not_unpacked() {
    let (dir, path) = place();
    let shelf = Shelf::open(&path).unwrap();
    // 150 MB of blanks in 150 kB.
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    zip.start_file(
        "bomb.gpx",
        SimpleFileOptions::default().compression_method(CompressionMethod::Deflated),
    )
    .unwrap();
    let blank = vec![b' '; 1 << 20];
    for _ in 0..150 {
        zip.write_all(&blank).unwrap();
    }
    zip.start_file("good.gpx", SimpleFileOptions::default())
        .unwrap();
    zip.write_all(&gpx("good", vec![winding(45.0, 7.0, 100, START)]))
        .unwrap();
    let mut bytes = zip.finish().unwrap().into_inner();
    let file = dir.path().join("bomb.zip");
    std::fs::write(&file, &bytes).unwrap();
    let summary = import(&shelf, &file);
    assert_eq!(summary.progress.recordings, 0);
    assert!(
        summary.broken[0].reason.contains("no honest one"),
        "{:?}",
        summary.broken
    );

    // The same, claiming in every place where sizes stand to hold a thousand bytes.
    let size = (150u32 << 20).to_le_bytes();
    for at in 0..bytes.len() - 4 {
        if bytes[at..at + 4] == size {
            bytes[at..at + 4].copy_from_slice(&1000u32.to_le_bytes());
        }
    }
    let file = dir.path().join("liar.zip");
    std::fs::write(&file, &bytes).unwrap();
    let summary = import(&shelf, &file);
    assert_eq!(
        summary.progress.recordings, 1,
        "the honest file beside it is kept"
    );
    assert_eq!(summary.broken.len(), 1);
    // Damage of every kind: a reason, never a panic.
    for cut in [0, 1, 30, 100, bytes.len() / 2, bytes.len() - 1] {
        let file = dir.path().join(format!("cut{cut}.zip"));
        std::fs::write(&file, &bytes[..cut]).unwrap();
        let summary = import(&shelf, &file);
        assert!(!summary.broken.is_empty(), "cut at {cut}");
    }
}

#[test]
fn files_of_many_hands_come_in_or_say_why_not() {
    let shared = std::env::var_os("LACET_SHARED").map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared"),
        std::path::PathBuf::from,
    );
    let folder = shared.join("data/gpx");
    if !folder.is_dir() {
        println!("skipped: {} is not there", folder.display());
        return;
    }
    let (_dir, path) = place();
    let shelf = Shelf::open(&path).unwrap();
    let summary = import(&shelf, &folder);
    let files = std::fs::read_dir(&folder)
        .unwrap()
        .filter(|e| {
            e.as_ref()
                .unwrap()
                .path()
                .extension()
                .is_some_and(|x| x == "gpx")
        })
        .count();
    assert_eq!(summary.progress.done, files);
    for name in [
        "broken-empty",
        "broken-html",
        "broken-out-of-range",
        "broken-truncated",
    ] {
        assert!(
            summary.broken.iter().any(|t| t.file.contains(name)),
            "{name} is not listed"
        );
    }
    for trouble in &summary.broken {
        println!(
            "{}: {}",
            trouble.file.rsplit('/').next().unwrap(),
            trouble.reason
        );
    }
    assert!(summary.progress.recordings >= 15, "{:?}", summary.progress);
    // The reader of these files by hand counts 5,120 points; none is lost but what is left out.
    let long = Question {
        filter: Filter::parse("activity-5120pts").unwrap(),
        limit: 9,
        ..Question::default()
    };
    let _ = shelf.search(&long).unwrap();
    for key in summary.keys {
        let recording = shelf.recording(key).unwrap();
        let points: usize = shelf.runs(key).unwrap().iter().map(Vec::len).sum();
        assert_eq!(points, recording.points as usize);
        assert!(recording.card.length_m.unwrap() >= 100.0);
    }
}
