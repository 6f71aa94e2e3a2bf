//! Elimination order by nested dissection: cut the plane graph in two with few edges, put the cut
//! edges on top, go on with both halves.
//!
//! The graph that is contracted has a node for each *edge* of the graph that is cut (it is turn-
//! expanded), so an edge cut below is a node separator above. Cuts are found by inertial flow
//! (Schild and Sommer, SEA 2015): nodes sorted along a few directions, the outer parts taken as
//! source and sink, a minimum cut between them.

/// Part of the nodes on either side that a cut may not divide.
const OUTER_SHARE: f64 = 0.3;
/// Directions along which nodes are sorted.
const DIRECTIONS: [(i64, i64); 4] = [(1, 0), (0, 1), (1, 1), (1, -1)];
/// Cells of at least this many nodes are worth a thread of their own.
const PARALLEL_NODES: usize = 4_000;

/// Edges of a graph in elimination order, lowest first.
///
/// `x`, `y`: coordinates of the nodes in any unit; `from`, `to`: ends of the edges, below the
/// number of nodes. Deterministic, whatever the number of `threads`.
///
/// # Panics
/// If an end is out of range or the slices do not match; callers hold validated graphs.
pub fn edge_order(x: &[i32], y: &[i32], from: &[u32], to: &[u32], threads: usize) -> Vec<u32> {
    assert!(x.len() == y.len() && from.len() == to.len());
    let graph = Graph { x, y, from, to };
    let cell = Cell {
        nodes: (0..x.len() as u32).collect(),
        edges: (0..from.len() as u32).collect(),
    };
    let mut order = Vec::with_capacity(from.len());
    dissect(&graph, cell, threads, &mut order);
    order
}

struct Graph<'a> {
    x: &'a [i32],
    y: &'a [i32],
    from: &'a [u32],
    to: &'a [u32],
}

/// A part of the graph: its nodes, ascending, and the edges with both ends among them.
struct Cell {
    nodes: Vec<u32>,
    edges: Vec<u32>,
}

fn dissect(graph: &Graph, cell: Cell, threads: usize, order: &mut Vec<u32>) {
    if cell.nodes.len() < 2 || cell.edges.is_empty() {
        order.extend(cell.edges);
        return;
    }
    let (near, far, cut) = split(graph, cell, threads);
    if threads > 1 && near.nodes.len() + far.nodes.len() >= PARALLEL_NODES {
        let (half, rest) = (threads / 2, threads - threads / 2);
        let mut other = Vec::with_capacity(far.edges.len());
        std::thread::scope(|scope| {
            scope.spawn(|| dissect(graph, far, half, &mut other));
            dissect(graph, near, rest, order);
        });
        order.append(&mut other);
    } else {
        dissect(graph, near, threads, order);
        dissect(graph, far, threads, order);
    }
    order.extend(cut);
}

/// Two halves and the edges between them.
fn split(graph: &Graph, cell: Cell, threads: usize) -> (Cell, Cell, Vec<u32>) {
    let Cell { nodes, edges } = cell;
    let local = |node: u32| nodes.binary_search(&node).unwrap_or(0) as u32;
    let ends: Vec<(u32, u32)> = edges
        .iter()
        .map(|&e| (local(graph.from[e as usize]), local(graph.to[e as usize])))
        .collect();
    let side = match components(nodes.len(), &ends) {
        Some(side) => side,
        None => best_cut(graph, &nodes, &ends, threads),
    };

    let (mut near, mut far) = (Vec::new(), Vec::new());
    for (i, &node) in nodes.iter().enumerate() {
        if side[i] {
            near.push(node)
        } else {
            far.push(node)
        }
    }
    let (mut near_edges, mut far_edges, mut cut) = (Vec::new(), Vec::new(), Vec::new());
    for (&edge, &(a, b)) in edges.iter().zip(&ends) {
        match (side[a as usize], side[b as usize]) {
            (true, true) => near_edges.push(edge),
            (false, false) => far_edges.push(edge),
            _ => cut.push(edge),
        }
    }
    (
        Cell {
            nodes: near,
            edges: near_edges,
        },
        Cell {
            nodes: far,
            edges: far_edges,
        },
        cut,
    )
}

