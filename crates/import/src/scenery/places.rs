//! Finder entries: one for each place, however often it is mapped, and the words to find it by.

use std::collections::{BTreeMap, BTreeSet};

use region::{
    Bounds, Columns, LocalFrame, NO_HEIGHT, PlaceKind, Point, RoadClass, distance_m, fold,
    pack_tree,
};

use super::tags::Entry;
use crate::elevation::{ElevationError, Heights};
use crate::strings::StringTable;

/// A node this near to an area of the same kind and name is the same place, even outside of it.
const SAME_PLACE_M: f64 = 150.0;
/// The same for settlements and waters, whose node and area are drawn loosely.
const SAME_SETTLEMENT_M: f64 = 3_000.0;
/// Nodes this near to each other are one place mapped twice.
const SAME_NODE_M: f64 = 10.0;
/// Pieces of a road with such a gap between them are still one entry, degrees.
const ROAD_CELL_DEG: f64 = 0.03;

/// A place as it was found in the map.
pub(super) struct Candidate {
    pub entry: Entry,
    pub at: Point,
    /// Extent, if it is mapped as an area.
    pub area: Option<Bounds>,
}

/// Leaves one of the candidates that mean the same place: same kind and name, a node and an area.
/// The node's point stays for settlements, whose nodes mark the centre; tags are united.
pub(super) fn unite(mut candidates: Vec<Candidate>) -> Vec<Candidate> {
    let key = |c: &Candidate| (c.entry.kind, fold(&c.entry.name));
    candidates
        .sort_by_cached_key(|c| (c.entry.kind, c.at.lat_e7, c.at.lon_e7, fold(&c.entry.name)));
    let mut groups: BTreeMap<(PlaceKind, Vec<String>), Vec<usize>> = BTreeMap::new();
    for (i, c) in candidates.iter().enumerate() {
        groups.entry(key(c)).or_default().push(i);
    }
    // Unnamed candidates may be any named one of their kind.
    let mut gone = vec![false; candidates.len()];
    for ((kind, name), group) in &groups {
        let mut rivals = group.clone();
        if name.is_empty() {
            rivals = candidates
                .iter()
                .enumerate()
                .filter(|(_, c)| c.entry.kind == *kind)
                .map(|(i, _)| i)
                .collect();
        }
        let reach_m = reach_m(*kind);
        // Both lists run south to north: a window slides along.
        let mut from = 0;
        let widest = rivals
            .iter()
            .filter_map(|&i| candidates[i].area)
            .map(height_e7)
            .max();
        let window_e7 = (reach_m / 110_000.0 * 1e7) as i64 + widest.unwrap_or(0);
        for &i in group {
            if gone[i] {
                continue;
            }
            let lat = |i: usize| i64::from(candidates[i].at.lat_e7);
            while from < rivals.len() && lat(rivals[from]) < lat(i) - window_e7 {
                from += 1;
            }
            let twin = rivals[from..]
                .iter()
                .copied()
                .take_while(|&j| lat(j) <= lat(i) + window_e7)
                .filter(|&j| j != i && !gone[j])
                .find(|&j| is_same(&candidates[i], &candidates[j], reach_m));
            if let Some(j) = twin {
                // The named one stays; of two named ones, the node.
                let weight = |c: &Candidate| (!c.entry.name.is_empty(), c.area.is_none());
                let (stays, goes) = if weight(&candidates[i]) >= weight(&candidates[j]) {
                    (i, j)
                } else {
                    (j, i)
                };
                gone[goes] = true;
                absorb(&mut candidates, stays, goes);
            }
        }
    }
    let mut gone = gone.iter();
    candidates.retain(|_| !gone.next().copied().unwrap_or(false));
    candidates
}

fn reach_m(kind: PlaceKind) -> f64 {
    match kind {
        PlaceKind::City
        | PlaceKind::Town
        | PlaceKind::Village
        | PlaceKind::Hamlet
        | PlaceKind::Suburb
        | PlaceKind::Island
        | PlaceKind::Water => SAME_SETTLEMENT_M,
        _ => SAME_PLACE_M,
    }
}

fn height_e7(b: Bounds) -> i64 {
    i64::from(b.north_e7) - i64::from(b.south_e7)
}

