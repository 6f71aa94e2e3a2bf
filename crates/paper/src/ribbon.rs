//! A day along the clock: height, light, bends, ground, fuel and halts.

use planner::day::sheet::{LightKind, Row, RowKind};
use planner::plan::{Day, Leg, Plan, Run};

use crate::drawing::{Anchor, Colour, FAINT, INK, PAPER, Pen, QUIET, Shape, WARN};
use crate::letters;

const NIGHT: Colour = [0x8f, 0x93, 0xa6];
const TWILIGHT: Colour = [0xd3, 0xd3, 0xde];
const HILLS: Colour = [0xb9, 0xb3, 0xa2];
const LEVEL: Colour = [0x2f, 0x62, 0x7d];
/// From almost nothing to deep plum; the lower ends of the classes, degrees per kilometre.
const BENDS: [(f32, Colour); 6] = [
    (0.0, [0xec, 0xe3, 0xe8]),
    (40.0, [0xdb, 0xc4, 0xd1]),
    (80.0, [0xc5, 0xa0, 0xb7]),
    (160.0, [0xa8, 0x76, 0x98]),
    (320.0, [0x84, 0x4b, 0x76]),
    (640.0, [0x5a, 0x24, 0x50]),
];

/// Height of a ribbon, points.
pub const HEIGHT: f32 = 74.0;
const FIELD: f32 = 44.0;
const TOP: f32 = 10.0;

/// A place of the day.
struct Spot {
    m: f64,
    clock_s: f64,
    height_m: Option<f32>,
}

/// Draws a day over a width.
pub fn shapes(plan: &Plan, day: &Day, width: f32) -> Vec<Shape> {
    let legs = &plan.legs[day.first_point as usize..day.last_point as usize];
    let rows = &day.sheet.rows;
    let spots = spots(legs, rows);
    let span_s = rows.last().map_or(1.0, |r| r.to_s.max(60.0));
    let x = |s: f64| (s / span_s) as f32 * width;
    let clock_of = |m: f64| {
        let i = spots
            .partition_point(|s| s.m < m)
            .min(spots.len().max(1) - 1);
        spots.get(i).map_or(0.0, |s| s.clock_s)
    };
    let bottom = TOP + FIELD;
    let mut shapes = vec![Shape::rect([0.0, TOP, width, FIELD], [0xf6, 0xf4, 0xee])];
    for light in &day.sheet.light {
        let colour = match light.kind {
            LightKind::Night => NIGHT,
            LightKind::Twilight => TWILIGHT,
            LightKind::LowSun => continue,
        };
        let (from, to) = (x(light.from_s), x(light.to_s));
        shapes.push(Shape::rect([from, TOP, to - from, FIELD], colour));
    }
    hills(&spots, &x, width, &mut shapes);
    bands(legs, &clock_of, &x, bottom, &mut shapes);
    hours(day, span_s, &x, bottom, &mut shapes);
    fuel(day, &clock_of, &x, bottom, &mut shapes);
    for light in &day.sheet.light {
        if light.kind == LightKind::LowSun {
            let (from, to) = (x(light.from_s), x(light.to_s));
            let line = vec![[from, TOP + 1.5], [to, TOP + 1.5]];
            let pen = Pen {
                colour: WARN,
                width: 1.4,
                dash: &[1.5, 1.5],
            };
            shapes.push(Shape::line(line, pen));
        }
    }
    halts(rows, &x, width, bottom, &mut shapes);
    shapes
}

/// The clock at so many seconds of riding, by the rows of the day.
fn clock_s(rows: &[Row], riding_s: f64) -> f64 {
    let after = rows.partition_point(|r| r.riding_s <= riding_s);
    match after.checked_sub(1).map(|i| &rows[i]) {
        None => riding_s,
        Some(row) => {
            let next = rows.get(after).map_or(f64::INFINITY, |n| n.from_s);
            (row.to_s + riding_s - row.riding_s).min(next)
        }
    }
}

