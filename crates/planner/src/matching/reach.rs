//! From one place on a road to others: the likeliest way, not too long, all rules of the road
//! breakable for a price.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use region::{Access, Edge, Region, RoadClass, flag};

use super::near::Place;
use crate::cost::{Basis, arcs};
use crate::speed::Clock;

/// What breaking a rule costs, in natural logarithms of likelihood (common practice, set so that a
/// kilometre of recording outweighs a rule and a single position does not).
const WRONG_WAY: f32 = 6.0;
const CLOSED: f32 = 3.0;
const BANNED_TURN: f32 = 5.0;
const TURN_ROUND: f32 = 14.0;
const TURN_AT_END: f32 = 4.0;
/// Riding this much backward along one's own edge may be the noise of two positions, metres ...
const JITTER_M: f32 = 25.0;
/// ... and is as unlikely as a difference of two of them under normal noise.
const NOISE_M: f32 = 2.0 * super::SIGMA_M as f32;
/// Speed above which a road is preferred no further, m/s.
const FREE_MS: f64 = 22.0;
/// Speed on roads nobody may ride, m/s.
const CLOSED_MS: f64 = 5.0;
/// How much longer a service road or track counts: one rides past them (common practice).
const MINOR: f32 = 0.3;
/// How long a tunnel counts where nothing was heard.
const SILENT_TUNNEL: f32 = 0.8;
/// How much of the time lost on slow roads counts as a way round (1: all of it).
const SLOW: f32 = 0.2;
/// Ways to other places that cost so many tolls more than the first are not looked for.
const MARGIN: f32 = 10.0;
/// How long a second of turning counts: of two ways alike the one with fewer turns is ridden.
const TURN_M_PER_S: f32 = 1.3;
/// Most edges settled by one search.
const MOST_SETTLED: usize = 60_000;

/// Marks the edge a search set out from; edges are numbered in 31 bits.
const FIRST: u32 = 1 << 31;

/// A way from place to place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Hop {
    /// Metres ridden.
    pub length_m: f32,
    /// Metres as a search counts them.
    pub felt_m: f32,
    /// Likelihood lost to broken rules.
    pub toll: f32,
    pub kind: Kind,
}

/// How a way goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// On along the edge one is on; or a little back, which is taken for noise.
    Along,
    /// Round on the spot and back along the edge one is on.
    Round,
    /// Over other edges.
    Over,
}

/// The roads and what they cost a search.
#[derive(Clone, Copy)]
pub(super) struct Roads<'a> {
    pub region: &'a Region,
    basis: &'a Basis,
    /// [2 P] Metres one could have ridden meanwhile on a free road.
    lost_m: &'a [f32],
    /// How much of them counts as a way round.
    pub slow: f32,
    /// Positions were heard all the way.
    heard: bool,
}

/// What slow roads lose, by edge.
pub(crate) fn lost_m(region: &Region, clock: &Clock) -> Vec<f32> {
    let lost = |edge: Edge| {
        if region.class(edge.piece()) == RoadClass::Ferry {
            return 0.0;
        }
        let length_m = region.length_m(edge.piece());
        let times_s = [edge, edge.reversed()].map(|e| clock.edge_s(e));
        let known_s = times_s.into_iter().find(|s| s.is_finite());
        let time_s = known_s.unwrap_or(length_m / CLOSED_MS);
        (time_s * FREE_MS - length_m).max(0.0) as f32
    };
    (0..region.edge_count()).map(|e| lost(Edge(e))).collect()
}

impl<'a> Roads<'a> {
    pub fn new(region: &'a Region, basis: &'a Basis, lost_m: &'a [f32]) -> Self {
        Roads {
            region,
            basis,
            lost_m,
            slow: SLOW,
            heard: true,
        }
    }

    /// The same where positions were heard all the way, or were not: then it may have been in a
    /// tunnel.
    pub fn heard(&self, heard: bool) -> Self {
        Roads { heard, ..*self }
    }

    pub fn length_m(&self, edge: Edge) -> f32 {
        self.region.length_m(edge.piece()) as f32
    }