fn is_same(a: &Candidate, b: &Candidate, reach_m: f64) -> bool {
    let far = distance_m(a.at, b.at);
    let within = |area: Option<Bounds>, p: Point| {
        area.is_some_and(|b| {
            (b.west_e7..=b.east_e7).contains(&p.lon_e7)
                && (b.south_e7..=b.north_e7).contains(&p.lat_e7)
        })
    };
    let named = !a.entry.name.is_empty() && !b.entry.name.is_empty();
    match (a.area, b.area) {
        (None, None) => named && far <= SAME_NODE_M,
        // Two areas: one mapped as a way and again as a relation.
        (Some(x), Some(y)) => named && (x == y || far <= SAME_NODE_M),
        // Without a name to go by, the node must lie in the area.
        (None, Some(_)) => within(b.area, a.at) || (named && far <= reach_m),
        (Some(_), None) => within(a.area, b.at) || (named && far <= reach_m),
    }
}

fn absorb(candidates: &mut [Candidate], stays: usize, goes: usize) {
    let other = candidates[goes].entry.clone();
    let entry = &mut candidates[stays].entry;
    entry.words.push(' ');
    entry.words.push_str(&other.words);
    for (key, value) in other.detail {
        entry.detail.entry(key).or_insert(value);
    }
    entry.height_cm = entry.height_cm.or(other.height_cm);
    entry.rank = entry.rank.max(other.rank);
}

/// Entries for named and numbered roads, from the columns of pieces: pieces of one name near
/// each other are one entry, at a vertex near its middle.
pub(super) fn roads(columns: &Columns, strings: &StringTable) -> Vec<Candidate> {
    let mut pieces: BTreeMap<&str, Vec<u32>> = BTreeMap::new();
    for piece in 0..columns.piece_from.len() {
        let name = columns
            .piece_name
            .get(piece)
            .map_or("", |&id| strings.get(id));
        let numbers = columns
            .piece_ref
            .get(piece)
            .map_or("", |&id| strings.get(id));
        let mut texts: Vec<&str> = numbers.split(';').map(str::trim).collect();
        texts.push(name);
        texts.sort_unstable();
        texts.dedup();
        for text in texts.into_iter().filter(|text| !text.is_empty()) {
            pieces.entry(text).or_default().push(piece as u32);
        }
    }
    let mut entries = Vec::new();
    for (text, pieces) in pieces {
        for cluster in clusters(columns, &pieces) {
            entries.extend(road(columns, strings, text, &cluster));
        }
    }
    entries
}

/// Divides pieces into groups that hang together in a coarse grid.
fn clusters(columns: &Columns, pieces: &[u32]) -> Vec<Vec<u32>> {
    let cell_of = |node: u32| {
        let at = |column: &[i32]| {
            column
                .get(node as usize)
                .map_or(0.0, |&v| f64::from(v) / 1e7)
        };
        let lat = at(&columns.node_lat_e7);
        // Cells as wide as they are high, in bands of latitude.
        let row = (lat / ROAD_CELL_DEG).floor();
        let shrink = (row * ROAD_CELL_DEG).to_radians().cos().max(0.05);
        (
            row as i64,
            (at(&columns.node_lon_e7) * shrink / ROAD_CELL_DEG).floor() as i64,
        )
    };
    let mut in_cell: BTreeMap<(i64, i64), Vec<u32>> = BTreeMap::new();
    for &piece in pieces {
        for node in [
            columns.piece_from[piece as usize],
            columns.piece_to[piece as usize],
        ] {
            in_cell.entry(cell_of(node)).or_default().push(piece);
        }
    }
    let mut clusters = Vec::new();
    let mut placed = BTreeSet::new();
    while let Some((&seed, _)) = in_cell.first_key_value() {
        let mut cluster = Vec::new();
        let mut open = vec![seed];
        while let Some(cell) = open.pop() {
            let Some(found) = in_cell.remove(&cell) else {
                continue;
            };
            for piece in found {
                if placed.insert(piece) {
                    cluster.push(piece);
                }
                // A long piece leads to the cell of its other end.
                for node in [
                    columns.piece_from[piece as usize],
                    columns.piece_to[piece as usize],
                ] {
                    open.push(cell_of(node));
                }
            }
            for (dr, dc) in (-1..=1).flat_map(|dr| (-1..=1).map(move |dc| (dr, dc))) {
                open.push((cell.0 + dr, cell.1 + dc));
            }
        }
        cluster.sort_unstable();
        if !cluster.is_empty() {
            clusters.push(cluster);
        }
    }
    clusters
}

