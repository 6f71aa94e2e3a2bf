//! Against naive oracles on small random graphs: Bellman and Ford's relaxation in 64 bits.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use shortest_paths::dijkstra::Search;
use shortest_paths::order::edge_order;
use shortest_paths::{
    Columns, Contraction, Customizer, End, Graph, GraphError, INFINITY, Metric, MetricError, NONE,
    Query, Topology,
};

#[path = "it/alternatives.rs"]
mod alternatives;
#[path = "it/limited.rs"]
mod limited;
#[path = "it/orienteering.rs"]
mod orienteering;

/// SplitMix64 (Steele, Lea, Flood 2014): seeded and the same everywhere.
struct Random(u64);

impl Random {
    fn below(&mut self, limit: u32) -> u32 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ z >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ z >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ z >> 31) % u64::from(limit)) as u32
    }
}

struct Case {
    first_out: Vec<u32>,
    head: Vec<u32>,
    weights: Vec<u32>,
}

/// Up to 24 nodes; self loops and parallel arcs included; weights from one of several worlds.
fn random_case(r: &mut Random) -> Case {
    let nodes = 1 + r.below(24);
    let world = r.below(5);
    let (mut first_out, mut head, mut weights) = (vec![0], vec![], vec![]);
    for _ in 0..nodes {
        for _ in 0..r.below(5) {
            head.push(r.below(nodes));
            weights.push(match world {
                0 => r.below(10),
                1 => r.below(2),
                2 if r.below(3) == 0 => INFINITY,
                2 => r.below(1000),
                3 => INFINITY - r.below(3),
                _ => INFINITY / 4 + r.below(100),
            });
        }
        first_out.push(head.len() as u32);
    }
    Case {
        first_out,
        head,
        weights,
    }
}

fn random_ends(r: &mut Random, nodes: u32) -> Vec<End> {
    let offset = |r: &mut Random| match r.below(8) {
        0 => INFINITY,
        1 => INFINITY - r.below(4),
        _ => r.below(50),
    };
    (0..r.below(4))
        .map(|_| (r.below(nodes), offset(r)))
        .collect()
}

/// The graph of a case, contracted in a random order.
fn contracted(case: &Case, r: &mut Random) -> Graph {
    let mut order: Vec<u32> = (0..case.first_out.len() as u32 - 1).collect();
    for i in (1..order.len()).rev() {
        order.swap(i, r.below(i as u32 + 1) as usize);
    }
    let columns = Contraction::new(&case.first_out, &case.head, &order).unwrap();
    Graph::new(Arc::new(columns)).unwrap()
}

/// A graph contracted as its nodes come.
fn plain_graph(first_out: &[u32], head: &[u32]) -> Graph {
    let order: Vec<u32> = (0..first_out.len() as u32 - 1).collect();
    let columns = Contraction::new(first_out, head, &order).unwrap();
    Graph::new(Arc::new(columns)).unwrap()
}

/// Cost to every node from a set of sources; anything that reaches the limit is no way.
fn oracle(case: &Case, sources: &[End]) -> Vec<u64> {
    let limit = u64::from(INFINITY);
    let n = case.first_out.len() - 1;
    let mut cost = vec![limit; n];
    for &(v, c) in sources {
        cost[v as usize] = cost[v as usize].min(u64::from(c));
    }
    for _ in 0..n {
        for v in 0..n {
            for arc in case.first_out[v] as usize..case.first_out[v + 1] as usize {
                let through = cost[v] + u64::from(case.weights[arc]);
                let head = case.head[arc] as usize;
                if through < limit {
                    cost[head] = cost[head].min(through);
                }
            }
        }
    }
    cost
}

fn oracle_between(case: &Case, sources: &[End], targets: &[End]) -> u32 {
    let cost = oracle(case, sources);
    let sums = targets
        .iter()
        .map(|&(v, c)| cost[v as usize] + u64::from(c));
    sums.min().unwrap_or(u64::MAX).min(u64::from(INFINITY)) as u32
}

