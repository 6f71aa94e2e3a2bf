//! Ways through the turn graph: against an independent search, and by the rules of turning.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap, HashSet};

use planner::Planner;
use planner::document::{LegKind, Tour};
use planner::plan::Plan;
use region::{Access, Edge, LocalFrame, Point};

use crate::map::{Map, ORIGIN, Random, corners, tour};

fn plan(planner: &Planner, tour: &Tour) -> Plan {
    planner.plan(tour, &HashSet::new()).unwrap()
}

fn lines(plan: &Plan) -> Vec<Vec<[i64; 2]>> {
    plan.legs
        .iter()
        .map(|l| corners(l.line.as_ref().unwrap()))
        .collect()
}

const STEP_M: f64 = 200.0;

/// A grid of streets, a little crooked, with one-ways, closed roads, gaps and forbidden turns.
fn random_town(r: &mut Random) -> Map {
    let (columns, rows) = (4 + r.below(3), 4 + r.below(3));
    let mut map = Map::default();
    for row in 0..rows {
        for column in 0..columns {
            let shift = |r: &mut Random| r.below(60) as f64;
            let (e, n) = (
                column as f64 * STEP_M + shift(r),
                row as f64 * STEP_M + shift(r),
            );
            map.node(e, n);
        }
    }
    for row in 0..rows {
        for column in 0..columns {
            let here = row * columns + column;
            for (there, exists) in [
                (here + 1, column + 1 < columns),
                (here + columns, row + 1 < rows),
            ] {
                if !exists || r.one_in(8) {
                    continue;
                }
                let ends = if r.one_in(2) {
                    [here, there]
                } else {
                    [there, here]
                };
                let access = match r.below(10) {
                    0 | 1 => [Access::Open, Access::WrongWay],
                    2 if r.one_in(2) => [Access::Closed; 2],
                    _ => [Access::Open; 2],
                };
                map.road(ends[0], ends[1]).access = access;
            }
        }
    }
    let all: Vec<Edge> = (0..map.roads.len() as u32 * 2).map(Edge).collect();
    let ends = |e: Edge| {
        let [a, b] = map.roads[e.piece() as usize].ends;
        if e.is_backward() { [b, a] } else { [a, b] }
    };
    let mut bans: Vec<Vec<Edge>> = Vec::new();
    for _ in 0..map.roads.len() / 2 {
        let mut ban = vec![all[r.below(all.len())]];
        for _ in 0..1 + r.below(2) {
            let last = *ban.last().unwrap();
            let next: Vec<Edge> = all
                .iter()
                .copied()
                .filter(|&f| ends(f)[0] == ends(last)[1] && f != last.reversed())
                .collect();
            if next.is_empty() {
                break;
            }
            ban.push(next[r.below(next.len())]);
        }
        let same = |b: &&Vec<Edge>| b[..2] == ban[..2.min(ban.len())];
        if ban.len() >= 2 && !bans.iter().any(|b| same(&b)) {
            bans.push(ban);
        }
    }
    map.bans = bans;
    map
}

/// The way a simple mind would find it: over pairs of the last two edges, checking every ban
/// against what was really ridden. Millimetres; a via is a piece that must be ridden over.
struct Oracle<'a> {
    map: &'a Map,
    length_mm: Vec<u32>,
}

type Spot = (u32, f64);

