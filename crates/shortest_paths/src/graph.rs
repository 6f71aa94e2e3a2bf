//! The contracted topology: what a [`Graph`] is made of, and the checks that let it be trusted.

use std::ops::Range;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use thiserror::Error;

/// Of a rank that has no parent, of an input arc that has no slot.
pub const NONE: u32 = u32::MAX;
pub(crate) const UP: usize = 0;
pub(crate) const DOWN: usize = 1;

/// Why columns are no graph.
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
    /// An order that is no permutation of the nodes.
    #[error("the order does not hold each of the {nodes} nodes once")]
    Order {
        /// Number of nodes.
        nodes: usize,
    },
    /// Columns of the hierarchy that contradict each other or the graph.
    #[error("the hierarchy is not one: {what}")]
    Hierarchy {
        /// What does not hold.
        what: &'static str,
    },
    /// Nodes and arcs are numbered in 31 bits.
    #[error("the graph is too large to number in 31 bits")]
    TooLarge,
}

/// The columns of a contracted graph, borrowed from wherever they lie: memory, or a mapped file.
///
/// Nodes are renamed by *rank*, so that every subtree of the elimination tree has consecutive
/// ranks with its root as the last. Arcs of the hierarchy are kept at their lower end, in two halves.
#[derive(Clone, Copy, Debug, Default)]
pub struct Topology<'a> {
    /// [n + 1] CSR: the arcs that leave node `v` are `first_out[v]..first_out[v + 1]`.
    pub first_out: &'a [u32],
    /// [m] Node each arc leads to.
    pub head: &'a [u32],
    /// [n] Rank of each node.
    pub rank: &'a [u32],
    /// [n] Node of each rank.
    pub order: &'a [u32],
    /// [n] Parent of each rank in the elimination tree; [`NONE`] at roots.
    pub parent: &'a [u32],
    /// [m] Where each arc's weight goes: twice the arc of the half, plus one if it comes down;
    /// [`NONE`] for loops, which no cheapest path uses.
    pub slot: &'a [u32],
    /// Arcs to a higher rank, then arcs from one.
    pub half: [Half<'a>; 2],
    /// [n + 1] CSR of the arcs of both halves by their higher rank.
    pub first_low: &'a [u32],
    /// [a + b] Their lower rank, doubled, plus one for an arc that comes down; ascending.
    pub low: &'a [u32],
    /// Third sides of the triangles over narrow ranks (see [`Topology::narrow`]), numbered as in `slot`:
    /// rank by rank; in it, for each arc that comes down to the rank, one for each that leads up from
    /// it; [`NONE`] where that would lead back.
    pub third: &'a [u32],
}

/// The arcs of one direction.
#[derive(Clone, Copy, Debug, Default)]
pub struct Half<'a> {
    /// [n + 1] CSR by lower rank.
    pub first_out: &'a [u32],
    /// [a] Higher rank, ascending within a lower one.
    pub head: &'a [u32],
}

/// Ranks with at most that many ways over them know where the ways are kept; a trade of memory
/// (4 bytes a way) for time.
const NARROW: usize = 9;

impl Topology<'_> {
    /// Number of ways over a rank, from the arcs that come down to it to those that lead up, if
    /// they are few enough to be kept in [`Topology::third`].
    pub fn narrow(&self, rank: u32) -> Option<usize> {
        let ways = self.half[DOWN].row(rank).len() * self.half[UP].row(rank).len();
        (ways <= NARROW).then_some(ways)
    }

    /// Third sides of the triangles over one narrow rank, in the order of [`Topology::third`].
    pub(crate) fn thirds(&self, rank: u32) -> impl Iterator<Item = u32> {
        let half = self.half;
        let ends = move |side: usize| &half[side].head[half[side].row(rank)];
        ends(DOWN).iter().flat_map(move |&from| {
            ends(UP).iter().map(move |&to| {
                let side = if from < to { UP } else { DOWN };
                match half[side].find(from.min(to), from.max(to)) {
                    Some(at) => at as u32 * 2 + side as u32,
                    None => NONE,
                }
            })
        })
    }

    /// Arcs that end at a rank from below, as in [`Topology::low`].
    pub(crate) fn below(&self, rank: u32) -> &[u32] {
        &self.low
            [self.first_low[rank as usize] as usize..self.first_low[rank as usize + 1] as usize]
    }
}

impl Half<'_> {
    pub(crate) fn row(&self, rank: u32) -> Range<usize> {
        self.first_out[rank as usize] as usize..self.first_out[rank as usize + 1] as usize
    }
    pub(crate) fn find(&self, low: u32, high: u32) -> Option<usize> {
        let row = self.row(low);
        let at = self.head[row.clone()].binary_search(&high).ok()?;
        Some(row.start + at)
    }
}

