//! Customization: from one weight per input arc to the cost of every arc of the hierarchy.

use std::collections::BTreeSet;
use std::ops::Range;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

use thiserror::Error;

use crate::graph::{DOWN, Half, NONE, Topology, UP, subtree_sizes};
use crate::{Graph, INFINITY};

/// Why weights are no metric of a graph.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum MetricError {
    /// One weight an arc is needed.
    #[error("{weights} weights for a graph of {arcs} arcs")]
    Length {
        /// Number of weights given.
        weights: usize,
        /// Number of arcs of the graph.
        arcs: usize,
    },
    /// Somebody did not want it any more.
    #[error("weighing the graph was cancelled")]
    Cancelled,
}

/// The costs of all arcs of a hierarchy under one set of weights. Shared freely between threads.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Metric {
    /// [m] What was put in.
    pub(crate) weights: Vec<u32>,
    /// Of the arcs that lead up, and of those that come down.
    pub(crate) cost: [Vec<u32>; 2],
}

impl Metric {
    /// Puts `weights` [m] in, on one thread; [`INFINITY`] or more closes an arc.
    pub fn new(graph: &Graph, weights: Vec<u32>) -> Result<Self, MetricError> {
        let never = AtomicBool::new(false);
        let [metric] = Customizer::new().run(graph, [weights], 1, &never)?;
        Ok(metric)
    }

    /// [m] The weights put in.
    pub fn weights(&self) -> &[u32] {
        &self.weights
    }

    /// Changes some weights, given as `(arc, weight)`; arcs that do not exist are passed over. The
    /// result equals a new metric; the work is in proportion to what the change reaches.
    pub fn update(&mut self, graph: &Graph, changes: &[(u32, u32)]) {
        let t = graph.topology();
        if !self.is_of(&t) {
            return;
        }
        // Arcs of the hierarchy still to be looked at, lowest rank first: all that one depends on
        // lies lower.
        let mut open: BTreeSet<(u32, usize, u32)> = BTreeSet::new();
        for &(arc, weight) in changes {
            let Some(&slot) = t.slot.get(arc as usize) else {
                continue;
            };
            self.weights[arc as usize] = weight;
            if slot == NONE {
                continue;
            }
            let (side, arc) = (slot as usize & 1, slot / 2);
            let first = t.half[side].first_out;
            // Empty rows share their start with the next: the last row that starts there has it.
            let low = first.partition_point(|&f| f <= arc) as u32 - 1;
            open.insert((low, side, arc));
        }
        while let Some((low, side, arc)) = open.pop_first() {
            let high = t.half[side].head[arc as usize];
            let cost = self.cost_of(&t, low, high, side);
            if std::mem::replace(&mut self.cost[side][arc as usize], cost) == cost {
                continue;
            }
            // A way up from `low` to `high` is half of ways from what comes down to `low`; one
            // down is half of ways to what `low` leads up to.
            let others = &t.half[1 - side];
            for i in others.row(low) {
                let end = others.head[i];
                // `side` UP: end -> low -> high; DOWN: high -> low -> end.
                let (from, to) = if side == UP { (end, high) } else { (high, end) };
                if from == to {
                    continue;
                }
                let onto = usize::from(from > to);
                if let Some(at) = t.half[onto].find(from.min(to), from.max(to)) {
                    open.insert((from.min(to), onto, at as u32));
                }
            }
        }
    }

    /// The cost of one arc from its input arcs and lower triangles.
    fn cost_of(&self, t: &Topology, low: u32, high: u32, side: usize) -> u32 {
        let (a, b) = if side == UP { (low, high) } else { (high, low) };
        let mut cost = self.direct(t, a, b);
        for_common(&t.half[DOWN], a, &t.half[UP], b, |i, j| {
            let over = self.cost[DOWN][t.half[DOWN].in_arc[i] as usize]
                + self.cost[UP][t.half[UP].in_arc[j] as usize];
            cost = cost.min(over);
            false
        });
        cost
    }

    /// The cheapest arc of the input from one rank to another; [`INFINITY`] if there is none.
    pub(crate) fn direct(&self, t: &Topology, from: u32, to: u32) -> u32 {
        let (from, to) = (t.order[from as usize] as usize, t.order[to as usize]);
        let row = t.first_out[from] as usize..t.first_out[from + 1] as usize;
        let weights = row.filter(|&arc| t.head[arc] == to);
        weights
            .map(|arc| self.weights[arc])
            .fold(INFINITY, u32::min)
    }

