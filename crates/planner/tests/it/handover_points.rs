//! Fewest points on pure graphs: published instances, and small random graphs against brute force.

use planner::handover::net::{CLOSED, Costs, Net, Place, Search, Span};
use planner::handover::sweep::Sweeps;

use crate::map::Random;

/// A graph drawn by hand: two edges a road, every turn allowed but turning round.
struct Drawn {
    roads: Vec<(usize, usize)>,
    bans: Vec<(u32, u32)>,
}

impl Drawn {
    fn ends(&self, edge: u32) -> (usize, usize) {
        let (a, b) = self.roads[edge as usize / 2];
        if edge.is_multiple_of(2) {
            (a, b)
        } else {
            (b, a)
        }
    }

    fn next(&self, edge: u32) -> Vec<u32> {
        let head = self.ends(edge).1;
        (0..self.roads.len() as u32 * 2)
            .filter(|&e| self.ends(e).0 == head && e != edge ^ 1)
            .filter(|&e| !self.bans.contains(&(edge, e)))
            .collect()
    }

    fn net(&self) -> Net {
        let edges = self.roads.len() * 2;
        let (mut first, mut head) = (vec![0], Vec::new());
        for e in 0..edges as u32 {
            head.extend(self.next(e));
            first.push(head.len() as u32);
        }
        let kinds = vec![0; head.len()];
        Net::new(edges, (0..edges as u32).collect(), first, head, kinds)
    }

    /// Edges through the named junctions.
    fn path(&self, nodes: &[usize]) -> Vec<u32> {
        let find = |w: &[usize]| {
            let edges = 0..self.roads.len() as u32 * 2;
            edges
                .clone()
                .find(|&e| self.ends(e) == (w[0], w[1]))
                .unwrap()
        };
        nodes.windows(2).map(find).collect()
    }
}

fn costs(edge: Vec<u32>) -> Costs {
    Costs {
        edge,
        turn: vec![0],
        entry: vec![0],
    }
}

fn both_ways(road: &[u32]) -> Costs {
    costs(road.iter().flat_map(|&c| [c, c]).collect())
}

fn sweeps(panel: &[(&Net, &Costs)], span: &Span, margin: u32) -> Sweeps {
    let mut search = Search::default();
    let mut other = Search::default();
    Sweeps::new(
        span.start(),
        span.end(),
        |p| {
            let far =
                |limit, (net, c): &(&Net, &Costs)| search.ahead(net, c, span, margin, p, limit);
            panel.iter().fold(span.end(), far)
        },
        |p| {
            let far = |limit, (net, c): &(&Net, &Costs)| other.back(net, c, span, margin, p, limit);
            panel.iter().fold(span.start(), far)
        },
    )
}

/// The nets of a case: with bans and heading kept, without and free.
fn nets(case: &Case) -> [Net; 2] {
    let [strict, mut free] = [&case.graphs[0], &case.graphs[1]].map(Drawn::net);
    free.free = true;
    [strict, free]
}

/// Checks, section 7: a graph of which two routers disagree.
fn worked() -> (Drawn, Vec<u32>, Vec<u32>) {
    // A B C D E P Q = 0..7
    let roads = vec![
        (0, 1),
        (1, 2),
        (2, 3),
        (3, 4),
        (0, 5),
        (5, 6),
        (6, 4),
        (1, 5),
        (3, 6),
    ];
    let distance = vec![4, 4, 4, 4, 6, 7, 6, 5, 5];
    let time = vec![240, 240, 240, 240, 540, 630, 540, 450, 450];
    let graph = Drawn {
        roads,
        bans: Vec::new(),
    };
    (graph, distance, time)
}

