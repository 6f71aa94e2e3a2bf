//! Everything out and in again.

use std::io::Cursor;
use std::io::Read;

use shelf::{
    Change, Collection, ExchangeError, Filter, Key, NewMark, Photo, Question, Selection, Shelf,
};

use crate::rides::{gpx, winding};
use crate::tours::tour;
use crate::{import, place};

/// A JPEG that is nothing but its Exif data: 47° 8' 30" N, 9° 31' 12" E, 2023-06-01 12:34:56.
pub(crate) fn picture(lat_ref: u8, lon_ref: u8) -> Vec<u8> {
    let mut tiff: Vec<u8> = b"II*\0\x08\0\0\0".to_vec();
    let entry = |tag: u16, kind: u16, count: u32, value: u32| {
        let mut e = Vec::new();
        e.extend(tag.to_le_bytes());
        e.extend(kind.to_le_bytes());
        e.extend(count.to_le_bytes());
        e.extend(value.to_le_bytes());
        e
    };
    // IFD 0 at 8 with two pointers: Exif at 38, GPS at 56.
    tiff.extend(2u16.to_le_bytes());
    tiff.extend(entry(0x8769, 4, 1, 38));
    tiff.extend(entry(0x8825, 4, 1, 56));
    tiff.extend(0u32.to_le_bytes());
    tiff.extend(1u16.to_le_bytes());
    tiff.extend(entry(0x9003, 2, 20, 110));
    tiff.extend(0u32.to_le_bytes());
    tiff.extend(4u16.to_le_bytes());
    tiff.extend(entry(1, 2, 2, u32::from(lat_ref)));
    tiff.extend(entry(2, 5, 3, 130));
    tiff.extend(entry(3, 2, 2, u32::from(lon_ref)));
    tiff.extend(entry(4, 5, 3, 154));
    tiff.extend(0u32.to_le_bytes());
    assert_eq!(tiff.len(), 110);
    tiff.extend(b"2023:06:01 12:34:56\0");
    for (n, d) in [(47u32, 1u32), (8, 1), (300, 10), (9, 1), (31, 1), (12, 1)] {
        tiff.extend(n.to_le_bytes());
        tiff.extend(d.to_le_bytes());
    }
    let mut jpeg = vec![0xff, 0xd8, 0xff, 0xe1];
    jpeg.extend((tiff.len() as u16 + 8).to_be_bytes());
    jpeg.extend(b"Exif\0\0");
    jpeg.extend(tiff);
    jpeg.extend([0xff, 0xd9]);
    jpeg
}

#[test]
fn a_picture_says_where_and_when() {
    let photo = Photo::look(&picture(b'N', b'E')).unwrap();
    let [lat, lon] = photo.at.unwrap();
    assert!(
        (lat - (47.0 + 8.0 / 60.0 + 30.0 / 3600.0)).abs() < 1e-9,
        "{lat}"
    );
    assert!(
        (lon - (9.0 + 31.0 / 60.0 + 12.0 / 3600.0)).abs() < 1e-9,
        "{lon}"
    );
    assert_eq!(
        (photo.kind, photo.taken.as_deref()),
        ("image/jpeg", Some("2023-06-01T12:34:56"))
    );
    let [lat, lon] = Photo::look(&picture(b'S', b'W')).unwrap().at.unwrap();
    assert!(lat < -47.0 && lon < -9.0);
    // Pictures without a place, damaged ones, and what is none.
    assert_eq!(Photo::look(&[0xff, 0xd8, 0xff, 0xd9]).unwrap().at, None);
    assert!(Photo::look(b"<svg onload=alert(1)>").is_err());
    assert!(Photo::look(b"GIF89a").is_err());
    let good = picture(b'N', b'E');
    for cut in 0..good.len() {
        let _ = Photo::look(&good[..cut]);
        let mut bad = good.clone();
        bad[cut] ^= 0xff;
        let _ = Photo::look(&bad);
    }
}