    /// Bytes held.
    pub fn bytes(&self) -> usize {
        let [up, down] = &self.cost;
        4 * (self.weights.capacity() + up.capacity() + down.capacity())
    }

    pub(crate) fn is_of(&self, t: &Topology) -> bool {
        let fit = |side: usize| self.cost[side].len() == t.half[side].head.len();
        self.weights.len() == t.head.len() && fit(UP) && fit(DOWN)
    }
}

/// Calls `take` with the places in two columns of each rank below both `a` and `b`, ascending,
/// until it says true.
pub(crate) fn for_common(
    down: &Half,
    a: u32,
    up: &Half,
    b: u32,
    mut take: impl FnMut(usize, usize) -> bool,
) {
    let (mut x, mut y) = (down.column(a), up.column(b));
    // The lower neighbours of the lower of the two lie in its own, small subtree.
    narrow(&mut y, up.in_tail, &down.in_tail[x.clone()]);
    narrow(&mut x, down.in_tail, &up.in_tail[y.clone()]);
    let (xs, ys) = (&down.in_tail[x.clone()], &up.in_tail[y.clone()]);
    let (mut i, mut j) = (0, 0);
    while i < xs.len() && j < ys.len() {
        let (v, w) = (xs[i], ys[j]);
        if v == w && take(x.start + i, y.start + j) {
            return;
        }
        i += usize::from(v <= w);
        j += usize::from(w <= v);
    }
}

/// Cuts a column down to what lies between the first and the last of `others`.
fn narrow(column: &mut Range<usize>, tails: &[u32], others: &[u32]) {
    let (Some(&first), Some(&last)) = (others.first(), others.last()) else {
        *column = 0..0;
        return;
    };
    let own = &tails[column.clone()];
    let start = column.start + own.partition_point(|&v| v < first);
    let end = column.start + own.partition_point(|&v| v <= last);
    *column = start..end.max(start);
}

fn fits(t: &Topology, weights: &[u32]) -> Result<(), MetricError> {
    if weights.len() == t.head.len() {
        return Ok(());
    }
    Err(MetricError::Length {
        weights: weights.len(),
        arcs: t.head.len(),
    })
}

/// Makes metrics, and keeps the memory of those that are done with for the next.
#[derive(Debug, Default)]
pub struct Customizer {
    retired: Vec<Metric>,
}

impl Customizer {
    /// Nothing kept yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes a metric nobody needs any more, so that the next one is written into its memory.
    pub fn retire(&mut self, metric: Metric) {
        if self.retired.len() < 2 {
            self.retired.push(metric);
        }
    }

    /// Puts in `L` sets of weights [m] at once, on `threads` threads.
    pub fn run<const L: usize>(
        &mut self,
        graph: &Graph,
        weights: [Vec<u32>; L],
        threads: usize,
        cancel: &AtomicBool,
    ) -> Result<[Metric; L], MetricError> {
        let t = graph.topology();
        weights.iter().try_for_each(|w| fits(&t, w))?;
        let mut flat = self.retired.pop().unwrap_or_default().cost;
        for side in [UP, DOWN] {
            flat[side].clear();
            flat[side].resize(t.half[side].head.len() * L, INFINITY);
        }
        let [up, down] = &mut flat;
        let cost = [up.as_chunks_mut::<L>().0, down.as_chunks_mut::<L>().0];
        let work = Work {
            t: &t,
            weights: weights.each_ref().map(Vec::as_slice),
            cancel,
        };
        work.customize(cost, threads.max(1));
        if cancel.load(Ordering::Relaxed) {
            let weights = Vec::new();
            self.retire(Metric {
                weights,
                cost: flat,
            });
            return Err(MetricError::Cancelled);
        }
        let mut lanes = 0..L;
        Ok(weights.map(|weights| {
            let lane = lanes.next().unwrap_or(0);
            Metric {
                weights,
                cost: [UP, DOWN].map(|side| match L {
                    1 => std::mem::take(&mut flat[side]),
                    _ => flat[side].iter().skip(lane).step_by(L).copied().collect(),
                }),
            }
        }))
    }
}

