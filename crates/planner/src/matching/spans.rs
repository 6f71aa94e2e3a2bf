//! From places one after the other to edges ridden, gaps and rules broken.

use std::sync::atomic::AtomicBool;

use region::{Access, Edge, LocalFrame, Point, Region};

use super::lattice::Step;
use super::near::Place;
use super::reach::{Hop, Kind, Roads, Search};
use super::thin::apart_m;
use super::{Anchor, Breach, Gap, Matched, Model, Part, Ridden, Rule, median, sigma_m};
use crate::Planner;
use crate::closures::Closures;
use crate::cost::{Weighing, arcs};
use crate::files::Fix;
use crate::legs::Stance;
use crate::speed::Manner;
use crate::taste::Taste;

/// Positions are a gap apart when they lie this many times farther apart than is usual ...
const GAP_RATIO: f64 = 5.0;
/// ... and at least so much.
const GAP_S: f64 = 60.0;
const GAP_M: f64 = 300.0;
/// Positions off the roads are put down to noise if the way by road lies this near, metres.
const NOISE_M: f64 = 60.0;
/// So few positions off the roads may be anywhere.
const STRAY: usize = 2;
/// Faster a gap is not bridged, m/s.
const BRIDGE_MS: f64 = 55.0;

/// Between positions farther apart two ways are compared, metres.
const TWO_WAYS_M: f64 = 100.0;
/// How much of the time lost on slow roads counts as a way round where the quick way is sought.
const QUICK: f32 = 1.5;
/// Whoever took this many times as long as expected has halted.
const HALTED: f64 = 1.4;
/// Steps either side that tell the speed, and the least that is riding, m/s.
const AROUND: usize = 4;
const MOVING_MS: f64 = 2.0;

/// Puts a match together.
pub(super) struct Assembly<'a> {
    planner: &'a Planner,
    roads: Roads<'a>,
    search: &'a mut Search,
    model: Model,
    matched: Matched,
    open: Option<Open>,
    /// The fastest way, for gaps; weighed when the first is met.
    weighing: Option<std::sync::Arc<Weighing>>,
    /// Speed around the step that is being joined, m/s.
    speed_ms: Option<f64>,
    /// Differences between ways and straight lines, metres.
    detours_m: Vec<f64>,
}

/// The part being put together.
struct Open {
    first: usize,
    last: usize,
    road: Ridden,
}

impl Open {
    fn at(place: &Place, step: &Step) -> Self {
        let mut open = Self::from_edge(place.edge(), f64::from(place.share), step.fix);
        open.anchor(place, step);
        open
    }

    fn from_edge(edge: Edge, share: f64, fix: usize) -> Self {
        Open {
            first: fix,
            last: fix,
            road: Ridden {
                edges: vec![edge],
                from: share,
                to: share,
                anchors: Vec::new(),
                turns_round: false,
                sure: 0.0,
            },
        }
    }

    /// Lays a position on the last edge, never behind what is ridden already.
    fn anchor(&mut self, place: &Place, step: &Step) {
        self.road.to = self.road.to.max(f64::from(place.share));
        self.last = step.fix;
        self.road.anchors.push(Anchor {
            fix: step.fix,
            step: self.road.edges.len() - 1,
            share: self.road.to,
            off_m: f64::from(place.off_m),
            sure: f64::from(step.sure),
        });
    }

    fn push(&mut self, edge: Edge) {
        self.road.edges.push(edge);
        self.road.to = 0.0;
    }
}

impl<'a> Assembly<'a> {
    pub fn new(planner: &'a Planner, search: &'a mut Search, model: Model) -> Self {
        Assembly {
            roads: planner.roads(),
            planner,
            search,
            model,
            matched: Matched::default(),
            open: None,
            weighing: None,
            speed_ms: None,
            detours_m: Vec::new(),
        }
    }

