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

/// Body of `POST /api/days`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct DaysRequest {
    /// The tour to split.
    pub tour: Tour,
    /// What a day may hold.
    #[serde(default)]
    pub limits: planner::day::split::DayLimits,
}

/// Body of `POST /api/paper/{what}`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct PaperRequest {
    /// The tour to put on paper.
    pub tour: Tour,
    /// `a5`, `a4` or `letter`; A5 if nothing is said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub size: Option<String>,
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

/// A line of an answer of `POST /api/propose/...` before its last, which is `Proposals` or an
/// `ErrorBody`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Progress {
    /// Share done, 0..=1.
    pub progress: f32,
    /// What is being done, in plain words.
    pub stage: String,
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

/// A line of the shelf's list.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct CardInfo {
    /// `t3` a tour, `r17` a recording, `m2` a mark.
    pub key: String,
    /// To be sent with a change.
    pub revision: u32,
    /// What the rider calls it.
    pub name: String,
    /// Free words.
    pub note: String,
    /// The rider's words for finding it.
    pub tags: Vec<String>,
    /// How much the rider liked it, 1 to 5.
    pub rating: Option<u8>,
    /// Day it was ridden, or is to be, `YYYY-MM-DD`.
    pub date: Option<String>,
    /// Length.
    pub length_m: Option<f64>,
    /// Time in motion.
    pub riding_s: Option<f64>,
    /// Sum of climbs.
    pub climb_m: Option<f64>,
    /// Highest point.
    pub highest_m: Option<f64>,
    /// Highest pass it crosses; empty for none known.
    pub pass: String,
    /// Height of that pass.
    pub pass_m: Option<f64>,
    /// Places on the way.
    pub places: Vec<String>,
    /// Regions it lies in.
    pub regions: Vec<String>,
    /// West, south, east, north; east may pass 180.
    pub bounds_deg: Option<[f64; 4]>,
    /// Last change, RFC 3339 in UTC.
    pub changed: String,
    /// In the bin.
    pub deleted: bool,
}

/// Answer of `GET /api/shelf`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct ShelfAnswer {
    /// How many there are in all.
    pub total: usize,
    /// Changes with everything that can be searched or drawn: put it into addresses of tiles.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub pulse: i64,
    /// Box around the cards given.
    pub bounds_deg: Option<[f64; 4]>,
    /// The first of them, best first.
    pub cards: Vec<CardInfo>,
    /// For each card the share of the line asked for that it runs along; empty without such.
    pub alike: Vec<f64>,
}

/// Answer of `GET /api/shelf/items/{key}`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct ShelfItem {
    /// What can be said of it.
    pub card: CardInfo,
    /// Its simplified line, `[lat, lon]`, in runs; of a tour from point to point.
    pub line: Vec<Vec<[f64; 2]>>,
    /// Of a recording.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recording: Option<RecordingInfo>,
    /// Of a mark.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mark: Option<MarkInfo>,
}

/// What is known of a recording only.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct RecordingInfo {
    /// First time, RFC 3339 in UTC.
    pub started: Option<String>,
    /// Last time.
    pub ended: Option<String>,
    /// Points kept.
    pub points: u32,
    /// Points of its file that were left out, told on the first recording of it.
    pub left_out: u32,
    /// Name of the file it came in.
    pub file: String,
    /// Which recording of that file, from 1.
    pub part: u32,
}

/// A rider's mark.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct MarkInfo {
    /// What can be said of it.
    pub card: CardInfo,
    /// `[lat, lon]`.
    pub at: [f64; 2],
    /// Points of the road, if it is one.
    pub road: Vec<[f64; 2]>,
    /// Whether it has a picture: `GET /api/shelf/items/{key}/photo`.
    pub photo: bool,
    /// When the picture was taken, local.
    pub taken: Option<String>,
}

/// Body of `PATCH /api/shelf/items/{key}`; what is left out stays.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct ChangeCard {
    /// Revision the change was made on.
    pub revision: u32,
    /// Name; a tour has its own in its document.
    #[serde(default)]
    pub name: Option<String>,
    /// Free words; a tour has its own in its document.
    #[serde(default)]
    pub note: Option<String>,
    /// Words for finding it.
    #[serde(default)]
    pub tags: Option<Vec<String>>,
    /// 1 to 5, 0 for none.
    #[serde(default)]
    pub rating: Option<u8>,
}

/// Body of `POST /api/shelf/marks` and, with a revision, of `PUT /api/shelf/marks/{key}`, which
/// moves a mark.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct PlaceMark {
    /// Revision that is moved.
    #[serde(default)]
    pub revision: u32,
    /// What the rider calls it.
    #[serde(default)]
    pub name: String,
    /// Free words.
    #[serde(default)]
    pub note: String,
    /// Words for finding it.
    #[serde(default)]
    pub tags: Vec<String>,
    /// 1 to 5.
    #[serde(default)]
    pub rating: Option<u8>,
    /// `[lat, lon]`.
    pub at: [f64; 2],
    /// Points of the road; none for a place.
    #[serde(default)]
    pub road: Vec<[f64; 2]>,
}

/// Answer of calls that put something onto the shelf.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct NewKey {
    /// Its key.
    pub key: String,
    /// To be sent with a change.
    pub revision: u32,
}

/// A collection.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct CollectionInfo {
    /// Its number in addresses.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub number: i64,
    /// To be sent with the next save.
    pub revision: u32,
    /// What the rider calls it.
    pub name: String,
    /// Free words.
    pub note: String,
    /// Keys in the rider's order.
    pub members: Vec<String>,
    /// Last change, RFC 3339 in UTC.
    pub changed: String,
    /// In the bin.
    pub deleted: bool,
}

/// Body of `POST /api/shelf/collections`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct NewCollection {
    /// What the rider calls it.
    pub name: String,
    /// Free words.
    #[serde(default)]
    pub note: String,
    /// Keys in the rider's order.
    #[serde(default)]
    pub members: Vec<String>,
}

/// Body of `PUT /api/shelf/collections/{number}`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct SaveCollection {
    /// Revision the change was made on.
    pub revision: u32,
    /// What the rider calls it.
    pub name: String,
    /// Free words.
    #[serde(default)]
    pub note: String,
    /// Keys in the rider's order.
    pub members: Vec<String>,
}

/// An import in the background.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct ImportInfo {
    /// Its number in addresses.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub number: u64,
    /// What was sent.
    pub name: String,
    /// `waiting`, `running`, `done`, `cancelled` or `failed`.
    pub state: String,
    /// Files in it.
    pub files: usize,
    /// Files dealt with.
    pub done: usize,
    /// Files whose rides came onto the shelf.
    pub kept: usize,
    /// Files that were there already, byte for byte.
    pub same_file: usize,
    /// Files whose rides were there already, saved another time or thinned.
    pub same_ride: usize,
    /// Files that cannot be read or hold no ride.
    pub broken: usize,
    /// Recordings that came onto the shelf.
    pub recordings: usize,
    /// The first of them.
    pub keys: Vec<String>,
    /// Files that were not kept, with the reason; the first thousand.
    pub troubles: Vec<TroubleInfo>,
    /// Why it failed.
    pub trouble: Option<String>,
}

/// A file that was not kept.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct TroubleInfo {
    /// The file.
    pub file: String,
    /// Plain words.
    pub reason: String,
}
