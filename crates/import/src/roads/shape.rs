//! How a road bends: turning and curve radius, robust against the noise of digitised lines.
//!
//! Summing the angles between vertices measures noise: a straight road whose vertices, 20 m apart,
//! are off by half a metre turns 140 degrees per kilometre. So the line is first replaced by the
//! shortest path within a tube of [`TUBE_M`] around it (a string pulled taut through gates across
//! the road at every vertex; funnel algorithm: Lee & Preparata 1984, Networks 14:393-410). The
//! string turns no more than it must: noise within the tube vanishes, while a curve of any radius
//! keeps all of its turning. Measured against the length of the original line, a circle of radius
//! R gives 180/pi * 1000/R degrees per kilometre.
//!
//! Each turn of the string is then spread over the road around it, half way to the neighbouring
//! turns, but no further than an arc can reach that stays within [`SPREAD_M`] of the corner: that
//! gives the radius.

use region::{RADIUS_BAND_M, RADIUS_BANDS};

/// Half the width of the tube, metres: twice the noise of a well-drawn road.
const TUBE_M: f64 = 2.0;
/// How far off the corner the arc may run over which a turn is spread, metres.
const SPREAD_M: f64 = 4.0;
/// Vertices closer than this are taken as one.
const MIN_SPACING_M: f64 = 3.0;
/// Over which stretch before and after a vertex the direction of its gate is taken.
const GATE_CHORD_M: f64 = 8.0;
/// A curve counts at most as one of this radius: the share of one hairpin is capped, or a stack of
/// hairpins would drown everything else.
const CAP_RADIUS_M: f64 = 20.0;

/// A stretch of the line that turns evenly.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bend {
    /// Start along the line, metres.
    pub from_m: f64,
    /// End along the line, metres.
    pub to_m: f64,
    /// Turning, radians, without sign.
    pub turn_rad: f64,
    /// Whether it turns left.
    pub is_left: bool,
}

impl Bend {
    /// Radius of the curve, metres.
    pub fn radius_m(&self) -> f64 {
        (self.to_m - self.from_m) / self.turn_rad
    }
}

/// Distance along a line at each of its points.
pub fn chainage_m(line: &[[f64; 2]]) -> Vec<f64> {
    let mut at = 0.0;
    let steps = line.windows(2).map(|w| {
        at += distance(w[0], w[1]);
        at
    });
    std::iter::once(0.0).chain(steps).collect()
}

/// The bends of a line in a plane, in order, not overlapping.
pub fn bends(line: &[[f64; 2]], is_closed: bool) -> Vec<Bend> {
    let chainage = chainage_m(line);
    let length_m = chainage[chainage.len() - 1];
    if !is_closed || length_m > 10_000.0 {
        return open_bends(line, &chainage);
    }
    // Three times around; the middle round knows what comes before and after.
    let (first, last) = (line[0], line[line.len() - 1]);
    let mut rounds = line.to_vec();
    for round in 1..3 {
        let shift = [0, 1].map(|i| f64::from(round) * (last[i] - first[i]));
        rounds.extend(line[1..].iter().map(|p| [p[0] + shift[0], p[1] + shift[1]]));
    }
    let chainage = chainage_m(&rounds);
    let inside = open_bends(&rounds, &chainage).into_iter().filter_map(|b| {
        let (from_m, to_m) = (b.from_m.max(length_m), b.to_m.min(2.0 * length_m));
        let share = (to_m - from_m) / (b.to_m - b.from_m);
        (share > 0.0).then_some(Bend {
            from_m: from_m - length_m,
            to_m: to_m - length_m,
            turn_rad: b.turn_rad * share,
            is_left: b.is_left,
        })
    });
    inside.collect()
}

