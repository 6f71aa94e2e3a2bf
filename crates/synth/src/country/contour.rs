//! Outlines of areas by marching squares: rings with the area on their left.

use std::collections::HashMap;

use super::curve::Xy;

/// Rings where a field of `columns` by `rows` posts is positive, `step_m` apart from `corner`.
/// Outer rings run anticlockwise, holes clockwise. The rim of the field counts as outside.
pub(crate) fn rings(
    (columns, rows): (usize, usize),
    corner: Xy,
    step_m: f64,
    value: impl Fn(usize, usize) -> f64,
) -> Vec<Vec<Xy>> {
    let at = |c: usize, r: usize| {
        let rim = c == 0 || r == 0 || c + 1 == columns || r + 1 == rows;
        // Never exactly zero, so that every crossing has a side.
        let v = value(c, r);
        if rim {
            v.min(-1e-3)
        } else if v == 0.0 {
            -1e-9
        } else {
            v
        }
    };
    // Crossed grid edges: (column, row, 0 = eastwards or 1 = northwards).
    type Edge = (u32, u32, u8);
    let mut next: HashMap<Edge, Vec<Edge>> = HashMap::new();
    let mut order: Vec<Edge> = Vec::new();
    for r in 0..rows.saturating_sub(1) {
        for c in 0..columns.saturating_sub(1) {
            let v = [at(c, r), at(c + 1, r), at(c + 1, r + 1), at(c, r + 1)];
            let bits = v
                .iter()
                .enumerate()
                .fold(0, |b, (i, &x)| b | usize::from(x > 0.0) << i);
            if bits == 0 || bits == 15 {
                continue;
            }
            let (c, r) = (c as u32, r as u32);
            let (s, e, n, w) = ((c, r, 0), (c + 1, r, 1), (c, r + 1, 0), (c, r, 1));
            let pieces: &[(Edge, Edge)] = &match bits {
                1 => vec![(s, w)],
                2 => vec![(e, s)],
                3 => vec![(e, w)],
                4 => vec![(n, e)],
                5 => vec![(s, w), (n, e)],
                6 => vec![(n, s)],
                7 => vec![(n, w)],
                8 => vec![(w, n)],
                9 => vec![(s, n)],
                10 => vec![(e, s), (w, n)],
                11 => vec![(e, n)],
                12 => vec![(w, e)],
                13 => vec![(s, e)],
                _ => vec![(w, s)],
            };
            for &(from, to) in pieces {
                next.entry(from).or_default().push(to);
                order.push(from);
            }
        }
    }
    let place = |(c, r, north): Edge| {
        let (c1, r1) = if north == 1 { (c, r + 1) } else { (c + 1, r) };
        let (a, b) = (at(c as usize, r as usize), at(c1 as usize, r1 as usize));
        // Kept off the posts so that rings do not touch themselves.
        let t = (a / (a - b)).clamp(0.05, 0.95);
        let (x, y) = (f64::from(c), f64::from(r));
        let (dx, dy) = (f64::from(c1 - c), f64::from(r1 - r));
        (
            corner.0 + (x + dx * t) * step_m,
            corner.1 + (y + dy * t) * step_m,
        )
    };
    let mut rings = Vec::new();
    for start in order {
        let mut ring = Vec::new();
        let mut edge = start;
        while let Some(to) = next.get_mut(&edge).and_then(Vec::pop) {
            ring.push(place(edge));
            edge = to;
        }
        if ring.len() > 2 && edge == start {
            ring.push(ring[0]);
            rings.push(ring);
        }
    }
    rings
}

/// Twice the signed area; positive for anticlockwise rings.
pub(crate) fn signed_area_m2(ring: &[Xy]) -> f64 {
    ring.windows(2)
        .map(|p| p[0].0 * p[1].1 - p[1].0 * p[0].1)
        .sum::<f64>()
        / 2.0
}

/// Whether a point lies in a ring, by crossings of a ray.
pub(crate) fn contains(ring: &[Xy], at: Xy) -> bool {
    ring.windows(2).fold(false, |inside, p| {
        let (a, b) = (p[0], p[1]);
        let hit =
            (a.1 > at.1) != (b.1 > at.1) && at.0 < (b.0 - a.0) * (at.1 - a.1) / (b.1 - a.1) + a.0;
        inside ^ hit
    })
}

/// Corner-cut ring (Chaikin 1974): rounds what the grid made angular.
pub(crate) fn soften(ring: &[Xy]) -> Vec<Xy> {
    let mut soft: Vec<Xy> = ring
        .windows(2)
        .flat_map(|p| {
            let mix = |t: f64| {
                (
                    p[0].0 + (p[1].0 - p[0].0) * t,
                    p[0].1 + (p[1].1 - p[0].1) * t,
                )
            };
            [mix(0.25), mix(0.75)]
        })
        .collect();
    soft.extend(soft.first().copied());
    soft
}
