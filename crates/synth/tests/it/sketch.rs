use synth::{MemberKind, SketchError, ascii};

fn tag<'a>(tags: &'a synth::Tags, key: &str) -> Option<&'a str> {
    tags.iter().find(|(k, _)| k == key).map(|(_, v)| v.as_str())
}

#[test]
fn square_has_four_roads_at_the_spacing() {
    let world = ascii("A--B\n|  |\nC--D").build().unwrap();
    assert_eq!(world.nodes.len(), 4);
    assert_eq!(world.ways.len(), 4);
    let (lat, lon) = world.lat_lon('A').unwrap();
    assert_eq!((lat, lon), (45.0, -30.0));
    // A degree of the 45th parallel is 78,847 m, of the meridian there 111,132 m
    // (Snyder, Map Projections: A Working Manual, table 3, WGS 84).
    let (d_lat, d_lon) = world.lat_lon('D').unwrap();
    assert!(((d_lon - lon) * 78_847.0 - 300.0).abs() < 0.1);
    assert!(((lat - d_lat) * 111_132.0 - 200.0).abs() < 0.1);
    assert_eq!(tag(&world.ways[0].tags, "highway"), Some("unclassified"));
}

#[test]
fn ways_take_the_direction_and_tags_asked_for() {
    let world = ascii("A--B--C")
        .defaults(&[("highway", "primary"), ("name", "Long Road")])
        .way("CBA", &[("oneway", "yes"), ("name", "")])
        .way("AB", &[("surface", "gravel")])
        .build()
        .unwrap();
    // The second call splits nothing off: it names a road of the first way.
    assert_eq!(world.ways.len(), 1);
    assert_eq!(world.ways[0].refs, ['C' as i64, 'B' as i64, 'A' as i64]);
    assert_eq!(tag(&world.ways[0].tags, "oneway"), Some("yes"));
    assert_eq!(tag(&world.ways[0].tags, "surface"), Some("gravel"));
    assert_eq!(tag(&world.ways[0].tags, "name"), None);
    assert_eq!(world.way_id("AB"), Some(1));
    assert_eq!(world.way_id("AC"), None);
}

#[test]
fn bends_diagonals_and_open_country() {
    let world = ascii(
        r"
A-+   E
  |  /
  + D
   \
    B
",
    )
    .build()
    .unwrap();
    assert_eq!(world.ways.len(), 2);
    let bent = world.way(world.way_id("AB").unwrap()).unwrap();
    assert_eq!(bent.refs.len(), 4);
    let lat_lon: Vec<_> = bent
        .refs
        .iter()
        .map(|&r| world.node(r).unwrap().lat_lon())
        .collect();
    assert!(lat_lon[1].0 == lat_lon[0].0 && lat_lon[2].1 == lat_lon[1].1);
}

#[test]
fn restrictions_with_node_and_way_via() {
    let world = ascii("A--B--C\n   |  |\n   D--E")
        .restriction("no_left_turn", "ABC", &[("except", "motorcycle")])
        .restriction("no_u_turn", "ABCE", &[])
        .build()
        .unwrap();
    let [simple, long] = world.relations.as_slice() else {
        panic!("two restrictions")
    };
    assert_eq!(tag(&simple.tags, "restriction"), Some("no_left_turn"));
    assert_eq!(tag(&simple.tags, "except"), Some("motorcycle"));
    let roles = |r: &synth::Relation| {
        r.members
            .iter()
            .map(|m| (m.kind, m.role.clone(), m.id))
            .collect::<Vec<_>>()
    };
    let way = |s: &str| world.way_id(s).unwrap();
    assert_eq!(
        roles(simple),
        [
            (MemberKind::Way, "from".into(), way("AB")),
            (MemberKind::Node, "via".into(), 'B' as i64),
            (MemberKind::Way, "to".into(), way("BC")),
        ]
    );
    assert_eq!(roles(long)[1], (MemberKind::Way, "via".into(), way("BC")));
    assert_eq!(roles(long)[2], (MemberKind::Way, "to".into(), way("CE")));
}

#[test]
fn places_and_heights() {
    let world = ascii("A--B")
        .node('A', &[("barrier", "gate")])
        .place('B', (0.0, 50.0), &[("amenity", "fuel")])
        .relief(|east_m, _| 500.0 + east_m / 10.0)
        .build()
        .unwrap();
    assert_eq!(
        tag(&world.node('A' as i64).unwrap().tags, "barrier"),
        Some("gate")
    );
    let fuel = world
        .nodes
        .iter()
        .find(|n| tag(&n.tags, "amenity") == Some("fuel"))
        .unwrap();
    assert!(fuel.lat_lon().0 > world.lat_lon('B').unwrap().0);
    let (lat, lon) = world.lat_lon('B').unwrap();
    let height_m = world.relief.as_ref().unwrap().height_at_lat_lon_m(lat, lon);
    assert!((height_m - 530.0).abs() < 0.1, "{height_m}");
}

#[test]
fn drawings_that_are_no_maps_say_where() {
    let err = |art: &str| ascii(art).build().unwrap_err();
    assert_eq!(err("A--A"), SketchError::Twice('A'));
    assert_eq!(err("A--"), SketchError::LooseEnd { row: 1, column: 3 });
    assert_eq!(
        err("A-*"),
        SketchError::Character {
            row: 1,
            column: 3,
            character: '*'
        }
    );
    assert_eq!(
        err("A-+-B\n  |\n  C"),
        SketchError::LooseEnd { row: 1, column: 3 }
    );
    assert_eq!(
        err("A B\n\n ||"),
        SketchError::LooseEnd { row: 3, column: 2 }
    );
    assert_eq!(
        ascii("A-B").way("AC", &[]).build().unwrap_err(),
        SketchError::Letter('C')
    );
    let two = ascii("A-B\n|\n+-+\n").way("AB", &[]).build().unwrap_err();
    assert!(matches!(two, SketchError::LooseEnd { .. }));
    let ring = ascii("A--B\n|  |\n+--+")
        .way("AB", &[])
        .build()
        .unwrap_err();
    assert_eq!(
        ring,
        SketchError::Road {
            from: 'A',
            to: 'B',
            found: 2
        }
    );
}