    pub fn run(mut self, fixes: &[Fix], steps: Vec<Step>) -> Matched {
        self.matched.positions = fixes.len();
        self.matched.looked_at = steps.len();
        self.matched.sigma_m = sigma_m(&steps);
        let usual = Usual::of(&steps);
        let steps = self.without_noise(steps);
        let speeds = self.speeds(&steps);
        let mut free: Option<(usize, usize)> = None;
        let mut last: Option<Step> = None;
        for (i, step) in steps.iter().enumerate() {
            self.speed_ms = speeds[i];
            self.roads = self.roads.heard(!step.silent);
            let gap = last.as_ref().and_then(|last| usual.gap(last, step));
            match step.place {
                None => {
                    // A free part begins where the road was left.
                    let from = self.open.as_ref().map_or(step.fix, |o| o.last);
                    self.close(false);
                    let (first, _) = free.unwrap_or((from, 0));
                    free = Some((first, step.fix));
                    self.matched.gaps.extend(gap);
                }
                Some(place) => {
                    if let Some((first, _)) = free.take() {
                        self.free(first, step.fix);
                        self.matched.gaps.extend(gap);
                    }
                    match (&last, self.open.is_some()) {
                        (
                            Some(Step {
                                place: Some(from), ..
                            }),
                            true,
                        ) => {
                            let road_m = self.join(&last, from, &place, step);
                            match gap {
                                Some(gap) => self.matched.gaps.push(Gap { road_m, ..gap }),
                                None if road_m.is_none() => {
                                    let gap = usual.between(last.as_ref(), step);
                                    self.matched.gaps.extend(gap);
                                }
                                None => {}
                            }
                        }
                        _ => self.open = Some(Open::at(&place, step)),
                    }
                }
            }
            last = Some(*step);
        }
        self.close(false);
        if let Some((first, last)) = free {
            self.free(first, last);
        }
        self.matched.beta_m = median(std::mem::take(&mut self.detours_m)) / std::f64::consts::LN_2;
        self.breaches();
        self.matched
    }

    fn free(&mut self, first: usize, last: usize) {
        self.matched.parts.push(Part {
            first,
            last,
            road: None,
        });
    }

    fn close(&mut self, turns_round: bool) {
        let Some(mut open) = self.open.take() else {
            return;
        };
        let sure: f64 = open.road.anchors.iter().map(|a| a.sure).sum();
        open.road.sure = sure / open.road.anchors.len().max(1) as f64;
        open.road.turns_round = turns_round;
        self.matched.parts.push(Part {
            first: open.first,
            last: open.last,
            road: Some(open.road),
        });
    }

    /// Leaves out positions off the roads between two on them, where the way by road passes all of
    /// them nearly: a receiver in a gorge, not a rider in a field.
    fn without_noise(&mut self, steps: Vec<Step>) -> Vec<Step> {
        let mut kept: Vec<Step> = Vec::with_capacity(steps.len());
        let mut run: Vec<Step> = Vec::new();
        for step in steps {
            match step.place {
                None => run.push(step),
                Some(to) => {
                    let from = kept.last().and_then(|k| k.place);
                    let noise = !run.is_empty()
                        && from.is_some_and(|from| {
                            let seen = kept.last().map_or(step.seen, |k| k.seen);
                            self.is_noise(seen, &from, &run, step.seen, &to)
                        });
                    match noise {
                        true => run.clear(),
                        false => kept.append(&mut run),
                    }
                    kept.push(step);
                }
            }
        }
        kept.append(&mut run);
        kept
    }

    fn is_noise(&mut self, a: Point, from: &Place, run: &[Step], b: Point, to: &Place) -> bool {
        let straight_m = apart_m(a, b);
        let mut seen = vec![a];
        seen.extend(run.iter().map(|s| s.seen));
        seen.push(b);
        let seen_m: f64 = seen.windows(2).map(|w| apart_m(w[0], w[1])).sum();
        let Some(hop) = self.hop(from, to, seen_m) else {
            return false;
        };
        let length_m = f64::from(hop.length_m);
        if hop.toll > 0.0 {
            return false;
        }
        if run.len() <= STRAY && length_m <= 1.5 * straight_m + NOISE_M {
            return true;
        }
        if (length_m - seen_m).abs() > NOISE_M.max(0.3 * seen_m) {
            return false;
        }
        let line = self.hop_line(from, to, &hop);
        run.iter().all(|s| off_line_m(s.seen, &line) <= NOISE_M)
    }

    /// The way from place to place as the lattice saw it.
    fn hop(&mut self, from: &Place, to: &Place, straight_m: f64) -> Option<Hop> {
        let beta = self.model.beta_m(straight_m);
        let mut hops = Vec::new();
        for most_m in [
            straight_m * 2.5 + beta * 25.0 + 100.0,
            straight_m * 4.0 + 2000.0,
        ] {
            self.search.run(
                &self.roads,
                from,
                std::slice::from_ref(to),
                most_m as f32,
                beta as f32,
                &mut hops,
            );
            if let Some(Some(hop)) = hops.first() {
                return Some(*hop);
            }
        }
        None
    }