fn spots(legs: &[Leg], rows: &[Row]) -> Vec<Spot> {
    let mut spots = Vec::new();
    let (mut start_m, mut start_s) = (0.0, 0.0);
    for leg in legs {
        if let Some(line) = &leg.line {
            let columns = line.distance_m.iter().zip(&line.elapsed_s);
            spots.extend(columns.zip(&line.height_m).map(|((m, s), &height_m)| Spot {
                m: start_m + m,
                clock_s: clock_s(rows, start_s + s),
                height_m,
            }));
        }
        start_m += leg.sums.length_m;
        start_s += leg.sums.riding_s;
    }
    spots
}

fn hills(spots: &[Spot], x: &dyn Fn(f64) -> f32, width: f32, shapes: &mut Vec<Shape>) {
    let heights = || spots.iter().filter_map(|s| s.height_m);
    let Some(low) = heights().min_by(f32::total_cmp) else {
        return;
    };
    // A flat country must not look like mountains.
    let high = heights().fold(low + 150.0, f32::max);
    let y = |h: f32| TOP + FIELD - 2.0 - (h - low) / (high - low) * (FIELD - 8.0);
    let mut line: Vec<[f32; 2]> = Vec::new();
    for spot in spots {
        let Some(h) = spot.height_m else { continue };
        let at = [x(spot.clock_s).min(width), y(h)];
        if line.last().is_none_or(|last| at[0] - last[0] >= 0.4) {
            line.push(at);
        }
    }
    let (Some(first), Some(last)) = (line.first().copied(), line.last().copied()) else {
        return;
    };
    line.push([last[0], TOP + FIELD]);
    line.push([first[0], TOP + FIELD]);
    shapes.push(Shape::area(line, HILLS));
    for (h, y_at) in [(high, TOP + 7.0), (low, TOP + FIELD - 3.0)] {
        let mut text = Shape::words([2.0, y_at], 5.5, format!("{h:.0} m"));
        text.colour = QUIET;
        text.rim = true;
        shapes.push(Shape::Text(text));
    }
}

/// Bends, and below them the ground.
fn bands(
    legs: &[Leg],
    clock_of: &dyn Fn(f64) -> f64,
    x: &dyn Fn(f64) -> f32,
    bottom: f32,
    shapes: &mut Vec<Shape>,
) {
    let mut start_m = 0.0;
    for leg in legs {
        for run in leg.line.iter().flat_map(|l| &l.runs) {
            let at = |row: u32| {
                let line = leg.line.as_ref();
                let m = line.and_then(|l| l.distance_m.get(row as usize));
                x(clock_of(start_m + m.copied().unwrap_or(0.0)))
            };
            let (from, to) = (at(run.from), at(run.to));
            if to <= from {
                continue;
            }
            if run.class != "free" && run.class != "ferry" {
                let rate = run.bend_deg_per_km;
                let class = BENDS
                    .iter()
                    .rev()
                    .find(|b| rate >= b.0)
                    .unwrap_or(&BENDS[0]);
                shapes.push(Shape::rect([from, bottom, to - from + 0.15, 6.0], class.1));
            }
            if let Some(pen) = ground(run) {
                let line = vec![[from, bottom + 8.5], [to, bottom + 8.5]];
                shapes.push(Shape::line(line, pen));
            }
        }
        start_m += leg.sums.length_m;
    }
}

/// Solid paved, dashed unpaved, dotted unknown; thin without a road.
fn ground(run: &Run) -> Option<Pen> {
    let pen = |dash| {
        Some(Pen {
            colour: QUIET,
            width: 1.6,
            dash,
        })
    };
    match (run.class.as_str(), run.paved) {
        ("ferry", _) => None,
        ("free", _) => pen(&[0.6, 3.0]),
        (_, Some(true)) => pen(&[]),
        (_, Some(false)) => pen(&[4.0, 2.0]),
        (_, None) => pen(&[1.2, 1.6]),
    }
}

