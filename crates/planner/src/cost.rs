//! What riding costs: the weights a taste gives to the arcs of the turn graph.
//!
//! An edge costs its riding time, dull time counted dearer by the price of the taste:
//! `time * (1 + price * (1 - worth))`, a turn the time it takes, all of it dull. So the line found
//! is the one for which riding time plus price times dull time is least, and the price is what a
//! rider says it is: for ten minutes that are not dull, `10 * price` minutes more. Costs are whole
//! steps of 10 ms, or of 0.1 m for a taste that counts length.
//!
//! What of this does not depend on the taste is worked out once ([`Basis`]), so that a new taste is
//! arithmetic on arrays: some 10 ms for a million turns.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use region::{Access, Edge, Region, RoadClass, Smoothness, Surface, flag, turn_flag};
use shortest_paths::{Customizer, Graph, INFINITY, Metric, MetricError};

use crate::closures::Closures;
use crate::rating::Ratings;
use crate::speed::{Clock, turn_s};
use crate::taste::{Counts, Ground, Leave, Taste, Unverified};

/// Entering a road that is not open to all costs more than any way round, so that such roads are
/// ridden only where the tour begins or ends on them, or nothing else leads there: 20 hours.
const ENTRY_TIME: u32 = 20 * 3600 * 100;
/// The same where length counts: 2,000 km.
const ENTRY_LENGTH: u32 = 2_000_000 * 10;
/// Boarding a ferry that is to be avoided: one hour (common practice).
const AVOIDED_FERRY: u32 = 3600 * 100;
/// What a minute on a road to be avoided costs beyond itself, minutes (common practice).
const AVOIDED: f32 = 4.0;
/// What a minute on looser ground than is accepted costs beyond itself, minutes (common practice).
const UNACCEPTED: f32 = 14.0;
/// Mean virtue from which a road is as good as any: virtues approach 1 and never all reach it at
/// once, the passes of Andorra and Liechtenstein lie at 0.75 to 0.9 (common practice).
const BEST: f32 = 0.8;
/// No edge costs more, so that sums of many stay finite: 31 days.
const LARGEST: u32 = 1 << 28;

/// Factors are counted in this part of one.
const ONE: u32 = 1 << 10;

/// Traits of pieces that tastes ask for: the ground in the lowest two bits, then these.
mod kind {
    pub const GROUND: u16 = 3;
    pub const MOTORWAY: u16 = 1 << 2;
    pub const TOLL: u16 = 1 << 3;
    pub const FERRY: u16 = 1 << 4;
    pub const UNPAVED: u16 = 1 << 5;
    pub const PATH: u16 = 1 << 6;
    pub const UNVERIFIED: u16 = 1 << 7;
    pub const RESTRICTED: u16 = 1 << 8;
    pub const TUNNEL: u16 = 1 << 9;
    /// How many values traits have.
    pub const COUNT: u16 = 1 << 10;
}

/// What an arc enters: two bits for how often the entry to restricted roads is due, two for the
/// same where unverified tracks are ridden, then these.
mod entry {
    pub const RIDE_SHIFT: u8 = 2;
    pub const PATH: u8 = 1 << 4;
    pub const MOTORWAY: u8 = 1 << 5;
    pub const TOLL: u8 = 1 << 6;
    pub const FERRY: u8 = 1 << 7;
}

/// What of a region's costs does not depend on taste: 3 bytes a turn, 4 an edge, 2 a piece.
#[derive(Debug)]
pub(crate) struct Basis {
    /// The times of one manner of riding.
    clock: Arc<Clock>,
    /// [2 P] Riding time, steps of 10 ms; infinite where nobody rides.
    edge_time: Vec<u32>,
    /// [P] Bits of [`kind`].
    traits: Vec<u16>,
    /// [T] Time of the turn, tenths of a second.
    turn_ds: Vec<u16>,
    /// [T] Bits of [`entry`].
    entry: Vec<u8>,
}

