//! Cutting lines and rings to a square window, in whole units.

/// A square, edges included.
#[derive(Clone, Copy)]
pub(crate) struct Window {
    pub min: i32,
    pub max: i32,
}

type Unit = [i32; 2];

impl Window {
    fn holds(self, p: Unit) -> bool {
        (self.min..=self.max).contains(&p[0]) && (self.min..=self.max).contains(&p[1])
    }

    /// The parts of a line within the window, each of two or more different points.
    pub fn cut_line(self, line: &[Unit], mut part: impl FnMut(&[Unit])) {
        let mut run: Vec<Unit> = Vec::new();
        let mut finish = |run: &mut Vec<Unit>| {
            run.dedup();
            if run.len() > 1 {
                part(run);
            }
            run.clear();
        };
        for pair in line.windows(2) {
            let (a, b) = (pair[0], pair[1]);
            match self.cut_segment(a, b) {
                None => finish(&mut run),
                Some((from, to)) => {
                    if from != a || run.is_empty() {
                        finish(&mut run);
                        run.push(from);
                    }
                    run.push(to);
                    if to != b {
                        finish(&mut run);
                    }
                }
            }
        }
        finish(&mut run);
    }

    /// The part of a segment within the window (Liang and Barsky 1984, ACM ToG 3:1-22).
    fn cut_segment(self, a: Unit, b: Unit) -> Option<(Unit, Unit)> {
        if self.holds(a) && self.holds(b) {
            return Some((a, b));
        }
        let from = a.map(f64::from);
        let by = [f64::from(b[0]) - from[0], f64::from(b[1]) - from[1]];
        let (mut enter, mut leave) = (0.0f64, 1.0f64);
        for axis in 0..2 {
            let sides = [
                (-by[axis], from[axis] - f64::from(self.min)),
                (by[axis], f64::from(self.max) - from[axis]),
            ];
            for (p, q) in sides {
                if p == 0.0 {
                    if q < 0.0 {
                        return None;
                    }
                } else if p < 0.0 {
                    enter = enter.max(q / p);
                } else {
                    leave = leave.min(q / p);
                }
            }
        }
        if enter > leave {
            return None;
        }
        let at = |t: f64| {
            [0, 1].map(|i| ((from[i] + t * by[i]).round() as i32).clamp(self.min, self.max))
        };
        let start = if enter > 0.0 { at(enter) } else { a };
        let end = if leave < 1.0 { at(leave) } else { b };
        Some((start, end))
    }

    /// The part of a closed ring within the window (Sutherland and Hodgman 1974, CACM 17:32-42),
    /// without the repeated first point; empty when nothing with an area is left.
    pub fn cut_ring(self, ring: &[Unit]) -> Vec<Unit> {
        let mut points = ring.to_vec();
        if points.len() > 1 && points.first() == points.last() {
            points.pop();
        }
        if !points.iter().all(|&p| self.holds(p)) {
            for (axis, limit, keep_below) in [
                (0, self.min, false),
                (0, self.max, true),
                (1, self.min, false),
                (1, self.max, true),
            ] {
                points = half(&points, axis, limit, keep_below);
            }
        }
        points.dedup();
        while points.len() > 1 && points.first() == points.last() {
            points.pop();
        }
        remove_spikes(&mut points);
        if points.len() < 3 || double_area(&points) == 0 {
            points.clear();
        }
        points
    }
}

/// The part of a ring on one side of a horizontal or vertical line.
fn half(points: &[Unit], axis: usize, limit: i32, keep_below: bool) -> Vec<Unit> {
    let inside = |p: &Unit| {
        if keep_below {
            p[axis] <= limit
        } else {
            p[axis] >= limit
        }
    };
    let mut kept = Vec::with_capacity(points.len() + 4);
    let Some(mut before) = points.last().copied() else {
        return kept;
    };
    for &p in points {
        if inside(&before) != inside(&p) {
            let other = 1 - axis;
            // Always from the same end, so that a border shared by two areas is cut at one point.
            let (a, b) = if before <= p {
                (before, p)
            } else {
                (p, before)
            };
            let t =
                (f64::from(limit) - f64::from(a[axis])) / (f64::from(b[axis]) - f64::from(a[axis]));
            let mut cut = [limit; 2];
            cut[other] = (f64::from(a[other]) + t * (f64::from(b[other]) - f64::from(a[other])))
                .round() as i32;
            kept.push(cut);
        }
        if inside(&p) {
            kept.push(p);
        }
        before = p;
    }
    kept
}

