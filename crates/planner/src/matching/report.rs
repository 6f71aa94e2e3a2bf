//! What a match says, in numbers and lines: for files, pages and people.

use region::{Point, Region};
use serde::{Deserialize, Serialize};

use super::spans::{edge_line, off_line_m};
use super::{Anchor, Matched, Part, Ridden, Rule};
use crate::Planner;
use crate::files::Fix;

/// A position farther from the road it was laid on is a stray, metres.
const STRAY_M: f64 = 60.0;

/// A recording laid on the roads of a region.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct MatchReport {
    /// Positions of the recording.
    pub points: usize,
    /// Share of them that lies on a road, 0..=1.
    pub matched_share: f64,
    /// On roads, kilometres along the road, bridged gaps included.
    pub matched_km: f64,
    /// Off the roads of the region, kilometres along the recording.
    pub off_road_km: f64,
    /// Mean distance of the positions on roads from them, metres.
    pub mean_m: f64,
    /// Greatest such distance, metres.
    pub greatest_m: f64,
    /// Noise of the positions, as the deviation of a normal distribution, metres.
    pub noise_m: f64,
    /// Mean probability of the roads given the recording, 0..=1.
    pub sure: f64,
    /// Stretches of which the recording says nothing.
    pub gaps: Vec<MatchGap>,
    /// Rules of the road that were not kept.
    pub breaches: Vec<MatchBreach>,
    /// Roads and stretches off them, in riding order.
    pub parts: Vec<MatchPart>,
    /// The whole line, `[lon, lat]`.
    pub line: Vec<[f64; 2]>,
}

/// A stretch without positions.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct MatchGap {
    /// Last position before it, from 0.
    pub from: usize,
    /// First position after it.
    pub to: usize,
    /// How long it lasted, if known.
    pub seconds: Option<f64>,
    /// Between its ends, metres.
    pub straight_m: f64,
    /// Along the roads by which it was bridged, metres; `null` if it was not.
    pub road_m: Option<f64>,
}

/// A rule of the road that was not kept.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct MatchBreach {
    /// `one_way`, `closed` or `turn`.
    pub rule: Rule,
    /// Where it begins, `[lon, lat]`.
    pub at: [f64; 2],
    /// Metres ridden so; 0 for a turn.
    pub length_m: f64,
    /// OpenStreetMap way ridden or turned into.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub way: u64,
}

/// A part of the line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct MatchPart {
    /// Whether it is on roads; otherwise it is the recording itself.
    pub on_road: bool,
    /// First position, from 0.
    pub first: usize,
    /// Last position.
    pub last: usize,
    /// Index of its first point in the line.
    pub line_from: usize,
    /// Index of its last point in the line.
    pub line_to: usize,
    /// Its length, metres.
    pub length_m: f64,
    /// Whether one turns round at its end.
    pub turns_round: bool,
    /// Mean probability of its roads, 0..=1; 0 off roads.
    pub sure: f64,
    /// OpenStreetMap ways in riding order, repeats left out.
    #[cfg_attr(feature = "ts", ts(type = "Array<number>"))]
    pub ways: Vec<u64>,
    /// Edges of the region in riding order: twice the piece, plus one against its geometry.
    pub edges: Vec<u32>,
    /// Share of the first edge before the start, 0..=1.
    pub from_share: f64,
    /// Share of the last edge before the end, 0..=1.
    pub to_share: f64,
}