impl Basis {
    /// O(turns).
    pub fn new(region: &Region, clock: Arc<Clock>) -> Self {
        let mut edge_time = vec![0; region.edge_count() as usize];
        fill(&mut edge_time, |first, run| {
            for (e, time) in run.iter_mut().enumerate() {
                *time = match clock.edge_s(Edge((first + e) as u32)) {
                    s if s.is_finite() => ((s * 100.0).round() as u32).min(LARGEST),
                    _ => INFINITY,
                };
            }
        });
        let mut traits = vec![0; region.piece_count() as usize];
        fill(&mut traits, |first, run| {
            for (p, t) in run.iter_mut().enumerate() {
                *t = traits_of(region, (first + p) as u32);
            }
        });
        let (head, angle, flags) = (
            region.turn_head(),
            region.turn_angle_deg(),
            region.turn_flags(),
        );
        let mut turn = vec![(0, 0); head.len()];
        let states = split_states(region.turn_first_out());
        fill_split(&mut turn, region.turn_first_out(), &states, |state, run| {
            let from = Edge(region.state_edge()[state]);
            for (i, turn) in run.iter_mut().enumerate() {
                let arc = region.turn_first_out()[state] as usize + i;
                let to = Edge(region.state_edge()[head[arc] as usize]);
                let ds = (turn_s(region, from, to, angle[arc], flags[arc]) * 10.0).round();
                let pair = [from, to].map(|e| traits[e.piece() as usize]);
                *turn = (ds as u16, entry_of(region, from, to, flags[arc], pair));
            }
            true
        });
        let (turn_ds, entry) = turn.into_iter().unzip();
        Basis {
            clock,
            edge_time,
            traits,
            turn_ds,
            entry,
        }
    }

    /// Seconds of the turn an arc makes.
    pub fn turn_s(&self, arc: u32) -> f32 {
        f32::from(self.turn_ds[arc as usize]) / 10.0
    }

    /// How far each piece is worth riding to a taste, 0..=255. Nothing is what the taste would
    /// not ride.
    pub fn shade(&self, ratings: &Ratings, taste: &Taste) -> Vec<u8> {
        let would_ride: Vec<bool> = (0..kind::COUNT).map(|t| would_ride(taste, t)).collect();
        let dial = |d: f32| {
            if d.is_finite() {
                d.clamp(0.0, 1.0)
            } else {
                0.0
            }
        };
        let [bends, hills, quiet, surroundings, unpaved] = [
            taste.bends,
            taste.hills,
            taste.quiet,
            taste.surroundings,
            taste.surface.seek_unpaved,
        ]
        .map(dial);
        let sum = (bends + hills + quiet + surroundings + unpaved).max(f32::MIN_POSITIVE);
        let mut shade = vec![0; self.traits.len()];
        fill(&mut shade, |first, run| {
            for (i, worth) in run.iter_mut().enumerate() {
                let traits = self.traits[first + i];
                if !would_ride[usize::from(traits)] {
                    continue;
                }
                let v = ratings.virtues((first + i) as u32);
                let has = |bit: u16| f32::from(u8::from(traits & bit != 0));
                // In a tunnel one sees neither hills nor woods.
                let seen = 1.0 - has(kind::TUNNEL);
                let gained = bends * v.bends
                    + hills * v.hills * seen
                    + quiet * v.quiet
                    + surroundings * v.surroundings * seen
                    + unpaved * has(kind::UNPAVED);
                *worth = ((gained / sum / BEST).min(1.0) * 255.0).round() as u8;
            }
        });
        shade
    }
}

/// A region weighed by a taste: ready to be searched.
pub(crate) struct Weighing {
    pub taste: Taste,
    /// The taste's key.
    pub key: u64,
    pub metric: Metric,
    basis: Arc<Basis>,
    edge: Vec<u32>,
    tariff: Tariff,
    /// Arcs whose entry costs nothing on the date, and arcs that are closed on it; ascending.
    free: Vec<u32>,
    shut: Vec<u32>,
}

