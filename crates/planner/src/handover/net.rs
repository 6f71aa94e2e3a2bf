//! How far a router follows a line from a place on it: pure slices, no region.
//!
//! A *state* is an edge with what must be remembered of the way there; state `e` is edge `e`
//! without memory, edge `e ^ 1` is the same road the other way. An arc leads from the start of
//! one edge to the start of the next and costs the edge one leaves plus the turn.
//!
//! **Joined.** Two places on a line are joined for a router if the part of the line between them is
//! its only cheapest way, while the edges and turns of the line cost `1 + margin` of what they
//! cost: every other way must be dearer by the margin where it leaves the line. The weights are
//! the same for every pair of places, so this is uniqueness of cheapest paths in one metric and
//! is inherited by sub-paths: the greedy longest prefix gives the fewest points.
//!
//! At points inside the line a router either *keeps the course* of the line, or it is *free* to
//! arrive and to set out either way ([`Net::free`]). Being free is inherited only where no turn
//! costs anything or is forbidden: arriving against the line is no beginning of a way on along
//! it. So a router that counts turns keeps the course, and the free ones count none; at the ends of
//! the line all are free.
//!
//! One search from a place tells how far it is joined: Dijkstra's, whose labels remember whether
//! they came along the line and nowhere else. It ends where the line loses, so it looks at no
//! more than the surroundings of that stretch. Looking back from a place is the same search on the
//! mirrored graph.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap};
use std::sync::Mutex;

/// An edge that must not be ridden.
pub const CLOSED: u32 = u32::MAX;
/// Costs inside a search are in thousandths, so that shares and margins lose nothing.
const MILLI: u64 = 1000;
const OFF_LINE: u32 = u32::MAX;
/// A place this share of an edge before a tie counts as safe from it.
const TIE: f64 = 1e-6;
/// Thousandths that a second place may always be farther than the first: ten minutes, 6 km.
const FARTHER: u64 = 60_000 * MILLI;

/// A place on a line: the edge by its index in the line, and the share of that edge ridden.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Place {
    /// Index into the line's edges.
    pub index: usize,
    /// 0..=1 of the edge.
    pub share: f64,
}

/// Arcs in one direction of riding.
#[derive(Clone, Debug, Default)]
struct Half {
    /// [states + 1]
    first: Vec<u32>,
    head: Vec<u32>,
    /// Kind of turn, an index into [`Costs::turn`].
    kind: Vec<u8>,
}

impl Half {
    fn row(&self, state: u32) -> std::ops::Range<usize> {
        let s = state as usize;
        self.first[s] as usize..self.first[s + 1] as usize
    }
}

/// A turn graph that can be searched both ways.
#[derive(Clone, Debug, Default)]
pub struct Net {
    state_edge: Vec<u32>,
    ahead: Half,
    mirrored: Half,
    /// Further states of edges that have more than one.
    copies: HashMap<u32, Vec<u32>>,
    edges: usize,
    /// Routers on it arrive at a point, and set out from it, either way.
    pub free: bool,
}

impl Net {
    /// `state_edge` [states] begins with `edges` states that are their own edges; `first_out`
    /// [states + 1] and `head` are the turns in compressed sparse rows, `kind` the kind of each.
    pub fn new(
        edges: usize,
        state_edge: Vec<u32>,
        first_out: Vec<u32>,
        head: Vec<u32>,
        kind: Vec<u8>,
    ) -> Self {
        let states = state_edge.len();
        let mut first = vec![0u32; states + 1];
        head.iter().for_each(|&h| first[h as usize + 1] += 1);
        for s in 0..states {
            first[s + 1] += first[s];
        }
        let mut next = first.clone();
        let (mut tails, mut kinds) = (vec![0; head.len()], vec![0; head.len()]);
        for s in 0..states {
            for arc in first_out[s] as usize..first_out[s + 1] as usize {
                let slot = &mut next[head[arc] as usize];
                tails[*slot as usize] = s as u32;
                kinds[*slot as usize] = kind[arc];
                *slot += 1;
            }
        }
        let mut copies: HashMap<u32, Vec<u32>> = HashMap::new();
        for (state, &edge) in state_edge.iter().enumerate().skip(edges) {
            copies.entry(edge).or_default().push(state as u32);
        }
        Net {
            state_edge,
            ahead: Half {
                first: first_out,
                head,
                kind,
            },
            mirrored: Half {
                first,
                head: tails,
                kind: kinds,
            },
            copies,
            edges,
            free: false,
        }
    }

