//! From a stranger's file to recordings: put in order, freed of leaps and of the dance of a parked
//! receiver, split at long halts, and measured.
//!
//! Points are only ever left out, never moved or invented, so that what is kept was recorded. The
//! limits are common practice: receivers err by metres while riding and by some tens of metres
//! beside a house.

use planner::files::{Fix, Ride};
use region::{Bounds, LocalFrame, Point, distance_m};

/// A halt, or a gap without any point, from which on two recordings are made of one, seconds.
pub const LONG_HALT_S: f64 = 3.0 * 3600.0;
/// A leap without any point between, from which on the same is done, metres.
pub const LONG_GAP_M: f64 = 50_000.0;
/// Faster than this nobody rides, metres a second (270 km/h).
const TOP_SPEED_M_S: f64 = 75.0;
/// A parked receiver stays within this radius,
const PARKED_RADIUS_M: f64 = 30.0;
/// for at least so long, seconds.
const PARKED_S: f64 = 90.0;
/// Slower than this one stands, metres a second.
const STANDING_M_S: f64 = 0.8;
/// A gap in the points from which on the line is drawn interrupted, metres.
const GAP_M: f64 = 1500.0;
/// Heights are believed once they differ by this much, metres: below it receivers waver.
const CLIMB_STEP_M: f32 = 10.0;
/// Less than this is no ride, metres.
const SHORTEST_M: f64 = 100.0;

/// A recording made of a file, or of a part of it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Recorded {
    /// As the file calls it; may be empty.
    pub name: String,
    /// Cleaned points; a new run begins where the recorder was off.
    pub runs: Vec<Vec<Fix>>,
    /// Points that were left out.
    pub left_out: u32,
    /// What was measured.
    pub facts: Facts,
}

/// What a recording says of itself.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Facts {
    /// First time, Unix seconds; `None` for a line without times.
    pub started_s: Option<f64>,
    /// Last time.
    pub ended_s: Option<f64>,
    /// Day of the start at the place of the start, `YYYY-MM-DD`, by the sun: one hour for 15
    /// degrees of longitude.
    pub date: Option<String>,
    /// Length, gaps of the recorder included.
    pub length_m: f64,
    /// Time in motion, seconds.
    pub riding_s: Option<f64>,
    /// Sum of climbs.
    pub climb_m: Option<f64>,
    /// Highest point.
    pub highest_m: Option<f64>,
    /// Points kept.
    pub points: u32,
}

/// What the recordings of a file are, in riding order; empty when it holds no ride.
pub fn recordings(ride: &Ride) -> Vec<Recorded> {
    let mut lines: Vec<(String, Vec<&[Fix]>)> = Vec::new();
    for track in &ride.tracks {
        let segments = track.segments.iter().filter(|s| !s.is_empty());
        lines.push((track.name.clone(), segments.map(Vec::as_slice).collect()));
    }
    let routes: Vec<(String, Vec<Fix>)> = match ride
        .tracks
        .iter()
        .all(|t| t.segments.iter().all(|s| s.len() < 2))
    {
        // A file without a track holds at least the line that it plans.
        true => ride
            .routes
            .iter()
            .map(|r| (r.name.clone(), r.points.iter().map(|w| w.at).collect()))
            .collect(),
        false => Vec::new(),
    };
    for (name, points) in &routes {
        lines.push((name.clone(), vec![points]));
    }
    lines.retain(|(_, segments)| !segments.is_empty());
    // Units write the current ride before the older ones.
    let start = |(_, segments): &(String, Vec<&[Fix]>)| {
        segments.iter().copied().flatten().find_map(|f| f.time_s)
    };
    if lines.iter().all(|l| start(l).is_some()) {
        lines.sort_by(|a, b| start(a).unwrap_or(0.0).total_cmp(&start(b).unwrap_or(0.0)));
    }
    let mut out = Vec::new();
    for (name, segments) in lines {
        let (first, total) = (out.len(), segments.iter().map(|s| s.len()).sum::<usize>());
        let timed = is_timed(&segments);
        let kept = without_leaps(&segments, timed);
        let kept = without_dance(kept, timed);
        let parts = split(kept);
        let kept: usize = parts.iter().flatten().map(Vec::len).sum();
        for runs in parts {
            let facts = measure(&runs);
            let moved = facts.length_m >= SHORTEST_M && spread_m(&runs) >= SHORTEST_M / 2.0;
            if facts.points >= 2 && moved {
                out.push(Recorded {
                    name: name.clone(),
                    runs,
                    left_out: 0,
                    facts,
                });
            }
        }
        if let Some(recorded) = out.get_mut(first) {
            recorded.left_out = (total - kept) as u32;
        }
    }
    out
}

