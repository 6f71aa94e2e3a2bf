//! Small drawn maps through the whole importer: access, one-ways, barriers, turns.

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::atomic::AtomicBool;

use import::{ImportError, Job, import};
use region::{Access, Edge, LimitSource, Region, RoadClass, Smoothness, Surface, flag, turn_flag};
use synth::{Sketch, ascii};

/// A drawn map, imported.
pub struct Map {
    /// The region read back.
    pub region: Region,
    world: synth::World,
    _dir: tempfile::TempDir,
}

fn try_import(files: &[std::path::PathBuf], out: &Path) -> Result<import::Report, ImportError> {
    let job = Job {
        name: "drawn",
        files,
        elevation: &[],
        credit: None,
        out,
    };
    import(&job, &|_, _, _| {}, &AtomicBool::new(false))
}

/// Imports a drawing.
pub fn map(sketch: Sketch) -> Map {
    let dir = tempfile::tempdir().unwrap();
    let world = sketch.build().unwrap();
    let file = dir.path().join("drawn.osm");
    world.write_xml(&file).unwrap();
    let out = dir.path().join("drawn.region");
    try_import(&[file], &out).unwrap();
    Map {
        region: Region::open(&out).unwrap(),
        world,
        _dir: dir,
    }
}

impl Map {
    fn junction(&self, letter: char) -> u32 {
        let node = self.world.node(self.world.letters[&letter]).unwrap();
        let at = (node.lon_e7, node.lat_e7);
        let r = &self.region;
        let found = (0..r.node_count())
            .find(|&n| (r.node_lon_e7()[n as usize], r.node_lat_e7()[n as usize]) == at);
        found.unwrap_or_else(|| panic!("{letter} is no junction"))
    }
    /// The edge from one letter straight to the next.
    pub fn edge(&self, stretch: &str) -> Edge {
        let mut letters = stretch.chars();
        let (a, b) = (letters.next().unwrap(), letters.next().unwrap());
        let (a, b) = (self.junction(a), self.junction(b));
        let r = &self.region;
        let found: Vec<Edge> = (0..r.edge_count())
            .map(Edge)
            .filter(|&e| r.tail(e) == a && r.head(e) == b)
            .collect();
        assert_eq!(found.len(), 1, "{stretch} is {} edges", found.len());
        found[0]
    }
    fn access(&self, stretch: &str) -> Access {
        self.region.access(self.edge(stretch))
    }
    /// Whether one can ride along these letters, from the first edge on without memory, each
    /// turn by an arc of the graph.
    fn rides(&self, path: &str) -> bool {
        let letters: Vec<char> = path.chars().collect();
        let edges: Vec<Edge> = letters
            .windows(2)
            .map(|p| self.edge(&p.iter().collect::<String>()))
            .collect();
        let r = &self.region;
        let mut states = BTreeSet::from([edges[0].0]);
        for &next in &edges[1..] {
            states = states
                .iter()
                .flat_map(|&s| {
                    let arcs = r.turn_first_out()[s as usize] as usize
                        ..r.turn_first_out()[s as usize + 1] as usize;
                    r.turn_head()[arcs].iter().copied()
                })
                .filter(|&head| r.state_edge()[head as usize] == next.0)
                .collect();
        }
        !states.is_empty()
    }
    /// Flags and conditions of the arc along three letters.
    fn arc(&self, path: &str) -> (u8, i16, Vec<&str>) {
        let letters: Vec<char> = path.chars().collect();
        let [from, to] = [0, 1].map(|i| self.edge(&letters[i..i + 2].iter().collect::<String>()));
        let r = &self.region;
        let arcs = r.turn_first_out()[from.0 as usize] as usize
            ..r.turn_first_out()[from.0 as usize + 1] as usize;
        let arc = arcs
            .clone()
            .find(|&a| r.state_edge()[r.turn_head()[a] as usize] == to.0)
            .unwrap_or_else(|| panic!("no arc along {path}"));
        let conditions = (0..r.turn_condition_turn().len())
            .filter(|&i| r.turn_condition_turn()[i] as usize == arc)
            .map(|i| r.string(r.turn_condition_value()[i]))
            .collect();
        (r.turn_flags()[arc], r.turn_angle_deg()[arc], conditions)
    }
}

/// One road from A to B with these tags, and one without to keep the map from being empty.
fn road(tags: &[(&str, &str)]) -> Map {
    map(ascii("A--B\n\nC--D").way("AB", tags))
}

