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
        let mut cost = self.direct(t, t.order[a as usize], t.order[b as usize]);
        for_common(t, a, b, |_, first, second| {
            cost = cost.min(self.cost[DOWN][first] + self.cost[UP][second]);
            false
        });
        cost
    }

    /// The cheapest arc of the input from one node to another; [`INFINITY`] if there is none.
    pub(crate) fn direct(&self, t: &Topology, from: u32, to: u32) -> u32 {
        let row = t.first_out[from as usize] as usize..t.first_out[from as usize + 1] as usize;
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
/// down from `a` and the second leading up to `b`, until it says true. Highest first: the way a
/// shortcut stands for is found over the highest rank on it.
pub(crate) fn for_common(
    t: &Topology,
    a: u32,
    b: u32,
    mut take: impl FnMut(u32, usize, usize) -> bool,
) {
    let (xs, ys) = (t.below(a), t.below(b));
    // One of the two lies in a subtree of the other, and so do the ranks below both.
    let (Some(x), Some(y)) = (xs.last(), ys.last()) else {
        return;
    };
    let mut i = xs.partition_point(|v| v / 2 <= y / 2);
    let mut j = ys.partition_point(|v| v / 2 <= x / 2);
    while i > 0 && j > 0 {
        // Of the first rank the arcs that come down, of the second those that lead up; at the same
        // rank the latter stands just before the former.
        let (v, w) = (xs[i - 1], ys[j - 1] + 1);
        if v == w && v & 1 == DOWN as u32 {
            let over = v / 2;
            let (first, second) = (t.half[DOWN].find(over, a), t.half[UP].find(over, b));
            if let (Some(first), Some(second)) = (first, second)
                && take(over, first, second)
            {
                return;
            }
        }
        i -= usize::from(v >= w);
        j -= usize::from(w >= v);
    }
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
    places: Vec<Places>,
    /// By rank; written before they are read.
    rows: Vec<Rows>,
    wide: Vec<bool>,
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
            flat[side].resize(t.half[side].head.len() * L, INFINITY);
        }
        self.rows.resize(t.rank.len(), [0; 4]);
        self.wide.resize(t.rank.len(), false);
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
        let all = Part {
            ranks: 0..t.rank.len() as u32,
            base: [0, 0],
            cost: [up.as_chunks_mut::<L>().0, down.as_chunks_mut::<L>().0],
            rows: &mut self.rows,
            wide: &mut self.wide,
            third: 0,
        };
        work.customize(all, &mut self.places);
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
            metric
        });
        self.lanes = flat;
        Ok(self.spread(metrics))
    }

    /// Costs side by side, one after the other.
    fn spread<const L: usize>(&self, mut metrics: [Metric; L]) -> [Metric; L] {
        for side in [UP, DOWN] {
            let lanes = self.lanes[side].as_chunks::<L>().0;
            for metric in &mut metrics {
                metric.cost[side].resize(lanes.len(), INFINITY);
            }
            // So many at a time that they are read from memory but once.
            for (at, lanes) in lanes.chunks(1024).enumerate() {
                for (lane, metric) in metrics.iter_mut().enumerate() {
                    let cells = &mut metric.cost[side][at * 1024..][..lanes.len()];
                    let values = lanes.iter().map(|cell| cell[lane]);
                    cells.iter_mut().zip(values).for_each(|(cell, v)| *cell = v);
                }
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

/// A run of ranks and its slices of the columns of both halves.
struct Part<'a, const L: usize> {
    ranks: Range<u32>,
    /// First arc of each half.
    base: [usize; 2],
    cost: [&'a mut [[u32; L]]; 2],
    rows: &'a mut [Rows],
    /// Ranks whose ways are fetched by those above: see [`Work::settle`].
    wide: &'a mut [bool],
    /// First of the third sides of the triangles over the next rank.
    third: usize,
}

/// What is still to be done of the rows of a wide rank: next arcs up and down, and where they end.
/// Higher ranks are worked on in ascending order, so the next arc always is the one to the rank at
/// hand, or the first above it. In one place, because one is rarely looked at without the others;
/// as numbers, because zeroed memory costs nothing until it is touched.
type Rows = [u32; 4];

type Places = [Vec<u32>; 2];

impl<const L: usize> Work<'_, L> {
    /// On as many threads as there are places. What is left when cancelled means nothing.
    fn customize(&self, mut all: Part<'_, L>, places: &mut [Places]) {
        if let [place] = places {
            all.cost
                .iter_mut()
                .for_each(|cost| cost.fill([INFINITY; L]));
            self.weigh(0..self.t.head.len(), &mut all);
            return all
                .ranks
                .clone()
                .for_each(|x| self.settle(x, &mut all, place));
        }
        let (runs, top) = self.divide(all.ranks.end / (places.len() as u32 * 8));
        let jobs = Mutex::new(self.parts(&runs, &mut all));
        on_threads(places, |place| {
            loop {
                let job = jobs.lock().ok().and_then(|mut jobs| jobs.pop());
                let Some(mut part) = job else { break };
                part.cost
                    .iter_mut()
                    .for_each(|cost| cost.fill([INFINITY; L]));
                // Arcs kept here may come from above.
                let ranks = part.ranks.clone();
                for &r in top.iter() {
                    self.weigh(self.leaving(r), &mut part);
                }
                ranks
                    .clone()
                    .for_each(|r| self.weigh(self.leaving(r), &mut part));
                ranks.for_each(|x| self.settle(x, &mut part, place));
            }
        });
        drop(jobs);
        // What the ranks above all subtrees get from below is independent of each other and done
        // together; what they get from each other is done in order.
        let mut is_top = vec![false; self.t.rank.len()];
        for &r in &top {
            is_top[r as usize] = true;
            for side in [UP, DOWN] {
                all.cost[side][self.t.half[side].row(r)].fill([INFINITY; L]);
            }
        }
        top.iter()
            .for_each(|&r| self.weigh(self.leaving(r), &mut all));
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
                let below = self
                    .t
                    .below(r)
                    .iter()
                    .filter(|&low| !is_top[*low as usize / 2]);
                let ways = below.filter_map(|low| {
                    let (v, side) = (low / 2, *low as usize & 1);
                    let other = &self.t.half[1 - side];
                    let row = other.row(v);
                    let after = other.head[row.clone()].partition_point(|&h| h <= r);
                    let arc = self.t.half[side].find(v, r)?;
                    Some((side, arc, row.start + after..row.end))
                });
                self.pull_row(r, ways, cost, [0, 0], [up, down], place);
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
            for &x in &top {
                self.pull(x, &mut all, place, |v| is_top[v as usize]);
                self.open(x, &mut all);
            }
        }
    }

    /// Input arcs that leave the node of a rank.
    fn leaving(&self, rank: u32) -> Range<usize> {
        let v = self.t.order[rank as usize] as usize;
        self.t.first_out[v] as usize..self.t.first_out[v + 1] as usize
    }

    /// Runs of whole subtrees, of about `limit` ranks at most, ascending; and the ranks above them all.
    fn divide(&self, limit: u32) -> (Vec<Range<u32>>, Vec<u32>) {
        let size = subtree_sizes(self.t.parent);
        let (mut runs, mut top) = (Vec::<Range<u32>>::new(), Vec::new());
        let mut r = size.len() as u32;
        // From the highest rank down; a small subtree is taken whole.
        while r > 0 {
            let size = size[r as usize - 1];
            if size <= limit.max(1) {
                match runs.last_mut() {
                    Some(run) if run.start == r && run.end - r + size <= limit => run.start -= size,
                    _ => runs.push(r - size..r),
                }
                r -= size;
            } else {
                top.push(r - 1);
                r -= 1;
            }
        }
        runs.reverse();
        top.reverse();
        (runs, top)
    }

    /// What belongs to each run, the largest last.
    fn parts<'a>(&self, runs: &[Range<u32>], all: &'a mut Part<'_, L>) -> Vec<Part<'a, L>> {
        let mut jobs = Vec::with_capacity(runs.len());
        let [up, down] = &mut all.cost;
        let mut costs = [&mut **up, &mut **down];
        let (mut rows, mut wide) = (&mut *all.rows, &mut *all.wide);
        let mut taken = [0; 4];
        let (mut third, mut next) = (0, 0);
        for ranks in runs {
            let all_ranks = ranks.start as usize..ranks.end as usize;
            third += (next..ranks.start)
                .filter_map(|r| self.t.narrow(r))
                .sum::<usize>();
            next = ranks.start;
            let mut part = Part {
                ranks: ranks.clone(),
                base: [0, 0],
                cost: [&mut [], &mut []],
                rows: take(&mut rows, &mut taken[2], all_ranks.clone()),
                wide: take(&mut wide, &mut taken[3], all_ranks),
                third,
            };
            for side in [UP, DOWN] {
                let first = self.t.half[side].first_out;
                let arcs = first[ranks.start as usize] as usize..first[ranks.end as usize] as usize;
                part.base[side] = arcs.start;
                part.cost[side] = take(&mut costs[side], &mut taken[side], arcs);
            }
            jobs.push(part);
        }
        jobs.sort_by_key(|part| part.ranks.len());
        jobs
    }

    /// Writes the weights of a run of input arcs, as far as they are kept here.
    fn weigh(&self, arcs: Range<usize>, part: &mut Part<'_, L>) {
        for arc in arcs {
            let slot = self.t.slot[arc];
            let side = slot as usize & 1;
            let at = (slot as usize / 2).wrapping_sub(part.base[side]);
            if let Some(cell) = part.cost[side].get_mut(at) {
                for (cost, weights) in cell.iter_mut().zip(self.weights) {
                    *cost = weights[arc].min(*cost);
                }
            }
        }
    }

    /// Finishes the arcs kept at rank `x`, and sees to the ways over it. All lower ranks are
    /// settled.
    ///
    /// Of a triangle, the lower ranks know two sides and the middle one keeps the third. Where few ways lead
    /// over a rank it looks up the third side itself; where many do, the middle rank fetches them
    /// row by row, which is dearer to begin and cheaper to go on with.
    fn settle(&self, x: u32, part: &mut Part<'_, L>, place: &mut Places) {
        if x.is_multiple_of(4096) && self.cancel.load(Ordering::Relaxed) {
            return;
        }
        self.pull(x, part, place, |_| true);
        if self.t.narrow(x).is_some() {
            part.wide[(x - part.ranks.start) as usize] = false;
            self.push(x, part);
        } else {
            self.open(x, part);
        }
    }

    /// Leaves the ways over `x` to the ranks above.
    fn open(&self, x: u32, part: &mut Part<'_, L>) {
        let at = (x - part.ranks.start) as usize;
        let [ups, downs] = [UP, DOWN].map(|side| self.t.half[side].row(x));
        part.wide[at] = true;
        part.rows[at] = [ups.start, downs.start, ups.end, downs.end].map(|arc| arc as u32);
    }

    /// Lowers the arcs kept at `x` by all ways over the wide ranks below that `over` accepts.
    fn pull(&self, x: u32, part: &mut Part<'_, L>, place: &mut Places, over: impl Fn(u32) -> bool) {
        let (first, wide, rows) = (part.ranks.start, &*part.wide, &mut *part.rows);
        let [_, down_half] = &self.t.half;
        let accepted = |low: &u32| wide[(low / 2 - first) as usize] && over(low / 2);
        let below = self.t.below(x).iter().copied().filter(accepted);
        let mut ways = below
            .map(|low| {
                let (v, side) = (low / 2, low as usize & 1);
                let row = &mut rows[(v - first) as usize];
                let arc = row[side];
                row[side] += 1;
                let (mut after, end) = (row[1 - side], row[3 - side]);
                // Of two arcs to x the one that comes down has its turn later.
                if side == UP && after < end && down_half.head[after as usize] == x {
                    after += 1;
                }
                (side, arc as usize, after as usize..end as usize)
            })
            .peekable();
        if ways.peek().is_none() {
            return;
        }
        let base = part.base;
        let [up, down] = &mut part.cost;
        let ranges = [UP, DOWN].map(|side| self.t.half[side].row(x));
        let (up, my_up) = up.split_at_mut(ranges[UP].start - base[UP]);
        let (down, my_down) = down.split_at_mut(ranges[DOWN].start - base[DOWN]);
        let mine = [
            &mut my_up[..ranges[UP].len()],
            &mut my_down[..ranges[DOWN].len()],
        ];
        self.pull_row(x, ways, [up, down], base, mine, place);
    }

    /// Lowers all arcs within the part by the ways over a narrow rank.
    fn push(&self, v: u32, part: &mut Part<'_, L>) {
        let [ups, downs] = [UP, DOWN].map(|side| self.t.half[side].row(v));
        for down in downs {
            let there = part.cost[DOWN][down - part.base[DOWN]];
            for up in ups.clone() {
                let step = part.cost[UP][up - part.base[UP]];
                let third = self.t.third[part.third];
                part.third += 1;
                let side = third as usize & 1;
                let at = (third as usize / 2).wrapping_sub(part.base[side]);
                // Those outside are fetched by the ranks that keep them.
                if let Some(cell) = part.cost[side].get_mut(at) {
                    lower(cell, &there, &step);
                }
            }
        }
    }

    /// The arcs kept at `x` are `mine`, those kept lower `cost`, from `base` on. Each of the `ways`
    /// is an arc kept lower, its side, and the arcs of the other half at the same lower rank that
    /// lead above `x`.
    fn pull_row(
        &self,
        x: u32,
        ways: impl Iterator<Item = (usize, usize, Range<usize>)>,
        cost: [&[[u32; L]]; 2],
        base: [usize; 2],
        mine: [&mut [[u32; L]]; 2],
        place: &mut Places,
    ) {
        let t = self.t;
        let heads = [UP, DOWN].map(|side| &t.half[side].head[t.half[side].row(x)]);
        for side in [UP, DOWN] {
            for (at, &y) in heads[side].iter().enumerate() {
                place[side][y as usize] = at as u32;
            }
        }
        for (side, arc, steps) in ways {
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
                    lower(cell, &there, step);
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

/// Lowers a cell to the sum of two others, lane by lane. Whole cells at once, which compilers make
/// into one instruction for all lanes.
#[inline(always)]
fn lower<const L: usize>(cell: &mut [u32; L], there: &[u32; L], step: &[u32; L]) {
    let (old, there, step) = (*cell, *there, *step);
    // Neither is above INFINITY, so the sum fits.
    let sum: [u32; L] = std::array::from_fn(|lane| there[lane] + step[lane]);
    *cell = std::array::from_fn(|lane| {
        if sum[lane] < old[lane] {
            sum[lane]
        } else {
            old[lane]
        }
    });
}

/// Takes a range out of the rest of a slice that begins at `at`.
fn take<'a, T>(rest: &mut &'a mut [T], at: &mut usize, range: Range<usize>) -> &'a mut [T] {
    let tail = std::mem::take(rest);
    let (mine, tail) = tail[range.start - *at..].split_at_mut(range.len());
    (*rest, *at) = (tail, range.end);
    mine
}

fn on_threads<T: Send>(places: &mut [T], work: impl Fn(&mut T) + Sync) {
    std::thread::scope(|scope| {
        for place in places {
            scope.spawn(|| work(place));
        }
    });
}