    /// Number of edges, both directions counted.
    pub fn edge_count(&self) -> usize {
        self.edges
    }

    /// The state of an edge without memory, and those with it.
    fn states(&self, edge: u32) -> impl Iterator<Item = u32> {
        let copies = self.copies.get(&edge).map_or(&[][..], Vec::as_slice);
        std::iter::once(edge).chain(copies.iter().copied())
    }
}

/// What a router pays.
#[derive(Clone, Debug)]
pub struct Costs {
    /// [edges] From end to end; [`CLOSED`] where it does not ride. At least 1.
    pub edge: Vec<u32>,
    /// By kind of turn: what the turn costs, to be scaled by a margin ...
    pub turn: Vec<u32>,
    /// ... and what it costs to enter a road one may not pass through, which is not.
    pub entry: Vec<u32>,
}

/// A line over edges, between two places that stay where they are.
#[derive(Clone, Debug)]
pub struct Span {
    /// Edges in riding order, at least one.
    pub edges: Vec<u32>,
    /// The same as the mirrored graph rides it.
    mirrored: Vec<u32>,
    /// Share of the first edge before the start.
    pub from: f64,
    /// Share of the last edge before the end.
    pub to: f64,
    /// A bit an edge.
    on_line: Vec<u64>,
}

impl Span {
    /// A line from a share of its first edge to a share of its last one; `None` without edges.
    pub fn new(edges: Vec<u32>, from: f64, to: f64) -> Option<Self> {
        if edges.is_empty() {
            return None;
        }
        let mut mirrored = edges.clone();
        mirrored.reverse();
        let highest = edges.iter().copied().max().unwrap_or(0) as usize;
        let mut on_line = vec![0u64; highest / 64 + 1];
        for &edge in &edges {
            on_line[edge as usize / 64] |= 1 << (edge % 64);
        }
        Some(Span {
            on_line,
            mirrored,
            edges,
            from,
            to,
        })
    }

    /// Where it begins.
    pub fn start(&self) -> Place {
        Place {
            index: 0,
            share: self.from,
        }
    }

    /// Where it ends.
    pub fn end(&self) -> Place {
        Place {
            index: self.edges.len() - 1,
            share: self.to,
        }
    }

    fn holds(&self, edge: u32) -> bool {
        let word = self.on_line.get(edge as usize / 64).copied().unwrap_or(0);
        word >> (edge % 64) & 1 == 1
    }

    fn mirror(&self, place: Place) -> Place {
        Place {
            index: self.edges.len() - 1 - place.index,
            share: 1.0 - place.share,
        }
    }
}

/// A cheapest way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Way {
    /// Thousandths of a cost.
    pub cost: u64,
    /// Which of the places it sets out from.
    pub source: usize,
    /// Edges, the first and the last ridden in part.
    pub edges: Vec<u32>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Label {
    search: u32,
    /// Index on the line if the way here is the line and nothing else.
    line: u32,
    cost: u64,
    before: u32,
}

/// Scratch memory of searches on one net.
#[derive(Debug, Default)]
pub struct Search {
    labels: Vec<Label>,
    now: u32,
    heap: BinaryHeap<Reverse<(u64, u32)>>,
    /// States settled since it was made: the work done.
    pub settled: u64,
}

/// Scratch memory lent to one question after another: clearing it for every tour would cost more than
/// the searches of a short one.
#[derive(Debug, Default)]
pub struct Searches(Mutex<Vec<Search>>);

impl Searches {
    /// Scratch memory until it is dropped.
    pub fn lend(&self) -> Lent<'_> {
        let search = crate::lock(&self.0).pop().unwrap_or_default();
        Lent { search, to: self }
    }
}