impl Weighing {
    /// Weighs every arc: the edge it leaves, and the turn. O(arcs). `None` when told to stop.
    pub fn new(
        region: &Region,
        graph: &Graph,
        basis: Arc<Basis>,
        shade: &[u8],
        taste: &Taste,
        closures: &Closures,
        stop: &AtomicBool,
    ) -> Option<Self> {
        let tariff = Tariff::new(taste);
        let mut edge = tariff.edges(region, &basis, shade);
        for &closed in closures.edges() {
            edge[closed as usize] = INFINITY;
        }
        let arcs = graph.arc_count();
        let mut weights = vec![0; arcs];
        let (first_out, of) = (region.turn_first_out(), region.state_edge());
        let states = split_states(first_out);
        let whole = fill_split(&mut weights, first_out, &states, |state, run| {
            let left = edge[of[state] as usize];
            let first = first_out[state] as usize;
            let turns = first..first + run.len();
            let turns = basis.turn_ds[turns.clone()].iter().zip(&basis.entry[turns]);
            for (weight, (&ds, &entry)) in run.iter_mut().zip(turns) {
                *weight = left.saturating_add(tariff.turn(ds, entry));
            }
            // Looked at rarely, for it costs.
            !state.is_multiple_of(1024) || !stop.load(Ordering::Relaxed)
        });
        if !whole {
            return None;
        }
        let free = arcs_into(region, closures.opened());
        for &arc in &free {
            let from = edge[tail_of(region, arc) as usize];
            let arc = arc as usize;
            weights[arc] = from.saturating_add(tariff.turn(basis.turn_ds[arc], 0));
        }
        for &arc in closures.turns() {
            weights[arc as usize] = INFINITY;
        }
        // Graph and weights are made from the same columns, so they fit; nothing can be found
        // on the empty metric that would stand in for them.
        let metric = match Customizer::new().run(graph, [weights], threads(arcs), stop) {
            Ok([metric]) => metric,
            Err(MetricError::Cancelled) => return None,
            Err(MetricError::Length { .. }) => Metric::default(),
        };
        Some(Weighing {
            taste: taste.clone(),
            key: taste.key(),
            metric,
            basis,
            edge,
            tariff,
            free,
            shut: closures.turns().to_vec(),
        })
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
    pub fn turn(&self, arc: u32) -> u32 {
        let a = arc as usize;
        if self.shut.binary_search(&arc).is_ok() {
            return INFINITY;
        }
        let is_free = self.free.binary_search(&arc).is_ok();
        let entry = if is_free { 0 } else { self.basis.entry[a] };
        self.tariff.turn(self.basis.turn_ds[a], entry)
    }

    /// The times it was weighed by.
    pub fn clock(&self) -> &Clock {
        &self.basis.clock
    }

    /// Whether a piece is a motorway, or signed like one.
    pub fn is_motorway(&self, piece: u32) -> bool {
        self.basis.traits[piece as usize] & kind::MOTORWAY != 0
    }

    /// Whether a piece's ground is looser than the taste accepts.
    pub fn is_too_loose(&self, piece: u32) -> bool {
        ground(self.basis.traits[piece as usize]) > self.taste.surface.accept
    }

    /// Cost of lying a metre farther from the point than the nearest candidate does.
    pub fn per_m_aside(&self) -> f64 {
        match self.taste.counts {
            Counts::Time => 200.0,
            Counts::Length => 300.0,
        }
    }

    /// Cost of turning round at a stop.
    pub fn turn_round(&self) -> u32 {
        match self.taste.counts {
            Counts::Time => 1000,
            Counts::Length => 0,
        }
    }
}

/// A taste as factors and fees.
struct Tariff {
    counts: Counts,
    /// Factor of riding time by worth, before anything is added.
    worth: [u32; 256],
    /// What the factor grows by, by traits.
    traits: Vec<u32>,
    /// Factor of a turn's tenths of a second, in [`ONE`]th.
    turn: u32,
    /// Fee by what an arc enters.
    entry: [u32; 256],
}

impl Tariff {
    fn new(taste: &Taste) -> Self {
        let price = if taste.seeks_any() {
            taste.price()
        } else {
            0.0
        };
        let factor = |x: f32| (x * ONE as f32).round() as u32;
        let extra = |traits: u16| {
            let has = |bit: u16, leave| traits & bit != 0 && leave == Leave::Avoid;
            let mut extra = 0.0;
            for (bit, leave) in [(kind::MOTORWAY, taste.motorways), (kind::TOLL, taste.tolls)] {
                extra += if has(bit, leave) { AVOIDED } else { 0.0 };
            }
            if ground(traits) > taste.surface.accept {
                extra += UNACCEPTED;
            }
            factor(extra)
        };
        let (turn, unit) = match taste.counts {
            Counts::Time => (factor(1.0 + price) * 10, ENTRY_TIME),
            Counts::Length => (0, ENTRY_LENGTH),
        };
        let counts_time = taste.counts == Counts::Time;
        let fee = |code: usize| {
            let code = code as u8;
            let due = match taste.unverified {
                Unverified::Ride if counts_time => code >> entry::RIDE_SHIFT & 3,
                _ => code & 3,
            };
            // A path that motors may use is still a path: only who seeks dirt is led over one.
            let path = code & entry::PATH != 0 && !(counts_time && rides_paths(taste));
            let never = [
                (entry::MOTORWAY, taste.motorways),
                (entry::TOLL, taste.tolls),
                (entry::FERRY, taste.ferries),
            ]
            .iter()
            .any(|&(bit, leave)| counts_time && code & bit != 0 && leave == Leave::Never);
            let avoided = counts_time && code & entry::FERRY != 0 && taste.ferries == Leave::Avoid;
            unit * u32::from(due.max(u8::from(path)).max(u8::from(never)))
                + if avoided { AVOIDED_FERRY } else { 0 }
        };
        Tariff {
            counts: taste.counts,
            worth: std::array::from_fn(|w| factor(1.0 + price * (255 - w) as f32 / 255.0)),
            traits: (0..kind::COUNT).map(extra).collect(),
            turn,
            entry: std::array::from_fn(fee),
        }
    }

