//! Proposals: other ways for a leg, the best line within so many minutes more, round trips.
//!
//! Every proposal is a list of points for a tour, so few that they can be dragged, so many that the
//! planner rides the proposed line through them; what is said of it is measured on that line. The
//! searching is done by `shortest_paths`; here roads become its graphs and its answers roads.

mod between;
mod leg;
pub(crate) mod pin;
mod roads;
mod round;

use std::collections::HashSet;
use std::sync::atomic::{AtomicBool, Ordering};

use region::{Bounds, Edge, Point, RoadClass, distance_m};
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::Planner;
use crate::closures::Closures;
use crate::cost::Weighing;
use crate::document::{PointKind, Tour, TourPoint};
use crate::legs::Cancelled;
use crate::plan::{PlanError, Sums, Warning};
use crate::snap::{Snapped, rideable};
use crate::speed::Manner;
use crate::taste::{Taste, TasteChoice, tastes};

pub use between::Between;
pub use leg::OtherWays;
pub use round::Round;

/// A way that could be ridden.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Proposal {
    /// What it is, in a few words: passes and roads it leads over.
    pub title: String,
    /// Points that make the planner ride it, first and last included.
    pub points: Vec<TourPoint>,
    /// The line, degrees north.
    pub lat: Vec<f64>,
    /// The line, degrees east.
    pub lon: Vec<f64>,
    /// Sums over the whole.
    pub sums: Sums,
    /// What there is to ride.
    pub ride: Ride,
    /// What it costs and gives against the line there is, or the quickest one; of a round trip
    /// nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub against: Option<Against>,
    /// What the rider should know of it as a proposal, in plain words.
    pub notes: Vec<String>,
    /// What the rider should look at on the line.
    pub warnings: Vec<Warning>,
}

/// What there is to ride on a line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Ride {
    /// Winding road outside towns, metres.
    pub winding_m: f64,
    /// Road worth half or more to the taste, metres.
    pub liked_m: f64,
    /// Road in towns and villages, metres.
    pub built_up_m: f64,
    /// Mean worth of the roads to the taste, 0..=1, by length.
    pub worth: f64,
    /// Metres ridden on a road that the line rides before, either way.
    pub twice_m: f64,
}

/// Differences to another line: positive is more.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Against {
    /// Riding time, seconds.
    pub riding_s: f64,
    /// Length, metres.
    pub length_m: f64,
    /// Winding road, metres.
    pub winding_m: f64,
    /// Road to the rider's taste, metres.
    pub liked_m: f64,
    /// Mean worth.
    pub worth: f64,
    /// Share of the other line that is ridden here too, 0..=1.
    pub shared: f64,
}

/// What was proposed.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Proposals {
    /// Best first; may be empty, then the notes say why.
    pub proposals: Vec<Proposal>,
    /// What the rider should know, in plain words.
    pub notes: Vec<String>,
}

/// Why nothing could be proposed.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum ProposeError {
    /// Not on the globe.
    #[error("{what} has no place on the globe")]
    BadPoint {
        /// Which point.
        what: &'static str,
    },
    /// No road near.
    #[error("{text}")]
    OffMap {
        /// Where it is instead.
        text: String,
    },
    /// No taste of that name.
    #[error("there is no taste called {name:?}")]
    UnknownTaste {
        /// What was asked for.
        name: String,
    },
    /// A budget that makes no sense.
    #[error("{text}")]
    BadBudget {
        /// Why.
        text: String,
    },
    /// A tour that cannot be planned, or has no such leg.
    #[error("{text}")]
    BadTour {
        /// Why.
        text: String,
    },
    /// No way leads there, or back.
    #[error("{text}")]
    NoWay {
        /// From where to where.
        text: String,
    },
    /// There is no loop that short.
    #[error("{text}")]
    NoLoop {
        /// What there is.
        text: String,
    },
    /// The caller called it off.
    #[error("the search was called off")]
    Cancelled,
}

impl From<Cancelled> for ProposeError {
    fn from(_: Cancelled) -> Self {
        ProposeError::Cancelled
    }
}

