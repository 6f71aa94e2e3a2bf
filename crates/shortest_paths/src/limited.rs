//! The path of least dislike within a limit of time: the constrained shortest path problem, by
//! Lagrange relaxation (Jüttner, Szviatovszki, Mécs, Rajkó, "LARAC", INFOCOM 2001) and repair.

use std::collections::HashMap;

use crate::alternatives::Weighed;
use crate::{End, Graph, INFINITY, Metric, Query};

/// A graph with two weights per arc.
#[derive(Clone, Copy, Debug)]
pub struct TwoWeights<'a> {
    /// Topology.
    pub graph: &'a Graph,
    /// [n + 1] arcs of each node.
    pub first_out: &'a [u32],
    /// [m] where each arc leads.
    pub head: &'a [u32],
    /// [m] what is limited; [`INFINITY`] closes an arc.
    pub time: &'a [u32],
    /// [m] what should be small.
    pub dislike: &'a [u32],
}

/// Where a path may begin or end: a node, and the time and dislike of getting on or off there.
pub type TwoEnd = (u32, u32, u32);

/// A path and what it weighs.
#[derive(Clone, Debug, PartialEq)]
pub struct Limited {
    /// Nodes in order.
    pub nodes: Vec<u32>,
    /// Source it begins at.
    pub source: usize,
    /// Target it ends at.
    pub target: usize,
    /// Time of the whole, ends included.
    pub time: u64,
    /// Dislike of the whole.
    pub dislike: u64,
}

/// What was found, and how good it can be.
#[derive(Clone, Debug, PartialEq)]
pub struct Within {
    /// The path of least time.
    pub quickest: Limited,
    /// The path found: within the limit.
    pub best: Limited,
    /// No path within the limit has less dislike than this (the Lagrange bound).
    pub bound: f64,
}

/// Steps of the relaxation; it ends of itself after a few.
const MAX_STEPS: u32 = 16;
/// Vias tried in the repair.
const MAX_VIAS: usize = 48;
/// Parts of the path tried for a better way.
const MAX_PARTS: u32 = 60;
/// Dislike counts up to this many times more than time.
const LARGEST_PRICE: f64 = 256.0;

/// A metric of `time + price × dislike`.
struct Priced {
    metric: Metric,
    per_time: f64,
    per_dislike: f64,
}

struct Search<'a, 'q> {
    net: &'a TwoWeights<'a>,
    query: &'q mut Query,
    sources: &'a [TwoEnd],
    targets: &'a [TwoEnd],
    limit: u64,
}

/// The path of least dislike found whose time is at most `limit`; `None` if there is none at all
/// (then even the quickest takes longer, or there is no way) or the columns do not fit together.
/// `vias` are nodes a better path may lead over. Ends early with the best so far when `go_on` says
/// no.
pub fn least_within(
    net: &TwoWeights,
    query: &mut Query,
    sources: &[TwoEnd],
    targets: &[TwoEnd],
    limit: u64,
    vias: &[u32],
    go_on: &mut dyn FnMut(f32) -> bool,
) -> Option<Within> {
    let m = net.graph.arc_count();
    if [net.head, net.time, net.dislike]
        .iter()
        .any(|c| c.len() != m)
    {
        return None;
    }
    let mut search = Search {
        net,
        query,
        sources,
        targets,
        limit,
    };
    let by_time = search.priced(1.0, 0.0);
    let quickest = search.path(&by_time)?;
    if quickest.time > limit {
        return None;
    }
    let by_dislike = search.priced(1.0 / LARGEST_PRICE, 1.0);
    let mut over = search.path(&by_dislike)?;
    let mut within = quickest.clone();
    let mut bound = 0.0;
    if over.time <= limit {
        let spare = (limit - over.time) as f64 / LARGEST_PRICE;
        bound = (over.dislike as f64 - spare).max(0.0);
        return Some(Within {
            quickest,
            best: over,
            bound,
        });
    }
    let mut last = None;
    for step in 0..MAX_STEPS {
        if !go_on(step as f32 / (2 * MAX_STEPS) as f32) {
            break;
        }
        let (gain, price) = (
            within.dislike.saturating_sub(over.dislike) as f64,
            over.time.saturating_sub(within.time) as f64,
        );
        if gain <= 0.0 || price <= 0.0 {
            break;
        }
        // Minimises dislike + gain/price × time; scaled so that the larger factor is 1.
        let top = gain.max(price);
        let priced = search.priced(gain / top, price / top);
        let next = search.path(&priced)?;
        let multiplier = gain / price;
        let value = |p: &Limited| p.dislike as f64 + multiplier * p.time as f64;
        bound = f64::max(bound, value(&next) - multiplier * limit as f64);
        let as_before = value(&next) >= value(&over) * (1.0 - 1e-6);
        last = Some(priced);
        if as_before {
            break;
        }
        if next.time <= limit {
            within = next;
        } else {
            over = next;
        }
    }
    let mut best = within;
    search.cross(&mut best, &over, &by_dislike);
    let last = last.unwrap_or_else(|| search.priced(1.0, 1.0));
    search.over_vias(
        &mut best,
        &over,
        vias,
        [&by_time, &last, &by_dislike],
        go_on,
    );
    search.better_parts(&mut best, [&last, &by_dislike], go_on);
    Some(Within {
        quickest,
        bound: bound.min(best.dislike as f64),
        best,
    })
}

