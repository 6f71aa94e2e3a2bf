//! From a point on the ground to places on roads where a line may begin, pass or end.

use region::{Access, Bounds, Edge, LocalFrame, Point, Region, RoadClass, flag};
use serde::Serialize;
use shortest_paths::Graph;

use crate::Planner;
use crate::document::PointKind;
use crate::rating::{StretchName, Why};

/// Radii tried in turn until a rideable road is found, metres.
const RADII_M: [f64; 5] = [50.0, 125.0, 300.0, 750.0, 2000.0];
/// Roads that feel this much farther than the nearest are candidates too, metres.
const WINDOW_M: f64 = 12.0;
/// The same for the other carriageway of a divided road, metres: a via must not force a detour to
/// the next junction because it lies nearer to the wrong one.
const TWIN_WINDOW_M: f64 = 45.0;
/// How much farther a well-connected road is looked for when the nearest ones lead nowhere, metres.
const RESCUE_M: f64 = 150.0;
/// A stop this near a road was laid on it, and means that road and that carriageway, metres.
const ON_ROAD_M: f64 = 1.0;
/// Roads this much farther than the nearest pass through the same place, metres.
const SAME_PLACE_M: f64 = 0.25;
const MAX_CANDIDATES: usize = 6;

/// A place on a road near a point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Candidate {
    /// The road.
    pub piece: u32,
    /// Share of the piece's length before the place, in the direction of the geometry, 0..=1.
    pub share: f64,
    /// The place.
    pub at: Point,
    /// Metres from the point asked for.
    pub offset_m: f64,
    /// Metres this candidate is worse than the best one, in distance and kind of road.
    pub worse_m: f64,
}

/// What was found around a point, best first.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Snapped {
    /// Places a motorcycle may ride; empty if there are none within 2 km.
    pub candidates: Vec<Candidate>,
    /// A nearer road that is closed to motorcycles, if the point lies on one.
    pub closed: Option<u32>,
}

/// The road nearest to a point.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export, rename = "NearRoad"))]
pub struct RoadInfo {
    /// Name, may be empty.
    pub name: String,
    /// Number, may be empty.
    pub number: String,
    /// Kind of road, as in the region.
    pub class: String,
    /// Surface, as in the region.
    pub surface: String,
    /// Access, the worse of both directions; `wrong_way` does not count.
    pub access: String,
    /// Speed limit, the lower of both directions; `null` unknown or none.
    pub limit_kmh: Option<u8>,
    /// Bend rate.
    pub bend_deg_per_km: u16,
    /// OpenStreetMap way.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub way: u64,
    /// Conditional tags, `[key, value]`.
    pub conditions: Vec<[String; 2]>,
    /// The place on the road, degrees north.
    pub lat: f64,
    /// Degrees east.
    pub lon: f64,
    /// Metres from the point asked for.
    pub offset_m: f64,
    /// What the road has to offer, and why.
    pub why: Why,
    /// The stretch it belongs to: the rewarding run of road as one thing.
    pub stretch: Option<StretchName>,
}

/// Which states belong to a network one can both reach and leave.
pub(crate) struct Nets {
    /// Network of each state, one-ways disregarded: states of different nets never meet.
    pub weak: Vec<u32>,
    connected: Vec<bool>,
}

impl Nets {
    /// Well-connected are strong components of 200 states, or a twentieth of the largest where
    /// the whole map is small.
    pub fn new(graph: &Graph) -> Self {
        let strong = graph.strong_components();
        let mut size = vec![0u32; strong.len()];
        for &c in &strong {
            size[c as usize] += 1;
        }
        let enough = (size.iter().copied().max().unwrap_or(0) / 20).clamp(2, 200);
        let connected = strong.iter().map(|&c| size[c as usize] >= enough).collect();
        Nets {
            weak: graph.weak_components(),
            connected,
        }
    }

    pub fn is_connected(&self, edge: Edge) -> bool {
        self.connected.get(edge.0 as usize) == Some(&true)
    }
}

/// Directions in which a piece may be ridden.
pub(crate) fn rideable(region: &Region, piece: u32) -> impl Iterator<Item = Edge> {
    [false, true]
        .map(|backward| Edge::new(piece, backward))
        .into_iter()
        .filter(|&e| region.access(e) <= Access::Unverified)
}

