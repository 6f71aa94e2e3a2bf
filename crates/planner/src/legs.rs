//! Choosing the way through all points at once.
//!
//! Between two points stands a table: the cost from every way of leaving the first (a candidate
//! road and direction) to every way of arriving at the second. A rider leaves a stop in either
//! direction, and a via in the direction of arrival; the cheapest sequence of arrivals over all
//! points is found layer by layer. Tables and lines are kept, so that moving one point works out
//! only the two legs beside it.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

use region::{Edge, Point};
use shortest_paths::{End, INFINITY};
use xxhash_rust::xxh3::xxh3_128;

use crate::cost::{Weighing, arcs};
use crate::day::along::Beside;
use crate::document::{PointKind, TourPoint};
use crate::line::LegLine;
use crate::recent::Recent;
use crate::snap::{Candidate, Snapped, rideable};
use crate::spur::Finding;
use crate::{Planner, lock};

/// On a road, in a direction: a state of the turn graph and the share of its edge ridden.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Stance {
    /// Which candidate of the point this is.
    pub candidate: usize,
    pub state: u32,
    pub share: f64,
}

/// A point a road leg begins or ends at.
pub(crate) struct Place<'a> {
    pub candidates: &'a [Candidate],
    pub is_stop: bool,
}

/// A found road leg: states from the first edge to the last, both ridden in part.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Way {
    pub states: Vec<u32>,
    pub from_share: f64,
    pub to_share: f64,
}

/// A leg of a chain: its two ends and its line, if there is a way.
#[derive(Clone)]
pub(crate) struct RoadLeg {
    pub from: Stance,
    pub to: Stance,
    pub line: Arc<LegLine>,
}

/// Roads around points, tables and lines worked out lately.
pub(crate) struct Kept {
    snaps: Mutex<Recent<(Point, PointKind), Arc<Snapped>>>,
    tables: Mutex<Recent<u128, Arc<Vec<u32>>>>,
    lines: Mutex<Recent<u128, Arc<LegLine>>>,
    /// Places beside days, by their tracks; weighed in places.
    pub(crate) beside: Mutex<Recent<u128, Arc<Vec<Beside>>>>,
    /// What was found at vias, by all that it depends on.
    pub(crate) findings: Mutex<Recent<u128, Option<Finding>>>,
}

impl Default for Kept {
    fn default() -> Self {
        // Weighed in candidates, table cells and vertices: some 2 MB, 8 MB and 80 MB at most.
        Kept {
            snaps: Mutex::new(Recent::new(30_000)),
            tables: Mutex::new(Recent::new(1_000_000)),
            lines: Mutex::new(Recent::new(1_000_000)),
            beside: Mutex::new(Recent::new(100_000)),
            findings: Mutex::new(Recent::new(10_000)),
        }
    }
}

/// Cheapest known way of arriving: cost so far, and the departure it came from.
#[derive(Clone, Copy)]
struct Reached {
    cost: u64,
    before: usize,
}

/// One leg of the layered search.
struct Layer {
    /// Ways of setting out, and the arrival at the same point that each continues (none in the
    /// first leg).
    leaving: Vec<Stance>,
    continued: Vec<usize>,
    /// Ways of arriving, and how each is reached.
    arriving: Vec<Stance>,
    reached: Vec<Reached>,
}

const NEVER: u64 = u64::MAX;

/// Planning was called off; what was worked out so far stays in the caches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Cancelled;

/// An error once `stop` is set.
pub(crate) fn go_on(stop: &AtomicBool) -> Result<(), Cancelled> {
    if stop.load(Ordering::Relaxed) {
        Err(Cancelled)
    } else {
        Ok(())
    }
}

impl Planner {
    /// Routes through points of a tour, drawn legs as if they were roads; `None` where there is no
    /// way between two of them.
    pub(crate) fn route_points(
        &self,
        weighing: &Weighing,
        points: &[TourPoint],
        stop: &AtomicBool,
    ) -> Result<Option<Vec<RoadLeg>>, Cancelled> {
        let snap = |p: &TourPoint| {
            let at = Point::from_degrees(p.lat, p.lon).unwrap_or_default();
            self.snap_kept(at, p.kind)
        };
        let snapped: Vec<Arc<Snapped>> = points.iter().map(snap).collect();
        let places: Vec<Place> = (points.iter().zip(&snapped))
            .map(|(point, snapped)| Place {
                candidates: &snapped.candidates,
                is_stop: point.kind == PointKind::Stop,
            })
            .collect();
        let legs = self.route(weighing, &places, stop)?;
        Ok(legs.into_iter().collect())
    }

