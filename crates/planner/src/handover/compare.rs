//! Comparing lines in order and direction.

use region::{LocalFrame, Point};

/// A line in metres on a flat frame.
pub type Flat = Vec<[f64; 2]>;

/// Points of a line in the frame of its middle point or of a given one.
pub fn flat(points: &[Point], frame: LocalFrame) -> Flat {
    points.iter().map(|&p| frame.to_m(p)).collect()
}

fn apart(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// Length of a line, in its own unit.
pub fn length(line: &[[f64; 2]]) -> f64 {
    line.windows(2).map(|w| apart(w[0], w[1])).sum()
}

/// The same line with points no farther apart than `step`.
pub fn densified(line: &[[f64; 2]], step: f64) -> Flat {
    let mut dense: Flat = line.first().copied().into_iter().collect();
    for pair in line.windows(2) {
        let parts = (apart(pair[0], pair[1]) / step).ceil().clamp(1.0, 1e6) as u32;
        for i in 1..=parts {
            let t = f64::from(i) / f64::from(parts);
            dense.push([0, 1].map(|k| pair[0][k] + t * (pair[1][k] - pair[0][k])));
        }
    }
    dense
}

/// Discrete Fréchet distance of two point sequences (Eiter & Mannila 1994, TU Wien CD-TR 94/64);
/// infinite if one is empty. O(n m) time, O(m) memory.
pub fn frechet(p: &[[f64; 2]], q: &[[f64; 2]]) -> f64 {
    let mut row: Vec<f64> = Vec::with_capacity(q.len());
    for (i, &a) in p.iter().enumerate() {
        let mut diagonal = f64::INFINITY;
        for (j, &b) in q.iter().enumerate() {
            let above = row.get(j).copied().unwrap_or(f64::INFINITY);
            let left = if j > 0 { row[j - 1] } else { f64::INFINITY };
            let before = match (i, j) {
                (0, 0) => 0.0,
                _ => above.min(left).min(diagonal),
            };
            let value = before.max(apart(a, b));
            diagonal = above;
            match row.get_mut(j) {
                Some(cell) => *cell = value,
                None => row.push(value),
            }
        }
    }
    row.last().copied().unwrap_or(f64::INFINITY)
}

/// Whether a chain stays within `most` of the straight line between its ends, in order: exact
/// decision of the Fréchet distance between a segment and a chain.
pub fn chain_fits_segment(chain: &[[f64; 2]], most: f64) -> bool {
    let (Some(&a), Some(&b)) = (chain.first(), chain.last()) else {
        return true;
    };
    let d = [b[0] - a[0], b[1] - a[1]];
    let length = d[0].hypot(d[1]);
    if length == 0.0 {
        return chain.iter().all(|&p| apart(p, a) <= most);
    }
    let mut reached = 0.0f64;
    for &p in chain {
        let v = [p[0] - a[0], p[1] - a[1]];
        let along = (v[0] * d[0] + v[1] * d[1]) / length;
        let aside = (v[0] * d[1] - v[1] * d[0]) / length;
        let half2 = most * most - aside * aside;
        if half2 < 0.0 {
            return false;
        }
        let half = half2.sqrt();
        reached = reached.max(along - half);
        if reached > (along + half).min(length) {
            return false;
        }
    }
    true
}

/// Indices of the points kept of a line so that no part of it lies farther than `most` from the
/// whole, measured as Fréchet distance; each kept point is followed by the farthest that allows
/// it, found by doubling and halving.
pub fn simplified(line: &[[f64; 2]], most: f64) -> Vec<usize> {
    let mut kept = Vec::new();
    if line.is_empty() {
        return kept;
    }
    kept.push(0);
    let last = line.len() - 1;
    let mut at = 0;
    while at < last {
        let fits = |to: usize| chain_fits_segment(&line[at..=to], most);
        let (mut good, mut step) = (at + 1, 2);
        while at + step <= last && fits(at + step) {
            good = at + step;
            step *= 2;
        }
        let mut bad = (at + step).min(last + 1);
        while bad - good > 1 {
            let middle = good + (bad - good) / 2;
            if fits(middle) {
                good = middle;
            } else {
                bad = middle;
            }
        }
        kept.push(good);
        at = good;
    }
    kept
}

/// What a ride has in common with a line.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Followed {
    /// For each point of the densified line whether it was ridden, in order and direction.
    pub ridden: Vec<bool>,
    /// For each point of the densified ride whether it lies on the line, likewise.
    pub on_line: Vec<bool>,
}

/// Cells of the table that comparing may fill.
const MOST_CELLS: usize = 16_000_000;

/// The longest part of `line` that `ride` covers within `most`, both walked forward only: points
/// of one are matched to points of the other in order, and as many points of the line as possible
/// are matched. Both should be densified. O(n m).
pub fn followed(line: &[[f64; 2]], ride: &[[f64; 2]], most: f64) -> Followed {
    let (n, m) = (line.len(), ride.len());
    let mut result = Followed {
        ridden: vec![false; n],
        on_line: vec![false; m],
    };
    if n == 0 || m == 0 || n.saturating_mul(m) > MOST_CELLS {
        return result;
    }
    // best[i][j]: line points matched among the first i, ride points up to j used.
    let width = m + 1;
    let mut best = vec![0u32; (n + 1) * width];
    for i in 1..=n {
        for j in 1..=m {
            let near = apart(line[i - 1], ride[j - 1]) <= most;
            let stay = best[(i - 1) * width + j] + u32::from(near);
            best[i * width + j] = stay.max(best[i * width + j - 1]);
        }
    }
    let (mut i, mut j) = (n, m);
    while i > 0 && j > 0 {
        let near = apart(line[i - 1], ride[j - 1]) <= most;
        if best[i * width + j] == best[i * width + j - 1] {
            // Points of the ride that are passed over lie on the line if they keep near it.
            result.on_line[j - 1] |= near;
            j -= 1;
        } else {
            result.ridden[i - 1] = near;
            result.on_line[j - 1] |= near;
            i -= 1;
        }
    }
    result
}
