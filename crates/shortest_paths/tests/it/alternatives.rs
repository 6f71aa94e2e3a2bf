//! Alternatives against the definitions of the paper, checked pair by pair.

use shortest_paths::alternatives::{
    Alternative, Limits, Question, Weighed, alternatives, judge_via,
};
use shortest_paths::{Graph, INFINITY, Metric, Query};

use crate::Random;

struct Net {
    first_out: Vec<u32>,
    head: Vec<u32>,
    weights: Vec<u32>,
    graph: Graph,
    metric: Metric,
}

impl Net {
    fn new(nodes: u32, arcs: &[(u32, u32, u32)]) -> Self {
        let (mut first_out, mut head, mut weights) = (vec![0], vec![], vec![]);
        for v in 0..nodes {
            for &(_, to, weight) in arcs.iter().filter(|a| a.0 == v) {
                head.push(to);
                weights.push(weight);
            }
            first_out.push(head.len() as u32);
        }
        let graph = crate::plain_graph(&first_out, &head);
        let metric = Metric::new(&graph, weights.clone()).unwrap();
        Net {
            first_out,
            head,
            weights,
            graph,
            metric,
        }
    }

    fn weighed(&self) -> Weighed<'_> {
        Weighed {
            graph: &self.graph,
            metric: &self.metric,
            first_out: &self.first_out,
            head: &self.head,
        }
    }

    /// All shortest distances (Floyd, Warshall).
    fn distances(&self) -> Vec<Vec<u64>> {
        let n = self.first_out.len() - 1;
        let mut d = vec![vec![u64::from(INFINITY); n]; n];
        for (v, row) in d.iter_mut().enumerate() {
            row[v] = 0;
            for a in self.first_out[v] as usize..self.first_out[v + 1] as usize {
                let w = self.head[a] as usize;
                row[w] = row[w].min(u64::from(self.weights[a]));
            }
        }
        for k in 0..n {
            for i in 0..n {
                for j in 0..n {
                    d[i][j] = d[i][j].min(d[i][k] + d[k][j]);
                }
            }
        }
        d
    }
}

/// Share with the optimum of 100, stretch of the whole and of the detour: CHECKS section 9.
#[test]
fn the_worked_example_fails_by_its_detour() {
    // s 0 -35-> a 1 -30-> b 2 -35-> t 3, and a -25-> v 4 -25-> b.
    let net = Net::new(
        5,
        &[(0, 1, 35), (1, 2, 30), (2, 3, 35), (1, 4, 25), (4, 2, 25)],
    );
    let mut query = Query::new();
    let limits = Limits::default();
    let (from, to) = ([(0, 0)], [(3, 0)]);
    let over = judge_via(&net.weighed(), &mut query, &from, &to, 4, &limits).unwrap();
    assert_eq!(over.nodes, [0, 1, 4, 2, 3]);
    assert_eq!(over.cost, 120);
    assert!((over.sharing - 0.70).abs() < 1e-9 && over.sharing <= limits.sharing);
    assert!((over.stretch - 1.20).abs() < 1e-9 && over.stretch <= limits.stretch);
    assert!((over.detour - 50.0 / 30.0).abs() < 1e-9);
    assert!(!over.keeps(&limits));
    let vias = [0, 1, 2, 3, 4];
    let found = alternatives(
        &net.weighed(),
        &mut query,
        &Question {
            sources: &from,
            targets: &to,
            vias: &vias,
            limits,
            how_many: 3,
        },
        &mut || true,
    );
    let (optimum, others) = found.unwrap();
    assert_eq!((optimum.cost, others.len()), (100, 0));
}