    /// Metres as a search counts them: slow roads are longer.
    fn felt(&self, edge: Edge) -> f32 {
        let (length_m, piece) = (self.length_m(edge), edge.piece());
        let felt = length_m + self.slow * self.lost_m[edge.0 as usize];
        if !self.heard && self.region.piece_flags()[piece as usize] & flag::TUNNEL != 0 {
            return felt * SILENT_TUNNEL;
        }
        match self.region.class(piece) {
            RoadClass::Service | RoadClass::Track | RoadClass::Path => felt + MINOR * length_m,
            _ => felt,
        }
    }

    /// Setting out on an edge without coming from another.
    pub fn entry(&self, edge: Edge) -> f32 {
        match self.region.access(edge) {
            Access::WrongWay => WRONG_WAY,
            Access::Closed => CLOSED,
            _ => 0.0,
        }
    }

    /// Whether the rules allow to go on from one edge to another.
    pub fn allows(&self, from: Edge, to: Edge) -> bool {
        self.turn(from, to).is_some()
    }

    fn turn(&self, from: Edge, to: Edge) -> Option<u32> {
        let (head, of) = (self.region.turn_head(), self.region.state_edge());
        arcs(self.region, from.0).find(|&arc| of[head[arc as usize] as usize] == to.0)
    }

    /// Likelihood lost by a turn, and how many metres it counts.
    fn toll(&self, from: Edge, to: Edge) -> (f32, f32) {
        let arc = self.turn(from, to);
        let turn_s = arc.map_or(0.0, |arc| self.basis.turn_s(arc));
        let toll = if to == from.reversed() {
            match arc {
                Some(_) => TURN_AT_END,
                None => TURN_ROUND,
            }
        } else if arc.is_some() {
            0.0
        } else {
            let (a, b) = (self.region.access(from), self.region.access(to));
            match b {
                Access::WrongWay | Access::Closed if a == b => 0.0,
                Access::WrongWay | Access::Closed => self.entry(to),
                _ if a > Access::Unverified => 0.0,
                _ => BANNED_TURN,
            }
        };
        (toll, TURN_M_PER_S * turn_s)
    }
}

#[derive(Clone, Copy)]
struct Label {
    epoch: u32,
    settled: bool,
    /// Felt metres, tolls included, where the edge begins.
    cost: f32,
    length_m: f32,
    toll: f32,
    /// Edge ridden before, with [`FIRST`] if it is the one set out on.
    before: u32,
}

const FRESH: Label = Label {
    epoch: 0,
    settled: false,
    cost: 0.0,
    length_m: 0.0,
    toll: 0.0,
    before: FIRST,
};

/// Scratch memory of searches on one region.
#[derive(Default)]
pub(super) struct Search {
    labels: Vec<Label>,
    /// Epoch in which an edge was a target.
    wanted: Vec<u32>,
    epoch: u32,
    heap: BinaryHeap<Reverse<(u32, u32)>>,
}

impl Search {
    fn begin(&mut self, edges: usize) {
        if self.labels.len() != edges || self.epoch == u32::MAX {
            self.labels = vec![FRESH; edges];
            self.wanted = vec![0; edges];
            self.epoch = 0;
        }
        self.epoch += 1;
        self.heap.clear();
    }

    fn offer(&mut self, edge: u32, label: Label) {
        let known = &mut self.labels[edge as usize];
        if known.epoch == self.epoch && known.cost <= label.cost {
            return;
        }
        *known = label;
        self.heap.push(Reverse((label.cost.to_bits(), edge)));
    }

    /// Goes on from the end of an edge.
    fn spread(&mut self, roads: &Roads, from: Edge, at: Label, per_toll_m: f32) {
        let mark = at.before & FIRST;
        let region = roads.region;
        let first = region.node_first_edge();
        let node = region.head(from) as usize;
        for i in first[node] as usize..first[node + 1] as usize {
            let to = region.node_edge()[i];
            let (toll, turn_m) = roads.toll(from, Edge(to));
            let label = Label {
                epoch: self.epoch,
                settled: false,
                cost: at.cost + toll * per_toll_m + turn_m,
                length_m: at.length_m,
                toll: at.toll + toll,
                before: from.0 | mark,
            };
            self.offer(to, label);
        }
    }

