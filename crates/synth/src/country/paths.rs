//! Least-cost paths over the ground: what a road engineer with a gradient limit would do.
//!
//! A star search on a lattice with 32 directions, in the manner of Galin et al., Procedural
//! generation of roads (Eurographics 2010). Where the slope is steeper than the limit no straight
//! climb is cheap, so the path traverses and turns back: hairpins are found, not drawn.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap};

use super::land::Land;
use super::random::Noise;

/// What a kind of road asks of its line.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Demands {
    /// Gradient that is never exceeded without need.
    pub(crate) grade: f64,
    /// Lattice step in fine posts: larger steps give wider curves.
    pub(crate) stride: usize,
    /// Metres one would drive to save a full turn.
    pub(crate) turn_m: f64,
    /// Cost of one unit of gradient over the limit; small where tunnels are affordable.
    pub(crate) over: f64,
    /// Uses roads that are there, and joins them.
    pub(crate) joins: bool,
}

/// What lies on a fine post.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Use {
    Free,
    /// Beside a road: not to be built on.
    Beside,
    /// A control point of a road: may be joined.
    Road,
    /// Motorway: may only be jumped over.
    Motorway,
}

/// The fine lattice as the road builders see it.
pub(crate) struct Ground<'a> {
    pub(crate) land: &'a Land,
    pub(crate) river: Vec<bool>,
    pub(crate) used: Vec<Use>,
    /// Neighbouring control points along roads.
    pub(crate) links: HashMap<u32, Vec<u32>>,
    pub(crate) whims: Noise,
}

/// Steps with coprime sides up to three: 32 directions.
fn directions() -> Vec<(isize, isize)> {
    let mut all = Vec::new();
    for dy in -3isize..=3 {
        for dx in -3isize..=3 {
            let coprime = match (dx.abs(), dy.abs()) {
                (0, 0) => false,
                (0, b) => b == 1,
                (a, 0) => a == 1,
                (a, b) => a != b || a == 1,
            };
            if coprime {
                all.push((dx, dy));
            }
        }
    }
    all.sort_by(|a, b| {
        let angle = |d: &(isize, isize)| (d.1 as f64).atan2(d.0 as f64);
        angle(a).total_cmp(&angle(b))
    });
    all
}

/// Cost of a metre on a road that is already there.
const REUSE: f64 = 0.45;
/// Limbs between hairpins shorter than this cost more, lattice steps.
const SHORT_LIMB_STEPS: f64 = 6.0;
const NONE: u8 = u8::MAX;
/// Parent mark of a post reached along an existing road.
const ALONG: u8 = u8::MAX - 1;

