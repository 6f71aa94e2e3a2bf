//! What a road's line and the ground under it say: heights, climb, bends, surroundings, and from
//! which zoom on a vertex is worth drawing.
//!
//! Bends and heights are measured along strands, so that neither depends on where ways are split
//! or side roads join.

use region::{Columns, NO_HEIGHT, Point, RADIUS_BANDS, RoadClass, flag};

use super::network::Network;
use super::shape::{bends, chainage_m, shapes};
use super::strands::{Strand, lay_out};
use super::{Ground, middle};
use crate::scenery::line_zooms;

/// Heights are averaged over this far to either side along the road, metres: a road is cut into
/// the slope it climbs, and elevation data sees the slope.
const SMOOTH_M: f64 = 60.0;
/// Water this near is seen from the road, metres (common practice).
const SIGHT_OF_WATER_M: f64 = 150.0;

/// Fills the columns of geometry, heights, climb and bends.
pub fn measure(
    network: &Network,
    strands: &[Strand],
    ground: &Ground,
    columns: &mut Columns,
) -> Result<(), crate::ImportError> {
    let pieces = network.pieces.len();
    columns.piece_first_point = network.pieces.iter().map(|p| p.first_point).collect();
    columns.piece_first_point.push(network.points.len() as u32);
    columns.point_lon_e7 = network.points.iter().map(|p| p.lon_e7).collect();
    columns.point_lat_e7 = network.points.iter().map(|p| p.lat_e7).collect();
    columns.point_first_zoom = (0..pieces)
        .flat_map(|piece| line_zooms(network.piece_points(piece)))
        .collect();

    columns.piece_bend_deg_per_km = vec![0; pieces];
    columns.piece_radius_share = vec![0; pieces * RADIUS_BANDS];
    for strand in strands {
        bend_columns(network, strand, columns);
    }
    height_columns(network, strands, ground, columns)?;
    surroundings_columns(network, ground, columns);
    Ok(())
}

/// A strand's points, in riding order, with the place of each edge's last point among them.
fn line_of(network: &Network, strand: &Strand) -> (Vec<u32>, Vec<u32>, Vec<[f64; 2]>) {
    let (rows, ends) = strand.points(network);
    let points: Vec<Point> = rows.iter().map(|&r| network.points[r as usize]).collect();
    (rows, ends, lay_out(&points))
}

fn bend_columns(network: &Network, strand: &Strand, columns: &mut Columns) {
    let (_, ends, line) = line_of(network, strand);
    let chainage = chainage_m(&line);
    let ends_m: Vec<f64> = ends.iter().map(|&e| chainage[e as usize]).collect();
    let bends = bends(&line, strand.is_closed);
    for (&edge, shape) in strand.edges.iter().zip(shapes(&bends, &ends_m)) {
        let piece = edge as usize / 2;
        let share =
            &mut columns.piece_radius_share[piece * RADIUS_BANDS..(piece + 1) * RADIUS_BANDS];
        if network.facts(piece).class == RoadClass::Ferry {
            share[RADIUS_BANDS - 1] = 255;
            continue;
        }
        share.copy_from_slice(&shape.radius_share);
        columns.piece_bend_deg_per_km[piece] = shape.bend_deg_per_km.round().min(65_535.0) as u16;
    }
}

fn height_columns(
    network: &Network,
    strands: &[Strand],
    ground: &Ground,
    columns: &mut Columns,
) -> Result<(), crate::ImportError> {
    columns.point_height_cm = vec![NO_HEIGHT; network.points.len()];
    columns.edge_climb_dm = vec![0; 2 * network.pieces.len()];
    let raw = (ground.heights)(&network.points)?;
    if raw.is_empty() {
        return Ok(());
    }
    let mut height_m: Vec<Option<f64>> = raw.iter().map(|h| h.map(|(m, _)| m)).collect();
    for strand in strands {
        smooth(network, strand, &mut height_m);
    }
    agree_at_junctions(network, &mut height_m);
    for (column, height) in columns.point_height_cm.iter_mut().zip(&height_m) {
        if let Some(m) = height {
            *column = (m * 100.0).round() as i32;
        }
    }
    for piece in 0..network.pieces.len() {
        let first = network.pieces[piece].first_point as usize;
        let rows = first..first + network.piece_points(piece).len();
        if raw[rows.clone()]
            .iter()
            .flatten()
            .any(|(_, filled)| *filled)
        {
            columns.piece_flags[piece] |= flag::HEIGHT_FILLED;
        }
        let (mut up_m, mut down_m) = (0.0, 0.0);
        for pair in height_m[rows].windows(2) {
            if let [Some(a), Some(b)] = pair {
                up_m += (b - a).max(0.0);
                down_m += (a - b).max(0.0);
            }
        }
        let dm = |m: f64| (m * 10.0).round().min(65_535.0) as u16;
        columns.edge_climb_dm[2 * piece] = dm(up_m);
        columns.edge_climb_dm[2 * piece + 1] = dm(down_m);
    }
    Ok(())
}

