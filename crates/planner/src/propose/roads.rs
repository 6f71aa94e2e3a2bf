//! A few roads of a region as ground for trails: pieces joined to chains between junctions, a node
//! for each chain and direction.

use std::collections::{BTreeMap, BTreeSet};

use region::{Edge, Region, RoadClass, flag};
use shortest_paths::orienteering::Ground;
use shortest_paths::{End, INFINITY};

use crate::Planner;
use crate::cost::arcs;
use crate::snap::Candidate;
use crate::speed::turn_s;

/// What a trip may use up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Measure {
    /// Tenths of a second.
    Time,
    /// Metres.
    Length,
}

/// A turn of at least this angle at a junction spoils a ride, degrees, and by as much as this
/// length of the best road gives, metres (common practice).
const TURN_DEG: i16 = 50;
const TURN_MALUS_M: u32 = 60;
/// What a metre of any road gives, since the budget is there to be ridden; what a metre in towns
/// takes away, and a metre of street, service road or dual carriageway (common practice).
const ANY: f64 = 0.2;
/// What a road beside the heading is worth, as a share.
const ASIDE: f64 = 0.1;
const IN_TOWN: f64 = 0.2;
const STREET: f64 = 0.35;

/// A run of road without choice, or half of the piece a trip starts on.
#[derive(Clone, Debug)]
pub(super) struct Chain {
    /// In one direction.
    pub edges: Vec<Edge>,
    /// Junctions at its ends; the start stands for itself.
    ends: [u32; 2],
    /// Length, metres; of the part used.
    pub length_m: f64,
    gain: i32,
    /// Whether it can be ridden as `edges` run, and against them.
    open: [bool; 2],
    cost: [u32; 2],
}

/// Chains and turns, and the start among them. Node `2c` is chain `c` as its edges run, `2c + 1`
/// against them.
pub(super) struct Roads {
    pub chains: Vec<Chain>,
    first_out: Vec<u32>,
    head: Vec<u32>,
    cost: Vec<u32>,
    malus: Vec<u32>,
    pub gain: Vec<i32>,
    pub group: Vec<u32>,
    /// Where trips begin and end: the halves of the piece started on.
    pub sources: Vec<End>,
    pub targets: Vec<End>,
    /// Whether a chain is the only road between two parts.
    pub is_bridge: Vec<bool>,
}

/// The start's own vertex.
const START: u32 = u32::MAX;

impl Roads {
    /// Joins `pieces` to chains. A trip begins and ends at `start`.
    pub fn new(
        planner: &Planner,
        pieces: &BTreeSet<u32>,
        start: &Candidate,
        shade: &[u8],
        measure: Measure,
    ) -> Self {
        let region = planner.region();
        let mut at: BTreeMap<u32, Vec<Edge>> = BTreeMap::new();
        for &piece in pieces.iter().filter(|&&p| p != start.piece) {
            for back in [false, true] {
                let edge = Edge::new(piece, back);
                at.entry(region.tail(edge)).or_default().push(edge);
            }
        }
        let halves = [false, true].map(|back| Edge::new(start.piece, back));
        let halting = halves.map(|e| region.head(e));
        // Edges that leave a junction; two of different pieces make no junction.
        let onward = |edge: Edge| -> Option<Edge> {
            let node = region.head(edge);
            let out = at.get(&node)?;
            if out.len() != 2 || halting.contains(&node) {
                return None;
            }
            out.iter().copied().find(|e| e.piece() != edge.piece())
        };
        let mut chains = Vec::new();
        for (half, edge) in halves.into_iter().enumerate() {
            let share = if half == 0 {
                1.0 - start.share
            } else {
                start.share
            };
            let ends = [START, region.head(edge)];
            chains.push(chain(planner, vec![edge], ends, share, shade, measure));
        }
        let mut done: BTreeSet<u32> = BTreeSet::new();
        for &piece in pieces.iter().filter(|&&p| p != start.piece) {
            if done.contains(&piece) {
                continue;
            }
            // Back to where the run begins, or once around a ring.
            let mut first = Edge::new(piece, true);
            while let Some(next) = onward(first).filter(|n| n.piece() != piece) {
                first = next;
            }
            let mut edges = vec![first.reversed()];
            done.insert(first.piece());
            while let Some(next) = onward(edges[edges.len() - 1]) {
                if !done.insert(next.piece()) {
                    break;
                }
                edges.push(next);
            }
            let ends = [region.tail(edges[0]), region.head(edges[edges.len() - 1])];
            chains.push(chain(planner, edges, ends, 1.0, shade, measure));
        }
        let mut roads = Roads {
            first_out: vec![0],
            head: Vec::new(),
            cost: Vec::new(),
            malus: Vec::new(),
            gain: chains.iter().flat_map(|c| [c.gain; 2]).collect(),
            group: (0..chains.len() as u32).flat_map(|c| [c; 2]).collect(),
            sources: Vec::new(),
            targets: Vec::new(),
            is_bridge: bridges(&chains),
            chains,
        };
        roads.join(planner, measure);
        roads
    }

