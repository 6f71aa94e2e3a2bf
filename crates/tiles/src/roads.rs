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

/// Steps of worth to a taste beside "nothing".
pub(crate) const WORTH_STEPS: u8 = 8;

/// Half the length, in tile units, over which bend rate and worth are averaged: 12 pixels of 512.
const BEND_WINDOW: i32 = 96;

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
    /// Step of worth to a taste, if one was asked for.
    worth: Option<u8>,
    paved: Option<bool>,
    access: u8,
    flags: u32,
}

/// One feature of the layer.
struct Drawn {
    lines: Vec<Vec<[i32; 2]>>,
    key: Key,
    piece: Option<u32>,
}

/// Writes the layer, if there is any road. `worth` [P] is what each piece is worth, 0..=255.
pub(crate) fn write(
    region: &Region,
    worth: Option<&[u8]>,
    frame: &Frame,
    tile: MvtTileBuilder,
) -> MvtResult<MvtTileBuilder> {
    let mut pieces = if frame.z <= MAJOR_TO_ZOOM {
        frame.find_beyond(BEND_WINDOW, |b| region.major_pieces_in(b))
    } else {
        frame.find_beyond(BEND_WINDOW, |b| region.pieces_in(b))
    };
    pieces.sort_unstable();
    pieces.dedup();
    pieces.retain(|&p| first_zoom(region.class(p), has(region, p, flag::LINK)) <= frame.z);

    let chains = chains_of_like(region, &pieces);
    let drawn = if frame.z >= PIECES_FROM_ZOOM {
        single(region, worth, frame, &chains)
    } else {
        joined(region, worth, frame, &chains)
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

/// A run of pieces alike in all but their bend rate and worth, end to end.
struct Chain {
    key: Key,
    edges: Vec<Edge>,
}

/// All pieces as chains, in the order they are drawn.
fn chains_of_like(region: &Region, pieces: &[u32]) -> Vec<Chain> {
    let mut groups: BTreeMap<Key, Vec<u32>> = BTreeMap::new();
    for &piece in pieces {
        groups.entry(key(region, piece)).or_default().push(piece);
    }
    let chained = groups.into_iter().map(|(key, pieces)| {
        chains(region, &pieces)
            .into_iter()
            .map(move |edges| Chain { key, edges })
    });
    chained.flatten().collect()
}

/// Every piece as it is.
fn single(region: &Region, worth: Option<&[u8]>, frame: &Frame, chains: &[Chain]) -> Vec<Drawn> {
    let mut drawn = Vec::new();
    for chain in chains {
        let bends = bends(region, frame, &chain.edges);
        let steps = steps(region, worth, frame, &chain.edges);
        for ((&edge, bend), worth) in chain.edges.iter().zip(bends).zip(steps) {
            let piece = edge.piece();
            let lines = cut(frame, &path(region, frame.z, &[Edge::new(piece, false)]));
            if !lines.is_empty() {
                let flags = region.piece_flags()[piece as usize];
                drawn.push(Drawn {
                    lines,
                    key: Key {
                        bend,
                        worth,
                        flags,
                        ..chain.key
                    },
                    piece: Some(piece),
                });
            }
        }
    }
    drawn.sort_by_key(|d| (d.key.class, d.piece));
    drawn
}

/// Pieces alike in everything that shows at small scales, as one feature.
fn joined(region: &Region, worth: Option<&[u8]>, frame: &Frame, chains: &[Chain]) -> Vec<Drawn> {
    let mut features: BTreeMap<Key, Vec<Vec<[i32; 2]>>> = BTreeMap::new();
    for chain in chains {
        let classes: Vec<(u16, Option<u8>)> = bends(region, frame, &chain.edges)
            .into_iter()
            .map(bend_class)
            .zip(steps(region, worth, frame, &chain.edges))
            .collect();
        let mut from = 0;
        for run in classes.chunk_by(|a, b| a == b) {
            let edges = &chain.edges[from..from + run.len()];
            from += run.len();
            let lines = cut(frame, &path(region, frame.z, edges));
            if !lines.is_empty() {
                features
                    .entry(Key {
                        bend: run[0].0,
                        worth: run[0].1,
                        ..chain.key
                    })
                    .or_default()
                    .extend(lines);
            }
        }
    }
    features
        .into_iter()
        .map(|(key, lines)| Drawn {
            lines,
            key,
            piece: None,
        })
        .collect()
}

/// Bend rate of each edge of a chain as it is to be shaded.
fn bends(region: &Region, frame: &Frame, chain: &[Edge]) -> Vec<u16> {
    let rate = |edge: Edge| {
        // A roundabout is a junction, not a winding road.
        if has(region, edge.piece(), flag::ROUNDABOUT) {
            0.0
        } else {
            f64::from(region.piece_bend_deg_per_km()[edge.piece() as usize])
        }
    };
    let means = means(region, frame, chain, rate);
    means.into_iter().map(|m| m.round() as u16).collect()
}

/// Step of worth of each edge of a chain; none where no taste was asked for.
fn steps(region: &Region, worth: Option<&[u8]>, frame: &Frame, chain: &[Edge]) -> Vec<Option<u8>> {
    let Some(worth) = worth else {
        return vec![None; chain.len()];
    };
    let of = |edge: Edge| f64::from(worth.get(edge.piece() as usize).copied().unwrap_or(0));
    let step = |mean: f64| (mean * f64::from(WORTH_STEPS) / 255.0).round() as u8;
    let means = means(region, frame, chain, of);
    means.into_iter().map(|m| Some(step(m))).collect()
}

/// A value of each edge of a chain as it is to be shaded: the mean over what lies within
/// [`BEND_WINDOW`] of its middle, or its own where that reaches further. So one sharp corner
/// between two junctions is no speck of its own, and small scales show what a road is like.
fn means(region: &Region, frame: &Frame, chain: &[Edge], value: impl Fn(Edge) -> f64) -> Vec<f64> {
    let half_m = f64::from(BEND_WINDOW) * frame.unit_m();
    // Ends of the edges along the chain, and the sum up to there.
    let (mut at_m, mut sums) = (vec![0.0], vec![0.0]);
    for &edge in chain {
        let length_m = region.length_m(edge.piece());
        at_m.push(at_m[at_m.len() - 1] + length_m);
        sums.push(sums[sums.len() - 1] + value(edge) * length_m);
    }
    let sum_at = |m: f64| {
        let i = at_m.partition_point(|&a| a <= m).clamp(1, chain.len());
        let length_m = at_m[i] - at_m[i - 1];
        let share = if length_m > 0.0 {
            ((m - at_m[i - 1]) / length_m).clamp(0.0, 1.0)
        } else {
            0.0
        };
        sums[i - 1] + share * (sums[i] - sums[i - 1])
    };
    let mean = |i: usize| {
        let middle = (at_m[i] + at_m[i + 1]) / 2.0;
        let from = (middle - half_m).min(at_m[i]).max(0.0);
        let to = (middle + half_m).max(at_m[i + 1]).min(at_m[chain.len()]);
        if to > from {
            (sum_at(to) - sum_at(from)) / (to - from)
        } else {
            0.0
        }
    };
    (0..chain.len()).map(mean).collect()
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

/// What a piece has in common with others like it, bend rate and worth left open.
fn key(region: &Region, piece: u32) -> Key {
    let i = piece as usize;
    Key {
        class: std::cmp::Reverse(region.piece_class()[i]),
        reference: region.piece_ref()[i],
        bend: 0,
        worth: None,
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
    if let Some(worth) = key.worth {
        feature.tag_ref("worth", MvtValueRef::UInt(u64::from(worth)))?;
    }
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
