//! The three passes over the extracts: relations, then ways, then nodes.

use std::collections::BTreeMap;
use std::sync::atomic::AtomicBool;

use region::{FeatureKind, Point};

use super::tags::{self, Entry};
use crate::osm::{Block, Extracts, Kinds, MemberKind, ReadError, Watch, newest_by_id};

/// What a way is to its relation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum MemberRole {
    Outer,
    Inner,
    /// No role, or another.
    Unsaid,
}

pub(super) struct Relation {
    pub id: i64,
    version: u32,
    pub area: Option<FeatureKind>,
    pub name: String,
    pub place: Option<Entry>,
    pub country: Option<String>,
    pub border: Option<u8>,
    /// A multipolygon without tags of its own.
    pub untagged: bool,
    pub ways: Vec<(i64, MemberRole)>,
}

pub(super) struct Way {
    pub id: i64,
    version: u32,
    pub refs: Box<[i64]>,
    pub area: Option<FeatureKind>,
    pub line: Option<(FeatureKind, u8)>,
    pub border: Option<u8>,
    pub at_sea: bool,
    pub place: Option<Entry>,
    pub name: String,
}

pub(super) struct PlaceNode {
    pub id: i64,
    version: u32,
    pub at: Point,
    pub entry: Entry,
}

/// Everything of the extracts that has to do with scenery, each object once, by ascending id.
#[derive(Default)]
pub(super) struct Found {
    pub relations: Vec<Relation>,
    pub ways: Vec<Way>,
    pub places: Vec<PlaceNode>,
    node_ids: Vec<i64>,
    node_points: Vec<Option<Point>>,
    /// How often each country stands in an address.
    addresses: BTreeMap<String, u64>,
}

impl Found {
    pub fn way(&self, id: i64) -> Option<&Way> {
        self.ways
            .binary_search_by_key(&id, |way| way.id)
            .ok()
            .map(|i| &self.ways[i])
    }

    fn point(&self, node: i64) -> Option<Point> {
        self.node_ids
            .binary_search(&node)
            .ok()
            .and_then(|i| self.node_points[i])
    }

    /// Where the nodes are, if all are known.
    pub fn points(&self, nodes: &[i64]) -> Option<Vec<Point>> {
        nodes.iter().map(|&node| self.point(node)).collect()
    }

    /// The stretches of a line whose nodes are known, of two nodes or more.
    pub fn runs(&self, nodes: &[i64]) -> Vec<Vec<(i64, Point)>> {
        let mut runs = vec![Vec::new()];
        for &node in nodes {
            match (self.point(node), runs.last_mut()) {
                (Some(p), Some(run)) => run.push((node, p)),
                _ => runs.push(Vec::new()),
            }
        }
        runs.retain(|run| run.len() >= 2);
        runs
    }

    /// The country named in most addresses, if at least nine in ten agree.
    pub fn usual_country(&self) -> Option<String> {
        let all: u64 = self.addresses.values().sum();
        let (code, count) = self.addresses.iter().max_by_key(|(_, count)| **count)?;
        (all >= 10 && *count * 10 >= all * 9).then(|| code.clone())
    }
}

