//! The line to be handed over, in parts that routers ride and parts that only a track tells.

use region::{Edge, Point, RoadClass};

use super::net::{Place, Span};
use super::panel::{Kit, Settings};
use super::points::{Chosen, choose};
use super::replay::Stage;
use super::shape::{self, Shape};
use crate::Planner;
use crate::document::{LegKind, PointKind, Tour};
use crate::plan::PlanError;

/// A stop on a junction is moved so far into its road, metres.
const STEP_M: f64 = 3.0;
/// Nearer than this to the end of an edge is its end, metres.
const AT_END_M: f64 = 0.1;

/// A part of the line between two places that stay where they are.
#[derive(Clone, Debug)]
pub enum Part {
    /// Roads that routers ride.
    Road(Span),
    /// A drawn leg, a ferry, or a leg without a way: points, and what it is.
    Track(Vec<Point>, TrackKind),
}

/// Why a part goes out as track only.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TrackKind {
    /// Drawn by hand.
    Drawn,
    /// A ferry.
    Ferry,
    /// No way was found: a straight line.
    NoWay,
}

/// A whole line; parts follow each other without gaps.
#[derive(Clone, Debug, Default)]
pub struct Course {
    /// In riding order.
    pub parts: Vec<Part>,
    /// For each part, the tour's point it begins at, if it begins at one.
    pub begins_at: Vec<Option<usize>>,
    /// The tour's last point.
    pub ends_at: Option<usize>,
}

/// A point of the route to hand over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pin {
    /// Where.
    pub at: Point,
    /// The tour's point that stands here, if it is one.
    pub tour_point: Option<usize>,
    /// Index of the edge ridden there, if on a road.
    pub edge: Option<u32>,
    /// Whether it stays where it is: a stop, or the end of a stretch.
    pub stays: bool,
    /// Metres to the nearest other road, 60 at most; 0 for points that stay where they are.
    pub clear_m: f64,
    /// Metres of road it could have stood on.
    pub window_m: f64,
    /// Metres of line from the start.
    pub line_m: f64,
    /// Whether what follows is to be ridden by the track only.
    pub track_follows: bool,
}

/// Points for a course and the stages between them.
#[derive(Clone, Debug, Default)]
pub struct Pins {
    /// In riding order.
    pub pins: Vec<Pin>,
    /// One fewer than points.
    pub stages: Vec<Stage>,
    /// Fewest points there can be, ends included, for this panel and margin.
    pub minimum: usize,
    /// Whether forward and backward sweeps agree on it everywhere.
    pub sweeps_agree: bool,
}

impl Planner {
    /// The line of a tour.
    pub fn course(&self, tour: &Tour) -> Result<Course, PlanError> {
        let legs = self.legs_of(tour)?;
        let mut course = Course::default();
        // The road being gathered: edges, shares, the tour's point it began at.
        let mut open: Option<(Vec<u32>, f64, f64, usize)> = None;
        for (i, (kind, line, trouble)) in legs.iter().enumerate() {
            let way = line.way.as_ref();
            let edges: Vec<u32> = way.map_or(Vec::new(), |w| {
                w.states.iter().map(|&s| self.edge(s).0).collect()
            });
            let [from, to] = way.map_or([0.0, 1.0], |w| [w.from_share, w.to_share]);
            if *kind == LegKind::Free || trouble.is_some() || edges.is_empty() {
                self.close(&mut course, open.take());
                let places = line.line.lat.iter().zip(&line.line.lon);
                let points = places.filter_map(|(&lat, &lon)| Point::from_degrees(lat, lon));
                let kind = match kind {
                    LegKind::Free => TrackKind::Drawn,
                    LegKind::Road => TrackKind::NoWay,
                };
                course.parts.push(Part::Track(points.collect(), kind));
                course.begins_at.push(Some(i));
                continue;
            }
            let passes = tour.points[i].kind == PointKind::Via;
            match &mut open {
                Some((all, _, end, _)) if passes && all.last() == edges.first() => {
                    all.extend(&edges[1..]);
                    *end = to;
                }
                _ => {
                    self.close(&mut course, open.take());
                    open = Some((edges, from, to, i));
                }
            }
        }
        self.close(&mut course, open);
        course.ends_at = tour.points.len().checked_sub(1);
        self.leave_junctions(&mut course.parts);
        Ok(course)
    }

