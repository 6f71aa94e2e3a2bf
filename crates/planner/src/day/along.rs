//! A day's line as columns, and what lies along it.

use std::sync::Arc;

use region::{Bounds, LocalFrame, PlaceKind, Point, Region};
use xxhash_rust::xxh3::Xxh3;

use crate::plan::{Line, Sums};
use crate::{Planner, lock};

/// Lines one after another: one row a vertex.
#[derive(Debug, Default)]
pub(crate) struct Track {
    pub at: Vec<Point>,
    /// Metres from the start.
    pub along_m: Vec<f64>,
    /// Seconds of riding from the start.
    pub riding_s: Vec<f64>,
    pub height_m: Vec<Option<f32>>,
    /// First row of each leg, and the end.
    pub leg_row: Vec<usize>,
    /// Spans of riding time on ferries, waiting included.
    pub ferries: Vec<(f64, f64)>,
}

impl Track {
    pub fn of<'a>(legs: impl IntoIterator<Item = (&'a Line, &'a Sums)>) -> Self {
        let mut track = Track::default();
        let (mut start_m, mut start_s) = (0.0, 0.0);
        for (line, sums) in legs {
            let first = track.at.len();
            track.leg_row.push(first);
            let points = line.lat.iter().zip(&line.lon);
            track.at.extend(
                points.map(|(&lat, &lon)| Point::from_degrees(lat, lon).unwrap_or_default()),
            );
            track
                .along_m
                .extend(line.distance_m.iter().map(|m| start_m + m));
            track
                .riding_s
                .extend(line.elapsed_s.iter().map(|s| start_s + s));
            track.height_m.extend(&line.height_m);
            for run in line.runs.iter().filter(|r| r.class == "ferry") {
                let s = |row: u32| track.riding_s[first + row as usize];
                let (from_s, to_s) = (s(run.from), s(run.to));
                match track.ferries.last_mut() {
                    Some(last) if from_s - last.1 < 1.0 => last.1 = to_s,
                    _ => track.ferries.push((from_s, to_s)),
                }
            }
            start_m += sums.length_m;
            start_s += sums.riding_s;
        }
        track.leg_row.push(track.at.len());
        track
    }

    pub fn length_m(&self) -> f64 {
        self.along_m.last().copied().unwrap_or(0.0)
    }

    pub fn total_s(&self) -> f64 {
        self.riding_s.last().copied().unwrap_or(0.0)
    }

    /// Value of a column where another, ascending, has a value.
    fn between(keys: &[f64], values: &[f64], key: f64) -> f64 {
        let i = keys
            .partition_point(|&k| k < key)
            .min(keys.len().max(1) - 1);
        if i == 0 || keys.is_empty() {
            return values.first().copied().unwrap_or(0.0);
        }
        let gap = keys[i] - keys[i - 1];
        let t = if gap > 0.0 {
            ((key - keys[i - 1]) / gap).clamp(0.0, 1.0)
        } else {
            1.0
        };
        values[i - 1] + t * (values[i] - values[i - 1])
    }

    /// Seconds of riding at a distance.
    pub fn seconds_at(&self, m: f64) -> f64 {
        Self::between(&self.along_m, &self.riding_s, m)
    }

    /// Distance at so many seconds of riding.
    pub fn metres_at(&self, s: f64) -> f64 {
        Self::between(&self.riding_s, &self.along_m, s)
    }

    /// Height at a distance, if it is known on both sides.
    pub fn height_at(&self, m: f64) -> Option<f32> {
        let last = self.at.len().checked_sub(1)?;
        let i = self.along_m.partition_point(|&k| k < m).min(last);
        let before = i.saturating_sub(1);
        let (low, high) = (self.height_m[before]?, self.height_m[i]?);
        let gap = self.along_m[i] - self.along_m[before];
        let t = if gap > 0.0 {
            ((m - self.along_m[before]) / gap).clamp(0.0, 1.0)
        } else {
            1.0
        };
        Some(low + (high - low) * t as f32)
    }

    /// Place at so many seconds of riding.
    pub fn place_at(&self, s: f64) -> Point {
        let last = self.at.len().saturating_sub(1);
        let i = self.riding_s.partition_point(|&k| k < s).min(last);
        let Some(&there) = self.at.get(i) else {
            return Point::default();
        };
        let before = i.saturating_sub(1);
        let gap = self.riding_s[i] - self.riding_s[before];
        if gap <= 0.0 {
            return there;
        }
        let t = ((s - self.riding_s[before]) / gap).clamp(0.0, 1.0);
        let frame = LocalFrame::at(self.at[before]);
        let [x, y] = frame.to_m(there);
        frame.to_point([x * t, y * t])
    }

    /// Seconds of riding at a point, the first one 0.
    pub fn riding_at_point(&self, point: usize) -> f64 {
        match point {
            0 => 0.0,
            p => {
                let end = self.leg_row.get(p).copied().unwrap_or(self.at.len());
                self.riding_s
                    .get(end.saturating_sub(1))
                    .copied()
                    .unwrap_or(0.0)
            }
        }
    }

    /// Leg a row belongs to.
    pub fn leg_of(&self, row: usize) -> usize {
        let legs = self.leg_row.len().saturating_sub(1);
        let after = self.leg_row.partition_point(|&first| first <= row);
        after.saturating_sub(1).min(legs.saturating_sub(1))
    }
}

/// A place of the region beside a track.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Beside {
    pub place: u32,
    /// Where along the track it is nearest, metres.
    pub at_m: f64,
    /// How far it lies aside, metres.
    pub aside_m: f64,
    /// Row of the track before it.
    pub row: usize,
}

