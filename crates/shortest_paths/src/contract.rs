//! Contraction: from a graph and an order to the columns of a [`Topology`].
//!
//! Customizable contraction hierarchies (Dibbelt, Strasser, Wagner, arXiv 1402.0402): the topology
//! is contracted once, weights are put in at will. Arcs that no weights can make finite are not
//! kept: in a turn-expanded graph that is most of what contraction makes.

use crate::graph::{Columns, DOWN, GraphError, Half, NONE, Topology, UP, check_input};

/// Owned columns of a contracted graph.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Contraction {
    /// See [`Topology::first_out`].
    pub first_out: Vec<u32>,
    /// See [`Topology::head`].
    pub head: Vec<u32>,
    /// See [`Topology::rank`].
    pub rank: Vec<u32>,
    /// See [`Topology::order`].
    pub order: Vec<u32>,
    /// See [`Topology::parent`].
    pub parent: Vec<u32>,
    /// See [`Topology::slot`].
    pub slot: Vec<u32>,
    /// See [`Topology::half`].
    pub half: [OwnedHalf; 2],
    /// See [`Topology::first_low`].
    pub first_low: Vec<u32>,
    /// See [`Topology::low`].
    pub low: Vec<u32>,
    /// See [`Topology::third`].
    pub third: Vec<u32>,
}

/// Owned columns of a [`Half`], which explains them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
#[expect(missing_docs, reason = "as in Half")]
pub struct OwnedHalf {
    pub first_out: Vec<u32>,
    pub head: Vec<u32>,
}

impl Columns for Contraction {
    fn topology(&self) -> Topology<'_> {
        Topology {
            first_out: &self.first_out,
            head: &self.head,
            rank: &self.rank,
            order: &self.order,
            parent: &self.parent,
            slot: &self.slot,
            half: self.half.each_ref().map(|half| Half {
                first_out: &half.first_out,
                head: &half.head,
            }),
            first_low: &self.first_low,
            low: &self.low,
            third: &self.third,
        }
    }
}

impl Contraction {
    /// Contracts a graph (see [`Topology::first_out`], [`Topology::head`]) in the given order, a
    /// permutation of the nodes with the least important first.
    pub fn new(first_out: &[u32], head: &[u32], order: &[u32]) -> Result<Self, GraphError> {
        check_input(first_out, head)?;
        let n = first_out.len() - 1;
        let mut seen = vec![false; n];
        let once = |&v: &u32| {
            seen.get_mut(v as usize)
                .is_some_and(|s| !std::mem::replace(s, true))
        };
        if order.len() != n || !order.iter().all(once) {
            return Err(GraphError::Order { nodes: n });
        }
        let (order, parent) = post_order(first_out, head, order);
        let mut rank = vec![0u32; n];
        for (r, &v) in order.iter().enumerate() {
            rank[v as usize] = r as u32;
        }
        let (first, heads) = chordal(first_out, head, &rank);
        if heads.len() > (NONE / 4) as usize {
            return Err(GraphError::TooLarge);
        }
        let possible = possible(first_out, head, &rank, &first, &heads);
        let half = [UP, DOWN].map(|side| {
            let (mut kept_first, mut kept) = (Vec::with_capacity(n + 1), Vec::new());
            kept_first.push(0);
            for r in 0..n {
                let row = first[r] as usize..first[r + 1] as usize;
                let kept_row = row.filter(|&a| possible[a] >> side & 1 == 1);
                kept.extend(kept_row.map(|a| heads[a]));
                kept_first.push(kept.len() as u32);
            }
            kept.shrink_to_fit();
            OwnedHalf {
                first_out: kept_first,
                head: kept,
            }
        });
        drop((first, heads, possible));
        let (first_low, low) = lower_ends(n, &half);
        let mut contraction = Contraction {
            first_out: first_out.to_vec(),
            head: head.to_vec(),
            slot: vec![NONE; head.len()],
            rank,
            order,
            parent,
            half,
            first_low,
            low,
            third: Vec::new(),
        };
        let mut slot = std::mem::take(&mut contraction.slot);
        let t = contraction.topology();
        for v in 0..n {
            for arc in first_out[v] as usize..first_out[v + 1] as usize {
                let (a, b) = (t.rank[v], t.rank[head[arc] as usize]);
                let side = if a < b { UP } else { DOWN };
                if let Some(at) = t.half[side].find(a.min(b), a.max(b)) {
                    slot[arc] = at as u32 * 2 + side as u32;
                }
            }
        }
        let narrow = || (0..n as u32).filter_map(|r| Some((r, t.narrow(r)?)));
        let mut third = Vec::with_capacity(narrow().map(|(_, ways)| ways).sum());
        narrow().for_each(|(r, _)| third.extend(t.thirds(r)));
        (contraction.slot, contraction.third) = (slot, third);
        Ok(contraction)
    }

    /// Number of arcs of the hierarchy.
    pub fn arc_count(&self) -> usize {
        self.half[UP].head.len() + self.half[DOWN].head.len()
    }

    /// Number of triangles that customization looks at.
    pub fn triangle_count(&self) -> u64 {
        let [up, down] = &self.topology().half;
        let mut count = 0;
        for r in 0..self.rank.len() as u32 {
            let (ups, downs) = (&up.head[up.row(r)], &down.head[down.row(r)]);
            let both = ups.iter().filter(|h| downs.binary_search(h).is_ok());
            count += (ups.len() * downs.len() - both.count()) as u64;
        }
        count
    }
}

