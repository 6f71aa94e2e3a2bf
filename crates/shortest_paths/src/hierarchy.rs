//! Customizable contraction hierarchy (Dibbelt, Strasser, Wagner, arXiv 1402.0402): the topology
//! is contracted once, weights are put in at will.
//!
//! Nodes are renamed by *rank*. Every arc is kept at its lower end, in one of two halves: `up`
//! holds arcs that lead to a higher rank, `down` arcs that come from one. Arcs that no weights can
//! make finite are not kept: in a turn-expanded graph that is most of what contraction makes.

use std::ops::Range;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::INFINITY;

const NONE: u32 = u32::MAX;
const UP: usize = 0;
const DOWN: usize = 1;

/// The contracted topology of a graph under an order.
#[derive(Clone, Debug)]
pub struct Hierarchy {
    /// Rank of each node.
    rank: Vec<u32>,
    /// Node of each rank.
    order: Vec<u32>,
    /// Parent of each rank in the elimination tree; `NONE` at roots.
    parent: Vec<u32>,
    /// Ranks of the subtree below a rank, itself included: they are the ranks just before it.
    subtree: Vec<u32>,
    /// Arcs that lead up, arcs that come down.
    half: [Half; 2],
    /// For each arc of the input: its arc, doubled, plus one if it comes down.
    input_arc: Vec<u32>,
}

/// Arcs of one direction, at their lower and at their higher end.
#[derive(Clone, Debug, Default)]
struct Half {
    /// [n + 1] CSR by lower rank.
    first_out: Vec<u32>,
    /// Higher rank, ascending within a lower one.
    head: Vec<u32>,
    /// [n + 1] CSR by higher rank.
    first_in: Vec<u32>,
    /// Arc ids by higher rank, ascending.
    in_arc: Vec<u32>,
    /// Lower rank of the same.
    in_tail: Vec<u32>,
}

impl Half {
    fn row(&self, rank: u32) -> Range<usize> {
        self.first_out[rank as usize] as usize..self.first_out[rank as usize + 1] as usize
    }
    fn column(&self, rank: u32) -> Range<usize> {
        self.first_in[rank as usize] as usize..self.first_in[rank as usize + 1] as usize
    }
    fn find(&self, low: u32, high: u32) -> Option<usize> {
        let row = self.row(low);
        self.head[row.clone()]
            .binary_search(&high)
            .ok()
            .map(|at| row.start + at)
    }
    /// The rows of `rows` with their reverse.
    fn of(n: usize, first_out: Vec<u32>, head: Vec<u32>) -> Self {
        let mut first_in = vec![0u32; n + 1];
        head.iter().for_each(|&h| first_in[h as usize + 1] += 1);
        for i in 0..n {
            first_in[i + 1] += first_in[i];
        }
        let (mut in_tail, mut in_arc) = (vec![0; head.len()], vec![0; head.len()]);
        let mut next = first_in.clone();
        for r in 0..n {
            for arc in first_out[r]..first_out[r + 1] {
                let slot = &mut next[head[arc as usize] as usize];
                (in_tail[*slot as usize], in_arc[*slot as usize]) = (r as u32, arc);
                *slot += 1;
            }
        }
        Half {
            first_out,
            head,
            first_in,
            in_arc,
            in_tail,
        }
    }
}

