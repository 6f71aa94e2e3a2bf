//! Where places on edges lie on the ground.

use region::{Edge, LocalFrame, Point, Region};

/// Points of an edge in riding order and the metres before each, on a frame at the first one.
pub(super) struct Shape {
    frame: LocalFrame,
    flat: Vec<[f64; 2]>,
    along: Vec<f64>,
}

impl Shape {
    pub fn new(region: &Region, edge: Edge) -> Self {
        let points = region.piece_points(edge.piece());
        let frame = LocalFrame::at(region.point(points.start));
        let mut flat: Vec<[f64; 2]> = points.map(|i| frame.to_m(region.point(i))).collect();
        if edge.is_backward() {
            flat.reverse();
        }
        let mut along = vec![0.0; flat.len()];
        for i in 1..flat.len() {
            let (a, b) = (flat[i - 1], flat[i]);
            along[i] = along[i - 1] + (b[0] - a[0]).hypot(b[1] - a[1]);
        }
        Shape { frame, flat, along }
    }

    /// Length on the frame.
    pub fn length_m(&self) -> f64 {
        self.along.last().copied().unwrap_or(0.0)
    }

    /// The place at a share of the length.
    pub fn at(&self, share: f64) -> Point {
        let m = share.clamp(0.0, 1.0) * self.length_m();
        let i = self.along.partition_point(|&a| a < m);
        if i == 0 {
            return self.frame.to_point(self.flat[0]);
        }
        let i = i.min(self.flat.len() - 1);
        let (a, b, gap) = (
            self.flat[i - 1],
            self.flat[i],
            self.along[i] - self.along[i - 1],
        );
        let t = match gap > 0.0 {
            true => (m - self.along[i - 1]) / gap,
            false => 0.0,
        };
        self.frame
            .to_point([a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])])
    }

    /// Direction of riding at a share, east and north, not of unit length.
    pub fn heading(&self, share: f64) -> [f64; 2] {
        let m = share.clamp(0.0, 1.0) * self.length_m();
        let last = self.flat.len() - 1;
        let i = self
            .along
            .partition_point(|&a| a <= m)
            .clamp(1, last.max(1));
        match (self.flat.get(i - 1), self.flat.get(i)) {
            (Some(a), Some(b)) => [b[0] - a[0], b[1] - a[1]],
            _ => [0.0; 2],
        }
    }

    /// Points from one share to another, both included.
    pub fn part(&self, from: f64, to: f64) -> Vec<Point> {
        let (start, end) = (from * self.length_m(), to * self.length_m());
        let mut points = vec![self.at(from)];
        let inner = self.along.iter().zip(&self.flat);
        let inner = inner.filter(|(m, _)| **m > start && **m < end);
        points.extend(inner.map(|(_, &p)| self.frame.to_point(p)));
        points.push(self.at(to));
        points
    }

    /// Distance of a point from the parts of this edge that lie more than `apart_m` from the
    /// place at `share`, metres.
    pub fn farther_parts_m(&self, at: Point, share: f64, apart_m: f64) -> f64 {
        let p = self.frame.to_m(at);
        let own = share * self.length_m();
        let mut least = f64::INFINITY;
        for i in 1..self.flat.len() {
            let (a, b) = (self.flat[i - 1], self.flat[i]);
            let gap = self.along[i] - self.along[i - 1];
            let steps = (gap / 10.0).ceil().clamp(1.0, 1000.0) as u32;
            for k in 0..=steps {
                let t = f64::from(k) / f64::from(steps);
                let m = self.along[i - 1] + t * gap;
                let q = [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
                let d = (p[0] - q[0]).hypot(p[1] - q[1]);
                // A bend is no other road: it counts where the way along is much longer.
                if (m - own).abs() > apart_m && (m - own).abs() > 2.5 * d {
                    least = least.min(d);
                }
            }
        }
        least
    }
}

/// The line of several edges, the first and last in part; neighbouring points differ.
pub(super) fn line(region: &Region, edges: &[u32], from: f64, to: f64) -> Vec<Point> {
    let mut points: Vec<Point> = Vec::new();
    let last = edges.len().saturating_sub(1);
    for (i, &edge) in edges.iter().enumerate() {
        let a = if i == 0 { from } else { 0.0 };
        let b = if i == last { to } else { 1.0 };
        points.extend(Shape::new(region, Edge(edge)).part(a, b));
    }
    points.dedup();
    points
}