/// Takes out points from which a ring runs straight back, as cutting leaves along the window.
fn remove_spikes(points: &mut Vec<Unit>) {
    let mut kept: Vec<Unit> = Vec::with_capacity(points.len());
    for &p in points.iter() {
        kept.push(p);
        while let [.., a, b, c] = kept[..] {
            if a != c && !turns_back(a, b, c) {
                break;
            }
            kept.truncate(kept.len() - 2);
            if a != c {
                kept.push(c);
            }
        }
    }
    // The same where the end meets the beginning.
    let mut first = 0;
    while kept.len() - first > 2 {
        let (n, last) = (kept.len(), kept[kept.len() - 1]);
        if last == kept[first] || turns_back(kept[n - 2], last, kept[first]) {
            kept.pop();
        } else if turns_back(last, kept[first], kept[first + 1]) {
            first += 1;
        } else {
            break;
        }
    }
    kept.drain(..first);
    *points = kept;
}

fn turns_back(a: Unit, b: Unit, c: Unit) -> bool {
    let [ux, uy] = [
        i64::from(b[0]) - i64::from(a[0]),
        i64::from(b[1]) - i64::from(a[1]),
    ];
    let [vx, vy] = [
        i64::from(c[0]) - i64::from(b[0]),
        i64::from(c[1]) - i64::from(b[1]),
    ];
    ux * vy == uy * vx && ux * vx + uy * vy < 0
}

/// Twice the signed area of a ring given without its repeated first point; positive clockwise on
/// the screen (y down), which is how an outer ring runs.
pub(crate) fn double_area(points: &[Unit]) -> i64 {
    let next = points.iter().cycle().skip(1);
    points
        .iter()
        .zip(next)
        .map(|(a, b)| i64::from(a[0]) * i64::from(b[1]) - i64::from(b[0]) * i64::from(a[1]))
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    const W: Window = Window { min: 0, max: 100 };

    fn parts(line: &[Unit]) -> Vec<Vec<Unit>> {
        let mut out = Vec::new();
        W.cut_line(line, |p| out.push(p.to_vec()));
        out
    }

    #[test]
    fn a_line_that_leaves_and_returns_is_two_parts() {
        let line = [[50, 50], [150, 50], [150, 80], [50, 80]];
        assert_eq!(
            parts(&line),
            [vec![[50, 50], [100, 50]], vec![[100, 80], [50, 80]]]
        );
        assert_eq!(parts(&[[-50, 50], [150, 50]]), [vec![[0, 50], [100, 50]]]);
        assert_eq!(parts(&[[-50, 0], [0, -50]]), Vec::<Vec<Unit>>::new());
        assert_eq!(parts(&[[7, 7], [7, 7]]), Vec::<Vec<Unit>>::new());
    }

    #[test]
    fn a_ring_around_the_window_becomes_the_window() {
        let ring = W.cut_ring(&[[-10, -10], [200, -10], [200, 300], [-10, 300], [-10, -10]]);
        assert_eq!(double_area(&ring), 2 * 100 * 100);
        assert!(ring.iter().all(|&p| W.holds(p)));
        assert!(
            W.cut_ring(&[[-10, 10], [-10, 50], [-1, 30], [-10, 10]])
                .is_empty()
        );
    }

    #[test]
    fn cutting_leaves_no_spikes() {
        // A comb whose back lies outside: three teeth reach in, joined along the edge.
        let comb = [
            [-20, 0],
            [-20, 90],
            [40, 90],
            [40, 80],
            [-10, 80],
            [-10, 60],
            [40, 60],
            [40, 50],
            [-10, 50],
            [-10, 20],
            [40, 20],
            [40, 0],
        ];
        let ring = W.cut_ring(&comb);
        assert_eq!(double_area(&ring).abs(), 2 * (40 * 10 + 40 * 10 + 40 * 20));
        let n = ring.len();
        for i in 0..n {
            assert!(!turns_back(ring[i], ring[(i + 1) % n], ring[(i + 2) % n]));
        }
        assert!(W.cut_ring(&[[5, 5], [50, 5], [90, 5], [5, 5]]).is_empty());
    }
}
