//! Legal limits by country and kind of road.

use region::LimitSource;
use synth::ascii;

use crate::roads_maps::map;

/// Limit of a road with these tags where the only sign far around names the country.
fn law_kmh(code: &str, tags: &[(&str, &str)]) -> u8 {
    let zone = format!("{code}:urban");
    let map = map(ascii("A--B\n\nC--D")
        .way("CD", &[("maxspeed:type", &zone)])
        .way("AB", tags));
    let edge = map.edge("AB");
    let source = map.region.piece_limit_source()[edge.piece() as usize];
    assert_eq!(source, LimitSource::Law as u8, "{code} {tags:?}");
    map.region.edge_limit_kmh()[edge.0 as usize]
}

const NONE: u8 = region::NO_LIMIT_KMH;

/// OSM wiki, table "Default speed limits", revision of 2023-10-21, rows for motorcycles where there
/// are any; miles rounded down to whole km/h (30 mph = 48.28). Where the table has two limits for
/// what no tag tells apart (France with two lanes each way, Spain in towns), the lower one. 0 where
/// it has none.
#[test]
fn each_kind_of_road_has_the_limit_of_its_country() {
    let street = &[("highway", "residential")][..];
    let rural = &[("highway", "secondary")][..];
    let dual = &[("highway", "trunk"), ("dual_carriageway", "yes")][..];
    let motorroad = &[("highway", "trunk"), ("motorroad", "yes")][..];
    let motorway = &[("highway", "motorway")][..];
    let unpaved = &[("highway", "unclassified"), ("surface", "gravel")][..];
    let kinds = [street, rural, dual, motorroad, motorway, unpaved];
    for (code, want) in [
        ("DE", [50, 100, NONE, 0, NONE, 100]),
        ("FR", [50, 80, 110, 0, 130, 80]),
        ("IT", [50, 90, 110, 0, 130, 90]),
        ("AT", [50, 100, 0, 100, 130, 100]),
        ("CH", [50, 80, 0, 100, 120, 80]),
        ("ES", [30, 90, 0, 0, 120, 30]),
        ("NO", [50, 80, 0, 0, 110, 80]),
        ("GB", [48, 96, 112, 0, 112, 96]),
        ("US-CO", [48, 88, 0, 0, 104, 88]),
        ("BG", [0, 80, 0, 90, 100, 80]),
        ("TR", [0, 80, 90, 0, 100, 80]),
    ] {
        for (tags, want) in kinds.iter().zip(want).filter(|(_, want)| *want > 0) {
            assert_eq!(law_kmh(code, tags), want, "{code} {tags:?}");
        }
    }
}

/// A direction against which nobody rides must not lend its sign to the other.
#[test]
fn a_sign_for_one_direction_leaves_the_other_to_the_law() {
    let zone = ("maxspeed:type", "CH:urban");
    let map = map(ascii("A--B\n\nC--D").way("CD", &[zone]).way(
        "AB",
        &[("highway", "secondary"), ("maxspeed:backward", "60")],
    ));
    let edge = map.edge("AB");
    let limits = map.region.edge_limit_kmh();
    assert_eq!(limits[edge.0 as usize], 80);
    assert_eq!(limits[edge.reversed().0 as usize], 60);
}
