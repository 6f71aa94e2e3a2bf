//! Crashes, full disks, other programs, older layouts.

use std::collections::HashMap;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use shelf::{BackupError, Filter, Key, NewMark, Question, Shelf, ShelfError, TourId, VERSION};

use crate::exchange::full;
use crate::rides::{gpx, winding};
use crate::tours::tour;
use crate::{import, place};

/// Names the store to a test that runs in a process of its own.
const STORE: &str = "LACET_TEST_STORE";

fn child(test: &str, store: &Path, limits: &str) -> Command {
    let mut command = Command::new("sh");
    let line = format!(
        "{limits} exec \"$0\" --exact safety::{test} --ignored --nocapture --test-threads 1"
    );
    command
        .args(["-c", &line])
        .arg(std::env::current_exe().unwrap());
    command
        .env(STORE, store)
        .stdin(Stdio::null())
        .stderr(Stdio::null());
    command
}

fn store() -> Option<PathBuf> {
    std::env::var_os(STORE).map(PathBuf::from)
}

/// A line that the parent reads once the change before it was acknowledged.
fn acknowledge(line: &str) {
    let mut out = std::io::stdout().lock();
    writeln!(out, "ACK {line}")
        .and_then(|()| out.flush())
        .unwrap();
}

/// Edits and imports for ever, telling each change that was acknowledged.
#[test]
#[ignore = "runs in a process of its own"]
fn edits() {
    let Some(path) = store() else { return };
    let shelf = Shelf::open(&path).unwrap();
    let folder = path.with_file_name("rides");
    let mut mine: Vec<(TourId, u32)> = Vec::new();
    for n in 0u32.. {
        match n % 6 {
            0 => {
                let id = shelf.add(&tour("new"), None, i64::from(n)).unwrap().id;
                mine.push((id, 1));
                acknowledge(&format!("tour {id} 1 new"));
            }
            1 | 2 => {
                let at = n as usize % mine.len();
                let (id, revision) = &mut mine[at];
                let name = format!("edit {n}");
                *revision = shelf
                    .save(*id, *revision, &tour(&name), None, i64::from(n))
                    .unwrap();
                acknowledge(&format!("tour {id} {revision} {name}"));
            }
            3 => {
                let mark = NewMark {
                    name: format!("mark {n}"),
                    at: [45.0, 7.0],
                    ..NewMark::default()
                };
                let key = shelf.add_mark(&mark, None, 1).unwrap();
                acknowledge(&format!("mark {key}"));
            }
            _ => {
                let cancel = AtomicBool::new(false);
                let told = std::cell::Cell::new(0);
                let tell = |p: &shelf::ImportProgress| {
                    let new = p.recordings - told.replace(p.recordings);
                    if new > 0 {
                        acknowledge(&format!("import {new}"));
                        cancel.store(true, std::sync::atomic::Ordering::Relaxed);
                    }
                };
                shelf
                    .import(std::slice::from_ref(&folder), &(), 2, 1000, &tell, &cancel)
                    .unwrap();
            }
        }
    }
}

/// What is kept agrees with itself, down to the indexes.
fn sound(path: &Path) {
    let raw = rusqlite::Connection::open(path).unwrap();
    let ask = |sql: &str| raw.query_row(sql, [], |r| r.get::<_, String>(0)).unwrap();
    assert_eq!(ask("PRAGMA quick_check"), "ok");
    let count = |sql: &str| raw.query_row(sql, [], |r| r.get::<_, i64>(0)).unwrap();
    let live = count("SELECT count(*) FROM cards WHERE deleted_s IS NULL");
    assert_eq!(live, count("SELECT count(*) FROM words"));
    assert_eq!(live, count("SELECT count(DISTINCT card) FROM squares"));
    assert_eq!(live, count("SELECT count(*) FROM boxes"));
    assert_eq!(
        count("SELECT count(*) FROM tours"),
        count("SELECT count(*) FROM cards WHERE kind = 0")
    );
    assert_eq!(
        count("SELECT count(*) FROM recordings"),
        count("SELECT count(*) FROM cards WHERE kind = 1")
    );
    assert_eq!(
        count("SELECT count(*) FROM recordings"),
        count("SELECT count(*) FROM tracks")
    );
    assert_eq!(
        count("SELECT count(*) FROM marks"),
        count("SELECT count(*) FROM cards WHERE kind = 2")
    );
    raw.execute_batch("INSERT INTO words (words) VALUES ('integrity-check')")
        .unwrap();
}