impl Planner {
    /// Puts a match of a recording into numbers.
    pub fn match_report(&self, fixes: &[Fix], matched: &Matched) -> MatchReport {
        let region = self.region();
        let mut report = MatchReport {
            points: matched.positions,
            noise_m: matched.sigma_m,
            ..MatchReport::default()
        };
        let offsets: Vec<f64> = offsets_m(region, fixes, matched)
            .into_iter()
            .flatten()
            .filter(|&m| m <= STRAY_M)
            .collect();
        if !offsets.is_empty() {
            report.matched_share = offsets.len() as f64 / matched.positions as f64;
            report.mean_m = offsets.iter().sum::<f64>() / offsets.len() as f64;
            report.greatest_m = offsets.iter().copied().fold(0.0, f64::max);
        }
        let (mut sure, mut sure_m) = (0.0, 0.0);
        for part in &matched.parts {
            let line = part_line(region, fixes, part);
            let length_m = match &part.road {
                Some(road) => road.length_m(region),
                None => line
                    .windows(2)
                    .map(|w| region::distance_m(w[0], w[1]))
                    .sum(),
            };
            let joins = report.line.last() == line.first().map(|&p| lon_lat(p)).as_ref();
            let line_from = report.line.len() - usize::from(joins);
            let rest = line.iter().skip(usize::from(joins));
            report.line.extend(rest.map(|&p| lon_lat(p)));
            let mut said = MatchPart {
                on_road: part.road.is_some(),
                first: part.first,
                last: part.last,
                line_from,
                line_to: report.line.len().saturating_sub(1),
                length_m,
                turns_round: false,
                sure: 0.0,
                ways: Vec::new(),
                edges: Vec::new(),
                from_share: 0.0,
                to_share: 0.0,
            };
            match &part.road {
                None => report.off_road_km += length_m / 1000.0,
                Some(road) => {
                    report.matched_km += length_m / 1000.0;
                    (sure, sure_m) = (sure + road.sure * length_m, sure_m + length_m);
                    (said.turns_round, said.sure) = (road.turns_round, road.sure);
                    (said.from_share, said.to_share) = (road.from, road.to);
                    said.edges = road.edges.iter().map(|e| e.0).collect();
                    let way = |e: &region::Edge| region.piece_way()[e.piece() as usize];
                    said.ways = road.edges.iter().map(way).collect();
                    said.ways.dedup();
                }
            }
            report.parts.push(said);
        }
        if sure_m > 0.0 {
            report.sure = sure / sure_m;
        }
        report.gaps = matched
            .gaps
            .iter()
            .map(|gap| MatchGap {
                from: gap.from,
                to: gap.to,
                seconds: gap.seconds,
                straight_m: gap.straight_m,
                road_m: gap.road_m,
            })
            .collect();
        let breaches = matched.breaches.iter().filter_map(|breach| {
            let road = matched.parts.get(breach.part)?.road.as_ref()?;
            let edge = *road.edges.get(breach.step)?;
            Some(MatchBreach {
                rule: breach.rule,
                at: lon_lat(region.node_point(region.tail(edge))),
                length_m: breach.length_m,
                way: region.piece_way()[edge.piece() as usize],
            })
        });
        report.breaches = breaches.collect();
        report
    }
}

fn lon_lat(p: Point) -> [f64; 2] {
    [p.lon(), p.lat()]
}

/// Points of a part: of the road, or of the recording.
pub(super) fn part_line(region: &Region, fixes: &[Fix], part: &Part) -> Vec<Point> {
    match &part.road {
        Some(road) => road.line(region),
        None => fixes[part.first..=part.last]
            .iter()
            .filter_map(|f| Point::from_degrees(f.lat, f.lon))
            .collect(),
    }
}

/// Distance of every position from the road it was laid on, metres; `None` off the roads.
fn offsets_m(region: &Region, fixes: &[Fix], matched: &Matched) -> Vec<Option<f64>> {
    let mut offsets = vec![None; fixes.len()];
    for part in &matched.parts {
        let Some(road) = &part.road else { continue };
        let anchors = &road.anchors;
        for (k, anchor) in anchors.iter().enumerate() {
            offsets[anchor.fix] = Some(anchor.off_m);
            let Some(next) = anchors.get(k + 1) else {
                continue;
            };
            if next.fix == anchor.fix + 1 {
                continue;
            }
            // Noise along the road may put a position beside the stretch before or after.
            let before = &anchors[k.saturating_sub(1)];
            let after = anchors.get(k + 2).unwrap_or(next);
            let line = between(region, road, before, after);
            for fix in anchor.fix + 1..next.fix {
                let at = Point::from_degrees(fixes[fix].lat, fixes[fix].lon);
                offsets[fix] = at.map(|at| off_line_m(at, &line));
            }
        }
    }
    offsets
}

/// Points of a road between two places on it.
fn between(region: &Region, road: &Ridden, from: &Anchor, to: &Anchor) -> Vec<Point> {
    let mut line = Vec::new();
    for step in from.step..=to.step {
        let a = if step == from.step { from.share } else { 0.0 };
        let b = if step == to.step { to.share } else { 1.0 };
        line.extend(edge_line(region, road.edges[step], a, b));
    }
    line
}
