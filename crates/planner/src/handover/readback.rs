//! Replaying files: the points of one, ours or anybody's, against the line of one.

use region::{LocalFrame, Point};
use serde::Serialize;
use thiserror::Error;

use super::compare::{flat, length};
use super::panel::Kit;
use super::replay::{Report, Snapping, Stage};
use crate::Planner;
use crate::files::Ride;

/// What marks a point after which the track is to be followed.
pub const FOLLOW_TRACK: &str = "Follow the track from here.";
/// Points farther than this from the line are said to be so, metres.
const FAR_M: f64 = 100.0;

/// Why files cannot be replayed.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ReplayError {
    /// Nothing to compare with.
    #[error("there is no track in the plan to compare with")]
    NoLine,
    /// Nothing to ride.
    #[error("there are no route points to ride: a route of two points at least is needed")]
    NoPoints,
    /// More than can be compared.
    #[error("the route has {0} points; {MOST_POINTS} are replayed at most")]
    TooMany(usize),
}

/// Most route points that are replayed.
pub const MOST_POINTS: usize = 20_000;

/// How points read from files hold a line.
#[derive(Clone, Debug, Serialize)]
pub struct Replayed {
    /// Route points ridden.
    pub points: usize,
    /// Length of the line, metres.
    pub length_m: f64,
    /// Every router of the panel.
    pub routers: Vec<Report>,
    /// Share of the line reproduced by the router that reproduces least, 0..=1.
    pub worst_share: f64,
    /// What should be known.
    pub notes: Vec<String>,
}

impl Planner {
    /// Rides the route points of `route`, or of `plan` itself, with every router of the kit, and
    /// compares with the tracks of `plan`, all in the order of the files.
    pub fn replay_ride(
        &self,
        plan: &Ride,
        route: Option<&Ride>,
        kit: &Kit,
    ) -> Result<Replayed, ReplayError> {
        let segments = plan.tracks.iter().flat_map(|t| &t.segments);
        let mut line: Vec<Point> = segments.flatten().map(|f| f.point()).collect();
        line.dedup();
        if line.len() < 2 {
            return Err(ReplayError::NoLine);
        }
        let (mut points, mut halts, mut follows) = (Vec::new(), Vec::new(), Vec::new());
        for route in &route.unwrap_or(plan).routes {
            let last = route.points.len().saturating_sub(1);
            for (i, point) in route.points.iter().enumerate() {
                let at = point.at.point();
                let is_end = i == 0 || i == last;
                let follow = point.text == FOLLOW_TRACK;
                // A route that begins where the one before ends goes on from there.
                if i == 0 && points.last() == Some(&at) {
                    if let Some(before) = follows.last_mut() {
                        *before = follow;
                    }
                    continue;
                }
                points.push(at);
                halts.push(is_end || point.kind == "stop");
                follows.push(follow);
            }
        }
        if points.len() < 2 {
            return Err(ReplayError::NoPoints);
        }
        if points.len() > MOST_POINTS {
            return Err(ReplayError::TooMany(points.len()));
        }
        let (stages, far) = stages(&line, &points, &follows);
        let routers = self.replay(kit, &points, &halts, &stages, Snapping::Nearest);
        let mut notes = Vec::new();
        if far > 0 {
            notes.push(format!(
                "{far} route points lie more than {FAR_M:.0} m from the line: is it the line of \
                 this route?"
            ));
        }
        if follows.contains(&true) {
            notes.push("Stretches that are to be ridden by the track are left out.".into());
        }
        Ok(Replayed {
            points: points.len(),
            length_m: super::course::points_length_m(&line),
            worst_share: routers.iter().map(|r| r.share).fold(1.0, f64::min),
            routers,
            notes,
        })
    }
}

