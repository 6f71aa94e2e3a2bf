//! Scenery: what roads run through. Map features (water, woods, built-up areas, coast, borders,
//! railways), places for the finder, and answers about the surroundings of a point.
//!
//! ```text
//! Extracts --three passes--> gather::Found --assemble--> Scenery --surroundings--> roads
//!                                                           +--write--> columns
//! ```

mod coast;
mod features;
mod gather;
mod places;
mod rings;
mod surroundings;
mod tags;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicBool, Ordering};

use region::{Bounds, Columns, FeatureKind, PlaceKind, Point};

use crate::elevation::{ElevationError, Heights};
use crate::osm::{Extracts, ReadError};
use crate::strings::StringTable;
use gather::{Found, MemberRole, Relation, Way};
use places::Candidate;
use rings::{Polygon, Ring};

pub use features::line_zooms;
pub use surroundings::Surroundings;

/// Room between the outermost coast and the box that closes it, besides a twentieth of its size.
const FRAME_MARGIN_E7: i64 = 300_000;
/// Lines are joined until they have so many vertices.
const JOINED_POINTS: usize = 2_000;
/// Object ids named in a warning.
const WARNED_IDS: usize = 5;

/// Why scenery could not be written.
#[derive(Debug, thiserror::Error)]
pub enum SceneryError {
    /// Elevation of places could not be read.
    #[error(transparent)]
    Elevation(#[from] ElevationError),
    /// The caller asked to stop.
    #[error("import cancelled")]
    Cancelled,
}

struct Area {
    kind: FeatureKind,
    name: String,
    polygon: Polygon,
}

struct Line {
    kind: FeatureKind,
    min_zoom: u8,
    name: String,
    points: Vec<Point>,
}

/// Everything that is drawn or found, put together from an extract.
pub struct Scenery {
    areas: Vec<Area>,
    lines: Vec<Line>,
    land: Vec<Polygon>,
    /// Finder entries; the id of the node if it is one.
    places: Vec<(Option<i64>, Candidate)>,
    countries: BTreeMap<String, Vec<Polygon>>,
    usual_country: Option<String>,
    /// What the rider should know about gaps in the data.
    pub warnings: Vec<String>,
}

impl Scenery {
    /// Reads extracts in three passes and assembles areas, coast and places.
    pub fn read(
        extracts: &Extracts,
        progress: &(dyn Fn(&str, u64, u64) + Sync),
        cancel: &AtomicBool,
    ) -> Result<Self, ReadError> {
        let found = gather::read(extracts, progress, cancel)?;
        let stop = || cancel.load(Ordering::Relaxed);
        assemble(&found, progress, &stop).ok_or(ReadError::Cancelled)
    }

    /// An index that answers about points.
    pub fn surroundings(&self) -> Surroundings {
        let of = |kind| {
            self.areas
                .iter()
                .filter(move |a| a.kind == kind)
                .map(|a| &a.polygon)
        };
        let shores = self
            .lines
            .iter()
            .filter(|l| matches!(l.kind, FeatureKind::River | FeatureKind::Coast))
            .map(|l| &l.points[..]);
        Surroundings::new(
            of(FeatureKind::BuiltUp),
            of(FeatureKind::Wood),
            of(FeatureKind::Water),
            shores,
            &self.countries,
            self.usual_country.clone(),
        )
    }

