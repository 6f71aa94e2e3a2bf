//! Riding points with strangers' routers, and where they leave the line.

use region::{Access, Bounds, Edge, LocalFrame, Point, RoadClass};
use serde::{Deserialize, Serialize};

use super::compare::{densified, flat, followed, length};
use super::net::{CLOSED, Costs, Search};
use super::panel::{Kit, Router};
use super::shape::{self, Shape};
use crate::Planner;
use crate::snap::project;

/// A ride this near the line is on it, metres.
pub const ON_LINE_M: f64 = 25.0;
/// Lines are compared by points this far apart, metres.
const STEP_M: f64 = 10.0;

/// How a unit takes a point to its roads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Snapping {
    /// The nearest road it may ride.
    Nearest,
    /// Any road within 20 m, in any direction, whichever suits it best.
    Careless,
}

/// What one router makes of the points.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Report {
    /// Name of the router.
    pub router: String,
    /// Share of the line reproduced within 25 m, in order and direction, 0..=1.
    pub share: f64,
    /// Metres ridden elsewhere.
    pub elsewhere_m: f64,
    /// Where it leaves the line.
    pub leaves: Vec<Leave>,
    /// What it rode, leg by leg where it leaves the line: `[lat, lon]`.
    pub rides: Vec<Vec<[f64; 2]>>,
}

/// A stretch that a router rides elsewhere.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Leave {
    /// Kilometres from the start of the line.
    pub km: f64,
    /// Metres of line missed.
    pub missed_m: f64,
    /// Where it leaves, `[lat, lon]`.
    pub at: [f64; 2],
    /// Middle of what is missed: a point here would hold it, `[lat, lon]`.
    pub add: [f64; 2],
    /// Plain words.
    pub why: String,
}

/// A ridden leg.
struct Ridden {
    pub edges: Vec<u32>,
    pub from: f64,
    pub to: f64,
}

/// A road, and where on it: share along the geometry.
#[derive(Clone, Copy)]
struct Snap {
    piece: u32,
    share: f64,
}

impl Snap {
    fn stands(self) -> [(u32, f64); 2] {
        [
            (self.piece * 2, self.share),
            (self.piece * 2 + 1, 1.0 - self.share),
        ]
    }
}

/// What is ridden between two neighbouring points.
#[derive(Clone, Debug, Default)]
pub struct Stage {
    /// The planned line; empty if the stage is not to be compared.
    pub line: Vec<Point>,
    /// Which points of the line's densified form count, if not all: a road that is not on the
    /// other map cannot be reproduced.
    pub counts: Option<Vec<bool>>,
    /// Edges of the line where it was planned on the very same map.
    pub edges: Vec<u32>,
}

/// Direction of the line at a point, from the stage that sets out there.
fn course_at(stages: &[Stage], point: usize) -> Option<[f64; 2]> {
    let line = &stages.get(point)?.line;
    let frame = LocalFrame::at(*line.first()?);
    let far = |p: &&Point| {
        let [east, north] = frame.to_m(**p);
        east.hypot(north) > 0.5
    };
    Some(frame.to_m(*line.iter().find(far)?))
}

impl Planner {
    /// Rides `points` with every router of the kit and compares each leg with its stage. At `halts`
    /// every router may turn.
    pub fn replay(
        &self,
        kit: &Kit,
        points: &[Point],
        halts: &[bool],
        stages: &[Stage],
        snapping: Snapping,
    ) -> Vec<Report> {
        let course: Vec<Option<[f64; 2]>> = (0..points.len())
            .map(|i| match halts.get(i) {
                Some(true) => None,
                _ => course_at(stages, i),
            })
            .collect();
        let routers: Vec<_> = kit.panel.routers.iter().zip(&kit.costs).collect();
        let ride = |(router, costs): &(&Router, &Costs)| {
            let mut search = kit.roads.searches(router).lend();
            let legs = self.ride_points(kit, router, costs, points, &course, snapping, &mut search);
            self.report(router, stages, &legs)
        };
        // Every second router on a thread of its own.
        let [even, odd] = [0, 1].map(|n| routers.iter().skip(n).step_by(2));
        let (even, odd): (Vec<_>, Vec<_>) = std::thread::scope(|scope| {
            let odd = scope.spawn(|| odd.map(ride).collect());
            let even = even.map(ride).collect();
            let odd = odd.join();
            (even, odd.unwrap_or_else(|e| std::panic::resume_unwind(e)))
        });
        let mut odd = odd.into_iter();
        even.into_iter()
            .flat_map(|report| [Some(report), odd.next()])
            .flatten()
            .collect()
    }

