//! What a road's line and the ground under it say: heights, climb, bends, and from which zoom on a
//! vertex is worth drawing.
//!
//! Bends and heights are measured along strands, so that neither depends on where ways are split
//! or side roads join.

use region::{Columns, NO_HEIGHT, NO_LIMIT_KMH, Point, RADIUS_BANDS, RoadClass, flag};

use super::curves::{breaks, changes, curves};
use super::network::Network;
use super::shape::{Bend, Curve, bends, chainage_m, curves_of, shapes};
use super::strands::{Strand, lay_out};
use super::{Ground, around};
use crate::scenery::line_zooms;

/// Heights are averaged over this far to either side along the road, metres: a road is cut into
/// the slope it climbs, and elevation data sees the slope.
const SMOOTH_M: f64 = 60.0;
/// Rises and falls smaller than this are no climb, metres: only turning points of the profile with
/// at least this prominence count.
const CLIMB_STEP_M: f64 = 5.0;
/// Speed that no limit holds below, km/h: the design speed of open roads.
const OPEN_KMH: f64 = 100.0;

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
    columns.piece_curves = vec![0; pieces];
    columns.piece_changes = vec![0; pieces];
    columns.piece_breaks = vec![0; pieces];
    columns.strand_first = vec![0];
    let mut rows = Vec::new();
    for strand in strands {
        bend_columns(network, strand, columns, &mut rows);
        columns.strand_edge.extend(&strand.edges);
        columns.strand_first.push(columns.strand_edge.len() as u32);
    }
    bend_rows(pieces, rows, columns);
    height_columns(network, strands, ground, columns)?;
    around::look(network, ground, columns)
}

/// A strand's points, in riding order, with the place of each edge's last point among them.
fn line_of(network: &Network, strand: &Strand) -> (Vec<u32>, Vec<u32>, Vec<[f64; 2]>) {
    let (rows, ends) = strand.points(network);
    let points: Vec<Point> = rows.iter().map(|&r| network.points[r as usize]).collect();
    (rows, ends, lay_out(&points))
}

fn bend_columns(
    network: &Network,
    strand: &Strand,
    columns: &mut Columns,
    curves: &mut Vec<(u32, Curve)>,
) {
    let (_, ends, line) = line_of(network, strand);
    let chainage = chainage_m(&line);
    let ends_m: Vec<f64> = ends.iter().map(|&e| chainage[e as usize]).collect();
    let bends = bends(&line, strand.is_closed);
    let mut start_m = 0.0;
    for ((&edge, &end_m), curve) in strand
        .edges
        .iter()
        .zip(&ends_m)
        .zip(curves_of(&bends, &ends_m))
    {
        let length_m = end_m - std::mem::replace(&mut start_m, end_m);
        let piece = edge / 2;
        if network.facts(piece as usize).class == RoadClass::Ferry {
            continue;
        }
        let along = |c: Curve| match edge & 1 {
            0 => c,
            _ => Curve {
                from_m: length_m - c.from_m - c.length_m,
                turn_rad: -c.turn_rad,
                ..c
            },
        };
        curves.extend(curve.into_iter().map(|c| (piece, along(c))));
    }
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
    curve_columns(network, strand, &bends, &ends_m, columns);
}

fn curve_columns(
    network: &Network,
    strand: &Strand,
    bends: &[Bend],
    ends_m: &[f64],
    columns: &mut Columns,
) {
    let piece_at = |at_m: f64| {
        let i = ends_m.partition_point(|&end_m| end_m < at_m);
        strand.edges[i.min(strand.edges.len() - 1)] as usize / 2
    };
    let limit_kmh = |at_m: f64| {
        let piece = piece_at(at_m);
        let both = [0, 1].map(|side| columns.edge_limit_kmh[2 * piece + side]);
        let known = both.into_iter().filter(|&l| l != 0 && l != NO_LIMIT_KMH);
        known.min().map_or(OPEN_KMH, f64::from)
    };
    let curves = curves(bends);
    let length_m = ends_m[ends_m.len() - 1];
    let breaks = breaks(&curves, length_m, limit_kmh);
    let middles = curves.iter().map(|c| (c.from_m + c.to_m) / 2.0);
    let mut count = |places: &mut dyn Iterator<Item = f64>,
                     column: fn(&mut Columns) -> &mut [u16]| {
        for piece in places.map(piece_at) {
            // Roundabouts are no curves of the road, ferries have none.
            let facts = network.facts(piece);
            if facts.class != RoadClass::Ferry && facts.flags & flag::ROUNDABOUT == 0 {
                let count = &mut column(columns)[piece];
                *count = count.saturating_add(1);
            }
        }
    };
    count(&mut middles.into_iter(), |c| &mut c.piece_curves);
    count(&mut changes(&curves), |c| &mut c.piece_changes);
    count(&mut breaks.into_iter(), |c| &mut c.piece_breaks);
}

