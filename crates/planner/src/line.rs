//! The line of a leg on the ground: vertices with height, distance and time, runs of equal road,
//! and what on it the rider should know.

use std::sync::Mutex;

use region::{
    Access, Edge, LocalFrame, NO_CELL, NO_HEIGHT, Point, Region, RoadClass, distance_m, flag,
    node_flag, turn_flag,
};
use xxhash_rust::xxh3::Xxh3;

use crate::Planner;
use crate::assemble::Climbed;
use crate::cost::{Weighing, arcs};
use crate::document::LegKind;
use crate::legs::Way;
use crate::plan::{Line, Run, Sums};
use crate::price::winding_m;
use crate::snap::word;
use crate::speed::{FERRY_WAIT_S, FREE_KMH, turn_s};
use crate::taste::{Counts, Leave};

/// Vertices of a drawn leg are set this densely where there are heights, metres; some thousand
/// vertices at most are added.
const DRAWN_STEP_M: f64 = 100.0;
const DRAWN_STEPS: f64 = 1000.0;
/// Bend rates this far apart make separate runs, deg/km.
const BEND_STEP: u16 = 60;

/// A leg's line and what was learned on the way.
#[derive(Debug)]
pub(crate) struct LegLine {
    pub line: Line,
    /// Hash of the line and its kind.
    pub key: String,
    /// Without climb, which depends on what comes before.
    pub sums: Sums,
    pub notes: Vec<Note>,
    /// Highest vertex, if heights are known.
    pub highest_m: Option<f32>,
    /// Climb as last worked out.
    pub climbed: Mutex<Option<Climbed>>,
    /// The way on roads; none of a drawn line.
    pub way: Option<Way>,
    /// Metres and seconds ridden in each state of the way, turns left aside.
    pub ridden: Vec<[f64; 2]>,
    /// Length of winding road.
    pub winding_m: f64,
}

/// Something to warn of, at a distance from the start of the leg.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Note {
    pub kind: &'static str,
    pub text: String,
    pub from_m: f64,
    pub to_m: f64,
    pub at: [f64; 2],
}

/// A part of an edge within a line.
pub(crate) struct Part {
    pub edge: Edge,
    pub from_m: f64,
    pub to_m: f64,
    at: [f64; 2],
}

impl LegLine {
    /// The line of a way found for a taste.
    pub fn new(planner: &Planner, weighing: &Weighing, way: &Way) -> Self {
        let region = planner.region();
        let mut build = Builder::default();
        let mut parts = Vec::with_capacity(way.states.len());
        let mut ridden = Vec::with_capacity(way.states.len());
        let last = way.states.len().saturating_sub(1);
        for (i, &state) in way.states.iter().enumerate() {
            let edge = planner.edge(state);
            let from = if i == 0 { way.from_share } else { 0.0 };
            let to = if i == last { way.to_share } else { 1.0 };
            if i > 0
                && let Some(arc) = arc_between(region, way.states[i - 1], state)
            {
                build.elapsed_s += turn_time_s(region, way.states[i - 1], arc);
                build
                    .notes
                    .extend(turn_note(region, way.states[i - 1], arc, &build));
            }
            let start_m = build.distance_m;
            let vertices = edge_part(region, edge, from, to);
            let at = vertices
                .first()
                .map_or([0.0; 2], |v| [v.at.lat(), v.at.lon()]);
            let from_m = from * region.length_m(edge.piece());
            let along: Vec<f64> = vertices.iter().map(|v| from_m + v.along_m).collect();
            let mut seconds = weighing.clock().along_s(region, edge, &along);
            if to - from < 1.0 {
                // The search takes of a part of an edge its share of the time, so the line does.
                let whole_s = weighing.clock().edge_s(edge);
                share_out(&mut seconds, whole_s * (to - from));
            }
            build.road(region, edge, &vertices, &seconds);
            let ridden_s = seconds
                .last()
                .zip(seconds.first())
                .map_or(0.0, |(b, a)| b - a);
            ridden.push([build.distance_m - start_m, ridden_s]);
            parts.push(Part {
                edge,
                from_m: start_m,
                to_m: build.distance_m,
                at,
            });
        }
        let mut notes = part_notes(region, &parts);
        taste_notes(region, weighing, &parts, &mut notes);
        notes.append(&mut build.notes);
        notes.sort_by(|a, b| a.from_m.total_cmp(&b.from_m));
        let mut line = build.finish(LegKind::Road);
        line.notes = notes;
        line.way = Some(way.clone());
        line.ridden = ridden;
        line.winding_m = winding_m(region, &parts);
        line
    }