    fn snap_for(&self, router: &Router, costs: &Costs, at: Point, snapping: Snapping) -> Vec<Snap> {
        let region = self.region();
        let frame = LocalFrame::at(at);
        let rides = |e: u32| {
            let access = region.access(Edge(e));
            costs.edge[e as usize] != CLOSED && (!router.access || access <= Access::Unverified)
        };
        for radius_m in [25.0, 100.0, 400.0, 2000.0] {
            let mut found: Vec<(f64, Snap)> = region
                .pieces_in(Bounds::around(at, radius_m))
                .into_iter()
                .filter(|&p| region.class(p) != RoadClass::Ferry)
                .filter(|&p| rides(p * 2) || rides(p * 2 + 1))
                .map(|piece| {
                    let c = project(region, piece, frame);
                    let share = c.share;
                    (c.offset_m, Snap { piece, share })
                })
                .filter(|(offset_m, _)| *offset_m <= radius_m)
                .collect();
            if found.is_empty() {
                continue;
            }
            found.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.piece.cmp(&b.1.piece)));
            let most = match snapping {
                Snapping::Nearest => found[0].0 + 0.05,
                Snapping::Careless => found[0].0.max(20.0),
            };
            found.retain(|f| f.0 <= most);
            return found.into_iter().take(12).map(|(_, s)| s).collect();
        }
        Vec::new()
    }

    /// The cheapest ride through all points, each at one of its places. `course` is the direction
    /// of the line at a point, for routers that keep it.
    #[expect(clippy::too_many_arguments, reason = "one ride")]
    fn ride_points(
        &self,
        kit: &Kit,
        router: &Router,
        costs: &Costs,
        points: &[Point],
        course: &[Option<[f64; 2]>],
        snapping: Snapping,
        search: &mut Search,
    ) -> Vec<Option<Ridden>> {
        let net = kit.roads.net(router);
        let snaps: Vec<Vec<Snap>> = points
            .iter()
            .map(|&p| self.snap_for(router, costs, p, snapping))
            .collect();
        let legs = points.len().saturating_sub(1);
        // Per leg and place of arrival: cost so far, place one came from, the ride.
        let mut reached: Vec<Vec<Option<(u64, usize, Ridden)>>> = Vec::with_capacity(legs);
        let mut cost: Vec<Option<u64>> = vec![Some(0); snaps.first().map_or(0, Vec::len)];
        // Ways of standing at a place: one if the router keeps the course there, else both.
        let stands = |point: usize, snap: &Snap| -> Vec<(u32, f64)> {
            let both = snap.stands();
            let course = course
                .get(point)
                .copied()
                .flatten()
                .filter(|_| router.course);
            let along = course.and_then(|c| {
                both.into_iter().find(|&(edge, share)| {
                    let h = Shape::new(self.region(), Edge(edge)).heading(share);
                    costs.edge[edge as usize] != CLOSED && h[0] * c[0] + h[1] * c[1] > 0.0
                })
            });
            along.map_or(both.to_vec(), |s| vec![s])
        };
        for leg in 0..legs {
            let next = snaps[leg + 1].iter().enumerate();
            let next = next.flat_map(|(t, s)| stands(leg + 1, s).into_iter().map(move |p| (t, p)));
            let (places, targets): (Vec<usize>, Vec<(u32, f64)>) = next.unzip();
            let mut best: Vec<Option<(u64, usize, Ridden)>> = Vec::new();
            best.resize_with(snaps[leg + 1].len(), || None);
            for (s, snap) in snaps[leg].iter().enumerate() {
                let Some(so_far) = cost[s] else { continue };
                let sources = stands(leg, snap);
                let ways = search.cheapest(net, costs, &sources, &targets);
                for (t, way) in ways.into_iter().enumerate() {
                    let Some(way) = way else { continue };
                    let total = so_far + way.cost;
                    let slot = &mut best[places[t]];
                    if slot.as_ref().is_none_or(|b| total < b.0) {
                        let ridden = Ridden {
                            edges: way.edges,
                            from: sources[way.source].1,
                            to: targets[t].1,
                        };
                        *slot = Some((total, s, ridden));
                    }
                }
            }
            cost = best.iter().map(|b| b.as_ref().map(|b| b.0)).collect();
            if cost.iter().all(Option::is_none) {
                // No way: the next leg starts afresh.
                cost = vec![Some(0); snaps[leg + 1].len()];
            }
            reached.push(best);
        }
        let mut ridden: Vec<Option<Ridden>> = Vec::new();
        ridden.resize_with(legs, || None);
        let mut end: Option<usize> = None;
        for leg in (0..legs).rev() {
            let best = &mut reached[leg];
            let chosen = end.filter(|&t| best.get(t).is_some_and(Option::is_some));
            let chosen = chosen.or_else(|| {
                let all = (0..best.len()).filter_map(|t| Some((best[t].as_ref()?.0, t)));
                all.min().map(|(_, t)| t)
            });
            end = None;
            if let Some((_, from, way)) = chosen.and_then(|t| best[t].take()) {
                end = Some(from);
                ridden[leg] = Some(way);
            }
        }
        ridden
    }

    fn report(&self, router: &Router, stages: &[Stage], legs: &[Option<Ridden>]) -> Report {
        let region = self.region();
        let (mut whole_m, mut kept_m, mut elsewhere_m, mut before_m) = (0.0, 0.0, 0.0, 0.0);
        let (mut leaves, mut rides) = (Vec::new(), Vec::new());
        for (stage, leg) in stages.iter().zip(legs) {
            let Some(&origin) = stage.line.get(stage.line.len() / 2) else {
                continue;
            };
            let frame = LocalFrame::at(origin);
            let planned = flat(&stage.line, frame);
            let stage_m = length(&planned);
            let same = leg
                .as_ref()
                .is_some_and(|l| !stage.edges.is_empty() && l.edges == stage.edges);
            if same {
                (whole_m, kept_m) = (whole_m + stage_m, kept_m + stage_m);
                before_m += stage_m;
                continue;
            }
            let dense = densified(&planned, STEP_M);
            let ride: Vec<Point> = leg
                .as_ref()
                .map_or(Vec::new(), |l| shape::line(region, &l.edges, l.from, l.to));
            let ridden = densified(&flat(&ride, frame), STEP_M);
            let both = followed(&dense, &ridden, ON_LINE_M);
            let counts = |i: usize| {
                stage
                    .counts
                    .as_ref()
                    .is_none_or(|c| c.get(i) != Some(&false))
            };
            let each_m = stage_m / dense.len().max(1) as f64;
            let counted = (0..dense.len()).filter(|&i| counts(i)).count() as f64;
            let kept = (0..dense.len()).filter(|&i| counts(i) && both.ridden[i]);
            let kept = kept.count() as f64;
            whole_m += counted * each_m;
            kept_m += kept * each_m;
            let off = both.on_line.iter().filter(|on| !**on).count() as f64;
            let ride_m = length(&ridden);
            elsewhere_m += off * ride_m / ridden.len().max(1) as f64;
            let missed: Vec<usize> = (0..dense.len())
                .filter(|&i| counts(i) && !both.ridden[i])
                .collect();
            if let (Some(&first), Some(&last)) = (missed.first(), missed.last())
                && missed.len() as f64 * each_m > ON_LINE_M
            {
                let degrees = |i: usize| {
                    let p = frame.to_point(dense[i]);
                    [p.lat(), p.lon()]
                };
                let missed_m = missed.len() as f64 * each_m;
                let km = (before_m + first as f64 * each_m) / 1000.0;
                leaves.push(Leave {
                    km: (km * 100.0).round() / 100.0,
                    missed_m: missed_m.round(),
                    at: degrees(first),
                    add: degrees(first + (last - first) / 2),
                    why: match leg {
                        None => "It finds no way to the next point.".into(),
                        Some(leg) => self.why(router, stage, leg, stage_m, ride_m),
                    },
                });
                rides.push(ride.iter().map(|p| [p.lat(), p.lon()]).collect());
            }
            before_m += stage_m;
        }
        Report {
            router: router.name.clone(),
            share: if whole_m > 0.0 { kept_m / whole_m } else { 1.0 },
            elsewhere_m: elsewhere_m.round(),
            leaves,
            rides,
        }
    }

    fn why(
        &self,
        router: &Router,
        stage: &Stage,
        leg: &Ridden,
        stage_m: f64,
        ride_m: f64,
    ) -> String {
        let region = self.region();
        let other = leg.edges.iter().filter(|e| !stage.edges.contains(e));
        let longest = other.max_by(|a, b| {
            let m = |e: u32| region.length_m(e / 2);
            m(**a).total_cmp(&m(**b))
        });
        let road = longest.map_or(String::new(), |&e| {
            let p = e as usize / 2;
            let names = [region.piece_name()[p], region.piece_ref()[p]];
            let name = names
                .map(|s| region.string(s))
                .into_iter()
                .find(|s| !s.is_empty());
            match name {
                Some(name) => format!(" by {name}"),
                None => format!(" by a {} road", crate::snap::word(&region.class(e / 2))),
            }
        });
        format!(
            "'{}' goes{road}: {:.1} km instead of {:.1} km.",
            router.name,
            ride_m / 1000.0,
            stage_m / 1000.0
        )
    }
}
