//! Searching: along the elimination tree from both ends, then the shortcuts unfolded.

use crate::graph::{DOWN, NONE, Topology, UP};
use crate::metric::for_common;
use crate::{Graph, INFINITY, Metric};

/// A node where a search may begin or end, and the cost of getting on or off there. Several ends
/// make a point inside an edge, or a choice of places.
pub type End = (u32, u32);

/// A shortest path.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// Cost of the source, the arcs and the target together.
    pub cost: u32,
    /// Nodes in order, at least one.
    pub nodes: Vec<u32>,
    /// Index of the source it begins at.
    pub source: usize,
    /// Index of the target it ends at.
    pub target: usize,
}

/// Scratch memory for searches: one per thread, kept between searches so that a search touches
/// only what it visits. Equal questions have equal answers.
#[derive(Clone, Debug, Default)]
pub struct Query {
    /// Cost by rank; [`INFINITY`] between searches.
    cost: [Vec<u32>; 2],
    /// How a rank was reached; means something where a search that wants a path lowered the cost.
    via: [Vec<Via>; 2],
    /// Ranks a search from either side may touch, ascending.
    walk: [Vec<u32>; 2],
    /// Shortcuts still to be unfolded.
    open: Vec<Step>,
}

/// Rank one came from, [`NONE`] at an end, and by which arc.
#[derive(Clone, Copy, Debug)]
struct Via {
    below: u32,
    arc: u32,
}

const NOWHERE: Via = Via {
    below: NONE,
    arc: NONE,
};

/// One arc of the hierarchy on a path, in riding direction.
#[derive(Clone, Copy, Debug)]
struct Step {
    from: u32,
    to: u32,
    arc: u32,
}

impl Query {
    /// Memory grows with the first search.
    pub fn new() -> Self {
        Self::default()
    }

    /// The cheapest path from any of the `sources` to any of the `targets`, or `None` if every
    /// way is closed. Ends at nodes that do not exist are ignored; a metric of another graph
    /// finds nothing.
    pub fn run(
        &mut self,
        graph: &Graph,
        metric: &Metric,
        sources: &[End],
        targets: &[End],
    ) -> Option<Found> {
        let t = graph.topology();
        let (cost, top) = self.meet::<true>(&t, metric, sources, targets);
        let found = (top != NONE)
            .then(|| self.unfold(&t, metric, top))
            .and_then(|nodes| {
                let (first, last) = (*nodes.first()?, *nodes.last()?);
                let end = |ends: &[End], side: usize, node: u32| {
                    let cost = self.cost[side][t.rank[node as usize] as usize];
                    ends.iter().position(|&e| e == (node, cost))
                };
                Some(Found {
                    cost,
                    source: end(sources, UP, first)?,
                    target: end(targets, DOWN, last)?,
                    nodes,
                })
            });
        self.clean::<true>();
        found
    }

    /// The cost alone of what [`Query::run`] finds; [`INFINITY`] if every way is closed.
    pub fn cost(
        &mut self,
        graph: &Graph,
        metric: &Metric,
        sources: &[End],
        targets: &[End],
    ) -> u32 {
        let (cost, _) = self.meet::<false>(&graph.topology(), metric, sources, targets);
        self.clean::<false>();
        cost
    }

    /// The cheapest cost from any of the `sources` to each group of `targets`; [`INFINITY`] where
    /// there is no way.
    pub fn one_to_many(
        &mut self,
        graph: &Graph,
        metric: &Metric,
        sources: &[End],
        targets: &[Vec<End>],
    ) -> Vec<u32> {
        self.table(
            graph,
            metric,
            std::slice::from_ref(&sources.to_vec()),
            targets,
        )
    }

    /// Costs from every group of `sources` to every group of `targets`, row by row.
    pub fn table(
        &mut self,
        graph: &Graph,
        metric: &Metric,
        sources: &[Vec<End>],
        targets: &[Vec<End>],
    ) -> Vec<u32> {
        let t = graph.topology();
        let mut costs = vec![INFINITY; sources.len() * targets.len()];
        if !self.fit(&t, metric) {
            return costs;
        }
        // Where each source can get to, kept; then each target is looked for in all of them.
        let mut reached: Vec<(u32, u32)> = Vec::new();
        let mut first = vec![0];
        for ends in sources {
            self.begin(&t, UP, ends);
            self.climb(&t, metric, UP);
            let finite = |&r: &u32| (r, self.cost[UP][r as usize]);
            reached.extend(self.walk[UP].iter().map(finite).filter(|l| l.1 < INFINITY));
            first.push(reached.len());
            self.clean::<false>();
        }
        for (column, ends) in targets.iter().enumerate() {
            self.begin(&t, DOWN, ends);
            self.climb(&t, metric, DOWN);
            for row in 0..sources.len() {
                let mut best = INFINITY;
                for &(r, cost) in &reached[first[row]..first[row + 1]] {
                    best = best.min(cost + self.cost[DOWN][r as usize]);
                }
                costs[row * targets.len() + column] = best;
            }
            self.clean::<false>();
        }
        costs
    }

    /// Makes room; false if the metric is of another graph.
    fn fit(&mut self, t: &Topology, metric: &Metric) -> bool {
        for side in [UP, DOWN] {
            if self.cost[side].len() != t.rank.len() {
                self.cost[side] = vec![INFINITY; t.rank.len()];
                self.via[side] = vec![NOWHERE; t.rank.len()];
            }
        }
        metric.is_of(t)
    }