fn both(tags: &[(&str, &str)]) -> [Access; 2] {
    let map = road(tags);
    [map.access("AB"), map.access("BA")]
}

/// Rows of the OSM access hierarchy (wiki, Key:access): `access` < `vehicle` < `motor_vehicle` <
/// `motorcycle`.
#[test]
fn the_more_specific_access_tag_decides() {
    use Access::*;
    for (tags, want) in [
        (&[][..], Open),
        (&[("access", "no"), ("motorcycle", "yes")][..], Open),
        (&[("motor_vehicle", "agricultural;forestry")][..], Closed),
        (&[("access", "no"), ("foot", "yes")][..], Closed),
        (&[("vehicle", "destination")][..], Destination),
        (
            &[("access", "yes"), ("vehicle", "destination")][..],
            Destination,
        ),
        (
            &[("vehicle", "destination"), ("motor_vehicle", "yes")][..],
            Open,
        ),
        (
            &[("motor_vehicle", "yes"), ("motorcycle", "no")][..],
            Closed,
        ),
        (&[("access", "private")][..], Private),
        (&[("access", "customers")][..], Destination),
        (&[("motor_vehicle", "delivery")][..], Destination),
        (&[("motor_vehicle", "permit")][..], Permit),
        (&[("access", "permissive")][..], Open),
        (
            &[("motor_vehicle", "agricultural;destination")][..],
            Destination,
        ),
        (&[("access", "unknown")][..], Unverified),
        (
            &[("access", "unknown"), ("motor_vehicle", "designated")][..],
            Open,
        ),
        (&[("motorcar", "no")][..], Open),
        (&[("highway", "track")][..], Unverified),
        (&[("highway", "track"), ("motor_vehicle", "yes")][..], Open),
        (
            &[("highway", "track"), ("motor_vehicle", "agricultural")][..],
            Closed,
        ),
        (
            &[("highway", "track"), ("motorcycle", "destination")][..],
            Destination,
        ),
        (&[("highway", "path"), ("motorcycle", "yes")][..], Open),
        (
            &[("highway", "bridleway"), ("motor_vehicle", "permissive")][..],
            Open,
        ),
        (&[("highway", "motorway"), ("oneway", "no")][..], Open),
        (
            &[
                ("motor_vehicle", "no"),
                ("motor_vehicle:conditional", "yes @ (May-Oct)"),
            ][..],
            Unverified,
        ),
        (
            &[
                ("motor_vehicle", "no"),
                ("hgv:conditional", "yes @ (May-Oct)"),
            ][..],
            Closed,
        ),
    ] {
        assert_eq!(both(tags), [want; 2], "{tags:?}");
    }
}

#[test]
fn directions_may_differ() {
    use Access::*;
    for (tags, want) in [
        (&[("oneway", "yes")][..], [Open, WrongWay]),
        (&[("oneway", "true")][..], [Open, WrongWay]),
        (&[("oneway", "1")][..], [Open, WrongWay]),
        (&[("oneway", "-1")][..], [WrongWay, Open]),
        (&[("oneway", "reverse")][..], [WrongWay, Open]),
        (&[("oneway", "no")][..], [Open, Open]),
        (
            &[("oneway", "yes"), ("oneway:motorcycle", "no")][..],
            [Open, Open],
        ),
        (
            &[("oneway", "no"), ("oneway:motorcycle", "yes")][..],
            [Open, WrongWay],
        ),
        (
            &[("oneway", "yes"), ("oneway:bicycle", "no")][..],
            [Open, WrongWay],
        ),
        (&[("highway", "motorway")][..], [Open, WrongWay]),
        (
            &[("highway", "motorway"), ("oneway", "-1")][..],
            [WrongWay, Open],
        ),
        (&[("highway", "motorway_link")][..], [Open, Open]),
        (&[("junction", "roundabout")][..], [Open, WrongWay]),
        (&[("junction", "circular")][..], [Open, WrongWay]),
        (&[("motor_vehicle:backward", "no")][..], [Open, Closed]),
        (
            &[("access", "no"), ("motorcycle:forward", "yes")][..],
            [Open, Closed],
        ),
        (&[("oneway", "reversible")][..], [Unverified, Unverified]),
        (&[("oneway", "alternating")][..], [Open, Open]),
        (
            &[("vehicle", "destination"), ("oneway", "yes")][..],
            [Destination, WrongWay],
        ),
    ] {
        assert_eq!(both(tags), want, "{tags:?}");
    }
}

