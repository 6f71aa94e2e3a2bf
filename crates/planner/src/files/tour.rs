//! From a plan to a ride that a unit can follow, and from a stranger's ride to a tour.

use std::collections::{BinaryHeap, HashSet};

use region::{LocalFrame, Point};

use super::names::{Letters, plain_name, unique_names};
use super::{Fix, Ride, Route, Track, Waypoint};
use crate::document::{PointKind, Tour, TourPoint};
use crate::plan::{Line, Plan};

/// Longest name of a point, characters; common practice for old units.
const POINT_NAME_MAX: usize = 14;
/// Longest name of a track or route, characters; common practice for old units.
const LINE_NAME_MAX: usize = 20;
/// Legs closer than this join without a gap, metres.
const JOINED_M: f64 = 1.0;

/// The ride of a whole plan, or of one of its days (from 0): the line as one track, a new segment
/// wherever it is interrupted; the planned points as a route; the stops as waypoints. Names are
/// short, ASCII and unlike each other; full names stay in the descriptions.
///
/// Legs without a line of their own (none found, or left out because the caller held it) are not
/// in the track, and the description says so. A day that is not there gives an empty ride.
pub fn ride_of_plan(tour: &Tour, plan: &Plan, day: Option<usize>) -> Ride {
    let last = tour.points.len().saturating_sub(1);
    let span = match day {
        None => Some((0, last)),
        Some(day) => plan
            .days
            .get(day)
            .map(|d| (d.first_point as usize, d.last_point as usize)),
    };
    let Some((first, last)) = span.filter(|&(a, b)| a <= b && b < tour.points.len()) else {
        return Ride::default();
    };

    let title = if tour.name.trim().is_empty() {
        "Tour"
    } else {
        tour.name.trim()
    };
    let (name, ending) = match day {
        Some(day) if plan.days.len() > 1 => {
            (format!("{title}, day {}", day + 1), format!(" {}", day + 1))
        }
        _ => (title.to_string(), String::new()),
    };
    let stem = plain_name(title, LINE_NAME_MAX - ending.len(), Letters::Ascii);
    let stem = if stem.is_empty() { "Tour".into() } else { stem };
    let line_name = stem + &ending;

    let (segments, missing) = segments(plan, first, last);
    let mut text = plan.cautions.clone();
    if missing > 0 {
        text.push_str(&format!(
            " Not in the track: {missing} {} for which no way was found.",
            if missing == 1 { "stretch" } else { "stretches" }
        ));
    }
    let route = route_points(tour, plan, first, last);
    let stops = (first..=last)
        .zip(&route)
        .filter(|&(i, _)| tour.points[i].kind == PointKind::Stop);
    let waypoints = stops.map(|(i, point)| {
        let at = Fix {
            lat: tour.points[i].lat,
            lon: tour.points[i].lon,
            ..point.at
        };
        Waypoint {
            at,
            ..point.clone()
        }
    });
    Ride {
        name,
        text,
        credit: plan
            .attribution
            .as_ref()
            .map(|a| a.trim_start_matches(['©', ' ']).to_string()),
        waypoints: waypoints.collect(),
        tracks: vec![Track {
            name: line_name.clone(),
            segments,
        }],
        routes: vec![Route {
            name: line_name,
            points: route,
        }],
        warnings: Vec::new(),
    }
}

