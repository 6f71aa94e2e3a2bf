//! The tour document: all that a rider decided, and nothing that can be worked out from it.
//! The page edits it, the shelf keeps it, [`crate::plan`] turns it into a plan.

use serde::{Deserialize, Serialize};

use crate::rider::Rider;
use crate::taste::TasteChoice;

/// Version tag of the document format.
pub const FORMAT: &str = "lacet-tour-1";

/// A trip of one or more days.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(deny_unknown_fields)]
pub struct Tour {
    /// [`FORMAT`].
    pub format: String,
    /// What the rider calls it.
    #[serde(default)]
    pub name: String,
    /// Name of the region it is planned on.
    pub region: String,
    /// The taste the road legs are routed by: a name, or a taste with its dials.
    #[serde(default)]
    pub taste: TasteChoice,
    /// Departure of the first day, local, `YYYY-MM-DDTHH:MM`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depart: Option<String>,
    /// Who rides, on what.
    #[serde(default, skip_serializing_if = "Rider::is_default")]
    pub rider: Rider,
    /// Stops and vias in riding order.
    pub points: Vec<TourPoint>,
    /// Free words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
}

impl Tour {
    /// A tour without a name or a date, of an ordinary rider.
    pub fn new(region: &str, taste: impl Into<TasteChoice>, points: Vec<TourPoint>) -> Self {
        Tour {
            format: FORMAT.into(),
            name: String::new(),
            region: region.into(),
            taste: taste.into(),
            depart: None,
            rider: Rider::default(),
            points,
            note: String::new(),
        }
    }

    /// The same tour ridden the other way: points in reverse order, each leg between the same two
    /// points as before, halts and nights where they were.
    pub fn reversed(&self) -> Self {
        let mut points: Vec<TourPoint> = self.points.iter().rev().cloned().collect();
        let n = points.len();
        for (i, point) in points.iter_mut().enumerate() {
            // The leg into point i came, the other way, into its neighbour.
            let (leg, mut drawn) = match i {
                0 => (LegKind::Road, Vec::new()),
                _ => (self.points[n - i].leg, self.points[n - i].drawn.clone()),
            };
            drawn.reverse();
            (point.leg, point.drawn) = (leg, drawn);
        }
        Tour {
            points,
            ..self.clone()
        }
    }
}

/// A stop or a via.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(deny_unknown_fields)]
pub struct TourPoint {
    /// Stop (halts; may turn round) or via (passes).
    pub kind: PointKind,
    /// Degrees north.
    pub lat: f64,
    /// Degrees east.
    pub lon: f64,
    /// Name shown and exported.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub name: String,
    /// Halt, minutes (stops only).
    #[serde(default, skip_serializing_if = "is_zero")]
    pub dwell_min: u32,
    /// To be here by this hour, local, `HH:MM`: sets the departure of the day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub arrive_by: Option<String>,
    /// The rider refuels here (stops only); at a station that is taken for granted.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub refuel: bool,
    /// How the line gets here from the point before; ignored on the first point.
    #[serde(default)]
    pub leg: LegKind,
    /// Hand-drawn points `[lat, lon]` of a free leg, ends excluded.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub drawn: Vec<[f64; 2]>,
    /// The day ends at this stop; the next one starts here.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub ends_day: bool,
    /// Departure of the day that starts here, local: `HH:MM` on the next day, or
    /// `YYYY-MM-DDTHH:MM`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next_depart: Option<String>,
}

impl TourPoint {
    /// A point at `[lat, lon]` that the line reaches over roads, and nothing more to it.
    pub fn new(kind: PointKind, [lat, lon]: [f64; 2]) -> Self {
        TourPoint {
            kind,
            lat,
            lon,
            name: String::new(),
            dwell_min: 0,
            arrive_by: None,
            refuel: false,
            leg: LegKind::Road,
            drawn: Vec::new(),
            ends_day: false,
            next_depart: None,
        }
    }
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde wants a reference")]
fn is_zero(n: &u32) -> bool {
    *n == 0
}

/// What happens at a point.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(rename_all = "snake_case")]
pub enum PointKind {
    /// The rider halts.
    Stop,
    /// The line passes.
    Via,
}

/// How two neighbouring points are joined.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(rename_all = "snake_case")]
pub enum LegKind {
    /// Routed on roads.
    #[default]
    Road,
    /// Drawn by hand.
    Free,
}
