//! Riding times of all edges of a region, by the speed profile along roads that go on.

use region::{Access, Edge, Region, RoadClass, node_flag, turn_flag};

use super::profile::{Part, Ride, gathering_ms2};
use super::{Caps, Conditions, FERRY_KMH, Manner, conditions};

/// Up to this change of heading a road goes on through a junction as if there were none, degrees.
const GOES_ON_DEG: i16 = 30;
/// Rounds in which speeds are carried on over short pieces; braking from 100 km/h to a hairpin
/// takes some 400 m.
const ROUNDS: usize = 8;
const NONE: u32 = u32::MAX;

/// Seconds from end to end of every edge; infinite where no motorcycle may or can ride.
///
/// An edge is ridden as a part of the road that goes on at both ends: speed is carried through
/// junctions where the road goes on, and at other ends the turn's own time counts
/// ([`super::turn_s`]). Routing weights, the plan's clock and the ribbon all read this.
#[derive(Debug)]
pub struct Clock {
    manner: Manner,
    edge_s: Vec<f32>,
    /// Squares of the highest speeds at both ends of an edge that the road beyond allows.
    enter_v2: Vec<f32>,
    leave_v2: Vec<f32>,
}

impl Clock {
    /// Works out every edge of a region for a manner of riding, on all processors. O(bends).
    pub fn new(region: &Region, manner: Manner) -> Self {
        let edges = region.edge_count() as usize;
        // What every edge by itself asks of the speed at its start and allows at its end.
        let mut own = vec![[f32::INFINITY; 2]; edges];
        in_parallel(&mut own, |first, chunk| {
            let mut ride = Ride::default();
            for (i, own) in chunk.iter_mut().enumerate() {
                let edge = Edge((first + i) as u32);
                let c = conditions(region, edge);
                if is_profiled(region, edge, &c) {
                    parts(
                        region,
                        edge,
                        &c,
                        mostly_town(region, edge),
                        manner,
                        &mut ride,
                    );
                    ride.work_out(f64::INFINITY, f64::INFINITY, manner);
                    *own = [ride.first_v2() as f32, ride.last_v2() as f32];
                }
            }
        });
        let (next, before) = going_on(region);
        let vigour = manner.pace * manner.pace;
        let brake = 2.0 * vigour;
        let gather = 2.0 * vigour * gathering_ms2(0.0);
        for round in 0..ROUNDS {
            let mut changed = false;
            let mut settle = |e: usize| {
                let length_m = region.length_m(e as u32 / 2);
                if next[e] != NONE {
                    let in_time = own[next[e] as usize][0] + (brake * length_m) as f32;
                    changed |= in_time < own[e][0];
                    own[e][0] = own[e][0].min(in_time);
                }
                if before[e] != NONE {
                    let reached = own[before[e] as usize][1] + (gather * length_m) as f32;
                    changed |= reached < own[e][1];
                    own[e][1] = own[e][1].min(reached);
                }
            };
            if round % 2 == 0 {
                (0..edges).for_each(&mut settle);
            } else {
                (0..edges).rev().for_each(&mut settle);
            }
            if !changed {
                break;
            }
        }
        let beyond = |other: u32, side: usize| match other {
            NONE => f32::INFINITY,
            e => own[e as usize][side],
        };
        let mut clock = Clock {
            manner,
            edge_s: vec![0.0; edges],
            enter_v2: before.iter().map(|&e| beyond(e, 1)).collect(),
            leave_v2: next.iter().map(|&e| beyond(e, 0)).collect(),
        };
        let mut edge_s = std::mem::take(&mut clock.edge_s);
        in_parallel(&mut edge_s, |first, chunk| {
            let mut ride = Ride::default();
            for (i, s) in chunk.iter_mut().enumerate() {
                *s = clock.work_out(region, Edge((first + i) as u32), &mut ride) as f32;
            }
        });
        clock.edge_s = edge_s;
        clock
    }

    /// The manner of riding it was made for.
    pub fn manner(&self) -> Manner {
        self.manner
    }

    /// Seconds from end to end; infinite where nobody rides.
    pub fn edge_s(&self, edge: Edge) -> f64 {
        f64::from(self.edge_s[edge.0 as usize])
    }

    /// Seconds from the start of an edge to each of `along_m`, ascending metres from its start; at
    /// its end the same as [`Clock::edge_s`].
    pub fn along_s(&self, region: &Region, edge: Edge, along_m: &[f64]) -> Vec<f64> {
        let c = conditions(region, edge);
        let whole_m = region.length_m(edge.piece());
        if !is_profiled(region, edge, &c) {
            let whole_s = self.edge_s(edge);
            let share = |m: &f64| whole_s * (m / whole_m).clamp(0.0, 1.0);
            return along_m.iter().map(share).collect();
        }
        let mut at = vec![0.0; along_m.len()];
        let mut ride = Ride::default();
        for (weight, in_town) in town_shares(region, edge) {
            self.ride(region, edge, &c, in_town, &mut ride);
            let seconds = ride.seconds_at(along_m.iter().copied());
            for (sum, s) in at.iter_mut().zip(seconds) {
                *sum += weight * s;
            }
        }
        at
    }