/// Something that holds the columns of a topology and never changes them.
pub trait Columns: Send + Sync {
    /// The columns; the same at every call.
    fn topology(&self) -> Topology<'_>;
}

/// A directed graph contracted under an order: checked once, then searched under any weights.
/// Self loops and parallel arcs are allowed. Cheap to clone.
#[derive(Clone)]
pub struct Graph {
    columns: Arc<dyn Columns>,
    id: u64,
    /// A bit for each number as in `slot`: whether an input arc goes there.
    direct: Arc<[u64]>,
}

/// Graphs made so far, so that what is remembered of one is not taken for another's.
static GRAPHS: AtomicU64 = AtomicU64::new(0);

impl std::fmt::Debug for Graph {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let t = self.topology();
        let arcs = t.half.map(|h| h.head.len());
        write!(
            f,
            "Graph({} nodes, {} arcs, {arcs:?} in the hierarchy)",
            t.rank.len(),
            t.head.len()
        )
    }
}

impl Graph {
    /// Checks that every number in the columns points where it should. O(n + arcs).
    ///
    /// Not checked is that no shortcut is missing: where one is, ways over it are not found, and
    /// nothing worse.
    pub fn new(columns: Arc<dyn Columns>) -> Result<Self, GraphError> {
        let t = columns.topology();
        check(&t)?;
        let most = t.half.iter().map(|half| half.head.len()).max().unwrap_or(0);
        let mut direct = vec![0u64; (2 * most).div_ceil(64)];
        for &slot in t.slot.iter().filter(|&&slot| slot != NONE) {
            direct[slot as usize / 64] |= 1 << (slot % 64);
        }
        let id = GRAPHS.fetch_add(1, Ordering::Relaxed) + 1;
        Ok(Graph {
            columns,
            id,
            direct: direct.into(),
        })
    }

    /// The columns.
    pub fn topology(&self) -> Topology<'_> {
        self.columns.topology()
    }

    /// Different for every graph that is made; the same for its clones.
    pub(crate) fn id(&self) -> u64 {
        self.id
    }

    /// Whether some input arc goes to an arc of the hierarchy, numbered as in [`Topology::slot`].
    pub(crate) fn is_direct(&self, slot: u32) -> bool {
        self.direct[slot as usize / 64] >> (slot % 64) & 1 == 1
    }

    /// Number of nodes.
    pub fn node_count(&self) -> usize {
        self.topology().rank.len()
    }

    /// Number of arcs, those of the hierarchy not counted.
    pub fn arc_count(&self) -> usize {
        self.topology().head.len()
    }

    /// Strongly connected component of every node, as the smallest node in it (Tarjan 1972,
    /// without recursion). Nodes with the same number reach each other.
    pub fn strong_components(&self) -> Vec<u32> {
        const UNSEEN: u32 = u32::MAX;
        let Topology {
            first_out, head, ..
        } = self.topology();
        let n = first_out.len() - 1;
        let mut component = vec![UNSEEN; n];
        let (mut index, mut low) = (vec![UNSEEN; n], vec![0u32; n]);
        let mut next_arc: Vec<u32> = first_out[..n].to_vec();
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
                if next_arc[i] < first_out[i + 1] {
                    let w = head[next_arc[i] as usize] as usize;
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
        let Topology {
            first_out, head, ..
        } = self.topology();
        let n = first_out.len() - 1;
        let mut root: Vec<u32> = (0..n as u32).collect();
        fn find(root: &mut [u32], mut v: u32) -> u32 {
            while root[v as usize] != v {
                root[v as usize] = root[root[v as usize] as usize];
                v = root[v as usize];
            }
            v
        }
        for v in 0..n as u32 {
            for &w in &head[first_out[v as usize] as usize..first_out[v as usize + 1] as usize] {
                let (a, b) = (find(&mut root, v), find(&mut root, w));
                root[a.max(b) as usize] = a.min(b);
            }
        }
        (0..n as u32).map(|v| find(&mut root, v)).collect()
    }
}

/// That `first` divides `arcs` items among `nodes` rows.
fn divides(first: &[u32], nodes: usize, arcs: usize) -> bool {
    first.len() == nodes + 1
        && first.first() == Some(&0)
        && first.last() == Some(&(arcs as u32))
        && first.is_sorted()
}