/// A track is looked along in steps of about this length, metres.
const STEP_M: f64 = 2000.0;
/// A place that is passed again this much later is passed twice, metres.
const AGAIN_M: f64 = 5000.0;

impl Planner {
    /// Places of one kind beside a track, as [`beside`]. While one day of a tour is changed, the
    /// others ask again for what they had.
    pub(crate) fn beside_kept(
        &self,
        track: &Track,
        reach_m: f64,
        kind: PlaceKind,
    ) -> Arc<Vec<Beside>> {
        let mut hash = Xxh3::new();
        hash.update(&[kind as u8]);
        hash.update(&reach_m.to_bits().to_le_bytes());
        for (at, along_m) in track.at.iter().zip(&track.along_m) {
            hash.update(&at.lon_e7.to_le_bytes());
            hash.update(&at.lat_e7.to_le_bytes());
            hash.update(&along_m.to_bits().to_le_bytes());
        }
        let key = hash.digest128();
        if let Some(kept) = lock(&self.legs.beside).get(key) {
            return kept;
        }
        let found = Arc::new(beside(self.region(), track, reach_m, |k| k == kind));
        lock(&self.legs.beside).put(key, found.clone(), 8 + found.len());
        found
    }
}

/// Places of the wanted kinds within `reach_m` of the track, ascending along it.
pub(crate) fn beside(
    region: &Region,
    track: &Track,
    reach_m: f64,
    wanted: impl Fn(PlaceKind) -> bool,
) -> Vec<Beside> {
    let mut found: Vec<Beside> = Vec::new();
    let all = around(&track.at, reach_m);
    let here = |place: &u32| {
        let i = *place as usize;
        PlaceKind::from_code(region.place_kind()[i]).is_some_and(&wanted)
    };
    let spot = |place: u32| Point {
        lon_e7: region.place_lon_e7()[place as usize],
        lat_e7: region.place_lat_e7()[place as usize],
    };
    let places: Vec<(u32, Point)> = (region.places_in(all).into_iter())
        .filter(here)
        .map(|place| (place, spot(place)))
        .collect();
    let mut row = 0;
    while row + 1 < track.at.len() {
        let start_m = track.along_m[row];
        let mut end = row + 1;
        while end + 1 < track.at.len() && track.along_m[end] - start_m < STEP_M {
            end += 1;
        }
        let step = around(&track.at[row..=end], reach_m);
        for &(place, here) in places.iter().filter(|(_, at)| within(step, *at)) {
            let near = nearest(track, row, end, here);
            if let Some((aside_m, at_m, at_row)) = near.filter(|n| n.0 <= reach_m) {
                found.push(Beside {
                    place,
                    at_m,
                    aside_m,
                    row: at_row,
                });
            }
        }
        row = end;
    }
    found.sort_by(|a, b| a.place.cmp(&b.place).then(a.at_m.total_cmp(&b.at_m)));
    let mut kept: Vec<Beside> = Vec::new();
    for b in found {
        match kept.last_mut() {
            Some(last) if last.place == b.place && b.at_m - last.at_m < AGAIN_M => {
                if b.aside_m < last.aside_m {
                    *last = b;
                }
            }
            _ => kept.push(b),
        }
    }
    kept.sort_by(|a, b| a.at_m.total_cmp(&b.at_m).then(a.place.cmp(&b.place)));
    kept
}

/// A box that reaches so far beyond points on every side, or a little farther.
fn around(points: &[Point], reach_m: f64) -> Bounds {
    let mut b = Bounds::EMPTY;
    points.iter().for_each(|&p| b.include(p));
    let corner = |lon_e7, lat_e7| Bounds::around(Point { lon_e7, lat_e7 }, reach_m);
    let (low, high) = (corner(b.west_e7, b.south_e7), corner(b.east_e7, b.north_e7));
    // Degrees of longitude are shortest at the end that is nearer to a pole.
    let wide_e7 = [low, high].map(|c| (i64::from(c.east_e7) - i64::from(c.west_e7)) / 2);
    let wide_e7 = wide_e7[0].max(wide_e7[1]) as i32;
    Bounds {
        west_e7: b.west_e7.saturating_sub(wide_e7),
        south_e7: low.south_e7,
        east_e7: b.east_e7.saturating_add(wide_e7),
        north_e7: high.north_e7,
    }
}

fn within(b: Bounds, p: Point) -> bool {
    (b.west_e7..=b.east_e7).contains(&p.lon_e7) && (b.south_e7..=b.north_e7).contains(&p.lat_e7)
}

/// Distance, metres along the track, and row of the place of rows `from..=to` nearest to a point.
fn nearest(track: &Track, from: usize, to: usize, here: Point) -> Option<(f64, f64, usize)> {
    let frame = LocalFrame::at(here);
    let mut best: Option<(f64, f64, usize)> = None;
    let mut a = frame.to_m(track.at[from]);
    for row in from..to {
        let b = frame.to_m(track.at[row + 1]);
        let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
        let length2 = dx * dx + dy * dy;
        let t = if length2 > 0.0 {
            (-(a[0] * dx + a[1] * dy) / length2).clamp(0.0, 1.0)
        } else {
            0.0
        };
        let apart = (a[0] + t * dx).hypot(a[1] + t * dy);
        if best.is_none_or(|b| apart < b.0) {
            let m = track.along_m[row] + t * (track.along_m[row + 1] - track.along_m[row]);
            best = Some((apart, m, row));
        }
        a = b;
    }
    best
}
