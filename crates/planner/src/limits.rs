//! Speed limits that hold at some hours only: `maxspeed:conditional`, asked for the hour at which the
//! rider is there. A lower limit slows the line down; a higher one is left to the sign, as nothing
//! is lost by being planned too slow.

use std::collections::HashMap;
use std::sync::Arc;

use region::{Edge, Region};

use crate::Planner;
use crate::assemble::Built;
use crate::day::Draft;
use crate::day::law::Conditional;
use crate::day::zone;
use crate::document::Tour;
use crate::line::LegLine;
use crate::plan::PlanError;

/// What `maxspeed=walk` comes to, as when the map is imported.
const WALK_KMH: f64 = 7.0;

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

/// `60`, `60 km/h`, `40 mph`, `walk`; nothing for other words.
fn kmh(text: &str) -> Option<f64> {
    let text = text.trim();
    if text == "walk" {
        return Some(WALK_KMH);
    }
    let (number, per) = match text.strip_suffix("mph") {
        Some(miles) => (miles, 1.609_344),
        None => (text.strip_suffix("km/h").unwrap_or(text), 1.0),
    };
    let value: f64 = number.trim().parse().ok()?;
    (value.is_finite() && value > 0.0).then_some(value * per)
}

/// A stretch of a leg, metres from its start, and the speed that holds there, m/s.
type Slow = (f64, f64, f64);

/// Slower lines are asked again for their later hours at most this often.
const MOST_ROUNDS: usize = 8;

impl Planner {
    /// Slows lines down where a lower limit holds at the hour at which one is there. Being later is being
    /// there at other hours: lines are asked again until nothing more is slowed.
    pub(crate) fn keep_limits(&self, tour: &Tour, legs: &mut [Built]) -> Result<(), PlanError> {
        let limits = self.limits.get_or_init(|| Limits::new(self.region()));
        let meets = |leg: &Built| {
            let mut pieces = leg.line.states().iter().map(|&s| self.edge(s).piece());
            pieces.any(|piece| limits.0.contains_key(&piece))
        };
        if tour.depart.is_none() || limits.0.is_empty() || !legs.iter().any(meets) {
            return Ok(());
        }
        let asked: Vec<Arc<LegLine>> = legs.iter().map(|leg| leg.line.clone()).collect();
        let mut slow: Vec<Vec<Slow>> = vec![Vec::new(); legs.len()];
        for _ in 0..MOST_ROUNDS {
            let lines: Vec<&LegLine> = legs.iter().map(|leg| &*leg.line).collect();
            let mut any = false;
            let mut slower: Vec<(usize, LegLine)> = Vec::new();
            for draft in self.drafts(tour, &lines)? {
                let mut leg_m = 0.0;
                for leg in draft.first..draft.last {
                    // What was slowed once stays so, or two hours might take turns for ever.
                    let found = self.limited(limits, &draft, leg_m, lines[leg]);
                    let new = found.into_iter().filter(|s| !slow[leg].contains(s));
                    let new: Vec<Slow> = new.collect();
                    leg_m += lines[leg].sums.length_m;
                    if !new.is_empty() {
                        any = true;
                        slow[leg].extend(new);
                        slower.extend(asked[leg].slowed(&slow[leg]).map(|line| (leg, line)));
                    }
                }
            }
            for (leg, line) in slower {
                legs[leg].line = Arc::new(line);
            }
            if !any {
                break;
            }
        }
        Ok(())
    }

    /// Where limits of the hour hold on a leg that begins so many metres into a day: the lower of those
    /// at the hours at which one comes to an edge and leaves it.
    fn limited(&self, limits: &Limits, draft: &Draft, leg_m: f64, line: &LegLine) -> Vec<Slow> {
        let mut slow = Vec::new();
        let mut m = 0.0;
        for (&state, ridden) in line.states().iter().zip(&line.ridden) {
            let edge = self.edge(state);
            let (from_m, to_m) = (m, m + ridden[0]);
            m = to_m;
            if !limits.0.contains_key(&edge.piece()) {
                continue;
            }
            let then = |m: f64| {
                let riding_s = draft.track.seconds_at(leg_m + m);
                let place = draft.track.place_at(riding_s);
                let zone = zone::zone_at(place.lat(), place.lon());
                limits.of(edge, zone::local(zone, draft.moment(riding_s)?))
            };
            let lower = [then(from_m), then(to_m)].into_iter().flatten();
            if let Some(kmh) = lower.min_by(f64::total_cmp) {
                slow.push((from_m, to_m, kmh / 3.6));
            }
        }
        slow
    }
}