    /// Writes features, places and words. The columns of pieces and nodes must be filled: named
    /// roads become places. `is_road_node` tells nodes (by OSM id) that lie on a road: saddles
    /// elsewhere are no passes.
    pub fn write(
        self,
        heights: Option<&Heights>,
        is_road_node: &dyn Fn(i64) -> bool,
        strings: &mut StringTable,
        columns: &mut Columns,
        progress: &(dyn Fn(&str, u64, u64) + Sync),
        cancel: &AtomicBool,
    ) -> Result<(), SceneryError> {
        let go_on = || match cancel.load(Ordering::Relaxed) {
            true => Err(SceneryError::Cancelled),
            false => Ok(()),
        };
        let stage = "simplifying the map";
        let total = (self.land.len() + self.areas.len() + self.lines.len()) as u64;
        let mut rows = Vec::new();
        let mut done = 0;
        let mut step = || {
            done += 1;
            if done % 1024 == 0 || done == total {
                progress(stage, done, total);
                go_on()?;
            }
            Ok::<(), SceneryError>(())
        };
        for polygon in &self.land {
            features::area(FeatureKind::Land, 0, polygon, &mut rows);
            step()?;
        }
        for area in &self.areas {
            let name = strings.intern(&area.name);
            features::area(area.kind, name, &area.polygon, &mut rows);
            step()?;
        }
        for line in &self.lines {
            let name = strings.intern(&line.name);
            features::line(line.kind, line.min_zoom, name, &line.points, &mut rows);
            step()?;
        }
        features::write(&rows, columns);
        drop(rows);

        go_on()?;
        let counts = |(node, c): &(Option<i64>, Candidate)| {
            !c.entry.only_on_road || node.is_some_and(is_road_node)
        };
        let found = self
            .places
            .into_iter()
            .filter(counts)
            .map(|(_, c)| c)
            .collect();
        let mut all = places::unite(found);
        all.extend(places::roads(columns, strings));
        progress("indexing places", 0, 1);
        places::write(all, heights, strings, columns)?;
        progress("indexing places", 1, 1);
        go_on()
    }
}

/// Objects that cannot be drawn, by what is wrong with them.
#[derive(Default)]
struct Trouble {
    open_relations: Vec<i64>,
    cut_relations: Vec<i64>,
    leaping: Vec<i64>,
}

fn assemble(
    found: &Found,
    progress: &(dyn Fn(&str, u64, u64) + Sync),
    stop: &dyn Fn() -> bool,
) -> Option<Scenery> {
    let mut scenery = Scenery {
        areas: Vec::new(),
        lines: Vec::new(),
        land: Vec::new(),
        places: Vec::new(),
        countries: BTreeMap::new(),
        usual_country: found.usual_country(),
        warnings: Vec::new(),
    };
    let mut trouble = Trouble::default();
    // Ways whose own tags only repeat those of a relation they are part of.
    let mut repeated: BTreeSet<i64> = BTreeSet::new();
    let mut borders: BTreeMap<i64, u8> = BTreeMap::new();

    let stage = "assembling areas";
    for (i, relation) in found.relations.iter().enumerate() {
        if i % 256 == 0 {
            progress(stage, i as u64, found.relations.len() as u64);
            if stop() {
                return None;
            }
        }
        if let Some(level) = relation.border {
            for &(way, _) in &relation.ways {
                let known = borders.entry(way).or_insert(level);
                *known = level.min(*known);
            }
        }
        if relation.area.is_some()
            || relation.place.is_some()
            || relation.country.is_some()
            || relation.untagged
        {
            assemble_relation(found, relation, &mut scenery, &mut repeated, &mut trouble);
        }
    }
    for way in &found.ways {
        if let Some(level) = way.border {
            let known = borders.entry(way.id).or_insert(level);
            *known = level.min(*known);
        }
        let is_ring = way.refs.len() >= 4 && way.refs.first() == way.refs.last();
        let kind = way.area.filter(|_| is_ring && !repeated.contains(&way.id));
        if kind.is_none() && way.place.is_none() {
            continue;
        }
        let polygons = if is_ring {
            let mut simple = Vec::new();
            rings::split_simple(&way.refs, &mut simple);
            let whole = simple.iter().filter_map(|ring| found.points(ring));
            rings::nest(
                whole
                    .map(|points| Ring {
                        points,
                        said_outer: true,
                    })
                    .collect(),
            )
        } else {
            Vec::new()
        };
        if polygons.iter().flatten().any(|ring| features::leaps(ring)) {
            trouble.leaping.push(way.id);
            continue;
        }
        if let Some(entry) = &way.place {
            scenery.place_area(entry, &polygons);
        }
        if let Some(kind) = kind {
            scenery.add_area(kind, &way.name, polygons);
        }
    }
    if stop() {
        return None;
    }
    for node in &found.places {
        let candidate = Candidate {
            entry: node.entry.clone(),
            at: node.at,
            area: None,
        };
        scenery.places.push((Some(node.id), candidate));
    }
    scenery.lines = lines(found, &borders);
    let open_ends = scenery.add_coast(found);
    scenery.warn(&trouble, open_ends);
    // One kind after another, each in the order of the map.
    scenery.areas.sort_by_key(|a| a.kind);
    scenery.lines.sort_by_key(|l| l.kind);
    progress(stage, 1, 1);
    Some(scenery)
}

fn assemble_relation(
    found: &Found,
    relation: &Relation,
    scenery: &mut Scenery,
    repeated: &mut BTreeSet<i64>,
    trouble: &mut Trouble,
) {
    let mut members: Vec<(&Way, MemberRole)> = Vec::new();
    let mut seen = BTreeSet::new();
    let mut cut = false;
    for &(id, role) in &relation.ways {
        match found.way(id) {
            Some(way) if seen.insert(id) => members.push((way, role)),
            Some(_) => {}
            None => cut = true,
        }
    }
    // Old style: the tags stand on the outer ways.
    let old_style = members
        .iter()
        .filter(|(_, role)| *role != MemberRole::Inner)
        .find_map(|(way, _)| way.area.map(|kind| (kind, &way.name)));
    let (kind, name) = match (relation.area, old_style) {
        (None, Some((kind, name))) if relation.untagged => (Some(kind), name),
        (kind, _) => (kind, &relation.name),
    };
    if kind.is_none() && relation.place.is_none() && relation.country.is_none() {
        return;
    }

    let refs: Vec<&[i64]> = members.iter().map(|(way, _)| &way.refs[..]).collect();
    let (closed, left_over) = rings::assemble(&refs);
    let not_outer: BTreeSet<i64> = members
        .iter()
        .filter(|(_, role)| *role != MemberRole::Outer)
        .flat_map(|(way, _)| way.refs.iter().copied())
        .collect();
    let mut lost = 0;
    let mut whole = Vec::new();
    for ring in &closed {
        match found.points(ring) {
            Some(points) => whole.push(Ring {
                points,
                said_outer: ring.iter().any(|id| !not_outer.contains(id)),
            }),
            None => lost += 1,
        }
    }
    // Borders of countries seldom lie in an extract whole: no reason to warn.
    if kind.is_some() || relation.place.is_some() {
        if cut || lost > 0 {
            trouble.cut_relations.push(relation.id);
        } else if left_over > 0 {
            trouble.open_relations.push(relation.id);
        }
    }
    let polygons = rings::nest(whole);
    if polygons.iter().flatten().any(|ring| features::leaps(ring)) {
        trouble.leaping.push(relation.id);
        return;
    }
    if polygons.is_empty() {
        return;
    }
    if let (Some(code), 0, false) = (&relation.country, left_over, cut) {
        scenery
            .countries
            .entry(code.clone())
            .or_default()
            .extend(polygons.iter().cloned());
    }
    if let Some(entry) = &relation.place {
        scenery.place_area(entry, &polygons);
    }
    if let Some(kind) = kind {
        let same = |way: &&(&Way, MemberRole)| way.0.area == Some(kind);
        repeated.extend(members.iter().filter(same).map(|(way, _)| way.id));
        scenery.add_area(kind, name, polygons);
    }
}

impl Scenery {
    fn add_area(&mut self, kind: FeatureKind, name: &str, polygons: Vec<Polygon>) {
        // Only waters are labelled.
        let name = if kind == FeatureKind::Water { name } else { "" };
        self.areas.extend(polygons.into_iter().map(|polygon| Area {
            kind,
            name: name.to_owned(),
            polygon,
        }));
    }

