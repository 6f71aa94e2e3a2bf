//! Which junctions are decision points.
//!
//! At a junction the rider comes in by one arm and the line leaves by another. Straight on is what a
//! rider does who is told nothing: take the arm that turns least, or follow the road where two are
//! alike. Where that is not the way, there is a decision:
//!
//! - the way turns by more than [`STRAIGHT_DEG`] and there is another arm,
//! - another arm is straighter by more than [`ALIKE_DEG`],
//! - or another arm is as straight within [`ALIKE_DEG`], unless the road goes on by the way (same
//!   number, name or kind) and not by that arm;
//! - turning round at a junction, and every roundabout, which counts as one junction.
//!
//! Arms closed to motorcycles are no arms. Side drives, that is ways of service, tracks and paths
//! beside a better road that goes on, count only where the way turns by more than [`STRAIGHT_DEG`]
//! and they turn less. Arms that may not be entered (one-way) are seen, so they count where
//! the way turns, but nobody goes straight on into them. Banned turns count like any arm: what one
//! sees is a road. The angles are this project's choice; no standard gives them.

use region::{Access, Edge, LocalFrame, Region, RoadClass, flag};
use serde::{Deserialize, Serialize};

/// Up to here a way counts as straight on, degrees.
pub const STRAIGHT_DEG: f64 = 45.0;
/// Arms whose turns differ by less are alike, degrees.
pub const ALIKE_DEG: f64 = 10.0;
/// How far from the junction a heading is taken, metres.
pub const HEADING_AT_M: f64 = 15.0;

/// Which way a rider turns.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Turn {
    /// Less than 20 degrees.
    Straight,
    /// 20 to 60 degrees.
    BearLeft,
    /// 60 to 120 degrees.
    Left,
    /// More than 120 degrees.
    SharpLeft,
    /// 20 to 60 degrees.
    BearRight,
    /// 60 to 120 degrees.
    Right,
    /// More than 120 degrees.
    SharpRight,
    /// Back the way one came.
    Back,
}

impl Turn {
    /// In plain words.
    pub fn words(self) -> &'static str {
        match self {
            Turn::Straight => "straight on",
            Turn::BearLeft => "bear left",
            Turn::Left => "left",
            Turn::SharpLeft => "sharp left",
            Turn::BearRight => "bear right",
            Turn::Right => "right",
            Turn::SharpRight => "sharp right",
            Turn::Back => "turn round",
        }
    }
}

/// The turn of a change of heading, degrees, right positive.
pub fn turn_of(angle_deg: f64) -> Turn {
    match (angle_deg.abs(), angle_deg < 0.0) {
        (a, _) if a < 20.0 => Turn::Straight,
        (a, true) if a < 60.0 => Turn::BearLeft,
        (a, false) if a < 60.0 => Turn::BearRight,
        (a, true) if a <= 120.0 => Turn::Left,
        (a, false) if a <= 120.0 => Turn::Right,
        (_, true) => Turn::SharpLeft,
        (_, false) => Turn::SharpRight,
    }
}

/// What was found at a junction.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Found {
    pub turn: Turn,
    pub angle_deg: f64,
    /// What the junction looks like, if that is told in a word.
    pub kind: Option<&'static str>,
    /// On which side to keep where arms lie close together.
    pub keep: Option<&'static str>,
}

/// An arm other than the one come by and the way.
struct Arm {
    piece: u32,
    angle_deg: f64,
    /// Nobody may enter it.
    barred: bool,
    /// A side drive.
    drive: bool,
}

/// Heading of an edge where it leaves its tail, degrees clockwise from north.
pub(super) fn heading_deg(region: &Region, edge: Edge) -> f64 {
    let points: Vec<usize> = match edge.is_backward() {
        true => region.piece_points(edge.piece()).rev().collect(),
        false => region.piece_points(edge.piece()).collect(),
    };
    let frame = LocalFrame::at(region.point(points[0]));
    let mut before = [0.0f64; 2];
    for &p in &points[1..] {
        let here = frame.to_m(region.point(p));
        let (near, far) = (before[0].hypot(before[1]), here[0].hypot(here[1]));
        if far >= HEADING_AT_M {
            let t = ((HEADING_AT_M - near) / (far - near)).clamp(0.0, 1.0);
            let [x, y] = [0, 1].map(|k| before[k] + t * (here[k] - before[k]));
            return x.atan2(y).to_degrees();
        }
        before = here;
    }
    before[0].atan2(before[1]).to_degrees()
}

/// Change of heading from the end of one edge to the beginning of another, -180..180 degrees, right
/// positive.
pub(super) fn angle_deg(region: &Region, from: Edge, to: Edge) -> f64 {
    let arriving = heading_deg(region, from.reversed()) + 180.0;
    (heading_deg(region, to) - arriving + 540.0).rem_euclid(360.0) - 180.0
}

/// Whether a road goes on: the same number, or name, or kind.
pub(super) fn same_road(region: &Region, a: u32, b: u32) -> bool {
    let [a, b] = [a as usize, b as usize];
    let same = |column: &[u32]| column[a] == column[b] && !region.string(column[a]).is_empty();
    let link = |p: usize| region.piece_flags()[p] & flag::LINK;
    same(region.piece_ref())
        || same(region.piece_name())
        || (region.piece_class()[a] == region.piece_class()[b] && link(a) == link(b))
}

