//! Sketches of junctions, cut out of the road geometry: every arm at its true angle and in its true
//! shape, turned so that the rider comes from below.

use std::collections::{HashSet, VecDeque};

use region::{Access, LocalFrame, Point, Region, RoadClass};
use serde::{Deserialize, Serialize};

use super::{Part, junction};
use crate::day::along::Track;

/// Radii that are tried, metres: the first at which the arms stand apart is taken.
const RADII_M: [f64; 4] = [40.0, 60.0, 100.0, 160.0];
/// Arms stand apart when they leave the circle at directions that differ by this, degrees.
const APART_DEG: f64 = 18.0;
/// Room around a roundabout, metres.
const AROUND_RING_M: f64 = 25.0;
/// Pieces that a sketch holds at most.
const MOST_PIECES: usize = 200;

/// A junction from above. Coordinates lie within the unit circle: right and ahead of the rider who
/// comes from below.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Sketch {
    /// Roads.
    pub roads: Vec<Stroke>,
    /// The way, in riding order.
    pub way: Vec<[f64; 2]>,
    /// What the unit is, metres.
    pub radius_m: f64,
}

impl Sketch {
    /// Change of heading over the whole sketch, degrees, right positive.
    pub fn angle_deg(&self) -> f64 {
        let Some((first, last)) = self.way.first().zip(self.way.last()) else {
            return 0.0;
        };
        let coming = (-first[0]).atan2(-first[1]);
        let turn = (last[0].atan2(last[1]) - coming).to_degrees();
        (turn + 540.0).rem_euclid(360.0) - 180.0
    }
}

/// A road of a sketch.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stroke {
    /// Its line.
    pub line: Vec<[f64; 2]>,
    /// How it is drawn.
    pub kind: StrokeKind,
}

/// How a road is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StrokeKind {
    /// A road.
    Road,
    /// A way of service, a track, a path.
    Minor,
    /// A road a motorcycle may not enter from here.
    Barred,
}

/// The sketch of the junction between part `enters - 1` and part `leaves`.
pub(super) fn of(
    region: &Region,
    track: &Track,
    parts: &[Part],
    [enters, leaves]: [usize; 2],
) -> Sketch {
    let entry = region.tail(parts[enters].edge);
    let at_entry = region.node_point(entry);
    let frame = LocalFrame::at(at_entry);
    let nodes: Vec<u32> = (enters..=leaves)
        .map(|i| region.tail(parts[i].edge))
        .collect();
    // The middle of what is passed: the junction, or the part of a ring that is ridden and what
    // lies across.
    let centre = middle(region, frame, parts, enters, leaves);
    let arriving = junction::heading_deg(region, parts[enters - 1].edge.reversed()) + 180.0;
    let view = View {
        frame,
        centre,
        turn_rad: arriving.to_radians(),
    };
    let reach_m = nodes
        .iter()
        .map(|&n| length(view.to_m(region.node_point(n))))
        .fold(0.0, f64::max);
    let ring = leaves > enters || junction::is_roundabout(region, parts[enters].edge.piece());
    let (from_m, to_m) = (parts[enters].from_m, parts[leaves].from_m);
    let mut sketch = Sketch::default();
    for base_m in RADII_M {
        let radius_m = if ring {
            reach_m + AROUND_RING_M.max(base_m / 2.0)
        } else {
            base_m
        };
        sketch = upright(Sketch {
            roads: roads(region, &view, entry, radius_m),
            way: way(track, &view, from_m, to_m, radius_m),
            radius_m,
        });
        if stand_apart(&sketch) {
            break;
        }
    }
    sketch
}

