//! Weaves separate lines into one network: junctions where they cross, bridges where they must
//! not, fords; and mends what would leave a rider stranded.

use std::collections::{BTreeMap, HashMap, HashSet};

use super::curve::{Xy, at_length, lengths};
use super::land::Land;
use super::roads::{Kind, Line, Mark, Roads};

/// A watercourse as drawn on the map.
#[derive(Debug, Clone)]
pub(crate) struct Water {
    pub(crate) line: Vec<Xy>,
    pub(crate) river: bool,
}

/// Straight pieces of many lines, found by place.
pub(crate) struct Segments {
    list: Vec<(Xy, Xy, u32, u32)>,
    bins: HashMap<(i32, i32), Vec<u32>>,
}

const BIN_M: f64 = 90.0;

fn bins_of(a: Xy, b: Xy, margin_m: f64) -> impl Iterator<Item = (i32, i32)> {
    let bin = |x: f64| (x / BIN_M).floor() as i32;
    let (x0, x1) = (bin(a.0.min(b.0) - margin_m), bin(a.0.max(b.0) + margin_m));
    let (y0, y1) = (bin(a.1.min(b.1) - margin_m), bin(a.1.max(b.1) + margin_m));
    (x0..=x1).flat_map(move |x| (y0..=y1).map(move |y| (x, y)))
}

impl Segments {
    fn new(lines: impl Iterator<Item = Vec<Xy>>) -> Self {
        let mut all = Self {
            list: Vec::new(),
            bins: HashMap::new(),
        };
        for (line, points) in lines.enumerate() {
            for (seg, pair) in points.windows(2).enumerate() {
                let id = all.list.len() as u32;
                for bin in bins_of(pair[0], pair[1], 0.0) {
                    all.bins.entry(bin).or_default().push(id);
                }
                all.list.push((pair[0], pair[1], line as u32, seg as u32));
            }
        }
        all
    }

    pub(crate) fn of_roads(roads: &Roads) -> Self {
        Self::new(roads.lines.iter().map(|l| roads.xy(l)))
    }

    /// Whether a piece of street would run along a line that is already there.
    pub(crate) fn runs_beside(&self, p: Xy, q: Xy, clear_m: f64) -> bool {
        let middle = ((p.0 + q.0) / 2.0, (p.1 + q.1) / 2.0);
        let heading = (q.1 - p.1).atan2(q.0 - p.0);
        bins_of(p, q, clear_m)
            .filter_map(|b| self.bins.get(&b))
            .flatten()
            .any(|&id| {
                let (a, b, _, _) = self.list[id as usize];
                let skew = ((b.1 - a.1).atan2(b.0 - a.0) - heading).sin().abs();
                let near = [p, middle, q]
                    .iter()
                    .any(|&at| distance_m(at, a, b) < clear_m);
                let ends = [p, q].iter().any(|&at| {
                    let d = distance_m(at, a, b);
                    d > 0.01 && d < 9.0
                });
                (near && skew < 0.55) || ends
            })
    }
}

fn distance_m(p: Xy, a: Xy, b: Xy) -> f64 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let t = ((p.0 - a.0) * dx + (p.1 - a.1) * dy) / (dx * dx + dy * dy).max(1e-9);
    let t = t.clamp(0.0, 1.0);
    (p.0 - a.0 - t * dx).hypot(p.1 - a.1 - t * dy)
}

/// Where two pieces cross, as shares of each.
fn crossing(a: Xy, b: Xy, c: Xy, d: Xy) -> Option<(f64, f64)> {
    let (rx, ry, sx, sy) = (b.0 - a.0, b.1 - a.1, d.0 - c.0, d.1 - c.1);
    let cross = rx * sy - ry * sx;
    if cross.abs() < 1e-9 {
        return None;
    }
    let t = ((c.0 - a.0) * sy - (c.1 - a.1) * sx) / cross;
    let u = ((c.0 - a.0) * ry - (c.1 - a.1) * rx) / cross;
    ((0.0..=1.0).contains(&t) && (0.0..=1.0).contains(&u)).then_some((t, u))
}

