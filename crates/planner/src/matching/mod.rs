//! Matching: on which roads a recording, or anybody's track, was ridden.
//!
//! A hidden Markov model after P. Newson and J. Krumm, "Hidden Markov Map Matching Through Noise and
//! Sparseness" (ACM GIS 2009, 336-343): a position lies about the road with normal noise, and the
//! way from one position to the next is about as long as the straight line between them. Beyond
//! the paper, places have a direction of travel; turning round, one-ways and turn bans cost
//! likelihood instead of being impossible, so that a recording that breaks a rule says so; and
//! being off all roads is a state of its own.
//!
//! One way: the recording is thinned ([`thin`]), each position gets places ([`near`]), ways between
//! them are searched ([`reach`]), the likeliest sequence is found ([`lattice`]) and put together as
//! edges ([`spans`]).

mod lattice;
mod near;
mod reach;
mod report;
mod spans;
mod thin;
mod tour;

use region::{Edge, Point};
use thiserror::Error;

use crate::Planner;
use crate::files::Fix;
use lattice::{HOPELESS, Lattice, Step};
use near::Near;
use reach::{Roads, Search};

pub use report::{MatchBreach, MatchGap, MatchPart, MatchReport};
pub use spans::edge_line;

/// Noise of a position, metres: 1.4826 times the median distance to the road (Newson and Krumm 2009,
/// section 4.2).
pub const SIGMA_M: f64 = 4.07;
/// Most noise that is believed, metres.
const MOST_SIGMA_M: f64 = 20.0;
/// Roads this far away are looked at, in standard deviations, and at least so many metres.
const RADIUS_SIGMAS: f64 = 8.0;
const RADIUS_M: f64 = 50.0;

/// Why a recording was not matched.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum MatchError {
    /// Nothing to match.
    #[error("there are {0} positions: a line of two at least is needed")]
    TooFew(usize),
    /// Told to stop.
    #[error("matching was called off")]
    Cancelled,
}

/// A recording laid on the roads.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Matched {
    /// In the order of the recording; each begins at the position at which the one before ends, or
    /// beyond a gap.
    pub parts: Vec<Part>,
    /// Stretches of which the recording says nothing.
    pub gaps: Vec<Gap>,
    /// Rules of the road that were not kept.
    pub breaches: Vec<Breach>,
    /// Positions of the recording.
    pub positions: usize,
    /// Positions that were looked at.
    pub looked_at: usize,
    /// Noise of the positions as measured: 1.4826 times the median distance to the road, metres.
    pub sigma_m: f64,
    /// Median of the difference between road and straight line divided by ln 2, metres.
    pub beta_m: f64,
}

/// A part of a recording, on roads or off.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// First position, index into the recording.
    pub first: usize,
    /// Last position, itself included.
    pub last: usize,
    /// Where it was ridden; `None` off the roads of the region, where the recording itself is all
    /// that is known.
    pub road: Option<Ridden>,
}

/// Edges ridden one after the other without turning round, but where a road ends.
#[derive(Clone, Debug, PartialEq)]
pub struct Ridden {
    /// In riding order, at least one; neighbours meet in a junction.
    pub edges: Vec<Edge>,
    /// Share of the first edge before the start, 0..=1.
    pub from: f64,
    /// Share of the last edge before the end, 0..=1.
    pub to: f64,
    /// Positions that were looked at, in order along the edges.
    pub anchors: Vec<Anchor>,
    /// Whether the next part begins by turning round here.
    pub turns_round: bool,
    /// Mean probability of the anchors given the whole recording, 0..=1.
    pub sure: f64,
}

/// A position laid on an edge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Anchor {
    /// Index into the recording.
    pub fix: usize,
    /// Index into the edges.
    pub step: usize,
    /// Share of the edge before it, 0..=1.
    pub share: f64,
    /// Metres from the road.
    pub off_m: f64,
    /// Probability of the place given the whole recording, 0..=1.
    pub sure: f64,
}

/// A stretch without positions.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gap {
    /// Last position before it.
    pub from: usize,
    /// First position after it.
    pub to: usize,
    /// How long it lasted, if known.
    pub seconds: Option<f64>,
    /// Between the two positions, metres.
    pub straight_m: f64,
    /// Along the roads by which it was bridged, metres; `None` if no likely way was found, or it
    /// begins or ends off the roads.
    pub road_m: Option<f64>,
}

/// A rule that was not kept.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Breach {
    /// Which part.
    pub part: usize,
    /// Index into its edges: the edge, or the one turned into.
    pub step: usize,
    /// Which rule.
    pub rule: Rule,
    /// Metres ridden so, or 0 for a turn.
    pub length_m: f64,
}

/// Rules of the road.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export, rename = "RoadRule"))]
#[serde(rename_all = "snake_case")]
pub enum Rule {
    /// Ridden against a one-way.
    OneWay,
    /// Ridden on a road that is closed to motorcycles.
    Closed,
    /// A turn that is banned, or led through a barrier.
    Turn,
}

/// The two parameters.
#[derive(Clone, Copy, Debug)]
struct Model {
    sigma_m: f64,
}

impl Model {
    /// Mean difference between the way and the straight line between two positions: it grows with
    /// their distance. The estimator of Newson and Krumm (2009, section 4.2: median over ln 2) gives
    /// about 1 m at 14 m, 4 m at 140 m and 40 m at 420 m on simulated rides in Andorra; the least
    /// mismatch there comes with somewhat more where positions are near each other.
    fn beta_m(self, straight_m: f64) -> f64 {
        let bends_m = (BETA_PER_M2 * straight_m * straight_m).min(MOST_BETA * straight_m);
        (BETA_M + bends_m) * (self.sigma_m / SIGMA_M)
    }
}

