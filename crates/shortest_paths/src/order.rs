//! Elimination order by nested dissection: cut the plane graph in two with few edges, put the cut
//! edges on top, go on with both halves.
//!
//! The graph that is contracted has a node for each *edge* of the graph that is cut (it is turn-
//! expanded), so an edge cut below is a node separator above. Dead ends and chains of edges are
//! taken out first: they cost nothing to contract. Cuts are found by inertial flow (Schild and
//! Sommer, SEA 2015): nodes sorted along a few directions, the outer parts taken as source and
//! sink, a minimum cut between them.

use crate::graph::NONE;

/// Part of the nodes on either side that a cut may not divide.
const OUTER_SHARE: f64 = 0.3;
/// Directions along which nodes are sorted.
const DIRECTIONS: [(i64, i64); 4] = [(1, 0), (0, 1), (1, 1), (1, -1)];
/// Cells of at least this many nodes are worth a thread of their own.
const PARALLEL_NODES: usize = 4_000;

/// Edges of a graph in elimination order, lowest first; `None` if `go_on`, which is told now and
/// then how many more edges have their place, says no.
///
/// `x`, `y`: coordinates of the nodes in any unit; `from`, `to`: ends of the edges, below the
/// number of nodes. The same for any number of `threads`.
///
/// # Panics
/// If an end is out of range or the slices do not match; callers hold validated graphs.
pub fn edge_order(
    x: &[i32],
    y: &[i32],
    from: &[u32],
    to: &[u32],
    threads: usize,
    go_on: &(dyn Fn(usize) -> bool + Sync),
) -> Option<Vec<u32>> {
    assert!(x.len() == y.len() && from.len() == to.len());
    let (mut order, kept) = simplify(x.len(), from, to);
    if !go_on(order.len()) {
        return None;
    }
    let cell = Cell::of(x, y, &kept);
    let mut places = Vec::with_capacity(kept.len());
    dissect(cell, threads, go_on, &mut places)?;
    order.extend(places);
    Some(order)
}

/// An edge that stands for a chain of edges, by one of them.
#[derive(Clone, Copy)]
struct Link {
    from: u32,
    to: u32,
    edge: u32,
}

/// Takes out dead ends, from their tips on, and all edges of each chain but one. Returns them in
/// the order they can be eliminated, and what is left.
fn simplify(nodes: usize, from: &[u32], to: &[u32]) -> (Vec<u32>, Vec<Link>) {
    let (first, at) = incidence(nodes, from, to);
    let row = |v: u32| &at[first[v as usize] as usize..first[v as usize + 1] as usize];
    let other = |e: u32, v: u32| from[e as usize] ^ to[e as usize] ^ v;
    let mut order = Vec::new();
    let mut gone = vec![false; from.len()];
    let mut degree: Vec<u32> = (0..nodes).map(|v| first[v + 1] - first[v]).collect();
    for tip in 0..nodes as u32 {
        let mut v = tip;
        while degree[v as usize] == 1 {
            let Some(&e) = row(v).iter().find(|&&e| !gone[e as usize]) else {
                break;
            };
            gone[e as usize] = true;
            order.push(e);
            let next = other(e, v);
            degree[v as usize] = 0;
            degree[next as usize] -= 1;
            v = next;
        }
    }
    let mut kept = Vec::new();
    let mut chain = Vec::new();
    // Chains between forks first; what is left then are rings without one.
    for forks in [true, false] {
        for v in 0..nodes as u32 {
            if degree[v as usize] == 0 || (forks && degree[v as usize] == 2) {
                continue;
            }
            for &start in row(v) {
                if gone[start as usize] {
                    continue;
                }
                chain.clear();
                let (mut e, mut here) = (start, v);
                loop {
                    gone[e as usize] = true;
                    chain.push(e);
                    here = other(e, here);
                    if degree[here as usize] != 2 || here == v {
                        break;
                    }
                    match row(here).iter().find(|&&e| !gone[e as usize]) {
                        Some(&next) => e = next,
                        None => break,
                    }
                }
                kept.push(Link {
                    from: v,
                    to: here,
                    edge: chain[0],
                });
                // Every other one first, so that the tree above a chain stays low.
                let rounds = usize::BITS - chain.len().leading_zeros();
                for round in 0..rounds {
                    let of_round = (1..chain.len()).filter(|i| i.trailing_zeros() == round);
                    order.extend(of_round.map(|i| chain[i]));
                }
            }
        }
    }
    (order, kept)
}

