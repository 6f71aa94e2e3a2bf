//! A walk on a graph that uses nothing twice and gathers the most score.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use super::Chance;
use crate::{End, INFINITY};

/// A graph with costs and scores. On a turn graph a node is a road in one direction, an arc a turn
/// from one into another.
#[derive(Clone, Copy, Debug)]
pub struct Ground<'a> {
    /// [n + 1] arcs of each node.
    pub first_out: &'a [u32],
    /// [m] where each arc leads.
    pub head: &'a [u32],
    /// [m] cost of each arc; [`INFINITY`] closes it.
    pub cost: &'a [u32],
    /// [m] score lost by taking an arc: a turn that spoils the ride.
    pub malus: &'a [u32],
    /// [n] score of being at a node; may be negative.
    pub gain: &'a [i32],
    /// [n] of the nodes of a group a trail uses at most one, once; [`INFINITY`] may be used at
    /// will, and then gains nothing.
    pub group: &'a [u32],
}

/// What to find, and how long to try.
#[derive(Clone, Copy, Debug)]
pub struct Task<'a> {
    /// Where a trail may begin, and what it costs to be there.
    pub sources: &'a [End],
    /// Where it may end, and what remains to be paid there.
    pub targets: &'a [End],
    /// Most that it may cost.
    pub budget: u32,
    /// Nodes to settle before the best so far is the answer.
    pub effort: u64,
    /// Of chance.
    pub seed: u64,
}

/// A walk, from one of the sources to one of the targets.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trail {
    /// Nodes in order, at least one.
    pub nodes: Vec<u32>,
    /// Cost of source, arcs and target together.
    pub cost: u64,
    /// Gains less losses.
    pub score: i64,
}

/// Finds trails on one ground; scratch memory is reused.
///
/// Each step cuts a part out of the trail and grows two trees of shortest paths into the gap, one
/// from each side, over what the rest of the trail leaves free and under weights changed by chance.
/// Every node both trees reach is a via for a new part; one that gives much and keeps the budget is
/// taken. (A variable neighbourhood after Verbeeck, Vansteenwegen, Aghezzaf, TR-E 68, 2014, with
/// via nodes in the place of single arcs.)
pub struct Trails<'a> {
    ground: Ground<'a>,
    first_in: Vec<u32>,
    in_tail: Vec<u32>,
    in_arc: Vec<u32>,
    /// Ahead, back, and another way back.
    trees: [Tree; 3],
    used: Vec<u32>,
    stamp: u32,
    /// Nodes settled so far, all searches together.
    settled: u64,
}

/// Trees.
const AHEAD: usize = 0;
const BACK: usize = 1;
const AGAIN: usize = 2;
/// Vias tried in a step before another part is cut out.
const TRIES: u32 = 4;
/// Least weight of a unit of cost, however much it gains; 256 where it gains nothing.
const FLOOR: u64 = 24;

#[derive(Clone, Copy, Debug)]
struct Label {
    weight: u64,
    cost: u32,
    score: i32,
    /// Arc by which the tree reached the node; [`INFINITY`] at its root.
    arc: u32,
}

const UNREACHED: Label = Label {
    weight: u64::MAX,
    cost: INFINITY,
    score: 0,
    arc: INFINITY,
};

#[derive(Debug, Default)]
struct Tree {
    labels: Vec<Label>,
    touched: Vec<u32>,
    done: Vec<bool>,
    heap: BinaryHeap<Reverse<(u64, u32)>>,
}

/// Weights of one step.
struct Mood {
    /// Cost that a unit of score is worth, in 1/256.
    per_score: u64,
    /// Mixed into the chance of each group.
    salt: u64,
    /// How far chance changes a weight, 0..=64 of 64.
    spread: u64,
}

impl Mood {
    fn weight(&self, ground: &Ground, arc: usize, entered: u32) -> u64 {
        let group = ground.group[entered as usize];
        let luck = Chance(u64::from(group) ^ self.salt).next() % 64;
        let cost = u64::from(ground.cost[arc]);
        let raised = cost * (64 + luck * self.spread / 64) * 4 + 1;
        let gain = i64::from(ground.gain[entered as usize]) - i64::from(ground.malus[arc]);
        let bonus = gain.unsigned_abs() * self.per_score;
        if gain >= 0 {
            raised.saturating_sub(bonus).max(cost * FLOOR + 1)
        } else {
            raised + bonus
        }
    }
}