fn hours(day: &Day, span_s: f64, x: &dyn Fn(f64) -> f32, bottom: f32, shapes: &mut Vec<Shape>) {
    let first_s = day.depart.as_deref().map_or(0.0, seconds_of_day);
    let step_s = match span_s / 3600.0 {
        h if h < 3.0 => 1800.0,
        h if h < 8.0 => 3600.0,
        h if h < 16.0 => 7200.0,
        _ => 21600.0,
    };
    let mut at_s = (first_s / step_s).ceil() * step_s;
    while at_s - first_s <= span_s {
        let at = x(at_s - first_s);
        let pen = Pen::solid(FAINT, 0.5);
        shapes.push(Shape::line(vec![[at, TOP], [at, bottom + 10.0]], pen));
        let minutes = (at_s / 60.0).round() as u64;
        let mut text = Shape::words(
            [at.max(1.0), bottom + 18.0],
            6.0,
            format!("{:02}:{:02}", minutes / 60 % 24, minutes % 60),
        );
        text.colour = QUIET;
        text.anchor = if at < 10.0 {
            Anchor::Start
        } else {
            Anchor::Middle
        };
        shapes.push(Shape::Text(text));
        at_s += step_s;
    }
}

fn seconds_of_day(stamp: &str) -> f64 {
    let clock = stamp.split_once('T').map_or("", |s| s.1);
    let mut parts = clock.split(':').map(|p| p.parse::<f64>().unwrap_or(0.0));
    let (h, m) = (parts.next().unwrap_or(0.0), parts.next().unwrap_or(0.0));
    h * 3600.0 + m * 60.0
}

fn fuel(
    day: &Day,
    clock_of: &dyn Fn(f64) -> f64,
    x: &dyn Fn(f64) -> f32,
    bottom: f32,
    shapes: &mut Vec<Shape>,
) {
    let fuel = &day.sheet.fuel;
    let most = fuel.level.iter().map(|l| l[1]).fold(0.0, f64::max);
    if most <= 0.0 {
        return;
    }
    let at = |km: f64, litres: f64| {
        let y = bottom - 2.0 - (litres / most) as f32 * (FIELD - 8.0);
        [x(clock_of(km * 1000.0)), y]
    };
    let mut line: Vec<[f32; 2]> = Vec::new();
    for pair in fuel.level.windows(2) {
        // The clock is not even along the road.
        for i in 0..=20 {
            let t = f64::from(i) / 20.0;
            let value = |k: usize| pair[0][k] + t * (pair[1][k] - pair[0][k]);
            line.push(at(value(0), value(1)));
        }
    }
    shapes.push(Shape::line(
        line,
        Pen {
            colour: LEVEL,
            width: 1.0,
            dash: &[3.0, 1.2],
        },
    ));
    for stop in &fuel.stops {
        let here = x(clock_of(stop.km * 1000.0));
        shapes.push(mark(here, bottom, "F", LEVEL));
    }
    for dry in &fuel.dry {
        let here = x(clock_of(dry.km * 1000.0));
        shapes.push(mark(here, bottom, "fuel!", WARN));
    }
}

fn mark(x: f32, bottom: f32, text: &str, colour: Colour) -> Shape {
    let mut text = Shape::words([x, bottom - 3.0], 6.5, text);
    (text.bold, text.anchor, text.colour, text.rim) = (true, Anchor::Middle, colour, true);
    Shape::Text(text)
}

fn halts(rows: &[Row], x: &dyn Fn(f64) -> f32, width: f32, bottom: f32, shapes: &mut Vec<Shape>) {
    let mut free_from = 0.0f32;
    for row in rows {
        let (from, to) = (x(row.from_s), x(row.to_s));
        let (name, pen) = match row.kind {
            RowKind::Halt => (row.text.as_str(), Pen::solid(INK, 0.9)),
            RowKind::Rest => ("rest", Pen::solid(QUIET, 0.6)),
            RowKind::Ferry => ("ferry", Pen::solid(INK, 0.9)),
            _ => continue,
        };
        if to - from > 0.5 {
            shapes.push(Shape::Path {
                lines: vec![vec![
                    [from, TOP],
                    [to, TOP],
                    [to, bottom + 10.0],
                    [from, bottom + 10.0],
                ]],
                closed: true,
                fill: Some(PAPER),
                pen: Some(pen),
            });
        } else {
            shapes.push(Shape::line(vec![[from, TOP], [from, bottom + 10.0]], pen));
        }
        let words = letters::cut(name, 70.0, 6.0, false);
        let long = letters::width(&words, 6.0, false);
        let start = from.min(width - long).max(0.0);
        if !words.is_empty() && start >= free_from {
            shapes.push(Shape::Text(Shape::words([start, TOP - 3.0], 6.0, words)));
            free_from = start + long + 3.0;
        }
    }
}
