//! The shapes that cross the wire, besides the documents and plans of `planner`.
//!
//! The page's types in `web/src/types` are made from these: `cargo run -p xtask -- types`.

use planner::document::Tour;
use planner::plan::Plan;
use serde::{Deserialize, Serialize};

/// Any refusal: what went wrong and what to do next.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct ErrorBody {
    /// Plain words.
    pub error: String,
    /// The next step.
    pub hint: String,
}

/// One imported region.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct RegionInfo {
    /// Name given at import; part of the tile addresses.
    pub name: String,
    /// Changes with the content.
    pub id: String,
    /// West, south, east, north, degrees.
    pub bounds_deg: [f64; 4],
    /// Newest date of the map data, ISO 8601.
    pub data_date: Option<String>,
    /// Credit to be shown with the map.
    pub attribution: Option<String>,
    /// Size of the file.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub bytes: u64,
    /// How much is in it.
    pub counts: RegionCounts,
    /// Whether traffic drives on the left.
    pub drives_left: bool,
    /// Whether heights are known, so that relief can be drawn.
    pub has_heights: bool,
    /// Why it cannot be used (damaged, other version), in plain words; the rest is then empty.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trouble: Option<String>,
}

/// How much is in a region.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct RegionCounts {
    /// Junctions.
    pub junctions: u32,
    /// Pieces of road between two junctions.
    pub pieces: u32,
    /// Allowed turns.
    pub turns: u32,
    /// Finder entries.
    pub places: u32,
    /// Map features.
    pub features: u32,
}

/// Body of `POST /api/plan`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct PlanRequest {
    /// The tour to plan.
    pub tour: Tour,
    /// Keys of legs whose line the caller holds already.
    #[serde(default)]
    pub have: Vec<String>,
}

/// What a page sends on `GET /api/hand`; the newest is answered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct HandQuestion {
    /// Comes back with the answer.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub seq: u64,
    /// The tour to plan.
    pub tour: Tour,
    /// Keys of legs whose line the caller holds already.
    #[serde(default)]
    pub have: Vec<String>,
}

/// What comes back on `GET /api/hand`: a plan, or what went wrong.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct HandAnswer {
    /// Of the question; `null` if it had none that could be read.
    #[cfg_attr(feature = "ts", ts(type = "number | null"))]
    pub seq: Option<u64>,
    /// The plan.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plan: Option<Plan>,
    /// What went wrong, in plain words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub error: Option<String>,
    /// The next step.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hint: Option<String>,
}

/// Body of `POST /api/export/{format}`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct ExportRequest {
    /// The tour to write.
    pub tour: Tour,
    /// One file a day, in a zip.
    #[serde(default)]
    pub split_days: bool,
}

/// Answer of `POST /api/read`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct ReadAnswer {
    /// The file as a tour to plan from.
    pub tour: Tour,
    /// What the file holds, in one line.
    pub summary: String,
    /// What was left out or guessed.
    pub warnings: Vec<String>,
}

/// A tour in the list.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct TourEntry {
    /// Key in the addresses.
    pub id: String,
    /// What the rider calls it.
    pub name: String,
    /// Region it is planned on.
    pub region: String,
    /// Last save, RFC 3339 in UTC.
    pub changed: String,
    /// Length when it was last planned and saved.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_m: Option<f64>,
    /// Number of days.
    pub days: u32,
    /// In the bin.
    pub deleted: bool,
}

/// Body of `POST /api/tours`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct NewTour {
    /// The document.
    pub tour: Tour,
    /// Length as planned, for the list.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_m: Option<f64>,
}

/// Answer of `POST /api/tours`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct TourKey {
    /// Key in the addresses.
    pub id: String,
    /// To be sent with the next save.
    pub revision: u32,
}

/// Answer of `GET /api/tours/{id}`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct KeptTour {
    /// Key in the addresses.
    pub id: String,
    /// To be sent with the next save.
    pub revision: u32,
    /// In the bin.
    pub deleted: bool,
    /// The document.
    pub tour: Tour,
}

/// Body of `PUT /api/tours/{id}`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct SaveTour {
    /// Revision the change was made on.
    pub revision: u32,
    /// The document.
    pub tour: Tour,
    /// Length as planned, for the list.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_m: Option<f64>,
}

/// Answer of `PUT /api/tours/{id}`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Saved {
    /// To be sent with the next save.
    pub revision: u32,
}

/// Answer 409 of `PUT /api/tours/{id}`: somebody else saved meanwhile.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Conflict {
    /// Plain words.
    pub error: String,
    /// The next step.
    pub hint: String,
    /// The tour as it is kept now.
    pub newer: KeptTour,
}