#[test]
fn what_is_no_road_is_left_out() {
    for tags in [
        &[("highway", "construction")][..],
        &[("highway", "proposed")][..],
        &[("highway", "path")][..],
        &[("highway", "path"), ("access", "yes")][..],
        &[("highway", "footway"), ("motor_vehicle", "no")][..],
        &[("highway", "cycleway")][..],
        &[("highway", "steps"), ("motorcycle", "yes")][..],
        &[("highway", "service"), ("area", "yes")][..],
        &[("highway", ""), ("route", "ferry"), ("motor_vehicle", "no")][..],
        &[("highway", ""), ("route", "ferry"), ("motorcar", "no")][..],
        &[("highway", ""), ("railway", "rail")][..],
    ] {
        assert_eq!(road(tags).region.piece_count(), 1, "{tags:?}");
    }
}

#[test]
fn facts_of_a_road_become_columns() {
    let map = road(&[
        ("highway", "tertiary_link"),
        ("surface", "fine_gravel"),
        ("smoothness", "bad"),
        ("tracktype", "grade3"),
        ("name", "Via dal Öbergrat"),
        ("ref", "K 7"),
        ("bridge", "viaduct"),
        ("toll", "yes"),
        ("maxspeed", "60"),
        ("maxspeed:backward", "30 mph"),
        ("motor_vehicle:conditional", "no @ (Nov-Apr)"),
        ("hgv:conditional", "no @ (22:00-06:00)"),
    ]);
    let edge = map.edge("AB");
    let (r, p) = (&map.region, edge.piece());
    assert_eq!(r.class(p), RoadClass::Tertiary);
    assert_eq!(r.surface(p), Surface::FineGravel);
    assert_eq!(r.piece_smoothness()[p as usize], Smoothness::Bad as u8);
    assert_eq!(r.piece_tracktype()[p as usize], 3);
    assert_eq!(r.string(r.piece_name()[p as usize]), "Via dal Öbergrat");
    assert_eq!(r.string(r.piece_ref()[p as usize]), "K 7");
    let flags = r.piece_flags()[p as usize];
    let want = flag::LINK | flag::BRIDGE | flag::TOLL | flag::CONDITIONAL;
    assert_eq!(
        flags & (want | flag::TUNNEL | flag::FORD | flag::SEASONAL),
        want
    );
    // 30 mph = 48.28 km/h.
    assert_eq!(r.edge_limit_kmh()[edge.0 as usize], 60);
    assert_eq!(r.edge_limit_kmh()[edge.reversed().0 as usize], 48);
    assert_eq!(
        r.piece_limit_source()[p as usize],
        LimitSource::Signed as u8
    );
    let conditions: Vec<_> = r.conditions(p).collect();
    assert_eq!(
        conditions,
        [("motor_vehicle:conditional", "no @ (Nov-Apr)")]
    );
    assert!((r.length_m(p) - 300.0).abs() < 0.5, "{}", r.length_m(p));
}

#[test]
fn ferries_take_their_time() {
    for (duration, seconds) in [
        ("00:25", 1500),
        ("90", 5400),
        ("1:30:00", 5400),
        ("PT1H5M", 3900),
    ] {
        let map = road(&[
            ("highway", ""),
            ("route", "ferry"),
            ("motorcycle", "yes"),
            ("duration", duration),
        ]);
        let edge = map.edge("AB");
        assert_eq!(map.region.class(edge.piece()), RoadClass::Ferry);
        assert_eq!(
            map.region.piece_crossing_s()[edge.piece() as usize],
            seconds,
            "{duration}"
        );
        assert_eq!(map.access("AB"), Access::Open);
    }
    // Nobody says whether this one takes vehicles.
    assert_eq!(
        both(&[("highway", ""), ("route", "ferry")]),
        [Access::Unverified; 2]
    );
}