#[test]
fn the_published_instance_needs_one_point_by_distance_and_two_by_time_or_both() {
    let (graph, distance, time) = worked();
    let mut net = graph.net();
    net.free = true;
    // Two candidates at junctions, P and Q: count by places at junctions only.
    let span = Span::new(graph.path(&[0, 5, 6, 4]), 0.0, 1.0).unwrap();
    let by_junctions = |panel: &[Costs]| {
        let mut search = Search::default();
        let mut joined = |a: usize, b: usize| {
            let from = Place {
                index: a,
                share: 0.0,
            };
            let to = match b {
                3 => span.end(),
                _ => Place {
                    index: b,
                    share: 0.0,
                },
            };
            panel
                .iter()
                .all(|c| search.ahead(&net, c, &span, 0, from, to) >= to)
        };
        let sets: [&[usize]; 4] = [&[], &[1], &[2], &[1, 2]];

        sets.map(|vias| {
            let mut stops = vec![0];
            stops.extend(vias);
            stops.push(3);
            stops.windows(2).all(|w| joined(w[0], w[1]))
        })
    };
    assert_eq!(
        by_junctions(&[both_ways(&distance)]),
        [false, true, true, true]
    );
    assert_eq!(
        by_junctions(&[both_ways(&time)]),
        [false, false, false, true]
    );
    let both = [both_ways(&distance), both_ways(&time)];
    assert_eq!(by_junctions(&both), [false, false, false, true]);
    // Inside edges one point may do what two junctions must: never more.
    let both = [(&net, &both[0]), (&net, &both[1])];
    assert_eq!(sweeps(&both[..1], &span, 0).latest.len(), 1);
    for panel in [&both[1..], &both[..]] {
        let found = sweeps(panel, &span, 0);
        assert!(
            found.agree() && (1..=2).contains(&found.latest.len()),
            "{found:?}"
        );
    }
}

#[test]
fn the_instance_without_a_solution_at_junctions_has_one_inside_an_edge() {
    // Checks, section 7: s-u 2, u-v 10, u-w 3, w-v 3, v-t 2, one-way; plan s-u-v-t.
    let graph = Drawn {
        roads: vec![(0, 1), (1, 2), (1, 3), (3, 2), (2, 4)],
        bans: Vec::new(),
    };
    let mut net = graph.net();
    net.free = true;
    let weights = [2000, 10_000, 3000, 3000, 2000];
    let one_way = costs(weights.iter().flat_map(|&c| [c, CLOSED]).collect());
    let span = Span::new(graph.path(&[0, 1, 2, 4]), 0.0, 1.0).unwrap();
    let mut search = Search::default();
    // No junction is joined to the next over the long road ...
    let far = search.ahead(&net, &one_way, &span, 0, place(0, 1.0), span.end());
    assert_eq!(far.index, 1);
    // ... but its middle is, from both sides.
    let middle = place(1, 0.5);
    assert!(search.ahead(&net, &one_way, &span, 0, span.start(), span.end()) >= middle);
    assert_eq!(
        search.ahead(&net, &one_way, &span, 0, middle, span.end()),
        span.end()
    );
    let found = sweeps(&[(&net, &one_way)], &span, 0);
    assert!(found.agree());
    assert_eq!(found.latest.len(), 1);
    assert!(found.earliest[0] <= middle && middle <= found.latest[0]);
}

fn place(index: usize, share: f64) -> Place {
    Place { index, share }
}

