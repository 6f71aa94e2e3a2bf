//! From anybody's track to a tour: few points that make the planner ride what was matched.

use std::sync::atomic::AtomicBool;

use region::{Edge, LocalFrame, Point, flag};

use super::report::part_line;
use super::{MatchError, Matched, Part, Ridden};
use crate::Planner;
use crate::closures::Closures;
use crate::cost::Weighing;
use crate::document::{LegKind, PointKind, Tour, TourPoint};
use crate::files::{self, Fix, Ride};
use crate::handover::compare::simplified;
use crate::legs::Stance;
use crate::propose::pin::{edges_of, middle, missed};
use crate::speed::Manner;
use crate::taste::TasteChoice;

/// Drawn legs are this true to the recording, metres (as Fréchet distance).
const DRAWN_M: f64 = 5.0;
/// Rounds of putting vias where the planner rides elsewhere.
const ROUNDS: usize = 12;
/// Most vias of one stretch.
const MOST_VIAS: usize = 2000;
/// So little missing at the ends is where a junction was taken for one road or the other, metres.
const SCRAP_M: f64 = 15.0;
/// Shorter stretches of road between drawn ones are not worth their points, metres.
const LEAST_ROAD_M: f64 = 30.0;

impl Planner {
    /// A tour to plan from, and what the rider should know about how it came about. Tracks are
    /// matched to roads: the fewest points from which the planner, with this taste, rides the
    /// matched line; what is off the roads is drawn; gaps are routed. Files without tracks are read
    /// as by [`files::tour_of_ride`].
    pub fn tour_of_ride(
        &self,
        ride: &Ride,
        taste: &TasteChoice,
        progress: &dyn Fn(f64, &str) -> bool,
    ) -> Result<(Tour, Vec<String>), MatchError> {
        let region = &self.region().meta().name;
        let mut said = Vec::new();
        let mut cancelled = false;
        let mut day = |line: &[Fix]| match self.match_line(line, progress) {
            Ok(matched) => Some(self.points_of(line, &matched, taste, &mut said)),
            Err(MatchError::Cancelled) => {
                cancelled = true;
                None
            }
            Err(MatchError::TooFew(_)) => None,
        };
        let (mut tour, mut warnings) = files::tour_by(ride, region, Some(&mut day));
        if cancelled {
            return Err(MatchError::Cancelled);
        }
        tour.taste = taste.clone();
        warnings.extend(said);
        Ok((tour, warnings))
    }

    /// Points of one day.
    fn points_of(
        &self,
        fixes: &[Fix],
        matched: &Matched,
        taste: &TasteChoice,
        said: &mut Vec<String>,
    ) -> Vec<TourPoint> {
        let region = self.region();
        let weighing = taste.taste().and_then(|taste| {
            let (none, stop) = (Closures::default(), AtomicBool::new(false));
            self.weighing(&taste, Manner::default(), &none, &stop)
        });
        let mut points: Vec<TourPoint> = Vec::new();
        let (mut wanted_m, mut missed_m, mut drawn_m) = (0.0, 0.0, 0.0);
        // Points off the roads since the last point of the tour.
        let mut drawn: Vec<Point> = Vec::new();
        let last = matched.parts.len().saturating_sub(1);
        for (i, part) in matched.parts.iter().enumerate() {
            let line = part_line(region, fixes, part);
            let Some(road) = worth_riding(region, part, matched.parts.len()) else {
                drawn_m += crate::handover::course::points_length_m(&line);
                drawn.extend(line);
                if i == last || points.is_empty() {
                    let ends = [drawn[0], drawn[drawn.len() - 1]];
                    if points.is_empty() {
                        points.push(stop_at(ends[0]));
                    }
                    if i == last {
                        points.push(free_to(ends[1], &std::mem::take(&mut drawn)));
                    }
                }
                continue;
            };
            let (Some(&first), Some(&end)) = (line.first(), line.last()) else {
                continue;
            };
            match points.last() {
                None => points.push(stop_at(first)),
                Some(_) if !drawn.is_empty() => {
                    points.push(free_to(first, &std::mem::take(&mut drawn)));
                }
                // After turning round it goes on from the same stop; over a gap it is routed.
                Some(before) => {
                    let here = Point::from_degrees(before.lat, before.lon).unwrap_or_default();
                    if region::distance_m(here, first) > 1.0 {
                        points.push(stop_at(first));
                    }
                }
            }
            let ends = [stop_at(first), stop_at(end)];
            let (vias, lost_m) = match &weighing {
                Some(weighing) => self.vias(weighing, &ends, road),
                None => (Vec::new(), 0.0),
            };
            wanted_m += road.length_m(region);
            missed_m += lost_m;
            points.extend(vias);
            points.push(ends[1].clone());
        }
        if drawn_m > 0.0 {
            said.push(format!(
                "{:.1} km lie off the roads of the region and were kept as drawn",
                drawn_m / 1000.0
            ));
        }
        let open = matched.gaps.iter().filter(|g| g.road_m.is_none()).count();
        if open > 0 {
            said.push(format!(
                "{open} {} in the track could not be told from it: the way was routed",
                if open == 1 { "gap" } else { "gaps" }
            ));
        }
        if missed_m > 25.0 {
            said.push(format!(
                "{:.1} of {:.1} km are ridden elsewhere by the planner: one-ways, turn bans or closed roads \
                 stand against them",
                missed_m / 1000.0,
                wanted_m / 1000.0
            ));
        }
        points
    }