    fn work_out(&self, region: &Region, edge: Edge, ride: &mut Ride) -> f64 {
        let c = conditions(region, edge);
        if region.access(edge) > Access::Unverified {
            return f64::INFINITY;
        }
        if c.class == RoadClass::Ferry {
            let crossing_s = region.piece_crossing_s()[edge.piece() as usize];
            return match crossing_s {
                0 => region.length_m(edge.piece()) / (FERRY_KMH / 3.6),
                s => f64::from(s),
            };
        }
        let mut seconds = 0.0;
        for (weight, in_town) in town_shares(region, edge) {
            self.ride(region, edge, &c, in_town, ride);
            seconds += weight * ride.seconds();
        }
        seconds
    }

    fn ride(&self, region: &Region, edge: Edge, c: &Conditions, in_town: bool, ride: &mut Ride) {
        parts(region, edge, c, in_town, self.manner, ride);
        let e = edge.0 as usize;
        let (enter, leave) = (f64::from(self.enter_v2[e]), f64::from(self.leave_v2[e]));
        ride.work_out(enter, leave, self.manner);
    }
}

fn is_profiled(region: &Region, edge: Edge, c: &Conditions) -> bool {
    c.class != RoadClass::Ferry && region.access(edge) <= Access::Unverified
}

fn mostly_town(region: &Region, edge: Edge) -> bool {
    region.piece_built_up()[edge.piece() as usize] > 127
}

/// Where in a piece its town lies is not known: it is ridden both ways, and the times are mixed.
fn town_shares(region: &Region, edge: Edge) -> impl Iterator<Item = (f64, bool)> {
    let town = f64::from(region.piece_built_up()[edge.piece() as usize]) / 255.0;
    [(1.0 - town, false), (town, true)]
        .into_iter()
        .filter(|(weight, _)| *weight > 0.0)
}

/// The curves of an edge and the straights between them, in riding order.
fn parts(
    region: &Region,
    edge: Edge,
    c: &Conditions,
    in_town: bool,
    manner: Manner,
    ride: &mut Ride,
) {
    let whole_m = region.length_m(edge.piece());
    let caps = Caps::new(c, in_town, manner);
    let straight = Part {
        length_m: 0.0,
        cap_ms: caps.at(None) / 3.6,
        radius_m: f64::INFINITY,
    };
    let parts = ride.parts_mut();
    let mut at_m = 0.0;
    let mut curve = |from_m: f64, to_m: f64, radius_m: f64| {
        let (from_m, to_m) = (from_m.clamp(at_m, whole_m), to_m.min(whole_m));
        if from_m - at_m > 0.05 {
            parts.push(Part {
                length_m: from_m - at_m,
                ..straight
            });
        }
        if to_m > from_m {
            parts.push(Part {
                length_m: to_m - from_m,
                cap_ms: (caps.at(Some(radius_m)) / 3.6).min(straight.cap_ms),
                radius_m,
            });
        }
        at_m = to_m.max(at_m);
    };
    let bends = region.bends(edge.piece());
    if edge.is_backward() {
        for b in bends.rev() {
            let from_m = whole_m - b.from_m - b.length_m;
            curve(from_m, from_m + b.length_m, b.radius_m());
        }
    } else {
        for b in bends {
            curve(b.from_m, b.from_m + b.length_m, b.radius_m());
        }
    }
    curve(whole_m, whole_m, f64::INFINITY);
    if parts.is_empty() {
        parts.push(Part {
            length_m: whole_m,
            ..straight
        });
    }
}

/// The edge on which each edge's road goes on, and the one it comes from.
fn going_on(region: &Region) -> (Vec<u32>, Vec<u32>) {
    let edges = region.edge_count();
    let mut next = vec![NONE; edges as usize];
    let mut before = vec![(i16::MAX, NONE); edges as usize];
    let first = region.turn_first_out();
    for e in 0..edges {
        let node = region.head(Edge(e)) as usize;
        let slows = node_flag::SIGNALS
            | node_flag::STOP
            | node_flag::GATE
            | node_flag::TOLL_BOOTH
            | node_flag::BORDER
            | node_flag::FORD;
        if region.node_flags()[node] & slows != 0 {
            continue;
        }
        let is_junction = region.node_first_edge()[node + 1] - region.node_first_edge()[node] > 2;
        let mut best = (i16::MAX, NONE);
        for arc in first[e as usize]..first[e as usize + 1] {
            let a = arc as usize;
            let to = region.state_edge()[region.turn_head()[a] as usize];
            let angle = region.turn_angle_deg()[a].saturating_abs();
            let goes_on = !is_junction || angle < GOES_ON_DEG;
            if goes_on
                && region.turn_flags()[a] & turn_flag::U_TURN == 0
                && region.class(to / 2) != RoadClass::Ferry
            {
                best = best.min((angle, to));
            }
        }
        next[e as usize] = best.1;
        if best.1 != NONE {
            let to = &mut before[best.1 as usize];
            *to = (*to).min((best.0, e));
        }
    }
    (next, before.into_iter().map(|(_, e)| e).collect())
}

/// Fills a slice in pieces side by side; `fill` is told where its piece begins.
fn in_parallel<T: Send>(all: &mut [T], fill: impl Fn(usize, &mut [T]) + Sync) {
    let threads = std::thread::available_parallelism().map_or(1, |n| n.get().min(8));
    let size = all.len().div_ceil(threads).max(1024);
    if all.len() <= size {
        return fill(0, all);
    }
    std::thread::scope(|scope| {
        for (i, chunk) in all.chunks_mut(size).enumerate() {
            let fill = &fill;
            scope.spawn(move || fill(i * size, chunk));
        }
    });
}
