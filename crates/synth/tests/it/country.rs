// What was measured is printed for those who tune the country.
#![allow(clippy::print_stdout)]

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::OnceLock;
use std::sync::atomic::AtomicBool;

use synth::{Country, CountryError, Tags, Way, World};

use crate::files::{expected, read_back};

fn invent(country: &Country) -> World {
    country
        .generate(&mut |_, _| {}, &AtomicBool::new(false))
        .unwrap()
}

/// The demo country, invented once for all tests.
fn demo() -> &'static World {
    static DEMO: OnceLock<World> = OnceLock::new();
    DEMO.get_or_init(|| invent(&Country::demo()))
}

fn tag<'a>(tags: &'a Tags, key: &str) -> Option<&'a str> {
    tags.iter().find(|(k, _)| k == key).map(|(_, v)| v.as_str())
}

fn highway(way: &Way) -> Option<&str> {
    tag(&way.tags, "highway")
}

/// Points of a way in metres.
fn line(world: &World, way: &Way) -> Vec<(f64, f64)> {
    let plane = world.relief.as_ref().unwrap().plane();
    let place = |id: &i64| {
        let (lat, lon) = world.node(*id).unwrap().lat_lon();
        plane.to_plane(lat, lon)
    };
    way.refs.iter().map(place).collect()
}

fn length_m(line: &[(f64, f64)]) -> f64 {
    line.windows(2)
        .map(|p| (p[1].0 - p[0].0).hypot(p[1].1 - p[0].1))
        .sum()
}

#[test]
fn same_seed_same_bytes_and_another_seed_another_country() {
    let dir = tempfile::tempdir().unwrap();
    let country = Country::of_area_km2(3, 60.0);
    let (one, two) = (dir.path().join("one"), dir.path().join("two"));
    let mut files = Vec::new();
    for place in [&one, &two] {
        std::fs::create_dir(place).unwrap();
        let world = invent(&country);
        let pbf = place.join("country.osm.pbf");
        world.write_pbf(&pbf).unwrap();
        let mut all = vec![pbf];
        all.extend(world.write_hgt(place).unwrap());
        files.push(
            all.iter()
                .map(|p| std::fs::read(p).unwrap())
                .collect::<Vec<_>>(),
        );
    }
    assert_eq!(files[0], files[1]);
    let other = invent(&Country { seed: 4, ..country });
    let path = dir.path().join("other.osm.pbf");
    other.write_pbf(&path).unwrap();
    assert_ne!(std::fs::read(path).unwrap(), files[0][0]);
}

#[test]
fn demo_reads_back_and_every_reference_resolves() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("demo.osm.pbf");
    demo().write_pbf(&path).unwrap();
    assert!(read_back(&path) == expected(demo()));
    let world = demo();
    let ids: HashSet<i64> = world.nodes.iter().map(|n| n.id).collect();
    assert_eq!(ids.len(), world.nodes.len());
    for way in &world.ways {
        assert!(way.refs.len() > 1, "way {} is a point", way.id);
        assert!(way.refs.iter().all(|r| ids.contains(r)), "way {}", way.id);
        assert!(
            way.refs.windows(2).all(|p| p[0] != p[1]),
            "way {} stutters",
            way.id
        );
    }
    for relation in &world.relations {
        for member in &relation.members {
            let known = match member.kind {
                synth::MemberKind::Node => ids.contains(&member.id),
                synth::MemberKind::Way => world.way(member.id).is_some(),
                synth::MemberKind::Relation => false,
            };
            assert!(known, "relation {} member {}", relation.id, member.id);
        }
    }
    let range = 100_000..300_000;
    assert!(
        range.contains(&world.nodes.len()),
        "{} nodes",
        world.nodes.len()
    );
}

