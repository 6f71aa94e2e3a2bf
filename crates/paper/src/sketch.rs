//! A junction drawn: roads as plain lines, the way thick with a head, a dot where one comes from.

use planner::roadbook::{Sketch, StrokeKind};

use crate::drawing::{INK, PAPER, Pen, QUIET, Shape};

/// Draws a sketch into a square of this side.
pub fn shapes(sketch: &Sketch, side: f32) -> Vec<Shape> {
    let radius = side / 2.0 - 3.0;
    let place = |&[x, y]: &[f64; 2]| {
        [
            side / 2.0 + x as f32 * radius,
            side / 2.0 - y as f32 * radius,
        ]
    };
    let mut shapes = Vec::new();
    for road in &sketch.roads {
        let line: Vec<[f32; 2]> = road.line.iter().map(place).collect();
        let pen = match road.kind {
            StrokeKind::Road => Pen::solid(QUIET, 2.2),
            StrokeKind::Minor => Pen {
                dash: &[2.6, 1.6],
                ..Pen::solid(QUIET, 1.3)
            },
            StrokeKind::Barred => Pen::solid(QUIET, 1.0),
        };
        if road.kind == StrokeKind::Barred {
            shapes.extend(bar(&line));
        }
        shapes.insert(0, Shape::line(line, pen));
    }
    let way: Vec<[f32; 2]> = sketch.way.iter().map(place).collect();
    let Some((&first, &last)) = way.first().zip(way.last()) else {
        return shapes;
    };
    let head = head(&way);
    shapes.push(Shape::line(way.clone(), Pen::solid(PAPER, 5.6)));
    shapes.push(Shape::line(way, Pen::solid(INK, 3.6)));
    shapes.push(Shape::Dot {
        at: first,
        radius: 3.4,
        fill: INK,
        pen: None,
    });
    shapes.push(head.map_or_else(
        || Shape::Dot {
            at: last,
            radius: 2.0,
            fill: INK,
            pen: None,
        },
        |head| Shape::area(head, INK),
    ));
    shapes
}

/// The head at the end of the way, pointing where its last part goes.
fn head(way: &[[f32; 2]]) -> Option<Vec<[f32; 2]>> {
    let end = *way.last()?;
    let apart = |p: &[f32; 2]| (p[0] - end[0]).hypot(p[1] - end[1]);
    let before = way.iter().rev().find(|p| apart(p) > 4.0).or(way.first())?;
    let length = apart(before);
    if length <= 0.0 {
        return None;
    }
    let [dx, dy] = [0, 1].map(|k| (end[k] - before[k]) / length);
    let at = |along: f32, aside: f32| {
        [
            end[0] + along * dx - aside * dy,
            end[1] + along * dy + aside * dx,
        ]
    };
    Some(vec![at(3.0, 0.0), at(-6.0, 5.2), at(-6.0, -5.2)])
}

/// A short bar across a road that may not be entered, near the middle of the sketch.
fn bar(line: &[[f32; 2]]) -> Option<Shape> {
    let mut left = 13.0;
    for pair in line.windows(2) {
        let [a, b] = [pair[0], pair[1]];
        let length = (b[0] - a[0]).hypot(b[1] - a[1]);
        if length >= left && length > 0.0 {
            let [dx, dy] = [0, 1].map(|k| (b[k] - a[k]) / length);
            let at = [a[0] + dx * left, a[1] + dy * left];
            let across = vec![
                [at[0] - 3.0 * dy, at[1] + 3.0 * dx],
                [at[0] + 3.0 * dy, at[1] - 3.0 * dx],
            ];
            return Some(Shape::line(across, Pen::solid(QUIET, 1.8)));
        }
        left -= length;
    }
    None
}
