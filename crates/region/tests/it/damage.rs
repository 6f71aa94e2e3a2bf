//! A damaged, foreign or hostile file is an error value, never a panic and never wrong data.

use region::{Bounds, Columns, Edge, OpenError, Region};

use crate::support::two_pieces;

fn written(columns: &Columns) -> (tempfile::TempDir, std::path::PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("two.region");
    columns.write(&path).unwrap();
    (dir, path)
}

#[test]
fn what_was_written_is_read() {
    let (_dir, path) = written(&two_pieces());
    let region = Region::open(&path).unwrap();
    assert_eq!(region.meta().name, "two");
    assert_eq!(region.piece_count(), 2);
    assert_eq!(region.string(region.piece_name()[1]), "Hill road");
    assert_eq!(region.head(Edge::new(0, false)), 1);
    assert_eq!(region.head(Edge::new(1, true)), 1);
    let all = Bounds {
        west_e7: i32::MIN,
        south_e7: i32::MIN,
        east_e7: i32::MAX,
        north_e7: i32::MAX,
    };
    assert_eq!(region.pieces_in(all), [0, 1]);
    assert_eq!(
        region.pieces_in(Bounds {
            east_e7: 70_005_000,
            ..all
        }),
        [0]
    );
}

#[test]
fn equal_columns_make_equal_bytes() {
    let (_a, a) = written(&two_pieces());
    let (_b, b) = written(&two_pieces());
    assert_eq!(std::fs::read(a).unwrap(), std::fs::read(b).unwrap());
}

#[test]
fn every_flipped_bit_is_seen() {
    let (_dir, path) = written(&two_pieces());
    let good = std::fs::read(&path).unwrap();
    for byte in 0..good.len() {
        let mut bad = good.clone();
        bad[byte] ^= 1 << (byte % 8);
        std::fs::write(&path, &bad).unwrap();
        assert!(
            Region::open(&path).is_err(),
            "a flipped bit in byte {byte} went unseen"
        );
    }
}

#[test]
fn every_truncation_is_seen() {
    let (_dir, path) = written(&two_pieces());
    let good = std::fs::read(&path).unwrap();
    for len in 0..good.len() {
        std::fs::write(&path, &good[..len]).unwrap();
        assert!(
            Region::open(&path).is_err(),
            "a file cut at {len} went unseen"
        );
    }
}

#[test]
fn another_version_is_named() {
    let (_dir, path) = written(&two_pieces());
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[8] = 99;
    std::fs::write(&path, &bytes).unwrap();
    assert!(matches!(
        Region::open(&path),
        Err(OpenError::OtherVersion { found: 99, .. })
    ));
}

/// Correct checksums around columns that contradict each other: a crafted file.
#[test]
fn crafted_columns_are_refused() {
    type Craft = (&'static str, fn(&mut Columns));
    let crafts: &[Craft] = &[
        ("a junction out of range", |c| c.piece_to[1] = 3),
        ("an edge out of range", |c| c.node_edge[0] = 4),
        ("a CSR that runs backwards", |c| {
            c.piece_first_point = vec![0, 4, 2]
        }),
        ("a CSR beyond its items", |c| {
            c.piece_first_point = vec![0, 2, 5]
        }),
        ("a piece of one point", |c| {
            c.piece_first_point = vec![0, 1, 4]
        }),
        ("a short column", |c| c.piece_class.truncate(1)),
        ("an unknown code", |c| c.edge_access[0] = 77),
        ("a state that is not its edge", |c| c.state_edge[0] = 1),
        ("a turn to nowhere", |c| c.turn_head[0] = 9),
        ("a turn that leaps", |c| c.turn_head[0] = 3),
        ("a name out of range", |c| c.piece_name[0] = 2),
        ("a string cut inside a letter", |c| {
            c.string_bytes = "Hill roaé".as_bytes()[..9].to_vec()
        }),
        ("a tree over other rows", |c| {
            c.piece_tree = region::pack_tree(&[Bounds::EMPTY])
        }),
        ("a tree of noise", |c| c.piece_tree = vec![7; 40]),
        ("a latitude off the globe", |c| {
            c.point_lat_e7[0] = 910_000_000
        }),
        ("heights without a grid", |c| c.height_grid = vec![1]),
    ];
    for (what, craft) in crafts {
        let mut columns = two_pieces();
        craft(&mut columns);
        let (_dir, path) = written(&columns);
        let outcome = Region::open(&path);
        assert!(
            matches!(outcome, Err(OpenError::Damaged { .. })),
            "{what} was accepted"
        );
    }
}

#[test]
fn a_failed_write_leaves_the_old_file() {
    let (dir, path) = written(&two_pieces());
    let before = std::fs::read(&path).unwrap();
    // A folder in the way of the rename: the write must fail and clean up behind itself.
    let blocked = dir.path().join("blocked.region");
    std::fs::create_dir(&blocked).unwrap();
    std::fs::write(blocked.join("x"), "x").unwrap();
    assert!(two_pieces().write(&blocked).is_err());
    assert_eq!(std::fs::read(&path).unwrap(), before);
    let left: Vec<_> = std::fs::read_dir(dir.path()).unwrap().collect();
    assert_eq!(left.len(), 2, "a temporary file stayed behind: {left:?}");
}