impl Oracle<'_> {
    fn may(&self, e: Edge) -> bool {
        let road = &self.map.roads[e.piece() as usize];
        road.access[(e.0 & 1) as usize] <= Access::Unverified
    }

    fn ends(&self, e: Edge) -> [usize; 2] {
        let [a, b] = self.map.roads[e.piece() as usize].ends;
        if e.is_backward() { [b, a] } else { [a, b] }
    }

    fn next(&self, before: Option<Edge>, e: Edge) -> Vec<Edge> {
        let out: Vec<Edge> = (0..self.length_mm.len() as u32 * 2)
            .map(Edge)
            .filter(|&f| self.may(f) && self.ends(f)[0] == self.ends(e)[1])
            .collect();
        if out.iter().all(|&f| f == e.reversed()) {
            return out;
        }
        let banned = |ridden: &[Edge]| self.map.bans.iter().any(|b| b == ridden);
        out.into_iter()
            .filter(|&f| f != e.reversed() && !banned(&[e, f]))
            .filter(|&f| before.is_none_or(|d| !banned(&[d, e, f])))
            .collect()
    }

    fn length_m(&self, from: Spot, via: Option<u32>, to: Spot) -> Option<f64> {
        let mm = |e: Edge| f64::from(self.length_mm[e.piece() as usize]);
        let share = |e: Edge, s: f64| if e.is_backward() { 1.0 - s } else { s };
        let mut best: HashMap<(Edge, Option<Edge>, bool), u64> = HashMap::new();
        let mut heap = BinaryHeap::new();
        for e in [Edge::new(from.0, false), Edge::new(from.0, true)] {
            if self.may(e) {
                let rest = mm(e) * (1.0 - share(e, from.1));
                heap.push(Reverse((rest.round() as u64, e, None, via.is_none())));
            }
        }
        let mut found: Option<u64> = None;
        // Costs are those of having ridden to the end of the edge.
        while let Some(Reverse((cost, e, before, passed))) = heap.pop() {
            if found.is_some_and(|f| f <= cost) {
                break;
            }
            if best.get(&(e, before, passed)).is_some_and(|&b| b <= cost) {
                continue;
            }
            best.insert((e, before, passed), cost);
            for f in self.next(before, e) {
                if f.piece() == to.0 && passed {
                    let end = cost + (mm(f) * share(f, to.1)).round() as u64;
                    found = Some(found.map_or(end, |x| x.min(end)));
                }
                let passed = passed || via == Some(f.piece());
                heap.push(Reverse((cost + mm(f) as u64, f, Some(e), passed)));
            }
        }
        found.map(|mm| mm as f64 / 1000.0)
    }
}

/// A spot well inside a rideable road.
fn spot(map: &Map, r: &mut Random, taken: &mut Vec<u32>) -> (Spot, f64, f64) {
    loop {
        let piece = r.below(map.roads.len());
        let road = &map.roads[piece];
        if road.access[0] != Access::Open || taken.contains(&(piece as u32)) {
            continue;
        }
        taken.push(piece as u32);
        let share = 0.25 + r.below(50) as f64 / 100.0;
        let [a, b] = road.ends.map(|n| map.nodes[n]);
        let place = |i: usize| a[i] + share * (b[i] - a[i]);
        return ((piece as u32, share), place(0), place(1));
    }
}

#[test]
fn shortest_equals_an_independent_search_with_stops_and_vias() {
    let mut r = Random(11);
    let (mut ways, mut none) = (0, 0);
    for round in 0..120 {
        let map = random_town(&mut r);
        let length_mm = map.columns().piece_length_mm;
        let oracle = Oracle {
            map: &map,
            length_mm,
        };
        let planner = map.planner();
        for trip in 0..12 {
            let mut taken = Vec::new();
            let spots = [(); 3].map(|()| spot(&map, &mut r, &mut taken));
            let [a, b, c] = &spots;
            let middle = if r.one_in(2) { "via" } else { "stop" };
            let tour = tour(
                "shortest",
                &[("stop", a.1, a.2), (middle, b.1, b.2), ("stop", c.1, c.2)],
            );
            let plan = plan(&planner, &tour);
            // Moved off a scrap of road that leads nowhere: another question.
            if plan.points.iter().any(|p| p.offset_m > 1.0) {
                continue;
            }
            let want = match middle {
                "via" => oracle.length_m(a.0, Some(b.0.0), c.0),
                _ => oracle
                    .length_m(a.0, None, b.0)
                    .zip(oracle.length_m(b.0, None, c.0))
                    .map(|(x, y)| x + y),
            };
            let troubled = plan.legs.iter().any(|l| l.trouble.is_some());
            let Some(want) = want else {
                // Either that is said, or that the line turns round at the via for want of a way.
                let turned = plan.warnings.iter().any(|w| w.kind == "turn_round");
                assert!(
                    troubled || turned,
                    "round {round} trip {trip}: there is no way"
                );
                none += 1;
                continue;
            };
            assert!(
                !troubled,
                "round {round} trip {trip} {middle}: {:?}",
                plan.warnings
            );
            let got = plan.total.length_m;
            assert!(
                (got - want).abs() < 2.0,
                "round {round} trip {trip} {middle}: {got} {want}"
            );
            ways += 1;
        }
    }
    assert!(ways > 500 && none > 20, "{ways} ways, {none} without");
}

/// A cross: four roads of 500 m from the middle, dead ends all.
fn cross() -> Map {
    let mut map = Map::default();
    let middle = map.node(0.0, 0.0);
    for [e, n] in [[500.0, 0.0], [0.0, 500.0], [-500.0, 0.0], [0.0, -500.0]] {
        let end = map.node(e, n);
        map.road(middle, end);
    }
    map
}