/// A shelf with something of everything, as riders have it.
pub(crate) fn full(dir: &std::path::Path, path: &std::path::Path) -> Shelf {
    let shelf = Shelf::open(path).unwrap();
    let mut drawn = tour("Free <b>ride</b> & \"more\"");
    drawn.points[1].leg = planner::document::LegKind::Free;
    let mut keys = vec![Key::Tour(
        shelf.add(&tour("Höhenweg"), Some(1234.5), 100).unwrap().id,
    )];
    keys.push(Key::Tour(shelf.add(&drawn, None, 200).unwrap().id));
    let gone = shelf.add(&tour("in the bin"), None, 300).unwrap().id;
    shelf.delete(gone, 310).unwrap();
    shelf
        .change(
            keys[0],
            1,
            &Change {
                tags: Some(vec!["club".into(), "two words".into()]),
                rating: Some(3),
                ..Change::default()
            },
            320,
        )
        .unwrap();

    let mut two = winding(45.0, 7.0, 400, 1.7e9);
    two.extend(winding(45.1, 7.1, 400, 1.7e9 + 50_000.0));
    for (n, fixes) in [
        two,
        winding(48.0, 9.0, 300, 1.71e9),
        winding(-33.0, 151.0, 300, 1.72e9),
    ]
    .into_iter()
    .enumerate()
    {
        let file = dir.join(format!("fährt {n}.gpx"));
        std::fs::write(&file, gpx("", vec![fixes])).unwrap();
        keys.extend(import(&shelf, file).keys);
    }
    assert_eq!(keys.len(), 6);
    let change = Change {
        name: Some("A wet day".into()),
        note: Some("rain\nand more rain".into()),
        tags: Some(vec!["rain".into()]),
        rating: Some(1),
    };
    shelf.change(keys[3], 1, &change, 400).unwrap();
    // Of the file with two recordings one part is thrown away, of another one all.
    shelf.set_deleted(keys[5], Some(450)).unwrap();

    let place = NewMark {
        name: "Bakery".into(),
        note: "<script>".into(),
        tags: vec!["food".into()],
        rating: Some(5),
        at: [45.123_456_7, 7.5],
        ..NewMark::default()
    };
    keys.push(shelf.add_mark(&place, None, 500).unwrap());
    let road = NewMark {
        name: "Good road".into(),
        at: [45.0, 7.0],
        road: vec![[45.0, 7.0], [45.1, 7.1]],
        ..NewMark::default()
    };
    keys.push(
        shelf
            .add_mark(&road, Some(&picture(b'N', b'E')), 510)
            .unwrap(),
    );
    let collection = Collection {
        name: "Club <rides>".into(),
        note: "for all".into(),
        members: vec![keys[6], keys[0], keys[3]],
        ..Collection::default()
    };
    shelf.add_collection(&collection, 600).unwrap();
    shelf
        .add_collection(
            &Collection {
                name: "Empty".into(),
                ..Collection::default()
            },
            610,
        )
        .unwrap();
    shelf
}

fn export(shelf: &Shelf, what: &Selection) -> Vec<u8> {
    let mut out = Cursor::new(Vec::new());
    shelf.export(what, &mut out).unwrap();
    out.into_inner()
}

fn all_cards(shelf: &Shelf) -> Vec<shelf::Card> {
    let mut cards = shelf
        .search(&Question {
            limit: 1000,
            ..Question::default()
        })
        .unwrap()
        .cards;
    cards.sort_by_key(|c| {
        (
            c.key.to_string().chars().next(),
            c.added_s,
            c.name.clone(),
            c.date.clone(),
        )
    });
    cards
}

#[test]
fn everything_exported_and_imported_again_is_identical() {
    let (dir, path) = place();
    let shelf = full(dir.path(), &path);
    let zip = export(&shelf, &Selection::All);
    let file = dir.path().join("all.zip");
    std::fs::write(&file, &zip).unwrap();
    let other = Shelf::open(&dir.path().join("other.sqlite")).unwrap();
    let brought = other.bring(&file, 9999).unwrap();
    assert_eq!(
        (
            brought.tours,
            brought.recordings,
            brought.marks,
            brought.collections,
            brought.known
        ),
        (2, 3, 2, 2, 0)
    );
    let (before, after) = (all_cards(&shelf), all_cards(&other));
    assert_eq!(before.len(), after.len());
    for (a, b) in before.iter().zip(&after) {
        // Keys and revisions belong to a shelf; all else is content.
        let b = shelf::Card {
            key: a.key,
            revision: a.revision,
            ..b.clone()
        };
        assert_eq!(*a, b);
    }
    for (a, b) in before.iter().zip(&after) {
        match (a.key, b.key) {
            (Key::Tour(x), Key::Tour(y)) => {
                let (x, y) = (shelf.get(x).unwrap(), other.get(y).unwrap());
                assert_eq!(
                    (x.tour, x.length_m, x.created_s, x.changed_s),
                    (y.tour, y.length_m, y.created_s, y.changed_s)
                );
            }
            (Key::Recording(_), Key::Recording(_)) => {
                assert_eq!(
                    shelf.original(a.key).unwrap(),
                    other.original(b.key).unwrap()
                );
                assert_eq!(shelf.runs(a.key).unwrap(), other.runs(b.key).unwrap());
            }
            _ => {
                let (x, y) = (shelf.mark(a.key).unwrap(), other.mark(b.key).unwrap());
                assert_eq!(
                    (x.at, x.road, x.photo.clone(), x.taken),
                    (y.at, y.road, y.photo, y.taken)
                );
                if x.photo.is_some() {
                    assert_eq!(shelf.photo(a.key).unwrap(), other.photo(b.key).unwrap());
                }
            }
        }
    }
    // The whole, written again, is the same bytes; and a second time nothing is new.
    assert!(
        export(&other, &Selection::All) == zip,
        "the second export differs from the first"
    );
    let again = other.bring(&file, 9999).unwrap();
    assert!(!again.is_new() && again.known == 9, "{again:?}");
    // An import recognises such a zip by itself, also within a folder of others.
    let third = Shelf::open(&dir.path().join("third.sqlite")).unwrap();
    assert_eq!(import(&third, &file).progress.recordings, 3);
    assert_eq!(all_cards(&third).len(), before.len());
}

