//! Who rides, on what: pace, lean, tank, rests. A part of the tour document.

use serde::{Deserialize, Serialize};

use crate::speed::Manner;

/// The rider and the motorcycle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(default, deny_unknown_fields)]
pub struct Rider {
    /// How far to lean in curves.
    pub lean: Lean,
    /// Speed compared with an ordinary rider's, 0.5 to 1.5; learned from recordings.
    pub pace: f64,
    /// Riding with others.
    pub group: bool,
    /// Somebody on the back seat.
    pub pillion: bool,
    /// Loaded for a journey.
    pub luggage: bool,
    /// Tank, litres; 0 leaves fuel out of the plan.
    pub tank_l: f64,
    /// What is to be left in it, litres.
    pub reserve_l: f64,
    /// Litres per 100 km.
    pub consumption_l: f64,
    /// Most metres to ride for a fuel station, there and back to the line.
    pub fuel_detour_m: f64,
    /// Minutes of riding after which a rest is due; 0 for never.
    pub rest_every_min: u32,
    /// Minutes of rest.
    pub rest_min: u32,
}

/// Lean in curves: the project's checks 2c, its own choice and no standard.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(rename_all = "snake_case")]
pub enum Lean {
    /// 15°
    Relaxed,
    /// 20°
    #[default]
    Normal,
    /// 25°
    Brisk,
}

impl Default for Rider {
    fn default() -> Self {
        Rider {
            lean: Lean::Normal,
            pace: 1.0,
            group: false,
            pillion: false,
            luggage: false,
            tank_l: 15.0,
            reserve_l: 2.0,
            consumption_l: 5.0,
            fuel_detour_m: 3000.0,
            rest_every_min: 120,
            rest_min: 15,
        }
    }
}

impl Rider {
    /// Nothing was chosen.
    pub fn is_default(&self) -> bool {
        *self == Rider::default()
    }

    /// How this rider rides. A group takes 10 to 15 % longer; shares for a pillion and luggage are
    /// ours (common practice).
    pub fn manner(&self) -> Manner {
        let lean_deg = match self.lean {
            Lean::Relaxed => 15.0,
            Lean::Normal => 20.0,
            Lean::Brisk => 25.0,
        };
        let pace = if self.pace.is_finite() {
            self.pace
        } else {
            1.0
        };
        let mut pace = pace.clamp(0.5, 1.5);
        for (slower, applies) in [
            (0.89, self.group),
            (0.96, self.pillion),
            (0.98, self.luggage),
        ] {
            pace *= if applies { slower } else { 1.0 };
        }
        // Whole hundredths, so that equal riders share what is worked out for them.
        Manner {
            lean_deg,
            pace: (pace * 100.0).round() / 100.0,
        }
    }
}