    /// Vias between the ends of a road that make the planner ride it, and how many metres of it
    /// it rides elsewhere all the same.
    fn vias(
        &self,
        weighing: &Weighing,
        ends: &[TourPoint; 2],
        road: &Ridden,
    ) -> (Vec<TourPoint>, f64) {
        let region = self.region();
        let wanted = &road.edges;
        let mut vias = self.greedy(weighing, road);
        let last = wanted.len() - 1;
        // Of the first edge and the last only what was ridden counts.
        let length_m = |&(a, b): &(usize, usize)| {
            let part = |i: usize| {
                let from = if i == 0 { road.from } else { 0.0 };
                let to = if i == last { road.to } else { 1.0 };
                region.length_m(wanted[i].piece()) * (to - from).max(0.0)
            };
            (a..b).map(part).sum::<f64>()
        };
        let mut best: Option<(f64, Vec<usize>)> = None;
        for _ in 0..ROUNDS {
            let Some(ridden) = self.ridden_through(weighing, ends, wanted, &vias) else {
                break;
            };
            // A stop on a junction may lie at the very end of another of its roads.
            let mut ridden = &ridden[..];
            if ridden.get(1) == wanted.first() && ridden.first() != wanted.first() {
                ridden = &ridden[1..];
            }
            if let [head @ .., _] = ridden
                && head.last() == wanted.last()
                && ridden.last() != wanted.last()
            {
                ridden = head;
            }
            let missed = match ridden == &wanted[..] {
                true => Vec::new(),
                false => missed(wanted, ridden),
            };
            let lost_m: f64 = missed.iter().map(length_m).sum();
            if best.as_ref().is_none_or(|(least, _)| lost_m < *least) {
                best = Some((lost_m, vias.clone()));
            }
            if lost_m < SCRAP_M && missed.iter().all(|&(a, b)| a == 0 || b > last) {
                break;
            }
            let before = vias.len();
            for (from, to) in missed {
                let longest = (from..to).filter(|i| !vias.contains(i)).max_by(|&a, &b| {
                    let m = |i: usize| region.length_m(wanted[i].piece());
                    m(a).total_cmp(&m(b)).then(b.cmp(&a))
                });
                vias.extend(longest);
            }
            vias.sort_unstable();
            if vias.len() == before || vias.len() > MOST_VIAS {
                break;
            }
        }
        let (lost_m, vias) = best.unwrap_or_else(|| (road.length_m(region), Vec::new()));
        let points = vias.iter().map(|&i| via_on(region, wanted[i])).collect();
        (points, lost_m)
    }