#[test]
fn killed_at_two_hundred_instants_it_loses_at_most_the_change_in_flight() {
    let (dir, path) = place();
    let folder = dir.path().join("rides");
    std::fs::create_dir(&folder).unwrap();
    let files = 400;
    for n in 0..files {
        let fixes = winding(
            40.0 + f64::from(n) / 50.0,
            7.0,
            40,
            1.7e9 + f64::from(n) * 86_400.0,
        );
        std::fs::write(folder.join(format!("{n}.gpx")), gpx("", vec![fixes])).unwrap();
    }
    let mut random = 0x1234_5678_9abc_def1u64;
    let mut next = |n: u64| {
        // Xorshift (Marsaglia 2003, J. Stat. Software 8:14).
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        random % n
    };
    let mut tours: HashMap<String, (u32, String)> = HashMap::new();
    let (mut marks, mut recordings) = (0usize, 0usize);
    let mut acknowledged = 0;
    for kill in 0..200 {
        let mut process = child("edits", &path, "")
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(process.stdout.take().unwrap()).lines();
        let mut heard = Vec::new();
        let after = next(12);
        // Some are killed while the store is being opened, before any change.
        for line in lines.by_ref() {
            let line = line.unwrap();
            if let Some((_, ack)) = line.split_once("ACK ") {
                heard.push(ack.to_owned());
                if heard.len() as u64 > after {
                    break;
                }
            } else if after == 0 && line.contains("running") {
                break;
            }
        }
        std::thread::sleep(Duration::from_micros(next(9000)));
        process.kill().unwrap();
        // What it still said before it died was acknowledged, too.
        heard.extend(
            lines
                .map_while(Result::ok)
                .filter_map(|l| l.split_once("ACK ").map(|(_, a)| a.to_owned())),
        );
        process.wait().unwrap();
        acknowledged += heard.len();

        let shelf = Shelf::open(&path)
            .unwrap_or_else(|e| panic!("after kill {kill} it does not open: {e}"));
        for ack in heard {
            let words: Vec<&str> = ack.splitn(4, ' ').collect();
            match words[0] {
                "tour" => {
                    tours.insert(
                        words[1].into(),
                        (words[2].parse().unwrap(), words[3].into()),
                    );
                }
                "mark" => marks += 1,
                _ => recordings += words[1].parse::<usize>().unwrap(),
            }
        }
        for (id, (revision, name)) in &tours {
            let id = TourId::parse(id).unwrap();
            let kept = shelf.get(id).unwrap();
            let (now, then) = (kept.revision, kept.tour.name);
            let is_there = match now == *revision {
                true => then == *name,
                // One more save may have been in flight; what was acknowledged is in the history.
                false => {
                    now == revision + 1
                        && shelf
                            .history(id)
                            .unwrap()
                            .iter()
                            .any(|h| h.revision == *revision && h.tour.name == *name)
                }
            };
            assert!(
                is_there,
                "kill {kill}: {id} was acknowledged as {revision} {name:?} and is {now} {then:?}"
            );
        }
        let total = |text: &str| {
            let question = Question {
                filter: Filter::parse(text).unwrap(),
                limit: 0,
                ..Question::default()
            };
            shelf.search(&question).unwrap().total
        };
        let there = total("kind:mark");
        assert!(
            (marks..=marks + 1).contains(&there),
            "kill {kill}: {marks} marks, {there} kept"
        );
        marks = there;
        let there = total("kind:recording");
        assert!(
            there >= recordings,
            "kill {kill}: {recordings} recordings, {there} kept"
        );
        recordings = there;
        // A save in flight that came through counts from now on.
        for (id, told) in &mut tours {
            let kept = shelf.get(TourId::parse(id).unwrap()).unwrap();
            *told = (kept.revision, kept.tour.name);
        }
        drop(shelf);
        if kill % 20 == 0 {
            sound(&path);
        }
    }
    assert!(acknowledged > 500, "only {acknowledged} changes were made");
    // The import that was killed so often comes to the same end.
    let shelf = Shelf::open(&path).unwrap();
    import(&shelf, &folder);
    let question = Question {
        filter: Filter::parse("kind:recording").unwrap(),
        limit: 0,
        ..Question::default()
    };
    assert_eq!(shelf.search(&question).unwrap().total, files as usize);
    drop(shelf);
    sound(&path);
}

/// Adds until there is no room, and says how that was told.
#[test]
#[ignore = "runs in a process of its own"]
fn fills() {
    let Some(path) = store() else { return };
    let shelf = Shelf::open(&path).unwrap();
    let mut long = tour("long");
    long.note = "words ".repeat(20_000);
    for n in 0..10_000 {
        match shelf.add(&long, None, n) {
            Ok(kept) => acknowledge(&format!("tour {} 1 long", kept.id)),
            Err(e) => {
                assert!(
                    matches!(e, ShelfError::Full { .. } | ShelfError::Disk { .. }),
                    "{e:?}"
                );
                acknowledge(&format!("full {e}"));
                break;
            }
        }
    }
    let folder = path.with_file_name("rides");
    let never = AtomicBool::new(false);
    let error = shelf
        .import(&[folder], &(), 2, 1, &|_| {}, &never)
        .unwrap_err();
    acknowledge(&format!("import {error}"));
    // Reading goes on.
    assert!(!shelf.list().unwrap().is_empty());
    acknowledge("reads");
}