    /// States ridden, first and last in part; none on a drawn line.
    pub fn states(&self) -> &[u32] {
        self.way.as_ref().map_or(&[], |way| &way.states)
    }

    /// The same line ridden no faster than so many metres a second between places, metres from its
    /// start; `None` if it is not.
    pub fn slowed(&self, limits: &[(f64, f64, f64)]) -> Option<Self> {
        let mut line = self.line.clone();
        let mut later_s = 0.0;
        let limit_at = |m: f64| {
            let on = limits.iter().filter(|l| m >= l.0 && m <= l.1);
            on.map(|l| l.2).min_by(f64::total_cmp)
        };
        let mut ridden = self.ridden.clone();
        let mut ends_m = 0.0;
        let mut state = 0;
        for i in 1..line.elapsed_s.len() {
            let (from_m, to_m) = (line.distance_m[i - 1], line.distance_m[i]);
            let seconds = self.line.elapsed_s[i] - self.line.elapsed_s[i - 1];
            let middle_m = (from_m + to_m) / 2.0;
            if let Some(limit) = limit_at(middle_m) {
                let slower = ((to_m - from_m) / limit - seconds).max(0.0);
                later_s += slower;
                while state + 1 < ridden.len() && ends_m + ridden[state][0] < middle_m {
                    ends_m += ridden[state][0];
                    state += 1;
                }
                if let Some(own) = ridden.get_mut(state) {
                    own[1] += slower;
                }
            }
            line.elapsed_s[i] = ((self.line.elapsed_s[i] + later_s) * 10.0).round() / 10.0;
        }
        if later_s < 0.1 {
            return None;
        }
        let sums = Sums {
            riding_s: self.sums.riding_s + later_s,
            ..self.sums.clone()
        };
        Some(LegLine {
            key: key(&line, LegKind::Road),
            line,
            sums,
            notes: self.notes.clone(),
            highest_m: self.highest_m,
            climbed: Mutex::default(),
            way: self.way.clone(),
            ridden,
            winding_m: self.winding_m,
        })
    }

    /// A line drawn by hand through `points`, or straight where no road was found.
    pub fn drawn(region: &Region, points: &[Point], kind: LegKind) -> Self {
        let mut build = Builder::default();
        let whole_m: f64 = points.windows(2).map(|w| distance_m(w[0], w[1])).sum();
        let step_m = match region.meta().heights {
            Some(_) => DRAWN_STEP_M.max(whole_m / DRAWN_STEPS),
            None => f64::INFINITY,
        };
        if let Some(&first) = points.first() {
            build.vertex(first, ground_height_m(region, first));
        }
        for pair in points.windows(2) {
            let length_m = distance_m(pair[0], pair[1]);
            let steps = (length_m / step_m).ceil().clamp(1.0, DRAWN_STEPS);
            let (mut dlon, dlat) = (pair[1].lon() - pair[0].lon(), pair[1].lat() - pair[0].lat());
            if dlon.abs() > 180.0 {
                dlon -= 360.0 * dlon.signum();
            }
            for i in 1..=steps as u32 {
                let t = f64::from(i) / steps;
                let lon = pair[0].lon() + dlon * t;
                let lon = if lon.abs() > 180.0 {
                    lon - 360.0 * lon.signum()
                } else {
                    lon
                };
                let at = Point::from_degrees(pair[0].lat() + dlat * t, lon).unwrap_or(pair[1]);
                build.distance_m += length_m / steps;
                build.elapsed_s += length_m / steps / (FREE_KMH / 3.6);
                build.vertex(at, ground_height_m(region, at));
            }
        }
        build.sums.free_m = build.distance_m;
        let to = build.line.lat.len().saturating_sub(1) as u32;
        build.line.runs.push(Run {
            from: 0,
            to,
            name: String::new(),
            number: String::new(),
            class: "free".into(),
            surface: "unknown".into(),
            paved: None,
            bend_deg_per_km: 0.0,
            access: None,
            marks: Vec::new(),
        });
        build.finish(kind)
    }
}

