//! Round trips: from here, so many hours or kilometres, and back.
//!
//! First places worth going to are looked for all over the reach of the budget; tables and paths of
//! the taste between them make a small net of the roads worth riding, however large the region;
//! on that net trails are sought that use no road twice and gather the most worth.

use std::collections::{BTreeSet, HashMap};

use region::{Bounds, Edge, RoadClass};
use serde::{Deserialize, Serialize};
use shortest_paths::orienteering::{Places, Task, Trail, Trails, best_tour};
use shortest_paths::{End, INFINITY, Metric};

use super::roads::{Measure, Roads};
use super::{Proposal, Proposals, ProposeError, Watch, stop_at};
use crate::Planner;
use crate::cost::Weighing;
use crate::legs::{Place, Stance};
use crate::snap::Candidate;
use crate::taste::{Counts, Taste, TasteChoice};

/// Ask for round trips.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(deny_unknown_fields)]
pub struct Round {
    /// Name of the region.
    pub region: String,
    /// Latitude and longitude of start and end.
    pub from: [f64; 2],
    /// What makes a trip good.
    #[serde(default)]
    pub taste: TasteChoice,
    /// Most hours of riding; either this or `km`.
    #[serde(default)]
    pub hours: Option<f64>,
    /// Most kilometres.
    #[serde(default)]
    pub km: Option<f64>,
    /// Where to: degrees from north, clockwise; anywhere if absent.
    #[serde(default)]
    pub heading_deg: Option<f64>,
    /// Trips to choose from, 1 to 6.
    #[serde(default = "three")]
    pub how_many: u32,
    /// Roads may be ridden twice.
    #[serde(default)]
    pub twice: bool,
}

fn three() -> u32 {
    3
}

/// Budgets that make sense.
const HOURS: std::ops::RangeInclusive<f64> = 0.1..=24.0;
const KM: std::ops::RangeInclusive<f64> = 2.0..=1500.0;
/// A trip's roads lie within half of what can be ridden at this speed, km/h.
const REACH_KMH: f64 = 75.0;
/// Half the sector of a heading, degrees, and the share of the reach where all is allowed.
const SECTOR_DEG: f64 = 55.0;
const HOME_SHARE: f64 = 0.15;
/// Places that make the net, and neighbours each is joined with.
const PLACES: usize = 48;
const NEIGHBOURS: usize = 4;
/// Nodes settled for the first trip, and for each further one.
const EFFORT: u64 = 1_500_000;
const MORE_EFFORT: u64 = 700_000;
/// Two trips are truly different if they have at most this share of the shorter one in common.
const MOST_SHARED: f64 = 0.6;
/// Further trips use at least this share of what the first does.
const LEAST_SPENT: f64 = 0.5;
/// Time or length kept back, since a line pinned by vias may differ a little.
const KEPT_BACK: f64 = 0.995;