    /// Of the near and the quick way the one that takes as long as it took.
    fn likelier(
        &mut self,
        from: &Place,
        to: &Place,
        straight_m: f64,
        elapsed_s: Option<f64>,
    ) -> Option<Hop> {
        let near = self.hop(from, to, straight_m)?;
        let expected_m = elapsed_s.zip(self.speed_ms).map(|(s, v)| s * v);
        let Some(expected_m) = expected_m.filter(|&m| m > 0.0 && straight_m >= TWO_WAYS_M) else {
            return Some(near);
        };
        let slow = self.roads.slow;
        self.roads.slow = QUICK;
        let quick = self.hop(from, to, straight_m);
        self.roads.slow = slow;
        let misfit = |hop: &Hop| (f64::from(hop.length_m) / expected_m).ln().abs();
        match quick {
            // Who halts takes longer by any way: then time says nothing.
            Some(quick)
                if quick.toll <= near.toll
                    && expected_m < HALTED * f64::from(quick.length_m.max(near.length_m))
                    && misfit(&quick) < misfit(&near) =>
            {
                Some(quick)
            }
            _ => self.hop(from, to, straight_m),
        }
    }

    /// Speed around each step by the ways to the steps about it, m/s.
    fn speeds(&mut self, steps: &[Step]) -> Vec<Option<f64>> {
        let pairs = steps.windows(2).map(|w| {
            let (a, b) = (w[0].place?, w[1].place?);
            let elapsed_s = (w[1].time_s? - w[0].time_s?).max(0.1);
            let straight_m = apart_m(w[0].seen, w[1].seen);
            let length_m = match straight_m < TWO_WAYS_M || w[1].jumped {
                true => straight_m,
                false => f64::from(self.hop(&a, &b, straight_m)?.length_m),
            };
            Some(length_m / elapsed_s)
        });
        let own: Vec<Option<f64>> = std::iter::once(None).chain(pairs).collect();
        (0..own.len())
            .map(|i| {
                let around = i.saturating_sub(AROUND)..(i + AROUND + 1).min(own.len());
                let others = around.filter(|&k| k != i).filter_map(|k| own[k]);
                let speeds: Vec<f64> = others.filter(|&v| v > MOVING_MS).collect();
                (speeds.len() >= 3).then(|| median(speeds))
            })
            .collect()
    }

    fn hop_line(&self, from: &Place, to: &Place, hop: &Hop) -> Vec<Point> {
        let region = self.roads.region;
        match hop.kind {
            Kind::Along | Kind::Round => {
                let (a, b) = (f64::from(from.along()), f64::from(to.along()));
                edge_line(
                    region,
                    Edge::new(from.edge().piece(), false),
                    a.min(b),
                    a.max(b),
                )
            }
            Kind::Over => {
                let way = self.search.way(to.edge);
                let mut line = Vec::new();
                for (i, &edge) in way.iter().enumerate() {
                    let from_share = match (i, edge == from.edge) {
                        (0, true) => f64::from(from.share),
                        (0, false) => 1.0 - f64::from(from.share),
                        _ => 0.0,
                    };
                    let last = i + 1 == way.len();
                    let to_share = if last { f64::from(to.share) } else { 1.0 };
                    line.extend(edge_line(region, Edge(edge), from_share, to_share));
                }
                line
            }
        }
    }

    /// Rides on from the open part to a place; metres ridden, or `None` where a new part begins
    /// because no likely way leads there.
    fn join(&mut self, last: &Option<Step>, from: &Place, to: &Place, step: &Step) -> Option<f64> {
        let seen = last.map_or(step.seen, |l| l.seen);
        let straight_m = apart_m(seen, step.seen);
        let elapsed_s = last.and_then(|l| Some(step.time_s? - l.time_s?));
        let hop = match step.jumped {
            true => None,
            false => self.likelier(from, to, straight_m, elapsed_s),
        };
        let Some(hop) = hop else {
            return self.bridge(from, to, step, straight_m, elapsed_s);
        };
        self.detours_m
            .push((f64::from(hop.length_m) - straight_m).abs());
        let fix = self.open.as_ref().map_or(step.fix, |o| o.last);
        match hop.kind {
            Kind::Along => {}
            Kind::Round => {
                // Round where it was ridden farthest.
                let ridden = self.open.as_ref().map_or(0.0, |o| o.road.to);
                let farthest = ridden.max(1.0 - f64::from(to.share));
                if let Some(open) = &mut self.open {
                    open.road.to = farthest;
                }
                self.close(true);
                self.open = Some(Open::from_edge(to.edge(), 1.0 - farthest, fix));
            }
            Kind::Over => {
                let way = self.search.way(to.edge);
                self.over(&way, fix);
            }
        }
        if let Some(open) = &mut self.open {
            open.anchor(to, step);
        }
        Some(f64::from(hop.length_m))
    }