/// The arcs of both halves by their higher end.
fn lower_ends(n: usize, half: &[OwnedHalf; 2]) -> (Vec<u32>, Vec<u32>) {
    let mut first = vec![0u32; n + 1];
    for &h in half.iter().flat_map(|half| &half.head) {
        first[h as usize + 1] += 1;
    }
    for i in 0..n {
        first[i + 1] += first[i];
    }
    let mut next = first.clone();
    let mut low = vec![0; half[UP].head.len() + half[DOWN].head.len()];
    for r in 0..n {
        for side in [UP, DOWN] {
            let row = half[side].first_out[r] as usize..half[side].first_out[r + 1] as usize;
            for &h in &half[side].head[row] {
                low[next[h as usize] as usize] = (2 * r + side) as u32;
                next[h as usize] += 1;
            }
        }
    }
    (first, low)
}

/// Upper neighbours of every rank in the chordal completion, as CSR.
fn chordal(first_out: &[u32], head: &[u32], rank: &[u32]) -> (Vec<u32>, Vec<u32>) {
    let n = rank.len();
    let mut upper: Vec<Vec<u32>> = vec![Vec::new(); n];
    for v in 0..n {
        for &w in &head[first_out[v] as usize..first_out[v + 1] as usize] {
            let (a, b) = (rank[v], rank[w as usize]);
            if a != b {
                upper[a.min(b) as usize].push(a.max(b));
            }
        }
    }
    let (mut first, mut heads) = (Vec::with_capacity(n + 1), Vec::new());
    first.push(0);
    for r in 0..n {
        let mut mine = std::mem::take(&mut upper[r]);
        mine.sort_unstable();
        mine.dedup();
        if let Some((&parent, rest)) = mine.split_first() {
            upper[parent as usize].extend_from_slice(rest);
        }
        heads.extend_from_slice(&mine);
        first.push(heads.len() as u32);
    }
    (first, heads)
}

/// The order rearranged so that every subtree of the elimination tree has consecutive ranks, which
/// changes nothing else; and the parents by new rank.
fn post_order(first_out: &[u32], head: &[u32], order: &[u32]) -> (Vec<u32>, Vec<u32>) {
    let n = order.len();
    let mut rank = vec![0u32; n];
    order
        .iter()
        .enumerate()
        .for_each(|(r, &v)| rank[v as usize] = r as u32);
    // Elimination tree without the fill (Liu 1986), by path-compressed ancestors.
    let (mut parent, mut ancestor) = (vec![NONE; n], vec![NONE; n]);
    let mut lower: Vec<Vec<u32>> = vec![Vec::new(); n];
    for v in 0..n {
        for &w in &head[first_out[v] as usize..first_out[v + 1] as usize] {
            let (a, b) = (rank[v], rank[w as usize]);
            if a != b {
                lower[a.max(b) as usize].push(a.min(b));
            }
        }
    }
    for r in 0..n as u32 {
        for &low in &lower[r as usize] {
            let mut at = low;
            while ancestor[at as usize] != NONE && ancestor[at as usize] != r {
                let next = ancestor[at as usize];
                ancestor[at as usize] = r;
                at = next;
            }
            if at != r && ancestor[at as usize] == NONE {
                ancestor[at as usize] = r;
                parent[at as usize] = r;
            }
        }
    }
    let mut children: Vec<Vec<u32>> = vec![Vec::new(); n];
    let mut roots = Vec::new();
    for r in 0..n as u32 {
        match parent[r as usize] {
            NONE => roots.push(r),
            p => children[p as usize].push(r),
        }
    }
    let mut new_order = Vec::with_capacity(n);
    let mut new_rank = vec![0u32; n];
    // Node first, children from last to first: reversed, that is a post-order.
    let mut stack = roots;
    while let Some(r) = stack.pop() {
        new_rank[r as usize] = (n - 1 - new_order.len()) as u32;
        new_order.push(order[r as usize]);
        stack.extend_from_slice(&children[r as usize]);
    }
    new_order.reverse();
    let mut new_parent = vec![NONE; n];
    for r in 0..n {
        if parent[r] != NONE {
            new_parent[new_rank[r] as usize] = new_rank[parent[r] as usize];
        }
    }
    (new_order, new_parent)
}

/// Which directions of each chordal arc some weights can make finite: bit 0 up, bit 1 down.
fn possible(
    first_out: &[u32],
    head: &[u32],
    rank: &[u32],
    first: &[u32],
    heads: &[u32],
) -> Vec<u8> {
    let mut bits = vec![0u8; heads.len()];
    for v in 0..rank.len() {
        for &w in &head[first_out[v] as usize..first_out[v + 1] as usize] {
            let (a, b) = (rank[v], rank[w as usize]);
            let low = a.min(b) as usize;
            let row = first[low] as usize..first[low + 1] as usize;
            if let Ok(at) = heads[row.clone()].binary_search(&a.max(b)) {
                bits[row.start + at] |= if a < b { 1 } else { 2 };
            }
        }
    }
    for v in 0..rank.len() {
        let row = first[v] as usize..first[v + 1] as usize;
        for vx in row.clone() {
            let mut xy = first[heads[vx] as usize] as usize;
            let (v_to_x, x_to_v) = (bits[vx] & 1, bits[vx] >> 1 & 1);
            for vy in vx + 1..row.end {
                while heads[xy] != heads[vy] {
                    xy += 1;
                }
                let (v_to_y, y_to_v) = (bits[vy] & 1, bits[vy] >> 1 & 1);
                bits[xy] |= x_to_v & v_to_y | (y_to_v & v_to_x) << 1;
            }
        }
    }
    bits
}