/// Turned so that the way comes in from straight below, also where the road bends before the junction.
fn upright(mut sketch: Sketch) -> Sketch {
    let Some(&[x, y]) = sketch.way.first().filter(|p| length(**p) > 0.3) else {
        return sketch;
    };
    let (sin, cos) = (-x).atan2(-y).sin_cos();
    let turned = |[x, y]: [f64; 2]| [x * cos - y * sin, x * sin + y * cos];
    for line in sketch.roads.iter_mut().map(|r| &mut r.line) {
        line.iter_mut().for_each(|p| *p = turned(*p));
    }
    sketch.way.iter_mut().for_each(|p| *p = turned(*p));
    sketch
}

/// A place as metres right and ahead of the middle.
struct View {
    frame: LocalFrame,
    centre: [f64; 2],
    turn_rad: f64,
}

impl View {
    fn to_m(&self, p: Point) -> [f64; 2] {
        let [x, y] = self.frame.to_m(p);
        let [x, y] = [x - self.centre[0], y - self.centre[1]];
        let (sin, cos) = self.turn_rad.sin_cos();
        [x * cos - y * sin, x * sin + y * cos]
    }
}

fn middle(
    region: &Region,
    frame: LocalFrame,
    parts: &[Part],
    enters: usize,
    leaves: usize,
) -> [f64; 2] {
    if leaves == enters {
        return [0.0; 2];
    }
    // All of the ring, as far as it hangs together.
    let mut bounds = [[f64::INFINITY; 2], [f64::NEG_INFINITY; 2]];
    let mut todo = VecDeque::from([parts[enters].edge.piece()]);
    let mut seen: HashSet<u32> = todo.iter().copied().collect();
    while let Some(piece) = todo.pop_front() {
        for p in region.piece_points(piece) {
            let m = frame.to_m(region.point(p));
            for k in 0..2 {
                bounds[0][k] = bounds[0][k].min(m[k]);
                bounds[1][k] = bounds[1][k].max(m[k]);
            }
        }
        for node in [region.piece_from(), region.piece_to()].map(|ends| ends[piece as usize]) {
            for e in junction::leaving(region, node) {
                let next = e.piece();
                if seen.len() < MOST_PIECES
                    && junction::is_roundabout(region, next)
                    && seen.insert(next)
                {
                    todo.push_back(next);
                }
            }
        }
    }
    [0, 1].map(|k| (bounds[0][k] + bounds[1][k]) / 2.0)
}

/// Roads that hang together with a junction inside the circle.
fn roads(region: &Region, view: &View, entry: u32, radius_m: f64) -> Vec<Stroke> {
    let mut strokes = Vec::new();
    let mut pieces: HashSet<u32> = HashSet::new();
    let mut nodes: HashSet<u32> = HashSet::from([entry]);
    let mut todo = VecDeque::from([entry]);
    while let Some(node) = todo.pop_front() {
        for edge in junction::leaving(region, node) {
            if pieces.len() >= MOST_PIECES || !pieces.insert(edge.piece()) {
                continue;
            }
            let mut line: Vec<[f64; 2]> = region
                .piece_points(edge.piece())
                .map(|p| view.to_m(region.point(p)))
                .collect();
            if edge.is_backward() {
                line.reverse();
            }
            let far = region.head(edge);
            let kind = kind(region, edge);
            // From the node on until the circle is left; what comes back in is another road's.
            let whole = line.clone();
            let inside = clip(&line, radius_m).into_iter().next();
            if let Some(line) = inside.filter(|l| l.len() > 1) {
                let scaled = line.into_iter().map(|[x, y]| [x / radius_m, y / radius_m]);
                strokes.push(Stroke {
                    line: scaled.collect(),
                    kind,
                });
            }
            let within = whole.iter().all(|&p| length(p) <= radius_m);
            if within && nodes.insert(far) {
                todo.push_back(far);
            }
        }
    }
    strokes
}

fn kind(region: &Region, edge: region::Edge) -> StrokeKind {
    match (region.access(edge), region.class(edge.piece())) {
        (Access::Closed | Access::WrongWay | Access::Private, _) => StrokeKind::Barred,
        (_, RoadClass::Service | RoadClass::Track | RoadClass::Path) => StrokeKind::Minor,
        _ => StrokeKind::Road,
    }
}