#[test]
#[cfg(unix)]
fn a_full_disk_keeps_what_was_kept_and_says_so() {
    let (dir, path) = place();
    let folder = dir.path().join("rides");
    std::fs::create_dir(&folder).unwrap();
    for n in 0..200 {
        let fixes = winding(40.0 + f64::from(n) / 50.0, 7.0, 2000, 1.7e9);
        std::fs::write(folder.join(format!("{n}.gpx")), gpx("", vec![fixes])).unwrap();
    }
    // No file may grow beyond 4 MB, as if the disk ended there.
    let out = child("fills", &path, "trap '' XFSZ; ulimit -f 8192;")
        .stderr(Stdio::inherit())
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    let acks: Vec<&str> = text
        .lines()
        .filter_map(|l| l.split_once("ACK ").map(|(_, a)| a))
        .collect();
    let kept: Vec<&str> = acks
        .iter()
        .filter_map(|a| a.strip_prefix("tour "))
        .collect();
    assert!(kept.len() > 3 && acks.contains(&"reads"), "{text}");
    assert!(
        acks.iter()
            .any(|a| a.starts_with("full cannot keep a new tour: the disk of")),
        "{acks:?}"
    );
    assert!(
        acks.iter()
            .any(|a| a.starts_with("import the import stopped after")),
        "{acks:?}"
    );
    let shelf = Shelf::open(&path).unwrap();
    assert!(shelf.list().unwrap().len() >= kept.len());
    for id in kept {
        shelf
            .get(TourId::parse(id.split(' ').next().unwrap()).unwrap())
            .unwrap();
    }
    shelf.add(&tour("there is room again"), None, 1).unwrap();
    assert_eq!(import(&shelf, &folder).progress.fates[3], 0);
    drop(shelf);
    sound(&path);
}

#[test]
fn an_import_waits_for_a_program_that_holds_the_store_and_names_one_that_keeps_it() {
    let (dir, path) = place();
    let shelf = Shelf::open(&path).unwrap();
    let file = dir.path().join("a.gpx");
    std::fs::write(&file, gpx("a", vec![winding(45.0, 7.0, 100, 1.7e9)])).unwrap();
    let raw = rusqlite::Connection::open(&path).unwrap();
    raw.execute_batch("BEGIN IMMEDIATE").unwrap();
    std::thread::scope(|s| {
        let import = s.spawn(|| import(&shelf, &file).progress.recordings);
        std::thread::sleep(Duration::from_millis(300));
        raw.execute_batch("ROLLBACK").unwrap();
        assert_eq!(import.join().unwrap(), 1);
    });
    raw.execute_batch("BEGIN IMMEDIATE").unwrap();
    let other = dir.path().join("b.gpx");
    std::fs::write(&other, gpx("b", vec![winding(46.0, 7.0, 100, 1.7e9)])).unwrap();
    let error = shelf
        .import(
            std::slice::from_ref(&other),
            &(),
            2,
            1,
            &|_| {},
            &AtomicBool::new(false),
        )
        .unwrap_err();
    assert!(
        error.to_string().contains("another program keeps"),
        "{error}"
    );
    // Meanwhile it is searched.
    assert_eq!(shelf.search(&Question::default()).unwrap().total, 1);
    raw.execute_batch("ROLLBACK").unwrap();
    assert_eq!(import(&shelf, &other).progress.recordings, 1);
}

#[test]
fn a_backup_is_made_while_others_write_and_opens_as_a_shelf() {
    let (dir, path) = place();
    let shelf = full(dir.path(), &path);
    let to = dir.path().join("backup.sqlite");
    let stop = AtomicBool::new(false);
    std::thread::scope(|s| {
        let writer = s.spawn(|| {
            let mut n = 0;
            while !stop.load(std::sync::atomic::Ordering::Relaxed) {
                shelf.add(&tour("meanwhile"), None, n).unwrap();
                n += 1;
            }
            n
        });
        for _ in 0..5 {
            assert!(shelf.backup(&to).unwrap() > 0);
            sound(&to);
        }
        stop.store(true, std::sync::atomic::Ordering::Relaxed);
        assert!(writer.join().unwrap() > 0);
    });
    let copy = Shelf::open(&to).unwrap();
    let key = shelf
        .search(&Question {
            filter: Filter::parse("kind:recording").unwrap(),
            limit: 1,
            ..Question::default()
        })
        .unwrap()
        .cards[0]
        .key;
    assert_eq!(copy.original(key).unwrap(), shelf.original(key).unwrap());
    assert_eq!(copy.recording(key).unwrap(), shelf.recording(key).unwrap());
    assert_eq!(copy.collections().unwrap(), shelf.collections().unwrap());
    drop(copy);
    // It replaces a backup, and nothing else.
    let letter = dir.path().join("letter.txt");
    std::fs::write(&letter, "dear aunt").unwrap();
    assert!(matches!(
        shelf.backup(&letter),
        Err(BackupError::Taken { .. })
    ));
    assert!(matches!(
        shelf.backup(&path),
        Err(BackupError::Itself { .. })
    ));
    assert!(matches!(
        shelf.backup(&dir.path().join("nowhere/b.sqlite")),
        Err(BackupError::Write { .. })
    ));
    assert_eq!(std::fs::read(&letter).unwrap(), b"dear aunt");
    let left: Vec<_> = std::fs::read_dir(dir.path())
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .filter(|n| n.contains("partial"))
        .collect();
    assert!(left.is_empty(), "{left:?}");
}

