//! The store: revisions, bin, history, and what happens when the disk, another program or a
//! newer version is in the way.

use planner::document::{FORMAT, LegKind, PointKind, Tour, TourPoint};
use shelf::{HISTORY_LEN, OpenError, Shelf, ShelfError, TourId, VERSION};

use crate::place;

pub(crate) fn tour(name: &str) -> Tour {
    let point = |lat, ends_day| TourPoint {
        kind: PointKind::Stop,
        lat,
        lon: 7.5,
        name: "Ćwikła Πύλη".into(),
        dwell_min: 20,
        leg: LegKind::Road,
        drawn: vec![[1.25, 2.5]],
        arrive_by: None,
        refuel: false,
        ends_day,
        next_depart: ends_day.then(|| "08:30".into()),
    };
    Tour {
        format: FORMAT.into(),
        name: name.into(),
        region: "demo".into(),
        taste: "fastest".into(),
        depart: None,
        points: vec![point(45.0, true), point(45.1, true), point(45.2, true)],
        note: String::new(),
        rider: planner::rider::Rider::default(),
    }
}

#[test]
fn a_tour_comes_back_as_it_was_kept_after_reopening() {
    let (_dir, path) = place();
    let kept = Shelf::open(&path)
        .unwrap()
        .add(&tour("Höhenweg"), Some(1234.5), 100)
        .unwrap();
    let again = Shelf::open(&path).unwrap().get(kept.id).unwrap();
    assert_eq!(again, kept);
    assert_eq!(
        (again.revision, again.created_s, again.changed_s),
        (1, 100, 100)
    );
    assert_eq!(TourId::parse(&kept.id.to_string()), Some(kept.id));
}

#[test]
fn the_list_is_newest_first_and_counts_days_by_the_nights_inside() {
    let (_dir, path) = place();
    let shelf = Shelf::open(&path).unwrap();
    let a = shelf.add(&tour("a"), None, 100).unwrap().id;
    let b = shelf.add(&tour("b"), Some(5.0), 200).unwrap().id;
    shelf.save(a, 1, &tour("a changed"), None, 300).unwrap();
    let list = shelf.list().unwrap();
    assert_eq!(list.iter().map(|e| e.id).collect::<Vec<_>>(), [a, b]);
    assert_eq!(
        (list[0].name.as_str(), list[0].changed_s, list[0].created_s),
        ("a changed", 300, 100)
    );
    // Three points that all end a day: only the middle one is a night inside the tour.
    assert_eq!(
        (list[1].days, list[1].length_m, list[1].region.as_str()),
        (2, Some(5.0), "demo")
    );
}

#[test]
fn a_stale_save_is_refused_and_carries_the_newer_tour() {
    let (_dir, path) = place();
    let (one, two) = (Shelf::open(&path).unwrap(), Shelf::open(&path).unwrap());
    let id = one.add(&tour("start"), None, 100).unwrap().id;
    assert_eq!(one.save(id, 1, &tour("by one"), None, 110).unwrap(), 2);
    let Err(ShelfError::Conflict { newer }) = two.save(id, 1, &tour("by two"), None, 120) else {
        panic!("the second window overwrote the first");
    };
    assert_eq!((newer.revision, newer.tour.name.as_str()), (2, "by one"));
    assert_eq!(two.get(id).unwrap().tour.name, "by one");
    // What is already kept may be sent again, as after a lost answer.
    assert_eq!(one.save(id, 1, &tour("by one"), None, 130).unwrap(), 2);
    assert_eq!(two.save(id, 2, &tour("by two"), None, 140).unwrap(), 3);
}

#[test]
fn earlier_documents_are_kept_within_bounds() {
    let (_dir, path) = place();
    let shelf = Shelf::open(&path).unwrap();
    let id = shelf.add(&tour("revision 1"), None, 1).unwrap().id;
    let saves = HISTORY_LEN + 5;
    for revision in 1..=saves {
        let name = format!("revision {}", revision + 1);
        shelf
            .save(id, revision, &tour(&name), None, i64::from(revision) + 1)
            .unwrap();
    }
    let history = shelf.history(id).unwrap();
    assert_eq!(history.len(), HISTORY_LEN as usize);
    assert_eq!(history[0].revision, saves);
    for earlier in history {
        assert_eq!(earlier.tour.name, format!("revision {}", earlier.revision));
        assert_eq!(earlier.saved_s, i64::from(earlier.revision));
    }
}

#[test]
fn the_bin_gives_back_until_it_is_purged() {
    let (_dir, path) = place();
    let shelf = Shelf::open(&path).unwrap();
    let [a, b] = ["a", "b"].map(|n| shelf.add(&tour(n), None, 100).unwrap().id);
    shelf.delete(a, 200).unwrap();
    shelf.delete(a, 900).unwrap();
    assert_eq!(shelf.get(a).unwrap().deleted_s, Some(200));
    shelf.restore(a).unwrap();
    assert_eq!(shelf.get(a).unwrap().deleted_s, None);
    shelf.delete(a, 300).unwrap();
    shelf.save(b, 1, &tour("b2"), None, 300).unwrap();
    assert_eq!(shelf.purge(300).unwrap(), 0);
    assert_eq!(shelf.purge(301).unwrap(), 1);
    assert!(matches!(shelf.get(a), Err(ShelfError::Unknown { .. })));
    assert!(matches!(shelf.restore(a), Err(ShelfError::Unknown { .. })));
    assert_eq!(shelf.history(b).unwrap().len(), 1);
    // A key is never given twice.
    assert_ne!(shelf.add(&tour("c"), None, 400).unwrap().id, a);
}