/// The lines of the legs between two points, joined; and how many legs have none.
fn segments(plan: &Plan, first: usize, last: usize) -> (Vec<Vec<Fix>>, usize) {
    let mut segments: Vec<Vec<Fix>> = Vec::new();
    let mut missing = 0;
    let mut gap = true;
    for leg in plan.legs.get(first..last).unwrap_or_default() {
        let fixes: Vec<Fix> = match &leg.line {
            Some(line) if leg.trouble.is_none() => fixes(line).collect(),
            _ => Vec::new(),
        };
        let Some(start) = fixes.first() else {
            missing += 1;
            gap = true;
            continue;
        };
        let end = segments.last().and_then(|s| s.last());
        let joins =
            end.is_some_and(|end| region::distance_m(end.point(), start.point()) <= JOINED_M);
        if gap || !joins {
            segments.push(Vec::with_capacity(fixes.len()));
        }
        gap = false;
        if let Some(segment) = segments.last_mut() {
            for fix in fixes {
                // The end of one leg is the start of the next; and a leg may be a single place.
                if segment.last().is_none_or(|l| l.point() != fix.point()) {
                    segment.push(fix);
                }
            }
        }
    }
    (segments, missing)
}

fn fixes(line: &Line) -> impl Iterator<Item = Fix> {
    let places = line.lat.iter().zip(&line.lon).enumerate();
    let sound = places.filter(|(_, (lat, lon))| lat.abs() <= 90.0 && lon.abs() <= 180.0);
    sound.map(|(i, (&lat, &lon))| Fix {
        lat,
        lon,
        height_m: line.height_m.get(i).copied().flatten(),
        time_s: None,
    })
}

/// The tour's points as the line passes them, with short names.
fn route_points(tour: &Tour, plan: &Plan, first: usize, last: usize) -> Vec<Waypoint> {
    let mut vias = 0;
    let mut points: Vec<Waypoint> = (first..=last)
        .map(|i| {
            let point = &tour.points[i];
            let mut name = plain_name(&point.name, POINT_NAME_MAX, Letters::Ascii);
            if point.kind == PointKind::Via {
                vias += 1;
            }
            if name.is_empty() {
                name = match point.kind {
                    PointKind::Via => format!("{vias:02}"),
                    PointKind::Stop if i == first => "Start".into(),
                    PointKind::Stop if i == last => "End".into(),
                    PointKind::Stop => "Stop".into(),
                };
            }
            let (lat, lon) = match plan.points.get(i) {
                Some(placed) => (placed.lat, placed.lon),
                None => (point.lat, point.lon),
            };
            Waypoint {
                at: Fix {
                    lat,
                    lon,
                    height_m: height_at(plan, i),
                    time_s: None,
                },
                name,
                text: point.name.clone(),
                kind: kind_word(point.kind).into(),
            }
        })
        .collect();
    let mut names: Vec<String> = points
        .iter_mut()
        .map(|p| std::mem::take(&mut p.name))
        .collect();
    unique_names(&mut names, POINT_NAME_MAX);
    for (point, name) in points.iter_mut().zip(names) {
        if point.text == name {
            point.text.clear();
        }
        point.name = name;
    }
    points
}

fn height_at(plan: &Plan, point: usize) -> Option<f32> {
    let line = |leg: Option<usize>| plan.legs.get(leg?).and_then(|l| l.line.as_ref());
    let leaving = line(Some(point)).and_then(|l| l.height_m.first().copied().flatten());
    let arriving = || line(point.checked_sub(1)).and_then(|l| l.height_m.last().copied().flatten());
    leaving.or_else(arriving)
}

fn kind_word(kind: PointKind) -> &'static str {
    match kind {
        PointKind::Stop => "stop",
        PointKind::Via => "via",
    }
}

/// Most points that one track is described by.
const TRACK_POINTS: usize = 25;
/// Most points kept of one route.
const ROUTE_POINTS: usize = 100;
/// Track points that lie closer than this to the simplified line are not worth a via, metres.
const TOLERANCE_M: f64 = 40.0;
/// Days that begin within this distance of the end of the day before begin at that stop, metres.
const SAME_PLACE_M: f64 = 200.0;

/// A tour to plan from, and what the rider should know about how it came about. Routes are
/// preferred to tracks, tracks to waypoints; several of a kind become days. A track becomes the
/// stops at its ends and vias where it departs most from the straight (Douglas & Peucker 1973,
/// Cartographica 10:112-122, worst first).
pub fn tour_of_ride(ride: &Ride, region: &str) -> (Tour, Vec<String>) {
    tour_by(ride, region, None)
}

