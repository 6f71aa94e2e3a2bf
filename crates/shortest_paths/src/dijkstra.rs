//! Dijkstra's algorithm, plainly: what the hierarchy is checked and measured against.

use crate::INFINITY;
use crate::graph::NONE;
use crate::heap::Heap;
use crate::query::End;

/// Scratch memory of searches on one graph.
#[derive(Clone, Debug, Default)]
pub struct Search {
    cost: Vec<u32>,
    parent: Vec<u32>,
    touched: Vec<u32>,
    heap: Heap,
}

impl Search {
    /// Memory grows with the first search.
    pub fn new() -> Self {
        Self::default()
    }

    /// The cheapest way from any source to any target, as `(cost, nodes)`. `first_out`, `head`,
    /// `weights` as of a [`Graph`](crate::Graph) and its metric.
    ///
    /// # Panics
    /// If the slices are not a graph.
    pub fn run(
        &mut self,
        first_out: &[u32],
        head: &[u32],
        weights: &[u32],
        sources: &[End],
        targets: &[End],
    ) -> Option<(u32, Vec<u32>)> {
        let n = first_out.len() - 1;
        if self.cost.len() != n {
            (self.cost, self.parent) = (vec![INFINITY; n], vec![NONE; n]);
            self.touched.clear();
        }
        for v in self.touched.drain(..) {
            self.cost[v as usize] = INFINITY;
        }
        self.heap.clear();
        for &(v, cost) in sources {
            self.offer(v, cost, NONE);
        }
        let (mut best, mut end) = (INFINITY, NONE);
        while let Some((cost, v)) = self.heap.pop() {
            if cost >= best {
                break;
            }
            if cost > self.cost[v as usize] {
                continue;
            }
            for &(_, rest) in targets.iter().filter(|t| t.0 == v) {
                let whole = cost.saturating_add(rest);
                if whole < best {
                    (best, end) = (whole, v);
                }
            }
            for arc in first_out[v as usize] as usize..first_out[v as usize + 1] as usize {
                self.offer(head[arc], cost.saturating_add(weights[arc]), v);
            }
        }
        if end == NONE {
            return None;
        }
        let mut nodes: Vec<u32> = std::iter::successors(Some(end), |&v| {
            Some(self.parent[v as usize]).filter(|&p| p != NONE)
        })
        .collect();
        nodes.reverse();
        Some((best, nodes))
    }

    fn offer(&mut self, v: u32, cost: u32, parent: u32) {
        let known = &mut self.cost[v as usize];
        if cost >= *known {
            return;
        }
        if *known == INFINITY {
            self.touched.push(v);
        }
        (*known, self.parent[v as usize]) = (cost, parent);
        self.heap.push(cost, v);
    }
}