    /// Appends edges, the first of which is ridden already, or its reverse.
    fn over(&mut self, way: &[u32], fix: usize) {
        let (Some(&first), Some(open)) = (way.first(), &mut self.open) else {
            return;
        };
        let on = open.road.edges[open.road.edges.len() - 1];
        if first == on.0 ^ 1 {
            let share = open.road.to;
            self.close(true);
            self.open = Some(Open::from_edge(Edge(first), 1.0 - share, fix));
        }
        let mut before = Edge(first);
        for &edge in &way[1..] {
            let edge = Edge(edge);
            let turns = edge == before.reversed() && !self.roads.allows(before, edge);
            if let Some(open) = &mut self.open {
                open.road.to = 1.0;
                if !turns {
                    open.push(edge);
                }
            }
            if turns {
                self.close(true);
                self.open = Some(Open::from_edge(edge, 0.0, fix));
            }
            before = edge;
        }
    }

    /// Bridges a gap by the fastest way, if that is no wild guess; or begins a new part.
    fn bridge(
        &mut self,
        from: &Place,
        to: &Place,
        step: &Step,
        straight_m: f64,
        elapsed_s: Option<f64>,
    ) -> Option<f64> {
        let way = self.fastest(from, to);
        let region = self.roads.region;
        let length_m = |way: &[u32]| {
            let whole: f64 = way.iter().map(|&e| region.length_m(e / 2)).sum();
            let before = f64::from(from.share) * region.length_m(from.edge().piece());
            let after = f64::from(1.0 - to.share) * region.length_m(to.edge().piece());
            whole - before - after
        };
        let likely = |length_m: f64| {
            length_m <= 2.0 * straight_m + 2000.0
                && elapsed_s.is_none_or(|s| s <= 0.0 || length_m <= BRIDGE_MS * s + 100.0)
        };
        if let Some(way) = way
            && let length_m = length_m(&way)
            && likely(length_m)
        {
            let fix = self.open.as_ref().map_or(step.fix, |o| o.last);
            self.over(&way, fix);
            if let Some(open) = &mut self.open {
                open.anchor(to, step);
            }
            return Some(length_m);
        }
        self.close(false);
        self.open = Some(Open::at(to, step));
        None
    }

    /// Edges of the fastest way, those of both places included.
    fn fastest(&mut self, from: &Place, to: &Place) -> Option<Vec<u32>> {
        if self.weighing.is_none() {
            let taste = Taste::fastest();
            self.weighing = self.planner.weighing(
                &taste,
                Manner::default(),
                &Closures::default(),
                &AtomicBool::new(false),
            );
        }
        let stance = |place: &Place| Stance {
            candidate: 0,
            state: place.edge,
            share: f64::from(place.share),
        };
        let weighing = self.weighing.as_ref()?;
        let way = self.planner.way(weighing, stance(from), stance(to))?;
        let edges = way.states.iter().map(|&s| self.planner.edge(s).0);
        Some(edges.collect())
    }

    /// Rules that the parts do not keep.
    fn breaches(&mut self) {
        let region = self.roads.region;
        let (head, of) = (region.turn_head(), region.state_edge());
        let mut breaches = Vec::new();
        for (part, road) in self.matched.parts.iter().enumerate() {
            let Some(road) = &road.road else { continue };
            // States remember what restrictions over several ways need to know.
            let mut state = road.edges[0].0;
            let mut open: Option<Breach> = None;
            for (step, &edge) in road.edges.iter().enumerate() {
                if step > 0 {
                    let before = road.edges[step - 1];
                    let next = arcs(region, state)
                        .map(|arc| head[arc as usize])
                        .find(|&s| of[s as usize] == edge.0);
                    let both_rideable = [before, edge]
                        .iter()
                        .all(|&e| region.access(e) <= Access::Unverified);
                    if next.is_none() && both_rideable {
                        breaches.push(Breach {
                            part,
                            step,
                            rule: Rule::Turn,
                            length_m: 0.0,
                        });
                    }
                    state = next.unwrap_or(edge.0);
                }
                let rule = match region.access(edge) {
                    Access::WrongWay => Some(Rule::OneWay),
                    Access::Closed => Some(Rule::Closed),
                    _ => None,
                };
                let last = road.edges.len() - 1;
                let from = if step == 0 { road.from } else { 0.0 };
                let to = if step == last { road.to } else { 1.0 };
                let length_m = region.length_m(edge.piece()) * (to - from).max(0.0);
                match (&mut open, rule) {
                    (Some(breach), Some(rule)) if breach.rule == rule => {
                        breach.length_m += length_m;
                    }
                    (_, rule) => {
                        breaches.extend(open.take());
                        open = rule.map(|rule| Breach {
                            part,
                            step,
                            rule,
                            length_m,
                        });
                    }
                }
            }
            breaches.extend(open);
        }
        // A metre against a one-way is where a position happened to lie.
        breaches.retain(|b| b.rule == Rule::Turn || b.length_m > 3.0 * self.model.sigma_m);
        self.matched.breaches = breaches;
    }
}