#[derive(Default)]
struct Builder {
    line: Line,
    sums: Sums,
    notes: Vec<Note>,
    distance_m: f64,
    elapsed_s: f64,
    /// What the last run was made of, and the metres of bend it has gathered.
    run: Option<(RunKey, f64, f64)>,
}

/// What pieces of one run have in common.
#[derive(PartialEq, Eq)]
struct RunKey {
    name: u32,
    number: u32,
    class: u8,
    surface: u8,
    access: Access,
    marks: u32,
    bend: u16,
}

struct Vertex {
    at: Point,
    height_m: Option<f32>,
    /// Metres from the start of the part.
    along_m: f64,
}

const MARKS: [(u32, &str); 8] = [
    (flag::BRIDGE, "bridge"),
    (flag::TUNNEL, "tunnel"),
    (flag::ROUNDABOUT, "roundabout"),
    (flag::TOLL, "toll"),
    (flag::FORD, "ford"),
    (flag::SEASONAL, "seasonal"),
    (flag::BUILT_UP, "built_up"),
    (flag::SCENIC, "scenic"),
];

impl Builder {
    fn vertex(&mut self, at: Point, height_m: Option<f32>) {
        let tenths = |v: f64| (v * 10.0).round() / 10.0;
        self.line.lat.push(at.lat());
        self.line.lon.push(at.lon());
        self.line.height_m.push(height_m);
        self.line.distance_m.push(tenths(self.distance_m));
        self.line.elapsed_s.push(tenths(self.elapsed_s));
    }

    /// `seconds` from the start of the edge, one a vertex.
    fn road(&mut self, region: &Region, edge: Edge, vertices: &[Vertex], seconds: &[f64]) {
        let piece = edge.piece() as usize;
        let (start_m, start_s) = (self.distance_m, self.elapsed_s);
        let length_m = vertices.last().map_or(0.0, |v| v.along_m);
        let first = self.line.lat.is_empty();
        // The first vertex of a further part is the last one of the part before; a part of no
        // length adds nothing to a line that has begun.
        if !first && length_m <= 0.0 {
            return;
        }
        let from = self.line.lat.len().saturating_sub(1) as u32;
        for (v, s) in vertices.iter().zip(seconds).skip(usize::from(!first)) {
            self.distance_m = start_m + v.along_m;
            self.elapsed_s = start_s + s - seconds[0];
            self.vertex(v.at, v.height_m);
        }
        let surface = region.surface(piece as u32);
        let class = region.class(piece as u32);
        if class == RoadClass::Ferry {
            self.sums.ferry_m += length_m;
        } else {
            match surface.paved() {
                Some(true) => self.sums.paved_m += length_m,
                Some(false) => self.sums.unpaved_m += length_m,
                None => self.sums.unknown_surface_m += length_m,
            }
        }
        let bend = region.piece_bend_deg_per_km()[piece];
        let mask = MARKS.iter().fold(0, |m, (bit, _)| m | bit);
        let key = RunKey {
            name: region.piece_name()[piece],
            number: region.piece_ref()[piece],
            class: class as u8,
            surface: surface as u8,
            access: region.access(edge),
            marks: region.piece_flags()[piece] & mask,
            bend: bend / BEND_STEP,
        };
        let to = self.line.lat.len().saturating_sub(1) as u32;
        let turning = f64::from(bend) * length_m;
        if let (Some((same, run_m, run_turning)), Some(run)) =
            (&mut self.run, self.line.runs.last_mut())
            && *same == key
        {
            *run_m += length_m;
            *run_turning += turning;
            run.to = to;
            run.bend_deg_per_km = (*run_turning / run_m.max(1e-9)).round() as f32;
            return;
        }
        let mut marks: Vec<String> = MARKS
            .iter()
            .filter(|(bit, _)| key.marks & bit != 0)
            .map(|(_, name)| (*name).to_owned())
            .collect();
        if class == RoadClass::Ferry {
            marks.push("ferry".into());
        }
        self.line.runs.push(Run {
            from,
            to,
            name: region.string(key.name).to_owned(),
            number: region.string(key.number).to_owned(),
            class: word(&class),
            surface: word(&surface),
            paved: surface.paved(),
            bend_deg_per_km: f32::from(bend),
            access: (key.access != Access::Open).then(|| word(&key.access)),
            marks,
        });
        self.run = Some((key, length_m, turning));
    }