#[test]
fn what_is_offered_keeps_every_condition_on_every_part() {
    let mut r = Random(31);
    let (mut offered, mut missed) = (0, 0);
    for _ in 0..400 {
        let net = town(&mut r);
        let n = net.first_out.len() as u32 - 1;
        let d = net.distances();
        let limits = Limits::default();
        let (s, t) = (0, n - 1);
        let vias: Vec<u32> = (0..n).collect();
        let mut query = Query::new();
        let (from, to) = ([(s, 0)], [(t, 0)]);
        let found = alternatives(
            &net.weighed(),
            &mut query,
            &Question {
                sources: &from,
                targets: &to,
                vias: &vias,
                limits,
                how_many: 10,
            },
            &mut || true,
        );
        let Some((optimum, others)) = found else {
            assert_eq!(d[s as usize][t as usize], u64::from(INFINITY));
            continue;
        };
        let best = d[s as usize][t as usize];
        assert_eq!(u64::from(optimum.cost), best);
        for a in &others {
            offered += 1;
            assert!(holds(&net, &d, a, best, &limits), "{a:?}");
            let shared = common(&net, &a.nodes, &optimum.nodes);
            assert!(shared as f64 <= 0.8 * best as f64);
            for b in others.iter().filter(|b| *b != a) {
                assert!(common(&net, &a.nodes, &b.nodes) as f64 <= 0.8 * best as f64);
            }
        }
        // A via over which all conditions hold, with room to spare for the T-test (twice the
        // reach, and an arc of at most 70 on either side), is among them, or too like one of them.
        let strict = Limits {
            local: 0.5 + 140.0 / best as f64,
            ..limits
        };
        for via in 0..n {
            let a = judge_via(&net.weighed(), &mut query, &from, &to, via, &limits);
            let Some(a) = a.filter(|a| a.cost > best) else {
                continue;
            };
            if a.sharing <= 0.8 && holds(&net, &d, &a, best, &strict) && a.stretch <= 1.25 {
                let known = others
                    .iter()
                    .any(|b| common(&net, &a.nodes, &b.nodes) as f64 > 0.8 * best as f64);
                // Equal costs hide one another.
                let twin = others.iter().any(|b| b.cost == a.cost);
                missed += u32::from(!known && !twin && !others.contains(&a));
            }
        }
    }
    assert!(offered > 50, "{offered}");
    assert_eq!(missed, 0);
}

/// A bent grid of streets, some one way.
fn town(r: &mut Random) -> Net {
    let (w, h) = (3 + r.below(3), 3 + r.below(3));
    let mut arcs = Vec::new();
    for y in 0..h {
        for x in 0..w {
            for (dx, dy) in [(1, 0), (0, 1)] {
                let (a, b) = (y * w + x, (y + dy) * w + x + dx);
                if x + dx < w && y + dy < h && r.below(12) > 0 {
                    let weight = 40 + r.below(30);
                    arcs.push((a, b, weight));
                    if r.below(8) > 0 {
                        arcs.push((b, a, weight));
                    }
                }
            }
        }
    }
    Net::new(w * h, &arcs)
}

/// The definitions, on every part of the path.
fn holds(net: &Net, d: &[Vec<u64>], a: &Alternative, best: u64, limits: &Limits) -> bool {
    let nodes = &a.nodes;
    let mut along = vec![0];
    for w in nodes.windows(2) {
        along.push(along[along.len() - 1] + weight(net, w[0], w[1]));
    }
    assert_eq!(along[along.len() - 1], a.cost);
    (0..nodes.len()).all(|i| {
        (i + 1..nodes.len()).all(|j| {
            let ridden = along[j] - along[i];
            let shortest = d[nodes[i] as usize][nodes[j] as usize];
            let short = ridden as f64 <= limits.local * best as f64;
            (!short || ridden == shortest) && ridden as f64 <= limits.stretch * shortest as f64
        })
    })
}

fn weight(net: &Net, from: u32, to: u32) -> u64 {
    let row = net.first_out[from as usize] as usize..net.first_out[from as usize + 1] as usize;
    let arcs = row.filter(|&a| net.head[a] == to);
    u64::from(arcs.map(|a| net.weights[a]).min().unwrap())
}

fn common(net: &Net, a: &[u32], b: &[u32]) -> u64 {
    let on = |w: &[u32]| b.windows(2).any(|v| v == w);
    let arcs = a.windows(2).filter(|w| on(w));
    arcs.map(|w| weight(net, w[0], w[1])).sum()
}