#[test]
fn demo_has_what_a_rider_meets() {
    let mut count: BTreeMap<String, usize> = BTreeMap::new();
    let world = demo();
    let all = (world.nodes.iter().map(|n| &n.tags))
        .chain(world.ways.iter().map(|w| &w.tags))
        .chain(world.relations.iter().map(|r| &r.tags));
    for tags in all {
        for (key, value) in tags {
            *count.entry(format!("{key}={value}")).or_default() += 1;
            *count.entry(key.clone()).or_default() += 1;
        }
    }
    let least = [
        ("highway=motorway", 2),
        ("highway=motorway_link", 8),
        ("highway=primary", 20),
        ("highway=secondary", 40),
        ("highway=tertiary", 40),
        ("highway=unclassified", 100),
        ("highway=residential", 500),
        ("highway=service", 50),
        ("highway=track", 100),
        ("highway=traffic_signals", 5),
        ("junction=roundabout", 3),
        ("oneway=yes", 50),
        ("bridge=yes", 50),
        ("tunnel=yes", 2),
        ("ford=yes", 3),
        ("barrier=gate", 5),
        ("barrier=bollard", 2),
        ("toll=yes", 2),
        ("mountain_pass=yes", 3),
        ("motor_vehicle:conditional=no @ (Nov 15-May 15)", 5),
        ("motor_vehicle=permit", 10),
        ("motor_vehicle=no", 10),
        ("tracktype", 50),
        ("surface=gravel", 20),
        ("smoothness", 30),
        ("maxspeed", 200),
        ("maxspeed:type=sign", 10),
        ("source:maxspeed=sign", 5),
        ("route=ferry", 1),
        ("duration", 1),
        ("restriction=no_left_turn", 3),
        ("restriction=no_right_turn", 3),
        ("restriction=only_straight_on", 1),
        ("amenity=fuel", 20),
        ("opening_hours", 20),
        ("tourism=hotel", 10),
        ("tourism=guest_house", 10),
        ("tourism=camp_site", 5),
        ("tourism=viewpoint", 10),
        ("amenity=restaurant", 20),
        ("amenity=cafe", 10),
        ("natural=peak", 5),
        ("natural=coastline", 2),
        ("natural=water", 3),
        ("natural=wood", 5),
        ("landuse=forest", 5),
        ("landuse=residential", 30),
        ("waterway=river", 5),
        ("waterway=stream", 20),
        ("place=city", 1),
        ("place=town", 3),
        ("place=village", 20),
        ("place=hamlet", 40),
        ("population", 60),
        ("name:el", 2),
        ("name:sr", 2),
        ("admin_level=2", 2),
        ("admin_level=4", 3),
    ];
    for (what, least) in least {
        let found = count.get(what).copied().unwrap_or(0);
        assert!(found >= least, "{what}: {found}, at least {least} wanted");
    }
    for what in count.keys() {
        assert!(
            !what.starts_with("brand") && !what.starts_with("operator"),
            "{what}"
        );
    }
    let via_way = world.relations.iter().any(|r| {
        r.members
            .iter()
            .any(|m| m.role == "via" && m.kind == synth::MemberKind::Way)
    });
    assert!(via_way, "a restriction over a way");
    let holes = world.relations.iter().any(|r| {
        tag(&r.tags, "natural") == Some("water") && r.members.iter().any(|m| m.role == "inner")
    });
    assert!(holes, "a lake with an island");
    let doubled = world
        .ways
        .iter()
        .any(|w| highway(w) == Some("primary") && tag(&w.tags, "oneway") == Some("yes"));
    assert!(doubled, "a dual carriageway");
    assert!(
        world.nodes.iter().any(|n| {
            tag(&n.tags, "mountain_pass").is_some()
                && tag(&n.tags, "name").is_some()
                && tag(&n.tags, "ele").is_some()
        }),
        "a named pass"
    );
}

#[test]
fn roads_keep_their_gradient() {
    let world = demo();
    let relief = world.relief.as_ref().unwrap();
    // Limits of the planned roads. A stretch of 150 m is about twice the grain of the elevation
    // tiles; shorter ones measure the tile, not the road. Bridges, tunnels and town streets lie
    // apart from the ground or follow it.
    let limits = [
        ("primary", 0.08),
        ("secondary", 0.10),
        ("tertiary", 0.11),
        ("unclassified", 0.12),
        ("track", 0.16),
    ];
    for (kind, limit) in limits {
        let (mut over, mut all) = (0, 0);
        for way in world.ways.iter().filter(|w| highway(w) == Some(kind)) {
            if ["bridge", "tunnel", "junction"]
                .iter()
                .any(|k| tag(&way.tags, k).is_some())
            {
                continue;
            }
            let points = line(world, way);
            let mut from = (points[0], 0.0);
            let mut s = 0.0;
            for pair in points.windows(2) {
                s += length_m(pair);
                if s - from.1 >= 150.0 {
                    let height_m = |p: (f64, f64)| relief.height_at_m(p.0, p.1);
                    let grade = (height_m(pair[1]) - height_m(from.0)).abs() / (s - from.1);
                    all += 1;
                    over += usize::from(grade > limit);
                    from = (pair[1], s);
                }
            }
        }
        let share = f64::from(over as u32) / f64::from(all as u32);
        println!(
            "{kind}: {all} stretches, {:.1} % over {limit}",
            share * 100.0
        );
        assert!(all > 100, "{kind}: {all} stretches");
        assert!(share < 0.05, "{kind}: {:.1} % over {limit}", share * 100.0);
    }
}