impl Search<'_, '_> {
    /// Weights `a × time + b × dislike`, neither factor above 1.
    fn priced(&self, a: f64, b: f64) -> Priced {
        let (per_time, per_dislike) = (a * 8.0, b * 8.0);
        let weights: Vec<u32> = self
            .net
            .time
            .iter()
            .zip(self.net.dislike)
            .map(|(&t, &d)| weigh(per_time, per_dislike, t, d))
            .collect();
        // Rows of one length fit; nothing is found on the empty metric that would stand in.
        let metric = Metric::new(self.net.graph, weights).unwrap_or_default();
        Priced {
            metric,
            per_time,
            per_dislike,
        }
    }

    fn ends(&self, priced: &Priced, ends: &[TwoEnd]) -> Vec<End> {
        let weigh = |&(v, t, d): &TwoEnd| (v, weigh(priced.per_time, priced.per_dislike, t, d));
        ends.iter().map(weigh).collect()
    }

    fn path(&mut self, priced: &Priced) -> Option<Limited> {
        let (from, to) = (
            self.ends(priced, self.sources),
            self.ends(priced, self.targets),
        );
        let found = self.query.run(self.net.graph, &priced.metric, &from, &to)?;
        self.measure(priced, found.nodes, found.source, found.target)
    }

    /// Nodes from one to another, both included.
    fn part(&mut self, priced: &Priced, from: u32, to: u32) -> Option<Vec<u32>> {
        let ends = [[(from, 0)], [(to, 0)]];
        let found = self
            .query
            .run(self.net.graph, &priced.metric, &ends[0], &ends[1])?;
        Some(found.nodes)
    }

    fn measure(
        &self,
        priced: &Priced,
        nodes: Vec<u32>,
        source: usize,
        target: usize,
    ) -> Option<Limited> {
        let (from, to) = (self.sources.get(source)?, self.targets.get(target)?);
        let mut time = u64::from(from.1) + u64::from(to.1);
        let mut dislike = u64::from(from.2) + u64::from(to.2);
        let net = Weighed {
            graph: self.net.graph,
            metric: &priced.metric,
            first_out: self.net.first_out,
            head: self.net.head,
        };
        for pair in nodes.windows(2) {
            let arc = net.arc(pair[0], pair[1])?;
            time += u64::from(self.net.time[arc]);
            dislike += u64::from(self.net.dislike[arc]);
        }
        Some(Limited {
            nodes,
            source,
            target,
            time,
            dislike,
        })
    }

    fn offer(&self, best: &mut Limited, other: Option<Limited>) -> bool {
        let better = other.filter(|o| {
            o.time <= self.limit
                && (o.dislike, o.time) < (best.dislike, best.time)
                && simple(&o.nodes)
        });
        better.is_some_and(|o| {
            *best = o;
            true
        })
    }

    /// Follows `over` wherever that stays within the limit: between two nodes both paths have, the
    /// part of either can be taken.
    fn cross(&mut self, best: &mut Limited, over: &Limited, priced: &Priced) {
        let at: HashMap<u32, usize> = over
            .nodes
            .iter()
            .enumerate()
            .map(|(i, &v)| (v, i))
            .collect();
        for _ in 0..8 {
            let shared: Vec<(usize, usize)> = best
                .nodes
                .iter()
                .enumerate()
                .filter_map(|(i, v)| Some((i, *at.get(v)?)))
                .collect();
            let base = best.clone();
            let mut any = false;
            for w in shared.windows(2) {
                let ((i, a), (j, b)) = (w[0], w[1]);
                if a < b && base.nodes[i..=j] != over.nodes[a..=b] {
                    let mut nodes = base.nodes[..i].to_vec();
                    nodes.extend(&over.nodes[a..=b]);
                    nodes.extend(&base.nodes[j + 1..]);
                    let other = self.measure(priced, nodes, base.source, base.target);
                    any |= self.offer(best, other);
                }
            }
            // A beginning or an end of the other path.
            for &(i, a) in &shared {
                let mut head = over.nodes[..a].to_vec();
                head.extend(&base.nodes[i..]);
                let other = self.measure(priced, head, over.source, base.target);
                any |= self.offer(best, other);
                let mut tail = base.nodes[..i].to_vec();
                tail.extend(&over.nodes[a..]);
                let other = self.measure(priced, tail, base.source, over.target);
                any |= self.offer(best, other);
            }
            if !any {
                break;
            }
        }
    }

