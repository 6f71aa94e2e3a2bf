//! Stretches: the rewarding runs of road between interruptions, each one thing with one name.
//!
//! Found by hysteresis along each road: a stretch goes on as long as riding is good
//! ([`GOOD`]), over gaps of [`GAP_M`] at most, and must be very good ([`VERY_GOOD`]) for part of
//! its way. Towns, forced stops and dull road end it because its rating sinks there; what nobody
//! would ride for pleasure ends it at once.

use std::ops::Range;

use region::{Access, Bounds, Edge, LocalFrame, PlaceKind, Point, Region, RoadClass, flag};

use super::Ratings;
use super::roads::Roads;
use crate::find::{kind_at, place_at};
use crate::snap::project;

/// Total from which on road is good enough for a stretch to go on, and very good.
const GOOD: f32 = 0.54;
const VERY_GOOD: f32 = 0.62;
/// Longest dull part within a stretch, metres.
const GAP_M: f64 = 500.0;
/// Shortest stretch, metres, and how much of it must be very good, metres.
const LEAST_M: f64 = 1500.0;
const LEAST_VERY_GOOD_M: f64 = 800.0;
/// A pass this near the line is on it, metres.
const AT_PASS_M: f64 = 150.0;
/// How far away a settlement may be to name an end, metres, the larger ones farther.
const END_M: [f64; 2] = [2500.0, 5000.0];

/// A stretch as it is kept.
#[derive(Debug)]
pub(super) struct Run {
    /// Places in the roads.
    pub places: Range<u32>,
    pub length_m: f64,
    pub bounds: Bounds,
}

/// All stretches, in the order of roads.
pub(super) fn find(region: &Region, roads: &Roads, total: &dyn Fn(u32) -> f32) -> Vec<Run> {
    let mut runs = Vec::new();
    for road in 0..roads.len() {
        let mut growing = Growing::default();
        for place in roads.places(road) {
            let piece = roads.edge(place).piece();
            let length_m = region.length_m(piece);
            let score = total(piece);
            if !is_for_pleasure(region, piece) {
                runs.extend(growing.end(region, roads));
            } else if score >= GOOD {
                growing.begin.get_or_insert(place);
                growing.end = place + 1;
                growing.gap_m = 0.0;
                if score >= VERY_GOOD {
                    growing.very_good_m += length_m;
                }
            } else {
                growing.gap_m += length_m;
                if growing.gap_m > GAP_M {
                    runs.extend(growing.end(region, roads));
                }
            }
        }
        runs.extend(growing.end(region, roads));
    }
    runs
}

/// A run that may become a stretch.
#[derive(Default)]
struct Growing {
    begin: Option<usize>,
    end: usize,
    gap_m: f64,
    very_good_m: f64,
}

impl Growing {
    fn end(&mut self, region: &Region, roads: &Roads) -> Option<Run> {
        let run = std::mem::take(self);
        let places = run.begin?..run.end;
        let pieces = places.clone().map(|place| roads.edge(place).piece());
        let length_m: f64 = pieces.clone().map(|p| region.length_m(p)).sum();
        if length_m < LEAST_M || run.very_good_m < LEAST_VERY_GOOD_M {
            return None;
        }
        let mut bounds = Bounds::EMPTY;
        for piece in pieces {
            region
                .piece_points(piece)
                .for_each(|i| bounds.include(region.point(i)));
        }
        Some(Run {
            places: places.start as u32..places.end as u32,
            length_m,
            bounds,
        })
    }
}

/// Open road that is neither a fast dual carriageway nor a yard.
fn is_for_pleasure(region: &Region, piece: u32) -> bool {
    let class = region.class(piece);
    let kinds = RoadClass::Trunk..=RoadClass::Residential;
    let is_open = [false, true].map(|back| region.access(Edge::new(piece, back)));
    (kinds.contains(&class) || class == RoadClass::Track)
        && is_open.contains(&Access::Open)
        && region.piece_flags()[piece as usize] & (flag::DUAL | flag::MOTORROAD | flag::LINK) == 0
}

/// What a stretch is called.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Name {
    /// A pass, or the road and the places it leads between.
    pub name: String,
    /// What the name leaves unsaid.
    pub detail: String,
}

