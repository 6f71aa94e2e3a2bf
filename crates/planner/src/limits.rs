//! Speed limits that hold at some hours only: `maxspeed:conditional`, asked for the hour at which the
//! rider is there. A lower limit slows the line down; a higher one is left to the sign, as nothing
//! is lost by being planned too slow.

use std::collections::HashMap;
use std::sync::Arc;

use region::{Edge, Region};

use crate::Planner;
use crate::assemble::Built;
use crate::day::law::Conditional;
use crate::day::zone;
use crate::document::Tour;
use crate::line::LegLine;
use crate::plan::PlanError;

/// A limit of a piece: only along or against the geometry, and the tag.
type Limit = (Option<bool>, Conditional);

/// All conditional limits of a region, by piece.
pub(crate) struct Limits(HashMap<u32, Vec<Limit>>);

impl Limits {
    pub fn new(region: &Region) -> Self {
        let mut limits: HashMap<u32, Vec<Limit>> = HashMap::new();
        let rows = region.condition_piece().iter().zip(region.condition_key());
        for ((&piece, &key), &value) in rows.zip(region.condition_value()) {
            let parts = region.string(key).strip_suffix(":conditional");
            let Some(mut parts) = parts.map(|base| base.split(':')) else {
                continue;
            };
            if parts.next() != Some("maxspeed") {
                continue;
            }
            let backward = parts.find_map(|p| match p {
                "forward" => Some(false),
                "backward" => Some(true),
                _ => None,
            });
            let tag = Conditional::read(region.string(value));
            limits.entry(piece).or_default().push((backward, tag));
        }
        Limits(limits)
    }

    /// The lowest limit that holds for an edge when local clocks show `at`, km/h.
    fn of(&self, edge: Edge, at: chrono::NaiveDateTime) -> Option<f64> {
        self.0
            .get(&edge.piece())?
            .iter()
            .filter(|(backward, _)| backward.is_none_or(|b| b == edge.is_backward()))
            .filter_map(|(_, tag)| kmh(tag.at(at, None).value?))
            .min_by(f64::total_cmp)
    }
}

/// `60`, `60 km/h`, `40 mph`; nothing for words.
fn kmh(text: &str) -> Option<f64> {
    let text = text.trim();
    let (number, per) = match text.strip_suffix("mph") {
        Some(miles) => (miles, 1.609_344),
        None => (text.strip_suffix("km/h").unwrap_or(text), 1.0),
    };
    let value: f64 = number.trim().parse().ok()?;
    (value.is_finite() && value > 0.0).then_some(value * per)
}

impl Planner {
    /// Slows lines down where a lower limit holds at the hour at which one is there.
    pub(crate) fn keep_limits(&self, tour: &Tour, legs: &mut [Built]) -> Result<(), PlanError> {
        let limits = self.limits.get_or_init(|| Limits::new(self.region()));
        let meets = |leg: &Built| {
            let mut pieces = leg.line.states().iter().map(|&s| self.edge(s).piece());
            pieces.any(|piece| limits.0.contains_key(&piece))
        };
        if tour.depart.is_none() || limits.0.is_empty() || !legs.iter().any(meets) {
            return Ok(());
        }
        let lines: Vec<Arc<LegLine>> = legs.iter().map(|leg| leg.line.clone()).collect();
        let lines: Vec<&LegLine> = lines.iter().map(|line| &**line).collect();
        for draft in self.drafts(tour, &lines)? {
            let mut leg_m = 0.0;
            for leg in draft.first..draft.last {
                let line = lines[leg];
                let mut slow: Vec<(f64, f64, f64)> = Vec::new();
                let mut m = 0.0;
                for (&state, ridden) in line.states().iter().zip(&line.ridden) {
                    let edge = self.edge(state);
                    let (from_m, to_m) = (m, m + ridden[0]);
                    m = to_m;
                    if !limits.0.contains_key(&edge.piece()) {
                        continue;
                    }
                    let riding_s = draft.track.seconds_at(leg_m + from_m);
                    let Some(moment) = draft.moment(riding_s) else {
                        continue;
                    };
                    let place = draft.track.place_at(riding_s);
                    let zone = zone::zone_at(place.lat(), place.lon());
                    if let Some(kmh) = limits.of(edge, zone::local(zone, moment)) {
                        slow.push((from_m, to_m, kmh / 3.6));
                    }
                }
                leg_m += line.sums.length_m;
                if let Some(slower) = line.slowed(&slow) {
                    legs[leg].line = Arc::new(slower);
                }
            }
        }
        Ok(())
    }
}