impl Planner {
    /// Trips from a place and back within a budget of time or length, the best first, each truly
    /// different from those before. No road is ridden twice, either way; where the start lies on
    /// a road that is the only one, that part is, and the notes say so. Deterministic.
    pub fn round_trips(&self, ask: &Round, watch: &mut Watch) -> Result<Proposals, ProposeError> {
        let (measure, budget) = budget(ask)?;
        let heading = match ask.heading_deg {
            Some(deg) if !deg.is_finite() => {
                return Err(ProposeError::BadBudget {
                    text: "the heading is no number; give degrees from north, clockwise".into(),
                });
            }
            other => other.map(|deg| deg.rem_euclid(360.0)),
        };
        let how_many = ask.how_many.clamp(1, 6) as usize;
        watch.at(0.0, "snapping")?;
        let (taste, note) = self.sought(&ask.taste)?;
        let (_, snapped) = self.place_of(ask.from, "the start")?;
        let connected = |c: &&Candidate| {
            crate::snap::rideable(self.region(), c.piece).any(|e| self.nets.is_connected(e))
        };
        let candidates = &snapped.candidates;
        let start = *candidates
            .iter()
            .find(connected)
            .or(candidates.first())
            .ok_or_else(|| ProposeError::NoWay {
                text: "there is no road at the start".into(),
            })?;
        let shade = self.shade(&taste);
        let search = Search {
            planner: self,
            start,
            measure,
            budget,
            heading,
            shade: &shade,
            weighing: self.weighed(
                &Taste {
                    counts: Counts::Time,
                    ..taste.clone()
                },
                watch,
            )?,
        };
        let pieces = search.net(watch)?;
        let mut roads = Roads::new(self, &pieces, &start, &shade, measure);
        if heading.is_some() {
            roads.lead(|edge| search.is_ahead(edge), self.region());
        }
        let allowed = (f64::from(budget) * KEPT_BACK) as u32;
        let reach_m = search.reach_m();
        let mut notes: Vec<String> = note.into_iter().collect();

        let routed = self.weighed(&self.routed_by(&ask.taste, &taste), watch)?;
        let spent_of = |trip: &Proposal| match measure {
            Measure::Time => trip.sums.riding_s * 10.0,
            Measure::Length => trip.sums.length_m,
        };
        let mut trips: Vec<(Proposal, BTreeSet<u32>)> = Vec::new();
        let mut is_shared = ask.twice;
        roads.free_access(0.3 * reach_m, ask.twice);
        let mut failed = 0;
        let mut round = 0u64;
        while trips.len() < how_many && failed < 8 {
            let share = 0.25 + 0.7 * (trips.len() as f32 + failed as f32 / 8.0) / how_many as f32;
            watch.at(share.min(0.95), "trying trips")?;
            round += 1;
            let effort = if round == 1 { EFFORT } else { MORE_EFFORT };
            let trail = best_trail(&roads, allowed, effort, round, watch)?;
            let long_enough = trail
                .as_ref()
                .is_some_and(|t| t.cost * 2 >= u64::from(allowed));
            if !long_enough && trips.is_empty() && !is_shared {
                // No loop worth its name: let the way to and from one be the same.
                is_shared = true;
                roads.free_access(0.6 * reach_m, true);
                if trail.is_none() || round < 3 {
                    continue;
                }
            }
            let Some(trail) = trail else {
                failed += 2;
                continue;
            };
            let edges = roads.edges(&trail.nodes);
            let points = [stop_at(ask.from), stop_at(ask.from)];
            let pinned = self.pin(&routed, [&points[0], &points[1]], &edges, watch)?;
            let mine: BTreeSet<u32> = edges.iter().map(|e| e.piece()).collect();
            let same = trips
                .iter()
                .any(|(_, t)| self.common(&mine, t) > MOST_SHARED);
            let good = pinned.filter(|p| !same && p.share > 0.9);
            let trip = match good {
                Some(pinned) => {
                    let proposal = self.proposal(&pinned, &ask.taste, &shade, Vec::new(), watch)?;
                    let spent = spent_of(&proposal);
                    let planned_twice = roads.twice_m(&trail.nodes) + 100.0;
                    let fits = spent <= f64::from(budget);
                    let clean = ask.twice || proposal.ride.twice_m <= planned_twice;
                    let first = trips.first().map_or(0.0, |t| spent_of(&t.0));
                    let long = spent >= LEAST_SPENT * first;
                    (fits && clean && long).then_some(proposal)
                }
                None => None,
            };
            match trip {
                Some(mut trip) => {
                    if trip.ride.twice_m > 100.0 && !ask.twice {
                        trip.notes.push(format!(
                            "{:.1} km near the start are ridden out and back: no other road leads \
                             there.",
                            trip.ride.twice_m / 1000.0
                        ));
                    }
                    trips.push((trip, mine));
                    roads.discount(&trail.nodes, 0.15);
                    failed = 0;
                }
                None => {
                    roads.discount(&trail.nodes, 0.5);
                    failed += 1;
                }
            }
        }
        if trips.is_empty() {
            return Err(self.no_loop(&roads, allowed, measure, watch)?);
        }
        if trips.len() < how_many {
            notes.push(format!(
                "Only {} truly different {} found within the budget.",
                trips.len(),
                if trips.len() == 1 {
                    "trip was"
                } else {
                    "trips were"
                }
            ));
        }
        watch.at(1.0, "done")?;
        Ok(Proposals {
            proposals: trips.into_iter().map(|t| t.0).collect(),
            notes,
        })
    }

    /// Why there is none: what the shortest loop would take.
    fn no_loop(
        &self,
        roads: &Roads,
        allowed: u32,
        measure: Measure,
        watch: &mut Watch,
    ) -> Result<ProposeError, ProposeError> {
        for times in [2, 4, 8] {
            let trail = best_trail(roads, allowed.saturating_mul(times), 60_000, 1, watch)?;
            if let Some(trail) = trail {
                let takes = match measure {
                    Measure::Time => format!("{:.0} minutes", trail.cost as f64 / 600.0),
                    Measure::Length => format!("{:.0} km", trail.cost as f64 / 1000.0),
                };
                return Ok(ProposeError::NoLoop {
                    text: format!(
                        "no loop from here fits the budget; one there is takes about {takes}"
                    ),
                });
            }
        }
        Ok(ProposeError::NoLoop {
            text: "no loop leads from here and back without riding a road twice".into(),
        })
    }