impl Ground<'_> {
    /// The cheapest path between two fine posts, as posts from `from` to `to`. Both must lie on
    /// the lattice of the stride. `None` where water or distance forbids it.
    pub(crate) fn path(&self, from: usize, to: usize, demands: Demands) -> Option<Vec<usize>> {
        let fine = self.land.fine;
        let stride = demands.stride;
        let (a, b) = (fine.xy(from), fine.xy(to));
        let far_m = (a.0 - b.0).hypot(a.1 - b.1);
        let margin_m = (0.35 * far_m).max(18.0 * fine.step_m * stride as f64);
        // Window in lattice steps, aligned with the start.
        let step_m = fine.step_m * stride as f64;
        let start = (from % fine.columns, from / fine.columns);
        let low = |at: usize, a: f64, b: f64| {
            let room = at / stride;
            let want = ((a - a.min(b) + margin_m) / step_m).ceil() as usize;
            at - want.min(room) * stride
        };
        let (west, south) = (low(start.0, a.0, b.0), low(start.1, a.1, b.1));
        let count = |low: usize, high_m: f64, most: usize| {
            let high = (((high_m + margin_m) / fine.step_m) as usize).min(most - 1);
            (high.saturating_sub(low)) / stride + 1
        };
        let columns = count(west, a.0.max(b.0), fine.columns);
        let rows = count(south, a.1.max(b.1), fine.rows);
        let post = |local: usize| {
            (south + local / columns * stride) * fine.columns + west + local % columns * stride
        };
        let local_of = |post: usize| -> Option<usize> {
            let (column, row) = (post % fine.columns, post / fine.columns);
            let (c, r) = (column.checked_sub(west)?, row.checked_sub(south)?);
            let fits = c % stride == 0 && r % stride == 0;
            let (c, r) = (c / stride, r / stride);
            (fits && c < columns && r < rows).then_some(r * columns + c)
        };
        let (source, goal) = (local_of(from)?, local_of(to)?);

        let around = directions();
        let run_m: Vec<f64> = around
            .iter()
            .map(|d| (d.0 as f64).hypot(d.1 as f64) * step_m)
            .collect();
        let turns = turn_costs(&around, demands.turn_m);
        let passed: Vec<Vec<isize>> = around
            .iter()
            .map(|&d| passed(d, stride, fine.columns as isize))
            .collect();
        let mut cost = vec![f32::INFINITY; columns * rows];
        let mut came = vec![NONE; columns * rows];
        let mut parent = vec![u32::MAX; columns * rows];
        // Metres since the last sharp turn: hairpins want a limb between them.
        let mut since = vec![f32::INFINITY; columns * rows];
        let mut done = vec![false; columns * rows];
        let rest = |local: usize| {
            let (c, r) = (local % columns, local / columns);
            let (gc, gr) = (goal % columns, goal / columns);
            let (dx, dy) = (c as f64 - gc as f64, r as f64 - gr as f64);
            // Overrates roads that may be joined: a little less than the best, much sooner.
            (dx * dx + dy * dy).sqrt() * step_m
        };
        let mut heap = BinaryHeap::new();
        let key = |total: f64, local: usize| {
            Reverse((u64::from((total as f32).to_bits()) << 32) | local as u64)
        };
        cost[source] = 0.0;
        heap.push(key(rest(source), source));
        while let Some(Reverse(packed)) = heap.pop() {
            let here = (packed & 0xFFFF_FFFF) as usize;
            if std::mem::replace(&mut done[here], true) {
                continue;
            }
            if here == goal {
                break;
            }
            let here_post = post(here);
            let here_cost = f64::from(cost[here]);
            let here_m = f64::from(self.land.fine_m[here_post]);
            let arrived = came[here];
            let gone = since[here];
            let mut offer = |next: usize, total: f64, mark: u8, limb_m: f32| {
                if total < f64::from(cost[next]) {
                    cost[next] = total as f32;
                    came[next] = mark;
                    parent[next] = here as u32;
                    since[next] = limb_m;
                    heap.push(key(total + rest(next), next));
                }
            };
            let on_road = demands.joins && self.used[here_post] == Use::Road;
            if on_road {
                for &next_post in self.links.get(&(here_post as u32)).into_iter().flatten() {
                    let Some(next) = local_of(next_post as usize) else {
                        continue;
                    };
                    let (p, q) = (fine.xy(here_post), fine.xy(next_post as usize));
                    let along_m = (p.0 - q.0).hypot(p.1 - q.1);
                    offer(next, here_cost + REUSE * along_m, ALONG, f32::INFINITY);
                }
            }
            let xy = fine.xy(here_post);
            let whim = 1.0 + 0.3 * self.whims.at(xy.0 / (7.0 * step_m), xy.1 / (7.0 * step_m));
            let (column, row) = (here % columns, here / columns);
            for (at, &(dx, dy)) in around.iter().enumerate() {
                let Some(c) = column.checked_add_signed(dx).filter(|&c| c < columns) else {
                    continue;
                };
                let Some(r) = row.checked_add_signed(dy).filter(|&r| r < rows) else {
                    continue;
                };
                let next = r * columns + c;
                let next_post = post(next);
                if done[next] || !self.may_stop(next_post, to, demands.joins) {
                    continue;
                }
                if on_road && self.used[next_post] == Use::Road {
                    continue;
                }
                let touching = on_road || self.used[next_post] == Use::Road;
                let Some(crossing_m) = self.between(here_post, &passed[at], touching, stride)
                else {
                    continue;
                };
                let next_m = f64::from(self.land.fine_m[next_post]);
                let run_m = run_m[at];
                let mut grade = (next_m - here_m).abs() / run_m;
                let steps = dx.abs().max(dy.abs()) * stride as isize;
                if steps > 1 {
                    let middle_m = self.middle_m(here_post, next_post);
                    let half = (middle_m - here_m).abs().max((next_m - middle_m).abs());
                    grade = grade.max(half / (0.5 * run_m));
                }
                let load = grade / demands.grade;
                let climb = if load <= 1.0 {
                    0.7 * load * load
                } else {
                    0.7 + demands.over * (0.25 + load - 1.0)
                };
                let (mut turn, mut limb_m) = (0.0, gone + run_m as f32);
                if arrived < ALONG {
                    turn = turns[arrived as usize][at];
                    if turn > 0.4 * demands.turn_m {
                        let short = 1.0 - f64::from(gone) / (SHORT_LIMB_STEPS * step_m);
                        turn *= 1.0 + 2.5 * short.max(0.0);
                        limb_m = run_m as f32;
                    }
                }
                let total = here_cost + run_m * (whim + climb) + crossing_m + turn;
                offer(next, total, at as u8, limb_m);
            }
        }
        if !done[goal] {
            return None;
        }
        let mut path = vec![to];
        let mut local = goal;
        while local != source {
            local = parent[local] as usize;
            path.push(post(local));
        }
        path.reverse();
        Some(path)
    }

    fn may_stop(&self, post: usize, goal: usize, joins: bool) -> bool {
        if self.land.wet[post] || (self.river[post] && post != goal) {
            return false;
        }
        match self.used[post] {
            Use::Free => true,
            Use::Road => joins || post == goal,
            Use::Beside => post == goal || !joins,
            Use::Motorway => false,
        }
    }

    /// What is crossed on the way from a post, priced in metres; `None` for what cannot be.
    fn between(&self, post: usize, passed: &[isize], touching: bool, stride: usize) -> Option<f64> {
        let (mut river, mut motorway) = (false, false);
        for shift in passed {
            let cell = (post as isize + shift) as usize;
            river |= self.river[cell];
            match self.used[cell] {
                Use::Motorway => motorway = true,
                Use::Road | Use::Beside if stride == 1 && !touching => return None,
                _ => {}
            }
            if self.land.wet[cell] {
                return None;
            }
        }
        Some(f64::from(u8::from(river)) * 350.0 + f64::from(u8::from(motorway)) * 500.0)
    }

    fn middle_m(&self, a: usize, b: usize) -> f64 {
        let columns = self.land.fine.columns;
        let (ax, ay, bx, by) = (a % columns, a / columns, b % columns, b / columns);
        let at = |x: usize, y: usize| f64::from(self.land.fine_m[y * columns + x]);
        let (x, y) = (ax + bx, ay + by);
        // Both halves are integers or lie between two or four posts.
        (at(x / 2, y / 2)
            + at(x.div_ceil(2), y / 2)
            + at(x / 2, y.div_ceil(2))
            + at(x.div_ceil(2), y.div_ceil(2)))
            / 4.0
    }
}