/// Whether the times can be believed: there are some on nearly all points, and they run forwards.
fn is_timed(segments: &[&[Fix]]) -> bool {
    let fixes = || segments.iter().copied().flatten();
    let (total, timed) = (
        fixes().count(),
        fixes().filter(|f| f.time_s.is_some()).count(),
    );
    let mut backwards = 0;
    let mut forwards = 0;
    let mut before = None;
    for t in fixes().filter_map(|f| f.time_s) {
        match before {
            Some(b) if t < b => backwards += 1,
            Some(b) if t > b => forwards += 1,
            _ => {}
        }
        before = Some(t);
    }
    timed * 10 >= total * 9 && forwards > 0 && backwards * 20 <= forwards
}

/// Metres between two points: geodesic for far ones, flat for near ones.
pub fn apart_m(a: Point, b: Point) -> f64 {
    let [east, north] = LocalFrame::at(a).to_m(b);
    let flat = east.hypot(north);
    if flat > 2000.0 {
        distance_m(a, b)
    } else {
        flat
    }
}

/// One run of points per segment, without points that repeat, run back in time, or leap away and
/// back. Untimed lines lose their times altogether.
fn without_leaps(segments: &[&[Fix]], timed: bool) -> Vec<Vec<Fix>> {
    let mut out = Vec::new();
    let mut last_s = f64::NEG_INFINITY;
    for segment in segments {
        let mut run: Vec<Fix> = Vec::with_capacity(segment.len());
        for fix in *segment {
            let mut fix = *fix;
            if !timed {
                fix.time_s = None;
                if run.last().is_some_and(|b| b.point() == fix.point()) {
                    continue;
                }
            } else {
                match fix.time_s {
                    Some(t) if t > last_s => last_s = t,
                    _ => continue,
                }
            }
            run.push(fix);
        }
        let mut i = 1;
        let mut kept: Vec<Fix> = run.first().copied().into_iter().collect();
        while let Some(&fix) = run.get(i) {
            let before = kept.last().copied().unwrap_or(fix);
            let skip = match timed {
                true => leap_timed(before, &run[i..]),
                false => usize::from(leap_untimed(&kept, &run[i..])),
            };
            if skip == 0 {
                kept.push(fix);
                i += 1;
            } else {
                i += skip;
            }
        }
        if !kept.is_empty() {
            out.push(kept);
        }
    }
    out
}

/// Most points in a row that are taken for one leap.
const LEAP_POINTS: usize = 10;

/// How many of the points ahead are a leap: nobody can have got there, and what follows is near
/// again. A leap from which there is no return is a tunnel, a ferry or a fresh start.
fn leap_timed(before: Fix, ahead: &[Fix]) -> usize {
    let speed = |a: Fix, b: Fix| {
        let dt = b.time_s.unwrap_or(0.0) - a.time_s.unwrap_or(0.0);
        apart_m(a.point(), b.point()) / dt.max(0.001)
    };
    let Some(&first) = ahead.first() else {
        return 0;
    };
    let away = apart_m(before.point(), first.point());
    if away < 15.0 {
        return 0;
    }
    let impossible = speed(before, first) > TOP_SPEED_M_S;
    if impossible {
        let back = ahead
            .iter()
            .take(LEAP_POINTS + 1)
            .position(|&f| speed(before, f) <= TOP_SPEED_M_S);
        return back.unwrap_or(0);
    }
    // Out and back within seconds, much farther than it goes on: a reflection from a wall.
    let Some(&next) = ahead.get(1) else { return 0 };
    let (back, on) = (
        apart_m(first.point(), next.point()),
        apart_m(before.point(), next.point()),
    );
    let lasts = next.time_s.unwrap_or(0.0) - before.time_s.unwrap_or(0.0);
    let reflects = away > 40.0 && back > 40.0 && on * 4.0 < away.min(back) && lasts <= 10.0;
    usize::from(reflects)
}

/// The same without clock: out and back much farther than the points around lie apart.
fn leap_untimed(kept: &[Fix], ahead: &[Fix]) -> bool {
    let [first, next, ..] = ahead else {
        return false;
    };
    let Some(before) = kept.last() else {
        return false;
    };
    let (away, back) = (
        apart_m(before.point(), first.point()),
        apart_m(first.point(), next.point()),
    );
    let on = apart_m(before.point(), next.point());
    away.min(back) > 300.0 && on * 20.0 < away.min(back)
}

/// Of each time that a receiver stays in one place only the first and the last point are kept.
fn without_dance(runs: Vec<Vec<Fix>>, timed: bool) -> Vec<Vec<Fix>> {
    if !timed {
        return runs;
    }
    let thin = |run: Vec<Fix>| {
        let mut out: Vec<Fix> = Vec::with_capacity(run.len());
        let mut from = 0;
        while let Some(&anchor) = run.get(from) {
            let frame = LocalFrame::at(anchor.point());
            let stays = |f: &&Fix| {
                let [east, north] = frame.to_m(f.point());
                east * east + north * north <= PARKED_RADIUS_M * PARKED_RADIUS_M
            };
            let within = run[from..].iter().take_while(stays).count().max(1);
            let last = from + within - 1;
            let lasts = run[last].time_s.unwrap_or(0.0) - anchor.time_s.unwrap_or(0.0);
            out.push(anchor);
            if lasts >= PARKED_S && last > from {
                // The end stands where the start does: the way between was danced.
                out.push(run[last]);
                from = last + 1;
            } else {
                from += 1;
            }
        }
        out
    };
    runs.into_iter().map(thin).collect()
}