/// Files the curves by piece.
fn bend_rows(pieces: usize, mut curves: Vec<(u32, Curve)>, columns: &mut Columns) {
    curves.sort_by(|(p, a), (q, b)| p.cmp(q).then(a.from_m.total_cmp(&b.from_m)));
    columns.piece_first_bend = vec![0; pieces + 1];
    for (piece, curve) in &curves {
        columns.piece_first_bend[*piece as usize + 1] += 1;
        columns
            .bend_from_dm
            .push((curve.from_m * 10.0).round().max(0.0) as u32);
        columns
            .bend_length_dm
            .push((curve.length_m * 10.0).round().clamp(1.0, 65_535.0) as u16);
        // `as` saturates; right is positive in the file.
        columns
            .bend_turn_mrad
            .push((-curve.turn_rad * 1000.0).round() as i16);
    }
    for piece in 0..pieces {
        columns.piece_first_bend[piece + 1] += columns.piece_first_bend[piece];
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
    carry(network, strands, &mut height_m);
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
    }
    for strand in strands {
        climb_columns(network, strand, &height_m, columns);
    }
    Ok(())
}

fn climb_columns(
    network: &Network,
    strand: &Strand,
    height_m: &[Option<f64>],
    columns: &mut Columns,
) {
    let (rows, ends) = strand.points(network);
    let profile: Vec<Option<f64>> = rows.iter().map(|&r| height_m[r as usize]).collect();
    // Along the strand, up and down of each of its edges.
    let mut sums = vec![[0.0f64; 2]; strand.edges.len()];
    let mut at = 0;
    for known in profile.chunk_by(|a, b| a.is_some() == b.is_some()) {
        let heights: Vec<f64> = known.iter().flatten().copied().collect();
        for (i, pair) in without_ripples(&heights, CLIMB_STEP_M)
            .windows(2)
            .enumerate()
        {
            let edge = ends.partition_point(|&end| (end as usize) < at + i + 1);
            let step = pair[1] - pair[0];
            sums[edge][usize::from(step < 0.0)] += step.abs();
        }
        at += known.len();
    }
    for (&edge, [up_m, down_m]) in strand.edges.iter().zip(sums) {
        let dm = |m: f64| (m * 10.0).round().min(65_535.0) as u16;
        columns.edge_climb_dm[edge as usize] = dm(up_m);
        columns.edge_climb_dm[edge as usize ^ 1] = dm(down_m);
    }
}

/// The profile between its turning points of prominence `step_m` or more, rising or falling all the
/// way from one to the next; the ends stay where they are.
fn without_ripples(heights: &[f64], step_m: f64) -> Vec<f64> {
    let mut turns = Vec::from_iter((!heights.is_empty()).then_some(0));
    let (mut low, mut high) = (0, 0);
    let (mut may_rise, mut may_fall) = (true, true);
    for (i, &h) in heights.iter().enumerate() {
        low = if h < heights[low] { i } else { low };
        high = if h > heights[high] { i } else { high };
        if may_fall && heights[high] - h >= step_m {
            // Until the first turning point both directions are open, and there is no turn yet.
            turns.extend((!may_rise).then_some(high));
            (may_rise, may_fall, low) = (true, false, i);
        } else if may_rise && h - heights[low] >= step_m {
            turns.extend((!may_fall).then_some(low));
            (may_rise, may_fall, high) = (false, true, i);
        }
    }
    turns.extend(heights.len().checked_sub(1));
    let mut smooth = heights.to_vec();
    for leg in turns.windows(2) {
        let (from, to) = (heights[leg[0]], heights[leg[1]]);
        let mut level = from;
        for h in &mut smooth[leg[0]..leg[1]] {
            level = if to >= from {
                level.max(h.min(to))
            } else {
                level.min(h.max(to))
            };
            *h = level;
        }
    }
    smooth
}