/// Scratch memory that goes back where it came from.
#[derive(Debug)]
pub struct Lent<'a> {
    search: Search,
    to: &'a Searches,
}

impl std::ops::Deref for Lent<'_> {
    type Target = Search;
    fn deref(&self) -> &Search {
        &self.search
    }
}

impl std::ops::DerefMut for Lent<'_> {
    fn deref_mut(&mut self) -> &mut Search {
        &mut self.search
    }
}

impl Drop for Lent<'_> {
    fn drop(&mut self) {
        crate::lock(&self.to.0).push(std::mem::take(&mut self.search));
    }
}

/// The weights in force while a line is looked at.
struct Scale<'a> {
    costs: &'a Costs,
    span: &'a Span,
    margin: u64,
}

/// In which ways a search may set out and arrive.
#[derive(Clone, Copy)]
struct Free {
    leaving: bool,
    arriving: bool,
    at_end: bool,
}

impl Scale<'_> {
    fn span_end(&self, mirrored: bool) -> Place {
        match mirrored {
            true => self.span.mirror(self.span.start()),
            false => self.span.end(),
        }
    }
    fn edge(&self, edge: u32) -> Option<u64> {
        let cost = self.costs.edge[edge as usize];
        let factor = match self.span.holds(edge) {
            true => MILLI + self.margin,
            false => MILLI,
        };
        (cost != CLOSED).then(|| u64::from(cost) * factor)
    }
    fn turn(&self, kind: u8, from: u32, to: u32) -> u64 {
        let turn = u64::from(self.costs.turn[kind as usize]);
        let entry = u64::from(self.costs.entry[kind as usize]) * MILLI;
        if turn > 0 && self.span.holds(from) && self.span.holds(to) {
            turn * (MILLI + self.margin) + entry
        } else {
            turn * MILLI + entry
        }
    }
}

impl Search {
    fn start(&mut self, states: usize) {
        self.heap.clear();
        if self.labels.len() != states || self.now == u32::MAX {
            self.labels.clear();
            self.labels.resize(states, Label::default());
            self.now = 0;
        }
        self.now += 1;
    }

    fn label(&self, state: u32) -> Option<&Label> {
        let label = &self.labels[state as usize];
        (label.search == self.now).then_some(label)
    }

    /// Lowers a label. Of equal ways the one off the line counts.
    fn offer(&mut self, state: u32, cost: u64, line: u32, before: u32) {
        let now = self.now;
        let label = &mut self.labels[state as usize];
        if label.search == now && label.cost <= cost {
            if label.cost == cost && line == OFF_LINE {
                label.line = OFF_LINE;
            }
            return;
        }
        *label = Label {
            search: now,
            line,
            cost,
            before,
        };
        self.heap.push(Reverse((cost, state)));
    }

    /// The farthest place, `limit` at most, that `from` is joined to, looking ahead.
    pub fn ahead(
        &mut self,
        net: &Net,
        costs: &Costs,
        span: &Span,
        margin_permille: u32,
        from: Place,
        limit: Place,
    ) -> Place {
        let edges = &span.edges;
        let scale = Scale {
            costs,
            span,
            margin: u64::from(margin_permille),
        };
        self.reach(net, &net.ahead, &scale, edges, false, from, limit)
    }

    /// The farthest place back, `limit` at most, from which `to` is joined.
    pub fn back(
        &mut self,
        net: &Net,
        costs: &Costs,
        span: &Span,
        margin_permille: u32,
        to: Place,
        limit: Place,
    ) -> Place {
        let edges = &span.mirrored;
        let scale = Scale {
            costs,
            span,
            margin: u64::from(margin_permille),
        };
        let (from, most) = (span.mirror(to), span.mirror(limit));
        let found = self.reach(net, &net.mirrored, &scale, edges, true, from, most);
        // Mirrored twice, a share may come back another by a bit.
        if found == most {
            limit
        } else {
            span.mirror(found)
        }
    }