#[test]
fn a_collection_is_a_zip_that_anybody_can_read() {
    let (dir, path) = place();
    let shelf = full(dir.path(), &path);
    let number = shelf
        .collections()
        .unwrap()
        .iter()
        .find(|c| c.name == "Club <rides>")
        .unwrap()
        .number;
    let bytes = export(&shelf, &Selection::Collection(number));
    let mut zip = zip::ZipArchive::new(Cursor::new(&bytes)).unwrap();
    let names: Vec<String> = zip.file_names().map(str::to_owned).collect();
    for ending in [".gpx", ".json", "marks.geojson", "index.html"] {
        assert!(
            names.iter().any(|n| n.ends_with(ending)),
            "{ending} is not in {names:?}"
        );
    }
    assert!(
        names
            .iter()
            .all(|n| n.is_ascii() && !n.contains("..") && !n.starts_with('/')),
        "{names:?}"
    );
    let mut page = String::new();
    zip.by_name("index.html")
        .unwrap()
        .read_to_string(&mut page)
        .unwrap();
    assert!(
        page.contains("Club &lt;rides&gt;")
            && page.contains("A wet day")
            && page.contains("Planning aid only")
    );
    assert!(!page.contains("<script>") && !page.contains("<rides>"));
    for name in names.iter().filter(|n| n.ends_with(".gpx")) {
        let mut gpx = Vec::new();
        zip.by_name(name).unwrap().read_to_end(&mut gpx).unwrap();
        planner::files::read(name, &gpx).unwrap();
        let page_links_it = page.contains(&format!("href=\"{name}\""));
        assert!(page_links_it, "{name} is not on the page");
    }

    // A club hands it round: who has some of it already gets the rest, and loses nothing.
    let file = dir.path().join("club.zip");
    std::fs::write(&file, &bytes).unwrap();
    let other = Shelf::open(&dir.path().join("other.sqlite")).unwrap();
    let mine = other.add(&tour("Mine"), None, 1).unwrap().id;
    other
        .add_collection(
            &Collection {
                name: "Club <rides>".into(),
                note: "mine".into(),
                members: vec![Key::Tour(mine)],
                ..Collection::default()
            },
            2,
        )
        .unwrap();
    let brought = other.bring(&file, 50).unwrap();
    assert_eq!(
        (
            brought.tours,
            brought.recordings,
            brought.marks,
            brought.collections
        ),
        (1, 1, 1, 1)
    );
    let merged = &other.collections().unwrap()[0];
    assert_eq!(
        (
            merged.members.len(),
            merged.members[0],
            merged.note.as_str()
        ),
        (4, Key::Tour(mine), "mine")
    );
}

#[test]
fn foreign_and_damaged_zips_are_refused() {
    let (dir, path) = place();
    let shelf = full(dir.path(), &path);
    let zip = export(&shelf, &Selection::All);
    let other = Shelf::open(&dir.path().join("other.sqlite")).unwrap();
    let file = dir.path().join("bad.zip");
    for cut in (0..zip.len()).step_by(zip.len() / 40 + 1) {
        std::fs::write(&file, &zip[..cut]).unwrap();
        assert!(
            matches!(other.bring(&file, 1), Err(ExchangeError::Read { .. })),
            "cut at {cut}"
        );
        let mut bad = zip.clone();
        bad[cut] ^= 0x55;
        std::fs::write(&file, &bad).unwrap();
        // A flipped bit may hit what is not read; then all that comes in is sound.
        let _ = other.bring(&file, 1);
    }
    for card in all_cards(&other) {
        assert!(other.line(card.key).is_ok());
    }
    assert!(matches!(
        shelf.export(&Selection::Collection(999), Cursor::new(Vec::new())),
        Err(ExchangeError::Shelf(_))
    ));
    let empty = Filter::parse("").unwrap();
    assert_eq!(empty, Filter::default());
}