/// Lays bridges and tunnels straight from portal to portal (common practice). Where roads meet in a
/// tunnel, the one that leads through from portal to portal says how high that is.
fn carry(network: &Network, strands: &[Strand], height_m: &mut [Option<f64>]) {
    let is_carried =
        |edge: u32| network.facts(edge as usize / 2).flags & (flag::BRIDGE | flag::TUNNEL) != 0;
    let mut is_known = vec![false; network.junction_ids.len()];
    for edge in (0..2 * network.pieces.len() as u32).filter(|&e| !is_carried(e)) {
        is_known[network.head(edge) as usize] = true;
    }
    let carried = |strand: &Strand| -> Vec<Strand> {
        let runs = strand
            .edges
            .chunk_by(|&a, &b| is_carried(a) == is_carried(b));
        let runs = runs.filter(|run| is_carried(run[0]));
        runs.map(|run| Strand {
            edges: run.to_vec(),
            is_closed: false,
        })
        .collect()
    };
    let mut waiting: Vec<Strand> = strands.iter().flat_map(carried).collect();
    let mut junction_m: Vec<Option<f64>> = vec![None; network.junction_ids.len()];
    // A tunnel that ends in the mountain, or a bridge in the air, is taken as level, at last.
    let mut level = false;
    while !waiting.is_empty() {
        let before = waiting.len();
        waiting.retain(|run| {
            let (first, last) = (run.edges[0], run.edges[run.edges.len() - 1]);
            let (start, end) = (network.tail(first) as usize, network.head(last) as usize);
            if !(is_known[start] && is_known[end] || level && (is_known[start] || is_known[end])) {
                return true;
            }
            let (rows, ends, line) = line_of(network, run);
            let at = |junction: usize, row: u32| {
                junction_m[junction]
                    .or(height_m[row as usize])
                    .filter(|_| is_known[junction])
            };
            let (a, b) = (at(start, rows[0]), at(end, rows[rows.len() - 1]));
            let (Some(a), Some(b)) = (a.or(b), b.or(a)) else {
                return false;
            };
            let chainage = chainage_m(&line);
            let length = chainage[chainage.len() - 1].max(1e-3);
            for (&row, along) in rows.iter().zip(&chainage) {
                height_m[row as usize] = Some(a + (b - a) * along / length);
            }
            for (pair, &i) in run.edges.windows(2).zip(&ends) {
                let junction = network.head(pair[0]) as usize;
                is_known[junction] = true;
                junction_m[junction] = height_m[rows[i as usize] as usize];
                height_m[last_row(network, pair[1] ^ 1)] = junction_m[junction];
            }
            for (junction, m) in [(start, a), (end, b)] {
                if !is_known[junction] {
                    (is_known[junction], junction_m[junction]) = (true, Some(m));
                }
            }
            false
        });
        if waiting.len() == before {
            if level {
                return;
            }
            level = true;
        }
    }
}

/// Averages along the strand, nearer heights counting more.
fn smooth(network: &Network, strand: &Strand, height_m: &mut [Option<f64>]) {
    let (rows, _, line) = line_of(network, strand);
    let chainage = chainage_m(&line);
    let profile: Vec<Option<f64>> = rows.iter().map(|&r| height_m[r as usize]).collect();
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

#[cfg(test)]
mod tests {
    use super::*;

    /// A worked profile: turning points with prominence of at least 3, 5 or 10 m leave a climb of
    /// 35 m (pivots 100 110 100 125); raw it is 39 m.
    #[test]
    fn ripples_are_no_climb() {
        let profile = [
            100.0, 103.0, 101.0, 106.0, 110.0, 108.0, 109.0, 104.0, 100.0, 102.0, 120.0, 119.0,
            125.0,
        ];
        let gain =
            |profile: &[f64]| -> f64 { profile.windows(2).map(|w| (w[1] - w[0]).max(0.0)).sum() };
        assert_eq!(gain(&profile), 39.0);
        for step in [3.0, 5.0, 10.0] {
            let smooth = without_ripples(&profile, step);
            assert_eq!(gain(&smooth), 35.0, "{step}: {smooth:?}");
            assert_eq!(
                (smooth[0], smooth[4], smooth[8], smooth[12]),
                (100.0, 110.0, 100.0, 125.0)
            );
            let mut back = profile;
            back.reverse();
            assert_eq!(gain(&without_ripples(&back, step)), 10.0, "{step}");
        }
        assert_eq!(
            without_ripples(&[5.0, 7.0, 3.0, 6.0], 5.0),
            [5.0, 6.0, 6.0, 6.0]
        );
        assert!(without_ripples(&[], 5.0).is_empty());
    }
}
