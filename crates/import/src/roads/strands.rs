//! Strands: pieces strung together as a rider would say the road goes on. Curvature and climb are
//! measured along strands, so that they do not depend on where ways are split or side roads join.

use region::Point;

use super::network::Network;
use super::restrictions::Leaving;
use super::turns::angle_deg;

/// Beyond this change of heading another road begins, degrees.
const MAX_DEFLECTION_DEG: i16 = 60;

/// Pieces one after another.
pub struct Strand {
    /// Edges in riding order.
    pub edges: Vec<u32>,
    /// The last edge leads to the tail of the first and goes on there.
    pub is_closed: bool,
}

/// Divides all pieces into strands; every piece is in one, in one direction.
pub fn strands(network: &Network, leaving: &Leaving) -> Vec<Strand> {
    let edges = 2 * network.pieces.len();
    // mate[e]: the edge on which one goes on after arriving on e ^ 1, at the tail of e.
    let mut mate = vec![u32::MAX; edges];
    let mut choices: Vec<(bool, bool, i16, u32, u32)> = Vec::new();
    for junction in 0..network.junction_ids.len() as u32 {
        let ends = leaving.at(junction);
        choices.clear();
        for (i, &a) in ends.iter().enumerate() {
            for &b in &ends[i + 1..] {
                if a / 2 == b / 2 {
                    continue;
                }
                let deflection = angle_deg(network, a ^ 1, b).abs();
                let goes_on = is_one_way_on(network, a, b);
                if ends.len() == 2 || goes_on || deflection <= MAX_DEFLECTION_DEG {
                    choices.push((!goes_on, !same_name(network, a, b), deflection, a, b));
                }
            }
        }
        choices.sort_unstable();
        for &(_, _, _, a, b) in &choices {
            if mate[a as usize] == u32::MAX && mate[b as usize] == u32::MAX {
                mate[a as usize] = b;
                mate[b as usize] = a;
            }
        }
    }
    let mut strands = Vec::new();
    let mut seen = vec![false; network.pieces.len()];
    for piece in 0..network.pieces.len() as u32 {
        if seen[piece as usize] {
            continue;
        }
        // Back to where the strand begins, or once around.
        let mut first = 2 * piece;
        let mut is_closed = false;
        while let Some(before) = mate.get(first as usize).copied().filter(|&m| m != u32::MAX) {
            first = before ^ 1;
            if first / 2 == piece {
                is_closed = true;
                first = 2 * piece;
                break;
            }
        }
        let mut strand = Strand {
            edges: Vec::new(),
            is_closed,
        };
        let mut edge = first;
        loop {
            seen[edge as usize / 2] = true;
            strand.edges.push(edge);
            let next = mate[edge as usize ^ 1];
            if next == u32::MAX || seen[next as usize / 2] {
                break;
            }
            edge = next;
        }
        strands.push(strand);
    }
    strands
}

/// Whether two ends are neighbours on one way.
fn is_one_way_on(network: &Network, a: u32, b: u32) -> bool {
    let (p, q) = (a.min(b), a.max(b));
    let same = network.pieces[p as usize / 2].way == network.pieces[q as usize / 2].way;
    // The way runs from piece p into piece p + 1: they meet at the end of p and the start of q.
    same && q / 2 == p / 2 + 1 && p & 1 == 1 && q & 1 == 0
}

fn same_name(network: &Network, a: u32, b: u32) -> bool {
    let (a, b) = (network.facts(a as usize / 2), network.facts(b as usize / 2));
    let same = |x: &str, y: &str| !x.is_empty() && x == y;
    a.class == b.class && (same(&a.number, &b.number) || same(&a.name, &b.name))
}

impl Strand {
    /// Indices into the network's points along the strand, with the index of the edge each
    /// segment belongs to; junctions between edges come once.
    pub fn points(&self, network: &Network) -> (Vec<u32>, Vec<u32>) {
        let (mut points, mut edge_end) = (Vec::new(), Vec::new());
        for &edge in &self.edges {
            let piece = edge as usize / 2;
            let first = network.pieces[piece].first_point;
            let count = network.piece_points(piece).len() as u32;
            let skip = usize::from(!points.is_empty());
            if edge & 1 == 0 {
                points.extend((first..first + count).skip(skip));
            } else {
                points.extend((first..first + count).rev().skip(skip));
            }
            edge_end.push(points.len() as u32 - 1);
        }
        (points, edge_end)
    }
}

/// Positions in a plane, laid out segment by segment: true in lengths and angles everywhere,
/// however long the line is. Metres.
pub fn lay_out(points: &[Point]) -> Vec<[f64; 2]> {
    let mut at = [0.0, 0.0];
    let mut out = Vec::with_capacity(points.len());
    out.push(at);
    for pair in points.windows(2) {
        let mid_lat_e7 = ((i64::from(pair[0].lat_e7) + i64::from(pair[1].lat_e7)) / 2) as i32;
        let frame = region::LocalFrame::at(Point {
            lon_e7: pair[0].lon_e7,
            lat_e7: mid_lat_e7,
        });
        let ([xa, ya], [xb, yb]) = (frame.to_m(pair[0]), frame.to_m(pair[1]));
        at = [at[0] + xb - xa, at[1] + yb - ya];
        out.push(at);
    }
    out
}