/// Nearest place on a piece.
pub(crate) fn project(region: &Region, piece: u32, frame: LocalFrame) -> Candidate {
    let points = region.piece_points(piece);
    let (mut best, mut best_d2, mut best_along) = ([0.0; 2], f64::INFINITY, 0.0);
    let mut along = 0.0;
    let mut a = frame.to_m(region.point(points.start));
    for i in points.start + 1..points.end {
        let b = frame.to_m(region.point(i));
        let d = [b[0] - a[0], b[1] - a[1]];
        let len2 = d[0] * d[0] + d[1] * d[1];
        let t = if len2 > 0.0 {
            (-(a[0] * d[0] + a[1] * d[1]) / len2).clamp(0.0, 1.0)
        } else {
            0.0
        };
        let foot = [a[0] + t * d[0], a[1] + t * d[1]];
        let d2 = foot[0] * foot[0] + foot[1] * foot[1];
        if d2 < best_d2 {
            (best, best_d2, best_along) = (foot, d2, along + t * len2.sqrt());
        }
        along += len2.sqrt();
        a = b;
    }
    Candidate {
        piece,
        share: if along > 0.0 {
            (best_along / along).clamp(0.0, 1.0)
        } else {
            0.0
        },
        at: frame.to_point(best),
        offset_m: best_d2.sqrt(),
        worse_m: 0.0,
    }
}

/// Whether two places lie on the two carriageways of one road: one-ways of one class and name or
/// number that run against each other.
fn are_twins(region: &Region, a: &Candidate, b: &Candidate) -> bool {
    let same = |column: &[u32]| {
        let [a, b] = [a, b].map(|c| column[c.piece as usize]);
        a == b && a != 0
    };
    let against = |a: [f64; 2], b: [f64; 2]| {
        a[0] * b[0] + a[1] * b[1] < -0.85 * a[0].hypot(a[1]) * b[0].hypot(b[1])
    };
    region.class(a.piece) == region.class(b.piece)
        && (same(region.piece_name()) || same(region.piece_ref()))
        && one_way_heading(region, a)
            .zip(one_way_heading(region, b))
            .is_some_and(|(a, b)| against(a, b))
}

/// East and north of riding past a place on a one-way; `None` on other roads.
fn one_way_heading(region: &Region, candidate: &Candidate) -> Option<[f64; 2]> {
    let mut ways = rideable(region, candidate.piece);
    let way = ways.next().filter(|_| ways.next().is_none())?;
    let frame = LocalFrame::at(candidate.at);
    // The segment the place lies on, or one that meets it there.
    let points: Vec<[f64; 2]> = region
        .piece_points(candidate.piece)
        .map(|i| frame.to_m(region.point(i)))
        .collect();
    let detour_m = |w: &[[f64; 2]]| {
        w[0][0].hypot(w[0][1]) + w[1][0].hypot(w[1][1])
            - (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1])
    };
    let on = points
        .windows(2)
        .min_by(|a, b| detour_m(a).total_cmp(&detour_m(b)))?;
    let sign = if way.is_backward() { -1.0 } else { 1.0 };
    Some([(on[1][0] - on[0][0]) * sign, (on[1][1] - on[0][1]) * sign])
}

/// How far a road counts as being when several lie near: a click beside a main road means the
/// main road, not the driveway, and a click between roads the open one (common practice).
fn felt_distance_m(region: &Region, candidate: &Candidate) -> f64 {
    let piece = candidate.piece;
    let by_class = match region.class(piece) {
        RoadClass::Service => 8.0,
        RoadClass::Track | RoadClass::Path => 5.0,
        RoadClass::Residential | RoadClass::LivingStreet => 2.0,
        _ => 0.0,
    };
    let access = rideable(region, piece).map(|e| region.access(e)).min();
    let by_access = match access {
        Some(Access::Open) => 0.0,
        Some(Access::Destination) => 4.0,
        Some(Access::Unverified) => 6.0,
        _ => 15.0,
    };
    let tunnel = region.piece_flags()[piece as usize] & flag::TUNNEL != 0;
    let minor = by_class > 2.0 || by_access > 4.0;
    let stretch = if minor { 1.5 } else { 1.0 };
    candidate.offset_m * stretch + by_class + by_access + if tunnel { 15.0 } else { 0.0 }
}

