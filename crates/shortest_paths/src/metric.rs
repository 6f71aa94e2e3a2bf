//! Customization: from one weight per input arc to the cost of every arc of the hierarchy.

use std::collections::BTreeSet;
use std::ops::Range;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

use thiserror::Error;

use crate::graph::{DOWN, NONE, Topology, UP, subtree_sizes};
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
        for_common(t, a, b, |_, first, second| {
            cost = cost.min(self.cost[DOWN][first] + self.cost[UP][second]);
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

/// Calls `take` with each rank below both `a` and `b` and the two arcs over it, the first coming
/// down from `a` and the second leading up to `b`, until it says true.
pub(crate) fn for_common(
    t: &Topology,
    a: u32,
    b: u32,
    mut take: impl FnMut(u32, usize, usize) -> bool,
) {
    let (mut xs, mut ys) = (t.below(a), t.below(b));
    // The lower neighbours of the lower of the two lie in its own, small subtree.
    narrow(&mut ys, xs);
    narrow(&mut xs, ys);
    let (mut i, mut j) = (0, 0);
    while i < xs.len() && j < ys.len() {
        // Of the first rank the arcs that come down, of the second those that lead up.
        let (v, w) = (xs[i] | 1, ys[j] | 1);
        if v == w && xs[i] & 1 == DOWN as u32 && ys[j] & 1 == UP as u32 {
            let over = v / 2;
            let (first, second) = (t.half[DOWN].find(over, a), t.half[UP].find(over, b));
            if let (Some(first), Some(second)) = (first, second)
                && take(over, first, second)
            {
                return;
            }
        }
        // The up arc of a rank stands before its down arc.
        let (x_is_up, y_is_down) = (xs[i] & 1 == UP as u32, ys[j] & 1 == DOWN as u32);
        i += usize::from(v < w || (v == w && (x_is_up || !y_is_down)));
        j += usize::from(w < v || (v == w && y_is_down));
    }
}

/// Cuts a column down to what lies between the first and the last rank of another.
fn narrow(column: &mut &[u32], others: &[u32]) {
    let (Some(&first), Some(&last)) = (others.first(), others.last()) else {
        *column = &[];
        return;
    };
    let start = column.partition_point(|&v| v < first & !1);
    let end = column.partition_point(|&v| v <= last | 1);
    *column = &column[start..end.max(start)];
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
    /// Costs of several metrics side by side, while they are made.
    lanes: [Vec<u32>; 2],
    /// By rank, per thread: where in the row that is worked on an arc to it stands.
    places: Vec<[Vec<u32>; 2]>,
}

/// Metrics kept for their memory at most.
const MOST_RETIRED: usize = 4;

impl Customizer {
    /// Nothing kept yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes a metric nobody needs any more, so that the next one is written into its memory.
    pub fn retire(&mut self, metric: Metric) {
        if self.retired.len() < MOST_RETIRED {
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
        let threads = threads.max(1);
        let mut flat = match L {
            1 => self.retired.pop().unwrap_or_default().cost,
            _ => std::mem::take(&mut self.lanes),
        };
        for side in [UP, DOWN] {
            flat[side].clear();
            flat[side].resize(t.half[side].head.len() * L, INFINITY);
        }
        self.places.truncate(threads);
        self.places.resize_with(threads, Default::default);
        for place in self.places.iter_mut().flatten() {
            place.resize(t.rank.len(), NONE);
        }
        let work = Work {
            t: &t,
            weights: weights.each_ref().map(Vec::as_slice),
            cancel,
        };
        let [up, down] = &mut flat;
        let cost = [up.as_chunks_mut::<L>().0, down.as_chunks_mut::<L>().0];
        work.customize(cost, &mut self.places);
        if cancel.load(Ordering::Relaxed) {
            // Rows may have been left half done, and their places written.
            self.places.clear();
            self.lanes = flat;
            return Err(MetricError::Cancelled);
        }
        if L == 1 {
            return Ok(weights.map(|weights| Metric {
                weights,
                cost: std::mem::take(&mut flat),
            }));
        }
        let metrics = weights.map(|weights| {
            let mut metric = self.retired.pop().unwrap_or_default();
            metric.weights = weights;
            metric.cost.iter_mut().for_each(Vec::clear);
            metric
        });
        self.lanes = flat;
        Ok(self.spread(metrics))
    }

    /// Costs side by side, one after the other.
    fn spread<const L: usize>(&self, mut metrics: [Metric; L]) -> [Metric; L] {
        for side in [UP, DOWN] {
            let lanes = self.lanes[side].as_chunks::<L>().0;
            for (lane, metric) in metrics.iter_mut().enumerate() {
                metric.cost[side].extend(lanes.iter().map(|c| c[lane]));
            }
        }
        metrics
    }
}

/// One customization under way.
struct Work<'a, const L: usize> {
    t: &'a Topology<'a>,
    weights: [&'a [u32]; L],
    cancel: &'a AtomicBool,
}

/// The working state of a run of ranks: slices of the columns of both halves.
struct Part<'a, const L: usize> {
    ranks: Range<u32>,
    /// First arc of each half.
    base: [usize; 2],
    cost: [&'a mut [[u32; L]]; 2],
    rows: &'a mut [Rows],
}

/// What is still to be done of the rows of a rank. Higher ranks are worked on in ascending order,
/// so the next arc always is the one to the rank at hand, or the first above it. In one place,
/// because one is rarely looked at without the others.
#[derive(Clone, Copy)]
struct Rows {
    next: [u32; 2],
    end: [u32; 2],
}

type Places = [Vec<u32>; 2];

impl<const L: usize> Work<'_, L> {
    /// `cost` comes full of [`INFINITY`]. What is left there when cancelled means nothing.
    fn customize(&self, cost: [&mut [[u32; L]]; 2], places: &mut [Places]) {
        let ranks = self.t.rank.len();
        let [up, down] = &self.t.half;
        let mut rows: Vec<Rows> = (0..ranks)
            .map(|r| Rows {
                next: [up.first_out[r], down.first_out[r]],
                end: [up.first_out[r + 1], down.first_out[r + 1]],
            })
            .collect();
        let mut all = Part {
            ranks: 0..ranks as u32,
            base: [0, 0],
            cost,
            rows: &mut rows,
        };
        let [place] = places else {
            return self.customize_on(all, places);
        };
        self.weigh(0..ranks as u32, &mut all);
        for r in 0..ranks as u32 {
            self.pull(r, &mut all, place, |_| true);
        }
    }

    /// On as many threads as there are places.
    fn customize_on(&self, mut all: Part<'_, L>, places: &mut [Places]) {
        let threads = places.len();
        let (subtrees, top) = self.divide(all.ranks.end / (threads as u32 * 8));
        // Weights of the top first: some of their arcs are kept in the subtrees.
        top.iter().for_each(|&r| self.weigh(r..r + 1, &mut all));
        let jobs = Mutex::new(self.parts(&subtrees, &mut all));
        on_threads(places, |place| {
            loop {
                let job = jobs.lock().ok().and_then(|mut jobs| jobs.pop());
                let Some(mut part) = job else { break };
                let ranks = part.ranks.clone();
                self.weigh(ranks.clone(), &mut part);
                ranks.for_each(|r| self.pull(r, &mut part, place, |_| true));
            }
        });
        drop(jobs);
        // What the ranks above all subtrees get from below is independent of each other and done
        // together; what they get from each other is done in order.
        let mut is_top = vec![false; self.t.rank.len()];
        top.iter().for_each(|&r| is_top[r as usize] = true);
        let todo = Mutex::new(top.iter());
        let rows = Mutex::new(Vec::with_capacity(top.len()));
        let cost = [&*all.cost[UP], &*all.cost[DOWN]];
        on_threads(places, |place| {
            loop {
                let r = todo.lock().ok().and_then(|mut todo| todo.next().copied());
                let Some(r) = r else { break };
                let ranges = [UP, DOWN].map(|side| self.t.half[side].row(r));
                let mut mine = [UP, DOWN].map(|side| cost[side][ranges[side].clone()].to_vec());
                let [up, down] = &mut mine;
                self.pull_row(r, cost, [0, 0], [up, down], place, |low| {
                    let (v, side) = (low / 2, low as usize & 1);
                    let other = &self.t.half[1 - side];
                    if is_top[v as usize] {
                        return None;
                    }
                    let row = other.row(v);
                    let after = other.head[row.clone()].partition_point(|&h| h <= r);
                    let arc = self.t.half[side].find(v, r)?;
                    Some((arc, row.start + after..row.end))
                });
                if let Ok(mut rows) = rows.lock() {
                    rows.push((ranges, mine));
                }
            }
        });
        for (ranges, mine) in rows.into_inner().unwrap_or_default() {
            for (side, (range, mine)) in ranges.into_iter().zip(mine).enumerate() {
                all.cost[side][range].copy_from_slice(&mine);
            }
        }
        if let Some(place) = places.first_mut() {
            for &r in &top {
                self.pull(r, &mut all, place, |v| is_top[v as usize]);
            }
        }
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

    /// What belongs to each subtree, the largest last.
    fn parts<'a>(&self, subtrees: &[Range<u32>], all: &'a mut Part<'_, L>) -> Vec<Part<'a, L>> {
        let mut jobs = Vec::with_capacity(subtrees.len());
        let [up, down] = &mut all.cost;
        let mut costs = [&mut **up, &mut **down];
        let mut rows = &mut *all.rows;
        let mut cut = Cut::default();
        for ranks in subtrees {
            let mut part = Part {
                ranks: ranks.clone(),
                base: [0, 0],
                cost: [&mut [], &mut []],
                rows: Cut::take(
                    &mut rows,
                    &mut cut.ranks,
                    ranks.start as usize..ranks.end as usize,
                ),
            };
            for side in [UP, DOWN] {
                let first = self.t.half[side].first_out;
                let arcs = first[ranks.start as usize] as usize..first[ranks.end as usize] as usize;
                part.base[side] = arcs.start;
                part.cost[side] = Cut::take(&mut costs[side], &mut cut.arcs[side], arcs);
            }
            jobs.push(part);
        }
        jobs.sort_by_key(|part| part.ranks.len());
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
                for (cost, weights) in cell.iter_mut().zip(self.weights) {
                    *cost = weights[arc].min(*cost);
                }
            }
        }
    }

    /// Lowers the arcs kept at rank `x` by all ways over one lower rank that `over` accepts. What
    /// is read belongs to the subtree of `x`, what is written to `x` itself.
    fn pull(&self, x: u32, part: &mut Part<'_, L>, place: &mut Places, over: impl Fn(u32) -> bool) {
        if x.is_multiple_of(4096) && self.cancel.load(Ordering::Relaxed) {
            return;
        }
        let base = part.base;
        let [up, down] = &mut part.cost;
        let rows = [UP, DOWN].map(|side| self.t.half[side].row(x));
        let (up, my_up) = up.split_at_mut(rows[UP].start - base[UP]);
        let (down, my_down) = down.split_at_mut(rows[DOWN].start - base[DOWN]);
        let mine = [
            &mut my_up[..rows[UP].len()],
            &mut my_down[..rows[DOWN].len()],
        ];
        let (first, rows) = (part.ranks.start, &mut part.rows);
        let [_, down_half] = &self.t.half;
        self.pull_row(x, [up, down], base, mine, place, |low| {
            let (v, side) = (low / 2, low as usize & 1);
            if !over(v) {
                return None;
            }
            let Rows { next, end } = &mut rows[(v - first) as usize];
            let arc = next[side];
            next[side] += 1;
            let mut after = next[1 - side];
            // Of two arcs to x the one that comes down has its turn later.
            if side == UP && after < end[DOWN] && down_half.head[after as usize] == x {
                after += 1;
            }
            Some((arc as usize, after as usize..end[1 - side] as usize))
        });
    }

    /// The arcs kept at `x` are `mine`, those kept lower `cost`, from `base` on. `locate` gives of
    /// an entry of the column of `x` its arc, and the arcs of the other half at the same lower
    /// rank that lead above `x`; or nothing, to pass it over.
    fn pull_row(
        &self,
        x: u32,
        cost: [&[[u32; L]]; 2],
        base: [usize; 2],
        mine: [&mut [[u32; L]]; 2],
        place: &mut Places,
        mut locate: impl FnMut(u32) -> Option<(usize, Range<usize>)>,
    ) {
        let t = self.t;
        let heads = [UP, DOWN].map(|side| &t.half[side].head[t.half[side].row(x)]);
        for side in [UP, DOWN] {
            for (at, &y) in heads[side].iter().enumerate() {
                place[side][y as usize] = at as u32;
            }
        }
        for &low in t.below(x) {
            let Some((arc, steps)) = locate(low) else {
                continue;
            };
            let side = low as usize & 1;
            let there = cost[side][arc - base[side]];
            if there.iter().all(|&c| c >= INFINITY) {
                continue;
            }
            // Down from x to v and up again; or, the same backwards, down to v and up to x.
            let onto = 1 - side;
            let onward = &t.half[onto];
            let costs = &cost[onto][steps.start - base[onto]..steps.end - base[onto]];
            let (mine, place) = (&mut *mine[onto], &place[onto]);
            for (&y, step) in onward.head[steps].iter().zip(costs) {
                // A shortcut that is missing has no place, and is passed over.
                if let Some(cell) = mine.get_mut(place[y as usize] as usize) {
                    for lane in 0..L {
                        // Neither is above INFINITY, so the sum fits.
                        cell[lane] = cell[lane].min(there[lane] + step[lane]);
                    }
                }
            }
        }
        for side in [UP, DOWN] {
            for &y in heads[side] {
                place[side][y as usize] = NONE;
            }
        }
    }
}

/// How much of the columns has been given away.
#[derive(Default)]
struct Cut {
    arcs: [usize; 2],
    ranks: usize,
}

impl Cut {
    /// Takes a range out of the rest of a slice that begins at `at`.
    fn take<'a, T>(rest: &mut &'a mut [T], at: &mut usize, range: Range<usize>) -> &'a mut [T] {
        let tail = std::mem::take(rest);
        let (mine, tail) = tail[range.start - *at..].split_at_mut(range.len());
        (*rest, *at) = (tail, range.end);
        mine
    }
}

fn on_threads<T: Send>(places: &mut [T], work: impl Fn(&mut T) + Sync) {
    std::thread::scope(|scope| {
        for place in places {
            scope.spawn(|| work(place));
        }
    });
}