    fn finish(mut self, kind: LegKind) -> LegLine {
        self.sums.length_m = self.distance_m;
        self.sums.riding_s = self.elapsed_s;
        // A line has two ends even if they are one place.
        if self.line.lat.len() == 1 {
            let at = Point::from_degrees(self.line.lat[0], self.line.lon[0]).unwrap_or_default();
            self.vertex(at, self.line.height_m[0]);
            self.line.runs.iter_mut().for_each(|r| r.to = 1);
        }
        LegLine {
            key: key(&self.line, kind),
            highest_m: (self.line.height_m.iter().flatten().copied()).max_by(f32::total_cmp),
            climbed: Mutex::default(),
            line: self.line,
            sums: self.sums,
            notes: Vec::new(),
            way: None,
            ridden: Vec::new(),
            winding_m: 0.0,
        }
    }
}

fn key(line: &Line, kind: LegKind) -> String {
    let mut hash = Xxh3::new();
    hash.update(&[kind as u8]);
    for column in [&line.lat, &line.lon, &line.elapsed_s] {
        for v in column {
            hash.update(&v.to_bits().to_le_bytes());
        }
    }
    // Runs and heights follow from the places, but only within one edition of a map.
    for run in &line.runs {
        hash.update(&run.to.to_le_bytes());
        let texts = [&run.name, &run.number, &run.class, &run.surface];
        for text in texts.into_iter().chain(&run.access).chain(&run.marks) {
            hash.update(text.as_bytes());
            hash.update(&[0]);
        }
        hash.update(&run.bend_deg_per_km.to_bits().to_le_bytes());
    }
    for height in line.height_m.iter().flatten() {
        hash.update(&height.to_bits().to_le_bytes());
    }
    format!("{:016x}", hash.digest())
}

/// Stretches times along a line so that they end `whole_s` after the first.
fn share_out(seconds: &mut [f64], whole_s: f64) {
    let (Some(&first), Some(&last)) = (seconds.first(), seconds.last()) else {
        return;
    };
    if last > first && whole_s.is_finite() {
        let stretch = whole_s / (last - first);
        seconds
            .iter_mut()
            .for_each(|s| *s = first + (*s - first) * stretch);
    }
}