/// Where on the line points lie, in order; and how many lie far from it. Of several places near a
/// point those are taken that keep the order and lie nearest; the ends of the line go to the
/// first and last point.
fn stages(line: &[Point], points: &[Point], follows: &[bool]) -> (Vec<Stage>, usize) {
    let frame = LocalFrame::at(line[line.len() / 2]);
    let flat_line = flat(line, frame);
    let mut along = vec![0.0];
    for pair in flat_line.windows(2) {
        along.push(along[along.len() - 1] + length(pair));
    }
    let whole = along[along.len() - 1];
    // Candidates of every point: (metres along, metres aside).
    let near: Vec<Vec<(f64, f64)>> = flat(points, frame)
        .into_iter()
        .map(|p| near(&flat_line, &along, p))
        .collect();
    let far = near
        .iter()
        .filter(|c| c.iter().all(|c| c.1 > FAR_M))
        .count();
    let mut cost: Vec<Vec<(f64, usize)>> = Vec::with_capacity(near.len());
    for (i, candidates) in near.iter().enumerate() {
        let row = candidates
            .iter()
            .map(|&(at, aside)| {
                let own = aside * aside / 100.0;
                if i == 0 {
                    return (own + at / 1e6, 0);
                }
                let before = near[i - 1].iter().zip(&cost[i - 1]).enumerate();
                let best = before
                    .filter(|(_, (b, _))| b.0 <= at + 1.0)
                    .map(|(k, (b, c))| (c.0 + (at - b.0) / 1e6, k))
                    .min_by(|a, b| a.0.total_cmp(&b.0));
                best.map_or((f64::INFINITY, 0), |(c, k)| (c + own, k))
            })
            .collect();
        cost.push(row);
    }
    let mut at = vec![0.0; points.len()];
    let mut chosen = cost.last().and_then(|row| {
        let all = row.iter().enumerate().rev();
        all.min_by(|a, b| a.1.0.total_cmp(&b.1.0)).map(|(k, _)| k)
    });
    for i in (0..points.len()).rev() {
        if let Some(k) = chosen {
            at[i] = near[i].get(k).map_or(0.0, |c| c.0);
            chosen = (i > 0).then(|| cost[i][k].1);
        }
    }
    at[0] = 0.0;
    let last = at.len() - 1;
    at[last] = whole;
    for i in 1..at.len() {
        at[i] = f64::max(at[i], at[i - 1]);
    }
    let stages = (0..last)
        .map(|i| match follows[i] {
            true => Stage::default(),
            false => Stage {
                line: slice(line, &flat_line, &along, frame, at[i], at[i + 1]),
                ..Stage::default()
            },
        })
        .collect();
    (stages, far)
}

/// Places where the line comes near a point, nearest first, at most eight; at least one.
fn near(line: &[[f64; 2]], along: &[f64], p: [f64; 2]) -> Vec<(f64, f64)> {
    let mut found: Vec<(f64, f64)> = Vec::new();
    for i in 1..line.len() {
        let (a, b) = (line[i - 1], line[i]);
        let d = [b[0] - a[0], b[1] - a[1]];
        let l2 = d[0] * d[0] + d[1] * d[1];
        let t = match l2 > 0.0 {
            true => (((p[0] - a[0]) * d[0] + (p[1] - a[1]) * d[1]) / l2).clamp(0.0, 1.0),
            false => 0.0,
        };
        let aside = (p[0] - a[0] - t * d[0]).hypot(p[1] - a[1] - t * d[1]);
        found.push((along[i - 1] + t * l2.sqrt(), aside));
    }
    let least = found.iter().map(|f| f.1).fold(f64::INFINITY, f64::min);
    found.retain(|f| f.1 <= least + 15.0);
    found.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.0.total_cmp(&b.0)));
    // One place a pass of the line.
    let mut kept: Vec<(f64, f64)> = Vec::new();
    for f in found {
        if kept.len() < 8 && kept.iter().all(|k| (k.0 - f.0).abs() > 60.0) {
            kept.push(f);
        }
    }
    kept.sort_by(|a, b| a.0.total_cmp(&b.0));
    kept
}

fn slice(
    line: &[Point],
    flat_line: &[[f64; 2]],
    along: &[f64],
    frame: LocalFrame,
    from: f64,
    to: f64,
) -> Vec<Point> {
    let place = |m: f64| {
        let i = along.partition_point(|&a| a < m).clamp(1, line.len() - 1);
        let (a, b, gap) = (flat_line[i - 1], flat_line[i], along[i] - along[i - 1]);
        let t = match gap > 0.0 {
            true => ((m - along[i - 1]) / gap).clamp(0.0, 1.0),
            false => 0.0,
        };
        frame.to_point([a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])])
    };
    let mut part = vec![place(from)];
    let inner = along
        .iter()
        .zip(line)
        .filter(|(m, _)| **m > from && **m < to);
    part.extend(inner.map(|(_, p)| *p));
    part.push(place(to));
    part.dedup();
    part
}