    #[expect(clippy::too_many_arguments, reason = "one search, two directions")]
    fn reach(
        &mut self,
        net: &Net,
        half: &Half,
        scale: &Scale,
        line: &[u32],
        mirrored: bool,
        from: Place,
        limit: Place,
    ) -> Place {
        self.start(net.state_edge.len());
        let first = line[from.index];
        let (Some(first_cost), reverse_cost) = (scale.edge(first), scale.edge(first ^ 1)) else {
            return from;
        };
        // One sets out without memory, and may arrive with any: mirrored, the other way round.
        let leaving = |edge: u32| net.states(edge).take(if mirrored { usize::MAX } else { 1 });
        let end = scale.span_end(mirrored);
        let start = match mirrored {
            true => scale.span.mirror(scale.span.end()),
            false => scale.span.start(),
        };
        let free = Free {
            leaving: net.free || from == start,
            arriving: net.free,
            // At the very end one may arrive either way.
            at_end: limit == end && from != end,
        };
        let part = |cost: u64, share: f64| (cost as f64 * share) as i64;

        let (mut current, mut current_cost) = (from.index, -part(first_cost, from.share));
        let mut next_cost: Option<u64> = None;
        let rest = (first_cost as i64 + current_cost).max(0) as u64;
        for state in leaving(first) {
            for arc in half.row(state) {
                let head = half.head[arc];
                let edge = net.state_edge[head as usize];
                let cost = rest + scale.turn(half.kind[arc], first, edge);
                let on = line.get(from.index + 1) == Some(&edge);
                if on {
                    next_cost = Some(next_cost.map_or(cost, |c| c.min(cost)));
                }
                let flag = if on { from.index as u32 + 1 } else { OFF_LINE };
                self.offer(head, cost, flag, OFF_LINE);
            }
        }
        // At the tip of an out-and-back, setting out the other way is the line itself.
        let at_tip = from.share >= 1.0 && line.get(from.index + 1) == Some(&(first ^ 1));
        if let Some(whole) = reverse_cost.filter(|_| free.leaving && !at_tip) {
            let rest = part(whole, from.share) as u64;
            for state in leaving(first ^ 1) {
                for arc in half.row(state) {
                    let head = half.head[arc];
                    let edge = net.state_edge[head as usize];
                    if edge == first {
                        continue;
                    }
                    let cost = rest + scale.turn(half.kind[arc], first ^ 1, edge);
                    self.offer(head, cost, OFF_LINE, OFF_LINE);
                }
            }
        }

        let mut blocked = false;
        let mut looked_at = false;
        loop {
            let popped = self.heap.pop().map(|Reverse(top)| top);
            let radius = popped.map_or(u64::MAX, |(cost, _)| cost);
            let Some(edge_cost) = scale.edge(line[current]) else {
                return Place {
                    index: current,
                    share: 0.0,
                };
            };
            let is_limit = current == limit.index;
            let most = if is_limit { limit.share } else { 1.0 };
            let end_cost = current_cost + part(edge_cost, most);
            if !looked_at && i128::from(radius) >= i128::from(end_cost) {
                let share = self.lost_at(
                    net,
                    scale,
                    line,
                    from,
                    (first_cost, reverse_cost),
                    (current, current_cost, edge_cost),
                    mirrored,
                    (is_limit, free),
                );
                if share < 0.0 && current > from.index {
                    return Place {
                        index: current - 1,
                        share: 1.0,
                    };
                }
                if is_limit || share < 1.0 {
                    let share = share.min(most);
                    // Never behind where one set out.
                    let least = if current == from.index {
                        from.share
                    } else {
                        0.0
                    };
                    return Place {
                        index: current,
                        share: share.max(least),
                    };
                }
                looked_at = true;
            }
            let end = Place {
                index: current,
                share: 1.0,
            };
            if looked_at && (blocked || next_cost.is_none_or(|c| radius > c)) {
                return end;
            }
            let Some((cost, state)) = popped else {
                return end;
            };
            let Some(&label) = self.label(state).filter(|l| l.cost == cost) else {
                continue;
            };
            self.settled += 1;
            let edge = net.state_edge[state as usize];
            let mut here = label.line;
            if line.get(current + 1) == Some(&edge) && !blocked {
                let memory = mirrored && state != edge;
                if here == current as u32 + 1 && looked_at && !memory {
                    let rival = |s: u32| {
                        self.label(s)
                            .is_some_and(|l| l.cost <= cost && l.line == OFF_LINE)
                    };
                    if net.states(edge).any(|s| s != state && rival(s)) {
                        return end;
                    }
                    (current, current_cost) = (current + 1, cost as i64);
                    looked_at = false;
                    // Mirrored, a state with memory may have been settled before.
                    let ahead = line.get(current + 1).into_iter();
                    let labels = ahead.flat_map(|&e| net.states(e));
                    let labels = labels.filter_map(|s| self.label(s));
                    let on_line = labels.filter(|l| l.line as usize == current + 1);
                    next_cost = on_line.map(|l| l.cost).min();
                } else if here != current as u32 + 1 && !memory {
                    blocked = true;
                }
            }
            let with_memory = mirrored && state != edge && here as usize == current + 1;
            if here as usize != current && !with_memory {
                here = OFF_LINE;
            }
            let Some(whole) = scale.edge(edge) else {
                continue;
            };
            for arc in half.row(state) {
                let head = half.head[arc];
                let to = net.state_edge[head as usize];
                let cost = cost + whole + scale.turn(half.kind[arc], edge, to);
                let on = here != OFF_LINE && line.get(here as usize + 1) == Some(&to);
                if on && here as usize == current {
                    next_cost = Some(next_cost.map_or(cost, |c| c.min(cost)));
                }
                let flag = if on { here + 1 } else { OFF_LINE };
                self.offer(head, cost, flag, state);
            }
        }
    }