    /// Cost of every edge.
    fn edges(&self, region: &Region, basis: &Basis, shade: &[u8]) -> Vec<u32> {
        let mut edge = vec![0; basis.edge_time.len()];
        fill(&mut edge, |first, run| {
            for (i, cost) in run.iter_mut().enumerate() {
                let time = basis.edge_time[first + i];
                let p = (first + i) / 2;
                *cost = match self.counts {
                    _ if time == INFINITY => INFINITY,
                    Counts::Length => region.piece_length_mm()[p].saturating_add(50) / 100,
                    Counts::Time => {
                        let factor = self.worth[usize::from(shade[p])]
                            + self.traits[usize::from(basis.traits[p])];
                        let cost = (u64::from(time) * u64::from(factor) + u64::from(ONE / 2))
                            / u64::from(ONE);
                        cost.min(u64::from(LARGEST)) as u32
                    }
                };
            }
        });
        edge
    }

    fn turn(&self, ds: u16, entry: u8) -> u32 {
        // At most 6,554 s times 4: the product stays below 2^32.
        (u32::from(ds) * self.turn + ONE / 2) / ONE + self.entry[usize::from(entry)]
    }
}

/// Arcs into edges, ascending.
fn arcs_into(region: &Region, edges: &[u32]) -> Vec<u32> {
    let into = |&edge: &u32| {
        let node = region.tail(Edge(edge)) as usize;
        let first = region.node_first_edge();
        let leaving = first[node] as usize..first[node + 1] as usize;
        let arriving = region.node_edge()[leaving].iter().map(|&e| e ^ 1);
        arriving
            .flat_map(|from| arcs(region, from))
            .filter(move |&arc| {
                region.state_edge()[region.turn_head()[arc as usize] as usize] == edge
            })
    };
    let mut all: Vec<u32> = edges.iter().flat_map(into).collect();
    all.sort_unstable();
    all
}

/// Edge that an arc leaves.
fn tail_of(region: &Region, arc: u32) -> u32 {
    let state = region
        .turn_first_out()
        .partition_point(|&first| first <= arc)
        - 1;
    region.state_edge()[state]
}

/// Arcs that leave a state.
pub(crate) fn arcs(region: &Region, state: u32) -> std::ops::Range<u32> {
    let first = region.turn_first_out();
    first[state as usize]..first[state as usize + 1]
}

/// Whether a taste would ride through a road with such traits at all.
fn would_ride(taste: &Taste, traits: u16) -> bool {
    let left = |bit: u16, leave| traits & bit != 0 && leave == Leave::Never;
    ground(traits) <= taste.surface.accept
        && traits & (kind::FERRY | kind::RESTRICTED) == 0
        && (traits & kind::UNVERIFIED == 0 || taste.unverified == Unverified::Ride)
        && (traits & kind::PATH == 0 || rides_paths(taste))
        && !left(kind::MOTORWAY, taste.motorways)
        && !left(kind::TOLL, taste.tolls)
}

fn rides_paths(taste: &Taste) -> bool {
    taste.surface.seek_unpaved > 0.0 && taste.surface.accept == Ground::Anything
}

fn ground(traits: u16) -> Ground {
    match traits & kind::GROUND {
        0 => Ground::Paved,
        1 => Ground::Compacted,
        2 => Ground::Gravel,
        _ => Ground::Anything,
    }
}

fn traits_of(region: &Region, piece: u32) -> u16 {
    let p = piece as usize;
    let (class, flags) = (region.class(piece), region.piece_flags()[p]);
    let (surface, tracktype) = (region.surface(piece), region.piece_tracktype()[p]);
    let smoothness = Smoothness::from_code(region.piece_smoothness()[p]);
    let ground = ground_of(class, surface, tracktype, smoothness);
    let access = [false, true].map(|back| region.access(Edge::new(piece, back)));
    let access = access[0].min(access[1]);
    let motorway = class == RoadClass::Motorway || flags & flag::MOTORROAD != 0;
    let unpaved = match surface.paved() {
        Some(paved) => !paved,
        None => ground > Ground::Paved,
    };
    [
        (motorway, kind::MOTORWAY),
        (flags & flag::TOLL != 0, kind::TOLL),
        (class == RoadClass::Ferry, kind::FERRY),
        (unpaved, kind::UNPAVED),
        (class == RoadClass::Path, kind::PATH),
        (flags & flag::TUNNEL != 0, kind::TUNNEL),
        (access == Access::Unverified, kind::UNVERIFIED),
        (
            access != Access::Open && access != Access::Unverified,
            kind::RESTRICTED,
        ),
    ]
    .into_iter()
    .filter(|&(is, _)| is)
    .fold(ground as u16, |traits, (_, bit)| traits | bit)
}

/// How loose the ground is: the loosest of what surface, track type and smoothness say. Tracks and
/// paths of which nothing is said may be anything, roads count as paved (common practice).
fn ground_of(
    class: RoadClass,
    surface: Surface,
    tracktype: u8,
    smoothness: Option<Smoothness>,
) -> Ground {
    let rough = matches!(class, RoadClass::Track | RoadClass::Path);
    let by_surface = match surface {
        Surface::Compacted | Surface::FineGravel => Some(Ground::Compacted),
        Surface::Gravel | Surface::Unpaved => Some(Ground::Gravel),
        Surface::Earth | Surface::Sand | Surface::Mud | Surface::Rock | Surface::Ice => {
            Some(Ground::Anything)
        }
        Surface::Unknown => None,
        _ => Some(Ground::Paved),
    };
    // Grade 1 is mostly paved; it is firm at least.
    let by_tracktype = match tracktype {
        1 if by_surface == Some(Ground::Paved) => Some(Ground::Paved),
        1 | 2 => Some(Ground::Compacted),
        3 => Some(Ground::Gravel),
        4 | 5 => Some(Ground::Anything),
        _ => None,
    };
    let by_smoothness = match smoothness {
        Some(Smoothness::VeryBad) => Some(Ground::Gravel),
        Some(s) if s >= Smoothness::Horrible => Some(Ground::Anything),
        _ => None,
    };
    let known = [by_surface, by_tracktype, by_smoothness];
    let unknown = if rough {
        Ground::Anything
    } else {
        Ground::Paved
    };
    known.into_iter().flatten().max().unwrap_or(unknown)
}

fn entry_of(region: &Region, from: Edge, to: Edge, flags: u8, [a, b]: [u16; 2]) -> u8 {
    let (come, go) = (region.access(from), region.access(to));
    let private = go == Access::Private && come != Access::Private;
    let ends = match private {
        true => 2,
        false => u8::from(
            flags & turn_flag::ENTERS_RESTRICTED != 0
                || (come == Access::Open && go != Access::Open),
        ),
    };
    let is_free = |access| matches!(access, Access::Open | Access::Unverified);
    let ride = match private {
        true => 2,
        false => u8::from(is_free(come) && !is_free(go)),
    };
    let enters = |bit: u16| a & bit == 0 && b & bit != 0;
    [
        (kind::PATH, entry::PATH),
        (kind::MOTORWAY, entry::MOTORWAY),
        (kind::TOLL, entry::TOLL),
        (kind::FERRY, entry::FERRY),
    ]
    .into_iter()
    .filter(|&(bit, _)| enters(bit))
    .fold(ends | ride << entry::RIDE_SHIFT, |code, (_, bit)| {
        code | bit
    })
}

/// Work on fewer items than this is done by one thread.
const ALONE: usize = 50_000;

fn threads(items: usize) -> usize {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    cores.min(items / ALONE + 1)
}

/// Fills `out` run by run on all cores; `work` gets the index of its first item.
fn fill<T: Send>(out: &mut [T], work: impl Fn(usize, &mut [T]) + Sync) {
    let each = out.len().div_ceil(threads(out.len())).max(1);
    std::thread::scope(|scope| {
        let mut runs = out.chunks_mut(each).enumerate();
        let own = runs.next();
        for (i, run) in runs {
            let work = &work;
            scope.spawn(move || work(i * each, run));
        }
        if let Some((_, run)) = own {
            work(0, run);
        }
    });
}

/// Ranges of states with about equally many arcs, one a core.
fn split_states(first_out: &[u32]) -> Vec<std::ops::Range<usize>> {
    let states = first_out.len() - 1;
    let arcs = first_out[states] as usize;
    let count = threads(arcs);
    let cut = |i: usize| match i {
        0 => 0,
        i if i == count => states,
        i => first_out
            .partition_point(|&a| (a as usize) < i * arcs / count)
            .min(states),
    };
    (0..count).map(|i| cut(i)..cut(i + 1)).collect()
}

/// Fills one item an arc, state by state; whether `work` went on to the end everywhere.
fn fill_split<T: Send>(
    out: &mut [T],
    first_out: &[u32],
    states: &[std::ops::Range<usize>],
    work: impl Fn(usize, &mut [T]) -> bool + Sync,
) -> bool {
    let work = |states: std::ops::Range<usize>, mut out: &mut [T]| {
        for state in states {
            let (row, rest) = out.split_at_mut((first_out[state + 1] - first_out[state]) as usize);
            out = rest;
            if !work(state, row) {
                return false;
            }
        }
        true
    };
    std::thread::scope(|scope| {
        let mut rest = out;
        let mut runs = Vec::new();
        for range in states {
            let arcs = (first_out[range.end] - first_out[range.start]) as usize;
            let (run, after) = std::mem::take(&mut rest).split_at_mut(arcs);
            rest = after;
            runs.push((range.clone(), run));
        }
        let work = &work;
        let mut runs = runs.into_iter();
        let own = runs.next();
        let others: Vec<_> = runs
            .map(|(states, run)| scope.spawn(move || work(states, run)))
            .collect();
        let own = own.is_none_or(|(states, run)| work(states, run));
        others.into_iter().all(|o| o.join().unwrap_or(false)) && own
    })
}