#[test]
fn equals_the_oracle_on_random_graphs() {
    let mut r = Random(1);
    let mut query = Query::new();
    let (mut found, mut not_found) = (0, 0);
    for round in 0..20_000 {
        let case = random_case(&mut r);
        let nodes = case.first_out.len() as u32 - 1;
        let graph = contracted(&case, &mut r);
        let metric = Metric::new(&graph, case.weights.clone()).unwrap();
        let (sources, targets) = (random_ends(&mut r, nodes), random_ends(&mut r, nodes));
        let want = oracle_between(&case, &sources, &targets);
        let Some(path) = query.run(&graph, &metric, &sources, &targets) else {
            assert_eq!(want, INFINITY, "round {round}: a way was missed");
            not_found += 1;
            continue;
        };
        found += 1;
        assert_eq!(path.cost, want, "round {round}");
        // The path is one, and costs what it says.
        let (source, target) = (sources[path.source], targets[path.target]);
        assert_eq!(
            (path.nodes[0], *path.nodes.last().unwrap()),
            (source.0, target.0)
        );
        let mut sum = u64::from(source.1) + u64::from(target.1);
        for pair in path.nodes.windows(2) {
            let row = case.first_out[pair[0] as usize]..case.first_out[pair[0] as usize + 1];
            let arcs = row.filter(|&a| case.head[a as usize] == pair[1]);
            sum += arcs
                .map(|a| u64::from(case.weights[a as usize]))
                .min()
                .expect("an arc");
        }
        assert_eq!(sum, u64::from(path.cost), "round {round}");
    }
    assert!(
        found > 4000 && not_found > 4000,
        "{found} found, {not_found} not"
    );
}

#[test]
fn tables_equal_the_oracle_in_both_directions() {
    let mut r = Random(2);
    let mut query = Query::new();
    for round in 0..3000 {
        let case = random_case(&mut r);
        let nodes = case.first_out.len() as u32 - 1;
        let graph = contracted(&case, &mut r);
        let metric = Metric::new(&graph, case.weights.clone()).unwrap();
        let mut groups = || {
            let count = r.below(5);
            (0..count)
                .map(|_| random_ends(&mut r, nodes))
                .collect::<Vec<_>>()
        };
        let (sources, targets) = (groups(), groups());
        let table = query.table(&graph, &metric, &sources, &targets);
        let want: Vec<u32> = sources
            .iter()
            .flat_map(|s| targets.iter().map(|t| oracle_between(&case, s, t)))
            .collect();
        assert_eq!(table, want, "round {round}");
    }
}

#[test]
fn equal_questions_have_equal_answers() {
    let mut r = Random(3);
    let mut used = Query::new();
    for _ in 0..500 {
        let mut case = random_case(&mut r);
        case.weights.iter_mut().for_each(|w| *w = 1); // many ties
        let nodes = case.first_out.len() as u32 - 1;
        let graph = contracted(&case, &mut r);
        let metric = Metric::new(&graph, case.weights.clone()).unwrap();
        let (s, t) = (random_ends(&mut r, nodes), random_ends(&mut r, nodes));
        let fresh = Query::new().run(&graph, &metric, &s, &t);
        assert_eq!(used.run(&graph, &metric, &s, &t), fresh);
    }
}

#[test]
fn components_are_who_reaches_whom() {
    let mut r = Random(4);
    for _ in 0..500 {
        let case = random_case(&mut r);
        let n = case.first_out.len() - 1;
        let graph = contracted(&case, &mut r);
        let unit = Case {
            weights: vec![1; case.head.len()],
            ..case
        };
        let reach: Vec<Vec<bool>> = (0..n as u32)
            .map(|v| {
                oracle(&unit, &[(v, 0)])
                    .iter()
                    .map(|&c| c < u64::from(INFINITY))
                    .collect()
            })
            .collect();
        let strong: Vec<u32> = (0..n)
            .map(|v| (0..n).find(|&w| reach[v][w] && reach[w][v]).unwrap() as u32)
            .collect();
        assert_eq!(graph.strong_components(), strong);
        let weak = graph.weak_components();
        for v in 0..n {
            assert!(weak[v] as usize <= v);
            for w in (0..n).filter(|&w| reach[v][w]) {
                assert_eq!(weak[v], weak[w]);
            }
        }
    }
}