    /// The cheapest way from any of `from` to each of `to`, places on edges as `(edge, share)`.
    pub fn cheapest(
        &mut self,
        net: &Net,
        costs: &Costs,
        from: &[(u32, f64)],
        to: &[(u32, f64)],
    ) -> Vec<Option<Way>> {
        self.start(net.state_edge.len());
        let whole = |edge: u32| match costs.edge[edge as usize] {
            CLOSED => None,
            cost => Some(u64::from(cost) * MILLI),
        };
        let turn = |kind: u8| {
            let kind = kind as usize;
            (u64::from(costs.turn[kind]) + u64::from(costs.entry[kind])) * MILLI
        };
        let part = |cost: u64, share: f64| (cost as f64 * share) as u64;
        for (source, &(edge, share)) in from.iter().enumerate() {
            let Some(rest) = whole(edge).map(|w| part(w, 1.0 - share)) else {
                continue;
            };
            for arc in net.ahead.row(edge) {
                let cost = rest + turn(net.ahead.kind[arc]);
                self.offer(net.ahead.head[arc], cost, source as u32, OFF_LINE);
            }
        }
        // Straight along one edge.
        let mut best: Vec<Option<(u64, u32)>> = to
            .iter()
            .map(|&(edge, share)| {
                let along = from
                    .iter()
                    .enumerate()
                    .filter(|(_, f)| f.0 == edge && f.1 <= share);
                let cost = |f: &(u32, f64)| whole(edge).map(|w| part(w, share - f.1));
                along.filter_map(|(s, f)| Some((cost(f)?, s as u32))).min()
            })
            .collect();
        let straight = best.clone();
        let mut ends: Vec<Option<u32>> = vec![None; to.len()];
        let mut wanted: HashMap<u32, Vec<usize>> = HashMap::new();
        for (target, &(edge, _)) in to.iter().enumerate() {
            if whole(edge).is_some() {
                net.states(edge)
                    .for_each(|s| wanted.entry(s).or_default().push(target));
            }
        }
        while let Some(Reverse((cost, state))) = self.heap.pop() {
            // Places much farther than the nearest are not worth looking for.
            let found = best.iter().flatten().map(|b| b.0);
            let enough = found.clone().min().map_or(u64::MAX, |b| 4 * b + FARTHER);
            let open = to.iter().zip(&best).filter(|(t, _)| whole(t.0).is_some());
            let most = open.map(|(_, b)| b.map_or(u64::MAX, |b| b.0)).max();
            if most.is_none_or(|r| cost >= r.min(enough)) {
                break;
            }
            let Some(&label) = self.label(state).filter(|l| l.cost == cost) else {
                continue;
            };
            self.settled += 1;
            let edge = net.state_edge[state as usize];
            for &target in wanted.get(&state).into_iter().flatten() {
                let Some(last) = whole(edge).map(|w| part(w, to[target].1)) else {
                    continue;
                };
                if best[target].is_none_or(|b| cost + last < b.0) {
                    best[target] = Some((cost + last, label.line));
                    ends[target] = Some(state);
                }
            }
            let Some(whole) = whole(edge) else { continue };
            for arc in net.ahead.row(state) {
                let cost = cost + whole + turn(net.ahead.kind[arc]);
                self.offer(net.ahead.head[arc], cost, label.line, state);
            }
        }
        let mut ways = Vec::with_capacity(to.len());
        for (target, best) in best.iter().enumerate() {
            ways.push(best.map(|(cost, source)| {
                let mut edges = Vec::new();
                let mut state = match straight[target] == Some((cost, source)) {
                    true => None,
                    false => ends[target],
                };
                while let Some(label) = state.and_then(|s| self.label(s)) {
                    edges.extend(state.map(|s| net.state_edge[s as usize]));
                    state = (label.before != OFF_LINE).then_some(label.before);
                }
                edges.push(from[source as usize].0);
                edges.reverse();
                Way {
                    cost,
                    source: source as usize,
                    edges,
                }
            }));
        }
        ways
    }