impl<'a> Trails<'a> {
    /// Prepares a ground; `None` if its columns do not fit together.
    pub fn new(ground: Ground<'a>) -> Option<Self> {
        let n = ground.gain.len();
        let m = ground.head.len();
        let fits = ground.first_out.len() == n + 1
            && ground.group.len() == n
            && ground.cost.len() == m
            && ground.malus.len() == m
            && ground.first_out.first() == Some(&0)
            && ground.first_out.last() == Some(&(m as u32))
            && ground.first_out.is_sorted()
            && ground.head.iter().all(|&h| (h as usize) < n);
        if !fits {
            return None;
        }
        let mut first_in = vec![0u32; n + 1];
        ground
            .head
            .iter()
            .for_each(|&h| first_in[h as usize + 1] += 1);
        for v in 0..n {
            first_in[v + 1] += first_in[v];
        }
        let mut next = first_in.clone();
        let (mut in_tail, mut in_arc) = (vec![0; m], vec![0; m]);
        for v in 0..n {
            for arc in ground.first_out[v]..ground.first_out[v + 1] {
                let slot = &mut next[ground.head[arc as usize] as usize];
                (in_tail[*slot as usize], in_arc[*slot as usize]) = (v as u32, arc);
                *slot += 1;
            }
        }
        let groups = ground.group.iter().filter(|&&g| g != INFINITY).max();
        let tree = || Tree {
            labels: vec![UNREACHED; n],
            done: vec![false; n],
            ..Tree::default()
        };
        Some(Trails {
            first_in,
            in_tail,
            in_arc,
            trees: [tree(), tree(), tree()],
            used: vec![0; groups.map_or(0, |&g| g as usize + 1)],
            stamp: 0,
            settled: 0,
            ground,
        })
    }

    /// The best trail found from a source to a target within the budget; `None` if none was found.
    /// Starts from `first` if that is such a trail. Ends early with the best so far when `go_on`,
    /// told the share done, says no. Deterministic.
    pub fn best(
        &mut self,
        task: &Task,
        first: Option<&[u32]>,
        go_on: &mut dyn FnMut(f32) -> bool,
    ) -> Option<Trail> {
        let Task { budget, effort, .. } = *task;
        let inside = |ends: &[End]| -> Vec<End> {
            let n = self.ground.gain.len();
            let good = |e: &&End| (e.0 as usize) < n && e.1 != INFINITY;
            ends.iter().filter(good).copied().collect()
        };
        let (sources, targets) = (inside(task.sources), inside(task.targets));
        let mut chance = Chance(task.seed);
        let mut current = first
            .and_then(|nodes| self.measure(nodes, &sources, &targets))
            .filter(|t| t.cost <= u64::from(budget));
        let task = Task {
            sources: &sources,
            targets: &targets,
            ..*task
        };
        let mut best = current.clone();
        let (start, mut idle, mut steps) = (self.settled, 0u32, 0u64);
        while self.settled - start < effort && steps < effort {
            let done = (self.settled - start) as f32 / effort.max(1) as f32;
            if steps.is_multiple_of(16) && !go_on(done.min(1.0)) {
                break;
            }
            steps += 1;
            // A step that settles nothing still counts, so that the loop ends.
            self.settled += 1;
            let nodes = current.as_ref().map_or(&[][..], |t| &t.nodes);
            let Some(next) = self.step(nodes, &task, &mut chance) else {
                idle += 1;
                continue;
            };
            let better = |a: &Trail, b: &Option<Trail>| {
                b.as_ref()
                    .is_none_or(|b| (a.score, Reverse(a.cost)) > (b.score, Reverse(b.cost)))
            };
            if better(&next, &best) {
                best = Some(next.clone());
                idle = 0;
            } else {
                idle += 1;
            }
            let top = best.as_ref().map_or(0, |b| b.score.abs());
            let slack = (0.10 * f64::from(1.0 - done) * chance.share() * top as f64) as i64;
            if current
                .as_ref()
                .is_none_or(|c| next.score + slack >= c.score)
            {
                current = Some(next);
            }
            if idle > 60 {
                idle = 0;
                // Now and then from the beginning, else from the best.
                current = match chance.below(3) {
                    0 => None,
                    _ => best.clone(),
                };
            }
        }
        best
    }

