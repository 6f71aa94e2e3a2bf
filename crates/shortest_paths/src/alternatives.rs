//! Other sensible ways from the same start to the same end: via-node alternatives after Abraham,
//! Delling, Goldberg and Werneck, "Alternative routes in road networks" (SEA 2010, JEA 18, 2013).

use std::collections::{HashMap, HashSet};

use crate::{End, Found, Graph, INFINITY, Metric, Query};

/// A graph with one metric, and its rows.
#[derive(Clone, Copy, Debug)]
pub struct Weighed<'a> {
    /// Topology.
    pub graph: &'a Graph,
    /// The weights, made ready for searching.
    pub metric: &'a Metric,
    /// [n + 1] arcs of each node.
    pub first_out: &'a [u32],
    /// [m] where each arc leads.
    pub head: &'a [u32],
}

impl Weighed<'_> {
    /// The lightest arc from one node to another.
    pub(crate) fn arc(&self, from: u32, to: u32) -> Option<usize> {
        let first = *self.first_out.get(from as usize)? as usize;
        let last = *self.first_out.get(from as usize + 1)? as usize;
        (first..last)
            .filter(|&a| self.head.get(a) == Some(&to))
            .min_by_key(|&a| self.metric.weights().get(a))
    }

    fn weight(&self, from: u32, to: u32) -> u64 {
        let arc = self.arc(from, to);
        let arc = arc.and_then(|a| self.metric.weights().get(a));
        u64::from(arc.copied().unwrap_or(INFINITY))
    }
}

/// What makes an alternative worth showing; shares of the optimum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Most that may be shared with the optimum, or with another alternative.
    pub sharing: f64,
    /// Parts up to this share of the optimum are shortest paths themselves.
    pub local: f64,
    /// Most that any part may be longer than the shortest path between its ends, as a factor.
    pub stretch: f64,
}

impl Default for Limits {
    /// The values of the paper.
    fn default() -> Self {
        Limits {
            sharing: 0.8,
            local: 0.25,
            stretch: 1.25,
        }
    }
}

/// From where to where, over what, and under which conditions.
#[derive(Clone, Copy, Debug)]
pub struct Question<'a> {
    /// Where a path may begin.
    pub sources: &'a [End],
    /// Where it may end.
    pub targets: &'a [End],
    /// Nodes an alternative may lead over.
    pub vias: &'a [u32],
    /// What it must keep.
    pub limits: Limits,
    /// Most alternatives wanted.
    pub how_many: usize,
}

/// A path over a via node, and how it measures against the optimum.
#[derive(Clone, Debug, PartialEq)]
pub struct Alternative {
    /// Nodes in order.
    pub nodes: Vec<u32>,
    /// Source it begins at.
    pub source: usize,
    /// Target it ends at.
    pub target: usize,
    /// Cost of the whole.
    pub cost: u64,
    /// Share of the optimum's cost that lies on arcs of both.
    pub sharing: f64,
    /// Cost over the optimum's.
    pub stretch: f64,
    /// The greatest factor by which a part is longer than the shortest path between its ends; exact
    /// where both halves have at most [`EXACT`] nodes, else from that many places on each and
    /// wherever the path leaves the optimum or comes back to it.
    pub detour: f64,
    /// Whether all parts up to `local` of the optimum are known to be shortest paths (the T-test:
    /// what passes is so, what is so may fail).
    pub locally_optimal: bool,
}

impl Alternative {
    /// Whether it keeps all limits against the optimum.
    pub fn keeps(&self, limits: &Limits) -> bool {
        self.locally_optimal
            && self.sharing <= limits.sharing
            && self.stretch <= limits.stretch
            && self.detour <= limits.stretch
    }
}

/// Nodes on each side of a via for which the uniform stretch is exact.
pub const EXACT: usize = 40;
/// Most paths that are unpacked in a search.
const MAX_TRIED: usize = 80;