#[test]
fn barriers_stop_or_let_pass() {
    for (tags, passes) in [
        (&[("barrier", "gate")][..], true),
        (&[("barrier", "lift_gate")][..], true),
        (&[("barrier", "swing_gate")][..], true),
        (&[("barrier", "gate"), ("access", "no")][..], false),
        (&[("barrier", "gate"), ("access", "private")][..], false),
        (
            &[("barrier", "gate"), ("access", "no"), ("motorcycle", "yes")][..],
            true,
        ),
        (&[("barrier", "bollard")][..], false),
        (&[("barrier", "bollard"), ("access", "yes")][..], false),
        (&[("barrier", "bollard"), ("motorcycle", "yes")][..], true),
        (
            &[("barrier", "bollard"), ("motor_vehicle", "yes")][..],
            true,
        ),
        (&[("barrier", "block")][..], false),
        (&[("barrier", "cycle_barrier")][..], false),
        (&[("barrier", "motorcycle_barrier")][..], false),
        (&[("barrier", "jersey_barrier")][..], false),
        (&[("barrier", "cattle_grid")][..], true),
        (&[("barrier", "toll_booth")][..], true),
        (&[("barrier", "border_control")][..], true),
        (&[("barrier", "kissing_gate;gate")][..], true),
        (&[("highway", "traffic_signals")][..], true),
    ] {
        let between = map(ascii("A--B--C").node('B', tags));
        assert_eq!(between.rides("ABC"), passes, "{tags:?}");
        assert_eq!(between.rides("CBA"), passes, "{tags:?}");
        // Before a barrier the road ends, so one may turn round.
        assert_eq!(between.rides("ABA"), !passes, "{tags:?}");
        if !passes {
            let within = map(ascii("A--B--C").way("ABC", &[]).node('B', tags));
            assert!(!within.rides("ABC") && within.rides("ABA"), "{tags:?}");
        }
    }
}

#[test]
fn a_barrier_on_a_crossing_blocks_every_way_across() {
    let map = map(ascii("A--B--C\n   |\n   D").node('B', &[("barrier", "block")]));
    assert!(!map.rides("ABC") && !map.rides("ABD") && !map.rides("DBC"));
    assert!(map.rides("ABA"));
}

#[test]
fn one_turns_round_only_where_the_road_ends() {
    let cross = map(ascii("A--B--C\n   |\n   D"));
    assert!(cross.rides("ABC") && cross.rides("ABD") && cross.rides("DBA"));
    assert!(!cross.rides("ABA"));
    assert!(cross.rides("BCB"), "at the end of the road");
    assert_eq!(cross.arc("BCB").0 & turn_flag::U_TURN, turn_flag::U_TURN);
    assert_eq!(cross.arc("BCB").1, 180);
    // South of B: a right turn when riding east, a left turn when riding west.
    assert_eq!(
        (cross.arc("ABD").1, cross.arc("CBD").1, cross.arc("ABC").1),
        (90, -90, 0)
    );
    // Where all else is closed or against a one-way, the road ends too.
    let stub = map(ascii("A--B--C").way("BC", &[("motor_vehicle", "no")]));
    assert!(stub.rides("ABA"));
    let against = map(ascii("A--B--C").way("CB", &[("oneway", "yes")]));
    assert!(against.rides("ABA") && against.rides("CBA") && !against.rides("CBC"));
}

#[test]
fn entering_a_restricted_road_is_marked() {
    let map = map(ascii("A--B--C--D\n   |\n   E")
        .way("BC", &[("vehicle", "destination")])
        .way("BE", &[("highway", "track")]));
    let enters = |path: &str| map.arc(path).0 & turn_flag::ENTERS_RESTRICTED != 0;
    assert!(enters("ABC") && enters("ABE") && enters("DCB"));
    assert!(!enters("BCD") && !enters("EBC") && !enters("CBA"));
}

const CROSS: &str = "  A\n  |\nB-C-D\n  |\n  E";

#[test]
fn forbidden_turns_have_no_arc() {
    let map = map(ascii(CROSS).restriction("no_left_turn", "ECB", &[]));
    assert!(!map.rides("ECB"));
    for path in ["ECA", "ECD", "ACB", "DCB", "BCE"] {
        assert!(map.rides(path), "{path}");
    }
}

#[test]
fn prescribed_turns_forbid_all_others() {
    let map = map(ascii(CROSS).restriction("only_straight_on", "ECA", &[]));
    assert!(map.rides("ECA"));
    assert!(!map.rides("ECB") && !map.rides("ECD") && !map.rides("ECE"));
    assert!(map.rides("ACB") && map.rides("BCD"));
}

/// OSM wiki, Relation:restriction: `except` lists modes that are exempt; `restriction:<mode>`
/// holds for that mode only.
#[test]
fn restrictions_of_others_do_not_hold() {
    for (kind, tags, holds) in [
        ("no_left_turn", &[("except", "psv;bicycle")][..], true),
        ("no_left_turn", &[("except", "psv;motorcycle")][..], false),
        ("no_left_turn", &[("except", "motor_vehicle")][..], false),
        (
            "no_left_turn",
            &[("restriction", ""), ("restriction:hgv", "no_left_turn")][..],
            false,
        ),
        (
            "no_left_turn",
            &[
                ("restriction", ""),
                ("restriction:motorcycle", "no_left_turn"),
            ][..],
            true,
        ),
        (
            "no_left_turn",
            &[
                ("restriction", ""),
                ("restriction:motor_vehicle", "no_left_turn"),
            ][..],
            true,
        ),
        ("no_entry", &[][..], true),
        ("no_exit", &[][..], true),
    ] {
        let map = map(ascii(CROSS).restriction(kind, "ECB", tags));
        assert_eq!(!map.rides("ECB"), holds, "{kind} {tags:?}");
        assert!(map.rides("ECA") && map.rides("DCB"));
    }
}