/// Points of a day from the line of a track; `None` for one that it can make nothing of.
pub(crate) type DayOfLine<'a> = &'a mut dyn FnMut(&[Fix]) -> Option<Vec<TourPoint>>;

/// The same, with another way of turning a track into points.
pub(crate) fn tour_by(
    ride: &Ride,
    region: &str,
    day_of_line: Option<DayOfLine>,
) -> (Tour, Vec<String>) {
    let mut warnings = ride.warnings.clone();
    let routes: Vec<Vec<TourPoint>> = ride
        .routes
        .iter()
        .filter(|r| r.points.len() >= 2)
        .map(|r| day_of_route(r, ride))
        .collect();
    let lines: Vec<Vec<Fix>> = ride
        .tracks
        .iter()
        .map(|t| t.segments.concat())
        .filter(|line| line.len() >= 2)
        .collect();

    let points = if !routes.is_empty() {
        let longest = ride
            .routes
            .iter()
            .map(|r| r.points.len())
            .max()
            .unwrap_or(0);
        if longest > ROUTE_POINTS {
            warnings.push(format!(
                "a route has {longest} points: the {ROUTE_POINTS} that shape it most were kept"
            ));
        }
        say_days(routes.len(), "routes", &mut warnings);
        join_days(routes)
    } else if !lines.is_empty() {
        let days = match day_of_line {
            Some(day_of_line) => lines.iter().filter_map(|line| day_of_line(line)).collect(),
            None => {
                warnings.push(
                    "the track was turned into its ends and the points that shape it most: compare \
                     the new line with the old one and drag it where they differ"
                        .into(),
                );
                lines.iter().map(|line| day_of_track(line)).collect()
            }
        };
        say_days(lines.len(), "tracks", &mut warnings);
        join_days(days)
    } else {
        if ride.waypoints.len() > 1 {
            warnings.push("the file has places only: they became stops in the file's order".into());
        }
        let mut points = Vec::new();
        for waypoint in ride.waypoints.iter().take(ROUTE_POINTS) {
            points.push(tour_point(PointKind::Stop, &waypoint.at, &waypoint.name));
        }
        if ride.waypoints.len() > ROUTE_POINTS {
            warnings.push(format!(
                "of {} places the first {ROUTE_POINTS} were kept",
                ride.waypoints.len()
            ));
        }
        points
    };
    if points.is_empty() {
        warnings.push("the file holds no point to ride to".into());
    }

    let first_name = |mut names: Box<dyn Iterator<Item = &String> + '_>| {
        names.find(|n| !n.is_empty()).cloned().unwrap_or_default()
    };
    let name = if ride.name.is_empty() {
        let routes = ride.routes.iter().map(|r| &r.name);
        first_name(Box::new(routes.chain(ride.tracks.iter().map(|t| &t.name))))
    } else {
        ride.name.clone()
    };
    let tour = Tour {
        name,
        ..Tour::new(region, "fastest", points)
    };
    (tour, warnings)
}

fn say_days(count: usize, what: &str, warnings: &mut Vec<String>) {
    if count > 1 {
        warnings.push(format!(
            "the file has {count} {what}: each became a day, in the file's order"
        ));
    }
}

/// Days one after the other; where one begins at the end of the day before, the stop is shared.
fn join_days(days: Vec<Vec<TourPoint>>) -> Vec<TourPoint> {
    let mut points: Vec<TourPoint> = Vec::new();
    for day in days {
        let mut day = day.into_iter().peekable();
        if let (Some(end), Some(start)) = (points.last_mut(), day.peek()) {
            end.ends_day = true;
            if region::distance_m(place(end), place(start)) <= SAME_PLACE_M {
                day.next();
            } else {
                // The way between the two is nobody's plan: the new day starts with it.
                end.kind = PointKind::Stop;
            }
        }
        points.extend(day);
    }
    points
}