/// One customization under way.
struct Work<'a, const L: usize> {
    t: &'a Topology<'a>,
    weights: [&'a [u32]; L],
    cancel: &'a AtomicBool,
}

/// The costs of a run of ranks: slices of both halves and where they begin.
struct Part<'a, const L: usize> {
    base: [usize; 2],
    cost: [&'a mut [[u32; L]]; 2],
}

impl<const L: usize> Work<'_, L> {
    /// `cost` comes full of [`INFINITY`]. What is left there when cancelled means nothing.
    fn customize(&self, cost: [&mut [[u32; L]]; 2], threads: usize) {
        let ranks = self.t.rank.len() as u32;
        let mut all = Part { base: [0, 0], cost };
        if threads == 1 {
            let mut place = vec![NONE; ranks as usize];
            self.weigh(0..ranks, &mut all);
            for r in 0..ranks {
                self.pull(r, &mut all, &mut place, |_| true);
            }
            return;
        }
        let (subtrees, top) = self.divide(ranks / (threads as u32 * 8));
        // Weights of the top first: some of their arcs are kept in the subtrees.
        top.iter().for_each(|&r| self.weigh(r..r + 1, &mut all));
        let jobs = Mutex::new(self.parts(&subtrees, &mut all));
        self.on_threads(threads, || {
            let mut place = vec![NONE; ranks as usize];
            loop {
                let job = jobs.lock().ok().and_then(|mut jobs| jobs.pop());
                let Some((ranks, mut part)) = job else { break };
                self.weigh(ranks.clone(), &mut part);
                for r in ranks {
                    self.pull(r, &mut part, &mut place, |_| true);
                }
            }
        });
        drop(jobs);
        self.pull_top(&top, &mut all, threads);
    }

    /// What the ranks above all subtrees get from below is independent of each other and done
    /// together; what they get from each other is done in order.
    fn pull_top(&self, top: &[u32], all: &mut Part<'_, L>, threads: usize) {
        let mut is_top = vec![false; self.t.rank.len()];
        top.iter().for_each(|&r| is_top[r as usize] = true);
        let next = Mutex::new(top.iter());
        let rows = Mutex::new(Vec::with_capacity(top.len()));
        let below = [&*all.cost[UP], &*all.cost[DOWN]];
        self.on_threads(threads, || {
            let mut place = vec![NONE; self.t.rank.len()];
            loop {
                let r = next.lock().ok().and_then(|mut next| next.next().copied());
                let Some(r) = r else { break };
                for side in [UP, DOWN] {
                    let row = self.t.half[side].row(r);
                    let mut mine = below[side][row.clone()].to_vec();
                    let [first, second] = [below[1 - side], below[side]];
                    self.pull_side(r, side, first, second, [0, 0], &mut mine, &mut place, |v| {
                        !is_top[v as usize]
                    });
                    if let Ok(mut rows) = rows.lock() {
                        rows.push((side, row, mine));
                    }
                }
            }
        });
        for (side, row, mine) in rows.into_inner().unwrap_or_default() {
            all.cost[side][row].copy_from_slice(&mine);
        }
        let mut place = vec![NONE; self.t.rank.len()];
        for &r in top {
            self.pull(r, all, &mut place, |v| is_top[v as usize]);
        }
    }

    fn on_threads(&self, threads: usize, work: impl Fn() + Sync) {
        std::thread::scope(|scope| {
            (1..threads).for_each(|_| {
                scope.spawn(&work);
            });
            work();
        });
    }

    /// Disjoint subtrees of at most `limit` ranks, ascending, and the ranks above them all.
    fn divide(&self, limit: u32) -> (Vec<Range<u32>>, Vec<u32>) {
        let size = subtree_sizes(self.t.parent);
        let (mut subtrees, mut top) = (Vec::new(), Vec::new());
        let mut r = size.len() as u32;
        // From the highest rank down; a small subtree is taken whole.
        while r > 0 {
            let size = size[r as usize - 1];
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

    /// The costs of each subtree, the largest last.
    fn parts<'a>(
        &self,
        subtrees: &[Range<u32>],
        all: &'a mut Part<'_, L>,
    ) -> Vec<(Range<u32>, Part<'a, L>)> {
        let mut jobs = Vec::with_capacity(subtrees.len());
        let [up, down] = &mut all.cost;
        let mut rest = [&mut **up, &mut **down];
        let mut at = [0, 0];
        for ranks in subtrees {
            let mut part = Part {
                base: [0, 0],
                cost: [&mut [], &mut []],
            };
            for side in [UP, DOWN] {
                let first = self.t.half[side].first_out;
                let (start, end) = (
                    first[ranks.start as usize] as usize,
                    first[ranks.end as usize] as usize,
                );
                let tail = std::mem::take(&mut rest[side]);
                let (mine, tail) = tail[start - at[side]..].split_at_mut(end - start);
                (rest[side], at[side]) = (tail, end);
                (part.base[side], part.cost[side]) = (start, mine);
            }
            jobs.push((ranks.clone(), part));
        }
        jobs.sort_by_key(|(ranks, _)| ranks.len());
        jobs
    }

    /// Writes the weights of the input arcs that leave the nodes of `ranks`.
    fn weigh(&self, ranks: Range<u32>, part: &mut Part<'_, L>) {
        let t = self.t;
        for r in ranks {
            let v = t.order[r as usize] as usize;
            for arc in t.first_out[v] as usize..t.first_out[v + 1] as usize {
                let slot = t.slot[arc];
                if slot == NONE {
                    continue;
                }
                let side = slot as usize & 1;
                let cell = &mut part.cost[side][slot as usize / 2 - part.base[side]];
                for lane in 0..L {
                    cell[lane] = cell[lane].min(self.weights[lane][arc]);
                }
            }
        }
    }

    /// Lowers the arcs kept at rank `x` by all ways over one lower rank that `over` accepts. What
    /// is read belongs to the subtree of `x`, what is written to `x` itself.
    fn pull(
        &self,
        x: u32,
        part: &mut Part<'_, L>,
        place: &mut [u32],
        over: impl Fn(u32) -> bool + Copy,
    ) {
        if x % 4096 == 0 && self.cancel.load(Ordering::Relaxed) {
            return;
        }
        for side in [UP, DOWN] {
            let row = self.t.half[side].row(x);
            let [up, down] = &mut part.cost;
            let (first, own) = if side == UP { (down, up) } else { (up, down) };
            let (second, mine) = own.split_at_mut(row.start - part.base[side]);
            let base = [part.base[1 - side], part.base[side]];
            let mine = &mut mine[..row.len()];
            self.pull_side(x, side, first, second, base, mine, place, over);
        }
    }

    /// One half of [`Work::pull`]: for `UP` down from x to v, then up from v to y; for `DOWN`
    /// the same backwards. `first`, `second`: costs of those two steps, from `base` on.
    #[expect(
        clippy::too_many_arguments,
        reason = "the innermost step, on slices only"
    )]
    fn pull_side(
        &self,
        x: u32,
        side: usize,
        first: &[[u32; L]],
        second: &[[u32; L]],
        base: [usize; 2],
        mine: &mut [[u32; L]],
        place: &mut [u32],
        over: impl Fn(u32) -> bool,
    ) {
        let (there, onward) = (&self.t.half[1 - side], &self.t.half[side]);
        if mine.is_empty() {
            return;
        }
        let heads = &onward.head[onward.row(x)];
        for (at, &y) in heads.iter().enumerate() {
            place[y as usize] = at as u32;
        }
        let column = there.column(x);
        let (tails, arcs) = (
            &there.in_tail[column.clone()],
            &there.in_arc[column.clone()],
        );
        for ((&v, &arc), &next) in tails.iter().zip(arcs).zip(&there.in_next[column]) {
            let to_v = first[arc as usize - base[0]];
            if !over(v) || to_v.iter().all(|&c| c >= INFINITY) {
                continue;
            }
            let steps = next as usize..onward.first_out[v as usize + 1] as usize;
            let costs = &second[steps.start - base[1]..steps.end - base[1]];
            for (&y, from_v) in onward.head[steps].iter().zip(costs) {
                // A shortcut that is missing has no place, and is passed over.
                if let Some(cell) = mine.get_mut(place[y as usize] as usize) {
                    for lane in 0..L {
                        // Neither is above INFINITY, so the sum fits.
                        cell[lane] = cell[lane].min(to_v[lane] + from_v[lane]);
                    }
                }
            }
        }
        for &y in heads {
            place[y as usize] = NONE;
        }
    }
}