#[test]
fn restrictions_at_times_keep_their_condition() {
    for (kind, tags) in [
        (
            "",
            &[(
                "restriction:conditional",
                "no_left_turn @ (Mo-Fr 07:00-09:00)",
            )][..],
        ),
        ("no_left_turn @ (Mo-Fr 07:00-09:00)", &[][..]),
        (
            "no_left_turn",
            &[
                ("day_on", "Monday"),
                ("day_off", "Friday"),
                ("hour_on", "7"),
                ("hour_off", "9:00"),
            ][..],
        ),
    ] {
        let map = map(ascii(CROSS).restriction(kind, "ECB", tags));
        let (flags, _, conditions) = map.arc("ECB");
        assert_eq!(conditions, ["Mo-Fr 07:00-09:00"], "{kind} {tags:?}");
        assert_ne!(flags & turn_flag::CONDITIONAL, 0);
        assert_eq!(map.arc("ECA").2, Vec::<&str>::new());
    }
    let map = map(ascii(CROSS).restriction(
        "",
        "ECA",
        &[(
            "restriction:conditional",
            "only_straight_on @ (22:00-06:00)",
        )],
    ));
    assert_eq!(map.arc("ECB").2, ["22:00-06:00"]);
    assert_eq!(map.arc("ECD").2, ["22:00-06:00"]);
    assert!(map.arc("ECA").2.is_empty());
}

/// Only the whole sequence over the via ways is forbidden.
#[test]
fn bans_over_ways_remember_where_one_came_from() {
    let art = "A-B-C\n  |\nD-E-F\n  |\n  G";
    let turned = map(ascii(art).restriction("no_left_turn", "ABEF", &[]));
    assert!(!turned.rides("ABEF"));
    for path in ["ABED", "ABEG", "CBEF", "BEF", "ABC", "CBED", "FEBA"] {
        assert!(turned.rides(path), "{path}");
    }
    // Two bans share the beginning.
    let two = map(ascii(art)
        .restriction("no_left_turn", "ABEF", &[])
        .restriction("no_straight_on", "ABEG", &[]));
    assert!(!two.rides("ABEF") && !two.rides("ABEG"));
    assert!(two.rides("ABED") && two.rides("CBEG") && two.rides("CBEF"));
    let one_extra = two.region.state_count() - two.region.edge_count();
    assert_eq!(one_extra, 1, "both bans share one state");
    // A prescription over a way holds from that way on.
    let only = map(ascii(art).restriction("only_straight_on", "ABEG", &[]));
    assert!(only.rides("ABEG") && only.rides("ABC"));
    assert!(!only.rides("ABEF") && !only.rides("ABED") && only.rides("CBEF"));
}

#[test]
fn bans_may_run_over_several_ways_and_meet_shorter_ones() {
    let art = "A-B-C-D-E\n  | | |\n  F G H";
    let long = map(ascii(art).restriction("no_right_turn", "ABCDH", &[]));
    assert!(!long.rides("ABCDH"));
    assert!(long.rides("ABCDE") && long.rides("FBCDH") && long.rides("GCDH") && long.rides("BCDH"));
    // The memory of the long ban must not lose a short one that lies within it.
    let nested = map(ascii(art)
        .restriction("no_right_turn", "ABCDH", &[])
        .restriction("no_straight_on", "BCDE", &[]));
    assert!(!nested.rides("ABCDH") && !nested.rides("ABCDE") && !nested.rides("FBCDE"));
    assert!(nested.rides("FBCDH") && nested.rides("GCDE"));
}

/// A way that goes on beyond the via junction: the stretch that turns as the restriction says.
#[test]
fn ways_that_run_through_a_junction_are_told_apart_by_their_turn() {
    let through = map(ascii(CROSS)
        .way("BCD", &[])
        .restriction("no_left_turn", "ECB", &[]));
    assert!(!through.rides("ECB"));
    assert!(through.rides("ECD"));
}