    /// Share of the shorter of two sets of pieces that both have.
    fn common(&self, a: &BTreeSet<u32>, b: &BTreeSet<u32>) -> f64 {
        let length_m = |pieces: &mut dyn Iterator<Item = &u32>| -> f64 {
            pieces.map(|&p| self.region().length_m(p)).sum()
        };
        let shorter = length_m(&mut a.iter()).min(length_m(&mut b.iter()));
        length_m(&mut a.intersection(b)) / shorter.max(1.0)
    }
}

/// Tenths of a second, or metres.
fn budget(ask: &Round) -> Result<(Measure, u32), ProposeError> {
    let bad = |text: String| Err(ProposeError::BadBudget { text });
    match (ask.hours, ask.km) {
        (Some(hours), None) if HOURS.contains(&hours) => {
            Ok((Measure::Time, (hours * 36_000.0) as u32))
        }
        (None, Some(km)) if KM.contains(&km) => Ok((Measure::Length, (km * 1000.0) as u32)),
        (Some(hours), None) => bad(format!(
            "{hours} hours are no budget for a trip; give {} to {}",
            HOURS.start(),
            HOURS.end()
        )),
        (None, Some(km)) => bad(format!(
            "{km} km are no budget for a trip; give {} to {}",
            KM.start(),
            KM.end()
        )),
        (None, None) => bad("a trip needs a budget: hours or km".into()),
        (Some(_), Some(_)) => bad("give hours or km, not both".into()),
    }
}

fn best_trail(
    roads: &Roads,
    budget: u32,
    effort: u64,
    seed: u64,
    watch: &mut Watch,
) -> Result<Option<Trail>, ProposeError> {
    let task = Task {
        sources: &roads.sources,
        targets: &roads.targets,
        budget,
        effort,
        seed,
    };
    let stop = watch.stop;
    let mut go_on = |_| !stop.load(std::sync::atomic::Ordering::Relaxed);
    let trail = Trails::new(roads.ground()).and_then(|mut t| t.best(&task, None, &mut go_on));
    if stop.load(std::sync::atomic::Ordering::Relaxed) {
        return Err(ProposeError::Cancelled);
    }
    Ok(trail)
}

struct Search<'a> {
    planner: &'a Planner,
    start: Candidate,
    measure: Measure,
    /// Tenths of a second, or metres.
    budget: u32,
    heading: Option<f64>,
    shade: &'a [u8],
    weighing: std::sync::Arc<Weighing>,
}