#[test]
fn weak_components_keep_apart_what_no_arc_joins() {
    let columns = Contraction::new(&[0, 1, 1, 2, 2], &[1, 1], &[3, 1, 0, 2]).unwrap();
    let graph = Graph::new(Arc::new(columns)).unwrap();
    assert_eq!(graph.weak_components(), [0, 0, 0, 3]);
    assert_eq!(graph.strong_components(), [0, 1, 2, 3]);
}

#[test]
fn what_is_no_graph_is_refused() {
    let refused = |first_out: &[u32], head: &[u32], order: &[u32]| {
        Contraction::new(first_out, head, order).unwrap_err()
    };
    assert_eq!(refused(&[], &[], &[]), GraphError::Partition { arcs: 0 });
    assert_eq!(
        refused(&[0, 2, 1], &[0], &[0, 1]),
        GraphError::Partition { arcs: 1 }
    );
    assert_eq!(
        refused(&[1, 1], &[0], &[0]),
        GraphError::Partition { arcs: 1 }
    );
    assert_eq!(
        refused(&[0, 1], &[1], &[0]),
        GraphError::Head {
            arc: 0,
            head: 1,
            nodes: 1
        }
    );
    for order in [&[0, 0][..], &[0], &[0, 2], &[0, 1, 1]] {
        assert_eq!(
            refused(&[0, 1, 1], &[1], order),
            GraphError::Order { nodes: 2 }
        );
    }
    let columns = Contraction::new(&[0, 1], &[0], &[0]).unwrap();
    let graph = Graph::new(Arc::new(columns)).unwrap();
    assert_eq!(
        Metric::new(&graph, vec![]).unwrap_err(),
        MetricError::Length {
            weights: 0,
            arcs: 1
        }
    );
    let cancelled = Customizer::new().run(&graph, [vec![1]], 1, &AtomicBool::new(true));
    assert_eq!(cancelled.unwrap_err(), MetricError::Cancelled);
    // Foreign ends are ignored, and a metric of another graph finds nothing.
    let metric = Metric::new(&graph, vec![1]).unwrap();
    assert_eq!(
        Query::new().run(&graph, &metric, &[(7, 0)], &[(0, 0)]),
        None
    );
    assert_eq!(
        Query::new().table(&graph, &metric, &[vec![(0, 1)]], &[vec![(9, 0)]]),
        [INFINITY]
    );
    let columns = Contraction::new(&[0, 1, 1], &[1], &[0, 1]).unwrap();
    let other = Graph::new(Arc::new(columns)).unwrap();
    assert_eq!(
        Query::new().run(&other, &metric, &[(0, 0)], &[(0, 0)]),
        None
    );
}

/// Columns with one number changed.
struct Hostile(Contraction);

impl Columns for Hostile {
    fn topology(&self) -> Topology<'_> {
        self.0.topology()
    }
}