/// Paths that keep all limits, cheapest first, each sharing no more than allowed with the optimum
/// and with those before it. `None` if there is no optimum. `go_on` is asked before each via.
pub fn alternatives(
    net: &Weighed,
    query: &mut Query,
    question: &Question,
    go_on: &mut dyn FnMut() -> bool,
) -> Option<(Found, Vec<Alternative>)> {
    let Question {
        sources,
        targets,
        vias,
        limits,
        how_many,
    } = *question;
    let optimum = query.run(net.graph, net.metric, sources, targets)?;
    let ends: Vec<Vec<End>> = vias.iter().map(|&v| vec![(v, 0)]).collect();
    let to = query.one_to_many(net.graph, net.metric, sources, &ends);
    let from = query.table(net.graph, net.metric, &ends, &[targets.to_vec()]);
    let on_optimum: HashSet<u32> = optimum.nodes.iter().copied().collect();
    let most = f64::from(optimum.cost) * limits.stretch;
    let mut order: Vec<(u64, u32)> = vias
        .iter()
        .zip(to.iter().zip(&from))
        .filter(|&(v, (&to, &from))| to != INFINITY && from != INFINITY && !on_optimum.contains(v))
        .map(|(&v, (&to, &from))| (u64::from(to) + u64::from(from), v))
        .filter(|&(cost, _)| cost as f64 <= most)
        .collect();
    order.sort_unstable();
    let mut kept: Vec<Alternative> = Vec::new();
    let mut seen: HashSet<(u64, u32)> = HashSet::new();
    let mut tried = 0;
    for &(cost, via) in &order {
        if kept.len() >= how_many || tried >= MAX_TRIED || !go_on() {
            break;
        }
        // Vias of one path have one cost.
        if seen.contains(&(cost, via)) {
            continue;
        }
        tried += 1;
        let Some(over) = over(net, query, sources, targets, via) else {
            continue;
        };
        seen.extend(over.whole.nodes.iter().map(|&v| (cost, v)));
        let Some(path) = judge(net, query, &optimum, over, &limits) else {
            continue;
        };
        let apart = |other: &Alternative| {
            let shared = shared(net, &path.nodes, &other.nodes) as f64;
            shared <= limits.sharing * f64::from(optimum.cost)
        };
        if path.keeps(&limits) && kept.iter().all(apart) {
            kept.push(path);
        }
    }
    Some((optimum, kept))
}

/// A path over a via: the whole, and where the via stands in it.
struct Over {
    whole: Found,
    via_at: usize,
}

fn over(
    net: &Weighed,
    query: &mut Query,
    sources: &[End],
    targets: &[End],
    via: u32,
) -> Option<Over> {
    let to = query.run(net.graph, net.metric, sources, &[(via, 0)])?;
    let from = query.run(net.graph, net.metric, &[(via, 0)], targets)?;
    let via_at = to.nodes.len() - 1;
    let mut nodes = to.nodes;
    nodes.extend(&from.nodes[1..]);
    let distinct: HashSet<u32> = nodes.iter().copied().collect();
    if distinct.len() != nodes.len() {
        return None;
    }
    let whole = Found {
        cost: to.cost.checked_add(from.cost)?,
        nodes,
        source: to.source,
        target: from.target,
    };
    Some(Over { whole, via_at })
}

/// Measures a path over a via against the optimum.
pub fn judge_via(
    net: &Weighed,
    query: &mut Query,
    sources: &[End],
    targets: &[End],
    via: u32,
    limits: &Limits,
) -> Option<Alternative> {
    let optimum = query.run(net.graph, net.metric, sources, targets)?;
    let path = over(net, query, sources, targets, via)?;
    judge(net, query, &optimum, path, limits)
}

