//! How safely a point stands somewhere on a line.
//!
//! A unit snaps a point to its own map, which is another edition, drawn anew, and it does not know
//! which road was meant. What fails in practice is a point near a junction, on one of two
//! carriageways, under a bridge, on a hairpin's other arm, or on a road that is new, changed or
//! missing on the other map. So a place is the safer the farther everything else is, and the more
//! lasting its road is. All weights are common practice.

use region::{Bounds, Edge, LocalFrame, Region, RoadClass, flag};

use super::net::{Place, Span};
use super::shape::Shape;
use crate::snap::project;

/// Places looked at in one window.
const MOST_PLACES: usize = 48;
/// Other roads are looked for this far, metres.
const LOOK_M: f64 = 60.0;
/// Nearer than this a unit may take the other road, metres.
const NEAR_M: f64 = 25.0;

/// A place that could hold a point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spot {
    /// Where on the line.
    pub place: Place,
    /// 0 is safe; rises with what may go wrong.
    pub risk: f64,
    /// Metres to the nearest other road, [`LOOK_M`] at most.
    pub clear_m: f64,
}

/// The places of a window, `from..=to`, with their risks, in riding order; at least one.
pub fn spots(region: &Region, span: &Span, from: Place, to: Place) -> Vec<Spot> {
    let length_m = |i: usize| region.length_m(span.edges[i] / 2);
    // Stretches of the window, edge by edge.
    let mut stretches: Vec<(usize, f64, f64)> = (from.index..=to.index)
        .map(|i| {
            let a = if i == from.index { from.share } else { 0.0 };
            let b = if i == to.index { to.share } else { 1.0 };
            (i, a, b.max(a))
        })
        .collect();
    // Not on a junction, where a unit could mean any of its roads, unless there is nothing else.
    let is_long = |&(i, a, b): &(usize, f64, f64)| (b - a) * length_m(i) > 0.5;
    if stretches.iter().any(is_long) {
        stretches.retain(is_long);
    }
    let whole_m: f64 = stretches
        .iter()
        .map(|&(i, a, b)| (b - a) * length_m(i))
        .sum();
    let step_m = (whole_m / MOST_PLACES as f64).max(8.0);
    let mut spots = Vec::new();
    let mut before_m = 0.0;
    for (i, a, b) in stretches {
        let part_m = (b - a) * length_m(i);
        let count = (part_m / step_m).ceil().max(1.0) as usize;
        let shape = Shape::new(region, Edge(span.edges[i]));
        for k in 0..count {
            let t = (k as f64 + 0.5) / count as f64;
            let place = Place {
                index: i,
                share: a + t * (b - a),
            };
            let (risk, clear_m) = risk(region, span, &shape, place);
            // In the middle of its window a point leaves room for routers we do not know.
            let inside_m = (before_m + t * part_m).min(whole_m - before_m - t * part_m);
            let tight = 1.0 - (inside_m / 60.0).min(1.0);
            spots.push(Spot {
                place,
                risk: risk + TIGHT * tight,
                clear_m,
            });
        }
        before_m += part_m;
    }
    spots
}

/// Weight of standing at the very end of a window.
const TIGHT: f64 = 1.5;

fn risk(region: &Region, span: &Span, shape: &Shape, place: Place) -> (f64, f64) {
    let edge = span.edges[place.index];
    let piece = edge / 2;
    let at = shape.at(place.share);
    let frame = LocalFrame::at(at);
    let own = same_road(region, span, place.index);
    let mut clear_m = shape.farther_parts_m(at, place.share, 40.0).min(LOOK_M);
    for other in region.pieces_in(Bounds::around(at, LOOK_M)) {
        if other != piece && !own.contains(&other) && region.class(other) != RoadClass::Ferry {
            clear_m = clear_m.min(project(region, other, frame).offset_m);
        }
    }
    let p = piece as usize;
    let flags = region.piece_flags()[p];
    let mut risk = 8.0 * (1.0 - clear_m / NEAR_M).max(0.0) + 2.0 * (1.0 - clear_m / LOOK_M);
    risk += match region.class(piece) {
        RoadClass::Ferry => 50.0,
        RoadClass::Path => 2.0,
        RoadClass::Track => 1.2,
        RoadClass::Service => 1.2,
        RoadClass::LivingStreet | RoadClass::Residential => 0.5,
        RoadClass::Unclassified => 0.2,
        _ => 0.0,
    };
    for (bit, weight) in [
        (flag::ROUNDABOUT, 4.0),
        (flag::LINK, 2.0),
        (flag::TUNNEL, 2.0),
        (flag::DUAL, 1.5),
        (flag::BRIDGE, 0.7),
        (flag::FORD, 0.5),
    ] {
        if flags & bit != 0 {
            risk += weight;
        }
    }
    if region.piece_name()[p] == 0 && region.piece_ref()[p] == 0 {
        risk += 0.3;
    }
    (risk, clear_m)
}

/// Pieces that are this road going on where nothing joins it.
fn same_road(region: &Region, span: &Span, index: usize) -> Vec<u32> {
    let joins = |e: u32| {
        let node = region.head(Edge(e)) as usize;
        region.node_first_edge()[node + 1] - region.node_first_edge()[node] > 2
    };
    let mut pieces = Vec::new();
    let mut i = index;
    while i + 1 < span.edges.len() && i < index + 8 && !joins(span.edges[i]) {
        i += 1;
        pieces.push(span.edges[i] / 2);
    }
    i = index;
    while i > 0 && i + 8 > index && !joins(span.edges[i - 1]) {
        i -= 1;
        pieces.push(span.edges[i] / 2);
    }
    pieces
}