    /// The likeliest way from a place to each target that costs no more than `most_m` felt metres;
    /// a toll counts `per_toll_m`.
    pub fn run(
        &mut self,
        roads: &Roads,
        from: &Place,
        targets: &[Place],
        most_m: f32,
        per_toll_m: f32,
        hops: &mut Vec<Option<Hop>>,
    ) {
        self.begin(roads.region.edge_count() as usize);
        let mut missing = 0;
        for target in targets {
            let wanted = &mut self.wanted[target.edge as usize];
            if *wanted != self.epoch {
                (*wanted, missing) = (self.epoch, missing + 1);
            }
        }
        let (edge, epoch) = (from.edge(), self.epoch);
        let (length_m, felt) = (roads.length_m(edge), roads.felt(edge));
        let part = |share: f32, toll: f32| Label {
            epoch,
            settled: false,
            cost: share * felt + toll * per_toll_m,
            length_m: share * length_m,
            toll,
            before: FIRST,
        };
        self.spread(roads, edge, part(1.0 - from.share, 0.0), per_toll_m);
        let turned = part(from.share, TURN_ROUND);
        self.spread(roads, edge.reversed(), turned, per_toll_m);
        let mut settled = 0;
        let mut most_m = most_m;
        while let Some(Reverse((bits, edge))) = self.heap.pop() {
            let label = self.labels[edge as usize];
            if label.settled || bits != label.cost.to_bits() {
                continue;
            }
            if label.cost > most_m || settled >= MOST_SETTLED {
                break;
            }
            settled += 1;
            self.labels[edge as usize].settled = true;
            if self.wanted[edge as usize] == self.epoch {
                missing -= 1;
                if missing == 0 {
                    break;
                }
                most_m = most_m.min(label.cost + MARGIN * per_toll_m + felt);
            }
            let edge = Edge(edge);
            let end = Label {
                cost: label.cost + roads.felt(edge),
                length_m: label.length_m + roads.length_m(edge),
                before: 0,
                ..label
            };
            self.spread(roads, edge, end, per_toll_m);
        }
        hops.clear();
        hops.extend(
            targets
                .iter()
                .map(|to| self.hop(roads, from, to, per_toll_m)),
        );
    }

    /// The way to a target of the last run.
    fn hop(&self, roads: &Roads, from: &Place, to: &Place, per_toll_m: f32) -> Option<Hop> {
        let (length_m, felt_m) = (roads.length_m(from.edge()), roads.felt(from.edge()));
        let mut best: Option<(f32, Hop)> = None;
        let mut offer = |cost: f32, hop: Hop| {
            if best.is_none_or(|(c, _)| cost < c) {
                best = Some((cost, hop));
            }
        };
        if to.edge == from.edge {
            let ahead_m = (to.share - from.share) * length_m;
            if ahead_m >= -JITTER_M {
                let toll = (ahead_m.min(0.0) / NOISE_M).powi(2);
                let hop = Hop {
                    length_m: ahead_m.abs(),
                    felt_m: ahead_m.abs() / length_m.max(0.1) * felt_m,
                    toll,
                    kind: Kind::Along,
                };
                offer(ahead_m.abs() + toll * per_toll_m, hop);
            }
        } else if to.edge == from.edge ^ 1 {
            let share = (1.0 - to.share - from.share).abs();
            let hop = Hop {
                length_m: share * length_m,
                felt_m: share * felt_m,
                toll: TURN_ROUND,
                kind: Kind::Round,
            };
            offer(hop.length_m + TURN_ROUND * per_toll_m, hop);
        }
        let label = self.labels[to.edge as usize];
        if label.epoch == self.epoch && label.settled {
            let cost = label.cost + to.share * roads.felt(to.edge());
            let hop = Hop {
                felt_m: cost - label.toll * per_toll_m,
                length_m: label.length_m + to.share * roads.length_m(to.edge()),
                toll: label.toll,
                kind: Kind::Over,
            };
            offer(cost, hop);
        }
        best.map(|(_, hop)| hop)
    }

    /// Edges of the last run's way to a target that goes over other edges, in riding order, the
    /// first and the target's own included. If one turns round first, the first is the reverse of
    /// the edge one was on.
    pub fn way(&self, to: u32) -> Vec<u32> {
        let mut way = vec![to];
        let mut edge = to;
        // An edge is ridden once at most, except the first.
        while way.len() <= self.labels.len() {
            let before = self.labels[edge as usize].before;
            edge = before & !FIRST;
            way.push(edge);
            if before & FIRST != 0 {
                break;
            }
        }
        way.reverse();
        way
    }
}