/// That the first two columns are a graph.
pub(crate) fn check_input(first_out: &[u32], head: &[u32]) -> Result<(), GraphError> {
    let arcs = head.len();
    if first_out.len() > (NONE / 2) as usize || arcs > (NONE / 2) as usize {
        return Err(GraphError::TooLarge);
    }
    let nodes = first_out.len().saturating_sub(1);
    if !divides(first_out, nodes, arcs) {
        return Err(GraphError::Partition { arcs });
    }
    match head.iter().position(|&h| h as usize >= nodes) {
        Some(arc) => Err(GraphError::Head {
            arc,
            head: head[arc],
            nodes,
        }),
        None => Ok(()),
    }
}

/// Number of ranks in the subtree below each rank, itself included. `parent` must be checked, or
/// made by contraction.
pub(crate) fn subtree_sizes(parent: &[u32]) -> Vec<u32> {
    let mut size = vec![1u32; parent.len()];
    for r in 0..parent.len() {
        if parent[r] != NONE {
            size[parent[r] as usize] += size[r];
        }
    }
    size
}

fn check(t: &Topology) -> Result<(), GraphError> {
    check_input(t.first_out, t.head)?;
    let n = t.first_out.len() - 1;
    let wrong = |what| Err(GraphError::Hierarchy { what });
    let inverse = |(r, &v): (usize, &u32)| t.rank.get(v as usize) == Some(&(r as u32));
    if t.rank.len() != n || t.order.len() != n || !t.order.iter().enumerate().all(inverse) {
        return Err(GraphError::Order { nodes: n });
    }
    let above = |(r, &p): (usize, &u32)| p == NONE || (p as usize > r && (p as usize) < n);
    if t.parent.len() != n || !t.parent.iter().enumerate().all(above) {
        return wrong("a parent is not above its child");
    }
    // Subtrees are runs of ranks exactly when each lies within the run of its parent.
    let size = subtree_sizes(t.parent);
    let within = |r: usize, p: usize| r + size[p] as usize >= p + size[r] as usize;
    if !(0..n).all(|r| t.parent[r] == NONE || within(r, t.parent[r] as usize)) {
        return wrong("a subtree is no run of ranks");
    }
    for half in &t.half {
        let arcs = half.head.len();
        if arcs > (NONE / 4) as usize || !divides(half.first_out, n, arcs) {
            return wrong("rows do not divide the arcs");
        }
        for r in 0..n as u32 {
            let row = &half.head[half.row(r)];
            if !row.windows(2).all(|w| w[0] < w[1]) {
                return wrong("a row is not ascending");
            }
            // A higher end must be an ancestor, or a search would write where it never cleans.
            let ancestor = |h: u32| h > r && (h as usize) < n && h - r < size[h as usize];
            if !row.iter().all(|&h| ancestor(h)) {
                return wrong("an arc does not lead to an ancestor");
            }
        }
    }
    let [up, down] = &t.half;
    if !divides(t.first_low, n, up.head.len() + down.head.len())
        || t.low.len() != up.head.len() + down.head.len()
    {
        return wrong("columns do not divide the arcs");
    }
    // Walking ranks upward, every column must name the next arc of each lower rank's row.
    let mut next = [up.first_out.to_vec(), down.first_out.to_vec()];
    for r in 0..n as u32 {
        let below = t.below(r);
        if !below.windows(2).all(|w| w[0] < w[1]) {
            return wrong("a column is not ascending");
        }
        for &low in below {
            let (tail, side) = (low / 2, low as usize & 1);
            if tail >= r {
                return wrong("a column names a rank that is not lower");
            }
            let arc = &mut next[side][tail as usize];
            let row = t.half[side].row(tail);
            if !row.contains(&(*arc as usize)) || t.half[side].head[*arc as usize] != r {
                return wrong("a column names an arc that is not there");
            }
            *arc += 1;
        }
    }
    let mut thirds = t.third.iter();
    for r in (0..n as u32).filter(|&r| t.narrow(r).is_some()) {
        if !t.thirds(r).all(|third| thirds.next() == Some(&third)) {
            return wrong("a triangle has another third side");
        }
    }
    if thirds.next().is_some() {
        return wrong("there are more third sides than triangles");
    }
    if t.slot.len() != t.head.len() {
        return wrong("columns of unequal length");
    }
    for v in 0..n {
        for arc in t.first_out[v] as usize..t.first_out[v + 1] as usize {
            let (a, b) = (t.rank[v], t.rank[t.head[arc] as usize]);
            let (slot, side) = (t.slot[arc], usize::from(a > b));
            let right = if a == b {
                slot == NONE
            } else {
                slot != NONE
                    && slot as usize & 1 == side
                    && t.half[side].row(a.min(b)).contains(&(slot as usize / 2))
                    && t.half[side].head[slot as usize / 2] == a.max(b)
            };
            if !right {
                return wrong("an arc's weight goes elsewhere");
            }
        }
    }
    Ok(())
}