/// Hairpins of a line: at least 150 degrees one way within bends of less than 20 m radius.
fn hairpins(points: &[(f64, f64)]) -> usize {
    let mut found = 0;
    let mut turned = 0.0f64;
    for p in points.windows(3) {
        let (a, b) = (length_m(&p[0..2]), length_m(&p[1..3]));
        let (ux, uy) = (p[1].0 - p[0].0, p[1].1 - p[0].1);
        let (vx, vy) = (p[2].0 - p[1].0, p[2].1 - p[1].1);
        let turn = (ux * vy - uy * vx).atan2(ux * vx + uy * vy);
        let tight = turn.abs() > 1e-9 && (a + b) / 2.0 / turn.abs() < 20.0;
        if !tight || turn.signum() != turned.signum() {
            turned = 0.0;
        }
        if tight {
            let before = turned.abs();
            turned += turn;
            let full = 150f64.to_radians();
            found += usize::from(before < full && turned.abs() >= full);
        }
    }
    found
}

#[test]
fn hairpins_are_round_and_many() {
    let world = demo();
    let mut by_kind: BTreeMap<&str, usize> = BTreeMap::new();
    let mut sharp = 0;
    let mut bends = 0;
    for way in &world.ways {
        let Some(kind) = highway(way) else { continue };
        if tag(&way.tags, "junction").is_some() {
            continue;
        }
        let points = line(world, way);
        *by_kind.entry(kind).or_default() += hairpins(&points);
        if ["primary", "secondary", "tertiary"].contains(&kind) {
            for p in points.windows(3) {
                let (ux, uy) = (p[1].0 - p[0].0, p[1].1 - p[0].1);
                let (vx, vy) = (p[2].0 - p[1].0, p[2].1 - p[1].1);
                let turn = (ux * vy - uy * vx).atan2(ux * vx + uy * vy).abs();
                bends += usize::from(turn > 0.1);
                sharp += usize::from(turn > 0.9);
            }
        }
    }
    println!("{by_kind:?}; {sharp} kinks in {bends} bends");
    assert!(
        by_kind["secondary"] + by_kind["tertiary"] >= 60,
        "{by_kind:?}"
    );
    assert!(by_kind["track"] >= 20, "{by_kind:?}");
    assert!(sharp * 50 < bends, "{sharp} kinks in {bends} bends");
}

#[test]
fn everything_but_the_island_is_one_network() {
    let world = demo();
    let mut next: HashMap<i64, Vec<i64>> = HashMap::new();
    let mut back: HashMap<i64, Vec<i64>> = HashMap::new();
    let mut road_nodes = HashSet::new();
    for way in &world.ways {
        let ferry = tag(&way.tags, "route") == Some("ferry");
        if highway(way).is_none() && !ferry {
            continue;
        }
        road_nodes.extend(way.refs.iter().copied());
        let oneway = tag(&way.tags, "oneway") == Some("yes")
            || tag(&way.tags, "junction") == Some("roundabout");
        for p in way.refs.windows(2) {
            let pairs = [(p[0], p[1]), (p[1], p[0])];
            for &(a, b) in &pairs[..if oneway { 1 } else { 2 }] {
                next.entry(a).or_default().push(b);
                back.entry(b).or_default().push(a);
            }
        }
    }
    let reach = |arcs: &HashMap<i64, Vec<i64>>, start: i64| {
        let (mut seen, mut open) = (HashSet::from([start]), vec![start]);
        while let Some(here) = open.pop() {
            for &to in arcs.get(&here).into_iter().flatten() {
                if seen.insert(to) {
                    open.push(to);
                }
            }
        }
        seen
    };
    let primary = world
        .ways
        .iter()
        .find(|w| highway(w) == Some("primary") && tag(&w.tags, "oneway").is_none());
    let start = primary.unwrap().refs[0];
    let (to, from) = (reach(&next, start), reach(&back, start));
    let both = to.intersection(&from).count();
    let share = both as f64 / road_nodes.len() as f64;
    println!(
        "{both} of {} road nodes strongly connected",
        road_nodes.len()
    );
    assert!(share > 0.995, "{share}");
    // Every settlement lies near a node of the network.
    let core: Vec<(f64, f64)> = to
        .intersection(&from)
        .map(|&id| world.node(id).unwrap().lat_lon())
        .collect();
    for node in &world.nodes {
        let Some(place) = tag(&node.tags, "place") else {
            continue;
        };
        let at = node.lat_lon();
        let near = core
            .iter()
            .any(|c| (c.0 - at.0).abs() < 0.003 && (c.1 - at.1).abs() < 0.004);
        assert!(near, "{place} {:?} has no road", tag(&node.tags, "name"));
    }
}

