//! Points that make the planner ride a given line.

use std::collections::{HashMap, HashSet};

use region::{Edge, LocalFrame, Point, Region};

use super::{ProposeError, Watch};
use crate::Planner;
use crate::cost::Weighing;
use crate::document::{PointKind, TourPoint};
use crate::legs::RoadLeg;

/// Rounds of putting vias where the planner rides elsewhere.
const ROUNDS: u32 = 20;
/// Vias of one proposal.
const MAX_VIAS: usize = 90;

/// Points and what the planner makes of them.
pub(super) struct Pinned {
    pub points: Vec<TourPoint>,
    pub legs: Vec<RoadLeg>,
    /// Whether the planner rides exactly the line wanted.
    pub is_exact: bool,
    /// Share of the line wanted that it rides.
    pub share: f64,
}

impl Pinned {
    /// Edges in riding order; one that a via divides once.
    pub fn edges(&self, planner: &Planner) -> Vec<Edge> {
        edges_of(planner, &self.legs)
    }
}

/// States ridden on a leg, first and last in part.
pub(super) fn states(leg: &RoadLeg) -> &[u32] {
    leg.line.way.as_ref().map_or(&[], |way| &way.states)
}

pub(crate) fn edges_of(planner: &Planner, legs: &[RoadLeg]) -> Vec<Edge> {
    let mut edges: Vec<Edge> = Vec::new();
    for leg in legs {
        let mut ridden = states(leg).iter().map(|&s| planner.edge(s)).peekable();
        if edges.last().is_some() && edges.last() == ridden.peek() {
            ridden.next();
        }
        edges.extend(ridden);
    }
    edges
}

impl Planner {
    /// Vias between two stops that make the planner ride `wanted`, few of them; none if it does
    /// so anyway. Each stands in the middle of a road of the line, away from junctions. `None` if
    /// there is no way at all.
    pub(super) fn pin(
        &self,
        weighing: &Weighing,
        ends: [&TourPoint; 2],
        wanted: &[Edge],
        watch: &Watch,
    ) -> Result<Option<Pinned>, ProposeError> {
        let length_m = |e: &Edge| self.region().length_m(e.piece());
        let mut vias: Vec<usize> = Vec::new();
        let mut best: Option<Pinned> = None;
        for _ in 0..ROUNDS {
            let Some(tried) = self.ridden(weighing, ends, wanted, &vias, watch)? else {
                break;
            };
            let missed = missed(wanted, &tried.edges(self));
            let is_better = best.as_ref().is_none_or(|b| tried.share >= b.share);
            if is_better {
                best = Some(tried);
            }
            if missed.is_empty() {
                break;
            }
            let before = vias.len();
            for (from, to) in missed {
                // The middle of the part, on a road long enough to be off its junctions.
                let half_m = wanted[from..to].iter().map(length_m).sum::<f64>() / 2.0;
                let mut along_m = 0.0;
                let via = (from..to)
                    .map(|i| {
                        let m = length_m(&wanted[i]);
                        let off_middle = (along_m + m / 2.0 - half_m).abs() / half_m.max(1.0);
                        along_m += m;
                        (off_middle + 60.0 / m.max(1.0), i)
                    })
                    .filter(|(_, i)| !vias.contains(i))
                    .min_by(|a, b| a.0.total_cmp(&b.0));
                vias.extend(via.map(|v| v.1));
            }
            vias.sort_unstable();
            if vias.len() == before || vias.len() > MAX_VIAS {
                break;
            }
        }
        let Some(mut best) = best else {
            return Ok(None);
        };
        if best.is_exact {
            // What the line does without goes.
            let mut i = 0;
            while i < vias.len() {
                let mut fewer = vias.clone();
                fewer.remove(i);
                match self.ridden(weighing, ends, wanted, &fewer, watch)? {
                    Some(tried) if tried.is_exact => (best, vias) = (tried, fewer),
                    _ => i += 1,
                }
            }
        }
        Ok(Some(best))
    }

    /// What the planner rides through vias on the given edges of a line.
    fn ridden(
        &self,
        weighing: &Weighing,
        ends: [&TourPoint; 2],
        wanted: &[Edge],
        vias: &[usize],
        watch: &Watch,
    ) -> Result<Option<Pinned>, ProposeError> {
        let region = self.region();
        let mut points = vec![ends[0].clone()];
        for &i in vias {
            let at = middle(region, wanted[i]);
            points.push(TourPoint::new(PointKind::Via, [at.lat(), at.lon()]));
        }
        points.push(ends[1].clone());
        let Some(legs) = self.route_points(weighing, &points, watch.stop)? else {
            return Ok(None);
        };
        let ridden = edges_of(self, &legs);
        let pieces: HashSet<Edge> = ridden.iter().copied().collect();
        let (mut whole_m, mut there_m) = (0.0, 0.0);
        for edge in wanted {
            let m = region.length_m(edge.piece());
            whole_m += m;
            if pieces.contains(edge) {
                there_m += m;
            }
        }
        Ok(Some(Pinned {
            points,
            legs,
            is_exact: ridden == wanted,
            share: there_m / f64::max(whole_m, 1e-9),
        }))
    }
}

/// Ranges of `wanted` that `ridden` leaves out, in order; where it rides something between two
/// neighbours, the later of them.
pub(crate) fn missed(wanted: &[Edge], ridden: &[Edge]) -> Vec<(usize, usize)> {
    let mut at: HashMap<Edge, Vec<usize>> = HashMap::new();
    for (i, &edge) in ridden.iter().enumerate() {
        at.entry(edge).or_default().push(i);
    }
    let mut ranges = Vec::new();
    let (mut i, mut r) = (0, 0);
    while i < wanted.len() {
        if ridden.get(r) == Some(&wanted[i]) {
            (i, r) = (i + 1, r + 1);
            continue;
        }
        let next = (i..wanted.len()).find_map(|j| {
            let later = at.get(&wanted[j])?.iter().find(|&&k| k >= r)?;
            Some((j, *later))
        });
        let (j, k) = next.unwrap_or((wanted.len(), ridden.len()));
        if j > i {
            ranges.push((i, j));
        } else {
            ranges.push((i, i + 1));
        }
        (i, r) = (j, k);
        if next.is_none() {
            break;
        }
        // The edge found again is ridden.
        (i, r) = (i + 1, r + 1);
    }
    ranges
}

/// The point half way along an edge.
pub(crate) fn middle(region: &Region, edge: Edge) -> Point {
    let points = region.piece_points(edge.piece());
    let frame = LocalFrame::at(region.point(points.start));
    let corners: Vec<[f64; 2]> = points.map(|i| frame.to_m(region.point(i))).collect();
    let step = |w: &[[f64; 2]]| (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1]);
    let mut left = corners.windows(2).map(step).sum::<f64>() / 2.0;
    for w in corners.windows(2) {
        let m = step(w);
        if m >= left && m > 0.0 {
            let t = left / m;
            return frame.to_point([
                w[0][0] + t * (w[1][0] - w[0][0]),
                w[0][1] + t * (w[1][1] - w[0][1]),
            ]);
        }
        left -= m;
    }
    frame.to_point(corners.first().copied().unwrap_or([0.0; 2]))
}