/// Reads what concerns scenery.
pub(super) fn read(
    extracts: &Extracts,
    progress: &(dyn Fn(&str, u64, u64) + Sync),
    cancel: &AtomicBool,
) -> Result<Found, ReadError> {
    let watch = |stage| Watch {
        stage,
        progress,
        cancel,
    };
    let mut found = Found::default();

    extracts.read(
        Kinds::RELATIONS,
        &|block: &Block| block.relations().filter_map(relation).collect::<Vec<_>>(),
        |relations| found.relations.extend(relations),
        &watch("looking for areas"),
    )?;
    newest_by_id(&mut found.relations, |r| (r.id, r.version));
    let mut members: Vec<i64> = found
        .relations
        .iter()
        .flat_map(|r| r.ways.iter().map(|w| w.0))
        .collect();
    members.sort_unstable();
    members.dedup();

    extracts.read(
        Kinds::WAYS,
        &|block: &Block| {
            let ways = block
                .ways()
                .filter_map(|w| way(w, &members))
                .collect::<Vec<_>>();
            (ways, addresses(block.ways().map(|w| w.tags)))
        },
        |(ways, addresses)| {
            found.ways.extend(ways);
            add(&mut found.addresses, addresses);
        },
        &watch("reading lines and areas"),
    )?;
    newest_by_id(&mut found.ways, |w| (w.id, w.version));

    let mut ids: Vec<i64> = found
        .ways
        .iter()
        .flat_map(|w| w.refs.iter().copied())
        .collect();
    ids.sort_unstable();
    ids.dedup();
    let mut points = vec![None; ids.len()];
    extracts.read(
        Kinds::NODES,
        &|block: &Block| {
            let known: Vec<(u32, Point)> = block
                .nodes()
                .filter_map(|n| Some((ids.binary_search(&n.id).ok()? as u32, n.at)))
                .collect();
            let places = block.nodes().filter_map(|n| {
                let entry = tags::place(n.tags.iter())?;
                Some(PlaceNode {
                    id: n.id,
                    version: n.version,
                    at: n.at,
                    entry,
                })
            });
            let places: Vec<PlaceNode> = places.collect();
            (known, places, addresses(block.nodes().map(|n| n.tags)))
        },
        |(known, places, addresses)| {
            for (i, at) in known {
                points[i as usize].get_or_insert(at);
            }
            found.places.extend(places);
            add(&mut found.addresses, addresses);
        },
        &watch("placing areas and finding places"),
    )?;
    newest_by_id(&mut found.places, |p| (p.id, p.version));
    (found.node_ids, found.node_points) = (ids, points);
    Ok(found)
}

fn relation(r: crate::osm::Relation) -> Option<Relation> {
    let multipolygon = r.tags.is("type", "multipolygon");
    if !multipolygon && !r.tags.is("type", "boundary") {
        return None;
    }
    let tags = || r.tags.iter();
    let place = if multipolygon {
        tags::place(tags())
    } else {
        None
    };
    let untagged = multipolygon
        && tags()
            .all(|(key, _)| matches!(key, "type" | "source" | "created_by" | "note" | "fixme"));
    let relation = Relation {
        id: r.id,
        version: r.version,
        area: tags::area(tags()),
        name: r.tags.get("name").unwrap_or("").into(),
        place,
        country: tags::country(tags()),
        border: tags::border_level(tags()),
        untagged,
        ways: r
            .members()
            .filter(|m| m.kind == MemberKind::Way)
            .map(|m| {
                let role = match m.role {
                    "outer" => MemberRole::Outer,
                    "inner" => MemberRole::Inner,
                    _ => MemberRole::Unsaid,
                };
                (m.id, role)
            })
            .collect(),
    };
    let wanted = relation.area.is_some()
        || relation.place.is_some()
        || relation.country.is_some()
        || relation.border.is_some()
        || relation.untagged;
    wanted.then_some(relation)
}

fn way(w: crate::osm::Way, members: &[i64]) -> Option<Way> {
    let tags = || w.tags.iter();
    let way = Way {
        id: w.id,
        version: w.version,
        refs: w.refs.into(),
        area: tags::area(tags()),
        line: tags::line(tags()),
        border: tags::border_level(tags()),
        at_sea: tags::is_sea_border(tags()),
        place: tags::place(tags()),
        name: w.tags.get("name").unwrap_or("").into(),
    };
    let wanted = way.area.is_some()
        || way.line.is_some()
        || way.border.is_some()
        || way.place.is_some()
        || members.binary_search(&w.id).is_ok();
    wanted.then_some(way)
}

fn addresses<'a>(tags: impl Iterator<Item = crate::osm::Tags<'a>>) -> BTreeMap<String, u64> {
    let mut counts = BTreeMap::new();
    for code in tags.filter_map(|t| t.get("addr:country")) {
        if tags::is_country_code(code) {
            *counts.entry(code.to_ascii_uppercase()).or_insert(0) += 1;
        }
    }
    counts
}

fn add(sum: &mut BTreeMap<String, u64>, more: BTreeMap<String, u64>) {
    for (code, count) in more {
        *sum.entry(code).or_insert(0) += count;
    }
}