fn open_bends(line: &[[f64; 2]], chainage: &[f64]) -> Vec<Bend> {
    let gates = gates(line, chainage);
    if gates.len() < 3 {
        return Vec::new();
    }
    // The string starts at the side of the first corner it meets: it must not have to cross the
    // tube first.
    let (start, end) = (&gates[0], &gates[gates.len() - 1]);
    let rough = taut(&gates, start.middle(), end.middle());
    let side = |gate: &Gate, corner: Option<&Corner>| match corner {
        Some(c) if c.is_left => gate.left,
        Some(_) => gate.right,
        None => gate.middle(),
    };
    let (start, end) = (side(start, rough.first()), side(end, rough.last()));
    let corners = taut(&gates, start, end);

    let total = chainage[chainage.len() - 1];
    let mut turns: Vec<(f64, f64)> = Vec::with_capacity(corners.len());
    for i in 0..corners.len() {
        let before = if i == 0 { start } else { corners[i - 1].at };
        let after = corners.get(i + 1).map_or(end, |c| c.at);
        let turn = turning(before, corners[i].at, after);
        if turn.abs() > 1e-6 {
            turns.push((gates[corners[i].gate].chainage_m, turn));
        }
    }
    let mut bends = Vec::with_capacity(turns.len());
    for (i, &(at, turn)) in turns.iter().enumerate() {
        let before = if i == 0 {
            at
        } else {
            (at - turns[i - 1].0) / 2.0
        };
        let after = turns
            .get(i + 1)
            .map_or(total - at, |next| (next.0 - at) / 2.0);
        let reach = reach_m(turn.abs());
        let (from_m, to_m) = (at - before.min(reach), at + after.min(reach));
        if to_m > from_m {
            bends.push(Bend {
                from_m,
                to_m,
                turn_rad: turn.abs(),
                is_left: turn > 0.0,
            });
        }
    }
    bends
}

/// Length of the tangents of an arc that turns so much and stays within [`SPREAD_M`] of the corner
/// of its tangents: R = E / (sec(turn / 2) - 1), T = R tan(turn / 2).
fn reach_m(turn_rad: f64) -> f64 {
    let half = turn_rad.min(3.0) / 2.0;
    SPREAD_M / (1.0 / half.cos() - 1.0) * half.tan()
}

/// A line across the road that the string must pass.
struct Gate {
    left: [f64; 2],
    right: [f64; 2],
    chainage_m: f64,
}

impl Gate {
    fn middle(&self) -> [f64; 2] {
        [
            (self.left[0] + self.right[0]) / 2.0,
            (self.left[1] + self.right[1]) / 2.0,
        ]
    }
}

fn gates(line: &[[f64; 2]], chainage: &[f64]) -> Vec<Gate> {
    let last = line.len() - 1;
    let mut kept = vec![0];
    for i in 1..last {
        if chainage[i] - chainage[kept[kept.len() - 1]] >= MIN_SPACING_M {
            kept.push(i);
        }
    }
    while kept.len() > 1 && chainage[last] - chainage[kept[kept.len() - 1]] < MIN_SPACING_M {
        kept.pop();
    }
    kept.push(last);
    let mut walker = Walker {
        line,
        chainage,
        at: 0,
    };
    let mut ahead = Walker {
        line,
        chainage,
        at: 0,
    };
    let mut gates = Vec::with_capacity(kept.len());
    for (k, &i) in kept.iter().enumerate() {
        let (p, s) = (line[i], chainage[i]);
        let back = walker.position(s - GATE_CHORD_M);
        let on = ahead.position(s + GATE_CHORD_M);
        let (into, out) = (direction(back, p), direction(p, on));
        let along = match (into, out) {
            (Some(a), Some(b)) => unit([a[0] + b[0], a[1] + b[1]]).unwrap_or(a),
            (Some(a), None) | (None, Some(a)) => a,
            (None, None) => continue,
        };
        let turn = match (into, out) {
            (Some(a), Some(b)) => (a[0] * b[1] - a[1] * b[0]).atan2(a[0] * b[0] + a[1] * b[1]),
            _ => 0.0,
        };
        // In a tight curve gates must not cross before the centre.
        let gap_before = if k == 0 {
            f64::MAX
        } else {
            s - chainage[kept[k - 1]]
        };
        let gap_after = kept.get(k + 1).map_or(f64::MAX, |&n| chainage[n] - s);
        let room = 0.5 * gap_before.min(gap_after) / (turn.abs() / 2.0).tan().max(1e-9);
        let half = TUBE_M.min(room.max(0.1));
        let across = [-along[1] * half, along[0] * half];
        gates.push(Gate {
            left: [p[0] + across[0], p[1] + across[1]],
            right: [p[0] - across[0], p[1] - across[1]],
            chainage_m: s,
        });
    }
    gates
}