impl Hierarchy {
    /// Contracts a graph (CSR, heads below the number of nodes) in the given order (a permutation
    /// of the nodes, lowest first). Loops are dropped: no cheapest path uses one.
    pub fn new(first_out: &[u32], head: &[u32], order: &[u32]) -> Self {
        let n = first_out.len() - 1;
        let (order, parent) = post_order(first_out, head, order);
        let mut rank = vec![0u32; n];
        order
            .iter()
            .enumerate()
            .for_each(|(r, &v)| rank[v as usize] = r as u32);
        let mut subtree = vec![1u32; n];
        for r in 0..n {
            if parent[r] != NONE {
                subtree[parent[r] as usize] += subtree[r];
            }
        }

        let (first, heads) = chordal(first_out, head, &rank);
        let possible = possible(first_out, head, &rank, &first, &heads);
        let half = [UP, DOWN].map(|side| {
            let mut kept_first = Vec::with_capacity(n + 1);
            let mut kept = Vec::new();
            kept_first.push(0);
            for r in 0..n {
                let row = first[r] as usize..first[r + 1] as usize;
                kept.extend(
                    row.filter(|&a| possible[a] >> side & 1 == 1)
                        .map(|a| heads[a]),
                );
                kept_first.push(kept.len() as u32);
            }
            Half::of(n, kept_first, kept)
        });

        let mut input_arc = vec![NONE; head.len()];
        for v in 0..n {
            for arc in first_out[v] as usize..first_out[v + 1] as usize {
                let (a, b) = (rank[v], rank[head[arc] as usize]);
                let side = if a < b { UP } else { DOWN };
                if let Some(at) = half[side].find(a.min(b), a.max(b)) {
                    input_arc[arc] = at as u32 * 2 + side as u32;
                }
            }
        }
        Hierarchy {
            rank,
            order,
            parent,
            subtree,
            half,
            input_arc,
        }
    }

    /// Number of arcs, both halves together.
    pub fn arc_count(&self) -> usize {
        self.half[UP].head.len() + self.half[DOWN].head.len()
    }

    /// Puts weights of the input arcs in, `L` metrics at once; `None` when cancelled.
    pub fn customize<const L: usize>(
        &self,
        weights: [&[u32]; L],
        threads: usize,
        cancel: &AtomicBool,
    ) -> Option<[Metric; L]> {
        let mut cost: [Vec<[u32; L]>; 2] =
            [UP, DOWN].map(|side| vec![[INFINITY; L]; self.half[side].head.len()]);
        for (arc, &slot) in self.input_arc.iter().enumerate() {
            if slot != NONE {
                let cell = &mut cost[slot as usize & 1][slot as usize / 2];
                for lane in 0..L {
                    cell[lane] = cell[lane].min(weights[lane][arc]);
                }
            }
        }

        let [up, down] = &mut cost;
        let (subtrees, top) = self.parts(threads);
        let mut jobs = Vec::with_capacity(subtrees.len());
        let (mut up_rest, mut down_rest) = (up.as_mut_slice(), down.as_mut_slice());
        let (mut up_at, mut down_at) = (0, 0);
        for ranks in subtrees {
            let arcs = |half: &Half| {
                half.first_out[ranks.start as usize] as usize
                    ..half.first_out[ranks.end as usize] as usize
            };
            let (u, d) = (arcs(&self.half[UP]), arcs(&self.half[DOWN]));
            let up_part;
            (up_part, up_rest) =
                std::mem::take(&mut up_rest)[u.start - up_at..].split_at_mut(u.len());
            let down_part;
            (down_part, down_rest) =
                std::mem::take(&mut down_rest)[d.start - down_at..].split_at_mut(d.len());
            (up_at, down_at) = (u.end, d.end);
            jobs.push((
                ranks,
                Part {
                    base: [u.start, d.start],
                    cost: [up_part, down_part],
                },
            ));
        }
        // Largest first, so that no thread is left with a large one at the end.
        jobs.sort_by_key(|(ranks, _)| ranks.len());
        let jobs = Mutex::new(jobs);
        let work = || {
            let mut slot = vec![0; self.rank.len()];
            loop {
                let job = jobs.lock().ok().and_then(|mut jobs| jobs.pop());
                let Some((ranks, mut part)) = job else { break };
                for r in ranks {
                    if r % 4096 == 0 && cancel.load(Ordering::Relaxed) {
                        return;
                    }
                    self.pull(r, &mut part, &mut slot);
                }
            }
        };
        if threads > 1 {
            std::thread::scope(|scope| {
                (0..threads).for_each(|_| {
                    scope.spawn(work);
                });
            });
        } else {
            work();
        }
        let mut slot = vec![0; self.rank.len()];
        let mut all = Part {
            base: [0, 0],
            cost: [up, down],
        };
        for r in top {
            if cancel.load(Ordering::Relaxed) {
                return None;
            }
            self.pull(r, &mut all, &mut slot);
        }
        if cancel.load(Ordering::Relaxed) {
            return None;
        }
        Some(std::array::from_fn(|lane| Metric {
            cost: [UP, DOWN].map(|side| cost[side].iter().map(|c| c[lane]).collect()),
        }))
    }