fn place(point: &TourPoint) -> Point {
    Point::from_degrees(point.lat, point.lon).unwrap_or_default()
}

fn tour_point(kind: PointKind, at: &Fix, name: &str) -> TourPoint {
    TourPoint {
        name: name.into(),
        ..TourPoint::new(kind, [at.lat, at.lon])
    }
}

fn day_of_route(route: &Route, ride: &Ride) -> Vec<TourPoint> {
    let places: Vec<Fix> = route.points.iter().map(|p| p.at).collect();
    let kept = shaping_points(&places, ROUTE_POINTS, 0.0);
    let named: HashSet<&str> = ride
        .waypoints
        .iter()
        .map(|w| w.name.as_str())
        .filter(|n| !n.is_empty())
        .collect();
    let last = route.points.len() - 1;
    let day = kept.into_iter().map(|i| {
        let point = &route.points[i];
        let halts = point.kind == "stop" || named.contains(point.name.as_str());
        let is_end = i == 0 || i == last;
        let kind = if is_end || (halts && point.kind != "via") {
            PointKind::Stop
        } else {
            PointKind::Via
        };
        // The full name, where the short one was made for a unit; no numbers of vias.
        let numbered = point.name.bytes().all(|b| b.is_ascii_digit());
        let name = match (point.kind.as_str(), numbered) {
            ("stop" | "via", _) if !point.text.is_empty() => &point.text,
            ("via", true) => "",
            _ => point.name.as_str(),
        };
        tour_point(kind, &point.at, name)
    });
    day.collect()
}

fn day_of_track(line: &[Fix]) -> Vec<TourPoint> {
    let kept = shaping_points(line, TRACK_POINTS, TOLERANCE_M);
    let ends = [0, line.len() - 1];
    let kind = |i: usize| {
        if ends.contains(&i) {
            PointKind::Stop
        } else {
            PointKind::Via
        }
    };
    kept.into_iter()
        .map(|i| tour_point(kind(i), &line[i], ""))
        .collect()
}

/// Indices, ascending, of at most `budget` (≥ 2) points that shape a line most: its ends, then
/// always the point farthest from the line through those taken, until none is farther than
/// `tolerance_m`. A line that fits the budget and has no tolerance is kept whole.
fn shaping_points(line: &[Fix], budget: usize, tolerance_m: f64) -> Vec<usize> {
    if line.len() <= 2 || (line.len() <= budget && tolerance_m <= 0.0) {
        return (0..line.len()).collect();
    }
    let frame = LocalFrame::at(line[line.len() / 2].point());
    let flat: Vec<[f64; 2]> = line.iter().map(|f| frame.to_m(f.point())).collect();
    let farthest = |from: usize, to: usize| -> Option<(u64, usize, usize, usize)> {
        let far = (from + 1..to).map(|i| (distance_to_line_m(flat[i], flat[from], flat[to]), i));
        let (off_m, at) = far.max_by(|a, b| a.0.total_cmp(&b.0))?;
        // Millimetres make the order total.
        (off_m > tolerance_m).then_some(((off_m * 1000.0) as u64, at, from, to))
    };
    let mut kept = vec![0, line.len() - 1];
    let mut heap: BinaryHeap<_> = farthest(0, line.len() - 1).into_iter().collect();
    while kept.len() < budget.max(2) {
        let Some((_, at, from, to)) = heap.pop() else {
            break;
        };
        kept.push(at);
        heap.extend(farthest(from, at));
        heap.extend(farthest(at, to));
    }
    kept.sort_unstable();
    kept
}

/// Distance of a point from the straight line between two others, ends included, metres.
fn distance_to_line_m(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length2 = dx * dx + dy * dy;
    let along = if length2 > 0.0 {
        (((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / length2).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (p[0] - a[0] - along * dx).hypot(p[1] - a[1] - along * dy)
}