    /// Moves stops that stand on a junction a step into the road that is ridden from there (or to
    /// there, at the end): on the junction itself a unit could mean any of its roads.
    fn leave_junctions(&self, parts: &mut [Part]) {
        for part in parts.iter_mut() {
            if let Part::Road(span) = part {
                self.trim(span);
            }
        }
        let step = |edge: u32| {
            let length_m = self.region().length_m(edge / 2).max(0.1);
            STEP_M.min(length_m / 3.0) / length_m
        };
        let many = |node: u32| {
            let first = self.region().node_first_edge();
            first[node as usize + 1] - first[node as usize] > 1
        };
        if let Some(Part::Road(span)) = parts.first_mut()
            && span.from == 0.0
            && many(self.region().tail(Edge(span.edges[0])))
        {
            let from = step(span.edges[0]);
            reshape(span, span.edges.clone(), from, span.to);
        }
        if let Some(Part::Road(span)) = parts.last_mut()
            && span.to == 1.0
            && let Some(&last) = span.edges.last()
            && many(self.region().head(Edge(last)))
        {
            reshape(span, span.edges.clone(), span.from, 1.0 - step(last));
        }
        for i in 1..parts.len() {
            let (before, after) = parts.split_at_mut(i);
            let (Some(Part::Road(a)), Some(Part::Road(b))) = (before.last_mut(), after.first_mut())
            else {
                continue;
            };
            let (Some(&last), first) = (a.edges.last(), b.edges[0]) else {
                continue;
            };
            if a.to != 1.0 || b.from != 0.0 || !many(self.region().head(Edge(last))) {
                continue;
            }
            let share = step(first);
            let goes_on = crate::cost::arcs(self.region(), last)
                .any(|arc| self.edge(self.region().turn_head()[arc as usize]).0 == first);
            if first == last ^ 1 {
                reshape(a, a.edges.clone(), a.from, 1.0 - share);
            } else if goes_on {
                let mut edges = a.edges.clone();
                edges.push(first);
                reshape(a, edges, a.from, share);
            } else {
                continue;
            }
            reshape(b, b.edges.clone(), share, b.to);
        }
    }

    /// Leaves out edges at the ends of which nothing is ridden.
    fn trim(&self, span: &mut Span) {
        let length_m = |edge: u32| self.region().length_m(edge / 2);
        let (mut edges, mut from, mut to) = (span.edges.clone(), span.from, span.to);
        while edges.len() > 1 && (1.0 - from) * length_m(edges[0]) < AT_END_M {
            edges.remove(0);
            from = 0.0;
        }
        while let Some(&last) = edges.last()
            && edges.len() > 1
            && to * length_m(last) < AT_END_M
        {
            edges.pop();
            to = 1.0;
        }
        if from * length_m(edges[0]) < AT_END_M {
            from = 0.0;
        }
        if let Some(&last) = edges.last()
            && (1.0 - to) * length_m(last) < AT_END_M
        {
            to = 1.0;
        }
        if edges.len() > 1 || from < to {
            reshape(span, edges, from, to);
        }
    }

    /// Ends a stretch of road, ferries cut out.
    fn close(&self, course: &mut Course, open: Option<(Vec<u32>, f64, f64, usize)>) {
        let Some((edges, from, to, point)) = open else {
            return;
        };
        let is_ferry = |e: &u32| self.region().class(e / 2) == RoadClass::Ferry;
        let mut first = 0;
        while first < edges.len() {
            let ferry = is_ferry(&edges[first]);
            let run = edges[first..].iter().take_while(|e| is_ferry(e) == ferry);
            let last = first + run.count();
            let a = if first == 0 { from } else { 0.0 };
            let b = if last == edges.len() { to } else { 1.0 };
            let part = edges[first..last].to_vec();
            if ferry {
                let line = shape::line(self.region(), &part, a, b);
                course.parts.push(Part::Track(line, TrackKind::Ferry));
            } else if let Some(span) = Span::new(part, a, b) {
                course.parts.push(Part::Road(span));
            } else {
                break;
            }
            course.begins_at.push((first == 0).then_some(point));
            first = last;
        }
    }