    /// Disjoint subtrees of ranks, ascending, and the ranks above them all, ascending.
    fn parts(&self, threads: usize) -> (Vec<Range<u32>>, Vec<u32>) {
        let n = self.rank.len() as u32;
        let limit = if threads > 1 {
            n / (threads as u32 * 8)
        } else {
            n
        };
        let (mut subtrees, mut top) = (Vec::new(), Vec::new());
        let mut r = n;
        // From the highest rank down; a small subtree is taken whole.
        while r > 0 {
            let size = self.subtree[r as usize - 1];
            if size <= limit.max(1) {
                subtrees.push(r - size..r);
                r -= size;
            } else {
                top.push(r - 1);
                r -= 1;
            }
        }
        subtrees.reverse();
        top.reverse();
        (subtrees, top)
    }

    /// Lowers the arcs kept at rank `x` by all paths over one lower rank. What is read belongs to
    /// the subtree of `x`, what is written to `x` itself.
    fn pull<const L: usize>(&self, x: u32, part: &mut Part<'_, L>, slot: &mut [u32]) {
        for side in [UP, DOWN] {
            // For `up`: down from x to v, then up from v to y. For `down` the same backwards.
            let (there, onward) = (&self.half[1 - side], &self.half[side]);
            let row = onward.row(x);
            if row.is_empty() {
                continue;
            }
            let base = part.base;
            let [up, down] = &mut part.cost;
            let (first_cost, cost) = if side == UP { (down, up) } else { (up, down) };
            let (done, mine) = cost.split_at_mut(row.start - base[side]);
            let mine = &mut mine[..row.len()];
            for (at, &y) in onward.head[row].iter().enumerate() {
                slot[y as usize] = at as u32;
            }
            for i in there.column(x) {
                let v = there.in_tail[i];
                let first = first_cost[there.in_arc[i] as usize - base[1 - side]];
                if first.iter().all(|&c| c == INFINITY) {
                    continue;
                }
                let row = onward.row(v);
                let ys = &onward.head[row.clone()];
                let skip = ys.iter().position(|&y| y > x).unwrap_or(ys.len());
                let costs = &done[row.start - base[side] + skip..row.end - base[side]];
                for (&y, second) in ys[skip..].iter().zip(costs) {
                    let at = slot[y as usize] as usize;
                    for lane in 0..L {
                        let sum = first[lane].saturating_add(second[lane]);
                        mine[at][lane] = mine[at][lane].min(sum);
                    }
                }
            }
        }
    }
}

/// The costs of a run of ranks: slices of both halves and where they begin.
struct Part<'a, const L: usize> {
    base: [usize; 2],
    cost: [&'a mut [[u32; L]]; 2],
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

/// Weights of all arcs of a hierarchy.
#[derive(Clone, Debug)]
pub struct Metric {
    cost: [Vec<u32>; 2],
}

/// Reusable memory of a query.
#[derive(Debug, Default)]
pub struct Workspace {
    dist: [Vec<u32>; 2],
    via: [Vec<u32>; 2],
    walk: [Vec<u32>; 2],
}

/// A cheapest path.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// Sum of the source's cost, the arcs and the target's cost.
    pub cost: u32,
    /// Nodes from source to target.
    pub path: Vec<u32>,
}