/// Positions along a line, asked in ascending order.
struct Walker<'a> {
    line: &'a [[f64; 2]],
    chainage: &'a [f64],
    at: usize,
}

impl Walker<'_> {
    fn position(&mut self, s: f64) -> [f64; 2] {
        let last = self.line.len() - 1;
        while self.at + 1 < last && self.chainage[self.at + 1] < s {
            self.at += 1;
        }
        let (a, b) = (self.at, (self.at + 1).min(last));
        let span = self.chainage[b] - self.chainage[a];
        let t = if span > 0.0 {
            ((s - self.chainage[a]) / span).clamp(0.0, 1.0)
        } else {
            0.0
        };
        [0, 1].map(|i| self.line[a][i] + t * (self.line[b][i] - self.line[a][i]))
    }
}

struct Corner {
    gate: usize,
    at: [f64; 2],
    is_left: bool,
}

/// The corners of the shortest path through all gates.
fn taut(gates: &[Gate], start: [f64; 2], end: [f64; 2]) -> Vec<Corner> {
    let mut corners = Vec::new();
    let last = gates.len() - 1;
    let side = |i: usize| {
        if i == last {
            (end, end)
        } else {
            (gates[i].left, gates[i].right)
        }
    };
    let mut apex = start;
    let (mut left, mut right) = (start, start);
    let (mut left_at, mut right_at) = (0, 0);
    let mut i = 1;
    while i <= last {
        let (new_left, new_right) = side(i);
        // Narrow the right side of the funnel.
        if cross(apex, right, new_right) >= 0.0 {
            if right == apex || cross(apex, left, new_right) < 0.0 || left == apex {
                (right, right_at) = (new_right, i);
            } else {
                corners.push(Corner {
                    gate: left_at,
                    at: left,
                    is_left: true,
                });
                apex = left;
                (right, i) = (left, left_at + 1);
                right_at = left_at;
                continue;
            }
        }
        // Narrow the left side.
        if cross(apex, left, new_left) <= 0.0 {
            if left == apex || cross(apex, right, new_left) > 0.0 || right == apex {
                (left, left_at) = (new_left, i);
            } else {
                corners.push(Corner {
                    gate: right_at,
                    at: right,
                    is_left: false,
                });
                apex = right;
                (left, i) = (right, right_at + 1);
                left_at = right_at;
                continue;
            }
        }
        i += 1;
    }
    corners
}

/// Twice the signed area of a triangle: positive if `b` lies left of the ray from `o` through `a`.
fn cross(o: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0])
}

fn turning(a: [f64; 2], b: [f64; 2], c: [f64; 2]) -> f64 {
    let (u, v) = ([b[0] - a[0], b[1] - a[1]], [c[0] - b[0], c[1] - b[1]]);
    (u[0] * v[1] - u[1] * v[0]).atan2(u[0] * v[0] + u[1] * v[1])
}

fn direction(a: [f64; 2], b: [f64; 2]) -> Option<[f64; 2]> {
    unit([b[0] - a[0], b[1] - a[1]])
}

fn unit(v: [f64; 2]) -> Option<[f64; 2]> {
    let length = v[0].hypot(v[1]);
    (length > 1e-6).then(|| [v[0] / length, v[1] / length])
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (b[0] - a[0]).hypot(b[1] - a[1])
}

/// A curve: neighbouring bends to one side and of about one radius, within a stretch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Curve {
    /// Start, metres from the start of the stretch.
    pub from_m: f64,
    /// Length, metres.
    pub length_m: f64,
    /// Turning, radians, left positive.
    pub turn_rad: f64,
}