    /// What a walk costs and gives; `None` if it is none, or uses a group twice.
    pub fn measure(&mut self, nodes: &[u32], sources: &[End], targets: &[End]) -> Option<Trail> {
        let end = |ends: &[End], node: u32| {
            let costs = ends.iter().filter(|e| e.0 == node).map(|e| e.1);
            costs.min()
        };
        let (&first, &last) = (nodes.first()?, nodes.last()?);
        let mut cost = u64::from(end(sources, first)?) + u64::from(end(targets, last)?);
        let mut score = self.gain(first);
        self.stamp += 1;
        if nodes.iter().any(|&v| v as usize >= self.ground.gain.len()) {
            return None;
        }
        for (i, &v) in nodes.iter().enumerate() {
            if !self.take(v) {
                return None;
            }
            if i > 0 {
                let arc = self.arc(nodes[i - 1], v)?;
                cost += u64::from(self.ground.cost[arc]);
                score += self.gain(v) - i64::from(self.ground.malus[arc]);
            }
        }
        Some(Trail {
            nodes: nodes.to_vec(),
            cost,
            score,
        })
    }

    fn gain(&self, node: u32) -> i64 {
        i64::from(self.ground.gain[node as usize])
    }

    /// The cheapest arc between two nodes.
    fn arc(&self, from: u32, to: u32) -> Option<usize> {
        let row = self.ground.first_out[from as usize]..self.ground.first_out[from as usize + 1];
        row.map(|a| a as usize)
            .filter(|&a| self.ground.head[a] == to && self.ground.cost[a] != INFINITY)
            .min_by_key(|&a| self.ground.cost[a])
    }

    /// Marks a node's group as used; false if it was.
    fn take(&mut self, node: u32) -> bool {
        let group = self.ground.group[node as usize];
        if group == INFINITY {
            return true;
        }
        let mark = &mut self.used[group as usize];
        let free = *mark != self.stamp;
        *mark = self.stamp;
        free
    }

    fn is_free(&self, node: u32) -> bool {
        let group = self.ground.group[node as usize];
        group == INFINITY || self.used[group as usize] != self.stamp
    }