/// Near each other noise makes the difference, farther apart the bends between: in winding country
/// they lengthen a way by the square of its length, up to this share of it.
const BETA_M: f64 = 8.0;
const BETA_PER_M2: f64 = 1e-3;
const MOST_BETA: f64 = 0.12;

impl Planner {
    /// Finds the roads a recording was ridden on. Times are used where there are any, and need not
    /// be sound. `progress` is told the share done and what is being done, and stops the work by
    /// `false`.
    pub fn match_line(
        &self,
        fixes: &[Fix],
        progress: &dyn Fn(f64, &str) -> bool,
    ) -> Result<Matched, MatchError> {
        let mut search = Search::default();
        let first = Model { sigma_m: SIGMA_M };
        let steps = self.steps(fixes, first, &mut search, progress)?;
        let measured_m = sigma_m(&steps);
        // A poor receiver: once more with the noise it has.
        let (model, steps) = if measured_m > 1.5 * SIGMA_M {
            let model = Model {
                sigma_m: measured_m.clamp(2.0 * SIGMA_M, MOST_SIGMA_M),
            };
            (model, self.steps(fixes, model, &mut search, progress)?)
        } else {
            (first, steps)
        };
        let matched = spans::Assembly::new(self, &mut search, model).run(fixes, steps);
        Ok(matched)
    }

    fn roads(&self) -> Roads<'_> {
        let make = || reach::lost_m(self.region(), &self.clock);
        Roads::new(self.region(), &self.basis, self.lost_m.get_or_init(make))
    }

    fn steps(
        &self,
        fixes: &[Fix],
        model: Model,
        search: &mut Search,
        progress: &dyn Fn(f64, &str) -> bool,
    ) -> Result<Vec<Step>, MatchError> {
        let seen = thin::thinned(fixes, 2.0 * model.sigma_m);
        if seen.len() < 2 {
            return Err(MatchError::TooFew(seen.len()));
        }
        let region = self.region();
        let roads = self.roads();
        let mut near = Near::new(region);
        let mut lattice = Lattice::new(&roads, search, model);
        let radius_m = (RADIUS_SIGMAS * model.sigma_m).max(RADIUS_M);
        let mut steps = Vec::with_capacity(seen.len());
        for (i, &seen_here) in seen.iter().enumerate() {
            if i % 64 == 0 && !progress(i as f64 / seen.len() as f64, "matching to roads") {
                return Err(MatchError::Cancelled);
            }
            let places = near.places(seen_here.at, radius_m, model.sigma_m, f64::from(HOPELESS));
            lattice.push(seen_here, places, &mut steps);
        }
        lattice.finish(&mut steps);
        Ok(steps)
    }
}

/// Noise as measured (Newson and Krumm 2009, section 4.2).
fn sigma_m(steps: &[Step]) -> f64 {
    let off = steps.iter().filter_map(|s| Some(f64::from(s.place?.off_m)));
    1.4826 * median(off.collect())
}

fn median(mut values: Vec<f64>) -> f64 {
    let middle = values.len() / 2;
    if values.is_empty() {
        return 0.0;
    }
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Points of a matched road.
impl Ridden {
    /// Length ridden, metres.
    pub fn length_m(&self, region: &region::Region) -> f64 {
        let whole: f64 = self.edges.iter().map(|e| region.length_m(e.piece())).sum();
        let (Some(first), Some(last)) = (self.edges.first(), self.edges.last()) else {
            return 0.0;
        };
        let before = self.from * region.length_m(first.piece());
        let after = (1.0 - self.to) * region.length_m(last.piece());
        (whole - before - after).max(0.0)
    }

    /// Its points.
    pub fn line(&self, region: &region::Region) -> Vec<Point> {
        let last = self.edges.len().saturating_sub(1);
        let mut line: Vec<Point> = Vec::new();
        for (i, &edge) in self.edges.iter().enumerate() {
            let from = if i == 0 { self.from } else { 0.0 };
            let to = if i == last { self.to } else { 1.0 };
            let part = edge_line(region, edge, from, to);
            let known = usize::from(line.last() == part.first() && !line.is_empty());
            line.extend(&part[known..]);
        }
        line
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The estimators of Newson and Krumm (2009, section 4.2), worked by hand (numpy).
    #[test]
    fn noise_and_detours_are_estimated_as_published() {
        let of = |values: &[f64]| median(values.to_vec());
        let values = [1.0, 2.0, 3.0, 4.0, 100.0];
        assert!((1.4826 * of(&values) - 4.4478).abs() < 1e-9);
        assert!((of(&values) / std::f64::consts::LN_2 - 4.328_085).abs() < 1e-6);
        assert_eq!(of(&[]), 0.0);
    }

    #[test]
    fn the_longer_the_way_the_more_it_may_differ() {
        let model = Model { sigma_m: SIGMA_M };
        let mut before = 0.0;
        for straight_m in [0.0, 10.0, 100.0, 1000.0, 1e6] {
            let beta_m = model.beta_m(straight_m);
            assert!(beta_m > before, "{beta_m} at {straight_m}");
            before = beta_m;
        }
    }
}