/// The first layout, as it was released.
const FIRST_LAYOUT: &str = "
    CREATE TABLE tours (
        id INTEGER PRIMARY KEY AUTOINCREMENT, revision INTEGER NOT NULL, name TEXT NOT NULL,
        region TEXT NOT NULL, days INTEGER NOT NULL, length_m REAL, document TEXT NOT NULL,
        created_s INTEGER NOT NULL, changed_s INTEGER NOT NULL, deleted_s INTEGER
    ) STRICT;
    CREATE INDEX tours_by_change ON tours (changed_s);
    CREATE TABLE history (
        tour INTEGER NOT NULL REFERENCES tours (id) ON DELETE CASCADE, revision INTEGER NOT NULL,
        saved_s INTEGER NOT NULL, document TEXT NOT NULL, PRIMARY KEY (tour, revision)
    ) STRICT;
    CREATE TABLE state (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
    PRAGMA application_id = 0x4c435453;
    PRAGMA user_version = 1;
";

#[test]
fn a_store_of_the_first_layout_is_extended_and_loses_nothing() {
    let (_dir, path) = place();
    let raw = rusqlite::Connection::open(&path).unwrap();
    raw.execute_batch(FIRST_LAYOUT).unwrap();
    let document = |name: &str| serde_json::to_string(&tour(name)).unwrap();
    let add = "INSERT INTO tours (revision, name, region, days, length_m, document, created_s, changed_s, deleted_s) VALUES (?, ?, 'demo', 2, 5.0, ?, 10, 20, ?)";
    raw.execute(add, (3, "Old tour", document("Old tour"), None::<i64>))
        .unwrap();
    raw.execute(add, (1, "Binned", document("Binned"), Some(30)))
        .unwrap();
    raw.execute(add, (1, "Odd", "{}", None::<i64>)).unwrap();
    raw.execute(
        "INSERT INTO history VALUES (1, 2, 15, ?)",
        [document("Older")],
    )
    .unwrap();
    raw.execute("INSERT INTO state VALUES ('page', '{\"a\":1}')", [])
        .unwrap();
    drop(raw);
    let shelf = Shelf::open(&path).unwrap();
    assert_eq!(shelf.list().unwrap().len(), 3);
    let id = TourId::parse("t1").unwrap();
    let kept = shelf.get(id).unwrap();
    assert_eq!(
        (kept.revision, kept.tour, kept.created_s, kept.changed_s),
        (3, tour("Old tour"), 10, 20)
    );
    assert_eq!(shelf.history(id).unwrap()[0].tour.name, "Older");
    assert_eq!(shelf.state().unwrap().as_deref(), Some("{\"a\":1}"));
    let found = |text: &str| {
        shelf
            .search(&Question {
                filter: Filter::parse(text).unwrap(),
                limit: 9,
                ..Question::default()
            })
            .unwrap()
            .total
    };
    assert_eq!(
        (found("old"), found("binned"), found("in:7,44,8,46")),
        (1, 0, 1)
    );
    shelf.restore(TourId::parse("t2").unwrap()).unwrap();
    assert_eq!(found("binned"), 1);
    assert_eq!(shelf.card(Key::Tour(id)).unwrap().revision, 3);
    drop(shelf);
    let raw = rusqlite::Connection::open(&path).unwrap();
    let version: u32 = raw
        .query_row("PRAGMA user_version", [], |r| r.get(0))
        .unwrap();
    assert_eq!(version, VERSION);
    assert_eq!(
        shelf_of(&raw, "tours"),
        10,
        "a migration changed an old table"
    );
}

fn shelf_of(raw: &rusqlite::Connection, table: &str) -> i64 {
    raw.query_row("SELECT count(*) FROM pragma_table_info(?)", [table], |r| {
        r.get(0)
    })
    .unwrap()
}
