//! What is handed over: points, files that fit the unit, and the proof.

use region::{LocalFrame, Point};
use serde::Serialize;
use thiserror::Error;

use super::compare::{flat, simplified};
use super::course::{Course, Part, Pin, Pins, TrackKind, points_length_m};
use super::panel::{Kit, Panel, Settings, models};
use super::readback::FOLLOW_TRACK;
use super::replay::{Report, Snapping};
use super::unit::{Element, Sheet};
use crate::Planner;
use crate::document::{PointKind, Tour};
use crate::files::{
    Fix, Ride, Route, Track, Waypoint, file_names, plain_name, unique_names, write_gpx,
};
use crate::plan::{CAUTIONS, PlanError};

/// Why nothing can be handed over.
#[derive(Debug, Error)]
pub enum HandoverError {
    /// The tour makes no sense.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// Fewer than two points.
    #[error("the tour has {0} points; a line to hand over needs two")]
    TooFew(usize),
    /// The caller gave up.
    #[error("the handover was cancelled")]
    Cancelled,
}

/// Everything about a handover.
#[derive(Clone, Debug, Serialize)]
pub struct Handover {
    /// Unit sheet used.
    pub unit: String,
    /// Points in riding order.
    pub points: Vec<HandedPoint>,
    /// Fewest points there can be for the panel and margin asked for, ends and stops included.
    pub minimum: usize,
    /// Whether a sweep from the end confirms the minimum.
    pub minimum_confirmed: bool,
    /// Length of the line, metres.
    pub length_m: f64,
    /// Points per 100 km.
    pub per_100_km: f64,
    /// What every router of the panel makes of the points.
    pub routers: Vec<Report>,
    /// Share of the line reproduced by the router that reproduces least, 0..=1.
    pub worst_share: f64,
    /// Margin asked for, thousandths.
    pub margin_permille: u32,
    /// What the files or the unit cannot hold.
    pub lost: Vec<Loss>,
    /// What the rider should know.
    pub notes: Vec<String>,
    /// Files that fit the sheet.
    pub files: Vec<HandedFile>,
    /// Folder on the unit, may be empty.
    pub folder: String,
}

/// A point of the route.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HandedPoint {
    /// Degrees north.
    pub lat: f64,
    /// Degrees east.
    pub lon: f64,
    /// `stop`, `via` (a point of the tour) or `shaping` (chosen to hold the line).
    pub kind: String,
    /// Name in the files.
    pub name: String,
    /// Road it stands on, may be empty.
    pub road: String,
    /// Kilometres from the start.
    pub km: f64,
    /// Metres to the nearest other road, 60 at most; 0 for points that stay where they are.
    pub clear_m: f64,
    /// Metres of road on which it could have stood.
    pub window_m: f64,
    /// From here on the track is to be followed, not the unit's own way.
    pub follow_track: bool,
}

/// A stretch that will not be ridden as planned.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Loss {
    /// Plain words, with the next step.
    pub text: String,
    /// Kilometres from the start.
    pub km: f64,
    /// Metres of line concerned.
    pub length_m: f64,
    /// The stretch, `[lat, lon]`.
    pub line: Vec<[f64; 2]>,
}

/// A file for the unit.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HandedFile {
    /// File name.
    pub name: String,
    /// Days in it, from 1.
    pub days: Vec<u32>,
    /// Points of each route.
    pub route_points: Vec<u32>,
    /// Points of each track.
    pub track_points: Vec<u32>,
    /// How far the track is off the line at most, metres, as Fréchet distance.
    pub track_off_m: f64,
    /// GPX.
    #[serde(skip)]
    pub bytes: Vec<u8>,
}

/// Pins `first..=last` that go out as one route.
struct Leg {
    day: usize,
    first: usize,
    last: usize,
}

