//! The plan: what a tour document means on a region. Lengths in metres, times in seconds.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::day::sheet::Sheet;
use crate::document::{PointKind, Tour};

/// Why a document cannot be planned at all. Legs without a way are no error: they are in the
/// plan, with their trouble.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum PlanError {
    /// Another format, or a later version.
    #[error(
        "the tour has format {found:?}, this program reads {}",
        crate::document::FORMAT
    )]
    Format {
        /// What the document says.
        found: String,
    },
    /// No taste of that name.
    #[error("there is no taste called {name:?}; there are: {}", taste_names())]
    UnknownTaste {
        /// What the document says.
        name: String,
    },
    /// More than one plan can hold.
    #[error("the tour has {count} {what}, a plan takes at most {most}; split the tour")]
    TooMany {
        /// Points, or drawn points.
        what: &'static str,
        /// How many there are.
        count: usize,
        /// How many there may be.
        most: usize,
    },
    /// Coordinates off the globe.
    #[error(
        "point {} has no place on the globe: latitude must lie within -90 and 90, longitude within \
         -180 and 180 degrees",
        point + 1
    )]
    BadPoint {
        /// Index of the point.
        point: usize,
    },
    /// A departure that is no time.
    #[error("{text:?} is no departure; write 2026-05-01T08:30, or 08:30 for a later day")]
    BadTime {
        /// What the document says.
        text: String,
    },
    /// The caller called it off.
    #[error("planning was called off")]
    Cancelled,
}

impl From<crate::legs::Cancelled> for PlanError {
    fn from(_: crate::legs::Cancelled) -> Self {
        PlanError::Cancelled
    }
}

fn taste_names() -> String {
    crate::taste::tastes()
        .into_iter()
        .map(|t| t.name)
        .collect::<Vec<_>>()
        .join(", ")
}

/// Everything that was worked out from a tour.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Plan {
    /// One leg fewer than points.
    pub legs: Vec<Leg>,
    /// Where each point came to lie, one per tour point.
    pub points: Vec<PlacedPoint>,
    /// Days in order; at least one when there are points.
    pub days: Vec<Day>,
    /// Sums over all days.
    pub total: Sums,
    /// What the taste costs and gives; absent for the fastest way.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taste_price: Option<TastePrice>,
    /// What the rider should look at.
    pub warnings: Vec<Warning>,
    /// The short cautions every plan carries.
    pub cautions: String,
    /// Map data credit to be shown, if any.
    pub attribution: Option<String>,
}

/// The line between two neighbouring points.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Leg {
    /// Hash of the line; equal keys mean equal legs.
    pub key: String,
    /// Road or free.
    pub kind: crate::document::LegKind,
    /// Sums over the leg, without halts.
    pub sums: Sums,
    /// The line; absent when the caller said it already holds this key.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<Line>,
    /// Why there is no road line, if there is none; the line is then straight.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trouble: Option<String>,
}

/// A line on the ground: parallel columns, one row a vertex.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Line {
    /// Degrees north.
    pub lat: Vec<f64>,
    /// Degrees east.
    pub lon: Vec<f64>,
    /// Metres above sea level; `null` unknown.
    pub height_m: Vec<Option<f32>>,
    /// Metres from the start of the leg.
    pub distance_m: Vec<f64>,
    /// Seconds of riding from the start of the leg.
    pub elapsed_s: Vec<f64>,
    /// Runs of equal road, covering the line without gaps.
    pub runs: Vec<Run>,
}

/// A run of one road within a line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Run {
    /// First vertex.
    pub from: u32,
    /// Last vertex; the next run starts there.
    pub to: u32,
    /// Name, may be empty.
    pub name: String,
    /// Number, may be empty.
    pub number: String,
    /// Kind of road, as in the region; `free` on a free leg.
    pub class: String,
    /// Surface, as in the region.
    pub surface: String,
    /// Whether it is paved; `null` unknown.
    pub paved: Option<bool>,
    /// Bend rate, degrees per kilometre.
    pub bend_deg_per_km: f32,
    /// Access where it is not simply open.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub access: Option<String>,
    /// `bridge`, `tunnel`, `ferry`, `ford`, `toll`, `seasonal`, `built_up`, ...
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub marks: Vec<String>,
}

