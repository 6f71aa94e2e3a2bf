use std::collections::BTreeMap;

use osmpbf::{Element, ElementReader, RelMemberType};
use synth::{MemberKind, World, ascii};

/// Reads a PBF with an independent reader into comparable text, one line an element.
pub fn read_back(path: &std::path::Path) -> Vec<String> {
    let mut lines = Vec::new();
    let sorted = |tags: &mut dyn Iterator<Item = (&str, &str)>| {
        let tags: BTreeMap<String, String> =
            tags.map(|(k, v)| (k.to_owned(), v.to_owned())).collect();
        format!("{tags:?}")
    };
    ElementReader::from_path(path)
        .unwrap()
        .for_each(|element| {
            lines.push(match element {
                Element::DenseNode(n) => format!(
                    "n{} {} {} {}",
                    n.id(),
                    n.decimicro_lat(),
                    n.decimicro_lon(),
                    sorted(&mut n.tags())
                ),
                Element::Node(n) => format!("plain node {}", n.id()),
                Element::Way(w) => format!(
                    "w{} {:?} {}",
                    w.id(),
                    w.refs().collect::<Vec<_>>(),
                    sorted(&mut w.tags())
                ),
                Element::Relation(r) => {
                    let members: Vec<String> = r
                        .members()
                        .map(|m| {
                            let kind = match m.member_type {
                                RelMemberType::Node => "n",
                                RelMemberType::Way => "w",
                                RelMemberType::Relation => "r",
                            };
                            format!("{kind}{}:{}", m.member_id, m.role().unwrap())
                        })
                        .collect();
                    format!("r{} {members:?} {}", r.id(), sorted(&mut r.tags()))
                }
            });
        })
        .unwrap();
    lines
}

/// The same text from the world itself.
pub fn expected(world: &World) -> Vec<String> {
    let sorted = |tags: &synth::Tags| {
        format!(
            "{:?}",
            tags.iter().cloned().collect::<BTreeMap<String, String>>()
        )
    };
    let nodes = world
        .nodes
        .iter()
        .map(|n| format!("n{} {} {} {}", n.id, n.lat_e7, n.lon_e7, sorted(&n.tags)));
    let ways = world
        .ways
        .iter()
        .map(|w| format!("w{} {:?} {}", w.id, w.refs, sorted(&w.tags)));
    let relations = world.relations.iter().map(|r| {
        let members: Vec<String> = r
            .members
            .iter()
            .map(|m| {
                let kind = match m.kind {
                    MemberKind::Node => "n",
                    MemberKind::Way => "w",
                    MemberKind::Relation => "r",
                };
                format!("{kind}{}:{}", m.id, m.role)
            })
            .collect();
        format!("r{} {members:?} {}", r.id, sorted(&r.tags))
    });
    nodes.chain(ways).chain(relations).collect()
}

#[test]
fn pbf_reads_back_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("sketch.osm.pbf");
    let world = ascii("A--B\n|  |\nC--D")
        .way("AB", &[("name", "Éôla ß Ωμέγα Ђорђе"), ("oneway", "-1")])
        .restriction("only_straight_on", "CABD", &[])
        .place('D', (-70.0, -2_000_000.0), &[("place", "town")])
        .build()
        .unwrap();
    world.write_pbf(&path).unwrap();
    assert_eq!(read_back(&path), expected(&world));
    assert_eq!(std::fs::read_dir(&dir).unwrap().count(), 1, "no leftovers");
}

#[test]
fn pbf_header_states_bounds_and_date() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("sketch.osm.pbf");
    let world = ascii("A--B").build().unwrap();
    world.write_pbf(&path).unwrap();
    let mut blobs = osmpbf::BlobReader::from_path(&path).unwrap();
    let first = blobs.next().unwrap().unwrap();
    let osmpbf::BlobDecode::OsmHeader(header) = first.decode().unwrap() else {
        panic!("the first blob is the header")
    };
    assert_eq!(header.required_features(), ["OsmSchema-V0.6", "DenseNodes"]);
    let bbox = header.bbox().unwrap();
    assert!((bbox.left + 30.0).abs() < 1e-9 && (bbox.top - 45.0).abs() < 1e-9);
    assert_eq!(
        header.osmosis_replication_timestamp(),
        Some(synth::DATA_TIMESTAMP_S),
        "data date"
    );
}

#[test]
fn many_blocks() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("many.osm.pbf");
    let mut world = World::default();
    for id in 1..=20_001 {
        let (lat_e7, lon_e7) = (id as i32 * 1000, -(id as i32) * 7);
        world.nodes.push(synth::Node {
            id: id * 3,
            lat_e7,
            lon_e7,
            tags: Vec::new(),
        });
    }
    world.write_pbf(&path).unwrap();
    assert_eq!(read_back(&path), expected(&world));
}

#[test]
fn xml_escapes_and_prints_exact_degrees() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("sketch.osm");
    let world = ascii("A-B")
        .origin(-0.000_000_1, 0.5)
        .way("AB", &[("name", "a<b>&\"c\"")])
        .build()
        .unwrap();
    world.write_xml(&path).unwrap();
    let text = std::fs::read_to_string(&path).unwrap();
    assert!(text.contains(r#"<node id="65" version="1" lat="-0.0000001" lon="0.5000000">"#));
    assert!(
        text.contains(r#"<tag k="name" v="a&lt;b&gt;&amp;&quot;c&quot;"/>"#),
        "{text}"
    );
}

#[test]
fn hgt_has_the_published_layout() {
    let dir = tempfile::tempdir().unwrap();
    let world = ascii("A--B")
        .relief(|east_m, _| 1000.0 + east_m)
        .build()
        .unwrap();
    let paths = world.write_hgt(dir.path()).unwrap();
    let names: Vec<_> = paths
        .iter()
        .map(|p| p.file_name().unwrap().to_str().unwrap().to_owned())
        .collect();
    // The sketch lies around 45 N 30 W, a corner of four squares.
    assert_eq!(
        names,
        ["N44W030.hgt", "N44W031.hgt", "N45W030.hgt", "N45W031.hgt"]
    );
    let bytes = std::fs::read(&paths[2]).unwrap();
    assert_eq!(bytes.len(), 1201 * 1201 * 2);
    // The south-west post is the first of the last row: 45 N 30 W itself.
    let at = 1200 * 1201 * 2;
    assert_eq!(i16::from_be_bytes([bytes[at], bytes[at + 1]]), 1000);
    // Three arc-seconds further east are 65.7 m.
    assert_eq!(i16::from_be_bytes([bytes[at + 2], bytes[at + 3]]), 1066);
}

#[test]
fn no_relief_and_no_directory_are_errors() {
    let dir = tempfile::tempdir().unwrap();
    let world = ascii("A--B").build().unwrap();
    assert!(
        world
            .write_hgt(dir.path())
            .unwrap_err()
            .to_string()
            .contains("no relief")
    );
    let missing = dir.path().join("missing/x.osm.pbf");
    assert!(
        world
            .write_pbf(&missing)
            .unwrap_err()
            .to_string()
            .contains("x.osm.pbf")
    );
}
