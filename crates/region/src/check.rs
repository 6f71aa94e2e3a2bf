//! Cross-references between columns, checked once on opening, so that no later reader can be led
//! out of bounds by a hostile file.

use geo_index::rtree::{RTreeIndex, RTreeRef};

use crate::columns::Region;
use crate::model::*;

type Outcome = Result<(), String>;

pub(crate) fn region(r: &Region) -> Outcome {
    strings(r)?;
    let strings = r.string_first().len() - 1;
    let (n, p, g) = (
        r.node_lon_e7().len(),
        r.piece_from().len(),
        r.point_lon_e7().len(),
    );
    let limit = u32::MAX as usize / 4;
    if n > limit || p > limit || g > u32::MAX as usize {
        return Err("it has more roads than the format can number".into());
    }

    len("node_lat_e7", r.node_lat_e7(), n)?;
    len("node_flags", r.node_flags(), n)?;
    csr(
        "node_first_edge",
        r.node_first_edge(),
        n,
        r.node_edge().len(),
    )?;
    len("node_edge", r.node_edge(), 2 * p)?;
    below("node_edge", r.node_edge(), 2 * p)?;
    coordinates("node", r.node_lon_e7(), r.node_lat_e7())?;

    below("piece_from", r.piece_from(), n)?;
    len("piece_to", r.piece_to(), p)?;
    below("piece_to", r.piece_to(), n)?;
    csr("piece_first_point", r.piece_first_point(), p, g)?;
    if r.piece_first_point().windows(2).any(|w| w[1] - w[0] < 2) {
        return Err("a piece has fewer than two points".into());
    }
    len("piece_length_mm", r.piece_length_mm(), p)?;
    codes("piece_class", r.piece_class(), p, |c| {
        RoadClass::from_code(c).is_some()
    })?;
    codes("piece_surface", r.piece_surface(), p, |c| {
        Surface::from_code(c).is_some()
    })?;
    codes("piece_smoothness", r.piece_smoothness(), p, |c| {
        Smoothness::from_code(c).is_some()
    })?;
    codes("piece_tracktype", r.piece_tracktype(), p, |c| c <= 5)?;
    len("piece_flags", r.piece_flags(), p)?;
    codes("edge_access", r.edge_access(), 2 * p, |c| {
        Access::from_code(c).is_some()
    })?;
    len("edge_limit_kmh", r.edge_limit_kmh(), 2 * p)?;
    codes("piece_limit_source", r.piece_limit_source(), p, |c| {
        LimitSource::from_code(c).is_some()
    })?;
    for (name, column) in [("piece_name", r.piece_name()), ("piece_ref", r.piece_ref())] {
        len(name, column, p)?;
        below(name, column, strings)?;
    }
    len("piece_way", r.piece_way(), p)?;
    len("piece_bend_deg_per_km", r.piece_bend_deg_per_km(), p)?;
    len(
        "piece_radius_share",
        r.piece_radius_share(),
        p * RADIUS_BANDS,
    )?;
    len("edge_climb_dm", r.edge_climb_dm(), 2 * p)?;
    len("piece_crossing_s", r.piece_crossing_s(), p)?;
    len("piece_built_up", r.piece_built_up(), p)?;
    for (name, column) in [
        ("piece_curves", r.piece_curves()),
        ("piece_changes", r.piece_changes()),
        ("piece_breaks", r.piece_breaks()),
        ("piece_relief_m", r.piece_relief_m()),
    ] {
        len(name, column, p)?;
    }
    for (name, column) in [
        ("piece_water", r.piece_water()),
        ("piece_wood", r.piece_wood()),
        ("piece_open", r.piece_open()),
    ] {
        len(name, column, p)?;
    }
    strands(r, p)?;
    let bends = r.bend_from_dm().len();
    csr("piece_first_bend", r.piece_first_bend(), p, bends)?;
    len("bend_length_dm", r.bend_length_dm(), bends)?;
    len("bend_turn_mrad", r.bend_turn_mrad(), bends)?;

    len("point_lat_e7", r.point_lat_e7(), g)?;
    len("point_height_cm", r.point_height_cm(), g)?;
    len("point_first_zoom", r.point_first_zoom(), g)?;
    coordinates("point", r.point_lon_e7(), r.point_lat_e7())?;

    let c = r.condition_piece().len();
    below("condition_piece", r.condition_piece(), p)?;
    ascending("condition_piece", r.condition_piece())?;
    for (name, column) in [
        ("condition_key", r.condition_key()),
        ("condition_value", r.condition_value()),
    ] {
        len(name, column, c)?;
        below(name, column, strings)?;
    }

    turns(r, p, strings)?;
    places(r, strings)?;
    features(r, strings)?;

    tree("piece_tree", r.piece_tree(), p)?;
    below("major_piece", r.major_piece(), p)?;
    tree("major_tree", r.major_tree(), r.major_piece().len())?;
    tree("place_tree", r.place_tree(), r.place_kind().len())?;
    tree("feature_tree", r.feature_tree(), r.feature_kind().len())?;

    let cells = r
        .meta()
        .heights
        .as_ref()
        .map_or(0, |h| h.columns as usize * h.rows as usize);
    len("height_grid", r.height_grid(), cells)
}

