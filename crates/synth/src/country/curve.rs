//! From corner points to a line one can ride: hairpins with a radius, splines in between.

/// A point in the plane, metres.
pub(crate) type Xy = (f64, f64);

/// Corners that turn more than this are built as hairpins, radians.
const HAIRPIN_TURN: f64 = 1.75;
/// The line bends outwards by this much on either side of a hairpin, radians.
const FLARE: f64 = 0.3;

/// Rounds a polyline. `radius_m(corner)` gives the radius of a hairpin there. Gives the curve,
/// which begins and ends at the ends of the corners, and for each corner the nearest index on it.
pub(crate) fn round(
    corners: &[Xy],
    radius_m: impl Fn(usize) -> f64,
    straight_m: f64,
) -> (Vec<Xy>, Vec<usize>) {
    if corners.len() < 3 {
        return (corners.to_vec(), (0..corners.len()).collect());
    }
    let mut control = vec![corners[0]];
    for at in 1..corners.len() - 1 {
        let (before, here, after) = (corners[at - 1], corners[at], corners[at + 1]);
        let (u, first_m) = unit(before, here);
        let (v, second_m) = unit(here, after);
        let turn = (u.0 * v.1 - u.1 * v.0).atan2(u.0 * v.0 + u.1 * v.1);
        let limb_m = first_m.min(second_m) * 0.5;
        if turn.abs() < HAIRPIN_TURN || limb_m < 15.0 {
            control.push(here);
            continue;
        }
        let radius_m = radius_m(at).min(limb_m / 2.3);
        // Unit vector into the bend, and the circle's centre on it.
        let (bx, by) = (v.0 - u.0, v.1 - u.1);
        let length = bx.hypot(by).max(1e-9);
        let inward = (bx / length, by / length);
        let centre = (
            here.0 + inward.0 * radius_m * 1.25,
            here.1 + inward.1 * radius_m * 1.25,
        );
        let half = (turn.abs() / 2.0 + FLARE).min(1.85);
        let side = turn.signum();
        let lead_m = (radius_m * 3.6).min(limb_m * 1.1);
        control.push((here.0 - u.0 * lead_m, here.1 - u.1 * lead_m));
        const ARC_POINTS: usize = 9;
        for k in 0..=ARC_POINTS {
            let angle = side * half * (2.0 * k as f64 / ARC_POINTS as f64 - 1.0);
            let (sin, cos) = angle.sin_cos();
            let out = (-inward.0, -inward.1);
            control.push((
                centre.0 + radius_m * (out.0 * cos - out.1 * sin),
                centre.1 + radius_m * (out.0 * sin + out.1 * cos),
            ));
        }
        control.push((here.0 + v.0 * lead_m, here.1 + v.1 * lead_m));
    }
    control.push(corners[corners.len() - 1]);
    let curve = thin(&spline(&control), straight_m);
    let mut marks = Vec::with_capacity(corners.len());
    let mut from = 0;
    for corner in corners {
        // The curve passes the corners in order; look ahead over a bounded stretch.
        let ahead = (from..curve.len().min(from + 90)).min_by(|&a, &b| {
            let far = |i: usize| (curve[i].0 - corner.0).hypot(curve[i].1 - corner.1);
            far(a).total_cmp(&far(b))
        });
        from = ahead.unwrap_or(from);
        marks.push(from);
    }
    if let Some(last) = marks.last_mut() {
        *last = curve.len() - 1;
    }
    marks[0] = 0;
    (curve, marks)
}

fn unit(a: Xy, b: Xy) -> (Xy, f64) {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length = dx.hypot(dy).max(1e-9);
    ((dx / length, dy / length), length)
}