#[test]
fn broken_restrictions_are_counted_not_fatal() {
    let dir = tempfile::tempdir().unwrap();
    let mut world = ascii(CROSS)
        .restriction("no_left_turn", "ECB", &[])
        .build()
        .unwrap();
    world.relations[0].members[0].id = 99;
    let file = dir.path().join("broken.osm.pbf");
    world.write_pbf(&file).unwrap();
    let report = try_import(&[file], &dir.path().join("out.region")).unwrap();
    assert!(
        report
            .warnings
            .iter()
            .any(|w| w.starts_with("1 turn restrictions")),
        "{:?}",
        report.warnings
    );
}

#[test]
fn rings_have_no_piece_that_ends_where_it_begins() {
    let map = map(ascii("A-B-+\n  | |\n  +-+").way("BB", &[]));
    let r = &map.region;
    for piece in 0..r.piece_count() as usize {
        assert_ne!(r.piece_from()[piece], r.piece_to()[piece]);
    }
}

#[test]
fn nodes_that_are_missing_cut_a_road() {
    let dir = tempfile::tempdir().unwrap();
    let mut world = ascii("A--B--C--D--E").way("ABCDE", &[]).build().unwrap();
    let c = world.letters[&'C'];
    world.nodes.retain(|n| n.id != c);
    let file = dir.path().join("cut.osm");
    world.write_xml(&file).unwrap();
    let out = dir.path().join("cut.region");
    let report = try_import(&[file], &out).unwrap();
    let region = Region::open(&out).unwrap();
    assert_eq!((region.piece_count(), region.node_count()), (2, 4));
    assert!(
        report
            .warnings
            .iter()
            .any(|w| w.contains("cut off at the edge"))
    );
}

#[test]
fn curves_do_not_depend_on_where_ways_are_split() {
    let bend = |sketch: Sketch| {
        let map = map(sketch.spacing_m(40.0));
        let r = &map.region;
        let (turned, length) = (0..r.piece_count()).fold((0.0, 0.0), |(t, l), p| {
            let bend = f64::from(r.piece_bend_deg_per_km()[p as usize]);
            (t + bend * r.length_m(p), l + r.length_m(p))
        });
        turned / length
    };
    let whole = bend(ascii("A-B\n   \\\n    C-D\n       \\\n        E").way("ABCDE", &[]));
    let split = bend(ascii("A-B\n   \\\n    C-D\n       \\\n        E"));
    assert!(whole > 100.0);
    assert!((whole / split - 1.0).abs() < 0.05, "{whole} and {split}");
}

#[test]
fn overlapping_extracts_merge_and_the_same_input_gives_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name);
    let world = ascii(CROSS)
        .restriction("no_left_turn", "ECB", &[])
        .build()
        .unwrap();
    world.write_pbf(&path("one.osm.pbf")).unwrap();
    world.write_xml(&path("two.osm")).unwrap();
    let import = |files: &[&str], out: &str| {
        let files: Vec<_> = files.iter().map(|f| path(f)).collect();
        try_import(&files, &path(out)).unwrap();
        (
            Region::open(&path(out)).unwrap(),
            std::fs::read(path(out)).unwrap(),
        )
    };
    let (one, bytes) = import(&["one.osm.pbf"], "a.region");
    let (_, again) = import(&["one.osm.pbf"], "b.region");
    assert!(bytes == again);
    let (merged, _) = import(&["one.osm.pbf", "two.osm"], "c.region");
    assert_eq!(merged.piece_count(), one.piece_count());
    assert_eq!(merged.turn_head(), one.turn_head());
    assert_eq!(merged.point_lon_e7(), one.point_lon_e7());
}

#[test]
fn divided_roads_are_known_by_their_two_carriageways() {
    let one_way = &[("highway", "trunk"), ("oneway", "yes"), ("ref", "T 1")][..];
    let dual = |spacing_m: f64, other: &[(&str, &str)]| {
        let art = "A------B\nC------D";
        let map = map(ascii(art)
            .spacing_m(spacing_m)
            .way("BA", one_way)
            .way("CD", other));
        let flags = map.region.piece_flags();
        ["BA", "CD"].map(|e| flags[map.edge(e).piece() as usize] & flag::DUAL != 0)
    };
    assert_eq!(dual(20.0, one_way), [true; 2]);
    assert_eq!(dual(80.0, one_way), [false; 2], "too far apart");
    let two_way = &[("highway", "trunk"), ("ref", "T 1")][..];
    assert_eq!(dual(20.0, two_way), [false; 2]);
    let same_way = &[("highway", "trunk"), ("oneway", "-1"), ("ref", "T 1")][..];
    assert_eq!(dual(20.0, same_way), [false; 2], "both lead the same way");
    let other_road = &[("highway", "trunk"), ("oneway", "yes"), ("ref", "T 2")][..];
    assert_eq!(dual(20.0, other_road), [false; 2]);
}