/// Whether a piece belongs to a roundabout.
pub(super) fn is_roundabout(region: &Region, piece: u32) -> bool {
    region.piece_flags()[piece as usize] & flag::ROUNDABOUT != 0
}

fn is_minor(region: &Region, piece: u32) -> bool {
    matches!(
        region.class(piece),
        RoadClass::Service | RoadClass::Track | RoadClass::Path
    )
}

/// Edges that leave a junction.
pub(super) fn leaving(region: &Region, node: u32) -> impl Iterator<Item = Edge> + '_ {
    let first = region.node_first_edge();
    let range = first[node as usize] as usize..first[node as usize + 1] as usize;
    region.node_edge()[range].iter().map(|&e| Edge(e))
}

/// Whether one could leave a ring at a node, or does so by `way`.
pub(super) fn has_exit(region: &Region, node: u32, way: Edge) -> bool {
    leaving(region, node).any(|e| {
        let open = !matches!(region.access(e), Access::Closed | Access::WrongWay);
        e == way || (open && !is_roundabout(region, e.piece()))
    })
}

/// Arms at the end of `from` beside it and `way`.
fn arms(region: &Region, from: Edge, way: Edge) -> Vec<Arm> {
    let proper = !is_minor(region, from.piece()) && !is_minor(region, way.piece());
    leaving(region, region.head(from))
        .filter(|&e| e != from.reversed() && e != way && region.access(e) != Access::Closed)
        .map(|e| Arm {
            piece: e.piece(),
            angle_deg: angle_deg(region, from, e),
            barred: region.access(e) == Access::WrongWay,
            drive: proper && (is_minor(region, e.piece()) || region.access(e) == Access::Private),
        })
        .collect()
}

/// The decision between coming by `from` and going on by `way`, if there is one.
pub(super) fn decide(region: &Region, from: Edge, way: Edge) -> Option<Found> {
    let arms = arms(region, from, way);
    if way == from.reversed() {
        return (!arms.is_empty()).then_some(Found {
            turn: Turn::Back,
            angle_deg: 180.0,
            kind: None,
            keep: None,
        });
    }
    let angle_deg = angle_deg(region, from, way);
    let turns = angle_deg.abs();
    let needed = if turns > STRAIGHT_DEG {
        arms.iter()
            .any(|arm| !arm.drive || arm.angle_deg.abs() < turns)
    } else {
        let goes_on = |piece| same_road(region, from.piece(), piece);
        let rival = |arm: &&Arm| !arm.drive && !arm.barred;
        arms.iter().filter(rival).any(|arm| {
            let other = arm.angle_deg.abs();
            other < turns - ALIKE_DEG
                || (other <= turns + ALIKE_DEG && (!goes_on(way.piece()) || goes_on(arm.piece)))
        })
    };
    let leaves_ring = is_roundabout(region, from.piece()) && !is_roundabout(region, way.piece());
    (needed || leaves_ring).then(|| Found {
        turn: turn_of(angle_deg),
        angle_deg,
        kind: kind(angle_deg, &arms),
        keep: keep(angle_deg, &arms),
    })
}

/// Whether the road one is on goes another way while the line goes straight on.
pub(super) fn road_leaves(region: &Region, from: Edge, way: Edge) -> Option<Turn> {
    if same_road(region, from.piece(), way.piece()) || way == from.reversed() {
        return None;
    }
    let goes_on = |arm: &&Arm| same_road(region, from.piece(), arm.piece) && !arm.barred;
    let arms = arms(region, from, way);
    let other = arms.iter().filter(goes_on).map(|arm| arm.angle_deg);
    let straightest = other.min_by(|a, b| a.abs().total_cmp(&b.abs()))?;
    (straightest.abs() < 120.0).then(|| turn_of(straightest))
}

/// `left` or `right` where every arm that lies ahead, close to the way, is on the other side.
fn keep(way_deg: f64, arms: &[Arm]) -> Option<&'static str> {
    let mut close = arms
        .iter()
        .filter(|a| !a.drive && !a.barred && (a.angle_deg - way_deg).abs() <= STRAIGHT_DEG)
        .map(|a| a.angle_deg > way_deg)
        .peekable();
    if way_deg.abs() > STRAIGHT_DEG || close.peek().is_none() {
        return None;
    }
    let rights: Vec<bool> = close.collect();
    match (rights.iter().all(|r| *r), rights.iter().any(|r| *r)) {
        (true, _) => Some("left"),
        (_, false) => Some("right"),
        _ => None,
    }
}

fn kind(way_deg: f64, arms: &[Arm]) -> Option<&'static str> {
    let across = |a: f64| (50.0..=130.0).contains(&a.abs());
    let ahead = |a: f64| a.abs() <= 60.0;
    match arms {
        [one] if across(way_deg) && across(one.angle_deg) && way_deg * one.angle_deg < 0.0 => {
            Some("T-junction")
        }
        [one] if ahead(way_deg) && ahead(one.angle_deg) => Some("fork"),
        [_, _] if arms.iter().any(|a| a.angle_deg.abs() < 30.0) || way_deg.abs() < 30.0 => {
            Some("crossroads")
        }
        _ => None,
    }
}
