//! Rides in and out of open formats: GPX 1.0 and 1.1, GeoJSON (RFC 7946), KML 2.2.
//!
//! Readers take bytes and tell the format from the content, never from the file's ending. They
//! refuse what cannot be trusted with one line saying what and where, and stay within bounds of
//! memory: at most [`MAX_BYTES`] of input, [`MAX_ITEMS`] points and containers, [`MAX_DEPTH`]
//! levels of nesting, no document type definitions and so no entities to expand. Writers give
//! bytes that strict readers and old units accept.

mod check;
mod coordinate;
mod decode;
mod geojson;
mod gpx;
mod grammar;
mod kml;
mod names;
mod time;
mod tour;
mod write_gpx;
mod xml;

pub use check::{Objection, Severity, check};
pub use coordinate::parse_coordinate;
pub use geojson::write_geojson;
pub use kml::write_kml;
pub use names::{Letters, file_names, plain_name, unique_names};
pub use time::{format_time, parse_time};
pub(crate) use tour::tour_by;
pub use tour::{ride_of_plan, tour_of_ride};
pub use write_gpx::write_gpx;

use region::Point;

/// Largest file that is read, bytes. Callers that stream stop here and report
/// [`ReadError::too_large`].
pub const MAX_BYTES: usize = 200_000_000;
/// Most points, segments, tracks, routes and waypoints together that one file may hold.
pub const MAX_ITEMS: usize = 5_000_000;
/// Deepest nesting of elements.
pub const MAX_DEPTH: usize = 100;

/// Everything that one file says about rides.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ride {
    /// Name of the whole.
    pub name: String,
    /// Free words about the whole.
    pub text: String,
    /// Whose map data it was made from, to be credited; without the copyright sign.
    pub credit: Option<String>,
    /// Lines on the ground.
    pub tracks: Vec<Track>,
    /// Sequences of points to be routed between.
    pub routes: Vec<Route>,
    /// Places by themselves.
    pub waypoints: Vec<Waypoint>,
    /// What the reader had to leave out or guess, in plain words; writers ignore it.
    pub warnings: Vec<String>,
}

/// A line on the ground, in pieces where it was interrupted.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Track {
    /// Name, may be empty.
    pub name: String,
    /// Contiguous lines; a segment may be empty.
    pub segments: Vec<Vec<Fix>>,
}

/// A sequence of points to be routed between.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Route {
    /// Name, may be empty.
    pub name: String,
    /// Points in riding order.
    pub points: Vec<Waypoint>,
}

/// A named place.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Waypoint {
    /// Where, and when it was recorded.
    pub at: Fix,
    /// Name, may be empty.
    pub name: String,
    /// Free words, may be empty.
    pub text: String,
    /// What it is: `stop`, `via`, or a stranger's word; may be empty.
    pub kind: String,
}

/// A position. |lat| ≤ 90, |lon| ≤ 180, both finite.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Fix {
    /// Degrees north.
    pub lat: f64,
    /// Degrees east.
    pub lon: f64,
    /// Metres above sea level.
    pub height_m: Option<f32>,
    /// Seconds since 1970-01-01T00:00:00Z, to the millisecond.
    pub time_s: Option<f64>,
}

impl Fix {
    /// The place without height and time, to 1e-7 degree.
    pub fn point(&self) -> Point {
        Point::from_degrees(self.lat, self.lon).unwrap_or_default()
    }
}

/// How much a ride holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Tracks.
    pub tracks: usize,
    /// Segments of all tracks, empty ones included.
    pub segments: usize,
    /// Points of all tracks.
    pub track_points: usize,
    /// Routes.
    pub routes: usize,
    /// Points of all routes.
    pub route_points: usize,
    /// Waypoints.
    pub waypoints: usize,
}

impl Ride {
    /// How much it holds.
    pub fn counts(&self) -> Counts {
        let segments = || self.tracks.iter().flat_map(|t| &t.segments);
        Counts {
            tracks: self.tracks.len(),
            segments: segments().count(),
            track_points: segments().map(Vec::len).sum(),
            routes: self.routes.len(),
            route_points: self.routes.iter().map(|r| r.points.len()).sum(),
            waypoints: self.waypoints.len(),
        }
    }

    /// Positions of all tracks one after the other; of all routes if there is no track.
    pub fn positions(&self) -> Vec<Fix> {
        let segments = self.tracks.iter().flat_map(|t| &t.segments);
        let tracks: Vec<Fix> = segments.flatten().copied().collect();
        if tracks.len() >= 2 {
            return tracks;
        }
        let points = self.routes.iter().flat_map(|r| &r.points);
        points.map(|p| p.at).collect()
    }

    /// Geodesic length of all tracks, metres, gaps between segments left out.
    pub fn track_length_m(&self) -> f64 {
        let segments = self.tracks.iter().flat_map(|t| &t.segments);
        segments.map(|s| length_m(s.iter())).sum()
    }
}

/// Geodesic length of a line, metres.
fn length_m<'a>(fixes: impl Iterator<Item = &'a Fix> + Clone) -> f64 {
    let next = fixes.clone().skip(1);
    fixes
        .zip(next)
        .map(|(a, b)| region::distance_m(a.point(), b.point()))
        .sum()
}

