//! Recordings for the tests: invented rides, and what people do to them.

use planner::files::{Fix, Ride, Track, write_gpx};
use synth::RidePoint;

/// A ride along a winding line, one point a second, some 17 m apart; `start_s` Unix seconds.
pub(crate) fn winding(lat: f64, lon: f64, points: usize, start_s: f64) -> Vec<Fix> {
    (0..points)
        .map(|i| {
            let t = i as f64;
            Fix {
                lat: lat + t * 1.2e-4 + (t / 40.0).sin() * 1e-3,
                lon: lon + t * 1.0e-4 + (t / 25.0).cos() * 1e-3,
                height_m: Some((600.0 + (t / 200.0).sin() * 150.0) as f32),
                time_s: Some(start_s + t),
            }
        })
        .collect()
}

/// One track of the segments as GPX.
pub(crate) fn gpx(name: &str, segments: Vec<Vec<Fix>>) -> Vec<u8> {
    let track = Track {
        name: name.into(),
        segments,
    };
    write_gpx(&Ride {
        tracks: vec![track],
        ..Ride::default()
    })
}

/// Points of an invented country as fixes.
pub(crate) fn fixes(points: &[RidePoint]) -> Vec<Fix> {
    let fix = |p: &RidePoint| Fix {
        lat: p.lat,
        lon: p.lon,
        height_m: Some(p.height_m as f32),
        time_s: Some(p.time_s as f64),
    };
    points.iter().map(fix).collect()
}
