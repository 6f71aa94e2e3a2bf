//! The height of a day: climb, highest point, steepest kilometre, passes.

use serde::{Deserialize, Serialize};

use super::along::Track;
use crate::Planner;
use region::{NO_HEIGHT, PlaceKind};

/// Rises and falls smaller than this do not count as climb, metres.
pub const CLIMB_STEP_M: f64 = 5.0;
/// A pass this near is ridden over, metres.
const PASS_M: f64 = 100.0;

/// The rule of climb, to be shown beside the figure.
pub const CLIMB_RULE: &str = "a new level counts where the profile has left the last one by 5 m";

/// Heights of a day's ride.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Heights {
    /// Highest point, if heights are known.
    pub highest: Option<HeightPoint>,
    /// Lowest point.
    pub lowest: Option<HeightPoint>,
    /// The kilometre with the greatest difference of height between its ends.
    pub steepest: Option<Steepest>,
    /// Named passes ridden over, in order.
    pub passes: Vec<PassPoint>,
    /// How climb is counted.
    pub rule: String,
}

/// A point of the profile.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct HeightPoint {
    /// Metres above sea level.
    pub height_m: f32,
    /// Kilometres from the start of the day.
    pub km: f64,
    /// `[lat, lon]`.
    pub at: [f64; 2],
}

/// A kilometre of the profile.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Steepest {
    /// Kilometres from the start of the day at which it begins.
    pub from_km: f64,
    /// Rise over run, percent; negative downhill.
    pub grade_percent: f64,
}

/// A pass ridden over.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct PassPoint {
    /// Name.
    pub name: String,
    /// Metres above sea level, by its sign or tag, else by the profile.
    pub height_m: Option<f32>,
    /// Kilometres from the start of the day.
    pub km: f64,
    /// `[lat, lon]`.
    pub at: [f64; 2],
}

/// Climb and descent by a reference level that follows the profile in steps of `step_m`, metres.
pub fn climb_m(profile: impl IntoIterator<Item = f64>, step_m: f64) -> (f64, f64) {
    Climb::default().over(profile, step_m)
}

/// The level that climb is counted from, carried on from leg to leg.
#[derive(Default)]
pub(crate) struct Climb {
    level_m: Option<f64>,
}

impl Climb {
    pub fn over(&mut self, profile: impl IntoIterator<Item = f64>, step_m: f64) -> (f64, f64) {
        let (mut up_m, mut down_m) = (0.0, 0.0);
        for height in profile {
            let from = *self.level_m.get_or_insert(height);
            if (height - from).abs() >= step_m {
                if height > from {
                    up_m += height - from;
                } else {
                    down_m += from - height;
                }
                self.level_m = Some(height);
            }
        }
        (up_m, down_m)
    }
}

pub(crate) fn of(planner: &Planner, track: &Track) -> Heights {
    let region = planner.region();
    let known: Vec<(usize, f32)> = (0..track.at.len())
        .filter_map(|row| Some((row, track.height_m[row]?)))
        .collect();
    let point = |&(row, height_m): &(usize, f32)| HeightPoint {
        height_m,
        km: track.along_m[row] / 1000.0,
        at: [track.at[row].lat(), track.at[row].lon()],
    };
    let passes = planner.beside_kept(track, PASS_M, PlaceKind::Pass);
    let passes = passes.iter().filter_map(|b| {
        let i = b.place as usize;
        let name = region.string(region.place_name()[i]);
        let tagged = region.place_height_cm()[i];
        (!name.is_empty()).then(|| PassPoint {
            name: name.to_owned(),
            height_m: match tagged {
                NO_HEIGHT => track.height_m[b.row],
                cm => Some(cm as f32 / 100.0),
            },
            km: b.at_m / 1000.0,
            at: [track.at[b.row].lat(), track.at[b.row].lon()],
        })
    });
    Heights {
        highest: known
            .iter()
            .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))
            .map(point),
        lowest: known.iter().min_by(|a, b| a.1.total_cmp(&b.1)).map(point),
        steepest: steepest(&known, &track.along_m),
        passes: passes.collect(),
        rule: CLIMB_RULE.into(),
    }
}

/// The steepest stretch of at least a kilometre that begins at a vertex.
fn steepest(known: &[(usize, f32)], along_m: &[f64]) -> Option<Steepest> {
    let mut best: Option<Steepest> = None;
    let mut end = 0;
    for (i, &(row, from_m)) in known.iter().enumerate() {
        end = end.max(i);
        while end < known.len() && along_m[known[end].0] - along_m[row] < 1000.0 {
            end += 1;
        }
        let Some(&(to_row, to_m)) = known.get(end) else {
            return best;
        };
        let run_m = along_m[to_row] - along_m[row];
        let grade_percent = 100.0 * f64::from(to_m - from_m) / run_m;
        // A long gap in the heights is no kilometre.
        if run_m < 1500.0
            && best
                .as_ref()
                .is_none_or(|b| grade_percent.abs() > b.grade_percent.abs())
        {
            best = Some(Steepest {
                from_km: along_m[row] / 1000.0,
                grade_percent: (grade_percent * 10.0).round() / 10.0,
            });
        }
        if to_row + 1 >= along_m.len() {
            return best;
        }
    }
    best
}