fn road(
    columns: &Columns,
    strings: &StringTable,
    text: &str,
    cluster: &[u32],
) -> Option<Candidate> {
    let node = |n: u32| {
        Some(Point {
            lon_e7: *columns.node_lon_e7.get(n as usize)?,
            lat_e7: *columns.node_lat_e7.get(n as usize)?,
        })
    };
    let ends = |&piece: &u32| {
        [
            columns.piece_from[piece as usize],
            columns.piece_to[piece as usize],
        ]
    };
    let mut bounds = Bounds::EMPTY;
    for p in cluster.iter().flat_map(ends).filter_map(node) {
        bounds.include(p);
    }
    let middle = Point {
        lon_e7: ((i64::from(bounds.west_e7) + i64::from(bounds.east_e7)) / 2) as i32,
        lat_e7: ((i64::from(bounds.south_e7) + i64::from(bounds.north_e7)) / 2) as i32,
    };
    let frame = LocalFrame::at(middle);
    let from_middle = |p: Point| {
        let [east_m, north_m] = frame.to_m(p);
        east_m.hypot(north_m)
    };
    let nearest = |points: &mut dyn Iterator<Item = Point>| {
        points.min_by(|&a, &b| from_middle(a).total_cmp(&from_middle(b)))
    };
    let from =
        |&piece: &u32| node(columns.piece_from[piece as usize]).map_or(f64::MAX, from_middle);
    let piece = *cluster.iter().min_by(|a, b| from(a).total_cmp(&from(b)))? as usize;
    let first = &columns.piece_first_point;
    let vertices = *first.get(piece)? as usize..*first.get(piece + 1)? as usize;
    let at = nearest(&mut vertices.filter_map(|i| {
        Some(Point {
            lon_e7: *columns.point_lon_e7.get(i)?,
            lat_e7: *columns.point_lat_e7.get(i)?,
        })
    }))?;

    let best = cluster
        .iter()
        .map(|&p| columns.piece_class[p as usize])
        .min();
    let class = best.and_then(RoadClass::from_code);
    let mut detail = BTreeMap::new();
    // The number of a named road, the name of a numbered one: the first that differs.
    let other = |column: &[u32]| {
        let texts = cluster.iter().filter_map(|&p| column.get(p as usize));
        let mut texts = texts.map(|&id| strings.get(id)).filter(|t| !t.is_empty());
        texts
            .find(|t| t.split(';').all(|part| part.trim() != text))
            .map(str::to_owned)
    };
    let mut words = String::new();
    for (key, column) in [("ref", &columns.piece_ref), ("name", &columns.piece_name)] {
        if let Some(other) = other(column) {
            words.push(' ');
            words.push_str(&other);
            detail.insert(key.to_owned(), other);
        }
    }
    let rank = match class {
        Some(RoadClass::Motorway) => 78,
        Some(RoadClass::Trunk) => 74,
        Some(RoadClass::Primary) => 70,
        Some(RoadClass::Secondary) => 66,
        Some(RoadClass::Ferry) => 62,
        Some(RoadClass::Tertiary) => 54,
        Some(RoadClass::Unclassified) => 44,
        Some(RoadClass::Residential | RoadClass::LivingStreet) => 34,
        _ => 24,
    };
    let entry = Entry {
        kind: PlaceKind::Road,
        name: text.to_owned(),
        words,
        detail,
        rank,
        height_cm: None,
        only_on_road: false,
    };
    Some(Candidate {
        entry,
        at,
        area: Some(bounds),
    })
}