/// The name of a stretch: its passes, else its road and the places it leads between.
pub(super) fn name(region: &Region, ratings: &Ratings, id: u32, run: &Run) -> Name {
    let pieces: Vec<u32> = run
        .places
        .clone()
        .map(|place| ratings.roads.edge(place as usize).piece())
        .collect();
    let number = mostly(region, &pieces, region.piece_ref());
    let named = mostly(region, &pieces, region.piece_name());
    let road = match (named, number) {
        (Some(name), Some(number)) if name != number => format!("{name} ({number})"),
        (Some(one), _) | (None, Some(one)) => one.to_owned(),
        (None, None) => String::new(),
    };
    let first = ratings.roads.edge(run.places.start as usize);
    let last = ratings.roads.edge(run.places.end as usize - 1);
    let ends = [region.tail(first), region.head(last)].map(|node| region.node_point(node));
    let between = match ends.map(|end| settlement(region, end)) {
        [Some(a), Some(b)] if a == b => format!("near {a}"),
        [Some(a), Some(b)] => format!("between {a} and {b}"),
        [Some(a), None] | [None, Some(a)] => format!("near {a}"),
        [None, None] => String::new(),
    };
    let whole = match (road.is_empty(), between.is_empty()) {
        (false, false) => format!("{road} {between}"),
        (false, true) => road,
        (true, false) => format!("road {between}"),
        (true, true) => "unnamed road".into(),
    };
    let passes = passes(region, ratings, id, run);
    match passes.is_empty() {
        true => Name {
            name: whole,
            detail: String::new(),
        },
        false => Name {
            name: passes.join(" and "),
            detail: whole,
        },
    }
}

/// The name that most of the way bears, if it bears it for at least half.
fn mostly<'a>(region: &'a Region, pieces: &[u32], column: &[u32]) -> Option<&'a str> {
    let mut lengths: std::collections::BTreeMap<u32, f64> = Default::default();
    let mut whole_m = 0.0;
    for &piece in pieces {
        let length_m = region.length_m(piece);
        whole_m += length_m;
        *lengths.entry(column[piece as usize]).or_default() += length_m;
    }
    let (&id, &length_m) = lengths.iter().max_by(|a, b| a.1.total_cmp(b.1))?;
    (id != 0 && length_m * 2.0 >= whole_m).then(|| region.string(id))
}

/// Up to two passes on the line, the most important ones, in the order one rides over them.
fn passes<'a>(region: &'a Region, ratings: &Ratings, id: u32, run: &Run) -> Vec<&'a str> {
    let mut found: Vec<(u8, i32, u32, &str)> = Vec::new();
    for place in region.places_in(run.bounds) {
        let i = place as usize;
        let named = region.string(region.place_name()[i]);
        if kind_at(region, place) != PlaceKind::Pass || named.is_empty() {
            continue;
        }
        let at = place_at(region, place);
        let frame = LocalFrame::at(at);
        let near = region
            .pieces_in(Bounds::around(at, AT_PASS_M))
            .into_iter()
            .filter(|&piece| ratings.stretch_of(piece) == Some(id))
            .map(|piece| project(region, piece, frame))
            .filter(|c| c.offset_m <= AT_PASS_M)
            .min_by(|a, b| a.offset_m.total_cmp(&b.offset_m));
        if let Some(near) = near {
            let along = ratings.roads.place(near.piece) as u32;
            let height_cm = region.place_height_cm()[i];
            found.push((region.place_rank()[i], height_cm, along, named));
        }
    }
    found.sort_by(|a, b| (b.0, b.1, a.2).cmp(&(a.0, a.1, b.2)));
    let mut names: Vec<(u32, &str)> = Vec::new();
    for (_, _, along, named) in found {
        if names.len() < 2 && names.iter().all(|n| n.1 != named) {
            names.push((along, named));
        }
    }
    names.sort_unstable();
    names.into_iter().map(|n| n.1).collect()
}

/// The settlement an end is near.
fn settlement(region: &Region, at: Point) -> Option<&str> {
    let [small_m, large_m] = END_M;
    let frame = LocalFrame::at(at);
    let around = region.places_in(Bounds::around(at, large_m));
    let settled = around.into_iter().filter_map(|place| {
        // A village a little farther says more than the nearest farm.
        let (reach_m, nearer) = match kind_at(region, place) {
            PlaceKind::City | PlaceKind::Town => (large_m, 2.0),
            PlaceKind::Village => (large_m, 1.5),
            PlaceKind::Hamlet | PlaceKind::Suburb => (small_m, 1.0),
            _ => return None,
        };
        let [x, y] = frame.to_m(place_at(region, place));
        let named = region.string(region.place_name()[place as usize]);
        (x.hypot(y) <= reach_m && !named.is_empty()).then_some((x.hypot(y) / nearer, named))
    });
    settled
        .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(b.1)))
        .map(|(_, named)| named)
}