    /// A place at the middle of the largest of its polygons.
    fn place_area(&mut self, entry: &tags::Entry, polygons: &[Polygon]) {
        let size = |p: &&Polygon| p.first().map_or(0.0, |ring| rings::signed_area(ring).abs());
        let Some(largest) = polygons.iter().max_by(|a, b| size(a).total_cmp(&size(b))) else {
            return;
        };
        if let Some(at) = rings::inner_point(largest) {
            let area = largest.first().map(|ring| rings::bounds(ring));
            let mut entry = entry.clone();
            // Large lakes and islands matter more: 12 points for each power of ten in area.
            if matches!(entry.kind, PlaceKind::Water | PlaceKind::Island) {
                // Squared 1e-7 degrees to square kilometres, near enough.
                let km2 = size(&largest) * at.lat().to_radians().cos() * 1.24e-10;
                let more = (12.0 * (km2 / 0.01).max(1.0).log10()).min(60.0);
                entry.rank = entry.rank.saturating_add(more as u8);
            }
            self.places.push((None, Candidate { entry, at, area }));
        }
    }

    /// Land and shores; returns how many ends of coastlines hang loose.
    fn add_coast(&mut self, found: &Found) -> usize {
        let ways: Vec<coast::Way> = found
            .ways
            .iter()
            .filter(|way| matches!(way.line, Some((FeatureKind::Coast, _))))
            .flat_map(|way| found.runs(&way.refs))
            .collect();
        if ways.is_empty() {
            return 0;
        }
        let mut seen = Bounds::EMPTY;
        let inland = self.lines.iter().filter(|l| {
            !matches!(
                l.kind,
                FeatureKind::CountryBorder | FeatureKind::StateBorder
            )
        });
        for &p in self
            .areas
            .iter()
            .flat_map(|a| a.polygon.iter().flatten())
            .chain(inland.flat_map(|l| &l.points))
            .chain(ways.iter().flatten().map(|(_, p)| p))
            .chain(self.places.iter().map(|(_, c)| &c.at))
        {
            seen.include(p);
        }
        let coast = coast::land(&ways, seen, widened(seen));
        self.lines
            .extend(coast.lines.into_iter().map(|points| Line {
                kind: FeatureKind::Coast,
                min_zoom: 0,
                name: String::new(),
                points,
            }));
        self.land = coast.land;
        coast.open_ends
    }