impl Search<'_> {
    fn reach_m(&self) -> f64 {
        let way_m = match self.measure {
            Measure::Time => f64::from(self.budget) / 36_000.0 * REACH_KMH * 1000.0,
            Measure::Length => f64::from(self.budget),
        };
        way_m / 2.0
    }

    /// Pieces worth riding on.
    fn net(&self, watch: &mut Watch) -> Result<BTreeSet<u32>, ProposeError> {
        let planner = self.planner;
        let region = planner.region();
        watch.at(0.05, "looking around")?;
        let bounds = Bounds::around(self.start.at, self.reach_m());
        let near = region.pieces_in(bounds);
        // Ends of the start, by the measure of the budget.
        let counted = match self.measure {
            Measure::Time => Taste::fastest(),
            Measure::Length => Taste {
                counts: Counts::Length,
                ..Taste::fastest()
            },
        };
        let counted = planner.weighed(&counted, watch)?;
        // Costs are steps of 10 ms, or of 0.1 m.
        let budget = self.budget.saturating_mul(10);
        let places: Vec<u32> = planner
            .spread(bounds, self.shade)
            .into_iter()
            .filter(|&e| self.is_ahead(Edge(e)))
            .collect();
        let ends: Vec<Vec<End>> = places.iter().map(|&e| vec![(e, 0)]).collect();
        let (out, back) = self.ends(&counted);
        let (to, from) = planner.with_query(|q| {
            let to = q.one_to_many(&planner.graph, &counted.metric, &out, &ends);
            let from = q.table(&planner.graph, &counted.metric, &ends, &[back]);
            (to, from)
        });
        // An edge that enters restricted roads is paid for by hours: on the way home that is no
        // reason to stay away.
        let fee = from.iter().copied().min().unwrap_or(0) / 7_200_000 * 7_200_000;
        let within = |i: usize| {
            to[i] < INFINITY
                && from[i] < INFINITY
                && to[i].saturating_add(from[i] - fee.min(from[i])) <= budget
        };
        let mut chosen: Vec<(i64, usize)> = (0..places.len())
            .filter(|&i| within(i))
            .map(|i| {
                let p = Edge(places[i]).piece();
                let worth = i64::from(self.shade.get(p as usize).copied().unwrap_or(0));
                (-worth * region.length_m(p).min(1500.0) as i64, i)
            })
            .collect();
        chosen.sort_unstable();
        let chosen = self.thin(&chosen, &places);
        let mut pieces: BTreeSet<u32> = BTreeSet::from([self.start.piece]);
        if near.len() <= 2500 {
            let open = |&p: &u32| {
                let mut ways = crate::snap::rideable(region, p);
                self.is_ahead(Edge::new(p, false))
                    && ways.any(|e| region.access(e) == region::Access::Open)
            };
            pieces.extend(near.iter().copied().filter(open));
        }
        watch.at(0.1, "choosing roads")?;
        self.join(&chosen, &counted, budget, &mut pieces, watch)?;
        pieces.retain(|&p| region.class(p) != RoadClass::Ferry);
        Ok(pieces)
    }

    /// The best places, no two too near.
    fn thin(&self, ranked: &[(i64, usize)], places: &[u32]) -> Vec<u32> {
        let region = self.planner.region();
        let middle = |e: u32| {
            let points = region.piece_points(Edge(e).piece());
            region.point((points.start + points.end) / 2)
        };
        let frame = region::LocalFrame::at(self.start.at);
        let mut apart_m = self.reach_m() / 5.0;
        let mut kept: Vec<(u32, [f64; 2])> = Vec::new();
        for _ in 0..5 {
            for &(_, i) in ranked {
                let at = frame.to_m(middle(places[i]));
                let near = |k: &(u32, [f64; 2])| (k.1[0] - at[0]).hypot(k.1[1] - at[1]) < apart_m;
                if kept.len() < PLACES && !kept.iter().any(near) {
                    kept.push((places[i], at));
                }
            }
            apart_m /= 2.0;
        }
        kept.into_iter().map(|k| k.0).collect()
    }

    /// Whether an edge lies where the trip is to lead.
    fn is_ahead(&self, edge: Edge) -> bool {
        let Some(heading) = self.heading else {
            return true;
        };
        let region = self.planner.region();
        let points = region.piece_points(edge.piece());
        let at = region.point((points.start + points.end) / 2);
        let [east, north] = region::LocalFrame::at(self.start.at).to_m(at);
        let away = (east.atan2(north).to_degrees() - heading + 540.0).rem_euclid(360.0) - 180.0;
        away.abs() <= SECTOR_DEG || east.hypot(north) < HOME_SHARE * self.reach_m()
    }

    /// Where searches begin that leave the start, and end that come back.
    fn ends(&self, weighing: &Weighing) -> (Vec<End>, Vec<End>) {
        let candidates = [self.start];
        let place = Place {
            candidates: &candidates,
            is_stop: true,
        };
        let all = |arriving: bool, ends: &dyn Fn(&Stance) -> Vec<End>| {
            let stances = self.planner.stances(&place, arriving);
            stances.iter().flat_map(ends).collect()
        };
        (
            all(false, &|s| self.planner.sources(weighing, s)),
            all(true, &|s| self.planner.targets(weighing, s)),
        )
    }

    /// Adds the roads between the start and the places, between neighbours, and of trips over
    /// several of them.
    fn join(
        &self,
        chosen: &[u32],
        counted: &Weighing,
        budget: u32,
        pieces: &mut BTreeSet<u32>,
        watch: &mut Watch,
    ) -> Result<(), ProposeError> {
        let planner = self.planner;
        let graph = &planner.graph;
        let (out, back) = self.ends(&self.weighing);
        let at = |e: u32| vec![(e, 0)];
        let ends: Vec<Vec<End>> = chosen.iter().map(|&e| at(e)).collect();
        let table = planner.with_query(|q| q.table(graph, &self.weighing.metric, &ends, &ends));
        let n = chosen.len();
        // Paths by the taste, then by the taste away from what all of them share.
        let mut times: HashMap<u32, u32> = HashMap::new();
        let mut paths: Vec<Vec<u32>> = Vec::new();
        let mut trunk = |metric: &Metric, watch: &mut Watch| -> Result<(), ProposeError> {
            for end in &ends {
                watch.at(0.12, "choosing roads")?;
                planner.with_query(|q| {
                    paths.extend(q.run(graph, metric, &out, end).map(|f| f.nodes));
                    paths.extend(q.run(graph, metric, end, &back).map(|f| f.nodes));
                });
            }
            Ok(())
        };
        trunk(&self.weighing.metric, watch)?;
        for path in &paths {
            let set: BTreeSet<u32> = path.iter().map(|&s| planner.edge(s).piece()).collect();
            set.iter().for_each(|&p| *times.entry(p).or_default() += 1);
        }
        let often = (n as u32 / 4).max(2);
        let mut weights = self.weighing.metric.weights().to_vec();
        let region = planner.region();
        for state in 0..region.state_count() {
            if times
                .get(&planner.edge(state).piece())
                .is_some_and(|&t| t >= often)
            {
                for arc in crate::cost::arcs(region, state) {
                    let weight = &mut weights[arc as usize];
                    *weight = weight.saturating_mul(3).min(INFINITY);
                }
            }
        }
        let aside = Metric::new(graph, weights).unwrap_or_default();
        let mut trunk = |metric: &Metric, watch: &mut Watch| -> Result<(), ProposeError> {
            for end in &ends {
                watch.at(0.15, "choosing roads")?;
                planner.with_query(|q| {
                    paths.extend(q.run(graph, metric, &out, end).map(|f| f.nodes));
                    paths.extend(q.run(graph, metric, end, &back).map(|f| f.nodes));
                });
            }
            Ok(())
        };
        trunk(&aside, watch)?;
        let mut pairs: BTreeSet<(usize, usize)> = BTreeSet::new();
        for i in 0..n {
            let mut near: Vec<(u32, usize)> = (0..n).map(|j| (table[i * n + j], j)).collect();
            near.sort_unstable();
            let near = near.iter().filter(|&&(c, j)| j != i && c < INFINITY);
            pairs.extend(near.take(NEIGHBOURS).map(|&(_, j)| (i, j)));
        }
        pairs.extend(self.tours(chosen, counted, budget));
        for &(i, j) in &pairs {
            watch.at(0.2, "choosing roads")?;
            let found =
                planner.with_query(|q| q.run(graph, &self.weighing.metric, &ends[i], &ends[j]));
            paths.extend(found.map(|f| f.nodes));
        }
        for path in &paths {
            pieces.extend(path.iter().map(|&s| planner.edge(s).piece()));
        }
        Ok(())
    }

    /// Legs of good tours over the places by the table of the budget: what is visited in one trip
    /// must be joined.
    fn tours(&self, chosen: &[u32], counted: &Weighing, budget: u32) -> Vec<(usize, usize)> {
        let planner = self.planner;
        let n = chosen.len() + 1;
        let (out, back) = self.ends(counted);
        let mut sources: Vec<Vec<End>> = chosen.iter().map(|&e| vec![(e, 0)]).collect();
        let mut targets = sources.clone();
        sources.push(out);
        targets.push(back);
        let mut cost =
            planner.with_query(|q| q.table(&planner.graph, &counted.metric, &sources, &targets));
        // Home again by whatever road.
        let fee = (0..n - 1).map(|i| cost[i * n + n - 1]).min().unwrap_or(0);
        let fee = fee / 7_200_000 * 7_200_000;
        for i in 0..n {
            let home = &mut cost[i * n + n - 1];
            *home -= fee.min(*home);
        }
        let mut score: Vec<u32> = chosen
            .iter()
            .map(|&e| {
                1 + u32::from(
                    self.shade
                        .get(Edge(e).piece() as usize)
                        .copied()
                        .unwrap_or(0),
                )
            })
            .collect();
        score.push(0);
        let group: Vec<u32> = (0..n as u32).collect();
        let mut legs = Vec::new();
        for round in 0..4 {
            let places = Places {
                cost: &cost,
                score: &score,
                group: &group,
            };
            let home = n as u32 - 1;
            let share = budget / 5 * 4;
            let Some(tour) = best_tour(&places, [home, home], share, 60, round, &mut || true)
            else {
                break;
            };
            for w in tour.places.windows(2).filter(|w| !w.contains(&home)) {
                legs.push((w[0] as usize, w[1] as usize));
                legs.push((w[1] as usize, w[0] as usize));
            }
            for &p in &tour.places {
                score[p as usize] /= 3;
            }
        }
        legs
    }
}