#[test]
fn coast_keeps_water_on_its_right() {
    let world = demo();
    let relief = world.relief.as_ref().unwrap();
    let (mut right, mut all) = (0, 0);
    let mut ends: HashMap<i64, i32> = HashMap::new();
    for way in world
        .ways
        .iter()
        .filter(|w| tag(&w.tags, "natural") == Some("coastline"))
    {
        *ends.entry(way.refs[0]).or_default() += 1;
        *ends.entry(way.refs[way.refs.len() - 1]).or_default() -= 1;
        for p in line(world, way).windows(2).step_by(7) {
            let (dx, dy) = (p[1].0 - p[0].0, p[1].1 - p[0].1);
            let far_m = dx.hypot(dy).max(0.1);
            let side =
                |m: f64| relief.height_at_m(p[0].0 + dy / far_m * m, p[0].1 - dx / far_m * m);
            all += 1;
            right += usize::from(side(60.0) < side(-60.0));
        }
    }
    assert!(right as f64 > 0.98 * all as f64, "{right} of {all}");
    assert!(ends.values().all(|&e| e == 0), "coastlines close");
}

#[test]
fn any_size_and_any_seed() {
    for (seed, area_km2) in [(1, 1.0), (2, 4.0), (5, 25.0), (9, 150.0), (11, 600.0)] {
        let country = Country::of_area_km2(seed, area_km2);
        assert!((country.area_km2() - area_km2).abs() < 1e-6);
        let world = invent(&country);
        let roads = world.ways.iter().filter(|w| highway(w).is_some()).count();
        assert!(roads > 0, "seed {seed}, {area_km2} km²: no roads");
        let place = world.nodes.iter().any(|n| tag(&n.tags, "place").is_some());
        assert!(place, "seed {seed}, {area_km2} km²: no settlement");
    }
}

#[test]
fn impossible_sizes_and_cancel() {
    let tiny = Country {
        width_km: 0.2,
        ..Country::demo()
    };
    let err = tiny
        .generate(&mut |_, _| {}, &AtomicBool::new(false))
        .unwrap_err();
    assert!(matches!(err, CountryError::Size { .. }));
    let raised = AtomicBool::new(true);
    let err = Country::demo()
        .generate(&mut |_, _| {}, &raised)
        .unwrap_err();
    assert_eq!(err, CountryError::Canceled);
    let mut last = 0.0;
    let mut climbing = |share: f64, what: &str| {
        assert!(
            share >= last && share <= 1.0 && !what.is_empty(),
            "{share} after {last}"
        );
        last = share;
    };
    let small = Country::of_area_km2(1, 4.0);
    small
        .generate(&mut climbing, &AtomicBool::new(false))
        .unwrap();
    assert!(last == 1.0);
}

#[test]
fn one_pass_is_unpaved_and_passes_close_in_winter() {
    let world = demo();
    let (mut unpaved, mut closed) = (0, 0);
    for pass in world
        .nodes
        .iter()
        .filter(|n| tag(&n.tags, "mountain_pass").is_some())
    {
        let over: Vec<&Way> = world
            .ways
            .iter()
            .filter(|w| highway(w).is_some() && w.refs.contains(&pass.id))
            .collect();
        assert!(
            !over.is_empty(),
            "no road over {:?}",
            tag(&pass.tags, "name")
        );
        let gravel = |w: &&Way| tag(&w.tags, "surface") == Some("gravel");
        unpaved += usize::from(over.iter().any(gravel));
        let winter = |w: &&Way| tag(&w.tags, "motor_vehicle:conditional").is_some();
        closed += usize::from(over.iter().any(winter));
        let relief = world.relief.as_ref().unwrap();
        let (lat, lon) = pass.lat_lon();
        let ele_m: f64 = tag(&pass.tags, "ele").unwrap().parse().unwrap();
        assert!((relief.height_at_lat_lon_m(lat, lon) - ele_m).abs() < 2.0);
    }
    assert!(
        unpaved >= 1 && closed >= 2,
        "{unpaved} unpaved, {closed} closed in winter"
    );
}

#[test]
fn ways_of_a_restriction_meet() {
    let world = demo();
    for relation in world
        .relations
        .iter()
        .filter(|r| tag(&r.tags, "restriction").is_some())
    {
        let chain: Vec<Vec<i64>> = relation
            .members
            .iter()
            .map(|m| match m.kind {
                synth::MemberKind::Way => world.way(m.id).unwrap().refs.clone(),
                _ => vec![m.id],
            })
            .collect();
        assert_eq!(chain.len(), 3);
        for pair in chain.windows(2) {
            // Ways meet end to end, or a way ends at the via node.
            let ends = |refs: &Vec<i64>| [refs[0], refs[refs.len() - 1]];
            let meet = ends(&pair[0]).iter().any(|e| ends(&pair[1]).contains(e));
            assert!(meet, "relation {}", relation.id);
        }
    }
}