/// Lays bridges and tunnels straight from portal to portal (common practice), then averages along
/// the strand, nearer heights counting more.
fn smooth(network: &Network, strand: &Strand, height_m: &mut [Option<f64>]) {
    let (rows, ends, line) = line_of(network, strand);
    let chainage = chainage_m(&line);
    let mut profile: Vec<Option<f64>> = rows.iter().map(|&r| height_m[r as usize]).collect();
    let carried =
        |edge: u32| network.facts(edge as usize / 2).flags & (flag::BRIDGE | flag::TUNNEL) != 0;
    let mut at = 0;
    while at < ends.len() {
        let from = if at == 0 { 0 } else { ends[at - 1] as usize };
        if !carried(strand.edges[at]) {
            at += 1;
            continue;
        }
        while at + 1 < ends.len() && carried(strand.edges[at + 1]) {
            at += 1;
        }
        let to = ends[at] as usize;
        if let (Some(a), Some(b)) = (profile[from], profile[to]) {
            let length = chainage[to] - chainage[from];
            for i in from + 1..to {
                let share = if length > 0.0 {
                    (chainage[i] - chainage[from]) / length
                } else {
                    0.0
                };
                profile[i] = Some(a + share * (b - a));
            }
        }
        at += 1;
    }
    let (mut first, last) = (0, rows.len());
    for i in 0..last {
        while chainage[i] - chainage[first] > SMOOTH_M {
            first += 1;
        }
        // The window is as long before as behind, so that the ends of a slope stay where they are.
        let reach = SMOOTH_M
            .min(chainage[i] - chainage[0])
            .min(chainage[last - 1] - chainage[i]);
        let (mut sum, mut weights) = (0.0, 0.0);
        for j in first..last {
            let apart = (chainage[j] - chainage[i]).abs();
            if chainage[j] - chainage[i] > reach {
                break;
            }
            if let Some(h) = profile[j].filter(|_| apart <= reach) {
                // A vertex stands for the road half way to its neighbours.
                let before = chainage[j] - chainage[j.saturating_sub(1)];
                let after = chainage[(j + 1).min(last - 1)] - chainage[j];
                let weight = (1.0 - apart / (reach + 1.0)) * (before + after).max(0.1);
                (sum, weights) = (sum + weight * h, weights + weight);
            }
        }
        if profile[i].is_some() && weights > 0.0 {
            height_m[rows[i] as usize] = Some(sum / weights);
        }
    }
    // A junction within the strand has a row of its own in either piece.
    for pair in strand.edges.windows(2) {
        let (end, start) = (last_row(network, pair[0]), last_row(network, pair[1] ^ 1));
        height_m[start] = height_m[end];
    }
}

/// Row of the last point of an edge.
fn last_row(network: &Network, edge: u32) -> usize {
    let piece = edge as usize / 2;
    let first = network.pieces[piece].first_point as usize;
    if edge & 1 == 0 {
        first + network.piece_points(piece).len() - 1
    } else {
        first
    }
}

/// Gives all roads that meet the same height there: the mean, and the step is let out over the
/// road around, so that no plan jumps at a crossing.
fn agree_at_junctions(network: &Network, height_m: &mut [Option<f64>]) {
    let mut sums = vec![(0.0, 0u32); network.junction_ids.len()];
    for edge in 0..2 * network.pieces.len() as u32 {
        if let Some(h) = height_m[last_row(network, edge)] {
            let sum = &mut sums[network.head(edge) as usize];
            *sum = (sum.0 + h, sum.1 + 1);
        }
    }
    for piece in 0..network.pieces.len() as u32 {
        let points = network.piece_points(piece as usize);
        let chainage = chainage_m(&lay_out(points));
        let length = chainage[chainage.len() - 1].max(1e-3);
        let first = network.pieces[piece as usize].first_point as usize;
        let step = |edge: u32| {
            let (sum, count) = sums[network.head(edge) as usize];
            height_m[last_row(network, edge)].map_or(0.0, |h| sum / f64::from(count.max(1)) - h)
        };
        let (start, end) = (step(2 * piece + 1), step(2 * piece));
        for (row, along) in (first..).zip(&chainage) {
            if let Some(h) = &mut height_m[row] {
                *h += start + (end - start) * along / length;
            }
        }
    }
}

fn surroundings_columns(network: &Network, ground: &Ground, columns: &mut Columns) {
    let Some(around) = ground.surroundings else {
        return;
    };
    for piece in 0..network.pieces.len() {
        let points = network.piece_points(piece);
        // A dozen places tell as much as every segment.
        let step = points.len().div_ceil(12);
        let places: Vec<Point> = points
            .windows(2)
            .step_by(step)
            .map(|p| middle(p[0], p[1]))
            .collect();
        let mostly = |is: &dyn Fn(Point) -> bool| {
            places.iter().filter(|&&p| is(p)).count() * 2 > places.len()
        };
        if mostly(&|p| around.is_in_wood(p)) {
            columns.piece_flags[piece] |= flag::IN_WOOD;
        }
        if mostly(&|p| around.is_by_water(p, SIGHT_OF_WATER_M)) {
            columns.piece_flags[piece] |= flag::BY_WATER;
        }
    }
}