impl ProposeError {
    /// The next step, in plain words.
    pub fn hint(&self) -> &'static str {
        match self {
            ProposeError::BadPoint { .. } => {
                "latitude lies within -90 and 90, longitude within -180 and 180 degrees"
            }
            ProposeError::OffMap { .. } => "choose a point on a road of the map",
            ProposeError::UnknownTaste { .. } => "choose one of the tastes there are",
            ProposeError::BadBudget { .. } => "ask for another time or length",
            ProposeError::BadTour { .. } => "correct the tour and ask again",
            ProposeError::NoWay { .. } => "move a point to the same part of the road network",
            ProposeError::NoLoop { .. } => "start elsewhere, or ask for more time",
            ProposeError::Cancelled => "ask again",
        }
    }
}

/// Told how far the work is, and asked whether to go on.
pub struct Watch<'a> {
    /// Share done 0..=1, and what is being done.
    pub progress: &'a mut dyn FnMut(f32, &'static str),
    /// Set to end the work.
    pub stop: &'a AtomicBool,
}

impl Watch<'_> {
    fn at(&mut self, share: f32, stage: &'static str) -> Result<(), ProposeError> {
        if self.stop.load(Ordering::Relaxed) {
            return Err(ProposeError::Cancelled);
        }
        (self.progress)(share.clamp(0.0, 1.0), stage);
        Ok(())
    }
}

/// Samples of a search area, at most.
const SAMPLES: f64 = 600.0;
/// Worth of a road, in 255ths, from which it is to the rider's taste.
const LIKED: u8 = 128;

impl Planner {
    /// The taste asked for. One that seeks nothing looks for what `winding` likes, for a proposal
    /// has to look for something; the note says so.
    fn sought(&self, choice: &TasteChoice) -> Result<(Taste, Option<String>), ProposeError> {
        let unknown = || ProposeError::UnknownTaste {
            name: choice.name().into(),
        };
        let taste = choice.taste().ok_or_else(unknown)?;
        if taste.seeks_any() {
            return Ok((taste, None));
        }
        let winding = tastes().into_iter().find(|t| t.name == "winding");
        let seeking = winding.map_or_else(
            || taste.clone(),
            |w| Taste {
                motorways: taste.motorways,
                tolls: taste.tolls,
                ferries: taste.ferries,
                unverified: taste.unverified,
                ..w
            },
        );
        let note = format!(
            "The taste {} seeks no kind of road; roads with bends and hills were looked for.",
            taste.name
        );
        Ok((seeking, Some(note)))
    }

    /// The place of a request on a road.
    fn place_of(&self, at: [f64; 2], what: &'static str) -> Result<(Point, Snapped), ProposeError> {
        let point = Point::from_degrees(at[0], at[1]).ok_or(ProposeError::BadPoint { what })?;
        let snapped = self.snap(point, PointKind::Stop);
        if snapped.candidates.is_empty() {
            let text = self.off_map(what, point);
            return Err(ProposeError::OffMap { text });
        }
        Ok((point, snapped))
    }

    fn weighed(
        &self,
        taste: &Taste,
        watch: &Watch,
    ) -> Result<std::sync::Arc<Weighing>, ProposeError> {
        self.weighing(taste, Manner::default(), &Closures::default(), watch.stop)
            .ok_or(ProposeError::Cancelled)
    }