fn strings(r: &Region) -> Outcome {
    let (first, bytes) = (r.string_first(), r.string_bytes());
    if first.len() < 2 || first[0] != 0 || first[1] != 0 {
        return Err("its strings do not begin with the empty one".into());
    }
    csr("string_first", first, first.len() - 1, bytes.len())?;
    let ok = first
        .windows(2)
        .all(|w| std::str::from_utf8(&bytes[w[0] as usize..w[1] as usize]).is_ok());
    if ok {
        Ok(())
    } else {
        Err("a string is not UTF-8".into())
    }
}

fn strands(r: &Region, pieces: usize) -> Outcome {
    let (first, edges) = (r.strand_first(), r.strand_edge());
    if first.is_empty() {
        return Err("its strands are missing".into());
    }
    csr("strand_first", first, first.len() - 1, edges.len())?;
    len("strand_edge", edges, pieces)?;
    below("strand_edge", edges, 2 * pieces)?;
    let mut seen = vec![false; pieces];
    for &edge in edges {
        if std::mem::replace(&mut seen[edge as usize / 2], true) {
            return Err("a piece is in two strands".into());
        }
    }
    for w in first.windows(2) {
        let strand = &edges[w[0] as usize..w[1] as usize];
        if strand.is_empty() {
            return Err("a strand is empty".into());
        }
        if strand
            .windows(2)
            .any(|e| r.head(Edge(e[0])) != r.tail(Edge(e[1])))
        {
            return Err("a strand leaps from one junction to another".into());
        }
    }
    Ok(())
}

fn turns(r: &Region, pieces: usize, strings: usize) -> Outcome {
    let (s, t) = (r.state_edge().len(), r.turn_head().len());
    if s < 2 * pieces
        || r.state_edge()[..2 * pieces]
            .iter()
            .enumerate()
            .any(|(i, &e)| i as u32 != e)
    {
        return Err("the first states are not the edges".into());
    }
    below("state_edge", r.state_edge(), 2 * pieces)?;
    csr("turn_first_out", r.turn_first_out(), s, t)?;
    below("turn_head", r.turn_head(), s)?;
    len("turn_angle_deg", r.turn_angle_deg(), t)?;
    len("turn_flags", r.turn_flags(), t)?;
    for state in 0..s {
        let from = Edge(r.state_edge()[state]);
        let (a, b) = (
            r.turn_first_out()[state] as usize,
            r.turn_first_out()[state + 1] as usize,
        );
        for &to in &r.turn_head()[a..b] {
            if r.head(from) != r.tail(Edge(r.state_edge()[to as usize])) {
                return Err("a turn leaps from one junction to another".into());
            }
        }
    }
    below("turn_condition_turn", r.turn_condition_turn(), t)?;
    ascending("turn_condition_turn", r.turn_condition_turn())?;
    len(
        "turn_condition_value",
        r.turn_condition_value(),
        r.turn_condition_turn().len(),
    )?;
    below("turn_condition_value", r.turn_condition_value(), strings)
}

