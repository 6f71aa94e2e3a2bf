//! Tastes, and the weights they give to the arcs of the turn graph.

use region::{Access, Edge, Region, RoadClass, turn_flag};
use serde::Serialize;
use shortest_paths::{Graph, INFINITY, Metric};

use crate::speed::{Clock, turn_s};

/// A taste that can be named in a tour.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export, rename = "Taste"))]
pub struct TasteInfo {
    /// Name, as in `Tour::taste`.
    pub name: &'static str,
    /// What it does, in plain words.
    pub text: &'static str,
}

/// The tastes every installation has.
pub fn tastes() -> &'static [TasteInfo] {
    TASTES
}

const TASTES: &[TasteInfo] = &[
    TasteInfo {
        name: "fastest",
        text: "The least riding time, never above the limits.",
    },
    TasteInfo {
        name: "shortest",
        text: "The least distance, whatever the road.",
    },
];

/// What a taste counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Taste {
    /// Riding time; a cost of 1 is 10 ms.
    Fastest,
    /// Length; a cost of 1 is 0.1 m.
    Shortest,
}

impl Taste {
    pub fn named(name: &str) -> Option<Self> {
        match name {
            "fastest" => Some(Taste::Fastest),
            "shortest" => Some(Taste::Shortest),
            _ => None,
        }
    }
}

/// A region weighed by a taste: ready to be searched.
pub(crate) struct Weighing {
    pub taste: Taste,
    pub metric: Metric,
    edge: Vec<u32>,
}

impl Weighing {
    /// Weighs every arc: the edge it leaves, and the turn. O(arcs).
    pub fn new(region: &Region, graph: &Graph, clock: &Clock, taste: Taste) -> Self {
        let edge: Vec<u32> = (0..region.edge_count())
            .map(|e| edge_cost(region, clock, taste, Edge(e)))
            .collect();
        let mut weights = Vec::with_capacity(graph.arc_count());
        for state in 0..region.state_count() {
            let from = region.state_edge()[state as usize];
            for arc in arcs(region, state) {
                let turn = turn_cost(region, taste, state, arc);
                weights.push(edge[from as usize].saturating_add(turn));
            }
        }
        // Graph and weights are made from the same columns, so they fit; nothing can be found
        // on the empty metric that would stand in for them.
        let metric = Metric::new(graph, weights).unwrap_or_default();
        Weighing {
            taste,
            metric,
            edge,
        }
    }

    /// Cost of a part of an edge, `share` in 0..=1 of its length.
    pub fn part(&self, edge: Edge, share: f64) -> u32 {
        let whole = self.edge[edge.0 as usize];
        if whole == INFINITY {
            return INFINITY;
        }
        (f64::from(whole) * share.clamp(0.0, 1.0)).round() as u32
    }

    /// Cost of the turn an arc makes, entry into restricted roads included.
    pub fn turn(&self, region: &Region, state: u32, arc: u32) -> u32 {
        turn_cost(region, self.taste, state, arc)
    }

    /// Cost of lying a metre farther from the point than the nearest candidate does.
    pub fn per_m_aside(&self) -> f64 {
        match self.taste {
            Taste::Fastest => 200.0,
            Taste::Shortest => 300.0,
        }
    }

    /// Cost of turning round at a stop.
    pub fn turn_round(&self) -> u32 {
        match self.taste {
            Taste::Fastest => 1000,
            Taste::Shortest => 0,
        }
    }
}

/// Arcs that leave a state.
pub(crate) fn arcs(region: &Region, state: u32) -> std::ops::Range<u32> {
    let first = region.turn_first_out();
    first[state as usize]..first[state as usize + 1]
}

fn edge_cost(region: &Region, clock: &Clock, taste: Taste, edge: Edge) -> u32 {
    let seconds = clock.edge_s(edge);
    if !seconds.is_finite() {
        return INFINITY;
    }
    // `as` saturates; the largest value itself would close the edge.
    match taste {
        Taste::Fastest => ((seconds * 100.0).round() as u32).min(INFINITY - 1),
        Taste::Shortest => {
            let mm = region.piece_length_mm()[edge.piece() as usize];
            mm.saturating_add(50) / 100
        }
    }
}

fn turn_cost(region: &Region, taste: Taste, state: u32, arc: u32) -> u32 {
    let from = Edge(region.state_edge()[state as usize]);
    let to = Edge(region.state_edge()[region.turn_head()[arc as usize] as usize]);
    let flags = region.turn_flags()[arc as usize];
    let turn = match taste {
        Taste::Fastest => {
            let seconds = turn_s(
                region,
                from,
                to,
                region.turn_angle_deg()[arc as usize],
                flags,
            );
            (seconds * 100.0).round() as u32
        }
        Taste::Shortest => 0,
    };
    turn.saturating_add(entry_cost(region, taste, from, to, flags))
}

/// Entering a road that is not open to all costs more than any way round, so that such roads are
/// ridden only where the tour begins or ends on them, or nothing else leads there: 20 hours, or
/// 2,000 km; private ground twice that. A path that motors may use is still a path: a line takes
/// one only when a point is put there.
fn entry_cost(region: &Region, taste: Taste, from: Edge, to: Edge, flags: u8) -> u32 {
    let unit: u32 = match taste {
        Taste::Fastest => 20 * 3600 * 100,
        Taste::Shortest => 2_000_000 * 10,
    };
    let (a, b) = (region.access(from), region.access(to));
    let is_path = |edge: Edge| region.class(edge.piece()) == RoadClass::Path;
    if b == Access::Private && a != Access::Private {
        unit * 2
    } else if flags & turn_flag::ENTERS_RESTRICTED != 0
        || (a == Access::Open && b != Access::Open)
        || (is_path(to) && !is_path(from))
    {
        unit
    } else {
        0
    }
}
