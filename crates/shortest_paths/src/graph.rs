//! Topology and weights.

use std::sync::Arc;

use thiserror::Error;

use crate::INFINITY;

/// Why slices are no graph.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum GraphError {
    /// `first_out` must rise from 0 to the number of arcs and have at least one entry.
    #[error("first_out does not divide the {arcs} arcs")]
    Partition {
        /// Length of `head`.
        arcs: usize,
    },
    /// An arc leads to a node that does not exist.
    #[error("arc {arc} leads to node {head}, there are {nodes}")]
    Head {
        /// The arc.
        arc: usize,
        /// Where it leads.
        head: u32,
        /// Number of nodes.
        nodes: usize,
    },
    /// Nodes and arcs are numbered in `u32`, and the largest number is kept free.
    #[error("the graph is too large to number in 32 bits")]
    TooLarge,
}

/// Why weights are no metric of a graph.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("{weights} weights for a graph of {arcs} arcs")]
pub struct MetricError {
    /// Number of weights given.
    pub weights: usize,
    /// Number of arcs of the graph.
    pub arcs: usize,
}

/// A directed graph in compressed sparse rows, prepared for searching both ways. Self loops and
/// parallel arcs are allowed.
#[derive(Clone, Debug)]
pub struct Graph {
    first_out: Arc<[u32]>,
    head: Arc<[u32]>,
    first_in: Arc<[u32]>,
    /// Tails of arcs, grouped by head; within a group in arc order.
    tail: Arc<[u32]>,
    /// Arc at each position of `tail`.
    in_arc: Arc<[u32]>,
}

impl Graph {
    /// `first_out` [n + 1] gives node `v` the arcs `first_out[v]..first_out[v + 1]`, `head` [m]
    /// the node each arc leads to. O(n + m).
    pub fn new(first_out: &[u32], head: &[u32]) -> Result<Self, GraphError> {
        let arcs = head.len();
        if first_out.len() >= INFINITY as usize || arcs >= INFINITY as usize {
            return Err(GraphError::TooLarge);
        }
        let whole = first_out.first() == Some(&0) && first_out.last() == Some(&(arcs as u32));
        if !whole || !first_out.is_sorted() {
            return Err(GraphError::Partition { arcs });
        }
        let nodes = first_out.len() - 1;
        if let Some((arc, &head)) = head.iter().enumerate().find(|&(_, &h)| h as usize >= nodes) {
            return Err(GraphError::Head { arc, head, nodes });
        }
        let mut first_in = vec![0u32; nodes + 1];
        for &h in head {
            first_in[h as usize + 1] += 1;
        }
        for v in 0..nodes {
            first_in[v + 1] += first_in[v];
        }
        let mut next = first_in.clone();
        let (mut tail, mut in_arc) = (vec![0; arcs], vec![0; arcs]);
        for v in 0..nodes {
            for arc in first_out[v]..first_out[v + 1] {
                let slot = &mut next[head[arc as usize] as usize];
                tail[*slot as usize] = v as u32;
                in_arc[*slot as usize] = arc;
                *slot += 1;
            }
        }
        Ok(Graph {
            first_out: first_out.into(),
            head: head.into(),
            first_in: first_in.into(),
            tail: tail.into(),
            in_arc: in_arc.into(),
        })
    }

    /// No nodes, no arcs.
    pub fn empty() -> Self {
        let none: Arc<[u32]> = Arc::new([]);
        let first: Arc<[u32]> = Arc::new([0]);
        Graph {
            first_out: first.clone(),
            head: none.clone(),
            first_in: first,
            tail: none.clone(),
            in_arc: none,
        }
    }

    /// Number of nodes.
    pub fn node_count(&self) -> usize {
        self.first_out.len() - 1
    }

    /// Number of arcs.
    pub fn arc_count(&self) -> usize {
        self.head.len()
    }