#[test]
fn one_turns_round_at_a_stop_but_rides_through_a_via() {
    let planner = cross().planner();
    let with = |kind| {
        let there = tour(
            "shortest",
            &[
                ("stop", -300.0, 0.0),
                (kind, 300.0, 0.0),
                ("stop", 0.0, 300.0),
            ],
        );
        plan(&planner, &there)
    };
    let stop = with("stop");
    assert_eq!(lines(&stop)[1], [[300, 0], [0, 0], [0, 300]]);
    assert!(stop.warnings.iter().all(|w| w.kind != "spur"));
    // Beyond the via the road ends: there, and only there, one turns.
    let via = with("via");
    assert_eq!(lines(&via)[1], [[300, 0], [500, 0], [0, 0], [0, 300]]);
    let spur = via
        .warnings
        .iter()
        .find(|w| w.kind == "spur")
        .expect("a spur");
    assert_eq!(spur.point, Some(1));
}

#[test]
fn one_ways_are_ridden_their_way() {
    let mut map = Map::default();
    // A square, one-way anticlockwise, with a two-way tail.
    let n = [[0.0, 0.0], [400.0, 0.0], [400.0, 400.0], [0.0, 400.0]].map(|p| map.node(p[0], p[1]));
    for i in 0..4 {
        map.one_way(n[i], n[(i + 1) % 4]);
    }
    let planner = map.planner();
    let back = tour("fastest", &[("stop", 300.0, 0.0), ("stop", 100.0, 0.0)]);
    let got = plan(&planner, &back);
    let round = [[300, 0], [400, 0], [400, 400], [0, 400], [0, 0], [100, 0]];
    assert_eq!(lines(&got)[0], round);
    assert!(
        (got.total.length_m - 1400.0).abs() < 1.0,
        "{}",
        got.total.length_m
    );
}

#[test]
fn forbidden_turns_are_not_made_with_and_without_a_way_between() {
    let mut map = Map::default();
    //  d--e
    //  |  |
    //  a--b--c
    let places = [
        [0.0, 0.0],
        [300.0, 0.0],
        [600.0, 0.0],
        [0.0, 300.0],
        [300.0, 300.0],
    ];
    let [a, b, c, d, e] = places.map(|p| map.node(p[0], p[1]));
    for (x, y) in [(a, b), (b, c), (b, e), (d, e), (a, d)] {
        map.road(x, y);
    }
    let trip = tour("shortest", &[("stop", 500.0, 0.0), ("stop", 300.0, 150.0)]);
    let free = plan(&map.planner(), &trip);
    assert_eq!(lines(&free)[0], [[500, 0], [300, 0], [300, 150]]);
    map.ban(&[c, b, e]);
    let banned = plan(&map.planner(), &trip);
    assert_eq!(
        lines(&banned)[0],
        [[500, 0], [300, 0], [0, 0], [0, 300], [300, 300], [300, 150]]
    );
    // Over two ways: a-b-e-d in one go is forbidden, its parts are not.
    map.bans.clear();
    map.ban(&[c, b, e, d]);
    let trip = tour("shortest", &[("stop", 500.0, 0.0), ("stop", 100.0, 300.0)]);
    let planner = map.planner();
    assert_eq!(
        lines(&plan(&planner, &trip))[0],
        [[500, 0], [300, 0], [0, 0], [0, 300], [100, 300]]
    );
    // A via on the middle road does not wipe the memory of where one came from.
    let trip = tour(
        "shortest",
        &[
            ("stop", 500.0, 0.0),
            ("via", 300.0, 150.0),
            ("stop", 100.0, 300.0),
        ],
    );
    let passed = plan(&planner, &trip);
    let round = [[500, 0], [300, 0], [0, 0], [0, 300], [300, 300], [300, 150]];
    assert_eq!(lines(&passed)[0], round);
    assert_eq!(
        lines(&passed)[1],
        [[300, 150], [300, 0], [0, 0], [0, 300], [100, 300]]
    );
    // A stop does: the ride begins anew.
    let trip = tour(
        "shortest",
        &[
            ("stop", 500.0, 0.0),
            ("stop", 300.0, 150.0),
            ("stop", 100.0, 300.0),
        ],
    );
    let halted = plan(&planner, &trip);
    assert_eq!(lines(&halted)[1], [[300, 150], [300, 300], [100, 300]]);
}