    /// Tries paths over a via, each half by one of the metrics. A via whose least time is beyond
    /// the limit, or whose least dislike is no better, is not tried.
    fn over_vias(
        &mut self,
        best: &mut Limited,
        over: &Limited,
        vias: &[u32],
        metrics: [&Priced; 3],
        go_on: &mut dyn FnMut(f32) -> bool,
    ) {
        let mut vias: Vec<u32> = vias.iter().chain(&over.nodes).copied().collect();
        vias.sort_unstable();
        vias.dedup();
        let ends: Vec<Vec<End>> = vias.iter().map(|&v| vec![(v, 0)]).collect();
        let mut sums = |priced: &Priced| -> Vec<u64> {
            let (from, to) = (
                self.ends(priced, self.sources),
                self.ends(priced, self.targets),
            );
            let ahead = self
                .query
                .one_to_many(self.net.graph, &priced.metric, &from, &ends);
            let back = self
                .query
                .table(self.net.graph, &priced.metric, &ends, &[to]);
            let sum = ahead.iter().zip(&back).map(|(&a, &b)| match (a, b) {
                (INFINITY, _) | (_, INFINITY) => u64::MAX,
                (a, b) => u64::from(a) + u64::from(b),
            });
            sum.collect()
        };
        let (time, dislike) = (sums(metrics[0]), sums(metrics[2]));
        let mut order: Vec<(u64, u32)> = (0..vias.len())
            .filter(|&i| time[i] != u64::MAX && time[i] as f64 <= self.limit as f64 * 8.0)
            .map(|i| (dislike[i], vias[i]))
            .collect();
        order.sort_unstable();
        order.dedup_by_key(|e| e.0);
        for (tried, &(_, via)) in order.iter().take(MAX_VIAS).enumerate() {
            if !go_on(0.5 + 0.3 * tried as f32 / MAX_VIAS as f32) {
                return;
            }
            let halves: Vec<(Option<_>, Option<_>)> = metrics
                .iter()
                .map(|m| {
                    let (from, to) = (self.ends(m, self.sources), self.ends(m, self.targets));
                    let here = [(via, 0)];
                    let ahead = self.query.run(self.net.graph, &m.metric, &from, &here);
                    (ahead, self.query.run(self.net.graph, &m.metric, &here, &to))
                })
                .collect();
            for (ahead, _) in &halves {
                for (_, back) in &halves {
                    if let (Some(ahead), Some(back)) = (ahead, back) {
                        let mut nodes = ahead.nodes.clone();
                        nodes.extend(&back.nodes[1..]);
                        let other = self.measure(metrics[1], nodes, ahead.source, back.target);
                        self.offer(best, other);
                    }
                }
            }
        }
    }

    /// Tries to ride parts of the path another way.
    fn better_parts(
        &mut self,
        best: &mut Limited,
        metrics: [&Priced; 2],
        go_on: &mut dyn FnMut(f32) -> bool,
    ) {
        let mut tried = 0;
        let mut pieces = 2;
        while pieces <= 16 && tried < MAX_PARTS {
            let mut any = false;
            for k in 0..2 * pieces - 1 {
                let n = best.nodes.len();
                let (i, j) = (
                    k * n / (2 * pieces),
                    ((k + 2) * n / (2 * pieces)).min(n - 1),
                );
                if i + 1 >= j
                    || tried >= MAX_PARTS
                    || !go_on(0.8 + 0.2 * tried as f32 / MAX_PARTS as f32)
                {
                    continue;
                }
                tried += 1;
                for m in metrics {
                    let Some(part) = self.part(m, best.nodes[i], best.nodes[j]) else {
                        continue;
                    };
                    let mut nodes = best.nodes[..i].to_vec();
                    nodes.extend(part);
                    nodes.extend(&best.nodes[j + 1..]);
                    let other = self.measure(m, nodes, best.source, best.target);
                    if self.offer(best, other) {
                        any = true;
                        break;
                    }
                }
            }
            if !any {
                pieces *= 2;
            }
        }
    }
}

fn weigh(per_time: f64, per_dislike: f64, time: u32, dislike: u32) -> u32 {
    if time == INFINITY || dislike == INFINITY {
        return INFINITY;
    }
    let sum = per_time * f64::from(time) + per_dislike * f64::from(dislike);
    (sum.round() as u32).min(INFINITY - 1)
}

fn simple(nodes: &[u32]) -> bool {
    let distinct: std::collections::HashSet<u32> = nodes.iter().copied().collect();
    distinct.len() == nodes.len()
}