    /// One change by chance; `None` if it led to nothing.
    fn step(&mut self, walk: &[u32], task: &Task, chance: &mut Chance) -> Option<Trail> {
        let Task {
            sources,
            targets,
            budget,
            ..
        } = *task;
        let n = walk.len();
        // Keep walk[..p] and walk[q..].
        let span = match chance.below(4) {
            0 => chance.below(n + 1),
            1 => chance.below(n / 2 + 1),
            2 => chance.below(n / 4 + 2).min(n),
            _ => chance.below(3).min(n),
        };
        let p = chance.below(n - span + 1);
        let q = p + span;
        let roots = if p == 0 {
            sources.to_vec()
        } else {
            vec![(walk[p - 1], 0)]
        };
        let goals = if q == n {
            targets.to_vec()
        } else {
            vec![(walk[q], 0)]
        };
        let kept = self.kept_cost(walk, p, q, sources, targets)?;
        let allowed = u64::from(budget)
            .checked_sub(kept)?
            .min(u64::from(INFINITY - 1)) as u32;
        let mood = Mood {
            per_score: self.rate(budget, chance),
            salt: chance.next(),
            spread: [0, 16, 64][chance.below(3)],
        };
        // The nodes beside the gap belong to the walk: trees may begin and end there, no more.
        let (before, after) = (p > 0, q < n);
        self.mark(walk, p, q);
        self.grow(
            AHEAD,
            &roots,
            allowed,
            &mood,
            before,
            if after { &goals } else { &[] },
        );
        self.grow(
            BACK,
            &goals,
            allowed,
            &mood,
            after,
            if before { &roots } else { &[] },
        );
        for _ in 0..TRIES {
            let via = self.choose(allowed, chance)?;
            let (mut part, back) = (self.path(AHEAD, via), self.path(BACK, via));
            let to_via = part.len();
            part.extend(&back[1..]);
            let inner = usize::from(before)..part.len() - usize::from(after);
            self.mark(walk, p, q);
            if !part[inner].iter().all(|&v| self.take(v)) {
                // Out and back by the same road: look for another way back.
                part.truncate(to_via);
                self.mark(walk, p, q);
                let first = usize::from(before);
                if !part.iter().skip(first).all(|&v| self.take(v)) {
                    self.trees[AHEAD].labels[via as usize].cost = INFINITY;
                    continue;
                }
                let rest = allowed - self.trees[AHEAD].labels[via as usize].cost;
                self.grow(AGAIN, &[(via, 0)], rest, &mood, true, &goals);
                let reached = |g: &&End| self.trees[AGAIN].labels[g.0 as usize].arc != INFINITY;
                let nearest = goals
                    .iter()
                    .filter(reached)
                    .min_by_key(|g| (self.trees[AGAIN].labels[g.0 as usize].weight, g.0));
                let Some(nearest) = nearest else {
                    self.trees[AHEAD].labels[via as usize].cost = INFINITY;
                    continue;
                };
                part.extend(self.path(AGAIN, nearest.0).into_iter().skip(1));
            }
            let mut nodes = Vec::with_capacity(p + part.len() + n - q);
            nodes.extend(&walk[..p.saturating_sub(1)]);
            nodes.extend(&part);
            nodes.extend(&walk[(q + 1).min(n)..]);
            let trail = self.measure(&nodes, sources, targets);
            return trail.filter(|t| t.cost <= u64::from(budget));
        }
        None
    }

    /// How much cost a unit of score may be worth: around what a budget holds.
    fn rate(&self, budget: u32, chance: &mut Chance) -> u64 {
        let sum: i64 = self.ground.gain.iter().map(|&g| i64::from(g.max(0))).sum();
        let per = f64::from(budget) * 256.0 / sum.max(1) as f64;
        let factor = [0.0, 0.5, 1.5, 4.0][chance.below(4)];
        (per * factor * (0.5 + chance.share())) as u64
    }

    fn mark(&mut self, walk: &[u32], p: usize, q: usize) {
        self.stamp += 1;
        for &v in walk[..p].iter().chain(&walk[q..]) {
            self.take(v);
        }
    }

    /// Cost of what stays of a walk, gap excluded.
    fn kept_cost(
        &self,
        walk: &[u32],
        p: usize,
        q: usize,
        sources: &[End],
        targets: &[End],
    ) -> Option<u64> {
        let end = |ends: &[End], node: u32| {
            let costs = ends.iter().filter(|e| e.0 == node).map(|e| e.1);
            costs.min().map(u64::from)
        };
        let arcs = |part: &[u32]| -> Option<u64> {
            part.windows(2)
                .map(|w| self.arc(w[0], w[1]).map(|a| u64::from(self.ground.cost[a])))
                .sum()
        };
        let mut cost = arcs(&walk[..p])? + arcs(&walk[q..])?;
        if p > 0 {
            cost += end(sources, walk[0])?;
        }
        if q < walk.len() {
            cost += end(targets, *walk.last()?)?;
        }
        Some(cost)
    }