/// Any single number changed in the columns is refused, or does no more harm than a wrong answer:
/// nothing panics, nothing runs for ever, and the next search is not spoilt.
#[test]
fn hostile_columns_are_refused_or_harmless() {
    let mut r = Random(9);
    let (mut refused, mut harmless) = (0, 0);
    for _ in 0..400 {
        let case = random_case(&mut r);
        let order: Vec<u32> = (0..case.first_out.len() as u32 - 1).rev().collect();
        let good = Contraction::new(&case.first_out, &case.head, &order).unwrap();
        for _ in 0..20 {
            let mut bad = good.clone();
            let [up, down] = &mut bad.half;
            let mut columns = [
                &mut bad.first_out,
                &mut bad.head,
                &mut bad.rank,
                &mut bad.order,
                &mut bad.parent,
                &mut bad.slot,
                &mut up.first_out,
                &mut up.head,
                &mut down.first_out,
                &mut down.head,
                &mut bad.first_low,
                &mut bad.low,
                &mut bad.third,
            ];
            let column = &mut columns[r.below(13) as usize];
            if column.is_empty() {
                continue;
            }
            let at = r.below(column.len() as u32) as usize;
            match r.below(4) {
                0 => column[at] = NONE,
                1 => column[at] ^= 1 << r.below(32),
                2 => drop(column.pop()),
                _ => column[at] = r.below(30),
            }
            if bad == good {
                continue;
            }
            let Ok(graph) = Graph::new(Arc::new(Hostile(bad))) else {
                refused += 1;
                continue;
            };
            harmless += 1;
            let weights = vec![1; graph.arc_count()];
            let never = AtomicBool::new(false);
            for threads in 1..3 {
                let [metric] = Customizer::new()
                    .run(&graph, [weights.clone()], threads, &never)
                    .unwrap();
                let mut query = Query::new();
                for v in 0..graph.node_count() as u32 {
                    query.run(&graph, &metric, &[(v, 0)], &[(0, 0), (1, 3)]);
                }
            }
        }
    }
    assert!(refused > 4000, "{refused} refused, {harmless} not");
}

/// Several metrics at once, on any number of threads, into used memory: each is the one that is
/// made alone.
#[test]
fn metrics_are_the_same_however_they_are_made() {
    let mut r = Random(77);
    let never = AtomicBool::new(false);
    let mut customizer = Customizer::new();
    for round in 0..400 {
        let case = random_case(&mut r);
        let graph = contracted(&case, &mut r);
        let double: Vec<u32> = case.weights.iter().map(|&w| w.saturating_mul(2)).collect();
        let threads = 1 + round % 3;
        let both = customizer.run(
            &graph,
            [case.weights.clone(), double.clone()],
            threads,
            &never,
        );
        let [one, two] = both.unwrap();
        assert_eq!(one, Metric::new(&graph, case.weights.clone()).unwrap());
        assert_eq!(two, Metric::new(&graph, double.clone()).unwrap());
        let [again] = customizer
            .run(&graph, [case.weights.clone()], threads, &never)
            .unwrap();
        assert_eq!(one, again, "round {round}");
        customizer.retire(again);
    }
}

/// A few weights changed: the metric mended is the metric made afresh.
#[test]
fn updates_equal_a_new_metric() {
    let mut r = Random(78);
    let mut lowered = 0;
    for _ in 0..3000 {
        let mut case = random_case(&mut r);
        if case.head.is_empty() {
            continue;
        }
        let graph = contracted(&case, &mut r);
        let mut metric = Metric::new(&graph, case.weights.clone()).unwrap();
        for _ in 0..3 {
            let mut changed = Vec::new();
            for _ in 0..1 + r.below(3) {
                let arc = r.below(case.head.len() as u32);
                let weight = match r.below(3) {
                    0 => INFINITY,
                    _ => r.below(1000),
                };
                lowered += u32::from(weight < case.weights[arc as usize]);
                case.weights[arc as usize] = weight;
                changed.push((arc, weight));
            }
            metric.update(&graph, &changed);
            assert_eq!(metric, Metric::new(&graph, case.weights.clone()).unwrap());
        }
    }
    assert!(lowered > 1000);
}

