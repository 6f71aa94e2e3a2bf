//! Searching: along the elimination tree from both ends, then the shortcuts unfolded.

use std::ops::Range;

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
    sides: [Side; 2],
    /// Shortcuts still to be unfolded.
    open: Vec<Step>,
    /// What shortcuts were found to stand for, by a hash of their number; those of one graph.
    hints: Vec<Hint>,
    hints_of: u64,
}

/// One direction of a search: up from the sources, or backwards up from the targets.
#[derive(Clone, Debug, Default)]
struct Side {
    /// Cost by rank; [`INFINITY`] between searches, and where the search has passed.
    cost: Vec<u32>,
    /// How a rank was reached; means something where this search lowered the cost.
    via: Vec<Via>,
    /// The ranks the search stands at, on ways to the roots, each once, the lowest last.
    front: Vec<u32>,
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

/// The rank a shortcut goes over, and the two arcs. Holds for any metric in which the sum is right.
#[derive(Clone, Copy, Debug)]
struct Hint {
    /// Twice the arc, plus one if it comes down.
    shortcut: u32,
    over: u32,
    first: u32,
    second: u32,
}

const NO_HINT: Hint = Hint {
    shortcut: NONE,
    over: NONE,
    first: NONE,
    second: NONE,
};

/// Number of hints kept: two megabytes of them. Those of the upper ranks, whose shortcuts are on most
/// ways and take longest to unfold, soon are among them.
const HINTS: usize = 1 << 17;

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
        if top == NONE {
            return None;
        }
        if self.hints_of != graph.id() {
            self.hints.clear();
            self.hints_of = graph.id();
        }
        let nodes = self.unfold(graph, metric, top);
        let end = |ends: &[End], node: u32| {
            let here = ends.iter().enumerate().filter(|(_, end)| end.0 == node);
            here.min_by_key(|(_, end)| end.1).map(|(at, _)| at)
        };
        Some(Found {
            cost,
            source: end(sources, *nodes.first()?)?,
            target: end(targets, *nodes.last()?)?,
            nodes,
        })
    }

    /// The cost alone of what [`Query::run`] finds; [`INFINITY`] if every way is closed.
    pub fn cost(
        &mut self,
        graph: &Graph,
        metric: &Metric,
        sources: &[End],
        targets: &[End],
    ) -> u32 {
        self.meet::<false>(&graph.topology(), metric, sources, targets)
            .0
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
        let [up, down] = &mut self.sides;
        let (mut reached, mut first) = (Vec::new(), vec![0]);
        for ends in sources {
            up.begin(&t, ends);
            up.climb(&t, metric, UP, &mut reached);
            first.push(reached.len());
        }
        let mut sought = Vec::new();
        for (column, ends) in targets.iter().enumerate() {
            sought.clear();
            down.begin(&t, ends);
            down.climb(&t, metric, DOWN, &mut sought);
            sought.iter().for_each(|&(r, c)| down.cost[r as usize] = c);
            for row in 0..sources.len() {
                let mut best = INFINITY;
                for &(r, cost) in &reached[first[row]..first[row + 1]] {
                    best = best.min(cost + down.cost[r as usize]);
                }
                costs[row * targets.len() + column] = best;
            }
            sought
                .iter()
                .for_each(|l| down.cost[l.0 as usize] = INFINITY);
        }
        costs
    }

    /// Makes room; false if the metric is of another graph.
    fn fit(&mut self, t: &Topology, metric: &Metric) -> bool {
        for side in &mut self.sides {
            if side.cost.len() != t.rank.len() {
                side.cost = vec![INFINITY; t.rank.len()];
                side.via = vec![NOWHERE; t.rank.len()];
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
        let [up, down] = &mut self.sides;
        up.begin(t, sources);
        down.begin(t, targets);
        let row = |side: usize, r: u32| match r {
            NONE => 0..0,
            r => t.half[side].row(r),
        };
        // What is dearer than the best path is part of no better one.
        let (mut best, mut top) = (INFINITY, NONE);
        // Ways up from the ends, each rank once, the lowest first, until each side has one way left.
        let (mut a, mut b) = (up.lowest(), down.lowest());
        while up.front.len() > 1 || down.front.len() > 1 {
            if a == b {
                let cost = up.cost[a as usize] + down.cost[a as usize];
                if cost < best {
                    (best, top) = (cost, a);
                }
            }
            let r = a.min(b);
            if a == r {
                up.leave::<PATH>(t, metric, UP, r, row(UP, r), best);
                up.advance(t);
                a = up.lowest();
            }
            if b == r {
                down.leave::<PATH>(t, metric, DOWN, r, row(DOWN, r), best);
                down.advance(t);
                b = down.lowest();
            }
        }
        // The rows of the next rank are asked for before the work on this one, whose branches are
        // hard to foresee: memory is what takes time here.
        let (mut up_row, mut down_row) = (row(UP, a), row(DOWN, b));
        while a != b {
            if a < b {
                let next = t.parent[a as usize];
                let next_row = row(UP, next);
                up.leave::<PATH>(t, metric, UP, a, up_row, best);
                (a, up_row) = (next, next_row);
            } else {
                let next = t.parent[b as usize];
                let next_row = row(DOWN, next);
                down.leave::<PATH>(t, metric, DOWN, b, down_row, best);
                (b, down_row) = (next, next_row);
            }
        }
        while a != NONE {
            let cost = up.cost[a as usize] + down.cost[a as usize];
            if cost < best {
                (best, top) = (cost, a);
            }
            up.leave::<PATH>(t, metric, UP, a, row(UP, a), best);
            down.leave::<PATH>(t, metric, DOWN, a, row(DOWN, a), best);
            a = t.parent[a as usize];
        }
        (best, top)
    }

    /// The nodes of the path over `top`.
    fn unfold(&mut self, graph: &Graph, metric: &Metric, top: u32) -> Vec<u32> {
        let t = graph.topology();
        let mut open = std::mem::take(&mut self.open);
        open.clear();
        // Last step first, for the stack: down from the top to the target is the far part.
        let mut at = top;
        while let Via { below, arc } = self.sides[DOWN].via[at as usize]
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
        while let Via { below, arc } = self.sides[UP].via[at as usize]
            && below != NONE
        {
            open.push(Step {
                from: below,
                to: at,
                arc,
            });
            at = below;
        }
        let mut node = t.order[at as usize];
        let mut nodes = vec![node];
        // A path longer than this is none; only columns that are no hierarchy could make one.
        let most = t.rank.len().saturating_mul(2);
        while let Some(mut step) = open.pop()
            && nodes.len() <= most
        {
            while let Some([first, second]) = self.halves(graph, &t, metric, node, step) {
                open.push(second);
                step = first;
            }
            node = t.order[step.to as usize];
            nodes.push(node);
        }
        self.open = open;
        nodes
    }

    /// The two steps a shortcut that leaves `node` stands for; `None` for an arc of the input.
    fn halves(
        &mut self,
        graph: &Graph,
        t: &Topology,
        metric: &Metric,
        node: u32,
        step: Step,
    ) -> Option<[Step; 2]> {
        let Step { from, to, arc } = step;
        let side = if from < to { UP } else { DOWN };
        let cost = metric.cost[side][arc as usize];
        let sum = |first: u32, second: u32| {
            metric.cost[DOWN][first as usize] + metric.cost[UP][second as usize]
        };
        let both = |hint: Hint| {
            let Hint {
                over,
                first,
                second,
                ..
            } = hint;
            [(from, over, first), (over, to, second)].map(|(from, to, arc)| Step { from, to, arc })
        };
        let shortcut = arc * 2 + side as u32;
        if graph.is_direct(shortcut) && metric.direct(t, node, t.order[to as usize]) == cost {
            return None;
        }
        if self.hints.is_empty() {
            self.hints = vec![NO_HINT; HINTS];
        }
        // Fibonacci hashing (Knuth, The Art of Computer Programming 3, 6.4).
        let slot = shortcut.wrapping_mul(0x9e37_79b9) as usize >> 15 & (HINTS - 1);
        let hint = self.hints[slot];
        if hint.shortcut == shortcut && sum(hint.first, hint.second) == cost {
            return Some(both(hint));
        }
        let mut found = None;
        for_common(t, from, to, |over, first, second| {
            let (first, second) = (first as u32, second as u32);
            if sum(first, second) == cost {
                found = Some(Hint {
                    shortcut,
                    over,
                    first,
                    second,
                });
            }
            found.is_some()
        });
        self.hints[slot] = found?;
        found.map(both)
    }
}

impl Side {
    /// Writes the labels of the ends.
    fn begin(&mut self, t: &Topology, ends: &[End]) {
        self.front.clear();
        for &(node, cost) in ends {
            let Some(&rank) = t.rank.get(node as usize) else {
                continue;
            };
            if cost < self.cost[rank as usize] {
                self.cost[rank as usize] = cost;
                self.via[rank as usize] = NOWHERE;
                self.front.push(rank);
            }
        }
        self.front.sort_unstable_by(|a, b| b.cmp(a));
        self.front.dedup();
    }

    fn lowest(&self) -> u32 {
        self.front.last().copied().unwrap_or(NONE)
    }

    /// From the lowest rank of the front on to its parent.
    fn advance(&mut self, t: &Topology) {
        let Some(r) = self.front.pop() else { return };
        let parent = t.parent[r as usize];
        if parent == NONE {
            return;
        }
        let mut at = self.front.len();
        while at > 0 && self.front[at - 1] < parent {
            at -= 1;
        }
        // Where ways up meet they go on as one.
        if at == 0 || self.front[at - 1] != parent {
            self.front.insert(at, parent);
        }
    }

    /// Relaxes all that can be reached, and adds it to `reached` with its cost.
    fn climb(&mut self, t: &Topology, metric: &Metric, side: usize, reached: &mut Vec<(u32, u32)>) {
        while let Some(&r) = self.front.last() {
            let cost = self.cost[r as usize];
            if cost < INFINITY {
                reached.push((r, cost));
            }
            self.leave::<false>(t, metric, side, r, t.half[side].row(r), INFINITY);
            self.advance(t);
        }
    }

    /// Takes the label of a rank, and relaxes its arcs if it is below `best`.
    #[inline]
    fn leave<const PATH: bool>(
        &mut self,
        t: &Topology,
        metric: &Metric,
        side: usize,
        r: u32,
        row: Range<usize>,
        best: u32,
    ) {
        let cost = std::mem::replace(&mut self.cost[r as usize], INFINITY);
        if cost >= best {
            return;
        }
        let heads = &t.half[side].head[row.clone()];
        let steps = &metric.cost[side][row.clone()];
        for (arc, (&head, &step)) in (row.start as u32..).zip(heads.iter().zip(steps)) {
            let known = &mut self.cost[head as usize];
            if PATH {
                if cost + step < *known {
                    *known = cost + step;
                    self.via[head as usize] = Via { below: r, arc };
                }
            } else {
                *known = (*known).min(cost + step);
            }
        }
    }
}