    fn join(&mut self, planner: &Planner, measure: Measure) {
        let region = planner.region();
        let mut starting: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
        let nodes = self.chains.len() as u32 * 2;
        for v in 0..nodes {
            // Halves are entered at the start only by the trip itself.
            if self.is_open(v) && self.tail(v) != START {
                starting.entry(self.first(v).0).or_default().push(v);
            }
        }
        for v in 0..nodes {
            if self.is_open(v) && self.head_of(v) != START {
                let last = self.last(v);
                for arc in arcs(region, last.0) {
                    let to = planner.edge(region.turn_head()[arc as usize]);
                    for &w in starting.get(&to.0).into_iter().flatten() {
                        if w == v ^ 1 {
                            continue;
                        }
                        let angle = region.turn_angle_deg()[arc as usize];
                        let flags = region.turn_flags()[arc as usize];
                        let turn = match measure {
                            Measure::Time => (turn_s(region, last, to, angle, flags) * 10.0) as u32,
                            Measure::Length => 0,
                        };
                        let junction = region.head(last) as usize;
                        let ways = region.node_first_edge()[junction + 1]
                            - region.node_first_edge()[junction];
                        let spoils = angle.abs() >= TURN_DEG && ways > 2;
                        self.head.push(w);
                        self.cost.push(self.cost_of(v).saturating_add(turn));
                        self.malus.push(if spoils { TURN_MALUS_M } else { 0 });
                    }
                }
            }
            self.first_out.push(self.head.len() as u32);
        }
        for half in [0, 1] {
            let (out, back) = (half * 2, half * 2 + 1);
            if self.is_open(out) {
                self.sources.push((out, 0));
            }
            if self.is_open(back) {
                self.targets.push((back, self.cost_of(back)));
            }
        }
    }