/// Values of the table "Default speed limits" of the OSM wiki: what the law says without a sign,
/// and what words and zones in `maxspeed` come to.
#[test]
fn limits_are_signed_implied_or_of_the_law() {
    use LimitSource::*;
    let residential = &[("highway", "residential")][..];
    let rural = &[("highway", "secondary")][..];
    let with = |base: &[(&'static str, &'static str)], more: &[(&'static str, &'static str)]| {
        let tags = [base, more].concat();
        let map = road(&tags);
        let edge = map.edge("AB");
        let source = map.region.piece_limit_source()[edge.piece() as usize];
        (
            map.region.edge_limit_kmh()[edge.0 as usize],
            LimitSource::from_code(source).unwrap(),
        )
    };
    for (base, tags, want) in [
        (rural, &[("maxspeed", "70")][..], (70, Signed)),
        (rural, &[("maxspeed", "30 mph")][..], (48, Signed)),
        // 96.56 and 88.51 km/h: never above the limit.
        (rural, &[("maxspeed", "60 mph")][..], (96, Signed)),
        (rural, &[("maxspeed", "55mph")][..], (88, Signed)),
        (rural, &[("maxspeed", "none")][..], (255, Signed)),
        (rural, &[("maxspeed", "walk")][..], (7, Signed)),
        (rural, &[("maxspeed", "50;70")][..], (50, Signed)),
        (
            rural,
            &[("maxspeed", "80"), ("maxspeed:motorcycle", "60")][..],
            (60, Signed),
        ),
        (
            rural,
            &[("maxspeed", "80"), ("maxspeed:forward", "60")][..],
            (60, Signed),
        ),
        (
            rural,
            &[("maxspeed", "80"), ("source:maxspeed", "DE:rural")][..],
            (80, Signed),
        ),
        (rural, &[("maxspeed", "DE:rural")][..], (100, Implicit)),
        (rural, &[("maxspeed", "FR:rural")][..], (80, Implicit)),
        (rural, &[("maxspeed:type", "IT:rural")][..], (90, Implicit)),
        (
            rural,
            &[("source:maxspeed", "AT:urban")][..],
            (50, Implicit),
        ),
        (
            rural,
            &[("maxspeed:type", "GB:nsl_single")][..],
            (96, Implicit),
        ),
        (
            rural,
            &[("maxspeed:type", "GB:nsl_dual")][..],
            (112, Implicit),
        ),
        (
            rural,
            &[("maxspeed:type", "CH:motorway")][..],
            (120, Implicit),
        ),
        (
            rural,
            &[("maxspeed:type", "DE:motorway")][..],
            (255, Implicit),
        ),
        (rural, &[("maxspeed", "FR:zone30")][..], (30, Implicit)),
        (rural, &[("zone:maxspeed", "DE:30")][..], (30, Implicit)),
        (
            rural,
            &[("maxspeed:type", "FL:zone:30")][..],
            (30, Implicit),
        ),
        (rural, &[("maxspeed", "US-CO:rural")][..], (88, Implicit)),
        (rural, &[("maxspeed", "BG:motorway")][..], (100, Implicit)),
        (rural, &[("maxspeed", "TR:rural")][..], (80, Implicit)),
        // No country: assumed, and said to be unknown.
        (rural, &[("maxspeed", "signals")][..], (80, Unknown)),
        (rural, &[][..], (80, Unknown)),
        (residential, &[][..], (50, Unknown)),
        (
            residential,
            &[("source:maxspeed", "sign")][..],
            (50, Unknown),
        ),
        (rural, &[("maxspeed", "fast")][..], (80, Unknown)),
        (rural, &[("maxspeed", "0")][..], (80, Unknown)),
    ] {
        assert_eq!(with(base, tags), want, "{tags:?}");
    }
}