    /// Edges to look over, spread evenly within a box: of each square the one most worth riding,
    /// and the one of the highest road class.
    fn spread(&self, bounds: Bounds, shade: &[u8]) -> Vec<u32> {
        let region = self.region();
        let [west, south, east, north] = region.meta().bounds_deg;
        let degrees = |d: f64| (d * 1e7) as i32;
        let low = [
            bounds.west_e7.max(degrees(west)),
            bounds.south_e7.max(degrees(south)),
        ];
        let high = [
            bounds.east_e7.min(degrees(east)),
            bounds.north_e7.min(degrees(north)),
        ];
        let extent = [0, 1].map(|i| f64::from(high[i].saturating_sub(low[i]).max(1)));
        // Squares on the ground: degrees of longitude are shorter.
        let middle = (f64::from(low[1]) + extent[1] / 2.0) / 1e7;
        let narrow = middle.to_radians().cos().max(0.1);
        let cell = (extent[0] * narrow * extent[1] / (SAMPLES / 2.0))
            .sqrt()
            .max(1000.0);
        let mut best: std::collections::BTreeMap<(i64, i64), [(f64, u32); 2]> = Default::default();
        for piece in region.pieces_in(bounds) {
            let class = region.class(piece);
            let points = region.piece_points(piece);
            let at = region.point((points.start + points.end) / 2);
            let is_inside = (bounds.west_e7..=bounds.east_e7).contains(&at.lon_e7)
                && (bounds.south_e7..=bounds.north_e7).contains(&at.lat_e7);
            let edge = rideable(region, piece).find(|&e| {
                region.access(e) == region::Access::Open
                    && self.clock.edge_s(e).is_finite()
                    && self.nets.is_connected(e)
            });
            let (Some(edge), true, true) = (edge, is_inside, class != RoadClass::Ferry) else {
                continue;
            };
            let row = |v: i32, i: usize, scale: f64| {
                ((f64::from(v) - f64::from(low[i])) * scale / cell).floor() as i64
            };
            let key = (row(at.lon_e7, 0, narrow), row(at.lat_e7, 1, 1.0));
            let length_m = region.length_m(piece).min(1500.0);
            let worth = f64::from(shade.get(piece as usize).copied().unwrap_or(0));
            let rank = f64::from(RoadClass::Path as u8 - (class as u8).min(RoadClass::Path as u8));
            let slots = best.entry(key).or_insert([(-1.0, 0); 2]);
            for (slot, value) in slots
                .iter_mut()
                .zip([worth * length_m, rank * 10_000.0 + length_m])
            {
                if value > slot.0 {
                    *slot = (value, edge.0);
                }
            }
        }
        let mut edges: Vec<u32> = best.values().flatten().map(|s| s.1).collect();
        edges.sort_unstable();
        edges.dedup();
        edges
    }

    /// Builds a proposal from points the planner rides as wanted.
    fn proposal(
        &self,
        pinned: &pin::Pinned,
        choice: &TasteChoice,
        shade: &[u8],
        notes: Vec<String>,
        watch: &Watch,
    ) -> Result<Proposal, ProposeError> {
        let name = &self.region().meta().name;
        let tour = Tour::new(name, choice.clone(), pinned.points.clone());
        let plan = self
            .plan_until(&tour, &HashSet::new(), watch.stop)
            .map_err(|e| match e {
                PlanError::Cancelled => ProposeError::Cancelled,
                e => ProposeError::BadTour {
                    text: e.to_string(),
                },
            })?;
        let (mut lat, mut lon) = (Vec::new(), Vec::new());
        for line in plan.legs.iter().filter_map(|l| l.line.as_ref()) {
            let skip = usize::from(!lat.is_empty());
            lat.extend(line.lat.iter().skip(skip));
            lon.extend(line.lon.iter().skip(skip));
        }
        Ok(Proposal {
            title: self.title(&pinned.edges(self), &lat, &lon),
            points: pinned.points.clone(),
            lat,
            lon,
            sums: plan.total,
            ride: self.ride(pinned, shade),
            against: None,
            notes,
            warnings: plan.warnings,
        })
    }

    fn ride(&self, pinned: &pin::Pinned, shade: &[u8]) -> Ride {
        let region = self.region();
        let mut ride = Ride::default();
        let (mut whole_m, mut worth_m) = (0.0, 0.0);
        // A piece ridden in parts by two legs at a via is ridden once.
        let mut last: Option<Edge> = None;
        let mut seen: HashSet<u32> = HashSet::new();
        for leg in &pinned.legs {
            ride.winding_m += leg.line.winding_m;
            for (&state, &[m, _]) in pin::states(leg).iter().zip(&leg.line.ridden) {
                let edge = self.edge(state);
                let p = edge.piece() as usize;
                let worth = shade.get(p).copied().unwrap_or(0);
                whole_m += m;
                worth_m += m * f64::from(worth) / 255.0;
                if worth >= LIKED {
                    ride.liked_m += m;
                }
                ride.built_up_m += m * f64::from(region.piece_built_up()[p]) / 255.0;
                if !seen.insert(p as u32) && last != Some(edge) {
                    ride.twice_m += m;
                }
                last = Some(edge);
            }
        }
        // A closed line that ends where it began, on from the same direction, rides its first
        // piece in two parts.
        let ends = pinned.legs.first().zip(pinned.legs.last());
        if let Some((first, end)) = ends
            && let (Some(&a), Some(&b)) = (pin::states(first).first(), pin::states(end).last())
            && self.edge(a) == self.edge(b)
            && pinned.legs.len() > 1
        {
            ride.twice_m -= end.line.ridden.last().map_or(0.0, |r| r[0]);
        }
        ride.twice_m = ride.twice_m.max(0.0);
        ride.worth = if whole_m > 0.0 {
            worth_m / whole_m
        } else {
            0.0
        };
        ride
    }