    /// Searches from both sides; the cost, and the highest rank of the path ([`NONE`]: no path).
    /// With `PATH`, what [`Query::unfold`] needs is kept.
    fn meet<const PATH: bool>(
        &mut self,
        t: &Topology,
        metric: &Metric,
        sources: &[End],
        targets: &[End],
    ) -> (u32, u32) {
        if !self.fit(t, metric) {
            return (INFINITY, NONE);
        }
        self.begin(t, UP, sources);
        self.begin(t, DOWN, targets);
        let (mut best, mut top) = (INFINITY, NONE);
        let (mut i, mut j) = (0, 0);
        loop {
            let next = |side: usize, at: usize| self.walk[side].get(at).copied().unwrap_or(NONE);
            let (a, b) = (next(UP, i), next(DOWN, j));
            let r = a.min(b);
            if r == NONE {
                return (best, top);
            }
            i += usize::from(a == r);
            j += usize::from(b == r);
            if a != b {
                let side = if a == r { UP } else { DOWN };
                let cost = self.cost[side][r as usize];
                if cost < best {
                    self.relax::<PATH>(t, metric, side, r, cost);
                }
                continue;
            }
            let [up, down] = [UP, DOWN].map(|side| self.cost[side][r as usize]);
            if up + down < best {
                (best, top) = (up + down, r);
            }
            // What is dearer than the best path is part of no better one.
            if up < best {
                self.relax::<PATH>(t, metric, UP, r, up);
            }
            if down < best {
                self.relax::<PATH>(t, metric, DOWN, r, down);
            }
        }
    }

    /// Writes the labels of the ends, and finds the ranks above them.
    fn begin(&mut self, t: &Topology, side: usize, ends: &[End]) {
        let (costs, walk) = (&mut self.cost[side], &mut self.walk[side]);
        walk.clear();
        for &(node, cost) in ends {
            let Some(&rank) = t.rank.get(node as usize) else {
                continue;
            };
            if cost >= INFINITY {
                continue;
            }
            let known_cost = &mut costs[rank as usize];
            *known_cost = cost.min(*known_cost);
            // The part of the way up that no other end has taken; the rest is there already.
            let (mut r, known) = (rank, walk.len());
            while r != NONE && walk[..known].binary_search(&r).is_err() {
                walk.push(r);
                r = t.parent[r as usize];
            }
            if known > 0 && walk.len() > known {
                walk.sort_unstable();
            }
        }
    }

    /// Relaxes all that a side can reach.
    fn climb(&mut self, t: &Topology, metric: &Metric, side: usize) {
        for at in 0..self.walk[side].len() {
            let r = self.walk[side][at];
            let cost = self.cost[side][r as usize];
            if cost < INFINITY {
                self.relax::<false>(t, metric, side, r, cost);
            }
        }
    }

    fn relax<const PATH: bool>(
        &mut self,
        t: &Topology,
        metric: &Metric,
        side: usize,
        r: u32,
        cost: u32,
    ) {
        let half = &t.half[side];
        let row = half.row(r);
        let costs = &mut self.cost[side];
        let steps = half.head[row.clone()]
            .iter()
            .zip(&metric.cost[side][row.clone()]);
        if !PATH {
            for (&head, &step) in steps {
                let known = &mut costs[head as usize];
                *known = (*known).min(cost + step);
            }
            return;
        }
        for (arc, (&head, &step)) in (row.start as u32..).zip(steps) {
            let known = &mut costs[head as usize];
            if cost + step < *known {
                *known = cost + step;
                self.via[side][head as usize] = Via { below: r, arc };
            }
        }
    }

    fn clean<const PATH: bool>(&mut self) {
        for side in [UP, DOWN] {
            for &r in &self.walk[side] {
                self.cost[side][r as usize] = INFINITY;
                if PATH {
                    self.via[side][r as usize] = NOWHERE;
                }
            }
            self.walk[side].clear();
        }
    }

    /// The nodes of the path over `top`.
    fn unfold(&mut self, t: &Topology, metric: &Metric, top: u32) -> Vec<u32> {
        let mut open = std::mem::take(&mut self.open);
        open.clear();
        // Last step first, for the stack: down from the top to the target is the far part.
        let mut at = top;
        while let Via { below, arc } = self.via[DOWN][at as usize]
            && below != NONE
        {
            open.push(Step {
                from: at,
                to: below,
                arc,
            });
            at = below;
        }
        open.reverse();
        let mut at = top;
        while let Via { below, arc } = self.via[UP][at as usize]
            && below != NONE
        {
            open.push(Step {
                from: below,
                to: at,
                arc,
            });
            at = below;
        }
        let mut nodes = vec![t.order[at as usize]];
        // A path longer than this is none; only columns that are no hierarchy could make one.
        let most = t.rank.len().saturating_mul(2);
        while let Some(step) = open.pop()
            && nodes.len() <= most
        {
            match halves(t, metric, step) {
                Some([first, second]) => open.extend([second, first]),
                None => nodes.push(t.order[step.to as usize]),
            }
        }
        self.open = open;
        nodes
    }
}

/// The two steps a shortcut stands for; `None` for an arc of the input.
fn halves(t: &Topology, metric: &Metric, step: Step) -> Option<[Step; 2]> {
    let side = if step.from < step.to { UP } else { DOWN };
    let cost = metric.cost[side][step.arc as usize];
    let mut found = None;
    for_common(t, step.from, step.to, |over, first, second| {
        if metric.cost[DOWN][first] + metric.cost[UP][second] == cost {
            found = Some((over, first as u32, second as u32));
        }
        found.is_some()
    });
    let (over, first, second) = found?;
    let Step { from, to, .. } = step;
    Some([
        Step {
            from,
            to: over,
            arc: first,
        },
        Step {
            from: over,
            to,
            arc: second,
        },
    ])
}