/// Joins all lines where they cross on the ground and marks bridges. Gives the fords.
pub(crate) fn weave(roads: &mut Roads, waters: &[Water]) -> Vec<u32> {
    let there = Segments::of_roads(roads);
    let along: Vec<Vec<f64>> = roads.lines.iter().map(|l| lengths(&roads.xy(l))).collect();
    let mut cuts: Vec<Vec<(f64, u32)>> = vec![Vec::new(); roads.lines.len()];
    let home = |at: Xy| ((at.0 / BIN_M).floor() as i32, (at.1 / BIN_M).floor() as i32);
    let mut bins: Vec<(i32, i32)> = there.bins.keys().copied().collect();
    bins.sort_unstable();
    for bin in bins {
        let ids = &there.bins[&bin];
        for (i, &one) in ids.iter().enumerate() {
            for &other in &ids[i + 1..] {
                let (a, b, l, k) = there.list[one as usize];
                let (c, d, m, n) = there.list[other as usize];
                let (lp, mp) = (
                    &roads.lines[l as usize].points,
                    &roads.lines[m as usize].points,
                );
                let (p, q) = (
                    [lp[k as usize], lp[k as usize + 1]],
                    [mp[n as usize], mp[n as usize + 1]],
                );
                if p.iter().any(|x| q.contains(x)) {
                    continue;
                }
                let Some((t, u)) = crossing(a, b, c, d) else {
                    continue;
                };
                let at = (a.0 + (b.0 - a.0) * t, a.1 + (b.1 - a.1) * t);
                if home(at) != bin {
                    continue;
                }
                let (s, r) = (
                    along[l as usize][k as usize] + t * (b.0 - a.0).hypot(b.1 - a.1),
                    along[m as usize][n as usize] + u * (d.0 - c.0).hypot(d.1 - c.1),
                );
                let fast = |x: u32| roads.lines[x as usize].kind <= Kind::Link;
                let raised = |x: u32, s: f64| {
                    roads.lines[x as usize]
                        .marks
                        .iter()
                        .any(|m| m.0 - 30.0 < s && s < m.1 + 30.0)
                };
                match (fast(l), fast(m)) {
                    (true, true) => {}
                    (true, false) if raised(l, s) => {}
                    (false, true) if raised(m, r) => {}
                    (true, false) => {
                        roads.lines[m as usize]
                            .marks
                            .push((r - 24.0, r + 24.0, Mark::Bridge))
                    }
                    (false, true) => {
                        roads.lines[l as usize]
                            .marks
                            .push((s - 24.0, s + 24.0, Mark::Bridge))
                    }
                    (false, false) => {
                        let close = |at: Xy, ends: [u32; 2]| {
                            ends.into_iter().find(|&e| {
                                let e = roads.points[e as usize];
                                (e.0 - at.0).hypot(e.1 - at.1) < 4.0
                            })
                        };
                        let point = match close(at, p).or(close(at, q)) {
                            Some(known) => known,
                            None => roads.point(at),
                        };
                        cuts[l as usize].push((s, point));
                        cuts[m as usize].push((r, point));
                    }
                }
            }
        }
    }
    let mut fords = Vec::new();
    for water in waters {
        for pair in water.line.windows(2) {
            let mut seen = HashSet::new();
            for bin in bins_of(pair[0], pair[1], 0.0) {
                for &id in there.bins.get(&bin).into_iter().flatten() {
                    let (a, b, l, k) = there.list[id as usize];
                    let Some((t, _)) = crossing(a, b, pair[0], pair[1]) else {
                        continue;
                    };
                    if !seen.insert(id) {
                        continue;
                    }
                    let s = along[l as usize][k as usize] + t * (b.0 - a.0).hypot(b.1 - a.1);
                    let line = &mut roads.lines[l as usize];
                    if line.kind == Kind::Track && !water.river {
                        let at = (a.0 + (b.0 - a.0) * t, a.1 + (b.1 - a.1) * t);
                        let point = roads.point(at);
                        cuts[l as usize].push((s, point));
                        fords.push(point);
                    } else if !line.marks.iter().any(|m| m.0 < s && s < m.1) {
                        let half_m = if water.river { 16.0 } else { 6.0 };
                        line.marks.push((s - half_m, s + half_m, Mark::Bridge));
                    }
                }
            }
        }
    }
    for line in 0..roads.lines.len() {
        insert(roads, line, &along[line], std::mem::take(&mut cuts[line]));
    }
    fords
}

/// Puts points into a line at lengths along it, and one at each end of every mark.
fn insert(roads: &mut Roads, line: usize, along: &[f64], mut cuts: Vec<(f64, u32)>) {
    let total_m = along[along.len() - 1];
    let mut marks = std::mem::take(&mut roads.lines[line].marks);
    marks.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut merged: Vec<(f64, f64, Mark)> = Vec::new();
    for (from, to, mark) in marks {
        let (from, to) = (from.max(0.0), to.min(total_m));
        match merged.last_mut() {
            Some(last) if from < last.1 + 4.0 && mark == last.2 => last.1 = last.1.max(to),
            Some(last) if from < last.1 + 4.0 => {}
            _ if to - from > 1.0 => merged.push((from, to, mark)),
            _ => {}
        }
    }
    let xy = roads.xy(&roads.lines[line]);
    for mark in &merged {
        for s in [mark.0, mark.1] {
            let near = along
                .iter()
                .chain(cuts.iter().map(|c| &c.0))
                .any(|x| (x - s).abs() < 1.5);
            if !near {
                let point = roads.point(at_length(&xy, along, s).0);
                cuts.push((s, point));
            }
        }
    }
    let mut all: Vec<(f64, u32)> = along
        .iter()
        .copied()
        .zip(roads.lines[line].points.iter().copied())
        .collect();
    all.extend(cuts);
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut points: Vec<u32> = all.into_iter().map(|(_, p)| p).collect();
    points.dedup();
    roads.lines[line].points = points;
    roads.lines[line].marks = merged;
}