/// Writes the place and word columns: the important first, so that lower numbers matter more.
pub(super) fn write(
    mut places: Vec<Candidate>,
    heights: Option<&Heights>,
    strings: &mut StringTable,
    columns: &mut Columns,
) -> Result<(), ElevationError> {
    places.sort_by(|a, b| {
        let key = |c: &Candidate| {
            (
                std::cmp::Reverse(c.entry.rank),
                c.entry.kind,
                c.at.lat_e7,
                c.at.lon_e7,
            )
        };
        (key(a), &a.entry.name).cmp(&(key(b), &b.entry.name))
    });
    let ground = match heights {
        Some(heights) => heights.at_all(&places.iter().map(|c| c.at).collect::<Vec<_>>())?,
        None => vec![None; places.len()],
    };
    let mut word_places: BTreeMap<String, Vec<u32>> = BTreeMap::new();
    for (place, (candidate, ground)) in places.iter().zip(ground).enumerate() {
        let entry = &candidate.entry;
        columns.place_lon_e7.push(candidate.at.lon_e7);
        columns.place_lat_e7.push(candidate.at.lat_e7);
        columns.place_kind.push(entry.kind as u8);
        columns.place_rank.push(entry.rank);
        columns.place_name.push(strings.intern(&entry.name));
        let detail = if entry.detail.is_empty() {
            String::new()
        } else {
            serde_json::to_string(&entry.detail).unwrap_or_default()
        };
        columns.place_detail.push(strings.intern(&detail));
        let ground = ground.map(|h| (h.height_m * 100.0).round() as i32);
        columns
            .place_height_cm
            .push(entry.height_cm.or(ground).unwrap_or(NO_HEIGHT));
        let mut words = words(&entry.name);
        words.extend(self::words(&entry.words));
        for word in words {
            word_places.entry(word).or_default().push(place as u32);
        }
    }
    columns.word_first_place.push(0);
    for (word, found) in word_places {
        columns.word_text.push(strings.intern(&word));
        columns.word_place.extend(found);
        columns
            .word_first_place
            .push(columns.word_place.len() as u32);
    }
    let boxes: Vec<Bounds> = places
        .iter()
        .map(|c| Bounds {
            west_e7: c.at.lon_e7,
            east_e7: c.at.lon_e7,
            south_e7: c.at.lat_e7,
            north_e7: c.at.lat_e7,
        })
        .collect();
    columns.place_tree = pack_tree(&boxes);
    Ok(())
}