#[test]
fn keys_are_read_strictly() {
    for bad in [
        "",
        "t",
        "12",
        "t-1",
        "t+1",
        "t01",
        "t0",
        "t1 ",
        "T1",
        "t99999999999999999999",
        "../t1",
    ] {
        assert_eq!(TourId::parse(bad), None, "{bad:?}");
    }
}

#[test]
fn state_is_remembered() {
    let (_dir, path) = place();
    let shelf = Shelf::open(&path).unwrap();
    assert_eq!(shelf.state().unwrap(), None);
    shelf.set_state(r#"{"a":1}"#).unwrap();
    shelf.set_state(r#"{"a":2}"#).unwrap();
    drop(shelf);
    assert_eq!(
        Shelf::open(&path).unwrap().state().unwrap().as_deref(),
        Some(r#"{"a":2}"#)
    );
}

#[test]
fn a_newer_layout_is_refused_and_left_alone() {
    let (_dir, path) = place();
    drop(Shelf::open(&path).unwrap());
    let raw = rusqlite::Connection::open(&path).unwrap();
    raw.pragma_update(None, "user_version", VERSION + 1)
        .unwrap();
    raw.pragma_update(None, "journal_mode", "DELETE").unwrap();
    drop(raw);
    let before = std::fs::read(&path).unwrap();
    let Err(error) = Shelf::open(&path) else {
        panic!("it was opened")
    };
    assert!(matches!(error, OpenError::Newer { found, .. } if found == VERSION + 1));
    assert!(error.to_string().contains("newer"), "{error}");
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn foreign_and_damaged_files_are_refused_and_left_alone() {
    let (_dir, path) = place();
    std::fs::write(
        &path,
        "this is a letter to my aunt, long enough to be no database header",
    )
    .unwrap();
    let before = std::fs::read(&path).unwrap();
    let Err(error) = Shelf::open(&path) else {
        panic!("it was opened")
    };
    assert!(
        matches!(error, OpenError::Shelf(ShelfError::Damaged { .. })),
        "{error}"
    );
    assert_eq!(std::fs::read(&path).unwrap(), before);

    std::fs::remove_file(&path).unwrap();
    rusqlite::Connection::open(&path)
        .unwrap()
        .execute_batch("CREATE TABLE songs (x)")
        .unwrap();
    let Err(error) = Shelf::open(&path) else {
        panic!("it was opened")
    };
    assert!(matches!(error, OpenError::Foreign { .. }), "{error}");

    let Err(error) = Shelf::open(&path.join("nowhere/shelf.sqlite")) else {
        panic!("opened")
    };
    assert!(
        matches!(error, OpenError::Shelf(ShelfError::Forbidden { .. })),
        "{error}"
    );
}

#[test]
fn a_save_that_fails_half_way_keeps_nothing_of_it() {
    let (_dir, path) = place();
    let shelf = Shelf::open(&path).unwrap();
    let id = shelf.add(&tour("kept"), None, 100).unwrap().id;
    drop(shelf);
    // The last statement of a save fails, after the history was written.
    let raw = rusqlite::Connection::open(&path).unwrap();
    raw.execute_batch(
        "CREATE TRIGGER fail AFTER UPDATE ON tours BEGIN SELECT RAISE(ABORT, 'no'); END;",
    )
    .unwrap();
    drop(raw);
    let shelf = Shelf::open(&path).unwrap();
    assert!(shelf.save(id, 1, &tour("too much"), None, 110).is_err());
    let kept = shelf.get(id).unwrap();
    assert_eq!((kept.revision, kept.tour.name.as_str()), (1, "kept"));
    assert!(
        shelf.history(id).unwrap().is_empty(),
        "half of the save was kept"
    );
}

#[test]
fn another_program_holding_the_store_is_named() {
    let (_dir, path) = place();
    let shelf = Shelf::open(&path).unwrap();
    let raw = rusqlite::Connection::open(&path).unwrap();
    raw.execute_batch("BEGIN IMMEDIATE").unwrap();
    let error = shelf.add(&tour("waits"), None, 100).unwrap_err();
    assert!(matches!(error, ShelfError::Busy { .. }), "{error}");
    raw.execute_batch("ROLLBACK").unwrap();
    shelf.add(&tour("goes"), None, 100).unwrap();
    assert_eq!(shelf.list().unwrap().len(), 1);
}

#[test]
fn one_unreadable_document_does_not_hide_the_others() {
    let (_dir, path) = place();
    let shelf = Shelf::open(&path).unwrap();
    let id = shelf.add(&tour("a"), None, 100).unwrap().id;
    let other = shelf.add(&tour("b"), None, 100).unwrap().id;
    let raw = rusqlite::Connection::open(&path).unwrap();
    raw.execute(
        "UPDATE tours SET document = '{\"format\":\"later\"}' WHERE name = 'a'",
        [],
    )
    .unwrap();
    assert!(matches!(shelf.get(id), Err(ShelfError::Unreadable { .. })));
    assert_eq!(shelf.list().unwrap().len(), 2);
    assert_eq!(shelf.get(other).unwrap().tour.name, "b");
}

#[test]
fn many_writers_on_one_file_lose_nothing() {
    let (_dir, path) = place();
    Shelf::open(&path).unwrap();
    std::thread::scope(|s| {
        for writer in 0..4 {
            let path = &path;
            s.spawn(move || {
                let shelf = Shelf::open(path).unwrap();
                for n in 0..20 {
                    shelf.add(&tour(&format!("{writer}/{n}")), None, n).unwrap();
                }
            });
        }
    });
    let mut names: Vec<_> = Shelf::open(&path)
        .unwrap()
        .list()
        .unwrap()
        .into_iter()
        .map(|e| e.name)
        .collect();
    names.sort();
    names.dedup();
    assert_eq!(names.len(), 80);
}
