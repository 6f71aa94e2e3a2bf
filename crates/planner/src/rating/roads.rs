//! Roads as a rider follows them: the region's strands, joined where the same number or name goes
//! on around a corner or through a roundabout.

use std::collections::BTreeMap;
use std::ops::Range;

use region::{Edge, Region, flag};

/// All pieces of a region, road after road, each piece once.
#[derive(Debug)]
pub(super) struct Roads {
    /// [roads + 1] First place of each road in `edges`.
    first: Vec<u32>,
    /// [P] Edges in riding order; neighbours meet at a junction or a roundabout.
    edges: Vec<u32>,
    /// [P] Metres from the beginning of the road to the edge.
    start_m: Vec<f32>,
    /// [P] Place of each piece in `edges`.
    place: Vec<u32>,
    /// [P] Road of each place.
    road: Vec<u32>,
}

impl Roads {
    pub fn new(region: &Region) -> Self {
        let joined = join(region);
        let pieces = region.piece_count() as usize;
        let mut roads = Roads {
            first: vec![0],
            edges: Vec::with_capacity(pieces),
            start_m: Vec::with_capacity(pieces),
            place: vec![0; pieces],
            road: Vec::with_capacity(pieces),
        };
        let mut seen = vec![false; region.strand_count()];
        for strand in 0..region.strand_count() as u32 {
            if seen[strand as usize] {
                continue;
            }
            // Back to where the road begins, or once around.
            let mut end = 2 * strand;
            while let Some(before) = joined[end as usize] {
                if before / 2 == strand {
                    end = 2 * strand;
                    break;
                }
                end = before ^ 1;
            }
            let mut along_m = 0.0;
            loop {
                seen[end as usize / 2] = true;
                let edges = region.strand(end as usize / 2);
                let turned = end & 1 == 1;
                for i in 0..edges.len() {
                    let edge = match turned {
                        false => edges[i],
                        true => edges[edges.len() - 1 - i] ^ 1,
                    };
                    roads.place[edge as usize / 2] = roads.edges.len() as u32;
                    roads.edges.push(edge);
                    roads.start_m.push(along_m as f32);
                    roads.road.push(roads.first.len() as u32 - 1);
                    along_m += region.length_m(edge / 2);
                }
                match joined[end as usize ^ 1] {
                    Some(next) if !seen[next as usize / 2] => end = next,
                    _ => break,
                }
            }
            roads.first.push(roads.edges.len() as u32);
        }
        roads
    }

    pub fn len(&self) -> usize {
        self.first.len() - 1
    }

    /// Places of a road.
    pub fn places(&self, road: usize) -> Range<usize> {
        self.first[road] as usize..self.first[road + 1] as usize
    }

    /// Places of the road a piece is on.
    pub fn places_around(&self, piece: u32) -> Range<usize> {
        self.places(self.road[self.place(piece)] as usize)
    }

    pub fn place(&self, piece: u32) -> usize {
        self.place[piece as usize] as usize
    }

    pub fn edge(&self, place: usize) -> Edge {
        Edge(self.edges[place])
    }

    /// Metres from the beginning of the road.
    pub fn start_m(&self, place: usize) -> f32 {
        self.start_m[place]
    }
}

/// For each end of a strand (`2 d` where it begins, `2 d + 1` where it ends) the end of another on
/// which the road goes on.
fn join(region: &Region) -> Vec<Option<u32>> {
    let strands = region.strand_count();
    let length_m: Vec<f64> = (0..strands)
        .map(|d| {
            region
                .strand(d)
                .iter()
                .map(|&e| region.length_m(e / 2))
                .sum()
        })
        .collect();
    let rounds = roundabouts(region);
    let mut joined = vec![None; 2 * strands];
    for names in [region.piece_ref(), region.piece_name()] {
        // Ends at the same junction or roundabout with the same name, the longest strands first.
        let mut meeting: BTreeMap<(u32, u32), Vec<u32>> = BTreeMap::new();
        for end in 0..2 * strands as u32 {
            if joined[end as usize].is_some() {
                continue;
            }
            let edges = region.strand(end as usize / 2);
            // The edge that leads into the strand from this end.
            let inward = match end & 1 {
                0 => Edge(edges[0]),
                _ => Edge(edges[edges.len() - 1]).reversed(),
            };
            let name = names[inward.piece() as usize];
            if name != 0 && region.piece_flags()[inward.piece() as usize] & flag::ROUNDABOUT == 0 {
                let node = region.tail(inward);
                let place = rounds.get(&node).copied().unwrap_or(node);
                meeting.entry((place, name)).or_default().push(end);
            }
        }
        for mut ends in meeting.into_values() {
            ends.sort_by(|&a, &b| {
                let [la, lb] = [a, b].map(|end| length_m[end as usize / 2]);
                lb.total_cmp(&la).then(a.cmp(&b))
            });
            if let [a, b, ..] = ends[..]
                && a / 2 != b / 2
            {
                joined[a as usize] = Some(b);
                joined[b as usize] = Some(a);
            }
        }
    }
    joined
}

/// The least junction of the roundabout a junction is on.
fn roundabouts(region: &Region) -> BTreeMap<u32, u32> {
    let mut least: BTreeMap<u32, u32> = BTreeMap::new();
    fn root(least: &BTreeMap<u32, u32>, mut node: u32) -> u32 {
        while let Some(&next) = least.get(&node).filter(|&&next| next != node) {
            node = next;
        }
        node
    }
    for piece in 0..region.piece_count() as usize {
        if region.piece_flags()[piece] & flag::ROUNDABOUT != 0 {
            let ends = [region.piece_from()[piece], region.piece_to()[piece]];
            let [a, b] = ends.map(|node| root(&least, node));
            least.insert(a.max(b), a.min(b));
            least.insert(a.min(b), a.min(b));
        }
    }
    let nodes: Vec<u32> = least.keys().copied().collect();
    nodes
        .into_iter()
        .map(|node| (node, root(&least, node)))
        .collect()
}
