//! The path of least dislike within a limit, against all paths there are.

use shortest_paths::limited::{TwoWeights, least_within};
use shortest_paths::{INFINITY, Query};

use crate::Random;

struct Net {
    first_out: Vec<u32>,
    head: Vec<u32>,
    time: Vec<u32>,
    dislike: Vec<u32>,
}

fn random(r: &mut Random) -> Net {
    let n = 4 + r.below(6);
    let mut net = Net {
        first_out: vec![0],
        head: vec![],
        time: vec![],
        dislike: vec![],
    };
    for _ in 0..n {
        for _ in 0..2 + r.below(3) {
            net.head.push(r.below(n));
            let time = if r.below(30) == 0 {
                INFINITY
            } else {
                10 + r.below(90)
            };
            net.time.push(time);
            // As for roads: the dislike of a road is a part of its time.
            net.dislike
                .push(time / 100 * r.below(101) + time % 100 * r.below(101) / 100);
        }
        net.first_out.push(net.head.len() as u32);
    }
    net
}

/// The least dislike of a simple path within the limit.
fn exhaustive(net: &Net, at: u32, to: u32, left: u64, seen: u64, dislike: u64) -> Option<u64> {
    if at == to {
        return Some(dislike);
    }
    let row = net.first_out[at as usize] as usize..net.first_out[at as usize + 1] as usize;
    row.filter(|&a| net.time[a] != INFINITY && u64::from(net.time[a]) <= left)
        .filter(|&a| seen >> net.head[a] & 1 == 0)
        .filter_map(|a| {
            let next = net.head[a];
            let left = left - u64::from(net.time[a]);
            let sum = dislike + u64::from(net.dislike[a]);
            exhaustive(net, next, to, left, seen | 1 << next, sum)
        })
        .min()
}

#[test]
fn the_best_line_within_a_limit_is_near_the_best_of_all() {
    let mut r = Random(77);
    let (mut cases, mut equal, mut gap) = (0, 0, 0.0);
    for _ in 0..500 {
        let net = random(&mut r);
        let graph = crate::plain_graph(&net.first_out, &net.head);
        let two = TwoWeights {
            graph: &graph,
            first_out: &net.first_out,
            head: &net.head,
            time: &net.time,
            dislike: &net.dislike,
        };
        let n = graph.node_count() as u32;
        let (from, to) = (0, n - 1);
        let mut query = Query::new();
        let vias: Vec<u32> = (0..n).collect();
        let mut ask = |limit: u64| {
            least_within(
                &two,
                &mut query,
                &[(from, 0, 0)],
                &[(to, 0, 0)],
                limit,
                &vias,
                &mut |_| true,
            )
        };
        let Some(free) = ask(1 << 30) else {
            assert_eq!(exhaustive(&net, from, to, 1 << 30, 1, 0), None);
            continue;
        };
        let least = free.quickest.time;
        if least > 0 {
            assert_eq!(ask(least - 1), None, "quicker than the quickest");
        }
        for limit in [least, least * 5 / 4, least * 3 / 2, least * 2] {
            let best = exhaustive(&net, from, to, limit, 1, 0).unwrap();
            let found = ask(limit).unwrap();
            assert!(found.best.time <= limit, "over the limit");
            assert!(found.best.dislike >= best, "better than possible");
            assert!(found.bound <= best as f64 + 1.0, "{} {best}", found.bound);
            let walk = found.best.nodes.windows(2);
            assert_eq!(found.best.nodes.first(), Some(&from));
            assert_eq!(found.best.nodes.last(), Some(&to));
            for w in walk {
                let row = net.first_out[w[0] as usize]..net.first_out[w[0] as usize + 1];
                assert!(row.into_iter().any(|a| net.head[a as usize] == w[1]));
            }
            cases += 1;
            equal += u32::from(found.best.dislike == best);
            gap += (found.best.dislike - best) as f64 / (best as f64).max(1.0);
        }
    }
    let mean = gap / f64::from(cases) * 100.0;
    assert!(cases > 1000);
    assert!(
        f64::from(equal) >= 0.97 * f64::from(cases),
        "{equal} of {cases}"
    );
    assert!(mean < 1.0, "{mean} %");
}