impl Planner {
    /// Candidates for a point, best first. A stop that lies on a road means that road; a via may
    /// slip to the other carriageway, and beside roads both mean the one a rider would.
    pub fn snap(&self, at: Point, kind: PointKind) -> Snapped {
        let region = self.region();
        let frame = LocalFrame::at(at);
        let within = |radius_m: f64| {
            let mut roads = Vec::new();
            let mut closed: Option<Candidate> = None;
            for piece in region.pieces_in(Bounds::around(at, radius_m)) {
                if region.class(piece) == RoadClass::Ferry {
                    continue;
                }
                let mut candidate = project(region, piece, frame);
                let can_ride = |e: Edge| self.clock.edge_s(e).is_finite();
                if candidate.offset_m > radius_m {
                    continue;
                } else if rideable(region, piece).any(can_ride) {
                    candidate.worse_m = felt_distance_m(region, &candidate);
                    roads.push(candidate);
                } else if closed.is_none_or(|c| candidate.offset_m < c.offset_m) {
                    closed = Some(candidate);
                }
            }
            roads.sort_by(|a, b| a.worse_m.total_cmp(&b.worse_m).then(a.piece.cmp(&b.piece)));
            (roads, closed)
        };
        let Some(best) = RADII_M.iter().find_map(|&r| within(r).0.first().copied()) else {
            let closed = within(RADII_M[0]).1.map(|c| c.piece);
            return Snapped {
                candidates: Vec::new(),
                closed,
            };
        };
        let connected =
            |c: &Candidate| rideable(region, c.piece).any(|e| self.nets.is_connected(e));
        // A road of less handicap may lie a little beyond the circle that held the best so far.
        let (mut roads, closed) = within(best.worse_m + TWIN_WINDOW_M);
        let nearest = roads
            .iter()
            .map(|c| c.offset_m)
            .fold(f64::INFINITY, f64::min);
        if kind == PointKind::Stop && nearest <= ON_ROAD_M {
            // At a junction several roads are equally near; any other is not the one meant.
            roads.retain(|c| c.offset_m <= nearest + SAME_PLACE_M);
            // Where a track leaves an open road, the stop lies on the open road.
            let access = |c: &Candidate| rideable(region, c.piece).map(|e| region.access(e)).min();
            let best = roads.iter().filter_map(access).min();
            roads.retain(|c| access(c) == best);
            roads.iter_mut().for_each(|c| c.worse_m = c.offset_m);
            roads.sort_by(|a, b| a.worse_m.total_cmp(&b.worse_m).then(a.piece.cmp(&b.piece)));
        } else if let Some(best) = roads.first().copied() {
            roads.retain(|c| {
                let more_m = c.worse_m - best.worse_m;
                more_m <= WINDOW_M || (more_m <= TWIN_WINDOW_M && are_twins(region, &best, c))
            });
        }
        roads.truncate(MAX_CANDIDATES);
        if !roads.iter().any(connected) {
            // A scrap of road that leads nowhere: a plan needs the network beside it as well.
            let (wide, _) = within(best.worse_m + RESCUE_M);
            roads.extend(wide.into_iter().find(connected));
        }
        let least = roads.first().map_or(0.0, |c| c.worse_m);
        roads.iter_mut().for_each(|c| c.worse_m -= least);
        let near = roads.first().map_or(f64::INFINITY, |c| c.offset_m);
        let closed = closed.filter(|c| c.offset_m <= 15.0 && near > c.offset_m + 15.0);
        Snapped {
            candidates: roads,
            closed: closed.map(|c| c.piece),
        }
    }

    /// The road nearest to a point, of any kind and access, within `radius_m` (at most 2 km).
    pub fn nearest_road(&self, at: Point, radius_m: f64) -> Option<RoadInfo> {
        let region = self.region();
        let radius_m = radius_m.clamp(0.0, RADII_M[RADII_M.len() - 1]);
        let frame = LocalFrame::at(at);
        let near = region
            .pieces_in(Bounds::around(at, radius_m))
            .into_iter()
            .map(|piece| project(region, piece, frame))
            .filter(|c| c.offset_m <= radius_m)
            .min_by(|a, b| a.offset_m.total_cmp(&b.offset_m))?;
        let (piece, p) = (near.piece, near.piece as usize);
        let both = [false, true].map(|backward| Edge::new(piece, backward));
        let ways = both
            .map(|e| region.access(e))
            .into_iter()
            .filter(|&a| a != Access::WrongWay);
        let limits = both
            .map(|e| region.edge_limit_kmh()[e.0 as usize])
            .into_iter();
        Some(RoadInfo {
            name: region.string(region.piece_name()[p]).to_owned(),
            number: region.string(region.piece_ref()[p]).to_owned(),
            class: word(&region.class(piece)),
            surface: word(&region.surface(piece)),
            access: word(&ways.max().unwrap_or(Access::Closed)),
            limit_kmh: limits
                .filter(|&l| l != 0 && l != region::NO_LIMIT_KMH)
                .min(),
            bend_deg_per_km: region.piece_bend_deg_per_km()[p],
            way: region.piece_way()[p],
            conditions: region
                .conditions(piece)
                .map(|(k, v)| [k.into(), v.into()])
                .collect(),
            lat: near.at.lat(),
            lon: near.at.lon(),
            offset_m: near.offset_m,
            why: self.ratings().why(region, piece),
            stretch: self
                .ratings()
                .stretch_of(piece)
                .and_then(|id| self.ratings().stretch_name(region, id)),
        })
    }
}

/// The snake-case name of a byte enum.
pub(crate) fn word(value: &impl Serialize) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(name)) => name,
        _ => String::new(),
    }
}