#[test]
fn a_via_on_the_wrong_carriageway_does_not_force_a_detour() {
    let mut map = Map::default();
    let west = map.node(-1000.0, 0.0);
    let (a, b) = (map.node(0.0, 0.0), map.node(5000.0, 0.0));
    let east = map.node(6000.0, 0.0);
    map.road(west, a);
    map.road(b, east);
    let south = map.one_way(a, b);
    (south.bends, south.name) = (vec![[20.0, -15.0], [4980.0, -15.0]], "Valley road");
    let north = map.one_way(b, a);
    (north.bends, north.name) = (vec![[4980.0, 15.0], [20.0, 15.0]], "Valley road");
    let planner = map.planner();
    // Eastward is ridden on the southern side whichever carriageway the via lies on.
    for (north_m, taste) in [(16.0, "fastest"), (-16.0, "fastest"), (14.0, "shortest")] {
        let trip = [
            ("stop", -500.0, 0.0),
            ("via", 2500.0, north_m),
            ("stop", 5500.0, 0.0),
        ];
        let got = plan(&planner, &tour(taste, &trip));
        assert!(
            (got.total.length_m - 6000.0).abs() < 20.0,
            "{}",
            got.total.length_m
        );
    }
    let trip = [
        ("stop", 5500.0, 0.0),
        ("via", 2500.0, -16.0),
        ("stop", -500.0, 0.0),
    ];
    let got = plan(&planner, &tour("shortest", &trip));
    assert!(
        (got.total.length_m - 6000.0).abs() < 20.0,
        "{}",
        got.total.length_m
    );
    // Two different one-way streets are two places.
    map.roads[3].name = "Mill street";
    let detour = plan(&map.planner(), &tour("fastest", &trip));
    assert!(detour.total.length_m > 9000.0, "{}", detour.total.length_m);
}

#[test]
fn restricted_roads_are_used_at_the_ends_and_else_only_where_nothing_leads_round() {
    let mut map = Map::default();
    let nodes = map.street(&[[0.0, 0.0], [1000.0, 0.0], [2000.0, 0.0], [3000.0, 0.0]]);
    // Round the middle: ten times as long, open.
    map.road(nodes[1], nodes[2]).bends = vec![[1500.0, 5000.0]];
    map.roads[1].access = [Access::Destination; 2];
    let through = tour("fastest", &[("stop", 500.0, 0.0), ("stop", 2500.0, 0.0)]);
    let planner = map.planner();
    let round = plan(&planner, &through);
    assert!(round.total.length_m > 10_000.0);
    assert!(round.warnings.iter().all(|w| w.kind != "destination"));
    let into = tour("fastest", &[("stop", 500.0, 0.0), ("stop", 1500.0, 0.0)]);
    let into = plan(&planner, &into);
    assert!((into.total.length_m - 1000.0).abs() < 1.0);
    assert!(into.warnings.iter().any(|w| w.kind == "destination"));
    map.roads.pop();
    let only = plan(&map.planner(), &through);
    assert!((only.total.length_m - 2000.0).abs() < 1.0);
    assert!(only.warnings.iter().any(|w| w.kind == "destination"));
}

#[test]
fn moving_one_point_gives_what_planning_afresh_gives() {
    let mut r = Random(5);
    let map = random_town(&mut r);
    let kept = map.planner();
    let mut points: Vec<(&str, f64, f64)> = (0..6)
        .map(|i| {
            let (_, e, n) = spot(&map, &mut r, &mut Vec::new());
            (if i % 2 == 0 { "stop" } else { "via" }, e, n)
        })
        .collect();
    for _ in 0..60 {
        let moved = r.below(6);
        let (_, e, n) = spot(&map, &mut r, &mut Vec::new());
        (points[moved].1, points[moved].2) = (e, n);
        let mut tour = tour("fastest", &points);
        if r.one_in(3) {
            tour.points[1 + r.below(5)].leg = LegKind::Free;
        }
        let again = plan(&kept, &tour);
        assert_eq!(again, plan(&map.planner(), &tour));
        // One line without gaps, from place to place.
        for (i, leg) in lines(&again).iter().enumerate() {
            let ends = [leg[0], leg[leg.len() - 1]];
            for (end, placed) in ends.iter().zip(&again.points[i..i + 2]) {
                let place = Point::from_degrees(placed.lat, placed.lon).unwrap();
                let place = LocalFrame::at(ORIGIN).to_m(place);
                let gap = (place[0] - end[0] as f64).hypot(place[1] - end[1] as f64);
                assert!(gap < 1.5, "leg {i}: {ends:?} {:?}", again.points);
            }
        }
    }
}