/// How often each point is an end (1) or a middle (2) of lines: three and more is a junction.
pub(crate) fn degrees(roads: &Roads) -> Vec<u8> {
    let mut degree = vec![0u8; roads.points.len()];
    for line in &roads.lines {
        for (at, &point) in line.points.iter().enumerate() {
            let inner = at > 0 && at + 1 < line.points.len();
            let more = if inner { 2 } else { 1 };
            degree[point as usize] = degree[point as usize].saturating_add(more);
        }
    }
    degree
}

/// Keeps the largest network of each landmass and drops stray pieces.
pub(crate) fn drop_strays(roads: &mut Roads, land: &Land, landmass: &[u32]) {
    let mut root: Vec<u32> = (0..roads.points.len() as u32).collect();
    fn find(root: &mut [u32], mut x: u32) -> u32 {
        while root[x as usize] != x {
            root[x as usize] = root[root[x as usize] as usize];
            x = root[x as usize];
        }
        x
    }
    for line in &roads.lines {
        for pair in line.points.windows(2) {
            let (a, b) = (find(&mut root, pair[0]), find(&mut root, pair[1]));
            root[a as usize] = b;
        }
    }
    let mut length_m: BTreeMap<u32, (f64, u32)> = BTreeMap::new();
    for line in &roads.lines {
        let xy = roads.xy(line);
        let net = find(&mut root, line.points[0]);
        let piece = landmass[land.coarse.nearest(xy[0])];
        let sum = length_m.entry(net).or_insert((0.0, piece));
        sum.0 += lengths(&xy)[xy.len() - 1];
        sum.1 = sum.1.min(piece);
    }
    let mut best: BTreeMap<u32, (f64, u32)> = BTreeMap::new();
    for (&net, &(length_m, piece)) in &length_m {
        let kept = best.entry(piece).or_insert((length_m, net));
        if length_m > kept.0 {
            *kept = (length_m, net);
        }
    }
    let keep: HashSet<u32> = best.values().map(|b| b.1).collect();
    roads
        .lines
        .retain(|l| keep.contains(&find(&mut root, l.points[0])));
}

/// Opens one-way streets that one could enter but not leave, or leave but not enter.
pub(crate) fn mend_oneways(roads: &mut Roads) {
    for _ in 0..4 {
        let part = strong_parts(roads);
        let mut mended = false;
        for line in roads
            .lines
            .iter_mut()
            .filter(|l| l.oneway && l.kind >= Kind::Residential)
        {
            let first = part[line.points[0] as usize];
            if line.points.iter().any(|&p| part[p as usize] != first) {
                line.oneway = false;
                mended = true;
            }
        }
        if !mended {
            return;
        }
    }
}

/// Strongly connected components (Tarjan 1972, without recursion): a label for every point.
fn strong_parts(roads: &Roads) -> Vec<u32> {
    let n = roads.points.len();
    let mut arcs: Vec<(u32, u32)> = Vec::new();
    for line in &roads.lines {
        for pair in line.points.windows(2) {
            arcs.push((pair[0], pair[1]));
            if !line.oneway {
                arcs.push((pair[1], pair[0]));
            }
        }
    }
    arcs.sort_unstable();
    let first_out: Vec<usize> = (0..=n as u32)
        .map(|p| arcs.partition_point(|a| a.0 < p))
        .collect();
    const NEW: u32 = u32::MAX;
    let (mut index, mut low) = (vec![NEW; n], vec![0u32; n]);
    let mut part = vec![NEW; n];
    let (mut stack, mut count, mut parts) = (Vec::new(), 0u32, 0u32);
    for start in 0..n {
        if index[start] != NEW {
            continue;
        }
        let mut calls = vec![(start, first_out[start])];
        index[start] = count;
        low[start] = count;
        count += 1;
        stack.push(start);
        while let Some((here, next)) = calls.last_mut() {
            let here = *here;
            if *next < first_out[here + 1] {
                let to = arcs[*next].1 as usize;
                *next += 1;
                if index[to] == NEW {
                    index[to] = count;
                    low[to] = count;
                    count += 1;
                    stack.push(to);
                    calls.push((to, first_out[to]));
                } else if part[to] == NEW {
                    low[here] = low[here].min(index[to]);
                }
                continue;
            }
            calls.pop();
            if let Some((above, _)) = calls.last() {
                low[*above] = low[*above].min(low[here]);
            }
            if low[here] == index[here] {
                while let Some(member) = stack.pop() {
                    part[member] = parts;
                    if member == here {
                        break;
                    }
                }
                parts += 1;
            }
        }
    }
    part
}

/// Whether a line stands for motor traffic through a place rather than access to it.
pub(crate) fn is_main(line: &Line) -> bool {
    line.kind <= Kind::Tertiary
}