    /// Passes on the line, else the roads ridden longest, in the order of riding.
    fn title(&self, edges: &[Edge], lat: &[f64], lon: &[f64]) -> String {
        let region = self.region();
        let mut passes: Vec<&str> = Vec::new();
        let mut before: Option<Point> = None;
        for point in lat
            .iter()
            .zip(lon)
            .filter_map(|(&a, &o)| Point::from_degrees(a, o))
        {
            if before.is_some_and(|b| distance_m(b, point) < 60.0) {
                continue;
            }
            before = Some(point);
            for place in region.places_in(Bounds::around(point, 80.0)) {
                let p = place as usize;
                let name = region.string(region.place_name()[p]);
                if region.place_kind()[p] == region::PlaceKind::Pass as u8
                    && !name.is_empty()
                    && !passes.contains(&name)
                {
                    passes.push(name);
                }
            }
        }
        let mut roads: Vec<(&str, f64)> = Vec::new();
        for edge in edges {
            let p = edge.piece() as usize;
            let texts = [region.piece_name()[p], region.piece_ref()[p]].map(|s| region.string(s));
            let built_up = region.piece_built_up()[p] > 127;
            let name = match texts {
                [name, ""] if !built_up => name,
                [_, number] => number,
            };
            if name.is_empty() {
                continue;
            }
            let length_m = region.length_m(edge.piece());
            match roads.iter_mut().find(|r| r.0 == name) {
                Some(road) => road.1 += length_m,
                None => roads.push((name, length_m)),
            }
        }
        let mut longest: Vec<f64> = roads.iter().map(|r| r.1).collect();
        longest.sort_by(|a, b| b.total_cmp(a));
        let least = longest.get(2).or(longest.last()).copied().unwrap_or(0.0);
        let names: Vec<&str> = roads
            .iter()
            .filter(|r| r.1 >= least)
            .map(|r| r.0)
            .take(3)
            .collect();
        match (passes.as_slice(), names.as_slice()) {
            ([], []) => "roads without names".into(),
            ([], names) => names.join(", "),
            (passes, _) => passes[..passes.len().min(4)].join(", "),
        }
    }

    /// Differences of a proposal to another line.
    fn against(
        &self,
        proposal: &Proposal,
        mine: &pin::Pinned,
        other: &pin::Pinned,
        shade: &[u8],
    ) -> Against {
        let region = self.region();
        let ride = self.ride(other, shade);
        let [mut riding_s, mut length_m] = [0.0; 2];
        for leg in &other.legs {
            riding_s += leg.line.sums.riding_s;
            length_m += leg.line.sums.length_m;
        }
        let here: HashSet<u32> = mine.edges(self).iter().map(|e| e.piece()).collect();
        let (mut shared_m, mut whole_m) = (0.0, 0.0);
        for edge in other.edges(self) {
            let m = region.length_m(edge.piece());
            whole_m += m;
            if here.contains(&edge.piece()) {
                shared_m += m;
            }
        }
        Against {
            riding_s: proposal.sums.riding_s - riding_s,
            length_m: proposal.sums.length_m - length_m,
            winding_m: proposal.ride.winding_m - ride.winding_m,
            liked_m: proposal.ride.liked_m - ride.liked_m,
            worth: proposal.ride.worth - ride.worth,
            shared: shared_m / f64::max(whole_m, 1.0),
        }
    }
}

fn stop_at(at: [f64; 2]) -> TourPoint {
    TourPoint::new(PointKind::Stop, at)
}