    /// Routes a chain of places; one entry a leg, `None` where no way leads from place to place.
    /// Where nothing leads on from the arrivals at a via, the next leg starts afresh, in either
    /// direction: that is turning round for want of a way, and the plan says so.
    ///
    /// `stop` is looked at between any two searches.
    pub(crate) fn route(
        &self,
        weighing: &Weighing,
        places: &[Place],
        stop: &AtomicBool,
    ) -> Result<Vec<Option<RoadLeg>>, Cancelled> {
        let mut legs = vec![None; places.len().saturating_sub(1)];
        let (mut first, mut arrived) = (0, None);
        while first + 1 < places.len() {
            let last = self.route_unbroken(weighing, places, first, arrived, &mut legs, stop)?;
            if last == first {
                (first, arrived) = (first + 1, None);
            } else {
                arrived = legs[last - 1].as_ref().map(|leg| leg.to.candidate);
                first = last;
            }
        }
        Ok(legs)
    }

    /// Routes from `first` as far as there is a way, and returns where that ends. One sets out
    /// from the candidate one has `arrived` at, or else from any.
    fn route_unbroken(
        &self,
        weighing: &Weighing,
        places: &[Place],
        first: usize,
        arrived: Option<usize>,
        legs: &mut [Option<RoadLeg>],
        stop: &AtomicBool,
    ) -> Result<usize, Cancelled> {
        let aside = |place: &Place, stance: &Stance| {
            let worse_m = place
                .candidates
                .get(stance.candidate)
                .map_or(0.0, |c| c.worse_m);
            (worse_m * weighing.per_m_aside()) as u64
        };
        let mut leaving = self.stances(&places[first], false);
        leaving.retain(|s| arrived.is_none_or(|candidate| s.candidate == candidate));
        let mut cost: Vec<u64> = leaving.iter().map(|s| aside(&places[first], s)).collect();
        let mut layers: Vec<Layer> = Vec::new();
        let mut continued: Vec<usize> = vec![usize::MAX; leaving.len()];
        for place in &places[first + 1..] {
            go_on(stop)?;
            let arriving = self.stances(place, true);
            let table = self.table(weighing, &leaving, &arriving);
            let reached: Vec<Reached> = (0..arriving.len())
                .map(|t| {
                    let through = |s: usize| match table[s * arriving.len() + t] {
                        INFINITY => NEVER,
                        leg => cost[s].saturating_add(u64::from(leg)),
                    };
                    let best = (0..leaving.len()).map(|s| (through(s), s)).min();
                    let (cost, before) = best.unwrap_or((NEVER, 0));
                    Reached {
                        cost: cost.saturating_add(aside(place, &arriving[t])),
                        before,
                    }
                })
                .collect();
            if reached.iter().all(|r| r.cost == NEVER) {
                break;
            }
            let (next, next_continued) = match place.is_stop {
                true => self.leave_stop(weighing, place, &arriving, &reached),
                false => (arriving.clone(), (0..arriving.len()).collect()),
            };
            cost = next_continued
                .iter()
                .zip(&next)
                .map(|(&a, s)| match reached.get(a) {
                    Some(r) if r.cost == NEVER => NEVER,
                    Some(r) => r.cost + self.turning_round(weighing, &arriving[a], s),
                    None => NEVER,
                })
                .collect();
            layers.push(Layer {
                leaving,
                continued,
                arriving,
                reached,
            });
            (leaving, continued) = (next, next_continued);
        }
        let last = first + layers.len();
        let mut end = layers
            .last()
            .and_then(|l| (0..l.reached.len()).min_by_key(|&t| (l.reached[t].cost, t)));
        for (leg, layer) in layers.iter().enumerate().rev() {
            let Some(t) = end else { break };
            go_on(stop)?;
            let s = layer.reached[t].before;
            let (from, to) = (layer.leaving[s], layer.arriving[t]);
            let line = self.line_between(weighing, from, to);
            legs[first + leg] = line.map(|line| RoadLeg { from, to, line });
            end = Some(layer.continued[s]);
        }
        Ok(last)
    }

    /// [`Planner::snap`], remembered: of the points of a tour only one is moved at a time.
    pub(crate) fn snap_kept(&self, at: Point, kind: PointKind) -> Arc<Snapped> {
        if let Some(snapped) = lock(&self.legs.snaps).get((at, kind)) {
            return snapped;
        }
        let snapped = Arc::new(self.snap(at, kind));
        let weight = 1 + snapped.candidates.len();
        lock(&self.legs.snaps).put((at, kind), snapped.clone(), weight);
        snapped
    }

    /// Every direction of every candidate. One arrives in a state that may remember the roads
    /// before; one sets out in the plain one.
    pub(crate) fn stances(&self, place: &Place, arriving: bool) -> Vec<Stance> {
        let mut stances = Vec::new();
        for (candidate, c) in place.candidates.iter().enumerate() {
            for edge in rideable(self.region(), c.piece) {
                let share = if edge.is_backward() {
                    1.0 - c.share
                } else {
                    c.share
                };
                let copies = self.copies.get(&edge.0).filter(|_| arriving);
                let states = std::iter::once(&edge.0).chain(copies.into_iter().flatten());
                stances.extend(states.map(|&state| Stance {
                    candidate,
                    state,
                    share,
                }));
            }
        }
        stances
    }