/// Cost of the line between two places and of the cheapest other way between them, by plain
/// relaxation over (edge, still on the line) until nothing changes.
fn rivals(
    graph: &Drawn,
    free: bool,
    costs: &Costs,
    span: &Span,
    margin: u32,
    a: Place,
    b: Place,
) -> [f64; 2] {
    let leaves_freely = free || a == span.start();
    let arrives_freely = free || b == span.end();
    let never = |allowed: bool| if allowed { 0.0 } else { f64::INFINITY };
    let line = &span.edges;
    let weight = |e: u32| match costs.edge[e as usize] {
        CLOSED => f64::INFINITY,
        c if line.contains(&e) => f64::from(c) * (1.0 + f64::from(margin) / 1000.0),
        c => f64::from(c),
    };
    let own = if a.index == b.index {
        (b.share - a.share) * weight(line[a.index])
    } else {
        let inner: f64 = line[a.index + 1..b.index].iter().map(|&e| weight(e)).sum();
        (1.0 - a.share) * weight(line[a.index]) + inner + b.share * weight(line[b.index])
    };
    let edges = graph.roads.len() * 2;
    // Cost at the start of an edge: by index on the line, or off it.
    let mut on: Vec<f64> = vec![f64::INFINITY; line.len() + 1];
    let mut off = vec![f64::INFINITY; edges];
    let (first, back) = (line[a.index], line[a.index] ^ 1);
    for e in graph.next(first) {
        let cost = (1.0 - a.share) * weight(first);
        if line.get(a.index + 1) == Some(&e) {
            on[a.index + 1] = cost;
        } else {
            off[e as usize] = off[e as usize].min(cost);
        }
    }
    for e in graph.next(back) {
        let cost = a.share * weight(back) + never(leaves_freely);
        off[e as usize] = off[e as usize].min(cost);
    }
    loop {
        let before = (on.clone(), off.clone());
        for i in a.index + 1..line.len() {
            for e in graph.next(line[i]) {
                let cost = on[i] + weight(line[i]);
                if line.get(i + 1) == Some(&e) {
                    on[i + 1] = on[i + 1].min(cost);
                } else {
                    off[e as usize] = off[e as usize].min(cost);
                }
            }
        }
        for f in 0..edges as u32 {
            for e in graph.next(f) {
                off[e as usize] = off[e as usize].min(off[f as usize] + weight(f));
            }
        }
        if (on.clone(), off.clone()) == before {
            break;
        }
    }
    let (last, reversed) = (line[b.index], line[b.index] ^ 1);
    let mut other = off[last as usize] + b.share * weight(last);
    let against = never(arrives_freely);
    other = other.min(off[reversed as usize] + (1.0 - b.share) * weight(reversed) + against);
    for i in a.index + 1..line.len() {
        // Reaching the place while riding on along the line, before or after its turn.
        if line[i] == last && i != b.index {
            other = other.min(on[i] + b.share * weight(last));
        }
        if line[i] == reversed {
            other = other.min(on[i] + (1.0 - b.share) * weight(reversed) + against);
        }
    }
    // Straight along the road one stands on.
    if last == first && a.index != b.index && b.share >= a.share {
        other = other.min((b.share - a.share) * weight(first));
    }
    if reversed == first && 1.0 - b.share >= a.share {
        other = other.min((1.0 - b.share - a.share) * weight(first) + against);
    }
    if last == back && b.share >= 1.0 - a.share {
        other = other.min((b.share - (1.0 - a.share)) * weight(back) + never(leaves_freely));
    }
    if reversed == back && a.index != b.index && 1.0 - b.share >= 1.0 - a.share {
        other = other.min((a.share - b.share) * weight(back) + against + never(leaves_freely));
    }
    [own, other]
}

/// A router: what it pays, whether it is free at points and heeds no bans.
type Asked = (Costs, bool);

struct Case {
    /// With its turn bans, and without.
    graphs: [Drawn; 2],
    panel: Vec<Asked>,
    span: Span,
    margin: u32,
}

fn random_case(random: &mut Random) -> Option<Case> {
    let nodes = 5 + random.below(5);
    let mut roads = Vec::new();
    for b in 1..nodes {
        roads.push((random.below(b), b));
    }
    for _ in 0..nodes {
        let (a, b) = (random.below(nodes), random.below(nodes));
        if a != b {
            roads.push((a, b));
        }
    }
    let mut graph = Drawn {
        roads,
        bans: Vec::new(),
    };
    let edges = graph.roads.len() * 2;
    for _ in 0..2 {
        let from = random.below(edges) as u32;
        let to = graph.next(from);
        if !to.is_empty() {
            graph.bans.push((from, to[random.below(to.len())]));
        }
    }
    let one_way: Vec<bool> = (0..edges).map(|_| random.below(12) == 0).collect();
    let panel: Vec<Asked> = (0..3)
        .map(|n| {
            let edge = (0..edges).map(|e| match one_way[e] {
                true => CLOSED,
                false => 1000 + random.below(9000) as u32,
            });
            (costs(edge.collect()), n > 0)
        })
        .collect();
    let mut edge = random.below(edges) as u32;
    let mut line = Vec::new();
    for _ in 0..3 + random.below(8) {
        if one_way[edge as usize] {
            break;
        }
        line.push(edge);
        let next = graph.next(edge);
        let next: Vec<u32> = next.into_iter().filter(|&e| !one_way[e as usize]).collect();
        if next.is_empty() {
            break;
        }
        edge = next[random.below(next.len())];
    }
    let share = |random: &mut Random| random.below(100) as f64 / 100.0;
    let (from, to) = (share(random), share(random));
    if line.len() < 2 {
        return None;
    }
    Some(Case {
        span: Span::new(line, from, to)?,
        graphs: [
            Drawn {
                roads: graph.roads.clone(),
                bans: graph.bans.clone(),
            },
            Drawn {
                roads: graph.roads,
                bans: Vec::new(),
            },
        ],
        panel,
        margin: [0, 50, 200][random.below(3)],
    })
}