    fn warn(&mut self, trouble: &Trouble, open_ends: usize) {
        let mut warn = |ids: &[i64], what: &str| {
            if !ids.is_empty() {
                let some: Vec<String> = ids
                    .iter()
                    .take(WARNED_IDS)
                    .map(|id| id.to_string())
                    .collect();
                let more = if ids.len() > WARNED_IDS { ", ..." } else { "" };
                self.warnings
                    .push(format!("{} {what} ({}{more})", ids.len(), some.join(", ")));
            }
        };
        warn(
            &trouble.open_relations,
            "areas have rings that do not close and are drawn without them: relations",
        );
        warn(
            &trouble.cut_relations,
            "areas reach beyond the extract and are drawn only as far as they are whole: relations",
        );
        warn(
            &trouble.leaping,
            "areas across the antimeridian are not drawn: objects",
        );
        if open_ends > 0 {
            self.warnings.push(format!(
                "the coast leaves the extract at {open_ends} ends: land and sea are closed along its edge"
            ));
        }
    }
}

/// A box around all data, with some room.
fn widened(b: Bounds) -> Bounds {
    let (w, s, e, n) = (
        i64::from(b.west_e7),
        i64::from(b.south_e7),
        i64::from(b.east_e7),
        i64::from(b.north_e7),
    );
    let (x, y) = (
        FRAME_MARGIN_E7 + (e - w) / 20,
        FRAME_MARGIN_E7 + (n - s) / 20,
    );
    Bounds {
        west_e7: (w - x).max(-1_800_000_000) as i32,
        south_e7: (s - y).max(-900_000_000) as i32,
        east_e7: (e + x).min(1_800_000_000) as i32,
        north_e7: (n + y).min(900_000_000) as i32,
    }
}

/// Rivers, streams, railways and borders, joined where exactly two of the same sort meet.
fn lines(found: &Found, borders: &BTreeMap<i64, u8>) -> Vec<Line> {
    type Sort<'a> = (FeatureKind, u8, &'a str);
    let mut sorts: BTreeMap<Sort, Vec<Vec<(i64, Point)>>> = BTreeMap::new();
    for way in &found.ways {
        if let Some((kind, zoom)) = way.line
            && kind != FeatureKind::Coast
        {
            let name = if kind == FeatureKind::Rail {
                ""
            } else {
                &way.name
            };
            sorts
                .entry((kind, zoom, name))
                .or_default()
                .extend(found.runs(&way.refs));
        }
        if let Some(level) = borders.get(&way.id)
            && !way.at_sea
        {
            let sort = match level {
                2 => (FeatureKind::CountryBorder, 0, ""),
                _ => (FeatureKind::StateBorder, 4, ""),
            };
            sorts.entry(sort).or_default().extend(found.runs(&way.refs));
        }
    }
    let mut lines = Vec::new();
    for ((kind, min_zoom, name), runs) in sorts {
        for points in join(runs) {
            lines.push(Line {
                kind,
                min_zoom,
                name: name.to_owned(),
                points,
            });
        }
    }
    lines
}

/// Joins lines at nodes where just two of them end.
fn join(runs: Vec<Vec<(i64, Point)>>) -> Vec<Vec<Point>> {
    let mut at: BTreeMap<i64, Vec<usize>> = BTreeMap::new();
    let ends = |run: &[(i64, Point)]| Some([run.first()?.0, run.last()?.0]);
    for (i, run) in runs.iter().enumerate() {
        for end in ends(run).into_iter().flatten() {
            at.entry(end).or_default().push(i);
        }
    }
    let mut used = vec![false; runs.len()];
    let next = |end: i64, used: &[bool]| match at.get(&end).map(|v| &v[..]) {
        Some(&[a, b]) if a != b => [a, b].into_iter().find(|&i| !used[i]),
        _ => None,
    };
    let mut joined = Vec::new();
    for first in 0..runs.len() {
        if std::mem::replace(&mut used[first], true) {
            continue;
        }
        let mut line = runs[first].clone();
        // To the end, then, turned round, to the other.
        for _ in 0..2 {
            while line.len() < JOINED_POINTS {
                let Some(&(end, _)) = line.last() else { break };
                let Some(run) = next(end, &used) else { break };
                used[run] = true;
                if runs[run].first().map(|n| n.0) == Some(end) {
                    line.extend(&runs[run][1..]);
                } else {
                    line.extend(runs[run].iter().rev().skip(1));
                }
            }
            line.reverse();
        }
        joined.push(line.into_iter().map(|(_, p)| p).collect());
    }
    joined
}