    pub fn ground(&self) -> Ground<'_> {
        Ground {
            first_out: &self.first_out,
            head: &self.head,
            cost: &self.cost,
            malus: &self.malus,
            gain: &self.gain,
            group: &self.group,
        }
    }

    /// Edges of a trail in riding order.
    pub fn edges(&self, nodes: &[u32]) -> Vec<Edge> {
        let mut edges = Vec::new();
        for &v in nodes {
            let chain = &self.chains[v as usize / 2].edges;
            if v.is_multiple_of(2) {
                edges.extend(chain);
            } else {
                edges.extend(chain.iter().rev().map(|e| e.reversed()));
            }
        }
        edges
    }

    /// Lets the bridges within `reach_m` of the start be ridden out and back, if the start lies on
    /// one, or in any case if `always`.
    pub fn free_access(&mut self, reach_m: f64, always: bool) {
        let on_bridge = self.is_bridge[0] || self.is_bridge[1];
        for g in 0..self.chains.len() {
            let group = if (on_bridge || always) && self.is_bridge[g] {
                INFINITY
            } else {
                g as u32
            };
            (self.group[2 * g], self.group[2 * g + 1]) = (group, group);
        }
        // Distances from the start over all chains.
        let mut near: BTreeMap<u32, f64> = BTreeMap::from([(START, 0.0)]);
        let mut open = vec![START];
        while let Some(v) = open.pop() {
            let so_far = near[&v];
            for c in self.chains.iter().filter(|c| c.ends.contains(&v)) {
                let other = if c.ends[0] == v { c.ends[1] } else { c.ends[0] };
                let m = so_far + c.length_m;
                if m <= reach_m && near.get(&other).is_none_or(|&n| m < n) {
                    near.insert(other, m);
                    open.push(other);
                }
            }
        }
        for (g, c) in self.chains.iter().enumerate() {
            let is_near = c.ends.iter().all(|e| near.contains_key(e));
            if self.group[2 * g] == INFINITY && !is_near {
                (self.group[2 * g], self.group[2 * g + 1]) = (g as u32, g as u32);
            }
            if self.group[2 * g] == INFINITY {
                (self.gain[2 * g], self.gain[2 * g + 1]) = (0, 0);
            }
        }
    }

    /// Metres a trail rides a second time.
    pub fn twice_m(&self, nodes: &[u32]) -> f64 {
        let mut seen = BTreeSet::new();
        let again = nodes.iter().filter(|&&v| !seen.insert(v / 2));
        again.map(|&v| self.chains[v as usize / 2].length_m).sum()
    }

    /// What is gained, multiplied for the chains of a trail.
    pub fn discount(&mut self, nodes: &[u32], factor: f64) {
        for &v in nodes {
            for w in [v & !1, v | 1] {
                let gain = &mut self.gain[w as usize];
                if *gain > 0 {
                    *gain = (f64::from(*gain) * factor) as i32;
                }
            }
        }
    }

    /// Makes roads that do not lie where a trip is to lead worth little: they may be ridden on the
    /// way there and home, and are not looked for.
    pub fn lead(&mut self, is_ahead: impl Fn(Edge) -> bool, region: &Region) {
        for (c, chain) in self.chains.iter().enumerate() {
            let length_m = |edges: &mut dyn Iterator<Item = &Edge>| -> f64 {
                edges.map(|e| region.length_m(e.piece())).sum()
            };
            let whole_m = length_m(&mut chain.edges.iter());
            let ahead_m = length_m(&mut chain.edges.iter().filter(|&&e| is_ahead(e)));
            let share = ASIDE + (1.0 - ASIDE) * ahead_m / whole_m.max(0.001);
            for gain in &mut self.gain[2 * c..2 * c + 2] {
                if *gain > 0 {
                    *gain = (f64::from(*gain) * share) as i32;
                }
            }
        }
    }

    fn is_open(&self, v: u32) -> bool {
        self.chains[v as usize / 2].open[v as usize % 2]
    }
    fn cost_of(&self, v: u32) -> u32 {
        self.chains[v as usize / 2].cost[v as usize % 2]
    }
    fn tail(&self, v: u32) -> u32 {
        self.chains[v as usize / 2].ends[v as usize % 2]
    }
    fn head_of(&self, v: u32) -> u32 {
        self.tail(v ^ 1)
    }
    fn first(&self, v: u32) -> Edge {
        let edges = &self.chains[v as usize / 2].edges;
        match v % 2 {
            0 => edges[0],
            _ => edges[edges.len() - 1].reversed(),
        }
    }
    fn last(&self, v: u32) -> Edge {
        self.first(v ^ 1).reversed()
    }
}

