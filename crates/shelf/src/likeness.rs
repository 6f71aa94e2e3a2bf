//! Telling whether two recordings are the same ride, saved again, thinned, or stripped of times.
//!
//! Riding one road every day makes different rides, and a clock set to another zone does not. So
//! where both have times, the rider must have been at the same place at every share of the time,
//! and the clocks may differ by whole quarters of an hour. Where one has none, each line must run
//! along the other, in the same direction.

use planner::files::Fix;
use region::{LocalFrame, Point};

use crate::cleaning::apart_m;
use crate::packed::{put, put_signed, take, take_signed};
use crate::pyramid::Line;

/// Places that describe a ride.
const PLACES: usize = 48;
/// How far lines may lie apart, metres: receiver noise, a thinned curve.
const OFF_M: f64 = 60.0;
/// How far places at one moment may lie apart, metres: a thinned curve is cut short.
const AT_ONCE_M: f64 = 200.0;
/// The same for the worst few of them.
const AT_WORST_M: f64 = 600.0;
/// Thinning shortens, unevenly: how far places at equal shares of the length may lie apart, as a
/// share of the length.
const OFF_SHARE: f64 = 0.03;
/// How much the lengths may differ where no clock tells rides apart, as a share. Where there is
/// one, they may differ at will: one point in twenty seconds cuts half of a winding road's length.
const UNTIMED_LENGTH_SHARE: f64 = 0.1;
/// How much the starts, besides whole quarters of an hour, and the durations may differ, seconds.
const OFF_S: f64 = 30.0;

/// What is compared.
#[derive(Clone, Debug, PartialEq)]
pub struct Likeness {
    length_m: f64,
    /// Places at even shares of the length.
    by_length: Vec<Point>,
    /// Start, Unix seconds; duration, seconds; places at even shares of it.
    by_time: Option<(f64, f64, Vec<Point>)>,
}

impl Likeness {
    /// Describes a recording of two points or more.
    pub fn of(runs: &[Vec<Fix>], length_m: f64) -> Self {
        let fixes: Vec<&Fix> = runs.iter().flatten().collect();
        let mut way_m = 0.0;
        let mut before: Option<Point> = None;
        let by_length = places(&fixes, length_m, |f| {
            let p = f.point();
            way_m += before.replace(p).map_or(0.0, |b| apart_m(b, p));
            way_m
        });
        let ends = fixes.first().zip(fixes.last());
        let by_time = ends
            .and_then(|(a, b)| a.time_s.zip(b.time_s))
            .map(|(start, end)| {
                let mut last = 0.0;
                let at = places(&fixes, end - start, |f| {
                    last = f.time_s.map_or(last, |t| t - start);
                    last
                });
                (start, end - start, at)
            });
        Likeness {
            length_m,
            by_length,
            by_time,
        }
    }

    /// Whether both are the same ride; `lines` are those of both, asked for only if needed.
    pub fn is_same_ride(&self, other: &Self, lines: impl FnOnce() -> [Line; 2]) -> bool {
        if let (Some((start, lasts, at)), Some((other_start, other_lasts, other_at))) =
            (&self.by_time, &other.by_time)
        {
            let off_s = start - other_start;
            // Zones reach from -12 to +14 hours.
            let quarters = (off_s / 900.0).round();
            return quarters.abs() <= 104.0
                && (off_s - quarters * 900.0).abs() <= OFF_S
                && (lasts - other_lasts).abs() <= OFF_S
                && share(at, other_at, AT_WORST_M) == 1.0
                && share(at, other_at, AT_ONCE_M) >= 0.9;
        }
        let longer_m = self.length_m.max(other.length_m);
        let differ_m = (self.length_m - other.length_m).abs();
        let off_m = OFF_M + OFF_SHARE * longer_m;
        if differ_m > OFF_M + UNTIMED_LENGTH_SHARE * longer_m
            || share(&self.by_length, &other.by_length, off_m) < 1.0
        {
            return false;
        }
        let [a, b] = lines();
        let along = |a: &Line, b: &Line| a.sampled(PLACES).iter().all(|p| b.passes_near(*p, OFF_M));
        along(&a, &b) && along(&b, &a)
    }

    /// As bytes.
    pub fn pack(&self) -> Vec<u8> {
        let mut out = Vec::new();
        put(&mut out, (self.length_m * 10.0).round() as u64);
        put_places(&mut out, &self.by_length);
        if let Some((start, lasts, at)) = &self.by_time {
            put_signed(&mut out, (start * 1000.0).round() as i64);
            put_signed(&mut out, (lasts * 1000.0).round() as i64);
            put_places(&mut out, at);
        }
        out
    }

    /// From bytes; `None` for damage.
    pub fn unpack(mut raw: &[u8]) -> Option<Self> {
        let raw = &mut raw;
        let length_m = take(raw)? as f64 / 10.0;
        let by_length = take_places(raw)?;
        let by_time = match raw.is_empty() {
            true => None,
            false => {
                let (start, lasts) = (take_signed(raw)?, take_signed(raw)?);
                Some((
                    start as f64 / 1000.0,
                    lasts as f64 / 1000.0,
                    take_places(raw)?,
                ))
            }
        };
        Some(Likeness {
            length_m,
            by_length,
            by_time,
        })
    }
}

/// Places at even shares of a measure that does not fall along the fixes, from 0 to `total`.
fn places(fixes: &[&Fix], total: f64, mut measure: impl FnMut(&Fix) -> f64) -> Vec<Point> {
    let mut out = Vec::with_capacity(PLACES);
    let mut before: Option<(Point, f64)> = None;
    for fix in fixes {
        let (p, m) = (fix.point(), measure(fix));
        let (from, from_m) = before.replace((p, m)).unwrap_or((p, m));
        while out.len() < PLACES {
            let wanted = total * out.len() as f64 / (PLACES - 1) as f64;
            if wanted > m {
                break;
            }
            let share = if m > from_m {
                ((wanted - from_m) / (m - from_m)).clamp(0.0, 1.0)
            } else {
                0.0
            };
            let frame = LocalFrame::at(from);
            let [east, north] = frame.to_m(p);
            out.push(frame.to_point([east * share, north * share]));
        }
    }
    // Rounding may leave the end out.
    if let Some((last, _)) = before {
        out.resize(PLACES, last);
    }
    out
}

/// The share of places that lie no farther apart.
fn share(a: &[Point], b: &[Point], off_m: f64) -> f64 {
    let near = a
        .iter()
        .zip(b)
        .filter(|(a, b)| apart_m(**a, **b) <= off_m)
        .count();
    near as f64 / a.len().max(b.len()).max(1) as f64
}

fn put_places(out: &mut Vec<u8>, places: &[Point]) {
    put(out, places.len() as u64);
    let mut before = [0i64; 2];
    for p in places {
        let at = [p.lat_e7, p.lon_e7].map(i64::from);
        put_signed(out, at[0] - before[0]);
        put_signed(out, at[1] - before[1]);
        before = at;
    }
}

fn take_places(raw: &mut &[u8]) -> Option<Vec<Point>> {
    let len = take(raw)?;
    if len > PLACES as u64 {
        return None;
    }
    let mut at = [0i64; 2];
    let mut places = Vec::new();
    for _ in 0..len {
        for v in &mut at {
            *v = v.checked_add(take_signed(raw)?)?;
        }
        places.push(Point::from_degrees(at[0] as f64 / 1e7, at[1] as f64 / 1e7)?);
    }
    Some(places)
}