/// Vertices of an edge from one share of its length to another, in riding order.
fn edge_part(region: &Region, edge: Edge, from: f64, to: f64) -> Vec<Vertex> {
    let points = region.piece_points(edge.piece());
    let frame = LocalFrame::at(region.point(points.start));
    let order: Vec<usize> = if edge.is_backward() {
        points.rev().collect()
    } else {
        points.collect()
    };
    let mut along = vec![0.0; order.len()];
    for i in 1..order.len() {
        let [a, b] = [order[i - 1], order[i]].map(|p| frame.to_m(region.point(p)));
        along[i] = along[i - 1] + (b[0] - a[0]).hypot(b[1] - a[1]);
    }
    let flat_m = along[along.len() - 1];
    let length_m = region.length_m(edge.piece());
    let (start, end) = (from * flat_m, to * flat_m);
    let scale = if flat_m > 0.0 { length_m / flat_m } else { 0.0 };
    let mut vertices = vec![vertex_at(region, frame, &order, &along, start, 0.0)];
    for (i, &m) in along.iter().enumerate() {
        if m > start && m < end {
            let height_m = height(region, order[i]);
            vertices.push(Vertex {
                at: region.point(order[i]),
                height_m,
                along_m: (m - start) * scale,
            });
        }
    }
    let whole = (end - start).max(0.0) * scale;
    vertices.push(vertex_at(region, frame, &order, &along, end, whole));
    vertices
}

fn vertex_at(
    region: &Region,
    frame: LocalFrame,
    order: &[usize],
    along: &[f64],
    m: f64,
    along_m: f64,
) -> Vertex {
    let i = along.partition_point(|&a| a < m).clamp(1, along.len() - 1);
    let (a, b) = (order[i - 1], order[i]);
    let gap = along[i] - along[i - 1];
    let t = if gap > 0.0 {
        ((m - along[i - 1]) / gap).clamp(0.0, 1.0)
    } else {
        0.0
    };
    let [pa, pb] = [a, b].map(|p| frame.to_m(region.point(p)));
    let at = match t {
        0.0 => region.point(a),
        1.0 => region.point(b),
        _ => frame.to_point([pa[0] + t * (pb[0] - pa[0]), pa[1] + t * (pb[1] - pa[1])]),
    };
    let height_m = match (height(region, a), height(region, b)) {
        (Some(a), Some(b)) => Some(tenths(f64::from(a) + t * f64::from(b - a))),
        (a, b) => a.or(b),
    };
    Vertex {
        at,
        height_m,
        along_m,
    }
}

fn height(region: &Region, point: usize) -> Option<f32> {
    let cm = region.point_height_cm()[point];
    (cm != NO_HEIGHT).then(|| tenths(f64::from(cm) / 100.0))
}

fn tenths(m: f64) -> f32 {
    ((m * 10.0).round() / 10.0) as f32
}

/// Height of the ground from the region's grid, bilinear between cell centres.
pub(crate) fn ground_height_m(region: &Region, at: Point) -> Option<f32> {
    let grid = region.meta().heights.as_ref()?;
    let x = (at.lon() - grid.west_deg) / grid.step_lon_deg;
    let y = (grid.north_deg - at.lat()) / grid.step_lat_deg.abs();
    let (columns, rows) = (grid.columns as usize, grid.rows as usize);
    let inside = |v: f64, cells: usize| v >= 0.0 && v <= cells as f64 - 1.0;
    if columns == 0 || rows == 0 || !inside(x, columns) || !inside(y, rows) {
        return None;
    }
    let (c, r) = (x.floor() as usize, y.floor() as usize);
    let (tx, ty) = (x - x.floor(), y - y.floor());
    let mut sum = 0.0;
    for (dr, wy) in [(0, 1.0 - ty), (1, ty)] {
        for (dc, wx) in [(0, 1.0 - tx), (1, tx)] {
            if wx * wy > 0.0 {
                let cell = region.height_grid()[(r + dr) * columns + c + dc];
                if cell == NO_CELL {
                    return None;
                }
                sum += wx * wy * f64::from(cell);
            }
        }
    }
    Some(tenths(sum))
}

/// The arc from one state to the next.
fn arc_between(region: &Region, from: u32, to: u32) -> Option<u32> {
    arcs(region, from).find(|&arc| region.turn_head()[arc as usize] == to)
}

fn turn_time_s(region: &Region, from: u32, arc: u32) -> f64 {
    let edge = |state: u32| Edge(region.state_edge()[state as usize]);
    let a = arc as usize;
    let to = region.turn_head()[a];
    turn_s(
        region,
        edge(from),
        edge(to),
        region.turn_angle_deg()[a],
        region.turn_flags()[a],
    )
}