/// A division between components, balanced greedily, if there is more than one.
fn components(nodes: usize, ends: &[(u32, u32)]) -> Option<Vec<bool>> {
    let mut root: Vec<u32> = (0..nodes as u32).collect();
    fn find(root: &mut [u32], mut v: u32) -> u32 {
        while root[v as usize] != v {
            root[v as usize] = root[root[v as usize] as usize];
            v = root[v as usize];
        }
        v
    }
    for &(a, b) in ends {
        let (a, b) = (find(&mut root, a), find(&mut root, b));
        root[a.max(b) as usize] = a.min(b);
    }
    let mut size = vec![0u32; nodes];
    for v in 0..nodes as u32 {
        size[find(&mut root, v) as usize] += 1;
    }
    let mut roots: Vec<u32> = (0..nodes as u32)
        .filter(|&v| size[v as usize] > 0)
        .collect();
    if roots.len() < 2 {
        return None;
    }
    roots.sort_by_key(|&r| (std::cmp::Reverse(size[r as usize]), r));
    let (mut near, mut far) = (0, 0);
    let mut is_near = vec![false; nodes];
    for r in roots {
        let s = size[r as usize];
        if near <= far {
            is_near[r as usize] = true;
            near += s;
        } else {
            far += s;
        }
    }
    Some(
        (0..nodes as u32)
            .map(|v| is_near[find(&mut root, v) as usize])
            .collect(),
    )
}

/// The cut with the fewest edges for its balance over all directions.
fn best_cut(graph: &Graph, nodes: &[u32], ends: &[(u32, u32)], threads: usize) -> Vec<bool> {
    let network = Network::new(nodes.len(), ends);
    let try_direction = |(dx, dy): (i64, i64)| {
        let mut sorted: Vec<(i64, u32)> = nodes
            .iter()
            .enumerate()
            .map(|(i, &n)| {
                (
                    dx * i64::from(graph.x[n as usize]) + dy * i64::from(graph.y[n as usize]),
                    i as u32,
                )
            })
            .collect();
        sorted.sort_unstable();
        let line: Vec<u32> = sorted.into_iter().map(|(_, i)| i).collect();
        let (cut, side) = network.min_cut(&line);
        let near = side.iter().filter(|&&s| s).count();
        // Fewer cut edges for the smaller half: the sparsity of the cut.
        (
            cut as f64 / near.min(nodes.len() - near).max(1) as f64,
            side,
        )
    };
    let tries: Vec<(f64, Vec<bool>)> = if threads > 1 && nodes.len() >= PARALLEL_NODES {
        std::thread::scope(|scope| {
            let halves = DIRECTIONS.chunks(2).map(|directions| {
                scope.spawn(move || {
                    directions
                        .iter()
                        .map(|&d| try_direction(d))
                        .collect::<Vec<_>>()
                })
            });
            let running: Vec<_> = halves.collect();
            running
                .into_iter()
                .flat_map(|h| h.join().unwrap_or_default())
                .collect()
        })
    } else {
        DIRECTIONS.iter().map(|&d| try_direction(d)).collect()
    };
    let best = tries.into_iter().min_by(|a, b| a.0.total_cmp(&b.0));
    best.map_or_else(|| vec![false; nodes.len()], |(_, side)| side)
}

/// Undirected unit-capacity network in CSR form; arc `i` and its twin share an edge.
struct Network {
    first_out: Vec<u32>,
    head: Vec<u32>,
    twin: Vec<u32>,
}

impl Network {
    fn new(nodes: usize, ends: &[(u32, u32)]) -> Self {
        let mut first_out = vec![0u32; nodes + 1];
        for &(a, b) in ends.iter().filter(|(a, b)| a != b) {
            first_out[a as usize + 1] += 1;
            first_out[b as usize + 1] += 1;
        }
        for i in 0..nodes {
            first_out[i + 1] += first_out[i];
        }
        let arcs = first_out[nodes] as usize;
        let (mut head, mut twin) = (vec![0; arcs], vec![0; arcs]);
        let mut next = first_out.clone();
        for &(a, b) in ends.iter().filter(|(a, b)| a != b) {
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
    /// balanced.
    fn min_cut(&self, line: &[u32]) -> (usize, Vec<bool>) {
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
        (value, side)
    }
}