fn chain(
    planner: &Planner,
    edges: Vec<Edge>,
    ends: [u32; 2],
    share: f64,
    shade: &[u8],
    measure: Measure,
) -> Chain {
    let region = planner.region();
    let (mut length_m, mut gain) = (0.0, 0.0);
    for edge in &edges {
        let m = region.length_m(edge.piece()) * share;
        length_m += m;
        gain += m * worth(region, edge.piece(), shade);
    }
    let against: Vec<Edge> = edges.iter().rev().map(|e| e.reversed()).collect();
    let cost = [&edges, &against].map(|e| ride_cost(planner, e, share, measure));
    Chain {
        ends,
        length_m,
        gain: gain as i32,
        open: cost.map(|c| c.is_some()),
        cost: cost.map(|c| c.unwrap_or(INFINITY)),
        edges,
    }
}

/// What a metre of a piece gives, about -0.6 to 1.2.
fn worth(region: &Region, piece: u32, shade: &[u8]) -> f64 {
    let p = piece as usize;
    let built_up = f64::from(region.piece_built_up()[p]) / 255.0;
    let class = region.class(piece);
    let dual = region.piece_flags()[p] & flag::DUAL != 0;
    let street = dual
        || matches!(
            class,
            RoadClass::Residential | RoadClass::LivingStreet | RoadClass::Service
        );
    let worth = f64::from(shade.get(p).copied().unwrap_or(0)) / 255.0;
    (worth + ANY) * (1.0 - built_up) - IN_TOWN * built_up - if street { STREET } else { 0.0 }
}

/// Cost of riding edges one after the other; `None` if that cannot be.
fn ride_cost(planner: &Planner, edges: &[Edge], share: f64, measure: Measure) -> Option<u32> {
    let region = planner.region();
    let mut cost = 0.0;
    for (i, &edge) in edges.iter().enumerate() {
        let seconds = planner.clock.edge_s(edge);
        if !seconds.is_finite() {
            return None;
        }
        cost += share
            * match measure {
                Measure::Time => seconds * 10.0,
                Measure::Length => region.length_m(edge.piece()),
            };
        if let Some(&next) = edges.get(i + 1) {
            let turn = arcs(region, edge.0)
                .find(|&a| planner.edge(region.turn_head()[a as usize]) == next)?
                as usize;
            if measure == Measure::Time {
                let (angle, flags) = (region.turn_angle_deg()[turn], region.turn_flags()[turn]);
                cost += turn_s(region, edge, next, angle, flags) * 10.0;
            }
        }
    }
    Some(cost.round() as u32)
}

/// Chains without which their ends would not be joined (Tarjan 1974, without recursion).
fn bridges(chains: &[Chain]) -> Vec<bool> {
    let mut at: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
    for (c, chain) in chains.iter().enumerate() {
        chain
            .ends
            .iter()
            .for_each(|&e| at.entry(e).or_default().push(c));
    }
    let mut is_bridge = vec![false; chains.len()];
    let mut index: BTreeMap<u32, usize> = BTreeMap::new();
    let mut low: BTreeMap<u32, usize> = BTreeMap::new();
    for &root in at.keys() {
        if index.contains_key(&root) {
            continue;
        }
        // Vertex, chain it was reached by, next chain to look at.
        let mut path = vec![(root, usize::MAX, 0)];
        index.insert(root, index.len());
        low.insert(root, index[&root]);
        while let Some((v, by, next)) = path.last_mut() {
            let (v, by) = (*v, *by);
            if let Some(&c) = at[&v].get(*next) {
                *next += 1;
                let ends = chains[c].ends;
                if c == by || ends[0] == ends[1] {
                    continue;
                }
                let w = if ends[0] == v { ends[1] } else { ends[0] };
                if let Some(&seen) = index.get(&w) {
                    let l = low.get_mut(&v);
                    l.into_iter().for_each(|l| *l = (*l).min(seen));
                } else {
                    let i = index.len();
                    index.insert(w, i);
                    low.insert(w, i);
                    path.push((w, c, 0));
                }
                continue;
            }
            path.pop();
            if let Some(&(parent, ..)) = path.last() {
                let mine = low[&v];
                is_bridge[by] = mine > index[&parent];
                let l = low.get_mut(&parent);
                l.into_iter().for_each(|l| *l = (*l).min(mine));
            }
        }
    }
    is_bridge
}