impl Planner {
    /// Hands a tour over to a unit: chooses the points, rides them with the panel, makes the files.
    /// `progress` is told the share done and what is being done, and stops the work by `false`.
    pub fn handover(
        &self,
        tour: &Tour,
        sheet: &Sheet,
        settings: &Settings,
        progress: &dyn Fn(f64, &str) -> bool,
    ) -> Result<Handover, HandoverError> {
        let go_on = |share, what: &str| match progress(share, what) {
            true => Ok(()),
            false => Err(HandoverError::Cancelled),
        };
        if tour.points.len() < 2 {
            return Err(HandoverError::TooFew(tour.points.len()));
        }
        go_on(0.0, "planning the line")?;
        let course = self.course(tour)?;
        go_on(0.1, "weighing the roads for the panel")?;
        let kit = self.kit(&settings.panel);
        go_on(0.3, "choosing the points")?;
        let asked = self.pins(&course, &kit, settings);
        let (minimum, confirmed) = (asked.minimum, asked.sweeps_agree);
        let mut notes = Vec::new();
        let pins = self.fitted(&course, asked, sheet, settings, tour, &mut notes);
        let routes = legs(tour, &pins, sheet);
        go_on(0.6, "riding the points with the panel")?;
        let points: Vec<Point> = pins.pins.iter().map(|p| p.at).collect();
        let ends_route = |i: usize| routes.iter().any(|r| r.first == i || r.last == i);
        let halts: Vec<bool> = (0..points.len())
            .map(|i| pins.pins[i].stays || ends_route(i))
            .collect();
        let routers = self.replay(&kit, &points, &halts, &pins.stages, Snapping::Nearest);
        let worst_share = routers.iter().map(|r| r.share).fold(1.0, f64::min);
        go_on(0.9, "writing the files")?;
        let handed = self.handed_points(tour, &pins, sheet);
        let length_m = self.course_length_m(&course);
        let lost = self.lost(&course, &routers, sheet);
        say_more(&course, sheet, &mut notes);
        let files = self.files(tour, &course, &pins, &handed, &routes, sheet);
        Ok(Handover {
            unit: sheet.name.clone(),
            minimum,
            minimum_confirmed: confirmed,
            per_100_km: handed.len() as f64 / (length_m / 100_000.0).max(1e-9),
            points: handed,
            length_m,
            routers,
            worst_share,
            margin_permille: settings.margin_permille,
            lost,
            notes,
            files,
            folder: sheet.folder.clone(),
        })
    }

    /// Fewer points for a unit that takes one route a day and not enough points for it: a smaller
    /// margin first, then a smaller panel.
    fn fitted(
        &self,
        course: &Course,
        asked: Pins,
        sheet: &Sheet,
        settings: &Settings,
        tour: &Tour,
        notes: &mut Vec<String>,
    ) -> Pins {
        let most = sheet.route_points as usize;
        let fits = |pins: &Pins| {
            let legs = days(tour, pins);
            legs.iter().all(|l| l.last - l.first < most)
        };
        if sheet.splits || !sheet.routes() || fits(&asked) {
            return asked;
        }
        let all = models();
        let mut easier: Vec<(u32, Vec<_>)> = vec![(0, settings.panel.routers.clone())];
        easier.extend([all.len(), 6, 3, 1].map(|n| (0, all[..n].to_vec())));
        let wanted = asked.pins.len();
        let mut pins = asked;
        for (margin_permille, routers) in easier {
            let settings = Settings {
                margin_permille,
                panel: Panel { routers },
                ..settings.clone()
            };
            let kit = Kit::new(
                self.region(),
                &self.clock,
                self.stranger_roads(),
                settings.panel.clone(),
            );
            pins = self.pins(course, &kit, &settings);
            if fits(&pins) {
                break;
            }
        }
        while !fits(&pins) {
            // Still too many: leave out the point whose neighbours are nearest to each other.
            let over = days(tour, &pins)
                .into_iter()
                .find(|l| l.last - l.first >= most);
            let Some(leg) = over else { break };
            let gap = |i: &usize| pins.pins[i + 1].line_m - pins.pins[i - 1].line_m;
            let spare = (leg.first + 1..leg.last).filter(|&i| !pins.pins[i].stays);
            let Some(i) = spare.min_by(|a, b| gap(a).total_cmp(&gap(b))) else {
                break;
            };
            pins.pins.remove(i);
            let next = pins.stages.remove(i);
            let stage = &mut pins.stages[i - 1];
            stage.line.extend(next.line);
            stage.edges.clear();
        }
        notes.push(format!(
            "The unit takes {most} points a day in one route: {} are given where the panel asks for \
             {wanted}. What that costs is listed; take a unit sheet that allows several routes, or \
             end a day earlier.",
            pins.pins.len()
        ));
        pins
    }