/// CSR of the edges at each node; a loop stands there twice.
fn incidence(nodes: usize, from: &[u32], to: &[u32]) -> (Vec<u32>, Vec<u32>) {
    let mut first = vec![0u32; nodes + 1];
    for &v in from.iter().chain(to) {
        first[v as usize + 1] += 1;
    }
    for v in 0..nodes {
        first[v + 1] += first[v];
    }
    let mut next = first.clone();
    let mut at = vec![0; from.len() * 2];
    for e in 0..from.len() {
        for v in [from[e], to[e]] {
            at[next[v as usize] as usize] = e as u32;
            next[v as usize] += 1;
        }
    }
    (first, at)
}

/// A part of the graph, its nodes numbered from 0.
struct Cell {
    nodes: usize,
    links: Vec<Link>,
    /// All nodes, sorted along each direction.
    sorted: [Vec<u32>; DIRECTIONS.len()],
}

impl Cell {
    fn of(x: &[i32], y: &[i32], links: &[Link]) -> Self {
        let mut number = vec![NONE; x.len()];
        let mut nodes = Vec::new();
        let links = links.iter().map(|link| {
            let [from, to] = [link.from, link.to].map(|v| {
                let n = &mut number[v as usize];
                if *n == NONE {
                    *n = nodes.len() as u32;
                    nodes.push(v);
                }
                *n
            });
            Link { from, to, ..*link }
        });
        let links: Vec<Link> = links.collect();
        let sorted = DIRECTIONS.map(|(dx, dy)| {
            let along = |v: u32| dx * i64::from(x[v as usize]) + dy * i64::from(y[v as usize]);
            let mut keys: Vec<(i64, u32)> = nodes.iter().map(|&v| along(v)).zip(0..).collect();
            keys.sort_unstable();
            keys.into_iter().map(|(_, v)| v).collect()
        });
        Cell {
            nodes: nodes.len(),
            links,
            sorted,
        }
    }

    /// Two halves, and the edges between them.
    fn split(self, near: &[bool]) -> ([Cell; 2], Vec<u32>) {
        let mut number = vec![0u32; self.nodes];
        let mut nodes = [0, 0];
        for (n, &near) in number.iter_mut().zip(near) {
            let count = &mut nodes[usize::from(!near)];
            *n = *count;
            *count += 1;
        }
        let mut halves = nodes.map(|nodes| Cell {
            nodes: nodes as usize,
            links: Vec::new(),
            sorted: DIRECTIONS.map(|_| Vec::with_capacity(nodes as usize)),
        });
        let mut cut = Vec::new();
        for link in self.links {
            let sides = [link.from, link.to].map(|v| usize::from(!near[v as usize]));
            if sides[0] != sides[1] {
                cut.push(link.edge);
                continue;
            }
            halves[sides[0]].links.push(Link {
                from: number[link.from as usize],
                to: number[link.to as usize],
                ..link
            });
        }
        for (direction, sorted) in self.sorted.iter().enumerate() {
            for &v in sorted {
                let side = usize::from(!near[v as usize]);
                halves[side].sorted[direction].push(number[v as usize]);
            }
        }
        (halves, cut)
    }
}

fn dissect(
    cell: Cell,
    threads: usize,
    go_on: &(dyn Fn(usize) -> bool + Sync),
    order: &mut Vec<u32>,
) -> Option<()> {
    if cell.nodes < 3 || cell.links.len() < 3 {
        order.extend(cell.links.iter().map(|l| l.edge));
        return Some(());
    }
    let near = match components(&cell) {
        Some(near) => near,
        None => best_cut(&cell, threads),
    };
    let nodes = cell.nodes;
    let ([near, far], cut) = cell.split(&near);
    if !go_on(cut.len()) {
        return None;
    }
    if threads > 1 && nodes >= PARALLEL_NODES {
        let (half, rest) = (threads / 2, threads - threads / 2);
        let mut other = Vec::with_capacity(far.links.len());
        let (a, b) = std::thread::scope(|scope| {
            let far = scope.spawn(|| dissect(far, half, go_on, &mut other));
            let near = dissect(near, rest, go_on, order);
            (near, far.join().unwrap_or(None))
        });
        a?;
        b?;
        order.append(&mut other);
    } else {
        dissect(near, 1, go_on, order)?;
        dissect(far, 1, go_on, order)?;
    }
    order.extend(cut);
    Some(())
}