/// Wider than this a road is ridden as if it were straight, metres (the influence of radius on
/// speed ends at some 600 m: Frontiers in Future Transportation 2024, 1260051).
const STRAIGHT_RADIUS_M: f64 = 1000.0;
/// Radii of neighbouring bends this near, as a ratio, make one curve.
const SAME_RADIUS: f64 = 1.35;

/// The curves of stretches that follow one another; `ends_m` are their ends along the line.
pub fn curves_of(bends: &[Bend], ends_m: &[f64]) -> Vec<Vec<Curve>> {
    let mut all = Vec::with_capacity(ends_m.len());
    let (mut start_m, mut next) = (0.0, 0);
    for &end_m in ends_m {
        let mut curves: Vec<Curve> = Vec::new();
        while let Some(bend) = bends.get(next).filter(|b| b.from_m < end_m) {
            let (from_m, to_m) = (bend.from_m.max(start_m), bend.to_m.min(end_m));
            if to_m > from_m && bend.radius_m() < STRAIGHT_RADIUS_M {
                let length_m = to_m - from_m;
                let side = if bend.is_left { 1.0 } else { -1.0 };
                let turn_rad = side * bend.turn_rad * length_m / (bend.to_m - bend.from_m);
                let from_m = from_m - start_m;
                match curves.last_mut() {
                    Some(last)
                        if last.turn_rad * turn_rad > 0.0
                            && from_m - (last.from_m + last.length_m) < 1.0
                            && is_same_radius(last.length_m / last.turn_rad.abs(), bend) =>
                    {
                        last.length_m = from_m + length_m - last.from_m;
                        last.turn_rad += turn_rad;
                    }
                    _ => curves.push(Curve {
                        from_m,
                        length_m,
                        turn_rad,
                    }),
                }
            }
            if bend.to_m > end_m {
                break;
            }
            next += 1;
        }
        all.push(curves);
        start_m = end_m;
    }
    all
}

fn is_same_radius(radius_m: f64, bend: &Bend) -> bool {
    let ratio = radius_m / bend.radius_m();
    (1.0 / SAME_RADIUS..SAME_RADIUS).contains(&ratio)
}

/// Shape of a stretch of a line.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Shape {
    /// Turning per length, degrees per kilometre, each curve counted as one of [`CAP_RADIUS_M`] at
    /// most.
    pub bend_deg_per_km: f64,
    /// Share of the length in each radius band, in 1/255, summing to 255.
    pub radius_share: [u8; RADIUS_BANDS],
}

/// Shapes of stretches that follow one another; `ends_m` are their ends along the line.
pub fn shapes(bends: &[Bend], ends_m: &[f64]) -> Vec<Shape> {
    let mut shapes = Vec::with_capacity(ends_m.len());
    let mut from_m = 0.0;
    let mut next = 0;
    for &to_m in ends_m {
        let mut turn_rad = 0.0;
        let mut in_band_m = [0.0; RADIUS_BANDS];
        while next < bends.len() && bends[next].from_m < to_m {
            let bend = &bends[next];
            let part_m = bend.to_m.min(to_m) - bend.from_m.max(from_m);
            if part_m > 0.0 {
                let radius_m = bend.radius_m();
                turn_rad += part_m / radius_m.max(CAP_RADIUS_M);
                in_band_m[RADIUS_BAND_M.partition_point(|&upper| upper < radius_m)] += part_m;
            }
            if bend.to_m > to_m {
                break;
            }
            next += 1;
        }
        let length_m = to_m - from_m;
        let bent_m: f64 = in_band_m[..RADIUS_BANDS - 1].iter().sum();
        in_band_m[RADIUS_BANDS - 1] = (length_m - bent_m).max(0.0);
        shapes.push(Shape {
            bend_deg_per_km: if length_m > 0.0 {
                turn_rad.to_degrees() / length_m * 1000.0
            } else {
                0.0
            },
            radius_share: shares(in_band_m),
        });
        from_m = to_m;
    }
    shapes
}