/// The line through the junction, within the circle.
fn way(track: &Track, view: &View, from_m: f64, to_m: f64, radius_m: f64) -> Vec<[f64; 2]> {
    let reach_m = 3.0 * radius_m;
    let first = track.along_m.partition_point(|&m| m < from_m - reach_m);
    let last = track.along_m.partition_point(|&m| m <= to_m + reach_m);
    let first = first.saturating_sub(1);
    let last = (last + 1).min(track.at.len());
    let line: Vec<[f64; 2]> = track.at[first..last]
        .iter()
        .map(|&p| view.to_m(p))
        .collect();
    let at = track.along_m[first..last].partition_point(|&m| m < (from_m + to_m) / 2.0 - 0.06);
    // Of the pieces within the circle the one that holds the junction.
    let mut parts = clip_counted(&line, radius_m);
    let holds = |part: &(Vec<[f64; 2]>, usize, usize)| part.1 <= at && at <= part.2;
    let found = parts.iter().position(holds).unwrap_or(0);
    if parts.is_empty() {
        return Vec::new();
    }
    let (line, ..) = parts.swap_remove(found);
    line.into_iter()
        .map(|[x, y]| [x / radius_m, y / radius_m])
        .collect()
}

/// Whether the roads that leave the circle do so at different places.
fn stand_apart(sketch: &Sketch) -> bool {
    let mut directions: Vec<f64> = sketch
        .roads
        .iter()
        .filter_map(|s| s.line.last())
        .filter(|p| length(**p) > 0.98)
        .map(|p| p[0].atan2(p[1]).to_degrees())
        .collect();
    directions.sort_by(f64::total_cmp);
    let wrap = directions.first().map(|d| d + 360.0);
    directions.extend(wrap);
    directions.len() <= 2 || directions.windows(2).all(|w| w[1] - w[0] >= APART_DEG)
}

fn length(p: [f64; 2]) -> f64 {
    p[0].hypot(p[1])
}

/// The parts of a line within a circle around the origin.
fn clip(line: &[[f64; 2]], radius: f64) -> Vec<Vec<[f64; 2]>> {
    let parts = clip_counted(line, radius).into_iter();
    parts.map(|(part, ..)| part).collect()
}

/// The same, with the first and the last vertex of the line that each part holds or lies between.
fn clip_counted(line: &[[f64; 2]], radius: f64) -> Vec<(Vec<[f64; 2]>, usize, usize)> {
    let mut parts: Vec<(Vec<[f64; 2]>, usize, usize)> = Vec::new();
    let mut open = false;
    for i in 1..line.len() {
        let (a, b) = (line[i - 1], line[i]);
        let Some((s, t)) = within(a, b, radius) else {
            open = false;
            continue;
        };
        let at = |t: f64| [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
        if !open || s > 0.0 {
            parts.push((vec![at(s)], i - 1 + usize::from(s > 0.0), i));
        }
        if let Some(part) = parts.last_mut() {
            part.0.push(at(t));
            part.2 = if t < 1.0 { i - 1 } else { i };
        }
        open = t >= 1.0;
    }
    parts
}

/// The share of a straight line that lies within a circle around the origin.
fn within(a: [f64; 2], b: [f64; 2], radius: f64) -> Option<(f64, f64)> {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let (aa, bb) = (dx * dx + dy * dy, a[0] * dx + a[1] * dy);
    let cc = a[0] * a[0] + a[1] * a[1] - radius * radius;
    if aa <= 0.0 {
        return (cc <= 0.0).then_some((0.0, 1.0));
    }
    let root = bb * bb - aa * cc;
    if root <= 0.0 {
        return None;
    }
    let (s, t) = ((-bb - root.sqrt()) / aa, (-bb + root.sqrt()) / aa);
    let (s, t) = (s.max(0.0), t.min(1.0));
    (s < t).then_some((s, t))
}
