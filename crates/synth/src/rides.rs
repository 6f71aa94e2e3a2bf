//! Invents recordings: rides over the roads of a world as a receiver would have written them, one
//! point a second, with its errors.

use std::collections::HashMap;
use std::fmt::Write;

use crate::country::Dice;
use crate::world::World;

/// Kinds of road that are ridden.
const RIDDEN: [&str; 8] = [
    "primary",
    "secondary",
    "tertiary",
    "unclassified",
    "residential",
    "primary_link",
    "secondary_link",
    "trunk",
];
/// Error of a receiver under the open sky, metres: it wanders slowly.
const WANDER_M: f64 = 4.0;

/// What is ridden on.
#[derive(Debug)]
pub struct Rides {
    places: Vec<(f64, f64)>,
    /// Neighbours of each place along a road.
    next: Vec<Vec<u32>>,
}

/// A point of an invented recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RidePoint {
    /// Degrees north, with the receiver's error.
    pub lat: f64,
    /// Degrees east, with the receiver's error.
    pub lon: f64,
    /// Metres above the sea.
    pub height_m: f64,
    /// Seconds since 1970.
    pub time_s: i64,
}

impl Rides {
    /// Collects the roads of a world.
    pub fn on(world: &World) -> Self {
        let mut rides = Rides {
            places: Vec::new(),
            next: Vec::new(),
        };
        let mut number: HashMap<i64, u32> = HashMap::new();
        for way in &world.ways {
            let kind = way
                .tags
                .iter()
                .find(|(k, _)| k == "highway")
                .map(|(_, v)| v.as_str());
            if !kind.is_some_and(|k| RIDDEN.contains(&k)) {
                continue;
            }
            let mut before: Option<u32> = None;
            for id in &way.refs {
                let Some(node) = world.node(*id) else {
                    before = None;
                    continue;
                };
                let place = *number.entry(*id).or_insert_with(|| {
                    rides.places.push(node.lat_lon());
                    rides.next.push(Vec::new());
                    (rides.places.len() - 1) as u32
                });
                if let Some(b) = before.replace(place) {
                    rides.next[b as usize].push(place);
                    rides.next[place as usize].push(b);
                }
            }
        }
        rides
    }

    /// A ride of so many points, one a second; none in a world without roads. Equal seeds give
    /// equal rides; each starts at another time.
    pub fn ride(&self, seed: u64, points: usize) -> Vec<RidePoint> {
        let mut dice = Dice::new(seed, 0x71de);
        let mut out = Vec::with_capacity(points);
        if self.places.is_empty() {
            return out;
        }
        let mut at = dice.below(self.places.len());
        let mut from = at;
        // A day between 2015 and 2025, a time of day, so that no two seeds start together.
        let mut time_s = 1_420_070_400
            + (seed as i64).wrapping_mul(7919).rem_euclid(3650) * 86_400
            + 21_600
            + dice.below(36_000) as i64;
        let (mut wander, mut speed) = ([0.0f64; 2], 12.0f64);
        let mut left_m = 0.0;
        while out.len() < points {
            let choices = &self.next[at];
            let on: Vec<u32> = choices
                .iter()
                .copied()
                .filter(|&n| n as usize != from)
                .collect();
            let to = match (on.is_empty(), choices.is_empty()) {
                (false, _) => *dice.pick(&on) as usize,
                (true, false) => from,
                (true, true) => dice.below(self.places.len()),
            };
            (from, at) = (at, to);
            let (a, b) = (self.places[from], self.places[at]);
            let shrink = a.0.to_radians().cos();
            let (north, east) = ((b.0 - a.0) * 111_200.0, (b.1 - a.1) * 111_200.0 * shrink);
            let long = north.hypot(east);
            while left_m < long && out.len() < points {
                let t = left_m / long.max(0.001);
                for w in &mut wander {
                    *w = *w * 0.95 + dice.between(-0.4, 0.4) * WANDER_M;
                }
                let (north, east) = (north * t + wander[0], east * t + wander[1]);
                let lat = a.0 + north / 111_200.0;
                let lon = a.1 + east / 111_200.0 / shrink;
                let height_m = 700.0 + 600.0 * (lat * 40.0).sin() * (lon * 31.0).cos();
                out.push(RidePoint {
                    lat,
                    lon,
                    height_m,
                    time_s,
                });
                time_s += 1;
                speed = (speed + dice.between(-1.5, 1.5)).clamp(6.0, 26.0);
                left_m += speed;
            }
            left_m -= long;
        }
        out
    }

    /// The same as GPX 1.1, as a unit would write it.
    pub fn gpx(&self, seed: u64, points: usize) -> String {
        gpx(&format!("Ride {seed}"), &self.ride(seed, points))
    }
}

/// Points as a GPX 1.1 track.
pub fn gpx(name: &str, points: &[RidePoint]) -> String {
    let mut out = String::with_capacity(points.len() * 110 + 300);
    out.push_str("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<gpx xmlns=\"http://www.topografix.com/GPX/1/1\" version=\"1.1\" creator=\"synth\">\n");
    let _ = writeln!(out, " <trk><name>{name}</name><trkseg>");
    for p in points {
        let (days, s) = (p.time_s.div_euclid(86_400), p.time_s.rem_euclid(86_400));
        let (y, m, d) = civil(days);
        let _ = writeln!(
            out,
            "  <trkpt lat=\"{:.7}\" lon=\"{:.7}\"><ele>{:.1}</ele><time>{y:04}-{m:02}-{d:02}T{:02}:{:02}:{:02}Z</time></trkpt>",
            p.lat,
            p.lon,
            p.height_m,
            s / 3600,
            s / 60 % 60,
            s % 60
        );
    }
    out.push_str(" </trkseg></trk>\n</gpx>\n");
    out
}

/// Year, month and day of a day since 1970-01-01 (proleptic Gregorian, years begun in March).
fn civil(days: i64) -> (i64, i64, i64) {
    let days = days + 719_468;
    let (era, day) = (days.div_euclid(146_097), days.rem_euclid(146_097));
    let year = (day - day / 1460 + day / 36_524 - day / 146_096) / 365;
    let day = day - (365 * year + year / 4 - year / 100);
    let month = (5 * day + 2) / 153;
    let (m, d) = (
        if month < 10 { month + 3 } else { month - 9 },
        day - (153 * month + 2) / 5 + 1,
    );
    (era * 400 + year + i64::from(m <= 2), m, d)
}
