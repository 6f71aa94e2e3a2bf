//! Searching: Dijkstra's algorithm from both sides for one path, from one side for many costs.

use crate::graph::Side;
use crate::heap::Heap;
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

const NONE: u32 = u32::MAX;

/// Scratch memory for searches: one per thread, kept between searches so that a search touches
/// only what it visits. Ties are broken by node number: equal questions have equal answers.
#[derive(Clone, Debug, Default)]
pub struct Query {
    forward: Labels,
    backward: Labels,
}

/// Tentative costs of one side.
#[derive(Clone, Debug, Default)]
struct Labels {
    labels: Vec<Label>,
    /// Number of this search; labels of another are void.
    now: u32,
    heap: Heap,
}

#[derive(Clone, Copy, Debug, Default)]
struct Label {
    /// Search in which it was written.
    search: u32,
    cost: u32,
    /// Node one came from, or [`NONE`] at an end.
    parent: u32,
}

impl Labels {
    fn start(&mut self, nodes: usize) {
        self.heap.clear();
        if self.labels.len() != nodes || self.now == u32::MAX {
            self.labels.clear();
            self.labels.resize(nodes, Label::default());
            self.now = 0;
        }
        self.now += 1;
    }

    fn cost(&self, node: u32) -> u32 {
        let label = &self.labels[node as usize];
        if label.search == self.now {
            label.cost
        } else {
            INFINITY
        }
    }

    /// Lowers a label. Infinite costs never get one.
    fn offer(&mut self, node: u32, cost: u32, parent: u32) -> bool {
        if cost >= self.cost(node) {
            return false;
        }
        self.labels[node as usize] = Label {
            search: self.now,
            cost,
            parent,
        };
        self.heap.push(cost, node);
        true
    }

    fn offer_ends(&mut self, ends: &[End]) {
        let nodes = self.labels.len();
        for &(node, cost) in ends.iter().filter(|e| (e.0 as usize) < nodes) {
            self.offer(node, cost, NONE);
        }
    }

    /// The next node whose cost is final.
    fn settle(&mut self) -> Option<(u32, u32)> {
        while let Some((cost, node)) = self.heap.pop() {
            if cost == self.cost(node) {
                return Some((cost, node));
            }
        }
        None
    }

    /// From `node` back to the end it was reached from.
    fn walk(&self, node: u32) -> impl Iterator<Item = u32> {
        std::iter::successors(Some(node), |&v| {
            let parent = self.labels[v as usize].parent;
            (parent != NONE).then_some(parent)
        })
    }
}

impl Query {
    /// Memory grows with the first search.
    pub fn new() -> Self {
        Self::default()
    }

    /// The cheapest path from any of the `sources` to any of the `targets`, or `None` if every
    /// way is closed. Ends at nodes that do not exist are ignored. `metric` must be of `graph`.
    pub fn run(
        &mut self,
        graph: &Graph,
        metric: &Metric,
        sources: &[End],
        targets: &[End],
    ) -> Option<Found> {
        let (f, b) = (&mut self.forward, &mut self.backward);
        f.start(graph.node_count());
        b.start(graph.node_count());
        f.offer_ends(sources);
        b.offer_ends(targets);
        let (mut best, mut middle) = (INFINITY, NONE);
        // Of two neighbours on a shortest path, one settled from each side, the later one sees the
        // other's label; so looking when a node is settled is enough, also when one side runs dry.
        while let (Some(low_f), Some(low_b)) = (f.heap.min_cost(), b.heap.min_cost()) {
            if low_f.saturating_add(low_b) >= best {
                break;
            }
            // The side with the lower cost goes on, so both cover the same reach.
            let (side, here, there) = if low_f <= low_b {
                (Side::Forward, &mut *f, &*b)
            } else {
                (Side::Backward, &mut *b, &*f)
            };
            let Some((cost, node)) = here.settle() else {
                break;
            };
            let total = cost.saturating_add(there.cost(node));
            if (total, node) < (best, middle) {
                (best, middle) = (total, node);
            }
            relax(graph, metric, side, here, cost, node);
        }
        if best == INFINITY {
            return None;
        }
        let mut nodes: Vec<u32> = f.walk(middle).collect();
        nodes.reverse();
        nodes.extend(b.walk(middle).skip(1));
        let end = |ends: &[End], labels: &Labels, node: u32| {
            ends.iter()
                .position(|&(n, cost)| n == node && cost == labels.cost(node))
        };
        Some(Found {
            cost: best,
            source: end(sources, f, *nodes.first()?)?,
            target: end(targets, b, *nodes.last()?)?,
            nodes,
        })
    }

    /// The cheapest cost from any of the `sources` to each group of `targets`; [`INFINITY`] where
    /// there is no way. One search serves all groups.
    pub fn one_to_many(
        &mut self,
        graph: &Graph,
        metric: &Metric,
        sources: &[End],
        targets: &[Vec<End>],
    ) -> Vec<u32> {
        self.costs_from(graph, metric, Side::Forward, sources, targets)
    }

    /// Costs from every group of `sources` to every group of `targets`, row by row.
    pub fn table(
        &mut self,
        graph: &Graph,
        metric: &Metric,
        sources: &[Vec<End>],
        targets: &[Vec<End>],
    ) -> Vec<u32> {
        if sources.len() <= targets.len() {
            let rows = sources.iter();
            return rows
                .flat_map(|s| self.one_to_many(graph, metric, s, targets))
                .collect();
        }
        let mut costs = vec![INFINITY; sources.len() * targets.len()];
        for (t, target) in targets.iter().enumerate() {
            let column = self.costs_from(graph, metric, Side::Backward, target, sources);
            for (s, cost) in column.into_iter().enumerate() {
                costs[s * targets.len() + t] = cost;
            }
        }
        costs
    }

    fn costs_from(
        &mut self,
        graph: &Graph,
        metric: &Metric,
        side: Side,
        from: &[End],
        to: &[Vec<End>],
    ) -> Vec<u32> {
        let labels = &mut self.forward;
        labels.start(graph.node_count());
        labels.offer_ends(from);
        // The other side's labels serve as marks: how many ends are still waiting at a node.
        let wanted = &mut self.backward;
        wanted.start(graph.node_count());
        let mut waiting = 0;
        for &(node, _) in to.iter().flatten() {
            waiting +=
                usize::from((node as usize) < graph.node_count() && wanted.offer(node, 0, NONE));
        }
        let mut done = vec![INFINITY; to.len()];
        if waiting == 0 {
            return done;
        }
        while let Some((cost, node)) = labels.settle() {
            if wanted.cost(node) == 0 {
                waiting -= 1;
                if waiting == 0 {
                    break;
                }
            }
            relax(graph, metric, side, labels, cost, node);
        }
        for (best, ends) in done.iter_mut().zip(to) {
            let inside = ends.iter().filter(|e| (e.0 as usize) < graph.node_count());
            *best = inside
                .map(|e| labels.cost(e.0).saturating_add(e.1))
                .min()
                .unwrap_or(INFINITY);
        }
        done
    }
}

fn relax(graph: &Graph, metric: &Metric, side: Side, labels: &mut Labels, cost: u32, node: u32) {
    let (others, row) = graph.row(side, node);
    let weights = metric.row(side).get(row).unwrap_or(&[]);
    for (&other, &weight) in others.iter().zip(weights) {
        labels.offer(other, cost.saturating_add(weight), node);
    }
}
