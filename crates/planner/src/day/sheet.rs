//! The day sheet: what is known of a day beside its line and sums. Kilometres count from the start
//! of the day, seconds from the departure; local times are `YYYY-MM-DDTHH:MM`.

use serde::{Deserialize, Serialize};

pub use super::height::{HeightPoint, Heights, PassPoint, Steepest};

/// A day's clock, light, fuel and ground.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Sheet {
    /// Time zone of the departure, if the tour has a date.
    pub zone: Option<String>,
    /// Minutes of rest that were added.
    pub rest_min: u32,
    /// What happens when, in order.
    pub rows: Vec<Row>,
    /// Sun of the day, if the tour has a date.
    pub sun: Option<SunTimes>,
    /// Where the light is not that of the day.
    pub light: Vec<Light>,
    /// Fuel along the day.
    pub fuel: Fuel,
    /// Heights.
    pub heights: Heights,
    /// Length on tracks, metres.
    pub tracks_m: f64,
    /// The roughest smoothness that is mapped, if any is rough.
    pub roughest: Option<Rough>,
}

/// A row of the day's clock.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Row {
    /// What happens.
    pub kind: RowKind,
    /// Point of the tour, if it is one.
    pub point: Option<u32>,
    /// Kilometres from the start of the day.
    pub km: f64,
    /// Seconds of riding from the start of the day, ferries included.
    pub riding_s: f64,
    /// Seconds since departure at which it begins.
    pub from_s: f64,
    /// And ends.
    pub to_s: f64,
    /// Local time at which it begins, if the tour has a date.
    pub arrive: Option<String>,
    /// Local time at which it ends.
    pub leave: Option<String>,
    /// What clocks are ahead of UTC there, `+02:00`.
    pub offset: Option<String>,
    /// `[lat, lon]`.
    pub at: [f64; 2],
    /// Name of the point, or a word more.
    pub text: String,
}

/// Kinds of rows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(rename_all = "snake_case")]
pub enum RowKind {
    /// The day begins.
    #[default]
    Depart,
    /// A via is passed.
    Pass,
    /// A stop.
    Halt,
    /// A rest by the rule.
    Rest,
    /// A ferry, waiting included.
    Ferry,
    /// Clocks change at a border of time zones.
    Clock,
    /// The day ends.
    Arrive,
}

/// Local times of the sun: morning where the day begins, evening where it ends.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct SunTimes {
    /// Civil twilight begins.
    pub dawn: Option<String>,
    /// Sunrise.
    pub sunrise: Option<String>,
    /// Sunset.
    pub sunset: Option<String>,
    /// Civil twilight ends.
    pub dusk: Option<String>,
    /// `day` or `night` where the sun does not set or rise at the end of the day.
    pub polar: Option<String>,
}

/// A stretch in other light than the day's.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Light {
    /// Which light.
    pub kind: LightKind,
    /// From here.
    pub from_km: f64,
    /// To here.
    pub to_km: f64,
    /// Seconds since departure at its start.
    pub from_s: f64,
    /// And at its end.
    pub to_s: f64,
}

/// Kinds of light.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(rename_all = "snake_case")]
pub enum LightKind {
    /// The sun is down, but lights the sky.
    Twilight,
    /// Dark.
    Night,
    /// The sun stands low ahead on a long stretch.
    LowSun,
}

/// Fuel along a day.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Fuel {
    /// Kilometres that may be ridden on a tank, the reserve kept; nothing if no tank is given.
    pub range_km: Option<f64>,
    /// Level: `[km, litres]`, straight in between; two entries at one place are a refuelling.
    pub level: Vec<[f64; 2]>,
    /// Where to refuel.
    pub stops: Vec<FuelStop>,
    /// Where the range ends before any station.
    pub dry: Vec<Dry>,
}

/// A place to refuel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct FuelStop {
    /// Kilometres from the start of the day.
    pub km: f64,
    /// `[lat, lon]` of the station.
    pub at: [f64; 2],
    /// Name, may be empty.
    pub name: String,
    /// Metres aside of the line, as the crow flies.
    pub aside_m: f64,
    /// Litres to fill in.
    pub litres: f64,
    /// Point of the tour, if the rider halts there anyway.
    pub point: Option<u32>,
    /// Leg on which it is passed: a stop to add comes after this leg's first point.
    pub leg: u32,
    /// Local time of arrival, if the tour has a date.
    pub arrive: Option<String>,
    /// Opening hours as mapped.
    pub hours: Option<String>,
    /// Whether they say it is open then; nothing if they are not mapped or do not tell.
    pub open: Option<bool>,
}

/// Where the range ends.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Dry {
    /// Kilometres from the start of the day at which the reserve is begun.
    pub km: f64,
    /// And at which the tank is empty.
    pub empty_km: f64,
}

/// A rough place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Rough {
    /// `smoothness` as in the region.
    pub smoothness: String,
    /// `[lat, lon]`.
    pub at: [f64; 2],
}
