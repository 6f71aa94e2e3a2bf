//! Walks over random maps with random restrictions: the turn graph lets through what a plain
//! reading of the rules lets through, and nothing else.

use std::collections::BTreeMap;

use region::Edge;
use synth::ascii;

use crate::roads_maps::{Map, map};

const SIDE: usize = 3;
const EDGES_OF_A_WALK: usize = 6;

/// Numbers of a linear congruential generator (Knuth's MMIX constants).
struct Random(u64);

impl Random {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % n
    }
}

fn letter(node: usize) -> char {
    char::from(b'A' + node as u8)
}

/// Which neighbouring nodes of a grid are joined by a road.
struct Grid {
    roads: Vec<(usize, usize)>,
    art: String,
}

impl Grid {
    fn random(random: &mut Random) -> Grid {
        let (mut roads, mut art) = (Vec::new(), String::new());
        for row in 0..SIDE {
            let mut below = String::new();
            for column in 0..SIDE {
                let node = row * SIDE + column;
                art.push(letter(node));
                for (to, is_there, sign, line) in [
                    (node + 1, column + 1 < SIDE, '-', &mut art),
                    (node + SIDE, row + 1 < SIDE, '|', &mut below),
                ] {
                    let drawn = is_there && random.below(6) > 0;
                    line.push(if drawn { sign } else { ' ' });
                    if drawn {
                        roads.push((node, to));
                    }
                }
                below.push(' ');
            }
            art.push('\n');
            art.push_str(&below);
            art.push('\n');
        }
        Grid { roads, art }
    }

    fn neighbours(&self, node: usize) -> Vec<usize> {
        let other = |&(a, b): &(usize, usize)| match node {
            _ if a == node => Some(b),
            _ if b == node => Some(a),
            _ => None,
        };
        self.roads.iter().filter_map(other).collect()
    }

    /// A path over `nodes` different nodes; `None` where one gets stuck.
    fn path(&self, random: &mut Random, nodes: usize) -> Option<Vec<usize>> {
        let mut path = vec![random.below(SIDE * SIDE)];
        while path.len() < nodes {
            let mut next = self.neighbours(*path.last()?);
            next.retain(|n| !path.contains(n));
            path.push(*next.get(random.below(next.len().max(1)))?);
        }
        Some(path)
    }
}

struct Rule {
    only: bool,
    path: Vec<usize>,
}

impl Rule {
    /// Whether the last step of a walk breaks the rule.
    fn forbids(&self, walk: &[usize]) -> bool {
        if !self.only {
            return walk.ends_with(&self.path);
        }
        // The prescription holds from the second node of a via node, and from the end of the
        // first via way on; before that one may leave as one likes.
        let first = if self.path.len() == 3 { 2 } else { 3 };
        let (last, before) = walk.split_last().unwrap();
        (first..self.path.len())
            .any(|at| before.ends_with(&self.path[..at]) && *last != self.path[at])
    }
}

/// Rides on from a walk in every direction and compares; gives the number of steps compared and
/// how many of them rules forbid.
fn compare(
    map: &Map,
    grid: &Grid,
    rules: &[Rule],
    edges: &BTreeMap<(usize, usize), Edge>,
    walk: &mut Vec<usize>,
    state: u32,
) -> (usize, usize) {
    let r = &map.region;
    let (here, before) = (walk[walk.len() - 1], walk[walk.len() - 2]);
    let neighbours = grid.neighbours(here);
    let (mut steps, mut forbidden) = (0, 0);
    for &next in &neighbours {
        let edge = edges[&(here, next)];
        let arcs = r.turn_first_out()[state as usize] as usize
            ..r.turn_first_out()[state as usize + 1] as usize;
        let heads: Vec<u32> = r.turn_head()[arcs]
            .iter()
            .copied()
            .filter(|&head| r.state_edge()[head as usize] == edge.0)
            .collect();
        walk.push(next);
        let by_rule = rules.iter().any(|rule| rule.forbids(walk));
        let turns_round = next == before && neighbours.len() > 1;
        let want = usize::from(!by_rule && !turns_round);
        let names: String = walk.iter().map(|&n| letter(n)).collect();
        assert_eq!(heads.len(), want, "{names} on\n{}", grid.art);
        steps += 1;
        forbidden += usize::from(by_rule && !turns_round);
        if let (Some(&head), true) = (heads.first(), walk.len() <= EDGES_OF_A_WALK) {
            let more = compare(map, grid, rules, edges, walk, head);
            steps += more.0;
            forbidden += more.1;
        }
        walk.pop();
    }
    (steps, forbidden)
}

#[test]
fn every_walk_is_let_through_or_stopped_as_the_rules_say() {
    let mut random = Random(1);
    let (mut steps, mut forbidden) = (0, 0);
    for _ in 0..40 {
        let grid = Grid::random(&mut random);
        let mut sketch = ascii(&grid.art);
        let mut rules = Vec::new();
        for _ in 0..6 {
            let nodes = 3 + random.below(3);
            let only = random.below(4) == 0;
            let Some(path) = grid.path(&mut random, nodes) else {
                continue;
            };
            let letters: String = path.iter().map(|&n| letter(n)).collect();
            let kind = if only {
                "only_straight_on"
            } else {
                "no_straight_on"
            };
            sketch = sketch.restriction(kind, &letters, &[]);
            rules.push(Rule { only, path });
        }
        let map = map(sketch);
        let both_ways = |&(a, b): &(usize, usize)| [(a, b), (b, a)];
        let edge = |(a, b)| map.edge(&format!("{}{}", letter(a), letter(b)));
        let edges: BTreeMap<_, _> = grid
            .roads
            .iter()
            .flat_map(both_ways)
            .map(|ends| (ends, edge(ends)))
            .collect();
        for (&(a, b), edge) in &edges {
            let found = compare(&map, &grid, &rules, &edges, &mut vec![a, b], edge.0);
            steps += found.0;
            forbidden += found.1;
        }
    }
    assert!(steps > 20_000 && forbidden > 1_000, "{steps} {forbidden}");
}