/// Recordings of one track: runs, split where the halt or the gap is long.
fn split(runs: Vec<Vec<Fix>>) -> Vec<Vec<Vec<Fix>>> {
    let mut out: Vec<Vec<Vec<Fix>>> = vec![Vec::new()];
    let mut before: Option<Fix> = None;
    for run in runs {
        let mut open: Vec<Fix> = Vec::new();
        for fix in run {
            if let Some(b) = before.replace(fix) {
                let halt_s = fix.time_s.zip(b.time_s).map_or(0.0, |(t, b)| t - b);
                let gap_m = apart_m(b.point(), fix.point());
                let ends = halt_s >= LONG_HALT_S || gap_m >= LONG_GAP_M;
                if (ends || gap_m >= GAP_M) && !open.is_empty() {
                    push_run(&mut out, std::mem::take(&mut open));
                }
                if ends {
                    out.push(Vec::new());
                }
            }
            open.push(fix);
        }
        push_run(&mut out, open);
    }
    out.retain(|runs| !runs.is_empty());
    out
}

fn push_run(out: &mut [Vec<Vec<Fix>>], run: Vec<Fix>) {
    if let Some(runs) = out.last_mut()
        && !run.is_empty()
    {
        runs.push(run);
    }
}

/// Measures cleaned runs.
pub fn measure(runs: &[Vec<Fix>]) -> Facts {
    let fixes = || runs.iter().flatten();
    let mut facts = Facts {
        started_s: fixes().find_map(|f| f.time_s),
        ended_s: fixes().rev().find_map(|f| f.time_s),
        points: fixes().count() as u32,
        ..Facts::default()
    };
    let mut riding_s = 0.0;
    for (a, b) in fixes().zip(fixes().skip(1)) {
        let m = apart_m(a.point(), b.point());
        facts.length_m += m;
        if let Some((t, u)) = a.time_s.zip(b.time_s)
            && u > t
            && m / (u - t) >= STANDING_M_S
        {
            riding_s += u - t;
        }
    }
    facts.riding_s = facts.started_s.map(|_| riding_s);
    let heights: Vec<f32> = fixes().filter_map(|f| f.height_m).collect();
    // Files without a barometer often say zero everywhere.
    if heights.len() * 2 >= facts.points as usize && heights.iter().any(|&h| h != heights[0]) {
        let (highest_m, climb_m) = climb(&heights);
        facts.highest_m = Some(f64::from(highest_m));
        facts.climb_m = Some(climb_m);
    }
    let first = fixes().next();
    facts.date = facts.started_s.zip(first).and_then(|(t, f)| {
        let local = t + (f.lon / 15.0).round() * 3600.0;
        let text = planner::files::format_time(local)?;
        text.get(..10).map(str::to_owned)
    });
    facts
}

/// Highest point and sum of climbs, of the median of three heights, with a threshold.
fn climb(heights: &[f32]) -> (f32, f64) {
    let n = heights.len();
    let smooth = |i: usize| {
        let mut three = [
            heights[i.saturating_sub(1)],
            heights[i],
            heights[(i + 1).min(n - 1)],
        ];
        three.sort_by(f32::total_cmp);
        three[1]
    };
    let (mut highest, mut low, mut sum) = (f32::MIN, smooth(0), 0.0);
    let mut top = low;
    for i in 0..n {
        let h = smooth(i);
        highest = highest.max(h);
        if h > top {
            top = h;
        } else if top - h >= CLIMB_STEP_M {
            // It goes down for good: what was climbed before counts.
            if top - low >= CLIMB_STEP_M {
                sum += f64::from(top - low);
            }
            (low, top) = (h, h);
        }
        if h < low {
            (low, top) = (h, h);
        }
    }
    if top - low >= CLIMB_STEP_M {
        sum += f64::from(top - low);
    }
    (highest, sum)
}

/// Diagonal of the box around all points, metres.
fn spread_m(runs: &[Vec<Fix>]) -> f64 {
    let mut bounds = Bounds::EMPTY;
    for fix in runs.iter().flatten() {
        bounds.include(fix.point());
    }
    let corner = |lon_e7, lat_e7| Point { lon_e7, lat_e7 };
    if bounds.west_e7 > bounds.east_e7 {
        return 0.0;
    }
    distance_m(
        corner(bounds.west_e7, bounds.south_e7),
        corner(bounds.east_e7, bounds.north_e7),
    )
}
