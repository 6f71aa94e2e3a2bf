//! The `roads` layer.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::LazyLock;

use fast_mvt::{MvtCoord, MvtFeatureBuilder, MvtGeomType, MvtResult, MvtTileBuilder, MvtValueRef};
use region::{Access, Edge, Region, RoadClass, flag};

use crate::frame::{Frame, Spot, push_unwrapped};
use crate::{layer, names};

/// From this zoom on every piece is a feature of its own, with all its attributes.
const PIECES_FROM_ZOOM: u8 = 12;
/// Up to this zoom the region's index of major pieces holds all that is drawn.
const MAJOR_TO_ZOOM: u8 = 8;

static CLASS: LazyLock<Vec<String>> = LazyLock::new(|| names(RoadClass::ALL));
static ACCESS: LazyLock<Vec<String>> = LazyLock::new(|| names(Access::ALL));

/// Lowest zoom at which a road is drawn.
fn first_zoom(class: RoadClass, link: bool) -> u8 {
    let zoom = match class {
        RoadClass::Motorway => 4,
        RoadClass::Trunk => 5,
        RoadClass::Primary => 6,
        RoadClass::Ferry => 7,
        RoadClass::Secondary => 8,
        RoadClass::Tertiary => 9,
        RoadClass::Unclassified => 10,
        RoadClass::Residential | RoadClass::LivingStreet | RoadClass::Track => 11,
        RoadClass::Service | RoadClass::Path => 12,
    };
    if link { zoom.max(10) } else { zoom }
}

/// What all pieces drawn as one feature have in common. Ordered so that equal input gives equal
/// tiles, and minor roads come before, that is under, major ones.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Key {
    class: std::cmp::Reverse<u8>,
    reference: u32,
    bend: u16,
    paved: Option<bool>,
    access: u8,
    flags: u32,
}

/// Writes the layer, if there is any road.
pub(crate) fn write(
    region: &Region,
    frame: &Frame,
    tile: MvtTileBuilder,
) -> MvtResult<MvtTileBuilder> {
    let mut pieces = if frame.z <= MAJOR_TO_ZOOM {
        frame.find(|b| region.major_pieces_in(b))
    } else {
        frame.find(|b| region.pieces_in(b))
    };
    pieces.sort_unstable();
    pieces.dedup();
    pieces.retain(|&p| first_zoom(region.class(p), has(region, p, flag::LINK)) <= frame.z);

    let drawn = if frame.z >= PIECES_FROM_ZOOM {
        pieces.sort_by_key(|&p| std::cmp::Reverse(region.piece_class()[p as usize]));
        single(region, frame, &pieces)
    } else {
        joined(region, frame, &pieces)
    };
    layer(tile, "roads", !drawn.is_empty(), |mut layer| {
        for road in &drawn {
            let mut feature = layer.feature_of(MvtGeomType::LineString);
            for line in &road.lines {
                feature.line(line.iter().map(|&[x, y]| MvtCoord { x, y }))?;
            }
            tag(region, road, &mut feature)?;
            layer = feature.end();
        }
        Ok(layer)
    })
}

/// One feature of the layer.
struct Drawn {
    lines: Vec<Vec<[i32; 2]>>,
    key: Key,
    piece: Option<u32>,
}

/// Every piece as it is.
fn single(region: &Region, frame: &Frame, pieces: &[u32]) -> Vec<Drawn> {
    let drawn = pieces.iter().map(|&piece| Drawn {
        lines: cut(frame, &path(region, frame.z, &[Edge::new(piece, false)])),
        key: Key {
            bend: region.piece_bend_deg_per_km()[piece as usize],
            flags: region.piece_flags()[piece as usize],
            ..key(region, piece)
        },
        piece: Some(piece),
    });
    drawn.filter(|d| !d.lines.is_empty()).collect()
}

/// Pieces alike in everything that shows at small scales, as one feature.
fn joined(region: &Region, frame: &Frame, pieces: &[u32]) -> Vec<Drawn> {
    let mut groups: BTreeMap<Key, Vec<u32>> = BTreeMap::new();
    for &piece in pieces {
        groups.entry(key(region, piece)).or_default().push(piece);
    }
    let drawn = groups.into_iter().map(|(key, pieces)| {
        let chains = chains(region, &pieces);
        let lines = chains
            .iter()
            .flat_map(|c| cut(frame, &path(region, frame.z, c)))
            .collect();
        Drawn {
            lines,
            key,
            piece: None,
        }
    });
    drawn.filter(|d| !d.lines.is_empty()).collect()
}

fn has(region: &Region, piece: u32, bit: u32) -> bool {
    region.piece_flags()[piece as usize] & bit != 0
}

/// Code of the worst access of both directions, one-ways left aside.
fn access(region: &Region, piece: u32) -> u8 {
    [false, true]
        .into_iter()
        .map(|backward| region.access(Edge::new(piece, backward)))
        .filter(|&a| a != Access::WrongWay)
        .max()
        .unwrap_or(Access::Closed) as u8
}

/// Bend rate in classes fine enough for the shading, coarse enough to join pieces.
fn bend_class(bend_deg_per_km: u16) -> u16 {
    let step = match bend_deg_per_km {
        0..100 => 25,
        100..400 => 50,
        400..1000 => 200,
        _ => return 1000,
    };
    bend_deg_per_km / step * step + step / 2
}