fn turn_note(region: &Region, from: u32, arc: u32, build: &Builder) -> Option<Note> {
    let node = region.head(Edge(region.state_edge()[from as usize]));
    let at = region.node_point(node);
    let note = |kind, text| Note {
        kind,
        text,
        from_m: build.distance_m,
        to_m: build.distance_m,
        at: [at.lat(), at.lon()],
    };
    if region.turn_flags()[arc as usize] & turn_flag::CONDITIONAL != 0 {
        let rows = region.turn_condition_turn();
        let row = rows.partition_point(|&t| t < arc);
        let when = region
            .turn_condition_value()
            .get(row)
            .map_or("", |&v| region.string(v));
        let text = format!("A turn here is forbidden at times ({when}): check your date and hour.");
        return Some(note("conditional", text));
    }
    let gate = region.node_flags()[node as usize] & node_flag::GATE != 0;
    gate.then(|| note("gate", "There is a gate here that may be shut.".into()))
}

/// Tags that decide whether one may ride.
fn is_access_condition(key: &str) -> bool {
    let head = key.split(':').next().unwrap_or("");
    matches!(head, "access" | "vehicle" | "motor_vehicle" | "motorcycle")
}

fn part_notes(region: &Region, parts: &[Part]) -> Vec<Note> {
    let mut notes = Vec::new();
    let label = |p: usize| {
        let name = region.string(region.piece_name()[p]);
        if name.is_empty() {
            region.string(region.piece_ref()[p])
        } else {
            name
        }
        .to_owned()
    };
    let named = |p: usize| match label(p) {
        name if name.is_empty() => String::new(),
        name => format!(" ({name})"),
    };
    let flagged = |p: usize, bit: u32| region.piece_flags()[p] & bit != 0;

    for access in [
        Access::Destination,
        Access::Permit,
        Access::Private,
        Access::Unverified,
    ] {
        stretches(
            parts,
            &mut notes,
            0.0,
            |part| (region.access(part.edge) == access).then(String::new),
            |length_m, _| {
                let length = metres(length_m);
                match access {
                    Access::Destination => (
                        "destination",
                        format!(
                            "{length} on roads open only to reach something on them: for the ends of a ride, not to pass through."
                        ),
                    ),
                    Access::Permit => (
                        "permit",
                        format!("{length} on roads that need a permit: get one before the ride."),
                    ),
                    Access::Private => (
                        "private",
                        format!("{length} on private roads: ask the owner, or move the point."),
                    ),
                    _ => (
                        "unverified_access",
                        format!(
                            "{length} on tracks or paths that no tag opens to motor vehicles: check that you may ride there."
                        ),
                    ),
                }
            },
        );
    }
    stretches(
        parts,
        &mut notes,
        0.0,
        |part| {
            let p = part.edge.piece() as usize;
            (region.class(p as u32) == RoadClass::Ferry).then(|| named(p))
        },
        |length_m, name| {
            (
                "ferry",
                format!(
                    "Ferry{name}, {}: check that it sails and takes motorcycles; {:.0} minutes of waiting are counted.",
                    metres(length_m),
                    FERRY_WAIT_S / 60.0
                ),
            )
        },
    );
    stretches(
        parts,
        &mut notes,
        0.0,
        |part| flagged(part.edge.piece() as usize, flag::FORD).then(String::new),
        |_, _| {
            (
                "ford",
                "A ford: look at the depth before riding through.".into(),
            )
        },
    );
    stretches(
        parts,
        &mut notes,
        500.0,
        |part| flagged(part.edge.piece() as usize, flag::TOLL).then(String::new),
        |length_m, _| ("toll", format!("{} of toll road.", metres(length_m))),
    );
    stretches(
        parts,
        &mut notes,
        500.0,
        |part| (region.surface(part.edge.piece()).paved() == Some(false)).then(String::new),
        |length_m, _| ("unpaved", format!("{} unpaved.", metres(length_m))),
    );
    stretches(
        parts,
        &mut notes,
        500.0,
        |part| {
            let p = part.edge.piece() as usize;
            let conditions: Vec<String> = region
                .conditions(p as u32)
                .filter(|(key, _)| is_access_condition(key))
                .map(|(key, value)| format!("{key} = {value}"))
                .collect();
            let seasonal = flagged(p, flag::SEASONAL);
            (seasonal || !conditions.is_empty()).then(|| match conditions.is_empty() {
                true => format!(
                    "This road{} is open only for a part of the year: check that it is open.",
                    named(p)
                ),
                false => format!(
                    "This road{} is open or closed by a rule ({}): check it for your date.",
                    named(p),
                    conditions.join("; ")
                ),
            })
        },
        |_, text| ("seasonal", text.to_owned()),
    );
    notes
}