/// Whole 255ths that sum to 255: rounded down, the rest given to the largest remainders.
fn shares(parts: [f64; RADIUS_BANDS]) -> [u8; RADIUS_BANDS] {
    let total: f64 = parts.iter().sum();
    let mut shares = [0u8; RADIUS_BANDS];
    if total <= 0.0 {
        shares[RADIUS_BANDS - 1] = 255;
        return shares;
    }
    let exact = parts.map(|p| p / total * 255.0);
    let mut order: Vec<usize> = (0..RADIUS_BANDS).collect();
    order.sort_by(|&a, &b| {
        exact[b]
            .fract()
            .total_cmp(&exact[a].fract())
            .then(a.cmp(&b))
    });
    let mut rest = 255;
    for i in 0..RADIUS_BANDS {
        shares[i] = exact[i] as u8;
        rest -= i32::from(shares[i]);
    }
    for &i in order.iter().cycle().take(rest.max(0) as usize) {
        shares[i] = shares[i].saturating_add(1);
    }
    shares
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Deterministic noise with normal distribution (xorshift, Box-Muller).
    struct Noise(u64);
    impl Noise {
        fn uniform(&mut self) -> f64 {
            self.0 ^= self.0 << 13;
            self.0 ^= self.0 >> 7;
            self.0 ^= self.0 << 17;
            (self.0 >> 11) as f64 / (1u64 << 53) as f64
        }
        fn normal(&mut self) -> f64 {
            let (u, v) = (self.uniform().max(1e-12), self.uniform());
            (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
        }
    }

    fn shape(line: &[[f64; 2]]) -> Shape {
        let length = *chainage_m(line).last().unwrap();
        shapes(&bends(line, false), &[length])[0]
    }

    fn arc(radius: f64, length: f64, spacing: f64) -> Vec<[f64; 2]> {
        let n = (length / spacing).round() as usize;
        let at = |i: usize| length / radius * i as f64 / n as f64;
        (0..=n)
            .map(|i| [radius * at(i).cos(), radius * at(i).sin()])
            .collect()
    }

    /// "R m | deg/km" of the circle table, from 180/pi * 1000/R.
    #[test]
    fn circles_have_their_published_bend_rate() {
        for (radius, published) in [
            (50.0, 1145.916),
            (100.0, 572.958),
            (200.0, 286.479),
            (500.0, 114.592),
        ] {
            for spacing in [4.0, 8.0, 15.0] {
                let measured = shape(&arc(radius, 1000.0, spacing)).bend_deg_per_km;
                let error = (measured / published - 1.0).abs();
                assert!(
                    error < 0.05,
                    "R {radius}, vertices {spacing} m: {measured}, not {published}"
                );
            }
        }
    }

    /// Single-curve rate of Lamm et al.: (L1/2R + Lr/R + L2/2R) / L; R 150 m, arc 80 m, two
    /// clothoids of 40 m, L 160 m: 318.31 gon/km (the project's worked value), 286.48 deg/km. The
    /// string may cut a lone curve where it begins and ends: that much turning is the price of
    /// being deaf to noise.
    #[test]
    fn a_curve_with_its_transitions_has_its_published_rate() {
        let (radius, clothoid, arc, step) = (150.0, 40.0, 80.0, 0.5);
        let curvature = |s: f64| {
            let ends = s.min(2.0 * clothoid + arc - s) / clothoid;
            ends.clamp(0.0, 1.0) / radius
        };
        for spacing in [5.0, 10.0, 16.0] {
            let (mut p, mut heading, mut since) = ([0.0f64, 0.0f64], 0.0f64, 0.0);
            let mut line = vec![p];
            // 80 m of straight road before and behind.
            let steps = ((160.0 + 2.0 * clothoid + arc) / step) as u32;
            for i in 0..steps {
                heading += curvature((f64::from(i) + 0.5) * step - 80.0) * step;
                p = [p[0] + step * heading.cos(), p[1] + step * heading.sin()];
                since += step;
                if since >= spacing {
                    line.push(p);
                    since = 0.0;
                }
            }
            let whole = *chainage_m(&line).last().unwrap();
            let measured = shape(&line).bend_deg_per_km * whole / 160.0;
            assert!(
                (-0.1..0.02).contains(&(measured / 286.48 - 1.0)),
                "vertices {spacing} m: {measured} deg/km"
            );
        }
    }

    #[test]
    fn circles_fall_into_their_radius_band() {
        for radius in [16.0f64, 25.0, 40.0, 62.0, 87.0, 125.0, 200.0, 400.0] {
            for spacing in [5.0f64, 10.0] {
                let share = shape(&arc(
                    radius,
                    300.0f64.max(radius * 2.0),
                    spacing.min(radius / 3.0),
                ))
                .radius_share;
                let band = RADIUS_BAND_M.partition_point(|&upper| upper < radius);
                assert!(share[band] > 210, "R {radius}: {share:?}");
                assert_eq!(share.iter().map(|&s| u32::from(s)).sum::<u32>(), 255);
            }
        }
    }

    /// Straight, arc to the left, straight: one curve of its radius and turning, wherever the line
    /// is cut, and what is digitised with half a metre of noise is near it.
    #[test]
    fn an_arc_is_a_curve_of_its_radius() {
        let mut noise = Noise(11);
        for (radius, sigma) in [
            (25.0f64, 0.0),
            (60.0, 0.0),
            (60.0, 0.5),
            (150.0, 0.0),
            (150.0, 0.5),
        ] {
            let turn = 1.2f64;
            let step = (radius / 5.0).min(12.0);
            let mut line: Vec<[f64; 2]> = (0..30)
                .map(|i| [f64::from(i) * 20.0 - 600.0, 0.0])
                .collect();
            let n = (radius * turn / step).ceil();
            line.extend((0..=n as u32).map(|i| {
                let a = turn * f64::from(i) / n;
                [radius * a.sin(), radius * (1.0 - a.cos())]
            }));
            let last = line[line.len() - 1];
            line.extend((1..30).map(|i| {
                let on = f64::from(i) * 20.0;
                [last[0] + on * turn.cos(), last[1] + on * turn.sin()]
            }));
            for p in &mut line {
                *p = p.map(|v| v + sigma * noise.normal() / 1.5);
            }
            let chainage = chainage_m(&line);
            let length = chainage[chainage.len() - 1];
            let cut = 600.0 + radius * turn / 2.0;
            let curves = curves_of(&bends(&line, false), &[cut, length]);
            assert_eq!(curves.len(), 2);
            let tight: Vec<&Curve> = curves
                .iter()
                .flatten()
                .filter(|c| c.length_m / c.turn_rad.abs() < 3.0 * radius)
                .collect();
            let (turned, over): (f64, f64) = tight.iter().fold((0.0, 0.0), |sum, c| {
                (sum.0 + c.turn_rad, sum.1 + c.length_m)
            });
            assert!(
                (turned - turn).abs() < 0.2,
                "R {radius}, {sigma}: turned {turned}"
            );
            let measured = over / turned;
            assert!(
                (measured / radius - 1.0).abs() < 0.2,
                "R {radius}, {sigma}: {measured}"
            );
        }
    }

    /// Straight lines with lateral noise score 155 and 311 gon/km when vertex angles are summed
    /// (Monte Carlo and small-angle theory agree); here they must stay near nothing.
    #[test]
    fn noise_on_a_straight_road_is_no_bend() {
        for (sigma, spacing, limit) in [
            (0.5, 20.0, 0.5),
            (1.0, 20.0, 12.0),
            (0.5, 8.0, 2.0),
            (1.0, 50.0, 5.0),
            (0.0, 20.0, 0.001),
        ] {
            let mut noise = Noise(0x9e37_79b9_7f4a_7c15);
            let line: Vec<[f64; 2]> = (0..1000)
                .map(|i| [f64::from(i) * spacing, sigma * noise.normal()])
                .collect();
            let measured = shape(&line).bend_deg_per_km;
            assert!(
                measured < limit,
                "sigma {sigma} m every {spacing} m: {measured} deg/km"
            );
        }
    }

    #[test]
    fn noise_on_a_curve_leaves_its_bend_rate() {
        let mut noise = Noise(42);
        let line: Vec<[f64; 2]> = arc(100.0, 500.0, 10.0)
            .iter()
            .map(|p| {
                [
                    p[0] * (1.0 + 0.01 * noise.normal()),
                    p[1] * (1.0 + 0.01 * noise.normal()),
                ]
            })
            .collect();
        let measured = shape(&line).bend_deg_per_km;
        assert!((measured / 572.958 - 1.0).abs() < 0.15, "{measured}");
    }

    #[test]
    fn direction_does_not_matter() {
        let mut noise = Noise(7);
        let line: Vec<[f64; 2]> = (0..400)
            .map(|i| {
                let s = f64::from(i) * 12.0;
                [s, 60.0 * (s / 120.0).sin() + 0.4 * noise.normal()]
            })
            .collect();
        let back: Vec<[f64; 2]> = line.iter().rev().copied().collect();
        let (a, b) = (shape(&line).bend_deg_per_km, shape(&back).bend_deg_per_km);
        assert!((a / b - 1.0).abs() < 0.05, "{a} and {b}");
    }

    #[test]
    fn density_of_vertices_does_not_matter() {
        let wave = |spacing: f64| -> Vec<[f64; 2]> {
            let n = (6000.0 / spacing) as usize;
            (0..=n)
                .map(|i| {
                    let s = i as f64 * spacing;
                    [s, 80.0 * (s / 150.0).sin()]
                })
                .collect()
        };
        let dense = shape(&wave(2.0)).bend_deg_per_km;
        for spacing in [5.0, 10.0, 20.0, 30.0] {
            let measured = shape(&wave(spacing)).bend_deg_per_km;
            assert!(
                (measured / dense - 1.0).abs() < 0.05,
                "every {spacing} m: {measured}, dense {dense}"
            );
        }
    }

    /// A hairpin of 180 degrees at R 8 m has an arc of 25.133 m; uncapped it would count 180.
    #[test]
    fn one_hairpin_has_a_capped_share() {
        let mut line: Vec<[f64; 2]> = (0..50)
            .map(|i| [8.0, f64::from(i) * 10.0 - 500.0])
            .collect();
        line.extend((1..10).map(|i| {
            let a = std::f64::consts::PI * f64::from(i) / 10.0;
            [8.0 * a.cos(), 8.0 * a.sin()]
        }));
        line.extend((0..50).map(|i| [-8.0, -f64::from(i) * 10.0]));
        let length = *chainage_m(&line).last().unwrap();
        let turned = shape(&line).bend_deg_per_km * length / 1000.0;
        assert!((40.0..110.0).contains(&turned), "{turned} degrees");
    }

    #[test]
    fn added_curves_add_bend() {
        let with = |curves: usize| {
            let mut line = vec![[0.0, 0.0]];
            let mut heading = 0.0f64;
            for part in 0..20 {
                for step in 0..20 {
                    if part < curves && step < 10 {
                        heading += if part % 2 == 0 { 0.1 } else { -0.1 };
                    }
                    let p: [f64; 2] = line[line.len() - 1];
                    line.push([p[0] + 10.0 * heading.cos(), p[1] + 10.0 * heading.sin()]);
                }
            }
            shape(&line).bend_deg_per_km
        };
        let rates: Vec<f64> = (0..=10).map(with).collect();
        assert!(rates[0] < 1e-6);
        assert!(rates.windows(2).all(|w| w[1] > w[0]), "{rates:?}");
    }

    #[test]
    fn rings_turn_all_around() {
        let mut ring = arc(30.0, std::f64::consts::TAU * 30.0, 6.0);
        let last = ring.len() - 1;
        ring[last] = ring[0];
        let bends = bends(&ring, true);
        let turned: f64 = bends.iter().map(|b| b.turn_rad).sum();
        assert!((turned - std::f64::consts::TAU).abs() < 0.35, "{turned}");
    }
}