    /// Heads, or tails, of the arcs at `node`, and where they stand in a metric's row.
    pub(crate) fn row(&self, side: Side, node: u32) -> (&[u32], std::ops::Range<usize>) {
        let (first, other) = match side {
            Side::Forward => (&self.first_out, &self.head),
            Side::Backward => (&self.first_in, &self.tail),
        };
        let row = first[node as usize] as usize..first[node as usize + 1] as usize;
        (&other[row.clone()], row)
    }

    /// Strongly connected component of every node, as the smallest node in it (Tarjan 1972,
    /// without recursion). Nodes with the same number reach each other.
    pub fn strong_components(&self) -> Vec<u32> {
        const UNSEEN: u32 = u32::MAX;
        let n = self.node_count();
        let mut component = vec![UNSEEN; n];
        let (mut index, mut low) = (vec![UNSEEN; n], vec![0u32; n]);
        let mut next_arc: Vec<u32> = self.first_out[..n].to_vec();
        let (mut open, mut path): (Vec<u32>, Vec<u32>) = (Vec::new(), Vec::new());
        let mut clock = 0;
        for root in 0..n as u32 {
            if index[root as usize] != UNSEEN {
                continue;
            }
            path.push(root);
            while let Some(&v) = path.last() {
                let i = v as usize;
                if index[i] == UNSEEN {
                    (index[i], low[i]) = (clock, clock);
                    clock += 1;
                    open.push(v);
                }
                if next_arc[i] < self.first_out[i + 1] {
                    let w = self.head[next_arc[i] as usize] as usize;
                    next_arc[i] += 1;
                    if index[w] == UNSEEN {
                        path.push(w as u32);
                    } else if component[w] == UNSEEN {
                        low[i] = low[i].min(index[w]);
                    }
                    continue;
                }
                path.pop();
                if let Some(&parent) = path.last() {
                    low[parent as usize] = low[parent as usize].min(low[i]);
                }
                if low[i] == index[i] {
                    let from = open.iter().rposition(|&w| w == v).unwrap_or(0);
                    let smallest = open[from..].iter().copied().min().unwrap_or(v);
                    for w in open.drain(from..) {
                        component[w as usize] = smallest;
                    }
                }
            }
        }
        component
    }

    /// Weakly connected component of every node, as the smallest node in it.
    pub fn weak_components(&self) -> Vec<u32> {
        let n = self.node_count();
        let mut root: Vec<u32> = (0..n as u32).collect();
        fn find(root: &mut [u32], mut v: u32) -> u32 {
            while root[v as usize] != v {
                root[v as usize] = root[root[v as usize] as usize];
                v = root[v as usize];
            }
            v
        }
        for v in 0..n as u32 {
            for &w in self.row(Side::Forward, v).0 {
                let (a, b) = (find(&mut root, v), find(&mut root, w));
                root[a.max(b) as usize] = a.min(b);
            }
        }
        (0..n as u32).map(|v| find(&mut root, v)).collect()
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Side {
    Forward,
    Backward,
}

/// The weights of a [`Graph`]'s arcs, made ready for searching. Shared freely between threads.
#[derive(Clone, Debug)]
pub struct Metric {
    forward: Vec<u32>,
    backward: Vec<u32>,
}

impl Metric {
    /// `weights` [m], one per arc; [`INFINITY`] closes an arc. O(m).
    pub fn new(graph: &Graph, weights: Vec<u32>) -> Result<Self, MetricError> {
        if weights.len() != graph.arc_count() {
            return Err(MetricError {
                weights: weights.len(),
                arcs: graph.arc_count(),
            });
        }
        let backward = graph
            .in_arc
            .iter()
            .map(|&arc| weights[arc as usize])
            .collect();
        Ok(Metric {
            forward: weights,
            backward,
        })
    }

    /// Every arc closed.
    pub fn closed(graph: &Graph) -> Self {
        let row = vec![INFINITY; graph.arc_count()];
        Metric {
            forward: row.clone(),
            backward: row,
        }
    }

    pub(crate) fn row(&self, side: Side) -> &[u32] {
        match side {
            Side::Forward => &self.forward,
            Side::Backward => &self.backward,
        }
    }
}