/// A division between components, balanced greedily, if there is more than one.
fn components(cell: &Cell) -> Option<Vec<bool>> {
    let mut root: Vec<u32> = (0..cell.nodes as u32).collect();
    fn find(root: &mut [u32], mut v: u32) -> u32 {
        while root[v as usize] != v {
            root[v as usize] = root[root[v as usize] as usize];
            v = root[v as usize];
        }
        v
    }
    let mut parts = cell.nodes;
    for link in &cell.links {
        let (a, b) = (find(&mut root, link.from), find(&mut root, link.to));
        root[a.max(b) as usize] = a.min(b);
        parts -= usize::from(a != b);
    }
    if parts < 2 {
        return None;
    }
    let mut size = vec![0u32; cell.nodes];
    for v in 0..cell.nodes as u32 {
        size[find(&mut root, v) as usize] += 1;
    }
    let mut roots: Vec<u32> = (0..cell.nodes as u32)
        .filter(|&v| size[v as usize] > 0)
        .collect();
    roots.sort_by_key(|&r| (std::cmp::Reverse(size[r as usize]), r));
    let (mut near, mut far) = (0, 0);
    let mut is_near = vec![false; cell.nodes];
    for r in roots {
        let s = size[r as usize];
        if near <= far {
            is_near[r as usize] = true;
            near += s;
        } else {
            far += s;
        }
    }
    let nodes = 0..cell.nodes as u32;
    Some(
        nodes
            .map(|v| is_near[find(&mut root, v) as usize])
            .collect(),
    )
}

/// The cut with the fewest edges for its balance over all directions.
fn best_cut(cell: &Cell, threads: usize) -> Vec<bool> {
    let network = Network::new(cell);
    let attempt = |direction: usize, worst: f64| {
        let (cut, side) = network.min_cut(&cell.sorted[direction], worst)?;
        let near = side.iter().filter(|&&s| s).count();
        // Fewer cut edges for the smaller half: the sparsity of the cut.
        let sparsity = cut as f64 / near.min(cell.nodes - near).max(1) as f64;
        Some((sparsity, direction, side))
    };
    // A direction that cannot win any more is given up, which changes nothing but the time.
    let several = |directions: [usize; 2]| {
        let mut best: Option<(f64, usize, Vec<bool>)> = None;
        for direction in directions {
            let worst = best.as_ref().map_or(f64::INFINITY, |b| b.0);
            let found = attempt(direction, worst);
            best = best.into_iter().chain(found).min_by(better);
        }
        best
    };
    let halves = if threads > 1 && cell.nodes >= PARALLEL_NODES {
        std::thread::scope(|scope| {
            let other = scope.spawn(|| several([2, 3]));
            [several([0, 1]), other.join().unwrap_or_default()]
        })
    } else {
        [several([0, 1]), several([2, 3])]
    };
    let best = halves.into_iter().flatten().min_by(better);
    best.map_or_else(|| vec![false; cell.nodes], |b| b.2)
}

fn better(a: &(f64, usize, Vec<bool>), b: &(f64, usize, Vec<bool>)) -> std::cmp::Ordering {
    a.0.total_cmp(&b.0).then(a.1.cmp(&b.1))
}

/// Undirected unit-capacity network in CSR form; arc `i` and its twin share an edge.
struct Network {
    first_out: Vec<u32>,
    head: Vec<u32>,
    twin: Vec<u32>,
}

impl Network {
    fn new(cell: &Cell) -> Self {
        let proper = || cell.links.iter().filter(|l| l.from != l.to);
        let mut first_out = vec![0u32; cell.nodes + 1];
        for link in proper() {
            first_out[link.from as usize + 1] += 1;
            first_out[link.to as usize + 1] += 1;
        }
        for v in 0..cell.nodes {
            first_out[v + 1] += first_out[v];
        }
        let arcs = first_out[cell.nodes] as usize;
        let (mut head, mut twin) = (vec![0; arcs], vec![0; arcs]);
        let mut next = first_out.clone();
        for link in proper() {
            let (a, b) = (link.from, link.to);
            let (i, j) = (next[a as usize], next[b as usize]);
            next[a as usize] += 1;
            next[b as usize] += 1;
            (head[i as usize], head[j as usize]) = (b, a);
            (twin[i as usize], twin[j as usize]) = (j, i);
        }
        Network {
            first_out,
            head,
            twin,
        }
    }