/// Uniform cubic B-spline through the ends, sampled every few degrees of turning.
pub(crate) fn spline(control: &[Xy]) -> Vec<Xy> {
    let last = control.len() - 1;
    let at = |i: isize| -> Xy {
        // Mirrored phantom points make the spline begin and end at its ends.
        if i < 0 {
            let (a, b) = (control[0], control[1]);
            (2.0 * a.0 - b.0, 2.0 * a.1 - b.1)
        } else if i as usize > last {
            let (a, b) = (control[last], control[last - 1]);
            (2.0 * a.0 - b.0, 2.0 * a.1 - b.1)
        } else {
            control[i as usize]
        }
    };
    let mut curve = vec![control[0]];
    for span in 0..last as isize {
        let p = [at(span - 1), at(span), at(span + 1), at(span + 2)];
        let length = (p[2].0 - p[1].0).hypot(p[2].1 - p[1].1);
        let heading = |a: Xy, b: Xy| (b.1 - a.1).atan2(b.0 - a.0);
        let turn = (heading(p[1], p[3]) - heading(p[0], p[2])).abs();
        let turn = turn.min(std::f64::consts::TAU - turn);
        let pieces = (turn / 0.13)
            .max(length / 25.0)
            .min(length / 2.5)
            .ceil()
            .max(1.0) as usize;
        for k in 1..=pieces {
            let t = k as f64 / pieces as f64;
            let (t2, t3) = (t * t, t * t * t);
            let w = [
                (1.0 - 3.0 * t + 3.0 * t2 - t3) / 6.0,
                (4.0 - 6.0 * t2 + 3.0 * t3) / 6.0,
                (1.0 + 3.0 * t + 3.0 * t2 - 3.0 * t3) / 6.0,
                t3 / 6.0,
            ];
            curve.push((
                (0..4).map(|i| w[i] * p[i].0).sum(),
                (0..4).map(|i| w[i] * p[i].1).sum(),
            ));
        }
    }
    if let Some(end) = curve.last_mut() {
        *end = control[last];
    }
    curve
}

/// Drops points that neither turn the line nor end a long straight, and points too close.
fn thin(curve: &[Xy], straight_m: f64) -> Vec<Xy> {
    let mut kept = vec![curve[0]];
    let last = curve.len() - 1;
    for at in 1..last {
        let (u, gone_m) = unit(kept[kept.len() - 1], curve[at]);
        let (v, next_m) = unit(curve[at], curve[at + 1]);
        let turn = (u.0 * v.1 - u.1 * v.0).atan2(u.0 * v.0 + u.1 * v.1).abs();
        let close = gone_m < 3.5 && turn < 0.6;
        let flat = turn < 0.045 && gone_m + next_m < straight_m;
        if !close && !flat {
            kept.push(curve[at]);
        }
    }
    if kept.len() > 1 && unit(kept[kept.len() - 1], curve[last]).1 < 2.0 {
        kept.pop();
    }
    kept.push(curve[last]);
    kept
}

/// Running length at every point of a line.
pub(crate) fn lengths(line: &[Xy]) -> Vec<f64> {
    let mut sum = 0.0;
    let mut all = vec![0.0];
    for pair in line.windows(2) {
        sum += (pair[1].0 - pair[0].0).hypot(pair[1].1 - pair[0].1);
        all.push(sum);
    }
    all
}

/// The point and heading at a length along a line.
pub(crate) fn at_length(line: &[Xy], lengths: &[f64], s: f64) -> (Xy, Xy) {
    let seg = lengths
        .partition_point(|&l| l <= s)
        .clamp(1, line.len() - 1)
        - 1;
    let (u, length) = unit(line[seg], line[seg + 1]);
    let t = ((s - lengths[seg]) / length).clamp(0.0, 1.0);
    let (a, b) = (line[seg], line[seg + 1]);
    ((a.0 + (b.0 - a.0) * t, a.1 + (b.1 - a.1) * t), u)
}

/// A line beside a line; positive is to the left. Corners are mitred.
pub(crate) fn beside(line: &[Xy], left_m: f64) -> Vec<Xy> {
    let n = line.len();
    (0..n)
        .map(|i| {
            let (u, _) = unit(line[i.saturating_sub(1)], line[(i + 1).min(n - 1)]);
            (line[i].0 - u.1 * left_m, line[i].1 + u.0 * left_m)
        })
        .collect()
}