/// Sums over a leg, a day or a tour.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Sums {
    /// Length, ferries included.
    pub length_m: f64,
    /// Riding time, ferries included, halts not.
    pub riding_s: f64,
    /// Climb, smoothed.
    pub climb_m: f64,
    /// Descent, smoothed.
    pub descent_m: f64,
    /// Length on paved roads.
    pub paved_m: f64,
    /// Length on unpaved roads.
    pub unpaved_m: f64,
    /// Length on roads of unknown surface.
    pub unknown_surface_m: f64,
    /// Length drawn by hand.
    pub free_m: f64,
    /// Length by ferry.
    pub ferry_m: f64,
}

/// What a taste costs against the fastest way through the same points, and what it gives.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct TastePrice {
    /// Riding time more than the fastest way takes.
    pub extra_s: f64,
    /// Length more than the fastest way has; less than nothing where that is the longer one.
    pub extra_m: f64,
    /// Riding time that gives nothing to the taste: an hour of road worth a quarter counts for
    /// 45 minutes. The line is the one for which riding time plus price times this is least.
    pub dull_s: f64,
    /// The same on the fastest way.
    pub dull_s_fastest: f64,
    /// Length of winding road outside towns: 135 degrees of turning per kilometre or more.
    pub winding_m: f64,
    /// The same on the fastest way.
    pub winding_m_fastest: f64,
    /// Length on unpaved roads.
    pub unpaved_m: f64,
    /// The same on the fastest way.
    pub unpaved_m_fastest: f64,
    /// Length of road that is worth half or more to the taste.
    pub liked_m: f64,
    /// The same on the fastest way.
    pub liked_m_fastest: f64,
}

/// One day's ride.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Day {
    /// First point of the tour in this day.
    pub first_point: u32,
    /// Last point of the tour in this day.
    pub last_point: u32,
    /// Sums over the day.
    pub sums: Sums,
    /// Minutes of halts, between first and last point.
    pub dwell_min: u32,
    /// Local departure `YYYY-MM-DDTHH:MM`, if the tour has a date.
    pub depart: Option<String>,
    /// Local arrival, likewise.
    pub arrive: Option<String>,
    /// Highest point, metres, if heights are known.
    pub highest_m: Option<f32>,
    /// Clock, light, fuel and ground of the day.
    #[serde(default)]
    pub sheet: Sheet,
}

/// Where a tour point came to lie on the road.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct PlacedPoint {
    /// Degrees north.
    pub lat: f64,
    /// Degrees east.
    pub lon: f64,
    /// Metres from the point of the tour.
    pub offset_m: f64,
    /// Name or number of the road, may be empty.
    pub road: String,
}

/// Something the rider should look at.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Warning {
    /// Kind, snake case: `off_map`, `far_from_road`, `closed_road`, `unreachable`, `spur`,
    /// `wrong_carriageway`, `turn_round`, `unverified_access`, `permit`, `private`, `destination`,
    /// `seasonal`, `conditional`, `gate`, `against_taste`, `ferry`, `ford`, `toll`, `unpaved`,
    /// `unknown_surface`, `dark`, `low_sun`, `small_hours`, `long_day`, `out_of_fuel`,
    /// `closed_then`.
    pub kind: String,
    /// Plain words, with the next step.
    pub text: String,
    /// Leg concerned.
    pub leg: Option<u32>,
    /// Point concerned.
    pub point: Option<u32>,
    /// Where, `[lat, lon]`.
    pub at: Option<[f64; 2]>,
    /// Kilometres from the start of the tour.
    pub km: Option<f64>,
    /// An edit that mends it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub repair: Option<Repair>,
}

/// An edit of one point of the tour that mends what a warning tells of.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Repair {
    /// What it does, in a few plain words.
    pub text: String,
    /// The point it changes.
    pub point: u32,
    /// Where the point goes, `[lat, lon]`; `null` stays.
    pub move_to: Option<[f64; 2]>,
    /// The point is taken out.
    pub remove: bool,
    /// What kind it becomes; `null` as it is.
    pub to_kind: Option<PointKind>,
}

impl Repair {
    /// Makes the edit. A point that does not exist is not changed.
    pub fn apply(&self, tour: &mut Tour) {
        let Some(point) = tour.points.get_mut(self.point as usize) else {
            return;
        };
        if self.remove {
            tour.points.remove(self.point as usize);
            return;
        }
        if let Some([lat, lon]) = self.move_to {
            (point.lat, point.lon) = (lat, lon);
        }
        point.kind = self.to_kind.unwrap_or(point.kind);
    }
}

/// The cautions that pages, prints and files carry.
pub const CAUTIONS: &str = "Planning aid only. Signs, closures and local law come first; map data \
may be wrong or old. Check that off-road tracks are open to motor vehicles. Ride within your \
ability, rest, and watch weather and light.";
