//! Places on roads near a position.

use region::{Bounds, Edge, LocalFrame, Point, Region, flag};

/// A place on a road, in a direction of travel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Place {
    pub edge: u32,
    /// Share of the edge's length before the place, 0..=1.
    pub share: f32,
    /// Metres from the position.
    pub off_m: f32,
    /// Where.
    pub at: Point,
    /// Well inside a tunnel, where no receiver hears anything.
    pub hidden: bool,
}

impl Place {
    pub fn edge(&self) -> Edge {
        Edge(self.edge)
    }

    /// Share of the piece in the direction of its geometry.
    pub fn along(&self) -> f32 {
        match self.edge().is_backward() {
            true => 1.0 - self.share,
            false => self.share,
        }
    }
}

/// Most places on roads looked at around one position, each ridden both ways.
const MOST: usize = 14;
/// Pieces are fetched for this much more than the radius, so that the next positions need no look
/// into the tree, metres.
const AHEAD_M: f64 = 150.0;
/// So near its ends a receiver may hear something in a tunnel, metres.
const PORTAL_M: f64 = 20.0;

/// Looks around positions; neighbouring ones cheaply.
pub(super) struct Near<'a> {
    region: &'a Region,
    /// Pieces around a position looked at lately, and how far it holds them.
    pieces: Vec<u32>,
    around: Option<(Point, f64)>,
    found: Vec<(f64, u32, f64, [f64; 2])>,
}

impl<'a> Near<'a> {
    pub fn new(region: &'a Region) -> Self {
        Near {
            region,
            pieces: Vec::new(),
            around: None,
            found: Vec::new(),
        }
    }

    /// Places within `radius_m`, both directions of each, nearest first. A road that comes near,
    /// leaves and comes back, as hairpins do, has a place at each pass. Places that are less
    /// likely than the nearest by more than `least_likely` under noise of `sigma_m` are left out.
    pub fn places(&mut self, at: Point, radius_m: f64, sigma_m: f64, hopeless: f64) -> Vec<Place> {
        let frame = LocalFrame::at(at);
        let moved_m = |from: Point| {
            let [e, n] = frame.to_m(from);
            e.hypot(n)
        };
        let held = self
            .around
            .is_some_and(|(from, reach_m)| moved_m(from) + radius_m <= reach_m);
        if !held {
            let reach_m = radius_m + AHEAD_M;
            self.pieces = self.region.pieces_in(Bounds::around(at, reach_m));
            self.around = Some((at, reach_m));
        }
        self.found.clear();
        for &piece in &self.pieces {
            passes(self.region, piece, frame, radius_m, &mut self.found);
        }
        self.found
            .sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let nearest = self.found.first().map_or(0.0, |f| f.0);
        let most_m = (nearest * nearest + 2.0 * sigma_m * sigma_m * hopeless).sqrt();
        let mut places = Vec::with_capacity(2 * self.found.len().min(MOST));
        for &(off_m, piece, share, foot) in self.found.iter().take(MOST) {
            if off_m > most_m {
                break;
            }
            let hidden = self.region.piece_flags()[piece as usize] & flag::TUNNEL != 0
                && share.min(1.0 - share) * self.region.length_m(piece) > PORTAL_M;
            for backward in [false, true] {
                places.push(Place {
                    edge: Edge::new(piece, backward).0,
                    share: if backward { 1.0 - share } else { share } as f32,
                    off_m: off_m as f32,
                    at: frame.to_point(foot),
                    hidden,
                });
            }
        }
        places
    }
}

/// Nearest places of every pass of a piece by the origin of the frame, as (metres off, piece, share,
/// place).
fn passes(
    region: &Region,
    piece: u32,
    frame: LocalFrame,
    radius_m: f64,
    found: &mut Vec<(f64, u32, f64, [f64; 2])>,
) {
    let points = region.piece_points(piece);
    let mut a = frame.to_m(region.point(points.start));
    let mut along = 0.0;
    let first = found.len();
    // The best of the pass that is going on, by metres along.
    let mut best: Option<(f64, f64, [f64; 2])> = None;
    let mut close = |best: &mut Option<(f64, f64, [f64; 2])>| {
        if let Some((off, along, foot)) = best.take() {
            found.push((off, piece, along, foot));
        }
    };
    for i in points.start + 1..points.end {
        let b = frame.to_m(region.point(i));
        let d = [b[0] - a[0], b[1] - a[1]];
        let len2 = d[0] * d[0] + d[1] * d[1];
        let length = len2.sqrt();
        let dot = -(a[0] * d[0] + a[1] * d[1]);
        let t = if len2 > 0.0 {
            (dot / len2).clamp(0.0, 1.0)
        } else {
            0.0
        };
        let foot = [a[0] + t * d[0], a[1] + t * d[1]];
        let off = foot[0].hypot(foot[1]);
        if off > radius_m {
            close(&mut best);
        } else {
            let here = along + t * length;
            match &mut best {
                // Within the circle all the way, but coming near a second time.
                Some((least, at, _)) if off > 2.0 * *least + 10.0 && here > *at + 10.0 => {
                    close(&mut best);
                    best = Some((off, here, foot));
                }
                Some((least, at, place)) if off < *least => {
                    (*least, *at, *place) = (off, here, foot)
                }
                Some(_) => {}
                None => best = Some((off, here, foot)),
            }
        }
        along += length;
        a = b;
    }
    close(&mut best);
    // A second pass that began on the way out of the first has no nearer place than its start.
    for f in &mut found[first..] {
        f.2 = if along > 0.0 {
            (f.2 / along).clamp(0.0, 1.0)
        } else {
            0.0
        };
    }
}