    fn handed_points(&self, tour: &Tour, pins: &Pins, sheet: &Sheet) -> Vec<HandedPoint> {
        let region = self.region();
        let most = sheet.name_length as usize;
        let mut shaping = 0;
        let last = pins.pins.len().saturating_sub(1);
        let mut points: Vec<HandedPoint> = pins
            .pins
            .iter()
            .enumerate()
            .map(|(i, pin)| {
                let tour_point = pin.tour_point.map(|p| &tour.points[p]);
                let kind = match tour_point.map(|p| p.kind) {
                    Some(PointKind::Stop) => "stop",
                    Some(PointKind::Via) => "via",
                    None => "shaping",
                };
                let given = tour_point.map_or("", |p| p.name.as_str());
                let mut name = plain_name(given, most, sheet.letters.letters());
                if name.is_empty() && kind == "stop" {
                    name = match i {
                        0 => "Start".into(),
                        i if i == last => "End".into(),
                        _ => "Stop".into(),
                    };
                } else if name.is_empty() {
                    shaping += 1;
                    name = format!("{shaping:03}");
                }
                let road = pin.edge.map_or(String::new(), |edge| {
                    let p = edge as usize / 2;
                    let name = region.string(region.piece_name()[p]);
                    let number = region.string(region.piece_ref()[p]);
                    if name.is_empty() { number } else { name }.to_owned()
                });
                HandedPoint {
                    lat: pin.at.lat(),
                    lon: pin.at.lon(),
                    kind: kind.into(),
                    name,
                    road,
                    km: (pin.line_m / 10.0).round() / 100.0,
                    clear_m: pin.clear_m.round(),
                    window_m: pin.window_m.round(),
                    follow_track: pin.track_follows,
                }
            })
            .collect();
        let mut names: Vec<String> = points.iter().map(|p| p.name.clone()).collect();
        unique_names(&mut names, most);
        for (point, name) in points.iter_mut().zip(names) {
            point.name = name;
        }
        points
    }

    fn lost(&self, course: &Course, routers: &[Report], sheet: &Sheet) -> Vec<Loss> {
        let mut lost = Vec::new();
        let mut km = 0.0;
        for part in &course.parts {
            let line = self.part_line(part);
            let length_m = points_length_m(&line);
            let degrees = || line.iter().map(|p| [p.lat(), p.lon()]).collect();
            match part {
                Part::Track(_, TrackKind::NoWay) => lost.push(Loss {
                    text: "No road was found here: the file holds a straight line. Move the \
                           points or draw the leg by hand."
                        .into(),
                    km,
                    length_m,
                    line: degrees(),
                }),
                Part::Track(..) if !sheet.tracks() => lost.push(Loss {
                    text: "This stretch is no road that units route on, and the unit takes no \
                           tracks: it cannot be handed over. Choose a sheet with tracks."
                        .into(),
                    km,
                    length_m,
                    line: degrees(),
                }),
                _ => {}
            }
            km += length_m / 1000.0;
        }
        if !sheet.routes() {
            return lost;
        }
        // The router that misses most tells what the points cannot hold.
        let worst = routers.iter().min_by(|a, b| a.share.total_cmp(&b.share));
        if let Some(worst) = worst.filter(|w| w.share < 0.999) {
            lost.extend(worst.leaves.iter().map(|leave| Loss {
                text: format!("Some units may leave the line here. {}", leave.why),
                km: leave.km,
                length_m: leave.missed_m,
                line: vec![leave.at, leave.add],
            }));
        }
        lost
    }