fn places(r: &Region, strings: usize) -> Outcome {
    let k = r.place_kind().len();
    codes("place_kind", r.place_kind(), k, |c| {
        PlaceKind::from_code(c).is_some()
    })?;
    len("place_lon_e7", r.place_lon_e7(), k)?;
    len("place_lat_e7", r.place_lat_e7(), k)?;
    coordinates("place", r.place_lon_e7(), r.place_lat_e7())?;
    len("place_rank", r.place_rank(), k)?;
    for (name, column) in [
        ("place_name", r.place_name()),
        ("place_detail", r.place_detail()),
    ] {
        len(name, column, k)?;
        below(name, column, strings)?;
    }
    len("place_height_cm", r.place_height_cm(), k)?;
    below("word_text", r.word_text(), strings)?;
    csr(
        "word_first_place",
        r.word_first_place(),
        r.word_text().len(),
        r.word_place().len(),
    )?;
    below("word_place", r.word_place(), k)
}

fn features(r: &Region, strings: usize) -> Outcome {
    let (f, rings) = (r.feature_kind().len(), r.ring_role().len());
    codes("feature_kind", r.feature_kind(), f, |c| {
        FeatureKind::from_code(c).is_some()
    })?;
    len("feature_min_zoom", r.feature_min_zoom(), f)?;
    len("feature_name", r.feature_name(), f)?;
    below("feature_name", r.feature_name(), strings)?;
    csr("feature_first_ring", r.feature_first_ring(), f, rings)?;
    codes("ring_role", r.ring_role(), rings, |c| c <= 2)?;
    let points = r.feature_lon_e7().len();
    csr("ring_first_point", r.ring_first_point(), rings, points)?;
    len("feature_lat_e7", r.feature_lat_e7(), points)?;
    len(
        "feature_point_first_zoom",
        r.feature_point_first_zoom(),
        points,
    )?;
    coordinates("feature", r.feature_lon_e7(), r.feature_lat_e7())
}

fn tree(name: &str, bytes: &[u8], items: usize) -> Outcome {
    // An index over nothing is an empty column: the library makes no tree of zero items.
    if items == 0 && bytes.is_empty() {
        return Ok(());
    }
    let tree = RTreeRef::<i32>::try_new(&bytes).map_err(|e| format!("{name} is broken: {e}"))?;
    if tree.num_items() as usize != items {
        return Err(format!(
            "{name} indexes {} items, not {items}",
            tree.num_items()
        ));
    }
    Ok(())
}

fn len<T>(name: &str, column: &[T], want: usize) -> Outcome {
    if column.len() == want {
        return Ok(());
    }
    Err(format!(
        "column {name} has {} rows, not {want}",
        column.len()
    ))
}

fn below(name: &str, column: &[u32], limit: usize) -> Outcome {
    match column.iter().find(|&&v| v as usize >= limit) {
        None => Ok(()),
        Some(v) => Err(format!("column {name} points to {v} of {limit}")),
    }
}

fn ascending(name: &str, column: &[u32]) -> Outcome {
    if column.is_sorted() {
        Ok(())
    } else {
        Err(format!("column {name} is not in order"))
    }
}

fn csr(name: &str, first: &[u32], rows: usize, end: usize) -> Outcome {
    len(name, first, rows + 1)?;
    if first[0] != 0 || first[rows] as usize != end || !first.is_sorted() {
        return Err(format!("column {name} does not divide its items"));
    }
    Ok(())
}

fn codes(name: &str, column: &[u8], want: usize, known: impl Fn(u8) -> bool) -> Outcome {
    len(name, column, want)?;
    match column.iter().find(|&&c| !known(c)) {
        None => Ok(()),
        Some(c) => Err(format!("column {name} holds the unknown code {c}")),
    }
}

fn coordinates(name: &str, lon: &[i32], lat: &[i32]) -> Outcome {
    let ok = lon.iter().all(|v| v.abs_diff(0) <= 1_800_000_000)
        && lat.iter().all(|v| v.abs_diff(0) <= 900_000_000);
    if ok {
        Ok(())
    } else {
        Err(format!("a {name} lies off the globe"))
    }
}