/// How far apart positions usually are.
struct Usual {
    seconds: f64,
    metres: f64,
}

impl Usual {
    fn of(steps: &[Step]) -> Self {
        let pairs = || steps.windows(2);
        let seconds = pairs().filter_map(|w| Some((w[1].time_s? - w[0].time_s?).max(0.0)));
        let metres = pairs().map(|w| apart_m(w[0].seen, w[1].seen));
        Usual {
            seconds: median(seconds.collect()),
            metres: median(metres.collect()),
        }
    }

    fn between(&self, last: Option<&Step>, step: &Step) -> Option<Gap> {
        let last = last?;
        Some(Gap {
            from: last.fix,
            to: step.fix,
            seconds: step.time_s.zip(last.time_s).map(|(b, a)| b - a),
            straight_m: apart_m(last.seen, step.seen),
            road_m: None,
        })
    }

    /// The gap between two steps, if it is one. A halt is none: time passes, but no way.
    fn gap(&self, last: &Step, step: &Step) -> Option<Gap> {
        let gap = self.between(Some(last), step)?;
        let far = gap.straight_m > GAP_M.max(GAP_RATIO * self.metres);
        let long = gap
            .seconds
            .is_none_or(|s| s > GAP_S.max(GAP_RATIO * self.seconds));
        (far && long).then_some(gap)
    }
}

/// Points of a part of an edge, in riding order.
pub fn edge_line(region: &Region, edge: Edge, from: f64, to: f64) -> Vec<Point> {
    let mut points: Vec<Point> = region
        .piece_points(edge.piece())
        .map(|i| region.point(i))
        .collect();
    if edge.is_backward() {
        points.reverse();
    }
    let (from, to) = (from.clamp(0.0, 1.0), to.clamp(0.0, 1.0).max(from));
    if from <= 0.0 && to >= 1.0 {
        return points;
    }
    let frame = LocalFrame::at(points[0]);
    let flat: Vec<[f64; 2]> = points.iter().map(|&p| frame.to_m(p)).collect();
    let mut along = vec![0.0];
    for w in flat.windows(2) {
        along.push(along[along.len() - 1] + (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1]));
    }
    let whole = along[along.len() - 1];
    let place = |share: f64| {
        let m = share * whole;
        let i = along.partition_point(|&a| a < m).clamp(1, along.len() - 1);
        let gap = along[i] - along[i - 1];
        let t = if gap > 0.0 {
            ((m - along[i - 1]) / gap).clamp(0.0, 1.0)
        } else {
            0.0
        };
        let (a, b) = (flat[i - 1], flat[i]);
        frame.to_point([a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])])
    };
    let (a, b) = (from * whole, to * whole);
    let inner = points
        .iter()
        .zip(&along)
        .filter(|(_, m)| **m > a && **m < b);
    let mut line = vec![place(from)];
    line.extend(inner.map(|(p, _)| *p));
    line.push(place(to));
    line
}

/// Distance of a point from a line, metres.
pub(super) fn off_line_m(at: Point, line: &[Point]) -> f64 {
    let frame = LocalFrame::at(at);
    let flat: Vec<[f64; 2]> = line.iter().map(|&p| frame.to_m(p)).collect();
    let mut least = flat.first().map_or(f64::INFINITY, |p| p[0].hypot(p[1]));
    for w in flat.windows(2) {
        let (a, d) = (w[0], [w[1][0] - w[0][0], w[1][1] - w[0][1]]);
        let len2 = d[0] * d[0] + d[1] * d[1];
        let t = match len2 > 0.0 {
            true => (-(a[0] * d[0] + a[1] * d[1]) / len2).clamp(0.0, 1.0),
            false => 0.0,
        };
        least = least.min((a[0] + t * d[0]).hypot(a[1] + t * d[1]));
    }
    least
}