#[test]
fn one_search_tells_how_far_a_place_is_joined_as_brute_force_does() {
    let mut random = Random(0x5eed_0007);
    let (mut compared, mut search) = (0, Search::default());
    for _ in 0..600 {
        let Some(case) = random_case(&mut random) else {
            continue;
        };
        let nets = nets(&case);
        let (start, end) = (case.span.start(), case.span.end());
        let places: Vec<Place> = (0..case.span.edges.len())
            .flat_map(|index| [0.13, 0.37, 0.61, 0.87].map(|share| Place { index, share }))
            .filter(|p| *p >= start && *p <= end)
            .collect();
        for (costs, free) in &case.panel {
            let (net, graph) = (&nets[usize::from(*free)], &case.graphs[usize::from(*free)]);
            let line = (&case.span, case.margin);
            let rivals = |a, b| rivals(graph, *free, costs, line.0, line.1, a, b);
            let reach = |search: &mut Search, a| search.ahead(net, costs, line.0, line.1, a, end);
            for (i, &a) in places.iter().enumerate() {
                let far = reach(&mut search, a);
                let told = || format!("{a:?} {far:?} {:?} {:?}", case.span, costs.edge);
                for &b in places[i + 1..].iter().filter(|b| **b <= far) {
                    let [own, other] = rivals(a, b);
                    assert!(own < other + 0.5, "{b:?} {own} {other} {}", told());
                    compared += 1;
                }
                // Just beyond, the line has lost.
                let beyond = match far.share {
                    s if s > 0.999 => place(far.index + 1, 1e-3),
                    s => place(far.index, s + 1e-3),
                };
                if far < end && beyond <= end {
                    let [own, other] = rivals(a, beyond);
                    assert!(own > other - 0.5, "{own} {other} {}", told());
                    compared += 1;
                }
                let near = search.back(net, costs, line.0, line.1, a, start);
                for &b in places[..i].iter().filter(|b| **b < a) {
                    let joined = reach(&mut search, b) >= a;
                    let close = (near.index == b.index) && (near.share - b.share).abs() < 1e-3;
                    assert!(close || joined == (near <= b), "{b:?} {near:?} {}", told());
                    compared += 1;
                }
            }
        }
    }
    assert!(compared > 20_000, "only {compared} pairs");
}

#[test]
fn both_sweeps_take_the_fewest_points_that_brute_force_finds() {
    let mut random = Random(0xface_0004);
    let mut cases = 0;
    for _ in 0..400 {
        let Some(case) = random_case(&mut random) else {
            continue;
        };
        let nets = nets(&case);
        let span = &case.span;
        let asked = case.panel.iter();
        let panel: Vec<_> = asked
            .map(|(c, free)| (&nets[usize::from(*free)], c))
            .collect();
        let found = sweeps(&panel, span, case.margin);
        if found.stuck > 0 {
            continue;
        }
        assert!(found.agree(), "{found:?} {span:?}");
        for (early, late) in found.earliest.iter().zip(&found.latest) {
            assert!(
                early.index < late.index
                    || (early.index == late.index && early.share <= late.share + 1e-4),
                "{early:?} {late:?}"
            );
        }
        // Fewest over a fine choice of places, which holds the sweep's own.
        let grid = |index| (1..10).map(move |k| (index, f64::from(k) / 10.0));
        let mut places: Vec<Place> = (0..span.edges.len())
            .flat_map(grid)
            .map(|(index, share)| Place { index, share })
            .chain(found.latest.iter().copied())
            .filter(|p| *p > span.start() && *p < span.end())
            .collect();
        places.push(span.start());
        places.push(span.end());
        places.sort_by(|a, b| a.partial_cmp(b).unwrap());
        places.dedup();
        let mut fewest = vec![usize::MAX; places.len()];
        fewest[0] = 0;
        for i in 0..places.len() {
            for j in 0..i {
                let (a, b) = (places[j], places[i]);
                let mut search = Search::default();
                let joined =
                    |(net, c): &(&Net, &Costs)| search.ahead(net, c, span, case.margin, a, b) >= b;
                if fewest[j] != usize::MAX && panel.iter().all(joined) {
                    fewest[i] = fewest[i].min(fewest[j] + 1);
                }
            }
        }
        let brute = fewest[places.len() - 1] - 1;
        assert_eq!(found.latest.len(), brute, "{found:?}");
        cases += 1;
    }
    assert!(cases > 100, "only {cases} cases");
}