    /// A tree of shortest paths by the weights of a mood, over unmarked nodes and no farther than
    /// `allowed` in cost; forward, or on side [`BACK`] backward. Nodes of `ends` may be marked and are not
    /// left; neither need `marked_roots` be free.
    fn grow(
        &mut self,
        side: usize,
        roots: &[End],
        allowed: u32,
        mood: &Mood,
        marked_roots: bool,
        ends: &[End],
    ) {
        let mut tree = std::mem::take(&mut self.trees[side]);
        for &v in &tree.touched {
            tree.labels[v as usize] = UNREACHED;
            tree.done[v as usize] = false;
        }
        tree.touched.clear();
        tree.heap.clear();
        let ground = self.ground;
        for &(root, cost) in roots {
            if cost > allowed || (!marked_roots && !self.is_free(root)) {
                continue;
            }
            let weight = u64::from(cost) * FLOOR;
            let label = &mut tree.labels[root as usize];
            if weight < label.weight {
                let known = if marked_roots || side == BACK {
                    0
                } else {
                    ground.gain[root as usize]
                };
                *label = Label {
                    weight,
                    cost,
                    score: known,
                    arc: INFINITY,
                };
                tree.touched.push(root);
                tree.heap.push(Reverse((weight, root)));
            }
        }
        while let Some(Reverse((weight, v))) = tree.heap.pop() {
            let here = tree.labels[v as usize];
            if weight != here.weight || tree.done[v as usize] {
                continue;
            }
            tree.done[v as usize] = true;
            self.settled += 1;
            let is_end = |v: u32| ends.iter().any(|e| e.0 == v);
            if here.arc != INFINITY && is_end(v) {
                continue;
            }
            let row = match side {
                BACK => self.first_in[v as usize]..self.first_in[v as usize + 1],
                _ => ground.first_out[v as usize]..ground.first_out[v as usize + 1],
            };
            for i in row {
                let (arc, w) = match side {
                    BACK => (self.in_arc[i as usize] as usize, self.in_tail[i as usize]),
                    _ => (i as usize, ground.head[i as usize]),
                };
                if ground.cost[arc] == INFINITY || tree.done[w as usize] {
                    continue;
                }
                if !self.is_free(w) && !is_end(w) {
                    continue;
                }
                let cost = here.cost.saturating_add(ground.cost[arc]);
                if cost > allowed {
                    continue;
                }
                let entered = if side == BACK { v } else { w };
                let weight = weight + mood.weight(&ground, arc, entered);
                let label = &mut tree.labels[w as usize];
                if weight < label.weight {
                    let gain = ground.gain[entered as usize] - ground.malus[arc] as i32;
                    *label = Label {
                        weight,
                        cost,
                        score: here.score.saturating_add(gain),
                        arc: arc as u32,
                    };
                    tree.touched.push(w);
                    tree.heap.push(Reverse((weight, w)));
                }
            }
        }
        self.trees[side] = tree;
    }

    /// A node both trees reach within the allowed cost, by chance among those that give much.
    fn choose(&self, allowed: u32, chance: &mut Chance) -> Option<u32> {
        let [ahead, back, _] = &self.trees;
        let both = || {
            ahead.touched.iter().filter_map(|&v| {
                let (f, b) = (&ahead.labels[v as usize], &back.labels[v as usize]);
                let within = f.cost.saturating_add(b.cost) <= allowed && b.cost != INFINITY;
                within.then(|| (v, i64::from(f.score) + i64::from(b.score)))
            })
        };
        let (low, high) = both().fold((i64::MAX, i64::MIN), |(l, h), (_, s)| (l.min(s), h.max(s)));
        let spread = high.saturating_sub(low).max(1) as f64;
        let whim = [0.05, 0.4, 1.5, 9.0][chance.below(4)];
        both()
            .map(|(v, s)| {
                let worth = s.saturating_sub(low) as f64 / spread;
                (worth + whim * chance.share(), v)
            })
            .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)))
            .map(|(_, v)| v)
    }

    /// The nodes between the root of a tree and `v`: from root to `v` forward, from `v` to the root
    /// backward.
    fn path(&self, side: usize, v: u32) -> Vec<u32> {
        let mut nodes = vec![v];
        let mut at = v;
        loop {
            let arc = self.trees[side].labels[at as usize].arc;
            if arc == INFINITY || nodes.len() > self.ground.gain.len() {
                break;
            }
            at = match side {
                BACK => self.ground.head[arc as usize],
                _ => self.tail(arc),
            };
            nodes.push(at);
        }
        if side != BACK {
            nodes.reverse();
        }
        nodes
    }

    fn tail(&self, arc: u32) -> u32 {
        self.ground.first_out.partition_point(|&f| f <= arc) as u32 - 1
    }
}