/// One road names its country; the law of that country then holds around.
#[test]
fn the_law_of_the_country_holds_where_no_sign_does() {
    let law = |code: &str, tags: &[(&str, &str)]| {
        let zone = format!("{code}:urban");
        let map = map(ascii("A--B\n\nC--D")
            .way("CD", &[("maxspeed:type", &zone)])
            .way("AB", tags));
        let edge = map.edge("AB");
        assert_eq!(
            map.region.piece_limit_source()[edge.piece() as usize],
            LimitSource::Law as u8
        );
        map.region.edge_limit_kmh()[edge.0 as usize]
    };
    let motorway = &[("highway", "motorway")][..];
    let secondary = &[("highway", "secondary")][..];
    for (code, rural, on_motorway) in [
        ("DE", 100, 255),
        ("FR", 80, 130),
        ("IT", 90, 130),
        ("AT", 100, 130),
        ("CH", 80, 120),
        ("ES", 90, 120),
        ("NO", 80, 110),
        ("GB", 96, 112),
        ("BG", 80, 100),
        ("TR", 80, 100),
    ] {
        assert_eq!(law(code, secondary), rural, "{code} rural");
        assert_eq!(law(code, motorway), on_motorway, "{code} motorway");
    }
    assert_eq!(
        law("ES", &[("highway", "unclassified"), ("surface", "gravel")]),
        30
    );
    assert_eq!(
        law("CH", &[("highway", "trunk"), ("motorroad", "yes")]),
        100
    );
}

/// Under a ridge of 200 m a tunnel stays on the height of its portals, also where a side gallery
/// begins; the road over the ridge climbs it.
#[test]
fn tunnels_run_straight_through_and_roads_climb_over() {
    let dir = tempfile::tempdir().unwrap();
    fn ridge(east_m: f64, _north_m: f64) -> f64 {
        500.0 + (200.0 - (east_m - 2000.0).abs() / 5.0).max(0.0)
    }
    let world = ascii("A--B-C-D-E--F\n|      |    |\n|      G    |\nH-----------I")
        .spacing_m(333.0)
        .way("BCDE", &[("tunnel", "yes")])
        .way("DG", &[("tunnel", "yes")])
        .relief(ridge)
        .build()
        .unwrap();
    let file = dir.path().join("ridge.osm");
    world.write_xml(&file).unwrap();
    world.write_hgt(dir.path()).unwrap();
    let out = dir.path().join("ridge.region");
    let elevation = [dir.path().to_path_buf()];
    let job = Job {
        name: "ridge",
        files: &[file],
        elevation: &elevation,
        credit: None,
        out: &out,
    };
    import(&job, &|_, _, _| {}, &AtomicBool::new(false)).unwrap();
    let map = Map {
        region: Region::open(&out).unwrap(),
        world,
        _dir: dir,
    };
    let r = &map.region;
    let climb = |stretch: &str| f64::from(r.edge_climb_dm()[map.edge(stretch).0 as usize]) / 10.0;
    let end_m = |stretch: &str| {
        let edge = map.edge(stretch);
        let points = r.piece_points(edge.piece());
        let at = if edge.is_backward() {
            points.start
        } else {
            points.end - 1
        };
        f64::from(r.point_height_cm()[at]) / 100.0
    };
    // B and E lie 1000 m from the crest, where the slope begins; D under the crest.
    for stretch in ["BD", "ED", "GD"] {
        assert!(
            (end_m(stretch) - 500.0).abs() < 12.0,
            "{stretch} ends at {} m",
            end_m(stretch)
        );
    }
    assert!(
        climb("BD") + climb("DE") < 12.0,
        "{} {}",
        climb("BD"),
        climb("DE")
    );
    // H and I have only their ends as vertices: the same height.
    assert_eq!((climb("HI"), climb("IH")), (0.0, 0.0));
    assert!(end_m("AB") < 512.0 && r.meta().heights.is_some());
}

#[test]
fn a_road_among_residential_streets_is_in_town() {
    let street = &[("highway", "residential")][..];
    let in_town = |spacing_m: f64| {
        let sketch = ascii("A-B-C\n|   |\nD-E-F\n|   |\nG-H-I").spacing_m(spacing_m);
        let streets = ["AB", "BC", "AD", "CF", "DG", "FI", "GH", "HI"];
        let sketch = streets.iter().fold(sketch, |s, path| s.way(path, street));
        let map = map(sketch.way("DEF", &[("highway", "secondary")]).defaults(&[]));
        let edge = map.edge("DF");
        let p = edge.piece() as usize;
        let flag = map.region.piece_flags()[p] & flag::BUILT_UP != 0;
        (
            flag,
            map.region.piece_built_up()[p],
            map.region.edge_limit_kmh()[edge.0 as usize],
        )
    };
    assert_eq!(in_town(40.0), (true, 255, 50));
    assert_eq!(in_town(400.0), (false, 0, 80), "farms far apart");
}