    /// From a stop one goes on from the same candidate either way.
    fn leave_stop(
        &self,
        weighing: &Weighing,
        place: &Place,
        arriving: &[Stance],
        reached: &[Reached],
    ) -> (Vec<Stance>, Vec<usize>) {
        let leaving = self.stances(place, false);
        let from = |s: &Stance| {
            (0..arriving.len())
                .filter(|&t| arriving[t].candidate == s.candidate)
                .min_by_key(|&t| {
                    let turning = self.turning_round(weighing, &arriving[t], s);
                    (reached[t].cost.saturating_add(turning), t)
                })
                .unwrap_or(usize::MAX)
        };
        let continued = leaving.iter().map(from).collect();
        (leaving, continued)
    }

    fn turning_round(&self, weighing: &Weighing, arrived: &Stance, leaving: &Stance) -> u64 {
        let turns = self.edge(arrived.state) != self.edge(leaving.state);
        if turns {
            u64::from(weighing.turn_round())
        } else {
            0
        }
    }

    pub(crate) fn edge(&self, state: u32) -> Edge {
        Edge(self.region().state_edge()[state as usize])
    }

    /// Where a search begins that sets out from a stance: past the rest of its edge.
    pub(crate) fn sources(&self, weighing: &Weighing, from: &Stance) -> Vec<End> {
        let region = self.region();
        let rest = weighing.part(self.edge(from.state), 1.0 - from.share);
        arcs(region, from.state)
            .map(|arc| {
                let turn = weighing.turn(arc);
                (region.turn_head()[arc as usize], rest.saturating_add(turn))
            })
            .collect()
    }

    /// Where a search ends that arrives in a stance: at the start of its edge.
    pub(crate) fn targets(&self, weighing: &Weighing, to: &Stance) -> Vec<End> {
        vec![(to.state, weighing.part(self.edge(to.state), to.share))]
    }

    /// Cost of riding on along one edge, if the second stance lies ahead of the first on it.
    fn along(&self, weighing: &Weighing, from: &Stance, to: &Stance) -> Option<u32> {
        (from.state == to.state && to.share >= from.share)
            .then(|| weighing.part(self.edge(from.state), to.share - from.share))
    }

    fn table(&self, weighing: &Weighing, from: &[Stance], to: &[Stance]) -> Arc<Vec<u32>> {
        let key = key(weighing.key, from, to);
        if let Some(table) = lock(&self.legs.tables).get(key) {
            return table;
        }
        let sources: Vec<Vec<End>> = from.iter().map(|s| self.sources(weighing, s)).collect();
        let targets: Vec<Vec<End>> = to.iter().map(|t| self.targets(weighing, t)).collect();
        let mut table =
            self.with_query(|q| q.table(&self.graph, &weighing.metric, &sources, &targets));
        for (s, from) in from.iter().enumerate() {
            for (t, to) in to.iter().enumerate() {
                if let Some(along) = self.along(weighing, from, to) {
                    let cell = &mut table[s * targets.len() + t];
                    *cell = along.min(*cell);
                }
            }
        }
        let table = Arc::new(table);
        lock(&self.legs.tables).put(key, table.clone(), 8 + table.len());
        table
    }

    fn line_between(&self, w: &Weighing, from: Stance, to: Stance) -> Option<Arc<LegLine>> {
        let key = key(w.key, &[from], &[to]);
        if let Some(line) = lock(&self.legs.lines).get(key) {
            return Some(line);
        }
        let line = Arc::new(LegLine::new(self, w, &self.way(w, from, to)?));
        lock(&self.legs.lines).put(key, line.clone(), 16 + line.line.lat.len());
        Some(line)
    }

    /// The cheapest way from one stance to another.
    pub(crate) fn way(&self, weighing: &Weighing, from: Stance, to: Stance) -> Option<Way> {
        let (sources, targets) = (self.sources(weighing, &from), self.targets(weighing, &to));
        let found = self.with_query(|q| q.run(&self.graph, &weighing.metric, &sources, &targets));
        let along = self.along(weighing, &from, &to).filter(|&a| a < INFINITY);
        let mut states = vec![from.state];
        match (found, along) {
            (Some(found), along) if along.is_none_or(|a| found.cost < a) => {
                states.extend(found.nodes);
            }
            (_, None) => return None,
            (_, Some(_)) => {}
        }
        Some(Way {
            states,
            from_share: from.share,
            to_share: to.share,
        })
    }
}

/// A key of everything a table or a line depends on.
fn key(taste: u64, from: &[Stance], to: &[Stance]) -> u128 {
    let mut bytes = taste.to_le_bytes().to_vec();
    for side in [from, to] {
        bytes.extend((side.len() as u32).to_le_bytes());
        for s in side {
            bytes.extend(s.state.to_le_bytes());
            bytes.extend(s.share.to_bits().to_le_bytes());
        }
    }
    xxh3_128(&bytes)
}