    fn files(
        &self,
        tour: &Tour,
        course: &Course,
        pins: &Pins,
        points: &[HandedPoint],
        routes: &[Leg],
        sheet: &Sheet,
    ) -> Vec<HandedFile> {
        let days = days(tour, pins);
        let lines = self.day_lines(course, pins, &days);
        let groups: Vec<Vec<usize>> = match sheet.several_days {
            true => vec![(0..days.len()).collect()],
            false => (0..days.len()).map(|d| vec![d]).collect(),
        };
        let title = match tour.name.trim() {
            "" => "Tour",
            name => name,
        };
        let wanted: Vec<String> = groups
            .iter()
            .map(|g| match (g.as_slice(), days.len()) {
                (_, 1) => title.to_owned(),
                ([day], _) => format!("{title} {}", day + 1),
                _ => title.to_owned(),
            })
            .collect();
        let names = file_names(&wanted, ".gpx");
        let numbered = |n: usize, of: usize| match of {
            1 => String::new(),
            _ => format!(" {}", n + 1),
        };
        let line_name = |ending: &str| {
            let room = (sheet.name_length as usize)
                .saturating_sub(ending.len())
                .max(1);
            let stem = plain_name(title, room, sheet.letters.letters());
            let stem = if stem.is_empty() { "Tour".into() } else { stem };
            format!("{stem}{ending}")
        };
        let mut files = Vec::new();
        for (group, name) in groups.iter().zip(names) {
            let mut ride = Ride {
                name: title.into(),
                text: CAUTIONS.into(),
                credit: self
                    .region()
                    .meta()
                    .attribution
                    .as_ref()
                    .map(|a| a.trim_start_matches(['©', ' ']).to_owned()),
                ..Ride::default()
            };
            let mut off_m: f64 = 0.0;
            for &day in group {
                let day_ending = numbered(day, days.len());
                let of_day: Vec<&Leg> = routes.iter().filter(|r| r.day == day).collect();
                if sheet.routes() {
                    for (n, leg) in of_day.iter().enumerate() {
                        let part = match of_day.len() {
                            1 => String::new(),
                            _ => format!("{}", char::from(b'a' + (n % 26) as u8)),
                        };
                        let ending = match (day_ending.as_str(), part.as_str()) {
                            ("", "") => String::new(),
                            ("", part) => format!(" {part}"),
                            (day, part) => format!("{day}{part}"),
                        };
                        ride.routes.push(Route {
                            name: line_name(&ending),
                            points: points[leg.first..=leg.last].iter().map(waypoint).collect(),
                        });
                    }
                }
                if sheet.tracks() {
                    let (segments, off) = fitted_track(&lines[day], sheet);
                    off_m = off_m.max(off);
                    let parts = segments.len();
                    for (n, segment) in segments.into_iter().enumerate() {
                        let part = match parts {
                            1 => day_ending.clone(),
                            _ => format!("{day_ending} {}", n + 1),
                        };
                        ride.tracks.push(Track {
                            name: line_name(&part),
                            segments: vec![segment],
                        });
                    }
                }
            }
            if sheet.elements.contains(&Element::Waypoint) {
                let (first, last) = (days[group[0]].first, days[group[group.len() - 1]].last);
                let stops = points[first..=last].iter().filter(|p| p.kind == "stop");
                ride.waypoints = stops.map(waypoint).collect();
            }
            let mut track_names: Vec<String> = ride.tracks.iter().map(|t| t.name.clone()).collect();
            unique_names(&mut track_names, sheet.name_length as usize);
            for (track, name) in ride.tracks.iter_mut().zip(track_names) {
                track.name = name;
            }
            let bytes = write_gpx(&ride);
            let points = |t: &Track| t.segments.iter().map(|s| s.len() as u32).sum();
            files.push(HandedFile {
                name,
                days: group.iter().map(|d| *d as u32 + 1).collect(),
                route_points: ride.routes.iter().map(|r| r.points.len() as u32).collect(),
                track_points: ride.tracks.iter().map(points).collect(),
                track_off_m: off_m,
                bytes,
            });
        }
        files
    }

    /// The line of each day.
    fn day_lines(&self, course: &Course, pins: &Pins, days: &[Leg]) -> Vec<Vec<Point>> {
        let mut lines: Vec<Vec<Point>> = vec![Vec::new(); days.len()];
        // Stages of tracks hold no line of their own.
        let mut tracks = course.parts.iter().filter(|p| matches!(p, Part::Track(..)));
        for (i, stage) in pins.stages.iter().enumerate() {
            let line = match stage.line.is_empty() {
                true => tracks.next().map_or(Vec::new(), |p| self.part_line(p)),
                false => stage.line.clone(),
            };
            let day = days.iter().position(|d| (d.first..d.last).contains(&i));
            if let Some(into) = day.and_then(|d| lines.get_mut(d)) {
                into.extend(line);
                into.dedup();
            }
        }
        lines
    }
}

fn waypoint(point: &HandedPoint) -> Waypoint {
    Waypoint {
        at: Fix {
            lat: point.lat,
            lon: point.lon,
            ..Fix::default()
        },
        name: point.name.clone(),
        text: match point.follow_track {
            true => FOLLOW_TRACK.into(),
            false => String::new(),
        },
        kind: match point.kind.as_str() {
            "stop" => "stop".into(),
            _ => "via".into(),
        },
    }
}

