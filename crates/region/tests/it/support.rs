//! A region of two pieces in a row: A --0-- B --1-- C, and nothing beside.

use region::{Bounds, Columns, Meta, Point, RADIUS_BANDS, pack_tree};

pub fn two_pieces() -> Columns {
    let lon = [70_000_000, 70_010_000, 70_020_000];
    let lat = [460_000_000, 460_005_000, 460_010_000];
    let boxes: Vec<Bounds> = (0..2)
        .map(|i| {
            let mut b = Bounds::EMPTY;
            b.include(Point {
                lon_e7: lon[i],
                lat_e7: lat[i],
            });
            b.include(Point {
                lon_e7: lon[i + 1],
                lat_e7: lat[i + 1],
            });
            b
        })
        .collect();
    let mut share = vec![0; 2 * RADIUS_BANDS];
    share[RADIUS_BANDS - 1] = 255;
    share[2 * RADIUS_BANDS - 1] = 255;
    let mut columns = Columns {
        meta: Meta {
            name: "two".into(),
            ..Meta::default()
        },
        node_lon_e7: lon.to_vec(),
        node_lat_e7: lat.to_vec(),
        node_first_edge: vec![0, 1, 3, 4],
        node_edge: vec![0, 1, 2, 3],
        node_flags: vec![0; 3],
        piece_from: vec![0, 1],
        piece_to: vec![1, 2],
        piece_first_point: vec![0, 2, 4],
        piece_length_mm: vec![94_000, 94_000],
        piece_class: vec![3; 2],
        piece_surface: vec![1; 2],
        piece_smoothness: vec![0; 2],
        piece_tracktype: vec![0; 2],
        piece_flags: vec![0; 2],
        edge_access: vec![0; 4],
        edge_limit_kmh: vec![80; 4],
        piece_limit_source: vec![1; 2],
        piece_name: vec![1; 2],
        piece_ref: vec![0; 2],
        piece_way: vec![7; 2],
        piece_bend_deg_per_km: vec![0; 2],
        piece_radius_share: share,
        edge_climb_dm: vec![0; 4],
        piece_crossing_s: vec![0; 2],
        piece_built_up: vec![0; 2],
        point_lon_e7: vec![lon[0], lon[1], lon[1], lon[2]],
        point_lat_e7: vec![lat[0], lat[1], lat[1], lat[2]],
        point_height_cm: vec![region::NO_HEIGHT; 4],
        point_first_zoom: vec![0; 4],
        state_edge: vec![0, 1, 2, 3],
        turn_first_out: vec![0, 1, 1, 1, 2],
        turn_head: vec![2, 1],
        turn_angle_deg: vec![0; 2],
        turn_flags: vec![0; 2],
        piece_tree: pack_tree(&boxes),
        word_first_place: vec![0],
        feature_first_ring: vec![0],
        ring_first_point: vec![0],
        string_first: vec![0, 0, 9],
        string_bytes: b"Hill road".to_vec(),
        ..Columns::default()
    };
    columns.measure_nothing();
    columns
}