    fn arcs(&self, node: u32) -> std::ops::Range<usize> {
        self.first_out[node as usize] as usize..self.first_out[node as usize + 1] as usize
    }

    /// Minimum cut between the first and the last part of `line` (Dinic 1970, unit capacities);
    /// returns its edges and the side of each node: the one of source and sink whose cut is more
    /// balanced. `None` once no cut can be as sparse as `worst`.
    fn min_cut(&self, line: &[u32], worst: f64) -> Option<(usize, Vec<bool>)> {
        let n = line.len();
        let outer = ((n as f64 * OUTER_SHARE) as usize).clamp(1, n / 2);
        const FREE: u8 = 0;
        const SOURCE: u8 = 1;
        const SINK: u8 = 2;
        let mut role = vec![FREE; n];
        line[..outer]
            .iter()
            .for_each(|&v| role[v as usize] = SOURCE);
        line[n - outer..]
            .iter()
            .for_each(|&v| role[v as usize] = SINK);

        // Flow of an arc is -1, 0 or 1, and minus that of its twin.
        let mut flow = vec![0i8; self.head.len()];
        let mut level = vec![u32::MAX; n];
        let mut next = vec![0u32; n];
        let (mut queue, mut path) = (Vec::with_capacity(n), Vec::new());
        let mut value = 0;
        loop {
            if value as f64 > worst * (n / 2).max(1) as f64 {
                return None;
            }
            level.fill(u32::MAX);
            queue.clear();
            for &v in &line[..outer] {
                level[v as usize] = 0;
                queue.push(v);
            }
            let mut reached = u32::MAX;
            let mut at = 0;
            while at < queue.len() {
                let v = queue[at];
                at += 1;
                if level[v as usize] >= reached {
                    break;
                }
                for a in self.arcs(v) {
                    let w = self.head[a];
                    if flow[a] < 1 && level[w as usize] == u32::MAX {
                        level[w as usize] = level[v as usize] + 1;
                        if role[w as usize] == SINK {
                            reached = reached.min(level[w as usize]);
                        } else {
                            queue.push(w);
                        }
                    }
                }
            }
            if reached == u32::MAX {
                break;
            }
            next.copy_from_slice(&self.first_out[..n]);
            // Blocking flow: depth-first along rising levels, one unit a path.
            for &s in &line[..outer] {
                path.clear();
                let mut v = s;
                loop {
                    if role[v as usize] == SINK {
                        for &a in &path {
                            let a = a as usize;
                            flow[a] += 1;
                            flow[self.twin[a] as usize] -= 1;
                        }
                        value += 1;
                        path.clear();
                        v = s;
                        continue;
                    }
                    let end = self.first_out[v as usize + 1];
                    let mut i = next[v as usize];
                    while i < end {
                        let w = self.head[i as usize];
                        if flow[i as usize] < 1
                            && level[w as usize] == level[v as usize] + 1
                            && role[w as usize] != SOURCE
                        {
                            break;
                        }
                        i += 1;
                    }
                    next[v as usize] = i;
                    if i < end {
                        path.push(i);
                        v = self.head[i as usize];
                    } else if let Some(back) = path.pop() {
                        v = self.head[self.twin[back as usize] as usize];
                        next[v as usize] += 1;
                    } else {
                        break;
                    }
                }
            }
        }
        let from_source: Vec<bool> = level.iter().map(|&l| l != u32::MAX).collect();
        // What cannot reach the sink any more is the other minimum cut.
        let mut reaches = vec![false; n];
        queue.clear();
        for &v in &line[n - outer..] {
            reaches[v as usize] = true;
            queue.push(v);
        }
        while let Some(v) = queue.pop() {
            for a in self.arcs(v) {
                let w = self.head[a];
                if flow[self.twin[a] as usize] < 1 && !reaches[w as usize] {
                    reaches[w as usize] = true;
                    queue.push(w);
                }
            }
        }
        let near = from_source.iter().filter(|&&s| s).count();
        let far = reaches.iter().filter(|&&s| s).count();
        let side = if near >= far {
            from_source
        } else {
            reaches.iter().map(|&r| !r).collect()
        };
        Some((value, side))
    }
}