impl Workspace {
    /// Cheapest path from any source to any target, each `(node, cost to begin or end there)`.
    pub fn query(
        &mut self,
        h: &Hierarchy,
        m: &Metric,
        sources: &[(u32, u32)],
        targets: &[(u32, u32)],
    ) -> Option<Found> {
        let n = h.rank.len();
        for side in [UP, DOWN] {
            if self.dist[side].len() != n {
                self.dist[side] = vec![INFINITY; n];
                self.via[side] = vec![NONE; n];
            }
        }
        self.climb(h, m, UP, sources);
        self.climb(h, m, DOWN, targets);
        // Both walks are ascending; they meet in common ancestors only.
        let (mut best, mut top) = (INFINITY, NONE);
        let (mut i, mut j) = (0, 0);
        while i < self.walk[UP].len() && j < self.walk[DOWN].len() {
            let (a, b) = (self.walk[UP][i], self.walk[DOWN][j]);
            if a == b {
                let cost = self.dist[UP][a as usize].saturating_add(self.dist[DOWN][a as usize]);
                if cost < best {
                    (best, top) = (cost, a);
                }
            }
            i += usize::from(a <= b);
            j += usize::from(b <= a);
        }
        let found = (best != INFINITY).then(|| Found {
            cost: best,
            path: self.unpack(h, m, top),
        });
        for side in [UP, DOWN] {
            for &r in &self.walk[side] {
                self.dist[side][r as usize] = INFINITY;
                self.via[side][r as usize] = NONE;
            }
        }
        found
    }

    /// Relaxes upward from all ends at once, along their paths in the elimination tree.
    fn climb(&mut self, h: &Hierarchy, m: &Metric, side: usize, ends: &[(u32, u32)]) {
        let (dist, via, walk) = (
            &mut self.dist[side],
            &mut self.via[side],
            &mut self.walk[side],
        );
        walk.clear();
        for &(node, cost) in ends.iter().filter(|e| e.1 != INFINITY) {
            let mut r = h.rank[node as usize];
            dist[r as usize] = dist[r as usize].min(cost);
            while r != NONE {
                walk.push(r);
                r = h.parent[r as usize];
            }
        }
        if ends.len() > 1 {
            walk.sort_unstable();
            walk.dedup();
        }
        let half = &h.half[side];
        for &r in walk.iter() {
            let d = dist[r as usize];
            if d == INFINITY {
                continue;
            }
            let row = half.row(r);
            for (&head, &c) in half.head[row.clone()].iter().zip(&m.cost[side][row]) {
                let cost = d.saturating_add(c);
                if cost < dist[head as usize] {
                    dist[head as usize] = cost;
                    via[head as usize] = r;
                }
            }
        }
    }

    fn unpack(&self, h: &Hierarchy, m: &Metric, top: u32) -> Vec<u32> {
        // Ranks from the source up to the top, then down to the target.
        let mut skeleton = vec![top];
        let follow = |skeleton: &mut Vec<u32>, via: &[u32]| {
            while let Some(&r) = skeleton.last() {
                match via[r as usize] {
                    NONE => break,
                    below => skeleton.push(below),
                }
            }
        };
        follow(&mut skeleton, &self.via[UP]);
        skeleton.reverse();
        follow(&mut skeleton, &self.via[DOWN]);
        let mut path = vec![h.order[skeleton[0] as usize]];
        let mut stack = Vec::new();
        for pair in skeleton.windows(2) {
            stack.push((pair[0], pair[1]));
            while let Some((a, b)) = stack.pop() {
                match middle(h, m, a, b) {
                    Some(v) => stack.extend([(v, b), (a, v)]),
                    None => path.push(h.order[b as usize]),
                }
            }
        }
        path
    }
}

/// The lower rank over which the shortcut from `a` to `b` leads; `None` for an arc of the input.
fn middle(h: &Hierarchy, m: &Metric, a: u32, b: u32) -> Option<u32> {
    let side = if a < b { UP } else { DOWN };
    let cost = m.cost[side][h.half[side].find(a.min(b), a.max(b))?];
    let (down, up) = (&h.half[DOWN], &h.half[UP]);
    let (mut i, mut j) = (down.column(a), up.column(b));
    while i.start < i.end && j.start < j.end {
        let (v, w) = (down.in_tail[i.start], up.in_tail[j.start]);
        if v == w {
            let there = m.cost[DOWN][down.in_arc[i.start] as usize];
            let onward = m.cost[UP][up.in_arc[j.start] as usize];
            if there.saturating_add(onward) == cost {
                return Some(v);
            }
        }
        i.start += usize::from(v <= w);
        j.start += usize::from(w <= v);
    }
    None
}