fn judge(
    net: &Weighed,
    query: &mut Query,
    optimum: &Found,
    path: Over,
    limits: &Limits,
) -> Option<Alternative> {
    let Over { whole, via_at } = path;
    let best = f64::from(optimum.cost);
    let sharing = shared(net, &whole.nodes, &optimum.nodes) as f64 / best.max(1.0);
    let nodes = whole.nodes;
    // Cost from the first node to each.
    let mut along = vec![0u64];
    for pair in nodes.windows(2) {
        along.push(along[along.len() - 1] + net.weight(pair[0], pair[1]));
    }
    let reach = (limits.local * best).ceil() as u64;
    let first = (0..via_at)
        .rev()
        .find(|&i| along[via_at] - along[i] >= reach)
        .unwrap_or(0);
    let last = (via_at + 1..nodes.len())
        .find(|&i| along[i] - along[via_at] >= reach)
        .unwrap_or(nodes.len() - 1);
    let part = query.run(
        net.graph,
        net.metric,
        &[(nodes[first], 0)],
        &[(nodes[last], 0)],
    )?;
    let locally_optimal = u64::from(part.cost) == along[last] - along[first];

    let forks = forks(&nodes, &optimum.nodes);
    let before = places(&along, 0..via_at, &forks);
    let after = places(&along, via_at + 1..nodes.len(), &forks);
    let ends =
        |at: &[usize]| -> Vec<Vec<End>> { at.iter().map(|&i| vec![(nodes[i], 0)]).collect() };
    let (a, b) = (ends(&before), ends(&after));
    let table = query.table(net.graph, net.metric, &a, &b);
    let mut detour: f64 = 1.0;
    for (i, &from) in before.iter().enumerate() {
        for (j, &to) in after.iter().enumerate() {
            let shortest = f64::from(table[i * after.len() + j]);
            let ridden = (along[to] - along[from]) as f64;
            if ridden > shortest {
                detour = detour.max(ridden / shortest.max(f64::MIN_POSITIVE));
            }
        }
    }
    Some(Alternative {
        stretch: f64::from(whole.cost) / best.max(1.0),
        cost: u64::from(whole.cost),
        source: whole.source,
        target: whole.target,
        nodes,
        sharing,
        detour,
        locally_optimal,
    })
}

/// Cost of the arcs two paths have in common.
fn shared(net: &Weighed, a: &[u32], b: &[u32]) -> u64 {
    let arcs: HashSet<(u32, u32)> = b.windows(2).map(|w| (w[0], w[1])).collect();
    a.windows(2)
        .filter(|w| arcs.contains(&(w[0], w[1])))
        .map(|w| net.weight(w[0], w[1]))
        .sum()
}

/// Positions at which `path` leaves `other` or comes back to it.
fn forks(path: &[u32], other: &[u32]) -> Vec<usize> {
    let next: HashMap<u32, u32> = other.windows(2).map(|w| (w[0], w[1])).collect();
    let on: HashSet<u32> = other.iter().copied().collect();
    let mut forks = Vec::new();
    for (i, pair) in path.windows(2).enumerate() {
        let together = next.get(&pair[0]) == Some(&pair[1]);
        if !together && on.contains(&pair[0]) {
            forks.push(i);
        }
        if !together && on.contains(&pair[1]) {
            forks.push(i + 1);
        }
    }
    forks
}

/// All positions of a range if they are few, else as many evenly along the cost, and the forks.
fn places(along: &[u64], range: std::ops::Range<usize>, forks: &[usize]) -> Vec<usize> {
    if range.len() <= EXACT {
        return range.collect();
    }
    let (from, to) = (along[range.start], along[range.end - 1]);
    let mut at: Vec<usize> = (0..EXACT as u64)
        .map(|i| {
            let goal = from + (to - from) * i / (EXACT as u64 - 1);
            let i = along[range.clone()].partition_point(|&c| c < goal);
            (range.start + i).min(range.end - 1)
        })
        .chain(forks.iter().copied().filter(|f| range.contains(f)))
        .collect();
    at.sort_unstable();
    at.dedup();
    at
}