    /// Indices of edges for vias: from each the farthest to which the planner rides the line.
    /// Being its cheapest way is inherited by parts of the line, so longest first is fewest.
    fn greedy(&self, weighing: &Weighing, road: &Ridden) -> Vec<usize> {
        let edges = &road.edges;
        let last = edges.len() - 1;
        let stance = |i: usize, share: f64| Stance {
            candidate: 0,
            state: edges[i].0,
            share,
        };
        let place = |i: usize| match i {
            0 => stance(0, road.from),
            i if i == last => stance(i, road.to),
            i => stance(i, 0.5),
        };
        let rides = |from: usize, to: usize| {
            let way = self.way(weighing, place(from), place(to));
            way.is_some_and(|way| {
                let ridden = way.states.iter().map(|&s| self.edge(s));
                ridden.eq(edges[from..=to].iter().copied())
            })
        };
        let mut vias = Vec::new();
        let mut at = 0;
        while at < last && vias.len() < MOST_VIAS {
            let (mut good, mut step) = (at, 1);
            while at + step <= last && rides(at, at + step) {
                good = at + step;
                step *= 2;
            }
            let mut bad = (at + step).min(last + 1);
            while bad - good > 1 {
                let middle = good + (bad - good) / 2;
                match rides(at, middle) {
                    true => good = middle,
                    false => bad = middle,
                }
            }
            if good == last {
                break;
            }
            // A little earlier on a longer road is safer; none at all means a rule in the way.
            let from = (good - (good - at) / 3).max(at + 1);
            let via = (from..=good.max(at + 1)).max_by(|&a, &b| {
                self.fitness(edges[a])
                    .total_cmp(&self.fitness(edges[b]))
                    .then(a.cmp(&b))
            });
            at = via.unwrap_or(at + 1);
            if at < last {
                vias.push(at);
            }
        }
        vias
    }

    /// How good an edge is to stand on, metres of room; little in tunnels and roundabouts.
    fn fitness(&self, edge: Edge) -> f64 {
        let room_m = self.region().length_m(edge.piece()).min(300.0);
        let flags = self.region().piece_flags()[edge.piece() as usize];
        match flags & (flag::TUNNEL | flag::ROUNDABOUT) {
            0 => room_m,
            _ => room_m / 20.0,
        }
    }

    /// What the planner rides between the ends through vias on some edges.
    fn ridden_through(
        &self,
        weighing: &Weighing,
        ends: &[TourPoint; 2],
        wanted: &[Edge],
        vias: &[usize],
    ) -> Option<Vec<Edge>> {
        let mut points = vec![ends[0].clone()];
        points.extend(vias.iter().map(|&i| via_on(self.region(), wanted[i])));
        points.push(ends[1].clone());
        let legs = self.route_points(weighing, &points, &AtomicBool::new(false));
        Some(edges_of(self, &legs.ok()??))
    }
}

/// The road of a part, unless it is a scrap between drawn parts.
fn worth_riding<'a>(region: &region::Region, part: &'a Part, parts: usize) -> Option<&'a Ridden> {
    let road = part.road.as_ref()?;
    (parts == 1 || road.length_m(region) >= LEAST_ROAD_M).then_some(road)
}

fn via_on(region: &region::Region, edge: Edge) -> TourPoint {
    let at = middle(region, edge);
    TourPoint::new(PointKind::Via, [at.lat(), at.lon()])
}

fn stop_at(at: Point) -> TourPoint {
    TourPoint::new(PointKind::Stop, [at.lat(), at.lon()])
}

/// A stop at the end of a leg drawn through points, simplified.
fn free_to(at: Point, line: &[Point]) -> TourPoint {
    let mut stop = stop_at(at);
    stop.leg = LegKind::Free;
    if let Some(&first) = line.first() {
        let frame = LocalFrame::at(first);
        let flat: Vec<[f64; 2]> = line.iter().map(|&p| frame.to_m(p)).collect();
        let kept = simplified(&flat, DRAWN_M);
        // The ends are points of the tour.
        let inner = kept
            .iter()
            .map(|&i| line[i])
            .filter(|&p| p != first && p != at);
        stop.drawn = inner.map(|p| [p.lat(), p.lon()]).collect();
    }
    stop
}
