//! Divided roads: two one-way carriageways of one road, side by side in opposite directions.

use geo_index::rtree::{RTreeIndex, RTreeRef};
use region::{Access, Bounds, LocalFrame, Point, RoadClass, flag, pack_tree};

use super::network::Network;

/// Carriageways farther apart than this are roads of their own, metres (common practice: wide
/// medians reach some 40 m).
const APART_M: f64 = 50.0;
/// Cosine of the angle by which their directions may differ from opposite: 30 degrees.
const OPPOSITE: f64 = 0.866;

/// For every piece whether it is one carriageway of a divided road.
pub fn divided(network: &Network) -> Vec<bool> {
    let pieces = network.pieces.len();
    let one_ways: Vec<usize> = (0..pieces)
        .filter(|&p| rides_backward(network, p).is_some())
        .collect();
    let boxes: Vec<Bounds> = one_ways
        .iter()
        .map(|&piece| {
            let mut bounds = Bounds::EMPTY;
            network
                .piece_points(piece)
                .iter()
                .for_each(|&p| bounds.include(p));
            bounds
        })
        .collect();
    let mut divided = vec![false; pieces];
    for way in network
        .ways
        .iter()
        .enumerate()
        .filter(|(_, w)| w.facts.dual)
        .map(|(i, _)| i)
    {
        for piece in network.way_first_piece[way]..network.way_first_piece[way + 1] {
            divided[piece as usize] = true;
        }
    }
    let tree = pack_tree(&boxes);
    let Ok(tree) = RTreeRef::<i32>::try_new(&tree) else {
        return divided;
    };
    for &piece in &one_ways {
        let Some((at, heading)) = middle(network, piece) else {
            continue;
        };
        let b = Bounds::around(at, APART_M);
        let frame = LocalFrame::at(at);
        divided[piece] |= tree
            .search(b.west_e7, b.south_e7, b.east_e7, b.north_e7)
            .into_iter()
            .map(|i| one_ways[i as usize])
            .any(|other| is_twin(network, piece, other, frame, heading));
    }
    divided
}

/// Whether a one-way that could be a carriageway is ridden against its drawing; `None` for others.
fn rides_backward(network: &Network, piece: usize) -> Option<bool> {
    let facts = network.facts(piece);
    let is_other = facts.flags & (flag::LINK | flag::ROUNDABOUT) != 0;
    match facts.access.map(|a| a == Access::WrongWay) {
        _ if is_other || facts.class > RoadClass::Tertiary => None,
        [false, true] => Some(false),
        [true, false] => Some(true),
        _ => None,
    }
}

/// A point half way along a piece and the direction of travel there.
fn middle(network: &Network, piece: usize) -> Option<(Point, [f64; 2])> {
    let points = network.piece_points(piece);
    let i = (points.len() - 1) / 2;
    let at = super::middle(points[i], points[i + 1]);
    Some((
        at,
        heading(
            LocalFrame::at(at),
            points[i],
            points[i + 1],
            rides_backward(network, piece)?,
        )?,
    ))
}

fn heading(frame: LocalFrame, a: Point, b: Point, backward: bool) -> Option<[f64; 2]> {
    let ([xa, ya], [xb, yb]) = (frame.to_m(a), frame.to_m(b));
    let length = (xb - xa).hypot(yb - ya);
    let sign = if backward { -1.0 } else { 1.0 };
    (length > 0.01).then(|| [sign * (xb - xa) / length, sign * (yb - ya) / length])
}

/// Whether another piece of the same road passes the frame's origin the other way.
fn is_twin(
    network: &Network,
    piece: usize,
    other: usize,
    frame: LocalFrame,
    along: [f64; 2],
) -> bool {
    let (a, b) = (network.facts(piece), network.facts(other));
    let same = |x: &str, y: &str| x == y && !x.is_empty();
    let nameless =
        a.name.is_empty() && a.number.is_empty() && b.name.is_empty() && b.number.is_empty();
    if piece == other
        || a.class != b.class
        || !(nameless || same(&a.number, &b.number) || same(&a.name, &b.name))
    {
        return false;
    }
    let backward = rides_backward(network, other).unwrap_or(false);
    network.piece_points(other).windows(2).any(|p| {
        let Some(h) = heading(frame, p[0], p[1], backward) else {
            return false;
        };
        let ([xa, ya], [xb, yb]) = (frame.to_m(p[0]), frame.to_m(p[1]));
        let length2 = (xb - xa).powi(2) + (yb - ya).powi(2);
        let t = (-(xa * (xb - xa) + ya * (yb - ya)) / length2).clamp(0.0, 1.0);
        let apart = (xa + t * (xb - xa)).hypot(ya + t * (yb - ya));
        apart <= APART_M && h[0] * along[0] + h[1] * along[1] <= -OPPOSITE
    })
}
