//! Counts the road network of extracts by a plain rule, to be compared with independent counts.
//!
//! The rule: ways with a motor highway class, not `area=yes`; access is ignored; `oneway`
//! `yes`/`true`/`1` and `-1`, roundabouts and motorways are one-way; each pair of neighbouring way
//! nodes is a segment. Nothing here is used by the import itself except the reader.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::atomic::AtomicBool;

use region::{Point, distance_m};

use crate::osm::{Extracts, Kinds, MemberKind, ReadError, Tags, Watch, newest_by_id};

/// What was counted.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Count {
    /// Nodes on motor ways.
    pub graph_nodes: usize,
    /// Segments, twice where both directions are allowed.
    pub directed_segments: usize,
    /// Segments with an end that is missing from the files.
    pub segments_missing_nodes: usize,
    /// Nodes on at least two motor ways.
    pub junction_nodes: usize,
    /// Components with directions ignored.
    pub weak_components: usize,
    /// Nodes of the largest of them.
    pub largest_weak: usize,
    /// Kilometres by value of `highway`.
    pub km: BTreeMap<String, f64>,
    /// Turn restrictions by kind.
    pub restrictions: BTreeMap<String, usize>,
}

const CLASSES: [&str; 16] = [
    "motorway",
    "motorway_link",
    "trunk",
    "trunk_link",
    "primary",
    "primary_link",
    "secondary",
    "secondary_link",
    "tertiary",
    "tertiary_link",
    "unclassified",
    "residential",
    "living_street",
    "service",
    "track",
    "road",
];

struct CountedWay {
    id: i64,
    version: u32,
    class: &'static str,
    one_way: bool,
    refs: Vec<i64>,
}

/// Counts over all files together.
pub fn count(files: &[PathBuf]) -> Result<Count, ReadError> {
    let extracts = Extracts::open(files)?;
    let never = AtomicBool::new(false);
    let watch = Watch {
        stage: "counting",
        progress: &|_, _, _| {},
        cancel: &never,
    };
    let (mut ways, mut restrictions) = (Vec::new(), Vec::new());
    extracts.read(
        Kinds::WAYS,
        &|block| {
            block
                .ways()
                .filter_map(|w| way(w.id, w.version, w.refs, w.tags))
                .collect()
        },
        |found: Vec<CountedWay>| ways.extend(found),
        &watch,
    )?;
    extracts.read(
        Kinds::RELATIONS,
        &|block| {
            let is_restriction = |t: Tags| t.is("type", "restriction");
            let found = block.relations().filter(|r| is_restriction(r.tags));
            let kind = |t: Tags| {
                let kind = t
                    .get("restriction")
                    .or_else(|| t.get("restriction:conditional"));
                kind.unwrap_or("?").to_owned()
            };
            let motor = |r: &crate::osm::Relation| {
                r.members()
                    .any(|m| m.role == "from" && m.kind == MemberKind::Way)
            };
            found
                .map(|r| (r.id, r.version, kind(r.tags), motor(&r)))
                .collect()
        },
        |found: Vec<_>| restrictions.extend(found),
        &watch,
    )?;
    newest_by_id(&mut ways, |w| (w.id, w.version));
    newest_by_id(&mut restrictions, |r| (r.0, r.1));

    let by_way = |(i, w): (usize, &CountedWay)| w.refs.iter().map(move |&id| (id, i)).collect();
    let mut uses: Vec<(i64, usize)> = ways
        .iter()
        .enumerate()
        .flat_map::<Vec<_>, _>(by_way)
        .collect();
    uses.sort_unstable();
    uses.dedup();
    let mut ids: Vec<i64> = uses.iter().map(|u| u.0).collect();
    ids.dedup();
    let mut places: Vec<(u32, Option<Point>)> = vec![(0, None); ids.len()];
    extracts.read(
        Kinds::NODES,
        &|block| {
            let slot = |id: i64| ids.binary_search(&id).ok();
            block
                .nodes()
                .filter_map(|n| Some((slot(n.id)?, n.version, n.at)))
                .collect()
        },
        |found: Vec<(usize, u32, Point)>| {
            for (slot, version, at) in found {
                if places[slot].1.is_none() || places[slot].0 < version {
                    places[slot] = (version, Some(at));
                }
            }
        },
        &watch,
    )?;

    let mut count = Count::default();
    for (_, _, kind, _) in restrictions {
        *count.restrictions.entry(kind).or_default() += 1;
    }
    let same_node = uses.chunk_by(|a, b| a.0 == b.0);
    count.junction_nodes = same_node.filter(|ways| ways.len() > 1).count();
    let mut groups = Groups::new(ids.len());
    let mut on_graph = vec![false; ids.len()];
    for way in &ways {
        let slots: Vec<usize> = way
            .refs
            .iter()
            .filter_map(|id| ids.binary_search(id).ok())
            .collect();
        for pair in slots.windows(2) {
            let (Some(a), Some(b)) = (places[pair[0]].1, places[pair[1]].1) else {
                count.segments_missing_nodes += 1;
                continue;
            };
            on_graph[pair[0]] = true;
            on_graph[pair[1]] = true;
            count.directed_segments += if way.one_way { 1 } else { 2 };
            *count.km.entry(way.class.to_owned()).or_default() += distance_m(a, b) / 1000.0;
            groups.join(pair[0], pair[1]);
        }
    }
    count.graph_nodes = on_graph.iter().filter(|&&on| on).count();
    let mut sizes = BTreeMap::new();
    for slot in (0..ids.len()).filter(|&slot| on_graph[slot]) {
        *sizes.entry(groups.root(slot)).or_insert(0usize) += 1;
    }
    count.weak_components = sizes.len();
    count.largest_weak = sizes.values().copied().max().unwrap_or(0);
    Ok(count)
}

fn way(id: i64, version: u32, refs: &[i64], tags: Tags) -> Option<CountedWay> {
    let highway = tags.get("highway")?;
    let class = CLASSES.into_iter().find(|&c| c == highway)?;
    if tags.is("area", "yes") {
        return None;
    }
    let one_way = match tags.get("oneway") {
        Some("yes" | "true" | "1" | "-1") => true,
        Some("no") => false,
        _ => tags.is("junction", "roundabout") || class == "motorway",
    };
    Some(CountedWay {
        id,
        version,
        class,
        one_way,
        refs: refs.to_vec(),
    })
}

/// Disjoint sets with path halving.
struct Groups(Vec<u32>);

impl Groups {
    fn new(n: usize) -> Self {
        Groups((0..n as u32).collect())
    }
    fn root(&mut self, mut i: usize) -> usize {
        while self.0[i] as usize != i {
            self.0[i] = self.0[self.0[i] as usize];
            i = self.0[i] as usize;
        }
        i
    }
    fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.root(a), self.root(b));
        self.0[a.max(b)] = a.min(b) as u32;
    }
}