/// Why a file was not read. Every message is one line.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ReadError {
    /// No bytes, or nothing but blanks.
    #[error("{name} is empty: save or fetch it again")]
    Empty {
        /// File concerned.
        name: String,
    },
    /// More than [`MAX_BYTES`].
    #[error("{name} is larger than the {limit_mb} MB that are read: cut it into several files")]
    TooLarge {
        /// File concerned.
        name: String,
        /// The limit, megabytes.
        limit_mb: usize,
    },
    /// HTML saved under a ride's name.
    #[error("{name} is a web page, not a ride: fetch the file itself instead of its page")]
    WebPage {
        /// File concerned.
        name: String,
    },
    /// Some other kind of file.
    #[error("{name} is no GPX, KML or GeoJSON: {what}")]
    Foreign {
        /// File concerned.
        name: String,
        /// What it seems to be.
        what: String,
    },
    /// The right kind of file, but damaged, untrustworthy or impossible.
    #[error("{name}, line {line}: {what}")]
    Broken {
        /// File concerned.
        name: String,
        /// Line, from 1.
        line: usize,
        /// What is wrong, and in which element.
        what: String,
    },
}

impl ReadError {
    /// The refusal of a file that is longer than [`MAX_BYTES`], for callers that stream.
    pub fn too_large(name: &str) -> Self {
        ReadError::TooLarge {
            name: names::shown(name),
            limit_mb: MAX_BYTES / 1_000_000,
        }
    }
}

/// Reads a file of any known format. `name` is only used in messages.
pub fn read(name: &str, bytes: &[u8]) -> Result<Ride, ReadError> {
    if bytes.len() > MAX_BYTES {
        return Err(ReadError::too_large(name));
    }
    let shown = names::shown(name);
    let decode::Decoded { text, warning } =
        decode::decode(bytes).map_err(|what| ReadError::Foreign {
            name: shown.clone(),
            what,
        })?;
    let body = text.trim_start_matches(|c: char| c.is_whitespace() || c == '\u{feff}');
    let mut ride = match body.bytes().next() {
        None => return Err(ReadError::Empty { name: shown }),
        Some(b'{' | b'[') => geojson::read(&shown, &text)?,
        Some(b'<') => {
            let (xml, root) = xml::Xml::open(&shown, &text)?;
            match root.local() {
                "gpx" => gpx::read(xml)?,
                "kml" => kml::read(xml)?,
                html if html.eq_ignore_ascii_case("html") => {
                    return Err(ReadError::WebPage { name: shown });
                }
                other => {
                    let what = format!(
                        "it is XML, but its outermost element is <{}>",
                        names::shown(other)
                    );
                    return Err(ReadError::Foreign { name: shown, what });
                }
            }
        }
        Some(_) => {
            let what = "it begins neither with < nor with {".into();
            return Err(ReadError::Foreign { name: shown, what });
        }
    };
    ride.warnings.splice(0..0, warning);
    Ok(ride)
}

/// Counts what a reader keeps, so that no file can ask for more memory than is fair.
#[derive(Debug, Default)]
struct Budget {
    items: usize,
}

impl Budget {
    /// Takes one more item; the complaint when there are too many.
    fn take(&mut self) -> Result<(), String> {
        self.items += 1;
        if self.items <= MAX_ITEMS {
            return Ok(());
        }
        let millions = MAX_ITEMS / 1_000_000;
        Err(format!(
            "more than {millions} million points: cut the file into several"
        ))
    }
}

/// A latitude and a longitude from a file, or what is wrong with them.
fn position(lat: f64, lon: f64) -> Result<Fix, String> {
    if !lat.is_finite() || !lon.is_finite() {
        return Err("a coordinate is not a finite number".into());
    }
    let range = |what: &str, value: f64, limit: f64| {
        let hint = if lat.abs() <= 180.0 && lon.abs() <= 90.0 {
            "; are latitude and longitude swapped?"
        } else {
            ""
        };
        format!("{what} {value} is outside -{limit}..{limit}{hint}")
    };
    if lat.abs() > 90.0 {
        return Err(range("latitude", lat, 90.0));
    }
    if lon.abs() > 180.0 {
        return Err(range("longitude", lon, 180.0));
    }
    Ok(Fix {
        lat,
        lon,
        height_m: None,
        time_s: None,
    })
}

/// A height in a file: `None` for none, `Some(None)` for one that makes no sense.
fn height(text: &str) -> Option<Option<f32>> {
    let text = text.trim();
    if text.is_empty() {
        return None;
    }
    Some(text.parse::<f32>().ok().filter(|h| h.is_finite()))
}

/// Counts of unreadable side values, to be told once instead of a million times.
#[derive(Debug, Default)]
struct Oddities {
    heights: usize,
    times: usize,
}

impl Oddities {
    fn into_warnings(self, warnings: &mut Vec<String>) {
        for (count, what) in [(self.heights, "heights"), (self.times, "times")] {
            if count > 0 {
                warnings.push(format!(
                    "{count} {what} could not be read and were left out"
                ));
            }
        }
    }
}

/// 1e-7 degrees as fixed-point text with 7 decimals; what every writer writes.
fn degrees(value: f64) -> String {
    let e7 = (value * 1e7).round() as i64;
    let sign = if e7 < 0 { "-" } else { "" };
    format!(
        "{sign}{}.{:07}",
        e7.abs() / 10_000_000,
        e7.abs() % 10_000_000
    )
}

/// Metres as fixed-point text with one decimal, without a negative zero.
fn metres(value: f32) -> String {
    let text = format!("{value:.1}");
    if text == "-0.0" { "0.0".into() } else { text }
}