/// The plain search the benchmarks measure against equals the oracle too.
#[test]
fn dijkstra_equals_the_oracle() {
    let mut r = Random(79);
    let mut search = Search::new();
    for _ in 0..3000 {
        let case = random_case(&mut r);
        let nodes = case.first_out.len() as u32 - 1;
        let (s, t) = (random_ends(&mut r, nodes), random_ends(&mut r, nodes));
        let found = search.run(&case.first_out, &case.head, &case.weights, &s, &t);
        let cost = found.as_ref().map_or(INFINITY, |f| f.0);
        assert_eq!(cost, oracle_between(&case, &s, &t));
    }
}

/// Dead ends, chains, rings, loops, parallel edges and separate parts: every edge gets its place.
#[test]
fn every_edge_of_any_multigraph_is_ordered_once() {
    let mut r = Random(12);
    for _ in 0..2000 {
        let nodes = 1 + r.below(30);
        let coordinate = |r: &mut Random| (0..nodes).map(|_| r.below(50) as i32).collect();
        let (x, y): (Vec<i32>, Vec<i32>) = (coordinate(&mut r), coordinate(&mut r));
        let edges = r.below(45);
        let end = |r: &mut Random| (0..edges).map(|_| r.below(nodes)).collect();
        let (from, to): (Vec<u32>, Vec<u32>) = (end(&mut r), end(&mut r));
        let order = edge_order(&x, &y, &from, &to, 1, &|_| true).unwrap();
        let mut sorted = order.clone();
        sorted.sort_unstable();
        let all: Vec<u32> = (0..edges).collect();
        assert_eq!(sorted, all, "{from:?} {to:?}");
    }
}

/// On a plane grid the order is one of all edges, the same for any number of threads, and keeps
/// the contracted graph far smaller than the order the edges came in.
#[test]
fn nested_dissection_orders_every_edge_and_saves_arcs() {
    let side = 70u32;
    let mut r = Random(3);
    let at = |i: u32, r: &mut Random| (i * 100 + r.below(60)) as i32;
    let x: Vec<i32> = (0..side * side).map(|i| at(i % side, &mut r)).collect();
    let y: Vec<i32> = (0..side * side).map(|i| at(i / side, &mut r)).collect();
    let (mut from, mut to) = (vec![], vec![]);
    for node in 0..side * side {
        for (inside, other) in [
            (node % side + 1 < side, node + 1),
            (node / side + 1 < side, node + side),
        ] {
            if inside && r.below(10) > 1 {
                from.push(node);
                to.push(other);
            }
        }
    }
    let order = edge_order(&x, &y, &from, &to, 1, &|_| true).unwrap();
    let twice = edge_order(&x, &y, &from, &to, 2, &|_| true).unwrap();
    assert_eq!(order, twice);
    assert_eq!(edge_order(&x, &y, &from, &to, 2, &|_| false), None);
    let mut sorted = order.clone();
    sorted.sort_unstable();
    assert!(sorted.iter().enumerate().all(|(i, &e)| i as u32 == e));

    // The turn-expanded graph: a node for each direction of each edge, no turning round.
    let mut out = vec![vec![]; x.len()];
    for e in 0..from.len() as u32 {
        out[from[e as usize] as usize].push(2 * e);
        out[to[e as usize] as usize].push(2 * e + 1);
    }
    let (mut first_out, mut head) = (vec![0u32], vec![]);
    for edge in 0..2 * from.len() as u32 {
        let ends = if edge % 2 == 0 { &to } else { &from };
        let next = &out[ends[edge as usize / 2] as usize];
        head.extend(next.iter().copied().filter(|&e| e != edge ^ 1));
        first_out.push(head.len() as u32);
    }
    let both = |e: u32| [2 * e, 2 * e + 1];
    let good: Vec<u32> = order.iter().flat_map(|&e| both(e)).collect();
    let plain: Vec<u32> = (0..from.len() as u32).flat_map(both).collect();
    let arcs = |order: &[u32]| {
        Contraction::new(&first_out, &head, order)
            .unwrap()
            .arc_count()
    };
    assert!(
        arcs(&good) * 3 < arcs(&plain),
        "{} of {}",
        arcs(&good),
        arcs(&plain)
    );
}