/// Days as ranges of pins.
fn days(tour: &Tour, pins: &Pins) -> Vec<Leg> {
    let last = pins.pins.len().saturating_sub(1);
    let mut days = Vec::new();
    let mut first = 0;
    for (i, pin) in pins.pins.iter().enumerate() {
        let ends = |p: usize| {
            let point = &tour.points[p];
            point.ends_day && point.kind == PointKind::Stop
        };
        if i > first && (i == last || pin.tour_point.is_some_and(ends)) {
            let day = days.len();
            days.push(Leg {
                day,
                first,
                last: i,
            });
            first = i;
        }
    }
    if days.is_empty() {
        days.push(Leg {
            day: 0,
            first: 0,
            last,
        });
    }
    days
}

/// Routes that fit the sheet: days, split where they have too many points, at a stop if there is
/// one in the last third of what fits, else where the nearest other road is farthest.
fn legs(tour: &Tour, pins: &Pins, sheet: &Sheet) -> Vec<Leg> {
    let most = (sheet.route_points as usize).max(2);
    let mut legs = Vec::new();
    for day in days(tour, pins) {
        let mut first = day.first;
        while sheet.splits && day.last - first + 1 > most {
            let latest = first + most - 1;
            let earliest = (first + (most * 2).div_ceil(3)).clamp(first + 1, latest);
            let fitness = |pin: &Pin| match pin.stays {
                true => f64::INFINITY,
                false => pin.clear_m,
            };
            let at = (earliest..=latest)
                .max_by(|&a, &b| fitness(&pins.pins[a]).total_cmp(&fitness(&pins.pins[b])))
                .unwrap_or(latest);
            legs.push(Leg {
                day: day.day,
                first,
                last: at,
            });
            first = at;
        }
        legs.push(Leg {
            day: day.day,
            first,
            last: day.last,
        });
    }
    legs
}

/// The line in tracks that fit the sheet, simplified by no more than it allows and no more than
/// it takes; and how far off they are at most.
fn fitted_track(line: &[Point], sheet: &Sheet) -> (Vec<Vec<Fix>>, f64) {
    let most = (sheet.track_points as usize).max(2);
    let fix = |p: &Point| Fix {
        lat: p.lat(),
        lon: p.lon(),
        ..Fix::default()
    };
    let whole: Vec<Fix> = line.iter().map(fix).collect();
    if whole.len() <= most {
        return (vec![whole], 0.0);
    }
    let frame = LocalFrame::at(line[line.len() / 2]);
    let flat = flat(line, frame);
    let (mut low, mut high) = (0.0, sheet.tolerance_m);
    let mut kept = simplified(&flat, high);
    if kept.len() <= most {
        // As close to the line as the number of points allows, to a tenth of a metre.
        while high - low > 0.1 {
            let middle = (low + high) / 2.0;
            let tried = simplified(&flat, middle);
            if tried.len() <= most {
                (high, kept) = (middle, tried);
            } else {
                low = middle;
            }
        }
    }
    let points: Vec<Fix> = kept.iter().map(|&i| whole[i]).collect();
    let mut tracks = Vec::new();
    let mut first = 0;
    while first + 1 < points.len() {
        let last = (first + most - 1).min(points.len() - 1);
        tracks.push(points[first..=last].to_vec());
        first = last;
    }
    (tracks, high)
}

fn say_more(course: &Course, sheet: &Sheet, notes: &mut Vec<String>) {
    let kinds: Vec<TrackKind> = course
        .parts
        .iter()
        .filter_map(|p| match p {
            Part::Track(_, kind) => Some(*kind),
            Part::Road(_) => None,
        })
        .collect();
    let count = |kind| kinds.iter().filter(|k| **k == kind).count();
    for (kind, what) in [
        (TrackKind::Drawn, "drawn by hand"),
        (TrackKind::Ferry, "by ferry"),
    ] {
        if count(kind) > 0 {
            notes.push(format!(
                "{} {} {what}: a unit routes its own way between the ends. Follow the track there.",
                count(kind),
                if count(kind) == 1 {
                    "stretch is"
                } else {
                    "stretches are"
                }
            ));
        }
    }
    if !sheet.routes() {
        notes.push(
            "The unit takes no route points: follow the track, and switch recalculation off."
                .into(),
        );
    }
}