/// Posts between the ends of a step, as shifts from its beginning.
fn passed((dx, dy): (isize, isize), stride: usize, columns: isize) -> Vec<isize> {
    let steps = dx.abs().max(dy.abs()) * stride as isize;
    let along = |d: isize, at: isize| {
        (d as f64 * stride as f64 * at as f64 / steps as f64).round() as isize
    };
    (1..steps)
        .map(|at| along(dy, at) * columns + along(dx, at))
        .collect()
}

/// Metres charged for each pair of incoming and outgoing direction.
fn turn_costs(around: &[(isize, isize)], turn_m: f64) -> Vec<Vec<f64>> {
    let angle = |d: &(isize, isize)| (d.1 as f64).atan2(d.0 as f64);
    let one = |a: &(isize, isize), b: &(isize, isize)| {
        let turn = (angle(a) - angle(b)).abs();
        let turn = turn.min(std::f64::consts::TAU - turn) / std::f64::consts::PI;
        // Middling corners cost nearly as much as a full turn: rather one hairpin than two knees.
        // Straight back on itself is no hairpin.
        if turn > 0.95 {
            1e6
        } else {
            turn_m * (turn * 1.5).min(1.0).powi(2)
        }
    };
    around
        .iter()
        .map(|a| around.iter().map(|b| one(a, b)).collect())
        .collect()
}