fn key(region: &Region, piece: u32) -> Key {
    let i = piece as usize;
    Key {
        class: std::cmp::Reverse(region.piece_class()[i]),
        reference: region.piece_ref()[i],
        bend: bend_class(region.piece_bend_deg_per_km()[i]),
        paved: region.surface(piece).paved(),
        access: access(region, piece),
        flags: region.piece_flags()[i]
            & (flag::LINK | flag::TUNNEL | flag::TOLL | flag::SEASONAL | flag::BUILT_UP),
    }
}

fn tag(region: &Region, road: &Drawn, feature: &mut MvtFeatureBuilder) -> MvtResult<()> {
    let key = road.key;
    feature.tag_ref("class", name(&CLASS, key.class.0))?;
    feature.tag_ref("access", name(&ACCESS, key.access))?;
    feature.tag_ref("bend", MvtValueRef::UInt(u64::from(key.bend)))?;
    if let Some(paved) = key.paved {
        feature.tag_ref("paved", MvtValueRef::UInt(u64::from(paved)))?;
    }
    if key.reference != 0 {
        feature.tag_ref("ref", MvtValueRef::String(region.string(key.reference)))?;
    }
    for (bit, word) in [
        (flag::LINK, "link"),
        (flag::BRIDGE, "bridge"),
        (flag::TUNNEL, "tunnel"),
        (flag::TOLL, "toll"),
        (flag::FORD, "ford"),
        (flag::SEASONAL, "seasonal"),
        (flag::BUILT_UP, "built_up"),
    ] {
        if key.flags & bit != 0 {
            feature.tag_ref(word, MvtValueRef::Bool(true))?;
        }
    }
    let Some(piece) = road.piece else {
        return Ok(());
    };
    feature.id(Some(u64::from(piece)));
    feature.tag_ref("piece", MvtValueRef::UInt(u64::from(piece)))?;
    let words = region.piece_name()[piece as usize];
    if words != 0 {
        feature.tag_ref("name", MvtValueRef::String(region.string(words)))?;
    }
    let wrong = |backward| region.access(Edge::new(piece, backward)) == Access::WrongWay;
    match (wrong(false), wrong(true)) {
        (false, true) => feature.tag_ref("oneway", MvtValueRef::SInt(1))?,
        (true, false) => feature.tag_ref("oneway", MvtValueRef::SInt(-1))?,
        _ => feature,
    };
    Ok(())
}

fn name(names: &'static [String], code: u8) -> MvtValueRef<'static> {
    MvtValueRef::String(names.get(usize::from(code)).map_or("", String::as_str))
}

/// Strings pieces end to end wherever exactly two of them meet, so that a road is one line.
fn chains(region: &Region, pieces: &[u32]) -> Vec<Vec<Edge>> {
    // Edges of the group by the junction they leave from.
    let mut leaving: HashMap<u32, (u32, [Edge; 2])> = HashMap::with_capacity(pieces.len() * 2);
    for &piece in pieces {
        for edge in [Edge::new(piece, false), Edge::new(piece, true)] {
            let (count, edges) = leaving.entry(region.tail(edge)).or_insert((0, [edge; 2]));
            if *count < 2 {
                edges[*count as usize] = edge;
            }
            *count += 1;
        }
    }
    let next = |edge: Edge| match leaving.get(&region.head(edge)) {
        Some((2, [a, b])) if *a == edge.reversed() => Some(*b),
        Some((2, [a, b])) if *b == edge.reversed() => Some(*a),
        _ => None,
    };
    let mut used: HashSet<u32> = HashSet::with_capacity(pieces.len());
    let mut chains = Vec::new();
    for &piece in pieces {
        if !used.insert(piece) {
            continue;
        }
        let start = Edge::new(piece, false);
        let mut extend = |from: Edge| {
            let mut chain = Vec::new();
            let mut at = from;
            while let Some(edge) = next(at).filter(|e| used.insert(e.piece())) {
                chain.push(edge);
                at = edge;
            }
            chain
        };
        let ahead = extend(start);
        let behind = extend(start.reversed());
        let mut chain: Vec<Edge> = behind.iter().rev().map(|e| e.reversed()).collect();
        chain.push(start);
        chain.extend(ahead);
        chains.push(chain);
    }
    chains
}

/// The vertices of a chain of edges that a zoom needs; junctions always.
fn path(region: &Region, z: u8, chain: &[Edge]) -> Vec<Spot> {
    let zooms = region.point_first_zoom();
    let mut path = Vec::new();
    for &edge in chain {
        let points = region.piece_points(edge.piece());
        let (first, last) = (points.start, points.end - 1);
        let mut add = |i: usize| {
            if i == first || i == last || zooms[i] <= z {
                push_unwrapped(&mut path, region.point(i));
            }
        };
        if edge.is_backward() {
            points.rev().for_each(&mut add)
        } else {
            points.for_each(&mut add)
        }
    }
    path
}

fn cut(frame: &Frame, path: &[Spot]) -> Vec<Vec<[i32; 2]>> {
    let mut lines = Vec::new();
    frame.near(path, |units| {
        frame
            .window()
            .cut_line(units, |part| lines.push(part.to_vec()));
    });
    lines
}