/// Notes on what the taste would leave, where nothing else leads through.
fn taste_notes(region: &Region, weighing: &Weighing, parts: &[Part], notes: &mut Vec<Note>) {
    let taste = &weighing.taste;
    if taste.counts == Counts::Length {
        return;
    }
    let of = |leave: Leave, is: bool| leave == Leave::Never && is;
    let why = |part: &Part| {
        let piece = part.edge.piece();
        let toll = region.piece_flags()[piece as usize] & flag::TOLL != 0;
        let ferry = region.class(piece) == RoadClass::Ferry;
        let words = [
            (of(taste.motorways, weighing.is_motorway(piece)), "motorway"),
            (of(taste.tolls, toll), "toll road"),
            (of(taste.ferries, ferry), "ferry"),
            (weighing.is_too_loose(piece), "looser ground"),
        ];
        let words = words.into_iter().find(|w| w.0);
        words.map(|(_, words)| words.to_owned())
    };
    stretches(parts, notes, 500.0, why, |length_m, words| {
        let more = match words {
            "looser ground" => "than your taste accepts",
            _ => "which your taste would never use",
        };
        let comma = if words == "looser ground" { "" } else { "," };
        let text = format!(
            "{} of {words}{comma} {more}: every other way is far longer, or there is none.",
            metres(length_m)
        );
        ("against_taste", text)
    });
}

/// Adds a note for each stretch of parts for which `is` gives the same words; gaps up to `gap_m`
/// do not end a stretch. `say` gets the metres that count and the words.
fn stretches(
    parts: &[Part],
    notes: &mut Vec<Note>,
    gap_m: f64,
    is: impl Fn(&Part) -> Option<String>,
    say: impl Fn(f64, &str) -> (&'static str, String),
) {
    let mut open: Option<(String, f64, Note)> = None;
    let mut close = |open: Option<(String, f64, Note)>| {
        // A stretch of no length is only touched, at an end of the line.
        if let Some((words, counted_m, note)) = open.filter(|(_, m, _)| *m > 0.5) {
            let (kind, text) = say(counted_m, &words);
            notes.push(Note { kind, text, ..note });
        }
    };
    for part in parts {
        let Some(words) = is(part) else { continue };
        let length_m = part.to_m - part.from_m;
        match &mut open {
            Some((same, counted_m, note)) if *same == words && part.from_m - note.to_m <= gap_m => {
                *counted_m += length_m;
                note.to_m = part.to_m;
            }
            _ => {
                let note = Note {
                    kind: "",
                    text: String::new(),
                    from_m: part.from_m,
                    to_m: part.to_m,
                    at: part.at,
                };
                close(open.replace((words, length_m, note)));
            }
        }
    }
    close(open);
}

/// A length in words.
pub(crate) fn metres(m: f64) -> String {
    match m {
        m if m < 95.0 => format!("{:.0} m", (m / 10.0).ceil() * 10.0),
        m if m < 950.0 => format!("{:.0} m", (m / 50.0).round() * 50.0),
        m if m < 9950.0 => format!("{:.1} km", m / 1000.0),
        m => format!("{:.0} km", m / 1000.0),
    }
}