    /// Share of the current edge from which on arriving the other way is as cheap; 1 or more if
    /// nowhere.
    #[expect(clippy::too_many_arguments, reason = "the state of one search")]
    fn lost_at(
        &self,
        net: &Net,
        scale: &Scale,
        line: &[u32],
        from: Place,
        (first_cost, reverse_cost): (u64, Option<u64>),
        (current, current_cost, edge_cost): (usize, i64, u64),
        mirrored: bool,
        (is_limit, free): (bool, Free),
    ) -> f64 {
        let (edge, first) = (line[current], line[from.index]);
        let mut most = f64::INFINITY;
        let mut other = i128::MAX;
        let arrivals = net
            .states(edge ^ 1)
            .take(if mirrored { 1 } else { usize::MAX });
        // Riding past and turning round at the end of the road is no other way of arriving.
        let comes_back = |l: &Label| match l.before {
            OFF_LINE => current == from.index,
            before => net.state_edge[before as usize] == edge,
        };
        for label in arrivals.filter_map(|s| self.label(s)) {
            if comes_back(label) {
                continue;
            }
            other = other.min(i128::from(label.cost));
        }
        // From the tip of an out-and-back, the way back is the line.
        let at_tip = current == from.index + 1 && from.share >= 1.0 && edge == first ^ 1;
        if current != from.index && !at_tip {
            // Back on the road one set out on: straight there, either way.
            if edge == first ^ 1 {
                if free.leaving {
                    most = 1.0 - from.share - TIE;
                }
                other = other.min(-((first_cost as f64 * from.share) as i128));
            } else if edge == first {
                most = from.share - TIE;
                if let Some(whole) = reverse_cost.filter(|_| free.leaving) {
                    other = other.min(-((whole as f64 * (1.0 - from.share)) as i128));
                }
            }
        }
        if let Some(whole) = scale.edge(edge ^ 1)
            && other < i128::MAX
        {
            let share = (other as f64 + whole as f64 - current_cost as f64)
                / (edge_cost as f64 + whole as f64);
            // Just before the tie.
            let share = share - TIE;
            let end = scale.span_end(mirrored).share;
            if free.arriving {
                most = most.min(share);
            } else if is_limit && free.at_end && share < end {
                most = most.min(end - TIE);
            }
        }
        most
    }
}