    /// Length of a course, metres.
    pub fn course_length_m(&self, course: &Course) -> f64 {
        course
            .parts
            .iter()
            .map(|part| points_length_m(&self.part_line(part)))
            .sum()
    }

    /// Points of a part.
    pub fn part_line(&self, part: &Part) -> Vec<Point> {
        match part {
            Part::Road(span) => shape::line(self.region(), &span.edges, span.from, span.to),
            Part::Track(points, _) => points.clone(),
        }
    }

    /// Chooses the points of a course.
    pub fn pins(&self, course: &Course, kit: &Kit, settings: &Settings) -> Pins {
        let mut result = Pins {
            sweeps_agree: true,
            ..Pins::default()
        };
        let mut line_m = 0.0;
        for (part, &begins) in course.parts.iter().zip(&course.begins_at) {
            match part {
                Part::Track(points, _) => {
                    let at = points.first().copied().unwrap_or_default();
                    let pin = self.fixed(at, begins, None, line_m, true);
                    result.pins.push(pin);
                    result.stages.push(Stage::default());
                    result.minimum += 1;
                    line_m += points_length_m(points);
                }
                Part::Road(span) => {
                    let chosen = choose(self.region(), kit, span, settings);
                    result.minimum += chosen.minimum + 1;
                    result.sweeps_agree &= chosen.agree;
                    self.add_span(&mut result, span, &chosen, begins, &mut line_m);
                }
            }
        }
        if let Some(part) = course.parts.last() {
            let line = self.part_line(part);
            let at = line.last().copied().unwrap_or_default();
            let edge = match part {
                Part::Road(span) => span.edges.last().copied(),
                Part::Track(..) => None,
            };
            let pin = self.fixed(at, course.ends_at, edge, line_m, false);
            result.pins.push(pin);
            result.minimum += 1;
        }
        result
    }

    fn fixed(
        &self,
        at: Point,
        tour_point: Option<usize>,
        edge: Option<u32>,
        line_m: f64,
        track_follows: bool,
    ) -> Pin {
        Pin {
            at,
            tour_point,
            edge,
            stays: true,
            clear_m: 0.0,
            window_m: 0.0,
            line_m,
            track_follows,
        }
    }

    fn add_span(
        &self,
        result: &mut Pins,
        span: &Span,
        chosen: &Chosen,
        begins: Option<usize>,
        line_m: &mut f64,
    ) {
        let region = self.region();
        let at = |place: Place| Shape::new(region, Edge(span.edges[place.index])).at(place.share);
        let mut places = vec![span.start()];
        places.extend(chosen.spots.iter().map(|s| s.place));
        places.push(span.end());
        for (n, pair) in places.windows(2).enumerate() {
            let (a, b) = (pair[0], pair[1]);
            let edge = Some(span.edges[a.index]);
            let mut pin = self.fixed(at(a), begins.filter(|_| n == 0), edge, *line_m, false);
            if n > 0 {
                pin.stays = false;
                pin.clear_m = chosen.spots[n - 1].clear_m;
                pin.window_m = chosen.window_m[n - 1];
            }
            result.pins.push(pin);
            let edges = span.edges[a.index..=b.index.max(a.index)].to_vec();
            let line = shape::line(region, &edges, a.share, b.share);
            *line_m += points_length_m(&line);
            result.stages.push(Stage {
                line,
                counts: None,
                edges,
            });
        }
    }
}

fn reshape(span: &mut Span, edges: Vec<u32>, from: f64, to: f64) {
    if let Some(new) = Span::new(edges, from, to) {
        *span = new;
    }
}

/// Length of a line, metres.
pub fn points_length_m(points: &[Point]) -> f64 {
    points
        .windows(2)
        .map(|w| region::distance_m(w[0], w[1]))
        .sum()
}