/// The words a text is found by: its own; what is written apart also as one (`d'Ordino` as
/// `dordino`, `N 22` and `N-22` as `n22`); and umlauts also as two letters (`zuerich`).
fn words(text: &str) -> BTreeSet<String> {
    let mut words: BTreeSet<String> = fold(text).into_iter().collect();
    for token in text.split_whitespace() {
        let parts = fold(token);
        if parts.len() > 1 {
            words.insert(parts.concat());
        }
    }
    let parts = fold(text);
    if let [letters, digits] = &parts[..]
        && letters.len() <= 4
        && digits.starts_with(|c: char| c.is_ascii_digit())
    {
        words.insert(parts.concat());
    }
    let spelled: String = text
        .chars()
        .map(|c| match c {
            'ä' | 'Ä' => "ae".into(),
            'ö' | 'Ö' => "oe".into(),
            'ü' | 'Ü' => "ue".into(),
            'å' | 'Å' => "aa".into(),
            other => String::from(other),
        })
        .collect();
    if spelled != text {
        words.extend(fold(&spelled));
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(kind: PlaceKind, name: &str) -> Entry {
        Entry {
            kind,
            name: name.into(),
            words: String::new(),
            detail: BTreeMap::new(),
            rank: 50,
            height_cm: None,
            only_on_road: false,
        }
    }

    fn node(kind: PlaceKind, name: &str, lat: f64, lon: f64) -> Candidate {
        Candidate {
            entry: entry(kind, name),
            at: Point::from_degrees(lat, lon).unwrap(),
            area: None,
        }
    }

    fn area(kind: PlaceKind, name: &str, lat: f64, lon: f64) -> Candidate {
        let mut c = node(kind, name, lat, lon);
        c.area = Some(Bounds::around(c.at, 40.0));
        c
    }

    #[test]
    fn node_and_area_of_one_place_become_one() {
        let mut station = area(PlaceKind::Fuel, "", 47.0, 9.0);
        station
            .entry
            .detail
            .insert("fuel:diesel".into(), "yes".into());
        let left = unite(vec![
            station,
            node(PlaceKind::Fuel, "Pump", 47.0001, 9.0001),
            node(PlaceKind::Fuel, "Pump", 47.001, 9.0), // across the road: another one
            node(PlaceKind::Lodging, "Pump", 47.0001, 9.0001),
            node(PlaceKind::Village, "Aa", 47.0, 9.0),
            area(PlaceKind::Village, "aa", 47.01, 9.0),
            node(PlaceKind::Village, "Aa", 47.5, 9.0),
        ]);
        assert_eq!(left.len(), 5);
        let fuel: Vec<_> = left
            .iter()
            .filter(|c| c.entry.kind == PlaceKind::Fuel)
            .collect();
        assert_eq!(fuel.len(), 2);
        assert!(fuel[0].entry.name == "Pump" && fuel[0].entry.detail.contains_key("fuel:diesel"));
        let village = left
            .iter()
            .find(|c| c.entry.kind == PlaceKind::Village)
            .unwrap();
        assert_eq!(village.at.lat_e7, 470_000_000, "the node marks the centre");
    }

    #[test]
    fn two_unnamed_stations_stay_two() {
        let left = unite(vec![
            node(PlaceKind::Fuel, "", 47.0, 9.0),
            node(PlaceKind::Fuel, "", 47.000_05, 9.0),
            area(PlaceKind::Fuel, "", 47.01, 9.0),
        ]);
        assert_eq!(left.len(), 3);
    }

    #[test]
    fn words_as_people_type_them() {
        let has = |text: &str, word: &str| words(text).contains(word);
        assert!(has("Coll d'Ordino", "dordino") && has("Coll d'Ordino", "ordino"));
        assert!(has("CG-3", "cg3") && has("N 22", "n22"));
        assert!(has("Zürich", "zurich") && has("Zürich", "zuerich"));
        assert!(!has("Via Roma", "viaroma"));
    }

    #[test]
    fn columns_are_in_order_of_importance_and_words_in_order_of_text() {
        let mut big = node(PlaceKind::City, "Bé Aa", 1.0, 1.0);
        big.entry.rank = 200;
        let mut strings = StringTable::new();
        let mut columns = Columns::default();
        let places = vec![node(PlaceKind::Hamlet, "Aa", 1.0, 2.0), big];
        write(places, None, &mut strings, &mut columns).unwrap();
        assert_eq!(
            columns.place_kind,
            [PlaceKind::City as u8, PlaceKind::Hamlet as u8]
        );
        let texts: Vec<&str> = columns
            .word_text
            .iter()
            .map(|&id| strings.get(id))
            .collect();
        assert_eq!(texts, ["aa", "be"]);
        assert_eq!(columns.word_first_place, [0, 2, 3]);
        assert_eq!(columns.word_place, [0, 1, 0]);
        assert_eq!(columns.place_height_cm, [NO_HEIGHT; 2]);
    }

    #[test]
    fn a_road_is_one_entry_where_it_hangs_together() {
        let mut strings = StringTable::new();
        let (pass, number) = (strings.intern("Pass Road"), strings.intern("P 1;P 2"));
        // Two pieces in a row, and one of the same name 50 km away.
        let lon_e7 = vec![90_000_000, 90_100_000, 90_200_000, 97_000_000, 97_100_000];
        let columns = Columns {
            node_lat_e7: vec![470_000_000; 5],
            point_lat_e7: vec![470_000_000; 6],
            point_lon_e7: vec![
                90_000_000, 90_100_000, 90_100_000, 90_200_000, 97_000_000, 97_100_000,
            ],
            node_lon_e7: lon_e7,
            piece_from: vec![0, 1, 3],
            piece_to: vec![1, 2, 4],
            piece_first_point: vec![0, 2, 4, 6],
            piece_class: vec![3, 4, 4],
            piece_name: vec![pass; 3],
            piece_ref: vec![number, 0, 0],
            ..Columns::default()
        };
        let entries = roads(&columns, &strings);
        let names: Vec<&str> = entries.iter().map(|c| c.entry.name.as_str()).collect();
        assert_eq!(names, ["P 1", "P 2", "Pass Road", "Pass Road"]);
        assert_eq!(
            entries[0].entry.detail.get("name").map(String::as_str),
            Some("Pass Road")
        );
        assert_eq!(
            entries[2].entry.detail.get("ref").map(String::as_str),
            Some("P 1;P 2")
        );
        assert_eq!(entries[2].at.lon_e7, 90_100_000);
    }
}
